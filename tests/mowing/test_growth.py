import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.mowing.growth import (
    assumed_temperatures_c,
    growth_potential_cool,
    growth_potential_warm,
    mow_interval_days,
    mowings_week_by_month,
    one_third_heights_mm,
    temperatures_from,
)

few = settings(max_examples=40, deadline=None)


def test_growth_is_best_at_the_optimum_and_even_about_it():
    away = np.array([0.0, 3.0, 10.0])
    assert growth_potential_cool(20 + away) == pytest.approx(growth_potential_cool(20 - away))
    assert growth_potential_warm(31) == 1.0 and growth_potential_cool(20) == 1.0


def test_where_nothing_grows_nothing_is_mown():
    assert mow_interval_days([40, 40], [5, 0]).tolist() == [4.0, np.inf]
    assert mowings_week_by_month([1.0, 0.0], cut_height_mm=40, peak_growth_mm_week=40).tolist() == [2.0, 0.0]


@few
@given(st.floats(15, 100), st.floats(1, 100), st.floats(0.01, 1))
def test_half_the_height_is_mown_twice_as_often(height, growth, share):
    once, twice = (
        mowings_week_by_month(share, cut_height_mm=cut, peak_growth_mm_week=growth) for cut in (height, height / 2)
    )
    assert twice == pytest.approx(2 * once)


@few
@given(st.floats(-70, 70))
def test_summer_is_warmer_on_either_side_of_the_equator(latitude):
    months = assumed_temperatures_c(latitude)
    january, july = months[0], months[6]
    assert months.shape == (12,)
    assert (july > january) == (latitude >= 0)
    assert max(january, july) == months.max()


@few
@given(st.floats(20, 68), st.floats(0.1, 2))
def test_nearer_to_the_pole_the_year_is_colder(latitude, further):
    assert assumed_temperatures_c(latitude + further).mean() < assumed_temperatures_c(latitude).mean()


TWELVE = [1, 2, 5, 9, 14, 17, 19, 19, 15, 10, 5, 2]


@pytest.mark.parametrize("text", [",".join(map(str, TWELVE)), "  ".join(map(str, TWELVE)), "; ".join(map(str, TWELVE))])
def test_twelve_numbers_are_understood(text):
    assert temperatures_from(text).tolist() == TWELVE


def test_a_table_is_read_in_the_order_of_months(tmp_path):
    rows = [f"{month},{value}" for month, value in reversed(list(enumerate(TWELVE, 1)))]
    file = tmp_path / "normals.csv"
    file.write_text("month,temperature_c\n" + "\n".join(rows) + "\n", encoding="utf-8-sig")
    assert temperatures_from(str(file)).tolist() == TWELVE


@pytest.mark.parametrize(
    ("text", "said"),
    [
        *[("1,2,3", "3 monthly temperatures"), ("", "0 monthly temperatures"), ("a b c", "not 'a b c'")],
        *[(",".join([value] * 12), "between -60 and 60") for value in ("80", "nan")],
        ("nowhere.csv", r"nowhere\.csv: .* can't be read"),
    ],
)
def test_what_are_no_temperatures_is_refused(text, said):
    with pytest.raises(ParameterError, match=said):
        temperatures_from(text)


@pytest.mark.parametrize("table", ["a,b\n1,2\n", "month,temperature_c\n1,cold\n", "month,temperature_c\n1,4\n"])
def test_a_table_that_is_none_is_refused_by_name(tmp_path, table):
    file = tmp_path / "bad.csv"
    file.write_text(table)
    with pytest.raises(ParameterError, match=r"bad\.csv"):
        temperatures_from(str(file))


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: mow_interval_days(0, 5), "cut height 0 mm"),
        (lambda: mow_interval_days(30, -1), "growth .* not -1"),
        (lambda: assumed_temperatures_c(91), "latitude of 91 degrees"),
    ],
)
def test_impossible_numbers_are_refused(call, said):
    with pytest.raises(ParameterError, match=said):
        call()


INCH_MM = 25.4


@pytest.mark.parametrize(
    ("cut_in", "heights_in"),
    [
        (3.0, [3.0, 4.5, 6.75]),  # kept at 3 inches, cut at 4.5: published by Cornell's turfgrass program
        (2.0, [2.0, 3.0, 4.5]),  # kept at 2 inches, cut at 3: Penn State, through the Asian Turfgrass Center
        (40 / INCH_MM, [1.625, 2.375, 3.5]),  # on eighths of an inch
    ],
)
def test_heights_of_the_one_third_rule(cut_in, heights_in):
    heights = one_third_heights_mm(cut_in * INCH_MM, steps=2, grid_mm=INCH_MM / 8)
    assert np.divide(heights, INCH_MM) == pytest.approx(heights_in)


@given(st.floats(10, 150), st.sampled_from([1.0, 5.0, INCH_MM / 8]))
def test_no_cut_takes_more_than_a_third(cut_mm, grid_mm):
    heights = np.array(one_third_heights_mm(cut_mm, steps=4, grid_mm=grid_mm))
    assert cut_mm - 1e-6 <= heights[0] < cut_mm + grid_mm
    assert (heights[:-1] >= heights[1:] * 2 / 3 - 1e-9).all() and (np.diff(heights) > 0).all()


@pytest.mark.parametrize(("cut", "grid"), [(0, 1), (40, 0), (np.nan, 1)])
def test_heights_that_make_no_sense_are_refused(cut, grid):
    with pytest.raises(ParameterError, match="must be above 0 mm"):
        one_third_heights_mm(cut, steps=1, grid_mm=grid)
