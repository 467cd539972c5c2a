"""A site in a notebook: its parcels planned as ``lawngis plan`` plans them."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.resources import files
from os import PathLike
from pathlib import Path
from typing import Any

from lawngis.errors import PlanError

from ..files.file_kinds import PLAN
from ..files.plan_reader import PlanFile, plan_file
from ..model.values import texts_of
from ..planning.interrupt import InterruptedRunError
from ..planning.limits import Limits
from ..planning.plan_writer import run_info
from ..planning.run import PlanningRun, WorkerOptions
from ..planning.run_settings import run_settings
from ..reading.read_options import ReadOptions
from ..reading.site_files import site_files
from ..reading.site_source import SiteSource
from ..steps.workflow import installed_steps, step_layers
from .opened_plan import OpenedPlan
from .scratch_folder import ScratchFolder

SAMPLE = "sample"
"""Name under which the invented neighbourhood is opened that comes along."""


def open_site(
    site: str | PathLike[str],
    *,
    layers: Mapping[str, str] | None = None,
    rasters: Mapping[str, str | PathLike[str]] | None = None,
    bands: str | Sequence[str] = (),
    dem_unit: str | None = None,
) -> OpenedSite:
    """Return a site, looked through and ready to be planned.

    Parameters
    ----------
    site
        GeoPackage, or folder of layers and rasters; ``"sample"`` is the invented neighbourhood that comes along, unless
        there is something of that name.
    layers
        Names that layers have in the files, where they differ: ``{"parcels": "my_parcels"}``.
    rasters
        Files of ``dem``, ``dsm`` and ``imagery``, where they go by other names.
    bands
        The image's bands in order: ``["red", "green", "blue", "nir"]`` or ``"red,green,blue,nir"``.
    dem_unit
        Vertical unit of the rasters: ``"m"``, ``"ft"`` or ``"us-ft"``.

    Raises
    ------
    SiteError, LayerError, RasterError, ParameterError
        When the site as a whole can't be used.

    Examples
    --------
    >>> open_site("sample").parcel_ids[:3]
    ['P01', 'P02', 'P03']
    """
    path = Path(site)
    if os.fspath(site) == SAMPLE and not path.exists():
        path = Path(str(files("lawngis.sample_parcels")))
    named = {name: os.fspath(file) for name, file in (rasters or {}).items()}
    found = site_files(path, layer_names=dict(layers or {}), raster_files=named)
    words = bands.split(",") if isinstance(bands, str) else bands
    names = tuple(name.strip().casefold() for name in words)
    return OpenedSite(SiteSource(found, ReadOptions(dem_unit=dem_unit, bands=names)))


@dataclass(frozen=True, eq=False, repr=False)
class OpenedSite:
    """A site whose parcels can be planned; see :func:`open_site`.

    Parameters
    ----------
    source
        The site, opened.
    """

    source: SiteSource

    def __repr__(self) -> str:
        count = len(self.parcel_ids)
        return f"<site {self.source.files.path} of {count} parcel{'' if count == 1 else 's'}>"

    @property
    def parcel_ids(self) -> list[str]:
        """Names of the parcels, in the order of the file."""
        return self.source.parcel_ids

    def plan(
        self,
        parcel_id: str,
        *,
        profile: str | PathLike[str] | None = None,
        parameters: Mapping[str, Mapping[str, Any]] | None = None,
    ) -> OpenedPlan:
        """Plan one parcel by itself, as ``lawngis plan SITE --parcel ID`` does.

        Parameters
        ----------
        parcel_id
            Its name.
        profile
            Mower profile: a name or a TOML file; default: the site's.
        parameters
            Of steps, by their id: ``{"materials": {"price_book": "prices.toml"}}``.

        Raises
        ------
        ParameterError
            When there is no such parcel, profile, step or parameter, or a value is out of range.
        PlanError
            When the parcel can't be planned, with the reason.
        """
        folder, file, failures = self._planned([parcel_id], profile, parameters, workers=0)
        for failed, reason in failures:
            raise PlanError(f"could not be planned: {reason}", where=f"parcel {failed}")
        return OpenedPlan(file, file.parcel_ids[0], folder)

    def plans(
        self,
        parcel_ids: str | Iterable[str] | None = None,
        *,
        profile: str | PathLike[str] | None = None,
        parameters: Mapping[str, Mapping[str, Any]] | None = None,
        workers: int = 0,
    ) -> Iterator[OpenedPlan]:
        """Plan parcels together, as ``lawngis plan SITE`` does, and yield the plan of each.

        Together they know of their neighbours' wires. One that can't be planned is yielded all the same: its readiness
        is ``"failed"`` and its verdict says why. However many there are, one at a time is in memory.

        Parameters
        ----------
        parcel_ids
            Names of parcels, or of one; default: all.
        profile, parameters
            As for :meth:`plan`.
        workers
            Processes that share the work; 0 for this one alone. In a script, more than that need
            ``if __name__ == "__main__":`` around what calls this.

        Raises
        ------
        LawngisError
            As :meth:`plan`, when the first is asked for.
        """
        if isinstance(parcel_ids, str):
            parcel_ids = [parcel_ids]
        wanted = None if parcel_ids is None else list(parcel_ids)
        if wanted == []:
            return
        folder, file, _ = self._planned(wanted, profile, parameters, workers)
        for parcel_id in file.parcel_ids:
            yield OpenedPlan(file, parcel_id, folder)

    def _planned(
        self,
        parcel_ids: Sequence[str] | None,
        profile: str | PathLike[str] | None,
        parameters: Mapping[str, Mapping[str, Any]] | None,
        workers: int,
    ) -> tuple[ScratchFolder, PlanFile, list[tuple[str, str]]]:
        """Return a folder with a plan of some parcels, that plan, and what failed with the reason of each."""
        started = datetime.now(UTC)
        given = {
            step: {name: _plain(value) for name, value in some.items()} for step, some in (parameters or {}).items()
        }
        settings = run_settings(self.source, None if profile is None else os.fspath(profile), given)
        wanted = self.source.named(None if parcel_ids is None else texts_of(parcel_ids))
        folder = ScratchFolder()
        run = PlanningRun(
            self.source, settings, wanted, Limits().with_more_plans(len(settings.mowers) - 1), folder.path
        )
        try:
            run.write(
                PLAN.target(folder.path),
                WorkerOptions(workers),
                lambda: run_info(self.source, settings, started, datetime.now(UTC)),
            )
        except InterruptedRunError as error:
            raise KeyboardInterrupt from error
        kind = replace(PLAN, specs=step_layers(installed_steps()))
        return folder, plan_file(folder.path, kind), run.outcomes.failures


def _plain(value: Any) -> Any:
    return os.fspath(value) if isinstance(value, PathLike) else value
