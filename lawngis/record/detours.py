"""Where a matched walk leaves the plan: wire added, left out, laid elsewhere, and stretches that nobody walked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.geometry.lines import chainage_m, points_along, segment_lengths_m
from lawngis.record.matching import SAME_PLACE_M, WalkMatch, alike_share, smoothed, smoothing_reach_m

DetourKind = Literal["added", "left_out", "off_plan", "not_walked"]

SIMULATIONS = 48
"""Walks simulated along a piece of wire, to see how noise and steps change its length."""

UNSEEN_SHARE = 0.3
"""Wire where nobody walked may be shorter or longer than planned by this share of a piece; ours, no source."""

UNSEEN_PIECE_M = 10.0
"""What nobody saw of pieces of this length is as unlike as of different ones; ours, no source."""

CORNER_LOSS = 0.19
"""Mean share of a step that two points on either side of a square corner cut off: 1/2 - asinh(1) / (8 ** 0.5)."""

CORNER_SD = 0.35
"""Standard deviation of what is cut off where a walk leaves the plan, as a share of a step; ours, no source."""

EITHER_WAY = 0.61
"""Standard deviation, as a share of its length, of wire that may be there or not: both lie in its 90 % interval."""

TAIL_SHARE = 10
"""What somebody walks once more at the end is no round of its own below one in so many points."""

MINOR_SHARE = 0.2
"""A detour whose plan is that much shorter than its wire was added; the other way round, left out; ours, no source."""


@dataclass(frozen=True, eq=False)
class Detour:
    """A stretch of the plan, and the wire that lies there instead.

    Parameters
    ----------
    kind
        Wire where the plan has none, none where it has some, wire somewhere else, or nobody knows.
    from_m, to_m
        Plan chainage where the walk leaves the plan, on its first round, and comes back, not below it [m].
    xy
        The wire, from the plan at `from_m` to the plan at `to_m`, shape (n, 2) [m]; as planned where nobody walked.
    wire_m, sd_m
        Its length and the standard deviation of that [m].
    whole
        Whether points were taken all along it.
    """

    kind: DetourKind
    from_m: float
    to_m: float
    xy: FloatArray
    wire_m: float
    sd_m: float
    whole: bool = True


@dataclass(frozen=True, eq=False)
class WalkedRound:
    """Once round the loop, or a part of it.

    Parameters
    ----------
    from_m, to_m
        Plan chainage of its first and last point on the plan; `to_m` may lie beyond the loop's end [m].
    detours
        In order; stretches without points among them.
    step_m
        How far apart its points were taken [m].
    """

    from_m: float
    to_m: float
    detours: Sequence[Detour]
    step_m: float


def walked_rounds(
    match: WalkMatch, path_xy: FloatArray, chainage: FloatArray, *, sd_m: float, shift_xy: FloatArray
) -> list[WalkedRound]:
    """Return what a walk went along, round by round, and where it left the plan.

    Points off the plan before the first and after the last on it are somebody's way to the wire and back, and left out.

    Parameters
    ----------
    match
        The walk, matched.
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    sd_m
        Standard deviation of one point [m].
    shift_xy
        Shift of the whole walk that is taken off, shape (2,) [m].
    """
    length = float(chainage[-1])
    rows = np.flatnonzero(match.on)
    if len(rows) < 2:
        return []
    walk = _Walked(match, path_xy, chainage, sd_m, alike_share(match.noise_sd_m, sd_m), shift_xy)
    found = []
    for some in _rounds(rows, match.chainage_m[rows], length):
        pairs = zip(some[:-1].tolist(), some[1:].tolist(), strict=True)
        detours = [detour for pair in pairs if (detour := _detour(walk, *pair)) is not None]
        turn = length * (match.chainage_m[some[0]] // length)
        at = match.chainage_m[some] - turn
        shifted = [replace(one, from_m=one.from_m - turn, to_m=one.to_m - turn) for one in detours]
        end = float(at.max())
        if np.array_equal(match.xy[0], match.xy[-1]) and 0 < at[0] + length - end < SAME_PLACE_M:
            end = float(at[0] + length)  # it closes: nothing is left between its ends
        found.append(WalkedRound(float(at[0]), end, shifted, match.step_m))
    return found


def _rounds(rows: IntArray, at: FloatArray, length_m: float) -> list[IntArray]:
    """Return rows on the plan cut where the walk passes the place where it began; short tails are no round."""
    number = np.floor((np.maximum.accumulate(at) - at[0]) / length_m).astype(np.int64)
    begins = np.flatnonzero(np.diff(number, prepend=-1))
    ends = np.append(begins[1:] + 1, len(rows))  # on to the first point of the next
    parts = [rows[begin:end] for begin, end in zip(begins, ends, strict=True)]
    return [parts[0], *(part for part in parts[1:] if len(part) > len(rows) / TAIL_SHARE)]


@dataclass(frozen=True, eq=False)
class _Walked:
    """A matched walk, the plan, and how its receiver errs."""

    match: WalkMatch
    path_xy: FloatArray
    chainage: FloatArray
    sd_m: float
    alike: float
    shift_xy: FloatArray


def _detour(walk: _Walked, first: int, last: int) -> Detour | None:
    """Return what lies between two points on the plan, neighbours but for points off it; None where it is the plan."""
    match = walk.match
    begin, end = float(match.chainage_m[first]), float(match.chainage_m[last])
    if end < begin:  # somebody came back a step before the place left
        begin = end = (begin + end) / 2
    plan_m = end - begin
    gaps = match.gap_after[first:last]
    ends = points_along(walk.path_xy, walk.chainage, np.array([begin, end]) % walk.chainage[-1])
    points = np.concatenate([ends[:1], match.xy[first + 1 : last] - walk.shift_xy, ends[1:]])
    straight_m = float(np.hypot(*(ends[1] - ends[0])))
    least_m = telling_m(walk.sd_m)
    if last == first + 1:
        if gaps[0]:
            wire_m = max(plan_m, straight_m)
            return Detour("not_walked", begin, end, points, wire_m, unseen_sd_m(wire_m, straight_m))
        walked_m = float(segment_lengths_m(match.smooth_xy[first : last + 1])[0])
        if plan_m - walked_m <= least_m:
            return None
        return Detour("left_out", begin, end, points, straight_m, float(np.hypot(walk.sd_m, match.step_m / 2)))
    line, wire_m, sd_m = walked_wire(points, gaps, walk.sd_m, match.step_m, walk.alike)
    wire_m += 2 * CORNER_LOSS * match.step_m
    sd_m = float(np.hypot(sd_m, CORNER_SD * np.sqrt(2) * match.step_m))
    if gaps.any():
        sd_m = float(np.hypot(sd_m, unseen_sd_m(max(UNSEEN_PIECE_M, float(segment_lengths_m(points)[gaps].sum())))))
    kind: DetourKind = "off_plan"
    if plan_m <= max(MINOR_SHARE * wire_m, least_m) < wire_m - plan_m:
        kind = "added"
    elif wire_m <= max(MINOR_SHARE * plan_m, least_m) < plan_m - wire_m:
        kind = "left_out"
    return Detour(kind, begin, end, line, wire_m, sd_m, not gaps.any())


def telling_m(sd_m: float) -> float:
    """Return by how much ways must differ in length before it is more than a receiver's noise."""
    return 1.0 + 4 * (0.5 * sd_m + 0.25)


