"""Rasters opened, and what is known of them without reading values.

A raster is named by a string: a file, or ``GPKG:file:table`` for a raster table inside a GeoPackage. Opening costs some
eighty times as much as a cached read, so each thread of each process keeps a few rasters open; none is ever shared
with another, because a handle that went through a fork reads wrong places without an error, and one shared by two
threads ends the process.
"""

from __future__ import annotations

import logging
import os
import re
import sqlite3
import threading
import warnings
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader

from lawngis.errors import LawngisError, RasterError
from lawngis.geometry.frame import upward_unit_m

from ..formats import RASTERS, alone, file_fault, side_files
from . import virtual

Bounds = tuple[float, float, float, float]
"""Min x, min y, max x, max y, in units of the CRS."""

MAX_OPEN = 8  # rasters that one thread keeps open: dem, dsm and imagery of two sites, and some to spare

SHEAR_CELLS = 0.01
"""By so much of a cell rows and columns may be off over the whole raster: rounding of whoever wrote it."""

BLOCK_BYTES_MAX = 2 << 30
"""Larger blocks take more memory than there is, and nobody writes such ones [bytes]."""

CACHE_MB = 96
"""GDAL's cache of blocks while a whole raster goes through [MB]."""

_UNITS_M = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "international foot", "international feet"), 0.3048),
    **dict.fromkeys(("us-ft", "ftus", "us survey foot", "us survey feet", "foot_us"), 1200 / 3937),
}
"""Units as rasters spell them for their bands [m]; GeoTIFF and GDAL leave the spelling open."""

logging.getLogger("rasterio").addHandler(logging.NullHandler())  # else its complaints go to stderr


@dataclass(frozen=True)
class RasterInfo:
    """What is known of a raster without reading its values.

    Parameters
    ----------
    source
        File, or ``GPKG:file:table``.
    crs
        Horizontal CRS.
    vertical_unit_m
        Length of one unit of elevation [m], from the vertical CRS or else the unit noted for the first band; None
        when neither says.
    transform
        From column and row to x and y of the cell's corner.
    width, height
        Columns and rows.
    bands
        Descriptions of the bands; empty text where there is none.
    dtype, nodata
        Of the first band [unit of its values].
    colours
        What each band is by the file: ``gray``, ``red``, ``alpha`` and so on; empty when nothing is known of it.
    """

    source: str
    crs: CRS
    vertical_unit_m: float | None
    transform: Affine
    width: int
    height: int
    bands: tuple[str, ...]
    dtype: str
    nodata: float | None
    colours: tuple[str, ...] = ()

    @property
    def res(self) -> tuple[float, float]:
        """Cell size along x and y, in units of the CRS."""
        return abs(self.transform.a), abs(self.transform.e)

    @property
    def bounds(self) -> Bounds:
        """Min x, min y, max x, max y in the CRS."""
        return grid_bounds(self.transform, self.width, self.height)


def raster_overview(source: str | Path) -> RasterInfo:
    """Return what a raster is, without reading its values.

    Parameters
    ----------
    source
        File, or ``GPKG:file:table``.

    Raises
    ------
    RasterError
        When it is missing, unreadable, has no bands, no place on the Earth, no CRS, is rotated, or holds complex
        numbers.
    """
    source = str(source)
    with open_dataset(source) as dataset:
        full_crs = _crs(dataset, source)
        return RasterInfo(
            source=source,
            crs=full_crs.to_2d() if not full_crs.is_compound else full_crs.sub_crs_list[0],
            vertical_unit_m=_vertical_unit_m(full_crs, dataset.units[0]),
            transform=upright(dataset.transform),
            width=dataset.width,
            height=dataset.height,
            bands=tuple(text or "" for text in dataset.descriptions),
            dtype=dataset.dtypes[0],
            nodata=dataset.nodata,
            colours=tuple(colour.name for colour in dataset.colorinterp),
        )


def reaches(info: RasterInfo, bounds: Bounds) -> bool:
    """Return whether a raster has cells within some bounds in its CRS."""
    min_x, min_y, max_x, max_y = bounds
    left, bottom, right, top = info.bounds
    return bool(min_x < right and max_x > left and min_y < top and max_y > bottom)


