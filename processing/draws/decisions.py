"""What a plan decides, by place, and how plans of other versions of the data decide the same.

Each decision is asked of the ground that it is about, never by the names of things: what becomes of a narrow place, of
paving between two lawns, of the ground of a zone, of ground that is too steep in one of the plans, of a stretch of
edge, of the place of the dock; and of the parcel as a whole. A decision about ground that the maps' plan doesn't see as
doubtful is found where another plan decides otherwise there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts
from lawngis.mower import MowerProfile

from ..derived.decisions import LAWN
from ..model.plan import Row
from .drawn_plans import Picture

SAME_PLACE_M = 1.0
"""Narrow places, paving and docks no farther apart are the same one, in two plans."""

SEEN_M = 0.3
"""Ground of zones so near a narrow place shows that it is lawn there."""

ALIKE_SHARE = 0.6
"""Zones that share so much of the ground that both have are the same one."""

MOST = 0.5
"""What has this share of a ground decides what becomes of it."""

EDGE_AWAY_M = 0.9
EDGE_SAMPLE_M = 1.0
"""An edge farther off in another plan is another edge; its class is asked every so many metres."""

SLOPE_CELL_M = 0.5
"""Ground that is too steep is compared in squares of this size."""

DIFFERS_MIN, DIFFERS_SHARE = 1.0, 0.25
"""Ground [m²] or edge [m] is judged otherwise when as much of it is, and this share of it."""

DIFFERS_OFTEN = 0.04
"""Squares that differ in fewer plans than this share are left out: noise makes some place steep in every plan."""

DANGERS = frozenset({"drop", "water"})
"""Classes of edge that could hurt somebody where they aren't recognised."""

MOWN, DRIVEN, CLOSED = "mown", "driven", "closed"
OUT, IN = "kept_out", "not_kept_out"

CODES_OF_PARCEL: Mapping[str, tuple[str, ...]] = {
    "loop": ("loop-too-long",),
    "week": ("hours-missing", "longest-hours"),
    "supply": ("no-supply", "supply-too-long"),
    "signal": ("signal-weak", "signal-reach", "out-of-signal"),
    "any_dock": ("dock-not-feasible",),
}
"""Kinds of decision about a parcel as a whole, with the codes of the findings by which they fall one way."""


@dataclass(frozen=True, eq=False)
class Decision:
    """One decision of the maps' plan, and how plans of other versions decide it.

    Parameters
    ----------
    kind
        What is decided: verdict, passage, crossing, zone (mown or not), reach (how it is reached), slope, dock_slope,
        dock, edge, or one of :data:`CODES_OF_PARCEL`.
    ground
        What it is about [m].
    found
        How the maps' plan decides.
    drawn
        How each of the others does; None where one doesn't tell.
    safety
        Whether it could hurt somebody.
    """

    kind: str
    ground: BaseGeometry
    found: str
    drawn: tuple[str | None, ...]
    safety: bool = False

    @property
    def otherwise(self) -> NDArray[np.bool_]:
        """Which plans decide otherwise, shape (draws,)."""
        return np.array([other not in (None, self.found) for other in self.drawn], dtype=bool)

    @property
    def mostly(self) -> str:
        """How those that decide otherwise do most often; as found where none does."""
        others = Counter(other for other in self.drawn if other not in (None, self.found))
        return str(others.most_common(1)[0][0]) if others else self.found


