"""Rows of a layer as a table, and back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas
import pandas as pd
from pyproj import CRS

from lawngis.errors import PlanError

from .contract import Layer

Table = pd.DataFrame  # with a geometry column (geopandas) unless the layer has none

_DTYPES: Mapping[str, str] = {
    "text": "object",
    "real": "float64",
    "integer": "Int64",
    "boolean": "boolean",
    "datetime": "object",
}


def table(spec: Layer, rows: Sequence[Mapping[str, Any]], crs: CRS | None) -> Table:
    """Return rows as a table with exactly the declared columns and types, empty or not."""
    columns = {
        column.name: pd.Series([row.get(column.name) for row in rows], dtype=_DTYPES[column.kind])
        for column in spec.columns
    }
    if spec.geometry is None:
        return pd.DataFrame(columns)
    geometry = geopandas.GeoSeries([row["geometry"] for row in rows], crs=crs)
    return geopandas.GeoDataFrame(columns, geometry=geometry, crs=crs)


def rows_of(spec: Layer, given: Table, crs: CRS) -> list[dict[str, Any]]:
    """Return a table's rows, without index and with None where a value is missing.

    Parameters
    ----------
    spec
        Declaration of its layer.
    given
        The table; one without a CRS is taken to be in the measuring frame.
    crs
        CRS of the measuring frame.

    Raises
    ------
    PlanError
        When it lies in another CRS, has no geometry where its layer has one, or a column isn't of its type.
    """
    columns: dict[str, Any] = {}
    if spec.geometry:
        if not isinstance(given, geopandas.GeoDataFrame):
            raise PlanError("has no geometry: it is no GeoDataFrame", where=f"layer {spec.name}")
        if given.crs is not None and given.crs != crs:
            raise PlanError(
                f"lies in {given.crs.name}, not in the measuring frame",
                where=f"layer {spec.name}",
                advice="Move it there with .to_crs(plan.crs).",
            )
        columns["geometry"] = given.geometry.to_numpy()
        given = pd.DataFrame(given.drop(columns=given.geometry.name))
    kinds = {column.name: _DTYPES[column.kind] for column in spec.columns}
    for name in given.columns:
        try:
            values = given[name].astype(kinds.get(name, "object"))  # type: ignore[call-overload]
        except (TypeError, ValueError) as error:
            raise PlanError(f"column {name}: {error}", where=f"layer {spec.name}") from error
        columns[str(name)] = _plain_values(values)
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def plain_rows(given: Table) -> list[dict[str, Any]]:
    """Return rows as Python's own values by column, None where one is missing; times are text in ISO 8601."""
    columns = plain_columns(given)
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def plain_columns(given: Table) -> dict[str, list[Any]]:
    """Return columns as Python's own values, None where one is missing; times are text in ISO 8601."""
    return {str(name): _plain_values(given[name]) for name in given.columns}


def _plain_values(values: pd.Series[Any]) -> list[Any]:
    if isinstance(values, geopandas.GeoSeries):
        return list(values.to_numpy())
    plain = values.astype(str) if pd.api.types.is_datetime64_any_dtype(values.dtype) else values
    return list(plain.astype(object).where(values.notna(), None))
