"""Step `keepouts` on small sites drawn by hand, with answers worked by hand."""

import dataclasses
import sys
from math import pi, sin
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import plan_of, site_of

from lawngis.mower import built_in_profile
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan

MOWER = built_in_profile()
LAWN = box(0, 0, 20, 12)


def planned(lawn=LAWN, *, layers=None, rise=(0.0, 0.0), **parameters) -> Plan:
    plan = plan_of(site_of(lawn, layers=layers, rise=rise), MOWER, until="keepouts", keepouts=parameters)
    plan.close()
    return plan


def told(plan: Plan) -> list[tuple[str, str]]:
    return [(row["reason"], row["treatment"]) for row in plan.rows("keepouts")]


def codes(plan: Plan) -> list[str]:
    return [row["code"] for row in plan.rows("findings")]


def trees(*diameters, at=((5, 6), (10, 6), (15, 6))) -> dict:
    points = [Point(xy) for xy in at[: len(diameters)]]
    return {"trees": {"geometry": points, "trunk_diameter_m": list(diameters)}}


def barrier(kind: str, line, height_m: float | None = None) -> dict:
    return {"barriers": {"geometry": [LineString(line)], "kind": [kind], "height_m": [height_m]}}


def test_a_lawn_with_nothing_on_it_has_none():
    assert told(planned()) == []


# Water, beds and obstacles ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("layer", "kind", "reason"), [("water", "pond", "water"), ("beds", "flowers", "bed")])
@pytest.mark.parametrize(
    ("shape", "treatment"),
    [(box(8, 5, 10, 7), "island"), (box(8, 0, 10, 3), "outside"), (box(8, -1, 10, 3), "outside")],
)
def test_water_and_beds_get_islands_or_belong_to_the_edge(layer, kind, reason, shape, treatment):
    plan = planned(layers={layer: {"geometry": [shape], "kind": [kind]}})
    assert told(plan) == [(reason, treatment)]
    assert plan.rows("keepouts")[0]["area_m2"] == pytest.approx(shape.area)
    assert ("water-edge" in codes(plan)) == (layer == "water")


@pytest.mark.parametrize(
    ("rigid", "treatment", "confidence"), [(True, "bump", 0.9), (False, "island", 0.9), (None, "island", 0.5)]
)
def test_only_what_is_known_to_be_rigid_is_bumped(rigid, treatment, confidence):
    plan = planned(layers={"obstacles": {"geometry": [box(8, 5, 9, 6)], "rigid": [rigid], "height_m": [1.0]}})
    assert told(plan) == [("obstacle", treatment)]
    assert plan.rows("keepouts")[0]["confidence"] == confidence


def test_what_may_be_bumped_but_leaves_no_room_to_pass_belongs_to_the_edge():
    room = MOWER.passage_transit_min_m
    for gap, treatment in ((room - 0.05, "outside"), (room + 0.05, "bump")):
        plan = planned(
            layers={"obstacles": {"geometry": [box(8, gap, 9, gap + 1)], "rigid": [True], "height_m": [1.0]}}
        )
        assert told(plan) == [("obstacle", treatment)]


def test_water_takes_the_ground_that_it_shares_with_a_bed():
    pond, bed = box(8, 5, 10, 7), box(9, 5, 12, 7)
    layers = {"water": {"geometry": [pond], "kind": ["pond"]}, "beds": {"geometry": [bed], "kind": ["flowers"]}}
    areas = {row["reason"]: row["area_m2"] for row in planned(layers=layers).rows("keepouts")}
    assert areas == {"water": pytest.approx(4.0), "bed": pytest.approx(4.0)}


# Trees --------------------------------------------------------------------------------------------------------------


def disc_m2(radius_m: float) -> float:
    """32 corners around the circle."""
    return 16 * radius_m**2 / np.cos(pi / 32) ** 2 * sin(2 * pi / 32)


def test_grown_trunks_are_bumped_and_saplings_get_islands():
    plan = planned(layers=trees(0.40, 0.05, None))
    rows = {round(row["geometry"].centroid.x): row for row in plan.rows("keepouts")}
    sapling = MOWER.sapling_island_radius_m
    assert [rows[x]["treatment"] for x in (5, 10, 15)] == ["bump", "island", "island"]
    assert [rows[x]["area_m2"] for x in (5, 10, 15)] == pytest.approx([disc_m2(0.2), *[disc_m2(sapling)] * 2], rel=1e-3)
    assert [rows[x]["confidence"] for x in (5, 10, 15)] == [1.0, 1.0, 0.5]


@pytest.mark.parametrize(("trunk_m", "treatment"), [(0.149, "island"), (0.15, "bump")])
def test_the_profile_says_how_thick_a_trunk_must_be(trunk_m, treatment):
    assert told(planned(layers=trees(trunk_m))) == [("tree", treatment)]


def test_a_tree_at_the_edge_belongs_to_it():
    assert told(planned(layers=trees(0.05, at=((5, 0.2),)))) == [("tree", "outside")]


# Drops, walls, hedges and kerbs -------------------------------------------------------------------------------------


def test_a_drop_takes_a_strip_off_the_low_side_and_warns():
    plan = planned(layers=barrier("drop", [(10, -1), (10, 13)]))
    assert told(plan) == [("drop", "outside")]
    strip = plan.rows("keepouts")[0]["geometry"]
    # It falls away to the right of its direction, which is east.
    assert strip.bounds[0] == pytest.approx(10.0, abs=1e-3) and strip.bounds[2] == pytest.approx(10.12, abs=1e-3)
    assert "drop-edge" in codes(plan)


