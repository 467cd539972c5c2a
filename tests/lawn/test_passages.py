"""The ground of a passage as wide as it was measured, by laws that hold for any passage."""

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, affinity, box

from lawngis.errors import ParameterError
from lawngis.lawn.passages import measured_passage
from lawngis.lawn.zones import zone_partition

MOWN_M = 1.6
WITHIN_M = 0.02
NOTHING = Polygon()


def rooms(
    width_m: float, length_m: float, shift_m: float = 0.0, flare_m: float = 0.0, turn_deg: float = 0.0
) -> Polygon:
    """Two rooms of 8 m and a passage between them, which may run aslant and get wider to its end."""
    half, end = width_m / 2, width_m / 2 + flare_m
    tube = Polygon([(0, -half), (length_m, shift_m - end), (length_m, shift_m + end), (0, half)])
    ends = [box(-8, -4, 0.1, 4), box(length_m - 0.1, shift_m - 4, length_m + 8, shift_m + 4)]
    return affinity.rotate(shapely.union_all([tube, *ends]), turn_deg, origin=(0, 0))


def free_way_m(ground) -> float:
    """Diameter of the largest disc that gets from the largest room to another, by offsets: shares nothing with ours."""
    low, high = 0.0, 4.0
    while high - low > 0.002:
        middle = (low + high) / 2
        parts = shapely.get_parts(shapely.buffer(ground, -middle / 2, quad_segs=32))
        low, high = (middle, high) if len(parts[shapely.area(parts) > 1.0]) == 1 else (low, middle)
    return low


def passage(ground):
    (found,) = zone_partition(ground, mow_width_m=MOWN_M, zone_area_min_m2=2).passages
    return found


def changed(ground, measured_m: float, forbidden=NOTHING):
    way = passage(ground)
    return measured_passage(
        ground,
        way.middle_line,
        mapped_m=way.width_m,
        measured_m=measured_m,
        reach_m=MOWN_M / 2 + 0.02,
        forbidden=forbidden,
    )


shapes = st.builds(
    rooms,
    st.floats(0.7, 1.5),
    st.floats(2.0, 9.0),
    st.floats(-1.5, 1.5),
    st.sampled_from([0.0, 0.1, 0.3]),
    st.floats(0.0, 90.0),
)


@settings(max_examples=40, deadline=None)
@given(shapes, st.floats(0.4, 2.2))
def test_the_bottleneck_is_what_was_measured_and_ground_elsewhere_as_it_was(ground, measured_m):
    way = passage(ground)
    change = changed(ground, measured_m)
    after = change.applied(ground)
    assert free_way_m(after) == pytest.approx(measured_m, abs=WITHIN_M)
    assert change.width_m == measured_m
    assert change.added.is_empty or change.taken.is_empty
    away = after.symmetric_difference(ground).difference(way.middle_line.buffer(measured_m + MOWN_M))
    assert away.area < 1e-4


@settings(max_examples=40, deadline=None)
@given(st.floats(0.7, 1.4), st.floats(3.0, 9.0), st.floats(1.5, 2.4), st.floats(0.0, 0.2), st.booleans(), st.booleans())
def test_what_is_forbidden_is_never_entered_and_the_other_side_moves(width_m, length_m, measured_m, gap_m, low, thin):
    ground = rooms(width_m, length_m)
    side = -1 if low else 1
    near, far = side * (width_m / 2 + gap_m), side * (width_m / 2 + gap_m + (0.1 if thin else 3.0))
    house = box(0.3, min(near, far), length_m - 0.3, max(near, far)).difference(ground)
    change = changed(ground, measured_m, house)
    after = change.applied(ground)
    assert after.intersection(house).area < 1e-4
    assert free_way_m(after) == pytest.approx(measured_m, abs=WITHIN_M) and change.width_m == measured_m
    middle = LineString([(length_m / 2, -4), (length_m / 2, 4)]).intersection(after)
    assert middle.length == pytest.approx(measured_m, abs=WITHIN_M), "no ground is gained beyond a thin wall"
    moved_m = max(abs(y) for _, y in middle.coords) - width_m / 2
    if (measured_m - width_m) / 2 > gap_m + 0.02:
        assert moved_m == pytest.approx(measured_m - width_m - gap_m, abs=WITHIN_M)


def test_between_two_houses_it_is_as_wide_as_they_leave():
    ground = rooms(1.2, 6)
    houses = shapely.union_all([box(0.5, 0.7, 5.5, 3), box(0.5, -3, 5.5, -0.7)])
    change = changed(ground, 2.0, houses)
    assert change.width_m == pytest.approx(1.4, abs=WITHIN_M)
    assert free_way_m(change.applied(ground)) == pytest.approx(1.4, abs=WITHIN_M)
    assert change.applied(ground).intersection(houses).area < 1e-4


def test_both_sides_move_evenly():
    wider, narrower = (changed(rooms(1.2, 6), width_m).applied(rooms(1.2, 6)) for width_m in (1.75, 0.8))
    for ground, half_m in ((wider, 0.875), (narrower, 0.4)):
        across = LineString([(3, -3), (3, 3)]).intersection(ground)
        assert [y for _, y in across.coords] == pytest.approx([-half_m, half_m], abs=0.01)


def test_what_is_wide_enough_already_stays():
    """The passage is 1.0 m wide at a bush alone, and 1.5 m elsewhere."""
    ground = rooms(1.5, 8).difference(Point(4, 0.75).buffer(0.5))
    change = changed(ground, 1.3)
    assert change.added.within(box(3, -1, 5, 1)) and len(change.added.geoms) > 1
    assert free_way_m(change.applied(ground)) == pytest.approx(1.3, abs=WITHIN_M)


@pytest.mark.parametrize(("mapped_m", "measured_m", "reach_m"), [(0.0, 1.0, 1.0), (1.0, -1.0, 1.0), (1.0, 1.0, 0.0)])
def test_no_width_is_refused(mapped_m, measured_m, reach_m):
    line = LineString([(0, 0), (6, 0)])
    with pytest.raises(ParameterError, match="must be positive"):
        measured_passage(
            rooms(1, 6), line, mapped_m=mapped_m, measured_m=measured_m, reach_m=reach_m, forbidden=NOTHING
        )
