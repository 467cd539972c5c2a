"""The day of laying on made lawns: a zone apart by each supply, several reels, an island, no way home."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from expected_layers import CONTRACT_PROFILE
from laying import laying_problems
from made import all_steps, plan_of, site_of, view_of, violations_of
from shapely import Point, box

from lawngis.labour import labour_book_from
from lawngis.mower import built_in_profile
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.planning.ranking import laying_hours
from lawngis.processing.steps.workflow import Settings, planned

BOOK = labour_book_from()


def apart() -> Site:
    """A lawn with an island, and across 4 m of drive another one."""
    drive = {"geometry": [box(20, -3, 24, 23)], "use": ["drive"], "level": ["flush"]}
    home = box(0, 0, 20, 20) - Point(8, 11).buffer(1.5)
    return site_of([home, box(24, 0, 33, 9)], layers={"hard_surfaces": drive, "outlets": {"geometry": [Point(10, -1)]}})


def steps_of(plan: Plan, what: str) -> list[dict]:
    return [dict(row) for row in plan.rows("laying_steps") if row["what"] == what]


@pytest.fixture(scope="module", params=["main_wire", "own_source", "own_dock"])
def laid(request: pytest.FixtureRequest) -> tuple[str, Site, Plan]:
    mower = built_in_profile().model_copy(update={"supplies_offered": (request.param,), "wire_reel_m": 50.0})
    return request.param, apart(), plan_of(apart(), mower)


def test_each_metre_peg_and_joint_is_in_one_step(laid: tuple[str, Site, Plan]) -> None:
    _, site, plan = laid
    problems = laying_problems(view_of(site, plan))
    assert not problems, "\n".join(problems)
    broken = [one for one in violations_of(site, plan, CONTRACT_PROFILE) if one.parcel_id]
    assert not broken, "\n".join(map(str, broken))
    assert len(steps_of(plan, "joint")) >= 2 and steps_of(plan, "lay_island")


def test_a_zone_with_its_own_source_or_dock_has_its_own_steps(laid: tuple[str, Site, Plan]) -> None:
    supply, _, plan = laid
    loops = 1 if supply == "main_wire" else 2
    for what in ("mark_out", "begin", "closing", "mount_supply", "signal_on", "trial", "walk_round", "peg_fill"):
        assert [row["loop_id"] for row in steps_of(plan, what)] == [f"P1-L{n + 1}" for n in range(loops)], what
    assert len(steps_of(plan, "set_source")) == (supply == "own_source")
    assert len(steps_of(plan, "set_dock")) == (2 if supply == "own_dock" else 1)
    (settings,) = steps_of(plan, "settings")
    assert settings["loop_id"] is None
    if supply == "own_source":
        assert "Carry the mower to P1-L2" in steps_of(plan, "trial")[1]["text"]
        assert steps_of(plan, "mount_supply")[1]["text"].startswith(
            "Mount the power supply of P1-L2 at an outlet that no"
        )


def test_a_lead_under_a_drive_has_its_duct_ready_before_its_wire(laid: tuple[str, Site, Plan]) -> None:
    supply, _, plan = laid
    crossings = [row for row in steps_of(plan, "crossing") if row["from_m"] is not None]
    assert len(crossings) == (supply == "main_wire")
    for row in crossings:
        after = plan.rows("laying_steps")[row["seq"]]
        assert "4.0 m of drive in a duct" in row["text"] and row["needs"] == "dry"
        assert (after["what"], after["from_m"], after["to_m"]) == ("lead_out", row["from_m"], row["to_m"])
        assert "the ground that it goes around" in after["text"]


def test_hours_are_those_of_the_labour_book(laid: tuple[str, Site, Plan]) -> None:
    supply, _, plan = laid
    rows = {name: plan.rows(name) for name in ("wire_path", "dock_candidates", "supply_route", "joins")}
    cuts = sum(row["item"] in ("saw cut", "duct") for row in plan.rows("materials"))
    more = BOOK.minutes_per_crossing * cuts + BOOK.minutes_per_joint * (supply == "own_source")
    trial = steps_of(plan, "trial")
    assert sum(row["hours"] for row in plan.rows("laying_steps")) == pytest.approx(
        laying_hours(rows, BOOK) + more / 60, abs=0.006
    )
    assert all(row["hours"] > 0 for row in trial)


def test_the_first_way_home_begins_on_straight_wire_before_the_dock(laid: tuple[str, Site, Plan]) -> None:
    _, _, plan = laid
    docks = plan.select("dock_candidates", chosen=True)
    for row in steps_of(plan, "trial")[: len(docks)]:
        (dock,) = [one for one in docks if one["geometry"].distance(row["geometry"]) < 15.0]
        wire = plan.select("wire_path", loop_id=row["loop_id"])[0]["geometry"]
        assert wire.distance(row["geometry"]) < 1e-6
        assert dock["geometry"].distance(row["geometry"]) >= 2.0 - 1e-6
        assert min(row["from_m"], wire.length - row["from_m"]) == pytest.approx(2.0, abs=2.5)
        # A metre further the way it looks lies on the wire too, and nearer to the dock along it.
        angle = np.radians(row["heading_deg"] - grid_deg())
        ahead = shapely.affinity.translate(row["geometry"], 0.4 * np.sin(angle), 0.4 * np.cos(angle))
        assert wire.distance(ahead) < 0.02
        assert abs(wire.project(ahead) - wire.project(row["geometry"])) == pytest.approx(0.4, abs=0.02)
        off = [min(wire.project(p), wire.length - wire.project(p)) for p in (row["geometry"], ahead)]
        assert off[1] < off[0]


def grid_deg() -> float:
    return apart().frame.grid_heading_deg(0.0)


def test_without_a_place_for_it_the_plan_says_why_and_what_to_do() -> None:
    mower = built_in_profile().model_copy(update={"trial_start_min_m": 20.0})
    plan = plan_of(site_of(box(0, 0, 9, 8)), mower)
    (row,) = steps_of(plan, "trial")
    assert row["geometry"].is_empty and row["from_m"] is None
    assert "half the loop is shorter than the 20 m" in row["text"] and "by hand" in row["text"]
    (finding,) = [one for one in plan.rows("findings") if one["code"] == "no-trial-start"]
    assert "half the loop is shorter" in finding["text"] and finding["advice"]


def test_a_parcel_without_wire_has_no_day_of_laying() -> None:
    plan = plan_of(site_of(box(0, 0, 2, 2)))
    assert not plan.rows("wire_path") and not plan.rows("laying_steps")


@pytest.mark.parametrize("looks", [0.0, 180.0])
def test_the_mower_comes_in_from_where_the_dock_looks(looks: float) -> None:
    """East of x = 11 the ground rises by a tenth: it lies on the way into a dock at x = 10 that looks east, alone."""
    site = site_of(box(0, 0, 20, 12))
    x = site.dem.transform.c + np.arange(site.dem.values.shape[1]) + 0.5
    heights = np.broadcast_to(100.0 + 0.1 * np.clip(x - 11.0, 0.0, None), site.dem.values.shape)
    site = replace(site, dem=replace(site.dem, values=heights))
    rows = plan_of(site, until="dock").rows("dock_candidates")
    south = [row for row in rows if row["geometry"].y < 1.0 and abs(row["geometry"].x - 10.0) < 0.3]
    along = (90.0 + looks + grid_deg()) % 360.0
    dock = min(south, key=lambda row: abs((row["heading_deg"] - along + 180.0) % 360.0 - 180.0))
    assert abs((dock["heading_deg"] - along + 180.0) % 360.0 - 180.0) < 1.0
    assert (dock["approach_slope_percent"] > 5.0) == (looks == 0.0)
    place = Override("dock_candidates", dock["candidate_id"], "chosen", "true", row=1)
    plan = planned(site, all_steps(), Settings(built_in_profile(), overrides=(place,))).plan
    (chosen,) = plan.select("dock_candidates", chosen=True)
    (trial,) = steps_of(plan, "trial")
    angle = np.radians(chosen["heading_deg"] - grid_deg())
    way = np.array(trial["geometry"].coords[0]) - np.array(chosen["geometry"].coords[0])
    assert chosen["heading_deg"] == pytest.approx(dock["heading_deg"])
    assert way @ [np.sin(angle), np.cos(angle)] >= 1.98 and np.hypot(*way) <= chosen["straight_m"] + 1e-6
    assert (trial["heading_deg"] - chosen["heading_deg"]) % 360.0 == pytest.approx(180.0, abs=1.0)
    # Laid anti-clockwise the wire leaves the southern side eastward: who comes in from there drives against it.
    wire = plan.rows("wire_path")[0]
    assert (trial["from_m"] < wire["length_m"] / 2) == (looks == 0.0)
