"""Options with which commands open a site, and what becomes of them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
DemUnitOption = Annotated[
    str | None, typer.Option("--dem-unit", metavar="UNIT", help="Vertical unit of the rasters: m, ft or us-ft.")
]
ProfileOption = Annotated[
    str | None,
    typer.Option("--profile", metavar="NAME|FILE", help="Mower profile: a name or a TOML file; default: the site's."),
]
PositionSdOption = Annotated[
    float | None, typer.Option("--position-sd", help="Standard deviation of mapped edges [m].")
]
DemSdOption = Annotated[float | None, typer.Option("--dem-sd", help="Standard deviation of one elevation [m].")]
DemCorrelationOption = Annotated[
    float | None, typer.Option("--dem-correlation", help="Distance over which errors of elevations are alike [m].")
]


def opened(
    site: Path,
    layer: Sequence[str] | None,
    rasters: dict[str, str | None],
    dem_unit: str | None,
    accuracy: dict[str, float | None],
    bands: str | None = None,
) -> SiteSource:
    """Return a site, looked through and ready to be cut into parcels."""
    from ..reading.site_files import site_files
    from ..reading.site_source import SiteSource

    files = site_files(site, layer_names=named_layers(layer), raster_files=given(rasters))
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
