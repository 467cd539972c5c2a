"""Slopes measured on site: for which ground each holds, and what it takes to open steep ground."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from scipy.special import ndtr
from shapely import Point, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.mower_slope import MowerSlope
from lawngis.ground.raster import Grid
from lawngis.ground.steep import UndecidedArea
from lawngis.mower import built_in_profile
from lawngis.processing.derived.slope import SlopeParameters, _less_sure_in
from lawngis.processing.derived.slope_checks import (
    reading_findings,
    slope_checks,
    steep_evidence,
    unknown_slope_checks,
)
from lawngis.processing.derived.slope_readings import (
    REACH_M,
    contradicted,
    readings_needed,
    slope_pieces,
    steep_zone_findings,
    with_readings,
)
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, installed_steps, planned

ROOT = Path(__file__).parents[3]
BUILT_IN = built_in_profile()  # limits 35 %, and 20 % along the wire
MOWER = BUILT_IN.model_copy(update={"edge_slope_limit_percent": 35.0})
FRAME = MeasuringFrame.centred_on(box(9.0, 50.0, 9.0001, 50.0001), CRS(4326))
CELL_M = 0.5
LAWN = box(0, 0, 30, 20)


def grid(values):
    """Cells of half a metre, the first one's corner at (0, height) of the frame."""
    return Grid(np.asarray(values, dtype=float), Affine(CELL_M, 0, 0, 0, -CELL_M, len(values) * CELL_M), FRAME.crs)


SITE = Site("P1", "", LAWN, FRAME, {}, grid(np.zeros((4, 4))))


def ramp():
    """Slope that grows from 5 % in the west to 64 % in the east, 1 % in half a metre, known to 4 %."""
    return MowerSlope(grid(np.broadcast_to(5.0 + np.arange(60.0), (40, 60))), grid(np.full((40, 60), 4.0)))


def reading(place, percent, note=""):
    return Fact(percent, "keepouts", "slope_percent", place=place, note=note, label=f"reading {note}")


def pieces_with(*readings):
    return slope_pieces(SITE, LAWN, ramp(), readings, MOWER, SlopeParameters())


def after(*readings):
    return with_readings(SITE, ramp(), pieces_with(*readings))


def doubtful(*readings):
    (piece,) = [piece for piece in pieces_with(*readings) if piece.doubt is not None]
    return piece


def everywhere(percent):
    return [reading(place, percent, f"{number}") for number, place in enumerate(doubtful().asked)]


def opened_m2(slope):
    return float((slope.slope_percent.values < ramp().slope_percent.values - 1e-9).sum()) * CELL_M**2


@pytest.mark.parametrize(("area_m2", "count"), [(0.5, 1), (10.0, 1), (10.1, 2), (27.6, 3), (179.0, 18)])
def test_every_started_ten_square_metres_take_a_reading(area_m2, count):
    assert readings_needed(area_m2) == count


def test_a_reading_and_a_model_contradict_each_other_by_the_doubt_of_both():
    # 3 sd of 2 % and 4 % together are 13.4 %
    assert [contradicted(percent, 35.0, 4.0) for percent in (21.7, 21.5, 48.3, 48.5)] == [False, True, False, True]
    assert not contradicted(21.5, None, None)


def test_doubtful_ground_asks_at_its_steepest_places_well_apart():
    piece = doubtful()
    assert len(piece.asked) == readings_needed(piece.ground.area) > 5
    assert all(piece.ground.contains(place) for place in piece.asked)
    slope = [5 + 2 * place.x for place in piece.asked]
    assert slope[0] >= piece.mean_percent + 4
    assert min(shapely.distance(a, b) for a in piece.asked for b in piece.asked if a is not b) > 0.75


def test_without_measurements_nothing_changes():
    assert (after().slope_percent.values == ramp().slope_percent.values).all()


