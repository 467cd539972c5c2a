"""An earlier plan read back: rows by parcel, checked as things that people may have edited, and what they edited."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from pathlib import Path

from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError, PlanError
from lawngis.geometry.frame import horizontal_crs

from ..files import gpkg
from ..files.file_kinds import PLAN
from ..files.packing import packed_rows, unpacked_rows
from ..files.plan_reader import PlanFile, is_plan, layers_of
from ..model.contract import Column, ColumnKind, Layer
from ..model.plan import Row
from .change_record import NOT_RECORDED, LayerEdit, Record, coordinate_digits, layer_edit
from .lenient_rows import LenientLayer
from .written_records import read_record, stored_records, touched_parcels

NOTHING = "{}"
"""Record of a layer of which nothing was written."""

_KINDS: Mapping[str, ColumnKind] = {"real": "real", "integer": "integer", "boolean": "boolean"}


@dataclass(frozen=True, eq=False)
class EarlierParcel:
    """One parcel of an earlier plan: its rows, packed by layer, in the CRS of the file, and what a person edited."""

    blocks: Mapping[str, bytes] = field(default_factory=dict)
    edits: tuple[LayerEdit, ...] = ()
    records: Mapping[str, str] = field(default_factory=dict)
    packed_of_run: bytes = b""
    """Findings that hold for the whole run."""

    def findings(self) -> list[Row]:
        """Return what was said of it: findings on it, and those that hold for the whole run."""
        return [*self.rows(["findings"]).get("findings", ()), *run_findings(self.packed_of_run)]

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
        return read_record(self.records)

    @property
    def planned(self) -> bool:
        """Tell whether there is anything to build on: a parcel that failed has none."""
        return any(row["status"] != "failed" for row in self.rows(["summary"]).get("summary", ()))

    @property
    def mower(self) -> str | None:
        """Name of the mower's profile that it was planned with, where its summary is wanted and says."""
        return next((row.get("profile") for row in self.rows(["summary"]).get("summary", ())), None)

    @property
    def fingerprint(self) -> str:
        """Fingerprint of the rows and of what is known of their making."""
        digest = blake2b(json.dumps(self.record, sort_keys=True).encode(), digest_size=16)
        for name in sorted(self.blocks):
            digest.update(name.encode() + self.blocks[name])
        digest.update(self.packed_of_run)
        return digest.hexdigest()

    def edit(self, layer: str) -> LayerEdit:
        """Return what was edited in a layer."""
        return next((edit for edit in self.edits if edit.layer == layer), LayerEdit(layer))


@dataclass(frozen=True, eq=False)
class EarlierPlan:
    """An earlier plan.

    Parameters
    ----------
    file
        The file.
    crs
        CRS of its layers.
    parcels
        By name; where only what was edited is wanted, those that were touched.
    added_columns
        Columns that a person added, by layer.
    touched
        By layer, parcels whose stored rows were touched since they were written; None where the file doesn't say.
    outlines
        Outlines of the parcels, by name.
    findings_have_values
        Findings hold the values of their sentences; those of version 0.1 are text alone.
    """

    file: PlanFile
    crs: CRS | None
    parcels: Mapping[str, EarlierParcel]
    added_columns: Mapping[str, tuple[Column, ...]]
    touched: Mapping[str, Collection[str]] | None = None
    outlines: Mapping[str, BaseGeometry | None] = field(default_factory=dict)
    findings_have_values: bool = True

    @property
    def path(self) -> Path:
        """Its file."""
        return self.file.path

    @property
    def all_touched(self) -> set[str]:
        """Parcels of which anything was touched: all, where the file doesn't say."""
        if self.touched is None:
            return {"", *self.file.parcel_ids}
        return set().union(*self.touched.values())

    def edits(self, layers: Collection[str]) -> Iterator[tuple[str, LayerEdit]]:
        """Yield what was edited in some layers, with the parcel's name."""
        for layer in layers:
            for parcel_id, parcel in self.parcels.items():
                edit = parcel.edit(layer)
                if edit:
                    yield parcel_id, edit


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
    file = layers_of(path, replace(PLAN, specs=specs), names=names)
    touched = touched_parcels(file)
    wanted = None if packed or touched is None else set().union(*touched.values())
    records = stored_records(file, wanted)
    blocks: dict[str, dict[str, bytes]] = {}
    edits: dict[str, list[LayerEdit]] = {}
    added_columns: dict[str, tuple[Column, ...]] = {}
    found_crs: CRS | None = None
    for name, spec in specs.items():
        stored = file.layers.get(name)
        if stored is None or (spec.geometry is not None) != (stored.geometry_type is not None):
            _refuse_absent(path, name, checked, stored)
            continue
        if spec.geometry is not None and stored.crs is not None:
            found_crs = found_crs or horizontal_crs(stored.crs)
            _refuse_other_crs(path, name, stored.crs, crs)
        added_columns[name] = _added(spec, stored)
        wide = _widened(spec, added_columns[name])
        digits = 0 if found_crs is None else coordinate_digits(found_crs)
        new_columns = [column.name for column in added_columns[name]]
        reader = LenientLayer(path, wide, name in checked, outlines or {})
        others = None if touched is None else touched.get(name, set())
        if others is not None and "" in others:
            others = None  # a row without a name may be anyone's
        read = None if name in packed or name in checked else others
        for parcel_id, rows in _of_all(_grouped(file, name, reader, read), records if read is None else read):
            own = blocks.setdefault(parcel_id, {})
            if name in packed and rows:
                own[name] = packed_rows({name: rows})
            before = records.get(parcel_id, {}).get(name, NOTHING if others and rows else None)
            if name not in NOT_RECORDED and before is not None and (others is None or parcel_id in others):
                edit = layer_edit(_as_stored(spec, stored), json.loads(before), rows, digits, added_columns=new_columns)
                if edit:
                    edits.setdefault(parcel_id, []).append(edit)
    of_run = blocks.pop("", {}).get("findings", b"")
    parcels = {
        parcel_id: EarlierParcel(
            blocks.get(parcel_id, {}), tuple(edits.get(parcel_id, ())), records.get(parcel_id, {}), of_run
        )
        for parcel_id in dict.fromkeys([*blocks, *records])
        if parcel_id
    }
    stored_findings = file.layers.get("findings")
    with_values = stored_findings is None or "values" in stored_findings.columns
    return EarlierPlan(file, found_crs, parcels, added_columns, touched, outlines or {}, with_values)


