"""The sample's quotes as the command line makes them: every printed line adds up, and none says more than is known."""

from __future__ import annotations

import csv
import re
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from types import SimpleNamespace

import pytest

from lawngis.processing.cli.main import main
from lawngis.processing.files import gpkg

from .test_documents import pdf_text
from .test_page import Collector

SAMPLE = Path(__file__).parents[3] / "sample_parcels"
CENT = Decimal("0.01")
QUOTED = [f"P{number:02}" for number in range(1, 12)]
"""Parcels for which a mower is planned; P12 is too steep."""

OFFERED = ["P01", "P02", "P04", "P05", "P06", "P09", "P10"]
"""Of them those without a stop, without unknown ground, and without a piece of ground that is still to be looked at."""


@pytest.fixture(scope="module")
def sample(sample_plan_folder, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sample")
    words = ["--only", "html,pdf,csv", "--starting", "2026-05-01"]
    assert main(["deliver", str(sample_plan_folder), "--out", str(folder / "docs"), *words]) == 0
    plan = sample_plan_folder / "plan.gpkg"
    printed = (sample_plan_folder.parent / "printed.txt").read_text(encoding="utf-8")
    tables = {name: gpkg.read_table(plan, name) for name in ("materials", "run_info")}
    return SimpleNamespace(
        folder=folder, plan=plan, docs=folder / "docs", printed=printed, **tables,
        summary=gpkg.read_layer(plan, "summary").set_index("parcel_id"),
        findings=gpkg.read_layer(plan, "findings"),
    )  # fmt: skip


def quote_rows(sample, parcel: str) -> list[dict[str, str]]:
    with (sample.docs / parcel / "quote.csv").open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def coins(value: Decimal) -> Decimal:
    return value.quantize(CENT, rounding=ROUND_HALF_UP)


@pytest.mark.parametrize("parcel", QUOTED)
def test_quantity_times_price_is_the_amount_and_lines_add_up(sample, parcel):
    rows = quote_rows(sample, parcel)
    priced = [row for row in rows if row["unit_price"] and row["kind"] != "option"]
    assert len(priced) > 8
    for row in priced:
        assert coins(Decimal(row["quantity"]) * Decimal(row["unit_price"])) == Decimal(row["amount"]), row
    (total,) = [Decimal(row["amount"]) for row in rows if row["item"] == "subtotal"]
    assert sum(Decimal(row["amount"]) for row in priced) == total
    materials = sum(Decimal(row["amount"]) for row in priced if row["kind"] == "material")
    assert materials == Decimal(str(sample.summary.loc[parcel, "amount"]))
    own = sample.materials[sample.materials["parcel_id"] == parcel]
    assert materials == sum(Decimal(str(amount)) for amount in own["amount"].dropna())


@pytest.mark.parametrize("parcel", QUOTED)
def test_what_a_page_prints_multiplies_to_what_it_prints(sample, parcel):
    """Euros in English: €1,600.00; a quantity may have its unit behind it."""
    text = (sample.docs / parcel / "page.html").read_text(encoding="utf-8")
    section = text[text.index('id="h-price"') : text.index("</table>", text.index('id="h-price"'))]
    amounts = []
    for row in re.findall(r"<tr>(.*?)</tr>", section, re.S):
        quantity, price, amount, *_ = [*re.findall(r"<td[^>]*>(.*?)</td>", row), "–", "–", "–"]
        if "€" in amount:
            figures = (Decimal(re.sub(r"[^\d.]", "", cell)) for cell in (quantity, price, amount))
            first, second, third = figures
            assert coins(first * second) == third, row
            amounts.append(third)
    total = re.search(r"Total without VAT</th>.*?€([\d,.]+)", section)
    assert sum(amounts) == Decimal(total[1].replace(",", ""))


def test_portfolio_terminal_and_plan_agree_to_the_cent_and_name_the_currency(sample):
    with (sample.plan.parent / "portfolio.csv").open(encoding="utf-8") as file:
        rows = {row["parcel_id"]: row for row in csv.DictReader(file)}
    for parcel in QUOTED:
        assert Decimal(rows[parcel]["amount"]) == Decimal(str(sample.summary.loc[parcel, "amount"]))
        assert rows[parcel]["currency"] == sample.summary.loc[parcel, "currency"] == "EUR"
    assert rows["P12"]["amount"] == rows["P12"]["currency"] == ""
    total = sum(Decimal(rows[parcel]["amount"]) for parcel in QUOTED)
    assert f"mowers and materials of these without VAT: EUR {total:.2f}" in sample.printed
    facts = dict(zip(sample.run_info["key"], sample.run_info["value"], strict=True))
    assert (facts["prices.currency"], facts["prices.example"]) == ("EUR", "True")
    assert "Price EUR without VAT" in (sample.docs / "index.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("parcel", QUOTED)
def test_heads_say_whose_prices_they_are_and_what_the_plan_allows(sample, parcel):
    page = re.sub(r"\s+", " ", (sample.docs / parcel / "page.html").read_text(encoding="utf-8"))
    for text in (pdf_text(sample.docs / parcel / "quote.pdf"), page):
        assert "Example prices" in text and "has no date of validity" in text and "valid until" not in text.lower()
        assert ("For planning only" in text) == (parcel not in OFFERED)
    documents = {row["document"] for row in quote_rows(sample, parcel)}
    assert documents == {"Quote on example prices" if parcel in OFFERED else "Estimate for planning only"}


def test_an_estimate_names_what_forbids_the_wire(sample):
    text = pdf_text(sample.docs / "P03" / "quote.pdf")
    assert "one finding forbids laying the wire as planned" in text
    stops = sample.findings[(sample.findings["parcel_id"] == "P03") & (sample.findings["severity"] == "stop")]
    assert set(stops["code"]) == {"dock-not-feasible"}
    assert all(f"to be settled: {stop}" in text for stop in stops["text"])


def test_a_parcel_without_a_mower_has_no_quote(sample):
    assert not list((sample.docs / "P12").glob("quote.*"))
    elements = Collector((sample.docs / "P12" / "page.html").read_text(encoding="utf-8")).elements
    assert not [attributes for _, attributes in elements if attributes.get("id") == "h-price"]


def test_paving_is_cut_and_billed_where_a_finding_asks_for_it_and_nowhere_else(sample):
    """P07's wire crosses a path, P03's cable a drive; P04's and P11's wire crosses lawn."""
    asked = sample.findings[
        (sample.findings["severity"] == "caution") & sample.findings["code"].isin(["wire-crosses", "supply-crosses"])
    ]
    assert sorted(asked["parcel_id"]) == ["P03", "P07"]
    for parcel in QUOTED:
        items = {row["item"] for row in quote_rows(sample, parcel)}
        assert items & {"saw cut", "duct"} == {"P03": {"duct"}, "P07": {"saw cut"}}.get(parcel, set())
        assert ("crossings of paving" in items) == (parcel in ("P03", "P07"))


def test_a_quote_on_ones_own_books_is_an_offer_with_a_date_and_a_letterhead(sample, tmp_path):
    """The examples with their first words taken out stand for somebody's own books."""
    books = {}
    for name in ("prices", "labour"):
        books[name] = tmp_path / f"{name}.toml"
        text = (Path(__file__).parents[3] / "lawngis" / f"{name}_example.toml").read_text(encoding="utf-8")
        books[name].write_text(re.sub(r"(?m)^example = .*$", "", text))
    details = tmp_path / "details.toml"
    details.write_text('number = "7"\nvat_percent = 20\n[firm]\nname = "Green"\n[parcels.P01]\nnumber = "8"\n')
    command = ["deliver", str(sample.plan), "--out", str(tmp_path / "docs"), "--only", "pdf,csv", "--parcel", "P01"]
    command += ["--parcel", "P11", "--starting", "2026-05-01", "--quote-details", str(details)]
    assert main([*command, "--prices", str(books["prices"]), "--labour", str(books["labour"])]) == 0
    offer, estimate = (pdf_text(tmp_path / "docs" / parcel / "quote.pdf") for parcel in ("P01", "P11"))
    for words in ("Green", "Number 8", "Issued 1 May 2026, valid until 31 May 2026", "VAT 20.0 %", "Total with VAT"):
        assert words in offer
    assert "Example" not in offer
    assert "Number 7" in estimate and "For planning only" in estimate and "valid until" not in estimate


def test_a_wrong_key_in_the_details_ends_the_command(sample, tmp_path, capsys):
    details = tmp_path / "details.toml"
    details.write_text('[firm]\nstreets = "Lane 1"\n')
    command = ["deliver", str(sample.plan), "--out", str(tmp_path / "docs"), "--quote-details", str(details)]
    assert main(command) == 2
    said = capsys.readouterr().err
    for words in ("details.toml", "unknown key firm.streets", "known there are name, address, contact, vat_number"):
        assert words in said
    assert not (tmp_path / "docs").exists()
