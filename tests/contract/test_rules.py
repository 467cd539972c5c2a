"""The checker on plans drawn by hand: a right one passes, and each rule broken on purpose is caught."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from functools import cache
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
from expected_layers import CONTRACT_PROFILE, EXPECTED_LAYERS
from hand_made import BED, PLANE, WAY, ZONES, HandMade, Step, site_layers, write
from plan_view import Terrain, Violation, parcel_views, winding_numbers
from rules import (
    RULES,
    file_hashes,
    parcel_violations,
    rule_11_whole_and_untouched,
    unplanned_parcels,
    violations,
)
from shape import content_violations, database_problems, missing_parts
from shapely import LineString, Point, box
from shapely.affinity import translate

UTM = "EPSG:32632"
Layers = dict[str, pd.DataFrame]
Site = dict[str, geopandas.GeoDataFrame]


@cache
def right_plan() -> Layers:
    return HandMade().layers()


def drawn() -> Layers:
    """The right plan, to be broken."""
    return {name: table.copy() for name, table in right_plan().items()}


def judged(layers: Layers, site: Site | None = None) -> list[Violation]:
    """What rules 1 to 10 find in tables that were never written."""
    views = parcel_views(layers, site or site_layers())
    return [violation for view in views for violation in parcel_violations(view, CONTRACT_PROFILE)]


def checked(folder: Path, layers: Layers, crs: str = UTM) -> list[Violation]:
    """What the checker finds in files."""
    site = write(folder / "garden.gpkg", site_layers(), crs)
    plan = write(folder / "plan.gpkg", layers, crs)
    return violations(plan, site, CONTRACT_PROFILE)


def assert_caught(found: list[Violation], rule: int, words: str) -> None:
    assert any(v.rule == rule and words in v.text for v in found), "\n".join(map(str, found)) or "nothing found"


def rewired(change: Callable[[list[Step]], list[Step]]) -> Layers:
    return HandMade(way=change(list(WAY))).layers()


def replaced(way: list[Step], number: int, *steps: Step) -> list[Step]:
    return [*way[:number], *steps, *way[number + 1 :]]


def reversed_way(way: list[Step]) -> list[Step]:
    swapped = {"lead_out": "lead_back", "lead_back": "lead_out"}
    return [(swapped.get(kind, kind), edge_class, xy[::-1]) for kind, edge_class, xy in way[::-1]]


# A right plan ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("crs", [UTM, "EPSG:3857", "EPSG:4326"])
def test_a_right_plan_passes_in_every_crs(tmp_path: Path, crs: str) -> None:
    assert checked(tmp_path, drawn(), crs) == []


def test_a_right_plan_on_a_slope_passes() -> None:
    assert judged(HandMade(slope_factor=1.06).layers()) == []


def test_an_unsuitable_parcel_has_no_zones_and_no_wire() -> None:
    layers = {name: table.iloc[:0] for name, table in drawn().items()}
    layers["lawn"] = drawn()["lawn"].assign(area_m2=4.0).set_geometry([box(0, 0, 2, 2)], crs=PLANE)
    layers["hand_mow"] = layers["lawn"].rename(columns={"lawn_id": "area_id"}).assign(reason="small")
    figures = "mowers mowable_m2 zones loops wire_m lead_m pegs mowing_hours_week missing_hours_week"
    none = dict.fromkeys(figures.split(), 0)
    layers["summary"] = drawn()["summary"].assign(
        **none, status="not_suitable", lawn_m2=4.0, amount=np.nan, dock_score=np.nan, visit_checks=0
    )
    assert judged(layers) == []


def test_a_failed_parcel_needs_no_wire() -> None:
    layers = {name: table.iloc[:0] for name, table in drawn().items()}
    layers["summary"] = drawn()["summary"].assign(status="failed")
    assert judged(layers) == []
    assert content_violations(layers) == []


# Rules 1 to 8: the wire --------------------------------------------------------------------------------------------


def test_rule_1_open_loop() -> None:
    layers = rewired(lambda way: replaced(way, -1, ("edge", "boundary", [(0.5, 0.3), (4.9, 0.3)]))[: len(way)])
    assert_caught(judged(layers), 1, "not closed")


def test_rule_1_start_away_from_the_dock() -> None:
    layers = drawn()
    layers["dock_candidates"].geometry = [Point(5.05, 0.3)]
    assert_caught(judged(layers), 1, "chosen dock")


def test_rule_1_dock_in_a_zone_where_it_does_not_stand() -> None:
    layers = drawn()
    layers["dock_candidates"]["zone_id"] = "P01-Z2"
    assert_caught(judged(layers), 1, "outside P01-Z2")


def test_rule_1_ground_left_for_a_dock_that_stands_elsewhere() -> None:
    layers = drawn()
    layers["hand_mow"]["reason"] = "dock_straight"
    assert_caught(judged(layers), 1, "no dock stands there")


def test_rule_1_runs_out_of_order() -> None:
    layers = drawn()
    layers["wire_runs"].loc[[4, 5], "seq"] = [6, 5]
    assert_caught(judged(layers), 1, "from the end of the one before")


def test_rule_1_run_missing() -> None:
    layers = drawn()
    layers["wire_runs"] = layers["wire_runs"].drop(index=10)
    assert_caught(judged(layers), 1, "does not follow")


def test_rule_1_runs_off_the_path() -> None:
    layers = drawn()
    layers["wire_runs"].loc[12, "geometry"] = LineString([(28.7, 0.5), (28.705, 5), (28.7, 9.5)])
    assert_caught(judged(layers), 1, "from wire_path")


def test_rule_1_length_that_is_no_ground_length() -> None:
    layers = drawn()
    layers["wire_path"]["plan_length_m"] *= 0.9996
    assert_caught(judged(layers), 1, "plan_length_m")


def test_rule_2_laid_clockwise() -> None:
    assert_caught(judged(rewired(reversed_way)), 2, "winding number -1")


def test_rule_2_island_in_the_wrong_sense() -> None:
    layers = rewired(lambda way: replaced(way, 2, ("island", "soft", way[2][2][::-1])))
    assert_caught(judged(layers), 2, "winding number 2")


def test_rule_2_island_left_out() -> None:
    layers = rewired(lambda way: way[:1] + way[4:])
    assert_caught(judged(layers), 2, "off the zones")


def test_rule_2_ground_left_out() -> None:
    def shortened(way: list[Step]) -> list[Step]:
        return [(k, c, [(min(x, 26.5 + (x > 28.6) * 0.2), y) for x, y in xy]) for k, c, xy in way]

    assert_caught(judged(rewired(shortened)), 2, "not enclosed")


def test_rule_3_edge_too_near() -> None:
    nearer = ("edge", "boundary", [(28.7, 0.5), (28.73, 1), (28.73, 9), (28.7, 9.5)])
    assert_caught(judged(rewired(lambda way: replaced(way, 12, nearer))), 3, "0.270 m")


def test_rule_3_allows_two_centimetres() -> None:
    nearer = ("edge", "boundary", [(28.7, 0.5), (28.715, 1), (28.715, 9), (28.7, 9.5)])
    found = judged(rewired(lambda way: replaced(way, 12, nearer)))
    assert found == []


def test_rule_3_island_too_near() -> None:
    ring = [(x, y - 0.05 if 3.8 < y < 3.95 else y) for x, y in WAY[2][2]]
    ring = [(8, 3.75), (7.2, 3.75), (7.1, 3.85), (6.9, 3.85), (6.75, 4.0), *ring[3:]]
    layers = rewired(lambda way: replaced(way, 2, ("island", "soft", ring)))
    assert_caught(judged(layers), 3, "setback")


def test_rule_3_run_that_claims_a_milder_class() -> None:
    run = ("edge", "flush", [(28.7, 0.5), (28.8, 0.6), (28.8, 9.4), (28.7, 9.5)])
    assert_caught(judged(rewired(lambda way: replaced(way, 12, run))), 3, "an edge whose setback is 0.3")


def test_rule_3_outline_without_an_edge() -> None:
    layers = drawn()
    edges = layers["edges"]
    layers["edges"] = edges[edges["edge_class"] != "flush"]
    assert_caught(judged(layers), 3, "no row in edges")


def test_rule_3_setback_of_another_profile() -> None:
    layers = drawn()
    layers["edges"]["setback_m"] = layers["edges"]["setback_m"].replace(0.3, 0.2)
    assert_caught(judged(layers), 3, "not the profile's")


def above_a_drop(setback_m: float, *, asked: bool = True, evidence: str = "ground falls away") -> list[str]:
    """What is found of an edge of the right plan that is called a drop of 1.5 m, with a setback."""
    layers, site = drawn(), dict(site_layers())
    edges = layers["edges"]
    at = edges.index[edges["edge_class"] == "boundary"][0]
    edges.loc[at, ["edge_class", "setback_m", "evidence"]] = ["drop", setback_m, evidence]
    drop = {"kind": ["drop"], "height_m": [1.5], "geometry": [edges.loc[at].geometry]}
    site["barriers"] = geopandas.GeoDataFrame(drop, crs=PLANE)
    checks = layers["visit_checks"]
    checks["target_id"], checks["target_column"] = edges.loc[at, "edge_id"] if asked else "", "edge_class"
    (view,) = parcel_views(layers, site)
    return [text for where, text in RULES[3](view, CONTRACT_PROFILE) if where == edges.loc[at, "edge_id"]]


def test_rule_3_above_a_drop() -> None:
    """0.60 + 0.1 x (1.5 - 0.5) + 1.645 x 0.10 = 0.8645."""
    assert above_a_drop(0.87) == []
    (said,) = above_a_drop(0.86)
    assert said.startswith("setback_m 0.86 above a drop is not from 0.86")
    assert above_a_drop(1.6) != []
    assert above_a_drop(0.87, asked=False) == ["a drop that nobody measured is on no visit list"]
    assert above_a_drop(0.87, asked=False, evidence="measured on site: tape") == []


def joined_at(*chainages: float) -> list[str]:
    """What is found of the right plan, whose loop is 108.97 m long, with reels of 100 m that end there."""
    layers = drawn()
    row = layers["joins"].iloc[[0]]
    layers["joins"] = pd.concat([row, *(row.assign(chainage_m=at, why="reel_end") for at in chainages)])
    (view,) = parcel_views(layers, site_layers())
    return [text for _, text in RULES["joins"](view, {**CONTRACT_PROFILE, "wire_reel_m": 102.0})]


@pytest.mark.parametrize(
    ("at_m", "said"),
    [
        (53.0, []),  # in the middle of an edge from 48.99 to 57.99 m
        (48.84, ["a join at 48.84 m, where no edge is"]),  # a corner
        (49.10, ["a join at 49.10 m, where no edge is"]),  # 0.11 m behind it
        (33.00, ["a join at 33.00 m, where no edge is"]),  # a passage
        (10.00, ["a join at 10.00 m, where no edge is"]),  # an island
        (18.00, ["a join at 18.00 m, where no edge is"]),  # a lead
    ],
)
def test_joins_where_hands_can_work(at_m: float, said: list[str]) -> None:
    assert joined_at(at_m) == said


@pytest.mark.parametrize(
    ("layer", "columns", "caught"),
    [
        ("obstacles", {"rigid": True, "height_m": 0.15}, False),
        ("obstacles", {"rigid": True, "height_m": 0.14}, True),
        ("obstacles", {"rigid": True, "height_m": np.nan}, True),
        ("obstacles", {"rigid": False, "height_m": 1.0}, True),
        ("obstacles", {"rigid": None, "height_m": 1.0}, True),
        ("barriers", {"kind": "kerb", "height_m": 0.2}, False),
        ("barriers", {"kind": "kerb", "height_m": 0.1}, True),
        ("barriers", {"kind": "hedge", "height_m": 1.0}, True),
    ],
)
def test_what_is_bumped_is_rigid_and_felt(layer: str, columns: dict[str, object], caught: bool) -> None:
    layers, site = drawn(), site_layers()
    layers["keepouts"] = layers["keepouts"].assign(reason="obstacle", treatment="bump")
    site[layer] = geopandas.GeoDataFrame({key: [value] for key, value in columns.items()}, geometry=[BED], crs=PLANE)
    (view,) = parcel_views(layers, site)
    found = list(RULES["bumped"](view, CONTRACT_PROFILE))
    assert found == ([("P01-K1", "it is bumped, and nothing rigid of that height is drawn there")] if caught else [])


def test_reels_that_are_too_short_for_the_loop() -> None:
    assert joined_at() == ["a reel of 108.97 m"]
    layers = drawn()
    layers["joins"] = layers["joins"].assign(chainage_m=50.0)
    assert "closed at [50.0] m" in str([violation for violation in judged(layers) if violation.rule == "joins"])


@pytest.mark.parametrize("kinds", [("edge",), ("corner",)])
def test_rule_4_square_corner(kinds: tuple[str, ...]) -> None:
    square = (kinds[0], "boundary", [(28.5, 0.3), (28.7, 0.3), (28.7, 0.5)])
    assert_caught(judged(rewired(lambda way: replaced(way, 11, square))), 4, "90.0 degrees")


def test_rule_4_corner_split_within_millimetres() -> None:
    split = ("corner", None, [(28.5, 0.3), (28.698, 0.3), (28.7, 0.302), (28.7, 0.5)])
    assert_caught(judged(rewired(lambda way: replaced(way, 11, split))), 4, "89.")


def test_rule_4_sharp_bend_hidden_behind_a_lead() -> None:
    def peaked(way: list[Step]) -> list[Step]:
        island = [(8, 3.0), *way[2][2][1:-1], (8, 3.0)]
        lead = [(8, 0.3), (8, 3.0)]
        return replaced(
            replaced(replaced(way, 1, ("lead_out", None, lead)), 2, ("island", "soft", island)),
            3,
            (
                "lead_back",
                None,
                lead[::-1],
            ),
        )

    assert_caught(judged(rewired(peaked)), 4, "a bend of")


def test_rule_4_bend_at_the_dock() -> None:
    def pointed(way: list[Step]) -> list[Step]:
        way = replaced(way, 0, ("edge", "boundary", [(5, 1.3), (6, 0.3), (8, 0.3)]))
        return replaced(way, -1, ("edge", "boundary", [(0.5, 0.3), (4, 0.3), (5, 1.3)]))[: len(way)]

    assert_caught(judged(rewired(pointed)), 4, "90.0 degrees")


def test_rule_5_lead_wires_apart() -> None:
    layers = rewired(lambda way: replaced(way, 3, ("lead_back", None, [(8, 3.75), (8.01, 2), (8, 0.3)])))
    assert_caught(judged(layers), 5, "apart")


def test_rule_5_lead_without_a_way_back() -> None:
    layers = rewired(lambda way: replaced(way, 3, ("edge", "boundary", way[3][2])))
    assert_caught(judged(layers), 5, "never comes back")


def test_rule_5_lead_across_other_wire() -> None:
    def across(way: list[Step]) -> list[Step]:
        lead = [(8, 0.3), (8, 0.2), (9, 0.2), (9, 3), (8, 3.75)]
        return replaced(replaced(way, 1, ("lead_out", None, lead)), 3, ("lead_back", None, lead[::-1]))

    assert_caught(judged(rewired(across)), 5, "crosses")


def small_ring(x: float, y: float) -> list[tuple[float, float]]:
    ring = [(0, 0), (-0.4, 0), (-0.7, 0.3), (-0.7, 0.7), (-0.4, 1), (0.4, 1), (0.7, 0.7), (0.7, 0.3), (0.4, 0), (0, 0)]
    return [(x + a, y + b) for a, b in ring]


def islands(*leads: list[tuple[float, float]]) -> list[Step]:
    steps: list[Step] = []
    for lead in leads:
        steps += [
            ("lead_out", None, lead),
            ("island", "soft", small_ring(*lead[-1])),
            ("lead_back", None, lead[::-1]),
        ]
    return steps


def test_rule_5_leads_cross() -> None:
    def crossing(way: list[Step]) -> list[Step]:
        first, second = islands([(10, 0.3), (13, 2)], [(12, 0.3), (11, 2)])[:3], islands([(12, 0.3), (11, 2)])
        edges = [("edge", "boundary", [(a, 0.3), (b, 0.3)]) for a, b in ((8, 10), (10, 12), (12, 15.5))]
        return [*way[:4], edges[0], *first, edges[1], *second, edges[2], *way[5:]]

    assert_caught(judged(rewired(crossing)), 5, "cross")


def test_rule_5_island_reached_twice() -> None:
    layers = rewired(lambda way: way[:4] + islands([(8, 0.3), (11, 2)]) + way[4:])
    assert_caught(judged(layers), 5, "more than one lead")


def test_rule_6_stretches_too_near() -> None:
    def narrowed(way: list[Step]) -> list[Step]:
        return replaced(way, 17, ("passage", None, [(19.3, 5.35), (19.1, 5.1), (15.9, 5.1), (15.7, 5.35)]))

    assert_caught(judged(rewired(narrowed)), 6, "0.250 m apart")


def test_rule_6_island_too_near_the_edge() -> None:
    def low(way: list[Step]) -> list[Step]:
        edges = [("edge", "boundary", [(a, 0.3), (b, 0.3)]) for a, b in ((8, 12), (12, 15.5))]
        return [*way[:4], edges[0], *islands([(12, 0.3), (12, 0.55)]), edges[1], *way[5:]]

    assert_caught(judged(rewired(low)), 6, "0.250 m apart")


def test_rule_7_peg_missing_on_a_straight() -> None:
    layers = HandMade(peg_spacing_m=0.9).layers()
    assert_caught(judged(layers), 7, "without a peg after")


def test_rule_7_peg_missing_at_a_bend() -> None:
    layers = HandMade(peg_spacing_m=0.25).layers()
    pegs = layers["pegs"]
    layers["pegs"] = pegs[pegs.distance(Point(28.7, 0.5)) > 0.01]
    assert_caught(judged(layers), 7, "bends over 20 degrees")


def test_rule_7_peg_beside_its_chainage() -> None:
    layers = drawn()
    layers["pegs"].loc[3, "geometry"] = Point(6, 1)
    assert_caught(judged(layers), 7, "from where its chainage")


def _later(layers: Layers, *numbers: int) -> Layers:
    """The plan with these pegs of the first pass left to the second."""
    pegs = layers["pegs"]
    layers["pegs"] = pegs.assign(stage=np.where(pegs.index.isin(numbers), "fill", pegs["stage"]))
    return layers


def test_rule_7_second_pass_where_the_wire_runs_straight() -> None:
    layers = drawn()
    straight = int(np.argmin(layers["pegs"].distance(Point(12.0, 0.3))))
    assert not [one for one in judged(_later(layers, straight)) if one.rule == 7]


@pytest.mark.parametrize("number", [0, -1])
def test_rule_7_end_of_the_wire_left_to_the_second_pass(number: int) -> None:
    layers = drawn()
    assert_caught(judged(_later(layers, layers["pegs"].index[number])), 7, "both ends of the wire")


def test_rule_7_bend_left_to_the_second_pass() -> None:
    layers = drawn()
    bend = int(np.argmin(layers["pegs"].distance(Point(28.7, 0.5))))
    assert_caught(judged(_later(layers, bend)), 7, "waits until after the trial")


def test_rule_7_first_pass_too_sparse() -> None:
    layers = drawn()
    near = layers["pegs"].distance(LineString([(2, 9.7), (14, 9.7)])) < 0.3
    assert_caught(judged(_later(layers, *layers["pegs"].index[near])), 7, "without a peg of the first pass")


def test_rule_8_wire_off_its_zone() -> None:
    run = ("edge", "boundary", [(28.7, 0.5), (29.1, 0.9), (29.1, 9.1), (28.7, 9.5)])
    assert_caught(judged(rewired(lambda way: replaced(way, 12, run))), 8, "off its zones")


def without_passage_lawn() -> Layers:
    layers = drawn()
    both = [box(0, 0, 16, 10), box(19, 0, 29, 10)]
    lawn = pd.concat([layers["lawn"]] * 2, ignore_index=True)
    lawn["lawn_id"], lawn.geometry = ["P01-G1", "P01-G2"], both
    lawn["area_m2"] = [shape.area for shape in both]
    layers["lawn"], layers["hand_mow"] = lawn, layers["hand_mow"].iloc[:0]
    layers["summary"]["lawn_m2"] = 260.0
    return layers


def test_rule_8_crossing_that_nobody_names() -> None:
    assert_caught(judged(without_passage_lawn()), 8, "no finding says so")


def test_rule_8_crossing_that_a_finding_names() -> None:
    layers = without_passage_lawn()
    layers["findings"]["code"] = "wire_crossing"
    assert judged(layers) == []


def test_rule_8_wire_through_a_building() -> None:
    site = site_layers()
    site["buildings"] = site["parcels"].set_geometry([box(17, 4, 18, 6)], crs=site["parcels"].crs)
    layers = without_passage_lawn()
    layers["findings"]["code"] = "wire_crossing"
    assert_caught(judged(layers, site), 8, "through a building")


# Rules 9 and 10: sums ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("layer", "column", "added"),
    [
        ("summary", "lawn_m2", 1.0),
        ("summary", "mowable_m2", 1.0),
        ("summary", "zones", 1),
        ("summary", "loops", 1),
        ("summary", "wire_m", 1.0),
        ("summary", "lead_m", 1.0),
        ("summary", "pegs", 1),
        ("summary", "dock_score", 0.1),
        ("summary", "mowing_hours_week", 0.5),
        ("summary", "missing_hours_week", 0.5),
        ("summary", "missing_hours_week", -0.5),
        ("schedule", "mowing_h", 0.5),
        ("schedule", "charging_h", 167.0),
        ("summary", "amount", 1.0),
        ("summary", "stop_findings", 1),
        ("summary", "visit_checks", 1),
        ("materials", "quantity", 20.0),
        ("materials", "amount", 20.0),
        ("wire_path", "lead_m", 0.5),
        ("zones", "perimeter_m", 0.5),
        ("edges", "length_m", 0.5),
        ("keepouts", "area_m2", 0.5),
        ("hand_mow", "area_m2", 0.5),
        ("supply_route", "length_m", 0.5),
    ],
)
def test_rule_9_figure_that_the_layers_deny(layer: str, column: str, added: float) -> None:
    layers = drawn()
    layers[layer][column] += added
    (view,) = parcel_views(layers, {})
    assert list(RULES[9](view, CONTRACT_PROFILE))


@pytest.mark.parametrize("item", ["boundary wire", "pegs"])
def test_rule_9_item_missing_or_wrong(item: str) -> None:
    layers = drawn()
    materials = layers["materials"]
    layers["materials"] = materials[materials["item"] != item]
    assert_caught(judged(layers), 9, "among the items")


def test_rule_9_columns_in_map_units_instead_of_ground() -> None:
    layers = drawn()
    layers["lawn"]["area_m2"] = layers["lawn"].geometry.to_crs("EPSG:3857").area
    assert_caught(judged(layers), 9, "measured")


def test_rule_10_zones_overlap() -> None:
    zones = {**ZONES, "P01-Z2": box(15.9, 4.4, 29, 5.6).union(box(19, 0, 29, 10))}
    assert_caught(judged(HandMade(zones=zones).layers()), 10, "share")


def test_rule_10_ground_in_no_layer() -> None:
    layers = drawn()
    layers["hand_mow"] = layers["hand_mow"].iloc[:0]
    assert_caught(judged(layers), 10, "in no zone")


def test_rule_10_ground_counted_twice() -> None:
    layers = drawn()
    layers["hand_mow"].geometry = [box(15, 4.4, 19, 5.6)]
    assert_caught(judged(layers), 10, "count both")


def test_rule_10_zone_off_the_lawn() -> None:
    zones = {**ZONES, "P01-Z2": box(19, 0, 30, 10)}
    assert_caught(judged(HandMade(zones=zones).layers()), 10, "off the lawn")


def bank(percent: float) -> Terrain:
    """Ground that is level west of x = 4 m and rises to the east of it."""
    x, y = np.meshgrid(np.arange(-5, 35, 0.5) + 0.25, np.arange(-5, 16, 0.5) + 0.25)
    return Terrain(np.dstack([x, y]), percent / 100 * np.clip(x - 4, 0, None))


def measured_slopes(*readings: tuple[Point, str]) -> Site:
    columns = {"target_layer": "keepouts", "column": "slope_percent", "value": [value for _, value in readings]}
    return {"overrides": geopandas.GeoDataFrame(columns, geometry=[place for place, _ in readings])}


def rule_12(percent: float, *readings: tuple[Point, str]) -> list[str]:
    """What rule 12 says of the right plan on a bank whose slopes were read at places of the drawing's plane."""
    (view,) = parcel_views(drawn(), {})
    middle = shapely.get_coordinates(view.shapes("zones", zone_id="P01-Z1")[0]).min(axis=0)
    terrain = bank(percent)
    site = measured_slopes(*((translate(place, *middle), value) for place, value in readings)) if readings else {}
    there = replace(view, terrain=replace(terrain, xy=terrain.xy + middle), site=site)
    return [text for _, text in RULES[12](there, CONTRACT_PROFILE)]


