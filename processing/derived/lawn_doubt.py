"""Ground of which an image doesn't settle whether it is lawn: how much hangs on it, what is said of it, what is asked.

It hangs on where green begins, or is dry and just not green enough, or lies in the shade, or is green of unknown
height, or it stands and only colour says that it is no plant.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

import shapely
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import opened, polygon_parts
from lawngis.mower import MowerProfile

from ..model.facts import answers
from ..model.plan import Finding, Row, VisitCheck
from .imagery_rules import DOUBT_COVERS, LAWN_COVERS

SPREAD_MAX = 0.5
"""A lawn whose area differs by more than this share of itself within the threshold's doubt is undecided."""

ASKED_MIN_M2 = 4.0
"""Smaller pieces are counted, but not asked about one by one."""

ASKED_MOST = 3
"""So many of the largest pieces of a kind are asked about: they tell what the others are."""

DOUBTS = {
    "dry": "ground-dry",
    "shaded": "ground-shaded",
    "green": "green-height-unknown",
    "unknown": "standing-unknown",
}
"""Cover that is a doubt by itself, and the code of the finding that says so."""


@dataclass(frozen=True)
class LawnRange:
    """How much lawn there is within the doubt of the threshold of greenness.

    Parameters
    ----------
    low_m2, mid_m2, high_m2
        With a threshold one standard deviation higher, with the threshold itself, and one lower [m²].
    undecided
        Whether that doubt decides if there is a lawn for a mower, or by much how large it is.
    some
        Whether there is one in any case.
    """

    low_m2: float
    mid_m2: float
    high_m2: float
    undecided: bool
    some: bool


def lawn_range(
    low: Sequence[Polygon], lawn: Sequence[Polygon], high: Sequence[Polygon], mower: MowerProfile
) -> LawnRange:
    """Return how much lawn there is by the threshold of greenness, and by one a standard deviation off.

    Undecided is whether there is a lawn when it is enough for a mower by one threshold and not by another, or when it
    is enough, and the difference is more than half of it.

    Parameters
    ----------
    low, lawn, high
        Pieces of lawn by a threshold one standard deviation higher, by the threshold itself, and by one lower [m].
    mower
        Whose passage and smallest zone say what is enough.
    """
    mid_m2 = sum(piece.area for piece in lawn)
    low_m2 = min(mid_m2, sum(piece.area for piece in low))
    high_m2 = max(mid_m2, sum(piece.area for piece in high))
    enough = [_enough(some, mower) for some in (low, lawn, high)]
    undecided = any(enough) and (not all(enough) or high_m2 - low_m2 > SPREAD_MAX * mid_m2)
    return LawnRange(low_m2, mid_m2, high_m2, undecided, all(enough))


def cover_by(cover: Sequence[Row], doubt: str) -> list[Row]:
    """Return the cover as it would be if all ground of a kind of doubt were what its word says.

    Parameters
    ----------
    cover
        Rows of the layer `cover`.
    doubt
        ``maybe_lawn``: by the lower threshold that is lawn; ``hardly_lawn``: by the higher one that is bare.
    """
    ground = shapely.union_all([row["geometry"] for row in cover if row["cover"] == doubt])
    if doubt == "maybe_lawn":
        return [{**row, "cover": "lawn"} if row["cover"] == doubt else row for row in cover]
    changed = [{**row, "cover": "bare"} if row["cover"] == doubt else row for row in cover]
    return [
        {**row, "geometry": shapely.difference(row["geometry"], ground)} if row["cover"] in LAWN_COVERS else row
        for row in changed
    ]


class DoubtfulGround(NamedTuple):
    """A piece of ground of which the image doesn't settle whether it is lawn, its kind, and the row that says so."""

    kind: str
    ground: Polygon
    row: Row


def doubtful_ground(cover: Sequence[Row], mapped: Sequence[BaseGeometry]) -> list[DoubtfulGround]:
    """Return the ground of which the image doesn't settle whether it is lawn, the largest piece first.

    Parameters
    ----------
    cover
        Rows of the layer `cover`; kinds are their words.
    mapped
        What layers show and is no lawn [m]: nothing is in doubt there.
    """
    known = shapely.union_all([shape for shape in mapped if shape.geom_type.endswith("Polygon")])
    found = []
    for row in cover:
        if row["cover"] in (*DOUBTS, *DOUBT_COVERS):
            parts = polygon_parts(shapely.difference(row["geometry"], known))
            found += [DoubtfulGround(row["cover"], part, row) for part in parts]
    return sorted(found, key=lambda piece: -piece.ground.area)


