"""Docks as a person left them: one for each loop, on the wire, judged anew where it was moved or measured."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..derived.dock_choice import dock_choice, dock_rows
from ..derived.dock_doubt import pad_check
from ..derived.dock_places import SAME_PLACE_M, DockParameters, dock_places
from ..derived.loops import LoopGround, loops
from ..derived.matching import matched
from ..measured.site_facts import facts_of
from ..model.plan import Finding, Plan, VisitCheck
from ..model.site import Site
from ..steps.workflow import Settings
from .change_record import LayerEdit

ON_RING_M = 0.01
"""A dock that stands no farther off the wire than this stands on it."""

DockRow = dict[str, Any]


def placed_docks(
    site: Site, plan: Plan, docks: Sequence[DockRow], edit: LayerEdit, settings: Settings
) -> list[Finding]:
    """Put the docks of all loops where they can stand, in place, and return what is to be said of them.

    Parameters
    ----------
    site
        The parcel.
    plan
        Its layers as far as the edges.
    docks
        Rows of `dock_candidates`.
    edit
        What of them was edited.
    settings
        Profile and parameters.
    """
    findings: list[Finding] = []
    for loop in loops(plan, settings.mower, site.facts.wires):
        if loop.source == "dock" and loop.ground is not None:
            zones = {zone["zone_id"] for zone in loop.zones}
            rows = [row for row in docks if row["zone_id"] in zones]
            findings += _placed(site, plan, loop, loop.ground.exterior, rows, edit, settings)
    return findings


def _placed(
    site: Site,
    plan: Plan,
    loop: LoopGround,
    ring: BaseGeometry,
    rows: Sequence[DockRow],
    edit: LayerEdit,
    settings: Settings,
) -> list[Finding]:
    chosen = [row for row in rows if row["chosen"]]
    if not chosen:
        place = loop.zones[0]["geometry"].representative_point()
        return [Finding("stop", "edit-breaks-rule", {"case": "no_dock", "loop_id": loop.loop_id}, place)]
    drawn, edited = _named(site, chosen, {*edit.geometry, *edit.new}), _named(site, rows, edit.values)
    wanted = [*drawn, *(row for row in edited if row["chosen"] and "chosen" in edit.columns)]
    measured = edited if "slope_percent" in edit.columns else []
    kept = (wanted or chosen)[0]
    findings = _put_on_wire(kept, ring, dragged=bool(drawn))
    moved = [kept] if findings or drawn else []
    if moved or measured:
        readings = [(row["geometry"], float(row["slope_percent"])) for row in measured]
        _judge(site, plan, loop, rows, moved, readings, settings)
    if not wanted and not kept["feasible"] and measured:
        kept = rows[dock_choice(rows, loop)]
        values = {"case": "dock", "candidate_id": kept["candidate_id"]}
        findings.append(Finding("info", "edit-decides", values, kept["geometry"]))
    for row in rows:
        row["chosen"] = row is kept
    if not kept["feasible"] and (wanted or moved or measured):
        values = {"case": "dock_misses", "candidate_id": kept["candidate_id"], "failed": kept["failed"]}
        severity = "caution" if any(row["feasible"] for row in rows) else "stop"
        findings.append(Finding(severity, "edit-breaks-rule", values, kept["geometry"]))
    return findings


def dock_checks(
    site: Site, docks: Sequence[DockRow], edit: LayerEdit, asked: Sequence[VisitCheck], settings: Settings
) -> list[VisitCheck]:
    """Return the checks of docks after a person chose or moved some: of the ground under each until it is measured.

    What else was asked about a place stands as long as the dock does.

    Parameters
    ----------
    site
        The parcel.
    docks
        Rows of `dock_candidates` as they are now.
    edit
        What of them was edited.
    asked
        What the step asked about its docks.
    settings
        Profile, and what was measured.
    """
    readings = facts_of(site, settings.overrides).pad_slopes
    measured = {index for _, index in matched(readings, [(row["candidate_id"], row["geometry"]) for row in docks], [])}
    edited = _named(site, docks, edit.values) if "slope_percent" in edit.columns else []
    moved = _named(site, docks, {*edit.geometry, *edit.new})
    checks: list[VisitCheck] = []
    for index, row in enumerate(docks):
        if not row["chosen"]:
            continue
        standing = [check for check in asked if check.target_id == row["candidate_id"] and row not in moved]
        of_pad = [check for check in standing if check.target_column == "slope_percent"]
        checks += [check for check in standing if check not in of_pad]
        if index not in measured and row not in edited:
            checks += of_pad or [pad_check(site, row, settings.mower)]
    return checks


def _named(site: Site, rows: Sequence[DockRow], names: Collection[str]) -> list[DockRow]:
    return [row for row in rows if str(row["candidate_id"]).removeprefix(f"{site.parcel_id}-") in names]


def _put_on_wire(dock: DockRow, ring: BaseGeometry, *, dragged: bool) -> list[Finding]:
    """Put a dock that stands off the wire on its nearest place."""
    off_m = ring.distance(dock["geometry"])
    if off_m <= ON_RING_M:
        return []
    dock["geometry"] = ring.interpolate(ring.project(dock["geometry"]))
    values = {"case": "dock_off_wire", "candidate_id": dock["candidate_id"], "off_m": off_m}
    code, severity = ("edit-breaks-rule", "caution") if dragged else ("edit-decides", "info")
    return [Finding(severity, code, values, dock["geometry"])]


def _judge(
    site: Site,
    plan: Plan,
    loop: LoopGround,
    rows: Sequence[DockRow],
    moved: Sequence[DockRow],
    readings: Sequence[tuple[BaseGeometry, float]],
    settings: Settings,
) -> None:
    """Judge the docks that were moved, and those on ground whose slope was edited, as the step judges every place."""
    candidates = [(row["candidate_id"], row["geometry"]) for row in rows]
    known = [(candidates[index][1], fact.value) for fact, index in matched(site.facts.pad_slopes, candidates, [])]
    parameters = DockParameters.model_validate(settings.parameters.get("dock", {}))
    also = [*(row["geometry"] for row in moved), *(place for place, _ in readings)]
    mapped = dock_places(site, plan, loop, settings.mower, parameters, also)
    places = mapped.with_pad_slopes([*known, *readings])
    told = places.measured | ~np.isclose(places.slope_percent, mapped.slope_percent, equal_nan=True)
    ground = shapely.union_all(shapely.points(places.places.xy[told]))
    measured = [row for row in rows if row["geometry"].dwithin(ground, SAME_PLACE_M)]
    judged = dock_rows(site, loop, places, settings.mower, parameters)
    for row in (*moved, *measured):
        alike = [other for other in judged if other["geometry"].dwithin(row["geometry"], SAME_PLACE_M)]
        if any(row is other for other in moved):
            alike = [{**alike[dock_choice(alike, loop)], "rank": None}] if alike else []
        if not alike:
            row |= {"feasible": False, "failed": "stands outside the zones that the mower drives to from it"}
            continue
        like = min(alike, key=lambda other: abs((other["heading_deg"] - (row["heading_deg"] or 0.0) + 180) % 360 - 180))
        row |= {name: value for name, value in like.items() if name not in ("zone_id", "geometry")}
