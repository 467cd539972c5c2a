"""Slopes measured on site against those of a terrain model."""

from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from shapely import Point, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.steep import MowerSlope
from lawngis.mower import built_in_profile
from lawngis.processing.derived.slope import REACH_M, SlopeParameters, slope_as_measured, steep_evidence, too_steep
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.facts import Fact
from lawngis.processing.model.site import Site
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, installed_steps, planned

ROOT = Path(__file__).parents[3]
MOWER = built_in_profile()  # limit 35 %
FRAME = MeasuringFrame.centred_on(box(9.0, 50.0, 9.0001, 50.0001), CRS(4326))
CELL_M = 0.5


def grid(values):
    """Cells of half a metre, the first one's corner at (0, height) of the frame."""
    return Grid(np.asarray(values, dtype=float), Affine(CELL_M, 0, 0, 0, -CELL_M, len(values) * CELL_M), FRAME.crs)


SITE = Site("P1", "", box(0, 0, 30, 20), FRAME, {}, grid(np.zeros((4, 4))))


def reading(place, percent):
    return Fact(percent, "keepouts", "slope_percent", place=place)


def ramp():
    """Slope that grows from 5 % in the west to 65 % in the east, 1 % in half a metre."""
    return grid(np.broadcast_to(5.0 + np.arange(60.0), (40, 60))), grid(np.full((40, 60), 4.0))


def measured(*places, percent):
    slope, sd = ramp()
    readings = [reading(place, percent) for place in places]
    after, told = slope_as_measured(SITE, MowerSlope(slope, sd), readings, MOWER, SlopeParameters())
    return slope, sd, *after, told


def test_the_limit_itself_is_mown():
    assert [too_steep(percent, MOWER) for percent in (34.9, 35.0, 35.1)] == [False, False, True]


def test_without_measurements_nothing_changes():
    slope, sd, slope_after, sd_after, told = measured(percent=0)
    assert slope_after.values is slope.values
    assert sd_after.values is sd.values
    assert told == []


def test_a_drawn_area_has_the_measured_slope_for_sure_and_nothing_else_changes():
    slope, _, after, sd_after, told = measured(box(2, 2, 8, 6), percent=18.0)
    changed = after.values != slope.values
    assert (after.values[changed] == 18.0).all()
    assert (sd_after.values == 0.0).sum() == 12 * 8  # cells of half a metre in 6 by 4 m
    assert (sd_after.values[~(sd_after.values == 0.0)] == 4.0).all()
    assert told == []  # 9 to 20 % derived, so 18 % is no contradiction


def test_a_point_tells_of_its_surroundings_where_the_model_is_sure():
    _, _, _, sd_after, _ = measured(Point(5, 10), percent=12.0)  # 15 % there: far from the limit
    assert (sd_after.values == 0).sum() * CELL_M**2 == pytest.approx(np.pi * REACH_M**2, rel=0.2)


def test_a_point_on_ground_in_doubt_settles_all_of_it():
    slope, sd, after, sd_after, _ = measured(Point(15.2, 10), percent=30.0)  # 35 % there: the limit itself
    in_doubt = np.abs(slope.values - MOWER.slope_limit_percent) <= sd.values
    assert (after.values[in_doubt] == 30.0).mean() > 0.9
    assert (sd_after.values == 0).sum() > 3 * np.pi * REACH_M**2 / CELL_M**2


def test_a_gentle_slope_measured_on_steep_ground_frees_all_of_it_and_contradicts_the_model():
    _, _, after, _, told = measured(Point(25, 10), percent=20.0)
    assert not (after.values > MOWER.slope_limit_percent + 1).any()
    (caution,) = told
    assert caution.severity == "caution"
    assert "measured a slope of 20 %, but the terrain model says" in caution.text
    assert caution.place == Point(25, 10)


def test_a_steep_slope_measured_on_steep_ground_holds_around_the_point_only():
    slope, _, after, _, _ = measured(Point(25, 10), percent=70.0)
    assert (after.values != slope.values).sum() * CELL_M**2 == pytest.approx(np.pi * REACH_M**2, rel=0.2)


def test_steep_ground_says_whether_somebody_measured_it():
    readings = [reading(Point(5, 5), 48.0), reading(Point(20, 5), 12.0)]
    words = [steep_evidence(readings, box(x, 4, x + 2, 6), 20.0, "terrain model") for x in (4, 12, 19)]
    assert words == ["slope measured on site", "terrain model", "terrain model"]


@pytest.fixture(scope="module")
def keepouts_of():
    """Plan the bank of the sample as far as the keep-outs, with slopes measured."""
    source = SiteSource(site_files(ROOT / "sample_parcels"))
    steps = installed_steps()
    upto = steps[: [step.id for step in steps].index("keepouts") + 1]

    def run(*overrides):
        plan = planned(source.site("P08"), upto, Settings(MOWER, overrides=overrides)).plan
        return plan, source.site("P08")

    return run


