"""Ground too steep for the mower, at the mower's own scale, and ground too close to the limit to tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, cast

import numpy as np
import shapely
from contourpy import FillType, contour_generator
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import correlate
from scipy.special import ndtr
from shapely import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.raster import Grid
from lawngis.ground.terrain import (
    HORN_STENCIL,
    Correlation,
    Gradient,
    gradient_sd,
    overlaps,
    slope_gradient_horn,
    slope_percent,
    slope_sd_percent,
)
from lawngis.ground.zonal import weighted_mean, zonal_cells

IndexArray = NDArray[np.uint32]

SIMPLIFY_M = 0.05
"""How far an outline may move when needless corners are dropped [m]; a mower's wheel is as wide."""

DOUBT_SDS = 1.64
"""A slope this many standard deviations from the limit differs from it with a 5 % chance of error."""


SD_FLOOR_PERCENT = 1e-6
"""Noise that a slope without noise is given [percent]."""


class MowerSlope(NamedTuple):
    """Slope under a mower's wheels [percent] and its standard deviation [percent], on the same cells."""

    slope_percent: Grid
    sd_percent: Grid


@dataclass(frozen=True)
class SteepArea:
    """A piece of ground steeper than a limit.

    Parameters
    ----------
    polygon
        Outline [m of the frame].
    confidence
        Chance that a place in it really is steeper than the limit, mean over its cells that are, in [0.5, 1].
    slope_mean_percent
        Mean slope of the same cells [percent], each counted with its share inside.
    """

    polygon: Polygon
    confidence: float
    slope_mean_percent: float


@dataclass(frozen=True)
class UndecidedArea:
    """A piece of ground whose slope doesn't differ significantly from a limit.

    Parameters
    ----------
    polygon
        Outline [m of the frame].
    flip_probability
        Chance that a place in it lies on the other side of the limit than its slope says, mean over its cells
        that are in doubt, in [0.05, 0.5].
    slope_mean_percent, sd_percent
        Mean slope of the same cells and mean of its standard deviation [percent].
    """

    polygon: Polygon
    flip_probability: float
    slope_mean_percent: float
    sd_percent: float


def mower_slope(
    elevation: Grid, *, wheelbase_m: float, z_sd_m: ArrayLike, correlation: Correlation | None = None
) -> MowerSlope:
    """Return the slope that a mower standing on each cell has, and its standard deviation.

    Horn's gradient, averaged as a vector over a disc as wide as the wheelbase (:func:`footprint_gradient`): a
    mower bridges bumps smaller than itself and stands level astride a ridge, and noise cancels before it can
    turn into slope. The standard deviation is that of the averaged gradient, through both averages at once.

    Parameters
    ----------
    elevation
        Elevations [m], in any CRS, at their own resolution.
    wheelbase_m
        Distance between the axles, diameter of the disc [m].
    z_sd_m
        Standard deviation of a cell's elevation, one number or shape (rows, cols) [m].
    correlation
        Of elevation errors by distance; None for independent ones.

    Raises
    ------
    ParameterError
        When `wheelbase_m` is not positive or `z_sd_m` negative.
    """
    dx, dy = elevation.cell_size_m
    kernel = footprint_kernel(wheelbase_m, float(dx.mean()), float(dy.mean()))
    p, q = footprint_gradient(slope_gradient_horn(elevation.values, dx, dy), kernel)
    sd_p, sd_q = footprint_gradient_sd_horn(kernel, z_sd_m, dx, dy, correlation=correlation)
    return MowerSlope(
        elevation.with_values(slope_percent(p, q)),
        elevation.with_values(slope_sd_percent(p, q, sd_p, sd_q)),
    )


