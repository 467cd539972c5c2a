"""Find a site's layers and rasters, without reading them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lawngis.errors import LayerError, SiteError

from ..files import formats, gpkg, rasters, tiles
from ..files.file_kinds import PLAN
from ..model.catalogue import sentences
from ..model.site_layers import RASTERS, SITE_LAYERS
from .site_settings import FILE_NAME, Completeness, SettingsFile, SiteSettings, completeness, settings_file

RASTER_ENDINGS = (".tif", ".tiff", ".vrt")
SITE_ENDINGS = (".gpkg", ".fgb", ".parquet", ".geoparquet")
"""Endings of files that nobody has in a folder of a site for another purpose: one that can't be read is a fault."""

VECTOR_ENDINGS = (*SITE_ENDINGS, ".geojson", ".gml", ".shp")


MIXED = ("Geometry", "GeometryCollection")
"""What a layer says that holds features of any type: each is then looked at by itself."""


@dataclass(frozen=True)
class LayerPlace:
    """Where a layer of the site is stored: the user's file, and what is known of it there or in an indexed copy."""

    path: Path
    info: gpkg.LayerInfo
    columns: Mapping[str, str] = field(default_factory=dict)
    """Names that columns of the contract have in the file, where they differ."""
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    """Of columns, what words of the file mean."""

    def __str__(self) -> str:
        return f"{self.path.name}, layer {self.info.name}"


@dataclass(frozen=True)
class SiteFiles:
    """Layers and rasters of a site, located but not read."""

    path: Path
    layers: Mapping[str, LayerPlace]
    rasters: Mapping[str, str]
    ignored: Mapping[str, str] = field(default_factory=dict)
    """What is there and not taken, each with the reason, and the line that would take it where there is one."""
    tiles: Mapping[str, str] = field(default_factory=dict)
    """Folders of tiles that rasters were tied together from, by raster."""
    settings: SettingsFile = field(default_factory=SettingsFile)
    completeness: Completeness = field(default_factory=Completeness)
    examples: Path | None = None
    """Pieces of lawn and of other ground, drawn for reading the image by."""

    @property
    def absent(self) -> list[str]:
        """Layers of the contract that the site doesn't have; measurements on site are never missed."""
        missed = sentences().codes("finding")
        return [name for name in SITE_LAYERS if name not in self.layers and f"no-{name}" in missed]

    @property
    def inputs(self) -> list[Path]:
        """Every file that is read, each once."""
        vector = [file for place in self.layers.values() for file in (place.path, *formats.side_files(place.path))]
        vector += [] if self.examples is None else [self.examples, *formats.side_files(self.examples)]
        vector += [self.settings.path] if self.settings.path is not None else []
        grids = [
            file
            for name, source in self.rasters.items()
            for part in (map(str, tiles.tile_files(Path(self.tiles[name]))) if name in self.tiles else [source])
            for file in rasters.source_files(part)
        ]
        return list(dict.fromkeys(vector + grids))

    def is_input(self, path: Path) -> bool:
        """Return whether a file is one of those that are read, by whatever name."""
        return path.exists() and any(file.exists() and file.samefile(path) for file in self.inputs)


