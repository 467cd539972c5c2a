"""Price books, and the one rule by which a line's quantity and amount are rounded."""

from __future__ import annotations

from decimal import Decimal
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.labour import labour_book_from
from lawngis.mower import profile_names
from lawngis.prices import amounts_total, billed, coins, currency_digits, price_book_from

EXAMPLE = resources.files("lawngis").joinpath("prices_example.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("quantity", "unit", "price", "currency", "said"),
    [
        (95.86337, "m", 0.45, "EUR", (95.9, 43.16)),  # 95.9 x 0.45 = 43.155
        (0.75, "h", 58.0, "EUR", (0.75, 43.50)),
        (0.6667, "h", 58.0, "EUR", (0.67, 38.86)),
        (154.0, "piece", 0.15, "EUR", (154.0, 23.10)),
        (2.25, "m", 1.0, "EUR", (2.3, 2.30)),  # halves up, not to the even digit
        (10.0, "m", 15.25, "JPY", (10.0, 153.0)),
        (3.0, "piece", 1.23456, "KWD", (3.0, 3.704)),
        (0.04, "m", 15.0, "EUR", (0.0, 0.0)),
        (7.0, "piece", None, "EUR", (7.0, None)),
    ],
)
def test_a_line_by_hand(quantity, unit, price, currency, said):
    line = billed(quantity, unit, price, currency)
    assert (line.quantity, line.amount) == said


@given(
    st.floats(0, 1e5), st.sampled_from(["m", "ft", "h", "piece", "flat"]), st.decimals(0, 9999, places=3),
    st.sampled_from(["EUR", "JPY", "KWD"]),
)  # fmt: skip
def test_quantity_times_price_is_the_amount_to_half_a_coin(quantity, unit, price, currency):
    line = billed(quantity, unit, float(price), currency)
    off = Decimal(str(line.quantity)) * price - Decimal(str(line.amount))
    assert abs(off) <= Decimal(1).scaleb(-currency_digits(currency)) / 2
    again = billed(line.quantity, unit, float(price), currency)
    assert again == line  # what is printed gives itself


def test_sums_are_of_what_is_printed():
    assert amounts_total([0.1] * 3, "EUR") == 0.3
    assert amounts_total([43.16, None, 23.1], "EUR") == 66.26
    assert amounts_total([], "EUR") == 0.0
    assert coins(2.675, "EUR") == 2.68  # the float itself lies below: decimal arithmetic of what is written


def test_minor_units_are_those_of_the_standard():
    """ISO 4217:2015, list one: yen 0, euro 2, Bahraini dinar 3, unidad de fomento 4."""
    assert [currency_digits(name) for name in ("JPY", "EUR", "BHD", "CLF", "eur")] == [0, 2, 3, 4, 2]


def test_the_examples_say_that_they_are_and_ones_own_does_not(tmp_path):
    assert price_book_from().example and price_book_from().source == "example"
    assert labour_book_from().example and labour_book_from().tax_percent is None
    own = tmp_path / "own.toml"
    own.write_text(EXAMPLE.replace("example = true", ""))
    assert price_book_from(str(own)).source == "own"


def test_mowers_are_priced_by_the_name_of_their_profile():
    book = price_book_from()
    assert {name: book.mower_price(name) for name in profile_names()} == {"small": 900, "medium": 1600, "large": 3400}
    assert book.mower_price("mine") is None


def test_a_book_may_begin_with_a_byte_order_mark(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + EXAMPLE.encode())
    assert price_book_from(str(path)) == price_book_from()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("peg_each", "pegs_each", ["unknown key pegs_each", "key peg_each is missing", "known there are", "Add it"]),
        ("kept_years = 6 ", 'kept_years = "six" ', ["mowers.small.kept_years = 'six'", "Correct mowers.small.kept"]),
        (
            "[mowers.small]",
            "[mowers.small]\nprize = 1",
            ["unknown key mowers.small.prize", "price, kept_years, upkeep"],
        ),
        ("currency = ", "currency == ", ["can't be read", "in TOML"]),
        ("currency = ", "a = " + "[" * 9_000 + "\ncurrency = ", ["can't be read", "nested too deep"]),
        ("upkeep_year = ", "upkeep_year = 1e308 # ", ["upkeep_year = 1e+308: input should be less than or equal to"]),
    ],
)
def test_what_is_wrong_is_said_with_file_key_and_what_to_do(tmp_path, old, new, words):
    assert old in EXAMPLE
    path = tmp_path / "mine.toml"
    path.write_text(EXAMPLE.replace(old, new, 1))
    with pytest.raises(ParameterError, match=r"mine\.toml") as raised:
        price_book_from(str(path))
    for word in words:
        assert word in str(raised.value)
