"""How far length and area of zones are off, by the features whose edges bound them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.error_model import distance_sd_m
from lawngis.trust import OutlineSpread, outline_spread
from lawngis.wire.leads import ground_rings

from ..model.site import VECTOR_ACCURACY, Site, vector_error

DRAWN_LAYERS = ("lawns", "buildings", "hard_surfaces", "beds", "water", "barriers", "obstacles")
"""Layers whose features bound lawn, beside the parcel."""

READS = ("site:parcels", *(f"site:{layer}" for layer in DRAWN_LAYERS), *VECTOR_ACCURACY)
"""What a step declares that asks for it."""

BOUNDS_M = 0.1
"""A feature bounds a zone where the edge lies this near to its own; what lies farther bounds it by a rule."""


def zones_spread(site: Site, zones: Sequence[Polygon]) -> OutlineSpread:
    """Return how far the length of all edges of zones, and their area, are off.

    Edges that no feature draws, of steep ground or around a trunk, are taken to be off corner by corner.
    """
    errors = [vector_error(site.accuracy)]
    outlines: list[BaseGeometry] = []
    drawn: dict[str, list[BaseGeometry]] = {
        "parcels": [site.parcel],
        **{name: site.geometries(name) for name in DRAWN_LAYERS},
    }
    for layer, shapes in drawn.items():
        outlines += [shape.boundary if shape.geom_type.endswith("Polygon") else shape for shape in shapes]
        errors += [vector_error(site.accuracy, layer)] * len(shapes)
    shifts = [0.0, *(error.feature_m for error in errors[1:])]
    corners = [errors[0].total_m, *(error.vertex_m for error in errors[1:])]
    rings = [ring for zone in zones for ring in ground_rings(zone)]
    tree = shapely.STRtree(outlines)
    return outline_spread(rings, [_owners(tree, ring) for ring in rings], shifts, corners)


def edge_distance_sd_m(site: Site) -> float:
    """Return how far the distance between two edges is off that different features draw [m]."""
    error = vector_error(site.accuracy)
    return distance_sd_m(error, error)


def _owners(tree: shapely.STRtree, ring: np.ndarray) -> np.ndarray:
    """Return for each edge of a ring the feature that bounds it, from 1; 0 where none does."""
    middles = shapely.points((ring[1:] + ring[:-1]) / 2)
    edge, feature = tree.query_nearest(middles, max_distance=BOUNDS_M, all_matches=False)
    owners = np.zeros(len(middles), dtype=np.int64)
    owners[edge] = feature + 1
    return owners
