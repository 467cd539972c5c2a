r"""How wide a passage is expected to be whose sides are drawn corner by corner, each a little off.

The narrowest place of a map is the least of several widths that are all off by themselves, so it leans down: of two
ends of a passage between straight walls, the one that came out narrower. What is expected is between the mean of all
widths, where they differ by no more than their errors, and the narrowest, where they differ truly::

    a1 ________________ a2          width at a1, a2 (to the side below) and at b1, b2 (to the side above)
    b1 ________________ b2
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np

from lawngis.arrays import FloatArray, IntArray

WAVE_M = 0.02
"""Straight sides run as straight as this: lawn edges are cut, not milled [m]. Common practice, no source."""

WITHIN_SDS = 3.0
"""Widths this many standard deviations from the narrowest are another matter: there the passage opens, or ends."""

FACING_SHARE = 0.25
"""Corners face each other if the way across leads past the other by no more than this share of its length."""


class Side(NamedTuple):
    """One side of a passage: its corners in order, shape (n, 2) [m], and how far each is off by itself, (n,) [m]."""

    xy: FloatArray
    sd_m: FloatArray


class ExpectedWidth(NamedTuple):
    """Width that a passage is expected to have at its narrowest, and its sd by the errors of corners alone [m]."""

    width_m: float
    sd_m: float


def expected_width(sides: tuple[Side, Side], narrowest_m: float) -> ExpectedWidth:
    """Return how wide a passage is expected to be at its narrowest, from the widths at the corners of its sides.

    Parameters
    ----------
    sides
        Both sides, with at least a corner beyond what faces the other at each end.
    narrowest_m
        Narrowest width as drawn [m].

    Notes
    -----
    Every corner has a width, to the point of the other side that is nearest; where that is between two corners, their
    errors count by how near they are. With C the covariance of these widths w, their common mean is the generalised
    least squares one, m = 1'C⁻¹w / 1'C⁻¹1 with variance 1 / 1'C⁻¹1. Widths of their own are believed as far as they
    explain more than they cost: Q = (w - m)'C⁻¹(w - m) is n - 1 in the mean where all are one, and by Akaike's
    criterion n - 1 more numbers cost 2 (n - 1). The share k = max(0, 1 - 2 (n - 1) / Q) of what they differ by is kept.
    So the bias -s E[max of n normals] of the least of n widths of one truth is gone. That what was taken off is no
    truth is a guess itself: (1 - k) (m - least)² is added to the variance.

    References
    ----------
    B. Efron and C. Morris, 1973, Stein's estimation rule and its competitors, J. Am. Stat. Assoc. 68(341), 117-130,
    doi 10.1080/01621459.1973.10481350: shrinkage towards a common mean. H. Akaike, 1974, A new look at the statistical
    model identification, IEEE Trans. Autom. Control 19(6), 716-723, doi 10.1109/TAC.1974.1100705: its cost.

    Examples
    --------
    Two straight sides that came out 1.5 m apart at one end and 1.7 m at the other, corners off by 0.1 m:

    >>> corners = np.array([[-9, 9], [0, 1.5], [2, 1.7], [9, 9]]), np.array([[-9, -9], [0, 0], [2, 0], [9, -9.0]])
    >>> found = expected_width((Side(corners[0], np.full(4, 0.1)), Side(corners[1], np.full(4, 0.1))), 1.5)
    >>> round(found.width_m, 2), round(found.sd_m, 2)
    (1.6, 0.14)
    """
    errors = np.concatenate([sides[0].sd_m, sides[1].sd_m])
    widths, rows = _widths(sides)
    near = np.abs(widths - narrowest_m) <= WITHIN_SDS * sqrt(2) * float(errors.max(initial=0.0)) + WAVE_M
    widths, rows = widths[near], rows[near]
    if not len(widths):
        return ExpectedWidth(narrowest_m, sqrt(2) * float(errors.mean()) if len(errors) else 0.0)
    covariance = (rows * errors**2) @ rows.T + WAVE_M**2 * np.eye(len(widths))
    weights = np.linalg.solve(covariance, np.ones(len(widths)))
    mean, variance = float(weights @ widths / weights.sum()), 1.0 / float(weights.sum())
    least = int(widths.argmin())
    apart = widths - mean
    differ = float(apart @ np.linalg.solve(covariance, apart))
    kept = max(0.0, 1.0 - 2 * (len(widths) - 1) / differ) if differ > 0 else float(len(widths) == 1)
    taken_off = (1 - kept) * (mean - narrowest_m)
    guess = taken_off * (mean - narrowest_m)
    own = (1 - kept) * variance + kept * float(covariance[least, least])
    return ExpectedWidth(narrowest_m + taken_off, sqrt(own + guess))


def _widths(sides: tuple[Side, Side]) -> tuple[FloatArray, FloatArray]:
    """Return the width at each corner, shape (n,), and how it grows with the error of each corner, (n, corners).

    Two corners that face each other have one width: a corner that is nearest to another, or to a place not far beside
    that, counts where this is mutual, and once; else the other has a width of its own.
    """
    one, other = sides
    count = len(one.xy) + len(other.xy)
    found: list[tuple[float, FloatArray]] = []
    facing: set[tuple[int, int]] = set()
    for side, across, first, second in ((one, other, 0, len(one.xy)), (other, one, len(one.xy), 0)):
        width_m, edge, share, beside_m = _nearest(side.xy, across.xy)
        for corner in range(1, len(side.xy) - 1):
            at, along = second + int(edge[corner]), float(share[corner])
            row = np.zeros(count)
            row[first + corner] = 1.0
            row[[at, at + 1]] = [along - 1.0, -along]
            pair = (first + corner, at + round(along))
            if beside_m[corner] > FACING_SHARE * width_m[corner] or pair[::-1] in facing:
                found.append((float(width_m[corner]), row))
            facing.add(pair)
    return np.array([width for width, _ in found]), np.array([row for _, row in found]).reshape(len(found), count)


def _nearest(points: FloatArray, line: FloatArray) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
    """Return for each point how far a line is [m], and where that is nearest.

    That is on which of its edges, how far along that [0 to 1], and how far from the nearer end of that [m].
    """
    along = np.diff(line, axis=0)
    square = np.maximum((along**2).sum(axis=1), 1e-30)
    away = points[:, None, :] - line[:-1]
    share = np.clip((away * along).sum(axis=2) / square, 0.0, 1.0)
    distance = np.hypot(*np.moveaxis(away - share[..., None] * along, 2, 0))
    edge = distance.argmin(axis=1)
    each = np.arange(len(points))
    at = share[each, edge]
    beside_m = np.minimum(at, 1 - at) * np.sqrt(square[edge])
    return distance[each, edge], edge.astype(np.int64), at, beside_m
