"""Step `lawn`: what of the parcel is lawn."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import shapely
from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import discs, grid_parts, polygon_parts
from lawngis.ground.cover import confidence_within, ground_to_take
from lawngis.lawn.derive import NonLawn, derived_lawn, ground_account_m2, surveyed_lawn
from lawngis.mower import MowerProfile

from ..derived.imagery_rules import DOUBT_COVERS, LAWN_COVERS
from ..derived.knowledge import SLOPE, Knowledge, knowledge
from ..derived.lawn_doubt import cover_by, doubt_checks, doubt_findings, doubtful_ground, lawn_range, standing_checks
from ..derived.matching import applied, matched
from ..derived.measured_passages import moved_findings, with_moved_passages
from ..derived.standing_ground import standing_ground
from ..model.facts import WHOLE_PARCEL, Fact, answers
from ..model.plan import GRID_M, Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import Site, single_parts
from ..model.step import Parameters, Step

SURVEYED_CONFIDENCE = 1.0
DERIVED_CONFIDENCE = 0.7
"""Derived lawn is whatever nothing else covers; a shed or a bed that no layer has is lawn by mistake."""

BARRIER_REACH_M = 0.8
"""An image shows a mapped hedge or wall within this of its line, and it is not taken twice [m]."""

CRUMB_M2 = 1.0
"""A smaller piece is left over between an image's outlines, and no lawn [m²]."""

UNSEEN_CONFIDENCE = 0.4
"""Lawn that neither the image nor a layer settles."""

TREE_CONFIDENCE_MIN = 0.5
"""Trees found with less confidence take no ground: they may be shrubs."""

UNKNOWN_WEIGHT = 0.95
"""How much hangs on what no layer tells: nearly all; first comes only whether there is a lawn at all."""

DOUBT_SHARE_MIN = 0.05
"""Ground in doubt of less than this share of the lawn decides nothing: no other lawn is derived for its sake."""

SHOWN = {
    "bare ground in the image": ("bare", "dry", "shaded"),
    "things that stand": ("built", "unknown"),
    "shrubs": ("shrub",),
    "hedges": ("hedge",),
    "trees over other ground": ("crown",),
}
"""What covers no lawn, as the account calls it, and the cover that it is."""

TRUNK_UNKNOWN_M = 0.1
"""Trunk diameter where no layer gives one: it only leaves a hole as large as a hand. Least one drawn: 0.06 m."""


class LawnParameters(Parameters):
    """How the lawn is cleaned."""

    sliver_width_m: float = Field(default=0.10, ge=0, le=1, description="strips narrower than this are no lawn [m]")
    gap_close_m: float = Field(
        default=0.05,
        ge=0,
        le=0.5,
        description="gaps between what covers the ground, narrower than this, are closed [m]",
    )
    image_width_min_m: float = Field(
        default=0.6, ge=0, le=5, description="what an image shows beside mapped ground counts from this width [m]"
    )


def lawn(site: Site, plan: Plan, mower: MowerProfile, parameters: LawnParameters) -> StepResult:
    """Return the pieces of lawn: surveyed or drawn where somebody did, else what is left of the parcel."""
    mapped = _mapped(site, plan, parameters)
    rows, findings = mapped.rows, list(mapped.findings)
    named = len(rows)
    pieces = {row["lawn_id"]: [row] for row in rows}
    for fact, index in matched(site.facts.outlines, [(row["lawn_id"], row["geometry"]) for row in rows], findings):
        row, shape = rows[index], fact.value
        if shape is None:
            findings.append(applied(fact, "gone", {"feature_id": row["lawn_id"]}, row["geometry"]))
        else:
            areas = {"lawn_id": row["lawn_id"], "area_m2": shape.area, "before_m2": row["area_m2"]}
            findings.append(applied(fact, "lawn_drawn", areas, row["geometry"]))
        drawn = [] if shape is None else _on_grid(surveyed_lawn(site.parcel, [shape], sliver_width_m=0.0))
        found = _rows(site, drawn, "surveyed", SURVEYED_CONFIDENCE, first=named)
        named += len(found)
        pieces[row["lawn_id"]] = [{**piece, "lawn_id": row["lawn_id"]} for piece in found[:1]] + found[1:]
    drawn_rows = [row for some in pieces.values() for row in some]
    moved = [fact for fact in site.facts.widths if fact.ground is not None]
    findings += [finding for fact in moved for finding in moved_findings(fact, mower)]
    rows = _with_passages(drawn_rows, moved, site.parcel_id, named)
    known = knowledge(site, lawn=rows, covered=bool(plan.rows("cover")))
    findings += [
        applied(fact, "surveyed" if fact.value else "surveyed_missing", {}, site.parcel) for fact in site.facts.surveys
    ]
    doubt, looks = _doubt(site, plan, mower, mapped, rows)
    checks = [*looks, *_checks(site, known, mapped.standing)]
    return StepResult({"lawn": rows}, [*findings, *doubt, *_unknown(known)], checks)


