"""What is said of slopes that somebody measured, and where slopes are still to be measured."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts
from lawngis.ground.raster import Grid
from lawngis.ground.steep import unknown_areas
from lawngis.mower import MowerProfile

from ..model.facts import Fact
from ..model.plan import Finding, VisitCheck
from ..model.site import Site
from .doubt import worth_a_look
from .matching import applied, contradicts
from .slope import SlopeParameters
from .slope_readings import REACH_M, Piece


def reading_findings(pieces: Sequence[Piece]) -> list[Finding]:
    """Return what is said of readings: for what ground they count, what is missing, and what they contradict."""
    findings, said = [], set[int]()
    for piece in pieces:
        for fact in piece.readings:
            if id(fact) in said:
                continue
            said.add(id(fact))
            findings.append(_counts(fact, piece))
            if fact in piece.far:
                findings.append(_against_map(fact, piece))
    return findings


def _counts(fact: Fact[float], piece: Piece) -> Finding:
    """Return for what ground a reading counts, or what is missing that it does."""
    read = {"slope_percent": fact.value, "area_m2": piece.ground.area}
    if piece.settled_percent is not None:
        if len(piece.readings) == 1:
            return applied(fact, "slope", read)
        steepest = {"readings": len(piece.readings), "steepest_percent": piece.settled_percent}
        return applied(fact, "steepest_slope", {**read, **steepest})
    wanted = len(piece.open_places)
    if not wanted:
        return applied(fact, "slope_alone", read)
    return applied(fact, "slope_of_several", {**read, "wanted": wanted, "readings": len(piece.asked)})


def _against_map(fact: Fact[float], piece: Piece) -> Finding:
    told = {"slope_percent": fact.value, "mapped_percent": piece.mean_percent, "sd_percent": piece.sd_percent}
    if fact in piece.unconfirmed:
        place = None if fact.place is None else fact.place.representative_point()
        return Finding("stop", "slope-unconfirmed", told, place)
    return contradicts("slope", told, fact.place)


def slope_checks(
    pieces: Sequence[Piece], lawn: BaseGeometry, mower: MowerProfile, parameters: SlopeParameters
) -> list[VisitCheck]:
    """Return the readings that are still to be taken: on doubtful ground, and where somebody began to measure."""
    checks = []
    for piece in pieces:
        begun = bool(piece.readings) and not piece.unconfirmed
        chance = 0.0 if piece.doubt is None else piece.doubt.flip_probability
        if not begun and (piece.doubt is None or not worth_a_look(chance, parameters, safety=True)):
            continue
        doubt = piece.doubt
        limit = mower.slope_limit_percent if doubt is None else doubt.limit_percent
        case = "within" if limit == mower.slope_limit_percent else "along"
        for place in piece.open_places:
            number = piece.asked.index(place) + 1
            checks.append(
                VisitCheck(
                    "ground-slope",
                    {"case": case, "area_m2": piece.ground.area, "reading": number, "readings": len(piece.asked)},
                    place=place,
                    value=piece.mean_percent if doubt is None else doubt.mean_percent,
                    sd=piece.sd_percent if doubt is None else doubt.sd_percent,
                    unit="%",
                    limit_value=limit,
                    flip_probability=chance,
                    weight=_weight(piece.ground, lawn),
                    target_layer="keepouts",
                    target_column="slope_percent",
                    area=max(polygon_parts(piece.ground), key=lambda part: part.area),
                )
            )
    return checks


def unknown_slope_checks(
    site: Site, slope: Grid, lawn: BaseGeometry, mower: MowerProfile, parameters: SlopeParameters
) -> list[VisitCheck]:
    """Return a check for each piece of lawn whose slope neither a terrain model nor a reading tells."""
    unknown = unknown_areas(slope, frame=site.frame, area_min_m2=parameters.doubt_area_min_m2)
    return [
        VisitCheck(
            "slope-unknown",
            {"area_m2": part.area},
            place=part.representative_point(),
            unit="%",
            limit_value=mower.slope_limit_percent,
            weight=_weight(part, lawn),
            target_layer="keepouts",
            target_column="slope_percent",
            area=part,
        )
        for part in polygon_parts(shapely.intersection(shapely.union_all(unknown), lawn))
        if part.area >= parameters.doubt_area_min_m2
    ]


def _weight(ground: BaseGeometry, lawn: BaseGeometry) -> float:
    """Return how much it matters whether a piece of ground is mown [0 to 1]."""
    return float(min(1.0, ground.area / max(lawn.area, 1.0) + 0.2))


def steep_evidence(readings: Sequence[Fact[float]], ground: BaseGeometry, limit_percent: float, otherwise: str) -> str:
    """Return what says that ground is steep: somebody who measured it, or else what the terrain model says."""
    told = any(
        item.value > limit_percent and item.place is not None and item.place.dwithin(ground, REACH_M)
        for item in readings
    )
    return "slope measured on site" if told else otherwise
