"""The quote on paper."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from .formats import Formats
from .paper import MARGIN_MM, Paper
from .quote import Quote, QuoteLine
from .reading import ParcelPlan
from .texts import worded

_WIDTHS = (50, 20, 26, 28, 66)


def offer_paper(plan: ParcelPlan, offer: Quote, formats: Formats, written_at: datetime) -> bytes:
    """Return a quote as PDF: who to whom, materials, labour, VAT, options, what it rests on and leaves out.

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
    paper = Paper(plan, offer.title, formats, written_at)
    paper.add_page()
    _letterhead(paper, offer)
    paper.head(formats.prose(plan.summary.get("verdict_text")) or worded(plan.summary["status"]))
    for sentence in offer.head:
        paper.say(formats.prose(sentence), 10, bold=True)
    paper.say(dates(offer, formats), 9)
    for kind, title in (("material", "Mower and materials"), ("labour", "Labour")):
        lines = [line for line in offer.lines if line.kind == kind]
        if lines:
            paper.heading(title)
            _table(paper, lines, offer, formats)
    _sums(paper, offer, formats)
    if offer.options:
        paper.heading("Options, as the difference to the above, without VAT")
        _table(paper, offer.options, offer, formats)
    for title, sentences in (
        ("To be settled and measured before this holds", offer.rests_on),
        ("Assumptions", offer.assumptions),
        ("Not included", offer.exclusions),
    ):
        if sentences:
            paper.heading(title)
            for sentence in sentences:
                paper.say(f"• {formats.prose(sentence)}", 8.5)
    paper.standing_parts()
    return bytes(paper.output())


def dates(offer: Quote, formats: Formats) -> str:
    """Return when a quote was issued and until when it holds, in a sentence."""
    if offer.valid_until is None:
        return f"Drawn up {formats.day(offer.issued)}. It is no offer, so it has no date of validity."
    return f"Issued {formats.day(offer.issued)}, valid until {formats.day(offer.valid_until)}."


def _letterhead(paper: Paper, offer: Quote) -> None:
    """Write firm, customer and number, as far as they are known."""
    details = offer.details
    for lines, bold in ((details.firm.lines, True), (details.customer.lines, False)):
        for number, line in enumerate(lines):
            paper.say(line, 9, bold=bold and number == 0)
        if lines:
            paper.ln(3)
    if details.number:
        paper.say(f"Number {details.number}", 10, bold=True)
        paper.ln(1)
    paper.set_x(MARGIN_MM)


def _table(paper: Paper, lines: Sequence[QuoteLine], offer: Quote, formats: Formats) -> None:
    rows = [_cells(line, offer, formats) for line in lines]
    paper.rows(["Item", "Quantity", "Price", f"Amount, {offer.currency}", "Basis"], rows, _WIDTHS, "LRRRL")


def _cells(line: QuoteLine, offer: Quote, formats: Formats) -> list[str]:
    return [
        line.item,
        formats.billed(line.quantity, line.unit),
        formats.price(line.unit_price, offer.currency, line.unit),
        formats.money(line.amount, offer.currency),
        formats.prose(line.basis),
    ]


def _sums(paper: Paper, offer: Quote, formats: Formats) -> None:
    paper.heading("Sum")
    rows = [
        ["Mower and materials", formats.money(offer.subtotal("material"), offer.currency)],
        ["Labour", formats.money(offer.subtotal("labour"), offer.currency)],
    ]
    if offer.vat is not None:
        rows.append(["Sum without VAT", formats.money(offer.subtotal(), offer.currency)])
        rows.append([f"VAT {formats.number(offer.vat_percent, 1)} %", formats.money(offer.vat, offer.currency)])
    paper.rows(["", offer.currency], rows, (150, 40), "LR")
    paper.ln(1)
    paper.say(f"Total {offer.total_of} {formats.money(offer.total, offer.currency)}", 12, bold=True)
    if offer.unpriced:
        paper.say(f"Without a price in the price book, so not in the sum: {', '.join(offer.unpriced)}.", 8.5)
