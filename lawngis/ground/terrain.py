"""Gradient, slope and aspect of an elevation grid, and how far noise in the elevations moves them.

Cells of a 3 × 3 window are named as in the papers; *p* is the rise per metre along a row (to the east on a
north-up raster), *q* down a column (to the south)::

    a b c      p: right minus left
    d e f      q: lower minus upper
    g h i

Which cells have no answer is the same as in GDAL's ``gdaldem`` without ``-compute_edges``: the outermost
ring, and every cell with a cell of no data in its window, also for the method that does not look at all nine.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import correlate
from scipy.special import ive

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError, RasterError

Correlation = Callable[[FloatArray], FloatArray]
"""From a distance [m] to the correlation of two elevation errors that far apart."""

HORN_STENCIL = np.array([[-1.0, 0.0, 1.0], [-2.0, 0.0, 2.0], [-1.0, 0.0, 1.0]]) / 8
"""Weights of p × cell size by Horn 1981; the transpose is that of q."""

ZEVENBERGEN_THORNE_STENCIL = np.array([[0.0, 0.0, 0.0], [-1.0, 0.0, 1.0], [0.0, 0.0, 0.0]]) / 2
"""Weights of p × cell size by Zevenbergen and Thorne 1987; the transpose is that of q."""

EQUAL_NOISE = 1e-6
"""Standard deviations that differ by a smaller share are equal: cells square on the ground."""

GAUSS_NODES = 16
"""Terms of the integral for noise that differs in x and y."""

LINEAR_LIMIT = 0.25
"""Noise over slope up to which first-order error propagation is used; beyond it, the length of a noisy vector."""


class Gradient(NamedTuple):
    """Rise per metre along the rows (p) and down the columns (q); two arrays of the same shape."""

    p: FloatArray
    q: FloatArray


@dataclass(frozen=True)
class ExponentialCorrelation:
    """Correlation exp(-d / length_m) of elevation errors at distance d [m]: rough error fields."""

    length_m: float

    def __post_init__(self) -> None:
        _check_positive("length_m", self.length_m)

    def __call__(self, distance_m: FloatArray) -> FloatArray:
        """Return the correlation at distances [m]."""
        return np.exp(-np.asarray(distance_m) / self.length_m)


@dataclass(frozen=True)
class GaussianCorrelation:
    """Correlation exp(-(d / length_m)²) of elevation errors at distance d [m]: smooth error fields."""

    length_m: float

    def __post_init__(self) -> None:
        _check_positive("length_m", self.length_m)

    def __call__(self, distance_m: FloatArray) -> FloatArray:
        """Return the correlation at distances [m]."""
        return np.exp(-((np.asarray(distance_m) / self.length_m) ** 2))


def slope_gradient_horn(z_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike) -> Gradient:
    """Return the gradient by Horn's weighted differences, suited to rough ground.

    Parameters
    ----------
    z_m
        Elevations, shape (rows, cols) [m], NaN where there are none.
    dx_m, dy_m
        Ground width and height of the cells, one number or shape (rows,) [m].

    Returns
    -------
    Gradient
        p and q, shape (rows, cols) [m/m], NaN as the module says.

    Raises
    ------
    RasterError
        When `z_m` is not two-dimensional, or a cell size does not fit it or is not positive.

    Notes
    -----
    p = ((c + 2f + i) - (a + 2d + g)) / 8 dx; q = ((g + 2h + i) - (a + 2b + c)) / 8 dy.

    References
    ----------
    B.K.P. Horn, 1981, Hill shading and the reflectance map, Proc. IEEE 69(1), 14-47.

    Examples
    --------
    >>> p, q = slope_gradient_horn([[50, 45, 50], [30, 30, 30], [8, 10, 10]], 5, 5)
    >>> float(p[1, 1]), float(q[1, 1])
    (0.05, -3.8)
    """
    z, dx, dy = _checked(z_m, dx_m, dy_m)
    across = z[:, 2:] - z[:, :-2]
    down = z[2:] - z[:-2]
    p = (across[:-2] + 2 * across[1:-1] + across[2:]) / (8 * dx[1:-1])
    q = (down[:, :-2] + 2 * down[:, 1:-1] + down[:, 2:]) / (8 * dy[1:-1])
    return _as_gdal_masks(z, p, q)


def slope_gradient_zevenbergen_thorne(z_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike) -> Gradient:
    """Return the gradient by plain central differences, suited to smooth ground.

    Parameters, returned arrays and errors are those of :func:`slope_gradient_horn`.

    Notes
    -----
    p = (f - d) / 2 dx; q = (h - b) / 2 dy.

    References
    ----------
    L.W. Zevenbergen and C.R. Thorne, 1987, Quantitative analysis of land surface topography, Earth Surface
    Processes and Landforms 12, 47-56, doi 10.1002/esp.3290120107.
    """
    z, dx, dy = _checked(z_m, dx_m, dy_m)
    p = (z[1:-1, 2:] - z[1:-1, :-2]) / (2 * dx[1:-1])
    q = (z[2:, 1:-1] - z[:-2, 1:-1]) / (2 * dy[1:-1])
    return _as_gdal_masks(z, p, q)


def slope_percent(p: ArrayLike, q: ArrayLike) -> FloatArray:
    """Return the slope of a gradient, 100 × rise / run [percent]."""
    return np.asarray(100 * np.hypot(p, q), dtype=np.float64)


def aspect_deg(p: ArrayLike, q: ArrayLike) -> FloatArray:
    """Return the direction in which the ground falls, clockwise from the upper edge of the raster.

    Parameters
    ----------
    p, q
        Gradient [m/m]; for a raster with its south edge on top, hand over -q.

    Returns
    -------
    numpy.ndarray
        In [0, 360) [degrees]; NaN where the ground is level, for which ``gdaldem`` writes -9999.

    Notes
    -----
    ``gdaldem aspect`` takes cells to be square on the ground; with the ground sizes used here the two agree on such
    rasters and differ on, say, longitude/latitude ones.
    """
    p, q = np.asarray(p, dtype=np.float64), np.asarray(q, dtype=np.float64)
    heading = np.degrees(np.arctan2(-p, q)) % 360
    # A tiny negative angle becomes 360 - tiny, which rounds to 360.
    heading = np.where(heading >= 360, 0.0, heading)
    return np.where((p == 0) & (q == 0), np.nan, heading)


def gradient_sd_horn(
    z_sd_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike, *, correlation: Correlation | None = None
) -> Gradient:
    """Return the standard deviations of p and q that noise in the elevations causes, Horn's method.

    Parameters
    ----------
    z_sd_m
        Standard deviation of a cell's elevation, one number or shape (rows, cols) [m]. A height offset common
        to all cells does not count: it does not tilt the ground.
    dx_m, dy_m
        Ground width and height of the cells, one number or shape (rows,) [m].
    correlation
        Of the errors of two cells by their distance; None for independent errors. Correlation over many cells, as
        in laser scanning and photogrammetry, makes the gradient better than that; over one or two cells it makes
        Horn's worse, by up to 11 % (exponential) or 27 % (Gaussian), as weighting three rows then helps less.

    Returns
    -------
    Gradient
        sd of p and of q [m/m], of a shape that broadcasts to (rows, cols).

    Raises
    ------
    ParameterError
        When a standard deviation is negative.

    Notes
    -----
    Var p = sd² wᵀCw / dx² with the stencil's weights w and the correlation matrix C of its nine cells; for
    independent errors sd(p) = k sd / dx with k = √3/4 (Horn) or 1/√2 (Zevenbergen and Thorne). p and q are
    uncorrelated for any correlation that depends on distance alone, by the stencils' symmetry.

    References
    ----------
    Variance of a linear combination: arithmetic. Setting: I.V. Florinsky, 1998, Accuracy of local topographic
    variables derived from digital elevation models, Int. J. GIS 12(1), 47-61.
    """
    return gradient_sd(HORN_STENCIL, z_sd_m, dx_m, dy_m, correlation=correlation)


def gradient_sd_zevenbergen_thorne(
    z_sd_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike, *, correlation: Correlation | None = None
) -> Gradient:
    """Return the standard deviations of p and q by central differences; see :func:`gradient_sd_horn`."""
    return gradient_sd(ZEVENBERGEN_THORNE_STENCIL, z_sd_m, dx_m, dy_m, correlation=correlation)


def gradient_sd(
    stencil: FloatArray,
    z_sd_m: ArrayLike,
    dx_m: ArrayLike,
    dy_m: ArrayLike,
    *,
    correlation: Correlation | None = None,
) -> Gradient:
    """Return the standard deviations of p and q for any stencil; see :func:`gradient_sd_horn`.

    Parameters
    ----------
    stencil
        Weights of p × cell size, square; its transpose is that of q.
    z_sd_m, dx_m, dy_m, correlation
        As in :func:`gradient_sd_horn`.

    Notes
    -----
    wᵀCw is summed over lags, each lag's share being the stencil's autocorrelation: 25 terms instead of 81.
    """
    z_sd = np.asarray(z_sd_m, dtype=np.float64)
    if (z_sd < 0).any():
        raise ParameterError(f"z_sd_m must not be negative, but is {z_sd.min():g}")
    dx, dy = (np.atleast_1d(np.asarray(size, dtype=np.float64))[:, None, None] for size in (dx_m, dy_m))
    sd_p = z_sd * _column(_stencil_sd(stencil, dx, dy, correlation) / dx[:, 0, 0])
    sd_q = z_sd * _column(_stencil_sd(stencil.T, dx, dy, correlation) / dy[:, 0, 0])
    return Gradient(sd_p, sd_q)


def overlaps(stencil: FloatArray, other: FloatArray) -> FloatArray:
    """Return the sum of products of two stencils at every shift of the other at which they overlap.

    Parameters
    ----------
    stencil, other
        Odd numbers of rows and columns.

    Returns
    -------
    numpy.ndarray
        As many rows as both have together, less one, and as many columns; both middles lie on each other in the middle.

    Notes
    -----
    `scipy.signal` has a function for this; loading it takes as long as loading half of all that a plan needs.

    Examples
    --------
    >>> overlaps(np.array([[-1.0, 0.0, 1.0]]), np.array([[-1.0, 0.0, 1.0]]))
    array([[-1.,  0.,  2.,  0., -1.]])
    """
    (rows, cols), (above, left) = stencil.shape, (size // 2 for size in other.shape)
    wide = np.zeros((rows + 2 * above, cols + 2 * left))
    wide[above : above + rows, left : left + cols] = stencil
    return np.asarray(correlate(wide, other, mode="constant"))


def slope_sd_percent(p: ArrayLike, q: ArrayLike, sd_p: ArrayLike, sd_q: ArrayLike) -> FloatArray:
    """Return the standard deviation of the slope [percent].

    Parameters
    ----------
    p, q
        Gradient [m/m].
    sd_p, sd_q
        Its standard deviations [m/m], from :func:`gradient_sd_horn` and the like.

    Returns
    -------
    numpy.ndarray
        Of the shape that the four broadcast to [percent].

    Notes
    -----
    With s² = (p² sd_p² + q² sd_q²) / (p² + q²), s is the first-order answer and is used while both are at most
    :data:`LINEAR_LIMIT` of the slope; its error there is below 2 %. On gentler ground or smaller cells it is too large,
    down to level ground where the slope has Rayleigh's distribution and 0.655 s is right: there the exact standard
    deviation of the length of a noisy vector is used, whose middle is the measured gradient; cells needn't be square.

    References
    ----------
    S.O. Rice, 1945, Mathematical analysis of random noise, Bell System Technical Journal 24, 46-156, section 3.10.
    Noise that differs in x and y: R.S. Hoyt, 1947, Probability functions for the modulus and angle of the normal
    complex variate, Bell System Technical Journal 26, 318-359.
    """
    slope, noise, gradient = _slope_and_noise(p, q, sd_p, sd_q)
    sd, noisy = noise.copy(), np.maximum(*gradient[2:]) > LINEAR_LIMIT * slope
    _, sd[noisy] = _length_moments(*(part[noisy] for part in gradient))
    return 100 * sd


def slope_sd_deg(p: ArrayLike, q: ArrayLike, sd_p: ArrayLike, sd_q: ArrayLike) -> FloatArray:
    """Return the standard deviation of the slope as an angle [degrees].

    Parameters and rule are those of :func:`slope_sd_percent`; the standard deviation of the slope is brought
    to degrees with the derivative of the arc tangent, cos² S = 1 / (1 + slope²).

    Notes
    -----
    Beyond :data:`LINEAR_LIMIT` the derivative is taken at the mean square of the slope that is measured,
    slope² + sd(p)² + sd(q)²; what is left is within 3 % of a Monte Carlo for noise up to 0.15 m/m.
    """
    slope, noise, (p, q, sd_p, sd_q) = _slope_and_noise(p, q, sd_p, sd_q)
    _, length_sd = _length_moments(p, q, sd_p, sd_q)
    linear, quiet = noise / (1 + slope**2), np.maximum(sd_p, sd_q) <= LINEAR_LIMIT * slope
    return np.degrees(np.where(quiet, linear, length_sd / (1 + slope**2 + sd_p**2 + sd_q**2)))


def slope_bias_percent(p: ArrayLike, q: ArrayLike, sd_p: ArrayLike, sd_q: ArrayLike) -> FloatArray:
    """Return how much steeper than it is ground looks on average because of noise [percent].

    Noise tilts level ground one way or another but never to less than level, so slopes don't average out to
    0.

    Parameters
    ----------
    p, q
        True gradient [m/m].
    sd_p, sd_q
        Standard deviations of the measured one [m/m].

    Returns
    -------
    numpy.ndarray
        Mean length of the noisy gradient minus the slope [percent]; on level ground 100 s √(π/2).

    References
    ----------
    As in :func:`slope_sd_percent`.
    """
    slope, _, gradient = _slope_and_noise(p, q, sd_p, sd_q)
    mean, _ = _length_moments(*gradient)
    return 100 * (mean - slope)


def unbiased_slope_percent(p: ArrayLike, q: ArrayLike, sd_p: ArrayLike, sd_q: ArrayLike) -> FloatArray:
    """Return the slope of a measured gradient without what noise adds to it on average [percent].

    Parameters
    ----------
    p, q
        Measured gradient [m/m].
    sd_p, sd_q
        Its standard deviations [m/m].

    Notes
    -----
    Noise along the slope cancels on average; noise s across it lengthens the gradient, g² = slope² + s², so √(g² - s²),
    and 0 where that is below 0. Without bias to first order in (s / slope)²: below 0.3 % of the slope from 4 s on. Less
    steep ground still reads too steep, level ground by 0.76 s instead of 1.25 s: no rule for one cell can do better
    without reading others too gentle. There average the gradient over more ground first.

    References
    ----------
    H. Gudbjartsson and S. Patz, 1995, The Rician distribution of noisy MRI data, Magnetic Resonance in Medicine 34(6),
    910-914, doi 10.1002/mrm.1910340618 (the same correction for equal noise).
    """
    slope, _, (p, q, sd_p, sd_q) = _slope_and_noise(p, q, sd_p, sd_q)
    square = slope**2
    share_p = np.divide(p**2, square, out=np.full(square.shape, 0.5), where=square > 0)
    across = share_p * sd_q**2 + (1 - share_p) * sd_p**2
    return np.asarray(100 * np.sqrt(np.maximum(square - across, 0.0)), dtype=np.float64)


def _checked(z_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return elevations, and cell sizes as columns of one value per row."""
    z = np.asarray(z_m, dtype=np.float64)
    if z.ndim != 2:
        raise RasterError(f"elevations must have rows and columns, but have shape {z.shape}")
    columns = []
    for name, size in (("dx_m", dx_m), ("dy_m", dy_m)):
        per_row = np.asarray(size, dtype=np.float64)
        if per_row.ndim > 1 or (per_row.ndim == 1 and len(per_row) != len(z)):
            raise RasterError(f"{name} has shape {per_row.shape}, but the elevations have {len(z)} rows")
        if not (per_row > 0).all():
            raise RasterError(f"{name} must be positive, but is {per_row.min():g}")
        columns.append(np.broadcast_to(per_row, len(z))[:, None])
    return z, columns[0], columns[1]


