"""The visit sheet: what to measure on site, where, and a box to write it in."""

from __future__ import annotations

from datetime import datetime
from math import log10

import numpy as np
import shapely
from fpdf.enums import XPos, YPos

from ..plans import Row
from ..styles import STYLES, Area, Line, Mark
from .formats import Formats
from .paper import MARGIN_MM, Paper
from .reading import ParcelPlan
from .sheet import Window
from .texts import worded

MAP_HIGH_MM = 88.0
BOX_HIGH_MM = 31.0

# what a check corrects, by the step that asks for it: layer and column that an override names
_CORRECTS = {
    "zones": ("links", "width_m"),
    "dock": ("dock_candidates", "slope_percent"),
    "keepouts": ("keepouts", "confidence"),
    "supply": ("supply_route", "starts_at"),
    "edges": ("edges", "edge_class"),
}


def visit_sheet(plan: ParcelPlan, formats: Formats, written_at: datetime) -> bytes:
    """Return the visit sheet of a parcel as PDF.

    What is written on it comes back as rows of the site's layer ``overrides``; the sheet names the layer and column.

    Parameters
    ----------
    plan
        The parcel.
    formats
        How figures are written.
    written_at
        Time to be noted in the file.
    """
    paper = Paper(plan, "Visit sheet", written_at, language=formats.locale.replace("_", "-"))
    paper.add_page()
    paper.head(plan.summary.get("verdict_text") or worded(plan.summary["status"]))
    _particulars(paper)
    if not plan.outline.is_empty:
        _map(paper, plan)
    paper.heading("To be measured, the most doubtful first")
    if not plan.rows["visit_checks"]:
        paper.say("Nothing: the maps settle what this plan rests on. Walk the site all the same.", 9)
    for check in plan.rows["visit_checks"]:
        _check(paper, check, formats)
    _others(paper, plan)
    paper.standing_parts()
    return bytes(paper.output())


def _particulars(paper: Paper) -> None:
    """Lines to fill in by hand."""
    paper.face(8)
    wide = (paper.w - 2 * MARGIN_MM) / 3
    for name in ("Date", "Measured by", "Weather, ground"):
        paper.cell(wide, 7, f"{name}: ", border="B", new_x=XPos.RIGHT, new_y=YPos.TOP)
    paper.ln(9)


def _map(paper: Paper, plan: ParcelPlan) -> None:
    """A small map, only to find the places; scale as it comes."""
    left, bottom, right, top = plan.bounds
    wide = paper.w - 2 * MARGIN_MM
    scale = 1000 * max((right - left) / (wide - 4), (top - bottom) / (MAP_HIGH_MM - 4))
    middle_x, middle_y = (left + right) / 2, (bottom + top) / 2
    window = Window(
        middle_x - wide * scale / 2000, middle_y + MAP_HIGH_MM * scale / 2000,
        MARGIN_MM, paper.get_y(), wide, MAP_HIGH_MM, scale,
    )  # fmt: skip
    with paper.rect_clip(window.x_mm, window.y_mm, window.width_mm, window.height_mm):
        paper.shapes(_polygons(window.placed(plan.context.get("hard_surfaces", ()))), Area("#e2dfd8"))
        paper.shapes(window.placed(plan.context.get("buildings", ())), Area("#c4bfb6", stroke="#3f3b35"))
        paper.shapes(window.placed([plan.outline]), Area(stroke="#6b6b6b", width_mm=0.35))
        for row in plan.rows["zones"]:
            rule = STYLES["zones"].rule(row)
            if rule is not None and isinstance(rule.symbol, Area):
                paper.shapes(window.placed([row["geometry"]]), rule.symbol)
        paper.shapes(window.placed([row["geometry"] for row in plan.rows["wire_path"]]), Line("#0072b2", 0.35))
        _numbers(paper, plan, window)
    paper.set_draw_color(0)
    paper.set_line_width(0.25)
    paper.rect(window.x_mm, window.y_mm, window.width_mm, window.height_mm)
    _bar(paper, window)
    paper.set_xy(MARGIN_MM, window.y_mm + MAP_HIGH_MM + 1)


def _polygons(shapes: list[shapely.geometry.base.BaseGeometry]) -> list[shapely.geometry.base.BaseGeometry]:
    return [shape for shape in shapes if "Polygon" in shape.geom_type]


