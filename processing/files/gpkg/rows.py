"""Rows as their layer declares them: columns, kinds, geometry and CRS."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import compress
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

from ...model.row_checks import columns_of
from .opening import one_line
from .validity import not_finite, type_names

if TYPE_CHECKING:
    from ...model.contract import Column, Layer

LITTLE_ENDIAN = 1
WKB_TYPES = (
    "Geometry", "Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection"
)  # fmt: skip
"""By their codes in well-known binary: OGC 06-103r4, table 7."""
WKB_HEAD = struct.calcsize("<BI")


@dataclass(frozen=True, eq=False)
class Columns:
    """Rows of a layer column by column, as they go into a file.

    Parameters
    ----------
    values
        Values by column, in the order of the declaration.
    missing
        Which of them are missing, where the values can't say it themselves.
    shapes
        Geometries as well-known binary; None when the layer has none.
    rows
        How many there are.
    """

    values: Mapping[str, NDArray[Any]]
    missing: Mapping[str, NDArray[np.bool_]]
    shapes: NDArray[np.object_] | None
    rows: int


LayerRows = pd.DataFrame | Columns


@dataclass(eq=False)
class RawColumns:
    """Rows of a layer column by column, as they are packed, unpacked and put together: several times quicker than rows.

    Parameters
    ----------
    values
        Plain values by column; None where a row has no such column.
    shapes
        Geometries as well-known binary; None when no row has one.
    rows
        How many there are.
    """

    values: dict[str, list[Any]] = field(default_factory=dict)
    shapes: list[bytes | None] | None = None
    rows: int = 0

    def extend(self, others: RawColumns) -> None:
        """Add rows at the end."""
        for name, values in others.values.items():
            self.values.setdefault(name, [None] * self.rows).extend(values)
        for name in self.values.keys() - others.values.keys():
            self.values[name].extend([None] * others.rows)
        if self.shapes is not None or others.shapes is not None:
            self.shapes = [None] * self.rows if self.shapes is None else self.shapes
            self.shapes.extend([None] * others.rows if others.shapes is None else others.shapes)
        self.rows += others.rows

    def where(self, wanted: Sequence[bool]) -> RawColumns:
        """Return some of the rows: those of which it is wanted."""
        shapes = None if self.shapes is None else list(compress(self.shapes, wanted))
        values = {name: list(compress(values, wanted)) for name, values in self.values.items()}
        return RawColumns(values, shapes, sum(wanted))

    def split(self, column: str) -> dict[Any, RawColumns]:
        """Return the rows by the values of a column."""
        places: dict[Any, list[int]] = {}
        for place, value in enumerate(self.values.get(column, ())):
            places.setdefault(value, []).append(place)
        return {value: self._at(some) for value, some in places.items()}

    def _at(self, places: Sequence[int]) -> RawColumns:
        first, last = places[0], places[-1] + 1
        if last - first == len(places):  # as they are written
            values = {name: some[first:last] for name, some in self.values.items()}
            return RawColumns(values, None if self.shapes is None else self.shapes[first:last], len(places))
        values = {name: [some[place] for place in places] for name, some in self.values.items()}
        shapes = None if self.shapes is None else [self.shapes[place] for place in places]
        return RawColumns(values, shapes, len(places))

    def as_rows(self) -> list[Mapping[str, Any]]:
        """Return the rows one by one, the geometry as ``geometry``."""
        columns: dict[str, Sequence[Any]] = dict(self.values)
        if self.shapes is not None:
            columns["geometry"] = shapely.from_wkb(self.shapes).tolist()
        return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def raw_columns(rows: Sequence[Mapping[str, Any]], layer: str) -> RawColumns:
    """Return rows of a layer, given as values by column with the geometry as ``geometry``, column by column.

    Raises
    ------
    PlanError
        When a geometry has a coordinate that is no number.
    """
    return raw_of_columns(columns_of(rows), layer)


def raw_of_columns(columns: Mapping[str, Sequence[Any]], layer: str) -> RawColumns:
    """Return rows of a layer, given as columns with the geometry as ``geometry``; see :func:`raw_columns`."""
    values = {name: list(some) for name, some in columns.items() if name != "geometry"}
    rows = len(next(iter(columns.values()), ()))
    drawn = columns.get("geometry")
    shapes = None if drawn is None else _shapes_of(drawn, values.get("parcel_id") or [None] * rows, layer)
    return RawColumns(values, shapes, rows)


def _shapes_of(drawn: Sequence[Any], parcels: Sequence[Any], layer: str) -> list[bytes | None]:
    geometries = np.array(drawn, dtype=object)
    lost = not_finite(geometries)
    if lost.any():
        row = int(np.flatnonzero(lost)[0])
        raise PlanError("geometry has no finite place", where=(layer, f"row {row} ({parcels[row]})"))
    shapes: list[bytes | None] = shapely.to_wkb(geometries, byte_order=LITTLE_ENDIAN).tolist()
    return shapes


def declared_columns(rows: Sequence[Mapping[str, Any]] | RawColumns, declaration: Layer) -> Columns:
    """Return rows as the declared columns; what is not declared is left out.

    Parameters
    ----------
    rows
        Values by column, and the geometry as ``geometry``; or as :class:`RawColumns`.
    declaration
        Of their layer.

    Raises
    ------
    PlanError
        When a value or a geometry does not fit the declaration.
    """
    raw = rows if isinstance(rows, RawColumns) else raw_columns(rows, declaration.name)
    values: dict[str, NDArray[Any]] = {}
    missing: dict[str, NDArray[np.bool_]] = {}
    for column in declaration.columns:
        some = raw.values.get(column.name) or [None] * raw.rows
        values[column.name], gaps = _quick(some, column.kind) or _slow(some, column, declaration.name)
        if gaps is not None:
            missing[column.name] = gaps
    shapes = None if declaration.geometry is None else _declared_shapes(raw, declaration)
    return Columns(values, missing, shapes, raw.rows)


def _declared_shapes(raw: RawColumns, declaration: Layer) -> NDArray[np.object_]:
    """Return geometries as declared; those that say so in their first bytes are not even unpacked."""
    shapes = np.array(raw.shapes or [None] * raw.rows, dtype=object)
    if {None if shape is None else shape[:WKB_HEAD] for shape in shapes} <= _welcome_heads(declaration):
        return shapes
    parcels = raw.values.get("parcel_id") or [None] * raw.rows
    geometries = np.array(shapely.from_wkb(shapes), dtype=object)
    checked = _checked_geometry(geometries, declaration, lambda row: f"row {row} ({parcels[row]})")
    return np.array(shapely.to_wkb(checked), dtype=object)


def _welcome_heads(declaration: Layer) -> set[bytes | None]:
    """Return the first bytes, byte order and type, that flat geometries of the declared type can have."""
    codes = {name: code for code, name in enumerate(WKB_TYPES)}
    declared = declaration.geometry or ""
    names = WKB_TYPES if declared == "Geometry" else {declared, declared.removeprefix("Multi")}
    return {None, *(struct.pack("<BI", LITTLE_ENDIAN, codes[name]) for name in names)}


_Arrays = tuple[NDArray[Any], NDArray[np.bool_] | None]
_QUICK_KINDS: Mapping[str, frozenset[type]] = {
    "text": frozenset({str, type(None)}),
    "real": frozenset({float, int, np.float64, type(None)}),
    "integer": frozenset({int, type(None)}),
    "boolean": frozenset({bool, type(None)}),
}


def _quick(values: Sequence[Any], kind: str) -> _Arrays | None:
    """Return values and gaps of a column whose values all have the plainest types; None when they don't."""
    kinds = set(map(type, values))
    if not kinds <= _QUICK_KINDS.get(kind, frozenset()):
        return None
    if kind == "text":
        return np.array([*values, None], dtype=object)[:-1], None  # nothing but text makes no array of numbers
    if kind == "real":
        numbers = np.array(values, dtype=float)
        return None if np.isinf(numbers).any() else (numbers, None)
    dtype = np.dtype(np.int64 if kind == "integer" else np.bool_)
    if type(None) not in kinds:
        return np.array(values, dtype=dtype), None
    gaps = np.array([value is None for value in values])
    return np.array([value or 0 for value in values], dtype=dtype), gaps


