"""Step `materials`: what it takes, each quantity with the figures it is the sum of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook, billed, price_book_from

from ..derived.cable_routing import cable_crossings
from ..derived.decisions import LAWN
from ..derived.detached_supply import LeadCrossings, lead_crossings
from ..derived.ground_doubt import READS as DOUBT_READS
from ..derived.ground_doubt import doubts
from ..derived.outline_spread import ways_doubt
from ..derived.price_parameters import PriceParameters
from ..derived.spread import Doubt, item_sd
from ..model.catalogue import Said, Values
from ..model.plan import Plan, Row, StepResult
from ..model.site import VECTOR_ACCURACY, Site
from ..model.step import Step


class MaterialsParameters(PriceParameters):
    """Where prices come from."""


class _Item(NamedTuple):
    """A line of the list before it is priced."""

    item: str
    quantity: float
    unit: str
    basis: Said
    price: float | None


def materials(site: Site, plan: Plan, mower: MowerProfile, parameters: MaterialsParameters) -> StepResult:
    """Return the list of materials of one parcel."""
    if not plan.rows("wire_path"):
        return StepResult({"materials": []})
    prices = price_book_from(parameters.price_book)
    basis = ("mower-bought", {"mower": mower.title})
    items = [
        _Item("mower with its dock", 1, "piece", basis, prices.mower_price(mower.name)),
        *_wire(plan, mower, prices),
        *_cuts(site, plan, prices),
        *_sources(plan, prices),
    ]
    doubted = doubts(plan, mower, prices)
    rows = [_row(item, prices, plan, doubted, ways_doubt(site)) for item in items]
    return StepResult({"materials": [row for row in rows if row["quantity"]]})


def _wire(plan: Plan, mower: MowerProfile, prices: PriceBook) -> Iterator[_Item]:
    paths = plan.rows("wire_path")
    laid_m, slack_m = (sum(row[name] for row in paths) for name in ("length_m", "slack_m"))
    wire: Said = ("wire-bought", {"laid_m": laid_m, "slack_percent": 100 * slack_m / laid_m})
    yield _Item("boundary wire", laid_m + slack_m, "m", wire, prices.wire_per_m)
    reels: Said = ("reels-bought", {"reel_m": mower.wire_reel_m})
    yield _Item("reels of wire", -int(-(laid_m + slack_m) // mower.wire_reel_m), "piece", reels, None)
    spacing = {
        "straight_m": mower.peg_spacing_straight_m,
        "bend_m": mower.peg_spacing_bend_m,
        "first": len(plan.select("pegs", stage="first")),
    }
    yield _Item("pegs", len(plan.rows("pegs")), "piece", ("pegs-bought", spacing), prices.peg_each)
    yield _Item("wire joints", len(plan.rows("joins")), "piece", ("joints-bought", {}), prices.joint_each)


def _cuts(site: Site, plan: Plan, prices: PriceBook) -> Iterator[_Item]:
    """Yield a saw cut or duct for each place at which wire or cable goes through paving."""
    for where, crossed in _paving_crossed(site, plan):
        ways = (("saw cut", crossed.saw_cut_m, prices.saw_cut_per_m), ("duct", crossed.duct_m, prices.duct_per_m))
        for item, length_m, price in ways:
            yield _Item(item, length_m, "m", ("paving-cut", {**where, "item": item}), price)


def _paving_crossed(site: Site, plan: Plan) -> Iterator[tuple[Values, LeadCrossings]]:
    """Yield paving that is gone through: by both wires of a lead in one cut, by each wire of a passage, by a cable."""
    for lead in plan.select("wire_runs", run_kind="lead_out"):
        if lead["island_id"] is None:
            yield {"case": "lead"}, lead_crossings(site, lead["geometry"])
    for link_id, wires in _passages_over_paving(plan).items():
        crossed = [lead_crossings(site, wire) for wire in wires]
        yield {"case": "passage", "link_id": link_id}, sum(crossed, LeadCrossings({}))
    for route in plan.rows("supply_route"):
        for use, stretch in cable_crossings(site, route["geometry"]):
            yield {"case": "cable"}, LeadCrossings({use: stretch.length})


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
    yield _Item("supply cable", cable_m, "m", ("cable-bought", {}), prices.supply_cable_per_m)
    docks = len({zone["loop_id"] for zone in plan.select("zones", supply="own_dock")})
    yield _Item("further docks", max(docks - 1, 0), "piece", ("docks-bought", {}), prices.dock_each)
    sources = len({zone["loop_id"] for zone in plan.select("zones", supply="own_source")})
    yield _Item("signal sources", sources, "piece", ("sources-bought", {}), prices.signal_source_each)


def _row(item: _Item, prices: PriceBook, plan: Plan, doubted: Sequence[Doubt], ways: float) -> Row:
    line = billed(item.quantity, item.unit, item.price, prices.currency)
    code, values = item.basis
    quantity_sd = item_sd(item.item, item.quantity, plan.rows("wire_path"), doubted, ways=ways)
    return {
        "item": item.item,
        "quantity": line.quantity,
        "unit": item.unit,
        "basis": plan.catalogue.said("part", code, "text", values),
        "unit_price": item.price,
        "amount": line.amount,
        "amount_sd": None if item.price is None else quantity_sd * item.price,
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
        *DOUBT_READS,
        *VECTOR_ACCURACY,
        "site:parcels",
        "site:buildings",
        "site:hard_surfaces",
        "site:beds",
    ),
    writes=("materials",),
    compute=materials,
    parameters=MaterialsParameters,
)
