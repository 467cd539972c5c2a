"""Where a laid wire differs from the plan in a way that matters."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import LineString, Point

from lawngis.geometry.lines import points_along, subdivided
from lawngis.record.deviation import shortfalls_m
from lawngis.record.islands import IslandFound
from lawngis.record.laid import LaidRun, LaidWire, walked_share
from lawngis.record.matching import stretches_of
from lawngis.record.rings import Ring

from ..model.catalogue import Said
from ..model.plan import Finding
from .laid_wire import ReconcileOptions, laid_length_m, walked_on
from .planned_wire import PlannedWire
from .walked_loops import WalkedLoop

SETBACK_TOLERANCE_M = 0.02
SETBACK_STEP_M = 0.5
"""Distances from edges are looked at this often along wire that lies off the plan."""


def laid_findings(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> list[Finding]:
    """Return what is to be said of a laid wire.

    Parameters
    ----------
    loop
        As planned, and what was walked of it.
    laid
        As laid.
    options
        How it is judged.
    """
    wire = loop.wire
    return [
        *_island_findings(wire, laid),
        *(_ring_finding(ring) for ring in laid.rings),
        *(finding for run in laid.runs for finding in _setback_findings(wire, laid, run)),
        *(finding for run in laid.runs if (finding := _run_finding(wire, laid, run)) is not None),
        *_length_findings(wire, laid),
        *_walk_findings(loop, laid, options),
    ]


_ISLAND_CODES = {
    "missing": ("stop", "island-missing"),
    "moved": ("stop", "island-moved"),
    "wrong_way": ("stop", "island-wrong-way"),
    "cannot_tell": ("info", "island-unknown"),
}


def _island_findings(wire: PlannedWire, laid: LaidWire) -> list[Finding]:
    found = []
    for item in laid.islands:
        if item.verdict in _ISLAND_CODES:
            severity, code = _ISLAND_CODES[item.verdict]
            why = island_why(item)
            values = {"island_id": item.island.name, **({} if why is None else {"why": why})}
            found.append(Finding(severity, code, values, wire.middle(item.island)))
    return found


def island_why(item: IslandFound) -> Said | None:
    """Return why nothing can be told of an island, or where it lies, as a part of a sentence; None for neither."""
    if item.off_m is not None:
        return "island-beside", {"off_m": item.off_m}
    return ("island-why", {"case": item.why}) if item.why else None


def _ring_finding(ring: Ring) -> Finding:
    place, values = ring.ground.representative_point(), {"area_m2": ring.ground.area}
    if ring.winding == 0:
        return Finding("info", "island-added", values, place)
    if ring.winding == 1:
        return Finding("caution", "ground-added", values, place)
    return Finding("stop", "island-wrong-way", {"case": "added", **values}, place)


def _setback_findings(wire: PlannedWire, laid: LaidWire, run: LaidRun) -> list[Finding]:
    """Return where wire off the plan comes closer to an edge than its setback, and than the plan beside it does."""
    if run.state not in ("off_plan", "added"):
        return []
    xy, _ = subdivided(run.xy, SETBACK_STEP_M)
    laid_short = shortfalls_m(xy, list(wire.edges), wire.setback_m)
    at = np.asarray(shapely.line_locate_point(LineString(wire.xy), shapely.points(xy)), dtype=np.float64)
    plan_xy = points_along(wire.xy, wire.chainage, at)
    plan_short = np.maximum(shortfalls_m(plan_xy, list(wire.edges), wire.setback_m), 0.0)
    sure = laid_short - plan_short - 2 * run.across_sd_m > SETBACK_TOLERANCE_M
    found = []
    for first, last in stretches_of(sure):
        worst = first + int(np.argmax(laid_short[first : last + 1]))
        values = {
            "chainage_m": at[worst] * wire.ground_ratio,
            "short_m": laid_short[worst],
            "sd_m": run.across_sd_m,
        }
        found.append(Finding("caution", "closer-than-setback", values, Point(xy[worst])))
    return found


def _run_finding(wire: PlannedWire, laid: LaidWire, run: LaidRun) -> Finding | None:
    if _of_island(laid, run):
        return None
    begin, end = run.from_m * wire.ground_ratio, run.to_m * wire.ground_ratio
    length = {"length_m": run.wire_m * wire.ground_ratio, "sd_m": run.sd_m * wire.ground_ratio}
    place = Point(points_along(wire.xy, wire.chainage, np.array([(run.from_m + run.to_m) / 2]))[0])
    if run.state == "added":
        return Finding("info", "wire-added", {"from_m": begin, **length}, place)
    if run.state == "left_out":
        return Finding("caution", "shortcut", {"from_m": begin, "length_m": end - begin}, place)
    if run.state == "off_plan" and np.isnan(run.left_m):
        return Finding("caution", "laid-elsewhere", {"from_m": begin, "to_m": end, **length}, place)
    if run.state == "off_plan":
        off = {"side": "inside" if run.left_m > 0 else "outside", "off_m": abs(run.left_m), "sd_m": run.across_sd_m}
        return Finding("info", "off-plan", {"from_m": begin, "to_m": end, **off}, place)
    return None


def _of_island(laid: LaidWire, run: LaidRun) -> bool:
    """Return whether a run off the plan is what is said of an island already."""
    middle = (run.from_m + run.to_m) / 2
    return any(
        item.verdict != "as_planned" and item.island.lead_from_m - 1 <= middle <= item.island.lead_to_m + 1
        for item in laid.islands
    )


def _length_findings(wire: PlannedWire, laid: LaidWire) -> list[Finding]:
    length, sd = laid_length_m(wire, laid)
    if abs(length - wire.planned_m) <= max(1.0, 2 * sd):
        return []
    return [Finding("info", "laid-length", {"laid_m": length, "sd_m": sd, "more_m": length - wire.planned_m})]


def _walk_findings(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> list[Finding]:
    wire, found = loop.wire, []
    share = 1 - walked_share(laid.runs)
    if share > 0:
        found.append(Finding("info", "not-walked", {"share_percent": 100 * share}))
    for begin, end in laid.disputed:
        place = Point(points_along(wire.xy, wire.chainage, np.array([(begin + end) / 2]))[0])
        found.append(Finding("caution", "walks-disagree", {"chainage_m": begin * wire.ground_ratio}, place))
    shift = float(np.hypot(*laid.off.shift_xy))
    if shift > 0.05:
        found.append(Finding("info", "walk-shifted", {"shift_m": shift}))
    if walked_on(loop, options) is None:
        found.append(Finding("info", "date-unknown"))
    return found
