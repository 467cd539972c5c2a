"""A raster in memory, the true ground size of its cells, and values between cell centres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, GeodError

from lawngis.arrays import FloatArray
from lawngis.errors import RasterError
from lawngis.geometry.frame import MeasuringFrame, horizontal_crs

CENTRE_SNAP_CELLS = 1e-6
"""A point this close to a cell centre counts as lying on it [cells]: the noise of two map projections."""


@dataclass(frozen=True, eq=False)
class Grid:
    """Values on the cells of a raster, or of a window of one, with their place on the Earth.

    ::

        (c, f) +-----+-----+--> x          values[row, col]
               | 0,0 | 0,1 |               cell centre (c + (col + ½) a, f + (row + ½) e)
               +-----+-----+               a is usually > 0, e usually < 0 (north up)
               | 1,0 | 1,1 |
               v y

    Parameters
    ----------
    values
        Shape (rows, cols). NaN is no data; infinite values are taken as no data too.
    transform
        From (col, row) to (x, y) in `crs`, the corner of a cell being whole numbers.
    crs
        Of the raster; anything :meth:`pyproj.CRS.from_user_input` accepts.

    Raises
    ------
    RasterError
        When the values are not two-dimensional or empty, the grid is rotated or sheared, or there is no CRS.
    """

    values: FloatArray
    transform: Affine
    crs: CRS

    def __post_init__(self) -> None:
        values = np.asarray(self.values, dtype=np.float64)
        if values.ndim != 2 or values.size == 0:
            raise RasterError(
                f"a grid needs rows and columns, but the values have shape {values.shape}",
                advice="Choose one band, and a window that meets the raster.",
            )
        infinite = np.isinf(values)
        if infinite.any():
            values = np.where(infinite, np.nan, values)
        object.__setattr__(self, "values", values)
        object.__setattr__(self, "crs", _checked_crs(self.crs))
        _check_transform(self.transform)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.values.shape
        return rows, cols

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Outer edge of the cells: min_x, min_y, max_x, max_y in the raster's CRS."""
        rows, cols = self.shape
        left, top = self.transform.c, self.transform.f
        right, bottom = left + cols * self.transform.a, top + rows * self.transform.e
        return min(left, right), min(top, bottom), max(left, right), max(top, bottom)

    @property
    def cell_centres(self) -> tuple[FloatArray, FloatArray]:
        """The x of every column, shape (cols,), and y of every row, shape (rows,), in the raster's CRS."""
        rows, cols = self.shape
        x = self.transform.c + (np.arange(cols) + 0.5) * self.transform.a
        y = self.transform.f + (np.arange(rows) + 0.5) * self.transform.e
        return x.astype(np.float64), y.astype(np.float64)

    @cached_property
    def cell_size_m(self) -> tuple[FloatArray, FloatArray]:
        """True ground width and height of the cells of each row; see :func:`ground_cell_size_m`."""
        return ground_cell_size_m(self.transform, self.crs, self.shape)

    def with_values(self, values: ArrayLike) -> Grid:
        """Return another grid on the same cells.

        Raises
        ------
        RasterError
            When the shape differs.
        """
        array = np.asarray(values, dtype=np.float64)
        if array.shape != self.shape:
            raise RasterError(f"values of shape {array.shape} do not fit a grid of shape {self.shape}")
        return replace(self, values=array)


