"""Whether there is a lawn, by three thresholds; and which ground is asked about."""

import pytest
import shapely

from lawngis.mower import built_in_profile
from lawngis.processing.derived.lawn_doubt import (
    cover_by,
    doubt_area_findings,
    doubt_checks,
    doubt_findings,
    doubtful_ground,
    lawn_range,
)

MOWER = built_in_profile("medium")
LEAST_M2, WIDE_M = MOWER.zone_area_min_m2, MOWER.passage_mow_min_m


def lawn(area_m2: float, width_m: float = 2 * WIDE_M) -> list[shapely.Polygon]:
    return [shapely.box(0, 0, area_m2 / width_m, width_m)] if area_m2 else []


def row(word: str, x: float, area_m2: float = 20.0, **more: object) -> dict:
    shape = shapely.box(x, 0, x + area_m2 / 4, 4)
    return {
        "cover_id": f"C{x:g}", "cover": word, "area_m2": shape.area, "confidence": 0.6, "green_from": 0.3,
        "green_from_sd": 0.09, "geometry": shape, **more,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("low", "mid", "high", "undecided"),
    [
        (0, 2, 6, False),  # enough by none
        (0, 2, 20, True),  # enough only by the lower threshold
        (4, 20, 22, True),  # no more by the higher one
        (90, 100, 110, False),  # a lawn whatever the threshold, and about as large
        (60, 100, 120, True),  # a lawn, but the difference is more than half of it
        (60, 100, 110, False),  # just half of it
    ],
)
def test_undecided_is_what_one_threshold_calls_a_lawn_and_another_does_not(low, mid, high, undecided):
    extent = lawn_range(lawn(low), lawn(mid), lawn(high), MOWER)
    assert extent.undecided == undecided
    assert (extent.low_m2, extent.mid_m2, extent.high_m2) == pytest.approx((low, mid, high))


def test_a_strip_too_narrow_to_mow_is_no_lawn_for_a_mower():
    strip = lawn(50 * LEAST_M2, width_m=0.9 * WIDE_M)
    assert not lawn_range([], [], strip, MOWER).undecided
    assert lawn_range([], [], lawn(50 * LEAST_M2, width_m=1.1 * WIDE_M), MOWER).undecided


def test_by_a_higher_threshold_hardly_lawn_is_bare_and_by_a_lower_one_maybe_lawn_is_lawn():
    cover = [row("lawn", 0, 40), row("hardly_lawn", 0, 20), row("maybe_lawn", 20), row("crown", 0, 8)]
    by = {doubt: cover_by(cover, doubt) for doubt in ("hardly_lawn", "maybe_lawn")}
    area = {doubt: sum(one["geometry"].area for one in rows if one["cover"] == "lawn") for doubt, rows in by.items()}
    assert area == pytest.approx({"hardly_lawn": 20, "maybe_lawn": 60})
    assert [one["cover"] for one in by["hardly_lawn"]] == ["lawn", "bare", "maybe_lawn", "crown"]


def test_what_decides_comes_first_and_nothing_is_asked_twice():
    cover = [row("dry", 0), row("maybe_lawn", 0, 24), row("dry", 30), row("hardly_lawn", 60, 8)]
    ground = doubtful_ground(cover, [])
    undecided = doubt_checks(lawn_range([], [], lawn(20), MOWER), ground, 300)
    assert [(check.code, check.target_id) for check in undecided] == [
        ("lawn-at-all", "C0"), ("lawn-at-all", "C60"), ("dry-grass", "C30")
    ]  # fmt: skip
    assert [check.urgency for check in undecided[:2]] == [1.0, 1.0] and undecided[2].urgency < 0.5
    assert all(check.area.area == check.value for check in undecided)
    decided = doubt_checks(lawn_range([], [], [], MOWER), ground, 300)
    assert [check.code for check in decided] == ["dry-grass", "dry-grass"]


def test_the_largest_pieces_tell_what_the_others_are():
    cover = [row("dry", 30 * number, 5 + number) for number in range(9)] + [row("dry", 400, 3)]
    checks = doubt_checks(lawn_range([], [], [], MOWER), doubtful_ground(cover, []), 300)
    assert [check.value for check in checks] == [13, 12, 11]
    (said,) = doubt_findings(lawn_range([], [], [], MOWER), doubtful_ground(cover, []), cover)
    assert said.code == "ground-dry" and said.values["area_m2"] == pytest.approx(sum(range(5, 14)) + 3)


def test_what_layers_show_is_in_no_doubt():
    (left,) = doubtful_ground([row("dry", 0)], [shapely.box(1, -9, 99, 99), shapely.LineString([(0, 0), (0, 9)])])
    assert left.ground.area == pytest.approx(4)


def test_ground_in_the_shade_is_asked_about():
    ground = doubtful_ground([row("lawn", 0), row("shaded", 20, confidence=0.5)], [])
    (check,) = doubt_checks(lawn_range(lawn(20), lawn(20), lawn(20), MOWER), ground, 100.0)
    assert check.code == "in-shade" and check.flip_probability == 0.5 and check.at_stake == pytest.approx(20)


def test_it_is_said_how_much_and_by_which_threshold():
    cover = [row("lawn", 40), row("maybe_lawn", 0)]
    extent = lawn_range([], lawn(2), lawn(20), MOWER)
    (said,) = doubt_findings(extent, doubtful_ground(cover, []), cover)
    assert (said.severity, said.code) == ("caution", "lawn-undecided")
    assert said.values == {
        "area_low_m2": 0, "area_m2": pytest.approx(2), "area_high_m2": pytest.approx(20), "threshold": 0.3,
        "threshold_sd": 0.09,
    }  # fmt: skip
    assert cover[1]["geometry"].contains(said.place)
    assert said.said()[0] == (
        "undecided whether there is a lawn: 0 to 20 m², 2 m² if ground counts as green from an index of 0.30 (± 0.09)"
    )


def test_where_there_is_a_lawn_in_any_case_only_how_much_is_undecided():
    cover = [row("lawn", 40), row("maybe_lawn", 0)]
    extent = lawn_range(lawn(54), lawn(197), lawn(433), MOWER)
    (said,) = doubt_findings(extent, doubtful_ground(cover, []), cover)
    assert said.said()[0].startswith("undecided how much lawn there is: 54 to 433 m², 197 m² if")


def test_each_kind_of_doubt_is_said_with_its_area():
    said = doubt_area_findings({"dry": 12.0, "shaded": 3.0, "green": 0.0, "unknown": 3.0})
    assert [one.code for one in said] == ["ground-dry"] and said[0].said()[0].startswith("12 m² of low ground")
    said = doubt_area_findings({"dry": 12.0, "shaded": 5.0, "green": 50.0, "unknown": 30.0})
    assert [one.code for one in said] == ["ground-dry", "ground-shaded", "green-height-unknown", "standing-unknown"]
    assert "no surface model" in said[0].said()[0]  # nothing says that it is low
