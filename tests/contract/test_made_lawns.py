"""The rules on lawns drawn by hand, whose answers are known, through the real steps and the independent checker."""

from __future__ import annotations

from dataclasses import replace
from math import cos, pi, radians, sin

import numpy as np
import pytest
import shapely
from expected_layers import CONTRACT_PROFILE
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made import plan_of, site_of, steps_until, violations_of
from shapely import LineString, MultiPolygon, Polygon, box

from lawngis.mower import built_in_profile
from lawngis.processing.measured.overrides import Override
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.steps.workflow import Settings, planned

NARROWEST_M = CONTRACT_PROFILE["passage_transit_min_m"]


def dumbbell(width_m: float) -> Polygon:
    """Two squares of 10 m, and 6 m of corridor between them."""
    corridor = box(10, 5 - width_m / 2, 16, 5 + width_m / 2)
    return shapely.union_all([box(0, 0, 10, 10), corridor, box(16, 0, 26, 10)])


def comb() -> Polygon:
    """A back of 22 x 4 m with five teeth 2 m wide, 2.4 m apart."""
    return shapely.union_all([box(0, 0, 22, 4), *(box(1 + 4.4 * k, 3, 3 + 4.4 * k, 12) for k in range(5))])


def spiral() -> Polygon:
    """A band 3 m wide that winds twice around its middle."""
    at = np.radians(np.arange(0, 721, 6))
    radius = 4 + 5 * at / (2 * pi)
    return LineString(np.column_stack([radius * np.cos(at), radius * np.sin(at)])).buffer(1.5)


def star(tip_deg: float = 20.0) -> Polygon:
    """Five points with tips so acute, about a circle of 5 m."""
    inner = 5.0
    half = radians(tip_deg) / 2
    # From a tip, the neighbouring inner corner lies half the tip's angle off the way to the middle.
    outer = inner * (cos(radians(36)) + sin(radians(36)) / np.tan(half))
    turns = np.radians(90 + 36 * np.arange(10))
    radius = np.where(np.arange(10) % 2 == 0, outer, inner)
    return Polygon(np.column_stack([radius * np.cos(turns), radius * np.sin(turns)]))


def disc(x: float, y: float, radius: float) -> Polygon:
    return shapely.Point(x, y).buffer(radius, quad_segs=32)


def bed(*shapes: Polygon) -> dict[str, dict[str, list]]:
    return {"beds": {"geometry": list(shapes), "kind": ["flowers"] * len(shapes)}}


def pond(*shapes: Polygon) -> dict[str, dict[str, list]]:
    return {"water": {"geometry": list(shapes), "kind": ["pond"] * len(shapes)}}


def side_by_side() -> Polygon:
    """Two lawns, and two passages of 1.1 and 1.4 m between them."""
    passages = [box(12, 1.5, 16, 2.6), box(12, 6.5, 16, 7.9)]
    return shapely.union_all([box(0, 0, 12, 10), *passages, box(16, 0, 24, 10)])


def crossroads() -> Polygon:
    """Four lawns around two passages of 1.2 m that cross."""
    arms = [box(-8, -0.6, 8, 0.6), box(-0.6, -8, 0.6, 8)]
    lawns = [box(8, -4, 15, 4), box(-15.5, -4, -8, 4), box(-4, 8, 4, 14), box(-4, -13.5, 4, -8)]
    return shapely.union_all([*arms, *lawns])


def hub() -> Polygon:
    """A lawn of 5 x 5 m with four arms of 1.2 m, each to a lawn of its own."""
    arms = [box(-9, -0.6, 9, 0.6), box(-0.6, -9, 0.6, 9)]
    lawns = [box(9, -4, 16, 4), box(-16.5, -4, -9, 4), box(-4, 9, 4, 15), box(-4, -14.5, 4, -9)]
    return shapely.union_all([box(-2.5, -2.5, 2.5, 2.5), *arms, *lawns])


RECTANGLE = box(0, 0, 20, 12)

