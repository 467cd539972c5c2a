"""Hollows on ground whose bowls are known, and the laws of flooding."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pyproj import CRS
from scipy.ndimage import grey_erosion

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.hollows import _depth_bound_m, filled_depth_m, hollows
from lawngis.ground.raster import Grid

FRAME = MeasuringFrame(CRS("EPSG:4258"), 10.0, 50.0)
CELL = 0.25


def grid_of(height, *, size_m=20.0, cell=CELL):
    x = -size_m / 2 + (np.arange(round(size_m / cell)) + 0.5) * cell
    y = -x
    return Grid(height(*np.meshgrid(x, y)), Affine(cell, 0, -size_m / 2, 0, -cell, size_m / 2), FRAME.crs)


def bowl(x, y, *, at=(0.0, 0.0), radius=3.0, depth=0.5):
    """Paraboloid: πr² across, depth/2 deep on average."""
    share = np.hypot(x - at[0], y - at[1]) / radius
    return np.where(share < 1, depth * (share**2 - 1), 0.0)


def test_a_bowl_in_level_ground():
    (found,) = hollows(grid_of(lambda x, y: 100 + bowl(x, y)), FRAME)
    assert found.depth_m == pytest.approx(0.5, abs=0.005)
    assert found.area_m2 == pytest.approx(np.pi * 9, rel=0.02)
    assert found.volume_m3 == pytest.approx(np.pi * 9 * 0.25, rel=0.01)
    assert found.spill_m == pytest.approx(100)
    assert found.polygon.area == pytest.approx(found.area_m2, rel=1e-6)
    assert found.polygon.centroid.distance(found.polygon.centroid.__class__(0, 0)) < 0.01


def test_on_a_slope_the_bowl_fills_to_its_lower_lip():
    """A bowl 1.5 m wide and 0.5 m deep, in ground that falls by 10 %: it spills 1.5 m downhill of its middle."""
    grid = grid_of(lambda x, y: 100 - 0.1 * x + bowl(x, y, radius=1.5), cell=0.125)
    (found,) = hollows(grid, FRAME)
    # The water stands at the lip, 100 - 0.15; the lowest point lies where 2 · 0.5 · x / 1.5² = 0.1, x = 0.225.
    lowest = 100 - 0.0225 + 0.5 * (0.15**2 - 1)
    assert found.spill_m == pytest.approx(100 - 0.15, abs=0.01)
    assert found.depth_m == pytest.approx(100 - 0.15 - lowest, abs=0.015)
    assert found.area_m2 < np.pi * 1.5**2


def test_two_bowls_the_larger_first_and_the_small_left_out():
    def ground(x, y):
        return 50 + bowl(x, y, at=(-5, 0)) + bowl(x, y, at=(5, 5), radius=2.0, depth=0.3) + bowl(
            x, y, at=(5, -5), radius=1.0, depth=0.03
        )  # fmt: skip

    found = hollows(grid_of(ground), FRAME)
    assert [round(hollow.depth_m, 1) for hollow in found] == [0.5, 0.3]
    assert found[0].polygon.centroid.x == pytest.approx(-5, abs=0.05)
    assert len(hollows(grid_of(ground), FRAME, depth_min_m=0.01)) == 3
    assert len(hollows(grid_of(ground), FRAME, area_min_m2=15)) == 1


def test_a_bowl_with_a_ditch_holds_what_the_ditch_leaves():
    grid = grid_of(lambda x, y: np.where((np.abs(y) < 0.3) & (x > 0), -0.4, bowl(x, y)))
    (found,) = hollows(grid, FRAME)
    assert found.spill_m == pytest.approx(-0.4)
    assert found.depth_m == pytest.approx(0.1, abs=0.005)


def test_water_leaves_into_no_data():
    grid = grid_of(lambda x, y: 100 + bowl(x, y))
    values = grid.values.copy()
    values[40, 40] = np.nan
    assert hollows(grid.with_values(values), FRAME) == []


def test_a_slope_has_no_hollow_and_level_ground_none():
    assert hollows(grid_of(lambda x, y: 0.05 * x + 0.02 * y), FRAME) == []
    assert hollows(grid_of(lambda x, y: 0 * x), FRAME, depth_min_m=0, area_min_m2=0) == []


@given(z=arrays(np.float64, (9, 9), elements=st.one_of(st.just(np.nan), st.integers(0, 9).map(float))))
@settings(max_examples=100, deadline=None)
def test_no_flood_is_deeper_than_its_bound(z):
    depth, bound = filled_depth_m(z), _depth_bound_m(z)
    assert np.array_equal(np.isnan(depth), np.isnan(bound))
    assert not (depth > bound).any()


def filled_slowly(z):
    """Reconstruction by erosion: the flood sinks until nothing moves."""
    flood = np.full(z.shape, np.inf)
    rim = np.ones(z.shape, bool)
    rim[1:-1, 1:-1] = False
    flood[rim] = z[rim]
    while True:
        lower = np.maximum(grey_erosion(flood, size=(3, 3), mode="constant", cval=np.inf), z)
        lower[rim] = z[rim]
        if np.array_equal(lower, flood):
            return flood
        flood = lower


@given(z=arrays(np.float64, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(0, 9).map(float)))
@settings(max_examples=150, deadline=None)
def test_same_as_the_slow_way(z):
    assert np.array_equal(z + filled_depth_m(z), filled_slowly(z))


@given(z=arrays(np.float64, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=st.integers(-1, 6).map(float)))
@settings(max_examples=100, deadline=None)
def test_cells_without_data_are_holes_in_the_floor(z):
    """The water leaves them at any depth: as if they were as deep as can be, and held no water."""
    holes = z < 0
    depth = filled_depth_m(np.where(holes, np.nan, z))
    assert np.array_equal(np.isnan(depth), holes)
    rim = np.pad(np.where(holes, -np.inf, z), 1, constant_values=-np.inf)
    flood = np.where(np.isinf(rim), -np.inf, np.inf)
    for _ in range(z.size + 1):
        flood = np.maximum(grey_erosion(flood, size=(3, 3)), rim)
    assert np.array_equal((depth + z)[~holes], flood[1:-1, 1:-1][~holes])


@given(z=arrays(np.float64, (8, 8), elements=st.floats(-5, 5)))
@settings(max_examples=50, deadline=None)
def test_what_is_filled_stays_filled(z):
    depth = filled_depth_m(z)
    assert (depth >= 0).all()
    assert np.abs(filled_depth_m(z + depth)).max() < 1e-9


@pytest.mark.parametrize("bad", [{"depth_min_m": -0.1}, {"area_min_m2": np.nan}])
def test_impossible_limits(bad):
    with pytest.raises(ParameterError, match=next(iter(bad))):
        hollows(grid_of(lambda x, y: 0 * x), FRAME, **bad)
