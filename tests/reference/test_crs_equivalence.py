"""One garden, many coordinate systems: the same lawn, the same slope, results in the CRS that came in.

The reference is `pyproj.Geod` (GeographicLib's algorithms: C. F. F. Karney, "Algorithms for geodesics", Journal of
Geodesy 87, 2013, doi 10.1007/s00190-012-0578-z), which knows neither projection nor measuring frame.
"""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS, Geod, Transformer
from rasterio.transform import from_origin
from shapely import Polygon
from typer.testing import CliRunner

from lawngis.processing.cli.main import app

US_SURVEY_FOOT_M = 1200 / 3937
"""NIST: 1 US survey foot = 1200/3937 m."""

GARDEN = Polygon([(-14, -9), (13, -11), (15, 8), (2, 12), (-13, 9)])
HOUSE = Polygon([(-6, 0), (3, 1), (2, 8), (-7, 7)])
SLOPE_EAST, SLOPE_NORTH = 0.06, 0.03

# name, EPSG, centre (longitude, latitude), cell size in the CRS's unit, vertical metres per unit
CASES = {
    "web-mercator-60n": (3857, (10.7, 60.0), 1.0, 1.0),
    "geographic": (4326, (10.7, 60.0), None, 1.0),
    "utm-3-degrees-off": (32632, (12.0, 50.0), 0.5, 1.0),
    "us-survey-feet": (2263, (-73.9, 40.7), 1.5, US_SURVEY_FOOT_M),
}


def local(crs: CRS, centre: tuple[float, float]) -> Transformer:
    """From metres east and north of a centre (azimuthal equidistant: true along every line through it) to a CRS."""
    plane = CRS.from_proj4(f"+proj=aeqd +lon_0={centre[0]} +lat_0={centre[1]} +ellps={ellipsoid(crs)} +units=m")
    geographic = crs.geodetic_crs
    to_degrees = Transformer.from_crs(plane, geographic, always_xy=True)
    onward = Transformer.from_crs(geographic, crs, always_xy=True)

    class Both:
        def transform(self, x, y):
            return onward.transform(*to_degrees.transform(x, y))

        def back(self, x, y):
            return to_degrees.transform(*onward.transform(x, y, direction="INVERSE"), direction="INVERSE")

    return Both()


def ellipsoid(crs: CRS) -> str:
    return "GRS80" if crs.to_epsg() == 2263 else "WGS84"


def made_site(folder: Path, case: str) -> tuple[Path, CRS, Polygon]:
    epsg, centre, cell, unit = CASES[case]
    crs = CRS.from_epsg(epsg)
    to_crs = local(crs, centre)

    def moved(shape: Polygon) -> Polygon:
        return shapely.transform(shape, lambda xy: np.column_stack(to_crs.transform(xy[:, 0], xy[:, 1])))

    site = folder / "site"
    site.mkdir()
    garden = moved(GARDEN)
    gpd.GeoDataFrame({"parcel_id": ["A"]}, geometry=[garden], crs=crs).to_file(site / "s.gpkg", layer="parcels")
    gpd.GeoDataFrame({"height_m": [7.0]}, geometry=[moved(HOUSE)], crs=crs).to_file(site / "s.gpkg", layer="buildings")
    write_dem(site / "dem.tif", crs, to_crs, garden.bounds, cell, unit)
    return site, crs, garden.difference(moved(HOUSE))


def write_dem(path: Path, crs: CRS, to_crs, bounds, cell: float | None, unit: float) -> None:
    width, height = bounds[2] - bounds[0], bounds[3] - bounds[1]
    step_x, step_y = (cell, cell) if cell else (width / 60, height / 50)
    left, top = bounds[0] - 24 * step_x, bounds[3] + 24 * step_y
    columns, rows = int(width / step_x) + 48, int(height / step_y) + 48
    x, y = np.meshgrid(left + (np.arange(columns) + 0.5) * step_x, top - (np.arange(rows) + 0.5) * step_y)
    east, north = to_crs.back(x, y)
    elevation = (100 + SLOPE_EAST * east + SLOPE_NORTH * north) / unit
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float64", crs=crs.to_wkt(),
        transform=from_origin(left, top, step_x, step_y),
    ) as dataset:  # fmt: skip
        dataset.write(elevation, 1)


