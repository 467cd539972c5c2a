"""Plans opened and read: the same for all who read one, and never more of a file than is asked for."""

from __future__ import annotations

import pickle
import sqlite3
from contextlib import closing
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import CRS
from shapely import MultiPolygon, Point

from lawngis.errors import PlanError, SiteError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.processing.files import gpkg, plan_reader
from lawngis.processing.files.file_kinds import PLAN
from lawngis.processing.files.plan_reader import is_plan, layers_of, plan_file, rows_in_frame
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.tables import plain_rows, table

UTM = CRS(25832)
PARCELS = ("A", "O'B", "C")
PEGS = 5


def square(x: float) -> shapely.Polygon:
    return shapely.box(500_000 + x, 5_500_000, 500_020 + x, 5_500_020)


def parcel(name: str, x: float) -> dict[str, list[dict[str, object]]]:
    """A summary, a zone, and pegs, of which one is no straight one."""
    own = {"parcel_id": name}
    zone = {**own, "zone_id": f"{name}-Z1", "role": "home", "area_m2": 400.0, "perimeter_m": 80.0, "supply": "own_dock"}
    pegs = [
        {**own, "loop_id": f"{name}-L1", "peg_no": number, "chainage_m": 1.0 * number,
         "peg_kind": "straight" if number > 1 else "dock", "geometry": Point(500_000 + x + number, 5_500_000)}
        for number in range(1, PEGS + 1)
    ]  # fmt: skip
    return {
        "summary": [{**own, "status": "planned", "geometry": MultiPolygon([square(x)])}],
        "zones": [{**zone, "geometry": square(x)}],
        "pegs": pegs,
        "run_info": [{**own, "key": "written", "value": f"of {name}"}],
    }


def write(path: Path, crs: CRS = UTM) -> Path:
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in PLAN_LAYERS}
    rows["run_info"] = [{"parcel_id": None, "key": "started", "value": "today"}]
    for number, name in enumerate(PARCELS):
        for layer, some in parcel(name, 30.0 * number).items():
            rows[layer] += some
    tables = {name: table(spec, rows[name], crs if spec.geometry else None) for name, spec in PLAN_LAYERS.items()}
    return gpkg.write_plan(path, tables, tuple(PLAN_LAYERS.values()), crs=crs)


@pytest.fixture
def path(tmp_path):
    return write(tmp_path / "plan.gpkg")


def without(path: Path, layer: str, column: str = "") -> None:
    """Take a layer out of a plan, or a column out of a layer, as a person might."""
    with closing(sqlite3.connect(path)) as database:
        if column:
            database.execute(f'ALTER TABLE "{layer}" DROP COLUMN "{column}"')
        else:
            for name in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions", "gpkg_ogr_contents"):
                database.execute(f"DELETE FROM {name} WHERE table_name = ?", (layer,))
            database.execute(f'DROP TABLE "{layer}"')
        database.commit()


# --- opened ----------------------------------------------------------------------------------------------


def test_a_plan_is_named_by_itself_or_by_its_folder(path):
    assert plan_file(path).path == plan_file(path.parent).path == path
    assert plan_file(path).crs == UTM
    assert plan_file(path).parcel_ids == list(PARCELS)
    assert plan_file(path).facts == {"started": "today"}  # what was recorded of one parcel is none of the whole's
    assert is_plan(path) and not is_plan(path.parent) and not is_plan(path.parent / "none.gpkg")


def test_what_is_not_there_is_said(tmp_path):
    with pytest.raises(PlanError, match=r"none\.gpkg: there is no plan\. Name a plan\.gpkg, or the folder"):
        plan_file(tmp_path / "none.gpkg")
    with pytest.raises(PlanError, match=rf"{tmp_path.name}: there is no plan\.gpkg in this folder"):
        plan_file(tmp_path)


def test_what_is_no_plan_is_said(tmp_path):
    pyogrio.write_dataframe(pd.DataFrame({"a": [1]}), tmp_path / "other.gpkg", layer="trees")
    with pytest.raises(PlanError, match=r"other\.gpkg: is no plan: the layer summary is missing"):
        plan_file(tmp_path / "other.gpkg")
    assert not is_plan(tmp_path / "other.gpkg")
    (tmp_path / "text.gpkg").write_text("grass")
    with pytest.raises(SiteError, match="is no GeoPackage"):
        plan_file(tmp_path / "text.gpkg")


