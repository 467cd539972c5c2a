"""Pairwise comparison against published examples."""

import numpy as np
import pytest

from lawngis.dock.scoring import pairwise_matrix, pairwise_weights

# T. L. Saaty, 2008, "Decision making with the analytic hierarchy process", International Journal of Services Sciences
# 1(1):83-98: relative consumption of drinks in the US (title and journal from memory); coffee, wine, tea, beer, soda,
# milk, water. The same matrix with weights and CR = 0.022 is an example of the AHPy package.
DRINKS = [
    [1, 9, 5, 2, 1, 1, 1 / 2],
    [1 / 9, 1, 1 / 3, 1 / 9, 1 / 9, 1 / 9, 1 / 9],
    [1 / 5, 3, 1, 1 / 3, 1 / 4, 1 / 3, 1 / 9],
    [1 / 2, 9, 3, 1, 1 / 2, 1, 1 / 3],
    [1, 9, 4, 2, 1, 2, 1 / 2],
    [1, 9, 3, 1, 1 / 2, 1, 1 / 3],
    [2, 9, 9, 3, 2, 3, 1],
]


def test_drinks_weights_and_consistency_as_published():
    result = pairwise_weights(DRINKS)
    # Printed to three decimals.
    assert result.weights == pytest.approx([0.177, 0.019, 0.042, 0.116, 0.190, 0.129, 0.327], abs=6e-4)
    assert result.consistency_ratio == pytest.approx(0.022, abs=5e-4)


# T. L. Saaty, 1990, "How to make a decision: the analytic hierarchy process", European Journal of Operational Research
# 48:9-26: choosing a house by eight criteria. Matrix and printed numbers from memory, not confirmed.
HOUSE = [
    [1, 5, 3, 7, 6, 6, 1 / 3, 1 / 4],
    [1 / 5, 1, 1 / 3, 5, 3, 3, 1 / 5, 1 / 7],
    [1 / 3, 3, 1, 6, 3, 4, 6, 1 / 5],
    [1 / 7, 1 / 5, 1 / 6, 1, 1 / 3, 1 / 4, 1 / 7, 1 / 8],
    [1 / 6, 1 / 3, 1 / 3, 3, 1, 1 / 2, 1 / 5, 1 / 6],
    [1 / 6, 1 / 3, 1 / 4, 4, 2, 1, 1 / 5, 1 / 6],
    [3, 5, 1 / 6, 7, 5, 5, 1, 1 / 2],
    [4, 7, 5, 8, 6, 6, 2, 1],
]


def test_house_is_inconsistent_as_published():
    result = pairwise_weights(HOUSE)
    assert result.lambda_max == pytest.approx(9.669, abs=1e-3)
    assert result.consistency_ratio == pytest.approx(0.169, abs=5e-4)
    assert result.weights == pytest.approx([0.173, 0.054, 0.188, 0.018, 0.031, 0.036, 0.167, 0.333], abs=6e-4)


def test_three_by_three_equals_geometric_means():
    """For three criteria the eigenvector is the geometric mean of the rows (arithmetic, no source needed)."""
    matrix = pairwise_matrix([3, 5, 3])
    means = np.prod(matrix, axis=1) ** (1 / 3)
    result = pairwise_weights(matrix)
    assert result.weights == pytest.approx(means / means.sum())
    # Recomputed with numpy: 1 3 5 / 1/3 1 3 / 1/5 1/3 1.
    assert result.weights == pytest.approx([0.63699, 0.25828, 0.10473], abs=1e-5)
    assert result.lambda_max == pytest.approx(3.03851, abs=1e-5)
    assert result.consistency_ratio == pytest.approx(0.0332, abs=1e-4)


def test_consistent_judgements_have_no_inconsistency():
    result = pairwise_weights(pairwise_matrix([2, 4, 2]))
    assert result.weights == pytest.approx([4 / 7, 2 / 7, 1 / 7])
    assert result.consistency_ratio == pytest.approx(0, abs=1e-12)
