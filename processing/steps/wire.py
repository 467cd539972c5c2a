"""Step `wire`: the wire of every loop as it is laid, with runs, pegs, joins; checked by its rules and as a circuit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import Field
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.dock.placing import candidate_places, distances_m
from lawngis.errors import LawngisError
from lawngis.geometry.lines import chainage_m
from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.chainage import ground_chainage_m
from lawngis.mower import MowerProfile
from lawngis.wire.circuit import SignalCheck, interference_share, signal_check, signal_places, weak_ground
from lawngis.wire.conductors import resistance_ohm
from lawngis.wire.joins import joins
from lawngis.wire.leads import ATTACHMENT_GAP_M
from lawngis.wire.loop import Loop, Stretch, laid_loop
from lawngis.wire.outlying import LeadRoute, LeadTerrain, OutlyingGround, lead_route
from lawngis.wire.pegs import first_pass, lead_intervals_m, pegs

from ..derived.decisions import LAWN
from ..derived.detached_supply import lead_crossings, lead_terrain
from ..derived.doubt import DoubtParameters
from ..derived.loops import LoopGround, loop_signals, loops, passed_over
from ..derived.matching import applied, no_target
from ..derived.outline_spread import READS as SPREAD_READS
from ..derived.wire_checks import (
    LaidWire,
    close_wire_findings,
    drawn_findings,
    off_zone_findings,
    unsound_findings,
    wire_as_drawn,
)
from ..derived.wire_doubt import add_length_sds, loop_checks
from ..model.laying_layers import PEG_STAGES
from ..model.plan import Finding, Plan, Row, StepResult
from ..model.site import Site
from ..model.step import Step

FloatArray = NDArray[np.float64]

OFF_ZONE_M = 0.01
"""Wire this far off its zone still lies on it: the contract's tolerance."""

PEG_COLUMNS = ("chainage_m", "peg_kind", "stage", "geometry")

WEAK_MIN_M2 = 0.5
"""Ground with too weak a field that is smaller than this is crossed before the mower stops."""


class WireParameters(DoubtParameters):
    """How closely the circuit is checked."""

    signal_points: int = Field(default=600, ge=20, le=100000, description="places inside each loop where the field is")
    interference_share_min: float = Field(
        default=0.25, gt=0, le=10, description="a neighbouring loop's field, as a share of a loop's own, worth a word"
    )


@dataclass
class _Rows:
    """Rows of the layers that the step writes, loop after loop."""

    wire_path: list[Row]
    wire_runs: list[Row]
    pegs: list[Row]
    joins: list[Row]


def wire(site: Site, plan: Plan, mower: MowerProfile, parameters: WireParameters) -> StepResult:
    """Return the laid wire of every loop."""
    rows = _Rows([], [], [], [])
    findings: list[Finding] = []
    wires: list[LaidWire] = []
    laid_grounds: list[tuple[str, FloatArray, list[Polygon]]] = []
    planned = loops(plan, mower, site.facts.wires)
    for drawn in site.facts.wires:
        along = {"length_m": drawn.value.length}
        findings.append(applied(drawn, "wire", along) if planned else no_target(drawn, []))
    for loop in planned:
        found = _laid_wire(site, plan, loop, mower, findings)
        if found is None:
            continue
        wires.append(found)
        laid, enclosed = found.laid, found.enclosed
        _add_loop(rows, found, mower)
        unheard = plan.geometries("hand_mow", reason="out_of_signal")
        findings += _circuit_findings(loop, enclosed, unheard, laid, rows.wire_path[-1], mower, parameters)
        laid_grounds.append((loop.loop_id, laid.xy, enclosed))
        findings += _crossing_findings(plan, loop) + off_zone_findings(found)
        if not site.facts.paths:
            findings += drawn_findings(site, loop, laid, found.ground)
        findings += unsound_findings(plan, found, mower, findings)
    add_length_sds(site, plan, rows.wire_path, rows.wire_runs)
    signals = loop_signals(plan, {path["loop_id"]: path["geometry"] for path in rows.wire_path})
    rows.wire_path = [{**path, "signal": signals[path["loop_id"]]} for path in rows.wire_path]
    findings += close_wire_findings(wires, mower)
    for signal in sorted(set(signals.values())):
        alike = [laid for laid in laid_grounds if signals[laid[0]] == signal]
        findings += _interference_findings(alike, mower, parameters)
    layers = {"wire_path": rows.wire_path, "wire_runs": rows.wire_runs, "pegs": rows.pegs, "joins": rows.joins}
    return StepResult(layers, findings, loop_checks(site, wires, rows.wire_path, mower, parameters))


