"""What the rules of a loop of wire say of the wire that was laid, and what follows where somebody drew its line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import shapely
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.lines import FloatArray
from lawngis.mower import MowerProfile
from lawngis.wire.loop import Loop as LaidLoop
from lawngis.wire.loop import Run, Stretch
from lawngis.wire.soundness import Asked, Breach, breaches, close_wire, deep_ground

from ..model.plan import Finding, Plan, Row
from ..model.site import Site
from .decisions import setback_m
from .loops import LOST_MIN_M2, DrawnWire, Loop

TOLD = 5
"""So many places that break one rule get a finding of their own; the last of them says how many more there are."""

_RULES = {
    1: ("rule-1-open-wire", "Do not lay it: plan the parcel again with a simpler lawn edge."),
    2: ("rule-2-enclosed", "Look at that spot on site, and draw the lawn's edge there as it is."),
    3: ("rule-3-setback", "Lay that spot by hand at the full setback, or correct the edge's class."),
    4: ("rule-4-bend", "Lay that corner by hand in two bends, or round off the lawn's edge there."),
    5: ("rule-5-leads", "Lay both wires of each lead side by side and none across another; move the dock if need be."),
    6: ("rule-6-wire-gap", "Lay the two stretches further apart by hand, or leave the spot between them out."),
}
"""Code and advice by rule."""


NEAR_M = 0.3
"""Wire this near to a drawn line follows it; a cut corner leaves it by less."""

SHORT_M = 0.5
"""A line may be followed for this much less than its length without a word: corners are cut."""

SETBACK_SHORT_M = 0.02
"""A setback may be short by this: the contract's tolerance."""

_DRAWN_ADVICE = {
    "info": "It was drawn on site: lay it as planned.",
    "caution": "Check on site that it is meant so; the mower turns a little beyond the wire.",
    "stop": "Draw the line again within the zone, or correct the lawn's edge.",
}


@dataclass(frozen=True, eq=False)
class LaidWire:
    """A loop with the wire that was laid for it.

    `chainage` is that of its vertices along the ground; `stretches` are the edges that it follows; on `ground` it may
    lie, that of zones that it is led to included.
    """

    loop: Loop
    laid: LaidLoop
    chainage: FloatArray
    stretches: Sequence[Stretch]
    ground: BaseGeometry


def unsound_findings(plan: Plan, wire: LaidWire, mower: MowerProfile, said: Iterable[Finding]) -> list[Finding]:
    """Return a stop finding for each place at which a loop of wire breaks a rule that concerns it alone.

    `said` are the findings so far: what they say of ground that has no wire is not said again.
    """
    stops = [finding for finding in said if finding.severity == "stop"]
    deep = _deep(plan, wire.loop, mower, stops)
    asked = Asked(wire.ground, deep, wire.stretches, mower.wire_gap_min_m, mower.passage_wire_gap_m)
    found = breaches(wire.laid, asked, wire.chainage)
    if any(finding.code == "drawn-wire" for finding in stops):
        found = [breach for breach in found if breach.rule != 2]
    return _findings(found, wire.loop.loop_id)


def close_wire_findings(wires: Sequence[LaidWire], mower: MowerProfile) -> list[Finding]:
    """Return a stop finding for each two rings of wire on the parcel that come too near to each other."""
    found = close_wire([wire.laid for wire in wires], mower.wire_gap_min_m, mower.passage_wire_gap_m)
    return _findings(found, ", ".join(wire.loop.loop_id for wire in wires))


def _deep(plan: Plan, loop: Loop, mower: MowerProfile, stops: Sequence[Finding]) -> list[BaseGeometry]:
    """Ground that the loop must enclose, but for zones of which it is said already that the wire leaves them out."""
    drawn = {line.zone_id for line in loop.drawn if line.left_out_m2 >= LOST_MIN_M2}
    return [
        deep_ground(zone["geometry"], _largest_setback_m(loop, zone, mower), mower.wire_gap_min_m)
        for zone in plan.select("zones", loop_id=loop.loop_id)
        if zone["zone_id"] not in drawn and not _without_wire(zone, stops)
    ]


def _largest_setback_m(loop: Loop, zone: Row, mower: MowerProfile) -> float:
    own = [edge["setback_m"] for edge in loop.edges if edge["zone_id"] == zone["zone_id"]]
    return float(max(own, default=max(mower.setback_m.model_dump().values())))


