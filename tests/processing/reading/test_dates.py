"""Dates that data carry, read back from files that other programs wrote."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely

from lawngis.processing.reading.dates import data_dates, tiff_date
from lawngis.processing.reading.site_files import site_files


def write_tiff(path: Path, **profile) -> Path:
    with rasterio.open(
        path, "w", driver="GTiff", width=4, height=3, count=1, dtype="float32", crs="EPSG:25832",
        transform=rasterio.Affine(1, 0, 500_000, 0, -1, 5_500_000), **profile,
    ) as file:  # fmt: skip
        file.write(np.zeros((1, 3, 4), "float32"))
        file.update_tags(TIFFTAG_DATETIME="2019:04:03 10:20:30")
    return path


@pytest.mark.parametrize("profile", [{}, {"BIGTIFF": "YES"}, {"ENDIANNESS": "BIG"}, {"compress": "deflate"}])
def test_tiff_tells_its_date_in_every_kind_of_file(tmp_path, profile):
    assert tiff_date(write_tiff(tmp_path / "dem.tif", **profile)) == "2019-04-03T10:20:30"


@pytest.mark.parametrize("content", [b"", b"II", b"II*\0\xff\xff\xff\xff", b"no TIFF at all", b"MM\0*\0\0\0\x08\0\1"])
def test_what_has_no_date_has_none(tmp_path, content):
    path = tmp_path / "dem.tif"
    path.write_bytes(content)
    assert tiff_date(path) is None
    assert tiff_date(tmp_path / "absent.tif") is None


def test_dates_of_a_site(tmp_path):
    parcels = geopandas.GeoDataFrame(
        {"parcel_id": ["A"], "geometry": [shapely.box(500_000, 5_499_998, 500_003, 5_500_000)]}, crs="EPSG:25832"
    )
    parcels.to_file(tmp_path / "site.gpkg", layer="parcels", driver="GPKG")
    with closing(sqlite3.connect(tmp_path / "site.gpkg")) as database:
        database.execute("UPDATE gpkg_contents SET last_change = '2021-02-03T04:05:06.000Z'")
        database.commit()
    dem = write_tiff(tmp_path / "dem.tif")
    os.utime(dem, (1_700_000_000, 1_700_000_000))  # 2023-11-14T22:13:20Z, by the calendar of POSIX
    facts = data_dates(site_files(tmp_path))
    assert facts["dated layer parcels"] == "2021-02-03T04:05:06.000Z"
    assert facts["dated raster dem"] == "2019-04-03T10:20:30"
    assert facts[f"modified {dem}"] == "2023-11-14T22:13:20+00:00"
    assert f"modified {tmp_path / 'site.gpkg'}" in facts
