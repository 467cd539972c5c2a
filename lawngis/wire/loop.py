"""The loop in laying order: round the outer ring, out to each island and back, and on to the dock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LinearRing, LineString, Polygon

from lawngis.arrays import FloatArray, IntArray
from lawngis.errors import ParameterError
from lawngis.geometry.lines import (
    bends_deg,
    chainage_m,
    line_between,
    points_along,
    segment_lengths_m,
    snapped_chainage,
)
from lawngis.wire.leads import Lead, ground_rings, lead_tree
from lawngis.wire.outlying import OutlyingGround

_STEP_M = 0.02
"""The edge that a wire follows is looked up this often along it."""

_SHORTEST_RUN_M = 0.01
_SCRAP_M = 0.3
_SCRAP_AT_CORNER_M = 0.12
_ABSORBED_SLACK_M = 0.005
_LOST_AT_BENDS_M = 0.018
"""Setback that bends may lose and that the contract allows for."""

_MOUTH_REACH_M = 0.95
"""So far from its strip a passage may be flared: three times the usual least gap between wires, and a little."""

_SHORT_AT_MOUTH_M = 0.012
"""Beside a mouth, wire whose setback is short by so much is of the passage. Less than bends may lose, as the change is
moved onto a vertex near by, which along wire that runs at 45 degrees to the edge takes another few millimetres."""

_CORNER_BEND_MIN_DEG = 30.0
_CORNER_PIECE_MAX_M = 0.6
_START_OFF_RING_M = 0.05
_START_SNAP_M = 0.0005
"""The start is put on a vertex this near, and on no other: the dock stands where the wire begins, to a millimetre."""

_ON_DRAWN_M = 0.03
"""Wire this near to a drawn line lies on it, simplified or not."""

_PIECE_POINTS = 16
_NEARER_M = 1e-6

_BESIDE_DRAWN_M = 0.5
"""Wire this near to a drawn line, and too near to an edge, is so because of a cut or rounded corner of the line."""


@dataclass(frozen=True)
class Stretch:
    """A stretch of edge with what the wire along it needs to know.

    Attributes
    ----------
    line
        The edge, zone on the left [m].
    edge_class
        What lies beyond it.
    setback_m
        Wire to edge [m].
    """

    line: LineString
    edge_class: str
    setback_m: float


@dataclass(frozen=True)
class Run:
    """A piece of the loop of one kind.

    Attributes
    ----------
    kind
        ``edge``, ``corner``, ``passage``, ``island``, ``lead_out`` or ``lead_back``.
    xy
        Vertices in laying order, shape (n, 2) [m].
    edge_class, setback_m
        Of the edge nearest to it; None on leads and in passages [m].
    island
        Number of the island (hole of the ground, from 0) on its ring and its leads; None elsewhere.
    drawn
        Whether it lies where somebody drew it: its setback is then what it keeps, which may be less than wanted.
    """

    kind: str
    xy: FloatArray
    edge_class: str | None = None
    setback_m: float | None = None
    island: int | None = None
    drawn: bool = False

    @property
    def length_m(self) -> float:
        """Length in plan [m]."""
        return float(segment_lengths_m(self.xy).sum())


@dataclass(frozen=True)
class Loop:
    """One closed loop of wire.

    Attributes
    ----------
    runs
        In laying order; each begins where the one before it ends, the last ends where the first begins.
    lead_ratio
        Length of all leads over the least that any tree of straight leads can have; 1 without islands.
    """

    runs: tuple[Run, ...]
    lead_ratio: float = 1.0

    @property
    def xy(self) -> FloatArray:
        """The whole line, closed, shape (n, 2) [m]."""
        return np.concatenate([self.runs[0].xy, *(run.xy[1:] for run in self.runs[1:])])

    def run_vertices(self) -> IntArray:
        """Return first and last vertex of each run in `xy`, shape (runs, 2)."""
        last = np.cumsum([len(run.xy) - 1 for run in self.runs])
        return np.column_stack([np.concatenate([[0], last[:-1]]), last]).astype(np.int64)

    @property
    def lead_m(self) -> float:
        """Length of wire in leads, out and back [m]."""
        return sum(run.length_m for run in self.runs if run.kind.startswith("lead"))


@dataclass(frozen=True)
class _Labels:
    """What a ring follows: label `code[k]` from chainage `at_m[k]` to the next, the last on to the ring's end."""

    at_m: FloatArray
    code: IntArray


