"""Step `summary`: the verdict on a parcel, and the figures that decide."""

from __future__ import annotations

from shapely import MultiPolygon

from lawngis.geometry.polygons import polygon_parts
from lawngis.mower import MowerProfile
from lawngis.prices import amounts_total

from ..model.plan import Plan, Row, StepResult
from ..model.site import Site
from ..model.step import Parameters, Step


def summary(site: Site, plan: Plan, mower: MowerProfile, parameters: Parameters) -> StepResult:
    """Return the parcel's row."""
    del mower, parameters
    zones = plan.rows("zones")
    paths = plan.rows("wire_path")
    chosen = plan.select("dock_candidates", chosen=True)
    home = [row["candidate_id"] for row in chosen if row["zone_id"] in {zone["zone_id"] for zone in _homes(zones)}]
    stops = sum(row["severity"] == "stop" for row in plan.rows("findings"))
    priced = [row for row in plan.rows("materials") if row["amount"] is not None]
    currency = priced[0]["currency"] if priced else None
    row = {
        "label": site.label or None,
        "status": "planned" if zones and paths else "not_suitable",
        "verdict_text": _verdict(plan, stops),
        "lawn_m2": sum(row["area_m2"] for row in plan.rows("lawn")),
        "mowable_m2": sum(row["area_m2"] for row in zones),
        "zones": len(zones),
        "loops": len(paths),
        "wire_m": sum(row["length_m"] for row in paths),
        "lead_m": sum(row["lead_m"] for row in paths),
        "pegs": len(plan.rows("pegs")),
        "dock_score": next((row["score"] for row in chosen if row["candidate_id"] in home), None),
        "slope_p95_percent": _steepest(zones),
        "mowing_hours_week": sum(row["hours_week"] for row in zones),
        "amount": amounts_total([row["amount"] for row in priced], currency) if currency else None,
        "currency": currency,
        "stop_findings": stops,
        "visit_checks": len(plan.rows("visit_checks")),
        "geometry": MultiPolygon(polygon_parts(site.parcel)),
    }
    return StepResult({"summary": [row]})


def _homes(zones: list[Row]) -> list[Row]:
    return [zone for zone in zones if zone["role"] == "home"]


def _steepest(zones: list[Row]) -> float | None:
    """Return the slope that 95 % of the mowable ground stays below, taken from the steepest zone's figure."""
    known = [zone["slope_p95_percent"] for zone in zones if zone["slope_p95_percent"] is not None]
    return max(known) if known else None


def _verdict(plan: Plan, stops: int) -> str:
    zones = plan.rows("zones")
    lawn_m2 = sum(row["area_m2"] for row in plan.rows("lawn"))
    if not lawn_m2:
        return "No mower: there is no lawn."
    if not zones:
        steep = sum(row["area_m2"] for row in plan.select("keepouts", reason="steep"))
        if steep > lawn_m2 / 2:
            return "No mower: most of the lawn is too steep."
        return "No mower: no piece of the lawn is large and wide enough."
    if not plan.rows("wire_path"):
        return "No mower: no wire can be laid here; findings say why."
    mown = sum(zone["area_m2"] for zone in zones) / lawn_m2
    detached = sum(zone["role"] == "detached" for zone in zones)
    words = [f"A mower can serve {100 * min(mown, 1.0):.0f} % of the lawn"]
    words.append(f"in {len(zones)} zones" if len(zones) > 1 else "in one zone")
    if detached:
        words.append(f"of which {detached} it can't reach by itself")
    verdict = " ".join(words) + "."
    return f"{verdict} {stops} finding(s) must be settled before laying." if stops else verdict


STEP = Step(
    id="summary",
    title="Verdict and main figures",
    description="Sums up the plan of a parcel in one row.",
    reads=(
        "lawn",
        "keepouts",
        "zones",
        "wire_path",
        "pegs",
        "dock_candidates",
        "materials",
        "findings",
        "visit_checks",
        "site:parcels",
    ),
    writes=("summary",),
    compute=summary,
)
