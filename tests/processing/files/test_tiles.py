"""Tiles tied together: each cell where it belongs, and tiles that don't fit refused by name."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lawngis.errors import RasterError
from lawngis.processing.files.tiles import tile_files, virtual_raster

CRS_WORD = "EPSG:25832"


def put_tile(path, values, *, column=0.0, row=0.0, cell=0.5, crs=CRS_WORD, nodata=-9999.0, unit="m"):
    """A tile whose first cell is that many cells from (1000, 9000)."""
    values = np.asarray(values)
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype=values.dtype, crs=crs,
        nodata=nodata, transform=Affine(cell, 0, 1000 + column * cell, 0, -cell, 9000 - row * cell),
    ) as file:  # fmt: skip
        file.write(values, 1)
        if unit:
            file.set_band_unit(1, unit)


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "tiles"
    path.mkdir()
    return path


def read(path):
    with rasterio.open(path) as file:
        return file.read(1, masked=True), file.transform, file.crs, file.units[0]


PLACE, SIDE = st.integers(0, 9), st.integers(1, 6)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(0, 9), st.integers(0, 9), st.integers(1, 6), st.integers(1, 6)), min_size=1, max_size=5
    )
)
def test_every_cell_lies_where_its_tile_has_it(folder, places):
    for old in folder.iterdir():
        old.unlink()
    expected = np.full((16, 16), np.nan)
    for number, (row, column, rows, columns) in enumerate(places):
        values = number * 100 + np.arange(rows * columns, dtype="float32").reshape(rows, columns)
        put_tile(folder / f"{number}.tif", values, row=row, column=column)
        expected[row : row + rows, column : column + columns] = values
    found, transform, crs, unit = read(virtual_raster(tile_files(folder), folder / "all.vrt"))
    top, left = min(place[0] for place in places), min(place[1] for place in places)
    assert transform == Affine(0.5, 0, 1000 + left / 2, 0, -0.5, 9000 - top / 2)
    part = expected[top : top + found.shape[0], left : left + found.shape[1]]
    assert np.array_equal(found.filled(np.nan), part, equal_nan=True)
    assert np.isnan(expected).sum() - np.isnan(part).sum() == expected.size - part.size  # nothing lies outside
    assert (crs.to_epsg(), unit) == (25832, "m")


def test_what_a_tile_does_not_know_the_one_below_may(folder):
    put_tile(folder / "a.tif", np.full((2, 2), 5, dtype="float32"))
    put_tile(folder / "b.tif", np.array([[7, -9999], [-9999, -9999]], dtype="float32"))
    values, *_ = read(virtual_raster(tile_files(folder), folder / "all.vrt"))
    assert values.tolist() == [[7, 5], [5, 5]]


def test_integers_without_a_value_for_no_data_stay_what_they_are(folder):
    put_tile(folder / "a.tif", np.arange(6, dtype="int16").reshape(2, 3), nodata=None, unit=None)
    put_tile(folder / "b.tif", np.arange(6, dtype="int16").reshape(2, 3), nodata=None, unit=None, column=3)
    values, _, _, unit = read(virtual_raster(tile_files(folder), folder / "all.vrt"))
    assert values.dtype == "int16"
    assert values.tolist() == [[0, 1, 2, 0, 1, 2], [3, 4, 5, 3, 4, 5]]
    assert not unit


def test_floats_without_a_value_for_no_data_have_one_between_tiles(folder):
    put_tile(folder / "a.tif", np.zeros((1, 1), dtype="float32"), nodata=None)
    put_tile(folder / "b.tif", np.ones((1, 1), dtype="float32"), nodata=None, column=2)
    values, *_ = read(virtual_raster(tile_files(folder), folder / "all.vrt"))
    assert values.filled(np.nan).tolist()[0] == pytest.approx([0, np.nan, 1], nan_ok=True)


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ({"crs": "EPSG:25833"}, "is in"),
        ({"cell": 0.25}, "cells of 0.25"),
        ({"unit": "ft"}, "another vertical unit"),
        ({"nodata": -1.0}, "no data at -1"),
        ({"values": np.zeros((3, 3), dtype="float64")}, "holds float64"),
        ({"column": 3.2}, "between the cells"),
    ],
)
def test_a_tile_unlike_the_others_is_named(folder, other, said):
    put_tile(folder / "a.tif", np.zeros((3, 3), dtype="float32"))
    told = {"values": np.zeros((3, 3), dtype="float32"), "column": 3.0, **other}
    put_tile(folder / "b.tif", told.pop("values"), **told)
    with pytest.raises(RasterError, match=said) as error:
        virtual_raster(tile_files(folder), folder / "all.vrt")
    assert "b.tif" in str(error.value) and "a.tif" in str(error.value)


def test_a_corner_rounded_in_the_file_still_fits(folder):
    put_tile(folder / "a.tif", np.zeros((3, 3), dtype="float32"))
    put_tile(folder / "b.tif", np.ones((3, 3), dtype="float32"), column=3.004)
    values, *_ = read(virtual_raster(tile_files(folder), folder / "all.vrt"))
    assert values[0].tolist() == [0, 0, 0, 1, 1, 1]


def test_feet_stay_feet(folder):
    put_tile(folder / "a.tif", np.zeros((3, 3), dtype="float32"), unit="US survey foot")
    *_, unit = read(virtual_raster(tile_files(folder), folder / "all.vrt"))
    assert unit == "us-ft"


def test_hidden_files_and_others_are_no_tiles(folder):
    put_tile(folder / "b.TIF", np.zeros((1, 1), dtype="float32"))
    put_tile(folder / "a.tiff", np.zeros((1, 1), dtype="float32"))
    put_tile(folder / ".half.tif", np.zeros((1, 1), dtype="float32"))
    (folder / "notes.txt").write_text("")
    assert [path.name for path in tile_files(folder)] == ["a.tiff", "b.TIF"]


def test_an_empty_folder_and_a_broken_tile_are_said(folder):
    with pytest.raises(RasterError, match="holds no GeoTIFF"):
        virtual_raster(tile_files(folder), folder / "all.vrt")
    (folder / "a.tif").write_bytes(b"not a raster")
    with pytest.raises(RasterError, match=r"a\.tif"):
        virtual_raster(tile_files(folder), folder / "all.vrt")


def test_all_bands_of_photos_are_tied_together_with_names_and_colours_and_no_picture_between(folder):
    for number, column in enumerate((0, 4)):
        values = np.arange(24, dtype="uint8").reshape(4, 2, 3) + 100 * number
        with rasterio.open(
            folder / f"{number}.tif", "w", driver="GTiff", width=3, height=2, count=4, dtype="uint8", crs=CRS_WORD,
            transform=Affine(0.5, 0, 1000 + column / 2, 0, -0.5, 9000), photometric="RGB", alpha="NO",
        ) as file:  # fmt: skip
            file.write(values)
            file.descriptions = ("nir", "red", "green", "blue")
    with rasterio.open(virtual_raster(tile_files(folder), folder / "all.vrt")) as file:
        found = file.read(masked=True)
        assert (file.descriptions, [colour.name for colour in file.colorinterp][:3]) == (
            ("nir", "red", "green", "blue"), ["red", "green", "blue"],
        )  # fmt: skip
    assert found[3, 1].tolist() == [21, 22, 23, None, 121, 122, 123]
    put_tile(folder / "2.tif", np.zeros((2, 3), dtype="uint8"), nodata=None, unit=None, column=8)
    with pytest.raises(RasterError, match=r"2\.tif: has 1 bands, not 4"):
        virtual_raster(tile_files(folder), folder / "all.vrt")
