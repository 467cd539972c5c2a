"""The ground inside the wire: what is left of a zone after the setbacks, joined through passages.

All shaping happens on areas: setbacks are taken off, what is narrower than the wire may lie is opened away, strips
along passages are added. The wire is then simply the outline of the area, so it can't cross itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import cos, pi, sin, sqrt

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import FeatureError, ParameterError
from lawngis.geometry.lines import segment_lengths_m
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.corners import ring_with_cut_corners

TAPER = sin(pi / 4)
"""Setback lost per metre of edge so that the wire between two setbacks runs at 45 degrees to the edge."""

SHORT_STRETCH_M = 1.0
"""A stretch shorter than this between two with larger setbacks takes the smaller of theirs, where nobody says what the
mower needs to turn: common practice, no source. Wire that swerves to the edge and back within a step gains nothing."""

_QUAD_SEGS = 8
"""Chords per quarter circle: 0.5 % of the radius at most inside the true arc."""

_HAIR_M = 0.0005
"""Kept in hand against rounding wherever a width decides."""

STRIP_ALLOWANCE_M = 0.01
"""By how much each wire of a passage lies further from the middle line than half the gap, so that simplifying the
line can't bring the two nearer than the gap."""

_FILM_M = 0.004
_FILM_ROUND = 5.0
"""What is left of a filling without its films grows by so many of their widths, which fills corners of 20 degrees."""

_REOPENED_M = 0.002
"""By how much a zone is opened wider than the loop later, whose opening then finds nothing to take off."""

_SHARP_DEG = 30.0
_NOTCH_DISC_M = 0.1
_CRUMB_M2 = 1e-4

_MOUTH_REACH = 6.0
"""A strip leaves a ground within this many times the radius of its mouth; further on it must keep its distance."""
_BEYOND_ARC_MAX_M = 0.0145
"""How far bends may reach beyond the opened ground into its corners, which is all that setbacks can lose."""

_REFLEX_CUT_M = 0.06
"""How far two bends instead of an arc may reach into the ground: 8 % of the largest usual setback."""


def setback_ground(
    zone: Polygon | MultiPolygon,
    stretches: Sequence[LineString],
    setbacks_m: Sequence[float] | FloatArray,
    *,
    gap_min_m: float,
    tolerance_m: float = 0.005,
    short_m: float | Sequence[float] = SHORT_STRETCH_M,
) -> Polygon | MultiPolygon:
    """Return the ground that the wire of a zone encloses.

    Nearer to a stretch of edge than its setback there is none. Where the setback changes the outline crosses over
    at 45 degrees, within the stretch that has the smaller one. A short stretch between two with larger setbacks is
    passed straight on. What is narrower than `gap_min_m` is opened away, so islands too near to one another or to the
    edge are passed together; where a thin wall would let two parts of the wire come nearer than that, both draw back.

    ::

        edge   ------ wall ------+------ paving ---------------
                                 |           _______ wire
               wire              |        _/
               __________________|______/   45 degrees

    Parameters
    ----------
    zone
        Mown ground in the measuring frame [m].
    stretches
        Pieces of the zone's outline with the zone on the left [m]. Outline without a stretch has no setback.
    setbacks_m
        Setback of each stretch [m].
    gap_min_m
        Least distance between parts of the wire that are no neighbours along it [m].
    tolerance_m
        How far the wire may later be simplified [m]; kept in hand in every width.
    short_m
        Stretches shorter than this are short, one length for all or one for each: the mower couldn't turn there [m].

    Returns
    -------
    Polygon or MultiPolygon
        Largest part first; empty when nothing is left. Corners are still round, see `loop_ground`.

    Raises
    ------
    ParameterError
        When a setback is missing, negative or no number.
    """
    setbacks = _checked_setbacks(stretches, setbacks_m)
    taken = _setback_area(stretches, _evened_setbacks(stretches, setbacks, np.broadcast_to(short_m, setbacks.shape)))
    ground = _simplified(shapely.difference(zone, taken), _HAIR_M)
    radius = gap_min_m / 2 + tolerance_m + _HAIR_M + _REOPENED_M
    slenderest = float(setbacks.min()) if len(setbacks) else 0.0
    parts = _parted(_shaped(ground, radius, slenderest), radius)
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def ground_apart(
    ground: Polygon | MultiPolygon, others: Sequence[Polygon], *, gap_min_m: float, tolerance_m: float = 0.005
) -> Polygon | MultiPolygon:
    """Return what is left of ground when its wire keeps its distance from wire around other ground.

    Parameters
    ----------
    ground
        From `setback_ground` [m].
    others
        Ground inside wire that is laid already, from `loop_ground` [m].
    gap_min_m, tolerance_m
        As for `setback_ground` [m].

    Returns
    -------
    Polygon or MultiPolygon
        Largest part first; the ground itself where all others are far enough away.
    """
    radius = gap_min_m / 2 + tolerance_m + _HAIR_M + _REOPENED_M
    reach = 2 * radius + _BEYOND_ARC_MAX_M
    near = [other for other in others if other.distance(ground) < reach]
    if not near:
        return ground
    taken = shapely.buffer(shapely.union_all(near), reach, quad_segs=_QUAD_SEGS)
    parts = _parted(_shaped(shapely.difference(ground, taken), radius, radius), radius)
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def wire_parts(
    ground: Polygon | MultiPolygon, *, gap_min_m: float, tolerance_m: float = 0.005
) -> Polygon | MultiPolygon:
    """Return what is left of ground of any shape where wire can go around it without coming too near to itself.

    Parameters
    ----------
    ground
        Ground that somebody drew, or changed [m].
    gap_min_m, tolerance_m
        As for `setback_ground` [m].

    Returns
    -------
    Polygon or MultiPolygon
        Largest part first; empty when all of it is too narrow.
    """
    radius = gap_min_m / 2 + tolerance_m + _HAIR_M + _REOPENED_M
    parts = _parted(_shaped(shapely.simplify(ground, _HAIR_M), radius, radius), radius)
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


