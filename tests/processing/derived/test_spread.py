"""How far wire and price are off: lengths, links, supplies and ground that may be otherwise."""

from __future__ import annotations

import json
from dataclasses import replace

import geopandas
import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.lawn.widths import ExpectedWidth
from lawngis.mower import built_in_profile
from lawngis.prices import price_book_from
from lawngis.processing.derived.decisions import LAWN, served_zones
from lawngis.processing.derived.doubt import DoubtParameters
from lawngis.processing.derived.ground_doubt import doubts
from lawngis.processing.derived.link_doubt import with_changes
from lawngis.processing.derived.outline_spread import zones_spread
from lawngis.processing.derived.placed_links import PlacedLink
from lawngis.processing.derived.spread import Doubt, amount_spread, item_sd, wire_spread
from lawngis.processing.derived.supply_doubt import supply_checks
from lawngis.processing.model.plan import Plan, VisitCheck
from lawngis.processing.model.site import DataAccuracy, LayerAccuracy, Site

MOWER = built_in_profile()
PRICES = price_book_from()
FRAME = MeasuringFrame.centred_on(Point(0, 0), MeasuringFrame.centred_on(Point(11, 48), CRS(4326)).crs)
HOME, APART = box(0, 0, 20, 20), box(30, 0, 40, 10)
ZONES = {0: HOME, 1: APART}


def site(accuracy: DataAccuracy | None = None) -> Site:
    grid = Grid(np.zeros((60, 60)), Affine(1, 0, -10, 0, -1, 50), FRAME.crs)
    return Site("P1", "", box(-5, -5, 45, 45), FRAME, {}, grid, accuracy=accuracy or DataAccuracy())


def passage(width_m: float) -> PlacedLink:
    kind = "transit" if width_m >= MOWER.passage_transit_min_m else "blocked"
    likely = ExpectedWidth(width_m, 0.14)
    return PlacedLink(0, 1, kind, width_m, 10.0, 0.14, LAWN, LineString([(20, 5), (30, 5)]), Point(25, 5), likely)


def width_check(width_m: float) -> VisitCheck:
    limit_m = MOWER.passage_transit_min_m
    return VisitCheck("passage-width", {}, Point(25, 5), width_m, 0.14, "m", limit_m, flip_probability=0.3)


def changed(width_m: float, zones: dict[int, Polygon] = ZONES) -> VisitCheck:
    links = {0: passage(width_m)}
    (check,) = with_changes([width_check(width_m)], site(), zones, links, {}, MOWER, None)
    return check


def test_a_passage_that_may_be_blocked_changes_what_feeds_the_zone_beyond() -> None:
    """Driven to, the wire goes there and back through it; parted, it is led there, or the zone has its own."""
    check = changed(1.0)
    offer = served_zones(site(), ZONES, {0: passage(0.8)}, MOWER, None).groups[0][1]
    assert offer.chosen is not None and check.changes is not None
    lead_or_source = offer.chosen.supply
    assert check.changes["signal sources" if lead_or_source == "own_source" else "boundary wire"] != 0
    assert check.at_stake == pytest.approx(abs(check.changes["amount"]))


def test_both_ways_round_a_passage_changes_as_much() -> None:
    there, back = changed(1.0).changes, changed(0.8).changes
    assert there is not None and back is not None
    assert {item: -change for item, change in back.items()} == pytest.approx(dict(there))


def test_a_large_zone_beyond_needs_a_dock_of_its_own() -> None:
    far = {0: box(0, -5, 20, 45), 1: box(30, -5, 45, 45)}
    changes = changed(1.0, far).changes
    assert changes is not None and changes["further docks"] == 1
    assert changes["amount"] == pytest.approx(PRICES.dock_each, rel=0.15)


def test_a_zone_that_one_charge_just_mows_is_measured() -> None:
    """The supply changes with its area: found by zones of growing size, not by the formula of one charge."""
    sides = np.arange(6.0, 20.0, 0.5)
    asked = []
    for side in sides:
        zones = {0: HOME, 1: box(25, 0, 25 + side, side)}
        served = served_zones(site(), zones, {}, MOWER, None)
        checks = supply_checks(site(), served, zones, {1: "P1-Z2"}, MOWER, None, DoubtParameters())
        supply = served.zones[1].supply
        asked.append((supply == "own_dock", any(check.values["case"] == "charge" for check in checks)))
    docks = np.array([dock for dock, _ in asked])
    (change,) = np.flatnonzero(np.diff(docks))
    near = [number for number, (_, check) in enumerate(asked) if check]
    assert near and all(abs(number - change) <= 2 for number in near), asked


