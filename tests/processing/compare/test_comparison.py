"""Two plans side by side: differences made by hand, laws that hold for any two, and the command on real plans."""

import csv
from collections import Counter
from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import typer
from pyproj import CRS
from shapely import LineString, MultiPolygon, Point, box
from typer.testing import CliRunner

from lawngis.errors import PlanError
from lawngis.processing.cli.compare import _words, changes_in_words, compare
from lawngis.processing.cli.main import main
from lawngis.processing.compare.comparison import ROWS_READ, Comparison, compared_plan
from lawngis.processing.compare.differences import Tolerances, parcel_difference
from lawngis.processing.compare.layers import DIFFERENCE_LAYERS
from lawngis.processing.files import gpkg
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.tables import table

ROOT = Path(__file__).parents[3]
UTM = CRS(25832)
X0, Y0 = 500_000.0, 5_500_000.0  # on the central meridian: a metre on the ground is 0.9996 of the plane
SCALE = 0.9996


def shifted(shape):
    return shapely.transform(shape, lambda xy: np.add(xy, (X0, Y0)))


def rectangle(x0, y0, x1, y1):
    return shifted(box(x0, y0, x1, y1))


def rows_of(parcel="P1", **more):
    """Rows of a plan of one lawn, 20 by 10, with one zone, one loop around it and a dock."""
    at = {"parcel_id": parcel}
    ring = shifted(LineString([(0.3, 0.3), (19.7, 0.3), (19.7, 9.7), (0.3, 9.7), (0.3, 0.3)]))
    rows = {
        "summary": [
            {**at, "status": "planned", "lawn_m2": 200.0, "mowable_m2": 200.0, "zones": 1, "loops": 1, "wire_m": 57.6,
             "lead_m": 0.0, "pegs": 80, "mowing_hours_week": 8.0, "amount": 40.0, "stop_findings": 0, "visit_checks": 0,
             "geometry": MultiPolygon([rectangle(0, 0, 20, 10)])}
        ],
        "lawn": [{**at, "lawn_id": f"{parcel}-G1", "area_m2": 200.0, "source": "derived", "confidence": 0.8,
                  "geometry": rectangle(0, 0, 20, 10)}],
        "zones": [{**at, "zone_id": f"{parcel}-Z1", "role": "home", "area_m2": 200.0, "perimeter_m": 60.0,
                   "supply": "own_dock", "loop_id": f"{parcel}-L1", "geometry": rectangle(0, 0, 20, 10)}],
        "wire_path": [{**at, "loop_id": f"{parcel}-L1", "source": "dock", "length_m": 57.6, "plan_length_m": 57.6,
                       "lead_m": 0.0, "slack_m": 1.0, "resistance_ohm": 1.4, "signal_min_ut": 0.05, "geometry": ring}],
        "dock_candidates": [{**at, "candidate_id": f"{parcel}-D1", "zone_id": f"{parcel}-Z1", "chosen": True,
                             "feasible": True, "rank": 1, "geometry": shifted(Point(10, 0.3))}],
        "materials": [{**at, "item": "boundary wire", "quantity": 58.6, "unit": "m", "unit_price": 0.5,
                       "amount": 29.3}],
        "schedule": [{**at, "zone_id": f"{parcel}-Z1", "weekday": day, "start_time": "09:00", "end_time": "13:00",
                      "mowing_h": 3.0, "charging_h": 1.0, "edge_pass": False} for day in ("Monday", "Friday")],
        "findings": [{**at, "finding_id": f"{parcel}-F1", "severity": "caution", "code": "crossing",
                      "text": "the mower crosses a path", "geometry": shifted(Point(5, 5))}],
        "run_info": [{"parcel_id": None, "key": "profile.speed_mps", "value": "0.35"}],
    }  # fmt: skip
    return {**rows, **more}


def changed(rows, layer, **columns):
    """The rows with other values in the first row of a layer."""
    first, *others = rows[layer]
    return {**rows, layer: [{**first, **columns}, *others]}


