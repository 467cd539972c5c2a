"""Green is told from the rest: indices by their laws, thresholds whatever the sizes of the two humps."""

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lawngis.errors import ParameterError, RasterError
from lawngis.ground.imagery import (
    NDVI_RANGE,
    Imagery,
    cell_side_m,
    index_histogram,
    ndvi,
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
