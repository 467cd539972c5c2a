"""How far a plan can be trusted: the chance that a decision flips, and how independent errors add up."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chndtr, ndtr

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError


def flip_probability(value: ArrayLike, sd: ArrayLike, limit: ArrayLike) -> FloatArray:
    """Return the chance that the true value lies on the other side of a limit, 0 to 0.5.

    Parameters
    ----------
    value
        Derived values, any shape; NaN stays NaN.
    sd
        Their standard deviations, in the same unit, not negative.
    limit
        What they are compared with.

    Returns
    -------
    ndarray
        With an sd of zero: 0, or 0.5 exactly at the limit.

    Notes
    -----
    Φ(-|value - limit| / sd) for normally distributed errors without bias.

    Examples
    --------
    >>> flip_probability([1.6, 1.7, 1.9], 0.1, 1.6).round(4).tolist()
    [0.5, 0.1587, 0.0013]
    """
    spread = _checked_sd(sd)
    apart = np.abs(np.asarray(value, dtype=np.float64) - np.asarray(limit, dtype=np.float64))
    apart, spread = np.broadcast_arrays(apart, spread)
    certain = np.where(apart == 0, 0.0, np.where(np.isnan(apart), np.nan, -np.inf))
    # A tiny sd may overflow the ratio to -inf, whose probability is the right one: zero.
    with np.errstate(over="ignore"):
        z = np.divide(-apart, spread, out=certain, where=~(spread == 0))
    return np.asarray(ndtr(z), dtype=np.float64)


def length_flip_probability(length: ArrayLike, noise: ArrayLike, limit: ArrayLike) -> FloatArray:
    """Return the chance that a vector is longer than a limit where it was measured shorter, or the reverse, 0 to 0.5.

    A slope is the length of a gradient. Where noise is as large as that, it is not normally distributed: level ground
    has no direction, and many ways to be steeper.

    Parameters
    ----------
    length
        Measured, without the bias of noise; any shape, NaN stays NaN.
    noise
        Standard deviation of each of both components, in the same unit, above 0.
    limit
        What the length is compared with.

    Notes
    -----
    With normally distributed errors and nothing known beforehand the true vector lies about the measured one as the
    measured about the true: its squared length over noise² has a noncentral χ² distribution of 2 degrees of freedom
    (Marcum's Q). Far beyond the noise that is :func:`flip_probability`.

    Examples
    --------
    >>> length_flip_probability([0.0, 3.0], 2.0, 5.0).round(3).tolist()
    [0.044, 0.232]
    >>> float(flip_probability(30.0, 2.0, 35.0).round(3)), float(length_flip_probability(30.0, 2.0, 35.0).round(3))
    (0.006, 0.007)
    """
    value, spread, edge = (np.asarray(number, dtype=np.float64) for number in (length, noise, limit))
    shorter = chndtr((edge / spread) ** 2, 2, (value / spread) ** 2)
    return np.asarray(np.minimum(np.where(value <= edge, 1 - shorter, shorter), 0.5), dtype=np.float64)


def combined_sd(*sds: ArrayLike) -> FloatArray:
    """Return the standard deviation of a sum or difference of values whose errors are independent.

    The width between two edges has the combined sd of both; a height step that of both heights.

    Examples
    --------
    >>> float(combined_sd(0.3, 0.4))
    0.5
    """
    total: FloatArray = np.zeros(())
    for sd in sds:
        total = np.hypot(total, _checked_sd(sd))
    return total


def area_sd_m2(perimeter_m: ArrayLike, edge_sd_m: ArrayLike, *, correlation_m: float) -> FloatArray:
    """Return the standard deviation of an area whose edge lies a little off everywhere [m²].

    Parameters
    ----------
    perimeter_m
        Length of the edge [m].
    edge_sd_m
        Standard deviation of its position, across [m].
    correlation_m
        Length over which the edge is off by the same amount [m]: the distance between digitised vertices, say.

    Notes
    -----
    n = P / l independent stretches of length l, each off by sd, add up to sd l √n = sd √(P l); never more than sd P.
    """
    if not correlation_m > 0:
        raise ParameterError(f"the correlation length {correlation_m} m is not above zero")
    perimeter = np.asarray(perimeter_m, dtype=np.float64)
    if np.any(perimeter < 0):
        raise ParameterError("a perimeter can't be negative")
    return np.asarray(_checked_sd(edge_sd_m) * np.sqrt(perimeter * np.minimum(correlation_m, perimeter)))


def _checked_sd(sd: ArrayLike) -> FloatArray:
    spread = np.asarray(sd, dtype=np.float64)
    if np.any(spread < 0):
        raise ParameterError("a standard deviation can't be negative")
    return spread
