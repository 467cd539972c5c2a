"""How many hours a mower needs for a lawn, and how large a lawn it keeps up with.

A mower that drives straight until the wire and turns by a random angle covers ground as a random search does: after
the effort C (area swept over area of the lawn) the share 1 - exp(-C) is mown at least once, where it comes equally
often everywhere. Along edges, in corners and in the ends of long lawns it comes less often: :func:`unevenness`.
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

UNEVENNESS_OPEN = 0.046
UNEVENNESS_EDGE = 0.38
UNEVENNESS_LONG = 0.26
"""Variance of how often the cut comes by: of any lawn, by the share of ground along its edge, and that by how long the
lawn is; fitted to our own simulation, see :func:`unevenness`."""

HOURS_WEEK = 168.0
"""No week has more hours than this [h]."""

SLOPE_TIME_SHARE = 0.5
"""Time added per unit of slope (a 20 % slope: a tenth), for slower and slipping wheels; common practice, no source."""


def search_effort(share: ArrayLike, *, unevenness: ArrayLike = 0.0) -> FloatArray:
    """Return the effort C = width × speed × time / area that random paths need to mow a share of a lawn.

    Parameters
    ----------
    share
        Of the lawn, mown at least once, 0 to below 1.
    unevenness
        Variance, relative to its mean, of how often the cut comes by the places of the lawn, from :func:`unevenness`.

    Raises
    ------
    ParameterError
        When a share is not in 0 ≤ share < 1: the last blade is never certain; or a variance is below zero.

    Notes
    -----
    The inverse of f = 1 - exp(-C) (B. O. Koopman, 1946, "Search and screening"; A. R. Washburn, "Search and
    detection"). Where the cut comes by more often here than there, by a gamma distribution of the variance u,
    f = 1 - (1 + u C)^(-1/u), the zero class of the negative binomial distribution (M. Greenwood and G. U. Yule, 1920,
    "An inquiry into the nature of frequency distributions", J. Royal Statistical Society 83, 255-279).

    Examples
    --------
    >>> round(float(search_effort(0.95)), 4)
    2.9957
    >>> round(float(search_effort(0.95, unevenness=0.2)), 4)
    4.1028
    """
    wanted, uneven = np.asarray(share, dtype=np.float64), _not_negative("unevenness", unevenness)
    if not np.all((wanted >= 0) & (wanted < 1)):
        raise ParameterError(f"the share to be mown must be from 0 to below 1, not {share!r}")
    even = -np.log1p(-wanted)
    # Divided by what can't be 0, so that an even lawn is the limit.
    return np.asarray(np.where(uneven > 0, np.expm1(uneven * even) / np.where(uneven > 0, uneven, 1.0), even))


def unevenness(area_m2: ArrayLike, perimeter_m: ArrayLike, *, cutting_width_m: float) -> FloatArray:
    """Return the variance, relative to its mean, of how often random paths come by the places of a lawn.

    Parameters
    ----------
    area_m2, perimeter_m
        Of each zone; the perimeter with the edges of islands [m², m].
    cutting_width_m
        Width of the cut [m].

    Notes
    -----
    ::

        e = w P / A                     share of the ground within a cut of the edge
        k = ln max(1, P² / 16 A)        0 for a square, the more the longer the lawn
        u = 0.046 + 0.38 e + 0.26 e k

    Places nearer to the edge than a cut are cut only from one side, and a long lawn is crossed more often than it is
    gone along. Fitted to :mod:`lawngis.mowing.bounce`, driven from one place at the edge, on squares of 5 to 40 m,
    strips of 2 to 6 m by 10 to 80 m and L-shapes, with cuts of 0.18 to 0.42 m, for 90, 95 and 98 % mown. On 60 zones of
    real plots that it was not fitted to, the effort for 95 % is 18 % too small without and 1 % too large with it, with
    a spread of 3 %; a T or a comb of narrow arms takes up to a quarter more still.

    Examples
    --------
    A square of 20 m and a strip of 3 × 40 m:

    >>> unevenness([400, 120], [80, 86], cutting_width_m=0.24).round(3).tolist()
    [0.064, 0.172]
    """
    area, perimeter = _not_negative("area", area_m2), _not_negative("perimeter", perimeter_m)
    if not cutting_width_m > 0:
        raise ParameterError(f"a cut of {cutting_width_m} m is not above zero")
    some = np.where(area > 0, area, np.inf)
    edge = np.minimum(cutting_width_m * perimeter / some, 1.0)
    long = np.log(np.maximum(perimeter**2 / (16 * some), 1.0))
    return np.asarray(UNEVENNESS_OPEN + UNEVENNESS_EDGE * edge + UNEVENNESS_LONG * edge * long)


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
    area_m2: ArrayLike,
    *,
    rate_m2_h: float,
    share: float = 0.95,
    slope_percent: ArrayLike = 0.0,
    unevenness: ArrayLike = 0.0,
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
    unevenness
        One or shape (n,), from :func:`unevenness`.
    """
    if not rate_m2_h > 0:
        raise ParameterError(f"the area rate {rate_m2_h} m²/h is not above zero")
    area = _not_negative("area", area_m2)
    slope = _not_negative("slope", slope_percent)
    return np.asarray(
        area * search_effort(share, unevenness=unevenness) / rate_m2_h * (1 + SLOPE_TIME_SHARE * slope / 100)
    )


def zone_mowing_hours(
    area_m2: ArrayLike,
    perimeter_m: ArrayLike,
    *,
    cutting_width_m: float,
    speed_mps: float,
    share: float = 0.95,
    slope_percent: ArrayLike = 0.0,
) -> FloatArray:
    """Return the hours that one mowing of each zone takes, turns at the wire included, charging not.

    Parameters
    ----------
    area_m2, perimeter_m
        Of each zone, shape (n,); the perimeter with the edges of islands [m², m].
    cutting_width_m, speed_mps
        Of the mower [m, m/s].
    share
        Share to be mown at least once, 0 to below 1.
    slope_percent
        Typical slope, one or shape (n,) [percent].
    """
    turning = turning_share(area_m2, perimeter_m, speed_mps=speed_mps)
    straight = area_rate_m2_h(cutting_width_m, speed_mps, turning_share=0.0)
    uneven = unevenness(area_m2, perimeter_m, cutting_width_m=cutting_width_m)
    hours = mowing_hours(area_m2, rate_m2_h=straight, share=share, slope_percent=slope_percent, unevenness=uneven)
    return np.asarray(hours / (1 - turning))


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


def same_shape_area_m2(
    hours: float,
    area_m2: float,
    perimeter_m: float,
    *,
    cutting_width_m: float,
    speed_mps: float,
    share: float = 0.95,
) -> float:
    """Return the area of a level lawn, as uneven and as much turned on as a given one, of which hours mow the share.

    Parameters
    ----------
    hours
        Of mowing, without charging [h].
    area_m2, perimeter_m
        Of the given lawn [m², m].
    cutting_width_m, speed_mps, share
        As for :func:`zone_mowing_hours`.
    """
    if not (area_m2 > 0 and share > 0):
        raise ParameterError(f"no area to be mown like one of {area_m2} m² for a share of {share}")
    once = zone_mowing_hours(area_m2, perimeter_m, cutting_width_m=cutting_width_m, speed_mps=speed_mps, share=share)
    return float(_not_negative("hours", hours) * area_m2 / once)


def mowing_room_h(hours_week: float, *, run_minutes: float, charge_minutes: float) -> float:
    """Return the hours of mowing that hours of the week hold in the long run, charging pauses taken out [h].

    Raises
    ------
    ParameterError
        When a week of so many hours can't be.
    """
    _check_battery(run_minutes, charge_minutes)
    if not 0 <= hours_week <= HOURS_WEEK:
        raise ParameterError(f"a week has 0 to {HOURS_WEEK:g} hours, not {hours_week}")
    return hours_week * run_minutes / (run_minutes + charge_minutes)


def _not_negative(name: str, values: ArrayLike) -> FloatArray:
    numbers = np.asarray(values, dtype=np.float64)
    if not np.all((numbers >= 0) & np.isfinite(numbers)):
        raise ParameterError(f"{name} must be finite and not negative, not {values!r}")
    return numbers


def _check_battery(run_minutes: float, charge_minutes: float) -> None:
    if not (run_minutes > 0 and charge_minutes >= 0):
        raise ParameterError(f"a run of {run_minutes} min and a charge of {charge_minutes} min make no cycle")
