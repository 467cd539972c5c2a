"""Chances, spreads and shares of doubt, counted over drawn plans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

COVERED = 0.9
"""Share of truths that an interval is to hold."""


@dataclass(frozen=True)
class Chance:
    """Chance of what happened in some of several draws, with its standard deviation.

    The prior is Jeffreys': what never happened in N draws has a chance of 0.5 / (N + 1), not of none.

    References
    ----------
    H. Jeffreys, 1946, An invariant form for the prior probability in estimation problems, Proc. R. Soc. A 186, 453-461,
    doi 10.1098/rspa.1946.0056: posterior Beta(k + 1/2, N - k + 1/2).

    Examples
    --------
    >>> chance = Chance(3, 20)
    >>> round(chance.mean, 3), round(chance.sd, 3)
    (0.167, 0.079)
    """

    times: int
    draws: int

    @property
    def mean(self) -> float:
        """The chance."""
        return (self.times + 0.5) / (self.draws + 1)

    @property
    def sd(self) -> float:
        """Its standard deviation."""
        return sqrt(self.mean * (1 - self.mean) / (self.draws + 2))

    @property
    def surely(self) -> float:
        """What the chance is at least, but for one standard deviation."""
        return self.mean - self.sd if self.times else 0.0


@dataclass(frozen=True)
class Spread:
    """Spread of a figure over drawn plans: standard deviation, and the interval that holds :data:`COVERED` of them."""

    sd: float
    low: float
    high: float

    @classmethod
    def of(cls, values: Sequence[float]) -> Spread | None:
        """Return the spread of at least two values; None of fewer."""
        if len(values) < 2:
            return None
        tail = (1 - COVERED) / 2
        low, high = np.quantile(values, [tail, 1 - tail], method="median_unbiased")
        return cls(float(np.std(values, ddof=1)), float(low), float(high))


def doubt_share(values: ArrayLike, outcomes: Sequence[object]) -> float:
    """Return the share of a figure's variance that knowing an outcome takes away, 0 to 1.

    Parameters
    ----------
    values
        The figure in each draw, shape (n,), in any unit [].
    outcomes
        How the decision fell in each.

    Notes
    -----
    ε² = 1 - (n - 1) / (n - k) · within / total for k outcomes: the variance of the conditional means, less what chance
    alone gives few draws.

    References
    ----------
    T.L. Kelley, 1935, An unbiased correlation ratio measure, PNAS 21(9), 554-559, doi 10.1073/pnas.21.9.554.

    Examples
    --------
    >>> doubt_share([1.0, 1.0, 3.0, 3.0], ["a", "a", "b", "b"])
    1.0
    >>> doubt_share([1.0, 3.0, 1.0, 3.0], ["a", "a", "b", "b"])
    0.0
    """
    figures = np.asarray(values, dtype=np.float64)
    kinds: NDArray[np.int64] = np.unique([str(outcome) for outcome in outcomes], return_inverse=True)[1].ravel()
    groups = int(kinds.max()) + 1 if len(kinds) else 0
    total = float(np.square(figures - figures.mean()).sum()) if len(figures) else 0.0
    if groups < 2 or groups >= len(figures) or total <= 1e-12 * float(np.square(figures).sum()):
        return 0.0
    means = np.bincount(kinds, figures) / np.bincount(kinds)
    within = float(np.square(figures - means[kinds]).sum())
    return max(0.0, 1 - (len(figures) - 1) / (len(figures) - groups) * within / total)
