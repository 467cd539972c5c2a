"""How far a matched walk lies off the plan, and what of that the receiver can tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.lines import points_along, segment_lengths_m
from lawngis.record.matching import WalkMatch

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

NODE_STEP_M = 1.0
"""Deviation is told this often along the wire."""

ALIKE_POINTS = 3.0
"""Errors of neighbouring points are alike, so this many points tell as much as one; ours, no source."""

LAID_FREELY_M = 0.10
"""Off the plan by less than this is laid as planned, whatever the receiver; ours, no source."""

SURE_SDS = 3.0
"""A deviation smaller than this many of its standard deviations is not claimed."""

HUBER = 1.5


@dataclass(frozen=True, eq=False)
class Deviations:
    """How far the laid wire lies off the plan, node by node along it.

    Parameters
    ----------
    chainage_m
        Plan chainage of the nodes, shape (n,) [m].
    left_m
        Off to the left of the laying direction, the mower's side of an outer edge; NaN where nobody walked [m].
    sd_m
        Standard deviation of that; NaN where nobody walked [m].
    claimed
        Whether the deviation is more than the receiver and free laying explain, shape (n,).
    bias_xy
        Shift of the whole walk against the plan that was taken off, shape (2,) [m]: receiver or plan, nobody can tell.
    point_sd_m
        Standard deviation of one point across the wire [m].
    """

    chainage_m: FloatArray
    left_m: FloatArray
    sd_m: FloatArray
    claimed: BoolArray
    bias_xy: FloatArray
    point_sd_m: float


def deviations(
    match: WalkMatch, path_xy: FloatArray, chainage: FloatArray, *, sd_m: float | None = None, bias_sd_m: float = 0.0
) -> Deviations:
    """Return how far the walk lies off the plan along it.

    Parameters
    ----------
    match
        The walk, matched.
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    sd_m
        Standard deviation of one point as the receiver states it; the points' own noise counts where it is more [m].
    bias_sd_m
        Standard deviation of a shift that all points share: the receiver's, and that of the map [m].

    Returns
    -------
    Deviations

    Notes
    -----
    The shift b is the ridge estimate of n·b over all points, with n the plan's normal at each and the prior
    N(0, bias_sd²), reweighted after Huber so that stretches laid elsewhere don't pull at it. What it leaves uncertain
    goes into every node's standard deviation.

    References
    ----------
    P. J. Huber, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35, 1964.
    """
    length = float(chainage[-1])
    at, normal, off = _offsets(match, path_xy, chainage)
    spread = max(match.noise_sd_m, sd_m or 0.0, 0.005)
    bias, bias_sd = _shift(normal, off, spread, bias_sd_m)
    left = off - normal @ bias
    count_nodes = max(2, round(length / NODE_STEP_M))
    nodes: FloatArray = np.arange(count_nodes) * np.float64(length / count_nodes)
    reach = float(np.clip(2 * spread, 1.0, 4.0))
    mean, count, scatter = _local(at, left, nodes, reach, length)
    counted = np.maximum(1.0, count / ALIKE_POINTS)
    sd = np.sqrt(np.maximum(spread, scatter) ** 2 / counted + bias_sd**2)
    sd[count == 0] = np.nan
    strong = np.abs(np.nan_to_num(mean)) > LAID_FREELY_M + SURE_SDS * np.nan_to_num(sd, nan=np.inf)
    beside = strong & (np.roll(strong, 1) | np.roll(strong, -1))
    return Deviations(nodes, mean, sd, beside, bias, spread)


def _offsets(match: WalkMatch, path_xy: FloatArray, chainage: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return chainage on the loop, left normal of the plan there, and offset of each point along that normal."""
    length = float(chainage[-1])
    at = match.chainage_m % length
    reach = 0.1
    ahead = points_along(path_xy, chainage, np.minimum(at + reach, length))
    behind = points_along(path_xy, chainage, np.maximum(at - reach, 0.0))
    direction = ahead - behind
    direction /= np.maximum(np.hypot(*direction.T), 1e-9)[:, None]
    place = points_along(path_xy, chainage, at)
    shift = np.einsum("ij,ij->i", match.xy - place, direction)  # states are some way apart: slide onto the foot
    at = (at + np.clip(shift, -0.5, 0.5)) % length
    normal = np.column_stack([-direction[:, 1], direction[:, 0]])
    return at, normal, np.einsum("ij,ij->i", match.xy - place, normal)


def _shift(normal: FloatArray, off: FloatArray, spread: float, bias_sd: float) -> tuple[FloatArray, float]:
    if bias_sd <= 0.0:
        return np.zeros(2), 0.0
    error = float(np.hypot(spread, LAID_FREELY_M))
    bias = np.zeros(2)
    weight = np.ones(len(off))
    for _ in range(12):
        left = np.abs(off - normal @ bias) / error
        weight = np.minimum(1.0, HUBER / np.maximum(left, 1e-9)) / ALIKE_POINTS
        system = (normal * weight[:, None]).T @ normal / error**2 + np.eye(2) / bias_sd**2
        bias[:] = np.linalg.solve(system, (normal * weight[:, None]).T @ off / error**2)
    return bias, float(np.sqrt(np.linalg.eigvalsh(np.linalg.inv(system)).max()))