def _checked_setbacks(stretches: Sequence[LineString], setbacks_m: Sequence[float] | FloatArray) -> FloatArray:
    setbacks = np.asarray(setbacks_m, dtype=np.float64)
    if len(setbacks) != len(stretches):
        raise ParameterError(f"{len(setbacks)} setbacks for {len(stretches)} stretches of edge")
    bad = ~(np.isfinite(setbacks) & (setbacks >= 0.0))
    if bad.any():
        raise ParameterError(f"setback {setbacks[bad][0]:g} m of stretch {int(np.argmax(bad))} is not a distance")
    return setbacks


def _followers(stretches: Sequence[LineString]) -> list[int]:
    """For each stretch the one that begins where it ends, or -1."""
    ends = np.array([[line.coords[0], line.coords[-1]] for line in stretches]).reshape(-1, 2, 2).round(6)
    begins = {tuple(end[0]): index for index, end in enumerate(ends)}
    return [begins.get(tuple(end[1]), -1) for end in ends]


def _evened_setbacks(stretches: Sequence[LineString], setbacks: FloatArray, short_m: FloatArray) -> FloatArray:
    """Raise the setback of short stretches between larger ones, shortest first, to the smaller neighbour's."""
    after = _followers(stretches)
    before = [-1] * len(stretches)
    for index, follower in enumerate(after):
        if follower >= 0:
            before[follower] = index
    level = setbacks.copy()
    lengths = shapely.length(np.array(stretches, dtype=object))
    for index in np.argsort(lengths):
        if lengths[index] >= short_m[index]:
            continue
        group = _short_level_group(int(index), before, after, level, lengths, float(short_m[index]))
        if not group:
            continue
        neighbours = [before[group[0]], after[group[-1]]]
        if min(neighbours) >= 0:
            level[group] = max(level[index], min(level[neighbours]))
    return level


