"""The length of wire from noisy points, and what is left where nobody walked."""

import numpy as np
import pytest

from lawngis.geometry.lines import chainage_m, points_along, segment_lengths_m
from lawngis.record.detours import uncovered, unseen_sd_m, walked_wire


def taken_along(xy, noise, step, alike, random):
    """Points along a line, its ends without noise."""
    along = chainage_m(xy)
    at = np.cumsum(random.uniform(0.6, 1.4, int(along[-1] / step) + 9) * step)
    points = points_along(xy, along, np.concatenate([[0.0], at[at < along[-1]], along[-1:]]))
    errors = random.normal(size=points.shape)
    for row in range(1, len(errors)):
        errors[row] = alike * errors[row - 1] + np.sqrt(1 - alike**2) * errors[row]
    errors[[0, -1]] = 0
    return points + noise * errors


def shape(walks, random, number):
    """An island on a lead, or a zone more."""
    if number % 2:
        wide, deep = random.uniform(3, 8, 2)
        return np.array([[0, 0], [0, deep], [wide, deep], [wide, 0]])
    lead, radius = random.uniform(2, 8), random.uniform(0.8, 2.5)
    return np.concatenate([[[0, 0]], walks.ring(0, lead + radius, radius), [[0, 0]]])


@pytest.mark.parametrize("alike", [0.0, 0.5])
@pytest.mark.parametrize("step", [0.3, 0.6, 1.2])
@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0])
def test_length_of_wire_from_noisy_points_is_as_sure_as_it_says(walks, noise, step, alike):
    errors, naive = [], []
    for number in range(40):
        random = np.random.default_rng(number)
        xy = shape(walks, random, number)
        points = taken_along(xy, noise, step, alike, random)
        _, wire, sd = walked_wire(points, np.zeros(len(points) - 1, dtype=bool), noise, step, alike)
        truth = chainage_m(xy)[-1]
        errors.append((wire - truth) / sd)
        naive.append((segment_lengths_m(points).sum() - truth) / sd)
    inside = np.mean(np.abs(errors) < 1.645)
    assert inside >= 0.8  # of 40 with 90 % each, fewer than 32 come in 1.5 % of times
    assert abs(np.mean(errors)) < 0.9
    if noise == 1.0:
        assert abs(np.mean(naive)) > 3  # the points joined up are far too long


def test_ends_stay_where_they_are_and_a_straight_line_keeps_its_length():
    points = np.column_stack([np.linspace(0, 9, 10), np.zeros(10)])
    line, wire, sd = walked_wire(points, np.zeros(9, dtype=bool), 0.0, 1.0)
    assert line == pytest.approx(points)
    assert (wire, sd) == (pytest.approx(9.0), pytest.approx(0.0, abs=1e-9))


def test_what_nobody_walked_is_less_sure_the_longer_it_is_and_the_more_could_be_cut_across():
    assert unseen_sd_m(0.0) == 0.0
    assert unseen_sd_m(4.0) == pytest.approx(1.2)  # 0.3 of it
    assert unseen_sd_m(40.0) == pytest.approx(6.0)  # of four pieces of 10 m, each 3 m: twice as much
    assert unseen_sd_m(40.0, 40.0) == unseen_sd_m(40.0)
    assert 1.645 * unseen_sd_m(40.0, 1.0) > 39.0  # it may go straight across


def test_uncovered_parts_are_what_spans_leave():
    assert uncovered([], 0.0, 5.0) == [(0.0, 5.0)]
    assert uncovered([(-1.0, 6.0)], 0.0, 5.0) == []
    assert uncovered([(3.0, 4.0), (2.0, 3.5)], 0.0, 5.0) == [(0.0, 2.0), (4.0, 5.0)]
