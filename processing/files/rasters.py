"""Rasters in and out: the only module that opens them.

A raster is named by a string: a file, or ``GPKG:file:table`` for a raster table inside a GeoPackage. Only windows
are ever read. Opening costs some eighty times as much as a cached read, so each thread of each process keeps a
few rasters open; none is ever handed to another, because a handle that went through a fork reads wrong places
without an error, and one that two threads share ends the process.
"""

from __future__ import annotations

import logging
import os
import re
import sqlite3
import tempfile
import threading
import warnings
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, SubElement, tostring

import numpy as np
import rasterio
import rasterio.shutil
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.errors import NodataShadowWarning, RasterioError
from rasterio.io import DatasetReader, MemoryFile
from rasterio.windows import Window

from lawngis.errors import LawngisError, RasterError

FloatArray = NDArray[np.float64]
Bounds = tuple[float, float, float, float]

MAX_OPEN = 8  # rasters that one thread keeps open: dem, dsm and imagery of two sites, and some to spare
ABSURD = 1e30
"""Larger values are taken as no data: files leave their own "nothing" (-3.4e38) undeclared often enough."""

_UNITS_M = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("ft", "foot", "feet", "international foot", "international feet"), 0.3048),
    **dict.fromkeys(("us-ft", "ftus", "us survey foot", "us survey feet", "foot_us"), 1200 / 3937),
}
"""Units as rasters spell them for their bands [m]; GeoTIFF and GDAL leave the spelling open."""

logging.getLogger("rasterio").addHandler(logging.NullHandler())  # else its complaints go to stderr


@dataclass(frozen=True)
class RasterInfo:
    """What can be said of a raster without reading its values.

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
        Of the first band.
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

    @property
    def res(self) -> tuple[float, float]:
        """Cell size along x and y, in units of the CRS."""
        return abs(self.transform.a), abs(self.transform.e)

    @property
    def bounds(self) -> Bounds:
        """Min x, min y, max x, max y in the CRS."""
        return _sorted_bounds(self.transform, self.width, self.height)


def raster_overview(source: str | Path) -> RasterInfo:
    """Return what a raster is, without reading its values.

    Parameters
    ----------
    source
        File, or ``GPKG:file:table``.

    Raises
    ------
    RasterError
        When it is missing, unreadable, has no bands, no place on the Earth, no CRS, or is rotated.
    """
    source = str(source)
    with _dataset(source) as dataset:
        full_crs = _crs(dataset, source)
        return RasterInfo(
            source=source,
            crs=full_crs.to_2d() if not full_crs.is_compound else full_crs.sub_crs_list[0],
            vertical_unit_m=_vertical_unit_m(full_crs, dataset.units[0]),
            transform=dataset.transform,
            width=dataset.width,
            height=dataset.height,
            bands=tuple(text or "" for text in dataset.descriptions),
            dtype=dataset.dtypes[0],
            nodata=dataset.nodata,
        )


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
    path = Path(path)
    if path.suffix.lower() != ".gpkg" or not path.is_file():
        return None
    query = "SELECT table_name FROM gpkg_contents WHERE data_type IN ('tiles', '2d-gridded-coverage')"
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
            tables = [str(row[0]) for row in database.execute(query)]
    except sqlite3.DatabaseError:
        return None  # whoever reads the file's layers says what is wrong with it
    found = next((table for table in tables if table.casefold() == name.casefold()), None)
    return None if found is None else f"GPKG:{path}:{found}"


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
    with _dataset(source) as dataset:
        if not 1 <= band <= dataset.count:
            raise RasterError(f"has no band {band}, only {dataset.count}", where=source)
        window = _window(dataset, bounds, margin_cells)
        if window is None:
            raise RasterError(
                f"does not reach {_printed(bounds)}; it covers {_printed(_dataset_bounds(dataset))}",
                where=source,
                advice="Check its CRS, or take a raster that covers the place.",
            )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NodataShadowWarning)  # nodata beside an alpha band: the mask has both
            cells = dataset.read(band, window=window, masked=True)
        scale, offset = dataset.scales[band - 1], dataset.offsets[band - 1]
        return _values(cells, scale, offset), _window_place(dataset.transform, window)


def parts(source: str | Path) -> list[Path]:
    """Return the other files that a raster is made of: the sources of a virtual one."""
    with _dataset(str(source)) as dataset:
        return [Path(name) for name in dataset.files[1:] if Path(name).is_file()]


def close_rasters() -> None:
    """Close the rasters that this thread keeps open: on some systems an open file can't be replaced."""
    for dataset in _open_here().values():
        dataset.close()
    _open_here().clear()


