"""Where to dig for a break in a wire whose record was kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS
from shapely import Point

from lawngis.errors import LayerError, ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, points_along
from lawngis.record.faults import (
    EndReading,
    FaultPlace,
    LaidLengths,
    RatioReading,
    distance_reading,
    fault_place,
    ratio_reading,
    refuse_unlike_whole,
    resistance_reading,
)
from lawngis.record.laid import unseen_across_sd_m

from ..files.plan_reader import PlanFile, plan_file
from ..model.plan import Row
from ..model.text import coordinates_text
from .layers import RECORD


@dataclass(frozen=True)
class FaultReadings:
    """What was measured from either end, and what turns ohms into metres.

    Parameters
    ----------
    from_start_m, from_end_m
        Wire up to the fault [m].
    start_ohm, end_ohm
        Resistance up to the fault, one way [ohm].
    leads_ohm
        Resistance of the meter's own leads, in both [ohm].
    temperature_c
        Temperature of the wire; None when nobody measured it [°C].
    section_mm2
        Section of the wire; that of the plan when None [mm²].
    """

    from_start_m: float | None = None
    from_end_m: float | None = None
    start_ohm: float | None = None
    end_ohm: float | None = None
    leads_ohm: float = 0.0
    temperature_c: float | None = None
    section_mm2: float | None = None


@dataclass(frozen=True)
class Fault:
    """A fault's place along its loop, and on the ground in a CRS.

    Parameters
    ----------
    loop_id
        The loop.
    place
        Place along the wire.
    point, crs
        Place on the ground, in the CRS of the record.
    across_sd_m
        Standard deviation of that across the wire [m].
    state
        What the record says of the wire there.
    """

    loop_id: str
    place: FaultPlace
    point: Point
    crs: CRS
    across_sd_m: float
    state: str


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
    found = plan_file(record, RECORD, needed=("as_laid_runs",))
    row = _loop_row(found, loop_id)
    runs = [run for run in found.rows("as_laid_runs") if run["loop_id"] == row["loop_id"]]
    runs.sort(key=lambda run: run["seq"])
    laid = LaidLengths(*(np.array([run[name] for run in runs], dtype=np.float64) for name in ("laid_m", "laid_sd_m")))
    of_parcel = {fact["key"]: fact["value"] for fact in found.rows("record", [row["parcel_id"]])}
    facts = found.facts | of_parcel
    slack = float(facts.get("plan profile.wire_slack_percent", "0")) / 100
    section = readings.section_mm2
    if section is None and (text := facts.get("plan profile.wire_section_mm2")):
        section = float(text)
    place = fault_place(_taken(readings, section, laid.total_m * (1 + slack)), laid, slack_share=slack)
    frame = MeasuringFrame.centred_on(row["geometry"], found.crs)
    run, share = _run_at(runs, laid, place.chainage_m)
    xy = shapely.get_coordinates(frame.to_frame([run["geometry"]])[0])
    along = chainage_m(xy)
    spot = Point(points_along(xy, along, share * along[-1:])[0])
    shift = float(np.hypot(row["shift_x_m"], row["shift_y_m"]))
    across = float(np.hypot(_across_sd_m(run, share, row["point_sd_m"]), shift / 2))
    point = frame.to_source(np.array([spot], dtype=object))[0]
    return Fault(str(row["loop_id"]), place, point, found.crs, across, str(run["state"]))


def fault_words(record: Path, loop_id: str | None, readings: FaultReadings) -> str:
    """Return where to dig, in words."""
    found = fault_point(record, loop_id, readings)
    low, high = found.place.chainage_m - 2 * found.place.sd_m, found.place.chainage_m + 2 * found.place.sd_m
    unsure = {"not_walked": ", as nobody walked there", "cannot_tell": ", if wire was laid there at all"}
    return (
        f"{found.loop_id}: dig at {found.place.chainage_m:.1f} m along the wire from its start, first between "
        f"{max(low, 0.0):.1f} and {high:.1f} m (95 %), at {coordinates_text(found.point.x, found.point.y, found.crs)}; "
        f"across the wire its place is known to {2 * found.across_sd_m:.2f} m{unsure.get(found.state, '')}"
    )


def _run_at(runs: Sequence[Row], laid: LaidLengths, at_m: float) -> tuple[Row, float]:
    """Return the run that a place along the wire is on, and where on it as a share.

    Where wire was left out the run shows the plan: the place is at the beginning of the next.
    """
    ends = np.cumsum(laid.length_m)
    row = min(int(np.searchsorted(ends, at_m)), len(runs) - 1)
    share = 1 - (ends[row] - at_m) / max(laid.length_m[row], 1e-9)
    if runs[row]["state"] == "left_out" and row + 1 < len(runs):
        return runs[row + 1], 0.0
    return runs[row], float(np.clip(share, 0.0, 1.0))


def _across_sd_m(run: Row, share: float, point_sd_m: float) -> float:
    """Return how well the wire is known across at a place of a run, wider the further nobody walked."""
    if run["state"] != "not_walked":
        return float(run["sd_m"])
    return unseen_across_sd_m(min(share, 1 - share) * float(run["laid_m"]), point_sd_m)


def _loop_row(record: PlanFile, loop_id: str | None) -> Row:
    rows = {str(row["loop_id"]): row for row in record.rows("as_laid")}
    where, names = str(record.path), ", ".join(rows) or "none"
    if loop_id is None and len(rows) != 1:
        raise ParameterError("say which loop with --loop", where=where, advice=f"There are {names}.")
    wanted = next(iter(rows)) if loop_id is None else loop_id
    if wanted not in rows:
        raise LayerError(f"there is no loop {wanted!r}", where=where, advice=f"There are {names}.")
    return rows[wanted]


def _taken(readings: FaultReadings, section_mm2: float | None, wire_m: float) -> list[EndReading | RatioReading]:
    """Return readings as the library takes them: two resistances as their ratio, which no wire or weather changes."""
    found: list[EndReading | RatioReading] = [
        distance_reading(metres, from_end=from_end)
        for metres, from_end in ((readings.from_start_m, False), (readings.from_end_m, True))
        if metres is not None
    ]
    start, end, leads, warm = readings.start_ohm, readings.end_ohm, readings.leads_ohm, readings.temperature_c
    if start is not None and end is not None:
        if section_mm2 is not None:
            refuse_unlike_whole(start, end, wire_m, section_mm2, temperature_c=warm, leads_ohm=leads)
        return [*found, ratio_reading(start, end, leads_ohm=leads)]
    for ohm, from_end in ((start, False), (end, True)):
        if ohm is not None:
            if section_mm2 is None:
                raise ParameterError("a resistance needs the wire's section", advice="Give --section.")
            found.append(resistance_reading(ohm, section_mm2, temperature_c=warm, leads_ohm=leads, from_end=from_end))
    return found
