"""Layers in memory: checked, cleaned, and every repair told."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import GeometryCollection, LineString, MultiLineString, MultiPoint, Point, Polygon

from lawngis.errors import LayerError
from lawngis.processing.model.site_layers import SITE_LAYERS
from lawngis.processing.reading import features as module
from lawngis.processing.reading.features import check_layer, read_features, surveyed
from lawngis.processing.reading.features import repaired_geometry as repaired
from lawngis.processing.reading.site_files import site_files

BOW_TIE = Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])


def read(path, name):
    return read_features(SITE_LAYERS[name], site_files(path).layers[name])


def survey(path, name):
    return surveyed(SITE_LAYERS[name], site_files(path).layers[name], lambda _: True)


@pytest.mark.parametrize(
    ("layer", "geometry", "expected"),
    [
        ("beds", BOW_TIE, 2.0),
        ("beds", GeometryCollection([Point(0, 0).buffer(1, 1), Point(5, 5)]), 2.0),
        ("beds", GeometryCollection([GeometryCollection([shapely.box(0, 0, 1, 1)]), shapely.box(1, 0, 2, 1)]), 2.0),
        ("beds", LineString([(0, 0), (1, 1)]), None),
        ("beds", Polygon(), None),
        ("beds", None, None),
        ("trees", GeometryCollection([Point(1, 1), Point(2, 2), LineString([(0, 0), (1, 1)])]), MultiPoint),
        ("barriers", GeometryCollection([LineString([(0, 0), (1, 1)]), LineString([(3, 0), (4, 1)])]), MultiLineString),
        ("streets", GeometryCollection([LineString([(0, 0), (1, 1)]), Point(2, 2)]), LineString),
        ("obstacles", GeometryCollection([Point(1, 1), shapely.box(0, 0, 1, 1)]), 1.0),
    ],
)
def test_what_fits_is_taken(layer, geometry, expected):
    found = repaired(geometry, SITE_LAYERS[layer])
    if expected is None:
        assert found is None
    elif isinstance(expected, float):
        assert found.is_valid
        assert found.area == pytest.approx(expected)
    else:
        assert isinstance(found, expected)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=4, max_size=9, unique=True))
def test_a_mended_polygon_is_valid_and_within_the_hull(corners):
    polygon = Polygon(corners)
    found = repaired(polygon, SITE_LAYERS["parcels"])
    if found is not None:
        assert found.is_valid
        assert found.difference(polygon.convex_hull.buffer(1e-9)).area == 0
        if polygon.is_valid:
            assert found.equals(polygon)


def test_numbers_come_as_numbers_however_they_are_stored(build, tmp_path):
    points = [build.at(1, 1), build.at(2, 2), build.at(3, 3), build.at(4, 4)]
    build.layer(tmp_path / "a.gpkg", "trees", points, height_m=["1.8", " 2 ", "", None], trunk_diameter_m=[1, 0, 2, 3])
    table = read(tmp_path, "trees").table
    np.testing.assert_array_equal(table["height_m"], [1.8, 2.0, np.nan, np.nan])
    np.testing.assert_array_equal(table["trunk_diameter_m"], [1.0, 0.0, 2.0, 3.0])
    assert table["crown_diameter_m"].isna().all()


@pytest.mark.parametrize("word", ["tall", "1,8", "3 m", "nan", "--"])
def test_words_are_no_numbers(build, tmp_path, word):
    build.layer(tmp_path / "a.gpkg", "trees", [build.at(1, 1), build.at(2, 2)], height_m=["2", word])
    with pytest.raises(LayerError, match=r"a\.gpkg, layer trees, row 2: column height_m holds '.*'.* in metres"):
        read(tmp_path, "trees")


def test_words_of_a_list_are_known_in_any_case_and_others_told(build, tmp_path):
    blocks = [build.block(x, 0, 1, 1) for x in range(4)]
    build.layer(tmp_path / "a.gpkg", "hard_surfaces", blocks, level=["FLUSH", " raised ", "wavy", None])
    features = read(tmp_path, "hard_surfaces")
    assert features.table["level"].tolist() == ["flush", "raised", None, None]
    known = ["flush", "raised", "sunken", "unknown"]
    assert features.doubts == ({"case": "word", "column": "level", "value": "wavy", "known": known},)


def test_yes_and_no_in_many_words(build, tmp_path):
    words = ["yes", "NO", "1", "0", "true", "f", "perhaps", "", None]
    points = [build.at(x, 1) for x in range(len(words))]
    build.layer(tmp_path / "a.gpkg", "obstacles", points, rigid=words)
    features = read(tmp_path, "obstacles")
    assert features.table["rigid"].tolist() == [True, False, True, False, True, False, None, None, None]
    strange = {"case": "truth", "column": "rigid", "value": "perhaps", "features": 1, "rows": [7], "more": None}
    assert features.doubts == (strange,)
    build.layer(tmp_path / "b.gpkg", "obstacles", points[:3], rigid=[True, False, True])
    (tmp_path / "a.gpkg").unlink()
    assert read(tmp_path, "obstacles").table["rigid"].tolist() == [True, False, True]


def test_rows_left_out_keep_the_numbers_of_the_others(build, tmp_path):
    blocks = [None, build.block(1, 0, 1, 1), Polygon(), build.block(2, 0, 1, 1), None, build.block(3, 0, 1, 1)]
    build.layer(tmp_path / "a.gpkg", "beds", blocks)
    features = read(tmp_path, "beds")
    assert set(features.broken) == {0, 2, 4}
    assert features.numbers == (2, 4, 6)
    left_out = {
        finding.values["problem"][0]: finding.values["rows"] for finding in survey(tmp_path, "beds").findings("beds")
    }
    assert left_out == {"geometry-missing": [1, 5], "geometry-empty": [3]}


def test_one_mistake_in_a_whole_layer_is_said_once(build, tmp_path):
    build.layer(tmp_path / "a.gpkg", "beds", [build.block(0, 0, 1, 1), *[None] * 40])
    (finding,) = survey(tmp_path, "beds").findings("beds")
    assert (finding.code, finding.values["features"], finding.values["rows"]) == (
        "feature-left-out",
        40,
        [2, 3, 4, 5, 6],
    )
    assert "beds, rows 2, 3, 4, 5, 6 and 35 more: has no geometry; these features were left out" in finding.said()[0]


def test_a_layer_of_anything_is_looked_at_feature_by_feature(build, tmp_path):
    frame = geopandas.GeoDataFrame(geometry=[build.at(1, 1), build.block(1, 1, 1, 1)], crs=build.crs)
    build.layer(tmp_path / "a.gpkg", "parcels", frame.geometry)
    place = site_files(tmp_path).layers["parcels"]
    check_layer(SITE_LAYERS["parcels"], place)
    assert set(read(tmp_path, "parcels").broken) == {0}


def test_a_layer_is_surveyed_alike_in_one_go_and_in_many(build, tmp_path, monkeypatch):
    blocks = [None, build.block(1, 0, 1, 1), BOW_TIE, None, build.block(2, 0, 1, 1), BOW_TIE, build.block(3, 0, 1, 1)]
    build.layer(tmp_path / "a.gpkg", "beds", blocks, kind=["flowers", "moss", "shrubs", "fern", None, "moss", "x"])
    whole = survey(tmp_path, "beds")
    assert set(whole.broken) == {0, 3}
    assert whole.repaired_rows == {3: 2, 6: 5}
    for rows in (1, 2, 3, 7):
        monkeypatch.setattr(module, "SURVEY_ROWS", rows)
        assert survey(tmp_path, "beds") == whole


def test_within_bounds_only_what_touches_them_is_read(build, tmp_path):
    build.layer(tmp_path / "a.gpkg", "beds", [build.block(x, 0, 1, 1) for x in range(0, 100, 10)])
    place = site_files(tmp_path).layers["beds"]
    near = read_features(SITE_LAYERS["beds"], place, bbox=build.block(19, 0, 12, 1).bounds)
    assert near.numbers == (3, 4)


def test_rows_moved_are_those_rows_of_the_table_in_the_other_crs():
    shapes = [Point(0, 0), Point(4, 0), Point(9, 9), Point(5, 1)]
    table = geopandas.GeoDataFrame(
        {"height_m": [1.0, np.nan, 3.0, 4.0], "kind": list("abcd")}, geometry=shapes, crs=25832
    )
    features = module.Features(table, {}, {})
    rows = features.meeting(shapely.box(3, -1, 6, 2))
    assert rows.tolist() == [1, 3]
    found = features.moved(rows, shapely.transform(features.shapes[rows], lambda xy: xy + 1), table.crs)
    expected = table.iloc[[1, 3]].reset_index(drop=True)
    assert_geodataframe_equal(found, expected.set_geometry(expected.geometry.translate(1, 1)), check_index_type=True)
    nothing = features.moved(features.meeting(Point(50, 50)), features.shapes[:0], table.crs)
    assert len(nothing) == 0 and nothing.crs == table.crs and list(nothing.columns) == list(table.columns)
