"""The step `schedule` on small plans made by hand."""

import json

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.mower import built_in_profile
from lawngis.mowing.capacity import zone_mowing_hours
from lawngis.processing.derived.coverage import coverage_grid, zone_accesses
from lawngis.processing.derived.mower_demands import able_mowers
from lawngis.processing.model.plan import Plan, StepResult
from lawngis.processing.model.site import Site
from lawngis.processing.model.step import step_named

MOWER = built_in_profile("medium")
HOME, FAR = shapely.box(0, 0, 16, 12), shapely.box(20, 0, 30, 12)


@pytest.fixture
def site():
    parcel = shapely.box(691000, 5334000, 691040, 5334020)
    frame = MeasuringFrame.centred_on(parcel, CRS(25832))
    dem = Grid(np.zeros((4, 4)), Affine(20, 0, 690990, 0, -20, 5334060), CRS(25832))
    return Site("P1", "", shapely.box(-5, -5, 40, 20), frame, {}, dem)


def zone(number, polygon, *, times=1.0, role="home", supply="own_dock", reached_by=None):
    """A zone with the figures of one so many times as long and as wide as its polygon."""
    return {
        "zone_id": f"P1-Z{number}",
        "role": role,
        "area_m2": polygon.area * times**2,
        "perimeter_m": polygon.length * times,
        "slope_p50_percent": 2.0,
        "slope_p95_percent": 4.0,
        "slope_max_percent": 6.0,
        "loop_id": f"P1-L{1 if role != 'detached' else number}",
        "reached_by": reached_by,
        "supply": supply,
        "supply_why": "",
        "hours_week": None,
        "geometry": polygon,
    }


def dock(number, place):
    return {
        "candidate_id": f"P1-D{number}",
        "zone_id": f"P1-Z{number}",
        "chosen": True,
        "feasible": True,
        "geometry": place,
    }


LINK = {
    "link_id": "P1-P1",
    "zone_a": "P1-Z1",
    "zone_b": "P1-Z2",
    "kind": "transit",
    "width_m": 1.2,
    "length_m": 4.0,
    "geometry": LineString([(16, 6), (20, 6)]),
}


def scheduled(site, zones, *, links=(), docks=(), wire=(), cables=(), mower=MOWER, **parameters):
    step = step_named("schedule")
    plan = Plan("P1", site.frame.crs)
    made = {"zones": zones, "links": links, "dock_candidates": docks, "wire_path": wire, "supply_route": cables}
    for name, rows in made.items():
        plan.attach("by hand", StepResult({name: list(rows)}), (name,))
    result = step.compute(site, plan, mower, step.parameters_from(parameters))
    plan.attach("schedule", result, step.writes)
    plan.close()
    return plan


def codes(plan):
    return {row["code"]: row for row in plan.rows("findings")}


def test_a_week_worked_by_hand(site):
    """192 m², 56 m round, cut 0.24 m: u = 0.046 + 0.38 x 0.07 + 0.26 x 0.07 x ln(56² / 3072) = 0.07298, so the effort
    is (20^u - 1) / u = 3.3484. That, at 302.4 m²/h, with 3 s of turning to 30.77 s of driving and 1 % for the slope,
    twice, is 4.713 h; 56 m of edge at 0.35 m/s 2.7 min: 285.5 min, three sessions of 96, 96 and 94."""
    plan = scheduled(site, [zone(1, HOME)], docks=[dock(1, Point(0, 6))], departures=0)
    sessions = plan.rows("schedule")
    assert [(row["weekday"], row["start_time"], row["end_time"]) for row in sessions] == [
        ("Monday", "09:00", "11:36"),  # 70 + 60 + 26
        ("Wednesday", "09:00", "11:36"),
        ("Friday", "09:00", "11:34"),
    ]
    assert [row["edge_pass"] for row in sessions] == [True, False, False]
    assert sum(row["mowing_h"] for row in sessions) == pytest.approx(286 / 60)
    assert "keeps-up" in codes(plan) and "coverage" not in codes(plan)


def test_the_way_to_a_linked_zone_takes_time(site):
    """From (0, 0) along the edge to the mouth at (16, 6) are 22 m, through the passage 4 m: 26 m there, 26 m back."""
    zones = [zone(1, HOME), zone(2, FAR, role="linked", supply="main_wire", reached_by="P1-P1")]
    made = {"links": [LINK], "docks": [dock(1, Point(0, 0))], "departures": 0}
    plan = scheduled(site, zones, **made)
    way = zone_accesses({name: plan.rows(name) for name in ("zones", "links", "dock_candidates")})
    assert (way["P1-Z1"].access_m, way["P1-Z2"].access_m) == pytest.approx((0.0, 26.0))
    assert way["P1-Z2"].entry.equals(Point(20, 6))
    # As many runs of 70 min as it takes, 52 m of way for each, 44 m of edge; in minutes, rounded up.
    mowing = 2 * 60 * zone_mowing_hours(120, 44, cutting_width_m=0.24, speed_mps=0.35, slope_percent=2)
    assert 2 * 70 < mowing < 3 * 70
    mown = sum(row["mowing_h"] for row in plan.select("schedule", zone_id="P1-Z2"))
    assert mown * 60 == pytest.approx(np.ceil(mowing + (3 * 52 + 44) / 0.35 / 60))


