"""How far a matched walk lies off the plan, and what of that the receiver can tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray
from lawngis.record.matching import LAID_FREELY_M, WalkMatch, alike_share, places_along

NODE_STEP_M = 1.0
"""Deviation is told this often along the wire."""

ALIKE_POINTS = 3.0
"""Errors of neighbouring points are alike, so this many points tell as much as one; ours, no source."""

SURE_SDS = 3.0
"""A deviation smaller than this many of its standard deviations is not claimed."""

HUBER = 1.5

TAPE_SD_M = 0.05
"""Standard deviation of a distance taken by tape against the plan; ours, no source."""

TAPE_REACH_M = 2.0


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
    shift_xy
        Shift of the whole walk against the plan that was taken off, shape (2,) [m]: receiver or plan, nobody can tell.
    shift_sd_m
        Standard deviation of that shift, the worse way [m].
    point_sd_m
        Standard deviation of one point across the wire [m].
    """

    chainage_m: FloatArray
    left_m: FloatArray
    sd_m: FloatArray
    claimed: BoolArray
    shift_xy: FloatArray
    shift_sd_m: float
    point_sd_m: float


def deviations(
    match: WalkMatch, path_xy: FloatArray, chainage: FloatArray, *, sd_m: float | None = None, bias_sd_m: float = 0.0
) -> Deviations:
    """Return how far the walk lies off the plan along it, where it is on it.

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
    alike = alike_share(match.noise_sd_m, spread)
    as_one = max(ALIKE_POINTS, (1 + alike) / max(1 - alike, 1e-3))
    shift, shift_sd = _shift(normal, off, spread, bias_sd_m, as_one)
    left = off - normal @ shift
    nodes = _nodes_m(length)
    reach = float(np.clip(2 * spread, 1.0, 4.0))
    mean, count, scatter = _local(at, left, nodes, reach, length)
    sd = np.sqrt(np.maximum(spread, scatter) ** 2 / np.maximum(1.0, count / as_one) + shift_sd**2)
    sd[count == 0] = np.nan
    return Deviations(nodes, mean, sd, _claimed(mean, sd), shift, shift_sd, spread)


def _nodes_m(length_m: float) -> FloatArray:
    count = max(2, round(length_m / NODE_STEP_M))
    return np.arange(count) * np.float64(length_m / count)


def _claimed(left: FloatArray, sd: FloatArray) -> BoolArray:
    """Return where a deviation is sure, and a neighbour's too: one node alone is an outlier."""
    strong = np.abs(np.nan_to_num(left)) > LAID_FREELY_M + SURE_SDS * np.nan_to_num(sd, nan=np.inf)
    return np.asarray(strong & (np.roll(strong, 1) | np.roll(strong, -1)))


def pooled(walks: Sequence[Deviations]) -> Deviations:
    """Return deviations told by several walks of one loop, weighted by the inverse of their variances.

    Shift and point are those of the first, the most accurate.
    """
    if len(walks) == 1:
        return walks[0]
    weight = np.nan_to_num(1 / np.square([walk.sd_m for walk in walks]))
    total = weight.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = (weight * np.nan_to_num([walk.left_m for walk in walks])).sum(axis=0) / total
        sd = np.where(total > 0, 1 / np.sqrt(total), np.nan)
    return replace(walks[0], left_m=left, sd_m=sd, claimed=_claimed(left, sd))


def taped(at_m: FloatArray, left_m: FloatArray, length_m: float) -> Deviations:
    """Return deviations measured by tape at some places; two metres beside each are known by it.

    Parameters
    ----------
    at_m, left_m
        Plan chainage of each place and how far left of it the wire lies, both of shape (n,) [m].
    length_m
        Length of the loop [m].
    """
    order = np.argsort(at_m)
    nodes = _nodes_m(length_m)
    near = np.abs(nodes[:, None] - at_m[None, :]).min(axis=1) <= TAPE_REACH_M
    left = np.where(near, np.interp(nodes, at_m[order], left_m[order]), np.nan)
    sd = np.where(near, TAPE_SD_M, np.nan)
    return Deviations(nodes, left, sd, _claimed(left, sd), np.zeros(2), 0.0, TAPE_SD_M)


def _offsets(match: WalkMatch, path_xy: FloatArray, chainage: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return chainage on the loop, left normal of the plan there, and offset along it, of points on the plan."""
    at = match.chainage_m[match.on] % float(chainage[-1])
    place, direction = places_along(path_xy, chainage, at)
    normal = np.column_stack([-direction[:, 1], direction[:, 0]])
    return at, normal, np.einsum("ij,ij->i", match.xy[match.on] - place, normal)


def _shift(
    normal: FloatArray, off: FloatArray, spread: float, bias_sd: float, as_one: float
) -> tuple[FloatArray, float]:
    if bias_sd <= 0.0:
        return np.zeros(2), 0.0
    error = float(np.hypot(spread, LAID_FREELY_M))
    shift = np.zeros(2)
    for _ in range(12):
        left = np.abs(off - normal @ shift) / error
        weight = np.minimum(1.0, HUBER / np.maximum(left, 1e-9)) / as_one
        system = (normal * weight[:, None]).T @ normal / error**2 + np.eye(2) / bias_sd**2
        shift[:] = np.linalg.solve(system, (normal * weight[:, None]).T @ off / error**2)
    return shift, float(np.sqrt(np.linalg.eigvalsh(np.linalg.inv(system)).max()))


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


def laid_xy(path_xy: FloatArray, chainage: FloatArray, off: Deviations) -> tuple[FloatArray, FloatArray]:
    """Return the loop as laid, and the plan chainage of its vertices: the plan where nothing else is claimed.

    Returns
    -------
    tuple of ndarray
        Vertices, shape (n, 2), closed, and plan chainage of each, shape (n,) [m].
    """
    length = float(chainage[-1])
    near = np.interp(chainage, off.chainage_m, off.claimed.astype(float), period=length) > 0.5
    at = np.unique(np.concatenate([chainage[~near], off.chainage_m[off.claimed], chainage[[0, -1]]]))
    left = np.where(off.claimed, np.nan_to_num(off.left_m), 0.0)
    moved = np.interp(at, off.chainage_m, left, period=length)
    moved[~np.isin(at, off.chainage_m[off.claimed])] = 0.0
    place, direction = places_along(path_xy, chainage, at)
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
