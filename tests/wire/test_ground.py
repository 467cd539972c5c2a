"""The ground inside the wire: setbacks, tapers, narrow places, passages, corners."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box

from lawngis.errors import FeatureError, ParameterError
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.ground import (
    STRIP_ALLOWANCE_M,
    ground_apart,
    joined_strips,
    loop_ground,
    passage_strip,
    setback_ground,
    wire_parts,
)

GAP = 0.3


def ground_of(laws, zone, setbacks=0.3, gap=GAP):
    stretches = laws.sides(zone)
    values = np.broadcast_to(setbacks, len(stretches))
    return setback_ground(zone, stretches, values, gap_min_m=gap)


def finished(laws, zone, setbacks=0.3):
    return loop_ground([ground_of(laws, zone, setbacks)], gap_min_m=GAP)


def test_rectangle_has_square_corners_cut_at_45_degrees(laws):
    ground = finished(laws, box(0, 0, 20, 10))
    ring = np.array(ground.exterior.coords)
    assert len(ring) == 9
    assert laws.turns_deg(ring) == pytest.approx(np.full(8, 45.0), abs=0.1)
    assert ground.area == pytest.approx(19.4 * 9.4 - 4 * 0.2**2 / 2, abs=0.01)
    # Two bends a corner, each cut 0.2 m along both sides.
    assert ground.exterior.length == pytest.approx(2 * (19.4 + 9.4) - 4 * (0.4 - 0.2 * np.sqrt(2)), abs=0.01)


def test_setbacks_differ_by_side(laws):
    # box: right, top, left, bottom, in the order of its ring.
    zone = shapely.orient_polygons(box(0, 0, 20, 10))
    names = {(20.0, 10.0): 0.12, (0.0, 10.0): 0.35, (0.0, 0.0): 0.60, (20.0, 0.0): 0.25}
    stretches = laws.sides(zone)
    ground = setback_ground(zone, stretches, [names[line.coords[-1]] for line in stretches], gap_min_m=GAP)
    assert ground.bounds == pytest.approx((0.60, 0.25, 19.88, 9.65), abs=0.002)


def test_setback_changes_over_45_degrees_within_the_smaller_one(laws):
    zone = box(0, 0, 20, 10)
    stretches = [
        LineString([(0, 0), (8, 0)]),
        LineString([(8, 0), (20, 0)]),
        LineString([(20, 0), (20, 10), (0, 10), (0, 0)]),
    ]
    ground = loop_ground([setback_ground(zone, stretches, [0.6, 0.2, 0.3], gap_min_m=GAP)], gap_min_m=GAP)
    ring = np.array(ground.exterior.coords)[:-1]
    near = ring[(ring[:, 1] < 0.7) & (ring[:, 0] > 5) & (ring[:, 0] < 10)]
    near = near[np.argsort(near[:, 0])]
    # The larger setback holds to the end of its stretch; the taper begins on the disc around that end.
    assert near[0, 1] == pytest.approx(0.6, abs=0.01)
    assert near[0, 0] > 8.0 - 0.02
    assert near[-1, 1] == pytest.approx(0.2, abs=0.01)
    assert len(near) == 2
    along, up = near[1] - near[0]
    assert np.degrees(np.arctan2(up, along)) == pytest.approx(-45.0, abs=1.0)


def test_a_short_stretch_between_larger_setbacks_makes_no_swerve(laws):
    zone = box(0, 0, 20, 10)
    rest = LineString([(20, 0), (20, 10), (0, 10), (0, 0)])

    def depth(width):
        bits = [
            LineString([(0, 0), (8, 0)]),
            LineString([(8, 0), (8 + width, 0)]),
            LineString([(8 + width, 0), (20, 0)]),
        ]
        ground = setback_ground(zone, [*bits, rest], [0.35, 0.12, 0.35, 0.35], gap_min_m=GAP)
        middle = LineString([(8 + width / 2, 0), (8 + width / 2, 5)])
        return ground.exterior.intersection(middle).bounds[1]

    assert depth(0.98) == pytest.approx(0.35, abs=0.003)
    # A metre has room for both tapers: (0.35 - 0.12) / sin 45° = 0.33 m each.
    assert depth(1.02) == pytest.approx(0.12, abs=0.003)
    assert depth(3.0) == pytest.approx(0.12, abs=0.003)


def test_how_short_is_short_is_said_for_all_stretches_or_for_each(laws):
    """Two gaps of 1.4 m in a wall: the second leads on to a passage, so the wire swerves there all the same."""
    zone = box(0, 0, 20, 10)
    at = [0, 4, 5.4, 12, 13.4, 20]
    stretches = [LineString([(low, 0), (high, 0)]) for low, high in pairwise(at)]
    stretches.append(LineString([(20, 0), (20, 10), (0, 10), (0, 0)]))
    setbacks = [0.35, 0.12, 0.35, 0.12, 0.35, 0.35]

    def depths(short_m):
        ground = setback_ground(zone, stretches, setbacks, gap_min_m=GAP, short_m=short_m)
        lines = [LineString([(x, 0), (x, 5)]) for x in (4.7, 12.7)]
        return [round(ground.exterior.intersection(line).bounds[1], 2) for line in lines]

    assert depths(1.0) == [0.12, 0.12]
    assert depths(1.6) == [0.35, 0.35]
    assert depths([1.6, 1.6, 1.6, 1.0, 1.6, 1.6]) == [0.35, 0.12]


def test_a_short_stretch_with_a_larger_setback_keeps_it(laws):
    zone = box(0, 0, 20, 10)
    bits = [LineString([(0, 0), (8, 0)]), LineString([(8, 0), (8.4, 0)]), LineString([(8.4, 0), (20, 0)])]
    rest = LineString([(20, 0), (20, 10), (0, 10), (0, 0)])
    ground = setback_ground(zone, [*bits, rest], [0.12, 0.6, 0.12, 0.12], gap_min_m=GAP)
    assert ground.distance(bits[1]) == pytest.approx(0.6, abs=0.004)


def test_pond_is_ringed_at_its_setback(laws):
    pond = Point(10, 5).buffer(2, quad_segs=128)
    ground = loop_ground(
        [setback_ground(box(0, 0, 20, 10) - pond, laws.outlines(box(0, 0, 20, 10) - pond), [0.3, 0.6], gap_min_m=GAP)],
        gap_min_m=GAP,
    )
    (ring,) = ground.interiors
    assert ring.length == pytest.approx(2 * np.pi * 2.6, rel=0.002)
    assert len(ring.coords) < 80
    assert np.abs(laws.turns_deg(np.array(ring.coords))).max() < 10


@pytest.mark.parametrize(
    ("zone", "setback", "islands", "name"),
    [
        (box(0, 0, 20, 10) - box(8, 4, 9.8, 6) - box(10.2, 4, 12, 6), 0.25, 1, "two islands 0.4 m apart"),
        (box(0, 0, 20, 10) - box(7, 4, 8.8, 6) - box(10.2, 4, 12, 6), 0.25, 2, "two islands 1.4 m apart"),
        (box(0, 0, 20, 10) - box(8, 0.3, 9.8, 2), 0.25, 0, "island 0.3 m from the edge"),
        (box(0, 0, 20, 10) - box(8, 1.2, 9.8, 3), 0.25, 1, "island 1.2 m from the edge"),
        (Point(0, 0).buffer(9) - Point(0, 0).buffer(5), 0.3, 1, "ring"),
    ],
)
def test_islands_too_near_share_one_ring_or_join_the_edge(laws, zone, setback, islands, name):
    assert len(finished(laws, zone, setback).interiors) == islands, name


def test_narrow_zone_two_metres_wide(laws):
    ground = finished(laws, box(0, 0, 40, 2))
    assert ground.bounds == pytest.approx((0.3, 0.3, 39.7, 1.7), abs=0.01)
    assert finished(laws, box(0, 0, 40, 0.95)).bounds == pytest.approx((0.3, 0.3, 39.7, 0.65), abs=0.02)
    assert ground_of(laws, box(0, 0, 40, 0.88)).is_empty


def test_setbacks_may_leave_several_parts_or_none(laws):
    hourglass = Polygon([(0, 0), (10, 4), (20, 0), (20, 9), (10, 4.8), (0, 10)])
    parts = polygon_parts(ground_of(laws, hourglass, 0.35))
    assert len(parts) == 2
    assert parts[0].area > parts[1].area > 5
    assert polygon_parts(ground_of(laws, hourglass, 4.6)) == []


def test_wires_on_both_sides_of_a_thin_wall_keep_apart(laws):
    # A slot 3 cm wide, flush on both sides: 0.03 + 2 * 0.12 is less than the gap.
    zone = box(0, 0, 10, 10) - box(4.985, 3, 5.015, 12)
    ground = ground_of(laws, zone, 0.12)
    left, right = (part for part in polygon_parts(ground.intersection(box(0, 4, 10, 8))))
    assert left.distance(right) >= GAP


def test_plain_corners_of_flush_edges_are_not_drawn_back(laws):
    zone = box(0, 0, 10, 10) - box(4, 4, 6, 6)
    assert ground_of(laws, zone, 0.12).distance(Point(6, 6)) == pytest.approx(0.12, abs=0.003)


@pytest.mark.parametrize("apart", [0.0, 0.02, 0.05])
def test_ground_beside_laid_wire_keeps_the_gap_and_no_more(laws, apart):
    """Two lawns on either side of a fence, flush on both: the later wire draws back from the one that is laid."""
    laid = finished(laws, box(0, 0, 10, 10), 0.12)
    ground = ground_of(laws, box(10 + apart, 0, 20, 10), 0.12)
    assert ground.distance(laid) < GAP
    left = ground_apart(ground, [laid], gap_min_m=GAP)
    assert GAP <= loop_ground([left], gap_min_m=GAP).distance(laid) <= GAP + 0.04
    assert left.bounds[1:] == pytest.approx(ground.bounds[1:], abs=0.002)


def test_laid_wire_across_ground_leaves_a_part_on_either_side(laws):
    laid = finished(laws, box(8, -1, 10, 11), 0.0)
    parts = ground_apart(box(0, 0, 20, 10), [laid], gap_min_m=GAP)
    assert [part.centroid.x for part in parts.geoms] == pytest.approx([15, 4], abs=0.2)
    beside = ground_apart(box(10.1, 0, 20, 10), [laid], gap_min_m=GAP)
    assert beside.geom_type == "Polygon"
    assert ground_apart(box(8, 0, 10, 10), [laid], gap_min_m=GAP).is_empty


def test_ground_far_from_all_laid_wire_is_left_alone(laws):
    laid = finished(laws, box(0, 0, 10, 10), 0.12)
    for apart, near in [(0.11, False), (0.05, True)]:
        ground = ground_of(laws, box(10 + apart, 0, 20, 10), 0.12)
        assert (ground_apart(ground, [laid], gap_min_m=GAP) is not ground) == near
    assert ground_apart(ground, [], gap_min_m=GAP) is ground


def test_drawn_ground_is_parted_where_wire_would_come_too_near_to_itself():
    two_rooms = shapely.union_all([box(0, 0, 5, 5), box(5, 2, 8, 2.2), box(8, 0, 14, 5)])
    parts = wire_parts(two_rooms, gap_min_m=GAP)
    # Corners are rounded as a disc of the gap would fit into them.
    assert [part.area for part in parts.geoms] == pytest.approx([30, 25], abs=0.1)
    whole = wire_parts(box(0, 0, 5, 5), gap_min_m=GAP)
    assert whole.geom_type == "Polygon" and whole.symmetric_difference(box(0, 0, 5, 5)).area < 0.05
    apart = wire_parts(MultiPolygon([box(0, 0, 10, 10), box(10.1, 0, 15, 10)]), gap_min_m=GAP)
    first, second = apart.geoms
    assert first.area > second.area
    assert GAP <= first.distance(second) <= GAP + 0.05


@pytest.mark.parametrize(("width_m", "stays"), [(0.3145, False), (0.3155, True)])
def test_what_is_narrower_than_the_gap_and_what_is_kept_in_hand_goes(width_m, stays):
    """2 x (0.15 + 0.005 to simplify by + 0.0005 of rounding + 0.002 that the loop's own opening then leaves)."""
    assert wire_parts(box(0, 0, 5, width_m), gap_min_m=GAP).is_empty != stays


def test_scale_of_the_gap_decides_what_is_narrow(laws):
    zone = shapely.union_all([box(0, 0, 5, 5), box(5, 2, 9, 3.0), box(9, 0, 14, 5)])
    assert len(polygon_parts(ground_of(laws, zone, 0.3, gap=0.3))) == 1
    assert len(polygon_parts(ground_of(laws, zone, 0.3, gap=0.5))) == 2


def dumbbell(laws, middle=((10, 5), (16, 5)), gap=GAP):
    left, right = box(0, 0, 10, 10), box(16, 0, 26, 10)
    grounds = [ground_of(laws, zone, 0.35) for zone in (left, right)]
    strip = passage_strip(LineString(middle), *grounds, gap_m=gap)
    return grounds, strip, loop_ground(grounds, [strip], gap_min_m=GAP)


def test_passage_wires_run_parallel_at_the_gap_with_flared_mouths(laws):
    _, _, ground = dumbbell(laws)
    crossing = ground.intersection(LineString([(13, 0), (13, 10)]))
    assert GAP <= crossing.length <= GAP + 2 * STRIP_ALLOWANCE_M + 0.001
    assert crossing.centroid.y == pytest.approx(5, abs=0.001)
    ring = np.array(ground.exterior.coords)
    assert np.abs(laws.turns_deg(ring)).max() <= 46
    assert np.count_nonzero(laws.turns_deg(ring) < -40) == 8
    assert len(ring) - 1 == 24


HALF_STRIP = GAP / 2 + STRIP_ALLOWANCE_M


def test_a_strip_goes_straight_on_until_it_is_well_inside_either_ground(laws):
    grounds, strip, _ = dumbbell(laws, ((10, 3), (16, 7)))
    # On along its own direction, to where half of it is inside: its end is a half disc about that place.
    ahead = np.array([6.0, 4.0]) / np.hypot(6, 4)
    inside = 0.35 + HALF_STRIP
    whole = LineString([(10, 3) - ahead * inside / ahead[0], (16, 7) + ahead * inside / ahead[0]])
    assert strip.symmetric_difference(whole.buffer(HALF_STRIP, quad_segs=16)).area < 0.01
    # A middle line that ends inside is long enough.
    short = passage_strip(LineString([(9, 5), (17, 5)]), *grounds, gap_m=GAP)
    assert short.bounds == pytest.approx((9 - HALF_STRIP, 5 - HALF_STRIP, 17 + HALF_STRIP, 5 + HALF_STRIP), abs=1e-3)


def test_a_strip_that_would_miss_the_ground_straight_on_takes_the_nearest_way(laws):
    middle = ((10, 5), (15.9, 5), (16, 9))
    grounds, strip, _ = dumbbell(laws, middle)
    assert strip.covers(LineString(middle))
    assert strip.bounds[2] == pytest.approx(16.35 + 2 * HALF_STRIP, abs=0.01)
    assert strip.bounds[3] < 9 + 2 * HALF_STRIP
    # Into ground narrower than the strip it goes as far as the edge.
    narrow = box(16.35, 8.9, 20, 9.1)
    assert passage_strip(LineString(middle), grounds[0], narrow, gap_m=GAP).bounds[2] == pytest.approx(
        16.35 + HALF_STRIP, abs=0.01
    )


def test_strips_that_cross_are_one_with_rounded_corners_and_others_stay_as_they_are(laws):
    one, other = (LineString(xy).buffer(HALF_STRIP) for xy in ([(0, 0), (8, 0)], [(4, -4), (4, 4)]))
    (cross,) = joined_strips([one, other], gap_m=GAP)
    # Each of the four corners is filled outside of a quarter circle of the strip's width.
    fillings = 4 * (1 - np.pi / 4) * (2 * HALF_STRIP) ** 2
    assert cross.area == pytest.approx(one.union(other).area + fillings, abs=0.004)
    assert np.abs(laws.turns_deg(np.array(cross.exterior.coords))).max() < 15
    far = LineString([(0, 9), (8, 9)]).buffer(HALF_STRIP)
    kept = joined_strips([one, far], gap_m=GAP)
    assert kept[0] is one and kept[1] is far
    assert len(joined_strips([one, far, other], gap_m=GAP)) == 2


@pytest.mark.parametrize(
    "middle", [((10, 5), (12, 5), (14, 6), (16, 6.5)), ((10, 3), (16, 7)), ((10, 2), (12, 2), (16, 8))]
)
def test_slanted_and_kinked_passages_bend_gently_and_keep_the_gap(laws, middle):
    _, strip, ground = dumbbell(laws, middle)
    assert strip.covers(LineString(middle)) and ground.covers(LineString(middle))
    assert np.abs(laws.turns_deg(np.array(ground.exterior.coords))).max() <= 46
    between = ground.intersection(box(10.5, 0, 15.5, 10))
    assert shapely.buffer(between, -(GAP / 2 - 0.001)).geom_type == "Polygon"
    assert not shapely.buffer(between, -(GAP / 2 - 0.001)).is_empty


def test_a_passage_across_a_path_no_wider_than_its_flares_is_no_wider_for_them(laws):
    # Two noses that face each other over 1.3 m, 0.22 m apart: between them the wires keep what a passage has.
    west = Polygon([(0, 0), (8, 3.35), (8, 4.65), (0, 8)])
    zones = [west, shapely.transform(west, lambda xy: np.column_stack([16.22 - xy[:, 0], xy[:, 1]]))]
    grounds = [setback_ground(zone, laws.outlines(zone), [0.12], gap_min_m=0.3) for zone in zones]
    strip = passage_strip(LineString([(8, 4), (8.22, 4)]), *grounds, gap_m=0.3)
    between = shapely.intersection(loop_ground(grounds, [strip], gap_min_m=0.3), LineString([(8.11, 0), (8.11, 8)]))
    assert 0.3 <= between.length <= 0.3 + 2 * STRIP_ALLOWANCE_M + 0.02


def test_a_hole_no_wider_than_a_hair_is_no_island(laws):
    zones = [box(0, 0, 8, 8), box(10, 0, 18, 8)]
    grounds = [setback_ground(zone, laws.outlines(zone), [0.3], gap_min_m=0.3) for zone in zones]
    strip = passage_strip(LineString([(8, 4), (10, 4)]), *grounds, gap_m=0.3)
    pierced = strip.difference(Point(9, 4).buffer(0.0005))
    assert len(pierced.interiors) == 1
    assert not loop_ground(grounds, [pierced], gap_min_m=0.3).interiors


def test_grounds_without_a_strip_are_no_loop(laws):
    grounds, _, _ = dumbbell(laws)
    with pytest.raises(FeatureError, match="2 pieces"):
        loop_ground(grounds, gap_min_m=GAP)


def test_bad_setbacks_are_refused(laws):
    zone = box(0, 0, 5, 5)
    with pytest.raises(ParameterError, match="3 setbacks for 4 stretches"):
        setback_ground(zone, laws.sides(zone), [0.3] * 3, gap_min_m=GAP)
    for bad in (-0.1, np.nan, np.inf):
        with pytest.raises(ParameterError, match="is not a distance"):
            setback_ground(zone, laws.sides(zone), [0.3, bad, 0.3, 0.3], gap_min_m=GAP)
    with pytest.raises(ParameterError, match="gap_m"):
        passage_strip(LineString([(0, 0), (1, 0)]), zone, zone, gap_m=0.0)


def test_edges_without_setback_still_give_gentle_bends(laws):
    zone = box(0, 0, 10, 10) - box(5, 5, 11, 11)
    ground = finished(laws, zone, 0.0)
    assert np.abs(laws.turns_deg(np.array(ground.exterior.coords))).max() < 50


@given(st.integers(0, 10**6), st.floats(0, 360))
@settings(max_examples=12, deadline=None)
def test_a_turned_lawn_gives_the_turned_ground(laws, seed, angle):
    zone = laws.random_zone(seed)
    stretches = laws.random_stretches(zone, seed)
    lines, setbacks = [s.line for s in stretches], [s.setback_m for s in stretches]
    ground = setback_ground(zone, lines, setbacks, gap_min_m=GAP)
    turned = setback_ground(
        shapely.affinity.rotate(zone, angle, origin=(0, 0)),
        [shapely.affinity.rotate(line, angle, origin=(0, 0)) for line in lines],
        setbacks,
        gap_min_m=GAP,
    )
    # Narrow places near the limit may go either way; elsewhere outlines agree to the chords of their arcs.
    back = shapely.affinity.rotate(turned, -angle, origin=(0, 0))
    moved = shapely.buffer(shapely.symmetric_difference(ground, back), -0.02)
    assert all(_near_limit(part) for part in polygon_parts(moved))


def _near_limit(part):
    return shapely.buffer(part, -0.16).is_empty


@given(st.integers(0, 10**6))
@settings(max_examples=15, deadline=None)
def test_ground_never_reaches_into_a_setback(laws, seed):
    zone = laws.random_zone(seed)
    stretches = laws.random_stretches(zone, seed)
    ground = setback_ground(zone, [s.line for s in stretches], [s.setback_m for s in stretches], gap_min_m=GAP)
    for stretch in stretches:
        assert ground.is_empty or ground.distance(stretch.line) >= stretch.setback_m - 0.008  # chords of arcs
    assert ground.is_empty or zone.buffer(1e-6).covers(ground)
    for part in polygon_parts(ground):
        assert shapely.buffer(part, -GAP / 2).geom_type == "Polygon"
