"""Which mower for the parcels of a plan: on a small site, from the command line to the tables."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pyogrio
import pytest
import shapely

from lawngis.mower import built_in_profile, profile_text
from lawngis.mowing.mower_prices import mower_book_from
from lawngis.processing.cli import mower_tables, mowers
from lawngis.processing.cli.main import app, main
from lawngis.processing.fleet.mower_choice import comparison, mower_offers
from lawngis.processing.fleet.planned_parcels import planned_portfolio

SAMPLE = Path(__file__).parents[3] / "sample_parcels"

PRICES = """
currency = "EUR"
dock_each = 60.0
mower_carry_each = 1.0
mower_season_weeks = 30
[mowers.small]
price = 600.0
kept_years = 6
upkeep_year = 40.0
[mowers.large]
price = 2400.0
kept_years = 8
upkeep_year = 100.0
"""
"""A small one costs 140 a year, a large one 400; nobody says what a medium one costs."""


@pytest.fixture(scope="module", autouse=True)
def registered():
    if not any((command.name or command.callback.__name__) == "mowers" for command in app.registered_commands):
        app.command()(mowers.mowers)


@pytest.fixture(scope="module")
def plan(build, tmp_path_factory) -> Path:
    """A plan of four neighbours: two lawns, one that is too small for a mower, and one that can't be drawn."""
    folder = tmp_path_factory.mktemp("mowers")
    site = folder / "site"
    site.mkdir()
    bow = shapely.Polygon([(500_050, 5_500_000), (500_060, 5_500_000)] + [(500_050, 5_500_000)] * 2)
    outlines = [build.block(0, 0, 20, 15), build.block(21, 0, 14, 12), build.block(36, 0, 1, 1), bow]
    build.layer(site / "site.gpkg", "parcels", outlines, parcel_id=["A", "B", "tiny", "bow"])
    build.dem(site / "dem.tif")
    assert main(["plan", str(site), "--out", str(folder / "out"), "--set", "schedule.departures=0"]) == 1
    return folder / "out" / "plan.gpkg"


@pytest.fixture
def prices(tmp_path) -> Path:
    path = tmp_path / "prices.toml"
    path.write_text(PRICES)
    return path


def fleets(told):
    return {fleet["fleet"]: fleet for fleet in told["fleets"]}


def test_each_parcel_has_its_cheapest_and_fleets_their_cost(lawngis, plan, prices):
    told = json.loads(lawngis("mowers", plan, "--prices", prices, "--json").out)
    assert told["cheapest"] == {"A": "small", "B": "small"}
    assert {(row["parcel_id"], row["mower"]) for row in told["fits"]} == {
        (parcel, mower) for parcel in "AB" for mower in ("small", "medium", "large")
    }
    assert [row["mower"] for row in told["fits"] if row["cheapest"]] == ["small", "small"]
    each, shared = fleets(told)["the cheapest for each"], fleets(told)["the cheapest for each, shared"]
    assert (each["mowers"], each["price"], each["price_year"]) == (2, 1200.0, 280.0)
    # one mower, a second dock kept 6 years, two moves a week
    assert (shared["mowers"], shared["price"], shared["moves_week"]) == (1, 660.0, 2)
    assert shared["price_year"] == pytest.approx(140 + 60 / 6 + 2 * 1 * 30)
    assert sorted(shared["rounds"][0]["parcels"]) == ["A", "B"]
    assert fleets(told)["only large"]["price_year"] == 800.0
    assert fleets(told)["only medium"]["price"] is None
    assert [row["status"] for row in told["left_out"]] == ["not_suitable", "failed"]
    assert told["fleets"][0]["fleet"] == "the cheapest for each, shared" or told["fleets"][0]["price_year"] <= 280


def test_far_parcels_do_not_share(lawngis, plan, prices):
    told = json.loads(lawngis("mowers", plan, "--prices", prices, "--within", 5, "--json").out)
    assert not any("shared" in fleet["fleet"] for fleet in told["fleets"])
    assert "does not pay" in lawngis("mowers", plan, "--prices", prices, "--within", 5).out


