"""The measurement of trust itself: errors as large as said, decisions matched by place, scores by hand."""

from __future__ import annotations

from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import trust_scores as scores
from shapely import LineString, MultiPoint, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from trust_decisions import LAYERS, Check, Decision, PlanOfGarden, decisions, passage_kind, stated_chance
from trust_gardens import QUALITIES, TRUTH, Feature, Garden, garden, mapped, random_field

from lawngis.mower import built_in_profile

MOWER = built_in_profile()
HERE, FAR = Point(0, 0), Point(50, 0)


def check(code: str, at: BaseGeometry = HERE, chance: float = 0.3, limit: float = np.nan) -> Check:
    return Check("V", code, at, 1.5, 0.2, limit, chance)


def decision(kind: str, *, wrong: bool, at: BaseGeometry = HERE, limits: tuple[float, ...] = ()) -> Decision:
    return Decision(kind, at, "mown", "driven" if wrong else "mown", limits)


# --- gardens and maps -------------------------------------------------------------------------------------


def test_random_field_has_its_sd_and_correlation():
    rng = np.random.default_rng(3)
    fields = np.stack([random_field((60, 60), 1.0, 0.1, 3.0, rng) for _ in range(60)])
    assert fields.std() == pytest.approx(0.1, rel=0.05)
    for apart in (1, 3, 6):
        along = np.mean(fields[:, :, apart:] * fields[:, :, :-apart]) / 0.01
        down = np.mean(fields[:, apart:] * fields[:, :-apart]) / 0.01
        assert along == pytest.approx(np.exp(-apart / 3), abs=0.05)
        assert down == pytest.approx(np.exp(-apart / 3), abs=0.05)


def test_vertices_are_off_by_the_named_sd_and_features_share_half_and_a_quarter():
    square = [Feature("beds", box(0, 0, 9, 9)), Feature("beds", box(20, 0, 29, 9))]
    quality = QUALITIES["middling"]
    draws = [mapped(square, quality, True, np.random.default_rng(draw)) for draw in range(3000)]
    xy = np.array([[np.asarray(item.shape.exterior.coords)[:4] for item in features] for features in draws])
    off = xy - xy.mean(axis=0)
    assert off.std(axis=0) == pytest.approx(np.full((2, 4, 2), 0.20), rel=0.06)
    same_feature = np.mean(off[:, 0, 0] * off[:, 0, 2]) / 0.04
    other_feature = np.mean(off[:, 0, 0] * off[:, 1, 0]) / 0.04
    assert same_feature == pytest.approx(0.75, abs=0.05)
    assert other_feature == pytest.approx(0.25, abs=0.05)


def test_rings_stay_closed_and_the_truth_stays_as_it_is():
    lot = garden(1, 2)
    for feature in mapped(lot.features, QUALITIES["poor"], True, np.random.default_rng(1)):
        assert feature.shape.is_valid
    assert mapped(lot.features, TRUTH, True, np.random.default_rng(1)) == lot.features


def test_banks_rise_by_their_slope():
    lot = Garden(0.0, ramps=[(1, 10.0, 4.0, 30.0)], tilt_percent=(0.0, 2.0))
    y = np.array([11.9, 12.1, 2.0, 3.0])
    height = lot.ground_m(np.zeros(4), y)
    assert (height[1] - height[0]) / 0.2 == pytest.approx(0.32, abs=0.001)
    assert height[3] - height[2] == pytest.approx(0.02, abs=1e-6)


# --- checks and decisions ---------------------------------------------------------------------------------


def test_a_check_settles_what_it_asks_about_near_by():
    narrow = decision("passage", wrong=True)
    assert check("passage-width").about(narrow)
    assert not check("passage-width", FAR).about(narrow)
    assert not check("edge-class").about(narrow)
    assert not check("never-heard-of").about(narrow)


def test_a_check_of_another_limit_settles_nothing():
    along_wire = decision("wire slope", wrong=True, limits=(20.0,))
    assert not check("ground-slope", limit=35.0).about(along_wire)
    assert check("ground-slope", limit=20.0).about(along_wire)
    assert check("slope-unknown").about(along_wire)


def test_a_check_of_an_edge_says_nothing_of_the_next_one_round_the_corner():
    south, east = LineString([(0, 0), (9, 0)]), LineString([(9, 0), (9, 9)])
    part = MultiPoint([(x, 0.2) for x in (7.0, 7.5, 8.0)])
    asked = check("edge-neighbour", south)
    assert asked.about(decision("edge", wrong=False, at=south)) and asked.about(decision("edge", wrong=True, at=part))
    assert not asked.about(decision("edge", wrong=False, at=east))


def test_a_height_beside_an_edge_is_a_danger_where_the_ground_may_fall():
    assert check("edge-height", limit=-0.5).settles[0] == "edge danger"
    assert check("edge-height", limit=0.05).settles[0] == "edge"


def test_chances_of_readings_count_once_and_of_limits_add_up():
    both = [check("x", chance=0.2, limit=1.6), check("x", chance=0.3, limit=1.6), check("x", chance=0.1, limit=0.9)]
    assert stated_chance(both) == pytest.approx(0.4)
    assert stated_chance([]) == 0


