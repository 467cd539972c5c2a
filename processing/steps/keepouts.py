"""Step `keepouts`: ground that is kept from the mower, why and how."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas
import numpy as np
import shapely
from pydantic import Field
from shapely.geometry.base import BaseGeometry

from lawngis.ground.mower_slope import MowerSlope
from lawngis.lawn.obstacles import (
    Keepout,
    area_keepouts,
    barrier_keepouts,
    bumpable,
    drop_keepouts,
    obstacle_keepouts,
    tree_keepouts,
    with_tight_bumps_joined,
    without_ground,
    without_overlaps,
)
from lawngis.mower import MowerProfile

from ..derived.doubt import DoubtParameters
from ..derived.matching import contradicts, matched, no_target
from ..derived.measured_passages import gained_ground
from ..derived.paving import BarrierParameters, rolled_over
from ..derived.slope import SlopeParameters, mapped_slope, steep_at_edge, steep_ground
from ..derived.slope_checks import reading_findings, slope_checks, steep_evidence, unknown_slope_checks
from ..derived.slope_readings import REACH_M, slope_pieces, with_readings
from ..derived.trunk_doubt import gap_checks, height_checks, trunk_checks
from ..model.facts import Fact
from ..model.plan import GRID_M, Finding, Plan, Row, StepResult
from ..model.site import DEM_ACCURACY, VECTOR_ACCURACY, Site, single_parts
from ..model.step import Step

EVIDENCE = {
    "bed": "a bed of the layer beds",
    "water": "open water of the layer water",
    "tree": "a tree of the layer trees, or found in the surface model",
    "obstacle": "an obstacle or barrier of the layers",
    "drop": "a drop of the layer barriers",
    "steep": "slope of the terrain model under the mower's wheels, with the stricter limit along the wire",
}


TREE_CONFIDENCE_MIN = 0.5
"""Trees found with less confidence are left alone: they may be shrubs."""


class KeepoutsParameters(BarrierParameters, SlopeParameters, DoubtParameters):
    """How keep-outs are drawn."""

    barrier_width_m: float = Field(
        default=0.12, ge=0.06, le=1, description="width kept out along a wall or fence drawn as a line [m]"
    )


def keepouts(site: Site, plan: Plan, mower: MowerProfile, parameters: KeepoutsParameters) -> StepResult:
    """Return keep-outs that touch the lawn, and what is to be looked at on site because of them."""
    lawn = shapely.union_all(plan.geometries("lawn"))
    if lawn.is_empty:
        return StepResult({"keepouts": []}, [no_target(fact, []) for fact in site.facts.slopes])
    mapped = mapped_slope(site, plan, mower, parameters)
    from_layers = _from_layers(site, plan, lawn, mower, parameters)
    readings = site.facts.slopes
    pieces = slope_pieces(site, lawn, mapped, readings, mower, parameters)
    slope = with_readings(site, mapped, pieces)
    found = _found(site, lawn, from_layers, slope, mower)
    rows = _drawn(site, lawn, found, mower)
    for row in rows:
        if row["reason"] == "steep":
            limit = mower.edge_slope_limit_percent
            row["evidence"] = steep_evidence(readings, row["geometry"], limit, row["evidence"])
    of_facts = reading_findings(pieces) + _without_ground(readings, lawn, rows)
    checks = slope_checks(pieces, lawn, mower, parameters)
    checks += unknown_slope_checks(site, slope.slope_percent, lawn, mower, parameters)
    checks += trunk_checks(site, _trees(site, lawn, mower), mower, parameters)
    for layer, things in (("obstacles", _obstacles(site)), ("barriers", _standing(site, parameters))):
        checks += height_checks(site, layer, things, _kept(things, lawn, mower, parameters), mower, parameters)
    checks += gap_checks(site, found, lawn, mower, parameters)
    return StepResult({"keepouts": rows}, _findings(rows, lawn) + of_facts, checks)


def _found(
    site: Site, lawn: BaseGeometry, from_layers: Sequence[Keepout], slope: MowerSlope, mower: MowerProfile
) -> list[Keepout]:
    found = [*from_layers, *_steep(site, lawn, slope, mower)]
    return found + _steep_at_edge(site, lawn, found, slope, mower)


def _drawn(site: Site, lawn: BaseGeometry, found: list[Keepout], mower: MowerProfile) -> list[dict[str, Any]]:
    found = with_tight_bumps_joined(found, lawn=lawn, room_m=mower.passage_transit_min_m)
    return _rows(site, without_overlaps(found, within=site.parcel, grid_m=GRID_M))


def _without_ground(readings: Sequence[Fact[float]], lawn: BaseGeometry, rows: Sequence[Row]) -> list[Finding]:
    """Return what is said of measured slopes that tell of no ground: taken off the lawn, or nobody says where."""
    findings = [
        no_target(fact, [("nearest", {"case": "lawn", "away_m": fact.place.distance(lawn)})])
        for fact in readings
        if fact.place is not None and not fact.place.dwithin(lawn, REACH_M)
    ]
    placeless = [fact for fact in readings if fact.place is None]
    for fact, index in matched(placeless, [(row["keepout_id"], row["geometry"]) for row in rows], findings):
        row = rows[index]
        if row["reason"] == "steep":
            of_reading = {"label": fact.label, "keepout_id": row["keepout_id"]}
            findings.append(contradicts("no_place", of_reading, row["geometry"]))
        else:
            of_ground = {"keepout_id": row["keepout_id"], "slope_percent": fact.value, "reason": row["reason"]}
            findings.append(contradicts("other_keepout", of_ground, row["geometry"]))
    return findings


def _from_layers(
    site: Site, plan: Plan, lawn: BaseGeometry, mower: MowerProfile, parameters: KeepoutsParameters
) -> list[Keepout]:
    found = area_keepouts(site.geometries("water"), "water", lawn=lawn)
    found += area_keepouts(site.geometries("beds"), "bed", lawn=lawn)
    found += _trees(site, lawn, mower) + _found_trees(plan, lawn, mower)
    found += _kept(_obstacles(site), lawn, mower, parameters)
    if "barriers" in site.layers:
        barriers = site.layers["barriers"]
        drops = single_parts(barriers[barriers["kind"] == "drop"])
        found += drop_keepouts(drops.geometry.to_numpy(), lawn=lawn, width_m=parameters.barrier_width_m)
    found += _kept(_standing(site, parameters), lawn, mower, parameters)
    # Beds and hedges end where somebody measured that a passage begins.
    return without_ground(found, gained_ground(site.facts.widths))


def _trees(site: Site, lawn: BaseGeometry, mower: MowerProfile) -> list[Keepout]:
    if "trees" not in site.layers or not len(site.layers["trees"]):
        return []
    trees = single_parts(site.layers["trees"])
    return tree_keepouts(
        trees.geometry.get_coordinates().to_numpy(),
        trees["trunk_diameter_m"].to_numpy(dtype=float),
        trees["crown_diameter_m"].to_numpy(dtype=float),
        lawn=lawn,
        rigid_trunk_min_m=mower.rigid_trunk_min_m,
        sapling_radius_m=mower.sapling_island_radius_m,
    )


def _found_trees(plan: Plan, lawn: BaseGeometry, mower: MowerProfile) -> list[Keepout]:
    """Return keep-outs for trees of the surface model: as nobody measured their trunks, they get islands."""
    trees = [tree for tree in plan.rows("trees_found") if tree["confidence"] >= TREE_CONFIDENCE_MIN]
    if not trees:
        return []
    return tree_keepouts(
        [tree["geometry"].coords[0] for tree in trees],
        np.full(len(trees), np.nan),
        [tree["crown_diameter_m"] for tree in trees],
        lawn=lawn,
        rigid_trunk_min_m=mower.rigid_trunk_min_m,
        sapling_radius_m=mower.sapling_island_radius_m,
    )


def _obstacles(site: Site) -> geopandas.GeoDataFrame:
    if "obstacles" not in site.layers:
        return geopandas.GeoDataFrame({"rigid": [], "height_m": []}, geometry=[])
    return single_parts(site.layers["obstacles"])


def _standing(site: Site, parameters: KeepoutsParameters) -> geopandas.GeoDataFrame:
    """Return walls, fences, hedges and kerbs that no wheel rolls onto."""
    if "barriers" not in site.layers:
        return geopandas.GeoDataFrame({"rigid": [], "height_m": []}, geometry=[])
    barriers = single_parts(site.layers["barriers"])
    barriers["kind"] = barriers["kind"].fillna("wall")
    barriers["rigid"] = (barriers["kind"] != "hedge").astype(object)
    drawn = barriers[(barriers["kind"] != "drop") & ~rolled_over(barriers, parameters.kerb_flush_max_m)]
    return drawn.reset_index(drop=True)


def _kept(
    things: geopandas.GeoDataFrame, lawn: BaseGeometry, mower: MowerProfile, parameters: KeepoutsParameters
) -> list[Keepout]:
    """Return keep-outs for obstacles or, where the things have kinds, for barriers; `source` is the row."""
    shapes, rigid = things.geometry.to_numpy(), things["rigid"].to_numpy()
    height_m, least_m = things["height_m"].to_numpy(dtype=float), mower.bump_height_min_m
    if "kind" not in things:
        return obstacle_keepouts(shapes, rigid, height_m, lawn=lawn, bump_height_min_m=least_m)
    width_m = np.where(things["kind"] == "hedge", parameters.hedge_width_m, parameters.barrier_width_m)
    felt = bumpable(rigid, height_m, bump_height_min_m=least_m)
    return barrier_keepouts(shapes, felt, lawn=lawn, width_m=width_m)


def _steep(site: Site, lawn: BaseGeometry, slope: MowerSlope, mower: MowerProfile) -> list[Keepout]:
    areas = steep_ground(site, slope, mower.slope_limit_percent, mower)
    confidence = [area.confidence for area in areas]
    return area_keepouts([area.polygon for area in areas], "steep", lawn=lawn, confidence=confidence)


def _steep_at_edge(
    site: Site, lawn: BaseGeometry, found: list[Keepout], slope: MowerSlope, mower: MowerProfile
) -> list[Keepout]:
    """Return keep-outs for ground that is not too steep to mow, but too steep to turn on along the wire."""
    kept_out = [item.polygon for item in found if item.treatment != "bump"]
    at_edge = steep_at_edge(site, slope, shapely.difference(lawn, shapely.union_all(kept_out)), mower)
    confidence = [area.confidence for area in at_edge]
    return area_keepouts([area.polygon for area in at_edge], "steep", lawn=lawn, confidence=confidence)


def _rows(site: Site, found: list[Keepout]) -> list[dict[str, Any]]:
    return [
        {
            "keepout_id": f"{site.parcel_id}-K{number}",
            "reason": item.reason,
            "treatment": item.treatment,
            "area_m2": item.polygon.area,
            "confidence": item.confidence,
            "evidence": EVIDENCE[item.reason],
            "geometry": item.polygon,
        }
        for number, item in enumerate(found, start=1)
    ]


def _findings(rows: Sequence[Row], lawn: BaseGeometry) -> list[Finding]:
    findings = []
    steep = [row for row in rows if row["reason"] == "steep"]
    if steep:
        area = sum(row["geometry"].intersection(lawn).area for row in steep)
        place = steep[0]["geometry"].representative_point()
        findings.append(Finding("caution", "steep-ground", {"area_m2": area}, place))
    for reason, code in (("water", "water-edge"), ("drop", "drop-edge")):
        some = [row for row in rows if row["reason"] == reason]
        if some:
            findings.append(Finding("caution", code, {}, some[0]["geometry"].representative_point()))
    return findings


STEP = Step(
    id="keepouts",
    title="Keep-outs and their treatment",
    description=(
        "Water, beds, trees, obstacles, barriers, drops and ground that is too steep: each is left outside the wire, "
        "gets an island, or may be bumped. Slopes too close to the limit to tell become checks for the visit."
    ),
    reads=(
        "lawn",
        "trees_found",
        "site:water",
        "site:beds",
        "site:trees",
        "site:obstacles",
        "site:barriers",
        "site:parcels",
        "raster:dem",
        *DEM_ACCURACY,
        *VECTOR_ACCURACY,
        "accuracy:trunk_sd_m",
        "accuracy:height_sd_m",
        "fact:features",
        "fact:slopes",
        "fact:widths",
    ),
    writes=("keepouts",),
    compute=keepouts,
    parameters=KeepoutsParameters,
)
