"""Growth and mowing of turf against published values."""

import numpy as np
import pytest

from lawngis.mowing.growth import growth_potential_cool, growth_potential_warm, mow_interval_days

# University of Nebraska-Lincoln, Turf iNfo: grass growing 1.5 inch a week, cut at 3, 2 and 1.5 inch, is mown every
# 7, 4 and 3 days. Whole days, rounded down: (H / 2) / rate = 7.0, 4.67, 3.5.
INCH_MM = 25.4


def test_published_mowing_intervals():
    days = mow_interval_days(np.array([3, 2, 1.5]) * INCH_MM, 1.5 * INCH_MM / 7)
    assert days == pytest.approx([7.0, 14 / 3, 3.5])
    assert np.floor(days + 1e-9).tolist() == [7, 4, 3]


# W. Gelernter and L. Stowell, 2005, growth potential; Celsius constants as in later use (optima 20 and 31 °C published,
# spreads 5.5 and 7 from a secondary source); values recomputed. The Fahrenheit form (68 and 10 °F) differs: 19.8 %
# instead of 19.15 % at 10 °C; ours is the Celsius form.
COOL = [
    *[(0, 0.0013), (5, 0.0243), (8, 0.0925), (10, 0.1915), (12, 0.3472), (15, 0.6615), (17, 0.8618)],
    *[(20, 1.0), (22, 0.9360), (25, 0.6615), (28, 0.3472), (30, 0.1915), (35, 0.0243)],
]
WARM = [(10, 0.0111), (15, 0.0734), (20, 0.2909), (22, 0.4376), (25, 0.6926), (28, 0.9123), (31, 1.0)]


@pytest.mark.parametrize(("temperature", "potential"), COOL)
def test_cool_season_growth(temperature, potential):
    assert growth_potential_cool(temperature) == pytest.approx(potential, abs=5e-5)


@pytest.mark.parametrize(("temperature", "potential"), WARM)
def test_warm_season_growth(temperature, potential):
    assert growth_potential_warm(temperature) == pytest.approx(potential, abs=5e-5)
