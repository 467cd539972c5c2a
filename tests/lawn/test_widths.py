"""How wide a passage is expected to be, from widths at corners that are each a little off."""

import numpy as np
import pytest
from scipy.stats import norm

from lawngis.lawn.widths import WAVE_M, Side, expected_width

S_M = 0.1


def side(x, y, sd_m=S_M):
    """Corners of a side, with one beyond at either end, that turns away from the other side."""
    away = 20.0 if np.mean(y) > 0 else -20.0
    xy = np.array([[x[0] - 9, away], *zip(x, y, strict=True), [x[-1] + 9, away]], dtype=float)
    return Side(xy, np.full(len(xy), sd_m))


def walls(*widths_m, sd_m=S_M):
    """Two sides that lie so far apart at their corners, 3 m one from the next."""
    x = 3.0 * np.arange(len(widths_m))
    return side(x, [w / 2 for w in widths_m], sd_m), side(x, [-w / 2 for w in widths_m], sd_m)


def test_widths_that_differ_by_less_than_their_errors_have_one_mean():
    """Worked by hand: two ends, each off by √2 s; the mean by s; what was taken off, 0.05 m, is a guess."""
    found = expected_width(walls(1.5, 1.6), 1.5)
    assert found.width_m == pytest.approx(1.55, abs=0.001)
    assert found.sd_m == pytest.approx(np.sqrt(S_M**2 + WAVE_M**2 / 2 + 0.05**2), rel=0.02)


def test_widths_that_truly_differ_keep_the_narrowest():
    found = expected_width(walls(1.5, 1.6, sd_m=0.003), 1.5)
    assert found.width_m == pytest.approx(1.5, abs=0.01)


def test_no_errors_no_change():
    assert expected_width(walls(1.5, 2.0, sd_m=0.0), 1.5) == pytest.approx((1.5, WAVE_M), abs=1e-3)


def test_one_width_alone_is_what_it_is():
    """A corner of a house beside a long straight edge, half way between two far corners of that."""
    house = Side(np.array([[-9.0, 9], [0, 1], [9, 9]]), np.full(3, S_M))
    edge = Side(np.array([[-30.0, 0], [30, 0]]), np.full(2, S_M))
    found = expected_width((house, edge), 1.0)
    assert found.width_m == 1.0
    assert found.sd_m == pytest.approx(np.sqrt(1.5 * S_M**2 + WAVE_M**2))


@pytest.mark.parametrize(("ends", "least"), [(2, 0.5642), (4, 1.0294)])
def test_the_bias_of_the_least_of_normals_is_taken_off(ends, least):
    """Of n widths of one truth the least lies E[max of n normals] sds below it.

    Source of the expected maxima: H.L. Harter, 1961, Expected values of normal order statistics, Biometrika 48(1/2),
    151-165, doi 10.1093/biomet/48.1-2.151, table 1: 0.56419 for n = 2, 1.02938 for n = 4.
    """
    rng = np.random.default_rng(7)
    x = 3.0 * np.arange(ends)
    narrowest, expected, sds = [], [], []
    for _ in range(3000):
        y = rng.normal(0, S_M, (2, ends)) + np.array([[0.75], [-0.75]])
        narrowest.append((y[0] - y[1]).min())
        made = expected_width((side(x, y[0]), side(x, y[1])), narrowest[-1])
        expected.append(made.width_m)
        sds.append(made.sd_m)
    assert 1.5 - np.mean(narrowest) == pytest.approx(least * np.sqrt(2) * S_M, abs=0.006)
    assert np.mean(expected) == pytest.approx(1.5, abs=0.02)
    off = (np.array(expected) - 1.5) / sds
    assert norm.cdf(1) - norm.cdf(-1) < np.mean(np.abs(off) < 1) < 0.95