def ground_cell_size_m(transform: Affine, crs: CRS, shape: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
    """Return the true ground width and height of a raster's cells, row by row.

    Geodesic distance between the middles of opposite cell sides, in the middle column. So a Web Mercator, a
    longitude/latitude, a national grid in feet and a UTM raster of the same ground give the same slope.

    Parameters
    ----------
    transform, crs, shape
        Of a grid: (col, row) to (x, y); its CRS; (rows, cols).

    Returns
    -------
    dx_m, dy_m
        Shape (rows,) each [m], always positive.

    Raises
    ------
    RasterError
        When the cells do not lie on the Earth in that CRS.

    Notes
    -----
    Across one window of a site the size does not change noticeably from column to column (1e-8 in UTM over 100 m). In a
    CRS that is not conformal (an equal-area one far from its true-scale lines) the sides of a cell are not quite square
    to each other; the shear, below 0.01 rad for national grids, is left out.

    References
    ----------
    C.F.F. Karney, 2013, Algorithms for geodesics, J. Geodesy 87, 43-55, doi 10.1007/s00190-012-0578-z.
    """
    rows, cols = shape
    geodetic = crs.geodetic_crs
    geod = crs.get_geod()
    if geodetic is None or geod is None:
        raise RasterError(f"{crs.name} is not a CRS on the Earth", advice="Give the raster its real CRS.")
    geodetic = horizontal_crs(geodetic)
    to_geodetic = _transformer(horizontal_crs(crs), geodetic)
    degrees_per_unit = np.degrees(geodetic.axis_info[0].unit_conversion_factor)

    middle_x = transform.c + cols / 2 * transform.a
    y = transform.f + (np.arange(rows) + 0.5) * transform.e
    half_x, half_y = abs(transform.a) / 2, abs(transform.e) / 2

    def distance_m(dx: float, dy: float) -> FloatArray:
        x = np.full(rows, middle_x)
        lon_0, lat_0 = to_geodetic.transform(x - dx, y - dy)
        lon_1, lat_1 = to_geodetic.transform(x + dx, y + dy)
        ends = [np.asarray(end) * degrees_per_unit for end in (lon_0, lat_0, lon_1, lat_1)]
        return np.asarray(geod.inv(*ends)[2], dtype=np.float64)

    try:
        sizes = distance_m(half_x, 0.0), distance_m(0.0, half_y)
    except GeodError as error:
        raise _off_the_earth(crs) from error
    if not all(np.isfinite(size).all() and (size > 0).all() for size in sizes):
        raise _off_the_earth(crs)
    return sizes


def cells_without_data(transform: Affine, crs: CRS, bounds: Sequence[float]) -> Grid:
    """Return the cells of an endless grid that hold some bounds, all of them without data.

    Parameters
    ----------
    transform, crs
        Of the grid: (col, row) to (x, y) from the corner of any of its cells; its CRS.
    bounds
        min_x, min_y, max_x, max_y in that CRS.
    """
    min_x, min_y, max_x, max_y = bounds
    inverse = ~transform
    cols = np.sort([inverse.a * x + inverse.c for x in (min_x, max_x)])
    rows = np.sort([inverse.e * y + inverse.f for y in (min_y, max_y)])
    first_col, first_row = (int(np.floor(ends[0] + CENTRE_SNAP_CELLS)) for ends in (cols, rows))
    width, height = (
        max(1, int(np.ceil(ends[1] - CENTRE_SNAP_CELLS)) - first)
        for ends, first in ((cols, first_col), (rows, first_row))
    )
    return Grid(np.full((height, width), np.nan), transform * Affine.translation(first_col, first_row), crs)


def widened(grid: Grid, bounds: Sequence[float]) -> Grid:
    """Return a grid with cells without data put around it, until it holds some bounds in its CRS as well."""
    left, bottom, right, top = grid.bounds
    both = min(left, bounds[0]), min(bottom, bounds[1]), max(right, bounds[2]), max(top, bounds[3])
    wide = cells_without_data(grid.transform, grid.crs, both)
    col, row = (round(number) for number in ~wide.transform * (grid.transform.c, grid.transform.f))
    values = wide.values.copy()
    values[row : row + grid.shape[0], col : col + grid.shape[1]] = grid.values
    return wide.with_values(values)


def centres_in(grid: Grid, frame: MeasuringFrame) -> FloatArray:
    """Return the centres of a grid's cells in the measuring frame, row by row, shape (rows * cols, 2) [m]."""
    x, y = np.meshgrid(*grid.cell_centres)
    return frame.coordinates_from(grid.crs, np.column_stack([x.ravel(), y.ravel()]))


def values_at(grid: Grid, frame: MeasuringFrame, xy: ArrayLike) -> FloatArray:
    """Return a grid's values at points of the measuring frame, bilinear between cell centres.

    Parameters
    ----------
    grid
        In any CRS.
    frame
        In which the points are.
    xy
        Shape (n, 2) [m of the frame].

    Returns
    -------
    numpy.ndarray
        Shape (n,). NaN outside the outermost cell centres and where one of the four cells that count has no
        data.
    """
    return layered_values_at([grid], frame, xy)[0]


def layered_values_at(grids: Sequence[Grid], frame: MeasuringFrame, xy: ArrayLike) -> FloatArray:
    """Return the values of several grids on the same cells, as :func:`values_at` gives them, shape (k, n).

    Where the points lie among the cells is worked out once.

    Raises
    ------
    RasterError
        When the grids don't lie on the same cells.
    """
    grid = grids[0]
    if any((other.transform, other.shape) != (grid.transform, grid.shape) or other.crs != grid.crs for other in grids):
        raise RasterError("grids read together must lie on the same cells")
    x, y = frame.coordinates_in(grid.crs, xy).T
    inverse = ~grid.transform
    col = inverse.a * x + inverse.c - 0.5
    row = inverse.e * y + inverse.f - 0.5
    col_0, col_share, col_inside = _cell_and_share(col, grid.shape[1])
    row_0, row_share, row_inside = _cell_and_share(row, grid.shape[0])

    total = np.zeros((len(grids), len(x)))
    for row_step, row_weight in ((0, 1 - row_share), (1, row_share)):
        rows = np.minimum(row_0 + row_step, grid.shape[0] - 1)
        for col_step, col_weight in ((0, 1 - col_share), (1, col_share)):
            weight = row_weight * col_weight
            cols = np.minimum(col_0 + col_step, grid.shape[1] - 1)
            # A cell without weight may be no data: a point on a cell centre needs that cell alone.
            counts = weight > 0
            for number, layer in enumerate(grids):
                total[number] += np.where(counts, weight * layer.values[rows, cols], 0.0)
    return np.where(row_inside & col_inside, total, np.nan)


def _cell_and_share(position: FloatArray, count: int) -> tuple[NDArray[np.int64], FloatArray, NDArray[np.bool_]]:
    nearest = np.round(position)
    position = np.where(np.abs(position - nearest) < CENTRE_SNAP_CELLS, nearest, position)
    inside = (position >= 0) & (position <= count - 1)
    position = np.where(inside, position, 0.0)
    cell = np.clip(np.floor(position), 0, max(count - 2, 0))
    return cell.astype(np.int64), position - cell, inside


@lru_cache(maxsize=64)
def _transformer(source: CRS, target: CRS) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True)


def _checked_crs(crs: object) -> CRS:
    if crs is None:
        raise RasterError("the raster has no CRS", advice="Assign the CRS in which it was made.")
    try:
        return CRS.from_user_input(crs)
    except CRSError as error:
        raise RasterError(f"the raster's CRS can't be read: {error}") from error


def _check_transform(transform: Affine) -> None:
    skew = max(abs(transform.b), abs(transform.d))
    size = min(abs(transform.a), abs(transform.e))
    if not np.isfinite([*transform[:6]]).all() or size == 0:
        raise RasterError(
            "the raster has no usable georeference", advice="Give it an origin and a cell size in its CRS."
        )
    if skew > 1e-9 * size:
        raise RasterError(
            "the raster's grid is rotated or sheared against its CRS",
            advice="Resample it first to a north-up grid of the same cell size (gdalwarp -r bilinear).",
        )


def _off_the_earth(crs: CRS) -> RasterError:
    return RasterError(
        f"the raster's cells do not lie on the Earth in {crs.name}",
        advice="Check that the raster's CRS is the one its coordinates are in.",
    )
