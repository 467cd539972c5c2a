"""The part of the lawn's outline that no layer draws: seen in an image or surface model only, and how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.ground.cover import confidence_within
from lawngis.ground.imagery import cell_side_m

from ..model.plan import Derived, Plan
from ..model.site import VECTOR_ACCURACY, Site, vector_error
from .imagery_rules import DOUBT_COVERS

FloatArray = NDArray[np.float64]

MAPPED_REACH_M = 0.3
"""Outline this near to something that a layer draws is that thing's outline: cleaning and closing move it so far."""

BAND_M = 0.5
"""How far on either side of an outline the cover counts that it parts [m]."""

CONFIDENCE_MIN = 0.2
"""Cover less sure than this makes an outline no wider: it is measured on site in any case."""

UNSEEN_CONFIDENCE = 0.4
"""Worth of ground that no piece of cover covers."""

MAPPED_LAYERS = ("buildings", "hard_surfaces", "beds", "water", "streets", "barriers", "obstacles")

_SEEN_OUTLINES = Derived(
    "outlines seen in the image",
    (
        "keepouts",
        "cover",
        "site:parcels",
        *(f"site:{layer}" for layer in MAPPED_LAYERS),
        "raster:imagery",
        "raster:dem",
        *VECTOR_ACCURACY,
    ),
)


@dataclass(frozen=True, eq=False)
class SeenOutlines:
    """What is needed to say how sure a piece of outline is that follows the cover of the image.

    `mapped` are the outlines that layers draw, `pieces` and `sure` the cover with its confidence, `cell_m` the side
    of its cells, `position_sd_m` how far a mapped edge may be off.
    """

    mapped: BaseGeometry
    pieces: Sequence[BaseGeometry]
    sure: Sequence[float]
    cell_m: float
    position_sd_m: float

    def confidence(self, shapes: Sequence[BaseGeometry]) -> FloatArray:
        """Return how sure the cover is on both sides of lines or points, shape (n,) [0, 1]."""
        bands = shapely.buffer(np.asarray(shapes, dtype=object), BAND_M)
        return confidence_within(list(bands), self.pieces, self.sure, elsewhere=UNSEEN_CONFIDENCE)

    def side_sd_m(self, points: Sequence[BaseGeometry]) -> FloatArray:
        """Return how far the outline at points may be off, across it, shape (n,) [m].

        A mapped edge by its accuracy. One that is seen by the accuracy and the side of a cell together, divided by the
        confidence of the cover: half as sure is twice as wide. Common practice, no source.
        """
        seen = shapely.distance(self.mapped, np.asarray(points, dtype=object)) > MAPPED_REACH_M
        sure = np.maximum(self.confidence(points), CONFIDENCE_MIN)
        return np.where(seen, np.hypot(self.position_sd_m, self.cell_m) / sure, self.position_sd_m)


def seen_outlines(site: Site, plan: Plan) -> SeenOutlines | None:
    """Return the means to judge outlines that are seen only; None when the lawn follows layers alone."""
    if not plan.select("lawn", source="imagery"):
        return None
    found: SeenOutlines = plan.derived(_SEEN_OUTLINES, lambda: _seen(site, plan))
    return found


def _seen(site: Site, plan: Plan) -> SeenOutlines:
    drawn = [shape for layer in MAPPED_LAYERS for shape in site.geometries(layer)]
    drawn += [*plan.geometries("keepouts"), site.parcel]
    outlines = [shape.boundary if shape.geom_type.endswith("Polygon") else shape for shape in drawn]
    cover = plan.rows("cover")
    # Crowns hide the ground below and say nothing about it; what hangs on the threshold is in the confidence.
    ground = [row for row in cover if row["cover"] not in ("crown", *DOUBT_COVERS)]
    cell_m = cell_side_m(site.imagery.red if site.imagery is not None else site.dem)
    return SeenOutlines(
        shapely.union_all(outlines),
        [row["geometry"] for row in ground],
        [row["confidence"] for row in ground],
        float(cell_m),
        vector_error(site.accuracy).total_m,
    )