SITES = {
    "rectangle": lambda: site_of(RECTANGLE),
    "rectangle to the property line": lambda: site_of(RECTANGLE, parcel=RECTANGLE),
    "dumbbell": lambda: site_of(dumbbell(1.2)),
    "dumbbell that is mown through": lambda: site_of(dumbbell(2.0)),
    "dumbbell too narrow": lambda: site_of(dumbbell(0.7)),
    "two passages side by side": lambda: site_of(side_by_side()),
    "passages that cross": lambda: site_of(crossroads()),
    "a little lawn with four arms": lambda: site_of(hub()),
    "pond": lambda: site_of(RECTANGLE, layers=pond(disc(10, 6, 2))),
    "L": lambda: site_of(box(0, 0, 20, 20).difference(box(10, 10, 20, 20))),
    "donut": lambda: site_of(disc(0, 0, 10).difference(disc(0, 0, 4)), layers=pond(disc(0, 0, 4))),
    "comb": lambda: site_of(comb()),
    "spiral": lambda: site_of(spiral()),
    "star": lambda: site_of(star()),
    "two islands 0.4 m apart": lambda: site_of(RECTANGLE, layers=bed(disc(8.5, 6, 1.3), disc(11.5, 6, 1.3))),
    "island 0.3 m from the edge": lambda: site_of(RECTANGLE, layers=bed(disc(10, 1.3, 1.0))),
    "2 m x 40 m": lambda: site_of(box(0, 0, 40, 2)),
    "many islands": lambda: site_of(
        box(0, 0, 30, 20), layers=bed(*(disc(3 + 4 * i, 3 + 3.5 * j, 0.5) for i in range(7) for j in range(5)))
    ),
    "path through the lawn": lambda: path_through(LineString([(0, 8), (29, 8)])),
    "winding path": lambda: path_through(LineString([(0, 4), (8, 6), (15, 10), (22, 10), (29, 8)])),
    "path round a corner": lambda: path_through(LineString([(0, 8), (18, 8), (18, 0)])),
    "path to a wall": lambda: path_through(LineString([(0, 8), (29, 8)]), box(29, 0, 31, 16)),
    "on a slope": lambda: site_of(RECTANGLE, layers=pond(disc(10, 6, 2)), rise=(0.08, 0.06)),
}


def path_through(way: LineString, house: Polygon | None = None) -> Site:
    """A lawn of 29 m x 16 m and a paved path 1 m wide through it, level with the lawn."""
    path = way.buffer(0.5, cap_style="flat", join_style="mitre")
    layers = paved(path, level="flush", surface="paved")
    return site_of(
        box(0, 0, 29, 16).difference(path), layers=layers | ({"buildings": {"geometry": [house]}} if house else {})
    )


@pytest.mark.parametrize("name", [name for name in SITES if "path" in name])
def test_wire_crosses_a_path_through_a_lawn_once_at_each_end(name: str) -> None:
    plan = plan_of(SITES[name](), until="wire")
    (link,) = plan.rows("links")
    assert link["along_border"] and link["width_m"] > 25
    # What else is of the passage lies where the wire turns off the path.
    over = [run for run in plan.geometries("wire_runs", run_kind="passage") if run.length > 0.5]
    assert len(over) == 2 and over[0].distance(over[1]) > 18
    # Round the whole lawn once, not along both sides of the path.
    assert plan.rows("wire_path")[0]["length_m"] < 2 * (29 + 16)


def test_a_border_along_which_no_wire_can_be_laid_is_said_to_be_crossed_at_one_place() -> None:
    """Somebody saw that the lawn lies higher than the path: setbacks of 0.35 m leave no ground over the path."""
    seen = tuple(Override("edges", f"P1-E{number}", "edge_class", "raised", row=number) for number in (2, 4))
    site = SITES["path through the lawn"]()
    plan = planned(site, steps_until("wire"), Settings(built_in_profile(), overrides=seen)).plan
    (link,) = plan.rows("links")
    (said,) = [row["text"] for row in plan.rows("findings") if row["code"] == "border-not-laid"]
    assert link["along_border"] and link["link_id"] in said
    assert "29.0 m of border" in said and "at one place, and saves nothing" in said
    (crosses,) = [row["text"] for row in plan.rows("findings") if row["code"] == "wire-crosses"]
    assert "both ways" in crosses
    over = [run for run in plan.geometries("wire_runs", run_kind="passage") if run.length > 0.5]
    assert len(over) == 2 and over[0].distance(over[1]) < 0.5


