"""Terrain and surface models of made clouds whose ground is known, and what is refused."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio

sys.path.insert(0, str(Path(__file__).parent))
import made_clouds as made

from lawngis.errors import ParameterError, SiteError
from lawngis.processing.files import point_clouds
from lawngis.processing.files.rasters import raster_overview
from lawngis.processing.gathering.point_cloud import elevation_models


class Models:
    """The rasters of a result, with the place of each cell from the garden's corner [m]."""

    def __init__(self, models):
        self.said = models
        self.dem, self.dsm, self.sd, self.points = (
            self.read(path) for path in (models.dem, models.dsm, models.sd, models.points)
        )
        with rasterio.open(models.dem) as dem:
            cols, rows = np.meshgrid(np.arange(dem.width) + 0.5, np.arange(dem.height) + 0.5)
            x, y = dem.transform @ (cols, rows)
            self.size = dem.res
        unit_m = models.cell_m / models.cell_size
        self.x, self.y = x * unit_m - made.EAST, y * unit_m - made.NORTH

    @staticmethod
    def read(path):
        with rasterio.open(path) as raster:
            return raster.read(1).astype(float)

    @property
    def off(self):
        return self.dem - made.ground_m(self.x, self.y)

    @property
    def measured(self):
        return self.points > 0

    @property
    def filled(self):
        return self.points == 0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("clouds")


@pytest.fixture(scope="module", params=["classes", "filter"])
def models(request, folder):
    """The garden as LAZ, with classes and without."""
    cloud = made.write_cloud(folder / f"{request.param}.laz", classes=request.param == "classes")
    result = Models(elevation_models([cloud], folder / request.param))
    assert result.said.ground_found == request.param
    return result


def test_cells_follow_from_the_density(models):
    assert models.said.cell_size == models.said.cell_m == 0.5
    assert models.size == (0.5, 0.5)


def test_the_dem_is_the_ground_and_its_sd_is_honest(models):
    off, sd = models.off[models.measured], models.sd[models.measured]
    assert np.sqrt(np.mean(off**2)) < 0.03
    assert abs(np.mean(off)) < 0.003
    assert 0.87 < np.mean(np.abs(off) <= 1.645 * sd) < 0.94
    assert np.mean((np.abs(models.off) <= 1.645 * models.sd)[models.filled]) > 0.9


def test_no_wall_bush_or_crown_is_in_the_dem(models):
    assert np.nanmax(np.abs(models.off)) < 0.25


def test_the_house_stays_empty_and_narrow_gaps_are_filled_and_marked(models):
    inside = made.in_house(models.x, models.y, -1.5)
    assert (
        np.isnan(models.dem[inside]).all()
        and np.isnan(models.sd[inside]).all()
        and np.isnan(models.points[inside]).all()
    )
    elsewhere = ~made.in_house(models.x, models.y, 1.0)
    assert np.isfinite(models.dem[elsewhere]).mean() > 0.995
    said, surface = models.said, np.isfinite(models.dsm).sum()
    assert said.empty_share == pytest.approx(np.isnan(models.dem[np.isfinite(models.dsm)]).sum() / surface)
    assert said.filled_share == pytest.approx((models.filled & np.isfinite(models.dsm)).sum() / surface)
    assert 0.05 < said.filled_share < 0.25


def test_the_dsm_has_the_tops(models):
    near = np.hypot(models.x - made.TREE[0], models.y - made.TREE[1]) < 1
    top = made.ground_m(*made.TREE) + made.TREE_M
    assert np.nanmax(models.dsm[near]) == pytest.approx(top, abs=0.15)
    within = np.hypot(models.x - made.TREE[0], models.y - made.TREE[1]) < 2.5  # where the crown is 6.7 m or higher
    assert np.mean((models.dsm - made.ground_m(models.x, models.y))[within] > 6) > 0.98
    assert np.nanmedian(models.dsm[made.in_house(models.x, models.y, -1)]) == pytest.approx(made.HOUSE_TOP_M, abs=0.1)
    along = (np.abs(models.x - 35) < 0.3) & (models.y < 28)  # two cells wide, of which the wall may hit one
    over = np.where(along, models.dsm - made.ground_m(models.x, models.y), -np.inf).max(axis=1)
    assert np.median(over[np.isfinite(over)]) == pytest.approx(made.WALL_M, abs=0.15)


