"""Values as people type them and programs hand them over, read one way."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawngis.processing.model.values import integer_of, is_absent, number_of, text_of, truth_of, typed_number_of

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)


@pytest.mark.parametrize("gap", [None, pd.NA, pd.NaT, float("nan"), np.float64("nan")])
def test_every_gap_of_a_table_is_absent_and_no_text(gap):
    assert is_absent(gap)
    assert text_of(gap) == ""


@pytest.mark.parametrize("value", [0, 0.0, "", False, np.int64(0), float("inf")])
def test_what_is_there_is_not_absent(value):
    assert not is_absent(value)


@pytest.mark.parametrize(
    ("stored", "text"),
    [
        (" P7 ", "P7"),
        (12.0, "12"),
        (np.float64(7), "7"),
        (np.int64(7), "7"),
        (500012.3125, "500012.3125"),
        (0.04, "0.04"),
    ],
)
def test_texts_lose_blanks_and_whole_numbers_their_point(stored, text):
    assert text_of(stored) == text


@given(NUMBERS)
def test_a_number_is_the_same_as_number_and_as_text(number):
    assert number_of(number) == number_of(repr(number)) == typed_number_of(f" {number!r} ") == number
    assert typed_number_of(repr(number).replace(".", ",")) == number


@pytest.mark.parametrize("value", ["", " ", "tall", "1,8", "3 m", "nan", "--", None, float("nan"), "1.2.3"])
def test_in_data_a_number_is_nothing_else(value):
    with pytest.raises(ValueError, match=r"no number|could not convert"):
        number_of(value)


@pytest.mark.parametrize("value", ["", "1,2,3", "1.000,5", "wide"])
def test_what_is_typed_and_no_number_is_refused(value):
    with pytest.raises(ValueError, match="could not convert"):
        typed_number_of(value)


@given(st.integers(-(2**50), 2**50))
def test_whole_numbers_come_from_texts_and_floats(number):
    assert integer_of(number) == integer_of(str(number)) == integer_of(float(number)) == number
    assert type(integer_of(float(number))) is int


@pytest.mark.parametrize("value", ["2.5", 2.5, "", None])
def test_what_is_not_whole_is_no_integer(value):
    with pytest.raises(ValueError, match=r"whole number|no number|could not convert"):
        integer_of(value)


@pytest.mark.parametrize("value", [True, np.bool_(True), 1, 1.0, "1", "1.0", "TRUE", " yes", "Y", "t"])
def test_yes_in_many_words(value):
    assert truth_of(value) is True


@pytest.mark.parametrize("value", [False, np.bool_(False), 0, 0.0, "0", "0.0", "False", "NO ", "n", "f"])
def test_no_in_many_words(value):
    assert truth_of(value) is False


@pytest.mark.parametrize("value", [None, "", "maybe", 2, "10"])
def test_neither_yes_nor_no_is_refused(value):
    with pytest.raises(ValueError, match="neither yes nor no"):
        truth_of(value)
