"""The sun against published figures and an independent implementation of the sun's declination."""

from calendar import timegm

import numpy as np
import pytest

from lawngis.ground.sun import sun_azimuth_elevation_deg

GOLDEN = {"latitude_deg": 39.742476, "longitude_deg": -105.1786}


def nrel_example():
    """2003-10-17 12:30:30 at UTC - 7 h, 1830.14 m, 820 mbar, 11 °C."""
    unix_s = timegm((2003, 10, 17, 19, 30, 30))
    return sun_azimuth_elevation_deg(unix_s, **GOLDEN, altitude_m=1830.14, pressure_hpa=820.0, temperature_c=11.0)


def test_nrel_example():
    """I. Reda and A. Andreas, 2003, revised 2008, Solar position algorithm for solar radiation applications.

    NREL/TP-560-34302, the worked example: zenith 50.11162°, azimuth 194.34024°, with ΔT = 67 s where
    lawngis has 69 s, which moves the sun by 0.00002°.
    """
    azimuth, elevation = nrel_example()
    assert 90 - elevation[0] == pytest.approx(50.11162, abs=5e-5)
    assert azimuth[0] == pytest.approx(194.34024, abs=5e-5)


@pytest.mark.parametrize("utc", [(13, 12, 43), (0, 20, 19)])
def test_sunrise_and_sunset_of_the_nrel_example(utc):
    """The same report: sunrise at 06:12:43 and sunset at 17:20:19 local time, 7 h behind UTC.

    Both belong to 17 October in universal time, so the sunset is that of the local 16 October. The sun's
    centre then stands at -0.8333°; refraction is not applied below the horizon.
    """
    _, elevation = sun_azimuth_elevation_deg(timegm((2003, 10, 17, *utc)), **GOLDEN)
    assert elevation[0] == pytest.approx(-0.8333, abs=0.006)


@pytest.mark.parametrize(("day", "declination"), [((6, 21), 23.4498), ((12, 21), -23.4498)])
def test_noon_elevation_follows_cooper_s_declination(day, declination):
    """P.I. Cooper, 1969: 23.45° sin(360° (284 + n) / 365) for day n, good to 0.1° at the solstices.

    At solar noon the sun's elevation is 90° - latitude + declination.
    """
    latitude = 43.0
    around_noon = timegm((2025, *day, 12, 0, 0)) + 60 * np.arange(-30, 31)
    _, elevation = sun_azimuth_elevation_deg(around_noon, latitude, 0.0)
    assert elevation.max() == pytest.approx(90 - latitude + declination, abs=0.1)


def test_hour_angle_example_of_duffie_and_beckman():
    """J.A. Duffie and W.A. Beckman, Solar Engineering of Thermal Processes, example 1.6.2 (not confirmed).

    Latitude 43°, 13 February, 9:30 solar time: zenith 66.5°, azimuth 40.0° east of south. The book takes the
    declination as -14°; the almanac has -13.2°, which makes a zenith 0.6° smaller.
    """
    noon = timegm((2025, 2, 13, 12, 14, 12))  # solar noon at 0° east: the equation of time is -14.2 min
    azimuth, elevation = sun_azimuth_elevation_deg(noon - 2.5 * 3600, 43.0, 0.0)
    assert 90 - elevation[0] == pytest.approx(66.5, abs=0.7)
    assert 180 - azimuth[0] == pytest.approx(40.0, abs=0.7)
