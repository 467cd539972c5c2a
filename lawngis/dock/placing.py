"""Where a dock can stand: candidates along the wire of a zone, and what must hold of them.

::

            direction of travel (anti-clockwise: the lawn is to the left)
      straight behind      |      straight ahead
    ───────────────────────o──────────────────────────╮
         pad:  behind ┌────┼────┐ ahead                ╲   corner
                      │ outside │                       │
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import radians, tan
from typing import Literal, NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.errors import ParameterError

CORNER_MIN_DEG = 20.0
"""A bend sharper than this is a corner [degrees]; common practice, no source."""


@dataclass(frozen=True)
class Candidates:
    """Places along a ring of wire, one row each, in the order of laying.

    Parameters
    ----------
    xy
        Shape (n, 2) [m].
    chainage_m
        Distance along the ring from its first vertex [m].
    direction_deg
        Direction of travel along the wire, clockwise from +y [degrees, 0 to 360].
    straight_ahead_m, straight_behind_m
        How far the wire stays straight ahead and behind [m].
    corner_m
        Distance along the wire to the nearest corner, either way [m]; inf on a ring without any.
    """

    xy: FloatArray
    chainage_m: FloatArray
    direction_deg: FloatArray
    straight_ahead_m: FloatArray
    straight_behind_m: FloatArray
    corner_m: FloatArray

    def __len__(self) -> int:
        return len(self.chainage_m)


@dataclass(frozen=True)
class MustHave:
    """One thing that must hold of a place.

    Parameters
    ----------
    key
        What is measured, as a key: ``"ahead"``.
    name
        The same in words: ``"straight wire ahead"``.
    values
        One per candidate; NaN where it is not known.
    limit
        The value still allowed.
    sense
        ``"min"``: at least `limit`; ``"max"``: at most.
    unit
        Unit of both, as printed.
    """

    key: str
    name: str
    values: FloatArray
    limit: float
    sense: Literal["min", "max"]
    unit: str

    def holds(self) -> BoolArray:
        """Return where it holds, shape (n,); an unknown value does not fail."""
        slack = 1e-9 * max(1.0, abs(self.limit))
        if self.sense == "min":
            return np.asarray(~(self.values < self.limit - slack), dtype=np.bool_)
        return np.asarray(~(self.values > self.limit + slack), dtype=np.bool_)

    def failures(self, indices: Sequence[int] | IntArray) -> list[Failure]:
        """Return by how much each of some candidates fails, with the digits that tell value and limit apart."""
        limits = [f"{self.limit:z.{digits}f}" for digits in range(1, 7)]
        found = []
        for value in np.asarray(self.values, dtype=np.float64)[indices].tolist():
            digits = 1
            while f"{value:z.{digits}f}" == limits[digits - 1] and digits < len(limits):
                digits += 1
            found.append(Failure(self, value, digits))
        return found


class Failure(NamedTuple):
    """A must-have that a candidate misses: what must hold, its value there, and the decimals that tell both apart."""

    must_have: MustHave
    value: float
    digits: int


@dataclass(frozen=True)
class Feasibility:
    """Which candidates meet every must-have.

    Parameters
    ----------
    feasible
        Shape (n,).
    failed
        Per candidate what it misses; empty when feasible.
    unknown
        Names of must-haves for which at least one value is not known; they were not tested there.
    """

    feasible: BoolArray
    failed: tuple[tuple[Failure, ...], ...]
    unknown: tuple[str, ...]

    def failed_count(self) -> IntArray:
        """Return the number of failures per candidate, shape (n,)."""
        return np.array([len(missed) for missed in self.failed], dtype=np.int64)


def candidate_places(
    ring: ArrayLike,
    *,
    spacing_m: float = 0.5,
    also_at_m: ArrayLike = (),
    straight_tolerance_m: float = 0.05,
    straight_tolerance_deg: float = 3.0,
    bend_window_m: float = 0.5,
) -> Candidates:
    """Return places at even spacing along a closed ring of wire, with the lie of the wire about each.

    The wire counts as straight while it stays within `straight_tolerance_m` of the tangent at the place; where it
    leaves that band by more than `straight_tolerance_deg`, the straight ends at the vertex where it turns away.

    Parameters
    ----------
    ring
        Closed and anti-clockwise, shape (m, 2), first vertex repeated at the end [m].
    spacing_m
        Wanted distance between places along the wire [m]; the ring is divided evenly.
    also_at_m
        Further places by their distance along the ring from its first vertex, shape (k,) [m]; they come last.
    straight_tolerance_m, straight_tolerance_deg
        What still counts as straight [m, degrees].
    bend_window_m
        Bends within this length add up [m], so that a rounded corner is found as well as a sharp one.

    Raises
    ------
    ParameterError
        When the ring is not closed, not anti-clockwise, has no area, or a number is not above zero.
    """
    vertices = _checked_ring(ring)
    numbers = (spacing_m, straight_tolerance_m, straight_tolerance_deg, bend_window_m)
    if not all(number > 0 for number in numbers):
        raise ParameterError("spacing, tolerances and window of dock candidates must be above zero")
    steps = np.diff(vertices, axis=0)
    lengths = np.hypot(*steps.T)
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    count = max(1, round(ends[-1] / spacing_m))
    chainage = np.concatenate([(np.arange(count) + 0.5) * (ends[-1] / count), np.asarray(also_at_m, dtype=np.float64)])
    segment = np.clip(np.searchsorted(ends, chainage, side="right") - 1, 0, len(steps) - 1)
    forward = steps[segment] / lengths[segment, None]
    xy = vertices[segment] + forward * (chainage - ends[segment])[:, None]
    band = (straight_tolerance_m, tan(radians(straight_tolerance_deg)))
    return Candidates(
        xy=xy,
        chainage_m=chainage,
        direction_deg=np.degrees(np.arctan2(forward[:, 0], forward[:, 1])) % 360,
        straight_ahead_m=_straight_run_m(vertices, segment, xy, forward, band),
        straight_behind_m=_straight_run_m(vertices[::-1], len(steps) - 1 - segment, xy, -forward, band),
        corner_m=_ring_distance_m(chainage, _corner_chainages(steps, ends, bend_window_m), ends[-1]),
    )


def pad_polygons(
    xy: ArrayLike,
    direction_deg: ArrayLike,
    *,
    behind_m: float,
    ahead_m: float,
    inside_m: float,
    outside_m: float = 0.0,
) -> NDArray[np.object_]:
    """Return rectangles along the wire: the pad of a dock, or with other lengths the ground of its approach.

    Parameters
    ----------
    xy
        Places on the wire, shape (n, 2) [m].
    direction_deg
        Direction of travel along the wire, clockwise from +y, shape (n,) [degrees].
    behind_m, ahead_m
        How far the rectangle reaches along the wire [m]; a negative one begins it on the other side of the place.
    inside_m, outside_m
        How far it reaches to the left (the lawn) and right of the direction of travel [m].

    Returns
    -------
    ndarray of Polygon
        Anti-clockwise, shape (n,).
    """
    if behind_m + ahead_m <= 0 or inside_m + outside_m <= 0:
        raise ParameterError("a pad needs a length and a width above zero")
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    angle = np.radians(np.asarray(direction_deg, dtype=np.float64)).reshape(-1)
    forward = np.column_stack([np.sin(angle), np.cos(angle)])
    left = np.column_stack([-forward[:, 1], forward[:, 0]])
    along = np.array([-behind_m, ahead_m, ahead_m, -behind_m, -behind_m])
    aside = np.array([-outside_m, -outside_m, inside_m, inside_m, -outside_m])
    corners = points[:, None] + along[:, None] * forward[:, None] + aside[:, None] * left[:, None]
    return np.asarray(shapely.polygons(corners), dtype=object)


def room_shares(pads: ArrayLike, ground: BaseGeometry) -> FloatArray:
    """Return the share of each pad's area that lies on the ground given, shape (n,), 0 to 1."""
    polygons = np.asarray(pads, dtype=object).ravel()
    shapely.prepare(ground)
    shares = np.ones(len(polygons))
    partly = ~shapely.contains_properly(ground, polygons)
    shares[partly] = shapely.area(shapely.intersection(polygons[partly], ground)) / shapely.area(polygons[partly])
    return shares


