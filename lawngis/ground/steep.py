"""Ground too steep for the mower, at the mower's own scale, and ground too close to the limit to tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import cast

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
from lawngis.ground.mower_slope import MowerSlope
from lawngis.ground.raster import Grid
from lawngis.ground.zonal import ZonalCells, weighted_mean, zonal_cells

IndexArray = NDArray[np.uint32]

SIMPLIFY_M = 0.05
"""How far an outline may move when needless corners are dropped [m]; a mower's wheel is as wide."""

DOUBT_SDS = 1.64
"""A slope this many standard deviations from the limit differs from it with a 5 % chance of error."""

DOUBT_WIDTH_M = 0.5
"""Ground in doubt that is narrower than this is the unsure outline of other ground [m]."""

SIDE_SHARE_MIN = 0.25
"""Share of a piece in doubt that must be steeper than the limit, or not, to be judged by itself. Ours, no source."""

SD_FLOOR_PERCENT = 1e-6
"""Noise that a slope without noise is given [percent]."""


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
        Chance that the mean slope of its less sure side lies on the other side of the limit, up to 0.5.
    slope_mean_percent, sd_percent
        Mean slope of the cells of that side, each counted with its share inside, and the standard deviation of that
        mean [percent].
    """

    polygon: Polygon
    flip_probability: float
    slope_mean_percent: float
    sd_percent: float


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
        Slope [percent], from :func:`lawngis.ground.mower_slope.mower_slope`.
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
    slope: MowerSlope, *, limit_percent: float, within: BaseGeometry, frame: MeasuringFrame, area_min_m2: float
) -> list[UndecidedArea]:
    """Return the pieces of ground whose slope lies near a limit, with the chance that they lie beyond it.

    Pieces are what lies within :data:`DOUBT_SDS` standard deviations of the limit and hangs together over more than
    :data:`DOUBT_WIDTH_M`: narrower belts run around every steep area and are as wide as its outline is unsure. They are
    found by the slope under a wider footprint, where there is one: the less noise is in it, the less a piece is where
    noise has tipped the ground that way.

    A bank and the belt around it hang together. What of a piece is steeper than the limit and what isn't are judged by
    the mean of each, as a plan takes them apart; the piece is as unsure as the less sure of the two.

    Parameters
    ----------
    slope
        From :func:`lawngis.ground.mower_slope.mower_slope`.
    within
        Ground that is asked about [m of the frame].
    limit_percent, frame, area_min_m2
        As in :func:`steep_areas`.

    Returns
    -------
    list of UndecidedArea
        The largest first.

    Raises
    ------
    ParameterError
        As :func:`steep_areas` does.
    """
    by = slope.wide or slope
    distance, _ = _distance_to_limit(by.slope_percent, by.sd_percent.values, limit_percent)
    regions = _regions_between(by.slope_percent.with_values(distance), (-DOUBT_SDS, DOUBT_SDS), frame, area_min_m2)
    areas = []
    for region in regions:
        inside = shapely.intersection(region, within)
        for piece in polygon_parts(inside.buffer(-DOUBT_WIDTH_M / 2).buffer(DOUBT_WIDTH_M / 2)):
            told = _sides(slope, zonal_cells(slope.slope_percent, piece, frame), limit_percent)
            if piece.area >= area_min_m2 and told:
                areas.append(UndecidedArea(piece, *max(told)))
    return sorted(areas, key=lambda area: (-area.polygon.area, area.polygon.bounds))


def _sides(slope: MowerSlope, cells: ZonalCells, limit_percent: float) -> list[tuple[float, float, float]]:
    """Return for what of some ground is steeper than a limit, and for the rest: chance of flip, mean slope and its sd.

    One with less than :data:`SIDE_SHARE_MIN` of the ground is its unsure outline.
    """
    steeper = slope.slope_percent.values[cells.rows, cells.cols] > limit_percent
    sides = []
    for side in (steeper, ~steeper):
        if cells.weights[side].sum() < SIDE_SHARE_MIN * cells.weights.sum():
            continue
        told = slope.mean_of(ZonalCells(cells.rows[side], cells.cols[side], cells.weights[side]))
        if told is not None:
            mean, sd = told
            sides.append((float(ndtr(-abs(mean - limit_percent) / max(sd, SD_FLOOR_PERCENT))), mean, sd))
    return sides


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
