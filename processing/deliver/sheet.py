"""The plan sheet for the crew: the wire in true scale, with everything needed to set it out by tape."""

from __future__ import annotations

from datetime import datetime

import shapely
from shapely import box

from lawngis import __version__

from ..model.styles import Area, Line, Mark, Symbol
from .formats import Formats
from .laying_pages import add_day_of_laying, add_dock_detail, add_laying_list, add_setting_out, add_walk_round
from .paper import CELL_MARGIN_MM, FOOT_MM, MARGIN_MM, Paper
from .reading import ParcelPlan, data_accuracy, made_by
from .setting_out import fixed_points
from .sheet_layout import COLUMN_MM, Layout, Window, sheet_layout
from .sheet_map import SHEET_LAYERS, draw_map, rows_by_rule
from .texts import CAUTIONS, worded


def plan_sheet(plan: ParcelPlan, formats: Formats, written_at: datetime) -> bytes:
    """Return the plan sheet of a parcel as PDF.

    First the map, on one sheet or several with a key map; then how to set out docks, joints and bends by tape from the
    corners of buildings, each dock in detail, and the day of laying step by step.

    Parameters
    ----------
    plan
        The parcel; it must have an outline.
    formats
        How figures are written.
    written_at
        Time to be noted in the file.
    """
    layout = sheet_layout(plan.outline, formats)
    paper = Paper(plan, "Plan sheet", formats, written_at, size=layout.paper.size_mm, landscape=True)
    fixed = fixed_points(plan)
    for number, window in enumerate(layout.windows, start=1):
        paper.set_auto_page_break(False)
        paper.add_page()
        draw_map(paper, plan, window, fixed)
        _column(paper, plan, layout, number, formats)
    paper.set_auto_page_break(True, margin=FOOT_MM)
    if plan.rows["wire_path"]:
        paper.add_page()
        add_setting_out(paper, plan, fixed, formats)
        for dock in plan.select("dock_candidates", chosen=True):
            add_dock_detail(paper, plan, dock, fixed, formats)
        add_laying_list(paper, plan, formats)
        add_day_of_laying(paper, plan, formats)
        add_walk_round(paper, plan, formats)
    paper.site_findings()
    paper.standing_parts()
    return bytes(paper.output())


# --- the column: legend and title block ------------------------------------------------------------------


TITLE_BLOCK_MM = 66.0


def _column(paper: Paper, plan: ParcelPlan, layout: Layout, number: int, formats: Formats) -> None:
    x = paper.w - MARGIN_MM - COLUMN_MM
    paper.set_left_margin(x)
    paper.set_xy(x, MARGIN_MM)
    paper.say(_cut(paper, plan.title, 11, 4), 11, bold=True, wide_mm=COLUMN_MM)
    verdict = formats.prose(plan.summary.get("verdict_text")) or worded(plan.summary["status"])
    paper.say(_cut(paper, verdict, 7, 5), 7, wide_mm=COLUMN_MM)
    paper.ln(1)
    _legend(paper, plan, x, several=len(layout.windows) > 1)
    if len(layout.windows) > 1:
        _key_map(paper, plan, layout, number, x)
    _title_block(paper, plan, layout, number, formats, x)
    paper.set_left_margin(MARGIN_MM)


def _cut(paper: Paper, text: str, size_pt: float, lines_max: int) -> str:
    """Text that fills no more lines of the column than that."""
    paper.face(size_pt, bold=True)
    lines = paper.wrapped(paper.printable(text), COLUMN_MM - 2 * CELL_MARGIN_MM)
    return text if len(lines) <= lines_max else " ".join(lines[:lines_max])[:-1] + "…"


LEGEND_STEP_MM = 4.5
_LEGEND_WORDS: dict[tuple[str, str | None], str] = {
    ("wire_runs", "edge"): "Wire along edges and around islands",
    ("wire_runs", "lead_out"): "Lead to an island, out and back",
}


def _legend(paper: Paper, plan: ParcelPlan, x: float, *, several: bool) -> None:
    lines: dict[Symbol, str] = {}
    for name in reversed(SHEET_LAYERS):
        for rule in rows_by_rule(plan, name):  # what looks the same is one line
            lines.setdefault(rule.symbol, _LEGEND_WORDS.get((name, rule.value), rule.label))
    lines[Mark("diamond", "#000000", 1.4)] = "Fixed point, corner of a building"
    y, unit = paper.get_y(), paper.formats.unit_name
    room = paper.h - MARGIN_MM - TITLE_BLOCK_MM - 12 - y - (KEY_MAP_MM + 4 if several else 0)
    step = min(LEGEND_STEP_MM, room / len(lines))
    for symbol, label in lines.items():
        paper.symbol(x, y, symbol)
        paper.face(6.8)
        paper.words_at(x + 12, y + 2, label)
        y += step
    paper.set_xy(x, y + 0.5)
    figures = "" if paper.formats.metric else ", in feet and inches"
    notes = (
        f"At pegs: number · chainage{figures or f' in {unit}'}. Beside the wire: its distance to the edge"
        f"{figures or f' in {unit}'}. Dotted lines: grid in {unit}."
    )
    paper.say(notes, 6.2, wide_mm=COLUMN_MM)


