"""Options with which commands open a site, and what becomes of them."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from enum import StrEnum
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from lawngis.errors import ParameterError

if TYPE_CHECKING:
    from ..model.site import DataAccuracy
    from ..reading.read_options import ReadOptions
    from ..reading.site_source import SiteSource

SiteArgument = Annotated[Path, typer.Argument(metavar="SITE", help="GeoPackage, or folder of GeoPackages and rasters.")]
PLAN_HELP = "plan.gpkg, or the folder that it is in."
PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN", help=PLAN_HELP)]
LayerOption = Annotated[
    list[str] | None, typer.Option("--layer", metavar="LAYER=NAME", help="A layer that goes by another name.")
]
DemOption = Annotated[str | None, typer.Option("--dem", metavar="FILE", help="Terrain model.")]
DsmOption = Annotated[str | None, typer.Option("--dsm", metavar="FILE", help="Surface model.")]
ImageryOption = Annotated[str | None, typer.Option("--imagery", metavar="FILE", help="Aerial image.")]
BandsOption = Annotated[
    str | None, typer.Option("--bands", metavar="NAMES", help="The image's bands in order: red,green,blue,nir.")
]
ExamplesOption = Annotated[
    Path | None,
    typer.Option("--examples", metavar="FILE", help="Pieces drawn of lawn and not lawn, to read the image by."),
]
DemUnitOption = Annotated[
    str | None, typer.Option("--dem-unit", metavar="UNIT", help="Vertical unit of the rasters: m, ft or us-ft.")
]
ProfileOption = Annotated[
    str | None,
    typer.Option(
        "--profile",
        metavar="NAME|FILE",
        help="Mower: a profile's name or TOML file, or auto, the least costly for each parcel; default: the site's.",
    ),
]
PositionSdOption = Annotated[
    float | None, typer.Option("--position-sd", help="Standard deviation of mapped edges [m].")
]
DemSdOption = Annotated[float | None, typer.Option("--dem-sd", help="Standard deviation of one elevation [m].")]
DemCorrelationOption = Annotated[
    float | None, typer.Option("--dem-correlation", help="Distance over which errors of elevations are alike [m].")
]


class MessageForms(StrEnum):
    """How progress and errors are told."""

    words = "words"
    json = "json"


_MESSAGES = "--messages"
_MessagesOption = Annotated[
    MessageForms, typer.Option(_MESSAGES, help="Progress and errors on standard error: for people, or a JSON a line.")
]


def with_messages(command: Callable[..., None]) -> Callable[..., None]:
    """Return a command with the option by which programs read its messages; :func:`as_json_asked` obeys it.

    The option is looked for before anything else, so that what is wrong with the other words is told its way too.
    """

    @wraps(command)
    def run(*, messages: MessageForms, **options: Any) -> None:
        del messages
        command(**options)

    hints = {**get_type_hints(command, include_extras=True), "messages": _MessagesOption}
    option = inspect.Parameter("messages", inspect.Parameter.KEYWORD_ONLY, default=MessageForms.words)
    parameters = [*inspect.signature(command).parameters.values(), option]
    own = [parameter.replace(annotation=hints[parameter.name]) for parameter in parameters]
    run.__signature__ = inspect.Signature(own)  # type: ignore[attr-defined]
    run.__annotations__ = hints
    return run


def as_json_asked(words: Sequence[str]) -> bool:
    """Return whether the words of a command line ask for messages in JSON."""
    pairs = zip(words, [*words[1:], ""], strict=True)
    return any((word, after) == (_MESSAGES, "json") or word == f"{_MESSAGES}=json" for word, after in pairs)


def opened(
    site: Path,
    layer: Sequence[str] | None,
    rasters: dict[str, str | None],
    dem_unit: str | None,
    accuracy: dict[str, float | None],
    bands: str | None = None,
    examples: Path | None = None,
) -> SiteSource:
    """Return a site, looked through and ready to be cut into parcels."""
    from ..reading.site_files import site_files
    from ..reading.site_source import SiteSource

    files = site_files(site, layer_names=named_layers(layer), raster_files=given(rasters), examples=examples)
    return SiteSource(files, read_options(dem_unit, accuracy, bands))


def read_options(dem_unit: str | None, accuracy: dict[str, float | None], bands: str | None) -> ReadOptions:
    """Return how a site is read."""
    from ..reading.read_options import ReadOptions

    return ReadOptions(dem_unit=dem_unit, accuracy=_accuracy(accuracy), bands=band_names(bands))


def band_names(text: str | None) -> tuple[str, ...]:
    """Return the names of an image's bands, in order."""
    return tuple(name.strip().casefold() for name in text.split(",")) if text else ()


def _accuracy(values: dict[str, float | None]) -> DataAccuracy:
    from pydantic import ValidationError

    from ..model.site import DataAccuracy

    try:
        return DataAccuracy.model_validate({key: value for key, value in values.items() if value is not None})
    except ValidationError as error:
        problem = error.errors()[0]
        option = f"--{str(problem['loc'][0]).removesuffix('_m').replace('_', '-')}"
        raise ParameterError(f"{option} {problem['input']}: {problem['msg'].lower()} [m]") from error


def given(values: dict[str, str | None]) -> dict[str, str]:
    """Return the options that somebody gave."""
    return {key: value for key, value in values.items() if value is not None}


def named_layers(pairs: Sequence[str] | None) -> dict[str, str]:
    """Return the names that layers have in the files, from words such as ``parcels=my_parcels``."""
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
