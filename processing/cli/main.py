"""The command line. Heavy libraries are imported inside the commands, so that ``--help`` is quick."""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lawngis import __version__
from lawngis.errors import LawngisError, ParameterError

from ..model import messages
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
    PLAN_HELP,
    BandsOption,
    DemCorrelationOption,
    DemOption,
    DemSdOption,
    DemUnitOption,
    DsmOption,
    ExamplesOption,
    ImageryOption,
    LayerOption,
    PositionSdOption,
    ProfileOption,
    SiteArgument,
    as_json_asked,
    band_names,
    given,
    named_layers,
    opened,
    with_messages,
)
from .packaged import profiles, sample, steps
from .run import run
from .slope import slope
from .streams import our_words
from .visit import fault, measured, reconcile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from ..planning.run import PlanningRun
    from ..reading.site_source import SiteSource

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
            help="A parcel that takes more of the processor's time fails; with more plans of each, so many times more.",
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
    by: Annotated[
        list[str] | None,
        typer.Option("--by", metavar="COLUMN", help="Sum the portfolio by street, district or owner of the parcels."),
    ] = None,
    layer: LayerOption = None,
    dem: DemOption = None,
    dsm: DsmOption = None,
    imagery: ImageryOption = None,
    bands: BandsOption = None,
    examples: ExamplesOption = None,
    dem_unit: DemUnitOption = None,
    position_sd_m: PositionSdOption = None,
    dem_sd_m: DemSdOption = None,
    dem_correlation_m: DemCorrelationOption = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", metavar="STEP.NAME=VALUE", help="A parameter of a step.")
    ] = None,
) -> None:
    """Plan every parcel of SITE and write DIR/plan.gpkg.

    With several parcels, DIR/portfolio.csv ranks them, DIR/portfolio_by_COLUMN.csv sums them by what --by names, and
    DIR/plan.log.jsonl tells what came of each.
    """
    from ..files.file_kinds import PLAN
    from ..files.locking import alone_in
    from ..model.step import loaded_steps
    from ..planning.base_plan import base_plan, mowers_chosen
    from ..planning.limits import Limits
    from ..planning.plan_writer import refuse_inputs, run_info
    from ..planning.run import IN_PROCESS_MAX, PlanningRun, WorkerOptions
    from ..planning.run_settings import AUTO, run_settings

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
    source = opened(site, layer, {"dem": dem, "dsm": dsm, "imagery": imagery}, dem_unit, accuracy, bands, examples)
    _refuse_unsummable(by or (), source)
    target = PLAN.target(out)
    if from_ and profile is None and mowers_chosen(target):
        profile = AUTO
    settings = run_settings(source, profile, parameters, draws=draws, draw_seed=draw_seed)
    wanted = source.named(parcel)
    refuse_inputs(target, source)
    with alone_in(out):
        base = base_plan(target, from_, source, wanted if parcel else None, discard=discard_edits)
        for failure in loaded_steps()[1]:
            messages.note(f"step {failure.id} of {failure.package} can't be loaded and is left out: {failure.reason}")
        options = WorkerOptions(workers or (1 if len(wanted) <= IN_PROCESS_MAX else _cores()), scheduler)
        limits = Limits(parcel_seconds, worker_mb or _memory_mb(options.workers)).with_more_plans(
            draws + len(settings.mowers) - 1
        )
        run = PlanningRun(source, settings, wanted, limits, out, base)
        run.write(
            target,
            options,
            lambda: run_info(source, settings, started, datetime.now(UTC)),
            log=log or (out / LOG_NAME if len(wanted) > 1 else None),
            resume=resume,
            rasters=rasters,
        )
        _print_outcomes(run, target, by or ())
    if run.outcomes.failed:
        raise typer.Exit(EXIT_FAILED_PARCELS)


def _refuse_unsummable(by: Sequence[str], source: SiteSource) -> None:
    """Refuse, before hours of planning, to sum by what no parcel says."""
    from ..model.site_layers import SUMMED_BY

    for column in by:
        if column not in SUMMED_BY:
            raise ParameterError(f"--by {column!r} is none of {', '.join(SUMMED_BY)}")
        if not source.counts_to(column):
            raise ParameterError(
                f"--by {column}: no parcel says what {column} it counts to",
                where=str(source.files.layers["parcels"]),
                advice=f'Where its column has another name, say so in site.toml: [columns.parcels] {column} = "NAME"',
            )


def _print_outcomes(run: PlanningRun, target: Path, by: Sequence[str]) -> None:
    """Print the outcomes of a run, and write the portfolio table when there are several parcels."""
    from ..files.gpkg import read_table
    from ..planning.progress import outcome_table, outcome_words, portfolio_words
    from ..planning.ranking import sums_by, write_table

    outcome_table(run.ranking.rows)
    for parcel_id, reason in run.outcomes.failures:
        messages.failed_parcel(parcel_id, reason)
    if run.outcomes.failed > len(run.outcomes.failures):
        messages.note(f"and {run.outcomes.failed - len(run.outcomes.failures)} more: the layer summary says why")
    if run.outcomes.transient:
        again = "--resume tries those again and keeps the others"
        messages.note(f"{run.outcomes.transient} of them may go another time: {again}")
    if messages.as_json():
        messages.stop_findings(read_table(target, "findings", where="severity = 'stop'").to_dict("records"))
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
        for column in by:
            summed = target.with_name(f"{path.stem}_by_{column}{path.suffix}")
            write_table(summed, sums_by(table, column))
            typer.echo(f"summed by {column}: {summed}")


