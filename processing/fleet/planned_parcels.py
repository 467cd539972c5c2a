"""Parcels of a finished plan as a choice of mowers needs them: what each asks of a mower."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame
from lawngis.mowing.choice import ParcelDemand

from ..derived.coverage import zone_accesses
from ..derived.mower_demands import DEMAND_LAYERS, mower_demands
from ..derived.mowing_windows import WeekHours
from ..files.plan_reader import plan_file, rows_in_frame
from ..model.layers import PLAN_LAYERS
from ..model.plan import Row
from ..steps.schedule import ScheduleParameters, schedule_parameters

_ROWS_READ = {
    "summary": "",
    **dict.fromkeys(DEMAND_LAYERS, ""),
    "dock_candidates": "chosen = 1",
    "keepouts": "reason = 'steep'",
}


@dataclass(frozen=True)
class PlannedParcel:
    """What a parcel of a plan asks of mowers.

    Parameters
    ----------
    parcel_id, label, status, verdict_text
        As in `summary`.
    xy
        Its middle, in the CRS of the plan.
    latitude_deg
        Of its middle [degrees].
    demands
        What each mower there is to do; several where zones with docks of their own have mowers of their own.
    zone_ids
        Zones of each demand.
    steep_m2
        Ground that was kept out as too steep for the plan's mower [m²].
    blocked
        Passages that were too narrow for it: name and width [m].
    slope_limit_percent
        Of the mower that it was planned for, where the plan is asked.
    """

    parcel_id: str
    label: str
    status: str
    verdict_text: str
    xy: tuple[float, float]
    latitude_deg: float = 0.0
    demands: tuple[ParcelDemand, ...] = ()
    zone_ids: tuple[tuple[str, ...], ...] = ()
    steep_m2: float = 0.0
    blocked: tuple[tuple[str, float], ...] = ()
    slope_limit_percent: float = np.inf


@dataclass(frozen=True)
class PlannedPortfolio:
    """A plan as the choice of mowers needs it.

    Parameters
    ----------
    path
        The file.
    crs
        Of the places.
    parcels
        All of them, in the order of the plan.
    parameters
        Of the step that planned the week.
    """

    path: Path
    crs: CRS
    parcels: tuple[PlannedParcel, ...]
    parameters: ScheduleParameters

    @cached_property
    def compared(self) -> tuple[PlannedParcel, ...]:
        """Parcels with something to mow."""
        return tuple(parcel for parcel in self.parcels if parcel.demands)

    @cached_property
    def left_out(self) -> tuple[PlannedParcel, ...]:
        """Parcels with nothing to mow: failed, or not suitable."""
        return tuple(parcel for parcel in self.parcels if not parcel.demands)

    @cached_property
    def hours(self) -> WeekHours:
        """Hours of the week by which it was planned."""
        return self.parameters.hours_of_week()


def planned_portfolio(path: Path, *, quiet_hours: str | None = None) -> PlannedPortfolio:
    """Return what the parcels of a plan ask of mowers.

    Parameters
    ----------
    path
        ``plan.gpkg``, or the folder that it is in.
    quiet_hours
        TOML file with the hours that local rules permit; those of the plan when absent.

    Raises
    ------
    SiteError
        When the file can't be read.
    PlanError
        When it is no plan.
    ParameterError
        When the hours or temperatures of the plan can't be read again.
    """
    plan = plan_file(path, needed=("keepouts", *DEMAND_LAYERS))
    parameters = _schedule_parameters(plan.facts, quiet_hours)
    parcels = []
    for _, rows in plan.parcels(_ROWS_READ):
        facts = plan.facts_with(rows["summary"][0]["profile"])
        limit = float(facts.get("profile.slope_limit_percent") or np.inf)
        parcels.append(replace(planned_parcel(rows, plan.crs, parameters), slope_limit_percent=limit))
    return PlannedPortfolio(plan.path, plan.crs, tuple(parcels), parameters)


def _schedule_parameters(facts: Mapping[str, str], quiet_hours: str | None) -> ScheduleParameters:
    start = "step schedule."
    told: dict[str, Any] = {
        key.removeprefix(start): value
        for key, value in facts.items()
        if key.startswith(start) and not key.startswith(f"{start}compare")
    }
    if quiet_hours is not None:
        told["quiet_hours"] = quiet_hours
    return schedule_parameters({key: value for key, value in told.items() if value != "None"})


def planned_parcel(rows: Mapping[str, Sequence[Row]], crs: CRS, parameters: ScheduleParameters) -> PlannedParcel:
    """Return what a parcel of a plan asks of mowers.

    Parameters
    ----------
    rows
        Its rows by layer, at least of `summary` and of what :func:`..derived.mower_demands.mower_demands` needs.
    crs
        Of their geometry.
    parameters
        Of the step that planned the week.
    """
    (summary,) = rows["summary"]
    outline: BaseGeometry | None = summary["geometry"]
    name = str(summary["parcel_id"])
    told = (name, str(summary["label"] or ""), str(summary["status"]), str(summary["verdict_text"] or ""))
    if outline is None or outline.is_empty:
        return PlannedParcel(*told, xy=(np.nan, np.nan))
    frame = MeasuringFrame.centred_on(outline, crs)
    layers = {layer: _drawn(layer, rows_in_frame(rows.get(layer, ()), frame)) for layer in DEMAND_LAYERS}
    if not layers["zones"]:
        return PlannedParcel(*told, xy=(np.nan, np.nan))
    tasks = mower_demands(name, layers, zone_accesses(layers), own_mowers=parameters.own_mowers)
    steep = (row for row in rows.get("keepouts", ()) if row["reason"] == "steep")
    return PlannedParcel(
        *told,
        xy=(outline.centroid.x, outline.centroid.y),
        latitude_deg=frame.latitude_deg,
        demands=tuple(task.demand for task in tasks),
        zone_ids=tuple(tuple(str(zone["zone_id"]) for zone in task.zones) for task in tasks),
        steep_m2=sum(float(row["area_m2"]) for row in steep),
        blocked=tuple(
            (str(row["link_id"]), float(row["width_m"])) for row in layers["links"] if row["kind"] == "blocked"
        ),
    )


def _drawn(layer: str, rows: Sequence[Row]) -> list[Row]:
    """Return rows with a shape of the layer's type: what a person emptied in a GIS asks for nothing."""
    return [row for row in rows if row["geometry"].geom_type == PLAN_LAYERS[layer].geometry]
