"""Commands for after the visit: what was measured, what was laid against the plan, and where a break is."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from lawngis.errors import ParameterError

from ..model import messages
from ..model.text import counted, one_line
from .options import PlanArgument


def reconcile(
    plan: PlanArgument,
    track: Annotated[Path, typer.Argument(metavar="TRACK", help="GPX, GeoJSON, GeoPackage or CSV of the walk.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for record.gpkg.")],
    accuracy_m: Annotated[
        float | None, typer.Option("--accuracy", min=0, max=50, help="Standard deviation of one point [m].")
    ] = None,
    bias_m: Annotated[
        float | None, typer.Option("--bias", min=0, max=50, help="Of a shift that all points share [m].")
    ] = None,
    depth_m: Annotated[float | None, typer.Option("--depth", min=0, max=2, help="Depth of the wire [m].")] = None,
    buffer_m: Annotated[
        float, typer.Option("--buffer", min=0, max=20, help="Strip on either side that diggers mind [m].")
    ] = 0.5,
    track_crs: Annotated[
        str | None, typer.Option("--track-crs", metavar="CRS", help="Of a CSV's x and y; default: the plan's.")
    ] = None,
    walked: Annotated[
        datetime | None,
        typer.Option("--walked", metavar="DATE", formats=["%Y-%m-%d"], help="Day of the walk; default: the file's."),
    ] = None,
    instrument: Annotated[
        str | None, typer.Option("--instrument", metavar="TEXT", help="What the points were taken with.")
    ] = None,
    made_by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who makes this record.")] = None,
) -> None:
    """Compare what was laid with PLAN, and write DIR/record.gpkg."""
    from ..as_built.laid_wire import ReconcileOptions
    from ..as_built.layers import RECORD
    from ..as_built.reconcile import reconciled, write_record
    from ..as_built.tracks import read_track

    target = RECORD.target(out)
    day = walked.date() if walked else None
    options = ReconcileOptions(accuracy_m, bias_m, depth_m, buffer_m, day, instrument, made_by)
    record = reconciled(plan, read_track(track, crs=_crs(track_crs)), options)
    write_record(target, record)
    for word in record.words:
        typer.echo(one_line(word))
    for row in record.rows["as_laid"]:
        typer.echo(
            f"{row['loop_id']}: {row['laid_m']:.1f} ± {row['laid_sd_m']:.1f} m laid, {row['planned_m']:.1f} m planned"
        )
    typer.echo(f"{counted(len(record.rows['as_laid']), 'loop')}; record: {target}")


def fault(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="record.gpkg, or the folder that it is in.")],
    loop: Annotated[
        str | None, typer.Option("--loop", metavar="ID", help="Loop; needed when there are several.")
    ] = None,
    from_start_m: Annotated[float | None, typer.Option("--from-start", help="Wire from the start [m].")] = None,
    from_end_m: Annotated[float | None, typer.Option("--from-end", help="Wire from the end [m].")] = None,
    start_ohm: Annotated[float | None, typer.Option("--start-ohm", help="Resistance from the start [ohm].")] = None,
    end_ohm: Annotated[float | None, typer.Option("--end-ohm", help="Resistance from the end [ohm].")] = None,
    leads_ohm: Annotated[
        float, typer.Option("--leads-ohm", min=0, help="Resistance of the meter's own leads [ohm]: it is taken off.")
    ] = 0.0,
    temperature_c: Annotated[
        float | None, typer.Option("--temperature", help="Of the wire [°C]; unknown: 20, give or take 10.")
    ] = None,
    section_mm2: Annotated[
        float | None, typer.Option("--section", help="Of the wire [mm²]; default: the plan's.")
    ] = None,
) -> None:
    """Say where to dig for a break, from a distance or resistance measured at either end of the loop."""
    from ..as_built.faults import FaultReadings, fault_words

    readings = FaultReadings(from_start_m, from_end_m, start_ohm, end_ohm, leads_ohm, temperature_c, section_mm2)
    typer.echo(one_line(fault_words(record, loop, readings)))


def measured(
    plan: PlanArgument,
    sheet: Annotated[
        list[Path], typer.Argument(metavar="SHEET", help="Filled-in visit.csv, or a GeoPackage of collected points.")
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="GeoPackage with the layer overrides; put it into the site.")
    ],
) -> None:
    """Turn filled-in visit sheets into overrides, which the next plan of the site obeys.

    Rows that can't be used are listed, and the exit code is then 1; the others count all the same.
    """
    from ..measured.visit_sheets import answers_of, write_overrides

    answers = answers_of(plan, sheet)
    for words in answers.by_hand:
        typer.echo(one_line(f"corrects nothing by itself, look at it: {words}"))
    for words in answers.notes:
        typer.echo(one_line(f"a note, but nothing measured: {words}"))
    for error in answers.refused:
        messages.note(f"not used: {error}")
    if not answers.overrides:
        raise ParameterError("no sheet has a measured value that corrects anything", where=str(sheet[0]))
    write_overrides(out, answers.overrides)
    refused = f", {counted(len(answers.refused), 'row')} not used" if answers.refused else ""
    left = f", {counted(answers.open, 'check')} still open" if answers.open else ""
    typer.echo(
        f"{counted(len(answers.overrides), 'override')}{refused}{left}: {out}; put it into the folder of the site"
    )
    if answers.refused:
        raise typer.Exit(1)


def _crs(text: str | None):  # type: ignore[no-untyped-def]  # pyproj is loaded only when it is needed
    if text is None:
        return None
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        return CRS.from_user_input(text)
    except CRSError as error:
        raise ParameterError(f"--track-crs {text!r} is no CRS", advice="For example EPSG:25832.") from error