def _short_level_group(
    index: int, before: list[int], after: list[int], level: FloatArray, lengths: FloatArray, short_m: float
) -> list[int]:
    """Neighbouring stretches of one setback around a given one, in order; none when they are long together."""
    group = [index]
    total = lengths[index]
    while (following := after[group[-1]]) >= 0 and level[following] == level[index]:
        group.append(following)
        total += lengths[following]
        if total >= short_m or following == index:
            return []
    while (previous := before[group[0]]) >= 0 and level[previous] == level[index]:
        group.insert(0, previous)
        total += lengths[previous]
        if total >= short_m:
            return []
    return group


def _setback_area(stretches: Sequence[LineString], setbacks: FloatArray) -> BaseGeometry:
    """Everything nearer to a stretch than its setback, with tapers beyond the ends of the larger ones."""
    lines = np.array(stretches, dtype=object)
    areas: list[BaseGeometry] = []
    for setback in np.unique(setbacks[setbacks > 0.0]):
        # Merged first: a buffer around hundreds of single short sides would be all overlap.
        same = shapely.line_merge(shapely.multilinestrings(list(lines[setbacks == setback])))
        areas.append(shapely.buffer(same, setback, quad_segs=_QUAD_SEGS))
    after = _followers(stretches)
    backwards = [line.reverse() for line in stretches]
    before = _followers(backwards)
    for index in range(len(stretches)):
        areas.extend(_taper(index, stretches, setbacks, after))
        areas.extend(_taper(index, backwards, setbacks, before))
    return shapely.union_all(areas)


def _taper(index: int, stretches: Sequence[LineString], setbacks: FloatArray, after: list[int]) -> list[BaseGeometry]:
    """Hulls of ever smaller discs along the edge beyond a stretch's end, down to the setback that applies there."""
    centres: list[tuple[float, ...]] = [stretches[index].coords[-1]]
    radii = [float(setbacks[index])]
    at = after[index]
    while at >= 0 and at != index and radii[-1] > setbacks[at] + _HAIR_M:
        reach = (radii[-1] - setbacks[at]) / TAPER
        walked = np.array(substring(stretches[at], 0.0, reach).coords)
        lengths = np.cumsum(segment_lengths_m(walked))
        radii.extend((radii[-1] - TAPER * lengths).tolist())
        centres.extend(map(tuple, walked[1:]))
        if stretches[at].length >= reach:
            break
        at = after[at]
    if len(radii) < 2:
        return []
    discs = shapely.buffer(shapely.points(np.array(centres)), np.maximum(radii, 0.0), quad_segs=_QUAD_SEGS)
    pairs = [shapely.geometrycollections([a, b]) for a, b in pairwise(discs)]
    return list(shapely.convex_hull(np.array(pairs, dtype=object)))


def _simplified(ground: BaseGeometry, tolerance_m: float) -> BaseGeometry:
    """The ground with each ring simplified by itself, or all together where they would meet.

    All together each ring is held against every other, which on lawns with many islands takes longest of all.
    """
    parts = polygon_parts(ground)
    if not parts:
        return ground
    rings, owner = shapely.get_rings(parts, return_index=True)
    simple = shapely.simplify(rings, tolerance_m)
    outlines = [Polygon(own[0], own[1:]) for own in np.split(simple, np.flatnonzero(np.diff(owner)) + 1)]
    whole = outlines[0] if len(outlines) == 1 else MultiPolygon(outlines)
    return whole if shapely.is_valid(whole) else shapely.simplify(ground, tolerance_m)


def _opened(ground: BaseGeometry, radius: float) -> BaseGeometry:
    """The union of all discs of one radius that fit into the ground, without the crumbs that rounding leaves."""
    core = shapely.buffer(ground, -radius, quad_segs=_QUAD_SEGS)
    parts = polygon_parts(shapely.buffer(core, radius, quad_segs=_QUAD_SEGS))
    return shapely.union_all([_without_crumbs(part) for part in parts if part.area > _CRUMB_M2])


def _without_crumbs(polygon: Polygon) -> Polygon:
    holes = [hole for hole in polygon.interiors if Polygon(hole).area > _CRUMB_M2]
    return polygon if len(holes) == len(polygon.interiors) else Polygon(polygon.exterior, holes)


def _closed(ground: BaseGeometry, radius: float) -> BaseGeometry:
    """The complement of the union of all discs of one radius that fit outside the ground."""
    return shapely.buffer(shapely.buffer(ground, radius, quad_segs=_QUAD_SEGS), -radius, quad_segs=_QUAD_SEGS)


