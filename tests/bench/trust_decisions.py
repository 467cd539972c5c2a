"""What a plan of a map decides otherwise than the plan of the truth, place by place, and which checks are about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry
from trust_gardens import Garden, placed

from lawngis.mower import MowerProfile

# --- checks: which kind of decision each settles ---------------------------------------------------------

SETTLES: Mapping[str, tuple[str, ...]] = {
    "passage": ("passage", "reach"),
    "crossing": ("crossing", "reach"),
    "ground-slope": ("steep", "wire slope"),
    "slope": ("steep", "wire slope"),
    "dock-slope": ("dock slope",),
    "dock": ("dock place",),
    "edge": ("edge", "edge danger"),
    "drop": ("edge danger",),
    "tree": ("trunk",),
    "trunk": ("trunk",),
    "zone": ("small zone",),
    "small": ("small zone",),
    "reach": ("reach",),
    "supply": ("reach",),
    "loop": ("loop length",),
    "wire": ("loop length",),
    "week": ("week",),
    "hours": ("week",),
    "verdict": ("verdict",),
    "standing": ("lawn",),
    "lawn": ("lawn",),
}
"""Kinds of decision that a check settles, by how its code begins; the longest beginning counts. Add new codes here."""

RULE_CODES = frozenset({"dock-slope", "what-is-there", "supply-point", "outlet"})
"""Checks that a rule asks for whatever the chance."""

SAFETY = frozenset({"steep", "wire slope", "edge danger"})
"""Kinds that could hurt somebody: their checks are never needless."""

REACH_M: Mapping[str, float] = {
    "passage": 2.0,
    "crossing": 2.0,
    "steep": 1.0,
    "wire slope": 1.0,
    "dock slope": 1.5,
    "dock place": 1.5,
    "edge": 1.0,
    "edge danger": 1.0,
    "trunk": 1.0,
    "small zone": 1.0,
    "reach": 2.0,
    "lawn": 1.0,
}
"""How far from a decision's ground a check about it may lie [m]; a kind that isn't here is of the whole garden."""

KINDS = (*REACH_M, "loop length", "week", "verdict")

# --- how near is the same ---------------------------------------------------------------------------------

SAME_PLACE_M = 2.0
STEEP_DIFFERS_M2, STEEP_DIFFERS_SHARE = 2.0, 0.25
"""A piece of ground is judged otherwise when so much more or less of it is kept out, and so large a share."""

LAWN_DIFFERS_WIDE_M, LAWN_DIFFERS_M2 = 1.2, 1.5
"""Ground is lawn in one plan only, and not just off in place, when it is so wide and so large."""

EDGE_STEP_M, EDGE_AWAY_M, EDGE_RUN_MIN_M, EDGE_TURN_MAX_DEG = 0.25, 0.9, 1.0, 30.0
SETBACK_DIFFERS_M = 0.02
DANGERS = frozenset({"drop", "water"})
NO_CLASS = ""


@dataclass(frozen=True)
class Decision:
    """One yes or no, or one of several, that both plans made at a place.

    A check settles it only if it asks about one of its `limits`, when both state any: the slope at which ground is kept
    out differs along the wire, and only what closes a passage changes which zones are reached.
    """

    kind: str
    ground: BaseGeometry
    truth: str
    found: str
    limits: tuple[float, ...] = ()

    @property
    def wrong(self) -> bool:
        return self.truth != self.found


@dataclass(frozen=True)
class Check:
    """A row of `visit_checks` with all the ground that it is about."""

    check_id: str
    code: str
    ground: BaseGeometry
    value: float
    sd: float
    limit: float
    chance: float

    @property
    def settles(self) -> tuple[str, ...]:
        return SETTLES[max(fitting, key=len)] if (fitting := [c for c in SETTLES if self.code.startswith(c)]) else ()

    def about(self, decision: Decision) -> bool:
        """Return whether this settles a decision: its kind, its limit where slopes have two, and its place."""
        if decision.kind not in self.settles:
            return False
        if decision.limits and np.isfinite(self.limit) and not np.isclose(self.limit, decision.limits).any():
            return False
        reach = REACH_M.get(decision.kind)
        return reach is None or bool(self.ground.dwithin(decision.ground, reach))


def stated_chance(checks: Sequence[Check]) -> float:
    """Return the chance that checks about one decision give it: the most for each limit, added up over limits."""
    most: dict[float | None, float] = {}
    for check in checks:
        limit = check.limit if np.isfinite(check.limit) else None
        most[limit] = max(most.get(limit, 0.0), check.chance)
    return min(1.0, sum(most.values()))


# --- plans ------------------------------------------------------------------------------------------------

LAYERS = (
    "summary", "lawn", "keepouts", "zones", "links", "edges", "wire_path", "dock_candidates", "hand_mow",
    "visit_checks", "visit_areas", "materials",
)  # fmt: skip


@dataclass
class PlanOfGarden:
    """The layers of a plan of one parcel, about the middle of its tile."""

    tables: Mapping[str, pd.DataFrame]
    _unions: dict[Any, BaseGeometry] = field(default_factory=dict)

    def rows(self, layer: str, **wanted: str) -> pd.DataFrame:
        table = self.tables[layer]
        for column, value in wanted.items():
            table = table[table[column] == value]
        return table

    def union(self, layer: str, **wanted: str) -> BaseGeometry:
        key = (layer, *sorted(wanted.items()))
        if key not in self._unions:
            self._unions[key] = shapely.union_all(self.rows(layer, **wanted).geometry.to_numpy())
        return self._unions[key]

    @property
    def summary(self) -> Mapping[str, Any]:
        return self.tables["summary"].iloc[0]

    def checks(self) -> list[Check]:
        areas = self.rows("visit_areas")
        found = []
        for row in self.rows("visit_checks").itertuples():
            shapes = [row.geometry, *areas.geometry[areas.check_id == row.check_id], *self._target(row)]
            chance = 0.5 if pd.isna(row.flip_probability) else float(row.flip_probability)
            figures = [np.nan if value is None else float(value) for value in (row.value, row.sd, row.limit_value)]
            ground = shapely.union_all([shape for shape in shapes if shape is not None])
            found.append(Check(row.check_id, row.code, ground, *figures, chance))
        return found

    def _target(self, check: Any) -> list[BaseGeometry]:
        column = {"edges": "edge_id", "links": "link_id", "zones": "zone_id", "keepouts": "keepout_id"}
        if check.target_layer not in column or not check.target_id:
            return []
        return list(self.rows(check.target_layer, **{column[check.target_layer]: check.target_id}).geometry)


def plans_of(path: Path, origins: Mapping[str, tuple[float, float]]) -> dict[str, PlanOfGarden]:
    """Return the plan of every parcel, moved so that its tile's middle is the origin."""
    there = {name for name, _ in pyogrio.list_layers(path)}
    tables: dict[str, dict[str, pd.DataFrame]] = {name: {} for name in origins}
    for layer in LAYERS:
        frame = pyogrio.read_dataframe(path, layer=layer) if layer in there else pd.DataFrame({"parcel_id": []})
        groups = dict(list(frame.groupby("parcel_id")))
        for name, (x, y) in origins.items():
            rows = groups.get(name, frame.iloc[:0])
            if isinstance(rows, geopandas.GeoDataFrame):
                moved = shapely.transform(rows.geometry.to_numpy(), lambda xy, x=x, y=y: xy - (x, y))
                rows = pd.DataFrame(rows.drop(columns="geometry")).assign(geometry=moved)
                rows = geopandas.GeoDataFrame(rows, geometry="geometry")
            tables[name][layer] = rows
    return {name: PlanOfGarden(layers) for name, layers in tables.items()}


