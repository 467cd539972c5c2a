"""Plan many parcels: in this process, in worker processes or on a cluster; a bad one never stops the others."""

from __future__ import annotations

import gc
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from time import monotonic, perf_counter
from typing import Any, Protocol

import numpy as np
import shapely
from pyproj import CRS
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LawngisError
from lawngis.geometry.polygons import polygon_parts

from ..edited.start_from import Beginning, record_rows, rows_out, taken
from ..files.gpkg import RawColumns, raw_columns
from ..files.packing import packed_columns
from ..model.plan import Row
from ..model.site import Site
from ..model.step import Step
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings, installed_steps, planned, step_layers
from .fingerprints import site_fingerprint
from .interference import Reach, reach_boxes
from .limits import Limits, OverTimeError, limit_cache, memory_words, time_limit
from .mosaics import keep_pieces
from .plan_rasters import plan_rasters
from .ranking import standing
from .run_folder import Outcome, PackedResult
from .workers import GO_ON, LOOK_S, Cluster, Processes, WorkforceLostError, lost

CHUNK = 16
"""Most parcels that a worker takes at a time, and half as many times at least it comes back for more: enough to hide
the cost of a task and of reading what is around, few enough to share evenly and to show how far it is."""

ROUNDS = 8

CHUNK_LAST = 4
"""Most parcels of a task among the last, of which there is a larger one less for each worker: so that none is still at
a large one when the others have nothing left to do."""


class Parcels(Protocol):
    """Where parcels are read from: a whole site, or a part of it."""

    @property
    def crs(self) -> CRS:
        """CRS of the outlines."""

    def site(self, parcel_id: str) -> Site:
        """Return one parcel with what lies around it."""

    def outline(self, parcel_id: str) -> BaseGeometry | None:
        """Return its outline as the file has it."""

    def label(self, parcel_id: str) -> str:
        """Return what people call it."""


@dataclass(frozen=True)
class ParcelResult:
    """What came of one parcel.

    Parameters
    ----------
    parcel_id
        Parcel.
    rows
        By layer, in the CRS of the parcels.
    failure
        Why it could not be planned; empty when it could.
    seconds
        Taken by each part.
    fingerprint
        Of what the steps saw; empty when it could not be read.
    passing
        The failure may not come again.
    unchanged
        It was not planned, as it is known already what comes of it.
    reaches
        Boxes in which another loop could disturb its loops.
    """

    parcel_id: str
    rows: Mapping[str, Sequence[Row]]
    failure: str = ""
    seconds: Mapping[str, float] = field(default_factory=dict)
    fingerprint: str = ""
    passing: bool = False
    unchanged: bool = False
    reaches: Sequence[Reach] = ()

    @property
    def summary(self) -> Row:
        """Return the parcel's row of the layer `summary`."""
        return self.rows["summary"][0]


@dataclass(frozen=True)
class Job:
    """What is to be done with parcels.

    Parameters
    ----------
    settings
        Mower and parameters.
    limits
        For each parcel.
    known
        Fingerprints, by parcel, of which it is known already what comes of them.
    pieces
        Folder in which each parcel leaves its rasters; None when they are not wanted.
    beginning
        Where to begin, when not at the start.
    """

    settings: Settings
    limits: Limits = field(default_factory=Limits)
    known: Mapping[str, str] = field(default_factory=dict)
    pieces: Path | None = None
    beginning: Beginning | None = None

    def of(self, parcel_ids: Sequence[str]) -> Job:
        """Return the job for some parcels, without what only others need."""
        known = {name: self.known[name] for name in parcel_ids if name in self.known}
        beginning = None if self.beginning is None else self.beginning.of(parcel_ids)
        return replace(self, known=known, beginning=beginning)


# --- one parcel after another ----------------------------------------------------------------------------


def parcel_results(
    source: Parcels, job: Job | Settings, *, parcel_ids: Sequence[str], may_end_process: bool = False
) -> Iterator[ParcelResult]:
    """Plan parcels in this process and yield each as it is done.

    Parameters
    ----------
    source
        Where they are read from.
    job
        What is to be done with them.
    parcel_ids
        Parcels to plan.
    may_end_process
        This process may be ended when a parcel hangs for good.
    """
    job = job if isinstance(job, Job) else Job(job)
    steps = installed_steps()
    for parcel_id in parcel_ids:
        started = perf_counter()
        passing = False
        try:
            with time_limit(job.limits, may_end_process=may_end_process):
                result = _result(source, job, steps, parcel_id)
            yield result
            continue
        except LawngisError as error:
            reason = str(error)
        except OverTimeError:
            passing, reason = True, f"it takes longer than the limit of {job.limits.parcel_seconds:g} seconds"
        except MemoryError:
            passing, reason = True, memory_words(job.limits)
        except Exception as error:  # a defect of ours must not take the other parcels with it
            reason = f"internal error, please report it: {type(error).__name__}: {error}"
        yield failed(source, parcel_id, reason, perf_counter() - started, passing=passing)


