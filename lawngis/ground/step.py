"""The height step across an edge, read from a surface or terrain model.

Profiles cross the edge at right angles, the zone being on the left of its line::

    zone   o  o  o  o  |  x  x  x  x   beyond
           4 .. 1 cells   ½ .. 2 cells            offsets grow with the cells, as a cell blurs a step
    ------->---------------------------->  edge, profiles every half cell

Grass and shrubs stand above the ground here and there, the ground itself runs through: along the edge, each offset's
level is a low quantile of what the profiles find there, the same on both sides, so that noise cancels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import groupby
from math import ceil, hypot, isfinite, sqrt
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, cut_at, points_along
from lawngis.ground.piece_slope import quadratic_form
from lawngis.ground.raster import Grid, values_at
from lawngis.ground.terrain import Correlation

StepClass = Literal["flush", "raised", "drop", "unknown"]

INSIDE_CELLS = np.array([1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0])
"""Offsets into the zone [cells]."""

OUTSIDE_CELLS = np.array([0.5, 1.0, 1.5, 2.0])
"""Offsets beyond the edge [cells]; the first two see what stands on the edge itself, such as a thin wall."""

FLUSH_MAX_M = 0.05
"""Steps up to this, up or down, are level [m]. Common practice, no source."""

OWN_CELLS = 0.9
"""Heights inside are read so far from all edges: a height between cells takes from all that are less than one off."""

GROUND_QUANTILE = 0.35
"""Of the heights along an edge: the ground, even if more than half of the edge is overgrown."""

FEWEST_PROFILES = 3
"""Stretches with fewer profiles that have data say nothing."""

CONFIDENCE_MIN = 0.6
"""A class less likely than this is none."""

INTERPOLATED = 2 / 3
"""Noise of a bilinear height, at places spread over a cell, over that of a cell: 1 - 2/2 + 2/3, in x and in y."""

LEVEL_SDS = 1.6
"""Noise of a low quantile of bilinear heights, over their scatter by the root of the number of cells: Monte Carlo."""

INSIDE_SDS, OUTSIDE_SDS = 1.6, 1.0
"""Noise at the edge of a line through the inside levels, and of the median beyond, over a level's: Monte Carlo."""

MEDIANS_SHARE = 0.6
"""Of the noise by scatter, what low quantiles and medians add to means: Monte Carlo, for errors alike over 0 to 3 m."""

SIGNIFICANT_SDS = 4.0
"""What stands on the edge counts as a wall when it is this many standard deviations above the ground beyond."""


@dataclass(frozen=True)
class HeightStep:
    """The step across one stretch of an edge.

    Parameters
    ----------
    line
        The stretch, zone on the left [m].
    step_m
        Ground beyond the edge minus ground inside [m]; NaN when there is no data.
    sd_m
        Its standard deviation [m]; infinite when there is no data.
    edge_class
        ``flush``, ``raised``, ``drop``, or ``unknown`` when no class is likely enough.
    confidence
        Chance of that class, 0 to 1; of ``unknown``, the chance of the likeliest.
    """

    line: LineString
    step_m: float
    sd_m: float
    edge_class: StepClass
    confidence: float


