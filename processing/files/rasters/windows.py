"""Values of rasters: windows around some bounds, or whole rows, never more."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.errors import NodataShadowWarning
from rasterio.io import DatasetReader
from rasterio.windows import Window

from lawngis.arrays import FloatArray
from lawngis.errors import RasterError

from .opening import Bounds, grid_bounds, open_dataset

ABSURD = 1e30
"""Larger values count as no data: many files leave their no-data value (-3.4e38) undeclared."""

CELLS_MAX = 150_000_000
"""Cells that are read at a time; with numbers of 64 bits they take more than a gigabyte."""

SAMPLES = 4
SAMPLE_CELLS = 64
"""Windows along each side of a raster, and cells along each side of a window, by which it is known."""

_EXACT_IN_SINGLE = ("float32", "float16", "int8", "uint8", "int16", "uint16")


def read_window(
    source: str | Path, bounds: Bounds, *, band: int = 1, margin_cells: int = 2
) -> tuple[FloatArray, Affine]:
    """Return the values around some bounds, and where they lie.

    The window is made of whole cells: those that the bounds touch and `margin_cells` more on every side, as far as
    the raster goes. Scale and offset of the band are applied.

    Parameters
    ----------
    source
        File, or ``GPKG:file:table``.
    bounds
        Min x, min y, max x, max y in the raster's CRS.
    band
        From 1.
    margin_cells
        Cells around the bounds, which slope and bilinear interpolation need.

    Returns
    -------
    values : ndarray, shape (rows, cols)
        NaN where there is no data: the declared value, masked cells, NaN, or absurd (over 1e30).
    transform : Affine
        Of the window, from column and row to x and y.

    Raises
    ------
    RasterError
        When the raster can't be read, has no such band, or does not meet the bounds.
    """
    source = str(source)
    with open_dataset(source) as dataset:
        if not 1 <= band <= dataset.count:
            raise RasterError(f"has no band {band}, only {dataset.count}", where=source)
        window = cells_around(dataset, bounds, margin_cells)
        if window is None:
            covered = grid_bounds(dataset.transform, dataset.width, dataset.height)
            raise RasterError(
                f"does not reach {_printed(bounds)}; it covers {_printed(covered)}",
                where=source,
                advice="Check its CRS, or take a raster that covers the place.",
            )
        if window.width * window.height > CELLS_MAX:
            raise RasterError(
                f"has {window.width * window.height / 1e6:,.0f} million cells around one place,"
                f" each of {abs(dataset.transform.a):g} x {abs(dataset.transform.e):g}",
                where=source,
                advice="Check the size of its cells, or make it coarser.",
            )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NodataShadowWarning)  # nodata beside an alpha band: the mask has both
            cells = dataset.read(band, window=window, masked=True)
        scale, offset = dataset.scales[band - 1], dataset.offsets[band - 1]
        return _values(cells, scale, offset), _window_place(dataset.transform, window)


def sample_values(source: str | Path, *, band: int = 1) -> FloatArray:
    """Return values from windows spread evenly, :data:`SAMPLES` along each side: a raster may be of any size.

    Returns
    -------
    ndarray
        Shape (n,), without those of no data.

    Raises
    ------
    RasterError
        When the raster can't be read.
    """
    source = str(source)
    found: list[FloatArray] = []
    with open_dataset(source) as dataset:
        size = min(SAMPLE_CELLS, dataset.width), min(SAMPLE_CELLS, dataset.height)
        for col in np.linspace(0, dataset.width - size[0], SAMPLES).astype(int):
            for row in np.linspace(0, dataset.height - size[1], SAMPLES).astype(int):
                cells = dataset.read(band, window=Window(int(col), int(row), *size), masked=True)
                values = _values(cells, dataset.scales[band - 1], dataset.offsets[band - 1])
                found.append(values[np.isfinite(values)])
    return np.concatenate(found)


def read_rows(source: str | Path, first: int, stop: int, *, band: int = 1) -> NDArray[np.floating]:
    """Return whole rows of a raster, `first` up to but not `stop`.

    Scale and offset of the band are applied.

    Returns
    -------
    numpy.ndarray
        Shape (stop - first, cols); 32-bit where that holds the stored values exactly, else 64-bit. NaN where there
        is no data, as in :func:`read_window`.

    Raises
    ------
    RasterError
        When the raster can't be read or has no such band.
    """
    source = str(source)
    with open_dataset(source) as dataset:
        if not 1 <= band <= dataset.count:
            raise RasterError(f"has no band {band}, only {dataset.count}", where=source)
        window = Window(0, first, dataset.width, stop - first)
        scale, offset = dataset.scales[band - 1], dataset.offsets[band - 1]
        plain = (scale, offset) == (1.0, 0.0) and dataset.dtypes[band - 1] in _EXACT_IN_SINGLE
        cells = dataset.read(band, window=window)
        values = cells.astype(np.float32 if plain else np.float64, copy=False)
        missing = np.zeros(values.shape, dtype=bool)
        if dataset.nodata is not None and not np.isnan(dataset.nodata):
            missing |= cells == cells.dtype.type(dataset.nodata) if values is cells else values == dataset.nodata
        flags = {flag.name for flag in dataset.mask_flag_enums[band - 1]}
        if flags & {"per_dataset", "alpha"}:
            missing |= dataset.read_masks(band, window=window) == 0
        if missing.any():
            values[missing] = np.nan
        return _scaled(values, scale, offset)


def cells_around(dataset: DatasetReader, bounds: Bounds, margin_cells: int) -> Window | None:
    """Return the whole cells that the bounds touch, and a margin, within the raster; None when there are none."""
    min_x, min_y, max_x, max_y = bounds
    place = dataset.transform
    first_col, last_col = sorted(((min_x - place.c) / place.a, (max_x - place.c) / place.a))
    first_row, last_row = sorted(((min_y - place.f) / place.e, (max_y - place.f) / place.e))
    if not np.isfinite([first_col, last_col, first_row, last_row]).all():
        return None
    if last_col < 0 or last_row < 0 or first_col > dataset.width or first_row > dataset.height:
        return None  # a margin does not make a raster reach what it doesn't cover
    col, cols = _cells(first_col, last_col, margin_cells, dataset.width)
    row, rows = _cells(first_row, last_row, margin_cells, dataset.height)
    return Window(col, row, cols, rows) if cols and rows else None


def _window_place(place: Affine, window: Window) -> Affine:
    return Affine(place.a, 0, place.c + window.col_off * place.a, 0, place.e, place.f + window.row_off * place.e)


def _cells(first: float, last: float, margin: int, length: int) -> tuple[int, int]:
    """Return start and number of the cells from `first` to `last`; a hair over a border is not a cell more."""
    hair = 1e-6
    start = max(int(np.floor(first + hair)) - margin, 0)
    stop = min(int(np.ceil(last - hair)) + margin, length)
    return start, max(stop - start, 0)


def _values(cells: np.ma.MaskedArray[Any, Any], scale: float, offset: float) -> FloatArray:
    return _scaled(np.where(np.ma.getmaskarray(cells), np.nan, cells.data.astype(np.float64)), scale, offset)


def _scaled(values: NDArray[Any], scale: float, offset: float) -> NDArray[Any]:
    """Return values as the band means them, without absurd ones; they may be changed in place."""
    values[~(np.abs(values) < ABSURD)] = np.nan
    if (scale, offset) == (1.0, 0.0):
        return values
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = values * scale + offset
    scaled[~(np.abs(scaled) < ABSURD)] = np.nan
    return scaled


def _printed(bounds: Bounds) -> str:
    min_x, min_y, max_x, max_y = bounds
    return f"x {min_x:.8g} to {max_x:.8g}, y {min_y:.8g} to {max_y:.8g}"
