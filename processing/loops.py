"""Loops of a plan before the wire is laid: which zones each encloses, and the ground inside it.

The dock's place is chosen on the ring before the wire is laid from it, so two steps need the same loops.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError
from lawngis.geometry.polygons import polygon_parts
from lawngis.lawn.obstacles import with_bumps_filled
from lawngis.mower import MowerProfile
from lawngis.wire.ground import ground_apart, loop_ground, passage_strip, setback_ground

from .plans import Finding, Plan, Row

LOST_MIN_M2 = 1.0
"""Ground cut off by setbacks that is smaller than this is not worth a word."""


@dataclass(frozen=True, eq=False)
class Loop:
    """One loop: its zones and edges, the strips of its passages, and the ground inside the wire.

    `ground` is None when no wire can be laid; `findings` then say why. `outlying` are detached zones that the wire is
    led to, each with the ground that it goes around there.
    """

    loop_id: str
    source: str
    zones: Sequence[Row]
    edges: Sequence[Row]
    strips: Sequence[Polygon]
    ground: Polygon | None
    findings: Sequence[Finding]
    outlying: Sequence[tuple[Row, Polygon]] = ()

    @property
    def grounds(self) -> list[Polygon]:
        """All ground inside the wire, that of the loop itself first."""
        return [*([] if self.ground is None else [self.ground]), *(ground for _, ground in self.outlying)]


def is_outlying(zone: Row) -> bool:
    """Return whether the main wire is led to a zone that the mower doesn't reach by itself."""
    return bool(zone["role"] == "detached" and zone["supply"] == "main_wire")


def loops(plan: Plan, mower: MowerProfile) -> list[Loop]:
    """Return the loops of a plan, home first; derived once from zones, links and edges."""
    found: list[Loop] = plan.derived("loops", lambda: _loops(plan, mower))
    return found


def _loops(plan: Plan, mower: MowerProfile) -> list[Loop]:
    ids = dict.fromkeys(zone["loop_id"] for zone in plan.rows("zones"))
    found: list[Loop] = []
    for loop_id in ids:
        found.append(_loop(plan, mower, loop_id, [ground for loop in found for ground in loop.grounds]))
    return found


def _loop(plan: Plan, mower: MowerProfile, loop_id: str, laid: Sequence[Polygon]) -> Loop:
    """One loop, kept away from ground that has its wire already."""
    served = plan.select("zones", loop_id=loop_id)
    zones = [zone for zone in served if not is_outlying(zone)] or served
    outlying = [zone for zone in served if zone not in zones]
    names = {zone["zone_id"] for zone in served}
    edges = [edge for edge in plan.rows("edges") if edge["zone_id"] in names]
    source = "signal_source" if zones[0]["supply"] == "own_source" else "dock"
    findings: list[Finding] = []
    grounds: dict[str, Polygon] = {}
    for zone in zones:
        inside = _ground_of(plan, zone, edges, mower, findings, laid)
        if inside is not None:
            grounds[zone["zone_id"]] = inside
    links = {link["link_id"]: link for link in plan.rows("links")}
    ways = [links[zone["reached_by"]] for zone in zones if zone["reached_by"] is not None]
    strips = [
        passage_strip(
            _middle_line(link), grounds[link["zone_a"]], grounds[link["zone_b"]], gap_m=mower.passage_wire_gap_m
        )
        for link in ways
        if link["zone_a"] in grounds and link["zone_b"] in grounds
    ]
    ground = _joined(loop_id, list(grounds.values()), strips, mower, findings)
    apart = [] if ground is None else _outlying_grounds(plan, outlying, edges, mower, findings, [*laid, ground])
    return Loop(loop_id, source, zones, edges, strips, ground, findings, apart)


def _outlying_grounds(
    plan: Plan,
    zones: Sequence[Row],
    edges: Sequence[Row],
    mower: MowerProfile,
    findings: list[Finding],
    laid: Sequence[Polygon],
) -> list[tuple[Row, Polygon]]:
    found: list[tuple[Row, Polygon]] = []
    for zone in zones:
        inside = _ground_of(plan, zone, edges, mower, findings, [*laid, *(ground for _, ground in found)])
        ground = None if inside is None else _joined(zone["zone_id"], [inside], [], mower, findings)
        if ground is not None:
            found.append((zone, ground))
    return found


def _middle_line(link: Row) -> LineString:
    line: LineString = link["geometry"]
    return line


def _ground_of(
    plan: Plan,
    zone: Row,
    edges: Sequence[Row],
    mower: MowerProfile,
    findings: list[Finding],
    laid: Sequence[Polygon],
) -> Polygon | None:
    own = [edge for edge in edges if edge["zone_id"] == zone["zone_id"]]
    polygon = with_bumps_filled(zone["geometry"], passed_over(plan))
    inside: Polygon | MultiPolygon = setback_ground(
        polygon,
        [edge["geometry"] for edge in own],
        [edge["setback_m"] for edge in own],
        gap_min_m=mower.wire_gap_min_m,
        tolerance_m=mower.wire_tolerance_m,
    )
    apart = ground_apart(inside, laid, gap_min_m=mower.wire_gap_min_m, tolerance_m=mower.wire_tolerance_m)
    parts = polygon_parts(apart)
    if not parts:
        text = (
            f"{zone['zone_id']} is too narrow for a wire with its setbacks: nothing of it can be enclosed, "
            "so rule 2 can't be kept"
        )
        place = zone["geometry"].representative_point()
        findings.append(Finding("stop", "no-wire", text, "Mow it by hand, or measure the edges on site.", place))
        return None
    lost = sum(part.area for part in parts[1:])
    if lost >= LOST_MIN_M2:
        text = f"setbacks cut {lost:.0f} m² off {zone['zone_id']}: the wire encloses the larger part"
        place = parts[1].representative_point()
        findings.append(Finding("caution", "cut-by-setback", text, "Mow the rest by hand.", place))
    return parts[0]


def passed_over(plan: Plan) -> list[BaseGeometry]:
    """Return what lies inside a zone and yet gets no wire around it: what may be bumped, and ground out of signal."""
    return plan.geometries("keepouts", treatment="bump") + plan.geometries("hand_mow", reason="out_of_signal")


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
        text = f"{loop_id} can't be laid as one loop: {error.what}"
        place = shapely.union_all(grounds).representative_point()
        findings.append(Finding("stop", "rule-1-loop-in-pieces", text, error.advice, place))
        return None
