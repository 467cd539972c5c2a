"""The map on a sheet: what lies around, the plan, a grid, and labels where there is room for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil

import numpy as np
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from ..model.plan import Row
from ..model.styles import PARCEL_STYLES, Area, Line, Mark, Rule
from .formats import Formats
from .map_picture import roomiest_place
from .paper import FOOT_MM, Paper
from .reading import ParcelPlan
from .setting_out import FixedPoint, bend_pegs
from .sheet_layout import Window

PEG_PT = 5.6
SETBACK_PT = 5.6
"""Small letters of a drawing are 1.5 mm high at least (common practice, no source)."""

CONTEXT_SYMBOLS: Mapping[str, Area | Line | Mark] = {
    "streets": Area("#e8e6e2"),
    "hard_surfaces": Area("#e2dfd8", stroke="#b9b4aa", width_mm=0.1),
    "buildings": Area("#c4bfb6", stroke="#3f3b35", width_mm=0.3),
    "water": Area("#c9dcec"),
    "barriers": Line("#4d4a45", 0.3),
    "trees": Mark("circle", "#9db398", 1.2, "#5c7057"),
    "outlets": Mark("square", "#d55e00", 1.6),
    "sprinklers": Mark("circle", "#56b4e9", 1.2),
}
"""How the surroundings are drawn where nothing can be switched, by layer of the site, undermost first."""
SHEET_LAYERS = (
    "summary", "zones", "hand_mow", "keepouts", "links", "supply_route", "wire_runs", "pegs", "joins",
    "laying_steps", "dock_candidates",
)  # fmt: skip
"""Layers of the plan that a sheet shows, undermost first."""


def draw_map(
    paper: Paper, plan: ParcelPlan, window: Window, fixed: Sequence[FixedPoint], *, detail: bool = False
) -> None:
    """Draw what a window shows; a detail has a number at every peg and no grid.

    Parameters
    ----------
    paper
        The page that is open.
    plan
        The parcel, in metres of its frame.
    window
        Which ground, and where on the page.
    fixed
        Corners of buildings from which is measured.
    detail
        Whether it is the large-scale map of a dock.
    """
    breaks = paper.auto_page_break
    paper.set_auto_page_break(False)  # a label near the foot of a page must not turn it
    with paper.rect_clip(window.x_mm, window.y_mm, window.width_mm, window.height_mm):
        for name, symbol in CONTEXT_SYMBOLS.items():
            shapes = window.placed(plan.context.get(name, ()))
            if isinstance(symbol, Mark):
                paper.marks(shapely.get_coordinates(shapes), symbol)
            elif isinstance(symbol, Line):
                paper.shapes(shapes, symbol)
            else:
                paper.shapes([shape for shape in shapes if "Polygon" in shape.geom_type], symbol)
        for name in SHEET_LAYERS:
            for rule, rows in rows_by_rule(plan, name).items():
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


def rows_by_rule(plan: ParcelPlan, name: str) -> dict[Rule, list[Row]]:
    """Return the rows of a layer that a sheet shows, by the rule of the layer's style, in the order of the rules."""
    groups: dict[Rule, list[Row]] = {}
    for row in plan.rows[name]:
        rule = PARCEL_STYLES[name].rule(row)
        if rule is not None and not (name == "dock_candidates" and not row["chosen"]):
            groups.setdefault(rule, []).append(row)
    return dict(sorted(groups.items(), key=lambda item: PARCEL_STYLES[name].rules.index(item[0])))


def _labels(paper: Paper, plan: ParcelPlan, window: Window, fixed: Sequence[FixedPoint], *, detail: bool) -> None:
    """Labels, the weightiest first; one that would hide another is moved, or left out where there is no room."""
    formats, free = paper.formats, _FreeRoom(paper, window)
    points = [Point(point.x, point.y) for point in fixed]
    docks = plan.select("dock_candidates", chosen=True)
    free.reserve([row["geometry"] for row in (*plan.rows["joins"], *docks)], 1.4)
    free.reserve(points, 0.8)
    if not detail:
        for row in plan.rows["zones"]:
            free.put(_roomiest(row["geometry"], window), row["zone_id"], 8, bold=True)
    for point, place in zip(fixed, points, strict=True):
        if place.intersects(window.ground):
            paper.marks(window.on_paper(np.array([[point.x, point.y]])), Mark("diamond", "#000000", 1.4))
            free.put(place, point.name, 6.5, off_mm=1.0, bold=True)
    for row in docks:
        free.put(row["geometry"], f"dock {row['candidate_id']}", 6, off_mm=1.6, bold=True)
    for row in plan.select("laying_steps", what="trial"):
        if row["geometry"].intersects(window.ground):
            free.put(row["geometry"], f"first way home {row['heading_deg']:.0f}°", 6, off_mm=1.6)
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
    named = [] if detail else bend_pegs(plan)
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
    """Places labels where no mark or other label lies."""

    def __init__(self, paper: Paper, window: Window) -> None:
        self.paper, self.window = paper, window
        self._occupied: list[tuple[float, float, float, float]] = []

    def reserve(self, places: Sequence[BaseGeometry], half_mm: float) -> None:
        """Reserve the ground of marks, so that no label covers them."""
        for x, y in self.window.on_paper(shapely.get_coordinates(places)).tolist():
            self._occupied.append((x - half_mm, y - half_mm, x + half_mm, y + half_mm))

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
                a < room[2] and room[0] < c and b < room[3] and room[1] < d for a, b, c, d in self._occupied
            ):
                self._occupied.append(room)
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
