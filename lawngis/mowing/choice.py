"""Which mower: for parcels and the mowers on offer, what fits, what it lacks, and which is cheapest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import inf
from typing import Literal

import numpy as np

from lawngis.mowing.capacity import (
    edge_pass_hours,
    mowing_room_h,
    same_shape_area_m2,
    transit_hours,
    zone_mowing_hours,
)
from lawngis.mowing.week import WeeklyPlan, Windows, days_needed, permitted_hours_week, verdict

Limit = Literal["slope", "passage", "loop", "signal", "cable", "charge", "way", "hours"]
"""What a mower may lack."""


@dataclass(frozen=True)
class Shortfall:
    """What a mower lacks for a lawn.

    Parameters
    ----------
    code
        Which of its limits.
    asked, limit
        What the lawn asks, and what the mower can do: `slope` the slope that 95 % of a zone stays below [percent],
        `passage` the width of the narrowest passage [m], `loop` the wire of the longest loop [m], `signal` the
        distance from the wire of the ground farthest from it [m], `cable` the supply cable [m], `charge` the area of
        a zone without a dock [m²], `way` the way to a zone and back [m], `hours` the hours of mowing a week [h].
    """

    code: Limit
    asked: float
    limit: float


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
    cable_m
        Length of the longest supply cable [m]; 0 where none is known.
    """

    name: str
    zones: tuple[ZoneDemand, ...]
    passage_m: float
    loop_m: float
    cable_m: float = 0.0


@dataclass(frozen=True)
class MowerOffer:
    """A mower that may be chosen.

    Parameters
    ----------
    name
        What it is called.
    cutting_width_m, speed_mps, run_minutes, charge_minutes, coverage_share, mowings_week
        How it mows; see the mower profile [m, m/s, minutes, minutes, 0 to 1, 1/week].
    slope_limit_percent, passage_transit_min_m, loop_length_max_m, signal_reach_max_m, supply_cable_max_m
        What it can do [percent, m, m, m, m].
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
    supply_cable_max_m: float = inf
    kept_years: float = 1.0
    upkeep_year: float = 0.0

    @property
    def price_year(self) -> float | None:
        """Price and upkeep of one mower by year; None when the price isn't known."""
        return None if self.price is None else self.price / self.kept_years + self.upkeep_year


@dataclass(frozen=True)
class Fit:
    """How one mower fits one parcel.

    Hours of mowing are those that it drives: it mows and turns, goes along the edge once a week, and drives to zones
    and back, as often as its profile says or the grass asks. Charging is not among them.

    Parameters
    ----------
    demand
        What the parcel asks.
    offer
        The mower.
    word
        `keeps_up`, `longest_hours` or `cannot`, by the hours alone.
    zone_hours
        Hours of mowing a week that it needs in each zone [h].
    week
        The weekly plan, with the hours that find no room.
    shortfalls
        What it can't do there; empty when it fits.
    permitted
        Hours in which it may run.
    """

    demand: ParcelDemand
    offer: MowerOffer
    word: Literal["keeps_up", "longest_hours", "cannot"]
    zone_hours: tuple[float, ...]
    week: WeeklyPlan = field(repr=False, compare=False)
    shortfalls: tuple[Shortfall, ...]
    permitted: Windows = field(repr=False, compare=False)

    @property
    def parcel(self) -> str:
        """Name of the parcel."""
        return self.demand.name

    @property
    def mower(self) -> str:
        """Name of the mower."""
        return self.offer.name

    @property
    def price(self) -> float | None:
        """Of one mower; None when it isn't known."""
        return self.offer.price

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Which of its limits it lacks."""
        return tuple(shortfall.code for shortfall in self.shortfalls)

    @property
    def mowing_h(self) -> float:
        """Hours of mowing a week that it needs [h]."""
        return sum(self.zone_hours)

    @property
    def missing_h(self) -> float:
        """Of them, hours that find no room in the hours permitted [h]."""
        return sum(self.week.missing_h)

    @property
    def fits(self) -> bool:
        """Whether the mower can do all of it."""
        return not self.shortfalls

    @property
    def largest_m2(self) -> float:
        """Area of a lawn like this one that it keeps up with in the hours permitted, in the long run [m²]."""
        room = mowing_room_h(
            permitted_hours_week(self.permitted),
            run_minutes=self.offer.run_minutes,
            charge_minutes=self.offer.charge_minutes,
        )
        return room * sum(zone.area_m2 for zone in self.demand.zones) / self.mowing_h if self.mowing_h else inf

    @cached_property
    def days(self) -> int | None:
        """Days of the week that it needs there, when it needs not be there all week; None when it doesn't fit."""
        if self.shortfalls:
            return None
        return days_needed(
            self.zone_hours,
            windows=self.permitted,
            run_minutes=self.offer.run_minutes,
            charge_minutes=self.offer.charge_minutes,
        )