def test_all_readings_but_one_open_nothing_and_the_missing_one_stays_on_the_list():
    readings = everywhere(25.0)
    assert opened_m2(after(*readings[:-1])) == 0
    (check,) = slope_checks(pieces_with(*readings[:-1]), LAWN, MOWER, SlopeParameters())
    assert check.place == doubtful().asked[-1]
    assert check.area.equals(doubtful().ground)


def test_all_readings_open_their_piece_alone():
    readings, ground = everywhere(25.0), doubtful().ground
    slope = after(*readings)
    xy = np.array([(x, y) for y in np.arange(19.75, 0, -0.5) for x in np.arange(0.25, 30, 0.5)])
    inside = shapely.contains_xy(ground, xy[:, 0], xy[:, 1]).reshape(40, 60)
    assert (slope.slope_percent.values[inside] == 25.0).all()
    assert (slope.slope_percent.values[~inside] == ramp().slope_percent.values[~inside]).all()
    assert slope_checks(pieces_with(*readings), LAWN, MOWER, SlopeParameters()) == []


def test_the_steepest_of_all_readings_counts():
    readings = everywhere(25.0)
    readings[3] = reading(readings[3].place, 34.0)
    assert doubtful(*readings).settled_percent == 34.0


def test_one_place_read_many_times_stands_for_one_place():
    first = doubtful().asked[0]
    many = [reading(first, 25.0, f"{number}") for number in range(20)]
    assert len(doubtful(*many).open_places) == len(doubtful().asked) - 1


def test_a_gentle_reading_on_steep_ground_opens_nothing_and_is_a_stop_until_a_second_agrees():
    bank = Point(27, 10)
    assert opened_m2(after(reading(bank, 10.0))) == 0
    (stop,) = [item for item in reading_findings(pieces_with(reading(bank, 10.0))) if item.severity == "stop"]
    assert stop.code == "slope-unconfirmed" and stop.place == bank
    both = reading(bank, 10.0, "mine"), reading(bank, 12.0, "yours")
    told = reading_findings(pieces_with(*both))
    assert [item.severity for item in told if item.code != "override-applied"] == ["caution", "caution"]
    assert opened_m2(after(*both)) == 0  # the bank takes many more


def test_the_same_row_twice_is_no_second_reading():
    twice = reading(Point(27, 10), 10.0, "mine"), reading(Point(27, 10), 10.0, "mine")
    assert [item.severity for item in reading_findings(pieces_with(*twice))].count("stop") == 2


def test_one_unconfirmed_reading_keeps_its_piece_shut():
    readings = everywhere(25.0)
    readings[0] = reading(readings[0].place, 5.0)
    piece = doubtful(*readings)
    assert piece.settled_percent is None and piece.open_places == [piece.asked[0]]
    assert opened_m2(after(*readings)) == 0


def test_a_steeper_reading_counts_at_once_around_its_place():
    slope = after(reading(Point(5, 10), 26.0))
    changed = slope.slope_percent.values != ramp().slope_percent.values
    assert changed.sum() * CELL_M**2 == pytest.approx(np.pi * REACH_M**2, rel=0.2)
    assert (slope.slope_percent.values[changed] == 26.0).all()
    shut = after(reading(doubtful().asked[0], 60.0))
    assert 0 < (shut.slope_percent.values == 60.0).sum() - 40 < np.pi * REACH_M**2 / CELL_M**2


def test_a_reading_on_sure_gentle_ground_holds_around_its_place():
    slope = after(reading(Point(5, 10), 12.0))  # 15 % there
    assert (slope.sd_percent.values == 0).sum() * CELL_M**2 == pytest.approx(np.pi * REACH_M**2, rel=0.2)


def test_a_drawn_ground_is_one_reading_of_itself():
    small, large = box(2, 2, 5, 5), box(2, 2, 8, 6)
    assert (after(reading(small, 12.0)).sd_percent.values == 0).sum() == 36
    assert opened_m2(after(reading(large, 5.0))) == 0
    three = reading(large, 5.0, "a"), reading(large, 6.0, "b"), reading(large, 7.0, "c")
    assert (after(*three).slope_percent.values == 7.0).sum() == 12 * 8 + 40  # the map has 7 % in one column elsewhere


