"""Outlines of cells are drawn as a surveyor would draw the shape that was turned into cells."""

import numpy as np
import pytest
import shapely
from contourpy import FillType, contour_generator
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from lawngis.ground.outlines import clean_outline

CELL_M = 0.25


def rasterised(shape: shapely.Polygon, cell_m: float = CELL_M, margin: int = 4) -> shapely.Polygon:
    """The outline between cells with their centres inside a polygon and others, in its own coordinates."""
    left, bottom, right, top = shape.bounds
    cols, rows = (int(np.ceil(span / cell_m)) + 2 * margin for span in (right - left, top - bottom))
    x = left + (np.arange(cols) - margin + 0.5) * cell_m
    y = top - (np.arange(rows) - margin + 0.5) * cell_m
    inside = shapely.contains_xy(shape, *np.meshgrid(x, y))
    points, offsets = contour_generator(x, y, inside.astype(float), fill_type=FillType.OuterOffset).filled(0.5, 2.0)
    rings = [np.split(xy, ends[1:-1].astype(int)) for xy, ends in zip(points, offsets, strict=True)]
    return max((shapely.Polygon(ring[0], ring[1:]) for ring in rings), key=shapely.area)


@settings(max_examples=30, deadline=None)
@given(st.floats(5, 14), st.floats(5, 14), st.floats(0, 90), st.floats(0, CELL_M))
def test_a_turned_rectangle_keeps_its_square_corners(width, depth, turn, off):
    true = affinity.rotate(shapely.box(off, 0, off + width, depth), turn)
    cells = rasterised(true)
    drawn = clean_outline(cells, tolerance_m=CELL_M)
    assert drawn.is_valid
    assert drawn.area == pytest.approx(cells.area, rel=0.01)
    # Sides that run a few degrees off the rows change row every eighth cell: one step may pass for a corner.
    assert len(drawn.exterior.coords) - 1 <= 5
    xy = shapely.get_coordinates(drawn.simplify(2 * CELL_M))[:-1]
    assert len(xy) == 4
    before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
    cosine = (before * after).sum(axis=1) / np.hypot(*before.T) / np.hypot(*after.T)
    assert np.abs(np.degrees(np.arccos(cosine)) - 90).max() < 6
    # Small flat ellipses are the hardest: the worst of 3,000 random ones was 2.0 cells off, 99 % were below 1.6.
    assert drawn.hausdorff_distance(true) < 2.1 * CELL_M


@pytest.mark.parametrize("turn", [0, 30, 45, 63])
def test_a_rectangle_has_four_corners_square_to_half_a_degree(turn):
    drawn = clean_outline(rasterised(affinity.rotate(shapely.box(0, 0, 13, 8), turn)), tolerance_m=CELL_M)
    xy = shapely.get_coordinates(drawn)[:-1]
    assert len(xy) == 4
    side = np.roll(xy, -1, axis=0) - xy
    cosine = (side * np.roll(side, 1, axis=0)).sum(axis=1) / np.hypot(*side.T) / np.hypot(*np.roll(side, 1, axis=0).T)
    assert np.abs(np.degrees(np.arcsin(cosine))).max() < 0.5


@settings(max_examples=15, deadline=None)
@given(st.floats(2, 10), st.floats(0.5, 1.0))
def test_a_round_bed_has_few_corners_and_its_area(radius, flat):
    true = affinity.scale(shapely.Point(0, 0).buffer(radius, quad_segs=64), 1, flat)
    cells = rasterised(true)
    drawn = clean_outline(cells, tolerance_m=CELL_M)
    assert drawn.area == pytest.approx(cells.area, rel=0.01)
    # Small flat ellipses are the hardest: the worst of 3,000 random ones was 2.0 cells off, 99 % were below 1.6.
    assert drawn.hausdorff_distance(true) < 2.1 * CELL_M
    assert len(drawn.exterior.coords) < 0.5 * len(cells.exterior.coords)


def test_an_l_keeps_its_inner_corner_and_its_court():
    ell = shapely.box(0, 0, 12, 9).difference(shapely.box(6, 5, 12, 9)).difference(shapely.box(2, 2, 4, 4))
    drawn = clean_outline(rasterised(affinity.rotate(ell, 33, origin=(0, 0))), tolerance_m=CELL_M)
    assert len(drawn.exterior.coords) == 7 and len(drawn.interiors) == 1
    assert drawn.area == pytest.approx(ell.area, rel=0.03)


def test_small_holes_are_filled():
    holed = shapely.box(0, 0, 10, 10).difference(shapely.box(4, 4, 4.5, 4.5))
    assert clean_outline(holed, tolerance_m=CELL_M, hole_min_m2=1.0).area == pytest.approx(100)