@pytest.fixture
def plan(tmp_path):
    """Write plans from rows; several parcels are put together."""
    count = iter(range(100))

    def write(*parcels, crs=UTM):
        tables = {}
        for name, spec in PLAN_LAYERS.items():
            rows = [row for parcel in parcels for row in parcel.get(name, ())]
            if name == "run_info":
                rows = rows[:1]
            tables[name] = table(spec, rows, UTM if spec.geometry else None)
            if spec.geometry and crs != UTM:
                tables[name] = tables[name].to_crs(crs)
        return gpkg.write_plan(
            tmp_path / f"plan{next(count)}" / "plan.gpkg", tables, tuple(PLAN_LAYERS.values()), crs=crs
        )

    return write


@pytest.fixture
def differences(tmp_path):
    """Compare two plans and return the layers of differences, the figures that differ, and what the command said."""
    count = iter(range(100))
    app = typer.Typer()
    app.command()(compare)

    def run(a, b, *words):
        out = tmp_path / f"differences{next(count)}"
        outcome = CliRunner().invoke(app, [str(a), str(b), "--out", str(out), *words], catch_exceptions=False)
        assert outcome.exit_code == 0, outcome.output
        layers = {
            spec.name: (gpkg.read_layer if spec.geometry else gpkg.read_table)(out / "differences.gpkg", spec.name)
            for spec in DIFFERENCE_LAYERS
        }
        with (out / "comparison.csv").open(newline="") as file:
            figures = list(csv.DictReader(file))
        told = {(row["parcel_id"], row["figure"]): row for row in figures if row["a"] != row["b"]}
        return layers, told, outcome.output

    return run


def compared(a, b, **tolerances):
    """Compare two plans of one parcel without files: layers of differences, and the figures that differ."""
    sides = [({**{layer: [] for layer in ROWS_READ}, **rows}, UTM) for rows in (a, b)]
    found = parcel_difference("P1", *sides, Tolerances(**tolerances))
    assert found.any == bool(any(found.rows.values()) or any(item.a != item.b for item in found.figures))
    layers = {name: pd.DataFrame(rows) for name, rows in found.rows.items()}
    return layers, {item.figure: item for item in found.figures if item.a != item.b}


@pytest.mark.slow
def test_equal_plans_differ_in_nothing(plan, differences):
    layers, told, said = differences(plan(rows_of()), plan(rows_of()))
    assert all(len(layer) == 0 for layer in layers.values())
    assert told == {}
    assert "no parcel differs" in said


def test_ground_is_lost_to_what_the_other_plan_has_there():
    bed = rectangle(8, 4, 12, 6)
    lawn = rectangle(0, 0, 20, 10)
    b = changed(rows_of(), "zones", geometry=lawn.difference(bed).difference(rectangle(15, 0, 20, 10)))
    keepout = {"parcel_id": "P1", "keepout_id": "P1-K1", "reason": "bed", "treatment": "island", "area_m2": 8.0,
               "confidence": 1.0, "geometry": bed}  # fmt: skip
    hand = {"parcel_id": "P1", "area_id": "P1-H1", "reason": "steep", "area_m2": 50.0,
            "geometry": rectangle(15, 0, 20, 10)}  # fmt: skip
    layers, told = compared(rows_of(), {**b, "keepouts": [keepout], "hand_mow": [hand]})
    ground = layers["ground_changed"].set_index("reason")
    assert set(ground["change"]) == {"lost"}
    assert ground.loc["keep-out: bed", "area_m2"] == pytest.approx(8 / SCALE**2, rel=1e-4)
    assert ground.loc["mown by hand: steep", "area_m2"] == pytest.approx(50 / SCALE**2, rel=1e-4)
    assert ground.loc["keep-out: bed"].geometry.symmetric_difference(bed).area < 0.01
    assert set(layers["ground_changed"]["change_id"]) == {"P1-ground1", "P1-ground2"}
    figure = told["mowed in one plan only"]
    assert (figure.a, figure.b) == (pytest.approx(58 / SCALE**2, rel=1e-4), 0)


