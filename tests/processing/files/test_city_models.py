"""City models written by hand after the CityJSON 2.0.1 specification (OGC 20-072r5): a house with a gable roof."""

from __future__ import annotations

import copy
import json

import numpy as np
import pytest
from shapely import box

from lawngis.errors import SiteError
from lawngis.processing.files import city_models
from lawngis.processing.files.city_models import city_buildings, is_city_model

EAST, NORTH = 500_000.0, 5_540_000.0
GROUND_M, EAVES_M, RIDGE_M = 60.0, 63.0, 66.5
WIDE, DEEP = 10.0, 8.0
"""A house of 10 x 8 m; its ridge runs along x in the middle."""


def corners(overhang=0.0):
    """Corners of the ground, of the eaves, and of the ridge, in thousandths of a metre from the transform's origin."""
    ring = [(0, 0), (WIDE, 0), (WIDE, DEEP), (0, DEEP)]
    over = [(-overhang, -overhang), (WIDE + overhang, -overhang), (WIDE + overhang, DEEP + overhang),
            (-overhang, DEEP + overhang)]  # fmt: skip
    ridge = [(-overhang, DEEP / 2, RIDGE_M), (WIDE + overhang, DEEP / 2, RIDGE_M)]
    places = [(x, y, GROUND_M) for x, y in ring] + [(x, y, EAVES_M) for x, y in over] + ridge
    return [[round(value * 1000) for value in place] for place in places]


FACES = [
    [[0, 3, 2, 1]], [[0, 1, 5, 4]], [[2, 3, 7, 6]], [[1, 2, 6, 9, 5]], [[3, 0, 4, 8, 7]],
    [[4, 5, 9, 8]], [[6, 7, 8, 9]],
]  # fmt: skip
SEMANTICS = {
    "surfaces": [{"type": "GroundSurface"}, {"type": "WallSurface"}, {"type": "RoofSurface"}],
    "values": [[0, 1, 1, 1, 1, 2, 2]],
}


def solid(lod="2.2", semantics=SEMANTICS):
    return {"type": "Solid", "lod": lod, "boundaries": [FACES]} | ({"semantics": semantics} if semantics else {})


def model(objects=None, overhang=0.0, **more):
    return {
        "type": "CityJSON", "version": "2.0",
        "transform": {"scale": [0.001] * 3, "translate": [EAST, NORTH, 0.0]},
        "metadata": {
            "title": "Houses of A", "referenceSystem": "https://www.opengis.net/def/crs/EPSG/0/5555",
            "pointOfContact": {"contactName": "Survey of A", "emailAddress": "survey@a.example"},
        },
        "CityObjects": objects or {"h1": {"type": "Building", "geometry": [solid()]}},
        "vertices": corners(overhang), **more,
    }  # fmt: skip


def written(path, *documents):
    path.write_text("".join(json.dumps(document) + "\n" for document in documents), encoding="utf-8")
    return path


def test_the_ground_surface_and_the_roof_above_it(tmp_path):
    objects = {
        "h1": {"type": "Building", "children": ["p1"], "geometry": [
            {"type": "MultiSurface", "lod": "0", "boundaries": [[[4, 5, 6, 7]]]}]},
        "p1": {"type": "BuildingPart", "parents": ["h1"], "geometry": [solid("1.2", None), solid()]},
        "carport": {"type": "Building", "geometry": [
            {"type": "MultiSurface", "lod": "0", "boundaries": [[[0, 1, 2, 3]]]}]},
        "empty": {"type": "Building"},
        "tree": {"type": "SolitaryVegetationObject", "geometry": [{"type": "MultiPoint", "boundaries": [0]}]},
    }  # fmt: skip
    path = written(tmp_path / "houses.city.json", model(objects, overhang=0.5))
    assert is_city_model(path)
    found = city_buildings(path)
    assert found.table["object"].tolist() == ["p1", "carport"], "a building with parts is not there twice"
    assert found.table.geometry.iloc[0].equals(box(EAST, NORTH, EAST + WIDE, NORTH + DEEP)), "not the roof's overhang"
    assert found.table["height_m"].to_numpy() == pytest.approx([RIDGE_M - GROUND_M, np.nan], nan_ok=True)
    assert found.table.crs.to_epsg() == 25832 and found.vertical_said
    assert found.without_surfaces == ("empty",)
    assert found.title == "Houses of A, Survey of A"


@pytest.mark.parametrize(("form", "area_m2"), [("Solid", WIDE * DEEP), ("MultiSurface", (WIDE + 1) * (DEEP + 1))])
def test_without_ground_surfaces_a_solid_has_a_bottom_and_other_surfaces_may_not(tmp_path, form, area_m2):
    boundaries = [FACES] if form == "Solid" else FACES
    objects = {"h": {"type": "Building", "geometry": [{"type": form, "lod": "2", "boundaries": boundaries}]}}
    table = city_buildings(written(tmp_path / "a.json", model(objects, overhang=0.5))).table
    assert table.area.tolist() == pytest.approx([area_m2])
    assert table["height_m"].tolist() == pytest.approx([RIDGE_M - GROUND_M])


