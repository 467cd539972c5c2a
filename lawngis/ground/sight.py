"""Sight lines over a surface of heights: what stands between two points, and what can be seen from a street.

A surface gives one height per cell, so whatever stands on the ground is solid from its top down: one can't
look, nor can the sun shine, beneath a crown. Between cell centres the surface is linear. Heights are metres
in the vertical datum of the elevation model; places are metres of the measuring frame, whose north is true
north.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.errors import FeatureError, ParameterError, RasterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid, values_at

GRAZING = 1e-9
"""A ray that the surface tops by no more than this slope [m/m] passes: noise of arithmetic on even slopes."""

NEAREST_SAMPLE_CELLS = 0.5
"""Nearer than this to either end of a ray the surface does not count [cells]: it's the cell one stands on."""

HALF_DIAGONAL_CELLS = 0.5**0.5 + 1e-9
"""From a cell's centre to its corners [cells]; no line slips through between cells so near to it."""

BLOCK_CELLS = 8
"""Side of the blocks whose highest cell is looked up, to see if a piece of ray can matter [cells]; a power of 2."""

BATCH_STEPS = BLOCK_CELLS - 1
"""Steps of a march between such looks: with the cell beyond the last, what they read lies in one block."""

LOOK_AHEAD_CELLS = (64, 32, 16, 8)
"""Sides of the blocks in which it is looked up how far along a ray anything can matter [cells]; powers of 2."""

CENTRES_AT_ONCE = 500_000
"""Cells' centres for which it is worked out at once on which thing they lie."""

CHUNK_RAYS = 16384
"""Rays marched at once, so that their state stays in the processor's cache."""

ANSWERED_SHARE = 8
"""Rays that are answered leave the march when they are more than one in so many."""


@dataclass(frozen=True, eq=False)
class Surface:
    """Heights of a raster, placed in the measuring frame by an affine map.

    Parameters
    ----------
    heights_m
        Shape (rows, cols), both at least 2, all finite [m].
    to_cells
        Shape (2, 3): (col, row) = to_cells · (x, y, 1), with cell centres at whole numbers. It holds the
        cells' true ground size, the sense of their rows and the turn between the raster's north and true
        north.
    """

    heights_m: FloatArray
    to_cells: FloatArray

    @classmethod
    def in_frame(cls, grid: Grid, frame: MeasuringFrame) -> Surface:
        """Return a grid's cells as a surface of the frame.

        Cells without data get the lowest height of the grid: nothing is known to stand there.

        Parameters
        ----------
        grid
            Heights in metres, in any CRS, no larger than a site with its neighbourhood.
        frame
            Of the site.

        Raises
        ------
        RasterError
            When the grid has fewer than two rows or columns, or no data at all.

        Notes
        -----
        The map between frame and raster is fitted to nine points of the grid by least squares. Over 300 m it
        is off by 2 cm at most up to 60° of latitude, in the national grids, Web Mercator and
        longitude/latitude.
        """
        rows, cols = grid.shape
        if min(rows, cols) < 2:
            raise RasterError(
                f"sight lines need a surface of 2 × 2 cells or more, but it has {rows} × {cols}",
                advice="Take a larger window of the raster.",
            )
        known = np.isfinite(grid.values)
        if not known.any():
            raise RasterError("the surface has no data here", advice="Check that the raster covers the site.")
        heights = grid.values if known.all() else np.where(known, grid.values, grid.values[known].min())
        return cls(np.ascontiguousarray(heights), _fitted_map(grid, frame))

    @cached_property
    def _padded_m(self) -> FloatArray:
        """Heights with a margin of :data:`BLOCK_CELLS`, as low as the lowest cell, before first row and column [m]."""
        return np.pad(self.heights_m, ((BLOCK_CELLS, 0), (BLOCK_CELLS, 0)), constant_values=self.heights_m.min())

    @cached_property
    def _blocks_m(self) -> FloatArray:
        """Greatest height of the blocks of :data:`BLOCK_CELLS` that begin in each cell, with the same margin [m]."""
        return next(_block_peaks(self._padded_m, 1, (BLOCK_CELLS,)))

    @property
    def cells_per_m(self) -> float:
        """No more cells than this does a metre cross, in rows or columns."""
        return float(np.hypot(*self.to_cells[:, :2].T).max())

    def cells(self, xy: ArrayLike) -> FloatArray:
        """Return where points of the frame, shape (n, 2) [m], are as (col, row), centres at whole numbers."""
        return np.asarray(xy, dtype=np.float64) @ self.to_cells[:, :2].T + self.to_cells[:, 2]

    def holds(self, xy: ArrayLike) -> BoolArray:
        """Return which points of the frame, shape (n, 2) [m], lie on a cell of the surface."""
        cells = self.cells(xy)
        rows, cols = self.heights_m.shape
        return np.asarray(((cells >= -0.5) & (cells <= [cols - 0.5, rows - 0.5])).all(axis=1), dtype=bool)


