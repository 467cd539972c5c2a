"""The weekly plan as iCalendar (RFC 5545): one event a week for each run of the mower."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from uuid import NAMESPACE_URL, uuid5

import icalendar

from lawngis import __version__

from ..model.layers import WEEKDAYS
from .reading import ParcelPlan, credit_lines
from .texts import CAUTIONS

_DAY_CODES = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")


def week_calendar(plan: ParcelPlan, first_day: date, written_at: datetime) -> bytes:
    """Return the weekly plan as a calendar whose events repeat every week.

    Times are local and float (RFC 5545, section 3.3.5, form 1): nine o'clock is nine o'clock in the garden, winter or
    summer, wherever the calendar is opened.

    Parameters
    ----------
    plan
        The parcel.
    first_day
        The first event of each kind falls on this day or in the six after it.
    written_at
        Time to be noted in the file.
    """
    calendar = icalendar.Calendar()
    calendar.add("prodid", f"-//lawngis//lawngis {__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"Mower {plan.title}")
    if credit := credit_lines(plan.run_info):
        calendar.add("x-wr-caldesc", "\n".join(credit))
    for row in plan.rows["schedule"]:
        day = first_day + timedelta(days=(WEEKDAYS.index(row["weekday"]) - first_day.weekday()) % 7)
        start, end = _clock(row["start_time"]), _clock(row["end_time"])
        event = icalendar.Event()
        name = f"{plan.parcel_id}/{row['zone_id']}/{row['weekday']}/{row['start_time']}"
        event.add("uid", f"{uuid5(NAMESPACE_URL, name)}@lawngis")
        event.add("dtstamp", written_at)
        event.add("dtstart", datetime.combine(day, start))
        event.add("dtend", datetime.combine(day + timedelta(days=int(end <= start)), end))
        event.add("rrule", {"freq": "weekly", "byday": _DAY_CODES[day.weekday()]})
        edge = " and along its edge" if row["edge_pass"] else ""
        event.add("summary", f"Mower in {row['zone_id']}{edge}")
        hours = f"{row['mowing_h']:.1f} h mowing, {row['charging_h']:.1f} h charging."
        event.add("description", f"{plan.title}\n{hours}\n{CAUTIONS[5]} {CAUTIONS[-1]}")
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _clock(text: str) -> time:
    hour, minute = (int(part) for part in text.split(":")[:2])
    return time(hour % 24, minute)
