"""What an installation costs: mower, materials, labour and options, from a price book and a labour book."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import shapely

from lawngis.labour import MINUTES_PER_HOUR, LabourBook, labour_book_from
from lawngis.prices import PriceBook, amounts_total, billed, coins, price_book_from

from ..derived.plan_cost import work_of
from ..derived.readiness import ground_unsettled
from ..files.csv_tables import csv_bytes
from ..model.plan import Row
from ..model.readiness import LAID, readiness_of
from ..model.text import counted
from .formats import METRES_PER_FOOT, Units
from .quote_details import QuoteDetails
from .reading import ParcelPlan
from .texts import worded

FOOT_PRICE_DIGITS = 4
"""So many digits has the price of a foot: a coin is much of it."""

CHECKS_NAMED = 8
"""So many things to be measured are named in a quote; the visit sheet has them all."""


@dataclass(frozen=True)
class QuoteLine:
    """One line as it is printed: `amount` is None where the price book has no price, which the quote notes."""

    kind: str  # material, labour, option
    item: str
    quantity: float
    unit: str
    unit_price: float | None
    amount: float | None
    basis: str


@dataclass(frozen=True)
class Quote:
    """An offer or an estimate for one parcel; amounts without VAT but `vat` and `total`.

    Parameters
    ----------
    lines, options
        What it takes, and other ways as the difference to that.
    currency
        Of all amounts.
    issued, valid_until
        From when, and until when it holds; an estimate, and whatever rests on example prices, holds for no time.
    estimate_because
        Why it is an estimate for planning only; empty for an offer.
    examples
        What is priced by an invented example.
    rests_on
        What is to be settled and measured, and what no layer tells.
    assumptions, exclusions
        Sentences.
    details
        Who quotes to whom.
    vat_percent
        None where it is not known.
    """

    lines: Sequence[QuoteLine]
    options: Sequence[QuoteLine]
    currency: str
    issued: date
    valid_until: date | None
    estimate_because: str
    examples: Sequence[str]
    rests_on: Sequence[str]
    assumptions: Sequence[str]
    exclusions: Sequence[str]
    details: QuoteDetails = field(default_factory=QuoteDetails)
    vat_percent: float | None = None

    @property
    def title(self) -> str:
        """What the document is."""
        if self.estimate_because:
            return "Estimate for planning only"
        return "Quote on example prices" if self.examples else "Quote"

    @property
    def head(self) -> list[str]:
        """What must stand at the head, wherever its prices are shown."""
        said = [f"For planning only, this is no offer: {self.estimate_because}."] if self.estimate_because else []
        if self.examples:
            said.append(f"Example prices, which are invented and nobody's offer: {', '.join(self.examples)}.")
        return said

    def subtotal(self, kind: str | None = None) -> float:
        """Return the sum of all lines, or of those of one kind, as they are printed."""
        return amounts_total([line.amount for line in self.lines if kind in (None, line.kind)], self.currency)

    @property
    def vat(self) -> float | None:
        """VAT on the sum; None where its rate is not known."""
        return None if self.vat_percent is None else coins(self.subtotal() * self.vat_percent / 100, self.currency)

    @property
    def total(self) -> float:
        """The sum, with VAT where its rate is known."""
        return amounts_total([self.subtotal(), self.vat], self.currency)

    @property
    def total_of(self) -> str:
        """What the total holds: price and labour books are ``without VAT`` by their definition."""
        return "without VAT" if self.vat_percent is None else "with VAT"

    @property
    def unpriced(self) -> list[str]:
        """Items without a price, so not in the sum."""
        return [line.item for line in self.lines if line.amount is None and line.item != REELS]


REELS = "reels of wire"
"""Counted to be ordered; their wire is priced by the metre."""

_PRICES = {
    "boundary wire": "wire_per_m",
    "pegs": "peg_each",
    "wire joints": "joint_each",
    "saw cut": "saw_cut_per_m",
    "duct": "duct_per_m",
    "supply cable": "supply_cable_per_m",
    "further docks": "dock_each",
    "signal sources": "signal_source_each",
}
"""Item of the layer `materials` to key of the price book."""

MOWER = "mower with its dock"


def quote(
    plan: ParcelPlan,
    prices: PriceBook | None,
    labour: LabourBook,
    issued: date,
    *,
    reprice: bool = False,
    units: Units = "metric",
    details: QuoteDetails | None = None,
) -> Quote:
    """Return what a parcel costs, as an offer or as an estimate.

    Parameters
    ----------
    plan
        The parcel.
    prices, labour
        Price and labour book; without a price book there are no options.
    issued
        Day from which it holds.
    reprice
        Take prices of material from `prices` rather than those in the plan.
    units
        Feet are billed by the foot.
    details
        Who quotes to whom.
    """
    own = (details or QuoteDetails()).of_parcel(plan.parcel_id)
    rows = _repriced(plan, prices) if reprice and prices is not None else list(plan.rows["materials"])
    currency = next((row["currency"] for row in rows if row.get("currency")), prices.currency if prices else "")
    materials = [_material(row, currency, units) for row in rows]
    work = list(_labour(plan, labour, currency, units)) if materials else []
    because = estimate_because(plan.summary)
    examples = _examples(rows, labour) if materials else []
    firm = not because and not examples
    return Quote(
        (*materials, *work),
        tuple(_options(plan, prices, labour)) if prices is not None and prices.currency == currency else (),
        currency,
        issued,
        issued + timedelta(days=labour.valid_days) if firm else None,
        because,
        examples,
        (*_rests_on(plan), *([] if reprice else _price_range(plan.summary))),
        (*labour.assumptions, *_mower_assumption(rows)),
        labour.exclusions,
        own,
        labour.tax_percent if own.vat_percent is None else own.vat_percent,
    )


def estimate_because(summary: Row) -> str:
    """Return why a parcel gets an estimate for planning only; empty where it gets an offer.

    An offer needs a plan that can be carried out, on settled ground: no stop finding, nothing unknown that may cover
    lawn, and no piece of ground that has yet to be looked at and makes more than a tenth of it.

    Parameters
    ----------
    summary
        The parcel's row.
    """
    if readiness_of(summary) in LAID and not ground_unsettled(json.loads(summary.get("readiness_values") or "[]")):
        return ""
    stops = counted(summary.get("stop_findings") or 0, "finding")
    return str(summary.get("readiness_why") or f"{stops} to be settled")


def _rests_on(plan: ParcelPlan) -> Iterator[str]:
    yield from (f"to be settled: {finding['text']}" for finding in plan.select("findings", severity="stop"))
    checks = plan.rows["visit_checks"]
    for check in checks[:CHECKS_NAMED]:
        yield f"{check['measure_what']}: decides {check['decides']}"
    if len(checks) > CHECKS_NAMED:
        yield f"{len(checks) - CHECKS_NAMED} more to be measured, which the visit sheet names"
    if plan.summary.get("unknowns"):
        yield f"what no map tells of this parcel: {plan.summary['unknowns']}"


def _price_range(summary: Row) -> list[str]:
    """Say between what mower and materials come to nine times in ten, as far as the data may be off."""
    low, high = summary.get("amount_low"), summary.get("amount_high")
    if low is None or high is None:
        return []
    return [
        f"mower and materials: {low:.0f} to {high:.0f} {summary['currency']} nine times in ten, as the maps may be off"
    ]


def _examples(rows: Sequence[Row], labour: LabourBook) -> list[str]:
    priced = {row["item"] == MOWER for row in rows if row.get("price_source") == "example"}
    goods = ["mower"] if True in priced else []
    goods += ["materials"] if False in priced else []
    return goods + (["labour"] if labour.example else [])


def _mower_assumption(rows: Sequence[Row]) -> list[str]:
    mowers = [row for row in rows if row["item"] == MOWER]
    if rows and all(row["amount"] is None for row in mowers):
        return ["The mower and its first dock are not in the sum."]
    return []


def _repriced(plan: ParcelPlan, prices: PriceBook) -> list[Row]:
    """Return the materials with the prices of another book; what that doesn't know has none."""
    return [
        {
            **row,
            "unit_price": price,
            "currency": prices.currency,
            "price_source": None if price is None else prices.source,
        }
        for row in plan.rows["materials"]
        for price in [_book_price(row["item"], plan, prices)]
    ]


