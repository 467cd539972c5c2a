"""Step `edges`: every stretch of every edge, by what lies beyond it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import groupby
from typing import get_args

import numpy as np
import shapely
from pydantic import Field
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import oriented, polygon_parts
from lawngis.ground.raster import Grid
from lawngis.ground.step import FLUSH_MAX_M, HeightStep, height_steps, ledges
from lawngis.lawn.edges import NOTHING_KNOWN, EdgeNeighbour, EdgeStretch, drop_surroundings, edge_stretches
from lawngis.mower import EdgeClass, MowerProfile

from ..derived.decisions import setback_m
from ..derived.doubt import DoubtParameters
from ..derived.drops import drop_beyond
from ..derived.edge_doubt import edge_checks
from ..derived.edge_heights import HEIGHT_EVIDENCE, StepsOf, edge_step, height_checks, unlike_chance
from ..derived.loops import filled_zone, passed_over
from ..derived.matching import applied, contradicts, matched
from ..derived.moved_wire import edges_beside_moved_wire
from ..derived.outline_accuracy import SeenOutlines, seen_outlines
from ..derived.outline_features import READS as OUTLINE_READS
from ..derived.outline_features import outline_features
from ..derived.paving import BarrierParameters, rolled_over
from ..model.facts import answers
from ..model.plan import Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import DEM_ACCURACY, Site, dem_error, single_parts
from ..model.step import Step

PAVING_CLASSES: dict[str | None, EdgeClass] = {"flush": "flush", "raised": "raised", "sunken": "drop"}
BARRIER_CLASSES: dict[str, EdgeClass] = {"wall": "raised", "fence": "raised", "hedge": "soft", "kerb": "raised"}
KEEPOUT_CLASSES: dict[tuple[str, str], EdgeClass] = {
    ("water", "outside"): "water",
    ("water", "island"): "water",
    ("drop", "outside"): "drop",
    ("drop", "island"): "drop",
    ("steep", "outside"): "steep",
    ("steep", "island"): "steep",
    ("obstacle", "outside"): "raised",
    ("obstacle", "island"): "raised",
    ("tree", "outside"): "raised",
    ("tree", "island"): "soft",
    ("bed", "outside"): "soft",
    ("bed", "island"): "soft",
}
"""Edge class by reason and treatment of the keep-out beyond; a trunk that could not be bumped stands like a wall."""

LAYERS_SILENT = ("unknown", "boundary")
"""Classes that say only that no layer knows what lies beyond."""

KNOWN_LEDGE_M = 1.0
"""A ledge this near a barrier or water of the layers is theirs."""

CHECK_WEIGHT = 0.3
"""How much a look at an unknown edge matters beside a width that decides over a zone."""

ANOTHER_ZONE = "another zone at the same level beyond"
LAWN_BEYOND = ("lawn at the same level", "another zone")
"""Evidence that more lawn lies beyond."""

KEEPOUT_REACH_M = 0.1
"""Cleaning moves the lawn's edge by some centimetres away from what it borders."""


class EdgesParameters(BarrierParameters, DoubtParameters):
    """How edges are told apart."""

    reach_m: float = Field(
        default=0.25, gt=0, le=2, description="how far from an edge something still counts as lying beyond it [m]"
    )
    shortest_m: float = Field(
        default=0.5, ge=0, le=5, description="shorter stretches between two of the same class are counted in [m]"
    )
    step_stretch_m: float = Field(
        default=2.0, ge=0.5, le=50, description="length of edge over which a height step is measured [m]"
    )
    step_confidence_min: float = Field(
        default=0.9, ge=0.5, le=1, description="a height step counts when its class is at least so sure"
    )
    contradiction_min_m: float = Field(
        default=0.15, ge=0, le=5, description="smallest step that contradicts a layer [m]"
    )
    ledge_min_m: float = Field(default=0.5, ge=0.05, le=5, description="smallest fall that is a ledge [m]")
    unknown_check_m: float = Field(
        default=2.0, ge=0, le=1000, description="unknown edge longer than this is looked at on site [m]"
    )