def site_files(
    path: Path,
    *,
    layer_names: Mapping[str, str] | None = None,
    raster_files: Mapping[str, str] | None = None,
    may_be_plan: bool = False,
    examples: Path | None = None,
) -> SiteFiles:
    """Find the layers and rasters of a site.

    Parameters
    ----------
    path
        A GeoPackage, FlatGeobuf or GeoParquet file, an aerial image, or a folder of them. Plans in the folder are
        passed over.
    layer_names
        Names that layers of the contract have in the files, where they differ.
    raster_files
        Files of ``dem``, ``dsm`` and ``imagery``, or folders of tiles, where they don't lie beside the layers under
        these names.
    may_be_plan
        The file may hold a plan beside the site's layers.
    examples
        File of examples of lawn and of other ground, where the settings name none or another.

    Raises
    ------
    SiteError
        When nothing is there, a file can't be read, it is a plan, or a layer is found twice.
    LayerError
        When a layer that was named isn't there, or is no layer of a site.
    """
    if not path.exists():
        raise SiteError("there is no such file or folder", where=str(path), advice="Check the spelling.")
    settings = settings_file(path)
    named = {**settings.settings.layers, **(layer_names or {})}
    wanted = _wanted_names(named)
    image = {"imagery": str(path)} if path.suffix.casefold() in RASTER_ENDINGS and path.is_file() else {}
    files = _vector_files(path) if path.is_dir() else [] if image else [path]
    examples = examples or settings.examples
    files = [file for file in files if examples is None or file.resolve() != examples.resolve()]
    overviews, unreadable = _overviews(files, wanted)
    _refuse_cut_off(overviews)
    computed = _computed_layers(list(overviews), wanted)
    plans = [file for file, infos in overviews.items() if PLAN.marked([info.name for info in infos])]
    if may_be_plan and not path.is_dir():
        plans = []
    if plans == [path]:
        raise SiteError("is a plan, not a site", where=str(path), advice="Name the layers that it was made from.")
    read = {file: infos for file, infos in overviews.items() if file not in plans}
    layers, ignored = _layer_places(read, wanted, settings.settings)
    for name, given in named.items():
        if name not in layers:
            raise LayerError(
                f"there is no layer {given!r} to take as {name}", where=str(path), advice=_names_there(read)
            )
    complete, outlines = completeness(settings, read)
    ignored = {place: why for place, why in ignored.items() if place.partition(", layer ")[2] not in outlines}
    beside = _rasters_in(path) if path.is_dir() else _rasters_beside(path) if may_be_plan else {}
    places = _raster_places(list(read), [image | dict(raster_files or {}), settings.rasters, beside])
    folders = {name: place for name, place in places.items() if Path(place).is_dir()}
    one = {name: str(_tied_together(Path(folder).absolute(), name)) for name, folder in folders.items()}
    taken = {*files, *map(Path, places.values()), *([examples] if examples else [])}
    passed_over = {
        **ignored,
        **computed,
        **{file.name: "a plan" for file in plans},
        **unreadable,
        **(_other_files(path, taken, places) if path.is_dir() else {}),
    }
    return SiteFiles(path, layers, places | one, passed_over, folders, settings, complete, examples)


def _overviews(
    files: Sequence[Path], wanted: Mapping[str, str]
) -> tuple[dict[Path, Sequence[gpkg.LayerInfo]], dict[str, str]]:
    """Return what each file holds, and why others, of which nothing is wanted by name, can't be read."""
    overviews: dict[Path, Sequence[gpkg.LayerInfo]] = {}
    unreadable: dict[str, str] = {}
    for file in files:
        try:
            overviews[file] = gpkg.layer_overview(file)
        except SiteError as error:
            if len(files) == 1 or file.suffix.casefold() in SITE_ENDINGS or file.stem.casefold() in wanted:
                raise
            unreadable[file.name] = f"it {error.what}"
    return overviews, unreadable


def _refuse_cut_off(overviews: Mapping[Path, Sequence[gpkg.LayerInfo]]) -> None:
    for file, infos in overviews.items():
        if not infos and file.suffix.casefold() != ".gpkg":
            raise SiteError("holds no layer: it is empty or cut off", where=str(file), advice="Export it again.")


def _computed_layers(files: Sequence[Path], wanted: Mapping[str, str]) -> dict[str, str]:
    """Return the views that are passed over; one that stands for a layer is refused, as it would be missed."""
    named = [(file, name) for file in files for name in sorted(gpkg.computed_tables(file))]
    for file, name in named:
        if name.casefold() in wanted:
            raise LayerError(
                "is a view or has computed columns, which are not read",
                where=(file.name, f"layer {name}"),
                advice="Save it as a layer of its own, and delete the view or rename it.",
            )
    return {f"{file.name}, view {name}": "a view, or computed columns: save it as a layer" for file, name in named}


def _tied_together(folder: Path, name: str) -> Path:
    return tiles.virtual_raster(tiles.tile_files(folder), formats.own_folder() / f"{name}.vrt")


def _vector_files(folder: Path) -> list[Path]:
    """Return the folder's files of layers."""
    files = [file for file in _inside(folder) if file.suffix.casefold() in VECTOR_ENDINGS]
    if not files and not _rasters_in(folder):
        kinds = ", ".join(f"*{ending}" for ending in VECTOR_ENDINGS)
        raise SiteError("the folder holds no layers", where=str(folder), advice=f"Put them there as {kinds}.")
    return files


def _inside(folder: Path) -> list[Path]:
    """Return what a folder holds, hidden files left out: a program's drafts are no data."""
    try:
        return sorted(file for file in folder.iterdir() if not file.name.startswith("."))
    except OSError as error:
        raise SiteError(
            f"the folder can't be looked into ({error.strerror})", where=str(folder), advice="Ask for the right to."
        ) from error