def test_a_person_reads_a_table_with_what_is_left_out(lawngis, plan):
    outcome = lawngis("mowers", plan)
    assert outcome.code == 0
    assert outcome.err == ""
    lines = outcome.out.splitlines()
    assert lines[0].split() == ["parcel", "m²", "large", "medium", "small", "cheapest", "EUR", "a", "year"]
    assert any(line.startswith("A ") and "h a week" in line and "small" in line for line in lines)
    assert any(line.startswith("bow is left out, failed: Not planned") for line in lines)
    assert any(line.startswith("tiny is left out, not suitable") for line in lines)
    assert "invented" in outcome.out


def test_why_a_mower_does_not_fit_is_said_in_words(lawngis, plan, tmp_path):
    weak = tmp_path / "weak.toml"
    text = profile_text("medium").replace("loop_length_max_m = 500", "loop_length_max_m = 20")
    weak.write_text(text.replace("signal_reach_max_m = 18", "signal_reach_max_m = 2"))
    outcome = lawngis("mowers", plan, "--profile", weak)
    assert "no: loop, signal" in outcome.out
    assert "no mower fits A. weak: a loop of" in outcome.out
    assert "without a price in the book: weak" in outcome.out
    told = json.loads(lawngis("mowers", plan, "--profile", weak, "--json").out)
    assert told["cheapest"] == {"A": None, "B": None}
    assert fleets(told)["the cheapest for each"]["unserved"] == ["A", "B"]
    assert "is more than its 20 m" in told["fits"][0]["reason"]


def test_tables_are_written_whole(lawngis, plan, prices, tmp_path):
    out = tmp_path / "new" / "choice.csv"
    outcome = lawngis("mowers", plan, "--prices", prices, "--out", out)
    assert f"table: {out}" in outcome.out
    table = pd.read_csv(out)
    assert len(table) == 6
    assert {"mowing_h_week", "passage_m", "slope_p95_percent", "loop_m", "area_m2", "price_year"} <= set(table)
    rounds = pd.read_csv(out.with_name("choice_fleets.csv"))
    assert (rounds[rounds.fleet == "only large"].mower == "large").all()
    totals = pd.read_csv(out.with_name("choice_totals.csv")).set_index("fleet").dropna()
    told = fleets(json.loads(lawngis("mowers", plan, "--prices", prices, "--json").out))
    assert totals["price_year"].to_dict() == {
        name: fleet["price_year"] for name, fleet in told.items() if fleet["price_year"] is not None
    }
    names = ["choice.csv", "choice_fleets.csv", "choice_totals.csv"]
    assert sorted(path.name for path in out.parent.iterdir()) == names


def test_long_is_explained_where_it_stands(capsys):
    fit = SimpleNamespace(fits=True, mowing_h=39.0, word="longest_hours", mower="small", limits=())
    assert mower_tables.fit_words(fit) == "39.0 h a week (long)"
    for word, said in (("longest_hours", True), ("keeps_up", False)):
        fit.word = word
        demand = SimpleNamespace(name="A", zones=[SimpleNamespace(area_m2=100.0)])
        portfolio = SimpleNamespace(compared=[SimpleNamespace(demands=[demand])])
        choice = SimpleNamespace(
            offers=[SimpleNamespace(name="small")], currency="EUR", cheapest={"A": None}, by_demand={"A": [fit]},
            portfolio=portfolio,
        )  # fmt: skip
        mower_tables.print_fits(choice)
        assert ("long: keeps up only" in capsys.readouterr().out) is said