class _Rays(NamedTuple):
    """Rays as steps from cell line to cell line along the axis on which they advance faster.

    ::

        minor ^        o ray              x: samples, on the centre lines of the major axis,
              |  .   .   x-------.           linear between the two cells beside them
              |  .   x   .   .   .
              |  o   .   .   .   .
              +---------------------> major

    Their figures, shape (p,) each, are rows of two arrays, from which many rays are taken at once:

    whole
        Number, steps, first cell, cells from one step to the next along each axis, first cell of the block.
    real
        Eye [m], slope that is enough, distance of the first sample and between samples [m], place on the minor axis,
        its step, and where the block begins there [cells].
    """

    whole: IntArray
    real: FloatArray

    @property
    def number(self) -> IntArray:
        return self.whole[0]

    @property
    def steps(self) -> IntArray:
        return self.whole[1]

    @property
    def enough(self) -> FloatArray:
        return self.real[1]

    def first(self, count: int) -> _Rays:
        return _Rays(self.whole[:, :count], self.real[:, :count])

    def taken(self, which: IntArray) -> _Rays:
        return _Rays(self.whole.take(which, axis=1), self.real.take(which, axis=1))


def points_above_ground(ground: Grid, frame: MeasuringFrame, xy: ArrayLike, height_m: ArrayLike) -> FloatArray:
    """Return points with their elevation, a given height above the ground.

    Parameters
    ----------
    ground
        Bare ground [m], in any CRS.
    frame
        In which the points are.
    xy
        Shape (n, 2) [m of the frame].
    height_m
        Of the eye, or the thing looked at, above the ground; one number or shape (n,) [m].

    Returns
    -------
    numpy.ndarray
        x, y, elevation, shape (n, 3) [m]; the elevation is NaN where the ground has no data.
    """
    xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    return np.column_stack([xy, values_at(ground, frame, xy) + np.asarray(height_m, dtype=np.float64)])


def surface_from_obstructions(
    ground: Grid,
    frame: MeasuringFrame,
    obstructions: Sequence[BaseGeometry] | NDArray[np.object_],
    heights_m: ArrayLike,
) -> Grid:
    """Return a surface model made of the ground and the things that stand on it, for want of a measured one.

    Buildings are polygons, trees the discs of their crowns (:func:`crown_discs`), fences, walls and hedges
    polygons or lines.

    Parameters
    ----------
    ground
        Bare ground [m], in any CRS.
    frame
        In which the obstructions are.
    obstructions
        Polygons or lines, shape (n,) [m of the frame].
    heights_m
        Height above the ground, one number or shape (n,) [m].

    Returns
    -------
    Grid
        On the cells of `ground`: its elevation plus the height of the tallest obstruction on the cell.

    Raises
    ------
    FeatureError
        When a height is missing, negative or not a number; tells the row.

    Notes
    -----
    A polygon stands on the cells whose centres it holds. What is nowhere wider than a cell (lines as well)
    stands on all cells with their centre within half a cell's diagonal, so that a thin fence has no holes: it
    gets up to 1.4 cells thick, and a line that slants across the cells meets it at half its height or more.
    Roofs and crowns follow the ground beneath them cell by cell.
    """
    shapes = np.asarray(obstructions, dtype=object).reshape(-1)
    heights = np.broadcast_to(np.asarray(heights_m, dtype=np.float64), shapes.shape)
    bad = np.flatnonzero(~(np.isfinite(heights) & (heights >= 0)))
    if len(bad):
        raise FeatureError(
            f"an obstruction's height must be a number of metres of 0 or more, but is {heights[bad[0]]:g}",
            where=f"row {bad[0]}",
            advice="Give it a height, or leave it out.",
        )
    inverse = ~ground.transform

    def to_cells(xy: FloatArray) -> FloatArray:
        x, y = frame.coordinates_in(ground.crs, xy).T
        return np.column_stack([inverse.a * x + inverse.c - 0.5, inverse.e * y + inverse.f - 0.5])

    in_cells = shapely.transform(shapely.force_2d(shapes), to_cells)
    return ground.with_values(ground.values + _standing_m(in_cells, heights, ground.shape))