def footprint_kernel(wheelbase_m: float, dx_m: float, dy_m: float) -> FloatArray:
    """Return the weights of the cells around one under a disc, by the share of each that lies under it.

    Parameters
    ----------
    wheelbase_m
        Diameter of the disc, whose middle is that of the middle cell [m].
    dx_m, dy_m
        Ground size of a cell [m].

    Returns
    -------
    numpy.ndarray
        Odd numbers of rows and columns, adding up to 1; a single 1 when the disc fits into a cell.

    Raises
    ------
    ParameterError
        When a length is not positive.

    Notes
    -----
    That a mower sees the ground at the scale of its wheelbase is common practice, no source.
    """
    for name, value in (("wheelbase_m", wheelbase_m), ("dx_m", dx_m), ("dy_m", dy_m)):
        if not value > 0:
            raise ParameterError(f"{name} must be positive, but is {value:g}")
    reach_x, reach_y = (int(np.ceil(wheelbase_m / 2 / size - 0.5)) for size in (dx_m, dy_m))
    if reach_x == reach_y == 0:
        return np.ones((1, 1))
    disc = shapely.Point(0, 0).buffer(wheelbase_m / 2, quad_segs=64)
    x = (np.arange(-reach_x, reach_x + 1) - 0.5) * dx_m
    y = (np.arange(-reach_y, reach_y + 1)[:, None] - 0.5) * dy_m
    under = shapely.area(shapely.intersection(disc, shapely.box(x, y, x + dx_m, y + dy_m)))
    return np.asarray(under / under.sum(), dtype=np.float64)


def footprint_gradient(gradient: Gradient, kernel: FloatArray) -> Gradient:
    """Return the mean of a gradient, as a vector, over a footprint around every cell.

    Parameters
    ----------
    gradient
        p and q, shape (rows, cols), NaN where unknown.
    kernel
        From :func:`footprint_kernel`.

    Returns
    -------
    Gradient
        Cells without a gradient stay so; in the means of others they don't count.
    """
    known = np.isfinite(gradient.p) & np.isfinite(gradient.q)
    if kernel.size == 1:
        return Gradient(*(np.where(known, component, np.nan) for component in gradient))
    weight = correlate(known.astype(np.float64), kernel, mode="constant")

    def mean(component: FloatArray) -> FloatArray:
        total = correlate(np.where(known, component, 0.0), kernel, mode="constant")
        return np.where(known, total / np.where(known, weight, 1.0), np.nan)

    return Gradient(mean(gradient.p), mean(gradient.q))


def footprint_gradient_sd_horn(
    kernel: FloatArray,
    z_sd_m: ArrayLike,
    dx_m: ArrayLike,
    dy_m: ArrayLike,
    *,
    correlation: Correlation | None = None,
) -> Gradient:
    """Return the standard deviations of Horn's gradient averaged over a footprint.

    Both averages are linear in the elevations, so the footprint and the stencil make one larger stencil and
    the result is exact; where part of a footprint has no gradient it is somewhat too small.

    Parameters
    ----------
    kernel
        From :func:`footprint_kernel`.
    z_sd_m, dx_m, dy_m, correlation
        As in :func:`lawngis.ground.terrain.gradient_sd_horn`.

    Returns
    -------
    Gradient
        sd of p and q [m/m], of a shape that broadcasts to (rows, cols).
    """
    sd_p = gradient_sd(_horn_under(kernel), z_sd_m, dx_m, dy_m, correlation=correlation).p
    sd_q = gradient_sd(_horn_under(kernel.T), z_sd_m, dx_m, dy_m, correlation=correlation).q
    return Gradient(sd_p, sd_q)


def _horn_under(kernel: FloatArray) -> FloatArray:
    """Return the stencil that Horn's and a footprint's make together: their convolution."""
    return overlaps(HORN_STENCIL, kernel[::-1, ::-1])


def steep_areas(
    slope: Grid, sd_percent: ArrayLike, *, limit_percent: float, frame: MeasuringFrame, area_min_m2: float
) -> list[SteepArea]:
    """Return the ground steeper than a limit, as smooth polygons, with the confidence in each.

    Outlines are contours between cell centres, not cell edges. Where the data ends, or has a hole, an area
    goes one cell on, with the mean slope of the neighbouring cells, rather than being cut: unknown ground
    next to steep ground is not taken for mowable.

    Parameters
    ----------
    slope
        Slope [percent], from :func:`mower_slope`.
    sd_percent
        Its standard deviation, one number or shape (rows, cols) [percent].
    limit_percent
        Steepest slope that the mower may have [percent].
    frame
        Of the polygons that are returned.
    area_min_m2
        Areas smaller than that are left out, holes smaller than that are filled [m²].

    Returns
    -------
    list of SteepArea
        The largest first.

    Raises
    ------
    ParameterError
        When a standard deviation or a number is negative.
    """
    distance, _ = _distance_to_limit(slope, sd_percent, limit_percent)
    regions = _regions_between(slope, (limit_percent, np.inf), frame, area_min_m2)
    if not regions:
        return []
    too_steep = distance >= 0
    fields = [ndtr(distance), slope.values]
    areas = []
    for polygon in regions:
        means = _means(fields, slope, polygon, frame, counts=too_steep)
        if means is not None:
            areas.append(SteepArea(polygon, *means))
    return areas