def test_a_layer_is_missed_by_those_who_need_it_alone(path):
    without(path, "zones")
    assert plan_file(path, read=("zones",)).parcel_ids == list(PARCELS)
    with pytest.raises(PlanError, match=r"the layer zones is missing\. Plan the site again"):
        plan_file(path, needed=("zones",))


def test_a_column_that_always_has_a_value_is_missed_by_those_who_read_its_layer(path):
    without(path, "zones", "role")
    assert plan_file(path, read=("pegs",)).parcel_ids == list(PARCELS)
    for wanted in ({"needed": ("zones",)}, {"read": ("zones",)}):
        with pytest.raises(PlanError, match=r"the layer zones has no column role\. Plan the site again"):
            plan_file(path, **wanted)


def test_a_column_that_may_be_empty_is_missed_by_those_who_say_so(path):
    without(path, "zones", "supply_why")
    plan = plan_file(path, needed=("zones",))
    assert [row["supply_why"] for row in plan.rows("zones")] == [None] * len(PARCELS)
    with pytest.raises(PlanError, match="has no column supply_why"):
        plan.refuse_without(("zones",), ("supply_why",))


def test_a_plan_that_does_not_say_where_it_lies_is_refused(path):
    with closing(sqlite3.connect(path)) as database:
        database.execute("UPDATE gpkg_geometry_columns SET srs_id = -1 WHERE table_name = 'summary'")
        database.execute("UPDATE gpkg_contents SET srs_id = -1 WHERE table_name = 'summary'")
        database.commit()
    with pytest.raises(PlanError, match=r"plan\.gpkg, summary: has no CRS\. Give its layers"):
        plan_file(path)


def test_layers_under_other_names_and_in_capitals_are_known(path):
    with closing(sqlite3.connect(path)) as database:
        database.create_function("ST_IsEmpty", 1, lambda _: 0)
        for name, to in (("zones", "my_zones"), ("pegs", "Pegs_")):
            database.execute(f'ALTER TABLE "{name}" RENAME TO "{to}"')
            for meta in ("gpkg_contents", "gpkg_geometry_columns"):
                database.execute(f"UPDATE {meta} SET table_name = ? WHERE table_name = ?", (to, name))
        database.commit()
    file = layers_of(path, names={"zones": "MY_ZONES"})
    assert file.layers["zones"].name == "my_zones"
    assert "pegs" not in file.layers and "Pegs_" in file.others
    assert "my_zones" not in file.others


# --- read ------------------------------------------------------------------------------------------------


@pytest.fixture
def rows_read(monkeypatch):
    """How many rows came out of the file, by layer."""
    counts: dict[str, int] = {}

    def counted(read):
        def reading(file, layer, **selection):
            frame = read(file, layer, **selection)
            counts[layer] = counts.get(layer, 0) + len(frame)
            return frame

        return reading

    for name in ("read_layer", "read_table"):
        monkeypatch.setattr(gpkg, name, counted(getattr(gpkg, name)))
    return counts


def test_of_one_parcel_only_its_rows_are_read(path, rows_read):
    ((name, layers),) = plan_file(path).parcels(("zones", "pegs"), ["O'B"])
    assert name == "O'B"
    assert [row["zone_id"] for row in layers["zones"]] == ["O'B-Z1"]
    assert [row["peg_no"] for row in layers["pegs"]] == [1, 2, 3, 4, 5]
    assert rows_read["zones"] == 1 and rows_read["pegs"] == PEGS


@pytest.mark.parametrize("at_a_time", [1, 2, 100])
def test_parcels_come_in_the_order_wanted_however_many_are_read_together(path, monkeypatch, at_a_time):
    monkeypatch.setattr(plan_reader, "PARCELS_AT_A_TIME", at_a_time)
    plan = plan_file(path)
    assert [name for name, _ in plan.parcels(("zones",))] == list(PARCELS)
    found = list(plan.parcels({"pegs": "peg_kind <> 'dock'", "zones": "", "links": ""}, ["C", "A"]))
    assert [name for name, _ in found] == ["C", "A"]
    for name, layers in found:
        assert [row["zone_id"] for row in layers["zones"]] == [f"{name}-Z1"]
        assert [row["peg_no"] for row in layers["pegs"]] == [2, 3, 4, 5]
        assert layers["links"] == []


