"""Overrides, reconciling and breaks on a planned sample parcel."""

import csv
import importlib.util
import sys
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
import typer
from shapely import Point
from typer.testing import CliRunner

from lawngis.errors import LayerError
from lawngis.mower import built_in_profile
from lawngis.processing.as_built.faults import FaultReadings, fault_point
from lawngis.processing.as_built.laid_wire import ReconcileOptions
from lawngis.processing.as_built.planned_wire import planned_wires
from lawngis.processing.as_built.reconcile import reconciled, write_record
from lawngis.processing.as_built.tracks import Track, Walk, read_track
from lawngis.processing.cli import visit
from lawngis.processing.files import gpkg, plan_reader
from lawngis.processing.measured.overrides import Override, read_overrides, refuse_strangers
from lawngis.processing.measured.site_facts import measured_site
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.step import loaded_steps
from lawngis.processing.model.tables import table
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, ordered, planned

ROOT = Path(__file__).parents[3]
MOWER = built_in_profile()


def walks():
    spec = importlib.util.spec_from_file_location("simulated_walks_too", ROOT / "tests" / "record" / "walks.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["simulated_walks_too"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def source():
    return SiteSource(site_files(ROOT / "sample_parcels"))


@pytest.fixture(scope="module")
def until():
    """Plan a parcel with overrides as far as a step."""

    def run(source, parcel_id, step, *overrides):
        steps = ordered(loaded_steps()[0].values())
        upto = [item.id for item in steps].index(step) + 1
        return planned(source.site(parcel_id), steps[:upto], Settings(MOWER, overrides=overrides)).plan

    return run


@pytest.fixture(scope="module")
def plan_file(source, tmp_path_factory):
    steps = ordered(loaded_steps()[0].values())
    site = source.site("P04")
    plan = planned(site, steps, Settings(MOWER)).plan
    tables = {}
    for name, spec in PLAN_LAYERS.items():
        rows = plan.rows(name)
        if spec.geometry and rows:
            moved = site.frame.to_source([row["geometry"] for row in rows])
            rows = [{**row, "geometry": geometry} for row, geometry in zip(rows, moved, strict=True)]
        tables[name] = table(spec, rows, source.crs if spec.geometry else None)
    path = tmp_path_factory.mktemp("plan") / "plan.gpkg"
    return gpkg.write_plan(path, tables, tuple(PLAN_LAYERS.values()), crs=source.crs)


def findings(plan, code):
    return [item for _, item in plan.findings if item.code == code]


def test_a_measured_width_decides_what_the_passage_is_and_so_how_its_zone_is_reached(source, until):
    plain = until(source, "P05", "zones")
    assert [link["kind"] for link in plain.rows("links")] == ["blocked"]
    plan = until(source, "P05", "zones", Override("links", "P05-P1", "width_m", "1.20", "tape"))
    (link,) = plan.rows("links")
    assert (link["kind"], link["width_m"]) == ("transit", 1.2)
    assert sorted(zone["role"] for zone in plan.rows("zones")) == ["home", "linked"]
    assert {zone["loop_id"] for zone in plan.rows("zones")} == {"P05-L1"}
    said = findings(plan, "override-applied")[0].values
    assert (round(said["before"], 2), said["after"], said["note"]) == (0.6, 1.2, "tape")
    assert findings(plan, "override-contradicts")
    assert len(findings(plan, "override-decides")) == 3  # its ground is widened, the passage open, the zone linked


def test_a_measured_width_can_cut_a_zone_off(source, until):
    plan = until(source, "P04", "zones", Override("links", "P04-P1", "width_m", "0,7"))
    roles = {zone["zone_id"]: zone["role"] for zone in plan.rows("zones")}
    assert sorted(roles.values()) == ["detached", "home"]
    assert len({zone["loop_id"] for zone in plan.rows("zones")}) == 2


def test_an_edge_seen_on_site_gets_its_setback(source, until):
    plan = until(source, "P04", "edges", Override("edges", "P04-E1", "edge_class", "water"))
    edge = next(row for row in plan.rows("edges") if row["edge_id"] == "P04-E1")
    assert edge["setback_m"] == MOWER.setback_m.water
    assert edge["confidence"] == 1.0


def test_a_feature_that_is_gone_is_gone_before_the_first_step_and_an_outlet_stands_where_it_was_found(source):
    site = source.site("P01")
    house = site.geometries("buildings")[0]
    outlet = site.geometries("outlets")[0]
    found, told = measured_site(
        site,
        [
            Override("buildings", "", "gone", "true", place=house.representative_point()),
            Override("outlets", "", "geometry", "", place=Point(outlet.x + 1.5, outlet.y)),
        ],
    )
    assert house not in found.geometries("buildings")
    assert len(found.geometries("buildings")) == len(site.geometries("buildings")) - 1
    assert found.geometries("outlets")[0].x == pytest.approx(outlet.x + 1.5)
    assert site.geometries("outlets")[0] == outlet  # the site itself is as it was
    assert [item.code for item in told] == ["override-applied"] * 2
    assert told[1].values["moved_m"] == pytest.approx(1.5)


def test_an_override_without_a_target_stops_the_plan_and_names_the_nearest(source, until):
    plan = until(source, "P05", "zones", Override("links", "P05-P9", "width_m", "1.20"))
    (finding,) = findings(plan, "override-no-target")
    assert finding.severity == "stop"
    assert "P05-P1" in {values["feature_id"] for _, values in finding.values["nearest"]}
    with pytest.raises(LayerError, match=r"no parcel begins that name.*P05"):
        refuse_strangers([Override("links", "P5-P1", "width_m", "1.2")], ["P05", "Q9"])


def test_overrides_are_read_with_or_without_places_and_checked(tmp_path):
    frame = geopandas.GeoDataFrame(
        {"target_layer": ["links"], "target_id": ["P05-P1"], "column": ["width_m"], "value": ["1.2"], "note": [None]},
        geometry=[Point(1, 2)],
        crs="EPSG:25832",
    )
    frame.to_file(tmp_path / "a.gpkg", layer="overrides")
    (item,) = read_overrides(tmp_path / "a.gpkg")
    assert (item.target_id, item.value, item.note, item.place) == ("P05-P1", "1.2", "", Point(1, 2))
    frame.assign(column="width").to_file(tmp_path / "b.gpkg", layer="overrides")
    with pytest.raises(LayerError, match=r"row 1.*'width' is no column of links"):
        read_overrides(tmp_path / "b.gpkg")
    frame.assign(target_layer="findings").to_file(tmp_path / "c.gpkg", layer="overrides")
    with pytest.raises(LayerError, match="told, not measured"):
        read_overrides(tmp_path / "c.gpkg")


def walked(plan_file, noise, **truth):
    plan = plan_reader.plan_file(plan_file)
    (wire,), crs = planned_wires(plan), plan.crs
    simulated = walks()
    loop = simulated.PlannedLoop(wire.xy, wire.chainage, list(wire.islands))
    xy = simulated.laid_otherwise(loop, **{key: {wire.islands[0].name} for key in truth})
    track = simulated.walk(xy, simulated.Receiver(noise), seed=2)
    return wire.frame.coordinates_in(crs, track), crs, wire


def test_an_island_laid_the_wrong_way_round_is_found_and_the_record_kept(plan_file, tmp_path):
    xy, crs, wire = walked(plan_file, 0.02, wrong_way=True)
    found = reconciled(plan_file, Track([Walk(xy, crs, None, 0.02)]), ReconcileOptions(depth_m=0.05))
    assert [row["code"] for row in found.rows["laid_findings"] if row["severity"] == "stop"] == ["island-wrong-way"]
    write_record(tmp_path / "record.gpkg", found)
    laid = gpkg.read_layer(tmp_path / "record.gpkg", "as_laid")
    assert laid["laid_m"].iloc[0] == pytest.approx(wire.planned_m, abs=1.0)
    strip = gpkg.read_layer(tmp_path / "record.gpkg", "wire_to_protect")
    assert strip["depth_m"].iloc[0] == 0.05
    assert strip.geometry.iloc[0].contains(laid.geometry.iloc[0])
    joints = gpkg.read_layer(tmp_path / "record.gpkg", "as_laid_points")
    assert (joints["kind"] == "joint").any()


def test_a_missing_island_shortens_the_wire_and_lowers_the_price(plan_file):
    xy, crs, wire = walked(plan_file, 0.02, missing=True)
    found = reconciled(plan_file, Track([Walk(xy, crs)]))
    (row,) = found.rows["as_laid"]
    island = wire.islands[0]
    assert row["laid_m"] - row["planned_m"] == pytest.approx(island.lead_from_m - island.lead_to_m, abs=0.5)
    change = {item["item"]: item for item in found.rows["price_change"]}
    price = change["boundary wire"]["unit_price"]
    assert change["boundary wire"]["amount_change"] == pytest.approx(price * (row["laid_m"] - row["planned_m"]))


def test_tracks_of_every_kind_give_the_same_walk(plan_file, tmp_path):
    xy, crs, _ = walked(plan_file, 0.02)
    points = geopandas.GeoDataFrame({"note": [""] * len(xy)}, geometry=shapely.points(xy), crs=crs)
    points.to_file(tmp_path / "walk.gpkg")
    degrees = points.to_crs(4326)
    degrees[["geometry"]].to_file(tmp_path / "walk.gpx", driver="GPX")
    line = geopandas.GeoDataFrame(geometry=[shapely.linestrings(shapely.get_coordinates(degrees.geometry))], crs=4326)
    line.to_file(tmp_path / "walk.geojson", driver="GeoJSON")
    with (tmp_path / "walk.csv").open("w", newline="") as file:
        writer = csv.writer(file, delimiter=";")
        writer.writerows([("Lon", "Lat"), *shapely.get_coordinates(degrees.geometry).tolist()])
    lengths = []
    for name in ("walk.gpkg", "walk.geojson", "walk.csv"):
        found = reconciled(plan_file, read_track(tmp_path / name))
        lengths.append(found.rows["as_laid"][0]["laid_m"])
    assert lengths == pytest.approx([lengths[0]] * 3, abs=0.01)


def test_readings_by_tape_say_where_the_wire_lies_off(plan_file, tmp_path):
    (tmp_path / "tape.csv").write_text("chainage_m,left_m\n20,0.5\n21,0.5\n22,0.5\n23,0.5\n")
    found = reconciled(plan_file, read_track(tmp_path / "tape.csv"))
    off = [row for row in found.rows["as_laid_runs"] if row["state"] == "off_plan"]
    assert off[0]["left_m"] == pytest.approx(0.5)
    assert 17 < off[0]["from_m"] < off[0]["to_m"] < 27


def test_a_track_from_elsewhere_is_refused(plan_file):
    _, crs, _ = walked(plan_file, 0.02)
    with pytest.raises(LayerError, match="from the nearest loop"):
        reconciled(plan_file, Track([Walk(np.arange(20.0).reshape(10, 2), crs)]))


def test_where_to_dig_lies_on_the_laid_wire_at_that_distance(plan_file, tmp_path):
    xy, crs, _ = walked(plan_file, 0.02)
    write_record(tmp_path / "record.gpkg", reconciled(plan_file, Track([Walk(xy, crs)])))
    laid = gpkg.read_layer(tmp_path / "record.gpkg", "as_laid")
    found = fault_point(tmp_path / "record.gpkg", None, FaultReadings(start_ohm=0.98, section_mm2=0.75))
    assert found.place.chainage_m == pytest.approx(0.98 / 24.5 * 1000, abs=1.0)  # IEC 60228, 24.5 ohm/km
    assert laid.geometry.iloc[0].distance(found.point) < 0.01


def test_the_commands_take_a_receivers_file_and_say_where_to_dig(plan_file, tmp_path):
    xy, crs, _ = walked(plan_file, 0.02)
    degrees = shapely.get_coordinates(geopandas.GeoSeries(shapely.points(xy), crs=crs).to_crs(4326).to_numpy())
    time = "<time>2026-05-04T08:00:00Z</time>"
    points = "".join(f'<trkpt lat="{y:.9f}" lon="{x:.9f}">{time}</trkpt>' for x, y in degrees)
    (tmp_path / "walk.gpx").write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk><trkseg>{points}</trkseg></trk></gpx>"
    )
    app = typer.Typer()
    app.command()(visit.reconcile)
    app.command()(visit.fault)
    words = [str(plan_file), str(tmp_path / "walk.gpx"), "--out", str(tmp_path / "out"), "--accuracy", "0.02"]
    outcome = CliRunner().invoke(app, ["reconcile", *words])
    assert outcome.exit_code == 0, outcome.output
    assert "1 loop; record:" in outcome.output
    record = tmp_path / "out" / "record.gpkg"
    laid = gpkg.read_layer(record, "as_laid")
    assert laid["date"].iloc[0].replace("/", "-") == "2026-05-04"
    dug = CliRunner().invoke(app, ["fault", str(record), "--from-start", "30", "--from-end", "127"])
    assert "dig at 29.8" in dug.output or "dig at 30" in dug.output or "dig at 29" in dug.output, dug.output