def test_echoes_gone_astray_are_nowhere(models):
    assert np.nanmax(models.dsm) < 70
    assert np.nanmin(models.dem) > 45


def test_what_is_said_is_what_was_read(models):
    assert models.said.points_read == pytest.approx(8 * made.SIDE_M**2, rel=0.05)
    assert models.said.ground_points == np.nansum(models.points)
    assert models.said.sd_m == 0.05  # of no cloud is said more
    filter_said = [note for note in models.said.notes if "filter" in note]
    assert bool(filter_said) == (models.said.ground_found == "filter")


def test_a_noisy_cloud_says_so(folder, monkeypatch):
    monkeypatch.setattr(made, "NOISE_M", 0.15)
    result = Models(elevation_models([made.write_cloud(folder / "noisy.laz")], folder / "noisy"))
    off = result.off[result.measured]
    assert result.said.sd_m == pytest.approx(np.sqrt(np.mean(off**2)), rel=0.2)
    assert result.said.sd_m > 0.09


def test_las_and_laz_of_old_and_new_kinds_and_tiles_give_the_same(folder):
    whole = made.write_cloud(folder / "whole.laz")
    old = made.write_cloud(folder / "old.las", point_format=1)
    one, other = (elevation_models([path], folder / path.stem) for path in (whole, old))
    np.testing.assert_array_equal(Models(one).dem, Models(other).dem)
    assert one.dem.read_bytes() == elevation_models([whole], folder / "again").dem.read_bytes()
    half = made.write_cloud(folder / "half.laz", density_m2=4, seed=5)
    both = elevation_models([half, made.write_cloud(folder / "half2.laz", density_m2=4, seed=6)], folder / "both")
    assert both.cell_m == 0.5
    assert both.points_read == pytest.approx(one.points_read, rel=0.02)


def test_feet_and_a_compound_crs_are_kept_as_the_file_says(folder):
    foot = 1200 / 3937
    crs = "EPSG:2263+6360"  # New York Long Island in US survey feet, NAVD88 height in the same
    cloud = made.write_cloud(folder / "feet.laz", crs=crs, unit_m=foot)
    result = Models(elevation_models([cloud], folder / "feet"))
    assert result.said.cell_size == 2.0
    assert result.said.crs.is_compound
    info, sd = raster_overview(result.said.dem), raster_overview(result.said.sd)
    assert info.vertical_unit_m == pytest.approx(foot, rel=1e-9)
    assert sd.vertical_unit_m == 1.0
    assert info.crs.to_epsg() == 2263
    off_m = result.dem * foot - made.ground_m(result.x, result.y)
    assert np.sqrt(np.nanmean(off_m[result.measured] ** 2)) < 0.03
    assert 0.87 < np.mean((np.abs(off_m) <= 1.645 * result.sd)[result.measured]) < 0.94
    assert not result.said.notes


def test_without_a_vertical_crs_the_unit_is_taken_from_x_and_y_and_said(folder):
    cloud = made.write_cloud(folder / "flat.laz", crs="EPSG:2263", unit_m=1200 / 3937)
    result = elevation_models([cloud], folder / "flat")
    assert raster_overview(result.dem).vertical_unit_m == pytest.approx(1200 / 3937)
    assert any("us-ft" in note for note in result.notes)


def test_an_area_in_degrees_leaves_the_rest_out(folder):
    from pyproj import Transformer

    cloud = made.write_cloud(folder / "area.laz")
    back = Transformer.from_crs("EPSG:25832", "EPSG:4326", always_xy=True)
    west, south = back.transform(made.EAST + 10, made.NORTH + 10)
    east, north = back.transform(made.EAST + 30, made.NORTH + 25)
    result = Models(elevation_models([cloud], folder / "area", (west, south, east, north)))
    assert result.dem.shape == pytest.approx((30, 40), abs=1)
    with pytest.raises(SiteError, match="no points in the area"):
        elevation_models([cloud], folder / "area", (west + 1, south, east + 1, north))


