"""Rasters of a whole run: stored for each parcel as it is planned, and in the end put together as one mosaic each."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from lawngis.geometry.frame import horizontal_crs
from lawngis.ground.raster import Grid

from ..files import rasters
from ..model.layers import PLAN_RASTERS


def piece_file(folder: Path, parcel_id: str) -> Path:
    """Return where a parcel's rasters are stored; any text may be a parcel's name, so the file's is its hash."""
    return folder / f"{hashlib.sha256(parcel_id.encode('utf-8', 'surrogatepass')).hexdigest()[:24]}.npz"


def store_pieces(folder: Path, parcel_id: str, grids: Mapping[str, Grid]) -> None:
    """Store a parcel's rasters, whole or not at all."""
    folder.mkdir(parents=True, exist_ok=True)
    arrays: dict[str, NDArray[Any]] = {}
    for name, grid in grids.items():
        arrays[name] = grid.values.astype(np.float32)
        arrays[f"{name}.place"] = np.array(grid.transform[:6], dtype=np.float64)
        arrays[f"{name}.crs"] = np.array(grid.crs.to_wkt())
    file = piece_file(folder, parcel_id)
    draft = file.with_suffix(f".{os.getpid()}.tmp")
    with draft.open("wb") as opened:
        np.savez_compressed(opened, **arrays)  # type: ignore[arg-type]
    draft.replace(file)


def write_mosaics(folder: Path, parcel_ids: Sequence[str], dem: rasters.RasterInfo, out: Path) -> list[Path]:
    """Write every raster of which some parcel has a piece on the terrain model's cells; return the files.

    Of others, what an earlier run wrote goes: it would be taken for this one's.
    """
    written = []
    for name, description in PLAN_RASTERS.items():
        if any(True for _ in _pieces(folder, parcel_ids, name, dem)):
            words, _, unit = description.partition(" [")
            target = rasters.CogTarget(out / f"{name}.tif", words, unit.rstrip("]"))
            written.append(rasters.write_mosaic(target, dem, _pieces(folder, parcel_ids, name, dem)))
        else:
            (out / f"{name}.tif").unlink(missing_ok=True)
    return written


def _pieces(
    folder: Path, parcel_ids: Sequence[str], name: str, dem: rasters.RasterInfo
) -> Iterator[tuple[NDArray[np.float64], Affine]]:
    """Return the pieces of a raster, but those on other cells: of parcels that the terrain model doesn't reach."""
    crs = horizontal_crs(dem.crs)
    for parcel_id in parcel_ids:
        file = piece_file(folder, parcel_id)
        if not file.exists():
            continue
        with np.load(file) as arrays:
            if name in arrays and CRS.from_wkt(str(arrays[f"{name}.crs"])) == crs:
                yield arrays[name].astype(np.float64), Affine(*arrays[f"{name}.place"])