_PASSAGE = -1
_CORNER_BASE = -2
"""Labels: stretch k of n is k, a passage -1, a corner next to stretch k is -2 - k; where the wire lies on a drawn line
stretch k is n + k."""


def laid_loop(
    ground: Polygon,
    start: FloatArray | Sequence[float],
    stretches: Sequence[Stretch],
    strips: Sequence[Polygon] = (),
    outlying: Sequence[OutlyingGround] = (),
    drawn: Sequence[LineString] = (),
) -> Loop:
    """Return the loop around a ground in laying order, from the start anti-clockwise back to it.

    Wherever a lead is attached, the loop leaves for the island, goes round it the other way (and out to the islands
    that hang on it), and comes back over the very same line. Ground apart is gone around on such a lead as well, but
    the same way round as the outer ring, as it lies inside.

    ::

        +-----------<-----------+
        |        _____          |      outer ring anti-clockwise,
        |       |  >  |         |      island clockwise: the ground is
        |       |_____|         |      always on the left
        |         ||            |
        +-> dock -''------>-----+

    Parameters
    ----------
    ground
        From `loop_ground` [m].
    start
        Where the dock stands on the outer ring, x and y, shape (2,) [m].
    stretches
        Edge stretches of all zones of the loop.
    strips
        Strips of the passages in the ground, from `passage_strip` [m].
    outlying
        Ground apart, each with its lead; a parent comes before what hangs on it.
    drawn
        Lines along which the ground was made to end, from `ground_along` [m].

    Returns
    -------
    Loop

    Raises
    ------
    ParameterError
        When the start is not on the outer ring.
    FeatureError
        When an island can't be reached.
    """
    web = _web(ground, start, outlying)
    edges = _Edges(stretches, strips, drawn)
    labels = [_labels(ring, chainage, edges, cut=island is None) for ring, chainage, island in web.rings]
    runs: list[Run] = []
    for piece in _walk(web.leads, [chainage for _, chainage, _ in web.rings], web.start_m):
        if isinstance(piece, _LeadPass):
            runs.append(_lead_run(piece, web.rings[piece.lead.child].island))
        else:
            runs.extend(_ring_runs(web.rings[piece.ring], labels[piece.ring], piece, edges))
    return Loop(_welded(runs), web.ratio)


class _Ring(NamedTuple):
    """A ring of wire, its chainage, and the number of the island that it goes round; None for an outer ring."""

    xy: FloatArray
    chainage: FloatArray
    island: int | None


@dataclass(frozen=True)
class _Web:
    """All rings of a loop, the leads that join them, where it starts on the first, and the ratio of its leads."""

    rings: list[_Ring]
    leads: list[Lead]
    start_m: float
    ratio: float


def _web(ground: Polygon, start: FloatArray | Sequence[float], outlying: Sequence[OutlyingGround]) -> _Web:
    """Rings of the ground and of all ground apart, numbered on, and leads between them."""
    grounds = [ground, *(item.ground for item in outlying)]
    rings: list[_Ring] = []
    first: list[int] = []
    islands = 0
    for some in grounds:
        first.append(len(rings))
        for number, xy in enumerate(ground_rings(some)):
            rings.append(_Ring(xy, chainage_m(xy), islands + number - 1 if number else None))
        islands += len(some.interiors)
    start_m = _start_chainage(rings[0].xy, start)
    ways = [_outlying_lead(item, number, first, rings) for number, item in enumerate(outlying, start=1)]
    entries = [start_m, *(lead.child_at_m for lead in ways)]
    leads, ratios = list(ways), []
    for number, some in enumerate(grounds):
        begin, end = first[number], [*first, len(rings)][number + 1]
        taken = [(lead.parent - begin, lead.parent_at_m) for lead in ways if begin <= lead.parent < end]
        tree = lead_tree(some, entries[number], taken)
        ratios.append((tree.length_m, tree.shortest_m))
        leads += [replace(lead, parent=lead.parent + begin, child=lead.child + begin) for lead in tree.leads]
    laid, least = np.sum(ratios, axis=0)
    return _Web(rings, leads, start_m, float(laid / least) if least > 0.0 else 1.0)


