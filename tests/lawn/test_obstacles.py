"""What is kept out of a lawn, and how."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, box, union_all
from shapely.affinity import rotate, translate

from lawngis.errors import ParameterError
from lawngis.lawn.obstacles import (
    Keepout,
    area_keepouts,
    barrier_keepouts,
    bumpable,
    drop_keepouts,
    obstacle_keepouts,
    tree_keepouts,
    with_bumps_filled,
    with_tight_bumps_joined,
    without_overlaps,
)

LAWN = box(0, 0, 30, 20)


def treatment(lawn, polygon):
    (found,) = area_keepouts([polygon], "bed", lawn=lawn)
    return found.treatment


class TestTreatment:
    @pytest.mark.parametrize(
        ("polygon", "expected"),
        [
            (box(10, 10, 12, 12), "island"),
            (box(28, 10, 30, 12), "outside"),
            (box(28, 10, 29.97, 12), "outside"),  # 3 cm of lawn behind it are no lawn
            (box(28, 10, 29.9, 12), "island"),
            (box(29, 10, 31, 12), "outside"),
            (box(30.05, 10, 31, 12), "outside"),
        ],
    )
    def test_it_is_the_same_whether_the_lawn_is_cut_or_not(self, polygon, expected):
        assert treatment(LAWN, polygon) == expected
        assert treatment(LAWN.difference(polygon.buffer(0.001)), polygon) == expected

    def test_what_lies_between_two_lawns_is_outside_of_both(self):
        assert treatment(MultiPolygon([box(0, 0, 5, 9), box(6, 0, 9, 9)]), box(5, 3, 6, 4)) == "outside"

    @settings(max_examples=30, deadline=None)
    @given(st.floats(0, 360), st.floats(-500, 500), st.floats(0.5, 28))
    def test_it_does_not_depend_on_where_the_garden_lies(self, angle, shift, x):
        bed = box(x, 5, x + 1, 6)
        moved = [rotate(translate(shape, shift, -shift), angle, origin=(0, 0)) for shape in (LAWN, bed)]
        assert treatment(*moved) == treatment(LAWN, bed)


class TestTrees:
    """Common practice, no source: something rigid may be bumped, something young gets an island."""

    def trees(self, trunk, crown=np.nan, at=(10, 10)):
        return tree_keepouts([at], trunk, crown, lawn=LAWN, rigid_trunk_min_m=0.15)

    def test_a_grown_trunk_is_bumped_where_it_stands(self):
        (tree,) = self.trees(0.45, 9.0)
        assert (tree.treatment, tree.reason, tree.confidence) == ("bump", "tree", 1.0)
        assert tree.polygon.area == pytest.approx(np.pi * 0.225**2, rel=0.01)
        assert tree.polygon.centroid.distance(Point(10, 10)) < 1e-9

    @pytest.mark.parametrize(("trunk", "treatment"), [(0.149, "island"), (0.15, "bump")])
    def test_the_limit_belongs_to_the_bumped(self, trunk, treatment):
        assert self.trees(trunk)[0].treatment == treatment

    def test_a_sapling_has_an_island_of_the_given_radius(self):
        (tree,) = self.trees(0.04, 1.0)
        assert tree.treatment == "island"
        assert Point(10, 10).distance(tree.polygon.exterior) == pytest.approx(0.3)

    @pytest.mark.parametrize("unknown", [np.nan, 0.0])
    def test_an_unknown_trunk_is_never_bumped_and_less_sure(self, unknown):
        (tree,) = self.trees(unknown)
        assert (tree.treatment, tree.confidence) == ("island", 0.5)
        assert Point(10, 10).distance(tree.polygon.exterior) == pytest.approx(0.3)

    def test_a_wide_crown_makes_the_island_of_an_unknown_trunk_wider(self):
        (tree,) = self.trees(np.nan, 12.0)
        assert tree.treatment == "island"
        assert Point(10, 10).distance(tree.polygon.exterior) == pytest.approx(12 / 20 / 2 + 0.15)

    def test_a_thin_trunk_that_is_known_counts_whatever_its_crown(self):
        (tree,) = self.trees(0.1, 12.0)
        assert Point(10, 10).distance(tree.polygon.exterior) == pytest.approx(0.3)

    def test_a_trunk_in_the_edge_is_outside_and_one_next_door_is_nothing(self):
        assert self.trees(0.4, at=(30, 10))[0].treatment == "outside"
        assert self.trees(0.4, at=(33, 10)) == []

    def test_each_tree_knows_its_row(self):
        trees = tree_keepouts([(5, 5), (99, 99), (8, 8)], [0.3, 0.3, 0.1], np.nan, lawn=LAWN, rigid_trunk_min_m=0.15)
        assert [(tree.source, tree.treatment) for tree in trees] == [(0, "bump"), (2, "island")]

    def test_no_trees(self):
        assert tree_keepouts(np.empty((0, 2)), [], [], lawn=LAWN, rigid_trunk_min_m=0.15) == []

    @pytest.mark.parametrize("limit", [0, -1, np.nan])
    def test_a_limit_that_makes_no_sense_is_refused(self, limit):
        with pytest.raises(ParameterError, match=r"^rigid_trunk_min_m"):
            tree_keepouts([(0, 0)], 0.3, 3, lawn=LAWN, rigid_trunk_min_m=limit)
        with pytest.raises(ParameterError, match="sapling_radius_m must be above"):
            tree_keepouts([(0, 0)], 0.3, 3, lawn=LAWN, rigid_trunk_min_m=0.15, sapling_radius_m=limit)


class TestAreas:
    def test_water_is_an_island_or_outside_but_never_bumped(self):
        pond, stream = Point(10, 10).buffer(2), box(28, -5, 33, 25)
        found = area_keepouts([pond, stream], "water", lawn=LAWN)
        assert [item.treatment for item in found] == ["island", "outside"]

    def test_parts_are_judged_one_by_one(self):
        beds = MultiPolygon([box(5, 5, 6, 6), box(0, 9, 1, 11), box(50, 0, 51, 1)])
        found = area_keepouts([box(70, 0, 71, 1), beds], "bed", lawn=LAWN, confidence=[0.2, 0.7])
        assert [(item.treatment, item.source, item.confidence) for item in found] == [
            ("island", 1, 0.7),
            ("outside", 1, 0.7),
        ]

    def test_a_bed_that_the_lawn_was_cut_for_is_still_found(self):
        bed = box(5, 5, 7, 6)
        (found,) = area_keepouts([bed], "bed", lawn=LAWN.difference(bed))
        assert found.treatment == "island"


def things(shapes, rigid, height_m=1.0):
    heights = np.full(len(shapes), height_m, dtype=float)
    return obstacle_keepouts(shapes, rigid, heights, lawn=LAWN, bump_height_min_m=0.15)


class TestBumpable:
    """Common practice, no source: low, soft and tender things get an island, something rigid may be bumped."""

    @pytest.mark.parametrize(
        ("rigid", "height_m", "felt"),
        [
            (True, 0.15, True),
            (True, 0.149, False),
            (True, np.nan, False),
            (True, 0.0, False),
            (False, 2.0, False),
            (None, 2.0, False),
            (np.nan, 2.0, False),
        ],
    )
    def test_what_is_rigid_and_high_enough_to_be_felt(self, rigid, height_m, felt):
        assert bumpable([rigid], [height_m], bump_height_min_m=0.15).tolist() == [felt]

    @pytest.mark.parametrize("limit", [0, -0.1, np.nan])
    def test_a_limit_that_makes_no_sense_is_refused(self, limit):
        with pytest.raises(ParameterError, match=r"^bump_height_min_m"):
            bumpable([True], [1.0], bump_height_min_m=limit)


class TestObstacles:
    def test_a_low_thing_and_one_of_unknown_height_are_ringed(self):
        shapes = [box(5, 5, 6, 6), box(8, 5, 9, 6), box(11, 5, 12, 6)]
        found = obstacle_keepouts(shapes, [True] * 3, [0.1, np.nan, 0.2], lawn=LAWN, bump_height_min_m=0.15)
        assert [(item.treatment, item.confidence) for item in found] == [
            ("island", 0.9),
            ("island", 0.5),
            ("bump", 0.9),
        ]

    def test_rigid_ones_are_bumped_others_are_islands(self):
        shapes = [box(5, 5, 5.2, 5.2), box(8, 5, 9, 6), Point(12, 12), box(15, 5, 16, 6)]
        found = things(shapes, [True, False, True, None])
        assert [item.treatment for item in found] == ["bump", "island", "bump", "island"]
        assert {item.reason for item in found} == {"obstacle"}
        assert [item.confidence for item in found] == [0.9, 0.9, 0.5, 0.5]
        assert Point(12, 12).distance(found[2].polygon.exterior) == pytest.approx(0.3)

    def test_not_a_number_is_not_rigid(self):
        (found,) = things([box(5, 5, 6, 6)], [np.nan])
        assert found.treatment == "island"

    def test_a_rigid_one_in_the_edge_is_outside(self):
        (found,) = things([box(29, 5, 31, 6)], [True])
        assert found.treatment == "outside"


class TestLines:
    def test_a_drop_takes_a_strip_on_its_low_right_side_and_parts_the_lawn(self):
        (strip,) = drop_keepouts([LineString([(-1, 10), (31, 10)])], lawn=LAWN)
        assert (strip.reason, strip.treatment) == ("drop", "outside")
        assert strip.polygon.bounds == pytest.approx((-1, 9.9, 31, 10))
        high, low = sorted(LAWN.difference(strip.polygon).geoms, key=lambda piece: -piece.centroid.y)
        assert high.bounds[1] == pytest.approx(10)
        assert low.bounds[3] == pytest.approx(9.9)

    def test_a_drop_within_the_lawn_is_never_bumped(self):
        (strip,) = drop_keepouts([LineString([(5, 10), (12, 11), (14, 10)])], lawn=LAWN)
        assert (strip.treatment, strip.confidence) == ("island", 0.9)

    def test_strips_have_square_corners(self):
        """Two arms of 4 m, 0.1 m wide: outside of the bend they have a corner of 0.1² more, inside they share one."""
        bend = LineString([(5, 5), (9, 5), (9, 9)])
        outer, inner = (drop_keepouts([line], lawn=LAWN)[0].polygon for line in (bend, bend.reverse()))
        assert (outer.area, inner.area) == (pytest.approx(0.81), pytest.approx(0.79))
        (wall,) = barrier_keepouts([bend], [True], lawn=LAWN)
        assert (wall.polygon.area, wall.reason, wall.confidence) == (pytest.approx(0.8), "obstacle", 0.9)

    @pytest.mark.parametrize("rigid", [True, False])
    def test_a_barrier_across_the_lawn_is_outside(self, rigid):
        (strip,) = barrier_keepouts([LineString([(-1, 10), (31, 10)])], [rigid], lawn=LAWN, width_m=0.2)
        assert strip.treatment == "outside"
        assert strip.polygon.bounds == pytest.approx((-1, 9.9, 31, 10.1))

    def test_a_free_standing_wall_is_bumped_a_free_standing_hedge_is_not(self):
        walls = [LineString([(5, 5), (9, 5)]), LineString([(5, 9), (9, 9)])]
        found = barrier_keepouts(walls, [True, False], lawn=LAWN, width_m=[0.2, 0.6])
        assert [item.treatment for item in found] == ["bump", "island"]
        assert [item.polygon.area for item in found] == pytest.approx([0.8, 2.4])


def trunk(x: float, y: float, radius: float = 0.2) -> Keepout:
    return Keepout(Point(x, y).buffer(radius), "tree", "bump", 1.0, 0)


class TestTightBumps:
    @pytest.mark.parametrize(("gap_m", "expected"), [(0.5, "outside"), (0.85, "outside"), (0.95, "bump"), (5, "bump")])
    def test_a_trunk_too_near_to_the_edge_belongs_to_it(self, gap_m, expected):
        (found,) = with_tight_bumps_joined([trunk(gap_m + 0.2, 10)], lawn=LAWN, room_m=0.9)
        assert found.treatment == expected

    @pytest.mark.parametrize(("gap_m", "expected"), [(0.5, "outside"), (1.0, "bump")])
    def test_so_does_one_too_near_to_a_pond(self, gap_m, expected):
        pond = Keepout(box(10, 8, 14, 12), "water", "island", 0.9, 0)
        found = with_tight_bumps_joined([pond, trunk(14.2 + gap_m, 10)], lawn=LAWN, room_m=0.9)
        assert [item.treatment for item in found] == ["island", expected]

    def test_two_trunks_close_together_may_both_be_bumped(self):
        found = with_tight_bumps_joined([trunk(10, 10), trunk(10.6, 10)], lawn=LAWN, room_m=0.9)
        assert [item.treatment for item in found] == ["bump", "bump"]

    @settings(max_examples=30, deadline=None)
    @given(st.lists(st.tuples(st.floats(1, 29), st.floats(1, 19)), min_size=1, max_size=6))
    def test_what_stays_bumped_leaves_room_to_the_edge(self, places):
        found = with_tight_bumps_joined([trunk(*place) for place in places], lawn=LAWN, room_m=0.9)
        for item in found:
            room = LAWN.boundary.distance(item.polygon)
            assert (item.treatment == "bump") == (room >= 0.9)


class TestOverlaps:
    def test_the_graver_one_keeps_the_ground_and_nothing_is_lost(self):
        bed = Keepout(box(4, 4, 10, 10), "bed", "island", 0.9, 0)
        pond = Keepout(box(8, 4, 12, 10), "water", "island", 0.9, 1)
        found = without_overlaps([bed, pond], within=LAWN)
        assert [(item.reason, item.polygon.area) for item in found] == [("water", 24.0), ("bed", 24.0)]

    @pytest.mark.parametrize(
        ("graver", "other"), [*pairwise(["water", "drop", "bed", "tree", "obstacle", "steep", "narrow", "small"])]
    )
    def test_which_is_the_graver_one(self, graver, other):
        """What one falls into or off before what one damages, before what is only bad to mow."""
        one = Keepout(box(4, 4, 10, 10), graver, "island", 0.9, 0)
        two = Keepout(box(8, 4, 12, 10), other, "island", 0.9, 1)
        for given_ones in ([one, two], [two, one]):
            found = without_overlaps(given_ones, within=LAWN)
            assert [(item.reason, item.polygon.area) for item in found] == [(graver, 36.0), (other, 12.0)]

    def test_what_lies_off_the_parcel_is_cut_off_and_crumbs_go(self):
        across = Keepout(box(28, 4, 34, 10), "bed", "outside", 0.9, 0)
        beyond = Keepout(box(29.999, 12, 34, 12.5), "bed", "outside", 0.9, 1)
        (found,) = without_overlaps([across, beyond], within=LAWN)
        assert found.polygon.equals(box(28, 4, 30, 10))

    @settings(max_examples=25, deadline=None)
    @given(
        st.lists(
            st.tuples(
                # To the micrometre: GEOS divides by zero where a coordinate is next to nothing, as none on a map is.
                st.floats(0, 28).map(lambda at: round(at, 6)),
                st.floats(0, 18).map(lambda at: round(at, 6)),
                st.floats(0.5, 8),
                st.sampled_from(["water", "bed", "steep"]),
            ),
            min_size=1,
            max_size=6,
        )
    )
    def test_none_overlaps_another_and_together_they_cover_the_same(self, given_ones):
        items = [
            Keepout(box(x, y, x + size, y + size), reason, "island", 0.9, row)
            for row, (x, y, size, reason) in enumerate(given_ones)
        ]
        found = without_overlaps(items, within=LAWN)
        whole = union_all([item.polygon for item in items]).intersection(LAWN)
        total = sum(item.polygon.area for item in found)
        # Crumbs are dropped, and edges move by half a cell of the grid.
        outlines = sum(item.polygon.length for item in found)
        assert total == pytest.approx(whole.area, abs=1e-3 * len(items) ** 2 + 0.5e-4 * outlines)
        assert union_all([item.polygon for item in found]).area == pytest.approx(total, abs=1e-6)


class TestBumpsFilled:
    def test_a_hole_that_is_nothing_but_a_trunk_is_filled(self):
        stem = Point(10, 10).buffer(0.2)
        assert with_bumps_filled(LAWN.difference(stem), [stem]).equals(LAWN)

    def test_a_hole_with_more_in_it_than_the_trunk_stays(self):
        stem, bed = Point(10, 10).buffer(0.2), Point(10, 10).buffer(0.5)
        ground = LAWN.difference(bed)
        assert with_bumps_filled(ground, [stem]).equals(ground)

    def test_without_bumps_ground_is_as_it_was(self):
        ground = LAWN.difference(box(4, 4, 6, 6))
        assert with_bumps_filled(ground, []).equals(ground)


def test_pieces_that_only_a_hairline_joins_come_apart():
    """What is written is measured: a hairline would be lost on the plan's grid, and one of the pieces with it."""
    joined = union_all([box(0, 0, 1, 1), box(1, 0.5, 2, 0.5 + 2e-6), box(2, 0, 2.5, 1)])
    found = area_keepouts([joined], "bed", lawn=box(-10, -10, 10, 10))
    parts = without_overlaps(found, within=box(-10, -10, 10, 10))
    assert sorted(part.polygon.area for part in parts) == pytest.approx([0.5, 1.0])
