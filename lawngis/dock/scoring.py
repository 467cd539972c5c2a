"""Which of the feasible places is best, and how sure that is."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import ParameterError

SCORES_AT_ONCE = 200_000
"""Scores of random weightings worked out in one go: few enough to stay in the processor's cache."""


def scaled_benefit(values: ArrayLike, *, worst: float | None = None, best: float | None = None) -> FloatArray:
    """Return values on a linear scale from 0 at the worst to 1 at the best, of which more is better.

    Parameters
    ----------
    values
        Raw criterion, shape (n,); NaN stays NaN.
    worst, best
        Ends of the scale; by default the lowest and highest value. Values beyond them are cut off. When both are
        the same, no candidate is worse than another, and all known values become 1.

    Examples
    --------
    >>> scaled_benefit([2.0, 3.0, 6.0]).tolist()
    [0.0, 0.25, 1.0]
    """
    raw = np.asarray(values, dtype=np.float64)
    known = raw[np.isfinite(raw)]
    low = (known.min() if known.size else 0.0) if worst is None else worst
    high = (known.max() if known.size else 0.0) if best is None else best
    if high < low:
        raise ParameterError(f"the best value {high} of a benefit lies below its worst {low}")
    if high == low:
        return np.asarray(np.where(np.isnan(raw), np.nan, 1.0))
    return np.asarray(np.clip((raw - low) / (high - low), 0.0, 1.0))


def scaled_cost(values: ArrayLike, *, worst: float | None = None, best: float | None = None) -> FloatArray:
    """Return values on a linear scale from 0 at the worst to 1 at the best, of which less is better.

    Parameters are those of :func:`scaled_benefit`, with `best` below `worst`.

    Examples
    --------
    >>> scaled_cost([2.0, 3.0, 6.0]).tolist()
    [1.0, 0.75, 0.0]
    """
    if worst is not None and best is not None and worst < best:
        raise ParameterError(f"the best value {best} of a cost lies above its worst {worst}")
    return scaled_benefit(
        -np.asarray(values, dtype=np.float64),
        worst=None if worst is None else -worst,
        best=None if best is None else -best,
    )


def weighted_scores(criteria: ArrayLike, weights: ArrayLike) -> FloatArray:
    """Return the weighted mean of each candidate's known criteria, shape (n,), 0 to 1.

    Parameters
    ----------
    criteria
        Scaled to 0..1, shape (n, k); a NaN leaves the score, and the other weights are scaled up.
    weights
        Shape (k,), not negative.

    Returns
    -------
    ndarray
        NaN for a candidate of which nothing with a weight is known.
    """
    table, importance = _checked(criteria, weights)
    return np.asarray(_scores(table, importance[None, :])[0])


def preference_order(scores: ArrayLike, failed_count: ArrayLike) -> IntArray:
    """Return candidate indices, best first: fewest failures, then highest score, then order along the wire.

    The first is the place to choose; whether it is feasible, its failures tell.
    """
    score = np.asarray(scores, dtype=np.float64)
    downwards = np.where(np.isnan(score), np.inf, -score)
    return np.lexsort((np.arange(len(score)), downwards, np.asarray(failed_count))).astype(np.int64)


def tied_with_best(scores: ArrayLike, feasible: ArrayLike, *, tolerance: float = 0.005) -> IntArray:
    """Return the feasible candidates whose score is within `tolerance` of the best one's; empty when none is."""
    score = np.where(np.asarray(feasible, dtype=np.bool_), np.asarray(scores, dtype=np.float64), np.nan)
    if not np.isfinite(score).any():
        return np.zeros(0, dtype=np.int64)
    return np.flatnonzero(score >= np.nanmax(score) - tolerance).astype(np.int64)


