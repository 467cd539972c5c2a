"""How many hours a mower needs for a lawn, and how large a lawn it keeps up with.

A mower that drives straight until the wire and turns by a random angle covers ground as a random search does: after
the effort C (area swept over area of the lawn) the share 1 - exp(-C) is mown at least once.
"""

from __future__ import annotations

from math import pi

import numpy as np
from numpy.typing import ArrayLike

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError

TURN_SECONDS = 3.0
"""Back off and turn at the wire [s]; common practice, no source."""

TURNING_SHARE_MAX = 0.9
"""In the narrowest of zones a mower still moves on now and then."""

SLOPE_TIME_SHARE = 0.5
"""Time added per unit of slope (a 20 % slope: a tenth), for slower and slipping wheels; common practice, no source."""


def search_effort(share: ArrayLike) -> FloatArray:
    """Return the effort C = width × speed × time / area that random paths need to mow a share of a lawn.

    Parameters
    ----------
    share
        Of the lawn, mown at least once, 0 to below 1.

    Raises
    ------
    ParameterError
        When a share is not in 0 ≤ share < 1: the last blade is never certain.

    Notes
    -----
    The inverse of f = 1 - exp(-C) (B. O. Koopman, 1946, "Search and screening"; A. R. Washburn, "Search and
    detection").

    Examples
    --------
    >>> round(float(search_effort(0.95)), 4)
    2.9957
    """
    wanted = np.asarray(share, dtype=np.float64)
    if not np.all((wanted >= 0) & (wanted < 1)):
        raise ParameterError(f"the share to be mown must be from 0 to below 1, not {share!r}")
    return np.asarray(-np.log1p(-wanted))


def area_rate_m2_h(cutting_width_m: float, speed_mps: float, *, turning_share: float = 0.1) -> float:
    """Return the area that a mower sweeps in an hour of mowing, overlaps counted again [m²/h].

    Parameters
    ----------
    cutting_width_m
        Width of the cut [m].
    speed_mps
        Speed on a straight [m/s].
    turning_share
        Share of the time spent turning; common practice, no source.
    """
    if not (cutting_width_m > 0 and speed_mps > 0 and 0 <= turning_share < 1):
        raise ParameterError(
            f"no area rate for a width of {cutting_width_m} m, {speed_mps} m/s and a turning share of {turning_share}"
        )
    return cutting_width_m * speed_mps * 3600 * (1 - turning_share)


def mowing_hours(
    area_m2: ArrayLike, *, rate_m2_h: float, share: float = 0.95, slope_percent: ArrayLike = 0.0
) -> FloatArray:
    """Return the hours of mowing, without charging, until a share of each zone is mown once.

    Parameters
    ----------
    area_m2
        Ground area of each zone, shape (n,) [m²].
    rate_m2_h
        Area swept in an hour, from :func:`area_rate_m2_h` [m²/h].
    share
        Share to be mown, 0 to below 1.
    slope_percent
        Typical slope, one or shape (n,) [percent]; adds :data:`SLOPE_TIME_SHARE` of time per unit.
    """
    if not rate_m2_h > 0:
        raise ParameterError(f"the area rate {rate_m2_h} m²/h is not above zero")
    area = _not_negative("area", area_m2)
    slope = _not_negative("slope", slope_percent)
    return np.asarray(area * search_effort(share) / rate_m2_h * (1 + SLOPE_TIME_SHARE * slope / 100))


def mowing_hours_week(
    area_m2: ArrayLike,
    *,
    cutting_width_m: float,
    speed_mps: float,
    mowings_week: float = 2.0,
    share: float = 0.95,
    slope_percent: ArrayLike = 0.0,
    turning: ArrayLike = 0.1,
) -> FloatArray:
    """Return the hours of mowing a week, without charging, that each zone needs.

    Parameters
    ----------
    area_m2
        Ground area of each zone, shape (n,) [m²].
    cutting_width_m, speed_mps
        Of the mower [m, m/s].
    mowings_week
        How often a week the share is to be mown: 7 / :func:`mow_interval_days`.
    share
        Share to be mown each time, 0 to below 1.
    slope_percent
        Typical slope, one or shape (n,) [percent].
    turning
        Share of the time spent turning, one or shape (n,), from :func:`turning_share`.
    """
    if not (mowings_week >= 0 and np.isfinite(mowings_week)):
        raise ParameterError(f"{mowings_week} mowings a week are not a number from zero")
    idle = _not_negative("turning share", turning)
    if not np.all(idle < 1):
        raise ParameterError(f"a mower that turns for a share of {turning!r} of its time never mows")
    straight = area_rate_m2_h(cutting_width_m, speed_mps, turning_share=0.0)
    hours = mowing_hours(area_m2, rate_m2_h=straight, share=share, slope_percent=slope_percent)
    return np.asarray(mowings_week * hours / (1 - idle))


