"""How ready a plan is to be carried out: rule 13 of the contract, and the reasons."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ..model.catalogue import Said
from ..model.decision_list import decisions_checked_by
from ..model.plan import Plan, Row
from .dock_choice import places_of_loop
from .knowledge import GROUND, SLOPE, Knowledge

UNDECIDED = "lawn-undecided"
"""Code of the finding that nobody can tell yet whether there is a lawn."""

PLACE_CHECK = "dock-must-have"
"""Check of a dock's place: where there is another place it moves the dock, and no more."""

PRICE_SHARE = 0.1
"""A check decides when it may move the price by more than this share (rule 13 of the contract)."""

OUT_OF_REACH = frozenset({"signal-reach", "out-of-signal"})
"""Codes of findings that the mower can't follow its signal everywhere."""

READS = (
    "lawn", "zones", "wire_path", "dock_candidates", "supply_route", "materials", "findings", "visit_checks",
)  # fmt: skip
"""What a step declares that asks for it, beside what :mod:`knowledge` reads."""


def undecided(plan: Plan) -> bool:
    """Return whether nobody can tell from the data whether there is a lawn at all."""
    return bool(plan.select("findings", code=UNDECIDED))


def finding_codes(plan: Plan) -> set[str]:
    """Return the codes of all findings on a plan."""
    return {row["code"] for row in plan.rows("findings")}


def readiness(plan: Plan, known: Knowledge) -> tuple[str, list[Said]]:
    """Return how ready a planned parcel is, and why.

    Parameters
    ----------
    plan
        With all that steps wrote, its findings and checks closed.
    known
        What it rests on.

    Returns
    -------
    readiness, reasons
        ``none`` when no mower makes sense, ``settle`` over a stop finding or where it is undecided whether there is a
        lawn, ``ready`` where nothing is left that may change the verdict, somebody's safety, or the price by more than
        a tenth, ``visit`` else. Each reason is a code with values.
    """
    stops = plan.select("findings", severity="stop")
    if undecided(plan):
        return "settle", [(UNDECIDED, {}), *_stop_reason(stops)]
    if not plan.rows("zones") or not plan.rows("wire_path"):
        return "none", [("no-mower", {})]
    if stops:
        return "settle", _stop_reason(stops)
    open_questions = [*_unknown(known), *_reach(plan), *_supply(plan), *_asked(plan)]
    return ("visit", open_questions) if open_questions else ("ready", [("ready", {})])


def ground_unsettled(reasons: Iterable[Said]) -> bool:
    """Return whether by the reasons of a readiness it is open what of the ground is lawn, or can be mown."""
    told = dict(reasons)
    unmapped = told.get("not-told", {}).get("unmapped", ())
    asked = told.get("checks", {}).get("codes", ())
    of_ground = any(decision.of_ground for code in asked for decision in decisions_checked_by(code))
    return of_ground or not (GROUND | {SLOPE}).isdisjoint(unmapped)


def _stop_reason(stops: Sequence[Row]) -> list[Said]:
    return [("stops", {"stops": len(stops), "codes": sorted({row["code"] for row in stops})})] if stops else []


def _unknown(known: Knowledge) -> list[Said]:
    return [("not-told", known.values(known.decisive))] if known.decisive else []


def _reach(plan: Plan) -> list[Said]:
    return [("signal", {})] if finding_codes(plan) & OUT_OF_REACH else []


def _supply(plan: Plan) -> list[Said]:
    """Say of a dock that it has no supply in reach, or one that was assumed."""
    routes = {row["candidate_id"]: row for row in plan.rows("supply_route")}
    reasons: list[Said] = []
    for dock in plan.select("dock_candidates", chosen=True):
        route = routes.get(dock["candidate_id"])
        if route is None or not route["within_limit"]:
            reasons.append(("no-supply", {"candidate_id": dock["candidate_id"]}))
        elif route["starts_at"] != "outlet":
            reasons.append(("supply-assumed", {"candidate_id": dock["candidate_id"]}))
    return reasons


def _asked(plan: Plan) -> list[Said]:
    told = {"what-is-there"}  # said by what is unknown
    whole = {
        "ground": sum(row["area_m2"] for row in plan.rows("lawn")),
        "wire": sum(row["length_m"] for row in plan.rows("wire_path")),
        "price": sum(row["amount"] or 0.0 for row in plan.rows("materials")),
    }
    asked = [row for row in plan.rows("visit_checks") if row["code"] not in told]
    deciding = [row for row in asked if _decides(row, plan, whole)]
    return (
        [("checks", {"checks": len(deciding), "codes": sorted({row["code"] for row in deciding})})] if deciding else []
    )


def _decides(check: Mapping[str, Any], plan: Plan, whole: Mapping[str, float]) -> bool:
    """Return whether a check may change the verdict, somebody's safety, or the price by more than a tenth.

    Whatever moves ground or wire by some share moves the price by no more: the mower is part of it.
    """
    decisions = decisions_checked_by(check["code"])
    if any(decision.by_rule for decision in decisions):
        return False
    if check["code"] == PLACE_CHECK:
        return not _stands_elsewhere(plan, check["target_id"])
    stakes = {decision.stake for decision in decisions}
    if check["at_stake"] is None or not stakes or not stakes <= whole.keys():
        return True
    return all(check["at_stake"] > PRICE_SHARE * whole[stake] for stake in stakes)


def _stands_elsewhere(plan: Plan, candidate_id: str) -> bool:
    """Return whether a dock could stand elsewhere on its loop as well."""
    docks = plan.rows("dock_candidates")
    places = [
        place
        for dock in plan.select("dock_candidates", candidate_id=candidate_id)
        for place in places_of_loop(plan.rows("zones"), docks, dock["zone_id"])
    ]
    return any(place["feasible"] and not place["chosen"] for place in places)
