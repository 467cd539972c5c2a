"""What every loop obeys, told by code that shares nothing with the planner, and lawns to try it on."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

from lawngis.wire.loop import Loop, Stretch


def turns_deg(ring):
    """Turn at each vertex of a closed ring, in another way than the library: by complex numbers."""
    z = ring[:-1, 0] + 1j * ring[:-1, 1]
    return np.degrees(np.angle((np.roll(z, -1) - z) / (z - np.roll(z, 1))))


def angle_winding(ring, points):
    """Winding number as the sum of signed angles."""
    z = ring[:, 0] + 1j * ring[:, 1]
    away = z[None, :] - (points[:, 0] + 1j * points[:, 1])[:, None]
    return np.rint(np.angle(away[:, 1:] / away[:, :-1]).sum(axis=1) / (2 * np.pi)).astype(int)


def rings_without_leads(loop: Loop) -> list[np.ndarray]:
    """The wire with its leads cut out: one closed ring for the outer wire and one for each island."""
    stack, done = [[]], []
    for run in loop.runs:
        if run.kind == "lead_out":
            stack.append([])
        elif run.kind == "lead_back":
            done.append(np.concatenate(stack.pop()))
        else:
            stack[-1].append(run.xy)
    assert len(stack) == 1
    rings = []
    for ring in [np.concatenate(stack[0]), *done]:
        keep = np.append(True, np.hypot(*np.diff(ring, axis=0).T) > 1e-6)
        kept = ring[keep]
        kept[-1] = kept[0]
        rings.append(kept)
    return rings


def _closed(loop: Loop) -> Iterator[str]:
    for before, after in zip(loop.runs, (*loop.runs[1:], loop.runs[0]), strict=True):
        if not np.array_equal(before.xy[-1], after.xy[0]):
            yield "1: runs do not meet"


def _winding(loop: Loop, zone) -> Iterator[str]:
    xy = loop.xy
    inside = Polygon(rings_without_leads(loop)[0], rings_without_leads(loop)[1:])
    x0, y0, x1, y1 = zone.bounds
    grid = np.stack(np.meshgrid(np.linspace(x0 - 1, x1 + 1, 37), np.linspace(y0 - 1, y1 + 1, 31)), -1).reshape(-1, 2)
    points = shapely.points(grid)
    grid = grid[shapely.distance(points, LineString(xy)) > 0.05]
    number = angle_winding(xy, grid)
    if not np.array_equal(number, shapely.contains_xy(inside, grid).astype(int)):
        yield "2: wrong winding number"


def _setbacks(loop: Loop, zone, stretches: list[Stretch], tolerance: float = 0.02) -> Iterator[str]:
    lines = [s.line for s in stretches]
    setbacks = np.array([s.setback_m for s in stretches])
    tree = shapely.STRtree(lines)
    outline = shapely.boundary(zone)
    for run in loop.runs:
        if run.kind not in ("edge", "island"):
            continue
        if LineString(run.xy).distance(outline) < run.setback_m - tolerance:
            yield f"3: {run.kind} {run.edge_class} nearer to the outline than {run.setback_m}"
        dense = shapely.points(shapely.get_coordinates(shapely.segmentize(LineString(run.xy), 0.1)))
        (_, edge), away = tree.query_nearest(dense, return_distance=True)
        if (away < setbacks[edge] - tolerance).any():
            yield f"3: {run.kind} nearer to an edge than its setback"


def _bends(loop: Loop) -> Iterator[str]:
    for ring in rings_without_leads(loop):
        if np.abs(turns_deg(ring)).max() > 50.0:
            yield f"4: bend of {np.abs(turns_deg(ring)).max():.1f} degrees"


def _leads(loop: Loop) -> Iterator[str]:
    out = {run.island: run.xy for run in loop.runs if run.kind == "lead_out"}
    back = {run.island: run.xy for run in loop.runs if run.kind == "lead_back"}
    if set(out) != set(back) or len(out) != sum(run.kind == "lead_out" for run in loop.runs):
        yield "5: leads out and back do not pair"
        return
    if not out:
        return
    for island, xy in out.items():
        if np.abs(xy - back[island][::-1]).max() > 0.001:
            yield "5: lead wires part"
    lines = [LineString(xy) for xy in out.values()]
    first, second = shapely.STRtree(lines).query(lines, predicate="intersects")
    if (first != second).any():
        yield "5: leads meet"
    for line in lines:
        middle = shapely.line_interpolate_point(line, [0.003, line.length / 2, line.length - 0.003])
        short = LineString([middle[0], middle[2]])
        if line.length > 0.01 and any(short.intersects(LineString(ring)) for ring in rings_without_leads(loop)):
            yield "5: a lead crosses other wire"


def _gaps(loop: Loop, gap: float, strip_gap: float | None = None) -> Iterator[str]:
    pieces, ring_no, along, length = [], [], [], []
    for number, ring in enumerate(rings_without_leads(loop)):
        xy = shapely.get_coordinates(shapely.segmentize(LineString(ring), gap / 6))
        step = np.hypot(*np.diff(xy, axis=0).T)
        total = step.sum()
        pieces.append(np.stack([xy[:-1], xy[1:]], axis=1))
        ring_no.append(np.full(len(step), number))
        along.append(np.cumsum(step) - step / 2)
        length.append(np.full(len(step), total))
    lines = shapely.linestrings(np.concatenate(pieces))
    ring_no, along, length = map(np.concatenate, (ring_no, along, length))
    a, b = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=gap - 0.005)
    a, b = a[a < b], b[a < b]
    chain = np.abs(along[a] - along[b])
    chain = np.minimum(chain, length[a] - chain)
    far = (ring_no[a] != ring_no[b]) | (chain > 2 * gap + gap / 6)
    if far.any():
        nearest = shapely.distance(lines[a[far]], lines[b[far]])
        at = shapely.get_coordinates(lines[a[far][nearest.argmin()]])[0]
        yield f"6: wire {nearest.min():.3f} m from other wire at {at.round(2)}"


def _vertices(loop: Loop) -> Iterator[str]:
    for ring in rings_without_leads(loop):
        step = np.hypot(*np.diff(ring, axis=0).T)
        if step.min() < 0.0045:
            yield f"vertices {step.min():.4f} m apart"


def broken_rules(loop: Loop, zone, stretches: list[Stretch], gap: float = 0.3) -> list[str]:
    """Rules 1 to 6 of the plan contract that a loop breaks."""
    checks = (
        _closed(loop),
        _winding(loop, zone),
        _setbacks(loop, zone, stretches),
        _bends(loop),
        _leads(loop),
        _gaps(loop, gap),
        _vertices(loop),
    )
    return [text for check in checks for text in check]


def sides(zone: Polygon | MultiPolygon) -> list[LineString]:
    """Every side of a zone as a stretch of its own, zone on the left."""
    lines = []
    for part in shapely.get_parts(shapely.orient_polygons(zone)):
        for ring in [part.exterior, *part.interiors]:
            xy = np.array(ring.coords)
            lines += [LineString(xy[i : i + 2]) for i in range(len(xy) - 1)]
    return lines


def outlines(zone: Polygon | MultiPolygon) -> list[LineString]:
    """Every ring of a zone as one stretch, zone on the left."""
    return [
        LineString(ring.coords)
        for part in shapely.get_parts(shapely.orient_polygons(zone))
        for ring in [part.exterior, *part.interiors]
    ]


def start_on(ground: Polygon) -> np.ndarray:
    """Middle of the longest side of the outer ring."""
    ring = np.array(ground.exterior.coords)
    longest = np.hypot(*np.diff(ring, axis=0).T).argmax()
    return ring[longest : longest + 2].mean(axis=0)


def random_zone(seed: int) -> Polygon:
    """A lawn with spikes, slivers, holes, holes close to the edge and to one another."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 30))
    angles = np.sort(rng.uniform(0, 2 * np.pi, count))
    size = rng.uniform(3, 12)
    radii = size * rng.uniform(rng.choice([0.15, 0.5, 0.9]), 1.0, count)
    zone = Polygon(np.column_stack([radii * np.cos(angles), radii * np.sin(angles)])).buffer(0)
    for _ in range(int(rng.integers(0, 7))):
        corners = int(rng.integers(3, 9))
        turn = np.sort(rng.uniform(0, 2 * np.pi, corners))
        centre = rng.uniform(-size, size, 2) * 0.7
        reach = rng.uniform(0.02, 0.25) * size * rng.uniform(0.3, 1.0, corners)
        hole = Polygon(centre + np.column_stack([reach * np.cos(turn), reach * np.sin(turn)]))
        zone = zone.difference(hole.buffer(0))
    if rng.random() < 0.3:
        zone = zone.difference(LineString(rng.uniform(-size, size, (2, 2))).buffer(rng.uniform(0.005, 0.1)))
    parts = [part for part in shapely.get_parts(zone) if part.geom_type == "Polygon" and not part.is_empty]
    return max(parts, key=lambda part: part.area) if parts else Point(0, 0).buffer(5, quad_segs=3)


def random_stretches(zone: Polygon, seed: int) -> list[Stretch]:
    """Sides with setbacks of an ordinary profile, neighbours often alike."""
    rng = np.random.default_rng(seed + 1)
    classes = {"flush": 0.12, "soft": 0.25, "boundary": 0.3, "wall": 0.35, "steep": 0.4, "water": 0.6}
    names = list(classes)
    chosen, name = [], names[0]
    for line in sides(zone):
        if rng.random() < 0.5:
            name = names[int(rng.integers(len(names)))]
        chosen.append(Stretch(line, name, classes[name]))
    return chosen


class Laws:
    """The functions above, for tests of this directory."""

    broken = staticmethod(broken_rules)
    rings = staticmethod(rings_without_leads)
    turns_deg = staticmethod(turns_deg)
    winding = staticmethod(angle_winding)
    sides = staticmethod(sides)
    outlines = staticmethod(outlines)
    start_on = staticmethod(start_on)
    random_zone: Callable[[int], Polygon] = staticmethod(random_zone)
    random_stretches: Callable[[Polygon, int], list[Stretch]] = staticmethod(random_stretches)


@pytest.fixture(scope="session")
def laws() -> type[Laws]:
    return Laws
