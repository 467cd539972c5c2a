"""The measuring frame: laws of a plane in which one unit is one metre on the ground."""

import pickle
from functools import cache
from math import atan2, cos, degrees, pi, radians, sin

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer
from shapely import LineString, Point, Polygon, box

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame, flat, horizontal_crs

WGS84 = CRS.from_epsg(4326)
offsets = st.floats(-500, 500)
# A few places, for it takes longer to make a frame than to try a hundred points in it
centres = st.sampled_from([(9.5, 47.0), (-179.999, -16.8), (0.0, 0.0), (24.9, 60.2), (-70.9, -53.2), (100.0, 80.0)])


@cache
def frame_at(longitude: float, latitude: float) -> MeasuringFrame:
    return MeasuringFrame.centred_on(Point(longitude, latitude), WGS84)


@settings(max_examples=60, deadline=None)
@given(centres, st.lists(st.tuples(offsets, offsets), min_size=1, max_size=5))
def test_round_trip_is_exact_to_a_hundredth_of_a_millimetre(centre, offsets_m) -> None:
    frame = frame_at(*centre)
    there = frame.coordinates_in(WGS84, offsets_m)
    assert np.abs(frame.coordinates_from(WGS84, there) - np.asarray(offsets_m)).max() < 1e-5


@settings(max_examples=60, deadline=None)
@given(centres, st.floats(0, 2 * pi), st.floats(1, 500))
def test_distance_from_the_centre_is_the_geodesic_one(centre, direction, distance_m) -> None:
    frame = frame_at(*centre)
    end = [distance_m * sin(direction), distance_m * cos(direction)]
    (lon0, lat0), (lon1, lat1) = frame.coordinates_in(WGS84, [[0, 0], end])
    *_, geodesic_m = Geod(ellps="WGS84").inv(lon0, lat0, lon1, lat1)
    # 500 m from the meridian the scale is 1 + d²/2R² = 1 + 3e-9; coordinates in degrees keep some 1e-8 m
    assert distance_m == pytest.approx(geodesic_m, rel=1e-8, abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(centres, offsets, offsets, st.floats(0, 2 * pi), st.floats(0.1, 100))
def test_scale_is_the_same_in_every_direction(centre, x, y, direction, length_m) -> None:
    """A transverse Mercator plane is conformal: a small square stays one, wherever it lies."""
    frame = frame_at(*centre)
    step = length_m * np.array([sin(direction), cos(direction)])
    turned = step[::-1] * [1, -1]
    points = frame.coordinates_in(WGS84, np.add([x, y], [[0, 0], step, turned]))
    geod = Geod(ellps="WGS84")
    one, two = (geod.inv(*points[0], *points[end])[2] for end in (1, 2))
    assert one == pytest.approx(two, rel=1e-8, abs=1e-7)


def test_centre_is_the_origin_and_north_is_up() -> None:
    frame = frame_at(9.5, 47.0)
    assert np.abs(frame.coordinates_from(WGS84, [[9.5, 47.0]])).max() < 1e-6
    (x, y), (east, _) = frame.coordinates_from(WGS84, [[9.5, 47.001], [9.501, 47.0]])
    assert (abs(x) < 1e-6, y > 100, east > 70) == (True, True, True)


def test_geometries_of_every_kind_move_and_keep_their_parts() -> None:
    frame = frame_at(9.5, 47.0)
    ring = shapely.box(-10, -5, 10, 5).difference(shapely.box(-1, -1, 1, 1))
    shapes = [Point(1, 2), LineString([(0, 0), (3, 4)]), ring, Polygon(), None]
    back = frame.to_frame(frame.to_source(shapes))
    assert back[-1] is None
    assert back[-2].is_empty
    for before, after in zip(shapes[:3], back[:3], strict=True):
        assert before.equals_exact(after, 1e-6)
    assert len(back[2].interiors) == 1


def test_heights_are_left_out() -> None:
    frame = frame_at(9.5, 47.0)
    (moved,) = frame.to_frame([Point(9.5, 47.0, 400)])
    assert not moved.has_z


def test_compound_crs_counts_as_its_plane() -> None:
    plane = CRS.from_epsg(25832)
    compound = CRS.from_user_input("EPSG:25832+5783")
    assert horizontal_crs(compound) == plane
    assert horizontal_crs(plane) is plane
    assert len(horizontal_crs(CRS.from_epsg(4979)).axis_info) == 2
    lawn = box(500_000, 5_300_000, 500_050, 5_300_050)
    assert MeasuringFrame.centred_on(lawn, compound) == MeasuringFrame.centred_on(lawn, plane)


def test_frame_stays_on_the_datum_of_its_site() -> None:
    """No shift of datum between site and frame: each would cost metres or depend on grids at hand."""
    for code in ("EPSG:4267", "EPSG:31467", "EPSG:2263", "EPSG:27700"):
        source = CRS(code)
        middle = source.area_of_use
        lon, lat = (middle.west + middle.east) / 2, (middle.south + middle.north) / 2
        x, y = Transformer.from_crs(source.geodetic_crs, source, always_xy=True).transform(lon, lat)
        frame = MeasuringFrame.centred_on(Point(x, y), source)
        assert frame.crs.datum == source.datum
        assert (frame.longitude_deg, frame.latitude_deg) == (pytest.approx(lon), pytest.approx(lat))


def test_frame_goes_from_process_to_process() -> None:
    fresh = MeasuringFrame.centred_on(Point(9.5, 47.0), WGS84)
    assert pickle.loads(pickle.dumps(fresh)) == fresh
    used = frame_at(9.5, 47.0)
    place = used.coordinates_in(WGS84, [[3, 4]])
    assert np.array_equal(pickle.loads(pickle.dumps(used)).coordinates_in(WGS84, [[3, 4]]), place)


@pytest.mark.parametrize(
    ("geometry", "crs", "what"),
    [
        (Polygon(), WGS84, "not empty"),
        (box(500_000, 5_300_000, 500_100, 5_300_100), WGS84, "do not fit WGS 84"),
        (box(0, 0, 1, 1), CRS.from_wkt('LOCAL_CS["site",UNIT["metre",1]]'), "not a CRS on the Earth"),
    ],
)
def test_unfit_input_is_refused(geometry, crs, what) -> None:
    with pytest.raises(ParameterError, match=what):
        MeasuringFrame.centred_on(geometry, crs)


# --- headings -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("longitude", "latitude"), [(6.5, 50), (11.5, 50), (9, 50), (8, -30), (10.3, 70)])
def test_heading_in_the_grid_differs_by_the_convergence(longitude: float, latitude: float) -> None:
    """Whatever the heading, true and grid north differ by one angle, about (lon - lon0) sin(lat).

    East of the central meridian, in the north, grid north lies east of true north: grid headings are smaller.
    """
    source = CRS.from_epsg(32632)
    x, y = Transformer.from_crs(WGS84, source, always_xy=True).transform(longitude, latitude)
    frame = MeasuringFrame.centred_on(Point(x, y), source)
    for heading in (0, 33, 90, 200, 359):
        turn = (frame.grid_heading_deg(heading) - heading + 180) % 360 - 180
        assert turn == pytest.approx(-(longitude - 9) * sin(radians(latitude)), abs=0.01)


@settings(max_examples=30, deadline=None)
@given(centres, st.floats(0, 359.9))
def test_heading_from_true_north_is_kept_in_longitude_and_latitude(centre, heading_deg) -> None:
    turn = frame_at(*centre).grid_heading_deg(heading_deg) - heading_deg
    assert (turn + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)


def test_heading_is_that_of_a_line_drawn_in_the_grid() -> None:
    source = CRS.from_epsg(2263)  # US survey feet, New York
    frame = MeasuringFrame.centred_on(Point(1_000_000, 200_000), source)
    for heading in range(0, 360, 17):
        end = [100 * sin(radians(heading)), 100 * cos(radians(heading))]
        (x0, y0), (x1, y1) = frame.coordinates_in(source, [[0, 0], end])
        drawn = degrees(atan2(x1 - x0, y1 - y0))
        assert (frame.grid_heading_deg(heading) - drawn + 180) % 360 - 180 == pytest.approx(0, abs=1e-4)


def test_what_is_valid_where_it_comes_from_is_valid_in_the_frame():
    """A needle as overlays leave them, valid as written: moved, two of its sides cross by rounding."""
    tip, other = (1603525.3660831212, 6464264.943192009), (1603525.1062480288, 6464265.264534252)
    needle = Polygon([tip, other, (1603525.3660831214, 6464264.943192009)])
    square = box(1603500, 6464200, 1603510, 6464210)
    frame = MeasuringFrame.centred_on(square, CRS.from_epsg(3857))
    bare = shapely.transform(needle, lambda xy: frame.coordinates_from(frame.source, xy))
    assert needle.is_valid and not bare.is_valid
    moved = frame.to_frame([needle, square])
    assert shapely.is_valid(moved).all()
    assert moved[0].area < 1e-9 and moved[1].area == pytest.approx(100 * cos(radians(50.1)) ** 2, rel=0.01)


def test_what_came_broken_is_left_to_whoever_reads_it():
    bow_tie = Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    frame = MeasuringFrame.centred_on(bow_tie, CRS.from_epsg(3857))
    assert not frame.to_frame([bow_tie])[0].is_valid


def test_flat_geometries_stay_as_they_are_and_others_lose_all_but_x_and_y():
    low = [Point(1, 2), None, Polygon(), box(0, 0, 1, 1)]
    assert all(before is after for before, after in zip(low, flat(low), strict=True))
    for text in ("POINT Z (1 2 3)", "LINESTRING M (0 0 7, 1 1 8)", "POLYGON ZM EMPTY", "MULTIPOINT ZM (1 2 3 4)"):
        found = flat([Point(1, 2), shapely.from_wkt(text)])
        assert shapely.get_coordinate_dimension(found).tolist() == [2, 2]
        assert shapely.equals_exact(found[1], shapely.force_2d(shapely.from_wkt(text)))
