"""What somebody brings: files told apart by what they hold, and the name that a raster is to have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from lawngis.errors import ParameterError, SiteError

from ..files import formats, rasters, tiles
from ..files.city_models import CITY_MODELS, is_city_model
from ..files.point_clouds import CLOUDS
from ..files.remote import is_address
from ..model.site_layers import RASTERS, SITE_LAYERS

PHOTO_BANDS = 3


@dataclass(frozen=True)
class Sources:
    """Files by what they are; rasters, or their tiles, by the name that they have in a site; addresses."""

    maps: tuple[Path, ...] = ()
    clouds: tuple[Path, ...] = ()
    cities: tuple[Path, ...] = ()
    vectors: tuple[Path, ...] = ()
    rasters: Mapping[str, tuple[Path, ...]] = field(default_factory=dict)
    remote: tuple[tuple[str, str], ...] = ()
    """Addresses, each with the raster or layer that it is to be; empty where nobody says."""

    @property
    def files(self) -> list[tuple[Path, Path]]:
        """Every file, with its place below the folder of sources; what belongs to it lies beside it."""
        plain = [
            (file, Path(file.name))
            for path in (*self.maps, *self.clouds, *self.cities, *self.vectors)
            for file in (path, *formats.side_files(path))
        ]
        parts = [
            (file, Path(name) / _place(file, whole))
            for name, places in self.rasters.items()
            for whole in places
            for tile in (tiles.tile_files(whole) if whole.is_dir() else [whole])
            for file in rasters.source_files(str(tile))
        ]
        return [*plain, *parts]

    def with_files(self, rasters: Mapping[str, Sequence[Path]], vectors: Sequence[Path]) -> Sources:
        """Return these and more files, of which none has another's name."""
        names = dict.fromkeys([*self.rasters, *rasters])
        both = {name: (*self.rasters.get(name, ()), *rasters.get(name, ())) for name in names}
        more = replace(self, rasters=both, vectors=(*self.vectors, *vectors))
        _refuse_twice(more)
        return more


def _place(file: Path, whole: Path) -> Path:
    """Return where a part of a virtual raster lies beside it; any other file by its name."""
    folder = whole.absolute().parent
    inside = whole.suffix.casefold() == ".vrt" and file.absolute().is_relative_to(folder)
    return file.absolute().relative_to(folder) if inside else Path(file.name)


def sources(words: Sequence[str]) -> Sources:
    """Return what somebody brings.

    Parameters
    ----------
    words
        A path or an address each; before a raster's may stand what it is: ``dem=``, ``dsm=`` or ``imagery=``. Several
        of one raster are its tiles. Before an address may stand the layer that it is: ``parcels=``. Nothing is asked
        of it here.

    Raises
    ------
    SiteError
        When a file isn't there, or is of no kind that is read.
    ParameterError
        When nobody says what a raster is, or two files have one name.
    """
    found: dict[str, list[Path]] = {"maps": [], "clouds": [], "cities": [], "vectors": []}
    grids: dict[str, list[Path]] = {}
    remote: list[tuple[str, str]] = []
    for word in words:
        before, _, address = word.partition("=")
        if is_address(word) or (before in (*RASTERS, *SITE_LAYERS) and is_address(address)):
            remote.append(("", word) if is_address(word) else (before, address))
            continue
        name, path = _named(word)
        kind = "rasters" if name else _kind(path)
        if kind != "rasters":
            found[kind].append(path)
            continue
        grids.setdefault(name or raster_name(path), []).append(path)
    by_kind = {kind: tuple(paths) for kind, paths in found.items()}
    by_name = {name: tuple(places) for name, places in grids.items()}
    result = Sources(**by_kind, rasters=by_name, remote=tuple(remote))
    _refuse_twice(result)
    return result


def _refuse_twice(result: Sources) -> None:
    names = [str(place).casefold() for _, place in result.files]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise ParameterError(f"two sources are called {twice}", advice="Rename one of them.")


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
    if is_city_model(path):
        return "cities"
    ending = path.suffix.casefold()
    kinds = {
        "maps": formats.MAP_EXTRACTS, "clouds": CLOUDS, "vectors": formats.VECTORS, "rasters": formats.RASTERS,
        "cities": CITY_MODELS,
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


def raster_name(path: Path) -> str:
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