def _numbers(paper: Paper, plan: ParcelPlan, window: Window) -> None:
    for check in plan.rows["visit_checks"]:
        if not check["geometry"].is_empty:
            place = window.on_paper(shapely.get_coordinates(check["geometry"]))
            paper.marks(place, Mark("circle", "#ffffff", 5.0))
            paper.label(float(place[0, 0]), float(place[0, 1]), f"{check['priority']}", 7.5, bold=True)


def _bar(paper: Paper, window: Window) -> None:
    metres = 10.0 ** int(log10(max(window.width_mm * window.scale / 3000, 1.0)))
    length = metres * 1000 / window.scale
    x, y = window.x_mm + 4, window.y_mm + window.height_mm - 4
    paper.line(x, y, x + length, y)
    for end in (x, x + length):
        paper.line(end, y - 1, end, y + 1)
    paper.label(x + length / 2, y - 2, f"{metres:g} m", 6)
    arrow = np.array([[0.0, 0.0], [1.6, 5.6], [0, 4.4], [-1.6, 5.6]])
    arrow += np.array([window.x_mm + window.width_mm - 6, window.y_mm + 3])
    paper.shapes([shapely.Polygon(arrow)], Area("#000000"))
    paper.label(window.x_mm + window.width_mm - 6, window.y_mm + 10.5, "N", 7, bold=True)


def _check(paper: Paper, check: Row, formats: Formats) -> None:
    if paper.get_y() + BOX_HIGH_MM > paper.h - MARGIN_MM - 8:
        paper.add_page()
    x, y, wide = MARGIN_MM, paper.get_y(), paper.w - 2 * MARGIN_MM
    write_wide = 58.0
    paper.set_xy(x, y)
    paper.label(x + 4, y + 3, f"{check['priority']}", 12, bold=True)
    paper.set_left_margin(x + 10)
    paper.set_xy(x + 10, y)
    room = wide - 10 - write_wide - 4
    paper.say(check["measure_what"], 9.5, bold=True, wide_mm=room)
    paper.say(f"How: {check['measured_how']}.", 8, wide_mm=room)
    paper.say(f"Why: it decides {check['decides']}.", 8, wide_mm=room)
    paper.say(_expected(check, formats), 8, wide_mm=room)
    layer, column = _CORRECTS.get(str(check["step"]), ("", ""))
    if layer:
        paper.say(
            f"Comes back as: overrides, target_layer {layer}, column {column} ({check['check_id']}).", 6.5, wide_mm=room
        )
    bottom = max(paper.get_y(), y + BOX_HIGH_MM - 4)
    paper.set_draw_color(0)
    paper.set_line_width(0.4)
    paper.rect(x + wide - write_wide, y, write_wide, bottom - y)
    paper.face(6.5)
    paper.set_xy(x + wide - write_wide + 1, y + 0.5)
    unit = f" [{check['unit']}]" if check["unit"] else ""
    paper.cell(write_wide - 2, 3, f"measured{unit}")
    paper.set_left_margin(MARGIN_MM)
    paper.set_xy(x, bottom + 4)


def _expected(check: Row, formats: Formats) -> str:
    unit = check["unit"] or ""
    words = []
    if check["value"] is not None:
        sd = f" ± {formats.quantity(check['sd'], unit)}" if check["sd"] is not None else ""
        words.append(f"The maps say {formats.quantity(check['value'], unit)}{sd}")
    if check["limit_value"] is not None:
        words.append(f"the limit is {formats.quantity(check['limit_value'], unit)}")
    if check["flip_probability"] is not None:
        words.append(
            f"a chance of {formats.percent(100 * check['flip_probability'])} that measuring changes the decision"
        )
    sentence = "; ".join(words)
    return f"{sentence[:1].upper()}{sentence[1:]}." if sentence else ""


def _others(paper: Paper, plan: ParcelPlan) -> None:
    """Findings that want a look, with a square to tick."""
    wanted = [row for row in plan.rows["findings"] if row["severity"] in ("stop", "caution")]
    if not wanted:
        return
    paper.heading("Look at, and tick")
    for row in wanted:
        y = paper.get_y()
        if y > paper.h - 30:
            paper.add_page()
            y = paper.get_y()
        paper.set_line_width(0.3)
        paper.rect(MARGIN_MM, y + 0.4, 3.2, 3.2)
        paper.set_left_margin(MARGIN_MM + 6)
        paper.set_x(MARGIN_MM + 6)
        paper.say(f"{row['severity']}: {row['text']}. {row['advice'] or ''}", 8)
        paper.set_left_margin(MARGIN_MM)
        paper.set_xy(MARGIN_MM, paper.get_y() + 1)
