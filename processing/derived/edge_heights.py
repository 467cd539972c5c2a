"""Edges that the surface model alone tells: which may be a drop and aren't one by it, or the reverse."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from scipy.special import ndtr
from shapely import LineString

from lawngis.ground.step import HeightStep

from ..model.facts import answers
from ..model.plan import Row, VisitCheck
from .doubt import DoubtParameters, worth_a_look

HEIGHT_EVIDENCE = "the surface model"
"""How the evidence of an edge begins that the surface model told."""

RAISED_WEIGHT = 0.1
"""How much a wall that is none matters: some centimetres of setback. That one isn't seen matters no more, and isn't
asked."""


def height_checks(
    rows: Sequence[Row],
    steps_of: Callable[[LineString], Sequence[HeightStep]],
    *,
    flush_max_m: float,
    fall_min_m: float,
    length_min_m: float,
    parameters: DoubtParameters,
) -> list[VisitCheck]:
    """Return a check for each edge that may be a drop, or be none, otherwise than the heights of the surface model say.

    Parameters
    ----------
    rows
        Edges that nobody looked at: those of class ``boundary``, of which no layer says more, and those that the
        surface model told.
    steps_of
        From a line to the height steps across it.
    flush_max_m
        Steps up to this are level [m].
    fall_min_m
        Ground that falls by this hurts what falls down [m].
    length_min_m
        Shorter edges are left alone [m].
    parameters
        From which chance on somebody looks.
    """
    checks = []
    for row in rows:
        told = str(row["evidence"]).startswith(HEIGHT_EVIDENCE)
        if row["length_m"] < length_min_m or not (told or row["edge_class"] == "boundary"):
            continue
        case = str(row["edge_class"]) if told else "silent"
        limit_m = {"drop": -flush_max_m, "raised": flush_max_m}.get(case, -fall_min_m)
        doubts = list(_doubts(steps_of(row["geometry"]), limit_m))
        if not doubts:
            continue
        chance, step = max(doubts, key=lambda doubt: doubt[0])
        if told:  # its stretches were taken together
            chance = sum(each for each, _ in doubts) / len(doubts)
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


def _doubts(steps: Sequence[HeightStep], limit_m: float) -> Iterator[tuple[float, HeightStep]]:
    """Yield for each step whose height is known the chance that it lies beyond a limit."""
    for step in steps:
        if step.sd_m < float("inf"):
            yield float(ndtr(-abs(step.step_m - limit_m) / step.sd_m)), step
