"""How far a plan can be trusted: the chance that a decision flips, and how independent errors add up."""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import ParameterError

_SHARPEST = np.radians(120.0)
_SHARPEST_GAIN = 2 - 2 * np.cos(_SHARPEST)


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
    Φ(-|value - limit| / sd) for normally distributed errors without bias. For slopes too, which are lengths of
    gradients: that holds where every slope is as likely beforehand. With gradients spread evenly over the plane steep
    ground would be the likelier the steeper it is, and chances lean to it.

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


class OutlineSpread(NamedTuple):
    """Standard deviations of the length of outlines [m] and of the area that they enclose [m²]."""

    length_sd_m: float
    area_sd_m2: float


def outline_spread(
    rings: Sequence[FloatArray], features: Sequence[IntArray], shift_sd_m: ArrayLike, vertex_sd_m: ArrayLike
) -> OutlineSpread:
    """Return how far length and area are off of outlines that are made of the edges of several features.

    Parameters
    ----------
    rings
        Closed rings, each shape (n + 1, 2) [m].
    features
        For each ring the feature of each edge, shape (n,): an index into the sds.
    shift_sd_m, vertex_sd_m
        Of the shift of each feature as a whole and of each of its corners, along each axis, shape (features,) [m].

    Raises
    ------
    ParameterError
        When a ring hasn't a feature for each of its edges.

    Notes
    -----
    An edge of length L that moves outwards by δ, between corners that turn by θ and φ, makes its ring longer by
    δ (tan θ/2 + tan φ/2) and the area larger by δ L. A feature's shift moves all its edges; what moves alike all around
    changes nothing. A corner that moves by d alone makes the ring longer by d · (u - v), with the directions u and v of
    the edges before and after it, and the area larger by half of d × the way between its neighbours. Corners sharper
    than 120° count as such, for wire cuts them. Of second order, corners off by s make an edge of length L longer by
    s² / L: below 1 % for any edge longer than ten times s.

    Examples
    --------
    A square lawn between a street and three houses: where only the street is off, the sides beside it grow with it.

    >>> square = np.array([[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]], dtype=float)
    >>> [round(sd, 6) for sd in outline_spread([square], [np.array([0, 1, 1, 1])], [0.1, 0.0], [0.0, 0.0])]
    [0.2, 1.0]
    """
    shift, vertex = _checked_sd(shift_sd_m), _checked_sd(vertex_sd_m)
    longer, larger = np.zeros((len(shift), 2)), np.zeros((len(shift), 2))
    length_by_corners = area_by_corners = 0.0
    for ring, owner in zip(rings, features, strict=True):
        if len(ring) != len(owner) + 1:
            raise ParameterError(f"{len(owner)} features for {len(ring) - 1} edges of a ring")
        edges = np.diff(ring, axis=0)
        along = edges / np.hypot(*edges.T)[:, None]
        before = np.roll(along, 1, axis=0)
        turn = np.arctan2(before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0], (before * along).sum(axis=1))
        gain = np.tan(np.clip(turn, -_SHARPEST, _SHARPEST) / 2)
        np.add.at(longer, owner, (gain + np.roll(gain, -1))[:, None] * np.column_stack([along[:, 1], -along[:, 0]]))
        np.add.at(larger, owner, np.column_stack([edges[:, 1], -edges[:, 0]]))
        variance = vertex[owner] ** 2
        length_by_corners += float(np.sum(variance * np.minimum(2 - 2 * np.cos(turn), _SHARPEST_GAIN)))
        area_by_corners += float(np.sum(variance * ((edges + np.roll(edges, 1, axis=0)) ** 2).sum(axis=1) / 4))
    by_shift = [float(np.sum(shift**2 * (gains**2).sum(axis=1))) for gains in (longer, larger)]
    return OutlineSpread(sqrt(by_shift[0] + length_by_corners), sqrt(by_shift[1] + area_by_corners))


def _checked_sd(sd: ArrayLike) -> FloatArray:
    spread = np.asarray(sd, dtype=np.float64)
    if np.any(spread < 0):
        raise ParameterError("a standard deviation can't be negative")
    return spread
