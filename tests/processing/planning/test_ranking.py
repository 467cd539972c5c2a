"""The portfolio table: worked by hand from a handful of parcels."""

from __future__ import annotations

import csv

import pandas as pd
import pytest
from pyproj import CRS
from shapely import LineString, MultiPolygon, Point, box

from lawngis.labour import LabourBook, labour_book_from
from lawngis.mower import built_in_profile
from lawngis.processing.planning.ranking import (
    FIGURES,
    RANKING_COLUMNS,
    Ranking,
    amounts,
    laying_hours,
    ranking_row,
    sums_by,
    totals,
    week_parameters,
    write_table,
)
from lawngis.processing.steps.schedule import schedule_parameters
from lawngis.processing.steps.workflow import Settings

UTM = CRS.from_epsg(25832)
WEEK = schedule_parameters({})
LABOUR = labour_book_from().model_copy(
    update={
        "minutes_setup": 30.0, "minutes_walk_round": 15.0, "minutes_per_m_wire": 0.5, "minutes_per_m_cable": 2.0,
        "minutes_per_dock": 45.0, "minutes_per_joint": 5.0,
    }
)  # fmt: skip


def parcel(
    name,
    *,
    x=0.0,
    status="planned",
    readiness=None,
    basis="layers",
    doubt=0,
    wire_m=100.0,
    mown_m2=400.0,
    stops=(),
    label=None,
    cable_m=6.0,
    **zone,
):
    known = {"planned": "settle" if stops else "ready", "not_suitable": "none", "failed": "failed"}[status]
    summary = dict.fromkeys(FIGURES, 0) | {
        "parcel_id": name, "label": label, "status": status, "verdict_text": f"verdict on {name}", "wire_m": wire_m,
        "readiness": readiness or known, "basis": basis, "doubt": doubt, "mowable_m2": mown_m2, "visit_checks": 1,
        "stop_findings": len(stops), "pegs": 10, "amount": 50.0,
        "mowing_hours_week": 5.0, "currency": "EUR",
        "geometry": MultiPolygon([box(500_000 + x, 5_500_000, 500_020 + x, 5_500_020)]),
    }  # fmt: skip
    if status != "planned":
        summary |= dict.fromkeys(FIGURES)
        return {"summary": [summary]}
    lawn = box(500_000 + x, 5_500_000, 500_020 + x, 5_500_020)
    told = {
        "role": "home", "area_m2": mown_m2, "perimeter_m": 80.0, "slope_p50_percent": 2.0, "slope_p95_percent": 5.0,
        "loop_id": f"{name}-L1", "reached_by": None, "supply": "own_dock", "geometry": lawn,
    }  # fmt: skip
    ring = LineString(lawn.buffer(-0.3).exterior.coords)
    dock = {"candidate_id": f"{name}-D1", "zone_id": f"{name}-Z1", "chosen": True, "feasible": True}
    return {
        "summary": [summary],
        "zones": [{"zone_id": f"{name}-Z1", **told, **zone}],
        "wire_path": [{"loop_id": f"{name}-L1", "source": "dock", "length_m": wire_m, "geometry": ring}],
        "dock_candidates": [
            {**dock, "geometry": Point(ring.coords[0])},
            {**dock, "candidate_id": f"{name}-D2", "chosen": False, "geometry": Point(ring.coords[1])},
        ],
        "supply_route": [{"candidate_id": f"{name}-D1", "length_m": cable_m, "geometry": ring}],
        "joins": [{"loop_id": f"{name}-L1"}, {"loop_id": f"{name}-L1"}],
        "findings": [{"severity": "info", "text": "nothing"}, *({"severity": "stop", "text": text} for text in stops)],
    }


def ranked(*parcels):
    ranking = Ranking(UTM)
    for rows in parcels:
        ranking.add(ranking_row(rows, UTM, WEEK))
    return ranking.table().set_index("parcel_id")


def test_hours_of_laying_by_hand():
    """30 + 15 + 100 x 0.5 + 6 x 2 + 45 + 2 x 5 = 162 minutes."""
    assert isinstance(LABOUR, LabourBook)
    assert laying_hours(parcel("a"), LABOUR) == pytest.approx(2.7)
    assert laying_hours({"summary": []}, LABOUR) == pytest.approx(0.75)


