"""Trunks about as thick, and things about as high, as may be bumped: asked for, and the answer decides."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import site_of, steps_until

from lawngis.mower import built_in_profile
from lawngis.prices import price_book_from
from lawngis.processing.derived.ground_doubt import doubts
from lawngis.processing.measured.overrides import Override
from lawngis.processing.steps.workflow import Settings, planned

MOWER = built_in_profile()
MIDDLE = Point(10, 6)
LEAST_M, SD_M = MOWER.rigid_trunk_min_m, 0.03


def with_trunk(trunk_m, *overrides, at=MIDDLE):
    layers = {"trees": {"geometry": [at], "trunk_diameter_m": [trunk_m], "crown_diameter_m": [3.0]}}
    site = site_of(box(0, 0, 20, 12), layers=layers)
    plan = planned(site, steps_until("keepouts"), Settings(MOWER, {}, overrides)).plan
    plan.close()
    return plan


def checks(plan):
    return [row for row in plan.rows("visit_checks") if row["code"] == "trunk"]


@pytest.mark.parametrize(("trunk_m", "treatment", "other_m"), [(0.16, "bump", 0.14), (0.14, "island", 0.17)])
def test_a_trunk_near_the_limit_is_asked_for_and_the_answer_decides(trunk_m, treatment, other_m):
    plan = with_trunk(trunk_m)
    (check,) = checks(plan)
    assert [row["treatment"] for row in plan.rows("keepouts")] == [treatment]
    assert check["flip_probability"] == pytest.approx(norm.sf(abs(trunk_m - LEAST_M) / SD_M))
    assert (check["target_layer"], check["target_column"], check["unit"]) == ("trees", "trunk_diameter_m", "m")
    answer = Override("trees", "", "trunk_diameter_m", f"{other_m}", "tape", check["geometry"])
    measured = with_trunk(trunk_m, answer)
    assert [row["treatment"] for row in measured.rows("keepouts")] == [{"bump": "island", "island": "bump"}[treatment]]
    assert not checks(measured)


def test_chances_are_those_of_trunks_that_are_drawn():
    rng = np.random.default_rng(2)
    truth = rng.uniform(0.02, 0.4, 400_000)
    maps = truth + rng.normal(0, SD_M, len(truth))
    alike = np.abs(maps - 0.17) < 0.002
    (check,) = checks(with_trunk(0.17))
    assert check["flip_probability"] == pytest.approx((truth[alike] < LEAST_M).mean(), abs=0.02)


def test_what_is_sure_unknown_or_outside_anyway_is_not():
    assert not checks(with_trunk(LEAST_M + 2 * SD_M)) and not checks(with_trunk(LEAST_M - 2 * SD_M))
    assert not checks(with_trunk(None)), "of unknown trunk it gets an island, the careful side"
    assert not checks(with_trunk(0.16, at=Point(0.05, 6)))


@pytest.mark.parametrize(("away_m", "case"), [(0.8, "tight"), (1.05, "room")])
def test_room_beside_a_trunk_is_asked_for_where_it_is_about_what_the_mower_needs(away_m, case):
    plan = with_trunk(0.4, at=Point(away_m + 0.2, 6))
    (check,) = (row for row in plan.rows("visit_checks") if row["code"] == "trunk-gap")
    assert json.loads(check["values"])["case"] == case and check["value"] == pytest.approx(away_m, abs=0.01)
    chance = norm.sf(abs(check["value"] - MOWER.passage_transit_min_m) / (0.1 * np.sqrt(2)))
    assert check["flip_probability"] == pytest.approx(chance, abs=1e-6)
    assert [row["treatment"] for row in plan.rows("keepouts")] == ["outside" if case == "tight" else "bump"]


def test_room_without_doubt_is_not_asked_for():
    assert not [row for row in with_trunk(0.4).rows("visit_checks") if row["code"] == "trunk-gap"]


def with_thing(layer, shape, columns, *overrides):
    site = site_of(box(0, 0, 20, 12), layers={layer: {"geometry": [shape], **{k: [v] for k, v in columns.items()}}})
    plan = planned(site, steps_until("keepouts"), Settings(MOWER, {}, overrides)).plan
    plan.close()
    asked = [row for row in plan.rows("visit_checks") if row["code"] == "bump-height"]
    return [row["treatment"] for row in plan.rows("keepouts")], asked


THINGS = (
    ("obstacles", box(9, 5, 10, 6), {"rigid": True}),
    ("barriers", LineString([(8, 6), (12, 6)]), {"kind": "kerb"}),
)


@pytest.mark.parametrize(("layer", "shape", "columns"), THINGS)
@pytest.mark.parametrize(
    ("height_m", "treatment", "case", "other_m"),
    [(0.17, "bump", "bumped", 0.12), (0.13, "island", "island", 0.18), (None, "island", "unknown", 0.2)],
)
def test_a_thing_about_as_high_as_is_felt_or_of_unknown_height_is_asked_for(
    layer, shape, columns, height_m, treatment, case, other_m
):
    treatments, (check,) = with_thing(layer, shape, {**columns, "height_m": height_m})
    assert treatments == [treatment] and json.loads(check["values"])["case"] == case
    chance = 0.5 if height_m is None else norm.sf(abs(height_m - MOWER.bump_height_min_m) / 0.03)
    assert check["flip_probability"] == pytest.approx(chance)
    assert (check["target_layer"], check["target_column"], check["unit"]) == (layer, "height_m", "m")
    answer = Override(layer, "", "height_m", f"{other_m}", "ruler", check["geometry"])
    other = {"bump": "island", "island": "bump"}[treatment]
    assert with_thing(layer, shape, {**columns, "height_m": height_m}, answer) == ([other], [])


@pytest.mark.parametrize(
    ("layer", "shape", "columns", "treatment"),
    [
        ("obstacles", box(9, 5, 10, 6), {"rigid": True, "height_m": 0.3}, "bump"),
        ("obstacles", box(9, 5, 10, 6), {"rigid": True, "height_m": 0.05}, "island"),
        ("obstacles", box(9, 5, 10, 6), {"rigid": False, "height_m": 1.0}, "island"),
        ("obstacles", box(9, 5, 10, 6), {"rigid": False, "height_m": None}, "island"),
        ("obstacles", box(9, 5, 10, 6), {"rigid": None, "height_m": 1.0}, "island"),
        ("obstacles", box(-1, 5, 1, 6), {"rigid": True, "height_m": None}, "outside"),
        ("barriers", LineString([(8, 6), (12, 6)]), {"kind": "hedge", "height_m": None}, "island"),
        ("barriers", LineString([(8, 6), (12, 6)]), {"kind": "wall", "height_m": 1.2}, "bump"),
    ],
)
def test_things_that_are_surely_felt_low_or_soft_are_not_asked_for(layer, shape, columns, treatment):
    assert with_thing(layer, shape, columns) == ([treatment], [])


def test_a_kerb_that_the_wheel_rolls_over_is_nothing():
    assert with_thing("barriers", LineString([(8, 6), (12, 6)]), {"kind": "kerb", "height_m": 0.02}) == ([], [])


def test_a_trunk_in_doubt_takes_no_wire_where_nothing_is_mown():
    plan = with_trunk(0.16)
    assert checks(plan) and not plan.rows("zones")
    assert doubts(site_of(box(0, 0, 20, 12)), plan, MOWER, price_book_from()) == []