def test_rule_12_bank_in_a_zone() -> None:
    assert rule_12(30.0) == [] and rule_12(35.5) == []
    assert any(" 49 %, 0 readings" in text for text in rule_12(50.0))


def test_rule_12_one_reading_frees_no_bank() -> None:
    once, everywhere = [(Point(10, 5), "20")], [(Point(x, y), "20") for x in range(4, 30) for y in range(11)]
    assert rule_12(50.0, *once) and not rule_12(50.0, *everywhere)
    assert rule_12(50.0, *everywhere, (Point(7, 5), "36,5"))


# Rule 11 and the file ----------------------------------------------------------------------------------------------


@pytest.fixture
def finished(tmp_path: Path) -> tuple[Path, Path]:
    """A plan and its site, as far as rule 11 looks at them."""
    plan, site = tmp_path / "out" / "plan.gpkg", tmp_path / "site" / "garden.gpkg"
    for path in (plan, site):
        path.parent.mkdir()
        path.write_bytes(b"whole")
    return plan, site


def test_rule_11_untouched(finished: tuple[Path, Path]) -> None:
    for site in (finished[1], finished[1].parent):
        assert list(rule_11_whole_and_untouched(finished[0], site, file_hashes(site))) == []


def test_rule_11_input_changed(finished: tuple[Path, Path]) -> None:
    plan, site = finished
    before = file_hashes(site)
    site.write_bytes(b"hole")
    assert_caught(list(rule_11_whole_and_untouched(plan, site, before)), 11, "changed")