def steep(plan):
    return [row for row in plan.rows("keepouts") if row["reason"] == "steep"]


def test_a_bank_measured_gentle_is_mown_and_the_terrain_model_contradicted(keepouts_of):
    plain, site = keepouts_of()
    bank = shapely.union_all([row["geometry"] for row in steep(plain)])
    drawn = site.frame.to_source([bank.buffer(1.5)])[0]
    plan, _ = keepouts_of(Override("keepouts", "", "slope_percent", "12", "level", drawn, site.frame.source))
    assert steep(plan) == []
    told = [item for _, item in plan.findings if item.code == "override-contradicts"]
    assert "measured a slope of 12 %, but the terrain model says" in told[0].text
    assert not any("slope of" in row["measure_what"] for row in plan.rows("visit_checks"))


def test_level_ground_measured_steep_is_kept_out_by_what_was_measured(keepouts_of):
    plain, site = keepouts_of()
    lawn = shapely.union_all([row["geometry"] for row in plain.rows("lawn")])
    free = lawn.difference(shapely.union_all([row["geometry"] for row in plain.rows("keepouts")]).buffer(1.0))
    place = free.buffer(-2.6).representative_point().buffer(2.5)
    drawn = site.frame.to_source([place])[0]
    plan, _ = keepouts_of(Override("keepouts", "", "slope_percent", "48", "level", drawn, site.frame.source))
    told = [row for row in steep(plan) if row["geometry"].intersects(place)]
    assert sum(row["geometry"].intersection(place).area for row in told) > 0.7 * place.area
    assert {row["evidence"] for row in told} == {"slope measured on site"}
    assert sum(row["area_m2"] for row in steep(plan)) > sum(row["area_m2"] for row in steep(plain)) + 10


def test_a_slope_measured_at_the_place_of_a_check_settles_all_ground_in_doubt_there(keepouts_of):
    plain, site = keepouts_of()
    (check,) = [item for _, item in plain.checks if item.target_layer == "keepouts"]
    place = site.frame.to_source([check.place])[0]
    plan, _ = keepouts_of(Override("keepouts", "", "slope_percent", "18", "level", place, site.frame.source))
    assert [item for _, item in plan.checks if item.target_layer == "keepouts"] == []
    assert sum(row["area_m2"] for row in steep(plan)) < sum(row["area_m2"] for row in steep(plain)) - 10


def test_a_keepout_that_is_named_is_judged_by_the_slope_measured_on_its_ground(keepouts_of):
    plain, _ = keepouts_of()
    first, second = steep(plain)
    gentle, steeper = (
        Override("keepouts", row["keepout_id"], "slope_percent", percent, "level")
        for row, percent in ((first, "12"), (second, "48"))
    )
    plan, _ = keepouts_of(gentle, steeper)
    kept = shapely.union_all([row["geometry"] for row in steep(plan)])
    assert kept.intersection(first["geometry"]).area < 0.2 * first["area_m2"]
    assert kept.intersection(second["geometry"]).area == pytest.approx(second["area_m2"], rel=0.05)
    on_it = [row for row in steep(plan) if row["geometry"].intersection(second["geometry"]).area > 0.5]
    assert {row["evidence"] for row in on_it} == {"slope measured on site"}
    said = [item.text for _, item in plan.findings if item.code == "override-applied"]
    assert len(said) == 2 and all("measured on site: keepouts slope of" in text for text in said)


def test_a_keepout_that_is_not_steep_stays_whatever_its_slope_and_one_that_is_not_there_is_missed(keepouts_of):
    plain, _ = keepouts_of()
    other = next(row for row in plain.rows("keepouts") if row["reason"] != "steep")
    plan, _ = keepouts_of(
        Override("keepouts", other["keepout_id"], "slope_percent", "12"),
        Override("keepouts", "P08-K99", "slope_percent", "12"),
    )
    assert [row["geometry"] for row in plan.rows("keepouts")] == [row["geometry"] for row in plain.rows("keepouts")]
    codes = [item.code for _, item in plan.findings if item.code.startswith("override")]
    assert sorted(codes) == ["override-contradicts", "override-no-target"]


def test_a_slope_measured_off_the_lawn_is_said_to_be_of_no_use(keepouts_of):
    _, site = keepouts_of()
    place = site.frame.to_source([site.geometries("buildings")[0].representative_point()])[0]
    plan, _ = keepouts_of(Override("keepouts", "P08", "slope_percent", "12", "", place, site.frame.source))
    (missed,) = [item for _, item in plan.findings if item.code.startswith("override")]
    assert missed.code == "override-no-target" and "nearest are the lawn at" in missed.text
