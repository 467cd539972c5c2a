"""What surface and terrain models say of edges: layers have the say, heights speak where they are silent."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio
from scipy.stats import norm
from shapely import LineString, Point

from lawngis.ground.step import HeightStep
from lawngis.mower import built_in_profile
from lawngis.processing.derived.edge_heights import edge_step, unlike_chance
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import DataAccuracy
from lawngis.processing.model.step import loaded_steps
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, ordered, planned

X0, Y0 = 500_000.0, 5_500_000.0


def plan_of(folder: Path, dem_sd_m: float = 0.1, **facts) -> Plan:
    source = SiteSource(site_files(folder), ReadOptions(accuracy=DataAccuracy(dem_sd_m=dem_sd_m)))
    steps = ordered(loaded_steps()[0].values())
    site = replace(source.site(source.parcel_ids[0]), facts=Facts(**facts))
    return planned(site, steps, Settings(built_in_profile())).plan


def add_heights(raster: Path, target: Path, height) -> None:
    """Write a raster again with heights added where `height(x, y)` says, metres from the parcel's corner."""
    with rasterio.open(raster) as file:
        values, profile, place = file.read(1), file.profile, file.transform
    rows, columns = np.indices(values.shape)
    x, y = place.c + (columns + 0.5) * place.a - X0, place.f + (rows + 0.5) * place.e - Y0
    rng = np.random.default_rng(5)
    with rasterio.open(target, "w", **profile) as file:
        file.write((values + height(x, y) + rng.normal(0, 0.01, values.shape)).astype("float32"), 1)
        file.set_band_unit(1, "m")


@pytest.fixture
def garden(tmp_path, build):
    return build.site(tmp_path / "garden")


def class_in_the_east(plan: Plan) -> str:
    """Class of the edge in the middle of the parcel's east side."""
    return min(plan.rows("edges"), key=lambda row: row["geometry"].distance(Point(10, 0)))["edge_class"]


def test_a_wall_that_no_layer_has_is_seen_in_the_surface_model(garden):
    add_heights(garden / "dem.tif", garden / "dsm.tif", lambda x, y: np.where((x > 20) & (x < 21.2), 1.5, 0.0))
    plan = plan_of(garden)
    assert class_in_the_east(plan) == "raised"
    evidence = next(row["evidence"] for row in plan.rows("edges") if row["edge_class"] == "raised")
    assert "surface model steps up by 1." in evidence


def test_level_ground_beyond_leaves_the_property_line_what_it_is(garden):
    add_heights(garden / "dem.tif", garden / "dsm.tif", lambda x, y: np.zeros_like(x))
    assert class_in_the_east(plan_of(garden)) == "boundary"


def height_rows(plan: Plan) -> list:
    return [row for row in plan.rows("visit_checks") if row["code"] == "edge-height"]


def noise(plan: Plan, row) -> float:
    """Chance that noise made a step, against one that is true: so many among stretches of 2 m with nothing beyond."""
    silent = [edge["length_m"] for edge in plan.rows("edges") if edge["edge_class"] in ("boundary", "raised", "drop")]
    by_noise = sum(silent) / 2 * norm.sf((abs(row["value"]) - 0.05) / row["sd"])
    return by_noise / (1 + by_noise)


def short_fall(x, y):
    """0.3 m along four metres of the east side."""
    return np.where((x > 20) & (abs(y - 7.5) < 2), -0.3, 0.0)


def test_a_drop_that_the_surface_model_alone_tells_is_looked_at(garden):
    add_heights(garden / "dem.tif", garden / "dsm.tif", short_fall)
    plan = plan_of(garden)
    assert class_in_the_east(plan) == "drop"
    (row,) = height_rows(plan)
    edge = next(edge for edge in plan.rows("edges") if edge["edge_id"] == row["target_id"])
    assert (edge["edge_class"], row["target_column"], row["limit_value"]) == ("drop", "edge_class", -0.05)
    assert row["value"] == pytest.approx(-0.3, abs=0.1)
    assert row["flip_probability"] == pytest.approx(noise(plan, row), rel=0.05)
    (area,) = [area for area in plan.rows("visit_areas") if area["check_id"] == row["check_id"]]
    assert area["geometry"].equals_exact(edge["geometry"], 1e-6)


def test_that_a_drop_is_none_is_settled_by_looking(garden):
    add_heights(garden / "dem.tif", garden / "dsm.tif", short_fall)
    (row,) = height_rows(plan_of(garden))
    level = Fact("flush", row["target_layer"], row["target_column"], name=row["target_id"])
    plan = plan_of(garden, edge_classes=(level,))
    assert class_in_the_east(plan) == "flush" and height_rows(plan) == []


