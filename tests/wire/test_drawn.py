"""Ground whose wire runs along a line drawn on site."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box

from lawngis.errors import FeatureError
from lawngis.geometry.lines import bends_deg
from lawngis.wire.drawn import REACH_M, ground_along, rounded
from lawngis.wire.ground import wire_parts

LAWN = box(0, 0, 20, 10)


def rings(ground):
    return shapely.union_all(shapely.get_rings(ground))


def runs_along(changed):
    """The ring holds every point of the line but the hair that rounding puts between two lines through one point."""
    return changed.line.difference(rings(changed.ground).buffer(1e-9)).length == pytest.approx(0.0, abs=1e-6)


def test_line_across_a_corner_cuts_it_off():
    changed = ground_along(LAWN, LineString([(16, 0), (20, 4)]))
    assert changed.ground.equals(Polygon([(0, 0), (16, 0), (20, 4), (20, 10), (0, 10)]))


def test_line_beyond_an_edge_adds_ground():
    changed = ground_along(LAWN, LineString([(4, 0), (5, -1), (9, -1), (10, 0)]))
    assert changed.ground.area == pytest.approx(200 + (6 + 4) / 2)
    assert runs_along(changed)


def test_line_that_weaves_in_and_out_cuts_off_and_adds():
    changed = ground_along(LAWN, LineString([(4, 0), (6, 3), (8, 0), (10, -2), (12, 0)]))
    assert changed.ground.area == pytest.approx(200 - 6 + 4)
    assert runs_along(changed)


def test_ends_are_joined_to_the_places_onto_which_they_project():
    changed = ground_along(LAWN, LineString([(5, 1.5), (5, 4), (9, 4), (9, 1.5)]))
    assert changed.ground.area == pytest.approx(200 - 4 * 4)
    assert Point(5, 0).distance(rings(changed.ground)) < 1e-9


def test_what_hangs_over_beyond_the_ring_is_cut_off():
    over = ground_along(LAWN, LineString([(16.5, -0.5), (20.5, 3.5)]))
    expected = Polygon([(0, 0), (17, 0), (20, 3), (20, 10), (0, 10)])
    assert over.ground.symmetric_difference(expected).area < 1e-9
    assert over.line.length == pytest.approx(3 * np.sqrt(2))


def test_one_end_may_hang_over_and_the_other_fall_short():
    changed = ground_along(LAWN, LineString([(5, 1.5), (5, 4), (20.5, 4)]))
    assert changed.line.equals(LineString([(5, 0), (5, 4), (20, 4)]))
    assert changed.ground.area == pytest.approx(200 - 15 * 4)
    other = ground_along(LAWN, LineString([(20.5, 4), (5, 4), (5, 1.5)]))
    assert other.ground.equals(changed.ground)


def test_line_from_edge_to_edge_leaves_the_larger_side():
    assert ground_along(LAWN, LineString([(8, 0), (8, 10)])).ground.equals(box(8, 0, 20, 10))
    assert ground_along(LAWN, LineString([(12, 10), (12, 0)])).ground.equals(box(0, 0, 12, 10))


def test_island_nearest_to_the_line_is_the_one_that_changes():
    pond = box(8, 4, 12, 6)
    ground = LAWN.difference(pond)
    larger = ground_along(ground, LineString([(8, 4), (7, 3), (13, 3), (12, 4)]))
    assert larger.ground.area == pytest.approx(ground.area - (4 + 6) / 2)
    smaller = ground_along(ground, LineString([(8, 4), (9, 5), (11, 5), (12, 4)]))
    assert smaller.ground.area == pytest.approx(ground.area + (4 + 2) / 2)


def test_island_in_the_way_of_the_line_stays_an_island():
    changed = ground_along(LAWN.difference(box(8, 1, 12, 3)), LineString([(5, 0), (5, 2), (15, 2), (15, 0)]))
    assert changed.ground.area == pytest.approx(200 - 10 * 2 - 4 * 1)


def test_closed_line_inside_is_a_new_island():
    changed = ground_along(LAWN, LineString([(8, 4), (12, 4), (12, 6), (8, 6), (8.1, 4.1)]))
    assert len(changed.ground.interiors) == 1
    assert changed.ground.area == pytest.approx(200 - 8, abs=0.2)
    assert runs_along(changed)
    # So is one around two fifths of the ground.
    large = ground_along(LAWN, LineString(box(5, 1, 15, 9).exterior.coords))
    assert large.ground.equals(LAWN.difference(box(5, 1, 15, 9)))


def test_closed_line_around_most_of_the_ground_is_the_outer_ring():
    ground = LAWN.difference(box(8, 4, 12, 6))
    outline = box(1, 1, 22, 9)
    changed = ground_along(ground, LineString(outline.exterior.coords))
    assert changed.ground.equals(outline.difference(box(8, 4, 12, 6)))
    assert changed.line.equals(outline.exterior)
    # Other pieces of ground stay as they are.
    both = ground_along(MultiPolygon([box(30, 0, 35, 5), ground]), LineString(outline.exterior.coords))
    assert [part.area for part in both.ground.geoms] == pytest.approx([changed.ground.area, 25])


def test_other_pieces_stay_as_they_are():
    both = MultiPolygon([LAWN, box(0, 20, 5, 25)])
    changed = ground_along(both, LineString([(0, 23), (2, 25)]))
    assert changed.ground.area == pytest.approx(200 + 25 - 2)
    assert changed.ground.geoms[0].equals(LAWN)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ([(5, 5), (15, 5)], "5.0 m from the wire"),
        ([(5, 0), (9, 2), (9, 0.5), (5, 2.5), (12, 0)], "cross itself"),
        ([(5, 0), (5.1, 0)], "0.10 m long"),
        (
            [(5, 2), (8, 5), (8, 2), (5, 5), (5, 2)],
            r"^the line crosses itself\. Draw it as the wire is to run, in one go\.$",
        ),
    ],
)
def test_line_that_makes_no_ring_is_refused(line, said):
    with pytest.raises(FeatureError, match=said):
        ground_along(LAWN, LineString(line))


def test_square_corners_become_arcs_of_the_cut():
    line = LineString([(0, 0), (5, 0), (5, 5), (9, 5)])
    soft = rounded(line, 0.2)
    # Two quarter circles of 0.2 m in place of 0.4 m of corner each, drawn with chords.
    assert soft.length == pytest.approx(14 - 2 * (0.4 - np.pi / 2 * 0.2), abs=0.003)
    assert soft.hausdorff_distance(line) == pytest.approx(0.2 * (np.sqrt(2) - 1), abs=0.003)
    assert soft.coords[0] == (0, 0) and soft.coords[-1] == (9, 5)
    for at in ((4.8, 0), (5, 0.2), (5, 4.8), (5.2, 5)):
        assert min(np.hypot(x - at[0], y - at[1]) for x, y in soft.coords) < 1e-9
    assert np.abs(bends_deg(np.array(soft.coords))).max() < 20


@pytest.mark.parametrize("turn_deg", [30, 60, 120])
def test_any_corner_becomes_an_arc_that_touches_both_its_sides(turn_deg):
    """The arc of radius r that begins 0.2 m before a corner turned by t: r = 0.2 / tan(t / 2)."""
    half = np.radians(turn_deg) / 2
    ahead = np.array([np.cos(2 * half), np.sin(2 * half)])
    for side in ([1, 1], [1, -1]):
        soft = rounded(LineString([(-5, 0), (0, 0), 5 * ahead * side]), 0.2)
        xy = np.array(soft.coords)
        middle = np.array([-0.2, 0.2 / np.tan(half)]) * side
        assert np.hypot(*(xy[1:-1] - middle).T) == pytest.approx(0.2 / np.tan(half))
        assert (xy[1], xy[-2]) == (pytest.approx([-0.2, 0]), pytest.approx(0.2 * ahead * side))
        assert np.abs(bends_deg(xy)).max() <= 15.1
        assert len(xy) <= 4 + turn_deg / 15


def test_short_sides_have_shorter_arcs_and_blunt_corners_stay():
    """The arcs of two corners take 0.45 of the side between them each; a corner of 11 degrees is none."""
    line = LineString([(0, 0), (3, 0.1), (5, 0), (5, 0.4), (7, 0.4), (8, 0.6)])
    soft = np.array(rounded(line, 0.5).coords)
    assert soft[:2].tolist() == [[0, 0], [3, 0.1]] and soft[-2:].tolist() == [[7, 0.4], [8, 0.6]]
    before = np.array([5, 0]) - 0.18 * np.array([2, -0.1]) / np.hypot(2, 0.1)
    for at in (before, (5, 0.18), (5, 0.22), (5.18, 0.4)):
        assert np.hypot(*(soft - at).T).min() < 1e-9
    assert not (np.diff(soft, axis=0) == 0).all(axis=1).any()
    first, last = (
        rounded(LineString([(4.6, 0), (5, 0), (5, 5)]), 0.5),
        rounded(LineString([(5, 5), (5, 0), (4.6, 0)]), 0.5),
    )
    assert first.coords[1] == pytest.approx((4.82, 0)) and last.coords[-2] == pytest.approx((4.82, 0))


@pytest.mark.parametrize("turned", [False, True])
def test_closed_square_becomes_a_ring_without_corners(turned):
    ring = LineString(box(0, 0, 4, 3).exterior.coords)
    soft = rounded(ring.reverse() if turned else ring, 0.2)
    assert soft.is_closed
    assert Polygon(soft).area == pytest.approx(12 - (4 - np.pi) * 0.04, abs=0.003)
    assert np.abs(bends_deg(np.array(soft.coords))).max() < 20


def test_blunt_line_stays_as_it_is():
    line = LineString([(0, 0), (5, 0), (9, 1)])
    assert rounded(line, 0.2).equals(line)


@st.composite
def ring_and_line(draw):
    """A star-shaped lawn and a line between two places of its outline, bulging in or out or both."""
    count = draw(st.integers(5, 14))
    radii = np.array(draw(st.lists(st.floats(8, 12), min_size=count, max_size=count)))
    turn = np.linspace(0, 2 * np.pi, count, endpoint=False)
    lawn = Polygon(np.column_stack([radii * np.cos(turn), radii * np.sin(turn)]))
    # To the micrometre: GEOS divides by zero where a coordinate is next to nothing, as none on a map is.
    begin, reach = round(draw(st.floats(0, 2 * np.pi)), 6), draw(st.floats(0.3, 2.0))
    away = np.array(draw(st.lists(st.floats(-2, 2), min_size=4, max_size=4)))
    spokes = begin + np.linspace(0, reach, 6)
    far = [LineString([(0, 0), (20 * np.cos(a), 20 * np.sin(a))]).intersection(lawn.exterior) for a in spokes]
    at = np.array([np.hypot(point.x, point.y) for point in far])
    at[1:-1] += away
    return lawn, LineString(np.column_stack([at * np.cos(spokes), at * np.sin(spokes)]))


@settings(max_examples=60, deadline=None)
@given(ring_and_line())
def test_ring_runs_along_the_line_and_nothing_else_moves(case):
    lawn, line = case
    changed = ground_along(lawn, line)
    assert changed.ground.is_valid
    assert runs_along(changed)
    assert line.length - changed.line.length <= 2 * REACH_M
    hull = shapely.union_all([line, *(Point(at) for at in line.coords)]).convex_hull.union(
        Polygon([(0, 0), *line.coords]).buffer(0)
    )
    assert changed.ground.symmetric_difference(lawn).difference(hull.buffer(4.0)).area < 1e-9
    back = ground_along(lawn, line.reverse())
    assert back.ground.symmetric_difference(changed.ground).area < 1e-9
    again = ground_along(changed.ground, changed.line)
    assert again.ground.symmetric_difference(changed.ground).area < 1e-6


@settings(max_examples=20, deadline=None)
@given(ring_and_line())
def test_changed_ground_is_fit_for_wire_after_opening(case):
    changed = ground_along(*case)
    for part in shapely.get_parts(wire_parts(changed.ground, gap_min_m=0.3)):
        opened = part.buffer(-0.15).buffer(0.16)
        assert part.difference(opened).area < 1e-3
