"""What a plan of a map decides otherwise than the plan of the truth, place by place, and which checks are about it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
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
    "passage": ("passage", "steep passage", "reach", "small zone", "cable"),
    "narrow": ("passage", "steep passage", "reach", "small zone"),
    "crossing": ("crossing", "reach", "cable"),
    "crossing-surface": ("border",),
    "slope": ("steep", "wire slope", "steep passage"),
    "ground-slope": ("steep", "wire slope", "steep passage", "reach", "small zone"),
    "edge-slope": ("wire slope", "steep", "steep passage"),
    "wire-slope": ("wire slope", "steep", "steep passage"),
    "dock": ("dock place",),
    "dock-slope": ("dock slope",),
    "edge": ("edge", "edge danger"),
    "edge-danger": ("edge danger", "edge"),
    "drop": ("edge danger", "edge"),
    "tree": ("trunk",),
    "trunk": ("trunk",),
    "trunk-gap": ("trunk", "passage"),
    "zone": ("small zone",),
    "zone-reach": ("reach", "cable"),
    "small": ("small zone",),
    "reach": ("reach",),
    "supply": ("reach", "cable"),
    "charge": ("reach",),
    "supply-length": ("cable",),
    "loop": ("loop length",),
    "signal": ("signal",),
    "mower": ("week",),
    "week": ("week",),
    "hours": ("week",),
    "verdict": ("verdict",),
    "standing": ("lawn",),
    "lawn": ("lawn",),
}
"""Kinds of decision that a check settles, by how its code begins; the longest beginning counts. Add new codes here."""

RULE_CODES = frozenset(
    {"dock-slope", "edge-class", "what-is-there", "standing", "crossing-surface", "supply-point", "outlet"}
)
"""Checks that a rule asks for whatever the chance: what no layer tells, and what is measured of every parcel."""

SAFETY = frozenset({"steep", "wire slope", "edge danger"})
"""Kinds that could hurt somebody: their checks are never needless."""

REACH_M: Mapping[str, float] = {
    "passage": 2.0,
    "steep passage": 2.0,
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
    "cable": 2.0,
    "lawn": 1.0,
}
"""How far from a decision's ground a check about it may lie [m]; a kind that isn't here is of the whole garden."""

ALONG = frozenset({"edge", "edge danger"})
"""Kinds whose checks lie along them: where two edges meet at a corner, a check of one says nothing of the other."""

CHAINED = frozenset({"reach", "small zone", "cable"})
"""Kinds that follow from decisions of other kinds: a check of those tells of this one as far as they were wrong."""

KINDS = (*REACH_M, "signal", "loop length", "week", "verdict")

# --- how near is the same ---------------------------------------------------------------------------------

SAME_PLACE_M = 2.0
STEEP_DIFFERS_M2, STEEP_DIFFERS_SHARE = 2.0, 0.25
"""A piece of ground is judged otherwise when so much more or less of it is kept out, and so large a share."""

LAWN_DIFFERS_WIDE_M, LAWN_DIFFERS_M2 = 1.2, 1.5
"""Ground is lawn in one plan only, and not just off in place, when it is so wide and so large."""

STEEP_NARROWS_M2 = 0.5
"""What one plan alone keeps out as steep narrows a passage when it is so large, and near."""

EDGE_STEP_M, EDGE_AWAY_M, EDGE_RUN_MIN_M, EDGE_TURN_MAX_DEG = 0.25, 0.9, 1.0, 30.0
SETBACK_DIFFERS_M = 0.02
TREE_AWAY_M, SMALL_MIN_M2, DOCK_TURN_MAX_DEG = 1.2, 2.0, 45.0
DOCK_MOVED_M = 0.75
"""Whoever sets a dock moves it along its wire to where all holds, by as much as places are apart."""

DANGERS = frozenset({"drop", "water"})
NO_CLASS = ""
WHOLE = Point(0, 0)
"""Where decisions of the whole garden are: the tile's middle."""