def test_steep_ground_says_whether_somebody_measured_it():
    readings = [reading(Point(5, 5), 48.0), reading(Point(20, 5), 12.0)]
    words = [steep_evidence(readings, box(x, 4, x + 2, 6), 20.0, "terrain model") for x in (4, 12, 19)]
    assert words == ["slope measured on site", "terrain model", "terrain model"]


def bank_site(percent, *readings):
    """A slope that rises to the east, as steep everywhere as said."""
    heights = np.broadcast_to(percent / 100 * CELL_M * np.arange(60.0), (40, 60))
    return replace(SITE, dem=grid(heights), facts=Facts(slopes=tuple(readings)))


def stops(site, zone=LAWN):
    plan = Plan("P1", FRAME.crs)
    plan.keep({"lawn": [{"parcel_id": "P1", "lawn_id": "P1-G1", "area_m2": LAWN.area, "source": "surveyed",
                         "confidence": 1.0, "geometry": LAWN}]})  # fmt: skip
    return steep_zone_findings(site, plan, [{"zone_id": "P1-Z1", "geometry": zone}], MOWER)


def test_a_zone_on_a_bank_is_a_stop_whatever_was_measured_elsewhere():
    (stop,) = stops(bank_site(60.0, reading(Point(15, 10), 10.0)), box(2, 2, 8, 8))
    assert (stop.severity, stop.code) == ("stop", "rule-12-steep")
    assert stop.values["slope_percent"] == pytest.approx(60, abs=0.5)
    assert stops(bank_site(60.0), box(2, 2, 2.8, 2.8)) == []
    assert stops(bank_site(20.0)) == []


def test_a_zone_is_a_stop_from_its_limit_on():
    assert stops(bank_site(34.9)) == [] and stops(bank_site(35.1)) != []


# --- each limit where it decides -----------------------------------------------------------------------------------


def even(percent, sd=4.0):
    return MowerSlope(grid(np.full((40, 60), percent)), grid(np.full((40, 60), sd)))


def asked_about(mapped, *readings, lawn=LAWN, doubt_min=0.04):
    parameters = SlopeParameters(doubt_min=doubt_min)
    pieces = slope_pieces(SITE, lawn, mapped, readings, BUILT_IN, parameters)
    return slope_checks(pieces, lawn, BUILT_IN, parameters), pieces


def test_ground_along_the_wire_is_asked_about_at_the_limit_that_holds_there():
    checks, _ = asked_about(even(18.0))
    assert {check.limit_value for check in checks} == {20.0}
    assert {check.values["case"] for check in checks} == {"along"}
    assert checks[0].flip_probability == pytest.approx(0.3085, abs=1e-3)  # half a standard deviation below
    assert "turn on along the wire" in checks[0].said()["decides"]


def test_ground_that_is_too_steep_along_the_wire_is_not_asked_about_at_the_limit_within():
    """33 % is too steep where the mower turns, whatever the limit of 35 % says of it."""
    assert asked_about(even(33.0))[0] == []


def test_ground_within_is_asked_about_at_its_own_limit():
    xy = np.meshgrid(0.25 + 0.5 * np.arange(60), 19.75 - 0.5 * np.arange(40))
    inside = shapely.contains_xy(box(8, 6, 22, 14), *xy)
    values = np.where(inside, 33.0, 5.0)
    checks, _ = asked_about(MowerSlope(grid(values), grid(np.full((40, 60), 3.0))))
    assert {(check.limit_value, check.values["case"]) for check in checks} == {(35.0, "within")}


def test_a_sure_bank_is_as_unsure_as_what_of_its_ground_reaches_the_band():
    """18 % there, known to 4 %: steeper, it has the whole bank kept out."""
    band = shapely.difference(LAWN, LAWN.buffer(-1))
    surer, sure, unsure = (UndecidedArea(LAWN, chance, 25.0, 1.5) for chance in (0.0004, 0.05, 0.4))
    for area in (surer, sure):
        assert _less_sure_in(SITE, even(18.0), area, band, 20.0).flip_probability == pytest.approx(ndtr(-0.5))
    assert _less_sure_in(SITE, even(18.0), unsure, band, 20.0) is unsure


