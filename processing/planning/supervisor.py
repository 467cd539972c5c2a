"""Plan many parcels: in process, in worker processes or on a cluster; a bad one never stops the others."""

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

from ..draws.judgement import judged_by_draws
from ..edited.start_from import StartFrom, carried_over, record_rows, rows_out
from ..files.gpkg import RawColumns, raw_columns
from ..files.packing import packed_columns
from ..model.catalogue import said_text, sentences
from ..model.plan import Row
from ..model.site import Site
from ..model.step import Step
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings, installed_steps, step_layers
from .chosen_mower import planned_with_choice
from .fingerprints import site_fingerprint
from .interference import Reach, reach_boxes
from .limits import Limits, OverClockError, OverTimeError, limit_cache, memory_words, time_limit, time_words
from .made_from import MadeFrom, said_digests
from .mosaics import store_pieces
from .plan_rasters import plan_rasters
from .ranking import ranking_row, week_parameters
from .run_folder import NO_KEYS, Keys, Outcome, PackedResult
from .workers import POLL_S, RESUME_ADVICE, Cluster, Processes, WorkersLostError, workers_lost

CHUNK = 16
"""Most parcels of a task: enough to hide the cost of a task and of reading what is around, few enough to share evenly
and to show progress."""

ROUNDS = 8
"""Tasks for each worker at least, as far as there are parcels: so that slow tasks even out."""

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
    """Result of one parcel.

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
        It was not planned, as an earlier run's result has the same fingerprint.
    reaches
        Boxes in which another loop could disturb its loops.
    """

    parcel_id: str
    rows: Mapping[str, Sequence[Row]]
    failure: str = ""
    seconds: Mapping[str, float] = field(default_factory=dict)
    fingerprint: str = ""
    transient: bool = False
    unchanged: bool = False
    reaches: Sequence[tuple[str, float, float, float, float]] = ()

    @property
    def summary(self) -> Row:
        """Return the parcel's row of the layer `summary`."""
        return self.rows["summary"][0]


