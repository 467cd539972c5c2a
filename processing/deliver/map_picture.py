"""The map of a parcel as inline SVG: one group per layer, every feature saying why it is so."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, log10
from types import MappingProxyType

import numpy as np
import shapely
from markupsafe import Markup
from shapely import Point
from shapely.geometry.base import BaseGeometry

from ..model.layers import PLAN_LAYERS
from ..model.plan import Row
from ..model.styles import (
    HATCH_ANGLE_DEG,
    HATCH_SPACING_MM,
    MARK_CORNERS,
    PARCEL_STYLES,
    WHITE,
    Area,
    LayerStyle,
    Line,
    Mark,
    Rule,
)
from .feature_texts import feature_text
from .formats import Formats
from .reading import ParcelPlan

MARGIN_M = 2.0
CANDIDATES_SHOWN = 40
"""As many of the best places for the dock are on the map; the plan has all."""

OFF_AT_FIRST = frozenset({"edges", "wire_path", "pegs", "lawn", "cover", "trees_found"})
"""Layers that would crowd the first look."""

_SVG_CONTEXT: Mapping[str, str] = MappingProxyType(
    {
        "streets": "fill:#e4e2de;stroke:none",
        "hard_surfaces": "fill:#dcd8d0;stroke:#b9b4aa;stroke-width:.04",
        "buildings": "fill:#b8b2a8;stroke:#5f5a52;stroke-width:.08",
        "water": "fill:#c9dcec;stroke:none",
        "barriers": "fill:none;stroke:#4d4a45;stroke-width:.1",
        "trees": "fill:#7d9a78;stroke:none",
        "outlets": "fill:#d55e00;stroke:#000;stroke-width:.04",
        "sprinklers": "fill:#56b4e9;stroke:#000;stroke-width:.04",
    }
)


_MARK_PATHS: Mapping[str, str] = MappingProxyType(
    {
        **{
            shape: "M" + " ".join(f"{x:g} {-y + 0.0:g}" for x, y in corners) + "Z"
            for shape, corners in MARK_CORNERS.items()
        },
        "circle": "M-.5 0A.5.5 0 1 1 .5 0 .5.5 0 1 1-.5 0Z",
    }
)


@dataclass(frozen=True)
class LegendLine:
    """One line of the legend: its sample as SVG, and what it means."""

    sample: Markup
    label: str


@dataclass(frozen=True)
class MapLayer:
    """One layer that can be switched: its name, title, drawing and legend."""

    name: str
    title: str
    shown: bool
    count: int
    drawing: Markup
    legend: Sequence[LegendLine]


@dataclass(frozen=True)
class MapPicture:
    """What the page needs of the map; lengths in metres."""

    view_box: str
    width_m: float
    height_m: float
    mm: float
    patterns: Markup
    context: Markup
    layers: Sequence[MapLayer]
    scale_bar: Markup
    north_arrow: Markup


def map_picture(plan: ParcelPlan, formats: Formats) -> MapPicture:
    """Return the map of a parcel.

    Parameters
    ----------
    plan
        What is drawn; y is up in it, down in the picture.
    formats
        How figures are written.
    """
    left, bottom, right, top = plan.bounds
    left, bottom, right, top = left - MARGIN_M, bottom - MARGIN_M, right + MARGIN_M, top + MARGIN_M
    width, height = right - left, top - bottom
    mm = max(width, height) / 180  # one millimetre of the styles when the map is 180 mm across
    layers = tuple(
        _map_layer(name, style, _shown_rows(plan, name), formats, mm)
        for name, style in PARCEL_STYLES.items()
        if _shown_rows(plan, name)
    )
    return MapPicture(
        f"{left:.3f} {-top:.3f} {width:.3f} {height:.3f}",
        width,
        height,
        mm,
        _patterns(mm),
        _context(plan, mm),
        layers,
        _scale_bar(left, -bottom, width, formats, mm),
        _north_arrow(right, -top, mm),
    )


def _shown_rows(plan: ParcelPlan, layer: str) -> list[Row]:
    rows = [row for row in plan.rows[layer] if not row["geometry"].is_empty]
    if layer == "dock_candidates":
        best = [
            row for row in rows if not row["chosen"] and row["feasible"] and (row["rank"] or 1e9) <= CANDIDATES_SHOWN
        ]
        return best + [row for row in rows if row["chosen"]]
    return rows


def _map_layer(name: str, style: LayerStyle, rows: Sequence[Row], formats: Formats, mm: float) -> MapLayer:
    used: dict[Rule, None] = {}
    parts: list[Markup] = []
    for row in rows:
        rule = style.rule(row)
        if rule is not None:
            used[rule] = None
            parts.append(_feature(name, row, rule, formats, mm))
    order = sorted(used, key=style.rules.index)
    legend = _without_repeats(LegendLine(legend_sample(rule), rule.label) for rule in order)
    title = PLAN_LAYERS[name].title
    shown = name not in OFF_AT_FIRST
    return MapLayer(name, title, shown, len(rows), Markup("\n").join(parts), legend)


def _without_repeats(lines: Iterable[LegendLine]) -> tuple[LegendLine, ...]:
    return tuple({line.label: line for line in lines}.values())


def _feature(layer: str, row: Row, rule: Rule, formats: Formats, mm: float) -> Markup:
    symbol, shape = rule.symbol, row["geometry"]
    text = feature_text(layer, row, formats)
    reachable = layer in _REACHABLE and (layer != "dock_candidates" or row["chosen"])
    focus = Markup(' tabindex="0" role="img" aria-label="{}"').format(text) if reachable else Markup("")
    head = Markup('<g class="f" data-why="{}"{}>').format(text, focus)
    if isinstance(symbol, Area):
        body = _area(svg_path(shape), symbol, mm)
    elif isinstance(symbol, Line):
        body = _line(svg_path(shape), symbol, mm)
    else:
        body = _mark(shape.coords[0][0], -shape.coords[0][1], symbol, mm)
    label = row.get(PARCEL_STYLES[layer].label_column or "")
    if label is not None and layer != "summary":
        body += _label(shape, str(label), symbol, mm)
    return head + body + Markup("</g>")


_REACHABLE = frozenset(
    {"zones", "keepouts", "hand_mow", "links", "supply_route", "dock_candidates", "findings", "visit_checks"}
)


def _area(path: str, area: Area, mm: float) -> Markup:
    fill = area.fill or "none"
    drawn = Markup(
        '<path d="{}" fill="{}" fill-opacity="{}" fill-rule="evenodd" stroke="{}" stroke-width="{:.3f}"{}/>'
    ).format(
        path,
        fill,
        area.opacity,
        area.stroke or "none",
        area.width_mm * mm,
        Markup("") if area.fill else Markup(' pointer-events="all"'),
    )
    if area.hatch != "none":
        drawn += Markup('<path d="{}" fill="url(#{})" fill-rule="evenodd" pointer-events="none"/>').format(
            path, _pattern_id(area)
        )
    return drawn


def _line(path: str, line: Line, mm: float) -> Markup:
    casing = Markup("")
    if line.casing_mm:
        casing = Markup('<path d="{}" class="l" stroke="{}" stroke-width="{:.3f}"/>').format(
            path, WHITE, (line.width_mm + 2 * line.casing_mm) * mm
        )
    dash = " ".join(f"{length * mm:.3f}" for length in line.dash_mm) or "none"
    return casing + Markup('<path d="{}" class="l" stroke="{}" stroke-width="{:.3f}" stroke-dasharray="{}"/>').format(
        path, line.stroke, line.width_mm * mm, dash
    )


def _mark(x: float, y: float, mark: Mark, mm: float) -> Markup:
    size = mark.size_mm * mm
    return Markup(
        '<path d="{}" transform="translate({:.3f} {:.3f}) scale({:.4f})" fill="{}" stroke="{}" stroke-width="{:.3f}"/>'
    ).format(_MARK_PATHS[mark.shape], x, y, size, mark.fill, mark.stroke, 0.2 * mm / size)


def _label(shape: BaseGeometry, text: str, symbol: object, mm: float) -> Markup:
    if isinstance(symbol, Mark):
        (left, up), *_ = shape.coords
        x, y = left + 2.2 * mm, -up - 1.2 * mm
    else:
        place = roomiest_place(shape)
        x, y = place.x, -place.y
    anchor = "start" if isinstance(symbol, Mark) else "middle"
    return Markup(
        '<text x="{:.3f}" y="{:.3f}" font-size="{:.3f}" text-anchor="{}" class="t" aria-hidden="true">{}</text>'
    ).format(x, y, 3.2 * mm, anchor, text)


def roomiest_place(shape: BaseGeometry) -> Point:
    """Return where a label has most room: the middle of the widest place of an area, some place of anything else."""
    parts = [part for part in shapely.get_parts(shape).tolist() if part.area > 0.0]
    if not parts:
        return shapely.point_on_surface(shape)
    largest = max(parts, key=lambda part: part.area)
    return Point(shapely.maximum_inscribed_circle(largest, ROOM_TOLERANCE_M).coords[0])


ROOM_TOLERANCE_M = 0.1


def svg_path(shape: BaseGeometry) -> str:
    """Return lines or polygons as path data, y downwards, in millimetres of ground."""
    pieces = []
    for ring in _rings(shape):
        corners = np.round(shapely.get_coordinates(ring) * [1, -1], 3) + 0.0
        closed = len(corners) > 2 and (corners[0] == corners[-1]).all()
        words = " ".join(f"{x:g} {y:g}" for x, y in (corners[:-1] if closed else corners).tolist())
        pieces.append(f"M{words}{'Z' if closed else ''}")
    return "".join(pieces)


def _rings(shape: BaseGeometry) -> list[BaseGeometry]:
    parts = shapely.get_parts(shape).tolist()
    rings: list[BaseGeometry] = []
    for part in parts:
        rings += [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
    return rings


def _pattern_id(area: Area) -> str:
    return f"h-{area.hatch}-{(area.stroke or '#000000')[1:]}"


def _patterns(mm: float) -> Markup:
    hatched = {
        _pattern_id(rule.symbol): rule.symbol
        for style in PARCEL_STYLES.values()
        for rule in style.rules
        if isinstance(rule.symbol, Area) and rule.symbol.hatch != "none"
    }
    step = HATCH_SPACING_MM * mm
    drawn = [
        Markup(
            '<pattern id="{}" width="{:.3f}" height="{:.3f}" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate({})"><path d="{}" stroke="{}" stroke-width="{:.3f}"/></pattern>'
        ).format(
            name,
            step,
            step,
            -HATCH_ANGLE_DEG[area.hatch][0],
            f"M0 {step / 2:.3f}H{step:.3f}" + (f"M{step / 2:.3f} 0V{step:.3f}" if area.hatch == "crossed" else ""),
            area.stroke,
            0.18 * mm,
        )
        for name, area in hatched.items()
    ]
    return Markup("").join(drawn)


def legend_sample(rule: Rule) -> Markup:
    """Return how a rule looks, as an SVG of 9 by 5 mm."""
    symbol = rule.symbol
    if isinstance(symbol, Area):
        body = _area("M.5 .5H8.5V4.5H.5Z", symbol, 1.0)
    elif isinstance(symbol, Line):
        body = _line("M.3 2.5H8.7", symbol, 1.0)
    else:
        body = _mark(4.5, 2.5, symbol, 1.15)
    return Markup('<svg class="s" viewBox="0 0 9 5" width="36" height="20" aria-hidden="true">{}</svg>').format(body)


def _context(plan: ParcelPlan, mm: float) -> Markup:
    parts = []
    for name, css in _SVG_CONTEXT.items():
        for shape in plan.context.get(name, ()):
            if shape.geom_type.endswith("Point"):
                for x, y in shapely.get_coordinates(shape).tolist():
                    parts.append(
                        Markup('<circle cx="{:.3f}" cy="{:.3f}" r="{:.3f}" style="{}"/>').format(x, -y, 0.9 * mm, css)
                    )
            else:
                style = f"{css};fill:none" if "Line" in shape.geom_type else css
                if name == "streets" and "Line" in shape.geom_type:
                    style = "fill:none;stroke:#d5d2cc;stroke-width:.5"
                parts.append(Markup('<path d="{}" fill-rule="evenodd" style="{}"/>').format(svg_path(shape), style))
    return Markup("").join(parts)


def round_length_m(wanted_m: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above a length.

    Examples
    --------
    >>> round_length_m(8.3), round_length_m(23), round_length_m(0.7)
    (5.0, 20.0, 0.5)
    """
    power = 10.0 ** (ceil(log10(wanted_m) + 1e-12) - 1)
    return max(step * power for step in (1, 2, 5, 10) if step * power <= wanted_m * (1 + 1e-9))


