import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, box

from lawngis.dock.placing import (
    Failure,
    MustHave,
    candidate_places,
    distances_m,
    feasibility,
    pad_polygons,
    room_shares,
)
from lawngis.errors import ParameterError

few = settings(max_examples=25, deadline=None)
RECTANGLE = np.array([(0, 0), (20, 0), (20, 10), (0, 10), (0, 0)], dtype=float)


def turned(ring, angle_deg, shift=(0.0, 0.0)):
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.asarray(ring) @ np.array([[c, s], [-s, c]]) + shift


def test_on_a_rectangle_everything_can_be_read_off():
    places = candidate_places(RECTANGLE, spacing_m=1.0)
    assert len(places) == 60
    assert places.xy[3] == pytest.approx((3.5, 0.0))
    assert places.direction_deg[[3, 25, 35, 55]] == pytest.approx([90, 0, 270, 180])
    assert places.straight_ahead_m[3] == pytest.approx(16.5)
    assert places.straight_behind_m[3] == pytest.approx(3.5)
    assert places.corner_m[3] == pytest.approx(3.5)
    assert places.corner_m[12] == pytest.approx(7.5)
    assert places.corner_m[[0, 59]] == pytest.approx([0.5, 0.5])


@few
@given(st.floats(0, 360), st.floats(-1e5, 1e5), st.integers(0, 3))
def test_turning_moving_and_another_first_vertex_change_nothing_but_direction(angle, shift, first):
    ring = turned(RECTANGLE, angle, (shift, -shift))
    ring = np.vstack([np.roll(ring[:-1], -first, axis=0), np.roll(ring[:-1], -first, axis=0)[:1]])
    places, plain = candidate_places(ring, spacing_m=1.0), candidate_places(RECTANGLE, spacing_m=1.0)
    for one, other in [(places.straight_ahead_m, plain.straight_ahead_m), (places.corner_m, plain.corner_m)]:
        assert np.sort(one) == pytest.approx(np.sort(other), abs=1e-6)
    ahead = (places.direction_deg + angle) % 90
    assert np.minimum(ahead, 90 - ahead) == pytest.approx(0, abs=1e-6)


def test_a_mirrored_ring_swaps_ahead_and_behind():
    ring = np.array([(0, 0), (12, 0), (15, 4), (9, 11), (-2, 6), (0, 0)], dtype=float)
    mirrored = (ring * (-1, 1))[::-1]
    places, other = candidate_places(ring), candidate_places(mirrored)
    assert other.straight_ahead_m[::-1] == pytest.approx(places.straight_behind_m)
    assert other.straight_behind_m[::-1] == pytest.approx(places.straight_ahead_m)
    assert other.corner_m[::-1] == pytest.approx(places.corner_m)


@few
@given(st.integers(1, 7), st.integers(0, 1000))
def test_vertices_along_a_straight_edge_and_their_millimetres_do_not_matter(parts, seed):
    dense = shapely.segmentize(shapely.linearrings(RECTANGLE), 10 / parts)
    xy = shapely.get_coordinates(dense)
    xy[1:-1] += np.random.default_rng(seed).uniform(-0.002, 0.002, (len(xy) - 2, 2))
    places, plain = candidate_places(xy, spacing_m=1.0), candidate_places(RECTANGLE, spacing_m=1.0)
    assert places.corner_m == pytest.approx(plain.corner_m, abs=0.05)
    assert places.straight_ahead_m == pytest.approx(plain.straight_ahead_m, abs=0.05)


def circle(radius, count=720):
    angle = np.linspace(0, 2 * np.pi, count + 1)
    ring = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    ring[-1] = ring[0]
    return ring


def test_on_a_circle_the_tangent_leaves_the_band_where_the_sagitta_says():
    places = candidate_places(circle(20.0))
    # x²/2r = 5 cm at x = sqrt(0.1 r) = 1.414 m; the vertices are 0.17 m apart.
    assert np.all(np.abs(places.straight_ahead_m - np.sqrt(0.1 * 20)) < 0.2)
    assert np.isinf(places.corner_m).all()


def test_a_tight_round_bend_of_small_steps_is_a_corner():
    rounded = shapely.get_coordinates(box(0, 0, 20, 10).buffer(-1).buffer(1, quad_segs=16).exterior)[::-1]
    places = candidate_places(rounded, spacing_m=1.0)
    assert np.isfinite(places.corner_m).all()
    middle = np.argmin(np.hypot(*(places.xy - (10, 0)).T))
    assert places.corner_m[middle] == pytest.approx(9.0, abs=0.6)


def test_a_corner_cut_at_45_degrees_ends_the_straight_at_its_first_bend():
    ring = [(0.3, 0), (9.7, 0), (10, 0.3), (10, 9.7), (9.7, 10), (0.3, 10), (0, 9.7), (0, 0.3), (0.3, 0)]
    places = candidate_places(ring, spacing_m=0.5)
    at = np.argmin(np.hypot(*(places.xy - (5, 0)).T))
    assert places.xy[at][0] + places.straight_ahead_m[at] == pytest.approx(9.7)
    assert places.xy[at][0] - places.straight_behind_m[at] == pytest.approx(0.3)


