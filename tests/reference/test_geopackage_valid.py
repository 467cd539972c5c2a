"""Every GeoPackage written passes the validator of the GDAL project, and that validator finds faults.

Oracle: ``osgeo_utils.samples.validate_gpkg`` of the package gdal-utils (Even Rouault), which checks the numbered
requirements of OGC 12-128, "GeoPackage Encoding Standard", with SQLite alone.
"""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import CRS

from lawngis.processing.files import gpkg
from lawngis.processing.model.contract import Layer
from lawngis.processing.model.layers import PLAN_LAYERS

validate_gpkg = pytest.importorskip(
    "osgeo_utils.samples.validate_gpkg", reason="the validator is in gdal-utils, which is not installed"
)

SHAPES = {
    "Point": shapely.Point(1, 2),
    "LineString": shapely.LineString([(0, 0), (3, 1)]),
    "MultiLineString": shapely.MultiLineString([[(0, 0), (3, 1)]]),
    "Polygon": shapely.box(0, 0, 1, 1),
    "MultiPolygon": shapely.box(0, 0, 1, 1),
}
VALUES = {"text": "a 'b' ä", "real": 0.1, "integer": 3, "boolean": True, "datetime": "2026-05-01T06:07:08.5Z"}


def rows(layer: Layer, count: int) -> pd.DataFrame:
    """Rows of which every other has nothing but nulls, and the last, for points, no place."""
    columns = {
        column.name: pd.Series([column.values[0] if column.values else VALUES[column.kind], None] * count, dtype=object)
        for column in layer.columns
    }
    if layer.key:
        columns[layer.key] = pd.Series([f"{VALUES['text']} {row}" for row in range(2 * count)], dtype=object)
    if layer.geometry is None:
        return pd.DataFrame(columns)
    kinds = layer.geometry_types
    shapes = [SHAPES[kinds[number % len(kinds)]] for number in range(2 * count)]
    if layer.geometry == "Point" and count:
        shapes[-1] = shapely.Point()
    return gpd.GeoDataFrame(columns, geometry=shapes)


def faults(path: Path) -> list[str]:
    return [str(fault) for fault in validate_gpkg.check(str(path), abort_at_first_error=False)]


def written(path: Path, count: int, code: str, layers: Sequence[Layer]) -> Path:
    crs = CRS.from_user_input(code)
    frames = {layer.name: rows(layer, count) for layer in layers}
    placed = {
        name: frame.set_crs(crs) if isinstance(frame, gpd.GeoDataFrame) else frame for name, frame in frames.items()
    }
    return gpkg.write_plan(path, placed, layers, crs=crs)


def test_written_plan_is_valid_with_rows_and_without(tmp_path: Path) -> None:
    layers = list(PLAN_LAYERS.values())
    for count in (0, 20):
        path = written(tmp_path / f"{count}.gpkg", count, "EPSG:25832", layers)
        assert faults(path) == []
        counts = {info.name: info.feature_count for info in gpkg.layer_overview(path)}
        assert counts.pop("layer_styles") == sum(layer.style is not None for layer in layers)
        assert counts == {layer.name: 2 * count for layer in layers}


FEW = [PLAN_LAYERS[name] for name in ("lawn", "pegs", "materials")]


@pytest.mark.parametrize(
    "code", ["EPSG:2263", "EPSG:4326", "+proj=tmerc +lat_0=47 +lon_0=8 +k=1 +ellps=GRS80 +units=m"]
)
def test_plan_in_any_crs_is_valid(tmp_path: Path, code: str) -> None:
    assert faults(written(tmp_path / "plan.gpkg", 1, code, FEW)) == []


@pytest.mark.parametrize(
    ("damage", "requirement"),
    [
        ("PRAGMA application_id = 0", 2),
        ("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = -1", 11),
        ("UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'lawn'", 146),
        ("DROP TRIGGER rtree_lawn_geom_insert", 75),
    ],
)
def test_validator_finds_what_is_broken(tmp_path: Path, damage: str, requirement: int) -> None:
    """Else the tests above could not fail."""
    path = written(tmp_path / "plan.gpkg", 1, "EPSG:25832", FEW)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(damage)
    found = faults(path)
    assert found
    assert any(f"Req {requirement}" in fault or f"({requirement}," in fault for fault in found), found


def test_spatial_index_bounds_every_feature(tmp_path: Path) -> None:
    """OGC 12-128r17, requirement 77: the index holds the bounds of every geometry that is not empty."""
    points = np.random.default_rng(3).random((500, 2)) * 100
    frame = gpd.GeoDataFrame({"peg_no": range(500)}, geometry=shapely.points(points), crs="EPSG:25832")
    path = gpkg.write_plan(tmp_path / "plan.gpkg", {"pegs": frame}, [PLAN_LAYERS["pegs"]])
    with closing(sqlite3.connect(path)) as database:
        index = database.execute("SELECT id, minx, maxx, miny, maxy FROM rtree_pegs_geom ORDER BY id").fetchall()
    fids, min_x, max_x, min_y, max_y = np.array(index).T
    assert fids.tolist() == list(range(1, 501))
    assert ((min_x <= points[:, 0]) & (points[:, 0] <= max_x)).all()
    assert ((min_y <= points[:, 1]) & (points[:, 1] <= max_y)).all()
    assert (max_x - min_x).max() < 1e-4  # the index keeps 32-bit numbers