def plan(**layers: list[dict[str, Any]]) -> PlanOfGarden:
    """A plan with nothing but the rows given; columns that are asked for are there."""
    columns = (
        "surface", "kind", "reason", "treatment", "edge_class", "setback_m", "length_m", "role", "supply", "chosen",
        "heading_deg", "slope_percent", "failed", "within_limit",
    )  # fmt: skip
    given = {"summary": [{"status": "planned", "missing_hours_week": 0.0}], **layers}
    tables: dict[str, pd.DataFrame] = {}
    for layer in LAYERS:
        frame = pd.DataFrame(given.get(layer, [])).reindex(
            columns=sorted({*columns, "geometry", *(key for row in given.get(layer, []) for key in row)})
        )
        tables[layer] = frame if layer == "summary" else geopandas.GeoDataFrame(frame, geometry="geometry")
    return PlanOfGarden(tables)


def link(kind: str, line: LineString) -> dict[str, Any]:
    return {"kind": kind, "surface": "lawn", "geometry": line}


def test_a_passage_that_one_plan_sees_as_open_lawn_is_matched_with_it():
    lot = Garden(0.0, [Feature("parcels", box(-10, -10, 10, 10))], passages=[LineString([(0, -1), (0, 1)])])
    lawn = {"geometry": box(-10, -10, 10, 10)}
    truth = plan(zones=[lawn], lawn=[lawn])
    found = plan(links=[link("transit", LineString([(0.2, -2), (0.2, 2)]))], lawn=[lawn])
    of_passages = [made for made in decisions(lot, truth, found, [], MOWER) if made.kind == "passage"]
    assert [(made.truth, made.found) for made in of_passages] == [("mown", "driven")]
    narrowed = plan(
        links=[found.rows("links").iloc[0].to_dict()], keepouts=[{"reason": "steep", "geometry": HERE.buffer(1)}]
    )
    assert [made.kind for made in decisions(lot, truth, narrowed, [], MOWER) if "passage" in made.kind] == [
        "steep passage"
    ]


def test_what_is_cut_off_by_hand_is_closed_and_what_is_no_lawn_no_decision():
    narrow = plan(hand_mow=[{"reason": "narrow", "geometry": box(-1, -1, 1, 1)}])
    assert passage_kind(narrow, HERE) == "closed"
    assert passage_kind(plan(), HERE) is None


def edge(edge_class: str, setback_m: float, *xy: tuple[float, float]) -> dict[str, Any]:
    line = LineString(xy)
    return {"edge_class": edge_class, "setback_m": setback_m, "length_m": line.length, "geometry": line}


def test_an_edge_is_wrong_along_the_run_with_another_setback():
    truth = plan(edges=[edge("boundary", 0.30, (0, 0), (20, 0))])
    found = plan(
        edges=[
            edge("boundary", 0.30, (0, 0.2), (12, 0.2)),
            edge("drop", 0.35, (12, 0.2), (17, 0.2)),
            edge("boundary", 0.30, (17, 0.2), (20, 0.2)),
            # cuts across meet the edge, and are no part of it
            *(edge("raised", 0.35, (x, -0.3), (x, 5)) for x in np.arange(4, 7, 0.2)),
        ]
    )
    lot = Garden(0.0, [Feature("parcels", box(-10, -10, 10, 10))])
    made = [item for item in decisions(lot, truth, found, [], MOWER) if item.kind.startswith("edge")]
    assert [(item.kind, item.truth, item.found) for item in made] == [("edge danger", "boundary", "drop")]
    assert made[0].ground.bounds == pytest.approx((12, 0, 17, 0), abs=0.3)


def test_steep_ground_is_wrong_when_much_of_a_bank_is_judged_otherwise():
    lot = Garden(0.0, [Feature("parcels", box(-10, -10, 10, 10))], banks=[box(-10, 2, 10, 5)])
    lawn = {"geometry": box(-10, -10, 10, 10)}
    steep = {"reason": "steep", "geometry": box(-9, 2, 9, 5)}
    nearly = {"reason": "steep", "geometry": box(-9, 2, 9, 4.6)}
    for kept, wrong in ((steep, False), (nearly, False), ({"reason": "bed", "geometry": HERE.buffer(1)}, True)):
        made = decisions(lot, plan(lawn=[lawn], keepouts=[steep]), plan(lawn=[lawn], keepouts=[kept]), [], MOWER)
        assert [(item.wrong, item.harm) for item in made if item.kind == "steep"] == [(wrong, wrong)]