def _without_wire(zone: Row, stops: Sequence[Finding]) -> bool:
    name = re.compile(rf"\b{re.escape(zone['zone_id'])}\b.*\brule 2\b")
    return any(name.search(finding.text) for finding in stops)


def _findings(found: Sequence[Breach], loop_id: str) -> list[Finding]:
    findings = []
    for rule, group in groupby(sorted(found, key=lambda breach: breach.rule), key=lambda breach: breach.rule):
        all_of_them = list(group)
        more = len(all_of_them) - TOLD
        for number, breach in enumerate(all_of_them[:TOLD], start=1):
            text = f"{loop_id}: {breach.words}, so rule {rule} is not kept"
            text += f" there nor at {more} more places" if number == TOLD and more > 0 else " there"
            findings.append(Finding("stop", _RULES[rule][0], text, _RULES[rule][1], _point(breach.xy)))
    return findings


def _point(xy: FloatArray) -> Point | None:
    return shapely.Point(xy) if np.isfinite(xy).all() else None


# --- wire drawn on site ----------------------------------------------------------------------------------


def drawn_findings(site: Site, loop: Loop, laid: LaidLoop, ground: BaseGeometry, mower: MowerProfile) -> list[Finding]:
    """Return a finding for every line that was drawn for a loop; `ground` is where its wire belongs.

    Less setback than the profile wants is a caution. Wire off its zone or over water stops the plan, as it would lead
    the mower onto ground that nobody planned to mow.
    """
    runs = [run for run in laid.runs if run.drawn]
    water = shapely.union_all(site.geometries("water"))
    return [_drawn_finding(item, runs, ground, water, mower) for item in loop.drawn]


def _drawn_finding(
    item: DrawnWire, runs: Sequence[Run], ground: BaseGeometry, water: BaseGeometry, mower: MowerProfile
) -> Finding:
    near = shapely.buffer(item.line, NEAR_M, cap_style="flat")
    own = [run for run in runs if shapely.intersects(near, LineString(run.xy))]
    wire = shapely.intersection(shapely.union_all([LineString(run.xy) for run in own]), near)
    off, wet = shapely.difference(wire, ground), shapely.intersection(wire, water)
    cautions = [*_setback_words(own, mower), *_ground_words(item)]
    if item.line.length - wire.length > SHORT_M:
        cautions.append(f"for {item.line.length - wire.length:.1f} m other wire, an island or a corner is in the way")
    stops = [f"it leaves the zone for {off.length:.1f} m, so rule 2 and rule 8 are not kept"] if off.length > 0 else []
    stops += [f"{wet.length:.1f} m of it lie over water"] if wet.length > 0 else []
    severity = "stop" if stops else "caution" if cautions else "info"
    head = f"the wire of {item.zone_id} runs for {wire.length:.1f} m along the line drawn on site"
    place = (off if off.length > 0 else item.line).representative_point()
    return Finding(severity, "drawn-wire", "; ".join([head, *stops, *cautions]), _DRAWN_ADVICE[severity], place)


def _setback_words(runs: Sequence[Run], mower: MowerProfile) -> list[str]:
    """Say for each class of edge how near the wire comes, where that is nearer than the profile wants."""
    kept: dict[str, float] = {}
    for run in runs:
        if run.edge_class is not None and run.setback_m is not None:
            kept[run.edge_class] = min(run.setback_m, kept.get(run.edge_class, run.setback_m))
    wanted = {name: setback_m(name, mower) for name in kept}
    return [
        f"it keeps {kept[name]:.2f} m to the {name} edge instead of {wanted[name]:.2f} m (rule 3)"
        for name in kept
        if kept[name] < wanted[name] - SETBACK_SHORT_M
    ]


def _ground_words(item: DrawnWire) -> list[str]:
    words = []
    if item.left_out_m2 >= LOST_MIN_M2:
        words.append(f"{item.left_out_m2:.0f} m² of the zone lie outside it and are mown by hand (rule 2)")
    if item.added_m2 >= LOST_MIN_M2:
        words.append(f"{item.added_m2:.0f} m² more than setbacks allow lie inside it")
    return words
