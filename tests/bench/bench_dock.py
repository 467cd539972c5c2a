"""What the dock's place and the edges rest on, ours against plain versions: first ranks, hollows, height steps.

Run with ``pytest tests/bench/bench_dock.py --benchmark-enable``. The plain versions take one weighting, one cell of a
heap, one stretch of an edge after the other; each test takes both in one run, checks that they agree and asks for a
ratio.
"""

import heapq
from itertools import pairwise
from time import process_time

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from scipy.ndimage import gaussian_filter
from shapely import LineString

from lawngis.dock.scoring import first_rank_shares
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground import step
from lawngis.ground.hollows import filled_depth_m
from lawngis.ground.raster import Grid

FRAME = MeasuringFrame(CRS("EPSG:4258"), 10.0, 50.0)


def ratio(benchmark, ours, plain):
    """Return how many times longer the plain version takes, of the processor's time, and both results."""
    if benchmark.disabled:
        pytest.skip("a ratio of times is measured with --benchmark-enable only")

    def timed(work):
        started = process_time()
        result = work()
        return process_time() - started, result

    ours()  # what is loaded on first use
    (quick, fast), (slow, reference) = benchmark.pedantic(
        lambda: (min((timed(ours) for _ in range(3)), key=lambda pair: pair[0]), timed(plain)), rounds=1
    )
    benchmark.extra_info.update(ours_s=quick, plain_s=slow, ratio=slow / quick)
    print(f"ours {1000 * quick:.1f} ms, plain {1000 * slow:.1f} ms: {slow / quick:.1f} times")
    return slow / quick, fast, reference


def plain_first_ranks(criteria, weights, feasible, draws, seed):
    shares = np.zeros(len(criteria))
    alpha = len(weights) * weights / weights.sum()
    for weighting in np.random.default_rng(seed).dirichlet(alpha, size=draws):
        scores = np.where(feasible, criteria @ weighting, -np.inf)
        first = scores >= scores.max() - 1e-12
        shares += first / first.sum()
    return shares / draws


@pytest.mark.parametrize("places", [100, 400])
def test_first_ranks(benchmark, places):
    rng = np.random.default_rng(2)
    criteria, weights, feasible = rng.random((places, 8)), rng.uniform(0.5, 2, 8), rng.random(places) < 0.4
    times, ours, plain = ratio(
        benchmark,
        lambda: first_rank_shares(criteria, weights, feasible, draws=2000, seed=1),
        lambda: plain_first_ranks(criteria, weights, feasible, 2000, 1),
    )
    assert ours == pytest.approx(plain, abs=1e-9)
    assert times > 3


def plain_filled_m(z):
    """Flood from the rim inwards, always at the lowest cell of a heap first."""
    rows, cols = z.shape
    level, done, heap = z.copy(), np.zeros(z.shape, dtype=bool), []
    for row in range(rows):
        for col in range(cols):
            if row in (0, rows - 1) or col in (0, cols - 1):
                done[row, col] = True
                heapq.heappush(heap, (z[row, col], row, col))
    while heap:
        height, row, col = heapq.heappop(heap)
        for near_row in range(max(row - 1, 0), min(row + 2, rows)):
            for near_col in range(max(col - 1, 0), min(col + 2, cols)):
                if not done[near_row, near_col]:
                    done[near_row, near_col] = True
                    level[near_row, near_col] = max(z[near_row, near_col], height)
                    heapq.heappush(heap, (level[near_row, near_col], near_row, near_col))
    return level - z


@pytest.mark.parametrize("side", [60, 120, 240])
def test_hollows(benchmark, side):
    z = 20 * gaussian_filter(np.random.default_rng(3).normal(size=(side, side)), 3)
    times, ours, plain = ratio(benchmark, lambda: filled_depth_m(z), lambda: plain_filled_m(z))
    assert np.array_equal(ours, plain)
    assert times > 4


@pytest.mark.parametrize(("length_m", "wanted"), [(50.0, 1.8), (200.0, 2.3)])
def test_height_steps(benchmark, length_m, wanted):
    rng = np.random.default_rng(4)
    z = 100 + np.where(np.arange(80) > 40, 0.1, 0.0) + rng.normal(0, 0.03, (900, 80))
    grid = Grid(z, Affine(0.25, 0, -10, 0, -0.25, 110), FRAME.crs)
    xy = np.array([[0.0, -length_m / 2], [0.0, length_m / 2]])
    edge = LineString(xy)
    at_m, inside, outside = step._profiles(grid, FRAME, xy, 0.25)
    cuts = np.linspace(0, length_m, round(length_m / 2) + 1)

    def plain():
        found = []
        for start, stop in pairwise(cuts):
            here = (at_m >= start) & (at_m < stop)
            found.append(step._step(inside[here][None], outside[here][None], 0.25, np.array([stop - start]), 0.0))
        return np.array(found)[:, 0, 0]

    times, ours, reference = ratio(benchmark, lambda: step.height_steps(grid, FRAME, edge), plain)
    assert [found.step_m for found in ours] == pytest.approx(reference, abs=1e-9)
    assert times > wanted
