"""``lawngis slope`` against ``gdaldem slope``, whole commands, start of the interpreter included.

Run by name: ``pytest tests/bench/bench_slope.py --benchmark-enable --benchmark-group-by=group``.

What each writes of the same 32-bit DEM: in groups ``cog`` both write a Cloud Optimized GeoTIFF with levels of detail
by averages, packed alike; in the group ``plain`` gdaldem writes an uncompressed GeoTIFF without levels of detail, which
is less (three quarters of the bytes), and ours an uncompressed Cloud Optimized one with them.
"""

import shutil
import subprocess
import sys

import numpy as np
import pytest
import rasterio
from affine import Affine

GDALDEM = shutil.which("gdaldem")
pytestmark = pytest.mark.skipif(GDALDEM is None, reason="gdaldem is not installed (Debian: gdal-bin)")

SIZES = pytest.mark.parametrize("size", [2048, 4096, 8192])
START = "import typer; from lawngis.processing.cli.slope import slope; app = typer.Typer(); app.command()(slope); app()"
OURS = (sys.executable, "-c", START)
COG = ("-of", "COG", "-co", "OVERVIEW_RESAMPLING=AVERAGE", "-co", "NUM_THREADS=ALL_CPUS")
PACKED = ("-co", "COMPRESS=DEFLATE", "-co", "PREDICTOR=YES", "-co", "LEVEL=1")
KINDS = {
    "plain": ((), ("--compress", "none")),
    "cog": ((*COG, "-co", "COMPRESS=NONE"), ("--compress", "none")),
    "cog-deflate": ((*COG, *PACKED), ("--compress", "deflate")),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bench")


def dem_of(folder, size):
    path = folder / f"dem-{size}.tif"
    if path.exists():
        return path
    random = np.random.default_rng(1)
    x = np.arange(size, dtype=np.float32)
    profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": size, "width": size, "nodata": -9999.0}
    with rasterio.open(path, "w", **profile, crs="EPSG:25832", transform=Affine(0.5, 0, 5e5, 0, -0.5, 5.4e6)) as out:
        for row in range(0, size, 512):
            y = np.arange(row, row + 512, dtype=np.float32)[:, None]
            hills = 30 + 20 * np.sin(x / 97) * np.cos(y / 131) + 3 * np.sin(x / 11 + y / 17)
            noise = random.standard_normal((512, size), dtype=np.float32) * np.float32(0.03)
            out.write((hills + noise).astype(np.float32), 1, window=((row, row + 512), (0, size)))
    return path


def command(who, kind, dem, target):
    theirs, ours = KINDS[kind]
    if who == "gdaldem":
        return ["gdaldem", "slope", "-p", "-q", dem, target, *theirs]
    return [*OURS, dem, "--out", target, "--cell-size", "crs", *ours]


@SIZES
@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("who", ["gdaldem", "lawngis"])
def test_slope_command(benchmark, folder, size, kind, who):
    benchmark.group = f"{kind} {size}"
    dem, target = dem_of(folder, size), folder / f"{who}-{kind}-{size}.tif"

    def whole():
        target.unlink(missing_ok=True)
        subprocess.run(command(who, kind, dem, target), check=True, capture_output=True)

    benchmark.pedantic(whole, rounds=3, warmup_rounds=1)
    if who == "lawngis":
        _same(target, folder / f"gdaldem-{kind}-{size}.tif")


def _same(one, other):
    """gdaldem adds elevations up in single precision before it subtracts: at 50 m that moves slopes by 3e-3 percent."""
    with rasterio.open(one) as ours, rasterio.open(other) as theirs:
        for row in range(0, ours.height, 2048):
            window = ((row, min(row + 2048, ours.height)), (0, ours.width))
            assert np.abs(ours.read(1, window=window) - theirs.read(1, window=window)).max() < 5e-3
