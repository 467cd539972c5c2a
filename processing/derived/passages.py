"""Passages and crossings between zones: as the maps show them, and as somebody measured them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import geopandas
import shapely
from shapely import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.mouths import CORNER_DEPTH
from lawngis.geometry.polygons import polygon_parts, polygonal
from lawngis.lawn.narrow import NarrowPlace, NearCrossing, narrow_places, near_crossings
from lawngis.lawn.obstacles import with_bumps_filled
from lawngis.lawn.pockets import without_pockets
from lawngis.lawn.widths import ExpectedWidth
from lawngis.lawn.zones import ZonePartition, zone_partition
from lawngis.mower import MowerProfile

from ..model.catalogue import Values
from ..model.facts import GONE, Fact, Facts
from ..model.plan import GRID_M, Finding, Plan
from ..model.site import Site
from .border_crossings import along_borders, crossing_link, crossing_links, with_borders
from .decisions import LAWN, Served, link_kind, served_zones
from .laying_hours import Books
from .matching import SURE_SDS, applied, contradicts, follows, matched
from .outline_features import OutlineFeatures, outline_features
from .paving import level_paving
from .placed_links import CrossingDoubt, NearMiss, PlacedLink

CRACK_M = 4 * GRID_M
"""Ground no wider than this is where two outlines were rounded to the grid apart [m]."""

SAME_WAY_M = 0.5
"""A way through this near to one on the maps is the same, wider or narrower."""

FOLLOWED_SHARE = 0.1
"""Ground follows a measured width if no more than this share of what moved is as it was: a bed may lie on it."""

SAME_EDGE_M = 0.1
"""A way over paving ends at its sides if its ends are this near to them: hairlines lie between."""

NEAR_SDS = 3.0
"""Places within so many standard deviations of a limit are looked for: beyond them the chance is 0.001."""

TAPE_SD_M = 0.02
"""Standard deviation of a width measured by tape between two lawn edges. Common practice, no source."""


@dataclass(frozen=True)
class MappedZones:
    """Zones and links before anything measured on site is said of them: by number, with the names of a plan.

    `near` are places that nearly are links, numbered on from these; `crossings` has what decides over crossings by
    their number, and over ways over paving that are none by numbers of their own.
    """

    ground: Polygon | MultiPolygon
    partition: ZonePartition
    links: dict[int, PlacedLink]
    served: Served[int]
    names: dict[int, str]
    link_names: dict[int, str]
    near: dict[int, NearMiss]
    crossings: dict[int, CrossingDoubt]

    @property
    def places(self) -> dict[int, PlacedLink]:
        """Links, and what nearly is one: all of which somebody may measure a width."""
        near = {number: miss.link for number, miss in self.near.items()}
        crossed = {number: doubt.link for number, doubt in self.crossings.items()}
        return {**near, **crossed, **self.links}


def mapped_zones(
    site: Site, plan: Plan, mower: MowerProfile, books: Books, named: Iterable[Fact[str]] = ()
) -> MappedZones:
    """Return zones and links on the mowable ground of a plan; those that are `named` at a place keep that name."""
    ground = mowable_ground(plan)
    partition = zone_partition(ground, mow_width_m=mower.passage_mow_min_m, zone_area_min_m2=mower.zone_area_min_m2)
    paving = level_paving(site) if len(partition.zones) > 1 else None
    links = mapped_links(site, plan, partition, paving, mower)
    ways = [link.middle_line for link in links.values()]
    partition = without_pockets(partition, width_m=mower.passage_mow_min_m, kept=ways)
    zones = dict(enumerate(partition.zones))
    served = served_zones(site, zones, links, mower, books.price_file)
    if paving is not None:
        links = along_borders(with_borders(links, partition.zones, paving, mower, books), served)
        served = served_zones(site, zones, links, mower, books.price_file)
    known = list(named)
    names = _kept_names(
        numbered(f"{site.parcel_id}-Z", served.zones), zones, [fact for fact in known if fact.layer == "zones"]
    )
    link_names = _kept_names(
        numbered(f"{site.parcel_id}-P", shown_links(links, served)),
        {number: link.middle_line.buffer(SAME_WAY_M) for number, link in links.items()},
        [fact for fact in known if fact.layer == "links"],
    )
    near = dict(enumerate(_near_misses(site, plan, partition, links, mower), start=len(links)))
    crossed: dict[int, CrossingDoubt] = {}
    if paving is not None:
        first = len(links) + len(near)
        crossed = _crossing_doubts(outline_features(site, plan), partition, paving, links, mower, first=first)
    return MappedZones(ground, partition, links, served, names, link_names, near, crossed)


def mowable_ground(plan: Plan) -> Polygon | MultiPolygon:
    """Return the lawn without islands and whatever lies outside; what may be bumped is part of it."""
    lawn = shapely.union_all(plan.geometries("lawn"))
    bumps = plan.geometries("keepouts", treatment="bump")
    out = plan.geometries("keepouts", treatment="outside") + plan.geometries("keepouts", treatment="island")
    ground = with_bumps_filled(lawn, bumps).difference(shapely.union_all(out))
    # Keep-outs that follow the lawn's edge leave hairlines of ground between the two: they close on the grid.
    return _without_cracks(polygonal(shapely.set_precision(ground, GRID_M)))


def _without_cracks(ground: Polygon | MultiPolygon) -> Polygon | MultiPolygon:
    """Return ground that hangs together by no crack: at the end of a wall rounding may leave one to the lawn's edge."""
    found: list[Polygon] = []
    for part in polygon_parts(ground):
        core = shapely.buffer(part, -CRACK_M / 2, join_style="mitre")
        apart = polygon_parts(shapely.buffer(core, CRACK_M / 2, join_style="mitre"))
        found += apart if len(apart) > 1 else [part]
    return polygonal(MultiPolygon(found))