@pytest.mark.parametrize("name", ["dem.tif.aux.xml", "garden.gpkg-wal"])
def test_rule_11_file_made_in_the_input_folder(finished: tuple[Path, Path], name: str) -> None:
    plan, site = finished
    before = file_hashes(site.parent)
    (site.parent / name).write_bytes(b"")
    assert_caught(list(rule_11_whole_and_untouched(plan, site.parent, before)), 11, "made")


@pytest.mark.parametrize("name", ["plan.gpkg-wal", "plan.gpkg-journal", ".plan.7f3a.tmp.gpkg", "plan.gpkg.part"])
def test_rule_11_leftover_beside_the_plan(finished: tuple[Path, Path], name: str) -> None:
    (finished[0].parent / name).write_bytes(b"")
    assert_caught(list(rule_11_whole_and_untouched(*finished, None)), 11, "leftover")


def test_rule_11_no_plan(tmp_path: Path) -> None:
    assert_caught(violations(tmp_path / "plan.gpkg", tmp_path / "garden.gpkg", CONTRACT_PROFILE), 11, "no plan")


@pytest.mark.parametrize("name", sorted(EXPECTED_LAYERS))
def test_missing_layer_or_column(name: str) -> None:
    layers = drawn()
    assert missing_parts(layers) == []
    last = list(EXPECTED_LAYERS[name].columns)[-1]
    assert_caught(missing_parts({**layers, name: layers[name].drop(columns=last)}), 0, f"{last} is missing")
    del layers[name]
    assert_caught(missing_parts(layers), 0, "layer is missing")


