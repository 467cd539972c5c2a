"""The command ``lawngis slope`` against GDAL's own program ``gdaldem``, on rough ground with holes."""

import shutil
import subprocess

import numpy as np
import pytest
import rasterio
from affine import Affine

from lawngis.ground import terrain
from lawngis.processing.whole_rasters import slope as slopes
from lawngis.processing.whole_rasters.slope import SlopeFiles, SlopeRecipe, write_slope

GDALDEM = shutil.which("gdaldem")
pytestmark = pytest.mark.skipif(GDALDEM is None, reason="gdaldem is not installed (Debian: gdal-bin)")
NODATA = -9999.0
CELL = 0.5
METHODS = pytest.mark.parametrize(
    ("method", "options"), [("horn", ()), ("zevenbergen-thorne", ("-alg", "ZevenbergenThorne"))]
)


@pytest.fixture(autouse=True)
def small_strips(monkeypatch):
    """Many strips, so that their seams are on trial."""
    monkeypatch.setattr(slopes, "STRIP_ROWS", (16, 32))


@pytest.fixture(scope="module")
def dem(tmp_path_factory):
    shape = (301, 270)
    frequency = np.hypot(np.fft.fftfreq(shape[0], CELL)[:, None], np.fft.fftfreq(shape[1], CELL))
    frequency[0, 0] = np.inf
    spectrum = np.where(frequency < 0.25, frequency**-2.0, 0)
    z = np.fft.ifft2(np.fft.fft2(np.random.default_rng(4).standard_normal(shape)) * spectrum).real
    z = (20 + z * 5 / z.std()).astype(np.float32)
    z[31:33, 100:120] = NODATA  # across a seam
    z[150, 200] = NODATA
    z[:, 0] = NODATA
    path = tmp_path_factory.mktemp("dem") / "dem.tif"
    put(path, z)
    return path


def put(path, z, *, crs="EPSG:25832", transform=None, nodata=NODATA):
    transform = transform or Affine(CELL, 0, 300_000, 0, -CELL, 5_500_000)
    profile = {"driver": "GTiff", "dtype": z.dtype, "count": 1, "height": z.shape[0], "width": z.shape[1]}
    with rasterio.open(path, "w", **profile, crs=crs, transform=transform, nodata=nodata) as out:
        out.write(z, 1)
    return path


def by_gdal(dem, target, mode, *options):
    subprocess.run([GDALDEM, mode, dem, target, *options, "-q"], check=True, capture_output=True, timeout=60)
    return values_of(target)


def values_of(path):
    with rasterio.open(path) as raster:
        assert raster.nodata == NODATA
        values = raster.read(1).astype(float)
    return np.where(values == NODATA, np.nan, values)


@METHODS
@pytest.mark.parametrize(("unit", "gdal_unit"), [("percent", ("-p",)), ("degree", ())])
def test_slope_in_utm_with_nominal_cells(dem, tmp_path, method, options, unit, gdal_unit):
    expected = by_gdal(dem, tmp_path / "g.tif", "slope", *gdal_unit, *options)
    recipe = SlopeRecipe(unit=unit, method=method, cell_size="crs")
    outcome = write_slope(dem, SlopeFiles(tmp_path / "s.tif"), recipe)
    found = values_of(tmp_path / "s.tif")
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.nanquantile(expected, 0.5) > 10, "the ground is not rough in the way that counts"
    assert np.nanmax(np.abs(found - expected)) < 1e-3
    assert outcome.with_slope == np.isfinite(expected).sum()


def test_true_cells_differ_from_nominal_ones_by_the_scale_of_the_grid(dem, tmp_path):
    """200 km west of UTM's middle meridian the grid's scale is 0.9996 (1 + 200²/2·6384²) ≈ 1.00009."""
    for size in ("ground", "crs"):
        write_slope(dem, SlopeFiles(tmp_path / f"{size}.tif"), SlopeRecipe(cell_size=size))
    ratio = np.nanmedian(values_of(tmp_path / "ground.tif") / values_of(tmp_path / "crs.tif"))
    assert ratio == pytest.approx(0.9996 * (1 + 200**2 / (2 * 6384**2)), abs=1e-5)


@METHODS
def test_aspect(dem, tmp_path, method, options):
    expected = by_gdal(dem, tmp_path / "g.tif", "aspect", *options)
    files = SlopeFiles(tmp_path / "s.tif", aspect=tmp_path / "a.tif")
    write_slope(dem, files, SlopeRecipe(method=method, cell_size="crs"))
    found = values_of(tmp_path / "a.tif")
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    apart = np.radians(np.abs((found - expected + 180) % 360 - 180))
    # gdaldem adds up in single precision: what counts is how far the tip of the gradient moves, in percent.
    assert np.nanmax(apart * values_of(tmp_path / "s.tif")) < 1e-3


@pytest.mark.parametrize(
    ("correlation_m", "form", "alike"),
    [
        (None, "exponential", None),
        (3.0, "exponential", terrain.ExponentialCorrelation(3.0)),
        (3.0, "gaussian", terrain.GaussianCorrelation(3.0)),
    ],
)
def test_standard_deviation_is_the_plain_functions(dem, tmp_path, correlation_m, form, alike):
    files = SlopeFiles(tmp_path / "s.tif", sd=tmp_path / "sd.tif")
    write_slope(dem, files, SlopeRecipe(cell_size="crs", z_sd_m=0.1, correlation_m=correlation_m, error_form=form))
    p, q = terrain.slope_gradient_horn(values_of(dem), CELL, CELL)
    expected = terrain.slope_sd_percent(p, q, *terrain.gradient_sd_horn(0.1, CELL, CELL, correlation=alike))
    assert np.allclose(values_of(tmp_path / "sd.tif"), expected, rtol=1e-5, equal_nan=True)


def test_scale_and_offset_of_whole_numbers(tmp_path):
    """int16 in centimetres above 100 m: gdaldem overlooks scale and offset, so it is given what they mean."""
    z = np.random.default_rng(0).integers(-3000, 3000, (60, 50)).astype(np.int16)
    z[20, 20] = -32768
    stored = put(tmp_path / "stored.tif", z, nodata=-32768)
    with rasterio.open(stored, "r+") as out:
        out.scales, out.offsets = (0.01,), (100.0,)
    meant = np.where(z == -32768, np.float32(NODATA), 100 + z * 0.01).astype(np.float32)
    expected = by_gdal(put(tmp_path / "meant.tif", meant), tmp_path / "g.tif", "slope", "-p")
    write_slope(stored, SlopeFiles(tmp_path / "s.tif"), SlopeRecipe(cell_size="crs"))
    found = values_of(tmp_path / "s.tif")
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.nanmax(np.abs(found / expected - 1)) < 1e-4


def test_unequal_cells(tmp_path):
    z = np.random.default_rng(1).normal(10, 1, (40, 40)).astype(np.float32)
    dem = put(tmp_path / "dem.tif", z, transform=Affine(0.5, 0, 500_000, 0, -2.0, 5_500_000))
    expected = by_gdal(dem, tmp_path / "g.tif", "slope", "-p")
    write_slope(dem, SlopeFiles(tmp_path / "s.tif"), SlopeRecipe(cell_size="crs"))
    assert np.nanmax(np.abs(values_of(tmp_path / "s.tif") - expected)) < 1e-3
