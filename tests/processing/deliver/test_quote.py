"""Quotes: offer or estimate, on whose prices, from whom to whom, and every printed line adding up."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import pytest

from lawngis.errors import ParameterError
from lawngis.labour import labour_book_from
from lawngis.prices import price_book_from
from lawngis.processing.deliver.formats import Formats
from lawngis.processing.deliver.offer import offer_paper
from lawngis.processing.deliver.quote import books, estimate_because, quote
from lawngis.processing.deliver.quote_details import quote_details_from
from lawngis.processing.derived.knowledge import Knowledge

from .test_documents import pdf_text

DAY = date(2026, 5, 1)
OWN_PRICES = price_book_from().model_copy(update={"example": False})
OWN_LABOUR = labour_book_from().model_copy(update={"example": False, "tax_percent": 19.0, "valid_days": 10})


def changed(plan, **layers):
    """A parcel with other rows in some layers; of its summary some columns."""
    columns = layers.pop("summary", {})
    rows = {**plan.rows, **layers, "summary": [{**plan.summary, **columns}]}
    return replace(plan, rows=rows)


def own_quote(plan, **more):
    return quote(plan, OWN_PRICES, OWN_LABOUR, DAY, reprice=True, **more)


# --- offer or estimate ------------------------------------------------------------------------------------


def reasons(*said):
    return json.dumps(said)


def not_told(*topics):
    """What the summary says of topics that nothing maps, as it makes it itself."""
    known = Knowledge("boundary", topics, topics)
    return reasons(["not-told", known.values(known.decisive)])


@pytest.mark.parametrize(
    ("summary", "offered"),
    [
        ({"readiness": "ready"}, True),
        ({"readiness": "visit", "readiness_values": reasons(["checks", {"codes": ["supply-point"]}])}, True),
        ({"readiness": "visit", "readiness_values": reasons(["checks", {"codes": ["under-crowns"]}])}, False),
        ({"readiness": "visit", "readiness_values": reasons(["checks", {"codes": ["ground-slope"]}])}, False),
        ({"readiness": "visit", "readiness_values": not_told("outlets")}, True),
        ({"readiness": "visit", "readiness_values": not_told("outlets", "paving")}, False),
        ({"readiness": "settle"}, False),
        ({"readiness": "none", "status": "not_suitable"}, False),
        ({"readiness": "failed", "status": "failed"}, False),
        ({"readiness": None}, True),
        ({"readiness": None, "stop_findings": 2}, False),
    ],
)
def test_only_a_plan_that_can_be_carried_out_on_settled_ground_is_an_offer(delivered, summary, offered):
    plan = changed(delivered.parcels["P1"], summary={"readiness_why": None, **summary})
    assert (estimate_because(plan.summary) == "") == offered
    made = own_quote(plan)
    assert (made.title == "Quote") == offered
    assert made.valid_until == (date(2026, 5, 11) if offered else None)
    assert any("For planning only" in line for line in made.head) != offered


def test_an_estimate_says_why_and_what_is_to_be_settled(delivered):
    stop = {"severity": "stop", "text": "P1-L1 takes 747 m of wire"}
    why = "one finding forbids laying the wire as planned"
    plan = changed(
        delivered.parcels["P1"],
        summary={"readiness": "settle", "readiness_why": why, "unknowns": "paving"},
        findings=[stop],
    )
    made = own_quote(plan)
    assert made.head == [f"For planning only, this is no offer: {why}."]
    assert made.rests_on[0] == "to be settled: P1-L1 takes 747 m of wire"
    assert made.rests_on[1].startswith("width of the passage: decides")
    assert made.rests_on[-1] == "what no map tells of this parcel: paving"


# --- on whose prices --------------------------------------------------------------------------------------


def test_example_prices_stand_in_the_head_and_never_hold(delivered):
    plan = delivered.parcels["P1"]
    made = quote(plan, price_book_from(), labour_book_from(), DAY)
    assert (made.title, made.valid_until) == ("Quote on example prices", None)
    assert made.head == ["Example prices, which are invented and nobody's offer: materials, labour."]
    assert quote(plan, OWN_PRICES, labour_book_from(), DAY, reprice=True).examples == ["labour"]
    assert quote(plan, OWN_PRICES, OWN_LABOUR, DAY).examples == ["materials"]  # the plan's own rows are the example's
    assert own_quote(plan).head == []


def test_a_price_book_that_is_gone_is_not_replaced_by_the_example(tmp_path, delivered):
    prices, labour = books({"step materials.price_book": str(tmp_path / "gone.toml")}, None, None)
    assert prices is None
    made = quote(delivered.parcels["P1"], prices, labour, DAY)
    assert made.currency == "EUR" and not made.options


def test_without_a_rate_nothing_is_said_with_vat(delivered, tmp_path):
    plan = delivered.parcels["P1"]
    unknown = quote(plan, OWN_PRICES, OWN_LABOUR.model_copy(update={"tax_percent": None}), DAY)
    assert (unknown.vat, unknown.total_of) == (None, "without VAT")
    assert unknown.total == unknown.subtotal()
    of_book = own_quote(plan)
    assert of_book.total == pytest.approx(of_book.subtotal() + of_book.vat, abs=1e-9)
    file = tmp_path / "details.toml"
    file.write_text("vat_percent = 7.7\n")
    of_file = own_quote(plan, details=quote_details_from(file))
    assert (of_file.vat_percent, of_file.total_of) == (7.7, "with VAT")
    assert of_file.vat == pytest.approx(0.077 * of_file.subtotal(), abs=0.005)


def test_another_price_book_prices_everything_or_nothing(delivered):
    """What the book doesn't know has no price: none in another currency is left over."""
    own = {"parcel_id": "P1", "quantity": 1.0, "basis": "", "unit": "piece", "currency": "EUR", "price_source": "own"}
    rows = [
        *delivered.parcels["P1"].rows["materials"],
        {**own, "item": "saw cut", "unit": "m", "unit_price": 1.0, "amount": 1.0},
        {**own, "item": "garden gnome", "unit_price": 1.0, "amount": 1.0},
        {**own, "item": "mower with its dock", "unit_price": None, "amount": None},
    ]
    plan = changed(delivered.parcels["P1"], materials=rows)
    prices = OWN_PRICES.model_copy(update={"currency": "CHF", "wire_per_m": 2.0})
    made = quote(plan, prices, OWN_LABOUR, DAY, reprice=True)
    assert [(line.item, line.unit_price) for line in made.lines if line.kind == "material"] == [
        ("boundary wire", 2.0), ("saw cut", 15.0), ("garden gnome", None), ("mower with its dock", None)
    ]  # fmt: skip
    assert (made.currency, made.unpriced) == ("CHF", ["garden gnome", "mower with its dock"])
    assert "The mower and its first dock are not in the sum." in made.assumptions


