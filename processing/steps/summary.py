"""Step `summary`: the verdict on a parcel, and the figures that decide."""

from __future__ import annotations

from shapely import MultiPolygon

from lawngis.geometry.polygons import polygon_parts
from lawngis.mower import MowerProfile
from lawngis.prices import amounts_total, price_book_from

from ..derived.dock_choice import places_of_loop
from ..derived.ground_doubt import READS as DOUBT_READS
from ..derived.ground_doubt import doubts
from ..derived.knowledge import READS as KNOWLEDGE_READS
from ..derived.knowledge import knowledge
from ..derived.mower_demands import mower_no, week_values
from ..derived.outline_spread import ways_doubt
from ..derived.price_parameters import PriceParameters
from ..derived.readiness import readiness, undecided
from ..derived.spread import amount_spread, wire_spread
from ..derived.verdict import verdict
from ..model.catalogue import said_text
from ..model.plan import Plan, Row, StepResult
from ..model.site import VECTOR_ACCURACY, Site
from ..model.step import Step


class SummaryParameters(PriceParameters):
    """Where prices come from."""


def summary(site: Site, plan: Plan, mower: MowerProfile, parameters: SummaryParameters) -> StepResult:
    """Return the parcel's row."""
    zones = plan.rows("zones")
    paths = plan.rows("wire_path")
    chosen = plan.select("dock_candidates", chosen=True)
    home = [place["candidate_id"] for zone in _homes(zones) for place in places_of_loop(zones, chosen, zone["zone_id"])]
    stops = sum(row["severity"] == "stop" for row in plan.rows("findings"))
    priced = [row for row in plan.rows("materials") if row["amount"] is not None]
    currency = priced[0]["currency"] if priced else None
    doubted = doubts(site, plan, mower, price_book_from(parameters.price_book))
    wire, price = wire_spread(paths, doubted), amount_spread(priced, paths, doubted, ways=ways_doubt(site))
    known = knowledge(site, lawn=plan.rows("lawn"), covered=bool(plan.rows("cover")))
    ready, reasons = readiness(plan, known)
    said = verdict(plan, mower, known, stops)
    row = {
        "label": site.label or None,
        "status": "planned" if (zones and paths) or undecided(plan) else "not_suitable",
        "readiness": ready,
        "readiness_why": plan.catalogue.sentences("reason", reasons, "; "),
        "readiness_values": said_text(reasons),
        "basis": known.basis,
        "unknowns": ", ".join(known.unknown) or None,
        "doubt": known.doubt,
        "verdict_text": plan.catalogue.sentences("verdict", said),
        "verdict_values": said_text(said),
        "lawn_m2": sum(row["area_m2"] for row in plan.rows("lawn")),
        "mowable_m2": sum(row["area_m2"] for row in zones),
        "profile": mower.name,
        "mowers": len({mower_no(zone) for zone in zones}),
        "zones": len(zones),
        "loops": len(paths),
        "wire_m": sum(row["length_m"] for row in paths),
        "wire_sd_m": wire.sd,
        "wire_low_m": wire.low,
        "wire_high_m": wire.high,
        "lead_m": sum(row["lead_m"] for row in paths),
        "pegs": len(plan.rows("pegs")),
        "dock_score": next((row["score"] for row in chosen if row["candidate_id"] in home), None),
        "slope_p95_percent": _steepest(zones),
        **_week_hours(plan),
        "amount": amounts_total([row["amount"] for row in priced], currency) if currency else None,
        "amount_sd": price.sd if currency else None,
        "amount_low": price.low if currency else None,
        "amount_high": price.high if currency else None,
        "currency": currency,
        "stop_findings": stops,
        "visit_checks": len(plan.rows("visit_checks")),
        "geometry": MultiPolygon(polygon_parts(site.parcel)),
    }
    return StepResult({"summary": [row], "mowers": _mower_rows(plan, mower)})


def _mower_rows(plan: Plan, mower: MowerProfile) -> list[Row]:
    """Return what each mower of a plan mows, and what it costs with its materials."""
    rows: list[Row] = []
    laid = {path["loop_id"] for path in plan.rows("wire_path")}
    for number in sorted({mower_no(zone) for zone in plan.rows("zones") if zone["loop_id"] in laid}):
        zones = [zone for zone in plan.rows("zones") if mower_no(zone) == number]
        priced = [item for item in plan.rows("materials") if item["mower_no"] == number and item["amount"] is not None]
        rows.append(
            {
                "mower_no": number,
                "profile": mower.name,
                "zones": len(zones),
                "loops": len({zone["loop_id"] for zone in zones} & laid),
                "hours_week": sum(zone["hours_week"] for zone in zones),
                "amount": amounts_total([i["amount"] for i in priced], priced[0]["currency"]) if priced else None,
            }
        )
    return rows


def _week_hours(plan: Plan) -> dict[str, float]:
    """Return the hours of mowing a week that all mowers take, and those that find no room, as their weeks tell."""
    columns = {"mowing_hours_week": "mowing_h", "missing_hours_week": "missing_h"}
    weeks = week_values(plan)
    return {column: sum((week[value] for week in weeks), 0.0) for column, value in columns.items()}


def _homes(zones: list[Row]) -> list[Row]:
    return [zone for zone in zones if zone["role"] == "home"]


def _steepest(zones: list[Row]) -> float | None:
    """Return the slope that 95 % of the mowable ground stays below, taken from the steepest zone's figure."""
    known = [zone["slope_p95_percent"] for zone in zones if zone["slope_p95_percent"] is not None]
    return max(known) if known else None


STEP = Step(
    id="summary",
    title="Verdict and main figures",
    description="Sums up the plan of a parcel in one row.",
    reads=tuple(
        dict.fromkeys(
            (
                *KNOWLEDGE_READS,
                *DOUBT_READS,
                *VECTOR_ACCURACY,
                "keepouts",
                "zones",
                "hand_mow",
                "wire_path",
                "pegs",
                "dock_candidates",
                "supply_route",
                "materials",
                "findings",
                "visit_checks",
            )
        )
    ),
    writes=("summary", "mowers"),
    compute=summary,
    parameters=SummaryParameters,
)
