"""What of wire and price changes with ground that may be mown or not, and all that may change in a plan."""

from __future__ import annotations

import json
from collections.abc import Sequence

import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import closed, opened, polygon_parts
from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook

from ..model.decision_list import decisions_checked_by
from ..model.plan import Plan, Row
from ..model.site import VECTOR_ACCURACY, Site
from .detached_supply import WIRE_INSET_M, DetachedZone, LeadCrossings, ground_in_wire, supply_options
from .dock_choice import places_of_loop
from .link_doubt import CABLE, CUTS, ITEMS, option_takes, taken_more
from .outline_spread import ways_doubt
from .paving import DRIVEN_ON
from .spread import WIRE, Doubt

READS = ("zones", "dock_candidates", "visit_checks", "visit_areas", "site:hard_surfaces", *VECTOR_ACCURACY)
"""What a step declares that asks for it."""

NEXT_PLACES = 4
"""So many of the next best places of a dock are as likely as each other, where the best fails."""

PATH_CHANCE = 0.5
"""Chance that the way of a lead or cable, where the maps' errors leave it open, crosses a path or doesn't: nobody can
say."""

HAIR_M = 0.05
"""Ground this near to a zone borders on it."""


def doubts(site: Site, plan: Plan, mower: MowerProfile, prices: PriceBook) -> list[Doubt]:
    """Return for each decision that may fall otherwise, and tells on wire or price, what changes then.

    Several readings of one piece of ground are about one decision. Which way leads and cables go is none that is asked
    about, but each may go over a path.
    """
    areas = {row["check_id"]: row["geometry"] for row in plan.rows("visit_areas")}
    zones: BaseGeometry = shapely.union_all(plan.geometries("zones"))
    found = _of_ways(site, plan, mower, prices)
    asked: set[bytes] = set()
    for check in plan.rows("visit_checks"):
        chance, area = check["flip_probability"], areas.get(check["check_id"])
        if chance is None:
            continue
        if check["changes"]:
            found.append(Doubt(chance, json.loads(check["changes"])))
        elif area is not None and (
            check["code"] == "zone-area" or any(decision.of_ground for decision in decisions_checked_by(check["code"]))
        ):
            if area.wkb not in asked:
                found.append(Doubt(chance, _of_ground(zones, area, mower, prices)))
            asked.add(area.wkb)
        elif check["target_layer"] == "dock_candidates":
            others = _of_dock(plan, check["target_id"], mower, prices)
            found += [Doubt(chance / len(others), changes) for changes in others]
        elif check["code"] in ("trunk", "bump-height") and not zones.is_empty:
            found.append(Doubt(chance, _of_bumped(zones, check, mower, prices)))
    return found


def _of_ways(site: Site, plan: Plan, mower: MowerProfile, prices: PriceBook) -> list[Doubt]:
    """Return for each lead and each cable the chance of a cut through a path as wide as the mower crosses.

    Cuts that are planned have a spread of their own.
    """
    paved = "hard_surfaces" in site.layers and not site.layers["hard_surfaces"]["use"].isin(DRIVEN_ON).all()
    chance = PATH_CHANCE * ways_doubt(site)
    if not (paved and chance):
        return []
    led, docks = plan.select("zones", role="detached", supply="main_wire"), plan.select("dock_candidates", chosen=True)
    cut = taken_more({CUTS: 0.0}, {CUTS: mower.crossing_length_max_m}, mower, prices)
    return [Doubt(chance, cut)] * (len(led) + len(docks))


def _of_bumped(zones: BaseGeometry, check: Row, mower: MowerProfile, prices: PriceBook) -> dict[str, float]:
    """Return what a plan takes more or less where a thing gets an island after all, or none: its ring and its lead."""
    edge = shapely.boundary(shapely.union_all([Polygon(part.exterior) for part in polygon_parts(zones)]))
    island_m = check["at_stake"] + 2 * edge.distance(check["geometry"])
    bumped = (check["value"] or 0.0) >= check["limit_value"]
    return taken_more({WIRE: 0.0 if bumped else island_m}, {WIRE: island_m if bumped else 0.0}, mower, prices)


def _of_dock(plan: Plan, candidate_id: str, mower: MowerProfile, prices: PriceBook) -> list[dict[str, float]]:
    """Return what a plan takes more or less where a dock stands at one of the next best places; none without any."""
    chosen = next(iter(plan.select("dock_candidates", candidate_id=candidate_id)), None)
    if chosen is None or chosen["supply_m"] is None:
        return []
    others = [
        place
        for place in places_of_loop(plan.rows("zones"), plan.rows("dock_candidates"), chosen["zone_id"])
        if place["feasible"] and not place["chosen"] and place["rank"] is not None
    ]
    next_best = sorted(others, key=lambda place: int(place["rank"]))[:NEXT_PLACES]
    lengths_m = [place["supply_m"] for place in next_best if place["supply_m"] is not None]
    return [taken_more({CABLE: chosen["supply_m"]}, {CABLE: other_m}, mower, prices) for other_m in lengths_m]


def _of_ground(zones: BaseGeometry, area: BaseGeometry, mower: MowerProfile, prices: PriceBook) -> dict[str, float]:
    """Return what a plan takes more or less without ground that it mows, or with ground that it doesn't."""
    mown = shapely.intersection(zones, area).area > area.area / 2
    other = shapely.difference(zones, area) if mown else closed(shapely.union(zones, area), HAIR_M)
    least_m2 = min(mower.zone_area_min_m2, area.area / 2)
    before, after = (_taken(_parts(ground, mower, least_m2), mower, prices) for ground in (zones, other))
    return taken_more(before, after, mower, prices)


def _parts(ground: BaseGeometry, mower: MowerProfile, least_m2: float) -> list[Polygon]:
    """Return what is wide and large enough for zones, the largest first."""
    wide = polygon_parts(opened(ground, mower.passage_mow_min_m))
    return sorted((part for part in wide if part.area >= least_m2), key=lambda part: -part.area)


def _taken(parts: Sequence[Polygon], mower: MowerProfile, prices: PriceBook) -> dict[str, float]:
    """Return about what parts take between which no mower drives: rings, and what feeds all but the largest.

    The cable of a further dock isn't counted.
    """
    rings_m = [ground_in_wire(part, WIRE_INSET_M).length for part in parts]
    taken = dict.fromkeys(ITEMS, 0.0)
    taken[WIRE] = sum(rings_m[:1])
    for part, ring_m in zip(parts[1:], rings_m[1:], strict=True):
        lead_m = part.distance(parts[0])
        need = DetachedZone(part.area, part.length, ring_m, lead_m, LeadCrossings({}), taken[WIRE])
        chosen = supply_options(need, mower, prices).chosen
        if chosen is not None:
            own = option_takes(chosen, 0.0)
            taken = {item: taken[item] + quantity for item, quantity in own.items()}
    return taken
