"""The random path itself: straight runs inside the wire, a turn by chance at the wire, and what the cut reaches.

Many departures are driven at once: every step casts one ray per departure against every edge of the ground. What the
cut reaches is sampled at the centres of a regular grid, so that shares of cells are estimates of shares of area.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import ceil, pi

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError
from lawngis.geometry.polygons import oriented, polygon_parts

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.int64]

PULL_BACK_M = 1e-3
"""The mower stops this far before the wire [m]: the next ray starts strictly inside, so no rounding lets it out."""

STEPS_MAX = 200_000
"""More straight runs than any departure can have; a guard against ground that is all corner."""

RAYS_TIMES_WALLS = 30_000
"""Rays cast in one go, times the walls that they are tried against; as below."""

TURNS_AT_ONCE = 64
"""Turns by chance drawn in one go."""

COLUMNS_AT_ONCE = 50_000
"""Lines of cells tested in one go: enough for numpy to be quick, few enough to stay in the processor's cache."""


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

    @property
    def turns(self) -> IntArray:
        """Turns of each departure, shape (departures,)."""
        return np.asarray(np.maximum((self.run_lengths_m > 0).sum(axis=0) - 1, 0))


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
    walls = _Walls.around(ground)
    heading, turns = _headings(np.random.default_rng(seed), len(starts), np.radians(turn_limit_deg))
    place = starts[:, 0] + 1j * starts[:, 1]
    corners, driven = [place], np.zeros(len(starts))
    while len(starts) and driven.min() < length_m:
        if len(corners) > STEPS_MAX:
            raise ParameterError(f"{STEPS_MAX} runs do not add up to {length_m} m: the ground is all corner")
        away, wall = walls.hit(place, heading)
        run = np.minimum(np.maximum(away - PULL_BACK_M, away / 2), np.maximum(length_m - driven, 0.0))
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
    real
        Shape (n - 1,): False where a wall would lead from one ring to the next.
    """

    corners: ComplexArray
    inward: ComplexArray
    real: NDArray[np.bool_]

    @classmethod
    def around(cls, ground: Polygon | MultiPolygon) -> _Walls:
        parts = [oriented(part) for part in polygon_parts(ground)]
        rings = [shapely.get_coordinates(ring) for part in parts for ring in (part.exterior, *part.interiors)]
        xy = np.concatenate(rings)
        corners = xy[:, 0] + 1j * xy[:, 1]
        along = np.diff(corners)
        real = np.ones(len(along), dtype=bool)
        real[np.cumsum([len(ring) for ring in rings])[:-1] - 1] = False
        return cls(corners, 1j * np.exp(1j * np.angle(along)), real)

    def hit(self, place: ComplexArray, heading: ComplexArray) -> tuple[FloatArray, IntArray]:
        """Return the distance to the first wall ahead [m] and its index, one ray per place.

        A ray leaves through a wall whose first corner lies on its right and whose second does not. A corner on the
        ray belongs to exactly one side, so that no ray slips out between two walls.
        """
        block = max(1, RAYS_TIMES_WALLS // len(self.inward))
        if len(place) <= block:
            return self._hit(place, heading)
        away, wall = np.zeros(len(place)), np.zeros(len(place), dtype=np.int64)
        for first in range(0, len(place), block):
            rays = slice(first, first + block)
            away[rays], wall[rays] = self._hit(place[rays], heading[rays])
        return away, wall

    def _hit(self, place: ComplexArray, heading: ComplexArray) -> tuple[FloatArray, IntArray]:
        # Turned by its heading, a ray sees the corners ahead (real part) and to its left (imaginary part).
        seen = np.subtract.outer(-place, -self.corners) * heading.conj()[:, None]
        right = seen.imag < 0
        ray, wall = np.divmod(np.flatnonzero(right[:, :-1] > right[:, 1:]), len(self.inward))
        one, two = seen[ray, wall], seen[ray, wall + 1]
        distance = one.real + (two.real - one.real) * (one.imag / (one.imag - two.imag))
        met = self.real[wall] & (distance > 0)
        return _first_of_each(ray[met], distance[met], wall[met], len(place))


def _first_of_each(ray: IntArray, distance: FloatArray, wall: IntArray, rays: int) -> tuple[FloatArray, IntArray]:
    """Return the least distance of each ray and its wall; a ray that meets none stays where it is and turns again."""
    nearest, first = np.zeros(rays), np.zeros(rays, dtype=np.int64)
    order = np.argsort(-distance)
    nearest[ray[order]], first[ray[order]] = distance[order], wall[order]
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
    first = np.full(departures * cells.count, np.inf, dtype=np.float32)
    for departure, cell, driven in _marks(paths, cells, cutting_width_m / 2):
        # The runs of a departure follow one another: written backwards, what stays is the first of them.
        place = (departure * cells.count + cell)[::-1]
        first[place] = np.minimum(first[place], driven[::-1])
    return Reach(cells, first.reshape(departures, cells.count), paths.length_m)


def _marks(paths: Paths, cells: Cells, radius_m: float) -> Iterator[tuple[IntArray, IntArray, FloatArray]]:
    """Yield (departure, cell, driven) of every cell under every straight run, some runs at a time."""
    lengths = paths.run_lengths_m
    step, departure = np.nonzero(lengths > 0)
    before = (np.cumsum(lengths, axis=0) - lengths)[step, departure]
    # In cells, whole numbers being centres: x to the right, y down.
    scale = np.array([cells.size_m, -cells.size_m])
    start = (paths.xy[step, departure] - [cells.left_m, cells.top_m]) / scale - 0.5
    delta = (paths.xy[step + 1, departure] - paths.xy[step, departure]) / scale
    columns = np.cumsum(np.abs(delta).max(axis=1) + 2 * radius_m / cells.size_m + 2)
    chunks = np.split(
        np.arange(len(step)), np.searchsorted(columns, np.arange(COLUMNS_AT_ONCE, columns[-1:].sum(), COLUMNS_AT_ONCE))
    )
    for chunk in chunks:
        for own, cell, along in _marks_of(start[chunk], delta[chunk], radius_m / cells.size_m, cells.number):
            run = chunk[own]
            yield departure[run], cell, before[run] + along * cells.size_m


def _marks_of(
    start: FloatArray, delta: FloatArray, radius: float, number: IntArray
) -> Iterator[tuple[IntArray, IntArray, FloatArray]]:
    """Yield (run, cell, how far along the run) of the cells within a radius of straight runs, everything in cells.

    Along the longer of its two extents a run crosses one line of centres after the other; on each, the few centres
    that lie in its swath are tested. Each time the runs come in their order.
    """
    length = np.hypot(delta[:, 0], delta[:, 1])
    steep = np.abs(delta[:, 1]) > np.abs(delta[:, 0])
    major, minor = np.where(steep, start.T[::-1], start.T)
    d_major, d_minor = np.where(steep, delta.T[::-1], delta.T)
    first = np.ceil(np.minimum(major, major + d_major) - radius)
    count = (np.floor(np.maximum(major, major + d_major) + radius) - first + 1).astype(np.int64)
    run = np.repeat(np.arange(len(start)), count)
    line = first[run] + np.arange(len(run)) - np.repeat(np.cumsum(count) - count, count)
    slope, reach = d_minor / d_major, radius * length / np.abs(d_major)
    middle, either = (minor - slope * major)[run] + slope[run] * line, reach[run]
    lowest, highest = np.ceil(middle - either), middle + either
    # Turned by a run's heading, a centre lies so far along it (real part) and so far aside (imaginary part).
    origin, back = start @ [1, 1j], (delta @ [1, -1j]) / length
    for offset in range(int(2 * radius * np.sqrt(2)) + 1):
        column = np.flatnonzero(lowest + offset <= highest)
        own, lines, others = run[column], line[column], lowest[column] + offset
        col, row = np.where(steep[own], others, lines), np.where(steep[own], lines, others)
        seen = (col + 1j * row - origin[own]) * back[own]
        along = np.clip(seen.real, 0.0, length[own])
        near = (seen.real - along) ** 2 + seen.imag**2 <= radius**2
        near &= (col >= 0) & (col < number.shape[1]) & (row >= 0) & (row < number.shape[0])
        cell = np.full(len(column), -1)
        cell[near] = number[row[near].astype(np.int64), col[near].astype(np.int64)]
        held = cell >= 0
        yield own[held], cell[held], along[held]


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
