"""When a mower may work, and how often the grass asks for it."""

import pytest

from lawngis.errors import ParameterError
from lawngis.mowing.week import permitted_hours_week
from lawngis.processing.derived.mowing_windows import grass_growth, week_hours

DAYS = (0, 1, 2, 3, 4)


def test_hours_wanted_lie_within_those_permitted(tmp_path):
    rules = tmp_path / "rules.toml"
    rules.write_text('title = "Town"\nsource = "By-law 7"\n[permitted]\nMonday-Saturday = ["10:00-18:00"]\n')
    found = week_hours(9, 19, weekdays=DAYS, quiet_hours=str(rules))
    assert found.wanted == {day: [(10.0, 18.0)] for day in DAYS}
    assert permitted_hours_week(found.permitted) == 6 * 8
    assert (found.title, found.source, found.assumed) == ("Town", "By-law 7", False)


def test_an_example_forbids_nothing_that_somebody_wants():
    found = week_hours(5, 23, weekdays=(6,))
    assert found.assumed
    assert found.wanted == {6: [(5.0, 23.0)]}


def test_sprinklers_and_wet_lawn_take_their_hours():
    """Sprinklers from 9 to 10 and an hour to dry leave Monday from 11."""
    found = week_hours(9, 19, weekdays=(0,), sprinklers="Monday 09:00-10:00", sprinkler_dry_h=1.0)
    assert found.wanted == {0: [(11.0, 19.0)]}


def test_no_hours_wanted_leave_those_permitted():
    assert week_hours(12, 12, weekdays=DAYS).wanted == {}


def test_rules_that_can_not_be_read_are_said(tmp_path):
    with pytest.raises(ParameterError, match="can't be read"):
        week_hours(9, 19, weekdays=DAYS, quiet_hours=str(tmp_path / "none.toml"))


def test_seasons_are_half_a_year_apart_across_the_equator():
    north, south = (grass_growth(side * 48, cut_height_mm=40, growth_mm_week=38) for side in (1, -1))
    assert north.grass == south.grass == "cool"
    assert (north.strongest, south.strongest) == (6, 0)  # July, January
    assert south.basis == ("growth-basis", {"case": "assumed", "latitude_deg": 48, "side": "south"})


def test_grass_goes_by_latitude_unless_somebody_says():
    near = grass_growth(10, cut_height_mm=40, growth_mm_week=38)
    told = grass_growth(10, grass="cool", cut_height_mm=40, growth_mm_week=38)
    assert (near.grass, told.grass) == ("warm", "cool")


def test_a_lower_cut_asks_for_more_mowings():
    """By the one-third rule the interval is half the height of the cut over the growth."""
    high, low = (grass_growth(48, cut_height_mm=height, growth_mm_week=38) for height in (40, 20))
    assert low.mowings.max() == pytest.approx(2 * high.mowings.max())
    assert high.mowings.argmax() == high.strongest


def test_temperatures_given_count():
    cold = grass_growth(48, temperatures_c=",".join(["-5"] * 12), cut_height_mm=40, growth_mm_week=38)
    assert cold.basis == ("growth-basis", {"case": "given"})
    assert cold.mowings.max() < 0.01