@pytest.mark.parametrize(("dem_sd_m", "asked"), [(0.05, False), (0.2, True)])
def test_level_ground_is_looked_at_where_heights_are_too_poor_to_exclude_a_fall(garden, dem_sd_m, asked):
    """A step is known to about 1.2 times the error of a height: half a metre is 8 or 2 standard deviations of it."""
    add_heights(garden / "dem.tif", garden / "dsm.tif", lambda x, y: np.zeros_like(x))
    rows = height_rows(plan_of(garden, dem_sd_m))
    assert bool(rows) == asked
    assert all(row["limit_value"] == -0.5 and 0.001 <= row["flip_probability"] < 0.1 for row in rows)


def test_layers_have_the_say_and_a_contradiction_is_a_finding(garden, build):
    build.layer(garden / "site.gpkg", "hard_surfaces", [build.block(14, 0, 6, 15)], use=["terrace"], level=["flush"])
    add_heights(garden / "dem.tif", garden / "dsm.tif", lambda x, y: np.where(x > 14, 0.5, 0.0))
    plan = plan_of(garden)
    assert "flush" in {row["edge_class"] for row in plan.rows("edges")}
    finding = next(row for row in plan.rows("findings") if row["code"] == "edge-contradiction")
    values = json.loads(finding["values"])
    assert (values["edge_class"], values["evidence"]) == ("raised", "flush terrace beyond")
    assert values["step_m"] == pytest.approx(0.5, abs=0.05)


def test_a_ledge_that_no_layer_mentions_is_found_in_the_terrain(garden):
    add_heights(garden / "dem.tif", garden / "dem2.tif", lambda x, y: np.where(x > 20.25, -0.8, 0.0))
    (garden / "dem2.tif").replace(garden / "dem.tif")
    finding = next(row for row in plan_of(garden).rows("findings") if row["code"] == "ledge-found")
    assert 0 < json.loads(finding["values"])["fall_m"] < 1 and "setback of a drop" in finding["advice"]
    assert finding["geometry"].x == pytest.approx(10, abs=0.5)


def test_a_drop_that_the_layers_have_is_no_finding(garden, build):
    build.layer(
        garden / "site.gpkg",
        "barriers",
        [LineString([build.at(20, 0), build.at(20, 15)])],
        kind=["drop"],
        height_m=[0.8],
    )
    add_heights(garden / "dem.tif", garden / "dem2.tif", lambda x, y: np.where(x > 20, -0.8, 0.0))
    (garden / "dem2.tif").replace(garden / "dem.tif")
    assert "ledge-found" not in {row["code"] for row in plan_of(garden).rows("findings")}


@pytest.mark.parametrize(("high_m", "likely"), [(0.0, True), (0.10, False)])
def test_paving_of_unknown_level_is_more_likely_wrong_the_lower_it_lies(garden, build, high_m, likely):
    build.layer(garden / "site.gpkg", "hard_surfaces", [build.block(14, 0, 6, 15)], use=["terrace"], level=[None])
    add_heights(garden / "dem.tif", garden / "dsm.tif", lambda x, y: np.where(x > 14, high_m, 0.0))
    (row,) = [row for row in plan_of(garden).rows("visit_checks") if row["code"] == "edge-class"]
    assert (row["flip_probability"] > 0.5) == likely


@pytest.mark.parametrize(("edge_class", "chance"), [("unknown", 0.5), ("raised", 0.5), ("flush", 1 - 0.3413)])
def test_heights_give_another_setback_by_the_classes_whose_setback_differs(edge_class, chance):
    """A step of 0.05 ± 0.1 m: raised by 0.5, flush by Φ(0) - Φ(-1) = 0.3413; of unknown class it counts as raised."""
    step = HeightStep(LineString([(0, 0), (9, 0)]), 0.05, 0.1, "unknown", 0.5)
    mower = built_in_profile()
    assert unlike_chance(step, edge_class, mower, flush_max_m=0.05) == pytest.approx(chance, abs=1e-4)
    assert unlike_chance(None, edge_class, mower, flush_max_m=0.05) == 0.5


def test_a_step_across_an_edge_is_the_mean_of_its_stretches_and_as_sure_as_one_so_long():
    line = LineString([(0, 0), (4, 0)])
    found = {2.0: [HeightStep(line, step_m, 0.1, "unknown", 0.5) for step_m in (0.1, 0.2)],
             4.0: [HeightStep(line, 0.5, 0.06, "unknown", 0.5)]}  # fmt: skip
    step = edge_step({"length_m": 4.0}, lambda row, stretch_m: found[stretch_m], 2.0)
    assert (step.step_m, step.sd_m) == pytest.approx((0.15, 0.06))
    assert edge_step({"length_m": 4.0}, lambda row, stretch_m: [], 2.0) is None
