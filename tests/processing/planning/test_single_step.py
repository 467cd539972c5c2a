"""One step alone: on the layers of a file, into another, whose other layers stay as they are."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas
import pyogrio
import pytest
import shapely


def rows(path: Path, layer: str) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(path, layer=layer)


def content(path: Path, *without: str) -> dict[str, list[Any]]:
    """Every row of every table that somebody can see, to the last bit."""
    with closing(sqlite3.connect(path)) as database:
        names = [name for (name,) in database.execute("SELECT table_name FROM gpkg_contents")]
        return {
            name: sorted(map(repr, database.execute(f'SELECT * FROM "{name}"')))
            for name in names
            if name not in without
        }


@pytest.fixture
def garden(tmp_path: Path, build: SimpleNamespace) -> Path:
    """A site of two parcels in one file, with the terrain model beside it, and a lawn that somebody drew."""
    folder = build.site(tmp_path / "garden", parcels=[build.block(0, 0, 12, 9), build.block(25, 0, 8, 8)])
    drawn = [build.block(1, 1, 9, 7), build.block(26, 1, 6, 6)]
    build.layer(folder / "site.gpkg", "my_lawn", drawn, sown=[2019, 2021])
    return folder / "site.gpkg"


@pytest.mark.slow
def test_steps_one_after_another_give_what_a_plan_gives(
    garden: Path, tmp_path: Path, lawngis: Callable[..., Any]
) -> None:
    assert lawngis("plan", garden.parent, "--out", tmp_path / "out").code == 0
    plan, work = tmp_path / "out/plan.gpkg", tmp_path / "work.gpkg"
    assert lawngis("run", "lawn", garden, work).code == 0
    for step in ("cover", "keepouts", "zones", "edges"):
        assert lawngis("run", step, work, work, "--site", garden).code == 0
    for layer in ("lawn", "zones", "edges"):
        one, other = rows(plan, layer), rows(work, layer)
        assert one.drop(columns="geometry").round(6).equals(other.drop(columns="geometry").round(6)), layer
        assert shapely.hausdorff_distance(one.geometry.to_numpy(), other.geometry.to_numpy()).max() < 1e-3
    steps = {"lawn", "zones", "edges"}
    ours, theirs = rows(plan, "findings"), rows(work, "findings")
    ours = ours[ours["step"].isin(steps)]
    assert sorted(ours["text"]) == sorted(theirs.loc[theirs["step"].isin(steps), "text"])
    assert theirs["finding_id"].is_unique


@pytest.mark.slow
def test_what_is_there_stays_and_only_the_steps_own_rows_give_way(
    garden: Path, tmp_path: Path, lawngis: Callable[..., Any], build: SimpleNamespace
) -> None:
    assert lawngis("plan", garden.parent, "--out", tmp_path / "out").code == 0
    plan = tmp_path / "out/plan.gpkg"
    build.layer(plan, "notes", [build.at(1, 1)], note=["gate"])
    with closing(sqlite3.connect(plan, isolation_level=None)) as database:
        database.execute("ALTER TABLE materials ADD COLUMN shop TEXT")
    work = Path(shutil.copy(plan, tmp_path / "work.gpkg"))
    own = ("materials", "findings", "visit_checks")
    before = content(work, *own)
    done = lawngis("run", "materials", work, work, "--site", garden, "--parcel", "P1", "--set", "labour=1")
    assert done.code == 2 and "unknown parameter labour" in done.said
    assert lawngis("run", "materials", work, work, "--site", garden, "--parcel", "P1").code == 0
    assert content(work, *own) == before
    old, new = rows(plan, "materials"), rows(work, "materials")
    assert sorted(old["item"]) == sorted(new["item"]) and "shop" in new
    assert (new["parcel_id"] == "P2").sum() == (old["parcel_id"] == "P2").sum()
    old, new = rows(plan, "findings"), rows(work, "findings")
    others = old["step"] != "materials"
    assert sorted(old.loc[others, "finding_id"]) == sorted(new.loc[new["step"] != "materials", "finding_id"])
    assert new["finding_id"].is_unique


def test_layers_under_other_names_drawn_by_hand(garden: Path, tmp_path: Path, lawngis: Callable[..., Any]) -> None:
    before = garden.read_bytes()
    done = lawngis("run", "zones", garden, tmp_path / "zones.gpkg", "--layer", "lawn=my_lawn")
    assert done.code == 0, done.err
    assert "keepouts: taken as empty" in done.err
    zones = rows(tmp_path / "zones.gpkg", "zones").set_index("zone_id")
    assert zones["area_m2"].to_dict() == pytest.approx({"P1-Z1": 63.0, "P2-Z1": 36.0}, rel=2e-3)  # ground, not grid
    assert garden.read_bytes() == before


def test_a_parameter_is_taken_and_a_wrong_one_named(garden: Path, tmp_path: Path, lawngis: Callable[..., Any]) -> None:
    out = tmp_path / "zones.gpkg"
    bad = lawngis("run", "zones", garden, out, "--layer", "lawn=my_lawn", "--set", "doubt_min=7")
    assert bad.code == 2 and "doubt_min" in bad.said and not out.exists()
    bad = lawngis("run", "zones", garden, out, "--set", "doubt_min")
    assert bad.code == 2 and "NAME=VALUE" in bad.said
    bad = lawngis("run", "zone", garden, out)
    assert bad.code == 2 and "no step 'zone'" in bad.said


def test_nothing_goes_into_files_of_the_site(garden: Path, lawngis: Callable[..., Any]) -> None:
    before = garden.read_bytes()
    refused = lawngis("run", "zones", garden, garden, "--layer", "lawn=my_lawn")
    assert refused.code == 2 and "file of the site" in refused.said
    assert garden.read_bytes() == before


def test_a_plan_without_its_site_says_what_to_name(garden: Path, tmp_path: Path, lawngis: Callable[..., Any]) -> None:
    assert lawngis("run", "lawn", garden, tmp_path / "lawn.gpkg").code == 0
    refused = lawngis("run", "zones", tmp_path / "lawn.gpkg", tmp_path / "zones.gpkg")
    assert refused.code == 2 and "--site" in refused.said


def test_a_layer_in_another_crs_or_of_another_kind_is_not_mixed(
    garden: Path, tmp_path: Path, lawngis: Callable[..., Any], build: SimpleNamespace
) -> None:
    other = build.layer(tmp_path / "other.gpkg", "lawn", [shapely.box(8, 49, 9, 50)], crs="EPSG:4326")
    refused = lawngis("run", "lawn", garden, other)
    assert refused.code == 2 and "WGS 84" in refused.said
    points = build.layer(tmp_path / "points.gpkg", "lawn", [build.at(1, 1)])
    refused = lawngis("run", "lawn", garden, points)
    assert refused.code == 2 and "holds Point" in refused.said
    assert len(rows(points, "lawn")) == 1


def test_a_parcel_that_fails_leaves_the_others(
    garden: Path, tmp_path: Path, lawngis: Callable[..., Any], build: SimpleNamespace
) -> None:
    garden.unlink()
    build.layer(garden, "parcels", [build.block(0, 0, 12, 9), shapely.Polygon()], parcel_id=["P1", "P2"])
    done = lawngis("run", "lawn", garden, tmp_path / "lawn.gpkg")
    assert done.code == 1 and "parcel P2 failed" in done.err
    assert rows(tmp_path / "lawn.gpkg", "lawn")["parcel_id"].tolist() == ["P1"]
