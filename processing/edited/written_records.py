"""What is known of the making of each parcel's layers: rows of `run_info`, by which edits are recognised later."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ..files import gpkg
from ..files.plan_reader import PlanFile
from ..model.contract import Layer
from ..model.plan import Row
from .change_record import NOT_RECORDED, Record, layer_records

WRITTEN = "written"
"""Key of a parcel's row of `run_info` that holds the records of its layers."""

RECORD_FORMAT = 1
"""Goes up with every change in what is digested and how."""

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


def stored_records(plan: PlanFile) -> dict[str, dict[str, str]]:
    """Return the records of a plan's parcels, in pieces as JSON: read, they would take ten times the memory."""
    if "run_info" not in plan.layers:
        return {}
    found: dict[str, dict[str, str]] = {}
    for table in gpkg.row_batches(plan.path, plan.layers["run_info"].name, rows=RECORDS_MAX):
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
