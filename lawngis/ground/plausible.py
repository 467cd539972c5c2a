"""Elevations that can be true: what no ground has is no data, whatever the file says."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import label

from lawngis.arrays import BoolArray, FloatArray

ELEVATION_MIN_M = -500.0
ELEVATION_MAX_M = 9000.0
"""No ground under the sky lies lower or higher [m]: the Dead Sea's shore at some -430 m and Mount Everest at 8,849 m
are the ends. Undeclared no-data values (-32768, -9999, 32767, 1e29) lie beyond."""

APART_RISE = 10.0
APART_MIN_M = 5.0
"""Cells that differ from all around them by more than this (rise over run, and metres) are no ground: a fill value such
as 0 or -99, or a spike. Ours, no source: steeper than 84 degrees on all sides is a pillar or a shaft."""

STEP_MAX_M = 20.0
"""A step from one cell to the next that no garden has [m]; ours, no source."""


def impossible_cells(elevation_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike) -> BoolArray:
    """Return the cells of a terrain model whose elevation can't be the ground's.

    Those are values that no ground on the Earth has, and patches of one value that stand apart from all around them.

    Parameters
    ----------
    elevation_m
        Shape (rows, cols) [m]; NaN is no data.
    dx_m, dy_m
        Ground width and height of the cells of each row, shape (rows,) each, or one number [m].

    Returns
    -------
    ndarray
        Shape (rows, cols).
    """
    z = np.asarray(elevation_m, dtype=np.float64)
    absurd = absurd_cells(z)
    return np.asarray(absurd | _patches_apart(np.where(absurd, np.nan, z), dx_m, dy_m), dtype=np.bool_)


def absurd_cells(elevation_m: ArrayLike) -> BoolArray:
    """Return the cells whose elevation [m] no ground on the Earth has; NaN is none of them."""
    z = np.asarray(elevation_m, dtype=np.float64)
    return np.asarray((z < ELEVATION_MIN_M) | (z > ELEVATION_MAX_M), dtype=np.bool_)


def greatest_step_m(elevation_m: ArrayLike, dx_m: ArrayLike, dy_m: ArrayLike) -> float:
    """Return the greatest step between neighbouring cells that is steeper than :data:`APART_RISE` [m], or 0."""
    z = np.asarray(elevation_m, dtype=np.float64)
    greatest = 0.0
    for step, run in _steps(z, dx_m, dy_m):
        size = np.abs(step[np.abs(step) > APART_RISE * run])
        greatest = max(greatest, float(size.max(initial=0.0)))
    return greatest


def _steps(z: FloatArray, dx_m: ArrayLike, dy_m: ArrayLike) -> tuple[tuple[FloatArray, FloatArray], ...]:
    """Return the steps from each cell eastward and southward in the array, and how far that is [m]."""
    east, south = np.diff(z, axis=1), np.diff(z, axis=0)
    dx = np.broadcast_to(np.reshape(dx_m, (-1, 1)), z.shape)
    dy = np.broadcast_to(np.reshape(dy_m, (-1, 1)), z.shape)
    return (east, dx[:, 1:]), (south, dy[1:])


def _patches_apart(z: FloatArray, dx_m: ArrayLike, dy_m: ArrayLike) -> BoolArray:
    """Return the cells of patches of one value that everywhere border on cells of very different values.

    Of two that stand apart from each other the smaller is the patch.
    """
    near, joined = np.zeros(z.shape, dtype=np.bool_), np.zeros(z.shape, dtype=np.bool_)
    for axis, (step, run) in zip((1, 0), _steps(z, dx_m, dy_m), strict=True):
        apart = np.abs(step) > np.maximum(APART_RISE * run, APART_MIN_M)
        plain = np.isfinite(step) & (step != 0) & ~apart
        for sides, marked in ((near, apart), (joined, plain)):
            both = np.moveaxis(sides, axis, 0), np.moveaxis(marked, axis, 0)
            both[0][1:] |= both[1]
            both[0][:-1] |= both[1]
    found = np.zeros(z.shape, dtype=np.bool_)
    known = np.isfinite(z).sum()
    for value in np.unique(z[near & ~joined]):
        patches, count = label(z == value)
        for number in range(1, count + 1):
            patch = patches == number
            if 2 * patch.sum() < known and (patch & near).any() and not (patch & joined).any():
                found |= patch
    return found
