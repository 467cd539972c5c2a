"""What steps decide anew once measured values have taken the place of derived ones.

A passage that is wider than the map has it may link two zones; a zone that somebody leaves out is mown by hand, and
what hung on it goes; a dock whose ground is too steep gives way to the next best place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.dock.placing import MustHave
from lawngis.geometry.polygons import polygon_parts
from lawngis.lawn.zones import ZoneLink, ZoneRoles, zone_roles
from lawngis.mower import MowerProfile
from lawngis.prices import price_book_from
from lawngis.wire.outlying import lead_way

from ..derived.detached_supply import DetachedOffer, DetachedZone, detached_offer
from ..derived.leads import lead_crossings, lead_terrain
from ..model.plan import Finding, Row, VisitCheck
from ..model.site import Site

GONE = "gone"
"""Column of an override that says that a feature isn't there, or is left out."""

PAD_SLOPE = "slope of the pad"
"""Name of the must-have that a measured slope under the dock decides."""

SAME_PLACE_M = 0.01

OF_LINKS = ("crossing", "passage-blocked")
OF_ZONES = ("zone-detached", "zone-unreachable")
"""Codes of findings of the step `zones` about links and zones."""

Rows = list[dict[str, Any]]


@dataclass
class Remeasured:
    """A step's result while measured values are put in: layers, findings and checks, changed in place.

    `site` is None where only the layers are at hand; `removed` holds rows taken out, `touched` the columns measured, by
    layer and identity of the row.
    """

    layers: dict[str, Rows]
    findings: list[Finding]
    checks: list[VisitCheck]
    mower: MowerProfile
    site: Site | None = None
    removed: dict[str, Rows] = field(default_factory=dict)
    touched: dict[str, dict[int, set[str]]] = field(default_factory=dict)

    def remove(self, layer: str, row: dict[str, Any]) -> None:
        """Take a row out of its layer."""
        self.layers[layer][:] = [other for other in self.layers[layer] if other is not row]
        self.removed.setdefault(layer, []).append(row)

    def touch(self, layer: str, row: dict[str, Any], column: str) -> None:
        """Note that a column of a row was measured."""
        self.touched.setdefault(layer, {}).setdefault(id(row), set()).add(column)

    def measured(self, layer: str, *columns: str) -> Rows:
        """Return the rows of a layer of which one of some columns was measured."""
        by_row = self.touched.get(layer, {})
        return [row for row in self.layers.get(layer, ()) if by_row.get(id(row), set()) & set(columns)]

    def forget(self, codes: Sequence[str], shape: BaseGeometry, reach_m: float) -> None:
        """Drop the step's own findings of some codes about a thing: they tell of what isn't so any more."""
        self.findings[:] = [
            item
            for item in self.findings
            if item.code not in codes or item.place is None or not shape.dwithin(item.place, reach_m)
        ]


def decided_anew(anew: Remeasured) -> list[Finding]:
    """Decide what hangs on the measured values, in place, and return what came of it."""
    findings: list[Finding] = []
    if "zones" in anew.layers and "links" in anew.layers:
        findings += _zones_decided(anew)
    for row in anew.measured("edges", "edge_class"):
        row["setback_m"] = getattr(anew.mower.setback_m, row["edge_class"])
    if anew.measured("dock_candidates", "chosen", "slope_percent") or "dock_candidates" in anew.removed:
        findings += _docks_decided(anew)
    return findings


def _decides(
    text: str, place: Any, severity: str = "info", code: str = "override-decides", advice: str = ""
) -> Finding:
    return Finding(severity, code, text, advice, place)


# --- zones and links -------------------------------------------------------------------------------------


