"""Laws of repairing, cleaning, opening and closing polygons."""

from math import pi, tan

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate

from lawngis.errors import FeatureError, ParameterError
from lawngis.geometry.polygons import (
    cleaned,
    closed,
    discs,
    filled,
    opened,
    oriented,
    polygon_parts,
    polygonal,
    repaired,
)

BOW_TIE = Polygon([(0, 0), (4, 4), (4, 0), (0, 4)])


def blob(seed: int, corners: int, radius: float = 10.0, rough: float = 0.6) -> Polygon:
    """A star-shaped polygon with random radii: generic, valid, with sharp and blunt corners."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0, 2 * pi, corners))
    reach = radius * random.uniform(1 - rough, 1, corners)
    return Polygon(np.column_stack([reach * np.cos(angle), reach * np.sin(angle)])).buffer(0)


def vertex_gaps(geometry):
    rings = [ring for part in polygon_parts(geometry) for ring in (part.exterior, *part.interiors)]
    return np.concatenate([np.hypot(*np.diff(shapely.get_coordinates(ring), axis=0).T) for ring in rings])


def needless_offsets(geometry):
    """Distance of each vertex from the line between its two neighbours."""
    offsets = []
    for part in polygon_parts(geometry):
        for ring in (part.exterior, *part.interiors):
            xy = shapely.get_coordinates(ring)[:-1]
            lines = shapely.linestrings(np.stack([np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0)], axis=1))
            offsets.append(shapely.distance(shapely.points(xy), lines))
    return np.concatenate(offsets)


class TestParts:
    def test_points_and_lines_are_left_out_of_nested_collections(self):
        inner = GeometryCollection([Point(0, 0), box(0, 0, 1, 1), MultiPolygon([box(2, 0, 3, 1)])])
        nested = GeometryCollection([inner, LineString([(0, 0), (1, 1)]), Polygon()])
        assert polygon_parts(nested) == [box(0, 0, 1, 1), box(2, 0, 3, 1)]
        assert polygonal(nested).geom_type == "MultiPolygon"

    def test_heights_are_dropped(self):
        assert not polygonal(shapely.force_3d(box(0, 0, 1, 1), 7.0)).has_z

    def test_nothing_gives_an_empty_polygon(self):
        assert polygonal(Point(0, 0)).is_empty


class TestRepaired:
    def test_a_valid_polygon_is_untouched(self):
        result = repaired(box(0, 0, 1, 1))
        assert result.geometry == box(0, 0, 1, 1)
        assert not result.changed
        assert result.problem == ""

    def test_a_bow_tie_keeps_both_lobes_and_says_where_it_crosses(self):
        result = repaired(BOW_TIE)
        assert result.changed
        assert "2 2" in result.problem
        assert result.geometry.is_valid
        assert result.geometry.area == pytest.approx(8.0)

    @pytest.mark.parametrize("bad", [np.nan, np.inf])
    def test_a_coordinate_that_is_no_number_is_refused(self, bad):
        with np.errstate(invalid="ignore"):
            broken = Polygon([(0, 0), (1, 0), (1, bad), (0, 1)])
        with pytest.raises(FeatureError, match="not a number") as caught:
            repaired(broken)
        assert caught.value.advice


class TestOrientedAndFilled:
    @pytest.mark.parametrize("turn", [False, True])
    def test_ground_is_on_the_left_of_every_ring(self, turn):
        ring = shapely.get_coordinates(box(0, 0, 9, 9))
        hole = shapely.get_coordinates(box(3, 3, 6, 6))
        polygon = oriented(Polygon(ring[::-1] if turn else ring, [hole if turn else hole[::-1]]))
        assert polygon.exterior.is_ccw
        assert not polygon.interiors[0].is_ccw
        assert polygon.area == 72

    def test_filled_has_the_area_of_the_outer_ring(self):
        donut = box(0, 0, 10, 10).difference(box(2, 2, 4, 4))
        assert filled(donut).area == 100

    def test_a_part_within_a_hole_is_swallowed(self):
        target = MultiPolygon([box(0, 0, 10, 10).difference(box(2, 2, 8, 8)), box(4, 4, 5, 5)])
        assert filled(target).area == 100


class TestDiscs:
    # A regular n-gon around a circle of radius r has the area n r² tan(pi/n).
    @pytest.mark.parametrize(("radius", "corners"), [(0.03, 16), (0.059, 16), (0.06, 32), (0.4, 32), (5.0, 32)])
    def test_area_and_corner_distance(self, radius, corners):
        (disc,) = discs([(3, 4)], radius)
        assert disc.area == pytest.approx(corners * radius**2 * tan(pi / corners))
        assert vertex_gaps(disc).min() >= 0.01
        assert Point(3, 4).distance(disc.exterior) == pytest.approx(radius)

    def test_one_radius_each(self):
        first, second = discs([(0, 0), (9, 0)], [0.05, 1.0])
        assert first.area < second.area

    @pytest.mark.parametrize("radius", [0.0, 0.02, -1, np.nan])
    def test_a_radius_that_is_too_small_is_refused(self, radius):
        with pytest.raises(ParameterError, match="radius of at least"):
            discs([(0, 0)], radius)


class TestOpenedAndClosed:
    # A round opening of a square with radius r loses (4 - pi) r² at its corners; a mitred one loses nothing.
    def test_opening_leaves_corners_and_plugs_alone(self):
        square, strip = box(0, 0, 10, 10), box(10, 4, 20, 4.04)
        result = opened(square.union(strip), 0.05)
        assert result.symmetric_difference(square).area < 1e-4

    def test_opening_keeps_the_edges_that_it_keeps_exactly(self):
        shape = rotate(box(0, 0, 7, 5), 17.3)
        assert opened(shape, 0.05).equals(shape)

    def test_closing_fills_a_crack_and_keeps_a_gap(self):
        cracked = MultiPolygon([box(0, 0, 5, 5), box(5.03, 0, 10, 5)])
        assert closed(cracked, 0.05).area == pytest.approx(50, abs=1e-3)
        assert polygonal(closed(cracked, 0.05)).geom_type == "Polygon"
        assert closed(cracked, 0.02).equals(cracked)

    @settings(max_examples=30, deadline=None)
    @given(st.integers(0, 10_000), st.integers(3, 40))
    def test_opening_takes_and_closing_gives(self, seed, corners):
        shape = blob(seed, corners)
        assert opened(shape, 0.3).difference(shape).area < 1e-9
        assert shape.difference(closed(shape, 0.3)).area < 1e-9

    @settings(max_examples=30, deadline=None)
    @given(st.integers(0, 10_000), st.integers(3, 40))
    def test_opening_twice_changes_nothing_more(self, seed, corners):
        once = opened(blob(seed, corners), 0.3)
        # A mitre that is cut off at its limit is cut off again at the other side of a needle: millimetres wide.
        assert once.difference(opened(once, 0.3)).area < 0.01


class TestCleaned:
    def test_slivers_cracks_and_crumbs_go(self):
        lawn = MultiPolygon([box(0, 0, 5, 5), box(5.01, 0, 10, 5), box(0, 7, 10, 7.03)])
        edge = Polygon([(0, 5), (5, 5), (5, 8), (2.504, 8.001), (2.5, 8.001), (0, 8)])
        result = cleaned(lawn.union(edge))
        assert result.geom_type == "Polygon"
        assert result.area == pytest.approx(50 + 15, abs=0.2)
        assert vertex_gaps(result).min() >= 0.01

    def test_a_clean_polygon_comes_back_as_it_was(self):
        shape = rotate(box(0, 0, 20, 10).difference(box(4, 4, 6, 6)), 31)
        result = cleaned(shape)
        assert result.symmetric_difference(shape).area < 1e-9
        assert shapely.get_num_coordinates(result) == shapely.get_num_coordinates(shape)

    def test_a_vertex_beside_the_rings_own_start_goes_too(self):
        shape = Polygon([(5, 0), (10, 0), (10, 5), (0, 5), (0, 0), (4.996, 0)])
        assert shapely.get_num_coordinates(cleaned(shape)) == 5

    def test_a_hole_whose_corners_are_all_crowded_goes(self):
        speck = Polygon([(5, 5), (5.006, 5), (5.003, 5.006)])
        result = cleaned(box(0, 0, 10, 10).difference(speck), sliver_width_m=0, crack_width_m=0)
        assert result.equals(box(0, 0, 10, 10))

    def test_a_bow_tie_is_repaired(self):
        assert cleaned(BOW_TIE).area == pytest.approx(8, abs=0.01)

    def test_slivers_alone_leave_nothing(self):
        assert cleaned(box(0, 0, 10, 0.04)).is_empty
        assert cleaned(Polygon()).is_empty

    @pytest.mark.parametrize("name", ["vertex_gap_m", "sliver_width_m", "crack_width_m"])
    @pytest.mark.parametrize("value", [-0.1, np.nan, np.inf])
    def test_a_width_that_makes_no_sense_is_refused(self, name, value):
        with pytest.raises(ParameterError, match=name):
            cleaned(box(0, 0, 1, 1), **{name: value})

    @settings(max_examples=60, deadline=None)
    @given(st.integers(0, 10_000), st.integers(3, 60), st.integers(0, 6))
    def test_what_is_cleaned_is_fit_for_planning(self, seed, corners, strips):
        random = np.random.default_rng(seed)
        shape = blob(seed, corners)
        for _ in range(strips):
            x, y, angle = random.uniform(-8, 8, 3)
            strip = rotate(box(x, y, x + 6, y + random.uniform(0.001, 0.3)), 40 * angle)
            shape = shape.union(strip) if random.random() < 0.5 else shape.difference(strip)
        result = cleaned(shape)
        assert result.is_valid
        if result.is_empty:
            return
        assert vertex_gaps(result).min() >= 0.01 - 1e-9
        assert needless_offsets(result).min() > 0.0005
        for part in polygon_parts(result):
            # 5 cm wide, less what simplifying by 2 mm may take on both sides.
            assert not part.buffer(-0.022).is_empty
            assert part.exterior.is_ccw
        # No edge has moved by more than a centimetre, except where slivers went and cracks were filled.
        moved = shape.symmetric_difference(result)
        assert moved.area <= 0.01 * shape.length + opened(shape, 0.001).difference(result).area
        assert moved.buffer(-0.026).is_empty

    @settings(max_examples=30, deadline=None)
    @given(st.integers(0, 10_000), st.integers(3, 40))
    def test_cleaning_twice_changes_next_to_nothing(self, seed, corners):
        once = cleaned(blob(seed, corners))
        # The tip of a needle goes back by up to a centimetre each time, and its long sides turn with it.
        assert once.symmetric_difference(cleaned(once)).area < 0.005 * once.length