def _laid_wire(
    site: Site, plan: Plan, loop: LoopGround, mower: MowerProfile, findings: list[Finding]
) -> LaidWire | None:
    """Return the wire of a loop, along the line that somebody drew for it or laid out; None where there is none."""
    stretches = [Stretch(edge["geometry"], edge["edge_class"], edge["setback_m"]) for edge in loop.edges]
    own_ground = _own_ground(plan, loop)
    drawn = next((fact for fact in site.facts.paths if fact.name == loop.loop_id), None)
    if drawn is not None:
        return wire_as_drawn(site, plan, loop, drawn, own_ground, findings)
    findings += loop.findings
    start = _start(site, plan, loop)
    if loop.ground is None or start is None:
        return None
    outlying = _outlying(site, loop, start, mower, findings)
    try:
        laid = laid_loop(loop.ground, start, stretches, loop.strips, outlying, [item.line for item in loop.drawn])
    except LawngisError as error:
        values = {"case": "loop", "loop_id": loop.loop_id, "reason": error.what, "advice": error.advice}
        findings.append(Finding("stop", "no-wire", values, loop.ground.representative_point()))
        return None
    chainage = ground_chainage_m(site.dem, site.frame, laid.xy)
    enclosed = [loop.ground, *(item.ground for item in outlying)]
    return LaidWire(loop, laid, chainage, stretches, own_ground, enclosed)


def _own_ground(plan: Plan, loop: LoopGround) -> BaseGeometry:
    """Return the ground on which a loop's wire belongs, that of zones that it is led to included."""
    zones = plan.geometries("zones", loop_id=loop.loop_id)
    return shapely.buffer(shapely.union_all(zones + passed_over(plan)), OFF_ZONE_M)


def _start(site: Site, plan: Plan, loop: LoopGround) -> FloatArray | None:
    """Return where the loop begins: at its dock, or for a signal source on straight wire near a supply."""
    if loop.ground is None:
        return None
    zones = {zone["zone_id"] for zone in loop.zones}
    docks = [row for row in plan.select("dock_candidates", chosen=True) if row["zone_id"] in zones]
    if loop.source == "dock":
        return np.array([docks[0]["geometry"].x, docks[0]["geometry"].y]) if docks else None
    places = candidate_places(shapely.get_coordinates(loop.ground.exterior))
    supplies = site.geometries("outlets") or site.geometries("buildings")
    far = distances_m(places.xy, supplies)
    straight = np.minimum(places.straight_ahead_m, places.straight_behind_m)
    penalty = np.where(straight >= 0.5, 0.0, 1000.0)
    place: FloatArray = places.xy[int(np.argmin(np.nan_to_num(far) + penalty))]
    return place


def _outlying(
    site: Site, loop: LoopGround, start: FloatArray, mower: MowerProfile, findings: list[Finding]
) -> list[OutlyingGround]:
    """Return detached zones that the wire is led to, each with its lead; what a lead crosses becomes a finding."""
    if loop.ground is None or not loop.outlying:
        return []
    terrain = lead_terrain(site)
    laid, waiting = [loop.ground], list(loop.outlying)
    rooms_m = sorted({ATTACHMENT_GAP_M, mower.dock_straight_behind_m, mower.dock_straight_ahead_m})
    attached: list[tuple[FloatArray, float]] = []
    found: list[OutlyingGround] = []
    while waiting:
        others = [ground for _, ground in waiting]
        routes = [_lead_route(laid, ground, terrain, start, rooms_m, attached, others) for ground in others]
        reached = [(route.cost, number) for number, route in enumerate(routes) if route is not None]
        if not reached:
            findings += [_no_lead(loop, zone) for zone, _ in waiting]
            break
        number = min(reached)[1]
        zone, ground = waiting.pop(number)
        route = next(route for index, route in enumerate(routes) if index == number and route is not None)
        found.append(OutlyingGround(ground, route.parent, route.xy))
        laid.append(ground)
        attached += [(route.xy[0], 2 * ATTACHMENT_GAP_M), (route.xy[-1], 2 * ATTACHMENT_GAP_M)]
        findings.append(_lead_finding(site, loop, zone, route))
    return found


def _lead_route(
    laid: list[Polygon],
    ground: Polygon,
    terrain: LeadTerrain,
    start: FloatArray,
    rooms_m: Sequence[float],
    attached: list[tuple[FloatArray, float]],
    others: list[Polygon],
) -> LeadRoute | None:
    """Return the cheapest way of a lead, or one that leaves the dock more of some rooms, rising, and pays for it.

    Over lawn a start so much further from the dock makes a lead so much dearer at most: what is dearer yet is a long
    way round.
    """
    apart = [other for other in others if other is not ground]
    best: tuple[float, LeadRoute] | None = None
    for room in rooms_m:
        if best is not None and np.hypot(*(best[1].xy[0] - start)) >= room:
            continue
        route = lead_route(laid, ground, terrain, keep_off=[(start, room), *attached], others=apart)
        if route is None:
            break
        if best is None or route.cost - room <= best[0]:
            best = route.cost - room, route
    return None if best is None else best[1]


