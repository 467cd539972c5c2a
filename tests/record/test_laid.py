"""Walks along wire whose truth is known: what lies there, how much of it, and how sure that is."""

from itertools import pairwise

import numpy as np
import pytest
import shapely

from lawngis.geometry.lines import chainage_m
from lawngis.record.laid import (
    WalkedTrack,
    laid_loop_xy,
    laid_wire,
    unseen_across_sd_m,
    walked_share,
    wire_m,
)

SHORT, LONG = 2, 24
"""Walks of each kind and noise in the suite, and in the long simulation."""


def laid_from(loop, *walks):
    return laid_wire(walks, loop.xy, loop.chainage, loop.islands)


def island_added(walks, *, depth=6.0, radius=1.0, clockwise=True):
    """The loop with an island more in the middle of its long upper side, and where."""
    loop = walks.planned_loop()
    at = walks.chainage_of(loop, 29.5, 20.0) + 14.5
    island = walks.on_lead(loop, at, depth, radius, clockwise=clockwise)
    return loop, walks.spliced(loop.xy, loop.chainage, at, at, island), at


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("start_share", [0.0, 0.4, 0.72])  # the last in the middle of the island added
@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0])
def test_an_island_added_in_the_field_is_added_wire_and_nothing_was_cut_short(walks, noise, start_share, backwards):
    loop, truth, at = island_added(walks)
    points = walks.walk(truth, walks.Receiver(noise), seed=2, start_share=start_share, backwards=backwards)
    found = laid_from(loop, WalkedTrack(points, noise))
    assert {run.state for run in found.runs} == {"as_planned", "added"}
    (added,) = (run for run in found.runs if run.state == "added")
    assert added.from_m == pytest.approx(at, abs=0.5 + noise)
    length, sd = wire_m(found.runs)
    assert abs(length - chainage_m(truth)[-1]) < 2 * sd < 8
    assert found.walks[0].match.reversed_walk == backwards
    assert {item.verdict for item in found.islands} == {"as_planned"}


@pytest.mark.parametrize(("clockwise", "winding"), [(True, 0), (False, 2)])
def test_an_island_added_the_wrong_way_round_is_told_from_one_that_holds_the_mower_off(walks, clockwise, winding):
    loop, truth, _ = island_added(walks, clockwise=clockwise)
    found = laid_from(loop, WalkedTrack(walks.walk(truth, walks.Receiver(0.02), seed=1), 0.02))
    (ring,) = found.rings
    assert ring.winding == winding
    assert ring.ground.area == pytest.approx(np.pi, rel=0.15)


@pytest.mark.parametrize("noise", [0.02, 0.3])
@pytest.mark.parametrize("kind", ["island_removed", "zone_dropped", "zone_added", "lead_elsewhere"])
def test_length_follows_what_was_changed(walks, kind, noise):
    loop = walks.two_zones_loop()
    laid = walks.laid_as(kind, loop, np.random.default_rng(5))
    found = laid_from(loop, WalkedTrack(walks.walk(laid.xy, walks.Receiver(noise), seed=3, step_m=0.4), noise))
    length, sd = wire_m(found.runs)
    more = chainage_m(laid.xy)[-1] - loop.chainage[-1]
    assert abs(more) > 4 * sd
    assert abs(length - loop.chainage[-1] - more) < 2 * sd
    assert laid.states & {run.state for run in found.runs}
    assert {item.island.name: item.verdict for item in found.islands} == laid.verdicts


@pytest.mark.parametrize(("by", "noise"), [(0.4, 0.02), (1.0, 0.1), (2.5, 0.3)])
def test_a_stretch_laid_further_inside_is_told_there_and_only_there(walks, by, noise):
    loop = walks.planned_loop()
    truth = loop.xy.copy()
    side = np.isclose(truth[:, 0], 30.0) & (truth[:, 1] > 0.4)
    truth[side, 0] -= by
    found = laid_from(loop, WalkedTrack(walks.walk(truth, walks.Receiver(noise), seed=5, step_m=0.4), noise))
    begin, end = walks.chainage_of(loop, 30, 0.5), walks.chainage_of(loop, 30, 19.5)
    moved = [run for run in found.runs if run.state == "off_plan"]
    assert sum(run.to_m - run.from_m for run in moved) > 0.8 * (end - begin)
    assert all(begin - 2.5 < run.from_m and run.to_m < end + 2.5 for run in moved)
    assert np.average([run.left_m for run in moved], weights=[run.wire_m for run in moved]) == pytest.approx(
        by, rel=0.25
    )  # near its ends less, and the shift takes a part


