"""Drops beyond edges: how far the ground falls there, and how sure the place of the edge is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import hypot, sqrt

import geopandas
import numpy as np
import shapely
from shapely import LineString

from lawngis.ground.raster import Grid
from lawngis.ground.step import height_steps
from lawngis.lawn.drops import DEEPEST_M

from ..model.catalogue import Said, sentences
from ..model.site import Site, vector_error

REACH_M = 0.5
"""A drop of the layers this near to an edge is its drop: cleaning and cut corners move edges by some centimetres."""

SHOWN_FALL_M = 0.05
"""Heights that show a smaller fall show none: a figure would say 0.0 m of ground that falls away."""


@dataclass(frozen=True)
class Drop:
    """What is known of the drop beyond an edge.

    Parameters
    ----------
    fall_m
        How far the ground falls, by what tells the most; None where nothing tells it [m].
    edge_sd_m
        Standard deviation of the edge's place, across it [m].
    """

    fall_m: float | None
    edge_sd_m: float

    def evidence(self, seen: str) -> str:
        """Return in words why an edge is a drop, with what is known of it."""
        told = {"evidence": seen, "fall_m": self.fall_m, "edge_sd_m": self.edge_sd_m}
        known: Said = ("drop-known", told)
        if self.fall_m is None:
            known = ("drop-known", {"case": "unknown", **told, "fall_m": DEEPEST_M})
        elif self.fall_m < SHOWN_FALL_M:
            known = ("drop-known", {"case": "level", **told})
        code, values = known
        return sentences().said("part", code, "text", values)


def drop_beyond(site: Site, edge: LineString) -> Drop:
    """Return what is known of the drop beyond an edge.

    Where several things tell how far the ground falls (a height in the layer, the terrain or the surface model), the
    deepest counts. A surface model that shows no fall tells nothing: a shrub may stand below.

    Parameters
    ----------
    site
        With the layers and rasters that tell.
    edge
        Zone on its left [m of the frame].
    """
    layer, told_m = _mapped_drop(site, edge)
    falls = [*told_m, *_fall_in(site, site.dem, edge)]
    if site.dsm is not None:
        falls += [fall_m for fall_m in _fall_in(site, site.dsm, edge) if fall_m > 0]
    sd_m = vector_error(site.accuracy, layer).total_m
    if layer is None and site.dsm is not None:
        # Seen in the surface model alone: it lies anywhere in a cell, evenly.
        sd_m = hypot(sd_m, float(np.median(np.concatenate(site.dsm.cell_size_m))) / sqrt(12))
    return Drop(max(falls, default=None), sd_m)


def _mapped_drop(site: Site, edge: LineString) -> tuple[str | None, list[float]]:
    """Return the layer that draws the drop beyond an edge, None where none does, and the falls that it tells [m]."""
    near = []
    for layer, drops in _drops(site):
        away_m = shapely.distance(drops.geometry.to_numpy(), edge)
        if (away_m <= REACH_M).any():
            told_m = drops["height_m"].astype(float).abs()[away_m <= REACH_M].dropna()
            near.append((float(away_m.min()), layer, told_m.tolist()))
    _, nearest, falls = min(near, default=(0.0, None, []))
    return nearest, falls


def _drops(site: Site) -> Iterator[tuple[str, geopandas.GeoDataFrame]]:
    for layer, column, value in (("barriers", "kind", "drop"), ("hard_surfaces", "level", "sunken")):
        if layer in site.layers:
            features = site.layers[layer]
            yield layer, features[features[column] == value]


def _fall_in(site: Site, grid: Grid, edge: LineString) -> list[float]:
    """Return how far a terrain or surface model says that the ground falls at most beyond an edge, if it tells [m]."""
    steps = height_steps(grid, site.frame, edge, z_sd_m=site.accuracy.dem_sd_m / 2)
    falls = [-step.step_m for step in steps if np.isfinite(step.sd_m)]
    return [max(0.0, *falls)] if falls else []
