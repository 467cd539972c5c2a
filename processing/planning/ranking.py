"""The portfolio table: which parcels are worth it, what they take, which mower they need, and who visits them when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS
from shapely import MultiPoint

from lawngis.geometry.frame import MeasuringFrame
from lawngis.labour import MINUTES_PER_HOUR, LabourBook, labour_book_from
from lawngis.prices import amounts_total

from ..files.atomic import write_whole
from ..files.csv_tables import csv_bytes
from ..fleet.crew_days import crew_days
from ..fleet.mower_choice import smallest_mower
from ..fleet.planned_parcels import planned_parcel
from ..model.plan import Row
from ..model.readiness import BASES, LAID, READINESSES, readiness_of
from ..model.site_layers import SUMMED_BY
from ..steps.schedule import ScheduleParameters, schedule_parameters
from ..steps.workflow import Settings

CREW_RADIUS_M = 2000.0
CREW_DAY_H = 8.0
"""How far apart a crew's parcels of one day may lie, and how long it works; ours, no source."""

FIGURES = (
    "lawn_m2", "mowable_m2", "zones", "loops", "wire_m", "wire_sd_m", "wire_low_m", "wire_high_m", "lead_m", "pegs",
    "dock_score", "slope_p95_percent", "mowing_hours_week", "missing_hours_week", "amount", "amount_sd", "amount_low",
    "amount_high", "currency", "stop_findings", "visit_checks", "seconds",
)  # fmt: skip
"""Columns of `summary` that go into the table as they are."""

TOLD = ("readiness", "readiness_why", "basis", "unknowns", "doubt")
"""Columns of `summary` that say how far a plan can be trusted."""

RANKING_COLUMNS = ("parcel_id", "label", "status", *TOLD, "blocks", "mower_needed", "laying_hours", "x", "y", *FIGURES)
"""Columns of a ranking row: what a parcel shows on its own, before any is compared with another."""

TOTALS = ("mowable_m2", "wire_m", "pegs", "laying_hours", "mowing_hours_week")


def ranking_row(rows: Mapping[str, Sequence[Row]], crs: CRS, week: ScheduleParameters) -> tuple[Any, ...]:
    """Return the ranking row of one parcel, by :data:`RANKING_COLUMNS`.

    Parameters
    ----------
    rows
        Its rows by layer.
    crs
        Of their geometry.
    week
        Parameters of the step that plans the week.
    """
    summary = rows["summary"][0]
    place = summary["geometry"].centroid
    x, y = (np.nan, np.nan) if place.is_empty else (place.x, place.y)
    blocks = next((row["text"] for row in rows.get("findings", ()) if row["severity"] == "stop"), None)
    status = summary["status"]
    hours = laying_hours(rows, _labour()) if status == "planned" else None
    mower = smallest_mower(planned_parcel(rows, crs, week), week) if status == "planned" else None
    verdict = summary["verdict_text"] if status != "planned" else blocks
    told = [readiness_of(summary), *(summary.get(name) for name in TOLD[1:])]
    figures = [summary.get(name) for name in FIGURES]
    return (summary["parcel_id"], summary.get("label"), status, *told, verdict, mower, hours, x, y, *figures)


def week_parameters(settings: Settings) -> ScheduleParameters:
    """Return the parameters by which a run plans weeks."""
    return schedule_parameters(settings.parameters.get("schedule", {}))


@cache
def _labour() -> LabourBook:
    return labour_book_from()


