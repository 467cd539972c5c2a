"""Step `zones`: mowable ground, how it falls into zones, and which of them the mower reaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from pydantic import Field
from shapely import LineString, MultiPolygon, Point, Polygon

from lawngis.geometry.polygons import polygon_parts, polygonal
from lawngis.ground.raster import Grid
from lawngis.ground.steep import mower_slope
from lawngis.ground.zonal import weighted_quantiles, zonal_weights
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
from lawngis.mowing.capacity import area_rate_m2_h, charging_hours, mowing_hours_week, one_charge_area_m2, turning_share
from lawngis.trust import flip_probability

from ..plans import GRID_M, Finding, Plan, Row, StepResult, VisitCheck
from ..sites import Site
from ..step import Parameters, Step

DRIVEN_ON = ("drive", "road")
"""Paving on which cars go: never crossed by a mower."""


class ZonesParameters(Parameters):
    """How zones are found."""

    doubt_min: float = Field(
        default=0.05, ge=0, le=0.5, description="a width whose decision may flip with this chance is measured on site"
    )
    crumb_m2: float = Field(
        default=0.02, ge=0, le=10, description="pieces smaller than a hand's breadth squared are nobody's work [m²]"
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
    served = _served(partition, links, mower)
    numbers = {index: number for number, index in enumerate(served.supplies, start=1)}
    zone_rows = _zone_rows(site, plan, mower, partition, served, links)
    link_rows = [
        _link_row(site, number, link, numbers)
        for number, link in enumerate((link for link in links if {link.zone_a, link.zone_b} <= set(numbers)), start=1)
    ]
    hand_rows = _hand_rows(site, partition, served, parameters)
    return StepResult(
        {"zones": zone_rows, "links": link_rows, "hand_mow": hand_rows},
        _findings(zone_rows, link_rows, served),
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
    if "hard_surfaces" not in site.layers or not len(partition.zones):
        return links
    surfaces = site.layers["hard_surfaces"]
    flush = surfaces[(surfaces["level"] == "flush") & ~surfaces["use"].isin(DRIVEN_ON)].explode(ignore_index=True)
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


@dataclass(frozen=True)
class _Served:
    """Zones that get a wire, by index, with what supplies them and why; the others are unreachable."""

    roles: ZoneRoles | None
    supplies: dict[int, tuple[str, str]]
    unreachable: tuple[int, ...]


def _served(partition: ZonePartition, links: Sequence[Link], mower: MowerProfile) -> _Served:
    if not partition.zones:
        return _Served(None, {}, ())
    roles = zone_roles(
        [zone.area for zone in partition.zones],
        [ZoneLink(link.zone_a, link.zone_b, link.usable, link.width_m) for link in links],
    )
    supplies: dict[int, tuple[str, str]] = {}
    unreachable = []
    for index, zone in enumerate(partition.zones):
        if index == roles.home:
            supplies[index] = ("own_dock", "home zone")
        elif index in roles.linked:
            supplies[index] = ("main_wire", "the mower drives there by itself")
        else:
            choice = _detached_supply(zone.area, mower)
            if choice is None:
                unreachable.append(index)
            else:
                supplies[index] = choice
    return _Served(roles, supplies, tuple(unreachable))


def _detached_supply(area_m2: float, mower: MowerProfile) -> tuple[str, str] | None:
    """Return the supply of a zone that the mower can't reach by itself, and why; None when there is none."""
    rate = area_rate_m2_h(mower.cutting_width_m, mower.speed_mps)
    one_charge = one_charge_area_m2(rate_m2_h=rate, run_minutes=mower.run_minutes, share=mower.coverage_share)
    size = f"{area_m2:.0f} m² against {one_charge:.0f} m² that one charge mows"
    if area_m2 > one_charge and "own_dock" in mower.supplies_offered:
        return "own_dock", f"one charge can't mow it: {size}"
    if area_m2 <= one_charge and "own_source" in mower.supplies_offered:
        return "own_source", f"one charge mows it and the mower is carried there: {size}"
    return None


