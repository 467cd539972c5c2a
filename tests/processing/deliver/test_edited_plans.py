"""Plans that somebody edited in a GIS: what can't be is refused by its place, for its own parcel alone."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing

import pytest
import shapely

from lawngis.errors import FeatureError
from lawngis.processing.cli.main import main
from lawngis.processing.compare.comparison import ROWS_READ
from lawngis.processing.compare.differences import Tolerances, parcel_difference
from lawngis.processing.deliver.documents import Wishes, _middle, _one_parcel, kinds_named
from lawngis.processing.deliver.quote_details import quote_details_from
from lawngis.processing.deliver.reading import _OF_PARCELS
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.stored_values import value_fault

WRONG = {"text": ["no\nword"], "real": [-7, 1e300, "x"], "integer": [-7, "x"], "boolean": ["x"]}
SHAPES = [shapely.Point(1, 2), shapely.LineString([(0, 0), (1, 1)]), shapely.from_wkt("POLYGON EMPTY")]


def mutants(rows):
    """Each column of each layer of a parcel once without a value and once with wrong ones, in its first row."""
    for layer, some in rows.items():
        for column in PLAN_LAYERS[layer].columns if some else ():
            for value in (None, *WRONG[column.kind]):
                yield layer, column.name, value, {**rows, layer: [{**some[0], column.name: value}, *some[1:]]}
        for value in (None, *SHAPES) if some and PLAN_LAYERS[layer].geometry else ():
            yield layer, "geometry", value, {**rows, layer: [{**some[0], "geometry": value}, *some[1:]]}


def stored(source):
    ((_, rows),) = source.plan.stored_parcels(_OF_PARCELS, ["P1"])
    return rows


@pytest.mark.slow
def test_no_edit_of_a_cell_ends_in_anything_but_documents_or_its_place(delivered, tmp_path):
    source = delivered.source
    details, middle = quote_details_from(None, ["P1"]), _middle(source)
    wishes = Wishes(kinds=kinds_named("html,csv,ics,geojson,gpx,dxf"))
    tried = refused = 0
    for layer, column, _, rows in mutants(stored(source)):
        tried += 1
        try:
            plan = source._parcel("P1", rows, {})
        except FeatureError as error:
            refused += 1
            assert layer in error.where and (column in error.what or column == "geometry"), error
            assert error.advice
            continue
        _one_parcel(plan, tmp_path, wishes, details, middle)
    assert tried > 300 and refused > 100


def test_no_edit_of_a_cell_breaks_a_comparison(delivered):
    plan, rows = delivered.source.plan, stored(delivered.source)
    names = ["summary", *ROWS_READ]
    sound = {name: plan.sound(name, rows[name]) for name in names}
    refused = 0
    for _, _, _, changed in mutants({name: rows[name] for name in names}):
        try:
            other = {name: plan.sound(name, changed[name]) for name in names}
        except FeatureError:
            refused += 1
            continue
        parcel_difference("P1", (sound, plan.crs), (other, plan.crs), Tolerances())
    assert refused > 50


EDITS = [
    ("schedule", "weekday", "Someday", "weekday can't be 'Someday'. Enter one of Monday, Tuesday"),
    ("schedule", "start_time", None, "start_time has no value. Enter a time such as 09:30"),
    ("schedule", "end_time", "25:00", "end_time can't be '25:00'"),
    ("summary", "status", "done", "status can't be 'done'. Enter one of planned, not_suitable, failed"),
    ("pegs", "geom", None, "has no geometry. Draw it again"),
    ("materials", "quantity", None, "quantity has no value. Enter a number"),
    ("findings", "values", "{", "values can't be '{'"),
    ("zones", "area_m2", 1e300, "area_m2 can't be 1e+300. Enter a number in m²"),
]


def edited(path, layer, column, value, parcel="P1"):
    with closing(sqlite3.connect(path)) as database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            database.execute(f'DROP TRIGGER "{name}"')  # they call functions that only GDAL has
        one = f'(SELECT min(rowid) FROM "{layer}" WHERE parcel_id = ?)'
        database.execute(f'UPDATE "{layer}" SET "{column}" = ? WHERE rowid = {one}', (value, parcel))
        database.commit()


@pytest.mark.parametrize(("layer", "column", "value", "words"), EDITS)
def test_an_edit_fails_its_own_parcel_and_is_a_row_of_the_index(
    delivered, tmp_path, capsys, layer, column, value, words
):
    plan = tmp_path / "plan.gpkg"
    shutil.copy(delivered.path, plan)
    edited(plan, layer, column, value)
    capsys.readouterr()
    assert main(["deliver", str(plan), "--out", str(tmp_path / "docs"), "--only", "html,csv"]) == 1
    said = capsys.readouterr()
    assert len(said.err.splitlines()) == 1 and "Traceback" not in said.err
    assert "no documents: parcel P1" in said.err and f", {layer}, " in said.err and words in said.err
    assert "documents of 2 parcels" in said.out
    index = (tmp_path / "docs" / "index.html").read_text()
    assert index.count("no documents: parcel P1") >= 1 and 'href="P1/page.html"' not in index
    assert main(["deliver", str(plan), "--out", str(tmp_path / "one"), "--only", "html", "--parcel", "P1"]) == 2
    assert not (tmp_path / "one" / "index.html").exists()
    code = main(["compare", str(delivered.path), str(plan), "--out", str(tmp_path / "compared")])
    said = capsys.readouterr().err.splitlines()[-1]
    assert code == (2 if layer in ("summary", *ROWS_READ) else 0) and (code == 0 or words in said)


def test_a_defect_of_ours_fails_one_parcel_alone(delivered, tmp_path, capsys, monkeypatch):
    from lawngis.processing.deliver import documents

    sound = documents.page
    monkeypatch.setattr(documents, "page", lambda plan, *rest: sound(plan, *rest) if plan.parcel_id != "P1" else 1 / 0)
    assert main(["deliver", str(delivered.path), "--out", str(tmp_path), "--only", "html"]) == 1
    assert "parcel P1: internal error, please report it: ZeroDivisionError" in capsys.readouterr().err
    assert "internal error" in (tmp_path / "index.html").read_text()


@pytest.mark.parametrize(("value", "words"), [(None, "parcel_id has no value"), ("../P2", "occurs twice")])
def test_parcels_without_a_name_of_their_own_are_refused(delivered, tmp_path, capsys, value, words):
    plan = tmp_path / "plan.gpkg"
    shutil.copy(delivered.path, plan)
    edited(plan, "summary", "parcel_id", value)
    for command in (["deliver", str(plan)], ["compare", str(plan), str(delivered.path)], ["mowers", str(plan)]):
        assert main([*command, "--out", str(tmp_path / f"{command[0]}.csv")]) == 2
        said = capsys.readouterr().err
        assert words in said and len(said.splitlines()) == 1


def test_single_parts_that_a_program_made_multiple_are_as_before(delivered):
    plan, rows = delivered.source.plan, stored(delivered.source)["zones"]
    multiple = [{**row, "geometry": shapely.MultiPolygon([row["geometry"]])} for row in rows]
    assert plan.sound("zones", multiple) == plan.sound("zones", rows) == rows


def test_every_declared_word_is_sound_and_no_other():
    for layer in PLAN_LAYERS.values():
        for column in layer.columns:
            assert [value_fault(column, value) for value in column.values] == [""] * len(column.values)
            assert not column.values or value_fault(column, "another")
