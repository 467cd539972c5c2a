"""Published figures of vegetation indices, height classes and crown widths."""

from __future__ import annotations

import inspect

import numpy as np
import pytest

from lawngis.ground.cover import CoverRules
from lawngis.ground.imagery import NDVI_RANGE, ndvi
from lawngis.ground.trees import CROWN_PER_TRUNK, crown_width_m, trunk_guess_m


def test_ndvi_is_that_of_rouse():
    """Rouse et al., 1974, NASA SP-351: (NIR - R) / (NIR + R); the cases are arithmetic."""
    assert ndvi([62.0, 92.0, 34.0], [186.0, 88.0, 18.0]) == pytest.approx([0.5, -4 / 180, -16 / 52])


def test_thresholds_are_those_of_the_urban_rules():
    """Remote Sensing 2020, 12(17), 2725: NDVI 0.3; grass to 0.5 m, shrubs to 2 m, trees above."""
    defaults = {name: item.default for name, item in inspect.signature(CoverRules).parameters.items()}
    assert NDVI_RANGE.default == 0.3
    assert (defaults["shrub_min_m"], defaults["tree_min_m"]) == (0.5, 2.0)


def test_crown_widths_are_those_of_popescu_and_wynne():
    """Popescu and Wynne, 2004, PE&RS 70(5), 589-604; coefficients from a copy, values recomputed; rounded to 0.1 mm."""
    assert crown_width_m([5.0, 10.0, 15.0, 20.0]) == pytest.approx((2.7403, 3.4160, 4.5423, 6.1190), abs=5.1e-5)


def test_trunk_guess_lies_in_the_published_ratio():
    """Coombes et al., 2019, Urban Forestry and Urban Greening 44, 126421: crown / trunk diameter is 24 to 27."""
    assert 24 <= CROWN_PER_TRUNK <= 27
    ratio = np.array([2.0, 6.0, 12.0]) / trunk_guess_m([2.0, 6.0, 12.0])
    assert ((ratio >= 24) & (ratio <= 27)).all()
