"""Exposure of a place: shade and sight over the surface model, or over obstructions in the layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.ground.raster import Grid
from lawngis.ground.sight import (
    Surface,
    crown_discs,
    points_above_ground,
    sight_share,
    street_points,
    surface_from_obstructions,
)
from lawngis.ground.sun import hot_hours, shade_share

from ..model.plan import Derived
from ..model.site import Site, single_parts

FloatArray = NDArray[np.float64]

SIGHT_REACH_M = 60.0
"""From farther off a dock isn't recognised; common practice, no source."""

STREET_SPACING_M = 2.0

UNKNOWN_HEIGHT_M = {"buildings": 6.0, "trees": 5.0, "hedge": 1.5, "wall": 1.5, "fence": 1.2}
"""Heights where the layers give none; ours, no source."""

SHADING_LAYERS = ("buildings", "trees", "barriers")

STANDING_SURFACE = Derived(
    "standing surface", ("raster:dsm", "raster:dem", *(f"site:{layer}" for layer in SHADING_LAYERS))
)
"""What :func:`obstruction_surface` gives, as steps share it."""


def obstruction_surface(site: Site) -> Surface | None:
    """Return the surface over which shade and sight are computed; None without any obstruction."""
    grid = surface_grid(site)
    return None if grid is None else Surface.in_frame(grid, site.frame)


def surface_grid(site: Site) -> Grid | None:
    """Return the surface model, or one made of the obstructions in the layers; None without any."""
    if site.dsm is not None:
        return site.dsm
    if not any(name in site.layers for name in SHADING_LAYERS):
        return None
    obstructions, heights = _obstructions(site)
    return surface_from_obstructions(ground_around(site), site.frame, obstructions, heights)


def ground_around(site: Site) -> Grid:
    """Return the ground on which obstructions and places stand; level where no terrain model tells how it lies."""
    return site.dem if site.dem_around is None else site.dem_around


@dataclass(frozen=True)
class HotHours:
    """When shade counts: months of the year (None: the mowing season of the hemisphere), and hours of solar time."""

    months: tuple[int, ...] | None
    from_h: float
    to_h: float


def shade_shares(site: Site, surface: Surface | None, places_xyz: FloatArray, when: HotHours) -> FloatArray:
    """Return the share of the season's hot hours in which each place is in shade, shape (n,); NaN where unknown.

    Places are x, y, elevation, shape (n, 3) [m].
    """
    if surface is None:
        return np.full(len(places_xyz), np.nan)
    hours = (when.from_h, when.to_h)
    sun = hot_hours(site.frame.latitude_deg, site.frame.longitude_deg, months=when.months, hours=hours)
    return shade_share(surface, places_xyz, sun)


def street_sight_shares(
    site: Site, surface: Surface | None, places_xyz: FloatArray, *, eye_height_m: float
) -> FloatArray:
    """Return the share of near street points from which each place is seen, shape (n,); NaN where unknown.

    Places are x, y, elevation, shape (n, 3) [m].
    """
    streets = _near(site, site.geometries("streets"))
    if surface is None or not len(streets):
        return np.full(len(places_xyz), np.nan)
    places = street_points(streets, spacing_m=STREET_SPACING_M)
    eyes = points_above_ground(ground_around(site) if site.dsm is None else site.dsm, site.frame, places, eye_height_m)
    eyes = eyes[np.isfinite(eyes).all(axis=1)]
    if not len(eyes):
        return np.full(len(places_xyz), np.nan)
    return sight_share(surface, places_xyz, eyes, reach_m=SIGHT_REACH_M)


def _near(site: Site, shapes: list[BaseGeometry]) -> NDArray[np.object_]:
    around = shapely.buffer(site.parcel, SIGHT_REACH_M)
    clipped = shapely.intersection(np.array(shapes, dtype=object), around)
    return np.asarray(clipped[~shapely.is_empty(clipped)], dtype=object)


def _obstructions(site: Site) -> tuple[list[BaseGeometry], FloatArray]:
    shapes: list[BaseGeometry] = []
    heights: list[float] = []
    if "buildings" in site.layers:
        buildings = site.layers["buildings"]
        shapes += list(buildings.geometry)
        heights += list(buildings["height_m"].fillna(UNKNOWN_HEIGHT_M["buildings"]))
    if "trees" in site.layers and len(site.layers["trees"]):
        trees = single_parts(site.layers["trees"])
        crowns = trees["crown_diameter_m"].fillna(1.0).clip(lower=0.2).to_numpy()
        shapes += list(crown_discs(trees.geometry.get_coordinates().to_numpy(), crowns))
        heights += list(trees["height_m"].fillna(UNKNOWN_HEIGHT_M["trees"]))
    if "barriers" in site.layers:
        barriers = site.layers["barriers"]
        opaque = barriers[barriers["kind"].isin(["hedge", "wall", "fence"])]
        shapes += list(opaque.geometry)
        heights += list(opaque["height_m"].fillna(opaque["kind"].map(UNKNOWN_HEIGHT_M)))
    return shapes, np.array(heights, dtype=np.float64)
