"""Slope of the ground as the mower's wheels feel it, as somebody measured it, and what of it is too steep."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.steep import MowerSlope, SteepArea, UndecidedArea, mower_slope, steep_areas, undecided_areas
from lawngis.ground.terrain import ExponentialCorrelation
from lawngis.ground.zonal import weighted_quantiles, zonal_weights
from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import charging_hours, mowing_hours_week, turning_share

from ..model.facts import Fact
from ..model.plan import Finding, Plan
from ..model.site import Site
from ..model.step import Parameters
from .matching import SURE_SDS, contradicts

DEM_CORRELATION_M = 1.0
"""Distance over which errors of a terrain model are taken to be alike [m]. Common practice, no source."""

REACH_M = 1.5
"""A slope measured at a point holds this far around it, unless the point lies on ground that the terrain model can't
decide on, or that is too steep by it: then it holds for all of that."""


class SlopeParameters(Parameters):
    """What counts as slope where it decides what is mown."""

    dem_correlation_m: float = Field(
        default=DEM_CORRELATION_M,
        ge=0.01,
        le=100,
        description="distance over which errors of the terrain model are alike [m]",
    )
    ledge_reach_m: float = Field(
        default=1.25,
        ge=0,
        le=10,
        description="as far from a drop or wall of the layers the terrain model's steepness is theirs [m]",
    )
    doubt_area_min_m2: float = Field(
        default=4.0, ge=0.1, le=1000, description="smallest doubtful slope that is worth a look on site [m²]"
    )


# --- what decides ----------------------------------------------------------------------------------------


def too_steep(percent: float, mower: MowerProfile) -> bool:
    """Return whether ground of a slope [%] is not mown."""
    return percent > mower.slope_limit_percent


def steep_ground(site: Site, slope: MowerSlope, limit_percent: float, mower: MowerProfile) -> list[SteepArea]:
    """Return the pieces of ground steeper than a limit of the mower, the largest first."""
    return steep_areas(
        slope.slope_percent,
        slope.sd_percent.values,
        limit_percent=limit_percent,
        frame=site.frame,
        area_min_m2=mower.steep_area_min_m2,
    )


def doubtful_ground(
    site: Site, slope: MowerSlope, mower: MowerProfile, parameters: SlopeParameters
) -> list[UndecidedArea]:
    """Return the pieces of ground of which the terrain model can't tell whether they are too steep."""
    return undecided_areas(
        slope.slope_percent,
        slope.sd_percent.values,
        limit_percent=mower.slope_limit_percent,
        frame=site.frame,
        area_min_m2=parameters.doubt_area_min_m2,
    )


# --- the slope itself ------------------------------------------------------------------------------------


def slope_under_wheels(
    site: Site, plan: Plan, mower: MowerProfile, correlation_m: float = DEM_CORRELATION_M
) -> MowerSlope:
    """Return the slope under the mower and its standard deviation on the terrain model's cells.

    Steps that ask for the same correlation share one result.
    """
    found: MowerSlope = plan.derived(
        f"slope under the wheels, errors alike over {correlation_m:g} m",
        lambda: mower_slope(
            site.dem,
            wheelbase_m=mower.wheelbase_m,
            z_sd_m=site.accuracy.dem_sd_m,
            correlation=ExponentialCorrelation(correlation_m),
        ),
    )
    return found


def mapped_slope(site: Site, plan: Plan, mower: MowerProfile, parameters: SlopeParameters) -> MowerSlope:
    """Return the slope under the mower, nil beside drops and walls of the layers.

    A terrain model smears a ledge over some cells; the layers say better where it is, and edges get its setback.
    """
    found = slope_under_wheels(site, plan, mower, parameters.dem_correlation_m)
    if "barriers" not in site.layers or parameters.ledge_reach_m == 0:
        return found
    barriers = site.layers["barriers"]
    ledges = list(barriers.geometry[barriers["kind"].isin(["drop", "wall"])])
    if not ledges:
        return found
    slope = found.slope_percent
    beside = _cells_in(site, slope, shapely.buffer(shapely.union_all(ledges), parameters.ledge_reach_m))
    return found._replace(slope_percent=slope.with_values(np.where(beside, 0.0, slope.values)))


