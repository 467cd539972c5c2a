"""Sight lines over a surface of heights: what stands between two points, and what can be seen from a street.

A surface gives one height per cell, so whatever stands on the ground is solid from its top down: one can't
look, nor can the sun shine, beneath a crown. Between cell centres the surface is linear. Heights are metres
in the vertical datum of the elevation model; places are metres of the measuring frame, whose north is true
north.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError, ParameterError, RasterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid, values_at

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

STREET_EYE_HEIGHT_M = 1.6
"""Height of the eyes of somebody walking by [m]; common practice, no source."""

GRAZING = 1e-9
"""A ray that the surface tops by no more than this slope [m/m] passes: noise of arithmetic on even slopes."""

NEAREST_SAMPLE_CELLS = 0.5
"""Nearer than this to either end of a ray the surface does not count [cells]: it's the cell one stands on."""

LOOK_AROUND_CELLS = (24, 8)
"""Within so many cells of the eye the highest is looked up, to see how far along a ray anything can matter."""

HALF_DIAGONAL_CELLS = 0.5**0.5 + 1e-9
"""From a cell's centre to its corners [cells]; no line slips through between cells so near to it."""

BATCH_STEPS = 8
"""Steps of a march before which it is asked whether anything near is high enough to matter; even."""

CHUNK_RAYS = 32768
"""Rays marched at once, so that their state stays in the processor's cache."""


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
    def ceiling_m(self) -> FloatArray:
        """Greatest height among the cells that a batch of steps can touch, from its middle, shape (rows, cols) [m].

        From the middle a ray gets half a batch away at most, and reads the cell beyond as well.
        """
        return np.asarray(ndimage.maximum_filter(self.heights_m, size=BATCH_STEPS + 3, mode="nearest"))

    @cached_property
    def around_m(self) -> tuple[FloatArray, ...]:
        """Greatest height within each of :data:`LOOK_AROUND_CELLS` of a cell, shape (rows, cols) each [m]."""
        return tuple(
            np.asarray(ndimage.maximum_filter(self.heights_m, size=2 * reach + 1, mode="nearest"))
            for reach in LOOK_AROUND_CELLS
        )

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
    """Rays as steps from cell line to cell line along the axis on which they advance faster; shape (p,) each.

    ::

        minor ^        o ray              x: samples, on the centre lines of the major axis,
              |  .   .   x-------.           linear between the two cells beside them
              |  .   x   .   .   .
              |  o   .   .   .   .
              +---------------------> major
    """

    number: IntArray
    eye_m: FloatArray
    enough: FloatArray
    steps: IntArray
    distance_m: FloatArray
    step_m: FloatArray
    flat: IntArray
    flat_step: IntArray
    minor: FloatArray
    minor_step: FloatArray
    minor_stride: IntArray
    minor_last: IntArray

    def taken(self, which: IntArray | BoolArray | slice) -> _Rays:
        return _Rays._make(column[which] for column in self)


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

    standing = np.zeros(ground.shape)
    for shape, height in zip(shapely.transform(shapely.force_2d(shapes), to_cells), heights, strict=True):
        _raise_to(standing, shape, float(height))
    return ground.with_values(ground.values + standing)


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
    spread = [np.broadcast_to(column, (len(eyes),)) for column in columns]
    rise = np.full(len(eyes), -np.inf)
    for first in range(0, len(eyes), CHUNK_RAYS):
        part = slice(first, first + CHUNK_RAYS)
        heading, reach, slope = (values[part] for values in spread)
        useful_m = np.minimum(_useful_m(surface, eyes[part], slope), reach)
        far = np.flatnonzero(useful_m >= NEAREST_SAMPLE_CELLS / surface.cells_per_m)
        rays = _rays(surface, eyes[part][far], heading[far], reach[far], useful_m[far], slope[far])
        _march(surface, rays._replace(number=far[rays.number]), rise[part])
    return rise