def undecided_areas(
    slope: Grid, sd_percent: ArrayLike, *, limit_percent: float, frame: MeasuringFrame, area_min_m2: float
) -> list[UndecidedArea]:
    """Return the ground whose slope lies within :data:`DOUBT_SDS` standard deviations of a limit.

    Parameters and errors are those of :func:`steep_areas`.

    Returns
    -------
    list of UndecidedArea
        The largest first. Around every steep area there is a belt of such ground, as narrow as the data is
        good; belts of less than 2 × :data:`SIMPLIFY_M` are left out.
    """
    distance, sd = _distance_to_limit(slope, sd_percent, limit_percent)
    regions = _regions_between(slope.with_values(distance), (-DOUBT_SDS, DOUBT_SDS), frame, area_min_m2)
    if not regions:
        return []
    in_doubt = np.abs(distance) <= DOUBT_SDS
    fields = [ndtr(-np.abs(distance)), slope.values, sd]
    areas = []
    for polygon in regions:
        means = _means(fields, slope, polygon, frame, counts=in_doubt)
        mean_width_m = 2 * polygon.area / polygon.length
        if means is not None and mean_width_m >= 2 * SIMPLIFY_M:
            areas.append(UndecidedArea(polygon, *means))
    return areas


def unknown_areas(slope: Grid, *, frame: MeasuringFrame, area_min_m2: float) -> list[Polygon]:
    """Return the ground on a grid whose slope isn't known, the largest first; holes and parts below a size are left."""
    unknown = np.isnan(slope.values).astype(np.float64)
    return _regions_between(slope.with_values(unknown), (0.5, np.inf), frame, area_min_m2)


def _distance_to_limit(slope: Grid, sd_percent: ArrayLike, limit_percent: float) -> tuple[FloatArray, FloatArray]:
    """Return how many standard deviations each cell lies above the limit, and those standard deviations."""
    if not limit_percent >= 0:
        raise ParameterError(f"limit_percent must not be negative, but is {limit_percent:g}")
    sd = np.asarray(sd_percent, dtype=np.float64)
    if (sd < 0).any():
        raise ParameterError(f"sd_percent must not be negative, but is {np.nanmin(sd):g}")
    sd = np.broadcast_to(sd, slope.shape)
    # A slope without noise lies very many, but not infinitely many, standard deviations from the limit: contours
    # are drawn between these numbers.
    return (slope.values - limit_percent) / np.maximum(sd, SD_FLOOR_PERCENT), sd


def _regions_between(
    grid: Grid, levels: tuple[float, float], frame: MeasuringFrame, area_min_m2: float
) -> list[Polygon]:
    """Return polygons, in the frame, of the ground between two levels of a grid, the largest first."""
    if not area_min_m2 >= 0:
        raise ParameterError(f"area_min_m2 must not be negative, but is {area_min_m2:g}")
    known = grid.values[np.isfinite(grid.values)]
    if not len(known) or known.max() < levels[0] or known.min() > levels[1]:
        return []  # nor can the cells that are added be between the levels, as they are means of others
    extended = _one_cell_on(grid.values)
    rows, cols = extended.shape
    generator = contour_generator(
        # Cell centres in (col, row) of the grid; the extension puts one row and column before the first.
        x=np.arange(cols) - 0.5,
        y=np.arange(rows) - 0.5,
        z=np.ma.masked_invalid(extended),
        fill_type=FillType.OuterOffset,
    )
    low, high = levels[0], min(levels[1], float(np.nanmax(extended)) + 1.0)
    if low >= high:
        return []
    contours, offsets = cast(tuple[list[FloatArray], list[IndexArray]], generator.filled(low, high))
    if not contours:
        return []
    xy = _cells_to_frame(grid, frame, np.concatenate(contours))
    regions: list[Polygon] = []
    for points, ring_ends in zip(np.split(xy, np.cumsum([len(c) for c in contours])[:-1]), offsets, strict=True):
        regions.extend(_tidy_polygons(np.split(points, ring_ends[1:-1]), area_min_m2))
    return sorted(regions, key=lambda region: (-region.area, region.bounds))


