"""Slope of the ground as the mower's wheels feel it: worked out once for a parcel, used by several steps."""

from __future__ import annotations

from lawngis.ground.steep import MowerSlope, mower_slope
from lawngis.ground.terrain import ExponentialCorrelation
from lawngis.mower import MowerProfile

from ..model.plan import Plan
from ..model.site import Site

DEM_CORRELATION_M = 1.0
"""Distance over which errors of a terrain model are taken to be alike [m]. Common practice, no source."""


def slope_under_wheels(
    site: Site, plan: Plan, mower: MowerProfile, correlation_m: float = DEM_CORRELATION_M
) -> MowerSlope:
    """Return the slope under the mower and its standard deviation on the terrain model's cells.

    Steps that ask for the same correlation share one result.
    """
    found: MowerSlope = plan.derived(
        f"slope under the wheels, errors alike over {correlation_m:g} m",
        lambda: mower_slope(
            site.dem,
            wheelbase_m=mower.wheelbase_m,
            z_sd_m=site.accuracy.dem_sd_m,
            correlation=ExponentialCorrelation(correlation_m),
        ),
    )
    return found
