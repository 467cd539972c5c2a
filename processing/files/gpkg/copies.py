"""Vector files from which parcels can't be cut out quickly, copied once into a GeoPackage with a spatial index."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from itertools import count, islice
from pathlib import Path
from typing import Any

import fiona
import geopandas
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from lawngis.errors import SiteError

from ..formats import VECTORS, own_folder
from . import geoparquet
from .opening import quiet_gdal, undisturbed
from .writing import write_indexed

BATCH_FEATURES = 10_000

DIRECT = (".gpkg", ".fgb", ".shp")
"""Endings of files that are read where they are."""


def readable(path: str | Path) -> Path:
    """Return the file to read a vector file's layers from: see :func:`undisturbed`; or a copy of it as GeoPackage.

    Raises
    ------
    SiteError
        When it can't be used, or isn't what its ending says.
    """
    path = Path(path)
    file = undisturbed(path)
    if file.suffix in DIRECT:
        return file
    state = path.stat()
    return _copied(path, file, (state.st_mtime_ns, state.st_size))


@lru_cache(maxsize=64)
def _copied(path: Path, file: Path, state: tuple[int, int]) -> Path:
    del state  # a new state is a new copy
    if file.suffix in geoparquet.ENDINGS:
        return geoparquet.geopackage_of(file, own_folder(), path)
    target = own_folder() / f"{file.stem}.gpkg"
    with quiet_gdal(path):
        if file.suffix in (".geojson", ".json"):
            write_indexed(target, file.stem, list(_geojson_batches(file, path)))
        else:
            _copy_layers(file, target, VECTORS[file.suffix].driver)
    return target


def _copy_layers(file: Path, target: Path, driver: str) -> None:
    """Copy all layers of a file that one driver alone may open."""
    for number in count():
        try:
            source = fiona.open(file, enabled_drivers=[driver], layer=number or None)  # 0 is taken for no name
        except ValueError:  # there are no more
            return
        with source:
            crs = source.crs_wkt or None
            features = iter(source)
            batches = iter(lambda: list(islice(features, BATCH_FEATURES)), [])  # noqa: B023 (used up in this turn)
            frames = [_frame(batch, crs) for batch in batches] or [_frame([], crs)]
            write_indexed(target, source.name, frames)


def _geojson_batches(file: Path, path: Path) -> Iterator[geopandas.GeoDataFrame]:
    """Yield the features of a GeoJSON file (RFC 7946), which is read here: GDAL would look up a CRS by its address."""
    try:
        content = json.loads(file.read_text(encoding="utf-8-sig"))
    except RecursionError as error:
        raise ValueError("its brackets are nested too deep") from error
    features = content["features"] if content.get("type") == "FeatureCollection" else [content]
    if not all(isinstance(feature, dict) and feature.get("type") == "Feature" for feature in features):
        raise ValueError("it holds no features")
    crs = _geojson_crs(content.get("crs"), path)
    for first in range(0, max(len(features), 1), BATCH_FEATURES):
        yield _frame(features[first : first + BATCH_FEATURES], crs)


def _geojson_crs(declared: Any, path: Path) -> CRS:
    """Return the CRS of a GeoJSON file: WGS 84, or one by name as before RFC 7946 (GeoJSON 2008, section 3)."""
    if declared is None:
        return CRS("OGC:CRS84")
    try:
        if declared["type"] == "name":
            return CRS.from_user_input(declared["properties"]["name"])
    except (KeyError, TypeError, CRSError):
        pass
    raise SiteError("doesn't name its CRS", where=str(path), advice="Export it again, in longitude and latitude.")


def _frame(features: Iterable[Mapping[str, Any]], crs: Any) -> geopandas.GeoDataFrame:
    rows = list(features)
    properties = [dict(feature.get("properties") or {}) for feature in rows]
    columns = {name: _plain([own.get(name) for own in properties]) for name in dict.fromkeys(
        name for own in properties for name in own)}  # fmt: skip
    return geopandas.GeoDataFrame(columns, geometry=[_shape(row.get("geometry")) for row in rows], crs=crs)


def _plain(values: list[Any]) -> pd.Series[Any]:
    """Return a column of one kind: what is neither text, number nor truth, or a mixture, as text."""
    column = pd.Series(values, dtype="object").convert_dtypes()
    if column.dtype != "object" or column.isna().all():
        return column.astype("object" if column.dtype == "object" else column.dtype)
    return column.map(
        lambda value: value if value is None or isinstance(value, str) else json.dumps(value, default=str)
    )


def _shape(geometry: Any) -> BaseGeometry | None:
    """Return a geometry; None for one that can't be made, which the reader of the layer names."""
    try:
        return None if geometry is None else shapely.geometry.shape(geometry)
    except (ValueError, TypeError, KeyError, IndexError, AttributeError, shapely.errors.ShapelyError):
        return None
