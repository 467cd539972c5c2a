"""Law of random search.

f = 1 - exp(-C): B. O. Koopman, 1946 (new edition 1980), "Search and Screening"; D. W. Gage, 1993, "Randomized search
strategies with imperfect sensors", Proc. SPIE 2058 (citation from memory): with a chance of detection p per sweep,
random search needs -ln(1 - p) / p times the effort of coordinated search.
"""

import numpy as np
import pytest

from lawngis.mowing.capacity import covered_share, search_effort


@pytest.mark.parametrize(
    ("effort", "share"), [(0.5, 0.3935), (1, 0.6321), (2, 0.8647), (3, 0.9502), (4, 0.9817), (5, 0.9933)]
)
def test_share_after_an_effort(effort, share):
    # Recomputed from the law; tolerance is the last digit.
    assert covered_share(effort) == pytest.approx(share, abs=5e-5)


@pytest.mark.parametrize(
    ("share", "effort"),
    [(0.5, 0.6931), (0.8, 1.6094), (0.9, 2.3026), (0.95, 2.9957), (0.98, 3.9120), (0.99, 4.6052)],
)
def test_effort_for_a_share(share, effort):
    assert search_effort(share) == pytest.approx(effort, abs=5e-5)


@pytest.mark.parametrize(("p", "ratio"), [(0.5, 1.3863), (0.7, 1.7200), (0.9, 2.5584), (0.95, 3.1534), (0.99, 4.6517)])
def test_random_against_coordinated_search(p, ratio):
    # Gage's ratio of random to coordinated effort.
    assert search_effort(p) / p == pytest.approx(ratio, abs=5e-5)


def test_random_placing_of_discs_obeys_the_law():
    """Independent of the formula: many small discs thrown on a torus leave exp(-C) of points bare."""
    rng = np.random.default_rng(11)
    radius, count = 0.03, 700
    centres, probes = rng.random((count, 2)), rng.random((4000, 2))
    apart = np.abs(probes[:, None] - centres[None])
    hit = np.any(np.sum(np.minimum(apart, 1 - apart) ** 2, axis=2) <= radius**2, axis=1)
    assert hit.mean() == pytest.approx(float(covered_share(count * np.pi * radius**2)), abs=0.02)
