"""What is fetched from a server on this machine, how little of it, and what comes back of servers nobody can trust."""

from __future__ import annotations

import json
import time

import geopandas
import numpy as np
import pytest
import rasterio
import servers
from affine import Affine
from shapely import box
from shapely.geometry import mapping

from lawngis.errors import LawngisError, SiteError
from lawngis.processing.files.remote import Limits, Server
from lawngis.processing.gathering.remote import fetched
from lawngis.processing.gathering.sources import sources
from lawngis.processing.reading.site_files import site_files

EAST, NORTH = 500_000.0, 5_540_000.0
"""In EPSG:25832: 9° east, some 50° north."""


def degrees(shape):
    return geopandas.GeoSeries([shape], crs="EPSG:25832").to_crs("EPSG:4326").iloc[0]


AREA = degrees(box(EAST + 100, NORTH + 100, EAST + 160, NORTH + 160)).bounds


def parcels(number, *, crs84=True):
    """Squares of 4 m in the area, one after the other."""
    shapes = [box(EAST + 104 + 5 * one, NORTH + 110, EAST + 108 + 5 * one, NORTH + 114) for one in range(number)]
    return [
        {"type": "Feature", "id": one, "properties": {"nr": f"N{one}"},
         "geometry": mapping(degrees(shape) if crs84 else shape)}
        for one, shape in enumerate(shapes)
    ]  # fmt: skip


@pytest.fixture(scope="module")
def raster(tmp_path_factory):
    """A GeoTIFF in tiles, of 2048 x 2048 cells of half a metre, that nothing packs: some 17 MB."""
    path = tmp_path_factory.mktemp("raster") / "heights.tif"
    values = np.random.default_rng(1).random((2048, 2048), dtype="float32")
    with rasterio.open(
        path, "w", driver="GTiff", width=2048, height=2048, count=1, dtype="float32", crs="EPSG:25832+5783", tiled=True,
        transform=Affine(0.5, 0, EAST, 0, -0.5, NORTH + 1024), nodata=-9999,
    ) as file:  # fmt: skip
        file.write(values, 1)
        file.update_tags(TIFFTAG_COPYRIGHT="Survey of A, CC BY 4.0")
    return path


def test_of_a_raster_the_window_is_fetched_and_not_the_file(raster, tmp_path):
    with servers.answering(servers.file_in_parts(raster)) as http:
        server = Server(f"{http.address}/a/heights.tif?key=secret")
        found = fetched("dem", server, AREA, tmp_path)
        assert http.sent == server.bytes_read
        assert len(http.asked) == server.requests
    with rasterio.open(found.path) as part, rasterio.open(raster) as whole:
        window = whole.window(*part.bounds)
        assert np.array_equal(part.read(1), whole.read(1, window=window))
        assert part.crs == whole.crs and part.nodata == -9999
        assert 60 / 0.5 <= part.width <= 60 / 0.5 + 12
    assert server.bytes_read < 4 * 256 * 256 * 4 + 4 * 65536, "four tiles, the head, and what is rounded up to blocks"
    assert server.requests < 12
    assert found.attribution == f"Survey of A, CC BY 4.0; from {http.address}/a/heights.tif"


def test_features_come_page_by_page_in_the_area(tmp_path):
    with servers.features_api(tmp_path, parcels(8)) as address:
        (tmp_path / "out").mkdir()
        server = Server(f"{address}/collections/parcels")
        found = fetched("", server, AREA, tmp_path / "out")
        again = fetched("", Server(f"{address}/collections/parcels/items"), AREA, tmp_path / "out")
        landing = fetched("buildings", Server(f"{address}/?f=json"), AREA, tmp_path / "out")
    table = geopandas.read_file(found.path)
    assert found.path.name == "parcels.geojson"
    assert table["nr"].tolist() == [f"N{one}" for one in range(8)]
    assert table.to_crs("EPSG:25832").area.to_numpy() == pytest.approx(np.full(8, 16.0), rel=1e-3)
    assert server.requests == 5, "collection, landing page, and three pages"
    assert found.attribution == f"licence: CC BY 4.0; from {address}/collections/parcels"
    assert "8 features" in found.notes
    assert again.path.read_bytes() == landing.path.read_bytes()


