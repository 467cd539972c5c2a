"""Loops of a plan before the wire is laid: which zones each encloses, and the ground inside it.

The dock's place is chosen on the ring before the wire is laid from it, so two steps need the same loops.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError
from lawngis.geometry.polygons import polygon_parts, polygonal
from lawngis.lawn.obstacles import with_bumps_filled
from lawngis.lawn.shared_border import border_strip, shared_border
from lawngis.mower import MowerProfile
from lawngis.wire.circuit import distinct_signals
from lawngis.wire.drawn import REACH_M, ground_along, rounded
from lawngis.wire.ground import (
    SHORT_STRETCH_M,
    ground_apart,
    joined_strips,
    loop_ground,
    passage_strip,
    setback_ground,
    wire_parts,
)

from ..model.facts import Fact
from ..model.plan import Derived, Finding, Plan, Row
from .decisions import leads_along_border
from .mower_demands import mower_no

Key = TypeVar("Key", bound=Hashable)
"""How zones are called: by number or by name."""

LOST_MIN_M2 = 1.0
"""Ground cut off by setbacks that is smaller than this is not worth a word."""

SIDE_BY_SIDE_M = 2.0
"""Loops that come closer than this lie side by side, of one parcel or two; common practice, no source."""

MOUTH_M = 0.05
"""An edge this near to the middle line of a passage is its mouth."""

BORDER_SLACK_M = 1.5
"""Ground inside the wire on both sides of a border is so much further apart than at its middle, at most."""

BORDER_ENDS_M = 3.0
"""Setbacks take so much off the two ends of a border together, at most; what lacks more is said. No source."""

_LOOPS = Derived("loops", ("zones", "links", "edges", "keepouts", "hand_mow", "fact:wires"))


@dataclass(frozen=True, eq=False)
class DrawnWire:
    """A line along which somebody on site wants the wire, as far as a zone's wire can follow it.

    `left_out_m2` of the zone lie outside the wire because of it, `added_m2` inside; which of it is no zone is for the
    step to say.
    """

    zone_id: str
    line: LineString
    left_out_m2: float
    added_m2: float


@dataclass(frozen=True, eq=False)
class LoopGround:
    """One loop: its zones and edges, the strips of its passages, and the ground inside the wire.

    `ground` is None when no wire can be laid; `findings` then say why. `outlying` are detached zones that the wire is
    led to, each with the ground that it goes around there; `drawn` the lines that somebody drew for it; `along_border`
    the links whose border the mower drives across anywhere, as the wire leaves it open.
    """

    loop_id: str
    source: str
    zones: Sequence[Row]
    edges: Sequence[Row]
    strips: Sequence[Polygon]
    ground: Polygon | None
    findings: Sequence[Finding]
    outlying: Sequence[tuple[Row, Polygon]] = ()
    drawn: Sequence[DrawnWire] = ()
    along_border: Collection[str] = ()

    @property
    def grounds(self) -> list[Polygon]:
        """All ground inside the wire, that of the loop itself first."""
        return [*([] if self.ground is None else [self.ground]), *(ground for _, ground in self.outlying)]


def is_outlying(zone: Row) -> bool:
    """Return whether the main wire is led to a zone that the mower doesn't reach by itself."""
    return bool(zone["role"] == "detached" and zone["supply"] == "main_wire")


def loops(plan: Plan, mower: MowerProfile, drawn: Sequence[Fact[LineString]]) -> list[LoopGround]:
    """Return the loops of a plan, home first; derived once from zones, links, edges and the wire drawn on site."""
    found: list[LoopGround] = plan.derived(_LOOPS, lambda: _loops(plan, mower, drawn))
    return found


def _loops(plan: Plan, mower: MowerProfile, drawn: Sequence[Fact[LineString]]) -> list[LoopGround]:
    zones = {zone["zone_id"]: _inside(plan, zone, mower) for zone in plan.rows("zones")}
    along, missed = _along_drawn(zones, [fact.value for fact in drawn], mower)
    inner = _Insides(zones, along)
    ids = dict.fromkeys(zone["loop_id"] for zone in plan.rows("zones"))
    found: list[LoopGround] = []
    for loop_id in ids:
        laid = [ground for loop in found for ground in loop.grounds]
        found.append(_loop(plan, mower, loop_id, inner, laid))
    if found and missed:
        found[0] = replace(found[0], findings=[*found[0].findings, *missed])
    return found


