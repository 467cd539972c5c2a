"""An earlier plan read back: rows by parcel, checked as things that people may have edited, and what they edited."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from math import isfinite
from pathlib import Path
from typing import Any, cast

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError, LayerError, PlanError
from lawngis.geometry.frame import horizontal_crs

from ..files import gpkg
from ..files.packing import packed_rows, unpacked_rows
from ..model.contract import Column, ColumnKind, Layer
from ..model.layers import PLAN_LAYERS
from ..model.plan import Row
from ..reading.site_files import PLAN_MARKS
from .change_record import FOUND_LATER, NOT_RECORDED, LayerEdit, Record, coordinate_digits, layer_edit, layer_records

WRITTEN = "written"
"""Key of a parcel's row of `run_info` that holds the records of its layers."""

RECORD_FORMAT = 1
"""Goes up with every change in what is digested and how."""

EDITED = "edited"
"""Key of a parcel's row of `run_info` that names what a person edited."""

OURS = ("layer_styles",)
"""Tables beside the plan's layers that this program writes itself."""

FILLED: Mapping[str, Collection[str]] = {
    "lawn": ("area_m2", "source", "confidence"),
    "cover": ("area_m2", "confidence"),
    "trees_found": ("confidence",),
    "keepouts": ("area_m2", "confidence"),
    "zones": ("role", "area_m2", "perimeter_m", "supply"),
    "links": ("length_m", "zone_a", "zone_b"),
    "edges": ("zone_id", "setback_m", "length_m"),
    "dock_candidates": ("zone_id", "chosen", "feasible"),
    "hand_mow": ("area_m2",),
    "supply_route": ("length_m", "within_limit"),
}
"""Columns that a new feature needs and a person need not fill in: they are worked out."""

BATCH_ROWS = 50_000
"""Rows of a layer that are looked at at a time."""

RECORDS_MAX = 1_000
"""Rows of `run_info` that are looked at at a time: each is long."""

_TRUE, _FALSE = ("1", "true", "yes", "y"), ("0", "false", "no", "n")
_KINDS: Mapping[str, ColumnKind] = {"real": "real", "integer": "integer", "boolean": "boolean"}


@dataclass(frozen=True, eq=False)
class EarlierParcel:
    """One parcel of an earlier plan: its rows, packed by layer, in the CRS of the file, and what a person edited."""

    blocks: Mapping[str, bytes] = field(default_factory=dict)
    edits: tuple[LayerEdit, ...] = ()
    records: Mapping[str, str] = field(default_factory=dict)

    def rows(self, layers: Collection[str] | None = None) -> dict[str, list[Row]]:
        """Return the rows of some layers, or of all that have any."""
        wanted = self.blocks if layers is None else [name for name in layers if name in self.blocks]
        found: dict[str, list[Row]] = {}
        for name in wanted:
            found |= unpacked_rows(self.blocks[name])
        return found

    @property
    def record(self) -> Record:
        """What is known of their making."""
        return _read_record(self.records)

    @property
    def planned(self) -> bool:
        """Tell whether there is anything to build on: a parcel that failed has none."""
        return any(row["status"] != "failed" for row in self.rows(["summary"]).get("summary", ()))

    @property
    def fingerprint(self) -> str:
        """Fingerprint of the rows and of what is known of their making."""
        digest = blake2b(json.dumps(self.record, sort_keys=True).encode(), digest_size=16)
        for name in sorted(self.blocks):
            digest.update(name.encode() + self.blocks[name])
        return digest.hexdigest()

    def edit(self, layer: str) -> LayerEdit:
        """Return what was edited in a layer."""
        return next((edit for edit in self.edits if edit.layer == layer), LayerEdit(layer))


@dataclass(frozen=True, eq=False)
class EarlierPlan:
    """An earlier plan.

    Parameters
    ----------
    path
        File.
    crs
        CRS of its layers.
    parcels
        By name.
    added_columns
        Columns that a person added, by layer.
    added_layers
        Layers and tables that a person added.
    recorded
        The file says what was written, so that edits can be told.
    """

    path: Path
    crs: CRS | None
    parcels: Mapping[str, EarlierParcel]
    added_columns: Mapping[str, tuple[Column, ...]]
    added_layers: tuple[str, ...] = ()
    recorded: bool = True

    def edits(self, layers: Collection[str]) -> Iterator[tuple[str, LayerEdit]]:
        """Yield what was edited in some layers, with the parcel's name."""
        for layer in layers:
            for parcel_id, parcel in self.parcels.items():
                edit = parcel.edit(layer)
                if edit:
                    yield parcel_id, edit


