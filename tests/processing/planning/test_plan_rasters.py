"""Rasters of a plan: the field of the wire over zones that it is led to, and the terrain's uncertainty."""

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid, centres_in
from lawngis.mower import built_in_profile
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import DataAccuracy, Site
from lawngis.processing.planning.plan_rasters import plan_rasters

MOWER = built_in_profile()
HOME, APART, ISLAND = box(2, 2, 12, 10), box(18, 2, 24, 10), box(5, 5, 8, 7)
PARCEL = box(0, 0, 26, 12)


def wire(*, turned: bool = False) -> LineString:
    """One loop anti-clockwise from a dock at the south: round an island clockwise, and round a zone across 6 m."""
    home_and_island = [(4, 2), (6, 2), (6, 5), (5, 5), (5, 7), (8, 7), (8, 5), (6, 5), (6, 2), (12, 2), (12, 5)]
    apart = [(18, 5), (18, 2), (24, 2), (24, 10), (18, 10), (18, 5)]
    return LineString(
        [*home_and_island, *(apart[::-1] if turned else apart), (12, 5), (12, 10), (2, 10), (2, 2), (4, 2)]
    )


def signal(line: LineString) -> tuple[np.ndarray, np.ndarray]:
    """Cell centres on the parcel away from the wire, and the field there."""
    frame = MeasuringFrame.centred_on(Point(0, 0), MeasuringFrame.centred_on(Point(11, 48), CRS(4326)).crs)
    dem = Grid(np.full((32, 60), 100.0), Affine(0.5, 0, -2, 0, -0.5, 14), frame.crs)
    site = Site("P1", "", PARCEL, frame, {}, dem)
    plan = Plan("P1", frame.crs)
    plan._rows["wire_path"] = [{"loop_id": "P1-L1", "geometry": line}]
    grid = plan_rasters(site, plan, MOWER)["signal"]
    assert grid.shape == dem.shape
    xy, values = centres_in(dem, frame), grid.values.ravel()
    inside = shapely.contains_xy(PARCEL, xy[:, 0], xy[:, 1])
    assert np.isfinite(values[inside]).all() and np.isnan(values[~inside]).all()
    clear = inside & (shapely.distance(line, shapely.points(xy)) > 0.3)
    return xy[clear], values[clear]


def test_signal_is_inside_over_home_and_over_the_zone_that_the_wire_is_led_to() -> None:
    xy, field = signal(wire())
    mown = shapely.union_all([HOME.difference(ISLAND), APART])
    inside = shapely.contains_xy(mown, xy[:, 0], xy[:, 1])
    assert inside.sum() > 300 and (~inside).sum() > 300
    assert (field[inside] > 0).all() and (field[~inside] < 0).all()


def test_signal_shows_a_zone_that_the_wire_goes_round_the_wrong_way() -> None:
    xy, field = signal(wire(turned=True))
    wrong = shapely.contains_xy(APART, xy[:, 0], xy[:, 1])
    assert (field[wrong] < 0).all()
    assert (field[shapely.contains_xy(HOME.difference(ISLAND), xy[:, 0], xy[:, 1])] > 0).all()


def test_signal_is_the_sum_over_closed_rings_as_leads_cancel() -> None:
    xy, field = signal(wire())
    parts = [signal(LineString(shape.exterior.coords)) for shape in map(shapely.orient_polygons, (HOME, APART))]
    hole = signal(LineString(Polygon(ISLAND).exterior.normalize().coords))
    at = {tuple(place): value for place, value in zip(xy, field, strict=True)}
    single = [dict(zip(map(tuple, places), values, strict=True)) for places, values in (*parts, hole)]
    common = [place for place in at if all(place in one for one in single)]
    total = [single[0][place] + single[1][place] - _anticlockwise(ISLAND) * single[2][place] for place in common]
    assert len(common) > 700
    assert total == pytest.approx([at[place] for place in common], rel=1e-9)


def _anticlockwise(shape: Polygon) -> int:
    return 1 if shape.exterior.normalize().is_ccw else -1


def test_uncertainty_of_slope_is_that_of_the_terrain_models_errors() -> None:
    """Errors that are alike over a longer way tilt a cell less."""
    frame = MeasuringFrame.centred_on(Point(0, 0), MeasuringFrame.centred_on(Point(11, 48), CRS(4326)).crs)
    dem = Grid(np.full((32, 60), 100.0), Affine(0.5, 0, -2, 0, -0.5, 14), frame.crs)
    sd = [
        np.nanmean(
            plan_rasters(Site("P1", "", PARCEL, frame, {}, dem, accuracy=accuracy), Plan("P1", frame.crs), MOWER)[
                "slope_sd"
            ].values
        )
        for accuracy in (DataAccuracy(), DataAccuracy(dem_correlation_m=3.0), DataAccuracy(dem_sd_m=0.2))
    ]
    assert sd[1] < 0.75 * sd[0] and sd[2] == pytest.approx(2 * sd[0], rel=0.01)
