"""The sample neighbourhood: its script makes the committed files, and each parcel is what its table says it is.

Nothing here uses the planner: the claims are checked on the input layers alone.
"""

import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.features import geometry_mask

SAMPLE = Path(__file__).parents[1] / "sample_parcels"
LAYERS = {
    "parcels", "lawns", "buildings", "hard_surfaces", "beds", "water", "trees", "barriers", "sprinklers",
    "outlets", "obstacles", "streets",
}  # fmt: skip
COVER = ("buildings", "hard_surfaces", "beds", "water")
RASTERS = ("dem.tif", "dsm.tif", "imagery.tif")
DOWNLOADS = ("walks/downloads/map.osm", "walks/downloads/parcels.geojson")
PARCELS = [f"P{n:02d}" for n in range(1, 13)]


@pytest.fixture(scope="module")
def rebuilds(tmp_path_factory):
    """Two fresh builds, made side by side."""
    folders = [tmp_path_factory.mktemp("sample") for _ in range(2)]
    commands = [[sys.executable, str(SAMPLE / "build.py"), "--out", str(folder)] for folder in folders]
    builds = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for command in commands]
    for build in builds:
        _, complaint = build.communicate(timeout=240)
        assert build.returncode == 0, complaint
    return folders


@pytest.fixture(scope="module")
def rebuilt(rebuilds):
    return rebuilds[0]


