"""What lies in an area, fetched from an address that somebody typed, as a file of the kinds that are read."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

import geopandas
import pandas as pd

from ..files.atomic import file_stem
from ..files.rasters import Bounds, fetch_window
from ..files.remote import Server
from ..files.tiles import TILE_ENDINGS
from ..model.site_layers import RASTERS
from .remote_features import remote_layer


@dataclass(frozen=True)
class Fetched:
    """A file that was fetched.

    Parameters
    ----------
    path
        GeoJSON, whose stem is the layer's name, or GeoTIFF.
    raster
        Whether it is a raster.
    attribution
        Whom to name, under which licence, and where it comes from; says so where the server doesn't.
    notes
        What was fetched.
    """

    path: Path
    raster: bool
    attribution: str
    notes: tuple[str, ...]


def fetched(name: str, server: Server, area: Bounds, folder: Path) -> Fetched:
    """Fetch the part of a raster, or the features, that touch an area.

    Parameters
    ----------
    name
        Raster or layer that it is to be; empty where nobody says.
    server
        Of the address: a GeoTIFF, OGC API - Features, or WFS.
    area
        West, south, east, north [degrees].
    folder
        Where the file goes, empty but for others that were fetched.

    Raises
    ------
    SiteError, LayerError, RasterError
        When nothing usable comes back.
    """
    path = Path(urlsplit(server.address).path)
    raster = name in RASTERS or path.suffix.casefold() in TILE_ENDINGS
    if raster:
        target = folder / f"{file_stem(path.stem)}.tif"
        told, notes = fetch_window(server, area, target), ["a part of the raster"]
    else:
        layer = remote_layer(server, area, folder)
        target = folder / f"{name or file_stem(layer.name)}.geojson"
        target.write_text(_geojson(layer.table), encoding="utf-8")
        told, notes = layer.attribution, [f"{len(layer.table):,} features"]
        if layer.unreadable:
            notes.append(f"{layer.unreadable:,} whose geometry can't be read are left out")
    notes.append(f"{server.bytes_read:,} bytes in {server.requests} requests from {server.plain_address}")
    named = f"{told or 'maker and licence not told by the server'}; from {server.plain_address}"
    return Fetched(target, raster, named, tuple(notes))


def _geojson(table: geopandas.GeoDataFrame) -> str:
    """Return features as GeoJSON, a line each, with the CRS that they are in: what is fetched again is the same."""
    names = [name for name in table.columns if name != table.geometry.name]
    rows = table.assign(**{name: _texts(table[name]) for name in names if table[name].dtype.kind not in "biuf"})
    lines = [json.dumps(feature, ensure_ascii=False) for feature in rows.iterfeatures(na="null", drop_id=True)]
    authority = table.crs.to_authority() or ("OGC", "CRS84")
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:{authority[0]}::{authority[1]}"}}
    head = f'{{"type": "FeatureCollection", "crs": {json.dumps(crs)}, "features": [\n'
    return head + ",\n".join(lines) + "\n]}\n"


def _texts(column: pd.Series) -> pd.Series:
    """Return values as JSON has them: times as texts."""
    return column.map(
        lambda value: value if isinstance(value, bool | int | float | str) else str(value), na_action="ignore"
    )
