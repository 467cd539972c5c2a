"""The ground of a passage made as wide as somebody measured it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import chainage_m, points_along
from lawngis.geometry.polygons import polygon_parts, polygonal

_STEP_M = 0.05
"""The way through is looked at this often."""

_PUSHES = 4
"""So often the way is pushed aside: off one thing, off what lies opposite, and back where both hold it."""

_SAME_M = 1e-3
_GRID_M = 1e-6
_ARC_PIECES = 16
"""Pieces per quarter circle: an arc is short of its radius by 0.12 %."""


@dataclass(frozen=True, eq=False)
class GroundChange:
    """What becomes of the ground of a passage.

    Attributes
    ----------
    added, taken
        Ground that it gains, and that it loses [m].
    width_m
        How wide the passage is then at its narrowest: less than was measured where things that stand leave less [m].
    """

    added: Polygon | MultiPolygon
    taken: Polygon | MultiPolygon
    width_m: float

    def applied(self, ground: BaseGeometry) -> Polygon | MultiPolygon:
        """Return ground after the change."""
        # On a grid: rounding would leave hairlines along which ground that was added comes apart again.
        more = shapely.union(ground, self.added, grid_size=_GRID_M)
        return polygonal(shapely.difference(more, self.taken, grid_size=_GRID_M))


def measured_passage(
    ground: Polygon | MultiPolygon,
    middle_line: LineString,
    *,
    mapped_m: float,
    measured_m: float,
    reach_m: float,
    forbidden: BaseGeometry,
) -> GroundChange:
    r"""Return how ground changes where a passage through it is as wide as was measured at its narrowest.

    Too narrow a passage gains what a strip of the measured width along its middle lacks, so that what is wide enough
    already stays. The strip gives way to ground that is forbidden: there the other side moves. Too wide a passage
    loses half the difference on either side, all along.

    ::

        ------.           .------        ------.           .------
               \_________/                      \         /
                 mapped           ->     . . . . ---------         evenly, or
               ___________                      ___________
              /###########\                    /###########\       forbidden: the other side alone
        -----'#############'-----        -----'#############'-----

    Parameters
    ----------
    ground
        Mowable ground [m].
    middle_line
        Way through the passage, from mouth to mouth, from `zone_partition` [m].
    mapped_m, measured_m
        Width at its narrowest, as the ground has it and as it was measured [m].
    reach_m
        No place of the passage lies farther from its middle line [m].
    forbidden
        What the ground may not gain: buildings, water, the low side of drops [m].

    Returns
    -------
    GroundChange
        Farther from the passage than its width and reach nothing changes.

    Raises
    ------
    ParameterError
        When a width or the reach isn't positive.

    Notes
    -----
    The free way of a disc through ground that is offset inwards by `a` is narrower by `2 a` (Minkowski erosion), and
    through the union with a strip at least as wide as the strip. Common practice, no source.
    """
    if not min(mapped_m, measured_m, reach_m) > 0.0:
        raise ParameterError(f"widths {mapped_m} and {measured_m} m and reach {reach_m} m must be positive")
    nothing = GroundChange(Polygon(), Polygon(), measured_m)
    if measured_m > mapped_m:
        return _widened(ground, middle_line, measured_m, shapely.difference(forbidden, ground), nothing)
    near = shapely.buffer(middle_line, reach_m, cap_style="flat")
    inner = shapely.buffer(ground, (measured_m - mapped_m) / 2, quad_segs=_ARC_PIECES)
    return replace(nothing, taken=polygonal(shapely.intersection(shapely.difference(ground, inner), near)))


def _widened(
    ground: Polygon | MultiPolygon,
    middle_line: LineString,
    width_m: float,
    forbidden: BaseGeometry,
    nothing: GroundChange,
) -> GroundChange:
    way = _points_along(_into_the_zones(ground, middle_line, width_m))
    near = shapely.intersection(forbidden, shapely.buffer(LineString(way), 2 * width_m))
    pushed = _pushed_off(way, near, width_m / 2)
    line = LineString(pushed)
    strip = shapely.difference(shapely.buffer(line, width_m / 2, quad_segs=_ARC_PIECES), near)
    joined = [part for part in polygon_parts(strip) if part.intersects(ground)]
    # Beyond a thin wall lies a part of the strip that no mower gets to.
    reached = max(joined, key=lambda part: shapely.intersection(part, ground).area, default=Polygon())
    added = polygonal(shapely.difference(reached, ground))
    if near.is_empty:
        return replace(nothing, added=added)
    free_m = 2 * float(shapely.distance(shapely.points(pushed), near).min())
    return replace(nothing, added=added, width_m=min(width_m, free_m) if free_m < width_m - _SAME_M else width_m)


def _into_the_zones(ground: BaseGeometry, middle_line: LineString, width_m: float) -> LineString:
    """The middle line, led on at both ends as long as the ground gets wider and isn't wide enough."""
    edge = shapely.boundary(ground)
    xy = np.array(middle_line.coords)[:, :2]
    tips = [_led_on(edge, ground, xy[1], xy[0], width_m), _led_on(edge, ground, xy[-2], xy[-1], width_m)]
    return LineString(np.concatenate([tips[0][::-1], xy, tips[1]]))


def _led_on(
    edge: BaseGeometry, ground: BaseGeometry, before: FloatArray, end: FloatArray, width_m: float
) -> FloatArray:
    ahead = (end - before) / max(float(np.hypot(*(end - before))), _SAME_M)
    found, kept_m = [], edge.distance(Point(end))
    for at in np.arange(_STEP_M, width_m, _STEP_M):
        place = Point(end + at * ahead)
        away_m = edge.distance(place)
        if kept_m >= width_m / 2 or away_m <= kept_m or not ground.contains(place):
            break
        found.append(end + at * ahead)
        kept_m = away_m
    return np.array(found).reshape(-1, 2)


def _points_along(line: LineString) -> FloatArray:
    xy = np.array(line.coords)[:, :2]
    chainage = chainage_m(xy)
    count = max(2, int(np.ceil(chainage[-1] / _STEP_M)) + 1)
    return points_along(xy, chainage, np.linspace(0.0, chainage[-1], count))


def _pushed_off(way: FloatArray, things: BaseGeometry, least_m: float) -> FloatArray:
    """Places of a way moved off things until they keep a distance, or to the middle where there isn't room for it."""
    if things.is_empty:
        return way
    moved = way.copy()
    before = way
    for _ in range(_PUSHES):
        ways = shapely.shortest_line(shapely.points(moved), things)
        ends = shapely.get_coordinates(ways).reshape(-1, 2, 2)
        off = ends[:, 0] - ends[:, 1]
        away = np.hypot(*off.T)
        short = (away < least_m) & (away > _SAME_M)
        if not short.any():
            return moved
        before = moved
        moved = moved.copy()
        moved[short] += off[short] * ((least_m - away[short]) / away[short])[:, None]
    # Held from both sides: halfway between the last two pushes it is as near to one as to the other.
    held: FloatArray = np.where(short[:, None], (before + moved) / 2, moved)
    return held
