"""Values of a plan's columns as people and other programs left them, held against what the column declares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from .contract import Column, ColumnKind, Layer
from .row_checks import column_sound
from .values import integer_of, number_of, text_of, truth_of

_KINDS: Mapping[ColumnKind, type] = {"real": float, "integer": int, "boolean": bool, "text": str, "datetime": str}
_READERS = {"real": number_of, "integer": integer_of, "boolean": truth_of}


def as_declared(column: Column, values: list[Any]) -> list[Any]:
    """Return values in the kind of their column, where a program handed them over in another.

    In a file that nobody has touched all are so already.
    """
    if set(map(type, values)) <= {_KINDS[column.kind], type(None)}:
        return values
    return [_lenient(column, value) for value in values]


def _lenient(column: Column, value: Any) -> Any:
    """Return a value in the kind of its column, as it is where it can't be."""
    if value is None or (value == "" and column.kind != "text"):
        return None
    try:
        return _READERS.get(column.kind, _text)(value)
    except (TypeError, ValueError):
        return value


def _text(value: Any) -> str:
    return value if isinstance(value, str) else text_of(value)


def value_fault(column: Column, value: Any, *, needless: bool = False) -> str:
    """Return what is wrong with a value, in words; empty when nothing is."""
    if value is None:
        return "" if column.nullable or needless else "has no value"
    sound = isinstance(value, _KINDS[column.kind]) and column_sound(column, [value])
    return "" if sound else f"can't be {value!r}"


def value_advice(column: Column) -> str:
    """Return what to enter in a column."""
    if column.values:
        return f"Enter one of {', '.join(column.values)}."
    if column.form == "clock":
        return f"Enter a time such as 09:30: {column.description}."
    kind = {"real": "a number", "integer": "a whole number", "boolean": "true or false"}.get(column.kind, "text")
    unit = f" in {column.unit}" if column.unit else ""
    return f"Enter {kind}{unit}: {column.description}."


def singles(geometries: Sequence[BaseGeometry | None]) -> NDArray[np.object_]:
    """Return the one part of each geometry that has only one, as programs like to make single parts multiple."""
    found = np.empty(len(geometries), dtype=object)
    found[:] = geometries
    types = shapely.get_type_id(found)
    multiple = (types >= shapely.GeometryType.MULTIPOINT) & (types <= shapely.GeometryType.MULTIPOLYGON)
    alone = multiple & (shapely.get_num_geometries(found) == 1)
    if alone.any():
        found[alone] = shapely.get_geometry(found[alone], 0)
    return found


def shape_fault(spec: Layer, shape: BaseGeometry | None) -> str:
    """Return what is wrong with a geometry of a layer, in words; empty when nothing is."""
    if shape is None or shape.is_empty:
        return "" if spec.may_be_empty_geometry else "has no geometry"
    kind = shape.geom_type
    welcome = {*spec.geometry_types, *(name.removeprefix("Multi") for name in spec.geometry_types)}
    if welcome and kind not in welcome:
        return f"is a {kind}, not a {' or '.join(spec.geometry_types)}"
    return "" if np.isfinite(shapely.get_coordinates(shape)).all() else "has no finite place"
