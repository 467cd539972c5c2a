"""A whole image, block by block: the same whatever the blocks, right where shapes are known, plain about bad input."""

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine
from rasterio.enums import ColorInterp
from rasterio.windows import Window

from lawngis.errors import LawngisError
from lawngis.processing.derived.imagery_rules import CoverParameters
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import SiteFiles, site_files
from lawngis.processing.whole_rasters.cover import CoverOutcome, write_cover
from lawngis.processing.whole_rasters.cover_layers import COVER_LAYERS

SAMPLE = Path(__file__).parents[3] / "sample_parcels"
LEFT, TOP = 500_000.0, 5_500_060.0
GRASS, PAVING, ROOF = (62, 98, 52, 186), (168, 157, 138, 152), (152, 86, 70, 150)
HOUSE = shapely.box(LEFT + 8, TOP - 40, LEFT + 26, TOP - 30)
PATH = shapely.box(LEFT, TOP - 22, LEFT + 120, TOP - 18)
HEDGE = shapely.box(LEFT + 30, TOP - 10.5, LEFT + 110, TOP - 9)
TREES = [shapely.Point(LEFT + x, TOP - y) for x, y in ((40, 40.1), (60.1, 35), (80, 48), (95, 40))]


def raster(path: Path, bands: np.ndarray, cell_m: float, *, crs: str | None = "EPSG:25832", left: float = LEFT) -> Path:
    place = Affine(cell_m, 0, left, 0, -cell_m, TOP)
    profile = {"driver": "GTiff", "height": bands.shape[1], "width": bands.shape[2], "count": len(bands)}
    with rasterio.open(path, "w", **profile, dtype=bands.dtype, crs=crs, transform=place) as file:
        file.write(bands)
        if len(bands) == 4:
            file.descriptions = ("red", "green", "blue", "nir")
    return path


def inside(shape: shapely.Geometry, rows: int, cols: int, cell_m: float) -> np.ndarray:
    x, y = np.meshgrid(LEFT + (np.arange(cols) + 0.5) * cell_m, TOP - (np.arange(rows) + 0.5) * cell_m)
    return shapely.contains_xy(shape, x, y)


def scene(folder: Path, *, width_m: int = 120, image: slice = slice(0, 4), left: float = LEFT) -> Path:
    """A house, a path all along, a hedge and four trees of 7 m on lawn, 60 m deep; a site without layers."""
    folder.mkdir(exist_ok=True)
    rng = np.random.default_rng(3)
    rows, cols = 240, width_m * 4
    bands = np.tile(np.array(GRASS, dtype=float)[:, None, None], (1, rows, cols))
    for shape, colour in ((HOUSE, ROOF), (shapely.box(LEFT, TOP - 22, LEFT + width_m, TOP - 18), PAVING)):
        bands[:, inside(shape, rows, cols, 0.25)] = np.array(colour, dtype=float)[:, None]
    bands = np.clip(bands + rng.normal(0, 3, bands.shape), 1, 255).astype(np.uint8)
    raster(folder / "imagery.tif", bands[image], 0.25, left=left)
    height = np.full((1, 120, width_m * 2), 100, dtype=np.float32)
    raster(folder / "dem.tif", height, 0.5)
    for shape, above in ((HOUSE, 5.0), (HEDGE, 1.5)):
        height[0, inside(shape, 120, width_m * 2, 0.5)] = 100 + above
    x, y = np.meshgrid(LEFT + np.arange(0.25, width_m, 0.5), TOP - np.arange(0.25, 60, 0.5))
    for tree in TREES:
        off = np.hypot(x - tree.x, y - tree.y)
        height[0] = np.where(off < 2.5, 107 - 0.3 * off**2, height[0])
    raster(folder / "dsm.tif", height, 0.5)
    return folder


def files(folder: Path, *layers: Path) -> SiteFiles:
    rasters = {name: str(folder / f"{name}.tif") for name in ("dem", "dsm", "imagery")}
    found = SiteFiles(folder, {}, {name: place for name, place in rasters.items() if Path(place).exists()})
    return replace(found, layers=site_files(layers[0]).layers) if layers else found


def mapped(
    found: SiteFiles, out: Path, bands: tuple[str, ...] = (), **parameters: object
) -> tuple[CoverOutcome, geopandas.GeoDataFrame]:
    outcome = write_cover(found, ReadOptions(bands=bands), CoverParameters(**parameters), out)
    return outcome, geopandas.read_file(out, layer="cover")