def spaced_ranking(
    xy: ArrayLike, order: ArrayLike, *, spacing_m: float, alternatives: int = 5, eligible: ArrayLike | None = None
) -> IntArray:
    """Return ranks from 1 in which the first few lie apart, so that a list of them offers a choice.

    Parameters
    ----------
    xy
        Candidates, shape (n, 2) [m].
    order
        Their indices, best first, from :func:`preference_order`.
    spacing_m
        Distance between any two of the first few [m].
    alternatives
        How many to set apart, the best one included. The others follow in their order.
    eligible
        Which candidates may be among the first few (the feasible ones); by default all.

    Returns
    -------
    ndarray
        Rank per candidate, shape (n,).
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    sequence = np.asarray(order, dtype=np.int64)
    free = np.ones(len(points), dtype=np.bool_) if eligible is None else np.array(eligible, dtype=np.bool_)
    first: list[int] = []
    while len(first) < alternatives and free[sequence].any():
        chosen = int(sequence[free[sequence]][0])
        first.append(chosen)
        free &= np.hypot(*(points - points[chosen]).T) >= spacing_m
        free[chosen] = False
    rest = sequence[~np.isin(sequence, first)]
    ranks = np.empty(len(points), dtype=np.int64)
    ranks[np.concatenate([np.array(first, dtype=np.int64), rest])] = np.arange(1, len(points) + 1)
    return ranks


def first_rank_shares(
    criteria: ArrayLike,
    weights: ArrayLike,
    feasible: ArrayLike,
    *,
    draws: int = 2000,
    seed: int = 0,
    spread: float = 1.0,
) -> FloatArray:
    """Return the share of random weightings in which each candidate ranks first, shape (n,).

    Parameters
    ----------
    criteria, weights
        As for :func:`weighted_scores`.
    feasible
        Only these can rank first, shape (n,).
    draws, seed
        Number of weightings, and the seed that makes them the same again.
    spread
        How far the weightings scatter: with 1 and equal weights every weighting is as likely as any other; smaller
        values keep to the given weights.

    Returns
    -------
    ndarray
        Adds up to 1 (candidates that tie share), or all zero when none is feasible.

    Notes
    -----
    Weightings are drawn from the Dirichlet distribution with parameters k w / spread, whose mean is w.
    """
    table, importance = _checked(criteria, weights)
    may_win = np.asarray(feasible, dtype=np.bool_)
    if draws < 1 or not spread > 0:
        raise ParameterError(f"{draws} draws with a spread of {spread} are not above zero")
    used = importance > 0
    alpha = used.sum() * importance[used] / importance.sum() / spread
    weightings = _weightings(tuple(alpha.tolist()), draws, seed)
    shares = np.zeros(len(table))
    rivals = np.flatnonzero(may_win & (~np.isnan(table[:, used])).any(axis=1))
    if not rivals.size:
        return shares
    for part in np.array_split(weightings, max(1, draws * len(rivals) // SCORES_AT_ONCE)):
        scores = _scores(table[np.ix_(rivals, used)], part)
        best = np.fmax.reduce(scores, axis=1)
        # Much faster flat than by rows and columns.
        draw, winner = np.divmod(np.flatnonzero(scores >= best[:, None] - 1e-12), len(rivals))
        shared = np.bincount(draw, minlength=len(part))[draw]
        shares[rivals] += np.bincount(winner, weights=1 / shared, minlength=len(rivals))
    return shares / draws


@lru_cache(maxsize=16)
def _weightings(alpha: tuple[float, ...], draws: int, seed: int) -> FloatArray:
    """Return random weightings, shape (draws, k), read-only: the loops of a site share them."""
    drawn = np.random.default_rng(seed).dirichlet(alpha, size=draws)
    drawn.flags.writeable = False
    return drawn


def _checked(criteria: ArrayLike, weights: ArrayLike) -> tuple[FloatArray, FloatArray]:
    table = np.asarray(criteria, dtype=np.float64)
    importance = np.asarray(weights, dtype=np.float64)
    if table.ndim != 2 or importance.shape != (table.shape[1],):
        raise ParameterError(f"criteria of shape {table.shape} don't fit {importance.size} weights")
    if not (np.all(importance >= 0) and np.isfinite(importance).all() and importance.sum() > 0):
        raise ParameterError("weights of criteria must not be negative, and not all zero")
    return table, importance


def _scores(table: FloatArray, weightings: FloatArray) -> FloatArray:
    """Return scores, shape (weightings, candidates), over the criteria known of each candidate."""
    known = ~np.isnan(table)
    some = known.any(axis=0)
    if known[:, some].all():  # what is known of one candidate is known of all
        total = weightings[:, some].sum(axis=1, keepdims=True)
        shares = np.divide(weightings[:, some], total, out=np.full_like(weightings[:, some], np.nan), where=total > 0)
        return np.asarray(shares @ table[:, some].T)
    total = weightings @ known.T.astype(np.float64)
    sums = weightings @ np.where(known, table, 0.0).T
    return np.divide(sums, total, out=np.full_like(sums, np.nan), where=total > 0)
