"""Step `zones` on small sites drawn by hand, with answers worked by hand."""

import json
import sys
from dataclasses import replace
from math import sqrt
from pathlib import Path

import pytest
import shapely
import shapely.affinity
from scipy.stats import norm
from shapely import LineString, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import all_steps, plan_of, site_of

import lawngis
from lawngis.lawn.widths import WAVE_M
from lawngis.mower import built_in_profile
from lawngis.processing.derived.decisions import border_option
from lawngis.processing.derived.laying_hours import Books
from lawngis.processing.model.plan import Plan
from lawngis.processing.steps.workflow import with_shared

MOWER = built_in_profile()
MOWN, DRIVEN = MOWER.passage_mow_min_m, MOWER.passage_transit_min_m
POSITION_SD_M = 0.10
WEST, EAST = box(0, 0, 12, 10), box(16, 0, 24, 10)


def planned(lawn, *, mower=MOWER, layers=None, rise=(0.0, 0.0), **parameters) -> Plan:
    plan = plan_of(site_of(lawn, layers=layers, rise=rise), mower, until="zones", **parameters)
    plan.close()
    return plan


def with_passage(width_m: float, **settings) -> Plan:
    """Two lawns, and 4 m of passage between them."""
    return planned(shapely.union_all([WEST, box(12, 5 - width_m / 2, 16, 5 + width_m / 2), EAST]), **settings)


def with_surface(use: str, level: str = "flush", surface: str | None = None, long_m: float = 10.0, **settings) -> Plan:
    """Two lawns 1.5 m apart, and paving between them."""
    ways = {"geometry": [box(12, -1, 13.5, long_m + 1)], "use": [use], "level": [level], "surface": [surface]}
    lawns = [box(0, 0, 12, long_m), box(13.5, 0, 21, long_m)]
    return planned(lawns, layers={"hard_surfaces": ways}, **settings)


def codes(plan: Plan) -> list[str]:
    return [row["code"] for row in plan.rows("findings")]


def roles(plan: Plan) -> list[str]:
    return [row["role"] for row in plan.rows("zones")]


# Walls --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("turned_deg", "wide_m", "deep_m", "behind_m"),
    [(339.76851369915266, 17.663159147486205, 13.188669772404644, 0.3178392454801015),
     (4.35650964198937, 25.143176682109786, 9.096273545973668, 0.5914893762855804)],
)  # fmt: skip
def test_rounding_leaves_no_crack_beside_a_wall_through_which_ground_behind_it_hangs_on(
    turned_deg, wide_m, deep_m, behind_m
):
    """Gardens of which 1 mm beside the end of the wall was left: the strip behind it was part of the zone."""

    def turned(shape):
        return shapely.affinity.rotate(shape, turned_deg, origin=(0, 0))

    parcel = turned(box(0, 0, wide_m, deep_m))
    wall = turned(LineString([(-1, deep_m - behind_m), (wide_m + 1, deep_m - behind_m)]))
    site = site_of(parcel, parcel=parcel, layers={"barriers": {"geometry": [wall], "kind": ["wall"]}})
    site = replace(site, layers={name: table for name, table in site.layers.items() if name != "lawns"})
    plan = plan_of(site, MOWER, until="zones")
    plan.close()
    (zone,) = plan.rows("zones")
    assert zone["geometry"].distance(wall) == pytest.approx(0.06, abs=0.03)
    assert zone["area_m2"] == pytest.approx(wide_m * (deep_m - behind_m - 0.06), abs=0.5)
    assert [row["reason"] for row in plan.rows("hand_mow")] == ["narrow"]


# Pockets ------------------------------------------------------------------------------------------------------------


def test_ground_in_which_the_mower_cannot_turn_is_mown_by_hand():
    """A gap of 1.3 m between two benches, 0.4 m deep, as in a front garden: 0.52 m²."""
    plan = planned(shapely.union(WEST, box(5, 10, 6.3, 10.4)))
    (pocket,) = plan.rows("hand_mow")
    assert (pocket["reason"], round(pocket["area_m2"], 2)) == ("narrow", 0.52)
    assert plan.rows("zones")[0]["area_m2"] == pytest.approx(120.0, abs=0.01)


