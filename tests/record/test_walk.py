"""Walks with known truth: direction, islands, deviations, and nothing claimed that the receiver can't tell."""

from functools import cache

import numpy as np
import pytest
import shapely
from shapely import LineString

from lawngis.errors import ParameterError
from lawngis.geometry.lines import chainage_m, points_along
from lawngis.record.deviation import deviations, frechet_m, pooled, shortfalls_m, taped
from lawngis.record.islands import islands_found
from lawngis.record.matching import WalkMatch, alike_share, noise_sd_m, smoothed, step_m, walk_match


def judged(walks, loop, truth, receiver, **how):
    track = walks.walk(truth, receiver, **how)
    match = walk_match(track, loop.xy, loop.chainage, sd_m=receiver.noise_m)
    off = deviations(match, loop.xy, loop.chainage, sd_m=receiver.noise_m, bias_sd_m=receiver.noise_m)
    found = islands_found(match, loop.islands, loop.xy, loop.chainage, sd_m=off.point_sd_m)
    return match, off, {item.island.name: item.verdict for item in found}


@pytest.mark.parametrize("noise", [0.02, 0.3])
@pytest.mark.parametrize("backwards", [False, True])
def test_islands_are_told_apart_whichever_way_it_was_walked(walks, noise, backwards):
    loop = walks.planned_loop()
    truth = walks.laid_otherwise(loop, wrong_way={"I1"}, missing={"I2"})
    match, _, verdicts = judged(walks, loop, truth, walks.Receiver(noise), seed=1, backwards=backwards, repeats=8)
    assert match.reversed_walk == backwards
    assert verdicts == {"I1": "wrong_way", "I2": "missing"}


@pytest.mark.parametrize("noise", [0.02, 0.3])
@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize(
    ("laid", "verdicts"),
    [
        ({}, ("as_planned", "as_planned")),
        ({"missing": {"I1b"}}, ("as_planned", "missing")),
        ({"wrong_way": {"I1b"}}, ("as_planned", "wrong_way")),
        ({"missing": {"I1"}}, ("missing", "missing")),  # the lead to the second leaves from the first
        ({"wrong_way": {"I1"}}, ("wrong_way", "wrong_way")),  # turned round with the first
        ({"wrong_way": {"I1", "I1b"}}, ("wrong_way", "as_planned")),  # turned round twice
        ({"wrong_way": {"I1"}, "missing": {"I1b"}}, ("wrong_way", "missing")),
    ],
)
def test_islands_on_leads_from_islands_are_told_apart_too(walks, noise, backwards, laid, verdicts):
    loop = walks.nested_loop()
    truth = walks.laid_otherwise(loop, **laid)
    match, off, found = judged(walks, loop, truth, walks.Receiver(noise), seed=4, backwards=backwards)
    assert match.reversed_walk == backwards
    assert found == dict(zip(("I1", "I1b", "I2"), (*verdicts, "as_planned"), strict=True))
    beyond = off.chainage_m > loop.islands[-1].lead_to_m + 2
    assert not off.claimed[beyond].any()


@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0, 2.0])
def test_a_wire_laid_as_planned_is_not_called_otherwise(walks, noise):
    loop = walks.planned_loop()
    for seed in range(2):
        _, off, verdicts = judged(
            walks, loop, loop.xy, walks.Receiver(noise, (noise, -noise / 2)), seed=seed, start_share=0.3 * seed
        )
        assert not off.claimed.any()
        assert set(verdicts.values()) <= {"as_planned", "cannot_tell"}


@pytest.mark.parametrize("seed", range(4))
def test_of_an_island_smaller_than_the_noise_its_lead_alone_tells_whether_it_is_there(walks, seed):
    loop = walks.planned_loop(radius_m=0.6)
    truth = walks.laid_otherwise(loop, wrong_way={"I1"}, missing={"I2"})
    track = walks.walk(truth, walks.Receiver(1.0), seed=seed)
    match = walk_match(track, loop.xy, loop.chainage, sd_m=1.0)
    first, second = islands_found(match, loop.islands, loop.xy, loop.chainage, sd_m=1.0)
    assert (first.verdict, first.there) == ("cannot_tell", True)  # which way round it lies nobody can tell
    assert (second.verdict, second.there) == ("missing", False)


@pytest.mark.parametrize("laid", [{}, {"missing": {"I1"}}, {"wrong_way": {"I1"}}])
def test_an_island_beside_the_edge_and_smaller_than_the_noise_is_left_undecided(walks, laid):
    loop = walks.planned_loop(radius_m=0.6, lead_m=0.5)
    track = walks.walk(walks.laid_otherwise(loop, **laid), walks.Receiver(1.0), seed=3)
    match = walk_match(track, loop.xy, loop.chainage, sd_m=1.0)
    first = islands_found(match, loop.islands, loop.xy, loop.chainage, sd_m=1.0)[0]
    assert (first.verdict, first.there) == ("cannot_tell", False)


