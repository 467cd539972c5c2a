"""Ground inside the wire against area formulas of insets and outsets.

Steiner's formula for parallel bodies, J. Steiner 1840: a convex figure of area A and perimeter P grown by r has area
A + P r + pi r². Inset polygons follow from their offset sides. Openings with a disc of radius q round a corner of
interior angle a by q² (cot(a/2) - (pi - a)/2).
"""

from math import pi, radians, tan

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box

from lawngis.wire.ground import setback_ground

GAP, TOLERANCE = 0.3, 0.005
RADIUS = GAP / 2 + TOLERANCE + 0.0025
"""Corners are opened with half the gap and what is kept in hand."""


def inset(zone, setback):
    rings = [LineString(ring.coords) for ring in [zone.exterior, *zone.interiors]]
    return setback_ground(zone, rings, [setback] * len(rings), gap_min_m=GAP, tolerance_m=TOLERANCE)


def rounding_loss(*interior_angles_deg):
    angles = [radians(angle) for angle in interior_angles_deg]
    return sum(RADIUS**2 * (1 / tan(a / 2) - (pi - a) / 2) for a in angles)


def test_square_loses_its_frame():
    # Side 10, inset 2: A - P r + 4 r² = 36, and not A - P r + pi r² = 32.566.
    assert inset(box(0, 0, 10, 10), 2.0).area == pytest.approx(36 - rounding_loss(90, 90, 90, 90), abs=2e-3)


def test_triangle_shrinks_to_a_similar_one():
    # 3-4-5, inset 0.5: 6 (1 - 0.5)² = 1.5, as the inscribed circle has radius 1.
    angles = np.degrees([np.arctan2(3, 4), np.arctan2(4, 3), pi / 2])
    ground = inset(Polygon([(0, 0), (4, 0), (0, 3)]), 0.5)
    assert ground.area == pytest.approx(1.5 - rounding_loss(*angles), abs=2e-3)


def test_inscribed_circle_is_where_nothing_is_left():
    # The L of 20 m less 10 m x 10 m holds a circle of 20 - 10 sqrt(2) = 5.857864 m.
    shape = Polygon([(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)])
    assert not inset(shape, 5.857864 - RADIUS - 0.02).is_empty
    assert inset(shape, 5.857864 - RADIUS + 0.02).is_empty


@pytest.mark.parametrize(
    ("island", "radius", "grown"),
    [
        (box(20, 20, 30, 30), 1.0, 143.141593),
        (box(20, 20, 30, 30), 2.0, 192.566371),
        (Polygon([(20, 20), (24, 20), (20, 23)]), 1.0, 21.141593),
        (Polygon([(20, 20), (24, 20), (20, 23)]), 2.0, 42.566371),
        # L of 20 m less 10 m x 10 m, grown by 1: A + P r + (5/4) pi r² - r² = 382.926991.
        (Polygon([(20, 20), (40, 20), (40, 30), (30, 30), (30, 40), (20, 40)]), 1.0, 382.926991),
    ],
)
def test_islands_grow_by_their_setback(island, radius, grown):
    zone = box(0, 0, 60, 60) - island
    (hole,) = inset(zone, radius).interiors
    # Arcs are drawn with 8 chords a quarter: the missing segments are 1 - 8 sin(pi/16) / (pi/2) of pi r² at most.
    short = pi * radius**2 * (1 - 8 * np.sin(pi / 16) / (pi / 2))
    assert Polygon(hole).area == pytest.approx(grown, abs=short + 0.02)


def test_ring_around_a_pond():
    zone = box(0, 0, 20, 20) - Point(10, 10).buffer(2, quad_segs=256)
    (hole,) = inset(zone, 0.6).interiors
    assert hole.length == pytest.approx(2 * pi * 2.6, rel=3e-4)


def test_dumbbell_splits_where_the_corridor_is_used_up():
    # Two squares of 10 m, corridor 6 m x 2 m: erosion by less than 1 m leaves one part, by 1 m two.
    shape = box(0, 0, 10, 10).union(box(10, 4, 16, 6)).union(box(16, 0, 26, 10))
    assert shape.area == 212
    assert shape.length == 88
    assert inset(shape, 1.0 - RADIUS - 0.01).geom_type == "Polygon"
    assert inset(shape, 1.0 - RADIUS + 0.01).geom_type == "MultiPolygon"