def test_ready_ones_come_first_and_each_readiness_by_ground_for_work():
    table = ranked(
        parcel("failed", status="failed"),
        parcel("settle", stops=["the loop is too long"]),
        parcel("much work", wire_m=400.0),
        parcel("little work"),
        parcel("visit", readiness="visit"),
        parcel("not suitable", status="not_suitable"),
        parcel("edge", mown_m2=900.0),
    )
    assert table.index.tolist() == ["edge", "little work", "much work", "visit", "settle", "not suitable", "failed"]
    assert table["rank"].tolist() == list(range(1, 8))
    assert table["readiness"].tolist() == ["ready"] * 3 + ["visit", "settle", "none", "failed"]
    assert table["blocks"]["settle"] == "the loop is too long"
    assert table["blocks"]["failed"] == "verdict on failed"
    assert pd.isna(table["blocks"]["edge"])
    worth = table["m2_per_laying_hour"]
    assert worth["edge"] == pytest.approx(900 / table["laying_hours"]["edge"])


def test_what_is_known_counts_before_the_value():
    """A lawn of which less is known looks larger than it is."""
    table = ranked(
        parcel("boundary alone", readiness="visit", basis="boundary", doubt=16, mown_m2=2000.0),
        parcel("no beds mapped", readiness="visit", doubt=2, mown_m2=1000.0),
        parcel("beds mapped", readiness="visit", doubt=1),
        parcel("surveyed", readiness="visit", basis="surveyed", doubt=4),
    )
    assert table.index.tolist() == ["surveyed", "beds mapped", "no beds mapped", "boundary alone"]


def test_a_plan_that_does_not_say_how_ready_it_is_is_never_called_ready():
    rows = parcel("of version 0.1")
    del rows["summary"][0]["readiness"]
    assert ranked(rows)["readiness"].tolist() == ["visit"]


def test_crews_lay_what_is_ready_first_and_nothing_that_must_be_settled():
    table = ranked(
        parcel("visit", readiness="visit", wire_m=9.0),
        parcel("settle", stops=["no supply"], wire_m=9.0),
        parcel("ready", wire_m=9.0),
        parcel("far", x=30_000, wire_m=9.0, mown_m2=900.0),
    )
    assert table["crew_day"][["far", "ready", "visit"]].tolist() == [1, 2, 3]
    assert pd.isna(table["crew_day"]["settle"])


def test_crews_go_where_wire_is_laid():
    table = ranked(
        parcel("a", wire_m=9.0),
        parcel("near", x=300, wire_m=9.0),
        parcel("far", x=30_000, wire_m=9.0),
        parcel("failed", status="failed", x=100),
    )
    assert table["crew_day"]["a"] == table["crew_day"]["near"] != table["crew_day"]["far"]
    assert pd.isna(table["crew_day"]["failed"])
    assert pd.isna(table["laying_hours"]["failed"])


def test_nothing_planned_has_no_days():
    table = ranked(parcel("a", status="failed"), parcel("b", status="not_suitable"))
    assert table["crew_day"].isna().all()
    assert table["mower_needed"].isna().all()


def test_a_parcel_without_an_outline_has_no_place():
    rows = parcel("a", status="failed")
    rows["summary"][0]["geometry"] = MultiPolygon()
    assert ranked(rows, parcel("b"))[["x", "y"]].loc["a"].isna().all()


def needed(rows, **week):
    row = ranking_row(rows, UTM, schedule_parameters(week))
    return row[RANKING_COLUMNS.index("mower_needed")]


def test_the_smallest_mower_that_can_do_it():
    assert needed(parcel("a")) == "small"
    # 25 % are the small one's, 35 % the medium one's limit
    assert needed(parcel("a", slope_p95_percent=30.0)) == "medium"
    assert needed(parcel("a", slope_p95_percent=44.0)) == "large"
    assert needed(parcel("a", slope_p95_percent=60.0)) is None
    assert needed(parcel("a", wire_m=300.0)) == "medium"
    assert needed(parcel("a", cable_m=12.0)) == "medium"
    assert needed(parcel("a", slope_p50_percent=None, slope_p95_percent=None)) == "small"


def test_signal_reach_and_a_charge_are_asked_as_well():
    """The middle of 80 x 80 m is 39.7 m from the wire; 110 m² without a dock are more than a medium one's charge."""
    wide = parcel("a")
    lawn = box(500_000, 5_500_000, 500_080, 5_500_080)
    wide["zones"][0]["geometry"], wide["wire_path"][0]["geometry"] = lawn, LineString(lawn.buffer(-0.3).exterior.coords)
    assert needed(wide) is None
    apart = parcel("a")
    far = box(500_021, 5_500_000, 500_027, 5_500_009)
    apart["zones"].append(
        {**apart["zones"][0], "zone_id": "a-Z2", "role": "detached", "supply": "main_wire", "area_m2": 110.0,
         "perimeter_m": 38.0, "geometry": far}
    )  # fmt: skip
    assert needed(apart) == "large"
    apart["zones"][1]["area_m2"] = 60.0
    assert needed(apart) == "medium"


