"""What people put into a GeoPackage of ours: tables, projects and styles of their own, carried into the next one.

Everything is copied as SQLite has it, with its rows in the tables by which the standard registers layers, so that no
program's own form has to be known.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING

from lawngis.errors import PlanError

from ..style_encoding import qml
from .descriptions import STYLE_NAME
from .opening import connection, one_line, quiet_gdal, undisturbed
from .schema import quoted

if TYPE_CHECKING:
    from ...model.contract import Layer

STYLES = "layer_styles"

_OF_LAYERS = (
    "contents",
    "geometry_columns",
    "extensions",
    "data_columns",
    "ogr_contents",
    "tile_matrix_set",
    "tile_matrix",
)
"""Tables ``gpkg_`` that have rows for each layer, under its `table_name`: OGC 12-128r17, annex C; one is GDAL's."""

_SHARED = ("spatial_ref_sys", "data_column_constraints")
"""Tables ``gpkg_`` of which a layer uses rows that others may use too."""

_GDAL_TRIGGER = re.compile(r"(rtree|trigger)_", re.IGNORECASE)
"""Triggers by which GDAL keeps the index and the number of features of a layer: ours get theirs anew."""


@dataclass(frozen=True)
class _Thing:
    """A table, view, index or trigger that isn't ours, or is somebody's own on a table of ours."""

    kind: str
    name: str
    on_ours: bool
    sql: str

    @property
    def has_rows(self) -> bool:
        return self.kind in ("table", "virtual")


def style_digests(declarations: Iterable[Layer]) -> dict[str, str]:
    """Return the digests by which the styles of layers, once stored, are seen to be as they were written."""
    return {one.name: _digest(qml(one)) for one in declarations if one.style is not None}


def _digest(style: str) -> str:
    return blake2b(style.encode(), digest_size=8).hexdigest()


def refuse_uncarriable(path: Path, ours: Collection[str]) -> None:
    """Refuse a file with something of somebody else's in it that can't be carried over.

    Parameters
    ----------
    path
        The file.
    ours
        Names of the layers that are written anew.

    Raises
    ------
    SiteError
        When it can't be read.
    PlanError
        Naming what can't be carried over.
    """
    with closing(sqlite3.connect("file::memory:", uri=True, isolation_level=None)) as database:
        for thing in _attached(database, path, ours):
            if not thing.on_ours:
                with _carrying(path, thing.name):
                    database.execute(thing.sql)


def carry_over(draft: Path, path: Path, ours: Collection[str], styles: Mapping[str, str]) -> None:
    """Put all that isn't ours of a file into the one that takes its place.

    Parameters
    ----------
    draft
        The new file, in which our layers are complete.
    path
        The file that it replaces.
    ours
        Names of the layers that were written anew.
    styles
        Digests of our styles as they were written into the old file, by layer: another style under our name is
        somebody's own. Of layers without a digest that can't be told, and it is ours.

    Raises
    ------
    PlanError
        Naming what can't be carried over.
    """
    with closing(connection(draft, "rw", 0)) as database:
        things = _attached(database, path, ours)
        database.execute("BEGIN")
        there = _names(database, "main")
        for thing in (thing for thing in things if thing.has_rows):
            with _carrying(path, thing.name):
                database.execute(thing.sql)
                _copy(database, thing.name, with_rowid=thing.kind == "virtual" and "rtree" not in thing.sql.casefold())
        with _carrying(path, "its layers"):
            _register(database, [thing.name for thing in things if thing.has_rows], there)
        with _carrying(path, STYLES):
            _carry_styles(database, ours, styles)
        for thing in (thing for thing in things if not thing.has_rows and thing.name not in there):
            with _carrying(path, thing.name):
                database.execute(thing.sql)
        database.execute("COMMIT")


