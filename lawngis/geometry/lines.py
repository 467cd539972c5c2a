"""Polylines as arrays: lengths, bends, places along them, winding numbers.

A line is an array of shape (n, 2), x before y, in metres of the measuring frame. A line is closed when its first
and last vertex are equal; no function takes a flag for it.
"""

from __future__ import annotations

import numpy as np

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import ParameterError

_SAME_M = 1e-9
"""Chainages closer than this are one place, whatever rounding made of them."""

_CHUNK = 2_000_000
"""Point-segment pairs held in memory at once (16 MB per temporary)."""


def segment_lengths_m(xy: FloatArray) -> FloatArray:
    """Return the length of each segment of a line.

    Parameters
    ----------
    xy
        Line, shape (n, 2) [m].

    Returns
    -------
    ndarray
        Shape (n - 1,) [m].
    """
    step = np.diff(xy, axis=0)
    return np.hypot(step[:, 0], step[:, 1])


def chainage_m(xy: FloatArray, z: FloatArray | None = None) -> FloatArray:
    """Return the distance walked from the first vertex to each vertex, up and down the slope where heights are known.

    Parameters
    ----------
    xy
        Line, shape (n, 2) [m].
    z
        Height of each vertex, shape (n,) [m]; None for level ground. A segment with a missing (NaN) height at
        either end counts as level.

    Returns
    -------
    ndarray
        Shape (n,), starting with 0 and never falling [m].

    Raises
    ------
    ParameterError
        When there are not as many heights as vertices.

    Examples
    --------
    >>> chainage_m(np.array([[0.0, 0.0], [3.0, 0.0]]), np.array([0.0, 4.0]))
    array([0., 5.])
    """
    length = segment_lengths_m(xy)
    if z is not None:
        if len(z) != len(xy):
            raise ParameterError(f"{len(z)} heights for {len(xy)} vertices")
        length = np.hypot(length, np.nan_to_num(np.diff(z)))
    return np.concatenate([[0.0], np.cumsum(length)])


def is_closed(xy: FloatArray) -> bool:
    """Return whether the line ends where it begins."""
    return len(xy) > 2 and bool(np.array_equal(xy[0], xy[-1]))


def bends_deg(xy: FloatArray) -> FloatArray:
    """Return by how much the line turns at each vertex: positive to the left, negative to the right.

    The ends of an open line do not bend. Both ends of a closed line hold the bend at the closing vertex.
    A vertex that repeats the one before it does not bend either; the bend is then that of the first of the two.

    Parameters
    ----------
    xy
        Line, shape (n, 2) [m].

    Returns
    -------
    ndarray
        Shape (n,), within -180 and 180 [degrees].

    Examples
    --------
    >>> bends_deg(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]]))
    array([ 0., 90.,  0.])
    """
    keep = np.concatenate([[True], segment_lengths_m(xy) > 0.0])
    bends = np.zeros(len(xy))
    line = xy[keep]
    if len(line) < 3:
        return bends
    step = np.diff(line, axis=0)
    before, after = step[:-1], step[1:]
    if is_closed(line):
        before, after = step, np.roll(step, -1, axis=0)
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    dot = np.einsum("ij,ij->i", before, after)
    angle = np.degrees(np.arctan2(cross, dot))
    inner = np.zeros(len(line))
    inner[1 : 1 + len(angle)] = angle
    if is_closed(line):
        inner[0] = inner[-1]
    bends[keep] = inner
    return bends


def points_along(xy: FloatArray, chainage: FloatArray, at_m: FloatArray) -> FloatArray:
    """Return the points at given chainages of a line.

    Parameters
    ----------
    xy
        Line, shape (n, 2) [m].
    chainage
        Chainage of its vertices, shape (n,) [m]; may include the slope.
    at_m
        Chainages asked for, shape (k,) [m]; those beyond an end give that end.

    Returns
    -------
    ndarray
        Shape (k, 2) [m].
    """
    return np.column_stack([np.interp(at_m, chainage, xy[:, 0]), np.interp(at_m, chainage, xy[:, 1])])


def line_between(xy: FloatArray, chainage: FloatArray, from_m: float, to_m: float) -> FloatArray:
    """Return the part of a line between two chainages, in the line's direction.

    A closed line may be walked over its closing vertex: `to_m` below or equal to `from_m` then means once past the
    end, so that equal values give the whole ring.

    Parameters
    ----------
    xy, chainage
        Line and chainage of its vertices, shapes (n, 2) and (n,) [m].
    from_m, to_m
        Where the part begins and ends [m].

    Returns
    -------
    ndarray
        Shape (k, 2), k >= 2 [m].

    Raises
    ------
    ParameterError
        When an open line is asked for a part that runs backwards.
    """
    if to_m <= from_m + _SAME_M:
        if not is_closed(xy):
            raise ParameterError(f"an open line has no part from {from_m:.3f} m to {to_m:.3f} m")
        xy = np.concatenate([xy, xy[1:]])
        to_m = to_m + chainage[-1]
        chainage = np.concatenate([chainage, chainage[1:] + chainage[-1]])
    ends = points_along(xy, chainage, np.array([from_m, to_m]))
    between = (chainage > from_m + _SAME_M) & (chainage < to_m - _SAME_M)
    return np.concatenate([ends[:1], xy[between], ends[1:]])


