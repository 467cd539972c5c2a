"""Which ground tells where green begins."""

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS

from lawngis.ground.imagery import NDVI_RANGE, VISIBLE_RANGE, Imagery
from lawngis.ground.raster import Grid
from lawngis.processing.derived.imagery_rules import CoverParameters, used_threshold

PLACE, UTM = Affine(0.25, 0, 500_000, 0, -0.25, 5_500_030), CRS(25832)


def image(index: np.ndarray, *, nir: bool = True) -> Imagery:
    """An image with such an NDVI and no colour; without near infrared one whose green leaf index it is."""
    grey = Grid(np.full(index.shape, 100.0), PLACE, UTM)
    bright = grey.with_values(100 * (1 + index) / (1 - index))
    return Imagery(grey, grey, grey, bright) if nir else Imagery(grey, bright, grey)


def street(seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Low ground of one kind between roofs and crowns: their index, and how high they stand."""
    rng = np.random.default_rng(seed)
    index, height = rng.normal(0.2, 0.04, (160, 160)), np.zeros((160, 160))
    for cols, value in ((slice(0, 50), -0.1), (slice(110, 160), 0.6)):
        index[:, cols], height[:, cols] = rng.normal(value, 0.02, (160, 50)), 6.0
    return index, height


def test_low_ground_alone_tells_where_green_begins():
    """A valley between roofs and crowns says nothing of the lawn, and lies on the wrong side of it here."""
    index, height = street()
    whole, low = (used_threshold(image(index), some, CoverParameters()) for some in (None, height))
    assert (whole.origin, low.origin) == ("split", "default")
    assert (low.value, low.sd) == pytest.approx((NDVI_RANGE.default, NDVI_RANGE.sd))
    beside = np.where(height > 0, index, np.nan)
    assert used_threshold(image(beside), height, CoverParameters()).origin == "split"  # nothing low: all counts


def test_a_given_threshold_is_known_and_colour_has_its_own_range():
    index, height = street()
    given = used_threshold(image(index), height, CoverParameters(index_threshold=0.25))
    assert (given.value, given.sd, given.origin) == (0.25, 0.0, "given")
    by_colour = used_threshold(image(index / 8, nir=False), height, CoverParameters())
    assert VISIBLE_RANGE.low <= by_colour.value <= VISIBLE_RANGE.high
