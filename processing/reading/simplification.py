"""Outlines of more vertices than a lawn has, brought down to what the map's accuracy carries."""

from __future__ import annotations

from collections.abc import Iterable
from math import pi
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from ..model.plan import Finding
from ..model.site import DataAccuracy, vector_error

VERTICES_MAX = 2_000
"""Outlines of fewer are taken as they are: they are planned in seconds, and whoever drew them meant each."""

TOLERANCE_SD = 1.0
"""How far a line may move, in standard deviations of a vertex; ours, no source."""


def simplified(layer: str, shapes: Iterable[Any], accuracy: DataAccuracy) -> tuple[NDArray[np.object_], list[Finding]]:
    """Return geometries of a layer without vertices that the accuracy doesn't carry, and what is said of that.

    Only those with more than :data:`VERTICES_MAX` are changed. Rings stay rings that don't cross (Douglas and Peucker,
    1973, "Algorithms for the reduction of the number of points required to represent a digitized line", in GEOS'
    variant that keeps topology). Holes smaller than a circle of that radius are closed.

    Parameters
    ----------
    layer
        Its name.
    shapes
        In a measuring frame [m].
    accuracy
        Of the data.
    """
    given = np.array(list(shapes), dtype=object)
    before = shapely.get_num_coordinates(given)
    many = before > VERTICES_MAX
    tolerance_m = TOLERANCE_SD * vector_error(accuracy, layer).vertex_m
    if not (many.any() and tolerance_m):
        return given, []
    fewer = given.copy()
    fewer[many] = [_without_pinholes(shape, tolerance_m) for shape in given[many]]
    fewer[many] = shapely.simplify(fewer[many], tolerance_m, preserve_topology=True)
    usable = shapely.is_valid(fewer) & ~shapely.is_empty(fewer)
    fewer[~usable] = given[~usable]
    left = shapely.get_num_coordinates(fewer)
    if (left == before).all():
        return given, []
    counts = {"vertices": int(before[many].sum()), "left": int(left[many].sum())}
    return fewer, [Finding("info", "outline-simplified", {"layer": layer, **counts, "tolerance_m": tolerance_m})]


def _without_pinholes(shape: BaseGeometry, tolerance_m: float) -> BaseGeometry:
    """Return a geometry without the holes of polygons that are smaller than their edges are off."""
    if shape.geom_type not in ("Polygon", "MultiPolygon"):
        return shape
    smallest_m2 = pi * tolerance_m**2
    parts = []
    for part in shapely.get_parts(shape):
        holes = shapely.get_rings(part)[1:]
        kept = holes[shapely.area(shapely.polygons(holes)) >= smallest_m2] if len(holes) else holes
        parts.append(shapely.polygons(shapely.get_exterior_ring(part), kept))
    return parts[0] if shape.geom_type == "Polygon" else MultiPolygon(parts)
