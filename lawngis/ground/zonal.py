"""Statistics of a grid's cells inside a polygon, each cell counted with the share of it that lies inside."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.raster import Grid

IndexArray = NDArray[np.int64]

SHARE_MIN = 1e-9
"""Smallest share of a cell that counts as touching it, and that is missed in a whole one: rounding is below."""


class ZonalCells(NamedTuple):
    """Rows and columns of the cells that a polygon touches, and the share of each inside, in (0, 1]."""

    rows: IndexArray
    cols: IndexArray
    weights: FloatArray


_NO_CELLS = ZonalCells(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


def zonal_cells(grid: Grid, polygon: BaseGeometry, frame: MeasuringFrame) -> ZonalCells:
    """Return the cells of a grid that a polygon covers, wholly or in part.

    Parameters
    ----------
    grid
        In any CRS; cells without data are returned as well.
    polygon
        Polygon or multipolygon [m of the frame]. Its corners are moved into the grid's CRS, its sides are
        straight there, too.
    frame
        In which the polygon is.

    Returns
    -------
    ZonalCells
        In order of rows; empty when polygon and grid don't meet.
    """
    zone = _in_cells(grid, polygon, frame)
    rows, cols = grid.shape
    if zone.is_empty:
        return _NO_CELLS
    col_0, row_0 = np.clip(np.floor(zone.bounds[:2]), 0, [cols, rows]).astype(np.int64)
    col_1, row_1 = np.clip(np.ceil(zone.bounds[2:]), 0, [cols, rows]).astype(np.int64)
    if col_1 <= col_0 or row_1 <= row_0:
        return _NO_CELLS
    sides = _sides(zone) - np.array([col_0, row_0])
    shares = _cell_shares(sides, (int(row_1 - row_0), int(col_1 - col_0)))
    touched_rows, touched_cols = np.nonzero(shares > SHARE_MIN)
    return ZonalCells(touched_rows + row_0, touched_cols + col_0, shares[touched_rows, touched_cols])


def zonal_weights(grid: Grid, polygon: BaseGeometry, frame: MeasuringFrame) -> tuple[FloatArray, FloatArray]:
    """Return values and weights of the cells that a polygon covers, as :func:`zonal_cells` finds them.

    Returns
    -------
    values, weights
        Shape (n,) each; values may be NaN (no data), weights are shares of a cell in (0, 1].
    """
    cells = zonal_cells(grid, polygon, frame)
    return grid.values[cells.rows, cells.cols], cells.weights


def zonal_max(grid: Grid, polygon: BaseGeometry, frame: MeasuringFrame) -> float:
    """Return the greatest value among the cells with data that a polygon touches; NaN without any."""
    values, _ = zonal_weights(grid, polygon, frame)
    values = values[np.isfinite(values)]
    return float(values.max()) if len(values) else float("nan")


def zonal_quantiles(grid: Grid, polygon: BaseGeometry, frame: MeasuringFrame, quantiles: ArrayLike) -> FloatArray:
    """Return area-weighted quantiles of the cells with data in a polygon; see :func:`weighted_quantiles`."""
    return weighted_quantiles(*zonal_weights(grid, polygon, frame), quantiles)


def weighted_mean(values: ArrayLike, weights: ArrayLike) -> float:
    """Return the weighted mean of the values that are not NaN; NaN when nothing has weight."""
    known, weight = _known(values, weights)
    return float((known * weight).sum() / weight.sum()) if len(known) else float("nan")


def weighted_quantiles(values: ArrayLike, weights: ArrayLike, quantiles: ArrayLike) -> FloatArray:
    """Return weighted quantiles of the values that are not NaN.

    Parameters
    ----------
    values, weights
        Shape (n,); values that are NaN or without weight don't count.
    quantiles
        In [0, 1], any shape.

    Returns
    -------
    numpy.ndarray
        Of the shape of `quantiles`; NaN when nothing has weight.

    Raises
    ------
    ParameterError
        When a quantile lies outside [0, 1].

    Notes
    -----
    With the n values in rising order and weights w, value k (from 1) stands at

        S_k = (k - 1) w_k + (n - 1) (w_1 + … + w_(k-1))

    and quantile u is read at u S_n, linearly between neighbours. Equal weights give the usual linear quantile
    (type 7 of Hyndman and Fan, 1996, The American Statistician 50(4), 361-365). The generalisation to weights
    is common practice, no source; it is the one of the exactextract library, so that figures agree with it.

    Examples
    --------
    >>> weighted_quantiles([1, 2, 3, 4], [1, 1, 1, 1], [0, 0.5, 1]).tolist()
    [1.0, 2.5, 4.0]
    """
    wanted = np.asarray(quantiles, dtype=np.float64)
    if not ((wanted >= 0) & (wanted <= 1)).all():
        raise ParameterError(f"quantiles must lie between 0 and 1, but are {np.array2string(wanted)}")
    known, weight = _known(values, weights)
    if not len(known):
        return np.full(wanted.shape, np.nan)
    order = np.argsort(known, kind="stable")
    known, weight = known[order], weight[order]
    before = np.cumsum(weight) - weight
    count = len(known)
    place = np.arange(count) * weight + (count - 1) * before
    return np.asarray(np.interp(wanted * place[-1], place, known), dtype=np.float64)


def _known(values: ArrayLike, weights: ArrayLike) -> tuple[FloatArray, FloatArray]:
    array, weight = np.asarray(values, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    counts = np.isfinite(array) & (weight > 0)
    return array[counts], weight[counts]


def _in_cells(grid: Grid, polygon: BaseGeometry, frame: MeasuringFrame) -> BaseGeometry:
    """Return a polygon in units of cells, (col, row) from the grid's corner: every cell is a unit square."""
    inverse = ~grid.transform

    def to_cells(xy: FloatArray) -> FloatArray:
        x, y = frame.coordinates_in(grid.crs, xy).T
        return np.column_stack([inverse.a * x + inverse.c, inverse.e * y + inverse.f])

    zone = shapely.transform(shapely.force_2d(polygon), to_cells)
    return zone if zone.is_valid else shapely.make_valid(zone)


