"""Styles as files take them: QML, which a desktop GIS reads from the table ``layer_styles``, and the OGC's SLD."""

from __future__ import annotations

from collections.abc import Mapping
from xml.etree import ElementTree as ET

from ..model.contract import Layer
from ..model.map_layers import SCALE_DETAIL, map_layer
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
from .form_encoding import add_form

# --- QML: what a desktop GIS reads from the table layer_styles -------------------------------------------


def qml(spec: Layer) -> str:
    """Return a layer's style as QML (version 3.22 of that format, which later readers take), with its forms."""
    return _xml(qml_element(spec), "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n")


def qml_element(spec: Layer, geometry: str | None = None) -> ET.Element:
    """Return a layer's style as an element; of a layer whose rows differ, for those of one type of geometry.

    Fills are multiplied with what lies beneath: layers that are dragged into a map in any order hide no wire.
    """
    root = ET.Element("qgis", version="3.22.0", styleCategories="AllStyleCategories")
    scale = map_layer(spec).scale
    if scale is not None and spec.geometry is not None:
        root.attrib.update(hasScaleBasedVisibilityFlag="1", minScale=str(scale), maxScale="0")
    if spec.style is not None:
        _qml_renderer(root, spec.style, geometry or spec.geometry)
        if any(isinstance(rule.symbol, Area) for rule in spec.style.rules):
            ET.SubElement(root, "blendMode").text = _MULTIPLY
        if spec.style.label_column:
            _qml_labels(root, spec, spec.style.label_column)
    add_form(root, spec)
    return root


_MULTIPLY = "6"


def _qml_renderer(root: ET.Element, style: LayerStyle, geometry: str | None) -> None:
    single = style.column is None
    renderer = ET.SubElement(
        root, "renderer-v2", type="singleSymbol" if single else "categorizedSymbol", symbollevels="0", forceraster="0"
    )
    if not single:
        renderer.set("attr", str(style.column))
        categories = ET.SubElement(renderer, "categories")
        for number, rule in enumerate(style.rules):
            shown = "true" if rule.shown else "false"
            ET.SubElement(
                categories, "category", render=shown, symbol=str(number), value=str(rule.value), label=rule.label
            )
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(style.rules):
        drawn = rule.symbol
        if isinstance(drawn, Area) and geometry == "LineString":
            drawn = Line(drawn.stroke, 2 * drawn.width_mm, (), drawn.width_mm)
        _qml_symbol(symbols, str(number), drawn)


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


def _qml_labels(root: ET.Element, spec: Layer, column: str) -> None:
    met = map_layer(spec)
    at_point, everywhere = spec.geometry == "Point", met.scale is None
    settings = ET.SubElement(ET.SubElement(root, "labeling", type="simple"), "settings", calloutType="simple")
    text = ET.SubElement(
        settings,
        "text-style",
        # numbers of points side by side would read as one
        fieldName=f"""'(' || "{column}" || ')'""" if at_point else column,
        isExpression=str(int(at_point)),
        fontSize="9" if everywhere else "8",
        fontSizeUnit="Point",
        fontWeight="75" if everywhere else "50",
        textColor="0,0,0,255",
    )
    ET.SubElement(
        text, "text-buffer", bufferDraw="1", bufferSize="0.6", bufferSizeUnits="MM", bufferColor="255,255,255,255"
    )
    ET.SubElement(
        settings,
        "placement",
        placement=_AROUND_POINT if at_point else _HORIZONTAL,
        dist="1.2" if at_point else "0",
        distUnits="MM",
        priority=str(met.label_priority),
    )
    # a polygon is no obstacle: labels of what lies on it would have no place
    rendering = ET.SubElement(settings, "rendering", obstacle="0", drawLabels="1", scaleVisibility="0")
    if not everywhere:
        rendering.attrib.update(scaleVisibility="1", scaleMin="1", scaleMax=str(SCALE_DETAIL))


_AROUND_POINT, _HORIZONTAL = "0", "4"
"""Placements of labels: https://api.qgis.org/api/classQgsPalLayerSettings.html"""


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


def sld(spec: Layer) -> str:
    """Return a layer's style as a Styled Layer Descriptor (OGC 05-078r4) with Symbology Encoding (OGC 05-077r4).

    The encoding has no hatching: lines are the marks by which the programs that draw most of its files know one, the
    next where the first isn't known. It has no priorities of labels, nothing that is drawn only when asked for, and no
    forms: these the QML has alone. Lines turn clockwise, as the encoding says; some programs turn them the other way.
    """
    style = spec.style or LayerStyle(())
    root = ET.Element("StyledLayerDescriptor", _NS)
    layer = ET.SubElement(root, "NamedLayer")
    ET.SubElement(layer, "se:Name").text = spec.name
    user = ET.SubElement(layer, "UserStyle")
    ET.SubElement(user, "se:Name").text = spec.name
    description = ET.SubElement(user, "se:Description")
    ET.SubElement(description, "se:Title").text = spec.title
    ET.SubElement(description, "se:Abstract").text = spec.description
    features = ET.SubElement(user, "se:FeatureTypeStyle")
    scale = map_layer(spec).scale
    for number, rule in enumerate(style.rules, start=1):
        _sld_rule(features, number, style.column, rule, scale)
    if style.label_column:
        _sld_labels(features, style.label_column, SCALE_DETAIL if scale else None, at_point=spec.geometry == "Point")
    return _xml(root, '<?xml version="1.0" encoding="UTF-8"?>\n')


