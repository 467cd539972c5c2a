"""Planner time against islands and vertices: run by hand, prints seconds and the exponent between sizes.

``python tests/bench/bench_wire.py``
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from time import process_time

import numpy as np
from shapely import LineString, Point, Polygon, box, orient_polygons

from lawngis.geometry.lines import chainage_m
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.ground import loop_ground, setback_ground
from lawngis.wire.loop import Stretch, laid_loop
from lawngis.wire.pegs import pegs


def islands(count: int) -> Polygon:
    """A square of lawn with round beds every 4 m."""
    side = int(np.ceil(np.sqrt(count)))
    beds = [Point(4 + 4 * (k % side), 4 + 4 * (k // side)).buffer(0.6, quad_segs=4) for k in range(count)]
    return Polygon(box(0, 0, 4 * side + 4, 4 * side + 4).exterior, [bed.exterior for bed in beds])


def vertices(count: int) -> Polygon:
    """A wavy round lawn whose outline has so many vertices, one every 10 cm."""
    turns = np.linspace(0, 2 * np.pi, count, endpoint=False)
    radius = count * 0.1 / (2 * np.pi)
    wavy = radius + min(1.0, radius / 8) * np.sin(turns * max(3, round(radius / 2)))
    return Polygon(np.column_stack([wavy * np.cos(turns), wavy * np.sin(turns)]))


def laid(zone: Polygon) -> int:
    """Lay and peg the wire of a zone with one setback all around; the number of pegs."""
    zone = orient_polygons(zone)
    lines = [LineString(ring.coords) for ring in (zone.exterior, *zone.interiors)]
    inside = setback_ground(zone, lines, [0.25] * len(lines), gap_min_m=0.3)
    ground = loop_ground(polygon_parts(inside)[:1], gap_min_m=0.3)
    loop = laid_loop(ground, ground.exterior.coords[0], [Stretch(line, "soft", 0.25) for line in lines])
    return len(pegs(loop, chainage_m(loop.xy), spacing_straight_m=0.8, spacing_bend_m=0.3).xy)


def growth(name: str, build: Callable[[int], Polygon], sizes: Sequence[int]) -> None:
    """Print seconds for each size and the exponent from one to the next."""
    before: tuple[int, float] | None = None
    for size in sizes:
        zone = build(size)
        started = process_time()
        count = laid(zone)
        seconds = process_time() - started
        exponent = "" if before is None else f"  n^{np.log(seconds / before[1]) / np.log(size / before[0]):.2f}"
        print(f"{name} {size:7d}: {seconds:8.3f} s, {count} pegs{exponent}", flush=True)
        before = size, seconds


if __name__ == "__main__":
    largest = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    growth("islands ", islands, [n for n in (10, 100, 1000) if n <= largest])
    growth("vertices", vertices, [n for n in (1000, 10_000, 100_000) if n <= largest])
