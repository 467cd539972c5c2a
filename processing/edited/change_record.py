"""What a person changed in a plan: the tool keeps a record of what it wrote, and compares.

The record of a layer holds a digest of each feature's geometry and of its values, and one of each column, so that an
edit can be named. It is taken of a canonical form: coordinates to the millimetre, rings from their lowest corner,
numbers by value to nine digits, empty text as no text. A file that another program wrote anew without changing
anything, in another order, with its polygons made multipolygons or its geometry column renamed, has the same record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b
from itertools import islice
from math import isnan
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from lawngis.geometry.frame import flat

from ..model.catalogue import Said, Values, sentences
from ..model.contract import Layer
from ..model.plan import Row
from ..model.row_checks import columns_of
from ..model.stored_values import singles

DIGITS_METRES, DIGITS_DEGREES = 3, 8
"""Decimals to which coordinates count: about a millimetre."""

NUMERIC = ("real", "integer", "boolean")
FINE_BITS = 22
"""Binary digits of a number that don't count: 30 are left, or nine decimal ones."""

ATTRIBUTES_FROM = 8
"""Where in a feature's digest that of its values begins: the letters before are its geometry's."""

NAMES_MAX = 5
"""As many edited features of a layer are named one by one."""

NOT_RECORDED = ("run_info",)
FOUND_LATER = "neighbours"
"""Findings of this origin depend on other parcels, and come and go with them."""

Record = Mapping[str, Any]
_EMPTY = b"-"


def coordinate_digits(crs: CRS) -> int:
    """Return the decimals to which coordinates of a CRS count."""
    return DIGITS_DEGREES if crs.is_geographic else DIGITS_METRES


def layer_record(spec: Layer, rows: Sequence[Row], digits: int) -> dict[str, Any]:
    """Return the record of some rows of a layer: what :func:`layer_edit` needs to tell whether they were changed.

    Parameters
    ----------
    spec
        Declaration of the layer.
    rows
        Its rows of one parcel, in the CRS of the file.
    digits
        Decimals to which coordinates count.
    """
    return layer_records([(spec, rows)], digits)[0]


def layer_records(layers: Sequence[tuple[Layer, Sequence[Row]]], digits: int) -> list[dict[str, Any]]:
    """Return the record of each of several layers; see :func:`layer_record`.

    Shapes and numbers of all are brought into canonical form at once: most layers of a parcel have few.
    """
    own_rows = [[row for row in rows if row.get("step") != FOUND_LATER] for _, rows in layers]
    tables = _canonical([(spec, rows) for (spec, _), rows in zip(layers, own_rows, strict=True)])
    shaped = [rows if spec.geometry is not None else [] for (spec, _), rows in zip(layers, own_rows, strict=True)]
    shapes = iter(_shapes([row.get("geometry") for rows in shaped for row in rows], digits))
    return [
        _record(spec, rows, table, list(islice(shapes, len(with_shape))))
        for (spec, _), rows, table, with_shape in zip(layers, own_rows, tables, shaped, strict=True)
    ]


def _record(spec: Layer, rows: Sequence[Row], table: _Canonical, shapes: Sequence[bytes]) -> dict[str, Any]:
    """Return the record of rows, given their values and shapes in canonical form; tables have no shapes."""
    places = [_digest(shape, 4) for shape in shapes] or ["0" * ATTRIBUTES_FROM] * len(rows)
    features = [place + value for place, value in zip(places, _feature_digests(table), strict=True)]
    if spec.key is None:
        return {"rows": len(rows), "all": _digest("".join(sorted(features)).encode(), 8)}
    keys = [_key(row, spec.key) for row in rows]
    order = sorted(range(len(keys)), key=keys.__getitem__)
    return {"features": dict(zip(keys, features, strict=True)), "columns": _column_digests(table, order)}


def _key(row: Row, key: str) -> str:
    """Return a feature's name without its parcel's, which all share."""
    return str(row.get(key) or "").removeprefix(f"{row.get('parcel_id')}-")


@dataclass(frozen=True, eq=False)
class _Canonical:
    """Values of rows in a form that doesn't depend on the types in which a program hands them over.

    Numbers and words, column by column: `numbers` has a row for each column of `numeric`.
    """

    numeric: Sequence[str]
    numbers: NDArray[np.float64]
    words: Mapping[str, Sequence[str]]


