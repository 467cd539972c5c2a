"""The loop as a circuit: field laws, and broken loops that the signal check must find."""

from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box

from lawngis.errors import ParameterError
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.circuit import (
    WIRE_CLEAR_M,
    distinct_signals,
    interference_share,
    least_field_ut,
    signal_check,
    vertical_field_ut,
    weak_ground,
)
from lawngis.wire.ground import loop_ground, setback_ground
from lawngis.wire.leads import ground_rings
from lawngis.wire.loop import Stretch, laid_loop

HEIGHT = 0.05
SQUARE = np.array([[0.0, 0], [6, 0], [6, 4], [0, 4], [0, 0]])
EAST = np.array([1.0, 0.0])
seeds = st.integers(0, 2**32 - 1)


def random_loop(seed):
    rng = np.random.default_rng(seed)
    line = rng.uniform(-5, 5, (8, 2))
    return np.concatenate([line, line[:1]]), rng.uniform(-7, 7, (30, 2))


def field(xy, points, height=HEIGHT):
    return vertical_field_ut(xy, points, height_m=height)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_reversing_the_current_reverses_the_field(seed):
    xy, points = random_loop(seed)
    assert field(xy[::-1], points) == pytest.approx(-field(xy, points), rel=1e-9, abs=1e-12)
    assert vertical_field_ut(xy, points, height_m=HEIGHT, current_a=-3.0) == pytest.approx(-3 * field(xy, points))


@given(seeds, st.floats(0, 360))
@settings(max_examples=30, deadline=None)
def test_moving_and_turning_everything_changes_nothing(seed, angle):
    xy, points = random_loop(seed)
    a = np.radians(angle)
    turn = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    moved = xy @ turn + [3.0, -2.0]
    moved[-1] = moved[0]
    assert field(moved, points @ turn + [3.0, -2.0]) == pytest.approx(field(xy, points), rel=1e-7, abs=1e-10)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_a_mirrored_loop_has_the_opposite_field(seed):
    xy, points = random_loop(seed)
    assert field(xy * [-1, 1], points * [-1, 1]) == pytest.approx(-field(xy, points), rel=1e-9, abs=1e-12)


@given(seeds, st.floats(0.1, 10))
@settings(max_examples=30, deadline=None)
def test_twice_the_size_half_the_field(seed, scale):
    xy, points = random_loop(seed)
    assert scale * field(scale * xy, scale * points, scale * HEIGHT) == pytest.approx(
        field(xy, points), rel=1e-9, abs=1e-12
    )


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_a_vertex_on_a_straight_changes_nothing(seed):
    xy, points = random_loop(seed)
    dense = shapely.get_coordinates(shapely.segmentize(LineString(xy), 1.0))
    dense[-1] = dense[0]
    repeated = np.repeat(xy, 2, axis=0)
    assert field(dense, points) == pytest.approx(field(xy, points), rel=1e-8, abs=1e-10)
    assert field(repeated, points) == pytest.approx(field(xy, points), rel=1e-12)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_out_and_back_over_the_same_line_adds_nothing(seed):
    xy, points = random_loop(seed)
    spur = np.array([[1.0, 2.0], [3.0, 8.0]])
    with_spur = np.concatenate([xy, spur, spur[:1], xy[:1]])
    assert field(with_spur, points) == pytest.approx(field(xy, points), rel=1e-6, abs=1e-9)