@pytest.mark.parametrize(("status", "allowed"), [("failed", True), ("planned", False)])
def test_only_a_failed_parcel_may_lack_its_outline(status: str, allowed: bool) -> None:
    layers = drawn()
    layers["summary"].loc[0, "geometry"] = None
    layers["summary"]["status"] = status
    assert (content_violations(layers) == []) == allowed
    if allowed:
        assert judged(layers) == []


def test_missing_layer_of_a_file(tmp_path: Path) -> None:
    layers = drawn()
    del layers["joins"]
    assert_caught(checked(tmp_path, layers), 0, "layer is missing")


def test_wrong_geometry_type() -> None:
    layers = drawn()
    layers["hand_mow"].geometry = layers["hand_mow"].boundary
    assert_caught(content_violations(layers), 0, "not Polygon")


def test_damaged_file(tmp_path: Path) -> None:
    plan = write(tmp_path / "plan.gpkg", {"summary": drawn()["summary"]}, UTM)
    assert list(database_problems(plan)) == []
    with closing(sqlite3.connect(plan)) as database:
        database.execute("PRAGMA application_id = 0")
        database.execute("PRAGMA journal_mode = wal")
    assert len(list(database_problems(plan))) == 2


@pytest.mark.parametrize(
    ("layer", "column", "value", "words"),
    [
        ("zones", "role", "spare", "allowed are"),
        ("zones", "zone_id", "P01-Z1", "not unique"),
        ("links", "link_id", "P01-Z1", "not unique"),
        ("hand_mow", "area_id", "H1", "does not say"),
        ("edges", "zone_id", "P01-Z9", "does not hold"),
        ("edges", "confidence", 1.5, "leaves"),
        ("pegs", "parcel_id", "P02", "does not know"),
        ("lawn", "area_m2", np.nan, "is empty"),
    ],
)
def test_wrong_value(layer: str, column: str, value: object, words: str) -> None:
    layers = drawn()
    layers[layer][column] = value
    assert_caught(content_violations(layers), 0, words)


