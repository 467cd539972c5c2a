"""Near misses: what is asked of places that just serve or just don't, and that the answer changes the plan."""

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.stats import norm
from shapely import Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import site_of, steps_until

from lawngis.lawn.widths import WAVE_M
from lawngis.mower import built_in_profile
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.site import DataAccuracy
from lawngis.processing.steps.workflow import Settings, planned

MOWER = built_in_profile()
MOWN = MOWER.passage_mow_min_m
WEST, EAST = box(0, 0, 12, 10), box(16, 0, 24, 10)
CORNER_SD_M = 0.10 * np.sqrt(0.36)
SD_M = np.sqrt(CORNER_SD_M**2 + WAVE_M**2 / 2)
"""Both sides of a surveyed lawn shift alike, and have two corners each: the mean of two widths, off by √2 corners."""


def found(lawn, *overrides, layers=None, accuracy=None, until="zones"):
    site = site_of(lawn, layers=layers)
    if accuracy is not None:
        site = replace(site, accuracy=accuracy)
    plan = planned(site, steps_until(until), Settings(MOWER, {}, overrides)).plan
    plan.close()
    return plan


def checks(plan, *codes):
    return [row for row in plan.rows("visit_checks") if row["code"] in codes]


def joined(width_m):
    return shapely.union_all([WEST, box(12, 5 - width_m / 2, 16, 5 + width_m / 2), EAST])


# --- widths -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width_m", [1.61, 1.65, 1.69])
def test_a_place_just_wide_enough_is_asked_about_with_its_chance(width_m):
    (check,) = checks(found(joined(width_m)), "narrow-place")
    assert (check["value"], check["sd"]) == (pytest.approx(width_m, abs=0.005), pytest.approx(SD_M))
    assert check["flip_probability"] == pytest.approx(norm.sf((check["value"] - MOWN) / SD_M), abs=1e-6)
    assert (check["limit_value"], check["target_layer"], check["target_column"]) == (MOWN, "links", "width_m")
    assert json.loads(check["values"])["case"] == "parts"


def test_a_place_wide_enough_without_doubt_is_not():
    assert not checks(found(joined(MOWN + 2.0 * SD_M)), "narrow-place")


def test_chances_are_those_of_truths_that_are_drawn():
    """Maps of one lawn whose sides are drawn with errors: of those that say 1.65 m so many are narrower in truth."""
    rng = np.random.default_rng(11)
    truth = rng.uniform(0.9, 2.4, 400_000)
    corners = rng.normal(0, CORNER_SD_M, (2, 2, len(truth)))
    map_m = truth + corners[1] - corners[0]
    alike = (np.abs(map_m - 1.65) < 0.02).all(axis=0)
    (check,) = checks(found(joined(1.65)), "narrow-place")
    assert check["flip_probability"] == pytest.approx((truth[alike] < MOWN).mean(), abs=0.02)


def test_ends_that_differ_by_no_more_than_their_errors_are_one_width():
    """1.58 and 1.66 m at the two ends of 4 m: transit on the map, but mown by the mean of 1.62 m."""
    narrow = shapely.Polygon([(12, 4.21), (16, 4.17), (16, 5.83), (12, 5.79)])
    plan = found(shapely.union_all([WEST, narrow, EAST]))
    (link,) = plan.rows("links")
    (check,) = checks(plan, "passage-width")
    assert link["kind"] == "transit" and link["width_m"] == pytest.approx(1.58, abs=0.005)
    assert check["value"] == pytest.approx(1.62, abs=0.005)
    apart = np.hypot(SD_M, 1.62 - 1.58)
    assert check["flip_probability"] == pytest.approx(norm.cdf((1.62 - MOWN) / apart), abs=0.03)
    assert check["flip_probability"] > 0.5


@pytest.mark.parametrize(("measured", "zones", "kinds"), [(1.5, 2, ["transit"]), (0.8, 2, ["blocked"]), (1.8, 1, [])])
def test_the_answer_changes_the_plan_and_is_not_asked_for_again(measured, zones, kinds):
    (check,) = checks(found(joined(1.65)), "narrow-place")
    answer = Override("links", "", "width_m", f"{measured}", "tape", check["geometry"])
    plan = found(joined(1.65), answer)
    assert not [row for row in plan.rows("findings") if row["severity"] == "stop"]
    assert len(plan.rows("zones")) == zones and [row["kind"] for row in plan.rows("links")] == kinds
    assert not checks(plan, "narrow-place")


def test_an_answer_as_the_map_has_it_settles_the_check():
    plan = found(joined(1.65), Override("links", "", "width_m", "1.65", "tape", Point(14, 5)))
    assert len(plan.rows("zones")) == 1 and not checks(plan, "narrow-place")
    assert not [row for row in plan.rows("findings") if row["severity"] == "stop"]


@pytest.mark.parametrize(("gap_m", "case"), [(1.55, "by_hand"), (1.65, "mown")])
def test_a_gap_beside_an_island_is_asked_about_and_the_answer_moves_the_outline(gap_m, case):
    lawn = box(0, 0, 20, 12).difference(box(gap_m, 4, 5, 7))
    plan = found(lawn)
    (check,) = checks(plan, "narrow-place")
    assert json.loads(check["values"])["case"] == case
    by_hand = sum(row["area_m2"] for row in plan.rows("hand_mow"))
    other = found(lawn, Override("links", "", "width_m", f"{3.2 - gap_m}", "", check["geometry"]))
    assert (by_hand > 1) == (case == "by_hand")
    assert (sum(row["area_m2"] for row in other.rows("hand_mow")) > 1) == (case == "mown")


