"""Docks of lawns in two zones of one loop (gravel between them, the larger one in the west), and of round lawns."""

from __future__ import annotations

import pytest
from expected_layers import CONTRACT_PROFILE
from made import plan_of, site_of, violations_of
from shapely import Point, Polygon, box

from lawngis.processing.derived.coverage import zone_accesses
from lawngis.processing.derived.dock_choice import HOME_AHEAD
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site

HOME, LINKED, PATH = box(0, 0, 14, 12), box(15.2, 0, 23, 12), box(14, 0, 15.2, 12)
EAST_HOUSE = box(23, -1, 30, 13)


def garden(houses, outlets) -> Site:
    layers = {
        "hard_surfaces": {"geometry": [PATH], "use": ["path"], "level": ["flush"], "surface": ["gravel"]},
        "buildings": {"geometry": houses, "height_m": [6.0] * len(houses)},
        "outlets": {"geometry": outlets},
    }
    return site_of([HOME, LINKED], parcel=box(-20, -1, 31, 13), layers=layers)


def chosen(plan: Plan) -> dict:
    (dock,) = plan.select("dock_candidates", chosen=True)
    return dock


@pytest.fixture(scope="module")
def walled() -> tuple[Site, Plan]:
    """The house with the outlet stands along the linked zone: from the home zone every cable is over 15 m."""
    site = garden([EAST_HOUSE], [Point(23, 6)])
    return site, plan_of(site)


def test_the_dock_stands_at_the_wall_of_the_linked_zone(walled):
    site, plan = walled
    dock = chosen(plan)
    assert (dock["zone_id"], dock["feasible"], dock["rank"]) == ("P1-Z2", True, 1)
    (cable,) = plan.rows("supply_route")
    assert cable["length_m"] < 1 and cable["crosses"] is None
    assert not any(place["feasible"] for place in plan.select("dock_candidates", zone_id="P1-Z1"))
    assert not violations_of(site, plan, CONTRACT_PROFILE)


def test_the_mower_drives_to_the_home_zone_from_there(walled):
    """At least from the wall to the crossing on the shorter way about the zone, and over 1.2 m of path."""
    _, plan = walled
    ways = zone_accesses({name: plan.rows(name) for name in ("zones", "links", "dock_candidates")})
    (link,) = plan.rows("links")
    assert ways["P1-Z2"].access_m == 0
    assert ways["P1-Z1"].access_m >= LINKED.exterior.distance(link["geometry"]) + 7.8 + 1.2
    assert ways["P1-Z1"].entry.distance(HOME) == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(("off_m", "zone"), [(6.6, "P1-Z1"), (8.0, "P1-Z2")])
def test_the_home_zone_is_first_among_equals(off_m, zone):
    """Both zones have a wall with an outlet; that of the home zone is further off."""
    west = box(-off_m - 5, -1, -off_m, 13)
    plan = plan_of(garden([west, EAST_HOUSE], [Point(-off_m, 6), Point(23, 6)]), until="dock")
    best = {
        name: max(place["score"] for place in plan.select("dock_candidates", zone_id=name, feasible=True))
        for name in ("P1-Z1", "P1-Z2")
    }
    assert best["P1-Z2"] > best["P1-Z1"], "a place in the linked zone has the higher score"
    assert (best["P1-Z2"] - best["P1-Z1"] > HOME_AHEAD) == (zone == "P1-Z2")
    assert chosen(plan)["zone_id"] == zone


# Round lawns --------------------------------------------------------------------------------------------------------

ROUND = Point(0, 0).buffer(4, quad_segs=32)
HALF = Polygon([*ROUND.exterior.coords]).intersection(box(-4, -4, 0.5, 4))


def by_a_house(lawn, *drives) -> Site:
    """A house in the west, with its outlet."""
    layers = {
        "buildings": {"geometry": [box(-12, -6, -6, 6)], "height_m": [6.0]},
        "outlets": {"geometry": [Point(-6, 0)]},
    }
    if drives:
        layers["hard_surfaces"] = {"geometry": drives, "use": ["drive"], "level": ["flush"]}
    return site_of(lawn, parcel=box(-13, -7, 8, 7), layers=layers)


@pytest.mark.parametrize(
    "site", [by_a_house(ROUND), by_a_house(HALF, box(0.5, -7, 3.5, 7))], ids=["round", "straight at a drive"]
)
def test_a_chord_is_laid_for_the_dock_and_what_it_cuts_off_is_mown_by_hand(site):
    plan = plan_of(site)
    (beyond,) = plan.rows("hand_mow")
    (zone,) = plan.geometries("zones")
    assert beyond["reason"] == "dock_straight" and 0 < beyond["area_m2"] < 3
    assert zone.area + beyond["area_m2"] == pytest.approx(plan.geometries("lawn")[0].area, rel=1e-3)
    dock = chosen(plan)
    assert dock["feasible"] and dock["geometry"].distance(beyond["geometry"]) == pytest.approx(0.12, abs=0.01)
    assert [row["severity"] for row in plan.select("findings", code="dock-chord")] == ["info"]
    assert not violations_of(site, plan, CONTRACT_PROFILE)


def test_no_chord_is_laid_where_a_straight_is_long_enough_or_no_cable_reaches():
    far = site_of(ROUND, layers={"outlets": {"geometry": [Point(25, 0)]}}, parcel=box(-5, -5, 26, 5))
    for site in (by_a_house(HALF), far):
        assert not plan_of(site, until="zones").rows("hand_mow")
