"""The loop as an electric circuit: its magnetic field, and whether a mower can tell inside from outside.

The field is taken as that of a steady current in a thin wire lying level in non-magnetic ground: the loop's
signal is so slow that distances on a lawn are small against its wavelength and its skin depth in soil.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi
from typing import cast

import numpy as np
import shapely
from contourpy import FillType, contour_generator
from numpy.typing import NDArray
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import is_closed, segment_lengths_m
from lawngis.geometry.polygons import polygon_parts

MU0_H_PER_M = 1.25663706127e-6
"""Vacuum magnetic permeability [H/m]; CODATA 2022."""

_MICROTESLA = 1e6
_CHUNK = 60_000
"""Point-vertex pairs per pass, so that the temporaries stay in the processor's cache."""

WIRE_CLEAR_M = 0.3
"""The field is looked at this far from any wire: nearer, its sign tells of the antenna's height, not of the loop."""

_LATTICE_MIN_M = 0.25
_LATTICE_PLACES = 4000
_FEW_PLACES = 300
"""The field is worked out at about so many places, but no more densely than the distance above."""


@dataclass(frozen=True)
class SignalCheck:
    """What a receiver would find at the places looked at.

    Attributes
    ----------
    weakest_ut
        Lowest signed vertical field inside [uT]; below zero where the sign is wrong. NaN without inside points.
    weakest_xy
        Where that is, shape (2,) [m].
    wrong_inside_xy
        Places inside where the field says outside, shape (k, 2) [m].
    wrong_outside_xy
        Places on islands or outside where the field says inside, shape (k, 2) [m].
    """

    weakest_ut: float
    weakest_xy: FloatArray
    wrong_inside_xy: FloatArray
    wrong_outside_xy: FloatArray

    @property
    def ok(self) -> bool:
        """Whether the sign is right everywhere."""
        return len(self.wrong_inside_xy) == 0 and len(self.wrong_outside_xy) == 0


