"""The plan sheet for the crew: the wire in true scale, with everything needed to set it out by tape."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil
from string import ascii_uppercase
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, box
from shapely.geometry.base import BaseGeometry

from lawngis import __version__

from ..model.plan import Row
from ..model.styles import STYLES, Area, Line, Mark, Rule, Symbol
from .formats import Formats, PaperSize
from .map_picture import roomiest_place
from .paper import CELL_MARGIN_MM, FOOT_MM, MARGIN_MM, Paper
from .reading import ParcelPlan, data_accuracy, made_by
from .texts import CAUTIONS, worded

SCALES = (50, 100, 200, 250, 500, 1000, 2000)
"""Scales that a folding rule or scale ruler reads (common practice, no source)."""

FOOT_SCALES = (48, 96, 192, 240, 480, 600, 1200, 2400)
"""Scales of architects' and engineers' rulers in feet: 1/4″ to 1/16″, then 20′ to 200′ to the inch (common practice, no
source)."""

ONE_SHEET_UP_TO = 200
"""A coarser scale than this only when there would be too many sheets otherwise."""

SHEETS_MAX = 12
COLUMN_MM = 62.0
OVERLAP_MM = 12.0
EDGE_MM = 4.0  # of paper around the parcel
DETAIL_M = 4.0
PEG_PT = 5.6
SETBACK_PT = 5.6
"""Small letters of a drawing are 1.5 mm high at least (common practice, no source)."""
CORNER_APART_M = 1.0
BEND_APART_M = 2.0

_CONTEXT: dict[str, Area | Line | Mark] = {
    "streets": Area("#e8e6e2"),
    "hard_surfaces": Area("#e2dfd8", stroke="#b9b4aa", width_mm=0.1),
    "buildings": Area("#c4bfb6", stroke="#3f3b35", width_mm=0.3),
    "water": Area("#c9dcec"),
    "barriers": Line("#4d4a45", 0.3),
    "trees": Mark("circle", "#9db398", 1.2, "#5c7057"),
    "outlets": Mark("square", "#d55e00", 1.6),
    "sprinklers": Mark("circle", "#56b4e9", 1.2),
}
_SHEET_LAYERS = (
    "summary", "zones", "hand_mow", "keepouts", "links", "supply_route", "wire_runs", "pegs", "joins",
    "dock_candidates",
)  # fmt: skip


@dataclass(frozen=True)
class Window:
    """What one sheet shows: a rectangle of ground on a field of paper.

    Parameters
    ----------
    left_m, top_m
        Upper left corner of the ground, in the parcel's frame.
    x_mm, y_mm
        Where that corner lies on the page.
    width_mm, height_mm
        Size of the field.
    scale
        Ground by paper.
    """

    left_m: float
    top_m: float
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    scale: float

    @property
    def ground(self) -> BaseGeometry:
        """The ground shown [m]."""
        width, height = self.width_mm * self.scale / 1000, self.height_mm * self.scale / 1000
        return box(self.left_m, self.top_m - height, self.left_m + width, self.top_m)

    def on_paper(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return places of the ground, shape (n, 2) [m], as places on the page [mm]."""
        mm = 1000 / self.scale
        return np.column_stack([self.x_mm + (xy[:, 0] - self.left_m) * mm, self.y_mm + (self.top_m - xy[:, 1]) * mm])

    def placed(self, shapes: Sequence[BaseGeometry]) -> list[BaseGeometry]:
        """Return the shapes that are in sight, on the page."""
        ground = self.ground
        seen = [shape for shape in shapes if not shape.is_empty and shape.intersects(ground)]
        return [shapely.transform(shape, self.on_paper) for shape in seen]


@dataclass(frozen=True)
class Layout:
    """Paper, scale and what each sheet shows."""

    paper: PaperSize
    scale: int
    windows: Sequence[Window]


