"""Parcels of an earlier plan that a run leaves as they are, read from its file a few at a time."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame

from ..edited.change_record import FOUND_LATER
from ..edited.earlier_plan import EarlierPlan, with_added_columns
from ..edited.lenient_rows import LenientLayer
from ..edited.written_records import ROWS
from ..files import gpkg
from ..files.packing import packed_columns
from ..files.plan_reader import rows_in_frame
from ..model.plan import Row
from ..steps.schedule import ScheduleParameters
from .interference import Reach, reach_boxes
from .made_from import MADE_FROM, MadeFrom, said_digests
from .ranking import ranking_row

PARCELS_AT_A_TIME = 100
"""Parcels that are read together: each turn opens every layer once."""


class PassedThroughParcels:
    """Parcels of an earlier plan that a run leaves as they are.

    Parameters
    ----------
    plan
        The earlier plan.
    parcel_ids
        These parcels, in the order in which they will be asked for.
    crs
        CRS of its rows.
    week
        By which the weeks of this run are planned.
    made_from
        What parcels were made from, as far as it is to be noted anew.
    """

    def __init__(
        self,
        plan: EarlierPlan,
        parcel_ids: Sequence[str],
        crs: CRS,
        week: ScheduleParameters,
        made_from: Mapping[str, MadeFrom],
    ) -> None:
        self._file = plan.file
        self._ids = list(parcel_ids)
        self._crs = crs
        self._week = week
        self._made_from = made_from
        specs = with_added_columns(plan.file.kind.specs, plan.added_columns)
        self._readers = {
            name: LenientLayer(plan.path, specs[name], False, plan.outlines)
            for name in plan.file.layers
            if name in plan.added_columns
        }
        self._place = {name: number for number, name in enumerate(self._ids)}
        self._loaded: dict[str, dict[str, gpkg.RawColumns]] = {}
        self._of_run = dict(zip(said_digests(self._run_findings), self._run_findings, strict=True))
        self._strays = self._rows_without_parcel({} if plan.touched is None else plan.touched)
        self._wires = self._read("wire_path", self._ids)
        self.statuses = self._column("summary", "status")

    @cached_property
    def _run_findings(self) -> list[Row]:
        return self._file.of_run("findings")

    def _column(self, layer: str, name: str) -> dict[str, str]:
        table = gpkg.read_table(self._file.path, self._file.layers[layer].name, columns=["parcel_id", name])
        return dict(zip(table["parcel_id"], table[name], strict=True))

    def _rows_without_parcel(self, touched: Mapping[str, Collection[str]]) -> dict[str, dict[str, gpkg.RawColumns]]:
        """Return rows that somebody drew without naming their parcel, by layer and the parcel that they lie in."""
        names = [
            name for name in self._readers if "" in touched.get(name, [""]) and name not in ("findings", "run_info")
        ]
        return {name: self._split(name, self._file.frame(name, where="parcel_id IS NULL")) for name in names}

    def _read(self, layer: str, parcel_ids: Sequence[str]) -> dict[str, gpkg.RawColumns]:
        return self._split(layer, self._file.frame(layer, parcel_ids)) if layer in self._readers else {}

    def _split(self, layer: str, frame: pd.DataFrame) -> dict[str, gpkg.RawColumns]:
        """Return the rows of a table by parcel; nobody's under the empty name."""
        raw = gpkg.raw_of_columns(self._readers[layer].columns(frame), layer)
        return {str(name or ""): some for name, some in raw.split("parcel_id").items()}

    def _columns(self, parcel_id: str) -> dict[str, gpkg.RawColumns]:
        """Return the rows of a parcel by layer as they are in the file; those of the next parcels are read as well."""
        if parcel_id not in self._loaded:
            first = self._place[parcel_id]
            some = self._ids[first : first + PARCELS_AT_A_TIME]
            self._loaded = {name: {} for name in some}
            for layer in self._readers:
                for name, rows in self._read(layer, some).items():
                    self._loaded[name][layer] = rows
                for name, rows in self._strays.get(layer, {}).items():
                    if name in self._loaded:
                        self._loaded[name].setdefault(layer, gpkg.RawColumns()).extend(rows)
        return self._loaded[parcel_id]

    def columns(self, parcel_id: str) -> dict[str, gpkg.RawColumns]:
        """Return the rows of a parcel by layer, without what is found or noted anew each time."""
        layers = dict(self._columns(parcel_id))
        if "findings" in layers:
            layers["findings"] = layers["findings"].where(
                [step != FOUND_LATER for step in layers["findings"].values["step"]]
            )
        notes = layers.get("run_info", gpkg.RawColumns({"key": [], "value": []}))
        made_from = [
            MadeFrom.read(value)
            for key, value in zip(notes.values["key"], notes.values["value"], strict=True)
            if key == MADE_FROM
        ]
        said = (
            self._of_run.values()
            if not made_from
            else (self._of_run[some] for some in made_from[0].said if some in self._of_run)
        )
        of_run = gpkg.raw_columns(list(said), "findings")
        findings = gpkg.RawColumns()
        for some in (layers.get("findings", findings), of_run):
            findings.extend(some)
        anew = {ROWS, MADE_FROM} if parcel_id in self._made_from else {ROWS}
        info = notes.where([key not in anew for key in notes.values["key"]])
        if parcel_id in self._made_from:
            info.extend(gpkg.raw_columns([self._made_from[parcel_id].row(parcel_id)], "run_info"))
        return {**layers, "findings": findings, "run_info": info}

    def wires(self, parcel_id: str) -> bytes:
        """Return the rows of `wire_path` of a parcel alone, packed."""
        return packed_columns({"wire_path": self._wires[parcel_id]})

    def reaches(self, parcel_id: str) -> Sequence[Reach]:
        """Return the boxes in which another loop could disturb those of a parcel."""
        paths = self._wires[parcel_id].as_rows() if parcel_id in self._wires else []
        if not paths:
            return ()
        frame = MeasuringFrame.centred_on(paths[0]["geometry"], self._crs)
        return reach_boxes(rows_in_frame(paths, frame), frame)

    def ranking_row(self, parcel_id: str) -> Sequence[Any]:
        """Return the ranking row of a parcel."""
        return ranking_row(_Rows(self.columns(parcel_id)), self._crs, self._week)

    def of_nobody(self) -> dict[str, gpkg.RawColumns]:
        """Return rows by layer that lie in no parcel."""
        return {layer: rows[""] for layer, rows in self._strays.items() if "" in rows}


class _Rows(Mapping[str, Sequence[Row]]):
    """Rows by layer, made of columns when they are asked for."""

    def __init__(self, columns: Mapping[str, gpkg.RawColumns]) -> None:
        self._columns = columns

    def __getitem__(self, layer: str) -> Sequence[Row]:
        return self._columns[layer].as_rows()

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns)

    def __len__(self) -> int:
        return len(self._columns)


@dataclass(frozen=True, eq=False)
class PassedThrough:
    """A parcel that a run leaves as it is in the earlier plan."""

    parcel_id: str
    parcels: PassedThroughParcels

    def columns(self) -> dict[str, gpkg.RawColumns]:
        """Return its rows by layer, column by column."""
        return self.parcels.columns(self.parcel_id)

    def wires(self) -> bytes:
        """Return the rows of `wire_path` alone, packed."""
        return self.parcels.wires(self.parcel_id)

    @property
    def ranking_row(self) -> Sequence[Any]:
        """Its row of the portfolio table."""
        return self.parcels.ranking_row(self.parcel_id)

    @cached_property
    def reaches(self) -> Sequence[Reach]:
        """Boxes in which another loop could disturb its loops."""
        return self.parcels.reaches(self.parcel_id)
