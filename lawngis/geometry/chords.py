"""What lies on each side of straight cuts through a polygon, without cutting it: many cuts at a time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, Polygon

from lawngis.arrays import FloatArray

from .polygons import oriented


def beside_chords(
    polygon: Polygon, chords: FloatArray, points: Sequence[Point] = ()
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return how much of a polygon lies to the left of each of some chords, and which points do.

    Each area is a difference of two sums along the outer ring, so that the ring is gone through once for all chords.
    A hole that a chord crosses is taken to be crossed nowhere else by the same straight line.

    Parameters
    ----------
    polygon
        Valid; it may have holes.
    chords
        Start and end of each on the outer ring, with nothing but the ring's inside between them; shape (n, 2, 2).
    points
        In or on the polygon.

    Returns
    -------
    tuple
        Areas, shape (n,), and whether each point is to the left, shape (n, points).

    Examples
    --------
    >>> square = Polygon([(0, 0), (4, 0), (4, 4), (0, 4)], [[(1, 1), (1, 2), (2, 2), (2, 1)]])
    >>> left_m2, is_left = beside_chords(square, np.array([[(3.0, 0.0), (3.0, 4.0)]]), [Point(4, 1)])
    >>> left_m2.tolist(), is_left.tolist()
    ([11.0], [[False]])
    """
    ground = oriented(polygon)
    ring = ground.exterior
    at_m = np.asarray(shapely.line_locate_point(ring, shapely.points(chords)))
    left_m2 = Polygon(ring).area - _areas_along(ring, chords, at_m)
    lines = np.asarray(shapely.linestrings(chords), dtype=object)
    for hole in ground.interiors:
        all_of_it = Polygon(hole).area * _left(ring, lines, at_m, hole)
        part_of_it = -_ring_left(chords, shapely.get_coordinates(hole))
        left_m2 -= np.where(shapely.crosses(lines, Polygon(hole)), part_of_it, all_of_it)
    is_left = [_left(ring, lines, at_m, point) for point in points]
    return left_m2, np.array(is_left, dtype=bool).reshape(len(points), len(chords)).T


def _areas_along(ring: shapely.LinearRing, chords: FloatArray, at_m: FloatArray) -> FloatArray:
    """Return the area between each chord and the ring from its start on to its end (shoelace formula)."""
    origin = shapely.get_coordinates(ring)[0]
    xy = shapely.get_coordinates(ring) - origin
    vertex_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    twice = np.concatenate([[0.0], np.cumsum(_cross(xy[:-1], xy[1:]))])
    before = np.clip(np.searchsorted(vertex_m, at_m, side="right") - 1, 0, len(xy) - 2)
    ends = chords - origin
    swept = twice[before] + _cross(xy[before], ends)
    once_round = twice[-1] * (at_m[:, 1] < at_m[:, 0])
    areas: FloatArray = (swept[:, 1] - swept[:, 0] + once_round + _cross(ends[:, 1], ends[:, 0])) / 2
    return areas


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    product: FloatArray = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product


def _left(
    ring: shapely.LinearRing, lines: NDArray[np.object_], at_m: FloatArray, thing: shapely.geometry.base.BaseGeometry
) -> NDArray[np.bool_]:
    """Return whether a thing that chords don't cross lies to their left: by the ring's point that is nearest to it."""
    way = shapely.shortest_line(ring, thing)
    foot_m = shapely.line_locate_point(ring, shapely.get_point(way, 0))
    start_m, end_m = at_m.T
    inside = (start_m < foot_m) & (foot_m < end_m)
    around = (foot_m > start_m) | (foot_m < end_m)
    on_the_way = np.where(start_m < end_m, inside, around)
    is_left: NDArray[np.bool_] = on_the_way == shapely.crosses(lines, way)
    return is_left


def _ring_left(chords: FloatArray, ring: FloatArray) -> FloatArray:
    """Return the signed area that a ring encloses to the left of the chords' straight lines."""
    way = chords[:, 1] - chords[:, 0]
    way = way / np.hypot(*way.T)[:, None]
    from_start = ring - chords[:, :1]
    along_m = (from_start * way[:, None]).sum(axis=2)
    off_m = _cross(way[:, None], from_start)
    start, end = off_m[:, :-1], off_m[:, 1:]
    height_m = (np.maximum(start, 0) + np.maximum(end, 0)) / 2
    across = start * end < 0
    height_m[across] = np.maximum(start, end)[across] ** 2 / (2 * np.abs(end - start)[across])
    area: FloatArray = -(np.diff(along_m, axis=1) * height_m).sum(axis=1)
    return area
