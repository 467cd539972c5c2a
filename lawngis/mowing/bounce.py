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
IntArray = NDArray[np.int64]

PULL_BACK_M = 1e-3
"""The mower stops this far before the wire [m]: the next ray starts strictly inside, so no rounding lets it out."""

STEPS_MAX = 200_000
"""More straight runs than any departure can have; a guard against ground that is all corner."""

RAYS_TIMES_WALLS = 30_000
"""Rays cast in one go, times the walls that they are tried against; as below."""

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
    rng = np.random.default_rng(seed)
    walls = _Walls.around(ground)
    heading = rng.uniform(-pi, pi, len(starts))
    corners, driven, place = [starts], np.zeros(len(starts)), starts
    while len(starts) and driven.min() < length_m:
        if len(corners) > STEPS_MAX:
            raise ParameterError(f"{STEPS_MAX} runs do not add up to {length_m} m: the ground is all corner")
        direction = np.column_stack([np.cos(heading), np.sin(heading)])
        away, wall = walls.hit(place, direction)
        run = np.minimum(np.maximum(away - PULL_BACK_M, away / 2), np.maximum(length_m - driven, 0.0))
        place = place + run[:, None] * direction
        driven += run
        corners.append(place)
        heading = walls.inward[wall] + rng.uniform(-1, 1, len(starts)) * np.radians(turn_limit_deg)
    return Paths(np.stack(corners), float(length_m))


@dataclass(frozen=True, eq=False)
class _Walls:
    """Edges of the ground, one ring after the other, the inside on their left.

    Parameters
    ----------
    corners
        Shape (3, n): x, y and 1 of every corner, rings closed.
    inward
        Shape (n - 1,): direction of the inward normal of the wall from each corner to the next [rad].
    real
        Shape (n - 1,): False where a wall would lead from one ring to the next.
    """

    corners: FloatArray
    inward: FloatArray
    real: NDArray[np.bool_]

    @classmethod
    def around(cls, ground: Polygon | MultiPolygon) -> _Walls:
        parts = [oriented(part) for part in polygon_parts(ground)]
        rings = [shapely.get_coordinates(ring) for part in parts for ring in (part.exterior, *part.interiors)]
        xy = np.concatenate(rings)
        along = np.diff(xy, axis=0)
        real = np.ones(len(along), dtype=bool)
        real[np.cumsum([len(ring) for ring in rings])[:-1] - 1] = False
        return cls(np.vstack([xy.T, np.ones(len(xy))]), np.arctan2(along[:, 0], -along[:, 1]), real)

    def hit(self, place: FloatArray, direction: FloatArray) -> tuple[FloatArray, IntArray]:
        """Return the distance to the first wall ahead [m] and its index, one ray per row.

        A ray leaves through a wall whose first corner lies on its right and whose second does not. A corner on the
        ray belongs to exactly one side, so that no ray slips out between two walls.
        """
        away, wall = np.zeros(len(place)), np.zeros(len(place), dtype=np.int64)
        block = max(1, RAYS_TIMES_WALLS // len(self.inward))
        for first in range(0, len(place), block):
            rays = slice(first, first + block)
            away[rays], wall[rays] = self._hit(place[rays], direction[rays])
        return away, wall

    def _hit(self, place: FloatArray, direction: FloatArray) -> tuple[FloatArray, IntArray]:
        x, y, dx, dy = place[:, 0], place[:, 1], direction[:, 0], direction[:, 1]
        left = np.stack([-dy, dx, dy * x - dx * y], axis=1) @ self.corners
        right = left < 0
        ray, wall = np.divmod(np.flatnonzero(right[:, :-1] > right[:, 1:]), len(self.inward))
        one, two = left[ray, wall], left[ray, wall + 1]
        share = one / (one - two)
        start, end = self.corners[:2, wall], self.corners[:2, wall + 1]
        ahead = ((start + (end - start) * share).T - place[ray]) * direction[ray]
        distance = ahead.sum(axis=1)
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
        np.minimum.at(first, departure * cells.count + cell, driven)
    return Reach(cells, first.reshape(departures, cells.count), paths.length_m)


@dataclass(frozen=True, eq=False)
class _Marks:
    """Cells that straight runs cut: which run, which cell, and how far along the run [cells]."""

    run: IntArray
    cell: IntArray
    along: FloatArray


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
        marks = _marks_of(start[chunk], delta[chunk], radius_m / cells.size_m, cells.number)
        run = chunk[marks.run]
        yield departure[run], marks.cell, before[run] + marks.along * cells.size_m


def _marks_of(start: FloatArray, delta: FloatArray, radius: float, number: IntArray) -> _Marks:
    """Return the cells within a radius of straight runs, everything in cells.

    Along the longer of its two extents a run crosses one line of centres after the other; on each, the few centres
    that can be near enough are tested.
    """
    length = np.hypot(delta[:, 0], delta[:, 1])
    steep = np.abs(delta[:, 1]) > np.abs(delta[:, 0])
    major, minor = (np.where(steep, a, b) for a, b in ((start[:, 1], start[:, 0]), (start[:, 0], start[:, 1])))
    d_major, d_minor = (np.where(steep, a, b) for a, b in ((delta[:, 1], delta[:, 0]), (delta[:, 0], delta[:, 1])))
    first = np.ceil(np.minimum(major, major + d_major) - radius)
    count = (np.floor(np.maximum(major, major + d_major) + radius) - first + 1).astype(np.int64)
    run = np.repeat(np.arange(len(start)), count)
    line = first[run] + np.arange(len(run)) - np.repeat(np.cumsum(count) - count, count)
    ahead = line - major[run]
    u_major, u_minor = (d_major / length)[run], (d_minor / length)[run]
    reach = (radius * length / np.abs(d_major))[run]
    lowest = np.ceil(minor[run] + ahead * u_minor / u_major - reach)
    upright, far = steep[run], length[run]
    found = []
    for offset in range(int(2 * radius * np.sqrt(2)) + 1):
        other = lowest + offset
        aside = other - minor[run]
        along = np.clip(ahead * u_major + aside * u_minor, 0.0, far)
        near = (ahead - along * u_major) ** 2 + (aside - along * u_minor) ** 2 <= radius**2
        col = np.where(upright, other, line)[near].astype(np.int64)
        row = np.where(upright, line, other)[near].astype(np.int64)
        inside = (col >= 0) & (col < number.shape[1]) & (row >= 0) & (row < number.shape[0])
        cell = number[row[inside], col[inside]]
        held = cell >= 0
        found.append((run[near][inside][held], cell[held], along[near][inside][held]))
    return _Marks(*(np.concatenate(column) for column in zip(*found, strict=True)))


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