def crown_discs(trunks_xy: ArrayLike, crown_diameter_m: ArrayLike) -> NDArray[np.object_]:
    """Return the crowns of trees as discs around their trunks.

    Parameters
    ----------
    trunks_xy
        Shape (n, 2) [m of the frame].
    crown_diameter_m
        One number or shape (n,) [m].

    Returns
    -------
    numpy.ndarray
        Polygons of 32 corners, shape (n,) [m of the frame].
    """
    xy = np.asarray(trunks_xy, dtype=np.float64).reshape(-1, 2)
    radius = np.broadcast_to(np.asarray(crown_diameter_m, dtype=np.float64) / 2, (len(xy),))
    return np.asarray(shapely.buffer(shapely.points(xy), radius, quad_segs=8), dtype=object)


def steepest_rise(
    surface: Surface,
    eyes_xyz: ArrayLike,
    headings_deg: ArrayLike,
    *,
    reach_m: ArrayLike = np.inf,
    enough: ArrayLike = np.inf,
) -> FloatArray:
    """Return how steeply one must look up along each ray to see over the surface.

    Parameters
    ----------
    surface
        What can stand in the way.
    eyes_xyz
        Starts of the rays, x, y, elevation, shape (p, 3) [m].
    headings_deg
        Their directions clockwise from true north, shape (p,) [degrees].
    reach_m
        Where they end, one number or shape (p,) [m]. Without it, at the edge of the surface.
    enough
        Slope beyond which the exact answer does not matter, one number or shape (p,) [m/m]: the march stops
        once it is exceeded, or can't be any more. The answer is on the same side of `enough` as the exact
        one.

    Returns
    -------
    numpy.ndarray
        Greatest (height - eye) / distance, shape (p,) [m/m]; -inf where there is no surface along the ray.

    Raises
    ------
    ParameterError
        When an eye has no place or elevation.

    Notes
    -----
    The surface is sampled where the ray crosses the centre lines of the raster's columns or rows, whichever
    it crosses more often, linear between the two cells there. So a thing that covers one cell is met at half
    its height or more, edges are met to half a cell head-on and to two on the slant, and a horizon is uncertain
    by the angle that this makes at its distance. Within half a cell of either end nothing is sampled.

    References
    ----------
    Sampling on the centre lines: common practice in viewshed computation, no source.
    """
    eyes = _finite_xyz(eyes_xyz, "eye")
    columns = (np.asarray(column, dtype=np.float64) for column in (headings_deg, reach_m, enough))
    heading, reach, slope = (np.broadcast_to(column, (len(eyes),)) for column in columns)
    useful_m = np.minimum(_useful_m(surface, eyes[:, 2], slope), reach)
    return _rises(surface, surface.cells(eyes[:, :2]).T, eyes[:, 2], _east_north(heading), useful_m, reach, slope)


