"""Corners of the wire's outline: arcs of a few centimetres become few bends of at most 45 degrees."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, ceil, copysign, cos, degrees, pi, radians, sin, tan
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray, IntArray
from lawngis.geometry.lines import bends_deg, segment_lengths_m

BEND_MAX_DEG = 46.0
"""Sharpest bend that is laid: 45 degrees, and a little for sides that are not quite straight."""

_BEND_MIN_DEG = 4.0
"""A vertex that bends less than this belongs to a side, not to a corner."""

_CORNER_RADIUS_MAX_M = 1.1
"""Vertices lie on one corner where they bend as tightly as an arc of this radius, or tighter."""

_REFLEX_RADIUS_MAX_M = 0.75
"""Around a wider arc the wire stays curved: two bends would lie more than 6 cm off it."""

_APEX_MAX_DEG = 150.0
"""Up to this turn the two sides of a corner have a usable meeting point."""

_PARALLEL_SINE = 0.1
"""Two sides that converge by less than this have no meeting point worth using."""

_VERTEX_GAP_M = 0.012
"""Least distance between two vertices of the wire."""


def ring_with_cut_corners(
    ring: FloatArray, *, limit: BaseGeometry, roomy: BaseGeometry, radius_m: float, cut_m: float
) -> FloatArray:
    """Return a ring whose rounded corners are laid as few equal bends.

    A corner is a run of vertices that bend to one side as tightly as a small arc. It is replaced by the polygon
    drawn around that arc, with as few bends as 45 degrees each allow; the arc of a corner of the ground is first
    widened where both sides are long enough for `cut_m`.

    Parameters
    ----------
    ring
        Closed ring with the ground on its left, shape (n, 2) [m].
    limit
        Area that the new vertices may not leave (prepared).
    roomy
        Ground wide enough that a corner pointing into it may be drawn a few centimetres further in (prepared).
    radius_m
        Radius to which corners of the ground are rounded in `ring` [m].
    cut_m
        Cut along each side of a square corner [m].

    Returns
    -------
    ndarray
        Closed ring, shape (m, 2) [m].
    """
    ring = _without_near_vertices(ring)
    bends = bends_deg(ring)[:-1]
    lengths = segment_lengths_m(ring)
    corners = _corner_runs(bends, lengths)
    taken = [(first, count, _cut(ring, bends, first, count, radius_m, cut_m)) for first, count in corners]
    usable = [_Cut(first, count, new) for first, count, new in taken if new is not None]
    fitting = _which_fit(ring, bends, usable, limit, roomy)
    kept = {cut.first: (cut.replaced, cut.new) for cut, fits in zip(usable, fitting, strict=True) if fits}
    return _without_near_vertices(_gently_replaced(ring, kept))


def _corner_runs(bends: FloatArray, lengths: FloatArray) -> list[tuple[int, int]]:
    """First vertex and number of vertices of each corner of a ring; a ring that is one corner has none."""
    count = len(bends)
    ahead = np.roll(np.arange(count), -1)
    same = (np.sign(bends) == np.sign(bends[ahead])) & (np.minimum(np.abs(bends), np.abs(bends[ahead])) > _BEND_MIN_DEG)
    turn = np.radians(np.abs(bends) + np.abs(bends[ahead])) / 2
    linked = same & (lengths <= _CORNER_RADIUS_MAX_M * turn)
    if linked.all():
        return []
    starts: IntArray = np.flatnonzero(~linked[ahead - 2]) if count > 1 else np.zeros(1, dtype=np.int64)
    runs = []
    for first in starts:
        size = 1
        while linked[(first + size - 1) % count]:
            size += 1
        if size > 1 or abs(bends[first]) > BEND_MAX_DEG:
            runs.append((int(first), size))
    return runs


def _cut(
    ring: FloatArray, bends: FloatArray, first: int, count: int, radius_m: float, cut_m: float
) -> FloatArray | None:
    """Vertices that replace a corner, or None where its sides don't allow any."""
    n = len(bends)
    turn = float(bends[np.arange(first, first + count) % n].sum())
    start, a = ring[(first - 1) % n], ring[first]
    b, end = ring[(first + count - 1) % n], ring[(first + count) % n]
    heading = atan2(a[1] - start[1], a[0] - start[0])
    if abs(turn) > _APEX_MAX_DEG:
        if turn < 0 or count < 3:
            return None
        inner = ring[np.arange(first, first + count) % n]
        centre, radius = _tip_circle(np.concatenate([[start], inner, [end]]), radius_m)
        return _polygon_around(centre, heading, turn, radius)
    return _cut_at_apex(tuple(map(complex, *np.array([start, a, b, end]).T)), heading, turn, radius_m, cut_m)