def wkt(table: geopandas.GeoDataFrame, *columns: str) -> list[tuple[str, ...]]:
    drawn = shapely.to_wkt(shapely.normalize(table.geometry.to_numpy()), rounding_precision=3)
    return sorted(zip(drawn, *(table[column] for column in columns), strict=True))


def codes(out: Path) -> set[str]:
    return set(pyogrio.read_dataframe(out, layer="findings")["code"])


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return scene(tmp_path_factory.mktemp("scene") / "site")


# --- blocks -----------------------------------------------------------------------------------------------


def test_the_sample_is_the_same_whatever_the_blocks(tmp_path):
    """100 m of the sample: outlines to the millimetre, covers, trees, and how sure they are."""
    folder = tmp_path / "part"
    folder.mkdir()
    for name, window in (
        ("imagery", Window(300, 150, 400, 380)), ("dsm", Window(140, 70, 220, 200)), ("dem", Window(140, 70, 220, 200)),
    ):  # fmt: skip
        with rasterio.open(SAMPLE / f"{name}.tif") as whole:
            profile = whole.profile | {"width": window.width, "height": window.height, "driver": "GTiff"}
            with rasterio.open(
                folder / f"{name}.tif", "w", **profile | {"transform": whole.window_transform(window)}
            ) as f:
                f.write(whole.read(window=window))
                f.descriptions = whole.descriptions
    at_once, one = mapped(files(folder), tmp_path / "one.gpkg", block_m=2000)
    in_blocks, many = mapped(files(folder), tmp_path / "many.gpkg", block_m=45)
    assert len(one) > 60 and {"lawn", "hedge", "crown", "shrub", "bare", "built"} <= set(one["cover"])
    assert wkt(many, "cover") == wkt(one, "cover")
    assert sorted(many["confidence"]) == pytest.approx(sorted(one["confidence"]), abs=1e-9)
    trees = [geopandas.read_file(tmp_path / f"{name}.gpkg", layer="trees_found") for name in ("one", "many")]
    assert len(trees[0]) >= 8 and at_once.trees == in_blocks.trees == len(trees[0])
    assert wkt(trees[0]) == wkt(trees[1])
    assert sorted(trees[0]["crown_diameter_m"]) == pytest.approx(sorted(trees[1]["crown_diameter_m"]), abs=1e-4)


@pytest.mark.parametrize("block_m", [27.5, 500])
def test_known_shapes_are_found_once_and_whole(place, tmp_path, block_m):
    outcome, cover = mapped(files(place), tmp_path / "cover.gpkg", block_m=block_m)
    (house,) = cover[cover["cover"] == "built"].geometry
    (path,) = cover[cover["cover"] == "bare"].geometry
    (hedge,) = cover[cover["cover"] == "hedge"].geometry
    for seen, true in ((house, HOUSE), (path, PATH)):
        assert seen.symmetric_difference(true).area < 0.03 * true.area
    assert hedge.intersection(HEDGE).area > 0.9 * HEDGE.area and hedge.area < 1.5 * HEDGE.area
    trees = geopandas.read_file(tmp_path / "cover.gpkg", layer="trees_found")
    assert outcome.trees == len(trees) == len(TREES)
    assert all(min(tree.distance(other) for other in trees.geometry) < 1 for tree in TREES)
    lawn = cover[cover["cover"] == "lawn"].geometry.area.sum()
    assert outcome.area_m2["lawn"] == pytest.approx(lawn, rel=1e-3)
    assert not cover["parted"].any()


@pytest.mark.slow
def test_what_is_longer_than_a_sheet_is_parted_and_nothing_is_lost(tmp_path):
    folder = scene(tmp_path / "long", width_m=330)
    _, whole = mapped(files(folder), tmp_path / "whole.gpkg", sheet_m=1000)
    outcome, parted = mapped(files(folder), tmp_path / "parted.gpkg", sheet_m=100, block_m=60)
    path, pieces = (table[table["cover"] == "bare"] for table in (whole, parted))
    assert len(path) == 1 and len(pieces) == 4
    assert set(parted[parted["parted"]]["cover"]) == {"lawn", "bare"}
    assert shapely.union_all(pieces.geometry.to_numpy()).symmetric_difference(path.geometry.iloc[0]).area < 2
    assert pieces.geometry.area.sum() == pytest.approx(path.geometry.area.sum(), rel=2e-3)
    assert "cover-parted" in outcome.codes
    small = [table[table["cover"].isin(["built", "hedge", "crown"])] for table in (whole, parted)]
    assert wkt(small[0], "cover") == wkt(small[1], "cover")
    _, other = mapped(files(folder), tmp_path / "other.gpkg", sheet_m=100, block_m=2000)
    assert wkt(parted, "cover") == wkt(other, "cover")


