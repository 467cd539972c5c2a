"""Step `supply`: the way of the supply cable to the dock."""

from __future__ import annotations

import shapely
from pydantic import Field
from shapely.geometry.base import BaseGeometry

from lawngis.dock.supply import voltage_drop_percent
from lawngis.geometry.routes import route_to
from lawngis.ground.chainage import ground_chainage_m
from lawngis.mower import MowerProfile
from lawngis.wire.conductors import FLEXIBLE_OHM_PER_KM, resistance_ohm

from ..derived.cable_routing import SupplyField, cable_crossings, supply_field
from ..derived.doubt import DoubtParameters, in_doubt
from ..derived.outline_spread import edge_distance_sd_m
from ..model.plan import Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import VECTOR_ACCURACY, Site
from ..model.step import Step


class SupplyParameters(DoubtParameters):
    """In what state the cable works."""

    conductor_temperature_c: float = Field(
        default=30.0, ge=-20, le=90, description="temperature of the conductor while charging [°C]"
    )


def supply(site: Site, plan: Plan, mower: MowerProfile, parameters: SupplyParameters) -> StepResult:
    """Return the supply route of every chosen dock."""
    rows: list[Row] = []
    findings: list[Finding] = []
    checks: list[VisitCheck] = []
    ways = supply_field(site, plan, mower)
    for dock in plan.select("dock_candidates", chosen=True):
        place = dock["geometry"]
        route = None if ways is None else route_to(ways.field, [place.x, place.y])
        if ways is None or route is None:
            findings.append(Finding("caution", "no-supply", {"candidate_id": dock["candidate_id"]}, place))
            continue
        crossed = cable_crossings(site, route.line)
        rows.append(_row(site, dock, route.line, [use for use, _ in crossed], ways, mower, parameters))
        findings += _findings(dock, rows[-1], ways, crossed, mower)
        checks += in_doubt(_length_check(site, rows[-1], mower), parameters)
        if ways.starts_at != "outlet":
            checks.append(_outlet_check(dock, route.line))
    if rows:
        at_dock = shapely.Point(rows[0]["geometry"].coords[-1])
        findings.insert(0, Finding("caution", "supply-safety", {}, at_dock))
    return StepResult({"supply_route": rows}, findings, checks)


def _row(
    site: Site,
    dock: Row,
    line: shapely.LineString,
    uses: list[str],
    ways: SupplyField,
    mower: MowerProfile,
    parameters: SupplyParameters,
) -> Row:
    length_m = float(ground_chainage_m(site.dem, site.frame, shapely.get_coordinates(line))[-1])
    ohm_per_m = resistance_ohm(
        1.0, mower.supply_section_mm2, parameters.conductor_temperature_c, table=FLEXIBLE_OHM_PER_KM
    )
    drop = voltage_drop_percent(
        length_m, current_a=mower.supply_current_a, voltage_v=mower.supply_voltage_v, ohm_per_m=ohm_per_m
    )
    return {
        "candidate_id": dock["candidate_id"],
        "length_m": length_m,
        "within_limit": bool(length_m <= mower.supply_cable_max_m),
        "crosses": ", ".join(uses) or None,
        "drop_percent": float(drop),
        "starts_at": ways.starts_at,
        "geometry": line,
    }


def _findings(
    dock: Row,
    row: Row,
    ways: SupplyField,
    crossed: list[tuple[str, BaseGeometry]],
    mower: MowerProfile,
) -> list[Finding]:
    findings = []
    for use, stretch in crossed:
        findings.append(Finding("caution", "supply-crosses", {"use": use}, stretch.representative_point()))
    if not row["within_limit"]:
        values = {"length_m": row["length_m"], "limit_m": mower.supply_cable_max_m}
        findings.append(Finding("stop", "supply-too-long", values, dock["geometry"]))
    if ways.starts_at != "outlet":
        findings.append(Finding("info", "outlet-assumed", {}, shapely.Point(row["geometry"].coords[0])))
    return findings


def _length_check(site: Site, row: Row, mower: MowerProfile) -> VisitCheck:
    """Return the question how long a cable is: off by as much as its two ends are, whatever way it takes."""
    return VisitCheck(
        "supply-length",
        {"candidate_id": row["candidate_id"]},
        row["geometry"].interpolate(0.5, normalized=True),
        row["length_m"],
        edge_distance_sd_m(site),
        "m",
        mower.supply_cable_max_m,
    )


def _outlet_check(dock: Row, line: shapely.LineString) -> VisitCheck:
    return VisitCheck(
        "supply-point",
        {"candidate_id": dock["candidate_id"]},
        shapely.Point(line.coords[0]),
        flip_probability=0.5,
        weight=0.8,
        target_layer="outlets",
        target_column="geometry",
    )


STEP = Step(
    id="supply",
    title="Supply cable to the dock",
    description=(
        "Finds the cheapest way for the cable from an outlet, or the nearest house wall, to the dock along walls, beds "
        "and edges; says what it crosses, how long it is and how much voltage it loses."
    ),
    reads=(
        "dock_candidates",
        "site:parcels",
        "site:outlets",
        "site:buildings",
        "site:beds",
        "site:hard_surfaces",
        "site:barriers",
        "site:water",
        "raster:dem",
        *VECTOR_ACCURACY,
    ),
    writes=("supply_route",),
    compute=supply,
    parameters=SupplyParameters,
)
