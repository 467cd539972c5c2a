"""Write ``plan.gpkg`` from the rows of all parcels, whole or not at all, and refuse to lose edits in an earlier one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pyproj import CRS

from lawngis.errors import LawngisError, PlanError

from ..edited.change_record import LayerEdit
from ..edited.earlier_plan import EarlierParcel, EarlierPlan, earlier_plan, is_plan, without_neighbours
from ..files import gpkg
from ..model.contract import Layer
from ..model.plan import Row
from ..model.step import Step
from ..steps.workflow import OPEN_LAYERS, steps_before
from .interference import Reach, reach_boxes
from .ranking import ranking_row

BATCH_ROWS = 20_000
"""A layer's rows are written when there are this many: each turn costs about as much as writing a thousand."""

WAITING_ROWS_MAX = 50_000
"""Rows of all layers that may wait in memory."""

RECORDS_MAX = 1_000
"""Parcels' rows of `run_info` that wait for those of the whole run, which come first if they can: each is long."""

EDITS_SHOWN = 4
"""As many edits are named before the rest is only counted."""


@dataclass(frozen=True, eq=False)
class PlanWriter:
    """How the file is written: its layers, its CRS, and what is carried over from an earlier one.

    Parameters
    ----------
    specs
        Declarations of all layers, with columns that a person added.
    crs
        CRS of the rows.
    carried
        Files and layers in them that a person added to the earlier plan.
    """

    specs: Mapping[str, Layer]
    crs: CRS
    carried: Sequence[tuple[Path, str]] = field(default=())

    def write(
        self, path: Path, results: Iterable[Mapping[str, gpkg.RawColumns]], run_info: Callable[[], Iterable[Row]]
    ) -> None:
        """Write the rows of all parcels, some parcels at a time.

        Parameters
        ----------
        path
            Target.
        results
            Rows by layer of each parcel.
        run_info
            Returns rows about the whole run; called when all parcels are written.

        Raises
        ------
        PlanError
            When it can't be written; what was there before is then untouched.
        """
        gpkg.write_plan_batches(
            path,
            self._batches(results, run_info),
            tuple(self.specs.values()),
            crs=self.crs,
            carried=self.carried,
        )

    def _batches(
        self, results: Iterable[Mapping[str, gpkg.RawColumns]], run_info: Callable[[], Iterable[Row]]
    ) -> Iterator[dict[str, gpkg.Columns]]:
        """Yield rows by layer: a layer when there are enough of its rows, all when too many wait."""
        waiting: dict[str, gpkg.RawColumns] = {}
        of_parcels = gpkg.RawColumns()
        for result in results:
            for name, rows in result.items():
                (of_parcels if name == "run_info" else waiting.setdefault(name, gpkg.RawColumns())).extend(rows)
            enough = BATCH_ROWS if sum(map(len, waiting.values())) < WAITING_ROWS_MAX else 1
            many = {name: waiting.pop(name) for name, rows in tuple(waiting.items()) if len(rows) >= enough}
            if len(of_parcels) >= RECORDS_MAX:
                many["run_info"], of_parcels = of_parcels, gpkg.RawColumns()
            if many:
                yield self._columns(many)
        of_run = gpkg.raw_columns(list(run_info()), "run_info")
        of_run.extend(of_parcels)
        yield self._columns({**waiting, "run_info": of_run})

    def _columns(self, layers: Mapping[str, gpkg.RawColumns]) -> dict[str, gpkg.Columns]:
        return {name: gpkg.declared_columns(rows, self.specs[name]) for name, rows in layers.items() if len(rows)}


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


def passed_through(parcel: EarlierParcel, frame_of: Callable[[Sequence[Row]], Sequence[Reach]]) -> PassedThrough:
    """Return a parcel as it goes into the new file unchanged."""
    rows = parcel.rows()
    paths = rows.get("wire_path", [])
    return PassedThrough(parcel, ranking_row(rows), frame_of(paths) if paths else ())


def reaches_in(crs: CRS) -> Callable[[Sequence[Row]], Sequence[Reach]]:
    """Return what gives the boxes in which a loop could disturb others, for rows of `wire_path` in a CRS."""
    from lawngis.geometry.frame import MeasuringFrame

    def boxes(paths: Sequence[Row]) -> Sequence[Reach]:
        frame = MeasuringFrame.centred_on(paths[0]["geometry"], crs)
        moved = frame.to_frame([row["geometry"] for row in paths])
        return reach_boxes([{**row, "geometry": shape} for row, shape in zip(paths, moved, strict=True)], frame)

    return boxes


def edited_plan(path: Path, specs: Mapping[str, Layer]) -> EarlierPlan | None:
    """Return what a person edited in a plan; None when there is no plan, or it can't be read and so not be edited."""
    try:
        return earlier_plan(path, specs) if is_plan(path) else None
    except LawngisError:
        return None


def refuse_losing_edits(earlier: EarlierPlan, steps: Sequence[Step], first: str | None) -> None:
    """Refuse to overwrite what a person edited.

    Parameters
    ----------
    earlier
        The plan that would be overwritten.
    steps
        All steps, in order.
    first
        First step that writes anew; None when all do.

    Raises
    ------
    PlanError
        Naming what would be lost, and what to do.
    """
    carried = [] if first is None else [name for step in steps_before(steps, first) for name in step.writes]
    written = [name for step in steps for name in step.writes if name not in carried]
    layers = [*written, *(sorted(OPEN_LAYERS) if first is None else ())]
    lost = list(earlier.edits(layers))
    added = () if first is not None else earlier.added_layers
    if not lost and not added:
        return
    words = [edit.words(parcel_id) for parcel_id, edit in lost[:EDITS_SHOWN]]
    words += [f"layer {name} added" for name in added[:EDITS_SHOWN]]
    more = len(lost) + len(added) - len(words)
    named = "; ".join(words) + (f" and {more} more" if more else "")
    raise PlanError(
        f"was edited since it was written, and that would be lost: {named}",
        where=str(earlier.path),
        advice=_advice(steps, [edit for _, edit in earlier.edits([n for s in steps for n in s.writes])]),
    )


def _advice(steps: Sequence[Step], edits: Sequence[LayerEdit]) -> str:
    """Return which step to start from so that nothing is lost."""
    edited = {edit.layer for edit in edits}
    writers = [place for place, step in enumerate(steps) if edited & set(step.writes)]
    after = writers[-1] + 1 if writers else 0
    build = f"Build on it with --from {steps[after].id}, or overwrite" if after < len(steps) else "Overwrite"
    return f"{build} it with --discard-edits."