@dataclass(frozen=True, eq=False)
class _Insides:
    """Ground inside each zone's setbacks, by zone, and the drawn lines that changed it."""

    zones: Mapping[str, Polygon | MultiPolygon]
    drawn: Sequence[DrawnWire]


def _inside(plan: Plan, zone: Row, mower: MowerProfile) -> Polygon | MultiPolygon:
    own = plan.select("edges", zone_id=zone["zone_id"])
    driven = {row["reached_by"] for row in plan.rows("zones")}
    ways = shapely.union_all([link["geometry"] for link in plan.rows("links") if link["link_id"] in driven])
    # The wire goes straight on past a gap in which the mower can't turn, unless that is where it drives on.
    mouths = shapely.dwithin([edge["geometry"] for edge in own], ways, MOUTH_M)
    return setback_ground(
        filled_zone(zone, passed_over(plan)),
        [edge["geometry"] for edge in own],
        [edge["setback_m"] for edge in own],
        gap_min_m=mower.wire_gap_min_m,
        tolerance_m=mower.wire_tolerance_m,
        short_m=np.where(mouths, SHORT_STRETCH_M, mower.passage_mow_min_m).tolist(),
    )


def _along_drawn(
    zones: dict[str, Polygon | MultiPolygon], drawn: Sequence[LineString], mower: MowerProfile
) -> tuple[list[DrawnWire], list[Finding]]:
    """Change the ground of the zones that lines were drawn for; what can't be followed is a finding."""
    along: list[DrawnWire] = []
    missed: list[Finding] = []
    for line in drawn:
        here = [name for name, ground in zones.items() if not ground.is_empty]
        if not here:
            continue
        nearest = min(here, key=lambda name: _away_m(zones[name], line))
        before = polygon_parts(zones[nearest])[0]
        middle = line.interpolate(0.5, normalized=True)
        of_line = {"zone_id": nearest, "length_m": line.length}
        try:
            changed = ground_along(zones[nearest], rounded(line, mower.corner_cut_m))
        except FeatureError as error:
            values = {"case": "line", **of_line, "reason": error.what, "advice": error.advice}
            missed.append(Finding("caution", "drawn-wire-missed", values, middle))
            continue
        after = wire_parts(changed.ground, gap_min_m=mower.wire_gap_min_m, tolerance_m=mower.wire_tolerance_m)
        if after.is_empty:
            missed.append(Finding("caution", "drawn-wire-missed", {"case": "narrow", **of_line}, middle))
            continue
        zones[nearest] = after
        largest = polygon_parts(after)[0]
        left_out, added = shapely.difference(before, largest).area, shapely.difference(largest, before).area
        along.append(DrawnWire(nearest, changed.line, left_out, added))
    return along, missed


def _away_m(ground: Polygon | MultiPolygon, line: LineString) -> float:
    """How far the ends of a line lie from the rings of a ground; of a closed line, how far it lies from the ground."""
    if line.is_closed:
        return float(shapely.distance(ground, line))
    ends = shapely.points(shapely.get_coordinates(line)[[0, -1], :2])
    return float(shapely.distance(shapely.boundary(ground), ends).max())


def loop_signals(plan: Plan, wires: Mapping[str, LineString]) -> dict[str, int]:
    """Return the signal of each loop, its mower's: mowers whose loops lie side by side differ in it."""
    mower_of = {zone["loop_id"]: mower_no(zone) for zone in plan.rows("zones")}
    numbers = sorted({mower_of[loop_id] for loop_id in wires})
    of_mower = [[wire for loop_id, wire in wires.items() if mower_of[loop_id] == number] for number in numbers]
    signals = distinct_signals([shapely.MultiLineString(lines) for lines in of_mower], within_m=SIDE_BY_SIDE_M)
    return {loop_id: signals[numbers.index(mower_of[loop_id])] for loop_id in wires}


