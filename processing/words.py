"""Words that people brought, made fit to be printed."""

from __future__ import annotations


def one_line(text: str) -> str:
    r"""Return text without line breaks and whatever else a terminal would obey: names are people's own.

    Examples
    --------
    >>> one_line("No. 7\n(behind the\tmill)")
    'No. 7 (behind the mill)'
    """
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def counted(number: int, noun: str) -> str:
    """Return a number and what it counts, in the plural where it belongs.

    Examples
    --------
    >>> counted(1, "parcel"), counted(0, "parcel")
    ('1 parcel', '0 parcels')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
