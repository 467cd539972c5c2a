"""Layers written as declared: a file is built complete beside its target and moved over it in one step."""

from __future__ import annotations

import os
import sqlite3
import tempfile
import warnings
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
from pyproj import CRS

from lawngis.errors import LawngisError, PlanError

from ...model.map_layers import drawing_order
from ..atomic import write_problem
from ..formats import own_folder
from . import descriptions, opening
from .foreign import carry_over
from .opening import EDITED_ELSEWHERE, WRITING_ERRORS
from .rows import Columns, LayerRows, common_crs, conformed_layers

if TYPE_CHECKING:
    from ...model.contract import Layer

GEOPACKAGE_VERSION = "1.3"  # 1.4 draws warnings from geographic information systems still in wide use
DRIVER = "GPKG"
QUICKLY = {"OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_JOURNAL": "OFF"}
"""A draft is thrown away when anything goes wrong, and flushed once when it is whole: no journal, no waiting."""
GEOMETRY_WORDS: Mapping[str | None, str] = {None: "None", "Geometry": "Unknown"}
CHANGE_COUNTERS = (24, 92)
"""Where a database holds the number of its changes, and again the one at which its size was noted (sqlite.org,
"Database File Format", section 1.3)."""

GDAL_UTC = 100
"""How GDAL says that a time is in UTC; https://gdal.org/development/rfc/rfc56_millisecond_precision.html"""

_FIONA_TYPES = {"text": "str", "real": "float", "integer": "int64", "boolean": "bool", "datetime": "datetime"}