@pytest.mark.parametrize(
    ("kind", "treatment", "width_m"), [("wall", "bump", 0.12), ("fence", "bump", 0.12), ("hedge", "island", 0.8)]
)
def test_barriers_on_the_lawn_are_strips(kind, treatment, width_m):
    plan = planned(layers=barrier(kind, [(5, 6), (15, 6)], 1.2))
    assert told(plan) == [("obstacle", treatment)]
    assert plan.rows("keepouts")[0]["area_m2"] == pytest.approx(10 * width_m, rel=1e-3)


@pytest.mark.parametrize(("height_m", "kept_out"), [(0.03, 0), (0.031, 1), (0.10, 1), (None, 1)])
def test_a_kerb_that_a_wheel_rolls_onto_is_no_obstacle(height_m, kept_out):
    assert len(planned(layers=barrier("kerb", [(5, 6), (15, 6)], height_m)).rows("keepouts")) == kept_out


# Slope --------------------------------------------------------------------------------------------------------------


def site_with_bank(percent: float, width_m: float = 6.0):
    """A bank across the lawn's width from x = 7 m on, rising eastward; level before and behind."""
    site = site_of(box(0, 0, 20, 12))
    rows, columns = site.dem.shape
    x = site.dem.transform.c + np.arange(columns) + 0.5
    height = percent / 100 * np.clip(x - 7, 0, width_m)
    return dataclasses.replace(site, dem=site.dem.with_values(np.broadcast_to(100 + height, (rows, columns)).copy()))


def test_ground_too_steep_is_kept_out():
    site = site_with_bank(60.0)
    plan = plan_of(site, MOWER, until="keepouts")
    plan.close()
    steep = shapely.union_all(plan.geometries("keepouts", reason="steep"))
    assert steep.covers(box(8, 0.5, 12, 11.5)) and not steep.intersects(box(0, 0, 5, 12))
    assert "steep-ground" in codes(plan)


def test_ground_gentle_enough_even_along_the_wire_is_not():
    plan = plan_of(site_with_bank(15.0), MOWER, until="keepouts")
    assert told(plan) == []


@pytest.mark.parametrize(("middle", "kept_out"), [((10, 6), False), ((10, 1), True)])
def test_ground_between_the_two_limits_is_kept_out_only_where_the_wire_lies(middle, kept_out):
    """A cone of 28 %: above the 20 % along the wire, below the 35 % of open ground."""
    site = site_of(LAWN)
    rows, columns = np.indices(site.dem.shape)
    x, y = site.dem.transform * (columns + 0.5, rows + 0.5)
    cone = np.clip(3.0 - np.hypot(x - middle[0], y - middle[1]), 0, None) * 0.28
    plan = plan_of(dataclasses.replace(site, dem=site.dem.with_values(100 + cone)), MOWER, until="keepouts")
    assert (told(plan) == [("steep", "outside")]) == kept_out
    assert bool(plan.rows("keepouts")) == kept_out


def slope_rows(plan: Plan) -> list:
    plan.close()
    return [row for row in plan.rows("visit_checks") if row["code"] == "ground-slope"]


def test_slope_too_near_the_limit_to_tell_is_looked_at_on_site():
    rows = slope_rows(plan_of(site_with_bank(20.5), MOWER, until="keepouts"))
    assert rows and {row["limit_value"] for row in rows} == {MOWER.edge_slope_limit_percent}
    assert all(row["value"] == pytest.approx(20, abs=2.5) and row["flip_probability"] > 0.05 for row in rows)
    assert "keepouts" not in {step for step, _ in plan_of(site_with_bank(5.0), MOWER, until="keepouts").checks}


def test_a_bank_that_is_too_steep_along_the_wire_is_not_asked_about_at_the_limit_within():
    rows = slope_rows(plan_of(site_with_bank(35.5), MOWER, until="keepouts"))
    assert all(row["limit_value"] != MOWER.slope_limit_percent for row in rows)


def test_measuring_ground_that_is_mown_by_the_map_steeper_keeps_it_out():
    site = site_with_bank(17.0)
    plan = plan_of(site, MOWER, until="keepouts")
    (check,) = [check for _, check in plan.checks if check.code == "ground-slope"]
    assert told(plan) == [] and check.value < check.limit_value == MOWER.edge_slope_limit_percent
    steeper = Fact(26.0, check.target_layer, check.target_column, place=check.place)
    measured = dataclasses.replace(site, facts=Facts(slopes=(steeper,)))
    after = plan_of(measured, MOWER, until="keepouts")
    (row,) = after.select("keepouts", reason="steep")
    assert row["geometry"].dwithin(check.place, 0.5) and "measured" in row["evidence"]
    assert slope_rows(after) == []


def test_the_terrain_beside_a_wall_of_the_layers_is_not_called_steep():
    site = site_with_bank(60.0, width_m=1.0)
    assert ("steep", "outside") in told(plan_of(site, MOWER, until="keepouts"))
    wall = site_of(LAWN, layers=barrier("wall", [(7.5, -1), (7.5, 13)], 0.6))
    walled = dataclasses.replace(wall, dem=site.dem)
    assert "steep" not in {reason for reason, _ in told(plan_of(walled, MOWER, until="keepouts"))}
