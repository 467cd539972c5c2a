"""Where a laid wire differs from the plan in a way that matters."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import LineString, Point

from lawngis.geometry.lines import points_along, subdivided
from lawngis.record.deviation import shortfalls_m
from lawngis.record.laid import LaidRun, LaidWire, walked_share
from lawngis.record.matching import stretches_of
from lawngis.record.rings import Ring

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


_ISLAND_WORDS = {
    "missing": ("stop", "island-missing", "was not laid", "Lay it: the mower would drive there."),
    "moved": (
        "stop",
        "island-moved",
        "was laid beside its place",
        "See that what it keeps the mower off lies inside, or lay it anew.",
    ),
    "wrong_way": (
        "stop",
        "island-wrong-way",
        "was laid the wrong way round",
        "Turn it: its field would not hold the mower off.",
    ),
    "cannot_tell": ("info", "island-unknown", "can't be judged", "Look at it on site, or walk it once more."),
}


def _island_findings(wire: PlannedWire, laid: LaidWire) -> list[Finding]:
    found = []
    for item in laid.islands:
        if item.verdict in _ISLAND_WORDS:
            severity, code, text, advice = _ISLAND_WORDS[item.verdict]
            why = f": {item.why}" if item.why else ""
            place = wire.middle(item.island)
            found.append(Finding(severity, code, f"island {item.island.name} {text}{why}", advice, place))
    return found


def _ring_finding(ring: Ring) -> Finding:
    place, size = ring.ground.representative_point(), f"{ring.ground.area:.1f} m²"
    if ring.winding == 0:
        text = f"an island of {size} was added: the plan doesn't have it"
        return Finding("info", "island-added", text, "Plan again with what it is for, so that areas follow.", place)
    if ring.winding == 1:
        text = f"{size} more lie inside the wire than planned"
        return Finding("caution", "ground-added", text, "See that all of it may be mown: nothing was checked.", place)
    text = f"an island of {size} that was added lies the wrong way round"
    return Finding("stop", "island-wrong-way", text, "Turn it: its field would not hold the mower off.", place)


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
        text = (
            f"near {at[worst] * wire.ground_ratio:.0f} m of the plan the wire is closer to an edge than its setback, "
            f"by up to {laid_short[worst]:.2f} ± {run.across_sd_m:.2f} m"
        )
        advice = "Move it, or watch the first mowing there."
        found.append(Finding("caution", "closer-than-setback", text, advice, Point(xy[worst])))
    return found


def _run_finding(wire: PlannedWire, laid: LaidWire, run: LaidRun) -> Finding | None:
    if _of_island(laid, run):
        return None
    begin, end = run.from_m * wire.ground_ratio, run.to_m * wire.ground_ratio
    wire_words = f"{run.wire_m * wire.ground_ratio:.1f} ± {run.sd_m * wire.ground_ratio:.1f} m"
    place = Point(points_along(wire.xy, wire.chainage, np.array([(run.from_m + run.to_m) / 2]))[0])
    if run.state == "added":
        text = f"at {begin:.0f} m of the plan {wire_words} of wire were added"
        return Finding("info", "wire-added", text, "The record shows it as laid.", place)
    if run.state == "left_out":
        text = f"from {begin:.0f} m on, {end - begin:.0f} m of the plan were left out"
        return Finding("caution", "shortcut", text, "See what it leaves unmown, or open.", place)
    if run.state == "off_plan" and np.isnan(run.left_m):
        text = f"from {begin:.0f} to {end:.0f} m of the plan the wire lies elsewhere: {wire_words} of it"
        return Finding("caution", "laid-elsewhere", text, "See what it takes in, and what it leaves out.", place)
    if run.state == "off_plan":
        side = "inside" if run.left_m > 0 else "outside"
        text = (
            f"from {begin:.0f} to {end:.0f} m the wire lies off the plan, "
            f"on average {abs(run.left_m):.2f} ± {run.across_sd_m:.2f} m to the {side}"
        )
        return Finding("info", "off-plan", text, "The record shows it as laid.", place)
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
    text = f"{length:.1f} ± {sd:.1f} m of wire lie there, {length - wire.planned_m:+.1f} m against the plan"
    return [Finding("info", "laid-length", text, "The price changes with it.")]


def _walk_findings(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> list[Finding]:
    wire, found = loop.wire, []
    share = 1 - walked_share(laid.runs)
    if share > 0:
        text = f"along {100 * share:.0f} % of the wire no points were taken: it may lie as planned, or not"
        found.append(Finding("info", "not-walked", text, "Walk it again where it matters."))
    for begin, end in laid.disputed:
        text = f"near {begin * wire.ground_ratio:.0f} m of the plan one walk leaves it and another doesn't"
        place = Point(points_along(wire.xy, wire.chainage, np.array([(begin + end) / 2]))[0])
        found.append(Finding("caution", "walks-disagree", text, "See on site which of them holds.", place))
    shift = float(np.hypot(*laid.off.shift_xy))
    if shift > 0.05:
        text = f"the whole walk lies {shift:.2f} m off the plan one way: receiver or map, nobody can tell; taken off"
        found.append(Finding("info", "walk-shifted", text, "A point known in both would tell."))
    if walked_on(loop, options) is None:
        found.append(Finding("info", "date-unknown", "nobody says when it was walked", "Give --walked."))
    return found
