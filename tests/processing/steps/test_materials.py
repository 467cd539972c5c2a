"""Step `materials` on plans made by hand: what is bought, in whose words, and paving cut where a finding asks."""

from __future__ import annotations

from importlib import resources

import geopandas
import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.mower import MowerProfile, built_in_profile
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.plan import Plan, StepResult
from lawngis.processing.model.site import Site
from lawngis.processing.steps import materials as step

MOWER = built_in_profile()
GAP_M = 1.0
"""Width of the ground between the two lawns of the plan, at x from 10 to 11."""


BETWEEN = box(10, -5, 10 + GAP_M, 15)


def site_of(use: str | None = None, *, surface: Polygon = BETWEEN, **layers) -> Site:
    """A level site; between its two lawns lies paving of some use, or lawn."""
    frame = MeasuringFrame.centred_on(Point(0, 0), MeasuringFrame.centred_on(Point(11, 48), CRS(4326)).crs)
    dem = Grid(np.full((24, 34), 100.0), Affine(1, 0, -7, 0, -1, 17), frame.crs)
    tables = {name: geopandas.GeoDataFrame(geometry=list(shapes), crs=frame.crs) for name, shapes in layers.items()}
    if use:
        columns = {"use": [use], "level": ["flush"]}
        tables["hard_surfaces"] = geopandas.GeoDataFrame(columns, geometry=[surface], crs=frame.crs)
    return Site("P1", "", box(-5, -5, 25, 15), frame, tables, dem)


def across(y: float) -> LineString:
    return LineString([(9.5, y), (11.5, y)])


def run(kind: str, line: LineString, island: str | None = None) -> dict:
    return {"loop_id": "P1-L1", "run_kind": kind, "island_id": island, "geometry": line}


def plan_of(site: Site, surface: str = "lawn", runs=(), route: LineString | None = None, **wire) -> Plan:
    """Two lawns beside each other, the second reached over a link; wire as long as is said."""
    path = {
        "loop_id": "P1-L1",
        "length_m": 94.0,
        "slack_m": 1.88,
        "length_sd_m": 1.0,
        "geometry": LineString([(0, 0), (1, 0)]),
    } | wire
    zone = {"loop_id": "P1-L1", "supply": "own_dock", "reached_by": None}
    zones = [
        {**zone, "zone_id": "P1-Z1", "geometry": box(0, 0, 10, 10)},
        {**zone, "zone_id": "P1-Z2", "supply": "main_wire", "reached_by": "P1-P1", "geometry": box(11, 0, 20, 10)},
    ]
    link = {"link_id": "P1-P1", "kind": "crossing", "surface": surface, "geometry": LineString([(10, 5), (11, 5)])}
    routes = [] if route is None else [{"candidate_id": "P1-D1", "length_m": route.length, "geometry": route}]
    layers = {
        "wire_path": [path], "wire_runs": list(runs), "zones": zones, "links": [link], "supply_route": routes,
        "pegs": [{"peg_no": number, "geometry": Point(number, 0)} for number in range(154)],
        "joins": [{"why": "closing", "geometry": Point(0, 0)}],
    }  # fmt: skip
    plan = Plan("P1", site.frame.crs)
    layers = {name: [whole(name, row) for row in rows] for name, rows in layers.items()}
    plan.attach("made by hand", StepResult(layers), layers)
    return plan


def whole(layer: str, row: dict) -> dict:
    """A row with some value in every column that must have one."""
    some = {"text": "x", "real": 1.0, "integer": 1, "boolean": True}
    columns = [column for column in PLAN_LAYERS[layer].columns if not column.nullable]
    return {column.name: column.values[0] if column.values else some[column.kind] for column in columns} | row


def bought(site: Site, plan: Plan, mower: MowerProfile = MOWER, **parameters) -> list[dict]:
    return list(step.materials(site, plan, mower, step.MaterialsParameters(**parameters)).layers["materials"])


