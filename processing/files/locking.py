"""One run at a time in a folder: a lock that ends with its process, however that ends."""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from lawngis.errors import PlanError

from ..model.layers import PLAN_RASTERS

if sys.platform == "win32":
    import msvcrt

    def _lock(file: int) -> None:
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


LOCK_NAME = ".plan.lock"

_DRAFT = re.compile(rf"\.({'|'.join(['plan', *PLAN_RASTERS])})-[a-z0-9_]{{8}}")
"""Folders in which a plan or a raster is written until it is whole, as the system names temporary ones."""


@contextmanager
def alone_in(out: Path) -> Iterator[None]:
    """Keep other runs out of a folder, and remove the drafts of runs that were killed in it.

    Parameters
    ----------
    out
        The folder, which is there.

    Raises
    ------
    PlanError
        When another run is at work in it.
    """
    lock = _locked(out / LOCK_NAME)
    try:
        for draft in out.iterdir():
            if _DRAFT.fullmatch(draft.name) and draft.is_dir():
                shutil.rmtree(draft, ignore_errors=True)
        yield
    finally:
        with suppress(OSError):  # some systems remove no file that is open
            (out / LOCK_NAME).unlink()
        os.close(lock)


def _locked(path: Path) -> int:
    """Return a lock file, opened and locked; another one when a run that was just ending has removed it."""
    while True:
        lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _lock(lock)
        except OSError as error:
            os.close(lock)
            raise PlanError(
                "another run is planning into this folder",
                where=str(path.parent),
                advice="Wait until it is done, or name another folder with --out.",
            ) from error
        if path.exists() and os.path.samestat(path.stat(), os.fstat(lock)):
            return lock
        os.close(lock)
