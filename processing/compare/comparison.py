"""Two plans of the same parcels side by side: what changes in ground, zones, wire, dock, price, week and risk.

Parcels are taken some at a time, so that two plans of ten thousand need no more memory than two of a hundred. Each is
compared in its measuring frame, so the plans may be in different CRSs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lawngis.errors import PlanError

from ..files import gpkg
from ..files.atomic import refuse_file, write_whole
from ..files.csv_tables import csv_bytes
from ..files.plan_reader import PARCELS_AT_A_TIME, PlanFile, plan_file
from ..model.plan import Row
from ..model.tables import table
from .differences import ParcelDifference, Tolerances, parcel_difference
from .layers import DIFFERENCE_LAYERS

ROWS_READ = {
    "zones": "",
    "links": "",
    "lawn": "",
    "keepouts": "treatment <> 'bump'",
    "hand_mow": "",
    "wire_path": "",
    "dock_candidates": "chosen = 1",
    "supply_route": "",
    "materials": "",
    "schedule": "",
    "findings": "severity <> 'info'",
    "visit_checks": "",
}
"""Layers that are compared, and which of their rows."""

NOT_SETTINGS = ("started", "finished", "seconds", "rows", "styles")
"""Facts of a run that differ between any two."""


def compared_plan(path: Path) -> PlanFile:
    """Return a plan to be compared, given as a file or the folder that it is in.

    Raises
    ------
    SiteError
        When the file can't be read.
    PlanError
        When it is no plan.
    """
    return plan_file(path, needed=("zones",), read=ROWS_READ)


# --- the whole -------------------------------------------------------------------------------------------


@dataclass
class Comparison:
    """Two plans, and what came of comparing them as it goes on.

    Parameters
    ----------
    a, b
        The plans.
    tolerances
        Differences that are none.
    """

    a: PlanFile
    b: PlanFile
    tolerances: Tolerances = field(default_factory=Tolerances)
    totals: dict[str, list[float]] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    counts: Counter[str] = field(default_factory=Counter)
    largest: list[tuple[float, str, str]] = field(default_factory=list)

    @property
    def common(self) -> list[str]:
        """Parcels of both plans, in the order of A."""
        others = set(self.b.parcel_ids)
        return [name for name in self.a.parcel_ids if name in others]

    @property
    def only_a(self) -> list[str]:
        """Parcels that only A has."""
        others = set(self.b.parcel_ids)
        return [name for name in self.a.parcel_ids if name not in others]

    @property
    def only_b(self) -> list[str]:
        """Parcels that only B has."""
        others = set(self.a.parcel_ids)
        return [name for name in self.b.parcel_ids if name not in others]

    @property
    def settings(self) -> list[Row]:
        """Rows of the layer `settings_changed`."""
        keys = [key for key in dict.fromkeys([*self.a.facts, *self.b.facts]) if key not in NOT_SETTINGS]
        both = [{"key": key, "in_a": self.a.facts.get(key), "in_b": self.b.facts.get(key)} for key in keys]
        return [row for row in both if row["in_a"] != row["in_b"]] + self._of_run

    @property
    def _of_run(self) -> list[Row]:
        """Findings that hold for all parcels of one plan alone, as rows of `settings_changed`."""
        a, b = ({(row["code"], row["text"]): None for row in side.of_run("findings")} for side in (self.a, self.b))
        return [
            {
                "key": f"finding {code}",
                "in_a": text if (code, text) in a else None,
                "in_b": text if (code, text) in b else None,
            }
            for code, text in {**a, **b}
            if (code, text) not in a or (code, text) not in b
        ]

    def parcels(self) -> Iterator[ParcelDifference]:
        """Yield every parcel of both plans, compared."""
        sides = (side.parcels({"summary": "", **ROWS_READ}, self.common) for side in (self.a, self.b))
        for (name, a), (_, b) in zip(*sides, strict=True):
            yield parcel_difference(name, (a, self.a.crs), (b, self.b.crs), self.tolerances)

    def write(self, out: Path) -> None:
        """Compare all and write ``comparison.csv`` and ``differences.gpkg`` into a folder, each whole or not at all.

        Raises
        ------
        PlanError
            When the plans have no parcel in common, or nothing can be written.
        """
        if not self.common:
            raise PlanError(
                "the plans have no parcel in common", where=(str(self.a.path), str(self.b.path)), advice=self._there()
            )
        refuse_file(out, "the comparison needs")
        lines: list[Sequence[object]] = []
        for name, a, b in [(name, "yes", "no") for name in self.only_a] + [(name, "no", "yes") for name in self.only_b]:
            lines.append((name, "in the plan", a, b, "", ""))
        gpkg.write_plan_batches(
            out / "differences.gpkg",
            self._batches(lines),
            DIFFERENCE_LAYERS,
            crs=self.a.crs,
        )
        columns = ("parcel_id", "figure", "a", "b", "difference", "unit")
        write_whole(out / "comparison.csv", csv_bytes(columns, lines))

    def _there(self) -> str:
        return f"One has {', '.join(self.a.parcel_ids[:4])}, the other {', '.join(self.b.parcel_ids[:4])}."

    def _batches(self, lines: list[Sequence[object]]) -> Iterator[dict[str, Any]]:
        rows: dict[str, list[Row]] = {spec.name: [] for spec in DIFFERENCE_LAYERS}
        rows["settings_changed"] = self.settings
        for number, found in enumerate(self.parcels(), start=1):
            self._add(found)
            for item in found.figures:
                cells = (_cell(item.a), _cell(item.b), _cell(item.difference))
                lines.append((found.parcel_id, item.figure, *cells, item.unit))
            for layer, some in found.rows.items():
                rows[layer].extend(some)
            if number % PARCELS_AT_A_TIME == 0:
                yield self._tables(rows)
                rows = {spec.name: [] for spec in DIFFERENCE_LAYERS}
        yield self._tables(rows)

    def _tables(self, rows: Mapping[str, Sequence[Row]]) -> dict[str, Any]:
        return {
            spec.name: table(spec, rows[spec.name], self.a.crs if spec.geometry else None)
            for spec in DIFFERENCE_LAYERS
            if rows[spec.name]
        }

    def _add(self, found: ParcelDifference) -> None:
        self.counts["compared"] += 1
        self.counts["different"] += found.any
        for item in found.figures:
            if isinstance(item.a, (int, float)) and isinstance(item.b, (int, float)) and item.figure not in NO_SUM:
                total = self.totals.setdefault(item.figure, [0.0, 0.0])
                total[0] += item.a
                total[1] += item.b
                self.units[item.figure] = item.unit
        for row in found.rows["points_changed"]:
            self.counts[f"{row['thing']} {row['change']}"] += 1
        weight, words = _most(found)
        if weight:
            self.largest = sorted([*self.largest, (weight, found.parcel_id, words)], reverse=True)[:LARGEST]


LARGEST = 20
"""As many parcels are named, those that differ most."""

NO_SUM = ("dock score", "slope, 95 % stay below", "weakest field inside", "days a week", "begin", "end")
"""Figures whose sum over parcels means nothing."""


def _most(found: ParcelDifference) -> tuple[float, str]:
    """Return how much a parcel changes, for sorting, and in words."""
    by_name = {item.figure: item for item in found.figures}
    words = []
    for figure, form in (("mowed by the mower", "{:+.0f} m²"), ("wire", "{:+.1f} m of wire"), ("price", "{:+.2f}")):
        item = by_name.get(figure)
        if item is not None and item.difference is not None and abs(item.difference) >= 0.005:
            words.append(form.format(item.difference))
    texts = [row["text"] for row in found.rows["points_changed"] if row["thing"] in ("parcel", "dock", "zone", "link")]
    ground = sum(row["area_m2"] for row in found.rows["ground_changed"])
    weight = ground + sum(row["length_m"] for row in found.rows["wire_changed"]) + 10 * len(texts)
    weight = weight or float(found.any)
    return weight, "; ".join([*words, *texts[:3]]) or "other figures only"


def _cell(value: float | str | None) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{round(value, 4) + 0.0:.4f}".rstrip("0").rstrip(".")
