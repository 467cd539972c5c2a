"""Prices of mowers: what the file says, and what it may not say."""

import pytest

from lawngis.errors import ParameterError
from lawngis.mower import profile_names
from lawngis.mowing.fleet import Sharing
from lawngis.mowing.mower_prices import mower_book_from

GOOD = """
currency = "CHF"
dock_each = 100.0
wire_per_m = 0.4
mower_carry_each = 3
mower_season_weeks = 25
[mowers.mine]
price = 1000
kept_years = 5
upkeep_year = 50
"""


def written(tmp_path, text):
    path = tmp_path / "prices.toml"
    path.write_text(text)
    return str(path)


def test_the_example_has_a_price_for_every_profile_that_comes_along():
    assert set(mower_book_from().mowers) == set(profile_names())


def test_a_price_book_of_material_may_hold_them_as_well(tmp_path):
    book = mower_book_from(written(tmp_path, GOOD))
    assert book.currency == "CHF"
    assert book.sharing == Sharing(100.0, 3.0, 25.0)
    assert book.mowers["mine"].model_dump() == {"price": 1000.0, "kept_years": 5.0, "upkeep_year": 50.0}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("price = 1000", "price = -1"),
        ("price = 1000", "cost = 1000"),
        ("kept_years = 5", "kept_years = 0"),
        ("upkeep_year = 50", 'upkeep_year = "much"'),
        ("dock_each = 100.0", ""),
        ("[mowers.mine]", "[others.mine]"),
        ('currency = "CHF"', 'currency = "francs"'),
        ("dock_each = 100.0", "dock_each = = 3"),
    ],
)
def test_what_is_wrong_is_said_with_the_file(tmp_path, old, new):
    assert old in GOOD
    with pytest.raises(ParameterError, match=r"prices\.toml"):
        mower_book_from(written(tmp_path, GOOD.replace(old, new)))


def test_a_file_that_is_not_there_is_said(tmp_path):
    with pytest.raises(ParameterError, match="can't be read"):
        mower_book_from(str(tmp_path / "none.toml"))