def rises_over(surface: Surface, eyes_xyz: ArrayLike, headings_deg: ArrayLike, slopes: ArrayLike) -> BoolArray:
    """Return where the surface rises more steeply than a slope, in each of some directions from each of some places.

    Parameters
    ----------
    surface
        What can stand in the way.
    eyes_xyz
        x, y, elevation of places on the surface, shape (n, 3) [m].
    headings_deg
        Directions clockwise from true north, shape (k,) [degrees].
    slopes
        Above zero, one for each direction, shape (k,) [m/m].

    Returns
    -------
    numpy.ndarray
        Shape (n, k). A ray that just touches the surface passes.

    Raises
    ------
    ParameterError
        When an eye has no place or elevation.

    Notes
    -----
    The same as comparing with :func:`steepest_rise`; what rays of one direction share is worked out once.
    """
    eyes = _finite_xyz(eyes_xyz, "eye")
    slope = np.asarray(slopes, dtype=np.float64)
    east_north = _east_north(np.asarray(headings_deg, dtype=np.float64))
    useful_m = _useful_in_m(surface, eyes, surface.to_cells[:, :2] @ east_north, slope)
    far = np.flatnonzero(useful_m >= NEAREST_SAMPLE_CELLS / surface.cells_per_m)
    direction, eye = np.divmod(far, max(len(eyes), 1))
    at, reach_m = surface.cells(eyes[:, :2]).T[:, eye], np.broadcast_to(np.inf, far.shape)
    enough = slope[direction]
    rise = _rises(surface, at, eyes[eye, 2], east_north[:, direction], useful_m.ravel()[far], reach_m, enough)
    over = np.zeros(useful_m.shape, dtype=bool)
    over.ravel()[far] = rise > enough + GRAZING
    return over.T


def sight_share(
    surface: Surface, candidates_xyz: ArrayLike, street_xyz: ArrayLike, *, reach_m: float = 60.0
) -> FloatArray:
    """Return from which share of the street within reach each candidate can be seen.

    Parameters
    ----------
    surface
        What can stand in the way.
    candidates_xyz
        x, y, elevation of the top of what should not be seen, shape (n, 3) [m].
    street_xyz
        x, y, elevation of eyes on the street, evenly spread (:func:`street_points`), shape (m, 3) [m]. Those
        without elevation are left out.
    reach_m
        How far away somebody on the street still counts [m]; common practice, no source.

    Returns
    -------
    numpy.ndarray
        In 0..1, shape (n,). NaN where it can't be known: no street point within reach, or a candidate without
        elevation.

    Notes
    -----
    The surface counts as :func:`steepest_rise` explains; a line that just touches it is free, and seeing is mutual.
    Beyond the edge of the surface nothing stands in the way. The Earth's curvature (1 cm in 350 m) is left out.
    """
    if not reach_m > 0:
        raise ParameterError(f"reach_m must be greater than 0, but is {reach_m:g}")
    candidates = np.asarray(candidates_xyz, dtype=np.float64).reshape(-1, 3)
    street = np.asarray(street_xyz, dtype=np.float64).reshape(-1, 3)
    street = street[np.isfinite(street).all(axis=1)]
    placed = np.flatnonzero(np.isfinite(candidates).all(axis=1))
    place, _, seen = _visible(surface, candidates[placed], street, reach_m)
    place = placed[place]
    total = np.bincount(place, minlength=len(candidates)).astype(np.float64)
    total[total == 0] = np.nan
    return np.asarray(np.bincount(place, weights=seen, minlength=len(candidates)) / total, dtype=np.float64)


def street_points(streets: Sequence[BaseGeometry] | NDArray[np.object_], *, spacing_m: float = 2.0) -> FloatArray:
    """Return points spread evenly over streets, where somebody may stand and look.

    Parameters
    ----------
    streets
        Lines or polygons, shape (n,) [m of the frame]; clip them to the neighbourhood first.
    spacing_m
        Distance between points along lines, and side of the square lattice over polygons [m].

    Returns
    -------
    numpy.ndarray
        Shape (m, 2) [m]; at least one point for each piece of street, without duplicates.

    Examples
    --------
    >>> from shapely import LineString
    >>> street_points([LineString([(0, 0), (6, 0)])], spacing_m=2)
    array([[1., 0.], [3., 0.], [5., 0.]])
    """
    if not spacing_m > 0:
        raise ParameterError(f"spacing_m must be greater than 0, but is {spacing_m:g}")
    pieces = np.asarray(streets, dtype=object).reshape(-1)
    pieces = shapely.get_parts(shapely.force_2d(pieces[~shapely.is_missing(pieces)]))
    pieces = pieces[~shapely.is_empty(pieces)]
    flat = shapely.get_dimensions(pieces) == 2
    found = [_points_along(line, spacing_m) for line in pieces[~flat]]
    found += [_points_over(polygon, spacing_m) for polygon in pieces[flat]]
    return np.unique(np.concatenate(found), axis=0) if found else np.empty((0, 2))