def left_out_by_lines(
    zones: Mapping[Key, Polygon], drawn: Sequence[Fact[LineString]], mower: MowerProfile
) -> dict[Key, list[Polygon]]:
    """Return by zone the ground beyond lines along which somebody wants the wire: what it leaves out is mown by hand.

    As everywhere the zone goes on beyond its wire, here as far as along an edge with level lawn beyond it.
    """
    left: dict[Key, list[Polygon]] = {}
    beyond_m = mower.setback_m.flush
    reach_m = REACH_M + max(mower.setback_m.model_dump().values())
    ground: dict[Key, Polygon | MultiPolygon] = dict(zones)
    for fact in drawn:
        if not ground:
            break
        name = min(ground, key=lambda zone: _away_m(ground[zone], fact.value))
        try:
            inside = ground_along(ground[name], rounded(fact.value, mower.corner_cut_m), reach_m=reach_m).ground
        except FeatureError:
            continue  # said where the wire is laid
        kept = shapely.buffer(polygon_parts(inside)[0], beyond_m, join_style="mitre")
        parts = polygon_parts(shapely.difference(ground[name], kept))
        lost = [part for part in parts if part.area >= LOST_MIN_M2]
        if lost:
            left.setdefault(name, []).extend(lost)
            ground[name] = polygonal(shapely.difference(ground[name], shapely.union_all(lost)))
    return left


def _loop(plan: Plan, mower: MowerProfile, loop_id: str, inner: _Insides, laid: Sequence[Polygon]) -> LoopGround:
    """One loop, kept away from ground that has its wire already."""
    served = plan.select("zones", loop_id=loop_id)
    zones = [zone for zone in served if not is_outlying(zone)] or served
    # What the mower drives to comes after what it sets out from.
    zones = sorted(zones, key=lambda zone: zone["reached_by"] is not None)
    outlying = [zone for zone in served if zone not in zones]
    names = {zone["zone_id"] for zone in served}
    edges = [edge for edge in plan.rows("edges") if edge["zone_id"] in names]
    source = "signal_source" if zones[0]["supply"] == "own_source" else "dock"
    findings: list[Finding] = []
    grounds: dict[str, Polygon] = {}
    for zone in zones:
        inside = _ground_of(zone, inner, mower, findings, laid)
        if inside is not None:
            grounds[zone["zone_id"]] = inside
    strips, along = _strips(plan, zones, grounds, mower, findings)
    ground = _joined(loop_id, list(grounds.values()), strips, mower, findings)
    apart: list[tuple[Row, Polygon]] = []
    if ground is not None:
        apart, further, along_there = _outlying_grounds(plan, outlying, inner, mower, findings, [*laid, ground])
        strips, along = [*strips, *further], [*along, *along_there]
    drawn = [line for line in inner.drawn if line.zone_id in names]
    return LoopGround(loop_id, source, zones, edges, strips, ground, findings, apart, drawn, along)


def _strips(
    plan: Plan, zones: Sequence[Row], grounds: Mapping[str, Polygon], mower: MowerProfile, findings: list[Finding]
) -> tuple[list[Polygon], list[str]]:
    """Strips of the passages by which zones are reached from others, and the links whose border is driven across."""
    links = {link["link_id"]: link for link in plan.rows("links")}
    ways = [links[zone["reached_by"]] for zone in zones if zone["reached_by"] is not None]
    strips: list[Polygon] = []
    along = []
    for link in ways:
        if link["zone_a"] in grounds and link["zone_b"] in grounds:
            one, other = grounds[link["zone_a"]], grounds[link["zone_b"]]
            band = _border_band(plan, link, one, other, findings) if leads_along_border(link) else None
            if band is not None:
                along.append(link["link_id"])
            strips.append(band or passage_strip(_middle_line(link), one, other, gap_m=mower.passage_wire_gap_m))
    return joined_strips(strips, gap_m=mower.passage_wire_gap_m), along


def _border_band(plan: Plan, link: Row, one: Polygon, other: Polygon, findings: list[Finding]) -> Polygon | None:
    """What joins the ground of two zones all along the border they share; where that can't be laid it is said.

    That keeps every setback but those of the border itself, and ends where the ground inside the wire does.
    """
    line = _middle_line(link)
    own = [edge for edge in plan.rows("edges") if edge["zone_id"] in (link["zone_a"], link["zone_b"])]
    kept_off = [edge["geometry"].buffer(edge["setback_m"]) for edge in own if edge["edge_class"] != "flush"]
    free = shapely.envelope(shapely.union(one, other)).difference(shapely.union_all(kept_off))
    around = (shapely.points(line.coords[0]), link["width_m"] / 2)
    border = shared_border(one, other, free, reach_m=line.length + BORDER_SLACK_M, around=around)
    laid_m = 0.0 if border is None else border.length_m
    if laid_m < link["width_m"] - BORDER_ENDS_M:
        told = {"link_id": link["link_id"], "width_m": link["width_m"], "laid_m": laid_m}
        case = "one_place" if border is None else "shorter"
        findings.append(Finding("caution", "border-not-laid", {"case": case, **told}, line.centroid))
    return None if border is None else border_strip(border, one, other)


