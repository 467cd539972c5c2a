"""Corners of the wire: how many bends, how sharp, and where they lie, worked out for circles that one can draw."""

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from lawngis.wire.corners import ring_with_cut_corners

RADIUS, CUT = 0.16, 0.2
"""Radius to which ground is rounded, and the cut along each side of a square corner [m]."""

WIDE = CUT / (1 - np.tan(np.pi / 8))
"""Radius of the arc around which a square corner has two bends that cut as much off each side [m]."""

ANYWHERE = box(-100, -100, 100, 100)


def cut(ground, *, limit=ANYWHERE, roomy=ANYWHERE):
    (ring,) = shapely.get_rings(shapely.orient_polygons([ground]))
    shapely.prepare([limit, roomy])
    found = ring_with_cut_corners(np.array(ring.coords), limit=limit, roomy=roomy, radius_m=RADIUS, cut_m=CUT)
    assert np.array_equal(found[0], found[-1])
    assert Polygon(found).is_valid
    return found


def rounded(ground):
    return ground.buffer(-RADIUS, quad_segs=8).buffer(RADIUS, quad_segs=8)


def wedge(turn_deg):
    """A kite whose corner at the origin turns by so much, with sides of 10 m, symmetric about the x axis."""
    half = np.radians(180 - turn_deg) / 2
    return Polygon([(0, 0), (10 * np.cos(half), -10 * np.sin(half)), (20, 0), (10 * np.cos(half), 10 * np.sin(half))])


def vertices_near(ring, place, reach):
    return ring[:-1][np.hypot(*(ring[:-1] - place).T) < reach]


def bends_at(laws, ring, vertices):
    turns = laws.turns_deg(ring)
    return [float(turns[np.flatnonzero((ring[:-1] == vertex).all(axis=1))[0]]) for vertex in vertices]


@pytest.mark.parametrize(("turn_deg", "bends"), [(60, 2), (90, 2), (91, 2), (100, 3), (130, 3), (145, 4)])
def test_a_corner_of_the_ground_has_as_few_equal_bends_as_45_degrees_allow(laws, turn_deg, bends):
    """They lie around an arc that touches both sides: its centre is R / cos(t / 2) from the corner."""
    ring = cut(rounded(wedge(turn_deg)))
    centre = np.array([WIDE / np.cos(np.radians(turn_deg) / 2), 0.0])
    corner = vertices_near(ring, (0, 0), 3.0)
    assert bends_at(laws, ring, corner) == pytest.approx([turn_deg / bends] * bends, abs=0.1)
    away = np.hypot(*(corner - centre).T)
    assert away == pytest.approx(WIDE / np.cos(np.radians(turn_deg) / 2 / bends), abs=0.002)


def test_on_short_sides_less_is_cut_so_that_nearly_half_of_each_is_left():
    """A square of 0.6 m: the arc may take 0.48 of what the next corner's own arc leaves, 0.44 m."""
    ring = cut(rounded(box(0, 0, 0.6, 0.6)))
    along = 0.48 * 0.44 * (1 - np.tan(np.pi / 8))
    assert len(ring) == 9
    expected = [(along, 0), (0.6 - along, 0), (0.6, along), (0.6, 0.6 - along)]
    for vertex in expected:
        assert np.hypot(*(ring - vertex).T).min() < 0.002


def test_so_is_a_corner_that_is_not_square(laws):
    """A triangle of 1.2 m: the next arc leaves 1.2 - 0.16 tan 60° = 0.923 m of each side; R = 0.48 x 0.923 / tan 60°."""
    ring = cut(rounded(Polygon([(0, 0), (1.2, 0), (0.6, 1.2 * np.sin(np.pi / 3))])))
    radius = 0.48 * (1.2 - RADIUS * np.sqrt(3)) / np.sqrt(3)
    along = radius * (np.sqrt(3) - np.tan(np.radians(20)))
    assert len(ring) == 10
    assert laws.turns_deg(ring) == pytest.approx(np.full(9, 40.0), abs=0.5)
    assert np.hypot(*(ring - [along, 0]).T).min() < 0.003


