"""Files written whole or not at all."""

from __future__ import annotations

import errno
import os
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from lawngis.errors import PlanError


def refuse_file(out: Path, whose: str) -> None:
    """Refuse to take a file for the folder that something goes into.

    Parameters
    ----------
    out
        The folder.
    whose
        Who needs it, in words such as ``the plan needs``.

    Raises
    ------
    PlanError
        When it is a file, or can't be looked at.
    """
    try:
        is_file = out.exists() and not out.is_dir()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PlanError(
            f"can't be written to ({reason})", where=str(out), advice="Name another folder with --out."
        ) from error
    if is_file:
        raise PlanError(f"is a file, but {whose} a folder", where=str(out), advice="Name a folder with --out.")


ROOM_MIN_BYTES = 1 << 20
"""With less room than this on a disk, that is why something could not be written."""


def write_problem(error: BaseException, folder: Path) -> str:
    """Return why something could not be written into a folder, in words that people know.

    What libraries say of a full disk is their own affair: SQL, or that a database is damaged.
    """
    said = " ".join(str(error).split()).rstrip(".")
    try:
        full = shutil.disk_usage(folder).free < ROOM_MIN_BYTES
    except OSError:
        full = False
    if full or "disk is full" in said or "No space left" in said:
        return os.strerror(errno.ENOSPC)
    if _OF_DATABASES.search(said):
        return "the disk doesn't take it"
    return (isinstance(error, OSError) and error.strerror) or said or type(error).__name__


_OF_DATABASES = re.compile(r"sqlite|malformed|disk I/O|transaction|^b'", re.IGNORECASE)


def write_whole(path: Path, content: bytes) -> Path:
    """Write a file beside its target and move it over it in one step; return the target.

    Raises
    ------
    PlanError
        When it can't be written; what was there before is then untouched.
    """
    draft: str | None = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.stem[:40]}-", delete=False) as file:
            draft = file.name
            file.write(content)
        Path(draft).chmod(0o644)
        os.replace(draft, path)  # noqa: PTH105 (the word says what it does on every system)
    except OSError as error:
        if draft is not None:
            Path(draft).unlink(missing_ok=True)
        raise PlanError(
            f"could not be written ({write_problem(error, path.parent)})",
            where=str(path),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error
    return path


@contextmanager
def folder_draft(target: Path, *, but: str = "") -> Iterator[Path]:
    """Give a folder to fill, which takes another's place once it is complete.

    Parameters
    ----------
    target
        Folder to make; it may be there, empty but for one file.
    but
        Name of that file: it goes, and the draft has taken of it what it needs.

    Raises
    ------
    PlanError
        When it can't be written; what was there is then untouched.
    """
    target = target.absolute()
    draft: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name[:40]}-"))
        yield draft
        draft.chmod(0o755)
        if target.exists():
            if but:
                (target / but).unlink(missing_ok=True)
            target.rmdir()
        draft.rename(target)
    except OSError as error:
        raise PlanError(
            f"could not be written ({write_problem(error, target.parent)})",
            where=str(target),
            advice="Check that the disk is not full and the folder may be written to.",
        ) from error
    finally:
        if draft is not None:
            shutil.rmtree(draft, ignore_errors=True)


def copy_packaged(
    package: str, target: Path, endings: Collection[str], made: Mapping[str, str] | None = None
) -> list[str]:
    """Copy files that come along in a package, folders and all, into a new folder, and return their names.

    `made` are texts beside them.

    Raises
    ------
    PlanError
        When the folder is there already, or can't be written.
    """
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise PlanError("is there already", where=str(target), advice="Name a new folder: none is written over.")
    with folder_draft(target) as draft:
        names = [*_copied(files(package), draft, endings), *(made or ())]
        for name, text in (made or {}).items():
            (draft / name).write_text(text, encoding="utf-8")
        return sorted(names)


def _copied(source: Traversable, target: Path, endings: Collection[str]) -> Iterator[str]:
    """Copy a folder with those below it, and yield the names of its files."""
    for file in source.iterdir():
        if file.is_dir():
            yield from (f"{file.name}/{name}" for name in _copied(file, target / file.name, endings))
        elif Path(file.name).suffix in endings:
            target.mkdir(exist_ok=True, parents=True)
            (target / file.name).write_bytes(file.read_bytes())
            yield file.name


def link_or_copy(path: Path, target: Path) -> None:
    """Make a second name of a file, in a folder that is made if need be; of one on another disk, or a link, a copy."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if not path.is_symlink():
        with suppress(OSError):
            os.link(path, target)
            return
    shutil.copyfile(path, target)


LAYERS_FOLDER = "layers"
"""Folder of whole layers among those of parcels."""

_RESERVED = {
    LAYERS_FOLDER,
    "index.html",
    "styles",
    "con",
    "prn",
    "aux",
    "nul",
    *(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10)),
}


def file_stems(names: Iterable[str]) -> dict[str, str]:
    """Return parcels' names as folder names of which no two are one, not even where case doesn't count.

    Examples
    --------
    >>> file_stems(["A", "b", "a"])
    {'A': 'A-d3d99e8b', 'b': 'b', 'a': 'a-e8b7be43'}
    """
    stems = {name: file_stem(name) for name in names}
    times = Counter(stem.casefold() for stem in stems.values())
    return {name: stem if times[stem.casefold()] == 1 else f"{stem}-{_checksum(name)}" for name, stem in stems.items()}


def file_stem(name: str) -> str:
    """Return a parcel's name as a folder name that every file system takes.

    Letters and digits of any script stay. A name that had to be changed gets a checksum, so that no two become one.

    Examples
    --------
    >>> file_stem("P07")
    'P07'
    >>> file_stem("../a b")
    '_a_b-75e96e29'
    """
    stem = re.sub(r"[^\w.-]+", "_", name).strip(". ")[:60].lstrip("-")
    stem = re.sub(r"^\.+|\.\.+", "", stem)
    if stem and stem == name and stem.casefold() not in _RESERVED:
        return stem
    return f"{stem or 'parcel'}-{_checksum(name)}"


def _checksum(name: str) -> str:
    from zlib import crc32

    return f"{crc32(name.encode('utf-8', 'surrogatepass')):08x}"