def _outlying_grounds(
    plan: Plan,
    zones: Sequence[Row],
    inner: _Insides,
    mower: MowerProfile,
    findings: list[Finding],
    laid: Sequence[Polygon],
) -> tuple[list[tuple[Row, Polygon]], list[Polygon], list[str]]:
    """The ground of each detached zone, joined with those to which the mower drives from there.

    Besides, their strips and the links whose border is driven across.
    """
    found: list[tuple[Row, Polygon]] = []
    strips: list[Polygon] = []
    along: list[str] = []
    for group in _driven_between(plan, zones):
        grounds: dict[str, Polygon] = {}
        for zone in group:
            beside = [*laid, *(ground for _, ground in found)]
            inside = _ground_of(zone, inner, mower, findings, beside)
            if inside is not None:
                grounds[zone["zone_id"]] = inside
        between, along_there = _strips(plan, group, grounds, mower, findings)
        ground = _joined(group[0]["zone_id"], list(grounds.values()), between, mower, findings)
        if ground is not None:
            found.append((group[0], ground))
            strips += between
            along += along_there
    return found, strips, along


def _driven_between(plan: Plan, zones: Sequence[Row]) -> list[list[Row]]:
    """Zones in groups between which the mower drives by itself, each with the zone that it is carried to first."""
    links = {link["link_id"]: link for link in plan.rows("links")}
    groups = [[zone] for zone in zones if zone["reached_by"] is None]
    waiting = [zone for zone in zones if zone["reached_by"] is not None]
    while waiting:
        for zone in waiting:
            ends = {links[zone["reached_by"]][end] for end in ("zone_a", "zone_b")} - {zone["zone_id"]}
            group = next((some for some in groups if ends & {member["zone_id"] for member in some}), None)
            if group is not None:
                group.append(zone)
                waiting.remove(zone)
                break
        else:
            return [*groups, *([zone] for zone in waiting)]
    return groups


def _middle_line(link: Row) -> LineString:
    line: LineString = link["geometry"]
    return line


def _ground_of(
    zone: Row, inner: _Insides, mower: MowerProfile, findings: list[Finding], laid: Sequence[Polygon]
) -> Polygon | None:
    inside = inner.zones[zone["zone_id"]]
    apart = ground_apart(inside, laid, gap_min_m=mower.wire_gap_min_m, tolerance_m=mower.wire_tolerance_m)
    parts = polygon_parts(apart)
    if not parts:
        place = zone["geometry"].representative_point()
        findings.append(Finding("stop", "no-wire", {"case": "narrow", "zone_id": zone["zone_id"]}, place))
        return None
    lost = sum(part.area for part in parts[1:])
    if lost >= LOST_MIN_M2:
        place = parts[1].representative_point()
        findings.append(Finding("caution", "cut-by-setback", {"zone_id": zone["zone_id"], "area_m2": lost}, place))
    return parts[0]


def passed_over(plan: Plan) -> list[BaseGeometry]:
    """Return what lies inside a zone and yet gets no wire around it: what may be bumped, and ground out of signal."""
    return plan.geometries("keepouts", treatment="bump") + plan.geometries("hand_mow", reason="out_of_signal")


def filled_zone(zone: Row, ignored: Sequence[BaseGeometry]) -> Polygon:
    """Return a zone with the holes filled that the wire takes no notice of; `ignored` as of :func:`passed_over`."""
    filled, *_ = polygon_parts(with_bumps_filled(zone["geometry"], ignored))
    return filled


def _joined(
    loop_id: str, grounds: list[Polygon], strips: list[Polygon], mower: MowerProfile, findings: list[Finding]
) -> Polygon | None:
    if not grounds:
        return None
    try:
        return loop_ground(
            grounds,
            strips,
            gap_min_m=mower.wire_gap_min_m,
            tolerance_m=mower.wire_tolerance_m,
            corner_cut_m=mower.corner_cut_m,
        )
    except FeatureError as error:
        values = {"loop_id": loop_id, "reason": error.what, "advice": error.advice}
        place = shapely.union_all(grounds).representative_point()
        findings.append(Finding("stop", "rule-1-loop-in-pieces", values, place))
        return None