class _Mapped(NamedTuple):
    """Lawn as maps and image alone give it, what is said of it, and what stands there that no layer has.

    Of a lawn that an image shows also what it would be by a threshold of greenness one standard deviation higher, and
    lower; and what layers show as none.
    """

    rows: list[Row]
    findings: list[Finding]
    standing: Sequence[Polygon] = ()
    low: Sequence[Polygon] = ()
    high: Sequence[Polygon] = ()
    known: Sequence[NonLawn] = ()


def _doubt(
    site: Site, plan: Plan, mower: MowerProfile, mapped: _Mapped, rows: Sequence[Row]
) -> tuple[list[Finding], list[VisitCheck]]:
    """Return what is said and asked of ground that may be lawn or not; nothing where somebody drew the lawn."""
    cover = plan.rows("cover")
    if not cover or any(row["source"] == "surveyed" for row in rows):
        return [], []
    extent = lawn_range(mapped.low, [row["geometry"] for row in rows], mapped.high, mower)
    ground = doubtful_ground(cover, [shape for item in mapped.known for shape in item.geometries])
    return doubt_findings(extent, ground, cover), doubt_checks(extent, ground, site.parcel.area)


def _unknown(known: Knowledge) -> list[Finding]:
    """Say what no layer tells, and what follows from it for the lawn."""
    if not known.unknown:
        return []
    return [Finding("caution" if known.decisive else "info", "not-told", known.values(known.unknown))]


def _checks(site: Site, known: Knowledge, standing: Sequence[Polygon]) -> list[VisitCheck]:
    """Ask first for what no layer tells, and then what stands there in the surface model."""
    checks = []
    if set(known.decisive) - {SLOPE}:  # slope alone is asked for where it is measured
        checks.append(
            VisitCheck(
                "what-is-there",
                {"unknown": list(known.decisive), "parcel_id": site.parcel_id, "answers": answers(*WHOLE_PARCEL)},
                site.parcel.representative_point(),
                flip_probability=None,
                weight=UNKNOWN_WEIGHT,
                target_layer=WHOLE_PARCEL[0],
                target_id=site.parcel_id,
                target_column=WHOLE_PARCEL[1],
                area=max(polygon_parts(site.parcel), key=lambda part: part.area),
            )
        )
    return checks + standing_checks(standing)


def _with_passages(rows: list[Row], moved: Sequence[Fact[float]], parcel_id: str, named: int) -> list[Row]:
    """Return the pieces of lawn with passages as wide as they were measured; what comes apart gets names of its own."""
    found: list[Row] = []
    for row in rows:
        others = shapely.union_all([other["geometry"] for other in rows if other is not row])
        ground = shapely.difference(with_moved_passages(row["geometry"], moved), others)
        parts = sorted(_on_grid(polygon_parts(ground)), key=lambda part: -part.area) if moved else [row["geometry"]]
        for part in parts:
            name = row["lawn_id"] if part is parts[0] else f"{parcel_id}-G{named + 1}"
            named += part is not parts[0]
            found.append({**row, "lawn_id": name, "area_m2": part.area, "geometry": part})
    return found


def _mapped(site: Site, plan: Plan, parameters: LawnParameters) -> _Mapped:
    drawn = [shape for shape in site.geometries("lawns") if shape.intersects(site.parcel)]
    if drawn:
        pieces = _on_grid(surveyed_lawn(site.parcel, drawn, sliver_width_m=parameters.sliver_width_m))
        return _Mapped(_rows(site, pieces, "surveyed", SURVEYED_CONFIDENCE), [])
    known, cover, trunks = _non_lawn(site), plan.rows("cover"), _found_trunks(plan)
    taken = known + _shown(site, cover, known, parameters) + trunks
    standing = [] if cover else standing_ground(site, [shape for item in taken for shape in item.geometries])
    non_lawn = taken + ([NonLawn(standing, "things that stand")] if standing else [])
    pieces = _left(site, non_lawn, parameters, crumb_m2=CRUMB_M2 if cover else 0.0)
    account = ground_account_m2(site.parcel, pieces, non_lawn)
    less = [["ground", {"reason": reason, "area_m2": area}] for reason, area in account.items() if area >= 0.5]
    values = {"case": "less" if less else "whole", "parcel_m2": site.parcel.area, "less": less}
    finding = Finding("info", "lawn-derived", values)
    if not cover:
        return _Mapped(_rows(site, pieces, "derived", DERIVED_CONFIDENCE), [finding], standing)
    seen = [row for row in cover if row["cover"] not in ("crown", *DOUBT_COVERS)]
    worth = [row["confidence"] if row["cover"] in LAWN_COVERS else 1 - row["confidence"] for row in seen]
    confidence = confidence_within(pieces, [row["geometry"] for row in seen], worth, elsewhere=UNSEEN_CONFIDENCE)
    rows = _rows(site, pieces, "imagery", DERIVED_CONFIDENCE)
    rows = [{**row, "confidence": float(value)} for row, value in zip(rows, confidence, strict=True)]
    least_m2 = DOUBT_SHARE_MIN * sum(piece.area for piece in pieces)
    low, high = (
        _left(
            site,
            known + _shown(site, cover_by(cover, doubt), known, parameters) + trunks,
            parameters,
            crumb_m2=CRUMB_M2,
        )
        if sum(row["area_m2"] for row in cover if row["cover"] == doubt) > least_m2
        else pieces
        for doubt in ("hardly_lawn", "maybe_lawn")
    )
    return _Mapped(rows, [finding], (), low, high, known)


