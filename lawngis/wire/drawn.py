"""The ground inside a wire that somebody on site has drawn by hand: a ring changed so that it runs along a line."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, radians, tan

import numpy as np
import shapely
from shapely import LinearRing, LineString, MultiPolygon, Point, Polygon

from lawngis.arrays import FloatArray
from lawngis.errors import FeatureError
from lawngis.geometry.lines import bends_deg, chainage_m, is_closed, line_between, segment_lengths_m
from lawngis.geometry.polygons import polygon_parts

REACH_M = 2.0
"""A drawn line may end this far from the wire that it takes over from: common practice, no source."""

_SAME_M = 1e-6
_CLOSED_M = 0.3
"""A line whose ends lie this near to each other is meant to be closed."""

_SHARP_DEG = 20.0
_HAIRPIN_DEG = 170.0
"""A corner between these is rounded: a blunter one needs no arc, a sharper one has no room for any."""

_ARC_STEP_DEG = 15.0


@dataclass(frozen=True)
class GroundAlong:
    """Ground whose wire runs along a drawn line.

    Attributes
    ----------
    ground
        Polygon, or a MultiPolygon where the line parts it, the largest part first [m].
    line
        The line that the ring runs along: without what hangs over beyond the ring, and led to it where it falls
        short of it [m].
    """

    ground: Polygon | MultiPolygon
    line: LineString


def ground_along(ground: Polygon | MultiPolygon, line: LineString, *, reach_m: float = REACH_M) -> GroundAlong:
    """Return ground whose ring runs along a line between the places where the line, led on straight ahead, meets it.

    An end from which the way ahead meets no ring within reach is led to it by the shortest way.

    The ring that lies nearest to both ends is changed, be it an outer ring or an island's. Of its two parts between
    the ends the line replaces the one with which less ground changes hands. A closed line is a ring of its own: that
    of an island, or the outer one where it encloses more than half of the ground.

    ::

        +-------------------+        +-------------------+
        |                   |        |                   |
        |   ground     a----+--      |   ground     +----+
        |              |    |        |              |
        |              +--b |        |              +----+
        |                   |        |                   |
        +-------------------+        +-------------------+

    Parameters
    ----------
    ground
        Ground inside the wire, from `setback_ground` [m].
    line
        Where the wire is to run, in either direction [m].
    reach_m
        How far from the ring the line may end [m].

    Returns
    -------
    GroundAlong

    Raises
    ------
    FeatureError
        When an end is too far from the ring, the line crosses itself, or it would make the ring cross itself.
    """
    path = LineString(shapely.remove_repeated_points(line, _SAME_M).coords)
    if path.length < _CLOSED_M:
        raise FeatureError(f"the line is only {path.length:.2f} m long", advice="Draw it as far as the wire is to go.")
    xy = np.array(path.coords)[:, :2]
    if len(xy) > 3 and np.hypot(*(xy[0] - xy[-1])) <= min(_CLOSED_M, path.length / 4):
        return _closed_along(ground, xy)
    parts = polygon_parts(ground)
    part, number = _nearest_ring(parts, path, reach_m)
    outlines = [Polygon(ring) for ring in (parts[part].exterior, *parts[part].interiors)]
    ring = outlines[number].exterior
    walked = _led_to(_without_overhang(path, ring, reach_m), ring, reach_m)
    outlines[number] = _replaced(ring, walked)
    changed = shapely.difference(outlines[0], shapely.union_all(outlines[1:]))
    others = [other for index, other in enumerate(parts) if index != part]
    return GroundAlong(_largest_first([*polygon_parts(changed), *others]), walked)


def rounded(line: LineString, cut_m: float) -> LineString:
    r"""Return a line whose sharp corners are arcs, as wire that is pulled around them.

    ::

        |               |
        |               |  arc from cut_m before the corner
        |____     ->     \__  to cut_m behind it

    Parameters
    ----------
    line
        Open or closed [m].
    cut_m
        How far before and behind a corner its arc begins and ends, less on short sides [m].

    Returns
    -------
    LineString
        Ends where the line does, unless it is closed and has a corner there.
    """
    xy = np.array(shapely.remove_repeated_points(line, _SAME_M).coords)[:, :2]
    bends = np.radians(bends_deg(xy))
    closed = is_closed(xy)
    sharp = (np.abs(bends) > radians(_SHARP_DEG)) & (np.abs(bends) < radians(_HAIRPIN_DEG))
    if not sharp.any():
        return LineString(xy)
    at = range(len(xy) - 1) if closed else range(1, len(xy) - 1)
    sides = segment_lengths_m(xy)
    pieces = [] if closed else [xy[:1]]
    for index in at:
        if not sharp[index]:
            pieces.append(xy[index : index + 1])
            continue
        reach = min(cut_m, 0.45 * sides[index - 1], 0.45 * sides[index])
        pieces.append(_arc(xy[index - 1 if index else -2], xy[index], float(bends[index]), reach))
    pieces.append(pieces[0][:1] if closed else xy[-1:])
    return LineString(np.concatenate(pieces))


def _arc(before: FloatArray, at: FloatArray, turn: float, reach_m: float) -> FloatArray:
    """The vertices of an arc that touches both sides of a corner at a distance from it."""
    ahead = (at - before) / np.hypot(*(at - before))
    left = np.array([-ahead[1], ahead[0]]) * np.sign(turn)
    radius = reach_m / tan(abs(turn) / 2)
    turned = np.linspace(0.0, abs(turn), 2 + int(degrees(abs(turn)) // _ARC_STEP_DEG))[:, None]
    return at - ahead * reach_m + radius * (np.sin(turned) * ahead + (1 - np.cos(turned)) * left)


def _closed_along(ground: Polygon | MultiPolygon, xy: FloatArray) -> GroundAlong:
    """Ground with a closed line as the ring of an island, or as its outer ring."""
    enclosed = Polygon(xy)
    if not enclosed.is_valid:
        raise FeatureError("the line crosses itself", advice="Draw it as the wire is to run, in one go.")
    ring = LineString(enclosed.exterior.coords)
    if shapely.intersection(enclosed, ground).area <= ground.area / 2:
        return GroundAlong(_largest_first(polygon_parts(shapely.difference(ground, enclosed))), ring)
    touched = [part for part in polygon_parts(ground) if part.intersects(enclosed)]
    holes = [Polygon(hole) for part in touched for hole in part.interiors]
    others = [part for part in polygon_parts(ground) if part not in touched]
    inside = shapely.difference(enclosed, shapely.union_all(holes))
    return GroundAlong(_largest_first([*polygon_parts(inside), *others]), ring)


def _nearest_ring(parts: list[Polygon], path: LineString, reach_m: float) -> tuple[int, int]:
    """The polygon, and its ring (0: outer), that lie nearest to both ends of a line."""
    ends = shapely.points(np.array(path.coords)[[0, -1], :2])
    rings = [(part, ring) for part, polygon in enumerate(parts) for ring in range(1 + len(polygon.interiors))]
    if not rings:
        raise FeatureError("there is no wire here to take over from")
    away = np.array(
        [shapely.distance(ring, ends) for polygon in parts for ring in (polygon.exterior, *polygon.interiors)]
    )
    nearest = int(np.argmin(away.max(axis=1)))
    if away[nearest].max() > reach_m:
        raise FeatureError(
            f"it ends {away[nearest].max():.1f} m from the wire, more than {reach_m:g} m",
            advice="Draw it on until it meets the wire at both ends.",
        )
    return rings[nearest]


def _without_overhang(path: LineString, ring: LinearRing, reach_m: float) -> LineString:
    """The line without the ends that hang over beyond the ring, where they cross it."""
    places = shapely.get_coordinates(shapely.intersection(path, ring))
    crossed = np.asarray(shapely.line_locate_point(path, shapely.points(places)))
    length = path.length
    first = crossed[crossed <= reach_m].min(initial=np.inf)
    last = crossed[crossed >= length - reach_m].max(initial=-np.inf)
    begin, end = first if np.isfinite(first) else 0.0, last if np.isfinite(last) else length
    if end - begin < _CLOSED_M:
        return path
    xy = np.array(path.coords)[:, :2]
    return LineString(line_between(xy, chainage_m(xy), float(begin), float(end)))


def _led_to(path: LineString, ring: LinearRing, reach_m: float) -> LineString:
    """The line with its ends on the ring: led on straight ahead as far as it may end from it, else the shortest way."""
    xy = np.array(path.coords)[:, :2]
    begin, end = _met(ring, xy[1], xy[0], reach_m), _met(ring, xy[-2], xy[-1], reach_m)
    return LineString(np.concatenate([begin, xy, end]))


def _met(ring: LinearRing, before: FloatArray, end: FloatArray, reach_m: float) -> FloatArray:
    """Where a line that ends off a ring meets it, shape (1, 2); shape (0, 2) where it ends on it."""
    if ring.distance(Point(end)) <= _SAME_M:
        return np.empty((0, 2))
    ahead = end + (end - before) * (reach_m / np.hypot(*(end - before)))
    met = shapely.get_coordinates(shapely.intersection(LineString([end, ahead]), ring))
    if not len(met):
        return shapely.get_coordinates(ring.interpolate(ring.project(Point(end))))
    nearest = int(np.argmin(np.hypot(*(met - end).T)))
    return met[nearest : nearest + 1]


def _replaced(ring: LinearRing, path: LineString) -> Polygon:
    """The polygon of a ring of which the line replaces one part, that with which less ground changes hands."""
    xy = np.array(ring.coords)[:, :2]
    chainage = chainage_m(xy)
    line = np.array(path.coords)[:, :2]
    begin, end = (float(ring.project(Point(at))) for at in line[[0, -1]])
    if min(abs(begin - end), chainage[-1] - abs(begin - end)) < _SAME_M:
        raise FeatureError("both its ends meet the wire at one place", advice="Draw it closed, or further apart.")
    before = Polygon(ring)
    options = [
        _joined(line, line_between(xy, chainage, end, begin)),
        _joined(line[::-1], line_between(xy, chainage, begin, end)),
    ]
    fit = [option for option in options if option.is_valid and option.area > 0.0]
    if not fit:
        raise FeatureError(
            "the wire along it would cross itself", advice="Draw it so that it meets the wire at its two ends only."
        )
    return min(fit, key=lambda option: shapely.symmetric_difference(option, before).area)


def _joined(line: FloatArray, rest: FloatArray) -> Polygon:
    """The polygon of a line and the rest of a ring, which begins about where the line ends."""
    # Rounding leaves an end that lies on the ring a hair beside it, where the two could cross.
    keep = np.hypot(*(line - rest[[0]]).T) > _SAME_M
    keep &= np.hypot(*(line - rest[[-1]]).T) > _SAME_M
    xy = np.concatenate([line[keep], rest])
    return Polygon(xy) if len(xy) > 2 else Polygon()


def _largest_first(parts: list[Polygon]) -> Polygon | MultiPolygon:
    if not parts:
        raise FeatureError("no ground is left inside the wire", advice="Draw the line further out.")
    ordered = sorted(parts, key=lambda part: -part.area)
    return ordered[0] if len(ordered) == 1 else MultiPolygon(ordered)