def test_only_what_is_drawn_apart_makes_outlines_longer() -> None:
    """A lawn that fills its parcel has its size wherever the parcel is; corners alone make it off."""
    whole = box(-5, -5, 45, 45)
    alone = zones_spread(site(DataAccuracy(layers={"parcels": LayerAccuracy(vertex_sd_m=0.0)})), [whole])
    assert alone == pytest.approx((0.0, 0.0), abs=1e-9)
    corners = zones_spread(site(DataAccuracy(position_sd_m=0.2)), [whole])
    # Four corners off by 0.6 * 0.2 m along each axis: each changes two sides by that.
    assert corners.length_sd_m == pytest.approx(np.sqrt(4 * 2) * 0.12)


# --- what it comes to ------------------------------------------------------------------------------------

PATHS = [{"length_m": 100.0, "length_sd_m": 3.0}, {"length_m": 50.0, "length_sd_m": 4.0}]
DOUBTS = [Doubt(0.5, {"boundary wire": 24.0, "amount": 200.0}), Doubt(0.2, {"further docks": 1.0, "amount": -500.0})]


def test_lengths_and_decisions_add_in_squares() -> None:
    assert wire_spread(PATHS, DOUBTS).sd == pytest.approx(np.hypot(5.0, 12.0))
    assert item_sd("further docks", 0, PATHS, DOUBTS, ways=1.0) == pytest.approx(0.4)
    assert item_sd("pegs", 300, PATHS, DOUBTS, ways=1.0) == pytest.approx(2 * 13.0)
    amounts = {"boundary wire": 150.0, "pegs": 30.0, "duct": 40.0, "mower": None}
    priced = [{"item": item, "amount": amount} for item, amount in amounts.items()]
    assert amount_spread(priced, PATHS, DOUBTS, ways=0.5).sd == pytest.approx(
        np.sqrt((1.2 * 5) ** 2 + 100**2 + 200**2 + (0.5 * 0.5 * 40) ** 2 + (0.5 * 0.02 * 220) ** 2)
    )
    assert amount_spread([], [], [], ways=1.0) == wire_spread([], []) == (0, 0, 0)


def test_decisions_by_chance_scatter_as_said() -> None:
    rng = np.random.default_rng(3)
    drawn = sum((rng.random(100_000) < chance) * changes["amount"] for chance, changes in DOUBTS)
    assert amount_spread([], PATHS, DOUBTS, ways=1.0).sd == pytest.approx(drawn.std(), rel=0.01)


def test_nine_in_ten_truths_lie_between_low_and_high_also_where_a_decision_steps() -> None:
    """A dock more by a chance of 0.36: no truth lies about the mean, and 1.645 sds either side leave out a third."""
    doubts_of_it = [Doubt(0.36, {"amount": 400.0})]
    priced = [{"item": "boundary wire", "amount": 100.0}, {"item": "duct", "amount": 900.0}]
    spread = amount_spread(priced, [{"length_m": 100.0, "length_sd_m": 10.0}], doubts_of_it, ways=0.0)
    rng = np.random.default_rng(5)
    truth = 1000 + rng.normal(0, 10, 20_000) + 400 * (rng.random(20_000) < 0.36)
    assert 0.89 < np.mean((truth >= spread.low) & (truth <= spread.high)) < 0.91
    assert np.mean(np.abs(truth - 1000) <= 1.645 * spread.sd) < 0.7


def planned(area: Polygon, chance: float | None = 0.3) -> Plan:
    check = {"code": "ground-slope", "flip_probability": chance, "changes": None, "target_layer": None}
    plan = Plan("P1", FRAME.crs)
    plan._rows |= {
        "zones": [{"zone_id": "P1-Z1", "loop_id": "P1-L1", "geometry": HOME}],
        "visit_checks": [{**check, "check_id": f"C{number}"} for number in range(3)],
        "visit_areas": [{"check_id": f"C{number}", "geometry": area} for number in range(3)],
    }
    return plan