def _canonical(layers: Sequence[tuple[Layer, Sequence[Row]]]) -> list[_Canonical]:
    """Return the values of each layer in canonical form."""
    numeric: list[list[str]] = []
    words: list[dict[str, list[str]]] = []
    numbers: list[Any] = []
    true_or_false: list[bool] = []
    for spec, rows in layers:
        columns, nothing = columns_of(rows), (None,) * len(rows)
        numeric.append([])
        words.append({})
        for column in spec.columns:
            if column.name in (spec.key, "parcel_id"):
                continue
            values = columns.get(column.name, nothing)
            if column.kind in NUMERIC:
                numeric[-1].append(column.name)
                numbers += values
                true_or_false += [column.kind == "boolean"] * len(values)
            else:
                words[-1][column.name] = _words(values)
    coarse = _coarse(_numbers(numbers, np.array(true_or_false, dtype=np.bool_)))
    counts = [len(names) * len(rows) for names, (_, rows) in zip(numeric, layers, strict=True)]
    parts = np.split(coarse, np.cumsum(counts)[:-1]) if counts else []
    return [
        _Canonical(names, part.reshape(len(names), len(rows)), texts)
        for names, texts, part, (_, rows) in zip(numeric, words, parts, layers, strict=True)
    ]


def _words(values: Sequence[Any]) -> list[str]:
    """Return values as text, empty where there is none."""
    return [value if type(value) is str else "" if _is_gap(value) else str(value) for value in values]


