"""Step `zones`: mowable ground, how it falls into zones, and which of them the mower reaches."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import shapely
from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import grid_parts, polygon_parts
from lawngis.lawn.zones import ZonePartition
from lawngis.mower import MowerProfile
from lawngis.prices import price_book_from

from ..derived.border_crossings import along_borders, crossed_at_one_place
from ..derived.decisions import Served, link_findings, served_zones, supply_findings
from ..derived.dock_chords import chord_findings, dock_chords
from ..derived.doubt import DoubtParameters
from ..derived.lawn_division import MowerWeek, SharedLawn, one_mower_lacks, shared_lawn
from ..derived.laying_hours import Books, LabourParameters
from ..derived.link_doubt import with_changes
from ..derived.loops import left_out_by_lines
from ..derived.matching import applied, follows, matched
from ..derived.mower_demands import shortfall_parts, zone_hours_week
from ..derived.mowing_windows import WeekParameters
from ..derived.outline_features import READS as OUTLINE_READS
from ..derived.passage_checks import Asked, crossing_checks, near_checks, surface_checks, width_checks
from ..derived.passages import MappedZones, mapped_zones, measured_links, shown_links
from ..derived.placed_links import PlacedLink
from ..derived.price_parameters import PriceParameters
from ..derived.reach_doubt import reach_checks, ways_between
from ..derived.slope import zone_slopes_percent
from ..derived.slope_readings import steep_zone_findings, zone_slope
from ..derived.supply_doubt import supply_checks
from ..derived.unheard_ground import unheard_findings, unheard_ground
from ..derived.zone_area import zone_area_checks
from ..model.plan import GRID_M, Finding, Plan, Row, StepResult
from ..model.site import DEM_ACCURACY, Site
from ..model.step import Step

CRUMB_SHARE = 2e-4
"""A crumb is less than this share of the mowable ground as well: on the smallest lawns every hand's breadth counts."""

SLOPE_COLUMNS = ("slope_p50_percent", "slope_p95_percent", "slope_max_percent")


class ZonesParameters(WeekParameters, DoubtParameters, PriceParameters, LabourParameters):
    """How zones are found, how often their grass must be mown, and when."""

    mowers_max: int = Field(
        default=500, ge=1, le=10000, description="a lawn that one mower can't do is shared among so many at most"
    )

    crumb_m2: float = Field(
        default=0.02, ge=0, le=10, description="pieces smaller than a hand's breadth squared are nobody's work [m²]"
    )


def _books(parameters: ZonesParameters) -> Books:
    return Books(parameters.price_book, parameters.labour_book)


@dataclass(frozen=True)
class _Found:
    """What becomes of the pieces of ground: by number of the partition's zones, and of links."""

    partition: ZonePartition
    links: Mapping[int, PlacedLink]
    served: Served[int]
    left_out: Collection[int]
    names: Mapping[int, str]
    link_names: Mapping[int, str]


def zones(site: Site, plan: Plan, mower: MowerProfile, parameters: ZonesParameters) -> StepResult:
    """Return zones with roles and supplies, the links between them, and what is left to be mown by hand."""
    mapped = mapped_zones(site, plan, mower, _books(parameters), site.facts.mapped)
    found, of_facts = _as_measured(site, mapped, mower, parameters)
    laid = _laid_out(site, plan, mower, found, parameters)
    laid, of_sharing = _shared(site, plan, mower, laid, parameters)
    of_facts += _left_out_findings(laid.beyond, laid.found)
    shown = shown_links(laid.found.links, laid.found.served)
    currency = price_book_from(parameters.price_book).currency
    link_rows = [_link_row(site, link, laid.found, index, currency) for index, link in shown.items()]
    not_mown = {"out_of_signal": laid.unheard, "left_out": laid.beyond, "dock_straight": laid.chords}
    hand_rows = _hand_rows(site, plan, laid.found, not_mown, parameters)
    findings = [
        *of_facts,
        *link_findings(link_rows, mower),
        *supply_findings(laid.found.served, dict(enumerate(laid.found.partition.zones)), laid.found.names),
        *unheard_findings(hand_rows, mower),
        *chord_findings(hand_rows, mower),
        *of_sharing,
        *steep_zone_findings(site, plan, laid.zone_rows, mower),
    ]
    asked = Asked(parameters, mower, sum(row["area_m2"] for row in plan.rows("lawn")))
    ground = {index: zone for index, zone in enumerate(found.partition.zones) if index not in found.left_out}
    between = {n: link for n, link in found.links.items() if {link.zone_a, link.zone_b} <= ground.keys()}
    of_links = [
        *width_checks(between, found.link_names, asked),
        *crossing_checks(mapped.crossings, found.links, found.link_names, asked),
    ]
    maybe = {number: doubt.link for number, doubt in mapped.crossings.items()}
    checks = [
        *with_changes(of_links, site, ground, found.links, maybe, mower, parameters.price_book),
        *surface_checks(shown.values(), currency),
        *near_checks(mapped.near.values(), site.facts.widths, asked),
        *zone_area_checks(site, ground, found.partition.scraps, found.names, mower, parameters),
        *reach_checks(ground, found.names, ways_between(between, mapped.crossings, mower), asked),
        *supply_checks(site, found.served, ground, found.names, mower, parameters.price_book, parameters),
    ]
    return StepResult({"zones": laid.zone_rows, "links": link_rows, "hand_mow": hand_rows}, findings, checks)


