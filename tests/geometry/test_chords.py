"""What lies beside a chord, against the parts that cutting along it leaves (shapely)."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon
from shapely.ops import split

from lawngis.geometry.chords import beside_chords


@st.composite
def grounds(draw):
    """Ground with dents and holes: its ring goes once around, near and far from the middle."""
    far = draw(st.lists(st.integers(6, 40), min_size=5, max_size=24))
    angle = np.arange(len(far)) * 2 * np.pi / len(far) + draw(st.floats(0, 1))
    ground = Polygon(np.column_stack([np.cos(angle), np.sin(angle)]) * np.array(far)[:, None])
    for x, y, r in draw(st.lists(st.tuples(*[st.integers(-15, 15)] * 2, st.integers(1, 3)), max_size=4)):
        hole = Point(x, y).buffer(r, quad_segs=2)
        if ground.contains(hole.buffer(0.5)):
            ground = ground.difference(hole)
    return ground


def chords_of(ground, angle, away_m):
    way = np.array([np.cos(angle), np.sin(angle)])
    middle = away_m * np.array([-way[1], way[0]])
    inside = LineString([middle - 100 * way, middle + 100 * way]).intersection(Polygon(ground.exterior))
    return [part for part in shapely.get_parts(inside) if part.geom_type == "LineString" and part.length > 0.1]


@given(grounds(), st.floats(0, 3.1), st.floats(-20, 20))
def test_areas_are_those_of_the_parts_that_a_cut_leaves(ground, angle, away_m):
    for chord in chords_of(ground, angle, away_m):
        (start, end) = shapely.get_coordinates(chord)
        way = (end - start) / chord.length
        cut = LineString([start - 1e-6 * way, end + 1e-6 * way])
        parts = list(split(ground, cut).geoms)
        if len(parts) != 2:  # it runs along an edge
            continue
        # What is left of a cut has ground just left of its middle, or of where it runs over ground.
        over = max(shapely.get_parts(shapely.intersection(cut, ground)), key=lambda part: part.length)
        beside = Point(shapely.get_coordinates(over).mean(axis=0) + 1e-4 * np.array([-way[1], way[0]]))
        left = next((part for part in parts if part.contains(beside)), None)
        if left is None:
            continue
        right = next(part for part in parts if part is not left)
        places = [left.representative_point(), right.representative_point()]
        area, is_left = beside_chords(ground, np.array([[start, end]]), places)
        assert area[0] == pytest.approx(left.area, abs=1e-4 * ground.area)
        inner = [not ring.crosses(chord) for ring in ground.interiors]
        if all(inner):
            assert is_left[0].tolist() == [True, False]


def test_a_chord_beside_a_dent_leaves_what_is_beyond_the_dent_to_the_other_side():
    """A U: the chord closes its left arm, and all of the right arm lies left of the chord's straight line."""
    ground = Polygon([(0, 0), (9, 0), (9, 9), (6, 9), (6, 3), (3, 3), (3, 9), (0, 9)])
    area, is_left = beside_chords(ground, np.array([[(0.0, 6.0), (3.0, 6.0)]]), [Point(1, 8), Point(7, 8), Point(7, 1)])
    assert area.tolist() == [9.0]
    assert is_left.tolist() == [[True, False, False]]