# --- lines ------------------------------------------------------------------------------------------------


def test_only_paving_is_billed_as_paving(delivered):
    crosses = {"severity": "info", "code": "wire-crosses", "text": "the wire crosses lawn at P1-P1, both ways"}
    plan = changed(delivered.parcels["P1"], findings=[crosses])
    assert not [line for line in own_quote(plan).lines if line.item == "crossings of paving"]
    own = {"parcel_id": "P1", "unit": "m", "basis": "", "quantity": 2.1, "unit_price": 15.0, "amount": 31.5}
    rows = [*plan.rows["materials"], *({**own, "item": item, "currency": "EUR"} for item in ("saw cut", "duct"))]
    (line,) = [line for line in own_quote(changed(plan, materials=rows)).lines if line.item == "crossings of paving"]
    assert line.quantity == 1.67  # twice 50 minutes


def test_in_feet_a_line_is_billed_by_the_foot(delivered):
    """100 m are 328.1 ft, 0.45 a metre is 0.1372 a foot (international foot, 0.3048 m)."""
    made = quote(delivered.parcels["P1"], OWN_PRICES, OWN_LABOUR, DAY, units="feet")
    wire = made.lines[0]
    assert (wire.quantity, wire.unit, wire.unit_price, wire.amount) == (328.1, "ft", 0.1372, 45.02)
    feet = Formats("en_US", "feet")
    assert (feet.billed(wire.quantity, "ft"), feet.price(wire.unit_price, "USD", "ft")) == ("328.1 ft", "$0.1372/ft")


