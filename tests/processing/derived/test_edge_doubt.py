"""What else may lie beyond an edge: against places of features that are drawn again."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import plan_of, site_of, steps_until

from lawngis.mower import built_in_profile
from lawngis.processing.derived.edge_doubt import stretch_looked_at
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.site import DataAccuracy
from lawngis.processing.steps.workflow import Settings, planned

MOWER = built_in_profile()
PARCEL = box(0, 0, 20, 12)
REACH_M = 0.25
SD_M = 0.10 * np.sqrt(2)
"""Parcel and barrier are two features: their shifts and corners add up."""


def edge_plan(barriers=(), kinds=(), accuracy=None, **layers):
    """A parcel that is all lawn by its layers, and barriers at or beyond its boundary."""
    drawn = {"barriers": {"geometry": list(barriers), "kind": list(kinds)}} if barriers else {}
    site = site_of(PARCEL, parcel=PARCEL, layers={**drawn, **layers})
    site = replace(site, layers={name: table for name, table in site.layers.items() if name != "lawns"})
    if accuracy is not None:
        site = replace(site, accuracy=accuracy)
    plan = plan_of(site, until="edges")
    plan.close()
    return plan


def beside(away_m, kind):
    """A barrier so far beyond the eastern boundary; one that falls away does so to the east."""
    return edge_plan([LineString([(20 + away_m, -5), (20 + away_m, 17)])], [kind])


def doubts(plan):
    return [row for row in plan.rows("visit_checks") if row["code"] in ("edge-neighbour", "edge-danger")]


def within_reach(away_m):
    return norm.cdf((REACH_M - away_m) / SD_M)


def side(plan):
    """Class of the eastern edge."""
    lines = [(row["geometry"].distance(box(19.9, 5, 20.1, 6)), row["edge_class"]) for row in plan.rows("edges")]
    return min(lines)[1]


@pytest.mark.parametrize("away_m", [0.28, 0.35, 0.45])
def test_a_wall_just_out_of_reach_is_asked_about_with_its_chance(away_m):
    plan = beside(away_m, "wall")
    (check,) = doubts(plan)
    assert side(plan) == "boundary" and check["code"] == "edge-neighbour"
    assert (check["value"], check["sd"], check["limit_value"]) == pytest.approx((away_m, SD_M, REACH_M), abs=1e-6)
    assert check["flip_probability"] == pytest.approx(within_reach(away_m), abs=1e-6)
    values = json.loads(check["values"])
    assert (values["edge_class"], values["other"]) == ("boundary", "raised")
    assert values["length_m"] == pytest.approx(12.0, abs=1.0)


def test_chances_are_those_of_walls_that_are_drawn_again():
    """Of walls that stand anywhere and that maps show 0.32 m off, so many lie within reach in truth."""
    rng = np.random.default_rng(5)
    truth = rng.uniform(-0.5, 1.2, 800_000)
    maps = truth + rng.normal(0, 0.1, len(truth)) - rng.normal(0, 0.1, len(truth))
    alike = np.abs(maps - 0.32) < 0.01
    (check,) = doubts(beside(0.32, "wall"))
    assert check["flip_probability"] == pytest.approx((truth[alike] <= REACH_M).mean(), abs=0.02)


@pytest.mark.parametrize("away_m", [0.06, 0.22])
def test_a_wall_just_within_reach_may_lie_beyond(away_m):
    plan = beside(away_m, "wall")
    (check,) = doubts(plan)
    assert side(plan) == "raised" and json.loads(check["values"])["other"] == "boundary"
    assert check["flip_probability"] == pytest.approx(1 - within_reach(away_m), abs=1e-6)


@pytest.mark.parametrize("away_m", [0.0, 0.005, 0.62])
def test_a_wall_drawn_onto_the_boundary_or_far_off_is_not_asked_about(away_m):
    assert not doubts(beside(away_m, "wall"))


@pytest.mark.parametrize("away_m", [0.30, 0.60, 0.68])
def test_a_drop_that_may_lie_within_reach_is_a_danger_from_a_chance_of_one_in_a_thousand(away_m):
    plan = beside(away_m, "drop")
    (check,) = doubts(plan)
    assert side(plan) == "boundary" and check["code"] == "edge-danger"
    assert check["flip_probability"] == pytest.approx(within_reach(away_m), abs=1e-6)
    assert check["at_stake"] is None and check["weight"] == 1.0


def test_a_drop_beyond_what_is_in_doubt_is_not_asked_about():
    assert not doubts(beside(REACH_M + 3.2 * SD_M, "drop"))


def test_a_drop_that_falls_away_towards_the_lawn_rises_before_it():
    away = edge_plan([LineString([(20.3, 17), (20.3, -5)])], ["drop"])
    (check,) = doubts(away)
    assert check["code"] == "edge-neighbour" and json.loads(check["values"])["other"] == "raised"


def test_water_that_may_lie_within_reach_is_a_danger():
    pond = box(20.4, 3, 25, 9)
    (check,) = doubts(edge_plan(water={"geometry": [pond], "kind": ["pond"]}))
    assert check["code"] == "edge-danger" and json.loads(check["values"])["length_m"] == pytest.approx(6.0, abs=1.1)


def test_a_drop_in_the_map_that_may_be_none_is_looked_at_once_as_each_drop_is():
    plan = beside(0.24, "drop")
    assert not doubts(plan)
    assert [row["code"] for row in plan.rows("visit_checks")].count("drop-edge") == 1


def test_one_thing_along_several_edges_is_asked_about_once():
    bent = LineString([(20.35, 17), (20.35, 6), (20.36, 5.9), (20.35, -5)])
    beds = {"beds": {"geometry": [box(19, -1, 21, 0.001)], "kind": ["flowers"]}}
    assert len(doubts(edge_plan([bent], ["fence"], **beds))) == 1


def test_an_edge_along_a_hedge_is_sure_of_the_hedge():
    """Its keep-out ends 0.4 m before its line, which the edge can't lose by any shift."""
    plan = edge_plan([LineString([(20, 17), (20, -5)])], ["hedge"])
    assert not doubts(plan)


def test_without_any_error_nothing_is_asked():
    line = LineString([(20.26, 17), (20.26, -5)])
    assert not doubts(edge_plan([line], ["wall"], DataAccuracy(position_sd_m=0)))


def test_what_somebody_looked_at_is_not_asked_again():
    plan = beside(0.32, "wall")
    (check,) = doubts(plan)
    site = site_of(
        PARCEL,
        parcel=PARCEL,
        layers={"barriers": {"geometry": [LineString([(20.32, 17), (20.32, -5)])], "kind": ["wall"]}},
    )
    site = replace(site, layers={name: table for name, table in site.layers.items() if name != "lawns"})
    answer = Override("edges", check["target_id"], "edge_class", "raised", "", check["geometry"])
    after = planned(site, steps_until("edges"), Settings(MOWER, {}, (answer,))).plan
    after.close()
    assert not doubts(after) and side(after) == "raised"


def test_what_is_looked_at_from_two_sides_of_a_corner_is_a_place_and_no_line():
    """Two real plots failed: the layer of what is looked at had a line of two points that are one."""
    corner = Point(3.0, 4.0)
    assert stretch_looked_at([corner]) is None
    assert stretch_looked_at([corner, Point(3.0 + 1e-8, 4.0)]) is None
    assert stretch_looked_at([corner, corner, Point(3.5, 4.0)]).is_valid
