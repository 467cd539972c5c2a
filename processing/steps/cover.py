"""Step `cover`: what the image and the surface model show of the parcel: lawn, shrubs, trees, bare ground."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.cover import (
    CoverClass,
    CoverPiece,
    GroundCover,
    cover_pieces,
    ground_cover,
    height_above_ground,
    lawn_in_doubt,
    mask_pieces,
)
from lawngis.ground.imagery import Imagery, Threshold, cell_side_m, vegetation_index
from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.seams import whole
from lawngis.ground.shift import laid_right, layer_shift
from lawngis.ground.trees import FoundTree, found_trees, hedge_cells, new_trees
from lawngis.mower import MowerProfile

from ..derived.imagery_rules import (
    DOUBT_COVERS,
    LAWN_COVERS,
    LAWN_NOT_GREEN,
    PAVING_GREEN,
    PAVING_GREEN_SHARE,
    CoverParameters,
    colour_trust,
    contradicted,
    contradiction,
    cover_rules,
    cover_values,
    cover_word,
    flat_buildings,
    low_trees,
    shift_findings,
    threshold_findings,
    to_correct,
    used_threshold,
)
from ..derived.matching import Feature, applied, matched, no_target
from ..model.facts import answers
from ..model.plan import Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import Site, single_parts
from ..model.step import Step

PARCEL_MARGIN_M = 1.0
"""Pieces are outlined this far beyond the parcel, so that its boundary cuts none askew."""

UNDER_CROWN_CHECK_M2 = 10.0
"""Guessed lawn from which on it is worth a look on site."""


class _Seen(NamedTuple):
    """Image and height as used, what they show, and what was noticed on the way."""

    imagery: Imagery
    height: Grid | None
    threshold: Threshold
    cover: GroundCover
    in_doubt: Mapping[str, NDArray[np.bool_]]
    cell_m: float
    findings: list[Finding]


def cover(site: Site, plan: Plan, mower: MowerProfile, parameters: CoverParameters) -> StepResult:
    """Return pieces of cover and trees; nothing where there is no image."""
    del plan, mower
    imagery: Imagery | None = getattr(site, "imagery", None)
    if imagery is None:
        unseen = [no_target(fact, []) for fact in (*site.facts.covers, *site.facts.trees_gone)]
        return StepResult({"cover": [], "trees_found": []}, unseen)
    seen = _seen(site, imagery, parameters)
    hedge = _hedges(seen)
    near = _near_parcel(site, seen.cover)
    pieces = cover_pieces(
        [(near, whole(near.classes.shape))],
        site.frame,
        tolerance_m=seen.cell_m,
        area_min_m2=parameters.piece_min_m2,
    )
    masks = {"hedge": hedge, **seen.in_doubt}
    drawn = {
        word: mask_pieces(
            mask & (near.classes > 0),
            CoverClass.SHRUB if word == "hedge" else CoverClass.LAWN,
            near,
            site.frame,
            tolerance_m=seen.cell_m,
            area_min_m2=parameters.piece_min_m2,
        )
        for word, mask in masks.items()
    }
    of_facts: list[Finding] = []
    rows, asked = _as_measured(site, _cover_rows(site, pieces, drawn, seen.threshold), of_facts)
    found = _trees(site, seen, hedge, parameters)
    trees = _tree_rows(site, found)
    gone = set()
    for fact, index in matched(site.facts.trees_gone, _features(trees, "tree_id"), of_facts):
        of_facts.append(applied(fact, "gone", {"feature_id": trees[index]["tree_id"]}, trees[index]["geometry"]))
        gone.add(index)
    findings = seen.findings + _inferred(site, rows) + _contradictions(site, seen, rows, parameters)
    findings += _unmapped(site, [tree for index, tree in enumerate(found) if index not in gone])
    trees = [row for index, row in enumerate(trees) if index not in gone]
    return StepResult({"cover": rows, "trees_found": trees}, findings + of_facts, _checks(site, asked))


def _features(rows: Sequence[Row], key: str) -> list[Feature]:
    return [(row[key], row["geometry"]) for row in rows]


def _as_measured(site: Site, rows: list[Row], of_facts: list[Finding]) -> tuple[list[Row], list[Row]]:
    """Return pieces of cover as somebody saw them, and those that nobody looked at."""
    found, looked_at = list(rows), set[int]()
    for fact, index in matched(site.facts.covers, _features(rows, "cover_id"), of_facts):
        row = rows[index]
        change = {"column": "cover", "before": row["cover"], "after": fact.value}
        of_facts.append(applied(fact, "changed", {"feature_id": row["cover_id"], **change}, row["geometry"]))
        found[index] = {**row, "cover": fact.value, "confidence": 1.0, "evidence": fact.evidence}
        looked_at.add(index)
    asked = [row for index, row in enumerate(found) if index not in looked_at]
    if not looked_at:
        return found, asked
    ground = shapely.union_all([found[index]["geometry"] for index in looked_at])
    parts = [[row] if index in looked_at else _outside(row, ground) for index, row in enumerate(found)]
    return [part for some in parts for part in some], asked


def _outside(row: Row, ground: BaseGeometry) -> list[Row]:
    """Return a row without ground that somebody looked at, of which it says no more; a crown still stands over it."""
    if row["cover"] == "crown":
        return [row]
    parts = polygon_parts(shapely.difference(row["geometry"], ground))
    names = [row["cover_id"] + (f"-{number}" if number else "") for number in range(len(parts))]
    return [
        {**row, "cover_id": name, "area_m2": part.area, "geometry": part}
        for name, part in zip(names, parts, strict=True)
    ]


def _seen(site: Site, imagery: Imagery, parameters: CoverParameters) -> _Seen:
    findings = []
    dsm = site.dsm if site.has_terrain else None  # heights stand on the ground
    if dsm is None:
        findings.append(Finding("caution", "cover-without-heights", {"case": "parcel"}))
    mapped = site.geometries("hard_surfaces") + site.geometries("buildings")
    image_shift = layer_shift(imagery.red.with_values(vegetation_index(imagery)), mapped, site.frame)
    findings += shift_findings("image", image_shift, cell_side_m(imagery.red), parameters)
    if to_correct(image_shift, parameters):
        assert image_shift is not None  # noqa: S101  asked just above
        imagery = imagery.moved(-image_shift.cols, -image_shift.rows)
    if dsm is not None:
        lowness = dsm.with_values(-np.minimum(height_above_ground(dsm, site.dem, dsm, site.frame), 3.0))
        dsm_shift = layer_shift(lowness, site.geometries("buildings"), site.frame)
        findings += shift_findings("surface model", dsm_shift, cell_side_m(dsm), parameters)
        if to_correct(dsm_shift, parameters):
            assert dsm_shift is not None  # noqa: S101  asked just above
            dsm = laid_right(dsm, dsm_shift)
    height = None if dsm is None else height_above_ground(dsm, site.dem, imagery.red, site.frame)
    threshold = used_threshold(imagery, height, parameters)
    findings += threshold_findings(threshold, with_examples=imagery.examples_drawn)
    index = imagery.red.with_values(vegetation_index(imagery, threshold.index))
    rules = cover_rules(
        imagery,
        threshold,
        parameters,
        surface_cell_m=cell_side_m(dsm if dsm is not None else imagery.red),
        colour_trust=colour_trust(index, threshold, mapped, site.frame),
    )
    heights = None if height is None else imagery.red.with_values(height)
    seen = ground_cover(imagery, height, rules)
    doubt = lawn_in_doubt(imagery, height, rules, seen) if threshold.sd else ()
    return _Seen(
        imagery,
        heights,
        threshold,
        seen,
        dict(zip(DOUBT_COVERS, doubt, strict=False)),
        cell_side_m(imagery.red),
        findings,
    )


def _standing(cover_seen: GroundCover) -> NDArray[np.bool_]:
    return np.isin(cover_seen.classes, (CoverClass.SHRUB, CoverClass.TREE))


def _near_parcel(site: Site, cover_seen: GroundCover) -> GroundCover:
    """Return the cover of the parcel alone: what lies around it tells of shade and crowns, but gets no outlines."""
    grid = cover_seen.confidence
    xy = centres_in(grid, site.frame)
    around = shapely.buffer(site.parcel, PARCEL_MARGIN_M)
    outside = ~shapely.contains_xy(around, xy[:, 0], xy[:, 1]).reshape(grid.shape)
    return replace(
        cover_seen,
        classes=np.where(outside, CoverClass.UNKNOWN, cover_seen.classes),
        below=np.where(outside, CoverClass.UNKNOWN, cover_seen.below),
    )


def _hedges(seen: _Seen) -> NDArray[np.bool_]:
    return hedge_cells(_standing(seen.cover), cell_m=seen.cell_m)


def _trees(site: Site, seen: _Seen, hedge: NDArray[np.bool_], parameters: CoverParameters) -> list[FoundTree]:
    """Return the trees in the parcel that the surface model shows and the layer lacks."""
    if seen.height is None:
        return []
    found = found_trees(
        seen.height,
        _standing(seen.cover) & ~hedge,
        site.frame,
        built=np.isin(seen.cover.classes, (CoverClass.BUILT, CoverClass.STANDING)),
        height_min_m=parameters.tree_min_m,
    )
    found = [tree for tree in found if site.parcel.intersects(shapely.Point(tree.x_m, tree.y_m))]
    covered = shapely.union_all(site.geometries("buildings"))
    found = [tree for tree in found if not covered.intersects(shapely.Point(tree.x_m, tree.y_m))]
    known = single_parts(site.layers["trees"]) if "trees" in site.layers else None
    if known is None or not len(known):
        return found
    xy = known.geometry.get_coordinates().to_numpy()
    return new_trees(found, xy, known["crown_diameter_m"].to_numpy(dtype=float))


def _cover_rows(
    site: Site, pieces: list[CoverPiece], of_masks: Mapping[str, list[CoverPiece]], threshold: Threshold
) -> list[Row]:
    hedged = shapely.union_all([piece.polygon for piece in of_masks["hedge"]])
    drawn: list[tuple[str, CoverPiece, BaseGeometry]] = []
    for piece in pieces:
        word = cover_word(piece)
        shape = piece.polygon.difference(hedged) if word in ("shrub", "crown") else piece.polygon
        drawn.append((word, piece, shape))
    drawn += [(word, piece, piece.polygon) for word, some in of_masks.items() for piece in some]
    learned = site.imagery is not None and site.imagery.lawn_chance is not None
    rows: list[Row] = []
    for word, piece, shape in drawn:
        values = cover_values(word, piece, threshold, learned=learned)
        for part in polygon_parts(shapely.intersection(shape, site.parcel)):
            if part.area < 0.1:
                continue
            rows.append(
                {
                    "cover_id": f"{site.parcel_id}-C{len(rows) + 1}",
                    "area_m2": part.area,
                    **values,
                    "geometry": part,
                }
            )
    return rows


def _tree_rows(site: Site, found: list[FoundTree]) -> list[Row]:
    return [
        {
            "tree_id": f"{site.parcel_id}-T{number}",
            "height_m": tree.height_m,
            "crown_diameter_m": tree.crown_diameter_m,
            "trunk_diameter_m": tree.trunk_diameter_m,
            "confidence": tree.confidence,
            "geometry": shapely.Point(tree.x_m, tree.y_m),
        }
        for number, tree in enumerate(found, start=1)
    ]


def _inferred(site: Site, rows: list[Row]) -> list[Finding]:
    crown = sum(row["area_m2"] for row in rows if row["cover"] == "lawn_under_crown")
    shaded = sum(row["area_m2"] * row["shaded_share"] for row in rows if row["cover"] in ("lawn", "green"))
    hidden = [
        ("hidden-lawn", {"case": case, "area_m2": area_m2})
        for case, area_m2 in (("under_crowns", crown), ("in_shade", shaded))
        if area_m2 >= 0.5
    ]
    return [Finding("info", "lawn-inferred", {"hidden": hidden})] if hidden else []


def _contradictions(site: Site, seen: _Seen, rows: list[Row], parameters: CoverParameters) -> list[Finding]:
    not_green = [row["geometry"] for row in rows if row["cover"] in ("bare", "built")]
    green = [row["geometry"] for row in rows if row["cover"] in LAWN_COVERS and row["cover"] != "lawn_under_crown"]
    paved = site.geometries("hard_surfaces") + site.geometries("water")
    area_min_m2 = parameters.piece_min_m2
    found = [
        (contradicted(site.geometries("lawns"), not_green, area_min_m2), LAWN_NOT_GREEN),
        (contradicted(paved, green, PAVING_GREEN_SHARE * area_min_m2), PAVING_GREEN),
    ]
    findings = [contradiction(parts, severity_and_code) for parts, severity_and_code in found if parts]
    if seen.height is None:
        return findings
    buildings = [shape for shape in site.geometries("buildings") if shape.intersects(site.parcel)]
    findings += flat_buildings(seen.height, buildings, site.frame)
    if "trees" in site.layers:
        trees = single_parts(site.layers["trees"])
        findings += low_trees(seen.height, trees[trees.intersects(site.parcel)], site.frame)
    return findings


def _unmapped(site: Site, found: list[FoundTree]) -> list[Finding]:
    if not found:
        return []
    highest = found[0]
    values = {
        "case": "several" if len(found) > 1 else "one",
        "trees": len(found),
        "highest_m": highest.height_m,
    }
    return [Finding("caution", "tree-unmapped", values, shapely.Point(highest.x_m, highest.y_m))]


def _checks(site: Site, rows: list[Row]) -> list[VisitCheck]:
    hidden = [row for row in rows if row["cover"] == "lawn_under_crown"]
    area = sum(row["area_m2"] for row in hidden)
    if area < UNDER_CROWN_CHECK_M2:
        return []
    largest = max(hidden, key=lambda row: row["area_m2"])
    return [
        VisitCheck(
            "under-crowns",
            {"area_m2": area, "answers": answers("cover", "cover")},
            place=largest["geometry"].representative_point(),
            value=area,
            unit="m²",
            flip_probability=min(0.5, 1 - largest["confidence"]),
            weight=min(1.0, area / max(site.parcel.area, 1.0) + 0.1),
            target_layer="cover",
            target_id=largest["cover_id"],
            target_column="cover",
            at_stake=area,
        )
    ]


STEP = Step(
    id="cover",
    title="Ground cover from the air",
    description=(
        "Reads image and surface model: green and low is lawn, green and higher shrubs, hedges and trees, the rest "
        "dry, bare or built. Says what of the lawn hangs on where green begins, where image, surface model and layers "
        "contradict each other, and how far apart they lie."
    ),
    reads=(
        "site:parcels",
        "site:lawns",
        "site:buildings",
        "site:hard_surfaces",
        "site:water",
        "site:trees",
        "raster:dem",
        "raster:dsm",
        "raster:imagery",
        "fact:covers",
        "fact:trees_gone",
    ),
    writes=("cover", "trees_found"),
    compute=cover,
    parameters=CoverParameters,
)
