"""Differences of two plans of the same ground, by cases that one can draw and by laws."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box

from lawngis.errors import ParameterError
from lawngis.record.changes import area_gained, pairs_of_places, stretches_apart

# To the micrometre: GEOS divides by zero where a coordinate is next to nothing, as none on a map is.
places = st.floats(-20, 20).map(lambda at: round(at, 6))
boxes = st.tuples(*[st.integers(0, 12)] * 2, *[st.integers(1, 8)] * 2).map(
    lambda c: box(c[0], c[1], c[0] + c[2], c[1] + c[3])
)


def test_a_bite_out_of_the_lawn_is_lost_and_a_strip_beside_it_gained():
    lawn = box(0, 0, 20, 10)
    after = shapely.union(lawn.difference(box(8, 4, 10, 6)), box(20, 0, 22, 10))
    (gained,) = area_gained(lawn, after)
    (lost,) = area_gained(after, lawn)
    assert gained.equals(box(20, 0, 22, 10))
    assert lost.equals(box(8, 4, 10, 6))


def test_slivers_and_crumbs_are_no_change():
    lawn = box(0, 0, 20, 10)
    assert area_gained(lawn, box(-0.02, -0.02, 20.02, 10.02)) == []
    assert area_gained(lawn, MultiPolygon([lawn, box(30, 0, 30.2, 0.2)])) == []
    # a hairline along the edge is cut off what is really new
    (piece,) = area_gained(lawn, shapely.union(box(0, 0, 20.01, 10), box(20, 4, 23, 6)))
    assert piece.area == pytest.approx(6.0, abs=0.03)


@settings(max_examples=60, deadline=None)
@given(boxes, boxes)
def test_what_is_kept_gained_and_lost_adds_up(before, after):
    gained = sum(piece.area for piece in area_gained(before, after))
    lost = sum(piece.area for piece in area_gained(after, before))
    assert after.area - before.area == pytest.approx(gained - lost)
    assert gained == pytest.approx(after.area - after.intersection(before).area)


def test_a_wire_moved_sideways_lies_apart_by_that_much_between_the_places_where_it_leaves():
    was = LineString([(0, 0), (30, 0)])
    now = LineString([(0, 0), (10, 0), (11, 0.6), (19, 0.6), (20, 0), (30, 0)])
    (stretch,) = stretches_apart(now, [was], tolerance_m=0.1)
    assert stretch.apart_m == pytest.approx(0.6)
    assert stretch.line.bounds[0] == pytest.approx(10 + 1 / 6, abs=0.01)
    assert stretch.line.bounds[2] == pytest.approx(20 - 1 / 6, abs=0.01)
    (gone,) = stretches_apart(was, [now], tolerance_m=0.1)
    assert gone.apart_m == pytest.approx(0.6)
    assert stretches_apart(now, [was], tolerance_m=0.61) == []


def test_stretches_come_in_the_order_of_the_line_and_short_ones_may_be_left_out():
    now = LineString([(30, 0), (25, 1), (20, 0), (5, 0), (4.9, 0.4), (4.8, 0), (0, 0)])
    found = stretches_apart(now, [LineString([(0, 0), (30, 0)])], tolerance_m=0.1)
    assert [round(item.line.centroid.x) for item in found] == [25, 5]
    assert len(stretches_apart(now, [LineString([(0, 0), (30, 0)])], tolerance_m=0.1, length_min_m=2)) == 1


def test_without_another_wire_all_of_it_lies_elsewhere():
    (stretch,) = stretches_apart(LineString([(0, 0), (5, 0)]), [], tolerance_m=0.1)
    assert stretch.line.length == 5
    assert np.isinf(stretch.apart_m)
    assert stretches_apart(LineString(), [], tolerance_m=0.1) == []
    with pytest.raises(ParameterError, match="not above zero"):
        stretches_apart(LineString([(0, 0), (5, 0)]), [], tolerance_m=0)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(places, places), min_size=2, max_size=8, unique=True),
    st.lists(st.tuples(places, places), min_size=2, max_size=8, unique=True),
)
def test_every_stretch_lies_apart_and_no_other_point_does(one, two):
    line, other = LineString(one), LineString(two)
    found = stretches_apart(line, [other], tolerance_m=0.5)
    for stretch in found:
        assert stretch.apart_m >= 0.49
        middle = stretch.line.interpolate(0.5, normalized=True)
        assert middle.distance(line) < 1e-6
    lies_apart = shapely.buffer(shapely.union_all([item.line for item in found]), 1e-6)
    for share in np.linspace(0, 1, 23):
        point = line.interpolate(share, normalized=True)
        away = point.distance(other)
        if away > 0.51:
            assert lies_apart.intersects(point)
        if away < 0.48:
            assert not shapely.union_all([item.line for item in found]).dwithin(point, 1e-9)
    assert stretches_apart(line, [line], tolerance_m=0.01) == []


def test_pairs_are_the_nearest_of_a_kind_each_once():
    before = [Point(0, 0), Point(5, 0), Point(9, 9)]
    after = [Point(5.2, 0), Point(0.3, 0), Point(0.1, 0)]
    assert pairs_of_places(before, after, reach_m=1.0) == [(0, 2), (1, 0)]
    kinds = (["a", "b", "c"], ["a", "a", "b"])
    assert pairs_of_places(before, after, reach_m=1.0, kinds=kinds) == [(0, 1)]
    assert pairs_of_places([], after, reach_m=1.0) == []


def test_things_that_lie_nowhere_pair_with_their_kind():
    nowhere = Point()
    assert pairs_of_places([nowhere, Point(0, 0)], [Point(0, 0), nowhere], reach_m=1.0) == [(0, 1), (1, 0)]
    assert pairs_of_places([nowhere], [nowhere], reach_m=1.0, kinds=(["a"], ["b"])) == []
    assert pairs_of_places([Polygon()], [Point(0, 0)], reach_m=1.0) == []
