"""Figures of a zone that hang on its shape alone: the same for one that is derived and one that somebody drew."""

from __future__ import annotations

import numpy as np
from shapely import Polygon

from lawngis.ground.raster import Grid
from lawngis.ground.zonal import weighted_quantiles, zonal_weights
from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import charging_hours, mowing_hours_week, turning_share

from ..model.site import Site


def zone_slopes_percent(slope: Grid, zone: Polygon, site: Site) -> list[float | None]:
    """Return the median, 95 % quantile and most of a zone's slope; None each where the terrain model says nothing."""
    values, weights = zonal_weights(slope, zone, site.frame)
    known = np.isfinite(values)
    if not known.any():
        return [None, None, None]
    return [float(value) for value in weighted_quantiles(values[known], weights[known], [0.5, 0.95, 1.0])]


def zone_hours_week(zone: Polygon, slope_percent: float | None, mower: MowerProfile) -> float:
    """Return the hours a week that a zone takes at the profile's mowings, charging included."""
    mowing = mowing_hours_week(
        zone.area,
        turning=turning_share(zone.area, zone.length, speed_mps=mower.speed_mps),
        cutting_width_m=mower.cutting_width_m,
        speed_mps=mower.speed_mps,
        mowings_week=mower.mowings_week,
        share=mower.coverage_share,
        slope_percent=slope_percent or 0.0,
    )
    charging = charging_hours(mowing, run_minutes=mower.run_minutes, charge_minutes=mower.charge_minutes)
    return float(mowing + charging)