def _shaped(ground: BaseGeometry, radius: float, slenderest_m: float) -> BaseGeometry:
    """Take ground off until it is nowhere narrower than 2 `radius`, and what lies between it isn't either.

    Opening leaves necks where two discs just overlap, with a sharp notch on either side: cutting the notches severs
    them. Severed ends may face each other too closely, so walls are looked at again.
    """
    ground = _opened(ground, radius)
    for _ in range(8):
        cut = _without_sharp_notches(ground, radius)
        widened = _with_thin_walls_widened(cut, radius, slenderest_m)
        if widened is ground:
            break
        ground = widened
    return ground


def _parted(ground: BaseGeometry, radius: float) -> list[Polygon]:
    """Polygons of the ground, largest first, each far enough from all larger ones."""
    parts: list[Polygon] = []
    waiting = sorted(polygon_parts(ground), key=lambda part: part.area)
    while waiting:
        part = waiting.pop()
        near = [other for other in parts if other.distance(part) < 2 * radius - _HAIR_M]
        if not near:
            parts.append(part)
            continue
        taken = shapely.buffer(shapely.union_all(near), 2 * radius, quad_segs=_QUAD_SEGS)
        rest = polygon_parts(_shaped(shapely.difference(part, taken), radius, radius))
        waiting = sorted([*waiting, *rest], key=lambda part: part.area)
    return parts


def _with_thin_walls_widened(ground: BaseGeometry, radius: float, slenderest_m: float) -> BaseGeometry:
    """Draw ground back from walls so thin that wires on both sides of them would lie nearer than 2 `radius`.

    A closing fills what is too thin outside; each filled piece is widened to the full width. The rim that a closing
    leaves around plain reflex corners is thinner than `spare` and left alone. Where a wall has a waist the closing
    fills next to nothing, but has a sharp corner on either side of it: ground is taken off there. Returns the ground
    itself when nothing is thin, else what is left of it, opened again.
    """
    spare = float(np.clip(slenderest_m / 2, _HAIR_M, 0.03))
    closed = _closed(ground, radius)
    waists = _sharp_points(closed, 1.0)
    if len(waists):
        return _opened(shapely.difference(ground, _discs_around(waists)), radius)
    beyond = shapely.difference(closed, shapely.buffer(ground, spare, quad_segs=_QUAD_SEGS))
    if not any(part.area > _CRUMB_M2 / 10 for part in polygon_parts(beyond)):
        return ground
    filled = polygon_parts(shapely.difference(closed, ground))
    thin = np.array([part for part in filled if part.intersects(beyond)], dtype=object)
    widths = np.maximum(radius - _half_thickness_m(thin) + _HAIR_M, 2 * _HAIR_M)
    widened = shapely.buffer(thin, widths, quad_segs=_QUAD_SEGS)
    return _opened(shapely.difference(ground, shapely.union_all(widened)), radius)


def _half_thickness_m(parts: np.ndarray) -> FloatArray:
    """Half the width of strips as area over perimeter; of compact pieces, the radius of their largest disc."""
    area, around = shapely.area(parts), shapely.length(parts)
    compact = 4 * pi * area / around**2 > 0.5
    half: FloatArray = area / around
    if compact.any():
        half[compact] = shapely.length(shapely.maximum_inscribed_circle(parts[compact]))
    return half


