"""Step `cover`: what the image and the surface model show of the parcel: lawn, shrubs, trees, bare ground."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import Field
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import opened, polygon_parts
from lawngis.ground.cover import (
    CoverClass,
    CoverPiece,
    CoverRules,
    GroundCover,
    cover_pieces,
    ground_cover,
    height_above_ground,
    mask_pieces,
    usual_brightness,
    whole,
)
from lawngis.ground.imagery import (
    NDVI_RANGE,
    VISIBLE_RANGE,
    Imagery,
    Threshold,
    index_histogram,
    vegetation_index,
    vegetation_threshold,
)
from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.shift import Shift, laid_right, layer_shift
from lawngis.ground.trees import FoundTree, found_trees, hedge_cells, new_trees
from lawngis.ground.zonal import zonal_max, zonal_quantiles
from lawngis.mower import MowerProfile

from ..plans import Finding, Plan, Row, StepResult, VisitCheck
from ..sites import Site
from ..step import Parameters, Step

WORDS = {
    CoverClass.BARE: "bare",
    CoverClass.LAWN: "lawn",
    CoverClass.SHRUB: "shrub",
    CoverClass.TREE: "crown",
    CoverClass.BUILT: "built",
}
EVIDENCE = {
    "bare": "not green and low in the image and surface model",
    "lawn": "green and low in the image and surface model",
    "lawn_under_crown": "guessed: a crown hides it, and beside the crown there is lawn",
    "shrub": "green and of a shrub's height",
    "hedge": "green, standing, much longer than wide",
    "crown": "green and of a tree's height",
    "built": "stands and is not green",
}
PARCEL_MARGIN_M = 1.0
"""Pieces are outlined this far beyond the parcel, so that its boundary cuts none askew."""

FLAT_BUILDING_M = 1.0
"""A building whose middle stands lower than this is a doubt: torn down, not yet built, or misplaced."""

CONTRADICTION_WIDTH_M = 1.0
"""Narrower contradictions are how a map and an image differ anyway."""

UNDER_CROWN_CHECK_M2 = 10.0
"""Guessed lawn from which on it is worth a look on site."""


class CoverParameters(Parameters):
    """How the image is read."""

    index_threshold: float | None = Field(
        default=None, ge=-1, le=1, description="index from which ground is green; without it found in the image"
    )
    shrub_min_m: float = Field(default=0.5, ge=0.1, le=2, description="height from which plants are no lawn [m]")
    tree_min_m: float = Field(default=2.0, ge=1, le=10, description="height from which plants are trees [m]")
    piece_min_m2: float = Field(default=1.0, ge=0.1, le=100, description="smallest piece that is mapped [m²]")
    crown_reach_m: float = Field(
        default=6.0, ge=0, le=20, description="how far under a crown the ground is guessed from beside it [m]"
    )
    shift_limit_m: float = Field(
        default=1.0, ge=0, le=10, description="a raster further off the map than this is said and not corrected [m]"
    )
    correct_shift: bool = Field(default=False, description="lay image and surface model right onto the map")


class _Seen(NamedTuple):
    """Image and height as used, what they show, and what was noticed on the way."""

    imagery: Imagery
    height: Grid | None
    cover: GroundCover
    cell_m: float
    findings: list[Finding]


def cover(site: Site, plan: Plan, mower: MowerProfile, parameters: CoverParameters) -> StepResult:
    """Return pieces of cover and trees; nothing where there is no image."""
    del plan, mower
    imagery: Imagery | None = getattr(site, "imagery", None)
    if imagery is None:
        return StepResult({"cover": [], "trees_found": []})
    seen = _seen(site, imagery, parameters)
    hedge = _hedges(seen)
    near = _near_parcel(site, seen.cover)
    pieces = cover_pieces(
        [(near, whole(near.classes.shape))],
        site.frame,
        tolerance_m=seen.cell_m,
        area_min_m2=parameters.piece_min_m2,
    )
    hedges = mask_pieces(
        hedge & (near.classes > 0),
        CoverClass.SHRUB,
        near,
        site.frame,
        tolerance_m=seen.cell_m,
        area_min_m2=parameters.piece_min_m2,
    )
    rows = _cover_rows(site, pieces, hedges)
    found = _trees(site, seen, hedge, parameters)
    findings = seen.findings + _inferred(site, rows) + _contradictions(site, seen, rows, parameters)
    findings += _unmapped(site, found)
    return StepResult({"cover": rows, "trees_found": _tree_rows(site, found)}, findings, _checks(site, rows))


def _seen(site: Site, imagery: Imagery, parameters: CoverParameters) -> _Seen:
    threshold = _threshold(imagery, parameters)
    findings = _threshold_findings(imagery, threshold)
    dsm = site.dsm
    if dsm is None:
        text = "there is no surface model: shrubs and crowns count as lawn as far as no layer shows them"
        findings.append(Finding("caution", "cover-without-heights", text, "Add dsm.tif, or layers beds and trees."))
    image_shift = layer_shift(
        imagery.red.with_values(vegetation_index(imagery)),
        site.geometries("hard_surfaces") + site.geometries("buildings"),
        site.frame,
    )
    findings += _shift_findings("image", image_shift, imagery.red, parameters)
    if _to_correct(image_shift, parameters):
        assert image_shift is not None  # noqa: S101  asked just above
        imagery = imagery.moved(-image_shift.cols, -image_shift.rows)
    if dsm is not None:
        lowness = dsm.with_values(-np.minimum(height_above_ground(dsm, site.dem, dsm, site.frame), 3.0))
        dsm_shift = layer_shift(lowness, site.geometries("buildings"), site.frame)
        findings += _shift_findings("surface model", dsm_shift, dsm, parameters)
        if _to_correct(dsm_shift, parameters):
            assert dsm_shift is not None  # noqa: S101  asked just above
            dsm = laid_right(dsm, dsm_shift)
    height = None if dsm is None else height_above_ground(dsm, site.dem, imagery.red, site.frame)
    green, bare = usual_brightness(imagery, vegetation_index(imagery), threshold.value)
    rules = CoverRules(
        threshold.value,
        shrub_min_m=parameters.shrub_min_m,
        tree_min_m=parameters.tree_min_m,
        speck_m2=parameters.piece_min_m2,
        surface_cell_m=_cell_m(dsm if dsm is not None else imagery.red),
        crown_reach_m=parameters.crown_reach_m,
        near_infrared=imagery.nir is not None,
        brightness_of_green=green,
        brightness_of_bare=bare,
    )
    heights = None if height is None else imagery.red.with_values(height)
    return _Seen(imagery, heights, ground_cover(imagery, height, rules), _cell_m(imagery.red), findings)


def _threshold(imagery: Imagery, parameters: CoverParameters) -> Threshold:
    if parameters.index_threshold is not None:
        return Threshold(parameters.index_threshold, 1.0, "given")
    bounds = NDVI_RANGE if imagery.nir is not None else VISIBLE_RANGE
    return vegetation_threshold(index_histogram(vegetation_index(imagery)), bounds)


def _threshold_findings(imagery: Imagery, threshold: Threshold) -> list[Finding]:
    findings = []
    if imagery.nir is None:
        text = "the image has no near infrared: green was told by colour alone, with less confidence"
        findings.append(Finding("caution", "imagery-visible-only", text, "Take an image with near infrared."))
    if threshold.origin in ("default", "bound"):
        why = "shows no two kinds of ground" if threshold.origin == "default" else "would part them elsewhere"
        text = f"ground counts as green from an index of {threshold.value:.2f}, a usual value: the image {why}"
        findings.append(Finding("info", "green-threshold", text, "Set index_threshold if the cover looks wrong."))
    return findings


def _shift_findings(what: str, shift: Shift | None, grid: Grid, parameters: CoverParameters) -> list[Finding]:
    if shift is None or not shift.clear or shift.length_m < 0.5 * _cell_m(grid):
        return []
    sd = "" if np.isnan(shift.sd_m) else f" (± {shift.sd_m:.2f} m)"
    text = (
        f"the {what} lies {abs(shift.east_m):.2f} m {'east' if shift.east_m >= 0 else 'west'} and "
        f"{abs(shift.north_m):.2f} m {'north' if shift.north_m >= 0 else 'south'} of the mapped outlines{sd}"
    )
    code = f"{what.split(maxsplit=1)[0]}-shift"
    if shift.length_m > parameters.shift_limit_m:
        return [Finding("caution", code, text, "Too far to be corrected: check which of them is right.")]
    if _to_correct(shift, parameters):
        return [Finding("info", code, f"{text}; it was laid right")]
    return [Finding("info", code, text, "Set correct_shift to lay it right.")]


def _to_correct(shift: Shift | None, parameters: CoverParameters) -> bool:
    return parameters.correct_shift and shift is not None and shift.clear and shift.length_m <= parameters.shift_limit_m


def _cell_m(grid: Grid) -> float:
    dx, dy = grid.cell_size_m
    return float(np.sqrt(dx.mean() * dy.mean()))


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
        built=seen.cover.classes == CoverClass.BUILT,
        height_min_m=parameters.tree_min_m,
    )
    found = [tree for tree in found if site.parcel.intersects(shapely.Point(tree.x_m, tree.y_m))]
    covered = shapely.union_all(site.geometries("buildings"))
    found = [tree for tree in found if not covered.intersects(shapely.Point(tree.x_m, tree.y_m))]
    known = site.layers["trees"].explode(ignore_index=True) if "trees" in site.layers else None
    if known is None or not len(known):
        return found
    xy = known.geometry.get_coordinates().to_numpy()
    return new_trees(found, xy, known["crown_diameter_m"].to_numpy(dtype=float))


def _cover_rows(site: Site, pieces: list[CoverPiece], hedges: list[CoverPiece]) -> list[Row]:
    hedged = shapely.union_all([piece.polygon for piece in hedges])
    drawn: list[tuple[str, CoverPiece, BaseGeometry]] = []
    for piece in pieces:
        word = "lawn_under_crown" if piece.inferred else WORDS[piece.cover]
        shape = piece.polygon.difference(hedged) if word in ("shrub", "crown") else piece.polygon
        drawn.append((word, piece, shape))
    drawn += [("hedge", piece, piece.polygon) for piece in hedges]
    rows: list[Row] = []
    for word, piece, shape in drawn:
        for part in polygon_parts(shapely.intersection(shape, site.parcel)):
            if part.area < 0.1:
                continue
            rows.append(
                {
                    "cover_id": f"{site.parcel_id}-C{len(rows) + 1}",
                    "cover": word,
                    "area_m2": part.area,
                    "confidence": piece.confidence,
                    "shaded_share": piece.shaded_share,
                    "evidence": EVIDENCE[word],
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
    shaded = sum(row["area_m2"] * row["shaded_share"] for row in rows if row["cover"] == "lawn")
    parts = [f"{crown:.0f} m² under crowns"] * (crown >= 0.5) + [f"{shaded:.0f} m² in the shade"] * (shaded >= 0.5)
    if not parts:
        return []
    text = f"of the lawn that the image shows, {' and '.join(parts)} can't be seen well, and is less sure"
    return [Finding("info", "lawn-inferred", text, "Look at it on site.")]


def _contradictions(site: Site, seen: _Seen, rows: list[Row], parameters: CoverParameters) -> list[Finding]:
    return [
        *_clash(
            site.geometries("lawns"),
            [row["geometry"] for row in rows if row["cover"] in ("bare", "built")],
            parameters.piece_min_m2,
            Finding(
                "caution", "lawn-not-green", "m² of the surveyed lawn are not green in the image", "Ask which is newer."
            ),
        ),
        *_clash(
            site.geometries("hard_surfaces") + site.geometries("water"),
            [row["geometry"] for row in rows if row["cover"] == "lawn"],
            4 * parameters.piece_min_m2,
            Finding(
                "info", "paving-green", "m² of paving or water look like lawn; the layer was believed", "Check it."
            ),
        ),
        *_flat_buildings(site, seen),
        *_low_trees(site, seen),
    ]


def _clash(said: list[BaseGeometry], shown: list[BaseGeometry], area_min_m2: float, finding: Finding) -> list[Finding]:
    both = shapely.intersection(shapely.union_all(said), shapely.union_all(shown))
    parts = polygon_parts(opened(shapely.union_all(polygon_parts(both)), CONTRADICTION_WIDTH_M))
    parts = [part for part in parts if part.area >= area_min_m2]
    if not parts:
        return []
    largest = max(parts, key=lambda part: part.area)
    text = f"{sum(part.area for part in parts):.0f} {finding.text}"
    return [Finding(finding.severity, finding.code, text, finding.advice, largest.representative_point())]


def _flat_buildings(site: Site, seen: _Seen) -> list[Finding]:
    if seen.height is None:
        return []
    flat = []
    for building in site.geometries("buildings"):
        if building.area >= 4 and building.intersects(site.parcel):
            middle = float(zonal_quantiles(seen.height, building, site.frame, [0.5])[0])
            if middle < FLAT_BUILDING_M:  # not so for NaN
                flat.append((building, middle))
    return [
        Finding(
            "caution",
            "building-flat",
            f"a building of {building.area:.0f} m² stands only {middle:.1f} m high in the surface model",
            "It may be gone, new, or drawn in the wrong place; the layer was believed.",
            building.representative_point(),
        )
        for building, middle in flat
    ]


def _low_trees(site: Site, seen: _Seen) -> list[Finding]:
    if seen.height is None or "trees" not in site.layers:
        return []
    trees = site.layers["trees"].explode(ignore_index=True)
    findings = []
    for place, crown, height_m in zip(trees.geometry, trees["crown_diameter_m"], trees["height_m"], strict=True):
        if not site.parcel.intersects(place) or not height_m >= 2 * FLAT_BUILDING_M:
            continue
        around = place.buffer(max(crown / 2, 1.0) if np.isfinite(crown) else 1.0)
        if zonal_max(seen.height, around, site.frame) < FLAT_BUILDING_M:
            text = f"a tree of {height_m:.0f} m is not in the surface model"
            findings.append(Finding("caution", "tree-gone", text, "It may have been felled; it was kept.", place))
    return findings


def _unmapped(site: Site, found: list[FoundTree]) -> list[Finding]:
    if not found:
        return []
    highest = found[0]
    text = (
        f"{len(found)} trees that no layer has were found in the surface model, the highest of {highest.height_m:.0f} m"
    )
    return [
        Finding(
            "caution",
            "tree-unmapped",
            text if len(found) > 1 else f"a tree of {highest.height_m:.0f} m that no layer has was found",
            "Where its trunk stands, and how thick it is, is a guess: measure it.",
            shapely.Point(highest.x_m, highest.y_m),
        )
    ]


def _checks(site: Site, rows: list[Row]) -> list[VisitCheck]:
    hidden = [row for row in rows if row["cover"] == "lawn_under_crown"]
    area = sum(row["area_m2"] for row in hidden)
    if area < UNDER_CROWN_CHECK_M2:
        return []
    largest = max(hidden, key=lambda row: row["area_m2"])
    return [
        VisitCheck(
            measure_what=f"what grows under the crowns, {area:.0f} m²",
            measured_how="look: lawn, bare soil or a bed; walk its edge with the tape where it matters",
            decides="whether that ground is lawn",
            place=largest["geometry"].representative_point(),
            value=area,
            unit="m²",
            flip_probability=min(0.5, 1 - largest["confidence"]),
            weight=min(1.0, area / max(site.parcel.area, 1.0) + 0.1),
        )
    ]


STEP = Step(
    id="cover",
    title="Ground cover from the air",
    description=(
        "Reads image and surface model: green and low is lawn, green and higher shrubs, hedges and trees, the rest "
        "bare or built. Says where image, surface model and layers contradict each other, and how far they lie apart."
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
    ),
    writes=("cover", "trees_found"),
    compute=cover,
    parameters=CoverParameters,
)
