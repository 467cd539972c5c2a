"""The random path itself: straight runs inside the wire, a turn by chance at the wire, and what the cut reaches.

Many departures are driven at once: every step casts one ray per departure against every edge of the ground. What the
cut reaches is sampled at the centres of a regular grid, so that shares of cells are estimates of shares of area.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import ceil, pi
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import ParameterError
from lawngis.geometry.polygons import oriented, polygon_parts

ComplexArray = NDArray[np.complex128]

PULL_BACK_M = 1e-3
"""The mower stops this far before the wire [m]: the next ray starts strictly inside, so no rounding lets it out."""

STEPS_MAX = 200_000
"""More straight runs than any departure can have; a guard against ground that is all corner."""

RAYS_TIMES_WALLS = 30_000
"""Rays cast in one go, times the walls that they are tried against; as below."""

TURNS_AT_ONCE = 64
"""Turns by chance drawn in one go."""

LINES_AT_ONCE = 16_000
"""Lines of cells tested in one go: enough for numpy to be quick, few enough to stay in the processor's cache and for
memory to be used again rather than fetched anew."""

_ZERO = np.zeros(())
"""Small arrays are compared with this sooner than with a plain 0, of which numpy makes an array first."""


@dataclass(frozen=True, eq=False)
class Paths:
    """Departures driven from a start until a length is used up.

    Parameters
    ----------
    xy
        Corners of the paths, shape (corners, departures, 2) [m]; a path that has ended stays at its end.
    length_m
        Length driven by each [m].
    """

    xy: FloatArray
    length_m: float

    @cached_property
    def run_lengths_m(self) -> FloatArray:
        """Lengths of the straight runs, shape (corners - 1, departures) [m]."""
        along = np.diff(self.xy, axis=0)
        return np.asarray(np.hypot(along[..., 0], along[..., 1]))


@dataclass(frozen=True, eq=False)
class Cells:
    """Sample places in a zone: the centres of a north-up grid that lie inside it.

    Parameters
    ----------
    left_m, top_m
        Corner of the grid [m].
    size_m
        Side of a cell [m].
    number
        Shape (rows, cols): number of the cell, from 0, or -1 outside the zone.
    """

    left_m: float
    top_m: float
    size_m: float
    number: IntArray

    @classmethod
    def inside(cls, zone: BaseGeometry, *, size_m: float) -> Cells:
        """Return the cells of a size whose centres lie in a zone."""
        if not size_m > 0:
            raise ParameterError(f"a cell size of {size_m} m is not above zero")
        min_x, min_y, max_x, max_y = (0.0, 0.0, 0.0, 0.0) if zone.is_empty else zone.bounds
        cols, rows = max(1, ceil((max_x - min_x) / size_m)), max(1, ceil((max_y - min_y) / size_m))
        x, y = min_x + (np.arange(cols) + 0.5) * size_m, max_y - (np.arange(rows) + 0.5) * size_m
        shapely.prepare(zone)
        held = shapely.contains_xy(zone, *np.meshgrid(x, y))
        return cls(min_x, max_y, size_m, np.where(held, np.cumsum(held).reshape(held.shape) - 1, -1))

    @property
    def count(self) -> int:
        """How many cells lie in the zone."""
        return int(self.number.max()) + 1

    @cached_property
    def xy(self) -> FloatArray:
        """Centres of the cells, shape (count, 2) [m]."""
        rows, cols = np.nonzero(self.number >= 0)
        return np.column_stack([self.left_m + (cols + 0.5) * self.size_m, self.top_m - (rows + 0.5) * self.size_m])

    def raster(self, values: ArrayLike) -> FloatArray:
        """Return values of the cells as rows and columns, NaN outside the zone."""
        out = np.full(self.number.shape, np.nan)
        out[self.number >= 0] = values
        return out


@dataclass(frozen=True, eq=False)
class Reach:
    """When each departure first cut each cell.

    Parameters
    ----------
    cells
        The sample places.
    first_m
        Length driven before the cut first passed, shape (departures, cells) [m]; inf where it never did.
    length_m
        Length of a departure [m].
    """

    cells: Cells
    first_m: NDArray[np.float32]
    length_m: float

    @property
    def departures(self) -> int:
        """How many departures were simulated."""
        return int(self.first_m.shape[0])

    def missed(self, driven_m: float) -> FloatArray:
        """Return the chance that a cell is still uncut after a length driven in departures of this kind.

        Parameters
        ----------
        driven_m
            Length driven, over as many departures as it takes [m].

        Returns
        -------
        ndarray
            Shape (cells,), 0 to 1.

        Notes
        -----
        Departures are independent of each other, so of n simulated ones, r of which reach a cell, j drawn without
        return all miss it with the chance C(n - r, j) / C(n, j): an unbiased estimate for j ≤ n. For more departures
        than were simulated it is (1 - r / n)ʲ. The part of a departure at the end counts as one more.
        """
        if not driven_m >= 0:
            raise ParameterError(f"a length of {driven_m} m can't be driven")
        whole, rest_m = divmod(driven_m, self.length_m)
        reached = np.isfinite(self.first_m).sum(axis=0).astype(np.float64)
        chance = _all_missed(reached, self.departures, int(whole))
        if rest_m > 0:
            chance = chance * (1 - (self.first_m <= rest_m).mean(axis=0))
        return chance

    def share_mown(self, driven_m: ArrayLike) -> FloatArray:
        """Return the share of the zone that is cut at least once after lengths driven, 0 to 1."""
        lengths = np.asarray(driven_m, dtype=np.float64)
        if self.cells.count == 0:
            return np.zeros(lengths.shape)
        shares = [1 - self.missed(float(length)).mean() for length in lengths.ravel()]
        return np.asarray(shares).reshape(lengths.shape)


def turning_ground(zone: BaseGeometry, *, cutting_width_m: float) -> list[Polygon]:
    """Return where the middle of the mower goes: the zone without half a cut along its edge, largest part first.

    A wire is laid so that the cut just reaches the edge before the mower turns. Empty when the zone is narrower than
    the cut.
    """
    _check_positive("cutting width", cutting_width_m)
    inner = shapely.buffer(zone, -cutting_width_m / 2, quad_segs=4)
    # Corners closer together than a blade is wide only slow the rays down.
    parts = polygon_parts(shapely.simplify(inner, min(0.02, cutting_width_m / 8)))
    return sorted((part for part in parts if part.area > 0), key=lambda part: -part.area)


def bounced(
    ground: Polygon | MultiPolygon, starts_xy: ArrayLike, *, length_m: float, seed: int, turn_limit_deg: float = 90.0
) -> Paths:
    """Return random paths: straight until the wire, there a turn to any direction back inside.

    ::

        +--------------*---+        * turn: new heading = inward normal ± up to turn_limit_deg,
        |            .' `. |            evenly spread
        |  start o--'     `*
        +------------------+

    Parameters
    ----------
    ground
        Where the middle of the mower goes, from :func:`turning_ground`; islands are holes.
    starts_xy
        Where each departure starts, shape (n, 2), inside the ground [m].
    length_m
        Length that each departure drives [m].
    seed
        The same seed gives the same paths.
    turn_limit_deg
        Farthest from the inward normal that a turn may end [degrees].

    Raises
    ------
    ParameterError
        When the ground is empty, a start is not inside, or the numbers make no path.

    References
    ----------
    Turning by chance at the wire is common practice of mowers without a map, no source.
    """
    starts = np.asarray(starts_xy, dtype=np.float64).reshape(-1, 2)
    _check_positive("length driven", length_m)
    if not 0 < turn_limit_deg <= 90:
        raise ParameterError(f"turns of up to {turn_limit_deg} degrees from the normal do not lead back inside")
    if ground.is_empty or not shapely.contains_xy(ground, starts).all():
        raise ParameterError("departures must start inside the ground that they mow")
    walls = _Walls.around(ground, len(starts))
    heading, turns = _headings(np.random.default_rng(seed), len(starts), np.radians(turn_limit_deg))
    place = starts[:, 0] + 1j * starts[:, 1]
    corners, driven = [place], np.zeros(len(starts))
    # Steps are many and short: numpy takes an array, a value for each departure, sooner than a number.
    length, pull_back, half, none = np.repeat([[length_m], [PULL_BACK_M], [0.5], [0.0]], len(starts), axis=1)
    while len(starts) and driven.min() < length_m:
        if len(corners) > STEPS_MAX:
            raise ParameterError(f"{STEPS_MAX} runs do not add up to {length_m} m: the ground is all corner")
        away, wall = walls.hit(place, heading)
        run = np.minimum(np.maximum(away - pull_back, away * half), np.maximum(length - driven, none))
        place = place + run * heading
        driven += run
        corners.append(place)
        heading = walls.inward[wall] * next(turns)
    xy = np.stack(corners)
    return Paths(np.stack([xy.real, xy.imag], axis=2), float(length_m))


def _headings(rng: np.random.Generator, departures: int, limit: float) -> tuple[ComplexArray, Iterator[ComplexArray]]:
    """Return headings to set out with, and turns of up to a limit either way [rad], as complex numbers of length 1."""

    def turns() -> Iterator[ComplexArray]:
        while True:
            yield from np.exp(1j * limit * rng.uniform(-1, 1, (TURNS_AT_ONCE, departures)))

    return np.exp(1j * rng.uniform(-pi, pi, departures)), turns()


@dataclass(frozen=True, eq=False)
class _Walls:
    """Edges of the ground, one ring after the other, the inside on their left; places are complex, x + iy.

    Parameters
    ----------
    corners
        Shape (n,): every corner, rings closed.
    inward
        Shape (n - 1,): the inward normal, of length 1, of the wall from each corner to the next.
    rays
        How many rays are cast in one go.
    ray, wall, real
        Shape (rays × n,), for each ray every corner in turn: which ray, which corner, and whether a wall leads from
        it; none does from a ring to the next.
    """

    corners: ComplexArray
    inward: ComplexArray
    rays: int
    ray: IntArray
    wall: IntArray
    real: NDArray[np.bool_]

    @classmethod
    def around(cls, ground: Polygon | MultiPolygon, rays: int) -> _Walls:
        parts = [oriented(part) for part in polygon_parts(ground)]
        rings = [shapely.get_coordinates(ring) for part in parts for ring in (part.exterior, *part.interiors)]
        xy = np.concatenate(rings)
        corners = xy[:, 0] + 1j * xy[:, 1]
        real = np.ones(len(corners), dtype=bool)
        real[np.cumsum([len(ring) for ring in rings]) - 1] = False
        block = min(rays, max(1, RAYS_TIMES_WALLS // len(corners)))
        ray, wall = np.divmod(np.arange(block * len(corners)), len(corners))
        return cls(corners, 1j * np.exp(1j * np.angle(np.diff(corners))), block, ray, wall, np.tile(real, block))

    def hit(self, place: ComplexArray, heading: ComplexArray) -> tuple[FloatArray, IntArray]:
        """Return the distance to the first wall ahead [m] and its index, one ray per place.

        A ray leaves through a wall whose first corner lies on its right and whose second does not. A corner on the
        ray belongs to exactly one side, so that no ray slips out between two walls.
        """
        if len(place) <= self.rays:
            return self._hit(place, heading)
        away, wall = np.zeros(len(place)), np.zeros(len(place), dtype=np.int64)
        for first in range(0, len(place), self.rays):
            rays = slice(first, first + self.rays)
            away[rays], wall[rays] = self._hit(place[rays], heading[rays])
        return away, wall

    def _hit(self, place: ComplexArray, heading: ComplexArray) -> tuple[FloatArray, IntArray]:
        # Turned by its heading, a ray sees the corners ahead (real part) and to its left (imaginary part).
        seen = ((self.corners - place[:, None]) * heading.conj()[:, None]).ravel()
        right = seen.imag < _ZERO
        at = (right[:-1] > right[1:]).nonzero()[0]
        one, two = seen[at], seen[at + 1]
        distance = one.real + (two.real - one.real) * (one.imag / (one.imag - two.imag))
        met = (self.real[at] & (distance > _ZERO)).nonzero()[0]
        distance, at = distance[met], at[met]
        return _first_of_each(self.ray[at], distance, self.wall[at], len(place))


def _first_of_each(ray: IntArray, distance: FloatArray, wall: IntArray, rays: int) -> tuple[FloatArray, IntArray]:
    """Return the least distance of each ray and its wall; a ray that meets none stays where it is and turns again."""
    nearest, first = np.zeros(rays), np.zeros(rays, dtype=np.int64)
    order = (-distance).argsort()
    ray = ray[order]
    nearest[ray], first[ray] = distance[order], wall[order]
    return nearest, first


def reached(paths: Paths, cells: Cells, *, cutting_width_m: float) -> Reach:
    """Return when each departure first cut each cell.

    Parameters
    ----------
    paths
        From :func:`bounced`.
    cells
        Sample places.
    cutting_width_m
        Width of the cut [m]: a cell is cut when its centre comes within half of it.
    """
    _check_positive("cutting width", cutting_width_m)
    _, departures = paths.run_lengths_m.shape
    # One more than there are cells: what is marked outside of them falls there.
    first = np.full((departures, cells.count + 1), np.inf, dtype=np.float32)
    for slot, driven in _marks(paths, cells, cutting_width_m / 2):
        np.minimum.at(first.ravel(), slot, driven.astype(np.float32))
    return Reach(cells, first[:, :-1], paths.length_m)


def _marks(paths: Paths, cells: Cells, radius_m: float) -> Iterator[tuple[IntArray, FloatArray]]:
    """Yield (slot, driven) of every cell under every straight run, some runs at a time.

    Each departure has a slot for each cell, and a last one for the ground outside.
    """
    runs = _runs(paths, cells)
    number = np.pad(np.where(cells.number < 0, cells.count, cells.number), 1, constant_values=cells.count)
    steep = np.abs(runs[3]) > np.abs(runs[2])
    # A steep run is like another one with its axes exchanged.
    for axes, own, numbers in (([0, 1, 2, 3, 4, 5], ~steep, number.T), ([1, 0, 3, 2, 4, 5], steep, number)):
        yield from _marks_of(runs[axes][:, np.flatnonzero(own)], numbers, radius_m / cells.size_m, cells.size_m)


def _runs(paths: Paths, cells: Cells) -> FloatArray:
    """Return the straight runs, shape (6, runs): start and extent in x and y, length driven before, first slot.

    Places are in cells, whole numbers being centres: x to the right, y down. Lengths driven are in metres.
    """
    lengths = paths.run_lengths_m
    step, departure = np.nonzero(lengths > 0)
    before = (np.cumsum(lengths, axis=0) - lengths)[step, departure]
    scale = np.array([cells.size_m, -cells.size_m])
    here, there = paths.xy[step, departure], paths.xy[step + 1, departure]
    start, extent = (here - [cells.left_m, cells.top_m]) / scale - 0.5, (there - here) / scale
    return np.vstack([start.T, extent.T, before, departure * (cells.count + 1)])


def _marks_of(
    runs: FloatArray, number: IntArray, radius: float, size_m: float
) -> Iterator[tuple[IntArray, FloatArray]]:
    """Yield (slot, driven) of the cells within a radius of straight runs.

    Along its first axis a run crosses one line of centres after the other; on each lie few centres in its swath.

    Parameters
    ----------
    runs
        From :func:`_runs`, none of them longer along its second axis than along its first.
    number
        Numbers of the cells along these axes, with one more cell all around.
    radius
        In cells.
    size_m
        Of a cell [m].
    """
    width, numbers = number.shape[1], number.ravel()
    for line, major, minor, cosine, sine, length, before, slot in _crossings(runs, radius, number.shape[0] - 2):
        crossed = (line - major) / cosine
        middle, reach = minor + crossed * sine, radius / np.abs(cosine)
        lowest = np.ceil(middle - reach)
        for offset in range(int(2 * radius * np.sqrt(2)) + 1):
            other = lowest + offset
            aside = other - middle
            along = crossed + aside * sine
            inside = np.minimum(np.maximum(along, 0.0), length)
            near = aside <= reach
            # Around its ends a run's swath is round.
            end = np.flatnonzero(near & (along != inside))
            near[end] = (along[end] - inside[end]) ** 2 + (aside[end] * cosine[end]) ** 2 <= radius**2
            at = np.flatnonzero(near)
            place = (line[at] + 1) * width + np.minimum(np.maximum(other[at], -1.0), width - 2.0) + 1
            yield slot[at] + numbers[place.astype(np.int64)], before[at] + inside[at] * size_m


def _crossings(runs: FloatArray, radius: float, lines: int) -> Iterator[tuple[NDArray[Any], ...]]:
    """Yield where runs come within a radius of lines of centres across their first axis, some runs at a time.

    For each crossing the line; of its run the start on either axis, cosine and sine of its heading, its length, what
    was driven before, and the slot.
    """
    major, minor, d_major, d_minor, before, slot = runs
    length = np.hypot(d_major, d_minor)
    first = np.maximum(np.ceil(np.minimum(major, major + d_major) - radius), 0)
    last = np.minimum(np.floor(np.maximum(major, major + d_major) + radius), lines - 1)
    count = np.maximum(last - first + 1, 0).astype(np.int64)
    end = np.cumsum(count)
    each = (major, minor, d_major / length, d_minor / length, length, before, slot.astype(np.int64))
    cuts = np.searchsorted(end, np.arange(LINES_AT_ONCE, end[-1:].sum(), LINES_AT_ONCE))
    for own in map(slice, [0, *cuts], [*cuts, len(end)]):
        skipped = np.cumsum(count[own]) - count[own]
        line = np.arange(count[own].sum()) + np.repeat(first[own] - skipped, count[own])
        yield line, *(np.repeat(values[own], count[own]) for values in each)


def _all_missed(reached: FloatArray, departures: int, drawn: int) -> FloatArray:
    """Return the chance that all of `drawn` departures miss what `reached` of the simulated ones reach."""
    missing = departures - reached
    if drawn > departures:
        return np.asarray((missing / departures) ** drawn)
    possible = missing >= drawn
    kept = np.where(possible, missing, drawn)
    logs = gammaln(kept + 1) - gammaln(kept - drawn + 1) - gammaln(departures + 1) + gammaln(departures - drawn + 1)
    return np.where(possible, np.exp(logs), 0.0)


def _check_positive(name: str, value: float) -> None:
    if not (value > 0 and np.isfinite(value)):
        raise ParameterError(f"{name} must be above zero, not {value}")
