"""Interference of loops on neighbouring parcels: compared when all parcels are planned."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache, cached_property
from itertools import chain

import numpy as np
import shapely
from pyproj import CRS
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame
from lawngis.wire.circuit import interference_share

from ..derived.loops import SIDE_BY_SIDE_M
from ..files.packing import unpacked_rows
from ..model.plan import Finding, Row
from .workers import InProcess, Workers, results_of, workers_lost

INSIDE_M = 0.3
"""How far inside a loop's wire the neighbour's field is compared with its own; ours, no source."""

BESIDE_M = 0.2
"""Wire is compared where it is at most so much farther from the neighbour's than at the nearest; ours, no source."""

SAMPLE_EVERY_M = 1.0
PLACES_MAX = 200
"""Distance between the places where the fields are compared, and their number at most."""

IN_PROCESS = InProcess()

PAIRS_EACH = 100
"""Pairs of loops that one task looks at."""

Reach = tuple[str, float, float, float, float]
Pair = tuple[tuple[str, str], tuple[str, str]]
"""Parcel and loop of each of two loops."""


def reach_boxes(paths: Sequence[Row], frame: MeasuringFrame) -> list[Reach]:
    """Return name and box of each loop: two loops closer than :data:`SIDE_BY_SIDE_M` have boxes that touch.

    Parameters
    ----------
    paths
        Rows of `wire_path`, in the frame.
    frame
        The measuring frame; boxes are in its source CRS.
    """
    boxes: list[Reach] = []
    for row in paths:
        around = shapely.box(*row["geometry"].bounds).buffer(SIDE_BY_SIDE_M / 2, join_style="mitre")
        boxes.append((row["loop_id"], *frame.to_source([around])[0].bounds))
    return boxes


class _ParcelLoop:
    """A laid loop, in a measuring frame of its own."""

    def __init__(self, parcel_id: str, loop_id: str, line: BaseGeometry, crs: CRS) -> None:
        self.parcel_id = parcel_id
        self.loop_id = loop_id
        self.source_line = line
        self.frame = MeasuringFrame.centred_on(line, crs)
        self.line = self.moved(line)

    def moved(self, line: BaseGeometry) -> BaseGeometry:
        """Return a line of the source CRS in the frame."""
        moved: BaseGeometry = self.frame.to_frame(np.array([line], dtype=object))[0]
        return moved

    @cached_property
    def inside(self) -> BaseGeometry:
        """The line :data:`INSIDE_M` inside the wire, along which the fields are compared."""
        inside = shapely.boundary(shapely.buffer(Polygon(self.line.coords).buffer(0), -INSIDE_M))
        shapely.prepare(inside)
        return inside


def neighbour_findings(
    reaches: Mapping[str, Sequence[Reach]],
    wires_of: Callable[[str], bytes],
    *,
    antenna_height_m: float,
    crs: CRS,
    workers: Workers = IN_PROCESS,
) -> dict[str, list[Row]]:
    """Return rows of `findings`, without their names, by parcel: which loops of other parcels come close, and where.

    Parameters
    ----------
    reaches
        Boxes of loops by parcel, see :func:`reach_boxes`.
    wires_of
        Returns the rows of `wire_path` of a parcel, packed.
    antenna_height_m
        Height of the mower's antenna [m].
    crs
        CRS of boxes and rows.
    workers
        Who compares pairs of loops; this process when they die over it.
    """
    pairs = list(_close_boxes(reaches))

    def findings_by(some: Workers) -> list[tuple[str, Row]]:
        tasks = ((group, _wires(group, wires_of), antenna_height_m, crs) for group in _groups(pairs))
        return list(chain.from_iterable(results_of(some, pair_findings, tasks)))

    try:
        rows = findings_by(workers)
    except Exception as error:
        if not (workers_lost(error) or workers.died(error)):
            raise
        rows = findings_by(IN_PROCESS)
    by_parcel: dict[str, list[Row]] = {}
    for parcel_id, row in rows:
        by_parcel.setdefault(parcel_id, []).append(row)
    return by_parcel