# --- decisions --------------------------------------------------------------------------------------------


def decisions(
    lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, checks: Sequence[Check], mower: MowerProfile
) -> list[Decision]:
    """Return all decisions of a garden that the plan of its truth and that of a map have in common."""
    made = [Decision("verdict", Point(0, 0), str(truth.summary["status"]), str(found.summary["status"]))]
    if made[0].wrong or truth.summary["status"] != "planned":
        return made
    for part in (_passages, _crossings, _slopes, _trunks, _small_zones, _lawn):
        made += part(lot, truth, found, checks, mower)
    return [
        *made,
        *_docks(truth, found, mower),
        *_edges(truth, found),
        *_reached(truth, found, mower),
        *_wholes(truth, found, mower),
    ]


def _passages(
    lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, checks: Sequence[Check], _: MowerProfile
) -> list[Decision]:
    """Return what becomes of each narrow place, also where one plan sees open lawn."""
    places = [placed(lot, shape) for shape in lot.passages]
    for plan in (truth, found):
        links = plan.rows("links", surface="lawn")
        places += [line.interpolate(0.5, normalized=True) for line in links.geometry]
    places += [check.ground.centroid for check in checks if check.settles[:1] == ("passage",)]
    made = []
    for place in _apart(places):
        kinds = [passage_kind(plan, place) for plan in (truth, found)]
        if None not in kinds:
            made.append(Decision("passage", place, *map(str, kinds)))
    return made