def test_moved_wire_and_dock_are_drawn_with_how_far_they_moved():
    ring = LineString([(0.3, 0.3), (19.7, 0.3), (19.7, 9.7), (0.3, 9.7), (0.3, 0.3)])
    bulge = [(0.3, 0.3), (8, 0.3), (8.4, 1.1), (11.6, 1.1), (12, 0.3), *list(ring.coords)[1:]]
    b = changed(rows_of(), "wire_path", geometry=shifted(LineString(bulge)))
    b = changed(b, "dock_candidates", candidate_id="P1-D7", geometry=shifted(Point(14, 0.3)))
    layers, _ = compared(rows_of(), b)
    wire = layers["wire_changed"].set_index("change")
    assert wire.loc["only_b", "moved_m"] == pytest.approx(0.8 / SCALE, abs=0.002)
    assert wire.loc["only_a", "moved_m"] == pytest.approx(0.8 / SCALE, abs=0.002)
    assert 3.5 < wire.loc["only_a", "length_m"] < 4.0
    (dock,) = layers["points_changed"].to_dict("records")
    assert (dock["thing"], dock["change"], dock["in_a"], dock["in_b"]) == ("dock", "moved", "P1-D1", "P1-D7")
    assert dock["moved_m"] == pytest.approx(4 / SCALE, abs=0.002)
    assert len(compared(rows_of(), b, wire_m=0.9)[0]["wire_changed"]) == 0
    assert len(compared(rows_of(), b, dock_m=5)[0]["points_changed"]) == 0


def test_zones_links_findings_and_checks_that_came_went_or_changed_are_told():
    at = {"parcel_id": "P1"}
    second = {**at, "zone_id": "P1-Z2", "role": "linked", "area_m2": 30.0, "perimeter_m": 22.0, "supply": "main_wire",
              "loop_id": "P1-L1", "geometry": rectangle(22, 0, 25, 10)}  # fmt: skip
    link = {**at, "link_id": "P1-P1", "zone_a": "P1-Z1", "zone_b": "P1-Z2", "kind": "transit", "width_m": 1.2,
            "length_m": 2.0, "geometry": shifted(LineString([(20, 5), (22, 5)]))}  # fmt: skip
    check = {**at, "check_id": "P1-V1", "priority": 1, "measure_what": "width of P1-P1", "measured_how": "tape",
             "decides": "whether the mower gets through", "geometry": shifted(Point(21, 5))}  # fmt: skip
    plain = rows_of()
    a = {**plain, "zones": [*plain["zones"], second], "links": [link], "visit_checks": [check]}
    stop = {**at, "finding_id": "P1-F1", "severity": "stop", "code": "no-wire", "text": "no wire fits",
            "geometry": Point()}  # fmt: skip
    b = {
        **a,
        "zones": [a["zones"][0], {**second, "role": "detached", "supply": "own_source"}],
        "links": [{**link, "kind": "blocked", "width_m": 0.7}],
        "visit_checks": [],
        "findings": [stop],
    }
    layers, told = compared(a, b)
    points = {(row["thing"], row["change"]): row for row in layers["points_changed"].to_dict("records")}
    assert set(points) == {("zone", "changed"), ("link", "changed"), ("visit_check", "went"), ("finding", "came"),
                           ("finding", "went")}  # fmt: skip
    assert points["zone", "changed"]["in_b"] == "detached, supply own source"
    assert "transit in A (1.20 m), blocked in B (0.70 m)" in points["link", "changed"]["text"]
    assert points["finding", "came"]["severity"] == "stop"
    assert points["finding", "came"]["geometry"].is_empty
    assert points["finding", "went"]["text"] == "no longer: the mower crosses a path"
    assert told["links, blocked"].difference == 1
    assert told["links, transit"].difference == -1


def test_a_finding_that_moved_far_is_another_one_and_one_that_moved_little_is_the_same():
    near = changed(rows_of(), "findings", geometry=shifted(Point(5.5, 5)))
    far = changed(rows_of(), "findings", geometry=shifted(Point(15, 5)))
    assert len(compared(rows_of(), near)[0]["points_changed"]) == 0
    assert sorted(compared(rows_of(), far)[0]["points_changed"]["change"]) == ["came", "went"]


