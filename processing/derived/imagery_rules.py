"""How an image and a surface model are read, and what is said of them: for the ground of a parcel or a whole image."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import geopandas
import numpy as np
import shapely
from numpy.typing import NDArray
from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.polygons import opened, polygon_parts
from lawngis.ground.cover import TRUST_WITHOUT_NIR, CoverClass, CoverPiece, CoverRules
from lawngis.ground.greenness import WARM_MOST, green_threshold, in_shade, usual_brightness, warm_from
from lawngis.ground.imagery import (
    GreenIndex,
    Imagery,
    Threshold,
    vegetation_index,
)
from lawngis.ground.raster import Grid
from lawngis.ground.shift import Shift
from lawngis.ground.zonal import zonal_max, zonal_quantiles

from ..model.plan import Finding
from ..model.step import Parameters

WORDS = {
    CoverClass.BARE: "bare",
    CoverClass.LAWN: "lawn",
    CoverClass.SHRUB: "shrub",
    CoverClass.TREE: "crown",
    CoverClass.BUILT: "built",
    CoverClass.HEDGE: "hedge",
    CoverClass.GREEN: "green",
    CoverClass.DRY: "dry",
    CoverClass.STANDING: "unknown",
    CoverClass.SHADED: "shaded",
}
EVIDENCE = {
    "bare": "not green and low in the image and surface model",
    "lawn": "green and low in the image and surface model",
    "lawn_under_crown": "guessed: a crown hides it, and beside the crown there is lawn",
    "shrub": "green and of a shrub's height",
    "hedge": "green, standing, much longer than wide",
    "crown": "green and of a tree's height",
    "built": "stands and is not green",
    "green": "green in the image, and no surface model tells how high: lawn, shrubs or crowns",
    "dry": "not standing, and just not green enough: dry grass, or bare ground",
    "shaded": "not green, but in the shade, or dark by itself, where colour tells nothing without near infrared",
    "unknown": "stands and is not green, but without near infrared colour doesn't tell a plant from a building",
}
LEARNED_EVIDENCE = {
    "lawn": "like the lawn that somebody drew as an example, and not known to stand",
    "bare": "like the other ground that somebody drew as an example, and not known to stand",
}
"""What examples tell."""

DOUBT_COVERS = {
    "maybe_lawn": "lawn only if ground counts as green from one standard deviation less",
    "hardly_lawn": "lawn no more if ground counts as green from one standard deviation more",
}
"""What lies over other cover and says that it hangs on the threshold of greenness, and its evidence."""

LAWN_COVERS = ("lawn", "lawn_under_crown", "green")
"""Cover that a lawn is derived from, however sure it is."""

FLAT_BUILDING_M = 1.0
"""A building whose middle stands lower than this is a doubt: torn down, not yet built, or misplaced."""

CONTRADICTION_WIDTH_M = 1.0
"""Narrower contradictions are how a map and an image differ anyway."""


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
    block_m: float = Field(
        default=250.0, ge=20, le=2000, description="side of the blocks in which a whole image is read [m]"
    )
    sheet_m: float = Field(
        default=500.0,
        ge=100,
        le=20_000,
        description="pieces of a whole image longer than this are parted along lines so far apart [m]",
    )


def cover_word(piece: CoverPiece) -> str:
    """Return what a piece is called in the layer `cover`."""
    return "lawn_under_crown" if piece.inferred else WORDS[piece.cover]


def cover_values(word: str, piece: CoverPiece, threshold: Threshold, *, learned: bool = False) -> dict[str, Any]:
    """Return what the layer `cover` says of a piece beside its name, place and area.

    Parameters
    ----------
    word
        What it is called there.
    piece
        The piece.
    threshold
        From where on ground counts as green.
    learned
        Whether examples tell lawn from other ground.
    """
    return {
        "cover": word,
        "confidence": piece.confidence,
        "shaded_share": piece.shaded_share,
        "greenness": piece.greenness,
        "green_from": threshold.value,
        "green_from_sd": threshold.sd,
        "evidence": {**EVIDENCE, **DOUBT_COVERS, **(LEARNED_EVIDENCE if learned else {})}[word],
    }


def used_threshold(imagery: Imagery, height_m: NDArray[np.float64] | None, parameters: CoverParameters) -> Threshold:
    """Return the index from which ground counts as green: as given, else found in an image.

    Parameters
    ----------
    imagery
        The image, or a sample of it.
    height_m
        Height above ground on its cells [m], of which the low ones alone are looked at where there are any; None
        without a surface model.
    parameters
        Of the step `cover`.
    """
    if parameters.index_threshold is not None:
        index_used = GreenIndex.GREEN_LEAF if imagery.nir is None else GreenIndex.NDVI
        return Threshold(parameters.index_threshold, 1.0, "given", index=index_used)
    index = vegetation_index(imagery)
    low = np.isfinite(index) if height_m is None else np.isfinite(index) & (height_m < parameters.shrub_min_m)
    low = low if low.any() else np.isfinite(index)
    return green_threshold(imagery, low)


def cover_rules(
    imagery: Imagery,
    threshold: Threshold,
    parameters: CoverParameters,
    *,
    surface_cell_m: float,
    colour_trust: float = TRUST_WITHOUT_NIR,
) -> CoverRules:
    """Return the rules by which an image's cells are classified.

    Parameters
    ----------
    imagery
        The image, or a sample of it, which tells how bright sunlit ground is.
    threshold, parameters
        As :func:`used_threshold` gave it, and of the step `cover`.
    surface_cell_m
        Cell of the surface model, or of the image without one [m].
    colour_trust
        As :func:`colour_trust` gave it.
    """
    index = vegetation_index(imagery, threshold.index)
    usual = usual_brightness(imagery, index, threshold.value)
    green = index >= threshold.value
    sunlit = np.isfinite(index) & ~green & ~in_shade(imagery.brightness, green, usual)
    return CoverRules(
        threshold.value,
        threshold.sd,
        shrub_min_m=parameters.shrub_min_m,
        tree_min_m=parameters.tree_min_m,
        speck_m2=parameters.piece_min_m2,
        surface_cell_m=surface_cell_m,
        crown_reach_m=parameters.crown_reach_m,
        index=threshold.index,
        kinds=threshold.kinds,
        colour_trust=colour_trust,
        warm_from=WARM_MOST if imagery.nir is not None else warm_from(imagery, sunlit),
        brightness_of_green=usual[0],
        brightness_of_bare=usual[1],
    )


PRIOR_FEATURES = 5.0
"""What is known of colour beforehand counts as much as so many roofs and pieces of paving that a map shows."""


def colour_trust(index: Grid, threshold: Threshold, mapped: Iterable[BaseGeometry], frame: MeasuringFrame) -> float:
    """Return how far an image's colour tells plants, by the roofs and the paving that a map shows [0, 1].

    Parameters
    ----------
    index
        By which green is told.
    threshold
        From where on it is.
    mapped
        Roofs and paving [m], each of which is a trial: most of it is not green, or colour fails there.
    frame
        The measuring frame.

    Notes
    -----
    Mean of a beta distribution: what is known beforehand, with as many trials as `PRIOR_FEATURES`, and the map's.
    """
    middles = [zonal_quantiles(index, shape, frame, [0.5])[0] for shape in mapped if shape.area >= 4]
    seen = [bool(middle < threshold.value) for middle in middles if np.isfinite(middle)]
    return (PRIOR_FEATURES * TRUST_WITHOUT_NIR + sum(seen)) / (PRIOR_FEATURES + len(seen))


def threshold_findings(threshold: Threshold, *, with_examples: bool = False) -> list[Finding]:
    """Return what must be said of the index by which green is told, to somebody who drew examples or didn't."""
    values = {"index": threshold.value, "index_sd": threshold.sd}
    advised = {"case": "with_examples"} if with_examples else {}
    if threshold.index is GreenIndex.NDVI:
        if threshold.origin not in ("default", "bound"):
            return []
        return [
            Finding(
                "info", "green-threshold", {"case": "default" if threshold.origin == "default" else "bound", **values}
            )
        ]
    findings = [Finding("caution", "imagery-visible-only")]
    if threshold.kinds is not None:
        of_kinds = {"kind": threshold.index, "overlap_percent": 100 * threshold.kinds.overlap, **values, **advised}
        findings.append(Finding("info", "green-by-colour", of_kinds))
    elif threshold.origin == "default":
        findings.append(Finding("caution", "green-unknown", {**values, **advised}))
    return findings


