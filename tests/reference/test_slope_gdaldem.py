"""Slope and aspect against GDAL's own program ``gdaldem`` on rough ground with holes in the data."""

import shutil
import subprocess

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from lawngis.ground import strips
from lawngis.ground import terrain as t
from lawngis.ground.raster import Grid

GDALDEM = shutil.which("gdaldem")
pytestmark = pytest.mark.skipif(GDALDEM is None, reason="gdaldem is not installed (Debian: gdal-bin)")

NODATA = -9999.0
CELL = 0.5


def rough_ground(shape=(240, 310), seed=4):
    """Fractal ground (power spectrum f⁻⁴, wavelengths from 4 m up) about 20 m up: slopes of some 5 to 100 %."""
    random = np.random.default_rng(seed)
    frequency = np.hypot(np.fft.fftfreq(shape[0], CELL)[:, None], np.fft.fftfreq(shape[1], CELL))
    frequency[0, 0] = np.inf
    amplitude = np.where(frequency < 0.25, frequency**-2.0, 0)
    z = np.fft.ifft2(np.fft.fft2(random.standard_normal(shape)) * amplitude).real
    return 20 + z * 5 / z.std()


@pytest.fixture(scope="module")
def dem(tmp_path_factory):
    # Scale 1 on the spot: the grid's metres are metres on the ground, which gdaldem takes for granted.
    crs = CRS("+proj=tmerc +lat_0=48 +lon_0=11 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")
    z = rough_ground().astype(np.float32)
    z[60:75, 100:120] = NODATA
    z[150, 200] = NODATA
    z[0, 30] = NODATA
    z[180:, 290:] = NODATA
    z[100:110, 40:50] = z[100, 40]  # a level pond
    path = tmp_path_factory.mktemp("dem") / "dem.tif"
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": z.shape[0], "width": z.shape[1]}
    transform = Affine(CELL, 0, -80, 0, -CELL, 60)
    with rasterio.open(path, "w", **profile, crs=crs.to_wkt(), transform=transform, nodata=NODATA) as out:
        out.write(z, 1)
    return path, Grid(np.where(z == NODATA, np.nan, z.astype(float)), transform, crs)


def by_gdal(path, mode, *options):
    out = path.with_name("-".join([mode, *options]) + ".tif")
    subprocess.run([GDALDEM, mode, path, out, *options, "-q"], check=True, capture_output=True, timeout=60)
    with rasterio.open(out) as raster:
        values = raster.read(1).astype(float)
        return np.where(values == raster.nodata, np.nan, values)


METHODS = pytest.mark.parametrize(
    ("author", "options"),
    [("horn", ()), ("zevenbergen_thorne", ("-alg", "ZevenbergenThorne"))],
)


@METHODS
def test_slope_percent(dem, author, options):
    path, grid = dem
    expected = by_gdal(path, "slope", "-p", *options)
    found = t.slope_percent(*getattr(t, f"slope_gradient_{author}")(grid.values, *grid.cell_size_m))
    low, typical, high = np.nanquantile(expected, [0.02, 0.5, 0.99])
    assert low > 2 and 20 < typical < 50 and high < 110, "the ground is not rough in the way that counts"
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.nanmax(np.abs(found - expected)) < 1e-3


@METHODS
def test_slope_deg(dem, author, options):
    path, grid = dem
    expected = by_gdal(path, "slope", *options)
    rise_x, rise_y = (1 / size for size in grid.cell_size_m)
    z = np.pad(grid.values, ((1, 1), (0, 0)), constant_values=np.nan)
    found = getattr(strips, f"strip_slope_{author}")(z, rise_x, rise_y, degrees=True)
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.nanmax(np.abs(found - expected)) < 1e-3


@METHODS
def test_aspect(dem, author, options):
    path, grid = dem
    expected = by_gdal(path, "aspect", *options)
    p, q = getattr(t, f"slope_gradient_{author}")(grid.values, *grid.cell_size_m)
    found = t.aspect_deg(p, q)
    # Level cells have no aspect in either.
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.isnan(expected[103, 43]) and np.isfinite(p[103, 43])
    apart = np.abs((found - expected + 180) % 360 - 180)
    # gdaldem adds up in single precision, which turns nearly level ground by more than it turns a slope: what
    # counts is how far the tip of the gradient moves, in percent as for the slope itself.
    assert np.nanmax(np.radians(apart) * t.slope_percent(p, q)) < 1e-3
    assert np.nanquantile(apart, 0.99) < 5e-3
