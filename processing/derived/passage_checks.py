"""What is looked at on site of passages, crossings and narrow places, because their widths and lengths may be off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import isfinite

from shapely import Point

from lawngis.mower import MowerProfile

from ..model.catalogue import Values
from ..model.facts import Fact, answers
from ..model.plan import VisitCheck
from .decisions import LAWN
from .doubt import LEAST_WEIGHT, DoubtParameters, in_doubt
from .passages import SAME_WAY_M, CrossingDoubt, NearMiss, PlacedLink
from .spread import AMOUNT, WIRE


@dataclass(frozen=True)
class Asked:
    """How much doubt is looked at, whose limits decide, and the lawn of which what hangs on it is a part [m²]."""

    parameters: DoubtParameters
    mower: MowerProfile
    lawn_m2: float


def width_checks(links: Mapping[int, PlacedLink], names: Mapping[int, str], asked: Asked) -> list[VisitCheck]:
    """Return checks of the widths of passages that nobody measured.

    Of those that no plan shows, as neither side is reached, only whether the mower gets through.
    """
    checks = []
    for number, link in links.items():
        if link.surface != LAWN or link.measured:
            continue
        name = names.get(number, "")
        limits = {"transit": asked.mower.passage_transit_min_m}
        if name:
            limits = {"mown": asked.mower.passage_mow_min_m, **limits}
        for case, limit in limits.items():
            values = {"case": case if name else "unnamed", "link_id": name}
            checks += in_doubt(_width_check("passage-width", values, link, limit, name), asked.parameters)
    return checks


def near_checks(misses: Iterable[NearMiss], widths: Iterable[Fact[float]], asked: Asked) -> list[VisitCheck]:
    """Return checks of places that are mown or not by a few centimetres of width, those left out that were measured."""
    measured, limit = list(widths), asked.mower.passage_mow_min_m
    checks = []
    for miss in misses:
        link = miss.link
        if any(_measured_at(link.narrowest, fact) for fact in measured):
            continue
        case = "parts" if miss.parts else "mown" if link.width_m >= limit else "by_hand"
        check = _width_check("narrow-place", {"case": case, "area_m2": miss.area_m2}, link, limit)
        checks += in_doubt(replace(check, at_stake=miss.area_m2), asked.parameters, whole=asked.lawn_m2)
    return checks


def _width_check(code: str, values: Values, link: PlacedLink, limit: float, name: str = "") -> VisitCheck:
    return VisitCheck(
        code,
        values,
        link.narrowest,
        link.width_m,
        link.width_sd_m,
        "m",
        limit,
        target_layer="links",
        target_id=name,
        target_column="width_m",
    )


def crossing_checks(
    crossings: Mapping[int, CrossingDoubt], found: Mapping[int, PlacedLink], names: Mapping[int, str], asked: Asked
) -> list[VisitCheck]:
    """Return checks of the length and the width of crossings, and of ways that nearly are one; `found` as measured."""
    checks = []
    for number, doubt in crossings.items():
        if number in found and found[number].measured:
            continue
        name = names.get(number, "")
        case = "crossed" if number in found else "parted"
        limits = (
            ("crossing-length", doubt.length_m, doubt.length_sd_m, asked.mower.crossing_length_max_m, "kind"),
            ("crossing-width", doubt.width_m, doubt.width_sd_m, asked.mower.passage_transit_min_m, "width_m"),
        )
        for code, value, sd, limit, column in limits:
            if not (isfinite(value) and value > 0):
                continue
            values = {
                "case": case,
                "surface": doubt.link.surface,
                "limit_m": limit,
                "answers": answers("links", "kind"),
            }
            checks += in_doubt(
                VisitCheck(
                    code,
                    values,
                    doubt.link.narrowest,
                    value,
                    sd,
                    "m",
                    limit,
                    target_layer="links",
                    target_id=name,
                    target_column=column,
                ),
                asked.parameters,
            )
    return checks


def surface_checks(links: Iterable[PlacedLink], currency: str) -> list[VisitCheck]:
    """Return checks of paving of which nobody says what it is made of, where that decides how the mower crosses it."""
    return [
        VisitCheck(
            "crossing-surface",
            {
                "surface": link.surface,
                "length_m": doubt.length_m,
                "saves": doubt.option.saves,
                "currency": currency,
                "answers": answers("hard_surfaces", "surface"),
            },
            doubt.place,
            flip_probability=None,
            weight=LEAST_WEIGHT,
            target_layer="hard_surfaces",
            target_column="surface",
            at_stake=doubt.option.saves,
            changes={WIRE: -doubt.option.wire_less_m, AMOUNT: -doubt.option.saves},
        )
        for link in links
        if (doubt := link.if_paved) is not None and link.kind == "crossing"
    ]


def _measured_at(place: Point, fact: Fact[float]) -> bool:
    """Return whether a width was measured at a place, or moved the outline there."""
    shapes = [fact.place, fact.ground.middle_line if fact.ground is not None else None]
    return any(shape is not None and shape.dwithin(place, SAME_WAY_M) for shape in shapes)
