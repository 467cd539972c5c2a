"""The command ``lawngis deliver``: documents of every parcel of a plan."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from .options import PlanArgument

FAILURES_SHOWN = 20
"""As many parcels without documents are named."""


def deliver(
    plan: PlanArgument,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the documents.")],
    only: Annotated[
        str | None,
        typer.Option(
            "--only",
            metavar="KINDS",
            help="Only these: html,pdf,dxf,gpx,csv,ics,geojson,sld; or also geoparquet,flatgeobuf.",
        ),
    ] = None,
    parcel: Annotated[list[str] | None, typer.Option("--parcel", metavar="ID", help="Only this parcel.")] = None,
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="Where buildings and paving are to be had.")
    ] = None,
    prices: Annotated[Path | None, typer.Option("--prices", metavar="FILE", help="Price book (TOML).")] = None,
    labour: Annotated[Path | None, typer.Option("--labour", metavar="FILE", help="Labour book (TOML).")] = None,
    quote_details: Annotated[
        Path | None,
        typer.Option("--quote-details", metavar="FILE", help="Firm, customer, number and VAT on quotes (TOML)."),
    ] = None,
    crs: Annotated[
        str | None, typer.Option("--crs", metavar="CRS", help="Of the stakeout points; default: the plan's.")
    ] = None,
    locale: Annotated[str, typer.Option("--locale", help="How numbers and dates are written.")] = "en_GB",
    units: Annotated[str, typer.Option("--units", help="Of lengths, areas and scales: metric or feet.")] = "metric",
    font: Annotated[
        list[Path] | None,
        typer.Option("--font", metavar="FILE", help="Font with letters that ours lacks, such as Chinese ones."),
    ] = None,
    starting: Annotated[
        str | None, typer.Option("--starting", metavar="DATE", help="First day of the calendar; default: today.")
    ] = None,
    workers: Annotated[int, typer.Option("--workers", min=1, max=256, help="Processes that share the work.")] = 1,
) -> None:
    """Make the documents of PLAN: pages, plan sheets, visit sheets, quotes, drawings, points, calendars."""
    from ..files.atomic import LAYERS_FOLDER
    from ..model import messages
    from ..model.extras import refuse_without
    from ..model.text import counted

    refuse_without("documents", "documents")
    from ..deliver.documents import LAYER_KINDS, Wishes, deliver_documents, kinds_named, language_formats

    wishes = Wishes(
        kinds=kinds_named(only),
        formats=language_formats(locale, units, font or ()),
        prices=prices,
        labour=labour,
        details=quote_details,
        crs=crs,
        starting=_day(starting),
    )
    done = deliver_documents(plan, out, wishes, parcels=parcel or (), site=site, workers=workers)
    failures = [row.failure for row in done if row.failure is not None]
    for failure in failures[:FAILURES_SHOWN]:
        messages.note(f"no documents: {failure}")
    if len(failures) > FAILURES_SHOWN:
        messages.note(f"and {len(failures) - FAILURES_SHOWN} more: the index says why")
    if wishes.kinds & LAYER_KINDS.keys():
        typer.echo(f"layers: {out / LAYERS_FOLDER}")
    made = counted(len(done) - len(failures), "parcel")
    if not done:
        return
    typer.echo(f"documents of {made}: {out / 'index.html' if 'html' in wishes.kinds else out}")
    if failures:
        raise typer.Exit(1)


def _day(text: str | None) -> date:
    from lawngis.errors import ParameterError

    try:
        return date.fromisoformat(text) if text else date.today()
    except ValueError as error:
        raise ParameterError(f"--starting {text!r} is no date", advice="For example 2026-05-01.") from error