def _no_lead(loop: LoopGround, zone: Row) -> Finding:
    values = {"loop_id": loop.loop_id, "zone_id": zone["zone_id"]}
    return Finding("stop", "no-lead", values, zone["geometry"].representative_point())


def _lead_finding(site: Site, loop: LoopGround, zone: Row, route: LeadRoute) -> Finding:
    crossed = lead_crossings(site, route.line)
    middle = route.line.interpolate(0.5, normalized=True)
    values = {
        "case": "lead" if crossed.over_m else "lead_over_lawn",
        "loop_id": loop.loop_id,
        "zone_id": zone["zone_id"],
        "length_m": route.line.length,
        "crossed": crossed.parts,
    }
    return Finding("caution" if crossed.over_m else "info", "wire-crosses", values, middle)


def _add_loop(rows: _Rows, wire: LaidWire, mower: MowerProfile) -> None:
    loop, laid, chainage = wire.loop, wire.laid, wire.chainage
    xy = laid.xy
    total = float(chainage[-1])
    slack = total * mower.wire_slack_percent / 100
    leads = lead_intervals_m(laid, chainage)
    lead_m = float(np.diff(leads, axis=1).sum()) if len(leads) else 0.0
    rows.wire_path.append(
        {
            "loop_id": loop.loop_id,
            "source": loop.source,
            "length_m": total,
            "plan_length_m": float(chainage_m(xy)[-1]),
            "lead_m": lead_m,
            "slack_m": slack,
            "resistance_ohm": resistance_ohm(total + slack, mower.wire_section_mm2),
            "signal_min_ut": None,
            "geometry": LineString(xy),
        }
    )
    rows.wire_runs += _run_rows(loop, laid, chainage)
    usable = mower.wire_reel_m / (1 + mower.wire_slack_percent / 100)
    joined = joins(laid, chainage, reel_m=usable)
    rows.joins += [
        {"loop_id": loop.loop_id, "chainage_m": float(at), "why": str(why), "geometry": _point_at(xy, chainage, at)}
        for at, why in zip(joined.chainage_m, joined.why, strict=True)
    ]
    standing = pegs(
        laid, chainage, spacing_straight_m=mower.peg_spacing_straight_m, spacing_bend_m=mower.peg_spacing_bend_m
    )
    first = first_pass(laid, chainage, standing, spacing_m=mower.peg_spacing_first_m, joins_m=joined.chainage_m)
    places = np.asarray(shapely.points(standing.xy), dtype=object)
    stages = np.where(first, *PEG_STAGES).tolist()
    columns = zip(standing.chainage_m.tolist(), standing.kind.tolist(), stages, places, strict=True)
    rows.pegs += [
        {"loop_id": loop.loop_id, "peg_no": number, **dict(zip(PEG_COLUMNS, peg, strict=True))}
        for number, peg in enumerate(columns, 1)
    ]


def _run_rows(loop: LoopGround, laid: Loop, chainage: FloatArray) -> list[Row]:
    return [
        {
            "loop_id": loop.loop_id,
            "seq": number,
            "run_kind": run.kind,
            "edge_class": run.edge_class,
            "setback_m": run.setback_m,
            "from_m": float(chainage[first]),
            "to_m": float(chainage[last]),
            "island_id": None if run.island is None else f"{loop.loop_id}-I{run.island + 1}",
            "geometry": LineString(run.xy),
        }
        for number, (run, (first, last)) in enumerate(zip(laid.runs, laid.run_vertices(), strict=True), start=1)
    ]


def _point_at(xy: FloatArray, chainage: FloatArray, at: float) -> Point:
    return Point(np.interp(at, chainage, xy[:, 0]), np.interp(at, chainage, xy[:, 1]))


def _circuit_findings(
    loop: LoopGround,
    grounds: list[Polygon],
    unheard: list[BaseGeometry],
    laid: Loop,
    path: Row,
    mower: MowerProfile,
    parameters: WireParameters,
) -> list[Finding]:
    inside, outside = signal_places(grounds, unheard, parameters.signal_points)
    checked = signal_check(laid.xy, inside, outside, height_m=mower.antenna_height_m, current_a=mower.loop_current_a)
    findings = _sign_findings(loop, checked)
    if np.isfinite(checked.weakest_ut):
        path["signal_min_ut"] = checked.weakest_ut  # type: ignore[index]
        if 0.0 < checked.weakest_ut < mower.signal_min_ut:
            findings.append(_weak_finding(loop, grounds, unheard, laid, checked, mower))
    far = _farthest_m(inside, grounds, mower.signal_reach_max_m)
    if far > mower.signal_reach_max_m:
        reach = {"loop_id": loop.loop_id, "away_m": far, "limit_m": mower.signal_reach_max_m}
        findings.append(Finding("caution", "signal-reach", reach))
    length = path["length_m"]
    if length > mower.loop_length_max_m:
        values = {"loop_id": loop.loop_id, "length_m": length, "limit_m": mower.loop_length_max_m}
        findings.append(Finding("stop", "loop-too-long", values))
    return findings