def test_an_island_beside_its_place_is_moved_and_not_missing(walks):
    loop = walks.two_zones_loop()
    laid = walks.laid_as("island_moved", loop, np.random.default_rng(5))
    found = laid_from(loop, WalkedTrack(walks.walk(laid.xy, walks.Receiver(0.02), seed=3), 0.02))
    first = found.islands[0]
    assert (first.verdict, found.islands[1].verdict) == ("moved", "as_planned")
    assert first.why == "" and 3.2 < first.off_m < 4.2  # walks.laid_as: 3.2 to 4 m aside and 1 m along


def test_runs_make_one_closed_loop_that_lies_where_somebody_walked(walks):
    loop, truth, _ = island_added(walks)
    points = walks.walk(truth, walks.Receiver(0.02), seed=2)
    found = laid_from(loop, WalkedTrack(points, 0.02))
    xy = laid_loop_xy(found.runs)
    assert np.array_equal(xy[0], xy[-1])
    assert np.hypot(*np.diff(xy, axis=0).T).max() < 30.5  # the longest straight side
    assert shapely.distance(shapely.points(points), shapely.linestrings(xy)).max() < 0.1
    ends = [(run.from_m, run.to_m) for run in found.runs]
    assert ends[0][0] == 0.0
    assert ends[-1][1] == loop.chainage[-1]
    assert all(before[1] == after[0] for before, after in pairwise(ends))


def test_a_stretch_nobody_walked_is_as_planned_and_widens_what_is_claimed(walks):
    loop = walks.planned_loop()
    whole = laid_from(loop, WalkedTrack(walks.walk(loop.xy, walks.Receiver(0.02), seed=2), 0.02))
    points = walks.walk(loop.xy, walks.Receiver(0.02), seed=2, gaps=[(0.6, 0.7)])
    part = laid_from(loop, WalkedTrack(points, 0.02))
    (unseen,) = (run for run in part.runs if run.state == "not_walked")
    gap = 0.1 * loop.chainage[-1]
    assert unseen.to_m - unseen.from_m == pytest.approx(gap, abs=1.5)
    assert 1 - walked_share(part.runs) == pytest.approx(0.1, abs=0.01)
    assert unseen.across_sd_m == pytest.approx(gap / 4, abs=0.5)  # wire can lie as far aside as along: two sd
    assert wire_m(part.runs)[0] == pytest.approx(wire_m(whole.runs)[0])
    assert wire_m(part.runs)[1] > 3 > 1 > wire_m(whole.runs)[1]
    assert unseen_across_sd_m(0.0, 0.04) == 0.04


def test_an_island_that_nobody_walked_around_may_be_there_or_not(walks):
    loop = walks.planned_loop()
    island = loop.islands[1]
    wire = island.lead_to_m - island.lead_from_m
    gap = (island.lead_from_m - 2) / loop.chainage[-1], (island.lead_to_m + 2) / loop.chainage[-1]
    found = laid_from(loop, WalkedTrack(walks.walk(loop.xy, walks.Receiver(0.02), seed=2, gaps=[gap]), 0.02))
    assert [item.verdict for item in found.islands] == ["as_planned", "cannot_tell"]
    length, sd = wire_m(found.runs)
    assert length == pytest.approx(loop.chainage[-1], abs=0.2)
    assert 1.645 * sd > wire


def test_a_pause_beside_an_island_is_no_missing_island_when_the_clock_shows_it(walks):
    loop = walks.planned_loop()
    island = loop.islands[1]
    gap = (island.lead_from_m - 0.3) / loop.chainage[-1], (island.lead_to_m + 0.3) / loop.chainage[-1]
    points, time = walks.timed_walk(loop.xy, walks.Receiver(0.02), seed=2, gaps=[gap])
    assert laid_from(loop, WalkedTrack(points, 0.02)).islands[1].verdict == "missing"
    assert laid_from(loop, WalkedTrack(points, 0.02, None, time)).islands[1].verdict == "cannot_tell"


@pytest.mark.parametrize("kind", ["as_planned", "island_added", "zone_dropped"])
def test_two_walks_and_one_twice_round_say_the_same_as_one(walks, kind):
    loop = walks.two_zones_loop()
    laid = walks.laid_as(kind, loop, np.random.default_rng(5))
    once = WalkedTrack(walks.walk(laid.xy, walks.Receiver(0.02), seed=1), 0.02)
    back = WalkedTrack(walks.walk(laid.xy, walks.Receiver(0.3), seed=2, backwards=True, start_share=0.3), 0.3)
    twice = WalkedTrack(walks.walk(laid.xy, walks.Receiver(0.02), seed=3, start_share=0.6, rounds=2), 0.02)
    truth = chainage_m(laid.xy)[-1]
    for tracks in ([once], [once, back], [back, once], [twice]):
        found = laid_from(loop, *tracks)
        length, sd = wire_m(found.runs)
        assert length == pytest.approx(truth, abs=2 * sd)
        assert sd < 1
        assert found.off.point_sd_m < 0.05  # the most accurate is trusted first, whatever the order
        assert [run.state for run in found.runs if run.state != "as_planned"] == sorted(laid.states)
        assert found.disputed == []


