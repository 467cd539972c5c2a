"""How noise in elevations moves slopes, against arithmetic and Monte Carlo figures.

The factors k follow from the stencils (variance of a linear combination); they were not seen printed in a paper.
The Monte Carlo figures come from two million draws of independent normal errors on the nine cells of a window.
"""

import numpy as np
import pytest

from lawngis.ground import terrain as t

SD_P_MONTE_CARLO = 0.043296  # sd 0.1 m, cell 1 m, Horn
UNWEIGHTED_STENCIL = np.array([[-1.0, 0, 1], [-1, 0, 1], [-1, 0, 1]]) / 6


@pytest.mark.parametrize(
    ("stencil", "k"),
    [
        (t.HORN_STENCIL, np.sqrt(3) / 4),
        (t.HORN_STENCIL, np.sqrt(12) / 8),
        (UNWEIGHTED_STENCIL, 1 / np.sqrt(6)),
        (t.ZEVENBERGEN_THORNE_STENCIL, 1 / np.sqrt(2)),
    ],
)
@pytest.mark.parametrize(("sd", "cell"), [(0.1, 1.0), (0.05, 0.5), (0.3, 2.0)])
def test_factor_of_each_method(stencil, k, sd, cell):
    found = t.gradient_sd(stencil, sd, cell, cell)
    assert found.p == pytest.approx(k * sd / cell, rel=1e-12)
    assert found.q == pytest.approx(k * sd / cell, rel=1e-12)


def test_horn_factor_against_monte_carlo():
    assert float(t.gradient_sd_horn(0.1, 1, 1).p) == pytest.approx(SD_P_MONTE_CARLO, rel=5e-4)


def sd_deg(z_sd, cell, slope):
    return float(t.slope_sd_deg(slope, 0, *t.gradient_sd_horn(z_sd, cell, cell)))


@pytest.mark.parametrize(
    ("z_sd", "cell", "slope", "monte_carlo", "first_order", "tolerance"),
    [
        # Tolerances: what the rule of slope_sd_deg promises, 3 %; less where it is first order and noise small.
        (0.05, 1.0, 0.35, 1.1036, 1.1051, 0.002),
        (0.1, 1.0, 0.2, 2.348, 2.386, 0.02),
        (0.1, 0.5, 0.2, 4.407, 4.771, 0.02),
    ],
)
def test_angle_against_monte_carlo(z_sd, cell, slope, monte_carlo, first_order, tolerance):
    found = sd_deg(z_sd, cell, slope)
    assert found == pytest.approx(monte_carlo, rel=tolerance)
    k = np.sqrt(3) / 4
    assert np.degrees(k * z_sd / cell / (1 + slope**2)) == pytest.approx(first_order, abs=5e-4)
    if tolerance < 0.01:
        assert found == pytest.approx(first_order, abs=5e-4)


def test_first_order_is_left_where_it_breaks_down():
    """Small cells on a gentle slope: first order says 4.771°, Monte Carlo 4.407°."""
    assert abs(sd_deg(0.1, 0.5, 0.2) - 4.407) < 0.2 * abs(4.771 - 4.407)


def test_level_ground_looks_steep():
    """Rayleigh's mean k σ/L √(π/2): 5.427 % for σ 0.1 m and cells of 1 m; Monte Carlo 0.05426."""
    noise = t.gradient_sd_horn(0.1, 1, 1)
    bias = float(t.slope_bias_percent(0, 0, *noise))
    assert bias == pytest.approx(100 * 0.433012702 * 0.1 * np.sqrt(np.pi / 2), rel=1e-8)
    assert bias == pytest.approx(5.427, abs=5e-4)
    # Rayleigh's standard deviation is s √(2 - π/2).
    expected_sd = 100 * float(noise.p) * np.sqrt(2 - np.pi / 2)
    assert float(t.slope_sd_percent(0, 0, *noise)) == pytest.approx(expected_sd, rel=1e-9)