def decisions(
    found: Picture, drawn: Sequence[Picture], mower: MowerProfile, *, whole: Point, asked: Sequence[Polygon] = ()
) -> list[Decision]:
    """Return the decisions of a plan that plans of other versions of the data decide as well.

    Parameters
    ----------
    found
        The maps' plan.
    drawn
        Those of other versions.
    mower
        Whose limits decide.
    whole
        Where a decision about the parcel as a whole is placed [m].
    asked
        Ground of which the slope is asked anyway [m].
    """
    plans = [found, *drawn]
    made = [_decision("verdict", whole, plans, _verdict)]
    if not found.wired:
        return made
    made += [_decision("passage", place, plans, partial(_passage, place=place)) for place in _narrow(plans)]
    made += [_decision("crossing", way, plans, partial(_crossing, way=way)) for way in _paved(plans)]
    for ground in _zone_grounds(plans):
        made.append(_decision("zone", ground, plans, partial(_kept, ground=ground)))
        made.append(_decision("reach", ground, plans, partial(_reached, ground=ground)))
    made += [*_slopes(plans, asked), *_docks(plans, mower), *_edges(plans)]
    return made + [
        _decision(kind, whole, plans, partial(_code, codes=codes)) for kind, codes in CODES_OF_PARCEL.items()
    ]


def _decision(
    kind: str, ground: BaseGeometry, plans: Sequence[Picture], decided: Callable[[Picture], str | None]
) -> Decision:
    found, *drawn = (decided(plan) for plan in plans)
    return Decision(kind, ground, found or "", tuple(None if found is None else other for other in drawn))


def _verdict(plan: Picture) -> str:
    return "planned" if plan.wired else "not_suitable"


def _code(plan: Picture, codes: Iterable[str]) -> str:
    """Return which of some codes a plan has found; empty for none."""
    return next((code for code in codes if code in plan.codes), "")


# --- passages and crossings ------------------------------------------------------------------------------


def _narrow(plans: Sequence[Picture]) -> list[Point]:
    """Return the narrow places over lawn that any plan sees, each once."""
    found: list[Point] = []
    for plan in plans:
        for line in _ways(plan, lambda link: link["surface"] == LAWN):
            if not any(place.dwithin(line, SAME_PLACE_M) for place in found):
                found.append(line.interpolate(0.5, normalized=True))
    return found


def _ways(plan: Picture, wanted: Callable[[Row], bool]) -> list[BaseGeometry]:
    return [link["geometry"] for link in plan.layers["links"] if wanted(link)]


def _passage(plan: Picture, place: Point) -> str | None:
    """Return what the mower does at a narrow place; None where a plan sees no lawn there."""
    links = [link for link in plan.layers["links"] if link["surface"] == LAWN]
    near = min(links, key=lambda link: float(link["geometry"].distance(place)), default=None)
    if near is not None and near["geometry"].dwithin(place, SAME_PLACE_M):
        return {"open": MOWN, "transit": DRIVEN}.get(near["kind"], CLOSED)
    if plan.ground("zones").dwithin(place, SEEN_M):
        return MOWN
    return CLOSED if plan.ground("hand_mow").dwithin(place, SEEN_M) else None


def _paved(plans: Sequence[Picture]) -> list[BaseGeometry]:
    """Return the ways over paving that join lawns in any plan, each once."""
    found: list[BaseGeometry] = []
    for plan in plans:
        for line in _ways(plan, lambda link: link["surface"] != LAWN):
            if not any(_same_way(plans[0], line, way) for way in found):
                found.append(line)
    return found


def _crossing(plan: Picture, way: BaseGeometry) -> str:
    """Return whether a plan joins over paving what lies at both ends of a way: there, or anywhere between the two."""
    joined = _ways(plan, lambda link: link["surface"] != LAWN and link["kind"] != "blocked")
    return "joined" if any(_same_way(plan, line, way) for line in joined) else "parted"


def _same_way(plan: Picture, one: BaseGeometry, other: BaseGeometry) -> bool:
    """Return whether two ways lead from one zone of a plan to the same other, wherever they cross the paving."""
    ends = _zones_at_ends(plan, one)
    return one.dwithin(other, SAME_PLACE_M) or (len(ends) == 2 and ends == _zones_at_ends(plan, other))


def _zones_at_ends(plan: Picture, way: BaseGeometry) -> set[int]:
    zones = [zone["geometry"] for zone in plan.layers["zones"]]
    ends = [Point(xy) for xy in shapely.get_coordinates(way)[[0, -1]]] if zones else []
    nearest = [min(range(len(zones)), key=lambda number: float(zones[number].distance(end))) for end in ends]
    return {number for number, end in zip(nearest, ends, strict=True) if zones[number].dwithin(end, SAME_PLACE_M)}