def _outlying_lead(item: OutlyingGround, number: int, first: list[int], rings: list[_Ring]) -> Lead:
    """The lead to ground apart, its ends moved onto the rings."""
    candidates = range(first[item.parent], [*first, len(rings)][item.parent + 1])
    begin, end = np.asarray(shapely.points(item.lead_xy[[0, -1]]), dtype=object)
    parent = min(candidates, key=lambda ring: shapely.distance(LinearRing(rings[ring].xy), begin))
    at = []
    xy = item.lead_xy.copy()
    for ring, point, vertex in ((parent, begin, 0), (first[number], end, -1)):
        line, chainage = rings[ring].xy, rings[ring].chainage
        along = np.array([shapely.line_locate_point(LinearRing(line), point)])
        snapped = snapped_chainage(chainage, along % chainage[-1], _SHORTEST_RUN_M)
        xy[vertex] = points_along(line, chainage, snapped)[0]
        at.append(float(snapped[0]))
    return Lead(parent, first[number], at[0], at[1], xy)


def _start_chainage(ring: FloatArray, start: FloatArray | Sequence[float]) -> float:
    """Chainage of the start along the outer ring."""
    line, point = LinearRing(ring), shapely.Point(*np.asarray(start, dtype=np.float64)[:2])
    off = float(shapely.distance(line, point))
    if off > _START_OFF_RING_M:
        raise ParameterError(f"the start lies {off:.2f} m off the outer wire", advice="Choose a point on it.")
    along = np.array([shapely.line_locate_point(line, point)])
    chainage = chainage_m(ring)
    return float(snapped_chainage(chainage, along % chainage[-1], _START_SNAP_M)[0])


@dataclass(frozen=True)
class _RingPart:
    """Part of a ring from one attachment to the next; the whole ring when both chainages are equal."""

    ring: int
    from_m: float
    to_m: float


@dataclass(frozen=True)
class _LeadPass:
    """A lead walked out or back."""

    lead: Lead
    out: bool


def _walk(tree: list[Lead], chainages: list[FloatArray], start_m: float) -> Iterator[_RingPart | _LeadPass]:
    """Order in which parts of rings and leads are laid: a walk around the tree, without recursion."""
    children: list[list[Lead]] = [[] for _ in chainages]
    for lead in tree:
        children[lead.parent].append(lead)

    def ahead(ring: int, entry: float) -> list[Lead]:
        length = float(chainages[ring][-1])
        return sorted(children[ring], key=lambda lead: -((lead.parent_at_m - entry) % length))

    # Each frame: ring, where it was entered, where the walk stands, leads still to come, the lead it came by.
    stack: list[tuple[int, float, float, list[Lead], Lead | None]] = [(0, start_m, start_m, ahead(0, start_m), None)]
    while stack:
        ring, entry, stand, leads, via = stack.pop()
        if leads:
            lead = leads.pop()
            yield _RingPart(ring, stand, lead.parent_at_m)
            yield _LeadPass(lead, out=True)
            stack.append((ring, entry, lead.parent_at_m, leads, via))
            child_entry = lead.child_at_m
            stack.append((lead.child, child_entry, child_entry, ahead(lead.child, child_entry), lead))
        else:
            yield _RingPart(ring, stand, entry)
            if via is not None:
                yield _LeadPass(via, out=False)


def _lead_run(piece: _LeadPass, island: int | None) -> Run:
    lead = piece.lead
    return Run("lead_out", lead.xy, island=island) if piece.out else Run("lead_back", lead.xy[::-1], island=island)