def _fitted_map(grid: Grid, frame: MeasuringFrame) -> FloatArray:
    """Return the affine map from the frame to cells that fits nine points of a grid best."""
    rows, cols = grid.shape
    thirds = np.meshgrid(np.linspace(0, cols - 1, 3), np.linspace(0, rows - 1, 3))
    col, row = (axis.ravel() for axis in thirds)
    x, y = (
        grid.transform.c + (col + 0.5) * grid.transform.a,
        grid.transform.f + (row + 0.5) * grid.transform.e,
    )
    xy = frame.coordinates_from(grid.crs, np.column_stack([x, y]))
    middle = xy.mean(axis=0)
    known = np.column_stack([xy - middle, np.ones(len(xy))])
    fitted = np.linalg.lstsq(known, np.column_stack([col, row]), rcond=None)[0].T
    fitted[:, 2] -= fitted[:, :2] @ middle
    return np.asarray(fitted, dtype=np.float64)


def _block_peaks(peaks: FloatArray, side: int, sides: Sequence[int]) -> Iterator[FloatArray]:
    """Yield the greatest value of blocks of other sides that begin in each cell, from that of blocks of one side.

    Sides are powers of 2 and rise. Each table holds until the next is asked for.
    """
    here, other = peaks.copy(), np.empty_like(peaks)
    for wanted in sides:
        while side < wanted:
            np.maximum(here[:-side], here[side:], out=other[:-side])
            other[-side:] = here[-side:]
            np.maximum(other[:, :-side], other[:, side:], out=here[:, :-side])
            here[:, -side:] = other[:, -side:]
            side *= 2
        yield here


def _east_north(headings_deg: FloatArray) -> FloatArray:
    angle = np.radians(headings_deg)
    return np.stack([np.sin(angle), np.cos(angle)])


def _rises(
    surface: Surface,
    at: FloatArray,
    eye_m: FloatArray,
    east_north: FloatArray,
    useful_m: FloatArray,
    reach_m: FloatArray,
    enough: FloatArray,
) -> FloatArray:
    """Return the steepest rise along rays, shape (p,).

    They begin at cells (col, row), shape (2, p); their direction is a vector of length 1, shape (2, p).
    """
    rise = np.full(len(eye_m), -np.inf)
    far = np.flatnonzero(useful_m >= NEAREST_SAMPLE_CELLS / surface.cells_per_m)
    for first in range(0, len(far), CHUNK_RAYS):
        part = far[first : first + CHUNK_RAYS]
        ray = (column[..., part] for column in (at, eye_m, east_north, useful_m, reach_m, enough))
        _march(surface, _rays(surface, part, *ray), rise)
    return rise


