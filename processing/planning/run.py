"""One run of ``lawngis plan``: from an opened site to a plan on disk, with nothing lost on the way."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from lawngis.errors import PlanError

from ..edited.earlier_plan import EarlierPlan, with_added_columns
from ..edited.start_from import Beginning
from ..files.digests import sha256
from ..files.gpkg import RawColumns
from ..model.plan import Row
from ..reading.site_source import SiteSource
from ..steps.workflow import Settings, installed_steps, step_layers
from .fingerprints import files_fingerprint, settings_fingerprint
from .interference import neighbour_findings
from .interrupt import InterruptedRunError
from .limits import Limits, limit_cache
from .mosaics import piece_file, write_mosaics
from .passed_through import PassedThrough, passed_through
from .plan_writer import PlanWriter, merged
from .progress import Log, Progress
from .ranking import Ranking
from .run_folder import Keys, Outcome, PackedResult, ResumedParcel, RunFolder, StoredParcel
from .supervisor import FinishedParcel, Job, Supervisor, chunks, finished, parcel_results
from .workers import Cluster, InProcess, Processes, Workforce

IN_PROCESS_MAX = 12
"""Up to so many parcels one worker plans them in this process: starting another takes as long as some parcels do."""

PIECES_NAME = ".plan-rasters"
"""Folder of the parcels' rasters while the run goes on."""

FAILURES_MAX = 60
"""As many failed parcels are remembered one by one."""


@dataclass(frozen=True)
class Workers:
    """Who is to do the work: processes on this machine, or a cluster by the address of its scheduler."""

    count: int = 1
    scheduler: str | None = None

    def ready(self, parcels: int, limits: Limits) -> Workforce:
        """Return them, ready to work."""
        if self.scheduler is not None:
            return Cluster(self.scheduler)
        if (self.count == 1 and parcels <= IN_PROCESS_MAX) or parcels <= 1:
            return InProcess()
        return Processes(min(self.count, parcels), limits)


@dataclass
class Outcomes:
    """What came of the parcels so far."""

    statuses: Counter[str] = field(default_factory=Counter)
    failures: list[tuple[str, str]] = field(default_factory=list)
    passing: int = 0

    @property
    def failed(self) -> int:
        """How many failed."""
        return self.statuses["failed"]

    def add(self, outcome: Outcome) -> None:
        """Take in a parcel."""
        self.statuses[outcome.status] += 1
        self.passing += outcome.passing
        if outcome.failure and len(self.failures) < FAILURES_MAX:
            self.failures.append((outcome.parcel_id, outcome.failure))


@dataclass(frozen=True, eq=False)
class Again:
    """An earlier plan that a run builds on.

    Parameters
    ----------
    plan
        The earlier plan.
    first
        Step to begin with.
    others
        Parcels of it that stay as they are.
    """

    plan: EarlierPlan
    first: str
    others: Sequence[str] = ()


