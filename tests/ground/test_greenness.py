"""Green in a photo of red, green and blue: indices, where green begins, shade."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS

from lawngis.ground.cover import CoverClass, CoverRules, ground_cover
from lawngis.ground.greenness import WARM_MOST, in_shade, usual_brightness, visible_threshold, warm_from, warmth
from lawngis.ground.imagery import (
    INDEX_RANGES,
    Imagery,
    Threshold,
    excess_green,
    vari,
    vegetation_index,
    visible_index,
)
from lawngis.ground.raster import Grid

GRASS, PAVING, DRY = (90.0, 115.0, 80.0), (150.0, 146.0, 138.0), (146.0, 122.0, 97.0)
SHADE = 0.35


def photo(
    *strips: tuple[tuple[float, float, float], float], pale: float = 0.0, noise: float = 2.0, seed: int = 3
) -> Imagery:
    """Return a photo of 20 m with a strip of each colour as wide as its share says, 0.25 m a cell."""
    rng = np.random.default_rng(seed)
    widths = np.cumsum([round(80 * share) for _, share in strips])
    which = np.searchsorted(widths, np.arange(80), side="right").clip(max=len(strips) - 1)
    colours = np.array([colour for colour, _ in strips])[which]
    bands = np.repeat(colours[None], 80, axis=0) * rng.normal(1.0, 0.04, (80, 80, 1)) + pale
    bands = np.clip(bands + rng.normal(0, noise, bands.shape), 1, 255)
    place = Affine(0.25, 0, 600_000, 0, -0.25, 5_000_000)
    return Imagery(*(Grid(bands[..., band], place, CRS(32631)) for band in range(3)))


def everywhere(image: Imagery) -> np.ndarray:
    return np.ones(image.red.shape, dtype=bool)


def shaded(colour: tuple[float, float, float]) -> tuple[float, float, float]:
    return tuple(SHADE * band for band in colour)


def rules_of(image: Imagery, threshold: Threshold) -> CoverRules:
    green, bare = usual_brightness(image, vegetation_index(image, threshold.index), threshold.value)
    return CoverRules(
        threshold.value,
        threshold.sd,
        index=threshold.index,
        kinds=threshold.kinds,
        brightness_of_green=green,
        brightness_of_bare=bare,
    )


# --- indices ----------------------------------------------------------------------------------------------


def test_indices_are_the_published_formulas():
    """Woebbecke et al., 1995: 2 g - r - b of the shares; Gitelson et al., 2002: (G - R) / (G + R - B). Arithmetic."""
    bands = ([60.0, 100.0], [90.0, 80.0], [50.0, 60.0])
    assert excess_green(*bands) == pytest.approx([70 / 200, 0.0])
    assert vari(*bands) == pytest.approx([0.3, -20 / 120])


def test_excess_green_orders_ground_as_the_green_leaf_index_does():
    bands = np.random.default_rng(1).uniform(1, 255, (3, 500))
    leaf, excess = visible_index(*bands), excess_green(*bands)
    assert excess == pytest.approx(4 * leaf / (3 - leaf))
    assert (np.argsort(leaf) == np.argsort(excess)).all()


def test_vari_is_unknown_where_blue_is_all_and_stays_within_bounds():
    found = vari([10, 10], [20, 100], [40, 109])
    assert np.isnan(found[0]) and found[1] == 1.0


# --- where green begins -----------------------------------------------------------------------------------


def test_the_threshold_follows_the_photo():
    """Pale air draws colours together: what is found moves along, and parts grass from paving as well as before."""
    values = {}
    for pale in (0.0, 90.0):
        image = photo((GRASS, 0.6), (PAVING, 0.4), pale=pale)
        found = visible_threshold(image, everywhere(image))
        assert found.origin == "mixture" and found.sd < 0.02
        wrong = (vegetation_index(image, found.index) >= found.value) != (np.arange(80) < 48)
        assert wrong.mean() < 0.02
        values[pale] = found.value
    assert values[90.0] < values[0.0]


@pytest.mark.parametrize("strips", [[(PAVING, 1.0)], [(GRASS, 1.0)], [(PAVING, 0.5), (DRY, 0.5)]])
def test_a_photo_of_one_kind_or_of_no_green_is_unknown(strips):
    image = photo(*strips)
    found = visible_threshold(image, everywhere(image))
    assert (found.origin, found.kinds) == ("default", None)
    assert found.sd == INDEX_RANGES[found.index].sd


def test_one_unlike_corner_leaves_the_threshold_in_doubt():
    """Two kinds that few tiles show: drawn anew, many draws have only one of them."""
    image = photo((GRASS, 0.95), (PAVING, 0.05))
    corner = np.zeros(image.red.shape, dtype=bool)
    corner[:, :76], corner[:16, 76:] = True, True
    both, few = (visible_threshold(image, cells) for cells in (everywhere(image), corner))
    assert few.sd > 2 * both.sd


def test_shade_does_not_move_the_threshold():
    """Sky light is blue: shaded grass is less green than sunlit, and would be the lower kind itself."""
    sky = tuple(SHADE * band * tint for band, tint in zip(GRASS, (0.9, 0.95, 1.15), strict=True))
    image = photo((GRASS, 0.5), (sky, 0.4), (PAVING, 0.1))
    sunlit = visible_threshold(image, everywhere(image) & (np.arange(80) // 32 != 1))
    assert visible_threshold(image, everywhere(image)).value == pytest.approx(sunlit.value, abs=0.03)


def test_without_data_the_threshold_is_refused():
    image = photo((GRASS, 1.0))
    with pytest.raises(ValueError, match="no data"):
        visible_threshold(image, ~everywhere(image))


# --- what is said of ground -------------------------------------------------------------------------------


def test_shaded_ground_is_not_called_no_lawn():
    """Shaded paving and shaded grass that has lost its colour are told from the rest by nothing but darkness."""
    image = photo((GRASS, 0.4), (PAVING, 0.4), (shaded(PAVING), 0.2))
    low = np.zeros(image.red.shape)
    rules = rules_of(image, visible_threshold(image, everywhere(image)))
    cover = ground_cover(image, low, rules)
    assert (cover.classes[:, 66:78] == CoverClass.SHADED).all()
    assert (cover.classes[:, 34:62] == CoverClass.BARE).all() and (cover.classes[:, 2:30] == CoverClass.LAWN).all()
    assert cover.confidence.values[:, 66:78].max() <= 0.5 < cover.confidence.values[:, 34:62].mean()


def test_dry_grass_is_a_doubt_by_its_colour():
    image = photo((GRASS, 0.4), (PAVING, 0.3), (DRY, 0.3))
    assert warmth(image)[:, 60:].mean() > 0.1 > warmth(image)[:, 34:54].mean()
    rules = rules_of(image, visible_threshold(image, everywhere(image)))
    cover = ground_cover(image, np.zeros(image.red.shape), rules)
    assert (cover.classes[:, 58:78] == CoverClass.DRY).all()
    assert cover.confidence.values[:, 58:78].max() <= 0.5


def test_what_is_warm_is_told_by_the_greyest_ground_of_the_photo():
    """A camera that takes a bluer white makes all colder, and the same ground is dry grass or not as before."""
    image = photo((GRASS, 0.4), (PAVING, 0.3), (DRY, 0.3))
    cold = Imagery(image.red, image.green, image.blue.with_values(image.blue.values * 1.25))
    for some in (image, cold):
        bare = everywhere(some) & (np.arange(80) >= 32)
        warm = warmth(some) >= warm_from(some, bare)
        assert warm[:, 58:].mean() > 0.97 and warm[:, 34:54].mean() < 0.1
    dry = everywhere(image) & (np.arange(80) >= 58)
    assert (warmth(image)[dry] >= warm_from(image, dry)).mean() > 0.95  # no paving there to compare it with
    assert warm_from(image, ~everywhere(image)) == WARM_MOST


def test_dark_grass_hides_no_shade():
    """Where all that isn't green is shaded, its own brightness isn't the usual one of bare ground."""
    image = photo((GRASS, 0.7), (shaded(PAVING), 0.3))
    index = vegetation_index(image)
    usual = usual_brightness(image, index, 0.06)
    assert usual[0] == usual[1] and in_shade(image.brightness, index >= 0.06, usual)[:, 58:].mean() > 0.9


def test_confidence_is_that_of_the_two_kinds():
    image = photo((GRASS, 0.5), (PAVING, 0.5))
    low = np.zeros(image.red.shape)
    rules = replace(rules_of(image, visible_threshold(image, everywhere(image))), colour_trust=1.0)
    near = replace(rules, threshold_sd=0.08)
    sure, unsure, unknown = (
        ground_cover(image, low, some).confidence.values[:, :36].mean()
        for some in (rules, near, replace(rules, kinds=None))
    )
    assert sure > 0.97 > unsure and unknown < unsure
    worth = ground_cover(image, low, replace(rules, colour_trust=0.6)).confidence.values[:, :36].mean()
    assert worth == pytest.approx(0.6 * sure)