def test_a_gap_over_an_island_is_no_missing_island(walks):
    loop = walks.planned_loop()
    island = loop.islands[1]
    gap = (island.lead_from_m - 2) / loop.chainage[-1], (island.lead_to_m + 2) / loop.chainage[-1]
    _, off, verdicts = judged(walks, loop, loop.xy, walks.Receiver(0.02), seed=2, gaps=[gap])
    assert verdicts == {"I1": "as_planned", "I2": "cannot_tell"}
    assert np.isnan(off.left_m[int((island.ring_from_m + island.ring_to_m) / 2)])


def test_a_shift_of_all_points_is_taken_off_and_told(walks):
    loop = walks.planned_loop()
    _, off, _ = judged(walks, loop, loop.xy, walks.Receiver(0.5, (0.6, -0.3)), seed=7)
    assert off.shift_xy == pytest.approx([0.6, -0.3], abs=0.2)


@pytest.mark.parametrize(
    ("bias_sd", "share", "left_sd"), [(0.1, 2 / 3, np.sqrt(1 / 300)), (0.2, 8 / 9, np.sqrt(1 / 225)), (0.0, 0.0, 0.0)]
)
def test_shift_and_its_uncertainty_by_hand(bias_sd, share, left_sd):
    """Six points on each side of a square, all 4 cm to the east and 2 cm to the north of the plan, good to 0.1 m.

    Along each axis 12 points count as 4, each with a variance of 0.1² + 0.1² (free laying): 4 / 0.02 = 200. The prior
    of 0.1 m adds 100, so 200/300 of the shift is told and 1/300 of variance left; that of 0.2 m adds 25.
    """
    square = np.array([[0.0, 0], [18, 0], [18, 18], [0, 18], [0, 0]])
    at = np.arange(24) * 3.0 + 1.5
    xy = points_along(square, chainage_m(square), at) + np.array([0.04, 0.02])
    on, gaps = np.ones(24, dtype=bool), np.zeros(23, dtype=bool)
    match = WalkMatch(xy, xy, at, on, gaps, reversed_walk=False, step_m=3.0, noise_sd_m=0.1, cost=0.0)
    off = deviations(match, square, chainage_m(square), bias_sd_m=bias_sd)
    assert off.shift_xy == pytest.approx([0.04 * share, 0.02 * share])
    # Within a metre of every third node lie no points, of the others one: as good as one point, and as the shift.
    assert np.isnan(off.sd_m[::3]).all()
    walked = np.arange(72) % 3 > 0
    assert off.sd_m[walked] == pytest.approx(np.hypot(0.1, left_sd), rel=1e-6)
    # The lower side runs east: its left is north.
    assert off.left_m[walked][:12] == pytest.approx(0.02 * (1 - share), abs=1e-9)
    assert not off.claimed.any()


@pytest.mark.parametrize("sd", [0.02, 0.5, 2.0])
def test_noise_is_estimated_from_differences_of_neighbours(sd):
    random = np.random.default_rng(1)
    line = np.column_stack([np.arange(4000) * 0.7, np.zeros(4000)])
    assert noise_sd_m(line + random.normal(scale=sd, size=line.shape)) == pytest.approx(sd, rel=0.05)


def test_too_few_points_are_no_walk(walks):
    loop = walks.planned_loop()
    with pytest.raises(ParameterError, match="at least 4"):
        walk_match(np.zeros((9, 2)), loop.xy, loop.chainage)


def by_definition(first, second):
    """Eiter and Mannila 1994, the recursion as printed, remembered."""

    @cache
    def leash(i, j):
        apart = float(np.hypot(*(first[i] - second[j])))
        before = [leash(a, b) for a, b in ((i - 1, j), (i - 1, j - 1), (i, j - 1)) if a >= 0 and b >= 0]
        return max(apart, min(before)) if before else apart

    return leash(len(first) - 1, len(second) - 1)


def test_frechet_distance_is_that_of_the_definition_and_no_less_than_hausdorff():
    random = np.random.default_rng(4)
    for _ in range(20):
        first, second = (np.cumsum(random.normal(size=(n, 2)), axis=0) for n in (15, 22))
        ours = frechet_m(first, second)
        assert ours == pytest.approx(by_definition(first, second), abs=1e-12)
        assert ours >= shapely.hausdorff_distance(LineString(first), LineString(second)) - 1e-12