def test_what_was_said_of_a_dock_goes_where_the_dock_goes():
    def with_dock(x, *checks):
        at = {"parcel_id": "P1", "priority": 1, "measured_how": "level", "geometry": shifted(Point(x, 0.3))}
        rows = [{**at, "check_id": f"P1-V{n}", "measure_what": what, "decides": what} for n, what in enumerate(checks)]
        return {**changed(rows_of(), "dock_candidates", geometry=shifted(Point(x, 0.3))), "visit_checks": rows}

    def told(a, b):
        points = compared(a, b)[0]["points_changed"]
        return sorted(zip(points["thing"], points["change"], strict=True))

    before = with_dock(10, "its slope", "its cable")
    assert told(before, with_dock(16, "its slope", "its cable")) == [("dock", "moved")]
    assert told(before, with_dock(16, "its slope")) == [("dock", "moved"), ("visit_check", "went")]
    elsewhere = with_dock(16, "its slope", "its cable")
    elsewhere["visit_checks"] = before["visit_checks"]
    elsewhere["visit_checks"] = [{**row, "geometry": shifted(Point(3, 5))} for row in elsewhere["visit_checks"]]
    assert told(before, elsewhere) == [
        ("dock", "moved"),
        *[("visit_check", "came")] * 2,
        *[("visit_check", "went")] * 2,
    ]


def test_parcels_that_are_not_named_are_counted():
    found = SimpleNamespace(
        a=SimpleNamespace(crs=1), b=SimpleNamespace(crs=1), only_a=[], only_b=[], settings=[],
        counts=Counter(compared=4, different=3), largest=[(9.0, "P1", "+1.0 m of wire")],
    )  # fmt: skip
    assert list(_words(found))[1:] == [
        "P1: +1.0 m of wire",
        "and 2 more that differ less: comparison.csv has them all",
    ]


@pytest.mark.slow
def test_prices_and_week_differ_item_by_item_and_so_does_how_the_plans_were_made(plan, differences):
    b = changed(rows_of(), "materials", quantity=60.6, amount=30.3)
    b["materials"].append(
        {"parcel_id": "P1", "item": "signal sources", "quantity": 1.0, "unit": "piece", "unit_price": 90.0,
         "amount": 90.0}
    )  # fmt: skip
    b["schedule"] = b["schedule"][:1]
    b["run_info"] = [{"parcel_id": None, "key": "profile.speed_mps", "value": "0.25"}]
    layers, told, said = differences(plan(rows_of()), plan(b))
    assert told["P1", "material boundary wire"]["difference"] == "2"
    assert told["P1", "price of signal sources"] == {
        "parcel_id": "P1", "figure": "price of signal sources", "a": "0", "b": "90", "difference": "90", "unit": ""
    }  # fmt: skip
    assert told["P1", "days a week"]["difference"] == "-1"
    assert layers["settings_changed"].to_dict("records") == [
        {"key": "profile.speed_mps", "in_a": "0.35", "in_b": "0.25"}
    ]
    assert "profile.speed_mps 0.35 → 0.25" in said


@pytest.mark.slow
def test_parcels_of_one_plan_only_are_said_and_a_failed_one_has_no_figures(plan, differences):
    failed = changed(
        {"summary": rows_of("P2")["summary"]}, "summary", status="failed", verdict_text="no ground",
        lawn_m2=None, mowable_m2=None, zones=None, loops=None, wire_m=None, amount=None, pegs=None,
    )  # fmt: skip
    a = plan(rows_of("P1"), rows_of("P2"), rows_of("P3"))
    layers, told, said = differences(a, plan(rows_of("P1"), failed, rows_of("O'P4")))
    assert "1 parcel only in plan A, not compared: P3" in said
    assert "1 parcel only in plan B, not compared: O'P4" in said
    assert told["P3", "in the plan"]["b"] == "no"
    assert (told["P2", "status"]["b"], told["P2", "wire"]["b"], told["P2", "wire"]["difference"]) == ("failed", "", "")
    assert told["P2", "material boundary wire"]["b"] == ""
    assert set(layers["ground_changed"]["reason"]) == {"not planned"}
    assert layers["points_changed"].set_index("thing").loc["parcel", "in_b"] == "no ground"


def test_what_changed_is_said_of_one_and_of_several():
    counts = dict.fromkeys(("parcel changed", "finding came"), 2) | dict.fromkeys(("dock moved", "visit_check came"), 1)
    assert list(changes_in_words(counts)) == [
        "2 parcels changed their verdicts",
        "1 dock moved",
        "2 stops or cautions came",
        "1 visit check is new",
    ]


