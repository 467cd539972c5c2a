"""Match a walk along the wire to the planned loop, in order.

The nearest place on the plan is the wrong one where wire runs side by side (leads, passages) or the receiver errs by
more than wires lie apart. So the order decides: a hidden Markov model walks along the chainage of the loop, and may
leave the plan at one place to come back to it at another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import points_along, segment_lengths_m

STATES_MAX = 3000
"""Places along one round of the loop that are told apart; longer loops get them further apart."""

STATE_STEP_M = 0.25
PLAN_SD_M = 0.3
"""How far a crew lays wire off the plan without meaning anything by it; ours, no source."""

GAP_M = 3.0
"""Neighbouring points further apart than this, and than four usual steps, have a gap between them."""

PAUSE_S = 5.0
"""Nor were points taken all the way where the clock shows more than this, and than four usual times between two."""

JUMP_COST = 9.0
GAP_JUMP_COST = 1.0
JUMP_COST_PER_M = 0.05
LEAVE_COST = 9.0
"""Of leaving the plan for wire that it doesn't know; coming back costs as much as the stretch skipped by it."""

OFF_COST = 2.0
"""Of each point off the plan: as much as one two standard deviations beside it."""

FAR = 3.0
"""Points further off the plan than this many standard deviations count linearly."""

LAID_FREELY_M = 0.10
"""Off the plan by less than this is laid as planned, whatever the receiver; ours, no source."""

LEFT_SDS = 2.0
"""Next to where a walk left the plan, points this many standard deviations beside it have left it too..."""

LEFT_POINTS = 5
"""... as many as this."""

SAME_PLACE_M = 3.0
"""A walk that closes ends no further along the plan from where it began."""

ROUNDS_MAX = 4
"""So often somebody may go round in one walk, begun anywhere."""

ONCE_MORE_ROUNDS = 0.7
"""Who walked so much of a round more went round once more; less is wire that was added."""

BENDS_BETWEEN_M = 2.0
"""Where neighbours lie further apart, the way may bend between any two; ours, no source."""

STANDS_OUT_SDS = 4.0
"""A way this many standard deviations of a point long is hardly lengthened by noise."""

STEP_MIN_M = 0.02
STEPS_TELLING = 10
JUMP_STEPS = 6.0
"""Points this many steps apart along the plan skipped some of it."""

BEND_RADIUS_M = 0.5
"""Walks are averaged no further than wire with bends like these allows; ours, fitted to simulated walks."""

KNOWN_WEIGHT = 1e4
"""Of a point without noise against one with it."""

HAND_M = 0.1
SLIDE_M = 0.5

MEDIAN_OF_NORMAL = 0.6745
"""Median of the absolute value of a standard normal deviate."""


@dataclass(frozen=True, eq=False)
class WalkMatch:
    """A walk matched to a loop.

    Parameters
    ----------
    xy
        Points of the walk in laying order, turned round where somebody walked the other way, shape (n, 2) [m]. A walk
        that closes begins on the plan and ends with its first point once more.
    smooth_xy
        The same, averaged over neighbours so that the receiver's noise falls below its steps, shape (n, 2) [m].
    chainage_m
        Plan chainage of each point, never falling by more than a step back; counts on past the loop's end where the
        walk began elsewhere than at its start, shape (n,) [m]. Of points off the plan that where it was left.
    on
        Whether a point is on the plan, or near enough beside it to be told by its chainage, shape (n,).
    gap_after
        Whether points are missing between a point and the next, shape (n - 1,).
    reversed_walk
        Whether it was walked against the laying order.
    step_m
        How far apart its points were taken [m].
    noise_sd_m
        Standard deviation of one point across the walk, estimated from the points themselves [m].
    cost
        Negative logarithm of the likelihood, up to a constant.
    """

    xy: FloatArray
    smooth_xy: FloatArray
    chainage_m: FloatArray
    on: BoolArray
    gap_after: BoolArray
    reversed_walk: bool
    step_m: float
    noise_sd_m: float
    cost: float


