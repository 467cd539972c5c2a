"""The mean slope of a piece of ground, and how far noise in the elevations moves it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.ground.terrain import Correlation, Gradient


@dataclass(frozen=True, eq=False)
class SlopeErrors:
    """How errors of elevations pass into slopes.

    Parameters
    ----------
    downhill
        Direction of the gradient on each cell, a vector of length 1; shape (rows, cols), NaN where unknown.
    stencil_p, stencil_q
        Weights of the elevations around a cell in p × cell width and q × cell height.
    dx_m, dy_m
        Ground size of a cell [m].
    z_sd_m
        Standard deviation of one elevation [m].
    correlation
        Of elevation errors by distance; None for independent ones.
    """

    downhill: Gradient
    stencil_p: FloatArray
    stencil_q: FloatArray
    dx_m: float
    dy_m: float
    z_sd_m: float
    correlation: Correlation | None

    def mean_sd_percent(self, rows: NDArray[np.int64], cols: NDArray[np.int64], weights: FloatArray) -> float:
        """Return the standard deviation of the mean slope over some cells [percent].

        Parameters
        ----------
        rows, cols, weights
            The cells and what each counts, shape (n,); those without a gradient don't count.

        Raises
        ------
        ParameterError
            When none of them counts.

        Notes
        -----
        The slope of a cell is its gradient along its own direction, to first order; gradient, footprint and mean are
        linear in the elevations. So the mean is a weighted sum of elevations with weights w, and its variance is
        sd² wᵀCw, here as a sum over lags: the autocorrelation of w, by Fourier transform on twice its window, times the
        correlation at each lag.
        """
        p, q = (component[rows, cols] for component in self.downhill)
        counts = np.isfinite(p) & np.isfinite(q) & (weights > 0)
        if not counts.any():
            raise ParameterError("a piece of ground without a slope has no mean slope")
        rows, cols, share = rows[counts], cols[counts], weights[counts] / weights[counts].sum()
        w = _spread(rows, cols, share * p[counts] / self.dx_m, self.stencil_p)
        w += _spread(rows, cols, share * q[counts] / self.dy_m, self.stencil_q)
        return 100 * self.z_sd_m * float(np.sqrt(max(quadratic_form(w, self.dx_m, self.dy_m, self.correlation), 0.0)))


def _spread(rows: NDArray[np.int64], cols: NDArray[np.int64], values: FloatArray, stencil: FloatArray) -> FloatArray:
    """Return the sum of a stencil laid on cells, times the value of each, in the least window that holds all."""
    down, across = stencil.shape
    rows, cols = rows - rows.min(), cols - cols.min()
    window = np.zeros((rows.max() + down, cols.max() + across))
    for row in range(down):
        for col in range(across):
            # Each cell is there once, so that nothing is added twice at one place.
            window[rows + row, cols + col] += stencil[row, col] * values
    return window


def quadratic_form(w: FloatArray, dx_m: float, dy_m: float, correlation: Correlation | None) -> float:
    """Return wᵀCw for weights on a grid, C being the correlation of values there.

    Parameters
    ----------
    w
        Weights, shape (rows, cols).
    dx_m, dy_m
        Ground size of a cell [m].
    correlation
        By distance; None for values that have none.
    """
    if correlation is None:
        return float((w**2).sum())
    shape = [next_fast_len(2 * size - 1, real=True) for size in w.shape]
    shares = irfft2(np.abs(rfft2(w, shape)) ** 2, shape)
    down, across = (np.minimum(np.arange(size), size - np.arange(size)) for size in shape)
    return float((shares * correlation(np.hypot(down[:, None] * dy_m, across * dx_m))).sum())