def _rays(
    surface: Surface,
    numbers: IntArray,
    at: FloatArray,
    eye_m: FloatArray,
    east_north: FloatArray,
    useful_m: FloatArray,
    reach_m: FloatArray,
    enough: FloatArray,
) -> _Rays:
    """Return rays ready to march, the longest first, without those that have nothing to sample."""
    rows, cols = surface.heights_m.shape
    sizes = np.array([cols, rows])
    speed = surface.to_cells[:, :2] @ east_north
    upright = np.abs(speed[1]) > np.abs(speed[0])
    major_at, minor_at = np.where(upright, at[::-1], at)
    major_speed, minor_speed = np.where(upright, speed[::-1], speed)
    major, minor = upright.astype(np.int64), 1 - upright

    back = major_speed < 0
    forward = np.where(back, -1.0, 1.0)
    step_m = 1 / np.abs(major_speed)
    along = forward * major_at
    first_line = np.ceil(along + NEAREST_SAMPLE_CELLS)
    distance_m = (first_line - along) * step_m
    minor_step = minor_speed * step_m
    minor_0 = minor_at + minor_speed * distance_m
    major_0 = forward * first_line

    major_steps = _steps_inside(major_0, forward, sizes[major])
    minor_steps = _steps_inside(minor_0, minor_step, sizes[minor])
    farthest_m = np.minimum(reach_m - NEAREST_SAMPLE_CELLS * step_m, useful_m)
    with np.errstate(over="ignore"):
        reach_steps = np.floor((farthest_m - distance_m) / step_m) + 1
    steps = np.clip(np.minimum(np.minimum(major_steps, minor_steps), reach_steps), 0, sizes.max())

    # Of cells in the padded tables.
    strides = np.array([1, cols + BLOCK_CELLS])
    major_stride, minor_stride = strides[major], strides[minor]
    flat = BLOCK_CELLS * strides.sum() + major_0.astype(np.int64) * major_stride
    flat_step = np.where(back, -major_stride, major_stride)
    # A block begins at the end of the batch on which its cells have the lower numbers.
    last = BATCH_STEPS - 1
    block_flat = np.where(back, flat + last * flat_step, flat) - BLOCK_CELLS * minor_stride
    block_minor = np.where(minor_step < 0, minor_0 + last * minor_step, minor_0) + BLOCK_CELLS
    # Sorting is far quicker by small numbers.
    small = np.int16 if sizes.max() < np.iinfo(np.int16).max else np.int64
    order = np.argsort(-steps.astype(small), kind="stable")[: np.count_nonzero(steps)]
    whole = (numbers, steps.astype(np.int64), flat, flat_step, minor_stride, block_flat)
    real = (eye_m, enough, distance_m, step_m, minor_0, minor_step, block_minor)
    return _Rays(np.stack([row[order] for row in whole]), np.stack([row[order] for row in real]))


def _steps_inside(start: FloatArray, step: FloatArray, size: IntArray) -> FloatArray:
    """Return how many samples from `start` on lie between the first and the last cell centre of an axis."""
    room = np.where(step > 0, size - 1 - start, start)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        steps = np.where(step == 0, np.inf, np.floor(room / np.abs(step)) + 1)
    return np.where((start >= 0) & (start <= size - 1), steps, 0.0)


def _useful_m(surface: Surface, eye_m: FloatArray, enough: FloatArray) -> FloatArray:
    """Return the distance beyond which not even the highest cell rises more steeply than `enough`."""
    above = surface.heights_m.max() - eye_m
    distance = np.full(len(eye_m), np.inf)
    known = np.isfinite(enough)
    upward = (enough > 0) & known
    with np.errstate(over="ignore"):  # a slope next to nothing is met next to nowhere
        distance[upward] = np.maximum(above[upward], 0.0) / enough[upward]
    distance[(enough >= 0) & (above <= 0) & known] = 0.0
    return distance


def _useful_in_m(surface: Surface, eyes: FloatArray, speed: FloatArray, slopes: FloatArray) -> FloatArray:
    """Return the same for all of some directions from each place on the surface, shape (k, n) [m].

    Near ends are found by the highest cell of ever smaller blocks ahead, to that side of the place to which a
    direction leads, as long as they hold all that a ray reads up to the end found so far.
    """
    eye_m = eyes[:, 2]
    tops_m = _tops_ahead_m(surface, np.floor(surface.cells(eyes[:, :2])).astype(np.int64))
    distance = np.empty((len(slopes), len(eyes)))
    with np.errstate(over="ignore"):
        for left, down in product((False, True), repeat=2):
            these = np.flatnonzero(((speed[0] < 0) == left) & ((speed[1] < 0) == down))
            slope = slopes[these, None]
            ends = np.maximum(surface.heights_m.max() - eye_m, 0.0) / slope
            for side in LOOK_AHEAD_CELLS if len(these) else ():
                bound = np.maximum(tops_m[side, left, down] - eye_m, 0.0) / slope
                ends = np.where(ends * surface.cells_per_m <= side - 3, np.minimum(ends, bound), ends)
            distance[these] = ends
    return distance


