"""Green is told from the rest: indices by their laws, thresholds whatever the sizes of the two humps."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lawngis.errors import ParameterError, RasterError
from lawngis.ground.imagery import (
    INDEX_RANGES,
    NDVI_RANGE,
    VISIBLE_RANGE,
    GreenIndex,
    Imagery,
    cell_side_m,
    index_histogram,
    ndvi,
    threshold_of_tiles,
    tile_histograms,
    vegetation_threshold,
    visible_index,
)
from lawngis.ground.raster import Grid

UTM = CRS(25832)
PLACE = Affine(0.25, 0, 500_000, 0, -0.25, 5_500_030)


def test_ndvi_knows_no_brightness_and_changes_sign_with_its_bands():
    red, nir = np.array([[20.0, 90.0]]), np.array([[80.0, 60.0]])
    assert ndvi(0.3 * red, 0.3 * nir) == pytest.approx(ndvi(red, nir))
    assert ndvi(nir, red) == pytest.approx(-ndvi(red, nir))
    assert np.isnan(ndvi([0.0], [0.0])).all()


def test_visible_index_is_nothing_for_grey_and_most_for_green():
    assert visible_index([80, 0, 80], [80, 90, 0], [80, 0, 80]) == pytest.approx([0, 1, -1])


@settings(max_examples=20, deadline=None)
@given(st.floats(-0.15, 0.08), st.floats(0.38, 0.7), st.floats(0.05, 0.95), st.integers(0, 99))
def test_a_threshold_parts_two_humps_whatever_their_sizes(bare, green, share, seed):
    rng = np.random.default_rng(seed)
    n = 4000
    kind = rng.random(n) < share
    index = np.where(kind, rng.normal(green, 0.04, n), rng.normal(bare, 0.04, n))
    found = vegetation_threshold(index_histogram(index))
    assert found.origin in ("split", "bound")
    assert ((index >= found.value) == kind).mean() > 0.99


def test_two_kinds_of_grass_are_not_parted():
    """A pale meadow makes up most of the image, the lawn is greener: the valley before both counts."""
    rng = np.random.default_rng(0)
    index = np.concatenate([rng.normal(m, 0.025, n) for m, n in ((0.0, 2000), (0.32, 9000), (0.5, 3000))])
    assert 0.05 < vegetation_threshold(index_histogram(index)).value < 0.25


@pytest.mark.parametrize("only", [0.55, -0.05])
def test_one_kind_of_ground_takes_the_usual_value(only):
    index = np.random.default_rng(0).normal(only, 0.03, 5000)
    found = vegetation_threshold(index_histogram(index))
    assert (found.origin, found.value) == ("default", NDVI_RANGE.default)


def test_an_image_without_data_is_refused():
    with pytest.raises(ParameterError, match="no data"):
        vegetation_threshold(index_histogram(np.full((3, 3), np.nan)))


# --- how far a threshold may be off ----------------------------------------------------------------------


def gardens(seed: int, side: int, *, bare: float = 0.0, green: float = 0.5, sd: float = 0.1) -> np.ndarray:
    """An image of square gardens of 5 m, cells of 0.25 m: each as green as chance has it, all cells of it alike."""
    rng = np.random.default_rng(seed)
    kind = rng.random((side, side)) < 0.5
    level = np.where(kind, rng.normal(green, sd, kind.shape), rng.normal(bare, sd, kind.shape))
    return np.clip(np.kron(level, np.ones((20, 20))) + rng.normal(0, 0.02, (20 * side, 20 * side)), -1, 1)


def test_histograms_of_tiles_add_up_to_that_of_the_image():
    index = gardens(0, 7)[:133, :]
    index[5:50, 20:90] = np.nan
    tiles = tile_histograms(index, 0.25)
    assert len(tiles) == 7 * 7 - 3 and (tiles.sum(axis=0) == index_histogram(index)).all()
    assert tile_histograms(np.full((40, 40), np.nan), 0.25).shape == (0, 256)


def test_an_image_of_any_size_has_no_more_tiles_than_are_drawn_from():
    assert len(tile_histograms(np.zeros((900, 1700)), 0.25)) <= 20 * 20


@pytest.mark.parametrize("bounds", [NDVI_RANGE, VISIBLE_RANGE])
def test_where_nothing_is_known_but_bounds_the_doubt_is_theirs(bounds):
    """JCGM 100:2008, 4.3.7: a rectangular distribution of half width a has variance a²/3."""
    half_width = (bounds.high - bounds.low) / 2
    assert bounds.sd**2 == pytest.approx(half_width**2 / 3)
    for only in (0.55, -0.05):
        meadow = np.random.default_rng(1).normal(only, 0.03, (120, 120))
        found = threshold_of_tiles(tile_histograms(meadow, 0.25), bounds)
        assert (found.origin, found.value) == ("default", bounds.default)
        assert found.sd == pytest.approx(bounds.sd)


@pytest.mark.parametrize(("green", "sd", "origin"), [(0.09, 0.01, "bound"), (0.07, 0.02, "default")])
def test_two_kinds_of_ground_below_what_is_usual_are_within_doubt(green, sd, origin):
    """Dry grass, or counts that nobody calibrated: the greener hump is less green than any usual threshold."""
    found = threshold_of_tiles(tile_histograms(gardens(2, 12, bare=-0.03, green=green, sd=sd), 0.25))
    assert found.origin == origin
    assert found.value >= NDVI_RANGE.low and 0.0 < found.value - found.sd < 0.06


def test_the_doubt_is_how_far_thresholds_of_other_such_images_lie_apart():
    """What the tiles of one image tell of its doubt is what many images of that kind show."""
    found = [threshold_of_tiles(tile_histograms(gardens(seed, 14), 0.25)) for seed in range(40)]
    split = [threshold for threshold in found if threshold.origin == "split"]
    assert len(split) > 30
    apart = np.std([threshold.value for threshold in split])
    assert 0.5 < np.median([threshold.sd for threshold in split]) / apart < 2


def test_two_far_humps_leave_little_doubt_and_few_tiles_more():
    def doubt(side: int, sd: float) -> float:
        return float(np.mean([threshold_of_tiles(tile_histograms(gardens(s, side, sd=sd), 0.25)).sd for s in range(8)]))

    assert doubt(16, 0.03) < 0.01 < doubt(16, 0.1) < doubt(7, 0.1)
    one = threshold_of_tiles(tile_histograms(np.repeat([0.0, 0.5], 200).reshape(20, 20), 0.25))
    assert (one.origin, one.sd) == ("split", NDVI_RANGE.sd)  # how others differ from a single tile nobody knows


def test_the_threshold_is_that_of_all_tiles_together_and_the_same_each_time():
    index = gardens(5, 10)
    found, again = (threshold_of_tiles(tile_histograms(index, 0.25)) for _ in range(2))
    assert found == again
    assert found.value == vegetation_threshold(index_histogram(index)).value
    assert INDEX_RANGES[GreenIndex.NDVI] == NDVI_RANGE and INDEX_RANGES[GreenIndex.GREEN_LEAF] == VISIBLE_RANGE


def test_bands_must_fit_and_suffice():
    band = Grid(np.ones((3, 3)), PLACE, UTM)
    with pytest.raises(RasterError, match="near infrared"):
        Imagery(band)
    with pytest.raises(RasterError, match="different cells"):
        Imagery(band, nir=Grid(np.ones((3, 4)), PLACE, UTM))


def test_parts_of_one_raster_have_the_same_cells():
    """Their scale differs by some 1e-8 from row to row, which must not decide what is 4 cells wide."""
    sides = {
        cell_side_m(Grid(np.zeros((rows, 40)), PLACE @ Affine.translation(col, row), UTM))
        for rows, row, col in ((20, 0, 0), (200, 0, 300), (33, 150, 77))
    }
    assert len(sides) == 1
    assert sides.pop() == pytest.approx(0.25 / 0.9996, rel=1e-5)
