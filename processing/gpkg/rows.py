"""Rows as their layer declares them: columns, kinds, geometry and CRS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from lawngis.errors import PlanError
from lawngis.geometry.frame import horizontal_crs

from .opening import one_line
from .soundness import not_finite, type_names

if TYPE_CHECKING:
    from ..layers import ColumnSpec, LayerSpec


def conformed_layers(
    layers: Mapping[str, pd.DataFrame], declarations: Sequence[LayerSpec], crs: CRS | None
) -> dict[str, pd.DataFrame]:
    """Return every declared layer, with the declared columns, in their order and of their kinds."""
    unknown = sorted(set(layers) - {declaration.name for declaration in declarations})
    if unknown:
        raise PlanError(f"layer '{unknown[0]}' is not declared", advice="Declare the layer, or leave it out.")
    return {d.name: _conformed(layers.get(d.name), d, crs) for d in declarations}


def _conformed(frame: pd.DataFrame | None, declaration: LayerSpec, crs: CRS | None) -> pd.DataFrame:
    """Return a layer's rows with the declared columns, in their order and of their kinds."""
    if frame is None:
        frame = pd.DataFrame(index=range(0))
    _refuse_undeclared(frame, declaration)
    columns = {}
    for column in declaration.columns:
        if column.name in frame:
            values = frame[column.name].reset_index(drop=True)
        else:
            values = pd.Series([None] * len(frame), dtype=object)
        columns[column.name] = _conformed_values(values, column, declaration.name)
    table = pd.DataFrame(columns, index=range(len(frame)))
    if declaration.geometry is not None:
        table = gpd.GeoDataFrame(table, geometry=_conformed_geometry(frame, declaration), crs=crs)
    return table


def _refuse_undeclared(frame: pd.DataFrame, declaration: LayerSpec) -> None:
    geometry = frame.geometry.name if _has_geometry(frame) else None
    if declaration.geometry is None and geometry is not None:
        raise PlanError("is declared without geometry, but has one", where=declaration.name)
    if declaration.geometry is not None and geometry is None and len(frame):
        raise PlanError(f"has no geometry, but {declaration.geometry} is declared", where=declaration.name)
    extra = [name for name in frame.columns if name != geometry and name not in {c.name for c in declaration.columns}]
    if extra:
        raise PlanError(f"column '{extra[0]}' is not declared", where=declaration.name, advice="Declare it or drop it.")


def _has_geometry(frame: pd.DataFrame) -> bool:
    return isinstance(frame, gpd.GeoDataFrame) and frame.active_geometry_name is not None


def _conformed_values(values: pd.Series[Any], column: ColumnSpec, layer: str) -> pd.Series[Any]:
    conform = {
        "text": _texts,
        "real": _reals,
        "integer": _integers,
        "boolean": _booleans,
        "datetime": _datetimes,
    }[column.kind]
    try:
        return conform(values)
    except (ValueError, TypeError, OverflowError) as error:
        raise PlanError(
            f"column '{column.name}' is declared {column.kind}, but {one_line(error)}", where=layer
        ) from error


def _refuse_others(values: pd.Series[Any], kinds: type | tuple[type, ...]) -> None:
    for row, value in values[values.notna()].items():
        if not isinstance(value, kinds):
            raise ValueError(f"row {row} holds {value!r}")


def _texts(values: pd.Series[Any]) -> pd.Series[Any]:
    _refuse_others(values, str)
    return values.astype(object).where(values.notna(), None)


def _reals(values: pd.Series[Any]) -> pd.Series[Any]:
    if not pd.api.types.is_numeric_dtype(values.dtype):
        _refuse_others(values, Real)
        values = values.astype(object).where(values.notna(), pd.NA)
    numbers = pd.Series(values.astype("Float64").to_numpy(dtype=float, na_value=np.nan))
    infinite = np.flatnonzero(np.isinf(numbers))
    if len(infinite):
        raise ValueError(f"row {infinite[0]} holds an infinite number")
    return numbers


def _integers(values: pd.Series[Any]) -> pd.Series[Any]:
    if pd.api.types.is_integer_dtype(values.dtype):
        return values.astype("Int64")
    if values.dtype == object and all(isinstance(value, Integral) for value in values[values.notna()]):
        return values.where(values.notna(), pd.NA).astype("Int64")
    numbers = _reals(values)
    broken = np.flatnonzero(numbers.notna() & (numbers != numbers.round()))
    if len(broken):
        raise ValueError(f"row {broken[0]} holds {numbers[broken[0]]}")
    return numbers.astype("Int64")


def _booleans(values: pd.Series[Any]) -> pd.Series[Any]:
    if not pd.api.types.is_bool_dtype(values.dtype):
        _refuse_others(values, (bool, np.bool_))
        values = values.astype(object).where(values.notna(), None)
    return values.astype("boolean")


def _datetimes(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return times in UTC; those without a zone are taken as UTC."""
    return pd.to_datetime(values, utc=True, format="ISO8601")


def _conformed_geometry(frame: pd.DataFrame, declaration: LayerSpec) -> NDArray[np.object_]:
    if not len(frame):
        return np.empty(0, dtype=object)
    geometries = shapely.force_2d(np.asarray(frame.geometry.to_numpy(), dtype=object))
    single = (declaration.geometry or "").removeprefix("Multi")
    welcome = {declaration.geometry, single, None}
    wrong = [] if single == "Geometry" else [name not in welcome for name in type_names(geometries)]
    for rows, reason in (
        (wrong, f"is no {declaration.geometry}"),
        (not_finite(geometries), "has no finite place"),
    ):
        if np.any(rows):
            row = int(np.flatnonzero(rows)[0])
            raise PlanError(f"geometry {reason}", where=(declaration.name, _row_name(frame, row)))
    return np.asarray(geometries, dtype=object)


def _row_name(frame: pd.DataFrame, row: int) -> str:
    return f"row {row} ({frame['parcel_id'].iloc[row]})" if "parcel_id" in frame else f"row {row}"


def common_crs(
    layers: Mapping[str, pd.DataFrame], declarations: Sequence[LayerSpec], crs: CRS | None, target: Path
) -> CRS | None:
    """Return the one CRS of all layers: a file that mixes them looks right and lies."""
    common = None if crs is None else horizontal_crs(crs)
    for name, frame in layers.items():
        if not isinstance(frame, gpd.GeoDataFrame) or not _has_geometry(frame):
            continue
        if frame.crs is None:
            if len(frame):
                raise PlanError("has no CRS", where=(str(target), name), advice="Give the layer a CRS.")
            continue
        own = horizontal_crs(frame.crs)
        if common is not None and own != common:
            raise PlanError(f"is in {own.name}, other layers are in {common.name}", where=(str(target), name))
        common = own
    if common is None and any(declaration.geometry for declaration in declarations):
        raise PlanError("no CRS is known for the layers", where=str(target), advice="Give the layers a CRS.")
    return common