def _scale_bar(left: float, y: float, width: float, formats: Formats, mm: float) -> Markup:
    unit = formats.unit_m
    length = round_length_m(width / 4 / unit)
    words = f"{length:g} {formats.unit_name}"
    x, y, span = left + 3 * mm, y - 3.5 * mm, length * unit
    bar = f"M{x:.3f} {y:.3f}h{span:.3f}v{1.2 * mm:.3f}h-{span:.3f}Z"
    half = "M{0:.3f} {1:.3f}h{2:.3f}v{3:.3f}h-{2:.3f}Z".format(x, y, span / 2, 1.2 * mm)
    return Markup(
        '<g class="bar"><path d="{}" fill="#fff" stroke="#000" stroke-width="{:.3f}"/><path d="{}" fill="#000"/>'
        '<text x="{:.3f}" y="{:.3f}" font-size="{:.3f}" class="t">{}</text></g>'
    ).format(bar, 0.25 * mm, half, x, y - 1.2 * mm, 3.4 * mm, words)


def _north_arrow(right: float, top: float, mm: float) -> Markup:
    return Markup(
        '<g transform="translate({:.3f} {:.3f}) scale({:.4f})" class="north"><path d="M0 0 2.6 8 0 6.4-2.6 8Z" '
        'fill="#000" stroke="#fff" stroke-width=".5" paint-order="stroke"/><text x="0" y="12.4" font-size="4.4" '
        'text-anchor="middle" class="t">N</text></g>'
    ).format(right - 6 * mm, top + 3 * mm, mm)