def test_a_row_that_somebody_added_at_the_end_belongs_to_its_parcel(path):
    with closing(sqlite3.connect(path)) as database:
        database.execute("INSERT INTO materials (parcel_id, item, quantity, unit) VALUES ('A', 'late', 1, 'piece')")
        database.execute("INSERT INTO materials (parcel_id, item, quantity, unit) VALUES ('C', 'last', 1, 'piece')")
        database.execute("INSERT INTO materials (parcel_id, item, quantity, unit) VALUES ('A', 'more', 1, 'piece')")
        database.commit()
    plan = plan_file(path)
    assert [row["item"] for row in plan.rows("materials", ["A"])] == ["late", "more"]
    assert [row["item"] for row in plan.rows("materials", ["C"])] == ["last"]
    assert [row["item"] for row in plan.rows("materials")] == ["late", "last", "more"]


def test_values_are_plain_and_gaps_are_none(path):
    (row,) = plan_file(path).rows("zones", ["A"])
    assert (type(row["area_m2"]), type(row["role"]), row["loop_id"], row["hours_week"]) == (float, str, None, None)
    assert row["geometry"].equals(square(0))
    times = pd.DataFrame({"t": pd.to_datetime(["2026-05-01T08:00:00", None]), "n": pd.array([1, None], "Int64")})
    assert plain_rows(times) == [{"t": "2026-05-01 08:00:00", "n": 1}, {"t": None, "n": None}]


def test_a_layer_that_an_earlier_version_did_not_have_has_no_rows(path):
    without(path, "cover")
    plan = plan_file(path, read=("cover",))
    assert plan.rows("cover") == plan.rows("cover", ["A"]) == []
    assert set(plan.frame("cover").columns) == {column.name for column in PLAN_LAYERS["cover"].columns}


@pytest.mark.parametrize("batch", [1, 3, 1000])
@pytest.mark.parametrize("added", ["A", None])
def test_parcels_are_streamed_whole_each_as_soon_as_it_is(path, monkeypatch, batch, added):
    """Whoever makes the rows may know whose a row without a name is: then none is whole before the end."""
    monkeypatch.setattr(plan_reader, "BATCH_ROWS", batch)
    with closing(sqlite3.connect(path)) as database:
        statement = "INSERT INTO materials (parcel_id, item, quantity, unit) VALUES (?, ?, 1, 'piece')"
        database.executemany(statement, [("A", "a"), ("C", "b"), ("C", "c"), ("A", "d"), (added, "e")])
        database.commit()
    items_read = []

    def rows_of(frame):
        items_read.extend(frame["item"])
        return [{**row, "parcel_id": row["parcel_id"] or "A"} for row in plain_rows(frame)]

    streamed = [
        (name, [row["item"] for row in rows], len(items_read))
        for name, rows in plan_file(path).streamed("materials", rows_of)
    ]
    assert sorted((name, items) for name, items, _ in streamed) == [("A", ["a", "d", "e"]), ("C", ["b", "c"])]
    if batch == 1:
        assert [name for name, _, _ in streamed] == (["C", "A"] if added else ["A", "C"])
        assert [read for _, _, read in streamed] == ([3, 5] if added else [5, 5])


def test_a_file_that_is_given_to_another_process_knows_where_rows_lie(path, monkeypatch):
    plan = plan_file(path)
    plan.locate(("pegs", "none"))
    given = pickle.loads(pickle.dumps(plan))
    monkeypatch.setattr(gpkg, "row_spans", None)
    assert len(given.rows("pegs", ["A"])) == PEGS


def test_rows_are_moved_into_a_frame_and_have_a_place_there_or_none():
    frame = MeasuringFrame.centred_on(square(0), UTM)
    place, nowhere = rows_in_frame([{"geometry": square(0), "n": 1}, {"geometry": None, "n": 2}], frame)
    assert place["geometry"].centroid.distance(Point(0, 0)) < 1e-3 and place["n"] == 1
    assert nowhere["geometry"].is_empty and nowhere["n"] == 2
    assert rows_in_frame([{"n": 1}], frame) == [{"n": 1}]
    assert rows_in_frame([], frame) == []


# --- written ---------------------------------------------------------------------------------------------


def test_a_plan_goes_into_a_folder_that_is_made(tmp_path):
    assert PLAN.target(tmp_path / "a" / "b") == tmp_path / "a" / "b" / "plan.gpkg"
    assert list((tmp_path / "a" / "b").iterdir()) == []


def test_what_is_in_the_way_of_a_plan_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(PlanError, match="file: is a file, but the plan needs a folder"):
        PLAN.target(tmp_path / "file")
    (tmp_path / "out" / "plan.gpkg").mkdir(parents=True)
    with pytest.raises(PlanError, match=r"plan\.gpkg: is a folder"):
        PLAN.target(tmp_path / "out")
    with pytest.raises(PlanError, match="can't be written to"):
        PLAN.target(tmp_path / ("x" * 300))
