"""What a GeoPackage says of its tables, looked at before GDAL sees it: names that are no text end the process there."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from lawngis.errors import SiteError

_INDEX = re.compile(r'CREATE VIRTUAL TABLE ("rtree_(?:[^"]|"")+"|rtree_\w+) USING rtree\s*\([^()]*\)', re.IGNORECASE)
"""The only virtual tables of the standard (OGC 12-128r19, annex F.3): whatever else a database asks libraries for."""

_STANDARD = ("gpkg_", "rtree_", "sqlite_", "layer_styles")
"""How names begin under which tables of the standard, and of styles, are looked up."""

_DESCRIBING = ("gpkg_contents", "gpkg_geometry_columns", "gpkg_spatial_ref_sys", "gpkg_extensions")


def computed_names(database: sqlite3.Connection, path: Path) -> frozenset[str]:
    """Return the names of views, and of tables with computed columns: reading one runs what a stranger wrote.

    Parameters
    ----------
    database
        Opened for reading.
    path
        The file, for errors.

    Raises
    ------
    SiteError
        When a name in it is no text, tables of the standard are views, or it has virtual tables that are no spatial
        index.
    """
    database.text_factory = bytes  # which can't fail
    names: set[str] = set()
    for kind, name, sql in _texts(database, path, "SELECT type, name, sql FROM sqlite_master"):
        if kind == "view":
            if name.casefold().startswith(_STANDARD):
                raise _refusal(path, f"its table {name} is a view")
            names.add(name)
        elif sql[:14].upper() == "CREATE VIRTUAL":
            if not _INDEX.fullmatch(sql.strip()):
                raise _refusal(path, f"it holds a virtual table ({name}) that is no spatial index")
        elif kind == "table":
            hidden = [row[0] for row in database.execute("SELECT hidden FROM pragma_table_xinfo(?)", [name])]
            if set(hidden) & {2, 3}:  # sqlite.org/pragma.html, table_xinfo: generated columns
                names.add(name)
    for table in _DESCRIBING:
        if database.execute("SELECT 1 FROM sqlite_master WHERE name = ?", [table]).fetchone():
            columns = [row[0] for row in database.execute("SELECT name FROM pragma_table_info(?)", [table])]
            values = ", ".join(f"CAST({quoted(column.decode())} AS TEXT)" for column in columns)
            for _ in _texts(database, path, f"SELECT {values} FROM {table}"):
                pass
    return frozenset(names)


def quoted(name: str) -> str:
    """Return a name as SQL takes it, whatever characters it has."""
    return '"' + name.replace('"', '""') + '"'


def _texts(database: sqlite3.Connection, path: Path, query: str) -> Iterator[tuple[str, ...]]:
    """Yield rows of text, empty where there is none; a row of anything but UTF-8 is an error."""
    with closing(database.execute(query)) as rows:
        for row in rows:
            try:
                yield tuple((value or b"").decode("utf-8") for value in row)
            except UnicodeDecodeError as error:
                raise _refusal(path, "the name or description of a table is no text (broken UTF-8)") from error


def _refusal(path: Path, what: str) -> SiteError:
    return SiteError(what, where=str(path), advice="Export its layers into a new GeoPackage.")