def _zones_decided(anew: Remeasured) -> list[Finding]:
    left_out = list(anew.removed.get("zones", ()))
    changed = bool(left_out or anew.removed.get("links") or anew.measured("links", "width_m", "kind"))
    findings = []
    for zone in left_out:
        _mown_by_hand(anew, zone, "left_out")
    for zone in anew.measured("zones", "slope_p95_percent", "slope_max_percent"):
        findings += _judged_by_slope(anew, zone)
    changed = changed or len(anew.removed.get("zones", ())) > len(left_out)
    return findings + (_reached(anew) if changed and anew.layers["zones"] else [])


def _judged_by_slope(anew: Remeasured, zone: dict[str, Any]) -> list[Finding]:
    """Leave out a zone most of which is too steep; of one that is so somewhere, ask where."""
    limit, place = anew.mower.slope_limit_percent, zone["geometry"].representative_point()
    most, steepest = zone["slope_p95_percent"], zone["slope_max_percent"]
    if most is not None and most > limit:
        anew.remove("zones", zone)
        _mown_by_hand(anew, zone, "steep")
        text = f"{zone['zone_id']} is mown by hand: the {most:g} % measured are more than the limit of {limit:g} %"
        return [_decides(text, place)]
    if steepest is not None and steepest > limit:
        text = f"{zone['zone_id']} has a slope of {steepest:g} % somewhere, more than the limit of {limit:g} %"
        advice = "Draw the steep ground as an override: target_layer keepouts, column slope_percent."
        return [_decides(text, place, "caution", "override-contradicts", advice)]
    return []


def _mown_by_hand(anew: Remeasured, zone: dict[str, Any], reason: str) -> None:
    """Give a zone's ground to those who mow by hand; links to it go, and what was said or asked about all that."""
    by_hand = anew.layers.setdefault("hand_mow", [])
    stem = zone["zone_id"].rpartition("-Z")[0]
    numbers = [int(row["area_id"].rpartition("-H")[2]) for row in by_hand]
    area_id = f"{stem}-H{max(numbers, default=0) + 1}"
    by_hand.append({"area_id": area_id, "reason": reason, "area_m2": zone["area_m2"], "geometry": zone["geometry"]})
    anew.forget(OF_ZONES, zone["geometry"], SAME_PLACE_M)
    links = [link for link in anew.layers["links"] if zone["zone_id"] in (link["zone_a"], link["zone_b"])]
    for link in links:
        anew.remove("links", link)
        anew.forget(OF_LINKS, _middle(link), SAME_PLACE_M)
    gone = {link["link_id"] for link in links}
    anew.checks[:] = [check for check in anew.checks if check.target_layer != "links" or check.target_id not in gone]


def _middle(link: Row) -> Any:
    return link["geometry"].interpolate(0.5, normalized=True)


def _reached(anew: Remeasured) -> list[Finding]:
    """Decide what the mower does in each passage, and so which zones it reaches by itself."""
    zones, links = anew.layers["zones"], anew.layers["links"]
    findings = _kinds_decided(anew)
    index = {zone["zone_id"]: number for number, zone in enumerate(zones)}
    roles = zone_roles(
        [zone["area_m2"] for zone in zones],
        [ZoneLink(index[x["zone_a"]], index[x["zone_b"]], x["kind"] != "blocked", x["width_m"]) for x in links],
    )
    for number, zone in enumerate(zones):
        via = roles.reached_by[number]
        if zone["role"] != "detached" or via is not None:  # the second of a detached pair keeps its way to the first
            zone["reached_by"] = None if via is None else links[via]["link_id"]
    old_home = all(zone["role"] != "home" for zone in zones)
    for number in _home_first(roles, len(zones)):
        zone = zones[number]
        role = "home" if number == roles.home else "linked" if number in roles.linked else "detached"
        led = role == "detached" and zone["supply"] == "main_wire" and (old_home or zones[roles.home]["role"] != "home")
        if role != zone["role"] or led:
            findings += _supplied_anew(anew, zone, role, zones[roles.home])
    return findings


def _home_first(roles: ZoneRoles, count: int) -> list[int]:
    others = [number for number in range(count) if number != roles.home]
    return [roles.home, *sorted(others, key=lambda number: number not in roles.linked)]


