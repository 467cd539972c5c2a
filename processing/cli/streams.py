"""What is printed: in letters that the reader's terminal has, and no line of anybody else's."""

from __future__ import annotations

import codecs
import gc
import io
import os
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TextIO

PLAIN = "lawngis.plain"
"""Name under which Python knows how letters are replaced that an encoding lacks."""

_WORDS = str.maketrans(
    {"→": "->", "²": "2", "³": "3", "–": "-", "—": "-", "·": "-", "•": "-", "×": "x", "°": " deg", "µ": "u", "Ω": "ohm",
     "≥": ">=", "≤": "<=", "±": "+/-", "…": "...", "“": '"', "”": '"', "‘": "'", "’": "'", "ß": "ss", "€": "EUR"}
)  # fmt: skip


def plain_letters(text: str) -> str:
    """Return text in ASCII: letters without their accents, signs in words, and ``?`` for what has neither.

    Examples
    --------
    >>> plain_letters("Gärten → 12 m²"), plain_letters("庭")
    ('Garten -> 12 m2', '?')
    """
    words = unicodedata.normalize("NFKD", text.translate(_WORDS))
    return "".join(letter if letter.isascii() else "?" for letter in words if not unicodedata.combining(letter))


def _replaced(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return plain_letters(error.object[error.start : error.end]), error.end


@contextmanager
def our_words() -> Iterator[None]:
    """Print letters that a stream can't encode in plain ones, and keep what libraries print by themselves away.

    Libraries write to the process's own standard error, whatever Python does: a full disk gives lines that nobody
    understands beside the sentence that says it. Where somebody has put another stream in place, as tests do, only the
    letters are taken care of.
    """
    codecs.register_error(PLAIN, _replaced)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=PLAIN)
    theirs = sys.stderr
    if theirs is not sys.__stderr__ or theirs is None or theirs.fileno() != 2:
        yield
        return
    with _moved(theirs) as ours:
        sys.stderr = ours
        try:
            yield
        finally:
            gc.collect()  # files that libraries left open complain when they are closed
            sys.stderr = theirs


@contextmanager
def _moved(stream: TextIO) -> Iterator[TextIO]:
    """Give a stream to where standard error goes, which itself goes nowhere meanwhile."""
    stream.flush()
    place = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    try:
        ours = os.fdopen(os.dup(place), "w", encoding=stream.encoding, errors=PLAIN, buffering=1)
        try:
            yield ours
        finally:
            with suppress(OSError):  # nobody may be left who reads it
                ours.close()
    finally:
        os.dup2(place, 2)
        os.close(place)
