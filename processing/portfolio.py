"""Plan many parcels: one after another or in worker processes; a bad one never stops the others."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any

import numpy as np
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LawngisError
from lawngis.geometry.polygons import polygon_parts

from .plans import Row
from .site_files import SiteFiles
from .source import ReadOptions, SiteSource
from .step import loaded_steps
from .workflow import Settings, ordered, planned

CHUNK = 8
"""Most parcels that a worker takes at a time, and as many times at least it comes back for more: enough to hide the
cost of a task, few enough to share evenly and to show how far it is."""


@dataclass(frozen=True)
class ParcelResult:
    """What came of one parcel: rows by layer in the CRS of the parcels, and how long each part took."""

    parcel_id: str
    rows: Mapping[str, Sequence[Row]]
    failure: str = ""
    seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def summary(self) -> Row:
        """Return the parcel's row of the layer `summary`."""
        return self.rows["summary"][0]


def parcel_results(
    source: SiteSource, settings: Settings, *, parcel_ids: Sequence[str], workers: int = 1
) -> Iterator[ParcelResult]:
    """Plan parcels and yield each as it is done, in no promised order when there are several workers.

    Parameters
    ----------
    source
        The site.
    settings
        Mower and parameters.
    parcel_ids
        Parcels to plan.
    workers
        Processes to share the work; 1 plans in this one.
    """
    if workers == 1 or len(parcel_ids) == 1:
        yield from _results_here(source, settings, parcel_ids)
        return
    # A fresh interpreter per worker: GDAL's open files and threads don't survive a fork.
    context = multiprocessing.get_context("spawn")
    others = multiprocessing.active_children()
    pool = ProcessPoolExecutor(workers, mp_context=context, initializer=_leave_interrupts_to_parent)
    try:
        with _interrupts_held_back():
            futures: dict[Future[list[ParcelResult]], Sequence[str]] = {
                pool.submit(_results_there, source.files, source.options, settings, chunk): chunk
                for chunk in _chunks(parcel_ids, workers)
            }
        for future in as_completed(futures):
            try:
                results = future.result()
            except Exception as error:  # a worker that died takes its chunk with it, not the run
                ours = isinstance(error, LawngisError)
                reason = str(error) if ours else f"the worker process ended early ({error})"
                results = [failed(source, parcel_id, reason, 0.0) for parcel_id in futures[future]]
            yield from results
    except BaseException:  # whoever interrupts doesn't want to wait for parcels that are under way
        pool.shutdown(wait=False, cancel_futures=True)
        for process in set(multiprocessing.active_children()).difference(others):
            process.terminate()
        raise
    pool.shutdown()


def _chunks(parcel_ids: Sequence[str], workers: int) -> list[Sequence[str]]:
    size = min(CHUNK, max(1, len(parcel_ids) // (CHUNK * workers)))
    return [parcel_ids[start : start + size] for start in range(0, len(parcel_ids), size)]


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Start worker processes deaf to Ctrl-C, which reaches every process of a terminal: they inherit the mask.

    Only the process that talks to people answers. What comes meanwhile is answered afterwards.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _leave_interrupts_to_parent() -> None:
    """Do the same from within a worker, for systems without signal masks."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _results_here(source: SiteSource, settings: Settings, parcel_ids: Sequence[str]) -> Iterator[ParcelResult]:
    steps = ordered(loaded_steps()[0].values())
    for parcel_id in parcel_ids:
        started = perf_counter()
        try:
            yield _result(source, settings, steps, parcel_id)
        except LawngisError as error:
            yield failed(source, parcel_id, str(error), perf_counter() - started)
        except Exception as error:  # a defect of ours must not take the other parcels with it
            reason = f"internal error, please report it: {type(error).__name__}: {error}"
            yield failed(source, parcel_id, reason, perf_counter() - started)


def _results_there(
    files: SiteFiles, options: ReadOptions, settings: Settings, parcel_ids: Sequence[str]
) -> list[ParcelResult]:
    return list(_results_here(_source(files, options), settings, parcel_ids))


_sources: dict[tuple[Any, ...], SiteSource] = {}


def _source(files: SiteFiles, options: ReadOptions) -> SiteSource:
    """Return this process's own source for a site: it is opened once and kept for the next chunk."""
    key = (str(files.path), tuple(files.layers), tuple(files.rasters.values()), options)
    if key not in _sources:
        _sources.clear()
        _sources[key] = SiteSource(files, options)
    return _sources[key]


def _result(source: SiteSource, settings: Settings, steps: Any, parcel_id: str) -> ParcelResult:
    started = perf_counter()
    site = source.site(parcel_id)
    read = perf_counter()
    done = planned(site, steps, settings)
    rows = {
        layer: _in_source_crs(done.plan.rows(layer), site.frame.to_source)
        for layer in done.plan.layers
    }  # fmt: skip
    seconds = perf_counter() - started
    rows["summary"] = [{**row, "seconds": round(seconds, 3)} for row in rows["summary"]]
    parts = {"reading": read - started, **done.step_seconds}
    return ParcelResult(parcel_id, rows, seconds=parts)


def _in_source_crs(rows: Sequence[Row], to_source: Any) -> list[Row]:
    if not rows or "geometry" not in rows[0]:
        return list(rows)
    moved = to_source([row["geometry"] for row in rows])
    return [{**row, "geometry": geometry} for row, geometry in zip(rows, moved, strict=True)]


def failed(source: SiteSource, parcel_id: str, reason: str, seconds: float) -> ParcelResult:
    """Return the result of a parcel that could not be planned: its row of `summary` says why."""
    summary = {
        "parcel_id": parcel_id,
        "label": source.label(parcel_id),
        "status": "failed",
        "verdict_text": f"Not planned: {reason}",
        "seconds": round(seconds, 3),
        "geometry": multipolygon(source.outline(parcel_id)),
    }
    return ParcelResult(parcel_id, {"summary": [summary]}, failure=reason)


def multipolygon(geometry: BaseGeometry | None) -> MultiPolygon:
    """Return any geometry's polygons as one MultiPolygon, empty when there are none."""
    if geometry is None or not np.isfinite(shapely.get_coordinates(geometry)).all():
        return MultiPolygon()
    return MultiPolygon(polygon_parts(geometry))