def line_of_sight(surface: Surface, observers_xyz: ArrayLike, targets_xyz: ArrayLike) -> BoolArray:
    """Return which targets can be seen from which observers.

    Parameters
    ----------
    surface
        What can stand in the way.
    observers_xyz, targets_xyz
        x, y, elevation of eyes, shape (n, 3), and of what they look at, shape (m, 3) [m]; see
        :func:`points_above_ground`.

    Returns
    -------
    numpy.ndarray
        Shape (n, m). A line that just touches the surface is free.

    Raises
    ------
    ParameterError
        When a coordinate is missing.

    Notes
    -----
    The surface counts as :func:`steepest_rise` explains; seeing is mutual. Beyond the edge of the surface
    nothing stands in the way. The Earth's curvature (1 cm in 350 m) is left out.
    """
    observers, targets = _finite_xyz(observers_xyz, "observer"), _finite_xyz(targets_xyz, "target")
    first, second = (index.ravel() for index in np.indices((len(observers), len(targets))))
    seen = _mutually_visible(surface, observers[first], targets[second])
    return seen.reshape(len(observers), len(targets))


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
    """
    if not reach_m > 0:
        raise ParameterError(f"reach_m must be greater than 0, but is {reach_m:g}")
    candidates = np.asarray(candidates_xyz, dtype=np.float64).reshape(-1, 3)
    street = np.asarray(street_xyz, dtype=np.float64).reshape(-1, 3)
    street = street[np.isfinite(street).all(axis=1)]
    away = np.hypot(*(candidates[:, None, axis] - street[None, :, axis] for axis in (0, 1)))
    placed = np.flatnonzero(np.isfinite(candidates).all(axis=1))
    place, point = np.nonzero(away[placed] <= reach_m)
    place = placed[place]
    seen = _mutually_visible(surface, candidates[place], street[point])
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


def _rays(
    surface: Surface,
    eyes: FloatArray,
    headings: FloatArray,
    reach_m: FloatArray,
    useful_m: FloatArray,
    enough: FloatArray,
) -> _Rays:
    """Return rays ready to march, the longest first, without those that have nothing to sample."""
    rows, cols = surface.heights_m.shape
    sizes, strides = np.array([cols, rows]), np.array([1, cols])
    angle = np.radians(headings)
    at, speed = surface.cells(eyes[:, :2]).T, surface.to_cells[:, :2] @ np.stack([np.sin(angle), np.cos(angle)])
    upright = np.abs(speed[1]) > np.abs(speed[0])
    major_at, minor_at = np.where(upright, at[::-1], at)
    major_speed, minor_speed = np.where(upright, speed[::-1], speed)
    major, minor = upright.astype(np.int64), 1 - upright

    forward = np.where(major_speed < 0, -1, 1)
    step_m = 1 / np.abs(major_speed)
    along = forward * major_at
    first_line = np.ceil(along + NEAREST_SAMPLE_CELLS)
    distance_m = (first_line - along) * step_m
    minor_step = minor_speed * step_m
    minor_0 = minor_at + minor_speed * distance_m

    major_steps = _steps_inside(forward * first_line, forward.astype(np.float64), sizes[major])
    minor_steps = _steps_inside(minor_0, minor_step, sizes[minor])
    farthest_m = np.minimum(reach_m - NEAREST_SAMPLE_CELLS * step_m, useful_m)
    reach_steps = np.floor((farthest_m - distance_m) / step_m) + 1
    steps = np.minimum(np.minimum(major_steps, minor_steps), reach_steps)
    steps = np.clip(steps, 0, sizes.max()).astype(np.int64)

    rays = _Rays(
        number=np.arange(len(eyes)),
        eye_m=eyes[:, 2],
        enough=enough,
        steps=steps,
        distance_m=distance_m,
        step_m=step_m,
        flat=(forward * first_line).astype(np.int64) * strides[major],
        flat_step=forward * strides[major],
        minor=minor_0,
        minor_step=minor_step,
        minor_stride=strides[minor],
        minor_last=sizes[minor] - 2,
    )
    order = np.argsort(-steps, kind="stable")
    return rays.taken(order[: np.count_nonzero(steps)])


def _steps_inside(start: FloatArray, step: FloatArray, size: IntArray) -> FloatArray:
    """Return how many samples from `start` on lie between the first and the last cell centre of an axis."""
    room = np.where(step > 0, size - 1 - start, start)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        steps = np.where(step == 0, np.inf, np.floor(room / np.abs(step)) + 1)
    return np.where((start >= 0) & (start <= size - 1), steps, 0.0)


def _useful_m(surface: Surface, eyes: FloatArray, enough: FloatArray) -> FloatArray:
    """Return the distance beyond which not even the highest cell rises more steeply than `enough`."""
    eye_m = eyes[:, 2]
    above = surface.heights_m.max() - eye_m
    distance = np.full(len(eye_m), np.inf)
    upward = (enough > 0) & np.isfinite(enough)
    with np.errstate(over="ignore"):  # a slope next to nothing is met next to nowhere
        distance[upward] = np.maximum(above[upward], 0.0) / enough[upward]
    distance[(enough >= 0) & (above <= 0) & np.isfinite(enough)] = 0.0
    col, row = np.round(surface.cells(eyes[:, :2])).T
    rows, cols = surface.heights_m.shape
    upward &= (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
    for reach, around in zip(LOOK_AROUND_CELLS, surface.around_m, strict=True):
        # The eye is half a cell from its cell's centre at most, and a sample reads one cell farther.
        near = np.flatnonzero(upward & (distance * surface.cells_per_m <= reach - 1.5))
        above = around[row[near].astype(np.int64), col[near].astype(np.int64)] - eye_m[near]
        distance[near] = np.minimum(distance[near], np.maximum(above, 0.0) / enough[near])
    return distance


def _march(surface: Surface, rays: _Rays, rise: FloatArray) -> None:
    """Put the steepest rise of each ray, the longest first, into `rise`."""
    heights, ceiling = surface.heights_m.ravel(), surface.ceiling_m.ravel()
    ordered = np.full(len(rays.number), -np.inf)
    for step in range(0, int(rays.steps.max(initial=0)), BATCH_STEPS):
        count = int(np.searchsorted(-rays.steps, -step, side="left"))
        here, best = rays.taken(slice(count)), ordered[:count]
        # A ray that is answered is done; else what is no higher than the answer's slope changes nothing.
        matters = np.where(np.isfinite(here.enough), here.enough, best)
        rising = np.flatnonzero((_highest_rise(ceiling, here, step) > matters) & (best <= here.enough + GRAZING))
        some, found = here.taken(rising), best[rising]
        ends = np.searchsorted(-some.steps, -np.arange(step, step + BATCH_STEPS), side="left")
        for i, end in enumerate(ends[ends > 0], start=step):
            np.maximum(found[:end], _rise_at(heights, some.taken(slice(end)), i), out=found[:end])
        best[rising] = found
    rise[rays.number] = ordered


def _highest_rise(ceiling: FloatArray, rays: _Rays, step: int) -> FloatArray:
    """Return a rise that no sample of the batch beginning with a step exceeds."""
    above = ceiling.take(_cell_at(rays, np.minimum(step + BATCH_STEPS // 2, rays.steps - 1))[0]) - rays.eye_m
    nearest_m = rays.distance_m + step * rays.step_m
    return np.asarray(above / np.where(above > 0, nearest_m, nearest_m + BATCH_STEPS * rays.step_m), dtype=np.float64)


def _cell_at(rays: _Rays, step: int | IntArray) -> tuple[IntArray, FloatArray]:
    """Return the lower of the two cells that a step reads, and the share of the other one."""
    minor = rays.minor + step * rays.minor_step
    low = np.minimum(minor.astype(np.int64), rays.minor_last)
    cell = rays.flat + step * rays.flat_step + low * rays.minor_stride
    return np.asarray(cell, dtype=np.int64), np.asarray(minor - low, dtype=np.float64)


def _rise_at(heights: FloatArray, rays: _Rays, step: int) -> FloatArray:
    cell, share = _cell_at(rays, step)
    below, above = heights.take(cell), heights.take(cell + rays.minor_stride)
    height = below + share * (above - below)
    return np.asarray((height - rays.eye_m) / (rays.distance_m + step * rays.step_m), dtype=np.float64)


def _mutually_visible(surface: Surface, here: FloatArray, there: FloatArray) -> BoolArray:
    """Return for pairs of points, shape (p, 3) each, whether the line between them is free."""
    away = there - here
    distance = np.hypot(away[:, 0], away[:, 1])
    slope = np.divide(away[:, 2], distance, out=np.zeros(len(away)), where=distance > 0)
    heading = np.degrees(np.arctan2(away[:, 0], away[:, 1]))
    rise = steepest_rise(surface, here, heading, reach_m=distance, enough=slope)
    return np.asarray(rise <= slope + GRAZING, dtype=bool)


def _finite_xyz(points: ArrayLike, name: str) -> FloatArray:
    xyz = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    bad = np.flatnonzero(~np.isfinite(xyz).all(axis=1))
    if len(bad):
        raise ParameterError(
            f"{name} {bad[0]} has no elevation or place",
            advice="Leave out points where the ground has no data.",
        )
    return xyz


def _raise_to(standing: FloatArray, shape: BaseGeometry, height_m: float) -> None:
    """Let a shape in units of cells, centres at whole numbers, stand on the cells that it takes up."""
    if shape.is_empty:
        return
    rows, cols = standing.shape
    thin = shapely.get_dimensions(shape) < 2 or shapely.buffer(shape, -HALF_DIAGONAL_CELLS).is_empty
    min_x, min_y, max_x, max_y = shape.bounds
    col_0, row_0 = max(int(np.ceil(min_x - 1)), 0), max(int(np.ceil(min_y - 1)), 0)
    col_1, row_1 = min(int(np.floor(max_x + 1)), cols - 1), min(int(np.floor(max_y + 1)), rows - 1)
    if col_1 < col_0 or row_1 < row_0:
        return
    col, row = np.meshgrid(np.arange(col_0, col_1 + 1), np.arange(row_0, row_1 + 1))
    shapely.prepare(shape)
    if thin:
        taken = shapely.dwithin(shape, shapely.points(col, row), HALF_DIAGONAL_CELLS)
    else:
        taken = shapely.contains_xy(shape, col, row)
    window = standing[row_0 : row_1 + 1, col_0 : col_1 + 1]
    np.maximum(window, np.where(taken, height_m, 0.0), out=window)


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
