"""Loops of neighbours: found on both sides of a border, with the right distance, and not when they are far apart."""

from __future__ import annotations

import json
import re
from collections import Counter
from itertools import combinations

import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import LineString, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.mower import profile_text
from lawngis.processing.derived.loops import SIDE_BY_SIDE_M
from lawngis.processing.files.packing import packed_rows
from lawngis.processing.planning.interference import IN_PROCESS, neighbour_findings, reach_boxes
from lawngis.processing.planning.limits import Limits
from lawngis.processing.planning.workers import Processes

UTM = CRS.from_epsg(25832)
HEIGHT_M = 0.06


def loop(name, x, y, width, depth):
    """A loop, its corner that many metres from a place in the middle of the zone."""
    ring = box(500_000 + x, 5_500_000 + y, 500_000 + x + width, 5_500_000 + y + depth).exterior
    return {"loop_id": name, "geometry": LineString(ring.coords)}


def found(paths, crs=UTM, workers=IN_PROCESS):
    """Findings by parcel of loops by parcel, given in UTM."""
    moved = {}
    reaches = {}
    for parcel_id, rows in paths.items():
        frame = MeasuringFrame.centred_on(box(*shapely.total_bounds([row["geometry"] for row in rows])), UTM)
        own = [{**row, "geometry": frame.to_frame([row["geometry"]])[0]} for row in rows]
        out = MeasuringFrame(crs, frame.longitude_deg, frame.latitude_deg)
        reaches[parcel_id] = reach_boxes(own, out)
        moved[parcel_id] = [{**row, "geometry": out.to_source([row["geometry"]])[0]} for row in own]
    return neighbour_findings(
        reaches,
        lambda name: packed_rows({"wire_path": moved[name]}),
        antenna_height_m=HEIGHT_M,
        crs=crs,
        workers=workers,
    )


def test_both_sides_hear_of_it_with_names_and_distance():
    said = found({"A": [loop("A-L1", 0, 0, 20, 20)], "B": [loop("B-L1", 20.4, 0, 20, 20)]})
    assert set(said) == {"A", "B"}
    for own, other in (("A", "B"), ("B", "A")):
        (row,) = said[own]
        assert row["parcel_id"] == own
        assert row["code"] == "neighbour-loop"
        assert row["severity"] == "caution"
        assert f"the wire of {own}-L1 comes within 0.40 m of {other}-L1 on parcel {other}" in row["text"]
        values = json.loads(row["values"])
        assert (values["loop_id"], values["neighbour_loop_id"]) == (f"{own}-L1", f"{other}-L1")
        assert values["neighbour_parcel_id"] == other and values["gap_m"] == pytest.approx(0.4, abs=0.001)
    assert said["A"][0]["geometry"].x == pytest.approx(500_020, abs=0.01)
    assert said["B"][0]["geometry"].x == pytest.approx(500_020.4, abs=0.01)


def test_workers_find_the_same_and_this_process_when_they_are_dead(monkeypatch):
    """Rows of loops side by side, in tasks of one pair each."""
    monkeypatch.setattr("lawngis.processing.planning.interference.PAIRS_EACH", 1)
    paths = {f"P{number}": [loop(f"P{number}-L1", 10.5 * number, 0, 10, 10)] for number in range(5)}
    alone = found(paths)
    assert set(alone) == set(paths)
    workers = Processes(2, Limits())
    try:
        assert found(paths, workers=workers) == alone
        for process in workers.executor._processes.values():
            process.kill()
        assert found(paths, workers=workers) == alone
    finally:
        workers.stop(now=True)


def test_three_metres_apart_is_nothing():
    assert found({"A": [loop("A-L1", 0, 0, 20, 20)], "B": [loop("B-L1", 23, 0, 20, 20)]}) == {}


def test_own_loops_are_no_neighbours():
    assert found({"A": [loop("A-L1", 0, 0, 20, 20), loop("A-L2", 20.4, 0, 20, 20)]}) == {}


