"""Commands that tell or copy what comes along with lawngis: the sample site, mower profiles, steps."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lawngis.mower import DEFAULT_PROFILE


def sample(folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.")]) -> None:
    """Copy the sample site, an invented neighbourhood of 12 parcels, to DIR."""
    from ..files.atomic import copy_packaged

    endings = (".gpkg", ".tif", ".toml", ".md", ".png", ".geojson", ".osm")
    copied = copy_packaged("lawngis.sample_parcels", folder, endings)
    typer.echo(
        f"{len(copied)} files in {folder}; `lawngis plan {folder} --out plan` plans it, {folder}/walks shows more"
    )


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


def steps() -> None:
    """List the steps in the order in which they run."""
    from ..model.step import loaded_steps
    from ..steps.workflow import installed_steps

    broken = loaded_steps()[1]
    for step in installed_steps():
        typer.echo(f"{step.id:14} {step.title}")
    for failure in broken:
        typer.echo(f"{failure.id:14} broken: {failure.reason} (package {failure.package})")