def passage_strip(middle_line: LineString, ground_a: Polygon, ground_b: Polygon, *, gap_m: float) -> Polygon:
    """Return the strip between the two wires of a passage, reaching into the ground at both ends.

    Parameters
    ----------
    middle_line
        Middle of the passage, from the mouth at `ground_a` to the mouth at `ground_b` [m].
    ground_a, ground_b
        Ground inside the wire on either side, from `setback_ground` [m].
    gap_m
        Least distance between the two wires [m].

    Returns
    -------
    Polygon
        Wider than `gap_m` by twice `STRIP_ALLOWANCE_M`.

    Raises
    ------
    ParameterError
        When the gap is not positive.
    """
    if not gap_m > 0.0:
        raise ParameterError(f"gap_m {gap_m:g} is not a distance")
    line = np.array(middle_line.coords)[:, :2]
    half = gap_m / 2 + STRIP_ALLOWANCE_M
    start = _way_into(ground_a, line[0], line[0] - line[1], half)
    end = _way_into(ground_b, line[-1], line[-1] - line[-2], half)
    strip = shapely.buffer(LineString([*start[::-1], *line[1:-1], *end]), half, quad_segs=16)
    # Bends of the middle line leave a sharp inner side; the closing rounds it like the outer one.
    return shapely.buffer(shapely.buffer(strip, half, quad_segs=16), -half, quad_segs=16)


def _way_into(ground: Polygon, end: FloatArray, ahead: FloatArray, half: float) -> list[FloatArray]:
    """Points from a middle line's end to well inside the ground: straight on, or nearest where that misses."""
    inner = shapely.buffer(ground, -half)
    target = ground if inner.is_empty else inner
    if shapely.intersects_xy(target, *end):
        return [end]
    nearest = shapely.shortest_line(Point(end), target)
    nearest_m = nearest.length
    reach_m = 2 * nearest_m + 4 * half
    ray = LineString([end, end + ahead / np.hypot(*ahead) * reach_m])
    straight = shapely.shortest_line(Point(end), shapely.intersection(ray, target))
    if straight is not None and straight.length <= sqrt(2) * nearest_m + half:
        return [end, np.array(straight.coords[-1])]
    return [end, np.array(nearest.coords[-1])]


def loop_ground(
    grounds: Sequence[Polygon],
    strips: Sequence[Polygon] = (),
    *,
    gap_min_m: float,
    tolerance_m: float = 0.005,
    corner_cut_m: float = 0.2,
) -> Polygon:
    r"""Return the ground of a whole loop: its outer ring is the outer wire, its holes are the islands' rings.

    Grounds and strips are joined, mouths of strips flared, the outline simplified, and corners cut so that no bend
    is sharper than 50 degrees: a square corner becomes two bends of 45 degrees.

    ::

        |                            |
        |                             \    corner_cut_m along each side,
        |______  before        after   \___  less on short sides

    Parameters
    ----------
    grounds
        Ground of each zone of the loop, from `setback_ground` [m].
    strips
        Strips of the passages between them, from `passage_strip` [m].
    gap_min_m, tolerance_m
        As for `setback_ground` [m].
    corner_cut_m
        How much is cut off each side of a square corner between long sides [m].

    Returns
    -------
    Polygon
        Outer ring anti-clockwise, holes clockwise: the ground is on the left of every ring.

    Raises
    ------
    FeatureError
        When the grounds and strips don't make one piece.
    """
    radius = gap_min_m / 2 + tolerance_m + _HAIR_M
    joined = shapely.union_all([*_kept_apart(grounds, strips, radius), *strips])
    if strips:
        joined = _with_flared_mouths(joined, grounds, strips, (gap_min_m, radius - _HAIR_M))
    opened = shapely.union_all([_opened(joined, radius), *strips])
    opened = _without_sharp_notches(opened, radius, strips)
    # Where opened ground all but touches itself, its union with the strips leaves holes no wider than a hair.
    parts = [_without_crumbs(part) for part in polygon_parts(opened) if part.area > _CRUMB_M2]
    if len(parts) != 1:
        raise FeatureError(
            f"the ground of the loop is in {len(parts)} pieces",
            advice="Each zone of a loop needs a passage wide enough for two wires, or a loop of its own.",
        )
    # The sides of a strip may be straightened as well, though there is no room inside it.
    sides = [shapely.difference(strip, shapely.buffer(strip, -STRIP_ALLOWANCE_M / 2)) for strip in strips]
    roomy = shapely.union_all([_opened(parts[0], radius + _REFLEX_CUT_M), *sides])
    return _with_cut_corners(parts[0], joined, roomy, radius, tolerance_m, corner_cut_m)


