"""Time to part a lawn into zones against islands and vertices: run by hand.

Prints seconds and the exponent between sizes: near 1 is the n log n that sorting and triangulating take.

``python tests/bench/bench_zones.py``
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from time import process_time

import numpy as np
import shapely
from shapely import Polygon, box

from lawngis.lawn.edges import EdgeNeighbour, edge_stretches
from lawngis.lawn.zones import zone_partition

MOW_WIDTH_M, ZONE_MIN_M2 = 1.6, 8.0


def islands(count: int, apart_m: float) -> Polygon:
    """A strip of open lawn beside a square with round beds of 1 m, so far from middle to middle."""
    side = int(np.ceil(np.sqrt(count)))
    at = (np.arange(side) + 0.5) * apart_m
    middles = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2)[:count]
    beds = shapely.union_all(shapely.buffer(shapely.points(middles), 0.5, quad_segs=4))
    return shapely.difference(box(-10, 0, apart_m * side, apart_m * side), beds)


def roomy(count: int) -> Polygon:
    """Beds that the mower goes around."""
    return islands(count, 4.0)


def tight(count: int) -> Polygon:
    """Beds 1.2 m from one another: every gap is too narrow to mow."""
    return islands(count, 2.2)


def wavy(count: int) -> Polygon:
    """A round lawn whose outline has so many vertices, one every 10 cm, with nooks of 1.4 m."""
    turns = np.linspace(0, 2 * np.pi, count, endpoint=False)
    radius = count * 0.1 / (2 * np.pi)
    nooks = np.clip(4 * np.sin(turns * max(3, round(radius / 1.4))), -1, 1)
    out = radius + min(1.5, radius / 4) * nooks
    return Polygon(np.column_stack([out * np.cos(turns), out * np.sin(turns)])).buffer(0)


def parted(ground: Polygon) -> int:
    """Part a lawn; the number of its pieces."""
    partition = zone_partition(ground, mow_width_m=MOW_WIDTH_M, zone_area_min_m2=ZONE_MIN_M2)
    return len(partition.zones) + len(partition.passages) + len(partition.nooks) + len(partition.scraps)


def classed(ground: Polygon) -> int:
    """Class the edges of a lawn whose every bed is one; the number of stretches."""
    beds = [Polygon(ring) for ring in ground.interiors]
    neighbours = [EdgeNeighbour(beds, "soft", "bed beyond"), EdgeNeighbour([ground.exterior], "boundary", "")]
    return len(edge_stretches(ground, neighbours))


def growth(name: str, build: Callable[[int], Polygon], work: Callable[[Polygon], int], sizes: Sequence[int]) -> None:
    """Print seconds for each size and the exponent from one to the next."""
    before: tuple[int, float] | None = None
    for size in sizes:
        ground = build(size)
        started = process_time()
        count = work(ground)
        seconds = process_time() - started
        exponent = "" if before is None else f"  n^{np.log(seconds / before[1]) / np.log(size / before[0]):.2f}"
        print(f"{name} {size:7d}: {seconds:8.3f} s, {count} pieces{exponent}", flush=True)
        before = size, seconds


if __name__ == "__main__":
    growth("zones, beds far apart ", roomy, parted, (9, 100, 1024))
    growth("zones, beds near      ", tight, parted, (9, 100, 1024))
    growth("zones, vertices       ", wavy, parted, (1000, 10_000, 100_000))
    growth("edges, beds           ", roomy, classed, (10, 100, 1000))
