"""Which feature each place of the ground's outline follows, and so how far distances between two places may be off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, STRtree
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray, IntArray
from lawngis.error_model import VectorError, distance_sd_m

from ..model.plan import Derived, Plan, Row
from ..model.site import VECTOR_ACCURACY, Site, vector_error
from .outline_accuracy import MAPPED_LAYERS, MAPPED_REACH_M, SeenOutlines, seen_outlines

RIM_M = 0.01
"""What is cut off a thing at the boundary ends this near to it."""

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

    `elsewhere` is the error of what follows none; `seen` judges outlines that an image shows and no layer draws.
    """

    outlines: STRtree
    feature: IntArray
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

    def distance_sds_m(self, starts: NDArray[np.object_], ends: NDArray[np.object_]) -> FloatArray:
        """Return how far distances between points of outlines that layers draw may be off, shape (n,) [m].

        0 between two points of one feature that nothing parts, and where an end follows no feature that a layer draws.
        """
        pairs = np.column_stack([self.nearest(starts), self.nearest(ends)])
        kinds, which = np.unique(pairs, axis=0, return_inverse=True)
        known = [
            distance_sd_m(self.errors[one], self.errors[two]) if one != two and min(one, two) >= 0 else 0.0
            for one, two in kinds.tolist()
        ]
        return np.array(known)[which.ravel()]

    def nearest(self, points: NDArray[np.object_]) -> IntArray:
        """Return the number of the feature whose outline each point lies on, -1 where that is none, shape (n,)."""
        found = np.full(len(points), -1, dtype=np.int64)
        index, outline = self.outlines.query_nearest(points, max_distance=MAPPED_REACH_M)
        order = np.lexsort((-outline, index))  # of several as near the first has the last word
        found[index[order]] = self.feature[outline[order]]
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
    errors = [*(by_layer[layer] for layer in layers), *(any_layer for _ in kept)]
    areas = shapely.get_dimensions(shapes) == 2
    shapes[areas] = shapely.boundary(shapes[areas])
    return OutlineFeatures(STRtree(shapes), feature, errors, any_layer, seen_outlines(site, plan))


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
