"""The slope that a mower has on the ground: at its own scale, without what noise adds, and how sure it is."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike
from scipy.ndimage import correlate, uniform_filter

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.ground.piece_slope import SlopeErrors
from lawngis.ground.raster import Grid
from lawngis.ground.terrain import (
    HORN_STENCIL,
    Correlation,
    Gradient,
    gradient_sd,
    overlaps,
    slope_gradient_horn,
    slope_sd_percent,
    unbiased_slope_percent,
)
from lawngis.ground.zonal import ZonalCells, weighted_mean

FOOTPRINTS_M = (0.75, 1.0, 1.25, 1.5, 1.75, 2.0)
"""Diameters to which a footprint is widened, one after the other, until noise is small against the limits [m]. Banks
are a few metres wide: on made ones (2 to 4 m, 14 to 45 %) fewest are decided wrongly where the noise is let down to
5 or 6 %; a disc of more than 2 m levels them. Our simulation."""

NOISE_SHARE = 0.3
"""Noise of the gradient is small when it is at most this share of the lowest limit: then noise on level ground reaches
that limit once in 250 times."""

SCATTER_M = 5.0
"""Width of the window in which the gradient's scatter is looked at [m]: several times as far as errors are alike."""


class MowerSlope(NamedTuple):
    """Slope under a mower [percent] without the bias of noise, and its standard deviation [percent], on the same cells.

    `errors` tells how sure the mean of a piece of ground is; None where nothing is known but each cell by itself.
    `wide` is the same under a wider footprint, by which ground in doubt is found; None where there is no other.
    """

    slope_percent: Grid
    sd_percent: Grid
    errors: SlopeErrors | None = None
    wide: MowerSlope | None = None

    def mean_of(self, cells: ZonalCells) -> tuple[float, float] | None:
        """Return mean slope and its standard deviation over some cells [percent]; None where none has a slope."""
        slope, sd = (grid.values[cells.rows, cells.cols] for grid in (self.slope_percent, self.sd_percent))
        known = np.isfinite(slope) & np.isfinite(sd)
        if not known.any():
            return None
        cells = ZonalCells(cells.rows[known], cells.cols[known], cells.weights[known])
        mean = weighted_mean(slope[known], cells.weights)
        if self.errors is None:
            return mean, weighted_mean(sd[known], cells.weights)
        return mean, self.errors.mean_sd_percent(*cells)


def mower_slope(
    elevation: Grid,
    *,
    wheelbase_m: float,
    z_sd_m: float,
    correlation: Correlation | None = None,
    limit_percent: float = np.inf,
) -> MowerSlope:
    """Return the slope that a mower standing on each cell has, and its standard deviation.

    Horn's gradient, averaged as a vector over a disc as wide as the wheelbase (:func:`footprint_gradient`): a mower
    bridges bumps smaller than itself and stands level astride a ridge, and noise cancels before it can turn into slope.
    Where that leaves too much noise to tell level ground from a limit, the disc is wider. What noise still adds on
    average is taken off, but for no more noise than the gradient scatters around there: elevations that are better than
    said aren't made gentler than they are. The standard deviation is that of the averaged gradient, through both
    averages at once.

    Parameters
    ----------
    elevation
        Elevations [m], in any CRS, at their own resolution.
    wheelbase_m
        Distance between the axles, least diameter of the disc [m].
    z_sd_m
        Standard deviation of a cell's elevation [m].
    correlation
        Of elevation errors by distance; None for independent ones.
    limit_percent
        Lowest limit that the slope is compared with [percent].

    Raises
    ------
    ParameterError
        When `wheelbase_m` is not positive or `z_sd_m` negative.
    """
    dx, dy = elevation.cell_size_m
    dx_m, dy_m = float(dx.mean()), float(dy.mean())
    kernel = quiet_kernel(
        wheelbase_m, dx_m, dy_m, z_sd_m=z_sd_m, correlation=correlation, noise_percent=NOISE_SHARE * limit_percent
    )
    p, q = footprint_gradient(slope_gradient_horn(elevation.values, dx, dy), kernel)
    sd_p, sd_q = footprint_gradient_sd_horn(kernel, z_sd_m, dx, dy, correlation=correlation)
    found_p, found_q = (_scatter(part, (SCATTER_M / dy_m, SCATTER_M / dx_m)) for part in (p, q))
    length = np.hypot(p, q)
    level = length == 0
    downhill = Gradient(*(np.where(level, np.sqrt(0.5), part / np.where(level, 1.0, length)) for part in (p, q)))
    return MowerSlope(
        elevation.with_values(unbiased_slope_percent(p, q, np.minimum(sd_p, found_p), np.minimum(sd_q, found_q))),
        elevation.with_values(slope_sd_percent(p, q, sd_p, sd_q)),
        SlopeErrors(downhill, _horn_under(kernel), _horn_under(kernel.T).T, dx_m, dy_m, z_sd_m, correlation),
    )


