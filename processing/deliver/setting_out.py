"""What a crew measures from: corners of buildings, the two tapes that meet best, and the pegs at bends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from string import ascii_uppercase

import numpy as np
import shapely
from shapely import Point
from shapely.geometry.base import BaseGeometry

from ..model.plan import Row
from .reading import ParcelPlan

CORNER_APART_M = 1.0
NEAR_WIRE_M = 20.0
BEND_APART_M = 2.0
WALL_TOLERANCE_M = 0.05


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
            near = place.within(own) and place.distance(wire) < NEAR_WIRE_M
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


def _in_reach(place: Point, fixed: Sequence[FixedPoint], walls: Sequence[BaseGeometry]) -> list[FixedPoint]:
    if not fixed:
        return []
    tapes = shapely.linestrings([[[point.x, point.y], [place.x, place.y]] for point in fixed])
    within = shapely.union_all([shapely.buffer(wall, -WALL_TOLERANCE_M) for wall in walls])
    return [point for point, barred in zip(fixed, shapely.intersects(tapes, within), strict=True) if not barred]


def bend_pegs(plan: ParcelPlan) -> list[Row]:
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