@pytest.mark.parametrize("beside", [0.0, 5.0])
def test_a_dent_by_which_the_mower_comes_over_a_path_is_no_pocket(beside):
    """Two lawns, a path between them, and beds that leave 1.2 m of lawn before it: the way over it stays."""
    lawns = [shapely.union(WEST, box(12, 5, 12.4, 6.2)), box(13.6, 0, 21, 10)]
    path = {"hard_surfaces": {"geometry": [box(12.4, -1, 13.6, 11)], "use": ["path"], "level": ["flush"]}}
    plan = planned([lawns[0], shapely.affinity.translate(lawns[1], 0, beside)], layers=path)
    assert roles(plan) == ["home", "linked"]
    assert len(plan.select("links", kind="crossing")) == 1
    assert plan.rows("zones")[0]["area_m2"] == pytest.approx(120.48) and not plan.rows("hand_mow")


# Borders that are driven across ------------------------------------------------------------------------------------


def test_the_mower_crosses_a_flush_paved_path_all_along_the_border():
    """30 m of border instead of 0.3 m between two wires: 2 * 29.7 m of wire less, the cuts 1.5 m long as before.

    A metre of wire takes 0.9 minutes, and the second place of work 50, at 58 an hour.
    """
    plan = with_surface("path", surface="paved", long_m=30.0)
    (link,) = plan.rows("links")
    assert roles(plan) == ["home", "linked"] and plan.rows("zones")[1]["reached_by"] == link["link_id"]
    assert {zone["loop_id"] for zone in plan.rows("zones")} == {"P1-L1"}
    assert link["kind"] == "crossing" and link["along_border"]
    assert link["width_m"] == pytest.approx(30.0, abs=0.01) and link["length_m"] == pytest.approx(1.5)
    price = 59.4 * 1.02 * 0.45 + 59.4 / 0.8 * 0.15 + (59.4 * 0.9 - 50) / 60 * 58.0
    assert link["border_saves"] == pytest.approx(price, abs=0.02) and link["currency"] == "EUR"
    (said,) = [row["text"] for row in plan.rows("findings") if row["code"] == "crossing"]
    assert "anywhere along 30.0 m" in said and "42 EUR less for wire, cuts and hours" in said


@pytest.mark.parametrize(("long_m", "along"), [(1.9, True), (2.1, False), (16.0, False), (16.5, True)])
def test_a_border_is_driven_across_only_where_it_pays_for_a_second_place_of_work(long_m, along):
    """2 * (16.24 - 0.3) m of wire, at 1.52 a metre laid, are worth the 50 minutes; at 2 m apart it is one place."""
    option = border_option(long_m, 0.0, MOWER, Books())
    assert (option is not None) == along
    if along:
        assert option.saves == pytest.approx(2 * (long_m - 0.3) * 1.5165 - (48.33 if long_m > 2 else 0), abs=0.01)


def test_a_border_too_short_to_pay_is_crossed_at_one_place_and_nobody_is_asked_what_it_is_made_of():
    for surface in ("paved", "unknown"):
        plan = with_surface("path", surface=surface, long_m=10.0)
        (link,) = plan.rows("links")
        assert link["kind"] == "crossing" and not link["along_border"]
        assert not [row for row in plan.rows("visit_checks") if row["target_layer"] == "hard_surfaces"]


def test_who_makes_cuts_in_no_time_crosses_shorter_borders(tmp_path):
    book = (Path(lawngis.__file__).parent / "labour_example.toml").read_text()
    (tmp_path / "own.toml").write_text(book.replace("minutes_per_crossing = 50.0", "minutes_per_crossing = 0.0"))
    own = {"laying": {"labour_book": str(tmp_path / "own.toml")}}
    (link,) = with_surface("path", surface="paved", **with_shared(own, all_steps())).rows("links")
    assert link["along_border"] and link["border_saves"] == pytest.approx(19.4 * 1.5165, abs=0.02)


