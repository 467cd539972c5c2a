"""A weekly plan for one mower: which zone on which day at what time, within the permitted hours.

All times are whole minutes inside, so that sessions neither overlap nor leave a permitted window by a rounding.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import accumulate, combinations, pairwise
from math import ceil, floor
from typing import Literal

from lawngis.errors import ParameterError

DAYS_WEEK = 7
MINUTES_DAY = 24 * 60
SHORTEST_SESSION_MINUTES = 10
"""A shorter session isn't worth the way; common practice, no source."""

Windows = Mapping[int, Sequence[tuple[float, float]]]
"""Permitted hours per weekday (0: Monday), as (start, end) in decimal hours of the day."""


@dataclass(frozen=True, order=True)
class Session:
    """The mower at work in one zone: runs, with the charging pauses between them.

    Parameters
    ----------
    weekday
        0 (Monday) to 6.
    start_h, end_h
        Decimal hours of that day [h]; end - start = mowing + charging.
    zone
        Index of the zone.
    mowing_h, charging_h
        Mowing, and charging between runs [h]. The charge after the last run is not part of the session: it makes no
        noise and may fall into quiet hours; the plan leaves time for a full one before the next session.
    edge_pass
        Whether the edge is mown in this session as well.
    """

    weekday: int
    start_h: float
    end_h: float
    zone: int
    mowing_h: float
    charging_h: float
    edge_pass: bool


@dataclass(frozen=True)
class WeeklyPlan:
    """Sessions in the order of the week, and the hours of mowing per zone that found no room [h]."""

    sessions: tuple[Session, ...]
    missing_h: tuple[float, ...]

    @property
    def fits(self) -> bool:
        """Whether every zone gets its hours."""
        return not any(self.missing_h)


@dataclass
class _Room:
    """A permitted window from its first minute still free; minutes of its weekday."""

    weekday: int
    cursor: int
    end: int
    run: int
    charge: int

    def mowing(self) -> int:
        """Return the minutes of mowing that still fit."""
        free = max(0, self.end - self.cursor)
        cycles, rest = divmod(free, self.run + self.charge)
        return cycles * self.run + min(rest, self.run)

    def take(self, zone: int, minutes: int) -> Session:
        """Return a session of so many minutes of mowing, and move on past its recharge."""
        charging = (ceil(minutes / self.run) - 1) * self.charge
        start, end = self.cursor, self.cursor + minutes + charging
        self.cursor = end + self.charge
        return Session(self.weekday, start / 60, end / 60, zone, minutes / 60, charging / 60, edge_pass=False)


def weekly_plan(
    hours_week: Sequence[float],
    *,
    windows: Windows,
    run_minutes: float,
    charge_minutes: float,
    sessions_week: int = 3,
    edge_pass: bool = True,
) -> WeeklyPlan:
    """Return a weekly plan in which each zone's hours are spread over the permitted days.

    Each zone gets up to `sessions_week` sessions on days as far apart and as empty as can be; what does not fit there
    goes wherever there is room; what fits nowhere is reported as missing.

    Parameters
    ----------
    hours_week
        Mowing hours a week per zone, without charging [h].
    windows
        Permitted hours per weekday; a day without an entry is not permitted.
    run_minutes, charge_minutes
        Mowing on one charge, and charging after it [minutes]; taken as whole minutes on the safe side.
    sessions_week
        Sessions a week wanted per zone; a zone that needs less than one run each gets fewer.
    edge_pass
        Whether the first session of each zone mows the edge as well, once a week.

    Returns
    -------
    WeeklyPlan
        Planned minutes are rounded up, so a zone gets up to a minute more than it needs.

    Raises
    ------
    ParameterError
        When hours are negative or not finite, or a window is not within a day.
    """
    run, charge = floor(run_minutes), ceil(charge_minutes)
    if run < 1 or charge < 0 or sessions_week < 1:
        raise ParameterError(
            f"no weekly plan for runs of {run_minutes} min, charges of {charge_minutes} min, {sessions_week} sessions"
        )
    if not all(0 <= hours < float("inf") for hours in hours_week):
        raise ParameterError(f"mowing hours a week must be finite and not negative, not {list(hours_week)}")
    wanted = [ceil(hours * 60 - 1e-6) for hours in hours_week]
    merged = _merged_minutes(windows)
    # Sessions of even length first. Cut runs waste room, so where hours are short, whole runs, then whole windows.
    plans = (
        _plan(wanted, _rooms(merged, run, charge), sessions_week=sessions_week, edge_pass=edge_pass, unit=unit)
        for unit in (1, run, DAYS_WEEK * MINUTES_DAY)
    )
    best = next(plans)
    for other in plans if not best.fits else ():
        best = min(best, other, key=lambda plan: sum(plan.missing_h))
    return best


