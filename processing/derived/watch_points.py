"""What to look at while the mower follows the wire once around, and how far the wire may be moved there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import floor

import numpy as np
import shapely
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import bends_deg, points_along
from lawngis.ground.raster import Grid, values_at
from lawngis.mower import MowerProfile

from ..model.catalogue import Catalogue, Said, Values, values_text
from ..model.plan import Row
from ..model.site import Site
from .detached_supply import lead_crossings
from .laying_order import LoopLine

MOVE_M = 0.1
"""The wire is moved by so much at a time: common practice, no source."""

CORNER_DEG = 60.0
"""A sharper corner is watched."""

CORNER_M = 0.7
"""Bends nearer to each other are one corner: a square one is cut at 45 degrees."""

STEEP_FROM_PERCENT = 5.0
"""Wire on ground that is nowhere steeper has no steepest stretch worth a look: common practice, no source."""

STEEP_STEP_M = 0.5

LOOPS_NEAR_M = 2.0
"""A neighbouring loop farther away can't be mistaken for the mower's own: common practice, no source."""

ALONG_M = 2.0
"""Wire within this length of a place is the same wire, which moves with it."""

EDGES = {"raised": "hard", "drop": "drop", "water": "water"}
"""Class of an edge to what is watched there."""


@dataclass(frozen=True, eq=False)
class WatchPoint:
    """One point to watch: what is there, what its words are made of, where, and how far the wire may be moved [m]."""

    what: str
    values: Values
    place: Point
    chainage_m: float
    value: float | None = None
    unit: str | None = None
    move_m: float | None = None

    def row(self, number: int, loop_id: str, catalogue: Catalogue) -> Row:
        """Return the row of `watch_points`."""
        return {
            "watch_id": f"{loop_id}-W{number}",
            "loop_id": loop_id,
            "chainage_m": self.chainage_m,
            "what": self.what,
            "value": self.value,
            "unit": self.unit,
            "expect": catalogue.said("watch", self.what, "expect", self.values),
            "move_m": self.move_m,
            "values": values_text(self.values),
            "geometry": self.place,
        }


@dataclass(frozen=True, eq=False)
class Watched:
    """A loop with what is looked at around it.

    Parameters
    ----------
    line
        Its wire.
    runs
        Rows of `wire_runs`, in order.
    edges
        Rows of `edges` of the zones inside it.
    others
        Wire of the parcel's other loops.
    slope_percent
        Of the ground [%].
    """

    line: LoopLine
    runs: Sequence[Row]
    edges: Sequence[Row]
    others: Sequence[LineString]
    slope_percent: Grid


def watch_points(site: Site, loop: Watched, mower: MowerProfile) -> list[WatchPoint]:
    """Return what to watch along a loop, in laying order."""
    found = [
        *_edges(loop, mower),
        *_corners(loop, mower),
        *_runs(site, loop, mower),
        *_steepest(site, loop, mower),
        *_other_loops(loop, mower),
    ]
    return sorted(found, key=lambda point: point.chainage_m)


def _edges(loop: Watched, mower: MowerProfile) -> Iterator[WatchPoint]:
    """Yield the place nearest to something hard, and those nearest to each drop and each stretch of water."""
    wire = LineString(loop.line.xy)
    nearest: list[tuple[Row, float]] = []
    for edge_class in EDGES:
        rows = [row for row in loop.edges if row["edge_class"] == edge_class]
        away = [(row, float(wire.distance(row["geometry"]))) for row in rows]
        nearest += sorted(away, key=lambda item: item[1])[:1] if edge_class == "raised" else away
    for row, away_m in nearest:
        place = Point(shapely.get_coordinates(shapely.shortest_line(wire, row["geometry"]))[0])
        at = _chainage(loop, place)
        move_m = _room_m(loop, place, at, mower)
        values = {"edge_id": row["edge_id"], "away_m": away_m, "at_m": at, "move": _move(move_m)}
        yield WatchPoint(EDGES[row["edge_class"]], values, place, at, away_m, "m", move_m)


def _corners(loop: Watched, mower: MowerProfile) -> Iterator[WatchPoint]:
    """Yield the corners that are sharper than 60 degrees, leads left out."""
    xy, chainage = loop.line.xy, loop.line.chainage_m
    bends = bends_deg(xy)
    apart = np.zeros(len(xy), dtype=np.bool_)
    for run in loop.runs:
        if run["run_kind"].startswith("lead"):
            apart |= (chainage >= run["from_m"] - 1e-6) & (chainage <= run["to_m"] + 1e-6)
    turning = np.flatnonzero((np.abs(bends) > 1.0) & ~apart)
    turning = turning[turning < len(xy) - 1]  # the loop's end is its beginning
    groups = np.split(turning, np.flatnonzero(np.diff(chainage[turning]) > CORNER_M / 2) + 1)
    for group in groups:
        within = len(group) and chainage[group[-1]] - chainage[group[0]] <= CORNER_M
        turn = float(bends[group].sum())
        if within and abs(turn) > CORNER_DEG:
            at = float((chainage[group[0]] + chainage[group[-1]]) / 2)
            place = _place(loop, at)
            move_m = _room_m(loop, place, at, mower)
            values = {"turn_deg": abs(turn), "at_m": at, "move": _move(move_m)}
            yield WatchPoint("corner", values, place, at, abs(turn), "°", move_m)


def _runs(site: Site, loop: Watched, mower: MowerProfile) -> Iterator[WatchPoint]:
    """Yield passages, leads and what the wire crosses."""
    for run in loop.runs:
        kind, at = run["run_kind"], (run["from_m"] + run["to_m"]) / 2
        length_m = run["to_m"] - run["from_m"]
        if kind == "passage":
            values = {"at_m": at, "length_m": length_m, "gap_m": mower.passage_wire_gap_m}
            yield WatchPoint("passage", values, _place(loop, at), at, length_m, "m")
        if kind == "lead_out":
            yield WatchPoint("lead", {"at_m": at, "length_m": length_m}, _place(loop, at), at, length_m, "m")
        crossed = lead_crossings(site, run["geometry"]) if kind in ("passage", "lead_out") else None
        if crossed is not None and crossed.over_m:
            over_m = sum(crossed.over_m.values())
            values = {"at_m": at, "crossed": crossed.parts}
            yield WatchPoint("crossing", values, _place(loop, at), at, over_m, "m")


def _steepest(site: Site, loop: Watched, mower: MowerProfile) -> Iterator[WatchPoint]:
    total = float(loop.line.chainage_m[-1])
    along = np.linspace(0.0, total, max(2, int(total / STEEP_STEP_M)))
    slope = values_at(loop.slope_percent, site.frame, points_along(loop.line.xy, loop.line.chainage_m, along))
    if not np.isfinite(slope).any() or np.nanmax(slope) < STEEP_FROM_PERCENT:
        return
    number = int(np.nanargmax(slope))
    at, steepest = float(along[number]), float(slope[number])
    place = _place(loop, at)
    move_m = _room_m(loop, place, at, mower)
    values = {
        "slope_percent": steepest,
        "limit_percent": mower.edge_slope_limit_percent,
        "at_m": at,
        "move": _move(move_m),
    }
    yield WatchPoint("steep", values, place, at, steepest, "%", move_m)


def _other_loops(loop: Watched, mower: MowerProfile) -> Iterator[WatchPoint]:
    wire = LineString(loop.line.xy)
    for other in loop.others:
        away_m = float(wire.distance(other))
        if away_m <= LOOPS_NEAR_M:
            place = Point(shapely.get_coordinates(shapely.shortest_line(wire, other))[0])
            at = _chainage(loop, place)
            move_m = _room_m(loop, place, at, mower)
            values = {"away_m": away_m, "at_m": at, "move": _move(move_m)}
            yield WatchPoint("neighbour_loop", values, place, at, away_m, "m", move_m)


def _room_m(loop: Watched, place: Point, at_m: float, mower: MowerProfile) -> float:
    """Return how far the wire may be moved onto the lawn at a place without coming too near to other wire [m]."""
    chainage = loop.line.chainage_m
    total = float(chainage[-1])
    apart: list[BaseGeometry] = list(loop.others)
    first, last = max(0.0, at_m + ALONG_M - total), min(total, total + at_m - ALONG_M)  # it closes on itself
    for low, high in ((first, at_m - ALONG_M), (at_m + ALONG_M, last)):
        if high - low > ALONG_M:
            apart.append(loop.line.between(low, high))
    free = min((float(place.distance(wire)) for wire in apart), default=np.inf) - mower.wire_gap_min_m
    return max(0.0, min(MOVE_M, floor(100 * free) / 100)) if np.isfinite(free) else MOVE_M


def _move(move_m: float) -> Said:
    """Return what to do with the wire where the mower comes too near, as part of a sentence."""
    return "walk-move", {"case": "room" if move_m > 0.0 else "none", "move_m": move_m}


def _place(loop: Watched, at_m: float) -> Point:
    return Point(points_along(loop.line.xy, loop.line.chainage_m, np.array([at_m]))[0])


def _chainage(loop: Watched, place: Point) -> float:
    """Return the chainage of a place on the wire [m]."""
    along: FloatArray = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(loop.line.xy, axis=0).T))])
    return float(np.interp(LineString(loop.line.xy).project(place), along, loop.line.chainage_m))
