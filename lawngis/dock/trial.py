"""Where the mower is set down for its first way home."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import bends_deg, points_along

STEP_M = 0.25
"""Places are looked at this often."""

REACH_M = 12.0
"""A first way home is no longer: whoever watches stays beside the mower. Common practice, no source."""

STRAIGHT_M = 0.5
"""So much wire on either side must be straight, so that the mower stands on it as it will come."""

BENT_DEG = 10.0
"""Wire that turns by no more over that length is straight: common practice, no source."""


@dataclass(frozen=True)
class TrialStart:
    """A place on the wire before the dock, and which way the mower looks there.

    Parameters
    ----------
    chainage_m
        Length of wire from the start of the loop [m].
    xy
        x and y [m].
    heading_deg
        Direction of travel, clockwise from +y [degrees, 0 to 360].
    slope_percent
        Of the ground [%]; NaN where it is not known.
    """

    chainage_m: float
    xy: tuple[float, float]
    heading_deg: float
    slope_percent: float


@dataclass(frozen=True)
class TrialPlaces:
    """Places before a dock, the nearest to it first, with what is against each.

    Parameters
    ----------
    chainage_m
        Shape (n,) [m].
    xy
        Shape (n, 2) [m].
    heading_deg
        Shape (n,) [degrees].
    bent
        Whether the wire is not straight there, shape (n,).
    apart
        Whether it or the way from it to the dock is along a lead or through a passage, shape (n,).
    """

    chainage_m: FloatArray
    xy: FloatArray
    heading_deg: FloatArray
    bent: BoolArray
    apart: BoolArray

    def start(self, slope_percent: FloatArray, slope_max_percent: float) -> TrialStart | None:
        """Return the nearest place to the dock that nothing is against; unknown slopes are not.

        Parameters
        ----------
        slope_percent
            Of the ground at each place, shape (n,) [%].
        slope_max_percent
            The steepest on which the mower is set down [%].
        """
        good = np.flatnonzero(~self.bent & ~self.apart & ~(slope_percent > slope_max_percent))
        if not len(good):
            return None
        at = good[0]
        x, y = self.xy[at]
        return TrialStart(
            float(self.chainage_m[at]), (float(x), float(y)), float(self.heading_deg[at]), float(slope_percent[at])
        )


def trial_places(
    xy: FloatArray,
    chainage: FloatArray,
    apart_m: Sequence[tuple[float, float]],
    *,
    before_m: float,
    driving_deg: float,
) -> TrialPlaces:
    """Return places on the wire before a dock, from which the mower comes to it in its direction of travel.

    The mower follows the wire either way round: as it was laid, so that it comes to the dock at the loop's end, or
    against that.

    Parameters
    ----------
    xy, chainage
        The closed loop from its dock and back, shape (n, 2), and lengths along the ground, shape (n,) [m].
    apart_m
        Chainages between which the wire is in a lead or a passage [m].
    before_m
        How far before the dock the mower is set down at least [m].
    driving_deg
        Direction in which the mower drives into the dock, clockwise from +y [degrees]: against the way the dock looks.

    Returns
    -------
    TrialPlaces
        None of them on the first half of the loop.

    Raises
    ------
    ParameterError
        When the distance is negative.

    Notes
    -----
    Common practice, no source.
    """
    if not before_m >= 0.0:
        raise ParameterError(f"before_m {before_m:g} is not a length")
    total = float(chainage[-1])
    angle = np.radians(driving_deg)
    if (xy[1] - xy[0]) @ [np.sin(angle), np.cos(angle)] < 0.0:
        mirrored = [(total - to_m, total - from_m) for from_m, to_m in apart_m]
        back = trial_places(xy[::-1], total - chainage[::-1], mirrored, before_m=before_m, driving_deg=driving_deg)
        return replace(back, chainage_m=total - back.chainage_m)
    at = total - np.arange(before_m, min(before_m + REACH_M, total / 2), STEP_M)
    behind = points_along(xy, chainage, at - STRAIGHT_M / 10)
    ahead = points_along(xy, chainage, np.minimum(at + STRAIGHT_M / 10, total))
    heading = np.degrees(np.arctan2(*(ahead - behind).T)) % 360.0
    bends = np.abs(bends_deg(xy))
    bends[[0, -1]] = 0.0  # at the dock itself
    turned = np.concatenate([[0.0], np.cumsum(bends)])
    low, high = np.searchsorted(chainage, at - STRAIGHT_M), np.searchsorted(chainage, at + STRAIGHT_M, side="right")
    last_apart = max((end for _, end in apart_m), default=0.0)
    return TrialPlaces(
        at, points_along(xy, chainage, at), heading, turned[high] - turned[low] > BENT_DEG, at < last_apart
    )
