"""Whether zones are reached, over chains of passages and ways round: chances worked by hand, and what is asked."""

import sys
from pathlib import Path

import pytest
import shapely
from shapely import box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import site_of, steps_until

from lawngis.lawn.widths import ExpectedWidth
from lawngis.mower import built_in_profile
from lawngis.processing.derived.reach_doubt import Way, reach_chances
from lawngis.processing.steps.workflow import Settings, planned

MOWER = built_in_profile()
DRIVEN = MOWER.passage_transit_min_m
AREAS = {0: 90.0, 1: 60.0, 2: 40.0}


def way(zone_a, zone_b, chance, mapped=True):
    return Way(zone_a, zone_b, 1.0, mapped, chance, ExpectedWidth(1.0, 0.1), DRIVEN)


def test_a_chain_is_open_when_all_its_links_are():
    found = reach_chances(AREAS, {0: way(0, 1, 0.9), 1: way(1, 2, 0.7)})
    assert found == pytest.approx({0: 1.0, 1: 0.9, 2: 0.9 * 0.7})


def test_two_ways_are_closed_when_both_are():
    found = reach_chances(AREAS, {0: way(0, 1, 0.9), 1: way(0, 1, 0.7, mapped=False)})
    assert found[1] == pytest.approx(1 - 0.1 * 0.3)
    assert found[2] == 0.0


def test_a_ring_is_reached_either_way_round():
    """Zone 1 directly, or by zone 2: 0.9 + 0.1 · 0.8 · 0.5."""
    found = reach_chances(AREAS, {0: way(0, 1, 0.9), 1: way(0, 2, 0.8), 2: way(2, 1, 0.5)})
    assert found[1] == pytest.approx(0.9 + 0.1 * 0.8 * 0.5)


def test_sure_links_are_as_they_are_mapped():
    found = reach_chances(AREAS, {0: way(0, 1, 1.0), 1: way(1, 2, 0.0, mapped=False)})
    assert found == {0: 1.0, 1: 1.0, 2: 0.0}


def asked(*widths_m):
    """Checks of reach on lawns of 12 m, 9 and 8 in a row between which passages of some widths lead."""
    west, lawns = 0.0, []
    for length, width in zip((12, 9, 8), (*widths_m, None), strict=True):
        lawns.append(box(west, 0, west + length, 10))
        west += length + 4
        if width:
            lawns.append(box(west - 4, 5 - width / 2, west, 5 + width / 2))
    plan = planned(site_of(shapely.union_all(lawns)), steps_until("zones"), Settings(MOWER, {}, ())).plan
    plan.close()
    checks = [row for row in plan.rows("visit_checks") if row["code"] in ("zone-reach", "passage-width")]
    return plan.rows("zones"), [row for row in checks if row["limit_value"] == DRIVEN]


def test_the_zone_behind_two_passages_has_the_chance_of_both():
    zones, checks = asked(DRIVEN + 0.05, DRIVEN + 0.08)
    by_code = {code: [row for row in checks if row["code"] == code] for code in ("passage-width", "zone-reach")}
    first, second = (row["flip_probability"] for row in sorted(by_code["passage-width"], key=lambda row: row["value"]))
    chances = {row["target_id"]: row["flip_probability"] for row in by_code["zone-reach"]}
    assert {row["zone_id"] for row in zones[1:]} == set(chances)
    near, far = (chances[row["zone_id"]] for row in zones[1:])
    assert near == pytest.approx(first)
    assert far == pytest.approx(1 - (1 - first) * (1 - second))
    (behind,) = (row for row in by_code["zone-reach"] if row["target_id"] == zones[2]["zone_id"])
    assert behind["measure_what"].startswith("the 2 passages") and behind["value"] == pytest.approx(DRIVEN + 0.05)


def test_wide_passages_ask_nothing():
    assert asked(1.4, 1.4)[1] == []
