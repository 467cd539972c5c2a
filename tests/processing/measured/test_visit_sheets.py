"""Filled-in visit sheets become overrides: every kind of check, and the whole way round through the real commands."""

import csv
import re
import shutil
from pathlib import Path

import geopandas
import pytest
import shapely
import typer
from pyproj import CRS
from shapely import Point, box
from typer.testing import CliRunner

from lawngis.errors import LawngisError, LayerError, ParameterError, PlanError
from lawngis.processing.cli.main import main
from lawngis.processing.cli.visit import measured
from lawngis.processing.files import gpkg
from lawngis.processing.measured.overrides import read_overrides
from lawngis.processing.measured.visit_sheets import answers_of, write_overrides
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.tables import table

ROOT = Path(__file__).parents[3]
UTM = CRS(25832)
X0, Y0 = 500_000.0, 5_500_000.0

ASKED = (
    ("width of P4-P1 at its narrowest", "links", "P4-P1", "width_m"),
    ("what lies beyond P4-E2, 12 m long", "edges", "P4-E2", "edge_class"),
    ("slope of the ground under the dock", "dock_candidates", "P4-D7", "slope_percent"),
    ("slope of 14 m² of lawn", "keepouts", None, "slope_percent"),
    ("place of the supply point for P4-D7", "outlets", None, "geometry"),
    ("what grows under the crowns, 20 m²", "cover", "P4-C3", "cover"),
    ("whether the owner keeps hedgehogs", None, None, None),
    ("length of the way over flush path from lawn to lawn", "links", None, "kind"),
    ("diameter of the trunk at the height of the mower", "trees", None, "trunk_diameter_m"),
)


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """A plan that asks for one thing of every kind."""
    rows = [
        {
            "parcel_id": "P4", "check_id": f"P4-V{number}", "priority": number, "measure_what": what,
            "measured_how": "tape", "decides": "much", "target_layer": layer, "target_id": name,
            "target_column": column, "geometry": Point(X0 + number, Y0),
        }
        for number, (what, layer, name, column) in enumerate(ASKED, start=1)
    ]  # fmt: skip
    outline = shapely.MultiPolygon([box(X0 - 5, Y0 - 5, X0 + 60, Y0 + 30)])
    known = dict.fromkeys(column.name for column in PLAN_LAYERS["summary"].columns)
    summary = {**known, "parcel_id": "P4", "status": "planned", "geometry": outline}
    layers = {"visit_checks": rows, "summary": [summary]}
    tables = {
        name: table(spec, layers.get(name, []), UTM if spec.geometry else None) for name, spec in PLAN_LAYERS.items()
    }
    path = tmp_path_factory.mktemp("asked") / "plan.gpkg"
    return gpkg.write_plan(path, tables, tuple(PLAN_LAYERS.values()), crs=UTM)


@pytest.fixture
def answered(plan, tmp_path):
    """Fill in a sheet with answers by check, and return what it says."""

    def fill(**answers):
        lines = ["check_id;measured;note", *(f"P4-{name};{value};AB" for name, value in answers.items()), ";;"]
        (tmp_path / "sheet.csv").write_text("\n".join(lines), encoding="utf-8-sig")
        return answers_of(plan, [tmp_path / "sheet.csv"])

    return fill


def test_every_kind_of_check_has_an_answer_that_names_its_target(answered):
    found = answered(
        V1="1,05",
        V2="Raised",
        V3="2",
        V4="31.5 %",
        V5="500004.5 5500003.25",
        V6="lawn under crown",
        V8="Too long",
        V9="17 cm",
    )
    told = [(item.target_layer, item.target_id, item.column, item.value) for item in found.overrides]
    assert told == [
        ("links", "P4-P1", "width_m", "1.05"),
        ("edges", "P4-E2", "edge_class", "raised"),
        ("dock_candidates", "P4-D7", "slope_percent", "2"),
        ("keepouts", "", "slope_percent", "31.5"),
        ("outlets", "", "geometry", "new"),
        ("cover", "P4-C3", "cover", "lawn_under_crown"),
        ("links", "", "kind", "blocked"),
        ("trees", "", "trunk_diameter_m", "0.17"),
    ]
    assert found.overrides[0].place == Point(X0 + 1, Y0)
    assert found.overrides[4].place == Point(500004.5, 5500003.25)
    assert {item.note for item in found.overrides} == {"AB"}
    assert found.open == 1
    assert found.by_hand == ()


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("V1", "105 cm", "1.05"),
        ("V1", "1050mm", "1.05"),
        ("V1", "1.05 m", "1.05"),
        ("V4", "45°", "100"),  # tan 45° is one
        ("V3", "2.29 deg", "3.99893"),  # 100 tan 2.29°
        ("V3", "3 percent", "3"),
        ("V4", "31,5 %", "31.5"),
        ("V1", "1,55 m", "1.55"),
        ("V1", "1.55 metres", "1.55"),
        ("V1", "5 ft 2 in", "1.5748"),  # the international foot is 0.3048 m exactly
        ("V1", "62 in", "1.5748"),
    ],
)
def test_numbers_may_have_units(answered, name, text, value):
    assert answered(**{name: text}).overrides[0].value == value


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("V1", "wide", "no answer to P4-V1.*number in m"),
        ("V1", "12 %", "no answer to P4-V1"),
        ("V2", "a wall", "flush, raised, drop"),
        ("V4", "1.2 m", "number in %"),
        ("V5", "by the door", "does not say where"),
        ("V10", "1", "no check 'P4-V10' in the plan"),
        ("V9", "17", "17 m is not between 0 and 5 m: was another unit meant"),
        ("V1", "155", "155 m is not between 0 and 30 m: was another unit meant"),
        ("V3", "400 %", "400 % is not between 0 and 100 %"),
        ("V3", "-2", "not between"),
        ("V5", "501004.5 5500003.25", "m outside its parcel"),
        ("V2", "a hippo", "Answers are level with the lawn, raised, a drop, a bed, water, flush"),
    ],
)
def test_what_is_no_answer_is_refused_with_row_and_what_is_one(answered, name, text, said):
    found = answered(**{name: text})
    assert not found.overrides
    assert re.search(rf"sheet\.csv, row 2: .*{said}", str(found.refused[0]))