def week_values(plan, code):
    return json.loads(codes(plan)[code]["values"])


def test_longest_hours_and_hours_missing(site):
    """9 to 19 holds 5.33 h of mowing a day, 7 to 20 holds 7 h; six days."""
    for times, code, least, most in (
        (2.5, "keeps-up", 25, 32),
        (3, "longest-hours", 32, 42),
        (4, "hours-missing", 60, 70),
    ):
        plan = scheduled(site, [zone(1, HOME, times=times)], departures=0)
        assert code in codes(plan), codes(plan).keys()
        values = week_values(plan, code)
        assert least < values["mowing_h"] < most
        assert values["missing_h"] == pytest.approx(max(0, values["mowing_h"] - 42) * (times == 4), abs=0.02)
        assert (values["area_m2"] <= values["largest_m2"]) == (times < 4)
    assert (
        f"short of {values['missing_h']:.1f} of {values['mowing_h']:.1f} hours" in codes(plan)["hours-missing"]["text"]
    )


def test_what_a_mower_can_not_do_is_told_by_code_and_numbers(site):
    """The wire and the cable are the plan's, as everywhere else."""
    figures = dict.fromkeys(("plan_length_m", "lead_m", "slack_m", "resistance_ohm", "signal_min_ut"), 1.0)
    ring = LineString(HOME.buffer(-0.3).exterior.coords)
    long = {"loop_id": "P1-L1", "source": "dock", "length_m": 250.0, **figures, "geometry": ring}
    cable = {
        "candidate_id": "P1-D1", "length_m": 12.5, "within_limit": True, "geometry": LineString([(0, 6), (-5, 6)])
    }  # fmt: skip
    made = {"docks": [dock(1, Point(0, 6))], "departures": 0, "compare": "small,large"}
    plan = scheduled(site, [zone(1, HOME)], wire=[long], cables=[cable], **made)
    ((_, told),) = week_values(plan, "keeps-up")["compared"]
    (_, small), (_, large) = told["fits"]
    assert small["case"] == "lacks" and large["case"] == "keeps_up"
    assert small["lacks"] == [
        ["mower-lacks", {"case": "loop", "asked": 250.0, "limit": 200.0}],
        ["mower-lacks", {"case": "cable", "asked": 12.5, "limit": 10.0}],
    ]
    assert able_mowers(plan) == ["Estate mower (invented)"]
    advice = codes(plan)["keeps-up"]["advice"]
    assert "can't: a loop of 250 m is more than its 200 m; a supply cable of 12.5 m is more than its 10 m" in advice


def test_no_permitted_hours_at_all(site, tmp_path):
    file = tmp_path / "never.toml"
    file.write_text('title = "never"\n[permitted]\nMonday = []\n')
    plan = scheduled(site, [zone(1, HOME)], quiet_hours=str(file))
    assert plan.rows("schedule") == []
    assert {"no-permitted-hours", "hours-missing"} <= codes(plan).keys()


def test_sprinklers_and_quiet_hours_are_kept(site, tmp_path):
    file = tmp_path / "town.toml"
    file.write_text('title = "town"\n[permitted]\nMonday-Sunday = ["08:00-12:00", "14:00-18:00"]\n')
    plan = scheduled(
        site, [zone(1, HOME, times=3)], quiet_hours=str(file), sprinklers="Monday-Sunday 14:00-15:00", departures=0
    )
    assert plan.rows("schedule")
    for row in plan.rows("schedule"):
        assert row["start_time"] >= "08:00" and (row["end_time"] <= "12:00" or row["start_time"] >= "16:00")
        assert row["end_time"] <= "18:00"


def test_hours_asked_for_are_planned_although_the_example_forbids_them(site):
    plan = scheduled(site, [zone(1, HOME)], weekdays="6", departures=0)
    assert {row["weekday"] for row in plan.rows("schedule")} == {"Sunday"}


