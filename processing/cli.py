"""The command line. Heavy libraries are imported inside the commands, so that ``--help`` is quick."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lawngis.errors import LawngisError, ParameterError
from lawngis.mower import DEFAULT_PROFILE

from .words import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from .portfolio import ParcelResult
    from .sites import DataAccuracy
    from .source import SiteSource

EXIT_FAILED_PARCELS = 1
EXIT_UNUSABLE = 2
FAILURES_MAX = 60
"""As many failed parcels are said one by one."""

EXIT_INTERRUPTED = 130
"""128 and the number of the signal, as shells count (common practice)."""

# What the library beneath raises for words it can't use. Where that class lives changes between its versions.
_CommandLineError: Any = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name="lawngis",
    help="Plan wire-guided robotic lawnmower installations from maps and elevation data.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

SiteArgument = Annotated[Path, typer.Argument(metavar="SITE", help="GeoPackage, or folder of GeoPackages and rasters.")]
LayerOption = Annotated[
    list[str] | None, typer.Option("--layer", metavar="LAYER=NAME", help="A layer that goes by another name.")
]
DemOption = Annotated[str | None, typer.Option("--dem", metavar="FILE", help="Terrain model.")]
DsmOption = Annotated[str | None, typer.Option("--dsm", metavar="FILE", help="Surface model.")]
ImageryOption = Annotated[str | None, typer.Option("--imagery", metavar="FILE", help="Aerial image.")]
DemUnitOption = Annotated[
    str | None, typer.Option("--dem-unit", metavar="UNIT", help="Vertical unit of the rasters: m, ft or us-ft.")
]


@app.command()
def plan(
    site: SiteArgument,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for plan.gpkg.")],
    profile: Annotated[
        str, typer.Option("--profile", metavar="NAME|FILE", help="Mower profile: a name or a TOML file.")
    ] = DEFAULT_PROFILE,
    parcel: Annotated[list[str] | None, typer.Option("--parcel", metavar="ID", help="Only this parcel.")] = None,
    workers: Annotated[int, typer.Option("--workers", min=1, max=256, help="Processes that share the work.")] = 1,
    layer: LayerOption = None,
    dem: DemOption = None,
    dsm: DsmOption = None,
    imagery: ImageryOption = None,
    dem_unit: DemUnitOption = None,
    position_sd_m: Annotated[
        float | None, typer.Option("--position-sd", help="Standard deviation of mapped edges [m].")
    ] = None,
    dem_sd_m: Annotated[float | None, typer.Option("--dem-sd", help="Standard deviation of one elevation [m].")] = None,
    set_: Annotated[
        list[str] | None, typer.Option("--set", metavar="STEP.NAME=VALUE", help="A parameter of a step.")
    ] = None,
) -> None:
    """Plan every parcel of SITE and write DIR/plan.gpkg."""
    from lawngis.mower import profile_from

    from .outcome import outcome_table, outcome_words, with_progress
    from .portfolio import parcel_results
    from .step import loaded_steps
    from .workflow import Settings, ordered
    from .writing import plan_file, refuse_inputs, run_info, write_plan

    started = datetime.now(UTC)
    settings = Settings(profile_from(profile), _step_parameters(set_ or ()))
    steps, broken = loaded_steps()
    settings.check(ordered(steps.values()))
    accuracy = {"position_sd_m": position_sd_m, "dem_sd_m": dem_sd_m}
    source = _opened(site, layer, {"dem": dem, "dsm": dsm, "imagery": imagery}, dem_unit, accuracy)
    wanted = _wanted(source, parcel)
    target = plan_file(out)
    refuse_inputs(target, source)
    for failure in broken:
        _say(f"step {failure.id} of {failure.package} can't be loaded and is left out: {failure.reason}")
    found = parcel_results(source, settings, parcel_ids=wanted, workers=workers)
    results = _in_order(with_progress(found, len(wanted)), wanted)
    write_plan(target, results, run_info(source, settings, started, datetime.now(UTC)), source)
    outcome_table(results)
    _say_failures(results)
    typer.echo(outcome_words(results, target))
    if any(result.failure for result in results):
        raise typer.Exit(EXIT_FAILED_PARCELS)


@app.command()
def check(
    site: SiteArgument,
    layer: LayerOption = None,
    dem: DemOption = None,
    dsm: DsmOption = None,
    imagery: ImageryOption = None,
    dem_unit: DemUnitOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Say what SITE has, what is missing and what is broken."""
    from .checking import site_report
    from .source import ReadOptions

    rasters = _given({"dem": dem, "dsm": dsm, "imagery": imagery})
    report = site_report(site, _named_layers(layer), rasters, ReadOptions(dem_unit=dem_unit))
    typer.echo(json.dumps(report.as_dict(), indent=2, ensure_ascii=False) if as_json else report.as_text())
    if not report.usable:
        raise typer.Exit(EXIT_UNUSABLE)


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
    from .step import loaded_steps
    from .workflow import ordered

    found, broken = loaded_steps()
    for step in ordered(found.values()):
        typer.echo(f"{step.id:14} {step.title}")
    for failure in broken:
        typer.echo(f"{failure.id:14} broken: {failure.reason} (package {failure.package})")


