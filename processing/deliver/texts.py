"""Sentences that every document carries, and the words for what columns hold."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

CAUTIONS: tuple[str, ...] = (
    "A plan from maps is a draft. Maps are old, incomplete and off by decimetres: walk the site, and measure what is "
    "listed as to be measured, before anything is laid.",
    "Steep banks, water's edges and drops can make a mower slip, sink or fall on somebody. Keep people off the slope "
    "below.",
    "Ask for buried services before pegging, digging or cutting slots, and respect their marks.",
    "Outdoor supply needs residual-current protection and a licensed electrician.",
    "Wire and cable across a path or drive trip people up: lay them in a duct or saw cut. Warn people on public paths.",
    "Blades injure. Keep children, pets and guests off the lawn while a mower works, keep it away from play areas, and "
    "keep to local quiet hours.",
    "Local codes and licensed practice decide, not this document.",
)
"""Standing cautions."""

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


def peg_words(peg: Mapping[str, object]) -> str:
    """Return where a peg stands and when it is set, as far as its plan tells.

    Examples
    --------
    >>> peg_words({"peg_kind": "bend", "stage": "first"}), peg_words({"peg_kind": "lead"})
    ('bend, first pass', 'lead')
    """
    return ", ".join(worded(peg[name]) for name in ("peg_kind", "stage") if peg.get(name))
