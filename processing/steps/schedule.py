"""Step `schedule`: whether one mower keeps up, on what weekly plan, from where it sets out, and what stays thin."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal

import numpy as np
from pydantic import Field, field_validator

from lawngis.errors import ParameterError
from lawngis.mower import MowerProfile, profile_from, profile_names
from lawngis.mowing.capacity import area_rate_m2_h, edge_pass_hours, largest_area_m2, transit_hours, turning_share
from lawngis.mowing.choice import Fit, MowerOffer, ParcelDemand, ZoneDemand, mower_fits
from lawngis.mowing.growth import PEAK_GROWTH_MM_WEEK, temperatures_from
from lawngis.mowing.hours import clock, days_alike, quiet_hours_from, windows_from_text
from lawngis.mowing.week import Session, Verdict, Windows, permitted_hours_week, verdict

from ..derived.coverage import MownZone, ZoneAccess, coverage_findings, mown_zones, sets_out_words, zone_accesses
from ..derived.mowing_windows import Growth, WeekHours, grass_growth, week_hours
from ..model.catalogue import Said
from ..model.layers import WEEKDAYS
from ..model.plan import Finding, Plan, Row, StepResult
from ..model.site import Site
from ..model.step import Parameters, Step

RESTING = 0.1
"""Growth below this share of its best is extremely limited: the mower may rest (growth potential, see the library)."""


class ScheduleParameters(Parameters):
    """When the mower may work, how the grass grows, and what else to look at."""

    start_h: float = Field(default=9.0, ge=0, le=24, description="begin of the hours wanted, decimal hour")
    end_h: float = Field(default=19.0, ge=0, le=24, description="end of the hours wanted, decimal hour")
    weekdays: tuple[int, ...] = Field(
        default=(0, 1, 2, 3, 4, 5), description="days wanted, 0 Monday to 6 Sunday; local quiet hours decide"
    )
    quiet_hours: str | None = Field(
        default=None,
        description="TOML file with the hours that local rules permit; an example of working days 7 to 20 when absent",
    )
    sprinklers: str = Field(
        default="",
        max_length=400,
        description='when sprinklers run, such as "Monday-Friday 05:00-06:00; Saturday 20:00-21:00"',
    )
    sprinkler_dry_h: float = Field(default=1.0, ge=0, le=24, description="until the lawn has dried after that [h]")
    cut_height_mm: float = Field(default=40.0, ge=10, le=150, description="height of the cut [mm]")
    growth_mm_week: float = Field(
        default=PEAK_GROWTH_MM_WEEK, ge=1, le=150, description="growth in the best of weathers [mm a week]"
    )
    temperatures_c: str | None = Field(
        default=None,
        description="monthly mean temperatures, January first: 12 numbers, or a CSV file with month and temperature_c; "
        "assumed from the latitude when absent [°C]",
    )
    grass: Literal["auto", "cool", "warm"] = Field(
        default="auto", description="cool- or warm-season grass; auto: by latitude"
    )
    own_mowers: bool = Field(
        default=False,
        description="a zone with a dock of its own has a mower of its own; otherwise one is carried there",
    )
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

    @field_validator("weekdays", "compare", "compare_prices", mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return tuple(word.strip() for word in value.split(",") if word.strip()) if isinstance(value, str) else value

    @field_validator("weekdays")
    @classmethod
    def _known_days(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if any(not 0 <= day <= 6 for day in value):
            raise ValueError("days go from 0 (Monday) to 6 (Sunday)")
        return tuple(sorted(set(value)))

    @field_validator("sprinklers")
    @classmethod
    def _known_hours(cls, value: str) -> str:
        return _read_by(windows_from_text, value)

    @field_validator("quiet_hours")
    @classmethod
    def _readable_hours(cls, value: str | None) -> str | None:
        return value if value is None else _read_by(quiet_hours_from, value)

    @field_validator("temperatures_c")
    @classmethod
    def _readable_temperatures(cls, value: str | None) -> str | None:
        return value if value is None else _read_by(temperatures_from, value)

    @field_validator("compare")
    @classmethod
    def _known_profiles(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_read_by(profile_from, name) for name in value)

    @field_validator("compare_prices")
    @classmethod
    def _no_gift(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(price < 0 for price in value):
            raise ValueError("prices are not negative")
        return value

    def hours_of_week(self) -> WeekHours:
        """Return the hours of the week in which a mower should run, and in which it may."""
        return week_hours(
            self.start_h,
            self.end_h,
            weekdays=self.weekdays,
            quiet_hours=self.quiet_hours,
            sprinklers=self.sprinklers,
            sprinkler_dry_h=self.sprinkler_dry_h,
        )

    def growth(self, latitude_deg: float) -> Growth:
        """Return the mowings a week that the grass asks for at a latitude, month by month."""
        return grass_growth(
            latitude_deg,
            temperatures_c=self.temperatures_c,
            grass=self.grass,
            cut_height_mm=self.cut_height_mm,
            growth_mm_week=self.growth_mm_week,
        )


def _read_by(reader: Callable[[str], Any], value: str) -> str:
    """Return a value that a reader understands; what it says against it becomes the parameter's problem."""
    try:
        reader(value)
    except ParameterError as error:
        raise ValueError(str(error)) from error
    return value