@dataclass(frozen=True)
class _LaidOut:
    """Zones as rows, and by number of the zone what of them isn't mown.

    That is out of signal, beyond a drawn line, or beyond a chord that is laid for a dock.
    """

    found: _Found
    zone_rows: list[Row]
    unheard: Mapping[int, Sequence[Polygon]]
    beyond: Mapping[int, Sequence[Polygon]]
    chords: Mapping[int, Sequence[Polygon]]


def _laid_out(site: Site, plan: Plan, mower: MowerProfile, found: _Found, parameters: ZonesParameters) -> _LaidOut:
    beyond = left_out_by_lines(
        {index: found.partition.zones[index] for index in found.served.zones}, site.facts.wires, mower
    )
    unheard = unheard_ground(plan, found.partition.zones, found.served, mower)
    mown = {
        index: polygon_parts(found.partition.zones[index].difference(shapely.union_all(beyond.get(index, []))))[0]
        for index in found.served.zones
    }
    chords = dock_chords(site, mown, found.served, mower)
    growth = parameters.growth(site.frame.latitude_deg)
    zone_rows = _zone_rows(site, plan, mower, found, _both(_both(unheard, beyond), chords), growth.most)
    return _LaidOut(found, zone_rows, unheard, beyond, chords)


# --- several mowers --------------------------------------------------------------------------------------


def _shared(
    site: Site, plan: Plan, mower: MowerProfile, laid: _LaidOut, parameters: ZonesParameters
) -> tuple[_LaidOut, list[Finding]]:
    """Return a lawn that one mower can't do divided among several, and what is said of that."""
    found = laid.found
    most = parameters.growth(site.frame.latitude_deg).most
    week = MowerWeek(mower, parameters.hours_of_week(), most)
    numbers = {name: index for index, name in found.names.items()}
    grounds = {name: found.partition.zones[index] for name, index in numbers.items() if index in found.served.zones}
    lengths_m = {name: found.links[index].length_m for index, name in found.link_names.items() if index in found.links}
    lacks = []
    for number in sorted({row["mower_no"] for row in laid.zone_rows}):
        own = [row for row in laid.zone_rows if row["mower_no"] == number]
        lacks += shortfall_parts(one_mower_lacks(own, grounds, lengths_m, week))
    unheard_m2 = sum(part.area for parts in laid.unheard.values() for part in parts)
    if unheard_m2:
        lacks.append(("mower-unheard", {"area_m2": unheard_m2}))
    if not lacks:
        return laid, []
    place = max(grounds.values(), key=lambda ground: ground.area).representative_point()
    shared = shared_lawn(
        site,
        plan,
        {index: found.partition.zones[index] for index in found.served.zones},
        found.links,
        found.served,
        {numbers[row["zone_id"]]: row["slope_p50_percent"] or 0.0 for row in laid.zone_rows},
        week,
        parameters.price_book,
        mowers_max=parameters.mowers_max,
    )
    if shared is None:
        case = "one" if parameters.mowers_max == 1 else "none" if week.room_h else "hours"
        values = {"case": case, "lacks": lacks, "mowers_max": parameters.mowers_max}
        return laid, [Finding("caution", "lawn-undivided", values, place)]
    divided = _laid_out(site, plan, mower, _divided(site, found, shared, mower, parameters), parameters)
    values = {
        "case": "cut" if shared.cut_m else "links",
        "lacks": lacks,
        "mowers": len(shared.parts),
        "cut_m": shared.cut_m,
    }
    return divided, [Finding("info", "lawn-shared", values, place)]