@dataclass(frozen=True)
class Job:
    """What is done with parcels.

    Parameters
    ----------
    settings
        Mower and parameters.
    limits
        For each parcel.
    known
        Fingerprints, by parcel, of which an earlier run has stored the result.
    pieces
        Folder in which each parcel's rasters are stored; None when they are not wanted.
    start_from
        Step and earlier plan to start from; None plans from the first step.
    keys
        What the plan is made from.
    """

    settings: Settings
    limits: Limits = field(default_factory=Limits)
    known: Mapping[str, str] = field(default_factory=dict)
    pieces: Path | None = None
    start_from: StartFrom | None = None
    keys: Keys = NO_KEYS

    def of(self, parcel_ids: Sequence[str]) -> Job:
        """Return the job for some parcels, without what only others need."""
        known = {name: self.known[name] for name in parcel_ids if name in self.known}
        start_from = None if self.start_from is None else self.start_from.of(parcel_ids)
        return replace(self, known=known, start_from=start_from)


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
        What is done with them.
    parcel_ids
        Parcels to plan.
    may_end_process
        This process may be ended when a parcel never returns.
    """
    job = job if isinstance(job, Job) else Job(job)
    steps = installed_steps()
    for parcel_id in parcel_ids:
        started = perf_counter()
        transient = False
        try:
            with time_limit(job.limits, may_end_process=may_end_process):
                result = _result(source, job, steps, parcel_id)
            yield result
            continue
        except LawngisError as error:
            reason = str(error)
        except OverTimeError as error:
            transient, reason = True, time_words(job.limits, by_clock=isinstance(error, OverClockError))
        except MemoryError:
            transient, reason = True, memory_words(job.limits)
        except Exception as error:  # a defect of ours must not take the other parcels with it
            reason = f"internal error, please report it: {type(error).__name__}: {error}"
        yield failed_result(source, parcel_id, reason, perf_counter() - started, transient=transient)


def _result(source: Parcels, job: Job, steps: Sequence[Step], parcel_id: str) -> ParcelResult:
    started = perf_counter()
    site = source.site(parcel_id)
    fingerprint = _fingerprint(site, job)
    read = perf_counter()
    if job.known.get(parcel_id) == fingerprint:
        return ParcelResult(parcel_id, {}, fingerprint=fingerprint, unchanged=True)
    specs = step_layers(steps)
    settings = job.settings if job.start_from is None else job.start_from.settings_of(parcel_id, job.settings)
    carried = carried_over(site, job.start_from, steps, specs, settings)
    done, settings = planned_with_choice(site, steps, settings, None if carried is None else carried.start)
    drawn_at = perf_counter()
    drawn = judged_by_draws(done.plan, site, steps, settings) if settings.draws else ""
    draws = {"draws": perf_counter() - drawn_at} if drawn else {}
    rows = rows_out(done.plan, site, carried)
    seconds = perf_counter() - started
    rows["summary"] = [{**row, "seconds": round(seconds, 3)} for row in rows["summary"]]
    own = [row for row in rows["findings"] if row["parcel_id"] is not None]
    made_from = MadeFrom(job.keys.settings, job.keys.run, fingerprint, said_digests(rows["findings"]))
    records = record_rows(site, {**rows, "findings": own}, specs, steps, settings, carried)
    told = [{"parcel_id": parcel_id, "key": "draws", "value": drawn}] if drawn else []
    rows["run_info"] = [*records, made_from.row(parcel_id), *told]
    parts = {"reading": read - started, **done.step_seconds, **draws}
    if job.pieces is not None:
        store_pieces(job.pieces, parcel_id, plan_rasters(site, done.plan, settings.mower))
        parts["rasters"] = perf_counter() - started - seconds
    reaches = reach_boxes(done.plan.rows("wire_path"), site.frame)
    return ParcelResult(parcel_id, rows, seconds=parts, fingerprint=fingerprint, reaches=reaches)


def _fingerprint(site: Site, job: Job) -> str:
    """Return the fingerprint of what the steps see: the site, and what is carried over from an earlier plan."""
    seen = site_fingerprint(site, job.settings.overrides)
    if job.start_from is None or site.parcel_id not in job.start_from.parcels:
        return seen
    return f"{seen} {job.start_from.first} {job.start_from.parcels[site.parcel_id].fingerprint}"


def failed_result(
    source: Parcels, parcel_id: str, reason: str, seconds: float, *, transient: bool = False
) -> ParcelResult:
    """Return the result of a parcel that could not be planned: its row of `summary` says why."""
    summary = {
        "parcel_id": parcel_id,
        "label": source.label(parcel_id),
        "status": "failed",
        "readiness": "failed",
        **_said("readiness_why", "readiness_values", "reason", reason),
        **_said("verdict_text", "verdict_values", "verdict", reason),
        "seconds": round(seconds, 3),
        "geometry": multipolygon(source.outline(parcel_id)),
    }
    return ParcelResult(parcel_id, {"summary": [summary]}, failure=reason, transient=transient)


def _said(text: str, values: str, kind: str, reason: str) -> dict[str, str]:
    said = [("failed", {"reason": reason})]
    return {text: sentences().sentences(kind, said), values: said_text(said)}


def multipolygon(geometry: BaseGeometry | None) -> MultiPolygon:
    """Return any geometry's polygons as one MultiPolygon, empty when there are none."""
    if geometry is None or not np.isfinite(shapely.get_coordinates(geometry)).all():
        return MultiPolygon()
    return MultiPolygon(polygon_parts(geometry))


# --- tasks -----------------------------------------------------------------------------------------------

_one_task = threading.Lock()
"""One task at a time in a process: limits and open files are the process's own, and some clusters run threads."""


def packed_results(source: Parcels, job: Job, parcel_ids: Sequence[str]) -> list[PackedResult]:
    """Plan parcels and return their results packed: the task that goes to a worker.

    A parcel with the fingerprint of an earlier run's result comes back without a block.
    """
    limit_cache()
    _freeze_loaded()
    with _one_task:
        results = parcel_results(source, job, parcel_ids=parcel_ids, may_end_process=True)
        return [finished_parcel(source, job.settings, result).packed() for result in results]