@dataclass(frozen=True)
class Verdict:
    """Whether one mower keeps up with what grows.

    Parameters
    ----------
    word
        `keeps_up` (in the hours wanted), `longest_hours` (only when it uses all that is permitted) or `cannot`.
    week
        The plan: in the hours wanted if it fits, else in the longest.
    """

    word: Literal["keeps_up", "longest_hours", "cannot"]
    week: WeeklyPlan

    @property
    def missing_h(self) -> float:
        """Hours of mowing a week that find no room [h]."""
        return sum(self.week.missing_h)


def verdict(
    hours_week: Sequence[float], *, wanted: Windows, permitted: Windows, run_minutes: float, charge_minutes: float
) -> Verdict:
    """Return whether one mower keeps up, and the weekly plan that says so.

    Parameters
    ----------
    hours_week
        Mowing hours a week per zone, without charging [h].
    wanted
        Hours in which the mower disturbs least; those that are not permitted don't count.
    permitted
        All hours in which it may run.
    run_minutes, charge_minutes
        As for :func:`weekly_plan`.
    """
    inside = {
        day: [(max(a, c), min(b, d)) for a, b in spans for c, d in permitted.get(day, ()) if max(a, c) < min(b, d)]
        for day, spans in wanted.items()
    }
    first = weekly_plan(hours_week, windows=inside, run_minutes=run_minutes, charge_minutes=charge_minutes)
    if first.fits:
        return Verdict("keeps_up", first)
    longest = weekly_plan(hours_week, windows=permitted, run_minutes=run_minutes, charge_minutes=charge_minutes)
    if not longest.fits:
        longest = _evenly_short(hours_week, longest, permitted, run_minutes, charge_minutes)
    return Verdict("longest_hours" if longest.fits else "cannot", longest)


def _evenly_short(
    hours_week: Sequence[float], short: WeeklyPlan, windows: Windows, run_minutes: float, charge_minutes: float
) -> WeeklyPlan:
    """Return a plan that aims at the same share of lacking hours in every zone, unless that costs hours.

    Days hold whole sessions: a small zone may still be left out beside a very large one.
    """
    total = sum(hours_week)
    share = max(0.0, 1 - sum(short.missing_h) / total)
    even = weekly_plan(
        [hours * share for hours in hours_week], windows=windows, run_minutes=run_minutes, charge_minutes=charge_minutes
    )
    placed = [sum(s.mowing_h for s in even.sessions if s.zone == zone) for zone in range(len(hours_week))]
    missing = tuple(max(0.0, hours - held) for hours, held in zip(hours_week, placed, strict=True))
    return WeeklyPlan(even.sessions, missing) if sum(missing) <= sum(short.missing_h) + 0.05 * total else short


