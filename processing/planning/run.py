"""One run of ``lawngis plan``: from an opened site to a plan on disk, with nothing lost on the way."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

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
from .plan_writer import PassedThrough, PlanFile, passed_through, reaches_in
from .progress import Log, Progress
from .ranking import Ranking
from .run_folder import Found, Kept, Keys, Packed, RunFolder
from .supervisor import Job, Supervisor, chunks
from .workers import Cluster, Here, Processes, Workforce
from .writing import merged

HERE_MAX = 12
"""Up to so many parcels one worker plans them in this process: starting another takes as long as some parcels do."""

PIECES_NAME = ".plan-rasters"
"""Folder of the parcels' rasters while the run goes on."""

FAILURES_MAX = 60
"""As many failed parcels are remembered one by one."""


@dataclass(frozen=True)
class Hands:
    """Who is to do the work: processes on this machine, or a cluster by the address of its scheduler."""

    workers: int = 1
    scheduler: str | None = None

    def hired(self, parcels: int, limits: Limits) -> Workforce:
        """Return them, ready to work."""
        if self.scheduler is not None:
            return Cluster(self.scheduler)
        if (self.workers == 1 and parcels <= HERE_MAX) or parcels <= 1:
            return Here()
        return Processes(min(self.workers, parcels), limits)


@dataclass
class Tally:
    """What came of the parcels so far."""

    statuses: Counter[str] = field(default_factory=Counter)
    failures: list[tuple[str, str]] = field(default_factory=list)
    passing: int = 0

    @property
    def failed(self) -> int:
        """How many failed."""
        return self.statuses["failed"]

    def add(self, result: Packed) -> None:
        """Take in a parcel."""
        self.statuses[result.status] += 1
        self.passing += result.passing
        if result.failure and len(self.failures) < FAILURES_MAX:
            self.failures.append((result.parcel_id, result.failure))


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


class Run:
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
        self._kept: dict[str, Kept] = {}
        self._finished: Mapping[str, Kept | PassedThrough] = {}
        self._found: Mapping[str, Sequence[Row]] = {}
        self._pieces: Path | None = None
        self.tally = Tally()
        self.ranking = Ranking(source.crs)

    def write(
        self,
        target: Path,
        hands: Hands,
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
        hands
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
                self._plan(folder, hands, lines, resume=resume)
            if self._pieces is not None:
                write_mosaics(self._pieces, self._parcel_ids, self._source.dem_info, self._out)
            self._file().write(target, self._ranked(), run_info)
            whole = True
        except KeyboardInterrupt as interrupt:
            raise InterruptedRunError(len(self._kept), len(self._parcel_ids)) from interrupt
        finally:
            kept = not whole or resume or self.tally.passing > 0
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

    def _file(self) -> PlanFile:
        specs = step_layers(installed_steps())
        if self._again is None:
            return PlanFile(specs, self._source.crs)
        earlier = self._again.plan
        carried = [(earlier.path, name) for name in earlier.added_layers]
        return PlanFile(with_added_columns(specs, earlier.added_columns), self._source.crs, carried)

    def _plan(self, folder: RunFolder, hands: Hands, log: Log, *, resume: bool) -> None:
        """Plan what is not finished yet, and then find what only all parcels together show."""
        known = self._resumed(folder, log) if resume else {}
        left = [name for name in self._parcel_ids if name not in self._kept]
        crew = hands.hired(len(left), self._limits) if left else Here()
        now = True
        try:
            if left:
                self._plan_parcels(left, crew, folder, log, known)
            self._finished = self._in_order()
            self._found = neighbour_findings(
                {name: parcel.reaches for name, parcel in self._finished.items()},
                lambda name: self._finished[name].wires(),
                antenna_height_m=self._settings.mower.antenna_height_m,
                crs=self._source.crs,
                hands=crew,
            )
            now = False
        finally:
            crew.stop(now=now)

    def _plan_parcels(
        self, left: Sequence[str], crew: Workforce, folder: RunFolder, log: Log, known: Mapping[str, Found]
    ) -> None:
        workers = 1 if isinstance(crew, Here) else max(1, crew.tasks_max // 2)
        groups = [[name] for name in left] if isinstance(crew, Here) else chunks(self._source, left, workers)
        fingerprints = {name: found.packed.fingerprint for name, found in known.items()}
        beginning = None if self._again is None else Beginning(self._again.first, self._again.plan.parcels)
        job = Job(self._settings, self._limits, fingerprints, self._pieces, beginning)
        supervisor = Supervisor(self._source, job, crew)
        with Progress(len(self._parcel_ids), len(self._kept)) as progress:
            for results in supervisor.results(groups):
                for result, kept in self._stored(folder, results, known):
                    log.add(result, kept=kept)
                    self.tally.add(result)
                    progress.add(result.parcel_id, result.status)

    def _stored(
        self, folder: RunFolder, results: Sequence[Packed], known: Mapping[str, Found]
    ) -> Iterator[tuple[Packed, bool]]:
        """Keep what is new; yield each result, and whether it was known already."""
        new = [result for result in results if result.block]
        places = folder.keep(new) if new else []
        self._kept |= {result.parcel_id: place for result, place in zip(new, places, strict=True)}
        for result in results:
            if result.block:
                yield result, False
            else:
                found = known[result.parcel_id]
                self._kept[result.parcel_id] = found.kept
                yield found.packed, True

    def _resumed(self, folder: RunFolder, log: Log) -> dict[str, Found]:
        """Take what is finished from earlier runs; return what is so only if what lies around is unchanged."""
        wanted = set(self._parcel_ids)
        newest = {found.packed.parcel_id: found for found in folder.taken_over() if found.packed.parcel_id in wanted}
        final = {name: found for name, found in newest.items() if not found.packed.passing and self._has_pieces(name)}
        for name, found in final.items():
            if found.same_inputs:
                self._kept[name] = found.kept
                log.add(found.packed, kept=True)
                self.tally.add(found.packed)
        return {name: found for name, found in final.items() if found.packed.fingerprint and name not in self._kept}

    def _has_pieces(self, parcel_id: str) -> bool:
        """Return whether a parcel's rasters are there, if they are wanted; one that failed before is planned again."""
        return self._pieces is None or piece_file(self._pieces, parcel_id).exists()

    def _in_order(self) -> dict[str, Kept | PassedThrough]:
        """Return all parcels in the order of the plan."""
        in_order: dict[str, Kept | PassedThrough] = {name: self._kept[name] for name in self._parcel_ids}
        if self._again is not None and self._again.others:
            boxes = reaches_in(self._source.crs)
            parcels = self._again.plan.parcels
            in_order |= {name: passed_through(parcels[name], boxes) for name in self._again.others}
            place = {name: number for number, name in enumerate(self._source.parcel_ids)}
            in_order = dict(sorted(in_order.items(), key=lambda item: place.get(item[0], len(place))))
        return in_order

    def _ranked(self) -> Iterator[Mapping[str, RawColumns]]:
        """Return the rows of all parcels, in the order of the plan, after ranking them."""
        for parcel in self._finished.values():
            self.ranking.add(parcel.standing)
        return merged(self._finished, self._found)
