"""All documents of all parcels of a plan, one process or several, every file whole or absent."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from multiprocessing import get_context
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from lawngis.errors import LawngisError, ParameterError, PlanError

from ..files import gpkg
from ..files.atomic import LAYERS_FOLDER, file_stems, refuse_file, write_whole
from ..files.plan_reader import PlanFile
from ..files.style_encoding import sld
from ..model import messages
from ..model.contract import Layer
from ..model.layers import PLAN_LAYERS
from .formats import Formats, Units
from .page import IndexRow, index_page, page
from .quote import Quote, books, quote, quote_csv
from .quote_details import QuoteDetails, quote_details_from
from .reading import DocumentSource, ParcelPlan, document_source
from .stakeout import crs_named, geojson, gpx, stakeout_csv
from .week import week_calendar

KINDS = ("html", "pdf", "dxf", "gpx", "csv", "ics", "geojson", "sld")
"""Kinds of documents, as ``--only`` names them; all are made when it names none."""

LAYER_KINDS: Mapping[str, tuple[str, Callable[[pd.DataFrame, Layer], bytes]]] = MappingProxyType(
    {"geoparquet": (".parquet", gpkg.geoparquet_bytes), "flatgeobuf": (".fgb", gpkg.flatgeobuf_bytes)}
)
"""Kinds of files with a layer each, by ending: made when they are asked for, in the plan's own CRS."""

CHUNK = 16
"""Parcels that are read and written at a time; more make reading no quicker."""


@dataclass(frozen=True)
class Wishes:
    """What is wanted, and how.

    Parameters
    ----------
    kinds
        Out of `KINDS` and `LAYER_KINDS`.
    formats
        How figures are written.
    prices, labour
        Books; default: those of the plan, else the invented examples.
    details
        File with what stands on quotes beside prices.
    crs
        CRS of the stakeout points; default: that of the plan.
    starting
        First day of the calendar, and the day from which a quote holds.
    written_at
        Time noted in files.
    """

    kinds: frozenset[str] = frozenset(KINDS)
    formats: Formats = field(default_factory=Formats)
    prices: Path | None = None
    labour: Path | None = None
    details: Path | None = None
    crs: str | None = None
    starting: date = field(default_factory=date.today)
    written_at: datetime = field(default_factory=lambda: datetime.now(UTC))


def kinds_named(words: str | None) -> frozenset[str]:
    """Return the kinds that a person named, separated by commas; all when none.

    Raises
    ------
    ParameterError
        Naming one that doesn't exist.

    Examples
    --------
    >>> sorted(kinds_named("pdf, html"))
    ['html', 'pdf']
    """
    if words is None:
        return frozenset(KINDS)
    named = frozenset(word.strip().lower() for word in words.split(",") if word.strip())
    unknown = sorted(named - {*KINDS, *LAYER_KINDS})
    if unknown or not named:
        raise ParameterError(
            f"--only {(unknown or [words])[0]!r} is no kind of document",
            advice=f"There are {', '.join((*KINDS, *LAYER_KINDS))}.",
        )
    return named


def language_formats(locale: str, units: str, fonts: Sequence[Path] = ()) -> Formats:
    """Return how figures are written, from what a person named.

    Raises
    ------
    ParameterError
        When one is not known, or a font is no font file.
    """
    kinds: Mapping[str, Units] = {"metric": "metric", "feet": "feet"}
    if units not in kinds:
        raise ParameterError(f"--units {units!r} is neither metric nor feet")
    return Formats(locale, kinds[units], tuple(fonts))


