"""Which mower for the parcels of a finished plan: what fits, what it costs, and what a whole portfolio takes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from shapely import MultiPoint

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.mower import built_in_profile, profile_from, profile_names
from lawngis.mowing.choice import Fit, MowerOffer, cheapest, mower_fits
from lawngis.mowing.fleet import Fleet, own_mowers, shared_mowers
from lawngis.mowing.mower_prices import MowerBook

from ..derived.mower_demands import mower_offer
from ..derived.mowing_windows import WeekHours
from ..steps.schedule import ScheduleParameters
from .crew_days import crew_days
from .planned_parcels import PlannedParcel, PlannedPortfolio

SHARE_WITHIN_M = 500.0
"""As far apart may parcels lie that share a mower; ours, no source."""

CARRY_H = 0.5
CREW_DAY_H = 8.0
"""What it takes to carry a mower on to the next parcel, and a crew's day [h]; ours, no source."""


@dataclass(frozen=True)
class NamedFleet:
    """A fleet with what it is, in words."""

    words: str
    fleet: Fleet


@dataclass(frozen=True)
class MowerComparison:
    """How some mowers fit the parcels of a plan, which is cheapest for each, and what fleets cost.

    Parameters
    ----------
    portfolio
        The plan.
    offers
        The mowers.
    fits
        Of each demand and mower, demand by demand.
    fleets
        The cheapest first; those that leave more parcels unserved come after.
    currency
        Of all prices.
    within_m
        How far apart parcels may share a mower [m].
    """

    portfolio: PlannedPortfolio
    offers: tuple[MowerOffer, ...]
    fits: tuple[Fit, ...]
    fleets: tuple[NamedFleet, ...]
    currency: str
    within_m: float

    @cached_property
    def cheapest(self) -> Mapping[str, Fit | None]:
        """The cheapest mower that fits, by demand."""
        return cheapest(self.fits)

    @cached_property
    def by_demand(self) -> Mapping[str, tuple[Fit, ...]]:
        """Fits of the mowers, in their order, by demand."""
        step = len(self.offers)
        return {self.fits[at].parcel: self.fits[at : at + step] for at in range(0, len(self.fits), step)}


def mower_offers(names: Sequence[str], book: MowerBook) -> list[MowerOffer]:
    """Return mowers by profile, each a name or a TOML file, with their prices as far as the book has them.

    Raises
    ------
    ParameterError
        When a profile is unknown or can't be read, or two have one name.
    """
    offers: dict[str, MowerOffer] = {}
    for word in names:
        profile = profile_from(word)
        name = profile.name
        if name in offers:
            raise ParameterError(f"two profiles are called {name!r}", advice="Rename one of them.")
        offers[name] = _priced(mower_offer(name, profile), book)
    return list(offers.values())


def _priced(offer: MowerOffer, book: MowerBook) -> MowerOffer:
    """Return a mower with its price as far as the book has it."""
    price = book.mowers.get(offer.name)
    return replace(offer, **price.model_dump()) if price else offer


@cache
def built_in_offers() -> tuple[MowerOffer, ...]:
    """Return the mowers that come with lawngis, the smallest first."""
    built_in = [mower_offer(name, built_in_profile(name)) for name in profile_names()]
    return tuple(sorted(built_in, key=lambda offer: offer.cutting_width_m))


def parcel_fits(
    parcel: PlannedParcel, offers: Sequence[MowerOffer], parameters: ScheduleParameters, hours: WeekHours
) -> list[Fit]:
    """Return how mowers fit a parcel of a plan, demand by demand.

    Parameters
    ----------
    parcel
        The parcel.
    offers
        The mowers.
    parameters, hours
        Of the step that planned the week, and its hours.
    """
    often = parameters.growth(parcel.latitude_deg).most
    return mower_fits(parcel.demands, offers, wanted=hours.wanted, permitted=hours.permitted, grass_mowings_week=often)


def smallest_mower(parcel: PlannedParcel, parameters: ScheduleParameters) -> str | None:
    """Return the smallest of the mowers that come along that can do all of a parcel; None when none can."""
    if not parcel.demands:
        return None
    hours = parameters.hours_of_week()
    for offer in built_in_offers():
        if all(fit.fits for fit in parcel_fits(parcel, [offer], parameters, hours)):
            return offer.name
    return None


def comparison(
    portfolio: PlannedPortfolio, offers: Sequence[MowerOffer], book: MowerBook, *, within_m: float = SHARE_WITHIN_M
) -> MowerComparison:
    """Return how mowers fit the parcels of a plan, and what fleets of them cost.

    Parameters
    ----------
    portfolio
        The plan. Its zones, passages and wire are taken as they are: planned for another mower they may differ.
    offers
        The mowers.
    book
        What they cost.
    within_m
        Farthest that parcels which share a mower lie from the middle of their group [m].
    """
    hours = portfolio.hours
    fits: list[Fit] = []
    for parcel in portfolio.compared:
        fits += parcel_fits(parcel, offers, portfolio.parameters, hours)
    groups = _neighbourhoods(portfolio, within_m)
    choices = {"": fits}
    if len(offers) > 1:
        choices |= {offer.name: [fit for fit in fits if fit.mower == offer.name] for offer in offers}
    fleets = []
    for kind, own in choices.items():
        name = f"only {kind}" if kind else "the cheapest for each"
        fleets.append(NamedFleet(name, own_mowers(own, book.sharing)))
        shared = shared_mowers(own, groups, book.sharing)
        if shared.moves_week:
            fleets.append(NamedFleet(f"{name}, shared", shared))
    fleets.sort(key=_fleet_order)
    return MowerComparison(portfolio, tuple(offers), tuple(fits), tuple(fleets), book.currency, within_m)


def _neighbourhoods(portfolio: PlannedPortfolio, within_m: float) -> list[list[str]]:
    """Return the names of demands in groups that a crew can go round on one day."""
    parcels = portfolio.compared
    if not parcels:
        return []
    xy = np.array([parcel.xy for parcel in parcels])
    frame = MeasuringFrame.centred_on(MultiPoint(xy), portfolio.crs)
    visits = np.full(len(parcels), CARRY_H)
    days = crew_days(frame.coordinates_from(portfolio.crs, xy), visits, radius_m=within_m, day_hours=CREW_DAY_H)
    groups: dict[int, list[str]] = {}
    for day, parcel in zip(days.tolist(), parcels, strict=True):
        groups.setdefault(day, []).extend(demand.name for demand in parcel.demands)
    return list(groups.values())


def _fleet_order(named: NamedFleet) -> tuple[int, float, int]:
    fleet = named.fleet
    return len(fleet.unserved), np.inf if fleet.cost is None else fleet.cost.year, fleet.mowers
