"""Places that are about as wide as the mower needs, on ground drawn by hand."""

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, box

from lawngis.errors import ParameterError
from lawngis.lawn.narrow import narrow_places, near_crossings
from lawngis.lawn.zones import zone_partition

MOWN, WIDE = 1.6, 2.0
WEST, EAST = box(0, 0, 12, 10), box(16, 0, 24, 10)


def places(ground, *, wide_m=WIDE):
    partition = zone_partition(ground, mow_width_m=MOWN, zone_area_min_m2=8)
    return narrow_places(partition.grounds, mow_width_m=MOWN, wide_m=wide_m)


def joined(width_m: float) -> Polygon:
    return shapely.union_all([WEST, box(12, 5 - width_m / 2, 16, 5 + width_m / 2), EAST])


@pytest.mark.parametrize("width_m", [1.62, 1.75, 1.95])
def test_what_just_joins_two_lawns_is_found_with_its_width(width_m):
    (place,) = places(joined(width_m))
    assert place.width_m == pytest.approx(width_m, abs=0.005) and place.parts
    assert place.narrowest.distance(Point(14, 5)) < 2 and place.across.length == pytest.approx(width_m, abs=0.005)
    assert shapely.get_coordinates(place.across)[:, 1] == pytest.approx(
        [5 - width_m / 2, 5 + width_m / 2], abs=0.01
    ) or (shapely.get_coordinates(place.across)[:, 1] == pytest.approx([5 + width_m / 2, 5 - width_m / 2], abs=0.01))
    assert place.area_m2 == pytest.approx(4 * width_m, rel=0.3)


def test_what_is_wide_enough_without_doubt_is_none():
    assert not places(joined(2.05)) and not places(box(0, 0, 20, 12))


def test_a_gap_between_two_ends_of_a_thin_wall_is_found():
    """Discs of both sides overlap in it: an opening of the ground would not see it."""
    ground = box(0, 0, 20, 10).difference(box(10, 0, 10.2, 5)).difference(box(10, 6.7, 10.2, 10))
    (place,) = places(ground)
    assert place.width_m == pytest.approx(1.7, abs=0.005) and place.parts


@pytest.mark.parametrize("gap_m", [1.45, 1.7])
def test_a_gap_beside_an_island_parts_nothing(gap_m):
    (place,) = places(box(0, 0, 20, 12).difference(box(gap_m, 4, 5, 7)))
    assert place.width_m == pytest.approx(gap_m, abs=0.005) and not place.parts


def test_of_two_ways_to_the_same_lawn_neither_parts_it():
    both = shapely.union_all([WEST, box(12, 1, 16, 2.7), box(12, 7, 16, 8.75), EAST])
    found = places(both)
    assert sorted(place.width_m for place in found) == pytest.approx([1.7, 1.75], abs=0.005)
    assert not any(place.parts for place in found)


@pytest.mark.parametrize("width_m", [1.5, 1.7])
def test_a_dead_end_is_as_wide_as_it_is_behind_its_mouth(width_m):
    (place,) = places(shapely.union_all([WEST, box(12, 4, 18, 4 + width_m)]))
    assert place.width_m == pytest.approx(width_m, abs=0.005) and not place.parts
    assert place.area_m2 == pytest.approx(6 * width_m, rel=0.25)


def test_a_corner_or_a_wedge_is_no_dead_end():
    assert not places(Polygon([(0, 0), (10, 0), (10, 10), (0, 10), (0, 6), (-12, 5)]))


def test_scale_and_turn_change_nothing_but_lengths():
    ground = joined(1.7)
    (place,) = places(shapely.transform(ground, lambda xy: xy @ np.array([[0.8, 0.6], [-0.6, 0.8]])))
    assert place.width_m == pytest.approx(places(ground)[0].width_m, abs=0.005)


def test_a_width_that_is_not_wider_is_refused():
    with pytest.raises(ParameterError, match="not wider"):
        places(WEST, wide_m=MOWN)


# --- crossings ----------------------------------------------------------------------------------------------


def ways(length_m: float, opening_m: float = 8.0):
    """Two lawns on both sides of paving, which the mower reaches through an opening so wide."""
    zones = [box(0, 0, 10, 10), box(10 + length_m, 5 - opening_m / 2, 20, 5 + opening_m / 2)]
    surface = box(10, 5 - opening_m / 2, 10 + length_m, 5 + opening_m / 2)
    return near_crossings(zones, [surface], length_max_m=2.0, transit_width_m=0.9, slack_m=0.4)


@pytest.mark.parametrize("length_m", [1.8, 1.99, 2.01, 2.3])
def test_a_way_over_paving_has_its_length_whether_it_serves_or_not(length_m):
    (way,) = ways(length_m)
    assert way.length_m == pytest.approx(length_m, abs=0.001)
    assert (way.width_m > 0) == (length_m <= 2.0)


@pytest.mark.parametrize("opening_m", [0.7, 0.85, 0.95, 1.2])
def test_a_way_over_paving_has_the_greatest_width_free(opening_m):
    (way,) = ways(1.5, opening_m)
    assert way.width_m == pytest.approx(opening_m, abs=0.025)
    assert np.isfinite(way.length_m) == (opening_m >= 0.9)


def test_a_way_far_too_long_or_narrow_is_none():
    assert not ways(2.5) and not ways(1.5, 0.45)