def test_features_come_in_the_crs_in_which_they_are_kept(tmp_path):
    kept = "http://www.opengis.net/def/crs/EPSG/0/25832"
    page = {"type": "FeatureCollection", "features": parcels(2, crs84=False), "links": []}

    def answer(path, _):
        if "items" not in path:
            link = {"rel": "items", "type": "application/geo+json", "href": "/collections/p/items"}
            told = {"id": "p", "crs": [kept], "storageCrs": kept, "links": [link], "attribution": "<b>Town</b> of A"}
            return 200, {"Content-Type": "application/json"}, json.dumps(told).encode()
        assert f"crs={kept}" in path and "bbox=9.001" in path
        return 200, {"Content-Crs": f"<{kept}>"}, json.dumps(page).encode()

    with servers.answering(answer) as http:
        found = fetched("parcels", Server(f"{http.address}/collections/p"), AREA, tmp_path)
    table = geopandas.read_file(found.path)
    assert table.crs.to_epsg() == 25832
    assert table.geometry.iloc[1].equals(box(EAST + 109, NORTH + 110, EAST + 113, NORTH + 114))
    assert found.attribution.startswith("Town of A; from")


def gml(features, matched):
    members = "".join(
        f'<wfs:member><a:parcels gml:id="p{one["id"]}"><a:nr>{one["properties"]["nr"]}</a:nr><a:geom><gml:Polygon '
        'srsName="urn:ogc:def:crs:EPSG::25832"><gml:exterior><gml:LinearRing><gml:posList>'
        + " ".join(f"{x} {y}" for x, y in one["geometry"]["coordinates"][0])
        + "</gml:posList></gml:LinearRing></gml:exterior></gml:Polygon></a:geom></a:parcels></wfs:member>"
        for one in features
    )
    return (
        '<wfs:FeatureCollection xmlns:wfs="http://www.opengis.net/wfs/2.0" xmlns:gml="http://www.opengis.net/gml/3.2" '
        f'xmlns:a="http://a.example" numberMatched="{matched}" numberReturned="{len(features)}">{members}'
        "</wfs:FeatureCollection>"
    )


@pytest.mark.parametrize("encoding", [None, gml])
def test_a_wfs_gives_its_pages_as_json_or_as_gml(tmp_path, encoding):
    with servers.answering(servers.web_feature_service(parcels(5, crs84=False), gml=encoding)) as http:
        server = Server(f"{http.address}/ows?service=WFS&request=GetCapabilities")
        found = fetched("", server, AREA, tmp_path)
    table = geopandas.read_file(found.path)
    assert table["nr"].tolist() == ["N0", "N1", "N2", "N3", "N4"]
    assert table.crs.to_epsg() == 25832 and table.area.tolist() == pytest.approx([16.0] * 5)
    assert server.requests == 4, "what it can do, and three pages"
    assert found.attribution == f"Town of A; licence: Licence of open data 2.0; from {http.address}/ows"


