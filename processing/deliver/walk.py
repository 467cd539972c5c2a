"""The list for the first walk around, as CSV, to be filled in: what should be seen, and how far the wire was moved."""

from __future__ import annotations

from ..files.csv_tables import csv_bytes
from .reading import ParcelPlan

WALK_COLUMNS = (
    "watch_id", "loop_id", "chainage_m", "what", "expect", "value", "unit", "move_m", "seen", "moved_m", "note",
)  # fmt: skip


def walk_csv(plan: ParcelPlan) -> bytes:
    """Return the points to watch as CSV (RFC 4180, UTF-8) with empty columns ``seen``, ``moved_m`` and ``note``.

    How far the wire was moved onto the lawn, less than 0 towards the edge, is written into ``moved_m`` in metres;
    ``lawngis measured`` makes facts of it.

    Parameters
    ----------
    plan
        The parcel.
    """
    rows = []
    for row in plan.rows["watch_points"]:
        values = ({**row, "seen": "", "moved_m": "", "note": ""}[name] for name in WALK_COLUMNS)
        rows.append([f"{value:.6g}" if isinstance(value, float) else value for value in values])
    return csv_bytes(WALK_COLUMNS, rows, marked=True)