@pytest.mark.parametrize(("radius", "bends"), [(0.3, 2), (0.7, 2), (0.8, None)])
def test_around_a_corner_of_a_building_lie_two_bends_unless_its_arc_is_wide(laws, radius, bends):
    """Around an arc of more than 0.75 m two bends would lie too far off it: there the wire stays curved."""
    ground = box(0, 0, 10, 10) - box(5, 5, 11, 11).buffer(radius, quad_segs=8)
    ring = cut(ground)
    corner = vertices_near(ring, (5, 5), radius * 1.3)
    away = np.hypot(*(corner - [5, 5]).T)
    if bends:
        assert bends_at(laws, ring, corner) == pytest.approx([-45, -45], abs=0.1)
        assert away == pytest.approx(radius / np.cos(np.pi / 8), abs=0.003)
    else:
        assert len(corner) == 9
        assert away == pytest.approx(np.full(len(corner), radius), abs=0.003)


def test_where_the_bends_would_leave_their_area_the_arc_stays(laws):
    ground = rounded(box(0, 0, 10, 10) - box(5, 5, 11, 11).buffer(0.3, quad_segs=8))
    # No room further in for the corner of the building, none further out for the others.
    curved = cut(ground, roomy=Point(0, 0).buffer(0.1))
    assert len(vertices_near(curved, (5, 5), 0.4)) > 4
    assert len(vertices_near(curved, (0, 0), 0.4)) == 2
    inside = cut(ground, limit=Point(5, 5).buffer(0.1))
    assert len(vertices_near(inside, (5, 5), 0.4)) == 2
    assert len(vertices_near(inside, (0, 0), 0.4)) > 2


def test_a_spike_is_gone_round_on_the_circle_that_fits_into_its_tip(laws):
    """A tip of 20 degrees turns by 160: four bends of 40, about a circle of the ground's own radius."""
    ring = cut(rounded(wedge(160)))
    centre = np.array([RADIUS / np.cos(np.radians(80)), 0.0])
    tip = vertices_near(ring, centre, 2 * RADIUS)
    assert bends_at(laws, ring, tip) == pytest.approx([40] * 4, abs=0.5)
    assert np.hypot(*(tip - centre).T) == pytest.approx(RADIUS / np.cos(np.radians(20)), abs=0.003)


@pytest.mark.parametrize("width", [0.34, 0.42])
def test_a_strip_ends_in_half_a_polygon_as_wide_as_itself(laws, width):
    """Four bends of 45 degrees about a circle that touches both sides and the end."""
    ring = cut(rounded(box(0, 0, 6, width)))
    centre = np.array([6 - width / 2, width / 2])
    end = vertices_near(ring, centre, width)
    assert bends_at(laws, ring, end) == pytest.approx([45] * 4, abs=0.5)
    assert np.hypot(*(end - centre).T) == pytest.approx(width / 2 / np.cos(np.pi / 8), abs=0.003)
    assert ring.max(axis=0) == pytest.approx([6, width], abs=0.003)


def test_what_is_all_arc_has_no_corners():
    circle = Point(0, 0).buffer(0.8, quad_segs=16)
    assert len(cut(circle)) == len(circle.exterior.coords)


def test_vertices_that_crowd_or_hardly_bend_are_dropped():
    crowded = Polygon([(0, 0), (4, 0), (4, 3), (4.0, 3.004), (4, 9), (2, 9 + 1e-5), (0, 9)])
    ring = cut(crowded)
    steps = np.hypot(*np.diff(ring, axis=0).T)
    assert steps.min() >= 0.012
    assert not vertices_near(ring, (4, 3), 0.1).size and not vertices_near(ring, (2, 9), 0.1).size


@pytest.mark.parametrize("angle", [17, 133, 290])
def test_a_turned_ring_gives_the_turned_ring(angle):
    ground = rounded(box(0, 0, 6, 5) - box(4, 3, 7, 6) - box(-1, 2, 1, 2.4))
    plain = LineString(cut(ground))
    turned = LineString(cut(shapely.affinity.rotate(ground, angle, origin=(0, 0))))
    back = shapely.affinity.rotate(turned, -angle, origin=(0, 0))
    assert shapely.hausdorff_distance(plain, back) < 1e-6
    assert len(plain.coords) == len(back.coords)
