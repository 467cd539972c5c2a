"""Opening vector files, and errors that name what is wrong with one before or instead of GDAL's."""

from __future__ import annotations

import logging
import re
import sqlite3
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import lru_cache, partial
from pathlib import Path
from typing import NoReturn

import fiona
import shapely

from lawngis.errors import LawngisError, LayerError, SiteError

from ..formats import VECTORS, alone, file_fault, own_folder
from .schema import computed_names

LOCK_PATIENCE_S = 5.0  # another run that is just finishing holds the target for less than this
EDITED_ELSEWHERE = "It is probably open for editing in a GIS: save or close it there, then try again."
_COPY_AGAIN = "Copy or export the file again from where it came."

_READING_ERRORS = (
    fiona.errors.FionaError,
    shapely.errors.GEOSException,
    sqlite3.Error,
    RuntimeError,
    ValueError,
    OSError,
)
WRITING_ERRORS = (*_READING_ERRORS, fiona._err.CPLE_BaseError)  # what a full disk raises in the middle of closing

# Without a handler of their own these loggers print GDAL's complaints to stderr; every complaint that matters
# is raised as one of our errors.
for _name in ("fiona", "pyogrio"):
    logging.getLogger(_name).addHandler(logging.NullHandler())


def undisturbed(path: str | Path) -> Path:
    """Return the file to open in a vector file's stead, so that reading neither changes it nor opens another.

    That is a link to it in a folder of this program, beside which nothing lies but its side files. Changes to a
    GeoPackage may wait in a log beside it (``-wal``), left by a GIS that has it open or crashed. They belong to the
    data; but GDAL, if it is the last to close the file, moves them into it. So a copy is read then, made once for each
    state of the file; also without such a log when the file is kept with one, as opening it makes one.

    Raises
    ------
    SiteError
        When the file can't be used, or isn't what its ending says.
    """
    path = Path(path)
    _refuse_unusable(path)
    if path.suffix.lower() != ".gpkg":
        return alone(path)
    computed_tables(path)  # refuses what GDAL must not see
    with quiet_gdal(path):
        return _own_copy(path.absolute(), *_states(path)) if _has_log(path) else alone(path)


def computed_tables(path: Path) -> frozenset[str]:
    """Return the names of views, and of tables with computed columns, of a GeoPackage; none of another file.

    Raises
    ------
    SiteError
        When its tables can't be used at all.
    """
    _refuse_unusable(path)
    return _computed_tables(path.absolute(), *_states(path)) if path.suffix.lower() == ".gpkg" else frozenset()


@lru_cache(maxsize=256)
def _computed_tables(path: Path, *states: int) -> frozenset[str]:
    del states  # a new state is looked at anew
    with quiet_gdal(path), closing(_unchanged(path)) as database:
        return computed_names(database, path)


def _states(path: Path) -> list[int]:
    states = [file.stat() for file in (path, Path(f"{path}-wal")) if file.exists()]
    return [number for state in states for number in (state.st_mtime_ns, state.st_size)]


def _has_log(path: Path) -> bool:
    """Return whether a database is kept with a log (sqlite.org, "Database File Format", section 1.3, byte 18)."""
    with path.open("rb") as file:
        return file.read(20)[18:] == b"\2\2"


@lru_cache(maxsize=16)
def _own_copy(path: Path, *states: int) -> Path:
    del states  # a new state is a new copy
    copy = own_folder() / alone(path).name
    with closing(_unchanged(path)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")
    return copy


def _unchanged(path: Path) -> sqlite3.Connection:
    """Open a database so that nothing is written beside it: SQLite makes a log anew where there is none."""
    waiting = Path(f"{path}-wal")
    alone_now = _has_log(path) and not (waiting.exists() and waiting.stat().st_size)
    return connection(path, "ro&immutable=1" if alone_now else "ro", LOCK_PATIENCE_S)


@contextmanager
def quiet_gdal(path: Path, layer: str = "") -> Iterator[None]:
    """Turn whatever GDAL raises within into an error that a person can act on, and suppress its warnings."""
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
            f"can't be read ({one_line(error)})",
            where=(str(path), layer),
            advice="Open it in a GIS to see why.",
        ) from error
    raise SiteError(
        f"is no vector file that can be read ({one_line(error)})",
        where=str(path),
        advice="Save it as GeoPackage.",
    ) from error


def one_line(error: BaseException) -> str:
    """Return what an error says, in one line without a full stop."""
    return re.sub(r"\s+", " ", str(error)).strip().rstrip(".") or type(error).__name__


def _refuse_unusable(path: Path) -> None:
    """Say plainly what can be seen from outside, before GDAL says something obscure or, worse, nothing."""
    fault = _fault(path)
    if fault is not None:
        what, advice = fault
        raise SiteError(what, where=str(path), advice=advice)


def _fault(path: Path) -> tuple[str, str] | None:
    fault = file_fault(path, VECTORS)
    cut = _header_fault(path) if fault is None and path.suffix.lower() == ".gpkg" else None
    return (cut, _COPY_AGAIN) if cut else fault


def _header_fault(path: Path) -> str | None:
    """Return what a GeoPackage's first 100 bytes give away.

    Page size at byte 16 and page count at 28: sqlite.org, "Database File Format", section 1.3.
    """
    with path.open("rb") as file:
        header = file.read(100)
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
    if _fault(path) is not None or path.suffix.lower() != ".gpkg":
        return None
    try:
        with closing(_unchanged(path)) as database:
            state = database.execute("PRAGMA quick_check(1)").fetchone()[0]
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # what SQLite says of a fault may be no text either
        if "locked" in str(error):
            return "is locked by another program", EDITED_ELSEWHERE
        if Path(f"{path}-journal").exists():
            return (
                "an edit of it was broken off",
                "Open and close it once in a GIS, which finishes or undoes it.",
            )
        state = str(error)
    return None if state == "ok" else (f"is damaged ({one_line(ValueError(state))})", _COPY_AGAIN)


def has_no_vector_table(path: Path) -> bool:
    """Return whether a GeoPackage, which may be opened, holds nothing but rasters."""
    if path.suffix.lower() != ".gpkg":
        return False
    try:
        with closing(_unchanged(path)) as database:
            query = "SELECT count(*) FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
            return bool(database.execute(query).fetchone()[0] == 0)
    except sqlite3.DatabaseError:
        return False


def connection(path: Path, mode: str, patience_s: float) -> sqlite3.Connection:
    """Open a file with SQLite; never while GDAL has the same file open: the two don't see each other's locks."""
    database = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=patience_s, isolation_level=None
    )
    database.text_factory = partial(str, encoding="utf-8", errors="replace")
    return database
