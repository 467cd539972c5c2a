"""Edges of zones, classified by what lies beyond them.

Every edge of a zone's rings looks outward, at right angles, as far as each kind of surroundings reaches::

        terrace            wall
    +---------------+===============      reach
    |               |               |
    p---------------c---------------q     edge p-q, cut at c
    |            zone               |

What the look meets gives the class. Where it begins and ends meeting something is computed in the edge's own
coordinates (u along it, v outward), so cuts are exact and need no sampling.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from typing import Literal, get_args

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.polygons import oriented

IntArray = NDArray[np.intp]

EdgeClass = Literal["flush", "raised", "drop", "water", "soft", "steep", "boundary", "unknown"]
ZoneSide = Literal["either", "left", "right"]

NEVER_ABSORBED = frozenset({"water", "drop"})
"""Classes of which even a short stretch stays: a mower that gets there is lost, not scratched."""

# From the mildest to the worst; a crumb of edge goes to the worse of its neighbours.
_CAUTION = ("flush", "soft", "unknown", "boundary", "raised", "steep", "drop", "water")
# Cuts nearer than this to a corner of the ring are put on the corner [m].
_CORNER_SNAP_M = 0.01
# Stretches below this, between two different classes, are drawing noise [m].
_CRUMB_M = 0.1
# How far inside the zone a line (a fence drawn a little off) and a polygon still count as beyond the edge
# [m].
_LINE_INSIDE_M = 0.03
_AREA_INSIDE_M = 0.005
# Length of edge marked on both sides of a corner that has water or a drop diagonally before it [m].
_CORNER_MARK_M = 0.06
# Sine of the bend from which an outward corner has ground before it that neither of its edges looks at.
_CORNER_TURN = 0.2


@dataclass(frozen=True, eq=False)
class EdgeNeighbour:
    """One kind of surroundings: what lies beyond an edge where it meets these geometries.

    Parameters
    ----------
    geometries
        Polygons count with their inside, lines and points as they are [m]. A parcel's boundary is given as
        its line: as a polygon it would lie beyond every edge.
    edge_class
        Class of the edge: flush, raised, drop, water, soft, steep, boundary or unknown.
    evidence
        Why, in words: 'flush terrace beyond'.
    confidence
        0 to 1.
    reach_m
        How far from the edge they still count [m].
    zone_side
        For lines that differ from side to side: only edges of zones on this side of the line's direction
        count.
    """

    geometries: Sequence[BaseGeometry] | NDArray[np.object_]
    edge_class: EdgeClass
    evidence: str
    confidence: float = 0.9
    reach_m: float = 0.3
    zone_side: ZoneSide = "either"

    def __post_init__(self) -> None:
        if self.edge_class not in get_args(EdgeClass):
            raise ParameterError(
                f"edge class {self.edge_class!r} is unknown",
                advice="Known: " + ", ".join(get_args(EdgeClass)),
            )
        if self.zone_side not in get_args(ZoneSide):
            raise ParameterError(f"zone_side must be either, left or right, not {self.zone_side!r}")
        if not 0 <= self.confidence <= 1:
            raise ParameterError(f"confidence must lie between 0 and 1, not {self.confidence}")
        if not (isfinite(self.reach_m) and self.reach_m > 0):
            raise ParameterError(f"reach_m must be above 0 m, not {self.reach_m}")


NOTHING_KNOWN = EdgeNeighbour((), "unknown", "no layer says what lies beyond", confidence=0.3)
"""What an edge is when nothing is met."""


@dataclass(frozen=True)
class EdgeStretch:
    """Part of a zone's ring along which the same lies beyond it.

    Parameters
    ----------
    line
        Along the ring with the zone on its left; a whole ring is closed [m].
    edge_class, evidence, confidence
        As in :class:`EdgeNeighbour`.
    ring
        0 for the outer ring, then the holes in order.
    """

    line: LineString
    edge_class: EdgeClass
    evidence: str
    confidence: float
    ring: int


def edge_stretches(
    zone: Polygon,
    neighbours: Sequence[EdgeNeighbour],
    *,
    otherwise: EdgeNeighbour = NOTHING_KNOWN,
    shortest_m: float = 0.5,
) -> list[EdgeStretch]:
    """Return the rings of a zone, cut where what lies beyond them changes.

    A stretch shorter than `shortest_m` between two stretches of one class is counted in with them, so that
    the wire does not wiggle, unless it is water or a drop. Stretches below 10 cm between two different
    classes go to the more dangerous neighbour if that is at least as dangerous as they are. Cuts within 1
    cm of a corner lie on it.

    Parameters
    ----------
    zone
        Valid polygon [m].
    neighbours
        Surroundings; where several are met, the one that comes first counts.
    otherwise
        What counts where none is met; its geometries don't matter.
    shortest_m
        Shortest stretch between two of the same class [m].

    Returns
    -------
    list of EdgeStretch
        Ring by ring in the ring's order; joined, those of one ring are the ring: its own vertices and the
        cuts.

    Raises
    ------
    ParameterError
        When `shortest_m` is negative.
    """
    if not shortest_m >= 0:
        raise ParameterError(f"shortest_m must be 0 or more metres, not {shortest_m}")
    if zone.is_empty:
        return []
    edges = _Edges.of(zone)
    cuts, met = _met(edges, neighbours)
    judged = (*neighbours, otherwise)
    label = _grouped(met, judged)
    ring_cut = np.searchsorted(cuts, edges.chainage[edges.ring_from])
    stretches = []
    for ring, (first, last) in enumerate(pairwise(ring_cut)):
        perimeter = cuts[last] - cuts[first]
        begin, kept = _merged(cuts[first:last], label[first:last])
        begin, kept = _without_short(begin, kept, perimeter, judged, shortest_m=shortest_m)
        if len(begin) == 1:  # the whole ring, which needs no cut: from its own first vertex
            begin = cuts[first : first + 1]
        stretches += [
            EdgeStretch(edges.ring_line(ring, a, b), item.edge_class, item.evidence, item.confidence, ring)
            for a, b, item in zip(begin, np.roll(begin, -1), [judged[k] for k in kept], strict=True)
        ]
    return stretches


def drop_surroundings(
    lines: Sequence[LineString] | NDArray[np.object_], *, reach_m: float = 0.3, confidence: float = 0.9
) -> tuple[EdgeNeighbour, EdgeNeighbour]:
    """Return what drops are to the zones beside them: a drop from above, something raised from below.

    A drop falls away to the right of its line's direction::

        high   zone:  drop
        ------------------->
        low    zone:  raised (the retaining wall rises before the mower)
    """
    return (
        EdgeNeighbour(lines, "drop", "ground falls away beyond", confidence, reach_m, zone_side="left"),
        EdgeNeighbour(lines, "raised", "retaining wall rises beyond", confidence, reach_m, zone_side="right"),
    )


@dataclass(frozen=True, eq=False)
class _Edges:
    """All edges of a zone's rings, one after the other along a chainage that runs on from ring to ring."""

    start: FloatArray  # (n, 2)
    along: FloatArray  # (n, 2) unit vectors, zone on the left
    length: FloatArray  # (n,)
    chainage: FloatArray  # (n + 1,) of the starts, and the end of all
    ring_from: IntArray  # (rings + 1,) first edge of each ring, and n

    @classmethod
    def of(cls, zone: Polygon) -> _Edges:
        rings = shapely.get_rings(shapely.remove_repeated_points(oriented(zone)))
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        real = ring[:-1] == ring[1:]
        step = np.diff(xy, axis=0)[real]
        length = np.hypot(step[:, 0], step[:, 1])
        chainage = np.concatenate([[0.0], np.cumsum(length)])
        ring_from = np.searchsorted(ring[:-1][real], np.arange(len(rings) + 1))
        return cls(xy[:-1][real], step / length[:, None], length, chainage, ring_from)

    @property
    def outward(self) -> FloatArray:
        return np.column_stack([self.along[:, 1], -self.along[:, 0]])

    def edge_at(self, chainage: FloatArray) -> IntArray:
        return np.clip(np.searchsorted(self.chainage, chainage, side="right") - 1, 0, len(self.length) - 1)

    def point_at(self, chainage: FloatArray, edge: IntArray) -> FloatArray:
        return self.start[edge] + (chainage - self.chainage[edge])[:, None] * self.along[edge]

    def ring_line(self, ring: int, begin: float, end: float) -> LineString:
        """Return a ring from one chainage to the next, past the ring's own start where end <= begin."""
        first, last = self.ring_from[ring], self.ring_from[ring + 1]
        low, high = self.chainage[first], self.chainage[last]
        after = int(np.searchsorted(self.chainage[first:last], begin, side="right"))
        until = int(np.searchsorted(self.chainage[first:last], end, side="left"))
        if end > begin:
            passed = np.arange(after, until)
        else:
            passed = np.concatenate([np.arange(after, last - first), np.arange(until)])
        ends = np.array([begin if begin < high else low, end if end < high else low])
        begin_xy, end_xy = self.point_at(ends, np.clip(self.edge_at(ends), first, last - 1))
        return LineString(np.vstack([begin_xy, self.start[first + passed], end_xy]))