def edges(site: Site, plan: Plan, mower: MowerProfile, parameters: EdgesParameters) -> StepResult:
    """Return the edge stretches of all zones with class, setback and evidence."""
    neighbours = _edge_neighbours(site, plan, parameters)
    ignored = passed_over(plan)
    seen = seen_outlines(site, plan)
    zones = {zone["zone_id"]: filled_zone(zone, ignored) for zone in plan.rows("zones")}
    rows: list[Row] = []
    for zone in plan.rows("zones"):
        polygon = zones[zone["zone_id"]]
        around = [*neighbours, *_other_zones(plan, zone)]
        for stretch in edge_stretches(polygon, around, otherwise=NOTHING_KNOWN, shortest_m=parameters.shortest_m):
            parts = _judged_by_height(site, stretch, polygon, parameters)
            if seen is not None and stretch.edge_class == "unknown":
                parts = _less_sure(parts, seen)
            for part in parts:
                rows.append(_row(site, len(rows) + 1, zone["zone_id"], part, mower))
    contradictions = _contradictions(site, rows, parameters)
    rows, of_facts, asked = _as_measured(site, rows, mower)
    kept, of_moves = edges_beside_moved_wire(site, plan, rows, mower)
    findings = _findings(rows) + contradictions + _ledges(site, plan, parameters)
    # Each drop is looked at anyway.
    drawn = [row for row in asked if not row["evidence"].startswith(LAWN_BEYOND) and row["edge_class"] != "drop"]
    steps_of = _steps_of(site, zones)
    checks = _checks(asked, steps_of, mower, parameters)
    checks += height_checks(
        asked,
        steps_of,
        stretch_m=parameters.step_stretch_m,
        flush_max_m=FLUSH_MAX_M,
        fall_min_m=parameters.ledge_min_m,
        parameters=parameters,
    )
    checks += edge_checks(drawn, _drawn(neighbours), outline_features(site, plan), mower, parameters)
    return StepResult({"edges": kept}, findings + of_facts + of_moves, checks)


def _as_measured(site: Site, rows: list[Row], mower: MowerProfile) -> tuple[list[Row], list[Finding], list[Row]]:
    """Return edges with what somebody saw beyond them, what is said of that, and those that nobody looked at."""
    measured, findings = list(rows), list[Finding]()
    edges = [(row["edge_id"], row["geometry"]) for row in rows]
    looked_at: set[int] = set()
    for seen, index in matched(site.facts.edge_classes, edges, findings):
        row, line = rows[index], edges[index][1]
        change = {"column": "edge_class", "before": row["edge_class"], "after": seen.value}
        findings.append(applied(seen, "changed", {"feature_id": row["edge_id"], **change}, line))
        if row["edge_class"] not in (seen.value, "unknown"):
            told = {
                "edge_id": row["edge_id"],
                "edge_class": seen.value,
                "evidence": row["evidence"],
                "before": row["edge_class"],
            }
            findings.append(contradicts("edge", told, line))
        kept = _kept(site, seen.value, line, seen.evidence, mower)
        measured[index] = {**row, "edge_class": seen.value, **kept, "confidence": 1.0}
        looked_at.add(index)
    return measured, findings, [row for index, row in enumerate(measured) if index not in looked_at]


def _judged_by_height(
    site: Site, stretch: EdgeStretch, zone: Polygon, parameters: EdgesParameters
) -> list[EdgeStretch]:
    """Return a stretch of which no layer says what lies beyond it, cut and classed by the step in the surface model."""
    if site.dsm is None or stretch.edge_class not in LAYERS_SILENT or stretch.line.length < parameters.step_stretch_m:
        return [stretch]
    steps = _steps(site.dsm, site, stretch.line, parameters.step_stretch_m, zone)
    judged: list[EdgeStretch] = []
    for height_class, group in groupby(steps, key=lambda step: _height_step_class(step, parameters)):
        run = list(group)
        line = _chained([step.line for step in run])
        if height_class is None:
            judged.append(replace(stretch, line=line))
        else:
            step_m = float(np.median([step.step_m for step in run]))
            words = f"{HEIGHT_EVIDENCE} steps {'up' if step_m > 0 else 'down'} by {abs(step_m):.2f} m beyond"
            confidence = float(np.mean([step.confidence for step in run]))
            judged.append(EdgeStretch(line, height_class, words, confidence, stretch.ring))
    return judged


