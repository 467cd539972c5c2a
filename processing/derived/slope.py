"""Slope of the ground as the mower's wheels feel it, and what of it is too steep."""

from __future__ import annotations

import numpy as np
import shapely
from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.ground.mower_slope import MowerSlope, mower_slope
from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.steep import SteepArea, UndecidedArea, areas_at_edge, steep_areas, undecided_areas
from lawngis.ground.zonal import weighted_quantiles, zonal_cells, zonal_weights
from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.plan import Derived, Plan
from ..model.site import DEM_ACCURACY, Site, dem_error
from .doubt import DoubtParameters

DOUBT_FOOTPRINT_M = 2.0
"""Diameter over which the slope is averaged to find ground in doubt [m]: of such pieces of made banks as many flipped
as their chances said (our simulation)."""


class SlopeParameters(DoubtParameters):
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


def steep_at_edge(site: Site, slope: MowerSlope, ground: BaseGeometry, mower: MowerProfile) -> list[SteepArea]:
    """Return the pieces of ground that are too steep to turn on and reach the band along the ground's edge."""
    areas = steep_ground(site, slope, mower.edge_slope_limit_percent, mower)
    return areas_at_edge(areas, ground, band_m=mower.edge_band_m, area_min_m2=mower.steep_area_min_m2)


def doubtful_ground(
    site: Site, slope: MowerSlope, lawn: BaseGeometry, mower: MowerProfile, parameters: SlopeParameters
) -> list[tuple[float, UndecidedArea]]:
    """Return the pieces of lawn of which the terrain model can't tell whether they are too steep, each with its limit.

    Each limit counts where it decides: that along the wire for what reaches the band along the lawn's edge, that of
    open ground for what the former leaves.
    """
    along, within = mower.edge_slope_limit_percent, mower.slope_limit_percent
    band = shapely.difference(lawn, shapely.buffer(lawn, -mower.edge_band_m))
    at_edge = [area.polygon for area in steep_at_edge(site, slope, lawn, mower)]
    found = [
        (along, _less_sure_in(site, slope, area, band, along))
        for area in _undecided(site, slope, along, lawn, parameters)
        if area.polygon.intersection(band).area >= mower.steep_area_min_m2
        or any(area.polygon.intersects(other) for other in at_edge)
    ]
    decided = shapely.union_all([*at_edge, *(area.polygon for _, area in found)])
    rest = shapely.difference(lawn, decided)
    return found + [(within, area) for area in _undecided(site, slope, within, rest, parameters)]


def _less_sure_in(
    site: Site, slope: MowerSlope, area: UndecidedArea, band: BaseGeometry, limit_percent: float
) -> UndecidedArea:
    """Return a piece with the chance of its part in the band where that is less sure: the whole goes with that."""
    cells = zonal_cells(slope.slope_percent, shapely.intersection(area.polygon, band), site.frame)
    told = slope.mean_of(cells)
    if told is None:
        return area
    mean, sd = told
    chance = float(flip_probability(mean, sd, limit_percent))
    return area if chance <= area.flip_probability else UndecidedArea(area.polygon, chance, mean, sd)


def _undecided(
    site: Site, slope: MowerSlope, limit_percent: float, ground: BaseGeometry, parameters: SlopeParameters
) -> list[UndecidedArea]:
    return undecided_areas(
        slope,
        limit_percent=limit_percent,
        within=ground,
        frame=site.frame,
        area_min_m2=parameters.doubt_area_min_m2,
    )


# --- the slope itself ------------------------------------------------------------------------------------


def slope_under_wheels(site: Site, plan: Plan, mower: MowerProfile) -> MowerSlope:
    """Return the slope under the mower and its standard deviation on the terrain model's cells."""
    limit = mower.edge_slope_limit_percent

    def under_wheels() -> MowerSlope:
        wide = slope_under(site, max(DOUBT_FOOTPRINT_M, mower.wheelbase_m), limit_percent=limit)
        return slope_under(site, mower.wheelbase_m, limit_percent=limit)._replace(wide=wide)

    found: MowerSlope = plan.derived(Derived("slope under the wheels", ("raster:dem", *DEM_ACCURACY)), under_wheels)
    return found


def slope_under(site: Site, wide_m: float, *, limit_percent: float) -> MowerSlope:
    """Return the slope that something so wide has, and its standard deviation, on the terrain model's cells.

    It is without the bias of noise, and taken from more ground where noise would drown the limit that it is for.
    """
    error = dem_error(site.accuracy)
    return mower_slope(
        site.dem, wheelbase_m=wide_m, z_sd_m=error.sd_m, correlation=error.correlation, limit_percent=limit_percent
    )


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
    beside = _cells_in(site, found.slope_percent, shapely.buffer(shapely.union_all(ledges), parameters.ledge_reach_m))

    def level_there(slope: MowerSlope) -> MowerSlope:
        values = np.where(beside, 0.0, slope.slope_percent.values)
        return slope._replace(slope_percent=slope.slope_percent.with_values(values))

    return level_there(found)._replace(wide=None if found.wide is None else level_there(found.wide))


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