@pytest.mark.parametrize(
    ("parcels", "place", "words"),
    [
        ([None, None], None, "more than once"),
        ([None], Point(5, 5), "has a place"),
        (["P01"], None, "has no place"),
        ([None], None, ""),
    ],
)
def test_what_holds_for_the_run_is_said_once_and_what_is_said_of_a_parcel_lies_in_it(
    parcels: list[str | None], place: Point | None, words: str
) -> None:
    layers = drawn()
    (note,) = layers["findings"].to_dict("records")
    names = {None: "F", "P01": "P01-F"}
    rows = [
        {**note, "parcel_id": parcel, "finding_id": f"{names[parcel]}{number}", "geometry": place}
        for number, parcel in enumerate(parcels, start=1)
    ]
    layers["findings"] = geopandas.GeoDataFrame(rows, crs=layers["findings"].crs)
    if words:
        assert_caught(content_violations(layers), 14, words)
    else:
        assert content_violations(layers) == []


def test_text_where_a_number_belongs() -> None:
    layers = drawn()
    layers["zones"]["hours_week"] = "2.5"
    assert_caught(content_violations(layers), 0, "where number belongs")


def test_parcel_that_the_plan_forgot() -> None:
    site = site_layers()
    parcels = pd.concat([site["parcels"], site["parcels"].assign(parcel_id="P02")], ignore_index=True)
    site["parcels"] = geopandas.GeoDataFrame(parcels, crs=site["parcels"].crs)
    assert_caught(unplanned_parcels(drawn(), site), 0, "not in the plan")


