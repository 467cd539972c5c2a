"""Hashes of files, computed once for each state of a file."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

HASH_BLOCK = 1 << 20


def sha256(path: Path) -> str:
    """Return a file's SHA-256 in hexadecimal; computed once for each state of the file."""
    state = path.stat()
    return _sha256(path, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=4096)
def _sha256(path: Path, modified: int, size: int) -> str:
    del modified, size
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(HASH_BLOCK):
            digest.update(block)
    return digest.hexdigest()
