"""A track finds the loops that it is of, and of the plan no more is read than their parcels."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely import LineString, MultiPolygon, Point

from lawngis.errors import LayerError, PlanError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.processing.as_built.planned_wire import planned_wires
from lawngis.processing.as_built.tracks import NotedPoint, TapeReading, Track, Walk
from lawngis.processing.as_built.walked_loops import NEARBY_M, walked_loops
from lawngis.processing.files import gpkg
from lawngis.processing.files.plan_reader import PlanFile, plan_file
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.tables import table

UTM = CRS.from_epsg(25832)
WGS84 = CRS.from_epsg(4326)
X0, Y0 = 500_000.0, 5_500_000.0
SIZE_M = 20.0


def ring(x: float, y: float, size: float = SIZE_M) -> LineString:
    return LineString(shapely.box(X0 + x, Y0 + y, X0 + x + size, Y0 + y + size).exterior.coords)


def rows_of(name: str, x: float, y: float) -> dict[str, list[dict[str, object]]]:
    """A square loop of one edge run, with a peg, a join and an edge to keep off."""
    wire, own = ring(x, y), {"parcel_id": name}
    loop = {**own, "loop_id": f"{name}-L1"}
    lengths = {"length_m": wire.length, "plan_length_m": wire.length, "lead_m": 0.0, "slack_m": 1.0}
    return {
        "summary": [{**own, "status": "planned", "geometry": MultiPolygon([shapely.Polygon(wire.coords)])}],
        "wire_path": [{**loop, "source": "dock", **lengths, "resistance_ohm": 1.0, "geometry": wire}],
        "wire_runs": [{**loop, "seq": 1, "run_kind": "edge", "from_m": 0.0, "to_m": wire.length, "geometry": wire}],
        "pegs": [{**loop, "peg_no": 1, "chainage_m": 0.0, "peg_kind": "dock", "geometry": Point(wire.coords[0])}],
        "joins": [{**loop, "chainage_m": wire.length, "why": "closing", "geometry": Point(wire.coords[0])}],
        "edges": [{**own, "edge_id": f"{name}-E1", "zone_id": f"{name}-Z1", "edge_class": "raised", "setback_m": 0.3,
                   "length_m": 20.0, "geometry": LineString([(X0 + x, Y0 + y - 0.3), (X0 + x + 20, Y0 + y - 0.3)])}],
    }  # fmt: skip


def written(path, parcels, crs=UTM):
    rows = {name: [] for name in PLAN_LAYERS}
    for name, x, y in parcels:
        for layer, some in rows_of(name, x, y).items():
            moved = [{**row, "geometry": reprojected(row["geometry"], crs)} for row in some]
            rows[layer] += moved
    tables = {name: table(spec, rows[name], crs if spec.geometry else None) for name, spec in PLAN_LAYERS.items()}
    return plan_file(gpkg.write_plan(path / "plan.gpkg", tables, tuple(PLAN_LAYERS.values()), crs=crs))


def reprojected(shape, crs):
    frame = MeasuringFrame(UTM, 9.0, 49.65)
    moved = frame.to_frame([shape])
    return shape if crs == UTM else MeasuringFrame(crs, 9.0, 49.65).to_source(moved)[0]


@pytest.fixture
def plan(tmp_path):
    """A row of five lawns, 4 m apart, and one far off."""
    row = [(f"P{number}", 24.0 * number, 0.0) for number in range(5)]
    return written(tmp_path, [*row, ("far", 5000.0, 0.0)])


def walk(x, y, crs=None, loop_id=None, shift=(0.0, 0.0)):
    xy = shapely.get_coordinates(shapely.segmentize(ring(x, y), 1.0)) + shift
    if crs is not None:
        frame = MeasuringFrame(UTM, 9.0, 49.65)
        xy = frame.coordinates_in(crs, frame.coordinates_from(UTM, xy))
    return Walk(xy, crs, loop_id)


@pytest.fixture
def parcels_read(monkeypatch):
    """The parcels of which rows are read."""
    seen = []
    sound = PlanFile.parcels

    def parcels(plan, layers, parcel_ids=None):
        seen.append(parcel_ids)
        return sound(plan, layers, parcel_ids)

    monkeypatch.setattr(PlanFile, "parcels", parcels)
    return seen


@pytest.mark.parametrize("crs", [None, WGS84])
def test_a_walk_is_of_the_loop_that_it_lies_along_and_no_other_is_read(plan, parcels_read, crs):
    (found,) = walked_loops(plan, Track([walk(48, 0, crs, shift=(1.0, -0.5))]))
    assert found.wire.loop_id == "P2-L1"
    assert parcels_read == [["P2"]]
    (its,) = found.walks
    middle = its.xy.mean(axis=0)
    assert np.hypot(*(middle - found.wire.xy[:-1].mean(axis=0))) == pytest.approx(np.hypot(1.0, 0.5), abs=0.3)


def test_walks_and_points_are_sorted_by_loop_in_the_order_of_the_plan(plan):
    points = [NotedPoint(Point(X0 + 75, Y0 + 21), None, "joint"), NotedPoint(Point(X0 + 3, Y0 - 2), None, "photo")]
    found = walked_loops(plan, Track([walk(72, 0), walk(0, 0), walk(0, 0, shift=(0.2, 0))], (), points))
    assert [(item.wire.loop_id, [point.kind for point in item.points]) for item in found] == [
        ("P0-L1", ["photo"]),
        ("P3-L1", ["joint"]),
    ]
    assert [len(item.walks) for item in found] == [2, 1]


def test_a_plan_in_degrees_gives_the_same(tmp_path):
    plan = written(tmp_path, [("P0", 0.0, 0.0), ("P1", 24.0, 0.0)], WGS84)
    (found,) = walked_loops(plan, Track([walk(24, 0, WGS84)]))
    assert found.wire.loop_id == "P1-L1"
    assert found.wire.planned_m == pytest.approx(4 * SIZE_M, rel=1e-3)


def test_the_nearest_is_that_of_the_middle_point_as_if_each_were_measured(plan):
    """The oracle measures every loop, each in its own frame; the map of loops only those that are near."""
    wires = planned_wires(plan)
    rng = np.random.default_rng(7)
    for _ in range(40):
        xy = np.array([X0, Y0]) + rng.uniform((-40, -40), (140, 60)) + rng.normal(0, 8, (5, 2))
        away = [
            np.median(shapely.distance(shapely.points(w.frame.coordinates_from(UTM, xy)), LineString(w.xy)))
            for w in wires
        ]
        nearest = wires[int(np.argmin(away))].loop_id
        if min(away) > NEARBY_M:
            with pytest.raises(LayerError, match=rf"lies {min(away):.0f} m from the nearest loop"):
                walked_loops(plan, Track([Walk(xy, None)]))
        else:
            (found,) = walked_loops(plan, Track([Walk(xy, None)]))
            assert found.wire.loop_id == nearest


def test_a_named_loop_is_taken_by_its_name(plan):
    (found,) = walked_loops(plan, Track([walk(48, 0, loop_id="far-L1")]))
    assert found.wire.loop_id == "far-L1"
    with pytest.raises(LayerError, match=r"names loop 'P9-L1', which the plan hasn't\. Nearest: P\d-L1"):
        walked_loops(plan, Track([walk(48, 0, loop_id="P9-L1")]))


def test_readings_by_tape_come_after_walks_and_name_their_loop_where_there_are_several(plan, tmp_path):
    tape = [TapeReading("P4-L1", 10.0, 0.2), TapeReading("P1-L1", 12.0, 0.1), TapeReading("P4-L1", 14.0, 0.0)]
    found = walked_loops(plan, Track([walk(24, 0)], tape))
    assert [(item.wire.loop_id, len(item.walks), len(item.tape)) for item in found] == [
        ("P1-L1", 1, 1),
        ("P4-L1", 0, 2),
    ]
    with pytest.raises(LayerError, match="readings by tape don't say their loop"):
        walked_loops(plan, Track((), [TapeReading(None, 1.0, 0.0)]))
    one = written(tmp_path, [("only", 0.0, 0.0)])
    assert [item.wire.loop_id for item in walked_loops(one, Track((), [TapeReading(None, 1.0, 0.0)]))] == ["only-L1"]


def test_a_plan_without_wire_is_said(tmp_path):
    with pytest.raises(PlanError, match="has no wire"):
        walked_loops(written(tmp_path, []), Track([walk(0, 0)]))