@pytest.mark.parametrize(
    ("locale", "currency", "money", "price"),
    [
        ("en_GB", "EUR", "€1,234.50", "€0.455/m"),
        ("de_DE", "EUR", "1.234,50\u00a0€", "0,455\u00a0€/m"),
        ("ja_JP", "JPY", "￥1,235", "￥0.455/m"),
        ("en_IN", "INR", "₹1,234.50", "₹0.455/m"),
        ("de_CH", "CHF", "CHF\u00a01'234.50", "CHF\u00a00.455/m"),
        ("en_GB", "KWD", "KWD1,234.500", "KWD0.455/m"),
    ],
)
def test_money_has_the_currencys_digits_and_a_price_all_of_its_own(locale, currency, money, price):
    formats = Formats(locale)
    assert (formats.money(1234.5, currency), formats.price(0.455, currency, "m")) == (money, price)


# --- from whom to whom ------------------------------------------------------------------------------------

DETAILS = """
number = "2026-117"
vat_percent = 19

[firm]
name = "Green & Sons"
address = ["Lane 1", "12345 Town"]
contact = ["01234 567"]
vat_number = "XX123456789"

[customer]
name = "Housing association"

[parcels."../P2"]
number = "2026-118"
customer = { name = "M. Miller", address = ["Field 2"] }
"""


@pytest.fixture
def details_file(tmp_path):
    path = tmp_path / "details.toml"
    path.write_text(DETAILS)
    return path


def test_details_of_a_parcel_win_over_those_of_all(delivered, details_file):
    details = quote_details_from(details_file, list(delivered.parcels))
    assert details.of_parcel("P1").customer.lines == ["Housing association"]
    own = details.of_parcel("../P2")
    assert (own.number, own.customer.lines, own.vat_percent) == ("2026-118", ["M. Miller", "Field 2"], 19)
    assert own.firm.lines == ["Green & Sons", "Lane 1", "12345 Town", "01234 567", "VAT number XX123456789"]


def test_the_letterhead_has_what_is_known_and_nothing_else(delivered, details_file, tmp_path):
    def printed(details):
        made = own_quote(delivered.parcels["P1"], details=details)
        path = tmp_path / "quote.pdf"
        path.write_bytes(offer_paper(delivered.parcels["P1"], made, Formats(), delivered.wishes.written_at))
        return pdf_text(path)

    full = printed(quote_details_from(details_file, list(delivered.parcels)))
    for words in ("Green & Sons", "12345 Town", "VAT number XX123456789", "Housing association", "Number 2026-117"):
        assert words in full
    assert "VAT 19.0 %" in full and "Total with VAT" in full
    bare = printed(quote_details_from(None))
    for words in ("Number", "VAT number", "Green"):
        assert words not in bare


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("vat_number", "vat_nr", ["unknown key firm.vat_nr", "known there are name, address, contact, vat_number"]),
        ("vat_percent = 19", 'vat_percent = "19"', ["vat_percent = '19'", "Correct vat_percent"]),
        ("vat_percent = 19", "vat_percent = 190", ["vat_percent = 190"]),
        ('["Lane 1", "12345 Town"]', '"Lane 1"', ["firm.address = 'Lane 1'", "Correct firm.address"]),
        ('number = "2026-117"', "number = 2026", ["number = 2026", "Correct number"]),
        ("../P2", "P9", ["parcels.P9", "no parcel of that name", "There are P1"]),
        ('customer = {', 'client = {', ["unknown key parcels.../P2.client", "known there are number, customer"]),
        ("[firm]", "[firm", ["can't be read", "Name a file of quote details in TOML"]),
    ],
)  # fmt: skip
def test_what_is_wrong_in_the_details_is_said(delivered, details_file, old, new, words):
    assert old in DETAILS
    details_file.write_text(DETAILS.replace(old, new))
    with pytest.raises(ParameterError, match=r"details\.toml") as raised:
        quote_details_from(details_file, list(delivered.parcels))
    for word in words:
        assert word in str(raised.value)