def test_frechet_distance_agrees_with_shapely_on_a_wire_and_its_walk(walks):
    # On some pairs of far-off random lines GEOS 3.14 gives more than the definition; on lines like these it agrees.
    loop = walks.planned_loop()
    for seed in range(5):
        moved = loop.xy + np.random.default_rng(seed).normal(scale=0.2, size=loop.xy.shape)
        theirs = shapely.frechet_distance(LineString(loop.xy), LineString(moved))
        assert frechet_m(loop.xy, moved) == pytest.approx(theirs, abs=1e-12)


def test_frechet_distance_sees_an_island_turned_round_where_hausdorff_does_not(walks):
    loop = walks.planned_loop()
    turned = walks.laid_otherwise(loop, wrong_way={"I1"})
    assert shapely.hausdorff_distance(LineString(loop.xy), LineString(turned)) == pytest.approx(0.0, abs=1e-9)
    assert frechet_m(loop.xy, turned) > 1.0


def test_shortfall_is_setback_less_distance():
    edge = [LineString([(0, 0), (10, 0)])]
    assert shortfalls_m(np.array([[5.0, 0.1], [5.0, 0.5], [5.0, 9.0]]), edge, np.array([0.3])) == pytest.approx(
        [0.2, -0.2, -np.inf]
    )


def test_deviations_of_two_walks_count_by_their_variances(walks):
    loop = walks.planned_loop()
    fine, coarse = (
        deviations(
            walk_match(walks.walk(loop.xy, walks.Receiver(noise), seed=1, gaps=gaps), loop.xy, loop.chainage),
            loop.xy,
            loop.chainage,
            sd_m=noise,
        )
        for noise, gaps in ((0.05, [(0.4, 0.6)]), (0.5, []))
    )
    both = pooled([fine, coarse])
    seen = np.isfinite(fine.left_m)
    assert 0 < seen.sum() < len(seen)
    assert both.left_m[~seen] == pytest.approx(coarse.left_m[~seen])
    by_hand = (fine.left_m / fine.sd_m**2 + coarse.left_m / coarse.sd_m**2) / (1 / fine.sd_m**2 + 1 / coarse.sd_m**2)
    assert both.left_m[seen] == pytest.approx(by_hand[seen])
    assert (both.sd_m[seen] < fine.sd_m[seen]).all()


def test_readings_by_tape_are_known_near_their_places_only():
    off = taped(np.array([20.0, 21.0]), np.array([0.5, 0.5]), 100.0)
    near = np.abs(off.chainage_m - 20.5) <= 2.5
    assert np.isfinite(off.left_m[near]).all()
    assert np.isnan(off.left_m[~near]).all()
    assert off.claimed[near].all()


@pytest.mark.parametrize("noise", [0.02, 0.1])
def test_bends_are_hardly_taken_for_noise(walks, noise):
    loop = walks.planned_loop(radius_m=1.0, lead_m=0.2)  # every sixth metre of it goes round an island
    found = noise_sd_m(walks.walk(loop.xy, walks.Receiver(noise), seed=1))
    assert found == pytest.approx(noise, rel=0.4)


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.8])
def test_how_alike_neighbours_err_shows_in_their_own_noise(walks, alike):
    line = np.column_stack([np.linspace(0, 2000, 5000), np.zeros(5000)])
    closed = np.concatenate([line, line[::-1]])
    points = walks.walk(closed, walks.Receiver(0.3, alike=alike), seed=1, step_m=0.8)
    assert alike_share(noise_sd_m(points), 0.3) == pytest.approx(alike, abs=0.05)


@pytest.mark.parametrize("sd", [0.02, 0.3, 1.0])
def test_steps_are_told_from_noise_that_is_longer(walks, sd):
    loop = walks.planned_loop()
    assert step_m(walks.walk(loop.xy, walks.Receiver(sd), seed=1, step_m=0.5), sd) == pytest.approx(0.5, rel=0.2)


def test_smoothing_is_the_least_squares_it_says():
    random = np.random.default_rng(2)
    xy, gaps = random.normal(size=(12, 2)), np.zeros(11, dtype=bool)
    second = np.diff(np.eye(12), n=2, axis=0)
    # (sd / (step * min(step / 0.5, 1)))² = (0.3 / (0.4 * 0.8))² = 0.87890625
    by_hand = np.linalg.solve(np.eye(12) + 0.87890625 * second.T @ second, xy)
    assert smoothed(xy, gaps, 0.3, 0.4) == pytest.approx(by_hand)
    gaps[5] = True
    apart = smoothed(xy, gaps, 0.3, 0.4)
    assert apart[:6] == pytest.approx(smoothed(xy[:6], gaps[:5], 0.3, 0.4))
    assert smoothed(xy, np.zeros(11, dtype=bool), 0.0, 0.4) == pytest.approx(xy)
