"""GeoParquet in: copied once into a GeoPackage with a spatial index, so that parcels can be cut out of it.

The packages that read it are an extra, ``lawngis[parquet]``; they are loaded here only.
Format: GeoParquet specification 1.1.0 (Open Geospatial Consortium), "Metadata".
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from lawngis.errors import LayerError, SiteError

from .writing import write_indexed

ENDINGS = (".parquet", ".geoparquet")
BATCH_ROWS = 10_000
DEFAULT_CRS = "OGC:CRS84"
"""What a file means that doesn't say its CRS (specification, "crs")."""


def geopackage_of(file: Path, folder: Path, path: Path | None = None) -> Path:
    """Copy a GeoParquet file into a GeoPackage of one layer, named as the file, and return it.

    Parameters
    ----------
    file
        The file.
    folder
        Where to put the copy.
    path
        The user's name of the file, for errors, where that is another.

    Raises
    ------
    SiteError
        When the file is no GeoParquet that can be read, or the packages for it are missing.
    LayerError
        When its geometries are stored in another way than well-known binary.
    """
    path = path or file
    opened = _opened(file, path)
    geometry, crs = _geometry_column(opened, path)
    target = folder / f"{file.stem}.gpkg"
    try:
        write_indexed(target, file.stem, _batches(opened, geometry, crs))
    except (OSError, ValueError, shapely.errors.ShapelyError) as error:
        raise SiteError(f"can't be read ({error})", where=str(path), advice="Save it as GeoPackage.") from error
    return target


def _opened(file: Path, path: Path) -> Any:
    try:
        from pyarrow import ArrowException  # type: ignore[import-not-found, import-untyped, unused-ignore]
        from pyarrow.parquet import ParquetFile  # type: ignore[import-not-found, import-untyped, unused-ignore]
    except ImportError as error:
        raise SiteError(
            "is GeoParquet, for which a package is missing",
            where=str(path),
            advice="Install lawngis[parquet], or save the layer as GeoPackage.",
        ) from error
    try:
        return ParquetFile(file)
    except (OSError, ArrowException) as error:
        reason = str(error).splitlines()[0]
        raise SiteError(f"is no Parquet file ({reason})", where=str(path), advice="Export it again.") from error


def _geometry_column(file: Any, path: Path) -> tuple[str, CRS | None]:
    """Return the name of the geometry column and its CRS."""
    try:
        declared = json.loads((file.schema_arrow.metadata or {})[b"geo"])
        name = declared["primary_column"]
        column = declared["columns"][name]
    except (KeyError, ValueError) as error:
        raise SiteError(
            "doesn't say where its geometries are: it is no GeoParquet", where=str(path), advice="Export it again."
        ) from error
    if column.get("encoding") != "WKB":
        raise LayerError(
            f"stores geometries as {column.get('encoding')}, which is not read",
            where=str(path),
            advice="Export it with the encoding WKB.",
        )
    declared_crs = column.get("crs", DEFAULT_CRS)
    try:
        return name, None if declared_crs is None else CRS.from_user_input(declared_crs)
    except CRSError:
        return name, None


def _batches(file: Any, geometry: str, crs: CRS | None) -> Iterator[geopandas.GeoDataFrame]:
    plain = [field.name for field in file.schema_arrow if _is_plain(field.type) and field.name != geometry]
    for batch in file.iter_batches(BATCH_ROWS, columns=[*plain, geometry]):
        shapes = shapely.from_wkb(np.array(batch.column(geometry).to_pylist(), dtype=object), on_invalid="ignore")
        columns = {name: np.array(batch.column(name).to_pylist(), dtype=object) for name in plain}
        yield geopandas.GeoDataFrame(columns, geometry=shapes, crs=crs).infer_objects()


def _is_plain(kind: Any) -> bool:
    """Whether a column holds text, numbers or truths: all that is read of a layer."""
    from pyarrow import types

    return any(
        fits(kind)
        for fits in (types.is_string, types.is_large_string, types.is_integer, types.is_floating, types.is_boolean)
    )
