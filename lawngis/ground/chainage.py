"""Lengths along the ground: what a wire or cable needs where the ground rises and falls."""

from __future__ import annotations

import numpy as np

from lawngis.arrays import FloatArray
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, subdivided
from lawngis.ground.raster import Grid, values_at

HEIGHT_STEP_M = 1.0
"""Rise and fall is read off the terrain this often; finer steps would add the terrain's noise."""


def ground_chainage_m(
    elevation: Grid, frame: MeasuringFrame, xy: FloatArray, *, step_m: float = HEIGHT_STEP_M
) -> FloatArray:
    """Return the length from a line's start to each of its vertices along the ground.

    Parameters
    ----------
    elevation
        Bare ground, metres of height, in any CRS. Where it has no data the ground is taken as even between the
        nearest places that have; without any data, as level.
    frame
        In which the line is.
    xy
        Line, shape (n, 2) [m].
    step_m
        How often heights are read [m].

    Returns
    -------
    ndarray
        Shape (n,), from 0, never falling [m].
    """
    fine, vertex = subdivided(xy, step_m)
    heights = values_at(elevation, frame, fine)
    known = np.isfinite(heights)
    if not known.any():
        return chainage_m(xy)
    along = chainage_m(fine)
    return chainage_m(fine, np.interp(along, along[known], heights[known]))[vertex]