def _less_sure(stretches: list[EdgeStretch], seen: SeenOutlines) -> list[EdgeStretch]:
    """Return stretches that no layer draws, as sure as the cover on both sides lets them be."""
    sure = seen.confidence([stretch.line for stretch in stretches])
    return [
        replace(
            stretch,
            confidence=stretch.confidence * float(factor),
            evidence=f"{stretch.evidence}; the outline is seen in the image only",
        )
        for stretch, factor in zip(stretches, sure, strict=True)
    ]


def _height_step_class(step: HeightStep, parameters: EdgesParameters) -> EdgeClass | None:
    """Return the class that a height step tells for sure, or None; level ground is told apart from nothing else."""
    if step.edge_class in ("raised", "drop") and step.confidence >= parameters.step_confidence_min:
        return step.edge_class
    return None


def _steps(
    grid: Grid, site: Site, line: LineString, stretch_m: float, within: BaseGeometry | None = None
) -> list[HeightStep]:
    error = dem_error(site.accuracy)
    return height_steps(
        grid,
        site.frame,
        line,
        stretch_m=stretch_m,
        z_sd_m=error.sd_m,
        correlation=error.correlation,
        within=within,
    )


def _steps_of(site: Site, zones: Mapping[str, Polygon]) -> StepsOf:
    """Return what gives the steps in the surface model across an edge in stretches of a length; none without one."""
    dsm = site.dsm
    if dsm is None:
        return lambda row, stretch_m: []
    return lambda row, stretch_m: _steps(dsm, site, row["geometry"], stretch_m, zones[row["zone_id"]])


def _chained(lines: list[LineString]) -> LineString:
    """Return lines that follow one another as one."""
    first, *others = (shapely.get_coordinates(line) for line in lines)
    return LineString(np.concatenate([first, *(xy[1:] for xy in others)]))


def _contradictions(site: Site, rows: list[Row], parameters: EdgesParameters) -> list[Finding]:
    """Say where layers call an edge flush and the surface model shows a step: the layers keep the say."""
    if site.dsm is None:
        return []
    findings = []
    for row in rows:
        if row["edge_class"] != "flush" or row["length_m"] < parameters.step_stretch_m:
            continue
        if row["evidence"] == ANOTHER_ZONE:  # no layer says that: it is one lawn on both sides
            continue
        for step in _steps(site.dsm, site, row["geometry"], parameters.step_stretch_m):
            height_class = _height_step_class(step, parameters)
            if height_class is not None and abs(step.step_m) >= parameters.contradiction_min_m:
                values = {
                    "edge_id": row["edge_id"],
                    "evidence": row["evidence"],
                    "step_m": step.step_m,
                    "sd_m": step.sd_m,
                    "edge_class": height_class,
                }
                place = step.line.interpolate(0.5, normalized=True)
                findings.append(Finding("caution", "edge-contradiction", values, place))
                break
    return findings


def _ledges(site: Site, plan: Plan, parameters: EdgesParameters) -> list[Finding]:
    """Say where the bare ground falls away beyond the lawn's edge and no layer mentions it.

    The lawn's edge is looked at, not the zones': where the ground falls steeply zones have drawn back already.
    """
    known = shapely.union_all(site.geometries("barriers") + site.geometries("water"))
    findings = []
    for lawn in polygon_parts(shapely.union_all(plan.geometries("lawn"))):
        outer = LineString(oriented(lawn).exterior)
        for ledge in ledges(
            _steps(site.dem, site, outer, parameters.step_stretch_m),
            drop_min_m=parameters.ledge_min_m,
            confidence_min=parameters.step_confidence_min,
        ):
            if ledge.line.distance(known) <= KNOWN_LEDGE_M:
                continue
            place = ledge.line.interpolate(0.5, normalized=True)
            findings.append(Finding("caution", "ledge-found", {"fall_m": -ledge.step_m}, place))
    return findings


