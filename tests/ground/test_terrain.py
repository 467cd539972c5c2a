import pickle
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from made_ground import error_field

from lawngis.errors import ParameterError, RasterError
from lawngis.ground import terrain as t

METHODS = [t.slope_gradient_horn, t.slope_gradient_zevenbergen_thorne]
both_methods = pytest.mark.parametrize("gradient", METHODS)
SEEDS = st.integers(0, 10_000)


def garden(seed, shape=(14, 11)):
    """Rolling ground with a few per cent to some 80 per cent of slope on half-metre cells."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]] * 0.5
    z = np.zeros(shape)
    for _ in range(4):
        length, heading, phase = random.uniform(4, 15), random.uniform(0, 2 * np.pi), random.uniform(0, 6)
        z += (
            random.uniform(0.02, 0.06)
            * length
            * np.sin(2 * np.pi * (x * np.cos(heading) + y * np.sin(heading)) / length + phase)
        )
    return z


@both_methods
@settings(max_examples=20, deadline=None)
@given(seed=SEEDS)
def test_laws_of_slope(gradient, seed):
    z = garden(seed)

    def slope(heights, dx=0.5, dy=0.5):
        return t.slope_percent(*gradient(heights, dx, dy))

    base = slope(z)
    inner = base[1:-1, 1:-1]
    assert np.isfinite(inner).all() and np.isnan(base).sum() == base.size - inner.size

    def same(a, b):
        return np.allclose(a, b, rtol=1e-9, atol=1e-9, equal_nan=True)

    assert same(slope(z + 123.0), base)
    assert same(slope(-z), base)
    assert same(slope(3.0 * z), 3.0 * base)
    assert same(slope(z, 1.0, 1.0), base / 2)
    assert same(slope(np.rot90(z)), np.rot90(base))
    assert same(slope(z[:, ::-1]), base[:, ::-1])
    assert same(slope(z[::-1]), base[::-1])
    assert same(slope(z.T, 0.5, 0.7), slope(z, 0.7, 0.5).T)


@both_methods
@settings(max_examples=20, deadline=None)
@given(seed=SEEDS)
def test_laws_of_aspect(gradient, seed):
    z = garden(seed)
    base = t.aspect_deg(*gradient(z, 0.5, 0.5))
    known = base[1:-1, 1:-1]
    assert ((known >= 0) & (known < 360)).all()

    def apart(a, b):
        return np.nanmax(np.abs((a - b + 180) % 360 - 180))

    # np.rot90 turns the ground against the clock.
    assert apart(t.aspect_deg(*gradient(np.rot90(z), 0.5, 0.5)), (np.rot90(base) - 90) % 360) < 1e-6
    assert apart(t.aspect_deg(*gradient(z[:, ::-1], 0.5, 0.5)), (-base[:, ::-1]) % 360) < 1e-6
    assert apart(t.aspect_deg(*gradient(-z, 0.5, 0.5)), (base + 180) % 360) < 1e-6


@both_methods
@settings(max_examples=30, deadline=None)
@given(east=st.floats(-1.5, 1.5), south=st.floats(-1.5, 1.5), dx=st.floats(0.1, 30), dy=st.floats(0.1, 30))
def test_planes_are_exact(gradient, east, south, dx, dy):
    row, col = np.mgrid[0:5, 0:6]
    p, q = gradient(east * col * dx + south * row * dy, dx, dy)
    assert p[1:-1, 1:-1] == pytest.approx(east, abs=1e-9)
    assert q[1:-1, 1:-1] == pytest.approx(south, abs=1e-9)


@both_methods
def test_cell_size_may_change_from_row_to_row(gradient):
    z = garden(7)
    dx, dy = np.linspace(0.4, 0.6, len(z)), np.linspace(0.5, 0.52, len(z))
    p, q = gradient(z, dx, dy)
    for row in range(1, len(z) - 1):
        alone = gradient(z[row - 1 : row + 2], dx[row], dy[row])
        assert np.allclose(p[row], alone.p[1], equal_nan=True)
        assert np.allclose(q[row], alone.q[1], equal_nan=True)


@both_methods
def test_cells_with_no_data_in_their_window_have_none(gradient):
    z = garden(2)
    z[5, 4] = np.nan
    z[9, 8] = np.inf
    p, q = gradient(z, 1, 1)
    expected = np.ones(z.shape, dtype=bool)
    expected[1:-1, 1:-1] = False
    expected[4:7, 3:6] = True
    expected[8:11, 7:10] = True
    assert np.array_equal(np.isnan(p), expected)
    assert np.array_equal(np.isnan(q), expected)


@both_methods
@pytest.mark.parametrize("shape", [(1, 1), (1, 9), (2, 9), (9, 2), (2, 2)])
def test_grids_without_an_inner_cell_have_no_slope(gradient, shape):
    p, q = gradient(np.zeros(shape), 1, 1)
    assert p.shape == q.shape == shape
    assert np.isnan(p).all() and np.isnan(q).all()


@both_methods
@pytest.mark.parametrize(
    ("z", "dx", "words"),
    [
        (np.zeros(9), 1, "rows and columns"),
        (np.zeros((3, 4)), np.ones(4), "3 rows"),
        (np.zeros((3, 4)), 0, "positive"),
        (np.zeros((3, 4)), np.nan, "positive"),
    ],
)
def test_bad_input_is_named(gradient, z, dx, words):
    with pytest.raises(RasterError, match=words):
        gradient(z, dx, 1)


def test_level_ground_has_no_aspect():
    p, q = t.slope_gradient_horn(np.zeros((3, 3)), 1, 1)
    assert t.slope_percent(p, q)[1, 1] == 0
    assert np.isnan(t.aspect_deg(p, q)[1, 1])


def test_a_heading_just_short_of_north_stays_below_360():
    assert t.aspect_deg(1e-300, 1.0) == 0.0


@pytest.mark.parametrize(("east", "south", "heading"), [(0, 1, 0), (-1, 0, 90), (0, -1, 180), (1, 0, 270)])
def test_aspect_is_where_the_ground_falls(east, south, heading):
    assert t.aspect_deg(east, south) == pytest.approx(heading)


class TestNoise:
    @settings(max_examples=25, deadline=None)
    @given(length=st.floats(0.05, 50), dx=st.floats(0.2, 3), dy=st.floats(0.2, 3))
    @pytest.mark.parametrize("model", [t.ExponentialCorrelation, t.GaussianCorrelation])
    @pytest.mark.parametrize("stencil", [t.HORN_STENCIL, t.ZEVENBERGEN_THORNE_STENCIL])
    def test_equals_the_full_covariance_matrix(self, stencil, model, length, dx, dy):
        row, col = (index.ravel() - 1.0 for index in np.mgrid[0:3, 0:3])
        distance = np.hypot((col[:, None] - col) * dx, (row[:, None] - row) * dy)
        covariance = 0.07**2 * model(length)(distance)
        sd_p, sd_q = t.gradient_sd(stencil, 0.07, dx, dy, correlation=model(length))
        for sd, weights, size in ((sd_p, stencil, dx), (sd_q, stencil.T, dy)):
            variance = weights.ravel() @ covariance @ weights.ravel() / size**2
            assert sd**2 == pytest.approx(variance, rel=1e-6, abs=1e-14)
        # p and q of a symmetric stencil don't share their noise.
        assert stencil.ravel() @ covariance @ stencil.T.ravel() == pytest.approx(0, abs=1e-12)

    @pytest.mark.parametrize("model", [t.ExponentialCorrelation, t.GaussianCorrelation])
    @pytest.mark.parametrize("sd_of", [t.gradient_sd_horn, t.gradient_sd_zevenbergen_thorne])
    def test_correlation_over_many_cells_takes_noise_away(self, model, sd_of):
        independent = float(sd_of(1, 1, 1).p)
        sds = np.array([sd_of(1, 1, 1, correlation=model(length)).p for length in (1e-3, 3, 6, 25, 125)])
        assert sds[0] == pytest.approx(independent, rel=1e-9)
        assert (np.diff(sds) < 0).all()
        assert sds[-1] < independent / 5

    def test_correlation_over_a_cell_or_two_makes_horn_worse_and_central_differences_no_worse(self):
        lengths = np.linspace(0.1, 3, 60)
        for model, worst in ((t.ExponentialCorrelation, 1.11), (t.GaussianCorrelation, 1.27)):
            horn = [t.gradient_sd_horn(1, 1, 1, correlation=model(length)).p for length in lengths]
            central = [t.gradient_sd_zevenbergen_thorne(1, 1, 1, correlation=model(x)).p for x in lengths]
            assert max(horn) / (np.sqrt(3) / 4) == pytest.approx(worst, abs=0.01)
            assert max(central) <= np.sqrt(0.5) + 1e-12

    def test_elevation_sd_may_differ_from_cell_to_cell_and_size_from_row_to_row(self):
        z_sd = np.array([[0.05, 0.1], [0.1, 0.2], [0.0, 0.1]])
        dx = np.array([0.5, 1.0, 2.0])
        sd_p, sd_q = t.gradient_sd_horn(z_sd, dx, 1.0)
        assert sd_p == pytest.approx(np.sqrt(3) / 4 * z_sd / dx[:, None])
        assert sd_q == pytest.approx(np.sqrt(3) / 4 * z_sd)
        correlated, _ = t.gradient_sd_horn(z_sd, dx, 1.0, correlation=t.GaussianCorrelation(1.0))
        for row in range(3):
            alone, _ = t.gradient_sd_horn(1.0, dx[row], 1.0, correlation=t.GaussianCorrelation(1.0))
            assert correlated[row] == pytest.approx(z_sd[row] * alone)

    @settings(max_examples=60, deadline=None)
    @given(
        slope=st.floats(0, 2),
        noise=st.floats(0.001, 0.5),
        heading=st.floats(0, 6.3),
    )
    def test_noisy_slope_obeys_its_second_moment(self, slope, noise, heading):
        """E |g + n|² = |g|² + 2 s² whatever the heading, so bias and sd are tied to each other."""
        p, q = slope * np.cos(heading), slope * np.sin(heading)
        bias = float(t.slope_bias_percent(p, q, noise, noise)) / 100
        sd = float(t.slope_sd_percent(p, q, noise, noise)) / 100
        assert -1e-12 <= bias <= noise * np.sqrt(np.pi / 2) + 1e-12
        if noise > t.LINEAR_LIMIT * slope:
            assert (slope + bias) ** 2 + sd**2 == pytest.approx(slope**2 + 2 * noise**2, rel=1e-9)
        else:
            assert sd == pytest.approx(noise)
            assert (slope + bias) ** 2 + sd**2 == pytest.approx(slope**2 + 2 * noise**2, rel=4e-3)

    def test_rule_changes_hands_smoothly(self):
        slope = np.array([0.3999999, 0.4000001])
        before, after = t.slope_sd_percent(slope, 0, 0.1, 0.1)
        assert before == pytest.approx(after, rel=0.02)

    def test_noise_counts_along_the_slope(self):
        assert t.slope_sd_percent(0.5, 0, 0.03, 0.09) == pytest.approx(3)
        assert t.slope_sd_percent(0, -0.5, 0.03, 0.09) == pytest.approx(9)

    @pytest.mark.parametrize("ratio", [0.545, 0.3])
    @pytest.mark.parametrize(
        ("slope", "heading_deg"), [(0.0, 0), (0.04, 0), (0.04, 90), (0.1, 45), (0.2, 90), (0.3, 0)]
    )
    def test_on_cells_that_are_not_square_on_the_ground(self, ratio, slope, heading_deg):
        """Degrees at 57° N: p is 1 / cos 57° = 1.84 times as noisy as q. A million draws, known to 0.1 %."""
        draws = np.random.default_rng(3).standard_normal((2, 1_000_000))
        p, q = slope * np.cos(np.radians(heading_deg)), slope * np.sin(np.radians(heading_deg))
        sds = 0.08, 0.08 * ratio
        lengths = np.hypot(p + sds[0] * draws[0], q + sds[1] * draws[1])
        linear = slope > 0 and max(sds) <= t.LINEAR_LIMIT * slope
        assert t.slope_sd_percent(p, q, *sds) == pytest.approx(100 * lengths.std(), rel=0.04 if linear else 0.003)
        assert t.slope_bias_percent(p, q, *sds) == pytest.approx(100 * (lengths.mean() - slope), abs=0.02)
        angles = np.degrees(np.arctan(lengths))
        assert t.slope_sd_deg(p, q, *sds) == pytest.approx(angles.std(), rel=0.04)

    @pytest.mark.parametrize(("sd_p", "sd_q"), [(0.05, 0.05), (0.06, 0.03)])
    @pytest.mark.parametrize(("slope", "leans"), [(0.0, 0.81), (0.2, 0.03), (0.35, 0.01)])
    @pytest.mark.parametrize("heading_deg", [0, 90])
    def test_the_bias_of_noise_is_taken_off(self, sd_p, sd_q, slope, leans, heading_deg):
        """From 4 standard deviations on hardly anything of it is left; level ground still reads 0.76 sd too steep."""
        draws = np.random.default_rng(4).standard_normal((2, 400_000))
        p, q = slope * np.cos(np.radians(heading_deg)), slope * np.sin(np.radians(heading_deg))
        noisy = p + sd_p * draws[0], q + sd_q * draws[1]
        left = np.mean(t.unbiased_slope_percent(*noisy, sd_p, sd_q)) / 100 - slope
        assert abs(left) <= leans * 0.05
        assert left < 0.7 * np.mean(np.hypot(*noisy) - slope)

    def test_no_noise_no_sd_no_bias(self):
        for slope in (0.0, 0.3):
            assert t.slope_sd_percent(slope, 0, 0, 0) == 0
            assert t.slope_sd_deg(slope, 0, 0, 0) == 0
            assert t.slope_bias_percent(slope, 0, 0, 0) == 0

    def test_no_data_has_no_sd(self):
        assert np.isnan(t.slope_sd_percent(np.nan, np.nan, 0.1, 0.1))
        assert np.isnan(t.slope_sd_deg(np.nan, 0.1, 0.1, 0.1))

    def test_bad_parameters_are_named(self):
        with pytest.raises(ParameterError, match="z_sd_m"):
            t.gradient_sd_horn(-0.1, 1, 1)
        with pytest.raises(ParameterError, match="length_m"):
            t.ExponentialCorrelation(0)

    def test_correlation_travels_to_other_processes(self):
        model = t.GaussianCorrelation(2.5)
        assert pickle.loads(pickle.dumps(model)) == model


def slope_of_noisy_copies(z_m, cell_m, z_sd_m, *, gradient, correlation=None, draws, seed):
    """Return mean and standard deviation of each cell's slope [percent], without any propagation of errors."""
    random = np.random.default_rng(seed)
    noise = (z_sd_m * error_field(random, z_m.shape, cell_m, correlation) for _ in range(draws))
    slopes = np.stack([t.slope_percent(*gradient(z_m + errors, cell_m, cell_m)) for errors in noise])
    return slopes.mean(axis=0), slopes.std(axis=0, ddof=1)