@pytest.mark.parametrize(
    ("use", "level", "surface"),
    [("path", "flush", "gravel"), ("path", "flush", "grid"), ("path", "flush", "unknown"), ("path", "flush", None)],
)
def test_over_gravel_a_grid_or_what_nobody_told_it_crosses_at_one_place(use, level, surface):
    plan = with_surface(use, level, surface, long_m=30.0)
    (link,) = plan.rows("links")
    assert link["kind"] == "crossing" and not link["along_border"] and link["border_saves"] is None
    asked = [row for row in plan.rows("visit_checks") if row["target_layer"] == "hard_surfaces"]
    assert len(asked) == (surface in ("unknown", None))
    for check in asked:
        assert check["target_column"] == "surface" and check["geometry"].intersects(box(12, -1, 13.5, 31))
        assert "30.0 m of border, for 42 EUR less" in check["decides"] and check["flip_probability"] is None


@pytest.mark.parametrize(("use", "level"), [("drive", "flush"), ("road", "flush"), ("path", "raised")])
def test_where_cars_drive_or_paving_is_raised_no_border_is_crossed(use, level):
    plan = with_surface(use, level, "paved", long_m=30.0)
    assert not plan.rows("links") and "detached" in roles(plan)
    assert not [row for row in plan.rows("visit_checks") if row["target_layer"] == "hard_surfaces"]


def test_paving_that_widens_is_crossed_at_its_narrowest_where_that_costs_less():
    """Over 20 m 39.4 m of wire are worth 60 EUR and a second place of work 48; from 0.3 m to 2 m wide 1.7 m of cut more
    cost 28 EUR."""
    for wide_m, along in ((0.3, True), (2.0, False)):
        east = shapely.Polygon([(12.3, 2), (21, 2), (21, 22), (12 + wide_m, 22)])
        way = shapely.Polygon([(12, 2), (12.3, 2), (12 + wide_m, 22), (12, 22)])
        paving = {"geometry": [way], "use": ["path"], "level": ["flush"], "surface": ["paved"]}
        (link,) = planned([box(0, 2, 12, 22), east], layers={"hard_surfaces": paving}).rows("links")
        assert link["kind"] == "crossing" and link["along_border"] == along


# Links --------------------------------------------------------------------------------------------------------------


def test_a_passage_as_wide_as_mowing_takes_is_no_passage_at_all():
    plan = with_passage(MOWN + 0.05)
    assert len(plan.rows("zones")) == 1 and not plan.rows("links") and not plan.rows("hand_mow")


@pytest.mark.parametrize(
    ("width_m", "kind", "second"),
    [(MOWN - 0.05, "transit", "linked"), (DRIVEN + 0.02, "transit", "linked"), (DRIVEN - 0.02, "blocked", "detached")],
)
def test_a_passage_is_driven_through_or_blocked_by_its_width(width_m, kind, second):
    plan = with_passage(width_m)
    (link,) = plan.rows("links")
    assert (link["kind"], link["surface"]) == (kind, "lawn")
    assert link["width_m"] == pytest.approx(width_m, abs=0.005)
    assert link["length_m"] == pytest.approx(4.0, abs=0.3)
    assert roles(plan) == ["home", second]
    assert plan.rows("zones")[1]["reached_by"] == (link["link_id"] if kind == "transit" else None)
    (strip,) = plan.select("hand_mow", reason="narrow")
    assert strip["area_m2"] == pytest.approx(4 * width_m, rel=0.05)


def test_a_blocked_passage_says_how_wide_it_is_and_where():
    plan = with_passage(0.7)
    (finding,) = (row for row in plan.rows("findings") if row["code"] == "passage-blocked")
    values = json.loads(finding["values"])
    assert values["width_m"] == pytest.approx(0.7, abs=0.005) and values["missing_m"] == pytest.approx(0.2)
    assert finding["geometry"].distance(LineString([(12, 5), (16, 5)])) < 0.05


def test_the_narrowest_place_is_where_a_post_stands_in_the_passage():
    passage = box(12, 4.4, 16, 5.6).difference(box(14.0, 4.4, 14.2, 4.6))
    plan = planned(shapely.union_all([WEST, passage, EAST]))
    (link,) = plan.rows("links")
    assert link["width_m"] == pytest.approx(1.0, abs=0.01)
    site = site_of(shapely.union_all([WEST, passage, EAST]))
    place = site.frame.coordinates_from(site.frame.source, [[link["narrowest_x"], link["narrowest_y"]]])[0]
    assert place[0] == pytest.approx(14.1, abs=0.11) and place[1] == pytest.approx(5.1, abs=0.05)


