"""Overrides: what somebody measured wins, through the real command and law by law."""

import shutil
from dataclasses import replace
from pathlib import Path

import geopandas
import pytest
import shapely
from pyproj import CRS
from shapely import LineString, Point, box

from lawngis.errors import LayerError
from lawngis.mower import built_in_profile
from lawngis.processing.cli.main import main
from lawngis.processing.files import gpkg
from lawngis.processing.measured.overrides import (
    Measured,
    Override,
    own_overrides,
    read_overrides,
    refuse_strangers,
    site_with,
    step_result_with,
)
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.plan import Finding, StepResult, VisitCheck
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource

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
    assert "nearest are P05-P1" in missed["text"]
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


def lawns(*areas, roles=("home", "linked", "linked", "linked"), widths=(), kinds=()):
    """A result of the step zones: squares in a row, 10 m apart, each linked with the next."""
    zones, links = [], []
    for number, (area, role) in enumerate(zip(areas, roles, strict=False), start=1):
        shape = box(30 * number, 0, 30 * number + area / 10, 10)
        supply = {"home": "own_dock", "linked": "main_wire"}.get(role, "own_source")
        loop = f"P4-L{number}" if role == "detached" else "P4-L1"
        zones.append(
            {"zone_id": f"P4-Z{number}", "role": role, "area_m2": float(area), "perimeter_m": 40.0, "loop_id": loop,
             "slope_p95_percent": 5.0, "slope_max_percent": 9.0, "reached_by": None, "supply": supply,
             "supply_why": "", "geometry": shape}
        )  # fmt: skip
    for number, (width, kind) in enumerate(zip(widths, kinds, strict=True), start=1):
        line = LineString([(30 * number + 10, 5), (30 * number + 30, 5)])
        links.append(
            {"link_id": f"P4-P{number}", "zone_a": f"P4-Z{number}", "zone_b": f"P4-Z{number + 1}", "kind": kind,
             "width_m": width, "width_sd_m": 0.14, "surface": "lawn", "length_m": 20.0, "geometry": line}
        )  # fmt: skip
    return StepResult({"zones": zones, "links": links, "hand_mow": []})


def test_leaving_out_the_middle_zone_parts_those_behind_it():
    result = lawns(300, 100, 80, widths=(1.2, 1.2), kinds=("transit", "transit"))
    check = VisitCheck("width", "tape", "much", Point(50, 5), target_layer="links", target_id="P4-P1")
    found, told = step_result_with(
        replace(result, checks=[check]), [Override("zones", "P4-Z2", "gone", "", "a wedding")], MOWER
    )
    roles = {zone["zone_id"]: (zone["role"], zone["supply"]) for zone in found.layers["zones"]}
    assert roles["P4-Z1"] == ("home", "own_dock")
    assert roles["P4-Z3"][0] == "detached"
    assert found.layers["links"] == []
    assert found.checks == []
    (by_hand,) = found.layers["hand_mow"]
    assert (by_hand["area_id"], by_hand["reason"], by_hand["area_m2"]) == ("P4-H1", "left_out", 100.0)
    assert "P4-Z2 is left out (a wedding)" in told[0].text


def test_leaving_out_the_home_zone_makes_the_next_largest_the_home():
    result = lawns(300, 100, 80, widths=(1.2, 1.2), kinds=("transit", "transit"))
    found, _ = step_result_with(result, [Override("zones", "P4-Z1", "gone", "")], MOWER)
    zones = {zone["zone_id"]: zone for zone in found.layers["zones"]}
    assert (zones["P4-Z2"]["role"], zones["P4-Z2"]["supply"]) == ("home", "own_dock")
    assert (zones["P4-Z3"]["role"], zones["P4-Z3"]["reached_by"]) == ("linked", "P4-P2")
    assert {zone["loop_id"] for zone in zones.values()} == {"P4-L1"}


def test_leaving_out_all_zones_leaves_everything_to_hand():
    found, _ = step_result_with(lawns(300), [Override("zones", "P4-Z1", "gone", "")], MOWER)
    assert found.layers["zones"] == []
    assert [row["reason"] for row in found.layers["hand_mow"]] == ["left_out"]