class TestMonteCarlo:
    @both_methods
    @pytest.mark.parametrize("correlation", [None, t.ExponentialCorrelation(1.5), t.GaussianCorrelation(0.8)])
    def test_agrees_with_propagation_on_rough_ground(self, gradient, correlation):
        """800 draws: sd is known to 2.5 % per cell, and its mean over 300 cells to well below 1 %."""
        z = garden(11, (22, 18))
        sds = (t.gradient_sd_horn if gradient is METHODS[0] else t.gradient_sd_zevenbergen_thorne)(
            0.02, 0.5, 0.5, correlation=correlation
        )
        p, q = gradient(z, 0.5, 0.5)
        expected_sd = t.slope_sd_percent(p, q, *sds)
        expected_mean = t.slope_percent(p, q) + t.slope_bias_percent(p, q, *sds)
        mean, sd = slope_of_noisy_copies(z, 0.5, 0.02, gradient=gradient, correlation=correlation, draws=800, seed=1)
        known = np.isfinite(expected_sd)
        assert np.array_equal(np.isfinite(sd), known)
        assert np.median(sd[known] / expected_sd[known]) == pytest.approx(1, abs=0.02)
        assert np.quantile(np.abs(sd[known] / expected_sd[known] - 1), 0.95) < 0.09
        assert np.abs(mean - expected_mean)[known].max() < 5 * expected_sd[known].max() / np.sqrt(800)

    def test_level_ground_looks_steep(self):
        """Rayleigh: mean s √(π/2), standard deviation s √(2 - π/2), for s = √3/4 × 0.1 m on cells of 1 m."""
        mean, sd = slope_of_noisy_copies(np.zeros((60, 60)), 1.0, 0.1, gradient=METHODS[0], draws=150, seed=8)
        noise = 100 * np.sqrt(3) / 4 * 0.1
        assert np.nanmean(mean) == pytest.approx(noise * np.sqrt(np.pi / 2), rel=0.01)
        assert np.nanmean(sd) == pytest.approx(noise * np.sqrt(2 - np.pi / 2), rel=0.02)

    def test_on_a_plane_where_first_order_breaks_down(self):
        """A plane of 20 %, 0.1 m of noise, cells of 0.5 m: the mean square is exact."""
        _, x = np.mgrid[0:50, 0:50] * 0.5
        mean, sd = slope_of_noisy_copies(0.2 * x, 0.5, 0.1, gradient=METHODS[0], draws=200, seed=2)
        noise = float(t.gradient_sd_horn(0.1, 0.5, 0.5).p)
        square = np.nanmean(mean) ** 2 + np.nanmean(sd**2)
        assert square == pytest.approx(1e4 * (0.2**2 + 2 * noise**2), rel=0.01)
        assert np.nanmean(sd) == pytest.approx(float(t.slope_sd_percent(0.2, 0, noise, noise)), rel=0.01)
