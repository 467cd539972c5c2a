"""How far the length of a loop is off, and when it is measured."""

import sys
from dataclasses import replace
from pathlib import Path

import pytest
from shapely import box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import site_of, steps_until

from lawngis.mower import built_in_profile
from lawngis.processing.model.site import DataAccuracy
from lawngis.processing.steps.workflow import Settings, planned

SURE = {"position_sd_m": 0.0}


def looped(position_sd_m, limit_m=500.0):
    """The loop of a lawn whose own outline is sure, on a map that is off by so much, and the checks of its length."""
    accuracy = DataAccuracy(position_sd_m=position_sd_m, layers={"lawns": SURE, "parcels": SURE})
    mower = built_in_profile().model_copy(update={"loop_length_max_m": limit_m})
    site = replace(site_of(box(0, 0, 30, 20)), accuracy=accuracy)
    plan = planned(site, steps_until("wire"), Settings(mower, {}, ())).plan
    plan.close()
    (path,) = plan.rows("wire_path")
    return path, [row for row in plan.rows("visit_checks") if row["code"] == "loop-length"]


@pytest.mark.parametrize(("position_sd_m", "share"), [(0.0, 0.0), (0.1, 0.025), (0.2, 0.05), (0.4, 0.05)])
def test_what_no_decision_explains_is_a_share_of_the_length(position_sd_m, share):
    path, _ = looped(position_sd_m)
    assert path["length_sd_m"] == pytest.approx(share * path["length_m"], abs=1e-6)


def test_a_loop_is_measured_where_that_share_reaches_the_limit():
    length_m = looped(0.2)[0]["length_m"]
    (check,) = looped(0.2, limit_m=1.05 * length_m)[1]
    assert check["sd"] == pytest.approx(0.05 * length_m) and check["flip_probability"] == pytest.approx(
        0.159, abs=0.001
    )
    assert not looped(0.2, limit_m=1.2 * length_m)[1]
