"""Law of random search.

f = 1 - exp(-C): B. O. Koopman, 1946 (new edition 1980), "Search and Screening"; D. W. Gage, 1993, "Randomized search
strategies with imperfect sensors", Proc. SPIE 2058 (citation from memory): with a chance of detection p per sweep,
random search needs -ln(1 - p) / p times the effort of coordinated search.
"""

import numpy as np
import pytest
import shapely

from lawngis.mowing.bounce import Cells, Paths, bounced, reached
from lawngis.mowing.capacity import search_effort


def covered_share(effort):
    return 1 - np.exp(-effort)


@pytest.mark.parametrize(
    ("share", "effort"),
    [
        *[(0.3935, 0.5), (0.6321, 1), (0.8647, 2), (0.9502, 3), (0.9817, 4), (0.9933, 5)],
        *[(0.5, 0.6931), (0.8, 1.6094), (0.9, 2.3026), (0.95, 2.9957), (0.98, 3.9120), (0.99, 4.6052)],
    ],
)
def test_effort_for_a_share(share, effort):
    # Recomputed from the law; tolerance is the last digit of either: the share's moves the effort by 1 / (1 - share).
    assert search_effort(share) == pytest.approx(effort, abs=5e-5 + 5e-5 / (1 - share))


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
    assert hit.mean() == pytest.approx(covered_share(count * np.pi * radius**2), abs=0.02)


# Simulation of another hand: 12 runs in a square of 20 m, cut 0.25 m, turns to any angle; mean and its standard error.
# About a hundredth below the law, since edges are cut less often. Recomputed, no published source.
BOUNCE = [(1, 0.6184, 0.0028), (2, 0.8526, 0.0028), (3, 0.9418, 0.0006), (4, 0.9759, 0.0006)]


@pytest.fixture(scope="module")
def square():
    """The same with 40 runs of ours."""
    ground = shapely.box(0, 0, 20, 20)
    starts = np.random.default_rng(3).uniform(1, 19, (40, 2))
    paths = bounced(ground, starts, length_m=4 * 400 / 0.25, seed=7)
    return reached(paths, Cells.inside(ground, size_m=0.25), cutting_width_m=0.25)


@pytest.mark.parametrize(("effort", "share", "error"), BOUNCE)
def test_bounce_in_a_square(square, effort, share, error):
    shares = (square.first_m < effort * 1600).mean(axis=1)
    ours = shares.std() / np.sqrt(len(shares))
    # Within three standard errors of the difference; where the edges of cells and runs differ, no worse than 0.003.
    assert shares.mean() == pytest.approx(share, abs=3 * np.hypot(error, ours) + 0.001)
    assert shares.mean() < covered_share(effort)


# Straight runs on a torus, the same simulation: no edges, so no share is lost to them.
TORUS = [(1, 0.6579, 0.029), (2, 0.8743, 0.029), (3, 0.9566, 0.01), (4, 0.9863, 0.01)]
SIDE_M, RUN_M, CUT_M = 20.0, 8.0, 0.25


@pytest.fixture(scope="module")
def torus():
    """Shares after each of four efforts: straight runs at random in a square whose opposite sides are one."""
    rng = np.random.default_rng(5)
    runs, repeats = round(4 * SIDE_M**2 / CUT_M / RUN_M), 12
    cells = Cells.inside(shapely.box(-SIDE_M, -SIDE_M, 2 * SIDE_M, 2 * SIDE_M), size_m=0.25)
    start, heading = rng.uniform(0, SIDE_M, (runs, repeats, 2)), rng.uniform(-np.pi, np.pi, (runs, repeats))
    end = start + RUN_M * np.stack([np.cos(heading), np.sin(heading)], axis=2)
    shares = np.zeros((repeats, 4))
    for repeat in range(repeats):
        # Each run as a departure of its own.
        paths = Paths(np.stack([start[:, repeat], end[:, repeat]]), RUN_M)
        cut = np.zeros((3, cells.number.shape[0] // 3, 3, cells.number.shape[1] // 3), dtype=bool)
        for step, runs_now in enumerate(np.array_split(np.arange(runs), 4)):
            part = reached(Paths(paths.xy[:, runs_now], RUN_M), cells, cutting_width_m=CUT_M)
            cut |= np.isfinite(part.first_m).any(axis=0).reshape(cut.shape)
            shares[repeat, step] = cut.any(axis=(0, 2)).mean()
    return shares


@pytest.mark.parametrize(("effort", "share", "error"), TORUS)
def test_straight_runs_on_a_torus(torus, effort, share, error):
    ours = torus[:, effort - 1]
    # A run ends in two half discs, which cut a little beyond its length: C grows by the share of a disc in a swath.
    swath = 1 + np.pi * CUT_M / 4 / RUN_M
    assert ours.mean() == pytest.approx(covered_share(effort * swath), abs=4 * ours.std() / np.sqrt(12) + 1e-3)
    assert ours.mean() == pytest.approx(share, abs=3 * error)