def _zone_rows(
    site: Site, plan: Plan, mower: MowerProfile, partition: ZonePartition, served: _Served, links: Sequence[Link]
) -> list[Row]:
    if served.roles is None:
        return []
    slope, _ = mower_slope(site.dem, wheelbase_m=mower.wheelbase_m, z_sd_m=site.accuracy.dem_sd_m)
    bumps = shapely.union_all(plan.geometries("keepouts", treatment="bump"))
    trunks = bumps.difference(shapely.union_all(plan.geometries("lawn")))
    link_ids = _link_ids(site, links, served)
    rows: list[Row] = []
    loops = 1
    for number, (index, (supply, why)) in enumerate(served.supplies.items(), start=1):
        role = "home" if index == served.roles.home else "linked" if index in served.roles.linked else "detached"
        loops += role == "detached"
        polygon = max(polygon_parts(partition.zones[index].difference(trunks)), key=lambda part: part.area)
        quantiles = _slope_quantiles(slope, polygon, site)
        rows.append(
            {
                "zone_id": f"{site.parcel_id}-Z{number}",
                "role": role,
                "area_m2": polygon.area,
                "perimeter_m": polygon.length,
                "slope_p50_percent": quantiles[0],
                "slope_p95_percent": quantiles[1],
                "slope_max_percent": quantiles[2],
                "loop_id": f"{site.parcel_id}-L{loops if role == 'detached' else 1}",
                "reached_by": link_ids.get(served.roles.reached_by[index]),
                "supply": supply,
                "supply_why": why,
                "hours_week": _hours_week(polygon, quantiles[0], mower),
                "geometry": polygon,
            }
        )
    return rows


def _slope_quantiles(slope: Grid, polygon: Polygon, site: Site) -> list[float | None]:
    values, weights = zonal_weights(slope, polygon, site.frame)
    known = np.isfinite(values)
    if not known.any():
        return [None, None, None]
    return [float(value) for value in weighted_quantiles(values[known], weights[known], [0.5, 0.95, 1.0])]


def _hours_week(zone: Polygon, slope_percent: float | None, mower: MowerProfile) -> float:
    mowing = mowing_hours_week(
        zone.area,
        turning=turning_share(zone.area, zone.length, speed_mps=mower.speed_mps),
        cutting_width_m=mower.cutting_width_m,
        speed_mps=mower.speed_mps,
        mowings_week=mower.mowings_week,
        share=mower.coverage_share,
        slope_percent=slope_percent or 0.0,
    )
    charging = charging_hours(mowing, run_minutes=mower.run_minutes, charge_minutes=mower.charge_minutes)
    return float(mowing + charging)


def _link_ids(site: Site, links: Sequence[Link], served: _Served) -> dict[int | None, str]:
    kept = (index for index, link in enumerate(links) if {link.zone_a, link.zone_b} <= set(served.supplies))
    return {index: f"{site.parcel_id}-P{number}" for number, index in enumerate(kept, start=1)}


def _link_row(site: Site, number: int, link: Link, numbers: dict[int, int]) -> Row:
    x, y = site.frame.coordinates_in(site.frame.source, [[link.narrowest.x, link.narrowest.y]])[0]
    return {
        "link_id": f"{site.parcel_id}-P{number}",
        "zone_a": f"{site.parcel_id}-Z{numbers[link.zone_a]}",
        "zone_b": f"{site.parcel_id}-Z{numbers[link.zone_b]}",
        "kind": link.kind,
        "width_m": link.width_m,
        "width_sd_m": width_sd_m(site.accuracy.position_sd_m),
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
    pieces = [(reason, polygon) for reason, polygon in pieces if polygon.area >= parameters.crumb_m2]
    return [
        {
            "area_id": f"{site.parcel_id}-H{number}",
            "reason": reason,
            "area_m2": polygon.area,
            "geometry": polygon,
        }
        for number, (reason, polygon) in enumerate(pieces, start=1)
    ]


def _findings(zone_rows: list[Row], link_rows: list[Row], served: _Served) -> list[Finding]:
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
            text = f"the passage {between} is {link['width_m']:.2f} m wide: too narrow for the mower"
            findings.append(
                Finding("info", "passage-blocked", text, "Measure it: widening may link the zones.", middle)
            )
    for zone in zone_rows:
        if zone["role"] == "detached":
            text = f"{zone['zone_id']} is not reached by the mower itself; supply: {zone['supply'].replace('_', ' ')}"
            findings.append(
                Finding("info", "zone-detached", text, zone["supply_why"], zone["geometry"].representative_point())
            )
    if served.unreachable:
        findings.append(
            Finding(
                "caution",
                "zone-unreachable",
                f"{len(served.unreachable)} zones are reached by no supply that the profile offers: mown by hand",
                "Offer another supply in the profile's supplies_offered.",
            )
        )
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
        decides, limit = min(limits.items(), key=lambda item: abs(item[1] - link["width_m"]))
        chance = float(flip_probability(link["width_m"], link["width_sd_m"], limit))
        if chance >= parameters.doubt_min:
            place = site.frame.coordinates_from(site.frame.source, [[link["narrowest_x"], link["narrowest_y"]]])[0]
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
    reads=("lawn", "keepouts", "site:hard_surfaces", "raster:dem"),
    writes=("zones", "links", "hand_mow"),
    compute=zones,
    parameters=ZonesParameters,
)
