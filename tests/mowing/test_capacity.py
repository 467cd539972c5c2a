import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.mowing.capacity import (
    HOURS_WEEK,
    TURNING_SHARE_MAX,
    area_rate_m2_h,
    charging_hours,
    edge_pass_hours,
    mean_run_m,
    mowing_hours,
    mowing_room_h,
    same_shape_area_m2,
    search_effort,
    transit_hours,
    turning_share,
    unevenness,
    zone_mowing_hours,
)

MEDIUM = {"cutting_width_m": 0.24, "speed_mps": 0.35}

few = settings(max_examples=40, deadline=None)


@few
@given(st.floats(0, 0.999999))
def test_effort_and_share_are_inverse(share):
    assert 1 - np.exp(-search_effort(share)) == pytest.approx(share, abs=1e-12)


@few
@given(st.floats(1e-6, 0.999), st.floats(1e-3, 2))
def test_effort_and_share_are_inverse_on_an_uneven_lawn(share, uneven):
    effort = search_effort(share, unevenness=uneven)
    assert 1 - (1 + uneven * effort) ** (-1 / uneven) == pytest.approx(share, abs=1e-9)
    assert effort >= search_effort(share)


def test_a_gamma_spread_of_visits_leaves_that_share_uncut():
    """Independent of the formula: places visited at rates of mean 1 and variance 0.3 are missed with exp(-C rate)."""
    rates = np.random.default_rng(2).gamma(1 / 0.3, 0.3, 400_000)
    assert rates.var() == pytest.approx(0.3, rel=0.02)
    effort = float(search_effort(0.95, unevenness=0.3))
    assert 1 - np.exp(-effort * rates).mean() == pytest.approx(0.95, abs=5e-4)


def test_an_almost_even_lawn_is_like_an_even_one():
    assert search_effort(0.95, unevenness=[0.0, 1e-7]) == pytest.approx(-np.log(0.05), rel=1e-6)


def test_unevenness_worked_by_hand():
    """20 m square, 0.24 m cut: e = 0.24 x 80 / 400 = 0.048, k = 0; 3 x 40 m: e = 0.172, k = ln(86² / 16 / 120)."""
    square, strip = unevenness([400, 120], [80, 86], cutting_width_m=0.24)
    assert square == pytest.approx(0.046 + 0.38 * 0.048)
    assert strip == pytest.approx(0.046 + 0.38 * 0.172 + 0.26 * 0.172 * np.log(86**2 / 16 / 120))
    # Not more than all of the ground lies along the edge; a zone without area is no error.
    assert unevenness([1, 0], [100, 4], cutting_width_m=0.24)[0] == pytest.approx(0.426 + 0.26 * np.log(625))
    assert np.isfinite(unevenness([1, 0], [100, 4], cutting_width_m=0.24)).all()


@few
@given(st.floats(1, 50), st.floats(1, 20), st.floats(0.1, 1))
def test_the_longer_the_lawn_and_the_wider_the_cut_the_more_uneven(side, times, width):
    area = side**2
    square, longer = unevenness(area, [4 * side, 2 * side * (times + 1 / times)], cutting_width_m=width)
    assert longer >= square - 1e-12
    assert unevenness(area, 4 * side, cutting_width_m=width / 2) <= square


def test_a_strip_needs_more_hours_than_a_square_of_its_area():
    square, strip = zone_mowing_hours([120, 120], [4 * 120**0.5, 86], **MEDIUM)
    turning = (1 - turning_share(120, 4 * 120**0.5, speed_mps=0.35)) / (1 - turning_share(120, 86, speed_mps=0.35))
    # u is 0.0793 and 0.1717, so C is 3.381 and 3.918; beside that only the turns differ.
    assert strip / square / turning == pytest.approx(3.918 / 3.381, abs=1e-3)


def test_hours_worked_by_hand():
    # 0.24 m x 0.35 m/s x 3600 s x 0.9 = 272.16 m²/h; 95 % take C = 2.9957
    assert area_rate_m2_h(0.24, 0.35) == pytest.approx(272.16)
    assert mowing_hours(500, rate_m2_h=272.16) == pytest.approx(500 * 2.995732 / 272.16)
    # 25 x 20 m: u = 0.046 + 0.38 x 0.0432 + 0.26 x 0.0432 x ln(90² / 8000) = 0.06256; C = (20^u - 1) / u = 3.2946
    # 500 m² x C / 302.4 m²/h, and 3 s of turning for each run of pi x 500 / 90 m / 0.35 m/s = 49.87 s
    once = zone_mowing_hours([500, 0], [90, 0], **MEDIUM)
    assert once == pytest.approx([500 * 3.2946 / 302.4 * 52.87 / 49.87, 0], rel=1e-3)


