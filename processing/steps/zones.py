"""Step `zones`: mowable ground, how it falls into zones, and which of them the mower reaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import ceil

import shapely
from pydantic import Field
from shapely import LineString, MultiPolygon, Point, Polygon

from lawngis.geometry.polygons import grid_parts, polygon_parts, polygonal
from lawngis.lawn.obstacles import with_bumps_filled
from lawngis.lawn.zones import (
    Passage,
    ZoneLink,
    ZonePartition,
    ZoneRoles,
    crossings,
    width_sd_m,
    zone_partition,
    zone_roles,
)
from lawngis.mower import MowerProfile
from lawngis.prices import price_book_from
from lawngis.trust import flip_probability
from lawngis.wire.circuit import least_field_ut, weak_ground
from lawngis.wire.leads import ground_rings
from lawngis.wire.outlying import lead_way

from ..derived.detached_supply import DetachedOffer, DetachedZone, detached_offer
from ..derived.leads import lead_crossings, lead_terrain
from ..derived.outline_accuracy import SeenOutlines, seen_outlines
from ..derived.paving import level_paving
from ..derived.wheel_slope import slope_under_wheels
from ..derived.zone_figures import zone_hours_week, zone_slopes_percent
from ..model.plan import GRID_M, Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import Site
from ..model.step import Parameters, Step

UNHEARD_MIN_M2 = 0.5
"""Ground out of signal that is smaller than this is crossed before the mower stops."""

CRUMB_SHARE = 2e-4
"""A crumb is less than this share of the mowable ground as well: on the smallest lawns every hand's breadth counts."""

FIELD_MARGIN = 1.02
"""Field asked for while the wire isn't laid yet, as a share of the least: corners will be cut, passages added."""

WEAK_OUTLINE_M = 0.1
"""How far the outline of ground with too weak a field may be simplified."""

WIRE_INSET_M = 0.3
"""How far from the edge the wire is taken to lie while supplies are compared: a middling setback."""


class ZonesParameters(Parameters):
    """How zones are found."""

    doubt_min: float = Field(
        default=0.05, ge=0, le=0.5, description="a width whose decision may flip with this chance is measured on site"
    )
    crumb_m2: float = Field(
        default=0.02, ge=0, le=10, description="pieces smaller than a hand's breadth squared are nobody's work [m²]"
    )
    price_book: str | None = Field(
        default=None, description="TOML file with prices to compare supplies by; an invented example when absent"
    )


@dataclass(frozen=True)
class Link:
    """A passage or crossing with what the mower can do there."""

    zone_a: int
    zone_b: int
    kind: str
    width_m: float
    length_m: float
    surface: str
    middle_line: LineString
    narrowest: Point

    @property
    def usable(self) -> bool:
        """Whether the mower gets through."""
        return self.kind != "blocked"


def zones(site: Site, plan: Plan, mower: MowerProfile, parameters: ZonesParameters) -> StepResult:
    """Return zones with roles and supplies, the links between them, and what is left to be mown by hand."""
    ground = _mowable(plan)
    partition = zone_partition(ground, mow_width_m=mower.passage_mow_min_m, zone_area_min_m2=mower.zone_area_min_m2)
    links = _links(site, partition, mower)
    served = _served(site, partition, links, mower, parameters)
    served = replace(served, unheard=_unheard(plan, partition, served, mower))
    numbers = {index: number for number, index in enumerate(served.supplies, start=1)}
    zone_rows = _zone_rows(site, plan, mower, partition, served, links)
    seen = seen_outlines(site, plan)
    link_rows = [
        _link_row(site, number, link, numbers, _width_sd_m(site, link, ground, seen))
        for number, link in enumerate((link for link in links if {link.zone_a, link.zone_b} <= set(numbers)), start=1)
    ]
    hand_rows = _hand_rows(site, partition, served, parameters)
    return StepResult(
        {"zones": zone_rows, "links": link_rows, "hand_mow": hand_rows},
        _findings(partition, zone_rows, link_rows, served, mower) + _unheard_findings(hand_rows, mower),
        _width_checks(site, link_rows, mower, parameters),
    )


