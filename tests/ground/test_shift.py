"""Shifts put in come out; nothing to see is said to be nothing."""

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.shift import laid_right, layer_shift, windows_shift
from lawngis.ground.zonal import zonal_cells

UTM = CRS(25832)
SIZE, CELL_M = 240, 0.25
BLANK = Grid(np.zeros((SIZE, SIZE)), Affine(CELL_M, 0, 500_000, 0, -CELL_M, 5_500_060), UTM)
FRAME = MeasuringFrame.centred_on(shapely.box(*BLANK.bounds), UTM)
HOUSES = [
    shapely.box(-22, -20, -12, -11), shapely.box(4, -22, 15, -13), shapely.box(-18, 6, -9, 18),
    shapely.box(8, 4, 20, 12), shapely.Polygon([(-4, -6), (2, -3), (0, 1), (-6, -2)]),
]  # fmt: skip


def seen(east_m: float, north_m: float, noise: float = 0.0, seed: int = 0) -> Grid:
    """An index that is 0.5 on lawn and 0 on houses, the houses moved."""
    values = np.full(BLANK.shape, 0.5)
    for house in HOUSES:
        cells = zonal_cells(BLANK, shapely.transform(house, lambda xy: xy + np.array([east_m, north_m])), FRAME)
        values[cells.rows, cells.cols] -= 0.5 * cells.weights
    return BLANK.with_values(values + np.random.default_rng(seed).normal(0, noise, BLANK.shape))


@settings(max_examples=15, deadline=None)
@given(st.floats(-2, 2), st.floats(-2, 2), st.sampled_from([0.0, 0.1]))
def test_a_shift_put_in_comes_out(east_m, north_m, noise):
    shift = layer_shift(seen(east_m, north_m, noise), HOUSES, FRAME)
    assert shift is not None and shift.clear
    # A third of a cell: the image is made of whole cells, and the frame is turned by its convergence.
    assert (shift.east_m, shift.north_m) == pytest.approx((east_m, north_m), abs=0.08)
    assert shift.sd_m < 0.1


def test_what_was_laid_right_lies_right():
    moved = seen(1.1, -0.6)
    shift = layer_shift(moved, HOUSES, FRAME)
    again = layer_shift(laid_right(moved, shift), HOUSES, FRAME)
    assert shift.length_m == pytest.approx(np.hypot(1.1, 0.6), abs=0.08)
    assert again.length_m < 0.08


def test_a_flipped_raster_gives_the_same_metres():
    north_up = seen(0.9, 0.5)
    a, _, c, _, e, f = north_up.transform[:6]
    south_up = Grid(north_up.values[::-1], Affine(a, 0, c, 0, -e, f + SIZE * e), UTM)
    one, other = layer_shift(north_up, HOUSES, FRAME), layer_shift(south_up, HOUSES, FRAME)
    assert (one.east_m, one.north_m) == pytest.approx((other.east_m, other.north_m), abs=1e-6)
    assert one.rows == pytest.approx(-other.rows, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_noise_alone_is_not_clear(seed):
    noise = BLANK.with_values(np.random.default_rng(seed).normal(0.3, 0.2, BLANK.shape))
    assert not layer_shift(noise, HOUSES, FRAME).clear


def test_outlines_that_are_brighter_inside_are_not_clear():
    """Green roofs on bare ground: the template finds no place where outlines are darker inside."""
    shift = layer_shift(BLANK.with_values(-seen(0, 0).values), HOUSES, FRAME, reach_m=1.0)
    assert not shift.clear


def test_no_outline_no_shift():
    assert layer_shift(seen(0, 0), [], FRAME) is None
    assert layer_shift(seen(0, 0), [shapely.box(900, 900, 910, 910)], FRAME) is None
    assert layer_shift(seen(0, 0), [shapely.Point(0, 0)], FRAME) is None


def test_few_outlines_have_no_sd():
    assert np.isnan(layer_shift(seen(0.5, 0.0), HOUSES[:2], FRAME).sd_m)


def test_a_reach_of_nothing_is_refused():
    with pytest.raises(ParameterError, match="reach"):
        layer_shift(BLANK, HOUSES, FRAME, reach_m=0)


# --- windows ----------------------------------------------------------------------------------------------


def windows(grid: Grid) -> list[tuple[Grid, list[shapely.Polygon]]]:
    """The four quarters of a raster, each with all outlines."""
    half = SIZE // 2
    return [
        (Grid(grid.values[row:, col:][:half, :half], grid.transform @ Affine.translation(col, row), UTM), HOUSES)
        for row in (0, half)
        for col in (0, half)
    ]


@settings(max_examples=8, deadline=None)
@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
def test_windows_together_give_the_shift_of_the_whole(east_m, north_m):
    shift = windows_shift(windows(seen(east_m, north_m, 0.05)), FRAME)
    assert shift.clear and (shift.east_m, shift.north_m) == pytest.approx((east_m, north_m), abs=0.1)
    assert 0 <= shift.sd_m < 0.15


def test_windows_without_outlines_tell_nothing():
    assert windows_shift([(BLANK, []), (BLANK, [shapely.Point(0, 0)])], FRAME) is None
    assert windows_shift(iter(()), FRAME) is None
