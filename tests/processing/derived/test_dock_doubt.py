"""What must hold of a dock's place and may not: value, how sure it is, limit, and what an answer changes."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from lawngis.dock.placing import candidate_places
from lawngis.mower import built_in_profile
from lawngis.processing.derived.dock_doubt import NOT_ASKED, distance_sds_m
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.site import DataAccuracy, vector_error
from lawngis.processing.model.step import loaded_steps
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, ordered, planned

MOWER = built_in_profile()


def dock_of(site, mower=MOWER):
    """The row of the chosen dock, and its checks by case."""
    steps = ordered(loaded_steps()[0].values())
    steps = steps[: [step.id for step in steps].index("dock") + 1]
    plan = planned(site, steps, Settings(mower)).plan
    checks = {check.values.get("case", check.code): check for _, check in plan.checks if check.code.startswith("dock-")}
    return plan.select("dock_candidates", chosen=True)[0], checks


@pytest.fixture
def site(tmp_path, build):
    folder = build.site(tmp_path / "garden")
    build.layer(folder / "site.gpkg", "buildings", [build.block(0, 0, 8, 5)], height_m=[6.0])
    build.layer(folder / "site.gpkg", "sprinklers", [build.block(19, 14, 0.1, 0.1).centroid])
    source = SiteSource(site_files(folder))
    return source.site(source.parcel_ids[0])


def test_a_pad_is_as_likely_too_steep_as_where_every_slope_is_as_likely_beforehand(site):
    """Not every gradient: of these more are steep the steeper they are, and a level pad was said to flip by 0.2."""
    check = dock_of(site, MOWER.model_copy(update={"dock_slope_max_percent": 3.0}))[1]["dock-slope"]
    assert check.sd > 1
    assert check.flip_probability == pytest.approx(norm.sf(abs(3.0 - check.value) / check.sd))


def beside_sprinkler(dock, spare_m):
    """A mower whose dock must stand so much less far from a sprinkler than it does."""
    return MOWER.model_copy(update={"dock_sprinkler_min_m": dock["sprinkler_m"] - spare_m})


def test_a_must_have_just_met_is_asked_about_with_its_chance(site):
    dock, _ = dock_of(site)
    there, checks = dock_of(site, beside_sprinkler(dock, 0.1))
    assert there["sprinkler_m"] == pytest.approx(dock["sprinkler_m"])
    check = checks["sprinkler"]
    sd = np.hypot(0.1, 0.1)  # of two features that have nothing in common
    assert (check.value - check.limit_value, check.sd) == pytest.approx((0.1, sd))
    assert check.flip_probability == pytest.approx(norm.cdf(-0.1 / sd))
    assert "sprinkler" not in dock_of(site, beside_sprinkler(dock, 0.3))[1]


def test_a_dock_that_is_set_out_from_its_corner_is_not_asked_about_the_way_to_it(site):
    dock, _ = dock_of(site)
    near = MOWER.model_copy(update={"dock_corner_min_m": dock["corner_m"] - 0.05})
    there, checks = dock_of(site, near)
    assert there["candidate_id"] == dock["candidate_id"] and checks.keys() == {"dock-slope"}


def test_what_cannot_be_met_is_asked_about_as_well(site):
    dock, _ = dock_of(site)
    beyond = MOWER.model_copy(update={"dock_sprinkler_min_m": 60.0})
    missed, checks = dock_of(site, beyond)
    assert not missed["feasible"] and "sprinkler" not in checks  # metres from it
    assert dock["feasible"]


def test_an_answer_that_it_does_not_fit_moves_the_dock_and_one_that_it_does_settles_it(site):
    dock, _ = dock_of(site)
    near = beside_sprinkler(dock, 0.05)
    check = dock_of(site, near)[1]["sprinkler"]
    assert (check.target_layer, check.target_column) == ("dock_candidates", "chosen")

    def after(fits):
        fact = Fact(fits, check.target_layer, check.target_column, name=check.target_id)
        return dock_of(replace(site, facts=Facts(docks=(fact,))), near)

    assert after(False)[0]["candidate_id"] != check.target_id
    there, checks = after(True)
    assert there["candidate_id"] == check.target_id and "sprinkler" not in checks


def test_water_near_a_dock_is_asked_about_long_before_it_is_likely(site, tmp_path, build):
    """A pond in the middle of the lawn: from 2.5 standard deviations beyond the limit a chance of 0.6 %."""
    folder = tmp_path / "garden"
    build.layer(folder / "site.gpkg", "water", [build.block(9, 7, 2, 2)], kind=["pond"])
    source = SiteSource(site_files(folder))
    ponds = source.site(source.parcel_ids[0])
    away_m = dock_of(ponds, MOWER.model_copy(update={"dock_danger_min_m": 0.1}))[0]["geometry"].distance(
        shapely.union_all(ponds.geometries("water"))
    )
    for sds, asked in ((2.5, True), (3.5, False)):
        near = MOWER.model_copy(update={"dock_danger_min_m": away_m - sds * np.sqrt(2) * 0.1})
        _, checks = dock_of(ponds, near)
        assert ("dock-danger" in checks) == asked
    assert checks.keys() >= {"dock-slope"}


def test_how_far_straights_are_off_is_how_far_drawn_corners_are():
    """The straight ahead of a place in the middle of a side of 8 m, its corners off by the error of vertices."""
    accuracy, random = DataAccuracy(), np.random.default_rng(5)
    error, ring = vector_error(accuracy), np.array([(0, 0), (8, 0), (8, 8), (0, 8), (0, 0)], dtype=float)
    ahead = []
    for _ in range(2000):
        shift = random.normal(0, error.feature_m, 2)
        drawn = ring + shift + np.vstack([random.normal(0, error.vertex_m, (4, 2)), [(0, 0)]])
        drawn[-1] = drawn[0]
        ahead.append(candidate_places(drawn, spacing_m=100, also_at_m=[4.0]).straight_ahead_m[1])
    assert np.std(ahead) == pytest.approx(distance_sds_m(accuracy)["ahead"], rel=0.08)


def test_what_is_not_asked_has_a_reason():
    assert set(NOT_ASKED) == {"pad_slope", "supply", "hollow", "room", "behind", "corner"} and all(NOT_ASKED.values())