def test_quiet_hours_change_what_keeps_up(lawngis, plan, tmp_path):
    rules = tmp_path / "rules.toml"
    rules.write_text('[permitted]\nMonday = ["10:00-11:00"]\n')
    told = json.loads(lawngis("mowers", plan, "--quiet-hours", rules, "--json").out)
    assert {row["keeps_up"] for row in told["fits"] if row["mower"] == "small"} == {"cannot"}
    short = told["fits"][-1]
    assert short["lacks"] == "hours" and "the hours permitted have room for 0.8" in short["reason"]
    assert short["mowing_h_week"] - short["missing_h_week"] == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--profile", "giant"), "giant"),
        (("--profile", "small", "--profile", "small"), "two profiles are called 'small'"),
        (("--profile", "none.toml"), "none.toml"),
        (("--prices", "none.toml"), "none.toml"),
        (("--quiet-hours", "none.toml"), "quiet_hours"),
        (("--out", "choice.txt"), "choice.txt"),
        (("--within", "-1"), "--within"),
    ],
)
def test_what_can_not_be_used_is_said_in_a_line(lawngis, plan, words, said):
    outcome = lawngis("mowers", plan, *words)
    assert outcome.code == 2
    assert outcome.out == ""
    assert said in outcome.said


def test_no_plan_is_said(lawngis, build, plan, tmp_path):
    site = build.site(tmp_path / "site") / "site.gpkg"
    assert "is no plan: the layer summary is missing" in lawngis("mowers", site).said
    assert "none.gpkg" in lawngis("mowers", tmp_path / "none.gpkg").said
    assert lawngis("mowers", tmp_path).code == 2
    bare = tmp_path / "bare.gpkg"
    shutil.copy(plan, bare)
    with closing(sqlite3.connect(bare)) as database:
        for table in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions", "gpkg_ogr_contents"):
            database.execute(f"DELETE FROM {table} WHERE table_name = 'wire_path'")
        database.execute("DROP TABLE wire_path")
        database.commit()
    assert "is no plan: the layer wire_path is missing" in lawngis("mowers", bare).said


def test_a_plan_in_which_nothing_is_to_mow_is_no_fault(lawngis, build, tmp_path):
    site = build.site(tmp_path / "site", parcels=[build.block(0, 0, 2, 2)])
    assert lawngis("plan", site, "--out", tmp_path / "out").code == 0
    outcome = lawngis("mowers", tmp_path / "out", "--out", tmp_path / "choice.csv")
    assert outcome.code == 0
    assert "no parcel for a mower" in outcome.out
    assert json.loads(lawngis("mowers", tmp_path / "out", "--json").out)["fits"] == []


def test_ranking_and_mowers_name_the_same_mower(lawngis, tmp_path):
    """`portfolio.csv` and `lawngis mowers` on the whole sample, with hours, growth and mowers of one's own."""
    rules = tmp_path / "rules.toml"
    rules.write_text('[permitted]\nMonday-Friday = ["08:00-12:00", "14:00-18:00"]\n')
    given = [
        f"--set=schedule.{text}"
        for text in (f"quiet_hours={rules}", "cut_height_mm=30", "own_mowers=true", "departures=0")
    ]
    assert lawngis("plan", SAMPLE, "--out", tmp_path, *given).code == 0
    ranked = pd.read_csv(tmp_path / "portfolio.csv").set_index("parcel_id")
    told = pd.DataFrame(json.loads(lawngis("mowers", tmp_path, "--json").out)["fits"])
    fits = told.groupby(["parcel_id", "mower"])["fits"].all()
    named = {
        parcel: next((mower for mower in ("small", "medium", "large") if fits[parcel, mower]), None)
        for parcel in told["parcel_id"].unique()
    }
    planned = ranked[ranked["status"] == "planned"]
    assert set(named) == set(planned.index) and len(named) == 11
    assert planned["mower_needed"].astype(object).where(planned["mower_needed"].notna(), None).to_dict() == named
    assert len(set(named.values())) == 3
    # The plan's own mower, and its hours as the ranking has them.
    own = told[told["mower"] == "medium"].groupby("parcel_id")[["mowing_h_week", "missing_h_week"]].sum()
    hours = planned.loc[own.index, ["mowing_hours_week", "missing_hours_week"]]
    assert own.to_numpy() == pytest.approx(hours.to_numpy(), abs=2e-3)