def write_cog(
    path: str | Path,
    values: ArrayLike,
    transform: Affine,
    crs: CRS,
    *,
    description: str = "",
    unit: str = "",
) -> Path:
    """Write a Cloud Optimized GeoTIFF with overviews, whole or not at all.

    Parameters
    ----------
    path
        Target; its folder is made when it is missing.
    values
        Shape (rows, cols); stored as 32-bit floating point, NaN is no data.
    transform
        From column and row to x and y of the cell's corner.
    crs
        Of the raster.
    description, unit
        Noted for the band.

    Returns
    -------
    pathlib.Path
        The target.

    Raises
    ------
    RasterError
        When the values are no grid, or the target can't be written; it is then as it was.
    """
    target = Path(os.path.realpath(path))
    cells = np.asarray(values, dtype=np.float32)
    if cells.ndim != 2 or cells.size == 0:
        raise RasterError(f"a raster needs rows and columns, not shape {cells.shape}", where=str(target))
    profile = {
        "driver": "GTiff",
        "height": cells.shape[0],
        "width": cells.shape[1],
        "count": 1,
        "dtype": "float32",
        "nodata": np.nan,
        "crs": rasterio.CRS.from_wkt(crs.to_wkt()),
        "transform": transform,
    }
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with (
            tempfile.TemporaryDirectory(prefix=f".{target.stem}-", dir=target.parent) as folder,
            MemoryFile() as memory,
        ):
            with memory.open(**profile) as plain:
                plain.write(cells, 1)
                plain.set_band_description(1, description)
                plain.set_band_unit(1, unit)
            draft = Path(folder) / target.name
            options = {"compress": "deflate", "predictor": "yes", "overview_resampling": "average"}
            with memory.open() as plain:
                rasterio.shutil.copy(plain, draft, driver="COG", blocksize=256, **options)
            with draft.open("rb") as written:
                os.fsync(written.fileno())
            os.replace(draft, target)  # noqa: PTH105 (the word says what it does on every system)
    except (OSError, RasterioError) as error:
        raise RasterError(
            f"could not be written ({_one_line(error)})",
            where=str(target),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error
    return target


# --- open rasters ---------------------------------------------------------------------------------------


class _OpenRasters(threading.local):
    """The rasters that one thread keeps open, last used last, and the process that opened them."""

    def __init__(self) -> None:
        self.process = os.getpid()
        self.datasets: OrderedDict[tuple[Any, ...], DatasetReader] = OrderedDict()


_kept = _OpenRasters()
_inherited: list[object] = []


def _open_here() -> OrderedDict[tuple[Any, ...], DatasetReader]:
    if _kept.process != os.getpid():
        # A fork: these belong to the parent. They are put aside unclosed, as closing them is using them.
        _inherited.append(_kept.datasets)
        _kept.process, _kept.datasets = os.getpid(), OrderedDict()
    return _kept.datasets


@contextmanager
def _dataset(source: str) -> Iterator[DatasetReader]:
    """Open a raster, or take the open one, and turn GDAL's errors into ours."""
    try:
        dataset = _opened(source)
        _refuse_unplaced(dataset, source)
        yield dataset
    except LawngisError:
        raise
    except (RasterioError, OSError, CRSError) as error:
        raise RasterError(
            f"can't be read ({_one_line(error)})",
            where=source,
            advice="Copy or export it again; GeoTIFF is the safe choice.",
        ) from error


def _opened(source: str) -> DatasetReader:
    datasets = _open_here()
    key = (source, *_state(source))
    if key in datasets:
        datasets.move_to_end(key)
        return datasets[key]
    for stale in [known for known in datasets if known[0] == source]:
        datasets.pop(stale).close()
    while len(datasets) >= MAX_OPEN:
        datasets.popitem(last=False)[1].close()
    # Without this option GDAL keeps the vertical CRS of older GeoTIFFs to itself
    with rasterio.Env(GTIFF_REPORT_COMPD_CS=True), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        datasets[key] = rasterio.open(_name_to_open(source), sharing=False)
    return datasets[key]


def _name_to_open(source: str) -> str:
    file, table = _file_and_table(source)
    if file.suffix.lower() != ".gpkg":
        return source
    from .gpkg import undisturbed

    return f"GPKG:{undisturbed(file)}:{table}" if table else str(undisturbed(file))


def _file_and_table(source: str) -> tuple[Path, str]:
    inside = re.fullmatch(r"GPKG:(.*):([^:]*)", source)
    return (Path(inside[1]), inside[2]) if inside else (Path(source), "")


def _state(source: str) -> tuple[int, ...]:
    """Return what changes when a file is replaced or written to."""
    file, _ = _file_and_table(source)
    if not file.exists():
        raise RasterError("does not exist", where=str(file), advice="Check the name and the folder.")
    if file.is_dir():
        raise RasterError("is a folder, not a file", where=str(file), advice="Name a file in it.")
    if file.stat().st_size == 0:
        raise RasterError("is empty (0 bytes)", where=str(file), advice="Copy or export it again.")
    state = file.stat()
    return state.st_mtime_ns, state.st_size, state.st_ino


def _refuse_unplaced(dataset: DatasetReader, source: str) -> None:
    if dataset.count == 0:
        tables = ", ".join(dataset.subdatasets)
        raise RasterError(f"holds several rasters ({tables})", where=source, advice="Name one of these.")
    if dataset.transform.b or dataset.transform.d:
        raise RasterError("is rotated", where=source, advice="Warp it to a grid that runs north and east.")
    if dataset.transform == Affine.identity():
        raise RasterError("has no place on the Earth", where=source, advice="Georeference it in a GIS.")


def _crs(dataset: DatasetReader, source: str) -> CRS:
    if not dataset.crs:
        raise RasterError("has no CRS", where=source, advice="Assign the right one in a GIS.")
    crs = CRS.from_wkt(dataset.crs.to_wkt(version="WKT2_2019"))
    horizontal = crs.sub_crs_list[0] if crs.is_compound else crs
    if horizontal.is_engineering:
        raise RasterError("has no CRS on the Earth", where=source, advice="Assign the right one in a GIS.")
    return crs


def _vertical_unit_m(crs: CRS, band_unit: str | None) -> float | None:
    axes = [axis for part in (crs.sub_crs_list or [crs]) for axis in part.axis_info]
    upward = [axis for axis in axes if axis.direction in ("up", "down")]
    if upward:
        return float(upward[0].unit_conversion_factor)
    return _UNITS_M.get((band_unit or "").strip().lower())


# --- windows --------------------------------------------------------------------------------------------


def _window(dataset: DatasetReader, bounds: Bounds, margin_cells: int) -> Window | None:
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
    values = np.where(np.ma.getmaskarray(cells), np.nan, cells.data.astype(np.float64))
    values[~(np.abs(values) < ABSURD)] = np.nan
    return values if (scale, offset) == (1.0, 0.0) else values * scale + offset


def _dataset_bounds(dataset: DatasetReader) -> Bounds:
    return _sorted_bounds(dataset.transform, dataset.width, dataset.height)


def _sorted_bounds(transform: Affine, width: int, height: int) -> Bounds:
    x0, x1 = sorted((transform.c, transform.c + width * transform.a))
    y0, y1 = sorted((transform.f, transform.f + height * transform.e))
    return x0, y0, x1, y1


def _printed(bounds: Bounds) -> str:
    min_x, min_y, max_x, max_y = bounds
    return f"x {min_x:.8g} to {max_x:.8g}, y {min_y:.8g} to {max_y:.8g}"


def _one_line(error: BaseException) -> str:
    return re.sub(r"\s+", " ", str(error)).strip().rstrip(".") or type(error).__name__


# --- whole rasters, a few rows at a time ------------------------------------------------------------------

CACHE_MB = 96
"""GDAL's cache of blocks while a whole raster goes through [MB]."""

_EXACT_IN_SINGLE = ("float32", "float16", "int8", "uint8", "int16", "uint16")


@dataclass(frozen=True)
class CogTarget:
    """A Cloud Optimized GeoTIFF to be: its file, and what is noted for its band."""

    path: Path
    description: str = ""
    unit: str = ""


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
    with _dataset(source) as dataset:
        if not 1 <= band <= dataset.count:
            raise RasterError(f"has no band {band}, only {dataset.count}", where=source)
        window = Window(0, first, dataset.width, stop - first)
        scale, offset = dataset.scales[band - 1], dataset.offsets[band - 1]
        plain = (scale, offset) == (1.0, 0.0) and dataset.dtypes[band - 1] in _EXACT_IN_SINGLE
        cells = dataset.read(band, window=window)
        values = cells.astype(np.float32 if plain else np.float64, copy=False)
        missing = ~(np.abs(values) < ABSURD)
        if dataset.nodata is not None and not np.isnan(dataset.nodata):
            missing |= cells == cells.dtype.type(dataset.nodata) if values is cells else values == dataset.nodata
        flags = {flag.name for flag in dataset.mask_flag_enums[band - 1]}
        if flags & {"per_dataset", "alpha"}:
            missing |= dataset.read_masks(band, window=window) == 0
        if missing.any():
            values[missing] = np.nan
        return values if (scale, offset) == (1.0, 0.0) else values * scale + offset


@contextmanager
def rasters_passing(threads: int) -> Iterator[None]:
    """Hold GDAL's cache small and let it use some threads, while whole rasters go through."""
    with rasterio.Env(GDAL_CACHEMAX=CACHE_MB, GDAL_NUM_THREADS=str(threads)):
        try:
            yield
        finally:
            close_rasters()


class CogDrafts:
    """Cloud Optimized GeoTIFFs in the making: rows go in from the top, for every level of detail alike.

    The rows lie in plain files beside the target; from these GDAL arranges the finished one, so that no more than
    some rows are ever in memory.

    Parameters
    ----------
    targets
        The files to be, in the folders of which there is room for two and a half times their size.
    like
        The raster whose cells they have.
    levels
        Of detail, each with half the cells of the one before, the first with all.
    nodata
        Stands for NaN.
    """

    def __init__(self, targets: list[CogTarget], like: RasterInfo, *, levels: int, nodata: float) -> None:
        self._targets = targets
        self._like = like
        self._nodata = nodata
        self._shapes = [(-(-like.height // 2**level), -(-like.width // 2**level)) for level in range(levels)]
        self._folders: list[tempfile.TemporaryDirectory[str]] = []
        self._files: list[list[Any]] = []
        self._next_row = [[0] * levels for _ in targets]

    def __enter__(self) -> CogDrafts:
        try:
            for target in self._targets:
                self._begin(target)
        except BaseException:
            self._discard()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._discard()

    def put(self, number: int, rows_by_level: list[NDArray[np.floating]]) -> None:
        """Add the next rows of a target, for all levels."""
        for level, rows in enumerate(rows_by_level):
            first = self._next_row[number][level]
            cells = np.where(np.isnan(rows), np.float32(self._nodata), rows).astype(np.float32, copy=False)
            with _as_write_error(self._targets[number].path):
                self._files[number][level].write(cells, 1, window=Window(0, first, cells.shape[1], len(cells)))
            self._next_row[number][level] = first + len(cells)

    def finish(self, *, compress: str, threads: int) -> None:
        """Arrange all finished files, and only then put them in their places."""
        finished = []
        for number, target in enumerate(self._targets):
            with _as_write_error(target.path):
                for file in self._files[number]:
                    file.close()
                folder = Path(self._folders[number].name)
                draft = folder / "finished.tif"
                options = {"compress": compress, "bigtiff": "IF_SAFER"}
                if compress != "none":  # higher levels take long and gain some 1 %
                    options |= {"predictor": "yes", "level": "1", "num_threads": str(threads)}
                levels = self._virtual(folder, target)
                # The threads are for packing; several that read the same virtual raster only wait for one another.
                with rasterio.Env(GDAL_NUM_THREADS="1"):
                    rasterio.shutil.copy(levels, draft, driver="COG", overviews="FORCE_USE_EXISTING", **options)
                finished.append((draft, target.path))
        for draft, path in finished:
            with _as_write_error(path):
                os.replace(draft, os.path.realpath(path))  # noqa: PTH105

    def _begin(self, target: CogTarget) -> None:
        path = Path(os.path.realpath(target.path))
        with _as_write_error(target.path), warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the files of single levels need no place
            path.parent.mkdir(parents=True, exist_ok=True)
            self._folders.append(tempfile.TemporaryDirectory(prefix=f".{path.stem}-", dir=path.parent))
            self._files.append([])
            for level, (height, width) in enumerate(self._shapes):
                file = Path(self._folders[-1].name) / f"level-{level}.tif"
                options = {"driver": "GTiff", "dtype": "float32", "count": 1, "bigtiff": "IF_SAFER"}
                self._files[-1].append(
                    rasterio.open(file, "w", **options, height=height, width=width, nodata=self._nodata)
                )

    def _virtual(self, folder: Path, target: CogTarget) -> Path:
        """Write the virtual raster that ties the levels together, in the format of GDAL's VRT driver."""
        root = Element("VRTDataset", rasterXSize=str(self._like.width), rasterYSize=str(self._like.height))
        SubElement(root, "SRS").text = self._like.crs.to_wkt()
        place = ",".join(repr(float(number)) for number in self._like.transform.to_gdal())
        SubElement(root, "GeoTransform").text = place
        band = SubElement(root, "VRTRasterBand", dataType="Float32", band="1")
        SubElement(band, "Description").text = target.description
        SubElement(band, "UnitType").text = target.unit
        SubElement(band, "NoDataValue").text = repr(self._nodata)
        for level in range(len(self._shapes)):
            part = SubElement(band, "Overview" if level else "SimpleSource")
            SubElement(part, "SourceFilename", relativeToVRT="1").text = f"level-{level}.tif"
            SubElement(part, "SourceBand").text = "1"
        file = folder / "levels.vrt"
        file.write_text(tostring(root, encoding="unicode"), encoding="utf-8")
        return file

    def _discard(self) -> None:
        for files in self._files:
            for file in files:
                with suppress(RasterioError, OSError):
                    file.close()
        for folder in self._folders:
            folder.cleanup()


@contextmanager
def _as_write_error(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, RasterioError) as error:
        raise RasterError(
            f"could not be written ({_one_line(error)})",
            where=str(path),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error


# --- mosaics --------------------------------------------------------------------------------------------


def write_mosaic(target: CogTarget, like: RasterInfo, pieces: Iterable[tuple[FloatArray, Affine]]) -> Path:
    """Write pieces of a raster as one Cloud Optimized GeoTIFF on the cells of another, whole or not at all.

    Only the blocks that pieces touch take room, however large the raster is. Where pieces overlap, the later one
    counts wherever it has values.

    Parameters
    ----------
    target
        File, description and unit.
    like
        The raster whose cells the pieces lie on.
    pieces
        Values, NaN where there are none, and their places.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    RasterError
        When it can't be written; what was there is then as it was.
    """
    path = Path(os.path.realpath(target.path))
    profile = {
        "driver": "GTiff",
        "dtype": "float32",
        "count": 1,
        "nodata": np.nan,
        "tiled": True,
        "bigtiff": "IF_SAFER",
    }
    place = {"height": like.height, "width": like.width, "crs": like.crs.to_wkt(), "transform": like.transform}
    with _as_write_error(target.path), tempfile.TemporaryDirectory(prefix=f".{path.stem}-", dir=path.parent) as folder:
        plain, draft = Path(folder) / "plain.tif", Path(folder) / path.name
        with rasterio.open(plain, "w+", **profile, **place, sparse_ok=True, blockxsize=256, blockysize=256) as file:
            file.set_band_description(1, target.description)
            file.set_band_unit(1, target.unit)
            for values, transform in pieces:
                window = _place_in(like, values.shape, transform)
                before = file.read(1, window=window)
                file.write(np.where(np.isnan(values), before, values).astype(np.float32), 1, window=window)
        options = {"compress": "deflate", "predictor": "yes", "overview_resampling": "average", "sparse_ok": True}
        rasterio.shutil.copy(plain, draft, driver="COG", blocksize=256, bigtiff="IF_SAFER", **options)
        os.replace(draft, path)  # noqa: PTH105
    return path


def _place_in(like: RasterInfo, shape: tuple[int, ...], transform: Affine) -> Window:
    column = round((transform.c - like.transform.c) / like.transform.a)
    row = round((transform.f - like.transform.f) / like.transform.e)
    return Window(column, row, shape[1], shape[0])
