r"""Places of mown ground that are hardly wide enough, gaps and crossings that hardly serve or just don't.

Where zones part hangs on one width. Ground is looked at once more with a wider disc: what is then too narrow might be
so in truth::

    ____________________.          .____________________
      wide for both      \________/     wide for both
      discs               1.65 m: mown at 1.6 m, a passage at 1.7
    ____________________ /--------\ ____________________
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import inf

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from shapely import LineString, Point, Polygon

from lawngis.arrays import IntArray
from lawngis.errors import ParameterError
from lawngis.geometry.medial import MedialAxis, WidestPath, medial_axis, widest_path
from lawngis.geometry.mouths import PartedAxis, parted_axis
from lawngis.lawn.zones import (
    ARC_PIECES,
    MIDDLE_LINE_TOLERANCE_M,
    SURFACE_GAP_M,
    CrossingWays,
    GroundAxis,
    hangs_together,
    spanning_links,
)

WIDTH_STEP_M = 0.01
"""Widths of crossings are found to this [m]."""

EVEN_SHARE = 0.9
"""A dead end is as wide as its widest place behind the mouth, and reaches as far as it keeps this share of that."""


@dataclass(frozen=True)
class NarrowPlace:
    """A place where ground is about as wide as the mower needs.

    Parameters
    ----------
    width_m
        Of a way through at its narrowest, of a dead end behind its mouth [m].
    narrowest
        Where that is, on the middle.
    across
        From side to side there [m].
    middle_line
        Way through, or into the dead end.
    parts
        Whether the ground comes apart if it is too narrow; else it is the way around something, or leads nowhere.
    area_m2
        Ground of the place itself [m²].
    """

    width_m: float
    narrowest: Point
    across: LineString
    middle_line: LineString
    parts: bool
    area_m2: float


def narrow_places(
    grounds: Sequence[GroundAxis], *, mow_width_m: float, wide_m: float, area_min_m2: float = 1.0
) -> list[NarrowPlace]:
    """Return where ground is narrower than some width: a bit wider than the mower needs, or narrower.

    Parameters
    ----------
    grounds
        Connected pieces of mowable ground with their medial axes, from :class:`lawngis.lawn.zones.ZonePartition`.
    mow_width_m
        Narrowest ground that is mown [m].
    wide_m
        Ground at least so wide is wide enough without doubt [m].
    area_min_m2
        Dead ends smaller than this are left out [m²].

    Returns
    -------
    list of NarrowPlace

    Raises
    ------
    ParameterError
        When `wide_m` isn't above `mow_width_m`.
    """
    if not wide_m > mow_width_m > 0:
        raise ParameterError(f"{wide_m} m is not wider than the {mow_width_m} m that are mown")
    found: list[NarrowPlace] = []
    for ground in grounds:
        axis = _axis(ground, wide_m / 2)
        if axis is not None:
            parted = parted_axis(axis, radius_m=wide_m / 2)
            if parted.wide_stretches:
                found += _ways_through(parted, mow_width_m)
                found += _dead_ends(parted, mow_width_m / 2, area_min_m2)
    return found


def _axis(ground: GroundAxis, radius: float) -> MedialAxis | None:
    """Return the medial axis of ground; None where it is wide everywhere, or nowhere."""
    if ground.axis is not None:
        return ground.axis
    core = ground.outline.buffer(-radius, quad_segs=ARC_PIECES)
    if core.is_empty or (hangs_together(ground.outline, core) and core.buffer(2 * radius).covers(ground.outline)):
        return None
    return medial_axis(ground.outline, spacing_m=radius / 2)


# --- ways through ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Way:
    """The widest way between two mouths of a stretch of narrow ground, and the wide stretches that it links."""

    path: WidestPath
    ends: tuple[int, int]


def _ways_through(parted: PartedAxis, mow_width: float) -> list[NarrowPlace]:
    ways = list(_ways(parted))
    links = {number: way.ends for number, way in enumerate(ways) if 2 * way.path.half_width_m >= mow_width}
    return [
        _place(parted.axis, way.path, parts=number in links and not _joined_without(links, number))
        for number, way in enumerate(ways)
    ]


def _ways(parted: PartedAxis) -> Iterator[_Way]:
    axis = parted.axis
    stretch = parted.narrow_number[axis.edges].max(axis=1)
    mouths = np.bincount(parted.mouth_narrow, minlength=parted.narrow_stretches)
    for number in np.flatnonzero(mouths > 1).tolist():
        edges = np.flatnonzero(stretch == number)
        rows = np.flatnonzero(parted.mouth_narrow == number)
        wide = dict(zip(parted.mouths[rows].tolist(), parted.mouth_wide[rows].tolist(), strict=True))
        for start, end, half_width in spanning_links(axis, edges, {node: node for node in wide}):
            path = widest_path(axis, edges, start, end, half_width)
            if path is not None:
                yield _Way(path, (wide[start], wide[end]))


def _joined_without(links: dict[int, tuple[int, int]], left_out: int) -> bool:
    """Return whether the ends of a link hang together by other links."""
    start, end = links[left_out]
    reached, waiting = {start}, [start]
    while waiting:
        here = waiting.pop()
        for number, ends in links.items():
            if number != left_out and here in ends:
                new = set(ends) - reached
                reached |= new
                waiting += new
    return end in reached


def _place(axis: MedialAxis, path: WidestPath, *, parts: bool) -> NarrowPlace:
    steps = np.hypot(*(axis.xy[path.nodes[1:]] - axis.xy[path.nodes[:-1]]).T)
    middle = LineString(shapely.get_coordinates(LineString(axis.middles(path)).simplify(MIDDLE_LINE_TOLERANCE_M)))
    return NarrowPlace(
        width_m=2 * path.half_width_m,
        narrowest=Point(path.narrowest_xy),
        across=LineString(path.sides_xy),
        middle_line=middle if middle.length else LineString(axis.xy[path.nodes[[0, -1]]]),
        parts=parts,
        area_m2=float((2 * axis.half_width_m[path.edges] * steps).sum()),
    )


# --- dead ends -------------------------------------------------------------------------------------------


def _dead_ends(parted: PartedAxis, radius: float, area_min: float) -> Iterator[NarrowPlace]:
    """Yield the dead ends that keep about the same width for a while: a strip beside a house, no wedge."""
    axis = parted.axis
    stretch = parted.narrow_number[axis.edges].max(axis=1)
    mouths = np.bincount(parted.mouth_narrow, minlength=parted.narrow_stretches)
    for number in np.flatnonzero(mouths == 1).tolist():
        edges = np.flatnonzero(stretch == number)
        mouth = int(parted.mouths[parted.mouth_narrow == number][0])
        place = _dead_end(axis, edges, mouth, radius)
        if place is not None and place.area_m2 >= area_min:
            yield place


def _dead_end(axis: MedialAxis, edges: IntArray, mouth: int, radius: float) -> NarrowPlace | None:
    ends = axis.edges[edges]
    away = np.hypot(*(axis.xy[ends] - axis.xy[mouth]).transpose(2, 0, 1)).min(axis=1)
    behind = away > radius
    if not behind.any():
        return None
    half = float(axis.half_width_m[edges][behind].max())
    even = axis.half_width_m[edges] >= EVEN_SHARE * half
    path = _way_into(axis, edges[even], mouth)
    if path is None or float(np.hypot(*(axis.xy[path.nodes[-1]] - axis.xy[mouth]))) < 2 * radius:
        return None
    # Its narrowest place is at its end, where it may taper: what counts is whether the mower gets in.
    inner = path.edges[np.isin(path.edges, edges[behind])]
    typical = int(np.argsort(axis.half_width_m[inner])[len(inner) // 2])
    at = inner[[typical]]
    sides, _ = axis.touching_points(at, axis.narrowest_xy[at])
    return replace(
        _place(axis, path, parts=False),
        width_m=2 * float(axis.half_width_m[at[0]]),
        narrowest=Point(sides[0].mean(axis=0)),
        across=LineString(sides[0]),
    )


def _way_into(axis: MedialAxis, edges: IntArray, mouth: int) -> WidestPath | None:
    """Return the way from a mouth to the farthest node that edges lead to."""
    nodes, inverse = np.unique(axis.edges[edges], return_inverse=True)
    start = np.flatnonzero(nodes == mouth)
    if not len(start):
        return None
    ends = inverse.reshape(-1, 2)
    length = np.hypot(*(axis.xy[axis.edges[edges, 1]] - axis.xy[axis.edges[edges, 0]]).T) + 1e-9
    graph = csr_array((length, (ends[:, 0], ends[:, 1])), shape=(len(nodes), len(nodes)))
    far = dijkstra(graph, directed=False, indices=start[:1])[0]
    end = int(nodes[np.where(np.isfinite(far), far, -1.0).argmax()])
    return None if end == mouth else widest_path(axis, edges, mouth, end, 0.0)


# --- crossings -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class NearCrossing:
    """A way over a surface from zone to zone by what decides: how long it is, and how wide the way is free.

    Parameters
    ----------
    zone_a, zone_b, surface
        As of :class:`lawngis.lawn.zones.Crossing`.
    middle_line
        The shortest way that is as wide as the mower needs; where there is none, the widest that is short enough.
    length_m
        Of the shortest way that is as wide as the mower needs; infinite where it is longer than was looked for [m].
    width_m
        Greatest width free along a way that is short enough, no more than was looked for; 0 where it is less [m].
    """

    zone_a: int
    zone_b: int
    surface: int
    middle_line: LineString
    length_m: float
    width_m: float


def near_crossings(
    zones: Sequence[Polygon],
    surfaces: Sequence[Polygon],
    *,
    length_max_m: float,
    transit_width_m: float,
    slack_m: float,
) -> list[NearCrossing]:
    """Return ways from zone to zone over surfaces, those that are a little too long or too narrow as well.

    Parameters
    ----------
    zones, surfaces, length_max_m, transit_width_m
        As of :func:`lawngis.lawn.zones.crossings`.
    slack_m
        How much longer or narrower a way may be than asked for, and how much wider is looked for [m].

    Returns
    -------
    list of NearCrossing
        At most one for each surface and pair of zones. One that is long enough to be in doubt and narrow enough to be
        as well has both figures.
    """
    if not zones:
        return []
    tree = shapely.STRtree(list(zones))
    found = []
    for index, surface in enumerate(surfaces):
        beside = np.sort(tree.query(surface, predicate="dwithin", distance=SURFACE_GAP_M))
        for a, b in combinations(beside.tolist(), 2):
            ways = CrossingWays(zones[a], zones[b], surface)
            longest_m = length_max_m + slack_m
            shortest = ways.shortest(longest_m, transit_width_m)
            width_m, widest = _widest(ways, length_max_m, transit_width_m, slack_m)
            line = shortest or widest
            if line is not None:
                length_m = inf if shortest is None else float(shortest.length)
                found.append(NearCrossing(a, b, index, line, length_m, width_m))
    return found


def _widest(ways: CrossingWays, length_max: float, width: float, slack: float) -> tuple[float, LineString | None]:
    """Return the greatest width at which there is a way no longer than some length, and that way, by halving."""
    low, high = max(width - slack, WIDTH_STEP_M), width + slack
    line = ways.shortest(length_max, low)
    if line is None:
        return 0.0, None
    while high - low > WIDTH_STEP_M:
        middle = (low + high) / 2
        way = ways.shortest(length_max, middle)
        low, high, line = (low, middle, line) if way is None else (middle, high, way)
    return low, line