def shared_week(
    parcels: Sequence[Sequence[float]], *, windows: Windows, run_minutes: float, charge_minutes: float
) -> tuple[WeeklyPlan, ...] | None:
    """Return one week in which one mower serves several parcels, carried from one to the next between days.

    Parameters
    ----------
    parcels
        Mowing hours a week of the zones of each parcel, without charging [h].
    windows
        Permitted hours per weekday.
    run_minutes, charge_minutes
        As for :func:`weekly_plan`.

    Returns
    -------
    tuple of WeeklyPlan or None
        A plan for each parcel, on days of its own as far apart as can be; None when the days do not suffice.

    Notes
    -----
    The parcel that needs the most days chooses first; a later one may then find no room where another sharing had
    left some. Days before quiet ones are told apart only by the hours that they hold.
    """
    left = sorted(day for day in windows if permitted_hours_week({day: windows[day]}) > 0)
    battery = (run_minutes, charge_minutes)
    first = [
        days_needed(hours, windows=windows, run_minutes=run_minutes, charge_minutes=charge_minutes) for hours in parcels
    ]
    weeks: dict[int, WeeklyPlan] = {}
    for parcel in sorted(range(len(parcels)), key=lambda index: -(first[index] or 0)):
        if first[parcel] is None:
            return None
        found = _on_fewest_days(parcels[parcel], left, windows, battery)
        if found is None:
            return None
        days, weeks[parcel] = found
        left = [day for day in left if day not in days]
    return tuple(weeks[parcel] for parcel in range(len(parcels)))


def days_needed(
    hours_week: Sequence[float], *, windows: Windows, run_minutes: float, charge_minutes: float
) -> int | None:
    """Return on how few days of the week all hours find room; None when not even on all."""
    days = sorted(day for day in windows if permitted_hours_week({day: windows[day]}) > 0)
    found = _on_fewest_days(hours_week, days, windows, (run_minutes, charge_minutes))
    return None if found is None else len(found[0])


def _on_fewest_days(
    hours: Sequence[float], days: Sequence[int], windows: Windows, battery: tuple[float, float]
) -> tuple[tuple[int, ...], WeeklyPlan] | None:
    for count in range(_fewest_days(hours, days, windows, battery), len(days) + 1):
        for chosen in sorted(combinations(days, count), key=_least_gap, reverse=True):
            open_days = {day: windows[day] for day in chosen}
            week = weekly_plan(hours, windows=open_days, run_minutes=battery[0], charge_minutes=battery[1])
            if week.fits:
                return chosen, week
    return None


def _fewest_days(hours: Sequence[float], days: Sequence[int], windows: Windows, battery: tuple[float, float]) -> int:
    """Return a number of days below which the hours can't fit, even if all were one zone's."""
    run, charge = floor(battery[0]), ceil(battery[1])
    if run < 1 or charge < 0:
        return 0
    held = [
        sum(_Room(day, start, end, run, charge).mowing() for start, end in _merged_minutes({day: windows[day]}))
        for day in days
    ]
    wanted = sum(hours) * 60 - len(hours) * 1e-6
    together = accumulate(sorted(held, reverse=True), initial=0)
    return next((count for count, minutes in enumerate(together) if minutes >= wanted), len(days) + 1)


@cache
def _least_gap(days: tuple[int, ...]) -> int:
    return min(
        ((later - earlier) % DAYS_WEEK or DAYS_WEEK for earlier, later in pairwise([*days, *days[:1]])),
        default=DAYS_WEEK,
    )


def permitted_hours_week(windows: Windows) -> float:
    """Return the permitted hours of a week, overlapping windows counted once [h]."""
    return sum(end - start for start, end in _merged_minutes(windows)) / 60


def _plan(wanted: list[int], rooms: list[_Room], *, sessions_week: int, edge_pass: bool, unit: int) -> WeeklyPlan:
    """Return the plan for minutes wanted per zone, with sessions of a multiple of `unit` minutes."""
    sessions: list[Session] = []
    missing = [0.0] * len(wanted)
    # The largest zone first: it is the hardest to fit.
    for zone in sorted(range(len(wanted)), key=lambda index: -wanted[index]):
        own = _zone_sessions(zone, wanted[zone], rooms, sessions_week=sessions_week, unit=unit)
        sessions += (replace(s, edge_pass=edge_pass and s is own[0]) for s in own)
        missing[zone] = (wanted[zone] - sum(round(s.mowing_h * 60) for s in own)) / 60
    return WeeklyPlan(tuple(sorted(sessions)), tuple(missing))