def test_the_command_fetches_from_an_address_that_is_typed(raster, tmp_path, lawngis):
    shape = box(EAST + 110, NORTH + 110, EAST + 140, NORTH + 140)
    geopandas.GeoDataFrame({"parcel_id": ["A1"]}, geometry=[shape], crs="EPSG:25832").to_file(tmp_path / "parcels.gpkg")
    with servers.answering(servers.file_in_parts(raster)) as http:
        words = ["gather", tmp_path / "parcels.gpkg", f"dem={http.address}/heights.tif?key=secret", "--out"]
        done = [lawngis(*words, tmp_path / name) for name in ("one", "two")]
    assert [each.code for each in done] == [0, 0], done[0].err
    assert "secret" not in done[0].err
    files = site_files(tmp_path / "one")
    assert files.rasters["dem"].endswith("one/sources/dem/heights.tif")
    assert "Survey of A, CC BY 4.0" in files.settings.settings.attribution["dem"]
    assert "secret" not in (tmp_path / "one/site.toml").read_text()
    for name in ("site.toml", "sources/SHA256SUMS", "sources/dem/heights.tif"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert sorted(file.name for file in (tmp_path / "one").iterdir()) == ["layers.gpkg", "site.toml", "sources"]


def test_an_address_needs_an_area_and_no_password(tmp_path, lawngis):
    words = ("gather", "http://127.0.0.1:9/collections/a", "--out", tmp_path / "site")
    assert "nothing says which part to fetch" in lawngis(*words).said
    with pytest.raises(SiteError, match=r"http://a\.example/b: has a password in it"):
        Server("http://me:pw@a.example/b?c=d")
    assert sources(["parcels=https://a.example/b"]).remote == (("parcels", "https://a.example/b"),)


def test_addresses_of_a_waiting_site_file_are_followed_only_when_that_is_allowed(raster, tmp_path, lawngis):
    plots = servers.web_feature_service(parcels(2, crs84=False), gml=None)
    site = tmp_path / "site"
    site.mkdir()
    (tmp_path / "crowns.geojson").write_text(page(parcels(1)).decode())
    with servers.answering(servers.file_in_parts(raster)) as grid, servers.answering(plots) as features:
        layers = f'parcels = "{features.address}/ows?service=WFS"'
        rasters = f'[rasters]\ndem = "{grid.address}/heights.tif?key=secret"'
        words = ["gather", tmp_path / "crowns.geojson", "--out", site, f"--area={','.join(map(str, AREA))}"]
        for named, key in ((rasters, "[rasters] dem"), (f"{layers}\n{rasters}", "[layers] parcels")):
            (site / "site.toml").write_text(f'[layers]\ntrees = "crowns"\n{named}\n')
            refused = lawngis(*words)
            assert refused.code == 2 and f"site.toml, {key}: names an address" in refused.said
            assert "--allow-remote" in refused.said and "secret" not in refused.said
        assert not grid.asked and not features.asked
        done = lawngis(*words, "--allow-remote")
    assert done.code == 0, done.err
    files = site_files(site)
    assert files.rasters["dem"].endswith("site/sources/dem/heights.tif")
    assert len(geopandas.read_file(site / "layers.gpkg", layer="parcels")) == 2
    assert {"parcels", "trees"} <= files.layers.keys(), "under names of ours"


def endless():
    while True:
        yield b'{"a": "' + b"a" * 65536


def slow():
    for _ in range(40):
        yield b" "
        time.sleep(0.05)


def page(features, **more):
    return json.dumps({"type": "FeatureCollection", "features": features, **more}).encode()


def described(path, **more):
    link = {"rel": "items", "type": "application/geo+json", "href": "/collections/p/items"}
    return 200, {}, json.dumps({"id": "p", "links": [link], **more}).encode()


FAR = [{**one, "geometry": mapping(box(10, 10, 11, 11))} for one in parcels(2)]


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"<!doctype html><html><body>Welcome</body></html>", "answers with a web page"),
        (endless, "answers with more than 1,000,000 bytes at once"),
        (slow, "is too slow: no end after 0.5 s"),
        (b"[" * 200_000, "can't be read"),
        (b'{"type": "FeatureCollection", "features": 7}', "JSON that is no collection of features"),
        (page(parcels(1))[:-9], "can't be read"),
        (page(FAR), "elsewhere than was asked, or in another CRS"),
        (page([{"type": "Feature", "geometry": {"type": "Polygon", "coordinates": "a"}}]), "none of which can be read"),
        (page(parcels(2), numberMatched=9), "gave 2 of 9 features"),
        (page(parcels(1)).replace(b'"N0"', b"NaN"), "can't be read"),
        (page(parcels(1), links=[{"rel": "next", "href": "?same"}]), "pages without an end"),
        (page(parcels(1), links=[{"rel": "next", "href": "http://localhost:9/"}]), r"another server \(localhost:9\)"),
        (page(parcels(1), links=[{"rel": "next", "href": "file:///etc/passwd"}]), "is no address of the web"),
    ],
)  # fmt: skip
def test_answers_that_no_one_wants_end_in_a_line(tmp_path, body, says):
    def answer(path, _):
        return described(path) if "items" not in path else (200, {}, body if isinstance(body, bytes) else body())

    with servers.answering(answer) as http:
        limits = Limits(answer_bytes=1_000_000, silence_s=2, seconds=0.5 if body is slow else 60)
        server = Server(f"{http.address}/collections/p", limits)
        with pytest.raises(LawngisError, match=says) as error:
            fetched("parcels", server, AREA, tmp_path)
    assert "\n" not in str(error.value)
    assert server.bytes_read < 1_100_000
    assert not list(tmp_path.glob("*.geojson"))


