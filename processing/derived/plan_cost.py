"""What a plan takes as a whole, as one figure: what is bought by its list of materials, and the hours of laying it.

A choice between two ways to lay a lawn lowers that figure or leaves it, for the same ground mown as safely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from lawngis.labour import MINUTES_PER_HOUR, LabourBook

from ..model.plan import Row
from ..model.text import counted

COST_LAYERS = ("wire_path", "supply_route", "dock_candidates", "joins", "materials")
"""Layers that tell what a plan costs."""


class Task(NamedTuple):
    """Work on one parcel: what, how long, and the quantity that it follows from."""

    item: str
    minutes: float
    basis: str


def work_of(rows: Mapping[str, Sequence[Row]], book: LabourBook) -> list[Task]:
    """Return the work that a plan takes, travel left out.

    Parameters
    ----------
    rows
        Of a parcel's plan by layer, :data:`COST_LAYERS` among them.
    book
        What work takes.
    """
    wire_m = sum(row["length_m"] for row in rows["wire_path"])
    cable_m = sum(row["length_m"] for row in rows["supply_route"])
    docks = sum(bool(row["chosen"]) for row in rows["dock_candidates"])
    joints = len(rows["joins"])
    cuts = sum(row["item"] in ("saw cut", "duct") for row in rows["materials"])
    return [
        Task("setting up and marking out", book.minutes_setup, "once"),
        Task("laying wire", wire_m * book.minutes_per_m_wire, f"{wire_m:.1f} m"),
        Task("joints", joints * book.minutes_per_joint, counted(joints, "joint")),
        Task("docks", docks * book.minutes_per_dock, counted(docks, "dock")),
        Task("supply cable", cable_m * book.minutes_per_m_cable, f"{cable_m:.1f} m"),
        Task("crossings of paving", cuts * book.minutes_per_crossing, counted(cuts, "place")),
        Task("walking the wire and handing over", book.minutes_walk_round, "once"),
    ]


def plan_cost(rows: Mapping[str, Sequence[Row]], book: LabourBook) -> float:
    """Return what a plan costs: its materials at the prices that it was made with, and the work, without tax or travel.

    Parameters
    ----------
    rows
        Of a parcel's plan by layer, :data:`COST_LAYERS` among them.
    book
        What work takes and costs.
    """
    bought = sum(row["amount"] or 0.0 for row in rows["materials"])
    hours = sum(task.minutes for task in work_of(rows, book)) / MINUTES_PER_HOUR
    return float(bought + hours * book.hourly_rate)
