"""What was measured since a plan was made, when only some of its steps run again."""

from __future__ import annotations

from pathlib import Path

import geopandas
import pyogrio
import pytest
import shapely
from shapely import LineString, Point

from lawngis.processing.cli.main import main


@pytest.fixture
def site(build, tmp_path) -> Path:
    """Two lawns with a passage of 1.2 m between them, a bed on the first and an outlet."""
    folder = tmp_path / "site"
    folder.mkdir()
    lawn = shapely.union_all([build.block(0, 0, 12, 10), build.block(12, 4.4, 4, 1.2), build.block(16, 0, 8, 10)])
    for layer, shapes, columns in (
        ("parcels", [build.block(-2, -2, 32, 19)], {"parcel_id": ["P1"]}),
        ("lawns", [lawn], {}),
        ("beds", [build.block(4, 4, 2, 2)], {}),
        ("outlets", [build.at(3, 0)], {}),
    ):
        build.layer(folder / "site.gpkg", layer, shapes, **columns)
    build.dem(folder / "dem.tif", width_m=60, depth_m=40, heights=lambda x, y: 0 * x + 0 * y)
    return folder


@pytest.fixture
def again(build, site):
    """Measure something, or nothing any more, and plan the site from a step on."""

    def run(*rows: tuple, first: str | None = None) -> dict[str, list]:
        (site / "overrides.gpkg").unlink(missing_ok=True)
        if rows:
            columns = dict(
                zip(("target_layer", "target_id", "column", "value", "place"), zip(*rows, strict=True), strict=True)
            )
            table = geopandas.GeoDataFrame(columns, geometry="place", crs=build.crs)
            pyogrio.write_dataframe(table, site / "overrides.gpkg", layer="overrides")
        words = [] if first is None else ["--from", first]
        assert main(["plan", str(site), "--out", str(site / "out"), *words]) == 0
        found: dict[str, list] = {}
        for row in layer(site, "findings").to_dict("records"):
            found.setdefault(row["code"], []).append(row)
        return found

    return run


def layer(site: Path, name: str):
    return pyogrio.read_dataframe(site / "out" / "plan.gpkg", layer=name)


def roles(site: Path) -> list[str]:
    return sorted(layer(site, "zones")["role"])


WIDTH = ("links", "P1-P1", "width_m", "0.7", Point())


def test_a_width_measured_since_is_not_followed_until_zones_are_found_anew(again, site):
    assert "override-not-followed" not in again() and roles(site) == ["home", "linked"]
    (said,) = again(WIDTH, first="edges")["override-not-followed"]
    assert said["severity"] == "caution" and "than what lawn, keepouts, zones found" in said["text"]
    assert "links P1-P1, width_m = 0.7" in said["text"] and "--from lawn" in said["advice"]
    assert roles(site) == ["home", "linked"]
    assert again(WIDTH, first="edges")["override-not-followed"], "as long as it is not followed"
    (said,) = again(WIDTH, first="zones")["override-not-followed"]
    assert "than what lawn, keepouts found" in said["text"], "the outline is the old one"
    assert roles(site) == ["detached", "home"]
    found = again(WIDTH, first="lawn")
    assert "override-not-followed" not in found and found["override-applied"]
    assert roles(site) == ["detached", "home"]
    found = again(WIDTH, first="dock")
    assert "override-not-followed" not in found and found["override-applied"]
    assert roles(site) == ["detached", "home"]


def test_a_width_that_nobody_measured_any_more_is_said_to_be_followed_still(again, site):
    again(WIDTH)
    (said,) = again(first="edges")["override-not-followed"]
    assert "what lawn, keepouts, zones found follows an override that is there no more" in said["text"]
    assert roles(site) == ["detached", "home"]
    assert again(first="wire")["override-not-followed"]
    assert "override-not-followed" not in again(first="lawn") and roles(site) == ["home", "linked"]