def test_a_lawn_of_244_hours_a_week_is_never_ready_and_no_mower_fits(lawngis, build, tmp_path):
    """Two lawns, one far too large: it may stand first by ground for work, but nobody is told that it can be done."""
    site = tmp_path / "site"
    site.mkdir()
    build.layer(site / "site.gpkg", "parcels", [build.block(0, 0, 300, 34), build.block(0, 50, 20, 15)])
    build.dem(site / "dem.tif", top=5_500_080, width_m=330, depth_m=100, cell=1.0)
    alone = ["--set", "schedule.departures=0", "--set", "zones.mowers_max=1"]
    assert lawngis("plan", site, "--out", tmp_path / "out", *alone).code == 0
    ranked = pd.read_csv(tmp_path / "out" / "portfolio.csv").sort_values("mowable_m2", ascending=False)
    estate, garden = ranked.iloc[0], ranked.iloc[1]
    assert estate["mowing_hours_week"] > 168
    assert estate["mowing_hours_week"] - estate["missing_hours_week"] <= 78
    assert estate["readiness"] != "ready" and pd.isna(estate["mower_needed"])
    assert garden["missing_hours_week"] == 0 and garden["mower_needed"] == "small"
    told = json.loads(lawngis("mowers", tmp_path / "out", "--json").out)
    (big,) = (name for name in told["cheapest"] if name == estate["parcel_id"])
    assert told["cheapest"][big] is None
    assert all("hours" in row["lacks"] for row in told["fits"] if row["parcel_id"] == big)


def test_hours_are_those_of_the_weekly_plan(lawngis, tmp_path):
    """For the plan's own mower the hours are what its week holds, up to the minute to which sessions are rounded.

    A zone's hours are these and their charging, without the way to it; each meaning of hours is one everywhere.
    """
    parameters = ("--set", "schedule.departures=0", "--set", "schedule.cut_height_mm=20")
    assert lawngis("plan", SAMPLE, "--out", tmp_path, "--parcel", "P04", *parameters).code == 0
    book = mower_book_from()
    found = comparison(planned_portfolio(tmp_path), mower_offers(["medium"], book), book)
    week = pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="schedule")
    summary = pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="summary").iloc[0]
    fit, profile = found.fits[0], built_in_profile("medium")
    assert fit.mowing_h == pytest.approx(week["mowing_h"].sum(), abs=2 / 60)
    assert (summary["mowing_hours_week"], summary["missing_hours_week"]) == pytest.approx((fit.mowing_h, 0.0))
    (demand,) = found.portfolio.compared[0].demands
    zones = pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="zones")
    links = pyogrio.read_dataframe(tmp_path / "plan.gpkg", layer="links")
    charging = 1 + profile.charge_minutes / profile.run_minutes
    assert zones["hours_week"].iloc[0] == pytest.approx(fit.zone_hours[0] * charging)
    assert zones["hours_week"].iloc[1] < fit.zone_hours[1] * charging < 1.2 * zones["hours_week"].iloc[1]
    assert demand.passage_m == pytest.approx(links["width_m"].iloc[0])
    assert demand.cable_m == pytest.approx(0.51, abs=0.01) and fit.fits
    assert sum(zone.area_m2 for zone in demand.zones) == pytest.approx(zones["area_m2"].sum())
    assert [zone.access_m > 0 for zone in demand.zones] == [False, True]
    assert all(1 < zone.farthest_m < 20 for zone in demand.zones)


def test_a_disk_that_can_not_be_written_is_said(lawngis, plan, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    outcome = lawngis("mowers", plan, "--out", blocked / "choice.csv")
    assert outcome.code == 2
    assert "can't be written to" in outcome.said