def passage_kind(plan: PlanOfGarden, place: BaseGeometry) -> str | None:
    """Return whether a plan mows a narrow place, drives through it, or finds it closed; None where it sees no lawn."""
    links = plan.rows("links", surface="lawn")
    near = [(line.distance(place), kind) for line, kind in zip(links.geometry, links["kind"], strict=True)]
    best = min(near, default=(np.inf, ""))
    if best[0] <= SAME_PLACE_M / 2:
        return {"transit": "driven", "open": "mown"}.get(best[1], "closed")
    ground = place.buffer(0.05)
    mown, by_hand = (plan.union(layer).intersection(ground).area for layer in ("zones", "hand_mow"))
    return None if mown + by_hand < 0.4 * ground.area else "mown" if mown >= by_hand else "closed"


def _crossings(
    lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, checks: Sequence[Check], _: MowerProfile
) -> list[Decision]:
    """Return whether each strip of paving joins what lies on its sides."""
    strips = [placed(lot, shape).buffer(0.3) for shape in lot.crossings]
    for plan in (truth, found):
        links = plan.rows("links")
        for line in links.geometry[links["surface"] != "lawn"]:
            if not any(strip.intersects(line) for strip in strips):
                strips.append(line.buffer(SAME_PLACE_M))
    made = []
    for strip in strips:
        made.append(
            Decision("crossing", strip, *("joined" if _joins(plan, strip) else "parted" for plan in (truth, found)))
        )
    return made


def _joins(plan: PlanOfGarden, strip: BaseGeometry) -> bool:
    return bool(shapely.intersects(plan.rows("links", kind="crossing").geometry.to_numpy(), strip).any())


def _slopes(
    lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, checks: Sequence[Check], mower: MowerProfile
) -> list[Decision]:
    """Return what is kept out as steep of each bank, within and along the wire, and of any other ground."""
    lawn = truth.union("lawn")
    band = lawn.difference(lawn.buffer(-mower.edge_band_m))
    banks = shapely.union_all([placed(lot, shape) for shape in lot.banks])
    steep = [plan.union("keepouts", reason="steep") for plan in (truth, found)]
    elsewhere = shapely.symmetric_difference(*steep).difference(banks.buffer(1.0))
    asked = [check.ground.buffer(0.5) for check in checks if "steep" in check.settles]
    asked_at = shapely.union_all(asked).difference(banks.buffer(1.0)).difference(elsewhere.buffer(1.0))
    made = []
    for kind, ground, limit in (
        ("steep", lawn.difference(band), mower.slope_limit_percent),
        ("wire slope", band, mower.edge_slope_limit_percent),
    ):
        grounds = [
            piece for whole in (banks, elsewhere, asked_at) for piece in _pieces(whole.intersection(ground), 1.0)
        ]
        for piece in grounds:
            out = [shape.intersection(piece).area for shape in steep]
            differs = abs(out[0] - out[1]) > max(STEEP_DIFFERS_M2, STEEP_DIFFERS_SHARE * piece.area)
            words = [f"{area:.1f} of {piece.area:.0f} m² out" for area in out]
            made.append(Decision(kind, piece, words[0], words[1] if differs else words[0], (limit,)))
    return made


