"""What an installation costs: materials, labour and options, from a price book and a labour book."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import shapely

from lawngis.labour import MINUTES_PER_HOUR, LabourBook, labour_book_from
from lawngis.prices import PriceBook, price_book_from

from ..model.plan import Row
from ..model.text import counted, spreadsheet_safe
from .reading import ParcelPlan
from .texts import worded


@dataclass(frozen=True)
class QuoteLine:
    """One line: `amount` is None where the price book has no price, which the quote notes."""

    kind: str  # material, labour, option
    item: str
    quantity: float
    unit: str
    unit_price: float | None
    amount: float | None
    basis: str


@dataclass(frozen=True)
class Quote:
    """An offer for one parcel; amounts without tax but `tax` and `total`."""

    lines: Sequence[QuoteLine]
    options: Sequence[QuoteLine]
    currency: str
    tax_percent: float
    issued: date
    valid_until: date
    assumptions: Sequence[str]
    exclusions: Sequence[str]

    def subtotal(self, kind: str | None = None) -> float:
        """Return the sum of all lines, or of those of one kind, each rounded to the cent as it is printed."""
        return sum(round(line.amount or 0.0, 2) for line in self.lines if kind in (None, line.kind))

    @property
    def tax(self) -> float:
        """Tax on the sum."""
        return round(self.subtotal() * self.tax_percent / 100, 2)

    @property
    def total(self) -> float:
        """What is to be paid."""
        return self.subtotal() + self.tax


_PRICES = {
    "boundary wire": "wire_per_m",
    "pegs": "peg_each",
    "wire joints": "joint_each",
    "supply cable": "supply_cable_per_m",
    "further docks": "dock_each",
    "signal sources": "signal_source_each",
}
"""Item of the layer `materials` to key of the price book."""


def quote(plan: ParcelPlan, prices: PriceBook, labour: LabourBook, issued: date, *, reprice: bool = False) -> Quote:
    """Return the offer for a parcel.

    Parameters
    ----------
    plan
        The parcel.
    prices, labour
        Price and labour book.
    issued
        Day from which the offer holds.
    reprice
        Take prices of material from `prices` rather than those in the plan.
    """
    materials = [_material(row, prices, reprice=reprice) for row in plan.rows["materials"]]
    work = _labour(plan, labour) if materials else []
    return Quote(
        (*materials, *work),
        tuple(_options(plan, prices, labour)),
        prices.currency,
        labour.tax_percent,
        issued,
        issued + timedelta(days=labour.valid_days),
        labour.assumptions,
        labour.exclusions,
    )


def _material(row: Row, prices: PriceBook, *, reprice: bool) -> QuoteLine:
    key = _PRICES.get(row["item"])
    price = getattr(prices, key) if reprice and key else row["unit_price"]
    amount = None if price is None else row["quantity"] * price
    return QuoteLine("material", row["item"], row["quantity"], row["unit"], price, amount, row["basis"] or "")


def _crossings(plan: ParcelPlan) -> int:
    wire = sum(row["code"] == "wire-crosses" for row in plan.rows["findings"])
    return wire + sum(bool(row["crosses"]) for row in plan.rows["supply_route"])


def _labour(plan: ParcelPlan, book: LabourBook) -> list[QuoteLine]:
    wire_m = sum(row["length_m"] for row in plan.rows["wire_path"])
    cable_m = sum(row["length_m"] for row in plan.rows["supply_route"])
    docks = sum(bool(row["chosen"]) for row in plan.rows["dock_candidates"])
    tasks = [
        ("setting up and marking out", book.minutes_setup, "flat"),
        ("laying wire", wire_m * book.minutes_per_m_wire, f"{wire_m:.1f} m"),
        ("joints", len(plan.rows["joins"]) * book.minutes_per_joint, counted(len(plan.rows["joins"]), "joint")),
        ("docks", docks * book.minutes_per_dock, counted(docks, "dock")),
        ("supply cable", cable_m * book.minutes_per_m_cable, f"{cable_m:.1f} m"),
        ("crossings of paving", _crossings(plan) * book.minutes_per_crossing, counted(_crossings(plan), "crossing")),
        ("walking the wire and handing over", book.minutes_walk_round, "flat"),
    ]
    lines = [
        QuoteLine("labour", item, hours, "h", book.hourly_rate, hours * book.hourly_rate, basis)
        for item, minutes, basis in tasks
        if (hours := minutes / MINUTES_PER_HOUR) > 0
    ]
    return [*lines, QuoteLine("labour", "travel", 1, "flat", book.travel_fixed, book.travel_fixed, "flat")]


def _options(plan: ParcelPlan, prices: PriceBook, labour: LabourBook) -> list[QuoteLine]:
    """The other ways to serve each detached zone, as the difference to what the plan takes."""
    lines = []
    for zone in plan.select("zones", role="detached"):
        if zone["reached_by"] is not None:
            continue  # it shares the supply of the zone that it is reached from
        costs = _supply_costs(plan, zone, prices, labour)
        planned = costs.get(zone["supply"])
        if planned is None:
            continue
        for supply, cost in costs.items():
            if supply != zone["supply"]:
                item = f"{zone['zone_id']}: {worded(supply)} instead of {worded(zone['supply'])}"
                why = f"planned so because: {zone['supply_why']}" if zone["supply_why"] else ""
                lines.append(QuoteLine("option", item, 1, "piece", cost - planned, cost - planned, why))
    return lines


def _supply_costs(plan: ParcelPlan, zone: Row, prices: PriceBook, labour: LabourBook) -> dict[str, float]:
    """What each supply of one detached zone costs, wire and work that all of them need left out."""
    minute = labour.hourly_rate / MINUTES_PER_HOUR
    costs = {
        "own_dock": prices.dock_each + labour.minutes_per_dock * minute,
        "own_source": prices.signal_source_each + labour.minutes_per_joint * minute,
    }
    homes = [row["geometry"] for row in plan.rows["zones"] if row["role"] == "home"]
    if homes:  # a paired lead, straight, there and back
        lead_m = 2 * float(min(shapely.distance(zone["geometry"], homes)))
        costs["main_wire"] = lead_m * (prices.wire_per_m + labour.minutes_per_m_wire * minute)
    return costs


def quote_csv(offer: Quote, parcel_id: str) -> bytes:
    """Return an offer as CSV (RFC 4180) in UTF-8; decimal point, no thousands, whatever the locale."""
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(["parcel_id", "kind", "item", "quantity", "unit", "unit_price", "amount", "currency", "basis"])
    for line in (*offer.lines, *offer.options):
        table.writerow(
            [
                spreadsheet_safe(parcel_id), line.kind, spreadsheet_safe(line.item), f"{line.quantity:.2f}", line.unit,
                _cents(line.unit_price), _cents(line.amount), offer.currency, spreadsheet_safe(line.basis),
            ]
        )  # fmt: skip
    for item, amount in (("subtotal", offer.subtotal()), ("tax", offer.tax), ("total", offer.total)):
        basis = f"{offer.tax_percent:g} %" if item == "tax" else ""
        table.writerow([spreadsheet_safe(parcel_id), "sum", item, "", "", "", _cents(amount), offer.currency, basis])
    return b"\xef\xbb\xbf" + text.getvalue().encode("utf-8")


def _cents(amount: float | None) -> str:
    return "" if amount is None else f"{amount:.2f}"


def books(
    plan_facts: Mapping[str, str], price_file: Path | None, labour_file: Path | None
) -> tuple[PriceBook, LabourBook]:
    """Return the price and the labour book: those named, else the price book of the plan, else the examples."""
    named = plan_facts.get("step materials.price_book")
    if price_file is None and named not in (None, "", "None") and Path(str(named)).is_file():
        price_file = Path(str(named))
    return price_book_from(str(price_file) if price_file else None), labour_book_from(labour_file)
