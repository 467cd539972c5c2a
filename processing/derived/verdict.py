"""The verdict on a parcel: one sentence with its reason, as codes and values."""

from __future__ import annotations

from collections import Counter
from typing import Any

from lawngis.mower import MowerProfile

from ..model.catalogue import Said, stored_values
from ..model.plan import FINDING_PARTS, Plan, Row
from .knowledge import SLOPE, Knowledge
from .mower_demands import able_mowers, mower_no
from .readiness import UNDECIDED, finding_codes, undecided

ALL_SHARE = 0.99
"""From this share of a lawn on, the rest is what every mower leaves: nobody asks for a reason."""

MOST = 0.8
"""With at least this share of what isn't mown one cause is the reason for the rest."""

NAMED_SHARE = 0.02
"""A cause is named when it takes at least this share of the lawn."""

TOO_MUCH = frozenset({"loop-too-long", "hours-missing"})
"""Codes of findings that a lawn is more than the mower can do."""


def verdict(plan: Plan, mower: MowerProfile, known: Knowledge, stops: int) -> list[Said]:
    """Return the verdict on a parcel as sentences, each a code with values.

    Parameters
    ----------
    plan
        With all that steps wrote, its findings closed.
    mower
        The mower that is planned with.
    known
        What the plan rests on.
    stops
        Findings that forbid laying the wire as planned.
    """
    zones = plan.rows("zones")
    lawn_m2 = sum(row["area_m2"] for row in plan.rows("lawn"))
    if undecided(plan):
        return [(UNDECIDED, {"lawn_m2": lawn_m2, **_values_of(plan, UNDECIDED)})]
    if not lawn_m2:
        return [("no-lawn", {})]
    if not zones or not plan.rows("wire_path"):
        return [_no_mower(plan, lawn_m2)]
    unmapped = list(known.taken)
    if finding_codes(plan) & TOO_MUCH:
        said = [_too_much(plan, mower), *([("upper-bound", {"unknown": unmapped})] if unmapped else [])]
    else:
        code, values = _serves(plan, lawn_m2)
        said = [("serves-at-most", {**values, "unknown": unmapped})] if unmapped else [(code, values)]
    if SLOPE in known.unknown:
        said.append(("slope-unknown", {}))
    if stops:
        said.append(("stops", {"stops": stops}))
    return said


def _no_mower(plan: Plan, lawn_m2: float) -> Said:
    if plan.rows("zones"):
        return "no-wire", {}
    steep = sum(row["area_m2"] for row in plan.select("keepouts", reason="steep"))
    return ("too-steep" if steep > lawn_m2 / 2 else "too-small"), {"lawn_m2": lawn_m2}


def _serves(plan: Plan, lawn_m2: float) -> Said:
    zones = plan.rows("zones")
    mown_m2 = sum(zone["area_m2"] for zone in zones)
    share = min(mown_m2 / lawn_m2, 1.0)
    detached = sum(zone["role"] == "detached" for zone in zones)
    also: list[Said] = [("detached-zones", {"zones": detached})] if detached else []
    if share < ALL_SHARE:
        also += _rest(plan, lawn_m2, lawn_m2 - mown_m2)
    mowers = len({mower_no(zone) for zone in zones})
    served = {"share_percent": 100 * share, "mown_m2": mown_m2, "zones": len(zones), "also": also}
    return "serves", served if mowers == 1 else {"case": "shared", **served, "mowers": mowers}


def _rest(plan: Plan, lawn_m2: float, rest_m2: float) -> list[Said]:
    """Return why the rest of a lawn isn't mown: its one cause, or what is worth naming."""
    areas: Counter[str] = Counter()
    for row in plan.rows("keepouts"):
        if row["treatment"] != "bump":
            areas[row["reason"]] += row["area_m2"]
    for row in plan.rows("hand_mow"):
        areas[row["reason"]] += row["area_m2"]
    named = [(cause, area) for cause, area in areas.most_common() if area >= NAMED_SHARE * lawn_m2]
    if named and named[0][1] >= MOST * rest_m2:
        return [("rest", {"cause": named[0][0]})]
    return [("rest-part", {"cause": cause, "area_m2": area}) for cause, area in named[:2]]


def _too_much(plan: Plan, mower: MowerProfile) -> Said:
    paths: list[Row] = plan.rows("wire_path")
    values: dict[str, Any] = {
        "mower": mower.title,
        "mown_m2": sum(zone["area_m2"] for zone in plan.rows("zones")),
        "wire_m": max(path["length_m"] for path in paths),
        "able": able_mowers(plan),
    }
    codes = finding_codes(plan)
    hours, loop = "hours-missing" in codes, "loop-too-long" in codes
    case = "both" if hours and loop else "hours" if hours else "loop"
    return "too-much", {**values, "case": case if values["able"] else f"{case}-none"}


def _values_of(plan: Plan, code: str) -> dict[str, Any]:
    return next((stored_values(row, FINDING_PARTS) for row in plan.select("findings", code=code)), {})
