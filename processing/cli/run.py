"""The command ``lawngis run``: one step alone, on layers in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lawngis.errors import LawngisError, ParameterError

from ..model import messages
from ..model.text import counted
from .options import (
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
    given,
    named_layers,
    read_options,
)

if TYPE_CHECKING:
    from ..model.plan import Row
    from ..model.step import Step
    from ..planning.single_step import Source
    from ..reading.read_options import ReadOptions

EXIT_FAILED_PARCELS = 1


def run(
    step: Annotated[str, typer.Argument(metavar="STEP", help="Name of the step; `lawngis steps` lists them.")],
    source: Annotated[Path, typer.Argument(metavar="IN", help="GeoPackage with the layers that the step reads.")],
    out: Annotated[Path, typer.Argument(metavar="OUT.gpkg", help="File for its layers; others in it stay.")],
    set_: Annotated[
        list[str] | None, typer.Option("--set", metavar="NAME=VALUE", help="A parameter of the step.")
    ] = None,
    site: Annotated[
        Path | None, typer.Option("--site", metavar="SITE", help="The site, where its layers are not in IN.")
    ] = None,
    profile: ProfileOption = None,
    parcel: Annotated[list[str] | None, typer.Option("--parcel", metavar="ID", help="Only this parcel.")] = None,
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
) -> None:
    """Run one STEP on layers of IN, and put what it writes into OUT.gpkg.

    IN holds the layers of the site and those of a plan that the step reads: a site's file, a plan.gpkg with --site, or
    a folder. Layers of a plan that are not there are taken as empty. What other steps wrote into OUT.gpkg stays.
    """
    from ..model.step import step_named
    from ..planning.single_step import Source
    from ..steps.workflow import installed_steps, step_layers

    chosen = step_named(step)
    parameters = _parameters(chosen, set_)
    specs = step_layers(installed_steps())
    rasters = given({"dem": dem, "dsm": dsm, "imagery": imagery})
    place = Source(source, site, named_layers(layer), rasters, examples)
    accuracy = {"position_sd_m": position_sd_m, "dem_sd_m": dem_sd_m, "dem_correlation_m": dem_correlation_m}
    options = read_options(dem_unit, accuracy, bands)
    if chosen.id == "cover" and "parcels" not in place.files(specs).layers and not parcel:
        _cover_whole_image(chosen, place, options, parameters, out)
        return
    _run_by_parcel(chosen, place, options, (profile, parameters), parcel, out)


def _run_by_parcel(
    step: Step,
    place: Source,
    options: ReadOptions,
    profile_and_parameters: tuple[str | None, dict[str, str]],
    parcels: list[str] | None,
    out: Path,
) -> None:
    from ..files import gpkg
    from ..planning.run_settings import run_settings
    from ..planning.single_step import absent_layers, opened, readable, refuse_input, step_rows, write_step
    from ..steps.workflow import OPEN_LAYERS, installed_steps, step_layers

    profile, parameters = profile_and_parameters
    specs = step_layers(installed_steps())
    opened_site = opened(place, specs, options)
    settings = run_settings(opened_site, profile, {step.id: parameters})
    wanted = opened_site.named(parcels)
    refuse_input(out, opened_site.files)
    gpkg.refuse_unwritable(out)
    gpkg.refuse_unlike(out, [specs[name] for name in (*step.writes, *OPEN_LAYERS)], opened_site.crs)
    earlier = readable(place, step, specs, opened_site)
    results: dict[str, dict[str, list[Row]]] = {}
    failures = []
    messages.begin(len(wanted))
    for name in wanted:
        messages.step_of(name, step.id, 0)
        try:
            results |= step_rows(opened_site, step, settings, earlier, specs, [name])
        except LawngisError as error:
            failures.append(name)
            messages.failed_parcel(name, str(error))
        else:
            messages.stop_findings(results[name]["findings"])
        messages.parcel_done(name, "failed" if name in failures[-1:] else "done")
    absent = absent_layers(step, earlier)
    if absent:
        messages.note(f"{place.path.name} has no {', '.join(absent)}: taken as empty")
    if results:
        write_step(out, step, results, opened_site, specs)
        for layer in step.writes:
            rows = sum(len(layers[layer]) for layers in results.values())
            typer.echo(f"{layer}: {counted(rows, 'row')} of {counted(len(results), 'parcel')} in {out}")
    if failures:
        raise typer.Exit(EXIT_FAILED_PARCELS)


def _cover_whole_image(step: Step, place: Source, options: ReadOptions, parameters: dict[str, str], out: Path) -> None:
    """Work on an image without parcels, block by block."""
    from ..derived.imagery_rules import CoverParameters
    from ..files import gpkg
    from ..planning.single_step import refuse_input
    from ..steps.workflow import installed_steps, step_layers
    from ..whole_rasters.cover import write_cover
    from ..whole_rasters.cover_layers import COVER_LAYERS

    files = place.files(step_layers(installed_steps()))
    refuse_input(out, files)
    if out.exists():
        others = [info.name for info in gpkg.layer_overview(out) if info.name not in (*COVER_LAYERS, "layer_styles")]
        if others:
            raise ParameterError(
                f"holds a layer {others[0]}, and the cover of a whole image takes a file of its own",
                where=str(out),
                advice="Name another file.",
            )
    wanted = CoverParameters.model_validate(step.parameters_from(parameters).model_dump())
    outcome = write_cover(files, options.with_those_of(files.settings.settings), wanted, out)
    for finding in outcome.findings:
        messages.note(finding.said()[0])
    typer.echo(outcome.words)


def _parameters(step: Step, pairs: list[str] | None) -> dict[str, str]:
    """Return the step's parameters as text, checked."""
    found: dict[str, str] = {}
    for pair in pairs or ():
        name, equals, value = pair.partition("=")
        if not (name and equals):
            raise ParameterError(
                f"--set {pair!r} is not NAME=VALUE", advice=f"`lawngis describe {step.id}` lists them."
            )
        found[name.removeprefix(f"{step.id}.")] = value
    step.parameters_from(found)
    return found