def _cores() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _memory_mb(workers: int) -> int | None:
    from ..planning.limits import memory_mb_each

    return memory_mb_each(workers)


def check(
    site: SiteArgument,
    layer: LayerOption = None,
    dem: DemOption = None,
    dsm: DsmOption = None,
    imagery: ImageryOption = None,
    bands: BandsOption = None,
    examples: ExamplesOption = None,
    dem_unit: DemUnitOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Say what SITE has, what is missing and what is broken."""
    from ..reading.read_options import ReadOptions
    from ..reading.site_report import site_report

    rasters = given({"dem": dem, "dsm": dsm, "imagery": imagery})
    options = ReadOptions(dem_unit=dem_unit, bands=band_names(bands))
    report = site_report(site, named_layers(layer), rasters, options, examples=examples)
    typer.echo(json.dumps(report.as_dict(), indent=2, ensure_ascii=False) if as_json else report.as_text())
    if messages.as_json():  # people read it in the report
        for problem in report.problems:
            messages.error(problem)
        for parcel, reason in report.failing.items():
            messages.failed_parcel(parcel, reason)
    if not report.usable:
        raise typer.Exit(EXIT_UNUSABLE)


def describe(
    process: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="A step, or plan, slope, check or deliver.")
    ] = None,
    all_: Annotated[bool, typer.Option("--all", help="All of them, as a list of processes.")] = False,
) -> None:
    """Print what a step or command takes and makes, as an OGC API - Processes description."""
    from .describe import process_named, processes

    if all_ == (process is not None):
        raise ParameterError("describe takes either a name or --all", advice="`lawngis describe --help` tells more.")
    described = process_named(process, DESCRIBED) if process else {"processes": processes(DESCRIBED)}
    typer.echo(json.dumps(described, indent=2, ensure_ascii=False))


def provider(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder of the desktop GIS's plug-ins.")],
) -> None:
    """Write a plug-in by which a desktop GIS has steps and commands in its toolbox.

    Its algorithms run as processes of this environment: write it again after moving or upgrading lawngis.
    """
    from ..services.writing import write_plugin
    from ..steps.workflow import installed_steps, step_layers
    from .describe import processes

    target = write_plugin(out, processes(DESCRIBED), list(step_layers(installed_steps()).values()))
    typer.echo(f"plug-in: {target}; switch it on in the GIS's list of plug-ins")


def serve(
    plan: Annotated[Path | None, typer.Argument(metavar="[PLAN]", help=f"{PLAN_HELP} Its layers are served.")] = None,
    host: Annotated[str, typer.Option("--host", help="Address to listen to.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port to listen to.")] = 8765,
    url: Annotated[str | None, typer.Option("--url", help="Address by which others call it, behind a proxy.")] = None,
    allow_remote: Annotated[
        bool, typer.Option("--allow-remote", help="Fetch files from web addresses that requests name.")
    ] = False,
) -> None:
    """Serve steps, plan and slope as processes, and the layers of PLAN as features, until it is ended.

    Only this machine reaches it unless --host says otherwise. Whoever reaches it reads the plan and has work done here.
    """
    from ..services.serving import Wishes
    from ..services.serving import serve as serve_processes
    from .describe import processes

    served = [one for one in processes(DESCRIBED) if one["id"] not in ("check", "deliver")]
    serve_processes(served, plan, Wishes(host, port, url, allow_remote), lambda at: typer.echo(f"serving at {at}"))


COMMANDS = (
    plan, check, sample, profiles, steps, describe, gather, run, slope, deliver, compare, mowers, measured, reconcile,
    fault, provider, serve,
)  # fmt: skip
for _command in COMMANDS:
    app.command(_command.__name__)(with_messages(_command))


DESCRIBED: tuple[Callable[..., None], ...] = (plan, slope, check, deliver)
"""Commands that are processes as well: people run them from a desktop GIS, or of a server."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; errors of people's making become one line."""
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    with our_words(), messages.told(as_json=as_json_asked(words)):
        return _exit_code(words)


def _exit_code(words: Sequence[str]) -> int:
    try:
        with broken_off_by_signals():
            code = app(list(words), prog_name="lawngis", standalone_mode=False)
    except LawngisError as error:
        messages.error(error)
        return EXIT_UNUSABLE
    except _CommandLineError as error:
        command = f" {words[0]}" if words[0] in _command_names() else ""
        advice = f"`lawngis{command} --help` shows what there is."
        what = _sentence(error.format_message())
        messages.unusable("UsageError", f"{what}. {advice}", what, advice=advice)
        return EXIT_UNUSABLE
    except (InterruptedRunError, KeyboardInterrupt, typer.Abort) as interrupt:
        words_ = interrupt if isinstance(interrupt, InterruptedRunError) else InterruptedRunError(0, 0)
        messages.unusable("Interrupted", str(words_))
        return exit_code(interrupt)
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            path = str(error.filename)
            what = f"a path of {len(path)} characters is longer than the system takes. Shorten it."
            messages.unusable("PathTooLong", f"{path[:80]}...: {what}")
            return EXIT_UNUSABLE
        if not nobody_reads(error):
            raise
        write_nowhere()
        return exit_code(EndedError(getattr(signal, "SIGHUP", signal.SIGTERM)))
    if code == exit_code(None):  # what the library of the command line makes of an interrupt
        messages.unusable("Interrupted", str(InterruptedRunError(0, 0)))
    return code if isinstance(code, int) else 0


def _command_names() -> set[str]:
    return {str(command.name or getattr(command.callback, "__name__", "")) for command in app.registered_commands}


def _sentence(text: str) -> str:
    return one_line(text).rstrip(".")


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