@contextmanager
def _carrying(path: Path, name: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise PlanError(
            f"{name} isn't part of the plan, and can't be carried over into the new one ({one_line(error)})",
            where=str(path),
            advice="Move it into another file, or name another folder with --out.",
        ) from error


def _attached(database: sqlite3.Connection, path: Path, ours: Collection[str]) -> list[_Thing]:
    """Attach a file as ``earlier``, and return what isn't ours in it, tables first."""
    with quiet_gdal(path):
        database.execute("ATTACH ? AS earlier", [f"{undisturbed(path).absolute().as_uri()}?mode=ro"])
        kinds = {name: kind for _, name, kind, *_ in database.execute("PRAGMA earlier.table_list")}
        stored = database.execute("SELECT type, name, tbl_name, sql FROM earlier.sqlite_master WHERE sql NOT NULL")
        mine = {name.casefold() for name in (*ours, STYLES)}
        mine |= {
            f"rtree_{name}_{column}".casefold()
            for name, column in _geometry_columns(database)
            if name.casefold() in mine
        }
        standard = {name for name in _names(database, "main") if name.startswith("gpkg_")}
        standard |= {f"gpkg_{name}" for name in (*_OF_LAYERS, *_SHARED)}
        found = []
        for type_, name, table, sql in stored.fetchall():
            kind = kinds.get(name, type_)
            on_ours = table.casefold() in mine
            ours_itself = name.casefold() in mine | standard or table.casefold() in standard
            if kind == "shadow" or ours_itself or name.startswith("sqlite_") or (on_ours and _GDAL_TRIGGER.match(name)):
                continue
            found.append(_Thing(kind, name, on_ours, sql))
    return sorted(found, key=lambda thing: not thing.has_rows)


def _names(database: sqlite3.Connection, schema: str) -> set[str]:
    return {str(name) for (name,) in database.execute(f"SELECT name FROM {schema}.sqlite_master")}


def _geometry_columns(database: sqlite3.Connection) -> list[tuple[str, str]]:
    if "gpkg_geometry_columns" not in _names(database, "earlier"):
        return []
    return database.execute("SELECT table_name, column_name FROM earlier.gpkg_geometry_columns").fetchall()


def _columns(database: sqlite3.Connection, schema: str, table: str) -> list[str]:
    """Return the names of a table's columns, without those that are worked out of others."""
    info = database.execute(f"PRAGMA {schema}.table_xinfo({quoted(table)})")
    return [str(name) for _, name, *_, hidden in info if not hidden]


def _copy(
    database: sqlite3.Connection,
    table: str,
    where: str = "",
    values: Sequence[object] = (),
    *,
    with_rowid: bool = False,
) -> None:
    """Copy rows of a table into the one of the same name, as far as both have the same columns; none that is there."""
    known = set(_columns(database, "main", table))
    names = [quoted(name) for name in _columns(database, "earlier", table) if name in known]
    columns = ", ".join(["rowid", *names] if with_rowid else names)
    insert = f"INSERT OR IGNORE INTO main.{quoted(table)} ({columns})"
    database.execute(f"{insert} SELECT {columns} FROM earlier.{quoted(table)} {where}", values)


def _register(database: sqlite3.Connection, tables: Sequence[str], there: Collection[str]) -> None:
    """Copy what the standard's tables say of layers: reference systems and allowed values as well."""
    earlier = _names(database, "earlier")
    of_layers = [f"gpkg_{name}" for name in _OF_LAYERS if f"gpkg_{name}" in earlier & set(there)]
    database.execute("CREATE TEMP TABLE carried (name TEXT PRIMARY KEY COLLATE NOCASE)")
    database.executemany("INSERT OR IGNORE INTO carried VALUES (?)", [(name,) for name in tables])
    some = "table_name IN (SELECT name FROM carried)"
    if "gpkg_contents" in earlier:
        used = f"srs_id IN (SELECT srs_id FROM earlier.gpkg_contents WHERE {some})"
        _refuse_other_meaning(database, used)
        _copy(database, "gpkg_spatial_ref_sys", f"WHERE {used}")
    if "gpkg_data_columns" in of_layers:
        names = f"SELECT constraint_name FROM earlier.gpkg_data_columns WHERE {some}"
        _copy(database, "gpkg_data_column_constraints", f"WHERE constraint_name IN ({names})")
    for name in of_layers:
        _copy(database, name, f"WHERE {some}")


def _refuse_other_meaning(database: sqlite3.Connection, used: str) -> None:
    """Refuse a number of a reference system that means another one in the new file."""
    same = "lower(new.organization) = lower(old.organization)"
    query = (
        "SELECT old.srs_name FROM earlier.gpkg_spatial_ref_sys AS old JOIN main.gpkg_spatial_ref_sys AS new"
        f" USING (srs_id) WHERE old.{used} AND old.definition <> new.definition"
        f" AND NOT ({same} AND old.organization_coordsys_id = new.organization_coordsys_id"
        " AND lower(old.organization) <> 'none')"
    )
    name = database.execute(query).fetchone()
    if name is not None:
        raise sqlite3.IntegrityError(f"the number of {name[0]} means another reference system now")


def _carry_styles(database: sqlite3.Connection, ours: Collection[str], styles: Mapping[str, str]) -> None:
    """Copy styles that are somebody's own; where one of them is to be shown by itself, ours isn't."""
    if not {STYLES} <= _names(database, "earlier") & _names(database, "main"):
        return
    mine = {name.casefold() for name in ours}
    rows = database.execute(f"SELECT rowid, f_table_name, styleName, styleQML, useAsDefault FROM earlier.{STYLES}")
    there = _columns(database, "main", STYLES)
    columns = ", ".join(
        quoted(name) for name in _columns(database, "earlier", STYLES) if name in there and name != "id"
    )
    of_layer = f"main.{STYLES} {{}} WHERE lower(f_table_name) = lower(?) AND styleName = '{STYLE_NAME}'"
    for number, layer, name, stored, shown in rows.fetchall():
        under_our_name = name == STYLE_NAME and str(layer).casefold() in mine
        if under_our_name and styles.get(layer) in (None, _digest(stored or "")):
            continue
        if under_our_name:
            database.execute(f"DELETE FROM {of_layer.format('')}", [layer])
        elif shown:
            database.execute(f"UPDATE {of_layer.format('SET useAsDefault = 0')}", [layer])
        some = f"SELECT {columns} FROM earlier.{STYLES} WHERE rowid = ?"
        database.execute(f"INSERT INTO main.{STYLES} ({columns}) {some}", [number])
