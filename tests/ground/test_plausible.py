"""Elevations that can't be the ground's are told from steep ground and cliffs."""

import numpy as np
import pytest

from lawngis.ground.plausible import (
    APART_MIN_M,
    ELEVATION_MAX_M,
    ELEVATION_MIN_M,
    absurd_cells,
    greatest_step_m,
    impossible_cells,
)

HILL = 250 + 0.1 * np.arange(40.0)[None, :] + 0.07 * np.arange(30.0)[:, None]


def patched(value, rows=slice(10, 14), columns=slice(20, 25)):
    z = HILL.copy()
    z[rows, columns] = value
    return z, z == value


@pytest.mark.parametrize("value", [-32768, -9999, 32767, 1e29, -1e29, ELEVATION_MIN_M - 1, ELEVATION_MAX_M + 1])
def test_values_that_no_ground_has_are_impossible_wherever_they_are(value):
    for rows in (slice(10, 14), slice(0, 30)):
        z, patch = patched(value, rows)
        assert np.array_equal(impossible_cells(z, 0.5, 0.5), patch)
        assert np.array_equal(absurd_cells(z), patch)


@pytest.mark.parametrize("value", [0.0, -99.0, 250.0 + 3.3 + 2 * APART_MIN_M])
@pytest.mark.parametrize(
    "place",
    [
        (slice(10, 14), slice(20, 25)),
        (slice(10, 11), slice(20, 21)),
        (slice(0, 3), slice(0, 5)),
        (slice(0, 30), slice(35, 40)),
    ],
)
def test_a_patch_of_one_value_that_stands_apart_all_around_is_impossible(value, place):
    z, patch = patched(value, *place)
    assert np.array_equal(impossible_cells(z, 0.5, 0.5), patch)
    z[0, 39] = np.nan
    assert np.array_equal(impossible_cells(z, 0.5, 0.5), patch & np.isfinite(z))


def test_all_patches_of_a_fill_value_are_found_and_only_its_own_cells():
    z, _ = patched(0.0)
    z[20:22, 5:9] = 0.0
    assert np.array_equal(impossible_cells(z, 0.5, 0.5), z == 0)


@pytest.mark.parametrize(
    "z",
    [
        HILL,
        np.where(np.arange(40) < 15, HILL, HILL - 30),  # a cliff of 30 m: two sides, neither a patch
        np.where(np.arange(40) < 15, 100.0, HILL - 30)[:, ::-1],  # its foot a level lake that is most of the ground
        HILL + np.where((np.abs(np.arange(40) - 20) < 3) & (np.arange(30)[:, None] > 20), 4.0, 0.0),  # a wall of 4 m
        np.full((4, 4), np.nan),
        np.full((1, 1), 3.0),
    ],
)
def test_ground_as_it_is_found_stays(z):
    assert not impossible_cells(z, 0.5, 0.5).any() or (impossible_cells(z, 0.5, 0.5) <= (z == 100)).all()


def test_of_two_levels_the_smaller_is_the_patch_and_a_lake_below_a_cliff_is_none():
    plateau = np.where(np.arange(40) < 15, 200.0, 100.0) * np.ones((30, 1))
    assert np.array_equal(impossible_cells(plateau, 0.5, 0.5), plateau == 200)
    lake = np.where(np.arange(40) < 15, HILL, HILL - 30)
    lake[5:20, 15:20] = 221.0  # its far shore rises gently
    assert not impossible_cells(lake, 0.5, 0.5).any()


def test_ground_among_no_data_values_stays():
    z, patch = patched(-9999.0)
    z[12, 22], patch[12, 22] = HILL[12, 22], False
    assert np.array_equal(impossible_cells(z, 0.5, 0.5), patch)


def test_on_larger_cells_more_is_possible():
    z, patch = patched(250.0 + 3.3 + 12)
    assert np.array_equal(impossible_cells(z, 1.0, 1.0), patch)
    assert not impossible_cells(z, 2.0, 2.0).any()
    assert np.array_equal(impossible_cells(z, np.full(30, 1.0), np.full(30, 1.0)), patch)


def test_the_greatest_step_is_of_steps_steeper_than_any_slope():
    assert greatest_step_m(HILL, 0.5, 0.5) == 0
    cliff = np.where(np.arange(40) < 15, HILL, HILL - 30)
    assert greatest_step_m(cliff, 0.5, 0.5) == pytest.approx(29.9)
    assert greatest_step_m(cliff.T, 0.5, 0.5) == pytest.approx(29.9)
    assert greatest_step_m(cliff, 5.0, 5.0) == 0
    assert greatest_step_m(np.where(np.arange(40) < 15, HILL, np.nan), 0.5, 0.5) == 0