def _ring_runs(ring: _Ring, labels: _Labels, part: _RingPart, edges: _Edges) -> list[Run]:
    """The runs of one part of a ring: cut where the label changes."""
    chainage = ring.chainage
    length = float(chainage[-1])
    span = (part.to_m - part.from_m) % length or length
    offset = (labels.at_m - part.from_m) % length
    inner = offset[(offset > _SHORTEST_RUN_M) & (offset < span - _SHORTEST_RUN_M)]
    cuts = np.concatenate([[0.0], np.sort(inner), [span]])
    middles = (part.from_m + (cuts[:-1] + cuts[1:]) / 2) % length
    codes = labels.code[np.searchsorted(labels.at_m, middles, side="right") - 1]
    begins = np.append(True, codes[1:] != codes[:-1])
    bounds = (part.from_m + np.append(cuts[:-1][begins], span)) % length
    return [
        _labelled(int(code), line_between(ring.xy, chainage, begin, end), ring.island, edges)
        for code, (begin, end) in zip(codes[begins], pairwise(bounds), strict=True)
    ]


def _labelled(code: int, xy: FloatArray, island: int | None, edges: _Edges) -> Run:
    if code == _PASSAGE:
        return Run("passage", xy, island=island)
    corner = code <= _CORNER_BASE
    kind = "corner" if corner else ("edge" if island is None else "island")
    if not edges.stretches:
        return Run(kind, xy, island=island)
    drawn, index = divmod(_CORNER_BASE - code if corner else code, len(edges.stretches))
    followed = edges.stretches[index]
    setback = followed.setback_m
    if drawn and (kept := edges.kept_m(xy)) < setback - _LOST_AT_BENDS_M:
        setback = kept
    return Run(kind, xy, followed.edge_class, setback, island, bool(drawn))


