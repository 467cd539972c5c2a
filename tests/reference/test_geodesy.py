"""The measuring frame against geodesy from outside: published points, areas and lengths on the ellipsoid.

Sources
-------
GDA
    ICSM, "Geocentric Datum of Australia 2020/1994 Technical Manual": Flinders Peak and Buninyong, MGA94 zone 55.
GeographicLib
    C. Karney, documentation of GeographicLib and geographiclib-rs: polygon of one degree at the equator.
Other values were recomputed with pyproj.Geod (Karney 2013, "Algorithms for geodesics", J. Geodesy 87:43-55), which
shares no formula with a transverse Mercator plane.
"""

import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate, translate

from lawngis.geometry.frame import MeasuringFrame

GDA94 = CRS.from_epsg(4283)
MGA55 = CRS.from_epsg(28355)

# degrees, minutes, seconds of the manual
FLINDERS_LAT = -(37 + 57 / 60 + 3.72030 / 3600)
FLINDERS_LON = 144 + 25 / 60 + 29.52440 / 3600
FLINDERS_EAST, FLINDERS_NORTH = 273741.297, 5796489.777
FLINDERS_CONVERGENCE_DEG = -(1 + 35 / 60 + 3.65 / 3600)
FLINDERS_SCALE = 1.00023056


def lawn_shape() -> Polygon:
    """Some 3,000 m²: an L with a slanted side, a round end and a pond, in metres about its middle."""
    outline = Polygon([(-30, -25), (35, -28), (38, 5), (4, 8), (2, 30), (-28, 26)])
    grown = outline.union(Point(20, 5).buffer(12))
    return rotate(grown.difference(Point(-15, 0).buffer(6)), 23, origin=(0, 0))


# the four kinds of site; two more for good measure
SITES = {
    "Web Mercator at 60 degrees north": ("EPSG:3857", 24.9, 60.0),
    "longitude and latitude": ("EPSG:4326", -71.1, 42.4),
    "UTM, 3 degrees off its central meridian": ("EPSG:25832", 12.0, 47.9),
    "State Plane in US survey feet": ("EPSG:2263", -73.9, 40.7),
    "British national grid": ("EPSG:27700", -3.2, 55.9),
    "south, MGA zone 55": ("EPSG:28355", 144.4, -37.9),
}


def site(code: str, longitude: float, latitude: float) -> tuple[CRS, Polygon]:
    """The lawn as a person would hold it: in the coordinates of `code`, its size about that in the shape."""
    crs = CRS(code)
    x, y = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform(longitude, latitude)
    unit_m = crs.axis_info[0].unit_conversion_factor
    per_metre = 1 / unit_m if not crs.is_geographic else 1 / 111_000
    shape = shapely.transform(lawn_shape(), lambda xy: xy * per_metre)
    return crs, translate(shape, x, y)


def densified(shape: Polygon, crs: CRS) -> Polygon:
    """Corners close together: a side straight in one plane is a curve in another."""
    return shapely.segmentize(shape, 0.5 if not crs.is_geographic else 0.5 / 111_000)


def in_degrees(shape: Polygon, crs: CRS) -> Polygon:
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    return shapely.transform(shape, lambda xy: np.column_stack(to_degrees.transform(*xy.T)))


def geodesic_area_m2(shape: Polygon, crs: CRS) -> float:
    area, _ = crs.get_geod().geometry_area_perimeter(shapely.geometry.polygon.orient(in_degrees(shape, crs)))
    return area


def geodesic_length_m(shape: Polygon, crs: CRS) -> float:
    degrees = in_degrees(shape, crs)
    return sum(crs.get_geod().line_length(*ring.xy) for ring in (degrees.exterior, *degrees.interiors))


def polar_area_m2(shape: Polygon, crs: CRS) -> float:
    """Area in a plane of geodesic distance and azimuth from one point: true to d²/6R², 1e-12 for a lawn.

    pyproj.Geod's own area is a sum over trapezoids that reach down to the equator; of a lawn it keeps 1e-7.
    """
    degrees = in_degrees(shape, crs)
    lon0, lat0 = degrees.centroid.coords[0]

    def plane(lonlat: np.ndarray) -> np.ndarray:
        start = np.full(len(lonlat), lon0), np.full(len(lonlat), lat0)
        azimuth, _, distance = crs.get_geod().inv(*start, *lonlat.T)
        return np.column_stack([distance * np.sin(np.radians(azimuth)), distance * np.cos(np.radians(azimuth))])

    return shapely.transform(degrees, plane).area


@pytest.mark.parametrize("name", SITES)
def test_area_and_length_are_the_geodesic_ones(name: str) -> None:
    """Demanded: 1e-5. The tolerances are what the oracles themselves keep."""
    crs, shape = site(*SITES[name])
    shape = densified(shape, crs)
    (measured,) = MeasuringFrame.centred_on(shape, crs).to_frame([shape])
    assert measured.area > 700
    assert measured.area == pytest.approx(geodesic_area_m2(shape, crs), rel=3e-7)
    assert measured.area == pytest.approx(polar_area_m2(shape, crs), rel=1e-8)
    assert measured.length == pytest.approx(geodesic_length_m(shape, crs), rel=1e-8)


