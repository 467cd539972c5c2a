"""The slope command on files of every kind: right, or one clear sentence."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
import typer
from affine import Affine
from pyproj import CRS
from typer.testing import CliRunner

from lawngis.errors import LawngisError, ParameterError, RasterError
from lawngis.processing.cli.slope import slope
from lawngis.processing.files.rasters import writing
from lawngis.processing.whole_rasters import slope as slopes
from lawngis.processing.whole_rasters.slope import SlopeFiles, SlopeRecipe, write_slope

LOCAL = CRS("+proj=tmerc +lat_0=48 +lon_0=11 +k=1 +x_0=0 +y_0=0 +ellps=GRS80 +units=m")
NODATA = -9999.0


def put(path, z, *, crs=LOCAL, transform=None, nodata=None, unit=None):
    transform = transform or Affine(1, 0, -10, 0, -1, 10)
    z = np.asarray(z)
    profile = {"driver": "GTiff", "dtype": z.dtype, "count": 1, "height": z.shape[0], "width": z.shape[1]}
    wkt = None if crs is None else CRS(crs).to_wkt()
    with rasterio.open(path, "w", **profile, crs=wkt, transform=transform, nodata=nodata) as out:
        out.write(z, 1)
        if unit:
            out.set_band_unit(1, unit)
    return path


def plane(rows=20, cols=20, *, east=0.3, south=0.4):
    row, col = np.mgrid[0:rows, 0:cols]
    return (100 + east * col + south * row).astype(np.float32)


def run(*words):
    app = typer.Typer()
    app.command()(slope)
    result = CliRunner().invoke(app, [str(word) for word in words])
    if result.exception and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def inside(path):
    with rasterio.open(path) as raster:
        return raster.read(1)[1:-1, 1:-1]


def test_a_plane_is_a_cog_with_everything_said(tmp_path):
    dem = put(tmp_path / "dem.tif", plane(1100, 700), unit="m")
    result = run(dem, "--out", tmp_path / "new" / "s.tif", "--sd", tmp_path / "sd.tif", "--aspect", tmp_path / "a.tif",
                 "--dem-sd", "QL2")  # fmt: skip
    assert result.exit_code == 0 and "note" not in result.output
    assert f"{1098 * 698} of {1100 * 700} cells" in result.output
    assert np.allclose(inside(tmp_path / "new" / "s.tif"), 50, atol=2e-3)
    # Falls to the west by 0.3 and to the north by 0.4.
    assert np.allclose(inside(tmp_path / "a.tif"), 360 - np.degrees(np.arctan2(0.3, 0.4)), atol=0.01)
    assert np.allclose(inside(tmp_path / "sd.tif"), 100 * np.sqrt(3) / 4 * 0.1, rtol=1e-3)
    with rasterio.open(tmp_path / "new" / "s.tif") as raster:
        assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert raster.overviews(1) == [2, 4]
        assert (raster.nodata, raster.dtypes, raster.units) == (NODATA, ("float32",), ("percent",))
        assert raster.descriptions == ("slope, horn",)
        assert CRS(raster.crs.to_wkt()) == LOCAL or raster.crs.to_dict()["proj"] == "tmerc"
        coarse = raster.read(1, out_shape=(275, 175))
    assert np.allclose(coarse[:-1, :-1], 50, atol=2e-3)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.tif", "dem.tif", "new", "sd.tif"]


@pytest.mark.parametrize("compress", ["deflate", "zstd", "none"])
def test_packing_does_not_change_values(tmp_path, compress):
    z = np.random.default_rng(0).normal(10, 1, (70, 80)).astype(np.float32)
    dem = put(tmp_path / "dem.tif", z)
    run(dem, "--out", tmp_path / "s.tif", "--compress", compress, "--workers", 3)
    run(dem, "--out", tmp_path / "one.tif", "--workers", 1)
    assert np.array_equal(inside(tmp_path / "s.tif"), inside(tmp_path / "one.tif"))


def test_degrees(tmp_path):
    run(put(tmp_path / "dem.tif", plane()), "--out", tmp_path / "s.tif", "--unit", "degree")
    assert np.allclose(inside(tmp_path / "s.tif"), 26.565051, atol=1e-3)


@pytest.mark.parametrize("place", [Affine(1, 0, -10, 0, 1, -10), Affine(-1, 0, 10, 0, -1, 10)])
def test_other_ends_on_top_turn_the_aspect(tmp_path, place):
    dem = put(tmp_path / "dem.tif", plane(), transform=place)
    run(dem, "--out", tmp_path / "s.tif", "--aspect", tmp_path / "a.tif")
    assert np.allclose(inside(tmp_path / "s.tif"), 50, atol=2e-3)
    west, north = (0.3 if place.a > 0 else -0.3), (0.4 if place.e < 0 else -0.4)
    assert np.allclose(inside(tmp_path / "a.tif"), np.degrees(np.arctan2(-west, north)) % 360, atol=0.01)


def test_longitude_and_latitude_row_by_row(tmp_path):
    """A cell of 1e-5° at 60° north is 0.558 m wide and 1.114 m high (WGS 84: 55.80 and 111.41 km a degree)."""
    dem = put(
        tmp_path / "dem.tif", plane(east=0.1, south=0), crs="EPSG:4326", transform=Affine(1e-5, 0, 10, 0, -1e-5, 60)
    )
    run(dem, "--out", tmp_path / "s.tif")
    assert np.allclose(inside(tmp_path / "s.tif"), 100 * 0.1 / 0.5580, rtol=1e-3)
    with pytest.raises(ParameterError, match="degrees"):
        run(dem, "--out", tmp_path / "s.tif", "--cell-size", "crs")


def test_web_mercator_is_true_on_the_ground(tmp_path):
    """At 60° its metres are twice too long (on the sphere): the same heights make twice the slope."""
    y = 8_399_737.9  # 60° north
    dem = put(tmp_path / "dem.tif", plane(east=0.1, south=0), crs="EPSG:3857", transform=Affine(1, 0, 0, 0, -1, y))
    run(dem, "--out", tmp_path / "true.tif")
    run(dem, "--out", tmp_path / "nominal.tif", "--cell-size", "crs")
    assert np.allclose(inside(tmp_path / "nominal.tif"), 10, atol=1e-3)
    assert np.allclose(inside(tmp_path / "true.tif"), 20, rtol=5e-3)


@pytest.mark.parametrize(
    ("crs", "unit", "option", "factor"),
    [
        ("EPSG:25832+5783", None, None, 1.0),
        ("EPSG:25832+6360", None, None, 1200 / 3937),  # NAVD88 height (ftUS)
        ("EPSG:25832+8228", None, None, 0.3048),  # NAVD88 height (ft)
        ("EPSG:25832", "ft", None, 0.3048),
        ("EPSG:25832", None, "ft", 0.3048),
        ("EPSG:25832+6360", None, "m", 1.0),
    ],
)
def test_vertical_units(tmp_path, crs, unit, option, factor):
    place = Affine(1, 0, 500_000, 0, -1, 5_500_000)
    dem = put(tmp_path / "dem.tif", plane(), crs=crs, unit=unit, transform=place)
    result = run(dem, "--out", tmp_path / "s.tif", "--cell-size", "crs", *(["--dem-unit", option] if option else []))
    assert np.allclose(inside(tmp_path / "s.tif"), 50 * factor, rtol=1e-4)
    assert "assumed" not in result.output


def test_an_unsaid_unit_is_the_grids_and_said(tmp_path):
    dem = put(tmp_path / "dem.tif", plane(), crs="EPSG:2263", transform=Affine(1, 0, 984_000, 0, -1, 207_000))
    result = run(dem, "--out", tmp_path / "s.tif")
    assert "foot was assumed" in result.output and "--dem-unit" in result.output
    assert np.allclose(inside(tmp_path / "s.tif"), 50, rtol=1e-3)


def test_all_no_data_gives_all_no_data_and_says_so(tmp_path):
    dem = put(tmp_path / "dem.tif", np.full((30, 30), -1, np.int16), nodata=-1)
    result = run(dem, "--out", tmp_path / "s.tif")
    assert result.exit_code == 0 and "no cell has a slope" in result.output and "0 of 900" in result.output
    with rasterio.open(tmp_path / "s.tif") as raster:
        assert (raster.read(1) == NODATA).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"z": plane(1, 20)}, "1 rows"),
        ({"z": plane(20, 2)}, "2 columns"),
        ({"transform": Affine(1, 0.2, 0, 0.2, -1, 0)}, "rotated"),
        ({"crs": None}, "no CRS"),
    ],
)
def test_unusable_rasters(tmp_path, change, words):
    dem = put(tmp_path / "dem.tif", **{"z": plane(), **change})
    with pytest.raises(RasterError, match=words) as error:
        run(dem, "--out", tmp_path / "s.tif")
    assert "dem.tif" in str(error.value) and error.value.advice
    assert [path.name for path in tmp_path.iterdir()] == ["dem.tif"]


def test_off_the_earth(tmp_path):
    dem = put(tmp_path / "dem.tif", plane(), crs="EPSG:4326", transform=Affine(1, 0, 0, 0, -1, 500))
    with pytest.raises(RasterError, match="Earth"):
        run(dem, "--out", tmp_path / "s.tif")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--sd", "sd.tif"], "--dem-sd"),
        (["--sd", "sd.tif", "--dem-sd", "QL7"], "QL7"),
        (["--sd", "sd.tif", "--dem-sd", "-1"], "above 0"),
        (["--sd", "sd.tif", "--dem-sd", "nan"], "above 0"),
        (["--sd", "sd.tif", "--dem-sd", "0.1", "--correlation-m", "0"], "correlation"),
        (["--dem-sd", "0.1"], "--sd"),
        (["--dem-unit", "yard"], "yard"),
        (["--aspect", "s.tif"], "one file"),
    ],
)
def test_words_that_do_not_go_together(tmp_path, monkeypatch, words, message):
    monkeypatch.chdir(tmp_path)
    put(tmp_path / "dem.tif", plane())
    with pytest.raises(ParameterError, match=message):
        run("dem.tif", "--out", "s.tif", *words)
    assert [path.name for path in tmp_path.iterdir()] == ["dem.tif"]


def test_the_dem_is_never_replaced(tmp_path):
    dem = put(tmp_path / "dem.tif", plane())
    (tmp_path / "link.tif").symlink_to(dem)
    before = dem.read_bytes()
    for target in (dem, tmp_path / "link.tif"):
        with pytest.raises(ParameterError, match="replace the DEM"):
            run(dem, "--out", target)
    assert dem.read_bytes() == before


def test_a_missing_dem_and_a_folder(tmp_path):
    with pytest.raises(RasterError, match="does not exist"):
        run(tmp_path / "none.tif", "--out", tmp_path / "s.tif")
    with pytest.raises(ParameterError, match="folder"):
        run(put(tmp_path / "dem.tif", plane()), "--out", tmp_path)


def test_a_failure_on_the_way_leaves_old_results_as_they_were(tmp_path, monkeypatch):
    dem = put(tmp_path / "dem.tif", plane(200, 50))
    (tmp_path / "s.tif").write_text("old")
    monkeypatch.setattr(slopes, "STRIP_ROWS", (16, 32))
    read, calls = slopes.read_rows, []

    def broken(*words, **options):
        calls.append(words)
        if len(calls) > 3:
            raise RasterError("can't be read (a bad block)", where="dem.tif")
        return read(*words, **options)

    monkeypatch.setattr(slopes, "read_rows", broken)
    with pytest.raises(LawngisError, match="bad block"):
        run(dem, "--out", tmp_path / "s.tif", "--aspect", tmp_path / "a.tif")
    assert (tmp_path / "s.tif").read_text() == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["dem.tif", "s.tif"]


def test_a_failure_at_the_end_replaces_none_of_the_files(tmp_path, monkeypatch):
    dem = put(tmp_path / "dem.tif", plane())
    arrange, calls = writing.rasterio.shutil.copy, []

    def full(*words, **options):
        calls.append(words)
        if len(calls) == 2:
            raise OSError("No space left on device")
        return arrange(*words, **options)

    monkeypatch.setattr(writing.rasterio.shutil, "copy", full)
    with pytest.raises(RasterError, match="No space left") as error:
        run(dem, "--out", tmp_path / "s.tif", "--aspect", tmp_path / "a.tif")
    assert "a.tif" in str(error.value)
    assert [path.name for path in tmp_path.iterdir()] == ["dem.tif"]


MEASURED = """
import resource, sys
from pathlib import Path
from lawngis.processing.files.rasters import opening
from lawngis.processing.whole_rasters import slope
opening.CACHE_MB, slope.STRIP_BYTES = 4, 1 << 20
slope.write_slope(sys.argv[1], slope.SlopeFiles(Path(sys.argv[2]), compress="none"), slope.SlopeRecipe(), workers=2)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@pytest.mark.slow
def test_memory_does_not_grow_with_the_raster(tmp_path):
    """Four times the rows, 64 MB of elevations more: the peak rises by less than an eighth of that."""
    peaks_kb = []
    for rows in (2048, 8192):
        dem = tmp_path / f"{rows}.tif"
        profile = {"driver": "GTiff", "dtype": "float32", "count": 1, "height": rows, "width": 2600}
        with rasterio.open(dem, "w", **profile, crs="EPSG:25832", transform=Affine(1, 0, 5e5, 0, -1, 5.5e6)) as out:
            for row in range(0, rows, 512):
                out.write(plane(512, 2600), 1, window=((row, row + 512), (0, 2600)))
        words = [sys.executable, "-c", MEASURED, str(dem), str(tmp_path / "s.tif")]
        done = subprocess.run(words, check=True, capture_output=True, text=True, timeout=120)
        peaks_kb.append(int(done.stdout))
    assert peaks_kb[1] - peaks_kb[0] < 8_000


def test_recipe_without_command(tmp_path):
    dem = put(tmp_path / "dem.tif", plane(40, 30))
    seen = []

    def progress(rows, total):
        for count in rows:
            seen.append((count, total))
            yield count

    outcome = write_slope(dem, SlopeFiles(Path(tmp_path / "s.tif")), SlopeRecipe(), progress=progress)
    assert (outcome.cells, outcome.with_slope) == (1200, 38 * 28)
    assert sum(count for count, _ in seen) == 40 == seen[0][1]