def _edge_neighbours(site: Site, plan: Plan, parameters: EdgesParameters) -> list[EdgeNeighbour]:
    """Return what may lie beyond an edge, the gravest and surest first: where two are met, the first counts."""
    reach = parameters.reach_m
    neighbours = [EdgeNeighbour(site.geometries("water"), "water", "open water beyond", 0.9, reach)]
    neighbours += _barriers(site, parameters)
    neighbours.append(EdgeNeighbour(site.geometries("buildings"), "raised", "building beyond", 0.9, reach))
    hedges = _hedges(site, plan, parameters.hedge_width_m)
    neighbours.append(EdgeNeighbour(hedges, "soft", "hedge beyond", 0.9, KEEPOUT_REACH_M))
    neighbours += _keepouts(plan)
    neighbours.append(EdgeNeighbour(site.geometries("beds"), "soft", "bed beyond", 0.9, reach))
    neighbours.append(EdgeNeighbour(hedges, "soft", "hedge beyond", 0.9, reach))
    neighbours += _paving(site, reach)
    neighbours.append(_boundary(site, reach))
    by_hand = [row["geometry"] for row in plan.rows("hand_mow")]
    neighbours.append(EdgeNeighbour(by_hand, "flush", "lawn at the same level beyond, mown by hand", 0.8, 0.05))
    return [item for item in neighbours if len(item.geometries)]


def _drawn(neighbours: list[EdgeNeighbour]) -> list[EdgeNeighbour]:
    """Return what a layer draws: steep ground and what is mown by hand have doubts of their own."""
    return [item for item in neighbours if item.edge_class != "steep" and not item.evidence.startswith(LAWN_BEYOND)]


def _other_zones(plan: Plan, zone: Row) -> list[EdgeNeighbour]:
    """Return the zones beside one: its own outline would lie beyond each of its edges."""
    others = [row["geometry"] for row in plan.rows("zones") if row["zone_id"] != zone["zone_id"]]
    return [EdgeNeighbour(others, "flush", ANOTHER_ZONE, 0.8, 0.05)] if others else []


def _barriers(site: Site, parameters: EdgesParameters) -> list[EdgeNeighbour]:
    if "barriers" not in site.layers:
        return []
    barriers = single_parts(site.layers["barriers"])
    kinds = barriers["kind"]
    result = list(drop_surroundings(list(barriers.geometry[kinds == "drop"]), reach_m=parameters.reach_m))
    low = rolled_over(barriers, parameters.kerb_flush_max_m)
    for kind, edge_class in BARRIER_CLASSES.items():
        lines = list(barriers.geometry[(kinds == kind) & ~low])
        result.append(EdgeNeighbour(lines, edge_class, f"{kind} beyond", 0.9, parameters.reach_m))
    lines = list(barriers.geometry[low])
    result.append(EdgeNeighbour(lines, "flush", "kerb low enough to roll onto", 0.8, parameters.reach_m))
    return result


def _hedges(site: Site, plan: Plan, width_m: float) -> list[BaseGeometry]:
    """Return the ground kept out for hedges drawn as lines, also of those whose line lies beyond the parcel."""
    if "barriers" not in site.layers:
        return []
    barriers = site.layers["barriers"]
    hedges = shapely.buffer(shapely.union_all(barriers.geometry[barriers["kind"] == "hedge"]), width_m / 2)
    kept_out = plan.geometries("keepouts", reason="obstacle")
    return [shape for shape in kept_out if shape.intersection(hedges).area > shape.area / 2]


def _keepouts(plan: Plan) -> list[EdgeNeighbour]:
    result, keepouts = [], plan.rows("keepouts")
    for (reason, treatment), edge_class in KEEPOUT_CLASSES.items():
        rows = [row for row in keepouts if (row["reason"], row["treatment"]) == (reason, treatment)]
        if rows:
            confidence = min(row["confidence"] for row in rows)
            polygons = [row["geometry"] for row in rows]
            evidence = f"keep-out beyond: {reason}"
            result.append(EdgeNeighbour(polygons, edge_class, evidence, confidence, KEEPOUT_REACH_M))
    return result