@pytest.mark.parametrize("use", ["path", "terrace", "other"])
def test_flush_paving_is_crossed(use):
    plan = with_surface(use)
    (link,) = plan.rows("links")
    assert (link["kind"], link["surface"]) == ("crossing", f"flush {use}")
    assert link["length_m"] == pytest.approx(1.5, abs=1e-6)
    assert roles(plan) == ["home", "linked"] and "crossing" in codes(plan)


@pytest.mark.parametrize(("use", "level"), [("drive", "flush"), ("road", "flush"), ("path", "raised"), ("path", None)])
def test_drives_roads_and_steps_are_not_crossed(use, level):
    plan = with_surface(use, level)
    assert not plan.rows("links")
    assert roles(plan) == ["home", "detached"] and "zone-detached" in codes(plan)


@pytest.mark.parametrize(("longest_m", "crossed"), [(1.49, 0), (1.51, 1)])
def test_a_crossing_is_no_longer_than_the_profile_allows(longest_m, crossed):
    plan = with_surface("path", mower=MOWER.model_copy(update={"crossing_length_max_m": longest_m}))
    assert len(plan.select("links", kind="crossing")) == crossed


# Roles and supplies -------------------------------------------------------------------------------------------------


def test_the_largest_zone_is_home_and_others_are_reached_one_after_the_other():
    lawns = [box(0, 0, 8, 8), box(8, 3.5, 11, 4.7), box(11, 0, 21, 10), box(21, 3, 24, 4.3), box(24, 0, 30, 8)]
    plan = planned(shapely.union_all(lawns))
    zones = plan.rows("zones")
    assert [zone["role"] for zone in zones] == ["home", "linked", "linked"]
    assert [round(zone["area_m2"]) for zone in zones] == [100, 64, 48]
    links = {link["link_id"]: {link["zone_a"], link["zone_b"]} for link in plan.rows("links")}
    home = zones[0]["zone_id"]
    assert zones[0]["reached_by"] is None
    for zone in zones[1:]:
        assert links[zone["reached_by"]] == {home, zone["zone_id"]}


def test_a_zone_that_no_offered_supply_reaches_is_mown_by_hand_and_said():
    mower = MOWER.model_copy(update={"supplies_offered": ()})
    plan = with_surface("drive", mower=mower)
    assert roles(plan) == ["home"]
    (unreachable,) = plan.select("hand_mow", reason="unreachable")
    assert unreachable["area_m2"] == pytest.approx(75.0)
    (finding,) = (row for row in plan.rows("findings") if row["code"] == "zone-unreachable")
    assert finding["severity"] == "caution" and json.loads(finding["values"])["area_m2"] == pytest.approx(75.0)


# Mown by hand -------------------------------------------------------------------------------------------------------


def test_a_strip_that_leads_nowhere_is_narrow():
    plan = planned(shapely.union_all([WEST, box(12, 4, 17, 5.2)]))
    (strip,) = plan.rows("hand_mow")
    assert strip["reason"] == "narrow" and strip["area_m2"] == pytest.approx(6.0, rel=0.05)
    assert not plan.rows("links")


def test_a_lawn_smaller_than_a_zone_is_small():
    plan = planned([WEST, box(20, 0, 22, 3.9)])
    (scrap,) = plan.rows("hand_mow")
    assert (scrap["reason"], round(scrap["area_m2"], 2)) == ("small", 7.8)
    assert len(planned([WEST, box(20, 0, 22, 4.1)]).rows("zones")) == 2


@pytest.mark.parametrize(("reach_m", "expected_m2"), [(4.0, (20 - 8.24) * (12 - 8.24)), (6.0, 0.0)])
def test_ground_beyond_the_signal_is_mown_by_hand(reach_m, expected_m2):
    """Least setback 0.12 m: what is farther from the edge than reach and setback is out of signal."""
    short = MOWER.model_copy(update={"signal_reach_max_m": reach_m})
    plan = planned(box(0, 0, 20, 12), mower=short, zones={"mowers_max": 1})
    deep = plan.select("hand_mow", reason="out_of_signal")
    assert sum(row["area_m2"] for row in deep) == pytest.approx(expected_m2, rel=1e-6)
    assert ("out-of-signal" in codes(plan)) == (expected_m2 > 0)
    whole = sum(zone["area_m2"] for zone in plan.rows("zones")) + sum(row["area_m2"] for row in deep)
    assert whole == pytest.approx(240.0)


