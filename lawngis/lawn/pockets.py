"""Pockets of a zone: dents of its outline in which the mower has no room to turn.

A zone is wide enough to mow; a short dent in its side may still be too narrow, and wire that goes around it has five
bends for ground on which nothing happens. Such ground is mown by hand::

    ------+      +------          ------+------+------
          |      |                      |pocket|
          +------+                      +------+
         narrower than w              wire goes straight on
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely import LinearRing, LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import bends_deg
from lawngis.geometry.polygons import oriented, polygon_parts
from lawngis.lawn.zones import ZonePartition

TURN_MIN_DEG = 135.0
"""An outline that turns by less inside a dent goes around a corner of the zone, in which wire has two bends anyway."""

DEPTH_MIN_M = 0.15
"""A shallower dent is passed by the setback's own tapers. Common practice, no source."""

_ROOM_M = 0.01
"""Ground is wide enough that is narrower than asked by so little: offsets are exact to about 1 %."""

_TOUCH_M = 0.002
_CRUMB_M2 = 1e-6
"""Where outlines have hairline spikes, a cut leaves crumbs of them."""

_EDGE_REACH_M = 0.1
_EDGE_DEG = 20.0
"""A mouth is cut from edge to edge, vertices that bend by so much, where the disc rested this near to them."""

_ARC_PIECES = 16


def without_pockets(partition: ZonePartition, *, width_m: float, kept: Sequence[BaseGeometry] = ()) -> ZonePartition:
    """Return a partition whose zones have no pockets: these are nooks.

    Parameters
    ----------
    partition
        From :func:`lawngis.lawn.zones.zone_partition`.
    width_m
        Narrowest ground, edge to edge, that is mown [m].
    kept
        Ways to and from zones: a pocket through which one leads stays part of its zone [m].

    Returns
    -------
    ZonePartition
        All pieces together are the same ground as before.
    """
    ways = shapely.union_all([*kept, *(passage.outline for passage in partition.passages)])
    zones, found = [], list[Polygon]()
    for zone in partition.zones:
        left = zone
        for pocket in pockets(zone, width_m=width_m):
            rest, *others = sorted(polygon_parts(left.difference(pocket)), key=lambda part: -part.area)
            if sum(part.area for part in others) < _CRUMB_M2 and not pocket.dwithin(ways, _TOUCH_M):
                left = rest
                found.append(pocket)
        zones.append(left)
    return replace(partition, zones=tuple(zones), nooks=(*partition.nooks, *found))


def pockets(zone: Polygon, *, width_m: float) -> list[Polygon]:
    """Return the dents of a zone that are narrower than a width, each cut off along a straight line.

    Parameters
    ----------
    zone
        Valid polygon [m].
    width_m
        Of what is wide enough [m].

    Returns
    -------
    list of Polygon
        Corners are none, nor gaps that are open at both ends.

    Raises
    ------
    ParameterError
        When the width isn't positive.

    Notes
    -----
    What a disc of that width doesn't reach is cut along a chord between the places where it rests on both sides
    (opening; J. Serra, 1982, Image Analysis and Mathematical Morphology).
    """
    if not width_m > 0:
        raise ParameterError(f"width_m must be above 0 m, not {width_m:g}")
    radius = (width_m - _ROOM_M) / 2
    reached = zone.buffer(-radius, quad_segs=_ARC_PIECES).buffer(radius + _TOUCH_M, quad_segs=_ARC_PIECES)
    found = []
    for ring in oriented(zone).exterior, *oriented(zone).interiors:
        xy = shapely.get_coordinates(ring)
        edges = xy[np.abs(bends_deg(xy)) > _EDGE_DEG]
        for wall in _out_of_reach(LinearRing(ring), reached):
            pocket = _behind(_from_edge_to_edge(shapely.get_coordinates(wall), edges))
            if pocket is not None and pocket.area < zone.area / 2:
                found.append(pocket)
    return [pocket for pocket in found if zone.buffer(_TOUCH_M).covers(pocket)]


def _out_of_reach(ring: LinearRing, reached: BaseGeometry) -> list[LineString]:
    """Return the stretches of a ring that lie outside what a disc reaches, in the ring's direction."""
    parts = shapely.get_parts(shapely.difference(LineString(ring.coords), reached))
    lines = [part for part in parts if isinstance(part, LineString) and part.length > _TOUCH_M]
    if len(lines) > 1 and lines[0].coords[0] == lines[-1].coords[-1]:
        # A stretch over the ring's own beginning.
        lines = [LineString([*lines[-1].coords, *lines[0].coords[1:]]), *lines[1:-1]]
    return lines


def _from_edge_to_edge(wall: FloatArray, edges: FloatArray) -> FloatArray:
    """Return a wall with its ends on the edges of the dent's mouth, where the disc rested nearly on them."""
    ends = []
    for end in wall[[0, -1]]:
        away = np.hypot(*(edges - end).T)
        near = len(edges) > 0 and _TOUCH_M / 10 < away.min() <= _EDGE_REACH_M
        ends.append(edges[[int(np.argmin(away))]] if near else np.empty((0, 2)))
    return np.concatenate([ends[0], wall, ends[1]])


def _behind(wall: FloatArray) -> Polygon | None:
    """Return the dent behind a stretch of outline, closed by a straight line; None where that is no pocket."""
    # By how much it turns to the left in all.
    if len(wall) < 3 or bends_deg(wall)[1:-1].sum() < TURN_MIN_DEG:
        return None
    pocket = Polygon(wall)
    chord = LineString(wall[[0, -1]])
    deep = shapely.distance(shapely.points(wall), chord).max()
    return pocket if pocket.is_valid and deep >= DEPTH_MIN_M else None
