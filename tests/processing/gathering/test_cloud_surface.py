"""Crowns and steps of made parks: how many are found, and how far they are off, in cells of half a metre."""

from __future__ import annotations

import functools

import geopandas
import made_clouds
import made_parks as made
import numpy as np
import pytest
import shapely
from shapely import Point

from lawngis.processing.files.rasters import raster_overview, read_window
from lawngis.processing.gathering import cloud_cells, cloud_surface
from lawngis.processing.gathering.point_cloud import elevation_models
from lawngis.processing.gathering.site_folder import Gathered, _with_crowns


@pytest.fixture(scope="module")
def thin(tmp_path_factory):
    """Models of two pulses to the square metre, whose terrain has cells of 1 m."""
    folder = tmp_path_factory.mktemp("park")
    return elevation_models([made.write_park(folder / "park.laz")], folder / "models")


def off(trees):
    """How far the nearest tree found is from each there is, what its height is off, and how many stand for none [m]."""
    truth = made.trees()
    places = shapely.get_coordinates(trees.geometry.to_numpy()) - [made.EAST, made.NORTH]
    distance = np.hypot(*(truth[:, None, :2] - places).transpose(2, 0, 1))
    nearest = distance.argmin(axis=1)
    found = distance.min(axis=1) < truth[:, 3] / 2
    height = trees["height_m"].to_numpy()[nearest] - truth[:, 2]
    return found, distance.min(axis=1), height, len(trees) - len(set(nearest[found]))


def test_every_crown_is_found_and_nothing_else(thin):
    found, distance, height, too_many = off(thin.trees)
    assert found.all() and too_many == 0
    assert np.sqrt(np.mean(distance**2)) < 0.5
    assert np.abs(height).max() < 0.8
    crown = np.sort(thin.trees["crown_diameter_m"]) - np.sort(made.trees()[:, 3])
    assert np.abs(crown).mean() < 0.5


def test_half_a_metre_finds_more_than_the_cells_of_the_terrain(thin, tmp_path, monkeypatch):
    monkeypatch.setattr(cloud_cells, "TOP_CELL_M", 1.0)
    coarse = elevation_models([made.write_park(tmp_path / "park.laz")], tmp_path / "models")
    fine_found, fine_off, _, _ = off(thin.trees)
    found, distance, _, _ = off(coarse.trees)
    assert fine_found.sum() > found.sum()
    assert np.mean(fine_off[found] ** 2) < 0.8 * np.mean(distance[found] ** 2)


def test_crowns_across_squares_are_found_once(thin, tmp_path, monkeypatch):
    small = functools.partial(cloud_surface.CellStore, side_cells=32)
    monkeypatch.setattr(cloud_surface, "CellStore", small)
    models = elevation_models([made.write_park(tmp_path / "park.laz")], tmp_path / "models")
    found, distance, height, too_many = off(models.trees)
    assert found.all() and too_many == 0
    assert np.abs(height).max() < 0.8
    moved = np.abs(distance - off(thin.trees)[1])
    assert moved.max() < 0.6 and np.mean(moved > 0.01) < 0.1, (
        "gaps are filled a little otherwise at the rim of a square"
    )


def test_without_classes_a_house_is_no_tree(tmp_path):
    models = elevation_models([made_clouds.write_cloud(tmp_path / "garden.laz", classes=False)], tmp_path / "models")
    tree = shapely.Point(made_clouds.EAST + made_clouds.TREE[0], made_clouds.NORTH + made_clouds.TREE[1])
    assert models.trees.distance(tree).tolist() == [pytest.approx(0, abs=1.0)]


def test_of_few_points_the_surface_has_smaller_cells_than_the_ground(tmp_path):
    models = elevation_models([made.write_park(tmp_path / "park.laz", density_m2=1.0)], tmp_path / "models")
    assert (models.cell_m, raster_overview(models.dsm).res) == (2.0, (1.0, 1.0))
    info = raster_overview(models.dsm)
    values, place = read_window(models.dsm, info.bounds)
    row, col = np.indices(values.shape)
    x, y = place.c + col + 0.5 - made.EAST, place.f - row - 0.5 - made.NORTH
    clear = np.hypot(x[..., None] - made.trees()[:, 0], y[..., None] - made.trees()[:, 1]).min(axis=2) > 6
    clear &= (np.abs(x - made.WALL_X) > 2) & (np.abs(y - made.DROP_Y) > 1)
    error = np.abs(values - made.ground_m(x, y))[clear]
    assert np.nanquantile(error, 0.99) < 0.1, "beside the drop, too"


def test_a_map_keeps_its_trees_and_gets_those_that_it_lacks(thin):
    first = thin.trees.geometry.iloc[0]
    beside = geopandas.GeoDataFrame(
        {"height_m": [4.0, 5.0], "crown_diameter_m": [np.nan, np.nan]},
        geometry=[Point(first.x + 0.9, first.y), Point(first.x, first.y + 300)], crs=thin.trees.crs,
    )  # fmt: skip
    told = Gathered(settings={"accuracy": {"trees": {"position_sd_m": 1.4}}})
    both = _with_crowns(beside, thin.trees, told)
    assert len(both) == len(thin.trees) + 1
    assert both.geometry.iloc[0].equals(beside.geometry.iloc[0]), "the map's, not the points'"
    assert told.settings["accuracy"]["trees"]["position_sd_m"] == 1.4
