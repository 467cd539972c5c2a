"""A lawn too large for one mower, divided among several: at links first, else by short straight cuts.

What one mower can do is for the caller to say: how much work a part is, and whether it can be done. Here parts are
found that hang together, are about as much work for each, and have short borders.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from math import inf

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import ParameterError
from lawngis.geometry.chords import beside_chords
from lawngis.geometry.polygons import oriented, polygon_parts

DIRECTIONS = 8
"""Directions of cuts, from that of the longest side of the smallest box around a piece, and from north."""

CUT_EVERY_M = 2.0
CUTS_PER_DIRECTION = 32
"""Distance between the cuts of one direction that are tried, and their number at most."""

BALANCE = 0.15
"""Parts are as much work as their share of the mowers says, or off by this share of it."""

OUTLINE_M = 0.2
"""Cuts are compared on an outline simplified by this [m]."""

SHORTER_M = 4 * OUTLINE_M
"""So much shorter a cut may be on the outline itself [m]."""

BEYOND_M = 0.02
"""A cut goes this far beyond the outline, so that it meets it [m]."""

BEAM = {2: 32, 3: 16, 4: 8}
"""So many of the best first cuts are followed by the number of parts; of more parts the best alone."""

COMPARED_MAX = 12
"""Up to so many parts one more is tried only when no division into fewer serves."""

Judge = Callable[["LinkedGround"], float | None]


@dataclass(frozen=True, eq=False)
class Piece:
    """A zone, or what cuts left of one; `work` is what a square metre of it takes."""

    zone: int
    outline: Polygon
    work: float

    @property
    def load(self) -> float:
        """What all of it takes."""
        return self.work * float(self.outline.area)


@dataclass(frozen=True, eq=False)
class PieceLink:
    """By which the mower gets from one piece to another: its number, both pieces by their place, and where it ends."""

    link: int
    pieces: tuple[int, int]
    ends: tuple[Point, Point]


@dataclass(frozen=True, eq=False)
class LinkedGround:
    """Pieces between which a mower drives by itself; links form a tree."""

    pieces: tuple[Piece, ...]
    links: tuple[PieceLink, ...] = ()

    @cached_property
    def load(self) -> float:
        """What all of it takes."""
        return sum(piece.load for piece in self.pieces)

    def part(self, members: set[int]) -> LinkedGround:
        """Return some of the pieces with the links between them."""
        kept = sorted(members)
        place = {old: new for new, old in enumerate(kept)}
        links = [
            replace(link, pieces=(place[link.pieces[0]], place[link.pieces[1]]))
            for link in self.links
            if set(link.pieces) <= members
        ]
        return LinkedGround(tuple(self.pieces[index] for index in kept), tuple(links))

    def reached_from(self, first: int, *, without: PieceLink | None = None) -> set[int]:
        """Return the pieces to which links lead from one, itself included."""
        reached, new = set[int](), {first}
        while new:
            reached |= new
            ways = [set(link.pieces) for link in self.links if link is not without and set(link.pieces) & new]
            new = set[int]().union(*ways) - reached
        return reached


@dataclass(frozen=True, eq=False)
class Split:
    """Ground in two parts, and the cut between them; no cut where they hung together by a link alone."""

    one: LinkedGround
    other: LinkedGround
    cut: BaseGeometry | None = None


@dataclass(frozen=True, eq=False)
class Division:
    """Parts of a ground, what dividing it costs, and the length of all cuts [m]."""

    parts: tuple[LinkedGround, ...]
    cost: float
    border_m: float


@dataclass(frozen=True)
class CutRules:
    """How a ground may be cut.

    Parameters
    ----------
    load_max
        Work that one mower can do.
    narrow_m
        Ground narrower than this isn't mown: no part may hang together by less [m].
    keep_off
        What no cut may touch: things that stand there, and the mouths of links.
    price_per_m
        Of a border between two parts.
    """

    load_max: float
    narrow_m: float
    keep_off: BaseGeometry
    price_per_m: float


def division(ground: LinkedGround, least: int, most: int, judge: Judge, rules: CutRules) -> Division | None:
    """Return ground divided into as few parts as serve, the cheapest division that was found; None where none serves.

    Parameters
    ----------
    ground
        What is to be divided.
    least, most
        Number of parts to begin with, and parts at most.
    judge
        What a part costs beside its borders; None where no mower can do it.
    rules
        How the ground may be cut.

    Raises
    ------
    ParameterError
        When fewer than two parts are asked for.

    Notes
    -----
    The ground is parted in two again and again: at a link where both sides are work for whole mowers, else along a
    straight cut that leaves each side its share to :data:`BALANCE`, the shortest first. Of few parts several first
    cuts are followed (:data:`BEAM`); of many the first, until :data:`FEW` are left.
    """
    if least < 2:
        raise ParameterError(f"a ground is divided into two parts or more, not {least}")
    for count in range(least, min(COMPARED_MAX, most) + 1):
        found = _divided(ground, count, judge, rules)
        if found is not None:
            return found
    grown = _grown(ground, max(least, 2), judge, rules) if most > COMPARED_MAX else None
    return grown if grown is not None and len(grown.parts) <= most else None


def link_splits(ground: LinkedGround) -> Iterator[Split]:
    """Yield ground parted at each of its links."""
    for link in ground.links:
        members = ground.reached_from(link.pieces[0], without=link)
        yield Split(ground.part(members), ground.part(set(range(len(ground.pieces))) - members))


def cut_splits(ground: LinkedGround, counts: tuple[int, int], rules: CutRules) -> Iterator[Split]:
    """Yield ground parted by a straight cut through one of its pieces: first the best of each direction.

    The best are short and leave each part its fair share.

    Parameters
    ----------
    ground
        What is to be parted.
    counts
        How many mowers each part is for: its share of the work.
    rules
        How it may be cut.

    Yields
    ------
    Split
        Both parts hang together, at least as wide as the rules say.
    """
    for cut in _ranked_cuts(ground, counts, rules):
        split = _cut_split(ground, cut, counts, rules)
        if split is not None:
            yield split


def halves(piece: Polygon, cut: LineString) -> tuple[Polygon, Polygon] | None:
    """Return a polygon in two along a line; None where that leaves another number of parts.

    Both have the same vertices along the cut.
    """
    noded = shapely.union(shapely.boundary(piece), cut)
    faces = np.asarray(shapely.get_parts(shapely.polygonize([noded])), dtype=object)
    inside = faces[shapely.contains(piece, shapely.point_on_surface(faces))] if len(faces) else faces
    return (oriented(inside[0]), oriented(inside[1])) if len(inside) == 2 else None


def with_common_vertices(pieces: Sequence[Polygon], grid_m: float) -> list[Polygon]:
    """Return pieces that border on one another with the same vertices along their borders, on a grid.

    Where three meet, the one that goes straight on has no vertex of its own; on a grid it would overlap the others.

    Parameters
    ----------
    pieces
        What :func:`division` gives [m].
    grid_m
        Size of the grid's cells [m].
    """
    noded = shapely.union_all(shapely.boundary(list(pieces)), grid_size=grid_m)
    faces = np.asarray(shapely.get_parts(shapely.polygonize([noded])), dtype=object)
    piece, face = shapely.STRtree(faces).query(list(pieces), predicate="intersects")
    shared = shapely.area(shapely.intersection(np.asarray(pieces, dtype=object)[piece], faces[face]))
    own = shared > shapely.area(faces[face]) / 2
    whole = [shapely.union_all(faces[face[own & (piece == number)]], grid_size=grid_m) for number in range(len(pieces))]
    return [max(polygon_parts(part), key=lambda part: float(part.area)) for part in whole]


# --- search ----------------------------------------------------------------------------------------------


def _divided(ground: LinkedGround, count: int, judge: Judge, rules: CutRules, *, below: float = inf) -> Division | None:
    """Return the cheapest division into so many parts that was found and costs less than a limit; None without one."""
    if count == 1:
        cost = judge(ground)
        return None if cost is None or cost >= below else Division((ground,), cost, 0.0)
    if ground.load > count * rules.load_max:
        return None
    best: Division | None = None
    for split, counts in _link_counts(ground, count, rules):
        best = _both(split, counts, judge, rules, below=inf if best is None else best.cost) or best
    if best is not None:
        return best
    counts = (count // 2, count - count // 2)
    tries = 0
    for cut in _ranked_cuts(ground, counts, rules):
        if tries == BEAM.get(count, 1):
            break
        too_dear = (cut.length_m - SHORTER_M) * rules.price_per_m >= below
        parted = None if too_dear else _cut_split(ground, cut, counts, rules)
        tries += too_dear or parted is not None
        if parted is not None:
            best = _both(parted, counts, judge, rules, below=below) or best
            below = below if best is None else best.cost
    return best


def _link_counts(ground: LinkedGround, count: int, rules: CutRules) -> Iterator[tuple[Split, tuple[int, int]]]:
    """Yield ground parted at links, and how many mowers each side takes, where that is as many as there are."""
    for split in link_splits(ground):
        for one in range(1, count):
            if split.one.load <= one * rules.load_max and split.other.load <= (count - one) * rules.load_max:
                yield split, (one, count - one)


def _both(
    split: Split, counts: tuple[int, int], judge: Judge, rules: CutRules, *, below: float = inf
) -> Division | None:
    left = below - rules.price_per_m * _cut_m(split)
    one = _divided(split.one, counts[0], judge, rules, below=left)
    other = None if one is None else _divided(split.other, counts[1], judge, rules, below=left - one.cost)
    return None if one is None or other is None else _joined(split, one, other, rules)


def _joined(split: Split, one: Division, other: Division, rules: CutRules) -> Division:
    cut_m = _cut_m(split)
    cost = one.cost + other.cost + rules.price_per_m * cut_m
    return Division((*one.parts, *other.parts), cost, one.border_m + other.border_m + cut_m)


def _cut_m(split: Split) -> float:
    return 0.0 if split.cut is None else float(split.cut.length)


def _grown(ground: LinkedGround, count: int, judge: Judge, rules: CutRules) -> Division | None:
    """Return ground divided into about so many parts; where so few don't serve, into one more."""
    if count <= FEW:
        found = _divided(ground, count, judge, rules) or _divided(ground, count + 1, judge, rules)
        if found is not None:
            return found
        count += 1
    first = next(_link_counts(ground, count, rules), None)
    counts = (count // 2, count - count // 2)
    if first is None:
        split = next(cut_splits(ground, counts, replace(rules, load_max=inf)), None)
    else:
        split, counts = first
    if split is None or min(split.one.load, split.other.load) <= SMALLEST_SHARE * rules.load_max:
        return None
    one = _grown(split.one, counts[0], judge, rules)
    other = None if one is None else _grown(split.other, counts[1], judge, rules)
    return None if one is None or other is None else _joined(split, one, other, rules)


FEW = 4
"""Of many parts, so few at a time are compared."""

SMALLEST_SHARE = 0.05
"""A part that is less than this share of a mower's work isn't parted off: more mowers don't help there."""


# --- cuts ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Cut:
    """A cut through a piece, by its place: its direction and distance from the middle, and the work on both sides."""

    piece: int
    line: LineString
    angle: float
    away_m: float
    loads: tuple[float, float]
    length_m: float = np.nan


def _ranked_cuts(ground: LinkedGround, counts: tuple[int, int], rules: CutRules) -> list[_Cut]:
    """Return cuts in the order in which they are tried: first the best of each direction."""
    shapely.prepare(rules.keep_off)
    of_direction: Counter[tuple[int, float]] = Counter()
    turns = []
    for rank, cut in sorted(_cuts(ground, counts, rules), key=lambda ranked: ranked[0]):
        turns.append((of_direction[cut.piece, cut.angle], rank, cut))
        of_direction[cut.piece, cut.angle] += 1
    return [cut for *_, cut in sorted(turns, key=lambda turn: turn[:2])]


def _cuts(ground: LinkedGround, counts: tuple[int, int], rules: CutRules) -> Iterator[tuple[float, _Cut]]:
    """Yield cuts through pieces that leave each side its share of the work, with the order in which they are tried."""
    for index, piece in enumerate(ground.pieces):
        outline = piece.outline.simplify(OUTLINE_M)
        if not isinstance(outline, Polygon) or outline.is_empty:
            outline = piece.outline
        tried = _tried(ground, index, outline, _grid(outline), rules)
        shares = [count / sum(counts) * ground.load for count in counts]
        tried += _tried(ground, index, outline, _between(tried, shares), rules)
        off = [min(_off_share(pair, counts, rules) for pair in (cut.loads, cut.loads[::-1])) for cut in tried]
        fair = [(cut, of_cut) for cut, of_cut in zip(tried, off, strict=True) if of_cut <= BALANCE]
        lengths_m = shapely.length(shapely.intersection([cut.line for cut, _ in fair], outline)).tolist()
        for (cut, of_cut), length_m in zip(fair, lengths_m, strict=True):
            yield length_m * (1 + of_cut), replace(cut, length_m=length_m)


def _grid(outline: Polygon) -> FloatArray:
    """Return directions and distances from the middle of cuts through an outline, shape (n, 2) [rad, m]."""
    box = shapely.get_coordinates(shapely.oriented_envelope(outline))
    sides = np.diff(box, axis=0)
    longest = sides[int(np.argmax(np.hypot(*sides.T)))]
    turns = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    every = np.round(np.concatenate([turns, turns + np.arctan2(longest[1], longest[0])]) % np.pi, 3)
    found = []
    for angle in np.unique(every % round(np.pi, 3)):
        off = (shapely.get_coordinates(outline) - _middle(outline)) @ [-np.sin(angle), np.cos(angle)]
        steps = int(np.clip((off.max() - off.min()) // CUT_EVERY_M, 4, CUTS_PER_DIRECTION))
        away = np.linspace(off.min(), off.max(), steps + 2)[1:-1]
        found.append(np.column_stack([np.full(len(away), angle), away]))
    return np.concatenate(found)


def _between(tried: Sequence[_Cut], shares: Sequence[float]) -> FloatArray:
    """Return cuts between neighbours that leave less and more than a share on the left, shape (n, 2) [rad, m]."""
    found = [
        (one.angle, one.away_m + (share - one.loads[0]) / (two.loads[0] - one.loads[0]) * (two.away_m - one.away_m))
        for one, two in pairwise(tried)
        for share in shares
        if one.angle == two.angle and (one.loads[0] - share) * (two.loads[0] - share) < 0
    ]
    return np.array(found).reshape(-1, 2)


def _middle(outline: Polygon) -> FloatArray:
    low_x, low_y, high_x, high_y = outline.bounds
    return np.array([(low_x + high_x) / 2, (low_y + high_y) / 2])


def _tried(ground: LinkedGround, index: int, outline: Polygon, places: FloatArray, rules: CutRules) -> list[_Cut]:
    """Return cuts through a piece's outline at directions and distances, those that leave two parts."""
    if not len(places):
        return []
    chords, of = _chords(Polygon(outline.exterior), _middle(outline), places)
    lines = _beyond(chords)
    free = ~shapely.intersects(rules.keep_off, lines)
    chords, lines, of = chords[free], lines[free], of[free]
    branches = _branches(ground, index)
    left_m2, is_left = beside_chords(outline, chords, [end for end, _ in branches])
    work, beyond = ground.pieces[index].work, np.array([load for _, load in branches])
    left = work * left_m2 + is_left @ beyond
    right = work * (outline.area - left_m2) + ~is_left @ beyond
    columns = (lines, *places[of].T.tolist(), zip(left.tolist(), right.tolist(), strict=True))
    return [_Cut(index, *cut) for cut in zip(*columns, strict=True)]


def _off_share(loads: Sequence[float], counts: tuple[int, int], rules: CutRules) -> float:
    """Return how far the work of two parts is from their shares, as a share of these; inf where it is too much."""
    if any(load > count * rules.load_max for load, count in zip(loads, counts, strict=True)):
        return np.inf
    whole = sum(loads) / sum(counts)
    return max(abs(load / (count * whole) - 1) for load, count in zip(loads, counts, strict=True))


def _branches(ground: LinkedGround, index: int) -> list[tuple[Point, float]]:
    """Return what hangs on a piece: where each link begins, and the work that lies beyond."""
    found = []
    for link in ground.links:
        if index in link.pieces:
            side = link.pieces.index(index)
            beyond = ground.reached_from(link.pieces[1 - side], without=link)
            found.append((link.ends[side], sum(ground.pieces[other].load for other in beyond)))
    return found


def _chords(filled: Polygon, middle: FloatArray, places: FloatArray) -> tuple[FloatArray, IntArray]:
    """Return straight lines from edge to edge of a polygon without holes, shape (n, 2, 2), and the place of each."""
    reach = float(np.hypot(*(np.array(filled.bounds[2:]) - filled.bounds[:2])))
    angle, away_m = places.T
    along, across = np.column_stack([np.cos(angle), np.sin(angle)]), np.column_stack([-np.sin(angle), np.cos(angle)])
    at = middle + away_m[:, None] * across
    lines = shapely.linestrings(np.stack([at - reach * along, at + reach * along], axis=1))
    chords, of = shapely.get_parts(shapely.intersection(lines, filled), return_index=True)
    long = (shapely.get_type_id(chords) == 1) & (shapely.length(chords) > 2 * BEYOND_M)
    ends = shapely.get_coordinates(chords[long])
    return ends.reshape(-1, 2, 2), of[long]


def _beyond(chords: FloatArray) -> NDArray[np.object_]:
    """Return chords that go a little beyond the edges, so that they meet them."""
    way = chords[:, 1] - chords[:, 0]
    way = BEYOND_M * way / np.hypot(*way.T)[:, None]
    return np.asarray(shapely.linestrings(np.stack([chords[:, 0] - way, chords[:, 1] + way], axis=1)), dtype=object)


def _cut_split(ground: LinkedGround, cut: _Cut, counts: tuple[int, int], rules: CutRules) -> Split | None:
    piece = ground.pieces[cut.piece]
    line = _through(piece.outline, cut.line)
    sides = None if line is None else halves(piece.outline, line)
    if line is None or sides is None or not all(_hangs_together(side, rules.narrow_m) for side in sides):
        return None
    number = len(ground.pieces)
    pieces = list(ground.pieces)
    pieces[cut.piece] = replace(piece, outline=sides[0])
    pieces.append(replace(piece, outline=sides[1]))
    links = []
    for link in ground.links:
        ends = list(link.pieces)
        if cut.piece in ends:
            side = ends.index(cut.piece)
            if sides[1].distance(link.ends[side]) < sides[0].distance(link.ends[side]):
                ends[side] = number
        links.append(replace(link, pieces=(ends[0], ends[1])))
    whole = LinkedGround(tuple(pieces), tuple(links))
    one, other = whole.part(whole.reached_from(cut.piece)), whole.part(whole.reached_from(number))
    one, other = min(((one, other), (other, one)), key=lambda pair: _off_share([x.load for x in pair], counts, rules))
    return Split(one, other, shapely.intersection(line, piece.outline))


def _through(piece: Polygon, line: LineString) -> LineString | None:
    """Return the cut through a piece itself that was found through its simplified outline."""
    ends = shapely.get_coordinates(line)
    way = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    longer = LineString([ends[0] - OUTLINE_M * way, ends[1] + OUTLINE_M * way])
    chords = shapely.get_parts(shapely.intersection(longer, Polygon(piece.exterior)))
    chords = chords[shapely.get_type_id(chords) == 1]
    if not len(chords):
        return None
    ends = shapely.get_coordinates(max(chords, key=lambda chord: float(chord.length)))
    return LineString([ends[0] - BEYOND_M * way, ends[-1] + BEYOND_M * way])


def _hangs_together(side: Polygon, narrow_m: float) -> bool:
    core = side.buffer(-narrow_m / 2)
    return isinstance(core, Polygon) and not core.is_empty
