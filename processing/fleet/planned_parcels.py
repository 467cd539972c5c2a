"""Parcels of a finished plan as a choice of mowers needs them: what each asks of a mower."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame
from lawngis.mowing.choice import ParcelDemand, ZoneDemand

from ..derived.coverage import ZoneAccess, zone_accesses
from ..derived.mowing_windows import WeekHours
from ..files.plan_reader import plan_file, rows_in_frame
from ..model.layers import PLAN_LAYERS
from ..model.plan import Plan, Row, StepResult
from ..steps.schedule import STEP as SCHEDULE
from ..steps.schedule import ScheduleParameters

INSCRIBED_TOLERANCE_M = 0.05

_PASSED_ON = ("zones", "links", "dock_candidates")
_ROWS_READ = {
    "summary": "",
    "zones": "",
    "links": "",
    "wire_path": "",
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
    slope_limit_percent
        Of the mower that it was planned for.
    """

    path: Path
    crs: CRS
    parcels: tuple[PlannedParcel, ...]
    parameters: ScheduleParameters
    slope_limit_percent: float

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

    def mowings_week(self, latitude_deg: float) -> float:
        """Return how often a week the grass asks for mowing when it grows most."""
        return float(self.parameters.growth(latitude_deg).mowings.max())


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
    plan = plan_file(path, needed=("zones", "links", "dock_candidates", "keepouts"))
    parameters = _schedule_parameters(plan.facts, quiet_hours)
    parcels = tuple(_parcel(rows, plan.crs, parameters) for _, rows in plan.parcels(_ROWS_READ))
    limit = float(plan.facts.get("profile.slope_limit_percent") or np.inf)
    return PlannedPortfolio(plan.path, plan.crs, parcels, parameters, limit)


def _schedule_parameters(facts: Mapping[str, str], quiet_hours: str | None) -> ScheduleParameters:
    start = "step schedule."
    told: dict[str, Any] = {
        key.removeprefix(start): value
        for key, value in facts.items()
        if key.startswith(start) and not key.startswith(f"{start}compare")
    }
    if quiet_hours is not None:
        told["quiet_hours"] = quiet_hours
    parameters = SCHEDULE.parameters_from({key: value for key, value in told.items() if value != "None"})
    if not isinstance(parameters, ScheduleParameters):
        raise TypeError(f"the step {SCHEDULE.id} takes {type(parameters).__name__}")
    return parameters


def _parcel(rows: Mapping[str, Sequence[Row]], crs: CRS, parameters: ScheduleParameters) -> PlannedParcel:
    (summary,) = rows["summary"]
    outline: BaseGeometry | None = summary["geometry"]
    name = str(summary["parcel_id"])
    told = (name, str(summary["label"] or ""), str(summary["status"]), str(summary["verdict_text"] or ""))
    if outline is None or outline.is_empty or not rows["zones"]:
        return PlannedParcel(*told, xy=(np.nan, np.nan))
    frame = MeasuringFrame.centred_on(outline, crs)
    plan = Plan(name, frame.crs)
    moved = {layer: rows_in_frame(rows[layer], frame) for layer in (*_PASSED_ON, "wire_path")}
    plan.attach("reading", StepResult({layer: _as_written(layer, moved[layer]) for layer in _PASSED_ON}), _PASSED_ON)
    groups = _groups(plan.rows("zones"), own_mowers=parameters.own_mowers)
    accesses, wires = zone_accesses(plan), {str(row["loop_id"]): row for row in moved["wire_path"]}
    demands = tuple(
        _demand(name if not number else f"{name}/{group[0]['zone_id']}", group, plan.rows("links"), accesses, wires)
        for number, group in enumerate(groups)
    )
    return PlannedParcel(
        *told,
        xy=(outline.centroid.x, outline.centroid.y),
        latitude_deg=frame.latitude_deg,
        demands=demands,
        zone_ids=tuple(tuple(str(zone["zone_id"]) for zone in group) for group in groups),
        steep_m2=sum(float(row["area_m2"]) for row in rows["keepouts"]),
        blocked=tuple((str(row["link_id"]), float(row["width_m"])) for row in plan.select("links", kind="blocked")),
    )


def _as_written(layer: str, rows: Sequence[Row]) -> list[Row]:
    """Return rows with the columns that a step writes."""
    names = [*(column.name for column in PLAN_LAYERS[layer].columns), "geometry"]
    return [{name: row[name] for name in names} for row in rows]


def _groups(zones: Sequence[Row], *, own_mowers: bool) -> list[list[Row]]:
    """Return the zones of each mower, that of the home zone first."""
    own = [zone for zone in zones if own_mowers and zone["role"] == "detached" and zone["supply"] == "own_dock"]
    rest = [zone for zone in zones if not any(zone is other for other in own)]
    return [group for group in (rest, *([zone] for zone in own)) if group]


def _demand(
    name: str, zones: Sequence[Row], links: Sequence[Row], accesses: Mapping[str, ZoneAccess], wires: Mapping[str, Row]
) -> ParcelDemand:
    used = {zone["reached_by"] for zone in zones}
    loops = {str(zone["loop_id"]) for zone in zones}
    return ParcelDemand(
        name,
        tuple(_zone_demand(zone, accesses[str(zone["zone_id"])], wires.get(str(zone["loop_id"]))) for zone in zones),
        min((float(link["width_m"]) for link in links if link["link_id"] in used), default=float("inf")),
        max((float(wires[loop]["length_m"]) for loop in loops if loop in wires), default=0.0),
    )


def _zone_demand(zone: Row, way: ZoneAccess, wire: Row | None) -> ZoneDemand:
    return ZoneDemand(
        float(zone["area_m2"]),
        float(zone["perimeter_m"]),
        float(zone["slope_p50_percent"] or 0.0),
        float(zone["slope_p95_percent"] or 0.0),
        way.access_m,
        0.0 if wire is None else _farthest_m(zone["geometry"], wire["geometry"]),
        without_dock=zone["role"] == "detached" and zone["supply"] != "own_dock",
    )


def _farthest_m(zone: Polygon, wire: BaseGeometry) -> float:
    """Return the distance from the wire of the farthest of a zone's corners and the middle of its widest place [m].

    Corners count, as ground that the plan's mower doesn't hear is a hole without wire around it.
    """
    radius = shapely.maximum_inscribed_circle(zone, INSCRIBED_TOLERANCE_M)
    places = np.vstack([shapely.get_coordinates(radius)[:1], shapely.get_coordinates(zone)])
    shapely.prepare(wire)
    return float(shapely.distance(wire, shapely.points(places)).max())
