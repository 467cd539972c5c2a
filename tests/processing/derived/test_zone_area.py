"""Zones about as small as may be: asked for by their chance, on both sides of the limit."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from shapely import box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import plan_of, site_of

from lawngis.mower import built_in_profile

MOWER = built_in_profile()
LEAST_M2 = MOWER.zone_area_min_m2
LARGE = box(0, 0, 20, 12)


def apart(area_m2):
    """A large lawn, and a small one of 2.5 m depth apart from it."""
    plan = plan_of(site_of([LARGE, box(30, 0, 30 + area_m2 / 2.5, 2.5)]), until="zones")
    plan.close()
    return plan


def checks(plan):
    return [row for row in plan.rows("visit_checks") if row["code"] == "zone-area"]


@pytest.mark.parametrize(("area_m2", "case"), [(LEAST_M2 + 0.2, "zone"), (LEAST_M2 - 0.2, "small")])
def test_an_area_near_the_limit_is_asked_for(area_m2, case):
    plan = apart(area_m2)
    (check,) = checks(plan)
    assert json.loads(check["values"])["case"] == case and check["value"] == pytest.approx(area_m2, abs=0.01)
    assert bool(plan.select("hand_mow", reason="small")) == (case == "small")
    assert check["flip_probability"] == pytest.approx(norm.sf(abs(check["value"] - LEAST_M2) / check["sd"]), abs=1e-6)
    assert check["at_stake"] == pytest.approx(area_m2, abs=0.01) and check["unit"] == "m²"


def test_its_sd_is_that_of_lawns_drawn_again():
    """One surveyed lawn of 3.2 x 2.5 m: its own shift changes nothing, each corner is off by itself by 6 cm."""
    rng = np.random.default_rng(9)
    corners = np.array([(0, 0), (3.2, 0), (3.2, 2.5), (0, 2.5)])
    moved = corners + rng.normal(0, 0.06, (20_000, 4, 2))
    x, y = moved[..., 0], moved[..., 1]
    areas = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1) / 2
    (check,) = checks(apart(8.0))
    assert check["sd"] == pytest.approx(areas.std(), rel=0.05)


def test_zones_and_scraps_of_another_size_are_not_asked_for():
    assert not checks(apart(LEAST_M2 + 2)) and not checks(apart(LEAST_M2 - 2))
