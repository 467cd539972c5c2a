"""The random bounce, ours against a plain shapely version of the same: mower-hours simulated in a second.

Run with ``pytest tests/bench/bench_mowing.py --benchmark-enable``. The plain version drives one mower, cuts each ray
with the boundary, buffers each straight run and unites what is mown. The last test takes both in one run and asks for
two hundred times as many mower-hours a second.
"""

from math import cos, pi, sin
from time import process_time

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, STRtree

from lawngis.mowing.bounce import Cells, bounced, reached, turning_ground

WIDTH_M, SPEED_MPS = 0.24, 0.35
DEPARTURE_M = 1470.0  # 70 minutes
SIZES = (12.0, 20.0, 45.0)


def garden(side_m):
    """Return a lawn with two beds and a pond, and what the middle of the mower goes over."""
    lawn = shapely.box(0, 0, side_m, side_m * 0.8)
    beds = [
        Point(side_m * 0.3, side_m * 0.3).buffer(side_m * 0.06),
        shapely.box(side_m * 0.6, 0, side_m * 0.75, side_m * 0.2),
    ]
    lawn = lawn.difference(shapely.union_all([*beds, Point(side_m * 0.7, side_m * 0.6).buffer(side_m * 0.09)]))
    return lawn, turning_ground(lawn, cutting_width_m=WIDTH_M)[0]


def plain(ground, start, length_m, seed, *, swath=True):
    """Return what is mown by one departure: plain shapely, one run after the other."""
    rng = np.random.default_rng(seed)
    rings = [ground.exterior, *ground.interiors]
    walls = [LineString(pair) for ring in rings for pair in zip(ring.coords, ring.coords[1:], strict=False)]
    inside_left = [shapely.is_ccw(ring) != (number > 0) for number, ring in enumerate(rings) for _ in ring.coords[1:]]
    nearest_wall, boundary = STRtree(walls), ground.boundary
    x, y = start
    heading, driven, mown = rng.uniform(-pi, pi), 0.0, Polygon()
    while driven < length_m:
        ray = LineString([(x, y), (x + 1000 * cos(heading), y + 1000 * sin(heading))])
        here = Point(x, y)
        away = here.distance(ray.intersection(boundary))
        hit = Point(x + away * cos(heading), y + away * sin(heading))
        run = min(max(away - 1e-3, away / 2), length_m - driven)
        there = (x + run * cos(heading), y + run * sin(heading))
        if swath:
            mown = mown.union(LineString([(x, y), there]).buffer(WIDTH_M / 2))
        wall = int(nearest_wall.nearest(hit))
        (x0, y0), (x1, y1) = walls[wall].coords
        inward = np.arctan2(x1 - x0, y0 - y1) + (0.0 if inside_left[wall] else pi)
        (x, y), driven = there, driven + run
        heading = inward + rng.uniform(-1, 1) * pi / 2
    return mown


def ours(lawn, ground, start, departures, *, swath=True):
    paths = bounced(ground, np.repeat([start], departures, axis=0), length_m=DEPARTURE_M, seed=1)
    size = max(0.1, (lawn.area / 2500) ** 0.5)
    return reached(paths, Cells.inside(lawn, size_m=size), cutting_width_m=WIDTH_M) if swath else paths


def start_in(ground):
    point = ground.representative_point()
    return point.x, point.y


@pytest.mark.parametrize("side_m", SIZES)
@pytest.mark.benchmark(group="bounce")
def test_ours(benchmark, side_m):
    lawn, ground = garden(side_m)
    reach = benchmark.pedantic(ours, (lawn, ground, start_in(ground), 200), rounds=2)
    assert 0 < reach.share_mown(DEPARTURE_M / 2) < 1


@pytest.mark.parametrize("side_m", SIZES)
@pytest.mark.benchmark(group="bounce")
def test_plain_shapely(benchmark, side_m):
    lawn, ground = garden(side_m)
    mown = benchmark.pedantic(plain, (ground, start_in(ground), DEPARTURE_M / 4, 1), rounds=1)
    assert 0 < mown.area < lawn.area


def test_both_mow_the_same_share():
    lawn, ground = garden(20.0)
    start = start_in(ground)
    theirs = np.array([plain(ground, start, 400.0, seed).intersection(lawn).area / lawn.area for seed in range(8)])
    paths = bounced(ground, np.repeat([start], 200, axis=0), length_m=400.0, seed=1)
    first = reached(paths, Cells.inside(lawn, size_m=0.3), cutting_width_m=WIDTH_M).first_m
    assert np.isfinite(first).mean() == pytest.approx(theirs.mean(), abs=4 * theirs.std() / 8**0.5 + 0.005)


def hours_per_second(simulate, driven_m):
    started = process_time()
    simulate()
    return driven_m / SPEED_MPS / 3600 / (process_time() - started)


@pytest.mark.parametrize("swath", [True, False], ids=["with the swath", "paths alone"])
def test_two_hundred_times_as_many_hours_a_second(benchmark, swath):
    if benchmark.disabled:
        pytest.skip("a ratio of times is measured with --benchmark-enable only")
    lawn, ground = garden(20.0)
    start, departures = start_in(ground), 400
    ours(lawn, ground, start, 4)
    rates = benchmark.pedantic(
        lambda: (
            hours_per_second(lambda: ours(lawn, ground, start, departures, swath=swath), departures * DEPARTURE_M),
            hours_per_second(lambda: plain(ground, start, DEPARTURE_M, 1, swath=swath), DEPARTURE_M),
        ),
        rounds=1,
    )
    benchmark.extra_info.update(ours=rates[0], plain=rates[1], ratio=rates[0] / rates[1])
    print(f"ours {rates[0]:.0f}, plain {rates[1]:.2f} mower-hours a second: {rates[0] / rates[1]:.0f} times")
    assert not swath or rates[0] / rates[1] >= 200
