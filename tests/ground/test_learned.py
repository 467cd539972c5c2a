"""Lawn learned from examples: only where it beats an index, and never surer than the pieces that it was tested on."""

from __future__ import annotations

import builtins
import pickle
from dataclasses import replace

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS

from lawngis.errors import ParameterError
from lawngis.ground.cover import CoverClass, CoverRules, ground_cover
from lawngis.ground.imagery import GreenIndex, Imagery
from lawngis.ground.learned import cell_features, example, learned_lawn
from lawngis.ground.raster import Grid

DRY, SOIL, GRASS, PAVING = (146.0, 122.0, 97.0), (150.0, 112.0, 84.0), (90.0, 115.0, 80.0), (150.0, 146.0, 138.0)
STRIPS = (DRY, SOIL, GRASS, PAVING)


def photo() -> Imagery:
    """Return a photo of four strips, 20 cells wide each: dry grass, soil, grass, paving."""
    rng = np.random.default_rng(5)
    colours = np.repeat(np.array(STRIPS), 20, axis=0)
    bands = np.repeat(colours[None], 80, axis=0) * rng.normal(1, 0.04, (80, 80, 1)) + rng.normal(0, 2, (80, 80, 3))
    place = Affine(0.25, 0, 600_000, 0, -0.25, 5_000_000)
    return Imagery(*(Grid(bands[..., band], place, CRS(32631)) for band in range(3)))


def square(strip: int, number: int) -> np.ndarray:
    """Return a piece of a strip, one of four."""
    cells = np.zeros((80, 80), dtype=bool)
    cells[20 * number + 4 : 20 * number + 16, 20 * strip + 4 : 20 * strip + 16] = True
    return cells


def pieces(image: Imagery, lawns: tuple[int, ...], others: tuple[int, ...], each: int = 2) -> list:
    wanted = [(strip, strip in lawns) for strip in (*lawns, *others)]
    return [example(image, square(strip, n), lawn=lawn) for strip, lawn in wanted for n in range(each)]


@pytest.fixture(scope="module")
def taught():
    """Dry grass is lawn, soil isn't: no index of greenness parts the two."""
    image = photo()
    return image, learned_lawn(pieces(image, (0, 2), (1, 3)))


def test_examples_tell_dry_grass_where_greenness_does_not(taught):
    image, learned = taught
    assert learned.pieces == (4, 4) and learned.taken
    assert learned.right > 0.95 > 0.8 > learned.right_by_index
    chance = learned.on(image).lawn_chance.values
    assert (chance[60:, :18] > 0.5).mean() > 0.95 and (chance[60:, 22:38] < 0.5).mean() > 0.95


def test_nothing_is_surer_than_the_pieces_that_it_was_tested_on(taught):
    image, learned = taught
    chance = learned.on(image).lawn_chance.values
    assert learned.worth == pytest.approx((8 * learned.right + 1) / 10)
    assert learned.worth + 1e-9 >= chance.max() and chance.min() >= 1 - learned.worth - 1e-9


def test_the_index_is_kept_where_it_does_as_well():
    image = photo()
    learned = learned_lawn(pieces(image, (2,), (3,)))
    assert learned.right_by_index > 0.98 and not learned.taken
    assert learned.on(image).lawn_chance is None and learned.on(image).moved(1, 0).examples_drawn


def test_what_was_drawn_at_random_is_not_taken():
    """Pieces of one ground, half of them called lawn: what seems to tell them is chance, and unseen pieces say so."""
    image = photo()
    same = [example(image, square(1, n), lawn=n % 2 == 0) for n in range(4)]
    assert not learned_lawn(same).taken


def test_ground_is_lawn_as_the_examples_say_and_shade_stays_a_doubt(taught):
    image, learned = taught
    rules = CoverRules(0.06, 0.01, index=GreenIndex.GREEN_LEAF, brightness_of_green=95, brightness_of_bare=130)
    low = np.zeros(image.red.shape)
    low[:, 40:60] = 3.0  # what stands is told by height and colour as ever
    cover = ground_cover(learned.on(image), low, rules)
    assert (cover.classes[62:, 3:17] == CoverClass.LAWN).mean() > 0.95
    assert (cover.classes[62:, 23:37] == CoverClass.BARE).mean() > 0.95
    assert (cover.classes[62:, 45:55] == CoverClass.TREE).all()
    dark = Imagery(*(replace(band, values=np.where(np.arange(80) < 30, 0.3, 1) * band.values) for band in image.bands))
    assert (ground_cover(learned.on(dark), low, rules).classes[62:, 23:28] != CoverClass.BARE).all()


def test_without_heights_examples_tell_lawn_from_other_green(taught):
    image, learned = taught
    rules = CoverRules(0.06, 0.01, index=GreenIndex.GREEN_LEAF)
    assert (ground_cover(image, None, rules).classes[62:, 45:55] == CoverClass.GREEN).all()
    assert (ground_cover(learned.on(image), None, rules).classes[62:, 45:55] == CoverClass.LAWN).all()


def test_the_same_examples_teach_the_same_also_in_another_process(taught):
    image, learned = taught
    again = pickle.loads(pickle.dumps(learned_lawn(pieces(image, (0, 2), (1, 3)))))
    assert (again.on(image).lawn_chance.values == learned.on(image).lawn_chance.values).all()


def test_rough_ground_has_texture():
    image = photo()
    rough = np.random.default_rng(1).normal(1, 0.3, (80, 40))
    some = [band.with_values(np.hstack([band.values[:, :40], band.values[:, 40:] * rough])) for band in image.bands]
    texture = cell_features(Imagery(*some))[..., 1]
    assert texture[:, 44:].mean() > 3 * texture[:, 4:36].mean()


def test_too_few_and_unseen_pieces_are_refused():
    image = photo()
    with pytest.raises(ParameterError, match="1 pieces of lawn and 2"):
        learned_lawn([example(image, square(0, 0), lawn=True), *pieces(image, (), (1,))])
    with pytest.raises(ParameterError, match="no cell of this piece"):
        example(image, np.zeros((80, 80), dtype=bool), lawn=True)


def test_a_missing_package_is_named_in_one_line(monkeypatch):
    known = builtins.__import__

    def absent(name, *args, **kwargs):
        if name.startswith("sklearn"):
            raise ImportError(name)
        return known(name, *args, **kwargs)

    few = pieces(photo(), (0,), (1,))
    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(ParameterError, match=r"scikit-learn\. pip install 'lawngis\[examples\]'"):
        learned_lawn(few)
