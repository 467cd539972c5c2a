"""Pegs that hold the wire down."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import bends_deg, chainage_m, points_along
from lawngis.wire.loop import Loop

__all__ = ["Pegs", "chainage_m", "first_pass", "lead_intervals_m", "pegs"]

PEGGED_BEND_DEG = 20.0
"""Every sharper bend has a peg of its own: common practice, no source."""

CURVE_DEG_PER_M = 20.0
"""A line that turns faster than this is pegged like a bend: an arc of less than 2.9 m radius."""

_SAME_M = 1e-6


@dataclass(frozen=True)
class Pegs:
    """Pegs in laying order.

    Attributes
    ----------
    xy
        Shape (n, 2) [m].
    chainage_m
        Shape (n,), rising [m].
    kind
        ``straight``, ``bend``, ``lead`` or ``dock``, shape (n,).
    again
        True where the wire is clipped into a peg that already stands, on the way back along a lead: n less the sum
        of these is the number of pegs to buy.
    """

    xy: FloatArray
    chainage_m: FloatArray
    kind: NDArray[np.str_]
    again: NDArray[np.bool_]


def pegs(loop: Loop, chainage: FloatArray, *, spacing_straight_m: float, spacing_bend_m: float) -> Pegs:
    """Return the pegs of a loop.

    One stands at the start and the end, at each end of a lead and at every bend of more than 20 degrees. Between
    them pegs are spread evenly, no further apart than the straight spacing, nor than the bend spacing within that
    distance of a bend or along a curve.

    Parameters
    ----------
    loop
        From `laid_loop`.
    chainage
        Chainage of the loop's vertices, shape (n,), from `chainage_m` [m].
    spacing_straight_m, spacing_bend_m
        Greatest distance between neighbours [m].

    Returns
    -------
    Pegs

    Raises
    ------
    ParameterError
        When a spacing is not positive, or chainages don't fit the loop.

    Notes
    -----
    With s(c) the spacing that applies at chainage c, N(c) = integral of dc / s(c) grows by at most 1 from peg to
    peg, in equal steps between two pegs that must be.
    """
    if not (spacing_straight_m > 0.0 and spacing_bend_m > 0.0):
        raise ParameterError("peg spacings must be positive")
    xy = loop.xy
    if len(chainage) != len(xy):
        raise ParameterError(f"{len(chainage)} chainages for {len(xy)} vertices of the loop")
    spans = loop.run_vertices()
    leads = [span for run, span in zip(loop.runs, spans, strict=True) if run.kind.startswith("lead")]
    sharp = np.abs(bends_deg(xy)) > PEGGED_BEND_DEG
    fixed = sharp.copy()
    fixed[[0, -1]] = True
    fixed[np.array(leads, dtype=np.int64).ravel()] = True
    musts = _apart(chainage[fixed])
    dense = _dense_intervals(xy, chainage, sharp, spacing_bend_m)
    at = _spread(musts, dense, spacing_straight_m, spacing_bend_m)
    at, again = _with_leads_back_mirrored(at, loop, chainage, spans)
    kind = _kinds(at, chainage, chainage[sharp], [(chainage[a], chainage[b]) for a, b in leads])
    return Pegs(points_along(xy, chainage, at), at, kind, again)


def _apart(at: FloatArray) -> FloatArray:
    """Sorted chainages without repetitions."""
    at = np.sort(at)
    kept: FloatArray = at[np.append(True, np.diff(at) > _SAME_M)]
    return kept


def _dense_intervals(xy: FloatArray, chainage: FloatArray, sharp: NDArray[np.bool_], reach_m: float) -> FloatArray:
    """Chainage intervals where the bend spacing applies, merged and sorted, shape (k, 2)."""
    around = np.column_stack([chainage[sharp] - reach_m, chainage[sharp] + reach_m])
    gentle = np.where(sharp, 0.0, np.abs(bends_deg(xy)))
    lengths = np.diff(chainage)
    turning = (gentle[:-1] + gentle[1:]) / 2
    curved = turning > CURVE_DEG_PER_M * lengths
    along = np.column_stack([chainage[:-1][curved], chainage[1:][curved]])
    intervals = np.clip(np.concatenate([around, along]), 0.0, chainage[-1])
    intervals = intervals[np.argsort(intervals[:, 0])]
    merged: list[list[float]] = []
    for low, high in intervals:
        if merged and low <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], high)
        else:
            merged.append([low, high])
    return np.array(merged).reshape(-1, 2)


def _spread(musts: FloatArray, dense: FloatArray, straight_m: float, bend_m: float) -> FloatArray:
    """Chainages of all pegs: those that must be, and evenly counted ones between them."""
    knots = _apart(np.concatenate([musts, dense.ravel()]))
    middles = (knots[:-1] + knots[1:]) / 2
    at = np.searchsorted(dense[:, 0], middles, side="right") - 1
    in_dense = (at >= 0) & (middles < dense[np.maximum(at, 0), 1]) if len(dense) else np.zeros(len(middles), bool)
    spacing = np.where(in_dense, min(bend_m, straight_m), straight_m)
    count = np.concatenate([[0.0], np.cumsum(np.diff(knots) / spacing)])
    at_must = np.interp(musts, knots, count)
    steps = np.maximum(1, np.ceil(np.diff(at_must) - 1e-9)).astype(np.int64)
    first = np.repeat(at_must[:-1], steps)
    step = np.repeat(np.diff(at_must) / steps, steps)
    rank = np.arange(steps.sum()) - np.repeat(np.cumsum(steps) - steps, steps)
    spread: FloatArray = np.interp(np.append(first + rank * step, at_must[-1]), count, knots)
    return spread


def _with_leads_back_mirrored(
    at: FloatArray, loop: Loop, chainage: FloatArray, spans: NDArray[np.int64]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Put the pegs of each way back along a lead where those of the way out stand."""
    again_at: list[FloatArray] = []
    for out, (low, high) in _lead_pairs(loop, chainage, spans):
        mirrored = np.clip(low + (out[1] - at[_within(at, out)]), low, high)
        at = np.concatenate([at[~_within(at, (low, high))], mirrored])
        again_at.append(mirrored)
    at = np.sort(at)
    again = np.concatenate(again_at) if again_at else np.empty(0)
    return at, np.isin(at, again)