def sheet_layout(outline: BaseGeometry, formats: Formats | None = None) -> Layout:
    """Return the smallest paper and largest scale on which a parcel fits, or the sheets that it is spread over.

    Parameters
    ----------
    outline
        The parcel [m].
    formats
        Units and papers; default: metres on A4 or A3.
    """
    formats = formats or Formats()
    scales = SCALES if formats.metric else FOOT_SCALES
    left, bottom, right, top = outline.bounds
    width, height = right - left, top - bottom
    for scale in (scale for scale in scales if scale <= ONE_SHEET_UP_TO):
        for paper in formats.papers:
            field_x, field_y = _field_mm(paper)
            if width * 1000 / scale <= field_x - 2 * EDGE_MM and height * 1000 / scale <= field_y - 2 * EDGE_MM:
                return Layout(paper, scale, _tiles(outline, paper, scale, 1, 1))
    large = formats.papers[1]
    field_x, field_y = _field_mm(large)
    for scale in (scale for scale in scales if scale >= 0.9 * ONE_SHEET_UP_TO):
        columns = _count(width * 1000 / scale, field_x)
        rows = _count(height * 1000 / scale, field_y)
        if columns * rows <= SHEETS_MAX or scale == scales[-1]:
            break
    return Layout(large, scale, _tiles(outline, large, scale, columns, rows))


def _count(length_mm: float, field_mm: float) -> int:
    return max(1, ceil((length_mm + 2 * EDGE_MM - OVERLAP_MM) / (field_mm - OVERLAP_MM)))


def _field_mm(paper: PaperSize) -> tuple[float, float]:
    height, width = paper.size_mm  # lying
    return width - 2 * MARGIN_MM - COLUMN_MM - 3, height - 2 * MARGIN_MM - 4


def _tiles(outline: BaseGeometry, paper: PaperSize, scale: int, columns: int, rows: int) -> tuple[Window, ...]:
    field_x, field_y = _field_mm(paper)
    left, bottom, right, top = outline.bounds
    ground = scale / 1000
    span_x = (columns * (field_x - OVERLAP_MM) + OVERLAP_MM) * ground
    span_y = (rows * (field_y - OVERLAP_MM) + OVERLAP_MM) * ground
    start_x, start_y = (left + right - span_x) / 2, (bottom + top + span_y) / 2
    windows = [
        Window(
            start_x + column * (field_x - OVERLAP_MM) * ground,
            start_y - row * (field_y - OVERLAP_MM) * ground,
            MARGIN_MM,
            MARGIN_MM,
            field_x,
            field_y,
            scale,
        )
        for row in range(rows)
        for column in range(columns)
    ]
    return tuple(window for window in windows if window.ground.intersects(outline))