def distances_m(xy: ArrayLike, things: Sequence[BaseGeometry] | NDArray[np.object_]) -> FloatArray:
    """Return the distance from each place to the nearest of some geometries, shape (n,) [m]; NaN without any."""
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    geometries = np.asarray(things, dtype=object).ravel()
    geometries = geometries[~(shapely.is_missing(geometries) | shapely.is_empty(geometries))]
    if geometries.size == 0 or points.size == 0:
        return np.full(len(points), np.nan)
    places = shapely.points(points)
    _, distance = shapely.STRtree(geometries).query_nearest(places, return_distance=True, all_matches=False)
    return np.asarray(distance, dtype=np.float64)


def feasibility(must_haves: Sequence[MustHave], count: int) -> Feasibility:
    """Return which of `count` candidates meet every must-have, and why the others don't.

    Raises
    ------
    ParameterError
        When a must-have does not have one value per candidate.
    """
    for must in must_haves:
        if np.shape(must.values) != (count,):
            raise ParameterError(f"must-have '{must.name}' has {np.size(must.values)} values for {count} places")
    failed: list[list[Failure]] = [[] for _ in range(count)]
    for must in must_haves:
        missed = np.flatnonzero(~must.holds())
        for index, failure in zip(missed.tolist(), must.failures(missed), strict=True):
            failed[index].append(failure)
    return Feasibility(
        feasible=np.array([not some for some in failed], dtype=np.bool_),
        failed=tuple(tuple(some) for some in failed),
        unknown=tuple(must.name for must in must_haves if np.isnan(must.values).any()),
    )


