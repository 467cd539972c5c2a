"""The first way home: a place on straight wire, far enough before the dock."""

import numpy as np
import pytest

from lawngis.dock.trial import trial_places
from lawngis.errors import ParameterError
from lawngis.geometry.lines import chainage_m

# Anti-clockwise from a dock in the middle of the southern side: the mower comes home eastwards along it.
RING = np.array([[10.0, 0], [20, 0], [20, 12], [0, 12], [0, 0], [10, 0]])
ALONG = chainage_m(RING)


def level(places):
    return np.zeros(len(places.chainage_m))


def test_two_metres_before_the_dock_looking_the_way_the_wire_was_laid():
    places = trial_places(RING, ALONG, (), before_m=2.0, driving_deg=90.0)
    found = places.start(level(places), 12.0)
    assert found.chainage_m == pytest.approx(ALONG[-1] - 2.0)
    assert found.xy == pytest.approx((8.0, 0.0)) and found.heading_deg == pytest.approx(90.0)


def test_not_in_or_right_beside_a_bend():
    bent = np.array([[10.0, 0], [20, 0], [20, 12], [0, 12], [0, -0.5], [7.5, -0.5], [8, 0], [10, 0]])
    places = trial_places(bent, chainage_m(bent), (), before_m=2.0, driving_deg=90.0)
    found = places.start(level(places), 12.0)
    # The bends are at x = 7.5 and 8, with 0.7 m between: half a metre of straight wire ahead of it begins at x = 7.
    assert 6.7 < found.xy[0] <= 7.0 and found.xy[1] == pytest.approx(-0.5)


def test_steep_ground_is_passed_over_and_unknown_slope_is_not():
    places = trial_places(RING, ALONG, (), before_m=2.0, driving_deg=90.0)
    steep = np.where(places.xy[:, 0] > 5.0, 13.0, 3.0)
    found = places.start(steep, 12.0)
    assert found.xy[0] == pytest.approx(5.0) and found.slope_percent == 3.0
    assert places.start(np.full(len(steep), 12.1), 12.0) is None
    assert np.isnan(places.start(np.full(len(steep), np.nan), 12.0).slope_percent)


def test_no_lead_or_passage_lies_on_the_way_home():
    end = ALONG[-1]
    places = trial_places(RING, ALONG, [(end - 6.0, end - 4.0)], before_m=2.0, driving_deg=90.0)
    assert places.apart.tolist() == (places.chainage_m < end - 4.0).tolist() and places.apart.any()
    assert trial_places(RING, ALONG, [(end - 6.0, end - 1.0)], before_m=2.0, driving_deg=90.0).apart.all()


def test_a_small_loop_has_none():
    small = RING / 20
    places = trial_places(small, chainage_m(small), (), before_m=2.0, driving_deg=90.0)
    assert len(places.chainage_m) == 0 and places.start(level(places), 12.0) is None
    with pytest.raises(ParameterError, match="not a length"):
        trial_places(small, chainage_m(small), (), before_m=-1.0, driving_deg=90.0)


def test_a_mower_that_goes_the_other_way_round_comes_from_the_other_side():
    places = trial_places(RING, ALONG, [(4.0, 6.0)], before_m=2.0, driving_deg=270.0)
    found = places.start(level(places), 12.0)
    assert found.xy == pytest.approx((12.0, 0.0)) and found.heading_deg == pytest.approx(270.0)
    assert found.chainage_m == pytest.approx(2.0)
    assert places.apart.tolist() == (places.chainage_m > 4.0).tolist() and places.apart.any()
