"""Edges beyond which another thing may lie than the map says, because the places of both may be off.

What lies beyond an edge is the gravest thing within reach of it. A thing just out of reach may lie within it in truth,
and one just within reach beyond it::

      fence, 0.31 m off: out of reach       the map:  boundary
    - - - - - - - - - - - - - - - - - -
    ===================================  boundary, the lawn's edge
      lawn                                  in truth, by a chance of 0.3:  raised
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString, Point

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.lawn.edges import NEVER_ABSORBED, NOTHING_KNOWN, EdgeNeighbour
from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.facts import answers
from ..model.plan import DECIMALS, Row, VisitCheck
from .decisions import least_setback_m
from .doubt import DoubtParameters, in_doubt
from .outline_features import OutlineFeatures

STEP_M = 0.5
"""Edges are looked at this often."""

LOOK_SDS = 3.1
"""So many standard deviations beyond reach the chance is 0.001."""

AHEAD_SHARE = 0.7
"""A thing lies beyond an edge if the shortest way to it leads outward by at least this share of its length."""

TOUCHING_M = 0.05
"""A thing that is drawn nearer than this is beside the edge, whatever way leads to it."""

SNAPPED_M = 0.01
"""A thing that is drawn nearer than this was drawn onto the edge: whoever did saw both."""

APART_M = 1.5
"""Doubts about the same two things are one as long as they are no farther apart."""

SHORTEST_M = 1.0
"""A setback that is wrong along less than this is nothing to go for, unless there may be a danger."""

SETBACK_DIFFERS_M = 0.02
"""A setback that differs by less is the same."""


@dataclass(frozen=True, eq=False)
class _Looks:
    """Places along edges with the things beyond them: one look for each place and neighbour within sight.

    `row` is that of the edge, `place` the number of the place and `length_m` the length of edge that it stands for,
    `neighbour` is that of the thing, `away_m` how far it is off, and `sd_m` how far that may be wrong. They are ordered
    by place and neighbour.
    """

    row: IntArray
    length_m: FloatArray
    place: IntArray
    neighbour: IntArray
    away_m: FloatArray
    sd_m: FloatArray
    xy: FloatArray


@dataclass(frozen=True)
class _Doubt:
    """At one place: what the edge is taken for, and what else it may be."""

    row: int
    edge_class: str
    other: str
    evidence: str
    length_m: float
    away_m: float
    sd_m: float
    reach_m: float
    place: Point

    @property
    def chance(self) -> float:
        return float(flip_probability(self.away_m, self.sd_m, self.reach_m))


def edge_checks(
    rows: Sequence[Row],
    neighbours: Sequence[EdgeNeighbour],
    features: OutlineFeatures,
    mower: MowerProfile,
    parameters: DoubtParameters,
) -> list[VisitCheck]:
    """Return checks of edges beyond which another thing may lie than the map says, one for each two things.

    Parameters
    ----------
    rows
        Edges that nobody looked at, each with the zone on its left.
    neighbours
        What may lie beyond, the gravest first, as edges were told apart by them.
    features
        How far what is drawn may be off.
    mower
        Whose setbacks decide.
    parameters
        How much doubt is looked at: sooner where it may be a drop or water that is taken for something milder.
    """
    if not rows or not neighbours:
        return []
    looks = _looks(rows, neighbours, features)
    edge_m = sum(row["length_m"] for row in rows)
    checks = []
    for doubts in _grouped(_doubts(rows, neighbours, looks, mower)):
        worst = max(doubts, key=lambda doubt: doubt.chance)
        if _danger(rows[worst.row], worst) or sum(doubt.length_m for doubt in doubts) >= SHORTEST_M:
            checks += in_doubt(_check(rows, doubts, worst, mower), parameters, chance=worst.chance, whole=edge_m)
    return checks


def _danger(row: Row, doubt: _Doubt) -> bool:
    return doubt.other in NEVER_ABSORBED and row["edge_class"] not in NEVER_ABSORBED


def stretch_looked_at(places: Sequence[Point]) -> LineString | None:
    """Return the line along places that are looked at; None where all are one, as looks from both sides of a corner."""
    xy = np.round(shapely.get_coordinates(places), DECIMALS)
    return LineString(xy) if np.ptp(xy, axis=0).any() else None


def _check(rows: Sequence[Row], doubts: Sequence[_Doubt], worst: _Doubt, mower: MowerProfile) -> VisitCheck:
    row = rows[worst.row]
    own = [doubt for doubt in doubts if doubt.row == worst.row]
    danger = _danger(row, worst)
    return VisitCheck(
        "edge-danger" if danger else "edge-neighbour",
        {
            "edge_id": row["edge_id"],
            "length_m": sum(doubt.length_m for doubt in doubts),
            "edge_class": row["edge_class"],
            "other": worst.other,
            "evidence": worst.evidence,
            "answers": answers("edges", "edge_class"),
        },
        worst.place,
        worst.away_m,
        worst.sd_m,
        "m",
        worst.reach_m,
        target_layer="edges",
        target_id=row["edge_id"],
        target_column="edge_class",
        area=stretch_looked_at([doubt.place for doubt in own]),
        at_stake=None if danger else abs(least_setback_m(worst.other, mower) - row["setback_m"]),
    )


# --- what is seen from an edge ---------------------------------------------------------------------------


def _looks(rows: Sequence[Row], neighbours: Sequence[EdgeNeighbour], features: OutlineFeatures) -> _Looks:
    row, length, points, outward = _places(rows)
    shapes = [np.asarray(item.geometries, dtype=object).ravel() for item in neighbours]
    things = np.concatenate([*shapes, np.array([], dtype=object)])
    owner = np.repeat(np.arange(len(shapes)), [len(shape) for shape in shapes])
    reach = max((item.reach_m for item in neighbours), default=0.0)
    sight_m = reach + LOOK_SDS * features.largest_distance_sd_m
    place, thing = shapely.STRtree(things).query(points, predicate="dwithin", distance=sight_m)
    ways = shapely.shortest_line(points[place], things[thing])
    ends = shapely.get_coordinates(ways).reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    away = np.hypot(*step.T)
    ahead = ((step * outward[place]).sum(axis=1) >= AHEAD_SHARE * away) | (away <= TOUCHING_M)
    sides = np.array([item.zone_side for item in neighbours], dtype=object)[owner[thing]]
    seen = np.flatnonzero(ahead & _on_side(points[place], outward[place], things[thing], ends[:, 1], sides))
    order = seen[np.lexsort((away[seen], owner[thing[seen]], place[seen]))]
    key = np.column_stack([place[order], owner[thing[order]]])
    first = np.append(True, (key[1:] != key[:-1]).any(axis=1))[: len(order)]
    nearest = order[first]
    boundary = np.array([item.edge_class == "boundary" for item in neighbours])[owner[thing[nearest]]]
    edges, beside = (np.asarray(shapely.points(ends[nearest, end]), dtype=object) for end in (0, 1))
    sd = features.distance_sds_m(edges, beside, boundary)
    at = place[nearest]
    return _Looks(row[at], length[at], at, owner[thing[nearest]], away[nearest], sd, ends[nearest, 0])


def _places(rows: Sequence[Row]) -> tuple[IntArray, FloatArray, NDArray[np.object_], FloatArray]:
    """Return places along edges: the edge of each, the length that it stands for, its point, and outward from there."""
    lines = np.array([row["geometry"] for row in rows], dtype=object)
    length = shapely.length(lines)
    count = np.maximum(np.ceil(length / STEP_M), 1).astype(np.int64)
    row = np.repeat(np.arange(len(rows)), count)
    number = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    at = (number + 0.5) * (length / count)[row]
    points = shapely.line_interpolate_point(lines[row], at)
    beside = 0.01 * np.minimum(length[row], 1.0)
    before, after = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines[row], at + x)) for x in (-beside, beside)
    )
    along = after - before
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    return row, (length / count)[row], np.asarray(points, dtype=object), np.column_stack([along[:, 1], -along[:, 0]])


def _on_side(
    points: NDArray[np.object_],
    outward: FloatArray,
    things: NDArray[np.object_],
    ends: FloatArray,
    sides: NDArray[np.object_],
) -> BoolArray:
    """Return whether each thing counts for a zone on this side of it: drops fall away to the right of their line."""
    counts = np.ones(len(points), dtype=bool)
    told = np.flatnonzero(sides != "either")
    if not len(told):
        return counts
    lines, feet = things[told], shapely.points(ends[told])
    at = shapely.line_locate_point(lines, feet)
    beside = 0.01
    before, after = (
        shapely.get_coordinates(shapely.line_interpolate_point(lines, np.clip(at + x, 0, shapely.length(lines))))
        for x in (-beside, beside)
    )
    along = after - before
    # Seen from the zone outward, a line with the zone on its left leads to the left.
    left = along[:, 0] * -outward[told, 1] + along[:, 1] * outward[told, 0] > 0
    counts[told] = np.where(sides[told] == "left", left, ~left)
    return counts


# --- what it may be instead ------------------------------------------------------------------------------


def _doubts(
    rows: Sequence[Row], neighbours: Sequence[EdgeNeighbour], looks: _Looks, mower: MowerProfile
) -> list[_Doubt]:
    """Return at each place what is graver than what counts and just out of reach, and what counts, just within it."""
    reach = np.array([item.reach_m for item in neighbours])
    met = looks.away_m <= reach[looks.neighbour]
    near = np.abs(looks.away_m - reach[looks.neighbour]) < LOOK_SDS * looks.sd_m
    in_doubt_at = np.unique(looks.place[near])
    doubts: list[_Doubt] = []
    for first, last in zip(
        np.searchsorted(looks.place, in_doubt_at), np.searchsorted(looks.place, in_doubt_at, side="right"), strict=True
    ):
        seen = range(first, last)
        row = rows[looks.row[first]]
        within = [k for k in seen if met[k]]
        own = [k for k in within if neighbours[looks.neighbour[k]].evidence == row["evidence"]]
        rank = looks.neighbour[own[0]] if own else len(neighbours)
        for k in seen:
            item = neighbours[looks.neighbour[k]]
            if near[k] and not met[k] and looks.neighbour[k] < rank:
                doubts.append(_doubt(looks, k, row, item, item.reach_m))
        if own and near[own[0]] and looks.away_m[own[0]] > SNAPPED_M:
            behind = [neighbours[looks.neighbour[k]] for k in within if looks.neighbour[k] > rank]
            other = behind[0] if behind else NOTHING_KNOWN
            doubts.append(_doubt(looks, own[0], row, other, neighbours[rank].reach_m))
    return [doubt for doubt in doubts if _matters(doubt, rows[doubt.row], mower)]


def _matters(doubt: _Doubt, row: Row, mower: MowerProfile) -> bool:
    """Return whether the setback would be another: where an edge is by its slope, only a danger beyond it matters."""
    differs = abs(least_setback_m(doubt.other, mower) - row["setback_m"]) > SETBACK_DIFFERS_M
    return differs and row["edge_class"] != "unknown" and (row["edge_class"] != "steep" or _danger(row, doubt))


def _doubt(looks: _Looks, k: int, row: Row, other: EdgeNeighbour, reach_m: float) -> _Doubt:
    return _Doubt(
        int(looks.row[k]),
        row["edge_class"],
        other.edge_class,
        other.evidence,
        float(looks.length_m[k]),
        float(looks.away_m[k]),
        float(looks.sd_m[k]),
        reach_m,
        Point(looks.xy[k]),
    )


def _grouped(doubts: Sequence[_Doubt]) -> list[list[_Doubt]]:
    """Return doubts about what an edge is taken for and what it may be instead that hang together."""
    groups: dict[tuple[str, str], list[_Doubt]] = {}
    for doubt in doubts:
        groups.setdefault((doubt.edge_class, doubt.other), []).append(doubt)
    found = []
    for group in groups.values():
        places = np.array([doubt.place for doubt in group], dtype=object)
        near = shapely.STRtree(places).query(places, predicate="dwithin", distance=APART_M)
        rows = np.array([doubt.row for doubt in group])
        same = np.array(np.nonzero(rows[:, None] == rows))  # one edge is asked about once
        pairs = np.concatenate([near, same], axis=1)
        graph = coo_array((np.ones(pairs.shape[1]), tuple(pairs)), shape=(len(group), len(group)))
        _, label = connected_components(graph, directed=False)
        found += [[group[k] for k in np.flatnonzero(label == number)] for number in range(label.max() + 1)]
    return found