def raster_table(path: str | Path, name: str) -> str | None:
    """Return how to name a raster table of a GeoPackage, or None when the file has no such table.

    Parameters
    ----------
    path
        GeoPackage; other files have no raster tables.
    name
        Matches without regard to case.

    Returns
    -------
    str or None
        ``GPKG:file:table``.
    """
    from ..gpkg import undisturbed

    path = Path(path)
    if path.suffix.lower() != ".gpkg" or not path.is_file():
        return None
    query = "SELECT table_name FROM gpkg_contents WHERE data_type IN ('tiles', '2d-gridded-coverage')"
    try:
        with closing(sqlite3.connect(f"{undisturbed(path).as_uri()}?mode=ro", uri=True)) as database:
            tables = [str(row[0]) for row in database.execute(query)]
    except (sqlite3.DatabaseError, LawngisError):
        return None  # the reader of its layers raises what is wrong with it
    stored = next((table for table in tables if table.casefold() == name.casefold()), None)
    return None if stored is None else f"GPKG:{path}:{stored}"


def source_files(source: str) -> list[Path]:
    """Return all files that are read for a raster: its own, what belongs to it, and the parts of a virtual one."""
    file, _ = file_and_table(source)
    own = [file, *(virtual.parts(file) if file.suffix.casefold() == ".vrt" else [])]
    return [part for one in own for part in (one, *side_files(one))]


def close_rasters() -> None:
    """Close the rasters that this thread keeps open: on some systems an open file can't be replaced."""
    for dataset in _datasets_of_thread().values():
        dataset.close()
    _datasets_of_thread().clear()


@contextmanager
def rasters_passing(threads: int) -> Iterator[None]:
    """Hold GDAL's cache small and let it use some threads, while whole rasters go through."""
    with rasterio.Env(GDAL_CACHEMAX=CACHE_MB, GDAL_NUM_THREADS=str(threads)):
        try:
            yield
        finally:
            close_rasters()


class _OpenRasters(threading.local):
    """The rasters that one thread keeps open, last used last, and the process that opened them."""

    def __init__(self) -> None:
        self.process = os.getpid()
        self.datasets: OrderedDict[tuple[Any, ...], DatasetReader] = OrderedDict()


_of_thread = _OpenRasters()
_inherited: list[object] = []


def _datasets_of_thread() -> OrderedDict[tuple[Any, ...], DatasetReader]:
    if _of_thread.process != os.getpid():
        # A fork: these belong to the parent. They are put aside unclosed, as closing them is using them.
        _inherited.append(_of_thread.datasets)
        _of_thread.process, _of_thread.datasets = os.getpid(), OrderedDict()
    return _of_thread.datasets


@contextmanager
def open_dataset(source: str) -> Iterator[DatasetReader]:
    """Open a raster, or take the open one, and turn GDAL's errors into ours."""
    try:
        dataset = _opened(source)
        refuse_unusable(dataset, source)
        yield dataset
    except LawngisError:
        raise
    except (RasterioError, OSError, CRSError) as error:
        raise RasterError(
            f"can't be read ({error_text(error)})",
            where=source,
            advice="Copy or export it again; GeoTIFF is the safe choice.",
        ) from error


def _opened(source: str) -> DatasetReader:
    datasets = _datasets_of_thread()
    key = (source, *_state(source))
    if key in datasets:
        datasets.move_to_end(key)
        return datasets[key]
    for stale in [known for known in datasets if known[0] == source]:
        datasets.pop(stale).close()
    while len(datasets) >= MAX_OPEN:
        datasets.popitem(last=False)[1].close()
    # Without this option GDAL leaves out the vertical CRS of older GeoTIFFs
    with rasterio.Env(GTIFF_REPORT_COMPD_CS=True), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        name, driver = _name_to_open(source)
        datasets[key] = rasterio.open(name, driver=driver, sharing=False)
    return datasets[key]


