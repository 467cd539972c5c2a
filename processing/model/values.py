"""Values that people typed or programs handed over, read one way everywhere: texts, numbers, and yes or no.

A file's column holds what its program made of it: numbers as text, whole numbers as floats with gaps, yes as ``1``.
Each reader takes any of these and gives the plain value, or an error where it can't be one.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan
from typing import Any

import pandas as pd

TRUE_WORDS = ("1", "true", "yes", "y", "t")
FALSE_WORDS = ("0", "false", "no", "n", "f")


def is_absent(value: Any) -> bool:
    """Return whether a value is none: nothing, or a gap as tables mark it.

    Examples
    --------
    >>> is_absent(None), is_absent(float("nan")), is_absent(pd.NaT), is_absent(0), is_absent("")
    (True, True, True, False, False)
    """
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and isnan(value))


def text_of(value: Any) -> str:
    """Return a value as text without blanks around it, empty when there is none; a whole number has no point.

    Examples
    --------
    >>> text_of(12.0), text_of(1.25), text_of(" hedge "), text_of(None)
    ('12', '1.25', 'hedge', '')
    """
    if is_absent(value):
        return ""
    whole = isinstance(value, float) and value.is_integer()
    return str(int(value) if whole else value).strip()


def texts_of(values: Iterable[Any]) -> list[str]:
    """Return the values of a column as texts, see :func:`text_of`.

    Examples
    --------
    >>> texts_of([1.0, None, "a "])
    ['1', '', 'a']
    """
    return [text_of(value) for value in values]


def number_of(value: Any) -> float:
    """Return a value as a number.

    Raises
    ------
    ValueError
        When it is none.

    Examples
    --------
    >>> number_of(3), number_of(" 0.5 ")
    (3.0, 0.5)
    """
    number = float(value if isinstance(value, (int, float)) else text_of(value))
    if isnan(number):
        raise ValueError(f"is no number: {value!r}")
    return number


def typed_number_of(value: Any) -> float:
    """Return what a person typed as a number: its decimals may follow a comma, which in data may mean thousands.

    Raises
    ------
    ValueError
        When it is none.

    Examples
    --------
    >>> typed_number_of("1,25"), typed_number_of(" 1.25")
    (1.25, 1.25)
    """
    return number_of(text_of(value).replace(",", "."))


def integer_of(value: Any) -> int:
    """Return a value as a whole number.

    Raises
    ------
    ValueError
        When it is none.

    Examples
    --------
    >>> integer_of("3"), integer_of(3.0)
    (3, 3)
    """
    number = number_of(value)
    if not number.is_integer():
        raise ValueError(f"is no whole number: {value!r}")
    return int(number)


def truth_of(value: Any) -> bool:
    """Return whether a value says yes.

    Raises
    ------
    ValueError
        When it says neither yes nor no.

    Examples
    --------
    >>> truth_of("Yes"), truth_of(0.0), truth_of(True)
    (True, False, True)
    """
    word = text_of(value).casefold().removesuffix(".0")
    if word not in (*TRUE_WORDS, *FALSE_WORDS):
        raise ValueError(f"says neither yes nor no: {value!r}")
    return word in TRUE_WORDS
