"""How ready plans are to be carried out, in words, and for plans of versions that didn't say it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .catalogue import sentences

READINESSES = ("ready", "visit", "settle", "none", "failed")
"""From what can be laid to what can't be planned; ranking is within one."""

BASES = ("surveyed", "layers", "image", "boundary")
"""What a lawn rests on, what tells most first."""

LAID = ("ready", "visit")
"""With these there is something that a crew can lay."""


def readiness_of(summary: Mapping[str, Any]) -> str:
    """Return the readiness of a row of `summary`; a plan that doesn't say it is never called ready."""
    said = summary.get("readiness")
    if said in READINESSES:
        return str(said)
    if summary["status"] != "planned":
        return "failed" if summary["status"] == "failed" else "none"
    return "settle" if summary.get("stop_findings") else "visit"


def readiness_word(readiness: str) -> str:
    """Return what a readiness is called.

    Examples
    --------
    >>> readiness_word("visit")
    'visit first'
    """
    return sentences().part("word", "readiness", readiness)