def offered_hours(demand: ParcelDemand, offer: MowerOffer, *, grass_mowings_week: float = 0.0) -> list[float]:
    """Return the hours of mowing a week that a mower needs in each zone, as :class:`Fit` means them [h].

    Parameters
    ----------
    demand, offer
        What is to be mown, and by what.
    grass_mowings_week
        How often a week the grass asks for it where that is more than the mower's profile says.
    """
    area, perimeter, slope = (
        np.array([getattr(zone, name) for zone in demand.zones]) for name in ("area_m2", "perimeter_m", "slope_percent")
    )
    once = zone_mowing_hours(
        area,
        perimeter,
        cutting_width_m=offer.cutting_width_m,
        speed_mps=offer.speed_mps,
        share=offer.coverage_share,
        slope_percent=slope,
    )
    hours = max(offer.mowings_week, grass_mowings_week) * once
    access_m = [zone.access_m for zone in demand.zones]
    # A way to the zone and back uses the battery like mowing does.
    ways = transit_hours(access_m, speed_mps=offer.speed_mps, departures=np.ceil(hours * 60 / offer.run_minutes))
    return [float(hour) for hour in hours + edge_pass_hours(perimeter, speed_mps=offer.speed_mps) + ways]


def one_charge_m2(zone: ZoneDemand, offer: MowerOffer) -> float:
    """Return the area of a level zone, of a shape like this one, of which one charge mows what is to be mown [m²]."""
    return same_shape_area_m2(
        offer.run_minutes / 60,
        zone.area_m2,
        zone.perimeter_m,
        cutting_width_m=offer.cutting_width_m,
        speed_mps=offer.speed_mps,
        share=offer.coverage_share,
    )


def mower_fit(
    demand: ParcelDemand,
    offer: MowerOffer,
    *,
    wanted: Windows,
    permitted: Windows,
    grass_mowings_week: float = 0.0,
) -> Fit:
    """Return whether a mower fits a parcel, and what it lacks: the one answer that everybody is given.

    Parameters
    ----------
    demand, offer
        The parcel, and the mower.
    wanted, permitted
        Hours in which a mower should run, and in which it may; see :func:`lawngis.mowing.week.verdict`. No week has
        more than 168 of them, so one that needs more never fits.
    grass_mowings_week
        How often a week the grass asks for mowing where that is more than the mower's profile says.
    """
    hours = offered_hours(demand, offer, grass_mowings_week=grass_mowings_week)
    said = verdict(
        hours, wanted=wanted, permitted=permitted, run_minutes=offer.run_minutes, charge_minutes=offer.charge_minutes
    )
    shortfalls = list(_shortfalls(demand, offer))
    if said.word == "cannot":
        shortfalls.append(Shortfall("hours", sum(hours), sum(hours) - said.missing_h))
    return Fit(demand, offer, said.word, tuple(hours), said.week, tuple(shortfalls), permitted)


