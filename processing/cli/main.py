"""The command line. Heavy libraries are imported inside the commands, so that ``--help`` is quick."""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lawngis import __version__
from lawngis.errors import LawngisError, ParameterError
from lawngis.mower import DEFAULT_PROFILE

from ..model.text import one_line
from ..planning.interrupt import (
    EndedError,
    InterruptedRunError,
    broken_off_by_signals,
    exit_code,
    nobody_reads,
    write_nowhere,
)
from .compare import compare
from .deliver import deliver
from .gather import gather
from .mowers import mowers
from .options import (
    BandsOption,
    DemCorrelationOption,
    DemOption,
    DemSdOption,
    DemUnitOption,
    DsmOption,
    ImageryOption,
    LayerOption,
    PositionSdOption,
    ProfileOption,
    SiteArgument,
    band_names,
    given,
    named_layers,
    opened,
)
from .run import run
from .slope import slope
from .streams import our_words
from .visit import fault, measured, reconcile

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ..planning.run import PlanningRun

EXIT_FAILED_PARCELS = 1
EXIT_UNUSABLE = 2
PARCEL_SECONDS = 600.0
"""Ordinary parcels take a fraction of a second: one that takes so long never ends, or is none [s]."""

LOG_NAME = "plan.log.jsonl"
TABLE_NAME = "portfolio.csv"

# What the library of the command line raises for unusable options; its module changes between versions.
_CommandLineError: Any = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name="lawngis",
    help="Plan wire-guided robotic lawnmower installations from maps and elevation data.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # units stand in brackets, which markup would swallow
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lawngis {__version__}")
        raise typer.Exit


@app.callback()
def _any_command(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    del version  # its callback has ended the program


@app.command()
def plan(
    site: SiteArgument,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for plan.gpkg.")],
    profile: ProfileOption = None,
    parcel: Annotated[list[str] | None, typer.Option("--parcel", metavar="ID", help="Only this parcel.")] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, max=256, help="Processes that share the work; default: for many, the cores."),
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", metavar="ADDRESS", help="Dask cluster that does the work instead.")
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option("--from", metavar="STEP", help="Take the layers before STEP from DIR/plan.gpkg as they are."),
    ] = None,
    discard_edits: Annotated[
        bool, typer.Option("--discard-edits", help="Overwrite what somebody edited in DIR/plan.gpkg.")
    ] = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on: plan only what isn't finished or has changed since.")
    ] = False,
    parcel_seconds: Annotated[
        float,
        typer.Option(
            "--parcel-seconds",
            min=0.1,
            help="A parcel that takes more of the processor's time fails; with --draws N, N times more.",
        ),
    ] = PARCEL_SECONDS,
    worker_mb: Annotated[
        int | None,
        typer.Option("--worker-mb", min=200, help="Memory of each process; default: a share of the machine's."),
    ] = None,
    draws: Annotated[
        int,
        typer.Option(
            "--draws", min=0, max=1000, metavar="N", help="Plan each parcel on N versions of its data as well."
        ),
    ] = 0,
    draw_seed: Annotated[
        int, typer.Option("--draw-seed", min=0, max=2**31, metavar="S", help="By which versions are drawn.")
    ] = 1,
    rasters: Annotated[
        bool, typer.Option("--rasters", help="Write slope, slope_sd, signal, shade and coverage as GeoTIFFs too.")
    ] = False,
    log: Annotated[
        Path | None, typer.Option("--log", metavar="FILE", help="A line of JSON for each parcel; default: in DIR.")
    ] = None,
    layer: LayerOption = None,
    dem: DemOption = None,
    dsm: DsmOption = None,
    imagery: ImageryOption = None,
    bands: BandsOption = None,
    dem_unit: DemUnitOption = None,
    position_sd_m: PositionSdOption = None,
    dem_sd_m: DemSdOption = None,
    dem_correlation_m: DemCorrelationOption = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", metavar="STEP.NAME=VALUE", help="A parameter of a step.")
    ] = None,
) -> None:
    """Plan every parcel of SITE and write DIR/plan.gpkg.

    With several parcels, DIR/portfolio.csv ranks them and DIR/plan.log.jsonl tells what came of each.
    """
    from ..files.file_kinds import PLAN
    from ..files.locking import alone_in
    from ..model.step import loaded_steps
    from ..planning.base_plan import base_plan
    from ..planning.limits import Limits
    from ..planning.plan_writer import refuse_inputs, run_info
    from ..planning.run import IN_PROCESS_MAX, PlanningRun, WorkerOptions
    from ..planning.run_settings import run_settings

    started = datetime.now(UTC)
    parameters = _step_parameters(set_ or ())
    if dem_correlation_m is None:  # it was a parameter of one step before it became the terrain model's
        dem_correlation_m = parameters.get("keepouts", {}).pop("dem_correlation_m", None)
    if draws and from_:
        raise ParameterError(
            "--draws plans other versions of the maps, and --from builds on what somebody left of one plan",
            advice="Use one of them; what draws told of a plan stays with its checks under --from.",
        )
    accuracy = {"position_sd_m": position_sd_m, "dem_sd_m": dem_sd_m, "dem_correlation_m": dem_correlation_m}
    source = opened(site, layer, {"dem": dem, "dsm": dsm, "imagery": imagery}, dem_unit, accuracy, bands)
    settings = run_settings(source, profile, parameters, draws=draws, draw_seed=draw_seed)
    wanted = source.named(parcel)
    target = PLAN.target(out)
    refuse_inputs(target, source)
    with alone_in(out):
        base = base_plan(target, from_, source, wanted if parcel else None, discard=discard_edits)
        for failure in loaded_steps()[1]:
            _say(f"step {failure.id} of {failure.package} can't be loaded and is left out: {failure.reason}")
        options = WorkerOptions(workers or (1 if len(wanted) <= IN_PROCESS_MAX else _cores()), scheduler)
        limits = Limits(parcel_seconds, worker_mb or _memory_mb(options.workers)).with_draws(draws)
        run = PlanningRun(source, settings, wanted, limits, out, base)
        run.write(
            target,
            options,
            lambda: run_info(source, settings, started, datetime.now(UTC)),
            log=log or (out / LOG_NAME if len(wanted) > 1 else None),
            resume=resume,
            rasters=rasters,
        )
        _print_outcomes(run, target)
    if run.outcomes.failed:
        raise typer.Exit(EXIT_FAILED_PARCELS)


