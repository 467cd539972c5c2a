"""Rasters in and out: windows are exact, handles stay where they were opened, files are whole or absent."""

import dataclasses
import hashlib
import multiprocessing
import os
import pickle
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import rasterio.shutil
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import Point

from lawngis.errors import RasterError
from lawngis.processing.files import rasters
from lawngis.processing.files.rasters import opening, writing

UTM32 = CRS.from_epsg(25832)
WEST, NORTH, CELL = 500_000.0, 5_500_000.0, 0.5
ROWS, COLS = 60, 80
PLACE = Affine(CELL, 0, WEST, 0, -CELL, NORTH)
LIKE = rasters.RasterInfo("", UTM32, 1.0, PLACE, COLS, ROWS, ("",), "float32", None)


def ramp() -> np.ndarray:
    """Every cell holds its own row and column, so that a window out of place shows."""
    row, col = np.mgrid[0:ROWS, 0:COLS]
    return (row * 1000 + col).astype("float32")


def write_tif(path: Path, values: np.ndarray, **changes: object) -> Path:
    bands = values if values.ndim == 3 else values[None]
    profile = {
        "driver": "GTiff",
        "count": len(bands),
        "height": bands.shape[1],
        "width": bands.shape[2],
        "dtype": bands.dtype.name,
        "crs": rasterio.CRS.from_wkt(UTM32.to_wkt()),
        "transform": PLACE,
    } | changes
    with rasterio.open(path, "w", **profile) as target:
        target.write(bands)
    return path


@pytest.fixture
def dem(tmp_path: Path) -> Path:
    return write_tif(tmp_path / "dem.tif", ramp())


@pytest.fixture(autouse=True)
def closed():
    yield
    rasters.close_rasters()


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# --- looking in -------------------------------------------------------------------------------------------


def test_overview(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "image.tif", np.zeros((4, 3, 5), dtype="uint8"), nodata=7)
    with rasterio.open(path, "r+") as image:
        image.descriptions = ("red", "green", None, "nir")
    info = rasters.raster_overview(path)
    assert (info.source, info.crs, info.width, info.height) == (str(path), UTM32, 5, 3)
    assert (info.bands, info.dtype, info.nodata) == (("red", "green", "", "nir"), "uint8", 7)
    assert (info.res, info.bounds) == ((0.5, 0.5), (WEST, NORTH - 1.5, WEST + 2.5, NORTH))
    assert info.vertical_unit_m is None
    assert pickle.loads(pickle.dumps(info)) == info


@pytest.mark.parametrize(
    ("code", "unit_m"),
    [
        ("EPSG:25832+5783", 1.0),  # DHHN92 height, metres
        ("EPSG:2263+6360", 1200 / 3937),  # NAVD88 height (ftUS)
        ("EPSG:2263+8228", 0.3048),  # NAVD88 height (ft)
        ("EPSG:4979", 1.0),  # ellipsoidal height
        ("EPSG:2263", None),
        ("EPSG:25832", None),
    ],
)
def test_vertical_unit_is_that_of_the_vertical_crs(tmp_path: Path, code: str, unit_m: float | None) -> None:
    crs = rasterio.CRS.from_wkt(CRS(code).to_wkt(version="WKT2_2019"))
    path = write_tif(tmp_path / "dem.tif", ramp(), crs=crs, GEOTIFF_VERSION="1.1")
    info = rasters.raster_overview(path)
    assert info.vertical_unit_m == (None if unit_m is None else pytest.approx(unit_m, rel=1e-12))
    assert len(info.crs.axis_info) == 2
    expected = {"EPSG:4979": 4326}.get(code, int(code.partition("+")[0].removeprefix("EPSG:")))
    assert info.crs.to_epsg() == expected


