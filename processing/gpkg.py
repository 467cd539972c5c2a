"""Vector files in and out: the only module that opens them.

Looking into files (layers, schemas, CRS) goes through fiona and loads no feature; bulk reading and appending go
through pyogrio; what neither can write (column descriptions, allowed values) goes through SQLite once GDAL has
let go of the file. Files of people are only ever opened for reading. A file of ours is built complete in a
folder beside its target and moved over it in one step, so a target is either whole or untouched.
"""

from __future__ import annotations

import atexit
import logging
import os
import re
import shutil
import sqlite3
import tempfile
import warnings
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from numbers import Integral, Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LawngisError, LayerError, PlanError, SiteError
from lawngis.geometry.frame import horizontal_crs

if TYPE_CHECKING:
    from .layers import ColumnSpec, LayerSpec
    from .styles import StoredStyle

Bounds = tuple[float, float, float, float]

GEOPACKAGE_VERSION = "1.3"  # 1.4 draws warnings from geographic information systems still in wide use
LOCK_PATIENCE_S = 5.0  # another run that is just finishing holds the target for less than this
_EDITED_ELSEWHERE = "It is probably open for editing in a GIS: save or close it there, then try again."
_COPY_AGAIN = "Copy or export the file again from where it came."
_UNREADABLE = "unreadable_fids"  # key in DataFrame.attrs

_READING_ERRORS = (
    fiona.errors.FionaError,
    shapely.errors.GEOSException,
    sqlite3.Error,
    RuntimeError,
    ValueError,
    OSError,
)
_WRITING_ERRORS = (*_READING_ERRORS, fiona._err.CPLE_BaseError)  # what a full disk raises in the middle of closing
_FIONA_TYPES = {"text": "str", "real": "float", "integer": "int64", "boolean": "bool", "datetime": "datetime"}
_KINDS = {
    "str": "text",
    "float": "real",
    "int": "integer",
    "int32": "integer",
    "int64": "integer",
    "bool": "boolean",
}

# Without a handler of their own these loggers print GDAL's complaints to stderr; every complaint that matters
# is raised as one of our errors.
for _name in ("fiona", "pyogrio"):
    logging.getLogger(_name).addHandler(logging.NullHandler())


@dataclass(frozen=True)
class LayerInfo:
    """What can be said of a layer without loading its features.

    Parameters
    ----------
    path, name
        Where it is.
    geometry_type
        ``"Polygon"``, ``"MultiPoint"`` and so on, without Z and M; ``"Geometry"`` when mixed or not declared;
        None for a table without geometry.
    crs
        None when the layer has none.
    columns
        Attribute columns in the order of the file: name to kind (text, real, integer, boolean, datetime, or
        the format's own word for anything else).
    feature_count
        As the file states it.
    bounds
        min x, min y, max x, max y in the layer's CRS; None when empty or without geometry.
    """

    path: Path
    name: str
    geometry_type: str | None
    crs: CRS | None
    columns: Mapping[str, str]
    feature_count: int
    bounds: Bounds | None


# --- looking in ------------------------------------------------------------------------------------------


def layer_overview(path: str | Path) -> tuple[LayerInfo, ...]:
    """Return what layers and attribute tables a vector file holds, without loading a feature.

    Raster tables of a GeoPackage are no layers; a GeoPackage with nothing else gives an empty tuple.

    Parameters
    ----------
    path
        GeoPackage, or any other vector file that fiona opens.

    Returns
    -------
    tuple of LayerInfo
        In the order of the file.

    Raises
    ------
    SiteError
        When the file is missing, unreadable, cut off, damaged, locked, or no vector file.
    """
    path = Path(path)
    return tuple(_layer_info(path, name) for name in _layer_names(path))


def _layer_names(path: Path) -> list[str]:
    _refuse_unusable(path)
    try:
        with _quiet_gdal(path):
            return list(fiona.listlayers(undisturbed(path)))
    except SiteError:
        if _has_no_vector_table(path):  # GDAL's vector side refuses to open a GeoPackage of rasters
            return []
        raise


