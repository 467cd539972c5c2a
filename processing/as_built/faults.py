"""Where to dig for a break in a wire whose record was kept."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from shapely import Point

from lawngis.errors import LayerError, ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, points_along
from lawngis.record.faults import EndReading, FaultPlace, distance_reading, fault_place, resistance_reading

from ..files.plan_reader import PlanFile, plan_file
from ..model.plan import Row
from .layers import RECORD


@dataclass(frozen=True)
class FaultReadings:
    """What was measured: metres of wire or ohms from either end, and what turns ohms into metres."""

    from_start_m: float | None = None
    from_end_m: float | None = None
    start_ohm: float | None = None
    end_ohm: float | None = None
    temperature_c: float = 20.0
    section_mm2: float | None = None


@dataclass(frozen=True)
class Fault:
    """A fault's place along its loop, and on the ground in the CRS of the record."""

    loop_id: str
    place: FaultPlace
    point: Point
    across_sd_m: float


def fault_point(record: Path, loop_id: str | None, readings: FaultReadings) -> Fault:
    """Return where a fault is, by a ``record.gpkg`` or the folder that it is in.

    Raises
    ------
    PlanError
        When it is no record.
    LayerError
        When the record has no such loop.
    ParameterError
        When nothing was measured, or the readings can't be.
    """
    found = plan_file(record, RECORD)
    row = _loop_row(found, loop_id)
    section = readings.section_mm2
    if section is None and (text := found.facts.get("plan profile.wire_section_mm2")):
        section = float(text)
    slack = float(found.facts.get("plan profile.wire_slack_percent", "0")) / 100
    place = fault_place(_end_readings(readings, section), length_m=float(row["laid_m"]), slack_share=slack)
    frame = MeasuringFrame.centred_on(row["geometry"], found.crs)
    xy = shapely.get_coordinates(frame.to_frame([row["geometry"]])[0])
    along = chainage_m(xy)
    share = place.chainage_m / float(row["laid_m"])
    point = frame.to_source(np.array([Point(points_along(xy, along, np.array([share * along[-1]]))[0])], dtype=object))[
        0
    ]
    return Fault(str(row["loop_id"]), place, point, float(row["point_sd_m"]))


def fault_words(record: Path, loop_id: str | None, readings: FaultReadings) -> str:
    """Return where to dig, in words."""
    found = fault_point(record, loop_id, readings)
    low, high = found.place.chainage_m - 2 * found.place.sd_m, found.place.chainage_m + 2 * found.place.sd_m
    return (
        f"{found.loop_id}: dig at {found.place.chainage_m:.1f} m along the wire from its start, first between "
        f"{max(low, 0.0):.1f} and {high:.1f} m (95 %), at {found.point.x:.7g} {found.point.y:.7g}; "
        f"across the wire its place is known to {2 * found.across_sd_m:.2f} m"
    )


def _loop_row(record: PlanFile, loop_id: str | None) -> Row:
    rows = {str(row["loop_id"]): row for row in record.rows("as_laid")}
    where, names = str(record.path), ", ".join(rows) or "none"
    if loop_id is None and len(rows) != 1:
        raise ParameterError("say which loop with --loop", where=where, advice=f"There are {names}.")
    wanted = next(iter(rows)) if loop_id is None else loop_id
    if wanted not in rows:
        raise LayerError(f"there is no loop {wanted!r}", where=where, advice=f"There are {names}.")
    return rows[wanted]


def _end_readings(readings: FaultReadings, section_mm2: float | None) -> list[EndReading]:
    found = []
    for metres, from_end in ((readings.from_start_m, False), (readings.from_end_m, True)):
        if metres is not None:
            found.append(distance_reading(metres, from_end=from_end))
    for ohm, from_end in ((readings.start_ohm, False), (readings.end_ohm, True)):
        if ohm is not None:
            if section_mm2 is None:
                raise ParameterError("a resistance needs the wire's section", advice="Give --section.")
            found.append(resistance_reading(ohm, section_mm2, temperature_c=readings.temperature_c, from_end=from_end))
    return found
