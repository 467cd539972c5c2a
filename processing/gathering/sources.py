"""What somebody brings: files told apart by what they hold, and the name that a raster is to have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from lawngis.errors import ParameterError, SiteError

from ..files import formats, rasters, tiles
from ..files.point_clouds import CLOUDS
from ..model.site_layers import RASTERS

PHOTO_BANDS = 3


@dataclass(frozen=True)
class Sources:
    """Files by what they are; rasters, or folders of their tiles, by the name that they have in a site."""

    maps: tuple[Path, ...] = ()
    clouds: tuple[Path, ...] = ()
    vectors: tuple[Path, ...] = ()
    rasters: tuple[tuple[str, Path], ...] = ()

    @property
    def files(self) -> list[tuple[Path, Path]]:
        """Every file, with its place below the folder of sources; what belongs to it lies beside it."""
        plain = [(path, Path(path.name)) for path in (*self.maps, *self.clouds, *self.vectors)]
        parts = [
            (part, Path(name) / part.name)
            for name, place in self.rasters
            for part in (tiles.tile_files(place) if place.is_dir() else [place])
        ]
        return [
            (member, place.with_name(member.name))
            for path, place in (*plain, *parts)
            for member in (path, *formats.side_files(path))
        ]


def sources(words: Sequence[str]) -> Sources:
    """Return what somebody brings.

    Parameters
    ----------
    words
        A path each; before that of a raster may stand what it is: ``dem=``, ``dsm=`` or ``imagery=``.

    Raises
    ------
    SiteError
        When a file isn't there, or is of no kind that is read.
    ParameterError
        When nobody says what a raster is, or two are the same or two files have one name.
    """
    found: dict[str, list[Path]] = {"maps": [], "clouds": [], "vectors": []}
    grids: dict[str, Path] = {}
    for word in words:
        name, path = _named(word)
        kind = "rasters" if name else _kind(path)
        if kind != "rasters":
            found[kind].append(path)
            continue
        name = name or _raster_name(path)
        if name in grids:
            raise ParameterError(
                f"{grids[name]} and {path} are both to be {name}", advice="Put the tiles into one folder, and name it."
            )
        grids[name] = path
    result = Sources(**{kind: tuple(paths) for kind, paths in found.items()}, rasters=tuple(grids.items()))
    names = [str(place).casefold() for _, place in result.files]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise ParameterError(f"two sources are called {twice}", advice="Rename one of them.")
    return result


def _named(word: str) -> tuple[str, Path]:
    name, equals, rest = word.partition("=")
    if equals and name in RASTERS:
        path = Path(rest)
        fault = None if path.is_dir() else formats.file_fault(path, formats.RASTERS)
        if fault:
            raise SiteError(fault[0], where=rest, advice=fault[1])
        return name, path
    return "", Path(word)


def _kind(path: Path) -> str:
    ending = path.suffix.casefold()
    kinds = {
        "maps": formats.MAP_EXTRACTS, "clouds": CLOUDS, "vectors": formats.VECTORS, "rasters": formats.RASTERS
    }  # fmt: skip
    for kind, known in kinds.items():
        if ending in known:
            fault = formats.file_fault(path, known)
            if fault:
                raise SiteError(fault[0], where=str(path), advice=fault[1])
            return kind
    if path.is_dir():
        raise SiteError(
            "is a folder", where=str(path), advice="Name its files, or say of which raster it holds tiles: dem=FOLDER."
        )
    known_endings = ", ".join(dict.fromkeys(end for known in kinds.values() for end in known))
    what = "is of a kind that is not read" if path.exists() else "does not exist"
    raise SiteError(what, where=str(path), advice=f"Sources are {known_endings}.")


def _raster_name(path: Path) -> str:
    """Return what a raster is: by its name, or as a photo by its bands; heights don't tell what they are of."""
    stem = path.stem.casefold()
    if stem in RASTERS:
        return stem
    info = rasters.raster_overview(path)
    if info.dtype == "uint8" and len(info.bands) >= PHOTO_BANDS:
        return "imagery"
    raise ParameterError(
        "nothing says whether this raster is of the ground or of what stands on it",
        where=str(path),
        advice=f"Write dem={path} or dsm={path}.",
    )
