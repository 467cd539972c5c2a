"""Overrides: what somebody measured wins, through the real command and law by law."""

import shutil
import sys
from dataclasses import replace
from pathlib import Path

import geopandas
import pytest
import shapely
from pyproj import CRS
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import all_steps, site_of, steps_until

from lawngis.errors import LayerError
from lawngis.mower import built_in_profile
from lawngis.processing.cli.main import main
from lawngis.processing.files import gpkg
from lawngis.processing.measured.overrides import (
    Override,
    own_overrides,
    read_overrides,
    refuse_strangers,
    typed_value,
)
from lawngis.processing.measured.site_facts import measured_site
from lawngis.processing.model.facts import FACT_KINDS
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, planned

ROOT = Path(__file__).parents[3]
MOWER = built_in_profile()
UTM = CRS(32632)

DRAWN = LineString([(561425.3, 5467240.45), (561426.69, 5467241.02), (561429.09, 5467235.17), (561427.7, 5467234.6)])
OUTLET = Point(561432.5, 5467243.0)
DOCK = Point(561444.4, 5467233.2)
MEASURED = (
    ("barriers", "", "gone", "", Point(561452.28, 5467242.28), "the fence is gone"),
    ("outlets", "", "geometry", "", OUTLET, "it is at the other wall"),
    ("dock_candidates", "", "geometry", "", DOCK, "the owner wants it there"),
    ("wire_path", "", "geometry", "", DRAWN, "round the sandpit"),
    ("edges", "", "edge_class", "raised", Point(561440.035, 5467240.46), "the terrace has a step"),
    ("zones", "P03-Z2", "gone", "", None, "the owner mows the front"),
    ("links", "", "width_m", "0,7", Point(561494.2, 5467271.5), "tape"),
    ("links", "P05-P1", "width_m", "1.20", None, "tape"),
    ("links", "P05-P9", "width_m", "1.20", None, "a slip of the pen"),
    ("outlets", "", "geometry", "new", Point(561499.0, 5467297.6), "found behind the shed"),
)
PARCELS = ("P01", "P03", "P04", "P05", "P09")


def put_overrides(path, rows, crs=UTM):
    names = ("target_layer", "target_id", "column", "value", "note")
    table = {name: [row[index] or None for row in rows] for name, index in zip(names, (0, 1, 2, 3, 5), strict=True)}
    geopandas.GeoDataFrame(table, geometry=[row[4] for row in rows], crs=crs).to_file(path, layer="overrides")