def test_where_two_walks_disagree_is_said_and_the_last_of_equals_counts(walks):
    loop, truth, at = island_added(walks)
    before = WalkedTrack(walks.walk(loop.xy, walks.Receiver(0.02), seed=1), 0.05)
    after = WalkedTrack(walks.walk(truth, walks.Receiver(0.02), seed=2), 0.05)
    for tracks, states in (((before, after), {"as_planned", "added"}), ((after, before), {"as_planned"})):
        found = laid_from(loop, *tracks)
        assert {run.state for run in found.runs} == states
        assert [walk.number for walk in found.walks] == [1, 0]
        ((low, high),) = found.disputed
        assert low - 0.5 < at < high + 0.5


def test_a_second_walk_fills_what_the_first_left_out(walks):
    loop, truth, _ = island_added(walks)
    first = walks.walk(truth, walks.Receiver(0.02), seed=2, gaps=[(0.55, 0.8)])
    second = walks.walk(truth, walks.Receiver(0.02), seed=3, gaps=[(0.1, 0.4)])
    alone = laid_from(loop, WalkedTrack(first, 0.02))
    both = laid_from(loop, WalkedTrack(first, 0.02), WalkedTrack(second, 0.02))
    assert walked_share(alone.runs) < 0.9
    assert walked_share(both.runs) == 1.0
    assert wire_m(both.runs)[0] == pytest.approx(chainage_m(truth)[-1], abs=1.0)


def test_somebodys_way_to_the_wire_and_back_is_no_wire(walks):
    loop = walks.planned_loop()
    points = walks.walk(loop.xy, walks.Receiver(0.02), seed=2)
    there = np.column_stack([np.linspace(-12, points[0, 0], 20), np.linspace(-9, -0.5, 20)])
    away = there[::-1] * [-1, 1] + [8, 0]
    found = laid_from(loop, WalkedTrack(np.concatenate([there, points, away]), 0.02))
    assert {run.state for run in found.runs} == {"as_planned"}


def test_what_lies_between_points_far_apart_is_less_sure(walks):
    loop = walks.planned_loop()
    fine, sparse = (
        laid_from(loop, WalkedTrack(walks.walk(loop.xy, walks.Receiver(0.02), seed=2, step_m=step), 0.02))
        for step in (0.6, 2.5)
    )
    assert {run.state for run in sparse.runs} == {"as_planned"}
    assert {item.verdict for item in sparse.islands} == {"as_planned"}
    assert wire_m(sparse.runs)[1] > 1.5 * wire_m(fine.runs)[1]


def coverage(cases):
    return float(np.mean([abs(one.error_m) < 1.645 * one.sd_m for one in cases]))


def check(cases, *, least, false_most, offsets_least):
    assert coverage(cases) >= least
    islands = sum(one.right + one.undecided + one.false for one in cases)
    assert sum(one.false for one in cases) <= false_most * islands
    errors = np.concatenate([one.offset_errors for one in cases])
    assert np.mean(abs(errors) < 1.645) >= offsets_least
    assert sum(one.claimed for one in cases) <= 0.001 * len(errors)


@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0])
def test_claims_hold_for_a_few_simulated_walks(walks, noise):
    cases = [walks.told(walks.simulated(kind, noise, seed)) for kind in walks.KINDS for seed in range(SHORT)]
    check(cases, least=0.85, false_most=0.05, offsets_least=0.85)


@pytest.mark.slow
@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0])
def test_ninety_percent_of_truths_lie_inside_ninety_percent_intervals(walks, noise):
    by_kind = {
        kind: [walks.told(walks.simulated(kind, noise, 100 + seed)) for seed in range(LONG)] for kind in walks.KINDS
    }
    check([one for some in by_kind.values() for one in some], least=0.9, false_most=0.01, offsets_least=0.9)
    for kind, some in by_kind.items():
        assert coverage(some) >= 0.8, kind  # of 24 with 90 % each, fewer than 19.2 come in 9 % of times
        if noise < 1:
            assert np.mean([one.told for one in some]) >= (0.7 if kind == "stretch_moved" else 0.9), kind