class PlanningRun:
    """Plans parcels, keeps each as soon as it is done, and puts them together in the end.

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
    again
        The earlier plan that is built on, and the step to begin with.
    """

    def __init__(
        self,
        source: SiteSource,
        settings: Settings,
        parcel_ids: Sequence[str],
        limits: Limits,
        out: Path,
        again: Again | None = None,
    ) -> None:
        self._source = source
        self._settings = settings
        self._parcel_ids = parcel_ids
        self._limits = limits
        self._out = out
        self._again = again
        self._done: dict[str, StoredParcel | FinishedParcel] = {}
        self._finished: Mapping[str, StoredParcel | FinishedParcel | PassedThrough] = {}
        self._found: Mapping[str, Sequence[Row]] = {}
        self._pieces: Path | None = None
        self.outcomes = Outcomes()
        self.ranking = Ranking(source.crs)

    def write(
        self,
        target: Path,
        workers: Workers,
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
            Who does the work.
        run_info
            Returns what is to be told of the run; asked when all parcels are planned.
        log
            File to which a line for each parcel is added.
        resume
            Take what earlier runs into the same folder have finished, and keep what this one finishes.
        rasters
            Write the rasters of the plan beside it as well.

        Raises
        ------
        InterruptedRunError
            When a person breaks it off. What was finished is kept.
        LawngisError
            When the disk is full or the workers are gone. What was finished is kept.
        """
        limit_cache()
        self._pieces = self._out / PIECES_NAME if rasters else None
        folder = RunFolder(self._out, self._keys())
        whole = False
        try:
            with Log(log) as lines:
                self._plan(folder, workers, lines, resume=resume)
            if self._pieces is not None:
                write_mosaics(self._pieces, self._parcel_ids, self._source.dem_info, self._out)
            self._writer().write(target, self._ranked(), run_info)
            whole = True
        except KeyboardInterrupt as interrupt:
            self._store_rest(folder)
            raise InterruptedRunError(len(self._done), len(self._parcel_ids)) from interrupt
        except Exception:
            self._store_rest(folder)
            raise
        finally:
            kept = not whole or resume or self.outcomes.passing > 0
            folder.close(keep=kept)
            if self._pieces is not None and not kept:
                shutil.rmtree(self._pieces, ignore_errors=True)

    def _keys(self) -> Keys:
        settings = settings_fingerprint(self._settings, self._source.options)
        inputs = files_fingerprint(self._source.files.inputs)
        if self._again is not None:
            settings = f"{settings} {self._again.first}"
            inputs += sha256(self._again.plan.path)
        return Keys(settings, settings + inputs)

    def _writer(self) -> PlanWriter:
        specs = step_layers(installed_steps())
        if self._again is None:
            return PlanWriter(specs, self._source.crs)
        earlier = self._again.plan
        carried = [(earlier.path, name) for name in earlier.added_layers]
        return PlanWriter(with_added_columns(specs, earlier.added_columns), self._source.crs, carried)

    def _plan(self, folder: RunFolder, workers: Workers, log: Log, *, resume: bool) -> None:
        """Plan what is not finished yet, and then find what only all parcels together show."""
        known = self._resumed(folder, log) if resume else {}
        left = [name for name in self._parcel_ids if name not in self._done]
        workforce = workers.ready(len(left), self._limits) if left else InProcess()
        now = True
        try:
            if left:
                self._tell(self._planned(left, workforce, folder, known, at_once=not resume), log)
            self._finished = self._in_order()
            self._found = neighbour_findings(
                {name: parcel.reaches for name, parcel in self._finished.items()},
                lambda name: self._finished[name].wires(),
                antenna_height_m=self._settings.mower.antenna_height_m,
                crs=self._source.crs,
                workers=workforce,
            )
            now = False
        finally:
            workforce.stop(now=now)

    def _tell(self, planned: Iterable[tuple[Outcome, bool]], log: Log) -> None:
        """Take in what came of parcels, as they are planned."""
        with Progress(len(self._parcel_ids), len(self._done)) as progress:
            for outcome, kept in planned:
                log.add(outcome, kept=kept)
                self.outcomes.add(outcome)
                progress.add(outcome.parcel_id, outcome.status)

    def _planned(
        self,
        left: Sequence[str],
        workforce: Workforce,
        folder: RunFolder,
        known: Mapping[str, ResumedParcel],
        *,
        at_once: bool,
    ) -> Iterator[tuple[Outcome, bool]]:
        """Plan parcels; yield what came of each, and whether it was known already.

        Each is stored as soon as it is done. Only where a run has a single one, there is nothing to wait for: with
        `at_once` it stays in memory until it is written.
        """
        fingerprints = {name: resumed.outcome.fingerprint for name, resumed in known.items()}
        beginning = None if self._again is None else Beginning(self._again.first, self._again.plan.parcels)
        job = Job(self._settings, self._limits, fingerprints, self._pieces, beginning)
        if isinstance(workforce, InProcess):
            parcels = (finished(self._source, one) for one in parcel_results(self._source, job, parcel_ids=left))
            if at_once and len(self._parcel_ids) == 1:
                for parcel in parcels:
                    self._done[parcel.outcome.parcel_id] = parcel
                    yield parcel.outcome, False
                return
            results: Iterator[Sequence[PackedResult]] = ([parcel.packed()] for parcel in parcels)
        else:
            groups = chunks(self._source, left, max(1, workforce.tasks_max // 2))
            results = Supervisor(self._source, job, workforce).results(groups)
        for some in results:
            yield from self._stored(folder, some, known)

    def _stored(
        self, folder: RunFolder, results: Sequence[PackedResult], known: Mapping[str, ResumedParcel]
    ) -> Iterator[tuple[Outcome, bool]]:
        """Store what is new; yield what came of each, and whether it was known already."""
        new = [result for result in results if result.block]
        places = folder.store(new) if new else []
        self._done |= {result.outcome.parcel_id: place for result, place in zip(new, places, strict=True)}
        for result in results:
            if result.block:
                yield result.outcome, False
            else:
                resumed = known[result.outcome.parcel_id]
                self._done[result.outcome.parcel_id] = resumed.stored
                yield resumed.outcome, True

    def _store_rest(self, folder: RunFolder) -> None:
        """Store what is finished and in memory alone, as far as the disk takes it."""
        for name, parcel in list(self._done.items()):
            if isinstance(parcel, FinishedParcel):
                del self._done[name]
                with suppress(PlanError):
                    (self._done[name],) = folder.store([parcel.packed()])

    def _resumed(self, folder: RunFolder, log: Log) -> dict[str, ResumedParcel]:
        """Take what is finished from earlier runs; return what is so only if what lies around is unchanged."""
        wanted = set(self._parcel_ids)
        newest = {found.outcome.parcel_id: found for found in folder.resumed() if found.outcome.parcel_id in wanted}
        final = {name: found for name, found in newest.items() if not found.outcome.passing and self._has_pieces(name)}
        for name, found in final.items():
            if found.same_inputs:
                self._done[name] = found.stored
                log.add(found.outcome, kept=True)
                self.outcomes.add(found.outcome)
        return {name: found for name, found in final.items() if found.outcome.fingerprint and name not in self._done}

    def _has_pieces(self, parcel_id: str) -> bool:
        """Return whether a parcel's rasters are there, if they are wanted; one that failed before is planned again."""
        return self._pieces is None or piece_file(self._pieces, parcel_id).exists()

    def _in_order(self) -> dict[str, StoredParcel | FinishedParcel | PassedThrough]:
        """Return all parcels in the order of the plan."""
        in_order: dict[str, StoredParcel | FinishedParcel | PassedThrough] = {
            name: self._done[name] for name in self._parcel_ids
        }
        if self._again is not None and self._again.others:
            parcels = self._again.plan.parcels
            in_order |= {name: passed_through(parcels[name], self._source.crs) for name in self._again.others}
            place = {name: number for number, name in enumerate(self._source.parcel_ids)}
            in_order = dict(sorted(in_order.items(), key=lambda item: place.get(item[0], len(place))))
        return in_order

    def _ranked(self) -> Iterator[Mapping[str, RawColumns]]:
        """Return the rows of all parcels, in the order of the plan, after ranking them."""
        for parcel in self._finished.values():
            self.ranking.add(parcel.standing)
        return merged(self._finished, self._found)