@dataclass
class Ranking:
    """The portfolio table while it grows, parcel by parcel.

    Parameters
    ----------
    crs
        CRS of the rows.
    counts_to
        What each parcel counts to by the columns in which the site says it, as far as it does.
    """

    crs: CRS
    counts_to: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    _rows: list[tuple[Any, ...]] = field(default_factory=list)

    def add(self, row: Sequence[Any]) -> None:
        """Add a parcel's :func:`ranking_row`."""
        self._rows.append(tuple(row))

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def rows(self) -> list[Row]:
        """One row for each parcel, in the order in which they came."""
        return [dict(zip(RANKING_COLUMNS, row, strict=True)) for row in self._rows]

    def table(self) -> pd.DataFrame:
        """Return the table: by readiness, then what most is known of, then by value for effort.

        Value is ground that a mower serves, effort the hours of laying. A lawn of which less is known looks larger than
        it is, so what is known counts before the value.
        """
        table = pd.DataFrame(self.rows)
        table["m2_per_laying_hour"] = table["mowable_m2"].astype(float) / table["laying_hours"].astype(float)
        order = table.assign(
            _readiness=table["readiness"].map(READINESSES.index),
            _basis=[BASES.index(basis) if basis in BASES else len(BASES) for basis in table["basis"]],
            _doubt=table["doubt"].astype(float),
            _value=-table["m2_per_laying_hour"],
        ).sort_values(["_readiness", "_basis", "_doubt", "_value"], kind="stable")
        table = table.loc[order.index]
        for column in SUMMED_BY:
            table[column] = table["parcel_id"].map(self.counts_to.get(column, {})).astype(object)
        table["rank"] = np.arange(1, len(table) + 1)
        table["crew_day"] = pd.array(self._crew_days(table), dtype="Int64")
        first = (
            "rank",
            "parcel_id",
            "label",
            *SUMMED_BY,
            "status",
            *TOLD,
            "blocks",
            "m2_per_laying_hour",
            "laying_hours",
        )
        rest = ("mower_needed", "crew_day", *FIGURES, "x", "y")
        return table[[*first, *rest]].reset_index(drop=True)

    def _crew_days(self, table: pd.DataFrame) -> list[int | None]:
        """Number the days on which a crew lays wire, ready parcels first; what can't be laid yet has none."""
        found = np.zeros(len(table), dtype=int)
        for readiness in LAID:
            laid = ((table["readiness"] == readiness) & table["x"].notna()).to_numpy()
            if laid.any():
                days = crew_days(
                    self._places(table.loc[laid, ["x", "y"]].to_numpy(dtype=float)),
                    table.loc[laid, "laying_hours"].to_numpy(dtype=float),
                    radius_m=CREW_RADIUS_M,
                    day_hours=CREW_DAY_H,
                )
                found[laid] = found.max() + days
        return [day or None for day in found.tolist()]

    def _places(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return MeasuringFrame.centred_on(MultiPoint(xy), self.crs).coordinates_from(self.crs, xy)


def laying_hours(rows: Mapping[str, Sequence[Row]], labour: LabourBook) -> float:
    """Return the hours that it takes to lay a parcel's wire and set its docks, travel not included [h]."""
    wire_m = sum(row["length_m"] for row in rows.get("wire_path", ()))
    docks = sum(bool(row["chosen"]) for row in rows.get("dock_candidates", ()))
    cable_m = sum(row["length_m"] for row in rows.get("supply_route", ()))
    minutes = (
        labour.minutes_setup
        + labour.minutes_walk_round
        + labour.minutes_per_m_wire * wire_m
        + labour.minutes_per_m_cable * cable_m
        + labour.minutes_per_dock * docks
        + labour.minutes_per_joint * len(rows.get("joins", ()))
    )
    return round(minutes / MINUTES_PER_HOUR, 2)


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write the table as CSV, whole or not at all.

    Raises
    ------
    PlanError
        When it can't be written.
    """
    rows = table.round(3).astype(object).itertuples(index=False)
    write_whole(path, csv_bytes([str(name) for name in table.columns], rows))


def totals(table: pd.DataFrame) -> dict[str, float]:
    """Return the sums over all planned parcels."""
    planned = table[table["status"] == "planned"]
    return {name: float(planned[name].astype(float).sum()) for name in TOTALS}


def sums_by(table: pd.DataFrame, column: str) -> pd.DataFrame:
    """Return the portfolio summed by a column: parcels of each readiness, totals and amounts of what is planned.

    Parameters
    ----------
    table
        The portfolio table.
    column
        Out of :data:`.site_layers.SUMMED_BY`; parcels of which it says nothing are the last row, without a value.
    """
    currencies = sorted(set(table["currency"].dropna()))
    rows = []
    for value, some in table.groupby(column, dropna=False, sort=True):
        ready = {name: int((some["readiness"] == name).sum()) for name in READINESSES}
        money = amounts(some)
        priced = {f"amount_{currency}": money.get(currency, 0.0) for currency in currencies}
        rows.append(
            {column: None if pd.isna(value) else value, "parcels": len(some), **ready, **totals(some), **priced}
        )
    return pd.DataFrame(rows)


def amounts(table: pd.DataFrame) -> dict[str, float]:
    """Return what mowers and materials of all planned parcels come to, by currency."""
    planned = table[(table["status"] == "planned") & table["currency"].notna()]
    return {
        str(currency): amounts_total(of_currency["amount"], str(currency))
        for currency, of_currency in planned.groupby("currency")
    }
