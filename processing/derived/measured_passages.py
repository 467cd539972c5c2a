"""Measured widths of passages as ground that the lawn gains or loses, before the steps that use it run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import shapely
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygonal
from lawngis.lawn.passages import GroundChange, measured_passage
from lawngis.mower import MowerProfile

from ..model.facts import Fact, PassageGround
from ..model.plan import Finding, Plan
from ..model.site import Site
from .decisions import LAWN, link_kind
from .laying_hours import Books
from .matching import SURE_SDS, applied, contradicts, follows, matched
from .passages import TAPE_SD_M, MappedZones, link_change, mapped_zones

BARRIER_HALF_M = 0.06
"""A wall or fence drawn as a line stands this far to both sides of it: half the least width that is drawn."""

BELOW_DROP_M = 3.0
"""Ground this far below a drop's line is none that a passage above may gain."""

STANDING = ("water", "drop", "steep", "tree")
"""Reasons of keep-outs that no measured width moves: they are there, or not safe."""


def site_with_grounds(site: Site, plan: Plan, mower: MowerProfile, books: Books) -> Site:
    """Return a site in whose facts each measured width says what ground the lawn gains or loses by it.

    A width doesn't move the outline where somebody drew that, where he saw what the mower does there, over paving,
    and where the maps have it within what a tape tells.

    Parameters
    ----------
    site
        With what was measured.
    plan
        Lawn and keep-outs by the maps, made without the widths.
    mower
        Profile.
    books
        Prices and times of work, on which hangs which zones have names.
    """
    mapped = mapped_zones(site, plan, mower, books)
    places = mapped.places
    features = [(mapped.link_names.get(number, ""), link.middle_line) for number, link in places.items()]
    numbers = list(places)
    seen = {numbers[index] for _, index in matched(site.facts.passages, features, [])}
    about = {fact: list[Finding]() for fact in site.facts.widths}
    last = {fact: numbers[index] for fact in about for _, index in matched([fact], features, about[fact])}
    values = {number: fact.value for fact, number in last.items()}
    forbidden = _forbidden(site, plan)
    grounds = {
        number: _ground(site, mapped, number, value, forbidden, mower)
        for number, value in values.items()
        if number not in seen
    }
    widths = tuple(replace(fact, ground=grounds.get(last.get(fact, -1))) for fact in site.facts.widths)
    moved = [fact for fact, number in last.items() if grounds.get(number) is not None]
    facts = replace(site.facts, widths=widths, mapped=_named(mapped) if moved else ())
    return replace(site, facts=facts, findings=(*site.findings, *(said for fact in moved for said in about[fact])))


def _ground(
    site: Site, mapped: MappedZones, number: int, value: float, forbidden: BaseGeometry, mower: MowerProfile
) -> PassageGround | None:
    link = mapped.places[number]
    drawn = [fact.value for fact in site.facts.outlines if fact.value is not None]
    if (
        link.surface != LAWN
        or abs(value - link.width_m) <= TAPE_SD_M
        or any(outline.intersects(link.middle_line) for outline in drawn)
    ):
        return None
    change = measured_passage(
        mapped.ground,
        link.middle_line,
        mapped_m=link.width_m,
        measured_m=value,
        reach_m=_reach_m(mapped.ground, link.middle_line, mower),
        forbidden=forbidden,
    )
    name = mapped.link_names.get(number, "")
    return PassageGround(name, link.middle_line, link.width_m, link.width_sd_m, change)


def _reach_m(ground: BaseGeometry, way: LineString, mower: MowerProfile) -> float:
    """Return how far the ground of a way reaches to its sides: far where it is wide enough to be mown."""
    sides = shapely.distance(shapely.points(shapely.get_coordinates(way)), shapely.boundary(ground))
    return float(max(mower.passage_mow_min_m / 2, sides.max())) + TAPE_SD_M


def _forbidden(site: Site, plan: Plan) -> BaseGeometry:
    """Return what no passage gains: all beyond the parcel, and what stands, lies deep, falls away or is steep."""
    solid = [*site.geometries("buildings"), *site.geometries("water"), *site.geometries("obstacles")]
    solid += [shape for shape in site.geometries("streets") if shape.area > 0]
    solid += [row["geometry"] for row in plan.rows("keepouts") if row["reason"] in STANDING]
    if "barriers" in site.layers:
        barriers = site.layers["barriers"]
        kind = barriers["kind"].fillna("wall")
        solid += list(barriers.geometry[~kind.isin(["hedge", "drop"])].buffer(BARRIER_HALF_M, cap_style="flat"))
        solid += [
            shapely.buffer(line, -BELOW_DROP_M, single_sided=True)
            for line in barriers.geometry[kind == "drop"].explode()
        ]
    around = shapely.difference(site.parcel.envelope.buffer(2 * BELOW_DROP_M), site.parcel)
    return shapely.union_all([around, *solid])


def _named(mapped: MappedZones) -> tuple[Fact[str], ...]:
    zones = [
        Fact(mapped.served.zones[number].role, "zones", "", name, mapped.partition.zones[number])
        for number, name in mapped.names.items()
    ]
    links = [
        Fact(mapped.links[number].kind, "links", "", name, mapped.links[number].middle_line)
        for number, name in mapped.link_names.items()
    ]
    return (*zones, *links)


# --- what steps make of it -------------------------------------------------------------------------------


def gained_ground(widths: Iterable[Fact[float]]) -> BaseGeometry:
    """Return all ground that the lawn gains by measured widths."""
    return shapely.union_all([fact.ground.change.added for fact in widths if fact.ground is not None])


def with_moved_passages(lawn: Polygon, widths: Iterable[Fact[float]]) -> BaseGeometry:
    """Return a piece of lawn whose passages are as wide as they were measured."""
    moved: BaseGeometry = lawn
    for fact in widths:
        if fact.ground is not None:
            added = [part for part in shapely.get_parts(fact.ground.change.added) if part.dwithin(lawn, TAPE_SD_M)]
            moved = GroundChange(polygonal(shapely.union_all(added)), fact.ground.change.taken, 0.0).applied(moved)
    return moved


def moved_findings(fact: Fact[float], mower: MowerProfile) -> list[Finding]:
    """Return what is said of a measured width that moves an outline."""
    ground = fact.ground
    if ground is None:
        return []
    name, mapped_m, place = ground.name, ground.width_m, _middle(ground)
    change, wider = ground.change, fact.value > mapped_m
    findings = [applied(fact, "link", link_change(name, "width_m", mapped_m, fact.value), place)]
    area = (change.added if wider else change.taken).area
    moved = {"link_id": name, "moved_m": abs(change.width_m - mapped_m), "area_m2": area}
    findings.append(follows("widened" if wider else "narrowed", moved, place))
    told = {"link_id": name, "width_m": fact.value}
    if abs(fact.value - mapped_m) > SURE_SDS * ground.width_sd_m:
        by_map = {**told, "mapped_m": mapped_m, "sd_m": ground.width_sd_m}
        findings.append(contradicts("moved_width", by_map, place))
    if change.width_m < fact.value - TAPE_SD_M:
        findings.append(contradicts("held_width", {**told, "left_m": change.width_m}, place))
    kind, before = link_kind(fact.value, LAWN, mower), link_kind(mapped_m, LAWN, mower)
    if kind != before:
        findings.append(follows("link", {**told, "kind": kind, "before": before}, place))
    return findings


def _middle(ground: PassageGround) -> Point:
    middle: Point = ground.middle_line.interpolate(0.5, normalized=True)
    return middle