def test_plans_without_a_common_parcel_and_files_that_are_no_plans_are_refused(plan, tmp_path):
    found = Comparison(compared_plan(plan(rows_of("P1"))), compared_plan(plan(rows_of("P2"))))
    with pytest.raises(PlanError, match=r"no parcel in common.*One has P1, the other P2"):
        found.write(tmp_path / "out")
    assert not (tmp_path / "out").exists()
    geopandas.GeoDataFrame(geometry=[Point(0, 0)], crs=UTM).to_file(tmp_path / "other.gpkg", layer="trees")
    with pytest.raises(PlanError, match="is no plan: the layer summary is missing"):
        compared_plan(tmp_path / "other.gpkg")


@pytest.mark.slow
def test_many_parcels_in_any_order_and_crs_are_compared_some_at_a_time_on_the_ground(plan, differences, monkeypatch):
    monkeypatch.setattr("lawngis.processing.compare.comparison.PARCELS_AT_A_TIME", 2)
    monkeypatch.setattr("lawngis.processing.files.plan_reader.PARCELS_AT_A_TIME", 2)
    names = [f"P{number}" for number in range(1, 6)]
    a = [rows_of(name) for name in names]
    b = [changed(rows, "wire_path", signal_min_ut=0.04) for rows in a]
    b[2] = changed(a[2], "zones", geometry=rectangle(0, 0, 15, 10))
    layers, told, said = differences(plan(*a), plan(*reversed(b), crs=CRS(3857)))
    fields = {(name, "weakest field inside") for name in names if name != "P3"}
    assert set(told) == {*fields, ("P3", "mowed in one plan only")}
    assert layers["ground_changed"].crs == UTM
    assert layers["ground_changed"]["area_m2"].tolist() == [pytest.approx(50 / SCALE**2, rel=1e-4)]
    assert len(layers["wire_changed"]) == len(layers["points_changed"]) == 0
    assert "compared in the CRS of plan A" in said


# --- real plans ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two_mowers(tmp_path_factory):
    out = tmp_path_factory.mktemp("mowers")
    for profile in ("medium", "small"):
        words = ["plan", ROOT / "sample_parcels", "--out", out / profile, "--profile", profile, "--parcel", "P04"]
        assert main([str(word) for word in words]) == 0
    return out / "medium", out / "small"


@pytest.mark.slow
def test_two_mowers_on_a_real_lawn_differ_as_their_plans_do(two_mowers, differences):
    layers, told, said = differences(*two_mowers)
    summary = [gpkg.read_layer(folder / "plan.gpkg", "summary").iloc[0] for folder in two_mowers]
    for figure, column in (("wire", "wire_m"), ("price", "amount"), ("hours a week", "mowing_hours_week")):
        assert float(told["P04", figure]["difference"]) == pytest.approx(
            summary[1][column] - summary[0][column], abs=1e-3
        )
    gained, lost = (layers["ground_changed"].query("change == @word")["area_m2"].sum() for word in ("gained", "lost"))
    assert gained - lost == pytest.approx(summary[1]["mowable_m2"] - summary[0]["mowable_m2"], abs=0.3)
    assert {"profile.speed_mps"} <= set(layers["settings_changed"]["key"])
    assert "1 parcel differs" in said


def test_comparing_the_other_way_round_turns_every_difference_about(two_mowers):
    a, b = (compared_plan(folder) for folder in two_mowers)
    (there,), (back,) = Comparison(a, b).parcels(), Comparison(b, a).parcels()
    assert there.any
    others = {item.figure: item for item in back.figures}
    for item in there.figures:
        assert (item.a, item.b) == (others[item.figure].b, others[item.figure].a)
    turned = {"gained": "lost", "lost": "gained", "only_a": "only_b", "only_b": "only_a", "came": "went",
              "went": "came", "moved": "moved", "changed": "changed"}  # fmt: skip
    for layer, size in (("ground_changed", "area_m2"), ("wire_changed", "length_m"), ("points_changed", "moved_m")):
        one, two = there.rows[layer], back.rows[layer]
        assert len(one) > 0
        assert sorted(turned[row["change"]] for row in one) == sorted(row["change"] for row in two)
        assert sum(row.get(size) or 0 for row in one) == pytest.approx(sum(row.get(size) or 0 for row in two), abs=1e-6)
