"""Features and rows of attributes, in the kinds that the file declares."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError

from .copies import readable
from .opening import computed_tables, quiet_gdal
from .overview import Bounds, layer_names
from .validity import UNREADABLE


def read_layer(
    path: str | Path,
    layer: str,
    *,
    columns: Sequence[str] | None = None,
    bbox: Bounds | None = None,
    mask: BaseGeometry | None = None,
    where: str | None = None,
) -> gpd.GeoDataFrame:
    """Return a layer's features, in the CRS of the layer, indexed by feature number.

    Z and M are dropped, curves made straight pieces. Integer and boolean columns with nulls come as pandas'
    nullable kinds, without nulls as numpy's. A feature whose geometry can't be read, or has coordinates that
    are no numbers, is returned all the same: :func:`geometry_problems` names it.

    Parameters
    ----------
    path, layer
        The layer's name matches without regard to case.
    columns
        Attribute columns wanted; they match without regard to case and come back spelled as asked for. Those
        that the layer lacks are left out. Default: all, spelled as in the file.
    bbox, mask
        Only features that touch these bounds, or this geometry, in the layer's CRS. Not both.
    where
        Only rows for which this SQL expression holds.

    Returns
    -------
    geopandas.GeoDataFrame
        Index ``fid``.

    Raises
    ------
    SiteError
        When the file can't be used.
    LayerError
        When there is no such layer, it has no geometry, or can't be read to the end.
    """
    frame = _rows(Path(path), layer, columns=columns, bbox=bbox, mask=mask, where=where)
    if not isinstance(frame, gpd.GeoDataFrame):
        raise LayerError(
            "is a table without geometry",
            where=(str(path), layer),
            advice="Name a layer with geometry, or leave it out.",
        )
    return frame


def layer_batches(
    path: str | Path, layer: str, *, columns: Sequence[str] | None = None, rows: int
) -> Iterator[gpd.GeoDataFrame]:
    """Yield a layer's features in the order of the file, so many at a time; see :func:`read_layer`."""
    for frame in row_batches(path, layer, columns=columns, rows=rows):
        if not isinstance(frame, gpd.GeoDataFrame):
            raise LayerError("is a table without geometry", where=(str(path), layer))
        yield frame


def row_batches(
    path: str | Path, table: str, *, columns: Sequence[str] | None = None, rows: int
) -> Iterator[gpd.GeoDataFrame | pd.DataFrame]:
    """Yield the rows of a layer or of a table in the order of the file, so many at a time; see :func:`read_layer`."""
    first = 0
    while True:
        frame = _rows(Path(path), table, columns=columns, where=None, skip_features=first, max_features=rows)
        if len(frame) or not first:
            yield frame
        if len(frame) < rows:
            return
        first += rows


def read_table(
    path: str | Path, table: str, *, columns: Sequence[str] | None = None, where: str | None = None
) -> pd.DataFrame:
    """Return the attributes of a table or layer, indexed by feature number.

    Parameters and errors as in :func:`read_layer`, except that a table needs no geometry; the geometry of a
    layer is not read.
    """
    return pd.DataFrame(_rows(Path(path), table, columns=columns, where=where, read_geometry=False))


def _rows(
    path: Path, layer: str, *, columns: Sequence[str] | None, where: str | None, **selection: Any
) -> gpd.GeoDataFrame | pd.DataFrame:
    if selection.get("mask") is not None:
        shapely.prepare(selection["mask"])
    with quiet_gdal(path, layer):
        file = readable(path)
        _refuse_computed(path, layer)
        info = _layer_info(path, file, layer)
        asked = _asked_columns(list(info["fields"]), columns)
        frame = pyogrio.read_dataframe(
            file,
            layer=layer,
            columns=list(asked),
            # Any condition makes GDAL count the rows. Without one it believes the count stored in the file,
            # which is wrong after two programs wrote at once, and then stops early without a word.
            where=where or "1 = 1",
            force_2d=True,
            fid_as_index=True,
            on_invalid="ignore",
            **selection,
        )
        frame = _with_declared_kinds(frame, info).rename(columns=asked)
        if isinstance(frame, gpd.GeoDataFrame):
            frame.attrs[UNREADABLE] = _unreadable_fids(file, layer, frame)
    return frame


def _refuse_computed(path: Path, layer: str) -> None:
    if layer.casefold() in (name.casefold() for name in computed_tables(path)):
        raise LayerError(
            "is a view or has computed columns, which are not read",
            where=(str(path), layer),
            advice="Save it as a layer of its own.",
        )


def _layer_info(path: Path, file: Path, layer: str) -> Mapping[str, Any]:
    """Return what GDAL says of a layer, which it finds without regard to case: as written if there is one so."""
    try:
        return pyogrio.read_info(file, layer=layer)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        names = layer_names(path)
        if layer.casefold() in (name.casefold() for name in names):
            raise
        raise LayerError(
            f"there is no layer '{layer}' (layers in the file: {', '.join(names) or 'none'})",
            where=str(path),
            advice="Check the spelling, or say which layer to take instead.",
        ) from error


def _asked_columns(stored: Sequence[str], columns: Sequence[str] | None) -> dict[str, str]:
    """Return the wanted spelling of each stored name."""
    if columns is None:
        return {name: name for name in stored}
    by_folded = {name.casefold(): name for name in stored}
    return {by_folded[c.casefold()]: c for c in columns if c.casefold() in by_folded}


def _with_declared_kinds(frame: pd.DataFrame, info: Mapping[str, Any]) -> pd.DataFrame:
    """Undo that GDAL returns integers and booleans with nulls as floating-point numbers."""
    for name, kind, subtype in zip(info["fields"], info["ogr_types"], info["ogr_subtypes"], strict=True):
        if name not in frame or kind not in ("OFTInteger", "OFTInteger64"):
            continue
        null = bool(frame[name].isna().any())
        if subtype == "OFSTBoolean":
            frame[name] = frame[name].astype("boolean" if null else "bool")
        elif null:
            frame[name] = frame[name].astype("Int64")
    return frame


def _unreadable_fids(path: Path, layer: str, frame: gpd.GeoDataFrame) -> tuple[int, ...]:
    """Return the numbers of features whose geometry is stored but could not be made into one."""
    missing = frame.index[shapely.is_missing(frame.geometry.to_numpy())].to_numpy()
    if not len(missing):
        return ()
    _, fids, stored, _ = pyogrio.raw.read(path, layer=layer, columns=[], fids=missing, return_fids=True)
    return tuple(int(fid) for fid, blob in zip(fids, stored, strict=True) if blob is not None)
