"""What the rules of a loop of wire say of the wire that was laid, and what follows where somebody drew its line."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
import shapely
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import LawngisError
from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.chainage import ground_chainage_m
from lawngis.mower import MowerProfile
from lawngis.wire.loop import Loop, Run, Stretch
from lawngis.wire.reshaped import enclosed_ground, reshaped_loop
from lawngis.wire.soundness import Asked, Breach, breaches, close_wire, deep_ground

from ..model.catalogue import Said
from ..model.facts import Fact, ReshapedWire
from ..model.plan import Finding, Plan, Row
from ..model.site import Site
from .loops import LOST_MIN_M2, DrawnWire, LoopGround

TOLD = 5
"""So many places that break one rule get a finding of their own; the last of them says how many more there are."""

_RULE_CODES = {
    1: "rule-1-open-wire",
    2: "rule-2-enclosed",
    3: "rule-3-setback",
    4: "rule-4-bend",
    5: "rule-5-leads",
    6: "rule-6-wire-gap",
}

_WITHOUT_WIRE = ("no-wire", "no-lead")
"""Codes of findings that say of a zone that it has no wire."""

NEAR_M = 0.3
"""Wire this near to a drawn line follows it; a cut corner leaves it by less."""

DRAWN_CORNER_M = 0.5
"""Corners of a line drawn on site are cut: the wire lies off it by less than this."""

AT_DOCK_M = 0.05
"""A loop begins at its dock if it begins this near to it."""

SHORT_M = 0.5
"""A line may be followed for this much less than its length without a word: corners are cut."""

SETBACK_SHORT_M = 0.02
"""A setback may be short by this: the contract's tolerance."""


@dataclass(frozen=True, eq=False)
class LaidWire:
    """A loop with the wire that was laid for it.

    `chainage` is that of its vertices along the ground; `stretches` are the edges that it follows; on `ground` it may
    lie, that of zones that it is led to included; `enclosed` is what lies inside.
    """

    loop: LoopGround
    laid: Loop
    chainage: FloatArray
    stretches: Sequence[Stretch]
    ground: BaseGeometry
    enclosed: list[Polygon]


def unsound_findings(plan: Plan, wire: LaidWire, mower: MowerProfile, said: Iterable[Finding]) -> list[Finding]:
    """Return a stop finding for each place at which a loop of wire breaks a rule that concerns it alone.

    `said` are the findings so far: what they say of ground that has no wire is not said again.
    """
    stops = [finding for finding in said if finding.severity == "stop"]
    deep = _deep(plan, wire.loop, mower, stops)
    # Between two zones the mower may drive across paving all along their border.
    ground = shapely.union_all([wire.ground, *wire.loop.strips])
    asked = Asked(ground, deep, wire.stretches, mower.wire_gap_min_m, mower.passage_wire_gap_m)
    found = breaches(wire.laid, asked, wire.chainage)
    if any(finding.code == "drawn-wire" for finding in stops):
        found = [breach for breach in found if breach.rule != 2]
    return _findings(found, [wire.loop.loop_id])


def close_wire_findings(wires: Sequence[LaidWire], mower: MowerProfile) -> list[Finding]:
    """Return a stop finding for each two rings of wire on the parcel that come too near to each other."""
    found = close_wire([wire.laid for wire in wires], mower.wire_gap_min_m, mower.passage_wire_gap_m)
    return _findings(found, [wire.loop.loop_id for wire in wires])


def _deep(plan: Plan, loop: LoopGround, mower: MowerProfile, stops: Sequence[Finding]) -> list[BaseGeometry]:
    """Ground that the loop must enclose, but for zones of which it is said already that the wire leaves them out."""
    drawn = {line.zone_id for line in loop.drawn if line.left_out_m2 >= LOST_MIN_M2}
    return [
        deep_ground(zone["geometry"], _largest_setback_m(loop, zone, mower), mower.wire_gap_min_m)
        for zone in plan.select("zones", loop_id=loop.loop_id)
        if zone["zone_id"] not in drawn and not _without_wire(zone, stops)
    ]


def _largest_setback_m(loop: LoopGround, zone: Row, mower: MowerProfile) -> float:
    own = [edge["setback_m"] for edge in loop.edges if edge["zone_id"] == zone["zone_id"]]
    return float(max(own, default=max(mower.setback_m.model_dump().values())))


def _without_wire(zone: Row, stops: Sequence[Finding]) -> bool:
    return any(finding.code in _WITHOUT_WIRE and finding.values.get("zone_id") == zone["zone_id"] for finding in stops)


def _findings(found: Sequence[Breach], loop_ids: Sequence[str]) -> list[Finding]:
    findings = []
    for rule, group in groupby(sorted(found, key=lambda breach: breach.rule), key=lambda breach: breach.rule):
        all_of_them = list(group)
        more = len(all_of_them) - TOLD
        for number, breach in enumerate(all_of_them[:TOLD], start=1):
            values = {
                "case": "laid",
                "loop_ids": loop_ids,
                "fault": ("wire-fault", {"case": breach.fault, **breach.values}),
                "more": [("more-places", {"places": more})] if number == TOLD and more > 0 else [],
            }
            findings.append(Finding("stop", _RULE_CODES[rule], values, _point(breach.xy)))
    return findings


def _point(xy: FloatArray) -> Point | None:
    return shapely.Point(xy) if np.isfinite(xy).all() else None


