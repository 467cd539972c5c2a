r"""Ground cut where it gets too narrow for a disc.

Cuts are straight chords between the two points where the disc, moved from wide to narrow ground along the medial axis,
comes to rest::

        wide            |  narrow  |            wide
    ____________________.          .____________________
                        |\________/|
      disc comes to    ( o          o )   chords between the points
      rest here         |/--------\|      where it touches
    ____________________'          '____________________

Morphological opening with the disc would round corners off and leave plugs in the mouths instead. Chords of discs that
hold no boundary point inside never cross.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import Polygon

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.geometry.medial import BoundarySamples, MedialAxis
from lawngis.geometry.polygons import polygon_parts

CUT_TOLERANCE_M = 0.002
"""Ground is cut where half its width falls this much below half the mowing width [m]."""

NARROW_TOLERANCE_M = 0.005
"""... but only if somewhere behind the cut it falls this much below, so that a rough edge makes no passages [m]."""

CORNER_DEPTH = 1.0
"""How far a corner may reach beyond the outermost disc and still belong to its zone, in radii of that disc.

One radius keeps every corner of 60 degrees and more. A choice of ours: common practice gives no number.
"""

VERTEX_GAP_M = 0.01
"""A chord ends in a vertex of the outline if there is one so near: the plan has no closer vertices [m]."""


@dataclass(frozen=True)
class PartedAxis:
    """Medial axis parted at the mouths: the places where wide ground becomes narrow.

    Parameters
    ----------
    axis
        Medial axis with a node in each mouth.
    wide_number, narrow_number
        Number of the connected stretch of wide or narrow nodes that each node is in, -1 where it is of the other
        kind or a mouth, shape (n,) each.
    mouths
        Nodes of the mouths, shape (k,).
    mouth_wide, mouth_narrow
        Stretches that meet in each mouth, shape (k,) each.
    chords
        Points where the disc in each mouth touches the boundary, shape (k, 2, 2) [m].
    chord_segments
        Boundary segments on which they lie, shape (k, 2).
    """

    axis: MedialAxis
    wide_number: IntArray
    narrow_number: IntArray
    mouths: IntArray
    mouth_wide: IntArray
    mouth_narrow: IntArray
    chords: FloatArray
    chord_segments: IntArray

    @property
    def wide_stretches(self) -> int:
        """Number of wide stretches."""
        return int(self.wide_number.max(initial=-1)) + 1

    @property
    def narrow_stretches(self) -> int:
        """Number of narrow stretches."""
        return int(self.narrow_number.max(initial=-1)) + 1


@dataclass(frozen=True)
class PartedGround:
    """Polygon parted by the chords of the mouths of its medial axis.

    Parameters
    ----------
    faces
        Its parts: together they are the polygon, and they have the same vertices where they touch.
    face_of_wide
        Face in which each wide stretch lies, shape (w,).
    faces_beside
        Faces on both sides of each mouth's chord, -1 where it doesn't part the ground, shape (k, 2).
    chord_middles
        Middle of each mouth's chord, shape (k, 2) [m].
    """

    faces: tuple[Polygon, ...]
    face_of_wide: IntArray
    faces_beside: IntArray
    chord_middles: FloatArray


def parted_axis(axis: MedialAxis, *, radius_m: float) -> PartedAxis:
    """Return a medial axis parted where a disc comes to rest between the sides.

    Corners count as wide ground as far as :data:`CORNER_DEPTH` says; so do dents and wobbles of the outline within
    :data:`NARROW_TOLERANCE_M`. A gap that leads around an island is narrow however short it is.

    Parameters
    ----------
    axis
        Medial axis, of a small spacing wherever the ground is narrower than the disc.
    radius_m
        Radius of the disc [m].

    Returns
    -------
    PartedAxis
    """
    limit = radius_m - CUT_TOLERANCE_M
    axis = _with_dips(axis, limit)
    wide = _wide_nodes(axis, radius_m)
    ends = wide[axis.edges]
    border = np.flatnonzero(ends[:, 0] != ends[:, 1])
    places = _mouth_places(axis, border, limit)
    chords, segments = axis.touching_points(border, places)
    # A stretch keeps its number however many new nodes are put beside it.
    wide_number, _ = _stretches(axis, wide)
    narrow_number, _ = _stretches(axis, ~wide)
    inner = np.where(ends[border, 0], axis.edges[border, 0], axis.edges[border, 1])
    outer = np.where(ends[border, 0], axis.edges[border, 1], axis.edges[border, 0])
    neither = np.full(len(border), -1)
    return PartedAxis(
        axis=axis.split(border, places),
        wide_number=np.concatenate([wide_number, neither]),
        narrow_number=np.concatenate([narrow_number, neither]),
        mouths=len(axis.xy) + np.arange(len(border)),
        mouth_wide=wide_number[inner],
        mouth_narrow=narrow_number[outer],
        chords=chords,
        chord_segments=segments,
    )


def parted_ground(ground: Polygon, parted: PartedAxis) -> PartedGround:
    """Return a polygon parted along the chords of the mouths of its medial axis.

    Chord ends within :data:`VERTEX_GAP_M` of a vertex are moved there.

    Parameters
    ----------
    ground
        Polygon [m].
    parted
        Its medial axis, with at least one wide stretch.

    Returns
    -------
    PartedGround
        A chord that runs along the outline, or that moving its ends put across it or across another chord, doesn't
        part the ground.
    """
    samples = parted.axis.samples
    places, rings = _noded_rings(samples, parted.chords.reshape(-1, 2), parted.chord_segments.reshape(-1))
    chords = places.reshape(-1, 2, 2)
    noded = Polygon(rings[0], rings[1:])
    kept = _sound_chords(noded, chords)
    faces = _faces(noded, rings, chords[kept])
    if abs(sum(face.area for face in faces) - ground.area) > 1e-9 * ground.area:
        faces, kept = (noded,), kept[:0]
    beside = np.full((len(chords), 2), -1)
    beside[kept] = _faces_beside(faces, chords[kept])
    return PartedGround(
        faces=faces,
        face_of_wide=_faces_of_stretches(faces, parted),
        faces_beside=beside[_same_chords(chords)],
        chord_middles=chords.mean(axis=1),
    )


def _with_dips(axis: MedialAxis, limit: float) -> MedialAxis:
    """Return the axis with a node wherever an edge at wide ground is narrow on the way but not at its ends."""
    ends = axis.clearance_m[axis.edges]
    lower = axis.half_width_m < np.minimum(ends.min(axis=1), limit)
    dips = np.flatnonzero(lower & (ends >= limit).any(axis=1))
    return axis.split(dips, axis.narrowest_xy[dips]) if len(dips) else axis


def _wide_nodes(axis: MedialAxis, radius: float) -> BoolArray:
    """Return which nodes lie in ground that belongs to zones, corners and rough edges included, shape (n,)."""
    limit = radius - CUT_TOLERANCE_M
    wide = axis.clearance_m >= limit
    number, count = _stretches(axis, wide)
    greatest = np.full(count + 1, -np.inf)
    np.maximum.at(greatest, number, axis.clearance_m)
    wide &= greatest[number] > limit + CUT_TOLERANCE_M / 2

    number, count = _stretches(axis, ~wide)
    least = np.full(count + 1, np.inf)
    np.minimum.at(least, number, axis.clearance_m)
    # One row more than there are stretches: number -1, the wide nodes, goes there.
    one, two = number[axis.edges].T
    np.minimum.at(least, np.where(one == two, one, -1), axis.half_width_m)
    border = np.flatnonzero(one != two)
    mouths = np.bincount(np.maximum(one, two)[border], minlength=count + 1)
    edges = np.bincount(one[(one == two) & (one >= 0)], minlength=count + 1)
    nodes = np.bincount(number[number >= 0], minlength=count + 1)
    dead_end = (mouths == 1) & (edges == nodes - 1)
    corner = dead_end & (_depths(axis, number, border, limit) <= CORNER_DEPTH * radius)
    rough = (mouths > 0) & (least >= radius - NARROW_TOLERANCE_M)
    settled: BoolArray = wide | ((corner | rough)[number] & (number >= 0))
    return settled


def _stretches(axis: MedialAxis, member: BoolArray) -> tuple[IntArray, int]:
    """Return the number of the connected stretch of members each node is in, -1 for others, and how many."""
    edges = axis.edges[member[axis.edges].all(axis=1)]
    graph = coo_array((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(len(member), len(member)))
    _, label = connected_components(graph, directed=False)
    number = np.full(len(member), -1)
    kept, number[member] = np.unique(label[member], return_inverse=True)
    return number, len(kept)


def _depths(axis: MedialAxis, number: IntArray, border: IntArray, limit: float) -> FloatArray:
    """Return how far the ground of each stretch reaches beyond the disc in its mouth [m].

    One row more than there are stretches, for number -1; of several mouths any one is taken.
    """
    count = int(number.max(initial=-1)) + 1
    mouth = np.zeros((count + 1, 2))
    mouth[number[axis.edges[border]].max(axis=1)] = _mouth_places(axis, border, limit)
    inner = np.flatnonzero((number[axis.edges] >= 0).any(axis=1))
    stretch = number[axis.edges[inner]].max(axis=1)
    depth = np.zeros(count + 1)
    samples = axis.samples
    for side in axis.sides[inner].T:
        # The tip of a corner is beside the outermost samples between which an edge runs.
        for corner in (samples.before[side], side, samples.after[side]):
            reach = np.hypot(*(samples.xy[corner] - mouth[stretch]).T) - limit
            np.maximum.at(depth, stretch, reach)
    return depth


def _mouth_places(axis: MedialAxis, border: IntArray, limit: float) -> FloatArray:
    """Return where on edges from narrow to wide nodes half the width passes a limit, shape (n, 2) [m]."""
    ends = axis.edges[border]
    wide_first = axis.clearance_m[ends[:, 0]] > axis.clearance_m[ends[:, 1]]
    narrow = axis.xy[np.where(wide_first, ends[:, 1], ends[:, 0])]
    way = axis.xy[np.where(wide_first, ends[:, 0], ends[:, 1])] - narrow
    low, high = np.zeros(len(border)), np.ones(len(border))
    for _ in range(24):
        middle = (low + high) / 2
        wide = axis.half_width_at(border, narrow + middle[:, None] * way) >= limit
        low, high = np.where(wide, low, middle), np.where(wide, middle, high)
    return narrow + high[:, None] * way


def _faces(ground: Polygon, rings: list[FloatArray], chords: FloatArray) -> tuple[Polygon, ...]:
    # Lines that are to be joined into faces may meet in their ends only.
    sides = np.concatenate([np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings] + [chords])
    joined = shapely.polygonize(_lines(sides).tolist())
    return tuple(face for face in polygon_parts(joined) if ground.contains(face.representative_point()))


def _lines(sides: FloatArray) -> NDArray[np.object_]:
    return cast("NDArray[np.object_]", shapely.linestrings(sides)).reshape(-1)


def _noded_rings(samples: BoundarySamples, ends: FloatArray, segments: IntArray) -> tuple[FloatArray, list[FloatArray]]:
    """Return the ends of chords moved into near vertices, and closed rings that have them as vertices."""
    starts = samples.starts[segments]
    way = samples.ends[segments] - starts
    along = np.hypot(*(ends - starts).T)
    rest = np.hypot(*way.T) - along
    places = np.where((along < VERTEX_GAP_M)[:, None], starts, ends)
    places = np.where((rest < np.minimum(along, VERTEX_GAP_M))[:, None], samples.ends[segments], places)
    free = np.flatnonzero((along >= VERTEX_GAP_M) & (rest >= VERTEX_GAP_M))
    order = free[np.lexsort((along[free], segments[free]))]
    added: list[int] = []
    for index in order.tolist():
        last = added[-1] if added else index
        if last != index and segments[last] == segments[index] and along[index] - along[last] < VERTEX_GAP_M:
            places[index] = places[last]
        else:
            added.append(index)
    return places, _rings_with(samples, places[added], segments[added], along[added])


def _rings_with(
    samples: BoundarySamples, places: FloatArray, segments: IntArray, along: FloatArray
) -> list[FloatArray]:
    corners = len(samples.starts)
    segment = np.concatenate([np.arange(corners), segments])
    xy = np.concatenate([samples.starts, places])
    order = np.lexsort((np.concatenate([np.zeros(corners), along]), segment))
    ring = np.empty(corners, dtype=np.int64)
    ring[samples.segment] = samples.ring
    ring = ring[segment[order]]
    parted = np.split(xy[order], np.flatnonzero(np.diff(ring)) + 1)
    return [np.concatenate([points, points[:1]]) for points in parted]


def _sound_chords(ground: Polygon, chords: FloatArray) -> IntArray:
    """Return the chords that part the ground: inside it, each once, none across another."""
    lines = _lines(chords)
    first = _same_chords(chords) == np.arange(len(chords))
    shapely.prepare(ground)
    inside = shapely.relate_pattern(ground, lines, "T**F**F**")
    index = np.flatnonzero(first & inside)
    tree = shapely.STRtree(lines[index])
    one, two = np.concatenate([tree.query(lines[index], predicate=kind) for kind in ("crosses", "overlaps")], axis=1)
    return np.delete(index, np.unique(np.maximum(one, two)))


def _same_chords(chords: FloatArray) -> IntArray:
    """Return for each chord the first one with the same ends, shape (k,)."""
    flipped = (chords[:, 0, 0] > chords[:, 1, 0]) | (
        (chords[:, 0, 0] == chords[:, 1, 0]) & (chords[:, 0, 1] > chords[:, 1, 1])
    )
    ordered = np.where(flipped[:, None, None], chords[:, ::-1], chords).reshape(-1, 4)
    _, first, inverse = np.unique(ordered, axis=0, return_index=True, return_inverse=True)
    return np.asarray(first[inverse.reshape(-1)], dtype=np.int64)


def _faces_beside(faces: tuple[Polygon, ...], chords: FloatArray) -> IntArray:
    """Return the two faces that have each chord as a side, shape (k, 2)."""
    wanted: dict[tuple[float, ...], int] = {}
    for index, (one, two) in enumerate(chords.tolist()):
        wanted[(*one, *two)] = 2 * index
        wanted[(*two, *one)] = 2 * index + 1
    beside = np.full(2 * len(chords), -1)
    oriented = shapely.orient_polygons(np.asarray(faces, dtype=object))
    for number, face in enumerate(oriented):
        for ring in (face.exterior, *face.interiors):
            xy = shapely.get_coordinates(ring)
            for side in map(tuple, np.column_stack([xy[:-1], xy[1:]]).tolist()):
                if side in wanted:
                    beside[wanted[side]] = number
    return beside.reshape(-1, 2)


def _faces_of_stretches(faces: tuple[Polygon, ...], parted: PartedAxis) -> IntArray:
    """Return the face in which the widest node of each wide stretch lies, shape (w,)."""
    nodes = np.flatnonzero(parted.wide_number >= 0)
    nodes = nodes[np.lexsort((-parted.axis.clearance_m[nodes], parted.wide_number[nodes]))]
    _, first = np.unique(parted.wide_number[nodes], return_index=True)
    places = parted.axis.xy[nodes[first]]
    widest = np.asarray(shapely.points(places), dtype=object)
    index, face = shapely.STRtree(list(faces)).query(widest, predicate="intersects")
    of_wide = np.zeros(len(places), dtype=np.int64)
    of_wide[index] = face
    return of_wide
