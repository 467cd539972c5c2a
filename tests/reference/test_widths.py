"""Widths, inscribed circles and plugs with numbers that are known beforehand.

Inscribed circles follow from elementary geometry (incircle of a right triangle: r = (a + b - c) / 2; of an equilateral
one: a / (2 √3); L: the disc touches both outer walls and the inner corner, r = 20 - 10 √2).

The dumbbell is two squares of 10 m and a corridor of 6 m x 2 m: 212 m², outline 88 m. Its erosion is one
part up to half the corridor's width and two from there on. Opened with a disc of 1.01 m, a circular segment is left as
a plug in each corridor mouth beside two squares with rounded corners.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Polygon, box

from lawngis.geometry.medial import medial_axis
from lawngis.lawn.zones import zone_partition

DUMBBELL = shapely.union_all([box(0, 0, 10, 10), box(10, 4, 16, 6), box(16, 0, 26, 10)])
L_SHAPE = box(0, 0, 20, 20).difference(box(10, 10, 20, 20))


@pytest.mark.parametrize(
    ("shape", "radius_m"),
    [
        (box(0, 0, 10, 10), 5.0),
        (box(0, 0, 20, 10), 5.0),
        (Polygon([(0, 0), (4, 0), (0, 3)]), 1.0),
        (Polygon([(0, 0), (1, 0), (0.5, np.sqrt(3) / 2)]), 0.288675),
        (L_SHAPE, 5.857864),
    ],
    ids=["square", "rectangle", "3-4-5", "equilateral", "L"],
)
def test_inscribed_circle(shape, radius_m):
    """Tolerance: nodes of the axis lie about a spacing apart, here 2 cm, and clearance is flat at its maximum."""
    assert medial_axis(shape, spacing_m=0.02).clearance_m.max() == pytest.approx(radius_m, abs=0.01)


def test_inscribed_circle_of_the_l_touches_the_inner_corner():
    axis = medial_axis(L_SHAPE, spacing_m=0.02)
    centre = axis.xy[axis.clearance_m.argmax()]
    assert centre == pytest.approx([5.857864, 5.857864], abs=0.02)
    assert np.hypot(*(centre - 10)) == pytest.approx(5.857864, abs=0.02)


def test_dumbbell_falls_apart_beyond_the_width_of_its_corridor():
    assert (DUMBBELL.area, DUMBBELL.length) == (212, 88)
    assert [shapely.get_num_geometries(DUMBBELL.buffer(-radius)) for radius in (0.99, 1.01)] == [1, 2]
    whole = zone_partition(DUMBBELL, mow_width_m=2.0, zone_area_min_m2=1)
    parted = zone_partition(DUMBBELL, mow_width_m=2.02, zone_area_min_m2=1)
    assert len(whole.zones) == 1
    assert [zone.area for zone in parted.zones] == pytest.approx([100, 100], abs=1e-6)
    assert parted.passages[0].width_m == pytest.approx(2.0, abs=1e-4)


def test_no_plugs_and_no_bitten_corners():
    """Opening leaves 198.249 m² of squares with rounded corners and two plugs of 1.317; the zones are the squares."""
    radius = 1.01
    deep = np.sqrt(radius**2 - 1)  # from the mouth back to the centre of the disc that rests in it
    plug = radius**2 * np.arccos(deep / radius) - deep
    rounded = 200 - 8 * radius**2 * (1 - np.pi / 4)
    assert rounded == pytest.approx(198.249, abs=0.001)
    opened = DUMBBELL.buffer(-radius, quad_segs=64).buffer(radius, quad_segs=64)
    assert opened.area == pytest.approx(rounded + 2 * plug, abs=0.002)
    zones = zone_partition(DUMBBELL, mow_width_m=2 * radius, zone_area_min_m2=1).zones
    squares = (box(0, 0, 10, 10), box(16, 0, 26, 10))
    for zone, square in zip(sorted(zones, key=lambda part: part.bounds), squares, strict=True):
        assert zone.symmetric_difference(square).area < 1e-6
