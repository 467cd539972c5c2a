"""One site in every format that may be brought: each parcel is seen alike."""

from __future__ import annotations

import importlib.util
import warnings
from functools import partial

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.windows import Window

from lawngis.processing.files.tiles import tile_files, virtual_raster
from lawngis.processing.planning.fingerprints import site_fingerprint
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource

IDS = ["P1", "P2"]
LAYERS = ("parcels", "beds", "trees")


@pytest.fixture
def site(build, tmp_path):
    """Two parcels with beds and trees, each layer in a GeoPackage of its own."""
    folder = tmp_path / "site"
    build.site(folder, parcels=[build.block(x, 0, 20, 15) for x in (0, 25)], dem=False)
    (folder / "site.gpkg").rename(folder / "parcels.gpkg")
    build.layer(
        folder / "beds.gpkg", "beds", [build.block(2, 2, 2, 2), build.block(30, 5, 3, 2)], kind=["flowers", None]
    )
    trees = [build.at(8, 8), build.at(40, 4)]
    build.layer(folder / "trees.gpkg", "trees", trees, trunk_diameter_m=[0.3, None], height_m=[7, 9])
    build.dem(folder / "dem.tif")
    return folder


def copied(site, folder, ending, write):
    """The site with its layers in another format."""
    folder.mkdir()
    for name in LAYERS:
        write(pyogrio.read_dataframe(site / f"{name}.gpkg"), folder / f"{name}{ending}")
    (folder / "dem.tif").write_bytes((site / "dem.tif").read_bytes())
    return folder


def seen(folder, **words):
    source = SiteSource(site_files(folder, **words))
    return [site_fingerprint(source.site(name)) for name in IDS]