# --- zones -----------------------------------------------------------------------------------------------


def _zone_grounds(plans: Sequence[Picture]) -> list[Polygon]:
    """Return the ground of zones of any plan, each once: those that others cut differently as well."""
    found: list[Polygon] = []
    for plan in plans:
        for zone in (row["geometry"] for row in plan.layers["zones"]):
            if not any(_alike(zone, other) for other in found):
                found.append(zone)
    return found


def _alike(one: Polygon, other: Polygon) -> bool:
    both = shapely.intersection(one, other).area
    return bool(both > ALIKE_SHARE * (one.area + other.area - both))


def _kept(plan: Picture, ground: Polygon) -> str:
    return "kept" if _zone_of(plan, ground) is not None else "by_hand"


def _reached(plan: Picture, ground: Polygon) -> str | None:
    """Return how ground in a zone is reached: by the mower itself, or by what feeds it; None outside of zones."""
    zone = _zone_of(plan, ground)
    if zone is None:
        return None
    return str(zone["supply"]) if zone["role"] == "detached" else "reached"


def _zone_of(plan: Picture, ground: Polygon) -> Row | None:
    """Return the zone that has the most of some ground; None when zones together have less than half of it."""
    zones = plan.layers["zones"]
    shares_m2 = shapely.area(shapely.intersection(np.array([zone["geometry"] for zone in zones], dtype=object), ground))
    if not len(zones) or shares_m2.sum() < MOST * ground.area:
        return None
    return zones[int(shares_m2.argmax())]


# --- slopes ----------------------------------------------------------------------------------------------


def _slopes(plans: Sequence[Picture], asked: Sequence[Polygon]) -> Iterator[Decision]:
    """Yield what is too steep of ground that is asked about, and of other ground on which plans differ."""
    steep = [plan.ground("keepouts", "steep") for plan in plans]
    lawn = plans[0].ground("lawn")
    if lawn.is_empty or all(ground.is_empty for ground in steep):
        return
    xy = _squares(lawn)
    out = np.stack([shapely.contains_xy(ground, xy[:, 0], xy[:, 1]) for ground in steep])
    told = np.zeros(len(xy), dtype=bool)
    for ground in asked:
        inside = shapely.contains_xy(ground.buffer(SLOPE_CELL_M / 2), xy[:, 0], xy[:, 1])
        told |= inside
        yield _slope(ground, out[:, inside])
    often = max(1.0, DIFFERS_OFTEN * (len(plans) - 1))
    differs = ((out[1:] != out[0]).sum(axis=0) >= often) & ~told
    for base in (True, False):
        for piece in _pieces(xy[differs & (out[0] == base)]):
            inside = shapely.contains_xy(piece, xy[:, 0], xy[:, 1])
            yield _slope(piece, out[:, inside])


def _squares(ground: BaseGeometry) -> NDArray[np.float64]:
    (left, bottom, right, top), half = ground.bounds, SLOPE_CELL_M / 2
    x, y = np.meshgrid(np.arange(left + half, right, SLOPE_CELL_M), np.arange(bottom + half, top, SLOPE_CELL_M))
    inside = shapely.contains_xy(ground, x, y)
    return np.column_stack([x[inside], y[inside]])


def _pieces(xy: NDArray[np.float64]) -> list[Polygon]:
    """Return squares as pieces that hang together, without those that are too small to matter."""
    half = SLOPE_CELL_M / 2
    boxes = shapely.box(xy[:, 0] - half, xy[:, 1] - half, xy[:, 0] + half, xy[:, 1] + half)
    return [piece for piece in polygon_parts(shapely.union_all(boxes)) if piece.area >= DIFFERS_MIN]


