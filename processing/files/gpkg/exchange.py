"""Whole layers for other programs: GeoParquet, which analysts read, and FlatGeobuf, which is read over a network.

Formats: GeoParquet specification 1.1.0 (Open Geospatial Consortium); FlatGeobuf 3 as GDAL writes it.
"""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd
import pyogrio

from lawngis.errors import ParameterError

if TYPE_CHECKING:
    from ...model.contract import Layer


def geoparquet_bytes(table: pd.DataFrame, spec: Layer) -> bytes:
    """Return a layer as GeoParquet with a box around each feature; one without geometry as plain Parquet.

    Parameters
    ----------
    table
        Its rows; columns that are declared have their descriptions in the file's schema.
    spec
        Its declaration.

    Raises
    ------
    ParameterError
        When the packages for it are missing.
    """
    try:
        from pyarrow import BufferOutputStream, parquet  # type: ignore[import-not-found, import-untyped, unused-ignore]
    except ImportError as error:
        raise ParameterError(
            "GeoParquet needs a package that is missing", advice="Install it with pip install 'lawngis[parquet]'."
        ) from error
    plain = BytesIO()
    if isinstance(table, gpd.GeoDataFrame):
        table.to_parquet(plain, index=False, schema_version="1.1.0", write_covering_bbox=True)
    else:
        table.to_parquet(plain, index=False)
    plain.seek(0)
    stored = parquet.read_table(plain)
    words = {column.name: column.description + (f" [{column.unit}]" if column.unit else "") for column in spec.columns}
    schema = stored.schema
    for number, field in enumerate(schema):
        if field.name in words:
            schema = schema.set(number, field.with_metadata({"description": words[field.name]}))
    described = BufferOutputStream()
    parquet.write_table(stored.cast(schema), described)
    return bytes(described.getvalue())


def flatgeobuf_bytes(table: pd.DataFrame, spec: Layer) -> bytes:
    """Return a layer as FlatGeobuf, with a spatial index where every row has a place.

    Parameters
    ----------
    table
        Its rows.
    spec
        Its declaration, whose title and description the file has.
    """
    packed = BytesIO()
    options = {"TITLE": spec.title, "DESCRIPTION": spec.description}
    if not isinstance(table, gpd.GeoDataFrame):
        pyogrio.write_dataframe(table, packed, layer=spec.name, driver="FlatGeobuf", SPATIAL_INDEX="NO", **options)
        return packed.getvalue()
    nowhere = table.geometry.is_empty | table.geometry.isna()
    placed = table.set_geometry(table.geometry.where(~nowhere, None))  # the format has no empty geometry
    index = "NO" if nowhere.any() else "YES"
    pyogrio.write_dataframe(placed, packed, layer=spec.name, driver="FlatGeobuf", SPATIAL_INDEX=index, **options)
    return packed.getvalue()
