"""What a desktop GIS shows of a row, as QML: names of columns, values in words, what the row is called and says."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

from ..model.contract import Column, Layer
from ..model.map_layers import map_layer
from ..model.value_words import value_words

_OPTIONAL = re.compile(r"(\[[^\]]*\])")
_COLUMN = re.compile(r"\{(\w+)\}")
_DECIMALS = {"m²": 0, "h": 1, "%": 1}
"""Of what a row says, by unit; 2 for all others."""


def add_form(root: ET.Element, spec: Layer) -> None:
    """Add to a layer's style how its rows are read and edited."""
    widgets = ET.SubElement(root, "fieldConfiguration")
    aliases = ET.SubElement(root, "aliases")
    for number, column in enumerate(spec.columns, start=1):  # 0 is the feature number
        ET.SubElement(aliases, "alias", field=column.name, index=str(number), name=column.title)
        if column.values:
            _value_map(ET.SubElement(widgets, "field", name=column.name, configurationFlags="None"), column)
    says = map_layer(spec).tip
    if says:
        named = spec.key is not None and says.startswith(f"{{{spec.key}}}")
        sentence = row_expression(spec, says)
        ET.SubElement(root, "previewExpression").text = f'"{spec.key}"' if named else sentence
        # a label is somebody's own words: what a row says is shown as a page
        ET.SubElement(root, "mapTip").text = f"[% replace({sentence}, map('&', '&amp;', '<', '&lt;')) %]"


def row_expression(spec: Layer, words: str) -> str:
    """Return what a row says as an expression of the desktop GIS; texts that are joined with nothing are nothing.

    Parameters
    ----------
    spec
        The layer.
    words
        Words with names of columns in braces; a part in brackets is left out where a column in it has no value.
    """
    parts: list[str] = []
    for piece in filter(None, _OPTIONAL.split(words)):
        optional = piece.startswith("[")
        terms = _terms(spec, piece[1:-1] if optional else piece)
        parts += [" || ".join(terms)] if optional else terms
    return f"concat({', '.join(parts)})"


def _terms(spec: Layer, words: str) -> list[str]:
    pieces = _COLUMN.split(words)  # by turns words and names
    terms = [_quoted(text) if number % 2 == 0 else _value(spec.column(text)) for number, text in enumerate(pieces)]
    return [term for term in terms if term != "''"]


def _value(column: Column) -> str:
    name = f'"{column.name}"'
    if column.values:
        return f"if({name} IS NULL, NULL, represent_value({name}))"
    if column.kind == "real":
        return f"to_string(round({name}, {_DECIMALS.get(column.unit, 2)}))"
    return f"nullif({name}, '')" if column.kind == "text" else name


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _value_map(field: ET.Element, column: Column) -> None:
    config = ET.SubElement(ET.SubElement(field, "editWidget", type="ValueMap"), "config")
    values = ET.SubElement(ET.SubElement(config, "Option", type="Map"), "Option", name="map", type="List")
    for value, word in value_words(column).items():
        ET.SubElement(ET.SubElement(values, "Option", type="Map"), "Option", name=word, value=value, type="QString")
