"""What lies elsewhere is told from what lies near, and how it could come here."""

import numpy as np
import pytest
from pyproj import CRS, Transformer

from lawngis.processing.reading.site_part import NEIGHBOURHOOD_M
from lawngis.processing.reading.whereabouts import Whereabouts

UTM32, UTM31, DEGREES = CRS.from_epsg(25832), CRS.from_epsg(25831), CRS.from_epsg(4326)
PARCELS = np.array([[500_000, 5_500_000, 500_020, 5_500_015], [501_000, 5_500_000, 501_020, 5_500_015], [np.nan] * 4])
PLACES = Whereabouts(PARCELS, UTM32)


def box(left, bottom, side=5.0):
    return np.array([[left, bottom, left + side, bottom + side]])


@pytest.mark.parametrize("crs", [UTM32, UTM31, DEGREES, CRS.from_epsg(3857)])
def test_near_is_within_the_neighbourhood_of_a_parcel_in_any_crs(crs):
    to = Transformer.from_crs(UTM32, crs, always_xy=True)
    for away_m, near in ((NEIGHBOURHOOD_M - 3, True), (NEIGHBOURHOOD_M + 30, False)):
        x, y = to.transform(500_020 + away_m, 5_500_005)
        point = np.array([[x, y, x, y]])
        assert PLACES.near(point, crs) == near
        assert PLACES.near(np.vstack([point, [[np.nan] * 4]]), crs) == near
    assert not PLACES.near(np.empty((0, 4)), crs)


def test_between_parcels_that_lie_apart_nothing_is_near():
    assert not PLACES.near(box(500_500, 5_500_000), UTM32)


def test_what_lies_in_the_neighbouring_zone_is_told_to_fit_the_parcels_crs():
    finding = PLACES.finding("buildings", tuple(box(500_005, 5_500_005)[0]), UTM31)
    assert (finding.severity, finding.code, finding.values["case"]) == ("stop", "layer-elsewhere", "parcels")
    # 6 degrees of longitude at 49.65 degrees of latitude: the chord of the parallel by hand
    assert finding.values["km"] == pytest.approx(np.radians(6) * 6378.137 * np.cos(np.radians(49.65)), rel=0.01)
    text, advice = finding.said()
    assert "nothing of the layer buildings lies near any parcel" in text and "km away" in text
    assert "ETRS89 / UTM zone 32N" in advice and "ETRS89 / UTM zone 31N" in advice


def test_swapped_axes_are_recognised():
    lon, lat = Transformer.from_crs(UTM32, DEGREES, always_xy=True).transform(500_005, 5_500_005)
    finding = PLACES.finding("dem", (lat, lon, lat + 1e-4, lon + 1e-4), DEGREES, raster=True)
    assert (finding.severity, finding.code, finding.values["case"]) == ("caution", "raster-elsewhere", "swapped")
    assert "Swap x and y" in finding.said()[1]


@pytest.mark.parametrize(
    ("layer", "away_m", "severity"),
    [("water", 800, "caution"), ("water", 50_000, "stop"), ("outlets", 50_000, "caution"), ("trees", 50_000, "stop")],
)
def test_what_lawn_or_safety_hangs_on_and_lies_far_off_is_a_stop(layer, away_m, severity):
    finding = PLACES.finding(layer, tuple(box(500_000, 5_500_000 - away_m)[0]), UTM32)
    assert (finding.severity, finding.values["case"]) == (severity, "")
    assert finding.values["km"] == pytest.approx(away_m / 1000, rel=0.2)


def test_what_lies_all_around_but_not_near_is_neither_far_nor_mixed_up():
    finding = PLACES.finding("water", (490_000, 5_490_000, 510_000, 5_510_000), UTM32)
    assert (finding.severity, finding.values["case"], finding.values["km"]) == ("caution", "", None)
    assert finding.said()[0] == "nothing of the layer water lies near any parcel"


def test_coordinates_off_the_earth_are_far():
    finding = PLACES.finding("water", (1e12, 1e12, 2e12, 2e12), UTM31)
    assert finding.severity == "stop" and finding.values["km"] is None
    assert finding.said()[0] == "nothing of the layer water lies near any parcel"
