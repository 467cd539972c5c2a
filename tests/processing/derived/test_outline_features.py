"""Which feature an outline follows, and how far distances between outlines may be off, against drawn errors."""

import sys
from dataclasses import replace
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, affinity, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import plan_of, site_of

from lawngis.processing.derived.outline_features import outline_features
from lawngis.processing.model.site import DataAccuracy, LayerAccuracy

LAWN = box(0, 0, 20, 12)
HOUSE, BED = box(-4, 0, 0, 12), box(20, 0, 24, 12)
ACCURACY = DataAccuracy(
    position_sd_m=0.2,
    survey_sd_m=0.1,
    layers={"buildings": LayerAccuracy(feature_sd_m=0.05, vertex_sd_m=0.02), "beds": LayerAccuracy(feature_sd_m=0.15)},
)


def features(layers=None, accuracy=ACCURACY, derived=True):
    """The features around a lawn that is derived from them."""
    found = layers or {"buildings": {"geometry": [HOUSE]}, "beds": {"geometry": [BED]}}
    site = site_of(LAWN, parcel=box(-4, 0, 24, 12), layers=found)
    if derived:
        site = replace(site, layers={name: table for name, table in site.layers.items() if name != "lawns"})
    site = replace(site, accuracy=accuracy)
    return outline_features(site, plan_of(site, until="keepouts"))


def test_a_distance_between_two_layers_is_as_far_off_as_when_both_are_drawn_again():
    """House and bed are drawn 20,000 times: the survey's shift moves both, each its own, and each corner by itself."""
    rng = np.random.default_rng(3)
    draws = 20_000
    house = rng.normal(0, 0.05, draws) + rng.normal(0, 0.02, draws)
    bed_vertex_m = sqrt(0.2**2 - 0.1**2 - 0.15**2)
    bed = rng.normal(0, 0.15, draws) + rng.normal(0, bed_vertex_m, draws)
    survey = rng.normal(0, 0.1, draws)
    drawn = np.std((20 + bed + survey) - (house + survey))
    assert features().distance_sd_m(LineString([(0, 6), (20, 6)])) == pytest.approx(drawn, rel=0.02)


def test_the_shift_of_one_feature_cancels_between_its_sides():
    ring = box(-4, -4, 24, 16).difference(box(0, 0, 20, 12))
    found = features({"buildings": {"geometry": [ring]}})
    assert found.distance_sd_m(LineString([(0, 6), (20, 6)])) == pytest.approx(0.02 * sqrt(2))


def test_a_surveyed_lawn_is_its_own_outline():
    found = features(derived=False)
    lawn = found.nearest(np.array([Point(0, 6), Point(20, 6)], dtype=object))
    assert lawn[0] == lawn[1] >= 0


def test_ground_that_no_feature_is_near_to_has_the_error_of_any_layer():
    found = features()
    assert found.nearest(np.array([Point(10, 6)], dtype=object)).tolist() == [-1]
    assert found.distance_sd_m(LineString([(10, 5), (10, 6)])) == pytest.approx(sqrt(2 * (0.2**2 - 0.1**2)))


def test_a_hedge_and_what_is_kept_out_along_it_are_one_feature():
    """The keep-out's edge lies 0.4 m beside the hedge's line: nothing but the hedge itself moves either."""
    line = LineString([(10, -1), (10, 13)])
    found = features({"barriers": {"geometry": [line], "kind": ["hedge"]}})
    edge, middle = (found.nearest(np.array([Point(x, 6)], dtype=object)) for x in (9.6, 10.0))
    assert edge.tolist() == middle.tolist() != [-1]
    ends = [np.array([Point(x, 6)], dtype=object) for x in (9.6, 10.0)]
    assert found.distance_sds_m(*ends).tolist() == [0.0]


def test_many_distances_at_once_are_the_same_as_one_by_one():
    found = features()
    lines = [LineString([(0, y), (20, y)]) for y in (3, 6)] + [LineString([(0, 3), (0, 8)])]
    starts, ends = (np.array([shapely.get_point(line, n) for line in lines], dtype=object) for n in (0, -1))
    one_by_one = [found.distance_sd_m(line) for line in lines[:2]]
    assert found.distance_sds_m(starts, ends).tolist() == pytest.approx([*one_by_one, 0.0])


def test_moving_everything_changes_nothing():
    moved = affinity.translate(LineString([(0, 6), (20, 6)]), 0, 3)
    assert features().distance_sd_m(moved) == pytest.approx(features().distance_sd_m(LineString([(0, 6), (20, 6)])))
