"""Begin in the middle: what ``--from STEP`` takes from an earlier plan for one parcel."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from shapely import Point

from ..measured.site_facts import facts_of
from ..model.catalogue import stored_values
from ..model.contract import Layer
from ..model.plan import CHECK_PARTS, FINDING_PARTS, Finding, Plan, Row, VisitCheck
from ..model.site import Site
from ..model.step import Step
from ..steps.workflow import OPEN_LAYERS, Settings, Start, facts_read, known_facts, steps_before
from .change_record import coordinate_digits
from .docks import dock_checks
from .earlier_plan import EarlierParcel
from .repair import RepairedLayers, repaired_layers
from .reshaped_wire import WIRE, WIRE_STEP, reshaped_paths
from .written_records import EDITED, RecordContext, written_row

MOWER_CHOICE = "mower"
"""In place of a step: what is said of the choice of a parcel's mower, true as long as it has that mower."""


@dataclass(frozen=True, eq=False)
class StartFrom:
    """Where to begin, and the parcels of the earlier plan.

    Parameters
    ----------
    first
        Step that is the first to run.
    parcels
        By name; a parcel that is not there, or failed then, is planned from the start.
    """

    first: str
    parcels: Mapping[str, EarlierParcel] = field(default_factory=dict)

    def of(self, parcel_ids: Collection[str]) -> StartFrom:
        """Return the same for some parcels."""
        return StartFrom(self.first, {name: self.parcels[name] for name in parcel_ids if name in self.parcels})

    def settings_of(self, parcel_id: str, settings: Settings) -> Settings:
        """Return the settings of a parcel: one that is built on keeps the mower that it was given by choice.

        Raises
        ------
        ParameterError
            When that is none of the choice.
        """
        earlier = self.parcels.get(parcel_id)
        return settings if earlier is None or not earlier.planned else settings.with_mower(earlier.mower)


@dataclass(frozen=True, eq=False)
class CarriedOver:
    """What is taken over for one parcel: where its steps start, and how its layers go back into the file."""

    start: Start
    repaired_layers: RepairedLayers
    earlier: EarlierParcel


def carried_over(
    site: Site,
    start_from: StartFrom | None,
    steps: Sequence[Step],
    specs: Mapping[str, Layer],
    settings: Settings,
) -> CarriedOver | None:
    """Return what is taken over for a parcel; None when it is planned from the start."""
    earlier = None if start_from is None else start_from.parcels.get(site.parcel_id)
    if start_from is None or earlier is None or not earlier.planned:
        return None
    before = steps_before(steps, start_from.first)
    written = [name for step in before for name in step.writes]
    stored = earlier.rows([*written, *OPEN_LAYERS])
    layers = repaired_layers(site, {name: stored.get(name, []) for name in written}, earlier, specs, settings)
    kept = {step.id for step in before} | ({MOWER_CHOICE} if earlier.mower == settings.mower.name else set())
    said = [item for item in findings_of(site, earlier.findings()) if item[0] in kept and layers.holds(item[1])]
    asked = [item for item in checks_of(site, stored) if item[0] in kept]
    of_docks: list[VisitCheck] = []
    if earlier.edit("dock_candidates") and "dock_candidates" in layers.layers:
        of_docks = [check for _, check in asked if _of_dock(check)]
        asked = [item for item in asked if not _of_dock(item[1])]
        docks, edit = layers.layers["dock_candidates"], earlier.edit("dock_candidates")
        of_docks = dock_checks(site, docks, edit, of_docks, settings)
    start = Start(
        first=start_from.first,
        layers=layers.layers,
        findings=[*said, *(("zones", finding) for finding in layers.decided or ())],
        checks=[
            *(item for item in asked if not _settled(item[1], site, layers, earlier, specs)),
            *(("dock", check) for check in of_docks),
        ],
        start_findings=[
            *layers.findings,
            *_not_followed(before, {edit.layer for edit in earlier.edits}, start_from.first),
        ],
        overrides=frozenset(earlier.record.get("overrides", ())),
        paths=reshaped_paths(site, earlier) if start_from.first == WIRE_STEP else (),
    )
    return CarriedOver(start, layers, earlier)


def findings_of(site: Site, rows: Sequence[Row]) -> list[tuple[str, Finding]]:
    """Return findings, each with the step that found it, from rows in the CRS of the file."""
    found = []
    for row in rows:
        values = stored_values(row, FINDING_PARTS)
        found.append((str(row["step"]), Finding(row["severity"], row["code"], values, _place(site, row))))
    return found