def shown_links(links: Mapping[int, PlacedLink], served: Served[int]) -> dict[int, PlacedLink]:
    """Return links between zones that get a wire: a plan shows no others."""
    return {index: link for index, link in links.items() if {link.zone_a, link.zone_b} <= served.zones.keys()}


def numbered(stem: str, members: Iterable[int]) -> dict[int, str]:
    """Return names of things in their order."""
    return {index: f"{stem}{number}" for number, index in enumerate(members, start=1)}


def _kept_names(names: dict[int, str], shapes: Mapping[int, BaseGeometry], known: list[Fact[str]]) -> dict[int, str]:
    """Return names in which whatever lies where something was named before has that name, and others new ones."""
    if not known:
        return names
    places = [(fact.name, fact.place) for fact in known if fact.place is not None]
    shared = [
        (shapely.intersection(shapes[number], place), number, name)
        for number in names
        for name, place in places
        if shapely.intersects(shapes[number], place)
    ]
    found: dict[int, str] = {}
    for _, number, name in sorted(shared, key=lambda item: (-item[0].area, -item[0].length)):
        if number not in found and name not in found.values():
            found[number] = name
    free = len(known)
    for number, name in names.items():
        if number not in found:
            free += 1
            found[number] = f"{name.rstrip('0123456789')}{free}"
    return {number: found[number] for number in names}


def mapped_links(
    site: Site,
    plan: Plan,
    partition: ZonePartition,
    paving: geopandas.GeoDataFrame | None,
    mower: MowerProfile,
) -> dict[int, PlacedLink]:
    """Return passages, and crossings over level paving, as the maps show them, by number.

    Widths are less sure between outlines that are only seen in an image.
    """
    features = outline_features(site, plan)
    links = []
    for passage in partition.passages:
        width_m, sd_m, line = passage.width_m, features.distance_sd_m(passage.across), passage.middle_line
        ground = _ground_at(partition, passage.narrowest)
        likely = features.expected_width(ground, passage.across, line.length + width_m)
        ends, kind = (passage.zone_a, passage.zone_b), link_kind(width_m, LAWN, mower)
        links.append(PlacedLink(*ends, kind, width_m, passage.length_m, sd_m, LAWN, line, passage.narrowest, likely))
    if paving is None:
        return dict(enumerate(links))
    links += crossing_links(partition.zones, paving, features.any_distance_sd_m, mower)
    return dict(enumerate(links))


def _ground_at(partition: ZonePartition, place: Point) -> Polygon:
    return min((ground.outline for ground in partition.grounds), key=place.distance)


# --- what nearly is a link -------------------------------------------------------------------------------


