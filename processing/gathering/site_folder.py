"""A site put together from what people can download: layers in one file, rasters and all sources beside it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from lawngis.errors import ParameterError, SiteError
from lawngis.ground.trees import crown_reach_m
from lawngis.toml_table import toml_table

from ..files import gpkg, tiles
from ..files.atomic import folder_draft, link_or_copy
from ..files.digests import sha256
from ..files.rasters import RasterInfo, raster_overview
from ..files.remote import Server, is_address
from ..model.site_layers import SITE_LAYERS
from ..model.text import counted
from ..reading.features import repaired_geometry
from ..reading.read_options import BANDS
from ..reading.site_part import METRES_PER_DEGREE
from ..reading.site_settings import FILE_NAME, SettingsFile, settings_file
from .city_layer import city_layer
from .cloud_surface import TREE_SD_M
from .map_extract import MAP_NUMBER, map_layers
from .map_tags import tag_table
from .point_cloud import elevation_models
from .remote import fetched
from .sources import Sources, raster_name

LAYERS_FILE = "layers.gpkg"
SOURCES_FOLDER = "sources"
SUMS_FILE = "SHA256SUMS"
CLOUD_MODELS = "from_points"
PARCEL_MAX_M2 = 250_000.0
"""Ground of which nobody brought parcels is taken as one no larger than this [m²]."""

NAMED_MAX = 20
"""So many features that can't be used are named, the others counted."""

MARGIN_M = 100.0
"""So far around the parcels other data are taken, where nobody says how far."""

Bounds = tuple[float, float, float, float]


@dataclass
class Gathered:
    """What became of the sources: features by layer, files by raster, and what somebody should know."""

    layers: dict[str, int] = field(default_factory=dict)
    rasters: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    settings: dict[str, Any] = field(default_factory=dict)


def gather(
    sources: Sources, site: Path, area: Bounds | None = None, *, bands: tuple[str, ...] = (), allow_remote: bool = False
) -> Gathered:
    """Make a site of what somebody brings, whole or not at all.

    Parameters
    ----------
    sources
        Files, and addresses. The files, and what is fetched, are linked or copied into the site: it never leads outside
        itself.
    site
        Folder to make. It may be there with a ``site.toml`` alone, whose names of layers and columns are used, and
        whose words win over those that are written.
    area
        West, south, east, north [degrees] of what is taken of maps and layers, and fetched; by default the parcels, and
        a margin.
    bands
        Of the image, in order: red, green, blue, nir. By default as its bands are named or coloured.
    allow_remote
        Whether addresses that the ``site.toml`` names in place of layers or rasters are fetched as well; else they are
        refused.

    Raises
    ------
    SiteError, LayerError
        When a source can't be read or fetched, or the folder holds something else.
    PlanError
        When it can't be written.
    """
    given = _settings_there(site)
    sources = replace(sources, remote=(*sources.remote, *_named_addresses(given, allow_remote)))
    gathered = Gathered()
    own = _own_layers(sources.vectors, given, gathered)
    if sources.cities:
        _add_cities(sources.cities, own, gathered)
    area = area or _around_parcels(own)
    with folder_draft(site, but=FILE_NAME) as draft, TemporaryDirectory(prefix=".fetched-", dir=draft) as scratch:
        if sources.remote:
            sources = _with_remote(sources, area, own, given, gathered, Path(scratch))
        tables = {name: _within(_usable(name, table, gathered), area) for name, table in own.items()}
        own_trees = "trees" in tables
        tables |= {
            name: _usable(name, table, gathered) for name, table in _map_tables(sources, area, tables, gathered).items()
        }
        _bring_in(sources, draft / SOURCES_FOLDER)
        trees = _bring_in_clouds(sources, draft / SOURCES_FOLDER, area, gathered)
        if trees is not None and not own_trees:
            tables["trees"] = _with_crowns(tables.get("trees"), trees, gathered)
        _tie_together(sources, draft, gathered, bands)
        if gathered.rasters and not (sources.vectors or sources.maps):
            ground = draft / gathered.rasters.get("dem", next(iter(gathered.rasters.values())))
            tables["parcels"] = _ground_as_parcel(raster_overview(ground), area, gathered)
        if tables:
            gpkg.write_layers(draft / LAYERS_FILE, tables)
        gathered.layers |= {name: len(table) for name, table in tables.items()}
        gathered.settings |= {"rasters": gathered.rasters} if gathered.rasters else {}
        settings = _merged(_lasting(given), gathered.settings)
        (draft / FILE_NAME).write_text(_toml(settings).lstrip(), encoding="utf-8")
    return gathered