def _slope(ground: Polygon, out: NDArray[np.bool_]) -> Decision:
    """Return whether ground is kept out, by how much of it each plan keeps out; the first is the maps'."""
    count = max(out.shape[1], 1)
    found = OUT if 2 * out[0].sum() > count else IN
    area_m2 = SLOPE_CELL_M**2 * (out[1:] != out[0]).sum(axis=1)
    differs = (area_m2 >= DIFFERS_MIN) & (area_m2 >= DIFFERS_SHARE * SLOPE_CELL_M**2 * count)
    drawn = tuple((IN if found == OUT else OUT) if other else found for other in differs)
    return Decision("slope", ground, found, drawn, safety=True)


# --- docks -----------------------------------------------------------------------------------------------


def _docks(plans: Sequence[Picture], mower: MowerProfile) -> Iterator[Decision]:
    """Yield for the place of each dock whether it is level enough, and whether one may stand there at all."""
    for dock in plans[0].layers["dock_candidates"]:
        if dock["chosen"]:
            place = dock["geometry"]
            yield _decision("dock_slope", place, plans, partial(_pad, place=place, mower=mower))
            yield _decision("dock", place, plans, partial(_dock, place=place))


def _near(plan: Picture, place: Point) -> list[Row]:
    """Return the places for a dock near one, the nearest first."""
    away = [(row["geometry"].distance(place), row) for row in plan.layers["dock_candidates"]]
    return [row for distance, row in sorted(away, key=lambda pair: pair[0]) if distance <= SAME_PLACE_M]


def _pad(plan: Picture, place: Point, mower: MowerProfile) -> str | None:
    near = [row for row in _near(plan, place) if row["slope_percent"] is not None]
    if not near:
        return None
    return "level" if near[0]["slope_percent"] <= mower.dock_slope_max_percent else "too_steep"


def _dock(plan: Picture, place: Point) -> str:
    return "feasible" if any(row["feasible"] for row in _near(plan, place)) else "not_feasible"


# --- edges -----------------------------------------------------------------------------------------------


def _edges(plans: Sequence[Picture]) -> Iterator[Decision]:
    """Yield what lies beyond each stretch of edge, where at least a metre and a quarter of it is judged otherwise."""
    rows = [row for row in plans[0].layers["edges"] if row["geometry"].length >= DIFFERS_MIN]
    if not rows:
        return
    samples = [_sampled(row["geometry"]) for row in rows]
    points = np.concatenate(samples)
    starts = np.cumsum([0, *(len(some) for some in samples)])
    classes = [_classes_at(plan.layers["edges"], points) for plan in plans[1:]]
    for row, (first, last) in zip(rows, pairwise(starts), strict=True):
        found, length_m = row["edge_class"], row["geometry"].length
        drawn = [_class_of(some[first:last], found, length_m) for some in classes]
        safety = found in DANGERS or not DANGERS.isdisjoint(drawn)
        yield Decision("edge", row["geometry"], found, tuple(drawn), safety)


def _sampled(line: LineString) -> NDArray[np.object_]:
    count = max(1, round(line.length / EDGE_SAMPLE_M))
    return np.asarray(shapely.line_interpolate_point(line, (np.arange(count) + 0.5) / count, normalized=True))


def _classes_at(edges: Sequence[Row], points: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return the class of the nearest edge at points; None where there is none near."""
    found = np.full(len(points), None, dtype=object)
    if edges:
        tree = shapely.STRtree([row["geometry"] for row in edges])
        at, nearest = tree.query_nearest(points, max_distance=EDGE_AWAY_M, all_matches=False)
        found[at] = [edges[index]["edge_class"] for index in nearest]
    return found


def _class_of(classes: NDArray[np.object_], found: str, length_m: float) -> str | None:
    """Return the class of most of what is judged otherwise on a stretch, if that is enough to matter."""
    seen = [one for one in classes if one is not None]
    if not seen:
        return None
    others = Counter(one for one in seen if one != found)
    differs_m = length_m * sum(others.values()) / len(classes)
    if differs_m < max(DIFFERS_MIN, DIFFERS_SHARE * length_m):
        return found
    return str(others.most_common(1)[0][0])
