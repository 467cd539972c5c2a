"""What is looked at: from one chance on; what could hurt somebody far sooner."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from shapely import Point

from lawngis.processing.derived.doubt import DoubtParameters, in_doubt, worth_a_look
from lawngis.processing.model.plan import VisitCheck


@pytest.mark.parametrize(
    ("chance", "doubt_min", "safety", "asked"),
    [
        (0.04, 0.04, False, True),
        (0.039, 0.04, False, False),
        (0.001, 0.04, True, True),
        (0.0009, 0.04, True, False),
        (0.0, 0.0, True, True),
    ],
)
def test_from_which_chance_on_somebody_looks(chance, doubt_min, safety, asked):
    assert worth_a_look(chance, DoubtParameters(doubt_min=doubt_min), safety=safety) is asked


def test_share_of_wrong_decisions_that_the_least_chance_lists():
    """Truths spread evenly about a limit, 20 maps of each, errors with a true sd: where the default is from."""
    rng = np.random.default_rng(7)
    truth = rng.uniform(-8, 8, 20_000)
    mapped = truth[:, None] + rng.standard_normal((20_000, 20))
    wrong = (mapped > 0) != (truth[:, None] > 0)
    listed = np.vectorize(lambda chance: worth_a_look(chance, DoubtParameters()))(ndtr(-np.abs(mapped)))
    needless = listed & ~wrong.any(axis=1)[:, None]
    assert (wrong & listed).sum() / wrong.sum() == pytest.approx(0.972, abs=0.005)
    assert needless.sum() / listed.sum() == pytest.approx(0.237, abs=0.01)


def check(code: str, **told: object) -> VisitCheck:
    return VisitCheck(code, {}, Point(0, 0), **told)  # type: ignore[arg-type]


def test_a_check_in_doubt_gets_its_chance_and_weighs_by_what_hangs_on_it():
    width = check("passage-width", value=1.7, sd=0.1, limit_value=1.6, at_stake=30.0)
    (asked,) = in_doubt(width, DoubtParameters(), whole=100.0)
    assert asked.flip_probability == pytest.approx(ndtr(-1.0)) and asked.weight == pytest.approx(0.4)
    (alone,) = in_doubt(width, DoubtParameters())
    assert alone.weight == 1.0, "nobody said of what it is a part"
    assert not in_doubt(replace(width, value=1.9), DoubtParameters()), "three sds off"
    (told,) = in_doubt(replace(width, value=1.9), DoubtParameters(), chance=0.3)
    assert told.flip_probability == 0.3


def test_what_could_hurt_somebody_is_asked_far_sooner_and_weighs_all():
    steep = check("ground-slope", value=26.0, sd=3.0, limit_value=35.0, at_stake=1.0)
    (asked,) = in_doubt(steep, DoubtParameters(), whole=1000.0)
    assert asked.flip_probability == pytest.approx(ndtr(-3.0)) and asked.weight == 1.0
    assert not in_doubt(replace(steep, code="passage-width"), DoubtParameters())


def test_a_value_that_nobody_knows_is_in_no_doubt_that_could_be_said():
    assert not in_doubt(check("loop-length", value=None, sd=None, limit_value=500.0), DoubtParameters())