Interval = tuple[float, float]
"""First and last chainage [m]."""


def _lead_pairs(loop: Loop, chainage: FloatArray, spans: NDArray[np.int64]) -> Iterator[tuple[Interval, Interval]]:
    """Yield each lead: the way out and the way back."""
    # Leads nest: the way back is always that of the last way out.
    out: list[Interval] = []
    for run, (first, last) in zip(loop.runs, spans, strict=True):
        interval = float(chainage[first]), float(chainage[last])
        if run.kind == "lead_out":
            out.append(interval)
        elif run.kind == "lead_back":
            yield out.pop(), interval


def _within(at: FloatArray, interval: Interval) -> BoolArray:
    return (at >= interval[0] - _SAME_M) & (at <= interval[1] + _SAME_M)


def _kinds(
    at: FloatArray, chainage: FloatArray, bends_at: FloatArray, leads: list[tuple[float, float]]
) -> NDArray[np.str_]:
    kind = np.full(len(at), "straight", dtype="<U8")
    for low, high in leads:
        kind[(at >= low - _SAME_M) & (at <= high + _SAME_M)] = "lead"
    near = np.clip(np.searchsorted(bends_at, at), 0, max(len(bends_at) - 1, 0))
    if len(bends_at):
        before = np.maximum(near - 1, 0)
        off = np.minimum(np.abs(bends_at[near] - at), np.abs(bends_at[before] - at))
        kind[off <= _SAME_M] = "bend"
    kind[(at <= _SAME_M) | (at >= chainage[-1] - _SAME_M)] = "dock"
    return kind


def first_pass(loop: Loop, chainage: FloatArray, standing: Pegs, *, spacing_m: float, joins_m: FloatArray) -> BoolArray:
    """Return which pegs are set while the wire is laid; the others wait until the mower has been around once.

    Those on either side of each bend of more than 20 degrees, joint, end of a lead and end of a passage, and as many
    between that no two are further apart than the spacing. What is held by few pegs can still be moved.

    Parameters
    ----------
    loop
        From `laid_loop`.
    chainage
        Chainage of the loop's vertices, shape (n,) [m].
    standing
        All pegs, from `pegs`.
    spacing_m
        Greatest distance between neighbours of the first pass, where pegs are as near as that at all [m].
    joins_m
        Chainage of joints, shape (k,) [m].

    Returns
    -------
    ndarray
        Shape of `standing.chainage_m`; a peg that holds both wires of a lead is set once.

    Raises
    ------
    ParameterError
        When the spacing is not positive.

    Notes
    -----
    Between two neighbours of the first pass the wire nowhere turns by more than a bend that has a peg of its own, there
    and back neither, unless they are neighbours of all: else it would be pulled straight across a curve. Common
    practice, no source.
    """
    if not spacing_m > 0.0:
        raise ParameterError("peg spacings must be positive")
    at, spans = standing.chainage_m, loop.run_vertices()
    bends = bends_deg(loop.xy)
    sharp = np.abs(bends) > PEGGED_BEND_DEG
    ends = [span for run, span in zip(loop.runs, spans, strict=True) if run.kind not in ("edge", "corner", "island")]
    held = np.concatenate([chainage[sharp], chainage[[0, -1]], chainage[np.array(ends, np.int64).ravel()], joins_m])
    turned = np.concatenate([[0.0], np.cumsum(np.where(sharp, 0.0, bends))])
    come = np.searchsorted(chainage, at - _SAME_M)
    gone = np.searchsorted(chainage, at + _SAME_M, side="right")
    first = np.zeros(len(at), dtype=np.bool_)
    first[np.minimum(np.searchsorted(at, held - _SAME_M), len(at) - 1)] = True
    first[np.maximum(np.searchsorted(at, held + _SAME_M, side="right") - 1, 0)] = True
    last = 0
    for number in range(1, len(at) - 1):
        far = at[number + 1] - at[last] > spacing_m + _SAME_M
        between = turned[min(gone[last], come[number + 1]) : come[number + 1] + 1]
        first[number] |= far or np.ptp(between) > PEGGED_BEND_DEG
        last = number if first[number] else last
    for out, back in _lead_pairs(loop, chainage, spans):
        first[_within(at, back)] = first[_within(at, out)][::-1]
    return first


def lead_intervals_m(loop: Loop, chainage: FloatArray) -> FloatArray:
    """Return the chainages between which the loop is in a lead, out or back, shape (k, 2) [m]."""
    spans = loop.run_vertices()
    leads = [span for run, span in zip(loop.runs, spans, strict=True) if run.kind.startswith("lead")]
    return chainage[np.array(leads, dtype=np.int64).reshape(-1, 2)]
