"""GeoParquet in: the same features, the CRS that the file means, and files that are none said by name."""

from __future__ import annotations

import json

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from lawngis.errors import LayerError, SiteError
from lawngis.processing.files import gpkg
from lawngis.processing.files.gpkg import geoparquet

pyarrow = pytest.importorskip("pyarrow", reason="needs the extra parquet")

from pyarrow import parquet  # noqa: E402 (there only with the extra)


@pytest.fixture
def table():
    columns = {
        "parcel_id": ["a", "b", None],
        "height_m": [1.5, np.nan, 2.0],
        "floors": pd.array([1, None, 3], dtype="Int64"),
        "rigid": [True, False, True],
        "note": [{"x": 1}] * 3,
    }
    shapes = [shapely.box(0, 0, 1, 1), shapely.box(2, 0, 4, 1), None]
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs="EPSG:25832")


def copied(path, folder):
    folder.mkdir(exist_ok=True)
    return geoparquet.geopackage_of(path, folder)


def test_features_come_back(table, tmp_path, monkeypatch):
    """In batches of two, with columns that are no text, number or truth left out."""
    monkeypatch.setattr(geoparquet, "BATCH_ROWS", 2)
    table.to_parquet(tmp_path / "parcels.parquet")
    copy = copied(tmp_path / "parcels.parquet", tmp_path / "copy")
    (info,) = gpkg.layer_overview(copy)
    assert (info.name, info.feature_count, info.crs.to_epsg()) == ("parcels", 3, 25832)
    assert set(info.columns) == {"parcel_id", "height_m", "floors", "rigid"}
    found = gpkg.read_layer(copy, "parcels")
    assert found["parcel_id"].tolist()[:2] == ["a", "b"]
    assert found["height_m"].tolist() == pytest.approx([1.5, np.nan, 2.0], nan_ok=True)
    assert [None if pd.isna(value) else int(value) for value in found["floors"]] == [1, None, 3]
    assert [bool(value) for value in found["rigid"]] == [True, False, True]
    assert found.geometry.iloc[0].equals(table.geometry.iloc[0])
    assert found.geometry.iloc[2] is None or found.geometry.iloc[2].is_empty


def test_many_features_can_be_cut_out_by_place(tmp_path):
    points = shapely.points(np.arange(25_000.0), np.zeros(25_000))
    geopandas.GeoDataFrame({"n": np.arange(25_000)}, geometry=points, crs="EPSG:3857").to_parquet(
        tmp_path / "trees.parquet"
    )
    copy = copied(tmp_path / "trees.parquet", tmp_path / "copy")
    found = gpkg.read_layer(copy, "trees", bbox=(19_999.5, -1, 20_001.5, 1))
    assert found["n"].tolist() == [20_000, 20_001]


def with_geo(path, change):
    """Change what a file says of its geometries."""
    stored = parquet.read_table(path)
    told = json.loads(stored.schema.metadata[b"geo"])
    change(told["columns"]["geometry"])
    parquet.write_table(stored.replace_schema_metadata({b"geo": json.dumps(told).encode()}), path)


def test_a_file_that_does_not_say_its_crs_means_longitude_and_latitude(table, tmp_path):
    """GeoParquet 1.1.0, "crs": "OGC:CRS84" where the key is absent, and an unknown one where it is null."""
    path = tmp_path / "p.parquet"
    table[["parcel_id", "geometry"]].to_parquet(path)
    with_geo(path, lambda column: column.pop("crs"))
    assert gpkg.layer_overview(copied(path, tmp_path / "absent"))[0].crs.is_geographic
    with_geo(path, lambda column: column.update(crs=None))
    assert gpkg.layer_overview(copied(path, tmp_path / "null"))[0].crs is None


def test_other_encodings_are_refused(table, tmp_path):
    path = tmp_path / "p.parquet"
    table.iloc[:2].to_parquet(path, geometry_encoding="geoarrow", schema_version="1.1.0")
    with pytest.raises(LayerError, match=r"p\.parquet.*which is not read.*WKB"):
        copied(path, tmp_path / "copy")


def test_a_table_without_geometry_and_no_table_at_all_are_said(table, tmp_path):
    path = tmp_path / "p.parquet"
    pd.DataFrame({"a": [1]}).to_parquet(path)
    with pytest.raises(SiteError, match="is no GeoParquet"):
        copied(path, tmp_path / "copy")
    path.write_bytes(b"PAR1 and then nothing")
    with pytest.raises(SiteError, match="is no Parquet file"):
        copied(path, tmp_path / "copy")
    with pytest.raises(SiteError, match="is no Parquet file"):
        copied(tmp_path / "none.parquet", tmp_path / "copy")


def test_a_file_that_is_cut_off_is_said(table, tmp_path):
    path = tmp_path / "p.parquet"
    table.drop(columns="note").to_parquet(path)
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(SiteError, match=r"p\.parquet"):
        copied(path, tmp_path / "copy")


def test_without_its_package_the_extra_is_named(table, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(SiteError, match=r"lawngis\[parquet\]"):
        copied(tmp_path / "p.parquet", tmp_path / "copy")


def test_the_file_itself_is_left_as_it_is(table, tmp_path):
    path = tmp_path / "p.parquet"
    table.drop(columns="note").to_parquet(path)
    before = path.read_bytes()
    copied(path, tmp_path / "copy")
    assert path.read_bytes() == before
    assert [item.name for item in tmp_path.iterdir() if item.is_file()] == ["p.parquet"]