def _divided(site: Site, found: _Found, shared: SharedLawn, mower: MowerProfile, parameters: ZonesParameters) -> _Found:
    """Return zones and links divided among mowers, pieces of zones with names of their own."""
    numbers = range(max([len(found.partition.zones) - 1, *shared.zones]) + 1)
    zones = {number: shared.zones.get(number) or found.partition.zones[number] for number in numbers}
    home = max(shared.parts[0], key=lambda number: zones[number].area)
    served = served_zones(
        site, shared.zones, shared.links, mower, parameters.price_book, home=home, shared=shared.parts
    )
    names = _further_named(found.names, served.zones, f"{site.parcel_id}-Z")
    partition = replace(found.partition, zones=tuple(zones.values()))
    return replace(found, partition=partition, links=shared.links, served=served, names=names)


# --- what becomes of zones, as somebody measured them ----------------------------------------------------


def _as_measured(
    site: Site, mapped: MappedZones, mower: MowerProfile, parameters: ZonesParameters
) -> tuple[_Found, list[Finding]]:
    """Return what becomes of zones and links by what was measured of them, and what is said of that.

    Names are those that the maps alone give: what somebody measures or leaves out renames nothing else. What is reached
    only by that comes after them.
    """
    partition, ground = mapped.partition, dict(enumerate(mapped.partition.zones))
    names, link_names = mapped.names, mapped.link_names
    nearly = {number: link for number, link in mapped.places.items() if number not in mapped.links}
    links, findings = measured_links(mapped.links, link_names, site.facts, mower, mapped.ground, nearly)
    left_out = set()
    for fact, index in matched(
        site.facts.zones_gone, [(names.get(n, ""), zone) for n, zone in ground.items()], findings
    ):
        findings.append(applied(fact, "left_out", {"zone_id": names.get(index, "")}, ground[index]))
        left_out.add(index)
    roles = {names[index]: service.role for index, service in mapped.served.zones.items()}
    if site.facts.mapped:
        roles = {fact.name: fact.value for fact in site.facts.mapped}
    elif not findings and not parameters.own_mowers:
        return _Found(partition, links, mapped.served, left_out, names, link_names), findings
    own = {index: zone for index, zone in ground.items() if index not in left_out}
    links = crossed_at_one_place(mapped.links, links, mower, _books(parameters))
    by_itself = partial(served_zones, site, own, mower=mower, price_book=parameters.price_book)
    links = along_borders(links, by_itself(links, own_mowers=parameters.own_mowers))
    served = by_itself(links, own_mowers=parameters.own_mowers)
    names = _further_named(names, served.zones, f"{site.parcel_id}-Z")
    shown = {**shown_links(mapped.links, mapped.served), **shown_links(links, served)}
    for index, service in served.zones.items():
        before = roles.get(names[index], "by_hand")
        if service.role != before:
            decided = {"zone_id": names[index], "role": service.role, "before": before}
            findings.append(follows("role", decided, ground[index]))
    link_names = _further_named(link_names, shown, f"{site.parcel_id}-P")
    return _Found(partition, links, served, left_out, names, link_names), findings


def _further_named(names: Mapping[int, str], members: Iterable[int], stem: str) -> dict[int, str]:
    """Return names, with further ones for what has none yet."""
    last = max((int(name.removeprefix(stem)) for name in names.values()), default=0)
    more = [index for index in members if index not in names]
    return {**names, **{index: f"{stem}{last + number}" for number, index in enumerate(more, start=1)}}


# --- lines drawn for the wire ----------------------------------------------------------------------------


def _left_out_findings(beyond: Mapping[int, Sequence[Polygon]], found: _Found) -> list[Finding]:
    findings = []
    for index, parts in beyond.items():
        area_m2 = sum(part.area for part in parts)
        findings.append(follows("beyond_wire", {"zone_id": found.names[index], "area_m2": area_m2}, parts[0]))
    return findings


def _both(one: Mapping[int, Sequence[Polygon]], other: Mapping[int, Sequence[Polygon]]) -> dict[int, list[Polygon]]:
    return {index: [*one.get(index, ()), *other.get(index, ())] for index in {**one, **other}}


# --- rows ------------------------------------------------------------------------------------------------


