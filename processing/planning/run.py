"""One run of ``lawngis plan``: from an opened site to a plan on disk, resumable at every point."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from lawngis.errors import PlanError

from ..edited.earlier_plan import with_added_columns
from ..edited.start_from import StartFrom
from ..files.digests import sha256
from ..files.gpkg import RawColumns
from ..model.layers import PLAN_RASTERS
from ..model.plan import Row
from ..model.site_layers import SUMMED_BY
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings, installed_steps, step_layers
from .base_plan import BasePlan, stored_styles
from .fingerprints import files_fingerprint, settings_fingerprint
from .interference import neighbour_findings
from .interrupt import InterruptedRunError
from .limits import Limits, limit_cache
from .made_from import MadeFrom
from .mosaics import piece_file, write_mosaics
from .passed_through import PassedThrough, PassedThroughParcels
from .plan_writer import PlanWriter, merged, photo_under
from .progress import Log, Progress
from .ranking import Ranking, week_parameters
from .run_folder import Keys, Outcome, PackedResult, ResumedParcel, RunFolder, StoredParcel
from .supervisor import FinishedParcel, Job, Supervisor, chunks, finished_parcel, parcel_results
from .workers import Cluster, InProcess, Processes, Workers

IN_PROCESS_MAX = 12
"""Up to so many parcels one worker plans them in this process: starting another takes as long as some parcels do."""

PIECES_NAME = ".plan-rasters"
"""Folder of the parcels' rasters while the run goes on."""

FAILURES_MAX = 60
"""As many failed parcels are remembered one by one."""


@dataclass(frozen=True)
class WorkerOptions:
    """Which workers plan: processes on this machine, this one alone (0), or a cluster by its scheduler's address."""

    workers: int = 1
    scheduler: str | None = None

    def started(self, parcels: int, limits: Limits) -> Workers:
        """Return the workers for so many parcels, ready to be given tasks."""
        if self.scheduler is not None:
            return Cluster(self.scheduler)
        if self.workers == 0 or (self.workers == 1 and parcels <= IN_PROCESS_MAX) or parcels <= 1:
            return InProcess()
        return Processes(min(self.workers, parcels), limits)


@dataclass
class Outcomes:
    """Outcomes of the parcels so far: how many of each status, the failures, and how many of these are transient."""

    statuses: Counter[str] = field(default_factory=Counter)
    failures: list[tuple[str, str]] = field(default_factory=list)
    transient: int = 0

    @property
    def failed(self) -> int:
        """How many failed."""
        return self.statuses["failed"]

    def add(self, outcome: Outcome) -> None:
        """Count a parcel."""
        self.statuses[outcome.status] += 1
        self.transient += outcome.transient
        if outcome.failure and len(self.failures) < FAILURES_MAX:
            self.failures.append((outcome.parcel_id, outcome.failure))