def _print_outcomes(run: PlanningRun, target: Path) -> None:
    """Print the outcomes of a run, and write the portfolio table when there are several parcels."""
    from ..planning.progress import outcome_table, outcome_words, portfolio_words
    from ..planning.ranking import write_table

    outcome_table(run.ranking.rows)
    for parcel_id, reason in run.outcomes.failures:
        _say(f"parcel {one_line(parcel_id)} failed: {one_line(reason)}")
    if run.outcomes.failed > len(run.outcomes.failures):
        _say(f"and {run.outcomes.failed - len(run.outcomes.failures)} more: the layer summary says why")
    if run.outcomes.transient:
        _say(f"{run.outcomes.transient} of them may go another time: --resume tries those again and keeps the others")
    typer.echo(outcome_words(run.outcomes.statuses, target))
    if run.rasters_left_out:
        files = ", ".join(f"{name}.tif" for name in run.rasters_left_out)
        typer.echo(f"not written, as the data of no parcel tell what would be in it: {files}")
    if len(run.ranking) > 1:
        table = run.ranking.table()
        path = target.with_name(TABLE_NAME)
        write_table(path, table)
        for line in portfolio_words(table, path):
            typer.echo(line)


def _cores() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _memory_mb(workers: int) -> int | None:
    from ..planning.limits import memory_mb_each

    return memory_mb_each(workers)