def test_a_border_of_which_setbacks_leave_a_part_says_how_much_is_driven_across() -> None:
    """East of x = 12 the northern lawn ends in a fall: 0.78 m from it is no wire, and 12 m are left less the ends."""
    site = SITES["path through the lawn"]()
    ledge = {"barriers": {"geometry": [LineString([(12, 8.5), (30, 8.5)])], "kind": ["drop"], "height_m": [0.6]}}
    layers = {**site_of(box(0, 0, 29, 16), layers=ledge).layers, **site.layers}
    site = replace(site, layers=layers)
    plan = plan_of(site)
    (said,) = [row["text"] for row in plan.rows("findings") if row["code"] == "border-not-laid"]
    assert "29.0 m of border" in said and "leave 10.5 m" in said
    over = [run for run in plan.geometries("wire_runs", run_kind="passage") if run.length > 0.5]
    assert len(over) == 2 and over[0].distance(over[1]) == pytest.approx(10.5, abs=0.3)
    assert not [str(broken) for broken in violations_of(site, plan, CONTRACT_PROFILE) if "border" in str(broken)]


@pytest.mark.parametrize("told", [{"surface": "gravel"}, {"use": "drive"}, {"level": "raised"}])
def test_the_checker_finds_paving_that_must_not_be_driven_across(told: dict[str, str]) -> None:
    site = SITES["path through the lawn"]()
    plan = plan_of(site)
    other = replace(site, layers={**site.layers, "hard_surfaces": site.layers["hard_surfaces"].assign(**told)})
    assert not violations_of(site, plan, CONTRACT_PROFILE)
    assert {2, 8} <= {violation.rule for violation in violations_of(other, plan, CONTRACT_PROFILE)}
    narrow = {**CONTRACT_PROFILE, "crossing_length_max_m": 0.3}
    assert 2 in {violation.rule for violation in violations_of(site, plan, narrow)}


@pytest.mark.parametrize("name", SITES)
def test_no_rule_is_broken(name: str) -> None:
    site = SITES[name]()
    plan = plan_of(site)
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))


# Zones that the mower doesn't reach ---------------------------------------------------------------------------------


def paved(
    *shapes: Polygon, use: str = "path", level: str = "raised", surface: str = "unknown"
) -> dict[str, dict[str, list]]:
    made = {"use": use, "level": level, "surface": surface}
    return {"hard_surfaces": {"geometry": list(shapes), **{name: [word] * len(shapes) for name, word in made.items()}}}


def across_a_drive() -> Site:
    return site_of(
        [box(0, 0, 16, 12), box(20, 0, 28, 10)], layers=paved(box(16, -3, 20, 15), use="drive", level="flush")
    )


def three_around_a_house() -> Site:
    house = {"buildings": {"geometry": [box(17, -2, 19, 9)]}}
    lawns = [box(0, 0, 16, 12), box(20, 0, 28, 10), box(20, 14, 28, 22)]
    return site_of(lawns, layers={**house, **paved(box(16, -3, 20, 15))})


def below_a_drop() -> Site:
    ledge = {"barriers": {"geometry": [LineString([(12, -1), (12, 11)])], "kind": ["drop"]}}
    return site_of(box(0, 0, 20, 10), layers=ledge)


def courtyard() -> Site:
    paving = box(10, 10, 20, 20).difference(box(11.5, 11.5, 18.5, 18.5))
    lawns = [box(0, 0, 30, 30).difference(box(10, 10, 20, 20)), box(11.5, 11.5, 18.5, 18.5)]
    return site_of(lawns, layers=paved(paving, use="terrace"))