def schedule(site: Site, plan: Plan, mower: MowerProfile, parameters: ScheduleParameters) -> StepResult:
    """Return the sessions of a week, and what was found on the way to them."""
    hours = parameters.hours_of_week()
    zones = plan.rows("zones")
    if not zones:
        return StepResult({"schedule": []})
    growth = parameters.growth(site.frame.latitude_deg)
    accesses = zone_accesses(plan)
    needs = _mowing_hours(zones, accesses, mower, growth)
    mown = _simulated(plan, accesses, mower, parameters)
    rows: list[Row] = []
    findings = [_hours_finding(hours), *_growth_findings(growth, mower, parameters)]
    for group in _groups(zones, own_mowers=parameters.own_mowers):
        said = verdict(
            [needs[index] for index in group],
            wanted=hours.wanted,
            permitted=hours.permitted,
            run_minutes=mower.run_minutes,
            charge_minutes=mower.charge_minutes,
        )
        own = [zones[index] for index in group]
        rows += [_row(own[session.zone], session, mown) for session in said.week.sessions]
        fits = _fits(site, plan, own, parameters, hours, growth)
        findings += _verdict_findings(own, said, mower, hours, fits)
        findings += _carried_finding(own, accesses)
    findings += coverage_findings(zones, mown, mower)
    return StepResult({"schedule": rows}, findings)


def _mowing_hours(
    zones: Sequence[Row], accesses: Mapping[str, ZoneAccess], mower: MowerProfile, growth: Growth
) -> list[float]:
    """Return the hours of mowing a week of each zone: more often where the grass asks for it, with edge and ways."""
    run_share = mower.run_minutes / (mower.run_minutes + mower.charge_minutes)
    often = max(1.0, growth.mowings.max() / mower.mowings_week)
    mowing = np.array([float(zone["hours_week"]) for zone in zones]) * run_share * often
    edges = edge_pass_hours([float(zone["perimeter_m"]) for zone in zones], speed_mps=mower.speed_mps)
    departures = np.ceil(mowing * 60 / mower.run_minutes)
    access_m = [accesses[str(zone["zone_id"])].access_m for zone in zones]
    # A way to the zone and back uses the battery like mowing does.
    return list(map(float, mowing + edges + transit_hours(access_m, speed_mps=mower.speed_mps, departures=departures)))


def _groups(zones: Sequence[Row], *, own_mowers: bool) -> list[list[int]]:
    """Return the zones of each mower, by index."""
    if not own_mowers:
        return [list(range(len(zones)))]
    own = [index for index, zone in enumerate(zones) if zone["role"] == "detached" and zone["supply"] == "own_dock"]
    rest = [index for index in range(len(zones)) if index not in own]
    by_loop: dict[str, list[int]] = {}
    for index in own:
        by_loop.setdefault(zones[index]["loop_id"], []).append(index)
    return [group for group in (rest, *by_loop.values()) if group]


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


