from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.mowing.week import days_needed, permitted_hours_week, shared_week, verdict, weekly_plan

few = settings(max_examples=150, deadline=None)
DAYTIME = {day: [(9.0, 17.0)] for day in range(5)}


def plan(hours, windows=DAYTIME, **options):
    return weekly_plan(hours, windows=windows, **({"run_minutes": 70, "charge_minutes": 60} | options))


def test_a_plan_worked_by_hand():
    """7 h in three sessions of 140 min: two runs of 70 with one charge of 60 between them, 9:00 to 12:20."""
    week = plan([7.0])
    assert week.fits
    assert [(s.start_h, round(s.end_h * 60)) for s in week.sessions] == [(9.0, 740)] * 3
    assert [s.mowing_h for s in week.sessions] == pytest.approx([140 / 60] * 3)
    assert [s.charging_h for s in week.sessions] == [1.0] * 3
    assert [s.weekday for s in week.sessions] == [0, 2, 4]
    assert [s.edge_pass for s in week.sessions] == [True, False, False]


def test_what_does_not_fit_is_said_in_hours():
    """9 to 17: 480 min hold 70+60+70+60+70+60+70 = 460 min and 20 idle: 280 min of mowing a day, 5 days: 23.33 h."""
    week = plan([30.0])
    assert sum(s.mowing_h for s in week.sessions) == pytest.approx(1400 / 60)
    assert week.missing_h == pytest.approx((30 - 1400 / 60,))
    assert not week.fits


def test_where_hours_are_short_runs_are_not_cut():
    """Monday holds 10 min, Tuesday 70 + 60 + 70: 150 min fit, but not as two even sessions of 75."""
    week = plan([2.5], {0: [(9, 9 + 10 / 60)], 1: [(9, 9 + 200 / 60)]})
    assert week.fits
    assert [round(s.mowing_h * 60) for s in week.sessions] == [10, 140]


def test_windows_that_a_larger_zone_has_filled_hold_no_empty_sessions():
    week = plan([30.0, 2.0], DAYTIME)
    assert all(s.mowing_h > 0 for s in week.sessions)
    assert sum(week.missing_h) == pytest.approx(32 - 1400 / 60)


def test_a_small_zone_gets_one_session_and_none_when_it_needs_nothing():
    week = plan([0.9, 0.0, 0.9])
    assert [s.zone for s in week.sessions] == [0, 2]
    assert len({s.weekday for s in week.sessions}) == 2


def test_no_permitted_hours_at_all():
    for windows in ({}, {0: []}, {0: [(9, 9)]}):
        week = plan([3.0, 1.0], windows)
        assert week.sessions == ()
        assert week.missing_h == (3.0, 1.0)


def test_before_the_next_session_there_is_time_to_recharge_even_over_midnight():
    week = plan([40.0, 30.0], {day: [(0, 24)] for day in range(7)})
    busy = [(s.weekday * 24 + s.start_h, s.weekday * 24 + s.end_h) for s in week.sessions]
    busy.append((busy[0][0] + 168, busy[0][1] + 168))
    assert all(later[0] - earlier[1] >= 1 - 1e-9 for earlier, later in pairwise(busy))


@st.composite
def week_of_windows(draw):
    days = draw(st.lists(st.integers(0, 6), max_size=7, unique=True))
    ends = st.lists(st.floats(0, 24), min_size=2, max_size=6)
    return {day: [tuple(sorted(pair)) for pair in pairwise(draw(ends))] for day in days}