def deliver_documents(
    plan: Path,
    out: Path,
    wishes: Wishes,
    *,
    parcels: Sequence[str] = (),
    site: Path | None = None,
    workers: int = 1,
) -> list[IndexRow]:
    """Write the documents of a plan and return what the index says of each of its parcels.

    One that can't be made into documents is a row of the index that says why; the others go on.

    Parameters
    ----------
    plan
        ``plan.gpkg``, or the folder that it is in.
    out
        Folder for the documents; each parcel gets one of its own in it.
    wishes
        What is wanted, and how.
    parcels
        Only these; default: all.
    site
        Where the surroundings are to be had; default: the inputs named in the plan.
    workers
        Processes that share the work.

    Raises
    ------
    SiteError, LayerError, PlanError, ParameterError
        When the plan or a book can't be used, a parcel doesn't exist, or nothing can be written for any of them.
    """
    refuse_file(out, "documents need")
    source = document_source(plan, site)
    _check_wishes(source, wishes)
    wanted = list(dict.fromkeys(parcels)) or source.plan.parcel_ids
    missing = sorted(set(wanted) - set(source.plan.parcel_ids))
    if missing:
        source.parcel(missing[0])  # raises, naming those that there are
    if "sld" in wishes.kinds:
        for layer in PLAN_LAYERS.values():
            if layer.style is not None:
                write_whole(out / "styles" / f"{layer.name}.sld", sld(layer).encode())
    _write_layers(source.plan, out, wishes.kinds, parcels)
    if not wishes.kinds & set(KINDS):
        return []
    rows: list[IndexRow] = []
    for some in _index_rows(source, out, wishes, wanted, workers):
        rows += some
        messages.progress(len(rows) / len(wanted))
    if rows and all(row.failure for row in rows):
        raise rows[0].failure or PlanError("no parcel can be made into documents")
    if "html" in wishes.kinds:
        write_whole(out / "index.html", index_page(rows, source.plan.facts, source.of_run, wishes.formats))
    return rows


def _write_layers(plan: PlanFile, out: Path, kinds: frozenset[str], parcels: Sequence[str]) -> None:
    """Write the layers that have rows, of all parcels or of some, each into a file of its own."""
    for ending, encoded in (LAYER_KINDS[kind] for kind in sorted(kinds & LAYER_KINDS.keys())):
        for name in plan.layers:
            table = plan.frame(name, list(parcels) or None)
            if len(table):
                write_whole(out / LAYERS_FOLDER / f"{name}{ending}", encoded(table, plan.kind.specs[name]))


def _check_wishes(source: DocumentSource, wishes: Wishes) -> None:
    """Raise what is wrong for all parcels once, before the first."""
    books(source.plan.facts, wishes.prices, wishes.labour)
    quote_details_from(wishes.details, source.plan.parcel_ids)
    if wishes.crs is not None:
        crs_named(wishes.crs)


def _index_rows(
    source: DocumentSource, out: Path, wishes: Wishes, wanted: Sequence[str], workers: int
) -> Iterator[list[IndexRow]]:
    chunks = [wanted[at : at + CHUNK] for at in range(0, len(wanted), CHUNK)]
    if workers == 1 or len(chunks) == 1:
        yield from (_some_parcels(source, out, wishes, chunk) for chunk in chunks)
        return
    # spawned, not forked: a forked process would share the library's open files
    with ProcessPoolExecutor(
        min(workers, len(chunks)), get_context("spawn"), initializer=_start_worker, initargs=(source, out, wishes)
    ) as pool:
        yield from pool.map(_in_worker, chunks)


_job: list[tuple[DocumentSource, Path, Wishes]] = []


def _start_worker(source: DocumentSource, out: Path, wishes: Wishes) -> None:
    _job[:] = [(source, out, wishes)]


def _in_worker(chunk: Sequence[str]) -> list[IndexRow]:
    return _some_parcels(*_job[0], chunk)


def _some_parcels(source: DocumentSource, out: Path, wishes: Wishes, chunk: Sequence[str]) -> list[IndexRow]:
    middle = _middle(source)
    details = quote_details_from(wishes.details, source.plan.parcel_ids)
    folders = file_stems(source.plan.parcel_ids)
    rows = []
    for parcel_id, plan in source.parcels(chunk):
        try:
            rows.append(_one_parcel(plan(), out / folders[parcel_id], wishes, details, middle))
        except LawngisError as error:
            rows.append(_failed_row(parcel_id, error.within(f"parcel {parcel_id}")))
        except Exception as error:  # a defect of ours must not take the other parcels with it
            what = f"internal error, please report it: {type(error).__name__}: {error}"
            rows.append(_failed_row(parcel_id, PlanError(what, where=f"parcel {parcel_id}")))
    return rows


def _failed_row(parcel_id: str, failure: LawngisError) -> IndexRow:
    figures = dict.fromkeys((*_FIGURES, "total", "currency", "price_of", "remark"))
    return IndexRow(parcel_id, "", "failed", f"no documents: {failure}", figures, "", (), (), failure)