def _mowable(plan: Plan) -> Polygon | MultiPolygon:
    lawn = shapely.union_all(plan.geometries("lawn"))
    bumps = plan.geometries("keepouts", treatment="bump")
    out = plan.geometries("keepouts", treatment="outside") + plan.geometries("keepouts", treatment="island")
    ground = with_bumps_filled(lawn, bumps).difference(shapely.union_all(out))
    # Keep-outs that follow the lawn's edge leave hairlines of ground between the two: they close on the grid.
    return polygonal(shapely.set_precision(ground, GRID_M))


def _links(site: Site, partition: ZonePartition, mower: MowerProfile) -> list[Link]:
    links = [_passage_link(passage, mower) for passage in partition.passages]
    flush = level_paving(site)
    if flush is None or not len(partition.zones):
        return links
    found = crossings(
        partition.zones,
        list(flush.geometry),
        length_max_m=mower.crossing_length_max_m,
        transit_width_m=mower.passage_transit_min_m,
    )
    for crossing in found:
        use = flush["use"].iloc[crossing.surface] or "paving"
        links.append(
            Link(
                crossing.zone_a,
                crossing.zone_b,
                "crossing",
                crossing.width_m,
                crossing.length_m,
                f"flush {use}",
                crossing.middle_line,
                crossing.middle_line.interpolate(0.5, normalized=True),
            )
        )
    return links


def _passage_link(passage: Passage, mower: MowerProfile) -> Link:
    if passage.width_m >= mower.passage_mow_min_m:
        kind = "open"
    else:
        kind = "transit" if passage.width_m >= mower.passage_transit_min_m else "blocked"
    return Link(
        passage.zone_a,
        passage.zone_b,
        kind,
        passage.width_m,
        passage.length_m,
        "lawn",
        passage.middle_line,
        passage.narrowest,
    )


Group = dict[int, int | None]
"""Detached zones between which the mower drives by itself: each with the link by which it is reached from the first."""


@dataclass(frozen=True)
class _Served:
    """Zones that get a wire, by index, with what supplies them and why; the others are unreachable.

    Detached zones come in groups, each with one offer, that of its first and largest zone.
    """

    roles: ZoneRoles | None
    supplies: dict[int, tuple[str, str]]
    unreachable: tuple[int, ...]
    groups: tuple[Group, ...] = ()
    offers: dict[int, DetachedOffer] = field(default_factory=dict)
    unheard: dict[int, list[Polygon]] = field(default_factory=dict)


def _served(
    site: Site, partition: ZonePartition, links: Sequence[Link], mower: MowerProfile, parameters: ZonesParameters
) -> _Served:
    if not partition.zones:
        return _Served(None, {}, ())
    roles = zone_roles(
        [zone.area for zone in partition.zones],
        [ZoneLink(link.zone_a, link.zone_b, link.usable, link.width_m) for link in links],
    )
    ways = {index: ("own_dock" if index == roles.home else "main_wire") for index in (roles.home, *roles.linked)}
    why = {index: "home zone" if index == roles.home else "the mower drives there by itself" for index in ways}
    detached = [index for index in range(len(partition.zones)) if index not in ways]
    groups = _groups(partition, links, detached)
    offers = _offers(site, partition, links, sorted(ways), groups, mower, parameters)
    supplies: dict[int, tuple[str, str]] = {index: (ways[index], why[index]) for index in ways}
    for group in groups:
        first, best = next(iter(group)), offers[next(iter(group))].chosen
        if best is not None:
            supplies |= dict.fromkeys(group, (best.supply, "the mower drives there by itself, once carried"))
            supplies[first] = (best.supply, best.why)
    unreachable = tuple(index for index in detached if index not in supplies)
    return _Served(roles, dict(sorted(supplies.items())), unreachable, tuple(groups), offers)


def _groups(partition: ZonePartition, links: Sequence[Link], detached: Sequence[int]) -> list[Group]:
    """Return detached zones in groups between which the mower drives by itself, the largest of each first."""
    groups: list[Group] = []
    waiting = list(detached)
    while waiting:
        at = {zone: number for number, zone in enumerate(waiting)}
        inner = [number for number, link in enumerate(links) if {link.zone_a, link.zone_b} <= at.keys()]
        between = [(links[number], number) for number in inner]
        roles = zone_roles(
            [partition.zones[zone].area for zone in waiting],
            [ZoneLink(at[link.zone_a], at[link.zone_b], link.usable, link.width_m) for link, _ in between],
        )
        members = [roles.home, *sorted(roles.linked)]
        via = [roles.reached_by[member] for member in members]
        groups.append(
            {waiting[member]: None if way is None else inner[way] for member, way in zip(members, via, strict=True)}
        )
        waiting = [zone for zone in waiting if zone not in groups[-1]]
    return groups