def as_flatgeobuf(table, path, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.write_dataframe(table, path, driver="FlatGeobuf", **options)


def test_flatgeobuf(site, tmp_path):
    folder = copied(site, tmp_path / "fgb", ".fgb", partial(as_flatgeobuf, SPATIAL_INDEX="NO"))
    files = site_files(folder)
    assert {name: place.path.name for name, place in files.layers.items()} == {name: f"{name}.fgb" for name in LAYERS}
    assert sorted(path.suffix for path in files.inputs) == [".fgb", ".fgb", ".fgb", ".tif"]
    assert seen(folder) == seen(site)


def test_flatgeobuf_with_an_index_comes_in_another_order(site, tmp_path):
    """Its features lie along a curve, so that only what they are is the same."""
    folder = copied(site, tmp_path / "fgb", ".fgb", as_flatgeobuf)
    for name in IDS:
        one, other = (SiteSource(site_files(path)).site(name) for path in (site, folder))
        assert one.parcel.equals(other.parcel)
        assert set(one.layers) == set(other.layers)
        for layer, table in one.layers.items():
            assert sorted(shapely.to_wkb(table.geometry)) == sorted(shapely.to_wkb(other.layers[layer].geometry))


def test_flatgeobuf_as_the_site_itself_and_to_the_end(site, tmp_path, planned):
    folder = copied(site, tmp_path / "fgb", ".fgb", as_flatgeobuf)
    outcome, summary = planned(folder / "parcels.fgb", "--dem", site / "dem.tif", "--set", "schedule.departures=0")
    assert outcome.code == 0
    assert set(summary.index) == set(IDS)
    assert set(summary["status"]) == {"planned"}


def test_a_flatgeobuf_that_is_cut_off_is_refused(site, tmp_path, refused):
    folder = copied(site, tmp_path / "fgb", ".fgb", as_flatgeobuf)
    whole = (folder / "parcels.fgb").read_bytes()
    (folder / "parcels.fgb").write_bytes(whole[:60])
    assert "parcels" in refused(folder)


@pytest.mark.skipif(importlib.util.find_spec("pyarrow") is None, reason="needs the extra parquet")
def test_geoparquet(site, tmp_path):
    folder = copied(site, tmp_path / "parquet", ".parquet", geopandas.GeoDataFrame.to_parquet)
    files = site_files(folder)
    assert {name: place.path.name for name, place in files.layers.items()} == {
        name: f"{name}.parquet" for name in LAYERS
    }
    assert sorted(path.suffix for path in files.inputs) == [".parquet", ".parquet", ".parquet", ".tif"]
    assert seen(folder) == seen(site)


COORDINATES = {".geojson": {"COORDINATE_PRECISION": 15}, ".shp": {}, ".gml": {"XSISCHEMA": "OFF"}}
DRIVERS = {".geojson": "GeoJSON", ".shp": "ESRI Shapefile", ".gml": "GML"}
AS_PEOPLE_HAVE_IT = """
[layers]
trees = "crowns"
[columns.parcels]
parcel_id = "capa"
label = "capa"
[columns.trees]
trunk_diameter_m = "dbh"
[values.beds.kind]
Blumen = "flowers"
[rasters]
dem = "heights/ground.tif"
"""


@pytest.mark.parametrize("ending", DRIVERS)
def test_files_with_names_and_words_of_their_own(site, tmp_path, ending):
    theirs = {
        "parcels": ("parcels", {"parcel_id": "capa"}),
        "beds": ("beds", {}),
        "trees": ("crowns", {"trunk_diameter_m": "dbh"}),
    }
    folder = tmp_path / "theirs"
    (folder / "heights").mkdir(parents=True)
    for name, (stem, names) in theirs.items():
        table = (
            pyogrio.read_dataframe(site / f"{name}.gpkg").rename(columns=names).drop(columns="label", errors="ignore")
        )
        if name == "beds":
            table["kind"] = table["kind"].replace("flowers", " blumen")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pyogrio.write_dataframe(table, folder / f"{stem}{ending}", driver=DRIVERS[ending], **COORDINATES[ending])
    (folder / "heights/ground.tif").write_bytes((site / "dem.tif").read_bytes())
    (folder / "site.toml").write_text(AS_PEOPLE_HAVE_IT, encoding="utf-8")
    (folder / "field_notes.txt").write_text("the gate is narrow", encoding="utf-8")

    source = SiteSource(site_files(folder))
    assert source.parcel_ids == IDS
    assert [source.label(name) for name in IDS] == IDS
    assert list(source.files.ignored) == ["field_notes.txt"]
    ours = SiteSource(site_files(site))
    for name in IDS:
        one, other = ours.site(name), source.site(name)
        assert shapely.equals_exact(one.parcel, other.parcel, 1e-6, normalize=True)
        assert set(one.layers) == set(other.layers)
        for layer, table in one.layers.items():
            assert shapely.equals_exact(table.geometry, other.layers[layer].geometry, 1e-6, normalize=True).all()
            plain = [rows.drop(columns="geometry").astype(object) for rows in (table, other.layers[layer])]
            assert plain[0].where(plain[0].notna(), None).equals(plain[1].where(plain[1].notna(), None))


def in_tiles(dem, folder, *, side=30, overlap=0):
    """The terrain model in tiles of so many cells, each with some of its neighbours'."""
    folder.mkdir()
    with rasterio.open(dem) as whole:
        for row in range(0, whole.height, side):
            for column in range(0, whole.width, side):
                window = Window(column, row, side + overlap, side + overlap).intersection(
                    Window(0, 0, whole.width, whole.height)
                )
                told = {
                    **whole.profile,
                    "width": window.width,
                    "height": window.height,
                    "transform": whole.window_transform(window),
                }
                with rasterio.open(folder / f"t{row:03d}_{column:03d}.tif", "w", **told) as tile:
                    tile.write(whole.read(1, window=window), 1)
                    tile.set_band_unit(1, "m")


@pytest.mark.parametrize("overlap", [0, 2])
def test_a_terrain_model_in_tiles(site, tmp_path, overlap):
    before = seen(site)
    in_tiles(site / "dem.tif", site / "dem", overlap=overlap)
    (site / "dem.tif").unlink()
    files = site_files(site)
    tiles = sorted((site / "dem").iterdir())
    assert len(tiles) == 12
    assert [path for path in files.inputs if path.suffix == ".tif"] == tiles
    assert seen(site) == before


def test_tiles_elsewhere_and_a_virtual_raster(site, tmp_path):
    before = seen(site)
    (site / "dem.tif").rename(tmp_path / "whole.tif")
    in_tiles(tmp_path / "whole.tif", tmp_path / "tiles")
    assert seen(site, raster_files={"dem": str(tmp_path / "tiles")}) == before
    (tmp_path / "tiles").rename(site / "tiles")
    virtual_raster(tile_files(site / "tiles"), site / "dem.vrt")
    alone = site_files(site)
    assert len([path for path in alone.inputs if path.suffix == ".tif"]) == 12
    assert seen(site) == before


def test_a_tile_that_is_missing_is_unknown_ground(site, tmp_path, planned):
    """The south-east corner of the second parcel, the eighth part of the whole."""
    in_tiles(site / "dem.tif", site / "dem")
    (site / "dem.tif").unlink()
    source = SiteSource(site_files(site))
    whole = source.site("P2").dem.values
    (site / "dem" / "t030_090.tif").unlink()
    part = SiteSource(site_files(site)).site("P2").dem.values
    gone = np.isnan(part)
    assert 0.02 < gone.mean() < 0.5
    assert np.array_equal(part[~gone], whole[~gone])
