"""What of the supply of detached zones is looked at on site.

That is their area where one charge just mows it, and the lead where two supplies cost nearly the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from shapely import Polygon

from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook, price_book_from

from ..model.catalogue import Values
from ..model.plan import VisitCheck
from ..model.site import Site
from .decisions import Served
from .detached_supply import SupplyOption, SupplyOptions, wire_price
from .doubt import DoubtParameters, in_doubt
from .link_doubt import cable_m, option_takes, taken_more
from .outline_spread import edge_distance_sd_m, zones_spread
from .spread import AMOUNT


def supply_checks(
    site: Site,
    served: Served[int],
    zones: Mapping[int, Polygon],
    names: Mapping[int, str],
    mower: MowerProfile,
    price_book: str | None,
    parameters: DoubtParameters,
) -> list[VisitCheck]:
    """Return what is to be measured of detached zones whose supply may be another.

    Parameters
    ----------
    site, mower, price_book
        As :func:`.decisions.served_zones` took them.
    served, zones, names
        What feeds zones, their ground and their names, by number.
    parameters
        How much doubt is looked at.
    """
    prices = price_book_from(price_book)
    checks: list[VisitCheck] = []
    for group, offer in served.groups:
        if offer.chosen is None:
            continue
        grounds = [zones[zone] for zone in group]
        who: Values = {"zone_ids": [names[zone] for zone in group]}
        place = grounds[0].representative_point()
        asked: list[tuple[SupplyOption | None, VisitCheck]] = []
        size, other = _size(offer), _by_charge(offer)
        area = (size["area_m2"], zones_spread(site, grounds).area_sd_m2, "m²", size["charge_m2"])
        asked.append((other, VisitCheck("supply-choice", {"case": "charge", **who}, place, *area)))
        other = _next_in_price(offer)
        if other is not None:
            values = {"case": "price", **who, "supplies": [offer.chosen.supply, other.supply]}
            more = (other.price - offer.chosen.price, _lead_price_sd(site, offer, mower, prices), offer.currency, 0.0)
            asked.append((other, VisitCheck("supply-choice", values, place, *more)))
        for option, check in asked:
            if option is not None:
                before, after = (option_takes(some, cable_m(site, grounds)) for some in (offer.chosen, option))
                changes = taken_more(before, after, mower, prices)
                told = replace(check, changes=changes, at_stake=abs(changes[AMOUNT]))
                checks += in_doubt(told, parameters, whole=offer.chosen.price)
    return checks


def _size(offer: SupplyOptions) -> Mapping[str, float]:
    """Return the area of a group of zones, and the area that one charge mows."""
    return next(option.why[1] for option in offer.options if "charge_m2" in option.why[1])


def _by_charge(offer: SupplyOptions) -> SupplyOption | None:
    """Return what would feed zones if one charge just mowed them, or just didn't; None where it is the same."""
    chosen = offer.chosen
    too_large = [option for option in offer.options if option.against and option.against[1].get("case") == "too_large"]
    open_to_it = [option for option in offer.options if option.against is None]
    if too_large:
        best = min([*open_to_it, *too_large], key=lambda option: option.price)
        return None if best is chosen else best
    return next((option for option in open_to_it if option.supply == "own_dock" and option is not chosen), None)


def _next_in_price(offer: SupplyOptions) -> SupplyOption | None:
    """Return the supply that costs the least more, where that hangs on the lead."""
    others = [option for option in offer.options if option.against is None and option is not offer.chosen]
    best = min(others, key=lambda option: option.price, default=None)
    return best if best is not None and offer.chosen and "main_wire" in (best.supply, offer.chosen.supply) else None


def _lead_price_sd(site: Site, offer: SupplyOptions, mower: MowerProfile, prices: PriceBook) -> float:
    """Return how far the price of a lead is off: both its wires, and what it is laid through."""
    (lead,) = (option for option in offer.options if option.supply == "main_wire")
    through = prices.duct_per_m if lead.crossed.duct_m else prices.saw_cut_per_m if lead.crossed.saw_cut_m else 0.0
    return edge_distance_sd_m(site) * (wire_price(2.0, mower, prices) + through)
