"""Magnetic fields and wire resistances against published values."""

import numpy as np
import pytest

from lawngis.wire.circuit import MU0_H_PER_M, vertical_field_ut
from lawngis.wire.conductors import (
    FLEXIBLE_OHM_PER_KM,
    SOLID_OR_STRANDED_OHM_PER_KM,
    resistance_ohm,
    temperature_factor,
)
from lawngis.wire.loop import Loop, Run

ORIGIN = np.zeros((1, 2))
TESLA = 1e-6


def rectangle(a, b):
    """Anti-clockwise rectangle around the origin."""
    return np.array([[-a, -b], [a, -b], [a, b], [-a, b], [-a, -b]]) / 2


def polygon(n, radius):
    angle = 2 * np.pi * np.arange(n + 1) / n
    xy = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    xy[-1] = xy[0]
    return xy


def field_t(xy, points, height=0.0):
    return TESLA * vertical_field_ut(xy, np.asarray(points, dtype=float), height_m=height)


def test_mu0():
    # CODATA 2022 recommended value of the vacuum magnetic permeability.
    assert MU0_H_PER_M == 1.25663706127e-6


@pytest.mark.parametrize(
    ("z", "tesla"),
    [
        # Centre of a square of side 1 m: 2 sqrt(2) mu0 I / (pi a).
        (0.0, 1.1313708497e-6),
        # On its axis: mu0 I a^2 / (2 pi (z^2 + a^2/4) sqrt(z^2 + a^2/2)). Textbook formulas (field of a square loop).
        (0.5, 4.6188021529e-7),
    ],
)
def test_square_loop(z, tesla):
    assert field_t(rectangle(1, 1), ORIGIN, z) == pytest.approx([tesla], rel=1e-8)


def test_rectangular_loop_centre():
    # 2 mu0 I sqrt(A^2 + B^2) / (pi A B), textbook.
    assert field_t(rectangle(20, 10), ORIGIN) == pytest.approx([8.9442719088e-8], rel=1e-8)


@pytest.mark.parametrize(
    ("n", "tesla"), [(6, 1.3856406e-6), (12, 1.28615612e-6), (36, 1.25983675e-6), (360, 1.25666896e-6)]
)
def test_regular_polygon_centre(n, tesla):
    # mu0 I n tan(pi/n) / (2 pi R), R = 0.5 m, textbook.
    assert field_t(polygon(n, 0.5), ORIGIN) == pytest.approx([tesla], rel=1e-8)


@pytest.mark.parametrize(
    ("x", "z", "tesla"),
    [
        # mu0 I / 2R and mu0 I R^2 / (2 (R^2 + z^2)^1.5), R = 0.5 m, textbook.
        (0.0, 0.0, 1.25663706e-6),
        (0.0, 0.5, 4.4428829376e-7),
        # Off the axis: elliptic integrals, recomputed with magpylib.
        (0.2, 0.1, 1.30508865e-6),
    ],
)
def test_circular_loop_as_a_fine_polygon(x, z, tesla):
    # A polygon of 4000 sides lies within 3e-7 of the circle's radius.
    assert field_t(polygon(4000, 0.5), [[x, 0.0]], z) == pytest.approx([tesla], rel=1e-6)


@pytest.mark.parametrize(
    ("diameter", "z", "millitesla_mm"),
    [
        # magpylib's own test values for a current loop (version 4: mT, mm, 1 A), tests/test_obj_Loop.py.
        (1, 0, 1.2566370614359172),
        (1, 1, 0.11239703569665165),
        (2, 0, 0.6283185307179586),
        (2, 1, 0.22214414690791835),
    ],
)
def test_loop_values_published_with_magpylib(diameter, z, millitesla_mm):
    # In metres the field is a thousandth: 1 mT for a loop of 1 mm is 1 uT for one of 1 m.
    # The old mu0 = 4 pi 1e-7 behind these values differs by 5e-10; the polygon decides the tolerance.
    found = vertical_field_ut(polygon(4000, diameter / 2), ORIGIN, height_m=z)
    assert found == pytest.approx([millitesla_mm], rel=1e-6)


@pytest.mark.parametrize(
    ("point", "tesla"),
    [
        # Rectangle 20 x 10 m at 5 cm, per ampere; recomputed with magpylib.
        ((0.0, 0.0), 8.943e-8),
        ((0.0, 4.9), 1.6285e-6),
        ((0.0, 5.1), -1.5720e-6),
        ((0.0, 6.0), -1.7347e-7),
    ],
)
def test_signs_inside_and_outside(point, tesla):
    assert field_t(rectangle(20, 10), [point], 0.05) == pytest.approx([tesla], rel=1e-4)


