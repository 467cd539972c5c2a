"""Borders that two lawns share across paving, with answers worked by hand."""

import pytest
import shapely
from shapely import LineString, Point, box

from lawngis.lawn.shared_border import border_strip, shared_border

NORTH, SOUTH = box(3, 11, 25, 20), box(0, 0, 30, 10)
PATH = box(-2, 10, 40, 11)
FREE = shapely.union_all([NORTH, SOUTH, PATH])


def test_a_border_is_as_long_as_the_two_lawns_face_each_other():
    for one, other in ((NORTH, SOUTH), (SOUTH, NORTH)):
        border = shared_border(one, other, FREE, reach_m=2.0)
        assert border.length_m == pytest.approx(22.0, abs=0.01)
        assert border.band.symmetric_difference(box(3, 10, 25, 11)).area < 0.02
        assert border.ends_m == pytest.approx((1.0, 1.0)) and border.across.length == pytest.approx(1.0)
        assert border.across.distance(Point(14, 10.5)) < 0.06


def test_paving_wider_than_the_reach_is_no_border():
    assert shared_border(NORTH, SOUTH, FREE, reach_m=0.99) is None


@pytest.mark.parametrize("hairline_m", [0.02, 0.04])
def test_a_hairline_between_lawn_and_paving_is_none(hairline_m):
    lawns = (NORTH, shapely.affinity.translate(SOUTH, 0, -hairline_m))
    border = shared_border(*lawns, shapely.union_all([*lawns, PATH]), reach_m=2.0)
    assert border.length_m == pytest.approx(22.0, abs=0.01)


def test_what_lies_on_the_paving_ends_the_border_and_the_longer_part_counts():
    """A bed from 10 to 12 m leaves 7 m on one side and 13 m on the other."""
    border = shared_border(NORTH, SOUTH, FREE.difference(box(10, 10.2, 12, 10.8)), reach_m=2.0)
    assert border.length_m == pytest.approx(13.0, abs=0.11)
    assert border.band.bounds[0] == pytest.approx(12.0, abs=0.11)


def test_a_border_goes_on_round_a_bend_from_either_side():
    """A path 1 m wide turns a square corner: along its middle 19 and 14 m, half a metre more outside, less inside."""
    way = LineString([(1, 0), (20, 0), (20, -14)]).buffer(0.5, cap_style="flat", join_style="mitre")
    field = box(1, -14, 30, 8)
    inner, outer = sorted(shapely.get_parts(field.difference(way)), key=lambda part: not part.covers(Point(10, -5)))
    assert shared_border(inner, outer, field, reach_m=2.0).length_m == pytest.approx(18.5 + 13.5, abs=0.1)
    assert shared_border(outer, inner, field, reach_m=2.0).length_m == pytest.approx(19.5 + 14.5, abs=0.1)


def test_outlines_that_run_apart_are_no_border():
    wedge = shapely.Polygon([(3, 10.2), (25, 19), (3, 19)])
    assert shared_border(wedge, SOUTH, shapely.union_all([wedge, SOUTH, box(0, 10, 30, 19)]), reach_m=2.0) is None


def test_an_outline_all_around_another_has_no_ends():
    lawn = box(0, 0, 30, 30).difference(box(10, 10, 20, 20))
    assert shared_border(box(11, 11, 19, 19), lawn, box(0, 0, 30, 30), reach_m=5.0) is None


def test_around_a_place_a_border_goes_no_further_than_asked():
    border = shared_border(NORTH, SOUTH, FREE, reach_m=2.0, around=(Point(8, 11), 2.0))
    assert border.length_m == pytest.approx(4.0, abs=0.11)
    assert border.band.centroid.x == pytest.approx(8.0, abs=0.06)


def test_a_strip_reaches_into_both_lawns_and_nowhere_else():
    border = shared_border(NORTH, SOUTH, FREE, reach_m=2.0)
    strip = border_strip(border, NORTH, SOUTH)
    assert strip.difference(shapely.union_all([border.band, NORTH, SOUTH])).area < 0.005
    for lawn in (NORTH, SOUTH):
        assert 0.05 * 21.9 <= strip.intersection(lawn).area <= 0.05 * 22.2


@pytest.mark.parametrize("turned_deg", [7.0, 33.0, 61.3, 118.9])
def test_a_strip_is_one_piece_without_holes_however_it_lies(turned_deg):
    lawns = [shapely.affinity.rotate(lawn, turned_deg, origin=(1e3 / 7, -40)) for lawn in (NORTH, SOUTH)]
    free = shapely.affinity.rotate(FREE, turned_deg, origin=(1e3 / 7, -40))
    border = shared_border(*lawns, free, reach_m=2.0)
    strip = border_strip(border, *lawns)
    assert not strip.interiors and strip.area == pytest.approx(22 * 1.1, rel=0.01)