def test_what_is_heard_of_the_neighbour_by_hand():
    """Loops of 400 m side by side are long straight wires: 0.3 m inside the own and 0.7 m from the other wire, at a
    height h, the vertical fields are as d / (d² + h²), so the other's is 1.4181 / 3.2051 = 44 % of the own.
    """

    def straight(d):
        return d / (d**2 + HEIGHT_M**2)

    share = straight(0.7) / straight(0.3)
    said = found({"A": [loop("A-L1", 0, 0, 400, 400)], "B": [loop("B-L1", 400.4, 0, 400, 400)]})
    told = json.loads(said["A"][0]["values"])["share_percent"]
    assert told == pytest.approx(100 * share, abs=1.0)


@pytest.mark.parametrize("crs", [CRS.from_epsg(4326), CRS.from_epsg(3857), CRS.from_epsg(2056)])
def test_distances_are_metres_in_any_crs(crs):
    paths = {
        "A": [loop("A-L1", 0, 0, 20, 20)],
        "B": [loop("B-L1", 20.4, 5, 20, 20)],
        "C": [loop("C-L1", 43.4, 5, 9, 9)],
    }
    said = found(paths, crs)
    assert set(said) == {"A", "B"}
    assert json.loads(said["A"][0]["values"])["gap_m"] == pytest.approx(0.4, abs=0.005)


def test_a_loop_between_two_hears_of_both():
    said = found(
        {"A": [loop("A-L1", 0, 0, 10, 10)], "B": [loop("B-L1", 11, 0, 10, 10)], "C": [loop("C-L1", 22.5, 0, 10, 10)]}
    )
    assert {name: len(rows) for name, rows in said.items()} == {"A": 1, "B": 2, "C": 1}
    assert [json.loads(row["values"])["gap_m"] for row in said["B"]] == pytest.approx([1.0, 1.5], abs=0.005)


PLACES = st.tuples(st.floats(0, 30), st.floats(0, 30), st.floats(2, 12), st.floats(2, 12))


@settings(max_examples=25, deadline=None)
@given(st.lists(PLACES, min_size=2, max_size=6))
def test_as_many_as_looking_at_every_pair(places):
    paths = {f"P{number}": [loop(f"P{number}-L1", *place)] for number, place in enumerate(places)}
    gaps = {
        pair: paths[pair[0]][0]["geometry"].distance(paths[pair[1]][0]["geometry"]) for pair in combinations(paths, 2)
    }
    doubtful = any(abs(gap - SIDE_BY_SIDE_M) < 0.01 for gap in gaps.values())
    expected = Counter(name for pair, gap in gaps.items() if gap < SIDE_BY_SIDE_M for name in pair)
    if not doubtful:
        assert {name: len(rows) for name, rows in found(paths).items()} == dict(expected)


@pytest.mark.parametrize(("gap_m", "near"), [(0.0, True), (2.6, False)])
def test_a_real_plan_says_it_across_tasks(lawngis, build, tmp_path, gap_m, near):
    """Parcels that touch, wires 0.2 m inside each: 0.40 m. With 2.6 m of ground between them 3.00 m: nothing."""
    text = re.sub(r"(?m)^boundary = .*$", "boundary = 0.2", profile_text("medium"))
    profile = tmp_path / "near.toml"
    profile.write_text(text)
    site = build.site(tmp_path / "site", parcels=[build.parcel(), build.block(20 + gap_m, 0, 20, 15)], ids=["W", "E"])
    words = ("--profile", profile, "--set", "schedule.departures=0")
    assert lawngis("plan", site, "--out", tmp_path / "out", *words).code == 0
    plan = tmp_path / "out" / "plan.gpkg"
    wires = pyogrio.read_dataframe(plan, layer="wire_path").set_index("parcel_id").geometry
    findings = pyogrio.read_dataframe(plan, layer="findings")
    said = findings[findings["code"] == "neighbour-loop"].set_index("parcel_id")
    assert findings["finding_id"].is_unique
    if not near:
        assert said.empty
        return
    assert sorted(said.index) == ["E", "W"]
    assert "the wire of W-L1 comes within 0.40 m of E-L1 on parcel E" in said["text"]["W"]
    assert "the wire of E-L1 comes within 0.40 m of W-L1 on parcel W" in said["text"]["E"]
    assert wires["W"].distance(wires["E"]) == pytest.approx(0.40, abs=0.005)
    for name in ("W", "E"):
        assert wires[name].distance(said.geometry[name]) < 0.001
        assert np.isclose(said.geometry[name].x, 500_020 + (0.2 if name == "E" else -0.2), atol=0.01)