# Several mowers ------------------------------------------------------------------------------------------------------


def said_values(plan: Plan, code: str) -> dict:
    (row,) = plan.select("findings", code=code)
    return json.loads(row["values"])


def test_a_lawn_that_one_mower_cannot_do_is_shared():
    """80 m by 40 m: 3200 m², of which one mower keeps up with less than 1900 m²."""
    plan = planned(box(0, 0, 80, 40))
    assert [(row["mower_no"], row["role"], row["supply"]) for row in plan.rows("zones")] == [
        (1, "home", "own_dock"),
        (2, "home", "own_dock"),
    ]
    assert len({row["loop_id"] for row in plan.rows("zones")}) == 2
    assert sum(row["area_m2"] for row in plan.rows("zones")) == pytest.approx(3200.0, abs=0.01)
    assert said_values(plan, "lawn-shared")["mowers"] == 2
    assert not plan.rows("hand_mow") and "lawn-undivided" not in codes(plan)


def test_a_lawn_is_shared_at_its_passage_where_both_sides_are_work_for_a_mower():
    """Two lawns of 1600 m² and 1500 m²: parted at the passage between them, nothing is cut."""
    lawn = shapely.union_all([box(0, 0, 50, 32), box(50, 15, 54, 16.2), box(54, 0, 104, 30)])
    plan = planned(lawn)
    assert [(round(row["area_m2"], -1), row["mower_no"], row["role"]) for row in plan.rows("zones")] == [
        (1600, 1, "home"),
        (1500, 2, "home"),
    ]
    assert said_values(plan, "lawn-shared")["case"] == "links"
    assert [row["reached_by"] for row in plan.rows("zones")] == [None, None]


def test_parts_keep_the_link_that_leads_to_them():
    """1700 m² and 700 m², linked at the far end of the larger: its nearer part stays linked with the smaller."""
    lawn = shapely.union_all([box(0, 0, 68, 25), box(68, 12, 72, 13.2), box(72, 0, 100, 25)])
    plan = planned(lawn)
    linked = [row for row in plan.rows("zones") if row["reached_by"] is not None]
    if linked:
        (link,) = plan.rows("links")
        assert {link["zone_a"], link["zone_b"]} >= {linked[0]["zone_id"]}
    assert {row["mower_no"] for row in plan.rows("zones")} == {1, 2}


@pytest.mark.parametrize(
    ("parameters", "case"),
    [
        ({"mowers_max": 1}, "one"),
        ({"mowers_max": 2}, "none"),
        ({"start_h": 9, "end_h": 9, "quiet_hours": "never"}, "hours"),
    ],
)
def test_why_a_lawn_is_not_divided(parameters, case, tmp_path):
    if "quiet_hours" in parameters:
        never = tmp_path / "never.toml"
        never.write_text('title = "never"\nsource = "made"\n[permitted]\n')
        parameters = {**parameters, "quiet_hours": str(never)}
    plan = planned(box(0, 0, 120, 40), zones=parameters)
    assert said_values(plan, "lawn-undivided")["case"] == case
    assert {row["mower_no"] for row in plan.rows("zones")} == {1}
    assert plan.select("hand_mow", reason="out_of_signal")


@pytest.mark.parametrize(("own_mowers", "numbers"), [(False, [1, 1]), (True, [1, 2])])
def test_a_zone_apart_has_a_mower_of_its_own_where_that_is_wanted(own_mowers, numbers):
    docks = MOWER.model_copy(update={"supplies_offered": ("own_dock",)})
    plan = planned([box(0, 0, 20, 15), box(40, 0, 60, 20)], mower=docks, zones={"own_mowers": own_mowers})
    assert [(row["mower_no"], row["role"]) for row in plan.rows("zones")] == [
        (numbers[0], "home"),
        (numbers[1], "detached"),
    ]


