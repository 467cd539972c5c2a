"""Slope of a strip of a large raster: quick, with few temporary arrays, in the elevations' own precision.

The plain functions of :mod:`lawngis.ground.terrain` are what these must agree with; here the work is done a
few rows at a time, so that the arrays in between stay in the processor's cache, and in single precision where
the elevations came so. That loses nothing that counts: neighbours are subtracted first, which is exact for numbers
within a factor of two of one another (P.H. Sterbenz, 1974, Floating-Point Computation, theorem 4.3.1).

A strip carries one more row above and below, whose own slope is not asked for::

    row -1   . . . . .      halo
    row  0   . o o o .      answers; no data in the first and the last column
    row  1   . o o o .
    row  2   . . . . .      halo
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lawngis.errors import RasterError

FloatArray = NDArray[np.floating]
Differences = Callable[[FloatArray], tuple[FloatArray, FloatArray, float]]

CACHED_CELLS = 1 << 17
"""Cells worked on at a time: some arrays of that size fit a processor's second cache together."""


def strip_slope_horn(z: FloatArray, rise_x: ArrayLike, rise_y: ArrayLike, *, degrees: bool = False) -> FloatArray:
    """Return the slope of the inner rows of a strip, Horn's method.

    Parameters
    ----------
    z
        Elevations in any unit, shape (rows + 2, cols), of type float32 or float64; NaN where there are none.
    rise_x, rise_y
        Length of that unit over the ground width and height of the cells, shape (rows,) each or one number.
    degrees
        As an angle, not in percent.

    Returns
    -------
    numpy.ndarray
        Shape (rows, cols), of z's type, NaN where :mod:`lawngis.ground.terrain` says [percent or degrees].

    Raises
    ------
    RasterError
        When there are fewer than three rows, or z is not floating point.

    References
    ----------
    B.K.P. Horn, 1981, Hill shading and the reflectance map, Proc. IEEE 69(1), 14-47.

    Examples
    --------
    >>> z = np.array([[50, 45, 50], [30, 30, 30], [8, 10, 10]], dtype=np.float64)
    >>> strip_slope_horn(z, 1 / 5, 1 / 5).round(4)
    array([[     nan, 380.0329,      nan]])
    """
    return _strip_slope(_horn, z, rise_x, rise_y, degrees)


def strip_slope_zevenbergen_thorne(
    z: FloatArray, rise_x: ArrayLike, rise_y: ArrayLike, *, degrees: bool = False
) -> FloatArray:
    """Return the slope of the inner rows of a strip by central differences; see :func:`strip_slope_horn`.

    References
    ----------
    L.W. Zevenbergen and C.R. Thorne, 1987, Quantitative analysis of land surface topography, Earth Surface
    Processes and Landforms 12, 47-56, doi 10.1002/esp.3290120107.
    """
    return _strip_slope(_zevenbergen_thorne, z, rise_x, rise_y, degrees)


def halved(values: FloatArray) -> FloatArray:
    """Return the mean of every 2 × 2 cells that have data, shape (⌈rows / 2⌉, ⌈cols / 2⌉): one overview level down.

    Examples
    --------
    >>> halved(np.array([[1.0, 3.0, np.nan], [5.0, 7.0, 2.0]]))
    array([[4., 2.]])
    """
    rows, cols = values.shape
    if rows % 2 or cols % 2:
        values = np.pad(values, ((0, rows % 2), (0, cols % 2)), constant_values=np.nan)
    corners = [values[row::2, col::2] for row in (0, 1) for col in (0, 1)]
    mean = corners[0] + corners[1]
    mean += corners[2]
    mean += corners[3]
    mean /= 4
    incomplete = np.isnan(mean)
    if incomplete.any():
        some = np.stack([corner[incomplete] for corner in corners])
        known = ~np.isnan(some)
        count = known.sum(axis=0)
        total = np.where(known, some, 0).sum(axis=0)
        mean[incomplete] = np.divide(total, count, out=np.full(len(total), np.nan, mean.dtype), where=count > 0)
    return mean


def _strip_slope(
    differences: Differences, z: FloatArray, rise_x: ArrayLike, rise_y: ArrayLike, degrees: bool
) -> FloatArray:
    if z.ndim != 2 or len(z) < 3 or not np.issubdtype(z.dtype, np.floating):
        raise RasterError(f"a strip needs three rows of floating point, not {z.dtype} of shape {z.shape}")
    rows, cols = len(z) - 2, z.shape[1]
    scale_x, scale_y = (np.broadcast_to(np.asarray(rise, z.dtype), rows)[:, None] for rise in (rise_x, rise_y))
    slope = np.full((rows, cols), np.nan, z.dtype)
    if cols < 3:
        return slope
    for first, stop in _row_groups(rows, cols):
        part = z[first : stop + 2]
        p, q, weight = differences(part)
        p *= scale_x[first:stop] / weight
        q *= scale_y[first:stop] / weight
        p *= p
        q *= q
        p += q
        np.sqrt(p, out=p)
        if degrees:
            np.degrees(np.arctan(p, out=p), out=p)
        else:
            p *= 100
        _leave_out_unknown(p, part)
        slope[first:stop, 1:-1] = p
    return slope


def _row_groups(rows: int, cols: int) -> Iterator[tuple[int, int]]:
    step = max(CACHED_CELLS // cols, 1)
    for first in range(0, rows, step):
        yield first, min(first + step, rows)


def _horn(z: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    across = z[:, 2:] - z[:, :-2]
    p = across[1:-1] + across[1:-1]
    p += across[:-2]
    p += across[2:]
    down = z[2:] - z[:-2]
    q = down[:, 1:-1] + down[:, 1:-1]
    q += down[:, :-2]
    q += down[:, 2:]
    return p, q, 8


def _zevenbergen_thorne(z: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    return z[1:-1, 2:] - z[1:-1, :-2], z[2:, 1:-1] - z[:-2, 1:-1], 2


def _leave_out_unknown(slope: FloatArray, z: FloatArray) -> None:
    """Put NaN where any of the nine cells has no data, also those that the method does not look at."""
    missing = np.isnan(z)
    if missing.any():
        rows = missing[:-2] | missing[1:-1] | missing[2:]
        slope[rows[:, :-2] | rows[:, 1:-1] | rows[:, 2:]] = np.nan