@dataclass(frozen=True)
class Decision:
    """One yes or no, or one of several, that both plans made at a place.

    A check settles it only if it asks about one of its `limits`, when both state any: the slope at which ground is kept
    out differs along the wire, and only what closes a way changes which zones are reached.
    """

    kind: str
    ground: BaseGeometry
    truth: str
    found: str
    limits: tuple[float, ...] = ()
    harm: bool = False
    """The map's plan takes ground for safe that the truth's plan keeps off."""

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
        if self.code == "edge-height" and self.limit < 0:
            return SETTLES["edge-danger"]
        return SETTLES[max(fitting, key=len)] if (fitting := [c for c in SETTLES if self.code.startswith(c)]) else ()

    def of_itself(self, decision: Decision) -> bool:
        """Return whether a decision isn't just what follows from that which this asks."""
        return decision.kind not in CHAINED or self.settles[0] == decision.kind

    def about(self, decision: Decision) -> bool:
        """Return whether this settles a decision: its kind, its limit where slopes have two, and its place."""
        if decision.kind not in self.settles:
            return False
        other = decision.limits and np.isfinite(self.limit) and not np.isclose(self.limit, decision.limits).any()
        if other and self.settles[0] not in CHAINED:
            return False
        reach = REACH_M.get(decision.kind)
        if reach is None or not self.ground.dwithin(decision.ground, reach):
            return reach is None
        return decision.kind not in ALONG or _lie_along(self.ground, decision.ground, reach)


def _lie_along(one: BaseGeometry, other: BaseGeometry, reach_m: float) -> bool:
    """Return whether most of either of two edges lies near the other, and not just its end at a corner of both."""
    for ground, near in ((one, other), (other, one)):
        lines = shapely.get_parts(ground)
        samples = shapely.line_interpolate_point(lines[shapely.get_dimensions(lines) == 1], 0.5, normalized=True)
        if not len(samples):
            samples = lines
        if shapely.dwithin(samples, near, reach_m).mean() >= 0.5:
            return True
    return False


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
    "supply_route", "visit_checks", "visit_areas",
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

    def mostly(self, ground: BaseGeometry, shapes: Mapping[str, BaseGeometry]) -> str | None:
        """Return which of some shapes has most of a piece of ground; None where together they have little of it."""
        area_m2 = {name: shape.intersection(ground).area for name, shape in shapes.items()}
        return max(area_m2, key=area_m2.__getitem__) if sum(area_m2.values()) >= 0.4 * ground.area else None

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


@dataclass(frozen=True)
class _Compared:
    """A garden with the plan of its truth and that of one of its maps."""

    lot: Garden
    truth: PlanOfGarden
    found: PlanOfGarden
    checks: Sequence[Check]
    mower: MowerProfile

    @property
    def both(self) -> tuple[PlanOfGarden, PlanOfGarden]:
        return self.truth, self.found

    def places(self, shapes: Sequence[BaseGeometry]) -> list[BaseGeometry]:
        return [placed(self.lot, shape) for shape in shapes]

    def decision(
        self,
        kind: str,
        ground: BaseGeometry,
        read: Callable[[PlanOfGarden], str | None],
        limits: tuple[float, ...] = (),
    ) -> list[Decision]:
        """Return what both plans say of a place, unless one says nothing."""
        truth, found = map(read, self.both)
        return [] if truth is None or found is None else [Decision(kind, ground, truth, found, limits)]


def decisions(
    lot: Garden, truth: PlanOfGarden, found: PlanOfGarden, checks: Sequence[Check], mower: MowerProfile
) -> list[Decision]:
    """Return all decisions of a garden that the plan of its truth and that of a map have in common."""
    pair = _Compared(lot, truth, found, checks, mower)
    made = pair.decision("verdict", WHOLE, lambda plan: str(plan.summary["status"]))
    if {plan.summary["status"] for plan in pair.both} == {"planned"}:
        for some in (_passages, _crossings, _slopes, _trunks, _small_zones, _lawn, _docks, _edges, _reached, _wholes):
            made += some(pair)
    return made