def is_plan(path: Path) -> bool:
    """Tell whether a file is a plan; one that can't be read is none."""
    return path.is_file() and set(gpkg.layer_names(path)) >= PLAN_MARKS


def earlier_plan(
    path: Path,
    specs: Mapping[str, Layer],
    *,
    packed: Collection[str] = (),
    checked: Collection[str] = (),
    outlines: Mapping[str, BaseGeometry | None] | None = None,
    crs: CRS | None = None,
    names: Mapping[str, str] | None = None,
) -> EarlierPlan:
    """Read an earlier plan.

    Parameters
    ----------
    path
        Its file.
    specs
        Declarations of the layers of a plan.
    packed
        Layers whose rows are wanted; of the others only what was edited.
    checked
        Layers that must be there and whose values must fit the contract, as something is to be built on them.
    outlines
        Outlines of the parcels, by name: a feature that a person drew without naming its parcel belongs to the one
        that it lies in.
    crs
        CRS that the layers must have.
    names
        Names that layers have in the file, where they differ.

    Raises
    ------
    SiteError, LayerError
        When it can't be read, or a layer that is built on isn't there.
    FeatureError
        When a value in a layer that is built on doesn't fit.
    """
    infos = {info.name: info for info in gpkg.layer_overview(path)}
    folded = {name.casefold(): name for name in infos}
    records = _records(path) if "run_info" in infos else {}
    blocks: dict[str, dict[str, bytes]] = {}
    edits: dict[str, list[LayerEdit]] = {}
    added_columns: dict[str, tuple[Column, ...]] = {}
    found_crs: CRS | None = None
    for name, spec in specs.items():
        stored = folded.get((names or {}).get(name, name).casefold())
        if stored is None or (spec.geometry is not None) != (infos[stored].geometry_type is not None):
            _refuse_absent(path, name, checked, stored)
            continue
        layer_crs = infos[stored].crs
        if spec.geometry is not None and layer_crs is not None:
            found_crs = found_crs or horizontal_crs(layer_crs)
            _refuse_other_crs(path, name, layer_crs, crs)
        added_columns[name] = _added(spec, infos[stored])
        wide = _widened(spec, added_columns[name])
        digits = 0 if found_crs is None else coordinate_digits(found_crs)
        new_columns = [column.name for column in added_columns[name]]
        for parcel_id, rows in _of_all(
            _by_parcel(infos[stored], wide, checked=name in checked, outlines=outlines or {}), records
        ):
            own = blocks.setdefault(parcel_id, {})
            if name in packed and rows:
                own[name] = packed_rows({name: rows})
            before = records.get(parcel_id, {}).get(name)
            if before is not None and name not in NOT_RECORDED:
                edit = layer_edit(spec, json.loads(before), rows, digits, added_columns=new_columns)
                if edit:
                    edits.setdefault(parcel_id, []).append(edit)
    parcels = {
        parcel_id: EarlierParcel(blocks.get(parcel_id, {}), tuple(edits.get(parcel_id, ())), records.get(parcel_id, {}))
        for parcel_id in dict.fromkeys([*blocks, *records])
        if parcel_id
    }
    known = {name.casefold() for name in (*specs, *PLAN_LAYERS, *OURS)}
    others = tuple(name for name in infos if name.casefold() not in known)
    return EarlierPlan(path, found_crs, parcels, added_columns, others, bool(records))


def with_added_columns(specs: Mapping[str, Layer], added: Mapping[str, tuple[Column, ...]]) -> dict[str, Layer]:
    """Return declarations with the columns that a person added, so that they are written again."""
    return {name: _widened(spec, added.get(name, ())) for name, spec in specs.items()}


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


# --- reading ---------------------------------------------------------------------------------------------


def _records(path: Path) -> dict[str, dict[str, str]]:
    """Return the records of all parcels, in pieces as JSON: read, they would take ten times the memory."""
    found: dict[str, dict[str, str]] = {}
    for table in gpkg.row_batches(path, "run_info", rows=RECORDS_MAX):
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


def _read_record(pieces: Mapping[str, str]) -> Record:
    if not pieces:
        return {}
    return {**json.loads(pieces[""]), "layers": {name: json.loads(piece) for name, piece in pieces.items() if name}}


def _refuse_absent(path: Path, name: str, checked: Collection[str], stored: str | None) -> None:
    if name in checked:
        what = "has no geometry" if stored is not None else "is missing"
        raise LayerError(
            f"the layer {name} {what}, so nothing can be built on it",
            where=str(path),
            advice="Put it back, or begin with an earlier step.",
        )