@dataclass(frozen=True, eq=False)
class _Surroundings:
    """All surroundings near a zone as segments (outlines of polygons, lines, points) and as areas."""

    begin: FloatArray  # (m, 2)
    end: FloatArray  # (m, 2)
    owner: IntArray  # (m,) which Beyond
    of_area: NDArray[np.bool_]  # (m,) outline of a polygon
    areas: NDArray[np.object_]
    area_owner: IntArray

    @classmethod
    def near(cls, box: BaseGeometry, neighbours: Sequence[EdgeNeighbour]) -> _Surroundings:
        shapes = [np.asarray(item.geometries, dtype=object).ravel() for item in neighbours]
        parts, row = shapely.get_parts(np.concatenate([*shapes, []]), return_index=True)
        owner = np.repeat(np.arange(len(shapes)), [len(shape) for shape in shapes])[row]
        close = shapely.intersects(parts, box)
        parts, owner = parts[close], owner[close]
        area = shapely.get_dimensions(parts) == 2
        outlines = parts.copy()
        outlines[area] = shapely.boundary(parts[area])
        lines, which = shapely.get_parts(outlines, return_index=True)
        begin, end, line = _segments(lines)
        return cls(begin, end, owner[which][line], area[which][line], parts[area], owner[area])


def _segments(lines: NDArray[np.object_]) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return beginnings, ends and line of all segments; a point is a segment of no length."""
    xy, line = shapely.get_coordinates(lines, return_index=True)
    same = line[:-1] == line[1:]
    single = np.flatnonzero(np.isin(line, np.flatnonzero(shapely.get_num_coordinates(lines) == 1)))
    begin = np.concatenate([xy[:-1][same], xy[single]])
    end = np.concatenate([xy[1:][same], xy[single]])
    return begin, end, np.concatenate([line[:-1][same], line[single]])


def _met(edges: _Edges, neighbours: Sequence[EdgeNeighbour]) -> tuple[FloatArray, IntArray]:
    """Return chainages at which the rings are cut, and which Beyond each piece meets (their number for none)."""
    count = len(neighbours)
    reach = np.array([item.reach_m for item in neighbours])
    if not count:
        return edges.chainage, np.full(len(edges.length), 0, dtype=np.intp)
    box = shapely.box(*(edges.start.min(axis=0) - reach.max()), *(edges.start.max(axis=0) + reach.max()))
    around = _Surroundings.near(box, neighbours)
    low, high, owner = _looks(edges, around, reach, np.array([_SIDE_SIGN[item.zone_side] for item in neighbours]))
    marked = _diagonal_marks(edges, around, neighbours)
    low, high = np.concatenate([low, marked[0]]), np.concatenate([high, marked[1]])
    owner = np.concatenate([owner, marked[2]])
    cuts, low, high = _snapped(edges, low, high)
    met = _painted(cuts, low, high, owner, count)
    middle = (cuts[:-1] + cuts[1:]) / 2
    edge = edges.edge_at(middle)
    probes = shapely.points(edges.point_at(middle, edge) + _AREA_INSIDE_M * edges.outward[edge])
    piece, area = shapely.STRtree(around.areas).query(probes, predicate="intersects")
    np.minimum.at(met, piece, around.area_owner[area])
    return cuts, met


_SIDE_SIGN = {"either": 0, "left": 1, "right": -1}


def _looks(
    edges: _Edges, around: _Surroundings, reach: FloatArray, side: IntArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return chainage intervals of edges that meet a segment when looking outward, and whose it is.

    Each segment is clipped to the rectangle 0 <= u <= length, -inside <= v <= reach before its edge (slab
    method of Liang and Barsky 1984, "A new concept and method for line clipping").
    """
    tree = shapely.STRtree(_line_array(around.begin, around.end))
    ends = edges.start + edges.length[:, None] * edges.along
    edge, segment = tree.query(_line_array(edges.start, ends), predicate="dwithin", distance=float(reach.max()))
    owner = around.owner[segment]
    along, outward = edges.along[edge], edges.outward[edge]
    to_begin, to_end = around.begin[segment] - edges.start[edge], around.end[segment] - edges.start[edge]
    u0, u1 = (to_begin * along).sum(1), (to_end * along).sum(1)
    v0, v1 = (to_begin * outward).sum(1), (to_end * outward).sum(1)
    inside = np.where(around.of_area[segment], _AREA_INSIDE_M, _LINE_INSIDE_M)
    from_u, to_u = _slab(u0, u1, np.zeros_like(u0), edges.length[edge])
    from_v, to_v = _slab(v0, v1, -inside, reach[owner])
    first, last = np.maximum(np.maximum(from_u, from_v), 0), np.minimum(np.minimum(to_u, to_v), 1)
    meets = (first <= last) & (side[owner] * (u1 - u0) >= 0)
    cut = u0[meets] + np.stack([first[meets], last[meets]]) * (u1 - u0)[meets]
    base, length = edges.chainage[edge[meets]], edges.length[edge[meets]]
    return base + np.clip(cut.min(0), 0, length), base + np.clip(cut.max(0), 0, length), owner[meets]


