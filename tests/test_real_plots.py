"""A real parcel set: plots, buildings and streets of a Prague quarter, in Web Mercator, on a terrain made for it.

Data: `bubenec.gpkg`, carried by the package momepy (OpenStreetMap contributors, ODbL).
"""

import geopandas as gpd
import momepy
import numpy as np
import pandas as pd
import pytest
import rasterio
from pyproj import Geod
from rasterio.transform import from_origin
from typer.testing import CliRunner

from lawngis.processing.cli.main import app

PARCELS = 24


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bubenec")
    source = momepy.datasets.get_path("bubenec")
    plots = gpd.read_file(source, layer="plots").iloc[:PARCELS]
    buildings = gpd.read_file(source, layer="buildings")
    site = folder / "site"
    site.mkdir()
    plots.assign(parcel_id=[f"plot-{row}" for row in range(len(plots))]).to_file(site / "s.gpkg", layer="parcels")
    buildings.to_file(site / "s.gpkg", layer="buildings")
    gpd.read_file(source, layer="streets").to_file(site / "s.gpkg", layer="streets")
    rolling_dem(site / "dem.tif", plots)
    result = CliRunner().invoke(app, ["plan", str(site), "--out", str(folder / "out")])
    return plots, result, folder / "out" / "plan.gpkg"


def rolling_dem(path, plots):
    """Gentle hills with 2 cm of noise, correlated over some metres, 1 m cells of Web Mercator."""
    left, bottom, right, top = plots.total_bounds
    columns, rows = int(right - left) + 60, int(top - bottom) + 60
    x, y = np.meshgrid(np.arange(columns), np.arange(rows))
    rng = np.random.default_rng(3)
    noise = sum(rng.normal(0, 0.01) * np.sin(x / scale + y / (2 * scale)) for scale in (2.5, 4.0, 7.0))
    height = 200 + 2.0 * np.sin(x / 60) + 1.5 * np.cos(y / 45) + noise
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=plots.crs.to_wkt(),
        transform=from_origin(left - 30, top + 30, 1.0, 1.0),
    ) as dataset:  # fmt: skip
        dataset.write(height.astype("float32"), 1)


@pytest.mark.slow
def test_every_plot_is_planned_or_said_not_suitable(planned):
    plots, result, plan = planned
    assert result.exit_code == 0, result.output
    summary = gpd.read_file(plan, layer="summary")
    assert len(summary) == len(plots) and set(summary.status) <= {"planned", "not_suitable"}
    assert (summary.status == "planned").sum() >= len(plots) / 4


@pytest.mark.slow
def test_lawn_and_house_fill_the_plot_by_geodesic_area(planned):
    """Lawn = plot less buildings: streets lie outside the plots, and there are no other layers."""
    plots, _, plan = planned
    buildings = gpd.read_file(momepy.datasets.get_path("bubenec"), layer="buildings").union_all()
    lawn = gpd.read_file(plan, layer="lawn").groupby("parcel_id").area_m2.sum()
    geod = Geod(ellps="WGS84")
    ground = gpd.GeoSeries(plots.geometry.difference(buildings), crs=plots.crs).to_crs(4326)
    expected = pd.Series(
        [
            sum(abs(geod.geometry_area_perimeter(part)[0]) for part in getattr(shape, "geoms", [shape]))
            for shape in ground
        ],
        index=[f"plot-{row}" for row in range(len(plots))],
    )
    big = expected[expected > 50].index
    assert lawn[big].to_numpy() == pytest.approx(expected[big].to_numpy(), rel=0.03)


@pytest.mark.slow
def test_output_is_in_web_mercator_again(planned):
    plots, _, plan = planned
    assert gpd.read_file(plan, layer="zones").crs == plots.crs
