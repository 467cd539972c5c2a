"""What people put into a plan's file: everything that isn't ours comes along when the file is written anew."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import geopandas
import pandas as pd
import pyogrio
import pytest
from shapely import Point, box

from lawngis.errors import PlanError, SiteError
from lawngis.processing.files import gpkg
from lawngis.processing.model.layers import PLAN_LAYERS

CRS = "EPSG:25832"
LAYERS = [PLAN_LAYERS[name] for name in ("lawn", "zones", "findings", "run_info")]
NAMES = [layer.name for layer in LAYERS]
OTHER_CRS = "+proj=tmerc +lat_0=50 +lon_0=9.1 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m"


def lawns(area_m2):
    row = {"parcel_id": "P1", "lawn_id": "P1-G1", "area_m2": area_m2, "source": "derived", "confidence": 0.5}
    return {"lawn": geopandas.GeoDataFrame([row], geometry=[box(0, 0, area_m2, 1)], crs=CRS)}


def written(path, area_m2):
    """Write a plan as a run does, over what is there."""
    styles = gpkg.style_digests(LAYERS) if path.exists() else None
    crs = lawns(1.0)["lawn"].crs
    return gpkg.write_plan_batches(path, [lawns(area_m2)], LAYERS, crs=crs, styles=styles)


def sql(path, *statements):
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        for statement in statements:
            rows = database.execute(*(statement if isinstance(statement, tuple) else (statement,))).fetchall()
        return rows


@pytest.fixture
def plan(tmp_path):
    return written(tmp_path / "plan.gpkg", 1.0)


def again(plan):
    written(plan, 2.0)
    assert pyogrio.read_dataframe(plan, layer="lawn")["area_m2"].tolist() == [2.0]
    assert sql(plan, "PRAGMA integrity_check") == [("ok",)]


def test_features_come_with_place_index_and_reference_system(plan):
    places = [Point(x, 0) for x in range(50)]
    notes = geopandas.GeoDataFrame({"note": [f"gate {n}" for n in range(50)]}, geometry=places, crs=OTHER_CRS)
    pyogrio.write_dataframe(notes, plan, layer="Notes of Ada", append=True)
    before = pyogrio.read_info(plan, layer="Notes of Ada", force_total_bounds=True)
    again(plan)
    assert pyogrio.read_dataframe(plan, layer="Notes of Ada").equals(notes)
    after = pyogrio.read_info(plan, layer="Notes of Ada", force_total_bounds=True)
    assert after["crs"] == before["crs"] and after["features"] == 50
    assert after["capabilities"] == before["capabilities"]
    assert len(pyogrio.read_dataframe(plan, layer="Notes of Ada", bbox=(9.5, -1, 12.5, 1))) == 3
    more = notes.iloc[:1]
    pyogrio.write_dataframe(more, plan, layer="Notes of Ada", append=True)  # its triggers work
    assert sql(plan, 'SELECT count(*) FROM "rtree_Notes of Ada_geom"') == [(51,)]


def test_tables_projects_views_indexes_and_triggers_come_as_they_are(plan):
    pyogrio.write_dataframe(pd.DataFrame({"who": ["Ada", None], "hours": [1.5, 2]}), plan, layer="crew", append=True)
    sql(
        plan,
        "CREATE TABLE projects (name TEXT PRIMARY KEY, metadata BLOB, content BLOB)",
        ("INSERT INTO projects VALUES ('garden', ?, ?)", (b"\x00\x01", b"\xff" * 9999)),
        "CREATE TABLE counted (id INTEGER PRIMARY KEY AUTOINCREMENT, twice INTEGER AS (2 * id) STORED)",
        "INSERT INTO counted (id) VALUES (7)",
        "CREATE VIEW large AS SELECT * FROM lawn WHERE area_m2 > 1.5",
        "CREATE INDEX by_area ON lawn (area_m2)",
        "CREATE TRIGGER noted AFTER DELETE ON lawn BEGIN INSERT INTO counted (id) VALUES (9); END",
    )
    again(plan)
    assert sql(plan, "SELECT who, hours FROM crew") == [("Ada", 1.5), (None, 2.0)]
    assert sql(plan, "SELECT * FROM projects") == [("garden", b"\x00\x01", b"\xff" * 9999)]
    assert sql(plan, "SELECT * FROM counted") == [(7, 14)]
    assert sql(plan, "SELECT lawn_id FROM large") == [("P1-G1",)]
    assert {name for (name,) in sql(plan, "SELECT name FROM sqlite_master")} >= {"by_area", "noted"}


def test_styles_of_their_own_come_and_ours_are_written_anew(plan):
    ours = sql(plan, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'findings'")
    sql(
        plan,
        "INSERT INTO layer_styles (f_table_name, f_geometry_column, styleName, styleQML, useAsDefault, owner)"
        " VALUES ('lawn', 'geom', 'mine', '<mine/>', 1, 'Ada')",
        "UPDATE layer_styles SET styleQML = '<changed/>' WHERE f_table_name = 'zones'",
    )
    for _ in range(2):
        again(plan)
        columns = "f_table_name, styleName, useAsDefault, owner"
        own = sql(plan, f"SELECT {columns} FROM layer_styles WHERE f_table_name = 'lawn' ORDER BY styleName")
        assert own == [("lawn", "lawngis", 0, ""), ("lawn", "mine", 1, "Ada")]
        assert sql(plan, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'zones'") == [("<changed/>",)]
        assert sql(plan, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'findings'") == ours


def test_metadata_of_the_standard_come(plan):
    sql(
        plan,
        "CREATE TABLE gpkg_metadata (id INTEGER PRIMARY KEY, md_scope TEXT, metadata TEXT)",
        "INSERT INTO gpkg_metadata VALUES (1, 'dataset', 'surveyed in May')",
        "INSERT INTO gpkg_extensions VALUES ('gpkg_metadata', NULL, 'gpkg_metadata', 'x', 'read-write')",
        "CREATE TABLE kinds (id INTEGER PRIMARY KEY, kind TEXT)",
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('kinds', 'attributes', 'Kinds')",
        "INSERT INTO gpkg_data_columns VALUES ('kinds', 'kind', 'kind', 'Kind', NULL, NULL, 'of_kinds')",
        "INSERT INTO gpkg_data_column_constraints VALUES ('of_kinds', 'enum', 'oak', 0, 0, 0, 0, NULL)",
    )
    again(plan)
    assert sql(plan, "SELECT metadata FROM gpkg_metadata") == [("surveyed in May",)]
    assert sql(plan, "SELECT count(*) FROM gpkg_extensions WHERE table_name = 'gpkg_metadata'") == [(1,)]
    assert sql(plan, "SELECT identifier FROM gpkg_contents WHERE table_name = 'kinds'") == [("Kinds",)]
    assert sql(plan, "SELECT value FROM gpkg_data_column_constraints WHERE constraint_name = 'of_kinds'") == [("oak",)]


def test_what_nobody_can_copy_is_refused_and_the_file_stays(plan):
    sql(
        plan,
        "PRAGMA writable_schema = ON",
        "INSERT INTO sqlite_master VALUES ('table', 'odd', 'odd', 0, 'CREATE VIRTUAL TABLE odd USING nowhere(a)')",
    )
    before = plan.read_bytes()
    with pytest.raises(SiteError, match=r"virtual table \(odd\) that is no spatial index"):
        gpkg.refuse_uncarriable(plan, NAMES)
    with pytest.raises(SiteError, match="odd"):
        written(plan, 2.0)
    assert plan.read_bytes() == before
    assert [path.name for path in plan.parent.iterdir()] == ["plan.gpkg"]


def test_a_reference_system_whose_number_means_another_now_is_refused(plan):
    notes = geopandas.GeoDataFrame({"note": ["gate"]}, geometry=[Point(0, 0)], crs=OTHER_CRS)
    pyogrio.write_dataframe(notes, plan, layer="notes", append=True)
    new = OTHER_CRS.replace("9.1", "9.2")
    styles = gpkg.style_digests(LAYERS)
    moved = {"lawn": lawns(2.0)["lawn"].set_crs(new, allow_override=True)}
    with pytest.raises(PlanError, match="means another reference system now"):
        gpkg.write_plan_batches(plan, [moved], LAYERS, crs=moved["lawn"].crs, styles=styles)
    assert pyogrio.read_dataframe(plan, layer="lawn")["area_m2"].tolist() == [1.0]


def test_nothing_is_refused_in_a_plan_that_nobody_touched(plan):
    gpkg.refuse_uncarriable(plan, NAMES)
    again(plan)
    assert [name for name, _ in pyogrio.list_layers(plan)] == ["findings", "zones", "lawn", "run_info", "layer_styles"]
