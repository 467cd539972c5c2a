"""What the zones of a plan ask of mowers: worked by hand on two lawns with a passage between them."""

from __future__ import annotations

import json

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, box

from lawngis.mower import built_in_profile
from lawngis.mowing.choice import MowerOffer, Shortfall, mower_fit
from lawngis.processing.derived.coverage import zone_accesses
from lawngis.processing.derived.mower_demands import (
    DEMAND_LAYERS,
    MowerDemand,
    able_mowers,
    mower_demands,
    mower_offer,
    shortfall_parts,
    shortfall_words,
    week_values,
    zone_hours_week,
)
from lawngis.processing.model.plan import Finding, Plan, StepResult

MEDIUM = built_in_profile("medium")
HOME, FAR, APART = box(0, 0, 16, 12), box(20, 0, 30, 12), box(60, 0, 70, 8)
DAYS = {day: [(9.0, 19.0)] for day in range(6)}


def zone(number, polygon, *, role="home", loop=1, supply="own_dock", reached_by=None, p95=4.0):
    return {
        "zone_id": f"P-Z{number}", "role": role, "area_m2": polygon.area, "perimeter_m": polygon.length,
        "slope_p50_percent": 2.0, "slope_p95_percent": p95, "loop_id": f"P-L{loop}", "reached_by": reached_by,
        "supply": supply, "geometry": polygon,
    }  # fmt: skip


def wire(number, polygon, length_m):
    return {"loop_id": f"P-L{number}", "length_m": length_m, "geometry": polygon.buffer(-0.3).exterior}


def layers(*, apart_supply="own_dock"):
    """Home and a zone through a passage on one loop; a third apart, on a loop of its own."""
    around = shapely.union_all([HOME, FAR, box(16, 5.5, 20, 6.5)])
    link = {"zone_a": "P-Z1", "zone_b": "P-Z2", "kind": "transit", "width_m": 1.2}
    return {
        "zones": [
            zone(1, HOME),
            zone(2, FAR, role="linked", supply="main_wire", reached_by="P-P1", p95=9.0),
            zone(3, APART, role="detached", loop=2, supply=apart_supply),
        ],
        "links": [
            {**link, "link_id": "P-P1", "geometry": LineString([(16, 6), (20, 6)])},
            {**link, "link_id": "P-P2", "width_m": 0.4, "kind": "blocked", "geometry": LineString([(30, 6), (60, 6)])},
        ],
        "dock_candidates": [
            {"candidate_id": "P-D1", "zone_id": "P-Z1", "chosen": True, "geometry": Point(0, 0)},
            {"candidate_id": "P-D2", "zone_id": "P-Z1", "chosen": False, "geometry": Point(0, 6)},
            {"candidate_id": "P-D3", "zone_id": "P-Z3", "chosen": apart_supply == "own_dock", "geometry": Point(70, 4)},
        ],
        "wire_path": [wire(1, around, 90.0), wire(2, APART, 34.0)],
        "supply_route": [
            {"candidate_id": "P-D1", "length_m": 3.0},
            {"candidate_id": "P-D2", "length_m": 99.0},
            {"candidate_id": "P-D3", "length_m": 11.0},
        ],
    }  # fmt: skip


def demands(rows, *, own_mowers):
    return mower_demands("P", rows, zone_accesses(rows), own_mowers=own_mowers)


def test_one_mower_has_all_zones_to_do():
    (task,) = demands(layers(), own_mowers=False)
    assert isinstance(task, MowerDemand) and [row["zone_id"] for row in task.zones] == ["P-Z1", "P-Z2", "P-Z3"]
    demand = task.demand
    assert (demand.name, demand.passage_m, demand.loop_m, demand.cable_m) == ("P", 1.2, 90.0, 11.0)
    home, far, apart = demand.zones
    assert (home.area_m2, home.perimeter_m, home.slope_percent, far.steepest_percent) == (192, 56, 2.0, 9.0)
    # From (0, 0) along the edge to the mouth at (16, 6) are 22 m, through the passage 4 m.
    assert (home.access_m, far.access_m, apart.access_m) == pytest.approx((0.0, 26.0, 0.0))
    # The wire goes 0.3 m inside: the middle of 12 m is 5.7 m from it, that of 10 m 4.7 m, that of 8 m 3.7 m.
    assert (home.farthest_m, far.farthest_m, apart.farthest_m) == pytest.approx((5.7, 4.7, 3.7), abs=0.06)
    assert not any(each.without_dock for each in demand.zones)


def test_a_mower_of_its_own_has_its_own_zone_wire_and_cable():
    first, own = demands(layers(), own_mowers=True)
    assert (first.demand.name, first.demand.loop_m, first.demand.cable_m) == ("P", 90.0, 3.0)
    assert (own.demand.name, own.demand.loop_m, own.demand.cable_m) == ("P/P-Z3", 34.0, 11.0)
    assert own.demand.passage_m == np.inf
    (carried,) = demands(layers(apart_supply="main_wire"), own_mowers=True)
    assert [each.without_dock for each in carried.demand.zones] == [False, False, True]


