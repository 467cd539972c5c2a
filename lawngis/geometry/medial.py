"""Medial axis of a polygon: where its narrow places are, and how wide they are.

The medial axis holds the centres of all discs that touch the boundary in two places or more. Here it is the dual of
the Delaunay triangulation of points along the boundary: one node per triangle inside the polygon (its circumcentre),
one edge per side shared by two of them. Boundary pieces that the triangulation misses are cut up until it holds
them, so that the axis is connected just as the polygon is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import Delaunay
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.errors import FeatureError, ParameterError

SHORTEST_PIECE_M = 0.007
"""Boundary pieces are not cut below this: gaps narrower than about twice this are taken as closed [m]."""

REFINEMENT_PASSES = 6
"""Times a boundary piece is cut in three at most: 5 m down to :data:`SHORTEST_PIECE_M` takes six."""

WIDTH_TIE_M = 0.005
"""Half widths that differ by less are equal when the shortest of the widest paths is sought [m]."""


@dataclass(frozen=True)
class BoundarySamples:
    """Points along the rings of a polygon, its vertices among them, in ring order.

    Parameters
    ----------
    xy
        Points, shape (s, 2) [m].
    ring
        Number of the ring on which a point lies, shape (s,), not falling.
    segment
        Row in `starts` and `ends` of the boundary segment that leads on from a point, shape (s,).
    starts, ends
        Ends of the polygon's boundary segments, shape (k, 2) each [m].
    """

    xy: FloatArray
    ring: IntArray
    segment: IntArray
    starts: FloatArray
    ends: FloatArray

    @cached_property
    def after(self) -> IntArray:
        """Index of the next point along the ring, shape (s,)."""
        first = np.searchsorted(self.ring, self.ring, side="left")
        index = np.arange(1, len(self.ring) + 1)
        last = np.append(self.ring[1:] != self.ring[:-1], True)
        return np.where(last, first, index)

    @cached_property
    def before(self) -> IntArray:
        """Index of the previous point along the ring, shape (s,)."""
        before = np.empty_like(self.segment)
        before[self.after] = np.arange(len(before))
        return before

    def divided(self, pieces: IntArray) -> BoundarySamples:
        """Return the samples with the way from each point to its next cut into so many equal pieces."""
        index = np.repeat(np.arange(len(pieces)), pieces)
        step = np.arange(len(index)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
        share = (step / pieces[index])[:, None]
        xy = self.xy[index] + share * (self.xy[self.after[index]] - self.xy[index])
        return replace(self, xy=xy, ring=self.ring[index], segment=self.segment[index])

    def feet(self, points: IntArray, xy: FloatArray) -> tuple[FloatArray, IntArray, FloatArray]:
        """Return where the boundary beside given samples is nearest to given places.

        Parameters
        ----------
        points
            Samples; the two boundary pieces that meet in each are looked at, shape (n,).
        xy
            Places, shape (n, 2) [m].

        Returns
        -------
        feet, segments, distances
            Nearest boundary points, shape (n, 2) [m], their segments, shape (n,), the distances, shape (n,) [m].
        """
        before = self.before[points]
        near = self.xy[points]
        one = _nearest_on_piece(self.xy[before], near, xy)
        two = _nearest_on_piece(near, self.xy[self.after[points]], xy)
        far_one, far_two = _length(one - xy), _length(two - xy)
        first = far_one <= far_two
        feet = np.where(first[:, None], one, two)
        return feet, np.where(first, self.segment[before], self.segment[points]), np.minimum(far_one, far_two)


@dataclass(frozen=True)
class MedialAxis:
    """Medial axis of one polygon as a graph.

    Parameters
    ----------
    xy
        Nodes: centres of inscribed discs, shape (n, 2) [m].
    clearance_m
        Distance from each node to the boundary, shape (n,) [m].
    edges
        Pairs of nodes, shape (m, 2).
    half_width_m
        Least clearance along each edge, shape (m,) [m].
    narrowest_xy
        Place on each edge where it is least, shape (m, 2) [m].
    sides
        The two boundary samples between which each edge runs, shape (m, 2).
    samples
        The boundary samples.
    """

    xy: FloatArray
    clearance_m: FloatArray
    edges: IntArray
    half_width_m: FloatArray
    narrowest_xy: FloatArray
    sides: IntArray
    samples: BoundarySamples

    def half_width_at(self, edges: IntArray, xy: FloatArray) -> FloatArray:
        """Return half the distance from side to side through given places on given edges, shape (n,) [m]."""
        return _half_width(self.samples, self.sides[edges], xy)

    def touching_points(self, edges: IntArray, xy: FloatArray) -> tuple[FloatArray, IntArray]:
        """Return where the inscribed discs around given places on given edges touch the boundary.

        Parameters
        ----------
        edges
            Edges, shape (n,).
        xy
            A place on each, shape (n, 2) [m].

        Returns
        -------
        points, segments
            Touching points on both sides, shape (n, 2, 2) [m], and the boundary segments they lie on, shape (n, 2).
        """
        one = self.samples.feet(self.sides[edges, 0], xy)
        two = self.samples.feet(self.sides[edges, 1], xy)
        return np.stack([one[0], two[0]], axis=1), np.column_stack([one[1], two[1]])

    def middles(self, path: WidestPath) -> FloatArray:
        """Return points along a path, each halfway between the touching points on both sides, shape (k, 2) [m].

        Where one side is a corner, the disc centres swing away from it; these points don't.
        """
        edges = np.repeat(path.edges, 2)
        nodes = np.column_stack([path.nodes[:-1], path.nodes[1:]]).reshape(-1)
        points, _ = self.touching_points(edges, self.xy[nodes])
        middles: FloatArray = points.mean(axis=1)
        return middles

    def split(self, edges: IntArray, xy: FloatArray) -> MedialAxis:
        """Return the axis with each of the given edges parted by a new node at the given place.

        New nodes come last in the order given; an edge may be named once.
        """
        kept = np.setdiff1d(np.arange(len(self.edges)), edges)
        new = len(self.xy) + np.arange(len(edges))
        ends, sides = self.edges[edges], np.tile(self.sides[edges], (2, 1))
        halves = np.concatenate([np.column_stack([ends[:, 0], new]), np.column_stack([new, ends[:, 1]])])
        all_xy = np.concatenate([self.xy, xy])
        half, narrowest = _narrowest(self.samples, sides, all_xy[halves[:, 0]], all_xy[halves[:, 1]])
        return MedialAxis(
            xy=all_xy,
            clearance_m=np.concatenate([self.clearance_m, self.half_width_at(edges, xy)]),
            edges=np.concatenate([self.edges[kept], halves]),
            half_width_m=np.concatenate([self.half_width_m[kept], half]),
            narrowest_xy=np.concatenate([self.narrowest_xy[kept], narrowest]),
            sides=np.concatenate([self.sides[kept], sides]),
            samples=self.samples,
        )


@dataclass(frozen=True)
class WidestPath:
    """A way along a medial axis.

    Parameters
    ----------
    nodes
        From start to end, shape (p,).
    edges
        Between them, shape (p - 1,).
    half_width_m
        Least clearance on the way [m].
    narrowest_xy
        Where that is, shape (2,) [m].
    sides_xy
        Where the boundary is nearest to it on both sides, shape (2, 2) [m].
    """

    nodes: IntArray
    edges: IntArray
    half_width_m: float
    narrowest_xy: FloatArray
    sides_xy: FloatArray


def medial_axis(
    ground: Polygon,
    *,
    spacing_m: float = 0.1,
    fine_within: BaseGeometry | None = None,
    coarse_spacing_m: float = 0.5,
) -> MedialAxis:
    """Return the medial axis of a polygon.

    Clearances are measured to the boundary itself, not to the samples, so that a coarse spacing moves nodes off the
    middle a little (by about spacing²/16 over the clearance) but hardly changes widths.

    Parameters
    ----------
    ground
        Valid polygon, holes allowed [m].
    spacing_m
        Largest distance between boundary samples [m].
    fine_within
        Where `spacing_m` is kept; elsewhere `coarse_spacing_m` is enough. Everywhere when absent.
    coarse_spacing_m
        See there [m].

    Returns
    -------
    MedialAxis
        Its nodes lie inside `ground`. Branches run into convex corners as far as the samples beside them.

    Raises
    ------
    FeatureError
        When `ground` is empty or invalid.
    ParameterError
        When a spacing is not positive.

    References
    ----------
    Brandt, J. and Algazi, V. R. 1992, "Continuous skeleton computation by Voronoi diagram", CVGIP: Image
    Understanding 55(3): 329-338, for the axis as the limit of Voronoi edges of boundary samples.
    Ruppert, J. 1995, "A Delaunay refinement algorithm for quality 2-dimensional mesh generation", Journal of
    Algorithms 18(3): 548-585, for cutting boundary pieces that other samples come too close to.

    Examples
    --------
    >>> corridor = Polygon([(0, 0), (10, 0), (10, 2), (0, 2)])
    >>> float(medial_axis(corridor).clearance_m.max().round(6))
    1.0
    """
    if not (spacing_m > 0 and coarse_spacing_m > 0):
        raise ParameterError(f"the spacing along the boundary must be positive, not {spacing_m}")
    if ground.is_empty or not ground.is_valid:
        reason = "it is empty" if ground.is_empty else shapely.is_valid_reason(ground)
        raise FeatureError(f"no medial axis of this polygon: {reason}")
    shapely.prepare(ground)
    samples = _boundary_samples(ground, spacing_m, fine_within, coarse_spacing_m)
    samples, corners, neighbours = _inner_triangles(ground, samples)
    xy = _inner_centres(ground, samples.xy[corners])
    edges, sides = _shared_sides(corners, neighbours)
    half, narrowest = _narrowest(samples, sides, xy[edges[:, 0]], xy[edges[:, 1]])
    return MedialAxis(
        xy=xy,
        clearance_m=_node_clearance(ground, samples, xy, edges, sides),
        edges=edges,
        half_width_m=half,
        narrowest_xy=narrowest,
        sides=sides,
        samples=samples,
    )


def widest_path(axis: MedialAxis, edges: IntArray, start: int, end: int, half_width_m: float) -> WidestPath | None:
    """Return the shortest way between two nodes of a medial axis that is as wide as the widest one.

    Parameters
    ----------
    axis
        Medial axis.
    edges
        Edges that may be used, shape (k,).
    start, end
        Nodes.
    half_width_m
        Half width of the widest way between them [m]; edges narrower than that by more than
        :data:`WIDTH_TIE_M` are not used.

    Returns
    -------
    WidestPath or None
        None when the nodes aren't connected so widely.
    """
    wide = edges[axis.half_width_m[edges] >= half_width_m - WIDTH_TIE_M]
    nodes, inverse = np.unique(np.append(axis.edges[wide], [start, end]), return_inverse=True)
    ends = inverse[:-2].reshape(-1, 2)
    # A stored zero would be no edge at all.
    length = _length(axis.xy[axis.edges[wide, 1]] - axis.xy[axis.edges[wide, 0]]) + 1e-9
    graph = csr_array((length, (ends[:, 0], ends[:, 1])), shape=(len(nodes), len(nodes)))
    _, previous = dijkstra(graph, directed=False, indices=inverse[-2:-1], return_predecessors=True)
    previous = previous[0]
    path = [int(inverse[-1])]
    while path[-1] != inverse[-2]:
        if previous[path[-1]] < 0:
            return None
        path.append(int(previous[path[-1]]))
    path.reverse()
    row = {pair: index for index, pair in enumerate(map(tuple, np.sort(ends, axis=1).tolist()))}
    used = wide[[row[min(a, b), max(a, b)] for a, b in pairwise(path)]]
    # Along an even stretch the middle of it is the place that one would point at.
    ties = used[axis.half_width_m[used] <= axis.half_width_m[used].min() + 1e-4]
    least = ties[len(ties) // 2]
    # Nodes may lie a little beside the middle; the point halfway between the sides doesn't.
    points, _ = axis.touching_points(np.array([least]), axis.narrowest_xy[[least]])
    return WidestPath(nodes[path], used, float(axis.half_width_m[least]), points[0].mean(axis=0), points[0])


def _boundary_samples(
    ground: Polygon, spacing_m: float, fine_within: BaseGeometry | None, coarse_m: float
) -> BoundarySamples:
    rings = [shapely.get_coordinates(ring)[:-1] for ring in (ground.exterior, *ground.interiors)]
    rings = [ring[_length(ring - np.roll(ring, 1, axis=0)) > 0] for ring in rings]
    starts = np.concatenate(rings)
    ends = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    number = np.repeat(np.arange(len(rings)), [len(ring) for ring in rings])
    vertices = BoundarySamples(starts, number, np.arange(len(starts)), starts, ends)
    if fine_within is None:
        return vertices.divided(_pieces(vertices, spacing_m))
    coarse = vertices.divided(_pieces(vertices, coarse_m))
    shapely.prepare(fine_within)
    lines = shapely.linestrings(np.stack([coarse.xy, coarse.xy[coarse.after]], axis=1))
    fine = shapely.intersects(fine_within, lines)
    return coarse.divided(np.where(fine, _pieces(coarse, spacing_m), 1))


def _pieces(samples: BoundarySamples, spacing_m: float) -> IntArray:
    length = _length(samples.xy[samples.after] - samples.xy)
    return np.maximum(np.ceil(length / spacing_m - 1e-9).astype(np.int64), 1)


def _inner_triangles(ground: Polygon, samples: BoundarySamples) -> tuple[BoundarySamples, IntArray, IntArray]:
    """Return samples, triangles (t, 3) and their inner neighbours (t, 3), -1 where there is none."""
    for _ in range(REFINEMENT_PASSES):
        corners, neighbours = _triangles(ground, samples)
        after = samples.after
        long = _length(samples.xy[after] - samples.xy) > 3 * SHORTEST_PIECE_M
        wanting = _missed_or_encroached(samples, corners, neighbours) & long
        if not wanting.any():
            break
        samples = samples.divided(np.where(wanting, 3, 1))
    else:
        corners, neighbours = _triangles(ground, samples)
    return samples, corners, neighbours


def _triangles(ground: Polygon, samples: BoundarySamples) -> tuple[IntArray, IntArray]:
    """Return the Delaunay triangles inside a polygon and their neighbours inside it, both shape (t, 3)."""
    unique, first = np.unique(samples.xy, axis=0, return_index=True)
    mesh = Delaunay(unique - unique[0])
    triangles = unique[mesh.simplices]
    middle = triangles.mean(axis=1)
    area = np.abs(_cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]))
    longest = _length(triangles - np.roll(triangles, 1, axis=1)).max(axis=1)
    # Flat triangles come from rounding along straight sides; their circumcentres are nowhere.
    inside = shapely.contains_xy(ground, middle[:, 0], middle[:, 1]) & (area > 1e-9 * longest**2)
    renumbered = np.append(np.where(inside, np.cumsum(inside) - 1, -1), -1)
    return first[mesh.simplices[inside]], renumbered[mesh.neighbors[inside]]


def _missed_or_encroached(samples: BoundarySamples, corners: IntArray, neighbours: IntArray) -> BoolArray:
    """Return for each sample whether the piece that leads on from it must be cut, shape (s,)."""
    one, two = np.roll(corners, -1, axis=1), np.roll(corners, -2, axis=1)
    outer = neighbours < 0
    size = len(samples.xy)
    held = _keys(one[outer], two[outer], size)
    apex = samples.xy[corners[outer]]
    obtuse = _dot(samples.xy[one[outer]] - apex, samples.xy[two[outer]] - apex) < 0
    # A point that another ring touches has two numbers: the first stands for both.
    _, first, inverse = np.unique(samples.xy, axis=0, return_index=True, return_inverse=True)
    number = first[inverse.reshape(-1)]
    wanted = _keys(number, number[samples.after], size)
    encroached = np.isin(wanted, held[obtuse])
    return ~np.isin(wanted, held) | encroached


def _inner_centres(ground: Polygon, triangles: FloatArray) -> FloatArray:
    """Return circumcentres, shape (t, 2), or centroids where the circumcentre isn't inside the polygon."""
    a = triangles[:, 0]
    b, c = triangles[:, 1] - a, triangles[:, 2] - a
    square_b, square_c = _dot(b, b), _dot(c, c)
    offset = np.column_stack([c[:, 1] * square_b - b[:, 1] * square_c, b[:, 0] * square_c - c[:, 0] * square_b])
    centres = a + offset / (2 * _cross(b, c))[:, None]
    inside = shapely.contains_xy(ground, centres[:, 0], centres[:, 1])
    return np.where(inside[:, None], centres, triangles.mean(axis=1))


