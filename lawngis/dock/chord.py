r"""A straight for the dock where a lawn has none: a chord across a bend of its edge, along which the wire goes on.

::

         ____                  ____
       /      \              /      \
      |  lawn  |     ->     |  lawn  |
       \ ____ /              \ ____ /   <- the wire, straight past the chord
                               ~~~~     <- the segment beyond it is mown by hand
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely import LineString, Point, Polygon

from lawngis.arrays import FloatArray
from lawngis.geometry.polygons import polygon_parts

_STEP_M = 0.05
"""Chords are tried so far apart from each other, from the edge inwards."""

_TOUCHES_M = 1e-6


def chord_segment(lawn: Polygon, at: Point, *, straight_m: float, inset_m: float, chord_m: float) -> Polygon | None:
    """Return the smallest segment of a lawn beyond a chord past which the wire is straight for a length.

    The chord runs as the edge does on the whole about the place.

    Parameters
    ----------
    lawn
        Its ground [m].
    at
        Place at its outer edge that the chord lies across.
    straight_m
        Straight wire that is wanted [m].
    inset_m, chord_m
        How far the wire keeps from the lawn's own edge, and from the chord [m].

    Returns
    -------
    Polygon or None
        None where no chord about the place is long enough, or one would part the lawn.
    """
    ring = shapely.orient_polygons(lawn).exterior
    here = ring.project(at)
    place = shapely.get_coordinates(ring.interpolate(here))[0]
    around = (here + np.array([-straight_m / 2, straight_m / 2])) % ring.length
    along = np.diff(shapely.get_coordinates(shapely.line_interpolate_point(ring, around)), axis=0)[0]
    if not np.hypot(*along) > 0:
        return None
    along = along / np.hypot(*along)
    inward = np.array([-along[1], along[0]])
    inside = lawn.buffer(-inset_m)
    for depth_m in np.arange(_STEP_M, straight_m / 2, _STEP_M).tolist():
        wire = LineString(_across(place + (depth_m + chord_m) * inward, along, straight_m))
        longest_m = shapely.length(shapely.get_parts(shapely.intersection(wire, inside))).max(initial=0.0)
        if longest_m >= straight_m:
            return _segment(lawn, place + depth_m * inward, along, inward, straight_m)
    return None


def _across(middle: FloatArray, along: FloatArray, half_m: float) -> FloatArray:
    return np.array([middle - half_m * along, middle + half_m * along])


def _segment(
    lawn: Polygon, middle: FloatArray, along: FloatArray, inward: FloatArray, reach_m: float
) -> Polygon | None:
    """Return what of a lawn lies beyond a chord, in one piece, with the lawn in one piece without it."""
    chord = _across(middle, along, reach_m)
    beyond = Polygon([*chord, *(chord[::-1] - reach_m * inward)])
    cut = polygon_parts(shapely.intersection(lawn, beyond))
    sides = shapely.linestrings([[chord[end], chord[end] - reach_m * inward] for end in (0, 1)])
    one = len(cut) == 1 and not shapely.dwithin(sides, cut[0], _TOUCHES_M).any()
    return cut[0] if one and len(polygon_parts(shapely.difference(lawn, cut[0]))) == 1 else None
