"""What a run shows while it goes on: how far, how fast, how long still, what failed."""

from __future__ import annotations

import json
import re

import pandas as pd
import pytest

from lawngis.errors import PlanError
from lawngis.processing.planning import progress
from lawngis.processing.planning.progress import LINE_EVERY_S, LINES_MAX, Log, Progress, outcome_words
from lawngis.processing.planning.run_folder import Outcome


class Clock:
    """Time that passes when it is told to."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock(monkeypatch):
    told = Clock()
    monkeypatch.setattr(progress, "monotonic", told)
    return told


def test_one_parcel_needs_no_progress(capsys, clock):
    with Progress(1) as progress:
        progress.add("A", "planned")
    assert capsys.readouterr().err == ""


def test_a_few_parcels_have_a_line_each(capsys, clock):
    with Progress(3) as progress:
        for name, status in (("A\nB", "planned"), ("C", "not_suitable"), ("D", "failed")):
            progress.add(name, status)
    assert capsys.readouterr().err.splitlines() == ["1/3 A B: planned", "2/3 C: not suitable", "3/3 D: failed"]


def test_many_parcels_have_a_line_by_the_clock(capsys, clock):
    total = LINES_MAX + 40
    with Progress(total) as progress:
        for number in range(total):
            clock.now += 1.0
            progress.add(str(number), "planned")
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("1/100 parcels")
    assert lines[-1].startswith("100/100 parcels")
    done = [int(line.split("/")[0]) for line in lines]
    assert done == [*range(1, total, int(LINE_EVERY_S)), total]


def test_rate_time_left_and_failures_by_hand(clock):
    """Ten in 5 s are 2.0 a second; 90 left take 45 s."""
    progress = Progress(100)
    clock.now += 5.0
    for number in range(10):
        progress.add(str(number), "failed" if number < 3 else "planned")
    assert progress.rate_words() == "2.0 a second, 45 s left, 3 failed"


def test_what_an_earlier_run_finished_does_not_count_as_speed(capsys, clock):
    """Of 100, 80 are there already; 4 in 8 s are 0.5 a second, so the other 16 take 32 s."""
    with Progress(100, resumed=80) as progress:
        clock.now += 8.0
        for number in range(4):
            progress.add(str(number), "planned")
    assert progress.rate_words() == "0.5 a second, 32 s left"
    assert capsys.readouterr().err.startswith("80 of 100 parcels are finished already\n")


def test_the_last_one_leaves_no_time(clock):
    progress = Progress(2)
    clock.now += 1.0
    progress.add("A", "planned")
    progress.add("B", "planned")
    assert progress.rate_words() == "2.0 a second"


def test_no_time_passed_is_no_fault(clock):
    progress = Progress(2)
    progress.add("A", "planned")
    assert "a second" in progress.rate_words()


def test_a_terminal_has_a_bar_that_goes_when_it_is_done(capsys, clock, monkeypatch):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with Progress(3, resumed=1) as progress:
        assert progress._bar is not None
        progress.add("A", "failed")
        task = progress._bar.tasks[0]
        assert (task.completed, task.total) == (2, 3)
        assert task.fields["rate"].endswith("1 failed")
    assert "/3 A" not in capsys.readouterr().err


def test_the_log_has_a_line_of_json_for_each_parcel(tmp_path):
    path = tmp_path / "log.jsonl"
    path.write_text('{"parcel_id": "old"}\n')
    with Log(path) as log:
        log.add(Outcome("A\n", status="planned", seconds={"wire": 0.1}))
        log.add(Outcome("B", status="failed", failure="no terrain"), resumed=True)
    old, one, two = (json.loads(line) for line in path.read_text().splitlines())
    assert old == {"parcel_id": "old"}
    assert (one["parcel_id"], one["status"], one["failure"], one["kept"]) == ("A\n", "planned", None, False)
    assert one["seconds"] == {"wire": 0.1}
    assert (two["failure"], two["kept"]) == ("no terrain", True)
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00", one["time"])


def test_no_log_and_one_that_can_not_be_written(tmp_path):
    with Log(None) as log:
        log.add(Outcome("A"))
    with pytest.raises(PlanError, match="--log"):
        Log(tmp_path / "none" / "log.jsonl")


def test_outcomes_are_counted(tmp_path):
    words = outcome_words({"planned": 7, "not_suitable": 2, "failed": 1}, tmp_path)
    assert words == f"7 planned, 2 not suitable, 1 failed; plan: {tmp_path}"


def test_a_portfolio_of_which_nothing_is_planned_is_said(tmp_path):
    table = pd.DataFrame(
        {
            "readiness": ["failed"],
            "status": ["failed"],
            "mower_needed": [None],
            "crew_day": [pd.NA],
            "laying_hours": [None],
        }
    ).assign(**dict.fromkeys(("mowable_m2", "wire_m", "pegs", "mowing_hours_week", "amount", "currency")))
    lines = progress.portfolio_words(table, tmp_path / "portfolio.csv")
    assert lines[0] == "of all: 1 not planned"
    assert "smallest mower that fits: none planned" in lines
    assert "mowers and materials of these without VAT: no price known" in lines


def test_the_sum_of_a_portfolio_names_its_currency(tmp_path):
    figures = {"mowable_m2": 100.0, "wire_m": 50.0, "pegs": 60, "mowing_hours_week": 3.0, "laying_hours": 2.0}
    one = {"readiness": "ready", "status": "planned", "mower_needed": "small", "crew_day": 1, **figures}
    table = pd.DataFrame([one | {"amount": 43.16, "currency": "EUR"}, one | {"amount": 9.5, "currency": "CHF"}])
    lines = progress.portfolio_words(table, tmp_path / "portfolio.csv")
    assert "mowers and materials of these without VAT: CHF 9.50 and EUR 43.16" in lines


def test_hours_of_laying_are_those_of_the_crew_days(tmp_path):
    """What must be settled first has no crew day, so its hours aren't among theirs."""
    figures = {"mowable_m2": 100.0, "wire_m": 50.0, "pegs": 60, "mowing_hours_week": 3.0, "amount": 9.5}
    one = {"status": "planned", "mower_needed": "small", "currency": "EUR", **figures}
    table = pd.DataFrame(
        [
            one | {"readiness": "ready", "crew_day": 1, "laying_hours": 3.0},
            one | {"readiness": "visit", "crew_day": 2, "laying_hours": 4.0},
            one | {"readiness": "settle", "crew_day": pd.NA, "laying_hours": 14.0},
        ]
    )
    line = "to be laid, ready and to be visited first: {} hours on {}"
    assert line.format(7, "2 crew days") in progress.portfolio_words(table, tmp_path / "portfolio.csv")
    assert line.format(3, "1 crew day") in progress.portfolio_words(table[:1], tmp_path / "portfolio.csv")
    assert line.format(0, "0 crew days") in progress.portfolio_words(table[2:], tmp_path / "portfolio.csv")