def test_nothing_leads_to_another_server(tmp_path):
    with servers.answering(lambda *_: (200, {}, b"{}")) as other:
        for where in (other.address, "http://localhost/", "ftp://127.0.0.1/a", "file:///etc/passwd"):
            with servers.answering(lambda *_, to=where: (302, {"Location": to}, b"")) as http:
                for name in ("dem", "parcels"):
                    with pytest.raises(SiteError, match=r"another server|no address of the web|is not allowed"):
                        fetched(name, Server(f"{http.address}/a.tif"), AREA, tmp_path)
        assert not other.asked
    onwards = servers.answering(lambda path, _: (302, {"Location": path + "a"}, b""))
    with onwards as http, pytest.raises(SiteError, match="infinite loop"):
        fetched("parcels", Server(f"{http.address}/a"), AREA, tmp_path)


def test_an_answer_in_another_crs_than_asked_is_refused(tmp_path):
    other = {"Content-Crs": "<http://www.opengis.net/def/crs/EPSG/0/4326>"}
    server = servers.answering(lambda path, _: described(path) if "items" not in path else (200, other, page([])))
    with server as http, pytest.raises(SiteError, match=r"answers in .*4326, not in .*CRS84 as asked"):
        fetched("parcels", Server(f"{http.address}/collections/p"), AREA, tmp_path)


def test_a_server_of_whole_files_or_of_other_parts_gives_no_raster(raster, tmp_path):
    whole = raster.read_bytes()
    wrong = {"Content-Range": f"bytes 5-9/{len(whole)}"}
    for answer, says in (
        ((200, {}, whole), "doesn't give parts of files"),
        ((206, {}, whole[:65536]), "doesn't give parts of files"),
        ((206, wrong, whole[5:10]), "gave another part"),
        ((206, {"Content-Range": "bytes 0-65535/9999999"}, b"x" * 99), "gave another part|broke off"),
        ((206, {"Content-Range": f"bytes 0-65535/{len(whole)}"}, endless()), "more than 65,536 bytes at once"),
        ((404, {}, b""), "answers 404"),
    ):
        with servers.answering(lambda *_, given=answer: given) as http, pytest.raises(LawngisError, match=says):
            fetched("dem", Server(f"{http.address}/a.tif"), AREA, tmp_path)
    with servers.answering(servers.file_in_parts(raster)) as http:
        with pytest.raises(LawngisError, match="does not reach the area"):
            fetched("dem", Server(f"{http.address}/a.tif"), (20.0, 50.0, 20.1, 50.1), tmp_path)
        with pytest.raises(SiteError, match="was asked 2 times without an end"):
            fetched("dem", Server(f"{http.address}/a.tif", Limits(requests=2)), AREA, tmp_path)
    assert not list(tmp_path.iterdir())