def _tops_ahead_m(surface: Surface, cell: IntArray) -> dict[tuple[int, bool, bool], FloatArray]:
    """Return the greatest height of blocks ahead of cells (col, row), shape (n, 2), to the left or not, down or not.

    The first key is the blocks' side: each of :data:`LOOK_AHEAD_CELLS`.
    """
    sides = sorted(LOOK_AHEAD_CELLS)
    tops_m = {}
    for side, peaks_m in zip(sides, _block_peaks(surface._blocks_m, BLOCK_CELLS, sides), strict=True):
        for left, down in product((False, True), repeat=2):
            first = np.where([left, down], cell + 2 - side, cell)
            col, row = np.maximum(first + BLOCK_CELLS, 0).T
            tops_m[side, left, down] = peaks_m[row, col]
    return tops_m


def _march(surface: Surface, rays: _Rays, rise: FloatArray) -> None:
    """Put the steepest rise of each ray, the longest first, into `rise`."""
    heights, blocks = surface._padded_m.ravel(), surface._blocks_m.ravel()
    for step in range(0, int(rays.steps.max(initial=0)), BATCH_STEPS):
        rays = rays.first(int(np.searchsorted(-rays.steps, -step, side="left")))
        # What is no higher than the answer's slope changes nothing.
        matters = np.where(np.isfinite(rays.enough), rays.enough, rise[rays.number])
        rising = np.flatnonzero(_may_exceed(blocks, rays, step, matters))
        some = rays.taken(rising)
        found = np.maximum(rise[some.number], _highest_rise(heights, some, step))
        rise[some.number] = found
        answered = rising[found > some.enough + GRAZING]
        if len(answered) * ANSWERED_SHARE > len(rays.number):
            rays = rays.taken(np.delete(np.arange(len(rays.number)), answered))


def _may_exceed(blocks: FloatArray, rays: _Rays, step: int, slope: FloatArray) -> BoolArray:
    """Return whether any sample of the batch beginning with a step may rise more steeply than a slope."""
    _, _, _, flat_step, minor_stride, block_flat = rays.whole
    eye_m, _, distance_m, step_m, _, minor_step, block_minor = rays.real
    low = (block_minor + step * minor_step).astype(np.int64)
    highest_m = blocks.take(block_flat + step * flat_step + low * minor_stride)
    nearest_m = distance_m + step * step_m
    # A falling line is lowest at the end of the batch.
    lowest_m = slope * np.where(slope > 0, nearest_m, nearest_m + BATCH_STEPS * step_m)
    return np.asarray(highest_m - eye_m > lowest_m, dtype=bool)


def _highest_rise(heights: FloatArray, rays: _Rays, step: int) -> FloatArray:
    """Return the steepest rise among the samples of the batch beginning with a step."""
    steps = np.minimum(np.arange(step, step + BATCH_STEPS)[:, None], rays.steps - 1)
    _, _, flat, flat_step, minor_stride, _ = rays.whole
    eye_m, _, distance_m, step_m, minor_0, minor_step, _ = rays.real
    minor = minor_0 + steps * minor_step
    low = minor.astype(np.int64)
    cell = flat + steps * flat_step + low * minor_stride
    # Beyond the last cell, which is met with no share of it, there may be none.
    below, above = heights.take(cell), heights.take(cell + minor_stride, mode="clip")
    height = below + (minor - low) * (above - below)
    return np.asarray(((height - eye_m) / (distance_m + steps * step_m)).max(axis=0), dtype=np.float64)


def _visible(
    surface: Surface, here: FloatArray, there: FloatArray, reach_m: float = np.inf
) -> tuple[IntArray, IntArray, BoolArray]:
    """Return pairs of points no farther apart than a reach, as two rows of numbers, and between which the view is free.

    Points are x, y, elevation, shape (n, 3) and (m, 3).
    """
    east, north = (there[:, axis] - here[:, axis, None] for axis in (0, 1))
    away_m = np.hypot(east, north)
    near = np.flatnonzero(away_m <= reach_m)
    first, second = np.divmod(near, max(len(there), 1))
    distance = away_m.ravel()[near]
    slope = np.divide(there[second, 2] - here[first, 2], distance, out=np.zeros(len(near)), where=distance > 0)
    # From a place to itself nothing is sampled, whichever way it is.
    east_north = np.ones((2, len(near)))
    for part, whole in zip(east_north, (east, north), strict=True):
        np.divide(whole.ravel()[near], distance, out=part, where=distance > 0)
    at = surface.cells(here[:, :2]).T[:, first]
    useful_m = _useful_m(surface, here[first, 2], slope)
    rise = _rises(surface, at, here[first, 2], east_north, np.minimum(useful_m, distance), distance, slope)
    return first, second, np.asarray(rise <= slope + GRAZING, dtype=bool)


