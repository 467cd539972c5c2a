"""Pieces of rasters become one file on the terrain model's cells."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from lawngis.ground.raster import Grid
from lawngis.processing.files.rasters import raster_overview
from lawngis.processing.planning.mosaics import store_pieces, write_mosaics

UTM = CRS.from_epsg(32632)


@pytest.fixture
def dem(tmp_path: Path):
    path = tmp_path / "dem.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=600, height=500, count=1, dtype="float32", crs=UTM.to_wkt(),
        transform=Affine(0.5, 0, 1000, 0, -0.5, 9000),
    ) as file:  # fmt: skip
        file.write(np.zeros((500, 600), dtype="float32"), 1)
    return raster_overview(path)


def piece(row: int, column: int, values) -> Grid:
    return Grid(np.asarray(values, dtype=float), Affine(0.5, 0, 1000 + 0.5 * column, 0, -0.5, 9000 - 0.5 * row), UTM)


def test_pieces_lie_where_they_belong_and_nothing_lies_elsewhere(tmp_path, dem):
    store_pieces(tmp_path / "pieces", "a/../b", {"slope": piece(10, 20, [[1, 2], [3, np.nan]])})
    store_pieces(tmp_path / "pieces", "ü", {"slope": piece(400, 500, [[7.0]]), "shade": piece(0, 0, [[0.5]])})
    written = write_mosaics(tmp_path / "pieces", ["a/../b", "ü", "failed"], dem, tmp_path)
    assert [path.name for path in written] == ["slope.tif", "shade.tif"]
    with rasterio.open(tmp_path / "slope.tif") as file:
        values = file.read(1)
        assert (file.width, file.height, file.transform) == (600, 500, Affine(0.5, 0, 1000, 0, -0.5, 9000))
        assert file.units == ("%",) and file.descriptions[0].startswith("slope")
    assert values[10:12, 20:22][np.isfinite(values[10:12, 20:22])].tolist() == [1, 2, 3]
    assert values[400, 500] == 7 and np.isfinite(values).sum() == 4


def test_where_pieces_overlap_the_later_one_counts_where_it_has_values(tmp_path, dem):
    store_pieces(tmp_path / "p", "one", {"slope": piece(0, 0, [[1, 1]])})
    store_pieces(tmp_path / "p", "two", {"slope": piece(0, 0, [[np.nan, 2]])})
    write_mosaics(tmp_path / "p", ["one", "two"], dem, tmp_path)
    with rasterio.open(tmp_path / "slope.tif") as file:
        assert file.read(1)[0, :2].tolist() == [1, 2]


def test_nothing_is_left_beside_the_rasters(tmp_path, dem):
    store_pieces(tmp_path / "p", "one", {"slope": piece(0, 0, [[1.0]])})
    write_mosaics(tmp_path / "p", ["one"], dem, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["dem.tif", "p", "slope.tif"]
    assert [path.suffix for path in (tmp_path / "p").iterdir()] == [".npz"]


def test_what_lies_beyond_the_terrain_model_or_on_other_cells_is_left_out(tmp_path, dem):
    beyond = piece(499, -1, [[5.0, 1.0], [5.0, 5.0]])
    corner = piece(-1, -1, [[5.0, 5.0], [5.0, 2.0]])
    elsewhere = Grid(np.array([[5.0]]), piece(7, 7, [[5.0]]).transform, CRS.from_epsg(32633))
    store_pieces(tmp_path / "p", "beyond", {"slope": beyond})
    store_pieces(tmp_path / "p", "corner", {"slope": corner})
    store_pieces(tmp_path / "p", "elsewhere", {"slope": elsewhere})
    store_pieces(tmp_path / "p", "far", {"slope": piece(900, 900, [[5.0]])})
    write_mosaics(tmp_path / "p", ["beyond", "corner", "elsewhere", "far"], dem, tmp_path)
    with rasterio.open(tmp_path / "slope.tif") as file:
        values = file.read(1)
    assert values[499, 0] == 1 and values[0, 0] == 2 and np.isfinite(values).sum() == 2


def test_a_raster_of_an_earlier_run_does_not_stay_beside_a_plan_that_has_none(tmp_path, dem):
    (tmp_path / "slope.tif").write_bytes(b"of an earlier run")
    store_pieces(tmp_path / "p", "one", {"shade": piece(0, 0, [[1.0]])})
    assert [path.name for path in write_mosaics(tmp_path / "p", ["one"], dem, tmp_path)] == ["shade.tif"]
    assert not (tmp_path / "slope.tif").exists()