def height_steps(
    grid: Grid,
    frame: MeasuringFrame,
    edge: LineString,
    *,
    stretch_m: float = 2.0,
    flush_max_m: float = FLUSH_MAX_M,
    z_sd_m: float = 0.0,
    correlation: Correlation | None = None,
    within: BaseGeometry | None = None,
) -> list[HeightStep]:
    """Return the height step across an edge, stretch by stretch.

    Parameters
    ----------
    grid
        Surface model (what stands on the edge counts) or terrain model, metres of height, in any CRS.
    frame
        In which the edge is.
    edge
        Zone on its left [m of the frame].
    stretch_m
        Length of a stretch; the edge is cut into equal ones of about this [m].
    flush_max_m
        Steps up to this, up or down, are flush [m]. Common practice, no source.
    z_sd_m
        Standard deviation of one cell's height [m]: heights of one stretch may scatter less, and be off together.
    correlation
        Of the errors of two heights by their distance; None for independent ones.
    within
        Ground that heights inside are read on, some of a cell from its edges: a profile that leaves it, for a house
        across a narrow passage, tells nothing. None where there is ground enough [m].

    Returns
    -------
    list of HeightStep
        In the edge's direction; joined they are the edge.

    Raises
    ------
    ParameterError
        When a length is not positive or the edge is empty.

    Notes
    -----
    The inside levels are continued to the edge along their own slope (Theil 1950, median of pairwise slopes).
    Beyond the edge the ground may go on sloping or be level; half the slope is taken, and the other half enters the
    standard deviation. Noise is the scatter of heights about their levels (1.4826 × median absolute deviation); how
    it passes into the step was found by Monte Carlo on kerbs with cells of 0.25 to 1 m, where it holds to a quarter.
    Errors common to both sides cancel. Those that are alike over some cells, but not over all, don't scatter within a
    stretch: they come from what is said of the heights, through the step's weights (:func:`error_sd_m`).

    References
    ----------
    H. Theil, 1950, A rank-invariant method of linear and polynomial regression analysis, Proc. Koninklijke
    Nederlandse Akademie van Wetenschappen 53. P.J. Huber, 1981, Robust Statistics (median absolute deviation).
    Quantile, offsets and limits: common practice, no source.
    """
    for name, value in (("stretch_m", stretch_m), ("flush_max_m", flush_max_m)):
        if not (isfinite(value) and value > 0):
            raise ParameterError(f"{name} must be above 0 m, not {value:g}")
    if not z_sd_m >= 0:
        raise ParameterError(f"z_sd_m must not be negative, but is {z_sd_m:g}")
    if edge.is_empty or edge.length == 0:
        raise ParameterError("an edge without length has no step")
    cell_m = float(np.median(np.concatenate(grid.cell_size_m)))
    xy = shapely.get_coordinates(edge)
    chainage = chainage_m(xy)
    at_m, inside, outside = _profiles(grid, frame, xy, cell_m, within)
    cuts = np.linspace(0, chainage[-1], max(round(chainage[-1] / stretch_m), 1) + 1)
    told_sd_m = error_sd_m(cell_m, float(cuts[1]), z_sd_m=z_sd_m, correlation=correlation)
    step_m, sd_m = _steps(at_m, inside, outside, cuts, cell_m, (z_sd_m, told_sd_m))
    points, stretch = cut_at(xy, chainage, cuts)
    lines = np.asarray(shapely.linestrings(points, indices=stretch), dtype=object)
    judged = _judged(step_m, sd_m, flush_max_m)
    return [
        HeightStep(*found)
        for found in zip(lines, step_m.tolist(), sd_m.tolist(), *(column.tolist() for column in judged), strict=True)
    ]


def ledges(steps: Sequence[HeightStep], *, drop_min_m: float = 0.2, confidence_min: float = 0.8) -> list[HeightStep]:
    """Return where the ground falls away beyond an edge, neighbouring stretches joined.

    Meant for the steps of a terrain model, to find ledges that no layer mentions.

    Parameters
    ----------
    steps
        Of one edge, in order, from :func:`height_steps`.
    drop_min_m
        A fall of at least this counts [m]. Common practice, no source.
    confidence_min
        Least chance that the fall is that large.

    Returns
    -------
    list of HeightStep
        Of class ``drop``. Step and standard deviation are those of the deepest stretch; the confidence is the chance
        that it falls by `drop_min_m`.
    """

    def chance(step: HeightStep) -> float:
        return _chance_below(step.step_m, step.sd_m, -drop_min_m)

    found = []
    for falls, group in groupby(steps, key=lambda step: chance(step) >= confidence_min):
        if falls:
            run = list(group)
            deepest = min(run, key=lambda step: step.step_m)
            line = shapely.line_merge(shapely.union_all([step.line for step in run])) if len(run) > 1 else run[0].line
            if not isinstance(line, LineString):  # runs that cross themselves
                line = LineString(np.concatenate([shapely.get_coordinates(step.line) for step in run]))
            found.append(HeightStep(line, deepest.step_m, deepest.sd_m, "drop", chance(deepest)))
    return found


def error_sd_m(cell_m: float, length_m: float, *, z_sd_m: float, correlation: Correlation | None) -> float:
    """Return how far errors of heights move the step across a stretch, as a standard deviation [m].

    Parameters
    ----------
    cell_m, length_m
        Size of a cell and length of the stretch [m].
    z_sd_m, correlation
        As in :func:`height_steps`.

    Notes
    -----
    sd² wᵀCw with the weights w that the step has on cells when its medians are means: a straight line through the
    levels inside, continued to the edge, and half its slope beyond. The stretch lies along the cells, its edge in the
    middle of one.
    """
    if z_sd_m == 0:
        return 0.0
    return z_sd_m * sqrt(max(_step_form(round(length_m / cell_m, 1), cell_m, correlation), 0.0))


