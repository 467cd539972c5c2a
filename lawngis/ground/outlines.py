"""Outlines of raster cells drawn as a surveyor would: straight sides, square corners, few vertices.

Rings are arrays of shape (n, 2), x before y, in metres of the measuring frame, their last vertex not repeating the
first. Nothing here knows what the outlined cells are.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray
from lawngis.geometry.polygons import polygon_parts, polygonal

SQUARE_SHARE_MIN = 0.4
"""How much of a ring's sides must agree on a direction before others are turned to it [0, 1]."""

FITTING_PASSES = 4
"""How often sides are fitted, corners that don't matter being dropped in between."""


def clean_outline(polygon: Polygon, *, tolerance_m: float, hole_min_m2: float = 1.0) -> Polygon:
    """Return an outline of raster cells as a surveyor would draw it: straight sides, square corners, few vertices.

    Each stretch between the corners that Douglas and Peucker's rule finds is replaced by the straight line that fits
    it best; lines that nearly follow the polygon's main direction or stand square to it are turned until they do, as
    far as the tolerance allows; neighbours are brought to meet. The area is then made that of the cells again by
    moving all sides by the same hair::

        _|‾|_              ______
       |     |_    -->    |      |
       |_     _|          |      |
         |_|‾             |______|

    Parameters
    ----------
    polygon
        Outline along or between cells [m].
    tolerance_m
        How far it may move [m]; about one cell.
    hole_min_m2
        Smaller holes are filled [m²].

    Returns
    -------
    Polygon
        Valid. Its area is that of the input, filled holes included, to 1 % unless it is but a few cells large.

    References
    ----------
    Douglas and Peucker, 1973, Algorithms for the reduction of the number of points, The Canadian Cartographer 10(2),
    112-122, for the corners. Lines fitted between them: common practice, no source.
    """
    rings = list(shapely.get_rings(polygon))
    keep = [rings[0], *(ring for ring in rings[1:] if Polygon(ring).area >= hole_min_m2)]
    raw = Polygon(keep[0], keep[1:])
    xy = [_straightened(shapely.get_coordinates(ring)[:-1], tolerance_m) for ring in keep]
    drawn = Polygon(xy[0], [ring for ring in xy[1:] if len(ring) >= 3])
    outline = _largest(drawn if drawn.is_valid else raw.simplify(tolerance_m))
    return _with_area(outline, raw.area, tolerance_m)


def _largest(geometry: BaseGeometry) -> Polygon:
    shape = geometry if geometry.is_valid else shapely.make_valid(geometry)
    return max(polygon_parts(polygonal(shape)), key=lambda part: part.area, default=Polygon())


def _with_area(polygon: Polygon, area_m2: float, limit_m: float) -> Polygon:
    """Return a polygon whose sides were moved by a hair, so that it has an area; as it was when that would split it."""
    for _ in range(3):
        missing = area_m2 - polygon.area
        if abs(missing) <= 1e-3 * area_m2 or polygon.length == 0:
            break
        step = float(np.clip(missing / polygon.length, -limit_m, limit_m))
        moved = polygon_parts(polygon.buffer(step, join_style="mitre", mitre_limit=3.0))
        if len(moved) != 1:
            break
        polygon = moved[0]
    return polygon


def _straightened(xy: FloatArray, tolerance_m: float) -> FloatArray:
    """Return the corners of a closed ring, shape (n, 2), after fitting a line to each stretch between corners."""
    corners = _corner_places(xy, tolerance_m)
    if len(corners) < 4:
        return xy[corners] if len(corners) == 3 else xy
    first, last, vertices = corners, np.roll(corners, -1), xy[corners]
    for _ in range(FITTING_PASSES):
        side = ~_chamfers(xy[last] - xy[first], tolerance_m)
        if side.sum() >= 3:
            first, last = first[side], last[side]
        vertices = _fitted_vertices(xy, first, last, tolerance_m)
        needed = _needed(vertices, tolerance_m / 2)
        if needed.sum() < 4 or (needed.all() and side.all()):
            break
        # Without the corners that don't matter the lines are longer, and fit better.
        ends = np.roll(last, 1)[needed]
        first, last = first[needed], np.roll(ends, -1)
    return vertices[_needed(vertices, tolerance_m / 8)]


def _fitted_vertices(
    xy: FloatArray, first: NDArray[np.int64], last: NDArray[np.int64], tolerance_m: float
) -> FloatArray:
    """Return the corners of a ring whose sides follow its vertices from each first to each last one."""
    centre, along, length = _fitted_lines(xy, first, last)
    corner = (xy[first] + xy[np.roll(last, 1)]) / 2
    return _meeting_points(corner, centre, _squared(along, length, tolerance_m), tolerance_m)