def _paving(site: Site, reach: float) -> list[EdgeNeighbour]:
    if "hard_surfaces" not in site.layers:
        return []
    surfaces = site.layers["hard_surfaces"]
    levels, uses = surfaces["level"].fillna("unknown"), surfaces["use"].fillna("paving")
    result = []
    for level, use in sorted(set(zip(levels, uses, strict=True))):
        some = surfaces[(levels == level) & (uses == use)]
        edge_class = PAVING_CLASSES.get(level, "unknown")
        confidence = 0.9 if level in PAVING_CLASSES else 0.4
        words = f"{level} {use} beyond" if level in PAVING_CLASSES else f"{use} of unknown level beyond"
        result.append(EdgeNeighbour(list(some.geometry), edge_class, words, confidence, reach))
    grave = get_args(EdgeClass).index
    order = {"drop": 0, "raised": 1, "unknown": 2, "flush": 3}
    return sorted(result, key=lambda item: (order[item.edge_class], grave(item.edge_class)))


def _boundary(site: Site, reach: float) -> EdgeNeighbour:
    return EdgeNeighbour(
        [shapely.boundary(site.parcel)], "boundary", "property line, nothing known to stand on it", 0.7, reach
    )


def _row(site: Site, number: int, zone_id: str, stretch: EdgeStretch, mower: MowerProfile) -> Row:
    return {
        "edge_id": f"{site.parcel_id}-E{number}",
        "zone_id": zone_id,
        "edge_class": stretch.edge_class,
        **_kept(site, stretch.edge_class, stretch.line, stretch.evidence, mower),
        "length_m": stretch.line.length,
        "confidence": stretch.confidence,
        "geometry": stretch.line,
    }


def _kept(site: Site, edge_class: str, line: LineString, seen: str, mower: MowerProfile) -> Row:
    """Return the setback of an edge, and why that."""
    why = drop_beyond(site, line).evidence(seen) if edge_class == "drop" else seen
    return {"setback_m": setback_m(site, edge_class, line, mower), "evidence": why}


def _findings(rows: list[Row]) -> list[Finding]:
    drops = [row for row in rows if row["edge_class"] == "drop"]
    if not drops:
        return []
    setbacks = [row["setback_m"] for row in drops]
    values = {
        "case": "alike" if min(setbacks) == max(setbacks) else "unlike",
        "length_m": sum(row["length_m"] for row in drops),
        "setback_m": min(setbacks),
        "most_m": max(setbacks),
    }
    return [Finding("caution", "drop-setback", values, drops[0]["geometry"].interpolate(0.5, normalized=True))]


def _checks(rows: list[Row], steps_of: StepsOf, mower: MowerProfile, parameters: EdgesParameters) -> list[VisitCheck]:
    """Return what is looked at on site: unknown edges that are long enough, and every drop."""
    drops = [
        VisitCheck(
            "drop-edge",
            {"edge_id": row["edge_id"], "length_m": row["length_m"], "answers": answers("edges", "edge_class")},
            place=row["geometry"].interpolate(0.5, normalized=True),
            flip_probability=None,
            target_layer="edges",
            target_id=row["edge_id"],
            target_column="edge_class",
            area=row["geometry"],
        )
        for row in rows
        if row["edge_class"] == "drop"
    ]
    return drops + [
        VisitCheck(
            "edge-class",
            {
                "edge_id": row["edge_id"],
                "length_m": row["length_m"],
                "answers": answers("edges", "edge_class"),
            },
            place=row["geometry"].interpolate(0.5, normalized=True),
            flip_probability=unlike_chance(
                edge_step(row, steps_of, parameters.step_stretch_m), "unknown", mower, flush_max_m=FLUSH_MAX_M
            ),
            # The less sure the outline, the sooner it is looked at.
            weight=min(1.0, CHECK_WEIGHT * NOTHING_KNOWN.confidence / max(row["confidence"], 0.1)),
            target_layer="edges",
            target_id=row["edge_id"],
            target_column="edge_class",
        )
        for row in rows
        if row["edge_class"] == "unknown" and row["length_m"] >= parameters.unknown_check_m
    ]


STEP = Step(
    id="edges",
    title="Edges and setbacks",
    description="Tells for every stretch of every edge what lies beyond it, and the setback that the wire keeps.",
    reads=(
        *OUTLINE_READS,
        "zones",
        "hand_mow",
        "raster:dsm",
        *DEM_ACCURACY,
        "fact:edge_classes",
        "fact:moves",
    ),
    writes=("edges",),
    compute=edges,
    parameters=EdgesParameters,
)