def _near_misses(
    site: Site, plan: Plan, partition: ZonePartition, links: Mapping[int, PlacedLink], mower: MowerProfile
) -> list[NearMiss]:
    """Return places of ground that are no links, but about as wide as what is mown."""
    features = outline_features(site, plan)
    slack_m = NEAR_SDS * features.largest_distance_sd_m
    if not slack_m:
        return []
    ways = [link.middle_line for link in links.values() if link.surface == LAWN]
    mown_m = mower.passage_mow_min_m
    return [
        _near_passage(place, _ground_at(partition, place.narrowest), features, mower)
        for place in narrow_places(partition.grounds, mow_width_m=mown_m, wide_m=mown_m + slack_m)
        if not any(way.dwithin(place.narrowest, SAME_WAY_M) for way in ways)
    ]


def _near_passage(place: NarrowPlace, ground: Polygon, features: OutlineFeatures, mower: MowerProfile) -> NearMiss:
    sd_m = features.distance_sd_m(place.across)
    likely = features.expected_width(ground, place.across, place.middle_line.length + place.width_m)
    kind = link_kind(place.width_m, LAWN, mower)
    line = place.middle_line
    link = PlacedLink(-1, -1, kind, place.width_m, line.length, sd_m, LAWN, line, place.narrowest, likely)
    return NearMiss(link, place.parts, place.area_m2)


def _crossing_doubts(
    features: OutlineFeatures,
    partition: ZonePartition,
    paving: geopandas.GeoDataFrame,
    links: Mapping[int, PlacedLink],
    mower: MowerProfile,
    *,
    first: int,
) -> dict[int, CrossingDoubt]:
    """Return what decides over each crossing, and over ways that are a little too long or narrow for one."""
    slack_m = NEAR_SDS * features.largest_distance_sd_m
    if not slack_m:
        return {}
    found: dict[int, CrossingDoubt] = {}
    reaching = _with_nooks(partition)
    for way in near_crossings(
        reaching,
        list(paving.geometry),
        length_max_m=mower.crossing_length_max_m,
        transit_width_m=mower.passage_transit_min_m,
        slack_m=slack_m,
    ):
        width_sd_m, likely = features.any_distance_sd_m, _crossing_length(way, paving, features)
        beyond_m = _beyond_m(way, partition, reaching, mower)
        same = [number for number, link in links.items() if _is_way(link, way)]
        link = links[same[0]] if same else replace(crossing_link(way, paving, width_sd_m, mower), kind="blocked")
        number = same[0] if same else first + len(found)
        found.setdefault(number, CrossingDoubt(link, way.length_m, likely, way.width_m, width_sd_m, beyond_m))
    return found


def _beyond_m(
    way: NearCrossing, partition: ZonePartition, reaching: Sequence[Polygon], mower: MowerProfile
) -> float | None:
    """Return how much deeper a nook in which a way begins is than a zone reaches: a disc, and a corner beyond that."""
    radius = mower.passage_mow_min_m / 2
    ends = [Point(xy) for xy in shapely.get_coordinates(way.middle_line)[[0, -1]]]
    beyond_m = []
    for number, end in zip((way.zone_a, way.zone_b), ends, strict=True):
        if not partition.zones[number].dwithin(end, SAME_EDGE_M):
            nook = min(partition.nooks, key=end.distance)
            away = shapely.distance(reaching[number].buffer(-radius), shapely.points(shapely.get_coordinates(nook)))
            beyond_m.append(max(0.0, float(away.max()) - (1 + CORNER_DEPTH) * radius))
    return max(beyond_m, default=None)


def _crossing_length(way: NearCrossing, paving: geopandas.GeoDataFrame, features: OutlineFeatures) -> ExpectedWidth:
    """Return how long a way over paving is expected to be: from one side of the paving to the other, as a width is."""
    surface, line = paving.geometry.iloc[way.surface], way.middle_line
    if isinstance(surface, Polygon) and surface.boundary.buffer(SAME_EDGE_M).covers(line.boundary):
        return features.expected_width(surface, line, surface.length)
    return ExpectedWidth(line.length, features.distance_sd_m(line))


def _with_nooks(partition: ZonePartition) -> list[Polygon]:
    """Return zones with the nooks that open into them: whether these are cut off hangs on a hand's breadth."""
    nooks = list(partition.nooks)
    tree = shapely.STRtree(nooks)
    found = []
    for zone in partition.zones:
        beside = [nooks[number] for number in tree.query(zone, predicate="intersects")]
        whole = shapely.union_all([zone, *(nook for nook in beside if shapely.intersection(nook, zone).length > 0)])
        found.append(whole if isinstance(whole, Polygon) else zone)
    return found


