"""Whether wire that was laid keeps the rules that every loop obeys: it is measured anew, whatever laid it intended.

Leads are cut out first, so that a loop is a set of closed rings: the outer one, one round each island, one round each
ground apart. What is measured is the wire as it lies; nothing is taken from how it was made but the kind of each run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from lawngis.arrays import FloatArray, IntArray
from lawngis.geometry.lines import bends_deg, chainage_m, segment_lengths_m, winding_number
from lawngis.wire.loop import Loop, Run, Stretch

COINCIDE_M = 0.001
"""Wires that ought to meet, or to lie side by side, may be this far apart."""

NEAR_WIRE_M = 0.05
"""Nearer to the wire nobody asks on which side a place is."""

_SPECK_M2 = 0.002
"""Less ground than this is too little for a mower to notice on which side of the wire it lies."""

SETBACK_SHORT_M = 0.02
"""A setback may be short by this."""

BEND_MAX_DEG = 50.5
"""Sharpest bend of wire that is no lead: 50 degrees, and half of one for rounding."""

GAP_SHORT_M = 0.005
"""Wire may be nearer to other wire than the least gap by this."""

_SAME_BEND_M = 0.005
"""Two bends closer than this are one: a corner is not cut by splitting its vertex in two."""

_LOOKED_AT_M = 0.1
"""Setbacks are measured this often along the wire, and at all of its vertices."""

_LEAD_END_M = 0.002
"""At its ends a lead rightly meets other wire."""

_STEEPEST = 1.5
"""Wire along the ground is at most so much longer than in plan."""

_ROUNDING_M = 0.01
_PIECES_PER_GAP = 6
_NEIGHBOUR_GAPS = 2.0
"""Two places of one ring are neighbours up to this many gaps along it: more than half a turn of the tightest bend that
keeps the gap, which is pi / 2 of them."""

_HALVED_TURN_DEG = 120.0


FAULTS: Mapping[str, tuple[str, ...]] = {
    "no_wire": (),
    "open": ("gap_m",),
    "chainage_count": ("values", "vertices"),
    "chainage_length": ("chainage_m", "plan_m"),
    "turns": ("area_m2", "turns"),
    "strange_ground": ("area_m2",),
    "left_out": ("area_m2",),
    "setback": ("kept_m", "setback_m"),
    "bend": ("bend_deg",),
    "lead_never_out": (),
    "lead_never_back": (),
    "lead_apart": ("gap_m",),
    "lead_other_island": (),
    "island_without_lead": (),
    "lead_to_nothing": (),
    "island_off_lead": (),
    "island_leads": ("leads",),
    "lead_crosses_lead": (),
    "lead_crosses_wire": (),
    "close": ("gap_m", "gap_min_m"),
}
"""What can be wrong with wire, and the values that say by how much [m, m², degrees, counts].