def _left(site: Site, non_lawn: list[NonLawn], parameters: LawnParameters, *, crumb_m2: float) -> list[Polygon]:
    """Return the pieces of the parcel that are left as lawn."""
    widths = {"sliver_width_m": parameters.sliver_width_m, "gap_close_m": parameters.gap_close_m}
    return [piece for piece in _on_grid(derived_lawn(site.parcel, non_lawn, **widths)) if piece.area >= crumb_m2]


def _shown(site: Site, cover: list[Row], known: list[NonLawn], parameters: LawnParameters) -> list[NonLawn]:
    """Return what the image shows as no lawn, beside what the layers take."""
    lawn = [row["geometry"] for row in cover if row["cover"] in LAWN_COVERS]
    mapped = [shape for item in known for shape in item.geometries]
    # A hedge, wall or fence drawn as a line says itself how far it reaches.
    mapped += [line.buffer(BARRIER_REACH_M, cap_style="flat") for line in site.geometries("barriers")]
    found = []
    for reason, words in SHOWN.items():
        shapes = [row["geometry"] for row in cover if row["cover"] in words]
        if shapes:
            ground = ground_to_take(shapes, lawn, mapped, width_min_m=parameters.image_width_min_m)
            found.append(NonLawn(ground, reason))
    return [item for item in found if len(item.geometries)]


def _found_trunks(plan: Plan) -> list[NonLawn]:
    trees = [tree for tree in plan.rows("trees_found") if tree["confidence"] >= TREE_CONFIDENCE_MIN]
    if not trees:
        return []
    radius = [max(tree["trunk_diameter_m"], 0.06) / 2 for tree in trees]
    return [NonLawn(discs([tree["geometry"].coords[0] for tree in trees], radius), "trunks")]


def _non_lawn(site: Site) -> list[NonLawn]:
    non_lawn = [
        NonLawn(site.geometries("buildings"), "buildings"),
        NonLawn(site.geometries("hard_surfaces"), "paving"),
        NonLawn(site.geometries("beds"), "beds"),
        NonLawn(site.geometries("water"), "water"),
        NonLawn(_areas(site.geometries("streets")), "streets"),
        NonLawn(_trunks(site), "trunks"),
        NonLawn(_areas(site.geometries("obstacles")), "obstacles"),
    ]
    return [item for item in non_lawn if len(item.geometries)]


def _areas(geometries: list[BaseGeometry]) -> list[BaseGeometry]:
    return [geometry for geometry in geometries if geometry.geom_type.endswith("Polygon")]


def _trunks(site: Site) -> list[BaseGeometry]:
    if "trees" not in site.layers:
        return []
    trees = single_parts(site.layers["trees"])
    radius = trees["trunk_diameter_m"].fillna(TRUNK_UNKNOWN_M).clip(lower=0.06).to_numpy() / 2
    return list(discs(trees.geometry.get_coordinates().to_numpy(), radius))


def _on_grid(pieces: Sequence[Polygon]) -> list[Polygon]:
    """Return the pieces as the plan keeps them, so that areas are measured on what is written."""
    return [part for piece in pieces for part in grid_parts(piece, GRID_M)]


def _rows(site: Site, pieces: Sequence[BaseGeometry], source: str, confidence: float, *, first: int = 1) -> list[Row]:
    return [
        {
            "lawn_id": f"{site.parcel_id}-G{number}",
            "area_m2": piece.area,
            "source": source,
            "confidence": confidence,
            "geometry": piece,
        }
        for number, piece in enumerate(pieces, start=first)
    ]


STEP = Step(
    id="lawn",
    title="Lawn from layers",
    description="Takes a surveyed lawn as it is, else the parcel less everything that covers it, with an account.",
    reads=(
        "cover",
        "trees_found",
        "site:parcels",
        "site:lawns",
        "site:buildings",
        "site:hard_surfaces",
        "site:beds",
        "site:water",
        "site:streets",
        "site:trees",
        "site:obstacles",
        "site:barriers",
        "site:outlets",
        "raster:dem",
        "raster:dsm",
        "raster:imagery",
        "fact:outlines",
        "fact:widths",
        "fact:surveys",
    ),
    writes=("lawn",),
    compute=lawn,
    parameters=LawnParameters,
)