@few
@given(
    st.lists(st.floats(0, 25), max_size=4),
    week_of_windows(),
    st.integers(20, 180),
    st.integers(0, 180),
    st.integers(1, 7),
)
def test_every_plan_keeps_the_rules(hours, windows, run, charge, count):
    week = plan(hours, windows, run_minutes=run, charge_minutes=charge, sessions_week=count)
    for session in week.sessions:
        assert session.mowing_h > 0 and session.charging_h >= 0
        assert session.end_h - session.start_h == pytest.approx(session.mowing_h + session.charging_h)
        # Charging pauses between runs only: (runs - 1) charges.
        runs = session.charging_h * 60 / charge + 1 if charge else 1
        assert not charge or (runs - 1) * run - 1e-6 <= session.mowing_h * 60 <= runs * run + 1e-6
        inside = covered(windows[session.weekday], session.start_h, session.end_h)
        assert inside
    busy = [(s.weekday * 24 + s.start_h, s.weekday * 24 + s.end_h) for s in week.sessions]
    assert busy == sorted(busy)
    assert all(later[0] * 60 >= earlier[1] * 60 + charge - 1e-6 for earlier, later in pairwise(busy))
    for zone, wanted in enumerate(hours):
        own = [s for s in week.sessions if s.zone == zone]
        planned = sum(s.mowing_h for s in own)
        assert planned + week.missing_h[zone] == pytest.approx(wanted, abs=1.01 / 60)
        assert sum(s.edge_pass for s in own) == bool(own)


@few
@given(st.lists(st.tuples(st.integers(0, 50), st.integers(60, 1000)), min_size=1, max_size=7), st.integers(1, 7))
def test_hours_are_missing_only_when_the_week_is_full(ends, count):
    """What a day holds is counted minute by minute: mow for a run, charge, mow again, until the window closes."""
    held = 0
    for start, end in ends:
        held += sum((minute - start) % 130 < 70 for minute in range(start, end))
    windows = {day: [(start / 60, end / 60)] for day, (start, end) in enumerate(ends)}
    full, most = plan([200.0], windows, sessions_week=count), plan([held / 60], windows, sessions_week=count)
    assert round(sum(s.mowing_h for s in full.sessions) * 60) == held
    assert most.fits


def covered(windows, start, end):
    """Whether start to end lies in the union of the windows (which may touch or overlap)."""
    at = start
    for first, last in sorted(windows):
        if first <= at + 1e-6:
            at = max(at, last)
    return any(first - 1e-6 <= start <= last + 1e-6 for first, last in windows) and at >= end - 1e-6


@few
@given(st.lists(st.floats(0.2, 4), min_size=1, max_size=3))
def test_what_is_small_enough_always_fits(hours):
    # Five days hold 23.3 h; breaks between sessions cost at most one charge each.
    assert plan(hours).fits


def test_permitted_hours_count_overlaps_once():
    assert permitted_hours_week({0: [(8, 12), (10, 14)], 3: [(20, 24)]}) == 10
    assert permitted_hours_week({}) == 0


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ({"hours": [-1.0]}, r"mowing hours .* not \[-1.0\]"),
        ({"hours": [float("nan")]}, r"mowing hours .* not \[nan\]"),
        ({"windows": {7: [(9, 10)]}}, "weekday 7"),
        ({"windows": {0: [(10, 9)]}}, "from 10 to 9"),
        ({"windows": {0: [(22, 25)]}}, "from 22 to 25"),
        ({"run_minutes": 0}, "runs of 0 min"),
        ({"charge_minutes": -5}, "charges of -5 min"),
        ({"sessions_week": 0}, "0 sessions"),
    ],
)
def test_impossible_weeks_are_refused(bad, said):
    with pytest.raises(ParameterError, match=said):
        plan(**({"hours": [1.0]} | bad))


LONG = {day: [(7.0, 20.0)] for day in range(6)}
BATTERY = {"run_minutes": 70, "charge_minutes": 60}


def test_verdicts_on_one_mower():
    """DAYTIME holds 23.33 h of mowing (see above). 7 to 20 holds 780 min: 70 x 6 + 60 x 5 = 720, and 60 left of which a
    charge takes all: 7 h; six days: 42 h."""
    keeps, longest, short = (
        verdict([hours], wanted=DAYTIME, permitted=LONG, **BATTERY) for hours in (23.0, 41.0, 45.0)
    )
    assert (keeps.word, longest.word, short.word) == ("keeps_up", "longest_hours", "cannot")
    assert keeps.missing_h == longest.missing_h == 0
    assert short.missing_h == pytest.approx(3.0)
    assert all(s.start_h >= 9 and s.end_h <= 17 for s in keeps.week.sessions)