def pair_findings(
    pairs: Sequence[Pair], wires: Mapping[str, bytes], antenna_height_m: float, crs: CRS
) -> list[tuple[str, Row]]:
    """Return findings, each with the parcel that it is for, of some pairs of loops: a task for a worker."""

    @cache
    def loops(parcel_id: str) -> dict[str, _ParcelLoop]:
        rows = unpacked_rows(wires[parcel_id])["wire_path"]
        return {row["loop_id"]: _ParcelLoop(parcel_id, row["loop_id"], row["geometry"], crs) for row in rows}

    return [
        finding
        for (parcel_a, loop_a), (parcel_b, loop_b) in pairs
        for finding in _findings(loops(parcel_a)[loop_a], loops(parcel_b)[loop_b], antenna_height_m)
    ]


def _groups(pairs: Sequence[Pair]) -> Iterator[Sequence[Pair]]:
    return (pairs[first : first + PAIRS_EACH] for first in range(0, len(pairs), PAIRS_EACH))


def _wires(pairs: Sequence[Pair], wires_of: Callable[[str], bytes]) -> dict[str, bytes]:
    parcels = dict.fromkeys(parcel_id for pair in pairs for parcel_id, _ in pair)
    return {parcel_id: wires_of(parcel_id) for parcel_id in parcels}


def _close_boxes(reaches: Mapping[str, Sequence[Reach]]) -> Iterator[Pair]:
    """Yield pairs of loops of different parcels whose boxes touch, in the order of the parcels."""
    names = [(parcel_id, reach[0]) for parcel_id, some in reaches.items() for reach in some]
    if not names:
        return
    corners = np.array([reach[1:] for some in reaches.values() for reach in some])
    boxes = shapely.box(*corners.T)
    first, second = shapely.STRtree(boxes).query(boxes, predicate="intersects")
    for one, other in sorted(zip(first.tolist(), second.tolist(), strict=True)):
        if one < other and names[one][0] != names[other][0]:
            yield names[one], names[other]


def _findings(one: _ParcelLoop, other: _ParcelLoop, antenna_height_m: float) -> Iterator[tuple[str, Row]]:
    line = one.moved(other.source_line)
    gap_m = float(shapely.distance(one.line, line))
    if gap_m >= SIDE_BY_SIDE_M:
        return
    nearest = shapely.get_point(shapely.shortest_line(one.line, line), [0, 1])
    places = one.frame.to_source(nearest)
    lines = (line, other.moved(one.source_line))
    for loop, neighbour, its, place in zip((one, other), (other, one), lines, places, strict=True):
        share = _share(loop, its, gap_m, antenna_height_m)
        neighbours = {"neighbour_loop_id": neighbour.loop_id, "neighbour_parcel_id": neighbour.parcel_id}
        values = {"loop_id": loop.loop_id, "gap_m": gap_m, **neighbours}
        if share:
            values |= {"case": "inside", "inside_m": INSIDE_M, "share_percent": 100 * share}
        finding = Finding("caution", "neighbour-loop", values, place)
        yield loop.parcel_id, {"parcel_id": loop.parcel_id, **finding.row(), "step": "neighbours"}


def _share(loop: _ParcelLoop, other: BaseGeometry, gap_m: float, antenna_height_m: float) -> float | None:
    """Return the largest share of the own field that the neighbour's reaches inside the own wire, where they are close.

    At a corner of the loop two wires add to its own field, so the nearest place alone, often a corner, is too mild.

    Parameters
    ----------
    loop
        Own loop.
    other
        The neighbour's line, in the own loop's frame.
    gap_m
        Distance of the two [m].
    antenna_height_m
        Height of the mower's antenna [m].
    """
    near_m = gap_m + INSIDE_M + BESIDE_M
    within = np.array(loop.line.bounds) + 2 * near_m * np.array([-1, -1, 1, 1])
    close = shapely.buffer(shapely.clip_by_rect(other, *within), near_m)
    places = shapely.get_coordinates(shapely.segmentize(shapely.intersection(loop.inside, close), SAMPLE_EVERY_M))
    if not len(places):
        return None
    places = places[:: -(-len(places) // PLACES_MAX)]
    coordinates = [shapely.get_coordinates(line) for line in (loop.line, other)]
    share = interference_share(coordinates[0], [coordinates[1]], places, height_m=antenna_height_m)
    return float(share.max())