def test_the_file_is_described_styled_and_without_parcels(place, tmp_path):
    out = tmp_path / "cover.gpkg"
    mapped(files(place), out)
    names = [name for name, _ in pyogrio.list_layers(out)]
    assert set(COVER_LAYERS) <= set(names) and "layer_styles" in names
    for name, spec in COVER_LAYERS.items():
        table = pyogrio.read_dataframe(out, layer=name)
        assert [c for c in table.columns if c != "geometry"] == [column.name for column in spec.columns]
        assert "parcel_id" not in table.columns
    info = pyogrio.read_dataframe(out, layer="run_info").set_index("key")["value"]
    assert info["step cover.block_m"] == "250.0" and f"sha256 {place / 'dsm.tif'}" in info.index
    cover = geopandas.read_file(out, layer="cover")
    assert cover["cover_id"].is_unique and cover.geometry.is_valid.all()
    assert (cover["area_m2"] - cover.geometry.area).abs().max() < 1e-3 * cover["area_m2"].max()


def test_progress_counts_the_blocks(place, tmp_path):
    seen: list[tuple[int, int]] = []
    write_cover(
        files(place),
        ReadOptions(),
        CoverParameters(block_m=60),
        tmp_path / "o.gpkg",
        progress=lambda *n: seen.append(n),
    )
    assert seen == [(1, 2), (2, 2)]


# --- poorer data ------------------------------------------------------------------------------------------


def test_colours_alone_and_no_heights_are_said(place, tmp_path):
    folder = scene(tmp_path / "rgb", image=slice(0, 3))
    outcome, cover = mapped(files(folder), tmp_path / "rgb.gpkg", bands=("red", "green", "blue"))
    assert "imagery-visible-only" in outcome.codes
    (folder / "dsm.tif").unlink()
    flat, without = mapped(files(folder), tmp_path / "flat.gpkg", bands=("red", "green", "blue"))
    assert {"cover-without-heights", "green-height-unknown"} <= set(codes(tmp_path / "flat.gpkg")) and flat.trees == 0
    assert "green-height-unknown" not in outcome.codes
    assert set(without["cover"]) == {"green", "bare", "shaded"}  # dark roofs look like shade
    assert without["confidence"].max() < cover["confidence"].max()


def test_a_surface_model_in_another_crs_gives_the_same(place, tmp_path):
    from rasterio.warp import Resampling, calculate_default_transform, reproject

    folder = scene(tmp_path / "warped")
    for name in ("dsm", "dem"):
        with rasterio.open(place / f"{name}.tif") as source:
            transform, width, height = calculate_default_transform(
                source.crs, "EPSG:3035", source.width, source.height, *source.bounds, resolution=0.5
            )
            profile = source.profile | {"crs": "EPSG:3035", "transform": transform, "width": width, "height": height}
            with rasterio.open(folder / f"{name}.tif", "w", **profile | {"nodata": -9999.0}) as target:
                reproject(
                    rasterio.band(source, 1), rasterio.band(target, 1), resampling=Resampling.nearest,
                    init_dest_nodata=True, dst_nodata=-9999.0,
                )  # fmt: skip
    _, straight = mapped(files(place), tmp_path / "straight.gpkg")
    outcome, warped = mapped(files(folder), tmp_path / "warped.gpkg", block_m=45)
    one, other = (
        shapely.union_all(table[table["cover"] == "lawn"].geometry.to_numpy()) for table in (straight, warped)
    )
    assert one.intersection(other).area / one.union(other).area > 0.95
    assert outcome.trees == len(TREES)