def test_a_kind_that_somebody_saw_stays_whatever_the_width():
    result = lawns(300, 100, widths=(2.0,), kinds=("open",))
    found, told = step_result_with(result, [Override("links", "P4-P1", "kind", "blocked", "a gate")], MOWER)
    assert found.layers["links"][0]["kind"] == "blocked"
    assert [zone["role"] for zone in found.layers["zones"]] == ["home", "detached"]
    assert any("P4-Z2 is detached" in item.text for item in told)


def test_an_answered_check_is_settled_and_stale_findings_go():
    result = lawns(300, 100, roles=("home", "detached"), widths=(0.6,), kinds=("blocked",))
    stale = [
        Finding("info", "passage-blocked", "too narrow", "", Point(50, 5)),
        Finding("info", "zone-detached", "not reached", "", Point(65, 5)),
        Finding("info", "zone-detached", "another one", "", Point(200, 5)),
    ]
    checks = [VisitCheck("width", "tape", "much", Point(50, 5), target_layer="links", target_id=name,
                         target_column="width_m") for name in ("P4-P1", "P4-P2")]  # fmt: skip
    found, _ = step_result_with(
        replace(result, findings=stale, checks=checks), [Override("links", "P4-P1", "width_m", "1.3")], MOWER
    )
    assert [item.text for item in found.findings] == ["another one"]
    assert [item.target_id for item in found.checks] == ["P4-P2"]


def test_a_zone_measured_too_steep_is_mown_by_hand_and_one_steep_somewhere_is_asked_about():
    steep = [Override("zones", "P4-Z2", "slope_p95_percent", "41")]
    found, told = step_result_with(lawns(300, 100, widths=(1.2,), kinds=("transit",)), steep, MOWER)
    assert [zone["zone_id"] for zone in found.layers["zones"]] == ["P4-Z1"]
    assert [row["reason"] for row in found.layers["hand_mow"]] == ["steep"]
    assert any("41 % measured are more than the limit of 35 %" in item.text for item in told)
    somewhere = [Override("zones", "P4-Z2", "slope_max_percent", "41")]
    found, told = step_result_with(lawns(300, 100, widths=(1.2,), kinds=("transit",)), somewhere, MOWER)
    assert len(found.layers["zones"]) == 2
    (caution,) = [item for item in told if item.severity == "caution"]
    assert "target_layer keepouts, column slope_percent" in caution.advice


def test_where_a_name_has_shifted_the_place_decides():
    result = lawns(300, 100, 80, widths=(1.2, 1.2), kinds=("transit", "transit"))
    shifted = Override("links", "P4-P1", "width_m", "1.0", "", Point(80, 5))  # that is where P4-P2 lies
    found, told = step_result_with(result, [shifted], MOWER)
    assert [link["width_m"] for link in found.layers["links"]] == [1.2, 1.0]
    assert [item.code for item in told if item.severity == "caution"] == ["override-renamed"]


def docks(*slopes, failed=(), chosen=0):
    rows = [
        {"candidate_id": f"P4-D{number}", "zone_id": "P4-Z1", "rank": number, "score": 1.0 - number / 10,
         "chosen": number == chosen + 1, "feasible": number - 1 not in failed, "slope_percent": slope,
         "failed": "straight wire ahead 0.2 m is under 2.0 m" if number - 1 in failed else None,
         "geometry": Point(number, 0)}
        for number, slope in enumerate(slopes, start=1)
    ]  # fmt: skip
    return StepResult({"dock_candidates": rows})


def chosen_of(result):
    return [row["candidate_id"] for row in result.layers["dock_candidates"] if row["chosen"]]


def test_a_dock_whose_ground_was_measured_too_steep_gives_way_to_the_next_best():
    found, told = step_result_with(
        docks(1.0, 2.0, 1.0, failed=(1,)), [Override("dock_candidates", "P4-D1", "slope_percent", "8")], MOWER
    )
    assert chosen_of(found) == ["P4-D3"]
    first = found.layers["dock_candidates"][0]
    assert (first["feasible"], first["failed"]) == (False, "slope of the pad 8.0 % is over 5.0 %")
    assert any("P4-D3 is the dock by what was measured" in item.text for item in told)


