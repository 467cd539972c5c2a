"""The part of a raster on a server that an area needs, as a file of its own."""

from __future__ import annotations

import os
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader
from rasterio.windows import Window

from lawngis.errors import LawngisError, RasterError

from ..remote import RemoteFile, Server
from .opening import Bounds, error_text, refuse_unusable, upright
from .windows import cells_around

WINDOW_BYTES_MAX = 4 << 30
"""Of values that are fetched of one raster [bytes]."""

MARGIN_CELLS = 4
_ROWS = 256


def fetch_window(server: Server, area: Bounds, target: Path) -> str:
    """Write the cells of a remote GeoTIFF that an area touches, and a few around them, into a GeoTIFF.

    Only the parts of the file that hold them are fetched, in its full resolution.

    Parameters
    ----------
    server
        Of the file's address.
    area
        West, south, east, north [degrees].
    target
        File to write.

    Returns
    -------
    str
        Whom the file names as its author, and its copyright; empty where it names none.

    Raises
    ------
    RasterError
        When it is no GeoTIFF, lies elsewhere, or can't be used.
    SiteError
        When the server doesn't give parts of files.
    """
    file = RemoteFile(server)
    name = f"{target.stem}.tif"
    refused: list[LawngisError] = []

    def opener(path: str, mode: str = "rb", **_: Any) -> _Shared:
        if path != name or "r" not in mode:
            raise FileNotFoundError(path)  # nothing beside it is read
        return _Shared(file, refused)

    try:
        with rasterio.Env(GTIFF_REPORT_COMPD_CS=True, GDAL_NUM_THREADS="1"), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with rasterio.open(name, driver="GTiff", sharing=False, opener=opener) as dataset:
                refuse_unusable(dataset, server.plain_address)
                _copy(dataset, _window_of(dataset, area, server), target)
                tags = dataset.tags()
    except LawngisError:
        raise
    except (RasterioError, OSError, CRSError) as error:
        target.unlink(missing_ok=True)
        if refused:  # GDAL says what became of it, not why
            raise refused[0] from error
        raise RasterError(
            f"can't be read ({error_text(error)})",
            where=server.plain_address,
            advice="The address must be that of a GeoTIFF. Download it, and name the file.",
        ) from error
    told = [tags.get(key, "").strip() for key in ("TIFFTAG_ARTIST", "TIFFTAG_COPYRIGHT")]
    return ", ".join(dict.fromkeys(words for words in told if words))


class _Shared:
    """A remote file under the name that GDAL opens; it stays, with what was fetched of it, when GDAL closes that."""

    def __init__(self, file: RemoteFile, refused: list[LawngisError]) -> None:
        self._file, self._refused, self._at = file, refused, 0

    def __enter__(self) -> _Shared:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the file as it is."""

    def tell(self) -> int:
        """Return the place of the next byte."""
        return self._at

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place."""
        self._file.seek(self._at)
        self._at = self._file.seek(offset, whence)
        return self._at

    def read(self, size: int = -1) -> bytes:
        """Return the next bytes; once the server was refused, none."""
        if self._refused:
            return b""
        self._file.seek(self._at)
        try:
            found = self._file.read(size)
        except LawngisError as error:  # it would be lost in GDAL
            self._refused.append(error)
            return b""
        self._at += len(found)
        return found


def _window_of(dataset: DatasetReader, area: Bounds, server: Server) -> Window:
    crs = CRS.from_wkt(dataset.crs.to_wkt())
    try:
        bounds = Transformer.from_crs("EPSG:4326", crs.to_2d(), always_xy=True).transform_bounds(*area)
    except ProjError:
        bounds = (np.inf,) * 4
    window = cells_around(dataset, bounds, MARGIN_CELLS)
    if window is None:
        raise RasterError(
            "does not reach the area", where=server.plain_address, advice="Check the area, or take another raster."
        )
    size = window.width * window.height * sum(np.dtype(dtype).itemsize for dtype in dataset.dtypes)
    if size > WINDOW_BYTES_MAX:
        what = f"has {size >> 30} GB in the area"
        raise RasterError(what, where=server.plain_address, advice="Name a smaller --area.")
    return window


def _copy(dataset: DatasetReader, window: Window, target: Path) -> None:
    """Write a window of all bands, a few rows at a time, with what is noted of them."""
    place = upright(dataset.transform)
    profile = {
        "driver": "GTiff", "tiled": True, "compress": "deflate", "bigtiff": "IF_SAFER", "count": dataset.count,
        "dtype": dataset.dtypes[0], "nodata": dataset.nodata, "crs": dataset.crs,
        "width": window.width, "height": window.height,
        "transform": place @ place.translation(window.col_off, window.row_off),
    }  # fmt: skip
    masked = "per_dataset" in {flag.name for flag in dataset.mask_flag_enums[0]}
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(target, "w", **profile) as made:
        made.colorinterp = dataset.colorinterp
        made.descriptions, made.units = dataset.descriptions, [unit or "" for unit in dataset.units]
        made.scales, made.offsets = dataset.scales, dataset.offsets
        for first in range(0, window.height, _ROWS):
            rows = min(_ROWS, window.height - first)
            there = Window(window.col_off, window.row_off + first, window.width, rows)
            here = Window(0, first, window.width, rows)
            made.write(dataset.read(window=there), window=here)
            if masked:
                made.write_mask(dataset.dataset_mask(window=there), window=here)