@app.command()
def check(
    site: SiteArgument,
    layer: LayerOption = None,
    dem: DemOption = None,
    dsm: DsmOption = None,
    imagery: ImageryOption = None,
    bands: BandsOption = None,
    dem_unit: DemUnitOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Say what SITE has, what is missing and what is broken."""
    from ..reading.read_options import ReadOptions
    from ..reading.site_report import site_report

    rasters = given({"dem": dem, "dsm": dsm, "imagery": imagery})
    report = site_report(site, named_layers(layer), rasters, ReadOptions(dem_unit=dem_unit, bands=band_names(bands)))
    typer.echo(json.dumps(report.as_dict(), indent=2, ensure_ascii=False) if as_json else report.as_text())
    if not report.usable:
        raise typer.Exit(EXIT_UNUSABLE)


@app.command()
def sample(folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")]) -> None:
    """Copy the sample site, an invented neighbourhood of 12 parcels, to DIR."""
    from ..files.atomic import copy_packaged

    endings = (".gpkg", ".tif", ".toml", ".md", ".png", ".geojson", ".osm")
    copied = copy_packaged("lawngis.sample_parcels", folder, endings)
    typer.echo(
        f"{len(copied)} files in {folder}; `lawngis plan {folder} --out plan` plans it, {folder}/walks shows more"
    )


@app.command()
def profiles(name: Annotated[str | None, typer.Argument(metavar="[NAME]")] = None) -> None:
    """List the mower profiles, or print one with its values and comments."""
    from lawngis.mower import built_in_profile, profile_names, profile_text

    if name is not None:
        built_in_profile(name)
        typer.echo(profile_text(name), nl=False)
        return
    for known in profile_names():
        mark = "  (default)" if known == DEFAULT_PROFILE else ""
        typer.echo(f"{known:10} {built_in_profile(known).title}{mark}")


@app.command()
def steps() -> None:
    """List the steps in the order in which they run."""
    from ..model.step import loaded_steps
    from ..steps.workflow import installed_steps

    broken = loaded_steps()[1]
    for step in installed_steps():
        typer.echo(f"{step.id:14} {step.title}")
    for failure in broken:
        typer.echo(f"{failure.id:14} broken: {failure.reason} (package {failure.package})")


@app.command()
def describe(step: Annotated[str, typer.Argument(metavar="STEP")]) -> None:
    """Print a step's declaration as an OGC API - Processes description."""
    from ..model.step import step_named
    from .describe import process_description

    typer.echo(json.dumps(process_description(step_named(step)), indent=2, ensure_ascii=False))


app.command()(gather)
app.command()(run)
app.command()(slope)
app.command()(deliver)
app.command()(compare)
app.command()(mowers)
app.command()(measured)
app.command()(reconcile)
app.command()(fault)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; errors of people's making become one line."""
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    with our_words():
        return _exit_code(words)


def _exit_code(words: Sequence[str]) -> int:
    try:
        with broken_off_by_signals():
            code = app(list(words), prog_name="lawngis", standalone_mode=False)
    except LawngisError as error:
        _say(f"lawngis: {error}")
        return EXIT_UNUSABLE
    except _CommandLineError as error:
        command = f" {words[0]}" if words[0] in _command_names() else ""
        _say(f"lawngis: {_sentence(error.format_message())}. `lawngis{command} --help` shows what there is.")
        return EXIT_UNUSABLE
    except (InterruptedRunError, KeyboardInterrupt, typer.Abort) as interrupt:
        _say(f"lawngis: {interrupt if isinstance(interrupt, InterruptedRunError) else InterruptedRunError(0, 0)}")
        return exit_code(interrupt)
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            path = str(error.filename)
            what = f"a path of {len(path)} characters is longer than the system takes. Shorten it."
            _say(f"lawngis: {path[:80]}...: {what}")
            return EXIT_UNUSABLE
        if not nobody_reads(error):
            raise
        write_nowhere()
        return exit_code(EndedError(getattr(signal, "SIGHUP", signal.SIGTERM)))
    if code == exit_code(None):  # what the library of the command line makes of an interrupt
        _say(f"lawngis: {InterruptedRunError(0, 0)}")
    return code if isinstance(code, int) else 0


def _command_names() -> set[str]:
    return {str(command.name or getattr(command.callback, "__name__", "")) for command in app.registered_commands}


def _sentence(text: str) -> str:
    return one_line(text).rstrip(".")


def _say(text: str) -> None:
    """Print a line to standard error, if anybody is there to read it."""
    with suppress(OSError):
        typer.echo(one_line(text), err=True)


def _step_parameters(pairs: Iterable[str]) -> dict[str, dict[str, Any]]:
    parameters: dict[str, dict[str, Any]] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        step, dot, parameter = name.partition(".")
        if not (step and dot and parameter and equals):
            raise ParameterError(
                f"--set {pair!r} is not STEP.NAME=VALUE", advice="For example --set lawn.sliver_width_m=0.1."
            )
        parameters.setdefault(step, {})[parameter] = value
    return parameters


if __name__ == "__main__":
    sys.exit(main())
