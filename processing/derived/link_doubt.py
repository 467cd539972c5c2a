"""What a plan takes more or less where a link between zones, or what feeds a zone, is otherwise than the maps say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import nextafter

from shapely import Polygon

from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook, price_book_from

from ..model.plan import VisitCheck
from ..model.site import Site
from .decisions import LAWN, Served, link_kind, served_zones
from .detached_supply import WIRE_INSET_M, SupplyOption, ground_in_wire, wire_price
from .placed_links import PlacedLink
from .spread import AMOUNT, WIRE

CABLE, DOCKS, SOURCES, CUTS, DUCTS = "supply cable", "further docks", "signal sources", "saw cut", "duct"

_DIGITS = 4
"""Changes are told to this many digits: places read from a file are a few nanometres off."""

ITEMS = (WIRE, CABLE, DOCKS, SOURCES, CUTS, DUCTS)
"""Items of the list of materials on which links and supplies tell."""


def with_changes(
    checks: Sequence[VisitCheck],
    site: Site,
    zones: Mapping[int, Polygon],
    links: Mapping[int, PlacedLink],
    maybe: Mapping[int, PlacedLink],
    mower: MowerProfile,
    price_book: str | None,
) -> list[VisitCheck]:
    """Return checks of links, each with what more or less the plan takes where the link falls otherwise, and its price.

    Where a zone gets no wire then, or gets one only then, the price isn't all that hangs on it, and isn't said.

    Parameters
    ----------
    checks
        Of widths and lengths, at the narrowest place of their link.
    site, mower, price_book
        As :func:`.decisions.served_zones` takes them.
    zones
        Ground of those that may get a wire, by number.
    links, maybe
        Between them: those that there are, and those that there nearly are, by numbers of one count.
    """
    at_place = {link.narrowest.coords[0]: number for number, link in {**maybe, **links}.items()}
    if not checks:
        return []
    served, prices = served_zones(site, zones, links, mower, price_book), price_book_from(price_book)
    before = _takes(site, zones, links, served)
    found = []
    for check in checks:
        told = _otherwise(check, at_place[check.place.coords[0]], links, maybe, mower)
        otherwise = served_zones(site, zones, told, mower, price_book)
        changes = taken_more(before, _takes(site, zones, told, otherwise), mower, prices)
        price = abs(changes[AMOUNT]) if served.zones.keys() == otherwise.zones.keys() else None
        found.append(replace(check, changes=changes, at_stake=price))
    return found


def _otherwise(
    check: VisitCheck,
    number: int,
    links: Mapping[int, PlacedLink],
    maybe: Mapping[int, PlacedLink],
    mower: MowerProfile,
) -> dict[int, PlacedLink]:
    """Return the links that there are where what a check asks lies on the other side of its limit."""
    if number not in links:
        return {**links, number: replace(maybe[number], kind="crossing")}
    if check.code == "crossing-length":
        return {other: link for other, link in links.items() if other != number}
    link, limit_m = links[number], check.limit_value or 0.0
    width_m = limit_m if link.width_m < limit_m else nextafter(limit_m, 0)
    return {**links, number: replace(link, kind=link_kind(width_m, link.surface, mower))}


def _takes(
    site: Site, zones: Mapping[int, Polygon], links: Mapping[int, PlacedLink], served: Served[int]
) -> dict[str, float]:
    """Return about how much a plan takes of what hangs on links and supplies, by item."""
    found: dict[str, float] = dict.fromkeys(ITEMS, 0.0)
    for number, service in served.zones.items():
        if service.role != "detached":
            found[WIRE] += ground_in_wire(zones[number], WIRE_INSET_M).length
        if service.reached_by is not None:
            link = links[service.reached_by]
            found[WIRE] += 2 * link.length_m
            if link.along_border is not None:
                found[WIRE] -= link.along_border.wire_less_m
            if link.surface != LAWN:
                found[CUTS] += 2 * link.length_m
    for group, offer in served.groups:
        if offer.chosen is not None:
            taken = option_takes(offer.chosen, cable_m(site, [zones[zone] for zone in group]))
            found = {item: found[item] + quantity for item, quantity in taken.items()}
    return found


def cable_m(site: Site, grounds: Sequence[Polygon]) -> float:
    """Return about the length of the cable that a dock in one of some zones needs [m]."""
    supplies = site.geometries("outlets") or site.geometries("buildings")
    return float(min((ground.distance(place) for ground in grounds for place in supplies), default=0.0))


def option_takes(option: SupplyOption, dock_cable_m: float) -> dict[str, float]:
    """Return about how much a supply of zones takes, by item: a dock of its own needs a cable too."""
    return {
        WIRE: option.wire_m,
        CABLE: dock_cable_m if option.supply == "own_dock" else 0.0,
        DOCKS: float(option.supply == "own_dock"),
        SOURCES: float(option.supply == "own_source"),
        CUTS: option.crossed.saw_cut_m,
        DUCTS: option.crossed.duct_m,
    }


def taken_more(
    before: Mapping[str, float], after: Mapping[str, float], mower: MowerProfile, prices: PriceBook
) -> dict[str, float]:
    """Return by how much what is taken of each item differs, and its price under :data:`.spread.AMOUNT`."""
    differences = {item: round(after[item] - before[item], _DIGITS) for item in before}
    changes = {item: difference for item, difference in differences.items() if difference}
    return {**changes, AMOUNT: round(_price(changes, mower, prices), _DIGITS)}


def _price(changes: Mapping[str, float], mower: MowerProfile, prices: PriceBook) -> float:
    each = {
        CABLE: prices.supply_cable_per_m,
        DOCKS: prices.dock_each,
        SOURCES: prices.signal_source_each,
        CUTS: prices.saw_cut_per_m,
        DUCTS: prices.duct_per_m,
    }
    others = sum(number * each[item] for item, number in changes.items() if item != WIRE)
    return others + wire_price(changes.get(WIRE, 0.0), mower, prices)
