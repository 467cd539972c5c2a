"""Detached zones between which the mower drives by itself, and ground with too weak a field, through the real steps."""

from __future__ import annotations

import pytest
import shapely
from expected_layers import CONTRACT_PROFILE
from made import plan_of, site_of, violations_of
from shapely import box

from lawngis.mower import built_in_profile
from lawngis.processing.model.site import Site


def pair_across_a_drive() -> Site:
    """A lawn, and across 4 m of drive two smaller ones with a corridor of 1.2 m between them."""
    pair = shapely.union_all([box(24, 0, 30, 7), box(29.5, 3.4, 34.5, 4.6), box(34, 1, 39, 6)])
    drive = {"geometry": [box(20, -3, 24, 23)], "use": ["drive"], "level": ["flush"]}
    return site_of([box(0, 0, 20, 20), pair], layers={"hard_surfaces": drive})


@pytest.mark.parametrize(("supply", "loops"), [("main_wire", 1), ("own_source", 2), ("own_dock", 2)])
def test_a_pair_of_detached_zones_shares_one_supply(supply: str, loops: int) -> None:
    site = pair_across_a_drive()
    plan = plan_of(site, built_in_profile().model_copy(update={"supplies_offered": (supply,)}))
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    assert not [row for row in plan.rows("findings") if row["severity"] == "stop" and row["step"] != "dock"]
    first, second = plan.select("zones", role="detached")
    assert (first["supply"], second["supply"]) == (supply, supply)
    assert first["loop_id"] == second["loop_id"]
    assert first["reached_by"] is None and second["reached_by"] is not None
    assert len(plan.rows("wire_path")) == loops
    items = {row["item"]: row["quantity"] for row in plan.rows("materials")}
    assert items.get("duct", 0.0) == pytest.approx(4.0 if supply == "main_wire" else 0.0, abs=0.01)
    assert items.get("signal sources", 0) == (supply == "own_source")
    assert items.get("further docks", 0) == (supply == "own_dock")
    assert len([row for row in plan.rows("findings") if row["code"] == "zone-detached"]) == 1


def test_ground_with_too_weak_a_field_is_mown_by_hand() -> None:
    site = site_of(box(0, 0, 30, 20))
    plan = plan_of(site, built_in_profile().model_copy(update={"signal_min_ut": 0.06}))
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    (weak,) = plan.select("hand_mow", reason="out_of_signal")
    # Well within reach of the wire, and about the middle, where the field of a rectangle is weakest.
    assert weak["geometry"].contains(box(0, 0, 30, 20).centroid)
    assert 100 < weak["area_m2"] < 200
    assert not [row for row in plan.rows("findings") if row["code"] == "signal-weak"]
    assert plan.rows("wire_path")[0]["signal_min_ut"] >= 0.06