def _middle(source: DocumentSource) -> tuple[float, float, float, float]:
    """Middle of the site and what a unit of its CRS is on the ground there, for the index's map."""
    bounds = source.summary.geometry.total_bounds
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    if not source.plan.crs.is_geographic:
        return float(x), float(y), 1.0, 1.0
    from math import cos, radians

    return float(x), float(y), 111_320.0 * cos(radians(float(y))), 111_320.0


def _one_parcel(
    plan: ParcelPlan, folder: Path, wishes: Wishes, details: QuoteDetails, middle: tuple[float, float, float, float]
) -> IndexRow:
    prices, labour = books(plan.run_info, wishes.prices, wishes.labour)
    reprice, units = wishes.prices is not None, wishes.formats.units
    offer = quote(plan, prices, labour, wishes.starting, reprice=reprice, units=units, details=details)
    made = [(name, make) for name, kind, make in _documents(plan, offer, wishes) if kind in wishes.kinds]
    names = [name for name, _ in made]
    for name, make in made:
        write_whole(folder / name, make())
    if "html" in wishes.kinds:
        write_whole(folder / "page.html", page(plan, offer, wishes.formats, names))
    return _index_row(plan, offer, folder.name, names, middle)


def _documents(plan: ParcelPlan, offer: Quote, wishes: Wishes) -> Iterator[tuple[str, str, Callable[[], bytes]]]:
    """Name, kind and making of each document that makes sense for a parcel."""
    from .drawing import dxf
    from .offer import offer_paper
    from .settings import settings_sheet
    from .sheet import plan_sheet
    from .visit import visit_csv, visit_sheet
    from .walk import walk_csv

    formats, at = wishes.formats, wishes.written_at
    crs = plan.frame.source if wishes.crs is None else crs_named(wishes.crs)
    yield "visit.pdf", "pdf", lambda: visit_sheet(plan, formats, at)
    if plan.rows["visit_checks"]:
        yield "visit.csv", "csv", lambda: visit_csv(plan)
    if plan.outline.is_empty:
        return
    yield "plan.dxf", "dxf", lambda: dxf(plan)
    yield "layers.geojson", "geojson", lambda: geojson(plan)
    if plan.rows["zones"]:
        yield "sheet.pdf", "pdf", lambda: plan_sheet(plan, formats, at)
        yield "settings.pdf", "pdf", lambda: settings_sheet(plan, formats, at)
    if offer.lines:
        yield "quote.pdf", "pdf", lambda: offer_paper(plan, offer, formats, at)
        yield "quote.csv", "csv", lambda: quote_csv(offer, plan.parcel_id)
    if plan.rows["wire_path"]:
        yield "points.gpx", "gpx", lambda: gpx(plan, at)
        if plan.rows["watch_points"]:
            yield "walk.csv", "csv", lambda: walk_csv(plan)
        yield "stakeout.csv", "csv", lambda: stakeout_csv(plan, CRS(crs))
    if plan.rows["schedule"]:
        yield "week.ics", "ics", lambda: week_calendar(plan, wishes.starting, at)


_FIGURES = ("lawn_m2", "mowable_m2", "zones", "wire_m", "mowing_hours_week", "stop_findings", "visit_checks")


def _index_row(
    plan: ParcelPlan, offer: Quote, folder: str, files: Sequence[str], middle: tuple[float, float, float, float]
) -> IndexRow:
    summary = plan.summary
    figures = {name: summary[name] for name in _FIGURES}
    figures |= {"total": offer.total if offer.lines else None, "currency": offer.currency, "price_of": offer.total_of}
    figures["remark"] = offer.title if offer.lines else ""
    x0, y0, x_unit, y_unit = middle
    outline = (
        []
        if plan.outline.is_empty
        else shapely.get_parts(plan.frame.to_source(np.array([plan.outline], dtype=object))[0]).tolist()
    )
    rings = [
        [((x - x0) * x_unit, (y - y0) * y_unit) for x, y in shapely.get_coordinates(part.exterior).tolist()]
        for part in outline
    ]
    return IndexRow(
        plan.parcel_id,
        summary.get("label") or "",
        plan.readiness,
        summary.get("verdict_text") or "",
        figures,
        folder,
        files,
        rings,
    )