def test_models_that_end_early_leave_the_rest_unmapped_and_say_so(tmp_path):
    folder = scene(tmp_path / "short")
    with rasterio.open(folder / "dem.tif") as file:
        part = file.read()[:, :, :120]
    raster(folder / "dem.tif", part, 0.5)
    outcome, cover = mapped(files(folder), tmp_path / "cover.gpkg", block_m=40)
    (finding,) = [finding for finding in outcome.findings if finding.code == "heights-missing"]
    assert finding.severity == "caution" and finding.values["share_percent"] == pytest.approx(50, abs=0.5)
    assert cover.total_bounds[2] == pytest.approx(LEFT + 60, abs=0.5)


def test_ground_without_data_is_not_mapped(place, tmp_path):
    folder = scene(tmp_path / "collar")
    with rasterio.open(folder / "imagery.tif", "r+") as file:
        bands = file.read()
        bands[:, :, :80] = 0
        file.write(bands)
        file.colorinterp = [ColorInterp.undefined] * 4
        file.nodata = 0
    _, cover = mapped(files(folder), tmp_path / "cover.gpkg", block_m=30)
    assert cover.total_bounds[0] > LEFT + 19


# --- beside layers ----------------------------------------------------------------------------------------


def layers(path: Path, **shapes: object) -> Path:
    for name, (geometries, columns) in shapes.items():
        table = geopandas.GeoDataFrame(columns, geometry=geometries, crs="EPSG:25832")
        pyogrio.write_dataframe(table, path, layer=name, append=path.exists())
    return path


@pytest.mark.slow
def test_contradictions_are_said_with_their_place(place, tmp_path):
    gone = shapely.box(LEFT + 70, TOP - 33, LEFT + 78, TOP - 27)
    surveyed = shapely.box(LEFT + 2, TOP - 30, LEFT + 60, TOP - 2)
    site = layers(
        tmp_path / "map.gpkg",
        lawns=([surveyed], {}),
        buildings=([HOUSE, gone], {"height_m": [5.0, 4.0]}),
        hard_surfaces=([shapely.box(LEFT + 60, TOP - 16, LEFT + 66, TOP - 12)], {"use": ["terrace"]}),
        trees=(
            [*TREES[:2], shapely.Point(LEFT + 110, TOP - 50)],
            {"height_m": [7.0, 7.0, 8.0], "crown_diameter_m": [5.0, 5.0, 6.0]},
        ),
    )
    outcome, _ = mapped(files(place, site), tmp_path / "o.gpkg", block_m=30)
    found = geopandas.read_file(tmp_path / "o.gpkg", layer="findings").set_index("code")
    lawn = found.loc["lawn-not-green"]
    assert surveyed.intersection(PATH).buffer(0.5).contains(lawn.geometry) and "lawns, feature 1" in lawn["text"]
    assert gone.contains(found.loc["building-flat"].geometry)
    assert found.loc["tree-gone"].geometry.distance(shapely.Point(LEFT + 110, TOP - 50)) < 0.01
    assert "24 m²" in found.loc["paving-green"]["text"]
    assert outcome.codes["building-flat"] == outcome.codes["tree-gone"] == 1
    trees = geopandas.read_file(tmp_path / "o.gpkg", layer="trees_found")
    assert outcome.trees == len(trees) == 2  # the layer has the others


def test_one_shift_for_the_whole_image_is_said_and_corrected(tmp_path):
    folder = scene(tmp_path / "moved", left=LEFT + 0.75)
    paved = [HOUSE, shapely.box(LEFT, TOP - 22, LEFT + 70, TOP - 18)]
    site = layers(tmp_path / "map.gpkg", buildings=([HOUSE], {}), hard_surfaces=(paved[1:], {}))
    as_is, _ = mapped(files(folder, site), tmp_path / "as_is.gpkg")
    (said,) = [finding.values for finding in as_is.findings if finding.code == "image-shift"]
    assert said["east_west"] == "east"
    outcome, cover = mapped(files(folder, site), tmp_path / "right.gpkg", correct_shift=True, block_m=50)
    assert "laid_right" in {finding.values.get("case") for finding in outcome.findings}
    (house,) = cover[cover["cover"] == "built"].geometry
    assert house.symmetric_difference(HOUSE).area < 0.05 * HOUSE.area


# --- bad input --------------------------------------------------------------------------------------------