def test_what_could_hurt_somebody_is_asked_about_long_before_it_is_likely():
    """12 % is two standard deviations below 20 %, beyond what is in doubt; with one of 5.5 % it is 1.45."""
    assert asked_about(even(12.0))[0] == []
    (check,) = asked_about(even(12.0, 5.5))[0]
    assert check.flip_probability == pytest.approx(0.073, abs=1e-3)


def test_gentle_ground_takes_readings_for_what_of_it_is_steep():
    """600 m² of 18 %, of which 16 m² have 24 %: two readings, at the steepest."""
    mapped = even(18.0)
    values = mapped.slope_percent.values.copy()
    values[10:18, 20:28] = 24.0
    checks, _ = asked_about(MowerSlope(grid(values), mapped.sd_percent))
    assert len(checks) == 2
    assert all(box(10, 11, 14, 15).covers(check.place) for check in checks)


def test_a_steep_place_on_gentle_ground_tells_of_itself_alone():
    (check,), _ = asked_about(even(18.0))
    steep, gentle = (reading(check.place, percent) for percent in (26.0, 17.0))
    checks, pieces = asked_about(even(18.0), steep)
    assert checks == []  # somebody has been there
    slope = with_readings(SITE, even(18.0), pieces).slope_percent.values
    assert 0 < (slope == 26.0).sum() * CELL_M**2 < 1.1 * np.pi * REACH_M**2 and (slope >= 18.0).all()
    _, pieces = asked_about(even(18.0), gentle)
    assert pieces[0].settled_percent == 17.0


@pytest.fixture(scope="module")
def keepouts_of():
    """Plan the bank of the sample as far as the zones, with slopes measured."""
    source = SiteSource(site_files(ROOT / "sample_parcels"))
    steps = installed_steps()
    upto = steps[: [step.id for step in steps].index("zones") + 1]

    def run(*overrides):
        plan = planned(source.site("P08"), upto, Settings(MOWER, overrides=overrides)).plan
        return plan, source.site("P08")

    return run


def steep_m2(plan):
    return sum(row["area_m2"] for row in plan.rows("keepouts") if row["reason"] == "steep")


def answers(plan, site, *percents):
    """Overrides as a visit sheet makes them of the checks of a plan."""
    checks = [item for _, item in plan.checks if item.target_column == "slope_percent"]
    places = site.frame.to_source([check.place for check in checks])
    return [
        Override("keepouts", "", "slope_percent", percent, f"{number}", place, site.frame.source)
        for number, (percent, place) in enumerate(zip(percents, places, strict=False))
    ]


def test_one_reading_frees_no_bank(keepouts_of):
    plain, site = keepouts_of()
    once, _ = keepouts_of(*answers(plain, site, "20"))
    assert len(answers(plain, site, *["20"] * 9)) == 2
    assert steep_m2(once) == pytest.approx(steep_m2(plain))
    assert len(answers(once, site, *["20"] * 9)) == 1


def test_all_readings_free_what_was_asked_about_and_no_more(keepouts_of):
    plain, site = keepouts_of()
    asked = next(item.area for _, item in plain.checks if item.area is not None)
    plan, _ = keepouts_of(*answers(plain, site, "20", "20"))
    freed = shapely.difference(
        *(shapely.union_all([row["geometry"] for row in some.rows("keepouts")]) for some in (plain, plan))
    )
    assert freed.area > 8 and freed.difference(asked.buffer(CELL_M)).area < 0.5
    assert not [item for _, item in plan.findings if item.severity == "stop"]
    assert answers(plan, site, "20") == []