@cache
def layer(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(SAMPLE / "neighbourhood.gpkg", layer=name)


@cache
def parcel(parcel_id: str) -> shapely.Polygon:
    return layer("parcels").set_index("parcel_id").geometry[parcel_id]


def within(name: str, parcel_id: str) -> gpd.GeoDataFrame:
    frame = layer(name)
    return frame[frame.representative_point().within(parcel(parcel_id))]


@cache
def lawn(parcel_id: str) -> list[shapely.Polygon]:
    """Pieces of the parcel that nothing covers, largest first."""
    covers = [shape for name in COVER for shape in within(name, parcel_id).geometry]
    rest = shapely.get_parts(parcel(parcel_id).difference(shapely.union_all(covers)))
    return sorted((piece for piece in rest if piece.area > 0.01), key=lambda piece: -piece.area)


@cache
def raster(name: str) -> tuple[np.ndarray, rasterio.Affine]:
    with rasterio.open(SAMPLE / name) as dataset:
        return dataset.read(), dataset.transform


def cells(name: str, area: shapely.Geometry) -> np.ndarray:
    """Mask of the raster's cells whose centre lies in the area."""
    values, transform = raster(name)
    return ~geometry_mask([area], values.shape[1:], transform)


def slope_percent(area: shapely.Geometry) -> np.ndarray:
    """Slope of the cells in the area, from plain central differences."""
    heights, transform = raster("dem.tif")
    down, right = np.gradient(heights[0].astype(float), transform.a)
    return 100 * np.hypot(down, right)[cells("dem.tif", area)]


def height_at(x: float, y: float) -> float:
    heights, transform = raster("dem.tif")
    return float(heights[0, int((y - transform.f) / transform.e), int((x - transform.c) / transform.a)])


def big_parts(shape: shapely.Geometry, least_m2: float) -> int:
    return sum(part.area > least_m2 for part in shapely.get_parts(shape))


# --- the script makes the files ---------------------------------------------------------------------------------


def test_has_the_layers_the_readme_names():
    assert {name for name, _ in pyogrio.list_layers(SAMPLE / "neighbourhood.gpkg")} == LAYERS
    readme = (SAMPLE / "README.md").read_text()
    assert all(name in readme for name in LAYERS)
    assert all(f"| {parcel_id} |" in readme for parcel_id in PARCELS)


@pytest.mark.parametrize("name", sorted(LAYERS))
def test_rebuilt_layer_equals_committed(rebuilt, name):
    again = gpd.read_file(rebuilt / "neighbourhood.gpkg", layer=name)
    kept = layer(name)
    assert again.crs == kept.crs
    # Halfway between two millimetres the processor's last bit decides which of them a place on a curve is rounded to.
    assert again.geom_type.equals(kept.geom_type)
    assert shapely.hausdorff_distance(again.geometry.values, kept.geometry.values).max() < 2e-3
    assert again.drop(columns="geometry").equals(kept.drop(columns="geometry"))


@pytest.mark.parametrize(("name", "step"), [("dem.tif", 0.0101), ("dsm.tif", 0.0101), ("imagery.tif", 1)])
def test_rebuilt_raster_equals_committed(rebuilt, name, step):
    """Equal up to the last rounded digit in a few cells, which another processor may round the other way."""
    with rasterio.open(rebuilt / name) as again, rasterio.open(SAMPLE / name) as kept:
        assert again.transform == kept.transform
        assert again.descriptions == kept.descriptions
        difference = np.abs(again.read().astype(float) - kept.read().astype(float))
    assert (difference > step).mean() < 1e-4
    assert (difference > 0).mean() < 1e-2


def test_two_builds_give_the_same_bytes(rebuilds):
    first, second = rebuilds
    names = {str(path.relative_to(first)) for path in first.rglob("*") if path.is_file()}
    assert names == {"neighbourhood.gpkg", *RASTERS, *DOWNLOADS}
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


@pytest.mark.parametrize("name", DOWNLOADS)
def test_rebuilt_downloads_equal_those_committed(rebuilt, name):
    """Equal but for the last digits of coordinates, as above."""
    words, figures = zip(*(_apart((folder / name).read_text("utf-8")) for folder in (rebuilt, SAMPLE)), strict=True)
    assert words[0] == words[1]
    assert np.abs(np.subtract(*figures)).max() < 1e-7  # degrees, about a centimetre


def _apart(text):
    return re.sub(r"\d+\.\d{4,}", "", text), [float(figure) for figure in re.findall(r"\d+\.\d{4,}", text)]


def test_is_small():
    assert sum(path.stat().st_size for path in SAMPLE.iterdir() if path.is_file()) < 6_000_000


def test_rasters_are_what_they_say():
    for name in RASTERS:
        with rasterio.open(SAMPLE / name) as dataset:
            assert dataset.crs.to_epsg() == 32632
            assert dataset.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert shapely.box(*dataset.bounds).contains(layer("parcels").union_all().buffer(10))
            if name == "imagery.tif":
                assert dataset.descriptions == ("red", "green", "blue", "nir")
                assert dataset.res == (0.25, 0.25)
            else:
                assert (dataset.nodata, dataset.dtypes[0], dataset.res) == (-9999.0, "float32", (0.5, 0.5))


# --- nothing lies where it can't ---------------------------------------------------------------------------------


def test_all_shapes_are_valid():
    assert all(layer(name).is_valid.all() for name in LAYERS)


def test_parcels_keep_apart_and_off_the_street():
    shapes = layer("parcels").geometry
    assert list(layer("parcels")["parcel_id"]) == PARCELS
    assert shapes.area.sum() == pytest.approx(shapes.union_all().area, abs=1e-4)
    assert shapes.union_all().intersection(layer("streets").union_all()).area < 1e-4


def test_one_thing_in_one_place():
    shapes = [shape for name in COVER for shape in layer(name).geometry]
    assert sum(shape.area for shape in shapes) == pytest.approx(shapely.union_all(shapes).area, abs=1e-4)
    assert shapely.union_all(shapes).difference(layer("parcels").union_all()).area < 1e-4


def test_trunks_stand_on_grass():
    covered = shapely.union_all([shape for name in COVER for shape in layer(name).geometry])
    trees = layer("trees")
    assert not trees.buffer(trees["trunk_diameter_m"] / 2).intersects(covered).any()


def test_ordinary_plots_are_ordinary():
    areas = layer("parcels").set_index("parcel_id").geometry.area
    assert areas.drop("P11").between(400, 950).all()


def test_ground_rolls_gently_where_nothing_was_done_to_it():
    for parcel_id in ("P01", "P02", "P03", "P04", "P05", "P06", "P10", "P11"):
        median, high = np.percentile(slope_percent(parcel(parcel_id)), [50, 95])
        assert 1 < median < 6, parcel_id
        assert high < 10, parcel_id


def test_surface_stands_above_the_ground():
    above = raster("dsm.tif")[0] - raster("dem.tif")[0]
    for shape, height in zip(layer("buildings").geometry, layer("buildings")["height_m"], strict=True):
        roof = above[0][cells("dsm.tif", shape.buffer(-0.5))]
        assert roof.max() == pytest.approx(height, abs=1.2)
        assert roof.min() > 0.5 * height
    assert above[0][cells("dsm.tif", lawn("P01")[0].buffer(-1.0))].max() < 0.01


def test_image_tells_grass_from_paving_and_water():
    counts = raster("imagery.tif")[0].astype(float)
    index = (counts[3] - counts[0]) / (counts[3] + counts[0])
    assert np.percentile(index[cells("imagery.tif", lawn("P01")[0].buffer(-1.0))], 2) > 0.45
    drives = layer("hard_surfaces").query("use == 'drive'").union_all().buffer(-0.5)
    assert np.percentile(index[cells("imagery.tif", drives)], 95) < 0.15
    assert np.percentile(index[cells("imagery.tif", layer("water").union_all().buffer(-0.5))], 95) < 0.15


# --- each parcel is what the table says --------------------------------------------------------------------------


def test_p01_is_plain():
    assert len(lawn("P01")) == 1
    assert 300 < lawn("P01")[0].area < 400
    assert slope_percent(lawn("P01")[0]).max() < 8
    terrace = within("hard_surfaces", "P01").query("use == 'terrace'").geometry.iloc[0]
    assert terrace.distance(within("buildings", "P01").union_all()) == pytest.approx(0.02, abs=0.001)


def test_p02_goes_round_a_house_and_is_surveyed():
    surveyed = layer("lawns").geometry.iloc[0]
    derived = lawn("P02")[0]
    assert len(layer("lawns")) == 1
    assert derived.contains(surveyed)
    assert surveyed.distance(derived.boundary) == pytest.approx(0.02, abs=0.002)
    assert surveyed.area > 0.98 * derived.area
    assert surveyed.area < 0.85 * surveyed.convex_hull.area


def test_p03_front_is_cut_off_by_the_drive():
    back, front = lawn("P03")
    assert back.area > 280
    assert front.area > 180
    assert back.distance(front) > 10
    drive = within("hard_surfaces", "P03").query("use == 'drive'").union_all()
    assert front.distance(drive) < 1e-6
    assert front.distance(layer("streets").union_all()) < 1e-6


def test_p04_passage_is_1_2_m_wide():
    hedge = within("beds", "P04").query("kind == 'hedge'").union_all()
    assert within("buildings", "P04").distance(hedge).min() == pytest.approx(1.2, abs=0.005)
    assert len(lawn("P04")) == 1
    assert big_parts(lawn("P04")[0].buffer(-0.595), 50) == 1
    assert big_parts(lawn("P04")[0].buffer(-0.605), 50) == 2


def test_p05_passage_is_0_6_m_wide():
    terrace = within("hard_surfaces", "P05").query("use == 'terrace'")
    shrubs = within("beds", "P05").query("kind == 'shrubs'").union_all()
    assert terrace["level"].item() == "raised"
    assert terrace.distance(shrubs).item() == pytest.approx(0.6, abs=0.005)
    assert big_parts(lawn("P05")[0].buffer(-0.295), 50) == 1
    assert big_parts(lawn("P05")[0].buffer(-0.305), 50) == 2


def test_p06_has_islands_close_together():
    assert within("water", "P06")["kind"].tolist() == ["pond"]
    islands = [shapely.Polygon(ring) for ring in lawn("P06")[0].interiors]
    gaps = [a.distance(b) for n, a in enumerate(islands) for b in islands[:n]]
    assert len(islands) >= 3
    assert min(gaps) == pytest.approx(0.4, abs=0.005)
    saplings = within("trees", "P06")
    assert saplings["trunk_diameter_m"].between(0.04, 0.08).all()
    assert saplings["crown_diameter_m"].between(1.0, 1.6).all()
    points = np.array(saplings.geometry)
    between = shapely.distance(points[:, None], points[None, :])
    assert between[between > 0].min() == pytest.approx(0.45, abs=0.005)


def test_p07_has_a_grown_tree_and_a_path_between_two_lawns():
    trees = within("trees", "P07").sort_values("trunk_diameter_m")
    assert trees.iloc[-1][["trunk_diameter_m", "crown_diameter_m"]].tolist() == [0.45, 9.0]
    assert trees.iloc[:-1]["trunk_diameter_m"].max() <= 0.08
    left, right = lawn("P07")
    assert min(left.area, right.area) > 200
    assert left.distance(right) == pytest.approx(1.0, abs=0.02)
    path = within("hard_surfaces", "P07").query("use == 'path' and level == 'flush'").geometry
    between = path[(path.distance(left) < 1e-6) & (path.distance(right) < 1e-6)]
    assert len(between) == 1
    assert between.item().area / (between.item().length / 2) == pytest.approx(1.0, abs=0.15)


def test_p08_has_a_steep_bank():
    slopes = slope_percent(lawn("P08")[0])
    steep = slopes > 35
    assert 0.2 < steep.mean() < 0.5
    assert np.percentile(slopes[steep], 10) > 45
    assert np.percentile(slopes[steep], 99) < 60
    assert np.median(slopes[~steep]) < 8


def test_p09_drops_to_the_right_of_the_line():
    drop = within("barriers", "P09").query("kind == 'drop'")
    line = drop.geometry.item()
    for share in (0.3, 0.5, 0.7):
        above = line.offset_curve(0.8).interpolate(share, normalized=True)
        below = line.offset_curve(-0.8).interpolate(share, normalized=True)
        assert height_at(above.x, above.y) - height_at(below.x, below.y) == pytest.approx(0.85, abs=0.15)
    assert drop["height_m"].item() == 0.9
    assert line.distance(within("buildings", "P09").union_all()) > 5
    ends = [shapely.Point(line.coords[0]), shapely.Point(line.coords[-1])]
    assert ends[0].distance(parcel("P09").boundary) < 0.01
    assert ends[1].distance(parcel("P09").boundary) > 5


def test_p10_has_terrace_kerb_hedge_and_sprinklers():
    terrace = within("hard_surfaces", "P10").query("use == 'terrace'")
    assert terrace["level"].item() == "flush"
    assert terrace.distance(lawn("P10")[0]).item() < 1e-6
    kerb = within("barriers", "P10").query("kind == 'kerb'")
    assert kerb["height_m"].item() == 0.1
    drive = within("hard_surfaces", "P10").query("use == 'drive'").union_all()
    assert kerb.distance(drive).item() < 1e-6
    hedges = layer("barriers").query("kind == 'hedge'")
    assert hedges[hedges.distance(parcel("P10").boundary) < 1e-6].length.sum() > 60
    assert shapely.within(within("sprinklers", "P10").geometry.values, lawn("P10")[0]).sum() == 6


def test_p11_is_an_estate_with_an_orchard():
    assert 3_800 < sum(piece.area for piece in lawn("P11")) < 4_500
    trees = within("trees", "P11")
    assert trees["trunk_diameter_m"].between(0.18, 0.30).sum() == 24
    assert len(within("buildings", "P11")) == 3
    assert "drive" in set(within("hard_surfaces", "P11")["use"])


def test_p12_is_no_garden_for_a_mower():
    bank, *scraps = lawn("P12")
    assert sum(piece.area for piece in scraps) < 20
    assert all(big_parts(piece.buffer(-0.55), 0.0) == 0 for piece in scraps)
    slopes = slope_percent(bank)
    assert np.median(slopes) > 50
    assert (slopes < 35).mean() * bank.area < 20


def test_outlets_are_on_house_walls_and_one_house_has_none():
    outlets = layer("outlets")
    assert outlets.distance(layer("buildings").union_all()).max() < 0.1
    without = [parcel_id for parcel_id in PARCELS if within("outlets", parcel_id).empty]
    assert without == ["P09"]


def test_barriers_of_each_kind():
    assert set(layer("barriers")["kind"]) == {"wall", "fence", "hedge", "kerb", "drop"}
    assert layer("barriers")["height_m"].between(0.1, 2.0).all()
