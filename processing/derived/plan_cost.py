"""What a plan takes as a whole, as one figure: what is bought by its list of materials, and the hours of laying it.

A choice between two ways to lay a lawn lowers that figure or leaves it, for the same ground mown as safely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.labour import MINUTES_PER_HOUR, LabourBook

from ..model.plan import Row
from ..model.text import counted

COST_LAYERS = ("wire_path", "supply_route", "dock_candidates", "joins", "materials")
"""Layers that tell what a plan costs."""

ONE_PLACE_M = 2.0
"""Cuts through paving that are further apart are places of work of their own: common practice, no source."""


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
    return float(bought + _hours_price(sum(task.minutes for task in work_of(rows, book)), book))


def laying_price(book: LabourBook, *, wire_m: float, crossings: int) -> float:
    """Return what the work of laying so much more wire through so many more places of paving costs, without tax."""
    return _hours_price(wire_m * book.minutes_per_m_wire + crossings * book.minutes_per_crossing, book)


def work_places(cuts: Sequence[BaseGeometry]) -> list[list[int]]:
    """Return the numbers of cuts through paving by place of work: those no further than ONE_PLACE_M apart are one."""
    shapes = np.asarray(cuts, dtype=object)
    near = shapely.union_all(shapely.buffer(shapes, ONE_PLACE_M / 2))
    found = [np.flatnonzero(shapely.intersects(part, shapes)).tolist() for part in shapely.get_parts(near)]
    return sorted(found)


def _hours_price(minutes: float, book: LabourBook) -> float:
    return minutes / MINUTES_PER_HOUR * book.hourly_rate
