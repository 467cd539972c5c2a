"""Parcels that one crew can visit on one day: near one another, and together no more than a day's work."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

FloatArray = NDArray[np.float64]


def crew_days(xy: FloatArray, hours: FloatArray, *, radius_m: float, day_hours: float) -> NDArray[np.int_]:
    """Return the number of the day, from 1, on which each parcel is visited.

    Each day begins at the first parcel, in the order given, that isn't visited yet, and takes the nearest others while
    there is time.

    Parameters
    ----------
    xy
        Places, shape (n, 2), in the order of their rank [m].
    hours
        Work at each, shape (n,) [h]; a parcel that takes longer than a day has days of its own, under one number.
    radius_m
        Farthest from the day's first parcel [m].
    day_hours
        Work on one day [h].

    Returns
    -------
    ndarray
        Shape (n,).

    Notes
    -----
    Greedy, common practice, no source: days are compact rather than fewest.

    Examples
    --------
    >>> crew_days(np.array([[0.0, 0], [9000, 0], [10, 0]]), np.ones(3), radius_m=100, day_hours=8).tolist()
    [1, 2, 1]
    """
    days = np.zeros(len(xy), dtype=int)
    if not len(xy):
        return days
    tree = cKDTree(xy)
    day = 0
    for first in range(len(xy)):
        if days[first]:
            continue
        day += 1
        days[first] = day
        near = np.array([row for row in tree.query_ball_point(xy[first], radius_m) if not days[row]], dtype=int)
        if len(near):
            nearest = near[np.argsort(np.hypot(*(xy[near] - xy[first]).T), kind="stable")]
            fits = hours[first] + np.cumsum(hours[nearest]) <= day_hours
            days[nearest[fits]] = day
    return days
