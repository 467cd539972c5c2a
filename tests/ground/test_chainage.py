"""Lengths along the ground against Pythagoras on planes."""

import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import Point

from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m
from lawngis.ground.chainage import ground_chainage_m
from lawngis.ground.raster import Grid

UTM = CRS.from_epsg(32632)
CENTRE = (500_000.0, 5_500_000.0)
FRAME = MeasuringFrame.centred_on(Point(CENTRE), UTM)
LINE = np.array([[-8.0, -3.0], [0.0, 0.0], [6.0, 7.5]])


def grid(height) -> Grid:
    cols, rows = np.meshgrid(np.arange(80), np.arange(80))
    x, y = (cols + 0.5) * 0.5 - 20, 20 - (rows + 0.5) * 0.5
    return Grid(height(x, y), Affine(0.5, 0, CENTRE[0] - 20, 0, -0.5, CENTRE[1] + 20), UTM)


@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.3, 0.0), (0.2, -0.4)])
def test_on_a_plane_each_piece_is_its_hypotenuse(slope):
    """The frame's metres are the ground's; UTM's are 0.9996 of them, hence the tolerance."""
    found = ground_chainage_m(grid(lambda x, y: slope[0] * x + slope[1] * y), FRAME, LINE)
    step = np.diff(LINE, axis=0)
    expected = np.hypot(np.hypot(*step.T), step @ np.array(slope))
    assert np.diff(found) == pytest.approx(expected, rel=2e-4)


def test_it_never_is_shorter_than_in_plan_and_a_ridge_between_vertices_counts():
    ridge = grid(lambda x, y: 2.0 - 0.5 * np.abs(x))
    found = ground_chainage_m(ridge, FRAME, np.array([[-4.0, 0.0], [4.0, 0.0]]))
    assert found[-1] == pytest.approx(8 * np.hypot(1, 0.5), rel=0.02)


def test_ground_without_data_is_bridged_and_none_at_all_is_level():
    holes = grid(lambda x, y: np.where(np.abs(x) < 2, np.nan, 0.3 * x))
    whole = grid(lambda x, y: 0.3 * x)
    assert ground_chainage_m(holes, FRAME, LINE) == pytest.approx(ground_chainage_m(whole, FRAME, LINE), rel=0.02)
    nothing = grid(lambda x, y: np.full_like(x, np.nan))
    assert ground_chainage_m(nothing, FRAME, LINE) == pytest.approx(chainage_m(LINE))
