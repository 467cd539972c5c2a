"""Opening vector files, and errors that name what is wrong with one before or instead of GDAL's."""

from __future__ import annotations

import atexit
import logging
import os
import re
import shutil
import sqlite3
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import lru_cache
from pathlib import Path
from typing import NoReturn

import fiona
import shapely

from lawngis.errors import LawngisError, LayerError, SiteError

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
    """Return the file to open in a GeoPackage's stead, so that reading doesn't change it.

    Changes may wait in a log beside the file (``-wal``), left by a GIS that has it open or crashed. They belong to
    the data; but GDAL, if it is the last to close the file, moves them into it. So a copy is read then, made once
    for each state of the file. In all other cases that is the file itself.

    Raises
    ------
    SiteError
        When it can be seen from outside that the file can't be used.
    """
    path = Path(path)
    _refuse_unusable(path)
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
    with closing(connection(path, "ro", LOCK_PATIENCE_S)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    return copy


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
        with closing(connection(path, "ro", 0)) as database:
            state = database.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
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
    """Return whether a GeoPackage holds nothing but rasters."""
    try:
        with closing(connection(path, "ro", 0)) as database:
            query = "SELECT count(*) FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
            return bool(database.execute(query).fetchone()[0] == 0)
    except sqlite3.DatabaseError:
        return False


def connection(path: Path, mode: str, patience_s: float) -> sqlite3.Connection:
    """Open a file with SQLite; never while GDAL has the same file open: the two don't see each other's locks."""
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=patience_s, isolation_level=None
    )


def quoted(name: str) -> str:
    """Return a name as it stands in SQL."""
    return '"' + name.replace('"', '""') + '"'