def cut_at(xy: FloatArray, chainage: FloatArray, cuts: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return the parts of a line from each cut to the next, as :func:`line_between` does for each.

    Parameters
    ----------
    xy, chainage
        Line and chainage of its vertices, shapes (n, 2) and (n,) [m].
    cuts
        Rising, shape (k + 1,) [m]: the first is the line's beginning, the last its end.

    Returns
    -------
    points : ndarray
        Of all parts, one after the other, shape (m, 2) [m].
    part : ndarray
        The part, 0 to k - 1, that each belongs to, shape (m,).
    """
    ends = points_along(xy, chainage, cuts)
    part = np.clip(np.searchsorted(cuts, chainage, side="right") - 1, 0, len(cuts) - 2)
    inner = (chainage > cuts[part] + _SAME_M) & (chainage < cuts[part + 1] - _SAME_M)
    number = np.arange(len(cuts) - 1)
    owner = np.concatenate([number, part[inner], number])
    order = np.argsort(owner, kind="stable")
    return np.concatenate([ends[:-1], xy[inner], ends[1:]])[order], owner[order]


def snapped_chainage(chainage: FloatArray, at_m: FloatArray, within_m: float) -> FloatArray:
    """Return chainages along a closed line, moved onto a vertex where one is near.

    Parameters
    ----------
    chainage
        Chainage of the vertices, shape (n,) [m].
    at_m
        Chainages to move, between 0 and the line's length, shape (k,) [m].
    within_m
        How near a vertex must be [m].

    Returns
    -------
    ndarray
        Shape (k,), at least 0 and below the line's length [m].

    Examples
    --------
    >>> snapped_chainage(np.array([0.0, 1.0, 2.0]), np.array([0.5, 0.99, 1.995]), 0.02)
    array([0.5, 1. , 0. ])
    """
    index = np.clip(np.searchsorted(chainage, at_m), 1, len(chainage) - 1)
    low, high = chainage[index - 1], chainage[index]
    near_low, near_high = at_m - low < within_m, high - at_m < within_m
    moved: FloatArray = np.where(near_low & (at_m - low <= high - at_m), low, np.where(near_high, high, at_m))
    return moved % float(chainage[-1])


def winding_number(xy: FloatArray, points: FloatArray) -> IntArray:
    """Return how often a closed line goes round each point: anti-clockwise counts up, clockwise down.

    Parameters
    ----------
    xy
        Closed line, shape (n, 2) [m].
    points
        Shape (k, 2) [m]. A point on the line itself may get either neighbour's number.

    Returns
    -------
    ndarray of int
        Shape (k,).

    Raises
    ------
    ParameterError
        When the line is not closed.

    Notes
    -----
    Counts, for each point, the segments that cross the ray to its right, upward +1 and downward -1.

    References
    ----------
    D. Sunday, "Inclusion of a Point in a Polygon", 2001 (winding number by crossings).
    """
    if not is_closed(xy):
        raise ParameterError("a winding number needs a closed line", advice="Let it end at its first vertex.")
    start, step = xy[:-1], np.diff(xy, axis=0)
    number = np.zeros(len(points), dtype=np.int64)
    rows = max(1, _CHUNK // len(start))
    for first in range(0, len(points), rows):
        x = points[first : first + rows, :1]
        y = points[first : first + rows, 1:]
        below, below_next = start[:, 1] <= y, xy[1:, 1] <= y
        left = step[:, 0] * (y - start[:, 1]) - (x - start[:, 0]) * step[:, 1]
        up = below & ~below_next & (left > 0.0)
        down = ~below & below_next & (left < 0.0)
        number[first : first + rows] = up.sum(axis=1) - down.sum(axis=1)
    return number


def subdivided(xy: FloatArray, step_m: float) -> tuple[FloatArray, IntArray]:
    """Return a line with extra vertices, so that none is further than `step_m` from the next, and where its own are.

    Parameters
    ----------
    xy
        Vertices, shape (n, 2) [m].
    step_m
        Longest distance between neighbours [m].

    Returns
    -------
    tuple of ndarray
        Vertices, shape (m, 2), and for each of the line's own its row there, shape (n,).

    Examples
    --------
    >>> subdivided(np.array([[0.0, 0.0], [3.0, 0.0]]), 1.0)[0].tolist()
    [[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]
    """
    pieces = np.maximum(1, np.ceil(segment_lengths_m(xy) / step_m - 1e-9)).astype(np.int64)
    own = np.concatenate([[0], np.cumsum(pieces)]).astype(np.int64)
    at = np.arange(own[-1] + 1, dtype=np.float64)
    return np.column_stack([np.interp(at, own, xy[:, 0]), np.interp(at, own, xy[:, 1])]), own