def _unheard(plan: Plan, partition: ZonePartition, served: _Served, mower: MowerProfile) -> dict[int, list[Polygon]]:
    """Return by zone the ground out of signal, without what stands on it.

    That is what is farther from any wire than the signal reaches, and where the whole loop's field is too weak. The
    wire keeps at least the least setback from the edge, so what is farther from the edge than reach and setback
    together is farther from the wire than the reach; and wire farther in has a stronger field in the middle.
    """
    least_m = min(mower.setback_m.model_dump().values())
    depth_m = mower.signal_reach_max_m + least_m
    bumps = shapely.union_all(plan.geometries("keepouts", treatment="bump"))
    found = {}
    for loop in _loops(served):
        inner = {index: _wired(partition.zones[index], least_m) for index in loop}
        wires = [ring for ground in inner.values() for ring in ground_rings(ground)]
        heard = {"height_m": mower.antenna_height_m, "current_a": mower.loop_current_a}
        least_ut = FIELD_MARGIN * mower.signal_min_ut
        strong = least_field_ut(wires, **heard) >= least_ut
        for index in loop:
            weak = [] if strong else weak_ground(inner[index], wires, least_ut=least_ut, **heard)
            deep = [partition.zones[index].buffer(-depth_m), *(part.simplify(WEAK_OUTLINE_M) for part in weak)]
            out = shapely.union_all(deep).difference(bumps)
            parts = [part for part in polygon_parts(out) if part.area >= UNHEARD_MIN_M2]
            if parts:
                found[index] = parts
    return found


def _loops(served: _Served) -> list[list[int]]:
    """Return the zones of each loop: the main wire's, and those of each group with a supply of its own."""
    own = [
        list(group)
        for group in served.groups
        if served.supplies.get(next(iter(group)), ("main_wire",))[0] != "main_wire"
    ]
    apart = {index for group in own for index in group}
    main = [index for index in served.supplies if index not in apart]
    return [loop for loop in (main, *own) if loop]


def _unheard_findings(hand_rows: list[Row], mower: MowerProfile) -> list[Finding]:
    return [
        Finding(
            "caution",
            "out-of-signal",
            f"{row['area_m2']:.0f} m² lie farther than {mower.signal_reach_max_m:g} m from any wire, or its field is "
            f"below {mower.signal_min_ut:g} µT there: out of signal",
            "Take a profile with more reach, lead the wire across, or mow them by hand.",
            row["geometry"].representative_point(),
        )
        for row in hand_rows
        if row["reason"] == "out_of_signal"
    ]


def _offers(
    site: Site,
    partition: ZonePartition,
    links: Sequence[Link],
    wired: Sequence[int],
    groups: Sequence[Group],
    mower: MowerProfile,
    parameters: ZonesParameters,
) -> dict[int, DetachedOffer]:
    """Return for each group of detached zones what each supply takes, by its first zone.

    The main wire grows with each group that it is led to.
    """
    if not groups:
        return {}
    terrain, prices = lead_terrain(site), price_book_from(parameters.price_book)
    inner = [_wired(zone) for zone in partition.zones]
    laid = [inner[index] for index in wired]
    wire_m = sum(ground.length for ground in laid)
    offers: dict[int, DetachedOffer] = {}
    for group in groups:
        others = [inner[other] for some in groups if some is not group for other in some if inner[other] not in laid]
        own = [inner[index] for index in group]
        ways = [
            lead_way(laid, ground, terrain, others=[*others, *(o for o in own if o is not ground)]) for ground in own
        ]
        way = min((way for way in ways if way is not None), key=lambda way: way.cost, default=None)
        passages_m = sum(links[link].length_m for link in group.values() if link is not None)
        need = DetachedZone(
            area_m2=sum(partition.zones[index].area for index in group),
            ring_m=sum(ground.length for ground in own) + 2 * passages_m,
            lead_m=None if way is None else way.line.length,
            crossed=None if way is None else lead_crossings(site, way.line),
            main_wire_m=wire_m,
        )
        offers[next(iter(group))] = offer = detached_offer(need, mower, prices)
        if offer.chosen is not None and offer.chosen.supply == "main_wire":
            laid += own
            wire_m += offer.chosen.wire_m
    return offers