def _passages(pair: _Compared) -> Iterator[Decision]:
    """Yield what becomes of each narrow place, also where one plan sees open lawn; where slopes narrow it, apart."""
    steep = [plan.union("keepouts", reason="steep") for plan in pair.both]
    narrowing = shapely.union_all(_pieces(shapely.symmetric_difference(*steep), wide_m=0.2, least_m2=STEEP_NARROWS_M2))
    places = pair.places(pair.lot.passages)
    for plan in pair.both:
        places += list(plan.rows("links", surface="lawn").geometry.interpolate(0.5, normalized=True))
    places += [check.ground.centroid for check in pair.checks if check.settles[:1] == ("passage",)]
    apart: list[BaseGeometry] = []
    for place in places:
        if not shapely.dwithin(apart, place, SAME_PLACE_M).any():
            apart.append(place)
            kind = "steep passage" if narrowing.dwithin(place, SAME_PLACE_M / 2) else "passage"
            yield from pair.decision(kind, place, lambda plan, place=place: passage_kind(plan, place))


def passage_kind(plan: PlanOfGarden, place: BaseGeometry) -> str | None:
    """Return whether a plan mows a narrow place, drives through it, or finds it closed; None where it sees no lawn."""
    links = plan.rows("links", surface="lawn")
    away_m, kind = min(zip(links.geometry.distance(place), links["kind"], strict=True), default=(np.inf, ""))
    if away_m <= SAME_PLACE_M / 2:
        return {"transit": "driven", "open": "mown"}.get(kind, "closed")
    return plan.mostly(place.buffer(0.05), {"mown": plan.union("zones"), "closed": plan.union("hand_mow")})


def _crossings(pair: _Compared) -> Iterator[Decision]:
    """Yield whether each strip of paving joins what lies on its sides."""
    strips = [strip.buffer(0.3) for strip in pair.places(pair.lot.crossings)]
    for line in (line for plan in pair.both for line in plan.rows("links", kind="crossing").geometry):
        if not shapely.intersects(strips, line).any():
            strips.append(line.buffer(SAME_PLACE_M))
    for strip in strips:

        def joins(plan: PlanOfGarden, strip: BaseGeometry = strip) -> str:
            return "joined" if plan.rows("links", kind="crossing").intersects(strip).any() else "parted"

        yield from pair.decision("crossing", strip, joins)


def _slopes(pair: _Compared) -> Iterator[Decision]:
    """Yield what is kept out as steep of each bank, within and along the wire, and of any other ground."""
    lawn = pair.truth.union("lawn")
    band = lawn.difference(lawn.buffer(-pair.mower.edge_band_m))
    banks = shapely.union_all(pair.places(pair.lot.banks))
    steep = [plan.union("keepouts", reason="steep") for plan in pair.both]
    elsewhere = shapely.symmetric_difference(*steep).difference(banks.buffer(1.0))
    asked = shapely.union_all([check.ground.buffer(0.5) for check in pair.checks if "steep" in check.settles])
    asked = asked.difference(shapely.union(banks, elsewhere).buffer(1.0))
    grounds = {"steep": lawn.difference(band), "wire slope": band}
    along, within = pair.mower.edge_slope_limit_percent, pair.mower.slope_limit_percent
    # What reaches the band along the edge goes as a whole, by the limit there.
    limits = {"steep": (along, within), "wire slope": (along,)}
    for kind, whole in ((kind, whole) for kind in grounds for whole in (banks, elsewhere, asked)):
        for piece in _pieces(whole.intersection(grounds[kind]), wide_m=0.2, least_m2=1.0):
            out = [shape.intersection(piece).area for shape in steep]
            words = [f"{area_m2:.1f} of {piece.area:.0f} m² out" for area_m2 in out]
            differs = abs(out[0] - out[1]) > max(STEEP_DIFFERS_M2, STEEP_DIFFERS_SHARE * piece.area)
            yield Decision(kind, piece, words[0], words[differs], limits[kind], harm=differs and out[0] > out[1])