def test_a_gentle_bend_ends_the_straight_where_it_leaves_the_band():
    ring = [(0, 0), (10, 0), (30, 20 * np.tan(np.radians(1.0))), (30, 20), (0, 20), (0, 0)]
    places = candidate_places(ring, spacing_m=1.0)
    at = np.argmin(np.abs(places.xy[:, 0] - 5) + places.xy[:, 1])
    expected = 10 - places.xy[at][0] + 0.05 / np.tan(np.radians(1.0))
    assert places.straight_ahead_m[at] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("ring", "said"),
    [
        (RECTANGLE[::-1], "not anti-clockwise"),
        (RECTANGLE[:-1], "the first again at its end"),
        ([(0, 0), (1, 1), (2, 2), (0, 0)], "not anti-clockwise"),
        ([(0, 0), (1, 0), (np.nan, 1), (0, 0)], "finite x, y"),
        (np.zeros((0, 2)), "finite x, y"),
        ([(0, 0)], "three vertices"),
        ([0.0, 1.0], "finite x, y"),
    ],
)
def test_what_is_no_ring_is_refused(ring, said):
    with pytest.raises(ParameterError, match=said):
        candidate_places(ring)


def test_numbers_that_make_no_sense_are_refused():
    with pytest.raises(ParameterError, match=r"spacing.* above zero"):
        candidate_places(RECTANGLE, spacing_m=0)


def test_the_pad_lies_on_the_lawn_side_of_the_wire():
    places = candidate_places(RECTANGLE, spacing_m=1.0)
    pads = pad_polygons(places.xy, places.direction_deg, behind_m=0.3, ahead_m=0.5, inside_m=0.6)
    assert shapely.area(pads) == pytest.approx(0.48)
    assert shapely.is_ccw(shapely.get_exterior_ring(pads)).all()
    clear = (places.straight_ahead_m > 0.5) & (places.straight_behind_m > 0.3)
    assert room_shares(pads, box(0, 0, 20, 10))[clear] == pytest.approx(1.0)
    assert pads[3].bounds == pytest.approx((3.2, 0.0, 4.0, 0.6))


def test_a_pad_half_over_the_edge_has_half_its_room():
    pads = pad_polygons([(5, 0)], [90], behind_m=1, ahead_m=1, inside_m=0.5, outside_m=0.5)
    assert room_shares(pads, box(0, 0, 20, 10)) == pytest.approx([0.5])
    assert room_shares(pads, box(0, 5, 20, 10)) == pytest.approx([0.0])


def test_the_approach_is_a_rectangle_that_starts_ahead():
    approach = pad_polygons([(5, 0)], [90], behind_m=-0.5, ahead_m=2.5, inside_m=0.5, outside_m=0.5)[0]
    assert approach.bounds == pytest.approx((5.5, -0.5, 7.5, 0.5))
    with pytest.raises(ParameterError, match="a length and a width above zero"):
        pad_polygons([(5, 0)], [90], behind_m=-0.5, ahead_m=0.5, inside_m=0.5)


def test_distances_to_things():
    assert distances_m([(0, 0), (3, 4)], [Point(0, 0), box(3, 5, 9, 9), None]) == pytest.approx([0, 1])
    assert np.isnan(distances_m([(0, 0), (3, 4)], [])).all()
    assert distances_m(np.zeros((0, 2)), [Point(0, 0)]).shape == (0,)


def test_failures_name_what_value_and_limit():
    slope = MustHave("pad_slope", "slope of the pad", np.array([2.0, 7.26, np.nan, 5.0]), 5.0, "max", "%")
    ahead = MustHave("ahead", "straight wire ahead", np.array([1.24, 3.0, 2.0, 2.0 - 1e-12]), 2.0, "min", "m")
    verdict = feasibility([slope, ahead], 4)
    assert verdict.feasible.tolist() == [False, False, True, True]
    assert verdict.failed[0] == (Failure(ahead, 1.24, 1),)
    assert verdict.failed[1] == (Failure(slope, 7.26, 1),)
    assert verdict.unknown == ("slope of the pad",)
    assert verdict.failed_count().tolist() == [1, 1, 0, 0]


def test_a_failure_by_little_does_not_read_as_equal():
    ahead = MustHave("ahead", "straight wire ahead", np.array([1.996]), 2.0, "min", "m")
    assert feasibility([ahead], 1).failed[0] == (Failure(ahead, 1.996, 3),)


def test_without_must_haves_every_place_is_feasible_and_shapes_are_checked():
    assert feasibility([], 2).feasible.all()
    with pytest.raises(ParameterError, match="'slope' has 3 values for 2 places"):
        feasibility([MustHave("slope", "slope", np.zeros(3), 5, "max", "%")], 2)