def test_an_answer_that_corrects_nothing_by_itself_is_handed_to_somebody(answered):
    found = answered(V7="two of them")
    assert found.overrides == ()
    assert found.by_hand == ("P4-V7 (whether the owner keeps hedgehogs): two of them",)


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [("V2", "level with the lawn", "flush"), ("V2", "Level", "flush"), ("V2", "a bed", "soft"), ("V2", "bed", "soft"),
     ("V2", "drop", "drop"), ("V6", "bare soil", "bare"), ("V6", "bed", "shrub"), ("V6", "lawn", "lawn_under_crown")],
)  # fmt: skip
def test_the_words_printed_on_the_sheet_are_answers(answered, name, text, value):
    assert answered(**{name: text}).overrides[0].value == value


@pytest.mark.parametrize("text", ["", "-", "–", "n/a", "N/A", "?", "  "])
def test_where_nothing_was_measured_the_check_stays_open(answered, text):
    found = answered(V1=text, V3="2")
    assert [item.column for item in found.overrides] == ["slope_percent"]
    assert found.open == len(ASKED) - 1 and not found.refused
    assert found.notes == ("P4-V1: AB",)  # a note is never dropped


def test_good_rows_count_and_bad_ones_are_all_listed_as_a_spreadsheet_counts_them(plan, tmp_path):
    sheet = tmp_path / "sheet.csv"
    sheet.write_text(
        "check_id;measured;note;x;y\n"
        "P4-V1;wide;;;\n"
        ";;;;\n"
        "P4-V3;2;;;\n"
        '"P4-V4";"12";"two\nlines";500004,5;5500003,25\n'
        "P4-V2;level;;here;there\n",
        encoding="utf-8-sig",
    )
    found = answers_of(plan, [sheet])
    assert [(item.column, item.value) for item in found.overrides] == [("slope_percent", "2"), ("slope_percent", "12")]
    assert found.overrides[1].place == Point(500004.5, 5500003.25)
    assert [error.where[1] for error in found.refused] == ["row 2", "row 6"]
    assert "x 'here' and y 'there' are no place" in str(found.refused[1])


def test_an_answer_to_what_another_plan_asked_is_refused(plan, tmp_path):
    (tmp_path / "sheet.csv").write_text(
        "check_id,measured,target_layer,target_id,target_column\n"
        "P4-V3,2,dock_candidates,P4-D8,slope_percent\n"
        "P4-V1,1.2,links,P4-P1,width_m\n"
    )
    found = answers_of(plan, [tmp_path / "sheet.csv"])
    assert [item.target_id for item in found.overrides] == ["P4-P1"]
    assert "P4-V3 asked for target_id P4-D8, but this plan's asks for P4-D7" in str(found.refused[0])


def test_the_supply_point_may_be_where_the_plan_has_it(answered):
    assert answered(V5="here").overrides[0].place == Point(X0 + 5, Y0)


def test_points_and_areas_of_a_field_app_say_where_in_any_crs(plan, tmp_path):
    places = [Point(X0 + 50, Y0 + 2), box(X0, Y0, X0 + 6, Y0 + 4), Point(X0 + 9, Y0 + 9)]
    collected = geopandas.GeoDataFrame(
        {"check_id": ["P4-V5", "P4-V4", "P4-V1"], "measured": ["seen", "12", "1.2"]}, geometry=places, crs=UTM
    )
    collected.to_crs(4326).to_file(tmp_path / "field.gpkg", layer="field")
    outlet, slope, width = answers_of(plan, [tmp_path / "field.gpkg"]).overrides
    assert outlet.place.distance(places[0]) < 1e-3
    assert slope.place.symmetric_difference(places[1]).area < 0.01  # the slope holds for the ground that was drawn
    assert width.place == Point(X0 + 1, Y0)  # where the width was asked for, not where somebody stood


