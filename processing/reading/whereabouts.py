"""Where layers and rasters lie beside a site's parcels: what lies elsewhere tells nothing, and somebody should know."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from lawngis.arrays import FloatArray
from lawngis.geometry.frame import horizontal_crs

from ..files.rasters import Bounds
from ..model.plan import Finding
from .site_part import metres_per_unit
from .surroundings import NEIGHBOURHOOD_M

FAR_KM = 10.0
"""What lies this far off belongs to another place, or to another CRS than it says; ours, no source."""

LAWN_AND_SAFETY = frozenset({"lawns", "buildings", "hard_surfaces", "beds", "water", "trees", "barriers", "obstacles"})
"""Layers on which hangs what is lawn, or somebody's safety: none of them may be in a wrong place unnoticed."""


class Whereabouts:
    """The ground around all parcels of a site.

    Parameters
    ----------
    bounds
        Of the parcels, shape (n, 4); those without an outline are left out.
    crs
        Of the parcels.
    """

    def __init__(self, bounds: FloatArray, crs: CRS) -> None:
        reach = NEIGHBOURHOOD_M / metres_per_unit(crs)
        self._boxes = bounds[np.isfinite(bounds).all(axis=1)] + reach * np.array([-1, -1, 1, 1])
        self._crs = crs
        self._trees: dict[str, shapely.STRtree] = {}

    def near(self, bounds: FloatArray, crs: CRS) -> bool:
        """Return whether any of some bounds, shape (n, 4), comes near a parcel."""
        known = bounds[np.isfinite(bounds).all(axis=1)]
        return bool(self._tree(crs).query(shapely.box(*known.T)).size)

    def finding(self, what: str, bounds: Bounds, crs: CRS, *, raster: bool = False) -> Finding:
        """Return what is said of a layer or raster that has nothing near any parcel, of which the bounds are known."""
        away_km = self._away_km(bounds, crs)
        values: dict[str, Any] = {
            "what": what,
            "km": away_km or None,
            "crs": crs.name,
            "case": self._mix_up(bounds, crs),
        }
        if values["case"] == "parcels":
            values["parcels_crs"] = self._crs.name
        far = away_km is None or away_km >= FAR_KM
        code = "raster-elsewhere" if raster else "layer-elsewhere"
        return Finding("stop" if far and what in LAWN_AND_SAFETY else "caution", code, values)

    def _tree(self, crs: CRS) -> shapely.STRtree:
        """Return the parcels' surroundings in a CRS."""
        key = crs.to_wkt()
        if key not in self._trees:
            left, bottom, right, top = self._boxes.T
            x, y = np.stack([left, right, right, left]), np.stack([bottom, bottom, top, top])
            if crs != self._crs:
                x, y = (np.asarray(part) for part in _transformer(self._crs, crs).transform(x, y))
            boxes = np.column_stack([x.min(axis=0), y.min(axis=0), x.max(axis=0), y.max(axis=0)])
            self._trees[key] = shapely.STRtree(shapely.box(*boxes[np.isfinite(boxes).all(axis=1)].T))
        return self._trees[key]

    def _mix_up(self, bounds: Bounds, crs: CRS) -> str:
        """Return how else the coordinates would lie here: in the parcels' CRS, or with x and y swapped."""
        left, bottom, right, top = bounds
        if crs != self._crs and self.near(np.array([bounds]), self._crs):
            return "parcels"
        return "swapped" if self.near(np.array([[bottom, left, top, right]]), crs) else ""

    def _away_km(self, bounds: Bounds, crs: CRS) -> float | None:
        """Return about how far bounds lie from the parcels [km]; None where they don't lie on the Earth."""
        geodetic = self._crs.geodetic_crs
        geod = self._crs.get_geod()
        if geodetic is None or geod is None or not len(self._boxes):
            return None
        try:
            there = _transformer(crs, horizontal_crs(geodetic)).transform_bounds(*bounds, errcheck=False)
            middle = (self._boxes[:, :2].min(axis=0) + self._boxes[:, 2:].max(axis=0)) / 2
            here = _transformer(self._crs, horizontal_crs(geodetic)).transform(*middle)
        except ProjError:
            return None
        if not np.isfinite([*there, *here]).all():
            return None
        lon, lat = np.clip(here[0], there[0], there[2]), np.clip(here[1], there[1], there[3])
        return round(float(geod.inv(here[0], here[1], lon, lat)[2]) / 1000, 1)


def _transformer(source: CRS, target: CRS) -> Transformer:
    return Transformer.from_crs(source, target, always_xy=True)