_SHIFT_CODES = {"image": "image-shift", "surface model": "surface-shift"}


def shift_findings(what: str, shift: Shift | None, cell_m: float, parameters: CoverParameters) -> list[Finding]:
    """Return what must be said of how far a raster lies off the mapped outlines."""
    if shift is None or not shift.clear or shift.length_m < 0.5 * cell_m:
        return []
    too_far = shift.length_m > parameters.shift_limit_m
    values = {
        "case": "too_far" if too_far else "laid_right" if to_correct(shift, parameters) else "left",
        "along_x_m": abs(shift.east_m),
        "east_west": "east" if shift.east_m >= 0 else "west",
        "along_y_m": abs(shift.north_m),
        "north_south": "north" if shift.north_m >= 0 else "south",
        "accuracy": [] if np.isnan(shift.sd_m) else [("accuracy", {"sd_m": shift.sd_m})],
    }
    return [Finding("caution" if too_far else "info", _SHIFT_CODES[what], values)]


def to_correct(shift: Shift | None, parameters: CoverParameters) -> bool:
    """Return whether a raster is to be laid right by a shift."""
    return parameters.correct_shift and shift is not None and shift.clear and shift.length_m <= parameters.shift_limit_m


def contradicted(said: Sequence[BaseGeometry], shown: Sequence[BaseGeometry], area_min_m2: float) -> list[Polygon]:
    """Return the ground of which a map says one thing and the image another, as far as it is wide enough to matter."""
    both = shapely.intersection(shapely.union_all(list(said)), shapely.union_all(list(shown)))
    parts = polygon_parts(opened(shapely.union_all(polygon_parts(both)), CONTRADICTION_WIDTH_M))
    return [part for part in parts if part.area >= area_min_m2]