def _kinds_decided(anew: Remeasured) -> list[Finding]:
    """Class the links by their measured widths; a kind that somebody saw himself stays."""
    seen = [id(link) for link in anew.measured("links", "kind")]
    findings = []
    for link in anew.measured("links", "width_m"):
        kind = link["kind"] if id(link) in seen else _link_kind(link, anew.mower)
        if kind != link["kind"]:
            text = (
                f"{link['link_id']} is {kind} by its measured width of {link['width_m']:.2f} m, "
                f"no longer {link['kind']}"
            )
            findings.append(_decides(text, _middle(link)))
            link["kind"] = kind
            anew.forget(OF_LINKS[1:], _middle(link), SAME_PLACE_M)
    for link in anew.measured("links", "kind"):
        if link["kind"] != "blocked":
            anew.forget(OF_LINKS[1:], _middle(link), SAME_PLACE_M)
    return findings


def _link_kind(link: Row, mower: MowerProfile) -> str:
    if link["width_m"] < mower.passage_transit_min_m:
        return "blocked"
    if link["kind"] == "crossing" or str(link["surface"]).startswith("flush"):
        return "crossing"
    return "open" if link["width_m"] >= mower.passage_mow_min_m else "transit"


def _supplied_anew(anew: Remeasured, zone: dict[str, Any], role: str, home: dict[str, Any]) -> list[Finding]:
    """Give a zone the part and the supply that follow from what was measured."""
    place = zone["geometry"].representative_point()
    text = f"{zone['zone_id']} is {role} by what was measured, no longer {zone['role']}"
    findings = [_decides(text, place)] if role != zone["role"] else []
    zone["role"] = role
    anew.forget(OF_ZONES, zone["geometry"], SAME_PLACE_M)
    if role == "home":
        zone |= {"supply": "own_dock", "supply_why": "home zone"}
    elif role == "linked":
        why = "the mower drives there by itself, as measured on site"
        zone |= {"supply": "main_wire", "supply_why": why, "loop_id": home["loop_id"]}
    else:
        findings.append(_detached(anew, zone, home))
    return findings


def _detached(anew: Remeasured, zone: dict[str, Any], home: dict[str, Any]) -> Finding:
    place = zone["geometry"].representative_point()
    offer = _offer(anew, zone, home["loop_id"])
    if offer.chosen is None:
        anew.remove("zones", zone)
        _mown_by_hand(anew, zone, "unreachable")
        text = f"{zone['area_m2']:.0f} m² are reached by no supply that the profile offers: mown by hand"
        return Finding("caution", "zone-unreachable", f"{text}. {offer.words}", offer.advice, place)
    others = {row["loop_id"] for row in anew.layers["zones"] if row is not zone}
    if offer.chosen.supply == "main_wire":
        loop_id = home["loop_id"]
    else:
        stem = home["loop_id"].rpartition("-L")[0]
        loop_id = next(f"{stem}-L{n}" for n in range(2, len(others) + 3) if f"{stem}-L{n}" not in others)
    zone |= {"supply": offer.chosen.supply, "supply_why": offer.chosen.why, "loop_id": loop_id}
    text = f"{zone['zone_id']} is not reached by the mower itself. {offer.words}"
    return Finding("info", "zone-detached", text, offer.advice, place)