def _other_files(folder: Path, read: Collection[Path], places: Mapping[str, str]) -> dict[str, str]:
    """Return the files of a folder that nothing is taken from, with the reasons."""
    sides = {file.name for known in read for file in formats.side_files(known)}
    free = [name for name in RASTERS if name not in places]
    found: dict[str, str] = {}
    for file in _inside(folder):
        if file in read or file.name in (*sides, FILE_NAME) or file.is_dir():
            continue
        if file.suffix.casefold() not in RASTER_ENDINGS:
            found[file.name] = "of a kind that is not read"
        elif free:
            found[file.name] = f'no raster goes by that name; site.toml: [rasters] {"|".join(free)} = "{file.name}"'
        else:
            found[file.name] = f"{', '.join(RASTERS)} are other files"
    return found


def _wanted_names(layer_names: Mapping[str, str]) -> dict[str, str]:
    """Return the layers of the contract by the names, in small letters, under which they are looked for.

    A name that was given is no longer looked for as itself: with ``lawns=parcels`` there are no parcels.
    """
    for name in layer_names:
        if name not in SITE_LAYERS:
            raise LayerError(f"{name!r} is no layer of a site", advice=f"Layers are {', '.join(SITE_LAYERS)}.")
    wanted = {name: name for name in SITE_LAYERS if name not in layer_names}
    given_names: dict[str, str] = {}
    for name, given in layer_names.items():
        if given.casefold() in given_names:
            other = given_names[given.casefold()]
            raise LayerError(
                f"layer {given!r} can't be both {other} and {name}", advice="Name another layer for one of them."
            )
        given_names[given.casefold()] = name
    return wanted | given_names


def _names_there(overviews: Mapping[Path, Sequence[gpkg.LayerInfo]]) -> str:
    names = [info.name for infos in overviews.values() for info in infos]
    return f"Layers there are {', '.join(names)}." if names else "There are no layers at all."


def _layer_places(
    overviews: Mapping[Path, Sequence[gpkg.LayerInfo]], wanted: Mapping[str, str], settings: SiteSettings
) -> tuple[dict[str, LayerPlace], dict[str, str]]:
    """Return the places of the wanted layers, and all others with what would take them."""
    places: dict[str, LayerPlace] = {}
    others: list[LayerPlace] = []
    for file, infos in overviews.items():
        for info in infos:
            name = wanted.get(info.name.casefold())
            if name is None and len(infos) == 1:
                name = wanted.get(file.stem.casefold())
            if name is None:
                others.append(LayerPlace(file, info))
                continue
            if name in places:
                raise SiteError(
                    f"layer {name} is in {places[name].path.name} and in {file.name}",
                    where=str(file.parent),
                    advice="Leave it in one of them: rename it in the other, or move that file away.",
                )
            places[name] = LayerPlace(file, info, settings.columns.get(name, {}), settings.values.get(name, {}))
    return places, {str(place): _taking_words(place, places) for place in others}


def _taking_words(place: LayerPlace, places: Mapping[str, LayerPlace]) -> str:
    """Say which line takes a layer that has none of our names: as one of those absent that may have its geometry."""
    kind = place.info.geometry_type or "None"
    free = [name for name, spec in SITE_LAYERS.items() if name not in places and kind in (*spec.geometries, *MIXED)]
    line = f'; site.toml: [layers] {"|".join(free)} = "{place.info.name}"' if free else ""
    return f"no layer of a site has that name{line}"


def _raster_places(files: Sequence[Path], named: Sequence[Mapping[str, str]]) -> dict[str, str]:
    """Return where rasters are: as the first of several namings says, else in the files of the layers."""
    places: dict[str, str] = {}
    for name in RASTERS:
        inside = (table for file in files if (table := rasters.raster_table(file, name)))
        place = next((naming[name] for naming in named if name in naming), None) or next(inside, None)
        if place:
            places[name] = place
    return places


def _rasters_in(folder: Path) -> dict[str, str]:
    files = sorted(folder.iterdir(), reverse=True)  # of dem.tif and dem.tiff the first counts
    folders = {file.name.casefold(): str(file) for file in files if file.is_dir() and file.name.casefold() in RASTERS}
    return folders | {file.stem.casefold(): str(file) for file in files if file.suffix.casefold() in RASTER_ENDINGS}


def _rasters_beside(path: Path) -> dict[str, str]:
    """Return the rasters that lie beside a file under the names that a folder's rasters have."""
    return {name: file for name, file in _rasters_in(path.parent).items() if name in RASTERS and Path(file) != path}