def test_a_bed_that_is_gone_is_followed_by_the_steps_that_run(again, site, build):
    again()
    assert (layer(site, "keepouts")["reason"] == "bed").any()
    gone = ("beds", "", "gone", "", build.at(5, 5))
    (said,) = again(gone, first="zones")["override-not-followed"]
    assert "lawn, keepouts found" in said["text"] and "--from lawn" in said["advice"]
    assert (layer(site, "keepouts")["reason"] == "bed").any()
    found = again(gone, first="lawn")
    assert "override-not-followed" not in found
    assert not (layer(site, "keepouts")["reason"] == "bed").any()


def test_a_line_drawn_since_is_followed_by_the_wire_though_the_dock_is_not_chosen_anew(again, site, build):
    again()
    line = LineString([build.at(9, 9.7), build.at(9, 7), build.at(11, 7), build.at(11, 9.7)])
    drawn = ("wire_path", "", "geometry", "", line)
    (said,) = again(drawn, first="wire")["override-not-followed"]
    assert "than what zones, dock found" in said["text"] and "--from zones" in said["advice"]
    assert layer(site, "wire_path").distance(build.at(10, 7)).min() < 0.1
    (said,) = again(drawn, first="materials")["override-not-followed"]
    assert "than what zones, dock found" in said["text"], "the wire knows it"


WIDE = ("links", "P1-P1", "width_m", "1.8", Point())


def answer(site: Path) -> dict[str, list]:
    """All of a plan that hangs on a measured width, without the time that it took."""
    found: dict[str, list] = {}
    for name in ("lawn", "keepouts", "zones", "links", "hand_mow", "wire_path", "wire_runs", "pegs", "materials"):
        table = layer(site, name)
        if "geometry" in table:
            words = shapely.to_wkt(shapely.normalize(table.geometry.to_numpy()), rounding_precision=4)
            table = table.drop(columns="geometry").assign(shape=words)
        found[name] = sorted(table.round(6).astype(str).to_numpy().tolist())
    return found


def test_a_measured_width_gives_one_answer_by_whichever_way_it_is_planned(again, site):
    again(WIDE)
    whole = answer(site)
    assert len(whole["zones"]) == 1 and not whole["links"] and not whole["hand_mow"]
    again()
    assert len(answer(site)["zones"]) == 2
    again(WIDE, first="lawn")
    assert answer(site) == whole
    for words in (["--resume"], ["--workers", "2"], ["--from", "keepouts"], ["--from", "zones"], ["--from", "edges"]):
        assert main(["plan", str(site), "--out", str(site / "out"), *words]) == 0
        assert answer(site) == whole, words
        assert "override-not-followed" not in set(layer(site, "findings")["code"])


def test_a_measured_width_widens_the_ground_and_is_told_once(again, site):
    again()
    lawn_m2 = layer(site, "lawn")["area_m2"].sum()
    found = again(WIDE)
    assert layer(site, "lawn")["area_m2"].sum() == pytest.approx(lawn_m2 + 4 * 0.6, abs=0.1)
    assert [row["text"] for row in found["override-applied"]] == ["measured on site: links P1-P1 width_m 1.20 → 1.80"]
    decides = [row["text"] for row in found["override-decides"]]
    assert "the ground of P1-P1 is widened by 0.60 m as measured: 2.4 m² more lawn" in decides
    assert "P1-P1 is open by its measured width of 1.80 m, no longer transit" in decides
    assert len(found["override-contradicts"]) == 1 and "override-no-target" not in found


def test_a_drawn_outline_beats_a_measured_width(again, site, build):
    lawn = shapely.union_all([build.block(0, 0, 12, 10), build.block(12, 4.4, 4, 1.2), build.block(16, 0, 8, 10)])
    found = again(WIDE, ("lawn", "P1-G1", "geometry", "", lawn))
    assert layer(site, "lawn")["area_m2"].sum() == pytest.approx(lawn.area, abs=0.3)
    assert "the ground of" not in " ".join(row["text"] for row in found["override-decides"])