def walk_match(
    walk_xy: FloatArray,
    path_xy: FloatArray,
    chainage: FloatArray,
    *,
    sd_m: float | None = None,
    time_s: FloatArray | None = None,
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
    time_s
        When each point was taken, shape (n,) [s]: points are missing too where nothing was taken for long.

    Returns
    -------
    WalkMatch

    Raises
    ------
    ParameterError
        When there are too few points.

    Notes
    -----
    States are places along some rounds of the loop, each once for a walk on the plan and once for one that left it
    there. A point's cost on the plan is Gaussian by its distance from the state, linear beyond three standard
    deviations, and constant off it; a step's cost grows with the difference between the way along the plan and the
    way walked (exponential, as in the reference). A jump forward costs a constant: islands that were left out,
    shortcuts, and stretches without points. So does leaving the plan; coming back is possible from where it was left
    on, and costs by the stretch of plan that is skipped.

    References
    ----------
    P. Newson, J. Krumm, "Hidden Markov map matching through noise and sparseness", Proc. 17th ACM SIGSPATIAL, 2009.
    """
    points = np.asarray(walk_xy, dtype=np.float64)
    kept = without_repeats(points)
    walk = points[kept]
    if len(walk) < 4:
        raise ParameterError(f"a walk needs at least 4 different points, not {len(walk)}")
    noise = noise_sd_m(walk, path_xy)
    sd = max(noise, 0.01 if sd_m is None else sd_m)
    gaps = segment_lengths_m(walk) > _gap_m(walk, sd)
    if time_s is not None:
        gaps |= _pauses(np.asarray(time_s, dtype=np.float64), kept)
    loop = _Loop(path_xy, chainage, sd)
    forth, back = _one_way(loop, walk, gaps, False), _one_way(loop, walk[::-1], gaps[::-1], True)
    found = forth if forth.cost <= back.cost else back
    return replace(found, noise_sd_m=noise)


@dataclass(frozen=True, eq=False)
class _Loop:
    """The planned loop, and the standard deviation of a point along it."""

    path_xy: FloatArray
    chainage: FloatArray
    sd_m: float

    @property
    def length_m(self) -> float:
        return float(self.chainage[-1])


def _one_way(loop: _Loop, walk: FloatArray, gaps: BoolArray, turned: bool) -> WalkMatch:
    """Return the likeliest match of a walk in its order; one that closes must end at the place where it began."""
    if np.hypot(*(walk[-1] - walk[0])) > _gap_m(walk, loop.sd_m):
        return _matched(loop, walk, gaps, turned)
    found = _matched(loop, np.concatenate([walk, walk[:1]]), np.append(gaps, False), turned)
    rounds = max(1, int(segment_lengths_m(found.smooth_xy).sum() / loop.length_m + 1 - ONCE_MORE_ROUNDS))
    closes = abs(found.chainage_m[-1] - found.chainage_m[0] - rounds * loop.length_m) < SAME_PLACE_M
    if (closes and found.on[0] and found.on[-1]) or not found.on[:-1].any():
        return found
    first, last = max(stretches_of(found.on[:-1]), key=lambda rows: rows[1] - rows[0])
    begin = (first + last) // 2
    begun = np.roll(walk, -begin, axis=0)
    at = float(found.chainage_m[begin] % loop.length_m)
    span = at - SAME_PLACE_M, at + rounds * loop.length_m + SAME_PLACE_M
    return _matched(loop, np.concatenate([begun, begun[:1]]), np.roll(np.append(gaps, False), -begin), turned, span)


def _matched(
    loop: _Loop, points: FloatArray, gaps: BoolArray, turned: bool, span_m: tuple[float, float] | None = None
) -> WalkMatch:
    step = step_m(points, loop.sd_m)
    smooth = smoothed(points, gaps, loop.sd_m, step)
    at, on, cost = _most_likely(loop, smooth, gaps, span_m)
    at = _slid(loop, smooth, at, on)
    step = _step_along_m(at, on, gaps, default=step)
    smooth = smoothed(points, gaps, loop.sd_m, step)
    beside = np.hypot(*(smooth - points_along(loop.path_xy, loop.chainage, at % loop.length_m)).T)
    on = _left_earlier(on, beside > LAID_FREELY_M + LEFT_SDS * loop.sd_m)
    return WalkMatch(points, smooth, at, on, gaps, turned, step, 0.0, cost)


def _step_along_m(at: FloatArray, on: BoolArray, gaps: BoolArray, *, default: float) -> float:
    """Return how far apart points on the plan were taken along it; where few are on it, the default."""
    steps = np.diff(at)[on[1:] & on[:-1] & ~gaps]
    steps = steps[steps < JUMP_STEPS * max(default, float(np.median(steps)) if len(steps) else 0.0)]
    return max(STEP_MIN_M, float(steps.mean())) if len(steps) >= STEPS_TELLING else default


def _left_earlier(on: BoolArray, aside: BoolArray) -> BoolArray:
    """Return which points are on the plan, less those aside from it next to others that left it."""
    on = on.copy()
    for _ in range(LEFT_POINTS):
        left_beside = np.concatenate([[False], ~on[:-1]]) | np.concatenate([~on[1:], [False]])
        on &= ~(aside & left_beside)
    return on


def _slid(loop: _Loop, xy: FloatArray, at: FloatArray, on: BoolArray) -> FloatArray:
    """Return chainages moved to the foot of their points on the plan: places that are told apart lie some way apart."""
    place, direction = places_along(loop.path_xy, loop.chainage, at % loop.length_m)
    shift = np.clip(np.einsum("ij,ij->i", xy - place, direction), -SLIDE_M, SLIDE_M)
    return np.where(on, at + shift, at)


def places_along(path_xy: FloatArray, chainage: FloatArray, at_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places along a line and its direction there, averaged over a hand's breadth, both of shape (n, 2)."""
    ahead = points_along(path_xy, chainage, np.minimum(at_m + HAND_M, chainage[-1]))
    behind = points_along(path_xy, chainage, np.maximum(at_m - HAND_M, 0.0))
    direction = ahead - behind
    direction /= np.maximum(np.hypot(*direction.T), 1e-9)[:, None]
    return points_along(path_xy, chainage, at_m), direction


def stretches_of(flags: BoolArray) -> list[tuple[int, int]]:
    """Return first and last index of every run of True.

    Examples
    --------
    >>> stretches_of(np.array([True, True, False, True]))
    [(0, 1), (3, 3)]
    """
    edge = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    return [(int(a), int(b) - 1) for a, b in zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True)]