@pytest.fixture(scope="module", params=CASES)
def planned(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp(request.param)
    site, crs, lawn = made_site(folder, request.param)
    result = CliRunner().invoke(app, ["plan", str(site), "--out", str(folder / "out")])
    assert result.exit_code == 0, result.output
    return request.param, crs, lawn, folder / "out" / "plan.gpkg"


def geodesic_area_m2(crs: CRS, polygons) -> float:
    geod = Geod(ellps=ellipsoid(crs))
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    degrees = [
        shapely.transform(polygon, lambda xy: np.column_stack(to_degrees.transform(xy[:, 0], xy[:, 1])))
        for polygon in polygons
    ]
    return sum(abs(geod.geometry_area_perimeter(shapely.normalize(shape))[0]) for shape in degrees)


def test_output_is_in_the_crs_that_came_in(planned):
    _, crs, _, plan = planned
    assert gpd.read_file(plan, layer="zones").crs == crs


def test_areas_are_those_of_the_ground(planned):
    """Tolerance 1e-5: the frame's own error over 30 m is below 1e-10, Geod's rounding on small polygons 1e-7."""
    _, crs, _, plan = planned
    for layer in ("lawn", "zones"):
        table = gpd.read_file(plan, layer=layer)
        assert table.area_m2.sum() == pytest.approx(geodesic_area_m2(crs, table.geometry), rel=1e-5)


def test_lawn_is_the_parcel_less_the_house(planned):
    """Cleaning may take vertices closer than 1 cm; nothing here has any, so 1e-4 of the area is generous."""
    _, crs, lawn, plan = planned
    assert gpd.read_file(plan, layer="lawn").area_m2.sum() == pytest.approx(geodesic_area_m2(crs, [lawn]), rel=1e-4)


def test_lengths_are_those_of_the_ground(planned):
    _, crs, _, plan = planned
    geod = Geod(ellps=ellipsoid(crs))
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    wire = gpd.read_file(plan, layer="wire_path").iloc[0]
    longitude, latitude = to_degrees.transform(*shapely.get_coordinates(wire.geometry).T)
    assert wire.plan_length_m == pytest.approx(geod.line_length(longitude, latitude), rel=1e-5)


def test_slope_is_the_planes(planned):
    """A plane has one slope: 100 sqrt(0.06² + 0.03²) = 6.7082 %; 0.01 allows for the bow of parallels over 30 m."""
    _, _, _, plan = planned
    zone = gpd.read_file(plan, layer="zones").iloc[0]
    assert zone.slope_p50_percent == pytest.approx(100 * np.hypot(SLOPE_EAST, SLOPE_NORTH), abs=0.01)
    assert zone.slope_max_percent == pytest.approx(100 * np.hypot(SLOPE_EAST, SLOPE_NORTH), abs=0.01)


def test_wire_along_the_slope_is_longer_by_its_rise(planned):
    """On a plane of 6.7 % a loop is longer than in plan by at most sqrt(1 + 0.067²) - 1 = 0.225 %."""
    _, _, _, plan = planned
    wire = gpd.read_file(plan, layer="wire_path").iloc[0]
    assert 1.0005 < wire.length_m / wire.plan_length_m < 1.00226


def test_headings_are_from_grid_north(planned):
    """The dock looks along the wire as drawn in the output, one way or the other, by plane trigonometry there."""
    name, _, _, plan = planned
    dock = gpd.read_file(plan, layer="dock_candidates")
    dock = dock[dock.chosen].iloc[0]
    runs = gpd.read_file(plan, layer="wire_runs").sort_values("seq")
    start = shapely.get_coordinates(runs.iloc[0].geometry)[:2]
    east, north = start[1] - start[0]
    if name == "geographic":
        east *= np.cos(np.radians(60.0))
    assert np.degrees(np.arctan2(east, north)) % 180 == pytest.approx(dock.heading_deg % 180, abs=0.05)


def test_the_same_garden_at_the_same_place_gives_the_same_figures(tmp_path):
    """Web Mercator, longitude/latitude and UTM of one place at 60 degrees north agree in every figure."""
    figures = []
    for case, epsg in (("web-mercator-60n", 3857), ("geographic", 4326)):
        folder = tmp_path / str(epsg)
        folder.mkdir()
        site, _, _ = made_site(folder, case)
        assert CliRunner().invoke(app, ["plan", str(site), "--out", str(folder / "o")]).exit_code == 0
        summary = gpd.read_file(folder / "o" / "plan.gpkg", layer="summary").iloc[0]
        figures.append([summary.lawn_m2, summary.mowable_m2, summary.wire_m, summary.slope_p95_percent])
    assert figures[0] == pytest.approx(figures[1], rel=2e-4)