def _one_cell_on(values: FloatArray) -> FloatArray:
    """Return an array wider by a cell on each side, with data one cell further than before.

    A cell that had none takes the mean of its neighbours that have.
    """
    wider = np.pad(values, 1, constant_values=np.nan)
    known = np.isfinite(wider)
    around = np.ones((3, 3))
    count = correlate(known.astype(np.float64), around, mode="constant")
    total = correlate(np.where(known, wider, 0.0), around, mode="constant")
    return np.divide(total, count, out=wider.copy(), where=~known & (count > 0.5))


def _cells_to_frame(grid: Grid, frame: MeasuringFrame, col_row: FloatArray) -> FloatArray:
    x = grid.transform.c + col_row[:, 0] * grid.transform.a
    y = grid.transform.f + col_row[:, 1] * grid.transform.e
    return frame.coordinates_from(grid.crs, np.column_stack([x, y]))


def _tidy_polygons(rings: list[FloatArray], area_min_m2: float) -> list[Polygon]:
    """Return a contour's polygon without needless corners, small holes and small parts.

    Small rings go first, as there may be thousands of them; simplifying may make others a little too small.
    """
    if _ring_area(rings[0]) < area_min_m2:
        return []
    holes = [ring for ring in rings[1:] if _ring_area(ring) >= area_min_m2]
    whole = shapely.make_valid(shapely.simplify(Polygon(rings[0], holes), SIMPLIFY_M))
    parts = [part for part in polygon_parts(whole) if part.area >= max(area_min_m2, 1e-9)]
    return [orient(part) for part in parts]


def _ring_area(xy: FloatArray) -> float:
    """Return the area within a closed ring."""
    x, y = (xy - xy[0]).T
    return float(abs(x[:-1] @ y[1:] - x[1:] @ y[:-1]) / 2)


def _means(
    fields: list[FloatArray], grid: Grid, polygon: Polygon, frame: MeasuringFrame, *, counts: BoolArray
) -> list[float] | None:
    """Return area-weighted means of fields over the cells in a polygon that count; None without such a cell.

    A cell that a contour cuts may itself lie on the other side; and a polygon that lies in the extension
    beyond the data alone says nothing.
    """
    cells = zonal_cells(grid, polygon, frame)
    weights = np.where(counts[cells.rows, cells.cols], cells.weights, 0.0)
    if not weights.any():
        return None
    return [weighted_mean(field[cells.rows, cells.cols], weights) for field in fields]


def areas_at_edge(
    areas: Sequence[SteepArea], ground: BaseGeometry, *, band_m: float, area_min_m2: float
) -> list[SteepArea]:
    """Return those parts of areas that reach into the band along the edge of some ground.

    Where the wire lies a mower turns, so a stricter limit holds there. A part that touches the band goes as a whole:
    if only the band were given up, the wire would lie on the same slope one band further in.

    Parameters
    ----------
    areas
        Ground steeper than the stricter limit, from :func:`steep_areas`.
    ground
        Ground that would be enclosed by the wire [m of the frame].
    band_m
        Width of the band inside its edge [m].
    area_min_m2
        Parts with less than that in the band are left to the mower [m²].

    Returns
    -------
    list of SteepArea
        Clipped to the ground.
    """
    band = shapely.difference(ground, shapely.buffer(ground, -band_m))
    found = []
    for area in areas:
        for part in polygon_parts(shapely.intersection(area.polygon, ground)):
            if part.area >= area_min_m2 and shapely.intersection(part, band).area >= area_min_m2:
                found.append(replace(area, polygon=part))
    return found
