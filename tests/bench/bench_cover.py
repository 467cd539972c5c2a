"""Lawn and trees found in the sample's image, against what its script built: several noises and misregistrations.

Run with ``pytest tests/bench/bench_cover.py --benchmark-enable -s``; it prints a table. Only parcels, image and
elevation are given to the search; the other layers are the truth. Image and surface model are moved against the
layers and against each other. The command for whole images, block by block, is held against the step for parcels.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.polygons import discs
from lawngis.ground.cover import (
    CoverClass,
    CoverRules,
    cover_pieces,
    ground_cover,
    height_above_ground,
)
from lawngis.ground.greenness import usual_brightness
from lawngis.ground.imagery import Imagery, index_histogram, vegetation_index, vegetation_threshold
from lawngis.ground.raster import Grid
from lawngis.ground.seams import whole
from lawngis.ground.trees import found_trees, hedge_cells
from lawngis.lawn.derive import NonLawn, derived_lawn
from lawngis.mower import built_in_profile
from lawngis.processing.derived.imagery_rules import CoverParameters
from lawngis.processing.model.plan import Plan
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import SiteFiles, site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.cover import STEP
from lawngis.processing.whole_rasters.cover import write_cover

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
CELL_M = 0.25
TREE_MIN_M = 2.0

CASES = {
    # noise of the image [counts], noise of the surface [m], image moved [m], surface moved [m]
    "as committed": (0.0, 0.0, (0.0, 0.0), (0.0, 0.0)),
    "noise 4 counts, 5 cm": (4.0, 0.05, (0.0, 0.0), (0.0, 0.0)),
    "noise 8 counts, 10 cm": (8.0, 0.10, (0.0, 0.0), (0.0, 0.0)),
    "noise 12 counts, 15 cm": (12.0, 0.15, (0.0, 0.0), (0.0, 0.0)),
    "image 0.25 m east": (2.0, 0.05, (0.25, 0.0), (0.0, 0.0)),
    "image 0.5 m north-west": (2.0, 0.05, (-0.35, 0.35), (0.0, 0.0)),
    "surface 0.5 m south": (2.0, 0.05, (0.0, 0.0), (0.0, -0.5)),
    "both, apart 0.7 m, noise": (6.0, 0.10, (0.25, 0.25), (-0.25, -0.25)),
}


def sample() -> SimpleNamespace:
    """Return the sample's rasters as grids, its layers in the frame, and the true lawn."""

    def bands(name: str) -> list[Grid]:
        with rasterio.open(SAMPLE / f"{name}.tif") as data:
            values = data.read(masked=True).astype(float).filled(np.nan)
            return [Grid(band, data.transform, CRS(data.crs.to_epsg())) for band in values]

    dem = bands("dem")[0]
    frame = MeasuringFrame.centred_on(shapely.box(*dem.bounds), dem.crs)
    layers = {}
    for name in ("parcels", "buildings", "hard_surfaces", "beds", "water", "streets", "trees", "obstacles"):
        table = geopandas.read_file(SAMPLE / "neighbourhood.gpkg", layer=name)
        layers[name] = table.set_geometry(geopandas.GeoSeries(frame.to_frame(table.geometry), crs=frame.crs))
    return SimpleNamespace(
        dem=dem, dsm=bands("dsm")[0], bands=bands("imagery"), frame=frame, layers=layers, lawn=true_lawn(layers)
    )


def true_lawn(layers: dict[str, geopandas.GeoDataFrame]) -> shapely.MultiPolygon:
    """Return the parcels less everything that the script laid on them."""
    trees = layers["trees"]
    trunks = discs(trees.geometry.get_coordinates().to_numpy(), trees["trunk_diameter_m"].clip(lower=0.06) / 2)
    names = ("buildings", "hard_surfaces", "beds", "water")
    taken = [NonLawn(layers[name].geometry.to_numpy(), name) for name in names]
    taken += [NonLawn(layers["streets"].geometry.to_numpy(), "streets"), NonLawn(trunks, "trunks")]
    toys = layers["obstacles"].geometry
    taken.append(NonLawn(toys[toys.geom_type == "Polygon"].to_numpy(), "obstacles"))
    return shapely.union_all(derived_lawn(shapely.union_all(layers["parcels"].geometry), taken))


def worsened(site: SimpleNamespace, case: str, seed: int = 5) -> tuple[Imagery, Grid]:
    """Return the image and surface of a case."""
    counts, metres, image_by, surface_by = CASES[case]
    rng = np.random.default_rng(seed)

    def moved(grid: Grid, by: tuple[float, float], noise: float) -> Grid:
        values = grid.values + rng.normal(0.0, noise, grid.shape)
        return Grid(values, Affine.translation(*by) @ grid.transform, grid.crs)

    noisy = [moved(band, image_by, counts) for band in site.bands]
    noisy = [band.with_values(np.clip(np.round(band.values), 1, 255)) for band in noisy]
    return Imagery(*noisy), moved(site.dsm, surface_by, metres)