@pytest.fixture(scope="module")
def site_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("measured") / "site"
    shutil.copytree(ROOT / "sample_parcels", folder, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    return folder


@pytest.fixture(scope="module")
def plan(site_folder):
    """The plan of five sample parcels with everything measured, by layer."""
    put_overrides(site_folder / "overrides.gpkg", MEASURED)
    out = site_folder.parent / "plan"
    words = [word for name in PARCELS for word in ("--parcel", name)]
    assert main(["plan", str(site_folder), "--out", str(out), *words]) == 0
    return {
        name: (gpkg.read_layer if spec.geometry else gpkg.read_table)(out / "plan.gpkg", name)
        for name, spec in PLAN_LAYERS.items()
    }


def of(plan, layer, parcel, **where):
    table = plan[layer][plan[layer]["parcel_id"] == parcel]
    for column, value in where.items():
        table = table[table[column] == value]
    return table


def test_every_override_is_told_as_applied_but_the_one_without_a_target(plan):
    applied = of(plan, "findings", "P01", code="override-applied")["text"]
    assert len(applied) == 5
    for _, _, _, _, _, note in MEASURED[:5]:
        assert applied.str.contains(note, regex=False).sum() == 1
    (missed,) = plan["findings"].query("code == 'override-no-target'").to_dict("records")
    assert missed["severity"] == "stop"
    assert "P05-P9" in missed["text"]
    assert "nearest is P05-P1" in missed["text"]
    assert of(plan, "summary", "P05")["stop_findings"].iloc[0] >= 1


def test_a_fence_that_is_gone_says_nothing_of_the_edge_any_more(plan):
    here = of(plan, "edges", "P01")
    here = here[here.distance(Point(561452.28, 5467242.28)) < 0.5]
    assert len(here) > 0
    assert not here["evidence"].str.contains("fence").any()


def test_the_cable_starts_where_the_outlet_was_found(plan):
    route = of(plan, "supply_route", "P01").geometry.iloc[0]
    assert shapely.get_point(route, 0).distance(OUTLET) < 0.3


def test_the_dock_stands_where_it_was_forced_and_the_wire_starts_there(plan):
    (dock,) = of(plan, "dock_candidates", "P01", chosen=True).itertuples()
    assert dock.geometry.distance(DOCK) < 0.5
    wire = of(plan, "wire_path", "P01").geometry.iloc[0]
    assert shapely.get_point(wire, 0).distance(dock.geometry) < 0.01


def test_the_wire_follows_the_line_that_was_drawn(plan):
    wire = of(plan, "wire_path", "P01").geometry.iloc[0]
    middle = shapely.line_interpolate_point(DRAWN, 0.5, normalized=True)
    assert wire.distance(middle) < 0.15
    assert len(of(plan, "findings", "P01", code="drawn-wire-missed")) == 0


def test_an_edge_seen_as_raised_gets_its_setback_and_what_the_map_said_is_told(plan):
    here = of(plan, "edges", "P01")
    edge = here.loc[here.distance(Point(561440.035, 5467240.46)).idxmin()]
    assert (edge["edge_class"], edge["setback_m"]) == ("raised", MOWER.setback_m.raised)
    assert edge["evidence"] == "measured on site: the terrace has a step"
    told = of(plan, "findings", "P01", code="override-contradicts")["text"]
    assert told.str.contains("seen as raised on site, but flush terrace beyond said flush").sum() == 1


def test_a_zone_left_out_is_mown_by_hand_without_wire_dock_or_hours(plan, site_folder):
    assert of(plan, "zones", "P03")["zone_id"].tolist() == ["P03-Z1"]
    (left_out,) = of(plan, "hand_mow", "P03", reason="left_out").itertuples()
    assert left_out.area_m2 == pytest.approx(201.3, abs=1.0)
    assert of(plan, "wire_path", "P03")["loop_id"].tolist() == ["P03-L1"]
    assert not of(plan, "wire_path", "P03").intersects(left_out.geometry.buffer(-0.1)).any()
    assert set(of(plan, "schedule", "P03")["zone_id"]) == {"P03-Z1"}
    assert set(of(plan, "dock_candidates", "P03")["zone_id"]) == {"P03-Z1"}
    assert len(of(plan, "findings", "P03", code="zone-detached")) == 0
    # zones, hand_mow and islands still add up to the lawn (rule 10)
    lawn = shapely.union_all(of(plan, "lawn", "P03").geometry)
    kept_out = shapely.union_all(of(plan, "keepouts", "P03").query("treatment != 'bump'").geometry)
    ground = lawn.difference(kept_out).area
    parts = of(plan, "zones", "P03").geometry.area.sum() + of(plan, "hand_mow", "P03").geometry.area.sum()
    assert parts == pytest.approx(ground, rel=2e-3)


def test_a_measured_width_links_or_cuts_off_a_zone_with_or_without_a_name(plan):
    assert sorted(of(plan, "zones", "P04")["role"]) == ["detached", "home"]
    assert of(plan, "links", "P04")["kind"].tolist() == ["blocked"]
    assert "override-decides" in set(of(plan, "findings", "P04")["code"])
    detached = of(plan, "findings", "P04", code="zone-detached")["text"].iloc[0]
    assert all(words in detached for words in ("Main wire led around it", "Signal source", "Dock of its own"))
    assert sorted(of(plan, "zones", "P05")["role"]) == ["home", "linked"]
    assert of(plan, "wire_path", "P05")["loop_id"].tolist() == ["P05-L1"]
    assert len(of(plan, "findings", "P05", code="passage-blocked")) == 0
    assert len(of(plan, "findings", "P05", code="zone-detached")) == 0


def test_an_outlet_that_no_map_has_is_where_the_cable_starts(plan):
    (route,) = of(plan, "supply_route", "P09").itertuples()
    assert route.starts_at == "outlet"
    assert shapely.get_point(route.geometry, 0).distance(Point(561499.0, 5467297.6)) < 0.3
    assert len(of(plan, "findings", "P09", code="outlet-assumed")) == 0


# --- law by law ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sample():
    source = SiteSource(site_files(ROOT / "sample_parcels"))
    return source.site("P04")


LARGE, MIDDLE, SMALL = box(0, 0, 20, 15), box(24, 0, 36, 10), box(40, 0, 48, 10)
"""300, 120 and 80 m²; one charge mows 106."""


def in_a_row(*widths, gap_m=4.0):
    """Lawns in a row, each with a passage of a width to the next."""
    passages = [
        box(x, 5 - width / 2, x + gap_m, 5 + width / 2) for x, width in zip((20, 36), widths, strict=False) if width
    ]
    return shapely.union_all([LARGE, MIDDLE, *([SMALL] if len(widths) > 1 else []), *passages])


def found(lawn, *overrides, mower=MOWER, until="zones", **parameters):
    """The plan of lawns on level ground as far as a step, with what was measured."""
    plan = planned(site_of(lawn), steps_until(until), Settings(mower, parameters, overrides)).plan
    plan.close()
    return plan


def told(plan, code):
    return [row for row in plan.rows("findings") if row["code"] == code]


def zones(plan):
    return {zone["zone_id"]: zone for zone in plan.rows("zones")}


def checks(plan, layer):
    return [row for row in plan.rows("visit_checks") if row["target_layer"] == layer]


def test_leaving_out_the_middle_zone_parts_those_behind_it_and_renames_none():
    assert checks(found(in_a_row(1.0, 1.0)), "links")
    plan = found(in_a_row(1.0, 1.0), Override("zones", "P1-Z2", "gone", "", "a wedding"))
    assert {name: (zone["role"], zone["supply"]) for name, zone in zones(plan).items()} == {
        "P1-Z1": ("home", "own_dock"),
        "P1-Z3": ("detached", "main_wire"),
    }
    assert plan.rows("links") == [] and checks(plan, "links") == []
    (by_hand,) = plan.select("hand_mow", reason="left_out")
    assert by_hand["area_m2"] == pytest.approx(120.0)
    assert "P1-Z2 is left out (a wedding)" in told(plan, "override-applied")[0]["text"]


def test_leaving_out_the_home_zone_makes_the_next_largest_the_home():
    plan = found(in_a_row(1.2, 1.2), Override("zones", "P1-Z1", "gone", ""))
    assert (zones(plan)["P1-Z2"]["role"], zones(plan)["P1-Z2"]["supply"]) == ("home", "own_dock")
    assert (zones(plan)["P1-Z3"]["role"], zones(plan)["P1-Z3"]["reached_by"]) == ("linked", "P1-P2")
    assert {zone["loop_id"] for zone in zones(plan).values()} == {"P1-L1"}


def test_leaving_out_all_zones_leaves_everything_to_hand():
    plan = found(LARGE, Override("zones", "P1-Z1", "gone", ""))
    assert plan.rows("zones") == []
    assert [row["reason"] for row in plan.rows("hand_mow")] == ["left_out"]


@pytest.mark.parametrize("width", [[], [Override("links", "P1-P1", "width_m", "1.4")]])
def test_a_kind_that_somebody_saw_stays_whatever_the_width(width):
    plan = found(in_a_row(1.2), Override("links", "P1-P1", "kind", "blocked", "a gate"), *width)
    (link,) = plan.rows("links")
    assert (link["kind"], link["width_m"]) == ("blocked", pytest.approx(1.4 if width else 1.2, abs=0.005))
    assert [zone["role"] for zone in plan.rows("zones")] == ["home", "detached"]
    assert any("P1-Z2 is detached" in row["text"] for row in told(plan, "override-decides"))
    assert "is blocked, wide as it is" in told(plan, "passage-blocked")[0]["text"]


def test_a_passage_that_is_gone_leads_nowhere():
    plan = found(in_a_row(1.2, 1.2), Override("links", "", "gone", "", "a wall", Point(22, 5)))
    assert [link["link_id"] for link in plan.rows("links")] == ["P1-P2"]
    assert [zone["role"] for zone in plan.rows("zones")] == ["home", "detached", "detached"]
    assert zones(plan)["P1-Z3"]["reached_by"] == "P1-P2"


def test_an_answered_check_is_settled_and_all_that_is_said_follows():
    mapped = found(in_a_row(0.85, 0.85))
    assert len(checks(mapped, "links")) == 2 and len(told(mapped, "passage-blocked")) == 2
    plan = found(in_a_row(0.85, 0.85), Override("links", "P1-P1", "width_m", "0.91", "tape"))
    assert [row["target_id"] for row in checks(plan, "links")] == ["P1-P2"]
    assert ["P1-Z3" in row["text"] for row in told(plan, "passage-blocked")] == [True]
    assert ["P1-Z3" in row["text"] for row in told(plan, "zone-detached")] == [True]
    assert [link["width_m"] for link in plan.rows("links")] == [0.91, pytest.approx(0.85, abs=0.005)]
    assert "width_m 0.85 → 0.91 (tape)" in told(plan, "override-applied")[0]["text"]
    assert not told(plan, "override-contradicts"), "the map can't tell the two apart"
    plan = found(in_a_row(0.85), Override("links", "P1-P1", "width_m", "1.3"))
    assert "measured 1.30 m, but the map says 0.85 ± 0.08 m" in told(plan, "override-contradicts")[0]["text"]


def test_a_passage_between_zones_that_no_plan_showed_is_found_by_its_place():
    """With the main wire alone the middle lawn is out of reach, and so is the passage to it not in the plan."""
    mower = MOWER.model_copy(update={"supplies_offered": ("main_wire",)})
    mapped = found(in_a_row(0.7), mower=mower)
    assert mapped.rows("links") == [] and list(zones(mapped)) == ["P1-Z1"]
    plan = found(in_a_row(0.7), Override("links", "", "width_m", "1.1", "", Point(22, 5)), mower=mower)
    assert zones(plan)["P1-Z2"]["reached_by"] == "P1-P1"
    assert any(
        "is linked by what was measured, no longer mown by hand" in row["text"]
        for row in told(plan, "override-decides")
    )


def test_where_a_name_has_shifted_the_place_decides():
    shifted = Override("links", "P1-P1", "width_m", "1.0", "", Point(38, 5))  # that is where P1-P2 lies
    plan = found(in_a_row(1.2, 1.2), shifted)
    assert [link["width_m"] for link in plan.rows("links")] == [pytest.approx(1.2, abs=0.005), 1.0]
    assert told(plan, "override-renamed")


def test_a_fact_without_a_target_is_said_with_the_nearest():
    strangers = [Override("links", "P1-P7", "width_m", "1.0"), Override("edges", "P1-E99", "edge_class", "drop")]
    plan = found(in_a_row(1.2), *strangers, until="edges")
    missed = [row["text"] for row in told(plan, "override-no-target")]
    assert len(missed) == 2 and "nearest is P1-P1" in missed[0] and "nearest are P1-E4" in missed[1]


def test_an_edge_is_what_somebody_saw_and_is_not_asked_about_again():
    plain = found(LARGE, until="edges")
    (edge,) = plain.rows("edges")
    plan = found(LARGE, Override("edges", edge["edge_id"], "edge_class", "drop", "a wall down"), until="edges")
    (seen,) = plan.rows("edges")
    kept_m = MOWER.setback_m.drop + 0.17  # 1.645 times the 0.10 m by which its place is off, up to the centimetre
    assert (edge["edge_class"], seen["edge_class"], seen["setback_m"]) == ("unknown", "drop", pytest.approx(kept_m))
    assert seen["confidence"] == 1.0 and seen["evidence"].startswith("measured on site: a wall down; the heights that")
    assert checks(plain, "edges") and not checks(plan, "edges")
    assert told(plan, "drop-setback")


def docks(plan):
    return {row["candidate_id"]: row for row in plan.rows("dock_candidates")}


def chosen(plan):
    (dock,) = plan.select("dock_candidates", chosen=True)
    return dock


@pytest.fixture(scope="module")
def level():
    return found(LARGE, until="dock")


def test_a_dock_whose_ground_was_measured_too_steep_gives_way_to_the_next_best(level):
    first = chosen(level)
    plan = found(LARGE, Override("dock_candidates", first["candidate_id"], "slope_percent", "8"), until="dock")
    measured = docks(plan)[first["candidate_id"]]
    assert (measured["feasible"], measured["failed"]) == (False, "slope of the pad 8.0 % is over 5.0 %")
    twins = [row for row in plan.rows("dock_candidates") if row["geometry"].dwithin(first["geometry"], 0.01)]
    assert len(twins) == 2 and not any(row["feasible"] for row in twins), "either way round"
    assert chosen(plan)["feasible"] and chosen(plan)["geometry"].distance(first["geometry"]) > 0.3
    plan = found(LARGE, Override("dock_candidates", first["candidate_id"], "slope_percent", "60"), until="dock")
    assert "but the terrain model says 0.0" in told(plan, "override-contradicts")[0]["text"]


def test_a_pads_slope_holds_for_every_pad_that_overlaps_it(level):
    first = chosen(level)
    plan = found(LARGE, Override("dock_candidates", first["candidate_id"], "slope_percent", "7"), until="dock")
    away_m = {name: row["geometry"].distance(first["geometry"]) for name, row in docks(plan).items()}
    near = [docks(plan)[name] for name, metres in away_m.items() if metres < MOWER.dock_pad_length_m / 2]
    beside = [docks(plan)[name] for name, metres in away_m.items() if 0.4 < metres < 0.6]
    assert near and beside and {row["slope_percent"] for row in (*near, *beside)} == {7.0}
    assert {docks(plan)[name]["slope_percent"] for name, metres in away_m.items() if metres > 2} == {0.0}
    assert chosen(plan)["geometry"].distance(first["geometry"]) > MOWER.dock_pad_length_m / 2
    (check,) = checks(plan, "dock_candidates")
    assert check["target_id"] == chosen(plan)["candidate_id"]


def test_the_chosen_dock_is_asked_about_until_it_was_measured_itself(level):
    name = next(name for name, row in docks(level).items() if row["feasible"] and not row["chosen"])
    forced = Override("dock_candidates", name, "chosen", "true")
    (check,) = checks(found(LARGE, forced, until="dock"), "dock_candidates")
    assert check["target_id"] == name
    measured = Override("dock_candidates", name, "slope_percent", "1")
    assert checks(found(LARGE, forced, measured, until="dock"), "dock_candidates") == []


def test_a_dock_on_ground_measured_level_is_feasible_again_and_not_asked_about():
    steep = site_of(LARGE, rise=(0.0, 0.052))  # 5.2 % everywhere, and the limit is 5
    plan = planned(steep, steps_until("dock"), Settings(MOWER)).plan
    plan.close()
    assert told(plan, "dock-not-feasible") and checks(plan, "dock_candidates")
    name = chosen(plan)["candidate_id"]
    measured = [Override("dock_candidates", name, "slope_percent", "5")]  # the limit itself
    plan = planned(steep, steps_until("dock"), Settings(MOWER, {}, tuple(measured))).plan
    plan.close()
    assert chosen(plan)["geometry"].dwithin(docks(plan)[name]["geometry"], 0.01)
    assert chosen(plan)["feasible"] and chosen(plan)["failed"] is None
    assert not told(plan, "dock-not-feasible") and not checks(plan, "dock_candidates")


def test_a_forced_dock_stays_and_what_it_misses_is_said(level):
    name = next(name for name, row in docks(level).items() if "corner" in (row["failed"] or ""))
    plan = found(LARGE, Override("dock_candidates", name, "chosen", "true"), until="dock")
    assert chosen(plan)["candidate_id"] == name
    (caution,) = told(plan, "override-contradicts")
    assert f"{name}, which misses: " in caution["text"] and caution["severity"] == "caution"
    assert not told(plan, "dock-not-feasible")


def test_of_two_docks_that_are_wanted_the_last_counts_and_one_that_is_refused_gives_way(level):
    first = chosen(level)["candidate_id"]
    wanted = [Override("dock_candidates", name, "chosen", "yes") for name in ("P1-D3", "P1-D9")]
    assert chosen(found(LARGE, *wanted, until="dock"))["candidate_id"] == "P1-D9"
    refused = found(LARGE, Override("dock_candidates", first, "chosen", "false"), until="dock")
    assert chosen(refused)["candidate_id"] != first and chosen(refused)["feasible"]


def test_a_piece_of_lawn_is_what_was_drawn_or_none():
    drawn = [Override("lawn", "P1-G1", "geometry", "", "", box(0, 0, 10, 15)), Override("lawn", "P1-G2", "gone", "")]
    plan = found([LARGE, MIDDLE, SMALL], *drawn)
    assert [(row["lawn_id"], round(row["area_m2"])) for row in plan.rows("lawn")] == [("P1-G1", 150), ("P1-G3", 80)]
    assert sorted(round(zone["area_m2"]) for zone in plan.rows("zones")) == [80, 150]


def test_a_measured_slope_a_drawn_line_and_a_new_tree_become_part_of_the_site(sample):
    middle = sample.parcel.representative_point()
    items = [
        Override("keepouts", "", "slope_percent", "12 %", "level", middle.buffer(2)),
        Override("wire_path", "", "geometry", "", "", LineString([middle, (middle.x + 3, middle.y)])),
        Override("trees", "", "geometry", "new", "", middle),
    ]
    site, said = measured_site(sample, items)
    assert [(slope.value, round(slope.place.area)) for slope in site.facts.slopes] == [(12.0, 13)]
    assert [line.length for line in (fact.value for fact in site.facts.wires)] == [3.0]
    assert len(site.geometries("trees")) == len(sample.geometries("trees")) + 1
    assert site.layers["trees"]["trunk_diameter_m"].dtype == float
    assert site.layers["trees"]["trunk_diameter_m"].isna().iloc[-1]
    assert [(item.code, item.place is None) for item in said] == [("override-applied", False)]
    assert not list(sample.facts), "the site itself is as it was"


def test_every_kind_of_fact_is_read_by_a_step():
    read = {name for step in all_steps() for name in step.reads if name.startswith("fact:")}
    assert read == {f"fact:{kind}" for kind in FACT_KINDS}


# --- whose they are --------------------------------------------------------------------------------------


def test_overrides_belong_to_the_parcel_that_they_name_or_lie_on(sample):
    middle = sample.frame.to_source([sample.parcel.representative_point()])[0]
    items = [
        Override("links", "P04-P1", "width_m", "1"),
        Override("links", "P05-P1", "width_m", "1", "", middle, UTM),
        Override("trees", "", "gone", "", "", middle, UTM),
        Override("trees", "", "gone", "", "", Point(0, 0), UTM),
    ]
    beside = sample.frame.to_source([sample.parcel.buffer(2).exterior.interpolate(9)])[0]  # two metres outside
    items += [Override(layer, "", "gone", "", "", beside, UTM) for layer in ("trees", "edges")]
    own = own_overrides(sample, items)
    assert [item.target_layer for item in own] == ["links", "trees", "trees"]
    assert own[1].place.distance(sample.parcel.representative_point()) < 1e-3


def test_overrides_of_no_parcel_are_refused_with_the_nearest():
    outlines = lambda: ([box(0, 0, 20, 20), None, box(500, 0, 520, 20)], CRS(25832))  # noqa: E731
    far = Override("trees", "", "gone", "", "", Point(560, 10), CRS(25832), 3)
    with pytest.raises(LayerError, match=r"override 3 .*nearest parcel, P3, is 40 m from its place"):
        refuse_strangers([far], ["P1", "P2", "P3"], outlines)
    refuse_strangers([far], ["P1", "P2", "P3"])
    with pytest.raises(LayerError, match="is 2 m from its place"):
        refuse_strangers([replace(far, target_layer="edges", place=Point(522, 10))], ["P1", "P2", "P3"], outlines)
    refuse_strangers([replace(far, place=Point(522, 10)), replace(far, target_id="P2")], ["P1", "P2", "P3"], outlines)
    with pytest.raises(LayerError, match=r"no parcel begins that name.*Nearest are P1"):
        refuse_strangers([Override("trees", "P11", "gone", "")], ["P1", "Q9"])


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("wire_path", "", "geometry", "", Point(0, 0), ""), "way is not drawn as a line"),
        (("keepouts", "", "slope_percent", "steep", Point(0, 0), ""), "'steep' is no number"),
        (("zones", "", "slope_percent", "12", Point(0, 0), ""), "no column of zones"),
        (("zones", "", "gone", "", None, ""), "names no feature and has no place"),
        (
            ("links", "P1-P1", "length_m", "12", None, ""),
            r"nothing follows from a measured length_m.*width_m, kind, gone",
        ),
        (("zones", "P1-Z1", "slope_p95_percent", "41", None, ""), r"nothing follows.*keepouts, column slope_percent"),
        (("edges", "P1-E1", "setback_m", "0.5", None, ""), r"nothing follows.*wire_path, column geometry"),
        (("keepouts", "P1-K1", "gone", "", None, ""), r"nothing follows from a measured gone.*trees, beds, water"),
        (("pegs", "", "geometry", "", Point(0, 0), ""), r"'pegs' is told, not measured.*belongs to cover"),
        (("parcels", "P1", "label", "x", None, ""), "nothing follows from a measured label.*complete"),
        (("edges", "P1-E1", "edge_class", "grass", None, ""), r"row 1.*'grass' is none of flush, raised"),
        (("trees", "", "trunk_diameter_m", "thick", Point(0, 0), ""), r"row 1.*'thick' is no number"),
        (("dock_candidates", "P1-D1", "chosen", "perhaps", None, ""), "'perhaps' says neither yes nor no"),
        (("outlets", "P1", "geometry", "", None, ""), "has no place"),
        (("lawn", "", "geometry", "", Point(0, 0), ""), "not drawn as an area"),
    ],
)
def test_overrides_that_say_nothing_are_refused_before_anything_is_planned(tmp_path, row, said):
    put_overrides(tmp_path / "o.gpkg", [row])
    with pytest.raises(LayerError, match=said):
        read_overrides(tmp_path / "o.gpkg")


def test_what_is_said_of_a_whole_parcel_holds_for_no_neighbour():
    """P1 ends at 23 m: who stood 1 m beyond it looked through another parcel, and so did who names one."""
    site = site_of(box(0, 0, 20, 15))
    for name, at, whose in (("", Point(10, 5), True), ("", Point(24, 5), False), ("P2", Point(19, 5), False)):
        said = Override("parcels", name, "complete", "yes", place=at)
        assert bool(own_overrides(site, [said])) is whose
    assert own_overrides(site, [Override("parcels", site.parcel_id, "complete", "yes", place=Point(99, 5))])
    with pytest.raises(LayerError, match="no parcel begins that name"):
        refuse_strangers([Override("parcels", "P77", "complete", "yes", place=Point(10, 5))], ["P1"])


def test_an_answer_left_empty_says_nothing_of_a_whole_parcel():
    with pytest.raises(LayerError, match="neither yes nor no"):
        typed_value(Override("parcels", "P1", "complete", ""))
