"""Step `schedule`: whether one mower keeps up, on what weekly plan, from where it sets out, and what stays thin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import Field, field_validator

from lawngis.mower import MowerProfile, profile_from, profile_names
from lawngis.mowing.choice import Fit, MowerOffer, mower_fit
from lawngis.mowing.hours import clock, days_alike
from lawngis.mowing.week import Session, Windows, permitted_hours_week

from ..derived.coverage import MownZone, ZoneAccess, coverage_findings, mown_zones, sets_out_words, zone_accesses
from ..derived.doubt import DoubtParameters, in_doubt
from ..derived.mower_demands import (
    DEMAND_LAYERS,
    LACKS,
    WEEK_CODES,
    mower_demands,
    mower_offer,
    shortfall_parts,
)
from ..derived.mowing_windows import Growth, WeekHours, WeekParameters, words_of
from ..derived.outline_spread import READS as SPREAD_READS
from ..derived.outline_spread import zones_spread
from ..model.catalogue import Said
from ..model.layers import WEEKDAYS
from ..model.plan import Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import Site
from ..model.step import Step, read_by

RESTING = 0.1
"""Growth below this share of its best is extremely limited: the mower may rest (growth potential, see the library)."""


class ScheduleParameters(WeekParameters, DoubtParameters):
    """When the mower may work, how the grass grows, and what else to look at."""

    departures: int = Field(
        default=24, ge=0, le=2000, description="departures simulated in each zone; 0 leaves the simulation out"
    )
    seed: int = Field(default=1, ge=0, le=2**31, description="of the simulation: the same seed, the same result")
    thin_chance: float = Field(
        default=0.8, gt=0, lt=1, description="a place that one mowing reaches with less than this chance is thin"
    )
    compare: tuple[str, ...] = Field(
        default=tuple(profile_names()), description="profiles to compare, by name or TOML file, with commas between"
    )
    compare_prices: tuple[float, ...] = Field(
        default=(), description="price of one mower of each of these profiles, in the same order"
    )

    @field_validator("compare", "compare_prices", mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return words_of(value)

    @field_validator("compare")
    @classmethod
    def _known_profiles(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(read_by(profile_from, name) for name in value)

    @field_validator("compare_prices")
    @classmethod
    def _no_gift(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(price < 0 for price in value):
            raise ValueError("prices are not negative")
        return value


def schedule(site: Site, plan: Plan, mower: MowerProfile, parameters: ScheduleParameters) -> StepResult:
    """Return the sessions of a week, and what was found on the way to them."""
    hours = parameters.hours_of_week()
    layers = {name: plan.rows(name) for name in DEMAND_LAYERS}
    zones = layers["zones"]
    if not zones:
        return StepResult({"schedule": []})
    growth = parameters.growth(site.frame.latitude_deg)
    accesses = zone_accesses(layers)
    mown = _simulated(plan, accesses, mower, parameters)
    rows: list[Row] = []
    checks: list[VisitCheck] = []
    findings = [_hours_finding(hours), *_growth_findings(growth, mower, parameters)]
    for task in mower_demands(site.parcel_id, layers, accesses, own_mowers=parameters.own_mowers):
        own, *others = (
            mower_fit(
                task.demand, offer, wanted=hours.wanted, permitted=hours.permitted, grass_mowings_week=growth.most
            )
            for offer in (mower_offer(mower.title, mower), *_compared(parameters))
        )
        rows += [_row(task.zones[session.zone], session, mown) for session in own.week.sessions]
        findings.append(_week_finding(task.zones, own, others))
        findings += _carried_finding(task.zones, accesses)
        checks += in_doubt(_area_check(site, task.zones, own), parameters)
    findings += coverage_findings(zones, mown, mower)
    return StepResult({"schedule": rows}, findings, checks)


def _simulated(
    plan: Plan, accesses: Mapping[str, ZoneAccess], mower: MowerProfile, parameters: ScheduleParameters
) -> dict[str, MownZone]:
    if not parameters.departures:
        return {}
    found = mown_zones(
        plan,
        accesses,
        mower,
        departures=parameters.departures,
        seed=parameters.seed,
        thin_chance=parameters.thin_chance,
    )
    return {zone.zone_id: zone for zone in found}


def _row(zone: Row, session: Session, mown: Mapping[str, MownZone]) -> Row:
    simulated = mown.get(str(zone["zone_id"]))
    return {
        "zone_id": zone["zone_id"],
        "weekday": WEEKDAYS[session.weekday],
        "start_time": clock(session.start_h),
        "end_time": clock(session.end_h),
        "mowing_h": session.mowing_h,
        "charging_h": session.charging_h,
        "edge_pass": session.edge_pass,
        "sets_out": sets_out_words(simulated) if simulated else None,
    }


def _compared(parameters: ScheduleParameters) -> list[MowerOffer]:
    """Return the mowers to compare, with their prices as far as they are given."""
    prices: list[float | None] = [*parameters.compare_prices, *[None] * len(parameters.compare)]
    profiles = map(profile_from, parameters.compare)
    return [
        replace(mower_offer(profile.title, profile), price=price)
        for profile, price in zip(profiles, prices, strict=False)
    ]


def _hours_finding(hours: WeekHours) -> Finding:
    if not permitted_hours_week(hours.permitted):
        return Finding("stop", "no-permitted-hours", {"rules": hours.title})
    values = {
        "case": "assumed" if hours.assumed else "given",
        "wanted": _days(hours.wanted),
        "rules": hours.title,
        "source": hours.source,
    }
    return Finding("info", "quiet-hours", values)


def _days(windows: Windows) -> list[Said]:
    """Return hours by weekday, like days together, as parts of a sentence."""
    groups = days_alike(windows)
    if not groups:
        return [("hours", {"case": "never"})]
    return [
        (
            "hours",
            {
                "case": "day" if first == last else "days",
                "first_day": first,
                "last_day": last,
                "spans": [("span", {"start": clock(start), "end": clock(end)}) for start, end in spans],
            },
        )
        for first, last, spans in groups
    ]


def _growth_findings(growth: Growth, mower: MowerProfile, parameters: ScheduleParameters) -> list[Finding]:
    most = growth.most
    resting = [
        ("month", {"case": "name", "month": int(month) + 1}) for month in np.flatnonzero(growth.potential < RESTING)
    ]
    values = {
        "grass": growth.grass,
        "cut_height_mm": parameters.cut_height_mm,
        "mowings_week": most,
        "strongest_month": growth.strongest + 1,
        "basis": growth.basis,
        "planned_week": max(most, mower.mowings_week),
        "months": [
            ("month", {"case": "mowings", "month": month, "mowings_week": float(mowings)})
            for month, mowings in enumerate(growth.mowings, start=1)
        ],
        "rest": [("growth-rest", {"months": resting})] if resting else [],
    }
    found = [Finding("info", "growth", values)]
    if most > mower.mowings_week:
        often = {"profile_week": mower.mowings_week, "mowings_week": most}
        found.append(Finding("caution", "growth-fast", often))
    return found


def _week_finding(zones: Sequence[Row], own: Fit, others: Sequence[Fit]) -> Finding:
    """Return whether the plan's mower keeps up, and what others would do."""
    severity, code = WEEK_CODES[own.word]
    values = {
        "zone_ids": [str(zone["zone_id"]) for zone in zones],
        "mowing_h": own.mowing_h,
        "missing_h": own.missing_h,
        "area_m2": sum(zone.area_m2 for zone in own.demand.zones),
        "largest_m2": own.largest_m2,
        "compared": [("compared", {"fits": [_fit_part(fit) for fit in others]})] if others else [],
    }
    return Finding(severity, code, values)