def _checked_ring(ring: ArrayLike) -> FloatArray:
    """Return the ring without repeated vertices, or raise."""
    vertices = np.asarray(ring, dtype=np.float64)
    if vertices.ndim != 2 or vertices.shape[1] != 2 or not len(vertices) or not np.isfinite(vertices).all():
        raise ParameterError("a ring of wire needs finite x, y pairs")
    repeated = np.concatenate([[False], np.all(np.diff(vertices, axis=0) == 0, axis=1)])
    vertices = vertices[~repeated]
    if len(vertices) < 4 or np.any(vertices[0] != vertices[-1]):
        raise ParameterError("a ring of wire needs three vertices, and the first again at its end")
    # Relative to the first vertex, so that large coordinates don't eat the digits of a small area.
    x, y = (vertices - vertices[0]).T
    if not np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0:
        raise ParameterError("the ring of wire is not anti-clockwise", advice="Reverse its vertices.")
    return np.asarray(vertices, dtype=np.float64)


def _straight_run_m(
    ring: FloatArray, segment: IntArray, xy: FloatArray, forward: FloatArray, band: tuple[float, float]
) -> FloatArray:
    """Return how far the ring stays in the band about each tangent, measured along the tangent.

    All places march along the ring together, one vertex a round, until the last of them has left its band.
    """
    tolerance_m, tolerance_slope = band
    left = np.column_stack([-forward[:, 1], forward[:, 0]])
    run = np.zeros(len(xy))
    aside_before = np.zeros(len(xy))
    active = np.arange(len(xy))
    for step in range(1, len(ring)):
        offset = ring[(segment[active] + step) % (len(ring) - 1)] - xy[active]
        along = np.sum(offset * forward[active], axis=1)
        aside = np.sum(offset * left[active], axis=1)
        further, sideways = along - run[active], aside - aside_before[active]
        stays = (np.abs(aside) <= tolerance_m) & (further >= 0)
        gentle = ~stays & (further > 0) & (np.abs(sideways) <= tolerance_slope * further)
        crossing = np.copysign(tolerance_m, aside) - aside_before[active]
        share = np.divide(crossing, sideways, out=np.zeros_like(crossing), where=gentle & (sideways != 0))
        run[active] += np.where(stays, further, share * further)
        aside_before[active] = aside
        active = active[stays]
        if active.size == 0:
            break
    return run


def _corner_chainages(steps: FloatArray, ends: FloatArray, window_m: float) -> FloatArray:
    """Return the chainages, sorted, of vertices at which the wire bends like a corner."""
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    bend = np.degrees((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    at, total = ends[:-1], ends[-1]
    around = np.concatenate([at - total, at, at + total])
    summed = np.concatenate([[0.0], np.cumsum(np.tile(bend, 3))])
    first = np.searchsorted(around, at - window_m / 2, side="left")
    last = np.searchsorted(around, at + window_m / 2, side="right")
    sharp = np.maximum(np.abs(bend), np.abs(summed[last] - summed[first])) > CORNER_MIN_DEG
    return np.asarray(at[sharp & (bend != 0)], dtype=np.float64)


def _ring_distance_m(chainage: FloatArray, marks: FloatArray, total_m: float) -> FloatArray:
    """Return the distance along a ring to the nearest of some sorted marks; inf without any."""
    if marks.size == 0:
        return np.full(len(chainage), np.inf)
    around = np.concatenate([[marks[-1] - total_m], marks, [marks[0] + total_m]])
    after = np.clip(np.searchsorted(around, chainage), 1, len(around) - 1)
    return np.asarray(np.minimum(around[after] - chainage, chainage - around[after - 1]))