def _wired(zone: Polygon, inset_m: float = WIRE_INSET_M) -> Polygon:
    """Return about the ground inside a zone's wire, before the edges are known."""
    inner = polygon_parts(zone.buffer(-inset_m))
    return max(inner, key=lambda part: part.area) if inner else zone


def _zone_rows(
    site: Site, plan: Plan, mower: MowerProfile, partition: ZonePartition, served: _Served, links: Sequence[Link]
) -> list[Row]:
    if served.roles is None:
        return []
    slope, _ = slope_under_wheels(site, plan, mower)
    bumps = shapely.union_all(plan.geometries("keepouts", treatment="bump"))
    trunks = bumps.difference(shapely.union_all(plan.geometries("lawn")))
    link_ids = _link_ids(site, links, served)
    rows: list[Row] = []
    via = {index: link for group in served.groups for index, link in group.items()}
    loop_of = {index: number for number, loop in enumerate(_loops(served), start=1) for index in loop}
    for number, (index, (supply, why)) in enumerate(served.supplies.items(), start=1):
        role = "home" if index == served.roles.home else "linked" if index in served.roles.linked else "detached"
        whole = partition.zones[index].difference(shapely.union_all([trunks, *served.unheard.get(index, [])]))
        polygon = max(grid_parts(whole, GRID_M), key=lambda part: part.area)
        quantiles = zone_slopes_percent(slope, polygon, site)
        rows.append(
            {
                "zone_id": f"{site.parcel_id}-Z{number}",
                "role": role,
                "area_m2": polygon.area,
                "perimeter_m": polygon.length,
                "slope_p50_percent": quantiles[0],
                "slope_p95_percent": quantiles[1],
                "slope_max_percent": quantiles[2],
                "loop_id": f"{site.parcel_id}-L{loop_of[index]}",
                "reached_by": link_ids.get(via.get(index, served.roles.reached_by[index])),
                "supply": supply,
                "supply_why": why,
                "hours_week": zone_hours_week(polygon, quantiles[0], mower),
                "geometry": polygon,
            }
        )
    return rows


def _link_ids(site: Site, links: Sequence[Link], served: _Served) -> dict[int | None, str]:
    kept = (index for index, link in enumerate(links) if {link.zone_a, link.zone_b} <= set(served.supplies))
    return {index: f"{site.parcel_id}-P{number}" for number, index in enumerate(kept, start=1)}


def _width_sd_m(site: Site, link: Link, ground: Polygon | MultiPolygon, seen: SeenOutlines | None) -> float:
    """Return the standard deviation of a link's width: larger between outlines that are only seen in an image."""
    if seen is None or link.kind == "crossing":
        return width_sd_m(site.accuracy.position_sd_m)
    return width_sd_m(*seen.passage_sides_sd_m(ground, link.narrowest, link.width_m))


def _link_row(site: Site, number: int, link: Link, numbers: dict[int, int], sd_m: float) -> Row:
    x, y = site.frame.coordinates_in(site.frame.source, [[link.narrowest.x, link.narrowest.y]])[0]
    return {
        "link_id": f"{site.parcel_id}-P{number}",
        "zone_a": f"{site.parcel_id}-Z{numbers[link.zone_a]}",
        "zone_b": f"{site.parcel_id}-Z{numbers[link.zone_b]}",
        "kind": link.kind,
        "width_m": link.width_m,
        "width_sd_m": sd_m,
        "length_m": link.length_m,
        "surface": link.surface,
        "narrowest_x": float(x),
        "narrowest_y": float(y),
        "geometry": link.middle_line,
    }


