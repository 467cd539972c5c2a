"""When a decision may fall otherwise so easily that it is looked at on site."""

from __future__ import annotations

from pydantic import Field

from ..model.step import Parameters

SAFETY_DOUBT_MIN = 0.001
"""Chance from which a decision that could hurt somebody is looked at: too steep, a drop, water."""


class DoubtParameters(Parameters):
    """How much doubt sends somebody to look; given for one step, it holds for all."""

    doubt_min: float = Field(
        default=0.04, ge=0, le=0.5, description="a decision that may flip with this chance is measured on site"
    )


def worth_a_look(chance: float, parameters: DoubtParameters, *, safety: bool = False) -> bool:
    """Return whether somebody looks at a decision that falls otherwise with a chance.

    Notes
    -----
    With a true model of error, truths spread evenly about a limit, and every decision of at least 0.04 listed, 96 % of
    the wrong decisions are on the list and 22 % of what is listed flips in none of 20 maps of the same truth (our
    simulation).
    """
    return chance >= (min(SAFETY_DOUBT_MIN, parameters.doubt_min) if safety else parameters.doubt_min)
