"""Sources made a site: a map written here as text, with parcels, layers and a terrain model beside it."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import subprocess
import time
from math import cos, radians
from pathlib import Path

import geopandas
import made_clouds as made
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.enums import ColorInterp
from shapely import Polygon

from lawngis.errors import LawngisError, ParameterError, SiteError
from lawngis.processing.cli.main import main
from lawngis.processing.files.gpkg import map_features
from lawngis.processing.files.rasters import raster_overview, read_window
from lawngis.processing.gathering.site_folder import LAYERS_FILE, gather
from lawngis.processing.gathering.sources import sources
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource

WEST, SOUTH = 9.0, 50.0
METRES_NORTH = 111_229.0
"""Of a degree of latitude at 50°: NGA, "Length of a degree of latitude and longitude", 111,229 m (from memory)."""
METRES_EAST = 111_320.0 * cos(radians(SOUTH))


def osm(**ways):
    """A map extract as text: ways by their tags and corners, in metres from the south-west corner."""
    nodes, lines = [], []
    for number, (corners, tags) in enumerate(ways.values(), start=1):
        refs = []
        for x, y in corners:
            nodes.append(
                f'<node id="{len(nodes) + 1}" version="1" lat="{SOUTH + y / METRES_NORTH:.9f}" '
                f'lon="{WEST + x / METRES_EAST:.9f}"/>'
            )
            refs.append(len(nodes))
        if corners[0] == corners[-1]:
            nodes.pop()
            refs[-1] = refs[0]
        inside = "".join(f'<nd ref="{ref}"/>' for ref in refs)
        inside += "".join(f'<tag k="{key}" v="{value}"/>' for key, value in tags.items())
        lines.append(f'<way id="{1000 + number}" version="1">{inside}</way>')
    return f'<?xml version="1.0"?>\n<osm version="0.6" generator="by hand">{"".join(nodes + lines)}</osm>\n'


def square(x, y, width, height):
    return [(x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y)]


WAYS = {
    "house": (square(10, 10, 12, 9), {"building": "house", "building:levels": "2"}),
    "path": ([(0, 30), (40, 30)], {"highway": "footway"}),
    "drive": ([(0, 5), (10, 5)], {"highway": "service", "service": "driveway", "width": "4 m"}),
    "row": ([(0, 35), (13, 35)], {"natural": "tree_row", "height": "6"}),
    "hedge": ([(0, 0), (40, 0)], {"barrier": "hedge", "height": "1.8"}),
    "grass": (square(20, 20, 5, 5), {"landuse": "grass"}),
    "far": (square(5000, 10, 12, 9), {"building": "barn"}),
}


@pytest.fixture
def extract(tmp_path):
    path = tmp_path / "town.osm"
    path.write_text(osm(**WAYS), encoding="utf-8")
    return path


@pytest.fixture
def parcels(tmp_path):
    ring = [(WEST + x / METRES_EAST, SOUTH + y / METRES_NORTH) for x, y in square(0, 0, 40, 40)]
    frame = geopandas.GeoDataFrame({"nr": ["A1"]}, geometry=[Polygon(ring)], crs="EPSG:4326").to_crs("EPSG:25832")
    pyogrio.write_dataframe(frame, tmp_path / "parcels.geojson", driver="GeoJSON", COORDINATE_PRECISION=15)
    return tmp_path / "parcels.geojson"


def test_a_map_becomes_layers_with_sizes_that_tags_tell(extract, parcels, tmp_path):
    gathered = gather(sources([str(extract), str(parcels)]), tmp_path / "site")
    assert gathered.layers == {
        "parcels": 1, "buildings": 1, "hard_surfaces": 2, "trees": 4, "barriers": 1,
    }  # fmt: skip
    layers = {name: pyogrio.read_dataframe(tmp_path / "site" / LAYERS_FILE, layer=name) for name in gathered.layers}
    assert layers["buildings"]["height_m"].tolist() == [6.0]
    assert layers["buildings"].area.iloc[0] == pytest.approx(12 * 9, rel=0.003)
    assert layers["barriers"]["height_m"].tolist() == [1.8]
    assert layers["barriers"]["kind"].tolist() == ["hedge"]
    surfaces = layers["hard_surfaces"].set_index("use")
    assert surfaces.loc["drive"].geometry.area == pytest.approx(10 * 4, rel=0.003)
    assert surfaces.loc["path"].geometry.area == pytest.approx(40 * 1.5, rel=0.003)
    assert surfaces["width_told"].astype(bool).to_dict() == {"drive": True, "path": False}
    gaps = layers["trees"].distance(layers["trees"].shift())[1:]
    assert (gaps < 6.0).all() and gaps.sum() == pytest.approx(13, rel=0.003)
    assert "hard_surfaces: no tag tells the width of 1 line; that of the kind is taken" in gathered.notes
    accuracy = site_files(tmp_path / "site").settings.settings.accuracy.layers
    assert accuracy["hard_surfaces"].position_sd_m > accuracy["buildings"].position_sd_m == 1.0


def test_the_site_waits_with_names_and_is_planned(extract, parcels, tmp_path, lawngis):
    site = tmp_path / "site"
    site.mkdir()
    (site / "site.toml").write_text('[columns.parcels]\nparcel_id = "nr"\n[accuracy.buildings]\nposition_sd_m = 0.4\n')
    assert lawngis("gather", extract, parcels, "--out", site).code == 0
    source = SiteSource(site_files(site))
    assert source.parcel_ids == ["A1"]
    assert source.options.accuracy.layers["buildings"].position_sd_m == 0.4, "what waits there wins"
    assert "OpenStreetMap" in source.files.settings.settings.attribution["buildings"]
    done = lawngis("plan", site, "--out", tmp_path / "out")
    assert done.code == 0 and "1 planned" in done.out
    facts = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="run_info").set_index("key")["value"]
    assert "ODbL" in facts["attribution buildings"]


def city_of_a_box(east, north, title):
    """A house of 10 x 8 m and 7 m high, as CityJSON 2.0 has it, in an offset of its own."""
    places = [(x, y, z) for z in (100, 107) for x, y in ((0, 0), (10, 0), (10, 8), (0, 8))]
    walls = [[[one, (one + 1) % 4, (one + 1) % 4 + 4, one + 4]] for one in range(4)]
    faces = [[[3, 2, 1, 0]], *walls, [[4, 5, 6, 7]]]
    house = {"type": "Building", "geometry": [{"type": "Solid", "lod": "1", "boundaries": [faces]}]}
    return json.dumps({
        "CityObjects": {title: house}, "vertices": places, "type": "CityJSON", "version": "2.0",
        "transform": {"scale": [1, 1, 1], "translate": [east, north, 0]},
        "metadata": {"title": title, "referenceSystem": "https://www.opengis.net/def/crs/EPSG/0/5555"},
    })  # fmt: skip


def test_houses_of_city_models_stand_in_the_plan(extract, parcels, tmp_path, lawngis):
    east, north, *_ = geopandas.read_file(parcels).total_bounds
    (tmp_path / "a.city.json").write_text(city_of_a_box(east + 12, north + 14, "Tile A"))
    (tmp_path / "b.json").write_text(city_of_a_box(east + 60, north + 14, "Tile B"))
    site = tmp_path / "site"
    done = lawngis("gather", extract, parcels, tmp_path / "a.city.json", tmp_path / "b.json", "--out", site)
    assert done.code == 0 and "buildings: taken from the file of its own, not from the map" in done.err, done.err
    houses = pyogrio.read_dataframe(site / LAYERS_FILE, layer="buildings")
    assert houses["map_number"].tolist() == ["Tile A", "Tile B"] and houses["height_m"].tolist() == [7.0, 7.0]
    assert site_files(site).settings.settings.attribution["buildings"] == "Tile A; Tile B"
    assert {file.name for file in (site / "sources").iterdir()} >= {"a.city.json", "b.json"}
    assert lawngis("plan", site, "--out", tmp_path / "out").code == 0
    lawn = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="lawn").union_all()
    assert lawn.area > 1000 and lawn.intersection(houses.geometry.iloc[0]).area < 0.01, "80 m² of it are the house"


def test_sources_stay_in_the_site_with_their_checksums(extract, parcels, tmp_path, build):
    build.dem(tmp_path / "dem.tif")
    site = tmp_path / "site"
    gather(sources([str(extract), str(parcels), str(tmp_path / "dem.tif")]), site)
    assert site_files(site).rasters == {"dem": str(site / "sources/dem/dem.tif")}
    for line in (site / "sources/SHA256SUMS").read_text().splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256((site / "sources" / name).read_bytes()).hexdigest() == digest
    done = subprocess.run(["sha256sum", "-c", "SHA256SUMS"], cwd=site / "sources", capture_output=True, check=True)
    assert done.stdout.count(b": OK") == 3


def test_a_cloud_becomes_the_terrain_of_a_plan(tmp_path, lawngis):
    made.write_cloud(tmp_path / "scan.laz")
    outline = shapely.box(made.EAST + 8, made.NORTH + 8, made.EAST + 52, made.NORTH + 52)
    table = geopandas.GeoDataFrame({"parcel_id": ["A1"]}, geometry=[outline], crs="EPSG:25832")
    pyogrio.write_dataframe(table, tmp_path / "parcels.gpkg", layer="parcels")
    site = tmp_path / "site"
    done = lawngis("gather", tmp_path / "parcels.gpkg", tmp_path / "scan.laz", "--out", site)
    assert done.code == 0
    assert "points of class 2" in done.err
    settings = site_files(site).settings.settings
    assert 0.05 <= settings.accuracy.dem_sd_m < 0.08
    dem = SiteSource(site_files(site)).site("A1").dem
    row, col = dem.shape[0] // 2, dem.shape[1] // 2
    x, y = dem.transform * (col + 0.5, row + 0.5)
    assert dem.values[row, col] == pytest.approx(made.ground_m(x - made.EAST, y - made.NORTH), abs=0.1)
    assert "from_points" not in lawngis("check", site).out.partition("not read:")[2]
    trees = pyogrio.read_dataframe(site / LAYERS_FILE, layer="trees")
    assert len(trees) == 1, "neither the house nor the wall is one"
    tree = trees.iloc[0]
    at = shapely.Point(made.EAST + made.TREE[0], made.NORTH + made.TREE[1])
    assert tree.geometry.distance(at) < 1.0 and tree["height_m"] == pytest.approx(made.TREE_M, abs=0.3)
    plan = lawngis("plan", site, "--out", tmp_path / "out")
    assert plan.code == 0 and "1 planned" in plan.out
    keepouts = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="keepouts")
    assert keepouts[keepouts["reason"] == "tree"].distance(tree.geometry).min() == 0, "the plan keeps off it"


def test_gathered_twice_it_is_the_same_byte_for_byte_but_for_dates(extract, parcels, tmp_path):
    made.write_cloud(tmp_path / "scan.laz", density_m2=1.0)
    place = ",".join(str(number) for number in (WEST, SOUTH, WEST + 0.001, SOUTH + 0.001))
    for name in ("one", "two"):
        gather(sources([str(extract), str(parcels)]), tmp_path / name, tuple(map(float, place.split(","))))
        gather(sources([str(tmp_path / "scan.laz")]), tmp_path / name / "cloud")
        time.sleep(0.002)  # dates differ in thousandths of a second
    date = re.compile(rb"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
    files = [
        {
            str(file.relative_to(tmp_path / name)): date.sub(b"", file.read_bytes())
            for file in sorted((tmp_path / name).rglob("*"))
            if file.is_file()
        }
        for name in ("one", "two")
    ]
    assert {"layers.gpkg", "site.toml", "cloud/sources/from_points/dem.tif"} <= set(files[0])
    assert files[0].keys() == files[1].keys()
    assert [name for name in files[0] if files[0][name] != files[1][name]] == []


def test_a_photo_that_comes_alone_is_planned_with_honest_confidence(tmp_path, lawngis):
    grass = np.random.default_rng(1).normal(0, 8, (3, 60, 80)) + np.array([60, 110, 50])[:, None, None]
    grass[:, :, :30] = np.random.default_rng(2).normal(0, 8, (3, 60, 30)) + np.array([130, 125, 120])[:, None, None]
    with rasterio.open(
        tmp_path / "photo.tif", "w", driver="GTiff", width=80, height=60, count=3, dtype="uint8", crs="EPSG:25832",
        transform=Affine(0.25, 0, 5e5, 0, -0.25, 5.5e6),
    ) as file:  # fmt: skip
        file.write(grass.clip(1, 255).astype("uint8"))
    done = lawngis("gather", tmp_path / "photo.tif", "--out", tmp_path / "site")
    assert "parcels: nobody brought any, so all the ground is one" in done.err
    assert lawngis("plan", tmp_path / "site", "--out", tmp_path / "out").code == 0
    summary, lawn = (pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer=name) for name in ("summary", "lawn"))
    told = summary.iloc[0]
    assert (told["basis"], told["readiness"], told["verdict_text"][:8]) == ("image", "visit", "At most ")
    assert np.isnan(told["slope_p95_percent"])
    assert lawn["source"].tolist() == ["imagery"] and lawn["confidence"].max() < 0.5


def test_ground_larger_than_a_property_is_no_parcel(tmp_path, build):
    build.dem(tmp_path / "dem.tif", width_m=600, depth_m=600, cell=5.0)
    with pytest.raises(SiteError, match=r"nobody brought parcels, and the ground itself is 36 ha"):
        gather(sources([str(tmp_path / "dem.tif")]), tmp_path / "site")
    part = (9.0001, 49.6495, 9.0010, 49.6500)
    assert gather(sources([str(tmp_path / "dem.tif")]), tmp_path / "site", part).layers == {"parcels": 1}


def test_an_area_may_be_given_and_a_file_wins_over_the_map(extract, parcels, tmp_path, build):
    build.layer(tmp_path / "buildings.gpkg", "buildings", [build.block(0, 0, 3, 3)])
    everywhere = gather(sources([str(extract)]), tmp_path / "all")
    assert everywhere.layers["buildings"] == 2
    west = (WEST, SOUTH, WEST + 0.001, SOUTH + 0.001)
    assert gather(sources([str(extract)]), tmp_path / "west", west).layers["buildings"] == 1
    both = gather(sources([str(extract), str(tmp_path / "buildings.gpkg")]), tmp_path / "both")
    assert both.layers["buildings"] == 1
    assert "buildings: taken from the file of its own, not from the map" in both.notes


def photo(path, column, colours):
    """A photo of four bands and 4 x 4 m, so many metres to the east, with what each band is coloured."""
    with rasterio.open(
        path, "w", driver="GTiff", width=8, height=8, count=4, dtype="uint8", crs="EPSG:25832",
        transform=Affine(0.5, 0, 5e5 + column, 0, -0.5, 5.5e6),
    ) as file:  # fmt: skip
        file.write(np.full((4, 8, 8), np.arange(40, 80, 10, dtype="uint8")[:, None, None]))
        file.colorinterp = [ColorInterp[name] for name in colours]
    return str(path)


def test_tiles_are_tied_together_in_the_site_and_their_bands_told(build, tmp_path, lawngis):
    west = build.dem(tmp_path / "west.tif", width_m=20)
    east = build.dem(tmp_path / "east.tif", left=500_010.0, width_m=20)
    odd = ("undefined", "red", "green", "blue")
    photos = [photo(tmp_path / f"photo{column}.tif", column, odd) for column in (0, 4)]
    build.layer(tmp_path / "parcels.gpkg", "parcels", [build.parcel()])
    words = [tmp_path / "parcels.gpkg", f"dem={west}", f"dem={east}", *photos]
    done = lawngis("gather", *words, "--out", tmp_path / "site")
    assert done.code == 0, done.err
    files = site_files(tmp_path / "site")
    assert files.rasters["dem"].endswith("site/sources/dem.vrt")
    dem, image = (raster_overview(files.rasters[name]) for name in ("dem", "imagery"))
    assert dem.bounds == (499_990, 5_499_990, 500_030, 5_500_025)
    assert (image.width, image.bands) == (16, ("",) * 4)
    assert files.settings.settings.bands == odd, "not red, green, blue, nir, which is their order when nobody says"
    for source in (west, east, *photos):
        Path(source).unlink()
    assert read_window(files.rasters["imagery"], image.bounds, band=2)[0].tolist() == np.full((8, 16), 50).tolist()
    shutil.move(tmp_path / "site", tmp_path / "elsewhere")
    assert raster_overview(tmp_path / "elsewhere/sources/dem.vrt").width == 80
    alpha = photo(tmp_path / "rgba.tif", 0, ("red", "green", "blue", "alpha"))
    said = gather(sources([alpha]), tmp_path / "two")
    assert (
        said.settings["bands"] == ["red", "green", "blue", "alpha"] and "not taken for near infrared" in said.notes[0]
    )
    given = gather(sources([alpha]), tmp_path / "three", bands=("red", "green", "blue", "nir"))
    assert given.settings["bands"][3] == "nir" and "alpha" not in " ".join(given.notes)
    with pytest.raises(ParameterError, match="--bands names 2 bands, and the image has 4"):
        gather(sources([alpha]), tmp_path / "four", bands=("red", "nir"))


def test_a_folder_with_other_things_is_left_alone(extract, tmp_path):
    (tmp_path / "site").mkdir()
    (tmp_path / "site" / "letters.txt").write_text("mine")
    with pytest.raises(SiteError, match=r"is there already, with letters\.txt"):
        gather(sources([str(extract)]), tmp_path / "site")
    assert (tmp_path / "site" / "letters.txt").read_text() == "mine"


def test_what_cannot_be_made_valid_is_named_and_left_out(parcels, tmp_path, lawngis):
    crossed = [(10, 10), (20, 20), (20, 10), (10, 20), (10, 10)]
    flat = [(30, 10), (34, 10), (30, 10)]
    ways = {"a": (crossed, {"building": "yes"}), "b": (flat, {"building": "yes"}), **WAYS}
    (tmp_path / "town.osm").write_text(osm(**ways), encoding="utf-8")
    missing = geopandas.GeoDataFrame(
        {"kind": ["pond", "pond"]}, geometry=[None, shapely.box(9.0001, 50.0001, 9.0002, 50.0002)], crs="EPSG:4326"
    )
    pyogrio.write_dataframe(missing, tmp_path / "water.gpkg", layer="water")
    words = [tmp_path / "town.osm", parcels, tmp_path / "water.gpkg", "--area", "9,50,9.001,50.001"]
    done = lawngis("gather", *words, "--out", tmp_path / "site")
    assert "buildings: left out: feature 1002 " in done.err
    buildings = pyogrio.read_dataframe(tmp_path / "site" / LAYERS_FILE, layer="buildings")
    assert buildings["map_number"].tolist() == ["1001", "1003"], "the one that crosses itself can be made valid"
    assert "water: left out: feature 1 " in done.err


def test_a_source_that_breaks_leaves_nothing(tmp_path, parcels):
    (tmp_path / "cut.osm").write_text(osm(**WAYS)[:200], encoding="utf-8")
    with pytest.raises(LawngisError, match=r"cut\.osm.*unclosed token"):
        gather(sources([str(parcels), str(tmp_path / "cut.osm")]), tmp_path / "site")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["cut.osm", "parcels.geojson"]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.osm", '<OGRVRTDataSource><OGRVRTLayer name="a"/></OGRVRTDataSource>', "is no map extract"),
        ("a.osm", '<?xml version="1.0"?><OGRVRTDataSource/>', "is no map extract that can be read"),
        ("a.pbf", "not a protocol buffer", "is no map extract"),
        ("a.pdf", "%PDF", "is of a kind that is not read"),
    ],
)
def test_what_only_goes_by_the_name_is_refused(tmp_path, name, content, says):
    (tmp_path / name).write_text(content)
    with pytest.raises(SiteError, match=says):
        list(map_features(tmp_path / name)) if name != "a.pdf" else sources([str(tmp_path / name)])


def test_sources_are_named_in_words(tmp_path, build, parcels):
    build.dem(tmp_path / "heights.tif")
    with pytest.raises(ParameterError, match="nothing says whether this raster is of the ground"):
        sources([str(tmp_path / "heights.tif")])
    assert sources([f"dsm={tmp_path / 'heights.tif'}"]).rasters == {"dsm": (tmp_path / "heights.tif",)}
    with pytest.raises(ParameterError, match=r"two sources are called dem/heights\.tif"):
        sources([f"dem={tmp_path / 'heights.tif'}"] * 2)
    with pytest.raises(ParameterError, match=r"two sources are called parcels\.geojson"):
        sources([str(parcels)] * 2)
    with pytest.raises(SiteError, match="does not exist"):
        sources([str(tmp_path / "no.osm")])


def test_the_command_prints_its_table_and_wants_sources(capsys):
    assert main(["gather", "--tags"]) == 0
    assert '[[rule]]\nlayer = "buildings"' in capsys.readouterr().out
    assert main(["gather"]) == 2
    assert "gather needs sources" in capsys.readouterr().err
