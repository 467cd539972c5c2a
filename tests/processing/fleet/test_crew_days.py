"""Days of a crew: everybody visited once, near one another, in the hours of a day."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.processing.fleet.crew_days import crew_days

PLACES = st.lists(st.tuples(st.floats(0, 5000), st.floats(0, 5000), st.floats(0, 12)), min_size=1, max_size=40)


def test_two_villages_are_two_days():
    xy = np.array([[0, 0], [9000, 0], [100, 0], [9100, 0], [0, 100]], dtype=float)
    days = crew_days(xy, np.full(5, 2.0), radius_m=500, day_hours=8)
    assert days[0] == days[2] == days[4] != days[1] == days[3]
    assert sorted(set(days.tolist())) == [1, 2]


def test_a_day_ends_when_its_hours_are_full():
    """Worked by hand: 3 + 3 hours fill a day of 8, the next 3 don't; the first comes with its nearest."""
    xy = np.array([[0, 0], [10, 0], [20, 0], [40, 0]], dtype=float)
    assert crew_days(xy, np.full(4, 3.0), radius_m=100, day_hours=8).tolist() == [1, 1, 2, 2]


def test_work_of_more_than_a_day_stands_alone():
    xy = np.zeros((3, 2))
    assert crew_days(xy, np.array([20.0, 1, 1]), radius_m=100, day_hours=8).tolist() == [1, 2, 2]


def test_nobody_to_visit_takes_no_day():
    assert crew_days(np.empty((0, 2)), np.empty(0), radius_m=100, day_hours=8).tolist() == []


@settings(max_examples=60, deadline=None)
@given(PLACES, st.floats(0, 3000), st.floats(1, 12))
def test_every_day_is_near_and_short_enough(places, radius_m, day_hours):
    xy, hours = np.array(places)[:, :2], np.array(places)[:, 2]
    days = crew_days(xy, hours, radius_m=radius_m, day_hours=day_hours)
    assert sorted(set(days.tolist())) == list(range(1, days.max() + 1))
    for day in range(1, days.max() + 1):
        own = np.flatnonzero(days == day)
        apart = np.hypot(*(xy[own, None] - xy[None, own]).transpose(2, 0, 1))
        assert (apart.max(axis=1) <= radius_m * (1 + 1e-9)).any()  # from the day's first
        assert len(own) == 1 or hours[own].sum() <= day_hours * (1 + 1e-9)


@settings(max_examples=30, deadline=None)
@given(PLACES, st.floats(-1e5, 1e5), st.floats(-1e5, 1e5))
def test_one_day_for_all_when_the_crew_is_fast_and_goes_far(places, dx, dy):
    xy = np.array(places)[:, :2] + [dx, dy]
    assert set(crew_days(xy, np.zeros(len(xy)), radius_m=1e9, day_hours=8).tolist()) == {1}