def test_far_field_is_a_dipoles():
    # m / (4 pi r^3), 20 x 10 m, 0.1 A, 105 m to the side: H = 1.374833e-6 A/m (finite loop), 1.374840e-6 (dipole).
    h = 0.1 * field_t(rectangle(20, 10), [[105.0, 0.0], [0.0, 105.0]]) / MU0_H_PER_M
    dipole = 0.1 * 200 / (4 * np.pi * 105**3)
    assert dipole == pytest.approx(1.37484e-6, rel=1e-3)
    assert -h == pytest.approx([dipole, dipole], rel=0.02)


def test_go_and_return_cancel():
    # mu0 I / 2 pi (1/(r - s/2) - 1/(r + s/2)) at r = 1 m, s = 1 cm: 2.00005e-9 T against 2e-7 of one wire. Textbook.
    long = 1e5
    pair = np.array([[-long, -0.005], [long, -0.005], [long, 0.005], [-long, 0.005], [-long, -0.005]])
    assert np.abs(field_t(pair, [[0.0, 1.0]])) == pytest.approx([2.00005e-9], rel=1e-4)


def test_a_lawn_loop_equals_magpylib():
    magpylib = pytest.importorskip("magpylib")
    rng = np.random.default_rng(4)
    ring, island = polygon(60, 12.0) * [1.0, 0.6], polygon(24, 1.5)[::-1]
    lead = np.array([ring[0], island[0]])
    loop = Loop((Run("edge", ring), Run("lead_out", lead), Run("island", island), Run("lead_back", lead[::-1])))
    xy = loop.xy
    points = rng.uniform([-14, -9], [14, 9], (400, 2))
    for height in (0.02, 0.05, 0.3):
        line = magpylib.current.Polyline(current=1.0, vertices=np.column_stack([xy, np.zeros(len(xy))]))
        theirs = line.getB(np.column_stack([points, np.full(len(points), height)]))[:, 2]
        ours = field_t(xy, points, height)
        # Relative to the size of the field; where it passes through zero only differences are left.
        assert np.abs(ours - theirs).max() <= 1e-9 * np.abs(theirs).max()
        clear = np.abs(theirs) > 1e-3 * np.abs(theirs).max()
        assert ours[clear] == pytest.approx(theirs[clear], rel=1e-9)


@pytest.mark.parametrize(
    ("section", "rigid", "flexible"),
    [
        (0.5, 36.0, 39.0),
        (0.75, 24.5, 26.0),
        (1.0, 18.1, 19.5),
        (1.5, 12.1, 13.3),
        (2.5, 7.41, 7.98),
        (4.0, 4.61, 4.95),
        (6.0, 3.08, 3.30),
        (10.0, 1.83, 1.91),
        (16.0, 1.15, 1.21),
    ],
)
def test_resistance_table(section, rigid, flexible):
    # IEC 60228, highest resistance at 20 degrees C of plain copper, classes 1 and 2, and class 5 [ohm/km].
    assert resistance_ohm(1000.0, section, table=SOLID_OR_STRANDED_OHM_PER_KM) == rigid
    assert resistance_ohm(1000.0, section, table=FLEXIBLE_OHM_PER_KM) == flexible
    # The table's margin over copper of 58 MS/m (IEC 60028:1925) is four to eight percent.
    assert 1.04 < rigid / (1000 / 58 / section) < 1.08


@pytest.mark.parametrize(
    ("temperature", "factor"),
    [
        (5, 1.064), (10, 1.042), (15, 1.020), (20, 1.0), (25, 0.980), (30, 0.962), (35, 0.943), (40, 0.926),
        (50, 0.893), (60, 0.862), (70, 0.833), (90, 0.781),
    ],
)  # fmt: skip
def test_temperature_correction_table(temperature, factor):
    # IEC 60228, factors that bring a measured resistance to 20 degrees C, three digits.
    assert 1 / temperature_factor(temperature) == pytest.approx(factor, abs=6e-4)
    # Copper itself, (234.5 + t) / 254.5, differs by up to 0.4 %.
    assert temperature_factor(temperature) == pytest.approx((234.5 + temperature) / 254.5, rel=5e-3)
