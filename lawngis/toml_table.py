"""Text in TOML, from whoever wrote it: whatever is wrong with it is one kind of error."""

from __future__ import annotations

import tomllib
from typing import Any

LINE_MAX = 10_000
"""Longest line [characters]: a name with dots takes the reader memory by the square of its parts."""


def toml_table(text: str) -> dict[str, Any]:
    r"""Return the table that a text describes.

    Parameters
    ----------
    text
        TOML 1.0; a byte order mark before it is passed over.

    Raises
    ------
    tomllib.TOMLDecodeError
        When it is none, also when that shows only in what it would take to read it.

    Examples
    --------
    >>> toml_table("\ufeffpeg_each = 0.2")
    {'peg_each': 0.2}
    """
    if any(len(line) > LINE_MAX for line in text.splitlines()):
        raise tomllib.TOMLDecodeError(f"a line of it has more than {LINE_MAX} characters")
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except RecursionError as error:
        raise tomllib.TOMLDecodeError("its brackets are nested too deep") from error
