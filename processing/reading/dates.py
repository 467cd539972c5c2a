"""When the data of a site were last changed, as far as their files record it."""

from __future__ import annotations

import re
import sqlite3
import struct
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from ..files import gpkg
from .site_files import SiteFiles

_DATE_TIME_TAG = 306
"""DateTime: 20 bytes, ``YYYY:MM:DD HH:MM:SS`` (Adobe, TIFF Revision 6.0, 1992, page 31)."""

_TAGS_MAX = 4096


def data_dates(files: SiteFiles) -> dict[str, str]:
    """Return what is known of the age of a site's data, as rows of ``run_info``.

    ``dated layer NAME`` and ``dated raster NAME`` are dates that the data carry themselves: the last change that a
    GeoPackage notes of a table, or the tag DateTime of a TIFF. ``modified FILE`` is when the file was written, which a
    copy may have made later than the data are. None of them is the day of the survey: only its makers know that.

    Parameters
    ----------
    files
        Where the layers and rasters are.
    """
    facts: dict[str, str] = {}
    dates = {path: _table_dates(path) for path in {place.path for place in files.layers.values()}}
    for name, place in files.layers.items():
        changed = dates[place.path].get(place.info.name.lower())
        if changed:
            facts[f"dated layer {name}"] = changed
    for name, source in files.rasters.items():
        inside = re.fullmatch(r"GPKG:(.*):([^:]*)", source)
        changed = _table_dates(Path(inside[1])).get(inside[2].lower()) if inside else tiff_date(Path(source))
        if changed:
            facts[f"dated raster {name}"] = changed
    for path in files.inputs:
        if path.is_file():
            modified = datetime.fromtimestamp(path.stat().st_mtime, UTC)
            facts[f"modified {path}"] = modified.isoformat(timespec="seconds")
    return facts


def _table_dates(path: Path) -> dict[str, str]:
    """Last change of each of a GeoPackage's tables (OGC 12-128r19, table gpkg_contents, column last_change)."""
    if path.suffix.lower() != ".gpkg":
        return {}
    try:
        where = f"{gpkg.undisturbed(path).absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(where, uri=True)) as database:
            rows = database.execute("SELECT lower(table_name), last_change FROM gpkg_contents").fetchall()
    except (sqlite3.Error, OSError):  # a date is no reason to stop
        return {}
    return {name: str(date) for name, date in rows if date and _is_time(str(date))}


def _is_time(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).year > 1  # years before the epoch are placeholders
    except ValueError:
        return False


def tiff_date(path: Path) -> str | None:
    """Return the date and time that a TIFF carries in its tag DateTime, in ISO 8601; None when it has none.

    Parameters
    ----------
    path
        File; one that is no TIFF has no date.
    """
    try:
        with path.open("rb") as file:
            text = _date_time(file)
        return datetime.strptime(text, "%Y:%m:%d %H:%M:%S").isoformat() if text else None
    except (OSError, struct.error, ValueError, UnicodeDecodeError):
        return None


def _date_time(file: BinaryIO) -> str | None:
    """Look through the first directory of tags, classic or of the large kind (BigTIFF, version 43)."""
    order = {b"II": "<", b"MM": ">"}.get(file.read(2))
    if order is None:
        return None
    (version,) = struct.unpack(order + "H", file.read(2))
    if version not in (42, 43):
        return None
    big = version == 43
    if big:
        file.seek(8)
    word, entry_bytes = ("Q", 20) if big else ("I", 12)
    (start,) = struct.unpack(order + word, file.read(8 if big else 4))
    file.seek(start)
    (count,) = struct.unpack(order + ("Q" if big else "H"), file.read(8 if big else 2))
    for _ in range(min(count, _TAGS_MAX)):
        entry = file.read(entry_bytes)
        tag, _, _, place = struct.unpack(order + "HH" + word + word, entry)
        if tag == _DATE_TIME_TAG:
            file.seek(place)
            return file.read(19).decode("ascii")
    return None
