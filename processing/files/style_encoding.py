"""Styles as files take them: QML, which a desktop GIS reads from the table ``layer_styles``, and the OGC's SLD."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree import ElementTree as ET

from ..model.contract import Column, Layer
from ..model.styles import (
    BLACK,
    HATCH_ANGLE_DEG,
    HATCH_SPACING_MM,
    WHITE,
    Area,
    LayerStyle,
    Line,
    Mark,
    Rule,
    Symbol,
)

# --- QML: what a desktop GIS reads from the table layer_styles -------------------------------------------


def qml(style: LayerStyle, columns: Sequence[Column]) -> str:
    """Return a style as QML (version 3.22 of that format, which later readers take), with aliases of the columns.

    Parameters
    ----------
    style
        Style of the layer.
    columns
        Its columns in the order of the file: their names in words become their aliases.
    """
    root = ET.Element("qgis", version="3.22.0", styleCategories="Symbology|Labeling|Fields")
    single = style.column is None
    renderer = ET.SubElement(
        root, "renderer-v2", type="singleSymbol" if single else "categorizedSymbol", symbollevels="0", forceraster="0"
    )
    if not single:
        renderer.set("attr", str(style.column))
        categories = ET.SubElement(renderer, "categories")
        for number, rule in enumerate(style.rules):
            ET.SubElement(
                categories, "category", render="true", symbol=str(number), value=str(rule.value), label=rule.label
            )
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(style.rules):
        _qml_symbol(symbols, str(number), rule.symbol)
    if style.label_column:
        _qml_labels(root, style.label_column)
    aliases = ET.SubElement(root, "aliases")
    for number, column in enumerate(columns, start=1):  # 0 is the feature number
        unit = f" [{column.unit}]" if column.unit else ""
        alias = column.name.replace("_", " ") + unit
        ET.SubElement(aliases, "alias", field=column.name, index=str(number), name=alias)
    return _xml(root, "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n")


def _qml_symbol(parent: ET.Element, name: str, symbol: Symbol) -> None:
    kind = {Area: "fill", Line: "line", Mark: "marker"}[type(symbol)]
    element = ET.SubElement(parent, "symbol", name=name, type=kind, alpha="1", clip_to_extent="1", force_rhr="0")
    if isinstance(symbol, Area):
        for number, angle in enumerate(HATCH_ANGLE_DEG[symbol.hatch]):
            _qml_hatch(element, f"@{name}@{number}", angle, symbol)
        _qml_layer(
            element,
            "SimpleFill",
            color=_rgba(symbol.fill, symbol.opacity),
            style="solid" if symbol.fill else "no",
            outline_color=_rgba(symbol.stroke),
            outline_style="solid" if symbol.stroke else "no",
            outline_width=f"{symbol.width_mm}",
            outline_width_unit="MM",
        )
    elif isinstance(symbol, Line):
        if symbol.casing_mm:
            _qml_line(element, WHITE, symbol.width_mm + 2 * symbol.casing_mm, ())
        _qml_line(element, symbol.stroke, symbol.width_mm, symbol.dash_mm)
    else:
        _qml_layer(
            element,
            "SimpleMarker",
            name={"cross": "cross_fill"}.get(symbol.shape, symbol.shape),
            angle="45" if symbol.shape == "cross" else "0",
            color=_rgba(symbol.fill),
            outline_color=_rgba(symbol.stroke),
            outline_width="0.2",
            outline_width_unit="MM",
            size=f"{symbol.size_mm}",
            size_unit="MM",
        )


def _qml_line(symbol: ET.Element, stroke: str, width_mm: float, dash_mm: tuple[float, ...]) -> None:
    _qml_layer(
        symbol,
        "SimpleLine",
        line_color=_rgba(stroke),
        line_width=f"{width_mm:g}",
        line_width_unit="MM",
        line_style="solid",
        capstyle="flat" if dash_mm else "round",
        joinstyle="round",
        use_custom_dash="1" if dash_mm else "0",
        customdash=";".join(f"{length:g}" for length in dash_mm) or "5;2",
        customdash_unit="MM",
    )


def _qml_hatch(symbol: ET.Element, name: str, angle_deg: float, area: Area) -> None:
    layer = _qml_layer(
        symbol,
        "LinePatternFill",
        angle=f"{angle_deg:g}",
        distance=f"{HATCH_SPACING_MM}",
        distance_unit="MM",
        color=_rgba(area.stroke),
        line_width=f"{area.width_mm}",
        line_width_unit="MM",
    )
    line = ET.SubElement(layer, "symbol", name=name, type="line", alpha="1", clip_to_extent="1", force_rhr="0")
    _qml_line(line, area.stroke, area.width_mm * 0.6, ())


def _qml_layer(symbol: ET.Element, kind: str, **properties: str) -> ET.Element:
    layer = ET.SubElement(symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    options = ET.SubElement(layer, "Option", type="Map")
    for name, value in properties.items():
        ET.SubElement(options, "Option", name=name, type="QString", value=value)
        ET.SubElement(layer, "prop", k=name, v=value)  # readers before 3.26 look here
    return layer


def _qml_labels(root: ET.Element, column: str) -> None:
    labeling = ET.SubElement(root, "labeling", type="simple")
    settings = ET.SubElement(labeling, "settings", calloutType="simple")
    text = ET.SubElement(
        settings,
        "text-style",
        fieldName=column,
        isExpression="0",
        fontSize="8",
        fontSizeUnit="Point",
        textColor="0,0,0,255",
    )
    ET.SubElement(
        text, "text-buffer", bufferDraw="1", bufferSize="0.8", bufferSizeUnits="MM", bufferColor="255,255,255,255"
    )


def _rgba(colour: str, opacity: float = 1.0) -> str:
    digits = (colour or BLACK).lstrip("#")
    red, green, blue = (int(digits[at : at + 2], 16) for at in (0, 2, 4))
    return f"{red},{green},{blue},{round(255 * opacity)}"


# --- SLD 1.1 / SE 1.1: OGC 05-078r4 and 05-077r4 ---------------------------------------------------------

_PX_PER_MM = 1 / 0.28  # OGC 05-077r4, section 10.2: the standardised rendering pixel is 0.28 mm wide
_NS = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:se": "http://www.opengis.net/se",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "xmlns:xlink": "http://www.w3.org/1999/xlink",
    "version": "1.1.0",
}


def sld(style: LayerStyle, spec: Layer) -> str:
    """Return a style as a Styled Layer Descriptor (OGC 05-078r4) with Symbology Encoding (OGC 05-077r4)."""
    root = ET.Element("StyledLayerDescriptor", _NS)
    layer = ET.SubElement(root, "NamedLayer")
    ET.SubElement(layer, "se:Name").text = spec.name
    user = ET.SubElement(layer, "UserStyle")
    ET.SubElement(user, "se:Name").text = spec.name
    description = ET.SubElement(user, "se:Description")
    ET.SubElement(description, "se:Title").text = spec.title
    ET.SubElement(description, "se:Abstract").text = spec.description
    features = ET.SubElement(user, "se:FeatureTypeStyle")
    for number, rule in enumerate(style.rules, start=1):
        _sld_rule(features, number, style.column, rule)
    return _xml(root, '<?xml version="1.0" encoding="UTF-8"?>\n')


def _sld_rule(features: ET.Element, number: int, column: str | None, rule: Rule) -> None:
    element = ET.SubElement(features, "se:Rule")
    ET.SubElement(element, "se:Name").text = f"rule {number}"
    ET.SubElement(ET.SubElement(element, "se:Description"), "se:Title").text = rule.label
    if column is not None:
        equal = ET.SubElement(ET.SubElement(element, "ogc:Filter"), "ogc:PropertyIsEqualTo")
        ET.SubElement(equal, "ogc:PropertyName").text = column
        ET.SubElement(equal, "ogc:Literal").text = rule.value
    symbol = rule.symbol
    if isinstance(symbol, Area):
        _sld_area(element, symbol)
    elif isinstance(symbol, Line):
        if symbol.casing_mm:
            line = ET.SubElement(element, "se:LineSymbolizer")
            _sld_stroke(line, WHITE, symbol.width_mm + 2 * symbol.casing_mm)
        line = ET.SubElement(element, "se:LineSymbolizer")
        _sld_stroke(line, symbol.stroke, symbol.width_mm, symbol.dash_mm)
    else:
        graphic = ET.SubElement(ET.SubElement(element, "se:PointSymbolizer"), "se:Graphic")
        well_known = {"diamond": "square", "cross": "x"}.get(symbol.shape, symbol.shape)
        _sld_mark(graphic, well_known, symbol.fill, symbol.stroke, symbol.size_mm)
        if symbol.shape == "diamond":
            ET.SubElement(ET.SubElement(graphic, "se:Rotation"), "ogc:Literal").text = "45"


def _sld_area(rule: ET.Element, area: Area) -> None:
    polygon = ET.SubElement(rule, "se:PolygonSymbolizer")
    if area.fill:
        fill = ET.SubElement(polygon, "se:Fill")
        _sld_parameters(fill, {"fill": area.fill, "fill-opacity": f"{area.opacity:g}"})
    if area.stroke:
        _sld_stroke(polygon, area.stroke, area.width_mm)
    if area.hatch != "none":  # the encoding has no hatching: the nearest of its well-known marks, repeated
        hatched = ET.SubElement(rule, "se:PolygonSymbolizer")
        graphic = ET.SubElement(ET.SubElement(ET.SubElement(hatched, "se:Fill"), "se:GraphicFill"), "se:Graphic")
        mark = {"crossed": "x", "level": "cross", "rising": "triangle", "falling": "circle"}[area.hatch]
        _sld_mark(graphic, mark, area.stroke, area.stroke, HATCH_SPACING_MM)


def _sld_mark(graphic: ET.Element, name: str, fill: str, stroke: str, size_mm: float) -> None:
    mark = ET.SubElement(graphic, "se:Mark")
    ET.SubElement(mark, "se:WellKnownName").text = name
    _sld_parameters(ET.SubElement(mark, "se:Fill"), {"fill": fill})
    _sld_stroke(mark, stroke, 0.2)
    ET.SubElement(graphic, "se:Size").text = f"{size_mm * _PX_PER_MM:.2f}"


def _sld_stroke(parent: ET.Element, colour: str, width_mm: float, dash_mm: tuple[float, ...] = ()) -> None:
    values = {"stroke": colour, "stroke-width": f"{width_mm * _PX_PER_MM:.2f}", "stroke-linejoin": "round"}
    if dash_mm:
        values["stroke-dasharray"] = " ".join(f"{length * _PX_PER_MM:.2f}" for length in dash_mm)
    _sld_parameters(ET.SubElement(parent, "se:Stroke"), values)


def _sld_parameters(parent: ET.Element, values: Mapping[str, str]) -> None:
    for name, value in values.items():
        ET.SubElement(parent, "se:SvgParameter", name=name).text = value


def _xml(root: ET.Element, head: str) -> str:
    ET.indent(root, " ")
    return head + ET.tostring(root, encoding="unicode") + "\n"
