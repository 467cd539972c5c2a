"""Versions of a parcel's data: as the maps have it, with one more error of the size that its accuracy says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from hashlib import blake2b

import geopandas
import numpy as np
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.raster import Grid
from lawngis.realisations import DrawnFeatures, error_field, expected_surface

from ..model.plan import GRID_M
from ..model.site import Site, dem_error, vector_error

PARCELS = "parcels"
"""Layer of the parcel's own outline."""


def site_versions(site: Site, draws: int, seed: int) -> Iterator[Site]:
    """Yield versions of a site: terrain and surface brought to their expected truth, then one error drawn for all.

    What nobody says the accuracy of stays as it is: the image, heights and kinds in columns, what was measured on site.
    A surface model is taken to be as wrong as the terrain model, by errors of its own.

    Parameters
    ----------
    site
        The parcel, in its frame.
    draws
        How many.
    seed
        With the parcel's name it decides what is drawn, whoever draws and in whatever order.
    """
    owners, shapes = _features(site)
    features = DrawnFeatures(shapes, [vector_error(site.accuracy, owner) for owner in owners])
    terrain, surface = _expected(site.dem, site), None if site.dsm is None else _expected(site.dsm, site)
    name = np.frombuffer(blake2b(site.parcel_id.encode(), digest_size=16).digest(), dtype=np.uint32)
    for number in range(draws):
        rng = np.random.default_rng([seed, number, *name.tolist()])
        moved = list(shapely.set_precision(features.moved(rng), GRID_M))
        dem = _with_error(terrain, site, rng)
        dsm = None if surface is None else _with_error(surface, site, rng)
        outline = polygon_parts(moved[0])
        parcel = outline[0] if len(outline) == 1 else MultiPolygon(outline)
        yield replace(site, parcel=parcel, layers=_layers(site.layers, moved[1:]), dem=dem, dsm=dsm)


def _features(site: Site) -> tuple[list[str], list[BaseGeometry]]:
    """Return all drawn features, each with its layer, the parcel itself first."""
    owners = [PARCELS]
    shapes: list[BaseGeometry] = [site.parcel]
    for name, features in site.layers.items():
        owners += [name] * len(features)
        shapes += list(features.geometry)
    return owners, shapes


def _layers(
    layers: Mapping[str, geopandas.GeoDataFrame], moved: list[BaseGeometry]
) -> dict[str, geopandas.GeoDataFrame]:
    found, first = {}, 0
    for name, features in layers.items():
        found[name] = features.set_geometry(moved[first : first + len(features)], crs=features.crs)
        first += len(features)
    return found


def _cell_m(grid: Grid) -> tuple[float, float]:
    width, height = grid.cell_size_m
    return float(np.mean(width)), float(np.mean(height))


def _expected(grid: Grid, site: Site) -> Grid:
    return grid.with_values(expected_surface(grid.values, _cell_m(grid), dem_error(site.accuracy)))


def _with_error(grid: Grid, site: Site, rng: np.random.Generator) -> Grid:
    return grid.with_values(grid.values + error_field(grid.shape, _cell_m(grid), dem_error(site.accuracy), rng))
