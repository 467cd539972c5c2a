"""Parcels that get the least costly of several mowers, and all that later goes by it."""

from __future__ import annotations

import re
import shutil
from importlib.resources import files

import numpy as np
import pyogrio
import pytest

from lawngis.labour import labour_book_from
from lawngis.mower import built_in_profile
from lawngis.prices import PriceBook, price_book_from
from lawngis.processing.as_built.faults import FaultReadings, fault_point
from lawngis.processing.as_built.reconcile import reconciled, write_record
from lawngis.processing.as_built.tracks import Track, Walk
from lawngis.processing.cli.main import main
from lawngis.processing.deliver.quote import MOWER, quote
from lawngis.processing.deliver.reading import document_source
from lawngis.processing.files import gpkg
from lawngis.processing.fleet.planned_parcels import planned_portfolio

COMPARED = ("--set", "schedule.compare=small,large", "--set", "schedule.departures=0")
LEVEL, STEEP = "P1", "P2"
"""A level parcel, which either mower does, and one with half of it as steep as 20 %, too much for the small one."""


def rows(plan, layer, parcel_id):
    """Rows of a layer as they are stored, without what names or times them."""
    read = gpkg.read_table if layer in ("materials", "mowers", "schedule", "run_info") else pyogrio.read_dataframe
    table = read(plan, layer) if read is gpkg.read_table else read(plan, layer=layer)
    return table[table["parcel_id"] == parcel_id].drop(columns=["seconds"], errors="ignore").reset_index(drop=True)


def alike(plan, other, parcel_id, layers=("zones", "wire_path", "materials", "schedule", "mowers", "summary")):
    return [name for name in layers if not rows(plan, name, parcel_id).equals(rows(other, name, parcel_id))]


def mowers(plan):
    return pyogrio.read_dataframe(plan, layer="summary").set_index("parcel_id")["profile"].to_dict()


def told(plan, parcel_id):
    found = pyogrio.read_dataframe(plan, layer="findings")
    return found[(found["code"] == "mower-chosen") & (found["parcel_id"] == parcel_id)]


@pytest.fixture(scope="module")
def made(tmp_path_factory, build):
    """A site of both parcels, planned with each mower and by choice."""
    folder = tmp_path_factory.mktemp("chosen")
    site = build.site(folder / "site", parcels=[build.block(0, 0, 14, 10), build.block(30, 0, 14, 10)], dem=False)
    build.dem(site / "dem.tif", width_m=70, heights=lambda x, y: 0.2 * np.maximum(x - 36, 0) + 0 * y)
    for name in ("small", "large", "auto"):
        assert main(["plan", str(site), "--out", str(folder / name), "--profile", name, *COMPARED]) == 0
    return folder


@pytest.fixture
def auto(made):
    """The plan by choice, which nothing may change."""
    return made / "auto" / "plan.gpkg"


@pytest.fixture
def work(made, tmp_path):
    """A copy of it that may be planned again, by the command."""
    shutil.copytree(made / "auto", tmp_path / "auto")

    def again(*words):
        return main(["plan", str(made / "site"), "--out", str(tmp_path / "auto"), *COMPARED, *words])

    return tmp_path / "auto" / "plan.gpkg", again


def test_each_parcel_has_the_plan_of_its_own_mower(made, auto):
    assert mowers(auto) == {LEVEL: "small", STEEP: "large"}
    assert mowers(made / "small" / "plan.gpkg") == {LEVEL: "small", STEEP: "small"}
    assert alike(auto, made / "small" / "plan.gpkg", LEVEL) == []
    assert alike(auto, made / "large" / "plan.gpkg", STEEP) == []
    assert "materials" in alike(auto, made / "large" / "plan.gpkg", LEVEL)


def test_the_choice_is_told_with_what_each_would_have_cost(made, auto):
    """The small one, 900 kept 6 years at 60 a year, is 210 a year; the large, 3400 kept 8 at 190, is 615."""
    (text,), (advice,) = told(auto, LEVEL)["text"], told(auto, LEVEL)["advice"]
    costs = [int(cost) for cost in re.findall(r"1 mower, (\d+), ", advice)]
    for name, year, price, cost in zip(("small", "large"), (210, 615), (900, 3400), costs, strict=True):
        plan = made / name / "plan.gpkg"
        bought = rows(plan, "materials", LEVEL)["amount"].sum() - price
        minutes = _minutes(plan)
        assert cost == pytest.approx(8 * year + bought + minutes / 60 * labour_book_from().hourly_rate, abs=1)
    assert f"{costs[0]} EUR for laying and 8 years of 1 mower" in text and "invented" in advice


