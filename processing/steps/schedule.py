"""Step `schedule`: a weekly plan that fits the permitted hours."""

from __future__ import annotations

from typing import Any

from pydantic import Field, field_validator

from lawngis.mower import MowerProfile
from lawngis.mowing.week import Session, weekly_plan

from ..layers import WEEKDAYS
from ..plans import Finding, Plan, Row, StepResult
from ..sites import Site
from ..step import Parameters, Step


class ScheduleParameters(Parameters):
    """When the mower may work."""

    start_h: float = Field(default=9.0, ge=0, le=24, description="begin of the permitted hours, decimal hour")
    end_h: float = Field(default=19.0, ge=0, le=24, description="end of the permitted hours, decimal hour")
    weekdays: tuple[int, ...] = Field(
        default=(0, 1, 2, 3, 4, 5), description="permitted days, 0 Monday to 6 Sunday; local quiet hours decide"
    )

    @field_validator("weekdays", mode="before")
    @classmethod
    def _from_text(cls, value: Any) -> Any:
        return tuple(value.split(",")) if isinstance(value, str) else value

    @field_validator("weekdays")
    @classmethod
    def _known_days(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if any(not 0 <= day <= 6 for day in value):
            raise ValueError("days go from 0 (Monday) to 6 (Sunday)")
        return tuple(sorted(set(value)))


def schedule(site: Site, plan: Plan, mower: MowerProfile, parameters: ScheduleParameters) -> StepResult:
    """Return the sessions of a week; zones with a mower or dock of their own don't wait for the others."""
    del site
    windows = {day: [(parameters.start_h, parameters.end_h)] for day in parameters.weekdays}
    if parameters.end_h <= parameters.start_h:
        windows = {}
    zones = plan.rows("zones")
    share = mower.run_minutes / (mower.run_minutes + mower.charge_minutes)
    result = weekly_plan(
        [zone["hours_week"] * share for zone in zones],
        windows=windows,
        run_minutes=mower.run_minutes,
        charge_minutes=mower.charge_minutes,
    )
    rows = [_row(zones[session.zone]["zone_id"], session) for session in result.sessions]
    findings = []
    missing = sum(result.missing_h)
    if missing > 0:
        text = f"the permitted hours are short of {missing:.1f} hours of mowing a week"
        findings.append(Finding("caution", "hours-missing", text, "Allow longer hours, or take a larger mower."))
    if zones:
        findings.append(
            Finding(
                "info",
                "quiet-hours",
                f"the weekly plan keeps to {_clock(parameters.start_h)} to {_clock(parameters.end_h)} on "
                f"{len(parameters.weekdays)} days a week",
                "Local quiet hours decide; keep children, pets and guests off the lawn while a mower runs.",
            )
        )
    return StepResult({"schedule": rows}, findings)


def _row(zone_id: str, session: Session) -> Row:
    return {
        "zone_id": zone_id,
        "weekday": WEEKDAYS[session.weekday],
        "start_time": _clock(session.start_h),
        "end_time": _clock(session.end_h),
        "mowing_h": session.mowing_h,
        "charging_h": session.charging_h,
        "edge_pass": session.edge_pass,
    }


def _clock(hours: float) -> str:
    minutes = round(hours * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


STEP = Step(
    id="schedule",
    title="Weekly plan",
    description="Spreads each zone's hours over the permitted days, charging pauses included; says what doesn't fit.",
    reads=("zones",),
    writes=("schedule",),
    compute=schedule,
    parameters=ScheduleParameters,
)