def _sld_rule(features: ET.Element, number: int, column: str | None, rule: Rule, scale: int | None) -> None:
    element = ET.SubElement(features, "se:Rule")
    ET.SubElement(element, "se:Name").text = f"rule {number}"
    ET.SubElement(ET.SubElement(element, "se:Description"), "se:Title").text = rule.label
    if column is not None:
        equal = ET.SubElement(ET.SubElement(element, "ogc:Filter"), "ogc:PropertyIsEqualTo")
        ET.SubElement(equal, "ogc:PropertyName").text = column
        ET.SubElement(equal, "ogc:Literal").text = rule.value
    _sld_scale(element, scale)
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
        _sld_mark(graphic, well_known, symbol.fill, symbol.stroke)
        ET.SubElement(graphic, "se:Size").text = f"{symbol.size_mm * _PX_PER_MM:.2f}"
        if symbol.shape == "diamond":
            ET.SubElement(ET.SubElement(graphic, "se:Rotation"), "ogc:Literal").text = "45"


def _sld_scale(rule: ET.Element, scale: int | None) -> None:
    if scale is not None:
        ET.SubElement(rule, "se:MaxScaleDenominator").text = str(scale)


def _sld_labels(features: ET.Element, column: str, scale: int | None, *, at_point: bool) -> None:
    rule = ET.SubElement(features, "se:Rule")
    ET.SubElement(rule, "se:Name").text = "labels"
    _sld_scale(rule, scale)
    text = ET.SubElement(rule, "se:TextSymbolizer")
    ET.SubElement(ET.SubElement(text, "se:Label"), "ogc:PropertyName").text = column
    _sld_parameters(ET.SubElement(text, "se:Font"), {"font-size": "11"})
    place = ET.SubElement(ET.SubElement(text, "se:LabelPlacement"), "se:PointPlacement")
    anchor, away = ("0", "7") if at_point else ("0.5", "0")
    point = ET.SubElement(place, "se:AnchorPoint")
    ET.SubElement(point, "se:AnchorPointX").text = anchor
    ET.SubElement(point, "se:AnchorPointY").text = "0.5"
    moved = ET.SubElement(place, "se:Displacement")
    ET.SubElement(moved, "se:DisplacementX").text = away
    ET.SubElement(moved, "se:DisplacementY").text = "0"
    halo = ET.SubElement(text, "se:Halo")
    ET.SubElement(halo, "se:Radius").text = "2"
    _sld_parameters(ET.SubElement(halo, "se:Fill"), {"fill": WHITE})
    _sld_parameters(ET.SubElement(text, "se:Fill"), {"fill": BLACK})


def _sld_area(rule: ET.Element, area: Area) -> None:
    polygon = ET.SubElement(rule, "se:PolygonSymbolizer")
    if area.fill:
        fill = ET.SubElement(polygon, "se:Fill")
        _sld_parameters(fill, {"fill": area.fill, "fill-opacity": f"{area.opacity:g}"})
    if area.stroke:
        _sld_stroke(polygon, area.stroke, area.width_mm)
    for angle_deg in HATCH_ANGLE_DEG[area.hatch]:
        hatched = ET.SubElement(rule, "se:PolygonSymbolizer")
        graphic = ET.SubElement(ET.SubElement(ET.SubElement(hatched, "se:Fill"), "se:GraphicFill"), "se:Graphic")
        for mark in _LINE_MARKS:
            _sld_mark(graphic, mark, "", area.stroke, _HAIRLINE_MM)
        ET.SubElement(graphic, "se:Size").text = f"{HATCH_SPACING_MM * _PX_PER_MM:.2f}"
        ET.SubElement(
            ET.SubElement(graphic, "se:Rotation"), "ogc:Literal"
        ).text = f"{(360 - angle_deg) % 360:g}"  # clockwise


_HAIRLINE_MM = 0.14
"""Of the lines of a hatching: half a pixel, as some programs draw marks three times as wide."""

_LINE_MARKS = ("horline", "shape://horline")
"""Names of a level line: of desktop GISs, and of servers that build on GeoTools. The standard names none."""


def _sld_mark(graphic: ET.Element, name: str, fill: str, stroke: str, width_mm: float = 0.2) -> None:
    mark = ET.SubElement(graphic, "se:Mark")
    ET.SubElement(mark, "se:WellKnownName").text = name
    if fill:
        _sld_parameters(ET.SubElement(mark, "se:Fill"), {"fill": fill})
    _sld_stroke(mark, stroke, width_mm)


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