@cache
def _freeze_loaded() -> None:
    """Take what a worker has loaded by now out of garbage collection, which would traverse it for every parcel."""
    installed_steps()
    gc.collect()
    gc.freeze()


@dataclass(frozen=True)
class FinishedParcel:
    """A finished parcel in memory: its outcome, and its rows by layer, column by column; none when it is unchanged."""

    outcome: Outcome
    layers: Mapping[str, RawColumns]

    @property
    def ranking_row(self) -> Sequence[Any]:
        """Its row of the portfolio table."""
        return self.outcome.ranking_row

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
        """Return it as it is sent between processes and stored on disk."""
        return PackedResult(self.outcome, packed_columns(self.layers) if self.layers else b"")


def finished_parcel(source: Parcels, settings: Settings, result: ParcelResult) -> FinishedParcel:
    """Return a result as it goes into the plan; one that can't fails by itself, without the others of its task."""
    try:
        return _finished(source, settings, result)
    except LawngisError as error:
        failed = failed_result(source, result.parcel_id, str(error), result.summary["seconds"])
        return _finished(source, settings, failed)


def _finished(source: Parcels, settings: Settings, result: ParcelResult) -> FinishedParcel:
    outcome = Outcome(
        parcel_id=result.parcel_id,
        fingerprint=result.fingerprint,
        failure=result.failure,
        transient=result.transient,
        seconds={part: round(seconds, 4) for part, seconds in result.seconds.items()},
        status="" if result.unchanged else str(result.summary["status"]),
        ranking_row=() if result.unchanged else ranking_row(result.rows, source.crs, week_parameters(settings)),
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
    """Submits tasks, yields their results, and isolates the parcel of which a worker died.

    When a worker process dies, all tasks pending in its pool are lost. Their parcels are tried once more, each
    alone in a process of its own. One whose process dies again fails.

    Parameters
    ----------
    source
        The site.
    job
        What is done with its parcels.
    workers
        Who plans them.
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
            When no worker is left.
        """
        self._waiting.extend(groups)
        while self._waiting or self._suspects or self._running:
            self._submit_next()
            done, _ = wait(self._running, timeout=POLL_S, return_when=FIRST_COMPLETED)
            if not done:
                self._workers.check()
            for future in done:
                results = self._results_of(future, self._running.pop(future))
                if results:
                    yield results

    def _submit_next(self) -> None:
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
            workers.restart()
            future = workers.submit(packed_results, *arguments)
        self._running[future] = _Task(parcel_ids, workers.executor, alone, monotonic())

    def _results_of(self, future: Future[list[PackedResult]], task: _Task) -> list[PackedResult]:
        workers = self._workers.alone() if task.alone else self._workers
        error = CancelledByClusterError() if future.cancelled() else future.exception()
        if error is None:
            return future.result()
        if workers_lost(error):
            workers.check()
            raise WorkersLostError("the cluster gave up its tasks", advice=RESUME_ADVICE) from error
        if not workers.died(error):
            reason = str(error) if isinstance(error, LawngisError) else f"the worker failed ({error})"
            return self._failed(task.parcel_ids, reason, task)
        if task.executor is workers.executor:  # else it was restarted for another task of the same pool
            workers.restart()
        if not task.alone:
            self._suspects.extend(task.parcel_ids)
            return []
        return self._failed(task.parcel_ids, self._death_reason(monotonic() - task.started), task)

    def _death_reason(self, seconds: float) -> str:
        if seconds >= self._job.limits.clock_seconds:
            return time_words(self._job.limits, by_clock=True)
        if seconds >= self._job.limits.parcel_seconds:
            return time_words(self._job.limits)
        return (
            "the worker process ended early, and again when the parcel was tried alone: "
            "killed, crashed, or out of memory"
        )

    def _failed(self, parcel_ids: Sequence[str], reason: str, task: _Task) -> list[PackedResult]:
        seconds = monotonic() - task.started
        return [
            finished_parcel(self._source, self._job.settings, failed).packed()
            for failed in (failed_result(self._source, name, reason, seconds, transient=True) for name in parcel_ids)
        ]


class CancelledByClusterError(ConnectionError):
    """A future was cancelled by the cluster, not by this process."""
