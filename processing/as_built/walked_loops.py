"""Which loops of a plan a track is of: by the names that it gives, else the loop nearest to what was walked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cached_property

import geopandas
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from lawngis.errors import LayerError, PlanError
from lawngis.geometry.frame import MeasuringFrame

from ..files.plan_reader import PlanFile
from .planned_wire import PlannedWire, planned_wires
from .tracks import NotedPoint, TapeReading, Track, Walk

NEARBY_M = 30.0
"""A walk whose middle point is further from every loop than this belongs to another place."""

NAMES_SHOWN = 8


@dataclass(frozen=True, eq=False)
class WalkedLoop:
    """A loop of the plan and what a track has of it: the walks in its frame, readings by tape, points noted."""

    wire: PlannedWire
    walks: Sequence[Walk]
    tape: Sequence[TapeReading]
    points: Sequence[NotedPoint]


def walked_loops(plan: PlanFile, track: Track) -> list[WalkedLoop]:
    """Return the loops that a track is of, those that were walked before those measured by tape alone.

    Only the rows of their parcels are read from the plan; of the others nothing but where their wire lies.

    Raises
    ------
    PlanError
        When the plan has no wire.
    LayerError
        When the track names a loop that the plan hasn't, or lies nowhere near its wire.
    """
    paths = plan.frame("wire_path")
    if not len(paths):
        raise PlanError("has no wire", where=str(plan.path), advice="Name a plan with a loop.")
    loop_ids = [str(name) for name in paths["loop_id"]]
    _refuse_unknown(track, loop_ids)
    nearest = _NearestLoops(paths, plan.crs)
    walks = [(nearest.row(walk), walk) for walk in track.walks]
    points = [(nearest.row(point), point) for point in track.points]
    walked = sorted({row for row, _ in walks})
    taped = {loop_ids.index(item.loop_id or loop_ids[0]) for item in track.tape}
    rows = [*walked, *sorted(taped - set(walked))]
    parcel_ids = list(dict.fromkeys(str(paths["parcel_id"].iloc[row]) for row in rows))
    wires = {wire.loop_id: wire for wire in planned_wires(plan, parcel_ids)}
    return [
        WalkedLoop(
            wires[loop_ids[row]],
            [_in_frame(wires[loop_ids[row]].frame, walk) for at, walk in walks if at == row],
            [item for item in track.tape if item.loop_id in (None, loop_ids[row])],
            [point for at, point in points if at == row],
        )
        for row in rows
    ]


def _refuse_unknown(track: Track, loop_ids: Sequence[str]) -> None:
    names = [walk.loop_id for walk in track.walks] + [reading.loop_id for reading in track.tape]
    unknown = sorted({name for name in names if name} - set(loop_ids))
    if unknown:
        near = get_close_matches(unknown[0], loop_ids, n=NAMES_SHOWN, cutoff=0.0)
        raise LayerError(
            f"the track names loop {unknown[0]!r}, which the plan hasn't", advice=f"Nearest: {', '.join(near)}."
        )
    if any(item.loop_id is None for item in track.tape) and len(loop_ids) > 1:
        raise LayerError("readings by tape don't say their loop", advice="Add a column loop_id.")


class _NearestLoops:
    """Wires of a plan, asked which of them lies nearest to what was walked or noted."""

    def __init__(self, paths: geopandas.GeoDataFrame, crs: CRS) -> None:
        self._loop_ids = [str(name) for name in paths["loop_id"]]
        self._paths = paths.geometry.to_numpy()
        self._crs = crs

    @cached_property
    def _frame(self) -> MeasuringFrame:
        return MeasuringFrame.centred_on(shapely.box(*shapely.total_bounds(self._paths)), self._crs)

    @cached_property
    def _lines(self) -> NDArray[np.object_]:
        return self._frame.to_frame(self._paths)

    @cached_property
    def _boxes(self) -> shapely.STRtree:
        return shapely.STRtree(shapely.envelope(self._lines))

    def row(self, item: Walk | NotedPoint) -> int:
        """Return the place in the plan of the loop that an item names, or that its middle point is nearest to.

        A loop that half of the points are near to has a box that some point is near to: only such are measured.
        """
        if isinstance(item, Walk) and item.loop_id:
            return self._loop_ids.index(item.loop_id)
        xy = item.xy if isinstance(item, Walk) else shapely.get_coordinates(item.place)
        points = np.asarray(shapely.points(self._frame.coordinates_from(item.crs or self._crs, xy)))
        rows = np.unique(self._boxes.query(points, predicate="dwithin", distance=NEARBY_M)[1])
        if not len(rows):
            rows = np.unique(self._boxes.query_nearest(shapely.multipoints(points)))
        away = [float(np.median(shapely.distance(points, self._lines[row]))) for row in rows]
        best = int(np.argmin(away))
        if not away[best] <= NEARBY_M:
            raise LayerError(
                f"the track lies {away[best]:.0f} m from the nearest loop, {self._loop_ids[rows[best]]}",
                advice="Check the track's CRS, and whether it is this plan's.",
            )
        return int(rows[best])


def _in_frame(frame: MeasuringFrame, walk: Walk) -> Walk:
    return replace(walk, xy=frame.coordinates_from(walk.crs or frame.source, walk.xy), crs=None)
