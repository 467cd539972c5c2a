"""Words for what rows of several documents hold, and where these have the others from."""

from __future__ import annotations

from collections.abc import Mapping

from ..model.cautions import CAUTIONS
from ..model.value_words import worded

__all__ = ["CAUTIONS", "peg_words", "worded"]


def peg_words(peg: Mapping[str, object]) -> str:
    """Return where a peg stands and when it is set, as far as its plan tells.

    Examples
    --------
    >>> peg_words({"peg_kind": "bend", "stage": "first"}), peg_words({"peg_kind": "lead"})
    ('bend, first pass', 'lead')
    """
    return ", ".join(worded(peg[name]) for name in ("peg_kind", "stage") if peg.get(name))