def vertical_field_ut(xy: FloatArray, points: FloatArray, *, height_m: float, current_a: float = 1.0) -> FloatArray:
    r"""Return the vertical magnetic field of a closed wire, positive upward.

    ::

              p            a, b: ends of a segment, current from a to b
             /|\           field of the segment at p, on its left: up
          ra/ | \rb
           /  |  \
          a---+--->b

    Parameters
    ----------
    xy
        Closed wire in the plane z = 0, shape (n, 2) [m].
    points
        Shape (k, 2) [m].
    height_m
        Height of all points above the wire [m].
    current_a
        Current along the direction of the line [A].

    Returns
    -------
    ndarray
        Shape (k,) [uT]. Infinite or NaN only at height 0 on the wire itself.

    Raises
    ------
    ParameterError
        When the wire is not closed.

    Notes
    -----
    With ra, rb the vectors from a segment's ends to the point, the sum over segments of
    mu0 I / 4 pi · (ra × rb) (|ra| + |rb|) / (|ra| |rb| (|ra| |rb| + ra·rb)),
    which is mu0 I / (4 pi d) (sin t1 + sin t2) without its angles. Where ra·rb is negative the last factor would
    lose digits, and (|ra| |rb| + ra·rb) (|ra| |rb| - ra·rb) = |ra × rb|² replaces it.

    References
    ----------
    Law of Biot and Savart for a straight segment, as in D. J. Griffiths, "Introduction to Electrodynamics", 1999,
    example 5.5. The form without angles: J. D. Hanson and S. P. Hirshman, "Compact expressions for the
    Biot-Savart fields of a filamentary segment", Physics of Plasmas 9, 2002.
    """
    if not is_closed(xy):
        raise ParameterError("a wire that is not closed carries no current", advice="Close the loop at its start.")
    line = xy[np.concatenate([[True], segment_lengths_m(xy) > 0.0])]
    step = np.diff(line, axis=0)
    lift = (height_m**2) * np.einsum("ij,ij->i", step, step)
    field = np.empty(len(points))
    rows = max(1, _CHUNK // len(line))
    for first in range(0, len(points), rows):
        part = points[first : first + rows]
        field[first : first + rows] = _field_sum(line, lift, part, height_m)
    return MU0_H_PER_M * current_a * _MICROTESLA / (4.0 * pi) * field


def _field_sum(line: FloatArray, lift: FloatArray, points: FloatArray, height_m: float) -> FloatArray:
    """Sum over segments of the geometric factor [1/m]; `lift` is height² · length² of each segment."""
    x = points[:, :1] - line[:, 0]
    y = points[:, 1:] - line[:, 1]
    r = np.sqrt(x * x + y * y + height_m**2)
    cross = x[:, :-1] * y[:, 1:]
    cross -= y[:, :-1] * x[:, 1:]
    dot = x[:, :-1] * x[:, 1:]
    dot += y[:, :-1] * y[:, 1:]
    dot += height_m**2
    rr = r[:, :-1] * r[:, 1:]
    near = dot < 0.0
    # Where the foot of the point lies beside the segment, use the difference; elsewhere the sum. Both are exact.
    top = np.where(near, rr - dot, 1.0)
    bottom = np.where(near, cross * cross + lift, rr + dot)
    top *= cross
    top *= r[:, :-1] + r[:, 1:]
    bottom *= rr
    # A point in line with a segment at height 0, or exactly on a vertex, has 0/0: such a segment adds nothing.
    terms: FloatArray = np.divide(top, bottom, out=np.zeros_like(top), where=bottom != 0.0)
    total: FloatArray = terms.sum(axis=1)
    return total


def signal_check(
    xy: FloatArray,
    inside_points: FloatArray,
    outside_points: FloatArray,
    *,
    height_m: float,
    current_a: float = 1.0,
) -> SignalCheck:
    """Return whether the loop's field has the inside sign on mown ground and the other sign on islands and outside.

    An island ringed in the wrong sense, a loop laid clockwise and a lead whose wires part all change the sign
    somewhere, so they are found without looking at how the loop was planned. Points should keep a few times
    `height_m` from the wire: at an antenna's height the sign changes a little off the wire itself.

    Parameters
    ----------
    xy
        Closed loop in laying order, shape (n, 2) [m].
    inside_points, outside_points
        Places that must read inside, and places on islands or outside, shapes (k, 2) and (m, 2) [m].
    height_m
        Antenna height above the wire [m].
    current_a
        Current [A].

    Returns
    -------
    SignalCheck
    """
    inside = vertical_field_ut(xy, inside_points, height_m=height_m, current_a=current_a)
    outside = vertical_field_ut(xy, outside_points, height_m=height_m, current_a=current_a)
    weakest, place = float("nan"), np.full(2, np.nan)
    if len(inside):
        at = int(np.argmin(inside))
        weakest, place = float(inside[at]), inside_points[at]
    return SignalCheck(weakest, place, inside_points[~(inside > 0.0)], outside_points[~(outside < 0.0)])


def signal_places(
    grounds: Sequence[Polygon], unheard: Sequence[BaseGeometry], count: int
) -> tuple[FloatArray, FloatArray]:
    """Return places inside the grounds of a loop, and places on islands and outside, all clear of the wire.

    Parameters
    ----------
    grounds
        Inside the wire [m].
    unheard
        Parts of them without signal.
    count
        About so many places inside, on a lattice.

    Returns
    -------
    inside, outside
        Shapes (n, 2) and (k, 2) [m].
    """
    together = shapely.MultiPolygon(list(grounds))
    spacing = float(np.sqrt(together.area / count))
    inner = shapely.difference(shapely.buffer(together, -WIRE_CLEAR_M), shapely.union_all(list(unheard)))
    inside = _lattice(inner, spacing)
    around = shapely.boundary(shapely.buffer([Polygon(ground.exterior) for ground in grounds], 3 * WIRE_CLEAR_M))
    outer = shapely.get_coordinates(shapely.segmentize(around, 2.0))
    clear = shapely.distance(shapely.points(outer), together) > 2 * WIRE_CLEAR_M
    islands = [Polygon(hole).buffer(-WIRE_CLEAR_M / 3) for ground in grounds for hole in ground.interiors]
    middles = [
        shapely.get_coordinates(shapely.maximum_inscribed_circle(island))[:1]
        for island in islands
        if not island.is_empty and not any(ground.intersects(island) for ground in grounds)
    ]
    return inside, np.concatenate([outer[clear], *middles])


def _lattice(area: BaseGeometry, spacing: float) -> FloatArray:
    if area.is_empty:
        return np.empty((0, 2))
    min_x, min_y, max_x, max_y = area.bounds
    x, y = np.meshgrid(np.arange(min_x + spacing / 2, max_x, spacing), np.arange(min_y + spacing / 2, max_y, spacing))
    held = shapely.contains_xy(area, x.ravel(), y.ravel())
    return np.column_stack([x.ravel()[held], y.ravel()[held]])


def interference_share(
    own_xy: FloatArray, other_xys: list[FloatArray], points: FloatArray, *, height_m: float
) -> NDArray[np.float64]:
    """Return the field of neighbouring loops as a share of a loop's own field, all at the same current.

    Parameters
    ----------
    own_xy
        Closed loop whose ground is looked at, shape (n, 2) [m].
    other_xys
        Neighbouring closed loops [m].
    points
        Places inside the own loop, shape (k, 2) [m].
    height_m
        Antenna height [m].

    Returns
    -------
    ndarray
        Shape (k,), never negative: the sum of the neighbours' absolute fields over the own absolute field.
    """
    own = np.abs(vertical_field_ut(own_xy, points, height_m=height_m))
    others = np.zeros(len(points))
    for xy in other_xys:
        others += np.abs(vertical_field_ut(xy, points, height_m=height_m))
    share: FloatArray = np.divide(others, own, out=np.full(len(points), np.inf), where=own > 0.0)
    return share


def distinct_signals(wires: Sequence[BaseGeometry], *, within_m: float) -> list[int]:
    """Return a signal for each of some wires, from 1, such that those near one another differ.

    Parameters
    ----------
    wires
        Lines of wire, one geometry for each mower [m].
    within_m
        Wires this near to one another are neighbours [m].

    References
    ----------
    Brélaz (1979), "New methods to color the vertices of a graph", Communications of the ACM 22,
    doi:10.1145/359094.359101: next comes whose neighbours have the most signals already.

    Examples
    --------
    >>> distinct_signals([shapely.box(x, 0, x + 9, 9).exterior for x in (0, 10, 20)], within_m=2)
    [2, 1, 2]
    """
    if not len(wires):
        return []
    near, others = shapely.STRtree(wires).query(wires, predicate="dwithin", distance=within_m)
    beside: list[set[int]] = [set() for _ in wires]
    for one, other in zip(near.tolist(), others.tolist(), strict=True):
        if one != other:
            beside[one].add(other)
    found: dict[int, int] = {}
    while len(found) < len(wires):
        taken = {number: {found[other] for other in beside[number] if other in found} for number in range(len(wires))}
        left = [number for number in range(len(wires)) if number not in found]
        number = max(left, key=lambda number: (len(taken[number]), len(beside[number]), -number))
        found[number] = next(signal for signal in range(1, len(wires) + 1) if signal not in taken[number])
    return [found[number] for number in range(len(wires))]


def least_field_ut(wires: Sequence[FloatArray], *, height_m: float, current_a: float = 1.0) -> float:
    """Return a field that is nowhere undercut inside wires, `WIRE_CLEAR_M` or farther from them.

    It costs nothing beside the field itself, and tells of ordinary lawns that their field is strong enough everywhere.

    Parameters
    ----------
    wires
        Closed wires that together run once around ground, anticlockwise outside and clockwise around holes, as the
        rings of polygons that don't overlap do; shapes (n, 2) [m].
    height_m
        Antenna height above the wire [m].
    current_a
        Current [A].

    Returns
    -------
    float
        Lower bound of the vertical field [uT]; 0 where none is known, as when the antenna is too high for it.

    Notes
    -----
    Seen from a place inside, a wire element at distance r that spans the angle dt adds mu0 I / 4 pi · f(r) dt with
    f(r) = r² / (r² + h²)^1.5, which falls with r from r = 1.4 h on. Along a ray from the place the wires are crossed
    outwards and inwards in turn, outwards first and last, so that the terms alternate in sign while they shrink, and
    their sum is at least the last one: f of the farthest crossing, which is at least f of the distance to any convex
    outline around all wires. So no field is weaker than that of a rectangle around the wires in its place; at h = 0
    that is mu0 I / 4 pi times the sum over its corners of (1/a² + 1/b²)^0.5, with a and b the distances to their
    sides, which is convex in a and b and by symmetry least in the middle: 2 mu0 I / pi · (w² + d²)^0.5 / (w d). At
    another height f(r) r is never less than (1 + (h / r)²)^-1.5 at the nearest r looked at. Ours, no source.
    """
    if not len(wires) or height_m > WIRE_CLEAR_M / np.sqrt(2.0):
        return 0.0
    outline = shapely.oriented_envelope(shapely.multipoints(np.concatenate(list(wires))))
    if not isinstance(outline, Polygon):
        return 0.0
    width, depth = segment_lengths_m(shapely.get_coordinates(outline))[:2]
    level = 2.0 * MU0_H_PER_M * current_a * _MICROTESLA / pi * float(np.hypot(width, depth) / (width * depth))
    return level * (1.0 + (height_m / WIRE_CLEAR_M) ** 2) ** -1.5


def weak_ground(
    ground: Polygon | MultiPolygon,
    wires: Sequence[FloatArray],
    *,
    least_ut: float,
    height_m: float,
    current_a: float = 1.0,
) -> list[Polygon]:
    """Return where inside a loop the vertical field is too weak for a mower.

    The field of all wires together is worked out on a lattice and outlined where it falls below the least. Within
    `WIRE_CLEAR_M` of a wire it is taken as strong, since there it changes its sign.

    Parameters
    ----------
    ground
        Ground that the mower is to work on [m].
    wires
        Closed wires of one circuit in laying order, or one for each ring: leads cancel; shapes (n, 2) [m].
    least_ut
        Weakest vertical field at which the mower still works [uT].
    height_m
        Antenna height above the wire [m].
    current_a
        Current [A].

    Returns
    -------
    list of Polygon
        The largest first; outlines are good to about half the lattice's spacing, a quarter of a metre on ordinary
        lawns, as between two places the field is taken to change evenly.

    Raises
    ------
    ParameterError
        When the least field is not positive, or a wire is not closed.
    """
    if not least_ut > 0.0:
        raise ParameterError(f"least_ut {least_ut:g} is no field strength")
    if ground.is_empty or not len(wires):
        return []
    spacing = max(_LATTICE_MIN_M, float(np.sqrt(ground.area / _LATTICE_PLACES)))
    min_x, min_y, max_x, max_y = ground.bounds
    x = np.arange(min_x - spacing, max_x + 2 * spacing, spacing)
    y = np.arange(min_y - spacing, max_y + 2 * spacing, spacing)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    near = shapely.buffer(ground, 2 * spacing)
    looked_at = shapely.contains_xy(near, places[:, 0], places[:, 1])
    lines = shapely.MultiLineString([LineString(wire) for wire in wires])
    shapely.prepare(lines)
    looked_at &= ~shapely.dwithin(lines, shapely.points(places), WIRE_CLEAR_M)
    surplus = np.full(len(places), least_ut)
    index = np.flatnonzero(looked_at)
    # Far from all wire the field changes slowly: where it is twice what is needed at few places it is enough between.
    few = places[index[:: max(1, len(index) // _FEW_PLACES)]]
    if (np.abs(_summed_field_ut(wires, few, height_m, current_a)) > 2.0 * least_ut).all():
        return []
    field = np.abs(_summed_field_ut(wires, places[index], height_m, current_a))
    surplus[index] = np.clip(field - least_ut, -least_ut, least_ut)
    if surplus.min() >= 0.0:
        return []
    generator = contour_generator(x=x, y=y, z=surplus.reshape(len(y), len(x)), fill_type=FillType.OuterOffset)
    points, offsets = cast(tuple[list[FloatArray], list[NDArray[np.uint32]]], generator.filled(-2.0 * least_ut, 0.0))
    outlines = [Polygon(rings[0], rings[1:]) for rings in map(_rings, points, offsets)]
    weak = shapely.intersection(shapely.make_valid(shapely.union_all(outlines)), ground)
    return sorted(polygon_parts(weak), key=lambda part: -part.area)


def _summed_field_ut(wires: Sequence[FloatArray], places: FloatArray, height_m: float, current_a: float) -> FloatArray:
    field = np.zeros(len(places))
    for wire in wires:
        field += vertical_field_ut(wire, places, height_m=height_m, current_a=current_a)
    return field


def _rings(points: FloatArray, offsets: NDArray[np.uint32]) -> list[FloatArray]:
    return np.split(points, offsets[1:-1])
