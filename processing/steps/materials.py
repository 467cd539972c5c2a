"""Step `materials`: what it takes, each quantity with the figures it is the sum of."""

from __future__ import annotations

from pydantic import Field

from lawngis.mower import MowerProfile
from lawngis.prices import PriceBook, price_book_from

from ..derived.detached_supply import lead_crossings
from ..model.plan import Plan, Row, StepResult
from ..model.site import Site
from ..model.step import Parameters, Step


class MaterialsParameters(Parameters):
    """Where prices come from."""

    price_book: str | None = Field(default=None, description="TOML file with prices; an invented example when absent")


def materials(site: Site, plan: Plan, mower: MowerProfile, parameters: MaterialsParameters) -> StepResult:
    """Return the list of materials of one parcel."""
    prices = price_book_from(parameters.price_book)
    paths = plan.rows("wire_path")
    if not paths:
        return StepResult({"materials": []})
    laid = sum(row["length_m"] for row in paths)
    slack = sum(row["slack_m"] for row in paths)
    pegs = len(plan.rows("pegs"))
    joins = len(plan.rows("joins"))
    reels = -int(-(laid + slack) // mower.wire_reel_m)
    rows = [
        _row("boundary wire", laid + slack, "m", f"{laid:.1f} m laid + {slack:.1f} m slack", prices.wire_per_m),
        _row("reels of wire", reels, "piece", f"reels of {mower.wire_reel_m:g} m for the wire above", None),
        _row("pegs", pegs, "piece", "one per row of the layer pegs", prices.peg_each),
        _row("wire joints", joins, "piece", "one per row of the layer joins", prices.joint_each),
    ]
    rows += _cuts(site, plan, prices)
    rows += _sources(plan, prices)
    return StepResult({"materials": rows})


def _cuts(site: Site, plan: Plan, prices: PriceBook) -> list[Row]:
    """Return saw cuts and ducts where wire crosses paving: one for both wires of a lead, one for each in a passage."""
    leads = [run["geometry"] for run in plan.select("wire_runs", run_kind="lead_out") if run["island_id"] is None]
    passages = plan.geometries("wire_runs", run_kind="passage")
    crossed = [lead_crossings(site, line) for line in (*leads, *passages)]
    saw_cut, duct = sum(some.saw_cut_m for some in crossed), sum(some.duct_m for some in crossed)
    rows = []
    if saw_cut:
        basis = "the wire's leads and passages over paving that people walk on"
        rows.append(_row("saw cut", saw_cut, "m", basis, prices.saw_cut_per_m))
    if duct:
        basis = "the wire's leads and passages under paving that cars drive on"
        rows.append(_row("duct", duct, "m", basis, prices.duct_per_m))
    return rows


def _sources(plan: Plan, prices: PriceBook) -> list[Row]:
    rows = []
    cable = sum(row["length_m"] for row in plan.rows("supply_route"))
    if cable:
        rows.append(_row("supply cable", cable, "m", "lengths of the layer supply_route", prices.supply_cable_per_m))
    docks = len({zone["loop_id"] for zone in plan.select("zones", supply="own_dock")})
    if docks > 1:
        rows.append(_row("further docks", docks - 1, "piece", "loops with a dock of their own", prices.dock_each))
    sources = len({zone["loop_id"] for zone in plan.select("zones", supply="own_source")})
    if sources:
        basis = "loops with a signal source of their own"
        rows.append(_row("signal sources", sources, "piece", basis, prices.signal_source_each))
    return rows


def _row(item: str, quantity: float, unit: str, basis: str, price: float | None) -> Row:
    return {
        "item": item,
        "quantity": float(quantity),
        "unit": unit,
        "basis": basis,
        "unit_price": price,
        "amount": None if price is None else quantity * price,
    }


STEP = Step(
    id="materials",
    title="Materials and their price",
    description=(
        "Counts wire, pegs, joints, saw cuts, ducts, cable and sources from the layers of the plan, and prices them."
    ),
    reads=(
        "wire_path",
        "wire_runs",
        "pegs",
        "joins",
        "supply_route",
        "zones",
        "site:hard_surfaces",
        "site:beds",
    ),
    writes=("materials",),
    compute=materials,
    parameters=MaterialsParameters,
)
