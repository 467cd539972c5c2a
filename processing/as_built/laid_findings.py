"""Where a laid wire differs from the plan in a way that matters."""

from __future__ import annotations

import numpy as np
from shapely import Point

from lawngis.geometry.lines import points_along
from lawngis.record.deviation import laid_xy, shortfalls_m, stretches_of, walked_share

from ..model.plan import Finding
from .laid_wire import LaidWire
from .planned_wire import PlannedWire

SETBACK_TOLERANCE_M = 0.02


def laid_findings(wire: PlannedWire, laid: LaidWire, length: float, sd: float) -> list[Finding]:
    """Return what is to be said of a laid wire.

    Parameters
    ----------
    wire
        As planned.
    laid
        As laid.
    length, sd
        Length laid along the ground and its standard deviation [m].
    """
    return [
        *_island_findings(wire, laid),
        *_setback_findings(wire, laid),
        *_stretch_findings(wire, laid),
        *_length_findings(wire, laid, length, sd),
    ]


def _island_findings(wire: PlannedWire, laid: LaidWire) -> list[Finding]:
    words = {
        "missing": ("stop", "island-missing", "was not laid", "Lay it: the mower would drive there."),
        "wrong_way": (
            "stop",
            "island-wrong-way",
            "was laid the wrong way round",
            "Turn it: its field would not hold the mower off.",
        ),
        "cannot_tell": ("info", "island-unknown", "can't be judged", "Look at it on site, or walk it once more."),
    }
    found = []
    for item in laid.islands:
        if item.verdict in words:
            severity, code, text, advice = words[item.verdict]
            why = f": {item.why}" if item.why else ""
            place = wire.middle(item.island)
            found.append(Finding(severity, code, f"island {item.island.name} {text}{why}", advice, place))
    return found


def _setback_findings(wire: PlannedWire, laid: LaidWire) -> list[Finding]:
    off = laid.off
    known = np.flatnonzero(off.claimed & np.isfinite(off.left_m))
    if not len(known):
        return []
    moved, at = laid_xy(wire.xy, wire.chainage, off)
    rows = np.searchsorted(at, off.chainage_m[known])
    laid_short = shortfalls_m(moved[rows], list(wire.edges), wire.setback_m)
    plan_xy = points_along(wire.xy, wire.chainage, off.chainage_m[known])
    plan_short = np.maximum(shortfalls_m(plan_xy, list(wire.edges), wire.setback_m), 0.0)
    short = np.full(len(off.claimed), 0.0)
    short[known] = np.maximum(laid_short - plan_short - 2 * off.sd_m[known], 0.0)
    found = []
    for first, last in stretches_of(short > SETBACK_TOLERANCE_M):
        worst = first + int(np.argmax(short[first : last + 1]))
        by = float(laid_short[np.searchsorted(known, worst)])
        place = Point(moved[np.searchsorted(at, off.chainage_m[worst])])
        text = (
            f"from {off.chainage_m[first] * wire.ground_ratio:.0f} to "
            f"{off.chainage_m[last] * wire.ground_ratio:.0f} m the wire is closer to an edge than its setback, "
            f"by up to {by:.2f} ± {off.sd_m[worst]:.2f} m"
        )
        found.append(
            Finding("caution", "closer-than-setback", text, "Move it, or watch the first mowing there.", place)
        )
    return found


def _stretch_findings(wire: PlannedWire, laid: LaidWire) -> list[Finding]:
    off, found = laid.off, []
    for first, last in stretches_of(off.claimed):
        worst = first + int(np.nanargmax(np.abs(off.left_m[first : last + 1])))
        side = "inside" if off.left_m[worst] > 0 else "outside"
        text = (
            f"from {off.chainage_m[first] * wire.ground_ratio:.0f} to "
            f"{off.chainage_m[last] * wire.ground_ratio:.0f} m the wire lies off the plan, up to "
            f"{abs(off.left_m[worst]):.2f} ± {off.sd_m[worst]:.2f} m to the {side}"
        )
        place = Point(points_along(wire.xy, wire.chainage, off.chainage_m[worst : worst + 1])[0])
        found.append(Finding("info", "off-plan", text, "The record shows it as laid.", place))
    for begin, end in laid.left_out:
        place = Point(points_along(wire.xy, wire.chainage, np.array([begin % wire.chainage[-1]]))[0])
        text = f"from {begin * wire.ground_ratio:.0f} m on, {(end - begin) * wire.ground_ratio:.0f} m were cut short"
        found.append(Finding("caution", "shortcut", text, "See what it leaves unmown.", place))
    unknown = stretches_of(~np.isfinite(off.left_m))
    if unknown:
        share = 100 * (1 - walked_share(off))
        text = f"along {share:.0f} % of the wire no points were taken: nothing is said of it"
        found.append(Finding("info", "not-walked", text, "Walk it again where it matters."))
    return found


def _length_findings(wire: PlannedWire, laid: LaidWire, length: float, sd: float) -> list[Finding]:
    found = []
    shift = float(np.hypot(*laid.off.bias_xy))
    if shift > 0.05:
        text = f"the whole walk lies {shift:.2f} m off the plan one way: receiver or map, nobody can tell; taken off"
        found.append(Finding("info", "walk-shifted", text, "A point known in both would tell."))
    if abs(length - wire.planned_m) > max(1.0, 2 * sd):
        text = f"{length:.1f} ± {sd:.1f} m of wire lie there, {length - wire.planned_m:+.1f} m against the plan"
        found.append(Finding("info", "laid-length", text, "The price changes with it."))
    return found