def _shared_sides(corners: IntArray, neighbours: IntArray) -> tuple[IntArray, IntArray]:
    """Return pairs of triangles that share a side, and the samples at the ends of that side, (m, 2) each."""
    triangle, opposite = np.nonzero(neighbours > np.arange(len(neighbours))[:, None])
    other = neighbours[triangle, opposite]
    one = corners[triangle, (opposite + 1) % 3]
    two = corners[triangle, (opposite + 2) % 3]
    return np.column_stack([triangle, other]).astype(np.int64), np.column_stack([one, two]).astype(np.int64)


def _narrowest(
    samples: BoundarySamples, sides: IntArray, one: FloatArray, two: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least half width on edges from `one` to `two`, shape (m,), and where it is, shape (m, 2)."""
    way = two - one
    square = np.maximum(_dot(way, way), 1e-300)
    middle = samples.xy[sides].mean(axis=1)
    share = np.clip(_dot(middle - one, way) / square, 0.0, 1.0)
    places = np.stack([one, one + share[:, None] * way, two])
    half = np.stack([_half_width(samples, sides, place) for place in places])
    least = half.argmin(axis=0)
    index = np.arange(len(sides))
    return half[least, index], places[least, index]


def _half_width(samples: BoundarySamples, sides: IntArray, xy: FloatArray) -> FloatArray:
    # The mean of both distances cancels, to first order, how far a place is off the middle.
    return (samples.feet(sides[:, 0], xy)[2] + samples.feet(sides[:, 1], xy)[2]) / 2


def _node_clearance(
    ground: Polygon, samples: BoundarySamples, xy: FloatArray, edges: IntArray, sides: IntArray
) -> FloatArray:
    clearance = np.full(len(xy), np.inf)
    for end in (0, 1):
        np.minimum.at(clearance, edges[:, end], _half_width(samples, sides, xy[edges[:, end]]))
    alone = ~np.isfinite(clearance)
    clearance[alone] = shapely.distance(shapely.points(xy[alone]), ground.boundary)
    return clearance


def _nearest_on_piece(one: FloatArray, two: FloatArray, xy: FloatArray) -> FloatArray:
    way = two - one
    share = np.clip(_dot(xy - one, way) / np.maximum(_dot(way, way), 1e-300), 0.0, 1.0)
    return one + share[:, None] * way


def _keys(one: IntArray, two: IntArray, size: int) -> IntArray:
    """Return one number per unordered pair."""
    return np.minimum(one, two) * size + np.maximum(one, two)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray((a * b).sum(axis=-1))


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _length(vectors: FloatArray) -> FloatArray:
    return np.hypot(vectors[..., 0], vectors[..., 1])
