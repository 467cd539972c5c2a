"""Which mower: for parcels and the mowers on offer, what fits, what it lacks, and which is cheapest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import inf
from typing import Literal

import numpy as np

from lawngis.mowing.capacity import (
    area_rate_m2_h,
    edge_pass_hours,
    mowing_hours_week,
    one_charge_area_m2,
    transit_hours,
    turning_share,
)
from lawngis.mowing.week import Windows, days_needed, permitted_hours_week, verdict

Limit = Literal["slope", "passage", "loop", "signal", "charge", "hours"]
"""What a mower may lack."""


@dataclass(frozen=True)
class ZoneDemand:
    """What a zone asks of a mower.

    Parameters
    ----------
    area_m2, perimeter_m
        Size, the perimeter with the edges of islands [m², m].
    slope_percent, steepest_percent
        Typical slope, and the slope that 95 % of it stays below [percent].
    access_m
        From the dock to it, one way [m].
    farthest_m
        From the wire to the ground in it that is farthest from any [m].
    without_dock
        The mower is carried there and can't charge: each mowing has to be done on one charge.
    """

    area_m2: float
    perimeter_m: float
    slope_percent: float
    steepest_percent: float
    access_m: float = 0.0
    farthest_m: float = 0.0
    without_dock: bool = False


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
    slope_limit_percent, passage_transit_min_m, loop_length_max_m, signal_reach_max_m
        What it can do [percent, m, m, m].
    price
        Of one mower with its dock; None when it isn't known.
    kept_years, upkeep_year
        How long it is kept, and what it costs each year beside its price: blades, current, service.
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
    signal_reach_max_m: float = inf
    kept_years: float = 1.0
    upkeep_year: float = 0.0

    @property
    def price_year(self) -> float | None:
        """Price and upkeep of one mower by year; None when the price isn't known."""
        return None if self.price is None else self.price / self.kept_years + self.upkeep_year


@dataclass(frozen=True)
class Fit:
    """How one mower fits one parcel.

    Parameters
    ----------
    parcel
        Name of the parcel.
    offer
        The mower.
    word
        `keeps_up`, `longest_hours` or `cannot`, by the hours alone.
    zone_hours
        Hours of mowing a week that it needs in each zone, without charging [h].
    missing_h
        Of them, hours that find no room [h].
    limits, lacks
        What it can't do there, by the name of the limit and in words; empty when it fits.
    permitted
        Hours in which it may run.
    """

    parcel: str
    offer: MowerOffer
    word: str
    zone_hours: tuple[float, ...]
    missing_h: float
    limits: tuple[Limit, ...]
    lacks: tuple[str, ...]
    permitted: Windows = field(repr=False, compare=False)

    @property
    def mower(self) -> str:
        """Name of the mower."""
        return self.offer.name

    @property
    def price(self) -> float | None:
        """Of one mower; None when it isn't known."""
        return self.offer.price

    @property
    def mowing_h(self) -> float:
        """Hours of mowing a week that it needs, without charging [h]."""
        return sum(self.zone_hours)

    @property
    def fits(self) -> bool:
        """Whether the mower can do all of it."""
        return not self.lacks

    @cached_property
    def days(self) -> int | None:
        """Days of the week that it needs there, when it needs not be there all week; None when it doesn't fit."""
        if self.lacks:
            return None
        return days_needed(
            self.zone_hours,
            windows=self.permitted,
            run_minutes=self.offer.run_minutes,
            charge_minutes=self.offer.charge_minutes,
        )


def offered_hours(demand: ParcelDemand, offer: MowerOffer, *, mowings_week: float | None = None) -> list[float]:
    """Return the hours of mowing a week per zone, an edge pass a week and ways included, without charging [h].

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
    access_m = [zone.access_m for zone in demand.zones]
    # A way to the zone and back uses the battery like mowing does.
    ways = transit_hours(access_m, speed_mps=offer.speed_mps, departures=np.ceil(hours * 60 / offer.run_minutes))
    return [float(hour) for hour in hours + edge_pass_hours(perimeter, speed_mps=offer.speed_mps) + ways]


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
    """Return the cheapest mower by year that fits each parcel, the one that mows in the fewest hours among equals.

    A mower without a price comes after those with one; a parcel that none fits has None.
    """
    best: dict[str, Fit | None] = {}
    for fit in fits:
        held = best.setdefault(fit.parcel, None)
        if fit.fits and (held is None or by_cost(fit) < by_cost(held)):
            best[fit.parcel] = fit
    return best


def _fit(
    demand: ParcelDemand, offer: MowerOffer, *, wanted: Windows, permitted: Windows, mowings_week: float | None
) -> Fit:
    hours = offered_hours(demand, offer, mowings_week=mowings_week)
    said = verdict(
        hours,
        wanted=wanted,
        permitted=permitted,
        run_minutes=offer.run_minutes,
        charge_minutes=offer.charge_minutes,
    )
    lacks = dict(_lacks(demand, offer))
    if said.word == "cannot":
        room = f"{permitted_hours_week(permitted):.0f} permitted hours"
        lacks["hours"] = f"{said.missing_h:.1f} hours of mowing a week find no room in {room}"
    return Fit(
        demand.name, offer, said.word, tuple(hours), said.missing_h, tuple(lacks), tuple(lacks.values()), permitted
    )


def _lacks(demand: ParcelDemand, offer: MowerOffer) -> Iterator[tuple[Limit, str]]:
    zones = demand.zones
    steepest, farthest, way = (
        max((getattr(zone, name) for zone in zones), default=0.0)
        for name in ("steepest_percent", "farthest_m", "access_m")
    )
    if steepest > offer.slope_limit_percent:
        yield "slope", f"slopes of {steepest:.0f} % are more than its {offer.slope_limit_percent:g} %"
    if demand.passage_m < offer.passage_transit_min_m:
        yield "passage", f"a passage of {demand.passage_m:.2f} m is less than its {offer.passage_transit_min_m:g} m"
    if demand.loop_m > offer.loop_length_max_m:
        yield "loop", f"a loop of {demand.loop_m:.0f} m is more than its {offer.loop_length_max_m:g} m"
    if farthest > offer.signal_reach_max_m:
        yield "signal", f"ground {farthest:.1f} m from the wire is beyond its {offer.signal_reach_max_m:g} m"
    one_charge, carried = _one_charge_m2(offer), max((zone.area_m2 for zone in zones if zone.without_dock), default=0.0)
    if carried > one_charge:
        yield "charge", f"one charge mows {one_charge:.0f} m² of {carried:.0f} m² where there is no dock"
    elif 2 * way >= offer.run_minutes * 60 * offer.speed_mps:
        yield "charge", f"a way of {way:.0f} m there and back takes all of a charge"


def _one_charge_m2(offer: MowerOffer) -> float:
    rate = area_rate_m2_h(offer.cutting_width_m, offer.speed_mps)
    return one_charge_area_m2(rate_m2_h=rate, run_minutes=offer.run_minutes, share=offer.coverage_share)


def by_cost(fit: Fit) -> tuple[float, float]:
    """Return what fits are ordered by: cost by year, those without a price last, then hours of mowing."""
    year = fit.offer.price_year
    return (inf if year is None else year), fit.mowing_h