def write_plan(
    path: str | Path,
    layers: Mapping[str, pd.DataFrame],
    declarations: Sequence[Layer],
    *,
    crs: CRS | None = None,
    written_at: datetime | None = None,
) -> Path:
    """Write one complete GeoPackage: every declared layer, whole or not at all.

    Layers come in the order of the declarations, with exactly the declared columns; one that is not given, or
    has no rows, is written empty. Titles, descriptions, units and allowed values go into the file by the
    standard's own means, so that a GIS shows them; styles into the table ``layer_styles``, from which a GIS takes them
    by itself. The index of the frames is not written: rows are numbered
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
    common = common_crs(layers, declarations, crs, Path(os.path.realpath(path)))
    return write_plan_batches(path, [layers], declarations, crs=common, written_at=written_at)


def write_plan_batches(
    path: str | Path,
    batches: Iterable[Mapping[str, LayerRows]],
    declarations: Sequence[Layer],
    *,
    crs: CRS | None,
    written_at: datetime | None = None,
    last: Callable[[Path], Mapping[str, LayerRows]] | None = None,
    styles: Mapping[str, str] | None = None,
    finish: Callable[[Path], None] | None = None,
) -> Path:
    """Write one complete GeoPackage from layers that come in batches, of which one is in memory at a time.

    Parameters and errors as in :func:`write_plan`; besides, layers may come as :class:`Columns`, in the CRS of the
    file, and a value that a layer's key has in two batches is an error too. What `last` makes of the draft is written
    when all batches are in it. With the digests of the `styles` that were written into a target which is there, all
    that isn't ours in it is carried over, see :func:`.foreign.carry_over`.
    """
    target = Path(os.path.realpath(path))
    with draft_of(target) as draft:
        _create_layers(draft, declarations, crs)
        for layers in chain(batches, (last(draft) for last in (last,) if last is not None)):
            common_crs(layers, declarations, crs, target)
            append_layers(draft, conformed_layers(layers, declarations, crs), declarations)
        _refuse_repeated_keys(draft, declarations)
        descriptions.describe_layers(draft, declarations, written_at or datetime.now(UTC))
        if styles is not None and target.exists():
            carry_over(draft, target, [declaration.name for declaration in declarations], styles)
        if finish is not None:
            finish(draft)
    return target


@contextmanager
def draft_of(target: Path) -> Iterator[Path]:
    """Give the name of a file to be made, which takes the target's place in one step once it is complete.

    Raises
    ------
    PlanError
        When the target can't be replaced or the draft can't be written; the target is then as it was.
    """
    refuse_unwritable(target)
    with (
        _as_plan_error(target),
        tempfile.TemporaryDirectory(prefix=f".{target.stem}-", dir=target.parent) as folder,
        _as_plan_error(target),  # once more, as the room on the disk tells only while the draft takes it
    ):
        # a folder of its own: SQLite's journal stays in it, and no search for *.gpkg finds half a file
        name = target.with_suffix(".gpkg").name
        draft = Path(folder) / name
        yield _without_marks(Path(folder)) / name
        flush_to_disk(draft)
        refuse_unwritable(target)
        os.replace(draft, target)  # noqa: PTH105 (the word says what it does on every system)
        flush_to_disk(target.parent)


@contextmanager
def _as_plan_error(target: Path) -> Iterator[None]:
    try:
        yield
    except LawngisError:
        raise
    except WRITING_ERRORS as error:
        raise PlanError(
            f"could not be written ({write_problem(error, target.parent)})",
            where=str(target),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error


def _without_marks(folder: Path) -> Path:
    """Return a folder by a name in which fiona sees no archive, as it does before an exclamation mark."""
    if "!" not in str(folder):
        return folder
    link = own_folder() / "draft"
    link.symlink_to(folder)
    return link


def write_indexed(path: Path, layer: str, batches: Iterable[gpd.GeoDataFrame]) -> None:
    """Write features, some at a time, as a new layer of a GeoPackage, with a spatial index.

    For copies that only this program reads: nothing is described.
    """
    columns = {"FID": "lawngis_fid", "GEOMETRY_NAME": "lawngis_shape"}  # no file has columns of these names
    with _quick_pyogrio(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for number, frame in enumerate(batches):
            new = {} if number else columns
            pyogrio.write_dataframe(frame, path, layer=layer, geometry_type="Unknown", append=number > 0, **new)


def write_layers(path: Path, layers: Mapping[str, gpd.GeoDataFrame]) -> None:
    """Write layers as they are into a new GeoPackage, the same from the same but for the date of each layer."""
    with _quick_pyogrio(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for number, (name, table) in enumerate(layers.items()):
            pyogrio.write_dataframe(table.reset_index(drop=True), path, layer=name, append=number > 0)
    with path.open("r+b") as file:
        for place in CHANGE_COUNTERS:  # how often it was changed hangs on how fast it went
            file.seek(place)
            file.write((1).to_bytes(4, "big"))


def refuse_unwritable(path: str | Path) -> None:
    """Raise when a target could not be written: no folder, no permission, open for editing elsewhere.

    Worth calling before hours of computation; :func:`write_plan` calls it by itself.

    Raises
    ------
    PlanError
        Saying which of these it is.
    """
    target = Path(os.path.realpath(path))
    try:
        if target.is_dir():
            raise PlanError("is a folder, not a file", where=str(target), advice="Give the name of a file.")
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
            advice=f"{EDITED_ELSEWHERE} If it is open nowhere, open and close it once in a GIS.",
        )
    with closing(opening.connection(target, "rw", opening.LOCK_PATIENCE_S)) as database:
        try:
            database.execute("BEGIN EXCLUSIVE")
            database.execute("ROLLBACK")
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise PlanError("is locked by another program", where=str(target), advice=EDITED_ELSEWHERE) from error
        except sqlite3.DatabaseError:
            pass  # not a database at all: nobody can be editing it, and it will be replaced


def _create_layers(draft: Path, declarations: Sequence[Layer], crs: CRS | None) -> None:
    with quick_fiona():
        for declaration in drawing_order(declarations):  # a GIS lists a file's layers as they were made
            create_layer(draft, declaration, crs)


def quick_fiona() -> fiona.Env:
    """Return a context in which a draft is written without safety."""
    return fiona.Env(**QUICKLY)


def append_layers(
    draft: Path,
    layers: Mapping[str, LayerRows],
    declarations: Sequence[Layer],
    *,
    multi: Collection[str] = (),
) -> None:
    """Add rows, if any, to layers that are there; layers `multi` hold multiple geometries whatever is declared."""
    with _quick_pyogrio(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for declaration in declarations:
            layer = layers.get(declaration.name)
            promoted = (declaration.geometry or "").startswith("Multi") or declaration.name in multi
            if isinstance(layer, Columns):
                _append_columns(draft, layer, declaration, promoted=promoted)
            elif layer is not None and len(layer):
                pyogrio.write_dataframe(
                    layer, draft, driver=DRIVER, layer=declaration.name, append=True, promote_to_multi=promoted
                )


def _append_columns(draft: Path, layer: Columns, declaration: Layer, *, promoted: bool) -> None:
    if not layer.rows:
        return
    drawn = layer.shapes is not None
    pyogrio.raw.write(
        draft,
        layer.shapes,
        list(layer.values.values()),
        list(layer.values),
        [layer.missing.get(name) for name in layer.values],
        layer=declaration.name,
        driver=DRIVER,
        geometry_type=GEOMETRY_WORDS.get(declaration.geometry, declaration.geometry) if drawn else None,
        promote_to_multi=promoted,
        append=True,
        gdal_tz_offsets={
            name: np.full(layer.rows, GDAL_UTC) for name, some in layer.values.items() if some.dtype.kind == "M"
        },
    )


def _refuse_repeated_keys(draft: Path, declarations: Sequence[Layer]) -> None:
    with closing(opening.connection(draft, "ro", 0)) as database:
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
    before = {name: pyogrio.get_gdal_config_option(name) for name in QUICKLY}
    pyogrio.set_gdal_config_options(QUICKLY)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def create_layer(draft: Path, declaration: Layer, crs: CRS | None) -> None:
    """Make an empty layer with the schema as declared: what is inferred from rows changes with the rows."""
    geometry = GEOMETRY_WORDS.get(declaration.geometry, declaration.geometry)
    schema = {
        "geometry": geometry,
        "properties": {column.name: _FIONA_TYPES[column.kind] for column in declaration.columns},
    }
    options: dict[str, str] = {"IDENTIFIER": declaration.title, "DESCRIPTION": declaration.description}
    if not draft.exists():
        options |= {"VERSION": GEOPACKAGE_VERSION, "DATETIME_FORMAT": "UTC"}
    if declaration.geometry and crs is not None:
        options |= {"crs_wkt": crs.to_wkt(), "SPATIAL_INDEX": "YES", "GEOMETRY_NAME": "geom"}
    with fiona.open(draft, "w", driver=DRIVER, layer=declaration.name, schema=schema, **options):
        pass


def flush_to_disk(path: Path) -> None:
    """Wait until a file, or a folder's list of files, is on the disk."""
    if os.name != "posix" and path.is_dir():
        return  # only POSIX systems open folders
    descriptor = os.open(path, os.O_RDONLY if os.name == "posix" else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