def _area_check(site: Site, zones: Sequence[Row], own: Fit) -> VisitCheck:
    """Return the question how large zones are, where a little more is more than the mower keeps up with."""
    grounds = [zone["geometry"] for zone in zones]
    values = {"zone_ids": [str(zone["zone_id"]) for zone in zones]}
    area_m2 = sum(zone.area_m2 for zone in own.demand.zones)
    largest = max(grounds, key=lambda ground: ground.area).representative_point()
    return VisitCheck(
        "week-area", values, largest, area_m2, zones_spread(site, grounds).area_sd_m2, "m²", own.largest_m2
    )


def _fit_part(fit: Fit) -> Said:
    return "mower-fit", {
        "case": fit.word if fit.fits else LACKS,
        "mower": fit.mower,
        "mowing_h": fit.mowing_h,
        "lacks": shortfall_parts(fit.shortfalls),
        "price": [] if fit.price is None else [("price-each", {"price": fit.price})],
    }


def _carried_finding(zones: Sequence[Row], accesses: Mapping[str, ZoneAccess]) -> list[Finding]:
    carried = [str(zone["zone_id"]) for zone in zones if accesses[str(zone["zone_id"])].carried]
    if not carried or len(zones) == len(carried):
        return []
    return [Finding("info", "mower-carried", {"zone_ids": carried})]


STEP = Step(
    id="schedule",
    title="Weekly plan",
    description=(
        "Says whether one mower keeps up, spreads each zone's hours over the permitted days with charging pauses and "
        "ways, simulates a mowing to find set-out places and thin places, and compares mowers."
    ),
    reads=(*DEMAND_LAYERS, *SPREAD_READS),
    writes=("schedule",),
    compute=schedule,
    parameters=ScheduleParameters,
)


def schedule_parameters(told: Mapping[str, Any]) -> ScheduleParameters:
    """Return the step's parameters from values by name, of which the others are as by default.

    Raises
    ------
    ParameterError
        When one is unknown or out of range.
    """
    parameters = STEP.parameters_from(told)
    if not isinstance(parameters, ScheduleParameters):
        raise TypeError(f"the step {STEP.id} takes {type(parameters).__name__}")
    return parameters
