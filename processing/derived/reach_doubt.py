"""Whether the mower reaches a zone by itself, over all passages and crossings on the way, each open or closed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import product
from math import log, prod

from shapely import Polygon

from lawngis.lawn.widths import ExpectedWidth
from lawngis.lawn.zones import zone_groups
from lawngis.mower import MowerProfile

from ..model.plan import VisitCheck
from .decisions import LAWN
from .doubt import in_doubt
from .passage_checks import Asked, crossing_open_chance, side_chance
from .placed_links import CrossingDoubt, PlacedLink

MOST_DOUBTFUL = 8
"""So many of the least sure links are taken as open or closed, in all 2 to the 8th ways; others as they are mapped."""

SURE = 0.005
"""A link that is otherwise with less than this chance is as it is mapped."""


@dataclass(frozen=True)
class Way:
    """A link by which the mower may come: whether it is open on the map, the chance that it is, and on what that hangs.

    `value` is compared with `limit_m`: the width of a passage, the length or the width of a crossing.
    """

    zone_a: int
    zone_b: int
    width_m: float
    mapped: bool
    open_chance: float
    value: ExpectedWidth
    limit_m: float


def ways_between(
    links: Mapping[int, PlacedLink], crossings: Mapping[int, CrossingDoubt], mower: MowerProfile
) -> dict[int, Way]:
    """Return the ways between zones, those over paving that nearly are one as well, by number.

    Parameters
    ----------
    links
        Passages and crossings that there are, as measured.
    crossings
        What decides over crossings as mapped, and over those that there nearly are.
    mower
        Whose limits decide.
    """
    found = {}
    for number, link in links.items():
        if link.measured or (link.surface != LAWN and number not in crossings):
            chance = float(link.kind != "blocked")
        elif link.surface != LAWN:
            continue
        else:
            chance = side_chance(link.likely, mower.passage_transit_min_m, below=True)
        ends = (link.zone_a, link.zone_b)
        found[number] = Way(
            *ends, link.width_m, link.kind != "blocked", chance, link.likely, mower.passage_transit_min_m
        )
    for number, doubt in crossings.items():
        if number not in found:
            mapped = number in links and links[number].kind != "blocked"
            chance = crossing_open_chance(doubt, mapped=mapped, mower=mower)
            ends = (doubt.link.zone_a, doubt.link.zone_b)
            found[number] = Way(*ends, doubt.width_m, mapped, chance, doubt.likely, mower.crossing_length_max_m)
    return found


def reach_checks(
    zones: Mapping[int, Polygon], names: Mapping[int, str], ways: Mapping[int, Way], asked: Asked
) -> list[VisitCheck]:
    """Return for each zone that may be reached otherwise the question of the ways to it, with their least sure place.

    Parameters
    ----------
    zones, names
        Ground of zones, and how a plan calls them, by number; the largest is home.
    ways
        Between them.
    asked
        How much doubt is looked at.
    """
    areas = {number: zone.area for number, zone in zones.items()}
    now = _reached(areas, {number: way for number, way in ways.items() if way.mapped})
    chances = reach_chances(areas, ways)
    checks = []
    for number, zone in zones.items():
        chance = 1 - chances[number] if number in now else chances[number]
        path = _likeliest(max(areas, key=areas.__getitem__), number, ways) if chance > 0 else []
        if not path:
            continue
        least = min((ways[link] for link in path), key=lambda way: way.open_chance)
        name = names.get(number, "")
        case = "reached" if number in now else "apart" if name else "unnamed"
        values = {"case": case, "zone_id": name, "area_m2": zone.area, "ways": len(path)}
        check = VisitCheck(
            "zone-reach",
            values,
            zone.representative_point(),
            *least.value,
            "m",
            least.limit_m,
            target_layer="zones" if name else "",
            target_id=name,
            at_stake=zone.area,
        )
        checks += in_doubt(check, asked.parameters, chance=chance, whole=asked.lawn_m2)
    return checks


def reach_chances(areas_m2: Mapping[int, float], ways: Mapping[int, Way]) -> dict[int, float]:
    """Return for each zone the chance that the mower reaches it by itself from the largest.

    Notes
    -----
    The two-terminal reliability of a graph whose links are open independently, by enumeration of the states of the
    least sure ones: all ways round count, and zones behind several links.
    """
    doubtful = sorted(ways, key=lambda number: -min(ways[number].open_chance, 1 - ways[number].open_chance))
    doubtful = [number for number in doubtful[:MOST_DOUBTFUL] if SURE < ways[number].open_chance < 1 - SURE]
    certain = {number: way for number, way in ways.items() if number not in doubtful and way.mapped}
    found = dict.fromkeys(areas_m2, 0.0)
    for states in product((True, False), repeat=len(doubtful)):
        open_now = {number: ways[number] for number, is_open in zip(doubtful, states, strict=True) if is_open}
        share = prod(
            ways[number].open_chance if is_open else 1 - ways[number].open_chance
            for number, is_open in zip(doubtful, states, strict=True)
        )
        for zone in _reached(areas_m2, {**certain, **open_now}):
            found[zone] += share
    return found


def _reached(areas_m2: Mapping[int, float], ways: Mapping[int, Way]) -> set[int]:
    """Return the zones to which the mower comes from the largest."""
    groups = zone_groups(areas_m2, {number: (way.zone_a, way.zone_b, way.width_m) for number, way in ways.items()})
    return set(groups[0]) if groups else set()


def _likeliest(home: int, zone: int, ways: Mapping[int, Way]) -> list[int]:
    """Return the links of the way from home to a zone that is open most likely; none where there is no way."""
    waiting: list[tuple[float, int, list[int]]] = [(0.0, home, [])]
    done: set[int] = set()
    while waiting:
        cost, here, path = heappop(waiting)
        if here == zone:
            return path
        if here not in done:
            done.add(here)
            for number, way in ways.items():
                if here in (way.zone_a, way.zone_b) and way.open_chance > 0:
                    other = way.zone_b if here == way.zone_a else way.zone_a
                    heappush(waiting, (cost - log(way.open_chance), other, [*path, number]))
    return []