def mower_fits(
    demands: Sequence[ParcelDemand],
    offers: Sequence[MowerOffer],
    *,
    wanted: Windows,
    permitted: Windows,
    grass_mowings_week: float = 0.0,
) -> list[Fit]:
    """Return how each mower fits each parcel, parcel by parcel: :func:`mower_fit` of each."""
    return [
        mower_fit(demand, offer, wanted=wanted, permitted=permitted, grass_mowings_week=grass_mowings_week)
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


SAME_GROUND_SHARE = 0.95
"""Plans of a lawn that mow at least this share of what another mows do the same work; ours, no source."""


@dataclass(frozen=True)
class MowerPlan:
    """What planning a lawn with one kind of mower comes to.

    Parameters
    ----------
    offer
        The mower, its price known.
    stops
        Findings that forbid laying the wire.
    missing_h
        Hours of mowing a week that find no room in the hours permitted [h].
    mown_m2
        Ground that is mown [m²].
    mowers
        How many mowers share the lawn.
    laid
        What laying costs once: material and work, mowers with their docks left out.
    """

    offer: MowerOffer
    stops: int
    missing_h: float
    mown_m2: float
    mowers: int
    laid: float

    def cost(self, years: float) -> float:
        """Return what laying it once and keeping its mowers so many years costs."""
        return self.laid + self.mowers * years * (self.offer.price_year or 0.0)

    @property
    def faults(self) -> tuple[int, float]:
        """What is against it: stops, then hours that find no room, to a hundredth [h]."""
        return self.stops, round(self.missing_h, 2)


def least_costly(plans: Sequence[MowerPlan], *, years: float) -> MowerPlan:
    """Return the plan of a lawn that costs least, of those with the least against them that mow the same ground.

    A plan without a stop whose week is kept comes before any other. Ground that a mower leaves costs nothing to lay,
    so a plan counts only when it mows :data:`SAME_GROUND_SHARE` of the most that one of those mows. The first of
    equals is returned.

    Parameters
    ----------
    plans
        One of each kind of mower, at least one.
    years
        Over which mowers are kept and paid.
    """
    least = min(plan.faults for plan in plans)
    sound = [plan for plan in plans if plan.faults == least]
    most_m2 = max(plan.mown_m2 for plan in sound)
    return min(
        (plan for plan in sound if plan.mown_m2 >= SAME_GROUND_SHARE * most_m2), key=lambda plan: plan.cost(years)
    )


def _shortfalls(demand: ParcelDemand, offer: MowerOffer) -> Iterator[Shortfall]:
    """Yield what a mower lacks but for hours."""
    zones = demand.zones
    steepest, farthest, way_m = (
        max((getattr(zone, name) for zone in zones), default=0.0)
        for name in ("steepest_percent", "farthest_m", "access_m")
    )
    if steepest > offer.slope_limit_percent:
        yield Shortfall("slope", steepest, offer.slope_limit_percent)
    if demand.passage_m < offer.passage_transit_min_m:
        yield Shortfall("passage", demand.passage_m, offer.passage_transit_min_m)
    if demand.loop_m > offer.loop_length_max_m:
        yield Shortfall("loop", demand.loop_m, offer.loop_length_max_m)
    if farthest > offer.signal_reach_max_m:
        yield Shortfall("signal", farthest, offer.signal_reach_max_m)
    if demand.cable_m > offer.supply_cable_max_m:
        yield Shortfall("cable", demand.cable_m, offer.supply_cable_max_m)
    carried = [Shortfall("charge", zone.area_m2, one_charge_m2(zone, offer)) for zone in zones if zone.without_dock]
    too_large = [shortfall for shortfall in carried if shortfall.asked > shortfall.limit]
    if too_large:
        yield max(too_large, key=lambda shortfall: shortfall.asked)
    charge_m = offer.run_minutes * 60 * offer.speed_mps
    if 2 * way_m >= charge_m:
        yield Shortfall("way", 2 * way_m, charge_m)


def by_cost(fit: Fit) -> tuple[float, float]:
    """Return what fits are ordered by: cost by year, those without a price last, then hours of mowing."""
    year = fit.offer.price_year
    return (inf if year is None else year), fit.mowing_h