APART = {
    "across a drive": (across_a_drive, 1),
    "three around a house": (three_around_a_house, 2),
    "below a drop": (below_a_drop, 1),
    "in a courtyard": (courtyard, 1),
}


@pytest.mark.parametrize("name", APART)
@pytest.mark.parametrize("offered", [("main_wire", "own_source", "own_dock"), ("own_source", "own_dock")])
def test_zones_apart_are_served_without_breaking_a_rule(name: str, offered: tuple[str, ...]) -> None:
    build, detached = APART[name]
    site = build()
    plan = plan_of(site, built_in_profile().model_copy(update={"supplies_offered": offered}))
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    apart = plan.select("zones", role="detached")
    assert [zone["supply"] for zone in apart] == [offered[0]] * detached
    assert len(plan.rows("wire_path")) == (1 if offered[0] == "main_wire" else 1 + detached)


def test_the_main_wire_goes_round_a_zone_apart_on_a_lead_that_says_what_it_crosses() -> None:
    site = across_a_drive()
    plan = plan_of(site)
    assert {zone["loop_id"] for zone in plan.rows("zones")} == {"P1-L1"}
    out, back = (
        [row["geometry"] for row in plan.select("wire_runs", run_kind=kind)] for kind in ("lead_out", "lead_back")
    )
    assert len(out) == len(back) == 1
    # Across: 4 m of drive, and the setback on either side.
    setback = CONTRACT_PROFILE["setback_m"]["flush"]
    assert out[0].length == pytest.approx(4 + 2 * setback, abs=0.03)
    crossed = [row for row in plan.rows("findings") if row["code"] == "wire-crosses"]
    assert len(crossed) == 1 and "4.0 m of drive in a duct" in crossed[0]["text"]


def test_all_three_supplies_of_a_zone_apart_are_worked_out() -> None:
    plan = plan_of(across_a_drive(), until="zones")
    plan.close()
    (text,) = [row["text"] for row in plan.rows("findings") if row["code"] == "zone-detached"]
    for words in ("Main wire led around it", "Signal source of its own", "Dock of its own", "EUR", "m of wire"):
        assert words in text


def test_a_zone_apart_that_one_charge_cannot_mow_gets_a_dock_of_its_own() -> None:
    site = site_of([box(0, 0, 30, 20), box(34, 0, 50, 20)], layers=paved(box(30, -3, 34, 23), use="drive"))
    plan = plan_of(site)
    assert [zone["supply"] for zone in plan.rows("zones")] == ["own_dock", "own_dock"]
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))


def test_ground_out_of_signal_is_mown_by_hand_and_gets_no_wire() -> None:
    site = site_of(box(0, 0, 60, 50))
    plan = plan_of(site, zones={"mowers_max": 1})
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    (deep,) = plan.select("hand_mow", reason="out_of_signal")
    depth = 18 + 0.12
    assert deep["area_m2"] == pytest.approx((60 - 2 * depth) * (50 - 2 * depth), rel=1e-3)
    assert not plan.select("wire_runs", run_kind="island")


# Known answers ------------------------------------------------------------------------------------------------------


def wire_m(plan: Plan) -> float:
    return float(sum(row["plan_length_m"] for row in plan.rows("wire_path")))


def test_the_wire_of_a_rectangle_is_its_inset_with_corners_cut() -> None:
    plan = plan_of(SITES["rectangle"](), until="wire")
    (setback,) = {edge["setback_m"] for edge in plan.rows("edges")}
    ring = 2 * (20 - 2 * setback + 12 - 2 * setback)
    cut = built_in_profile().corner_cut_m
    # A cut takes 2 c off each corner and gives sqrt(2) c back.
    assert wire_m(plan) == pytest.approx(ring - 4 * (2 - np.sqrt(2)) * cut, abs=0.02)