def _layer_info(path: Path, name: str) -> LayerInfo:
    with _quiet_gdal(path, name), fiona.open(undisturbed(path), layer=name) as source:
        geometry_type = _plain_geometry_type(source.schema["geometry"])
        count = max(len(source), 0)
        bounds = _bounds_or_none(source) if geometry_type and count else None
        return LayerInfo(
            path=path,
            name=name,
            geometry_type=geometry_type,
            crs=_crs_or_none(source.crs_wkt),
            columns={column: _kind(word) for column, word in source.schema["properties"].items()},
            feature_count=count,
            bounds=bounds if bounds and np.isfinite(bounds).all() else None,
        )


def _bounds_or_none(source: fiona.Collection) -> Bounds | None:
    try:
        return tuple(source.bounds)
    except fiona.errors.DriverError:  # every geometry is empty: findings that have no place
        return None


def _plain_geometry_type(word: str) -> str | None:
    plain = word.removeprefix("3D ").removeprefix("Measured ").removeprefix("3D ")
    return {"None": None, "Unknown": "Geometry"}.get(plain, plain)


def _kind(word: str) -> str:
    return _KINDS.get(word.partition(":")[0], word.partition(":")[0])


def _crs_or_none(wkt: str | None) -> CRS | None:
    if not wkt:
        return None
    try:
        crs = CRS.from_wkt(wkt)
    except CRSError:
        return None
    # "undefined Cartesian / geographic" are the format's two ways of saying that the CRS is not known
    return None if crs.name.lower().startswith(("undefined", "unknown engineering")) else crs