def _zone_rows(
    site: Site,
    plan: Plan,
    mower: MowerProfile,
    found: _Found,
    not_mown: Mapping[int, Sequence[Polygon]],
    mowings_week: float,
) -> list[Row]:
    if not found.served.zones:
        return []
    slope = zone_slope(site, plan, shapely.union_all(plan.geometries("lawn")), mower)
    trunks = _trunks(plan)
    rows: list[Row] = []
    for index, service in found.served.zones.items():
        whole = found.partition.zones[index].difference(shapely.union_all([trunks, *not_mown.get(index, [])]))
        polygon = max(grid_parts(whole, GRID_M), key=lambda part: part.area)
        slopes = dict(zip(SLOPE_COLUMNS, zone_slopes_percent(slope, polygon, site), strict=True))
        hours = zone_hours_week(polygon, slopes["slope_p50_percent"], mower, grass_mowings_week=mowings_week)
        rows.append(
            {
                "zone_id": found.names[index],
                "mower_no": service.mower_no,
                "role": service.role,
                "area_m2": polygon.area,
                "perimeter_m": polygon.length,
                **slopes,
                "loop_id": f"{site.parcel_id}-L{service.loop}",
                "reached_by": None if service.reached_by is None else found.link_names[service.reached_by],
                "supply": service.supply,
                "supply_why": service.why,
                "hours_week": hours,
                "geometry": polygon,
            }
        )
    return rows


def _trunks(plan: Plan) -> BaseGeometry:
    bumps = shapely.union_all(plan.geometries("keepouts", treatment="bump"))
    return bumps.difference(shapely.union_all(plan.geometries("lawn")))


def _link_row(site: Site, link: PlacedLink, found: _Found, index: int, currency: str) -> Row:
    driven = any(service.reached_by == index for service in found.served.zones.values())
    option = link.along_border if driven and link.kind == "crossing" else None
    way = link if option is not None else link.at_one_place or link
    x, y = site.frame.coordinates_in(site.frame.source, [[way.narrowest.x, way.narrowest.y]])[0]
    return {
        "link_id": found.link_names[index],
        "zone_a": found.names[link.zone_a],
        "zone_b": found.names[link.zone_b],
        "kind": link.kind,
        "width_m": way.width_m,
        "width_sd_m": way.width_sd_m,
        "length_m": way.length_m,
        "surface": link.surface,
        "along_border": option is not None,
        "border_saves": None if option is None else option.saves,
        "currency": None if option is None else currency,
        "narrowest_x": float(x),
        "narrowest_y": float(y),
        "geometry": way.middle_line,
    }


def _hand_rows(
    site: Site,
    plan: Plan,
    found: _Found,
    of_zones: Mapping[str, Mapping[int, Sequence[Polygon]]],
    parameters: ZonesParameters,
) -> list[Row]:
    partition = found.partition
    pieces: list[tuple[str, Polygon]] = [("narrow", nook) for nook in partition.nooks]
    pieces += [("narrow", passage.outline) for passage in partition.passages if not passage.outline.is_empty]
    pieces += [("small", scrap) for scrap in partition.scraps]
    for index, zone in enumerate(partition.zones):
        if index not in found.served.zones and index not in found.left_out:
            pieces.append(("unreachable", zone))
    pieces += [(reason, part) for reason, some in of_zones.items() for parts in some.values() for part in parts]
    ground_m2 = sum(polygon.area for polygon in (*partition.zones, *(polygon for _, polygon in pieces)))
    crumb_m2 = min(parameters.crumb_m2, CRUMB_SHARE * ground_m2)
    if found.left_out:
        trunks = _trunks(plan)
        for index in found.left_out:
            pieces += [("left_out", part) for part in polygon_parts(partition.zones[index].difference(trunks))]
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


STEP = Step(
    id="zones",
    title="Zones and the links between them",
    description=(
        "Cuts the mowable ground into zones at passages too narrow to mow, measures every passage at its narrowest, "
        "finds crossings over flush paving, and says which zones the mower reaches and what supplies the others."
    ),
    reads=(
        *OUTLINE_READS,
        "site:outlets",
        "site:sprinklers",
        *DEM_ACCURACY,
        "fact:widths",
        "fact:mapped",
        "fact:wires",
        "fact:passages",
        "fact:zones_gone",
        "fact:slopes",
    ),
    writes=("zones", "links", "hand_mow"),
    compute=zones,
    parameters=ZonesParameters,
)


def zones_parameters(parameters: Mapping[str, Mapping[str, Any]]) -> ZonesParameters:
    """Return the step's parameters from those given for each step."""
    return ZonesParameters.model_validate(parameters.get(STEP.id, {}))
