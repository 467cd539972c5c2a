"""Edge classes: what lies beyond each stretch of a zone's rings."""

from itertools import pairwise
from math import pi
from time import process_time

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate, translate

from lawngis.errors import ParameterError
from lawngis.lawn.edges import EdgeNeighbour, drop_surroundings, edge_stretches

ZONE = box(0, 0, 10, 6)
CLASSES = ["flush", "raised", "water", "soft", "drop"]


def told(stretches):
    """Class and length of each, sorted: a ring's first stretch depends on where it happens to begin."""
    return sorted((stretch.edge_class, round(stretch.line.length, 3)) for stretch in stretches)


def garden(seed: int, *, holes: int = 2, things: int = 12):
    """A rugged zone with holes, and things of every class around and in them that don't overlap it."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0, 2 * pi, 24))
    radius = random.uniform(7, 10, 24)
    zone = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])).buffer(0)
    zone = max(getattr(zone, "geoms", [zone]), key=lambda part: part.area)
    hollow = [Point(random.uniform(-3, 3, 2)).buffer(random.uniform(0.3, 1), quad_segs=5) for _ in range(holes)]
    zone = zone.difference(shapely.union_all(hollow))
    zone = max(getattr(zone, "geoms", [zone]), key=lambda part: part.area)
    neighbours = []
    for edge_class in CLASSES:
        centre = random.uniform(-11, 11, (things // len(CLASSES) + 1, 2))
        shapes = [
            rotate(box(x, y, x + random.uniform(0.3, 5), y + random.uniform(0.3, 3)), random.uniform(0, 180))
            for x, y in centre
        ]
        shapes = [shape.difference(zone) for shape in shapes]
        neighbours.append(EdgeNeighbour(shapes, edge_class, f"{edge_class} thing", reach_m=random.uniform(0.1, 0.6)))
    fence = shapely.box(-9.5, -9.5, 9.5, 9.5).exterior
    return zone, [*neighbours, EdgeNeighbour([fence], "boundary", "fence")]


def joined(stretches, ring):
    """The coordinates of a ring's stretches, one after the other, each junction once."""
    lines = [shapely.get_coordinates(item.line) for item in stretches if item.ring == ring]
    for before, after in zip(lines, [*lines[1:], lines[0]], strict=True):
        assert np.array_equal(before[-1], after[0])
    return np.vstack([line[:-1] for line in lines])


def seen_from(begin, end, neighbours):
    """The classes met by lines of sight from every 2 cm between two points, the zone on their left."""
    length = np.hypot(*(end - begin))
    along = (end - begin) / length
    out = np.array([along[1], -along[0]])
    places = begin + np.arange(0.01, length, 0.02)[:, None] * along
    seen = np.full(len(places), "unknown", dtype="U8")
    for item in reversed(neighbours):
        shapes = shapely.union_all(np.asarray(item.geometries, dtype=object))
        # A line may be drawn up to 3 cm within the zone, an area half a centimetre.
        inside = 0.03 if item.edge_class == "boundary" else 0.005
        sight = shapely.linestrings(np.stack([places - inside * out, places + item.reach_m * out], axis=1))
        seen[shapely.intersects(shapes, sight)] = item.edge_class
    return seen.tolist()