def _numbers(values: Sequence[Any], true_or_false: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return numbers, NaN where there is none; truth is 1."""
    try:
        found = np.array(values, dtype=np.float64)  # None is NaN
    except (TypeError, ValueError):
        found = np.array([np.nan if _is_gap(value) else float(value) for value in values], dtype=np.float64)
    return np.where(true_or_false & ~np.isnan(found), found != 0.0, found)


def _is_gap(value: Any) -> bool:
    return value is None or value == "" or (isinstance(value, float) and isnan(value))


def _coarse(numbers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return numbers with :data:`FINE_BITS` fewer binary digits; zero has no sign, and all that are none are alike."""
    bits = (np.where(np.isnan(numbers), 0.0, numbers) + 0.0).view(np.int64)
    half = 1 << (FINE_BITS - 1)
    found = ((bits + half) & ~((1 << FINE_BITS) - 1)).view(np.float64)
    return np.where(np.isnan(numbers), np.nan, found).astype("<f8")


def _feature_digests(table: _Canonical) -> list[str]:
    """Return the digest of each row's values."""
    columns, rows = table.numbers.shape
    content, wide = table.numbers.T.tobytes(), columns * table.numbers.itemsize
    texts = ["\x1f".join(some).encode() for some in zip(*table.words.values(), strict=True)]
    texts = texts or [b""] * rows
    return [_digest(content[row * wide : (row + 1) * wide] + text, 4) for row, text in enumerate(texts)]


def _column_digests(table: _Canonical, order: Sequence[int]) -> dict[str, str]:
    """Return the digest of each column, with its rows in an order."""
    numbers = table.numbers[:, np.array(order, dtype=int)]
    found = {name: _digest(some.tobytes(), 3) for name, some in zip(table.numeric, numbers, strict=True)}
    return found | {
        name: _digest("\x1f".join([some[place] for place in order]).encode(), 3) for name, some in table.words.items()
    }


def _shapes(geometries: Sequence[Any], digits: int) -> list[bytes]:
    """Return geometries as bytes in canonical form; lines keep their direction, which means something."""
    plain = singles(geometries)
    known = ~(shapely.is_missing(plain) | shapely.is_empty(plain))
    found: NDArray[np.object_] = np.full(len(plain), _EMPTY, dtype=object)
    if known.any():
        coarse = shapely.transform(flat(plain[known]), lambda xy: np.round(xy, digits) + 0.0)
        types = shapely.get_type_id(coarse)
        areal = (types == shapely.GeometryType.POLYGON) | (types == shapely.GeometryType.MULTIPOLYGON)
        coarse[areal] = shapely.normalize(coarse[areal])
        found[known] = shapely.to_wkb(coarse, byte_order=1)
    return list(found)


def _digest(content: bytes, size: int) -> str:
    return blake2b(content, digest_size=size).hexdigest()


@dataclass(frozen=True)
class LayerEdit:
    """What a person changed in one layer of one parcel.

    Parameters
    ----------
    layer
        Name of the layer.
    geometry
        Names of the features of which the geometry was changed, without the parcel's name.
    values
        Those of which only values were changed.
    new, gone
        Those that were added and deleted; features without a name of their own count as added.
    columns
        Columns whose values were changed in features that are there before and after.
    added_columns
        Columns that the contract doesn't have.
    others
        Rows of a layer without names were changed.
    """

    layer: str
    geometry: tuple[str, ...] = ()
    values: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    gone: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    added_columns: tuple[str, ...] = ()
    others: bool = False

    def __bool__(self) -> bool:
        """Tell whether anything was changed."""
        return bool(self.geometry or self.values or self.new or self.gone or self.added_columns or self.others)

    def part(self, parcel_id: str) -> Said:
        """Return what is said of the edit, as a part of a sentence."""
        columns = {"columns": self.columns or ("values",)}
        changes = [
            *_named(parcel_id, self.geometry, {"case": "geometry"}),
            *_named(parcel_id, self.values, {"case": "values", **columns}),
            *_named(parcel_id, self.new, {"case": "new"}),
            *_named(parcel_id, self.gone, {"case": "gone"}),
        ]
        if self.added_columns:
            changes.append(("edited-columns", {"columns": self.added_columns, "number": len(self.added_columns)}))
        if self.others:
            changes.append(("edited-rows", {"parcel_id": parcel_id}))
        return "layer-edit", {"layer": self.layer, "changes": changes}

    def words(self, parcel_id: str) -> str:
        """Return the edit in words: ``zones: P07-Z1 geometry``."""
        code, values = self.part(parcel_id)
        return sentences().said("part", code, "text", values)


def _named(parcel_id: str, names: Sequence[str], change: Values) -> list[Said]:
    known = [f"{parcel_id}-{name}" for name in names if name]
    more = len(known) - NAMES_MAX if len(known) > NAMES_MAX else None
    named: list[Said] = [("edited-features", {**change, "features": known[:NAMES_MAX], "more": more})] if known else []
    return named if len(known) == len(names) else [*named, ("edited-nameless", change)]


def _as_recorded(spec: Layer, before: Record) -> Layer:
    """Return a layer with the columns that its record has: a plan of an earlier version lacks those that came since."""
    known = before.get("columns")
    if not known:
        return spec
    return replace(spec, columns=tuple(column for column in spec.columns if column.name in known))


def layer_edit(
    spec: Layer, before: Record, rows: Sequence[Row], digits: int, *, added_columns: Sequence[str] = ()
) -> LayerEdit:
    """Return what was changed in a layer of one parcel since its record was taken.

    Parameters
    ----------
    spec
        Declaration of the layer.
    before
        Its record.
    rows
        Its rows as they are now.
    digits
        Decimals to which coordinates count.
    added_columns
        Columns that the layer has and the declaration doesn't.
    """
    after = layer_record(_as_recorded(spec, before), rows, digits)
    added = tuple(added_columns) if rows else ()
    if spec.key is None:
        return LayerEdit(spec.name, added_columns=added, others=after != dict(before))
    old, new = before.get("features", {}), after["features"]
    keys = [_key(row, spec.key) for row in rows if row.get("step") != FOUND_LATER]
    twice = {key for key in keys if keys.count(key) > 1} if len(set(keys)) < len(keys) else set()
    common = [key for key in new if key in old and key not in twice]
    moved = tuple(key for key in common if old[key][:ATTRIBUTES_FROM] != new[key][:ATTRIBUTES_FROM])
    changed = tuple(key for key in common if old[key][ATTRIBUTES_FROM:] != new[key][ATTRIBUTES_FROM:])
    columns = before.get("columns", {})
    named = tuple(name for name, digest in after["columns"].items() if columns.get(name, digest) != digest)
    return LayerEdit(
        spec.name,
        geometry=moved,
        values=tuple(key for key in changed if key not in moved),
        new=tuple(sorted({key for key in new if key not in old} | twice)),
        gone=tuple(key for key in old if key not in new),
        columns=named if changed else (),
        added_columns=added,
    )