@pytest.mark.parametrize(("unit", "unit_m"), [("US survey foot", 1200 / 3937), ("metre", 1.0), ("stone", None)])
def test_vertical_unit_may_be_noted_for_the_band(dem: Path, unit: str, unit_m: float | None) -> None:
    with rasterio.open(dem, "r+") as target:
        target.units = (unit,)
    assert rasters.raster_overview(dem).vertical_unit_m == unit_m


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"crs": None}, "has no CRS"),
        ({"crs": rasterio.CRS.from_wkt('LOCAL_CS["site",UNIT["metre",1]]')}, "has no CRS on the Earth"),
        ({"transform": Affine(0.5, 0.1, WEST, 0.1, -0.5, NORTH)}, "is rotated"),
        ({"transform": Affine.identity()}, "has no place on the Earth"),
    ],
)
@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_raster_that_has_no_clear_place_is_refused(tmp_path: Path, changes: dict, what: str) -> None:
    path = write_tif(tmp_path / "dem.tif", ramp(), **changes)
    with pytest.raises(RasterError, match=what) as caught:
        rasters.raster_overview(path)
    assert caught.value.where == (str(path),)
    assert caught.value.advice


def test_raster_that_cannot_be_read_is_named(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    noise = np.random.default_rng(2).random((400, 400)).astype("float32")
    whole = write_tif(tmp_path / "whole.tif", noise, compress="deflate", tiled=True, blockxsize=128, blockysize=128)
    (tmp_path / "empty.tif").write_bytes(b"")
    (tmp_path / "text.tif").write_text("x y z")
    (tmp_path / "cut.tif").write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    corners = [(WEST, NORTH - 10, WEST + 10, NORTH), (WEST + 190, NORTH - 200, WEST + 200, NORTH - 190)]
    for name, what in (
        ("missing.tif", "does not exist"),
        ("empty.tif", r"is empty \(0 bytes\)"),
        ("text.tif", "is no TIFF: it holds text"),
        ("cut.tif", "can't be read"),
        (".", "is a folder"),
    ):
        with pytest.raises(RasterError, match=what) as caught:
            for corner in corners:
                rasters.read_window(tmp_path / name, corner)
        assert caught.value.advice
    assert capfd.readouterr() == ("", "")


# --- windows ----------------------------------------------------------------------------------------------


def expected_cells(transform: Affine, values: np.ndarray) -> np.ndarray:
    """What a window must hold, from its place alone."""
    col = round((transform.c - WEST) / CELL)
    row = round((NORTH - transform.f) / CELL)
    return ramp()[row : row + values.shape[0], col : col + values.shape[1]]


coordinates = st.floats(-0.2, 1.2)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(coordinates, coordinates, coordinates, coordinates, st.integers(0, 4))
def test_window_holds_its_bounds_and_a_margin(
    dem: Path, x0: float, x1: float, y0: float, y1: float, margin: int
) -> None:
    width, height = COLS * CELL, ROWS * CELL
    bounds = (
        WEST + min(x0, x1) * width,
        NORTH - max(y0, y1) * height,
        WEST + max(x0, x1) * width,
        NORTH - min(y0, y1) * height,
    )
    reaches = bounds[0] <= WEST + width and bounds[2] >= WEST and bounds[1] <= NORTH and bounds[3] >= NORTH - height
    if not reaches:
        with pytest.raises(RasterError, match="does not reach"):
            rasters.read_window(dem, bounds, margin_cells=margin)
        return
    try:
        values, place = rasters.read_window(dem, bounds, margin_cells=margin)
    except RasterError:
        assert margin == 0  # bounds without area on the raster's rim may be in no cell
        return
    assert np.array_equal(values, expected_cells(place, values))
    rim = margin * CELL + 1e-6
    west, east = place.c, place.c + values.shape[1] * CELL
    north, south = place.f, place.f - values.shape[0] * CELL
    assert west <= max(bounds[0] - rim + 2e-6, WEST)
    assert east >= min(bounds[2] + rim - 2e-6, WEST + width)
    assert north >= min(bounds[3] + rim - 2e-6, NORTH)
    assert south <= max(bounds[1] - rim + 2e-6, NORTH - height)
    assert values.shape[0] * CELL <= bounds[3] - bounds[1] + 2 * (rim + CELL)
    assert values.shape[1] * CELL <= bounds[2] - bounds[0] + 2 * (rim + CELL)


def test_bounds_on_cell_borders_take_no_cell_more(dem: Path) -> None:
    values, place = rasters.read_window(dem, (WEST + 5, NORTH - 10, WEST + 6, NORTH - 8), margin_cells=0)
    assert values.shape == (4, 2)
    assert (place.c, place.f) == (WEST + 5, NORTH - 8)


def test_only_the_window_is_read(dem: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []
    read = rasterio.io.DatasetReader.read

    class Watched:
        def __init__(self, dataset: rasterio.io.DatasetReader) -> None:
            self.dataset = dataset

        def __getattr__(self, name: str) -> object:
            return getattr(self.dataset, name)

        def read(self, *arguments: object, window: object, **others: object) -> np.ndarray:
            asked.append((window.height, window.width))
            return read(self.dataset, *arguments, window=window, **others)

    opened = opening._opened
    monkeypatch.setattr(opening, "_opened", lambda source: Watched(opened(source)))
    rasters.read_window(dem, (WEST + 5, NORTH - 10, WEST + 6, NORTH - 8))
    assert asked == [(8, 6)]


@pytest.mark.parametrize("hole", ["declared", "nan", "undeclared lowest", "mask"])
def test_no_data_is_nan_however_it_is_kept(tmp_path: Path, hole: str) -> None:
    values = ramp()
    missing = np.zeros(values.shape, dtype=bool)
    missing[20:23, 30:35] = True
    path = tmp_path / "dem.tif"
    if hole == "mask":
        write_tif(path, values)
        with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True), rasterio.open(path, "r+") as target:
            target.write_mask(np.where(missing, 0, 255).astype("uint8"))
    else:
        filler = {"declared": -9999, "nan": np.nan, "undeclared lowest": np.finfo("float32").min}[hole]
        values[missing] = filler
        write_tif(path, values, **({"nodata": -9999} if hole == "declared" else {}))
    read, place = rasters.read_window(path, (WEST + 12, NORTH - 15, WEST + 22, NORTH - 5))
    row, col = round((NORTH - place.f) / CELL), round((place.c - WEST) / CELL)
    assert np.array_equal(np.isnan(read), missing[row : row + read.shape[0], col : col + read.shape[1]])


def test_transparent_cells_of_an_image_are_no_data(tmp_path: Path) -> None:
    red = np.full((ROWS, COLS), 9, dtype="uint8")
    opaque = np.where(np.arange(COLS) < 40, 255, 0).astype("uint8") * np.ones((ROWS, 1), dtype="uint8")
    path = write_tif(tmp_path / "image.tif", np.stack([red, red, red, opaque]), photometric="rgb", alpha="yes")
    values, _ = rasters.read_window(path, (WEST + 15, NORTH - 2, WEST + 25, NORTH), margin_cells=0)
    assert np.array_equal(values[0], [9.0] * 10 + [np.nan] * 10, equal_nan=True)


def test_scale_and_offset_are_applied_but_not_to_no_data(tmp_path: Path) -> None:
    values = np.arange(ROWS * COLS, dtype="int16").reshape(ROWS, COLS)
    path = write_tif(tmp_path / "dem.tif", values, nodata=17)
    with rasterio.open(path, "r+") as target:
        target.scales, target.offsets = (0.01,), (-100.0,)
    read, _ = rasters.read_window(path, (WEST, NORTH - 1, WEST + 20, NORTH))
    assert np.isnan(read[0, 17])
    assert read.dtype == np.float64
    assert np.allclose(np.delete(read[0], 17), np.delete(values[0, : read.shape[1]] * 0.01 - 100, 17))


def test_south_up_rasters_are_placed_right(tmp_path: Path) -> None:
    path = write_tif(tmp_path / "dem.tif", ramp()[::-1], transform=Affine(CELL, 0, WEST, 0, CELL, NORTH - ROWS * CELL))
    values, place = rasters.read_window(path, (WEST + 5, NORTH - 10, WEST + 6, NORTH - 8))
    assert place.e == CELL
    turned = Affine(CELL, 0, place.c, 0, -CELL, place.f + values.shape[0] * CELL)
    assert np.array_equal(values[::-1], expected_cells(turned, values))


def test_band_that_is_not_there(dem: Path) -> None:
    with pytest.raises(RasterError, match="has no band 2, only 1"):
        rasters.read_window(dem, (WEST, NORTH - 1, WEST + 1, NORTH), band=2)


# --- raster tables in a GeoPackage ------------------------------------------------------------------------


def test_raster_table_beside_layers(tmp_path: Path, dem: Path) -> None:
    site = tmp_path / "site.gpkg"
    pyogrio.write_dataframe(gpd.GeoDataFrame({"a": [1]}, geometry=[Point(0, 0)], crs=UTM32), site, layer="parcels")
    write_tif(tmp_path / "other.tif", np.full((ROWS, COLS), 5, dtype="float32"))
    for name in ("dem", "other"):
        rasterio.shutil.copy(tmp_path / f"{name}.tif", site, driver="GPKG", APPEND_SUBDATASET="YES", RASTER_TABLE=name)
    before = digest(site)
    source = rasters.raster_table(site, "Dem")
    assert rasters.raster_overview(source).bounds == rasters.raster_overview(dem).bounds
    values, place = rasters.read_window(source, (WEST + 5, NORTH - 10, WEST + 6, NORTH - 8))
    assert np.array_equal(values, expected_cells(place, values))
    assert rasters.raster_table(site, "parcels") is None
    assert rasters.raster_table(dem, "dem") is None
    with pytest.raises(RasterError, match="holds several rasters"):
        rasters.raster_overview(site)
    assert digest(site) == before


def test_raster_table_of_files_that_have_none(tmp_path: Path) -> None:
    (tmp_path / "junk.gpkg").write_bytes(b"junk" * 100)
    assert rasters.raster_table(tmp_path / "junk.gpkg", "dem") is None
    assert rasters.raster_table(tmp_path / "missing.gpkg", "dem") is None


# --- open rasters -----------------------------------------------------------------------------------------


def test_a_raster_is_opened_once_and_only_a_few_are_kept(tmp_path: Path) -> None:
    paths = [write_tif(tmp_path / f"{number}.tif", ramp()) for number in range(opening.MAX_OPEN + 3)]
    first = opening._opened(str(paths[0]))
    assert opening._opened(str(paths[0])) is first
    for path in paths[1:]:
        opening._opened(str(path))
    assert len(opening._datasets_of_thread()) == opening.MAX_OPEN
    assert first.closed
    assert opening._opened(str(paths[0])) is not first


def test_a_replaced_raster_is_read_anew(dem: Path) -> None:
    bounds = (WEST + 5, NORTH - 10, WEST + 6, NORTH - 8)
    rasters.read_window(dem, bounds)
    newer = write_tif(dem.with_name("newer.tif"), ramp() + 7)
    newer.replace(dem)
    values, place = rasters.read_window(dem, bounds)
    assert np.array_equal(values, expected_cells(place, values) + 7)


def read_many(path: Path, seed: int, turns: int = 200) -> bool:
    """Whether many windows, read at random, all hold what belongs there."""
    rng = np.random.default_rng(seed)
    for _ in range(turns):
        x, y = rng.random(2) * 20
        values, place = rasters.read_window(path, (WEST + x, NORTH - y - 3, WEST + x + 3, NORTH - y))
        if not np.array_equal(values, expected_cells(place, values)):
            return False
    return True


def test_threads_share_no_handle(dem: Path) -> None:
    """One handle across threads ends the process (trap)."""
    together = threading.Barrier(4)

    def work(seed: int) -> tuple[bool, int]:
        together.wait()
        right = read_many(dem, seed)
        handle = id(opening._opened(str(dem)))
        together.wait()
        rasters.close_rasters()
        return right, handle

    with ThreadPoolExecutor(4) as pool:
        results = list(pool.map(work, range(4)))
    assert all(right for right, _ in results)
    assert len({handle for _, handle in results}) == 4


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system does not fork")
@pytest.mark.filterwarnings("ignore:This process .* is multi-threaded:DeprecationWarning")
def test_a_fork_reads_with_handles_of_its_own(dem: Path) -> None:
    """A handle opened before a fork and used after it reads wrong windows without an error (trap)."""
    parents = opening._opened(str(dem))
    forking = multiprocessing.get_context("fork")
    answers = forking.SimpleQueue()

    def child(seed: int) -> None:
        answers.put((opening._opened(str(dem)) is not parents, read_many(dem, seed)))

    children = [forking.Process(target=child, args=(seed,)) for seed in range(2)]
    for process in children:
        process.start()
    assert read_many(dem, 9)
    for process in children:
        process.join(60)
        assert process.exitcode == 0
    assert [answers.get() for _ in children] == [(True, True)] * 2
    assert not parents.closed


# --- writing ----------------------------------------------------------------------------------------------


def as_cog(path: Path, values: np.ndarray) -> Path:
    like = dataclasses.replace(LIKE, height=values.shape[0], width=values.shape[1])
    return rasters.write_mosaic(rasters.CogTarget(path, "slope", "percent"), like, [(values, PLACE)])


def test_cog_holds_values_place_and_overviews(tmp_path: Path) -> None:
    rows, cols = np.mgrid[0:700, 0:900]
    values = np.hypot(rows, cols) / 10
    values[100:110] = np.nan
    path = as_cog(tmp_path / "slope.tif", values)
    with rasterio.open(path) as written:
        assert written.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert written.overviews(1)
        assert (written.descriptions, written.units) == (("slope",), ("percent",))
        assert written.dtypes == ("float32",)
        assert np.isnan(written.nodata)
    info = rasters.raster_overview(path)
    assert (info.crs, info.transform) == (UTM32, PLACE)
    read, _ = rasters.read_window(path, info.bounds)
    assert np.array_equal(read, values.astype("float32"), equal_nan=True)
    assert [file.name for file in path.parent.iterdir()] == ["slope.tif"]


def test_cog_is_whole_or_absent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = as_cog(tmp_path / "slope.tif", ramp())
    before = digest(path)

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.rasterio.shutil, "copy", fail)
    with pytest.raises(RasterError, match="No space left") as caught:
        as_cog(path, ramp() * 2)
    assert caught.value.where == (str(path),)
    assert digest(path) == before
    assert [file.name for file in tmp_path.iterdir()] == ["slope.tif"]


