"""A plan drawn on axes of matplotlib, in the styles that all its pictures have."""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, radians
from typing import Any, Literal

import matplotlib.pyplot as plt
import numpy as np
import shapely
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.colors import to_rgba
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.path import Path
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError

from ..deliver.map_picture import roomiest_place
from ..deliver.reading import ParcelPlan
from ..deliver.sheet_map import CONTEXT_SYMBOLS, SHEET_LAYERS, rows_by_rule
from ..model.readiness import readiness_word
from ..model.styles import MARK_CORNERS, PARCEL_STYLES, WHITE, Area, Line, Mark, Symbol

POINTS_PER_MM = 72 / 25.4
HATCHES = {"none": "", "rising": "////", "falling": "\\\\\\\\", "level": "---", "crossed": "xxxx"}
"""Hatchings of the styles in matplotlib's own signs."""


def drawn_plan(plan: ParcelPlan, ax: Axes | None, *, layers: Sequence[str] | None, legend: bool) -> Axes:
    """Draw a plan in the CRS of its parcels; see :meth:`OpenedPlan.plot`."""
    shown = SHEET_LAYERS if layers is None else tuple(layers)
    for name in shown:
        if name not in PARCEL_STYLES:
            raise LayerError(f"layer {name!r} can't be drawn", advice=f"Drawn are {', '.join(PARCEL_STYLES)}.")
    axes = plt.subplots(figsize=(10, 7), layout="compressed")[1] if ax is None else ax
    for name, symbol in CONTEXT_SYMBOLS.items():
        _draw(axes, _placed(plan, plan.context.get(name, ())), symbol)
    named: dict[str, Artist] = {}
    for name in (name for name in PARCEL_STYLES if name in shown):
        for rule, rows in rows_by_rule(plan, name).items():
            _draw(axes, _placed(plan, [row["geometry"] for row in rows]), rule.symbol)
            named[rule.label] = _legend_sample(rule.symbol)
    for zone in plan.rows["zones"] if "zones" in shown else ():
        (x, y), *_ = _placed(plan, [roomiest_place(zone["geometry"])])[0].coords
        axes.text(x, y, zone["zone_id"], ha="center", va="center", weight="bold", parse_math=False)
    _frame(axes, plan)
    if legend and named:
        axes.legend(named.values(), named.keys(), fontsize="small", loc="upper left", bbox_to_anchor=(1.01, 1.0))
    return axes


def _placed(plan: ParcelPlan, shapes: Sequence[BaseGeometry]) -> list[BaseGeometry]:
    return list(plan.frame.to_source(np.array(shapes, dtype=object))) if len(shapes) else []


def _frame(axes: Axes, plan: ParcelPlan) -> None:
    """Let the parcel fill the axes, with lengths alike in both directions."""
    (outline,) = _placed(plan, [plan.outline])
    left, bottom, right, top = outline.bounds
    margin = 0.04 * max(right - left, top - bottom)
    axes.set_xlim(left - margin, right + margin)
    axes.set_ylim(bottom - margin, top + margin)
    geographic = plan.frame.source.is_geographic
    axes.set_aspect(1.0 / cos(radians((bottom + top) / 2)) if geographic else 1.0)
    axes.ticklabel_format(style="plain", useOffset=False)
    axes.tick_params(labelsize="small")
    axes.tick_params(axis="x", labelrotation=30)
    axes.set_title(f"{plan.title}: {readiness_word(plan.readiness)}", parse_math=False)


def _draw(axes: Axes, shapes: Sequence[BaseGeometry], symbol: Symbol) -> None:
    if isinstance(symbol, Area):
        _draw_areas(axes, shapes, symbol)
    elif isinstance(symbol, Line):
        lines = [part for shape in shapes for part in shapely.get_parts(_lines(shape)).tolist()]
        points = [shapely.get_coordinates(line) for line in lines]
        if symbol.casing_mm:
            width_mm = symbol.width_mm + 2 * symbol.casing_mm
            axes.add_collection(LineCollection(points, colors=WHITE, linewidths=_points(width_mm)))
        width, dashes = _points(symbol.width_mm), _dashes(symbol)
        axes.add_collection(LineCollection(points, colors=symbol.stroke, linewidths=width, linestyles=dashes))
    else:
        x, y = shapely.get_coordinates(shapes).T if len(shapes) else ((), ())
        look: dict[str, Any] = {"c": symbol.fill, "edgecolors": symbol.stroke, "linewidths": 0.5}
        axes.scatter(x, y, s=_points(symbol.size_mm) ** 2, marker=_mark(symbol), zorder=2, **look)


def _draw_areas(axes: Axes, shapes: Sequence[BaseGeometry], area: Area) -> None:
    parts = [part for shape in shapes for part in shapely.get_parts(shape).tolist() if part.geom_type == "Polygon"]
    paths = [_polygon_path(part) for part in parts]
    axes.add_collection(PathCollection(paths, **_area_look(area)))


def _polygon_path(polygon: Polygon) -> Path:
    """A polygon with its holes: those go round the other way, which leaves them open."""
    rings = shapely.get_rings(shapely.orient_polygons(polygon)).tolist()
    return Path.make_compound_path(*(Path(shapely.get_coordinates(ring), closed=True) for ring in rings))


def _lines(shape: BaseGeometry) -> BaseGeometry:
    return shapely.boundary(shape) if shape.geom_type.endswith("Polygon") else shape


def _area_look(area: Area) -> dict[str, Any]:
    return {
        "facecolor": to_rgba(area.fill, area.opacity) if area.fill else "none",
        "edgecolor": area.stroke or "none",
        "linewidth": _points(area.width_mm) if area.stroke else 0.0,
        "hatch": HATCHES[area.hatch] or None,
    }


def _mark(mark: Mark) -> str | Path:
    corners = MARK_CORNERS[mark.shape]
    return "o" if mark.shape == "circle" else Path([*corners, corners[0]], closed=True)


def _dashes(line: Line) -> tuple[float, tuple[float, ...]] | Literal["solid"]:
    return (0.0, tuple(length / line.width_mm for length in line.dash_mm)) if line.dash_mm else "solid"


def _points(length_mm: float) -> float:
    return length_mm * POINTS_PER_MM


def _legend_sample(symbol: Symbol) -> Artist:
    if isinstance(symbol, Area):
        return Patch(**_area_look(symbol))
    if isinstance(symbol, Line):
        return Line2D([], [], color=symbol.stroke, linewidth=_points(symbol.width_mm), linestyle=_dashes(symbol))
    return Line2D([], [], linestyle="none", marker=_mark(symbol), markersize=_points(symbol.size_mm),
                  markerfacecolor=symbol.fill, markeredgecolor=symbol.stroke, markeredgewidth=0.5)  # fmt: skip
