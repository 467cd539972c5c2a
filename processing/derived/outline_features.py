"""Which feature each place of the ground's outline follows, and so how far distances between two places may be off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, STRtree
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import IntArray
from lawngis.error_model import VectorError, distance_sd_m

from ..model.plan import Derived, Plan
from ..model.site import VECTOR_ACCURACY, Site, vector_error
from .outline_accuracy import MAPPED_LAYERS, MAPPED_REACH_M, SeenOutlines, seen_outlines

LAYER_OF: Mapping[str, str] = {
    "water": "water",
    "bed": "beds",
    "tree": "trees",
    "obstacle": "barriers",
    "drop": "barriers",
}
"""Layer that a keep-out is drawn from, by its reason: around a trunk or along a hedge it is wider than that is drawn."""

READS = (
    "cover", "lawn", "keepouts", "site:lawns", "site:parcels", "site:trees", *(f"site:{layer}" for layer in MAPPED_LAYERS), "raster:imagery", "raster:dem",
    *VECTOR_ACCURACY,
)  # fmt: skip
"""What a step declares that asks for them."""

_OUTLINE_FEATURES = Derived("features that outlines follow", READS)


@dataclass(frozen=True, eq=False)
class OutlineFeatures:
    """Outlines of all features near the lawn, with the error of each; `elsewhere` is that of what follows none.

    `seen` judges outlines that an image shows and no layer draws.
    """

    outlines: STRtree
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
        ends = shapely.points(shapely.get_coordinates(across)[[0, -1]])
        one, two = self.nearest(ends).tolist()
        sides = [self._error(number, end) for number, end in zip((one, two), ends, strict=True)]
        return distance_sd_m(*sides, same_feature=one == two and one >= 0)

    def nearest(self, points: NDArray[np.object_]) -> IntArray:
        """Return the number of the feature whose outline each point lies on, -1 where that is none, shape (n,)."""
        found = np.full(len(points), -1, dtype=np.int64)
        index, feature = self.outlines.query_nearest(points, max_distance=MAPPED_REACH_M)
        order = np.lexsort((-feature, index))  # of several as near the first has the last word
        found[index[order]] = feature[order]
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
    drawn += [(LAYER_OF.get(row["reason"], ""), row["geometry"]) for row in plan.rows("keepouts")]
    errors = {layer: vector_error(site.accuracy, layer) for layer in {layer for layer, _ in drawn}}
    shapes = np.array([shape for _, shape in drawn], dtype=object)
    areas = shapely.get_dimensions(shapes) == 2
    shapes[areas] = shapely.boundary(shapes[areas])
    return OutlineFeatures(
        STRtree(shapes), [errors[layer] for layer, _ in drawn], vector_error(site.accuracy), seen_outlines(site, plan)
    )