def test_cog_says_where_it_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(RasterError, match="could not be written"):
        as_cog(tmp_path / "file" / "a.tif", ramp())


def test_complex_numbers_are_refused_in_words(tmp_path):
    path = tmp_path / "complex.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=4, height=4, count=1, dtype="complex64", crs=UTM32.to_wkt(), transform=PLACE
    ) as file:
        file.write(np.full((1, 4, 4), 3 + 1j, np.complex64))
    for read in (lambda: rasters.raster_overview(path), lambda: rasters.read_rows(path, 0, 2)):
        with pytest.raises(RasterError, match=r"complex\.tif: holds complex numbers .*Export the band"):
            read()


@pytest.mark.parametrize("size", [3, 64, 300])
def test_samples_are_values_from_corner_to_corner(tmp_path, size):
    def value(values, **profile):
        path = tmp_path / "dem.tif"
        with rasterio.open(
            path, "w", driver="GTiff", width=size, height=size, count=1, dtype="float32", crs=UTM32.to_wkt(),
            transform=PLACE, **profile,
        ) as file:  # fmt: skip
            file.write(values.astype("float32"), 1)
        rasters.close_rasters()
        return set(rasters.sample_values(path).tolist())

    level = np.full((size, size), 7.5)
    assert value(level) == {7.5}
    level[-1, -1] = np.nan
    assert value(level) == {7.5}
    level[-1, 0], level[0, -1] = 7.25, 7.75
    assert value(level) == {7.25, 7.5, 7.75}
    assert value(np.full((size, size), -9999.0), nodata=-9999) == set()
