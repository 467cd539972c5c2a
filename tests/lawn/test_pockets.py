"""Pockets: dents of a zone's outline in which the mower has no room to turn."""

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate, translate

from lawngis.errors import ParameterError
from lawngis.lawn.pockets import pockets, without_pockets
from lawngis.lawn.zones import ZonePartition, zone_partition

WIDTH_M = 1.6
LAWN = box(0, 0, 20, 12)


def with_dent(width_m: float, depth_m: float, at_m: float = 8.0) -> Polygon:
    """A lawn with a dent in its upper side."""
    return shapely.union(LAWN, box(at_m, 12, at_m + width_m, 12 + depth_m))


@pytest.mark.parametrize(
    ("width_m", "depth_m", "area_m2"),
    [
        (1.3, 0.4, 0.52),
        (1.5, 0.7, 1.05),
        # A disc of 1.59 m bulges into a mouth of 1.55 m by 0.795 - sqrt(0.795² - 0.775²) = 0.62 m: to the bottom.
        (1.55, 0.4, None),
        (1.7, 0.4, None),  # wide enough
        (0.5, 2.0, 1.0),
        (0.4, 0.1, None),  # too shallow to matter
    ],
)
def test_a_dent_narrower_than_the_mower_needs_is_cut_off_along_its_mouth(width_m, depth_m, area_m2):
    found = pockets(with_dent(width_m, depth_m), width_m=WIDTH_M)
    assert [round(pocket.area, 2) for pocket in found] == ([] if area_m2 is None else [area_m2])
    for pocket in found:
        dent = box(8, 12, 8 + width_m, 12 + depth_m)
        assert pocket.symmetric_difference(dent).area == pytest.approx(0, abs=0.01)


def test_a_strip_along_a_wall_that_ends_blind_is_one_too():
    """0.9 m beside a bed of 3 m that leaves the wall at (3, 12): cut off across its mouth at x = 3."""
    lawn = LAWN.difference(box(0, 9, 3, 11.1))
    (pocket,) = pockets(lawn, width_m=WIDTH_M)
    assert pocket.symmetric_difference(box(0, 11.1, 3, 12)).area == pytest.approx(0, abs=0.5)
    assert pocket.bounds[2] <= 3.75  # where the disc rests on the bed's corner and the wall


CORNERS = {
    "square": LAWN,
    "cut": LAWN.intersection(Polygon([(0, 0), (20, 0), (20, 12), (3, 12), (0, 9)])),
    "60 degrees": Polygon([(0, 0), (20, 0), (10, 17.32)]),
    "round": Point(0, 0).buffer(6),
    "notch of 90 degrees": LAWN.union(Polygon([(8, 12), (9, 12), (8.5, 12.5)])),
    "pond": LAWN.difference(Point(10, 6).buffer(1)),
    "gap beside a pond": LAWN.difference(Point(10, 1.9).buffer(1)),
}


@pytest.mark.parametrize("name", CORNERS)
def test_corners_and_gaps_that_are_open_at_both_ends_are_none(name):
    assert pockets(CORNERS[name], width_m=WIDTH_M) == []


def test_a_dent_of_an_island_is_one():
    """A bed like a U, 1 m wide and 1 m deep inside."""
    bed = box(8, 4, 11, 6).difference(box(9, 5, 10, 6))
    (pocket,) = pockets(LAWN.difference(bed), width_m=WIDTH_M)
    assert pocket.symmetric_difference(box(9, 5, 10, 6)).area == pytest.approx(0, abs=0.01)


def test_where_the_ring_begins_does_not_matter():
    xy = shapely.get_coordinates(with_dent(1.3, 0.4).exterior)[:-1]
    for first in range(len(xy)):
        turned = Polygon([*xy[first:], *xy[:first]])
        assert [round(pocket.area, 2) for pocket in pockets(turned, width_m=WIDTH_M)] == [0.52]


@given(st.floats(0.3, 1.2), st.floats(0.35, 1.5), st.floats(0, 360))
@settings(max_examples=40, deadline=None)
def test_turned_and_moved_it_is_the_same(width_m, depth_m, angle_deg):
    lawn = with_dent(width_m, depth_m)
    (pocket,) = pockets(translate(rotate(lawn, angle_deg, origin=(0, 0)), 50, -30), width_m=WIDTH_M)
    assert pocket.area == pytest.approx(width_m * depth_m, abs=0.01)


def test_pockets_become_nooks_and_no_ground_is_lost():
    lawn = with_dent(1.3, 0.4).union(box(15, 12, 16, 12.8))
    whole = zone_partition(lawn, mow_width_m=WIDTH_M, zone_area_min_m2=5.0)
    assert len(whole.zones) == 1 and not whole.nooks
    cut = without_pockets(whole, width_m=WIDTH_M)
    assert sorted(round(nook.area, 2) for nook in cut.nooks) == [0.52, 0.8]
    assert cut.zones[0].area == pytest.approx(240.0, abs=0.01)
    assert shapely.union_all([*cut.zones, *cut.nooks]).symmetric_difference(lawn).area < 1e-9
    assert shapely.intersection(cut.zones[0], shapely.union_all(cut.nooks)).area < 1e-9


@pytest.mark.parametrize("angle_deg", range(0, 360, 30))
def test_a_hairline_spike_of_the_outline_hides_no_pocket(angle_deg):
    """What follows the lawn's edge leaves hairs beside it: here along the bottom of the dent, to both sides.

    Far from the origin, turned, a cut leaves crumbs of them.
    """
    spikes = [(11, 12.4 + 1e-9), (2, 12.4 + 2e-9)]
    dent = [(9.3, 12), (9.3, 12.4), *spikes, (8, 12.4), (8, 12)]
    lawn = Polygon([(0, 0), (20, 0), (20, 12), *dent, (0, 12)])
    lawn = translate(rotate(lawn, angle_deg + 17, origin=(0, 0)), 561458, 5467290)
    lawn = max(shapely.get_parts(lawn.buffer(0)), key=shapely.area) if not lawn.is_valid else lawn
    cut = without_pockets(ZonePartition((lawn,), (), (), ()), width_m=WIDTH_M)
    assert cut.zones[0].area == pytest.approx(240.0, abs=0.01)
    assert cut.nooks[0].area == pytest.approx(0.52, abs=0.01)


def test_a_pocket_through_which_a_way_leads_stays():
    lawn = with_dent(1.3, 0.4)
    partition = ZonePartition((lawn,), (), (), ())
    over_the_path = LineString([(8.6, 12.4), (8.6, 13.6)])
    assert without_pockets(partition, width_m=WIDTH_M, kept=[over_the_path]).zones == (lawn,)
    elsewhere = LineString([(3, 12), (3, 13)])
    assert without_pockets(partition, width_m=WIDTH_M, kept=[elsewhere]).zones[0].area == pytest.approx(240, abs=0.01)


def test_a_width_that_is_none_is_refused():
    with pytest.raises(ParameterError, match="width_m must be above 0 m, not 0"):
        pockets(LAWN, width_m=0.0)
