"""Parcels of an earlier plan that a run leaves as they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame

from ..edited.earlier_plan import EarlierParcel, without_neighbours
from ..files import gpkg
from ..files.plan_reader import rows_in_frame
from ..steps.schedule import ScheduleParameters
from .interference import Reach, reach_boxes
from .ranking import ranking_row


@dataclass(frozen=True, eq=False)
class PassedThrough:
    """A parcel that a run leaves as it is in the earlier plan."""

    parcel: EarlierParcel
    ranking_row: Sequence[Any]
    reaches: Sequence[Reach]

    def columns(self) -> dict[str, gpkg.RawColumns]:
        """Return its rows by layer, column by column."""
        rows = without_neighbours(self.parcel.rows())
        return {name: gpkg.raw_columns(some, name) for name, some in rows.items() if some}

    def wires(self) -> bytes:
        """Return the rows of `wire_path` alone, packed."""
        return self.parcel.blocks["wire_path"]


def passed_through(parcel: EarlierParcel, crs: CRS, week: ScheduleParameters) -> PassedThrough:
    """Return a parcel as it goes into the new file unchanged, from its rows in a CRS; by the weeks of this run."""
    rows = parcel.rows()
    paths = rows.get("wire_path", [])
    if not paths:
        return PassedThrough(parcel, ranking_row(rows, crs, week), ())
    frame = MeasuringFrame.centred_on(paths[0]["geometry"], crs)
    return PassedThrough(parcel, ranking_row(rows, crs, week), reach_boxes(rows_in_frame(paths, frame), frame))
