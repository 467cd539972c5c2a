"""How far wire and price of a plan may be off: by lengths, and by each decision that may fall otherwise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import hypot, sqrt
from typing import NamedTuple

from ..model.plan import Row

WIRE, PEGS = "boundary wire", "pegs"
"""Items that grow with the wire."""

AMOUNT = "amount"
"""Under which the changes of a check say what they come to."""


class Doubt(NamedTuple):
    """The chance that a decision falls otherwise, and what a plan takes more or less then, by item."""

    chance: float
    changes: Mapping[str, float]


def lengths_sd_m(paths: Sequence[Row]) -> float:
    """Return the standard deviation of the length of all loops, by what bounds their zones and leads alone [m]."""
    return hypot(*(path["length_sd_m"] or 0.0 for path in paths))


def decisions_sd(doubts: Sequence[Doubt], item: str) -> float:
    """Return the standard deviation of an item, or of the price, by decisions that may fall otherwise.

    Notes
    -----
    A decision that changes a figure by d with chance p adds p (1 - p) d² to its variance, whatever others do.
    """
    return sqrt(sum(chance * (1 - chance) * changes.get(item, 0.0) ** 2 for chance, changes in doubts))


def wire_sd_m(paths: Sequence[Row], doubts: Sequence[Doubt]) -> float:
    """Return the standard deviation of all wire of a plan [m]."""
    return hypot(lengths_sd_m(paths), decisions_sd(doubts, WIRE))


def item_sd(item: str, quantity: float, paths: Sequence[Row], doubts: Sequence[Doubt]) -> float:
    """Return the standard deviation of the quantity of an item of materials."""
    if item not in (WIRE, PEGS):
        return decisions_sd(doubts, item)
    wire_m = sum(path["length_m"] for path in paths)
    return quantity / wire_m * wire_sd_m(paths, doubts) if wire_m else 0.0


def amount_sd(materials: Sequence[Row], paths: Sequence[Row], doubts: Sequence[Doubt]) -> float:
    """Return the standard deviation of the price of a plan: what a decision changes, it changes together."""
    wire_m = sum(path["length_m"] for path in paths)
    of_wire = sum(row["amount"] or 0.0 for row in materials if row["item"] in (WIRE, PEGS))
    return hypot(of_wire / wire_m * lengths_sd_m(paths) if wire_m else 0.0, decisions_sd(doubts, AMOUNT))
