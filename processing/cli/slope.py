"""The command ``lawngis slope``: words of the command line in, files and sentences out."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from lawngis.errors import ParameterError

from ..model import messages
from ..model.text import one_line

PROGRESS_FROM_ROWS = 4096
"""Rasters with fewer rows are done too soon for a progress bar."""


class SlopeUnit(StrEnum):
    """Units of slope."""

    percent = "percent"
    degree = "degree"


class SlopeMethod(StrEnum):
    """Methods of the gradient."""

    horn = "horn"
    zevenbergen_thorne = "zevenbergen-thorne"


class ErrorForms(StrEnum):
    """How errors of elevations are alike over a distance."""

    exponential = "exponential"
    gaussian = "gaussian"


class CellSizes(StrEnum):
    """What counts as the size of a cell."""

    ground = "ground"
    crs = "crs"


class Compressions(StrEnum):
    """How the files are packed."""

    deflate = "deflate"
    zstd = "zstd"
    none = "none"


def slope(
    dem: Annotated[
        str, typer.Argument(metavar="DEM", help="GeoTIFF, mosaic of them (.vrt), ASCII grid, or GPKG:file:table.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Slope, Cloud Optimized GeoTIFF.")],
    unit: Annotated[SlopeUnit, typer.Option("--unit", help="Of slope and its standard deviation.")] = SlopeUnit.percent,
    method: Annotated[
        SlopeMethod, typer.Option("--method", help="horn for rough ground, zevenbergen-thorne for smooth.")
    ] = SlopeMethod.horn,
    sd: Annotated[
        Path | None, typer.Option("--sd", metavar="FILE", help="Standard deviation of the slope as well.")
    ] = None,
    aspect: Annotated[Path | None, typer.Option("--aspect", metavar="FILE", help="Aspect as well [degrees].")] = None,
    dem_unit: Annotated[
        str | None, typer.Option("--dem-unit", metavar="UNIT", help="Vertical unit: m, ft or us-ft.")
    ] = None,
    dem_sd: Annotated[
        str | None,
        typer.Option("--dem-sd", metavar="M|CLASS", help="Accuracy of one elevation: metres, QL0 to QL3, or 10-cm."),
    ] = None,
    correlation_m: Annotated[
        float | None,
        typer.Option("--correlation-m", metavar="L", help="Length over which errors of elevations are alike [m]."),
    ] = None,
    error_form: Annotated[
        ErrorForms, typer.Option("--error-form", help="How they are alike: exponential (rough) or gaussian (smooth).")
    ] = ErrorForms.exponential,
    cell_size: Annotated[
        CellSizes,
        typer.Option("--cell-size", help="ground: true size on the Earth. crs: nominal, as gdaldem takes it."),
    ] = CellSizes.ground,
    compress: Annotated[
        Compressions, typer.Option("--compress", help="Compression of the files.")
    ] = Compressions.deflate,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, max=256, help="Threads that share the work; default: the cores.")
    ] = None,
) -> None:
    """Write the slope of DEM, on its own grid, block by block.

    The standard deviation takes the errors of elevations to be independent unless --correlation-m says otherwise.
    """
    from ..whole_rasters.slope import SlopeFiles, SlopeRecipe, write_slope

    if sd is None and (dem_sd is not None or correlation_m is not None):
        raise ParameterError("--dem-sd and --correlation-m are for --sd FILE", advice="Name the file, or leave them.")
    recipe = SlopeRecipe(
        unit=unit.value,
        method=method.value,
        cell_size=cell_size.value,
        dem_unit_m=_unit_m(dem_unit),
        z_sd_m=_sd_m(dem_sd),
        correlation_m=correlation_m,
        error_form=error_form.value,
    )
    files = SlopeFiles(out, sd, aspect, compress.value)
    outcome = write_slope(dem, files, recipe, workers=workers, progress=_shown)
    for note in outcome.notes:
        messages.note(f"note: {note}")
    written = ", ".join(str(path) for path in (out, sd, aspect) if path is not None)
    typer.echo(f"{outcome.with_slope} of {outcome.cells} cells have a slope: {one_line(written)}")


def _unit_m(name: str | None) -> float | None:
    if name is None:
        return None
    from ..reading.read_options import UNITS_M

    if name not in UNITS_M:
        raise ParameterError(f"--dem-unit {name!r} is none of {', '.join(UNITS_M)}")
    return UNITS_M[name]


def _sd_m(text: str | None) -> float | None:
    """Return what ``--dem-sd`` says: metres, or the RMSEz of a published class."""
    if text is None:
        return None
    from lawngis.ground.accuracy import accuracy_class

    try:
        return float(text)
    except ValueError:
        return accuracy_class(text).rmse_z_m


def _shown(rows: Iterable[int], total: int) -> Iterable[int]:
    if total < PROGRESS_FROM_ROWS and not messages.as_json():
        return rows
    return _with_bar(rows, total) if sys.stderr.isatty() and not messages.as_json() else _with_lines(rows, total)


def _with_bar(rows: Iterable[int], total: int) -> Iterator[int]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("slope", total=total)
        for count in rows:
            bar.advance(task, count)
            yield count


def _with_lines(rows: Iterable[int], total: int) -> Iterator[int]:
    done = 0
    for count in rows:
        tenths_before, done = 10 * done // total, done + count
        if 10 * done // total > tenths_before:
            messages.progress(done / total, text=f"slope: {100 * done // total} % of {total} rows")
        yield count