def test_without_any_error_nothing_is_asked():
    assert not checks(found(joined(1.61), accuracy=DataAccuracy(position_sd_m=0)), "narrow-place", "passage-width")


# --- crossings ----------------------------------------------------------------------------------------------


def over_paving(length_m, *overrides, width_m=10.0):
    """Two lawns on both sides of a path, as it is mapped; the second reaches the path along a width."""
    lawns = [box(0, 0, 12, 10), box(12 + length_m, 5 - width_m / 2, 24, 5 + width_m / 2)]
    path = box(12, 5 - width_m / 2, 12 + length_m, 5 + width_m / 2)
    return found(lawns, *overrides, layers={"hard_surfaces": {"geometry": [path], "use": ["path"], "level": ["flush"]}})


@pytest.mark.parametrize(("length_m", "case"), [(1.95, "crossed"), (2.05, "parted")])
def test_a_crossing_about_as_long_as_may_be_is_asked_about_and_the_answer_decides(length_m, case):
    plan = over_paving(length_m)
    (check,) = checks(plan, "crossing-length")
    assert json.loads(check["values"])["case"] == case
    assert check["value"] == pytest.approx(length_m, abs=0.001) and check["limit_value"] == 2.0
    assert check["flip_probability"] == pytest.approx(norm.sf(abs(length_m - 2.0) / check["sd"]), abs=0.01)
    assert [row["role"] for row in plan.rows("zones")] == ["home", "linked" if case == "crossed" else "detached"]
    answer = "blocked" if case == "crossed" else "crossing"
    other = over_paving(length_m, Override("links", check["target_id"] or "", "kind", answer, "", check["geometry"]))
    assert [row["role"] for row in other.rows("zones")] == ["home", "detached" if case == "crossed" else "linked"]
    assert not checks(other, "crossing-length")


@pytest.mark.parametrize(("width_m", "case"), [(0.98, "crossed"), (0.85, "parted")])
def test_a_crossing_about_as_wide_as_the_mower_is_asked_about(width_m, case):
    lawns = [box(0, 0, 12, 10), box(13.5, 0, 24, 10)]
    path = box(12, 5 - width_m / 2, 13.5, 5 + width_m / 2)
    layers = {"hard_surfaces": {"geometry": [path], "use": ["path"], "level": ["flush"]}}
    (check,) = checks(found(lawns, layers=layers), "crossing-width")
    assert json.loads(check["values"])["case"] == case and check["value"] == pytest.approx(width_m, abs=0.02)
    other_m = 0.85 if case == "crossed" else 1.0
    answer = Override("links", check["target_id"] or "", "width_m", f"{other_m}", "tape", check["geometry"])
    other = found(lawns, answer, layers=layers)
    assert [row["role"] for row in other.rows("zones")] == ["home", "detached" if case == "crossed" else "linked"]
    assert not checks(other, "crossing-width")


def test_a_crossing_short_and_wide_without_doubt_is_not():
    assert not checks(over_paving(1.2), "crossing-length", "crossing-width")


def through_an_opening(depth_m):
    """Lawn, 1.5 m of path, and a lawn that reaches that by an opening 1.2 m wide between two beds."""
    east = 13.5 + depth_m
    lawns = [box(0, 0, 12, 10), shapely.union(box(east, 0, 26, 10), box(13.5, 4.4, east, 5.6))]
    layers = {"hard_surfaces": {"geometry": [box(12, 0, 13.5, 10)], "use": ["path"], "level": ["flush"]}}
    return found(lawns, layers=layers)


def test_a_crossing_that_begins_in_a_nook_is_asked_about_by_how_deep_that_is():
    """By hand: discs of 0.8 m come 0.27 m into it; their zone goes 1.6 m from their middles, to corners 0.95 m deep."""
    assert [row["role"] for row in through_an_opening(0.6).rows("zones")] == ["home", "linked"]
    chances = []
    for depth_m in (1.0, 1.1):
        plan = through_an_opening(depth_m)
        assert [row["role"] for row in plan.rows("zones")] == ["home", "detached"]
        (check,) = checks(plan, "crossing-length")
        assert json.loads(check["values"])["case"] == "parted" and check["value"] == pytest.approx(1.5, abs=0.01)
        chances.append(check["flip_probability"])
    deep_m = np.array([np.hypot(depth_m + np.sqrt(0.8**2 - 0.6**2), 0.6) for depth_m in (1.0, 1.1)]) - 1.6
    assert chances == pytest.approx(norm.sf(deep_m / (0.1 * np.sqrt(2))), abs=0.02)
    assert not checks(through_an_opening(2.0), "crossing-length", "crossing-width")


def test_the_shortest_way_over_a_path_that_came_out_uneven_is_no_shorter_than_the_path():
    """1.94 m at one end and 2.10 m at the other, each off by √2 · 6 cm: a crossing, but 2.02 m in the mean."""
    path = shapely.Polygon([(12, 0), (13.94, 0), (14.10, 10), (12, 10)])
    lawns = [box(0, 0, 12, 10), shapely.Polygon([(13.94, 0), (26, 0), (26, 10), (14.10, 10)])]
    layers = {"hard_surfaces": {"geometry": [path], "use": ["path"], "level": ["flush"]}}
    plan = found(lawns, layers=layers)
    (check,) = checks(plan, "crossing-length")
    assert json.loads(check["values"])["case"] == "crossed"
    assert check["value"] == pytest.approx(2.02, abs=0.01) and check["flip_probability"] > 0.5