def without_repeats(xy: FloatArray, *, least_m: float = 0.005) -> BoolArray:
    """Return which points don't lie on the one before: a receiver that stands still says the same again."""
    return np.concatenate([[True], segment_lengths_m(xy) > least_m]) if len(xy) else np.zeros(0, dtype=bool)


def _pauses(time_s: FloatArray, kept: BoolArray) -> BoolArray:
    """Return after which of the points kept nothing was taken for long, by the clock of all points."""
    waited = np.diff(time_s)
    long = waited > max(PAUSE_S, 4 * float(np.median(waited)))
    before = np.cumsum(kept)[:-1][long] - 1  # of each pause, the last point kept before it
    found = np.zeros(int(kept.sum()), dtype=bool)
    found[before] = True
    return found[:-1]


def noise_sd_m(xy: FloatArray, path_xy: FloatArray | None = None) -> float:
    """Return the standard deviation of one coordinate, estimated from fourth differences [m].

    Parameters
    ----------
    xy
        Points of a walk, shape (n, 2) [m].
    path_xy
        Line along which it may have gone, shape (k, 2) [m]. Where points lie so far apart that the way bends between
        them, their distance from it is what they err by at most.

    Notes
    -----
    Fourth differences hold seventy times the variance of one point, and little of a way that bends evenly; across the
    way uneven steps don't enter. Corners are outliers, so the median is taken.

    Examples
    --------
    >>> noise_sd_m(np.array([[0.0, 0.0], [1.0, 0.0], [2.5, 0.0], [3.0, 0.0], [4.5, 0.0]]))
    0.0
    """
    if len(xy) < 5:
        return 0.0
    fourth, along = np.diff(xy, n=4, axis=0), xy[3:-1] - xy[1:-3]
    across = fourth[:, 0] * along[:, 1] - fourth[:, 1] * along[:, 0]
    across /= np.maximum(np.hypot(*along.T), 1e-9)
    noise = float(np.median(np.abs(across))) / MEDIAN_OF_NORMAL / float(np.sqrt(70))
    if path_xy is None or float(np.median(segment_lengths_m(xy))) < BENDS_BETWEEN_M:
        return noise
    beside = shapely.distance(shapely.points(xy), shapely.linestrings(path_xy))
    return min(noise, float(np.median(beside)) / MEDIAN_OF_NORMAL)


