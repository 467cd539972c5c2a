"""Hashes of files."""

from __future__ import annotations

import hashlib

from lawngis.processing.files.digests import sha256


def test_hashes_are_those_of_the_content(tmp_path):
    content = b"grass" * 500_000  # more than one block
    (tmp_path / "x").write_bytes(content)
    assert sha256(tmp_path / "x") == hashlib.sha256(content).hexdigest()
