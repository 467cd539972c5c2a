r"""Borders that two lawns share across narrow paving: where a mower may drive over anywhere, not at one place only.

::

      lawn a                            ring of a, ground on its left
    -->--------+=============+-->---    = the border that both share
               |   paving    |          | the straight ways at its ends
    --<--------+=============+--<---
      lawn b
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import cos, radians

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LinearRing, LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray, IntArray
from lawngis.geometry.lines import chainage_m, line_between, points_along
from lawngis.geometry.polygons import closed, polygon_parts
from lawngis.lawn.zones import SURFACE_GAP_M

_STEP_M = 0.1
"""Ways across are tried this often along an outline."""

_BESIDE_VERTEX_M = 1e-3
"""And this far before and behind each vertex, so that a border ends where an outline turns."""

_OFF_OUTLINE_M = 0.01
"""How far outlines that should meet may be apart, or overlap."""


_HAIRLINE_M = 0.002
"""What is narrower between band and lawn is nothing but rounding."""

_ASKEW_MAX = radians(20.0)
"""Outlines that face each other run nearly alike: paving that narrows faster is no path between two lawns."""


@dataclass(frozen=True)
class SharedBorder:
    """Paving between two lawns that can be driven across anywhere.

    Parameters
    ----------
    band
        The paving from end to end, between the outlines of both lawns.
    length_m
        Along the outline of the first lawn [m].
    across
        The straight way over it about its middle, from the first lawn to the second.
    ends_m
        Lengths of the straight ways at its two ends [m].
    """

    band: Polygon
    length_m: float
    across: LineString
    ends_m: tuple[float, float]


def shared_border(
    one: Polygon,
    other: Polygon,
    free: BaseGeometry,
    *,
    reach_m: float,
    around: tuple[Point, float] | None = None,
) -> SharedBorder | None:
    """Return the longest border that two lawns share across free ground; None where there is none.

    From places all along the outline of the first the way goes straight out; the border is where it comes to the other.

    Parameters
    ----------
    one, other
        The lawns, or what lies inside their wire [m].
    free
        Ground that may be driven on, both lawns among it [m].
    reach_m
        Longest way across [m].
    around
        A place, and half the length: the border goes no further from that place along the first outline [m].
    """
    passable = shapely.buffer(closed(free, SURFACE_GAP_M), _OFF_OUTLINE_M, join_style="mitre")
    shapely.prepare(passable)
    found = [
        _along_ring(_Ways(ring, one, other, passable, reach_m, around), other, passable)
        for ring in shapely.get_rings(shapely.orient_polygons(one))
        if ring.dwithin(other, reach_m)
    ]
    return max(filter(None, found), key=lambda border: border.length_m, default=None)


class _Ways:
    """Straight ways out of a ring, in its order: where each begins and ends, and which lead across."""

    def __init__(
        self,
        ring: LinearRing,
        one: Polygon,
        other: Polygon,
        passable: BaseGeometry,
        reach_m: float,
        around: tuple[Point, float] | None,
    ) -> None:
        self.xy = shapely.get_coordinates(ring)
        self.chainage = chainage_m(self.xy)
        self.length_m = float(self.chainage[-1])
        self.reach_m = reach_m
        self.at = self._places(ring, other)
        self.start = points_along(self.xy, self.chainage, self.at)
        segment = np.clip(np.searchsorted(self.chainage, self.at, side="right") - 1, 0, len(self.xy) - 2)
        along = np.diff(self.xy, axis=0)[segment]
        out = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
        ends = np.stack([self.start + 2 * _OFF_OUTLINE_M * out, self.start + reach_m * out], axis=1)
        rays = np.asarray(shapely.linestrings(ends), dtype=object)
        self.across, self.leads = self._across(rays, one, other, passable)
        self.leads[self.leads] &= _faces(along[self.leads], self.across[self.leads], other)
        if around is not None:
            middle_m = float(shapely.line_locate_point(ring, around[0]))
            off = np.abs(self.at - middle_m)
            self.leads &= np.minimum(off, self.length_m - off) <= around[1]

    def _places(self, ring: LinearRing, other: Polygon) -> FloatArray:
        """Chainages at which ways are tried."""
        corners = np.asarray(shapely.points(shapely.get_coordinates(other)), dtype=object)
        facing = shapely.line_locate_point(ring, corners[shapely.dwithin(corners, ring, self.reach_m)])
        vertices = np.concatenate([self.chainage, facing])
        places = [np.arange(0.0, self.length_m, _STEP_M), vertices - _BESIDE_VERTEX_M, vertices + _BESIDE_VERTEX_M]
        return np.unique(np.concatenate(places) % self.length_m)

    def _across(
        self, rays: NDArray[np.object_], one: Polygon, other: Polygon, passable: BaseGeometry
    ) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
        """Ways as lines as far as the other lawn, and which get there over free ground without leaving it again."""
        starts = np.asarray(shapely.points(self.start), dtype=object)
        near = shapely.dwithin(starts, other, self.reach_m)
        across = np.full(len(starts), None, dtype=object)
        across[near] = shapely.shortest_line(starts[near], shapely.intersection(rays[near], other))
        leads = ~shapely.is_missing(across) & ~shapely.is_empty(across)
        some = across[leads]
        leads[leads] = (
            (shapely.length(some) <= self.reach_m)
            & shapely.covers(passable, some)
            & (shapely.length(shapely.intersection(some, one)) <= 2 * _OFF_OUTLINE_M)
        )
        return across, leads

    def runs(self) -> list[IntArray]:
        """Numbers of neighbouring ways that lead across, in the order of the ring, from its longest gap on."""
        if self.leads.all():
            return []  # an outline all around another has no ends
        first = int(np.argmin(self.leads))
        order = np.roll(np.arange(len(self.leads)), -first)
        leads = self.leads[order]
        starts = np.flatnonzero(leads & ~np.roll(leads, 1))
        ends = np.flatnonzero(leads & ~np.roll(leads, -1))
        runs = [order[low : high + 1] for low, high in zip(starts, ends, strict=True)]
        gaps_m = [self.between_m(int(runs[number - 1][-1]), int(run[0])) for number, run in enumerate(runs)]
        begin = int(np.argmax(gaps_m)) if runs else 0
        return runs[begin:] + runs[:begin]

    def between_m(self, first: int, last: int) -> float:
        """Length of the ring from one way to another [m]."""
        return float((self.at[last] - self.at[first]) % self.length_m)


def _faces(along: FloatArray, across: NDArray[np.object_], other: Polygon) -> NDArray[np.bool_]:
    """Return whether ways come straight onto the other outline, given the direction of the first where they begin."""
    rings = shapely.get_rings(shapely.orient_polygons(other))
    sides = np.concatenate([np.stack([xy[:-1], xy[1:]], axis=1) for xy in map(shapely.get_coordinates, rings)])
    hits = shapely.get_point(across, -1)
    tree = shapely.STRtree(np.asarray(shapely.linestrings(sides), dtype=object))
    side = np.diff(sides[tree.nearest(hits)], axis=1)[:, 0]
    facing = -np.einsum("ij,ij->i", along, side)
    straight: NDArray[np.bool_] = facing >= cos(_ASKEW_MAX) * np.hypot(*along.T) * np.hypot(*side.T)
    return straight


def _along_ring(ways: _Ways, other: Polygon, passable: BaseGeometry) -> SharedBorder | None:
    """The longest border along one ring; it goes on over a bend, where ways straight out come to nothing."""
    runs = ways.runs()
    bends = [ways.between_m(int(run[-1]), int(after[0])) <= 2 * ways.reach_m for run, after in pairwise(runs)]
    stretches = [
        np.concatenate(runs[first : last + 1])
        for first in range(len(runs))
        for last in range(first, len(runs))
        if all(bends[first:last])
    ]
    for stretch in sorted(stretches, key=lambda some: -ways.between_m(int(some[0]), int(some[-1]))):
        border = _border(ways, stretch, other, passable)
        if border is not None:
            return border
    return None


def _border(ways: _Ways, run: IntArray, other: Polygon, passable: BaseGeometry) -> SharedBorder | None:
    first, last = int(run[0]), int(run[-1])
    length_m = ways.between_m(first, last)
    if not length_m > 0.0:
        return None
    hits = shapely.get_coordinates([ways.across[first], ways.across[last]]).reshape(2, 2, 2)[:, 1]
    rings = shapely.get_rings(shapely.orient_polygons(other))
    begin, end = Point(hits[0]), Point(hits[1])
    ring = min(rings, key=lambda line: shapely.distance(line, begin) + shapely.distance(line, end))
    xy = shapely.get_coordinates(ring)
    chainage = chainage_m(xy)
    from_m, to_m = (float(shapely.line_locate_point(ring, place)) for place in (end, begin))
    here = line_between(ways.xy, ways.chainage, float(ways.at[first]), float(ways.at[last]))
    there = line_between(xy, chainage, from_m, to_m)
    band = Polygon(np.concatenate([here, there]))
    if not band.is_valid or not shapely.covers(passable, band):
        return None
    offsets = (ways.at[run] - ways.at[first]) % ways.length_m
    middle = ways.across[run[int(np.argmin(np.abs(offsets - length_m / 2)))]]
    ends = (float(ways.across[first].length), float(ways.across[last].length))
    return SharedBorder(band, length_m, LineString(middle), ends)


def border_strip(border: SharedBorder, one: Polygon, other: Polygon, *, overlap_m: float = 0.05) -> Polygon:
    """Return the band with a little of the ground on both sides, so that its outline crosses theirs.

    Parameters
    ----------
    border
        From :func:`shared_border` between the two.
    one, other
        Ground inside the wire on either side [m].
    overlap_m
        How far it reaches into the ground [m].
    """
    wider = shapely.buffer(border.band, overlap_m, join_style="mitre")
    ground = shapely.intersection(wider, shapely.union(one, other))
    # Where outlines of both run alike rounding would leave hairlines between them.
    band = shapely.buffer(border.band, _HAIRLINE_M, join_style="mitre")
    return polygon_parts(shapely.union_all([band, ground]))[0]