def doubt_findings(extent: LawnRange, ground: Sequence[DoubtfulGround], cover: Sequence[Row]) -> list[Finding]:
    """Return what must be said of a lawn that hangs on the threshold, and of each kind of ground in doubt."""
    findings = []
    in_doubt = next((row for row in cover if row["cover"] in DOUBT_COVERS), None)
    if extent.undecided and in_doubt is not None:
        values = {
            "area_low_m2": extent.low_m2,
            "area_m2": extent.mid_m2,
            "area_high_m2": extent.high_m2,
            "threshold": in_doubt["green_from"],
            "threshold_sd": in_doubt["green_from_sd"],
            **({"case": "how-much"} if extent.some else {}),
        }
        largest = next((piece for piece in ground if piece.kind in DOUBT_COVERS), None)
        place = None if largest is None else largest.ground.representative_point()
        findings.append(Finding("caution", "lawn-undecided", values, place))
    areas_m2 = {kind: sum(piece.ground.area for piece in ground if piece.kind == kind) for kind in DOUBTS}
    largest_of = {piece.kind: piece.ground.representative_point() for piece in reversed(ground)}
    return findings + doubt_area_findings(areas_m2, largest_of)


def doubt_area_findings(
    areas_m2: Mapping[str, float], places: Mapping[str, Point] = MappingProxyType({})
) -> list[Finding]:
    """Return what must be said of each kind of ground in doubt: its area [m²] and, by kind, where most of it lies."""
    findings = []
    for kind, code in DOUBTS.items():
        if areas_m2[kind] >= ASKED_MIN_M2:
            case = {"case": "any-height"} if kind == "dry" and areas_m2["green"] else {}
            findings.append(Finding("caution", code, {"area_m2": areas_m2[kind], **case}, places.get(kind)))
    return findings


def doubt_checks(extent: LawnRange, ground: Sequence[DoubtfulGround], parcel_m2: float) -> list[VisitCheck]:
    """Return what to look at on site: is this lawn? First of all where that decides whether there is any."""
    checks = []
    for kind in DOUBT_COVERS if extent.undecided else ():
        checks += [_look("lawn-at-all", piece, None, 1.0, case=kind) for piece in _asked(ground, kind)]
    looked_at = shapely.union_all([check.area for check in checks])
    beside = [piece for piece in ground if piece.ground.intersection(looked_at).area < piece.ground.area / 2]
    for kind, code in (("dry", "dry-grass"), ("shaded", "in-shade"), ("green", "maybe-crown")):
        for piece in _asked(beside, kind):
            weight = min(1.0, piece.ground.area / max(parcel_m2, 1.0) + 0.1)
            checks.append(_look(code, piece, min(0.5, 1 - piece.row["confidence"]), weight))
    standing = [piece.ground for piece in ground if piece.kind == "unknown"]
    return checks + (standing_checks(standing) if sum(part.area for part in standing) >= ASKED_MIN_M2 else [])


def standing_checks(standing: Sequence[Polygon]) -> list[VisitCheck]:
    """Return the question what stands somewhere that no layer has; none where nothing does."""
    if not standing:
        return []
    largest = max(standing, key=lambda part: part.area)
    area_m2 = sum(part.area for part in standing)
    values = {"area_m2": area_m2, "places": len(standing)}
    place = largest.representative_point()
    return [
        VisitCheck("standing", values, place, area_m2, unit="m²", weight=0.5, area=largest, at_stake=area_m2),
    ]


def _asked(ground: Sequence[DoubtfulGround], kind: str) -> list[DoubtfulGround]:
    return [piece for piece in ground if piece.kind == kind and piece.ground.area >= ASKED_MIN_M2][:ASKED_MOST]


def _look(code: str, piece: DoubtfulGround, chance: float | None, weight: float, case: str = "") -> VisitCheck:
    area_m2 = piece.ground.area
    values = {"area_m2": area_m2, "answers": answers("cover", "cover"), **({"case": case} if case else {})}
    return VisitCheck(
        code,
        values,
        piece.ground.representative_point(),
        area_m2,
        unit="m²",
        flip_probability=chance,
        weight=weight,
        target_layer="cover",
        target_id=piece.row["cover_id"],
        target_column="cover",
        area=piece.ground,
        at_stake=area_m2,
    )


def _enough(lawn: Sequence[BaseGeometry], mower: MowerProfile) -> bool:
    """Return whether a piece of lawn is wide and large enough for a zone."""
    wide = polygon_parts(opened(shapely.union_all(list(lawn)), mower.passage_mow_min_m))
    return any(part.area >= mower.zone_area_min_m2 for part in wide)