def slope_as_measured(
    site: Site, slope: MowerSlope, readings: Sequence[Fact[float]], mower: MowerProfile, parameters: SlopeParameters
) -> tuple[MowerSlope, list[Finding]]:
    """Return slope and its standard deviation with measured slopes laid over them, and what they contradict.

    Parameters
    ----------
    site
        The parcel.
    slope
        Slope under the mower and its standard deviation [percent].
    readings
        Slopes that somebody measured, each with its place.
    mower
        Whose limit decides.
    parameters
        Of which ground somebody was asked.
    """
    findings: list[Finding] = []
    for reading in readings:
        place = _ground_of(site, reading, slope, mower, parameters)
        derived, sd = slope.slope_percent, slope.sd_percent
        here = _cells_in(site, derived, place)
        known = here & np.isfinite(derived.values) & np.isfinite(sd.values)
        if known.any():
            findings += _contradicted(reading, derived.values[known], sd.values[known])
        slope = MowerSlope(
            derived.with_values(np.where(here, reading.value, derived.values)),
            sd.with_values(np.where(here, 0.0, sd.values)),
        )
    return slope, findings


def zone_slope(site: Site, plan: Plan, mower: MowerProfile) -> Grid:
    """Return the slope [%] that figures of zones are taken from: under the wheels, as measured where somebody did."""
    readings = [fact for fact in site.facts.slopes if not fact.name]
    return slope_as_measured(site, slope_under_wheels(site, plan, mower), readings, mower, SlopeParameters())[0][0]


def _cells_in(site: Site, grid: Grid, place: BaseGeometry) -> np.ndarray:
    xy = centres_in(grid, site.frame)
    return np.asarray(shapely.contains_xy(place, xy[:, 0], xy[:, 1]).reshape(grid.shape))


def _ground_of(
    site: Site, reading: Fact[float], slope: MowerSlope, mower: MowerProfile, parameters: SlopeParameters
) -> BaseGeometry:
    """Return the ground that a measured slope tells of."""
    place = reading.place
    if place is None:
        return Polygon()
    if place.area > 0:
        return place
    met: list[SteepArea | UndecidedArea] = [*doubtful_ground(site, slope, mower, parameters)]
    if not too_steep(reading.value, mower):
        met += steep_ground(site, slope, mower.slope_limit_percent, mower)
    return shapely.union_all(
        [place.buffer(REACH_M), *(area.polygon for area in met if area.polygon.dwithin(place, REACH_M / 2))]
    )


def _contradicted(reading: Fact[float], derived: np.ndarray, sd: np.ndarray) -> list[Finding]:
    mean, spread = float(np.mean(derived)), float(np.mean(sd))
    if abs(reading.value - mean) <= SURE_SDS * spread:
        return []
    text = (
        f"measured a slope of {reading.value:g} %, but the terrain model says {mean:.0f} ± {spread:.0f} %: "
        "the measurement counts"
    )
    return [contradicts(text, "Check the terrain model's date and unit.", reading.place)]


def steep_evidence(readings: Sequence[Fact[float]], ground: BaseGeometry, limit_percent: float, otherwise: str) -> str:
    """Return what says that ground is steep: somebody who measured it, or else what the terrain model says."""
    told = any(
        item.value > limit_percent and item.place is not None and item.place.dwithin(ground, REACH_M)
        for item in readings
    )
    return "slope measured on site" if told else otherwise


# --- of a zone -------------------------------------------------------------------------------------------


def zone_slopes_percent(slope: Grid, zone: Polygon, site: Site) -> list[float | None]:
    """Return the median, 95 % quantile and most of a zone's slope; None each where the terrain model says nothing."""
    values, weights = zonal_weights(slope, zone, site.frame)
    known = np.isfinite(values)
    if not known.any():
        return [None, None, None]
    return [float(value) for value in weighted_quantiles(values[known], weights[known], [0.5, 0.95, 1.0])]


def zone_hours_week(zone: Polygon, slope_percent: float | None, mower: MowerProfile) -> float:
    """Return the hours a week that a zone takes at the profile's mowings, charging included."""
    mowing = mowing_hours_week(
        zone.area,
        turning=turning_share(zone.area, zone.length, speed_mps=mower.speed_mps),
        cutting_width_m=mower.cutting_width_m,
        speed_mps=mower.speed_mps,
        mowings_week=mower.mowings_week,
        share=mower.coverage_share,
        slope_percent=slope_percent or 0.0,
    )
    charging = charging_hours(mowing, run_minutes=mower.run_minutes, charge_minutes=mower.charge_minutes)
    return float(mowing + charging)