def _book_price(item: str, plan: ParcelPlan, prices: PriceBook) -> float | None:
    if item == MOWER:
        return prices.mower_price(plan.run_info.get("profile.name", ""))
    return getattr(prices, _PRICES[item]) if item in _PRICES else None


def _material(row: Row, currency: str, units: Units) -> QuoteLine:
    basis = row["basis"] or ""
    return _line("material", row["item"], row["quantity"], row["unit"], row["unit_price"], currency, basis, units)


def _line(
    kind: str, item: str, quantity: float, unit: str, price: float | None, currency: str, basis: str, units: Units
) -> QuoteLine:
    """Return a line as it is printed, in feet where lengths are in feet."""
    if unit == "m" and units == "feet":
        quantity, unit = quantity / METRES_PER_FOOT, "ft"
        price = None if price is None else round(price * METRES_PER_FOOT, FOOT_PRICE_DIGITS)
    line = billed(quantity, unit, price, currency)
    return QuoteLine(kind, item, line.quantity, unit, price, line.amount, basis)


def _labour(plan: ParcelPlan, book: LabourBook, currency: str, units: Units) -> Iterator[QuoteLine]:
    for task in work_of(plan.rows, book):
        hours = task.minutes / MINUTES_PER_HOUR
        line = _line("labour", task.item, hours, "h", book.hourly_rate, currency, task.basis, units)
        if line.quantity > 0:
            yield line
    yield _line("labour", "travel", 1, "flat", book.travel_fixed, currency, "once", units)


