"""Chords for a dock, on a round lawn worked by hand."""

from math import acos, sin, sqrt

import pytest
from shapely import Point, box

from lawngis.dock.chord import chord_segment

RADIUS_M, INSET_M, CHORD_M = 8.0, 0.35, 0.12


def test_the_least_segment_of_a_circle_past_which_the_wire_is_straight():
    """The wire is a chord of a circle of 7.65 m, 4 m long: 7.384 m from the middle, so that the edge is at 7.504 m."""
    lawn = Point(0, 0).buffer(RADIUS_M, quad_segs=512)
    segment = chord_segment(lawn, Point(RADIUS_M, 0), straight_m=4.0, inset_m=INSET_M, chord_m=CHORD_M)
    away_m = sqrt((RADIUS_M - INSET_M) ** 2 - 2.0**2) + CHORD_M
    assert away_m == pytest.approx(7.504, abs=1e-3)
    assert away_m - 0.05 <= segment.bounds[0] <= away_m
    half = acos(segment.bounds[0] / RADIUS_M)
    assert segment.area == pytest.approx(RADIUS_M**2 * (half - sin(2 * half) / 2), rel=1e-3)


def test_no_chord_parts_a_lawn_or_is_longer_than_it():
    neck = box(0, 0, 10, 10).union(box(10, 4, 20, 6)).union(box(20, 0, 30, 10))
    assert chord_segment(neck, Point(15, 4), straight_m=8.0, inset_m=0.3, chord_m=0.1) is None
    assert chord_segment(Point(0, 0).buffer(1.5), Point(1.5, 0), straight_m=4.0, inset_m=0.3, chord_m=0.1) is None
