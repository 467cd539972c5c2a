"""Planning again: only what changed is planned, and what is taken over is as if it had been planned."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from importlib.resources import files
from types import SimpleNamespace

import geopandas
import pandas as pd
import pyogrio
import pytest

from lawngis.processing.cli.main import main
from lawngis.processing.planning import fingerprints

NAMES = ["P1", "P2", "P3"]
PARCELS = [(0, 0), (21, 0), (160, 0)]
"""The wires of the first two are neighbours; the third lies apart."""


@pytest.fixture(scope="module")
def made(tmp_path_factory, build):
    """A site of three parcels with beds, and its plan."""
    folder = tmp_path_factory.mktemp("again")
    site = build.site(folder / "site", parcels=[build.block(x, y, 12, 10) for x, y in PARCELS], dem=False)
    build.dem(site / "dem.tif", width_m=190)
    build.layer(site / "site.gpkg", "beds", [build.block(x + 4, 4, 2, 2) for x, _ in PARCELS], kind=["flowers"] * 3)
    assert main(["plan", str(site), "--out", str(folder / "out")]) == 0
    return folder


@pytest.fixture
def work(made, tmp_path, build, monkeypatch):
    """A copy of it that a test may change."""
    for name in ("site", "out"):
        shutil.copytree(made / name, tmp_path / name)

    def again(*words, out="out"):
        log = tmp_path / "log.jsonl"
        log.unlink(missing_ok=True)
        code = main(["plan", str(tmp_path / "site"), "--out", str(tmp_path / out), "--log", str(log), *map(str, words)])
        lines = [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []
        return code, sorted(line["parcel_id"] for line in lines if not line["kept"])

    def put(layer, geometries, **columns):
        frame = geopandas.GeoDataFrame(columns, geometry=geometries, crs=build.crs)
        pyogrio.write_dataframe(frame, tmp_path / "site" / "site.gpkg", layer=layer)

    yield SimpleNamespace(
        patch=monkeypatch,
        folder=tmp_path,
        plan=tmp_path / "out" / "plan.gpkg",
        before=made / "out" / "plan.gpkg",
        again=again,
        put=put,
    )
    fingerprints._program.cache_clear()


def layers(plan):
    """All layers of a plan but what tells of the run itself."""
    names = [name for name, _ in pyogrio.list_layers(plan) if name not in ("run_info", "layer_styles")]
    found = {name: pyogrio.read_dataframe(plan, layer=name).drop(columns="seconds", errors="ignore") for name in names}
    of_run = found["findings"]["parcel_id"].isna()
    found["findings"].loc[of_run, "values"] = ""  # those of whichever parcel said it first
    return found


def assert_same(plan, other):
    one, two = layers(plan), layers(other)
    assert one.keys() == two.keys()
    for name, table in one.items():
        pd.testing.assert_frame_equal(table, two[name], obj=name)


def nothing(work, build):
    return []


def rewritten(work, build):
    """The file of the site is written anew with nothing changed in it that counts."""
    work.put("drainage", [build.block(0, 0, 1, 1)])
    return []


def bed_moved(work, build):
    work.put("beds", [build.block(x + 4, 4, 2, 2 + (x > 50)) for x, _ in PARCELS], kind=["flowers"] * 3)
    return []


def label_given(work, build):
    work.put("parcels", [build.block(x, y, 12, 10) for x, y in PARCELS], parcel_id=NAMES, label=[None, "Ada", None])
    return []


def outline_changed(work, build):
    outlines = [build.block(x, y, 12, 10 - (x == 160)) for x, y in PARCELS]
    work.put("parcels", outlines, parcel_id=NAMES)
    return []


def added(work, build):
    outlines = [build.block(x, y, 12, 10) for x, y in [*PARCELS, (173, 0)]]
    work.put("parcels", outlines, parcel_id=[*NAMES, "P4"])
    return []


def version(work, build):
    work.patch.setattr(fingerprints, "__version__", "9.9.9")
    fingerprints._program.cache_clear()
    return []


def removed(work, build):
    work.put("parcels", [build.block(x, y, 12, 10) for x, y in PARCELS[1:]], parcel_id=NAMES[1:])
    return []


def ground_raised(work, build):
    build.dem(
        work.folder / "site" / "dem.tif", width_m=190, heights=lambda x, y: 0.02 * (x + 10) + 0.3 * (x > 166) + 0 * y
    )
    return []


def measured(work, build):
    columns = {"target_layer": ["edges"], "target_id": [None], "column": ["edge_class"], "value": ["raised"]}
    work.put("overrides", [build.at(27, 0)], **columns, note=["wall"])
    return []


def profile(work, build):
    return ["--profile", "small"]


def parameter(work, build):
    return ["--set", "schedule.grass=warm"]


def accuracy(work, build):
    return ["--dem-sd", "0.09"]


def prices(work, build):
    book = work.folder / "prices.toml"
    book.write_text(files("lawngis").joinpath("prices_example.toml").read_text())
    return ["--set", f"materials.price_book={book}"]


@pytest.mark.parametrize(
    ("change", "planned"),
    [
        (nothing, []),
        (rewritten, []),
        (label_given, ["P2"]),
        (bed_moved, ["P3"]),
        (outline_changed, ["P3"]),
        (ground_raised, ["P3"]),
        (measured, ["P2"]),
        (added, ["P4"]),
        (removed, []),
        (profile, NAMES),
        (parameter, NAMES),
        (accuracy, NAMES),
        (prices, NAMES),
        (version, NAMES),
    ],
    ids=lambda value: getattr(value, "__name__", None),
)
def test_only_what_changed_is_planned_and_the_plan_is_as_if_all_were(work, build, change, planned):
    words = change(work, build)
    assert work.again(*words) == (0, planned)
    table = pd.read_csv(work.plan.with_name("portfolio.csv"))
    assert sorted(table["parcel_id"]) == sorted(layers(work.plan)["summary"]["parcel_id"])
    if change in (bed_moved, added, removed):
        assert work.again(*words, out="anew")[0] == 0
        assert_same(work.plan, work.folder / "anew" / "plan.gpkg")
        assert work.again(*words) == (0, [])


def test_a_named_parcel_is_planned_and_the_others_stay(work, capsys):
    assert work.again("--parcel", "P2", "--set", "schedule.grass=warm") == (0, ["P2"])
    old, new = layers(work.before), layers(work.plan)
    for name, table in old.items():
        some = [parcels["parcel_id"].isin(["P1", "P3"]) for parcels in (table, new[name])]
        pd.testing.assert_frame_equal(
            *(t[s].reset_index(drop=True) for t, s in zip((table, new[name]), some, strict=True))
        )
    assert len(new["findings"]) == len(old["findings"]) + 1  # on another kind of grass
    table = pd.read_csv(work.plan.with_name("portfolio.csv")).set_index("parcel_id")
    summary = new["summary"].set_index("parcel_id")
    assert sorted(table.index) == NAMES == list(summary.index)
    for name in ("wire_m", "mowing_hours_week", "amount"):
        assert table.loc[NAMES, name].tolist() == pytest.approx(summary.loc[NAMES, name].tolist(), abs=1e-3)
    assert "F1" in set(new["findings"]["finding_id"]) and new["findings"]["finding_id"].is_unique
    # What was planned otherwise is planned anew with the settings of all.
    assert work.again() == (0, ["P2"])
    assert_same(work.plan, work.before)


def test_a_parcel_that_no_site_has_any_more_stays_while_others_are_named(work, build):
    removed(work, build)
    bed_moved(work, build)
    assert work.again("--parcel", "P3") == (0, ["P3"])
    assert set(layers(work.plan)["summary"]["parcel_id"]) == set(NAMES)


def test_one_that_failed_is_tried_again_and_the_others_stay(work, build):
    outlines = [build.block(x, y, 12, 10) for x, y in PARCELS]
    work.put("parcels", [*outlines, build.block(200, 0, 0.1, 0.1)], parcel_id=[*NAMES, "P4"])
    work.put("lawns", [build.block(200, 0, 0.1, 0.1)])
    first = work.again()
    assert work.again() == (first[0], ["P4"] if first[0] else [])


def edit(plan, *statements):
    with closing(sqlite3.connect(plan)) as database:
        triggers = database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            database.execute(f'DROP TRIGGER "{name}"')  # they call functions that only GDAL has
        for statement in statements:
            database.execute(statement)
        database.commit()


@pytest.mark.slow
def test_an_edit_is_refused_where_it_would_be_lost_and_kept_where_not(work, capsys):
    edit(work.plan, "UPDATE zones SET supply_why = 'because' WHERE parcel_id = 'P2'")
    assert work.again()[0] == 2
    assert "P2-Z1 supply_why" in capsys.readouterr().err
    assert work.again("--parcel", "P2")[0] == 2
    for _ in range(2):  # it stays an edit
        assert work.again("--parcel", "P1", "--set", "schedule.grass=warm")[0] == 0
        zones = layers(work.plan)["zones"].set_index("parcel_id")
        assert zones.loc["P2", "supply_why"] == "because"
        assert work.again()[0] == 2
    assert work.again("--discard-edits") == (0, ["P1", "P2"])
    assert_same(work.plan, work.before)


def test_features_drawn_without_a_parcel_stay_with_the_parcel_that_they_lie_in(work):
    edit(work.plan, "UPDATE keepouts SET parcel_id = NULL, area_m2 = 4.5 WHERE parcel_id = 'P3'")
    lost = len(layers(work.before)["keepouts"])
    assert lost and work.again()[0] == 2
    assert work.again("--parcel", "P1", "--set", "schedule.grass=warm")[0] == 0
    assert len(layers(work.plan)["keepouts"]) == lost


@pytest.mark.slow
def test_what_a_step_alone_changed_is_planned_anew(work):
    site = work.folder / "site"
    assert (
        main(
            [
                "run",
                "schedule",
                str(work.plan),
                str(work.plan),
                "--site",
                str(site),
                "--set",
                "grass=warm",
                "--parcel",
                "P1",
            ]
        )
        == 0
    )
    assert work.again("--discard-edits") == (0, ["P1"])
    assert_same(work.plan, work.before)
