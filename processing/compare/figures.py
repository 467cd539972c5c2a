"""Figures of one parcel in two plans, line by line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ..model.plan import Row

Layers = Mapping[str, Sequence[Row]]
"""Rows by layer."""


@dataclass(frozen=True)
class FigureRow:
    """One line of the comparison: a figure of a parcel in both plans; words have no difference."""

    parcel_id: str
    figure: str
    a: float | str | None
    b: float | str | None
    unit: str

    @property
    def difference(self) -> float | None:
        """B less A; None when either isn't known or it is a word."""
        if isinstance(self.a, (int, float)) and isinstance(self.b, (int, float)):
            return self.b - self.a
        return None


Figures = dict[str, tuple[float | str | None, str]]

_SUMMARY = (
    ("lawn", "lawn_m2", "m²"),
    ("mowed by the mower", "mowable_m2", "m²"),
    ("zones", "zones", ""),
    ("loops", "loops", ""),
    ("wire", "wire_m", "m"),
    ("wire, standard deviation", "wire_sd_m", "m"),
    ("wire in leads", "lead_m", "m"),
    ("pegs", "pegs", ""),
    ("dock score", "dock_score", ""),
    ("slope, 95 % stay below", "slope_p95_percent", "%"),
    ("hours a week", "mowing_hours_week", "h"),
    ("stop findings", "stop_findings", ""),
    ("visit checks", "visit_checks", ""),
)


def figures(parcel_id: str, a: Layers, b: Layers, pieces: Sequence[Row], stretches: Sequence[Row]) -> list[FigureRow]:
    """Return every figure of a parcel in both plans.

    Parameters
    ----------
    parcel_id
        The parcel.
    a, b
        Rows by layer.
    pieces, stretches
        Ground and wire of one plan only.
    """
    sides = [_side_figures(side) for side in (a, b)]
    sides[0]["mowed in one plan only"] = (_summed(pieces, "lost", "area_m2"), "m²")
    sides[1]["mowed in one plan only"] = (_summed(pieces, "gained", "area_m2"), "m²")
    sides[0]["wire in one plan only"] = (_summed(stretches, "only_a", "length_m"), "m")
    sides[1]["wire in one plan only"] = (_summed(stretches, "only_b", "length_m"), "m")
    rows = []
    for figure in dict.fromkeys([*sides[0], *sides[1]]):
        unit = " or ".join(dict.fromkeys(side[figure][1] for side in sides if figure in side and side[figure][1]))
        values = [side[figure][0] if figure in side else _nothing(side) for side in sides]
        rows.append(FigureRow(parcel_id, figure, values[0], values[1], unit))
    return rows


def _nothing(side: Figures) -> float | None:
    """Return the figure of what one plan doesn't have, such as an item: none of it, unless there is no plan."""
    return None if side["status"][0] == "failed" else 0.0


def _summed(rows: Sequence[Row], change: str, column: str) -> float:
    return float(sum(row[column] for row in rows if row["change"] == change))


def _side_figures(layers: Layers) -> Figures:
    summary = layers["summary"][0]
    found: Figures = {"status": (summary["status"], "")}
    found |= {name: (_number(summary.get(column)), unit) for name, column, unit in _SUMMARY}
    found["price"] = (_number(summary.get("amount")), str(summary.get("currency") or ""))
    found["price, standard deviation"] = (_number(summary.get("amount_sd")), str(summary.get("currency") or ""))
    planned = summary["status"] != "failed"
    cautions = [row for row in layers["findings"] if row["severity"] == "caution"]
    found["caution findings"] = (len(cautions) if planned else None, "")
    for kind, count in Counter(row["kind"] for row in layers["links"]).items():
        found[f"links, {kind}"] = (count, "")
    for role, count in Counter(row["role"] for row in layers["zones"]).items():
        found[f"zones, {role}"] = (count, "")
    fields = [row["signal_min_ut"] for row in layers["wire_path"] if row["signal_min_ut"] is not None]
    found["weakest field inside"] = (min(fields, default=None), "µT")
    found["supply cable"] = (sum(row["length_m"] for row in layers["supply_route"]) if planned else None, "m")
    return found | _materials(layers["materials"]) | _week(layers["schedule"])


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def _materials(rows: Iterable[Row]) -> Figures:
    """Return quantity and price of each item; one that stands there several times is summed."""
    sums: dict[str, float] = {}
    units: dict[str, str] = {}
    for row in rows:
        of_item = [(f"material {row['item']}", row["quantity"], row["unit"])]
        of_item.append((f"price of {row['item']}", row["amount"], row.get("currency") or ""))
        for name, value, unit in of_item:
            if value is not None:
                sums[name] = sums.get(name, 0.0) + float(value)
                units[name] = str(unit)
    return {name: (value, units[name]) for name, value in sums.items()}


def _week(rows: Sequence[Row]) -> Figures:
    if not rows:
        return {"days a week": (None, ""), "begin": (None, ""), "end": (None, "")}
    days = len({row["weekday"] for row in rows})
    begin, end = min(row["start_time"] for row in rows), max(row["end_time"] for row in rows)
    return {"days a week": (float(days), ""), "begin": (str(begin), ""), "end": (str(end), "")}
