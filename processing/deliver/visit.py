"""The visit sheet: what to measure on site, where, and a box to write it in, on paper and as CSV."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import shapely

from ..files.csv_tables import csv_bytes
from ..model.plan import Row
from ..model.styles import PARCEL_STYLES, Area, Line, Mark
from .formats import Formats
from .map_picture import round_length_m
from .paper import CELL_MARGIN_MM, LINE_MM_PER_PT, MARGIN_MM, Paper
from .reading import ParcelPlan
from .sheet_layout import Window
from .texts import worded

MAP_HIGH_MM = 88.0
BOX_HIGH_MM = 31.0


def visit_sheet(plan: ParcelPlan, formats: Formats, written_at: datetime) -> bytes:
    """Return the visit sheet of a parcel as PDF.

    What is written on it comes back as rows of the site's layer ``overrides``: the sheet names layer, feature and
    column. `visit_csv` is the same sheet to be filled in on a screen.

    Parameters
    ----------
    plan
        The parcel.
    formats
        How figures are written.
    written_at
        Time to be noted in the file.
    """
    paper = Paper(plan, "Visit sheet", formats, written_at)
    paper.add_page()
    paper.head(formats.prose(plan.summary.get("verdict_text")) or worded(plan.summary["status"]))
    _particulars(paper)
    if not plan.outline.is_empty:
        _map(paper, plan, formats)
    paper.heading("To be measured, the most doubtful first")
    if not plan.rows["visit_checks"]:
        settled = plan.readiness == "ready" and not plan.summary.get("unknowns")
        why = "Nothing: the maps settle what this plan rests on." if settled else "Nothing that a measurement settles."
        paper.say(f"{why} Walk the site all the same.", 9)
    for check in plan.rows["visit_checks"]:
        _check(paper, check, formats)
    _others(paper, plan)
    paper.site_findings()
    paper.standing_parts()
    return bytes(paper.output())


def _particulars(paper: Paper) -> None:
    """Lines to fill in by hand."""
    paper.face(8)
    wide, y = (paper.w - 2 * MARGIN_MM) / 3, paper.get_y()
    for number, name in enumerate(("Date", "Measured by", "Weather, ground")):
        x = MARGIN_MM + number * wide
        paper.words_at(x, y + 4, f"{name}:")
        paper.set_line_width(0.2)
        paper.line(x, y + 6.5, x + wide - 3, y + 6.5)
    paper.set_xy(MARGIN_MM, y + 9)


def _map(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
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
            rule = PARCEL_STYLES["zones"].rule(row)
            if rule is not None and isinstance(rule.symbol, Area):
                paper.shapes(window.placed([row["geometry"]]), rule.symbol)
        paper.shapes(window.placed([row["geometry"] for row in plan.rows["wire_path"]]), Line("#0072b2", 0.35))
        _numbers(paper, plan, window)
    paper.set_draw_color(0)
    paper.set_line_width(0.25)
    paper.rect(window.x_mm, window.y_mm, window.width_mm, window.height_mm)
    _bar(paper, window, formats)
    paper.set_xy(MARGIN_MM, window.y_mm + MAP_HIGH_MM + 1)


def _polygons(shapes: list[shapely.geometry.base.BaseGeometry]) -> list[shapely.geometry.base.BaseGeometry]:
    return [shape for shape in shapes if "Polygon" in shape.geom_type]


def _numbers(paper: Paper, plan: ParcelPlan, window: Window) -> None:
    for check in plan.rows["visit_checks"]:
        if not check["geometry"].is_empty:
            place = window.on_paper(shapely.get_coordinates(check["geometry"]))
            paper.marks(place, Mark("circle", "#ffffff", 5.0))
            paper.label(float(place[0, 0]), float(place[0, 1]), f"{check['priority']}", 7.5, bold=True)


def _bar(paper: Paper, window: Window, formats: Formats) -> None:
    units = round_length_m(window.width_mm * window.scale / 1000 / 4 / formats.unit_m)
    length = units * formats.unit_m * 1000 / window.scale
    x, y = window.x_mm + 4, window.y_mm + window.height_mm - 4
    paper.line(x, y, x + length, y)
    for end in (x, x + length):
        paper.line(end, y - 1, end, y + 1)
    paper.label(x + length / 2, y - 2, f"{units:g} {formats.unit_name}", 6.5)
    arrow = np.array([[0.0, 0.0], [1.6, 5.6], [0, 4.4], [-1.6, 5.6]])
    arrow += np.array([window.x_mm + window.width_mm - 6, window.y_mm + 3])
    paper.shapes([shapely.Polygon(arrow)], Area("#000000"))
    paper.label(window.x_mm + window.width_mm - 6, window.y_mm + 10.5, "N", 7, bold=True)


VISIT_COLUMNS = (
    "check_id", "what", "how", "value", "sd", "limit", "unit", "measured", "note",
    "target_layer", "target_id", "target_column",
)  # fmt: skip


def visit_csv(plan: ParcelPlan) -> bytes:
    """Return the visit sheet as CSV (RFC 4180, UTF-8) with empty columns ``measured`` and ``note``, to be filled in.

    Figures are in the units of the plan, whatever units a sheet on paper has: what is written in ``measured`` is in
    the unit named beside it.

    Parameters
    ----------
    plan
        The parcel.
    """
    rows = []
    for row in plan.rows["visit_checks"]:
        known = {
            **row, "what": row["measure_what"], "how": row["measured_how"], "limit": row["limit_value"],
            "measured": "", "note": "",
        }  # fmt: skip
        values = (known.get(name) for name in VISIT_COLUMNS)
        rows.append([f"{value:.6g}" if isinstance(value, float) else value for value in values])
    return csv_bytes(VISIT_COLUMNS, rows, marked=True)


def _check(paper: Paper, check: Row, formats: Formats) -> None:
    x, wide, write_wide = MARGIN_MM, paper.w - 2 * MARGIN_MM, 58.0
    room = wide - 10 - write_wide - 4
    facts = [
        (formats.prose(check["measure_what"]), 9.5, True),
        (f"How: {formats.prose(check['measured_how'])}.", 8, False),
        (f"Why: it decides {formats.prose(check['decides'])}.", 8, False),
        (_expected(check, formats), 8, False),
        (_comes_back(check), 6.8, False),
    ]
    high = sum(_height(paper, words, size, room, bold=bold) for words, size, bold in facts)
    if paper.get_y() + max(high, BOX_HIGH_MM) > paper.h - MARGIN_MM - 8:
        paper.add_page()
    y = paper.get_y()
    paper.label(x + 4, y + 3, f"{check['priority']}", 12, bold=True)
    paper.set_left_margin(x + 10)
    paper.set_xy(x + 10, y)
    for words, size, bold in facts:
        if words:
            paper.say(words, size, bold=bold, wide_mm=room)
    bottom = max(paper.get_y(), y + BOX_HIGH_MM - 4)
    paper.set_draw_color(0)
    paper.set_line_width(0.4)
    paper.rect(x + wide - write_wide, y, write_wide, bottom - y)
    paper.face(7)
    unit = f" [{_unit_on_paper(check['unit'], formats)}]" if check["unit"] else ""
    paper.words_at(x + wide - write_wide + 1.5, y + 2, paper.printable(f"measured{unit}"))
    paper.words_at(x + wide - write_wide + 1.5, bottom - 7.5, "note")
    paper.set_line_width(0.1)
    paper.line(x + wide - write_wide, bottom - 10, x + wide, bottom - 10)
    paper.set_left_margin(MARGIN_MM)
    paper.set_xy(x, bottom + 4)


def _height(paper: Paper, words: str, size_pt: float, wide_mm: float, *, bold: bool) -> float:
    paper.face(size_pt, bold=bold)
    lines = paper.wrapped(paper.printable(words), wide_mm - 2 * CELL_MARGIN_MM) if words else []
    return len(lines) * size_pt * LINE_MM_PER_PT


def _unit_on_paper(unit: str, formats: Formats) -> str:
    return unit if formats.metric or unit not in ("m", "m²") else {"m": "ft, in", "m²": "sq ft"}[unit]


def _comes_back(check: Row) -> str:
    """Where an answer goes in the layer ``overrides``."""
    layer, column = check.get("target_layer"), check.get("target_column")
    if not layer:
        return f"Comes back under {check['check_id']}."
    feature = f" of {check['target_id']}" if check.get("target_id") else ""
    return f"Comes back as {check['check_id']}: {column}{feature} in {layer}."


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
        paper.say(paper.finding_words(row), 8)
        paper.set_left_margin(MARGIN_MM)
        paper.set_xy(MARGIN_MM, paper.get_y() + 1)