def joined_strips(strips: Sequence[Polygon], *, gap_m: float) -> list[Polygon]:
    """Return strips of passages with those joined that cross or meet.

    Between two that cross lie four square corners, and between two that run nearly alike a wedge: corners are filled
    with arcs, wedges closed, so that the wires of all arms turn into one another.

    Parameters
    ----------
    strips
        From `passage_strip` [m].
    gap_m
        As for `passage_strip` [m].
    """
    whole = shapely.union_all(list(strips))
    if len(polygon_parts(whole)) == len(strips):
        return list(strips)
    return polygon_parts(_opened(_closed(whole, gap_m + 2 * STRIP_ALLOWANCE_M), gap_m / 2))


def _kept_apart(grounds: Sequence[Polygon], strips: Sequence[Polygon], radius: float) -> Sequence[BaseGeometry]:
    """Grounds of a loop, drawn back where another or a strip that passes by would come too near."""
    if len(grounds) < 2:
        return grounds
    apart = _shaped(shapely.union_all(grounds), radius, radius)
    if not strips:
        return [apart]
    # Away from the mouths, which lie where a strip runs into the ground.
    mouths = shapely.intersection(shapely.boundary(apart), shapely.union_all(strips))
    passing = shapely.difference(
        shapely.buffer(shapely.union_all(strips), 2 * radius), shapely.buffer(mouths, _MOUTH_REACH * radius)
    )
    if shapely.intersection(passing, apart).area < _CRUMB_M2:
        return [apart]
    return [_opened(shapely.difference(apart, passing), radius)]


def _with_flared_mouths(
    joined: BaseGeometry, grounds: Sequence[Polygon], strips: Sequence[Polygon], radii: tuple[float, float]
) -> BaseGeometry:
    """Fill the corners between strips and grounds with arcs, and only those.

    Arcs have the first radius, or the second where the first would fill the gap between two grounds as well: a mouth
    that wide is no passage any more.
    """
    outlines = shapely.boundary(np.array(grounds, dtype=object))
    mouths = shapely.intersection(shapely.union_all(outlines), shapely.union_all(shapely.boundary(list(strips))))
    near, reach = shapely.buffer(mouths, radii[0] / 2), shapely.buffer(mouths, 3 * radii[0])
    outer, inner = (_fillings(joined, radius, near) for radius in radii)
    chosen = [_flares(part, near, reach, grounds) for part in outer]
    if not all(chosen):
        chosen += [_flares(part, near, reach, []) for part in inner]
    flares = [shapely.buffer(part, _HAIR_M / 5) for parts in chosen for part in parts]
    return shapely.union_all([_without_crumbs(part) for part in polygon_parts(shapely.union_all([joined, *flares]))])


def _fillings(joined: BaseGeometry, radius: float, near: BaseGeometry) -> list[Polygon]:
    """What a closing fills, as far as it touches a mouth."""
    filled = polygon_parts(shapely.difference(_closed(joined, radius), joined))
    return [part for part in filled if part.intersects(near)]


def _flares(filling: Polygon, near: BaseGeometry, reach: BaseGeometry, grounds: Sequence[Polygon]) -> list[Polygon]:
    """Of a filling what fills a mouth; nothing where that goes on too far, or fills the gap between grounds.

    Along straight sides a film may join it to what a closing fills elsewhere: there it may be parted.
    """
    for film_m in (0.0, _HAIR_M / 2, 2 * _HAIR_M, _FILM_M):
        parts = [filling]
        if film_m > 0.0:
            thick = shapely.buffer(polygon_parts(shapely.buffer(filling, -film_m / 2)), _FILM_ROUND * film_m)
            parts = [part for area in thick for part in polygon_parts(shapely.intersection(filling, area))]
            parts = [part for part in parts if part.intersects(near)]
        if parts and all(_reached(part, reach) and not _between(part, grounds) for part in parts):
            return parts
    return []


def _reached(part: Polygon, reach: BaseGeometry) -> bool:
    return bool(reach.covers(part)) or _is_film(part.difference(reach))


def _between(part: Polygon, grounds: Sequence[Polygon]) -> bool:
    """Whether a filling lies at more than one ground."""
    return int(np.sum([ground.dwithin(part, _HAIR_M) for ground in grounds])) > 1