def bounds_of(path: Path) -> Bounds:
    """Return west, south, east, north of all features of a file [degrees].

    Raises
    ------
    SiteError
        When it can't be read, or holds none in a CRS.
    """
    boxes = [
        geopandas.GeoSeries([shapely.box(*info.bounds)], crs=info.crs).to_crs("EPSG:4326").total_bounds
        for info in gpkg.layer_overview(path)
        if info.bounds is not None and info.crs is not None
    ]
    if not boxes:
        raise SiteError("holds no area", where=str(path), advice="Draw it there, or give west,south,east,north.")
    (west, south), (east, north) = np.min(boxes, axis=0)[:2], np.max(boxes, axis=0)[2:]
    return float(west), float(south), float(east), float(north)


def _settings_there(site: Path) -> SettingsFile:
    """Return the settings that wait in the folder; refuse one that holds anything else."""
    if not site.exists():
        return SettingsFile()
    others = [file.name for file in site.iterdir() if file.name != FILE_NAME] if site.is_dir() else [site.name]
    if others:
        raise SiteError(
            f"is there already, with {others[0]}", where=str(site), advice="Name a new folder: none is written over."
        )
    return settings_file(site)


def _named_addresses(given: SettingsFile, allow_remote: bool) -> list[tuple[str, str]]:
    """Return the addresses that the settings name, each with what it is; refuse them where that isn't allowed."""
    tables = {"layers": given.settings.layers, "rasters": given.settings.rasters}
    found = [(key, name, place) for key, table in tables.items() for name, place in table.items() if is_address(place)]
    if found and not allow_remote:
        key, name, place = found[0]
        raise SiteError(
            f"names an address, {place.partition('?')[0]}, and only those that you type are read",
            where=(str(given.path), f"[{key}] {name}"),
            advice="Type it among the sources, or add --allow-remote.",
        )
    return [(name, place) for _, name, place in found]


def _lasting(given: SettingsFile) -> dict[str, Any]:
    """Return what the settings file says that holds of the site as well: there, layers have names of ours."""
    there = toml_table(given.path.read_text(encoding="utf-8")) if given.path else {}
    if "rasters" in there:
        there["rasters"] = {name: place for name, place in there["rasters"].items() if not is_address(place)}
    return {key: value for key, value in there.items() if key != "layers"}


def _ground_as_parcel(ground: RasterInfo, area: Bounds | None, gathered: Gathered) -> geopandas.GeoDataFrame:
    """Return the area, as far as a raster goes, as the one parcel of a site of which nobody brought any.

    Raises
    ------
    SiteError
        When there is nothing of the area, or more than one lawn may have.
    """
    outline = geopandas.GeoSeries([shapely.box(*ground.bounds)], crs=ground.crs)
    if area is not None:
        asked = geopandas.GeoSeries([shapely.segmentize(shapely.box(*area), 0.01)], crs="EPSG:4326").to_crs(ground.crs)
        outline = outline.intersection(asked)
    size_m2 = float(outline.to_crs(outline.estimate_utm_crs()).area.iloc[0])
    if not 0 < size_m2 <= PARCEL_MAX_M2:
        what = (
            f"nobody brought parcels, and the ground itself is {size_m2 / 1e4:,.0f} ha" if size_m2 else "is not there"
        )
        raise SiteError(what, where=ground.source, advice="Bring parcels, or name an --area no larger than a property.")
    gathered.notes.append("parcels: nobody brought any, so all the ground is one, whoever's it is")
    return geopandas.GeoDataFrame({"parcel_id": ["ground"]}, geometry=outline.to_numpy(), crs=ground.crs)