class TestRectangle:
    def test_each_side_has_what_lies_beyond_it(self):
        neighbours = [
            EdgeNeighbour([box(0, 6, 10, 9)], "flush", "flush terrace beyond"),
            EdgeNeighbour([LineString([(10, 0), (10, 6)])], "raised", "wall beyond", confidence=0.8),
        ]
        stretches = edge_stretches(ZONE, neighbours)
        assert [(item.edge_class, item.line.wkt) for item in stretches] == [
            ("raised", "LINESTRING (10 0, 10 6)"),
            ("flush", "LINESTRING (10 6, 0 6)"),
            ("unknown", "LINESTRING (0 6, 0 0, 10 0)"),
        ]
        assert (stretches[0].evidence, stretches[0].confidence) == ("wall beyond", 0.8)

    def test_a_change_within_an_edge_is_found_to_the_millimetre(self):
        stretches = edge_stretches(ZONE, [EdgeNeighbour([box(-1, 6.05, 3.217, 9)], "flush", "path")])
        assert told(stretches) == [("flush", 3.217), ("unknown", 28.783)]
        (path,) = [item for item in stretches if item.edge_class == "flush"]
        assert path.line.coords[0] == pytest.approx((3.217, 6))

    def test_the_first_of_several_counts(self):
        path = EdgeNeighbour([box(2, 6, 8, 6.2)], "flush", "path")
        wall = EdgeNeighbour([box(0, 6.2, 10, 7)], "raised", "wall")
        assert told(edge_stretches(ZONE, [path, wall])) == [
            ("flush", 6.0),
            ("raised", 2.0),
            ("raised", 2.0),
            ("unknown", 22.0),
        ]
        assert told(edge_stretches(ZONE, [wall, path])) == [("raised", 10.0), ("unknown", 22.0)]

    @pytest.mark.parametrize(("gap", "expected"), [(0.29, {"unknown", "soft"}), (0.31, {"unknown"})])
    def test_things_count_as_far_as_their_reach(self, gap, expected):
        bed = EdgeNeighbour([box(-5, 6 + gap, 15, 9)], "soft", "bed", reach_m=0.3)
        assert {item.edge_class for item in edge_stretches(ZONE, [bed])} == expected

    def test_a_ring_all_of_one_class_is_one_closed_stretch(self):
        (stretch,) = edge_stretches(ZONE, [])
        assert stretch.line.is_closed
        assert stretch.line.length == 32
        assert stretch.edge_class == "unknown"

    def test_otherwise_is_what_is_told_where_nothing_is_met(self):
        lawn_goes_on = EdgeNeighbour((), "boundary", "the parcel ends", confidence=0.4)
        (stretch,) = edge_stretches(ZONE, [], otherwise=lawn_goes_on)
        assert (stretch.edge_class, stretch.evidence, stretch.confidence) == ("boundary", "the parcel ends", 0.4)

    def test_things_around_the_corner_or_behind_the_edge_do_not_count(self):
        around = EdgeNeighbour([box(10.02, 6.02, 12, 9)], "raised", "shed at the corner")
        across = EdgeNeighbour([LineString([(5, 6.01), (5, 9)])], "raised", "fence that meets the edge end on")
        within = EdgeNeighbour([box(4, 2, 6, 4)], "raised", "shed in the middle of the zone")
        assert told(edge_stretches(ZONE, [around, across, within])) == [("unknown", 32.0)]

    def test_a_thing_larger_than_the_look_is_met_though_its_outline_is_far_away(self):
        ground = EdgeNeighbour([box(3, -20, 40, 40)], "steep", "steep bank")
        assert told(edge_stretches(ZONE, [ground])) == [("steep", 20.0), ("unknown", 12.0)]

    def test_a_hole_is_a_ring_of_its_own_with_the_zone_on_its_left(self):
        pond = Point(5, 3).buffer(1)
        first, second = edge_stretches(ZONE.difference(pond), [EdgeNeighbour([pond], "water", "pond")])
        assert (first.edge_class, first.ring, second.edge_class, second.ring) == ("unknown", 0, "water", 1)
        assert shapely.is_ccw(first.line)
        assert not shapely.is_ccw(second.line)
        assert second.line.is_closed

    def test_an_empty_zone_has_no_edges(self):
        assert edge_stretches(Polygon(), []) == []