@app.command()
def describe(step: Annotated[str, typer.Argument(metavar="STEP")]) -> None:
    """Print a step's declaration as an OGC API - Processes description."""
    from .describe import process_description
    from .step import step_named

    typer.echo(json.dumps(process_description(step_named(step)), indent=2, ensure_ascii=False))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; errors of people's making become one line."""
    words = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    try:
        code = app(words, prog_name="lawngis", standalone_mode=False)
    except LawngisError as error:
        _say(f"lawngis: {error}")
        return EXIT_UNUSABLE
    except _CommandLineError as error:
        command = f" {words[0]}" if words[0] in _command_names() else ""
        _say(f"lawngis: {_sentence(error.format_message())}. `lawngis{command} --help` shows what there is.")
        return EXIT_UNUSABLE
    except (KeyboardInterrupt, typer.Abort):
        code = EXIT_INTERRUPTED
    if code == EXIT_INTERRUPTED:
        _say("lawngis: interrupted; nothing was written")
    return code if isinstance(code, int) else 0


def _command_names() -> set[str]:
    return {str(command.name or getattr(command.callback, "__name__", "")) for command in app.registered_commands}


def _sentence(text: str) -> str:
    return one_line(text).rstrip(".")


def _say(text: str) -> None:
    typer.echo(one_line(text), err=True)


def _opened(
    site: Path,
    layer: Sequence[str] | None,
    rasters: dict[str, str | None],
    dem_unit: str | None,
    accuracy: dict[str, float | None],
) -> SiteSource:
    from .site_files import site_files
    from .source import ReadOptions, SiteSource

    options = ReadOptions(dem_unit=dem_unit, accuracy=_accuracy(accuracy))
    files = site_files(site, layer_names=_named_layers(layer), raster_files=_given(rasters))
    return SiteSource(files, options)


def _accuracy(values: dict[str, float | None]) -> DataAccuracy:
    from pydantic import ValidationError

    from .sites import DataAccuracy

    try:
        return DataAccuracy(**{key: value for key, value in values.items() if value is not None})
    except ValidationError as error:
        problem = error.errors()[0]
        option = f"--{str(problem['loc'][0]).removesuffix('_m').replace('_', '-')}"
        raise ParameterError(f"{option} {problem['input']:g}: {problem['msg'].lower()} [m]") from error


def _given(values: dict[str, str | None]) -> dict[str, str]:
    return {key: value for key, value in values.items() if value is not None}


def _named_layers(pairs: Sequence[str] | None) -> dict[str, str]:
    named: dict[str, str] = {}
    for pair in pairs or ():
        layer, equals, name = pair.partition("=")
        if not (layer and equals and name):
            raise ParameterError(
                f"--layer {pair!r} is not LAYER=NAME", advice="For example --layer parcels=my_parcels."
            )
        if layer.casefold() in named:
            raise ParameterError(f"--layer gives {layer.casefold()} twice", advice="Name one layer for it.")
        named[layer.casefold()] = name
    return named


def _step_parameters(pairs: Iterable[str]) -> dict[str, dict[str, str]]:
    parameters: dict[str, dict[str, str]] = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        step, dot, parameter = name.partition(".")
        if not (step and dot and parameter and equals):
            raise ParameterError(
                f"--set {pair!r} is not STEP.NAME=VALUE", advice="For example --set lawn.sliver_width_m=0.1."
            )
        parameters.setdefault(step, {})[parameter] = value
    return parameters


def _wanted(source: SiteSource, parcels: Sequence[str] | None) -> list[str]:
    known = set(source.parcel_ids)
    for name in parcels or ():
        if name not in known:
            raise ParameterError(
                f"there is no parcel {name!r}",
                where=str(source.files.layers["parcels"]),
                advice=_parcels_there(source.parcel_ids, name),
            )
    return list(dict.fromkeys(parcels)) if parcels else source.parcel_ids


def _parcels_there(names: Sequence[str], wanted: str) -> str:
    from difflib import get_close_matches

    near = get_close_matches(wanted, names, n=3) or list(names[:5])
    more = f" and {len(names) - len(near)} more" if len(names) > len(near) else ""
    return f"There are {', '.join(near)}{more}." if len(names) > 1 else f"The only one is {names[0]}."


def _in_order(results: Iterable[ParcelResult], parcel_ids: Sequence[str]) -> list[ParcelResult]:
    place = {parcel_id: number for number, parcel_id in enumerate(parcel_ids)}
    return sorted(results, key=lambda result: place[result.parcel_id])


def _say_failures(results: Sequence[ParcelResult]) -> None:
    failures = [result for result in results if result.failure]
    for result in failures[:FAILURES_MAX]:
        _say(f"parcel {one_line(result.parcel_id)} failed: {one_line(result.failure)}")
    if len(failures) > FAILURES_MAX:
        _say(f"and {len(failures) - FAILURES_MAX} more: the layer summary says why")


if __name__ == "__main__":
    sys.exit(main())