def _pieces(shape: BaseGeometry, *, wide_m: float, least_m2: float) -> list[BaseGeometry]:
    """Return the connected pieces of ground that are as wide and as large as this."""
    opened = shape.buffer(-wide_m / 2).buffer(wide_m / 2)
    return [part for part in shapely.get_parts(opened) if part.area >= least_m2]


def _trunks(pair: _Compared) -> Iterator[Decision]:
    """Yield whether each tree may be bumped."""
    for tree in pair.places([feature.shape for feature in pair.lot.features if feature.layer == "trees"]):

        def treatment(plan: PlanOfGarden, tree: BaseGeometry = tree) -> str | None:
            kept = plan.rows("keepouts", reason="tree")
            away_m, how = min(zip(kept.geometry.distance(tree), kept["treatment"], strict=True), default=(np.inf, ""))
            return None if away_m > TREE_AWAY_M else "bump" if how == "bump" else "kept off"

        yield from pair.decision("trunk", tree, treatment)


def _small_zones(pair: _Compared) -> Iterator[Decision]:
    """Yield whether each small lawn gets a wire."""
    grounds = pair.places(pair.lot.small_lawns)
    for shape in (shape for plan in pair.both for shape in plan.rows("hand_mow", reason="small").geometry):
        if shape.area >= SMALL_MIN_M2 and not shapely.intersects(grounds, shape).any():
            grounds.append(shape)
    for ground in grounds:

        def mown(plan: PlanOfGarden, ground: BaseGeometry = ground) -> str | None:
            return plan.mostly(ground, {"zone": plan.union("zones"), "by hand": plan.union("hand_mow")})

        yield from pair.decision("small zone", ground, mown)


def _lawn(pair: _Compared) -> Iterator[Decision]:
    """Yield what is lawn in one plan only, and what else checks ask about; if there is neither, the whole."""
    lawns = [plan.union("lawn") for plan in pair.both]
    pieces = _pieces(shapely.symmetric_difference(*lawns), wide_m=LAWN_DIFFERS_WIDE_M, least_m2=LAWN_DIFFERS_M2)
    asked = [check.ground for check in pair.checks if "lawn" in check.settles]
    others = [ground for ground in asked if not shapely.dwithin(pieces, ground, REACH_M["lawn"]).any()]
    for piece in pieces:
        yield Decision(
            "lawn", piece, *("lawn" if lawn.covers(piece.representative_point()) else "none" for lawn in lawns)
        )
    for ground in others if pieces or others else [WHOLE]:
        yield Decision("lawn", ground, "as mapped", "as mapped")


def _docks(pair: _Compared) -> Iterator[Decision]:
    """Yield whether the truth lets each dock stand where the map's plan puts it: its pad's slope, and all else."""
    places, limit = pair.truth.rows("dock_candidates"), pair.mower.dock_slope_max_percent
    for _, dock in pair.found.rows("dock_candidates").iterrows():
        if not dock["chosen"] or places.empty:
            continue
        turn = np.abs((places["heading_deg"] - dock["heading_deg"] + 180) % 360 - 180)
        away_m = np.where(turn <= DOCK_TURN_MAX_DEG, places.geometry.distance(dock.geometry), np.inf)
        if away_m.min() > REACH_M["dock place"]:
            continue
        steep = [bool(place["slope_percent"] > limit) for place in (places.iloc[int(np.argmin(away_m))], dock)]
        beside = places[away_m <= max(DOCK_MOVED_M, away_m.min())]
        refused = [min(_missed(place, limit) for _, place in some) > 0 for some in (beside.iterrows(), [(0, dock)])]
        yield Decision("dock slope", dock.geometry, *("too steep" if over else "level" for over in steep))
        yield Decision("dock place", dock.geometry, *("refused" if missed else "allowed" for missed in refused))