def test_a_pond_has_a_ring_of_its_setback_and_the_lead_by_hand() -> None:
    plan = plan_of(SITES["pond"](), until="wire")
    water = CONTRACT_PROFILE["setback_m"]["water"]
    island = sum(row["geometry"].length for row in plan.select("wire_runs", run_kind="island"))
    assert island == pytest.approx(2 * pi * (2 + water), rel=0.01)
    outer = {edge["setback_m"] for edge in plan.rows("edges") if edge["edge_class"] != "water"}
    # From the ring to the nearest side: half of 12 m, less the pond, its setback and that of the edge.
    lead = 6 - 2 - water - outer.pop()
    assert plan.rows("wire_path")[0]["lead_m"] == pytest.approx(2 * lead, rel=0.02)


def test_a_corridor_of_1_2_m_is_driven_through_on_two_parallel_wires() -> None:
    plan = plan_of(SITES["dumbbell"](), until="wire")
    (link,) = plan.rows("links")
    assert link["kind"] == "transit" and link["width_m"] == pytest.approx(1.2, abs=0.01)
    one, two = (row["geometry"] for row in plan.select("wire_runs", run_kind="passage"))
    gap = CONTRACT_PROFILE["passage_wire_gap_m"]
    assert gap - 1e-3 <= one.distance(two) <= gap + 0.05


def test_islands_too_close_to_pass_share_one_ring() -> None:
    plan = plan_of(SITES["two islands 0.4 m apart"](), until="wire")
    assert len({row["island_id"] for row in plan.select("wire_runs", run_kind="island")}) == 1
    assert len(plan.select("wire_runs", run_kind="lead_out")) == 1


def test_an_island_at_the_edge_becomes_part_of_it() -> None:
    plan = plan_of(SITES["island 0.3 m from the edge"](), until="wire")
    assert not plan.select("wire_runs", run_kind="island")


# Generated lawns ----------------------------------------------------------------------------------------------------


@st.composite
def ragged_lawns(draw: st.DrawFn) -> Polygon:
    """A lawn around a middle, with spikes, and holes that nearly touch one another or the edge."""
    count = draw(st.integers(5, 12))
    radius = draw(st.lists(st.floats(2.5, 14), min_size=count, max_size=count))
    turns = np.linspace(0, 2 * pi, count, endpoint=False)
    lawn: MultiPolygon | Polygon = Polygon(np.column_stack([radius * np.cos(turns), radius * np.sin(turns)]))
    for _ in range(draw(st.integers(0, 3))):
        x, y, size = draw(st.floats(-6, 6)), draw(st.floats(-6, 6)), draw(st.floats(0.05, 2.5))
        shape = disc(x, y, size) if draw(st.booleans()) else box(x, y, x + size, y + 0.15)
        lawn = lawn.difference(shape)
    parts = [part for part in shapely.get_parts(shapely.make_valid(lawn)) if isinstance(part, Polygon)]
    return max(parts, key=lambda part: part.area)


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(ragged_lawns())
def test_generated_lawns_break_no_rule_or_say_which(lawn: Polygon) -> None:
    site = site_of(lawn)
    plan = plan_of(site)
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))


def test_a_lawn_too_narrow_for_its_setbacks_is_no_failure_but_says_so() -> None:
    mower = built_in_profile()
    wide = mower.setback_m.model_copy(update={"water": 0.95})
    profile = {**CONTRACT_PROFILE, "setback_m": {**CONTRACT_PROFILE["setback_m"], "water": 0.95}}
    canals = pond(box(0, 2, 40, 5), box(0, -3, 40, 0))
    site = site_of(box(0, 0, 40, 2), layers=canals)
    plan = plan_of(site, mower.model_copy(update={"setback_m": wide}))
    broken = violations_of(site, plan, profile)
    assert not broken, "\n".join(map(str, broken))
    assert [row["code"] for row in plan.rows("findings") if row["severity"] == "stop"] == ["no-wire"]
    (summary,) = plan.rows("summary")
    assert summary["status"] == "not_suitable" and "no wire can be laid" in summary["verdict_text"]
