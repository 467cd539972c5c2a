"""Values of closed lists in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from .contract import Column
from .readiness import READINESSES, readiness_word

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "planned": "planned",
        "not_suitable": "no mower",
        "failed": "planning failed",
        "own_dock": "a dock of its own",
        "own_source": "a signal source of its own",
        "main_wire": "the main wire",
        "none": "nothing",
        "out_of_signal": "out of the signal's reach",
        "dock_straight": "beyond the straight wire at the dock",
        "lead_out": "lead out",
        "lead_back": "lead back",
        "reel_end": "end of a reel",
        "first": "first pass",
        "fill": "after the trial",
        "signal_source": "signal source",
    }
)


def worded(value: object) -> str:
    """Return a value of the contract in plain words.

    Examples
    --------
    >>> worded("lead_out"), worded("crossing"), worded(None)
    ('lead out', 'crossing', '–')
    """
    if value is None:
        return "–"
    return WORDS.get(str(value), str(value).replace("_", " "))


def value_words(column: Column) -> dict[str, str]:
    """Return the values that a column may take, each in words.

    Examples
    --------
    >>> value_words(Column("supply", "text", "", values=("own_dock", "none")))
    {'own_dock': 'a dock of its own', 'none': 'nothing'}
    """
    word = readiness_word if column.values == READINESSES else worded
    return {value: word(value) for value in column.values}
