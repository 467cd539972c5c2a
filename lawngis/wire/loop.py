"""The loop in laying order: round the outer ring, out to each island and back, and on to the dock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from shapely import LinearRing, LineString, Polygon

from lawngis.errors import ParameterError
from lawngis.geometry.lines import (
    FloatArray,
    IntArray,
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
_CORNER_BEND_MIN_DEG = 30.0
_CORNER_PIECE_MAX_M = 0.6
_START_OFF_RING_M = 0.05


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
    """

    kind: str
    xy: FloatArray
    edge_class: str | None = None
    setback_m: float | None = None
    island: int | None = None

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
"""Labels: stretch k is k, a passage -1, a corner next to stretch k is -2 - k."""


def laid_loop(
    ground: Polygon,
    start: FloatArray | Sequence[float],
    stretches: Sequence[Stretch],
    strips: Sequence[Polygon] = (),
    outlying: Sequence[OutlyingGround] = (),
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
    edges = _Edges(stretches, strips)
    labels = [_labels(ring, chainage, edges, cut=island is None) for ring, chainage, island in web.rings]
    runs: list[Run] = []
    for piece in _walk(web.leads, [chainage for _, chainage, _ in web.rings], web.start_m):
        if isinstance(piece, _LeadPass):
            runs.append(_lead_run(piece, web.rings[piece.lead.child].island))
        else:
            runs.extend(_ring_runs(web.rings[piece.ring], labels[piece.ring], piece, stretches))
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
    """Chainage of the start along the outer ring, on a vertex when one is within a centimetre."""
    line, point = LinearRing(ring), shapely.Point(*np.asarray(start, dtype=np.float64)[:2])
    off = float(shapely.distance(line, point))
    if off > _START_OFF_RING_M:
        raise ParameterError(f"the start lies {off:.2f} m off the outer wire", advice="Choose a point on it.")
    along = np.array([shapely.line_locate_point(line, point)])
    chainage = chainage_m(ring)
    return float(snapped_chainage(chainage, along % chainage[-1], _SHORTEST_RUN_M / 2)[0])


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


def _ring_runs(ring: _Ring, labels: _Labels, part: _RingPart, stretches: Sequence[Stretch]) -> list[Run]:
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
        _labelled(int(code), line_between(ring.xy, chainage, begin, end), ring.island, stretches)
        for code, (begin, end) in zip(codes[begins], pairwise(bounds), strict=True)
    ]


def _labelled(code: int, xy: FloatArray, island: int | None, stretches: Sequence[Stretch]) -> Run:
    if code == _PASSAGE:
        return Run("passage", xy, island=island)
    corner = code <= _CORNER_BASE
    index = _CORNER_BASE - code if corner else code
    kind = "corner" if corner else ("edge" if island is None else "island")
    if index >= len(stretches):
        return Run(kind, xy, island=island)
    return Run(kind, xy, stretches[index].edge_class, stretches[index].setback_m, island)