def run_findings(packed: bytes) -> list[Row]:
    """Return the findings that hold for a whole run, from where they are packed."""
    return unpacked_rows(packed)["findings"] if packed else []


def with_added_columns(specs: Mapping[str, Layer], added: Mapping[str, tuple[Column, ...]]) -> dict[str, Layer]:
    """Return declarations with the columns that a person added, so that they are written again."""
    return {name: _widened(spec, added.get(name, ())) for name, spec in specs.items()}


def refuse_nothing_there(path: Path) -> None:
    """Raise when there is no plan to build on."""
    if not is_plan(path):
        raise PlanError(
            "there is no plan to take layers from" if not path.exists() else "is no plan",
            where=str(path),
            advice="Plan the site first, without --from.",
        )


def refuse_without_values(earlier: EarlierPlan) -> None:
    """Raise when a plan's findings hold no values, and so can't be summed up anew."""
    if not earlier.findings_have_values:
        raise PlanError(
            "its findings are text alone, as an earlier version wrote them: the week can't be summed up from them",
            where=str(earlier.path),
            advice="Plan it from an earlier step: --from schedule.",
        )


# --- reading ---------------------------------------------------------------------------------------------


def _refuse_absent(path: Path, name: str, checked: Collection[str], stored: gpkg.LayerInfo | None) -> None:
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


def _as_stored(spec: Layer, info: gpkg.LayerInfo) -> Layer:
    """Return a layer without names with the columns that the file has: an earlier version wrote fewer.

    The record of one with names knows its columns itself.
    """
    there = {name.casefold() for name in info.columns}
    columns = tuple(column for column in spec.columns if spec.key is not None or column.name.casefold() in there)
    return replace(spec, columns=columns)


def _widened(spec: Layer, added: tuple[Column, ...]) -> Layer:
    return replace(spec, columns=(*spec.columns, *added)) if added else spec


def _grouped(
    file: PlanFile, name: str, reader: LenientLayer, parcels: Collection[str] | None
) -> Iterable[tuple[str, list[Row]]]:
    """Return the rows of some parcels of a layer, or of all."""
    if parcels is None:
        return file.streamed(name, reader.rows)
    found: dict[str, list[Row]] = {}
    for row in reader.rows(file.frame(name, parcels)) if parcels else ():
        found.setdefault(row["parcel_id"], []).append(row)
    return found.items()


def _of_all(groups: Iterable[tuple[str, list[Row]]], parcels: Iterable[str]) -> Iterator[tuple[str, list[Row]]]:
    """Yield groups as they come, and then an empty one for each of some parcels that has none."""
    seen = set()
    for parcel_id, rows in groups:
        seen.add(parcel_id)
        yield parcel_id, rows
    for parcel_id in parcels:
        if parcel_id not in seen:
            yield parcel_id, []