def _farthest_m(places: FloatArray, grounds: Sequence[Polygon], reach_m: float) -> float:
    """Return how far the farthest of places in the grounds lies from their wire; 0 where none is farther than a reach.

    No place in a ground is farther from its ring than half the shorter side of the box around it.
    """
    sides = np.diff(shapely.bounds(grounds).reshape(-1, 2, 2), axis=1)
    if not len(places) or sides.min(axis=-1).max() / 2 <= reach_m:
        return 0.0
    return float(shapely.distance(shapely.points(places), shapely.boundary(shapely.MultiPolygon(grounds))).max())


def _weak_finding(
    loop: LoopGround,
    grounds: list[Polygon],
    unheard: list[BaseGeometry],
    laid: Loop,
    checked: SignalCheck,
    mower: MowerProfile,
) -> Finding:
    """Say on how much ground the field is too weak; it stops the plan unless the mower gets across before it stops."""
    heard = shapely.MultiPolygon(
        polygon_parts(shapely.difference(shapely.union_all(grounds), shapely.union_all(unheard)))
    )
    weak = weak_ground(
        heard,
        [laid.xy],
        least_ut=mower.signal_min_ut,
        height_m=mower.antenna_height_m,
        current_a=mower.loop_current_a,
    )
    area = sum(part.area for part in weak)
    values = {
        "loop_id": loop.loop_id,
        "field_ut": checked.weakest_ut,
        "limit_ut": mower.signal_min_ut,
        "area_m2": area,
    }
    severity = "stop" if area >= WEAK_MIN_M2 else "caution"
    return Finding(severity, "signal-weak", values, Point(checked.weakest_xy))


def _sign_findings(loop: LoopGround, checked: SignalCheck) -> list[Finding]:
    if checked.ok:
        return []
    wrong = np.concatenate([checked.wrong_inside_xy, checked.wrong_outside_xy])
    values = {"loop_id": loop.loop_id, "places": len(wrong)}
    return [Finding("stop", "rule-2-signal-sign", values, Point(wrong[0]))]


def _interference_findings(
    laid: Sequence[tuple[str, FloatArray, list[Polygon]]], mower: MowerProfile, parameters: WireParameters
) -> list[Finding]:
    """Return a finding for each loop in which a neighbouring loop is heard too loudly."""
    findings = []
    for loop_id, xy, grounds in laid if len(laid) > 1 else ():
        others = {name: other for name, other, _ in laid if name != loop_id}
        inside, _ = signal_places(grounds, (), parameters.signal_points)
        if not len(inside):
            continue
        share = interference_share(xy, list(others.values()), inside, height_m=mower.antenna_height_m)
        worst = int(np.argmax(share))
        if share[worst] >= parameters.interference_share_min:
            values = {"loop_id": loop_id, "other_loop_ids": list(others), "share_percent": 100 * share[worst]}
            findings.append(Finding("caution", "interference", values, Point(inside[worst])))
    return findings


def _crossing_findings(plan: Plan, loop: LoopGround) -> list[Finding]:
    zones = plan.select("zones", loop_id=loop.loop_id)
    routes = {zone["reached_by"] for zone in zones if zone["reached_by"] is not None}
    findings = []
    for link in plan.rows("links"):
        if link["link_id"] not in routes:
            continue
        middle = link["geometry"].interpolate(0.5, normalized=True)
        paved = link["surface"] != LAWN
        values = {
            "case": "border" if link["link_id"] in loop.along_border else "crossing" if paved else "passage",
            "loop_id": loop.loop_id,
            "link_id": link["link_id"],
            "surface": link["surface"],
        }
        findings.append(Finding("caution" if paved else "info", "wire-crosses", values, middle))
    return findings


STEP = Step(
    id="wire",
    title="Wire, runs, pegs and joins",
    description=(
        "Lays each loop from its dock anti-clockwise round the zones and islands and back, through passages and along "
        "leads; sets pegs and joins; measures it along the ground; checks the laid wire against the rules that every "
        "loop obeys, and the circuit's resistance and field."
    ),
    reads=(
        "zones",
        "links",
        "edges",
        "keepouts",
        "hand_mow",
        "dock_candidates",
        "site:outlets",
        *SPREAD_READS,
        "raster:dem",
        "fact:wires",
        "fact:paths",
    ),
    writes=("wire_path", "wire_runs", "pegs", "joins"),
    compute=wire,
    parameters=WireParameters,
)
