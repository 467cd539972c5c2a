"""Rows of a parcel in few bytes, column by column: real numbers as they are in memory, geometries as well-known binary.

A block is a line of JSON that says how many bytes each layer takes, and behind it the layers, each compressed by
itself. No code is ever loaded from it, and every number comes back to the last bit.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.plan import Row
from .gpkg import RawColumns, raw_columns

REAL = np.dtype("<f8")

PACKING = 1
"""zlib's quickest level: rows shrink to a fifth, and higher levels gain little."""


def packed_rows(rows: Mapping[str, Sequence[Row]]) -> bytes:
    """Return rows by layer in few bytes.

    First how many bytes each layer takes, then the layers, each packed by itself: one can be read without the others.

    Raises
    ------
    PlanError
        When a geometry has a coordinate that is no number.
    """
    return packed_columns({name: raw_columns(some, name) for name, some in rows.items() if some})


def packed_columns(layers: Mapping[str, RawColumns]) -> bytes:
    """Return rows by layer, given column by column, in few bytes; see :func:`packed_rows`."""
    return _joined({name: _packed_layer(raw) for name, raw in layers.items()})


def unpacked_rows(block: bytes, only: Collection[str] | None = None) -> dict[str, list[Row]]:
    """Return what :func:`packed_rows` packed, all layers or some."""
    return {name: columns.as_rows() for name, columns in unpacked_columns(block, only)}


def unpacked_columns(block: bytes, only: Collection[str] | None = None) -> Iterator[tuple[str, RawColumns]]:
    """Yield what :func:`packed_rows` packed layer by layer, column by column, all layers or some."""
    for name, packed in _packed_layers(block):
        if only is None or name in only:
            yield name, _unpacked_layer(packed)


def _packed_layers(block: bytes) -> Iterator[tuple[str, bytes]]:
    line, _, packed = block.partition(b"\n")
    start = 0
    for name, size in json.loads(line).items():
        yield name, packed[start : start + size]
        start += size


def block_of(block: bytes, only: Collection[str]) -> bytes:
    """Return some layers of what :func:`packed_rows` packed, still packed."""
    return _joined({name: packed for name, packed in _packed_layers(block) if name in only})


def _joined(layers: Mapping[str, bytes]) -> bytes:
    sizes = json.dumps({name: len(packed) for name, packed in layers.items()}, separators=(",", ":")).encode()
    return b"".join([sizes, b"\n", *layers.values()])


def _packed_layer(raw: RawColumns) -> bytes:
    """Return rows as a line of JSON, behind it the columns of real numbers, and then the geometries."""
    reals = {name: np.array(values, dtype=REAL) for name, values in raw.values.items() if _are_reals(values)}
    head = {
        "rows": raw.rows,
        "columns": {name: None if name in reals else values for name, values in raw.values.items()},
        "sizes": None if raw.shapes is None else [len(wkb or b"") for wkb in raw.shapes],
    }
    line = json.dumps(head, default=plain, ensure_ascii=False, separators=(",", ":"))
    numbers = (column.tobytes() for column in reals.values())
    shapes = (wkb for wkb in raw.shapes or () if wkb)
    return zlib.compress(b"".join([line.encode(), b"\n", *numbers, *shapes]), PACKING)


def _are_reals(values: Sequence[Any]) -> bool:
    """Return whether values go into an array as they are: real numbers, and gaps, which are NaN there."""
    return set(map(type, values)) <= {float, np.float64, type(None)}


def _unpacked_layer(packed: bytes) -> RawColumns:
    line, _, rest = zlib.decompress(packed).partition(b"\n")
    head = json.loads(line)
    rows, columns = head["rows"], head["columns"]
    start = 0
    for name in (name for name, values in columns.items() if values is None):
        columns[name] = _with_gaps(np.frombuffer(rest, REAL, rows, start))
        start += rows * REAL.itemsize
    if head["sizes"] is None:
        return RawColumns(columns, None, rows)
    ends = accumulate(head["sizes"], initial=start)
    return RawColumns(columns, [rest[first:end] or None for first, end in pairwise(ends)], rows)


def _with_gaps(numbers: NDArray[np.float64]) -> list[float | None]:
    values: list[float | None] = numbers.tolist()
    if np.isnan(numbers).any():
        return [None if gap else number for number, gap in zip(values, np.isnan(numbers).tolist(), strict=True)]
    return values


def plain(value: Any) -> Any:
    """Return a number of numpy's as Python's own, for JSON."""
    return value.item()
