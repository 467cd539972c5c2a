"""Styles inside the GeoPackage: valid, one for each layer with geometry, telling every value apart."""

import sqlite3
from contextlib import closing
from itertools import combinations
from xml.etree import ElementTree as ET

import pytest

from lawngis.processing.files.style_encoding import qml, sld
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.styles import STYLES, Area, Line, Mark

SE = "{http://www.opengis.net/se}"
OGC = "{http://www.opengis.net/ogc}"


def test_plan_with_styles_passes_the_geopackage_validator(delivered):
    """Oracle: validate_gpkg of gdal-utils (OGC 12-128)."""
    validate = pytest.importorskip("osgeo_utils.samples.validate_gpkg")
    assert validate.check(str(delivered.path), abort_at_first_error=False) == []


def test_table_has_a_default_style_for_each_drawn_layer(delivered):
    with closing(sqlite3.connect(delivered.path)) as database:
        rows = database.execute(
            "SELECT f_table_name, f_table_schema, f_geometry_column, useAsDefault, styleQML, styleSLD FROM layer_styles"
        ).fetchall()
        real = dict(database.execute("SELECT table_name, column_name FROM gpkg_geometry_columns").fetchall())
    assert [row[0] for row in rows] == [name for name in PLAN_LAYERS if name in STYLES]
    for name, schema, column, default, stored_qml, stored_sld in rows:
        assert (schema, column, default) == ("", real[name], 1)
        assert ET.fromstring(stored_qml.partition("\n")[2]).tag == "qgis"
        assert ET.fromstring(stored_sld).tag.endswith("StyledLayerDescriptor")


@pytest.mark.parametrize("name", STYLES)
def test_every_allowed_value_is_drawn(name):
    style, spec = STYLES[name], PLAN_LAYERS[name]
    if style.column is None:
        return
    column = spec.column(style.column)
    allowed = set(column.values) or {"true", "false"}
    assert {rule.value for rule in style.rules} == allowed
    root = ET.fromstring(sld(spec))
    assert [literal.text for literal in root.iterfind(f".//{OGC}PropertyIsEqualTo/{OGC}Literal")] == [
        rule.value for rule in style.rules
    ]
    categories = ET.fromstring(qml(spec).partition("\n")[2]).findall(".//category")
    assert [category.get("value") for category in categories] == [rule.value for rule in style.rules]


def test_aliases_are_numbered_as_the_columns_of_the_file():
    spec = PLAN_LAYERS["zones"]
    aliases = ET.fromstring(qml(spec).partition("\n")[2]).findall(".//alias")
    assert [alias.get("field") for alias in aliases] == [column.name for column in spec.columns]
    assert [int(alias.get("index")) for alias in aliases] == list(range(1, len(spec.columns) + 1))


def test_columns_have_their_unit_once_and_values_their_words():
    root = ET.fromstring(qml(PLAN_LAYERS["zones"]).partition("\n")[2])
    aliases = {alias.get("field"): alias.get("name") for alias in root.iter("alias")}
    assert aliases["area_m2"] == "area [m²]" and aliases["slope_p95_percent"] == "slope p95 [%]"
    assert aliases["hours_week"] == "hours week"
    words = {
        option.get("value"): option.get("name") for option in root.iterfind(".//field[@name='supply']//Option[@value]")
    }
    assert words["own_dock"] == "a dock of its own" and words["none"] == "nothing"
    ready = ET.fromstring(qml(PLAN_LAYERS["summary"]).partition("\n")[2])
    words = {
        option.get("value"): option.get("name") for option in ready.iterfind(".//field[@name='readiness']//Option")
    }
    assert words["none"] == "no mower"


def test_allowed_values_are_described_in_the_file(delivered):
    with closing(sqlite3.connect(delivered.path)) as database:
        rows = database.execute(
            "SELECT constraint_name, value, description FROM gpkg_data_column_constraints WHERE value = 'none'"
        ).fetchall()
        assert {(name, words) for name, _, words in rows} >= {
            ("zones_supply", "nothing"),
            ("summary_readiness", "no mower"),
        }
        assert database.execute(
            "SELECT count(*) FROM gpkg_data_column_constraints WHERE description IS NULL"
        ).fetchone() == (0,)


def test_labels_give_way_by_what_they_name_and_polygons_to_none():
    priorities = {}
    for name, spec in PLAN_LAYERS.items():
        root = ET.fromstring(qml(spec).partition("\n")[2])
        if spec.style is not None and spec.style.label_column:
            priorities[name] = int(root.find(".//placement").get("priority"))
            assert root.find(".//rendering").get("obstacle") == "0"
    assert priorities["visit_checks"] > priorities["summary"] > priorities["zones"] > 0


def test_sld_keeps_scales_labels_and_the_direction_of_hatching():
    root = ET.fromstring(sld(PLAN_LAYERS["keepouts"]))
    assert {element.text for element in root.iter(f"{SE}MaxScaleDenominator")} == {"2500"}
    turned = {}
    for rule in root.iter(f"{SE}Rule"):
        title = rule.find(f"{SE}Description/{SE}Title").text
        turned[title] = [element.text for element in rule.iterfind(f".//{SE}Rotation/{OGC}Literal")]
    assert turned["Drop"] == ["315"] and turned["Bed"] == ["225"] and turned["Too steep"] == ["315", "225"]  # clockwise
    assert turned["Water"] == ["0"] and turned["Tree"] == []
    labels = ET.fromstring(sld(PLAN_LAYERS["zones"])).findall(f".//{SE}TextSymbolizer/{SE}Label/{OGC}PropertyName")
    assert [label.text for label in labels] == ["zone_id"]


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.2."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def told_apart_without_colour(one, other) -> bool:
    """Whether a grey print shows the difference of two symbols of one kind."""
    if isinstance(one, Area):
        return (one.hatch, bool(one.fill)) != (other.hatch, bool(other.fill)) or abs(
            luminance(one.fill or "#ffffff") - luminance(other.fill or "#ffffff")
        ) > 0.08
    if isinstance(one, Line):
        return (one.dash_mm, one.width_mm) != (other.dash_mm, other.width_mm)
    assert isinstance(one, Mark)
    return (one.shape, one.size_mm) != (other.shape, other.size_mm) or abs(
        luminance(one.fill) - luminance(other.fill)
    ) > 0.08


SAME_ON_PURPOSE = {
    ("edge", "corner"),
    ("edge", "island"),
    ("corner", "island"),
    ("lead_out", "lead_back"),
    ("narrow", "small"),
}


@pytest.mark.parametrize("name", STYLES)
def test_no_two_rules_differ_by_colour_alone(name):
    for one, other in combinations(STYLES[name].rules, 2):
        if (one.value, other.value) not in SAME_ON_PURPOSE:
            assert told_apart_without_colour(one.symbol, other.symbol), (one.label, other.label)