KEY_MAP_MM = 45.0


def _key_map(paper: Paper, plan: ParcelPlan, layout: Layout, number: int, x: float) -> None:
    everything = shapely.union_all([plan.outline, *(window.ground for window in layout.windows)])
    left, bottom, right, top = everything.bounds
    scale = max((right - left) / COLUMN_MM, (top - bottom) / KEY_MAP_MM) * 1000
    key = Window(left, top, x, paper.get_y() + 2, (right - left) * 1000 / scale, (top - bottom) * 1000 / scale, scale)
    paper.shapes(key.placed([plan.outline]), Area("#cfe6d8", stroke="#6b6b6b"))
    paper.shapes(key.placed([row["geometry"] for row in plan.rows["wire_path"]]), Line("#0072b2", 0.2))
    for at, window in enumerate(layout.windows, start=1):
        placed = key.placed([window.ground])
        paper.shapes(
            placed, Area(stroke="#d55e00" if at == number else "#6b6b6b", width_mm=0.6 if at == number else 0.2)
        )
        middle = placed[0].centroid
        paper.label(middle.x, middle.y, f"{at}", 7, bold=at == number)
    paper.set_xy(x, key.y_mm + key.height_mm + 2)


def _title_block(paper: Paper, plan: ParcelPlan, layout: Layout, number: int, formats: Formats, x: float) -> None:
    summary = plan.summary
    west, south = plan.bounds[:2]
    origin = plan.frame.coordinates_in(plan.frame.source, [[west, south]])[0]
    digits = 7 if plan.frame.source.is_geographic else 2
    wire_range = formats.between(summary.get("wire_low_m"), summary.get("wire_high_m"))
    sources = "; ".join(f"{name}: {words}" for name, words in data_accuracy(plan.run_info, formats))
    facts = [
        ("Scale", f"{formats.scale(layout.scale)} on {layout.paper.name}, printed at 100 %"),
        ("Sheet", f"{number} of {len(layout.windows)}"),
        ("Wire", f"{formats.length(summary['wire_m'])}{wire_range}, {formats.number(summary['pegs'])} pegs"),
        ("Grid", f"0, 0 is {origin[0]:.{digits}f}, {origin[1]:.{digits}f} in {plan.frame.source.name}; true north up"),
        ("Data", f"{sources or 'accuracy not stated'}; dates on the last page"),
        ("Made", f"{made_by(plan.run_info)}; sheet by lawngis {__version__}"),
        ("Caution", f"{CAUTIONS[2]} Measure on site before laying. {CAUTIONS[-1]}"),
    ]
    y = paper.h - MARGIN_MM - TITLE_BLOCK_MM
    paper.set_draw_color(0)
    paper.set_line_width(0.35)
    paper.rect(x, y, COLUMN_MM, TITLE_BLOCK_MM - 4)
    _north(paper, x + COLUMN_MM - 7, y + 3)
    _scale_bar(paper, x + 3, y + 8, layout.scale, formats)
    paper.set_xy(x + 1.5, y + 13)
    for name, words in facts:
        paper.set_x(x + 1.5)
        paper.face(6, bold=True)
        paper.words_at(x + 1.5, paper.get_y() + 1.4, name)
        paper.set_x(x + 12.5)
        paper.say(words, 6, wide_mm=COLUMN_MM - 13)
        paper.ln(0.4)


def _north(paper: Paper, x: float, y: float) -> None:
    arrow = shapely.Polygon([(x, y), (x + 2, y + 7), (x, y + 5.6), (x - 2, y + 7)])
    paper.shapes([arrow], Area("#000000"))
    paper.label(x, y + 9, "N", 8, bold=True)


BAR_MM = 42.0


def _scale_bar(paper: Paper, x: float, y: float, scale: int, formats: Formats) -> None:
    longest = BAR_MM * scale / 1000 / formats.unit_m
    units = max(step * 10**power for step in (1, 2, 4, 8) for power in (0, 1, 2) if step * 10**power <= longest)
    part = units * formats.unit_m * 1000 / scale / 4
    for at in range(4):
        piece = box(x + at * part, y, x + (at + 1) * part, y + 1.4)
        paper.shapes([piece], Area("#000000" if at % 2 == 0 else "#ffffff", stroke="#000000", width_mm=0.2))
    for at in (0, 2, 4):
        paper.label(x + at * part, y - 1.6, f"{units * at / 4:g}" + (f" {formats.unit_name}" if at == 4 else ""), 6)