def _own_layers(vectors: Sequence[Path], given: SettingsFile, gathered: Gathered) -> dict[str, geopandas.GeoDataFrame]:
    """Return the layers that vector files hold under names of ours, or under those that the settings say."""
    renamed = {ours: theirs for ours, theirs in given.settings.layers.items() if not is_address(theirs)}
    wanted = {theirs.casefold(): ours for ours, theirs in renamed.items()}
    wanted |= {name: name for name in SITE_LAYERS if name not in renamed}
    found: dict[str, geopandas.GeoDataFrame] = {}
    for path in vectors:
        infos = gpkg.layer_overview(path)
        for info in infos:
            name = wanted.get(info.name.casefold()) or (wanted.get(path.stem.casefold()) if len(infos) == 1 else None)
            if name is None:
                line = f'[layers] LAYER = "{info.name}"'
                gathered.notes.append(f"{path.name}, layer {info.name}: not taken; {line} in site.toml takes it")
            elif name in found:
                raise SiteError(f"layer {name} is there twice", where=str(path), advice="Leave one of them out.")
            else:
                found[name] = gpkg.read_layer(info.path, info.name)
    return found


def _add_cities(cities: Sequence[Path], own: dict[str, geopandas.GeoDataFrame], gathered: Gathered) -> None:
    """Add the buildings of city models, unless a file has them, and write down what to know of them."""
    if "buildings" in own:
        gathered.notes.append("buildings: taken from the file of its own, not from the city model")
        return
    city = city_layer(cities)
    own["buildings"] = city.table
    gathered.settings.setdefault("attribution", {})["buildings"] = city.attribution
    gathered.notes.extend(city.notes)


def _usable(name: str, table: geopandas.GeoDataFrame, gathered: Gathered) -> geopandas.GeoDataFrame:
    """Return the features that can be made valid, and name the others; parcels stay, as the plan says why they fail."""
    spec = SITE_LAYERS[name]
    broken = {
        row: gpkg.problem_words(problem)
        for row, problem in gpkg.geometry_problems(table.reset_index(drop=True), expected=spec.geometries)
        if repaired_geometry(table.geometry.iloc[row], spec) is None
    }
    if not broken or name == "parcels":
        return table
    numbers = table.get(MAP_NUMBER, table.index.to_series())
    named = [f"{numbers.iloc[row]} {why}" for row, why in broken.items()]
    more = f", and {len(named) - NAMED_MAX} more" if len(named) > NAMED_MAX else ""
    gathered.notes.append(f"{name}: left out: feature {'; feature '.join(named[:NAMED_MAX])}{more}")
    return table.drop(index=table.index[list(broken)])


def _around_parcels(layers: Mapping[str, geopandas.GeoDataFrame]) -> Bounds | None:
    parcels = layers.get("parcels")
    if parcels is None or parcels.crs is None or not len(parcels):
        return None
    west, south, east, north = parcels.to_crs("EPSG:4326").total_bounds
    up = MARGIN_M / METRES_PER_DEGREE
    aside = up / max(np.cos(np.radians((south + north) / 2)), 0.01)
    return west - aside, south - up, east + aside, north + up


def _within(table: geopandas.GeoDataFrame, area: Bounds | None) -> geopandas.GeoDataFrame:
    if area is None or table.crs is None:
        return table
    box = geopandas.GeoSeries([shapely.segmentize(shapely.box(*area), 0.01)], crs="EPSG:4326").to_crs(table.crs)
    return table.iloc[np.sort(table.sindex.query(box.iloc[0], predicate="intersects"))]