def _cut_at_apex(
    corner: tuple[complex, ...], heading: float, turn: float, radius_m: float, cut_m: float
) -> FloatArray | None:
    """Vertices that replace a corner whose two sides meet; None where they don't.

    A corner is the vertex before it, its first and last, and the one behind it: x + iy, as it is looked at vertex by
    vertex, for which arrays are slow.
    """
    start, a, b, end = corner
    apex = _meeting_point(a, a - start, b, end - b)
    if apex is None:
        return None
    half = tan(radians(abs(turn)) / 2)
    own = (abs(apex - a) + abs(apex - b)) / 2 / half
    radius = own
    if turn < 0 and own > _REFLEX_RADIUS_MAX_M:
        return None
    if turn > 0:
        wanted = cut_m / (tan(pi / 4) - tan(pi / 8))
        room = min(abs(apex - start), abs(end - apex)) * 0.48 / half
        radius = max(min(wanted, room), min(own, radius_m))
    ahead = (a - start) / abs(a - start)
    centre = apex - ahead * radius * half + (1j if turn > 0 else -1j) * ahead * radius
    return _polygon_around(np.array([centre.real, centre.imag]), heading, turn, radius)


def _tip_circle(line: FloatArray, radius: float) -> tuple[FloatArray, float]:
    """Centre and radius of the circle that touches the first and last segment of a line turning left by a half turn.

    Where the two converge it has the radius given; where they are parallel it fits between them.
    """
    step = np.diff(line, axis=0)
    step /= np.hypot(step[:, 0], step[:, 1])[:, None]
    left = np.column_stack([-step[:, 1], step[:, 0]])
    sides = left[[0, -1]]
    if abs(np.linalg.det(sides)) > _PARALLEL_SINE:
        offsets = np.array([sides[0] @ line[0], sides[1] @ line[-1]])
        centre: FloatArray = np.linalg.solve(sides, offsets + radius).astype(np.float64)
        return centre, radius
    width = float(sides[0] @ (line[-1] - line[0]))
    # Along the sides, the circle reaches as far as the line does.
    along = step[0]
    far = float((line[1:-1] @ along).max()) - width / 2
    return along * far + sides[0] * (sides[0] @ line[0] + width / 2), width / 2


def _polygon_around(centre: FloatArray, heading: float, turn_deg: float, radius: float) -> FloatArray:
    """Vertices of the line that touches an arc with equal bends, the arc beginning at a heading [radians]."""
    bends = max(1, ceil(abs(turn_deg) / BEND_MAX_DEG))
    # Seen from the centre, the arc's first point lies to the right of a left turn's heading.
    begin = heading - copysign(pi / 2, turn_deg)
    outer = radius / cos(radians(abs(turn_deg)) / (2 * bends))
    at = [begin + radians(turn_deg) * (2 * bend + 1) / (2 * bends) for bend in range(bends)]
    vertices: FloatArray = centre + outer * np.array([[cos(angle), sin(angle)] for angle in at])
    return vertices


def _meeting_point(a: complex, along_a: complex, b: complex, along_b: complex) -> complex | None:
    """Where the line through a meets that through b, ahead of a and behind b; None when it doesn't."""
    cross = (along_a.conjugate() * along_b).imag
    if abs(cross) < 1e-9 * abs(along_a) * abs(along_b):
        return None
    away = b - a
    t = (away.conjugate() * along_b).imag / cross
    s = (away.conjugate() * along_a).imag / cross
    return None if t < -1e-9 or s > 1e-9 else a + t * along_a


class _Cut(NamedTuple):
    """New vertices for a corner: its first vertex and number of vertices, and what replaces them."""

    first: int
    replaced: int
    new: FloatArray


def _which_fit(
    ring: FloatArray, bends: FloatArray, cuts: list[_Cut], limit: BaseGeometry, roomy: BaseGeometry
) -> NDArray[np.bool_]:
    """Which cuts bend gently, have their vertices apart, point forward along both sides and stay within their area."""
    if not cuts:
        return np.zeros(0, dtype=bool)
    n = len(ring) - 1
    first = np.array([cut.first for cut in cuts])
    last = (first + np.array([cut.replaced for cut in cuts]) - 1) % n
    fits = _are_gentle(_lines(ring[(first - 1) % n], cuts, ring[(last + 1) % n]))
    outward = bends[first] > 0
    for area, own in ((limit, fits & outward), (roomy, fits & ~outward)):
        index = np.flatnonzero(own)
        if len(index):
            lines = _lines(ring[first[index]], [cuts[at] for at in index], ring[last[index]])
            number = np.repeat(np.arange(len(index)), [len(line) for line in lines])
            fits[index] = shapely.covers(area, shapely.linestrings(np.concatenate(lines), indices=number))
    return fits