def _sides(zone: BaseGeometry) -> FloatArray:
    """Return the sides of polygons, shape (n, 2 ends, 2), inner rings running against outer ones."""
    rings = [
        shapely.get_coordinates(ring)
        for part in polygon_parts(zone)
        for ring in (orient(part).exterior, *orient(part).interiors)
    ]
    sides = [np.stack([ring[:-1], ring[1:]], axis=1) for ring in rings]
    return np.concatenate(sides) if sides else np.empty((0, 2, 2))


def _cell_shares(sides: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Return the share of each unit cell of an array that a polygon covers, exactly.

    The sides are cut at the cells' edges. Seen along a row, a piece that crosses a height dy of its cell uncovers
    (or, running the other way, covers again) dy of all cells to its right, and of its own cell the part to its
    right::

        +-----+-----+-----+      own cell:      dy (1 - middle x)
        |   / |     |     |      all further:   dy
        |  /##|#####|#####| dy   so the next one gets the rest, dy × middle x, and a running sum along the row
        +-----+-----+-----+      carries dy on

    References
    ----------
    Green's theorem cell by cell; common practice in font rasterisers, no source.
    """
    rows, cols = shape
    starts, ends = _cut_at_cell_edges(sides, shape)
    middle = (starts + ends) / 2
    height = ends[:, 1] - starts[:, 1]
    row = np.floor(middle[:, 1]).astype(np.int64)
    counts = (row >= 0) & (row < rows) & (middle[:, 0] < cols) & (height != 0)
    row, height, x = row[counts], height[counts], np.maximum(middle[counts, 0], 0.0)
    col = np.floor(x).astype(np.int64)
    share_left = x - col
    # One more column takes what is carried over the right edge.
    place = row * (cols + 1) + col
    change = np.bincount(place, height * (1 - share_left), minlength=rows * (cols + 1))
    change += np.bincount(place + 1, height * share_left, minlength=rows * (cols + 1))
    shares = np.cumsum(change.reshape(rows, cols + 1), axis=1)[:, :cols]
    # An outer ring runs against the clock if rows are counted upwards: down (dy < 0) where it begins to cover.
    shares = np.clip(-shares, 0, 1)
    return np.where(shares > 1 - SHARE_MIN, 1.0, shares)


def _cut_at_cell_edges(sides: FloatArray, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Return starts and ends, shape (n, 2) each, of the pieces of sides between the edges of an array's cells."""
    count = len(sides)
    of_side, along = [np.arange(count), np.arange(count)], [np.zeros(count), np.ones(count)]
    for axis, cells in ((0, shape[1]), (1, shape[0])):
        begin, end = sides[:, 0, axis], sides[:, 1, axis]
        first = np.clip(np.ceil(np.minimum(begin, end)), 0, cells + 1)
        last = np.clip(np.floor(np.maximum(begin, end)), -1, cells)
        crossings = np.where(begin == end, 0, np.maximum(last - first + 1, 0)).astype(np.int64)
        side = np.repeat(np.arange(count), crossings)
        edge = first[side] + np.arange(len(side)) - np.repeat(np.cumsum(crossings) - crossings, crossings)
        of_side.append(side)
        along.append(np.clip((edge - begin[side]) / (end - begin)[side], 0, 1))
    side, position = np.concatenate(of_side), np.concatenate(along)
    order = np.lexsort((position, side))
    side, position = side[order], position[order]
    points = sides[side, 0] + position[:, None] * (sides[side, 1] - sides[side, 0])
    same = side[1:] == side[:-1]
    return points[:-1][same], points[1:][same]