def _hand_rows(site: Site, partition: ZonePartition, served: _Served, parameters: ZonesParameters) -> list[Row]:
    pieces: list[tuple[str, Polygon]] = [("narrow", nook) for nook in partition.nooks]
    pieces += [("narrow", passage.outline) for passage in partition.passages if not passage.outline.is_empty]
    pieces += [("small", scrap) for scrap in partition.scraps]
    pieces += [("unreachable", partition.zones[index]) for index in served.unreachable]
    pieces += [("out_of_signal", part) for parts in served.unheard.values() for part in parts]
    ground_m2 = sum(polygon.area for polygon in (*partition.zones, *(polygon for _, polygon in pieces)))
    crumb_m2 = min(parameters.crumb_m2, CRUMB_SHARE * ground_m2)
    pieces = [(reason, part) for reason, polygon in pieces for part in grid_parts(polygon, GRID_M)]
    pieces = [(reason, polygon) for reason, polygon in pieces if polygon.area >= crumb_m2]
    return [
        {
            "area_id": f"{site.parcel_id}-H{number}",
            "reason": reason,
            "area_m2": polygon.area,
            "geometry": polygon,
        }
        for number, (reason, polygon) in enumerate(pieces, start=1)
    ]


def _findings(
    partition: ZonePartition, zone_rows: list[Row], link_rows: list[Row], served: _Served, mower: MowerProfile
) -> list[Finding]:
    findings = []
    for link in link_rows:
        middle = link["geometry"].interpolate(0.5, normalized=True)
        between = f"between {link['zone_a']} and {link['zone_b']}"
        if link["kind"] == "crossing":
            findings.append(
                Finding(
                    "caution",
                    "crossing",
                    f"the mower crosses {link['surface']} {between}, {link['length_m']:.1f} m",
                    "People walk there: lay the wire in a saw cut so that nobody trips, and warn of the mower.",
                    middle,
                )
            )
        if link["kind"] == "blocked":
            missing_m = ceil(round(100 * (mower.passage_transit_min_m - link["width_m"]), 3)) / 100
            text = (
                f"the passage {between} is {link['width_m']:.2f} m wide: {missing_m:.2f} m are missing for the mower "
                "to get through"
            )
            findings.append(
                Finding("info", "passage-blocked", text, "Measure it: widening may link the zones.", middle)
            )
    ids = dict(zip(served.supplies, (zone["zone_id"] for zone in zone_rows), strict=True))
    for group in served.groups:
        first = next(iter(group))
        offer, place = served.offers[first], partition.zones[first].representative_point()
        if offer.chosen is None:
            area = sum(partition.zones[index].area for index in group)
            text = f"{area:.0f} m² are reached by no supply that the profile offers: mown by hand"
            findings.append(Finding("caution", "zone-unreachable", f"{text}. {offer.words}", offer.advice, place))
        else:
            names = " and ".join(ids[index] for index in group)
            text = f"{names} {'is' if len(group) == 1 else 'are'} not reached by the mower itself. {offer.words}"
            findings.append(Finding("info", "zone-detached", text, offer.advice, place))
    return findings


def _width_checks(
    site: Site, link_rows: list[Row], mower: MowerProfile, parameters: ZonesParameters
) -> list[VisitCheck]:
    checks = []
    for link in link_rows:
        if link["kind"] == "crossing":
            continue
        limits = {
            "whether the passage is mown": mower.passage_mow_min_m,
            "whether the mower gets through": mower.passage_transit_min_m,
        }
        place = site.frame.coordinates_from(site.frame.source, [[link["narrowest_x"], link["narrowest_y"]]])[0]
        for decides, limit in limits.items():
            chance = float(flip_probability(link["width_m"], link["width_sd_m"], limit))
            if chance < parameters.doubt_min:
                continue
            checks.append(
                VisitCheck(
                    f"width of {link['link_id']} at its narrowest",
                    "tape, edge of one side to edge of the other",
                    decides,
                    Point(place),
                    link["width_m"],
                    link["width_sd_m"],
                    "m",
                    limit,
                    chance,
                    1.0,
                    "links",
                    link["link_id"],
                    "width_m",
                )
            )
    return checks


STEP = Step(
    id="zones",
    title="Zones and the links between them",
    description=(
        "Cuts the mowable ground into zones at passages too narrow to mow, measures every passage at its narrowest, "
        "finds crossings over flush paving, and says which zones the mower reaches and what supplies the others."
    ),
    reads=(
        "cover",
        "lawn",
        "keepouts",
        "site:parcels",
        "site:buildings",
        "site:hard_surfaces",
        "site:beds",
        "site:water",
        "site:streets",
        "site:barriers",
        "site:obstacles",
        "raster:dem",
        "raster:imagery",
        "accuracy:dem_sd_m",
        "accuracy:position_sd_m",
    ),
    writes=("zones", "links", "hand_mow"),
    compute=zones,
    parameters=ZonesParameters,
)