def _as_gdal_masks(z: FloatArray, p_inner: FloatArray, q_inner: FloatArray) -> Gradient:
    """Return the inner cells' gradient in arrays of the full shape, NaN where gdaldem writes no data."""
    p, q = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
    if min(z.shape) >= 3:
        missing = ~np.isfinite(z)
        if missing.any():
            rows = missing[:-2] | missing[1:-1] | missing[2:]
            unknown = rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:]
            p_inner = np.where(unknown, np.nan, p_inner)
            q_inner = np.where(unknown, np.nan, q_inner)
        p[1:-1, 1:-1] = p_inner
        q[1:-1, 1:-1] = q_inner
    return Gradient(p, q)


def _stencil_sd(stencil: FloatArray, dx: FloatArray, dy: FloatArray, correlation: Correlation | None) -> FloatArray:
    if correlation is None:
        return np.full(len(np.broadcast_arrays(dx, dy)[0]), np.sqrt((stencil**2).sum()))
    shares = overlaps(stencil, stencil)
    lags_down = np.arange(shares.shape[0])[:, None] - shares.shape[0] // 2
    lags_across = np.arange(shares.shape[1]) - shares.shape[1] // 2
    distance = np.hypot(lags_across * dx, lags_down * dy)
    variance = (shares * correlation(distance)).sum(axis=(1, 2))
    return np.asarray(np.sqrt(np.maximum(variance, 0)), dtype=np.float64)


