"""Leads: the pairs of touching wires that carry the loop out to its islands and back.

The least total length of leads that join the outer ring and all islands is that of the shortest tree over the rings,
each two rings as far apart as their nearest points. Such a tree needs no detours: a shortest connection that crossed
a third ring, or left the ground, would not be in it, and two that crossed could be exchanged for shorter ones.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial import Delaunay
from shapely import LinearRing, LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import FeatureError
from lawngis.geometry.lines import bends_deg, chainage_m, points_along, snapped_chainage

ATTACHMENT_GAP_M = 0.1
"""Least distance along a ring between two leads, or a lead and the dock, so that each has a peg of its own."""

BEND_GAP_M = 0.05
"""Wanted distance between a lead and a bend of its ring: common practice, no source."""

CORNER_GAP_M = 0.2
"""Wanted distance between a lead and a corner of its ring, whose bend has a peg of its own: hands can work there, and
the lead's two wires don't lie in the bend. Common practice, no source."""

CORNER_DEG = 20.0
"""From this a bend is a corner."""

_SNAP_M = 0.01
_SPACING_M = 0.5
"""Rings are sampled this densely to find which of them face each other."""

_SHIFTS_M = np.array([0.0, *(sign * 0.02 * step for step in range(1, 41) for sign in (1.0, -1.0))])


@dataclass(frozen=True)
class Lead:
    """One lead: a pair of wires from a ring to an island, straight, or to ground apart.

    Attributes
    ----------
    parent, child
        Rings that it joins: 0 is the outer ring, k the hole k - 1 of the ground.
    parent_at_m, child_at_m
        Chainages of its ends along the two rings [m].
    xy
        From the parent to the child, shape (n, 2) [m].
    """

    parent: int
    child: int
    parent_at_m: float
    child_at_m: float
    xy: FloatArray

    @property
    def length_m(self) -> float:
        """Length of one of its two wires [m]."""
        return float(chainage_m(self.xy)[-1])


@dataclass(frozen=True)
class LeadTree:
    """All leads of a loop, parents before children.

    Attributes
    ----------
    leads
        One for each island.
    shortest_m
        Least length that any tree of straight leads between the rings can have [m].
    """

    leads: tuple[Lead, ...]
    shortest_m: float

    @property
    def length_m(self) -> float:
        """Length of all leads, one wire each [m]."""
        return sum(lead.length_m for lead in self.leads)

    @property
    def ratio(self) -> float:
        """Length over the least length; 1 without leads."""
        return self.length_m / self.shortest_m if self.shortest_m > 0.0 else 1.0


def ground_rings(ground: Polygon) -> list[FloatArray]:
    """Return the rings of a ground, outer ring first, each closed and with the ground on its left.

    Parameters
    ----------
    ground
        Ground inside the wire [m].

    Returns
    -------
    list of ndarray
        Shapes (n, 2) [m].
    """
    oriented = shapely.orient_polygons(ground)
    return [np.array(ring.coords)[:, :2] for ring in [oriented.exterior, *oriented.interiors]]


def lead_tree(ground: Polygon, start_m: float = 0.0, taken: Sequence[tuple[int, float]] = ()) -> LeadTree:
    """Return the leads with the least total length from the outer ring to all islands.

    Attachment points are free. They are moved along the parent's ring where they would fall on the dock, on another
    lead, or close to a corner, to where the lead is shortest::

        ----+                 ----+
            |                     |====   lead
            +==== lead            +
         before                after

    Parameters
    ----------
    ground
        Ground inside the wire, from `loop_ground` [m].
    start_m
        Chainage of the loop's start along the outer ring [m].
    taken
        Where other leads are attached already: ring, and chainage along it [m].

    Returns
    -------
    LeadTree

    Raises
    ------
    FeatureError
        When leads can't be kept apart or inside the ground.

    References
    ----------
    R. C. Prim, "Shortest connection networks and some generalizations", 1957; that a Delaunay triangulation holds
    the shortest tree: M. I. Shamos and D. Hoey, "Closest-point problems", 1975.
    """
    rings = ground_rings(ground)
    if len(rings) == 1:
        return LeadTree((), 0.0)
    limit = shapely.buffer(ground, 1e-6)
    shapely.prepare(limit)
    spacing = _SPACING_M
    for _ in range(4):
        lines = _shortest_tree(rings, spacing)
        if _lie_well(limit, lines):
            break
        spacing /= 2
    else:
        raise FeatureError("no tree of leads stays inside the ground", advice="Check the islands for overlaps.")
    order = _from_outer_ring(lines, len(rings))
    leads = _placed(limit, rings, order, [(0, start_m), *taken])
    return LeadTree(tuple(leads), sum(float(shapely.length(line)) for _, _, line in lines))


Connection = tuple[int, int, LineString]


def _shortest_tree(rings: list[FloatArray], spacing: float) -> list[Connection]:
    """Shortest tree over rings: pairs that face each other, their nearest points, the tree of least length."""
    pairs = _facing_rings(rings, spacing)
    geometries = np.array([LinearRing(ring) for ring in rings], dtype=object)
    shapely.prepare(geometries)
    lines = shapely.shortest_line(geometries[pairs[:, 0]], geometries[pairs[:, 1]])
    # A length of zero would read as "no edge" in a sparse graph.
    weights = np.maximum(shapely.length(lines), 1e-9)
    graph = coo_array((weights, (pairs[:, 0], pairs[:, 1])), shape=(len(rings), len(rings)))
    tree = minimum_spanning_tree(graph.tocsr()).tocoo()
    chosen = {(int(i), int(j)) for i, j in zip(tree.row, tree.col, strict=True)}
    return [(int(i), int(j), line) for (i, j), line in zip(pairs, lines, strict=True) if (int(i), int(j)) in chosen]


def _facing_rings(rings: list[FloatArray], spacing: float) -> IntArray:
    """Pairs of rings, smaller number first, that share an edge of the Delaunay triangulation of their points."""
    points, owner = [], []
    for number, ring in enumerate(rings):
        dense = np.array(shapely.segmentize(LinearRing(ring), spacing).coords)[:-1]
        points.append(dense)
        owner.append(np.full(len(dense), number))
    owners = np.concatenate(owner)
    all_points = np.concatenate(points)
    triangles = Delaunay(all_points - all_points.mean(axis=0)).simplices
    edges = owners[np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]])]
    edges = np.sort(edges[edges[:, 0] != edges[:, 1]], axis=1)
    pairs: IntArray = np.unique(edges, axis=0)
    return pairs


def _lie_well(limit: BaseGeometry, lines: list[Connection]) -> bool:
    """Whether connections stay inside the ground and none crosses another."""
    segments = np.array([line for _, _, line in lines], dtype=object)
    if not shapely.covers(limit, segments).all():
        return False
    first, second = shapely.STRtree(segments).query(segments, predicate="crosses")
    return not np.any(first != second)


def _from_outer_ring(lines: Iterable[Connection], count: int) -> list[tuple[int, int, FloatArray]]:
    """Connections as parent, child and line from parent to child, parents first."""
    near: list[list[tuple[int, FloatArray]]] = [[] for _ in range(count)]
    for i, j, line in lines:
        xy = shapely.get_coordinates(line)
        near[i].append((j, xy))
        near[j].append((i, xy[::-1]))
    order = []
    seen = {0}
    waiting = deque([0])
    while waiting:
        parent = waiting.popleft()
        for child, xy in near[parent]:
            if child not in seen:
                seen.add(child)
                waiting.append(child)
                order.append((parent, child, xy))
    return order


@dataclass
class _Ring:
    """A ring with the chainages that leads should keep away from."""

    xy: FloatArray
    chainage: FloatArray
    bends_at: FloatArray
    line: LinearRing
    taken: list[float]

    @classmethod
    def of(cls, xy: FloatArray) -> _Ring:
        line = LinearRing(xy)
        shapely.prepare(line)
        chainage = chainage_m(xy)
        return cls(xy, chainage, chainage[np.abs(bends_deg(xy)) > CORNER_DEG], line, [])

    @property
    def length(self) -> float:
        return float(self.chainage[-1])

    def room(self, at: FloatArray, others: NDArray[np.float64] | list[float]) -> FloatArray:
        """Distance along the ring to the nearest of other chainages."""
        if not len(others):
            return np.full(len(at), np.inf)
        away = np.abs(at[:, None] - np.asarray(others)[None, :])
        nearest: FloatArray = np.minimum(away, self.length - away).min(axis=1)
        return nearest


def _placed(
    limit: BaseGeometry,
    rings: list[FloatArray],
    order: list[tuple[int, int, FloatArray]],
    taken: Sequence[tuple[int, float]],
) -> list[Lead]:
    """Leads with their final attachment points."""
    known = [_Ring.of(ring) for ring in rings]
    for ring, at_m in taken:
        known[ring].taken.append(at_m)
    segments = np.array([LineString(xy) for _, _, xy in order], dtype=object)
    boxes = shapely.bounds(segments)
    leads: list[Lead] = []
    for number, (parent, child, xy) in enumerate(order):
        near = _boxes_near(boxes, boxes[number], _SHIFTS_M.max())
        placed, coming = near[near < number], near[near > number]
        lead = _moved(known[parent], known[child], xy, limit, (segments[placed], segments[coming]))
        if lead is None:
            raise FeatureError(
                f"island {child} has no place for its lead", advice="Move the dock, or join the island to another."
            )
        parent_at, child_at, line = lead
        segments[number] = LineString(line)
        boxes[number] = segments[number].bounds
        known[parent].taken.append(parent_at)
        known[child].taken.append(child_at)
        leads.append(Lead(parent, child, parent_at, child_at, line))
    return leads


def _boxes_near(boxes: FloatArray, box: FloatArray, moved_m: float) -> IntArray:
    """Which boxes a lead may meet whose parent's end is moved along its ring, and its child's end with it."""
    # Its child's end may go anywhere along the child's ring, but the lead gets no longer than it was and twice the way.
    reach = 2 * moved_m + float(np.hypot(box[2] - box[0], box[3] - box[1])) + 2 * _SNAP_M
    apart = (boxes[:, :2] > box[2:] + reach).any(axis=1) | (boxes[:, 2:] < box[:2] - reach).any(axis=1)
    return np.flatnonzero(~apart)


def _moved(
    parent: _Ring,
    child: _Ring,
    xy: FloatArray,
    limit: BaseGeometry,
    others: tuple[NDArray[np.object_], NDArray[np.object_]],
) -> tuple[float, float, FloatArray] | None:
    """Chainages and line of a lead after moving its parent's end where hands can work; None when nothing does.

    `others` are leads already placed, which it may not touch, and leads still to come, which it may not cross.
    """
    placed, coming = others
    wanted = float(shapely.line_locate_point(parent.line, shapely.Point(xy[0])))
    at = snapped_chainage(parent.chainage, (wanted + _SHIFTS_M) % parent.length, _SNAP_M)
    at = at[parent.room(at, parent.taken) >= min(ATTACHMENT_GAP_M, parent.length / 8)]
    starts = points_along(parent.xy, parent.chainage, at)
    room = np.round(parent.room(at, parent.bends_at), 6)
    crowded = np.where(room >= CORNER_GAP_M, 0, np.where(room >= BEND_GAP_M, 1, 2))
    far_mm = np.round(1000 * shapely.distance(shapely.points(starts), child.line))
    for index in np.lexsort([far_mm, crowded]):
        candidate, start = at[index], starts[index]
        facing = np.array([shapely.line_locate_point(child.line, shapely.Point(start))])
        child_at = snapped_chainage(child.chainage, facing % child.length, _SNAP_M)
        line = np.concatenate([[start], points_along(child.xy, child.chainage, child_at)])
        segment = shapely.linestrings(line)
        if not shapely.covers(limit, segment) or shapely.intersects(segment, placed).any():
            continue
        if not shapely.crosses(segment, coming).any():
            return float(candidate), float(child_at[0]), line
    return None
