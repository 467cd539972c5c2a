import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from lawngis.dock.scoring import (
    first_rank_shares,
    preference_order,
    scaled_benefit,
    scaled_cost,
    spaced_ranking,
    tied_with_best,
    weighted_scores,
)
from lawngis.errors import ParameterError

few = settings(max_examples=40, deadline=None)
numbers = arrays(np.float64, st.integers(1, 12), elements=st.floats(-1e3, 1e3))
NAN = np.nan


@few
@given(numbers)
def test_cost_is_one_minus_benefit_unless_all_are_equal(values):
    benefit, cost = scaled_benefit(values), scaled_cost(values)
    assert np.all((benefit >= 0) & (benefit <= 1))
    if values.min() < values.max():
        assert benefit + cost == pytest.approx(np.ones(len(values)))
    else:
        assert np.all(benefit == 1) and np.all(cost == 1)


def test_a_fixed_scale_cuts_off_and_keeps_the_unknown():
    assert scaled_cost([0, 5, 15, 30, NAN], worst=15, best=0) == pytest.approx([1, 2 / 3, 0, 0, NAN], nan_ok=True)
    assert scaled_benefit([0.2, NAN], worst=0, best=0.4) == pytest.approx([0.5, NAN], nan_ok=True)
    assert np.isnan(scaled_benefit([NAN, NAN])).all()


def test_scales_the_wrong_way_round_are_refused():
    with pytest.raises(ParameterError, match="best value 5 of a cost lies above its worst 0"):
        scaled_cost([1.0], worst=0, best=5)
    with pytest.raises(ParameterError, match="best value 0 of a benefit lies below its worst 5"):
        scaled_benefit([1.0], worst=5, best=0)


def test_an_unknown_criterion_leaves_the_score_and_never_counts_as_zero():
    scores = weighted_scores([[1.0, 0.5, NAN], [1.0, 0.5, 0.0], [NAN, NAN, NAN]], [2, 1, 1])
    assert scores == pytest.approx([2.5 / 3, 2.5 / 4, NAN], nan_ok=True)


@few
@given(arrays(np.float64, (6, 3), elements=st.floats(0, 1)), arrays(np.float64, 3, elements=st.floats(0.1, 9)))
def test_scores_are_means_and_do_not_depend_on_the_weights_sum(criteria, weights):
    scores = weighted_scores(criteria, weights)
    assert np.all(scores >= criteria.min(axis=1) - 1e-9) and np.all(scores <= criteria.max(axis=1) + 1e-9)
    assert scores == pytest.approx(weighted_scores(criteria, weights * 7))
    unknown = np.column_stack([criteria, np.full(6, NAN)])
    assert scores == pytest.approx(weighted_scores(unknown, [*weights, 5.0]))


@pytest.mark.parametrize(
    ("weights", "said"),
    [
        ([1, -1], "not be negative"),
        ([0, 0], "not all zero"),
        ([1], "don't fit 1 weights"),
        ([1, NAN], "not be negative"),
    ],
)
def test_weights_that_make_no_mean_are_refused(weights, said):
    with pytest.raises(ParameterError, match=said):
        weighted_scores([[0.5, 0.5]], weights)


def test_the_best_place_has_no_failures_even_with_a_lower_score():
    order = preference_order([0.9, 0.4, 0.6, NAN], [1, 0, 0, 0])
    assert order.tolist() == [2, 1, 3, 0]


def test_a_tie_is_seen():
    assert tied_with_best([0.8, 0.797, 0.9, 0.5], [True, True, False, True]).tolist() == [0, 1]
    assert tied_with_best([0.8, 0.9], [False, False]).size == 0


def test_the_first_few_ranks_lie_apart():
    xy = np.column_stack([np.arange(0, 20, 0.5), np.zeros(40)])
    scores = 1 - np.abs(xy[:, 0] - 10) / 20
    order = preference_order(scores, np.zeros(40))
    ranks = spaced_ranking(xy, order, spacing_m=4.0, alternatives=4)
    assert sorted(ranks) == list(range(1, 41))
    first = xy[np.argsort(ranks)][:4, 0]
    assert first[0] == 10.0
    assert np.diff(np.sort(first)).min() >= 4.0
    assert xy[np.argsort(ranks)][4, 0] == 9.5