def _missed(place: pd.Series[Any], slope_limit: float) -> int:
    """Return how many must-haves a place misses beside the slope of its pad."""
    words = place["failed"]
    return (
        len(words.split("; ")) - bool(place["slope_percent"] > slope_limit) if isinstance(words, str) and words else 0
    )


def _edges(pair: _Compared) -> Iterator[Decision]:
    """Yield for each stretch of edge whether it has the true setback: one decision for each run that hasn't.

    What the map's plan kept out as steep, or cut off at a passage, has no edge there: that is decided elsewhere.
    """
    others = pair.found.rows("edges")
    others = others[others["edge_class"] != "steep"]
    lines = others.geometry.to_numpy()
    tree = shapely.STRtree(lines)
    for edge in pair.truth.rows("edges").itertuples():
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
            kind = "edge danger" if {now, edge.edge_class} & DANGERS else "edge"
            yield Decision(kind, place, edge.edge_class, now, harm=edge.edge_class in DANGERS and now not in DANGERS)


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


def _reached(pair: _Compared) -> Iterator[Decision]:
    """Yield how each zone of the truth is served: driven to, carried to with which supply, or not at all."""
    mower = pair.mower
    slopes = (mower.slope_limit_percent, mower.edge_slope_limit_percent)
    limits = (mower.passage_transit_min_m, mower.crossing_length_max_m, mower.supply_cable_max_m, *slopes)

    homes = pair.truth.rows("zones", role="home").geometry

    def served(plan: PlanOfGarden, ground: BaseGeometry) -> str | None:
        zones = plan.rows("zones")
        how = zones["supply"].where(zones["role"] == "detached", "driven")
        if len(homes):  # of two groups with a dock each it is a name which of them is home
            shares = zones.geometry.intersection(homes.iloc[0]).area
            there = zones["loop_id"] == zones["loop_id"][shares.idxmax()]
            if shares.max() > 0 and how[there].eq("own_dock").all():
                how = how.mask(how == "driven", "own_dock").mask(there, "driven")
        grounds = {supply: shapely.union_all(zones.geometry[how == supply]) for supply in how.unique()}
        return plan.mostly(ground, {**grounds, "none": plan.union("hand_mow", reason="unreachable")})

    for ground in (*pair.truth.rows("zones").geometry, *pair.truth.rows("hand_mow", reason="unreachable").geometry):
        yield from pair.decision("reach", ground, lambda plan, ground=ground: served(plan, ground), limits)


def _wholes(pair: _Compared) -> Iterator[Decision]:
    """Yield what is decided of the garden as a whole."""

    def cable(plan: PlanOfGarden) -> str:
        return "reaches" if plan.rows("supply_route")["within_limit"].all() else "too long"

    tight = [zone for plan in pair.both for zone in _out_of_reach(plan)]
    yield from pair.decision("cable", shapely.union_all(tight) if tight else WHOLE, cable)

    def signal(plan: PlanOfGarden) -> str:
        return "heard" if plan.rows("hand_mow", reason="out_of_signal").empty else "out of signal"

    def longest(plan: PlanOfGarden) -> str:
        return "too long" if plan.rows("wire_path")["length_m"].max() > pair.mower.loop_length_max_m else "drivable"

    def week(plan: PlanOfGarden) -> str:
        return "too short" if (plan.summary["missing_hours_week"] or 0) > 0 else "suffices"

    for kind, read in (("signal", signal), ("loop length", longest), ("week", week)):
        yield from pair.decision(kind, WHOLE, read)


def _out_of_reach(plan: PlanOfGarden) -> list[BaseGeometry]:
    """Return the zones of loops whose dock no cable reaches."""
    routes, docks, zones = plan.rows("supply_route"), plan.rows("dock_candidates"), plan.rows("zones")
    if not len(routes):
        return []
    far = docks[docks["candidate_id"].isin(routes["candidate_id"][~routes["within_limit"].astype(bool)])]
    loops = zones["loop_id"][zones["zone_id"].isin(far["zone_id"])]
    return list(zones.geometry[zones["loop_id"].isin(loops)])
