import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.mowing.capacity import (
    TURNING_SHARE_MAX,
    area_rate_m2_h,
    charging_hours,
    edge_pass_hours,
    largest_area_m2,
    mean_run_m,
    mowing_hours,
    mowing_hours_week,
    one_charge_area_m2,
    search_effort,
    transit_hours,
    turning_share,
)

few = settings(max_examples=40, deadline=None)


@few
@given(st.floats(0, 0.999999))
def test_effort_and_share_are_inverse(share):
    assert 1 - np.exp(-search_effort(share)) == pytest.approx(share, abs=1e-12)


def test_hours_worked_by_hand():
    # 0.24 m x 0.35 m/s x 3600 s x 0.9 = 272.16 m²/h; 95 % take C = 2.9957
    assert area_rate_m2_h(0.24, 0.35) == pytest.approx(272.16)
    assert mowing_hours(500, rate_m2_h=272.16) == pytest.approx(500 * 2.995732 / 272.16)
    week = mowing_hours_week([500, 0], cutting_width_m=0.24, speed_mps=0.35, mowings_week=2)
    assert week == pytest.approx([11.00734, 0], rel=1e-5)


def test_a_slope_takes_longer_by_half_of_it():
    level, steep = mowing_hours(500, rate_m2_h=270, slope_percent=[0, 20])
    assert steep / level == pytest.approx(1.1)


@few
@given(st.floats(10, 5000), st.floats(20, 200), st.floats(0, 200), st.floats(0.5, 7))
def test_the_largest_area_takes_exactly_the_hours_there_are(hours_area, run, charge, mowings):
    rate = area_rate_m2_h(0.24, 0.35)
    needed = mowings * mowing_hours(hours_area, rate_m2_h=rate)
    elapsed = needed + charging_hours(needed, run_minutes=run, charge_minutes=charge)
    area = largest_area_m2(float(elapsed), rate_m2_h=rate, run_minutes=run, charge_minutes=charge, mowings_week=mowings)
    assert area == pytest.approx(hours_area)


def test_one_charge_mows_what_takes_one_run():
    area = one_charge_area_m2(rate_m2_h=272.16, run_minutes=70)
    assert mowing_hours(area, rate_m2_h=272.16) * 60 == pytest.approx(70)


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
    assert mowing_hours_week(0.0, cutting_width_m=0.2, speed_mps=0.3, turning=turning) == 0.0


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
        (lambda: mowing_hours_week(5, cutting_width_m=0.2, speed_mps=0.3, mowings_week=np.nan), "nan mowings a week"),
        (lambda: charging_hours(5, run_minutes=0, charge_minutes=60), "a run of 0 min"),
        (lambda: one_charge_area_m2(rate_m2_h=100, run_minutes=60, share=0), "a share of 0"),
        (
            lambda: largest_area_m2(10, rate_m2_h=100, run_minutes=60, charge_minutes=60, mowings_week=0),
            "effort of 0.0 a week",
        ),
        (lambda: largest_area_m2(-1, rate_m2_h=100, run_minutes=60, charge_minutes=60), "for -1 hours"),
        (lambda: mowing_hours_week(5, cutting_width_m=0.2, speed_mps=0.3, turning=1.0), "never mows"),
        (lambda: turning_share(5, 5, speed_mps=0), "a speed of 0 m/s"),
        (lambda: edge_pass_hours(5, speed_mps=0), "a speed of 0 m/s"),
        (lambda: transit_hours(-5, speed_mps=0.3, departures=1), "way .* not -5"),
    ],
)
def test_impossible_numbers_are_refused(call, said):
    with pytest.raises(ParameterError, match=said):
        call()