def test_level_ground_measured_steep_is_kept_out_by_what_was_measured(keepouts_of):
    plain, site = keepouts_of()
    lawn = shapely.union_all(plain.geometries("lawn"))
    free = lawn.difference(shapely.union_all(plain.geometries("keepouts")).buffer(1.0))
    place = free.buffer(-2.6).representative_point().buffer(2.5)
    drawn = site.frame.to_source([place])[0]
    plan, _ = keepouts_of(Override("keepouts", "", "slope_percent", "48", "level", drawn, site.frame.source))
    told = [row for row in plan.select("keepouts", reason="steep") if row["geometry"].intersects(place)]
    assert sum(row["geometry"].intersection(place).area for row in told) > 0.7 * place.area
    assert {row["evidence"] for row in told} == {"slope measured on site"}


def test_a_keepout_measured_without_a_place_opens_nothing(keepouts_of):
    plain, _ = keepouts_of()
    bank = plain.select("keepouts", reason="steep")[0]["keepout_id"]
    other = next(row["keepout_id"] for row in plain.rows("keepouts") if row["reason"] != "steep")
    plan, _ = keepouts_of(*(Override("keepouts", name, "slope_percent", "12") for name in (bank, other, "P08-K99")))
    assert [row["geometry"] for row in plan.rows("keepouts")] == [row["geometry"] for row in plain.rows("keepouts")]
    told = [item for _, item in plan.findings if item.code.startswith("override")]
    assert {item.code for item in told} == {"override-contradicts", "override-no-target"}
    cases = [item.values["case"] for item in told if item.code == "override-contradicts"]
    assert sorted(cases) == ["no_place", "other_keepout"]


def test_a_slope_measured_off_the_lawn_is_said_to_be_of_no_use(keepouts_of):
    _, site = keepouts_of()
    place = site.frame.to_source([site.geometries("buildings")[0].representative_point()])[0]
    plan, _ = keepouts_of(Override("keepouts", "P08", "slope_percent", "12", "", place, site.frame.source))
    (missed,) = [item for _, item in plan.findings if item.code.startswith("override")]
    assert missed.code == "override-no-target" and [near["case"] for _, near in missed.values["nearest"]] == ["lawn"]


def unknown_with(*readings, hole=LAWN):
    """Checks of unknown slope where a hole of the terrain model has none, and pieces of ground are measured."""
    slope = ramp()
    inside = shapely.contains_xy(hole, *np.meshgrid(0.25 + 0.5 * np.arange(60), 19.75 - 0.5 * np.arange(40)))
    mapped = MowerSlope(grid(np.where(inside, np.nan, slope.slope_percent.values)), slope.sd_percent)
    pieces = slope_pieces(SITE, LAWN, mapped, readings, MOWER, SlopeParameters())
    after = with_readings(SITE, mapped, pieces)
    return unknown_slope_checks(SITE, after.slope_percent, LAWN, MOWER, SlopeParameters()), after


def test_the_slope_of_lawn_that_no_terrain_model_covers_is_asked_for_and_never_guessed():
    (check,), _ = unknown_with()
    assert check.code == "slope-unknown" and check.area.area == pytest.approx(LAWN.area)
    assert (check.value, check.sd, check.limit_value) == (None, None, 35)
    assert "600 m²" in check.said()["measure_what"]
    (gap,), _ = unknown_with(hole=box(2, 2, 12, 8))
    assert gap.area.area == pytest.approx(60, rel=0.05) and gap.weight < check.weight
    assert unknown_with(hole=box(2, 2, 3, 4))[0] == []
    slope = unknown_with(hole=box(2, 2, 12, 8))[1].slope_percent
    for lawn, asked in ((box(11, 2, 30, 20), 1), (box(11.7, 2, 30, 20), 0)):
        assert len(unknown_slope_checks(SITE, slope, lawn, MOWER, SlopeParameters())) == asked


def test_ground_of_unknown_slope_that_was_drawn_with_its_slope_is_not_asked_about_again():
    hole = box(2, 2, 5, 5)
    one = reading(hole.buffer(0.3), 50, "steep")
    checks, after = unknown_with(one, hole=hole)
    assert checks == []
    assert after.slope_percent.values[30, 6] == 50