@few
@given(st.integers(0, 10_000), st.integers(1, 30), st.floats(0.5, 8))
def test_ranks_are_a_permutation_with_ineligible_places_after_the_spaced_ones(seed, count, spacing):
    rng = np.random.default_rng(seed)
    xy, eligible = rng.uniform(0, 20, (count, 2)), rng.random(count) < 0.5
    order = preference_order(rng.random(count), ~eligible)
    ranks = spaced_ranking(xy, order, spacing_m=spacing, eligible=eligible)
    assert sorted(ranks) == list(range(1, count + 1))
    if eligible.any():
        assert ranks[order[0]] == 1
        assert ranks[eligible].max() <= eligible.sum()


def test_first_rank_shares_of_two_that_mirror_each_other_are_halves():
    shares = first_rank_shares([[1, 0], [0, 1], [0.4, 0.4]], [1, 1], [True] * 3, draws=4000)
    assert shares[:2] == pytest.approx([0.5, 0.5], abs=0.04)
    assert shares.sum() == pytest.approx(1.0)


def test_with_two_criteria_and_equal_weights_the_share_is_worked_out_by_hand():
    """The first wins while w > 0.5 w + 0.75 (1 - w), that is w > 0.6, and w is even on 0..1."""
    shares = first_rank_shares([[1.0, 0.0], [0.5, 0.75]], [1, 1], [True, True], draws=20_000)
    assert shares == pytest.approx([0.4, 0.6], abs=0.015)


def test_a_place_best_in_all_criteria_always_ranks_first_and_ties_share():
    assert first_rank_shares([[1, 1], [0.9, 1], [0.2, 0.3]], [3, 1], [True] * 3).tolist() == [1, 0, 0]
    assert first_rank_shares([[1, 1], [1, 1]], [3, 1], [True] * 2) == pytest.approx([0.5, 0.5])


def test_what_is_not_feasible_never_ranks_first_and_none_feasible_is_zero():
    assert first_rank_shares([[1, 1], [0, 0]], [1, 1], [False, True]).tolist() == [0, 1]
    assert first_rank_shares([[1, 1], [0, 0]], [1, 1], [False, False]).tolist() == [0, 0]
    assert first_rank_shares([[NAN, NAN], [0, 0]], [1, 1], [True, True]).tolist() == [0, 1]


def test_small_spread_keeps_to_the_profile_and_a_seed_repeats():
    criteria = [[1, 0], [0, 1]]
    assert first_rank_shares(criteria, [3, 2], [True] * 2, spread=1e-4)[0] == 1.0
    one, other = (first_rank_shares(criteria, [3, 2], [True] * 2, seed=5) for _ in range(2))
    assert one.tolist() == other.tolist()
    assert 0.55 < one[0] < 0.8


def test_a_criterion_without_weight_does_not_count():
    shares = first_rank_shares([[0, 1.0, 0.2], [1, 0.0, 0.1]], [0, 1, 1], [True] * 2)
    assert shares.tolist() == [1, 0]


@few
@given(st.integers(0, 10_000), st.floats(0.2, 3.0))
def test_first_rank_shares_are_what_counting_one_weighting_after_the_other_gives(seed, spread):
    """Criteria in quarters, so that candidates tie, and some unknown."""
    rng = np.random.default_rng(seed)
    criteria = rng.integers(0, 5, (7, 3)) / 4
    criteria[rng.random((7, 3)) < 0.15] = NAN
    weights, feasible = rng.uniform(0.1, 2, 3), rng.random(7) < 0.7
    counted = np.zeros(7)
    alpha = 3 * weights / weights.sum() / spread
    for weighting in np.random.default_rng(seed).dirichlet(alpha, size=200):
        known = ~np.isnan(criteria)
        scores = np.full(7, -np.inf)
        for row in np.flatnonzero(feasible & known.any(axis=1)):
            own = known[row]
            scores[row] = criteria[row, own] @ weighting[own] / weighting[own].sum()
        if np.isfinite(scores).any():
            first = scores >= scores.max() - 1e-12
            counted += first / first.sum()
    assert first_rank_shares(criteria, weights, feasible, draws=200, seed=seed, spread=spread) == pytest.approx(
        counted / 200, abs=1e-9
    )