def alike_share(noise_m: float, sd_m: float) -> float:
    """Return the correlation of neighbouring points' errors, from their own noise and what the receiver states.

    Notes
    -----
    Errors of a first-order autoregressive series with standard deviation s and correlation r have fourth differences
    of variance s² (70 - 112 r + 56 r² - 16 r³ + 2 r⁴); noise n estimated from them as if r were nil gives n² = 1/70 of
    that.

    Examples
    --------
    >>> alike_share(0.3, 0.3), round(alike_share(0.3 * (26.125 / 70) ** 0.5, 0.3), 3)
    (0.0, 0.5)
    """
    share = min(1.0, noise_m / sd_m) if sd_m > 0 else 1.0
    alike = np.linspace(1.0, 0.0, 201)
    return float(np.interp(share**2, 1 - alike * (112 - 56 * alike + 16 * alike**2 - 2 * alike**3) / 70, alike))


def _gap_m(xy: FloatArray, sd_m: float) -> float:
    """Return the distance between neighbours beyond which points are missing."""
    return max(GAP_M, 4 * float(np.median(segment_lengths_m(xy)))) + 4 * sd_m


def step_m(xy: FloatArray, sd_m: float) -> float:
    """Return how far apart points were taken along the way, which noise lengthens from one to the next [m].

    Notes
    -----
    Squared distances between points k apart hold (k step)² and four times the variance of a coordinate. The smallest
    power of two is taken whose distance stands out of the noise.
    """
    lag = 1
    while True:
        apart = np.sum((xy[lag:] - xy[:-lag]) ** 2, axis=1)
        square = float(np.median(apart))
        if square > (STANDS_OUT_SDS * sd_m) ** 2 or 8 * lag > len(xy):
            return max(STEP_MIN_M, float(np.sqrt(max(square - 4 * sd_m**2, 0.0))) / lag)
        lag *= 2


def smoothed(xy: FloatArray, gaps: BoolArray, sd_m: float, step: float, *, ends_known: bool = False) -> FloatArray:
    """Return points moved to a way that bends as wire does, as far as their noise allows, never across a gap.

    Parameters
    ----------
    xy
        Points, shape (n, 2) [m].
    gaps
        Whether points are missing between neighbours, shape (n - 1,).
    sd_m
        Standard deviation of one point [m].
    step
        How far apart they were taken [m].
    ends_known
        Whether the first and last point have no noise.

    Notes
    -----
    Least squares with a penalty on second differences (Whittaker), which is the mean of x where p = x + noise and
    second differences of x are normal: here as those of wire with bends of :data:`BEND_RADIUS_M`.

    References
    ----------
    E. T. Whittaker, "On a new method of graduation", Proc. Edinburgh Mathematical Society 41, 1923.
    """
    penalty = _penalty(sd_m, step)
    weight = np.ones(len(xy))
    if ends_known:
        weight[[0, -1]] = KNOWN_WEIGHT
    cuts = np.flatnonzero(gaps) + 1
    parts = zip(np.split(xy, cuts), np.split(weight, cuts), strict=True)
    return np.concatenate([_graduated(part, some, penalty) for part, some in parts])