def standing_slope(
    elevation: Grid, *, wide_m: float, z_sd_m: float, correlation: Correlation | None = None
) -> MowerSlope:
    """Return the slope under something that stands on each cell, and the standard deviation of its gradient.

    The gradient under it is drawn towards the mean of its surroundings, as far as these differ by no more than noise:
    on even ground noise is averaged out over :data:`SCATTER_M`, at a bank or a step the place counts by itself.

    Parameters
    ----------
    elevation, z_sd_m, correlation
        As in :func:`mower_slope`.
    wide_m
        Diameter of the ground that it stands on [m].

    Returns
    -------
    MowerSlope
        Its `sd_percent` is that of each component of the gradient.

    Notes
    -----
    With the local mean m and variance V of the gradient g, and noise of variance s², the best linear estimate is
    m + k (g - m) with k = 1 - s² / V, at least 0; its variance is k s² and that of m. It isn't for banks: their
    outlines would be levelled.

    References
    ----------
    J.-S. Lee, 1980, Digital image enhancement and noise filtering by use of local statistics, IEEE Transactions on
    Pattern Analysis and Machine Intelligence 2(2), 165-168, doi 10.1109/TPAMI.1980.4766994.
    """
    dx, dy = elevation.cell_size_m
    dx_m, dy_m = float(dx.mean()), float(dy.mean())

    def noise_variance(kernel: FloatArray) -> float:
        sd = footprint_gradient_sd_horn(kernel, z_sd_m, dx_m, dy_m, correlation=correlation)
        return float((sd.p**2 + sd.q**2) / 2)

    kernel = footprint_kernel(wide_m, dx_m, dy_m)
    gradient = footprint_gradient(slope_gradient_horn(elevation.values, dx, dy), kernel)
    window = (SCATTER_M / dy_m, SCATTER_M / dx_m)
    (mean_p, scatter_p), (mean_q, scatter_q) = (_local_moments(part, window) for part in gradient)
    noise = noise_variance(kernel)
    scatter = np.maximum((scatter_p + scatter_q) / 2, 1e-12)
    own = np.clip(1 - noise / scatter, 0.0, 1.0)
    p, q = (mean + own * (part - mean) for mean, part in ((mean_p, gradient.p), (mean_q, gradient.q)))
    around = noise_variance(footprint_kernel(max(SCATTER_M, wide_m), dx_m, dy_m))
    sd = np.sqrt(np.minimum(own * noise + around, noise))
    return MowerSlope(
        elevation.with_values(unbiased_slope_percent(p, q, *2 * [np.minimum(sd, np.sqrt(scatter))])),
        elevation.with_values(np.where(np.isfinite(p), 100 * sd, np.nan)),
    )


def _scatter(component: FloatArray, window: tuple[float, float]) -> FloatArray:
    """Return the standard deviation of a component of the gradient within windows of so many rows and columns."""
    return np.sqrt(_local_moments(component, window)[1])


