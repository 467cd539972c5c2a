"""Edges that the surface model alone tells: which may be a drop and aren't one by it, or the reverse."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from statistics import fmean

from scipy.special import ndtr

from lawngis.ground.step import HeightStep
from lawngis.mower import MowerProfile

from ..model.facts import answers
from ..model.plan import Row, VisitCheck
from .decisions import least_setback_m
from .doubt import DoubtParameters, worth_a_look
from .edge_doubt import SETBACK_DIFFERS_M

HEIGHT_EVIDENCE = "the surface model"
"""How the evidence of an edge begins that the surface model told."""

RAISED_WEIGHT = 0.1
"""How much a wall that is none matters: some centimetres of setback. That one isn't seen matters no more, and isn't
asked."""

StepsOf = Callable[[Row, float], Sequence[HeightStep]]
"""From an edge and the length of stretches [m] to the height steps across it."""


def height_checks(
    rows: Sequence[Row],
    steps_of: StepsOf,
    *,
    stretch_m: float,
    flush_max_m: float,
    fall_min_m: float,
    parameters: DoubtParameters,
) -> list[VisitCheck]:
    """Return a check for each edge that may be a drop, or be none, otherwise than the heights of the surface model say.

    Parameters
    ----------
    rows
        Edges that nobody looked at: those of class ``boundary``, of which no layer says more, and those that the
        surface model told.
    steps_of
        From an edge and the length of stretches [m] to the height steps across it.
    stretch_m
        Length of the stretches by which edges were told; shorter edges are left alone [m].
    flush_max_m
        Steps up to this are level [m].
    fall_min_m
        Ground that falls by this hurts what falls down [m].
    parameters
        From which chance on somebody looks.
    """
    judged = [row for row in rows if _told(row) or row["edge_class"] == "boundary"]
    stretches = [_known(steps_of(row, stretch_m)) for row in judged if row["length_m"] >= stretch_m]
    count = sum(map(len, stretches))
    checks = []
    for row in judged:
        as_one = edge_step(row, steps_of, stretch_m) if _told(row) else None
        steps = _known(steps_of(row, stretch_m)) if as_one is None else [as_one]
        if not steps or (row["length_m"] < stretch_m and not _told(row)):
            continue
        case = str(row["edge_class"]) if _told(row) else "silent"
        limit_m = {"drop": -flush_max_m, "raised": flush_max_m}.get(case, -fall_min_m)
        chances = [float(ndtr(-abs(step.step_m - limit_m) / step.sd_m)) for step in steps]
        chance, step = max(zip(chances, steps, strict=True), key=lambda doubt: doubt[0])
        if _told(row):
            chance = noise_chance(chance, count)
        safety = case != "raised"
        if worth_a_look(chance, parameters, safety=safety):
            checks.append(
                VisitCheck(
                    "edge-height",
                    {"case": case, "edge_id": row["edge_id"], "answers": answers("edges", "edge_class")},
                    place=step.line.interpolate(0.5, normalized=True),
                    value=step.step_m,
                    sd=step.sd_m,
                    unit="m",
                    limit_value=limit_m,
                    flip_probability=chance,
                    weight=1.0 if safety else RAISED_WEIGHT,
                    target_layer="edges",
                    target_id=row["edge_id"],
                    target_column="edge_class",
                    area=row["geometry"],
                )
            )
    return checks


def edge_step(row: Row, steps_of: StepsOf, stretch_m: float) -> HeightStep | None:
    """Return the step across a whole edge: the mean over its stretches, and as sure as that of one so long.

    An edge that bends has no level of its own inside, but its stretches have. None where heights tell nothing.
    """
    stretches, whole = _known(steps_of(row, stretch_m)), _known(steps_of(row, row["length_m"]))
    if not stretches or not whole:
        return None
    return replace(whole[0], step_m=fmean(step.step_m for step in stretches))


def unlike_chance(step: HeightStep | None, edge_class: str, mower: MowerProfile, *, flush_max_m: float) -> float:
    """Return the chance that heights give an edge another setback than that of its class; 0.5 where they tell nothing.

    Parameters
    ----------
    step
        Across the edge, from :func:`edge_step`.
    edge_class
        As what it counts.
    mower
        Whose setbacks decide.
    flush_max_m
        Steps up to this are level [m].
    """
    if step is None:
        return 0.5
    below, above = (float(ndtr((limit - step.step_m) / step.sd_m)) for limit in (-flush_max_m, flush_max_m))
    kept_m = least_setback_m(edge_class, mower)
    return sum(
        chance
        for name, chance in (("drop", below), ("flush", above - below), ("raised", 1 - above))
        if abs(least_setback_m(name, mower) - kept_m) > SETBACK_DIFFERS_M
    )


def noise_chance(chance: float, count: int) -> float:
    """Return the chance that a step is noise which stands out among the stretches of all edges of a plan.

    Parameters
    ----------
    chance
        That noise alone makes a step so high somewhere.
    count
        Number of stretches that were looked at.

    Notes
    -----
    Along n stretches of level edge n p steps look so high by noise. Against them stands one that is true: no layer
    draws it, so that more are not expected. Common practice, no source.

    Examples
    --------
    >>> round(noise_chance(0.02, 50), 3)
    0.5
    """
    return count * chance / (count * chance + 1)


def _told(row: Row) -> bool:
    return str(row["evidence"]).startswith(HEIGHT_EVIDENCE)


def _known(steps: Sequence[HeightStep]) -> list[HeightStep]:
    return [step for step in steps if step.sd_m < float("inf")]