@pytest.mark.parametrize("name", SITES)
def test_site_of_two_kilometres_keeps_its_area(name: str) -> None:
    """A site with many parcels. The scale a kilometre off is 1 + d²/2R² = 1 + 1.2e-8."""
    code, longitude, latitude = SITES[name]
    crs = CRS(code)
    frame = MeasuringFrame.centred_on(site(code, longitude, latitude)[1], crs)
    (estate,) = frame.to_source([shapely.segmentize(box(-1000, -1000, 1000, 1000), 20)])
    assert geodesic_area_m2(estate, crs) == pytest.approx(4e6, rel=2e-7)
    assert geodesic_length_m(estate, crs) == pytest.approx(8000, rel=1e-7)


def test_plain_coordinates_would_be_far_off() -> None:
    """Else the tests above would pass with any frame. Areal scale of Web Mercator at 60°: 4.0 (sec²)."""
    crs, shape = site(*SITES["Web Mercator at 60 degrees north"])
    assert shape.area / geodesic_area_m2(shape, crs) == pytest.approx(4.0, rel=0.01)


def test_utm_square_at_munich() -> None:
    """100 m square of UTM zone 32 at 691000, 5334000: 9999.02998 m², 399.98060 m (pyproj.Geod, recomputed)."""
    frame_of = CRS.from_epsg(32632)
    square = box(691000, 5334000, 691100, 5334100)
    (measured,) = MeasuringFrame.centred_on(square, frame_of).to_frame([square])
    assert measured.area == pytest.approx(9999.02998, rel=1e-8)
    assert measured.length == pytest.approx(399.98060, rel=2e-8)


def test_us_survey_foot() -> None:
    """1200/3937 m (NIST SP 811, B.6); 2 ppm longer than the international foot of 0.3048 m."""
    crs = CRS.from_epsg(2263)
    frame = MeasuringFrame.centred_on(Point(984_250, 200_000), crs)
    (line,) = frame.to_frame([LineString([(984_250, 200_000), (984_350, 200_000)])])
    degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    ends = np.column_stack(degrees.transform([984_250, 984_350], [200_000, 200_000]))
    assert line.length == pytest.approx(crs.get_geod().line_length(*ends.T), rel=1e-8)
    scale = line.length / (100 * 1200 / 3937)
    assert scale == pytest.approx(1, abs=1e-4)  # scale of the plane; never that of a foot read as a metre


# --- published points -------------------------------------------------------------------------------------


def test_flinders_peak_lies_where_the_manual_says() -> None:
    """GDA: east 273741.297, north 5796489.777 in MGA zone 55; printed to the millimetre."""
    frame = MeasuringFrame.centred_on(Point(FLINDERS_LON, FLINDERS_LAT), GDA94)
    (place,) = frame.coordinates_in(MGA55, [[0, 0]])
    assert place == pytest.approx([FLINDERS_EAST, FLINDERS_NORTH], abs=6e-4)


def test_heading_at_flinders_peak_turns_by_the_published_convergence() -> None:
    """GDA: grid convergence -1° 35' 03.65", in the manual's sense: grid = true heading + convergence."""
    frame = MeasuringFrame.centred_on(Point(FLINDERS_EAST, FLINDERS_NORTH), MGA55)
    for heading in (0, 77.5, 180, 300):
        turn = (frame.grid_heading_deg(heading) - heading + 180) % 360 - 180
        assert turn == pytest.approx(FLINDERS_CONVERGENCE_DEG, abs=0.005 / 3600 + 1e-5)


def test_scale_at_flinders_peak_is_the_published_one() -> None:
    """GDA: point scale factor 1.00023056: a metre on the ground is that long in MGA zone 55."""
    frame = MeasuringFrame.centred_on(Point(FLINDERS_EAST, FLINDERS_NORTH), MGA55)
    ends = frame.coordinates_in(MGA55, [[-50, 0], [50, 0], [0, -50], [0, 50]])
    for one, two in (ends[:2], ends[2:]):
        assert np.hypot(*(two - one)) / 100 == pytest.approx(FLINDERS_SCALE, abs=1e-8)


def test_flinders_peak_to_buninyong() -> None:
    """54 km, far beyond a lawn: distance 54972.271 m and azimuth 306.8682° (recomputed with pyproj.Geod on GRS80).

    Buninyong: east 228854.0513, north 5828259.0384 in MGA zone 55. The scale along the line is 1 + d²/6R² with
    d = 44 km, 8e-6: the demanded 1e-5 holds even here.
    """
    frame = MeasuringFrame.centred_on(Point(FLINDERS_EAST, FLINDERS_NORTH), MGA55)
    (buninyong,) = frame.coordinates_from(MGA55, [[228854.0513, 5828259.0384]])
    assert np.hypot(*buninyong) == pytest.approx(54972.2711, rel=1e-5)
    assert np.degrees(np.arctan2(*buninyong)) % 360 == pytest.approx(306.8682, abs=1e-3)


def test_oracle_gives_the_published_area_of_a_degree() -> None:
    """GeographicLib: a box of one degree at the equator has 443770.917248302 m and 12308778361.469452 m²."""
    area, perimeter = Geod(ellps="WGS84").geometry_area_perimeter(box(0, 0, 1, 1))
    assert area == pytest.approx(12308778361.469452, rel=1e-12)
    assert perimeter == pytest.approx(443770.917248302, rel=1e-12)