def _chamfers(chord: FloatArray, tolerance_m: float) -> BoolArray:
    """Return which sides of a ring are short cuts across about square corners: cells can't draw a corner whole."""
    length = np.hypot(*chord.T)
    before, after = np.roll(chord, 1, axis=0), np.roll(chord, -1, axis=0)
    shorter = (length <= 4.5 * tolerance_m) & (2 * length <= np.minimum(np.roll(length, 1), np.roll(length, -1)))
    turn = np.degrees(np.arctan2(_cross(before, after), (before * after).sum(axis=1)))
    return np.asarray(shorter & (np.abs(turn) > 60) & (np.abs(turn) < 120))


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


def _needed(vertices: FloatArray, tolerance_m: float) -> BoolArray:
    """Return which vertices of a ring matter more than a tolerance; all when fewer than three would be left."""
    start = int(np.argmax(((vertices - vertices.mean(axis=0)) ** 2).sum(axis=1)))
    rolled = np.roll(vertices, -start, axis=0)
    line = shapely.simplify(shapely.LineString(np.vstack([rolled, rolled[:1]])), tolerance_m, preserve_topology=False)
    kept = {tuple(point) for point in shapely.get_coordinates(line).tolist()}
    needed = np.array([tuple(point) in kept for point in vertices.tolist()])
    return needed if needed.sum() >= 3 else np.ones(len(vertices), dtype=bool)


def _corner_places(xy: FloatArray, tolerance_m: float) -> NDArray[np.int64]:
    """Return at which vertices of a ring Douglas and Peucker's corners are, the ring starting at a sure one."""
    start = int(np.argmax(((xy - xy.mean(axis=0)) ** 2).sum(axis=1)))
    rolled = np.roll(xy, -start, axis=0)
    line = shapely.simplify(shapely.LineString(np.vstack([rolled, rolled[:1]])), tolerance_m, preserve_topology=False)
    kept = shapely.get_coordinates(line)[:-1]
    place = {tuple(point): number for number, point in reversed(list(enumerate(rolled.tolist())))}
    found = np.array([place[tuple(point)] for point in kept.tolist()], dtype=np.int64)
    return (np.sort(found) + start) % len(xy)


def _fitted_lines(
    xy: FloatArray, firsts: NDArray[np.int64], lasts: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return middle, direction and length of the line that fits the vertices of each stretch of a ring.

    The vertices next to corners count only on short stretches: the outline cuts corners between cells.
    """
    count = len(xy)
    steps = (lasts - firsts) % count
    steps[steps == 0] = count
    long = steps >= 5
    sides = np.where(long, steps - 2, steps)
    begins = np.concatenate([[0], np.cumsum(sides)[:-1]])
    owner = np.repeat(np.arange(len(firsts)), sides)
    side = ((firsts + long)[owner] + np.arange(len(owner)) - begins[owner]) % count
    start, stop = xy[side], xy[(side + 1) % count]
    piece, middle = stop - start, (start + stop) / 2
    weight = np.hypot(piece[:, 0], piece[:, 1])
    length = np.add.reduceat(weight, begins)
    centre = np.add.reduceat(middle * weight[:, None], begins) / length[:, None]
    off = middle - centre[owner]
    # Each piece of outline is a line, not a point: its own spread along itself counts, too.
    spread = off[:, :, None] * off[:, None, :] + piece[:, :, None] * piece[:, None, :] / 12
    direction = np.linalg.eigh(np.add.reduceat(spread * weight[:, None, None], begins))[1][:, :, 1]
    direction *= np.where((direction * (xy[lasts] - xy[firsts])).sum(axis=1) < 0, -1.0, 1.0)[:, None]
    return centre, direction, length


def _squared(along: FloatArray, length: FloatArray, tolerance_m: float) -> FloatArray:
    """Return directions turned to the ring's main one, or square to it, where that moves ends less than allowed."""
    angle = np.arctan2(along[:, 1], along[:, 0])
    main = (length**2 * np.exp(4j * angle)).sum() / (length**2).sum()
    if abs(main) < SQUARE_SHARE_MIN:
        return along
    turn = np.angle(main * np.exp(-4j * angle)) / 4
    turned = np.where(np.abs(turn) * length / 2 <= tolerance_m, angle + turn, angle)
    turned = np.where(np.abs(turn) < np.radians(12), turned, angle)
    return np.column_stack([np.cos(turned), np.sin(turned)])


def _meeting_points(corner: FloatArray, centre: FloatArray, along: FloatArray, tolerance_m: float) -> FloatArray:
    """Return where each line meets the one before it; where they run alike or meet far off, a point between them."""
    before_centre, before_along = np.roll(centre, 1, axis=0), np.roll(along, 1, axis=0)
    cross = _cross(before_along, along)
    gap = centre - before_centre
    with np.errstate(divide="ignore", invalid="ignore"):
        t = _cross(gap, along) / cross
        meeting = before_centre + t[:, None] * before_along
    foot = centre + ((corner - centre) * along).sum(axis=1)[:, None] * along
    before_foot = before_centre + ((corner - before_centre) * before_along).sum(axis=1)[:, None] * before_along
    far = ~(np.hypot(*(meeting - corner).T) <= 2 * tolerance_m) | (np.abs(cross) < 0.05)
    return np.where(far[:, None], (foot + before_foot) / 2, meeting)
