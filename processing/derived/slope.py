"""Slope of the ground as the mower's wheels feel it, and what of it is too steep."""

from __future__ import annotations

import numpy as np
import shapely
from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.steep import MowerSlope, SteepArea, UndecidedArea, mower_slope, steep_areas, undecided_areas
from lawngis.ground.zonal import weighted_quantiles, zonal_weights
from lawngis.mower import MowerProfile

from ..model.plan import Derived, Plan
from ..model.site import DEM_ACCURACY, Site, dem_error
from ..model.step import Parameters


class SlopeParameters(Parameters):
    """What counts as slope where it decides what is mown."""

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


def slope_under_wheels(site: Site, plan: Plan, mower: MowerProfile) -> MowerSlope:
    """Return the slope under the mower and its standard deviation on the terrain model's cells."""
    found: MowerSlope = plan.derived(
        Derived("slope under the wheels", ("raster:dem", *DEM_ACCURACY)),
        lambda: slope_under(site, mower.wheelbase_m),
    )
    return found


def slope_under(site: Site, wide_m: float) -> MowerSlope:
    """Return the slope that something so wide has, and its standard deviation, on the terrain model's cells."""
    error = dem_error(site.accuracy)
    return mower_slope(site.dem, wheelbase_m=wide_m, z_sd_m=error.sd_m, correlation=error.correlation)


def mapped_slope(site: Site, plan: Plan, mower: MowerProfile, parameters: SlopeParameters) -> MowerSlope:
    """Return the slope under the mower, nil beside drops and walls of the layers.

    A terrain model smears a ledge over some cells; the layers say better where it is, and edges get its setback.
    """
    found = slope_under_wheels(site, plan, mower)
    if "barriers" not in site.layers or parameters.ledge_reach_m == 0:
        return found
    barriers = site.layers["barriers"]
    ledges = list(barriers.geometry[barriers["kind"].isin(["drop", "wall"])])
    if not ledges:
        return found
    slope = found.slope_percent
    beside = _cells_in(site, slope, shapely.buffer(shapely.union_all(ledges), parameters.ledge_reach_m))
    return found._replace(slope_percent=slope.with_values(np.where(beside, 0.0, slope.values)))


def _cells_in(site: Site, grid: Grid, place: BaseGeometry) -> np.ndarray:
    xy = centres_in(grid, site.frame)
    return np.asarray(shapely.contains_xy(place, xy[:, 0], xy[:, 1]).reshape(grid.shape))


# --- of a zone -------------------------------------------------------------------------------------------


def zone_slopes_percent(slope: Grid, zone: Polygon, site: Site) -> list[float | None]:
    """Return the median, 95 % quantile and most of a zone's slope; None each where the terrain model says nothing."""
    values, weights = zonal_weights(slope, zone, site.frame)
    known = np.isfinite(values)
    if not known.any():
        return [None, None, None]
    return [float(value) for value in weighted_quantiles(values[known], weights[known], [0.5, 0.95, 1.0])]