class TestShortStretches:
    def terrace_with(self, edge_class, length, **how):
        thing = EdgeNeighbour([box(4, 6, 4 + length, 7)], edge_class, "thing")
        return told(edge_stretches(ZONE, [thing, EdgeNeighbour([box(0, 6, 10, 9)], "flush", "terrace")], **how))

    def test_a_short_stretch_between_two_of_one_class_is_counted_in(self):
        assert self.terrace_with("raised", 0.4) == [("flush", 10.0), ("unknown", 22.0)]

    def test_a_long_one_and_a_short_one_when_asked_for_stay(self):
        assert len(self.terrace_with("raised", 0.6)) == 4
        assert len(self.terrace_with("raised", 0.4, shortest_m=0.3)) == 4

    @pytest.mark.parametrize("edge_class", ["water", "drop"])
    def test_water_and_drops_stay_however_short(self, edge_class):
        assert (edge_class, 0.05) in self.terrace_with(edge_class, 0.05)

    def test_noise_between_two_classes_goes_to_the_more_dangerous_one(self):
        wall = EdgeNeighbour([box(0, 6, 4, 9)], "raised", "wall")
        neighbours = [wall, EdgeNeighbour([box(4.05, 6, 10, 9)], "soft", "bed")]
        assert told(edge_stretches(ZONE, neighbours)) == [("raised", 4.05), ("soft", 5.95), ("unknown", 22.0)]

    def test_alternating_crumbs_come_together(self):
        posts = EdgeNeighbour([box(x, 6, x + 0.2, 6.1) for x in np.arange(1, 9, 0.5)], "raised", "post")
        stretches = edge_stretches(ZONE, [posts, EdgeNeighbour([box(0, 6, 10, 9)], "flush", "terrace")])
        assert told(stretches) == [("flush", 10.0), ("unknown", 22.0)]

    def test_a_negative_length_is_refused(self):
        with pytest.raises(ParameterError, match="shortest_m"):
            edge_stretches(ZONE, [], shortest_m=-1)


class TestDrops:
    # The lawn lies north (left) of a line that runs east along its southern edge: high ground.
    def test_above_it_is_a_drop_below_it_a_wall(self):
        above, below = ZONE, translate(ZONE, 0, -6.1)
        neighbours = drop_surroundings([LineString([(-1, 0), (11, 0)])])
        assert ("drop", 10.0) in told(edge_stretches(above, neighbours))
        assert ("raised", 10.0) in told(edge_stretches(below, neighbours))
        assert "raised" not in [item.edge_class for item in edge_stretches(above, neighbours)]
        assert "drop" not in [item.edge_class for item in edge_stretches(below, neighbours)]

    def test_both_say_why_how_surely_and_how_near(self):
        above, below = drop_surroundings([LineString([(0, 0), (1, 0)])])
        assert (above.evidence, below.evidence) == ("ground falls away beyond", "retaining wall rises beyond")
        assert {(item.confidence, item.reach_m) for item in (above, below)} == {(0.9, 0.3)}
        assert (above.zone_side, below.zone_side) == ("left", "right")
        surer = drop_surroundings([LineString([(0, 0), (1, 0)])], confidence=1.0, reach_m=0.5)
        assert {(item.confidence, item.reach_m) for item in surer} == {(1.0, 0.5)}

    def test_turning_the_line_turns_the_classes(self):
        turned = drop_surroundings([LineString([(11, 0), (-1, 0)])])
        assert ("raised", 10.0) in told(edge_stretches(ZONE, turned))

    def test_water_diagonally_before_a_corner_is_not_overlooked(self):
        pond = EdgeNeighbour([box(10.05, 6.05, 14, 9)], "water", "pond")
        stretches = edge_stretches(ZONE, [pond])
        (wet,) = [item for item in stretches if item.edge_class == "water"]
        assert wet.line.length == pytest.approx(0.12)
        assert (10, 6) in wet.line.coords


class TestWrongSurroundings:
    @pytest.mark.parametrize(
        ("name", "value"),
        [
            ("edge_class", "mossy"),
            ("confidence", 1.5),
            ("confidence", np.nan),
            ("reach_m", 0),
            ("reach_m", np.nan),
            ("zone_side", "north"),
        ],
    )
    def test_values_that_make_no_sense_are_refused(self, name, value):
        good = {"geometries": [], "edge_class": "flush", "evidence": "path"}
        with pytest.raises(ParameterError, match=name.split("_", maxsplit=1)[0]):
            EdgeNeighbour(**{**good, name: value})