def _map_tables(
    sources: Sources, area: Bounds | None, own: Mapping[str, geopandas.GeoDataFrame], gathered: Gathered
) -> dict[str, geopandas.GeoDataFrame]:
    """Return the layers that maps make, but for those that files hold, and write down what to know of them."""
    if not sources.maps:
        return {}
    tags = tag_table()
    features = [feature for path in sources.maps for feature in gpkg.map_features(path, area)]
    crs = _projected(own, features)
    layers = map_layers(features, tags, crs)
    for name in sorted(set(layers) & set(own)):
        gathered.notes.append(f"{name}: taken from the file of its own, not from the map")
    taken = {name: layer for name, layer in layers.items() if name not in own}
    for name, layer in taken.items():
        accuracy = gathered.settings.setdefault("accuracy", {})
        accuracy[name] = {"position_sd_m": round(layer.position_sd_m, 2)}
        gathered.settings.setdefault("attribution", {})[name] = tags.attribution
        if layer.too_long:
            gathered.notes.append(
                f"{name}: left out, too long for a row: feature {', '.join(layer.too_long[:NAMED_MAX])}"
            )
        if layer.untold_widths:
            gathered.notes.append(
                f"{name}: no tag tells the width of {counted(layer.untold_widths, 'line')}; that of the kind is taken"
            )
    return {name: layer.table for name, layer in taken.items()}


def _projected(own: Mapping[str, geopandas.GeoDataFrame], features: list[Any]) -> CRS:
    """Return the CRS of the parcels where it is projected in metres, else the UTM zone of the map's features."""
    parcels = own.get("parcels")
    if parcels is not None and parcels.crs is not None and parcels.crs.is_projected:
        axis = parcels.crs.axis_info[0]
        if axis.unit_conversion_factor == 1:
            return parcels.crs
    places = [feature.geometry for feature in features] or [shapely.Point(0, 0)]
    return geopandas.GeoSeries(places, crs="EPSG:4326").estimate_utm_crs()


def _with_remote(
    sources: Sources, area: Bounds | None, own: dict[str, geopandas.GeoDataFrame], given: SettingsFile,
    gathered: Gathered, folder: Path,
) -> Sources:  # fmt: skip
    """Return the sources with what is fetched of the area as files; its layers are added to `own`."""
    for number, (name, address) in enumerate(sources.remote):
        server = Server(address)
        if area is None:
            raise SiteError(
                "nothing says which part to fetch",
                where=server.plain_address,
                advice="Name --area, or bring the parcels as a file.",
            )
        place = folder / str(number)
        place.mkdir()
        found = fetched(name, server, area, place)
        if found.raster:
            kinds = [name or raster_name(found.path)]
            sources = sources.with_files({kinds[0]: [found.path]}, [])
        else:
            layers = _own_layers([found.path], given, gathered)
            twice = next((layer for layer in layers if layer in own), None)
            if twice:
                raise SiteError(
                    f"layer {twice} is there twice", where=server.plain_address, advice="Leave one of them out."
                )
            kinds = list(layers)
            own |= layers
            sources = sources.with_files({}, [found.path])
        attribution = gathered.settings.setdefault("attribution", {})
        for kind in kinds:
            attribution[kind] = "; ".join(dict.fromkeys([*filter(None, [attribution.get(kind)]), found.attribution]))
        gathered.notes.append(f"{', '.join(kinds) or found.path.name}: {', '.join(found.notes)}")
    return sources


def _tie_together(sources: Sources, site: Path, gathered: Gathered, bands: tuple[str, ...]) -> None:
    """Write down where each raster is, tiles tied together as one virtual raster, and which band is which."""
    folder = site / SOURCES_FOLDER
    files = dict(sources.files)
    for name, places in sources.rasters.items():
        parts = [part for place in places for part in (tiles.tile_files(place) if place.is_dir() else [place])]
        inside = [folder / files[part] for part in parts]
        one = inside[0] if len(inside) == 1 else tiles.virtual_raster(inside, folder / f"{name}.vrt")
        gathered.rasters[name] = one.relative_to(site).as_posix()
        if name == "imagery":
            _name_bands(raster_overview(one), bands, gathered)


def _name_bands(image: RasterInfo, bands: tuple[str, ...], gathered: Gathered) -> None:
    """Write down the image's bands: as given; where nothing describes them, as they are coloured."""
    if bands and len(bands) != len(image.bands):
        raise ParameterError(f"--bands names {counted(len(bands), 'band')}, and the image has {len(image.bands)}")
    coloured = {"red", "green", "blue"} <= set(image.colours) and not any(image.bands)
    if bands or (coloured and (image.colours[:3] != BANDS[:3] or "alpha" in image.colours)):
        gathered.settings["bands"] = list(bands or image.colours)
    if not bands and coloured and "alpha" in image.colours:
        gathered.notes.append(
            "imagery: a band says that it is alpha, so it is not taken for near infrared; --bands says otherwise"
        )


