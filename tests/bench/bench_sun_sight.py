"""Shade and sight of dock candidates on a surface of 200 m × 200 m at 0.5 m, against one ray at a time.

Run with ``pytest tests/bench/bench_sun_sight.py --benchmark-enable``. The plain versions march every ray by
itself in numpy, to its end; each run checks that both give the same.
"""

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.sight import (
    GRAZING,
    Surface,
    crown_discs,
    points_above_ground,
    sight_share,
    street_points,
    surface_from_obstructions,
)
from lawngis.ground.sun import COVER_MIN_M, hot_hours, shade_share, shade_share_grid

SIZES = (50, 150, 500)
REACH_M = 60.0


@pytest.fixture(scope="module")
def scene():
    """Return a sloping neighbourhood with 25 houses and 80 trees, candidates on it, and eyes on a street."""
    rng = np.random.default_rng(1)
    slope = np.add.outer(np.linspace(0, 6, 400), np.linspace(0, 4, 400)) + 500
    ground = Grid(slope, Affine(0.5, 0, 691000, 0, -0.5, 5334000), CRS(25832))
    frame = MeasuringFrame.centred_on(shapely.box(*ground.bounds), ground.crs)
    houses = [shapely.box(x, y, x + 10, y + 8) for x, y in rng.uniform(-95, 85, (25, 2))]
    crowns = crown_discs(rng.uniform(-95, 95, (80, 2)), rng.uniform(3, 9, 80))
    heights = np.concatenate([rng.uniform(4, 9, 25), rng.uniform(3, 15, 80)])
    surface = surface_from_obstructions(ground, frame, [*houses, *crowns], heights)
    candidates = points_above_ground(ground, frame, rng.uniform(-40, 40, (max(SIZES), 2)), 0.4)
    street = points_above_ground(ground, frame, street_points([shapely.box(-95, -50, 95, -44)]), 1.6)
    return surface, Surface.in_frame(surface, frame), ground, frame, candidates, street


def plain_rise(surface, eye, heading_deg, reach_m=np.inf):
    """Return the steepest rise along one ray: each crossing of the major axis' centre lines, linear across."""
    rows, cols = surface.heights_m.shape
    direction = np.array([np.sin(np.radians(heading_deg)), np.cos(np.radians(heading_deg))])
    velocity = surface.to_cells[:, :2] @ direction
    position = surface.cells(eye[None, :2])[0]
    major = int(np.abs(velocity).argmax())
    lines = np.arange((cols, rows)[major])
    distance = (lines - position[major]) / velocity[major]
    half = 0.5 / abs(velocity[major])
    distance, lines = (v[(distance >= half) & (distance <= reach_m - half)] for v in (distance, lines))
    across = position[1 - major] + velocity[1 - major] * distance
    last = (cols, rows)[1 - major] - 1
    distance, lines, across = (v[(across >= 0) & (across <= last)] for v in (distance, lines, across))
    low = np.minimum(np.floor(across).astype(int), last - 1)
    table = surface.heights_m if major == 1 else surface.heights_m.T
    height = table[lines, low] * (1 - across + low) + table[lines, low + 1] * (across - low)
    return ((height - eye[2]) / distance).max(initial=-np.inf)


def plain_shade_share(surface, eyes, sun):
    shares = []
    for eye in eyes:
        col, row = surface.cells(eye[None, :2])[0]
        around = surface.heights_m[int(row) : int(row) + 2, int(col) : int(col) + 2]
        if around.min() > eye[2] + COVER_MIN_M:
            shares.append(1.0)
            continue
        slopes = np.tan(np.radians(sun.elevation_deg))
        rises = np.array([plain_rise(surface, eye, azimuth) for azimuth in sun.azimuth_deg])
        shares.append(float((rises > slopes + GRAZING) @ sun.weight))
    return np.array(shares)


def plain_sight_share(surface, candidates, street):
    shares = []
    for place in candidates:
        seen = []
        for eye in street:
            east, north, up = eye - place
            away = np.hypot(east, north)
            if away <= REACH_M:
                rise = plain_rise(surface, place, np.degrees(np.arctan2(east, north)), away)
                seen.append(rise <= up / away + GRAZING)
        shares.append(np.mean(seen) if seen else np.nan)
    return np.array(shares)


@pytest.mark.parametrize("count", SIZES)
class TestShade:
    def test_ours(self, benchmark, scene, count):
        _, surface, _, _, candidates, _ = scene
        benchmark.group = f"shade of {count}"
        share = benchmark(shade_share, surface, candidates[:count], hot_hours(48.1, 11.6))
        assert 0.05 < share.mean() < 0.5

    def test_plain(self, benchmark, scene, count):
        _, surface, _, _, candidates, _ = scene
        benchmark.group = f"shade of {count}"
        sun = hot_hours(48.1, 11.6)
        plain = benchmark.pedantic(plain_shade_share, (surface, candidates[:count], sun), rounds=1)
        assert shade_share(surface, candidates[:count], sun) == pytest.approx(plain, abs=1e-9)


@pytest.mark.parametrize("count", SIZES)
class TestSight:
    def test_ours(self, benchmark, scene, count):
        _, surface, _, _, candidates, street = scene
        benchmark.group = f"sight of {count}"
        share = benchmark(sight_share, surface, candidates[:count], street, reach_m=REACH_M)
        assert 0.05 < np.nanmean(share) < 0.9

    def test_plain(self, benchmark, scene, count):
        _, surface, _, _, candidates, street = scene
        benchmark.group = f"sight of {count}"
        plain = benchmark.pedantic(plain_sight_share, (surface, candidates[:count], street), rounds=1)
        ours = sight_share(surface, candidates[:count], street, reach_m=REACH_M)
        assert ours == pytest.approx(plain, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("side_cells", [50, 100, 200])
def test_shade_of_a_parcel(benchmark, scene, side_cells):
    surface, _, ground, frame, _, _ = scene
    benchmark.group = "shade of all cells of a square"
    mask = np.zeros(surface.shape, dtype=bool)
    mask[100 : 100 + side_cells, 100 : 100 + side_cells] = True
    sun = hot_hours(48.1, 11.6)
    shade = benchmark.pedantic(shade_share_grid, (surface, ground, frame, sun), {"mask": mask}, rounds=2)
    assert np.isfinite(shade.values).sum() == side_cells**2