class TestLaws:
    @settings(max_examples=40, deadline=None)
    @given(st.integers(0, 100_000))
    def test_stretches_are_the_rings_with_cuts(self, seed):
        zone, neighbours = garden(seed)
        stretches = edge_stretches(zone, neighbours)
        rings = shapely.get_rings(zone)
        assert sorted({item.ring for item in stretches}) == list(range(len(rings)))
        for number, ring in enumerate(rings):
            mine = [item for item in stretches if item.ring == number]
            xy = joined(stretches, number)
            vertices = {tuple(vertex) for vertex in ring.coords}
            assert vertices <= {tuple(vertex) for vertex in xy}
            assert len(xy) <= len(vertices) + len(mine)
            assert sum(item.line.length for item in mine) == pytest.approx(ring.length, rel=1e-9)
            assert Polygon(xy).symmetric_difference(Polygon(ring)).area < 1e-6
            assert Polygon(xy).exterior.is_ccw == (number == 0)
            assert all(a.evidence != b.evidence for a, b in pairwise([*mine, mine[0]]) if len(mine) > 1)

    @settings(max_examples=25, deadline=None)
    @given(st.integers(0, 100_000))
    def test_looking_out_from_single_points_says_the_same(self, seed):
        """An oracle of another kind: lines of sight every 2 cm, each asked what it intersects."""
        zone, neighbours = garden(seed)
        compared = 0
        for item in edge_stretches(zone, neighbours, shortest_m=0):
            for begin, end in pairwise(shapely.get_coordinates(item.line)):
                seen = seen_from(begin, end, neighbours)
                # What is shorter than 10 cm may have been counted in with a neighbour, corners included.
                steady = [k for k in range(6, len(seen) - 6) if len(set(seen[k - 6 : k + 7])) == 1]
                assert {seen[k] for k in steady} <= {item.edge_class}
                compared += len(steady)
        assert compared > 500

    @settings(max_examples=40, deadline=None)
    @given(st.integers(0, 100_000), st.floats(1, 359), st.floats(-1000, 1000), st.floats(-1000, 1000))
    def test_classes_turn_and_move_with_the_garden(self, seed, angle, east, north):
        zone, neighbours = garden(seed)

        def moved(shape):
            return translate(rotate(shape, angle, origin=(0, 0)), east, north)

        elsewhere = [
            EdgeNeighbour(
                [moved(shape) for shape in item.geometries],
                item.edge_class,
                item.evidence,
                item.confidence,
                item.reach_m,
            )
            for item in neighbours
        ]
        here, there = edge_stretches(zone, neighbours), edge_stretches(moved(zone), elsewhere)
        assert [item.edge_class for item in here] == [item.edge_class for item in there]
        lengths = [[item.line.length for item in side] for side in (here, there)]
        assert lengths[0] == pytest.approx(lengths[1], abs=1e-5)

    @settings(max_examples=20, deadline=None)
    @given(st.integers(0, 100_000))
    def test_a_mirrored_garden_has_the_same_lengths_per_class(self, seed):
        zone, neighbours = garden(seed)

        def mirrored(shape):
            return shapely.transform(shape, lambda xy: xy * (-1, 1))

        mirror = [
            EdgeNeighbour([mirrored(s) for s in b.geometries], b.edge_class, b.evidence, reach_m=b.reach_m)
            for b in neighbours
        ]

        def lengths(stretches):
            total = dict.fromkeys([*CLASSES, "boundary", "unknown"], 0.0)
            for item in stretches:
                total[item.edge_class] += item.line.length
            return total

        one = edge_stretches(zone, neighbours, shortest_m=0)
        other = edge_stretches(mirrored(zone), mirror, shortest_m=0)
        assert lengths(one) == pytest.approx(lengths(other), abs=1e-6)


def test_a_thousand_vertices_with_two_hundred_things_take_no_noticeable_time():
    random = np.random.default_rng(7)
    angle = np.linspace(0, 2 * pi, 1000, endpoint=False)
    radius = 30 + 3 * np.sin(7 * angle) + random.normal(0, 0.02, 1000)
    zone = Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    around = random.uniform(0, 2 * pi, 200)
    things = [Point(34 * np.cos(a), 34 * np.sin(a)).buffer(3).difference(zone) for a in around]
    neighbours = [EdgeNeighbour(things[k::4], edge_class, "thing") for k, edge_class in enumerate(CLASSES[:4])]
    best = np.inf
    for _ in range(3):
        begin = process_time()
        edge_stretches(zone, neighbours)
        best = min(best, process_time() - begin)
    assert best < 0.5  # 0.06 s on the machine of the first version; the slack is for slower ones