# --- reading ---------------------------------------------------------------------------------------------


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
    first = 0
    while True:
        frame = _rows(Path(path), layer, columns=columns, where=None, skip_features=first, max_features=rows)
        if not isinstance(frame, gpd.GeoDataFrame):
            raise LayerError("is a table without geometry", where=(str(path), layer))
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
    name = _stored_name(path, layer)
    with _quiet_gdal(path, name):
        file = undisturbed(path)
        info = pyogrio.read_info(file, layer=name)
        asked = _asked_columns(list(info["fields"]), columns)
        frame = pyogrio.read_dataframe(
            file,
            layer=name,
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
            frame.attrs[_UNREADABLE] = _unreadable_fids(file, name, frame)
    return frame


def _stored_name(path: Path, layer: str) -> str:
    names = _layer_names(path)
    matches = sorted((name for name in names if name.casefold() == layer.casefold()), key=lambda name: name != layer)
    if not matches:
        listed = ", ".join(names) or "none"
        raise LayerError(
            f"there is no layer '{layer}' (layers in the file: {listed})",
            where=str(path),
            advice="Check the spelling, or say which layer to take instead.",
        )
    return matches[0]


def _asked_columns(stored: Sequence[str], columns: Sequence[str] | None) -> dict[str, str]:
    """Return stored name to asked-for name."""
    if columns is None:
        return {name: name for name in stored}
    by_folded = {name.casefold(): name for name in stored}
    return {by_folded[c.casefold()]: c for c in columns if c.casefold() in by_folded}


def _with_declared_kinds(frame: pd.DataFrame, info: Mapping[str, Any]) -> pd.DataFrame:
    """GDAL hands integers and booleans with nulls over as floating-point numbers; undo that."""
    for name, kind, subtype in zip(info["fields"], info["ogr_types"], info["ogr_subtypes"], strict=True):
        if name not in frame or kind not in ("OFTInteger", "OFTInteger64"):
            continue
        null = bool(frame[name].isna().any())
        if subtype == "OFSTBoolean":
            frame[name] = frame[name].astype("boolean" if null else "bool")
        elif null:
            frame[name] = frame[name].astype("Int64")
    return frame


def _unreadable_fids(path: Path, name: str, frame: gpd.GeoDataFrame) -> tuple[int, ...]:
    """Return the numbers of features whose geometry is stored but could not be made into one."""
    missing = frame.index[shapely.is_missing(frame.geometry.to_numpy())].to_numpy()
    if not len(missing):
        return ()
    _, fids, stored, _ = pyogrio.raw.read(path, layer=name, columns=[], fids=missing, return_fids=True)
    return tuple(int(fid) for fid, blob in zip(fids, stored, strict=True) if blob is not None)


def undisturbed(path: str | Path) -> Path:
    """Return the file to open in a GeoPackage's stead, so that reading doesn't change it.

    Changes may wait in a log beside the file (``-wal``), left by a GIS that has it open or crashed. They belong to
    the data; but GDAL, if it is the last to close the file, moves them into it. So a copy is read then, made once
    for each state of the file. In all other cases that is the file itself.
    """
    path = Path(path)
    log = Path(f"{path}-wal")
    if not log.exists() or log.stat().st_size == 0:
        return path
    states = path.stat(), log.stat()
    return _copy_with_log(path, tuple(number for state in states for number in (state.st_mtime_ns, state.st_size)))


@lru_cache(maxsize=16)
def _copy_with_log(path: Path, state: tuple[int, ...]) -> Path:  # a new state is a new copy
    folder = tempfile.mkdtemp(prefix="lawngis-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    copy = Path(folder) / path.name
    with closing(_connection(path, "ro", LOCK_PATIENCE_S)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    return copy


# --- geometry that can't be used -------------------------------------------------------------------------

_VALIDITY_WORDS = {
    "Self-intersection": "crosses itself",
    "Ring Self-intersection": "touches or crosses itself",
    "Hole lies outside shell": "has a hole outside its own edge",
    "Holes are nested": "has a hole within a hole",
    "Nested shells": "has a part within another part",
    "Interior is disconnected": "is cut in pieces by its own holes",
    "Duplicate Rings": "has the same ring twice",
    "Too few points in geometry component": "has too few corners",
    "Invalid Coordinate": "has a coordinate that is no number",
}


def geometry_problems(frame: gpd.GeoDataFrame, *, expected: Collection[str] = ()) -> list[tuple[int, str]]:
    """Return the features whose geometry can't be used as it is, and why, at most one reason for each.

    Parameters
    ----------
    frame
        As :func:`read_layer` returns it; any other GeoDataFrame will do.
    expected
        Geometry types that are welcome (``{"Polygon", "MultiPolygon"}``); none given, all are.

    Returns
    -------
    list of (int, str)
        Index label (the feature number) and a reason that reads on from "feature 7 …", in the order of the
        rows.
    """
    geometries = np.asarray(frame.geometry.to_numpy(), dtype=object)
    reasons: dict[int, str] = {}
    for rows, reason in (
        (np.isin(frame.index, frame.attrs.get(_UNREADABLE, ())), "has a geometry that can't be read"),
        (shapely.is_missing(geometries), "has no geometry"),
        (shapely.is_empty(geometries), "has an empty geometry"),
        (_not_finite(geometries), "has a coordinate that is no number"),
    ):
        for row in np.flatnonzero(rows):
            reasons.setdefault(int(row), reason)
    sound = np.setdiff1d(np.arange(len(geometries)), list(reasons))
    reasons.update(_wrong_types(geometries, sound, expected))
    reasons.update(_invalid(geometries, np.setdiff1d(sound, list(reasons))))
    labels = frame.index.tolist()
    return [(labels[row], reasons[row]) for row in sorted(reasons)]


def _not_finite(geometries: NDArray[np.object_]) -> NDArray[np.bool_]:
    coordinates, owner = shapely.get_coordinates(geometries, return_index=True)
    bad = owner[~np.isfinite(coordinates).all(axis=1)]
    return np.bincount(bad, minlength=len(geometries)).astype(bool)


def _wrong_types(geometries: NDArray[np.object_], rows: NDArray[np.int_], expected: Collection[str]) -> dict[int, str]:
    if not expected:
        return {}
    names = _type_names(geometries[rows])
    wish = " or ".join(sorted(expected))
    return {
        int(row): f"is a {name} where {wish} is needed"
        for row, name in zip(rows, names, strict=True)
        if name not in expected
    }


def _invalid(geometries: NDArray[np.object_], rows: NDArray[np.int_]) -> dict[int, str]:
    rows = rows[~shapely.is_valid(geometries[rows])]
    reasons = shapely.is_valid_reason(geometries[rows])
    return {int(row): _validity_text(reason) for row, reason in zip(rows, reasons, strict=True)}


def _validity_text(reason: str) -> str:
    """``Self-intersection[3 4]`` in words, with the place."""
    words, _, place = reason.partition("[")
    text = _VALIDITY_WORDS.get(words, f"is not valid ({words.lower()})")
    numbers = place.rstrip("]").split()[:2]
    return f"{text} at ({', '.join(numbers)})" if len(numbers) == 2 else text


# in the order of shapely.GeometryType, whose -1 (no geometry) takes the last
_TYPE_NAMES = np.array(
    [
        *("Point", "LineString", "LinearRing", "Polygon"),
        *("MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection"),
        None,
    ],
    dtype=object,
)


def _type_names(geometries: NDArray[np.object_]) -> NDArray[np.object_]:
    """``"Polygon"``, ``"MultiLineString"`` …; None for a missing geometry."""
    return np.asarray(_TYPE_NAMES[shapely.get_type_id(geometries)], dtype=object)


# --- writing ---------------------------------------------------------------------------------------------


def write_plan(
    path: str | Path,
    layers: Mapping[str, pd.DataFrame],
    declarations: Sequence[LayerSpec],
    *,
    crs: CRS | None = None,
    written_at: datetime | None = None,
    styles: Sequence[StoredStyle] = (),
) -> Path:
    """Write one complete GeoPackage: every declared layer, whole or not at all.

    Layers come in the order of the declarations, with exactly the declared columns; one that is not given, or
    has no rows, is written empty. Titles, descriptions, units and allowed values go into the file by the
    standard's own means, so that a GIS shows them. The index of the frames is not written: rows are numbered
    from 1.

    Parameters
    ----------
    path
        Target; its folder is made when it is missing.
    layers
        Layer name to GeoDataFrame, or to DataFrame when the layer is declared without geometry.
    declarations
        One per layer.
    crs
        CRS of all layers; default: that of the given ones. A vertical part is left out.
    written_at
        Time to be noted in the file (default: now); equal times and equal layers make equal files.
    styles
        How layers are drawn: stored in the table ``layer_styles``, from which a GIS takes them by itself.

    Returns
    -------
    pathlib.Path
        The target.

    Raises
    ------
    PlanError
        When a layer does not fit its declaration, CRSs are missing or differ, or the target can't be
        replaced. The target is then as it was.
    """
    common = _common_crs(layers, declarations, crs, Path(os.path.realpath(path)))
    return write_plan_batches(path, [layers], declarations, crs=common, written_at=written_at, styles=styles)


def write_plan_batches(
    path: str | Path,
    batches: Iterable[Mapping[str, pd.DataFrame]],
    declarations: Sequence[LayerSpec],
    *,
    crs: CRS | None,
    written_at: datetime | None = None,
    styles: Sequence[StoredStyle] = (),
) -> Path:
    """Write one complete GeoPackage from layers that come in batches, of which one is in memory at a time.

    Parameters and errors as in :func:`write_plan`; besides, a value that a layer's key has in two batches is an
    error too.
    """
    target = Path(os.path.realpath(path))
    refuse_unwritable(target)
    try:
        with tempfile.TemporaryDirectory(prefix=f".{target.stem}-", dir=target.parent) as folder:
            # a folder of its own: SQLite's journal stays in it, and no search for *.gpkg finds half a file
            draft = Path(folder) / target.with_suffix(".gpkg").name
            _create_layers(draft, declarations, crs)
            for layers in batches:
                _common_crs(layers, declarations, crs, target)
                _append_layers(draft, _conformed_layers(layers, declarations, crs), declarations)
            _refuse_repeated_keys(draft, declarations)
            if styles:
                _write_styles(draft, styles, declarations, written_at or datetime.now(UTC))
            _write_descriptions(draft, declarations, written_at or datetime.now(UTC))
            _flush_to_disk(draft)
            refuse_unwritable(target)
            os.replace(draft, target)  # noqa: PTH105 (the word says what it does on every system)
        _flush_to_disk(target.parent)
    except _WRITING_ERRORS as error:
        if isinstance(error, LawngisError):
            raise
        raise PlanError(
            f"could not be written ({_one_line(error)})",
            where=str(target),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error
    return target


def write_indexed(path: Path, layer: str, batches: Iterable[gpd.GeoDataFrame]) -> None:
    """Write features, some at a time, as the only layer of a new GeoPackage, with a spatial index.

    For copies that only this program reads: nothing is described, and a file that is there is replaced.
    """
    path.unlink(missing_ok=True)
    with _quick_pyogrio(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for frame in batches:
            pyogrio.write_dataframe(frame, path, layer=layer, geometry_type="Unknown", append=path.exists())


def refuse_unwritable(path: str | Path) -> None:
    """Raise when a target could not be written: no folder, no permission, open for editing elsewhere.

    Worth calling before hours of computation; :func:`write_plan` calls it by itself.

    Raises
    ------
    PlanError
        Saying which of these it is.
    """
    target = Path(os.path.realpath(path))
    if target.is_dir():
        raise PlanError("is a folder, not a file", where=str(target), advice="Give the name of a file.")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=target.parent):
            pass
    except OSError as error:
        raise PlanError(
            f"the folder can't be written to ({error.strerror or error})",
            where=str(target.parent),
            advice="Choose another folder, or ask for the right to write there.",
        ) from error
    if target.exists():
        _refuse_in_use(target)


def _refuse_in_use(target: Path) -> None:
    leftovers = [side for side in ("-wal", "-journal") if Path(f"{target}{side}").exists()]
    if leftovers:
        # SQLite would take the old file's log for the new file's, and break it
        raise PlanError(
            f"has unfinished changes beside it ({target.name}{leftovers[0]})",
            where=str(target),
            advice=f"{_EDITED_ELSEWHERE} If it is open nowhere, open and close it once in a GIS.",
        )
    with closing(_connection(target, "rw", LOCK_PATIENCE_S)) as database:
        try:
            database.execute("BEGIN EXCLUSIVE")
            database.execute("ROLLBACK")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise PlanError("is locked by another program", where=str(target), advice=_EDITED_ELSEWHERE) from error
        except sqlite3.DatabaseError:
            pass  # not a database at all: nobody can be editing it, and it will be replaced


def _create_layers(draft: Path, declarations: Sequence[LayerSpec], crs: CRS | None) -> None:
    # The draft is flushed to disk once, as a whole: doing so after each layer would take most of the time
    with fiona.Env(OGR_SQLITE_SYNCHRONOUS="OFF"):
        for declaration in declarations:
            _create_layer(draft, declaration, crs)


def _append_layers(draft: Path, layers: Mapping[str, pd.DataFrame], declarations: Sequence[LayerSpec]) -> None:
    with _quick_pyogrio(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for declaration in declarations:
            if len(layers[declaration.name]):
                pyogrio.write_dataframe(
                    layers[declaration.name],
                    draft,
                    layer=declaration.name,
                    append=True,
                    promote_to_multi=(declaration.geometry or "").startswith("Multi"),
                )


def _refuse_repeated_keys(draft: Path, declarations: Sequence[LayerSpec]) -> None:
    with closing(_connection(draft, "ro", 0)) as database:
        for layer in declarations:
            if layer.key is None:
                continue
            rows = f'FROM "{layer.name}" WHERE "{layer.key}" IS NOT NULL'
            query = f'SELECT "{layer.key}" {rows} GROUP BY 1 HAVING count(*) > 1 LIMIT 1'
            repeated = database.execute(query).fetchone()
            if repeated is not None:
                raise PlanError(f"{layer.key} {repeated[0]!r} occurs more than once", where=f"layer {layer.name}")


@contextmanager
def _quick_pyogrio() -> Iterator[None]:
    before = pyogrio.get_gdal_config_option("OGR_SQLITE_SYNCHRONOUS")
    pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": before})


def _create_layer(draft: Path, declaration: LayerSpec, crs: CRS | None) -> None:
    """Make an empty layer with the schema as declared: what is inferred from rows changes with the rows."""
    geometry = {None: "None", "Geometry": "Unknown"}.get(declaration.geometry, declaration.geometry)
    schema = {
        "geometry": geometry,
        "properties": {column.name: _FIONA_TYPES[column.kind] for column in declaration.columns},
    }
    options: dict[str, str] = {"IDENTIFIER": declaration.title, "DESCRIPTION": declaration.description}
    if not draft.exists():
        options |= {"VERSION": GEOPACKAGE_VERSION, "DATETIME_FORMAT": "UTC"}
    if declaration.geometry and crs is not None:
        options |= {"crs_wkt": crs.to_wkt(), "SPATIAL_INDEX": "YES", "GEOMETRY_NAME": "geom"}
    with fiona.open(draft, "w", driver="GPKG", layer=declaration.name, schema=schema, **options):
        pass


def _flush_to_disk(path: Path) -> None:
    if os.name != "posix" and path.is_dir():
        return  # only POSIX systems open folders
    descriptor = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


# --- rows as declared ------------------------------------------------------------------------------------


def _conformed_layers(
    layers: Mapping[str, pd.DataFrame], declarations: Sequence[LayerSpec], crs: CRS | None
) -> dict[str, pd.DataFrame]:
    unknown = sorted(set(layers) - {declaration.name for declaration in declarations})
    if unknown:
        raise PlanError(f"layer '{unknown[0]}' is not declared", advice="Declare the layer, or leave it out.")
    return {d.name: _conformed(layers.get(d.name), d, crs) for d in declarations}


def _conformed(frame: pd.DataFrame | None, declaration: LayerSpec, crs: CRS | None) -> pd.DataFrame:
    """Return a layer's rows with the declared columns, in their order and of their kinds."""
    if frame is None:
        frame = pd.DataFrame(index=range(0))
    _refuse_undeclared(frame, declaration)
    columns = {}
    for column in declaration.columns:
        if column.name in frame:
            values = frame[column.name].reset_index(drop=True)
        else:
            values = pd.Series([None] * len(frame), dtype=object)
        columns[column.name] = _conformed_values(values, column, declaration.name)
    table = pd.DataFrame(columns, index=range(len(frame)))
    if declaration.geometry is not None:
        table = gpd.GeoDataFrame(table, geometry=_conformed_geometry(frame, declaration), crs=crs)
    return table


def _refuse_undeclared(frame: pd.DataFrame, declaration: LayerSpec) -> None:
    geometry = frame.geometry.name if _has_geometry(frame) else None
    if declaration.geometry is None and geometry is not None:
        raise PlanError("is declared without geometry, but has one", where=declaration.name)
    if declaration.geometry is not None and geometry is None and len(frame):
        raise PlanError(f"has no geometry, but {declaration.geometry} is declared", where=declaration.name)
    extra = [name for name in frame.columns if name != geometry and name not in {c.name for c in declaration.columns}]
    if extra:
        raise PlanError(f"column '{extra[0]}' is not declared", where=declaration.name, advice="Declare it or drop it.")


def _has_geometry(frame: pd.DataFrame) -> bool:
    return isinstance(frame, gpd.GeoDataFrame) and frame.active_geometry_name is not None


def _conformed_values(values: pd.Series[Any], column: ColumnSpec, layer: str) -> pd.Series[Any]:
    conform = {
        "text": _texts,
        "real": _reals,
        "integer": _integers,
        "boolean": _booleans,
        "datetime": _datetimes,
    }[column.kind]
    try:
        return conform(values)
    except (ValueError, TypeError, OverflowError) as error:
        raise PlanError(
            f"column '{column.name}' is declared {column.kind}, but {_one_line(error)}", where=layer
        ) from error


def _refuse_others(values: pd.Series[Any], kinds: type | tuple[type, ...]) -> None:
    for row, value in values[values.notna()].items():
        if not isinstance(value, kinds):
            raise ValueError(f"row {row} holds {value!r}")


def _texts(values: pd.Series[Any]) -> pd.Series[Any]:
    _refuse_others(values, str)
    return values.astype(object).where(values.notna(), None)


def _reals(values: pd.Series[Any]) -> pd.Series[Any]:
    if not pd.api.types.is_numeric_dtype(values.dtype):
        _refuse_others(values, Real)
        values = values.astype(object).where(values.notna(), pd.NA)
    numbers = pd.Series(values.astype("Float64").to_numpy(dtype=float, na_value=np.nan))
    infinite = np.flatnonzero(np.isinf(numbers))
    if len(infinite):
        raise ValueError(f"row {infinite[0]} holds an infinite number")
    return numbers


def _integers(values: pd.Series[Any]) -> pd.Series[Any]:
    if pd.api.types.is_integer_dtype(values.dtype):
        return values.astype("Int64")
    if values.dtype == object and all(isinstance(value, Integral) for value in values[values.notna()]):
        return values.where(values.notna(), pd.NA).astype("Int64")
    numbers = _reals(values)
    broken = np.flatnonzero(numbers.notna() & (numbers != numbers.round()))
    if len(broken):
        raise ValueError(f"row {broken[0]} holds {numbers[broken[0]]}")
    return numbers.astype("Int64")


def _booleans(values: pd.Series[Any]) -> pd.Series[Any]:
    if not pd.api.types.is_bool_dtype(values.dtype):
        _refuse_others(values, (bool, np.bool_))
        values = values.astype(object).where(values.notna(), None)
    return values.astype("boolean")


def _datetimes(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return times in UTC; those without a zone are taken as UTC."""
    return pd.to_datetime(values, utc=True, format="ISO8601")


def _conformed_geometry(frame: pd.DataFrame, declaration: LayerSpec) -> NDArray[np.object_]:
    if not len(frame):
        return np.empty(0, dtype=object)
    geometries = shapely.force_2d(np.asarray(frame.geometry.to_numpy(), dtype=object))
    single = (declaration.geometry or "").removeprefix("Multi")
    welcome = {declaration.geometry, single, None}
    wrong = [] if single == "Geometry" else [name not in welcome for name in _type_names(geometries)]
    for rows, reason in (
        (wrong, f"is no {declaration.geometry}"),
        (_not_finite(geometries), "has no finite place"),
    ):
        if np.any(rows):
            row = int(np.flatnonzero(rows)[0])
            raise PlanError(f"geometry {reason}", where=(declaration.name, _row_name(frame, row)))
    return np.asarray(geometries, dtype=object)


def _row_name(frame: pd.DataFrame, row: int) -> str:
    return f"row {row} ({frame['parcel_id'].iloc[row]})" if "parcel_id" in frame else f"row {row}"


def _common_crs(
    layers: Mapping[str, pd.DataFrame], declarations: Sequence[LayerSpec], crs: CRS | None, target: Path
) -> CRS | None:
    """Return the one CRS of all layers: a file that mixes them looks right and lies."""
    common = None if crs is None else horizontal_crs(crs)
    for name, frame in layers.items():
        if not isinstance(frame, gpd.GeoDataFrame) or not _has_geometry(frame):
            continue
        if frame.crs is None:
            if len(frame):
                raise PlanError("has no CRS", where=(str(target), name), advice="Give the layer a CRS.")
            continue
        own = horizontal_crs(frame.crs)
        if common is not None and own != common:
            raise PlanError(f"is in {own.name}, other layers are in {common.name}", where=(str(target), name))
        common = own
    if common is None and any(declaration.geometry for declaration in declarations):
        raise PlanError("no CRS is known for the layers", where=str(target), advice="Give the layers a CRS.")
    return common


# --- descriptions, as the standard's schema extension keeps them -----------------------------------------

# OGC 12-128r17 (GeoPackage 1.3), annex F.9 "Schema"
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec130/#extension_schema"
_SCHEMA_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
  min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
"""


# as the widely read convention has it; a row whose QML is empty is not loaded by itself
_STYLES_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')));
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)
  VALUES ('layer_styles', 'attributes', 'layer_styles', 'How the layers are drawn', 0);
"""


def _write_styles(
    draft: Path, styles: Sequence[StoredStyle], declarations: Sequence[LayerSpec], written_at: datetime
) -> None:
    drawn = {layer.name for layer in declarations if layer.geometry is not None}
    for style in styles:
        if style.layer not in drawn:
            raise PlanError("has a style, but is no layer with geometry", where=f"layer {style.layer}")
    with closing(_connection(draft, "rw", 0)) as database:
        database.executescript(f"BEGIN; {_STYLES_TABLE}")
        database.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
            " styleQML, styleSLD, useAsDefault, description, owner, update_time)"
            " VALUES ('', '', ?, 'geom', ?, ?, ?, 1, ?, '', ?)",
            [(s.layer, s.name, s.qml, s.sld, s.description, _stamp(written_at)) for s in styles],
        )
        database.execute("COMMIT")


def _stamp(time: datetime) -> str:
    return time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def _write_descriptions(draft: Path, declarations: Sequence[LayerSpec], written_at: datetime) -> None:
    described = [(layer.name, column) for layer in declarations for column in layer.columns]
    with closing(_connection(draft, "rw", 0)) as database:
        database.executescript(f"BEGIN; {_SCHEMA_TABLES}")
        database.executemany(
            "INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_schema', ?, 'read-write')",
            [(table, _SCHEMA_EXTENSION) for table in ("gpkg_data_columns", "gpkg_data_column_constraints")],
        )
        database.executemany(
            "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
            [
                (
                    layer,
                    column.name,
                    column.name,
                    _title(column),
                    column.description,
                    _constraint(layer, column),
                )
                for layer, column in described
            ],
        )
        database.executemany(
            "INSERT INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, NULL)",
            [(_constraint(layer, column), str(value)) for layer, column in described for value in column.values],
        )
        database.execute("UPDATE gpkg_contents SET last_change = ?", (_stamp(written_at),))
        database.commit()


def _title(column: ColumnSpec) -> str:
    words = column.name.replace("_", " ")
    return f"{words} [{column.unit}]" if column.unit else words


def _constraint(layer: str, column: ColumnSpec) -> str | None:
    return f"{layer}_{column.name}" if column.values else None


# --- what is wrong with a file ---------------------------------------------------------------------------


@contextmanager
def _quiet_gdal(path: Path, layer: str = "") -> Iterator[None]:
    """Turn whatever GDAL raises within into an error that a person can act on, and keep its warnings back."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except LawngisError:
        raise
    except _READING_ERRORS as error:
        _raise_reading_error(path, layer, error)


def _raise_reading_error(path: Path, layer: str, error: Exception) -> NoReturn:
    fault = _database_fault(path)
    if fault:
        what, advice = fault
        raise SiteError(what, where=str(path), advice=advice) from error
    if layer:
        raise LayerError(
            f"can't be read ({_one_line(error)})",
            where=(str(path), layer),
            advice="Open it in a GIS to see why.",
        ) from error
    raise SiteError(
        f"is no vector file that can be read ({_one_line(error)})",
        where=str(path),
        advice="Save it as GeoPackage.",
    ) from error


def _one_line(error: BaseException) -> str:
    return re.sub(r"\s+", " ", str(error)).strip().rstrip(".") or type(error).__name__


def _refuse_unusable(path: Path) -> None:
    """Say plainly what can be seen from outside, before GDAL says something obscure or, worse, nothing."""
    advice = ""
    if not path.exists():
        what, advice = "does not exist", "Check the name and the folder."
    elif path.is_dir() and path.suffix.lower() != ".gdb":
        what, advice = "is a folder, not a file", "Name a file in it."
    elif not os.access(path, os.R_OK):
        what, advice = "may not be read", "Ask for the right to read it."
    elif path.is_file() and path.stat().st_size == 0:
        what, advice = "is empty (0 bytes)", _COPY_AGAIN
    elif path.suffix.lower() == ".gpkg" and (fault := _header_fault(path)):
        what, advice = fault, _COPY_AGAIN
    else:
        return
    raise SiteError(what, where=str(path), advice=advice)


def _header_fault(path: Path) -> str | None:
    """Return what a GeoPackage's first 100 bytes give away.

    Page size at byte 16 and page count at 28: sqlite.org, "Database File Format", section 1.3.
    """
    with path.open("rb") as file:
        header = file.read(100)
    if not header.startswith(b"SQLite format 3\0"[: len(header)]):
        return "is no GeoPackage (it is no SQLite database)"
    size = path.stat().st_size
    if len(header) < 100:
        return f"is cut off ({size} bytes)"
    page_bytes = {1: 65536}.get(number := int.from_bytes(header[16:18], "big"), number)
    wanted = page_bytes * int.from_bytes(header[28:32], "big")
    count_is_current = header[24:28] == header[92:96]
    if count_is_current and size < wanted:
        return f"is cut off ({size} of {wanted} bytes are there)"
    return None


def _database_fault(path: Path) -> tuple[str, str] | None:
    """Return what is wrong with a GeoPackage as a database, and what to do; None when nothing is."""
    if path.suffix.lower() != ".gpkg":
        return None
    try:
        with closing(_connection(path, "ro", 0)) as database:
            state = database.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        if "locked" in str(error):
            return "is locked by another program", _EDITED_ELSEWHERE
        if Path(f"{path}-journal").exists():
            return (
                "an edit of it was broken off",
                "Open and close it once in a GIS, which finishes or undoes it.",
            )
        state = str(error)
    return None if state == "ok" else (f"is damaged ({_one_line(ValueError(state))})", _COPY_AGAIN)


def _has_no_vector_table(path: Path) -> bool:
    try:
        with closing(_connection(path, "ro", 0)) as database:
            query = "SELECT count(*) FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
            return bool(database.execute(query).fetchone()[0] == 0)
    except sqlite3.DatabaseError:
        return False


def _connection(path: Path, mode: str, patience_s: float) -> sqlite3.Connection:
    """Never to be held while GDAL has the same file open: the two don't see each other's locks."""
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=patience_s, isolation_level=None
    )
