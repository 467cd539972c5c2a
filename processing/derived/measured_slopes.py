"""Slopes that somebody measured on site, laid over those of the terrain model."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.steep import steep_areas, undecided_areas
from lawngis.mower import MowerProfile

from ..model.plan import Finding
from ..model.site import MeasuredSlope, Site

REACH_M = 1.5
"""A slope measured at a point holds this far around it, unless the point lies on ground that the terrain model can't
decide on, or that is too steep by it: then it holds for all of that."""

SURE_SDS = 3.0
"""A measured slope this many standard deviations from the derived one says that the terrain model is wrong."""


def slope_as_measured(
    site: Site, slope: Grid, sd: Grid, mower: MowerProfile, *, area_min_m2: float
) -> tuple[Grid, Grid, list[Finding]]:
    """Return slope and its standard deviation with measured slopes laid over them, and what they contradict.

    Parameters
    ----------
    site
        With the slopes measured.
    slope, sd
        Slope under the mower and its standard deviation [percent].
    mower
        Whose limit decides.
    area_min_m2
        Ground in doubt smaller than this was not asked about [m²].
    """
    findings: list[Finding] = []
    for measured in site.measured_slopes:
        place = _ground_of(site, measured, slope, sd, mower, area_min_m2)
        xy = centres_in(slope, site.frame)
        here = shapely.contains_xy(place, xy[:, 0], xy[:, 1]).reshape(slope.shape)
        known = here & np.isfinite(slope.values) & np.isfinite(sd.values)
        if known.any():
            findings += _contradicted(measured, slope.values[known], sd.values[known])
        slope = slope.with_values(np.where(here, measured.percent, slope.values))
        sd = sd.with_values(np.where(here, 0.0, sd.values))
    return slope, sd, findings


def _ground_of(
    site: Site, measured: MeasuredSlope, slope: Grid, sd: Grid, mower: MowerProfile, area_min_m2: float
) -> BaseGeometry:
    """Return the ground that a measured slope tells of."""
    place = measured.place
    if place.area > 0:
        return place
    limit = mower.slope_limit_percent
    doubtful = undecided_areas(slope, sd.values, limit_percent=limit, frame=site.frame, area_min_m2=area_min_m2)
    steep = steep_areas(slope, sd.values, limit_percent=limit, frame=site.frame, area_min_m2=mower.steep_area_min_m2)
    around = place.buffer(REACH_M)
    met = [area.polygon for area in doubtful if area.polygon.dwithin(place, REACH_M / 2)]
    if measured.percent <= limit:
        met += [area.polygon for area in steep if area.polygon.dwithin(place, REACH_M / 2)]
    return shapely.union_all([around, *met]) if met else around


def _contradicted(measured: MeasuredSlope, derived: np.ndarray, sd: np.ndarray) -> list[Finding]:
    mean, spread = float(np.mean(derived)), float(np.mean(sd))
    if abs(measured.percent - mean) <= SURE_SDS * spread:
        return []
    text = (
        f"measured a slope of {measured.percent:g} %, but the terrain model says {mean:.0f} ± {spread:.0f} %: "
        "the measurement counts"
    )
    place = measured.place.representative_point()
    return [Finding("caution", "override-contradicts", text, "Check the terrain model's date and unit.", place)]


def steep_evidence(site: Site, ground: BaseGeometry, limit_percent: float, otherwise: str) -> str:
    """Return what says that ground is steep: somebody who measured it, or else what the terrain model says."""
    told = any(item.percent > limit_percent and item.place.dwithin(ground, REACH_M) for item in site.measured_slopes)
    return "slope measured on site" if told else otherwise