def _column(per_row: FloatArray) -> FloatArray:
    """Return one value as a number, several as a column that broadcasts along the rows."""
    return per_row[0] if len(per_row) == 1 else per_row[:, None]


def _slope_and_noise(
    p: ArrayLike, q: ArrayLike, sd_p: ArrayLike, sd_q: ArrayLike
) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray, FloatArray, FloatArray]]:
    """Return |gradient|, the standard deviation of the gradient along its own direction, and all four in one shape."""
    p, q, sd_p, sd_q = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (p, q, sd_p, sd_q)))
    square = p**2 + q**2
    # Level ground has no direction: the mean of both variances.
    share_p = np.divide(p**2, square, out=np.full(square.shape, 0.5), where=square > 0)
    noise = np.sqrt(share_p * sd_p**2 + (1 - share_p) * sd_q**2)
    return np.asarray(np.sqrt(square)), np.where(np.isnan(square), np.nan, noise), (p, q, sd_p, sd_q)


def _length_moments(p: FloatArray, q: FloatArray, sd_p: FloatArray, sd_q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of the length of a noisy 2-D vector."""
    if np.allclose(sd_p, sd_q, rtol=EQUAL_NOISE, atol=0.0):
        return _rice_moments(np.hypot(p, q), np.sqrt((sd_p**2 + sd_q**2) / 2))
    mean = _mean_length(p, q, sd_p, sd_q)
    return mean, np.sqrt(np.maximum(p**2 + q**2 + sd_p**2 + sd_q**2 - mean**2, 0))


def _mean_length(p: FloatArray, q: FloatArray, sd_p: FloatArray, sd_q: FloatArray) -> FloatArray:
    """Return the mean length of a 2-D vector whose components have noise of their own.

    With the Laplace transform F(t) = E exp(-t X) of the squared length X = x² + y², a product over both components of
    exp(-t m² / (1 + 2 t s²)) / √(1 + 2 t s²), the mean of √X is ∫ (1 - F(t)) t^(-3/2) dt / 2√π from 0 on. In units of
    the mean square, and with √t = u / (1 - u), that is an integral from 0 to 1 of a function so smooth that Gauss's
    rule is right to 1e-6 where noise and length are alike.
    """
    square = p**2 + q**2 + sd_p**2 + sd_q**2
    unit = np.where(square > 0, square, 1.0)
    x, y, noise_x, noise_y = (part**2 / unit for part in (p, q, sd_p, sd_q))
    total = np.zeros(square.shape)
    for node, weight in zip(*_gauss_nodes(), strict=True):
        t = (node / (1 - node)) ** 2
        of_x, of_y = 1 + 2 * t * noise_x, 1 + 2 * t * noise_y
        total += weight / node**2 * (1 - np.exp(-t * (x / of_x + y / of_y)) / np.sqrt(of_x * of_y))
    return np.asarray(np.sqrt(square / np.pi) * total)


@lru_cache(maxsize=1)
def _gauss_nodes() -> tuple[list[float], list[float]]:
    """Return nodes and weights of Gauss's rule from 0 to 1."""
    nodes, weights = np.polynomial.legendre.leggauss(GAUSS_NODES)
    return ((nodes + 1) / 2).tolist(), (weights / 2).tolist()


def _rice_moments(centre: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of Rice's distribution, the length of a noisy 2-D vector.

    mean = s √(π/2) L(-ν²/2s²) with the Laguerre function L(-x) = e^(-x/2) ((1 + x) I₀(x/2) + x I₁(x/2)); the
    second moment is ν² + 2 s². Beyond ν > 50 s the series mean = ν + s²/2ν is as good as double precision
    needs.
    """
    quiet = noise <= centre / 50
    s = np.where(quiet, 1.0, noise)
    x = np.where(quiet, 0.0, centre**2 / (2 * s**2))
    mean = s * np.sqrt(np.pi / 2) * ((1 + x) * ive(0, x / 2) + x * ive(1, x / 2))
    sd = np.sqrt(np.maximum(centre**2 + 2 * s**2 - mean**2, 0))
    series = centre + np.divide(noise**2, 2 * centre, out=np.zeros_like(centre), where=quiet & (centre > 0))
    return np.where(quiet, series, mean), np.where(quiet, noise, sd)


def _check_positive(name: str, value: float) -> None:
    if not value > 0:
        raise ParameterError(f"{name} must be positive, but is {value:g}")
