"""Zones, passages, crossings and roles: laws on generated ground, known answers on ground made by hand."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate, translate

from lawngis.errors import FeatureError, ParameterError
from lawngis.geometry.polygons import polygon_parts
from lawngis.lawn.zones import Passage, ZonePartition, crossings, zone_groups, zone_partition

MOW = 1.6
AREA = 4.0


def partition(ground, mow_width_m: float = MOW, zone_area_min_m2: float = AREA) -> ZonePartition:
    return zone_partition(ground, mow_width_m=mow_width_m, zone_area_min_m2=zone_area_min_m2)


def only_passage(ground, **changes) -> Passage:
    found = partition(ground, **changes)
    assert len(found.zones) == 2
    (passage,) = found.passages
    return passage


def pieces(found: ZonePartition) -> list[Polygon]:
    outlines = [passage.outline for passage in found.passages if not passage.outline.is_empty]
    return [*found.zones, *outlines, *found.nooks, *found.scraps]


def eroded(ground, distance: float):
    """Ground further than `distance` from its outline, from one buffer per side: a buffer of the whole outline may
    be off by 1 % of the distance, as it is simplified first."""
    sides = []
    for part in polygon_parts(ground):
        for ring in (part.exterior, *part.interiors):
            xy = shapely.get_coordinates(ring)
            sides += list(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)))
    return shapely.difference(ground, shapely.union_all(shapely.buffer(sides, distance, quad_segs=32)))


def joined(*shapes) -> Polygon:
    return shapely.union_all(list(shapes))


def dumbbell(width: float, length: float = 6.0) -> Polygon:
    low, high = 5 - width / 2, 5 + width / 2
    return joined(box(0, 0, 10, 10), box(10, low, 10 + length, high), box(10 + length, 0, 20 + length, 10))


def check_laws(ground, mow_width_m: float, found: ZonePartition, area_min: float) -> None:
    radius = mow_width_m / 2
    parts = pieces(found)
    assert sum(part.area for part in parts) == pytest.approx(ground.area, rel=1e-9, abs=1e-9)
    assert all(part.is_valid for part in parts)
    assert shapely.symmetric_difference(shapely.union_all(parts), ground).area < 1e-6
    assert shapely.coverage_is_valid(parts)  # no overlap, common vertices along common outlines
    for zone in found.zones:
        assert not zone.buffer(-(radius - 0.01)).is_empty
        assert zone.area >= area_min
        cores = [core for core in polygon_parts(eroded(ground, radius - 0.006)) if core.intersection(zone).area > 0.01]
        assert len(cores) <= 1, "a zone hangs together at the mowing width"
    for core in polygon_parts(eroded(ground, radius)):
        if core.area > 0.01:
            assert sum(part.intersection(core).area > 0.01 * core.area for part in parts) == 1
    for passage in found.passages:
        assert passage.zone_a < passage.zone_b
        assert 0 < passage.width_m < mow_width_m
        start, end = shapely.points([passage.middle_line.coords[0], passage.middle_line.coords[-1]])
        assert found.zones[passage.zone_a].distance(start) < 0.02
        assert found.zones[passage.zone_b].distance(end) < 0.02
        assert shapely.buffer(ground, 0.02).covers(passage.middle_line)
        assert 2 * passage.narrowest.distance(ground.boundary) == pytest.approx(passage.width_m, abs=0.01)


# --- plain ground


@pytest.mark.parametrize(
    "ground",
    [
        box(0, 0, 10, 8),
        rotate(box(0, 0, 2, 40), 30),
        Point(0, 0).buffer(7),
        Polygon([(0, 0), (12, 0), (6, 10.4)]),
        joined(box(0, 0, 20, 6), box(0, 0, 6, 20)),
        box(0, 0, 25, 20).difference(box(8, 3, 18, 13)),
        box(0, 0, 25, 20).difference(joined(Point(6, 6).buffer(1), Point(12, 10).buffer(2))),
    ],
    ids=["rectangle", "strip", "disc", "triangle of 60 degrees", "L", "round a house", "islands"],
)
def test_ground_that_is_wide_everywhere_is_one_zone_unchanged(ground):
    found = partition(ground)
    assert len(found.zones) == 1
    assert found.zones[0].equals_exact(ground, 0)
    assert not (found.passages or found.nooks or found.scraps)


@pytest.mark.parametrize("angle", [90, 75, 62])
def test_corners_are_not_bitten_off_beside_a_passage(angle):
    slant = 6 / np.tan(np.radians(angle))
    trapezium = Polygon([(-20, 0), (0, 0), (-slant, 6), (-20, 6)])
    ground = joined(trapezium, box(-30, 2.5, -19.9, 3.5), box(-40, 0, -30, 6))
    found = partition(ground)
    assert len(found.zones) == 2
    assert not found.nooks
    assert sum(zone.area for zone in found.zones) == pytest.approx(trapezium.area + 60, abs=1e-6)


def test_two_lawns_apart_have_no_passage():
    found = partition(MultiPolygon([box(0, 0, 10, 5), box(12, 0, 30, 5)]))
    assert [zone.area for zone in found.zones] == pytest.approx([90, 50])
    assert not found.passages


def test_nothing_to_mow():
    assert partition(Polygon()) == ZonePartition((), (), (), ())
    narrow = box(0, 0, 20, 1.5)
    assert partition(narrow).nooks == (narrow,)
    small = box(0, 0, 1.9, 1.9)
    assert partition(small).scraps == (small,)


# --- passages


@pytest.mark.parametrize("width", [0.3, 0.9, 1.2, 1.5, 1.58])
@pytest.mark.parametrize("angle", [0, 33.3])
def test_straight_corridor(width, angle):
    ground = rotate(dumbbell(width), angle, origin=(0, 0))
    passage = only_passage(ground)
    assert passage.width_m == pytest.approx(width, abs=1e-4)
    assert passage.length_m == pytest.approx(6, abs=0.01)
    assert passage.outline.area == pytest.approx(6 * width, abs=0.01)
    mouths = rotate(shapely.MultiPoint([(10, 5), (16, 5)]), angle, origin=(0, 0))
    assert shapely.hausdorff_distance(passage.middle_line.boundary, mouths) < 0.01
    assert len(passage.middle_line.coords) == 2


def test_mown_from_the_limit_on():
    assert len(partition(dumbbell(1.6)).zones) == 1
    assert len(partition(dumbbell(1.61)).zones) == 1
    assert len(partition(dumbbell(1.58)).zones) == 2


@pytest.mark.parametrize("width", [0.9, 1.3])
@pytest.mark.parametrize("radius", [3.0, 9.0])
def test_curved_corridor(width, radius):
    outer, inner = radius + width / 2, radius - width / 2
    arc = Point(0, 0).buffer(outer, quad_segs=96).difference(Point(0, 0).buffer(inner, quad_segs=96))
    arc = arc.difference(box(-20, -20, 20, 0))
    ground = joined(arc, box(inner - 2, -8, outer + 3, 0), box(-outer - 3, -8, -inner + 2, 0))
    passage = only_passage(ground)
    assert passage.width_m == pytest.approx(width, abs=0.02)
    assert passage.length_m == pytest.approx(np.pi * radius, rel=0.01)
    assert np.hypot(*np.array(passage.middle_line.coords).T) == pytest.approx(radius, abs=0.03)
    assert len(passage.middle_line.coords) < 60


@pytest.mark.parametrize("narrow", [0.5, 1.0])
def test_tapered_corridor(narrow):
    taper = Polygon([(10, 4.3), (10, 5.7), (16, 5 + narrow / 2), (16, 5 - narrow / 2)])
    passage = only_passage(joined(box(0, 0, 10, 10), taper, box(16, 0, 26, 10)))
    assert passage.width_m == pytest.approx(narrow, abs=0.01)
    assert passage.narrowest.distance(Point(16, 5)) < 0.05


def test_kinked_corridor():
    way = LineString([(9, 5), (14, 5), (14, 12), (20, 16)]).buffer(0.55, cap_style="flat", join_style="mitre")
    passage = only_passage(joined(box(0, 0, 10, 10), way, box(19, 10, 29, 25)))
    assert passage.width_m == pytest.approx(1.1, abs=0.005)
    clear = passage.middle_line.distance(joined(box(0, 0, 10, 10), way, box(19, 10, 29, 25)).boundary)
    assert clear > 0.53


@pytest.mark.parametrize("width", [0.4, 1.0])
def test_pinch_without_length(width):
    """Two lawns with a hole in the wall between them: zones that meet in one chord, nothing between them."""
    left, right = 5 - width / 2, 5 + width / 2
    low, high = box(0, 0, 10, 6), Polygon([(left, 6), (right, 6), (15, 7), (15, 12), (-5, 12), (-5, 7)])
    passage = only_passage(joined(low, high))
    assert passage.outline.is_empty
    assert passage.length_m == 0
    assert passage.width_m == pytest.approx(width, abs=1e-6)
    assert passage.narrowest.distance(Point(5, 6)) < 1e-6
    a, b = partition(joined(low, high)).zones
    assert a.intersection(b).length == pytest.approx(width, abs=1e-6)
    start, end = passage.middle_line.boundary.geoms
    assert a.contains(start)
    assert b.contains(end)
    assert passage.middle_line.distance(Point(5, 6)) < 1e-6


@pytest.mark.parametrize("width", [0.4, 1.0])
def test_hourglass(width):
    half = width / 2
    ground = Polygon([(0, 0), (10, 0), (5 + half, 6), (10, 12), (0, 12), (5 - half, 6)])
    passage = only_passage(ground)
    assert passage.width_m == pytest.approx(width, abs=1e-4)
    assert passage.narrowest.distance(Point(5, 6)) < 1e-3
    wall = np.arctan2(5 - half, 6)  # between wall and middle line; the discs rest on the walls
    mouth = (0.8 * np.cos(wall) - half) / np.tan(wall)
    assert passage.length_m == pytest.approx(2 * mouth, abs=0.02)


def test_two_ways_are_both_listed_the_wider_first():
    ground = box(0, 0, 25, 10).difference(box(10, 1.1, 15, 9.0))
    found = partition(ground)
    assert [p.width_m for p in found.passages] == pytest.approx([1.1, 1.0], abs=0.002)
    assert {(p.zone_a, p.zone_b) for p in found.passages} == {(0, 1)}


def test_junction_of_three_corridors_is_a_tree():
    ground = joined(box(0, 0, 10, 10), box(9, 4, 21, 5.2), box(20, 0, 30, 9), box(14, 5, 15, 11), box(10, 10, 20, 18))
    found = partition(ground)
    assert len(found.zones) == 3
    assert sorted(p.width_m for p in found.passages) == pytest.approx([1.0, 1.2], abs=0.002)
    assert {zone for p in found.passages for zone in (p.zone_a, p.zone_b)} == {0, 1, 2}
    assert [p.outline.is_empty for p in found.passages] == [False, True]
    check_laws(ground, MOW, found, AREA)


def test_four_lawns_around_a_junction_hang_on_three_passages():
    widths = [0.8, 0.9, 1.0, 1.2]
    arms = [rotate(box(0, -width / 2, 9, width / 2), 90 * k, origin=(0, 0)) for k, width in enumerate(widths)]
    lawns = [rotate(box(8, -5 - k, 18, 5 + k), 90 * k, origin=(0, 0)) for k in range(4)]
    ground = joined(*arms, *lawns)
    found = partition(ground)
    assert len(found.zones) == 4
    # The widest ways: each lawn hangs on by the width of its own arm, the two widest on each other.
    assert [p.width_m for p in found.passages] == pytest.approx([1.0, 0.9, 0.8], abs=0.002)
    assert len({frozenset((p.zone_a, p.zone_b)) for p in found.passages}) == 3
    assert {zone for p in found.passages for zone in (p.zone_a, p.zone_b)} == {0, 1, 2, 3}
    check_laws(ground, MOW, found, AREA)


def test_a_post_in_a_corridor_leaves_the_way_through():
    """Beside the post it is 0.6 m wide, but further on 0.5 m."""
    corridor = dumbbell(1.5).difference(box(12, 4.85, 12.3, 5.15)).difference(box(14, 4, 14.3, 5.25))
    assert only_passage(corridor).width_m == pytest.approx(0.5, abs=0.002)


def test_a_room_too_small_for_a_zone_beside_a_passage_is_a_scrap():
    room = box(12, 7, 13.8, 9)
    ground = joined(dumbbell(1.0), box(12.4, 5, 13.4, 7.1), room)
    passage = only_passage(ground)
    assert [scrap.area for scrap in partition(ground).scraps] == pytest.approx([room.area], abs=0.3)
    assert passage.outline.intersection(room).area < 0.3
    check_laws(ground, MOW, partition(ground), AREA)


def test_pieces_apart_keep_their_own_passages():
    pieces_apart = [
        translate(dumbbell(width, length), 0, 20 * k) for k, (width, length) in enumerate([(1, 4), (0.8, 9)])
    ]
    ground = MultiPolygon([box(0, -20, 9, -10), *pieces_apart, translate(dumbbell(0.6), 0, 60)])
    found = partition(ground)
    assert (len(found.zones), len(found.passages)) == (7, 3)
    check_laws(ground, MOW, found, AREA)


def test_bulge_too_small_for_a_zone_belongs_to_its_passage():
    ground = joined(box(0, 0, 10, 10), box(9, 4.5, 21, 5.5), Point(15, 5).buffer(0.95), box(20, 0, 30, 10))
    passage = only_passage(ground)
    assert passage.width_m == pytest.approx(1.0, abs=0.002)
    assert passage.outline.area > 10 * 1.0 + 1


# --- nooks and scraps


def test_dead_end_is_a_nook():
    found = partition(joined(box(0, 0, 10, 10), box(9, 4, 14, 5.2)))
    assert len(found.zones) == 1
    assert found.zones[0].equals(box(0, 0, 10, 10))
    assert [nook.area for nook in found.nooks] == pytest.approx([4.8], abs=0.01)


def test_shallow_niche_stays():
    ground = joined(box(0, 0, 10, 10), box(9, 4, 10.6, 5.2))
    assert partition(ground).zones == (ground,)
    # One radius of the disc, 0.8 m, is the limit.
    deeper = partition(joined(box(0, 0, 10, 10), box(9, 4, 11, 5.2)))
    assert [nook.area for nook in deeper.nooks] == pytest.approx([1.2], abs=0.05)


def test_gap_beside_an_island_joins_it_to_the_edge():
    ground = box(0, 0, 25, 10).difference(box(10, 1, 15, 6))
    found = partition(ground)
    assert len(found.zones) == 1
    assert not found.zones[0].interiors
    assert [nook.area for nook in found.nooks] == pytest.approx([5], abs=0.8)


def test_gap_between_islands_merges_them():
    ground = box(0, 0, 25, 12).difference(joined(Point(8, 6).buffer(1), Point(10.4, 6).buffer(1)))
    found = partition(ground)
    assert len(found.zones) == 1
    assert len(found.zones[0].interiors) == 1
    assert len(found.nooks) == 1


def test_tips_of_20_degrees_are_nooks():
    tip = np.radians(20)
    ground = Polygon([(0, 3), (6, 0), (0, -3)]).union(
        Polygon([(-6, 3), (0, 3), (3 / np.tan(tip / 2), 0), (0, -3), (-6, -3)])
    )
    found = partition(ground)
    assert len(found.zones) == 1
    (nook,) = found.nooks
    chord = 2 * 0.8 * np.cos(tip / 2)
    assert nook.area == pytest.approx(chord**2 / 4 / np.tan(tip / 2), rel=0.01)


def test_small_part_behind_a_corridor_is_a_scrap():
    found = partition(joined(box(0, 0, 10, 10), box(9, 4, 14, 5.2), box(14, 3.6, 15.8, 5.6)))
    assert len(found.zones) == 1
    assert [scrap.area for scrap in found.scraps] == pytest.approx([3.6], abs=0.2)
    assert not found.passages


def test_teeth_of_a_comb():
    teeth = [box(2.4 * tooth + 1, 4, 2.4 * tooth + 2.2, 10) for tooth in range(8)]
    found = partition(joined(box(0, 0, 20, 4), *teeth))
    assert len(found.zones) == 1
    assert [nook.area for nook in found.nooks] == pytest.approx([7.2] * 8, abs=0.02)


def test_spiral_is_one_passage():
    way = LineString([(0, 0), (20, 0), (20, 16), (4, 16), (4, 5), (15, 5), (15, 11), (10, 11)])
    ground = joined(way.buffer(0.5, cap_style="flat", join_style="mitre"), box(-6, -3, 0, 3), box(8, 8.5, 12, 13))
    passage = only_passage(ground)
    assert passage.width_m == pytest.approx(1, abs=0.002)
    assert passage.length_m == pytest.approx(way.length, rel=0.05)


# --- laws on generated ground


def generated_ground(rng: np.random.Generator):
    kind, count = rng.integers(3), int(rng.integers(3, 9))
    if kind == 0:
        turns, reach = np.sort(rng.uniform(0, 2 * np.pi, count)), rng.uniform(0.5, 12, count)
        ground = Polygon(np.column_stack([reach * np.cos(turns), reach * np.sin(turns)])).buffer(0)
    elif kind == 1:
        corners = rng.uniform(-8, 8, (count, 2))
        ground = joined(
            *(
                rotate(box(x, y, x + rng.uniform(0.3, 9), y + rng.uniform(0.3, 9)), rng.uniform(0, 90))
                for x, y in corners
            )
        )
    else:
        ground = LineString(rng.uniform(-10, 10, (count, 2))).buffer(rng.uniform(0.3, 1.5), join_style="mitre")
    for _ in range(int(rng.integers(0, 5))):
        x, y = rng.uniform(-8, 8, 2)
        island = Point(x, y).buffer(rng.uniform(0.05, 2)) if rng.random() < 0.5 else box(x, y, x + 0.03, y + 4)
        ground = ground.difference(island)
    if rng.random() < 0.3:  # grids make ties: equal widths, corners that meet
        ground = shapely.set_precision(shapely.set_precision(ground, 0.5), 0)
    return ground


@given(seed=st.integers(0, 2**32 - 1), mow=st.sampled_from([0.8, 1.6, 2.5]), area=st.sampled_from([0.0, 2.0, 6.0]))
@settings(max_examples=20, deadline=None)
def test_laws_on_generated_ground(seed, mow, area):
    ground = generated_ground(np.random.default_rng(seed))
    assume(ground.is_valid and ground.area > 0.1)
    check_laws(ground, mow, partition(ground, mow, area), area)


@given(angle=st.floats(0, 360), x=st.floats(-500, 500), width=st.floats(0.3, 1.55))
@settings(max_examples=6, deadline=None)
def test_turned_and_moved_ground_gives_the_same(angle, x, width):
    ground = dumbbell(width, 3).difference(Point(3, 4).buffer(0.7))
    plain, moved = partition(ground), partition(translate(rotate(ground, angle), x, -x))
    assert len(moved.zones) == len(plain.zones) == 2
    assert [z.area for z in moved.zones] == pytest.approx([z.area for z in plain.zones], abs=0.02)
    assert moved.passages[0].width_m == pytest.approx(plain.passages[0].width_m, abs=1e-3)


def test_ground_with_a_precision_grid_is_treated_alike():
    ground = dumbbell(1.2)
    gridded = partition(shapely.set_precision(ground, 0.1))
    assert [zone.area for zone in gridded.zones] == pytest.approx([zone.area for zone in partition(ground).zones])


def test_bad_input_is_named():
    with pytest.raises(ParameterError, match="mowing width"):
        partition(box(0, 0, 1, 1), mow_width_m=0)
    with pytest.raises(ParameterError, match="least area"):
        partition(box(0, 0, 1, 1), zone_area_min_m2=-1)
    with pytest.raises(FeatureError, match="not valid"):
        partition(Polygon([(0, 0), (1, 1), (1, 0), (0, 1)]))


# --- crossings


ZONES = [box(0, 0, 10, 10), box(12, 0, 22, 10), box(30, 0, 40, 10)]


def test_crossing_of_a_path():
    (found,) = crossings(ZONES[:2], [box(10, -5, 12, 15)], length_max_m=3, transit_width_m=0.9)
    assert (found.zone_a, found.zone_b, found.surface) == (0, 1, 0)
    assert found.length_m == pytest.approx(2)
    ys = np.array(found.middle_line.coords)[:, 1]
    assert ys.min() >= 0.44
    assert ys.max() <= 9.56
    assert found.width_m >= 0.89
    paving = shapely.union_all([*ZONES[:2], box(10, -5, 12, 15)])
    assert found.width_m == pytest.approx(max(2 * found.middle_line.distance(paving.boundary), 0.9), abs=1e-6)
    assert found.middle_line.boundary.distance(ZONES[0]) < 1e-9
    assert len(crossings(ZONES[:2], [box(10, -5, 12, 15)], length_max_m=2, transit_width_m=0.9)) == 1


def test_crossing_where_the_path_is_narrowest():
    wedge = Polygon([(10, 0), (12, 0), (11.2, 10), (10, 10)])
    right = Polygon([(12, 0), (22, 0), (22, 10), (11.2, 10)])
    (found,) = crossings([ZONES[0], right], [wedge], length_max_m=3, transit_width_m=0.9)
    assert np.array(found.middle_line.coords)[:, 1].min() > 9
    assert 1.2 < found.length_m < 1.3
    assert found.width_m == pytest.approx(0.9, abs=0.02)
    pond = Polygon([(10, 4), (12, 4), (12, 6), (10, 6)])
    for lower, upper in [(1.6, 0.7), (0.6, 1.4)]:
        # Above and below a pond in the paving there is a way; the shorter one is found.
        right = Polygon([(10 + lower, 0), (22, 0), (22, 10), (10 + upper, 10)])
        paving = box(10, 0, 12, 10).difference(right).difference(pond)
        (way,) = crossings([ZONES[0], right.difference(pond)], [paving], length_max_m=3, transit_width_m=0.9)
        assert way.length_m < 1.0


@pytest.mark.parametrize(
    ("surface", "length_max_m", "transit_width_m"),
    [
        (box(10, -5, 12, 15), 1.9, 0.9),  # longer than allowed
        (box(10, 4, 12, 4.8), 3, 0.9),  # paving too narrow
        (box(14, 12, 16, 15), 3, 0.9),  # beside one zone only
        (box(10, -5, 11.5, 15), 3, 0.9),  # ends before the second zone
    ],
)
def test_no_crossing(surface, length_max_m, transit_width_m):
    assert not crossings(ZONES[:2], [surface], length_max_m=length_max_m, transit_width_m=transit_width_m)


@pytest.mark.parametrize(("gap_m", "count"), [(0.04, 1), (0.06, 0)])
def test_paving_and_lawn_drawn_a_hairline_apart_still_meet(gap_m, count):
    """Up to 5 cm, on either side."""
    for surface in (box(10 + gap_m, -5, 12, 15), box(10, -5, 12 - gap_m, 15)):
        assert len(crossings(ZONES[:2], [surface], length_max_m=3, transit_width_m=0.9)) == count


def test_one_crossing_for_each_surface_and_pair():
    paths = [box(10, 0, 12, 4), box(10, 6, 12, 10), box(22, 2, 30, 6)]
    found = crossings(ZONES, paths, length_max_m=9, transit_width_m=1)
    assert [(c.zone_a, c.zone_b, c.surface) for c in found] == [(0, 1, 0), (0, 1, 1), (1, 2, 2)]
    assert crossings([], paths, length_max_m=9, transit_width_m=1) == []


# --- roles


def test_largest_zone_is_home_and_the_first_of_equals():
    areas_m2 = {"a": 5, "b": 9, "c": 9}
    assert zone_groups(areas_m2, {}) == [{"b": None}, {"c": None}, {"a": None}]
    assert zone_groups(areas_m2, {}, home="a")[0] == {"a": None}
    assert zone_groups({}, {}) == []


def test_reached_by_the_widest_way():
    links = {"p": (0, 2, 0.9), "q": (0, 1, 1.4), "r": (1, 2, 1.2), "s": (3, 4, 1.0)}
    areas_m2 = {0: 50, 1: 20, 2: 10, 3: 5, 4: 7}
    assert zone_groups(areas_m2, links) == [{0: None, 1: "q", 2: "r"}, {4: None, 3: "s"}]


@given(st.data())
@settings(max_examples=50, deadline=None)
def test_zones_of_a_group_are_those_connected(data):
    count = data.draw(st.integers(1, 7))
    pairs = list(combinations(range(count), 2))
    drawn = st.lists(st.tuples(st.sampled_from(pairs), st.floats(0.1, 2)), max_size=10) if pairs else st.just([])
    links = {number: (a, b, width) for number, ((a, b), width) in enumerate(data.draw(drawn))}
    groups = zone_groups(dict.fromkeys(range(count), 1.0), links)
    assert sorted(zone for group in groups for zone in group) == list(range(count))
    for group in groups:
        reached = {min(group)}
        for _ in range(count):
            reached |= {zone for a, b, _ in links.values() if reached & {a, b} for zone in (a, b)}
        assert group.keys() == reached
        for zone, link in group.items():
            assert (link is None) == (zone == min(group))
            assert link is None or zone in links[link][:2]
            # Walked back, the narrowest link is as wide as can be: with wider ones alone it doesn't hang together.
            at, narrowest = zone, np.inf
            while (way := group[at]) is not None:
                a, b, width = links[way]
                at, narrowest = (b if at == a else a), min(narrowest, width)
            assert at == min(group)
            wider = {number: link for number, link in links.items() if link[2] > narrowest}
            assert zone == at or zone not in zone_groups(dict.fromkeys(range(count), 1.0), wider, home=at)[0]


def test_groups_need_zones_that_exist():
    for links, home in (({1: (0, 2, 1.0)}, None), ({}, 2)):
        with pytest.raises(ParameterError, match="not among 2 zones"):
            zone_groups({0: 1.0, 1: 2.0}, links, home=home)
