"""Layers of the cover of a whole image, those of a plan without their parcels, and their rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime

import shapely
from shapely import Polygon

from lawngis import __version__
from lawngis.ground.cover import CoverPiece
from lawngis.ground.imagery import Threshold
from lawngis.ground.trees import FoundTree

from ..derived.imagery_rules import CoverParameters, cover_values
from ..files.digests import sha256
from ..model.contract import Column, Layer, boolean
from ..model.layers import PLAN_LAYERS
from ..model.plan import Finding, Row
from .image import WholeImage

_PARTED = boolean("parted", "whether more of it lies beyond a straight line along which it was cut")
_DROPPED = {"findings": {"parcel_id", "step"}}


def _without_parcels(name: str, *more: Column) -> Layer:
    spec = PLAN_LAYERS[name]
    dropped = _DROPPED.get(name, {"parcel_id"})
    return replace(spec, columns=(*(column for column in spec.columns if column.name not in dropped), *more))


COVER_LAYERS: Mapping[str, Layer] = {
    "cover": _without_parcels("cover", _PARTED),
    "trees_found": _without_parcels("trees_found"),
    "findings": _without_parcels("findings"),
    "run_info": _without_parcels("run_info"),
}
"""What is written: the layers of a plan without their parcels."""


def cover_row(
    number: int, word: str, piece: CoverPiece, polygon: Polygon, threshold: Threshold, *, learned: bool
) -> Row:
    """Return a row of `cover`; see :func:`cover_values`."""
    return {
        "cover_id": f"C{number}",
        "area_m2": polygon.area,
        **cover_values(word, piece, threshold, learned=learned),
        "parted": piece.parted,
        "geometry": polygon,
    }


def tree_row(number: int, tree: FoundTree) -> Row:
    """Return a row of `trees_found`."""
    return {
        "tree_id": f"T{number}",
        "height_m": tree.height_m,
        "crown_diameter_m": tree.crown_diameter_m,
        "trunk_diameter_m": tree.trunk_diameter_m,
        "confidence": tree.confidence,
        "geometry": shapely.Point(tree.x_m, tree.y_m),
    }


def finding_row(number: int, finding: Finding) -> Row:
    """Return a row of `findings`; its place may be empty."""
    return {"finding_id": f"F{number}", **finding.row()}


def run_info_rows(image: WholeImage, parameters: CoverParameters, started: datetime) -> list[Row]:
    """Return what somebody needs to do the same again."""
    facts = {
        "lawngis version": __version__,
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "bands": ", ".join(f"{name} {number}" for name, number in image.bands.items()),
        **{f"step cover.{name}": str(value) for name, value in parameters.model_dump().items()},
    }
    for name, info in image.info.items():
        size = f"{info.width} x {info.height} cells of {info.res[0]:g}"
        facts[f"raster {name}"] = f"{info.source}, {size}, {info.crs.name}"
    for name in image.layers:
        facts[f"layer {name}"] = str(image.files.layers[name])
    facts |= {f"sha256 {path}": sha256(path) for path in image.files.inputs if path.is_file()}
    return [{"key": key, "value": value} for key, value in facts.items()]