def test_courts_stay_open_and_feet_are_feet(tmp_path):
    court = [[x, y, z] for z in (0.0, 20.0) for x, y in ((0, 0), (90, 0), (90, 60), (0, 60), (30, 20), (60, 20),
                                                       (60, 40), (30, 40))]  # fmt: skip
    faces = [[[0, 1, 2, 3], [4, 5, 6, 7]], [[8, 9, 10, 11], [12, 13, 14, 15]]]
    old = {
        "type": "CityJSON", "version": "1.0", "metadata": {"referenceSystem": "urn:ogc:def:crs:EPSG::2263"},
        "CityObjects": {"h": {"type": "Building", "geometry": [{"type": "Solid", "lod": 1, "boundaries": [faces]}]}},
        "vertices": court,
    }  # fmt: skip
    found = city_buildings(written(tmp_path / "old.json", old))
    assert found.table.area.tolist() == pytest.approx([90 * 60 - 30 * 20])
    assert found.table["height_m"].tolist() == pytest.approx([20 * 1200 / 3937]), "US survey feet: 1200/3937 m (NIST)"
    assert not found.vertical_said, "the CRS has no vertical part"


def test_a_sequence_is_read_feature_by_feature(tmp_path):
    head = model(CityObjects={}, vertices=[])
    whole = model()
    features = [
        {"type": "CityJSONFeature", "id": name, "vertices": whole["vertices"],
         "CityObjects": {name: whole["CityObjects"]["h1"]}}
        for name in ("a", "b")
    ]  # fmt: skip
    path = written(tmp_path / "houses.city.jsonl", head, *features)
    assert city_buildings(path).table["object"].tolist() == ["a", "b"]


def broken(**changes):
    """The model with other values, by the way to each: keys and places joined by a stroke."""
    found = copy.deepcopy(model())
    for way, value in changes.items():
        *steps, last = way.split("|")
        inner = found
        for step in steps:
            inner = inner[int(step) if isinstance(inner, list) else step]
        inner[int(last) if isinstance(inner, list) else last] = value
    return json.dumps(found)


FORM = "CityObjects|h1|geometry|0"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (broken(**{f"{FORM}|boundaries|0|0|0|0": 99}), r"object h1: has a corner 99, of 10 that there are"),
        (broken(**{f"{FORM}|boundaries|0|0|0|0": -1}), "has a corner"),
        (broken(**{f"{FORM}|boundaries|0|0|0|0": 1.5}), "no three corners"),
        (broken(**{f"{FORM}|boundaries|0|0|0": 7}), "a ring is not what"),
        (broken(**{f"{FORM}|semantics|surfaces": [3]}), "surfaces is not what"),
        (broken(**{f"{FORM}|lod": {}}), "lod is not what"),
        (broken(**{"CityObjects": [1]}), "CityObjects is not what"),
        (broken(**{"vertices|3": [1, 2]}), "not all are numbers, or some are missing"),
        (broken(**{"vertices|3|0": float("nan")}), "not all are finite"),
        (broken(**{"vertices|3|0": 10**400}), "not all are numbers"),
        (broken(**{"transform|scale": [1e308] * 3}), "transformed: not all are finite"),
        (broken(**{"transform|scale": [0, 1, 1]}), "transform is not what"),
        (broken(**{"metadata|referenceSystem": "EPSG:1"}), "no projected CRS"),
        (broken(**{"metadata|referenceSystem": "urn:ogc:def:crs:EPSG::4979"}), "no projected CRS"),
        (broken(**{"version": ["2.0"]}), "is no CityJSON"),
        (broken()[:-20], "can't be read"),
        ('{"type": "CityJSON", "vertices": ' + "[" * 100_000, "can't be read"),
    ],
)
def test_what_is_broken_ends_in_a_line(tmp_path, text, says):
    (tmp_path / "bad.city.json").write_text(text)
    with pytest.raises(SiteError, match=says) as error:
        city_buildings(tmp_path / "bad.city.json")
    assert "bad.city.json" in str(error.value) and "\n" not in str(error.value)


def test_words_where_lists_should_be_break_nothing(tmp_path):
    odd = {f"{FORM}|semantics|values": "abc", f"{FORM}|semantics|surfaces|0|type": {}, "CityObjects|h1|children": [[1]]}
    (tmp_path / "odd.json").write_text(broken(**odd))
    assert city_buildings(tmp_path / "odd.json").table.area.tolist() == pytest.approx([WIDE * DEEP])


def test_more_than_fits_into_memory_is_refused_before_it_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(city_models, "DOCUMENT_BYTES", 1 << 9)
    for name in ("a.city.json", "a.jsonl"):
        with pytest.raises(SiteError, match="in one piece"):
            city_buildings(written(tmp_path / name, model()))