def unseen_sd_m(plan_m: float, straight_m: float | None = None) -> float:
    """Return the standard deviation of the length of wire along a stretch that nobody walked [m].

    Parameters
    ----------
    plan_m
        Length of the plan there [m].
    straight_m
        Distance between its ends: wire may go that way as well [m].
    """
    cut = 0.0 if straight_m is None else EITHER_WAY * max(0.0, plan_m - straight_m)
    return float(np.hypot(UNSEEN_SHARE * np.sqrt(plan_m * min(plan_m, UNSEEN_PIECE_M)), cut))


def walked_wire(
    xy: FloatArray, gaps: BoolArray, sd_m: float, step_m: float, alike: float = 0.0
) -> tuple[FloatArray, float, float]:
    """Return the line that points were taken along, its length and the standard deviation of that.

    Parameters
    ----------
    xy
        Points, shape (n, 2), n >= 2; the first and last have no noise [m].
    gaps
        Whether points are missing between neighbours, shape (n - 1,).
    sd_m
        Standard deviation of one point [m].
    step_m
        How far apart they were taken [m].
    alike
        Correlation of neighbouring points' errors.

    Returns
    -------
    tuple
        Averaged line, shape (n, 2), its length without what the noise adds and the steps cut off, and the standard
        deviation of that [m].

    Notes
    -----
    A parametric bootstrap: points as noisy and as far apart are taken along the averaged line and averaged in their
    turn. As their lengths stand to its own, so its own stands to the wire's; that correction is not known better
    than to itself, nor is what bends shorter than the averaging would add.

    References
    ----------
    B. Efron, R. J. Tibshirani, "An Introduction to the Bootstrap", 1993, chapters 6 and 10.
    """
    line = smoothed(xy, gaps, sd_m, step_m, ends_known=True)
    if len(xy) < 3:
        return line, float(segment_lengths_m(line).sum()), sd_m
    along = chainage_m(line)
    steps = np.diff(along)
    half = np.concatenate([[0.0], np.minimum(steps[:-1], steps[1:]), [0.0]]) / 2
    random = np.random.default_rng(len(xy))
    drawn = np.empty(SIMULATIONS)
    for row in range(SIMULATIONS):
        points = points_along(line, along, along + random.uniform(-1, 1) * half)
        points[1:-1] += sd_m * _series(random, len(xy) - 2, alike)
        drawn[row] = sum(_wire_and_corners_m(smoothed(points, gaps, sd_m, step_m, ends_known=True)))
    wire, corners = _wire_and_corners_m(line)
    ratio = wire / float(drawn.mean())
    length = ratio * (wire + corners)
    lost = smoothing_reach_m(sd_m, step_m)
    sd = float(np.linalg.norm([ratio * drawn.std(ddof=1), (ratio - 1) * wire, corners / 2, lost]))
    return line, max(length, float(np.hypot(*(xy[-1] - xy[0])))), sd


