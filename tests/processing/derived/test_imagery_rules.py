"""Which ground tells where green begins."""

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.cover import TRUST_WITHOUT_NIR
from lawngis.ground.imagery import NDVI_RANGE, VISIBLE_RANGE, Imagery, Threshold
from lawngis.ground.raster import Grid
from lawngis.processing.derived.imagery_rules import (
    CoverParameters,
    colour_trust,
    cover_rules,
    threshold_findings,
    used_threshold,
)

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


def test_roofs_and_paving_that_look_green_lower_what_colour_is_worth():
    frame = MeasuringFrame.centred_on(shapely.box(500_000, 5_500_000, 500_030, 5_500_030), UTM)
    index = np.where(np.arange(120) < 60, 0.0, 0.2) * np.ones((120, 1))
    grid, threshold = Grid(index, PLACE, UTM), Threshold(0.06, 1.0, "given")
    grey, green = (
        [shapely.box(x + dx, y, x + dx + 3, y + 3) for y in range(-12, 8, 5) for dx in (0, 5)] for x in (-12, 2)
    )
    none, kept, fallen = (colour_trust(grid, threshold, shapes, frame) for shapes in ([], grey, green))
    assert none == pytest.approx(TRUST_WITHOUT_NIR)
    assert kept == pytest.approx((5 * 0.8 + 8) / 13) and fallen == pytest.approx(5 * 0.8 / 13)
    off_the_image = [shapely.box(100, 100, 110, 110)]
    assert colour_trust(grid, threshold, off_the_image, frame) == none


def test_what_a_photo_tells_of_green_is_said():
    index, height = street()
    unknown = used_threshold(image(index / 8, nir=False), height, CoverParameters())
    assert [(said.severity, said.code) for said in threshold_findings(unknown)] == [
        ("caution", "imagery-visible-only"), ("caution", "green-unknown"),
    ]  # fmt: skip
    found = used_threshold(image(index / 8, nir=False), None, CoverParameters())
    (_, told) = threshold_findings(found)
    (_, drawn) = threshold_findings(found, with_examples=True)
    assert "--examples" in told.said()[1] and "--examples" not in drawn.said()[1] and drawn.said()[0] == told.said()[0]
    assert told.code == "green-by-colour" and "green leaf index" in told.said()[0]
    assert threshold_findings(used_threshold(image(index), None, CoverParameters())) == []  # with near infrared as ever


def test_rules_know_the_index_that_was_taken():
    index, height = street()
    photo = image(index / 8, nir=False)
    threshold = used_threshold(photo, None, CoverParameters())
    rules = cover_rules(photo, threshold, CoverParameters(tree_min_m=3.0), surface_cell_m=0.5, colour_trust=0.9)
    assert (rules.index, rules.kinds, rules.colour_trust, rules.tree_min_m) == (
        threshold.index,
        threshold.kinds,
        0.9,
        3.0,
    )
    assert (
        not rules.near_infrared
        and cover_rules(
            image(index), used_threshold(image(index), height, CoverParameters()), CoverParameters(), surface_cell_m=0.5
        ).near_infrared
    )