By rule: 1 no wire, open, or its chainage doesn't fit it; 2 turns round ground other than once, encloses ground that is
none of its own, or leaves out ground of its own; 3 nearer to an edge than its setback; 4 bent too sharply; 5 a lead or
island of wire isn't there and back; 6 too close to other wire.
"""


@dataclass(frozen=True)
class Breach:
    """One place where laid wire does not keep a rule.

    Attributes
    ----------
    rule
        1 closed, 2 sense and what is enclosed, 3 setback, 4 bends, 5 leads, 6 distance between wires.
    xy
        Where, shape (2,) [m].
    fault
        What is wrong there: one of :data:`FAULTS`.
    values
        By how much, under the names that :data:`FAULTS` has for it.
    """

    rule: int
    xy: FloatArray
    fault: str
    values: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Asked:
    """What a loop is held against.

    Attributes
    ----------
    ground
        Ground that the wire may enclose: its zones, and what it passes over.
    deep
        Ground that it must enclose, from `deep_ground`.
    stretches
        Edges with their setbacks.
    gap_min_m, passage_gap_m
        Least distance between stretches of wire that are no neighbours, and between the two of a passage [m].
    """

    ground: BaseGeometry
    deep: Sequence[BaseGeometry]
    stretches: Sequence[Stretch]
    gap_min_m: float
    passage_gap_m: float


def deep_ground(zone: BaseGeometry, setback_m: float, gap_min_m: float) -> BaseGeometry:
    """Return the part of a zone that no setback, nor the least width of enclosed ground, can cut off.

    Parameters
    ----------
    zone
        Mown ground [m].
    setback_m
        Largest of its edges [m].
    gap_min_m
        Least distance between wires [m].
    """
    return shapely.buffer(zone, -(setback_m + gap_min_m + NEAR_WIRE_M))


def breaches(laid: Loop, asked: Asked, chainage: FloatArray | None = None) -> list[Breach]:
    """Return where a loop does not keep the rules that concern it alone: 1 to 5.

    Parameters
    ----------
    laid
        From `laid_loop`, or taken from elsewhere.
    asked
        What it is held against.
    chainage
        Chainage on the ground of each of its vertices, shape (n,) [m]; None leaves it out.

    Returns
    -------
    list of Breach
        By rule; empty for sound wire. A loop that is not closed is measured no further.

    See Also
    --------
    close_wire : rule 6, for all loops together.
    """
    open_ends = list(_open_ends(laid, chainage))
    if any(breach.rule == 1 for breach in open_ends):
        return open_ends
    apart = _taken_apart(laid.runs)
    return [
        *_strange_ground(laid, asked),
        *_short_setbacks(laid, asked.stretches),
        *_sharp_bends(apart.rings),
        *apart.problems,
        *_broken_leads(apart),
    ]


# Rule 1 --------------------------------------------------------------------------------------------------------------


def _open_ends(laid: Loop, chainage: FloatArray | None) -> Iterator[Breach]:
    runs = laid.runs
    if not runs:
        yield Breach(1, np.full(2, np.nan), "no_wire")
        return
    for before, after in pairwise((*runs, runs[0])):
        apart = float(np.hypot(*(after.xy[0] - before.xy[-1])))
        if not apart <= COINCIDE_M:
            yield Breach(1, after.xy[0], "open", {"gap_m": apart})
    if chainage is None:
        return
    xy = laid.xy
    if len(chainage) != len(xy) or chainage[0] != 0.0:
        yield Breach(1, xy[0], "chainage_count", {"values": len(chainage), "vertices": len(xy)})
        return
    along, plan = np.diff(chainage), segment_lengths_m(xy)
    wrong = ~((along >= plan - _ROUNDING_M) & (along <= _STEEPEST * plan + _ROUNDING_M))
    if wrong.any():
        at = int(np.argmax(wrong))
        yield Breach(1, xy[at], "chainage_length", {"chainage_m": float(along[at]), "plan_m": float(plan[at])})


# Taking a loop apart -------------------------------------------------------------------------------------------------


class _Ring(NamedTuple):
    """A closed ring of a loop without its leads: its runs in order, and the lead by which it is reached, if any."""

    runs: list[Run]
    lead: Run | None


class _Apart(NamedTuple):
    """A loop as rings, the outer one first, and pairs of leads, out and back."""

    rings: list[_Ring]
    pairs: list[tuple[Run, Run]]
    problems: list[Breach]


def _taken_apart(runs: Sequence[Run]) -> _Apart:
    found = _Apart([_Ring([], None)], [], [])
    way: list[tuple[Run, _Ring]] = []
    for run in runs:
        if run.kind == "lead_out":
            found.rings.append(_Ring([], run))
            way.append((run, found.rings[-1]))
        elif run.kind != "lead_back":
            (way[-1][1] if way else found.rings[0]).runs.append(run)
        elif way:
            found.pairs.append((way.pop()[0], run))
        else:
            found.problems.append(Breach(5, run.xy[0], "lead_never_out"))
    found.problems.extend(Breach(5, out.xy[0], "lead_never_back") for out, _ in way)
    return found


def _ring_xy(runs: Sequence[Run]) -> FloatArray:
    """Vertices of a ring, closed; what its runs share is there once."""
    return np.concatenate([runs[0].xy, *(run.xy[1:] for run in runs[1:])])


# Rule 2 --------------------------------------------------------------------------------------------------------------


def _strange_ground(laid: Loop, asked: Asked) -> Iterator[Breach]:
    """Say where the wire goes round a place the wrong way, encloses strange ground, or leaves out its own."""
    xy = laid.xy
    xy[-1] = xy[0]
    faces = _faces(xy)
    middles = shapely.get_coordinates(shapely.point_on_surface(faces))
    turns = winding_number(xy, middles)
    for number in np.unique(turns[(turns != 0) & (turns != 1)]):
        clear = _clear_of_wire(shapely.union_all(faces[turns == number]), xy)
        if not clear.is_empty:
            yield Breach(2, _place(clear), "turns", {"area_m2": clear.area, "turns": int(number)})
    inside = shapely.union_all(faces[turns == 1])
    passages = [LineString(run.xy) for run in laid.runs if run.kind == "passage"]
    beside = shapely.buffer(shapely.union_all(passages), asked.passage_gap_m + 2 * NEAR_WIRE_M)
    strange = shapely.difference(shapely.difference(inside, asked.ground), beside)
    clear = _clear_of_wire(strange, xy)
    if not clear.is_empty:
        yield Breach(2, _place(clear), "strange_ground", {"area_m2": clear.area})
    for deep in asked.deep:
        outside = _clear_of_wire(shapely.difference(deep, inside), xy)
        if not outside.is_empty:
            yield Breach(2, _place(outside), "left_out", {"area_m2": outside.area})


def _faces(xy: FloatArray) -> NDArray[np.object_]:
    """The pieces into which a closed line that may cross itself parts the plane, but for all that lies outside."""
    noded = shapely.node(LineString(xy))
    faces: NDArray[np.object_] = np.asarray(shapely.get_parts(shapely.polygonize([noded])), dtype=object)
    return faces


def _clear_of_wire(area: BaseGeometry, xy: FloatArray) -> BaseGeometry:
    """What of an area lies further from the wire than anybody asks about."""
    if area.is_empty:
        return area
    # The wire near it alone: most areas that are looked at are films along it.
    box = shapely.buffer(shapely.box(*shapely.bounds(area)), NEAR_WIRE_M, join_style="mitre")
    near = shapely.intersection(LineString(xy), box)
    clear = shapely.difference(area, shapely.buffer(near, NEAR_WIRE_M))
    return shapely.union_all([part for part in shapely.get_parts(clear) if shapely.area(part) > _SPECK_M2])


def _place(area: BaseGeometry) -> FloatArray:
    largest = max(shapely.get_parts(area), key=shapely.area)
    place: FloatArray = shapely.get_coordinates(shapely.point_on_surface(largest))[0]
    return place


# Rule 3 --------------------------------------------------------------------------------------------------------------


def _short_setbacks(laid: Loop, stretches: Sequence[Stretch]) -> Iterator[Breach]:
    """Say where a run along an edge comes nearer to the nearest edge, or to any of its own class, than it may.

    A run that somebody drew keeps what it says of itself.
    """
    runs = [run for run in laid.runs if run.kind in ("edge", "island") and run.setback_m is not None]
    if not runs or not stretches:
        return
    found = [*_short_to_nearest(runs, stretches), *_short_to_own_class(runs, stretches)]
    for number in dict.fromkeys(number for number, _ in found):
        yield max((breach for at, breach in found if at == number), key=lambda pair: pair[0])[1]


Short = tuple[int, tuple[float, Breach]]
"""Number of a run, by how much a setback is short there, and the breach."""


def _short_to_nearest(runs: Sequence[Run], stretches: Sequence[Stretch]) -> Iterator[Short]:
    points, owner = _near_points(runs, stretches)
    if not len(points):
        return
    lines = [stretch.line for stretch in stretches]
    (at, edge), away = shapely.STRtree(lines).query_nearest(shapely.points(points), return_distance=True)
    setbacks = np.array([stretch.setback_m for stretch in stretches])
    drawn = np.array([run.setback_m if run.drawn else np.inf for run in runs], dtype=np.float64)
    # Where two edges are equally near the smaller setback will do.
    wanted = np.full(len(points), np.inf)
    np.minimum.at(wanted, at, np.minimum(setbacks[edge], drawn[owner[at]]))
    kept = np.full(len(points), np.inf)
    np.minimum.at(kept, at, away)
    short = wanted - kept - SETBACK_SHORT_M
    for number in np.unique(owner[short > 0.0]):
        worst = int(np.argmax(np.where(owner == number, short, -np.inf)))
        yield int(number), _short(points[worst], kept[worst], wanted[worst])


def _near_points(runs: Sequence[Run], stretches: Sequence[Stretch]) -> tuple[FloatArray, IntArray]:
    """Points along those sides of runs that come nearer to some edge than its setback, and the run that each is of."""
    ends = np.concatenate([np.stack([run.xy[:-1], run.xy[1:]], axis=1) for run in runs])
    owner = np.repeat(np.arange(len(runs)), [len(run.xy) - 1 for run in runs])
    sides = np.asarray(shapely.linestrings(ends), dtype=object)
    near = np.zeros(len(sides), dtype=np.bool_)
    for setback in {stretch.setback_m for stretch in stretches}:
        if setback > SETBACK_SHORT_M:
            edges = shapely.multilinestrings([item.line for item in stretches if item.setback_m == setback])
            shapely.prepare(edges)
            near |= shapely.dwithin(edges, sides, setback - SETBACK_SHORT_M)
    dense, side = shapely.get_coordinates(shapely.segmentize(sides[near], _LOOKED_AT_M), return_index=True)
    return dense, owner[near][side]


def _short_to_own_class(runs: Sequence[Run], stretches: Sequence[Stretch]) -> Iterator[Short]:
    alike: dict[tuple[str | None, float], list[int]] = {}
    for number, run in enumerate(runs):
        alike.setdefault((run.edge_class, run.setback_m or 0.0), []).append(number)
    for (name, setback), own in alike.items():
        if setback <= SETBACK_SHORT_M:
            continue
        lines = shapely.multilinestrings([stretch.line for stretch in stretches if stretch.edge_class == name])
        shapely.prepare(lines)
        wires = np.asarray([LineString(runs[number].xy) for number in own], dtype=object)
        for at in np.flatnonzero(shapely.dwithin(lines, wires, setback - SETBACK_SHORT_M)):
            way = shapely.shortest_line(wires[at], lines)
            yield own[at], _short(shapely.get_coordinates(way)[0], float(way.length), setback)


def _short(xy: FloatArray, kept_m: float, wanted_m: float) -> tuple[float, Breach]:
    return wanted_m - kept_m, Breach(3, xy, "setback", {"kept_m": float(kept_m), "setback_m": float(wanted_m)})


# Rule 4 --------------------------------------------------------------------------------------------------------------


def _sharp_bends(rings: Sequence[_Ring]) -> Iterator[Breach]:
    for ring in rings:
        if not ring.runs:
            continue
        xy = _without_repeats(_ring_xy(ring.runs))
        bends = np.abs(bends_deg(xy))[:-1]
        for at in np.flatnonzero(bends > BEND_MAX_DEG):
            yield Breach(4, xy[at], "bend", {"bend_deg": float(bends[at])})


def _without_repeats(xy: FloatArray) -> FloatArray:
    """A closed ring without vertices that follow their predecessor too closely for a bend of their own."""
    near = np.flatnonzero(segment_lengths_m(xy) < _SAME_BEND_M) + 1
    kept = np.ones(len(xy), dtype=np.bool_)
    for at in near:
        before = xy[np.flatnonzero(kept[:at])[-1]]
        kept[at] = np.hypot(*(xy[at] - before)) >= _SAME_BEND_M
    line = xy[kept]
    if len(line) > 1 and np.hypot(*(line[-1] - line[0])) < _SAME_BEND_M:
        line = line[:-1]
    return np.concatenate([line, line[:1]])


# Rule 5 --------------------------------------------------------------------------------------------------------------


def _broken_leads(apart: _Apart) -> Iterator[Breach]:
    for out, back in apart.pairs:
        gap = _furthest_apart_m(out.xy, back.xy[::-1])
        if gap > COINCIDE_M:
            yield Breach(5, out.xy[0], "lead_apart", {"gap_m": gap})
        if out.island != back.island:
            yield Breach(5, out.xy[0], "lead_other_island")
    yield from _no_tree(apart.rings)
    yield from _crossed_leads(apart)


def _furthest_apart_m(a: FloatArray, b: FloatArray) -> float:
    """How far two lines get apart when both are walked at one pace."""
    if a.shape == b.shape:
        return float(np.hypot(*(a - b).T).max())
    lines = shapely.linestrings(a), shapely.linestrings(b)
    share = np.union1d(*(chainage_m(xy) / chainage_m(xy)[-1] for xy in (a, b)))
    pairs = [shapely.line_interpolate_point(line, share, normalized=True) for line in lines]
    return float(shapely.distance(*pairs).max())


def _no_tree(rings: Sequence[_Ring]) -> Iterator[Breach]:
    outer, *inner = rings
    reached = [run for run in outer.runs if run.kind == "island"]
    if reached:
        yield Breach(5, reached[0].xy[0], "island_without_lead")
    for runs, lead in inner:
        if lead is not None and not runs:
            yield Breach(5, lead.xy[-1], "lead_to_nothing")
        elif runs and np.hypot(*(runs[0].xy[0] - runs[-1].xy[-1])) > COINCIDE_M:
            yield Breach(5, runs[0].xy[0], "island_off_lead")
    visits = Counter(island for runs, _ in inner for island in {run.island for run in runs} if island is not None)
    for island, count in visits.items():
        if count > 1:
            place = next(run.xy[0] for ring in inner for run in ring.runs if run.island == island)
            yield Breach(5, place, "island_leads", {"leads": count})


def _crossed_leads(apart: _Apart) -> Iterator[Breach]:
    if not apart.pairs:
        return
    leads = np.asarray([_between_ends(out.xy) for out, _ in apart.pairs], dtype=object)
    wires = [LineString(run.xy) for ring in apart.rings for run in ring.runs]
    for fault, others in (("lead_crosses_lead", leads), ("lead_crosses_wire", np.asarray(wires, dtype=object))):
        lead, other = shapely.STRtree(others).query(leads, predicate="intersects")
        twice = lead >= other if others is leads else np.zeros(len(lead), dtype=np.bool_)
        for a, b in zip(lead[~twice], other[~twice], strict=True):
            met = shapely.get_coordinates(shapely.intersection(leads[a], others[b]))
            yield Breach(5, met[0], fault)


def _between_ends(xy: FloatArray) -> LineString:
    line = LineString(xy)
    cut = min(_LEAD_END_M, line.length / 4)
    inner = substring(line, cut, line.length - cut)
    return inner if isinstance(inner, LineString) else line


# Rule 6 --------------------------------------------------------------------------------------------------------------


def close_wire(laid: Sequence[Loop], gap_min_m: float, passage_gap_m: float) -> list[Breach]:
    """Return where stretches of wire other than leads, that are no neighbours, come too near to each other.

    Parameters
    ----------
    laid
        All loops that may disturb one another.
    gap_min_m, passage_gap_m
        Least distance, and that between the two wires of a passage [m].

    Returns
    -------
    list of Breach
        One for each two rings that come too near, or for each ring that comes too near to itself: the nearest place.
    """
    rings = [ring.runs for loop in laid for ring in _taken_apart(loop.runs).rings if ring.runs]
    if not rings:
        return []
    sides = _sides(rings)
    pieces = _pieces(sides, *_facing(sides, gap_min_m), gap_min_m)
    lines = pieces.lines()
    a, b = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=gap_min_m - GAP_SHORT_M)
    a, b = a[a < b], b[a < b]
    least = np.where(pieces.passage[a] & pieces.passage[b], min(gap_min_m, passage_gap_m), gap_min_m)
    away = shapely.distance(lines[a], lines[b])
    strangers = pieces.along_m(a, b) > gap_min_m * (_NEIGHBOUR_GAPS + 1 / _PIECES_PER_GAP)
    near = np.flatnonzero(strangers & (away < least - GAP_SHORT_M))
    order = near[np.argsort(away[near], kind="stable")]
    pairs = np.sort(np.column_stack([pieces.ring[a[order]], pieces.ring[b[order]]]), axis=1)
    _, first = np.unique(pairs, axis=0, return_index=True)
    return [
        Breach(6, pieces.ends[a[at], 0], "close", {"gap_m": float(away[at]), "gap_min_m": float(least[at])})
        for at in order[np.sort(first)]
    ]


class _Pieces(NamedTuple):
    """Straight pieces of rings of wire.

    Their ends, shape (n, 2, 2); number and length of their ring; chainage of both of their ends along it, shape
    (n, 2); by how much the ring turns up to where they begin, either way, and all round; whether they lie in a passage.
    """

    ends: FloatArray
    ring: IntArray
    ring_m: FloatArray
    at_m: FloatArray
    turned_deg: FloatArray
    turns_deg: FloatArray
    passage: NDArray[np.bool_]

    def lines(self) -> NDArray[np.object_]:
        lines: NDArray[np.object_] = np.asarray(shapely.linestrings(self.ends), dtype=object)
        return lines

    def picked(self, which: IntArray) -> _Pieces:
        return _Pieces(
            self.ends[which],
            self.ring[which],
            self.ring_m[which],
            self.at_m[which],
            self.turned_deg[which],
            self.turns_deg[which],
            self.passage[which],
        )

    def along_m(self, a: IntArray, b: IntArray) -> FloatArray:
        """Distance along the ring between the middles of pieces; infinite between rings."""
        middle = self.at_m.mean(axis=1)
        along = np.abs(middle[a] - middle[b])
        shorter: FloatArray = np.minimum(along, self.ring_m[a] - along)
        return np.where(self.ring[a] == self.ring[b], shorter, np.inf)


def _sides(rings: Sequence[Sequence[Run]]) -> _Pieces:
    """The straight sides of rings."""
    lines = [_ring_xy(runs) for runs in rings]
    chainages = [chainage_m(xy) for xy in lines]
    turned = [np.cumsum(np.abs(bends_deg(xy)))[:-1] for xy in lines]
    sides = [len(xy) - 1 for xy in lines]
    runs_of_all = [run for runs in rings for run in runs]
    return _Pieces(
        ends=np.concatenate([np.stack([xy[:-1], xy[1:]], axis=1) for xy in lines]),
        ring=np.repeat(np.arange(len(rings)), sides),
        ring_m=np.repeat([at[-1] for at in chainages], sides),
        at_m=np.concatenate([np.column_stack([at[:-1], at[1:]]) for at in chainages]),
        turned_deg=np.concatenate(turned),
        turns_deg=np.repeat([some[-1] for some in turned], sides),
        passage=np.repeat([run.kind == "passage" for run in runs_of_all], [len(run.xy) - 1 for run in runs_of_all]),
    )


def _facing(sides: _Pieces, gap_m: float) -> tuple[IntArray, IntArray]:
    """Pairs of sides that may hold places too near to each other, each pair in both orders.

    Not those of which any two places are neighbours, nor those between which the ring hardly turns: a line that turns
    by 120 degrees in all ends at least half its length from where it began (A. Schur, 1921), and strangers are more
    than two gaps apart along the ring.
    """
    lines = sides.lines()
    a, b = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=gap_m)
    length = np.diff(sides.at_m, axis=1)[:, 0]
    span = sides.along_m(a, b) + (length[a] + length[b]) / 2
    turn = np.abs(sides.turned_deg[a] - sides.turned_deg[b])
    turn = np.minimum(turn, sides.turns_deg[a] - turn)
    straight = (sides.ring[a] == sides.ring[b]) & (turn <= _HALVED_TURN_DEG)
    keep = (a != b) & (span > _NEIGHBOUR_GAPS * gap_m) & ~straight
    return a[keep], b[keep]


def _pieces(sides: _Pieces, a: IntArray, b: IntArray, gap_m: float) -> _Pieces:
    """Of each side `a` what may lie within the gap of side `b`, in pieces much shorter than the gap."""
    start, step = sides.ends[a, 0], np.diff(sides.ends[a], axis=1)[:, 0]
    length = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)
    ahead = step / length[:, None]
    along = np.einsum("ikj,ij->ik", sides.ends[b] - start[:, None, :], ahead)
    low = np.clip(along.min(axis=1) - gap_m, 0.0, length)
    high = np.clip(along.max(axis=1) + gap_m, 0.0, length)
    count = np.maximum(1, np.ceil((high - low) * _PIECES_PER_GAP / gap_m)).astype(np.int64)
    side = np.repeat(np.arange(len(a)), count)
    rank = np.arange(len(side)) - np.repeat(np.cumsum(count) - count, count)
    at = low[side, None] + (high - low)[side, None] * (rank[:, None] + np.array([0, 1])) / count[side, None]
    ends = start[side, None, :] + at[:, :, None] * ahead[side, None, :]
    own = a[side]
    return sides.picked(own)._replace(ends=ends, at_m=sides.at_m[own, :1] + at)