@lru_cache(maxsize=256)
def _step_form(length_cells: float, cell_m: float, correlation: Correlation | None) -> float:
    """Return wᵀCw of a step across a stretch of so many cells."""
    beyond = OUTSIDE_CELLS[1:]
    slope = -(INSIDE_CELLS - INSIDE_CELLS.mean()) / ((INSIDE_CELLS - INSIDE_CELLS.mean()) ** 2).sum()
    at_edge = 1 / len(INSIDE_CELLS) + slope * INSIDE_CELLS.mean()
    offsets = np.concatenate([-INSIDE_CELLS, beyond])
    weights = np.concatenate([-at_edge - slope * beyond.mean() / 2, np.full(len(beyond), 1 / len(beyond))])
    profiles = max(ceil(2 * length_cells), FEWEST_PROFILES)
    along = (np.arange(profiles) + 0.5) * length_cells / profiles
    first = int(np.floor(offsets.min()))
    w = np.outer(_on_cells(along, np.full(profiles, 1 / profiles), 0), _on_cells(offsets, weights, first))
    if correlation is None:
        return float((w**2).sum())
    return quadratic_form(w, cell_m, cell_m, correlation)


def _on_cells(at: FloatArray, weights: FloatArray, first: int) -> FloatArray:
    """Return the weights that cells have where values between two are read off a straight line, counted from one."""
    cell = np.floor(at).astype(np.int64)
    share, place = at - cell, cell - first
    low = np.bincount(place, weights * (1 - share), minlength=place.max() + 2)
    return np.asarray(low + np.bincount(place + 1, weights * share, minlength=place.max() + 2))


