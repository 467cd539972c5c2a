"""The command ``lawngis gather``: what people can download becomes a site."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lawngis.errors import ParameterError

from ..model import messages
from ..model.text import counted, one_line
from .options import BandsOption, band_names

if TYPE_CHECKING:
    from ..gathering.site_folder import Bounds


def gather(
    source: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="SOURCE...",
            help="Map extracts, city models, layers, point clouds, rasters (dem=FILE, dsm=FILE or FOLDER), addresses.",
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="SITE", help="Folder of the site to make.")] = None,
    area: Annotated[
        str | None,
        typer.Option("--area", metavar="FILE|W,S,E,N", help="What is taken [degrees]; default: 100 m around parcels."),
    ] = None,
    bands: BandsOption = None,
    allow_remote: Annotated[
        bool,
        typer.Option("--allow-remote", help="Fetch from the addresses that the site.toml waiting in SITE names, too."),
    ] = False,
    tags: Annotated[bool, typer.Option("--tags", help="Print as what a map's features are taken.")] = False,
) -> None:
    """Make a site of open data.

    Files that hold layers under other names are taken as a site.toml says that waits in SITE. What lies in the area is
    fetched from the addresses among the sources, and from nowhere else.
    """
    from ..gathering import site_folder
    from ..gathering.map_tags import tag_text
    from ..gathering.sources import sources

    if tags:
        typer.echo(tag_text(), nl=False)
        return
    if not source or out is None:
        raise ParameterError("gather needs sources and a folder", advice="lawngis gather SOURCE... --out SITE")
    gathered = site_folder.gather(
        sources(source),
        out,
        _bounds(area) if area else None,
        bands=band_names(bands),
        allow_remote=allow_remote,
    )
    for name, features in gathered.layers.items():
        typer.echo(f"{name:14} {counted(features, 'feature')}")
    for name, file in gathered.rasters.items():
        typer.echo(f"{name:14} {file}")
    for note in gathered.notes:
        messages.note(note)
    for words in dict.fromkeys(gathered.settings.get("attribution", {}).values()):
        typer.echo(one_line(f"to be named wherever this is shown: {words}"))
    typer.echo(f"site: {out}; `lawngis check {out}` says what it lacks")


def _bounds(words: str) -> Bounds:
    """Return west, south, east, north as given, or of all that a file holds."""
    from ..gathering.site_folder import bounds_of

    try:
        numbers = [float(number) for number in words.split(",")]
    except ValueError:
        return bounds_of(Path(words))
    west, south, east, north = numbers if len(numbers) == 4 else (0.0, 0.0, 0.0, 0.0)
    if not (-180 <= west < east <= 180 and -90 <= south < north <= 90):
        raise ParameterError(f"--area {words} is no area", advice="Give west,south,east,north in degrees.")
    return west, south, east, north
