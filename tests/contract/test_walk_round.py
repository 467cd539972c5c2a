"""What to watch on the first walk around made lawns, and plans that follow where the wire was moved."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
from expected_layers import CONTRACT_PROFILE
from made import plan_of, site_of, view_of, violations_of
from shapely import LineString, Point, box

from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site

SETBACKS = CONTRACT_PROFILE["setback_m"]


def walled() -> Site:
    """A lawn 20 m by 14 m with a wall south of it, a pond west, a tree's bed in it and rising ground in the east."""
    wall = {"geometry": [LineString([(-1, -0.05), (21, -0.05)])], "kind": ["wall"]}
    layers = {
        "barriers": wall,
        "water": {"geometry": [box(-2.5, 2, -0.02, 9)], "kind": ["pond"]},
    }
    return site_of(box(0, 0, 20, 14) - Point(13, 8).buffer(1.2), layers=layers, rise=(0.08, 0.0))


@pytest.fixture(scope="module")
def site() -> Site:
    return walled()


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    return plan_of(site)


def points(plan: Plan, what: str) -> list[dict]:
    return [dict(row) for row in plan.rows("watch_points") if row["what"] == what]


def wire_of(plan: Plan) -> LineString:
    return plan.rows("wire_path")[0]["geometry"]


def stops(plan: Plan) -> list[str]:
    return [row["code"] for row in plan.rows("findings") if row["severity"] == "stop"]


def moved(site: Site, *facts: tuple[Point, float]) -> Plan:
    told = tuple(
        Fact(value, "watch_points", "move_m", place=place, note="AB", label=f"override {number}")
        for number, (place, value) in enumerate(facts, start=1)
    )
    return plan_of(replace(site, facts=Facts(moves=told)))


def test_what_there_is_to_watch(site: Site, plan: Plan) -> None:
    wire = wire_of(plan)
    (hard,), (water,), (steep,) = points(plan, "hard"), points(plan, "water"), points(plan, "steep")
    assert hard["value"] == pytest.approx(SETBACKS["raised"], abs=0.01)
    assert hard["geometry"].distance(box(0, 0, 20, 14).exterior) == pytest.approx(hard["value"], abs=0.011)
    assert water["value"] == pytest.approx(SETBACKS["water"], abs=0.02) and water["geometry"].x < 1
    assert steep["value"] == pytest.approx(8.0, abs=0.2)
    assert len(points(plan, "corner")) == 4 and len(points(plan, "lead")) == 1
    assert all(80 < row["value"] < 100 for row in points(plan, "corner"))
    chainages = [row["chainage_m"] for row in plan.rows("watch_points")]
    assert chainages == sorted(chainages)
    assert all(wire.distance(row["geometry"]) < 1e-6 for row in plan.rows("watch_points"))
    (walk,) = [row for row in plan.rows("laying_steps") if row["what"] == "walk_round"]
    assert f"{len(chainages)} points to watch" in walk["text"]


def test_wire_may_be_moved_by_what_the_rules_leave_and_not_beside_leads(site: Site, plan: Plan) -> None:
    for row in plan.rows("watch_points"):
        assert (row["move_m"] is None) == (row["what"] in ("lead", "passage", "crossing"))
        assert row["move_m"] is None or 0 <= row["move_m"] <= 0.1
    assert f"move the wire {points(plan, 'hard')[0]['move_m']:.2f} m onto the lawn" in points(plan, "hard")[0]["expect"]


def test_a_walk_with_two_corrections_gives_a_plan_that_keeps_all_rules(site: Site, plan: Plan) -> None:
    (hard,), corner = points(plan, "hard"), points(plan, "corner")[2]
    after = moved(site, (hard["geometry"], 0.1), (corner["geometry"], 0.15))
    broken = violations_of(site, after, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    assert stops(after) == stops(plan)
    wire = wire_of(after)
    assert wire.distance(hard["geometry"]) == pytest.approx(0.1, abs=0.005)
    assert wire.distance(corner["geometry"]) >= 0.15 - 0.005
    told = [row["text"] for row in after.rows("findings") if "moved on the walk around" in row["text"]]
    assert len(told) == 2 and all("(AB)" in text for text in told)
    # Elsewhere nothing changes: what moved lies within reach of the two places.
    near = shapely.union_all([row["geometry"].buffer(2.2) for row in (hard, corner)])
    leads = shapely.union_all(after.geometries("wire_runs", run_kind="lead_out")).buffer(0.05)
    assert wire.difference(near).difference(wire_of(plan).buffer(0.01)).difference(leads).length < 0.01
    assert shapely.area(view_of(site, after).shapes("zones")).sum() == pytest.approx(
        shapely.area(view_of(site, plan).shapes("zones")).sum()
    )


def test_wire_moved_twice_is_moved_by_both(site: Site, plan: Plan) -> None:
    place = points(plan, "hard")[0]["geometry"]
    wire = wire_of(moved(site, (place, 0.1), (place, 0.05)))
    assert wire.distance(place) == pytest.approx(0.15, abs=0.005)
    back = wire_of(moved(site, (place, 0.1), (place, -0.04)))
    assert back.distance(place) == pytest.approx(0.06, abs=0.005)


def test_towards_the_edge_the_setback_holds_and_that_is_said(site: Site, plan: Plan) -> None:
    place = points(plan, "hard")[0]["geometry"]
    after = moved(site, (place, -0.1))
    assert wire_of(after).distance(place) < 0.005
    assert min(row["setback_m"] for row in after.rows("edges") if row["edge_class"] == "raised") == SETBACKS["raised"]
    (said,) = [row for row in after.rows("findings") if row["code"] == "wire-move-short"]
    assert said["severity"] == "caution" and "must keep 0.35 m" in said["text"]


def test_wire_that_lies_nowhere_near_an_edge_was_not_moved(site: Site, plan: Plan) -> None:
    after = moved(site, (Point(9, 7), 0.1))
    (said,) = [row for row in after.rows("findings") if row["code"] == "override-no-target"]
    assert said["severity"] == "stop"
    assert wire_of(after).equals(wire_of(plan))


def test_wire_around_an_island_moves_away_from_it(site: Site, plan: Plan) -> None:
    island = Point(13, 8).buffer(1.2)
    ring = [row["geometry"] for row in plan.select("wire_runs", run_kind="island")]
    place = max((run.interpolate(0.5, normalized=True) for run in ring), key=lambda p: p.y)
    after = moved(site, (place, 0.1))
    broken = violations_of(site, after, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    assert wire_of(after).distance(place) == pytest.approx(0.1, abs=0.02)
    assert wire_of(after).distance(island) >= wire_of(plan).distance(island) - 0.005