def test_the_mower_is_the_one_for_the_hours_that_were_given():
    assert needed(parcel("a"), weekdays="0", start_h=9, end_h=19) == "small"
    rules = {"quiet_hours": None, "sprinklers": "Monday-Saturday 07:00-17:00", "sprinkler_dry_h": 1.0}
    assert needed(parcel("a", mown_m2=600.0), **rules) == "large"  # two hours a day are left
    assert needed(parcel("a"), cut_height_mm=10, temperatures_c=",".join(["20"] * 12)) == "medium"


def test_weeks_are_planned_by_the_parameters_of_the_run():
    settings = Settings(built_in_profile("medium"), {"schedule": {"cut_height_mm": 25}})
    assert week_parameters(settings).cut_height_mm == 25
    assert week_parameters(Settings(built_in_profile("medium"))) == WEEK


def test_only_passages_on_the_way_count():
    rows = parcel("a", reached_by="a-P1")
    link = {"zone_a": "a-Z1", "zone_b": "a-Z2", "kind": "transit", "geometry": LineString([(0, 0), (1, 1)])}
    rows["links"] = [{**link, "link_id": "a-P1", "width_m": 0.8}, {**link, "link_id": "a-P2", "width_m": 0.1}]
    assert needed(rows) == "small"
    rows["links"][0]["width_m"] = 0.6
    assert needed(rows) is None


def test_totals_are_those_of_planned_parcels():
    table = ranked(parcel("a"), parcel("b", wire_m=50.0), parcel("c", status="failed")).reset_index()
    sums = totals(table)
    assert sums["wire_m"] == 150.0
    assert sums["pegs"] == 20.0
    assert amounts(table) == {"EUR": 100.0}
    assert sums["laying_hours"] == pytest.approx(table["laying_hours"].sum())


def test_the_table_is_written_whole_and_spreadsheets_take_names_for_text(tmp_path):
    table = ranked(parcel("=1+1", label="@home"), parcel("b", label=None)).reset_index()
    path = tmp_path / "portfolio.csv"
    path.write_text("old")
    write_table(path, table)
    with path.open(newline="") as file:
        rows = {row["parcel_id"]: row for row in csv.DictReader(file)}
    assert rows["'=1+1"]["label"] == "'@home"
    assert rows["b"]["label"] == ""
    assert [item.name for item in tmp_path.iterdir()] == ["portfolio.csv"]


def test_rows_come_in_the_order_in_which_they_were_added():
    ranking = Ranking(UTM)
    for name in "cab":
        ranking.add(ranking_row({**parcel(name), "findings": []}, UTM, WEEK))
    assert [row["parcel_id"] for row in ranking.rows] == ["c", "a", "b"]
    assert len(ranking) == 3
    assert Point(ranking.rows[0]["x"], ranking.rows[0]["y"]).equals(Point(500_010, 5_500_010))


def test_amounts_are_summed_by_currency_to_the_coin():
    """0.1 + 0.2 is 0.3 of money, and francs are no euros."""
    parcels = [parcel(name) for name in "abc"]
    for rows, (amount, currency) in zip(parcels, [(0.1, "EUR"), (0.2, "EUR"), (7.0, "CHF")], strict=True):
        rows["summary"][0] |= {"amount": amount, "currency": currency}
    table = ranked(*parcels, parcel("failed", status="failed"))
    assert amounts(table) == {"EUR": 0.3, "CHF": 7.0}
    assert table.loc["c", "currency"] == "CHF"


def test_a_portfolio_is_summed_by_what_parcels_count_to():
    """Money of two currencies stays apart, and what fails or counts to nothing is counted too."""
    parcels = [parcel(name) for name in "abcd"]
    for rows, (amount, currency) in zip(parcels, [(0.1, "EUR"), (0.2, "EUR"), (7.0, "CHF"), (5.0, "EUR")], strict=True):
        rows["summary"][0] |= {"amount": amount, "currency": currency}
    ranking = Ranking(UTM, {"district": {"a": "North", "b": "North", "c": "South", "failed": "South"}})
    for rows in (*parcels, parcel("failed", status="failed")):
        ranking.add(ranking_row(rows, UTM, WEEK))
    table = ranking.table()
    assert table.set_index("parcel_id")["district"]["b"] == "North" and table["owner"].isna().all()
    sums = sums_by(table, "district")
    assert sums["district"].fillna("").tolist() == ["North", "South", ""]
    assert sums["parcels"].tolist() == [2, 2, 1] and sums["failed"].tolist() == [0, 1, 0]
    assert sums["wire_m"].tolist() == [200.0, 100.0, 100.0]
    assert sums["amount_EUR"].tolist() == [0.3, 0.0, 5.0] and sums["amount_CHF"].tolist() == [0.0, 7.0, 0.0]
    assert sums["mowable_m2"].sum() == pytest.approx(totals(table)["mowable_m2"])
