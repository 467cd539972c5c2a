"""Step `materials`: what it takes, each quantity with the figures it is the sum of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook, billed, price_book_from

from ..derived.cable_routing import cable_crossings
from ..derived.decisions import LAWN
from ..derived.detached_supply import LeadCrossings, lead_crossings
from ..derived.ground_doubt import READS as DOUBT_READS
from ..derived.ground_doubt import doubts
from ..derived.mower_demands import mower_no
from ..derived.outline_spread import ways_doubt
from ..derived.plan_cost import work_places
from ..derived.price_parameters import PriceParameters
from ..derived.spread import Doubt, item_sd
from ..model.catalogue import Said, Values
from ..model.plan import Plan, Row, StepResult
from ..model.site import Site
from ..model.step import Step


class MaterialsParameters(PriceParameters):
    """Where prices come from."""


Layers = Mapping[str, Sequence[Row]]


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
    doubted = doubts(site, plan, mower, prices)
    shares = _shares(plan)
    rows: list[Row] = []
    for number, own in shares.items():
        for item in _items(site, own, mower, prices):
            told = item._replace(basis=("of-mower", {"mower_no": number, "basis": item.basis}))
            row = _row(item if len(shares) == 1 else told, prices, plan, doubted, ways_doubt(site))
            rows.append({"mower_no": number, **row})
    return StepResult({"materials": [row for row in rows if row["quantity"]]})


def _shares(plan: Plan) -> dict[int, Layers]:
    """Return what a plan has for each of its mowers, by layer."""
    numbers = sorted({mower_no(zone) for zone in plan.rows("zones")})
    if len(numbers) > 1:
        return {number: _share(plan, number) for number in numbers}
    layers = ("zones", "links", "supply_route", "wire_path", "wire_runs", "pegs", "joins")
    return {number: {layer: plan.rows(layer) for layer in layers} for number in numbers or [1]}


def _share(plan: Plan, number: int) -> Layers:
    zones = [zone for zone in plan.rows("zones") if mower_no(zone) == number]
    loops, names = {zone["loop_id"] for zone in zones}, {zone["zone_id"] for zone in zones}
    docks = {dock["candidate_id"] for dock in plan.rows("dock_candidates") if dock["zone_id"] in names}
    of_loops = ("wire_path", "wire_runs", "pegs", "joins")
    return {
        "zones": zones,
        "links": plan.rows("links"),
        "supply_route": [route for route in plan.rows("supply_route") if route["candidate_id"] in docks],
        **{layer: [row for row in plan.rows(layer) if row["loop_id"] in loops] for layer in of_loops},
    }


def _items(site: Site, own: Layers, mower: MowerProfile, prices: PriceBook) -> Iterator[_Item]:
    if own["wire_path"]:
        basis = ("mower-bought", {"mower": mower.title})
        yield _Item("mower with its dock", 1, "piece", basis, prices.mower_price(mower.name))
        yield from _wire(own, mower, prices)
    yield from _cuts(site, own, prices)
    yield from _sources(own, prices)


def _wire(own: Layers, mower: MowerProfile, prices: PriceBook) -> Iterator[_Item]:
    paths = own["wire_path"]
    laid_m, slack_m = (sum(row[name] for row in paths) for name in ("length_m", "slack_m"))
    wire: Said = ("wire-bought", {"laid_m": laid_m, "slack_percent": 100 * slack_m / laid_m})
    yield _Item("boundary wire", laid_m + slack_m, "m", wire, prices.wire_per_m)
    reels: Said = ("reels-bought", {"reel_m": mower.wire_reel_m})
    yield _Item("reels of wire", -int(-(laid_m + slack_m) // mower.wire_reel_m), "piece", reels, None)
    spacing = {
        "straight_m": mower.peg_spacing_straight_m,
        "bend_m": mower.peg_spacing_bend_m,
        "first": sum(peg.get("stage") == "first" for peg in own["pegs"]),
    }
    yield _Item("pegs", len(own["pegs"]), "piece", ("pegs-bought", spacing), prices.peg_each)
    yield _Item("wire joints", len(own["joins"]), "piece", ("joints-bought", {}), prices.joint_each)


def _cuts(site: Site, own: Layers, prices: PriceBook) -> Iterator[_Item]:
    """Yield a saw cut or duct for each place at which wire or cable goes through paving."""
    for where, crossed in _paving_crossed(site, own):
        ways = (("saw cut", crossed.saw_cut_m, prices.saw_cut_per_m), ("duct", crossed.duct_m, prices.duct_per_m))
        for item, length_m, price in ways:
            yield _Item(item, length_m, "m", ("paving-cut", {**where, "item": item}), price)


def _paving_crossed(site: Site, own: Layers) -> Iterator[tuple[Values, LeadCrossings]]:
    """Yield paving that is gone through: by both wires of a lead in one cut, by each wire of a passage, by a cable.

    Wires of a passage that go through it at places of work of their own are told one by one.
    """
    for lead in own["wire_runs"]:
        if lead["run_kind"] == "lead_out" and lead["island_id"] is None:
            yield {"case": "lead"}, lead_crossings(site, lead["geometry"])
    for link_id, wires in _passages_over_paving(own).items():
        for place in work_places(wires):
            crossed = [lead_crossings(site, wires[number]) for number in place]
            yield {"case": "passage", "link_id": link_id}, sum(crossed, LeadCrossings({}))
    for route in own["supply_route"]:
        for use, stretch in cable_crossings(site, route["geometry"]):
            yield {"case": "cable"}, LeadCrossings({use: stretch.length})


def _passages_over_paving(own: Layers) -> dict[str, list[BaseGeometry]]:
    """Return the wires of each passage over paving by which a zone is reached."""
    reached_by = {zone["reached_by"] for zone in own["zones"]}
    links = {row["link_id"]: row for row in own["links"] if row["link_id"] in reached_by}
    wires: dict[str, list[BaseGeometry]] = {name: [] for name, link in links.items() if link["surface"] != LAWN}
    for wire in [run["geometry"] for run in own["wire_runs"] if run["run_kind"] == "passage"]:
        nearest = min(links, key=lambda name: links[name]["geometry"].distance(wire), default="")
        if nearest in wires:
            wires[nearest].append(wire)
    return wires


def _sources(own: Layers, prices: PriceBook) -> Iterator[_Item]:
    cable_m = sum(row["length_m"] for row in own["supply_route"])
    yield _Item("supply cable", cable_m, "m", ("cable-bought", {}), prices.supply_cable_per_m)
    docks, sources = (
        len({zone["loop_id"] for zone in own["zones"] if zone["supply"] == supply})
        for supply in ("own_dock", "own_source")
    )
    yield _Item("further docks", max(docks - 1, 0), "piece", ("docks-bought", {}), prices.dock_each)
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
        "site:parcels",
        "site:buildings",
        "site:beds",
    ),
    writes=("materials",),
    compute=materials,
    parameters=MaterialsParameters,
)