def _offer(anew: Remeasured, zone: Row, home_loop: str) -> DetachedOffer:
    """Return what each supply of a detached zone takes, the main wire being that of the zones that it goes round."""
    inset_m = anew.mower.setback_m.boundary
    others = [row for row in anew.layers["zones"] if row is not zone]
    laid = [_inner(row["geometry"], inset_m) for row in others if row["loop_id"] == home_loop]
    apart = [_inner(row["geometry"], inset_m) for row in others if row["loop_id"] != home_loop]
    inner = _inner(zone["geometry"], inset_m)
    way = None
    if anew.site is not None and laid:
        way = lead_way(laid, inner, lead_terrain(anew.site), others=apart)
    need = DetachedZone(
        area_m2=zone["area_m2"],
        ring_m=inner.length,
        lead_m=None if way is None else way.line.length,
        crossed=None if way is None or anew.site is None else lead_crossings(anew.site, way.line),
        main_wire_m=sum(ground.length for ground in laid),
    )
    return detached_offer(need, anew.mower, price_book_from(None))


def _inner(zone: Polygon, inset_m: float) -> Polygon:
    """Return about the ground inside a zone's wire."""
    parts = polygon_parts(zone.buffer(-inset_m))
    return max(parts, key=lambda part: part.area) if parts else zone


# --- dock ------------------------------------------------------------------------------------------------


def _docks_decided(anew: Remeasured) -> list[Finding]:
    """Choose the dock anew in each zone: the place that somebody chose, else the best that meets every must-have."""
    rows = anew.layers["dock_candidates"]
    for row in anew.measured("dock_candidates", "slope_percent"):
        for twin in (other for other in rows if other["geometry"].dwithin(row["geometry"], SAME_PLACE_M)):
            twin["slope_percent"] = row["slope_percent"]
            _judge_pad(twin, anew.mower)
    findings = []
    for zone_id in dict.fromkeys(row["zone_id"] for row in rows):
        findings += _dock_decided(anew, [row for row in rows if row["zone_id"] == zone_id])
    return findings


def _judge_pad(row: dict[str, Any], mower: MowerProfile) -> None:
    limit = mower.dock_slope_max_percent
    must = MustHave(PAD_SLOPE, [row["slope_percent"]], limit, "max", "%")  # type: ignore[arg-type]
    failed = [text for text in (row["failed"] or "").split("; ") if text and not text.startswith(PAD_SLOPE)]
    if row["slope_percent"] > limit:
        failed.insert(0, must.failure(0))
    row["failed"] = "; ".join(failed) or None
    row["feasible"] = not failed


def _dock_decided(anew: Remeasured, rows: Rows) -> list[Finding]:
    wanted = {id(row) for row in anew.measured("dock_candidates", "chosen")}
    forced = [row for row in rows if row["chosen"] and id(row) in wanted]
    derived = [row for row in rows if row["chosen"] and id(row) not in wanted]
    refused = [row for row in rows if not row["chosen"] and id(row) in wanted]
    free = [row for row in rows if not any(row is other for other in refused)]
    best = min(free, key=_preference, default=None)
    kept = forced[-1] if forced else derived[0] if derived and derived[0]["feasible"] else best
    if kept is None:
        return []
    for row in rows:
        row["chosen"] = row is kept
    findings = []
    before = derived[0] if derived else None
    if before is not kept and not forced:
        text = f"{kept['candidate_id']} is the dock by what was measured"
        findings.append(_decides(text, kept["geometry"]))
    if kept["feasible"]:
        shapes = shapely.multipoints([row["geometry"] for row in rows])
        anew.forget(("dock-not-feasible",), shapes, SAME_PLACE_M)
        return findings
    advice = "Change what it misses on site."
    if forced:
        text = f"the dock was put at {kept['candidate_id']}, which misses: {kept['failed']}"
        return [*findings, _decides(text, kept["geometry"], "caution", "override-contradicts", advice)]
    if not any(item.code == "dock-not-feasible" for item in anew.findings):
        text = f"no place for a dock meets every must-have; {kept['candidate_id']} misses: {kept['failed']}"
        findings.append(_decides(text, kept["geometry"], "stop", "dock-not-feasible", advice))
    return findings


def _preference(row: Row) -> tuple[bool, int, float]:
    missed = len(str(row["failed"]).split("; ")) if row["failed"] else 0
    return not row["feasible"], missed, -(row["score"] or 0.0)