def _lawn(
    lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, checks: Sequence[Check], _: MowerProfile
) -> list[Decision]:
    """Return what is lawn in one plan only, and all other ground as one decision, but what checks ask about."""
    half = LAWN_DIFFERS_WIDE_M / 2
    differs = truth.union("lawn").symmetric_difference(found.union("lawn")).buffer(-half).buffer(half)
    pieces = [piece for piece in shapely.get_parts(differs) if piece.area >= LAWN_DIFFERS_M2]
    made = [
        Decision(
            "lawn",
            piece,
            *(
                "lawn" if plan.union("lawn").intersection(piece).area > piece.area / 2 else "none"
                for plan in (truth, found)
            ),
        )
        for piece in pieces
    ]
    right = [check.ground for check in checks if "lawn" in check.settles and not any(map(check.about, made))]
    return made + [
        Decision("lawn", ground, "as mapped", "as mapped") for ground in (*right, *([] if made else [Point(0, 0)]))
    ]


def _pieces(shape: BaseGeometry, least_m2: float) -> list[BaseGeometry]:
    opened = shape.buffer(-0.1).buffer(0.1)
    return [part for part in shapely.get_parts(opened) if part.area >= least_m2]


def _trunks(lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, *_: Any) -> list[Decision]:
    """Return whether each tree may be bumped."""
    made = []
    for tree in (placed(lot, feature.shape) for feature in lot.features if feature.layer == "trees"):
        words = [_treatment(plan, tree) for plan in (truth, found)]
        if None not in words:
            made.append(Decision("trunk", tree, *map(str, words)))
    return made


def _treatment(plan: PlanOfGarden, tree: Point) -> str | None:
    kept = plan.rows("keepouts", reason="tree")
    near = [(shape.distance(tree), how) for shape, how in zip(kept.geometry, kept["treatment"], strict=True)]
    best = min(near, default=(np.inf, ""))
    return None if best[0] > 1.2 else "bump" if best[1] == "bump" else "kept off"


def _small_zones(lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, *_: Any) -> list[Decision]:
    """Return whether each small lawn gets a wire."""
    grounds = [placed(lot, shape) for shape in lot.small_lawns]
    for plan in (truth, found):
        for shape in plan.rows("hand_mow", reason="small").geometry:
            if shape.area >= 2 and not any(shape.intersects(other) for other in grounds):
                grounds.append(shape)
    made = []
    for ground in grounds:
        words = [_mown_how(plan, ground) for plan in (truth, found)]
        if None not in words:
            made.append(Decision("small zone", ground, *map(str, words)))
    return made


def _mown_how(plan: PlanOfGarden, ground: BaseGeometry) -> str | None:
    if plan.union("zones").intersection(ground).area >= 0.4 * ground.area:
        return "zone"
    return "by hand" if plan.union("hand_mow").intersection(ground).area >= 0.4 * ground.area else None


def _docks(truth: PlanOfGarden, found: PlanOfGarden, mower: MowerProfile) -> Iterator[Decision]:
    """Yield whether the truth lets each dock stand where the map's plan puts it: its pad's slope, and all else."""
    places = truth.rows("dock_candidates")
    for dock in found.rows("dock_candidates").itertuples():
        if not dock.chosen or places.empty:
            continue
        turn = np.abs((places["heading_deg"] - dock.heading_deg + 180) % 360 - 180)
        away = np.where(turn <= 45, places.geometry.distance(dock.geometry), np.inf)
        best = int(np.argmin(away))
        if away[best] > REACH_M["dock place"]:
            continue
        true = places.iloc[best]
        limit = mower.dock_slope_max_percent
        slopes = (float(true["slope_percent"]), float(dock.slope_percent))
        yield Decision("dock slope", dock.geometry, *("too steep" if slope > limit else "level" for slope in slopes))
        missed = [_missed(true["failed"]) - (slopes[0] > limit), _missed(dock.failed) - (slopes[1] > limit)]
        yield Decision("dock place", dock.geometry, *("refused" if count else "allowed" for count in missed))


def _missed(words: Any) -> int:
    return len(str(words).split("; ")) if isinstance(words, str) and words else 0


