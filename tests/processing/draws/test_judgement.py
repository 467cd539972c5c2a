"""What drawn plans tell, against formulas and arithmetic on made sites."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import all_steps, plan_of, site_of

from lawngis.mower import built_in_profile
from lawngis.processing.draws.chances import Chance
from lawngis.processing.draws.decisions import Decision, decisions
from lawngis.processing.draws.drawn_plans import Picture, drawn_plans
from lawngis.processing.draws.judgement import judged_by_draws
from lawngis.processing.draws.versions import site_versions
from lawngis.processing.model.site import DataAccuracy, LayerAccuracy, Site
from lawngis.processing.steps.workflow import Settings
from lawngis.trust import flip_probability

MOWER = built_in_profile()
SHIFTED = LayerAccuracy(position_sd_m=0.1, feature_sd_m=0.1, vertex_sd_m=0)
"""Features that are off as a whole: the narrowest place between two is then off by no more than they are."""


def accuracy(**given: object) -> DataAccuracy:
    return DataAccuracy.model_validate({"dem_sd_m": 0.0, **given})


def narrow_site(*widths_m: float) -> Site:
    """Lawns in a row on a parcel, between each two of which houses leave a gap of some width."""
    left, houses = 14.0, []
    for width_m in widths_m:
        houses += [box(left, -20, left + 3, -width_m / 2), box(left, width_m / 2, left + 3, 20)]
        left += 17
    parcel = box(0, -10, left, 10)
    site = site_of(parcel, parcel=parcel, layers={"buildings": {"geometry": houses}})
    told = accuracy(position_sd_m=0.1, layers={"buildings": SHIFTED, "parcels": {"position_sd_m": 0}})
    return replace(site, layers={"buildings": site.layers["buildings"]}, accuracy=told)


def made(site: Site, draws: int) -> tuple[list[Decision], list[Picture]]:
    plan = plan_of(site)
    drawn = drawn_plans(site, plan, all_steps(), Settings(MOWER, draws=draws))
    whole = site.parcel.representative_point()
    return decisions(Picture.of(plan), drawn, MOWER, whole=whole), drawn


def at(some: list[Decision], kind: str, place: Point) -> Decision:
    return min((one for one in some if one.kind == kind), key=lambda one: one.ground.distance(place))


@pytest.mark.slow
def test_the_chance_of_a_passage_agrees_with_the_formula() -> None:
    """1.65 and 1.8 m are one zone on the maps, without a link: near misses are found by what the others see there."""
    some, drawn = made(narrow_site(1.5, 1.65, 1.8, 0.95), 80)
    assert len(drawn) == 80
    for x, width_m, limit_m, found in [
        (15.5, 1.5, 1.6, "driven"),
        (32.5, 1.65, 1.6, "mown"),
        (49.5, 1.8, 1.6, "mown"),
        (66.5, 0.95, 0.9, "driven"),
    ]:
        passage = at(some, "passage", Point(x, 0))
        formula = float(flip_probability(width_m, 0.1 * np.sqrt(2), limit_m))
        chance = Chance(int(passage.otherwise.sum()), 80)
        assert passage.found == found and passage.ground.distance(Point(x, 0)) < 2
        assert abs(chance.mean - formula) < 2.5 * max(chance.sd, np.sqrt(formula * (1 - formula) / 80)), width_m


@pytest.mark.slow
def test_wire_and_ground_of_a_rectangle_spread_as_arithmetic_says() -> None:
    """Corners off by s: sd of the outline s √8, of the area s / 2 times the root of the sum of squared diagonals."""
    s = 0.1
    error = {"position_sd_m": s, "feature_sd_m": 0, "vertex_sd_m": s}
    site = replace(
        site_of(box(0, 0, 16, 10)), accuracy=accuracy(layers={"lawns": error, "parcels": {"position_sd_m": 0}})
    )
    _, drawn = made(site, 40)
    sure = 3 / np.sqrt(2 * 40)  # three standard errors of a standard deviation
    area_sd_m2 = s / 2 * np.sqrt(4 * (16**2 + 10**2))
    assert np.std([plan.mown_m2 for plan in drawn], ddof=1) == pytest.approx(area_sd_m2, rel=sure)
    assert np.std([plan.wire_m for plan in drawn], ddof=1) == pytest.approx(s * np.sqrt(8), rel=sure)


@pytest.mark.slow
def test_a_plane_is_kept_out_as_often_as_its_slope_is_beyond_the_limit() -> None:
    """A smooth field tilts the whole lawn: its slope has the sd √2 sd / length along an axis (Gaussian correlation)."""
    site = replace(
        site_of(box(0, 0, 9, 9), rise=(0.18, 0.0)),
        accuracy=accuracy(position_sd_m=0, dem_sd_m=1.0, dem_correlation_m=40, dem_error_form="gaussian"),
    )
    some, drawn = made(site, 50)
    tilt_percent = 100 * np.sqrt(2) / 40
    formula = float(flip_probability(18.0, tilt_percent, MOWER.edge_slope_limit_percent))
    steep = np.array([plan.ground("keepouts", "steep").area > 20 for plan in drawn])
    assert abs(steep.mean() - formula) < 2.5 * np.sqrt(formula * (1 - formula) / 50)
    slopes = [one for one in some if one.kind == "slope"]
    assert slopes and all(one.safety and one.found == "not_kept_out" for one in slopes)
    assert max(one.otherwise.mean() for one in slopes) == pytest.approx(steep.mean(), abs=0.15)


# --- what is written -------------------------------------------------------------------------------------


def judged(site: Site, draws: int, seed: int = 1):
    plan = plan_of(site)
    told = judged_by_draws(plan, site, all_steps(), Settings(MOWER, draws=draws, draw_seed=seed))
    return plan, told


def test_a_near_miss_gets_a_check_that_says_what_it_is_worth() -> None:
    site = narrow_site(0.95)
    before = plan_of(site)
    plan, told = judged(site, 12)
    assert told == "12 of 12 versions drawn with seed 1 could be planned"
    checks = plan.rows("visit_checks")
    assert {row["code"] for row in before.rows("visit_checks")} <= {row["code"] for row in checks}
    width = next(row for row in checks if row["code"] == "passage-width" and row["limit_value"] == 0.9)
    assert width["flip_sd"] > 0 and width["price_share"] > 0.9
    assert [row["priority"] for row in checks] == list(range(1, len(checks) + 1))
    summary = plan.rows("summary")[0]
    assert summary["visit_checks"] == len(checks)
    assert summary["wire_low_m"] <= summary["wire_m"] * 1.02 and summary["amount_high"] > summary["amount"]
    assert before.rows("summary")[0].get("mowable_low_m2") is None
    spread = {row["item"]: row["amount_sd"] for row in plan.rows("materials") if row["amount"] is not None}
    assert spread["mower with its dock"] == 0 and 0 < spread["boundary wire"] < summary["amount_sd"]
    assert summary["mowable_low_m2"] <= summary["mowable_high_m2"]
    assert [row["area_m2"] for row in plan.rows("zones")] == [row["area_m2"] for row in before.rows("zones")]


def test_versions_depend_on_seed_and_parcel_alone() -> None:
    site = replace(narrow_site(1.5), accuracy=accuracy(position_sd_m=0.2, dem_sd_m=0.1))
    first, second = (list(site_versions(site, 3, 7)) for _ in range(2))
    for one, other in zip(first, second, strict=True):
        assert one.parcel.equals(other.parcel)
        assert (one.dem.values == other.dem.values).all()
        assert one.layers["buildings"].geometry.equals(other.layers["buildings"].geometry)
    (longer,) = list(site_versions(site, 5, 7))[1:2]
    assert longer.parcel.equals(first[1].parcel)
    elsewhere = [next(site_versions(replace(site, parcel_id="P2"), 1, 7)), next(site_versions(site, 1, 8)), first[1]]
    assert all(not other.parcel.equals(first[0].parcel) for other in elsewhere)
    assert all((other.dem.values != first[0].dem.values).all() for other in elsewhere)
