"""Whether a dock may stand within reach of its cable after all, worked by hand on the places of a square."""

import numpy as np
import pytest
from scipy.stats import norm
from shapely import Point

from lawngis.dock.placing import candidate_places
from lawngis.mower import built_in_profile
from lawngis.processing.derived.cable_doubt import cable_reach_checks
from lawngis.processing.derived.dock_places import DockParameters, DockPlaces
from lawngis.processing.model.site import DataAccuracy

MOWER = built_in_profile()
REACH_M, PASSAGE_M, PAD = MOWER.supply_cable_max_m, MOWER.dock_passage_min_m, MOWER.dock_slope_max_percent
SQUARE = np.array([[0.0, 0], [20, 0], [20, 20], [0, 20], [0, 0]])
ACROSS_M = 0.1 * np.sqrt(2)
FAR = {"candidate_id": "P1-D1", "geometry": Point(0, 0), "feasible": False}
APPROACH = norm.cdf(MOWER.dock_approach_slope_max_percent / 2.0)
LEVEL = norm.cdf(MOWER.dock_slope_max_percent / 2.0) * APPROACH
"""Chance that a place that seems level by 2 % is so."""


def asked(supply_m=REACH_M + 10, passage_m=100.0, pad_percent=0.0, hollow_m=0.0, chosen=0, also=()):
    """Chances asked about where only the middle of a side is within reach, place 20, and `also` others alike."""
    square = candidate_places(SQUARE, spacing_m=0.5)
    count = len(square)
    here = 20
    given = {"supply_m": np.full(count, REACH_M + 10)}
    given |= {
        name: np.full(count, 100.0)
        for name in ("sprinkler_m", "passage_m", "danger_m", "island_m", "outlet_m", "vehicle_m")
    }
    given |= {name: np.zeros(count) for name in ("slope_percent", "hollow_m", "approach_percent", "central_m")}
    given |= {name: np.ones(count) for name in ("room_share", "shade_share", "sight_share", "neighbour_m", "bed_m")}
    given |= {name: np.full(count, 2.0) for name in ("slope_sd_percent", "approach_sd_percent")}
    for name, value in {"supply_m": supply_m, "passage_m": passage_m, "slope_percent": pad_percent}.items():
        given[name][[here, *also]] = value
    given["hollow_m"][here] = hollow_m
    home, pads = np.zeros(count, dtype=int), np.empty(count, dtype=object)
    places = DockPlaces(square, home, pads, measured=np.zeros(count, dtype=bool), **given)
    dock = {**FAR, "feasible": chosen == here}
    found = cable_reach_checks(DataAccuracy(), dock, places, chosen, MOWER, DockParameters())
    assert all(check.place.equals(Point(square.xy[here])) for check in found)
    return [check.flip_probability for check in found]


def test_what_the_place_within_reach_misses_would_have_to_be_otherwise():
    passage = norm.sf(0.1 / ACROSS_M)
    pad = norm.sf(1 / 2.0)
    assert asked(REACH_M - 1, PASSAGE_M - 0.1) == pytest.approx([passage * LEVEL])
    assert asked(REACH_M - 1, pad_percent=PAD + 1) == pytest.approx([pad * APPROACH])
    assert asked(REACH_M - 1, PASSAGE_M - 0.1, PAD + 1) == pytest.approx([passage * pad * APPROACH])


def test_the_only_place_within_reach_may_be_none():
    """Pads of 4 % at most 5 %, off by 2 %: by a chance of 0.31 no dock stands where its cable reaches."""
    assert asked(REACH_M - 1, pad_percent=PAD - 1, chosen=20) == pytest.approx([1 - norm.cdf(1 / 2.0) * APPROACH])
    assert asked(REACH_M - 1, chosen=20) == []


def test_places_beside_each_other_fail_together_and_others_by_themselves():
    """Places are half a metre apart: the next one fails with the first, one 6 m on by itself."""
    serves = norm.cdf(1 / 2.0) * APPROACH
    steep = {"supply_m": REACH_M - 1, "pad_percent": PAD - 1, "chosen": 20}
    assert asked(**steep, also=[21]) == pytest.approx([1 - serves])
    assert asked(**steep, also=[32]) == pytest.approx([(1 - serves) ** 2])
    never = norm.sf(1 / 2.0) * APPROACH
    assert asked(REACH_M - 1, pad_percent=PAD + 1, also=[32]) == pytest.approx([1 - (1 - never) ** 2])


def test_what_nobody_knows_of_a_place_is_no_doubt_of_its_cable():
    assert asked(REACH_M - 1, pad_percent=np.nan, chosen=20) == []


def test_nothing_is_asked_where_no_place_is_within_reach_or_none_can_be_allowed():
    assert asked() == []
    assert asked(REACH_M - 1, PASSAGE_M - 1.0) == []
    assert asked(REACH_M - 1, hollow_m=0.2) == []