def _refuse_other_crs(path: Path, name: str, found: CRS, wanted: CRS | None) -> None:
    if wanted is not None and horizontal_crs(found) != horizontal_crs(wanted):
        raise LayerError(
            f"is in {found.name}, the parcels are in {wanted.name}",
            where=(str(path), name),
            advice="Save the layer in the CRS of the parcels.",
        )


def _added(spec: Layer, info: gpkg.LayerInfo) -> tuple[Column, ...]:
    known = {column.name.casefold() for column in spec.columns}
    return tuple(
        Column(name, _KINDS.get(kind, "text"), "added by hand")
        for name, kind in info.columns.items()
        if name.casefold() not in known
    )


def _widened(spec: Layer, added: tuple[Column, ...]) -> Layer:
    return Layer(**{**spec.__dict__, "columns": (*spec.columns, *added)}) if added else spec


def _of_all(groups: Iterable[tuple[str, list[Row]]], parcels: Iterable[str]) -> Iterator[tuple[str, list[Row]]]:
    """Yield groups as they come, and then an empty one for each of some parcels that has none."""
    seen = set()
    for parcel_id, rows in groups:
        seen.add(parcel_id)
        yield parcel_id, rows
    for parcel_id in parcels:
        if parcel_id not in seen:
            yield parcel_id, []


def _by_parcel(
    info: gpkg.LayerInfo, spec: Layer, *, checked: bool, outlines: Mapping[str, BaseGeometry | None]
) -> Iterator[tuple[str, list[Row]]]:
    """Yield the rows of each parcel in the order of the file, as soon as the last of them has come.

    A plan is written parcel after parcel: few of them wait at a time, however many there are.
    """
    awaited = _row_counts(info)
    waiting: dict[str, list[Row]] = {}
    for frame in gpkg.row_batches(info.path, info.name, rows=BATCH_ROWS):
        came = {}
        for row in _lenient_rows(info.path, spec, frame, checked=checked, outlines=outlines):
            parcel_id = str(row.get("parcel_id") or "")
            came[parcel_id] = waiting.setdefault(parcel_id, [])
            came[parcel_id].append(row)
        for parcel_id, rows in came.items():
            if len(rows) == awaited.get(parcel_id):
                yield parcel_id, waiting.pop(parcel_id)
    yield from waiting.items()


def _row_counts(info: gpkg.LayerInfo) -> Mapping[str, int]:
    """Return how many rows each parcel has; nothing when a row doesn't say whose it is: it may be anyone's."""
    named = next((name for name in info.columns if name.casefold() == "parcel_id"), None)
    counts = {} if named is None else gpkg.value_counts(info.path, info.name, named)
    return {} if "" in counts else counts


def _lenient_rows(
    path: Path,
    spec: Layer,
    frame: geopandas.GeoDataFrame | pd.DataFrame,
    *,
    checked: bool,
    outlines: Mapping[str, BaseGeometry | None],
) -> list[Row]:
    folded = {str(name).casefold(): str(name) for name in frame.columns}
    columns: dict[str, list[Any]] = {}
    for column in spec.columns:
        values = frame.get(folded.get(column.name.casefold(), ""))
        plain = [None] * len(frame) if values is None else _plain(values)
        columns[column.name] = plain if _as_declared(column, plain) else [_lenient(column, value) for value in plain]
    if checked:
        _check_values(path, spec, columns, frame.index.tolist())
    if spec.geometry is not None:
        columns["geometry"] = _geometries(path, spec, cast(geopandas.GeoDataFrame, frame), checked=checked)
    if "parcel_id" in columns and len(frame):
        columns["parcel_id"] = _parcel_names(path, spec, columns, frame.index.tolist(), outlines, checked=checked)
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def _plain(values: pd.Series[Any]) -> list[Any]:
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        values = values.astype(str)
    return list(values.astype(object).where(values.notna(), None))


_PLAIN_KINDS: Mapping[ColumnKind, type] = {"text": str, "real": float, "integer": int, "boolean": bool}


def _as_declared(column: Column, values: Sequence[Any]) -> bool:
    """Return whether all values are of their column's kind already, as in a file that nobody has touched."""
    return set(map(type, values)) <= {_PLAIN_KINDS.get(column.kind), type(None)}


def _lenient(column: Column, value: Any) -> Any:
    """Return a value in the kind of its column, where a program handed it over in another; as it is where it can't."""
    if value is None or (value == "" and column.kind != "text"):
        return None
    try:
        if column.kind == "real":
            return float(value)
        if column.kind == "integer":
            return int(value) if float(value).is_integer() else value
        if column.kind == "boolean":
            return _boolean(value)
    except (TypeError, ValueError):
        return value
    return value if isinstance(value, str) else str(value)