@pytest.mark.parametrize(("beside", "right"), [(None, "allowed"), ("straight wire behind 0.8 m", "refused")])
def test_a_dock_is_refused_where_nothing_beside_its_place_serves_either(beside, right):
    lot = Garden(0.0, [Feature("parcels", box(-10, -10, 10, 10))])
    place = {"chosen": False, "heading_deg": 0.0, "slope_percent": 2.0, "failed": beside, "geometry": Point(0, 0.5)}
    here = {**place, "failed": "straight wire behind 0.8 m; slope of the pad 6.0 %", "slope_percent": 6.0}
    true = [place, {**here, "geometry": HERE}, {**place, "failed": None, "geometry": Point(0, 1.0)}]
    dock = {**place, "failed": None, "chosen": True, "geometry": HERE}
    made = decisions(lot, plan(dock_candidates=true), plan(dock_candidates=[dock]), [], MOWER)
    assert [(item.kind, item.truth, item.found) for item in made if item.kind.startswith("dock")] == [
        ("dock slope", "too steep", "level"),
        ("dock place", right, "allowed"),
    ]


# --- scores -----------------------------------------------------------------------------------------------


def test_brier_by_hand():
    assert scores.brier([0.5, 0.0, 1.0], [True, False, False]) == pytest.approx((0.25 + 0 + 1) / 3)


def test_tenths_by_hand():
    assert scores.tenths([0.11, 0.19, 0.95, 1.0], [1, 0, 1, 1]) == [
        (2, pytest.approx(0.15), 0.5),
        (2, pytest.approx(0.975), 1.0),
    ]


def test_share_interval_is_the_spread_over_gardens():
    alike = [(number, 10, 5) for number in range(8)]
    assert scores.share_interval(alike) == (0.5, 0.5, 0.5)
    apart = [(number, 10, 10 * (number % 2)) for number in range(8)]
    share, low, high = scores.share_interval(apart)
    assert (share, low, high) == (0.5, pytest.approx(0.25, abs=0.13), pytest.approx(0.75, abs=0.13))
    assert np.isnan(scores.share_interval([])).all()


def test_recall_and_needless_of_a_tiny_case():
    maps = {
        (0, 0): ([decision("passage", wrong=True)], [check("passage-width")]),
        (0, 1): ([decision("passage", wrong=False)], [check("passage-width")]),
        (0, 2): ([decision("passage", wrong=True)], [check("edge-neighbour"), check("dock-slope", FAR)]),
        (1, 0): ([decision("passage", wrong=False)], [check("passage-width"), check("ground-slope")]),
    }
    cases, asked = scores.cases_of(maps), scores.asked_of(maps)
    by_name = {score.name: score for score in scores.kind_scores(cases, asked)}
    passage = by_name["passage"]
    assert len(passage.cases) == 4
    assert passage.recall[0] == 0.5  # one of the two wrong ones was asked about
    assert passage.needless[0] == pytest.approx(1 / 3)  # in garden 0 both were worth it, in garden 1 it never flips
    assert by_name["ALL"].needless[0] == pytest.approx(2 / 4)  # and nothing was wrong with the edge
    assert scores.brier(passage.chances, passage.happened) == pytest.approx((0.49 + 0.09 + 1 + 0.09) / 4)


def test_what_follows_from_a_passage_is_listed_by_the_passage_that_is_wrong():
    zone, beside = decision("reach", wrong=True), check("passage-width")
    for passage_wrong in (True, False):
        maps = {(0, 0): ([zone, decision("passage", wrong=passage_wrong)], [beside])}
        assert [case.listed for case in scores.cases_of(maps)] == [passage_wrong, True]
        assert [item.needed for item in scores.asked_of(maps)] == [passage_wrong]


def test_figures_are_covered_by_what_was_stated():
    figures = [scores.Figure(0, "wire", 100, found, sd) for found, sd in ((101, 1), (104, 1), (100, np.nan))]
    assert "50% of 2 within" in scores.figure_line("wire", figures)
    assert "bias +1.7%" in scores.figure_line("wire", figures)
    assert "no sd stated" in scores.figure_line("wire", figures[2:])


def test_a_perfect_model_lists_all_but_the_least_chances_and_needs_many_maps_to_show_it():
    """From no chance on all is listed, and needless is what its only map doesn't flip."""
    every, few, many = (scores.perfect_model(*given) for given in ((1, 0.0), (6, 0.04), (20, 0.04)))
    assert every.recall == 1.0
    # Truths up to 4 sd about a limit flip in 1 of 10 maps: 2 ∫ Φ(-t) dt / 8 = 2 · 0.399 / 8.
    assert every.needless == pytest.approx(1 - 2 * 0.399 / 8, abs=0.01)
    assert every.mean_brier == pytest.approx(0.0997 * 0.9003, abs=0.003)
    assert (few.recall, few.needless) == (pytest.approx(0.957, abs=0.005), pytest.approx(0.405, abs=0.01))
    assert (many.recall, many.needless) == (pytest.approx(0.958, abs=0.005), pytest.approx(0.215, abs=0.01))


def test_gardens_are_alike_by_seed_and_have_room_for_what_is_in_them():
    assert garden(1, 4) == garden(1, 4)
    assert garden(2, 4) != garden(1, 4)
    parcel = garden(1, 4).features[0].shape
    assert isinstance(parcel, Polygon)
    assert all(parcel.covers(place) for place in garden(1, 4).passages)
