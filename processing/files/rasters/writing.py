"""Cloud Optimized GeoTIFFs in the making, each whole or not at all: of rows from the top, or of pieces."""

from __future__ import annotations

import os
import tempfile
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element, SubElement, tostring

import numpy as np
import rasterio
import rasterio.shutil
from affine import Affine
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.windows import Window

from lawngis.errors import RasterError

from ..atomic import write_problem
from .opening import RasterInfo


@dataclass(frozen=True)
class CogTarget:
    """A Cloud Optimized GeoTIFF to be: its file, and what is noted for its band."""

    path: Path
    description: str = ""
    unit: str = ""


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
        Stands for NaN [unit of the values].
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


def write_mosaic(target: CogTarget, like: RasterInfo, pieces: Iterable[tuple[NDArray[np.float64], Affine]]) -> Path:
    """Write pieces of a raster as one Cloud Optimized GeoTIFF on the cells of another, whole or not at all.

    Only the blocks that pieces touch take room, however large the raster is. Where pieces overlap, the later one
    counts wherever it has values.

    Parameters
    ----------
    target
        File, description and unit.
    like
        The raster whose cells the pieces lie on; what lies beyond it is left out.
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
            for piece, transform in pieces:
                window, values = _part_within(like, piece, transform)
                if not values.size:
                    continue
                before = file.read(1, window=window)
                file.write(np.where(np.isnan(values), before, values).astype(np.float32), 1, window=window)
        options = {"compress": "deflate", "predictor": "yes", "overview_resampling": "average", "sparse_ok": True}
        rasterio.shutil.copy(plain, draft, driver="COG", blocksize=256, bigtiff="IF_SAFER", **options)
        os.replace(draft, path)  # noqa: PTH105
    return path


def _part_within(like: RasterInfo, piece: NDArray[np.float64], transform: Affine) -> tuple[Window, NDArray[np.float64]]:
    """Return the part of a piece that lies within a raster, and where."""
    column = round((transform.c - like.transform.c) / like.transform.a)
    row = round((transform.f - like.transform.f) / like.transform.e)
    within = piece[max(-row, 0) : max(like.height - row, 0), max(-column, 0) : max(like.width - column, 0)]
    return Window(max(column, 0), max(row, 0), within.shape[1], within.shape[0]), within


@contextmanager
def _as_write_error(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, RasterioError) as error:
        raise RasterError(
            f"could not be written ({write_problem(error, path.parent)})",
            where=str(path),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error