def _name_to_open(source: str) -> tuple[str, str]:
    """Return under which name a raster is opened, with no other files beside it, and with which driver alone."""
    from ..gpkg import undisturbed

    file, table = file_and_table(source)
    ending = file.suffix.casefold()
    if ending == ".gpkg":
        link = str(undisturbed(file))
        name = f"GPKG:{link}:{table}" if table else link
    else:
        name = str(virtual.with_links(file) if ending == ".vrt" else alone(file))
    return name, RASTERS[ending].driver


def file_and_table(source: str) -> tuple[Path, str]:
    """Return the file that a raster is in, and of ``GPKG:file:table`` the table."""
    inside = re.fullmatch(r"GPKG:(.*):([^:]*)", source)
    return (Path(inside[1]), inside[2]) if inside else (Path(source), "")


def _state(source: str) -> tuple[int, ...]:
    """Return what changes when a file is replaced or written to, after making sure that it may be opened."""
    file, _ = file_and_table(source)
    fault = file_fault(file, RASTERS)
    if fault is not None:
        what, advice = fault
        raise RasterError(what, where=str(file), advice=advice)
    state = file.stat()
    return state.st_mtime_ns, state.st_size, state.st_ino


def refuse_unusable(dataset: DatasetReader, source: str) -> None:
    """Raise RasterError when an open raster holds nothing usable, or would fill the memory."""
    if dataset.count == 0:
        tables = ", ".join(dataset.subdatasets)
        raise RasterError(f"holds several rasters ({tables})", where=source, advice="Name one of these.")
    if any(dtype.startswith("complex") for dtype in dataset.dtypes):
        raise RasterError(
            "holds complex numbers (each cell has two)", where=source, advice="Export the band that is wanted as real."
        )
    place, (height, width) = dataset.transform, dataset.shape
    if not np.isfinite(place).all():
        raise RasterError("lies at no number", where=source, advice="Georeference it in a GIS.")
    if abs(place.b) * height > SHEAR_CELLS * abs(place.a) or abs(place.d) * width > SHEAR_CELLS * abs(place.e):
        raise RasterError("is rotated", where=source, advice="Warp it to a grid that runs north and east.")
    if not (place.a and place.e):
        raise RasterError("has cells without a size", where=source, advice="Georeference it in a GIS.")
    block = max(rows * columns for rows, columns in dataset.block_shapes) * max(map(_bytes, dataset.dtypes))
    if block > BLOCK_BYTES_MAX:
        what = f"is stored in blocks of {block >> 20} MB, each of which must be read whole"
        raise RasterError(what, where=source, advice="Export it in tiles of 256 or 512 cells.")
    if place == Affine.identity():
        raise RasterError("has no place on the Earth", where=source, advice="Georeference it in a GIS.")


def _bytes(dtype: str) -> int:
    return np.dtype(dtype).itemsize


def _crs(dataset: DatasetReader, source: str) -> CRS:
    if not dataset.crs:
        raise RasterError("has no CRS", where=source, advice="Assign the right one in a GIS.")
    crs = CRS.from_wkt(dataset.crs.to_wkt(version="WKT2_2019"))
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    if horizontal.is_engineering:
        raise RasterError("has no CRS on the Earth", where=source, advice="Assign the right one in a GIS.")
    return crs


def _vertical_unit_m(crs: CRS, band_unit: str | None) -> float | None:
    return upward_unit_m(crs) or _UNITS_M.get((band_unit or "").strip().lower())


def upright(place: Affine) -> Affine:
    """Return where a raster lies, without a shear too small to count."""
    return Affine(place.a, 0, place.c, 0, place.e, place.f)


def grid_bounds(transform: Affine, width: int, height: int) -> Bounds:
    """Return min x, min y, max x, max y of a grid of so many cells, whichever way its rows and columns run."""
    x0, x1 = sorted((transform.c, transform.c + width * transform.a))
    y0, y1 = sorted((transform.f, transform.f + height * transform.e))
    return x0, y0, x1, y1


def error_text(error: BaseException) -> str:
    """Return what GDAL or the system says, on one line."""
    return re.sub(r"\s+", " ", str(error)).strip().rstrip(".") or type(error).__name__