# Stop findings -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("severity", "code", "text", "excused"),
    [
        ("stop", "wire.rule-6", "too tight", True),
        ("stop", "wire", "This wire can't keep rule 6 of the contract.", True),
        ("caution", "wire.rule-6", "too tight", False),
        ("stop", "wire.rule-5", "a lead", False),
        ("stop", "wire.rule-60", "sixty", False),
    ],
)
def test_stop_excuses_the_rule_that_it_names(severity: str, code: str, text: str, excused: bool) -> None:
    near = ("passage", None, [(19.3, 5.35), (19.05, 5.1), (15.95, 5.1), (15.7, 5.35)])
    layers = rewired(lambda way: replaced(way, 17, near))
    layers["findings"][["severity", "code", "text"]] = [severity, code, text]
    layers["summary"]["stop_findings"] = int(severity == "stop")
    assert [v.rule for v in judged(layers)] == ([] if excused else [6])


# The checker's own winding number ----------------------------------------------------------------------------------


def test_winding_numbers_of_known_curves() -> None:
    """Square 1, reversed -1, outside 0, pentagram centre 2, the lobes of a figure of eight +1 and -1 (textbook)."""
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)], dtype=float)
    angles = np.pi / 2 + np.arange(6) * 4 * np.pi / 5
    pentagram = np.column_stack([np.cos(angles), np.sin(angles)])
    eight = np.array([(0, 0), (1, -1), (1, 1), (-1, -1), (-1, 1), (0, 0)], dtype=float)
    points = np.array([(0.5, 0.5), (3, 3)])
    assert winding_numbers(square, points).tolist() == [1, 0]
    assert winding_numbers(square[::-1], points).tolist() == [-1, 0]
    assert winding_numbers(pentagram, np.zeros((1, 2))).tolist() == [2]
    assert winding_numbers(eight, np.array([(0.6, 0.0), (-0.6, 0.0)])).tolist() == [1, -1]


def test_the_drawing_is_what_its_comment_says() -> None:
    wire = LineString(np.concatenate([xy for _, _, xy in WAY]))
    assert wire.is_closed
    assert shapely.area(shapely.union_all(list(ZONES.values()))) == pytest.approx(160 - 4 + 100)