def test_a_zone_with_a_mower_of_its_own_does_not_wait(site):
    zones = [zone(1, HOME, times=2.6), zone(2, FAR, times=2.6, role="detached")]
    docks = [dock(1, Point(0, 6)), dock(2, Point(30, 6))]
    one = scheduled(site, zones, docks=docks, departures=0)
    assert {"hours-missing", "mower-carried"} <= codes(one).keys()
    two = scheduled(site, zones, docks=docks, departures=0, own_mowers=True)
    assert not {"hours-missing", "mower-carried"} & codes(two).keys()
    assert {row["zone_id"] for row in two.rows("schedule")} == {"P1-Z1", "P1-Z2"}


def test_a_low_cut_in_a_warm_month_is_mown_more_often(site):
    """38 mm a week at 20 °C, cut to 10 mm: 5 mm may grow, so 7.6 mowings a week instead of 2."""
    temperatures = ",".join(["20"] * 12)
    low, high = (
        scheduled(site, [zone(1, HOME)], cut_height_mm=cut, temperatures_c=temperatures, departures=0)
        for cut in (10, 60)
    )
    assert "growth-fast" in codes(low) and "growth-fast" not in codes(high)
    values = json.loads(codes(low)["growth"]["values"])
    assert values["mowings_week"] == pytest.approx(7.6, abs=0.05)
    assert values["basis"] == ["growth-basis", {"case": "given"}]
    hours = [sum(row["mowing_h"] for row in plan.rows("schedule")) for plan in (low, high)]
    edge = HOME.length / 0.35 / 3600
    assert (hours[0] - edge) / (hours[1] - edge) == pytest.approx(3.8, rel=0.02)


def test_assumed_temperatures_are_said(site):
    finding = codes(scheduled(site, [zone(1, HOME)], departures=0))["growth"]
    assert "temperatures assumed for 48° north" in finding["text"]
    assert json.loads(finding["values"])["basis"][1]["case"] == "assumed"


def test_mowers_are_compared_with_their_price(site):
    plan = scheduled(site, [zone(1, HOME, times=4)], departures=0, compare="small,large", compare_prices="500,2500")
    advice = codes(plan)["hours-missing"]["advice"]
    assert "Small garden mower (invented) can't: it would mow" in advice and ", 500 each" in advice
    assert ", 2500 each" in advice


def test_a_zone_narrower_than_the_cut_is_said(site):
    plan = scheduled(site, [zone(1, HOME), zone(2, shapely.box(20, 0, 30, 0.2), role="detached")])
    finding = codes(plan)["zone-too-narrow"]
    assert json.loads(finding["values"])["zone_id"] == "P1-Z2" and not finding["geometry"].is_empty
    assert {row["sets_out"] for row in plan.select("schedule", zone_id="P1-Z2")} == {None}


def test_no_zone_no_week(site):
    plan = scheduled(site, [])
    assert plan.rows("schedule") == [] and plan.rows("findings") == []


def test_the_raster_holds_the_chance_of_each_place(site):
    zones = [zone(1, HOME), zone(2, FAR, role="linked", supply="main_wire", reached_by="P1-P1")]
    plan = scheduled(site, zones, links=[LINK], docks=[dock(1, Point(0, 6))])
    grid = coverage_grid(site, plan)
    x, y = np.meshgrid(*grid.cell_centres)
    inside = shapely.contains_xy(shapely.union_all([HOME, FAR]), x, y)
    known = np.isfinite(grid.values)
    assert (known == inside).mean() > 0.98
    assert np.nanmin(grid.values) >= 0 and np.nanmax(grid.values) <= 1
    assert np.nanmean(grid.values) == pytest.approx(0.93, abs=0.03)
    assert coverage_grid(site, scheduled(site, zones, links=[LINK], departures=0)) is None


def test_the_same_seed_makes_the_same_plan(site):
    one, two = (scheduled(site, [zone(1, HOME)], docks=[dock(1, Point(0, 6))], seed=3) for _ in range(2))
    assert one.rows("schedule") == two.rows("schedule")
    assert [row["text"] for row in one.rows("findings")] == [row["text"] for row in two.rows("findings")]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        *(("start_h", 25), ("end_h", -1), ("weekdays", "8"), ("weekdays", "Monday"), ("sprinklers", "at noon")),
        *(("quiet_hours", "nowhere.toml"), ("sprinkler_dry_h", -1), ("cut_height_mm", 0), ("growth_mm_week", 0)),
        *(("temperatures_c", "1,2,3"), ("grass", "plastic"), ("own_mowers", "perhaps"), ("departures", -1)),
        *(("seed", -1), ("thin_chance", 1.5), ("compare", "tractor"), ("compare_prices", "-5"), ("hours", 3)),
    ],
)
def test_parameters_that_cannot_be_are_refused_by_name(name, value):
    with pytest.raises(ParameterError, match=name):
        step_named("schedule").parameters_from({name: value})