def _edges(truth: PlanOfGarden, found: PlanOfGarden) -> Iterator[Decision]:
    """Yield for each stretch of edge whether it has the true setback: one decision for each run that hasn't.

    What the map's plan kept out as steep, or cut off at a passage, has no edge there: that is decided elsewhere.
    """
    others = found.rows("edges")[found.rows("edges")["edge_class"] != "steep"]
    lines = others.geometry.to_numpy()
    tree = shapely.STRtree(lines)
    for edge in truth.rows("edges").itertuples():
        if edge.edge_class == "steep" or edge.length_m < EDGE_RUN_MIN_M:
            continue
        count = ceil(edge.geometry.length / EDGE_STEP_M)
        points = shapely.line_interpolate_point(edge.geometry, (np.arange(count) + 0.5) / count, normalized=True)
        met, nearest = tree.query_nearest(points, max_distance=EDGE_AWAY_M, all_matches=False)
        turn = _heading_deg(lines[nearest], points[met]) - _heading_deg(edge.geometry, points[met])
        along = np.abs((turn + 90) % 180 - 90) <= EDGE_TURN_MAX_DEG
        met, nearest = met[along], nearest[along]
        if len(met) * EDGE_STEP_M < EDGE_RUN_MIN_M:
            continue
        classes = np.full(count, NO_CLASS, dtype=object)
        wrong = np.abs(others["setback_m"].to_numpy()[nearest] - edge.setback_m) > SETBACK_DIFFERS_M
        classes[met[wrong]] = others["edge_class"].to_numpy()[nearest[wrong]]
        runs = [run for run in _runs(classes) if len(run) * EDGE_STEP_M >= EDGE_RUN_MIN_M]
        for now, place in [(classes[run[0]], shapely.MultiPoint(points[run])) for run in runs] or [
            (edge.edge_class, edge.geometry)
        ]:
            yield Decision("edge danger" if {now, edge.edge_class} & DANGERS else "edge", place, edge.edge_class, now)


def _heading_deg(lines: Any, points: Any) -> np.ndarray:
    """Return in which direction lines run where they are next to points [degrees]."""
    at = shapely.line_locate_point(lines, points)
    ends = [shapely.line_interpolate_point(lines, np.maximum(at + step, 0)) for step in (-0.05, 0.05)]
    dx, dy = (read(ends[1]) - read(ends[0]) for read in (shapely.get_x, shapely.get_y))
    return np.degrees(np.arctan2(dy, dx))


def _runs(labels: np.ndarray) -> list[np.ndarray]:
    """Return the places of runs of equal labels, those without a label left out."""
    cuts = np.flatnonzero(labels[1:] != labels[:-1]) + 1
    return [run for run in np.split(np.arange(len(labels)), cuts) if labels[run[0]] != NO_CLASS]


def _reached(truth: PlanOfGarden, found: PlanOfGarden, mower: MowerProfile) -> Iterator[Decision]:
    """Yield how each zone of the truth is served: driven to, carried to with which supply, or not at all."""
    limits = (
        mower.passage_transit_min_m,
        mower.crossing_length_max_m,
        mower.supply_cable_max_m,
        mower.loop_length_max_m,
    )
    for ground in (*truth.rows("zones").geometry, *truth.rows("hand_mow", reason="unreachable").geometry):
        words = [_served(plan, ground) for plan in (truth, found)]
        if None not in words:
            yield Decision("reach", ground, *map(str, words), limits)


def _served(plan: PlanOfGarden, ground: BaseGeometry) -> str | None:
    share: dict[str, float] = {}
    for zone in plan.rows("zones").itertuples():
        how = zone.supply if zone.role == "detached" else "driven"
        share[how] = share.get(how, 0.0) + zone.geometry.intersection(ground).area
    share["none"] = plan.union("hand_mow", reason="unreachable").intersection(ground).area
    how = max(share, key=share.__getitem__)
    return how if share[how] >= 0.4 * ground.area else None


def _wholes(truth: PlanOfGarden, found: PlanOfGarden, mower: MowerProfile) -> Iterator[Decision]:
    """Yield what is decided of the garden as a whole: loops that the source can drive, a week that suffices."""
    loops = [plan.rows("wire_path")["length_m"].max() > mower.loop_length_max_m for plan in (truth, found)]
    yield Decision("loop length", Point(0, 0), *("too long" if over else "drivable" for over in loops))
    short = [(plan.summary["missing_hours_week"] or 0) > 0 for plan in (truth, found)]
    yield Decision("week", Point(0, 0), *("too short" if over else "suffices" for over in short))


def _apart(places: Sequence[BaseGeometry]) -> list[BaseGeometry]:
    """Return places without those that are too near an earlier one to be another."""
    kept: list[BaseGeometry] = []
    for place in places:
        if not any(place.dwithin(other, SAME_PLACE_M) for other in kept):
            kept.append(place)
    return kept
