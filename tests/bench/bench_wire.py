"""Planner time against islands and vertices, and how long leads are: run by hand.

Prints seconds and the exponent between sizes; then, on lawns with few beds at random, the length of all leads over the
best tree that trying all trees finds, and over the Euclidean lower bound (the shortest tree of straight leads).

``python tests/bench/bench_wire.py``
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from itertools import product
from time import process_time

import numpy as np
from shapely import LinearRing, LineString, Point, Polygon, box, orient_polygons

from lawngis.geometry.lines import chainage_m
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.ground import loop_ground, setback_ground
from lawngis.wire.leads import ground_rings, lead_tree
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


def scattered(seed: int, count: int) -> Polygon:
    """Ground of 12 x 12 m with round beds at random, apart from one another and from the edge."""
    random = np.random.default_rng(seed)
    ground = box(0, 0, 12, 12)
    for _ in range(count):
        bed = Point(random.uniform(1.5, 10.5, 2)).buffer(random.uniform(0.3, 1.0), quad_segs=6)
        if bed.distance(ground.boundary) > 0.4 and ground.contains(bed):
            ground = ground.difference(bed)
    return orient_polygons(ground)


def least_of_all_trees_m(ground: Polygon) -> float:
    """Length of the best tree of straight leads over the rings: all trees tried, each from its Prüfer code."""
    rings = [LinearRing(ring) for ring in ground_rings(ground)]
    count = len(rings)
    away = np.array([[one.distance(other) for other in rings] for one in rings])
    if count <= 2:
        return float(away[0, -1])
    return min(_tree_m(away, code) for code in product(range(count), repeat=count - 2))


def _tree_m(away: np.ndarray, code: tuple[int, ...]) -> float:
    degree = np.bincount(code, minlength=len(away)) + 1
    total = 0.0
    for node in code:
        leaf = int(np.argmax(degree == 1))
        total += away[leaf, node]
        degree[[leaf, node]] -= 1
    return float(total + away[tuple(np.flatnonzero(degree == 1))])


def leads(cases: int) -> None:
    """Print the ratios of leads as laid to the best tree and to the Euclidean lower bound, mean and worst."""
    to_best, to_bound = [], []
    for seed in range(cases):
        ground = scattered(seed, 5)
        if len(ground.interiors):
            tree = lead_tree(ground, 3.0)
            to_best.append(tree.length_m / least_of_all_trees_m(ground))
            to_bound.append(tree.ratio)
    for name, ratio in (("best tree of all", to_best), ("Euclidean lower bound", to_bound)):
        print(f"leads of {len(ratio)} lawns over the {name}: mean {np.mean(ratio):.4f}, worst {np.max(ratio):.4f}")


if __name__ == "__main__":
    largest = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    leads(100)
    growth("islands ", islands, [n for n in (10, 100, 1000) if n <= largest])
    growth("vertices", vertices, [n for n in (1000, 10_000, 100_000) if n <= largest])
