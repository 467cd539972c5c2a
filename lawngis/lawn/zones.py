"""Zones of a lawn, the passages between them, and who reaches whom.

A zone is ground that is wide enough to mow and hangs together at that width. What is narrower is cut off along
straight chords; what is cut off is a passage if it links zones, and a nook if not.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from heapq import heapify, heappop, heappush
from itertools import combinations
from typing import NamedTuple, TypeVar

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import IntArray
from lawngis.errors import FeatureError, ParameterError
from lawngis.geometry.medial import MedialAxis, WidestPath, medial_axis, widest_path
from lawngis.geometry.mouths import CORNER_DEPTH, CUT_TOLERANCE_M, PartedAxis, PartedGround, parted_axis, parted_ground
from lawngis.geometry.polygons import polygon_parts

Zone = TypeVar("Zone", bound=Hashable)
Link = TypeVar("Link", bound=Hashable)

ROOM_TOLERANCE_M = 0.01
"""A zone has room for a disc smaller than half the mowing width by this [m]: offsets are exact to about 1 %."""

MIDDLE_LINE_TOLERANCE_M = 0.015
"""Middle lines are simplified by this [m]."""

SURFACE_GAP_M = 0.05
"""A zone lies at a surface when their outlines are no further apart [m]."""

ARC_PIECES = 16
"""Pieces per quarter circle of offset outlines: their error is 0.12 % of the offset."""


@dataclass(frozen=True)
class Passage:
    """Ground between two zones that is too narrow to mow.

    Parameters
    ----------
    zone_a, zone_b
        Indices of the zones, the smaller first.
    width_m
        Width at the narrowest place of the widest way through [m].
    narrowest
        That place, on the middle of the way.
    middle_line
        Way through, from the middle of zone_a's mouth to the middle of zone_b's. Where the passage has no length,
        it runs between the centres of the last discs that fit on both sides.
    outline
        Ground of the passage; empty where two zones meet in one chord, and for all but the widest of the passages
        through ground that branches to more than two zones.
    length_m
        Length between the mouths [m]; 0 where they are the same.
    across
        From side to side at the narrowest place.
    """

    zone_a: int
    zone_b: int
    width_m: float
    narrowest: Point
    middle_line: LineString
    outline: Polygon
    length_m: float
    across: LineString


@dataclass(frozen=True)
class GroundAxis:
    """A connected piece of mowable ground and its medial axis, None where none was needed to part it."""

    outline: Polygon
    axis: MedialAxis | None


@dataclass(frozen=True)
class ZonePartition:
    """Mowable ground parted without overlap or rest.

    Parameters
    ----------
    zones
        Wide enough to mow, the largest first.
    passages
        What links them, the widest first.
    nooks
        Too narrow to mow and on the way to no other zone: dead ends, gaps around an island.
    scraps
        Wide enough but smaller than the least area of a zone.
    grounds
        The connected pieces of ground that were parted.
    """

    zones: tuple[Polygon, ...]
    passages: tuple[Passage, ...]
    nooks: tuple[Polygon, ...]
    scraps: tuple[Polygon, ...]
    grounds: tuple[GroundAxis, ...] = field(default=(), compare=False, repr=False)


@dataclass(frozen=True)
class Crossing:
    """Shortest way between two zones over a surface that may be driven on.

    Parameters
    ----------
    zone_a, zone_b
        Indices of the zones, the smaller first.
    surface
        Index of the surface.
    middle_line
        Straight, from zone_a's outline to zone_b's.
    length_m
        Its length [m].
    width_m
        Twice the least distance from it to ground that may not be driven on, at least the width asked for [m].
    """

    zone_a: int
    zone_b: int
    surface: int
    middle_line: LineString
    length_m: float
    width_m: float


def zone_partition(
    mowable: Polygon | MultiPolygon, *, mow_width_m: float, zone_area_min_m2: float, spacing_m: float = 0.1
) -> ZonePartition:
    """Return the zones of mowable ground, their passages, and what belongs to neither.

    All pieces together are the ground again; where two of them touch they have the same vertices.

    Parameters
    ----------
    mowable
        Ground without islands and whatever lies outside; obstacles that may be bumped are part of it [m].
    mow_width_m
        Narrowest ground, edge to edge, that is mown [m].
    zone_area_min_m2
        Least area of a zone [m²].
    spacing_m
        Distance of boundary samples where the ground is narrow [m].

    Returns
    -------
    ZonePartition

    Raises
    ------
    FeatureError
        When the ground isn't valid.
    ParameterError
        When a width or spacing isn't positive, or the area is negative.

    Notes
    -----
    See :mod:`lawngis.geometry.mouths` for the cuts. A zone reaches a little into a passage whose walls run together
    slowly: as far as it is wide enough to mow.
    """
    if not (mow_width_m > 0 and spacing_m > 0 and zone_area_min_m2 >= 0):
        raise ParameterError(
            f"mowing width {mow_width_m} m, spacing {spacing_m} m and least area {zone_area_min_m2} m² must be positive"
        )
    if not mowable.is_valid:
        raise FeatureError(f"the mowable ground is not valid: {shapely.is_valid_reason(mowable)}")
    parts = [_part_partition(part, mow_width_m / 2, zone_area_min_m2, spacing_m) for part in polygon_parts(mowable)]
    return _ordered(_joined(parts))


def crossings(
    zones: Sequence[Polygon], surfaces: Sequence[Polygon], *, length_max_m: float, transit_width_m: float
) -> list[Crossing]:
    """Return where the mower can drive from zone to zone over a surface that lies level with the lawn.

    Parameters
    ----------
    zones
        Zones [m].
    surfaces
        Surfaces that may be driven on [m]; which these are is for the caller to say.
    length_max_m
        Longest way from zone to zone [m].
    transit_width_m
        Width that must be free along the way [m].

    Returns
    -------
    list of Crossing
        At most one for each surface and pair of zones, the shortest straight one, in the order of the surfaces.
    """
    if not zones:
        return []
    tree = shapely.STRtree(list(zones))
    found = []
    for index, surface in enumerate(surfaces):
        near = np.sort(tree.query(surface, predicate="dwithin", distance=SURFACE_GAP_M))
        for a, b in combinations(near.tolist(), 2):
            ways = CrossingWays(zones[a], zones[b], surface)
            line = ways.shortest(length_max_m, transit_width_m)
            if line is not None:
                width = 2 * shapely.distance(line, ways.drivable.boundary)
                # That the width is free is known to the tolerance of offsets: a crossing is never told narrower.
                found.append(Crossing(a, b, index, line, float(line.length), max(float(width), transit_width_m)))
    return found


def zone_groups(
    areas_m2: Mapping[Zone, float], links: Mapping[Link, tuple[Zone, Zone, float]], *, home: Zone | None = None
) -> list[dict[Zone, Link | None]]:
    """Return zones in groups between which the mower drives by itself, that of the home zone first.

    Parameters
    ----------
    areas_m2
        Areas of the zones by name or number [m²].
    links
        What the mower gets through between them: two zones, and the width [m].
    home
        Home zone; the largest, and the first of equals, when absent.

    Returns
    -------
    list of dict
        Each group maps its zones to the last link on the widest way from the group's first zone, whose narrowest link
        is as wide as can be; the first has None. It is home, or the largest of those that are left.

    Raises
    ------
    ParameterError
        When a link, or the home, is of a zone that isn't there.

    Examples
    --------
    >>> zone_groups({"a": 90, "b": 40, "c": 60, "d": 20}, {1: ("a", "b", 1.2), 2: ("c", "d", 1.0)})
    [{'a': None, 'b': 1}, {'c': None, 'd': 2}]
    """
    beside: dict[Zone, list[tuple[float, int, Link, Zone]]] = {zone: [] for zone in areas_m2}
    if not {zone for link in links.values() for zone in link[:2]} | ({home} - {None}) <= beside.keys():
        raise ParameterError(f"a link or the home names a zone that is not among {len(areas_m2)} zones")
    for number, (link, (a, b, width_m)) in enumerate(links.items()):
        beside[a].append((-width_m, number, link, b))
        beside[b].append((-width_m, number, link, a))
    groups: list[dict[Zone, Link | None]] = []
    left = list(areas_m2)
    while left:
        first = home if home is not None and not groups else max(left, key=areas_m2.__getitem__)
        reached: dict[Zone, Link | None] = {first: None}
        waiting = list(beside[first])
        heapify(waiting)
        while waiting:
            _, _, link, zone = heappop(waiting)
            if zone not in reached:
                reached[zone] = link
                for step in beside[zone]:
                    heappush(waiting, step)
        groups.append({zone: reached[zone] for zone in (first, *left) if zone in reached})
        left = [zone for zone in left if zone not in reached]
    return groups


# --- from one connected piece of ground to its partition


def _part_partition(part: Polygon, radius: float, area_min: float, spacing: float) -> ZonePartition:
    core = part.buffer(-(radius - CUT_TOLERANCE_M), quad_segs=ARC_PIECES)
    if core.is_empty:
        return ZonePartition((), (), (part,), (), (GroundAxis(part, None),))
    if part.area < area_min:
        return ZonePartition((), (), (), (part,), (GroundAxis(part, None),))
    if hangs_together(part, core) and core.buffer((1 + CORNER_DEPTH) * radius).covers(part):
        return ZonePartition((part,), (), (), (), (GroundAxis(part, None),))
    axis = medial_axis(
        part,
        spacing_m=spacing,
        fine_within=shapely.difference(part, core.buffer(radius)).buffer(radius / 2),
        coarse_spacing_m=max(radius / 2, spacing),
    )
    parted = parted_axis(axis, radius_m=radius)
    grounds = (GroundAxis(part, axis),)
    if not parted.wide_stretches:
        return ZonePartition((), (), (part,), (), grounds)
    return replace(_partition_of_ground(parted_ground(part, parted), parted, radius, area_min), grounds=grounds)


def hangs_together(part: Polygon, core: BaseGeometry) -> bool:
    """Return whether the core is one piece around the same islands: no gap was too narrow for the disc."""
    return isinstance(core, Polygon) and len(core.interiors) == len(part.interiors)


def _partition_of_ground(ground: PartedGround, parted: PartedAxis, radius: float, area_min: float) -> ZonePartition:
    wide = frozenset(ground.face_of_wide.tolist())
    # Where passages meet the disc may fit although it doesn't between their chords.
    roomy = {face for face in wide if not ground.faces[face].buffer(ROOM_TOLERANCE_M - radius).is_empty}
    zones = sorted(face for face in roomy if ground.faces[face].area >= area_min)
    site = _Junctions(ground, parted, wide, {face: index for index, face in enumerate(zones)})
    passages: list[Passage] = []
    spent = set(zones)
    for bridge in _bridges(site.mouths, set(zones)):
        found, used = _bridge_passages(bridge, site)
        passages += found
        spent |= used
    rest = [face for face in range(len(ground.faces)) if face not in spent]
    return ZonePartition(
        zones=tuple(ground.faces[face] for face in zones),
        passages=tuple(passages),
        nooks=tuple(ground.faces[face] for face in rest if face not in roomy),
        scraps=tuple(ground.faces[face] for face in rest if face in roomy),
    )


class _Mouth(NamedTuple):
    """Where a group of narrow stretches opens into a wide face: row is that of the mouth in the parted axis."""

    group: int
    face: int
    row: int


@dataclass(frozen=True)
class _Junctions:
    """Which narrow stretches open into which wide faces; `zones` maps the faces that are zones to their numbers."""

    ground: PartedGround
    parted: PartedAxis
    wide: frozenset[int]
    zones: Mapping[int, int]

    @cached_property
    def _narrow_faces(self) -> IntArray:
        """Pairs of narrow stretch and face that it lies in, shape (p, 2)."""
        beside = self.ground.faces_beside
        pairs = np.column_stack([np.repeat(self.parted.mouth_narrow, 2), beside.reshape(-1)])
        narrow = ~np.isin(pairs[:, 1], [-1, *self.wide])
        return np.unique(pairs[narrow], axis=0)

    @cached_property
    def group_of_stretch(self) -> IntArray:
        """Group of each narrow stretch: stretches in one face belong together."""
        stretches = self.parted.narrow_stretches
        one, two = self._narrow_faces.T
        size = stretches + len(self.ground.faces)
        graph = coo_array((np.ones(len(one)), (one, stretches + two)), shape=(size, size))
        _, label = connected_components(graph, directed=False)
        return np.asarray(label[:stretches], dtype=np.int64)

    @cached_property
    def mouths(self) -> list[_Mouth]:
        """All mouths, in the order of the parted axis."""
        groups = self.group_of_stretch[self.parted.mouth_narrow].tolist()
        faces = self.ground.face_of_wide[self.parted.mouth_wide].tolist()
        return [_Mouth(group, face, row) for row, (group, face) in enumerate(zip(groups, faces, strict=True))]

    def ground_of(self, bridge: _Bridge) -> set[int]:
        """Return the faces of a bridge."""
        own = np.isin(self.group_of_stretch[self._narrow_faces[:, 0]], list(bridge.groups))
        return set(self._narrow_faces[own, 1].tolist()) | bridge.faces

    def edges_of(self, bridge: _Bridge) -> IntArray:
        """Return the edges of the medial axis that run inside a bridge, mouths included."""
        parted = self.parted
        narrow = np.isin(self.group_of_stretch, list(bridge.groups))
        small = np.isin(self.ground.face_of_wide, list(bridge.faces))
        member = np.append(narrow, False)[parted.narrow_number] | np.append(small, False)[parted.wide_number]
        member[parted.mouths[narrow[parted.mouth_narrow]]] = True
        return np.flatnonzero(member[parted.axis.edges].all(axis=1))


@dataclass(frozen=True)
class _Bridge:
    """Groups of narrow stretches, and wide faces too small for a zone between them, that link zones."""

    groups: frozenset[int]
    faces: frozenset[int]
    mouths: tuple[_Mouth, ...]


def _bridges(mouths: Sequence[_Mouth], zones: set[int]) -> list[_Bridge]:
    """Return what links different zones, dead ends pruned away."""
    live = set(mouths)
    while True:
        groups = _neighbours((mouth.group, mouth.face) for mouth in live)
        smalls = _neighbours((mouth.face, mouth.group) for mouth in live if mouth.face not in zones)
        dead = {
            mouth
            for mouth in live
            if len(groups[mouth.group]) < 2 or (mouth.face not in zones and len(smalls[mouth.face]) < 2)
        }
        if not dead:
            break
        live -= dead
    bridges = []
    while live:
        own = _connected_mouths(live, zones)
        live -= own
        if len({mouth.face for mouth in own} & zones) > 1:
            between = frozenset(mouth.face for mouth in own) - zones
            ordered = tuple(sorted(own, key=lambda mouth: mouth.row))
            bridges.append(_Bridge(frozenset(mouth.group for mouth in own), between, ordered))
    return sorted(bridges, key=lambda bridge: bridge.mouths[0].row)


def _neighbours(pairs: Iterable[tuple[int, int]]) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for one, two in pairs:
        found.setdefault(one, set()).add(two)
    return found


def _connected_mouths(live: set[_Mouth], zones: set[int]) -> set[_Mouth]:
    """Return the mouths that hang together with some mouth without passing through a zone."""
    own: set[_Mouth] = set()
    new = {min(live, key=lambda mouth: mouth.row)}
    while new:
        own |= new
        groups = {mouth.group for mouth in new}
        between = {mouth.face for mouth in new} - zones
        new = {mouth for mouth in live if mouth.group in groups or mouth.face in between} - own
    return own


def _bridge_passages(bridge: _Bridge, site: _Junctions) -> tuple[list[Passage], set[int]]:
    """Return the passages through a bridge and those of its faces that belong to them.

    None of either when the medial axis doesn't get through: the gap is closed for all practical ends.
    """
    axis, edges, ground = site.parted.axis, site.edges_of(bridge), site.ground_of(bridge)
    ends = {int(site.parted.mouths[m.row]): m for m in bridge.mouths if m.face in site.zones}
    links = spanning_links(axis, edges, {node: site.zones[mouth.face] for node, mouth in ends.items()})
    merged = polygon_parts(shapely.union_all([site.ground.faces[face] for face in ground]))
    outline = max(merged, key=lambda polygon: polygon.area, default=Polygon())
    passages: list[Passage] = []
    for start, end, half_width in links:
        path = widest_path(axis, edges, start, end, half_width)
        if path is not None:
            passage = _passage(path, ends[start], ends[end], outline, site)
            passages.append(replace(passage, outline=Polygon()) if passages else passage)
    used = {face for face in ground if outline.intersects(site.ground.faces[face].point_on_surface())}
    return (passages, used) if passages else ([], set())


def _passage(path: WidestPath, start: _Mouth, end: _Mouth, outline: Polygon, site: _Junctions) -> Passage:
    axis = site.parted.axis
    mouths = site.ground.chord_middles[[start.row, end.row]]
    if outline.is_empty:
        middle = LineString([axis.xy[path.nodes[0]], mouths.mean(axis=0), axis.xy[path.nodes[-1]]])
    else:
        ways = LineString([mouths[0], *axis.middles(path)[1:-1], mouths[1]])
        middle = LineString(shapely.get_coordinates(ways.simplify(MIDDLE_LINE_TOLERANCE_M)))
    return Passage(
        zone_a=site.zones[start.face],
        zone_b=site.zones[end.face],
        width_m=2 * path.half_width_m,
        narrowest=Point(path.narrowest_xy),
        middle_line=middle,
        outline=outline,
        length_m=0.0 if outline.is_empty else float(middle.length),
        across=LineString(path.sides_xy),
    )


def spanning_links(axis: MedialAxis, edges: IntArray, terminals: Mapping[int, int]) -> list[tuple[int, int, float]]:
    """Return pairs of mouths of different zones, and half the width between them, that link all zones.

    Edges are added from the widest to the narrowest (Kruskal's tree, whose paths are the widest ones); whenever one
    joins zones that weren't joined yet, it is the narrowest place on the widest way between them.
    """
    parent: dict[int, int] = {}
    inside: dict[int, list[int]] = {node: [node] for node in terminals}

    def root(node: int) -> int:
        while (above := parent.get(node, node)) != node:
            parent[node] = parent.get(above, above)
            node = above
        return node

    zone_root = {zone: zone for zone in terminals.values()}
    links = []
    for edge in edges[np.argsort(-axis.half_width_m[edges], kind="stable")].tolist():
        one, two = (root(node) for node in axis.edges[edge].tolist())
        if one == two:
            continue
        parent[two] = one
        here, there = inside.pop(one, []), inside.pop(two, [])
        inside[one] = here + there
        for start, end in _nearest_pairs(axis, here, there, terminals):
            a, b = zone_root[terminals[start]], zone_root[terminals[end]]
            if a != b:
                links.append((start, end, float(axis.half_width_m[edge])))
                zone_root = {zone: a if above == b else above for zone, above in zone_root.items()}
    return links


def _nearest_pairs(
    axis: MedialAxis, here: list[int], there: list[int], terminals: Mapping[int, int]
) -> list[tuple[int, int]]:
    pairs = [(one, two) for one in here for two in there if terminals[one] != terminals[two]]
    return sorted(pairs, key=lambda pair: float(np.hypot(*(axis.xy[pair[0]] - axis.xy[pair[1]]))))


# --- putting parts together


def _joined(parts: Sequence[ZonePartition]) -> ZonePartition:
    passages: list[Passage] = []
    offset = 0
    for part in parts:
        passages += [replace(p, zone_a=p.zone_a + offset, zone_b=p.zone_b + offset) for p in part.passages]
        offset += len(part.zones)
    return ZonePartition(
        zones=tuple(zone for part in parts for zone in part.zones),
        passages=tuple(passages),
        nooks=tuple(nook for part in parts for nook in part.nooks),
        scraps=tuple(scrap for part in parts for scrap in part.scraps),
        grounds=tuple(ground for part in parts for ground in part.grounds),
    )


def _ordered(partition: ZonePartition) -> ZonePartition:
    """Return the partition with zones by falling area and passages by falling width."""
    order = sorted(range(len(partition.zones)), key=lambda zone: -partition.zones[zone].area)
    rank = {zone: index for index, zone in enumerate(order)}
    passages = [_directed(replace(p, zone_a=rank[p.zone_a], zone_b=rank[p.zone_b])) for p in partition.passages]
    return replace(
        partition,
        zones=tuple(partition.zones[zone] for zone in order),
        passages=tuple(sorted(passages, key=lambda passage: -passage.width_m)),
    )


def _directed(passage: Passage) -> Passage:
    if passage.zone_a < passage.zone_b:
        return passage
    return replace(passage, zone_a=passage.zone_b, zone_b=passage.zone_a, middle_line=passage.middle_line.reverse())


# --- crossings


@dataclass(frozen=True)
class CrossingWays:
    """Ways between two zones over a surface."""

    zone_a: Polygon
    zone_b: Polygon
    surface: Polygon

    @cached_property
    def drivable(self) -> BaseGeometry:
        """Ground that may be driven on."""
        # Outlines that should meet may leave a hairline between them.
        return (
            shapely.union_all([self.zone_a, self.zone_b, self.surface])
            .buffer(SURFACE_GAP_M / 2, join_style="mitre")
            .buffer(-SURFACE_GAP_M / 2, join_style="mitre")
        )

    @cached_property
    def _shores(self) -> tuple[BaseGeometry, BaseGeometry]:
        near = self.surface.buffer(SURFACE_GAP_M)
        one, two = (zone.boundary.intersection(near) for zone in (self.zone_a, self.zone_b))
        return one, two

    def shortest(self, length_max_m: float, width_m: float) -> LineString | None:
        """Return the shortest straight line from zone to zone with a width free along it, if one is so short."""
        free = self.drivable.buffer(-(width_m / 2 - CUT_TOLERANCE_M), quad_segs=ARC_PIECES)
        shores = [shapely.get_parts(shapely.line_merge(shore.intersection(free))) for shore in self._shores]
        lines = [shapely.shortest_line(one, two) for one in shores[0] for two in shores[1]]
        for line in sorted(lines, key=lambda line: float(line.length)):
            if 0 < line.length <= length_max_m and free.buffer(CUT_TOLERANCE_M).covers(line):
                return LineString(line)
        return None
