"""What steps produce is checked against the contract, row by row."""

import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer
from shapely import LineString, Point, Polygon, box

from lawngis.errors import PlanError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.plan import Derived, Finding, Plan, StepResult, VisitCheck, check_ids, on_grid
from lawngis.processing.model.row_checks import check_rows, columns_of
from lawngis.processing.model.tables import table

FRAME = CRS.from_epsg(32632)
LAWN = {"lawn_id": "P-G1", "area_m2": 4.0, "source": "derived", "confidence": 0.7, "geometry": box(0, 0, 2, 2)}


def plan_with(*rows):
    plan = Plan("P", FRAME)
    plan.attach("lawn", StepResult({"lawn": rows}), ("lawn",))
    return plan


def test_rows_get_their_parcel():
    assert plan_with(LAWN).rows("lawn")[0]["parcel_id"] == "P"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"colour": "green"}, "'colour' is not declared"),
        ({"area_m2": None}, "area_m2: has no value"),
        ({"area_m2": "4"}, "'4' is not real"),
        ({"area_m2": np.nan}, "not a finite number"),
        ({"area_m2": float("inf")}, "not a finite number"),
        ({"source": "guessed"}, "none of surveyed, derived, imagery"),
        ({"lawn_id": 7}, "7 is not text"),
        ({"geometry": None}, "has no geometry"),
        ({"geometry": Polygon()}, "empty geometry"),
        ({"geometry": LineString([(0, 0), (1, 1)])}, "LineString, not a Polygon"),
        ({"geometry": Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])}, "invalid geometry"),
    ],
)
def test_a_row_that_breaks_the_contract_is_named(change, words):
    rows = [{"parcel_id": "P", **LAWN, **change}]
    with pytest.raises(PlanError, match="layer lawn") as caught:
        check_rows(PLAN_LAYERS["lawn"], rows)
    assert words in str(caught.value)


def test_ids_are_unique():
    with pytest.raises(PlanError, match="occurs more than once"):
        plan_with(LAWN, LAWN)


def test_a_step_must_write_what_it_declares_and_nothing_else():
    plan = Plan("P", FRAME)
    with pytest.raises(PlanError, match="declares"):
        plan.attach("lawn", StepResult({}), ("lawn",))
    with pytest.raises(PlanError, match="declares"):
        plan.attach("lawn", StepResult({"lawn": [], "zones": []}), ("lawn",))


def test_what_a_check_asks_about_is_written_under_its_name():
    plan, ground, edge = Plan("P", FRAME), box(0, 0, 4, 3), LineString([(0, 0), (0, 5)])
    checks = [
        VisitCheck("dock-slope", {"candidate_id": "D"}, Point(0, 0), flip_probability=0.9),
        VisitCheck("dock-slope", {"candidate_id": "D"}, Point(0, 0), flip_probability=0.1, area=edge),
        VisitCheck("dock-slope", {"candidate_id": "D"}, Point(0, 0), flip_probability=0.4, area=ground),
    ]
    plan.attach("one", StepResult(checks=checks), ())
    plan.close()
    columns = ("check_id", "area_m2", "length_m", "step", "geometry")
    told = [tuple(row[name] for name in columns) for row in plan.rows("visit_areas")]
    _, second, third = (row["check_id"] for row in plan.rows("visit_checks"))
    assert told == [(second, 12.0, None, "one", ground), (third, None, 5.0, "one", edge)]
    plan.checks[0] = ("one", VisitCheck("dock-slope", {"candidate_id": "D"}, Point(0, 0), area=Point(0, 0)))
    with pytest.raises(PlanError, match="is a Point, not a Polygon or LineString"):
        plan.close()


def test_findings_and_checks_are_ordered_by_weight():
    plan = Plan("P", FRAME)
    findings = [
        Finding("info", "drop-edge"),
        Finding("stop", "water-edge"),
        Finding("caution", "drop-edge", {}, Point(1, 2)),
    ]
    checks = [
        VisitCheck("supply-point", {"candidate_id": "small"}, Point(0, 0), flip_probability=0.1),
        VisitCheck("supply-point", {"candidate_id": "doubtful"}, Point(0, 0), flip_probability=0.4),
        VisitCheck("supply-point", {"candidate_id": "slight"}, Point(0, 0), flip_probability=0.5, weight=0.1),
        VisitCheck("supply-point", {"candidate_id": "unknown"}, Point(0, 0), flip_probability=None, weight=0.9),
    ]
    plan.attach("one", StepResult(findings=findings, checks=checks), ())
    plan.close()
    assert [row["severity"] for row in plan.rows("findings")] == ["stop", "caution", "info"]
    asked = [row["measure_what"].rpartition(" ")[2] for row in plan.rows("visit_checks")]
    assert asked == ["unknown", "doubtful", "small", "slight"]
    assert [row["priority"] for row in plan.rows("visit_checks")] == [1, 2, 3, 4]
    assert plan.rows("findings")[0]["geometry"].is_empty and plan.rows("findings")[1]["geometry"] == Point(1, 2)