def _profiles(
    grid: Grid, frame: MeasuringFrame, xy: FloatArray, cell_m: float, within: BaseGeometry | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return where the profiles cross the edge, and heights inside and outside, shape (profiles, offsets)."""
    chainage = chainage_m(xy)
    count = max(ceil(2 * chainage[-1] / cell_m), FEWEST_PROFILES)
    at_m = (np.arange(count) + 0.5) * chainage[-1] / count
    foot = points_along(xy, chainage, at_m)
    segment = np.clip(np.searchsorted(chainage, at_m, side="right") - 1, 0, len(xy) - 2)
    along = np.diff(xy, axis=0)[segment]
    along /= np.hypot(*along.T)[:, None]
    left = np.column_stack([-along[:, 1], along[:, 0]])
    offsets = cell_m * np.concatenate([INSIDE_CELLS, -OUTSIDE_CELLS])
    points = foot[:, None, :] + left[:, None, :] * offsets[None, :, None]
    heights = values_at(grid, frame, points.reshape(-1, 2)).reshape(count, len(offsets))
    inside, outside = heights[:, : len(INSIDE_CELLS)], heights[:, len(INSIDE_CELLS) :]
    if within is not None:
        ground = shapely.buffer(within, -OWN_CELLS * cell_m)
        shapely.prepare(ground)
        own = shapely.contains_xy(ground, points[:, : inside.shape[1], 0], points[:, : inside.shape[1], 1])
        inside = np.where(own, inside, np.nan)
    return at_m, inside, outside


def _steps(
    at_m: FloatArray,
    inside: FloatArray,
    outside: FloatArray,
    cuts: FloatArray,
    cell_m: float,
    told_m: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """Return step and standard deviation of every stretch, shape (stretches,), stretches of equal length at once."""
    known = np.isfinite(inside).all(axis=1) & np.isfinite(outside).all(axis=1)
    inside, outside = inside[known], outside[known]
    stretch = np.searchsorted(cuts, at_m[known], side="right") - 1
    profiles = np.bincount(stretch, minlength=len(cuts) - 1)
    first = np.cumsum(profiles) - profiles
    step_m, sd_m = np.full(len(profiles), np.nan), np.full(len(profiles), np.inf)
    for count in np.unique(profiles[profiles >= FEWEST_PROFILES]):
        own = np.flatnonzero(profiles == count)
        rows = first[own][:, None] + np.arange(count)
        step_m[own], sd_m[own] = _step(inside[rows], outside[rows], cell_m, np.diff(cuts)[own], told_m)
    return step_m, sd_m


def _step(
    inside: FloatArray, outside: FloatArray, cell_m: float, length_m: FloatArray, told_m: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return step and standard deviation of stretches from heights of shape (stretches, profiles, offsets).

    `told_m` is what is said of the error of a height, and what step that makes [m].
    """
    # The edge itself may climb: heights count from each profile's own inside, brought to a line along the edge.
    trend = _trend_along(inside)
    inside, outside = inside - trend[..., None], outside - trend[..., None]
    levels = np.quantile(np.concatenate([inside, outside], axis=2), GROUND_QUANTILE, axis=1)
    level_in, level_out = np.split(levels, [inside.shape[2]], axis=1)
    rise = _median_slope(-cell_m * INSIDE_CELLS, level_in)[:, None]
    at_edge = np.median(level_in + rise * cell_m * INSIDE_CELLS, axis=1)[:, None]
    beyond = level_out - at_edge - rise / 2 * cell_m * OUTSIDE_CELLS

    independent = np.maximum(length_m / cell_m - 1, 1.0)
    scatter = _scatter(inside)
    level_sd, least_sd = (
        LEVEL_SDS * noise / independent**0.5 for noise in (scatter, np.maximum(scatter, INTERPOLATED * told_m[0]))
    )
    ground = np.median(beyond[:, 1:], axis=1)
    standing = beyond[:, :2].max(axis=1)
    stands = (standing - ground > SIGNIFICANT_SDS * least_sd) & (standing > np.abs(ground))
    fit_sd = level_sd * hypot(INSIDE_SDS, OUTSIDE_SDS)
    fit_sd = np.maximum(fit_sd, np.hypot(told_m[1], MEDIANS_SHARE * fit_sd))
    slope_sd = np.abs(rise[:, 0]) / 2 * cell_m * float(np.median(OUTSIDE_CELLS[1:]))
    return np.where(stands, standing, ground), np.maximum(np.hypot(fit_sd, slope_sd), 1e-6)


def _trend_along(inside: FloatArray) -> FloatArray:
    """Return lines through the inside heights along the edge, robust against grass, shape (stretches, profiles)."""
    profile = np.median(inside, axis=2)
    at = np.arange(profile.shape[1], dtype=np.float64)
    return np.asarray(_median_slope(at, profile)[:, None] * (at - at.mean()))


def _median_slope(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return Theil's slope of every row of y; of many points, of pairs half the row apart, which are the telling ones.

    Shapes (n,) and (rows, n); returns (rows,).
    """
    first, second = _telling_pairs(len(x))
    return np.asarray(np.median((y[:, second] - y[:, first]) / (x[second] - x[first]), axis=1))


@lru_cache(maxsize=64)
def _telling_pairs(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    if count <= 30:
        return np.triu_indices(count, 1)
    first = np.arange(count - count // 2)
    return first, first + count // 2


def _scatter(heights: FloatArray) -> FloatArray:
    """Return 1.4826 × the median absolute deviation from each offset's median, shape (stretches,)."""
    deviation = np.abs(heights - np.median(heights, axis=1, keepdims=True))
    return np.asarray(1.4826 * np.median(deviation.reshape(len(heights), -1), axis=1))


def _judged(step_m: FloatArray, sd_m: FloatArray, flush_max_m: float) -> tuple[NDArray[np.object_], FloatArray]:
    """Return the class of each step and its chance, shape (n,)."""
    drop, below_wall = (np.zeros(len(step_m)) for _ in range(2))
    known = np.isfinite(sd_m)
    drop[known] = ndtr((-flush_max_m - step_m[known]) / sd_m[known])
    below_wall[known] = ndtr((flush_max_m - step_m[known]) / sd_m[known])
    chances = np.stack([drop, 1 - below_wall, below_wall - drop])
    chance = np.where(known, chances.max(axis=0), 0.0)
    likeliest = np.array(["drop", "raised", "flush"], dtype=object)[chances.argmax(axis=0)]
    return np.where(chance >= CONFIDENCE_MIN, likeliest, "unknown"), chance


def _chance_below(step_m: float, sd_m: float, limit_m: float) -> float:
    return float(ndtr((limit_m - step_m) / sd_m)) if isfinite(sd_m) else 0.0
