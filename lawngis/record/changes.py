"""What differs between two plans of the same ground: area gained and lost, wire moved, pairs of places."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError
from lawngis.geometry.polygons import polygon_parts

STEP_M = 0.25
"""How far a line lies from another is looked at this often along it."""

QUARTER_PIECES = 8
"""Pieces of a quarter circle in buffers: off by less than half a percent of their radius."""


@dataclass(frozen=True, eq=False)
class StretchApart:
    """A stretch of one line that lies off another.

    Parameters
    ----------
    line
        The stretch.
    apart_m
        How far its farthest point lies from the other line; infinite where there is none [m].
    """

    line: LineString
    apart_m: float


def area_gained(
    before: BaseGeometry, after: BaseGeometry, *, width_min_m: float = 0.05, area_min_m2: float = 0.05
) -> list[Polygon]:
    """Return the ground that is in `after` and not in `before`, without slivers.

    What is lost is what is gained the other way round.

    Parameters
    ----------
    before, after
        Ground, polygons of one frame [m].
    width_min_m
        Pieces nowhere as wide as this, and the hairlines of others, are rounding [m].
    area_min_m2
        Smaller pieces are left out [m²].

    Returns
    -------
    list of Polygon
        The largest first.

    Notes
    -----
    Opening by a disc: eroded by half the width and grown again, within what was there. Common practice, no source.

    Examples
    --------
    >>> from shapely import box
    >>> [piece.area for piece in area_gained(box(0, 0, 4, 4), box(0, 0, 6, 4))]
    [8.0]
    >>> area_gained(box(0, 0, 6, 4), box(0, 0, 4, 4))
    []
    """
    if width_min_m < 0 or area_min_m2 < 0:
        raise ParameterError("the least width and area can't be negative")
    grown = shapely.difference(after, before)
    half = width_min_m / 2
    core = shapely.buffer(grown, -half, join_style="mitre")
    wide = shapely.intersection(grown, shapely.buffer(core, half * 1.01, join_style="mitre"))
    parts = [part for part in polygon_parts(wide) if part.area >= area_min_m2]
    return sorted(parts, key=lambda part: -part.area)


def stretches_apart(
    line: LineString, others: Sequence[LineString], *, tolerance_m: float, length_min_m: float = 0.0
) -> list[StretchApart]:
    """Return the stretches of a line that lie farther than a tolerance from all of some others, in its order.

    Parameters
    ----------
    line
        The line looked at [m].
    others
        Where it may lie; none: all of it lies elsewhere.
    tolerance_m
        Nearer than this it lies where one of the others does [m].
    length_min_m
        Shorter stretches are left out [m].

    Raises
    ------
    ParameterError
        When the tolerance is not above zero: two lines along one way never agree to the last digit.
    """
    if not tolerance_m > 0:
        raise ParameterError(f"the tolerance {tolerance_m} m is not above zero")
    if line.is_empty:
        return []
    if not others:
        return [StretchApart(line, np.inf)] if line.length >= length_min_m else []
    there = shapely.union_all(np.asarray(others, dtype=object))
    near = shapely.buffer(shapely.simplify(there, tolerance_m / 100), tolerance_m, quad_segs=QUARTER_PIECES)
    left = shapely.line_merge(shapely.difference(line, near), directed=True)
    parts = [part for part in shapely.get_parts(left) if part.length > 0 and part.length >= length_min_m]
    parts.sort(key=lambda part: float(shapely.line_locate_point(line, shapely.get_point(part, 0))))
    return [StretchApart(part, _farthest_m(part, there)) for part in parts]


def _farthest_m(line: LineString, other: BaseGeometry) -> float:
    points = shapely.points(shapely.get_coordinates(shapely.segmentize(line, STEP_M)))
    shapely.prepare(other)
    return float(shapely.distance(points, other).max())


def pairs_of_places(
    before: Sequence[BaseGeometry],
    after: Sequence[BaseGeometry],
    *,
    reach_m: float,
    kinds: tuple[Sequence[Hashable], Sequence[Hashable]] | None = None,
) -> list[tuple[int, int]]:
    """Return which of two sets of things are the same thing, as pairs of indices: the nearest first, each once.

    Parameters
    ----------
    before, after
        Where they are, of one frame [m]. Empty ones lie nowhere, and pair with others of their kind that lie nowhere.
    reach_m
        Farther apart they are different things [m].
    kinds
        Of each of both sets; things of different kinds never pair. Default: all are of one kind.

    Returns
    -------
    list of tuple
        Sorted by the first index.
    """
    if not len(before) or not len(after):
        return []
    away = _apart_m(np.asarray(before, dtype=object), np.asarray(after, dtype=object))
    if kinds is not None:
        away[_unlike(*kinds)] = np.inf
    order = np.argsort(away, axis=None, kind="stable")
    left, right = set(range(len(before))), set(range(len(after)))
    pairs = []
    for one, two in zip(*np.unravel_index(order, away.shape), strict=True):
        if not away[one, two] <= reach_m:
            break
        if one in left and two in right:
            left.discard(one)
            right.discard(two)
            pairs.append((int(one), int(two)))
    return sorted(pairs)


def _apart_m(before: NDArray[np.object_], after: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return distances, shape (n, m); nil between two that lie nowhere, infinite between such a one and a place."""
    away = np.asarray(shapely.distance(before[:, None], after[None, :]), dtype=np.float64)
    nowhere = shapely.is_empty(before)[:, None], shapely.is_empty(after)[None, :]
    return np.where(nowhere[0] & nowhere[1], 0.0, np.where(np.isnan(away), np.inf, away))


def _unlike(before: Sequence[Hashable], after: Sequence[Hashable]) -> NDArray[np.bool_]:
    numbers = {kind: number for number, kind in enumerate(dict.fromkeys([*before, *after]))}
    one, two = (np.array([numbers[kind] for kind in kinds], dtype=np.int64) for kinds in (before, after))
    return np.asarray(one[:, None] != two[None, :])
