"""What is known of the making of each parcel's layers: rows of `run_info`, by which edits are recognised later."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ..files import gpkg
from ..files.plan_reader import PlanFile
from ..model.contract import Layer
from ..model.plan import Row
from ..model.values import texts_of
from .change_record import NOT_RECORDED, Record, layer_records

WRITTEN = "written"
"""Key of a parcel's row of `run_info` that holds the records of its layers."""

RECORD_FORMAT = 2
"""Goes up with every change in what is digested and how."""

ROWS = "rows"
"""Key of a parcel's row of `run_info` with digests of its rows as they are stored, by layer: whether any were touched.
That of rows of no parcel has no parcel either."""

STYLES = "styles"
"""Key of the row of `run_info` with digests of the styles that were written."""

EDITED = "edited"
"""Key of a parcel's row of `run_info` that names what a person edited."""

RECORDS_MAX = 1_000
"""Rows of `run_info` that are looked at at a time: each is long."""


@dataclass(frozen=True, eq=False)
class RecordContext:
    """What a parcel's record needs beside the rows.

    Parameters
    ----------
    specs
        Declarations of the layers.
    digits
        Decimals to which coordinates count.
    kept
        Records of layers that were taken over from an earlier plan: an edit stays one until it is overwritten.
    overrides
        What was measured on site and is in the rows.
    """

    specs: Mapping[str, Layer]
    digits: int
    kept: Mapping[str, Record] = field(default_factory=dict)
    overrides: frozenset[str] = frozenset()


def written_row(parcel_id: str, rows: Mapping[str, Sequence[Row]], context: RecordContext) -> Row:
    """Return the row of `run_info` by which edits of a parcel are recognised later.

    Parameters
    ----------
    parcel_id
        Parcel.
    rows
        Its rows by layer, as they are written.
    context
        What else belongs into the record.
    """
    names = [name for name in rows if name not in NOT_RECORDED]
    records = layer_records([(context.specs[name], rows[name]) for name in names], context.digits)
    layers: dict[str, Record] = dict(zip(names, records, strict=True))
    layers |= {name: context.kept[name] for name in context.kept if name in layers}
    record = {"format": RECORD_FORMAT, "layers": layers, "overrides": sorted(context.overrides)}
    text = json.dumps(record, ensure_ascii=False, separators=(",", ":"))
    return {"parcel_id": parcel_id, "key": WRITTEN, "value": text}


def stored_rows_info(path: Path, specs: Mapping[str, Layer], *, touched: Collection[str]) -> list[Row]:
    """Return the rows of `run_info` by which it is seen what was touched, of a file that is complete otherwise.

    Parcels that were `touched` before and taken over as they are stay so: they get none.
    """
    digests = gpkg.row_digests(path, [name for name in specs if name not in NOT_RECORDED])
    said = {name: json.dumps(some) for name, some in digests.items() if name not in touched}
    styles = gpkg.style_digests(specs.values())
    return [
        {"parcel_id": None, "key": STYLES, "value": json.dumps(styles)},
        *({"parcel_id": name or None, "key": ROWS, "value": value} for name, value in said.items()),
    ]


def touched_parcels(plan: PlanFile) -> dict[str, set[str]] | None:
    """Return by layer of which parcels the stored rows were touched since they were written; None if nothing says so.

    Rows that belong to no parcel count under the empty name. A parcel with edits that were taken over stays touched.
    """
    edited = parcel_facts(plan, EDITED)
    written = {name: json.loads(value) for name, value in parcel_facts(plan, ROWS).items() if name not in edited}
    if not written:
        return None
    names = {layer: info.name for layer, info in plan.layers.items() if layer not in NOT_RECORDED}
    now = gpkg.row_digests(plan.path, list(names.values()))
    parcels = written.keys() | now.keys()
    return {
        layer: {name for name in parcels if written.get(name, {}).get(layer) != now.get(name, {}).get(stored)}
        for layer, stored in names.items()
    }


def parcel_facts(plan: PlanFile, key: str) -> dict[str, str]:
    """Return the values of a key of `run_info` by parcel; that of no parcel under the empty name."""
    if "run_info" not in plan.layers:
        return {}
    table = gpkg.read_table(plan.path, plan.layers["run_info"].name, where=f"key = '{key}'")
    return dict(zip(texts_of(table["parcel_id"]), table["value"], strict=True))


def stored_records(plan: PlanFile, parcels: Collection[str] | None = None) -> dict[str, dict[str, str]]:
    """Return the records of parcels, or of all, in pieces as JSON: read, they would take ten times the memory."""
    if "run_info" not in plan.layers:
        return {}
    found: dict[str, dict[str, str]] = {}
    if parcels is None:
        tables = gpkg.row_batches(plan.path, plan.layers["run_info"].name, rows=RECORDS_MAX)
    else:
        tables = iter([plan.frame("run_info", parcels)])
    for table in tables:
        if not {"parcel_id", "key", "value"} <= set(table.columns):
            return {}
        some = table[(table["key"] == WRITTEN) & table["parcel_id"].notna()]
        for parcel_id, value in zip(some["parcel_id"], some["value"], strict=True):
            try:
                record = json.loads(value)
                if record["format"] == RECORD_FORMAT:  # digests of another kind would make everything look edited
                    found[str(parcel_id)] = _record_pieces(record)
            except (TypeError, ValueError, KeyError, AttributeError):  # somebody edited it: then it says nothing more
                continue
    return found


def _record_pieces(record: Record) -> dict[str, str]:
    """Return a record as JSON, that of each layer apart; what else it says stands under a name that no layer has."""
    rest = {key: value for key, value in record.items() if key != "layers"}
    return {"": json.dumps(rest), **{name: json.dumps(piece) for name, piece in record["layers"].items()}}


def read_record(pieces: Mapping[str, str]) -> Record:
    """Return a record from its pieces; empty when there are none."""
    if not pieces:
        return {}
    return {**json.loads(pieces[""]), "layers": {name: json.loads(piece) for name, piece in pieces.items() if name}}