def test_a_dock_on_ground_measured_level_is_feasible_again():
    result = docks(9.0, 2.0, chosen=1)
    result.layers["dock_candidates"][0] |= {"feasible": False, "failed": "slope of the pad 9.0 % is over 5.0 %"}
    found, _ = step_result_with(result, [Override("dock_candidates", "P4-D1", "slope_percent", "3")], MOWER)
    assert found.layers["dock_candidates"][0]["feasible"]
    assert found.layers["dock_candidates"][0]["failed"] is None
    assert chosen_of(found) == ["P4-D2"]  # nobody asked for another place: a better score is no reason to move it


def test_a_forced_dock_stays_and_what_it_misses_is_said():
    forced = [Override("dock_candidates", "P4-D2", "chosen", "true")]
    found, told = step_result_with(docks(1.0, 2.0, failed=(1,)), forced, MOWER)
    assert chosen_of(found) == ["P4-D2"]
    (caution,) = [item for item in told if item.severity == "caution"]
    assert "which misses: straight wire ahead" in caution.text


def test_when_no_place_is_left_the_plan_stops_and_a_refused_place_gives_way():
    steep = [Override("dock_candidates", "P4-D1", "slope_percent", "8")]
    found, told = step_result_with(docks(1.0), steep, MOWER)
    assert chosen_of(found) == ["P4-D1"]
    assert [item.code for item in told if item.severity == "stop"] == ["dock-not-feasible"]
    refused = [Override("dock_candidates", "P4-D1", "chosen", "false")]
    assert chosen_of(step_result_with(docks(1.0, 2.0), refused, MOWER)[0]) == ["P4-D2"]


def test_a_named_steep_keepout_goes_or_stays_by_its_measured_slope():
    rows = [
        {"keepout_id": f"P4-K{number}", "reason": reason, "treatment": "outside", "area_m2": 9.0, "confidence": 0.6,
         "evidence": "terrain model", "geometry": box(0, 9 * number, 3, 9 * number + 3)}
        for number, reason in enumerate(("steep", "steep", "bed"), start=1)
    ]  # fmt: skip
    measured = [
        Override("keepouts", "P4-K1", "slope_percent", "12"),
        Override("keepouts", "P4-K2", "slope_percent", "48", "level"),
        Override("keepouts", "P4-K3", "slope_percent", "12"),
    ]
    found, told = step_result_with(StepResult({"keepouts": rows}), measured, MOWER)
    assert [row["keepout_id"] for row in found.layers["keepouts"]] == ["P4-K2", "P4-K3"]
    assert (found.layers["keepouts"][0]["evidence"], found.layers["keepouts"][0]["confidence"]) == (
        "measured on site: level",
        1.0,
    )
    assert [item.code for item in told] == ["override-applied", "override-applied", "override-contradicts"]


def test_a_measured_slope_and_a_drawn_line_become_part_of_the_site(sample):
    middle = sample.parcel.representative_point()
    items = [
        Override("keepouts", "", "slope_percent", "12 %", "level", middle.buffer(2)),
        Override("wire_path", "", "geometry", "", "", LineString([middle, (middle.x + 3, middle.y)])),
        Override("trees", "", "geometry", "new", "", middle),
    ]
    site, told = site_with(sample, items)
    assert [(slope.percent, round(slope.place.area)) for slope in site.measured_slopes] == [(12.0, 13)]
    assert [line.length for line in site.drawn_wire] == [3.0]
    assert len(site.geometries("trees")) == len(sample.geometries("trees")) + 1
    assert site.layers["trees"]["trunk_diameter_m"].dtype == float
    assert site.layers["trees"]["trunk_diameter_m"].isna().iloc[-1]
    assert [item.code for item in told] == ["override-applied"] * 3
    assert all(item.place is not None for item in told)
    # what is part of the site is not applied again to what steps find
    wire = StepResult({"wire_path": [], "keepouts": []})
    assert step_result_with(wire, Measured(sample, tuple(items)), MOWER)[1] == []


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
    assert own.site is sample
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
    ],
)
def test_overrides_that_say_nothing_are_refused_before_anything_is_planned(tmp_path, row, said):
    put_overrides(tmp_path / "o.gpkg", [row])
    with pytest.raises(LayerError, match=said):
        read_overrides(tmp_path / "o.gpkg")
