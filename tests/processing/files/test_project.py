"""The project in a plan's file: whole, the same each time, and a person's own once somebody saved it."""

from __future__ import annotations

import io
import json
import re
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import geopandas
import pandas as pd
import pytest
from shapely import box

from lawngis.processing.files import gpkg
from lawngis.processing.files.form_encoding import row_expression
from lawngis.processing.files.project_encoding import VIEWS_MAX, Photo, ProjectFacts, packed_project, relative_source
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.map_layers import GROUPS, MAP_LAYERS, map_layer

LAYERS = [PLAN_LAYERS[name] for name in ("summary", "lawn", "zones", "wire_runs", "visit_areas", "run_info")]
CRS = geopandas.GeoSeries([], crs="EPSG:3857").crs


def written(path: Path, parcels: int = 2) -> None:
    """Write a plan as a run does, over what is there."""
    rows = [{"parcel_id": f"P{number}", "status": "planned", "readiness": "ready"} for number in range(parcels)]
    shapes = [box(1e6 + 40 * number, 6e6, 1e6 + 40 * number + 30, 6e6 + 20) for number in range(parcels)]
    summary = geopandas.GeoDataFrame(rows, geometry=shapes, crs=CRS)
    info = pd.DataFrame({"parcel_id": [None], "key": ["attribution image"], "value": ["[% now() %] the county"]})
    gpkg.write_plan_batches(
        path, [{"summary": summary, "run_info": info}], LAYERS, crs=CRS,
        styles=gpkg.style_digests(LAYERS) if path.exists() else None,
        finish=lambda draft: gpkg.write_project(draft, path.name, LAYERS, CRS, Photo("./photo.tif", CRS, (3, 2, 1))),
    )  # fmt: skip


def rows(path: Path, query: str = "SELECT * FROM qgis_projects", *values: str) -> list[tuple[str, ...]]:
    with closing(sqlite3.connect(path)) as database, database:
        return database.execute(query, values).fetchall()


def project(path: Path) -> ET.Element:
    (content,) = (content for name, _, content in rows(path) if name == "lawngis")
    with zipfile.ZipFile(io.BytesIO(bytes.fromhex(content))) as archive:
        return ET.fromstring(archive.read("lawngis.qgs").decode().partition("\n")[2])


def test_the_same_plan_has_the_same_project_without_a_date_or_a_name(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()
        written(tmp_path / name / "plan.gpkg")
    one, other = (rows(tmp_path / name / "plan.gpkg") for name in "ab")
    assert one == other
    with zipfile.ZipFile(io.BytesIO(bytes.fromhex(one[0][2]))) as archive:
        assert archive.infolist()[0].date_time == (1980, 1, 1, 0, 0, 0)
    text = ET.tostring(project(tmp_path / "a" / "plan.gpkg"), encoding="unicode")
    assert not re.search(r"20\d\d-\d\d-\d\d|saveUser|root|" + re.escape(str(tmp_path)), text)


def test_a_later_run_writes_it_anew_until_somebody_saved_it(tmp_path: Path) -> None:
    path = tmp_path / "plan.gpkg"
    written(path, 2)
    written(path, 3)
    assert len(project(path).findall("Bookmarks/Bookmark")) == 3
    rows(path, "INSERT INTO qgis_projects VALUES ('mine', '{}', 'ff')")
    content = rows(path)[0][2]
    saved = json.dumps({"last_modified_time": "2026-05-01T08:00:00", "last_modified_user": "Ada"})
    rows(path, "UPDATE qgis_projects SET metadata = ? WHERE name = 'lawngis'", saved)
    written(path, 4)
    assert rows(path) == [("lawngis", saved, content), ("mine", "{}", "ff")]
    rows(path, "DELETE FROM qgis_projects WHERE name = 'lawngis'")  # who wants ours back takes theirs away
    written(path, 5)
    assert len(project(path).findall("Bookmarks/Bookmark")) == 5


def test_a_project_whose_content_was_changed_is_somebodys_own(tmp_path: Path) -> None:
    path = tmp_path / "plan.gpkg"
    written(path, 2)
    rows(path, "UPDATE qgis_projects SET content = content || '00'")
    before = rows(path)
    written(path, 3)
    assert rows(path) == before


def test_layers_stand_relative_to_the_file_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "garden.gpkg"
    written(path)
    sources = [element.text for element in project(path).findall("projectlayers/maplayer/datasource")]
    assert "./garden.gpkg|layername=zones" in sources
    assert "./garden.gpkg|layername=visit_areas|geometrytype=LineString" in sources
    assert "./photo.tif" in sources


def test_words_of_a_stranger_are_no_expression(tmp_path: Path) -> None:
    written(tmp_path / "plan.gpkg")
    mind = next(item for item in project(tmp_path / "plan.gpkg").iter("LayoutItem") if item.get("id") == "mind")
    assert "Data: [ % now() %] the county." in mind.attrib["labelText"]
    assert "replace(" in ET.tostring(project(tmp_path / "plan.gpkg").find("projectlayers")).decode()


def test_views_and_a_sheet_are_there_for_parcels_that_have_a_place() -> None:
    parcels = [(f"P{number}", (0.0, 0.0, 9.0, 9.0)) for number in range(VIEWS_MAX + 1)]
    degrees = geopandas.GeoSeries([], crs="EPSG:4326").crs
    nowhere = [("P1", (5e5, 5e6, 6e5, 6e6))]
    for some, crs, views, sheets in ((parcels, CRS, VIEWS_MAX, 1), ([], CRS, 0, 0), (nowhere, degrees, 1, 0)):
        packed = packed_project(LAYERS, ProjectFacts("plan.gpkg", crs, some))
        with zipfile.ZipFile(io.BytesIO(packed)) as archive:
            text = archive.read("lawngis.qgs").decode()
        assert (text.count("<Bookmark "), text.count("<Layout ")) == (views, sheets)


def test_every_layer_of_the_plan_stands_in_a_group_and_says_what_its_columns_hold() -> None:
    assert set(MAP_LAYERS) == set(PLAN_LAYERS)
    for name, spec in PLAN_LAYERS.items():
        assert MAP_LAYERS[name].group in GROUPS
        assert map_layer(spec).tip, name  # all its columns are there


def test_a_row_speaks_without_what_it_lacks() -> None:
    words = "{zone_id}[, fed by {supply}]: it's[ {area_m2} m²]"
    assert row_expression(PLAN_LAYERS["zones"], words) == (
        'concat(nullif("zone_id", \'\'), \', fed by \' || if("supply" IS NULL, NULL, represent_value("supply")), '
        "': it''s', ' ' || to_string(round(\"area_m2\", 0)) || ' m²')"
    )


@pytest.mark.parametrize(
    ("file", "expected"), [("a/b/x.tif", "./x.tif"), ("a/x.tif", "../x.tif"), ("a/b/c/x.tif", "./c/x.tif")]
)
def test_files_are_named_from_where_the_plan_is(tmp_path: Path, file: str, expected: str) -> None:
    assert relative_source(tmp_path / file, tmp_path / "a" / "b") == expected
