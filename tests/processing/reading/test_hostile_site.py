"""A site from a stranger: nothing is called, nothing hangs, nothing is read or written beside it, one clear line."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import warnings
from contextlib import closing

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.windows import Window

from lawngis.processing.files import gpkg
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource

LEFT, TOP = 499_990.0, 5_500_025.0
"""Corner of the terrain model of the small site."""


@pytest.fixture
def server():
    """A server that nobody may call: its address, and what was asked of it."""
    asked = []
    listening = socket.create_server(("127.0.0.1", 0))

    def serve():
        while True:
            try:
                caller, _ = listening.accept()
            except OSError:
                return
            asked.append(caller.recv(200))
            caller.sendall(b"HTTP/1.0 404 no\r\nContent-Length: 0\r\n\r\n")
            caller.close()

    threading.Thread(target=serve, daemon=True).start()
    yield f"http://127.0.0.1:{listening.getsockname()[1]}", asked
    listening.close()


@pytest.fixture(autouse=True)
def _no_hang():
    """End a test that waits for ever; a call that never looks up is ended with the whole run."""

    def too_long(*_):
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(120)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


def mosaic(name, *, relative=1, srs="EPSG:25832", band=""):
    return (
        f'<VRTDataset rasterXSize="120" rasterYSize="70"><SRS>{srs}</SRS>'
        f"<GeoTransform>{LEFT},0.5,0,{TOP},0,-0.5</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1" {band}><SimpleSource>'
        f'<SourceFilename relativeToVRT="{relative}">{name}</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )


def raw(path):
    return (
        f'<VRTDataset rasterXSize="120" rasterYSize="70"><SRS>EPSG:25832</SRS>'
        f"<GeoTransform>{LEFT},0.5,0,{TOP},0,-0.5</GeoTransform>"
        '<VRTRasterBand dataType="Byte" band="1" subClass="VRTRawRasterBand">'
        f'<SourceFilename relativeToVRT="0">{path}</SourceFilename><LineOffset>8</LineOffset></VRTRasterBand>'
        "</VRTDataset>"
    )


def service(kind, address):
    return {
        "wms": f'<GDAL_WMS><Service name="WMS"><ServerUrl>{address}/?</ServerUrl><Layers>a</Layers>'
        f"<SRS>EPSG:25832</SRS></Service><DataWindow><UpperLeftX>{LEFT}</UpperLeftX><UpperLeftY>{TOP}</UpperLeftY><LowerRightX>500050"
        "</LowerRightX><LowerRightY>5499990</LowerRightY><SizeX>120</SizeX><SizeY>70</SizeY></DataWindow>"
        "<BandsCount>1</BandsCount></GDAL_WMS>",
        "wcs": f"<WCS_GDAL><ServiceURL>{address}/?</ServiceURL><Version>1.0.0</Version><CoverageName>a</CoverageName>"
        "</WCS_GDAL>",
        "wmts": f"<GDAL_WMTS><GetCapabilitiesUrl>{address}/</GetCapabilitiesUrl><Layer>a</Layer></GDAL_WMTS>",
        "vrt": mosaic(f"/vsicurl/{address}/a.tif", relative=0),
    }[kind]


@pytest.mark.parametrize("ending", ["tif", "vrt"])
@pytest.mark.parametrize("kind", ["vrt", "wms", "wcs", "wmts"])
def test_a_terrain_model_that_is_an_address_is_refused_and_not_called(refused, site, server, kind, ending):
    address, asked = server
    (site / "dem.tif").unlink()
    (site / f"dem.{ending}").write_text(service(kind, address))
    said = refused(site)
    assert f"dem.{ending}: " in said
    assert "is no TIFF: it holds XML" in said or "is no virtual raster" in said or "outside its folder" in said
    assert not asked


@pytest.mark.parametrize("ending", ["tif", "vrt"])
def test_raw_bytes_of_another_file_are_no_terrain(refused, site, ending):
    (site / "dem.tif").unlink()
    (site / f"dem.{ending}").write_text(raw(site / "site.gpkg"))
    said = refused(site)
    assert "is no TIFF: it holds XML (VRTDataset)" in said or "it has a VRTRawRasterBand" in said


@pytest.mark.parametrize("address", ["http://127.0.0.1:9/dem.tif", "/vsicurl/http://127.0.0.1:9/dem.tif"])
def test_an_address_on_the_command_line_is_told_apart_from_a_missing_file(refused, site, address):
    assert "is an address, and nothing is read from elsewhere" in refused(site, "--dem", address)


def test_parts_of_a_virtual_raster_lie_in_its_folder_and_are_what_they_say(lawngis, refused, site, server):
    address, asked = server
    (site / "parts").mkdir()
    part = (site / "dem.tif").rename(site / "parts" / "a.tif")
    virtual = site / "dem.vrt"
    virtual.write_text(mosaic("parts/a.tif"))
    assert lawngis("check", site).code == 0
    assert part in site_files(site).inputs
    outside = site.parent / "outside.tif"
    shutil.copy(part, outside)
    for name, relative in (("../outside.tif", 1), (outside, 0), ("parts/../../outside.tif", 1)):
        virtual.write_text(mosaic(name, relative=relative))
        assert "names a part outside its folder" in refused(site)
    virtual.write_text(mosaic("parts/a.tif", band='subClass="VRTDerivedRasterBand"'))
    assert "it has a VRTDerivedRasterBand" in refused(site)
    virtual.write_text(mosaic("parts/a.tif", srs=f"{address}/crs"))
    refused(site)
    virtual.write_text(mosaic("parts/a.tif"))
    part.write_text(service("wms", address))
    assert "its part parts/a.tif is no TIFF: it holds XML (GDAL_WMS)" in refused(site)
    assert not asked


def test_a_virtual_raster_of_entities_ends(refused, site):
    (site / "dem.tif").unlink()
    names = [f'<!ENTITY a{n} "{f"&a{n - 1};" * 50}">' for n in range(1, 9)]
    text = f'<?xml version="1.0"?><!DOCTYPE V [<!ENTITY a0 "{"x" * 50}">{"".join(names)}]><VRTDataset>&a8;</VRTDataset>'
    (site / "dem.vrt").write_text(text)
    assert "is no virtual raster" in refused(site)


@pytest.mark.parametrize(
    "text",
    [
        "<OGRVRTDataSource><OGRVRTLayer name='a'><SrcDataSource>{}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
        "<OGRWFSDataSource><URL>{}/wfs</URL></OGRWFSDataSource>",
        '{{"type": "FeatureCollection", "crs": {{"type": "link", "properties": {{"href": "{}"}}}}, "features": []}}',
    ],
)
@pytest.mark.parametrize("ending", ["fgb", "gpkg", "parquet"])
def test_a_layer_that_is_an_address_is_refused_and_not_called(refused, site, server, text, ending):
    address, asked = server
    (site / f"trees.{ending}").write_text(text.format(address))
    assert f"trees.{ending}: is no " in refused(site)
    assert not asked


def test_a_geojson_names_its_crs_by_no_address(lawngis, tmp_path, server):
    address, asked = server
    square = {"type": "Polygon", "coordinates": [[[8, 50], [8.0003, 50], [8.0003, 50.0002], [8, 50]]]}
    feature = {"type": "Feature", "properties": {"fid": 7, "tags": ["a"]}, "geometry": square}
    content = {"type": "FeatureCollection", "features": [feature]}
    path = tmp_path / "parcels.geojson"
    path.write_text(json.dumps(content))
    assert "usable: 1 parcel" in lawngis("check", path).out
    named = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::4326"}}
    path.write_text(json.dumps(content | {"crs": named}))
    assert "usable: 1 parcel" in lawngis("check", path).out
    path.write_text(json.dumps(content | {"crs": {"type": "link", "properties": {"href": f"{address}/crs"}}}))
    assert "doesn't name its CRS" in lawngis("check", path).out
    path.write_text("[" * 100_000)
    assert "is no GeoJSON" in lawngis("check", path).out
    path.write_text('{"a":' * 100_000)
    assert "nested too deep" in lawngis("check", path).out
    assert not asked


def test_gml_under_its_name_leaves_no_file_beside_it_and_under_another_is_refused(lawngis, refused, site, build):
    (site.parent / "gml").mkdir()
    parcels = geopandas.GeoDataFrame({"label": ["a"]}, geometry=[build.parcel()], crs=build.crs)
    pyogrio.write_dataframe(parcels, site.parent / "gml" / "parcels.gml", driver="GML")
    before = build.hashes(site.parent)
    assert "usable: 1 parcel" in lawngis("check", site.parent / "gml" / "parcels.gml").out
    assert build.hashes(site.parent) == before
    shutil.copy(site.parent / "gml" / "parcels.gml", site / "trees.fgb")
    assert "trees.fgb: is no FlatGeobuf: it holds XML (ogr:FeatureCollection)" in refused(site)


def test_only_the_side_files_of_the_list_are_read(site, build, server):
    """Overviews, masks and notes beside a raster change nothing and call nobody; a world file places it."""
    address, asked = server
    plain = SiteSource(site_files(site)).site("P1").dem.values
    with rasterio.open(site / "dem.tif") as file:
        values, crs = file.read(1), file.crs
    for name, text in (
        ("dem.tif.msk", mosaic(f"{address}/a.tif", relative=0)),
        ("dem.tif.ovr", service("wms", address)),
        ("dem.msk", service("wms", address)),
        ("dem.tif.aux.xml", '<PAMDataset><PAMRasterBand band="1"><Offset>9</Offset><Scale>5</Scale></PAMRasterBand>'
                            "</PAMDataset>"),
    ):  # fmt: skip
        (site / name).write_text(text)
    os.utime(site / "dem.tif", (1, 1))  # opened anew
    files = site_files(site)
    assert np.array_equal(SiteSource(files).site("P1").dem.values, plain)
    assert {path.name for path in files.inputs} == {"site.gpkg", "dem.tif"}
    assert not asked
    for name in ("dem.tif.msk", "dem.tif.ovr", "dem.msk", "dem.tif.aux.xml", "dem.tif"):
        (site / name).unlink()  # first: GDAL deletes all that a file names before it writes another in its place
    profile = {"driver": "GTiff", "width": values.shape[1], "height": values.shape[0], "count": 1, "dtype": "float32"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it has no place: the world file gives it one
        with rasterio.open(site / "dem.tif", "w", **profile, crs=crs) as file:
            file.write(values, 1)
    (site / "dem.tfw").write_text(f"0.5\n0\n0\n-0.5\n{LEFT + 0.25}\n{TOP - 0.25}\n")
    files = site_files(site)
    assert np.array_equal(SiteSource(files).site("P1").dem.values, plain)
    assert site / "dem.tfw" in files.inputs


def test_nothing_is_written_beside_a_database_kept_with_a_log(lawngis, site, build):
    with closing(sqlite3.connect(site / "site.gpkg")) as database:
        database.execute("PRAGMA journal_mode = WAL")
    before = build.hashes(site)
    assert list(before) == ["dem.tif", "site.gpkg"]
    assert lawngis("check", site).code == 0
    assert build.hashes(site) == before


# --- what never ends ----------------------------------------------------------------------------------------------

ENDLESS = "WITH RECURSIVE c(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM c) SELECT"


def with_sql(site, *statements):
    with closing(sqlite3.connect(site / "site.gpkg", isolation_level=None)) as database:
        for statement in statements:
            database.execute(statement)


COMMAND = "import sys; from lawngis.processing.cli.main import main; sys.exit(main())"


def checked(site):
    """Look at a site in a process that is ended when it hangs; return what it says."""
    words = [sys.executable, "-c", COMMAND, "check", str(site)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    assert "Traceback" not in done.stderr
    return done.stdout


REGISTERED = (
    "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES ('trees', 'features', 't', 25832)",
    "INSERT INTO gpkg_geometry_columns VALUES ('trees', 'geom', 'POINT', 25832, 0, 0)",
)


def test_a_view_is_never_read(site):
    with_sql(site, f"CREATE VIEW trees AS {ENDLESS} x AS fid, randomblob(1000) AS geom FROM c", *REGISTERED)
    assert "site.gpkg, layer trees: is a view or has computed columns, which are not read" in checked(site)


def test_other_views_are_named_and_passed_over(site):
    with_sql(site, f"CREATE VIEW notes AS {ENDLESS} x FROM c",
             "CREATE TABLE made (fid INTEGER PRIMARY KEY, b AS (hex(zeroblob(400000000))))")  # fmt: skip
    said = checked(site)
    assert "site.gpkg, view notes" in said
    assert "site.gpkg, view made" in said
    assert "usable: 1 parcel" in said


def test_a_view_in_a_table_of_the_standard_is_refused(site):
    with_sql(site, "ALTER TABLE gpkg_contents RENAME TO real",
             f"CREATE VIEW gpkg_contents AS {ENDLESS} real.* FROM real, c")  # fmt: skip
    assert "its table gpkg_contents is a view" in checked(site)


def test_virtual_tables_are_refused(refused, site):
    with_sql(site, "CREATE VIRTUAL TABLE words USING fts5(a)")
    assert "it holds a virtual table (words) that is no spatial index" in refused(site)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no pipes by name")
@pytest.mark.parametrize("name", ["x.gpkg", "x.fgb", "x.parquet", "dem.tif", "dem.vrt"])
def test_only_regular_files_are_opened(refused, site, name):
    (site / name).unlink(missing_ok=True)
    os.mkfifo(site / name)
    if name == "dem.vrt":
        (site / "dem.tif").unlink()
    assert f"{name}: is no file but a pipe or a device" in refused(site)


@pytest.mark.parametrize("name", ["x.gpkg", "dem.tif"])
def test_a_device_is_not_read(refused, site, name):
    (site / name).unlink(missing_ok=True)
    (site / name).symlink_to("/dev/zero")
    assert f"{name}: is no file but a pipe or a device" in refused(site)


# --- broken databases -----------------------------------------------------------------------------------------------


def with_bytes(path, old, new):
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new))


@pytest.mark.parametrize(
    ("old", "new"),
    [(b"rtree_parcels_geom_insert", b"\xfftree_parcels_geom_insert"), (b"parcel_id", b"parcel\xffid"),
     (b"parcels", b"parc\xffls")],
)  # fmt: skip
def test_names_that_are_no_text_are_refused_before_any_library_sees_them(site, old, new):
    """In a process of its own: the library ends it with a segmentation fault."""
    with_bytes(site / "site.gpkg", old, new)
    assert "is no text (broken UTF-8)" in checked(site)


# --- odd numbers ----------------------------------------------------------------------------------------------------


def put_grid(path, transform, *, scale=1.0, values=None, **options):
    values = np.full((70, 120), 100, "float32") if values is None else values
    profile = {"driver": "GTiff", "width": 120, "height": 70, "count": 1, "dtype": "float32", "crs": "EPSG:25832"}
    with rasterio.open(path, "w", **{**profile, **options}, transform=transform) as file:
        file.write(values, 1, window=Window(0, 0, 120, 70))
        file.scales = (scale,)


def test_cells_without_a_size_are_refused(refused, site):
    put_grid(site / "dem.tif", Affine(0.5, 0, LEFT, 0, 0, TOP))
    assert "dem.tif: has cells without a size" in refused(site)


def test_cells_too_small_for_memory_are_refused(lawngis, site):
    tiny = {"width": 600_000, "height": 350_000, "sparse_ok": True, "tiled": True, "bigtiff": "YES"}
    ramp = np.arange(8400, dtype="float32").reshape(70, 120)
    put_grid(site / "dem.tif", Affine(1e-4, 0, LEFT, 0, -1e-4, TOP), values=ramp, **tiny)
    assert "million cells around one place, each of 0.0001 x 0.0001" in lawngis("check", site).out


def test_blocks_too_large_for_memory_are_refused(refused, site):
    huge = {"width": 200_000, "height": 200_000, "blockxsize": 199_984, "blockysize": 199_984}
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "crs": "EPSG:25832", "sparse_ok": True, "tiled": True}
    with rasterio.open(site / "dem.tif", "w", **profile, **huge, transform=Affine(0.5, 0, LEFT, 0, -0.5, TOP)):
        pass
    assert "is stored in blocks of 152563 MB" in refused(site)


@pytest.mark.parametrize("scale", [1e300, 1e308, float("nan")])
def test_a_scale_that_makes_no_elevations_is_terrain_that_nobody_knows(site, scale):
    ramp = (100 + np.arange(8400).reshape(70, 120) / 100).astype("float32")
    put_grid(site / "dem.tif", Affine(0.5, 0, LEFT, 0, -0.5, TOP), scale=scale, values=ramp)
    seen = SiteSource(site_files(site)).site("P1")
    assert not seen.has_terrain
    assert np.isnan(seen.dem.values).all()


def test_a_shear_of_rounding_is_none(lawngis, refused, site):
    put_grid(site / "dem.tif", Affine(0.5, 1e-12, LEFT, -1e-12, -0.5, TOP))
    assert lawngis("check", site).code == 0
    put_grid(site / "dem.tif", Affine(0.5, 1e-3, LEFT, 0, -0.5, TOP))
    assert "dem.tif: is rotated" in refused(site)


@pytest.mark.parametrize("text", ["a = " + "[" * 50_000, "a" + ".a" * 50_000 + " = 1", "a = " + "{a=" * 50_000])
def test_site_toml_nested_too_deep_is_refused(refused, site, text):
    (site / "site.toml").write_text(text)
    said = refused(site)
    assert "site.toml: can't be read: " in said
    assert "more than 10000 characters" in said


def test_brackets_over_many_lines_are_refused_too(refused, site):
    (site / "site.toml").write_text("a = " + "[\n" * 50_000)
    assert "nested too deep" in refused(site)


def test_site_toml_with_a_byte_order_mark_is_fine(lawngis, site):
    (site / "site.toml").write_bytes(b'\xef\xbb\xbf[complete]\ntrees = "all"\n')
    assert "trees  everywhere" in lawngis("check", site).out


def test_a_path_too_long_for_the_system_is_one_line(refused, tmp_path):
    said = refused(tmp_path / ("x" * 5000))
    assert "a path of 5" in said
    assert "is longer than the system takes" in said
    assert len(said) < 400


@pytest.mark.parametrize("name", ["a!b", "a.zip", "a?b#c%20d", "GPKG:x"])
def test_folders_may_have_any_name(site, planned, lawngis, tmp_path, name):
    folder = site.rename(tmp_path / name)
    _, summary = planned(folder)
    assert summary.loc["P1", "status"] != "failed"
    assert lawngis("plan", folder, "--out", tmp_path / f"{name} out").code == 0
    assert "summary" in gpkg.layer_names(tmp_path / f"{name} out" / "plan.gpkg")


def test_parcels_without_any_outline_are_each_named(lawngis, tmp_path, build):
    build.layer(tmp_path / "site.gpkg", "parcels", [None, shapely.Polygon()], parcel_id=["a", "b"])
    said = lawngis("check", tmp_path / "site.gpkg")
    assert said.code == 2
    assert "0 of 2 parcels can be planned" in said.out