def test_hours_wanted_but_not_permitted_do_not_count():
    said = verdict([5.0], wanted={6: [(9, 17)]}, permitted=DAYTIME, **BATTERY)
    assert said.word == "longest_hours"
    assert verdict([5.0], wanted=DAYTIME, permitted={}, **BATTERY).missing_h == 5.0


@few
@given(st.lists(st.floats(1, 60), min_size=2, max_size=3))
def test_where_hours_are_short_sharing_them_costs_little(hours):
    said = verdict(hours, wanted=DAYTIME, permitted=LONG, **BATTERY)
    placed = [sum(s.mowing_h for s in said.week.sessions if s.zone == zone) for zone in range(len(hours))]
    assert [a + b for a, b in zip(placed, said.week.missing_h, strict=True)] == pytest.approx(hours, abs=0.05)
    assert (said.word == "cannot") == (said.missing_h > 0)
    plain = plan(hours, LONG)
    assert said.missing_h <= sum(plain.missing_h) + 0.05 * sum(hours) + 0.05


def test_what_is_short_is_short_in_every_zone_alike():
    """Two days of 280 min (see above) for twice 9 h: not all for one zone, but half of each day for either."""
    said = verdict([9.0, 9.0], wanted={}, permitted={0: [(9.0, 17.0)], 1: [(9.0, 17.0)]}, **BATTERY)
    assert [s.zone for s in said.week.sessions] == [0, 1] * 2
    assert said.week.missing_h[0] == said.week.missing_h[1]
    assert sum(said.week.missing_h) <= 18 - 2 * 280 / 60 + 0.05 * 18


def test_sharing_that_costs_more_than_a_twentieth_of_the_hours_is_not_done():
    """9 to 12 holds two runs of an hour with a charge between: 2 h for the large zone, 1 h of 3 is missing. Shared, 80
    and 40 min: the large zone would be done at 11:20 and the small one find no room, so 1 h 40 min were missing."""
    said = verdict([2.0, 1.0], wanted={}, permitted={0: [(9.0, 12.0)]}, run_minutes=60, charge_minutes=60)
    assert said.week.missing_h == (0.0, 1.0)


def test_parcels_share_a_mower_by_days():
    weeks = shared_week([[7.0], [3.0, 2.0], [4.0]], windows=LONG, **BATTERY)
    days = [{s.weekday for s in week.sessions} for week in weeks]
    assert all(week.fits for week in weeks)
    assert not (days[0] & days[1] or days[0] & days[2] or days[1] & days[2])
    assert shared_week([[40.0], [7.0]], windows=LONG, **BATTERY) is None
    assert shared_week([[60.0]], windows=LONG, **BATTERY) is None
    assert shared_week([[7.0] * 1] * 7, windows=LONG, **BATTERY) is None


@few
@given(st.integers(0, 3600))
def test_as_many_days_as_the_hours_fill(minutes):
    """Every day of LONG holds 7 h (see above)."""
    need = days_needed([minutes / 60], windows=LONG, **BATTERY)
    assert need == (None if minutes > 6 * 420 else -(-minutes // 420))


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(0, 9), min_size=1, max_size=3), st.lists(st.integers(0, 6), min_size=1, max_size=5, unique=True)
)
def test_days_needed_are_the_fewest_of_all_choices(hours, days):
    windows = {day: [(9.0, 9.0 + 2 * (day + 1))] for day in days}
    fitting = [
        count
        for count in range(len(days) + 1)
        for chosen in combinations(days, count)
        if weekly_plan(hours, windows={day: windows[day] for day in chosen}, **BATTERY).fits
    ]
    assert days_needed(hours, windows=windows, **BATTERY) == min(fitting, default=None)