def _result(source: Parcels, job: Job, steps: Sequence[Step], parcel_id: str) -> ParcelResult:
    started = perf_counter()
    site = source.site(parcel_id)
    fingerprint = _fingerprint(site, job.beginning)
    read = perf_counter()
    if job.known.get(parcel_id) == fingerprint:
        return ParcelResult(parcel_id, {}, fingerprint=fingerprint, unchanged=True)
    specs = step_layers(steps)
    begun = taken(site, job.beginning, steps, specs, job.settings.mower)
    done = planned(site, steps, job.settings, None if begun is None else begun.start)
    rows = rows_out(done.plan, site, begun)
    seconds = perf_counter() - started
    rows["summary"] = [{**row, "seconds": round(seconds, 3)} for row in rows["summary"]]
    rows["run_info"] = record_rows(site, rows, specs, job.settings, begun)
    parts = {"reading": read - started, **done.step_seconds}
    if job.pieces is not None:
        keep_pieces(job.pieces, parcel_id, plan_rasters(site, done.plan, job.settings.mower))
        parts["rasters"] = perf_counter() - started - seconds
    reaches = reach_boxes(done.plan.rows("wire_path"), site.frame)
    return ParcelResult(parcel_id, rows, seconds=parts, fingerprint=fingerprint, reaches=reaches)


def _fingerprint(site: Site, beginning: Beginning | None) -> str:
    """Return the fingerprint of what the steps see: the site, and what is taken over from an earlier plan."""
    if beginning is None or site.parcel_id not in beginning.parcels:
        return site_fingerprint(site)
    return f"{site_fingerprint(site)} {beginning.first} {beginning.parcels[site.parcel_id].fingerprint}"


def failed(source: Parcels, parcel_id: str, reason: str, seconds: float, *, passing: bool = False) -> ParcelResult:
    """Return the result of a parcel that could not be planned: its row of `summary` says why."""
    summary = {
        "parcel_id": parcel_id,
        "label": source.label(parcel_id),
        "status": "failed",
        "verdict_text": f"Not planned: {reason}",
        "seconds": round(seconds, 3),
        "geometry": multipolygon(source.outline(parcel_id)),
    }
    return ParcelResult(parcel_id, {"summary": [summary]}, failure=reason, passing=passing)


def multipolygon(geometry: BaseGeometry | None) -> MultiPolygon:
    """Return any geometry's polygons as one MultiPolygon, empty when there are none."""
    if geometry is None or not np.isfinite(shapely.get_coordinates(geometry)).all():
        return MultiPolygon()
    return MultiPolygon(polygon_parts(geometry))


# --- tasks -----------------------------------------------------------------------------------------------

_turn = threading.Lock()
"""One task at a time in a process: limits and open files are the process's own, and some clusters run threads."""


def packed_results(source: Parcels, job: Job, parcel_ids: Sequence[str]) -> list[PackedResult]:
    """Plan parcels and return their results packed: the task that goes to a worker.

    A parcel that is known already comes back without a block.
    """
    limit_cache()
    _settle()
    with _turn:
        results = parcel_results(source, job, parcel_ids=parcel_ids, may_end_process=True)
        return [finished(source, result).packed() for result in results]


@cache
def _settle() -> None:
    """Take what a worker has loaded by now out of garbage collection, which would look through it for every parcel."""
    installed_steps()
    gc.collect()
    gc.freeze()


@dataclass(frozen=True)
class FinishedParcel:
    """A finished parcel in memory: what came of it, and its rows by layer, column by column; none when unchanged."""

    outcome: Outcome
    layers: Mapping[str, RawColumns]

    @property
    def standing(self) -> Sequence[Any]:
        """What the portfolio table says of it."""
        return self.outcome.standing

    @property
    def reaches(self) -> Sequence[Reach]:
        """Boxes in which another loop could disturb its loops."""
        return self.outcome.reaches

    def columns(self) -> dict[str, RawColumns]:
        """Return its rows by layer, column by column."""
        return dict(self.layers)

    def wires(self) -> bytes:
        """Return the rows of `wire_path` alone, packed."""
        return packed_columns({"wire_path": self.layers["wire_path"]})

    def packed(self) -> PackedResult:
        """Return it as it goes from process to process, and to disk."""
        return PackedResult(self.outcome, packed_columns(self.layers) if self.layers else b"")


def finished(source: Parcels, result: ParcelResult) -> FinishedParcel:
    """Return a result as it goes into the plan.

    One that can't be is a failure of its own, and none of its neighbours in the task.
    """
    try:
        return _finished(result)
    except LawngisError as error:
        return _finished(failed(source, result.parcel_id, str(error), result.summary["seconds"]))