def _is_way(link: PlacedLink, way: NearCrossing) -> bool:
    """Return whether a link is a way over paving, or leads all along the border about it."""
    if link.along_border:
        return (link.zone_a, link.zone_b) == (way.zone_a, way.zone_b)
    return link.surface != LAWN and link.middle_line.equals(way.middle_line)


def measured_links(
    links: Mapping[int, PlacedLink],
    names: Mapping[int, str],
    facts: Facts,
    mower: MowerProfile,
    ground: BaseGeometry,
    nearly: Mapping[int, PlacedLink],
) -> tuple[dict[int, PlacedLink], list[Finding]]:
    """Return links as somebody found them, and what is said of that; a kind that he saw stays whatever the width.

    Parameters
    ----------
    links
        As the maps show them, by number.
    names
        Those that a plan of the maps alone shows, by number.
    facts
        What was measured.
    mower
        Whose widths decide.
    ground
        Mowable ground: where a width moved its outline already, only the sd of the tape is left to say.
    nearly
        What is no link as the maps show it: over paving it becomes one by what was measured, of ground it says that
        nothing else follows.
    """
    found, findings = dict(links), list[Finding]()
    places = {**nearly, **links}
    numbers = list(places)
    features = [(names.get(number, ""), link.middle_line) for number, link in places.items()]
    moved = [fact for fact in facts.widths if follows_width(ground, fact)]
    for fact in moved:
        number = _same_way(links, fact)
        if number is not None:
            kind = link_kind(fact.value, LAWN, mower)
            found[number] = replace(links[number], kind=kind, width_m=fact.value, width_sd_m=TAPE_SD_M, measured=True)
    for fact, index in matched([fact for fact in facts.widths if fact not in moved], features, findings):
        number, link = numbers[index], places[numbers[index]]
        name, width_m = names.get(number, ""), fact.value
        findings.append(applied(fact, "link", link_change(name, "width_m", link.width_m, width_m), link.middle_line))
        if abs(width_m - link.width_m) > SURE_SDS * link.width_sd_m:
            told = {"link_id": name, "width_m": width_m, "mapped_m": link.width_m, "sd_m": link.width_sd_m}
            findings.append(contradicts("width", told, link.middle_line))
        kind = link_kind(width_m, link.surface, mower)
        if kind != link.kind:
            decided = {"link_id": name, "kind": kind, "width_m": width_m, "before": link.kind}
            findings.append(follows("link", decided, link.middle_line))
        if number in links or link.surface != LAWN:
            found[number] = replace(link, kind=kind, width_m=width_m, width_sd_m=TAPE_SD_M, measured=True)
    ways = [number for number in numbers if number in links or places[number].surface != LAWN]
    features = [(names.get(number, ""), places[number].middle_line) for number in ways]
    for seen, index in matched(facts.passages, features, findings):
        number, link = ways[index], places[ways[index]]
        name = names.get(number, "")
        change = link_change(name, "kind", link.kind, seen.value)
        findings.append(applied(seen, "link_gone" if seen.value == GONE else "link", change, link.middle_line))
        if seen.value == GONE:
            found.pop(number, None)
        elif number in found or number in nearly:
            found[number] = replace(found.get(number, link), kind=seen.value, measured=True)
    return found, findings


def link_change(name: str, column: str, before: float | str, after: float | str) -> Values:
    """Return values that say of a link, without a name where no plan shows it, what somebody found there."""
    return {"link_id": name, "column": column, "before": before, "after": after}


def follows_width(ground: BaseGeometry, fact: Fact[float]) -> bool:
    """Return whether ground has the outline that a measured width gives it: it may be older than the measurement."""
    if fact.ground is None:
        return False
    change = fact.ground.change
    lacking = shapely.difference(change.added, ground).area + shapely.intersection(change.taken, ground).area
    return bool(lacking <= FOLLOWED_SHARE * (change.added.area + change.taken.area))


def _same_way(links: Mapping[int, PlacedLink], fact: Fact[float]) -> int | None:
    """Return the passage that is left where a width moved its outline; none where it is mown now."""
    if fact.ground is None:
        return None
    way = fact.ground.middle_line
    away = {number: link.middle_line.distance(way) for number, link in links.items() if link.surface == LAWN}
    near = [number for number, metres in away.items() if metres <= SAME_WAY_M]
    return min(near, key=lambda number: (away[number], abs(links[number].width_m - fact.value)), default=None)