def plan_sheet(plan: ParcelPlan, formats: Formats, written_at: datetime) -> bytes:
    """Return the plan sheet of a parcel as PDF.

    First the map, on one sheet or several with a key map; then how to set out docks, joints and bends by tape from the
    corners of buildings, and each dock in detail.

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
        _map(paper, plan, window, fixed)
        _column(paper, plan, layout, number, formats)
    paper.set_auto_page_break(True, margin=FOOT_MM)
    if plan.rows["wire_path"]:
        paper.add_page()
        _setting_out(paper, plan, fixed, formats)
        for dock in plan.select("dock_candidates", chosen=True):
            _dock_detail(paper, plan, dock, fixed, formats)
        _laying_list(paper, plan, formats)
    paper.standing_parts()
    return bytes(paper.output())


# --- the map ---------------------------------------------------------------------------------------------


def _map(paper: Paper, plan: ParcelPlan, window: Window, fixed: Sequence[FixedPoint], *, detail: bool = False) -> None:
    breaks = paper.auto_page_break
    paper.set_auto_page_break(False)  # a label near the foot of a page must not turn it
    with paper.rect_clip(window.x_mm, window.y_mm, window.width_mm, window.height_mm):
        for name, symbol in _CONTEXT.items():
            shapes = window.placed(plan.context.get(name, ()))
            if isinstance(symbol, Mark):
                paper.marks(shapely.get_coordinates(shapes), symbol)
            elif isinstance(symbol, Line):
                paper.shapes(shapes, symbol)
            else:
                paper.shapes([shape for shape in shapes if "Polygon" in shape.geom_type], symbol)
        for name in _SHEET_LAYERS:
            for rule, rows in _by_rule(plan, name).items():
                placed = window.placed([row["geometry"] for row in rows])
                if isinstance(rule.symbol, Mark):
                    paper.marks(shapely.get_coordinates(placed), rule.symbol)
                else:
                    paper.shapes(placed, rule.symbol)
        if not detail:
            _grid(paper, plan, window)
        _labels(paper, plan, window, fixed, detail=detail)
    paper.set_draw_color(0)
    paper.set_line_width(0.35)
    paper.rect(window.x_mm, window.y_mm, window.width_mm, window.height_mm)
    paper.set_auto_page_break(breaks, margin=FOOT_MM)


def _by_rule(plan: ParcelPlan, name: str) -> dict[Rule, list[Row]]:
    groups: dict[Rule, list[Row]] = {}
    for row in plan.rows[name]:
        rule = STYLES[name].rule(row)
        if rule is not None and not (name == "dock_candidates" and not row["chosen"]):
            groups.setdefault(rule, []).append(row)
    return dict(sorted(groups.items(), key=lambda item: STYLES[name].rules.index(item[0])))


def _labels(paper: Paper, plan: ParcelPlan, window: Window, fixed: Sequence[FixedPoint], *, detail: bool) -> None:
    """Labels, the weightiest first; one that would hide another is moved, or left out where there is no room."""
    formats, free = paper.formats, _FreeRoom(paper, window)
    points = [Point(point.x, point.y) for point in fixed]
    docks = plan.select("dock_candidates", chosen=True)
    free.keep([row["geometry"] for row in (*plan.rows["joins"], *docks)], 1.4)
    free.keep(points, 0.8)
    if not detail:
        for row in plan.rows["zones"]:
            free.put(_roomiest(row["geometry"], window), row["zone_id"], 8, bold=True)
    for point, place in zip(fixed, points, strict=True):
        if place.intersects(window.ground):
            paper.marks(window.on_paper(np.array([[point.x, point.y]])), Mark("diamond", "#000000", 1.4))
            free.put(place, point.name, 6.5, off_mm=1.0, bold=True)
    for row in docks:
        free.put(row["geometry"], f"dock {row['candidate_id']}", 6, off_mm=1.6, bold=True)
    for row in plan.rows["joins"]:
        free.put(row["geometry"], f"joint {formats.mark(row['chainage_m'])}", 6, off_mm=1.6)
    _peg_labels(plan, window, free, formats, detail=detail)
    for row in plan.rows["wire_runs"]:
        shape = row["geometry"]
        long_enough = shape.length * 1000 / window.scale > 12
        if long_enough and row["run_kind"] in ("edge", "island") and row["setback_m"] is not None:
            for share in (0.5, 0.35, 0.65):
                place = shape.interpolate(share, normalized=True)
                left, up = _to_the_left(place, shape)
                right = (-left, -up)  # between wire and edge, or beyond
                if free.put(place, formats.mark(row["setback_m"], 2), SETBACK_PT, aside=right, off_mm=0.6):
                    break


def _peg_labels(plan: ParcelPlan, window: Window, free: _FreeRoom, formats: Formats, *, detail: bool) -> None:
    """Numbers of pegs: in a detail all, else those of bends that are set out, and every fifth or tenth between."""
    every = 1 if detail else 5 if window.scale <= 100 else 10
    loops = {row["loop_id"]: row["geometry"] for row in plan.rows["wire_path"]}
    named = [] if detail else _bends(plan)
    between = [row for row in plan.rows["pegs"] if row["peg_no"] % every == 0]
    for row in (*named, *between):
        if row["loop_id"] in loops and row["geometry"].intersects(window.ground):
            text = f"{row['peg_no']}" if detail else f"{row['peg_no']} · {formats.mark(row['chainage_m'])}"
            aside = _to_the_left(row["geometry"], loops[row["loop_id"]])
            free.put(row["geometry"], text, PEG_PT, aside=aside, off_mm=1.0)


def _roomiest(zone: BaseGeometry, window: Window) -> Point:
    """Where a zone has most room on a sheet."""
    seen = shapely.intersection(zone, shapely.buffer(window.ground, -0.006 * window.scale))
    return roomiest_place(seen)


class _FreeRoom:
    """Puts labels where there is room for them yet."""

    def __init__(self, paper: Paper, window: Window) -> None:
        self.paper, self.window = paper, window
        self.taken: list[tuple[float, float, float, float]] = []

    def keep(self, places: Sequence[BaseGeometry], half_mm: float) -> None:
        """Keep marks free of labels."""
        for x, y in self.window.on_paper(shapely.get_coordinates(places)).tolist():
            self.taken.append((x - half_mm, y - half_mm, x + half_mm, y + half_mm))

    def put(
        self,
        place: Point,
        text: str,
        size_pt: float,
        *,
        aside: tuple[float, float] | None = None,
        off_mm: float = 0.0,
        bold: bool = False,
    ) -> bool:
        """Write a label on a place, or off it: in the direction `aside`, else on whichever side is free.

        Returns whether it was written: one that is out of sight, or for which there is no room, is not.
        """
        if place.is_empty or not place.intersects(self.window.ground):
            return False
        paper, field = self.paper, self.window
        paper.face(size_pt, bold=bold)
        half, high = paper.width_mm(paper.printable(text)) / 2 + 0.4, size_pt * 0.19
        at = field.on_paper(np.array([[place.x, place.y]]))[0]
        for x, y in [(at + move).tolist() for move in _moves(half, high, aside, off_mm)]:
            room = (x - half, y - high, x + half, y + high)
            inside = (
                room[0] > field.x_mm and room[2] < field.x_mm + field.width_mm
                and room[1] > field.y_mm and room[3] < field.y_mm + field.height_mm
            )  # fmt: skip
            if inside and not any(
                a < room[2] and room[0] < c and b < room[3] and room[1] < d for a, b, c, d in self.taken
            ):
                self.taken.append(room)
                paper.label(x, y, text, size_pt, bold=bold)
                return True
        return False


def _moves(half: float, high: float, aside: tuple[float, float] | None, off_mm: float) -> list[tuple[float, float]]:
    """From a place to the middles of the labels that come into question: the label's nearest side is `off_mm` away."""
    if not off_mm:
        return [(0.0, 0.0)]
    if aside:
        off = off_mm + abs(aside[0]) * half + abs(aside[1]) * high
        return [(aside[0] * off, aside[1] * off)]
    x, y = off_mm + half, off_mm + high
    return [(0, -y), (x, 0), (0, y), (-x, 0), (half, -y), (half, y), (-half, -y), (-half, y)]