def _wire_and_corners_m(line: FloatArray) -> tuple[float, float]:
    """Return the length of a line, and what its steps cut off by what twice as long ones would cut off more [m].

    At sharp corners that is as much again as the difference, in smooth bends a third: in between, two thirds.
    """
    full = float(segment_lengths_m(line).sum())
    ends = line[:1], line[-1:]
    coarse = [np.concatenate([ends[0], line[first:-1:2], ends[1]]) for first in (1, 2)]
    return full, 2 / 3 * (full - float(np.mean([segment_lengths_m(some).sum() for some in coarse])))


def _series(random: np.random.Generator, count: int, alike: float) -> FloatArray:
    """Return errors of unit variance, neighbours alike, shape (count, 2)."""
    errors = random.standard_normal((count, 2))
    new = float(np.sqrt(1 - alike**2))
    for row in range(1, count):
        errors[row] = alike * errors[row - 1] + new * errors[row]
    return errors


def uncovered(spans: Sequence[tuple[float, float]], begin_m: float, end_m: float) -> list[tuple[float, float]]:
    """Return the parts of a stretch that no span covers, in order.

    Examples
    --------
    >>> uncovered([(1.0, 2.0), (4.0, 9.0)], 0.0, 5.0)
    [(0.0, 1.0), (2.0, 4.0)]
    """
    left, at = [], begin_m
    for low, high in sorted(spans):
        if low > at:
            left.append((at, min(low, end_m)))
        at = max(at, high)
        if at >= end_m:
            break
    if at < end_m:
        left.append((at, end_m))
    return [(low, high) for low, high in left if high > low]
