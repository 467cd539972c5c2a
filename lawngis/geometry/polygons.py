"""Polygons in metres of the measuring frame: repairing, cleaning, opening and closing them."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError, ParameterError

# Corners sharper than 2 asin(1/5) = 23 degrees are blunted while opening and closing; blunter ones come
# back whole.
_MITRE_LIMIT = 5.0
# How much further an opened shape grows than it shrank, so that clipping it with the original keeps the
# original's own edges instead of copies that rounding has moved.
_REGROWTH_M = 0.001
_CLEANING_PASSES = 6


@dataclass(frozen=True)
class RepairedPolygon:
    """What came out of repairing, and whether anything had to be done.

    Parameters
    ----------
    geometry
        Valid polygonal ground, flat (x, y), possibly empty.
    changed
        Whether the input was no valid polygon, so that its ground had to be interpreted.
    problem
        What was wrong and where, in words; empty when nothing was.
    """

    geometry: Polygon | MultiPolygon
    changed: bool
    problem: str


def polygon_parts(geometry: BaseGeometry) -> list[Polygon]:
    """Return the non-empty polygons of any geometry; points and lines in it are left out.

    Parameters
    ----------
    geometry
        Any shapely geometry, collections included.

    Returns
    -------
    list of Polygon
        In the order of the input.
    """
    if isinstance(geometry, Polygon):
        return [] if geometry.is_empty else [geometry]
    return [part for piece in getattr(geometry, "geoms", ()) for part in polygon_parts(piece)]


def grid_parts(geometry: BaseGeometry, grid_m: float) -> list[Polygon]:
    """Return the polygons of a geometry with their vertices on a grid, without what is thinner than its cells.

    Parameters
    ----------
    geometry
        Any valid shapely geometry [m].
    grid_m
        Side of the grid's cells [m].

    Examples
    --------
    >>> spike = Polygon([(0, 0), (2, 0), (2, 1), (1e-6, 1), (5e-7, 9), (0, 1)])
    >>> [part.length for part in grid_parts(spike, 1e-4)]
    [6.0]
    """
    return polygon_parts(shapely.set_precision(geometry, grid_m))


def polygonal(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    """Return the area part of any geometry, flat: a Polygon where one suffices, else a MultiPolygon.

    Parts that overlap stay as they are; see :func:`repaired`.

    Examples
    --------
    >>> mixed = shapely.GeometryCollection([shapely.Point(0, 0), shapely.box(0, 0, 2, 1)])
    >>> polygonal(mixed).area
    2.0
    """
    parts = polygon_parts(shapely.force_2d(geometry))
    return parts[0] if len(parts) == 1 else MultiPolygon(parts) if parts else Polygon()


def repaired(geometry: BaseGeometry) -> RepairedPolygon:
    """Return valid ground for a polygon that may cross or touch itself.

    A ring that crosses itself keeps all ground that it encloses an odd number of times: a bow tie keeps
    both its lobes. Points and lines are dropped.

    Parameters
    ----------
    geometry
        Polygon, MultiPolygon or a collection of them.

    Raises
    ------
    FeatureError
        When a coordinate is not a finite number: such ground can't be guessed.
    """
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        raise FeatureError(
            "a coordinate is not a number",
            advice="Draw the polygon again, or remove the broken vertex in a GIS.",
        )
    if geometry.is_valid:
        return RepairedPolygon(polygonal(geometry), changed=False, problem="")
    problem = str(shapely.is_valid_reason(geometry))
    return RepairedPolygon(_valid(geometry), changed=True, problem=problem)


def oriented(polygon: Polygon) -> Polygon:
    """Return a polygon with its ground on the left of every ring: outer ring anti-clockwise, holes clockwise.

    Examples
    --------
    >>> oriented(Polygon([(0, 0), (0, 1), (1, 1), (1, 0)])).exterior.is_ccw
    True
    """
    turned: Polygon = shapely.orient_polygons(polygon)
    return turned


def filled(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    """Return the ground within the outer rings: the same polygons without their holes."""
    return polygonal(shapely.union_all([Polygon(part.exterior) for part in polygon_parts(geometry)]))


def discs(xy: ArrayLike, radius_m: ArrayLike) -> NDArray[np.object_]:
    """Return round polygons whose ground is never less than the disc's.

    They have 32 corners, 16 below 6 cm, so that corners stay a centimetre apart, and are drawn around the
    circle: a trunk is never made thinner than it is.

    Parameters
    ----------
    xy
        Centres, shape (n, 2) [m].
    radius_m
        Radius of each, or of all, at least 0.03 [m].

    Returns
    -------
    array of Polygon, shape (n,)

    Raises
    ------
    ParameterError
        When a radius is not a number or below 3 cm.
    """
    centres = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    radius = np.broadcast_to(np.asarray(radius_m, dtype=np.float64), len(centres))
    if not (np.isfinite(radius) & (radius >= 0.03)).all():
        raise ParameterError("a disc needs a radius of at least 0.03 m", advice="Give the radius in metres.")
    points = shapely.points(centres)
    fine = shapely.buffer(points, radius / np.cos(np.pi / 32), quad_segs=8)
    coarse = shapely.buffer(points, radius / np.cos(np.pi / 16), quad_segs=4)
    return np.asarray(np.where(radius < 0.06, coarse, fine), dtype=object)


def opened(geometry: BaseGeometry, width_m: float) -> Polygon | MultiPolygon:
    """Return a shape without what is narrower than a width; everything else keeps its own edges and corners.

    Opening with mitred corners (shrink by half the width, grow again, clip with the original): a round
    opening would bite every corner off and leave round plugs where a strip begins. Common practice, no
    source.

    Parameters
    ----------
    geometry
        Polygon or MultiPolygon, valid [m].
    width_m
        Narrowest ground that stays [m].
    """
    half = width_m / 2
    core = _mitred(geometry, -half)
    grown = _mitred(core, half + _REGROWTH_M)
    return _valid(shapely.intersection(grown, geometry))


def closed(geometry: BaseGeometry, width_m: float) -> Polygon | MultiPolygon:
    """Return a shape with gaps, notches and holes narrower than a width filled; nothing is taken away.

    The twin of :func:`opened`: grow by half the width with mitred corners, shrink again, add the original.
    """
    half = width_m / 2
    grown = _mitred(geometry, half)
    shrunk = _mitred(grown, -half - _REGROWTH_M)
    # Shrinking by a millimetre more than it grew leaves the old edges to the original, and a filled gap
    # detached from them by that millimetre: growing the fillings alone joins them again.
    filling = shapely.difference(shrunk, geometry)
    patches = _mitred(filling, 2 * _REGROWTH_M)
    return _valid(shapely.union(geometry, patches))


def cleaned(
    geometry: BaseGeometry,
    *,
    vertex_gap_m: float = 0.01,
    sliver_width_m: float = 0.05,
    crack_width_m: float = 0.02,
) -> Polygon | MultiPolygon:
    """Return the same ground fit for planning: valid, without slivers, cracks, crowded or needless vertices.

    Edges move by millimetres, at most by about `vertex_gap_m`; ground wider than `sliver_width_m` and gaps wider
    than `crack_width_m` stay, needle tips sharper than 23 degrees excepted. Outer rings run anti-clockwise, holes
    clockwise.

    Parameters
    ----------
    geometry
        Any geometry; its points and lines are dropped [m].
    vertex_gap_m
        Neighbouring vertices of a ring are at least so far apart [m].
    sliver_width_m
        Ground narrower than this is dropped [m]; 0 keeps all.
    crack_width_m
        Gaps and holes narrower than this are filled [m]; 0 keeps all.

    Returns
    -------
    Polygon or MultiPolygon
        Empty when nothing wide enough is left.

    Raises
    ------
    FeatureError
        When a coordinate is not a finite number.
    ParameterError
        When a width is negative or not a number.
    """
    for name, value in {
        "vertex_gap_m": vertex_gap_m,
        "sliver_width_m": sliver_width_m,
        "crack_width_m": crack_width_m,
    }.items():
        if not (isfinite(value) and value >= 0):
            raise ParameterError(f"{name} must be 0 or more metres, not {value}")
    shape = _thinned(repaired(geometry).geometry, vertex_gap_m)
    if crack_width_m > 0:
        shape = closed(shape, crack_width_m)
    if sliver_width_m > 0:
        shape = opened(shape, sliver_width_m)
    # Thinning moves edges by millimetres, which can leave a neck just below the width: opening comes first,
    # so that what is thinned is wide.
    shape = _thinned(shape, vertex_gap_m)
    return polygonal(MultiPolygon([oriented(part) for part in polygon_parts(shape)]))


def _mitred(geometry: BaseGeometry, distance_m: float) -> Polygon | MultiPolygon:
    # A mitred buffer can cross itself beside needles, so its validity is not taken for granted.
    return _valid(shapely.buffer(geometry, distance_m, join_style="mitre", mitre_limit=_MITRE_LIMIT))


def _valid(geometry: BaseGeometry) -> Polygon | MultiPolygon:
    if geometry.is_valid:
        return polygonal(geometry)
    return polygonal(shapely.union_all(polygon_parts(shapely.make_valid(shapely.force_2d(geometry)))))


def _thinned(shape: Polygon | MultiPolygon, vertex_gap_m: float) -> Polygon | MultiPolygon:
    """Return a shape without vertices nearer than a gap to the one before, nor on the line between their neighbours."""
    if vertex_gap_m <= 0:
        return shape
    for _ in range(_CLEANING_PASSES):
        straight = shapely.simplify(shape, vertex_gap_m / 5, preserve_topology=True)
        thinner = _valid(_with_spaced_rings(straight, vertex_gap_m))
        if shapely.get_num_coordinates(thinner) == shapely.get_num_coordinates(shape):
            return thinner
        shape = thinner
    return shape


def _with_spaced_rings(shape: BaseGeometry, gap_m: float) -> MultiPolygon:
    parts = []
    for part in polygon_parts(shape):
        outer, *holes = [_spaced(shapely.get_coordinates(ring)[:-1], gap_m) for ring in shapely.get_rings(part)]
        if len(outer) >= 3:
            parts.append(Polygon(outer, [hole for hole in holes if len(hole) >= 3]))
    return MultiPolygon(parts)


def _spaced(xy: NDArray[np.float64], gap_m: float) -> NDArray[np.float64]:
    """Return the vertices of a closed ring without those nearer than a gap to the one before, shape (n, 2).

    The ring starts elsewhere than before, as simplifying treats its first vertex as sacred.
    """
    xy = np.roll(xy, len(xy) // 2, axis=0)
    while len(xy) >= 3:
        step = xy - np.roll(xy, 1, axis=0)
        near = np.hypot(step[:, 0], step[:, 1]) < gap_m
        # Of a run of crowded vertices every other one goes, then the rest is looked at again.
        first = near & ~np.roll(near, 1)
        gone = first if first.any() else near & (np.arange(len(xy)) % 2 == 1)
        if not gone.any():
            break
        xy = xy[~gone]
    return xy
