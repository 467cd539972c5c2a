"""As what a map's features are taken, and lengths as tags have them."""

from __future__ import annotations

import pytest

from lawngis.processing.gathering.map_tags import length_m, tag_table, tag_text
from lawngis.processing.model.site_layers import SITE_LAYERS


def test_every_rule_makes_rows_of_a_layer_that_may_hold_them():
    shapes = {"area": "Polygon", "line": "LineString", "point": "Point"}
    for rule in tag_table().rules:
        spec = SITE_LAYERS[rule.layer]
        known = {column.name: column.values for column in spec.columns}
        for name, value in rule.columns.items():
            assert value in known[name], rule
        made = "Polygon" if rule.width_m else "Point" if rule.every_m else shapes[rule.shape]
        assert made in spec.geometries, rule
    assert "https://wiki.openstreetmap.org" in tag_text()


@pytest.mark.parametrize(
    ("shape", "tags", "layer", "columns"),
    [
        ("area", {"building": "house"}, "buildings", {}),
        ("area", {"building": "no"}, None, None),
        ("line", {"building": "house"}, None, None),
        ("line", {"highway": "service", "service": "driveway"}, "hard_surfaces", {"use": "drive"}),
        ("line", {"highway": "service"}, "streets", {}),
        ("line", {"highway": "footway"}, "hard_surfaces", {"use": "path"}),
        ("area", {"natural": "water", "water": "pond"}, "water", {"kind": "pond"}),
        ("area", {"natural": "water", "water": "lake"}, "water", {"kind": "other"}),
        ("line", {"natural": "cliff"}, "barriers", {"kind": "drop"}),
        ("area", {"landuse": "grass"}, None, None),
    ],
)
def test_the_first_rule_that_fits_counts(shape, tags, layer, columns):
    rule = tag_table().rule_of(shape, tags)
    assert (rule.layer if rule else None) == layer
    assert (dict(rule.columns) if rule else None) == columns


# Values and forms of OpenStreetMap Wiki, "Map features/Units", https://wiki.openstreetmap.org/wiki/Map_features/Units
# (from memory): metres without a unit, a blank before the unit, feet and inches as 7'4"; 1 ft = 0.3048 m exactly.
@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("2", 2.0), ("2.5", 2.5), ("2,5", 2.5), ("2.5 m", 2.5), ("3m", 3.0), ("80 cm", 0.8), ("0.6 km", 600.0),
        ("10 ft", 3.048), ("7'4\"", 2.2352), ("12'", 3.6576), ("wide", None), ("", None), (None, None), ("2-3", None),
        ("-2", None),
    ],
)  # fmt: skip
def test_lengths_in_tags(text, metres):
    assert length_m(text) == metres


def test_a_height_is_told_or_counted_in_storeys():
    table = tag_table()
    assert table.height_m({"height": "7.5", "building:levels": "4"}) == 7.5
    assert table.height_m({"building:levels": "2"}) == 2 * table.storey_m
    assert table.height_m({"building": "yes"}) is None