def _local_moments(component: FloatArray, window: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of a component of the gradient within windows of so many rows and columns."""
    size = [max(3, 2 * round(cells / 2) + 1) for cells in window]
    known = np.isfinite(component)
    weight = np.maximum(uniform_filter(known.astype(np.float64), size, mode="constant"), 1e-9)
    # Far from 0 the difference of two large squares would be rounding.
    middle = float(np.mean(component[known])) if known.any() else 0.0
    values = np.where(known, component - middle, 0.0)
    mean, square = (uniform_filter(part, size, mode="constant") / weight for part in (values, values**2))
    return mean + middle, np.maximum(square - mean**2, 0.0)


def quiet_kernel(
    wheelbase_m: float,
    dx_m: float,
    dy_m: float,
    *,
    z_sd_m: float,
    correlation: Correlation | None = None,
    noise_percent: float,
) -> FloatArray:
    """Return the footprint of a mower, widened until the gradient under it is sure enough.

    Parameters
    ----------
    wheelbase_m, dx_m, dy_m
        As in :func:`footprint_kernel`.
    z_sd_m, correlation
        Error of the elevations, as in :func:`mower_slope`.
    noise_percent
        Standard deviation of the gradient's components that is sure enough [percent].

    Returns
    -------
    numpy.ndarray
        From :func:`footprint_kernel`: the narrowest of the wheelbase and the wider of :data:`FOOTPRINTS_M` under which
        noise is so small; the widest where it is so under none.
    """
    for width_m in (wheelbase_m, *(width for width in FOOTPRINTS_M if width > wheelbase_m)):
        kernel = footprint_kernel(width_m, dx_m, dy_m)
        sd = footprint_gradient_sd_horn(kernel, z_sd_m, dx_m, dy_m, correlation=correlation)
        if 100 * max(float(sd.p), float(sd.q)) <= noise_percent:
            break
    return kernel


def footprint_kernel(wheelbase_m: float, dx_m: float, dy_m: float) -> FloatArray:
    """Return the weights of the cells around one under a disc, by the share of each that lies under it.

    Parameters
    ----------
    wheelbase_m
        Diameter of the disc, whose middle is that of the middle cell [m].
    dx_m, dy_m
        Ground size of a cell [m].

    Returns
    -------
    numpy.ndarray
        Odd numbers of rows and columns, adding up to 1; a single 1 when the disc fits into a cell.

    Raises
    ------
    ParameterError
        When a length is not positive.

    Notes
    -----
    That a mower sees the ground at the scale of its wheelbase is common practice, no source.
    """
    for name, value in (("wheelbase_m", wheelbase_m), ("dx_m", dx_m), ("dy_m", dy_m)):
        if not value > 0:
            raise ParameterError(f"{name} must be positive, but is {value:g}")
    reach_x, reach_y = (int(np.ceil(wheelbase_m / 2 / size - 0.5)) for size in (dx_m, dy_m))
    if reach_x == reach_y == 0:
        return np.ones((1, 1))
    disc = shapely.Point(0, 0).buffer(wheelbase_m / 2, quad_segs=64)
    x = (np.arange(-reach_x, reach_x + 1) - 0.5) * dx_m
    y = (np.arange(-reach_y, reach_y + 1)[:, None] - 0.5) * dy_m
    under = shapely.area(shapely.intersection(disc, shapely.box(x, y, x + dx_m, y + dy_m)))
    return np.asarray(under / under.sum(), dtype=np.float64)


def footprint_gradient(gradient: Gradient, kernel: FloatArray) -> Gradient:
    """Return the mean of a gradient, as a vector, over a footprint around every cell.

    Parameters
    ----------
    gradient
        p and q, shape (rows, cols), NaN where unknown.
    kernel
        From :func:`footprint_kernel`.

    Returns
    -------
    Gradient
        Cells without a gradient stay so; in the means of others they don't count.
    """
    known = np.isfinite(gradient.p) & np.isfinite(gradient.q)
    if kernel.size == 1:
        return Gradient(*(np.where(known, component, np.nan) for component in gradient))
    weight = correlate(known.astype(np.float64), kernel, mode="constant")

    def mean(component: FloatArray) -> FloatArray:
        total = correlate(np.where(known, component, 0.0), kernel, mode="constant")
        return np.where(known, total / np.where(known, weight, 1.0), np.nan)

    return Gradient(mean(gradient.p), mean(gradient.q))


def footprint_gradient_sd_horn(
    kernel: FloatArray,
    z_sd_m: ArrayLike,
    dx_m: ArrayLike,
    dy_m: ArrayLike,
    *,
    correlation: Correlation | None = None,
) -> Gradient:
    """Return the standard deviations of Horn's gradient averaged over a footprint.

    Both averages are linear in the elevations, so the footprint and the stencil make one larger stencil and
    the result is exact; where part of a footprint has no gradient it is somewhat too small.

    Parameters
    ----------
    kernel
        From :func:`footprint_kernel`.
    z_sd_m, dx_m, dy_m, correlation
        As in :func:`lawngis.ground.terrain.gradient_sd_horn`.

    Returns
    -------
    Gradient
        sd of p and q [m/m], of a shape that broadcasts to (rows, cols).
    """
    sd_p = gradient_sd(_horn_under(kernel), z_sd_m, dx_m, dy_m, correlation=correlation).p
    sd_q = gradient_sd(_horn_under(kernel.T), z_sd_m, dx_m, dy_m, correlation=correlation).q
    return Gradient(sd_p, sd_q)


def _horn_under(kernel: FloatArray) -> FloatArray:
    """Return the stencil that Horn's and a footprint's make together: their convolution."""
    return overlaps(HORN_STENCIL, kernel[::-1, ::-1])