def _options(plan: ParcelPlan, prices: PriceBook, labour: LabourBook) -> list[QuoteLine]:
    """The other ways to serve each detached zone, as the difference to what the plan takes."""
    lines = []
    for zone in plan.select("zones", role="detached"):
        if zone["reached_by"] is not None:
            continue  # it shares the supply of the zone that it is reached from
        costs = _supply_costs(plan, zone, prices, labour)
        planned = costs.get(zone["supply"])
        if planned is None or zone["supply"] == "own_dock":
            continue  # a dock is planned where no cheaper supply serves
        for supply, cost in costs.items():
            if supply != zone["supply"]:
                item = f"{zone['zone_id']}: {worded(supply)} instead of {worded(zone['supply'])}"
                why = f"planned so because: {zone['supply_why']}" if zone["supply_why"] else ""
                more = coins(cost - planned, prices.currency)
                lines.append(QuoteLine("option", item, 1, "piece", more, more, why))
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
    """Return a quote as CSV (RFC 4180) in UTF-8; decimal point, no thousands, whatever the locale.

    Every row says whether the document is an offer or an estimate, and what is priced by an example.
    """
    head = ("parcel_id", "kind", "item", "quantity", "unit", "unit_price", "amount", "currency", "basis")
    about = [offer.title, ", ".join(offer.examples), offer.details.number]
    rows: list[list[object]] = []
    for line in (*offer.lines, *offer.options):
        figures = [_plain(line.quantity), line.unit, _plain(line.unit_price), _plain(line.amount)]
        rows.append([parcel_id, line.kind, line.item, *figures, offer.currency, line.basis, *about])
    for item, amount, basis in _sums(offer):
        rows.append([parcel_id, "sum", item, "", "", "", _plain(amount), offer.currency, basis, *about])
    return csv_bytes([*head, "document", "example_prices", "number"], rows, marked=True)


def _sums(offer: Quote) -> Iterator[tuple[str, float, str]]:
    yield "subtotal", offer.subtotal(), "without VAT"
    if offer.vat is not None:
        yield "tax", offer.vat, f"VAT {offer.vat_percent:g} %"
        yield "total", offer.total, offer.total_of


def _plain(figure: float | None) -> str:
    """Return a figure with two digits, or as many as it has."""
    if figure is None:
        return ""
    return f"{figure:.2f}" if round(figure, 2) == figure else f"{figure:.10g}"


def books(
    plan_facts: Mapping[str, str], price_file: Path | None, labour_file: Path | None
) -> tuple[PriceBook | None, LabourBook]:
    """Return the price and the labour book: those named, else the plan's price book and the example of labour.

    There is no price book where the plan's isn't there any more: no other may speak for it.
    """
    named = price_file or plan_facts.get("step materials.price_book") or ""
    gone = price_file is None and named not in ("", "None") and not Path(str(named)).is_file()
    file = None if named in ("", "None") else str(named)
    return None if gone else price_book_from(file), labour_book_from(labour_file)