def checks_of(site: Site, layers: Mapping[str, Sequence[Row]]) -> list[tuple[str, VisitCheck]]:
    """Return checks, each with the step that asks for it, from rows of both their layers in the CRS of the file."""
    areas = {row["check_id"]: _place(site, row) for row in layers.get("visit_areas", ())}
    found = []
    for row in layers.get("visit_checks", ()):
        fields = {name: row[name] for name in VisitCheck.__dataclass_fields__ if row.get(name) is not None}
        fields["code"] = row.get("code") or "as-written"
        fields["values"] = stored_values(row, CHECK_PARTS)
        fields["flip_probability"] = row.get("flip_probability")
        fields["changes"] = json.loads(row["changes"]) if row.get("changes") else None
        fields |= {"place": _place(site, row) or Point(), "area": areas.get(row["check_id"])}
        found.append((str(row["step"]), VisitCheck(**fields)))
    return found


def _place(site: Site, row: Row) -> Any:
    """Return where a row is, in the frame; None for nowhere."""
    shape = row.get("geometry")
    return None if shape is None or shape.is_empty else site.frame.to_frame([shape])[0]


def _of_dock(check: VisitCheck) -> bool:
    return (check.target_layer, check.target_column) == ("dock_candidates", "slope_percent")


def _settled(
    check: VisitCheck, site: Site, layers: RepairedLayers, earlier: EarlierParcel, specs: Mapping[str, Layer]
) -> bool:
    """Return whether somebody edited the value that a check asks for, or its feature is no more."""
    rows = layers.layers.get(check.target_layer)
    if rows is None or not check.target_id:
        return False
    edit = earlier.edit(check.target_layer)
    edited = check.target_id.removeprefix(f"{site.parcel_id}-") in edit.values and check.target_column in edit.columns
    return edited or all(row[specs[check.target_layer].key or ""] != check.target_id for row in rows)


def _not_followed(before: Sequence[Step], edited: set[str], first: str) -> list[Finding]:
    """Say which layers stay as they were though they hang on one that was edited."""
    findings = []
    for step in before:
        stale = sorted(step.plan_layers_read & edited)
        if stale and not set(step.writes) & edited:
            values = {
                "edited": stale,
                "edited_layers": len(stale),
                "kept": list(step.writes),
                "kept_layers": len(step.writes),
                "first": first,
                "step": step.id,
            }
            findings.append(Finding("caution", "edit-not-followed", values))
    return findings


def rows_out(plan: Plan, site: Site, carried: CarriedOver | None) -> dict[str, list[Row]]:
    """Return the rows of a plan in the CRS of the file; what was taken over and not touched as it came."""
    back: RepairedLayers = RepairedLayers({}) if carried is None else carried.repaired_layers
    return back.layers_out({layer: plan.rows(layer) for layer in plan.layers}, site)


def record_rows(
    site: Site,
    rows: Mapping[str, Sequence[Row]],
    specs: Mapping[str, Layer],
    steps: Sequence[Step],
    settings: Settings,
    carried: CarriedOver | None,
) -> list[Row]:
    """Return a parcel's rows of `run_info`: the record by which edits are recognised, and what was edited."""
    facts = facts_of(site, settings.overrides)
    overrides = facts_read(steps, facts)
    kept: dict[str, Any] = {}
    found: list[Row] = []
    if carried is not None:
        before = steps_before(steps, carried.start.first)
        overrides = facts_read(steps[len(before) :], facts) | known_facts(before, carried.start)
        records = carried.earlier.record.get("layers", {})
        kept = {name: records[name] for name in carried.start.layers if name in records}
        # What was reshaped stays known as such: the next run that begins there takes it again.
        reshaped = {WIRE} if carried.start.paths else set()
        kept |= {name: records[name] for name in reshaped if name in records}
        edits = [edit for edit in carried.earlier.edits if edit.layer in {*carried.start.layers, *reshaped}]
        if edits:
            words = "; ".join(edit.words(site.parcel_id) for edit in edits)
            found.append({"parcel_id": site.parcel_id, "key": EDITED, "value": words})
    digits = coordinate_digits(site.frame.source)
    context = RecordContext(specs, digits, kept, frozenset(overrides))
    return [*found, written_row(site.parcel_id, rows, context)]
