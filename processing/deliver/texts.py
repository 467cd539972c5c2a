"""Words for what rows of several documents hold, and where these have the others from."""

from __future__ import annotations

from collections.abc import Mapping

from ..model.catalogue import sentences
from ..model.cautions import CAUTIONS
from ..model.value_words import worded

__all__ = ["CAUTIONS", "crossed_words", "peg_words", "worded"]


def crossed_words(crosses: str) -> str:
    """Return what a supply cable crosses, from the uses of paving that its column holds.

    Examples
    --------
    >>> crossed_words("path, drive")
    'a path and a drive'
    """
    uses = crosses.split(", ")
    return " and ".join(sentences().part("word", "cable-crossed", use) or use for use in uses)


def peg_words(peg: Mapping[str, object]) -> str:
    """Return where a peg stands and when it is set, as far as its plan tells.

    Examples
    --------
    >>> peg_words({"peg_kind": "bend", "stage": "first"}), peg_words({"peg_kind": "lead"})
    ('bend, first pass', 'lead')
    """
    return ", ".join(worded(peg[name]) for name in ("peg_kind", "stage") if peg.get(name))