def mean_run_m(area_m2: ArrayLike, perimeter_m: ArrayLike) -> FloatArray:
    """Return the mean straight run between two turns at the wire [m].

    Parameters
    ----------
    area_m2, perimeter_m
        Of each zone; the perimeter with the edges of islands [m², m].

    Notes
    -----
    π A / P, the mean chord of a region (M. W. Crofton, 1868; L. A. Santaló, 1976, "Integral geometry and geometric
    probability"). It holds for chords spread evenly in place and direction; turns to any angle come to some 12 % less
    in a square.

    Examples
    --------
    >>> round(float(mean_run_m(400.0, 80.0)), 2)
    15.71
    """
    area, perimeter = _not_negative("area", area_m2), _not_negative("perimeter", perimeter_m)
    bare = np.zeros(np.broadcast_shapes(area.shape, perimeter.shape))
    return np.asarray(np.divide(pi * area, perimeter, out=bare, where=perimeter > 0))


def turning_share(area_m2: ArrayLike, perimeter_m: ArrayLike, *, speed_mps: float) -> FloatArray:
    """Return the share of its time that a mower spends turning: the more, the narrower the zone.

    Parameters
    ----------
    area_m2, perimeter_m
        Of each zone [m², m].
    speed_mps
        Speed on a straight [m/s].

    Notes
    -----
    :data:`TURN_SECONDS` for every :func:`mean_run_m`. A zone without area gets :data:`TURNING_SHARE_MAX`.
    """
    if not speed_mps > 0:
        raise ParameterError(f"a speed of {speed_mps} m/s is not above zero")
    straight = mean_run_m(area_m2, perimeter_m) / speed_mps
    return np.asarray(np.minimum(TURN_SECONDS / (TURN_SECONDS + straight), TURNING_SHARE_MAX))


def edge_pass_hours(perimeter_m: ArrayLike, *, speed_mps: float) -> FloatArray:
    """Return the hours that driving once along the wire takes; from time to time only, to spare the grass there."""
    if not speed_mps > 0:
        raise ParameterError(f"a speed of {speed_mps} m/s is not above zero")
    return np.asarray(_not_negative("perimeter", perimeter_m) / speed_mps / 3600)


def transit_hours(access_m: ArrayLike, *, speed_mps: float, departures: ArrayLike) -> FloatArray:
    """Return the hours that driving to a zone and back takes.

    Parameters
    ----------
    access_m
        From the dock to each zone, one way [m].
    speed_mps
        Driving speed [m/s].
    departures
        How often the mower goes there, and comes back to charge.
    """
    if not speed_mps > 0:
        raise ParameterError(f"a speed of {speed_mps} m/s is not above zero")
    trips = _not_negative("departures", departures)
    return np.asarray(2 * _not_negative("way", access_m) * trips / speed_mps / 3600)


def charging_hours(mowing_h: ArrayLike, *, run_minutes: float, charge_minutes: float) -> FloatArray:
    """Return the hours of charging that hours of mowing bring with them, in the long run."""
    _check_battery(run_minutes, charge_minutes)
    return np.asarray(_not_negative("mowing hours", mowing_h) * charge_minutes / run_minutes)


def one_charge_area_m2(*, rate_m2_h: float, run_minutes: float, share: float = 0.95) -> float:
    """Return the area of which one charge mows the share, by random paths [m²]."""
    _check_battery(run_minutes, 0.0)
    effort = float(search_effort(share))
    if effort == 0:
        raise ParameterError("a share of 0 to be mown sets no limit to the area")
    return rate_m2_h * run_minutes / 60 / effort


def largest_area_m2(
    hours_week: float,
    *,
    rate_m2_h: float,
    run_minutes: float,
    charge_minutes: float,
    mowings_week: float = 2.0,
    share: float = 0.95,
) -> float:
    """Return the largest level lawn that a mower keeps up with in the hours it is allowed [m²].

    Parameters
    ----------
    hours_week
        Permitted hours a week, charging pauses included [h].
    rate_m2_h
        Area swept in an hour of mowing, from :func:`area_rate_m2_h` [m²/h].
    run_minutes, charge_minutes
        Mowing on one charge, and charging after it [minutes].
    mowings_week, share
        As for :func:`mowing_hours_week`.
    """
    _check_battery(run_minutes, charge_minutes)
    effort = mowings_week * float(search_effort(share))
    if not (hours_week >= 0 and effort > 0):
        raise ParameterError(f"no largest area for {hours_week} hours and an effort of {effort} a week")
    return hours_week * run_minutes / (run_minutes + charge_minutes) * rate_m2_h / effort


def _not_negative(name: str, values: ArrayLike) -> FloatArray:
    numbers = np.asarray(values, dtype=np.float64)
    if not np.all((numbers >= 0) & np.isfinite(numbers)):
        raise ParameterError(f"{name} must be finite and not negative, not {values!r}")
    return numbers


def _check_battery(run_minutes: float, charge_minutes: float) -> None:
    if not (run_minutes > 0 and charge_minutes >= 0):
        raise ParameterError(f"a run of {run_minutes} min and a charge of {charge_minutes} min make no cycle")