def _slow(values: Sequence[Any], column: Column, layer: str) -> _Arrays:
    """Return values and gaps of a column of any types, each value looked at."""
    series = _conformed_values(pd.Series(values, dtype=object), column, layer)
    if column.kind == "datetime":
        times = pd.Series(series).dt.tz_localize(None)
        return times.to_numpy(), times.isna().to_numpy()
    if column.kind in ("integer", "boolean"):
        dtype: Any = np.int64 if column.kind == "integer" else np.bool_
        return series.fillna(0).to_numpy(dtype=dtype), series.isna().to_numpy(dtype=bool)
    return series.to_numpy(), None


def conformed_layers(
    layers: Mapping[str, LayerRows], declarations: Sequence[Layer], crs: CRS | None
) -> dict[str, LayerRows]:
    """Return the layers with the declared columns, in their order and of their kinds."""
    unknown = sorted(set(layers) - {declaration.name for declaration in declarations})
    if unknown:
        raise PlanError(f"layer '{unknown[0]}' is not declared", advice="Declare the layer, or leave it out.")
    conformed: dict[str, LayerRows] = {}
    for declaration in declarations:
        layer = layers.get(declaration.name)
        if layer is not None:
            conformed[declaration.name] = layer if isinstance(layer, Columns) else _conformed(layer, declaration, crs)
    return conformed


def _conformed(frame: pd.DataFrame, declaration: Layer, crs: CRS | None) -> pd.DataFrame:
    """Return a layer's rows with the declared columns, in their order and of their kinds."""
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


def _refuse_undeclared(frame: pd.DataFrame, declaration: Layer) -> None:
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


def _conformed_values(values: pd.Series[Any], column: Column, layer: str) -> pd.Series[Any]:
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


def _conformed_geometry(frame: pd.DataFrame, declaration: Layer) -> NDArray[np.object_]:
    if not len(frame):
        return np.empty(0, dtype=object)
    geometries = np.asarray(frame.geometry.to_numpy(), dtype=object)
    return _checked_geometry(geometries, declaration, lambda row: _row_name(frame, row))


def _checked_geometry(
    geometries: NDArray[np.object_], declaration: Layer, row_name: Callable[[int], str]
) -> NDArray[np.object_]:
    high = shapely.has_z(geometries)
    if high.any():
        geometries = geometries.copy()
        geometries[high] = shapely.force_2d(geometries[high])
    single = (declaration.geometry or "").removeprefix("Multi")
    welcome = {declaration.geometry, single, None}
    wrong = [] if single == "Geometry" else [name not in welcome for name in type_names(geometries)]
    for rows, reason in (
        (wrong, f"is no {declaration.geometry}"),
        (not_finite(geometries), "has no finite place"),
    ):
        if np.any(rows):
            row = int(np.flatnonzero(rows)[0])
            raise PlanError(f"geometry {reason}", where=(declaration.name, row_name(row)))
    return geometries


def _row_name(frame: pd.DataFrame, row: int) -> str:
    return f"row {row} ({frame['parcel_id'].iloc[row]})" if "parcel_id" in frame else f"row {row}"


def common_crs(
    layers: Mapping[str, LayerRows], declarations: Sequence[Layer], crs: CRS | None, target: Path
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