def _lines(before: FloatArray, cuts: Sequence[_Cut], after: FloatArray) -> list[FloatArray]:
    """The vertices of each cut between two others."""
    return [np.concatenate([a[None, :], cut.new, b[None, :]]) for a, cut, b in zip(before, cuts, after, strict=True)]


def _are_gentle(lines: Sequence[FloatArray]) -> NDArray[np.bool_]:
    """Which lines have their vertices apart and bend gently, at their ends as well where they are closed."""
    size = np.array([len(line) for line in lines])
    begin = np.concatenate([[0], np.cumsum(size)[:-1]])
    step = np.diff(np.concatenate(lines), axis=0)
    # One step in each line's last place leads over to the next line.
    length = np.append(np.hypot(step[:, 0], step[:, 1]), np.inf)
    length[begin[1:] - 1] = np.inf
    apart = np.minimum.reduceat(length, begin) >= _VERTEX_GAP_M
    cross = step[:-1, 0] * step[1:, 1] - step[:-1, 1] * step[1:, 0]
    bend = np.zeros(len(length))
    bend[1:-1] = np.abs(np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", step[:-1], step[1:]))))
    bend[begin] = bend[begin[1:] - 1] = 0.0
    gentle = np.maximum.reduceat(bend, begin) <= BEND_MAX_DEG + 1.0
    for index in np.flatnonzero(apart & gentle & np.array([np.array_equal(line[0], line[-1]) for line in lines])):
        gentle[index] = np.abs(bends_deg(lines[int(index)])).max() <= BEND_MAX_DEG + 1.0
    found: NDArray[np.bool_] = apart & gentle
    return found


def _gently_replaced(ring: FloatArray, kept: dict[int, tuple[int, FloatArray]]) -> FloatArray:
    """The ring with corners exchanged, but for those that would bend too sharply next to an exchanged neighbour."""
    while True:
        line, corner = _replaced(ring, kept)
        sharp = np.flatnonzero(np.abs(bends_deg(line)[:-1]) > BEND_MAX_DEG + 1.0)
        near = (sharp[:, None] + np.array([-1, 0, 1])) % len(corner)
        guilty = set(corner[near].ravel().tolist()) - {-1}
        if not guilty:
            return line
        kept = {first: new for first, new in kept.items() if first not in guilty}


def _replaced(ring: FloatArray, kept: dict[int, tuple[int, FloatArray]]) -> tuple[FloatArray, IntArray]:
    """The ring with runs of vertices exchanged, and which run each vertex is of, -1 for none.

    A run may pass over the closing vertex.
    """
    n = len(ring) - 1
    gone = np.zeros(n, dtype=bool)
    for first, (count, _) in kept.items():
        gone[np.arange(first, first + count) % n] = True
    pieces: list[FloatArray] = []
    owners: list[IntArray] = []
    for index in range(n):
        if index in kept:
            pieces.append(kept[index][1])
            owners.append(np.full(len(kept[index][1]), index))
        elif not gone[index]:
            pieces.append(ring[index : index + 1])
            owners.append(np.array([-1]))
    line = np.concatenate(pieces)
    return np.concatenate([line, line[:1]]), np.concatenate(owners)


def _without_near_vertices(ring: FloatArray) -> FloatArray:
    """Drop vertices that hardly bend, and the weaker of two that lie within a centimetre of each other."""
    while len(ring) > 5:
        bends = np.abs(bends_deg(ring)[:-1])
        lengths = segment_lengths_m(ring)
        n = len(lengths)
        near = lengths < _VERTEX_GAP_M
        weaker = np.where(bends < np.roll(bends, -1), np.arange(n), np.roll(np.arange(n), -1))
        drop = bends < degrees(1e-3)
        drop[weaker[near]] = True
        # Never two neighbours at once, as each may be dropped because of the other.
        drop &= ~(np.roll(drop, 1) & (np.arange(n) % 2 == 1)) & ~(np.roll(drop, -1) & (np.arange(n) % 2 == 1))
        if not drop.any() or n - drop.sum() < 4:
            break
        line = ring[:-1][~drop]
        ring = np.concatenate([line, line[:1]])
    return ring