@given(seeds)
@settings(max_examples=25, deadline=None)
def test_in_the_plane_of_any_simple_loop_inside_is_up_and_outside_down(seed):
    # Along each ray from a point inside, 1/r at the crossings alternates in sign from plus, and falls.
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 14))
    xy = rng.uniform(1, 6, 14)[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    xy = np.concatenate([xy, xy[:1]])
    shape = Polygon(xy)
    if not shape.is_valid or np.diff(angle, append=angle[0] + 2 * np.pi).max() > 3:
        return
    points = rng.uniform(-8, 8, (300, 2))
    inside = shapely.contains_xy(shape, points)
    assert np.array_equal(field(xy, points, 0.0) > 0, inside)


def test_a_long_straight_wire_has_the_field_of_an_endless_one():
    far = 1e6
    wire = np.array([[-far, 0.0], [far, 0], [far, 2 * far], [-far, 2 * far], [-far, 0]])
    assert field(wire, np.array([[0.0, 1.0]]), 0.0) == pytest.approx([0.2], rel=1e-5)


def test_close_to_a_long_wire_no_digits_are_lost():
    """Beside a wire of 200 m 0.2 / 0.0004 = 500 µT, and 0.1 / 100 each of two that leave it squarely at its ends."""
    wire = np.array([[-100.0, 0.0], [100, 0], [100, 2e5], [-100, 2e5], [-100, 0]])
    assert field(wire, np.array([[0.0, 4e-4], [0.0, -4e-4]]), 0.0) == pytest.approx([500.002, -499.998], abs=1e-6)


def test_points_in_line_with_a_segment_are_no_trouble():
    values = field(SQUARE, np.array([[-1.0, 0.0], [7.0, 4.0], [3.0, 2.0]]), 0.0)
    assert np.isfinite(values).all()
    assert (values < 0).tolist() == [True, True, False]


def test_many_points_are_worked_off_in_parts_with_equal_results():
    points = np.random.default_rng(0).uniform(-5, 10, (30000, 2))
    whole = field(SQUARE, points)
    assert np.array_equal(whole[::1000], field(SQUARE, points[::1000]))


def test_an_open_wire_is_refused():
    with pytest.raises(ParameterError, match=r"^a wire that is not closed .* Close the loop at its start\.$"):
        field(SQUARE[:-1], np.zeros((1, 2)))


@pytest.fixture(scope="module")
def orchard(laws):
    """A loop with three islands, and places inside it and on the islands and around it."""
    zone = box(0, 0, 16, 10) - box(3, 2, 5, 4) - box(10, 2, 12, 4) - Point(8, 7.5).buffer(1)
    lines = laws.outlines(zone)
    stretches = [Stretch(line, "soft", 0.3) for line in lines]
    (part,) = polygon_parts(setback_ground(zone, lines, [0.3] * len(lines), gap_min_m=0.3))
    ground = loop_ground([part], gap_min_m=0.3)
    loop = laid_loop(ground, laws.start_on(ground), stretches)
    x, y = np.meshgrid(np.arange(-1.9, 18, 0.3), np.arange(-1.9, 12, 0.3))
    grid = np.column_stack([x.ravel(), y.ravel()])
    inside = grid[shapely.contains_xy(ground.buffer(-0.15), grid)]
    outside = grid[~shapely.contains_xy(ground.buffer(0.15), grid)]
    return loop, inside, outside


def checked(xy, places):
    return signal_check(xy, *places, height_m=HEIGHT)


def test_a_sound_loop_passes(orchard):
    loop, *places = orchard
    result = checked(loop.xy, places)
    assert result.ok
    assert result.weakest_ut > 0
    assert result.weakest_ut == field(loop.xy, places[0]).min()
    assert field(loop.xy, result.weakest_xy[None])[0] == result.weakest_ut


def test_a_reversed_loop_is_caught(orchard):
    loop, *places = orchard
    result = checked(loop.xy[::-1], places)
    assert not result.ok
    assert np.array_equal(result.wrong_inside_xy, places[0])
    assert np.array_equal(result.wrong_outside_xy, places[1])
    assert result.weakest_ut < 0


def test_more_current_is_more_field_and_no_field_is_wrong_on_either_side():
    middle, beside = np.array([[3.0, 2.0]]), np.array([[9.0, 2.0]])
    single, triple = (signal_check(SQUARE, middle, beside, height_m=HEIGHT, current_a=amp) for amp in (1.0, 3.0))
    assert triple.ok and triple.weakest_ut == pytest.approx(3 * single.weakest_ut)
    turned = signal_check(SQUARE, middle, beside, height_m=HEIGHT, current_a=-1.0)
    assert (len(turned.wrong_inside_xy), len(turned.wrong_outside_xy)) == (1, 1)
    nothing = signal_check(SQUARE, middle, beside, height_m=HEIGHT, current_a=0.0)
    assert (len(nothing.wrong_inside_xy), len(nothing.wrong_outside_xy)) == (1, 1)
    nowhere = signal_check(SQUARE, middle[:0], beside, height_m=HEIGHT)
    assert np.isnan(nowhere.weakest_ut) and np.isnan(nowhere.weakest_xy).tolist() == [True, True]


@pytest.mark.parametrize("island", [0, 1, 2])
def test_an_island_ringed_in_the_wrong_sense_is_caught(orchard, island):
    loop, *places = orchard
    own = [i for i, run in enumerate(loop.runs) if run.kind == "island" and run.island == island]
    assert own == list(range(own[0], own[-1] + 1))
    pieces = [run.xy for run in loop.runs]
    ring = np.concatenate(pieces[own[0] : own[-1] + 1])
    broken = np.concatenate([*pieces[: own[0]], ring[::-1], *pieces[own[-1] + 1 :]])
    result = checked(broken, places)
    assert not result.ok
    on_island = shapely.contains_xy(Polygon(ring).buffer(-0.15), places[1])
    assert on_island.sum() > 10
    assert (field(broken, places[1][on_island]) > 0).all()


def test_a_lead_whose_wires_part_is_caught(orchard):
    loop, *places = orchard
    # The way back of the first lead is missing: from the island the wire goes straight to a later place of the loop.
    back = next(i for i, run in enumerate(loop.runs) if run.kind == "lead_back")
    later = loop.runs[back + 1].xy[-1]
    pieces = [run.xy for run in loop.runs[:back]] + [later[None], *(run.xy for run in loop.runs[back + 2 :])]
    xy = np.concatenate(pieces)
    result = checked(xy, places)
    assert not result.ok


def test_interference_falls_with_the_distance_of_the_neighbour():
    points = np.array([[3.0, 2.0], [5.5, 2.0]])
    near = interference_share(SQUARE, [SQUARE + EAST * 7], points, height_m=HEIGHT)
    far = interference_share(SQUARE, [SQUARE + EAST * 30], points, height_m=HEIGHT)
    assert (far < near).all()
    assert (near > 0).all()
    both = interference_share(SQUARE, [SQUARE + EAST * 7, SQUARE + EAST * 30], points, height_m=HEIGHT)
    assert both == pytest.approx(near + far)
    assert interference_share(SQUARE, [], points, height_m=HEIGHT).tolist() == [0, 0]
    there_and_back = np.array([[0.0, 0], [6, 0], [0, 0]])
    assert interference_share(there_and_back, [SQUARE], points, height_m=HEIGHT).tolist() == [np.inf, np.inf]


def circle(radius, vertices=720):
    turns = np.linspace(0, 2 * np.pi, vertices + 1)
    xy = radius * np.column_stack([np.cos(turns), np.sin(turns)])
    xy[-1] = xy[0]
    return xy


def test_weak_ground_in_a_circle_is_a_disc_about_its_middle():
    # Level with the wire the field grows from mu0 I / 2 a in the middle outwards: what is weaker than at r is a disc.
    # The field at r is worked out by quadrature of the law of Biot and Savart.
    a, r = 10.0, 4.0
    turn = np.linspace(0, 2 * np.pi, 20001)[:-1]
    cube = (a * a + r * r - 2 * a * r * np.cos(turn)) ** 1.5
    at_r = 0.1 * np.mean(a * (a - r * np.cos(turn)) / cube) * 2 * np.pi
    assert 0.1 * 2 * np.pi / a < at_r
    (weak,) = weak_ground(Polygon(circle(a)), [circle(a)], least_ut=at_r, height_m=0.0)
    assert weak.area == pytest.approx(np.pi * r * r, rel=0.01)
    assert weak.centroid.distance(Point(0, 0)) < 0.05
    assert Point(0, 0).buffer(r + 0.15).contains(weak) and weak.contains(Point(0, 0).buffer(r - 0.15))


def test_there_is_no_weak_ground_where_the_field_is_nowhere_below_the_least():
    middle = 0.2 * np.pi / 10
    assert weak_ground(Polygon(circle(10)), [circle(10)], least_ut=0.999 * middle, height_m=0.0) == []
    assert len(weak_ground(Polygon(circle(10)), [circle(10)], least_ut=1.01 * middle, height_m=0.0)) == 1


def test_a_weak_spot_of_half_a_metre_is_found_wherever_it_lies():
    # Near the middle of a circle of radius a the field grows as 1 + 3/4 (r / a)²; few places looked at may miss it.
    for radius in np.arange(9.5, 10.5, 0.1):
        least = 0.2 * np.pi / radius * (1 + 0.75 * (0.5 / radius) ** 2)
        wire = circle(radius, 180)
        (weak,) = weak_ground(Polygon(wire), [wire], least_ut=least, height_m=0.0)
        assert weak.area == pytest.approx(np.pi * 0.5**2, rel=0.35)


@pytest.mark.parametrize("current", [0.3, 3.0])
def test_weak_ground_depends_on_field_over_current(current):
    lawn = Polygon(circle(10))
    one = weak_ground(lawn, [circle(10)], least_ut=0.07, height_m=0.05)
    other = weak_ground(lawn, [circle(10)], least_ut=0.07 * current, height_m=0.05, current_a=current)
    assert shapely.union_all(one).symmetric_difference(shapely.union_all(other)).area < 1e-6


def test_an_island_in_the_middle_leaves_no_weak_ground_around_it():
    lawn = Polygon(circle(10), [circle(2)])
    plain = weak_ground(Polygon(circle(10)), [circle(10)], least_ut=0.07, height_m=0.05)
    ringed = weak_ground(lawn, [circle(10), circle(2, 90)[::-1]], least_ut=0.07, height_m=0.05)
    assert sum(part.area for part in plain) > 20
    # The island's own field is strong beside it and of the other sign beyond: what is weak lies further out.
    assert Point(0, 0).buffer(2.3).intersection(shapely.union_all(ringed)).area < 1e-9


def test_ground_far_from_all_wire_is_weak_to_its_edge():
    lawn = box(20, 3, 26, 7)
    (weak,) = weak_ground(lawn, [circle(60, 180)], least_ut=0.07, height_m=0.05)
    assert weak.symmetric_difference(lawn).area < 1e-6
    assert weak_ground(lawn, [], least_ut=0.07, height_m=0.05) == []
    assert weak_ground(Polygon(), [circle(60, 180)], least_ut=0.07, height_m=0.05) == []


def test_weak_ground_has_holes_around_islands_and_the_largest_piece_comes_first():
    islands = [circle(2, 90) + EAST * side for side in (-8.0, 8.0)]
    large, small = Polygon(circle(30, 360), islands), Polygon(circle(10, 360) + EAST * 60)
    wires = [circle(30, 360), *(island[::-1] for island in islands), np.array(small.exterior.coords)]
    first, second = weak_ground(shapely.MultiPolygon([small, large]), wires, least_ut=0.07, height_m=0.05)
    assert first.area > 10 * second.area
    assert second.centroid.distance(small) == 0
    # Beside an island its own field is strong.
    assert sorted(ring.centroid.x for ring in first.interiors) == pytest.approx([-8, 8], abs=0.5)
    assert all(Polygon(ring).area > 1.1 * Polygon(islands[0]).area for ring in first.interiors)
    # The wires tell together: without those of the islands there is more weak ground.
    alone, _ = weak_ground(shapely.MultiPolygon([small, large]), wires[::3], least_ut=0.07, height_m=0.05)
    assert alone.area > first.area + 20


def test_everything_is_weak_but_along_the_wire_when_the_current_is_small():
    square = LineString(SQUARE)
    (weak,) = weak_ground(Polygon(SQUARE), [SQUARE], least_ut=1.0, height_m=0.05, current_a=0.01)
    assert weak.area == pytest.approx((6 - 0.6) * (4 - 0.6), rel=0.1)
    assert weak.distance(square) > 0.1


def test_weak_ground_refuses_what_is_no_field():
    with pytest.raises(ParameterError, match="least_ut"):
        weak_ground(Polygon(SQUARE), [SQUARE], least_ut=0.0, height_m=0.05)
    with pytest.raises(ParameterError, match="closed"):
        weak_ground(Polygon(SQUARE), [SQUARE[:-1]], least_ut=0.1, height_m=0.05)


# --- the least field that is known without working it out ----------------------------------------------------------


@given(seeds, st.floats(0.0, 0.2))
@settings(max_examples=40, deadline=None)
def test_no_place_inside_has_less_than_the_least_field(seed, height):
    rng = np.random.default_rng(seed)
    spots = shapely.union_all(
        shapely.buffer(shapely.points(rng.uniform(0, 25, (12, 2))), rng.uniform(2, 5, 12), quad_segs=4)
    )
    islands = shapely.union_all(shapely.buffer(shapely.points(rng.uniform(0, 25, (4, 2))), 0.8, quad_segs=3))
    ground = shapely.difference(spots, islands)
    wires = [ring for part in polygon_parts(ground) for ring in ground_rings(part)]
    lines = shapely.MultiLineString([LineString(wire) for wire in wires])
    places = rng.uniform(-5, 30, (400, 2))
    inside = shapely.contains_xy(ground, *places.T) & (shapely.distance(lines, shapely.points(places)) >= WIRE_CLEAR_M)
    fields = sum(field(wire, places[inside], height) for wire in wires)
    assert (fields >= least_field_ut(wires, height_m=height)).all()


def test_the_least_field_in_a_rectangle_is_that_in_its_middle():
    middle = field(SQUARE, np.array([[3.0, 2.0]]), 0.0)[0]
    assert least_field_ut([SQUARE], height_m=0.0) == pytest.approx(middle)
    assert least_field_ut([SQUARE], height_m=0.0, current_a=3.0) == pytest.approx(3.0 * middle)


def test_the_least_field_falls_with_the_height_of_the_antenna_as_at_the_nearest_place():
    # At 0.15 m above the wire and 0.3 m beside it: (1 + (0.15 / 0.3)²)^-1.5 = 0.8^1.5 = 0.715542.
    level, lifted = (least_field_ut([SQUARE], height_m=height) for height in (0.0, 0.15))
    assert lifted / level == pytest.approx(0.715542, abs=1e-6)


def test_no_least_field_is_known_for_no_wire_or_a_high_antenna():
    assert least_field_ut([], height_m=0.05) == 0.0
    assert least_field_ut([SQUARE], height_m=0.25) == 0.0
    assert least_field_ut([SQUARE], height_m=0.21) > 0.0
    assert least_field_ut([np.array([[0.0, 0], [5, 0], [0, 0]])], height_m=0.05) == 0.0


# Signals of neighbours ----------------------------------------------------------------------------------------------


def test_loops_side_by_side_differ_in_signal_and_four_do_for_a_chequered_lawn():
    """Parts 36 m by 46 m in four rows, 0.3 m apart: at corners four meet, so that fewer than four signals don't do."""
    rings = [shapely.box(36 * x, 46 * y, 36 * x + 35.7, 46 * y + 45.7).exterior for x in range(5) for y in range(4)]
    signals = distinct_signals(rings, within_m=2.0)
    assert sorted(set(signals)) == [1, 2, 3, 4]
    for one, two in combinations(range(len(rings)), 2):
        assert signals[one] != signals[two] or rings[one].distance(rings[two]) > 2.0
    assert distinct_signals([rings[0], rings[-1]], within_m=2.0) == [1, 1]
    assert distinct_signals([], within_m=2.0) == []
