"""Where a parcel lies: the plane it is measured in, and how far around it data are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from pyproj import CRS
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame

from ..model.plan import Finding
from ..model.site import DataAccuracy
from .simplification import simplified

NEIGHBOURHOOD_M = 40.0
"""How far around a parcel features are read: what stands there shades, hides or supplies."""

PARCEL_MAX_M = 3000.0
"""Longest side of a parcel: a wrong corner, rather than a lawn, makes more, and cells to fill memory."""

SEGMENT_M = 20.0
"""Longest straight piece of a rectangle's side before it is moved to another CRS, where it may be bent."""


@dataclass(frozen=True)
class Surroundings:
    """A parcel in its frame, what was said when it was put there, and rectangles around it in any CRS."""

    parcel: Polygon | MultiPolygon
    frame: MeasuringFrame
    findings: Sequence[Finding]
    _known: dict[tuple[int, float], Polygon] = field(default_factory=dict)

    @classmethod
    def of(cls, outline: BaseGeometry, crs: CRS, accuracy: DataAccuracy) -> Surroundings:
        """Return those of a parcel.

        Parameters
        ----------
        outline
            Of the parcel.
        crs
            Of the outline, a horizontal one.
        accuracy
            Of the site's layers: corners below it are left out.

        Raises
        ------
        ParameterError
            When the outline doesn't fit its CRS, or reaches further than :data:`PARCEL_MAX_M`.
        """
        frame = MeasuringFrame.centred_on(outline, crs)
        shapes, said = simplified("parcels", frame.to_frame(np.array([outline], dtype=object)), accuracy)
        left, bottom, right, top = shapes[0].bounds
        extent_m = max(right - left, top - bottom)
        if not extent_m <= PARCEL_MAX_M:
            raise ParameterError(
                f"reaches over {extent_m / 1000:,.1f} km; {PARCEL_MAX_M / 1000:g} km are the most",
                advice="Look for a corner that lies elsewhere, or cut the parcel into parts.",
            )
        return cls(shapes[0], frame, said)

    def outline_in(self, crs: CRS, margin_m: float) -> Polygon:
        """Return the outline, in a CRS in which its sides may be bent, of the rectangle that far around the parcel."""
        key = (id(crs), margin_m)
        if key not in self._known:
            rectangle = shapely.box(*self.parcel.bounds).buffer(margin_m, join_style="mitre")
            sides = shapely.segmentize(rectangle, SEGMENT_M)
            self._known[key] = shapely.transform(sides, lambda xy: self.frame.coordinates_in(crs, xy))
        return self._known[key]
