"""What is looked at on site of passages, crossings and narrow places, because their widths and lengths may be off."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import isfinite

from shapely import Point

from lawngis.lawn.widths import ExpectedWidth
from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.catalogue import Values
from ..model.facts import Fact, answers
from ..model.plan import VisitCheck
from .decisions import LAWN
from .doubt import LEAST_WEIGHT, DoubtParameters, in_doubt
from .passages import SAME_WAY_M
from .placed_links import CrossingDoubt, NearMiss, PlacedLink
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
            check = _width_check("passage-width", values, link, limit, name)
            checks += in_doubt(check, asked.parameters, chance=width_chance(link, limit))
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
        check, chance = replace(check, at_stake=miss.area_m2), width_chance(link, limit)
        checks += in_doubt(check, asked.parameters, chance=chance, whole=asked.lawn_m2)
    return checks


def width_chance(link: PlacedLink, limit_m: float) -> float:
    """Return the chance that a place lies on the other side of a width than its narrowest on the map, 0 to 1."""
    return side_chance(link.likely, limit_m, below=link.width_m < limit_m)


def _width_check(code: str, values: Values, link: PlacedLink, limit: float, name: str = "") -> VisitCheck:
    return VisitCheck(
        code,
        values,
        link.narrowest,
        link.likely.width_m,
        link.likely.sd_m,
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
        crossed = number in found
        lengths, widths = asked.mower.crossing_length_max_m, asked.mower.passage_transit_min_m
        asked_of = (
            ("crossing-length", doubt.likely, doubt.length_m <= lengths, lengths, "kind"),
            (
                "crossing-width",
                ExpectedWidth(doubt.width_m, doubt.width_sd_m),
                doubt.width_m >= widths,
                widths,
                "width_m",
            ),
        )
        cut_off = not crossed and all(serves for _, _, serves, _, _ in asked_of)
        joined = crossing_open_chance(doubt, mapped=crossed, mower=asked.mower)
        for code, likely, serves, limit, column in asked_of[: 1 if cut_off else 2]:
            if not (isfinite(doubt.length_m) or code != "crossing-length") or not likely.width_m > 0:
                continue
            chance = side_chance(likely, limit, below=serves == (code == "crossing-length"))
            values = {
                "case": "crossed" if crossed else "parted",
                "surface": doubt.link.surface,
                "limit_m": limit,
                "answers": answers("links", "kind"),
            }
            checks += in_doubt(
                VisitCheck(
                    code,
                    values,
                    doubt.link.narrowest,
                    *likely,
                    "m",
                    limit,
                    target_layer="links",
                    target_id=names.get(number, ""),
                    target_column=column,
                ),
                asked.parameters,
                chance=joined if cut_off else chance,
            )
    return checks


def crossing_open_chance(doubt: CrossingDoubt, *, mapped: bool, mower: MowerProfile) -> float:
    """Return the chance that the mower crosses there: short and wide enough, and no nook is cut off before it."""
    if not isfinite(doubt.length_m):
        return 0.0
    short = 1 - side_chance(doubt.likely, mower.crossing_length_max_m, below=True)
    width = ExpectedWidth(doubt.width_m, doubt.width_sd_m)
    wide = side_chance(width, mower.passage_transit_min_m, below=True)
    cut_off = not mapped and doubt.beyond_m is not None
    return short * wide * (float(flip_probability(doubt.beyond_m or 0.0, doubt.width_sd_m, 0.0)) if cut_off else 1.0)


def side_chance(likely: ExpectedWidth, limit_m: float, *, below: bool) -> float:
    """Return the chance that a width lies on the other side of a limit than below it, or not below, as on the map."""
    rarer = float(flip_probability(*likely, limit_m))
    return rarer if (likely.width_m < limit_m) == below else 1 - rarer


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
            changes={WIRE: -doubt.option.wire_less_m, AMOUNT: -doubt.option.material},
        )
        for link in links
        if (doubt := link.if_paved) is not None and link.kind == "crossing"
    ]


def _measured_at(place: Point, fact: Fact[float]) -> bool:
    """Return whether a width was measured at a place, or moved the outline there."""
    shapes = [fact.place, fact.ground.middle_line if fact.ground is not None else None]
    return any(shape is not None and shape.dwithin(place, SAME_WAY_M) for shape in shapes)
