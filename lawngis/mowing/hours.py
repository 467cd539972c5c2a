"""Hours of the week: when a mower may work, when sprinklers run, and what is left."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache
from importlib import resources
from itertools import pairwise
from pathlib import Path

from lawngis.errors import ParameterError
from lawngis.mowing.week import DAYS_WEEK, Windows
from lawngis.toml_table import toml_table

DAY_NAMES = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

EXAMPLE = "quiet_hours_example.toml"

_CLOCK = re.compile(r"(\d{1,2}):(\d{2})-(\d{1,2}):(\d{2})")


@dataclass(frozen=True)
class QuietHours:
    """A week's permitted hours with where they come from.

    Parameters
    ----------
    title, source
        In words; the source is a law, by-law or lease.
    permitted
        Hours by weekday in which a mower may run.
    sprinklers
        Hours by weekday in which sprinklers run.
    """

    title: str
    source: str
    permitted: Windows
    sprinklers: Windows = field(default_factory=dict)


def quiet_hours_from(file: str | None = None) -> QuietHours:
    """Return the permitted hours in a TOML file, or the example that comes with lawngis.

    Parameters
    ----------
    file
        Path of a TOML file with `title`, `source`, a table `permitted` and, if need be, a table `sprinklers`; both
        tables hold a list of times like "07:00-20:00" by day.

    Raises
    ------
    ParameterError
        When the file can't be read, or a key, day or time is not understood.
    """
    source = file or EXAMPLE
    try:
        text = Path(file).read_text(encoding="utf-8") if file else _example_text()
    except (OSError, UnicodeDecodeError) as error:
        raise ParameterError(f"the quiet hours can't be read ({error})", where=source) from error
    hours = _quiet_hours(text, source)
    return replace(hours, permitted=_copied(hours.permitted), sprinklers=_copied(hours.sprinklers))


@cache
def _example_text() -> str:
    return resources.files("lawngis.mowing").joinpath(EXAMPLE).read_text(encoding="utf-8")


@lru_cache(maxsize=16)
def _quiet_hours(text: str, source: str) -> QuietHours:
    """Return the hours in a text, the same each time: callers get copies of its windows."""
    try:
        table = toml_table(text)
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(f"the quiet hours can't be read ({error})", where=source) from error
    unknown = set(table) - {"title", "source", "permitted", "sprinklers"}
    if unknown or "permitted" not in table:
        what = f"unknown key {sorted(unknown)[0]}" if unknown else "the table permitted is missing"
        raise ParameterError(what, where=source, advice="Keys are title, source, permitted and sprinklers.")
    try:
        permitted, sprinklers = (_windows_in(table.get(name, {})) for name in ("permitted", "sprinklers"))
    except ParameterError as error:
        raise error.within(source) from error
    return QuietHours(str(table.get("title", source)), str(table.get("source", "")), permitted, sprinklers)


def _copied(windows: Windows) -> Windows:
    return {day: list(spans) for day, spans in windows.items()}


def windows_from_text(text: str) -> Windows:
    """Return hours by weekday from text.

    Parameters
    ----------
    text
        Days and times, with semicolons between: ``Monday-Friday 07:00-12:00 14:00-19:00; Saturday 08:00-12:00``.
        Days may be cut to three letters; empty text is no hours.

    Raises
    ------
    ParameterError
        When a day or time is not understood.

    Examples
    --------
    >>> windows_from_text("Sat-Sun 05:30-06:00")
    {5: [(5.5, 6.0)], 6: [(5.5, 6.0)]}
    """
    found: dict[int, list[tuple[float, float]]] = {}
    for part in filter(None, (part.strip() for part in text.split(";"))):
        days, *times = part.split()
        for day in _days(days):
            found.setdefault(day, []).extend(_window(time) for time in times)
    return found


def common_windows(one: Windows, two: Windows) -> Windows:
    """Return the hours that lie in both, by weekday."""
    return _where(one, two, lambda in_one, in_two: in_one and in_two)


def windows_without(windows: Windows, taken: Windows) -> Windows:
    """Return the hours that are not taken, by weekday."""
    return _where(windows, taken, lambda in_one, in_two: in_one and not in_two)


def windows_longer(windows: Windows, hours: float) -> Windows:
    """Return hours by weekday that go on for so long after each window, over midnight into the next day.

    Raises
    ------
    ParameterError
        When the hours are not from 0 to 24.
    """
    if not 0 <= hours <= 24:
        raise ParameterError(f"hours to go on must be from 0 to 24, not {hours}")
    longer: dict[int, list[tuple[float, float]]] = {}
    for day, spans in windows.items():
        for start, end in spans:
            longer.setdefault(day, []).append((start, min(24.0, end + hours)))
            if end + hours > 24:
                longer.setdefault((day + 1) % DAYS_WEEK, []).append((0.0, end + hours - 24))
    return longer


def days_alike(windows: Windows) -> list[tuple[int, int, list[tuple[float, float]]]]:
    """Return hours by weekday, like days together: first and last day from 0 for Monday, and the spans of each.

    Examples
    --------
    >>> days_alike({0: [(9, 12)], 1: [(9, 12)], 5: [(10, 12.5)]})
    [(0, 1, [(9, 12)]), (5, 5, [(10, 12.5)])]
    """
    groups: list[tuple[int, int, list[tuple[float, float]]]] = []
    for day in [day for day in range(DAYS_WEEK) if windows.get(day)]:
        spans = list(windows[day])
        if groups and groups[-1][1:] == (day - 1, spans):
            groups[-1] = (groups[-1][0], day, spans)
        else:
            groups.append((day, day, spans))
    return groups


def clock(hours: float) -> str:
    """Return decimal hours of a day as HH:MM.

    Examples
    --------
    >>> clock(9.5)
    '09:30'
    """
    minutes = round(hours * 60)
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _where(one: Windows, two: Windows, rule: Callable[[bool, bool], bool]) -> Windows:
    """Return where a rule on being in one and in two holds; touching pieces are made one."""
    found: dict[int, list[tuple[float, float]]] = {}
    for day in sorted(one):
        cuts = sorted({time for spans in (one[day], two.get(day, ())) for span in spans for time in span})
        for start, end in pairwise(cuts):
            middle = (start + end) / 2
            if not rule(_holds(one[day], middle), _holds(two.get(day, ()), middle)):
                continue
            spans = found.setdefault(day, [])
            if spans and spans[-1][1] == start:
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
    return found


def _holds(spans: Iterable[tuple[float, float]], time: float) -> bool:
    return any(start <= time <= end for start, end in spans)


def _windows_in(table: object) -> Windows:
    if not isinstance(table, dict):
        raise ParameterError("hours are a table of times by day")
    found: dict[int, list[tuple[float, float]]] = {}
    for days, times in table.items():
        if not isinstance(times, list):
            raise ParameterError(f"{days} = {times!r} is not a list of times", advice='Write ["07:00-20:00"].')
        for day in _days(str(days)):
            found.setdefault(day, []).extend(_window(str(time)) for time in times)
    return found


def _days(text: str) -> list[int]:
    first, _, last = text.partition("-")
    start, end = _day(first), _day(last or first)
    return [(start + offset) % DAYS_WEEK for offset in range((end - start) % DAYS_WEEK + 1)]


def _day(text: str) -> int:
    found = [day for day, name in enumerate(DAY_NAMES) if len(text) >= 3 and name.lower().startswith(text.lower())]
    if not found:
        raise ParameterError(f"{text!r} is no day of the week", advice=f"Days are {', '.join(DAY_NAMES)}.")
    return found[0]


def _window(text: str) -> tuple[float, float]:
    match = _CLOCK.fullmatch(text.strip())
    numbers = [int(number) for number in match.groups()] if match else [99] * 4
    start, end = numbers[0] + numbers[1] / 60, numbers[2] + numbers[3] / 60
    if not (start < end <= 24 and numbers[1] < 60 and numbers[3] < 60):
        raise ParameterError(
            f"{text!r} is no time from one hour to a later one",
            advice="Write 07:00-20:00; give hours over midnight as two.",
        )
    return start, end
