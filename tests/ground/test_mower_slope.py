"""The slope under a mower: its footprint, how it is widened where noise is large, its noise and the bias of that."""

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import convolve2d, correlate2d
from shapely import box

sys.path.insert(0, str(Path(__file__).parent))
from made_ground import SITE, error_field, site_grid

from lawngis.errors import ParameterError
from lawngis.ground import mower_slope as ms
from lawngis.ground.terrain import (
    HORN_STENCIL,
    ExponentialCorrelation,
    Gradient,
    overlaps,
    slope_gradient_horn,
    slope_percent,
)
from lawngis.ground.zonal import ZonalCells, zonal_cells
from lawngis.trust import flip_probability


class TestFootprint:
    def test_disc_within_a_cell_is_that_cell(self):
        assert ms.footprint_kernel(0.4, 0.5, 0.5).tolist() == [[1.0]]

    @settings(max_examples=25, deadline=None)
    @given(st.floats(0.1, 2), st.floats(0.1, 1), st.floats(0.1, 1))
    def test_kernel_is_a_mean_and_as_symmetric_as_a_disc(self, wheelbase, dx, dy):
        kernel = ms.footprint_kernel(wheelbase, dx, dy)
        assert kernel.sum() == pytest.approx(1)
        assert kernel == pytest.approx(kernel[::-1, ::-1], abs=1e-9)
        assert kernel == pytest.approx(kernel[:, ::-1], abs=1e-9)
        assert kernel == pytest.approx(ms.footprint_kernel(wheelbase, dy, dx).T, abs=1e-9)
        rows, cols = kernel.shape
        assert (cols - 2) * dx < wheelbase + 1e-9 and cols * dx >= wheelbase - 1e-9
        assert (rows - 2) * dy < wheelbase + 1e-9 and rows * dy >= wheelbase - 1e-9
        # Cells wholly under the disc weigh their share of its area.
        if wheelbase / 2 > np.hypot(dx, dy) / 2:
            disc = np.pi * wheelbase**2 / 4
            assert kernel[rows // 2, cols // 2] == pytest.approx(dx * dy / disc, rel=1e-3)

    def test_plane_keeps_its_gradient_up_to_the_edge_of_the_data(self):
        gradient = slope_gradient_horn(0.3 * np.mgrid[0:12, 0:14][1] * 0.25, 0.25, 0.25)
        gradient.p[5, 6] = np.nan
        p, q = ms.footprint_gradient(gradient, ms.footprint_kernel(0.9, 0.25, 0.25))
        assert np.array_equal(np.isnan(p), np.isnan(gradient.p))
        assert p[np.isfinite(p)] == pytest.approx(0.3)
        assert q[np.isfinite(p)] == pytest.approx(0, abs=1e-12)

    def test_mower_stands_level_astride_a_ridge(self):
        _, x = np.mgrid[0:21, -10:11] * 0.25
        gradient = slope_gradient_horn(-0.5 * np.abs(x), 0.25, 0.25)
        p, _ = ms.footprint_gradient(gradient, ms.footprint_kernel(0.8, 0.25, 0.25))
        assert p[10, 10] == pytest.approx(0, abs=1e-12)
        assert p[10, 4] == pytest.approx(0.5)
        assert 0 < p[10, 9] < 0.5

    def test_vector_mean_takes_noise_away_that_a_mean_of_slopes_keeps(self):
        noise = np.random.default_rng(2).normal(0, 0.03, (60, 60))
        gradient = slope_gradient_horn(noise, 0.25, 0.25)
        kernel = ms.footprint_kernel(1.0, 0.25, 0.25)
        averaged = np.nanmean(slope_percent(*ms.footprint_gradient(gradient, kernel)))
        assert averaged < 0.5 * np.nanmean(slope_percent(*gradient))

    @pytest.mark.parametrize("correlated", [False, True])
    def test_sd_agrees_with_noise_put_through(self, correlated):
        """Independent noise, and noise with an exponential correlation made by its power spectrum."""
        random = np.random.default_rng(9)
        white = random.normal(0, 1, (600, 600))
        correlation = None
        if correlated:
            correlation = ExponentialCorrelation(1.0)
            far = np.hypot(*np.meshgrid(np.fft.fftfreq(600) * 600 * 0.4, np.fft.fftfreq(600) * 600 * 0.25))
            power = np.fft.fft2(np.exp(-far / 1.0)).real
            white = np.fft.ifft2(np.sqrt(np.maximum(power, 0)) * np.fft.fft2(white)).real
        kernel = ms.footprint_kernel(1.1, 0.4, 0.25)
        found = ms.footprint_gradient(slope_gradient_horn(0.05 * white, 0.4, 0.25), kernel)
        expected = ms.footprint_gradient_sd_horn(kernel, 0.05, 0.4, 0.25, correlation=correlation)
        assert np.nanstd(found.p[4:-4, 4:-4]) == pytest.approx(float(expected.p), rel=0.02)
        assert np.nanstd(found.q[4:-4, 4:-4]) == pytest.approx(float(expected.q), rel=0.02)

    @pytest.mark.parametrize("wheelbase", [0, -1, np.nan])
    def test_bad_wheelbase_is_named(self, wheelbase):
        with pytest.raises(ParameterError, match="wheelbase_m"):
            ms.footprint_kernel(wheelbase, 0.5, 0.5)

    def test_gradient_of_nothing_is_nothing(self):
        empty = np.full((5, 5), np.nan)
        p, q = ms.footprint_gradient(Gradient(empty, empty), np.full((3, 3), 1 / 9))
        assert np.isnan(p).all() and np.isnan(q).all()


class TestMowerSlope:
    @pytest.mark.parametrize(
        ("crs", "cell", "cell_y"), [(None, 0.25, None), (3857, 0.4, None), (4326, 5e-6, 3e-6), (25833, 0.3, None)]
    )
    def test_plane_of_known_slope_in_any_crs(self, crs, cell, cell_y):
        ground = ms.mower_slope(
            site_grid(lambda x, y: 0.3 * x + 0.4 * y, crs, cell, 30, cell_y), wheelbase_m=0.6, z_sd_m=0.02
        )
        assert ground.slope_percent.values[1:-1, 1:-1] == pytest.approx(50, abs=0.01)
        assert np.isnan(ground.slope_percent.values[0]).all()
        assert ground.sd_percent.shape == ground.slope_percent.shape

    def test_footprint_widens_until_noise_is_small_against_the_limit(self):
        """Independent noise of 0.1 m on cells of 0.25 m: 10 % under 0.45 m, 4 % of it under 1.25 m."""

        def under(limit, z_sd=0.1):
            kernel = ms.quiet_kernel(0.45, 0.25, 0.25, z_sd_m=z_sd, noise_percent=ms.NOISE_SHARE * limit)
            return kernel.shape[0], 100 * float(ms.footprint_gradient_sd_horn(kernel, z_sd, 0.25, 0.25).p)

        narrow, wide, widest = under(1000), under(20), under(1)
        assert narrow[0] == ms.footprint_kernel(0.45, 0.25, 0.25).shape[0] < wide[0] < widest[0]
        assert wide[1] <= 6 < narrow[1]
        assert widest[0] == ms.footprint_kernel(2.0, 0.25, 0.25).shape[0]
        assert under(20, z_sd=0.01)[0] == narrow[0]

    @pytest.mark.parametrize(("percent", "leans"), [(2, 4.6), (10, 1.5), (20, 0.6), (35, 0.6)])
    @pytest.mark.parametrize(("z_sd", "cell", "length_m"), [(0.1, 0.5, 1.0), (0.1, 0.25, 1.0), (0.1, 1.0, 3.0)])
    def test_noise_adds_little_to_the_slope_of_a_plane(self, percent, leans, z_sd, cell, length_m):
        """Before, 2 % read up to 11 points too steep, 20 % up to 3; level ground still reads some."""
        correlation = ExponentialCorrelation(length_m)
        plane = site_grid(lambda x, y: percent / 100 * x, cell=cell, size=60)
        random, left = np.random.default_rng(7), []
        for _ in range(6):
            noisy = plane.with_values(plane.values + z_sd * error_field(random, plane.shape, cell, correlation))
            found = ms.mower_slope(noisy, wheelbase_m=0.45, z_sd_m=z_sd, correlation=correlation, limit_percent=20)
            left.append(np.nanmean(found.slope_percent.values) - percent)
        assert -0.6 < np.mean(left) < leans

    def test_elevations_better_than_said_are_not_made_gentler_than_they_are(self):
        """Noise of 10 cm is said and none is there: a rolling ground keeps its slope."""
        ground = site_grid(lambda x, y: 0.05 * x + 0.1 * np.sin(x / 5), cell=0.5, size=60)
        said = ms.mower_slope(ground, wheelbase_m=0.45, z_sd_m=0.1, limit_percent=20).slope_percent.values
        true = ms.mower_slope(ground, wheelbase_m=0.45, z_sd_m=0.0, limit_percent=20).slope_percent.values
        assert np.nanmax(np.abs(said - true)) < 0.25

    @pytest.mark.parametrize(("rise", "length_m"), [(0.3, 1.0), (0.2, 3.0)])
    def test_sd_of_the_mean_of_a_piece_is_how_far_surveys_differ(self, rise, length_m):
        """A bank of 3 m x 12 m, surveyed 120 times: their scatter is known to 6.5 %."""
        correlation, random = ExponentialCorrelation(length_m), np.random.default_rng(11)
        plane = site_grid(lambda x, y: rise * x + 0.05 * y, cell=0.5, size=50)
        cells = zonal_cells(plane, box(-1.5, -6, 1.5, 6), SITE)

        def told(elevations):
            found = ms.mower_slope(
                plane.with_values(elevations), wheelbase_m=0.45, z_sd_m=0.1, correlation=correlation, limit_percent=20
            )
            return found.mean_of(cells)

        surveys = [told(plane.values + 0.1 * error_field(random, plane.shape, 0.5, correlation)) for _ in range(120)]
        means, sds = np.transpose(surveys)
        assert means.mean() == pytest.approx(100 * np.hypot(rise, 0.05), abs=0.5)
        assert told(plane.values)[1] == pytest.approx(means.std(), rel=0.15)
        assert sds.mean() == pytest.approx(told(plane.values)[1], rel=0.05)

    def test_mean_of_one_cell_is_that_cell(self):
        """The sum over lags is the stencil's own: both ways to the same variance."""
        plane = site_grid(lambda x, y: 0.3 * x, cell=0.25, size=20)
        for correlation in (None, ExponentialCorrelation(1.0)):
            found = ms.mower_slope(plane, wheelbase_m=0.6, z_sd_m=0.03, correlation=correlation)
            one = ZonalCells(np.array([9]), np.array([11]), np.array([0.4]))
            assert found.mean_of(one) == pytest.approx((30.0, found.sd_percent.values[9, 11]), rel=1e-6)

    def test_a_piece_of_unknown_slope_has_no_mean(self):
        empty = site_grid(lambda x, y: np.nan * x, size=9)
        cells = ZonalCells(np.array([4]), np.array([4]), np.array([1.0]))
        assert ms.mower_slope(empty, wheelbase_m=0.6, z_sd_m=0.03).mean_of(cells) is None

    def test_sd_grows_with_noise_and_falls_with_the_wheelbase(self):
        plane = site_grid(lambda x, y: 0.4 * x, cell=0.25, size=20)

        def sd(wheelbase, z_sd):
            return ms.mower_slope(plane, wheelbase_m=wheelbase, z_sd_m=z_sd).sd_percent.values[10, 10]

        assert sd(0.2, 0.02) == pytest.approx(100 * np.sqrt(3) / 4 * 0.02 / 0.25)
        assert sd(0.2, 0.01) == pytest.approx(sd(0.2, 0.02) / 2)
        assert sd(0.5, 0.02) < 0.8 * sd(0.2, 0.02)
        assert sd(1.0, 0.02) < 0.6 * sd(0.5, 0.02)


@pytest.mark.parametrize(("z_sd", "cell", "length_m"), [(0.05, 0.5, 1.0), (0.1, 1.0, 3.0)])
def test_the_slope_under_what_stands_is_as_sure_as_its_chances_say(z_sd, cell, length_m):
    """150 gardens of 0 to 9 %, surveyed once each, against the limit of a dock, 5 %: as many flip as was said."""
    random, correlation = np.random.default_rng(12), ExponentialCorrelation(length_m)
    chances, flips, leans, plain = [], [], [], []
    for _ in range(150):
        true = random.uniform(0, 9)
        plane = site_grid(lambda x, y, true=true: true / 100 * x, cell=cell, size=round(20 / cell))
        noisy = plane.with_values(plane.values + z_sd * error_field(random, plane.shape, cell, correlation))
        found = ms.standing_slope(noisy, wide_m=0.8, z_sd_m=z_sd, correlation=correlation)
        row, col = (size // 2 for size in plane.shape)
        value, noise = found.slope_percent.values[row, col], found.sd_percent.values[row, col]
        chances.append(float(flip_probability(value, noise, 5.0)))
        flips.append((value > 5) != (true > 5))
        leans.append(value - true)
        plain.append(slope_percent(*slope_gradient_horn(noisy.values, cell, cell))[row, col] - true)
    assert np.mean(chances) == pytest.approx(np.mean(flips), abs=0.05)
    sure = np.array(chances) < 0.1
    assert 0.3 < sure.mean() < 0.9 and np.mean(np.array(flips)[sure]) < 0.1
    assert abs(np.mean(leans)) < 0.5 and np.std(leans) < 0.6 * np.std(plain)


def test_what_stands_at_a_bank_counts_by_itself():
    """A bank of 40 % beside level ground: half a metre beside it noise of 5 cm hides nothing of it."""
    bank = site_grid(lambda x, y: 0.4 * np.clip(x, 0, 3), cell=0.5, size=60)
    found = ms.standing_slope(bank, wide_m=0.8, z_sd_m=0.05, correlation=ExponentialCorrelation(1.0))
    assert found.slope_percent.values[30, 33] > 30
    assert found.slope_percent.values[30, 10] == pytest.approx(0, abs=0.1)


@settings(max_examples=40, deadline=None)
@given(wheelbase=st.floats(0.1, 1.5), dx=st.floats(0.1, 1.1), dy=st.floats(0.1, 1.1))
def test_stencils_are_combined_as_signals_are(wheelbase, dx, dy):
    kernel = ms.footprint_kernel(wheelbase, dx, dy)
    both = convolve2d(kernel, HORN_STENCIL)
    assert overlaps(HORN_STENCIL, kernel[::-1, ::-1]) == pytest.approx(both, abs=1e-15)
    assert overlaps(both, both) == pytest.approx(correlate2d(both, both), abs=1e-15)


@given(wheelbase=st.floats(0.1, 0.5))
def test_a_footprint_within_a_cell_is_that_cell(wheelbase):
    kernel = ms.footprint_kernel(wheelbase, 0.5, 0.5)
    gradient = slope_gradient_horn(np.random.default_rng(3).normal(size=(6, 5)), 0.5, 0.5)
    found = ms.footprint_gradient(gradient, kernel)
    assert kernel.tolist() == [[1.0]]
    assert np.array_equal(found.p, gradient.p, equal_nan=True) and np.array_equal(found.q, gradient.q, equal_nan=True)
