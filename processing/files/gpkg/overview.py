"""What a vector file holds, without loading a feature."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import fiona
import numpy as np
import pyogrio
from pyproj import CRS
from pyproj.exceptions import CRSError

from lawngis.errors import SiteError

from .copies import DIRECT, readable
from .opening import computed_tables, has_no_vector_table, quiet_gdal

Bounds = tuple[float, float, float, float]
"""Min x, min y, max x, max y, in units of the CRS."""

_KINDS = {
    "str": "text",
    "float": "real",
    "int": "integer",
    "int32": "integer",
    "int64": "integer",
    "bool": "boolean",
}


@dataclass(frozen=True)
class LayerInfo:
    """What is known of a layer without loading its features.

    Parameters
    ----------
    path, name
        Where it is read from: the file, or a copy that is quicker to read.
    geometry_type
        ``"Polygon"``, ``"MultiPoint"`` and so on, without Z and M; ``"Geometry"`` when mixed or not declared;
        None for a table without geometry.
    crs
        None when the layer has none.
    columns
        Attribute columns in the order of the file: name to kind (text, real, integer, boolean, datetime, or
        the format's own word for anything else).
    feature_count
        As the file states it.
    bounds
        min x, min y, max x, max y in the layer's CRS; None when empty or without geometry.
    """

    path: Path
    name: str
    geometry_type: str | None
    crs: CRS | None
    columns: Mapping[str, str]
    feature_count: int
    bounds: Bounds | None


def layer_overview(path: str | Path) -> tuple[LayerInfo, ...]:
    """Return what layers and attribute tables a vector file holds, without loading a feature.

    Raster tables of a GeoPackage are no layers; a GeoPackage with nothing else gives an empty tuple.

    Parameters
    ----------
    path
        One of the kinds in :data:`lawngis.processing.files.formats.VECTORS`.

    Returns
    -------
    tuple of LayerInfo
        In the order of the file.

    Raises
    ------
    SiteError
        When the file is missing, unreadable, cut off, damaged, locked, or no vector file.
    """
    path = Path(path)
    names = layer_names(path)
    file = readable(path)
    return tuple(_layer_info(path, file, name) for name in names)


def layer_names(path: Path) -> list[str]:
    """Return the names of a file's layers and tables, in its order; views and computed tables are none."""
    computed, file = computed_tables(path), readable(path)
    try:
        with quiet_gdal(path):
            return [name for name in fiona.listlayers(file) if name not in computed]
    except SiteError:
        if has_no_vector_table(path):  # GDAL's vector side refuses to open a GeoPackage of rasters
            return []
        raise


def _layer_info(path: Path, file: Path, name: str) -> LayerInfo:
    with quiet_gdal(path, name), fiona.open(file, layer=name) as source:
        geometry_type = _plain_geometry_type(source.schema["geometry"])
        count = _feature_count(file, name, source)
        bounds = _bounds_or_none(source) if geometry_type and count else None
        return LayerInfo(
            path=path if path.suffix.casefold() in DIRECT else file,
            name=name,
            geometry_type=geometry_type,
            crs=_crs_or_none(source.crs_wkt),
            columns={column: _kind(word) for column, word in source.schema["properties"].items()},
            feature_count=count,
            bounds=bounds if bounds and np.isfinite(bounds).all() else None,
        )


def _feature_count(file: Path, name: str, source: fiona.Collection) -> int:
    try:
        return max(len(source), 0)
    except TypeError:  # formats without a count, such as GPX
        info = pyogrio.read_info(file, layer=name, force_feature_count=True)
        return max(int(info["features"]), 0)


def _bounds_or_none(source: fiona.Collection) -> Bounds | None:
    try:
        return tuple(source.bounds)
    except fiona.errors.DriverError:  # every geometry is empty: findings that have no place
        return None


def _plain_geometry_type(word: str) -> str | None:
    plain = word.removeprefix("3D ").removeprefix("Measured ").removeprefix("3D ")
    return {"None": None, "Unknown": "Geometry"}.get(plain, plain)


def _kind(word: str) -> str:
    return _KINDS.get(word.partition(":")[0], word.partition(":")[0])


def _crs_or_none(wkt: str | None) -> CRS | None:
    if not wkt:
        return None
    try:
        crs = CRS.from_wkt(wkt)
    except CRSError:
        return None
    # "undefined Cartesian / geographic" are the format's two ways of saying that the CRS is not known
    return None if crs.name.lower().startswith(("undefined", "unknown engineering")) else crs