def _labels(ring: FloatArray, chainage: FloatArray, edges: _Edges, *, cut: bool) -> _Labels:
    """What each part of a ring follows: a passage, a corner if these are cut, or the nearest stretch of edge."""
    lengths = np.diff(chainage)
    pieces = np.maximum(1, np.ceil(lengths / _STEP_M)).astype(np.int64)
    segment = np.repeat(np.arange(len(lengths)), pieces)
    rank = np.arange(len(segment)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    nodes = chainage[segment] + lengths[segment] * rank / pieces[segment]
    middles = nodes + lengths[segment] / pieces[segment] / 2
    points = points_along(ring, chainage, middles)
    codes = edges.codes_along(points)
    bounds = _refined(ring, chainage, nodes, middles, codes, edges)
    if cut:
        corner = _corner_pieces(ring)[segment] & (codes != _PASSAGE)
        halfway = (np.cumsum(pieces) - pieces + pieces // 2)[segment]
        codes = np.where(corner, _CORNER_BASE - np.maximum(codes[halfway], 0), codes)
        bounds = np.where((rank == 0) & (corner | np.roll(corner, 1)), nodes, bounds)
    codes = _absorbed(codes, points, np.append(bounds, chainage[-1]), edges)
    change = codes != np.roll(codes, 1)
    change[0] = True
    return _spaced(_Labels(bounds[change], codes[change]), chainage)


def _absorbed(codes: IntArray, points: FloatArray, bounds: FloatArray, edges: _Edges) -> IntArray:
    """Labels in which a scrap of edge goes to its neighbour where that one's setback is kept, or to its corner."""
    codes = codes.copy()
    starts = np.flatnonzero(np.append(True, codes[1:] != codes[:-1]))
    ends = np.append(starts[1:], len(codes))
    lengths = bounds[ends] - bounds[starts]
    for part in np.flatnonzero((lengths < _SCRAP_M) & (codes[starts] >= 0)):
        own = slice(starts[part], ends[part])
        nearest = float(edges.codes_and_distances(points[own])[1].min())
        labels = [int(codes[starts[neighbour % len(starts)]]) for neighbour in (part - 1, part + 1)]
        fitting = [label for label in labels if edges.keeps(label, nearest)]
        corners = [label for label in labels if label <= _CORNER_BASE and lengths[part] < _SCRAP_AT_CORNER_M]
        if fitting or corners:
            codes[own] = [*fitting, *corners][0]
    return codes


def _corner_pieces(ring: FloatArray) -> np.ndarray:
    """Which segments of a ring are cuts across a corner: short, and bent sharply to the left at both ends."""
    bends = bends_deg(ring)
    sharp = bends >= _CORNER_BEND_MIN_DEG
    pieces: np.ndarray = sharp[:-1] & sharp[1:] & (segment_lengths_m(ring) <= _CORNER_PIECE_MAX_M)
    return pieces


class _Edges:
    """Looks up what a point of the wire follows."""

    def __init__(
        self, stretches: Sequence[Stretch], strips: Sequence[Polygon], drawn: Sequence[LineString] = ()
    ) -> None:
        self.stretches = stretches
        self._segments = np.empty(0, dtype=object)
        self._owner = np.empty(0, dtype=np.int64)
        if stretches:
            coords = [shapely.get_coordinates(stretch.line) for stretch in stretches]
            pairs = np.concatenate([np.stack([xy[:-1], xy[1:]], axis=1) for xy in coords])
            self._segments = np.asarray(shapely.linestrings(pairs), dtype=object)
            self._owner = np.repeat(np.arange(len(coords)), [len(xy) - 1 for xy in coords])
        self._tree = shapely.STRtree(self._segments)
        # Along a drawn line any distance will do.
        self._setbacks = np.array([stretch.setback_m for stretch in stretches] + [0.0] * len(stretches))
        # Classes that read the same are one label, so that a run goes on over the joint of two such stretches.
        first: dict[tuple[str, float], int] = {}
        self._same = np.array(
            [first.setdefault((s.edge_class, s.setback_m), index) for index, s in enumerate(stretches)], dtype=np.int64
        )
        self._strip = shapely.buffer(shapely.union_all(list(strips)), 0.02) if strips else Polygon()
        self._mouth = shapely.buffer(self._strip, _MOUTH_REACH_M)
        self._drawn = shapely.union_all(list(drawn)) if drawn else None
        # Where labels hang on more than the nearest stretch.
        special = [self._mouth, shapely.buffer(self._drawn, _BESIDE_DRAWN_M + _NEARER_M)] if strips or drawn else []
        self._special = shapely.buffer(shapely.union_all(special), _NEARER_M) if special else None
        shapely.prepare([self._strip, self._mouth, self._special])

    def codes(self, points: FloatArray) -> IntArray:
        """Label of each point: the nearest stretch, or a passage."""
        return self.codes_and_distances(points)[0]

    def codes_along(self, points: FloatArray) -> IntArray:
        """Label of each of many points in order along a ring.

        The nearest stretch is looked up for the middle of each short piece. Where no other label lies near enough to
        take over within the piece it holds for all of its points; only the others are looked up one by one.
        """
        if not len(self._segments):
            return self.codes(points)
        first = np.arange(0, len(points), _PIECE_POINTS)
        middle = np.minimum(first + _PIECE_POINTS // 2, len(points) - 1)
        piece = np.arange(len(points)) // _PIECE_POINTS
        reach = np.maximum.reduceat(np.hypot(*(points - points[middle][piece]).T), first)
        middles = shapely.points(points[middle])
        away = shapely.distance(middles, self._segments[self._tree.nearest(middles)])
        at, near = self._tree.query(middles, predicate="dwithin", distance=away + 2 * reach + _NEARER_M)
        labels = self._same[self._owner[near]]
        low, high = np.full(len(first), len(self.stretches)), np.full(len(first), -1)
        np.minimum.at(low, at, labels)
        np.maximum.at(high, at, labels)
        codes = low[piece]
        unsure = (low != high)[piece]
        if self._special is not None:
            unsure |= shapely.intersects_xy(self._special, points[:, 0], points[:, 1])
        codes[unsure] = self.codes(points[unsure])
        return codes

    def codes_and_distances(self, points: FloatArray) -> tuple[IntArray, FloatArray]:
        """Label of each point, and its distance to the nearest stretch [m]."""
        geometries = shapely.points(points)
        nearest = self._segments[:0]
        if not len(self._segments):
            codes = np.zeros(len(points), dtype=np.int64)
            distance = np.full(len(points), np.inf)
            setback = np.zeros(len(points))
        else:
            number = self._tree.nearest(geometries)
            nearest = self._segments[number]
            distance = shapely.distance(geometries, nearest)
            owner = self._owner[number]
            codes, setback = self._same[owner], self._setbacks[owner]
        if self._special is None:
            return codes, distance
        passage = shapely.intersects(self._strip, geometries)
        drawn = np.zeros_like(passage)
        if self._drawn is not None:
            off = shapely.distance(self._drawn, geometries)
            drawn = (off <= _ON_DRAWN_M) | ((off <= _BESIDE_DRAWN_M) & (distance < setback - _ABSORBED_SLACK_M))
        # The flared mouth of a passage lies beyond the strip, nearer to the edge than any wire that follows it.
        near = (distance < setback - _SHORT_AT_MOUTH_M) | _beyond_edge(points, nearest)
        passage |= shapely.intersects(self._mouth, geometries) & near & ~drawn
        codes = np.where(drawn, codes + len(self.stretches), codes)
        return np.where(passage, _PASSAGE, codes), distance

    def kept_m(self, xy: FloatArray) -> float:
        """How near a piece of wire comes to any edge [m]."""
        wire = LineString(xy)
        return float(shapely.distance(wire, self._segments[self._tree.nearest(wire)]))

    def keeps(self, code: int, distance: float) -> bool:
        """Whether wire at a distance from all edges may be said to follow a stretch."""
        return code >= 0 and (not len(self._setbacks) or distance >= self._setbacks[code] - _ABSORBED_SLACK_M)


def _beyond_edge(points: FloatArray, nearest: NDArray[np.object_]) -> np.ndarray:
    """Whether each point lies to the right of the straight edge nearest to it: off the zone."""
    if not len(nearest):
        return np.zeros(len(points), dtype=np.bool_)
    ends = shapely.get_coordinates(nearest).reshape(-1, 2, 2)
    along, off = ends[:, 1] - ends[:, 0], points - ends[:, 0]
    beyond: np.ndarray = along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0] < 0
    return beyond


def _refined(
    ring: FloatArray,
    chainage: FloatArray,
    nodes: FloatArray,
    middles: FloatArray,
    codes: IntArray,
    edges: _Edges,
) -> FloatArray:
    """Where the label that holds at each middle begins, to a millimetre; nodes where it does not change."""
    bounds = nodes.copy()
    change = np.flatnonzero(codes[1:] != codes[:-1]) + 1
    if not len(change):
        return bounds
    low, high = middles[change - 1], middles[change]
    for _ in range(7):
        middle = (low + high) / 2
        same = edges.codes(points_along(ring, chainage, middle)) == codes[change - 1]
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    bounds[change] = (low + high) / 2
    return bounds


def _spaced(labels: _Labels, chainage: FloatArray) -> _Labels:
    """Labels whose changes fall on vertices within half a centimetre, without parts shorter than a whole one."""
    at = snapped_chainage(chainage, labels.at_m, _SHORTEST_RUN_M / 2)
    at[1:][at[1:] == 0.0] = chainage[-1]
    at[0] = 0.0
    long = np.append(np.diff(at), chainage[-1] - at[-1]) >= _SHORTEST_RUN_M
    if not long.any():
        return _Labels(at[:1], labels.code[:1])
    at, code = at[long], labels.code[long]
    at[0] = 0.0
    keep = np.append(True, code[1:] != code[:-1])
    return _Labels(at[keep], code[keep])


def _welded(runs: list[Run]) -> tuple[Run, ...]:
    """Runs whose ends meet exactly, whatever rounding made of the same point on the way."""
    welded = []
    for index, run in enumerate(runs):
        xy = run.xy.copy()
        xy[-1] = runs[(index + 1) % len(runs)].xy[0]
        welded.append(replace(run, xy=xy))
    return tuple(welded)
