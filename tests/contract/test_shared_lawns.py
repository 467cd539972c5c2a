"""Lawns that one mower can't do: every part has wire, dock, supply and week of its own, and all rules hold."""

from __future__ import annotations

import pytest
import shapely
from expected_layers import CONTRACT_PROFILE
from made import plan_of, site_of, violations_of
from shapely import Point, box

HOUSE = box(38, 61, 58, 70)


def outlets(*xy: tuple[float, float]) -> dict[str, dict[str, list[Point]]]:
    return {"outlets": {"geometry": [Point(place) for place in xy]}}


PARK_LIGHTS = [(x, y) for x in range(12, 200, 16) for y in range(10, 100, 16)]

LAWNS = [
    (box(0, 0, 80, 40), outlets((40, 0), (40, 40))),
    (box(0, 0, 95, 60), {"buildings": {"geometry": [HOUSE], "height_m": [5.0]}}),
    (shapely.union_all([box(0, 0, 90, 25), box(0, 0, 30, 80)]), outlets((30, 25), (0, 40), (60, 25))),
    (box(0, 0, 80, 60).difference(box(30, 20, 50, 40)), {"buildings": {"geometry": [box(30, 20, 50, 40)]}}),
    pytest.param(box(0, 0, 200, 100), outlets(*PARK_LIGHTS), marks=pytest.mark.slow, id="park of 2 ha"),
]


@pytest.mark.parametrize(("lawn", "layers"), LAWNS)
def test_a_shared_lawn_obeys_the_rules(lawn, layers):
    site = site_of(lawn, layers=layers)
    plan = plan_of(site, schedule={"departures": 0})
    found = violations_of(site, plan, CONTRACT_PROFILE)
    assert not found, "\n".join(map(str, found))
    zones = plan.rows("zones")
    assert len({row["mower_no"] for row in zones}) == len(plan.rows("mowers")) >= 2
    assert sum(row["area_m2"] for row in zones) == pytest.approx(lawn.area, rel=1e-4)
    assert not plan.select("hand_mow", reason="out_of_signal")
    docks = plan.select("dock_candidates", chosen=True)
    assert len(docks) == len(plan.rows("mowers")) and all(dock["feasible"] for dock in docks)
    assert all(route["within_limit"] for route in plan.rows("supply_route"))
    assert not plan.select("findings", severity="stop")
