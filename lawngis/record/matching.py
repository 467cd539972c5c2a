"""Match a walk along the wire to the planned loop, in order.

The nearest place on the plan is the wrong one where wire runs side by side (leads, passages) or the receiver errs by
more than wires lie apart. So the order decides: a hidden Markov model walks along the chainage of the loop.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lawngis.errors import ParameterError
from lawngis.geometry.lines import points_along, segment_lengths_m

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

STATES_MAX = 3000
"""Places along one round of the loop that are told apart; longer loops get them further apart."""

STATE_STEP_M = 0.25
PLAN_SD_M = 0.3
"""How far a crew lays wire off the plan without meaning anything by it; ours, no source."""

GAP_M = 3.0
"""Neighbouring points further apart than this, and than four usual steps, have a gap between them."""

JUMP_COST = 9.0
GAP_JUMP_COST = 1.0
JUMP_COST_PER_M = 0.05
FAR = 3.0
"""Points further off the plan than this many standard deviations count linearly: the crew went another way there."""


@dataclass(frozen=True, eq=False)
class WalkMatch:
    """A walk matched to a loop.

    Parameters
    ----------
    xy
        Points of the walk in laying order, turned round where somebody walked the other way, shape (n, 2) [m].
    smooth_xy
        The same, averaged over neighbours so that the receiver's noise falls below its steps, shape (n, 2) [m].
    chainage_m
        Plan chainage of each point, never falling by more than a step back; counts on past the loop's end where the
        walk began elsewhere than at its start, shape (n,) [m].
    gap_after
        Whether points are missing between a point and the next, shape (n - 1,).
    reversed_walk
        Whether it was walked against the laying order.
    noise_sd_m
        Standard deviation of one point across the walk, estimated from the points themselves [m].
    cost
        Negative logarithm of the likelihood, up to a constant.
    """

    xy: FloatArray
    smooth_xy: FloatArray
    chainage_m: FloatArray
    gap_after: BoolArray
    reversed_walk: bool
    noise_sd_m: float
    cost: float


def walk_match(
    walk_xy: FloatArray, path_xy: FloatArray, chainage: FloatArray, *, sd_m: float | None = None
) -> WalkMatch:
    """Return a walk matched to a closed path, whichever way round and wherever it began.

    Parameters
    ----------
    walk_xy
        Points in the order in which they were taken, shape (n, 2), n >= 4 [m].
    path_xy, chainage
        Planned loop and the chainage of its vertices, shapes (k, 2) and (k,) [m].
    sd_m
        Standard deviation of one point as the receiver states it; estimated from the points when None [m].

    Returns
    -------
    WalkMatch

    Raises
    ------
    ParameterError
        When there are too few points.

    Notes
    -----
    States are places along two rounds of the loop. A point's cost is Gaussian by its distance from the state, linear
    beyond three standard deviations; a step's cost grows with the difference between the way along the plan and the
    way walked (exponential, as in the reference). A jump forward costs a constant: islands that were left out,
    shortcuts, and stretches without points.

    References
    ----------
    P. Newson, J. Krumm, "Hidden Markov map matching through noise and sparseness", Proc. 17th ACM SIGSPATIAL, 2009.
    """
    walk = without_repeats(np.asarray(walk_xy, dtype=np.float64))
    if len(walk) < 4:
        raise ParameterError(f"a walk needs at least 4 different points, not {len(walk)}")
    noise = noise_sd_m(walk)
    sd = max(noise, 0.01 if sd_m is None else sd_m)
    forth, back = (_one_way(walk[::-1] if turned else walk, turned, path_xy, chainage, sd) for turned in (False, True))
    found = forth if forth.cost <= back.cost else back
    return replace(found, noise_sd_m=noise)


def _one_way(points: FloatArray, turned: bool, path_xy: FloatArray, chainage: FloatArray, sd: float) -> WalkMatch:
    gaps = gaps_after(points, sd)
    smooth = smoothed(points, gaps, sd)
    at, cost = _most_likely(smooth, gaps, path_xy, chainage, sd)
    return WalkMatch(points, smooth, at, gaps, turned, 0.0, cost)


def without_repeats(xy: FloatArray, *, least_m: float = 0.005) -> FloatArray:
    """Return points less those that lie on the one before: a receiver that stands still says the same again."""
    keep = np.concatenate([[True], segment_lengths_m(xy) > least_m]) if len(xy) else np.zeros(0, dtype=bool)
    return xy[keep]


def noise_sd_m(xy: FloatArray) -> float:
    """Return the standard deviation of one coordinate, estimated from second differences [m].

    Notes
    -----
    Second differences of a steady walk hold six times the variance of one point; bends are outliers, so the median
    of their squared lengths is taken (that of two squared normal deviates is 2 ln 2).

    Examples
    --------
    >>> noise_sd_m(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]))
    0.0
    """
    if len(xy) < 3:
        return 0.0
    second = xy[2:] - 2 * xy[1:-1] + xy[:-2]
    middle = float(np.median(np.einsum("ij,ij->i", second, second)))
    return float(np.sqrt(middle / (6 * 2 * np.log(2))))


def gaps_after(xy: FloatArray, sd_m: float) -> BoolArray:
    """Return where points are missing between neighbours, shape (n - 1,)."""
    steps = segment_lengths_m(xy)
    usual = float(np.median(steps))
    return np.asarray(steps > max(GAP_M, 4 * usual) + 4 * sd_m)


def smoothed(xy: FloatArray, gaps: BoolArray, sd_m: float) -> FloatArray:
    """Return points averaged over as many neighbours as their noise asks for, never across a gap.

    A point near an end of its part is averaged over fewer, as many on either side, so that ends stay where they are.
    """
    ahead = xy[4:] - xy[:-4] if len(xy) > 4 else np.diff(xy, axis=0) * 4
    step = max(0.05, float(np.median(np.hypot(*ahead.T))) / 4)
    reach = int(np.clip(np.ceil(sd_m / step), 0, 6))
    part = np.concatenate([[0], np.cumsum(gaps)])
    first = np.searchsorted(part, part, side="left")
    last = np.searchsorted(part, part, side="right") - 1
    index = np.arange(len(xy))
    half = np.minimum(reach, np.minimum(index - first, last - index))
    total = np.concatenate([np.zeros((1, 2)), np.cumsum(xy - xy.mean(axis=0), axis=0)])
    averaged: FloatArray = (total[index + half + 1] - total[index - half]) / (2 * half + 1)[:, None] + xy.mean(axis=0)
    return averaged


def _most_likely(
    xy: FloatArray, gaps: BoolArray, path_xy: FloatArray, chainage: FloatArray, sd: float
) -> tuple[FloatArray, float]:
    """Return the chainage of each point on the likeliest way along the loop, and its cost (Viterbi, 1967)."""
    length = float(chainage[-1])
    step = max(STATE_STEP_M, length / STATES_MAX)
    count = int(np.ceil(length / step))
    step = length / count
    once = points_along(path_xy, chainage, np.arange(count) * np.float64(step))
    places = np.concatenate([once, once])
    walked = segment_lengths_m(xy)
    spread = 0.5 * sd + 0.25
    back = int(np.ceil(max(2 * sd, 0.5) / step))
    error = float(np.hypot(sd, PLAN_SD_M))
    cost = _place_cost(xy[0], places, error) + np.where(np.arange(2 * count) < count, 0.0, np.inf)
    came_from = np.empty((len(xy), 2 * count), dtype=np.int32)
    slope: FloatArray = np.arange(2 * count) * np.float64(JUMP_COST_PER_M * step)
    for row in range(1, len(xy)):
        way = walked[row - 1]
        forward = int(np.ceil((1.5 * way + 4 * spread) / step))
        best, source = _jump(cost, slope, GAP_JUMP_COST if gaps[row - 1] else JUMP_COST)
        for shift in range(-back, forward + 1):
            _take_better(best, source, cost, shift, abs(shift * step - way) / spread)
        came_from[row] = source
        cost = best + _place_cost(xy[row], places, error)
    return _traced(cost, came_from) * step, float(cost.min())


def _place_cost(point: FloatArray, places: FloatArray, error: float) -> FloatArray:
    off = np.hypot(places[:, 0] - point[0], places[:, 1] - point[1]) / error
    return np.where(off <= FAR, off**2 / 2, FAR * off - FAR**2 / 2)


def _jump(cost: FloatArray, slope: FloatArray, price: float) -> tuple[FloatArray, IntArray]:
    """Return the cheapest way to each state by a jump from any state before it."""
    reduced = cost - slope
    lowest = np.minimum.accumulate(reduced)
    is_new = np.concatenate([[True], reduced[1:] < lowest[:-1]])
    source = np.maximum.accumulate(np.where(is_new, np.arange(len(cost)), 0))
    return lowest + slope + price, source


def _take_better(best: FloatArray, source: IntArray, cost: FloatArray, shift: int, price: float) -> None:
    target = slice(max(shift, 0), len(cost) + min(shift, 0))
    origin = slice(max(-shift, 0), len(cost) - max(shift, 0))
    offered = cost[origin] + price
    better = offered < best[target]
    best[target][better] = offered[better]
    source[target][better] = np.arange(origin.start, origin.stop)[better]


def _traced(cost: FloatArray, came_from: NDArray[np.int32]) -> FloatArray:
    states = np.empty(len(came_from), dtype=np.float64)
    state = int(np.argmin(cost))
    for row in range(len(came_from) - 1, -1, -1):
        states[row] = state
        if row:
            state = int(came_from[row, state])
    return states