def _labels(ring: FloatArray, chainage: FloatArray, edges: _Edges, *, cut: bool) -> _Labels:
    """What each part of a ring follows: a passage, a corner if these are cut, or the nearest stretch of edge."""
    lengths = np.diff(chainage)
    pieces = np.maximum(1, np.ceil(lengths / _STEP_M)).astype(np.int64)
    segment = np.repeat(np.arange(len(lengths)), pieces)
    rank = np.arange(len(segment)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    nodes = chainage[segment] + lengths[segment] * rank / pieces[segment]
    middles = nodes + lengths[segment] / pieces[segment] / 2
    codes, distance = edges.codes_and_distances(points_along(ring, chainage, middles))
    bounds = _refined(ring, chainage, nodes, middles, codes, edges)
    if cut:
        corner = _corner_pieces(ring)[segment] & (codes != _PASSAGE)
        halfway = (np.cumsum(pieces) - pieces + pieces // 2)[segment]
        codes = np.where(corner, _CORNER_BASE - np.maximum(codes[halfway], 0), codes)
        bounds = np.where((rank == 0) & (corner | np.roll(corner, 1)), nodes, bounds)
    codes = _absorbed(codes, distance, np.append(bounds, chainage[-1]), edges)
    change = codes != np.roll(codes, 1)
    change[0] = True
    return _spaced(_Labels(bounds[change], codes[change]), chainage)


def _absorbed(codes: IntArray, distance: FloatArray, bounds: FloatArray, edges: _Edges) -> IntArray:
    """Labels in which a scrap of edge goes to its neighbour where that one's setback is kept, or to its corner."""
    codes = codes.copy()
    starts = np.flatnonzero(np.append(True, codes[1:] != codes[:-1]))
    ends = np.append(starts[1:], len(codes))
    nearest = np.minimum.reduceat(distance, starts)
    lengths = bounds[ends] - bounds[starts]
    for part in np.flatnonzero(lengths < _SCRAP_M):
        if codes[starts[part]] < 0:
            continue
        labels = [int(codes[starts[neighbour % len(starts)]]) for neighbour in (part - 1, part + 1)]
        fitting = [label for label in labels if edges.keeps(label, float(nearest[part]))]
        corners = [label for label in labels if label <= _CORNER_BASE and lengths[part] < _SCRAP_AT_CORNER_M]
        if fitting or corners:
            codes[starts[part] : ends[part]] = [*fitting, *corners][0]
    return codes


def _corner_pieces(ring: FloatArray) -> np.ndarray:
    """Which segments of a ring are cuts across a corner: short, and bent sharply to the left at both ends."""
    bends = bends_deg(ring)
    sharp = bends >= _CORNER_BEND_MIN_DEG
    pieces: np.ndarray = sharp[:-1] & sharp[1:] & (segment_lengths_m(ring) <= _CORNER_PIECE_MAX_M)
    return pieces


class _Edges:
    """Looks up what a point of the wire follows."""

    def __init__(self, stretches: Sequence[Stretch], strips: Sequence[Polygon]) -> None:
        self._segments = np.empty(0, dtype=object)
        self._owner = np.empty(0, dtype=np.int64)
        if stretches:
            coords = [shapely.get_coordinates(stretch.line) for stretch in stretches]
            pairs = np.concatenate([np.stack([xy[:-1], xy[1:]], axis=1) for xy in coords])
            self._segments = np.asarray(shapely.linestrings(pairs), dtype=object)
            self._owner = np.repeat(np.arange(len(coords)), [len(xy) - 1 for xy in coords])
        self._tree = shapely.STRtree(self._segments)
        self._setbacks = np.array([stretch.setback_m for stretch in stretches])
        # Classes that read the same are one label, so that a run goes on over the joint of two such stretches.
        first: dict[tuple[str, float], int] = {}
        self._same = np.array(
            [first.setdefault((s.edge_class, s.setback_m), index) for index, s in enumerate(stretches)], dtype=np.int64
        )
        self._strip = shapely.buffer(shapely.union_all(list(strips)), 0.02) if strips else Polygon()
        self._mouth = shapely.buffer(self._strip, 0.6)
        shapely.prepare([self._strip, self._mouth])

    def codes(self, points: FloatArray) -> IntArray:
        """Label of each point: the nearest stretch, or a passage."""
        return self.codes_and_distances(points)[0]

    def codes_and_distances(self, points: FloatArray) -> tuple[IntArray, FloatArray]:
        """Label of each point, and its distance to the nearest stretch [m]."""
        geometries = shapely.points(points)
        if not len(self._segments):
            codes = np.zeros(len(points), dtype=np.int64)
            distance = np.full(len(points), np.inf)
            setback = np.zeros(len(points))
        else:
            nearest = self._tree.nearest(geometries)
            distance = shapely.distance(geometries, self._segments[nearest])
            owner = self._owner[nearest]
            codes, setback = self._same[owner], self._setbacks[owner]
        passage = shapely.intersects(self._strip, geometries)
        # The flared mouth of a passage lies beyond the strip, nearer to the edge than any wire that follows it.
        passage |= shapely.intersects(self._mouth, geometries) & (distance < setback - 0.018)
        return np.where(passage, _PASSAGE, codes), distance

    def keeps(self, code: int, distance: float) -> bool:
        """Whether wire at a distance from all edges may be said to follow a stretch."""
        return code >= 0 and (not len(self._setbacks) or distance >= self._setbacks[code] - _ABSORBED_SLACK_M)


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
    """Labels whose changes fall on vertices within a centimetre, without parts shorter than two."""
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
        welded.append(Run(run.kind, xy, run.edge_class, run.setback_m, run.island))
    return tuple(welded)