def test_a_check_answered_twice_and_a_sheet_without_columns_are_refused(answered, plan, tmp_path):
    (tmp_path / "a.csv").write_text("check_id,measured\nP4-V1,1.2\n")
    found = answers_of(plan, [tmp_path / "a.csv", tmp_path / "a.csv"])
    assert len(found.overrides) == 1
    assert "P4-V1 is answered twice" in str(found.refused[0])
    (tmp_path / "b.csv").write_text("check,value\nP4-V1,1.2\n")
    with pytest.raises(LayerError, match="no columns check_id and measured"):
        answers_of(plan, [tmp_path / "b.csv"])


def test_overrides_are_written_as_the_site_reads_them_and_never_over_others(answered, tmp_path):
    found = answered(V1="1.05", V4="12", V5="here")
    write_overrides(tmp_path / "overrides.gpkg", found.overrides)
    read = read_overrides(tmp_path / "overrides.gpkg")
    assert [(item.target_layer, item.target_id, item.column, item.value, item.note) for item in read] == [
        (item.target_layer, item.target_id, item.column, item.value, item.note) for item in found.overrides
    ]
    assert [item.place for item in read] == [item.place for item in found.overrides]
    with pytest.raises(PlanError, match="is there already"):
        write_overrides(tmp_path / "overrides.gpkg", found.overrides)
    with pytest.raises(PlanError, match="no name of a GeoPackage"):
        write_overrides(tmp_path / "overrides.csv", found.overrides)


# --- plan, deliver, fill in, measured, plan ----------------------------------------------------------------


@pytest.fixture
def command():
    app = typer.Typer()
    app.command()(measured)
    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.slow
def test_a_sheet_filled_in_on_site_settles_what_it_was_asked(command, tmp_path):
    site = tmp_path / "site"
    shutil.copytree(ROOT / "sample_parcels", site, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    assert main(["plan", str(site), "--out", str(tmp_path / "before"), "--parcel", "P09"]) == 0
    assert main(["deliver", str(tmp_path / "before"), "--out", str(tmp_path / "papers"), "--only", "csv"]) == 0
    sheet = tmp_path / "papers" / "P09" / "visit.csv"
    with sheet.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    answers = {
        "outlets": "561499.0 5467297.6", "dock_candidates": "9", "cover": "bare", "edges": "raised", "trees": "0.2"
    }  # fmt: skip
    for row in rows:
        row["measured"] = answers[row["target_layer"]]
    assert {row["target_layer"] for row in rows} == set(answers)
    with sheet.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    outcome = command(tmp_path / "before", sheet, "--out", site / "overrides.gpkg")
    assert outcome.exit_code == 0, outcome.output
    assert f"{len(rows)} overrides" in outcome.output

    assert main(["plan", str(site), "--out", str(tmp_path / "after"), "--parcel", "P09"]) == 0
    before, after = (
        {layer: gpkg.read_layer(tmp_path / name / "plan.gpkg", layer) for layer in PLAN_LAYERS
         if PLAN_LAYERS[layer].geometry}
        for name in ("before", "after")
    )  # fmt: skip
    applied = after["findings"].query("code == 'override-applied'")["text"]
    assert len(applied) == len(rows)
    assert len(after["findings"].query("code == 'override-no-target'")) == 0
    route = after["supply_route"].iloc[0]
    assert route["starts_at"] == "outlet"
    assert shapely.get_point(route.geometry, 0).distance(Point(561499.0, 5467297.6)) < 0.3
    docks = [layers["dock_candidates"].query("chosen").iloc[0] for layers in (before, after)]
    assert docks[0].geometry.distance(docks[1].geometry) > 0.3
    steep = after["dock_candidates"].query("failed.str.startswith('slope of the pad 9', na=False)")
    assert len(steep) > 0
    asked = [set(layers["visit_checks"]["target_layer"]) for layers in (before, after)]
    assert asked[0] >= {"outlets", "edges", "trees"}
    assert not asked[1] & {"outlets", "edges", "trees"}
    assert after["lawn"]["area_m2"].sum() < before["lawn"]["area_m2"].sum() - 5


def test_the_command_says_what_it_can_t_use(command, plan, tmp_path):
    (tmp_path / "a.csv").write_text("check_id,measured\nP4-V7,two\n")
    outcome = command(plan, tmp_path / "a.csv", "--out", tmp_path / "o.gpkg")
    assert isinstance(outcome.exception, ParameterError)
    assert "corrects nothing by itself" in outcome.output
    assert isinstance(outcome.exception, LawngisError)
    assert not (tmp_path / "o.gpkg").exists()


def test_the_command_takes_good_rows_and_ends_with_one_for_the_others(command, plan, tmp_path):
    (tmp_path / "a.csv").write_text('check_id,measured\nP4-V1,155\nP4-V3,"3,5 percent"\n')
    outcome = command(plan, tmp_path / "a.csv", "--out", tmp_path / "o.gpkg")
    assert outcome.exit_code == 1
    assert "1 override, 1 row not used, 8 checks still open" in outcome.output
    assert "row 2: '155' is no answer to P4-V1. 155 m is not between 0 and 30 m" in outcome.output
    assert [item.value for item in read_overrides(tmp_path / "o.gpkg")] == ["3.5"]
