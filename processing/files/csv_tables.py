"""The one writer of tables as CSV (RFC 4180, UTF-8): what people brought stays text in every spreadsheet."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

from ..model.text import name_of
from ..model.values import is_absent

BYTE_ORDER_MARK = b"\xef\xbb\xbf"

_NUMBER = re.compile(r"-?\d+(\.\d+)?([eE][-+]?\d+)?")


def csv_bytes(columns: Sequence[str], rows: Iterable[Sequence[object]], *, marked: bool = False) -> bytes:
    r"""Return a table as CSV.

    Numbers stand as they are, absent values are empty, and all text is quoted: a spreadsheet that parts columns at
    semicolons takes it for one cell too. Line breaks and control characters become blanks, and text that begins like a
    formula, whatever blanks or wide letters hide it, gets an apostrophe in front.

    Parameters
    ----------
    columns
        Names of the columns.
    rows
        Values by row; numbers may be formatted already.
    marked
        Begin with a byte order mark, by which some spreadsheets know the encoding.

    Examples
    --------
    >>> csv_bytes(["name", "m"], [["=1+1", 2.5], ["a;b", None]]).decode()
    '"name","m"\r\n"\'=1+1",2.5\r\n"a;b",\r\n'
    """
    lines = [",".join(map(_cell, row)) + "\r\n" for row in (columns, *rows)]
    return (BYTE_ORDER_MARK if marked else b"") + "".join(lines).encode("utf-8", "replace")


def _cell(value: object) -> str:
    if is_absent(value) or value == "":
        return ""
    text = name_of(str(value))
    if _NUMBER.fullmatch(text):
        return text
    return '"' + (f"'{text}" if _begins_like_a_formula(text) else text).replace('"', '""') + '"'


def _begins_like_a_formula(text: str) -> bool:
    """Return whether a spreadsheet, or a program that cleans text before it, could take text for a formula."""
    seen = (letter for letter in unicodedata.normalize("NFKC", text) if not _unseen(letter))
    return next(seen, "") in set("=+-@")


def _unseen(letter: str) -> bool:
    return letter.isspace() or unicodedata.category(letter) in ("Cf", "Cc")