def _line_array(begin: FloatArray, end: FloatArray) -> NDArray[np.object_]:
    return np.asarray(shapely.linestrings(np.stack([begin, end], axis=1)), dtype=object)


def _slab(begin: FloatArray, end: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the shares of the way from begin to end between which low <= value <= high (first > last: never)."""
    step = end - begin
    level = np.abs(step) < 1e-12
    divisor = np.where(level, 1.0, step)
    one, other = (low - begin) / divisor, (high - begin) / divisor
    within = (begin >= low) & (begin <= high)
    first = np.where(level, np.where(within, -np.inf, np.inf), np.minimum(one, other))
    last = np.where(level, np.where(within, np.inf, -np.inf), np.maximum(one, other))
    return first, last


def _diagonal_marks(
    edges: _Edges, around: _Surroundings, neighbours: Sequence[EdgeNeighbour]
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return short intervals at outward corners that have water diagonally before them, which no look meets."""
    dangerous = np.array([item.edge_class in NEVER_ABSORBED for item in neighbours])
    areas = np.flatnonzero(dangerous[around.area_owner])
    before = np.arange(len(edges.length)) - 1
    before[edges.ring_from[:-1]] = edges.ring_from[1:] - 1
    prev, after = edges.along[before], edges.along
    corner = np.flatnonzero(prev[:, 0] * after[:, 1] - prev[:, 1] * after[:, 0] > _CORNER_TURN)
    tree = shapely.STRtree(np.asarray(shapely.points(edges.start[corner])))
    reach = np.array([item.reach_m for item in neighbours])[around.area_owner[areas]]
    area, found = tree.query(around.areas[areas], predicate="dwithin", distance=reach)
    at = corner[found]
    nearest = shapely.get_point(shapely.shortest_line(tree.geometries[found], around.areas[areas[area]]), 1)
    away = shapely.get_coordinates(nearest) - edges.start[at]
    diagonal = ((away * prev[at]).sum(1) > _CORNER_SNAP_M) & ((away * after[at]).sum(1) < -_CORNER_SNAP_M)
    at, whose = at[diagonal], around.area_owner[areas[area[diagonal]]]
    begin, end_before = edges.chainage[at], edges.chainage[before[at] + 1]
    ahead = np.minimum(_CORNER_MARK_M, edges.length[before[at]])
    low = np.concatenate([begin, end_before - ahead])
    high = np.concatenate([begin + np.minimum(_CORNER_MARK_M, edges.length[at]), end_before])
    return low, high, np.concatenate([whose, whose])


def _snapped(edges: _Edges, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return all cuts in order, and the intervals with their ends moved onto corners that are very near."""
    corners = edges.chainage

    def on_corner(chainage: FloatArray) -> FloatArray:
        right = np.clip(np.searchsorted(corners, chainage), 1, len(corners) - 1)
        left = right - 1
        nearest = np.where(chainage - corners[left] <= corners[right] - chainage, corners[left], corners[right])
        return np.where(np.abs(nearest - chainage) <= _CORNER_SNAP_M, nearest, chainage)

    low, high = on_corner(low), on_corner(high)
    return np.unique(np.concatenate([corners, low, high])), low, high


def _painted(cuts: FloatArray, low: FloatArray, high: FloatArray, owner: IntArray, count: int) -> IntArray:
    """Return for each piece between cuts the first owner whose interval covers it, `count` where none does."""
    met = np.full(len(cuts) - 1, count, dtype=np.intp)
    first, last = np.searchsorted(cuts, low), np.searchsorted(cuts, high)
    pieces = last - first
    offset = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    np.minimum.at(met, np.repeat(first, pieces) + offset, np.repeat(owner, pieces))
    return met


def _grouped(met: IntArray, judged: Sequence[EdgeNeighbour]) -> IntArray:
    """Return labels in which surroundings that say the same share the first one's label."""
    first: dict[tuple[str, str, float], int] = {}
    same = [first.setdefault((item.edge_class, item.evidence, item.confidence), k) for k, item in enumerate(judged)]
    return np.asarray(same, dtype=np.intp)[met]


def _merged(begin: FloatArray, label: IntArray) -> tuple[FloatArray, IntArray]:
    """Return the stretches of a closed ring with equal neighbours joined, across its start too."""
    change = np.flatnonzero(label != np.roll(label, 1))
    kept = change if len(change) else np.array([0])
    return begin[kept], label[kept]


def _without_short(
    begin: FloatArray, label: IntArray, perimeter: float, judged: Sequence[EdgeNeighbour], *, shortest_m: float
) -> tuple[FloatArray, IntArray]:
    """Return the stretches with those that are too short given to a neighbour, the shortest first."""
    caution = np.array([_CAUTION.index(item.edge_class) for item in judged])
    stays = np.array([item.edge_class in NEVER_ABSORBED for item in judged])
    while len(begin) > 1:
        length = (np.roll(begin, -1) - begin) % perimeter
        own, prev, after = caution[label], np.roll(caution[label], 1), np.roll(caution[label], -1)
        like_neighbour = (own == prev) | (own == after)
        between = (prev == after) & ~stays[label]
        crumb = (length < _CRUMB_M) & (np.maximum(prev, after) >= own)
        absorbed = (length < shortest_m) & (like_neighbour | between) | crumb | (length < _CORNER_SNAP_M)
        if not absorbed.any():
            break
        k = int(np.argmin(np.where(absorbed, length, np.inf)))
        left, right = (k - 1) % len(begin), (k + 1) % len(begin)
        same = [side for side in (left, right) if caution[label[side]] == own[k]]
        label[k] = label[max(same or (left, right), key=lambda side: (caution[label[side]], length[side]))]
        begin, label = _merged(begin, label)
    return begin, label
