import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.mowing.hours import (
    common_windows,
    days_alike,
    quiet_hours_from,
    windows_from_text,
    windows_longer,
    windows_without,
)
from lawngis.mowing.week import permitted_hours_week

few = settings(max_examples=60, deadline=None)


@st.composite
def weeks(draw):
    spans = st.tuples(st.integers(0, 23), st.integers(1, 8)).map(
        lambda pair: (float(pair[0]), min(24.0, pair[0] + pair[1]))
    )
    return draw(st.dictionaries(st.integers(0, 6), st.lists(spans, max_size=3), max_size=7))


@few
@given(weeks(), weeks())
def test_what_is_common_and_what_is_left_add_up(one, two):
    both, rest = common_windows(one, two), windows_without(one, two)
    assert permitted_hours_week(both) + permitted_hours_week(rest) == pytest.approx(permitted_hours_week(one))
    assert permitted_hours_week(common_windows(two, one)) == pytest.approx(permitted_hours_week(both))
    assert permitted_hours_week(common_windows(rest, two)) == 0


def test_sprinklers_take_their_hours_and_the_drying_after_them():
    permitted = {day: [(7.0, 20.0)] for day in range(2)}
    wet = windows_longer(windows_from_text("Monday 23:00-24:00; Tuesday 12:00-13:00"), 1.5)
    assert wet == {0: [(23.0, 24.0)], 1: [(0.0, 1.5), (12.0, 14.5)]}
    assert windows_without(permitted, wet) == {0: [(7.0, 20.0)], 1: [(7.0, 12.0), (14.5, 20.0)]}


def test_days_and_times_are_understood_and_said_again():
    windows = windows_from_text("Mon-Fri 07:00-12:00 14:00-19:00; sun 10:30-12:00")
    assert windows[4] == [(7.0, 12.0), (14.0, 19.0)]
    assert days_alike(windows) == [(0, 4, [(7.0, 12.0), (14.0, 19.0)]), (6, 6, [(10.5, 12.0)])]
    assert windows_from_text("Sat-Mon 08:00-09:00").keys() == {5, 6, 0}
    assert windows_from_text("") == {} and days_alike({}) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        *[("Mo 07:00-08:00", "'Mo' is no day"), ("Someday 07:00-08:00", "'Someday' is no day")],
        *[
            (f"Monday {hours}", f"'{hours}' is no time")
            for hours in ("8-9", "20:00-07:00", "07:00-25:00", "07:60-08:00")
        ],
    ],
)
def test_what_is_no_hour_is_refused(text, said):
    with pytest.raises(ParameterError, match=said):
        windows_from_text(text)


def test_the_example_names_its_source():
    """32. BImSchV, section 7 (1) no. 1: not on Sundays, nor from 20:00 to 07:00 on working days (secondary source)."""
    quiet = quiet_hours_from()
    assert "32. BImSchV" in quiet.source and "example" in quiet.title
    assert days_alike(quiet.permitted) == [(0, 5, [(7.0, 20.0)])]
    assert permitted_hours_week(quiet.permitted) == 78


def test_a_table_of_ones_own(tmp_path):
    file = tmp_path / "town.toml"
    file.write_text('title = "t"\n[permitted]\nMonday-Friday = ["09:00-12:00"]\n[sprinklers]\nTue = ["05:00-06:00"]\n')
    quiet = quiet_hours_from(str(file))
    assert permitted_hours_week(quiet.permitted) == 15
    assert quiet.sprinklers == {1: [(5.0, 6.0)]}


@pytest.mark.parametrize(
    "text",
    [
        *("", "[", "permitted = 3", "[permitted]\nMonday = 7", '[permitted]\nMonday = ["7"]'),
        *("[permitted]\n[quiet]\n", '[permitted]\nFeastday = ["07:00-08:00"]'),
    ],
)
def test_a_table_that_is_none_is_refused_by_name(tmp_path, text):
    file = tmp_path / "bad.toml"
    file.write_text(text)
    with pytest.raises(ParameterError, match=r"bad\.toml"):
        quiet_hours_from(str(file))


def test_a_table_that_is_not_there():
    with pytest.raises(ParameterError, match=r"nowhere\.toml"):
        quiet_hours_from("nowhere.toml")


@pytest.mark.parametrize("hours", [-1, 25])
def test_windows_go_on_for_a_day_at_most(hours):
    with pytest.raises(ParameterError, match=f"from 0 to 24, not {hours}"):
        windows_longer({0: [(1, 2)]}, hours)


def test_what_a_caller_does_to_its_hours_is_not_seen_by_the_next():
    quiet = quiet_hours_from()
    quiet.permitted[6] = [(0.0, 24.0)]
    quiet.permitted[0].append((20.0, 24.0))
    assert days_alike(quiet_hours_from().permitted) == [(0, 5, [(7.0, 20.0)])]


def test_hours_that_have_changed_are_read_anew(tmp_path):
    file = tmp_path / "town.toml"
    for end in (12, 13):
        file.write_text(f'[permitted]\nMonday = ["09:00-{end}:00"]\n')
        assert quiet_hours_from(str(file)).permitted == {0: [(9.0, end)]}