def _penalty(sd_m: float, step: float) -> float:
    return (sd_m / (step * min(step / BEND_RADIUS_M, 1.0))) ** 2


def smoothing_reach_m(sd_m: float, step: float) -> float:
    """Return how far along the way :func:`smoothed` averages: shorter bends are lost [m]."""
    return float(_penalty(sd_m, step) ** 0.25 * step)


def _graduated(xy: FloatArray, weight: FloatArray, penalty: float) -> FloatArray:
    count = len(xy)
    if count < 3:
        return xy
    second = np.array([1.0, -2.0, 1.0])
    bands = np.zeros((3, count))
    for one in range(3):  # the product of second differences with themselves, its upper diagonals
        for other in range(one, 3):
            bands[2 - (other - one), other : count - 2 + other] += penalty * second[one] * second[other]
    bands[2] += weight
    return np.asarray(solveh_banded(bands, weight[:, None] * xy), dtype=np.float64)


def _most_likely(
    loop: _Loop, xy: FloatArray, gaps: BoolArray, span_m: tuple[float, float] | None
) -> tuple[FloatArray, BoolArray, float]:
    """Return the chainage of each point on the likeliest way, whether it is on the plan, and the cost (Viterbi, 1967).

    The first half of the states is on the plan, the second half left it at the same places. A span has the chainage
    near which the way begins and the farthest that it reaches.
    """
    length, sd = loop.length_m, loop.sd_m
    step = max(STATE_STEP_M, length / STATES_MAX)
    count = int(np.ceil(length / step))
    step = length / count
    walked = segment_lengths_m(xy)
    rounds = 2 + int(np.clip(walked.sum() / length - ONCE_MORE_ROUNDS, 0, ROUNDS_MAX - 2))
    low, high = (0.0, rounds * length) if span_m is None else span_m
    states = min(rounds * count, int(high / step) + 1)
    at = np.arange(states) * np.float64(step)
    places = points_along(loop.path_xy, loop.chainage, at % length)
    spread = 0.5 * sd + 0.25
    back = int(np.ceil(max(2 * sd, 0.5) / step))
    error = float(np.hypot(sd, PLAN_SD_M))
    begins = np.where((at >= low) & (at < (length if span_m is None else low + 2 * SAME_PLACE_M)), 0.0, np.inf)
    on, off = _place_cost(xy[0], places, error) + begins, LEAVE_COST + begins
    came_from = np.empty((len(xy), 2 * states), dtype=np.int32)
    slope = JUMP_COST_PER_M * at
    for row in range(1, len(xy)):
        way = walked[row - 1]
        forward = int(np.ceil((1.5 * way + 4 * spread) / step))
        best, source = _jump(on, slope, GAP_JUMP_COST if gaps[row - 1] else JUMP_COST)
        for shift in range(-back, forward + 1):
            _take_better(best, source, on, shift, abs(shift * step - way) / spread)
        returned, left_at = _jump(np.concatenate([off[back:], np.full(back, np.inf)]), slope, 0.0)
        source = np.where(returned < best, left_at + back + states, source)
        came_from[row, :states] = source
        came_from[row, states:] = np.arange(states) + np.where(off <= on + LEAVE_COST, states, 0)
        off = np.minimum(off, on + LEAVE_COST) + OFF_COST
        on = np.minimum(best, returned) + _place_cost(xy[row], places, error)
    cost = np.concatenate([on, off])
    traced = _traced(cost, came_from)
    return np.asarray(traced % states * step, dtype=np.float64), traced < states, float(cost.min())


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


def _traced(cost: FloatArray, came_from: NDArray[np.int32]) -> IntArray:
    states = np.empty(len(came_from), dtype=np.int64)
    state = int(np.argmin(cost))
    for row in range(len(came_from) - 1, -1, -1):
        states[row] = state
        if row:
            state = int(came_from[row, state])
    return states