def _fits(
    site: Site, plan: Plan, zones: Sequence[Row], parameters: ScheduleParameters, hours: WeekHours, growth: Growth
) -> list[Fit]:
    loops: dict[str, float] = {}
    for zone in zones:
        loops[str(zone["loop_id"])] = loops.get(str(zone["loop_id"]), 0.0) + float(zone["perimeter_m"])
    names = {zone["zone_id"] for zone in zones}
    used = [
        link for link in plan.rows("links") if link["kind"] == "transit" and {link["zone_a"], link["zone_b"]} <= names
    ]
    demand = ParcelDemand(
        site.parcel_id,
        tuple(
            ZoneDemand(
                float(zone["area_m2"]),
                float(zone["perimeter_m"]),
                float(zone["slope_p50_percent"] or 0.0),
                float(zone["slope_p95_percent"] or 0.0),
            )
            for zone in zones
        ),
        min((float(link["width_m"]) for link in used), default=float("inf")),
        max(loops.values()),
    )
    return mower_fits([demand], _offers(parameters, growth), wanted=hours.wanted, permitted=hours.permitted)


def _offers(parameters: ScheduleParameters, growth: Growth) -> list[MowerOffer]:
    prices: list[float | None] = [*parameters.compare_prices, *[None] * len(parameters.compare)]
    offers = []
    for name, price in zip(parameters.compare, prices, strict=False):
        profile = profile_from(name)
        offers.append(
            MowerOffer(
                profile.title,
                profile.cutting_width_m,
                profile.speed_mps,
                profile.run_minutes,
                profile.charge_minutes,
                profile.coverage_share,
                max(profile.mowings_week, float(growth.mowings.max())),
                profile.slope_limit_percent,
                profile.passage_transit_min_m,
                profile.loop_length_max_m,
                price,
            )
        )
    return offers


def _hours_finding(hours: WeekHours) -> Finding:
    if not permitted_hours_week(hours.permitted):
        return Finding("caution", "no-permitted-hours", {"rules": hours.title})
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
    most = float(growth.mowings.max())
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


def _verdict_findings(
    zones: Sequence[Row], said: Verdict, mower: MowerProfile, hours: WeekHours, fits: Sequence[Fit]
) -> list[Finding]:
    values = {
        "zone_ids": [str(zone["zone_id"]) for zone in zones],
        "planned_h": sum(session.mowing_h for session in said.week.sessions),
        "missing_h": said.missing_h,
        "area_m2": sum(float(zone["area_m2"]) for zone in zones),
        "largest_m2": _largest_m2(zones, mower, hours),
        "compared": [("compared", {"fits": [_fit_part(fit) for fit in fits]})] if fits else [],
    }
    severity, code = {
        "keeps_up": ("info", "keeps-up"),
        "longest_hours": ("caution", "longest-hours"),
        "cannot": ("caution", "hours-missing"),
    }[said.word]
    return [Finding(severity, code, values)]


def _largest_m2(zones: Sequence[Row], mower: MowerProfile, hours: WeekHours) -> float:
    """Return the largest level lawn of such shape that the mower keeps up with in the longest hours [m²]."""
    area, edge = (sum(float(zone[name]) for zone in zones) for name in ("area_m2", "perimeter_m"))
    turning = float(turning_share(area, edge, speed_mps=mower.speed_mps))
    return largest_area_m2(
        permitted_hours_week(hours.permitted),
        rate_m2_h=area_rate_m2_h(mower.cutting_width_m, mower.speed_mps, turning_share=turning),
        run_minutes=mower.run_minutes,
        charge_minutes=mower.charge_minutes,
        mowings_week=mower.mowings_week,
        share=mower.coverage_share,
    )


def _fit_part(fit: Fit) -> Said:
    return "mower-fit", {
        "case": "lacks" if fit.lacks else fit.word,
        "mower": fit.mower,
        "mowing_h": fit.mowing_h,
        "lacks": list(fit.lacks),
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
    reads=("zones", "links", "dock_candidates"),
    writes=("schedule",),
    compute=schedule,
    parameters=ScheduleParameters,
)
