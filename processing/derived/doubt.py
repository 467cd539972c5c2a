"""When a decision may fall otherwise so easily that it is looked at on site."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from pydantic import Field

from lawngis.trust import flip_probability

from ..model.decision_list import decisions_checked_by
from ..model.plan import VisitCheck
from ..model.step import Parameters

LEAST_WEIGHT = 0.1
"""Weight of a check on which next to nothing hangs; more hangs on it, more it weighs, up to 1."""

SAFETY_DOUBT_MIN = 0.001
"""Chance from which a decision that could hurt somebody is looked at: too steep, a drop, water."""


class DoubtParameters(Parameters):
    """How much doubt sends somebody to look; given for one step, it holds for all."""

    doubt_min: float = Field(
        default=0.03, ge=0, le=0.5, description="a decision that may flip with this chance is measured on site"
    )


def worth_a_look(chance: float, parameters: DoubtParameters, *, safety: bool = False) -> bool:
    """Return whether somebody looks at a decision that falls otherwise with a chance.

    Notes
    -----
    With a true model of error, truths spread evenly about a limit, and every decision of at least 0.03 listed, 97 % of
    the wrong decisions are on the list and 23 % of what is listed flips in none of 20 maps of the same truth (our
    simulation); of at least 0.04, 96 and 22 %: nothing would be left for what no model knows.
    """
    return chance >= (min(SAFETY_DOUBT_MIN, parameters.doubt_min) if safety else parameters.doubt_min)


def in_doubt(
    check: VisitCheck, parameters: DoubtParameters, *, chance: float | None = None, whole: float | None = None
) -> list[VisitCheck]:
    """Return a check with its chance and its weight where somebody should look at what it asks; none elsewhere.

    Parameters
    ----------
    check
        With value, sd and limit, and with what hangs on it where that is known.
    parameters
        How much doubt is looked at; sooner where by the list of decisions somebody's safety hangs on it.
    chance
        That it falls otherwise, where that is more than value, sd and limit tell.
    whole
        Of which what hangs on it is a part: lawn [m²], wire [m] or price; None where all of that hangs on it.
    """
    if chance is None:
        compared = (np.nan if number is None else number for number in (check.value, check.sd, check.limit_value))
        chance = float(flip_probability(*compared))
    stakes = {decision.stake for decision in decisions_checked_by(check.code)}
    if not worth_a_look(chance, parameters, safety="safety" in stakes):
        return []
    share = 1.0 if whole is None or check.at_stake is None else check.at_stake / max(whole, check.at_stake)
    weight = 1.0 if stakes & {"safety", "verdict"} else min(1.0, LEAST_WEIGHT + share)
    return [replace(check, flip_probability=chance, weight=weight)]