def _minutes(plan):
    """Minutes of work by hand, from the layers: no crossing of paving is on this lawn."""
    book = labour_book_from()
    lengths = [rows(plan, layer, LEVEL)["length_m"].sum() for layer in ("wire_path", "supply_route")]
    pieces = len(rows(plan, "joins", LEVEL)), rows(plan, "dock_candidates", LEVEL)["chosen"].sum()
    wire, cable = lengths[0] * book.minutes_per_m_wire, lengths[1] * book.minutes_per_m_cable
    once = book.minutes_setup + book.minutes_walk_round
    return once + wire + cable + pieces[0] * book.minutes_per_joint + pieces[1] * book.minutes_per_dock


def test_documents_quotes_and_the_choice_of_mowers_go_by_the_parcels_own(auto):
    book = PriceBook.model_validate(price_book_from().model_dump() | {"example": False})
    for parcel_id, read in document_source(auto).parcels([LEVEL, STEEP]):
        plan, name = read(), mowers(auto)[parcel_id]
        assert plan.run_info["profile.name"] == name
        assert float(plan.run_info["profile.slope_limit_percent"]) == built_in_profile(name).slope_limit_percent
        made = quote(plan, book, labour_book_from(), None, reprice=True)
        (line,) = [line for line in made.lines if line.item == MOWER]
        assert line.unit_price == book.mowers[name].price
    limits = {one.parcel_id: one.slope_limit_percent for one in planned_portfolio(auto).parcels}
    assert limits == {name: built_in_profile(mower).slope_limit_percent for name, mower in mowers(auto).items()}


def test_a_record_and_a_fault_in_it_go_by_the_parcels_own_wire(made, auto, tmp_path):
    path = pyogrio.read_dataframe(auto, layer="wire_path").set_index("parcel_id")["geometry"][STEEP]
    crs = pyogrio.read_dataframe(auto, layer="wire_path").crs
    digs = []
    for name in ("auto", "large"):
        found = reconciled(made / name / "plan.gpkg", Track([Walk(np.array(path.coords), crs)]))
        write_record(tmp_path / f"{name}.gpkg", found)
        digs.append(fault_point(tmp_path / f"{name}.gpkg", None, FaultReadings(start_ohm=0.2)).place)
    assert digs[0] == digs[1]


def test_what_is_built_on_the_plan_keeps_each_parcels_mower(auto, work):
    plan, again = work
    assert again("--from", "supply") == 0
    assert mowers(plan) == mowers(auto)
    assert [alike(plan, auto, parcel) for parcel in (LEVEL, STEEP)] == [[], []]
    assert list(told(plan, LEVEL)["text"]) == list(told(auto, LEVEL)["text"])


def test_a_mower_that_is_named_for_the_rest_is_not_said_to_be_chosen(work):
    plan, again = work
    assert again("--from", "materials", "--profile", "large") == 0
    assert mowers(plan) == {LEVEL: "large", STEEP: "large"}
    assert told(plan, LEVEL).empty and len(told(plan, STEEP)) == 1


def test_a_mower_that_is_none_to_choose_from_fails_its_parcel(work, capsys):
    _, again = work
    assert again("--from", "materials", "--set", "schedule.compare=small") == 1
    assert "parcel P2 failed: the plan's mower 'large' is none to choose from" in capsys.readouterr().err


def test_one_step_alone_goes_by_the_parcels_own(made, auto, tmp_path, capsys):
    words = ["--site", str(made / "site"), "--profile", "auto"]
    assert main(["run", "materials", str(auto), str(tmp_path / "one.gpkg"), *words]) == 0
    assert [alike(tmp_path / "one.gpkg", auto, name, ["materials"]) for name in (LEVEL, STEEP)] == [[], []]
    assert main(["run", "lawn", str(made / "site"), str(tmp_path / "two.gpkg"), "--profile", "auto"]) == 1
    assert "no plan says which mower it has" in capsys.readouterr().err


def test_the_same_choice_is_resumed_and_the_first_of_it_alone_is_another(work):
    plan, again = work
    log = plan.with_name("again.jsonl")

    def kept(profile):
        log.unlink(missing_ok=True)
        assert again("--profile", profile, "--resume", "--log", str(log)) == 0
        return log.read_text().count('"kept": true')

    assert kept("auto") == 2
    assert kept("small") == 0 and mowers(plan) == {LEVEL: "small", STEEP: "small"}


def test_mowers_without_a_price_are_none_to_choose_from(refused, build, tmp_path):
    site = build.site(tmp_path / "site")
    example = (files("lawngis") / "prices_example.toml").read_text(encoding="utf-8")
    book = tmp_path / "prices.toml"
    book.write_text(re.sub(r"\[mowers\.\w+\]", "", example.split("[mowers.small]")[0]) + "[mowers]\n", "utf-8")
    said = refused(site, "--profile", "auto", "--set", f"materials.price_book={book}")
    assert "has no price for any of large, medium, small. Give it a table mowers.NAME for each" in said
