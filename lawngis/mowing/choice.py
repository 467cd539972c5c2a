"""Which mower: for parcels and the mowers on offer, what fits, what it lacks, how many it takes and what they cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lawngis.mowing.capacity import edge_pass_hours, mowing_hours_week, turning_share
from lawngis.mowing.week import Windows, days_needed, permitted_hours_week, verdict


@dataclass(frozen=True)
class ZoneDemand:
    """What a zone asks of a mower.

    Parameters
    ----------
    area_m2, perimeter_m
        Size, the perimeter with the edges of islands [m², m].
    slope_percent, steepest_percent
        Typical slope, and the slope that 95 % of it stays below [percent].
    """

    area_m2: float
    perimeter_m: float
    slope_percent: float
    steepest_percent: float


@dataclass(frozen=True)
class ParcelDemand:
    """What a parcel asks of a mower.

    Parameters
    ----------
    name
        Of the parcel.
    zones
        The zones that one mower is to serve.
    passage_m
        Width of the narrowest passage on its way [m]; inf without any.
    loop_m
        Length of the longest loop of wire [m].
    """

    name: str
    zones: tuple[ZoneDemand, ...]
    passage_m: float
    loop_m: float


@dataclass(frozen=True)
class MowerOffer:
    """A mower that may be chosen.

    Parameters
    ----------
    name
        What it is called.
    cutting_width_m, speed_mps, run_minutes, charge_minutes, coverage_share, mowings_week
        How it mows; see the mower profile [m, m/s, minutes, minutes, 0 to 1, 1/week].
    slope_limit_percent, passage_transit_min_m, loop_length_max_m
        What it can do [percent, m, m].
    price
        Of one mower; None when nobody said.
    """

    name: str
    cutting_width_m: float
    speed_mps: float
    run_minutes: float
    charge_minutes: float
    coverage_share: float
    mowings_week: float
    slope_limit_percent: float
    passage_transit_min_m: float
    loop_length_max_m: float
    price: float | None = None


@dataclass(frozen=True)
class Fit:
    """How one mower fits one parcel.

    Parameters
    ----------
    parcel, mower
        Names.
    word
        `keeps_up`, `longest_hours` or `cannot`, by the hours alone.
    mowing_h
        Hours of mowing a week that it needs, without charging [h].
    missing_h
        Of them, hours that find no room [h].
    lacks
        What it can't do there, in words; empty when it fits.
    days
        Days of the week that it needs there, when it needs not be there all week; None when it doesn't fit.
    price
        Of one mower; None when nobody said.
    """

    parcel: str
    mower: str
    word: str
    mowing_h: float
    missing_h: float
    lacks: tuple[str, ...]
    days: int | None
    price: float | None

    @property
    def fits(self) -> bool:
        """Whether the mower can do all of it."""
        return not self.lacks


@dataclass(frozen=True)
class Fleet:
    """Mowers of one kind for a portfolio.

    Parameters
    ----------
    mower
        Name of the kind.
    rounds
        The parcels of each mower, by name; those of one mower share the days of its week.
    unserved
        Parcels that it doesn't fit.
    amount
        Price of all of them; None when nobody said the price of one.
    """

    mower: str
    rounds: tuple[tuple[str, ...], ...]
    unserved: tuple[str, ...]
    amount: float | None

    @property
    def mowers(self) -> int:
        """How many it takes."""
        return len(self.rounds)


def offered_hours(demand: ParcelDemand, offer: MowerOffer, *, mowings_week: float | None = None) -> list[float]:
    """Return the hours of mowing a week per zone, an edge pass a week included, without charging [h].

    Parameters
    ----------
    demand, offer
        What is to be mown, and by what.
    mowings_week
        How often a week; as the mower's profile says when absent.
    """
    area, perimeter, slope = (
        np.array([getattr(zone, name) for zone in demand.zones]) for name in ("area_m2", "perimeter_m", "slope_percent")
    )
    hours = mowing_hours_week(
        area,
        cutting_width_m=offer.cutting_width_m,
        speed_mps=offer.speed_mps,
        mowings_week=offer.mowings_week if mowings_week is None else mowings_week,
        share=offer.coverage_share,
        slope_percent=slope,
        turning=turning_share(area, perimeter, speed_mps=offer.speed_mps),
    )
    return [float(hour) for hour in hours + edge_pass_hours(perimeter, speed_mps=offer.speed_mps)]


def mower_fits(
    demands: Sequence[ParcelDemand],
    offers: Sequence[MowerOffer],
    *,
    wanted: Windows,
    permitted: Windows,
    mowings_week: float | None = None,
) -> list[Fit]:
    """Return how each mower fits each parcel, parcel by parcel.

    Parameters
    ----------
    demands, offers
        Parcels, and mowers.
    wanted, permitted
        Hours in which a mower should run, and in which it may; see :func:`lawngis.mowing.week.verdict`.
    mowings_week
        How often a week; as each mower's profile says when absent.
    """
    return [
        _fit(demand, offer, wanted=wanted, permitted=permitted, mowings_week=mowings_week)
        for demand in demands
        for offer in offers
    ]


def cheapest(fits: Sequence[Fit]) -> dict[str, Fit | None]:
    """Return the cheapest mower that fits each parcel, the one that mows in the fewest hours among equals.

    A mower without a price comes after those with one; a parcel that none fits has None.
    """
    best: dict[str, Fit | None] = {}
    for fit in fits:
        held = best.setdefault(fit.parcel, None)
        if fit.fits and (held is None or _order(fit) < _order(held)):
            best[fit.parcel] = fit
    return best


def fleets(fits: Sequence[Fit], *, days_week: int) -> list[Fleet]:
    """Return, for each kind of mower, how many of them serve a portfolio when they are carried between parcels.

    Parameters
    ----------
    fits
        From :func:`mower_fits`.
    days_week
        Permitted days in a week.

    Notes
    -----
    Each parcel takes whole days of a mower's week; the parcels that need the most days are given out first, each to
    the first mower with days left: first fit decreasing (D. S. Johnson, 1973, "Near-optimal bin packing algorithms"),
    which takes at most two ninths more mowers, and one, than the best sharing.
    """
    found = []
    for name in dict.fromkeys(fit.mower for fit in fits):
        own = [fit for fit in fits if fit.mower == name]
        served = sorted((fit for fit in own if fit.fits and fit.days is not None), key=lambda fit: -(fit.days or 0))
        rounds: list[list[Fit]] = []
        for fit in served:
            room = (held for held in rounds if sum(other.days or 0 for other in held) + (fit.days or 0) <= days_week)
            held = next(room, None)
            if held is None:
                rounds.append([fit])
            else:
                held.append(fit)
        price = own[0].price
        found.append(
            Fleet(
                name,
                tuple(tuple(fit.parcel for fit in held) for held in rounds),
                tuple(fit.parcel for fit in own if fit not in served),
                None if price is None else price * len(rounds),
            )
        )
    return found


def _fit(
    demand: ParcelDemand, offer: MowerOffer, *, wanted: Windows, permitted: Windows, mowings_week: float | None
) -> Fit:
    hours = offered_hours(demand, offer, mowings_week=mowings_week)
    battery = {"run_minutes": offer.run_minutes, "charge_minutes": offer.charge_minutes}
    said = verdict(hours, wanted=wanted, permitted=permitted, **battery)
    lacks = _lacks(demand, offer)
    if said.word == "cannot":
        room = f"{permitted_hours_week(permitted):.0f} permitted hours"
        lacks.append(f"{said.missing_h:.1f} hours of mowing a week find no room in {room}")
    days = None if lacks else days_needed(hours, windows=permitted, **battery)
    return Fit(demand.name, offer.name, said.word, sum(hours), said.missing_h, tuple(lacks), days, offer.price)


def _lacks(demand: ParcelDemand, offer: MowerOffer) -> list[str]:
    steepest = max((zone.steepest_percent for zone in demand.zones), default=0.0)
    lacks = []
    if steepest > offer.slope_limit_percent:
        lacks.append(f"slopes of {steepest:.0f} % are more than its {offer.slope_limit_percent:g} %")
    if demand.passage_m < offer.passage_transit_min_m:
        lacks.append(f"a passage of {demand.passage_m:.2f} m is less than its {offer.passage_transit_min_m:g} m")
    if demand.loop_m > offer.loop_length_max_m:
        lacks.append(f"a loop of {demand.loop_m:.0f} m is more than its {offer.loop_length_max_m:g} m")
    return lacks


def _order(fit: Fit) -> tuple[float, float]:
    return (float("inf") if fit.price is None else fit.price), fit.mowing_h