def scores(site: SimpleNamespace, imagery: Imagery, surface: Grid) -> tuple[float, float]:
    """Return the lawn's intersection over union, and the trees' F1."""
    height = height_above_ground(surface, site.dem, imagery.red, site.frame)
    index = vegetation_index(imagery)
    threshold = vegetation_threshold(index_histogram(index)).value
    green, bare = usual_brightness(imagery, index, threshold)
    cover = ground_cover(imagery, height, CoverRules(threshold, brightness_of_green=green, brightness_of_bare=bare))
    pieces = cover_pieces([(cover, whole(cover.classes.shape))], site.frame, tolerance_m=CELL_M)
    growing = np.isin(cover.classes, (CoverClass.SHRUB, CoverClass.TREE))
    growing &= ~hedge_cells(growing, cell_m=CELL_M)
    found = found_trees(imagery.red.with_values(height), growing, site.frame, built=cover.classes == CoverClass.BUILT)
    lawn = [piece.polygon for piece in pieces if piece.cover == CoverClass.LAWN]
    return rated(site, lawn, [(tree.x_m, tree.y_m) for tree in found])


def rated(
    site: SimpleNamespace, lawn: list[shapely.Polygon], tops: list[tuple[float, float]], *, in_parcels: bool = False
) -> tuple[float, float]:
    """Return the lawn's intersection over union within the parcels, and the F1 of trees."""
    parcels = shapely.union_all(site.layers["parcels"].geometry)
    found = shapely.union_all(lawn).intersection(parcels)
    trees = site.layers["trees"]
    trees = trees[trees["height_m"] >= TREE_MIN_M]
    if in_parcels:
        trees = trees[trees.intersects(parcels)]
        tops = [top for top in tops if parcels.intersects(shapely.Point(top))]
    reach = np.maximum(trees["crown_diameter_m"] / 2, 1.0)
    hit = detection_f1(tops, trees.geometry.get_coordinates().to_numpy(), reach.to_numpy())
    return found.intersection(site.lawn).area / found.union(site.lawn).area, hit


def detection_f1(found_xy: list[tuple[float, float]], true_xy: np.ndarray, reach_m: np.ndarray) -> float:
    """Harmonic mean of precision and recall of places found, each matched with one true one at most, nearest first."""
    apart = np.hypot(*(true_xy[:, None, axis] - np.reshape(found_xy, (-1, 2))[None, :, axis] for axis in (0, 1)))
    free = apart <= reach_m[:, None]
    matched = 0
    for pair in np.argsort(apart, axis=None, kind="stable"):
        row, col = np.unravel_index(pair, apart.shape)
        if free[row, col]:
            free[row], free[:, col] = False, False
            matched += 1
    return 2 * matched / (len(found_xy) + len(true_xy))


@pytest.fixture(scope="module")
def site() -> SimpleNamespace:
    return sample()


@pytest.mark.parametrize("case", CASES)
def test_lawn_and_trees_of_the_sample(benchmark, site, case):
    imagery, surface = worsened(site, case)
    overlap, f1 = benchmark.pedantic(scores, args=(site, imagery, surface), rounds=1)
    print(f"\n{case:28} lawn IoU {overlap:.3f}   trees F1 {f1:.3f}", end="")
    assert overlap >= 0.9
    assert f1 >= 0.85


def by_parcels(site: SimpleNamespace, folder: Path) -> tuple[float, float]:
    """Return how well the step does, parcel by parcel, on a site that has nothing but parcels and rasters."""
    parcels = geopandas.read_file(SAMPLE / "neighbourhood.gpkg", layer="parcels")
    parcels.to_file(folder / "parcels.gpkg", layer="parcels")
    source = SiteSource(site_files(folder / "parcels.gpkg", raster_files=rasters()))
    mower, parameters = built_in_profile("medium"), CoverParameters()
    lawn, tops = [], []
    for parcel_id in source.parcel_ids:
        one = source.site(parcel_id)
        result = STEP.compute(one, Plan(parcel_id, one.frame.crs), mower, parameters)
        drawn = [row["geometry"] for row in result.layers["cover"] if row["cover"].startswith("lawn")]
        lawn += list(site.frame.to_frame(one.frame.to_source(drawn)))
        trees = site.frame.to_frame(one.frame.to_source([row["geometry"] for row in result.layers["trees_found"]]))
        tops += [(tree.x, tree.y) for tree in trees]
    return rated(site, lawn, tops, in_parcels=True)


def by_blocks(site: SimpleNamespace, folder: Path, block_m: float) -> tuple[float, float]:
    """Return how well the command for whole images does."""
    out = folder / "cover.gpkg"
    write_cover(SiteFiles(SAMPLE, {}, rasters()), ReadOptions(), CoverParameters(block_m=block_m), out)
    cover, trees = (geopandas.read_file(out, layer=name) for name in ("cover", "trees_found"))
    lawn = site.frame.to_frame(cover[cover["cover"].str.startswith("lawn")].geometry)
    tops = [(tree.x, tree.y) for tree in site.frame.to_frame(trees.geometry)]
    return rated(site, list(lawn), tops, in_parcels=True)


def rasters() -> dict[str, str]:
    return {name: str(SAMPLE / f"{name}.tif") for name in ("dem", "dsm", "imagery")}


def test_blocks_do_as_well_as_parcels(benchmark, site, tmp_path):
    parcels = by_parcels(site, tmp_path)
    blocks = benchmark.pedantic(by_blocks, args=(site, tmp_path, 60.0), rounds=1)
    print(f"\nby parcels: lawn IoU {parcels[0]:.3f}, trees F1 {parcels[1]:.3f}", end="")
    print(f"; by blocks of 60 m: {blocks[0]:.3f}, {blocks[1]:.3f}", end="")
    assert blocks == pytest.approx(parcels, abs=0.01) and blocks[0] >= 0.9 and blocks[1] >= 0.85
    assert by_blocks(site, tmp_path, 500.0) == pytest.approx(blocks, abs=1e-6)