def _boolean(value: Any) -> Any:
    word = str(value).removesuffix(".0").casefold()
    return True if word in _TRUE else False if word in _FALSE else value


def _check_values(path: Path, spec: Layer, columns: Mapping[str, list[Any]], fids: Sequence[int]) -> None:
    kinds = {"real": float, "integer": int, "boolean": bool, "text": str, "datetime": str}
    needless = {"parcel_id", spec.key, *FILLED.get(spec.name, ())}
    for column in spec.columns:
        for row, value in enumerate(columns[column.name]):
            where = (str(path), spec.name, _feature(spec, columns, fids, row))
            if value is None:
                if not column.nullable and column.name not in needless:
                    raise FeatureError(f"{column.name} has no value", where=where, advice=_advice(column))
            elif not isinstance(value, kinds[column.kind]) or (column.values and value not in column.values):
                raise FeatureError(f"{column.name} can't be {value!r}", where=where, advice=_advice(column))
            elif column.kind == "real" and not isfinite(float(str(value))):
                raise FeatureError(f"{column.name} is no finite number", where=where, advice=_advice(column))


def _advice(column: Column) -> str:
    if column.values:
        return f"Enter one of {', '.join(column.values)}."
    kind = {"real": "a number", "integer": "a whole number", "boolean": "true or false"}.get(column.kind, "text")
    unit = f" in {column.unit}" if column.unit else ""
    return f"Enter {kind}{unit}: {column.description}."


def _feature(spec: Layer, columns: Mapping[str, list[Any]], fids: Sequence[int], row: int) -> str:
    name = columns[spec.key][row] if spec.key else None
    return f"feature {fids[row]}{f' ({name})' if name else ''}"


def _geometries(path: Path, spec: Layer, table: geopandas.GeoDataFrame, *, checked: bool) -> list[BaseGeometry]:
    geometries = shapely.force_2d(np.asarray(table.geometry.to_numpy(), dtype=object))
    if checked and not spec.may_be_empty_geometry:
        wanted = {name for one in spec.geometry_types for name in (one, f"Multi{one.removeprefix('Multi')}")}
        problems = gpkg.geometry_problems(table, expected=wanted)
        # What crosses itself can be mended; what is missing or of another kind can't.
        hard = [(fid, reason) for fid, reason in problems if shapely.is_valid(geometries[table.index.get_loc(fid)])
                or geometries[table.index.get_loc(fid)] is None]  # fmt: skip
        if hard:
            fid, reason = hard[0]
            raise FeatureError(
                reason, where=(str(path), spec.name, f"feature {fid}"), advice="Draw it again, or delete it."
            )
    empty = shapely.from_wkt(f"{spec.geometry_types[0].upper()} EMPTY")
    return [empty if geometry is None else geometry for geometry in geometries]


def _parcel_names(
    path: Path,
    spec: Layer,
    columns: Mapping[str, list[Any]],
    fids: Sequence[int],
    outlines: Mapping[str, BaseGeometry | None],
    *,
    checked: bool,
) -> list[str | None]:
    """Return the parcel of each row; of rows without one, that which the geometry lies in."""
    names = [None if name in (None, "") else str(name) for name in columns["parcel_id"]]
    for row, name in enumerate(names):
        if name is not None or spec.geometry is None or not outlines:
            continue
        names[row] = _parcel_around(columns["geometry"][row], outlines)
        if names[row] is None and checked:
            raise FeatureError(
                "lies in no parcel, and parcel_id is empty",
                where=(str(path), spec.name, f"feature {fids[row]}"),
                advice="Enter the parcel_id that it belongs to, or delete it.",
            )
    return names


def _parcel_around(geometry: BaseGeometry, outlines: Mapping[str, BaseGeometry | None]) -> str | None:
    if geometry.is_empty:
        return None
    known = {name: outline for name, outline in outlines.items() if outline is not None}
    place = geometry.representative_point()
    within = [name for name, outline in known.items() if outline.intersects(place)]
    return within[0] if within else None


def without_neighbours(rows: Mapping[str, list[Row]]) -> dict[str, list[Row]]:
    """Return a parcel's rows without what was found of its neighbours, which is found anew each time."""
    findings = [row for row in rows.get("findings", ()) if row.get("step") != FOUND_LATER]
    return {**rows, "findings": findings}


def refuse_nothing_there(path: Path) -> None:
    """Raise when there is no plan to build on."""
    if not is_plan(path):
        raise PlanError(
            "there is no plan to take layers from" if not path.exists() else "is no plan",
            where=str(path),
            advice="Plan the site first, without --from.",
        )
