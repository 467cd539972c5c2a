"""Slope and aspect against published windows, planes and conversions.

Sources
-------
- Esri, "How Slope works" and "How Aspect works", ArcGIS Pro tool reference: examples 1 and 2 with their answers.
- GDAL 3.6 ``gdaldem``: answers marked GDAL, recomputed with that program on the same window.
- The ground of example 3 is in circulation as a course example (University of Nevada, Las Vegas); its answers here
  are recomputed with GDAL.
"""

import numpy as np
import pytest

from lawngis.ground import strips
from lawngis.ground import terrain as t

STEEP = [[50, 45, 50], [30, 30, 30], [8, 10, 10]]  # Esri, How Slope works; cells of 5
EASTWARD = [[101, 92, 85], [101, 92, 85], [101, 91, 84]]  # Esri, How Aspect works; cells of 1
COURSE = [[42, 45, 47], [40, 44, 49], [44, 48, 52]]  # cells of 10
TELLING = [[1, 2, 1], [3, 5, 4], [2, 2, 6]]  # cells of 2; the methods differ by a factor of two


def slope(author, window, cell, *, degrees=False):
    """The slope in the middle of a window, by the plain functions and by those for strips, which must agree."""
    z = np.array(window, dtype=np.float64)
    rise = np.hypot(*getattr(t, f"slope_gradient_{author}")(z, cell, cell))[1, 1]
    found = getattr(strips, f"strip_slope_{author}")(z, 1 / cell, 1 / cell, degrees=degrees)[0, 1]
    assert found == pytest.approx(np.degrees(np.arctan(rise)) if degrees else 100 * rise, rel=1e-12)
    return float(found)


def aspect(author, window, cell):
    return float(t.aspect_deg(*getattr(t, f"slope_gradient_{author}")(window, cell, cell))[1, 1])


def test_esri_slope_example():
    p, q = t.slope_gradient_horn(STEEP, 5, 5)
    assert p[1, 1] == pytest.approx(0.05, abs=1e-12)
    assert q[1, 1] == pytest.approx(-3.8, abs=1e-12)
    assert np.hypot(p, q)[1, 1] == pytest.approx(3.80032, abs=1e-5)  # printed cut off, not rounded
    # The source prints 75.25762; its own rise over run of 3.80032 gives 75.25766. The last digit is rounding.
    assert slope("horn", STEEP, 5, degrees=True) == pytest.approx(75.25762, abs=1e-4)
    assert slope("horn", STEEP, 5, degrees=True) == pytest.approx(75.25766, abs=5e-6)
    assert slope("horn", STEEP, 5) == pytest.approx(380.0329, abs=5e-5)


def test_esri_slope_example_by_central_differences():
    """GDAL, ``-alg ZevenbergenThorne``."""
    assert slope("zevenbergen_thorne", STEEP, 5) == pytest.approx(350.0, abs=1e-9)
    assert slope("zevenbergen_thorne", STEEP, 5, degrees=True) == pytest.approx(74.0546, abs=5e-5)


def test_esri_aspect_example():
    assert aspect("horn", EASTWARD, 1) == pytest.approx(92.64, abs=5e-3)  # as printed
    assert aspect("horn", EASTWARD, 1) == pytest.approx(92.64255, abs=5e-6)  # GDAL
    assert aspect("zevenbergen_thorne", EASTWARD, 1) == pytest.approx(93.57633, abs=5e-6)  # GDAL


def test_course_example():
    """GDAL."""
    assert slope("horn", COURSE, 10, degrees=True) == pytest.approx(22.791824, abs=1e-6)
    assert slope("horn", COURSE, 10) == pytest.approx(42.01934, abs=5e-6)
    assert aspect("horn", COURSE, 10) == pytest.approx(292.75098, abs=5e-6)


def test_window_on_which_the_methods_differ():
    """GDAL, and by hand: p = q = 6 / 16 (Horn); p = 1/4, q = 0 (central differences)."""
    assert slope("horn", TELLING, 2) == pytest.approx(53.03301, abs=5e-6)
    assert slope("zevenbergen_thorne", TELLING, 2) == pytest.approx(25.0, abs=1e-9)


@pytest.mark.parametrize("author", ["horn", "zevenbergen_thorne"])
@pytest.mark.parametrize(
    ("surface", "percent"),
    [
        (lambda x, y: 0.35 * x, 35.0),
        (lambda x, y: 0.3 * x + 0.4 * y, 50.0),
        (lambda x, y: 0.05 * (x + 2) ** 2, 20.0),  # central differences are exact on a parabola, at x = 2
    ],
)
def test_planes_and_a_parabola(author, surface, percent):
    """Arithmetic."""
    y, x = np.mgrid[-1:2, -1:2].astype(float)
    assert slope(author, surface(x, y), 1) == pytest.approx(percent, abs=1e-9)


EAST = np.array([[0.0, 1, 2]] * 3)
PERCENT_DEG = {
    **{5: 2.8624, 10: 5.7106, 15: 8.5308, 20: 11.3099, 25: 14.0362, 30: 16.6992, 35: 19.2900},
    **{40: 21.8014, 45: 24.2277, 50: 26.5651, 60: 30.9638, 70: 34.9920, 100: 45.0},
}


@pytest.mark.parametrize(("percent", "deg"), PERCENT_DEG.items())
def test_percent_and_degrees(percent, deg):
    """The tangent, four decimals; 35 % is 19.290046° and 50 % 26.565051°."""
    assert slope("horn", percent / 100 * EAST, 1, degrees=True) == pytest.approx(deg, abs=5e-5)


@pytest.mark.parametrize(
    ("deg", "percent"),
    [(5, 8.7489), (10, 17.6327), (15, 26.7949), (20, 36.3970), (25, 46.6308), (30, 57.7350), (35, 70.0208)],
)
def test_degrees_and_percent(deg, percent):
    """The tangent, four decimals."""
    assert slope("horn", percent / 100 * EAST.T, 1, degrees=True) == pytest.approx(deg, abs=5e-5)