def test_a_slope_takes_longer_by_half_of_it():
    level, steep = mowing_hours(500, rate_m2_h=270, slope_percent=[0, 20])
    assert steep / level == pytest.approx(1.1)


@few
@given(st.floats(10, 5000), st.floats(1, 3), st.floats(0.1, 100))
def test_the_area_of_some_hours_takes_these_hours(area, longer, hours):
    perimeter = 4 * longer * area**0.5
    found = same_shape_area_m2(hours, area, perimeter, **MEDIUM)
    assert hours / found == pytest.approx(float(zone_mowing_hours(area, perimeter, **MEDIUM)) / area)


@few
@given(st.floats(0, 100), st.floats(20, 200), st.floats(0, 200))
def test_hours_of_the_week_hold_mowing_and_its_charging(mowing, run, charge):
    both = float(mowing + charging_hours(mowing, run_minutes=run, charge_minutes=charge))
    if both > HOURS_WEEK:
        with pytest.raises(ParameterError, match="a week has 0 to 168 hours"):
            mowing_room_h(both, run_minutes=run, charge_minutes=charge)
    else:
        assert mowing_room_h(both, run_minutes=run, charge_minutes=charge) == pytest.approx(mowing)


@few
@given(st.floats(5, 5000), st.floats(0.1, 1.0))
def test_a_larger_lawn_of_the_same_shape_is_turned_on_less(area, speed):
    one, larger = (float(turning_share(size, 4.5 * size**0.5, speed_mps=speed)) for size in (area, 4 * area))
    assert 0 < larger < one < 1
    # Twice the width, twice the run between two turns.
    assert (1 / larger - 1) == pytest.approx(2 * (1 / one - 1))


def test_ways_and_edges_worked_by_hand():
    assert edge_pass_hours([126.0, 0.0], speed_mps=0.35) == pytest.approx([0.1, 0.0])
    # 31.5 m there and back, four times: 252 m at 0.35 m/s are 720 s.
    assert transit_hours(31.5, speed_mps=0.35, departures=4) == pytest.approx(0.2)
    assert mean_run_m([400.0, 5.0], [80.0, 0.0]) == pytest.approx([5 * np.pi, 0.0])


def test_a_zone_without_area_is_all_turning_but_needs_no_hours():
    turning = turning_share(0.0, 0.0, speed_mps=0.3)
    assert turning == TURNING_SHARE_MAX
    assert zone_mowing_hours(0.0, 0.0, cutting_width_m=0.2, speed_mps=0.3) == 0.0


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: search_effort(1.0), "below 1, not 1.0"),
        (lambda: search_effort([0.5, -0.1]), "from 0 to below 1"),
        (lambda: area_rate_m2_h(0, 0.3), "width of 0 m"),
        (lambda: area_rate_m2_h(0.2, 0.3, turning_share=1), "turning share of 1"),
        (lambda: mowing_hours(-5, rate_m2_h=100), "area .* not -5"),
        (lambda: mowing_hours(5, rate_m2_h=0), "area rate 0 m²/h"),
        (lambda: mowing_hours(np.inf, rate_m2_h=100), "area .* not inf"),
        (lambda: search_effort(0.5, unevenness=-0.1), "unevenness .* not -0.1"),
        (lambda: unevenness(5, 9, cutting_width_m=0), "a cut of 0 m"),
        (lambda: charging_hours(5, run_minutes=0, charge_minutes=60), "a run of 0 min"),
        (lambda: same_shape_area_m2(1, 0, 9, cutting_width_m=0.2, speed_mps=0.3), "one of 0 m²"),
        (lambda: same_shape_area_m2(-1, 5, 9, cutting_width_m=0.2, speed_mps=0.3), "hours .* not -1"),
        (lambda: mowing_room_h(169, run_minutes=60, charge_minutes=60), "0 to 168 hours, not 169"),
        (lambda: mowing_room_h(-1, run_minutes=60, charge_minutes=60), "not -1"),
        (lambda: turning_share(5, 5, speed_mps=0), "a speed of 0 m/s"),
        (lambda: edge_pass_hours(5, speed_mps=0), "a speed of 0 m/s"),
        (lambda: transit_hours(-5, speed_mps=0.3, departures=1), "way .* not -5"),
    ],
)
def test_impossible_numbers_are_refused(call, said):
    with pytest.raises(ParameterError, match=said):
        call()