def cuts(rows: list[dict]) -> list[tuple[str, float]]:
    return [(row["item"], row["quantity"]) for row in rows if row["item"] in ("saw cut", "duct")]


PASSAGE = [run("passage", across(4.85)), run("passage", across(5.15))]


def test_a_passage_of_lawn_beside_paving_is_none_either() -> None:
    """What lies under one of its wires by a hand's breadth is no crossing of paving: no finding asks for a cut."""
    site = site_of("path", surface=box(10, 5.1, 11, 15))
    assert cuts(bought(site, plan_of(site, "lawn", PASSAGE))) == []


def test_both_wires_of_a_passage_over_a_path_are_one_saw_cut_there_and_back() -> None:
    site = site_of("path")
    assert cuts(bought(site, plan_of(site, "flush path", PASSAGE))) == [("saw cut", 2 * GAP_M)]


@pytest.mark.parametrize(("use", "item"), [("path", "saw cut"), ("terrace", "saw cut"), ("drive", "duct")])
def test_a_lead_takes_one_cut_for_both_wires_and_an_island_none(use: str, item: str) -> None:
    site = site_of(use)
    leads = [run("lead_out", across(2)), run("lead_back", across(2)), run("lead_out", across(3), "P1-L1-I1")]
    assert cuts(bought(site, plan_of(site, runs=leads))) == [(item, GAP_M)]


@pytest.mark.parametrize(("use", "item"), [("path", "saw cut"), ("drive", "duct")])
def test_the_supply_cable_gets_what_its_finding_asks_for(use: str, item: str) -> None:
    site = site_of(use)
    plan = plan_of(site, route=LineString([(8, 8), (14, 8)]))
    assert cuts(bought(site, plan)) == [(item, GAP_M)]
    along_a_wall = site_of(use, buildings=[box(5, 8.1, 20, 12)])
    assert cuts(bought(along_a_wall, plan)) == []


def test_quantities_are_rounded_before_they_are_priced() -> None:
    site = site_of()
    rows = {row["item"]: row for row in bought(site, plan_of(site))}
    wire = rows["boundary wire"]
    assert (wire["quantity"], wire["unit_price"], wire["amount"]) == (95.9, 0.45, 43.16)  # of 95.88 m
    assert (rows["pegs"]["quantity"], rows["pegs"]["amount"]) == (154.0, 23.1)
    assert {(row["currency"], row["price_source"]) for row in rows.values() if row["unit_price"]} == {
        ("EUR", "example")
    }


def test_words_are_a_customers_and_name_no_layer() -> None:
    site = site_of("path")
    plan = plan_of(site, "flush path", PASSAGE, LineString([(8, 8), (14, 8)]))
    for row in bought(site, plan):
        assert row["basis"]
        for word in ("row", "layer", "_", "column"):
            assert word not in row["basis"]


def test_the_mower_is_priced_by_its_profile_or_stands_there_without_a_price(tmp_path) -> None:
    site = site_of()
    own = tmp_path / "own.toml"
    text = resources.files("lawngis").joinpath("prices_example.toml").read_text(encoding="utf-8")
    own.write_text(text.replace("example = true", "").replace('"EUR"', '"CHF"'))
    plan = plan_of(site)
    for mower, book, priced in (
        (MOWER, None, (1600.0, "EUR", "example")),
        (built_in_profile("large"), str(own), (3400.0, "CHF", "own")),
        (MOWER.model_copy(update={"name": "mine"}), str(own), (None, "CHF", None)),
    ):
        first = bought(site, plan, mower, price_book=book)[0]
        assert first["item"] == "mower with its dock" and first["quantity"] == 1
        assert (first["amount"], first["currency"], first["price_source"]) == priced


def test_nothing_is_bought_where_no_wire_is_laid() -> None:
    site = site_of()
    plan = Plan("P1", site.frame.crs)
    plan.attach("made by hand", StepResult({"wire_path": []}), ["wire_path"])
    assert bought(site, plan) == []