def test_no_cut_passes_what_may_be_bumped():
    trunks = {"trees": {"geometry": [shapely.Point(x, y) for x in (38, 40, 42) for y in range(3, 40, 6)]}}
    trunks["trees"]["trunk_diameter_m"] = [0.4] * len(trunks["trees"]["geometry"])
    plan = planned(box(0, 0, 80, 40), layers=trunks)
    one, two = plan.rows("zones")
    border = shapely.intersection(one["geometry"].buffer(0.01), two["geometry"].buffer(0.01))
    assert {one["mower_no"], two["mower_no"]} == {1, 2}
    assert border.distance(shapely.union_all(trunks["trees"]["geometry"])) > 0.5


def test_zones_know_the_slope_of_their_ground():
    (zone,) = planned(box(0, 0, 20, 12), rise=(0.06, 0.08)).rows("zones")
    assert [zone[f"slope_{name}_percent"] for name in ("p50", "p95", "max")] == pytest.approx([10.0] * 3, abs=0.05)


# Doubt --------------------------------------------------------------------------------------------------------------


def width_checks(plan: Plan) -> dict[float, dict]:
    return {row["limit_value"]: row for row in plan.rows("visit_checks") if row["measure_what"].startswith("width")}


@pytest.mark.parametrize(
    ("width_m", "limits"),
    [
        (MOWN - 0.02, {MOWN}),
        (MOWN - 0.10, {MOWN}),
        (MOWN - 0.12, set()),
        ((MOWN + DRIVEN) / 2, set()),
        (DRIVEN + 0.10, {DRIVEN}),
        (DRIVEN + 0.02, {DRIVEN}),
        (DRIVEN - 0.02, {DRIVEN}),
        (DRIVEN - 0.10, {DRIVEN}),
        (0.5, set()),
    ],
)
def test_a_width_near_a_limit_is_measured_on_site(width_m, limits):
    """Two edges of one surveyed lawn, whose shift cancels: 8.5 cm at either end, 6.2 for the mean of both.

    Beyond 1.75 of these the chance is below 4 %.
    """
    plan = with_passage(width_m)
    (link,) = plan.rows("links")
    sd = link["width_sd_m"]
    assert sd == pytest.approx(POSITION_SD_M * sqrt(2 * 0.36))
    both = sqrt(sd**2 + WAVE_M**2) / sqrt(2)
    checks = width_checks(plan)
    assert set(checks) == limits
    for limit, row in checks.items():
        assert (row["value"], row["sd"], row["unit"]) == pytest.approx((link["width_m"], both, "m"))
        assert row["flip_probability"] == pytest.approx(norm.sf(abs(link["width_m"] - limit) / both), abs=1e-6)
        assert (row["target_layer"], row["target_id"], row["target_column"]) == ("links", link["link_id"], "width_m")
    decisions = {row["decides"] for row in checks.values()}
    assert decisions <= {"whether the passage is mown", "whether the mower gets through"}


# More than one passage ----------------------------------------------------------------------------------------------


def test_of_two_passages_side_by_side_the_wider_one_is_the_way():
    passages = [box(12, 1.5, 16, 2.6), box(12, 6.5, 16, 7.9)]
    plan = planned(shapely.union_all([WEST, *passages, EAST]))
    links = {link["link_id"]: link["width_m"] for link in plan.rows("links")}
    assert sorted(links.values()) == pytest.approx([1.1, 1.4], abs=0.005)
    assert links[plan.rows("zones")[1]["reached_by"]] == pytest.approx(1.4, abs=0.005)


def test_passages_that_cross_link_all_four_lawns():
    """A cross of passages 1.2 m wide with a lawn at each end: three links hold four zones together."""
    arms = [box(-8, -0.6, 8, 0.6), box(-0.6, -8, 0.6, 8)]
    lawns = [box(8, -4, 15, 4), box(-15.5, -4, -8, 4), box(-4, 8, 4, 14), box(-4, -13.5, 4, -8)]
    plan = planned(shapely.union_all([*arms, *lawns]))
    assert roles(plan) == ["home", "linked", "linked", "linked"]
    links = plan.rows("links")
    assert len(links) == 3 and {link["kind"] for link in links} == {"transit"}
    assert all(link["width_m"] == pytest.approx(1.2, abs=0.005) for link in links)
    assert {zone["reached_by"] for zone in plan.rows("zones")[1:]} <= {link["link_id"] for link in links}
    (cross,) = plan.select("hand_mow", reason="narrow")
    assert cross["area_m2"] == pytest.approx(2 * 16 * 1.2 - 1.2**2, rel=0.03)
