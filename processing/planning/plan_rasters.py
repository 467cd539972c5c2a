"""Rasters of a plan, each on cells of its own terrain model: slope, its uncertainty, shade, signal and coverage."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import shapely
from numpy.typing import NDArray

from lawngis.ground.raster import Grid, centres_in, values_at
from lawngis.ground.sun import hot_hours, shade_share_grid
from lawngis.ground.terrain import (
    gradient_sd_horn,
    slope_gradient_horn,
    slope_percent,
    slope_sd_percent,
)
from lawngis.mower import MowerProfile
from lawngis.wire.circuit import vertical_field_ut

from ..derived.coverage import coverage_grid
from ..derived.exposure import ground_around, surface_grid
from ..model.plan import Plan
from ..model.site import Site, dem_error

FloatArray = NDArray[np.float64]


def plan_rasters(site: Site, plan: Plan, mower: MowerProfile) -> dict[str, Grid]:
    """Return the rasters of one parcel on the terrain model's cells, by name; nothing outside the parcel.

    Those that can't be known (slope without a terrain model, coverage without zones, shade without anything that
    stands) are left out.
    """
    makers: Mapping[str, Callable[[], Grid | None]] = {
        "slope": lambda: _slope(site)[0] if site.has_terrain else None,
        "slope_sd": lambda: _slope(site)[1] if site.has_terrain else None,
        "signal": lambda: _signal(site, plan, mower),
        "shade": lambda: _shade(site, mower),
        "coverage": lambda: _coverage(site, plan),
    }
    inside = _inside(site)
    made = {name: make() for name, make in makers.items()}
    return {
        name: grid.with_values(np.where(inside, grid.values, np.nan)) for name, grid in made.items() if grid is not None
    }


def _inside(site: Site) -> NDArray[np.bool_]:
    xy = centres_in(site.dem, site.frame)
    return shapely.contains_xy(site.parcel, xy[:, 0], xy[:, 1]).reshape(site.dem.shape)


def _slope(site: Site) -> tuple[Grid, Grid]:
    dx, dy = site.dem.cell_size_m
    p, q = slope_gradient_horn(site.dem.values, dx, dy)
    error = dem_error(site.accuracy)
    sd_p, sd_q = gradient_sd_horn(error.sd_m, dx, dy, correlation=error.correlation)
    return site.dem.with_values(slope_percent(p, q)), site.dem.with_values(slope_sd_percent(p, q, sd_p, sd_q))


def _signal(site: Site, plan: Plan, mower: MowerProfile) -> Grid | None:
    """Return the vertical field of all loops together at the antenna's height [µT]."""
    loops = plan.geometries("wire_path")
    if not loops:
        return None
    xy = centres_in(site.dem, site.frame)
    field = np.zeros(len(xy))
    for loop in loops:
        line = shapely.get_coordinates(loop)
        field += vertical_field_ut(line, xy, height_m=mower.antenna_height_m, current_a=mower.loop_current_a)
    return site.dem.with_values(field.reshape(site.dem.shape))


def _shade(site: Site, mower: MowerProfile) -> Grid | None:
    surface = surface_grid(site)
    if surface is None:
        return None
    sun = hot_hours(site.frame.latitude_deg, site.frame.longitude_deg)
    xy = centres_in(surface, site.frame)
    around = shapely.buffer(site.parcel, 1.0)
    mask = shapely.contains_xy(around, xy[:, 0], xy[:, 1]).reshape(surface.shape)
    ground = site.dem if site.has_terrain else ground_around(site)
    shade = shade_share_grid(surface, ground, site.frame, sun, height_m=mower.dock_height_m, mask=mask)
    return _on_dem_cells(site, shade)


def _coverage(site: Site, plan: Plan) -> Grid | None:
    grid = coverage_grid(site, plan)
    return None if grid is None else _on_dem_cells(site, grid)


def _on_dem_cells(site: Site, grid: Grid) -> Grid:
    """Return a grid's values at the centres of the terrain model's cells, read between its own."""
    if grid.shape == site.dem.shape and grid.transform == site.dem.transform:
        return grid
    values = values_at(grid, site.frame, centres_in(site.dem, site.frame))
    return site.dem.with_values(values.reshape(site.dem.shape))
