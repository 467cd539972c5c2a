"""Pages after the map: setting out by tape, each dock in detail, and the wire in laying order."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely import Point

from ..model.plan import Row
from ..model.styles import Line
from .formats import Formats
from .paper import MARGIN_MM, Paper
from .reading import ParcelPlan
from .setting_out import WALL_TOLERANCE_M, FixedPoint, bend_pegs, two_tapes
from .sheet_layout import Window
from .sheet_map import draw_map
from .texts import crossed_words, worded

DETAIL_M = 4.0


def add_setting_out(paper: Paper, plan: ParcelPlan, fixed: Sequence[FixedPoint], formats: Formats) -> None:
    """Add the table by which docks, joints and bends are set out: two tapes and the grid to each."""
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
    targets += [
        (f"first way home, {row['loop_id']} at {formats.length(row['from_m'])}", row["geometry"])
        for row in plan.select("laying_steps", what="trial")
        if row["from_m"] is not None
    ]
    return targets + [(f"bend, peg {row['peg_no']} of {row['loop_id']}", row["geometry"]) for row in bend_pegs(plan)]


def add_dock_detail(paper: Paper, plan: ParcelPlan, dock: Row, fixed: Sequence[FixedPoint], formats: Formats) -> None:
    """Add the surroundings of a dock in a large scale: every peg numbered, distances from corners of the house."""
    scale = 50 if formats.metric else 48
    size = 2 * DETAIL_M * 1000 / scale
    if paper.get_y() + size * 0.55 + 14 > paper.h - MARGIN_MM - 8:
        paper.add_page()
    paper.heading(f"Dock {dock['candidate_id']}, {formats.scale(scale)}")
    y = paper.get_y()
    place = dock["geometry"]
    window = Window(place.x - DETAIL_M, place.y + DETAIL_M * 0.55, MARGIN_MM, y, size, size * 0.55, scale)
    draw_map(paper, plan, window, fixed, detail=True)
    _dimensions(paper, plan, window, place, fixed)
    heading = dock["heading_deg"]
    x = MARGIN_MM + size + 5
    paper.set_left_margin(x)
    paper.set_xy(x, y)
    facts = [
        f"The dock looks {heading:.0f}° from grid north: from there the mower comes in." if heading is not None else "",
        f"Straight wire ahead {formats.length(dock['straight_m'], 2)}.",
        f"Next corner after {formats.length(dock['corner_m'], 2)}.",
        f"Slope of the pad {formats.slope(dock['slope_percent'], 1)}.",
        f"Misses: {formats.prose(dock['failed'])}." if dock["failed"] else "Meets every requirement.",
    ]
    for route in plan.select("supply_route", candidate_id=dock["candidate_id"]):
        drop = (
            f", voltage drop {formats.percent(route['drop_percent'], 1)}" if route["drop_percent"] is not None else ""
        )
        facts.append(
            f"Supply cable {formats.length(route['length_m'], 2)} from {route['starts_at'] or 'the house'}{drop}."
        )
        if route["crosses"]:
            facts.append(f"It crosses {crossed_words(route['crosses'])}: lay it in a duct.")
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


def add_laying_list(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    """Add the runs in laying order, neighbours of one kind and setback together."""
    paper.heading("Wire in laying order")
    paper.say("Each loop starts and ends at its dock and is laid anti-clockwise: the lawn is on the left.", 8)
    paper.ln(1)
    rows: list[list[str]] = []
    for loop in plan.rows["wire_path"]:
        runs = sorted(plan.select("wire_runs", loop_id=loop["loop_id"]), key=lambda row: row["seq"])
        pegs = plan.select("pegs", loop_id=loop["loop_id"])
        for run in _joined(runs):
            own = [peg for peg in pegs if run["from_m"] - 1e-6 <= peg["chainage_m"] < run["to_m"] - 1e-6]
            first = sum(peg.get("stage") == "first" for peg in own)
            rows.append(
                [
                    loop["loop_id"],
                    f"{formats.length(run['from_m'])} to {formats.length(run['to_m'])}",
                    worded(run["run_kind"]),
                    worded(run["edge_class"]),
                    formats.length(run["setback_m"], 2),
                    formats.number(first),
                    formats.number(len(own) - first),
                    run["island_id"] or "",
                ]
            )
    head = ["Loop", "Chainage", "Run", "Edge", "From edge", "Pegs first", "then", "Island"]
    paper.rows(head, rows, (20, 34, 20, 20, 16, 14, 9, 24), "LLLLRRRL")


def add_day_of_laying(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    """Add what is done on the day of laying, in the order of hands."""
    steps = sorted(plan.rows["laying_steps"], key=lambda row: row["seq"])
    if not steps:
        return
    paper.heading(f"Day of laying, {formats.number(sum(row['hours'] for row in steps), 1)} hours of one person")
    rows = [
        [
            f"{row['seq']}",
            "" if row["from_m"] is None else f"{formats.mark(row['from_m'])} to {formats.mark(row['to_m'])}",
            formats.prose(row["text"]),
            formats.prose(row["takes"]),
            formats.prose(row["done_when"]),
            row["needs"] or "",
            f"{row['crew']}",
            formats.number(row["hours"], 2),
        ]
        for row in steps
    ]
    head = ["No.", "Chainage", "What is done", "Takes", "Right when", "Needs", "Crew", "Hours"]
    paper.rows(head, rows, (7, 22, 70, 44, 62, 16, 9, 10), "RLLLLLRR")
    paper.say("Hours by the labour book. Order, crew and needs: common practice, no source.", 8)


def add_walk_round(paper: Paper, plan: ParcelPlan, formats: Formats) -> None:
    """Add what to watch on the first walk around, with room for how far the wire was moved."""
    points = plan.rows["watch_points"]
    if not points:
        return
    paper.heading("First walk around: what to watch while the mower follows the wire")
    rows = [
        [
            row["watch_id"],
            formats.mark(row["chainage_m"]),
            worded(row["what"]),
            formats.prose(row["expect"]),
            "–" if row["move_m"] is None else formats.length(row["move_m"], 2),
            "",
        ]
        for row in points
    ]
    head = ["Point", "Chainage", "What", "What should be seen, and what to do if not", "May be moved", "Moved by"]
    paper.rows(head, rows, (22, 14, 20, 130, 18, 26), "LRLLRL")
    paper.say(
        "Fill in walk.csv and give it to `lawngis measured`: the next plan follows. Moved onto the lawn counts up, "
        "towards the edge down, where the setback holds all the same. Common practice, no source.", 8
    )  # fmt: skip


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
