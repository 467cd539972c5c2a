"""Kinds of files that are opened, told by ending and content together, and a file opened alone.

GDAL opens whatever it knows under any name: a ``dem.tif`` that holds the address of a map server calls it. So a file is
opened only if its content is what its ending says, with the one driver named here, and through a link in a folder of
this program: nothing else lies beside it there to be read with it, and what GDAL writes beside a file goes there too.
"""

from __future__ import annotations

import atexit
import os
import re
import shutil
import stat
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from pathlib import Path


@dataclass(frozen=True)
class Format:
    """A kind of file.

    Parameters
    ----------
    word
        What people call it.
    driver
        GDAL's name of the only driver that opens it; empty where none does.
    marks
        How its content begins; text may have white space before.
    sides
        Endings of the files of the same stem that belong to it. No others are read.
    """

    word: str
    driver: str
    marks: tuple[bytes, ...]
    sides: tuple[str, ...] = ()


_TIFF = Format("TIFF", "GTiff", (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), (".tfw",))
_GEOJSON = Format("GeoJSON", "", (b"{",))
_GEOPARQUET = Format("GeoParquet", "", (b"PAR1",))

VECTORS: Mapping[str, Format] = {
    ".gpkg": Format("GeoPackage", "GPKG", (b"SQLite format 3\0",)),
    ".fgb": Format("FlatGeobuf", "FlatGeobuf", (b"fgb\x03fgb",)),
    ".shp": Format("shapefile", "ESRI Shapefile", (b"\0\0\x27\x0a",), (".shx", ".dbf", ".prj", ".cpg")),
    ".parquet": _GEOPARQUET,
    ".geoparquet": _GEOPARQUET,
    ".geojson": _GEOJSON,
    ".json": _GEOJSON,
    ".gml": Format("GML", "GML", (b"<",)),
    ".gpx": Format("GPX", "GPX", (b"<",)),
}
"""Vector files by ending."""

RASTERS: Mapping[str, Format] = {
    ".tif": _TIFF,
    ".tiff": _TIFF,
    ".vrt": Format("virtual raster", "VRT", (b"<VRTDataset", b"<?xml")),
    ".asc": Format("ASCII grid", "AAIGrid", (b"ncols", b"NCOLS"), (".prj",)),
    ".gpkg": VECTORS[".gpkg"],
}
"""Rasters by ending."""

MAP_EXTRACTS: Mapping[str, Format] = {
    ".osm": Format("map extract", "OSM", (b"<osm", b"<?xml")),
    ".pbf": Format("map extract", "OSM", (b"\0\0\0\x0d\x0a\x09OSMHeader", b"\0\0\0\x0e\x0a\x09OSMHeader")),
}
"""Map extracts by ending."""

_AS_NAMED = "Export it again, or take it away: a file is opened only as what its ending says."
_HEAD_BYTES = 512
_ADDRESS = re.compile(r"/vsi|[a-z][a-z0-9+.]+:/", re.IGNORECASE)
"""How an address begins, of the network or of GDAL's virtual folders; Path has made one slash of two."""


def file_fault(path: Path, formats: Mapping[str, Format]) -> tuple[str, str] | None:
    """Return why a file isn't opened, and what to do; None when nothing stands against it.

    Parameters
    ----------
    path
        The file.
    formats
        Kinds that are taken, by ending: :data:`VECTORS` or :data:`RASTERS`.
    """
    return _place_fault(path) or _content_fault(path, formats)


def _place_fault(path: Path) -> tuple[str, str] | None:
    """Return what stands against a file without a look into it: a look into a pipe waits for ever."""
    if _ADDRESS.match(str(path)):
        return "is an address, and nothing is read from elsewhere", "Download it, and name the file."
    what, advice = "", "Check the name and the folder."
    try:
        state = path.stat()
        if stat.S_ISDIR(state.st_mode):
            what, advice = "is a folder, not a file", "Name a file in it."
        elif not stat.S_ISREG(state.st_mode):
            what, advice = "is no file but a pipe or a device", "Take it away, or put a file in its place."
        elif not os.access(path, os.R_OK):
            what, advice = "may not be read", "Ask for the right to read it."
        elif not state.st_size:
            what, advice = "is empty (0 bytes)", "Copy or export it again."
    except FileNotFoundError:
        what = "does not exist"
    except OSError as error:
        what = f"can't be opened ({error.strerror})"
    return (what, advice) if what else None


def _content_fault(path: Path, formats: Mapping[str, Format]) -> tuple[str, str] | None:
    kind = formats.get(path.suffix.casefold())
    if kind is None:
        return f"is of a kind that is not read ({path.suffix or 'no ending'})", f"Save it as {', '.join(formats)}."
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    text = kind.marks[0][:1] in b"<{n"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip() if text else head
    if start.startswith(tuple(mark[: len(start)] for mark in kind.marks)):
        return None
    return f"is no {kind.word}: it holds {_content(head)}", _AS_NAMED


def _content(head: bytes) -> str:
    """Return what a file seems to hold, by its beginning."""
    known = [kind.word for kind in (*VECTORS.values(), _TIFF) if kind.marks[0] not in (b"<", b"{") and
             head.startswith(kind.marks)]  # fmt: skip
    if known:
        return {"GeoPackage": "an SQLite database"}.get(known[0], f"a {known[0]}")
    text = head.decode("utf-8", "ignore")
    element = re.search(r"<([A-Za-z_][\w:.-]{0,40})", text)
    if element and text.lstrip("\ufeff \t\r\n").startswith("<"):
        return f"XML ({element[1]})"
    return "text" if text.isprintable() or b"\0" not in head else "other data"


def side_files(path: Path) -> list[Path]:
    """Return the files that are read with another because they belong to it."""
    kind = VECTORS.get(path.suffix.casefold()) or RASTERS.get(path.suffix.casefold())
    written = [path.with_suffix(case) for side in (kind.sides if kind else ()) for case in (side, side.upper())]
    found = {file.suffix.casefold(): file for file in reversed(written) if file.is_file()}
    return [found[side] for side in sorted(found)]


def alone(path: Path) -> Path:
    """Return a link to a file, or a copy, in a folder where nothing but its side files lies beside it.

    It has the file's own stem, without characters by which libraries understand something else than a name.
    """
    members = tuple(file.absolute() for file in (path, *side_files(path)))
    return _linked(members, tuple(_state(file) for file in members))


@lru_cache(maxsize=4096)
def _linked(members: tuple[Path, ...], states: tuple[tuple[int, int], ...]) -> Path:
    del states  # a new state is a new link
    folder = own_folder()
    stem = re.sub(r"[^\w.-]", "_", members[0].stem)
    links = [folder / f"{stem}{file.suffix.casefold()}" for file in members]
    for link, file in zip(links, members, strict=True):
        put_link(link, file)
    return links[0]


def put_link(link: Path, file: Path) -> None:
    """Make a link to a file; where the system allows none, a copy."""
    try:
        link.symlink_to(file)
    except OSError:
        shutil.copyfile(file, link)


def _state(path: Path) -> tuple[int, int]:
    state = path.stat()
    return state.st_mtime_ns, state.st_size


def own_folder() -> Path:
    """Return a new folder for what is read in a file's stead; it goes when the process ends."""
    folder = _folder_of_process(os.getpid()) / str(next(_numbers))
    folder.mkdir()
    return folder


_numbers = count()


@lru_cache(maxsize=1)
def _folder_of_process(process: int) -> Path:
    del process  # one that was forked makes its own
    folder = tempfile.mkdtemp(prefix="lawngis-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)
