"""Polylines: lengths, bends, places along them, winding numbers."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.geometry.lines import (
    bends_deg,
    chainage_m,
    is_closed,
    line_between,
    points_along,
    segment_lengths_m,
    snapped_chainage,
    winding_number,
)

SQUARE = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1], [0, 0]])
seeds = st.integers(0, 2**32 - 1)


def random_ring(seed, count=9):
    line = np.random.default_rng(seed).uniform(-5, 5, (count, 2))
    return np.concatenate([line, line[:1]])


def test_chainage_follows_the_slope():
    xy = np.array([[0.0, 0], [3, 0], [3, 12]])
    assert chainage_m(xy).tolist() == [0, 3, 15]
    assert chainage_m(xy, np.array([0.0, 4, 9])).tolist() == [0, 5, 18]
    assert chainage_m(xy, np.array([0.0, np.nan, 9])).tolist() == [0, 3, 15]
    with pytest.raises(ParameterError, match="2 heights for 3 vertices"):
        chainage_m(xy, np.zeros(2))


@given(seeds)
@settings(max_examples=50, deadline=None)
def test_bends_of_a_closed_line_add_up_to_whole_turns(seed):
    ring = random_ring(seed)
    bends = bends_deg(ring)
    assert bends[0] == bends[-1]
    assert bends[:-1].sum() / 360 == pytest.approx(round(bends[:-1].sum() / 360), abs=1e-9)
    assert bends_deg(ring[::-1])[:-1].sum() == pytest.approx(-bends[:-1].sum())


def test_repeated_vertices_do_not_hide_a_bend():
    line = np.array([[0.0, 0], [1, 0], [1, 0], [1, 1]])
    assert bends_deg(line).tolist() == [0, 90, 0, 0]
    assert bends_deg(line[:1]).tolist() == [0]


def test_ends_of_an_open_line_do_not_bend():
    assert bends_deg(SQUARE[:-1]).tolist() == [0, 90, 90, 0]
    assert bends_deg(SQUARE).tolist() == [90, 90, 90, 90, 90]
    assert not is_closed(SQUARE[:-1])


@given(seeds, st.floats(0.01, 0.99), st.floats(0.01, 0.99))
@settings(max_examples=50, deadline=None)
def test_two_parts_make_the_whole_ring(seed, first, second):
    ring = random_ring(seed)
    along = chainage_m(ring)
    a, b = first * along[-1], second * along[-1]
    one, other = line_between(ring, along, a, b), line_between(ring, along, b, a)
    whole = along[-1] if a != b else 2 * along[-1]
    assert segment_lengths_m(one).sum() + segment_lengths_m(other).sum() == pytest.approx(whole)
    assert np.allclose(one[-1], other[0])
    assert np.allclose(one[0], points_along(ring, along, np.array([a]))[0])


def test_equal_ends_give_the_whole_ring_even_when_rounding_parts_them():
    along = chainage_m(SQUARE)
    for end in (0.5, 0.5 + 1e-13, 0.5 - 1e-13):
        assert segment_lengths_m(line_between(SQUARE, along, 0.5, end)).sum() == pytest.approx(4.0)


def test_an_open_line_is_not_walked_backwards():
    with pytest.raises(ParameterError, match="no part from"):
        line_between(SQUARE[:-1], chainage_m(SQUARE[:-1]), 2.0, 1.0)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_winding_number_is_the_sum_of_angles(seed):
    ring = random_ring(seed)
    points = np.random.default_rng(seed + 1).uniform(-6, 6, (200, 2))
    away = (ring[None] - points[:, None]) @ np.array([1, 1j])
    angles = np.angle(away[:, 1:] / away[:, :-1]).sum(axis=1) / (2 * np.pi)
    clear = shapely.distance(shapely.points(points), shapely.LineString(ring)) > 1e-6
    assert np.array_equal(winding_number(ring, points)[clear], np.rint(angles[clear]))


def test_winding_number_of_known_figures():
    inside = np.array([[0.5, 0.5], [2.0, 0.5]])
    assert winding_number(SQUARE, inside).tolist() == [1, 0]
    assert winding_number(SQUARE[::-1], inside).tolist() == [-1, 0]
    angle = np.radians(90 + 144 * np.arange(6))
    pentagram = np.column_stack([np.cos(angle), np.sin(angle)])
    pentagram[-1] = pentagram[0]
    assert winding_number(pentagram, np.array([[0.0, 0.0], [0.0, 0.9], [2, 2]])).tolist() == [2, 1, 0]
    eight = np.array([[0.0, 0], [1, 1], [1, -1], [-1, 1], [-1, -1], [0, 0]])
    assert winding_number(eight, np.array([[0.8, 0.0], [-0.8, 0.0]])).tolist() == [-1, 1]


def test_winding_number_refuses_an_open_line():
    with pytest.raises(ParameterError, match="closed line"):
        winding_number(SQUARE[:-1], np.zeros((1, 2)))


@given(seeds)
@settings(max_examples=50, deadline=None)
def test_snapping_moves_by_less_than_asked_and_only_onto_vertices(seed):
    along = chainage_m(random_ring(seed))
    at = np.random.default_rng(seed).uniform(0, along[-1], 100)
    moved = snapped_chainage(along, at, 0.05)
    off = np.abs(moved - at)
    off = np.minimum(off, along[-1] - off)
    assert (off < 0.05).all()
    assert np.isin(moved[off > 0], along).all()
    assert (moved < along[-1]).all()