def _zone_sessions(zone: int, wanted: int, rooms: list[_Room], *, sessions_week: int, unit: int) -> list[Session]:
    if wanted == 0 or not rooms:
        return []
    by_day = {day: [room for room in rooms if room.weekday == day] for day in sorted({r.weekday for r in rooms})}
    count = max(1, min(sessions_week, len(by_day), ceil(wanted / rooms[0].run)))
    target = ceil(ceil(wanted / count) / unit) * unit
    sessions: list[Session] = []
    for day in _spread_days(by_day, count, target):
        if wanted > 0 and (room := _fitting_room(by_day[day], min(target, wanted))):
            sessions.append(room.take(zone, min(room.mowing(), target, wanted)))
            wanted -= round(sessions[-1].mowing_h * 60)
    while wanted > 0 and (room := _fitting_room(rooms, wanted)):
        sessions.append(room.take(zone, min(room.mowing(), wanted)))
        wanted -= round(sessions[-1].mowing_h * 60)
    return sessions


def _spread_days(by_day: Mapping[int, list[_Room]], count: int, minutes: int) -> tuple[int, ...]:
    """Return the days that hold the most of the sessions, then lie furthest apart, then are emptiest."""
    free = {day: sum(room.mowing() for room in rooms) for day, rooms in by_day.items()}
    held = {day: min(minutes, max(room.mowing() for room in rooms)) for day, rooms in by_day.items()}

    def worth(days: tuple[int, ...]) -> tuple[int, int, int]:
        return sum(held[day] for day in days), _least_gap(days), sum(free[day] for day in days)

    return max(combinations(by_day, count), key=worth)


def _fitting_room(rooms: list[_Room], minutes: int) -> _Room | None:
    """Return the first room that holds so many minutes, else the one that holds most; None when none is worth it."""
    open_rooms = [room for room in rooms if room.mowing() >= min(SHORTEST_SESSION_MINUTES, minutes)]
    fitting = (room for room in open_rooms if room.mowing() >= minutes)
    return next(fitting, max(open_rooms, key=_Room.mowing, default=None))


def _rooms(merged: list[tuple[int, int]], run: int, charge: int) -> list[_Room]:
    """Return the windows of the week, each ending early enough to recharge before the next one opens."""
    following = [start for start, _ in merged[1:]] + [start + DAYS_WEEK * MINUTES_DAY for start, _ in merged[:1]]
    rooms = []
    for (start, end), after in zip(merged, following, strict=True):
        weekday, first = divmod(start, MINUTES_DAY)
        last = min(end, after - charge) - weekday * MINUTES_DAY
        rooms.append(_Room(weekday, first, last, run, charge))
    return rooms


def _merged_minutes(windows: Windows) -> list[tuple[int, int]]:
    """Return the windows in minutes of the week, sorted, with those that touch on one day made one."""
    merged: list[tuple[int, int]] = []
    for weekday in sorted(windows):
        if weekday not in range(DAYS_WEEK):
            raise ParameterError(f"weekday {weekday} is not from 0 (Monday) to 6")
        midnight = weekday * MINUTES_DAY
        for start_h, end_h in sorted(windows[weekday]):
            if not 0 <= start_h <= end_h <= 24:
                raise ParameterError(
                    f"permitted hours from {start_h} to {end_h} do not lie within a day",
                    advice="Give hours over midnight as two windows.",
                )
            start, end = midnight + ceil(start_h * 60 - 1e-6), midnight + floor(end_h * 60 + 1e-6)
            if merged and midnight <= merged[-1][0] and start <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(merged[-1][1], end))
            elif end > start:
                merged.append((start, end))
    return merged