def _bring_in(sources: Sources, folder: Path) -> None:
    """Link, or copy, every source into a folder, with the checksums of all in the form that ``sha256sum -c`` reads."""
    lines = []
    for path, place in sources.files:
        target = folder / place
        link_or_copy(path, target)
        lines.append(f"{sha256(path)}  {place.as_posix()}\n")
    if lines:
        (folder / SUMS_FILE).write_text("".join(sorted(lines, key=lambda line: line[66:])), encoding="utf-8")


def _bring_in_clouds(
    sources: Sources, folder: Path, area: Bounds | None, gathered: Gathered
) -> geopandas.GeoDataFrame | None:
    """Make terrain and surface model of point clouds, unless rasters were brought, and write down how good they are.

    Trees of the clouds are returned, if there are any.
    """
    if not sources.clouds:
        return None
    brought = set(sources.rasters)
    models = elevation_models(sources.clouds, folder / CLOUD_MODELS, area)
    for name, file in (("dem", models.dem), ("dsm", models.dsm)):
        if name in brought:
            gathered.notes.append(f"{name}: taken from the raster of its own, not from the points")
        else:
            gathered.rasters[name] = f"{SOURCES_FOLDER}/{CLOUD_MODELS}/{file.name}"
    if "dem" not in brought:
        gathered.settings.setdefault("accuracy", {})["dem_sd_m"] = round(models.sd_m, 3)
    ground = {"classes": "points of class 2", "filter": "a ground filter, as no point has a class"}[models.ground_found]
    gathered.notes.append(
        f"terrain from {models.points_read:,} points ({ground}), cells of {models.cell_m:g} m,"
        f" {models.filled_share:.0%} filled, {models.empty_share:.0%} without ground"
    )
    gathered.notes.extend(models.notes)
    return models.trees if len(models.trees) else None


def _with_crowns(
    known: geopandas.GeoDataFrame | None, crowns: geopandas.GeoDataFrame, gathered: Gathered
) -> geopandas.GeoDataFrame:
    """Return a map's trees, and those that points show and the map lacks."""
    sds = [TREE_SD_M]
    if known is not None and len(known):
        crowns = crowns.to_crs(known.crs)
        one, other = crowns.geometry.to_numpy(), known.geometry.to_numpy()
        own, theirs = (crown_reach_m(table["crown_diameter_m"]) for table in (crowns, known))
        near = shapely.STRtree(other).query(one, predicate="dwithin", distance=own)[0]
        under = shapely.STRtree(one).query(other, predicate="dwithin", distance=theirs)[1]
        crowns = crowns.drop(index=np.unique([*near, *under]))
        sds.append(gathered.settings["accuracy"]["trees"]["position_sd_m"])
    gathered.notes.append(f"trees: {counted(len(crowns), 'crown')} found in the points, thickness of trunks unknown")
    gathered.settings.setdefault("accuracy", {})["trees"] = {"position_sd_m": max(sds)}
    return crowns if known is None or not len(known) else pd.concat([known, crowns], ignore_index=True)


def _merged(there: Mapping[str, Any], ours: Mapping[str, Any]) -> dict[str, Any]:
    """Return tables in tables put together; where both say something, what is there."""
    both = {**ours, **there}
    tables = [key for key in there if isinstance(there[key], Mapping) and isinstance(ours.get(key), Mapping)]
    return both | {key: _merged(there[key], ours[key]) for key in tables}


def _toml(table: Mapping[str, Any], name: str = "") -> str:
    """Return a table of texts, numbers, lists and tables as TOML, whose texts and keys may be written as JSON's."""
    plain = {key: value for key, value in table.items() if not isinstance(value, Mapping)}
    lines = [f"{_key(key)} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in plain.items()]
    head = f"\n[{name}]\n" if name and plain else ""
    deeper = [
        _toml(value, f"{name}.{_key(key)}" if name else _key(key)) for key, value in table.items() if key not in plain
    ]
    return "".join([head, *lines, *deeper])


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)
