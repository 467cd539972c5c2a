"""How far wire and price of a plan may be off: by lengths, and by each decision that may fall otherwise."""

from __future__ import annotations

import json
from collections.abc import Sequence
from math import hypot, sqrt

from ..model.plan import Row

WIRE, PEGS = "boundary wire", "pegs"
"""Items that grow with the wire."""

AMOUNT = "amount"
"""Under which the changes of a check say what they come to."""


def lengths_sd_m(paths: Sequence[Row]) -> float:
    """Return the standard deviation of the length of all loops, by what bounds their zones and leads alone [m]."""
    return hypot(*(path["length_sd_m"] or 0.0 for path in paths))


def decisions_sd(checks: Sequence[Row], item: str) -> float:
    """Return the standard deviation of an item, or of the price, by decisions that may fall otherwise.

    Parameters
    ----------
    checks
        Rows of `visit_checks`, each with what changes where it falls otherwise.
    item
        An item of materials, or :data:`AMOUNT`.

    Notes
    -----
    A decision that changes a figure by d with chance p adds p (1 - p) d² to its variance, whatever others do.
    """
    variance = 0.0
    for check in checks:
        if check.get("changes") and check["flip_probability"] is not None:
            chance, changes = check["flip_probability"], json.loads(check["changes"])
            variance += chance * (1 - chance) * changes.get(item, 0.0) ** 2
    return sqrt(variance)


def wire_sd_m(paths: Sequence[Row], checks: Sequence[Row]) -> float:
    """Return the standard deviation of all wire of a plan [m]."""
    return hypot(lengths_sd_m(paths), decisions_sd(checks, WIRE))


def item_sd(item: str, quantity: float, paths: Sequence[Row], checks: Sequence[Row]) -> float:
    """Return the standard deviation of the quantity of an item of materials."""
    if item not in (WIRE, PEGS):
        return decisions_sd(checks, item)
    wire_m = sum(path["length_m"] for path in paths)
    return quantity / wire_m * wire_sd_m(paths, checks) if wire_m else 0.0


def amount_sd(materials: Sequence[Row], paths: Sequence[Row], checks: Sequence[Row]) -> float:
    """Return the standard deviation of the price of a plan: what a decision changes, it changes together."""
    wire_m = sum(path["length_m"] for path in paths)
    of_wire = sum(row["amount"] or 0.0 for row in materials if row["item"] in (WIRE, PEGS))
    return hypot(of_wire / wire_m * lengths_sd_m(paths) if wire_m else 0.0, decisions_sd(checks, AMOUNT))