def contradiction(parts: Sequence[Polygon], severity_and_code: tuple[str, str]) -> Finding:
    """Return the finding that map and image contradict each other over some ground, placed in the largest of it."""
    largest = max(parts, key=lambda part: part.area)
    severity, code = severity_and_code
    return Finding(severity, code, {"area_m2": sum(part.area for part in parts)}, largest.representative_point())


LAWN_NOT_GREEN = ("caution", "lawn-not-green")
PAVING_GREEN = ("info", "paving-green")
"""Severity and code where the image shows something else than a survey, and than a layer of paving or water."""

PAVING_GREEN_SHARE = 4
"""Grass that hangs over paving, and moss on it, is common: this many smallest pieces are said."""


def flat_buildings(height: Grid, buildings: Iterable[BaseGeometry], frame: MeasuringFrame) -> list[Finding]:
    """Return the buildings that don't stand in the surface model."""
    flat = []
    for building in buildings:
        if building.area >= 4:
            middle = float(zonal_quantiles(height, building, frame, [0.5])[0])
            if middle < FLAT_BUILDING_M:  # not so for NaN
                flat.append((building, middle))
    return [
        Finding(
            "caution",
            "building-flat",
            {"area_m2": building.area, "height_m": middle},
            building.representative_point(),
        )
        for building, middle in flat
    ]


def low_trees(height: Grid, trees: geopandas.GeoDataFrame, frame: MeasuringFrame) -> list[Finding]:
    """Return the trees, a point in each row, that don't stand in the surface model."""
    findings = []
    for place, crown, height_m in zip(trees.geometry, trees["crown_diameter_m"], trees["height_m"], strict=True):
        if not height_m >= 2 * FLAT_BUILDING_M:
            continue
        around = place.buffer(max(crown / 2, 1.0) if np.isfinite(crown) else 1.0)
        if zonal_max(height, around, frame) < FLAT_BUILDING_M:
            findings.append(Finding("caution", "tree-gone", {"height_m": height_m}, place))
    return findings