def test_derived_values_are_computed_once():
    calls = []
    plan = Plan("P", FRAME)
    for _ in range(2):
        assert plan.derived(Derived("answer", ()), lambda: calls.append(1) or 42) == 42
    assert calls == [1]


@pytest.mark.parametrize("spec", PLAN_LAYERS.values(), ids=lambda spec: spec.name)
def test_tables_have_the_declared_columns_even_when_empty(spec):
    made = table(spec, [], FRAME)
    assert [name for name in made.columns if name != "geometry"] == [column.name for column in spec.columns]
    assert ("geometry" in made.columns) == (spec.geometry is not None)
    if spec.geometry:
        assert made.crs == FRAME


def test_polygons_are_snapped_so_that_hairlines_close():
    hairline = Polygon([(0, 0), (2, 0), (2, 2), (1.00000001, 2), (1, 1), (1, 2), (0, 2)])
    assert len(plan_with({**LAWN, "geometry": hairline}).geometries("lawn")[0].exterior.coords) < len(
        hairline.exterior.coords
    )


@pytest.mark.parametrize("other", [{"a": 3, "b": 4}, {"b": 4, "a": 3}, {"a": 3}, {"a": 3, "b": 4, "c": 5}])
def test_columns_hold_every_row_whatever_the_order_of_its_values(other):
    columns = columns_of([{"a": 1, "b": 2}, other])
    assert set(columns) == {"a", "b"} | set(other)
    assert {name: list(values) for name, values in columns.items()} == {
        name: [{"a": 1, "b": 2}.get(name), other.get(name)] for name in columns
    }
    assert columns_of([]) == {}


def test_rows_are_selected_by_all_values_given():
    plan = plan_with(LAWN, {**LAWN, "lawn_id": "P-G2", "source": "surveyed"})
    assert [row["lawn_id"] for row in plan.select("lawn", source="derived", confidence=0.7)] == ["P-G1"]
    assert plan.select("lawn", source="surveyed", confidence=0.1) == []
    everything = plan.select("lawn")
    everything.clear()
    assert len(plan.rows("lawn")) == 2


@pytest.mark.parametrize("crs", ["EPSG:25832", "EPSG:4326", "EPSG:3857", "EPSG:2272"])
def test_what_a_file_keeps_in_another_crs_comes_back_to_the_last_bit(crs):
    """EPSG:2272 is in US survey feet; the way to any of them and back moves a coordinate by some nanometres."""
    source, rng = CRS.from_user_input(crs), np.random.default_rng(4)
    place = Point(-75.2, 40.1) if crs == "EPSG:2272" else Point(9.3, 48.2)
    x, y = Transformer.from_crs("EPSG:4326", source, always_xy=True).transform(place.x, place.y)
    frame = MeasuringFrame.centred_on(Point(x, y), source)
    ring = 40 * np.column_stack([np.cos(np.arange(60) / 9.55), np.sin(np.arange(60) / 9.55)]) + rng.normal(size=(60, 2))
    shapes = {
        "lawn": {**LAWN, "geometry": Polygon(ring)},
        "wire_runs": {"loop_id": "P-L1", "seq": 1, "run_kind": "edge", "from_m": 0.0, "to_m": 1.0,
                      "geometry": LineString(rng.normal(scale=50, size=(200, 2)))},
        "joins": {"loop_id": "P-L1", "chainage_m": 1.0, "why": "closing", "geometry": Point(rng.normal(size=2))},
    }  # fmt: skip
    plan = Plan("P", frame.crs)
    plan.attach("all", StepResult({name: [row] for name, row in shapes.items()}), shapes)
    for name in shapes:
        written = plan.geometries(name)
        read = frame.to_frame(frame.to_source(written))
        assert not shapely.equals_exact(written, read, tolerance=0.0).all()
        again = on_grid(PLAN_LAYERS[name], read)
        assert (shapely.get_coordinates(written) == shapely.get_coordinates(again)).all()
        assert (shapely.get_precision(written) == shapely.get_precision(again)).all()


def test_a_check_keeps_its_name_whatever_else_is_asked_and_how_doubtful_it_is():
    def slope(x, chance=0.5):
        return VisitCheck("ground-slope", {}, Point(x, 0), flip_probability=chance, target_layer="keepouts",
                          target_column="slope_percent")  # fmt: skip

    width = VisitCheck("passage-width", {}, Point(9, 9), target_layer="links", target_id="P1-K1",
                       target_column="width_m")  # fmt: skip
    before = check_ids("P1", [width, slope(0), slope(40)])
    after = check_ids("P1", [slope(40, 0.9), width, slope(0)])
    assert len(set(before)) == 3
    assert after == [before[2], before[0], before[1]]
    assert len(set(check_ids("P1", [slope(0), slope(0.1)]))) == 2  # asked twice in one place: still two names
