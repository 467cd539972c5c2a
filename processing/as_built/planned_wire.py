"""Loops of a plan in their measuring frames, with what their laying is judged by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString, Point

from lawngis.arrays import FloatArray
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, line_between
from lawngis.record.islands import PlannedIsland

from ..files.plan_reader import PlanFile, rows_in_frame
from ..model.plan import Row

WIRE_LAYERS = ("wire_runs", "pegs", "joins", "edges")
"""Layers of a plan that say, beside `wire_path`, how a wire is to be laid."""


@dataclass(frozen=True, eq=False)
class PlannedWire:
    """One loop of a plan in its measuring frame, with what its laying is judged by."""

    parcel_id: str
    loop_id: str
    frame: MeasuringFrame
    xy: FloatArray
    chainage: FloatArray
    ground_ratio: float
    planned_m: float
    islands: Sequence[PlannedIsland]
    edges: Sequence[LineString]
    setback_m: FloatArray
    pegs: int
    joins: Sequence[Row]

    def middle(self, island: PlannedIsland) -> Point:
        """Return the middle of the box around an island's ring."""
        ring = line_between(self.xy, self.chainage, island.ring_from_m, island.ring_to_m)
        return Point((ring.min(axis=0) + ring.max(axis=0)) / 2)


def planned_wires(plan: PlanFile, parcel_ids: Sequence[str] | None = None) -> list[PlannedWire]:
    """Return the loops of some parcels of a plan, or of all, each in its parcel's measuring frame."""
    found = []
    for _, rows in plan.parcels(("summary", "wire_path", *WIRE_LAYERS), parcel_ids):
        if rows["wire_path"]:
            frame = MeasuringFrame.centred_on(rows["summary"][0]["geometry"], plan.crs)
            found += [_wire(path, rows, frame) for path in rows["wire_path"]]
    return found


def _wire(path: Row, rows: Mapping[str, Sequence[Row]], frame: MeasuringFrame) -> PlannedWire:
    own = {name: [row for row in rows[name] if row["loop_id"] == path["loop_id"]] for name in ("wire_runs", "joins")}
    runs = sorted(own["wire_runs"], key=lambda run: run["seq"])
    xy = shapely.get_coordinates(frame.to_frame([path["geometry"]])[0])
    xy[-1] = xy[0]
    along = chainage_m(xy)
    lengths = shapely.length(frame.to_frame([run["geometry"] for run in runs]))
    return PlannedWire(
        parcel_id=str(path["parcel_id"]),
        loop_id=str(path["loop_id"]),
        frame=frame,
        xy=xy,
        chainage=along,
        ground_ratio=float(path["length_m"]) / float(along[-1]),
        planned_m=float(path["length_m"]),
        islands=_planned_islands(runs, np.concatenate([[0.0], np.cumsum(lengths)])),
        edges=list(frame.to_frame([row["geometry"] for row in rows["edges"]])),
        setback_m=np.array([row["setback_m"] for row in rows["edges"]], dtype=np.float64),
        pegs=sum(row["loop_id"] == path["loop_id"] for row in rows["pegs"]),
        joins=rows_in_frame(own["joins"], frame),
    )


def _planned_islands(runs: Sequence[Row], ends: FloatArray) -> list[PlannedIsland]:
    islands = []
    for name in dict.fromkeys(run["island_id"] for run in runs if run["island_id"] is not None):
        leads = [place for place, run in enumerate(runs) if run["island_id"] == name]
        rings = [place for place in leads if runs[place]["run_kind"] == "island"]
        if not rings:
            continue
        first, last = ends[rings[0]], ends[rings[-1] + 1]
        islands.append(
            PlannedIsland(
                str(name), float(min(ends[leads[0]], first)), float(first), float(last), float(ends[leads[-1] + 1])
            )
        )
    return islands