def test_ground_that_may_be_kept_out_changes_the_wire_by_its_edge_once_for_all_readings() -> None:
    (doubt,) = doubts(site(), planned(box(8, 15, 12, 20)), MOWER, PRICES)
    assert doubt.chance == 0.3 and doubt.changes["boundary wire"] == pytest.approx(10.0, abs=0.5)
    assert not doubts(site(), planned(box(8, 15, 12, 20), None), MOWER, PRICES)


def test_ground_that_may_be_mown_after_all_and_ground_that_parts_a_lawn() -> None:
    (beside,) = doubts(site(), planned(box(20.01, 0, 24, 20)), MOWER, PRICES)
    assert beside.changes["boundary wire"] == pytest.approx(8.0, abs=0.3)
    (across,) = doubts(site(), planned(box(9, 0, 11, 20)), MOWER, PRICES)
    assert across.changes["boundary wire"] > 30 and across.changes["amount"] > 20


def test_checks_that_say_what_changes_are_taken_at_their_word() -> None:
    plan = planned(HOME)
    plan._rows["visit_checks"] = [{"check_id": "C0", "flip_probability": 0.1, "changes": json.dumps({"amount": 7.0})}]
    assert doubts(site(), plan, MOWER, PRICES) == [Doubt(0.1, {"amount": 7.0})]


def test_a_dock_that_may_stand_elsewhere_changes_its_cable() -> None:
    plan = planned(HOME)
    check = {"check_id": "C0", "code": "dock-slope", "flip_probability": 0.2, "changes": None}
    plan._rows["visit_checks"] = [{**check, "target_layer": "dock_candidates", "target_id": "P1-D1"}]
    plan._rows["visit_areas"] = []
    place = {"zone_id": "P1-Z1", "feasible": True, "chosen": False}
    plan._rows["dock_candidates"] = [
        {**place, "candidate_id": "P1-D1", "chosen": True, "rank": 1, "supply_m": 4.0},
        {**place, "candidate_id": "P1-D2", "rank": 3, "supply_m": 9.0},
        {**place, "candidate_id": "P1-D3", "rank": 2, "supply_m": 7.0},
        {**place, "candidate_id": "P1-D4", "rank": None, "supply_m": 1.0},
    ]
    each = PRICES.supply_cable_per_m
    assert doubts(site(), plan, MOWER, PRICES) == [
        Doubt(0.1, {"supply cable": 3.0, "amount": round(3 * each, 4)}),
        Doubt(0.1, {"supply cable": 5.0, "amount": round(5 * each, 4)}),
    ]


def test_a_trunk_that_may_get_an_island_takes_its_ring_and_its_lead_or_saves_them() -> None:
    plan = planned(HOME)
    trunk = {"check_id": "C0", "code": "trunk", "flip_probability": 0.2, "changes": None, "target_layer": "trees"}
    for diameter_m, sign in ((0.16, 1), (0.14, -1)):
        check = {**trunk, "value": diameter_m, "limit_value": 0.15, "at_stake": 3.0, "geometry": Point(6, 10)}
        plan._rows |= {"visit_checks": [check], "visit_areas": []}
        (doubt,) = doubts(site(), plan, MOWER, PRICES)
        assert doubt.changes["boundary wire"] == pytest.approx(sign * (3 + 2 * 6))


def test_each_lead_and_each_cable_may_go_over_a_path() -> None:
    """Two docks and one lead; a path of 2 m; on maps off by 0.1 m half as much hangs on them as on those off by 0.2."""
    plan = planned(HOME)
    led = {"role": "detached", "supply": "main_wire"}
    plan._rows |= {
        "zones": [{"geometry": HOME, "role": "home", "supply": "own_dock"}, {"geometry": APART, **led}],
        "dock_candidates": [{"chosen": True}, {"chosen": True}, {"chosen": False}],
        "visit_checks": [],
    }
    for use, ways in (("path", 3), ("drive", 0)):
        paving = geopandas.GeoDataFrame({"use": [use]}, geometry=[box(22, 0, 24, 20)])
        paved = replace(site(DataAccuracy(position_sd_m=0.1)), layers={"hard_surfaces": paving})
        cut = {"saw cut": MOWER.crossing_length_max_m, "amount": MOWER.crossing_length_max_m * PRICES.saw_cut_per_m}
        assert doubts(paved, plan, MOWER, PRICES) == [Doubt(0.25, cut)] * ways
