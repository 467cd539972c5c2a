"""Step `materials`: what it takes, each quantity with the figures it is the sum of."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from pydantic import Field
from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook, billed, price_book_from

from ..derived.cable_routing import cable_crossings
from ..derived.decisions import LAWN
from ..derived.detached_supply import LeadCrossings, lead_crossings
from ..model.plan import Plan, Row, StepResult
from ..model.site import Site
from ..model.step import Parameters, Step


class MaterialsParameters(Parameters):
    """Where prices come from."""

    price_book: str | None = Field(default=None, description="TOML file with prices; an invented example when absent")


class _Item(NamedTuple):
    """A line of the list before it is priced."""

    item: str
    quantity: float
    unit: str
    basis: str
    price: float | None


def materials(site: Site, plan: Plan, mower: MowerProfile, parameters: MaterialsParameters) -> StepResult:
    """Return the list of materials of one parcel."""
    if not plan.rows("wire_path"):
        return StepResult({"materials": []})
    prices = price_book_from(parameters.price_book)
    basis = f"{mower.title}; its first dock comes with it"
    items = [
        _Item("mower with its dock", 1, "piece", basis, prices.mower_price(mower.name)),
        *_wire(plan, mower, prices),
        *_cuts(site, plan, prices),
        *_sources(plan, prices),
    ]
    rows = [_row(item, prices) for item in items]
    return StepResult({"materials": [row for row in rows if row["quantity"]]})


def _wire(plan: Plan, mower: MowerProfile, prices: PriceBook) -> Iterator[_Item]:
    paths, joins = plan.rows("wire_path"), plan.rows("joins")
    laid_m, slack_m = (sum(row[name] for row in paths) for name in ("length_m", "slack_m"))
    basis = f"{laid_m:.1f} m to be laid, and {100 * slack_m / laid_m:.0f} % in hand"
    yield _Item("boundary wire", laid_m + slack_m, "m", basis, prices.wire_per_m)
    reels = -int(-(laid_m + slack_m) // mower.wire_reel_m)
    yield _Item(
        "reels of wire", reels, "piece", f"reels of {mower.wire_reel_m:g} m for the wire above, in its price", None
    )
    apart = f"{mower.peg_spacing_straight_m:g} m of straight wire and every {mower.peg_spacing_bend_m:g} m in bends"
    yield _Item("pegs", len(plan.rows("pegs")), "piece", f"one at least every {apart}", prices.peg_each)
    basis = "where a loop of wire closes and where a reel ends"
    yield _Item("wire joints", len(joins), "piece", basis, prices.joint_each)


def _cuts(site: Site, plan: Plan, prices: PriceBook) -> Iterator[_Item]:
    """Yield a saw cut or duct for each place at which wire or cable goes through paving."""
    for where, crossed in _paving_crossed(site, plan):
        if crossed.saw_cut_m:
            yield _Item("saw cut", crossed.saw_cut_m, "m", f"{where}, where people walk", prices.saw_cut_per_m)
        if crossed.duct_m:
            yield _Item("duct", crossed.duct_m, "m", f"{where}, where cars drive", prices.duct_per_m)


def _paving_crossed(site: Site, plan: Plan) -> Iterator[tuple[str, LeadCrossings]]:
    """Yield paving that is gone through: by both wires of a lead in one cut, by each wire of a passage, by a cable."""
    for lead in plan.select("wire_runs", run_kind="lead_out"):
        if lead["island_id"] is None:
            yield "both wires of a lead through paving", lead_crossings(site, lead["geometry"])
    for link_id, wires in _passages_over_paving(plan).items():
        crossed = [lead_crossings(site, wire) for wire in wires]
        yield f"the wire through paving at {link_id}, there and back", sum(crossed, LeadCrossings({}))
    for route in plan.rows("supply_route"):
        for use, stretch in cable_crossings(site, route["geometry"]):
            yield f"the supply cable through a {use}", LeadCrossings({use: stretch.length})


def _passages_over_paving(plan: Plan) -> dict[str, list[BaseGeometry]]:
    """Return the wires of each passage over paving by which a zone is reached."""
    reached_by = {zone["reached_by"] for zone in plan.rows("zones")}
    links = {row["link_id"]: row for row in plan.rows("links") if row["link_id"] in reached_by}
    wires: dict[str, list[BaseGeometry]] = {name: [] for name, link in links.items() if link["surface"] != LAWN}
    for wire in plan.geometries("wire_runs", run_kind="passage"):
        nearest = min(links, key=lambda name: links[name]["geometry"].distance(wire), default="")
        if nearest in wires:
            wires[nearest].append(wire)
    return wires


def _sources(plan: Plan, prices: PriceBook) -> Iterator[_Item]:
    cable_m = sum(row["length_m"] for row in plan.rows("supply_route"))
    basis = "from the power supply to the dock, as drawn"
    yield _Item("supply cable", cable_m, "m", basis, prices.supply_cable_per_m)
    docks = len({zone["loop_id"] for zone in plan.select("zones", supply="own_dock")})
    basis = "for each further loop of wire with a dock of its own"
    yield _Item("further docks", max(docks - 1, 0), "piece", basis, prices.dock_each)
    sources = len({zone["loop_id"] for zone in plan.select("zones", supply="own_source")})
    basis = "for each loop of wire that has no dock"
    yield _Item("signal sources", sources, "piece", basis, prices.signal_source_each)


def _row(item: _Item, prices: PriceBook) -> Row:
    line = billed(item.quantity, item.unit, item.price, prices.currency)
    return {
        "item": item.item,
        "quantity": line.quantity,
        "unit": item.unit,
        "basis": item.basis,
        "unit_price": item.price,
        "amount": line.amount,
        "currency": prices.currency,
        "price_source": None if item.price is None else prices.source,
    }


STEP = Step(
    id="materials",
    title="Materials and their price",
    description=(
        "Counts mower, wire, pegs, joints, saw cuts, ducts, cable and sources from the layers of the plan, and prices "
        "them."
    ),
    reads=(
        "wire_path",
        "wire_runs",
        "pegs",
        "joins",
        "links",
        "supply_route",
        "zones",
        "site:parcels",
        "site:buildings",
        "site:hard_surfaces",
        "site:beds",
    ),
    writes=("materials",),
    compute=materials,
    parameters=MaterialsParameters,
)