def _to_the_left(place: Point, loop: BaseGeometry) -> tuple[float, float]:
    """Direction on the page to the left of the wire: inside the loop, where the lawn leaves room."""
    at = loop.project(place)
    ends = np.array([loop.interpolate(max(at - 0.3, 0)).coords[0], loop.interpolate(at + 0.3).coords[0]])
    along = (ends[1] - ends[0]) / max(float(np.hypot(*(ends[1] - ends[0]))), 1e-9)
    return -float(along[1]), -float(along[0])


def _grid_step_m(scale: float, formats: Formats) -> float:
    """Distance of the grid's lines: so that they are 20 to 50 mm apart on paper."""
    return formats.unit_m * next(step for step in (1, 2, 5, 10, 20, 50, 100, 200) if step * formats.unit_m * 50 > scale)


def _grid(paper: Paper, plan: ParcelPlan, window: Window) -> None:
    """Lines counted in metres or feet from the south-west corner of the parcel's bounding box."""
    formats = paper.formats
    step = _grid_step_m(window.scale, formats)
    west, south = plan.bounds[:2]
    left, bottom, right, top = window.ground.bounds
    paper.set_draw_color(120)
    paper.set_line_width(0.06)
    paper.set_dash_pattern(0.4, 1.2)
    across = [(metre, window.on_paper(np.array([[west + metre, top]]))[0, 0]) for metre in
              np.arange(ceil((left - west) / step) * step, right - west, step)]  # fmt: skip
    up = [(metre, window.on_paper(np.array([[left, south + metre]]))[0, 1]) for metre in
          np.arange(ceil((bottom - south) / step) * step, top - south, step)]  # fmt: skip
    for _, x in across:
        paper.line(x, window.y_mm, x, window.y_mm + window.height_mm)
    for _, y in up:
        paper.line(window.x_mm, y, window.x_mm + window.width_mm, y)
    paper.set_dash_pattern()
    for metre, x in across:
        if window.x_mm + 8 < x < window.x_mm + window.width_mm - 4:
            paper.label(x, window.y_mm + window.height_mm - 1.6, f"{metre / formats.unit_m:.0f}", 5.6)
    for metre, y in up:
        if window.y_mm + 2 < y < window.y_mm + window.height_mm - 4:
            paper.label(window.x_mm + 2.8, y, f"{metre / formats.unit_m:.0f}", 5.6)


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
    for name in reversed(_SHEET_LAYERS):
        for rule in _by_rule(plan, name):  # what looks the same is one line
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
    sources = "; ".join(f"{name}: {words}" for name, words in data_accuracy(plan.run_info, formats))
    facts = [
        ("Scale", f"{formats.scale(layout.scale)} on {layout.paper.name}, printed at 100 %"),
        ("Sheet", f"{number} of {len(layout.windows)}"),
        ("Wire", f"{formats.length(summary['wire_m'])}, {formats.number(summary['pegs'])} pegs"),
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


# --- setting out -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class FixedPoint:
    """A corner of a building from which can be measured, with its letter."""

    name: str
    x: float
    y: float


def fixed_points(plan: ParcelPlan) -> list[FixedPoint]:
    """Return the corners of buildings near the wire, lettered along from the north-west.

    Parameters
    ----------
    plan
        The parcel; without its buildings there are none.
    """
    wire = shapely.union_all([row["geometry"] for row in plan.rows["wire_path"]])
    if wire.is_empty:
        return []
    own = shapely.buffer(plan.outline, 0.2)
    corners: list[tuple[float, float]] = []
    for building in plan.context.get("buildings", ()):
        if not building.intersects(own):
            continue
        simple = shapely.simplify(building, 0.1)
        for x, y in shapely.get_coordinates(simple).tolist():
            place = Point(x, y)
            near = place.within(own) and place.distance(wire) < 20.0
            if near and all(np.hypot(x - a, y - b) > CORNER_APART_M for a, b in corners):
                corners.append((x, y))
    corners.sort(key=lambda xy: (-xy[1], xy[0]))
    return [FixedPoint(_letters(at), x, y) for at, (x, y) in enumerate(corners)]


def _letters(number: int) -> str:
    """A to Z, then AA: as spreadsheets count columns."""
    first, last = divmod(number, 26)
    return (ascii_uppercase[first - 1] if first else "") + ascii_uppercase[last]


def two_tapes(place: Point, fixed: Sequence[FixedPoint], walls: Sequence[BaseGeometry] = ()) -> tuple[FixedPoint, ...]:
    """Return the two fixed points from which tapes meet best at a place: the shortest pair of good angle.

    Between 30° and 150°, where an error of the tape shifts the place by no more than twice as much (1/sin 30°). When
    no pair is that good, only the nearest point; when none is in reach, nothing.

    Parameters
    ----------
    place
        What is to be set out [m].
    fixed
        Corners of buildings.
    walls
        What a tape can't go through.
    """
    fixed = _in_reach(place, fixed, walls)
    best: tuple[float, FixedPoint, FixedPoint] | None = None
    for at, first in enumerate(fixed):
        for second in fixed[at + 1 :]:
            u, v = np.array([first.x - place.x, first.y - place.y]), np.array([second.x - place.x, second.y - place.y])
            lengths = float(np.hypot(*u)), float(np.hypot(*v))
            if min(lengths) < 1e-6 or abs(u[0] * v[1] - u[1] * v[0]) < 0.5 * lengths[0] * lengths[1]:
                continue
            if best is None or sum(lengths) < best[0]:
                best = sum(lengths), first, second
    if best is not None:
        return best[1], best[2]
    return tuple(sorted(fixed, key=lambda point: np.hypot(point.x - place.x, point.y - place.y))[:1])


WALL_TOLERANCE_M = 0.05


def _in_reach(place: Point, fixed: Sequence[FixedPoint], walls: Sequence[BaseGeometry]) -> list[FixedPoint]:
    if not fixed:
        return []
    tapes = shapely.linestrings([[[point.x, point.y], [place.x, place.y]] for point in fixed])
    within = shapely.union_all([shapely.buffer(wall, -WALL_TOLERANCE_M) for wall in walls])
    return [point for point, barred in zip(fixed, shapely.intersects(tapes, within), strict=True) if not barred]


def _setting_out(paper: Paper, plan: ParcelPlan, fixed: Sequence[FixedPoint], formats: Formats) -> None:
    paper.heading("Setting out by tape from corners of buildings")
    if len(fixed) < 2:
        paper.say(
            "No corner of a building is known near the wire: set out from the boundary, or with a rover and "
            "the stakeout points.", 8.5
        )  # fmt: skip
        return
    west, south = plan.bounds[:2]
    rows = []
    for what, place in _targets(plan, formats):
        tapes = [
            f"{point.name}  {formats.length(float(np.hypot(point.x - place.x, point.y - place.y)), 2)}"
            for point in two_tapes(place, fixed, plan.context.get("buildings", ()))
        ]
        tapes += ["–"] * (2 - len(tapes))
        rows.append([what, *tapes, formats.length(place.x - west, 2), formats.length(place.y - south, 2)])
    paper.say(
        "Lengths are level, not along the slope. Grid: east and north of the south-west corner of the parcel's "
        "bounding box.", 8
    )  # fmt: skip
    paper.ln(1)
    paper.rows(["Point", "Tape from", "Tape from", "Grid east", "Grid north"], rows, (40, 24, 24, 12, 12), "LLLRR")


def _targets(plan: ParcelPlan, formats: Formats) -> list[tuple[str, Point]]:
    targets = [(f"dock {row['candidate_id']}", row["geometry"]) for row in plan.select("dock_candidates", chosen=True)]
    targets += [
        (f"joint {row['loop_id']} at {formats.length(row['chainage_m'])} ({worded(row['why'])})", row["geometry"])
        for row in plan.rows["joins"]
    ]
    return targets + [(f"bend, peg {row['peg_no']} of {row['loop_id']}", row["geometry"]) for row in _bends(plan)]


def _bends(plan: ParcelPlan) -> list[Row]:
    """The first peg of each bend."""
    first: list[Row] = []
    for row in sorted(plan.select("pegs", peg_kind="bend"), key=lambda row: (row["loop_id"], row["peg_no"])):
        if (
            not first
            or row["loop_id"] != first[-1]["loop_id"]
            or row["geometry"].distance(first[-1]["geometry"]) > BEND_APART_M
        ):
            first.append(row)
    return first


def _dock_detail(paper: Paper, plan: ParcelPlan, dock: Row, fixed: Sequence[FixedPoint], formats: Formats) -> None:
    """The surroundings of a dock in a large scale: every peg numbered, and its distances from corners of the house."""
    scale = 50 if formats.metric else 48
    size = 2 * DETAIL_M * 1000 / scale
    if paper.get_y() + size * 0.55 + 14 > paper.h - MARGIN_MM - 8:
        paper.add_page()
    paper.heading(f"Dock {dock['candidate_id']}, {formats.scale(scale)}")
    y = paper.get_y()
    place = dock["geometry"]
    window = Window(place.x - DETAIL_M, place.y + DETAIL_M * 0.55, MARGIN_MM, y, size, size * 0.55, scale)
    _map(paper, plan, window, fixed, detail=True)
    _dimensions(paper, plan, window, place, fixed)
    heading = dock["heading_deg"]
    x = MARGIN_MM + size + 5
    paper.set_left_margin(x)
    paper.set_xy(x, y)
    facts = [
        f"Heading of the wire {heading:.0f}° from grid north." if heading is not None else "",
        f"Straight wire ahead {formats.length(dock['straight_m'], 2)}.",
        f"Next corner after {formats.length(dock['corner_m'], 2)}.",
        f"Slope of the pad {formats.percent(dock['slope_percent'], 1)}.",
        f"Misses: {formats.prose(dock['failed'])}." if dock["failed"] else "Meets every must-have.",
    ]
    for route in plan.select("supply_route", candidate_id=dock["candidate_id"]):
        drop = (
            f", voltage drop {formats.percent(route['drop_percent'], 1)}" if route["drop_percent"] is not None else ""
        )
        facts.append(
            f"Supply cable {formats.length(route['length_m'], 2)} from {route['starts_at'] or 'the house'}{drop}."
        )
        if route["crosses"]:
            facts.append(f"It crosses {route['crosses']}: lay it in a duct.")
    for fact in filter(None, facts):
        paper.say(fact, 8, wide_mm=paper.w - MARGIN_MM - x)
        paper.ln(0.6)
    paper.set_left_margin(MARGIN_MM)
    paper.set_xy(MARGIN_MM, max(paper.get_y(), y + size * 0.55 + 2))


def _dimensions(paper: Paper, plan: ParcelPlan, window: Window, place: Point, fixed: Sequence[FixedPoint]) -> None:
    """Tapes from corners of the house to the dock, each with its length."""
    with paper.rect_clip(window.x_mm, window.y_mm, window.width_mm, window.height_mm):
        for point in two_tapes(place, fixed, plan.context.get("buildings", ())):
            tape = shapely.LineString([(point.x, point.y), (place.x, place.y)])
            if tape.length < WALL_TOLERANCE_M:
                continue
            (drawn,) = window.placed([shapely.intersection(tape, window.ground)])
            paper.shapes([drawn], Line("#000000", 0.2))
            middle = drawn.interpolate(0.5, normalized=True)
            paper.label(middle.x, middle.y, f"{point.name} {paper.formats.length(tape.length, 2)}", 6.5, bold=True)


def _laying_list(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    """The runs in laying order, neighbours of one kind and setback together."""
    paper.heading("Wire in laying order")
    paper.say("Each loop starts and ends at its dock and is laid anti-clockwise: the lawn is on the left.", 8)
    paper.ln(1)
    rows: list[list[str]] = []
    for loop in plan.rows["wire_path"]:
        runs = sorted(plan.select("wire_runs", loop_id=loop["loop_id"]), key=lambda row: row["seq"])
        pegs = np.array([row["chainage_m"] for row in plan.select("pegs", loop_id=loop["loop_id"])])
        for run in _joined(runs):
            count = int(((pegs >= run["from_m"] - 1e-6) & (pegs < run["to_m"] - 1e-6)).sum())
            rows.append(
                [
                    loop["loop_id"],
                    f"{formats.length(run['from_m'])} to {formats.length(run['to_m'])}",
                    worded(run["run_kind"]),
                    worded(run["edge_class"]),
                    formats.length(run["setback_m"], 2),
                    formats.number(count),
                    run["island_id"] or "",
                ]
            )
    head = ["Loop", "Chainage", "Run", "Edge", "From edge", "Pegs", "Island"]
    paper.rows(head, rows, (20, 34, 20, 20, 16, 9, 24), "LLLLRRL")


def _joined(runs: Sequence[Row]) -> list[dict[str, Any]]:
    joined: list[dict[str, Any]] = []
    for run in runs:
        kind = "edge" if run["run_kind"] == "corner" else run["run_kind"]
        key = (kind, run["edge_class"], run["setback_m"], run["island_id"])
        if joined and joined[-1]["key"] == key:
            joined[-1]["to_m"] = run["to_m"]
        else:
            joined.append({**run, "run_kind": kind, "key": key})
    return joined
