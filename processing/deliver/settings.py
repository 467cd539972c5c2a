"""The settings sheet: what the owner types into the mower, and what the mower doesn't do."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from itertools import groupby
from math import ceil, floor, log10

from lawngis.mowing.growth import one_third_heights_mm

from ..model.plan import Row
from .formats import METRES_PER_FOOT, Formats
from .paper import Paper
from .reading import ParcelPlan
from .texts import worded

TALL_STEPS = 3
"""So many cuts before the height of the cut is reached are told; taller grass is mown with another machine first."""

EDGE_PASS = (
    "Once a week in each zone, on the day above, and not on each run: the edge is always mown along the same track, "
    "which wears the grass there, and it takes energy that the lawn needs. Leave it out for a week or two where the "
    "track shows or the ground is wet. Common practice, no source."
)
FIRST_WEEKS = (
    "No cut takes more than a third of what stands (one-third rule, a custom of turf care). Set the next height once "
    "the whole lawn has been mown at the one before, a week or so; grass taller than the last line is cut with another "
    "machine first, in the same steps."
)
SET_OUT = (
    "The entry is the dock, or where the mower comes into the zone; lengths are along the wire from there, against the "
    "clock."
)


def settings_sheet(plan: ParcelPlan, formats: Formats, written_at: datetime) -> bytes:
    """Return the settings sheet of a parcel as PDF, one page where that holds it.

    Area of each zone as it is typed in, the week, the edge pass, heights of the first cuts, set-out places, quiet
    hours, and what is mown by hand.

    Parameters
    ----------
    plan
        The parcel; it must have zones.
    formats
        How figures are written.
    written_at
        Time to be noted in the file.
    """
    paper = Paper(plan, "Settings sheet", formats, written_at)
    paper.add_page()
    paper.head("What to enter once the wire lies and the mower has found its way home.")
    _zones(paper, plan, formats)
    _week(paper, plan, formats)
    paper.heading("Edge pass")
    paper.say(EDGE_PASS if plan.select("schedule", edge_pass=True) else "None is planned.", 8.5)
    _first_weeks(paper, plan, formats)
    _set_out(paper, plan, formats)
    _quiet_hours(paper, plan, formats)
    _by_hand(paper, plan, formats)
    paper.standing_parts()
    return bytes(paper.output())


def typed_area(area_m2: float, formats: Formats) -> str:
    """Return an area as somebody types it in: two figures, rounded up, as a mower that is told less mows too little.

    Ours, no source.

    Examples
    --------
    >>> typed_area(353.2, Formats()), typed_area(353.2, Formats("en_US", "feet")), typed_area(7.2, Formats())
    ('360 m²', '3,900 sq ft', '8 m²')
    """
    area = area_m2 if formats.metric else area_m2 / METRES_PER_FOOT**2
    step = max(1, 10 ** (floor(log10(max(area, 1.0))) - 1))
    return f"{formats.number(step * ceil(area / step - 1e-9))} {'m²' if formats.metric else 'sq ft'}"


def _zones(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    paper.heading("Area")
    zones = sorted(plan.rows["zones"], key=_mower_of)
    rows = []
    for number, group in groupby(zones, key=_mower_of):
        own = list(group)
        rows += [[f"{number}", *_zone_cells(zone, formats)] for zone in own]
        if len(own) > 1:
            area_m2 = sum(zone["area_m2"] for zone in own)
            hours = sum(zone["hours_week"] or 0.0 for zone in own)
            whole = ["all of it", "", typed_area(area_m2, formats), formats.area(area_m2), formats.number(hours, 1)]
            rows.append([f"{number}", *whole])
    paper.rows(
        ["Mower", "Zone", "Part", "Enter", "Planned", "Hours a week, charging too"],
        rows,
        (14, 40, 26, 28, 28, 44),
        "LLLRRR",
    )
    for row in _found(plan, "mower-carried"):
        paper.say(_sentence(row["text"], formats), 8)


def _mower_of(zone: Row) -> int:
    return int(zone.get("mower_no") or 1)


def _zone_cells(zone: Row, formats: Formats) -> list[str]:
    area_m2, hours = zone["area_m2"], formats.number(zone["hours_week"], 1)
    return [zone["zone_id"], worded(zone["role"]), typed_area(area_m2, formats), formats.area(area_m2), hours]


def _week(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    paper.heading("Days and hours")
    if not plan.rows["schedule"]:
        paper.say("The plan has no hours: it is not known when a mower may work.", 8.5)
        return
    alike: dict[tuple[str, ...], list[Row]] = {}
    for row in plan.rows["schedule"]:
        alike.setdefault((row["zone_id"], row["start_time"], row["end_time"]), []).append(row)
    rows = [
        [
            zone_id,
            ", ".join(row["weekday"] for row in runs),
            start,
            end,
            f"{formats.number(sum(row['mowing_h'] for row in runs), 1)} h",
            ", ".join(row["weekday"] for row in runs if row["edge_pass"]) or "–",
        ]
        for (zone_id, start, end), runs in alike.items()
    ]
    paper.rows(
        ["Zone", "Days", "From", "To", "Mowing a week", "Edge mown on"], rows, (28, 72, 14, 14, 26, 28), "LLRRRL"
    )


def _first_weeks(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    paper.heading("Cutting height in the first weeks")
    told = [json.loads(row["values"] or "{}") for row in _found(plan, "growth")]
    if told:
        grid_mm = 1.0 if formats.metric else 1000 * METRES_PER_FOOT / 12 / 8
        levels_mm = one_third_heights_mm(float(told[0]["cut_height_mm"]), steps=TALL_STEPS, grid_mm=grid_mm)
        levels = [_height(level_mm, formats) for level_mm in levels_mm]
        rows = [[f"up to {levels[steps]}", ", then ".join(levels[:steps][::-1])] for steps in range(1, len(levels))]
        paper.rows(["Where the grass stands", "Set one after another"], rows, (50, 130), "LL")
        paper.ln(1)
    paper.say(FIRST_WEEKS, 8.5)


def _height(height_mm: float, formats: Formats) -> str:
    return f"{formats.number(height_mm)} mm" if formats.metric else formats.length(height_mm / 1000, 2)


def _set_out(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    paper.heading("Set-out places")
    starts = {row["zone_id"]: row.get("sets_out") for row in plan.rows["schedule"]}
    rows = [[zone_id, formats.prose(words)] for zone_id, words in starts.items() if words]
    if not rows:
        paper.say("None is planned: the mower sets out as it comes.", 8.5)
        return
    paper.rows(["Zone", "Share of the departures, and where"], rows, (40, 140), "LL")
    paper.ln(1)
    paper.say(SET_OUT, 8)
    _thin_places(paper, plan, formats, "start")


def _quiet_hours(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    paper.heading("Quiet hours")
    found = [*_found(plan, "quiet-hours"), *_found(plan, "no-permitted-hours")]
    for row in found:
        paper.say(f"{_sentence(row['text'], formats)} {formats.prose(row['advice'])}", 8.5)
    if not found:
        paper.say("The plan names none: ask which local rules hold before the mower runs.", 8.5)


def _by_hand(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    paper.heading("Mown by hand")
    rows = list(_left_over(plan, formats))
    if rows:
        paper.rows(["Place", "Why", "Area"], rows, (50, 100, 30), "LLR")
    else:
        paper.say("No ground is left over.", 8.5)
    _thin_places(paper, plan, formats, "hand")


def _thin_places(paper: Paper, plan: ParcelPlan, formats: Formats, mended_by: str) -> None:
    """Write which places stay thin that are mended from the wire beside them, or by hand."""
    for row in _found(plan, "thin-place"):
        if json.loads(row["values"] or "{}").get("case") == mended_by:
            paper.say(f"{_sentence(row['text'], formats)} {formats.prose(row['advice'])}", 8)


def _found(plan: ParcelPlan, code: str) -> list[Row]:
    """Return the findings of a code, those that hold for all parcels too."""
    return [row for row in (*plan.of_run, *plan.rows["findings"]) if row["code"] == code]


def _sentence(text: str, formats: Formats) -> str:
    return f"{text[:1].upper()}{formats.prose(text)[1:]}."


def _left_over(plan: ParcelPlan, formats: Formats) -> Iterator[list[str]]:
    for row in plan.rows["hand_mow"]:
        yield [row["area_id"], worded(row["reason"]), formats.area(row["area_m2"])]
    mown = {row["zone_id"] for row in plan.rows["schedule"]}
    for zone in plan.rows["zones"]:
        if zone["zone_id"] not in mown:
            yield [zone["zone_id"], "no hours in the week", formats.area(zone["area_m2"])]
