"""A histogram as a mixture of two kinds: how far apart they lie, and how likely a value is of the upper one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError

ROUNDS = 60
"""Rounds of expectation and maximisation: shares and means of histograms of an index then move by less than a bin."""

SIDE_SHARE_MIN = 0.01
"""Either kind holds at least this share of what is counted [1]: specks of paving in a meadow are none."""

SEPARATION_MIN = 2.0
"""Separation D from which two kinds are parted clearly (Ashman, Bird and Zepf, 1994)."""

DIP_MIN = 0.1
"""The histogram itself dips this share of the lower hump between two kinds [1]: an even spread, cut in two, is well
separated and has no dip. Common practice, no source."""

DIP_SMOOTHING_BINS = 1.3
"""Standard deviation of the smoothing of a histogram before it is asked for a dip [bins]: counts are uneven."""


@dataclass(frozen=True)
class TwoKinds:
    """Two normal distributions that share what is counted.

    Parameters
    ----------
    share
        Of the upper one [0, 1].
    means, sds
        Of the lower and of the upper one, in the unit of the values.
    dip
        How far the histogram itself dips between the means, as a share of the lower hump [0, 1].
    """

    share: float
    means: tuple[float, float]
    sds: tuple[float, float]
    dip: float = 1.0

    @property
    def separation(self) -> float:
        """How far apart the two lie, by their own widths: D = √2 (μ₂ - μ₁) / √(σ₁² + σ₂²).

        References
        ----------
        Ashman, Bird and Zepf, 1994, Detecting bimodality in astronomical datasets, Astronomical Journal 108,
        2348-2361, equation 5 (from memory): two kinds are clearly parted from D = 2 on.
        """
        return float(np.sqrt(2) * (self.means[1] - self.means[0]) / np.hypot(*self.sds))

    @property
    def clear(self) -> bool:
        """Whether there are two kinds: enough of both, far enough apart, and less in between."""
        enough = SIDE_SHARE_MIN <= self.share <= 1 - SIDE_SHARE_MIN
        return bool(enough and self.separation >= SEPARATION_MIN and self.dip >= DIP_MIN)

    @property
    def crossing(self) -> float:
        """Value between the means at which both are as likely: the threshold with the least error.

        References
        ----------
        Kittler and Illingworth, 1986, Minimum error thresholding, Pattern Recognition 19(1), 41-47.
        """
        between = np.linspace(*self.means, 1001)
        return float(np.interp(0.5, self.chance_of_upper(between), between))

    @property
    def overlap(self) -> float:
        """Share of what is counted that lies on the wrong side of the crossing [0, 1]."""
        below, above = ((self.crossing - mean) / sd for mean, sd in zip(self.means, self.sds, strict=True))
        return float((1 - self.share) * ndtr(-below) + self.share * ndtr(above))

    def chance_of_upper(self, values: ArrayLike, sd: float = 0.0) -> FloatArray:
        """Return how likely values are of the upper kind [0, 1], any shape.

        Beyond a mean nothing gets surer or less sure: tails of normal distributions say nothing of ground.

        Parameters
        ----------
        values
            In the unit of the means.
        sd
            Standard deviation of the place of the two kinds, in the same unit.
        """
        inside = np.clip(np.asarray(values, dtype=np.float64), *self.means)
        lower, upper = (
            share / np.hypot(own, sd) * np.exp(-0.5 * ((inside - mean) / np.hypot(own, sd)) ** 2)
            for share, mean, own in zip((1 - self.share, self.share), self.means, self.sds, strict=True)
        )
        return np.asarray(upper / np.maximum(lower + upper, 1e-300))


def two_kinds(histograms: ArrayLike, centres: ArrayLike) -> list[TwoKinds]:
    """Return the two normal distributions that fit histograms best, for each of them.

    Parameters
    ----------
    histograms
        Counts, shape (n, bins).
    centres
        Of the bins, evenly spaced, shape (bins,).

    Raises
    ------
    ParameterError
        When a histogram counts nothing.

    Notes
    -----
    Expectation and maximisation, begun at the split with the largest variance between its sides. No distribution gets
    narrower than a bin. Where one gets nothing the two are the same, and separated by nothing.

    References
    ----------
    Dempster, Laird and Rubin, 1977, Maximum likelihood from incomplete data via the EM algorithm, Journal of the Royal
    Statistical Society B 39(1), 1-38. Otsu, 1979, A threshold selection method from gray-level histograms, IEEE
    Transactions on Systems, Man, and Cybernetics 9(1), 62-66.
    """
    counts, values = np.atleast_2d(np.asarray(histograms, dtype=np.float64)), np.asarray(centres, dtype=np.float64)
    total = counts.sum(axis=1, keepdims=True)
    if not (total > 0).all():
        raise ParameterError("the image has no data here", advice="Check that it covers the site.")
    weight = counts / total
    width = values[1] - values[0]
    upper = (np.arange(len(values)) > _split(weight, values)[:, None]).astype(np.float64)
    for _ in range(ROUNDS):
        of_kind = np.stack([weight * (1 - upper), weight * upper])
        share = np.maximum(of_kind.sum(axis=2), 1e-9)
        mean = of_kind @ values / share
        apart = values - mean[:, :, None]
        sd = np.sqrt((of_kind * apart**2).sum(axis=2) / share + width**2)
        density = (share / sd)[:, :, None] * np.exp(-0.5 * (apart / sd[:, :, None]) ** 2)
        upper = density[1] / np.maximum(density.sum(axis=0), 1e-300)
    smooth = gaussian_filter1d(weight, DIP_SMOOTHING_BINS, axis=1, mode="constant")
    return [
        TwoKinds(float(part), (float(low), float(high)), (float(low_sd), float(high_sd)), _dip(row, values, low, high))
        for part, (low, high), (low_sd, high_sd), row in zip(share[1], mean.T, sd.T, smooth, strict=True)
    ]


def _dip(smooth: FloatArray, values: FloatArray, low: float, high: float) -> float:
    """Return how far a histogram dips between two values, as a share of the lower hump beside."""
    first, last = np.searchsorted(values, [low, high])
    lowest = first + int(smooth[first : last + 1].argmin())
    hump = min(smooth[: lowest + 1].max(), smooth[lowest:].max())
    return float(1 - smooth[lowest] / max(hump, 1e-300))


def _split(weight: FloatArray, values: FloatArray) -> FloatArray:
    """Return the last bin below the split with the largest variance between its sides, shape (n,)."""
    below, moment = np.cumsum(weight, axis=1), np.cumsum(weight * values, axis=1)
    both = (below > SIDE_SHARE_MIN / 2) & (below < 1 - SIDE_SHARE_MIN / 2)
    between = np.where(both, (moment[:, -1:] * below - moment) ** 2 / np.where(both, below * (1 - below), 1.0), -1.0)
    return np.asarray(between.argmax(axis=1))