def refusal(found: SiteFiles, out: Path, **options: object) -> str:
    before = out.read_bytes() if out.exists() else None
    with pytest.raises(LawngisError) as error:  # noqa: PT011 (whoever calls looks at what it says)
        write_cover(found, ReadOptions(**options), CoverParameters(), out)
    assert (out.read_bytes() if out.exists() else None) == before
    return str(error.value)


def test_unusable_input_is_named_and_nothing_is_written(place, tmp_path):
    out = tmp_path / "out.gpkg"
    sound = files(place)

    def other(name: str, change: Callable[[Path], object]) -> SiteFiles:
        folder = tmp_path / name
        folder.mkdir()
        for file in place.glob("*.tif"):
            (folder / file.name).write_bytes(file.read_bytes())
        change(folder)
        return files(folder)

    bands = np.full((1, 40, 40), 90, dtype=np.uint8)
    cases = {
        "there is no image": other("none", lambda f: (f / "imagery.tif").unlink()),
        "no terrain model": other("no_dem", lambda f: (f / "dem.tif").unlink()),
        "has no CRS": other("no_crs", lambda f: raster(f / "imagery.tif", np.tile(bands, (4, 1, 1)), 0.25, crs=None)),
        "surface model lies elsewhere": other(
            "far", lambda f: raster(f / "dsm.tif", np.ones((1, 9, 9), np.float32), 0.5, left=LEFT + 9000)
        ),
        "neither near infrared": other("grey", lambda f: raster(f / "imagery.tif", bands, 0.25)),
        "has no data": other("blank", lambda f: raster(f / "imagery.tif", np.zeros((4, 40, 40), np.uint8), 0.25)),
    }
    for words, found in cases.items():
        assert words in refusal(found, out), words
    assert "which of the image's bands is red" in refusal(sound, out, bands=("green", "blue", "nir", "swir"))
    assert "--bands" in refusal(sound, out, bands=("red", "swir", "swir", "swir"))


def test_an_input_is_never_overwritten(place, tmp_path):
    site = layers(tmp_path / "map.gpkg", buildings=([HOUSE], {}))
    assert "overwrite an input" in refusal(files(place, site), site)
    folder = scene(tmp_path / "own")
    assert "overwrite an input" in refusal(files(folder), folder / "dem.tif")
    with pytest.raises(LawngisError, match="is a folder"):
        write_cover(files(folder), ReadOptions(), CoverParameters(), folder)


# --- the command ------------------------------------------------------------------------------------------


def test_the_command_maps_a_file_without_parcels(place, tmp_path, lawngis):
    site = layers(tmp_path / "map.gpkg", buildings=([HOUSE], {}))
    words = [word for name in ("imagery", "dsm", "dem") for word in (f"--{name}", place / f"{name}.tif")]
    out = tmp_path / "out.gpkg"
    outcome = lawngis("run", "cover", site, out, *words, "--set", "block_m=45")
    assert outcome.code == 0 and "4 trees" in outcome.out
    assert geopandas.read_file(out, layer="trees_found").shape[0] == 4
    written = out.read_bytes()
    grey = raster(tmp_path / "grey.tif", np.full((1, 40, 40), 90, dtype=np.uint8), 0.25)
    for wrong in (("--imagery", grey), ("--dsm", site), ("--set", "block_m=1"), ("--bands", "nir,green")):
        refused = lawngis("run", "cover", site, out, *words, *wrong)
        assert refused.code == 2 and refused.said.startswith("lawngis: "), wrong
    assert lawngis("run", "cover", site, site, *words).code == 2
    assert out.read_bytes() == written


# --- a real place -----------------------------------------------------------------------------------------

GARDEN = os.environ.get("LAWNGIS_GARDEN_DIR", "")


@pytest.mark.skipif(not GARDEN, reason="LAWNGIS_GARDEN_DIR names no folder with imagery.tif, dem.tif, dsm.tif")
def test_real_gardens_are_the_same_whatever_the_blocks(tmp_path):
    found = files(Path(GARDEN))
    one, many = (mapped(found, tmp_path / f"{size}.gpkg", block_m=size)[1] for size in (500, 20))
    assert wkt(one, "cover") == wkt(many, "cover")
    trees = [geopandas.read_file(tmp_path / f"{size}.gpkg", layer="trees_found") for size in (500, 20)]
    assert len(trees[0]) >= 15
    assert wkt(trees[0]) == wkt(trees[1])