def _finished(result: ParcelResult) -> FinishedParcel:
    outcome = Outcome(
        parcel_id=result.parcel_id,
        fingerprint=result.fingerprint,
        failure=result.failure,
        passing=result.passing,
        seconds={part: round(seconds, 4) for part, seconds in result.seconds.items()},
        status="" if result.unchanged else str(result.summary["status"]),
        standing=() if result.unchanged else standing(result.rows),
        reaches=result.reaches,
    )
    return FinishedParcel(outcome, {name: raw_columns(rows, name) for name, rows in result.rows.items() if rows})


def chunks(source: SiteSource, parcel_ids: Sequence[str], workers: int) -> list[list[str]]:
    """Return parcels in groups, each for one task, of parcels that lie near one another; small ones in the end."""
    groups = source.chunks(parcel_ids, min(CHUNK, max(1, len(parcel_ids) // (ROUNDS * workers))))
    first_small = max(0, len(groups) - workers)
    small = (group[at : at + CHUNK_LAST] for group in groups[first_small:] for at in range(0, len(group), CHUNK_LAST))
    return [*groups[:first_small], *small]


@dataclass(frozen=True)
class _Task:
    parcel_ids: Sequence[str]
    executor: Executor
    alone: bool
    started: float


class Supervisor:
    """Gives tasks out, gathers what comes back, and finds out which parcel a worker died of.

    When a worker process dies, all that its pool had under way is lost. These parcels are tried once more, each
    alone in a process of its own. One that dies again there has only itself to blame, and fails.

    Parameters
    ----------
    source
        The site.
    job
        What is to be done.
    workers
        Who does it.
    """

    def __init__(self, source: SiteSource, job: Job, workers: Processes | Cluster) -> None:
        self._source = source
        self._job = job
        self._workers = workers
        self._waiting: deque[Sequence[str]] = deque()
        self._suspects: deque[str] = deque()
        self._running: dict[Future[list[PackedResult]], _Task] = {}

    def results(self, groups: Iterable[Sequence[str]]) -> Iterator[list[PackedResult]]:
        """Yield the results of groups of parcels, as they come.

        Raises
        ------
        WorkforceLostError
            When nobody is left to do the work.
        """
        self._waiting.extend(groups)
        while self._waiting or self._suspects or self._running:
            self._give_out()
            done, _ = wait(self._running, timeout=LOOK_S, return_when=FIRST_COMPLETED)
            if not done:
                self._workers.check()
            for future in done:
                found = self._outcome(future, self._running.pop(future))
                if found:
                    yield found

    def _give_out(self) -> None:
        alone = sum(task.alone for task in self._running.values())
        while self._suspects and alone < self._workers.alone().tasks_max:
            self._submit([self._suspects.popleft()], alone=True)
            alone += 1
        while self._waiting and len(self._running) - alone < self._workers.tasks_max:
            self._submit(self._waiting.popleft(), alone=False)

    def _submit(self, parcel_ids: Sequence[str], *, alone: bool) -> None:
        workers = self._workers.alone() if alone else self._workers
        arguments = (self._source.part(parcel_ids), self._job.of(parcel_ids), list(parcel_ids))
        try:
            future = workers.submit(packed_results, *arguments)
        except Exception as error:
            if not workers.died(error):
                raise
            workers.renewed()
            future = workers.submit(packed_results, *arguments)
        self._running[future] = _Task(parcel_ids, workers.executor, alone, monotonic())

    def _outcome(self, future: Future[list[PackedResult]], task: _Task) -> list[PackedResult]:
        workers = self._workers.alone() if task.alone else self._workers
        error = CancelledByClusterError() if future.cancelled() else future.exception()
        if error is None:
            return future.result()
        if lost(error):
            workers.check()
            raise WorkforceLostError("the cluster gave up its tasks", advice=GO_ON) from error
        if not workers.died(error):
            reason = str(error) if isinstance(error, LawngisError) else f"the worker failed ({error})"
            return self._failed(task.parcel_ids, reason, task)
        if task.executor is workers.executor:  # else another task has told of this death before
            workers.renewed()
        if not task.alone:
            self._suspects.extend(task.parcel_ids)
            return []
        return self._failed(task.parcel_ids, self._death_words(monotonic() - task.started), task)

    def _death_words(self, seconds: float) -> str:
        if seconds >= self._job.limits.parcel_seconds:
            return f"it takes longer than the limit of {self._job.limits.parcel_seconds:g} seconds"
        return (
            "the worker process ended early, and again when the parcel was tried alone: "
            "killed, crashed, or out of memory"
        )

    def _failed(self, parcel_ids: Sequence[str], reason: str, task: _Task) -> list[PackedResult]:
        seconds = monotonic() - task.started
        return [
            finished(self._source, failed(self._source, name, reason, seconds, passing=True)).packed()
            for name in parcel_ids
        ]


class CancelledByClusterError(ConnectionError):
    """A future was given up, which nobody here asked for."""