class PlanningRun:
    """Plans parcels, stores each as soon as it is done, and writes them as one file in the end.

    Parameters
    ----------
    source
        The site.
    settings
        Mower and parameters.
    parcel_ids
        Parcels to plan, in the order of the plan.
    limits
        For each parcel.
    out
        Folder of the plan.
    base
        The earlier plan that is built on, and the step to start from.
    """

    def __init__(
        self,
        source: SiteSource,
        settings: Settings,
        parcel_ids: Sequence[str],
        limits: Limits,
        out: Path,
        base: BasePlan | None = None,
    ) -> None:
        self._source = source
        self._settings = settings
        self._parcel_ids = parcel_ids
        self._limits = limits
        self._out = out
        self._base = base
        self._done: dict[str, StoredParcel | FinishedParcel] = {}
        self._unchanged: dict[str, MadeFrom] = {}
        self._finished: Mapping[str, StoredParcel | FinishedParcel | PassedThrough] = {}
        self._of_nobody: Mapping[str, RawColumns] = {}
        self._neighbour_findings: Mapping[str, Sequence[Row]] = {}
        self._pieces: Path | None = None
        self.rasters_left_out: list[str] = []
        self.outcomes = Outcomes()
        self.ranking = Ranking(source.crs, {column: source.counts_to(column) for column in SUMMED_BY})

    def write(
        self,
        target: Path,
        workers: WorkerOptions,
        run_info: Callable[[], Iterable[Row]],
        *,
        log: Path | None = None,
        resume: bool = False,
        rasters: bool = False,
    ) -> None:
        """Plan all parcels and write the plan.

        Parameters
        ----------
        target
            File of the plan.
        workers
            Which workers plan.
        run_info
            Returns rows about the whole run; called when all parcels are planned.
        log
            File to which a line for each parcel is added.
        resume
            Resume the parcels that earlier runs into the same folder have finished, and keep those of this one.
        rasters
            Write the rasters of the plan beside it as well.

        Raises
        ------
        InterruptedRunError
            When a person breaks it off. Finished parcels stay stored.
        LawngisError
            When the disk is full or the workers are gone. Finished parcels stay stored.
        """
        limit_cache()
        if rasters:
            self._refuse_losing_rasters()
        self._pieces = self._out / PIECES_NAME if rasters else None
        writer = self._writer(target)
        folder = RunFolder(self._out, self._keys())
        complete = False
        try:
            with Log(log) as lines:
                self._plan(folder, workers, lines, resume=resume)
            if self._pieces is not None:
                written = write_mosaics(self._pieces, self._parcel_ids, self._source.dem_info, self._out)
                self.rasters_left_out = sorted(PLAN_RASTERS.keys() - {path.stem for path in written})
            writer.write(target, self._ranked(), run_info)
            complete = True
        except KeyboardInterrupt as interrupt:
            self._store_rest(folder)
            raise InterruptedRunError(len(self._done), len(self._parcel_ids)) from interrupt
        except Exception:
            self._store_rest(folder)
            raise
        finally:
            folder.close(keep=not complete)
            if self._pieces is not None and complete and not (resume or self.outcomes.transient):
                shutil.rmtree(self._pieces, ignore_errors=True)

    def _refuse_losing_rasters(self) -> None:
        """Refuse to replace rasters of all parcels by those of some."""
        there = [name for name in PLAN_RASTERS if (self._out / f"{name}.tif").exists()]
        if there and self._base is not None and self._base.others:
            raise PlanError(
                "holds the other parcels too, which would be lost",
                where=str(self._out / f"{there[0]}.tif"),
                advice="Plan all parcels with --rasters, or name another folder with --out.",
            )

    def _keys(self) -> Keys:
        settings = settings_fingerprint(self._settings, self._source.options)
        inputs = files_fingerprint(self._source.files.inputs)
        if self._base is not None and self._base.first is not None:
            settings = f"{settings} {self._base.first}"
            inputs += sha256(self._base.plan.path)
        return Keys(settings, settings + inputs)

    def _writer(self, target: Path) -> PlanWriter:
        specs, touched = step_layers(installed_steps()), set[str]()
        if self._base is not None and (self._base.others or not self._base.discard):
            specs = with_added_columns(specs, self._base.plan.added_columns)
        if self._base is not None and self._base.others:
            touched = self._base.plan.all_touched & {*self._base.others, ""}
        styles = stored_styles(target) if target.exists() else None
        return PlanWriter(specs, self._source.crs, styles, touched, photo_under(self._source, target.parent))

    def _plan(self, folder: RunFolder, options: WorkerOptions, log: Log, *, resume: bool) -> None:
        """Plan what is not finished yet, and then find what only all parcels together show."""
        candidates = self._resumed(folder, log) if resume else {}
        fingerprints = {name: candidate.outcome.fingerprint for name, candidate in candidates.items()}
        fingerprints = self._known(folder.keys) | fingerprints
        left = [name for name in self._parcel_ids if name not in self._done and name not in self._unchanged]
        workers = options.started(len(left), self._limits) if left else InProcess()
        now = True
        try:
            if left:
                self._count(self._planned(left, workers, folder, candidates, fingerprints, at_once=not resume), log)
            self._finished = self._in_order(log)
            self._neighbour_findings = neighbour_findings(
                {name: parcel.reaches for name, parcel in self._finished.items()},
                lambda name: self._finished[name].wires(),
                antenna_height_m=max(mower.antenna_height_m for mower in self._settings.mowers),
                crs=self._source.crs,
                workers=workers,
            )
            now = False
        finally:
            workers.stop(now=now)

    def _count(self, planned: Iterable[tuple[Outcome, bool]], log: Log) -> None:
        """Log, count and show outcomes as they come."""
        with Progress(len(self._parcel_ids), len(self._done) + len(self._unchanged)) as progress:
            for outcome, resumed in planned:
                log.add(outcome, resumed=resumed)
                self.outcomes.add(outcome)
                progress.add(outcome.parcel_id, outcome.status)

    def _planned(
        self,
        left: Sequence[str],
        workers: Workers,
        folder: RunFolder,
        candidates: Mapping[str, ResumedParcel],
        fingerprints: Mapping[str, str],
        *,
        at_once: bool,
    ) -> Iterator[tuple[Outcome, bool]]:
        """Plan parcels; yield the outcome of each, and whether it is one of an earlier run.

        Each is stored as soon as it is done. Where a run has a single one, no other is waited for: with `at_once` it
        stays in memory until it is written.
        """
        base, start_from = self._base, None
        if base is not None and base.first is not None:
            start_from = StartFrom(base.first, base.plan.parcels)
        job = Job(self._settings, self._limits, fingerprints, self._pieces, start_from, folder.keys)
        if isinstance(workers, InProcess):
            results_here = parcel_results(self._source, job, parcel_ids=left)
            parcels = (finished_parcel(self._source, self._settings, one) for one in results_here)
            if at_once and len(self._parcel_ids) == 1:
                for parcel in parcels:
                    if parcel.layers:
                        self._done[parcel.outcome.parcel_id] = parcel
                        yield parcel.outcome, False
                    else:
                        self._stays(parcel.outcome.parcel_id, folder.keys)
                return
            results: Iterator[Sequence[PackedResult]] = ([parcel.packed()] for parcel in parcels)
        else:
            groups = chunks(self._source, left, max(1, workers.tasks_max // 2))
            results = Supervisor(self._source, job, workers).results(groups)
        for some in results:
            yield from self._stored(folder, some, candidates)

    def _stored(
        self, folder: RunFolder, results: Sequence[PackedResult], candidates: Mapping[str, ResumedParcel]
    ) -> Iterator[tuple[Outcome, bool]]:
        """Store new results; yield each outcome, and whether it is one of an earlier run."""
        new = [result for result in results if result.block]
        places = folder.store(new) if new else []
        self._done |= {result.outcome.parcel_id: place for result, place in zip(new, places, strict=True)}
        for result in results:
            if result.block:
                yield result.outcome, False
            elif (candidate := candidates.get(result.outcome.parcel_id)) is not None:
                self._done[result.outcome.parcel_id] = candidate.stored
                yield candidate.outcome, True
            else:
                self._stays(result.outcome.parcel_id, folder.keys)

    def _known(self, keys: Keys) -> dict[str, str]:
        """Let parcels of the earlier plan stay that were made from the same; return the fingerprints of those that may.

        A plan is made of all that is in the files; a parcel only of what it sees of them, and that must be read first.
        """
        made_from = {} if self._base is None else self._base.made_from
        same = {name: made_from[name] for name in self._parcel_ids if name in made_from and name not in self._done}
        same = {name: one for name, one in same.items() if one.settings == keys.settings and self._has_pieces(name)}
        for name, one in same.items():
            if one.keys == keys:
                self._stays(name, keys)
        return {name: one.site for name, one in same.items() if name not in self._unchanged}

    def _stays(self, parcel_id: str, keys: Keys) -> None:
        """Leave a parcel as it is in the earlier plan, and note that these files would make the same of it."""
        made_from = self._base.made_from[parcel_id] if self._base is not None else MadeFrom("", "", "")
        self._unchanged[parcel_id] = replace(made_from, run=keys.run)

    def _store_rest(self, folder: RunFolder) -> None:
        """Store what is finished and in memory alone, as far as the disk takes it."""
        for name, parcel in list(self._done.items()):
            if isinstance(parcel, FinishedParcel):
                del self._done[name]
                with suppress(PlanError):
                    (self._done[name],) = folder.store([parcel.packed()])

    def _resumed(self, folder: RunFolder, log: Log) -> dict[str, ResumedParcel]:
        """Resume parcels of earlier runs with the same inputs; return those that need the same fingerprint."""
        wanted = set(self._parcel_ids)
        newest = {parcel.outcome.parcel_id: parcel for parcel in folder.resumed()}
        final = {
            name: parcel
            for name, parcel in newest.items()
            if name in wanted and not parcel.outcome.transient and self._has_pieces(name)
        }
        for name, parcel in final.items():
            if parcel.same_inputs:
                self._done[name] = parcel.stored
                log.add(parcel.outcome, resumed=True)
                self.outcomes.add(parcel.outcome)
        return {name: parcel for name, parcel in final.items() if parcel.outcome.fingerprint and name not in self._done}

    def _has_pieces(self, parcel_id: str) -> bool:
        """Return whether a parcel's rasters are there, if they are wanted; one that failed before is planned again."""
        return self._pieces is None or piece_file(self._pieces, parcel_id).exists()

    def _in_order(self, log: Log) -> dict[str, StoredParcel | FinishedParcel | PassedThrough]:
        """Return all parcels in the order of the plan."""
        in_order: dict[str, StoredParcel | FinishedParcel | PassedThrough] = dict(self._done)
        if self._base is not None:
            place = {name: number for number, name in enumerate(self._source.parcel_ids)}
            stay = sorted([*self._unchanged, *self._base.others], key=lambda name: place.get(name, len(place)))
            week = week_parameters(self._settings)
            parcels = PassedThroughParcels(self._base.plan, stay, self._source.crs, week, self._unchanged)
            for name in stay:
                in_order[name] = PassedThrough(name, parcels)
            for name in self._unchanged:
                outcome = Outcome(name, status=parcels.statuses[name])
                log.add(outcome, resumed=True)
                self.outcomes.add(outcome)
            self._of_nobody = parcels.of_nobody() if self._base.others else {}
            return dict(sorted(in_order.items(), key=lambda item: place.get(item[0], len(place))))
        return {name: in_order[name] for name in self._parcel_ids}

    def _ranked(self) -> Iterator[Mapping[str, RawColumns]]:
        """Yield the rows of all parcels, in the order of the plan, and rank them."""
        rows = merged(self._finished, self._neighbour_findings)
        for parcel, layers in zip(self._finished.values(), rows, strict=False):  # the last are of no parcel
            self.ranking.add(parcel.ranking_row)
            yield layers
        yield from rows
        yield self._of_nobody
