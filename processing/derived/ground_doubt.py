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
from ..model.plan import Plan
from .detached_supply import WIRE_INSET_M, DetachedZone, LeadCrossings, ground_in_wire, supply_options
from .link_doubt import CABLE, ITEMS, option_takes, taken_more
from .spread import WIRE, Doubt

READS = ("zones", "dock_candidates", "visit_checks", "visit_areas")
"""What a step declares that asks for it."""

HAIR_M = 0.05
"""Ground this near to a zone borders on it."""


def doubts(plan: Plan, mower: MowerProfile, prices: PriceBook) -> list[Doubt]:
    """Return for each decision that may fall otherwise, and tells on wire or price, what changes then.

    Several readings of one piece of ground are about one decision.
    """
    areas = {row["check_id"]: row["geometry"] for row in plan.rows("visit_areas")}
    zones: BaseGeometry = shapely.union_all(plan.geometries("zones"))
    found: list[Doubt] = []
    asked: set[bytes] = set()
    for check in plan.rows("visit_checks"):
        chance, area = check["flip_probability"], areas.get(check["check_id"])
        if chance is None:
            continue
        if check["changes"]:
            found.append(Doubt(chance, json.loads(check["changes"])))
        elif area is not None and any(decision.of_ground for decision in decisions_checked_by(check["code"])):
            if area.wkb not in asked:
                found.append(Doubt(chance, _of_ground(zones, area, mower, prices)))
            asked.add(area.wkb)
        elif check["target_layer"] == "dock_candidates":
            found += [Doubt(chance, changes) for changes in _of_dock(plan, check["target_id"], mower, prices)]
    return found


def _of_dock(plan: Plan, candidate_id: str, mower: MowerProfile, prices: PriceBook) -> list[dict[str, float]]:
    """Return what a plan takes more or less where a dock stands at the next best place; nothing where there is none."""
    (chosen,) = plan.select("dock_candidates", candidate_id=candidate_id)
    others = [
        place
        for place in plan.select("dock_candidates", zone_id=chosen["zone_id"], feasible=True, chosen=False)
        if place["rank"] is not None
    ]
    if chosen["supply_m"] is None or not others:
        return []
    next_m = min(others, key=lambda place: int(place["rank"]))["supply_m"]
    return [taken_more({CABLE: chosen["supply_m"]}, {CABLE: next_m}, mower, prices)] if next_m is not None else []


def _of_ground(zones: BaseGeometry, area: BaseGeometry, mower: MowerProfile, prices: PriceBook) -> dict[str, float]:
    """Return what a plan takes more or less without ground that it mows, or with ground that it doesn't."""
    mown = shapely.intersection(zones, area).area > area.area / 2
    other = shapely.difference(zones, area) if mown else closed(shapely.union(zones, area), HAIR_M)
    before, after = (_taken(_parts(ground, mower), mower, prices) for ground in (zones, other))
    return taken_more(before, after, mower, prices)


def _parts(ground: BaseGeometry, mower: MowerProfile) -> list[Polygon]:
    """Return what is wide and large enough for zones, the largest first."""
    wide = polygon_parts(opened(ground, mower.passage_mow_min_m))
    return sorted((part for part in wide if part.area >= mower.zone_area_min_m2), key=lambda part: -part.area)


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
