"""How far the wire keeps from ground that falls away."""

from __future__ import annotations

from math import ceil, isfinite

from lawngis.errors import ParameterError

KNEE_HIGH_M = 0.5
"""A fall up to this asks for no more than the profile's own setback. Common practice, no source."""

DEEPEST_M = 3.0
"""A fall of a storey: a deeper one is no worse, and one of unknown depth counts as this. Common practice, no source."""

WIDER_PER_M = 0.1
"""Setback added for each metre of fall: behind a higher edge more ground gives way under a wheel, and somebody may
stand or play below. Common practice, no source."""

DOUBT_SDS = 1.645
"""Standard deviations of the edge's place that are added: in 19 of 20 places the edge is then no nearer than asked
(95 % point of the normal distribution)."""


def drop_setback_m(least_m: float, *, fall_m: float | None, edge_sd_m: float) -> float:
    """Return how far the wire keeps from an edge beyond which the ground falls away.

    It grows with the fall and with the doubt of the edge's place, and is never less than the profile's::

            wire     edge as mapped
        ------o---------|               setback = least + for the fall + for the doubt
                        |  fall_m
                        |____________

    Parameters
    ----------
    least_m
        Setback from a knee-high drop whose edge is where the map says; from the mower's profile [m].
    fall_m
        How far the ground falls; None where nothing tells it [m].
    edge_sd_m
        Standard deviation of the edge's place, across it [m].

    Returns
    -------
    float
        Setback, in whole centimetres, rounded up [m].

    Raises
    ------
    ParameterError
        When a length is negative or no number.

    Notes
    -----
    least + 0.1 · (min(max(fall, 0.5), 3) − 0.5) + 1.645 · sd. Practice differs: some lay closer along a drop than along
    a wall, as nothing is struck there. Here a fall counts as worse than a scratch.

    References
    ----------
    Common practice, no source.

    Examples
    --------
    >>> drop_setback_m(0.60, fall_m=0.9, edge_sd_m=0.0)
    0.64
    >>> drop_setback_m(0.60, fall_m=0.9, edge_sd_m=0.10)
    0.81
    >>> drop_setback_m(0.60, fall_m=None, edge_sd_m=0.0)
    0.85
    """
    for name, value in (("least_m", least_m), ("fall_m", fall_m or 0.0), ("edge_sd_m", edge_sd_m)):
        if not (isfinite(value) and value >= 0):
            raise ParameterError(f"{name} must be a length of at least 0 m, not {value:g}")
    deep_m = DEEPEST_M if fall_m is None else min(max(fall_m, KNEE_HIGH_M), DEEPEST_M)
    wanted_m = least_m + WIDER_PER_M * (deep_m - KNEE_HIGH_M) + DOUBT_SDS * edge_sd_m
    return ceil(round(100 * wanted_m, 6)) / 100