def test_memory_of_cells_depends_on_neither_points_nor_ground(tmp_path):
    store = point_clouds.CellStore(tmp_path, [0.0, np.nan], side_cells=32, memory_bytes=8 * 2 * 32 * 32 * 8)
    most = 0
    for number in range(200):
        store.square((number // 10, number % 10))[0] += number
        most = max(most, store.memory_bytes)
    for number in range(200):  # each a second time
        store.square((number // 10, number % 10))[0] += 1
        most = max(most, store.memory_bytes)
    assert most == 8 * 2 * 32 * 32 * 8
    assert len(store.keys) == 200
    window = store.window(-5, 25, 50, 20)
    assert window.shape == (2, 50, 20)
    np.testing.assert_array_equal(window[0, :5], 0)
    np.testing.assert_array_equal(window[0, 5:37, :7], 1)
    np.testing.assert_array_equal(window[0, 37:, 7:], 12)
    assert np.isnan(window[1]).all()


def test_ten_times_the_points_take_no_more_memory_of_cells(folder, monkeypatch):
    most = []

    class Watched(point_clouds.CellStore):
        def square(self, key):
            square = super().square(key)
            most.append(self.memory_bytes)
            return square

    monkeypatch.setattr("lawngis.processing.gathering.point_cloud.CellStore", Watched)
    monkeypatch.setattr("lawngis.processing.files.point_clouds.CHUNK_POINTS", 5000)
    monkeypatch.setattr("lawngis.ground.point_grid.CELL_MIN_M", 0.5)
    peaks = []
    for density in (8, 80):
        most.clear()
        elevation_models([made.write_cloud(folder / f"{density}.laz", density_m2=density)], folder / str(density))
        peaks.append(max(most))
    assert peaks[0] == peaks[1]


def test_clouds_in_other_crs_are_refused_together(folder):
    one, other = (made.write_cloud(folder / f"{crs}.laz", crs=f"EPSG:{crs}") for crs in (25832, 25833))
    with pytest.raises(SiteError, match=r"25833\.laz: is in ETRS89 / UTM zone 33N and 25832\.laz in"):
        elevation_models([one, other], folder / "mixed")


@pytest.mark.parametrize("limit", ["PATCHES_MAX", "CELLS_MAX"])
def test_points_scattered_over_a_country_are_refused(folder, monkeypatch, limit):
    monkeypatch.setattr(f"lawngis.processing.gathering.cloud_cells.{limit}", 30)
    with pytest.raises(SiteError, match=r"scattered over more ground.*--area"):
        elevation_models([made.write_cloud(folder / "wide.laz", density_m2=1)], folder / "wide")


def test_no_cloud_at_all_is_said(folder):
    with pytest.raises(SiteError, match="there is no point cloud"):
        elevation_models([], folder / "none")


@pytest.mark.parametrize(
    ("crs", "said"), [(None, "has no CRS"), ("EPSG:4326", "has points in WGS 84, not in metres or feet")]
)
def test_clouds_without_a_crs_or_in_degrees_are_refused(folder, crs, said):
    path = made.write_cloud(folder / "nowhere.las", crs=crs)
    with pytest.raises(SiteError, match=said):
        elevation_models([path], folder / "nowhere")


def test_nothing_is_left_behind_when_a_cloud_turns_out_damaged(folder):
    whole = made.write_cloud(folder / "cut.laz").read_bytes()
    cut = folder / "cut.laz"
    middle = slice(len(whole) // 2, len(whole) - 200)
    cut.write_bytes(whole[: middle.start] + bytes(middle.stop - middle.start) + whole[middle.stop :])
    target = folder / "cut"
    with pytest.raises(SiteError, match=r"cut\.laz: is damaged: it has points beyond the bounds"):
        elevation_models([cut], target)
    assert not target.exists() or not list(target.iterdir())


def test_a_package_that_is_missing_is_said_with_what_to_install(folder, monkeypatch):
    path = made.write_cloud(folder / "fine.las")
    monkeypatch.setitem(sys.modules, "lazrs", None)
    with pytest.raises(ParameterError, match=r"package lazrs\. Install it with: pip install 'lawngis\[gather\]'"):
        elevation_models([path], folder / "missing")