def _finite_xyz(points: ArrayLike, name: str) -> FloatArray:
    xyz = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    bad = np.flatnonzero(~np.isfinite(xyz).all(axis=1))
    if len(bad):
        raise ParameterError(
            f"{name} {bad[0]} has no elevation or place",
            advice="Leave out points where the ground has no data.",
        )
    return xyz


def _standing_m(shapes: NDArray[np.object_], heights_m: FloatArray, size: tuple[int, int]) -> FloatArray:
    """Return how high things stand on the cells that they take up, shape `size` [m]; 0 where none does.

    Shapes are in units of cells, centres at whole numbers.
    """
    standing = np.zeros(size)
    lowest_first = np.argsort(heights_m, kind="stable")
    shapes, heights_m = shapes[lowest_first], heights_m[lowest_first]
    shapely.prepare(shapes)
    thin = _thin(shapes)
    bounds = np.nan_to_num(shapely.bounds(shapes), nan=-2.0)  # of an empty shape: no cells
    first = np.maximum(np.ceil(bounds[:, :2] - 1), 0).astype(np.int64)
    last = np.minimum(np.floor(bounds[:, 2:] + 1), (size[1] - 1, size[0] - 1)).astype(np.int64)
    spans = np.maximum(last - first + 1, 0)
    counts = spans.prod(axis=1)
    for these in np.split(np.arange(len(shapes)), np.flatnonzero(np.diff(np.cumsum(counts) // CENTRES_AT_ONCE)) + 1):
        which = np.repeat(these, counts[these])
        number = np.arange(len(which)) - np.repeat(np.cumsum(counts[these]) - counts[these], counts[these])
        row, col = np.divmod(number, spans[which, 0])
        col, row = col + first[which, 0], row + first[which, 1]
        taken = np.empty(len(which), dtype=bool)
        beside, inside = thin[which], ~thin[which]
        points = shapely.points(col[beside], row[beside])
        taken[beside] = shapely.dwithin(shapes[which[beside]], points, HALF_DIAGONAL_CELLS)
        taken[inside] = shapely.contains_xy(shapes[which[inside]], col[inside], row[inside])
        # Of several heights for one cell the last one stays: the highest.
        standing[row[taken], col[taken]] = heights_m[which[taken]]
    return standing


def _thin(shapes: NDArray[np.object_]) -> BoolArray:
    """Return which shapes, in units of cells, are nowhere wider than a cell's diagonal."""
    polygons = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    plain = polygons & (shapely.get_num_interior_rings(shapes) == 0)
    # The edge of a disc that rolls inside a polygon's edge is the shorter the larger it is: area <= inradius * length.
    wide = plain & (shapely.area(shapes) > 1.01 * HALF_DIAGONAL_CELLS * shapely.length(shapes))
    thin = ~wide
    thin[thin] = shapely.is_empty(shapely.buffer(shapes[thin], -HALF_DIAGONAL_CELLS))
    return thin


def _points_along(line: BaseGeometry, spacing_m: float) -> FloatArray:
    count = max(round(line.length / spacing_m), 1)
    places = (np.arange(count) + 0.5) / count
    points = shapely.line_interpolate_point(np.full(count, line), places, normalized=True)
    return shapely.get_coordinates(points)


def _points_over(polygon: BaseGeometry, spacing_m: float) -> FloatArray:
    """Return the points of one lattice for all polygons, so that neighbours don't get double points."""
    first = np.ceil(np.array(polygon.bounds[:2]) / spacing_m)
    last = np.floor(np.array(polygon.bounds[2:]) / spacing_m)
    x, y = (axis.ravel() * spacing_m for axis in np.meshgrid(*map(np.arange, first, last + 1)))
    shapely.prepare(polygon)
    inside = shapely.contains_xy(polygon, x, y)
    if not inside.any():
        return shapely.get_coordinates(shapely.point_on_surface(polygon))
    return np.column_stack([x, y])[inside]
