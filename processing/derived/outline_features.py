"""Which feature each place of the ground's outline follows, and so how far distances between two places may be off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon, STRtree
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.error_model import VectorError, distance_sd_m
from lawngis.lawn.widths import ExpectedWidth, Side, expected_width
from lawngis.wire.leads import ground_rings

from ..model.plan import Derived, Plan, Row
from ..model.site import VECTOR_ACCURACY, Site, vector_error
from .outline_accuracy import MAPPED_LAYERS, MAPPED_REACH_M, SeenOutlines, seen_outlines

RIM_M = 0.01
"""What is cut off a thing at the boundary ends this near to it."""

BEYOND_SHARE = 0.01
"""A side that would run into the other turns away from it instead, by this share of what leads there."""

LAYERS_OF: Mapping[str, tuple[str, ...]] = {
    "water": ("water",),
    "bed": ("beds",),
    "tree": ("trees",),
    "obstacle": ("barriers", "obstacles"),
    "drop": ("barriers",),
}
"""Layers that a keep-out is drawn from, by its reason: around a trunk or along a hedge it is wider than these."""

_LAYERS = ("lawns", "parcels", "trees", *MAPPED_LAYERS)

READS = (
    "cover", "lawn", "keepouts", *(f"site:{layer}" for layer in _LAYERS), "raster:imagery", "raster:dem",
    *VECTOR_ACCURACY,
)  # fmt: skip
"""What a step declares that asks for them."""

_OUTLINE_FEATURES = Derived("features that outlines follow", READS)


@dataclass(frozen=True, eq=False)
class OutlineFeatures:
    """Outlines of all features near the lawn, `feature` numbers of each, and by number the error of each feature.

    The first `drawn` numbers are of features that layers draw, the others of what is kept out for another reason;
    `parcel` is the number of the parcel, after surveyed lawns and before all things. `elsewhere` is the error of what
    follows none; `seen` judges outlines that an image shows and no layer draws.
    """

    outlines: STRtree
    feature: IntArray
    drawn: int
    parcel: int
    errors: Sequence[VectorError]
    elsewhere: VectorError
    seen: SeenOutlines | None

    @property
    def any_distance_sd_m(self) -> float:
        """How far a distance between two things of any layer may be off [m]."""
        return distance_sd_m(self.elsewhere, self.elsewhere)

    @property
    def largest_distance_sd_m(self) -> float:
        """No distance between two outlines that layers draw is less sure than this [m]."""
        worst = max((*self.errors, self.elsewhere), key=lambda error: error.total_m - error.survey_m)
        return distance_sd_m(worst, worst)

    def distance_sd_m(self, across: LineString) -> float:
        """Return how far the distance from end to end of a line between two outlines may be off [m].

        Ends on one feature share its shift. An end that only an image shows shares nothing with the other.
        """
        ends = np.asarray(shapely.points(shapely.get_coordinates(across)[[0, -1]]), dtype=object)
        one, two = self.nearest(ends).tolist()
        sides = [self._error(number, end) for number, end in zip((one, two), ends, strict=True)]
        return distance_sd_m(*sides, same_feature=one == two and one >= 0)

    def expected_width(self, ground: Polygon, across: LineString, reach_m: float) -> ExpectedWidth:
        """Return how wide ground is expected to be at a narrow place, and how far that may be off, shifts included.

        Only between features that layers draw corner by corner: what only an image shows, or is too steep, is as narrow
        as it is seen.

        Parameters
        ----------
        ground
            With the narrow place.
        across
            From side to side at its narrowest [m].
        reach_m
            How far from there its sides may reach [m]; they do to their next two corners.
        """
        ends = np.asarray(shapely.points(shapely.get_coordinates(across)[[0, -1]]), dtype=object)
        one, two = self.nearest(ends).tolist()
        if not (0 <= one < self.drawn and 0 <= two < self.drawn):
            return ExpectedWidth(across.length, self.distance_sd_m(across))
        shifts = [replace(self.errors[number], vertex_m=0.0) for number in (one, two)]
        sides = [self._side(xy) for xy in _facing_corners(ground, ends, across.centroid, reach_m)]
        found = expected_width((sides[0], sides[1]), across.length)
        return found._replace(sd_m=hypot(distance_sd_m(*shifts, same_feature=one == two), found.sd_m))

    def _side(self, xy: FloatArray) -> Side:
        owners = self.nearest(np.asarray(shapely.points(xy), dtype=object)).tolist()
        return Side(xy, np.array([self.errors[owner].vertex_m if owner >= 0 else 0.0 for owner in owners]))

    def distance_sds_m(
        self, edges: NDArray[np.object_], things: NDArray[np.object_], on_parcel: BoolArray
    ) -> FloatArray:
        """Return how far distances between points of edges and of things beside them may be off, shape (n,) [m].

        0 where an edge follows the thing itself, and where one of both follows no feature that a layer draws.

        Parameters
        ----------
        edges, things
            Points of the ground's outline, and of the outlines of things, shape (n,) each.
        on_parcel
            Whether the thing is the parcel's boundary, on which others may lie as well, shape (n,).
        """
        beside = np.where(on_parcel, self.parcel, self._nearest(things, self._things, self.parcel + 1))
        pairs = np.column_stack([self.nearest(edges), beside])
        kinds, which = np.unique(pairs, axis=0, return_inverse=True)
        known = [
            distance_sd_m(self.errors[one], self.errors[two]) if one != two and min(one, two) >= 0 else 0.0
            for one, two in kinds.tolist()
        ]
        return np.array(known)[which.ravel()]

    def nearest(self, points: NDArray[np.object_]) -> IntArray:
        """Return the number of the feature whose outline each point lies on, -1 where that is none, shape (n,)."""
        return self._nearest(points, self.outlines, 0)

    @cached_property
    def _things(self) -> STRtree:
        return STRtree(self.outlines.geometries[self.parcel + 1 :])

    def _nearest(self, points: NDArray[np.object_], outlines: STRtree, first: int) -> IntArray:
        found = np.full(len(points), -1, dtype=np.int64)
        index, outline = outlines.query_nearest(points, max_distance=MAPPED_REACH_M)
        order = np.lexsort((-outline, index))  # of several as near the first has the last word
        found[index[order]] = self.feature[first + outline[order]]
        return found

    def _error(self, feature: int, end: BaseGeometry) -> VectorError:
        if feature >= 0:
            return self.errors[feature]
        if self.seen is None:
            return self.elsewhere
        return VectorError(0.0, 0.0, float(self.seen.side_sd_m([end])[0]))


def outline_features(site: Site, plan: Plan) -> OutlineFeatures:
    """Return the features that the outline of the mowable ground follows."""
    found: OutlineFeatures = plan.derived(_OUTLINE_FEATURES, lambda: _found(site, plan))
    return found


def _found(site: Site, plan: Plan) -> OutlineFeatures:
    # Where two are as near the first counts: a surveyed lawn is its own outline.
    surveyed = bool(plan.select("lawn", source="surveyed"))
    drawn = [("lawns", shape) for shape in site.geometries("lawns") if surveyed] + [("parcels", site.parcel)]
    drawn += [(layer, shape) for layer in (*MAPPED_LAYERS, "trees") for shape in site.geometries(layer)]
    layers = np.array([layer for layer, _ in drawn])
    kept = plan.rows("keepouts")
    shapes = np.array([*(shape for _, shape in drawn), *(row["geometry"] for row in kept)], dtype=object)
    sources = _sources(kept, shapes[: len(drawn)], layers)
    feature = np.concatenate([np.arange(len(drawn)), sources])
    by_layer = {layer: vector_error(site.accuracy, layer) for layer in set(layers)}
    any_layer = vector_error(site.accuracy)
    errors = [_of_shape(by_layer[layer], shape) for layer, shape in drawn] + [any_layer for _ in kept]
    areas = shapely.get_dimensions(shapes) == 2
    shapes[areas] = shapely.boundary(shapes[areas])
    parcel = int(np.flatnonzero(layers == "parcels")[0])
    return OutlineFeatures(STRtree(shapes), feature, len(drawn), parcel, errors, any_layer, seen_outlines(site, plan))


def _facing_corners(
    ground: Polygon, ends: NDArray[np.object_], middle: BaseGeometry, reach_m: float
) -> list[FloatArray]:
    """Return the corners of ground along its outline from two points of it, both ways, each shape (n, 2) [m].

    They are the next two either way, all within reach of the middle, and one more at either end that says which way the
    outline goes on; of an outline that leads from one point to the other each gets the half that is nearer.
    """
    rings = ground_rings(ground)
    edges = [shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1)) for ring in rings]
    own = [min(range(len(rings)), key=lambda n: float(shapely.distance(edges[n], end).min())) for end in ends]
    at = [int(shapely.distance(edges[ring], end).argmin()) for ring, end in zip(own, ends, strict=True)]
    found = []
    for one, other in ((0, 1), (1, 0)):
        corners = np.roll(rings[own[one]][:-1], -1 - at[one], axis=0)
        between = (at[other] - at[one]) % len(corners) if own[one] == own[other] else 2 * len(corners)
        far = np.hypot(*(corners - shapely.get_coordinates(middle)).T) > reach_m
        ahead = _run(corners, far, between // 2)
        behind = _run(corners[::-1], far[::-1], (len(corners) - between) // 2 if between < len(corners) else between)
        found.append(np.concatenate([behind[::-1], ahead]))
    return found


def _run(corners: FloatArray, far: BoolArray, most: int) -> FloatArray:
    """Return the first corners up to one that is far, that one with them; of most, the last turns back."""
    count = max(2, int(far.argmax())) if far.any() else len(corners) - 1
    if count < most:
        return corners[: count + 1]
    last, after = corners[max(most - 1, 0)], corners[min(most, len(corners) - 1)]
    return np.concatenate([corners[:most], [last - BEYOND_SHARE * (after - last)]])


def _of_shape(error: VectorError, shape: BaseGeometry) -> VectorError:
    """Return how far a feature is off: what is drawn as a point has no corners, and moves as a whole."""
    if shape.geom_type != "Point":
        return error
    return VectorError(error.survey_m, hypot(error.feature_m, error.vertex_m), 0.0)


def _sources(keepouts: Sequence[Row], drawn: NDArray[np.object_], layers: NDArray[np.str_]) -> IntArray:
    """Return the feature that each keep-out is drawn from, shape (n,); a number of its own where there is none."""
    own = len(drawn) + np.arange(len(keepouts))
    if not len(keepouts):
        return own
    # A hedge on the parcel's boundary has its line at the rim of what is kept out.
    shapes = shapely.buffer([row["geometry"] for row in keepouts], RIM_M)
    row, feature = STRtree(drawn).query(shapes, predicate="intersects")
    fits = np.array([layers[n] in LAYERS_OF.get(keepouts[k]["reason"], ()) for k, n in zip(row, feature, strict=True)])
    row, feature = row[fits.astype(bool)], feature[fits.astype(bool)]
    shared = shapely.intersection(shapes[row], drawn[feature])
    order = np.argsort(shapely.area(shared) + shapely.length(shared), kind="stable")  # most of it has the last word
    own[row[order]] = feature[order]
    return own