def off_zone_findings(wire: LaidWire) -> list[Finding]:
    """Say where wire along edges leaves the zones: tight spots in which no bend fits are the likely place."""
    # Wire that was drawn on site is told of elsewhere.
    drawn = shapely.buffer([item.line for item in wire.loop.drawn], DRAWN_CORNER_M)
    ground = shapely.union_all([wire.ground, *drawn]) if len(drawn) else wire.ground
    shapely.prepare(ground)
    findings = []
    for number, run in enumerate(wire.laid.runs, start=1):
        line = LineString(run.xy)
        if run.kind not in ("edge", "corner", "island") or shapely.covers(ground, line):
            continue
        off = line.difference(ground)
        if off.length > 0:
            values = {"loop_id": wire.loop.loop_id, "run": number, "length_m": off.length}
            findings.append(Finding("stop", "rule-8-off-zone", values, off.representative_point()))
    return findings


# --- wire drawn in a plan --------------------------------------------------------------------------------


def wire_as_drawn(
    site: Site, plan: Plan, loop: LoopGround, drawn: Fact[ReshapedWire], ground: BaseGeometry, findings: list[Finding]
) -> LaidWire | None:
    """Return a loop along the line that somebody drew for it in a plan; where it is none a finding says so.

    It is held against the same rules as wire that was laid out here; `ground` is where it belongs.
    """
    line = drawn.value.line
    stretches = [Stretch(edge["geometry"], edge["edge_class"], edge["setback_m"]) for edge in loop.edges]
    try:
        laid = reshaped_loop(line, drawn.value.runs, stretches)
    except LawngisError as error:
        unlaid = {"case": "drawn", "loop_id": loop.loop_id, "reason": error.what, "advice": error.advice}
        findings.append(Finding("stop", "rule-1-open-wire", unlaid, line.representative_point()))
        return None
    values = {"case": "wire", "loop_id": loop.loop_id, "length_m": line.length}
    findings.append(Finding("info", "edited-by-hand", values, line.representative_point()))
    begin = shapely.Point(laid.xy[0])
    zones = {zone["zone_id"] for zone in loop.zones}
    docks = [row["geometry"] for row in plan.select("dock_candidates", chosen=True) if row["zone_id"] in zones]
    if loop.source == "dock" and min((dock.distance(begin) for dock in docks), default=np.inf) > AT_DOCK_M:
        findings.append(Finding("stop", "rule-1-open-wire", {"case": "off_dock", "loop_id": loop.loop_id}, begin))
    enclosed = polygon_parts(enclosed_ground(laid))
    return LaidWire(loop, laid, ground_chainage_m(site.dem, site.frame, laid.xy), stretches, ground, enclosed)


# --- wire drawn on site ----------------------------------------------------------------------------------


def drawn_findings(site: Site, loop: LoopGround, laid: Loop, ground: BaseGeometry) -> list[Finding]:
    """Return a finding for every line that was drawn for a loop; `ground` is where its wire belongs.

    Less setback than its edge wants is a caution. Wire off its zone or over water stops the plan, as it would lead
    the mower onto ground that nobody planned to mow.
    """
    runs = [run for run in laid.runs if run.drawn]
    water = shapely.union_all(site.geometries("water"))
    wanted: dict[str, float] = {}
    for edge in loop.edges:
        wanted[edge["edge_class"]] = max(edge["setback_m"], wanted.get(edge["edge_class"], 0.0))
    return [_drawn_finding(item, runs, ground, water, wanted) for item in loop.drawn]


def _drawn_finding(
    item: DrawnWire, runs: Sequence[Run], ground: BaseGeometry, water: BaseGeometry, wanted: Mapping[str, float]
) -> Finding:
    near = shapely.buffer(item.line, NEAR_M, cap_style="flat")
    own = [run for run in runs if shapely.intersects(near, LineString(run.xy))]
    wire = shapely.intersection(shapely.union_all([LineString(run.xy) for run in own]), near)
    off, wet = shapely.difference(wire, ground), shapely.intersection(wire, water)
    cautions = [*_short_setbacks(own, wanted), *_moved_ground(item)]
    if item.line.length - wire.length > SHORT_M:
        cautions.append(("drawn-wire", {"case": "elsewhere", "length_m": item.line.length - wire.length}))
    stops = [("drawn-wire", {"case": "off_zone", "length_m": off.length})] if off.length > 0 else []
    stops += [("drawn-wire", {"case": "water", "length_m": wet.length})] if wet.length > 0 else []
    severity = "stop" if stops else "caution" if cautions else "info"
    values = {"case": severity, "zone_id": item.zone_id, "length_m": wire.length, "remarks": [*stops, *cautions]}
    place = (off if off.length > 0 else item.line).representative_point()
    return Finding(severity, "drawn-wire", values, place)


def _short_setbacks(runs: Sequence[Run], wanted: Mapping[str, float]) -> list[Said]:
    """Say for each class of edge how near the wire comes, where that is nearer than its edges want."""
    kept: dict[str, float] = {}
    for run in runs:
        if run.edge_class is not None and run.setback_m is not None:
            kept[run.edge_class] = min(run.setback_m, kept.get(run.edge_class, run.setback_m))
    return [
        ("drawn-wire", {"case": "setback", "edge_class": name, "kept_m": kept[name], "setback_m": wanted[name]})
        for name in kept
        if kept[name] < wanted[name] - SETBACK_SHORT_M
    ]


def _moved_ground(item: DrawnWire) -> list[Said]:
    parts: list[Said] = []
    if item.left_out_m2 >= LOST_MIN_M2:
        parts.append(("drawn-wire", {"case": "left_out", "area_m2": item.left_out_m2}))
    if item.added_m2 >= LOST_MIN_M2:
        parts.append(("drawn-wire", {"case": "added", "area_m2": item.added_m2}))
    return parts