def _is_film(area: BaseGeometry) -> bool:
    """Whether an area is next to nothing, as a closing leaves along straight sides: buffers simplify what they grow."""
    return bool(shapely.is_empty(shapely.buffer(area, -_FILM_M / 2)))


def _without_sharp_notches(ground: BaseGeometry, radius: float, strips: Sequence[Polygon] = ()) -> BaseGeometry:
    """Take a small disc off the ground at each sharp vertex that points into it; strips stay whole.

    Such vertices lie where opened ground has a neck, and at edges without setback. Returns the ground itself when
    there are none.
    """
    for _ in range(4):
        sharp = _sharp_points(ground, -1.0)
        if not len(sharp):
            break
        opened = _opened(shapely.difference(ground, _discs_around(sharp)), radius)
        ground = shapely.union_all([opened, *strips]) if strips else opened
    return ground


def _discs_around(points: FloatArray) -> BaseGeometry:
    return shapely.union_all(shapely.buffer(shapely.points(points), _NOTCH_DISC_M, quad_segs=_QUAD_SEGS))


def _rings_left(ground: BaseGeometry) -> list[LineString]:
    """All rings of polygons, directed so that the ground is on their left."""
    parts = polygon_parts(ground)
    return list(shapely.get_rings(shapely.orient_polygons(parts))) if parts else []


def _sharp_points(ground: BaseGeometry, side: float) -> FloatArray:
    """Vertices that bend sharply to the left (`side` 1: out of the ground) or to the right (-1: into it)."""
    rings = np.array(_rings_left(ground), dtype=object)
    if not len(rings):
        return np.empty((0, 2))
    # Overlays leave vertices a few micrometres apart, between which any bend is possible. As lines, because of a ring
    # no wider than a hair fewer vertices may be left than a ring must have.
    xy, owner = shapely.get_coordinates(rings, return_index=True)
    lines = np.asarray(shapely.linestrings(xy, indices=owner), dtype=object)
    lines = shapely.simplify(shapely.remove_repeated_points(lines, 4 * _HAIR_M), 2 * _HAIR_M)
    lines = lines[shapely.get_num_coordinates(lines) > 3]
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    bends = side * _ring_bends_deg(xy, owner)
    return xy[bends > _SHARP_DEG]


def _ring_bends_deg(xy: FloatArray, owner: IntArray) -> FloatArray:
    """By how much closed rings turn at each vertex, as `bends_deg`; 0 at the last of each, which is its first again."""
    step = np.diff(xy, axis=0, append=xy[:1])
    last = np.append(owner[1:] != owner[:-1], True)
    first = np.roll(last, 1)
    before = np.roll(step, 1, axis=0)
    # The step before a ring's first vertex is the one that leads to its last.
    before[first] = step[np.flatnonzero(last) - 1]
    cross = before[:, 0] * step[:, 1] - before[:, 1] * step[:, 0]
    bends = np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", before, step)))
    return np.where(last, 0.0, bends)


def _with_cut_corners(
    ground: Polygon,
    allowed: BaseGeometry,
    roomy: BaseGeometry,
    radius: float,
    tolerance_m: float,
    corner_cut_m: float,
) -> Polygon:
    """Simplify the outline and cut its corners: those of the ground within `allowed`, others within `roomy`."""
    simple = shapely.orient_polygons(polygon_parts(_simplified(ground, tolerance_m))[0])
    beyond = min(radius * (1 / cos(pi / 8) - 1) * 1.05, _BEYOND_ARC_MAX_M)
    limit = shapely.buffer(allowed, beyond + _HAIR_M)
    roomy = shapely.buffer(roomy, tolerance_m + _HAIR_M)
    shapely.prepare([limit, roomy])
    rings = [
        ring_with_cut_corners(np.array(ring.coords), limit=limit, roomy=roomy, radius_m=radius, cut_m=corner_cut_m)
        for ring in [simple.exterior, *simple.interiors]
    ]
    cut = Polygon(rings[0], rings[1:])
    return cut if cut.is_valid else simple
