"""What is looked at: from one chance on; what could hurt somebody far sooner."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from lawngis.processing.derived.doubt import DoubtParameters, worth_a_look


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
    assert (wrong & listed).sum() / wrong.sum() == pytest.approx(0.959, abs=0.005)
    assert needless.sum() / listed.sum() == pytest.approx(0.22, abs=0.01)