def _local(
    at: FloatArray, left: FloatArray, nodes: FloatArray, reach: float, length: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, count and scatter of the offsets within `reach` of each node, round the loop's end as well."""
    order = np.argsort(at)
    at, left = at[order], left[order]
    at = np.concatenate([at - length, at, at + length])
    left = np.concatenate([left, left, left])
    first, last = np.searchsorted(at, nodes - reach), np.searchsorted(at, nodes + reach)
    count = (last - first).astype(np.float64)
    total = np.concatenate([[0.0], np.cumsum(left)])
    square = np.concatenate([[0.0], np.cumsum(left**2)])
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (total[last] - total[first]) / count
        scatter = np.sqrt(np.maximum((square[last] - square[first]) / count - mean**2, 0.0))
    return mean, count, np.where(count >= 4, np.nan_to_num(scatter), 0.0)


def stretches_of(flags: BoolArray) -> list[tuple[int, int]]:
    """Return first and last index of every run of True.

    Examples
    --------
    >>> stretches_of(np.array([True, True, False, True]))
    [(0, 1), (3, 3)]
    """
    edge = np.diff(np.concatenate([[0], flags.astype(np.int8), [0]]))
    return [(int(a), int(b) - 1) for a, b in zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True)]


def laid_xy(path_xy: FloatArray, chainage: FloatArray, off: Deviations) -> tuple[FloatArray, FloatArray]:
    """Return the loop as laid, and the plan chainage of its vertices: the plan where nothing else is claimed.

    Returns
    -------
    tuple of ndarray
        Vertices, shape (n, 2), closed, and plan chainage of each, shape (n,) [m].
    """
    length = float(chainage[-1])
    near = np.interp(chainage, off.chainage_m, off.claimed.astype(float), period=length) > 0.5
    moved_nodes = off.chainage_m[off.claimed]
    at = np.unique(np.concatenate([chainage[~near], moved_nodes, chainage[[0, -1]]]))
    left = np.where(off.claimed, np.nan_to_num(off.left_m), 0.0)
    place = points_along(path_xy, chainage, at)
    ahead = points_along(path_xy, chainage, np.minimum(at + 0.25, length))
    behind = points_along(path_xy, chainage, np.maximum(at - 0.25, 0.0))
    direction = (ahead - behind) / np.maximum(np.hypot(*(ahead - behind).T), 1e-9)[:, None]
    moved = np.interp(at, off.chainage_m, left, period=length)
    moved[~np.isin(at, moved_nodes)] = 0.0
    xy = place + moved[:, None] * np.column_stack([-direction[:, 1], direction[:, 0]])
    xy[-1] = xy[0]
    return xy, at


def shortfalls_m(
    xy: FloatArray, edges: list[BaseGeometry], setback_m: FloatArray, *, reach_m: float = 3.0
) -> FloatArray:
    """Return by how much places are closer to an edge than its setback, shape (n,); negative where they are not [m].

    Parameters
    ----------
    xy
        Places, shape (n, 2) [m].
    edges, setback_m
        Edges and the setback of each [m].
    reach_m
        Edges further away don't count [m].
    """
    worst = np.full(len(xy), -np.inf)
    if not edges:
        return worst
    points = np.asarray(shapely.points(xy), dtype=object)
    pairs = shapely.STRtree(edges).query(points, predicate="dwithin", distance=reach_m)
    away = shapely.distance(points[pairs[0]], np.array(edges, dtype=object)[pairs[1]])
    np.maximum.at(worst, pairs[0], np.asarray(setback_m)[pairs[1]] - away)
    return worst


def frechet_m(first: FloatArray, second: FloatArray) -> float:
    """Return the discrete Fréchet distance of two lines: the shortest leash for two who both only walk forward [m].

    Unlike the Hausdorff distance it sees a part that was left out or walked the other way round.

    References
    ----------
    T. Eiter, H. Mannila, "Computing discrete Fréchet distance", report CD-TR 94/64, TU Wien, 1994.

    Examples
    --------
    >>> frechet_m(np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([[0.0, 2.0], [1.0, 2.0]]))
    2.0
    """
    apart = np.hypot(first[:, None, 0] - second[None, :, 0], first[:, None, 1] - second[None, :, 1])
    leash = np.maximum.accumulate(apart[0])
    for row in apart[1:]:
        before = leash.copy()
        reach = np.minimum(before, np.concatenate([[np.inf], before[:-1]]))
        leash = np.empty_like(before)
        latest = np.inf
        for column, (near, here) in enumerate(zip(reach.tolist(), row.tolist(), strict=True)):
            latest = max(here, min(near, latest))
            leash[column] = latest
    return float(leash[-1])


def walked_share(off: Deviations) -> float:
    """Return the share of the loop near which points were taken."""
    return float(np.isfinite(off.left_m).mean())


def shortcuts_m(match: WalkMatch, *, sd_m: float) -> list[tuple[float, float]]:
    """Return stretches of the plan, from and to [m], that the walk left out although no points are missing there.

    Only what is longer than the receiver's noise explains is told; `to` may lie beyond the loop's end.
    """
    along = np.diff(match.chainage_m)
    walked = segment_lengths_m(match.smooth_xy)
    left_out = (along - walked > 1.0 + 4 * (0.5 * sd_m + 0.25)) & ~match.gap_after
    return [(float(match.chainage_m[row]), float(match.chainage_m[row + 1])) for row in np.flatnonzero(left_out)]


def without_stretches(
    xy: FloatArray, at: FloatArray, stretches: list[tuple[float, float]], length_m: float
) -> FloatArray:
    """Return a laid loop less the vertices whose plan chainage lies within stretches that were left out."""
    keep = np.ones(len(at), dtype=bool)
    for begin, end in stretches:
        for turn in (0.0, length_m):
            keep &= ~((at > begin - turn) & (at < end - turn))
    kept = xy[keep]
    return kept if np.array_equal(kept[0], kept[-1]) else np.concatenate([kept, kept[:1]])