def test_what_is_not_known_asks_for_nothing():
    bare = {**dict.fromkeys(DEMAND_LAYERS, ()), "zones": [zone(1, HOME, p95=None)]}
    (task,) = demands(bare, own_mowers=False)
    assert (task.demand.loop_m, task.demand.cable_m, task.demand.passage_m) == (0.0, 0.0, np.inf)
    assert (task.demand.zones[0].steepest_percent, task.demand.zones[0].farthest_m) == (0.0, 0.0)
    assert demands({**bare, "zones": []}, own_mowers=True) == []


def test_every_limit_of_a_profile_is_the_offers():
    offer = mower_offer("mine", MEDIUM)
    assert offer.name == "mine" and offer.price is None
    shared = set(vars(offer)) & set(type(MEDIUM).model_fields) - {"name"}
    assert {"signal_reach_max_m", "supply_cable_max_m", "loop_length_max_m", "slope_limit_percent"} < shared
    assert all(getattr(offer, name) == getattr(MEDIUM, name) for name in shared)


def test_a_zones_hours_are_mowing_an_edge_pass_and_charging_but_no_way():
    offer = mower_offer("", MEDIUM)
    (task,) = demands({**dict.fromkeys(DEMAND_LAYERS, ()), "zones": [zone(1, HOME)]}, own_mowers=False)
    for often in (0.0, 3.0):
        fit = mower_fit(task.demand, offer, wanted=DAYS, permitted=DAYS, grass_mowings_week=often)
        expected = fit.mowing_h * (1 + MEDIUM.charge_minutes / MEDIUM.run_minutes)
        assert zone_hours_week(HOME, 2.0, MEDIUM, grass_mowings_week=often) == pytest.approx(expected)
    assert zone_hours_week(HOME, None, MEDIUM, grass_mowings_week=0) < expected


WORDS = {
    Shortfall("slope", 40, 35): "slopes of 40 % are more than its 35 %",
    Shortfall("passage", 0.5, 0.9): "a passage of 0.50 m is less than its 0.9 m",
    Shortfall("loop", 747, 500): "a loop of 747 m is more than its 500 m",
    Shortfall("signal", 19.5, 18): "ground 19.5 m from the wire is beyond its 18 m",
    Shortfall("cable", 16, 15): "a supply cable of 16.0 m is more than its 15 m",
    Shortfall("charge", 90, 44): "one charge mows 44 m² of 90 m² where there is no dock",
    Shortfall("way", 812, 810): "a way of 812 m there and back takes all of a charge, 810 m",
    Shortfall("hours", 103.6, 42): "it would mow 103.6 hours a week, and the hours permitted have room for 42.0",
}


def test_each_code_has_its_sentence():
    assert shortfall_words(list(WORDS)) == list(WORDS.values())
    assert shortfall_parts([Shortfall("loop", 747, 500)]) == [
        ("mower-lacks", {"case": "loop", "asked": 747, "limit": 500})
    ]


def week(plan, code, *compared):
    values = {"zone_ids": ["P-Z1"], "mowing_h": 50.0, "missing_h": 8.0, "area_m2": 9, "largest_m2": 7}
    fits = [
        ("mower-fit", {"mower": name, "mowing_h": 1.0, "price": [], "case": case, "lacks": []})
        for name, case in compared
    ]
    finding = Finding("info", code, {**values, "compared": [("compared", {"fits": fits})]})
    plan.attach(code, StepResult({}, [finding]), ())


def test_a_plan_tells_who_could_do_all_of_it():
    plan = Plan("P", "EPSG:25832")
    week(plan, "hours-missing", ("small", "lacks"), ("large", "keeps_up"), ("giant", "longest_hours"))
    week(plan, "keeps-up", ("small", "keeps_up"), ("large", "keeps_up"), ("giant", "lacks"))
    plan.close()
    assert [values["mowing_h"] for values in week_values(plan)] == [50.0, 50.0]
    assert able_mowers(plan) == ["large"]
    assert json.loads(plan.rows("findings")[0]["values"])["missing_h"] == 8.0
    empty = Plan("P", "EPSG:25832")
    empty.close()
    assert able_mowers(empty) == [] and week_values(empty) == []


@given(
    st.floats(0.5, 2.0), st.floats(0.4, 3.0), st.floats(10, 1500), st.floats(0, 40), st.sampled_from([0.0, 1.5, 4.0])
)
def test_a_better_mower_fits_wherever_a_worse_one_does(times, width_m, loop_m, cable_m, often):
    rows = layers()
    rows["links"][0]["width_m"], rows["wire_path"][0]["length_m"], rows["supply_route"][0]["length_m"] = (
        width_m, loop_m, cable_m,
    )  # fmt: skip
    for row in rows["zones"]:
        row["area_m2"] *= times**2
        row["perimeter_m"] *= times
    (task,) = demands(rows, own_mowers=False)
    worse = mower_offer("worse", MEDIUM)
    better = MowerOffer(
        **{
            **vars(worse), "name": "better", "slope_limit_percent": 45, "passage_transit_min_m": 0.7,
            "loop_length_max_m": 900, "signal_reach_max_m": 25, "supply_cable_max_m": 30, "charge_minutes": 30,
        }
    )  # fmt: skip
    one, other = (
        mower_fit(task.demand, offer, wanted=DAYS, permitted=DAYS, grass_mowings_week=often)
        for offer in (worse, better)
    )
    assert set(other.limits) <= set(one.limits)
    assert other.fits or not one.fits
