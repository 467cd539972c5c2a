"""The quote on paper."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from .formats import Formats
from .paper import Paper
from .quote import Quote, QuoteLine
from .reading import ParcelPlan
from .texts import worded

_WIDTHS = (62, 24, 26, 28, 50)


def offer_paper(plan: ParcelPlan, offer: Quote, formats: Formats, written_at: datetime) -> bytes:
    """Return a quote as PDF: materials, labour, tax, options, what it rests on and leaves out.

    Parameters
    ----------
    plan
        The parcel.
    offer
        What it costs.
    formats
        How figures are written.
    written_at
        Time to be noted in the file.
    """
    paper = Paper(plan, "Quote", formats, written_at)
    paper.add_page()
    paper.head(formats.prose(plan.summary.get("verdict_text")) or worded(plan.summary["status"]))
    paper.say(f"Issued {formats.day(offer.issued)}, valid until {formats.day(offer.valid_until)}.", 9)
    if not offer.lines:
        paper.ln(2)
        paper.say("No installation is offered: no mower is planned here.", 10, bold=True)
    for kind, title in (("material", "Materials"), ("labour", "Labour")):
        lines = [line for line in offer.lines if line.kind == kind]
        if lines:
            paper.heading(title)
            _table(paper, lines, offer, formats)
    if offer.lines:
        _sums(paper, offer, formats)
    if offer.options:
        paper.heading("Options, as the difference to the above, without tax")
        _table(paper, offer.options, offer, formats)
    for title, sentences in (("Assumptions", offer.assumptions), ("Not included", offer.exclusions)):
        if sentences:
            paper.heading(title)
            for sentence in sentences:
                paper.say(f"• {formats.prose(sentence)}", 8.5)
    paper.standing_parts()
    return bytes(paper.output())


def _table(paper: Paper, lines: Sequence[QuoteLine], offer: Quote, formats: Formats) -> None:
    rows = [_cells(line, offer, formats) for line in lines]
    paper.rows(["Item", "Quantity", "Price", "Amount", "Basis"], rows, _WIDTHS, "LRRRL")


def _cells(line: QuoteLine, offer: Quote, formats: Formats) -> list[str]:
    return [
        line.item,
        formats.quantity(line.quantity, line.unit),
        formats.price(line.unit_price, offer.currency, line.unit),
        formats.money(line.amount, offer.currency),
        formats.prose(line.basis),
    ]


def _sums(paper: Paper, offer: Quote, formats: Formats) -> None:
    paper.heading("Sum")
    rows = [
        ["Materials", formats.money(offer.subtotal("material"), offer.currency)],
        ["Labour", formats.money(offer.subtotal("labour"), offer.currency)],
        ["Sum without tax", formats.money(offer.subtotal(), offer.currency)],
        [f"Tax {formats.number(offer.tax_percent, 1)} %", formats.money(offer.tax, offer.currency)],
    ]
    paper.rows(["", offer.currency], rows, (150, 40), "LR")
    paper.ln(1)
    paper.say(f"Total {formats.money(offer.total, offer.currency)}", 12, bold=True)
    unpriced = [line.item for line in offer.lines if line.amount is None and line.item != "reels of wire"]
    if unpriced:
        paper.say(f"Without a price in the price book, so not in the sum: {', '.join(unpriced)}.", 8.5)
