"""The record of a laid wire: what it says of changes made in the field, and whether it is good in ten years."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from datetime import UTC, date, datetime, timedelta

import geopandas
import numpy as np
import pytest
import shapely
import typer
from shapely import LineString
from typer.testing import CliRunner

from lawngis import __version__
from lawngis.geometry.lines import line_between
from lawngis.processing.as_built.faults import FaultReadings, fault_point, fault_words
from lawngis.processing.as_built.laid_wire import ReconcileOptions
from lawngis.processing.as_built.layers import ISLAND_VERDICTS, RECORD_LAYERS, RUN_STATES
from lawngis.processing.as_built.reconcile import reconciled, write_record
from lawngis.processing.as_built.tracks import Track, Walk, read_track
from lawngis.processing.cli import visit
from lawngis.processing.files import gpkg
from lawngis.processing.model.text import coordinates_text

SPECS = {spec.name: spec for spec in RECORD_LAYERS}


def codes(found):
    return {row["code"] for row in found.rows["laid_findings"]}


def outside_share(parcel, truth, found):
    """Share of the wire that lies outside of what diggers are told to mind."""
    strip = shapely.union_all([row["geometry"] for row in found.rows["wire_to_protect"]])
    wire = LineString(parcel.wire.frame.coordinates_in(found.crs, truth))
    return wire.difference(strip).length / wire.length


@pytest.mark.parametrize("backwards", [False, True])
@pytest.mark.parametrize("noise", [0.02, 0.3, 1.0])
def test_an_island_added_in_the_field_is_added_wire_nothing_is_cut_short_and_all_of_it_is_protected(
    parcel, noise, backwards
):
    truth = parcel.island_added()
    found = reconciled(parcel.plan, parcel.track(truth, noise, backwards=backwards))
    (row,) = found.rows["as_laid"]
    assert abs(row["laid_m"] - parcel.length_m(truth)) < 2 * row["laid_sd_m"]
    assert parcel.length_m(truth) - row["planned_m"] > 22 > 2 * row["laid_sd_m"]
    assert "wire-added" in codes(found)
    assert not {"shortcut", "laid-elsewhere", "island-missing"} & codes(found)
    assert ("island-added" in codes(found)) == (noise < 1)  # smaller than what a metre of noise shows
    assert {run["state"] for run in found.rows["as_laid_runs"]} <= {"as_planned", "added", "cannot_tell"}
    assert sum(run["laid_m"] for run in found.rows["as_laid_runs"]) == pytest.approx(row["laid_m"])
    assert outside_share(parcel, truth, found) == 0.0
    change = {item["item"]: item for item in found.rows["price_change"]}["boundary wire"]
    assert change["laid"] - change["planned"] == pytest.approx(row["laid_m"] - row["planned_m"])


def test_an_island_added_the_wrong_way_round_stops(parcel):
    found = reconciled(parcel.plan, parcel.track(parcel.island_added(clockwise=False), 0.02))
    (stop,) = (row for row in found.rows["laid_findings"] if row["severity"] == "stop")
    assert stop["code"] == "island-wrong-way"
    assert json.loads(stop["values"])["case"] == "added"
    assert "that was added lies the wrong way round" in stop["text"]


def test_a_moved_island_stops_and_says_how_far(parcel):
    island = parcel.wire.islands[-1]
    ring = line_between(parcel.wire.xy, parcel.wire.chainage, island.ring_from_m, island.ring_to_m)
    foot = line_between(parcel.wire.xy, parcel.wire.chainage, island.lead_from_m, island.lead_to_m)[:1]
    inwards = ring.mean(axis=0) - foot[0]
    beside = np.array([-inwards[1], inwards[0]]) / np.hypot(*inwards)
    moved = np.concatenate([foot, ring + 2.4 * beside, foot])
    truth = parcel.simulated.spliced(parcel.wire.xy, parcel.wire.chainage, island.lead_from_m, island.lead_to_m, moved)
    found = reconciled(parcel.plan, parcel.track(truth, 0.02))
    verdicts = {row["island_id"]: row for row in found.rows["as_laid_islands"]}
    assert verdicts[island.name]["verdict"] == "moved"
    assert verdicts[island.name]["why"] == "it lies 2.4 m from its place"
    (stop,) = [row for row in found.rows["laid_findings"] if row["code"] == "island-moved"]
    said = json.loads(stop["values"])
    assert (stop["severity"], said["island_id"]) == ("stop", island.name)
    assert said["why"] == ["island-beside", {"off_m": pytest.approx(2.4, abs=0.05)}]
    assert stop["text"] == f"island {island.name} was laid beside its place: it lies 2.4 m from its place"
    assert outside_share(parcel, truth, found) == 0.0


@pytest.fixture(scope="module")
def kept(parcel, tmp_path_factory):
    """A record of a receiver's file with times, and that file."""
    folder = tmp_path_factory.mktemp("kept")
    truth = parcel.island_added()
    points, seconds = parcel.simulated.timed_walk(
        truth, parcel.simulated.Receiver(0.02), seed=2, gaps=[parcel.free_share()]
    )
    begun = datetime(2026, 5, 4, 8, tzinfo=UTC)
    frame = geopandas.GeoDataFrame(
        {
            "time": [(begun + timedelta(seconds=float(second))).isoformat() for second in seconds],
            "hrms": np.full(len(points), 0.02),
        },
        geometry=shapely.points(parcel.wire.frame.coordinates_in(parcel.wire.frame.source, points)),
        crs=parcel.wire.frame.source,
    )
    frame.to_file(folder / "walk.gpkg")
    options = ReconcileOptions(instrument="rover, fixed", made_by="A. Surveyor", depth_m=0.05)
    found = reconciled(parcel.plan, read_track(folder / "walk.gpkg"), options)
    write_record(folder / "record.gpkg", found)
    return folder / "record.gpkg", frame, found, truth


def test_the_record_says_of_what_plan_when_how_and_by_whom_it_was_made(parcel, kept):
    facts = gpkg.read_table(kept[0], "record").set_index("key")["value"]
    assert facts["plan sha256"] == hashlib.sha256(parcel.plan.read_bytes()).hexdigest()
    assert facts["plan finished"] == "2026-04-01T12:00:00+00:00"
    assert facts["track sha256"] == hashlib.sha256((kept[0].parent / "walk.gpkg").read_bytes()).hexdigest()
    assert facts["track"] == "walk.gpkg"
    assert facts["lawngis version"] == __version__
    assert facts["option made_by"] == "A. Surveyor"
    assert facts["option instrument"] == "rover, fixed"
    assert datetime.fromisoformat(facts["made"]) <= datetime.now(UTC)
    assert gpkg.read_layer(kept[0], "as_laid")["date"].iloc[0] == "2026-05-04"


def test_the_record_holds_the_walk_itself_and_gives_the_same_again(parcel, kept):
    record, frame, found, _ = kept
    points = gpkg.read_layer(record, "walked_points").sort_values("seq")
    assert shapely.get_coordinates(points.geometry) == pytest.approx(shapely.get_coordinates(frame.geometry), abs=1e-4)
    assert points["time"].tolist() == frame["time"].tolist()
    assert points["accuracy_m"].tolist() == [0.02] * len(frame)
    (walk,) = gpkg.read_layer(record, "walks").itertuples()
    assert (walk.points, walk.accuracy_m, walk.walked, walk.date) == (len(frame), 0.02, "with", "2026-05-04")
    assert 0.01 < walk.noise_m < 0.05
    again = reconciled(parcel.plan, read_track(record), ReconcileOptions(depth_m=0.05))
    for name in ("as_laid", "as_laid_runs", "as_laid_islands"):
        for before, after in zip(found.rows[name], again.rows[name], strict=True):
            assert {key: value for key, value in after.items() if key != "geometry"} == pytest.approx(
                {key: value for key, value in before.items() if key != "geometry"}, abs=1e-3
            )


def test_offsets_below_the_threshold_are_in_the_record(kept):
    offsets = gpkg.read_layer(kept[0], "as_laid_offsets")
    assert len(offsets) > 100
    assert not offsets["claimed"].any()
    assert 0 < offsets["left_m"].abs().max() < 0.1
    assert (offsets["sd_m"] > 0).all()


def test_the_record_opens_drawn_with_no_other_file(kept):
    with closing(sqlite3.connect(kept[0])) as connection:
        rows = connection.execute("SELECT f_table_name, useAsDefault, styleQML, styleSLD FROM layer_styles").fetchall()
    drawn = {name for name, spec in SPECS.items() if spec.geometry}
    assert {row[0] for row in rows} == drawn
    assert all(default and qml.strip() and sld.strip() for _, default, qml, sld in rows)
    for name, values in (("as_laid_runs", RUN_STATES), ("as_laid_islands", ISLAND_VERDICTS)):
        assert [rule.value for rule in SPECS[name].style.rules] == list(values)


def test_where_nobody_walked_the_claim_across_is_as_wide_as_it_is(kept):
    record, _, found, _ = kept
    (unseen,) = (run for run in found.rows["as_laid_runs"] if run["state"] == "not_walked")
    before = sum(run["laid_m"] for run in found.rows["as_laid_runs"] if run["seq"] < unseen["seq"])
    middle, begin = before + unseen["laid_m"] / 2, before - 3.0
    seen = fault_point(record, None, FaultReadings(from_start_m=begin * 1.02))
    wide = fault_point(record, None, FaultReadings(from_start_m=middle * 1.02))
    assert (seen.state, wide.state) == ("as_planned", "not_walked")
    assert 2 * seen.across_sd_m < 0.2
    assert 2 * wide.across_sd_m == pytest.approx(unseen["laid_m"] / 2, rel=0.02)  # as far aside as along
    words = fault_words(record, None, FaultReadings(from_start_m=middle * 1.02))
    assert words.endswith(f"{2 * wide.across_sd_m:.2f} m, as nobody walked there")
    wider = [row for row in found.rows["wire_to_protect"] if row["warning"].startswith("Nobody walked along here")]
    assert [row["buffer_m"] for row in wider] == [pytest.approx(0.5 + unseen["laid_m"] / 2, rel=0.05)]


def test_places_are_said_to_a_centimetre(kept):
    found = fault_point(kept[0], None, FaultReadings(from_start_m=30.0))
    words = fault_words(kept[0], None, FaultReadings(from_start_m=30.0))
    assert f"at {found.point.x:.2f} {found.point.y:.2f};" in words
    assert coordinates_text(found.point.x, found.point.y, found.crs) in words


def test_resistances_from_both_ends_need_no_section_and_no_weather(kept):
    both = [
        fault_point(kept[0], None, FaultReadings(start_ohm=1.5, end_ohm=2.6, temperature_c=warm, leads_ohm=0.1))
        for warm in (None, 15.0)
    ]
    assert both[0].place == both[1].place
    total = gpkg.read_layer(kept[0], "as_laid")["laid_m"].iloc[0]
    assert both[0].place.chainage_m == pytest.approx(total * 1.4 / 3.9)


def test_a_day_by_hand_counts_and_none_is_said(parcel):
    walk = parcel.walk(parcel.wire.xy, 0.02)
    undated = Track([Walk(walk.xy, walk.crs, None, 0.02)])
    assert "date-unknown" in codes(reconciled(parcel.plan, undated))
    by_hand = reconciled(parcel.plan, undated, ReconcileOptions(walked=date(2026, 5, 6)))
    assert "date-unknown" not in codes(by_hand)
    assert by_hand.rows["as_laid"][0]["date"] == "2026-05-06"


def test_segments_of_a_receivers_file_are_walks_of_their_own(parcel, tmp_path):
    one, two = (parcel.walk(parcel.wire.xy, 0.02, backwards=turned) for turned in (False, True))
    parts = []
    for walk, day in ((one, "04"), (two, "05")):
        degrees = geopandas.GeoSeries(shapely.points(walk.xy), crs=walk.crs).to_crs(4326)
        times = [f"2026-05-{day}T08:{row // 60:02}:{row % 60:02}Z" for row in range(len(degrees))]
        points = [
            f'<trkpt lat="{point.y:.9f}" lon="{point.x:.9f}"><time>{time}</time></trkpt>'
            for point, time in zip(degrees, times, strict=True)
        ]
        parts.append(f"<trkseg>{''.join(points)}</trkseg>")
    (tmp_path / "walk.gpx").write_text(
        '<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<trk>{''.join(parts)}</trk></gpx>"
    )
    track = read_track(tmp_path / "walk.gpx")
    assert [walk.date for walk in track.walks] == ["2026-05-04", "2026-05-05"]
    assert track.walks[0].time_s[-1] == len(one.xy) - 1
    found = reconciled(parcel.plan, track, ReconcileOptions(accuracy_m=0.02))
    assert [row["walked"] for row in found.rows["walks"]] == ["with", "against"]
    assert [row["accuracy_m"] for row in found.rows["walks"]] == [0.02, 0.02]
    (row,) = found.rows["as_laid"]
    assert row["laid_m"] == pytest.approx(row["planned_m"], abs=2 * row["laid_sd_m"])
    assert row["walked_share"] == 1.0


@pytest.mark.parametrize(
    ("written", "day"),
    [("2026/05/04 08:00:00", "2026-05-04"), ("2026-05-04T23:30:00+02:00", "2026-05-04"), ("04.05.2026", None)],
)
def test_days_are_read_when_the_year_comes_first(tmp_path, written, day):
    rows = "\n".join(f"{x},0,{written}" for x in range(5))
    (tmp_path / "walk.csv").write_text(f"x,y,time\n{rows}\n")
    (walk,) = read_track(tmp_path / "walk.csv").walks
    assert walk.date == day


def test_the_commands_keep_who_walked_when_with_what(parcel, tmp_path):
    walk = parcel.walk(parcel.wire.xy, 0.02)
    geopandas.GeoDataFrame(geometry=shapely.points(walk.xy), crs=walk.crs).to_file(tmp_path / "walk.gpkg")
    app = typer.Typer()
    app.command()(visit.reconcile)
    app.command()(visit.fault)
    words = ["reconcile", str(parcel.plan), str(tmp_path / "walk.gpkg"), "--out", str(tmp_path)]
    told = [*words, "--walked", "2026-05-06", "--instrument", "rover", "--by", "A. Surveyor"]
    outcome = CliRunner().invoke(app, told)
    assert outcome.exit_code == 0, outcome.output
    assert "nobody says when" not in outcome.output
    facts = gpkg.read_table(tmp_path / "record.gpkg", "record").set_index("key")["value"]
    assert (facts["option walked"], facts["option instrument"]) == ("2026-05-06", "rover")
    assert CliRunner().invoke(app, [*words, "--walked", "6.5.2026"]).exit_code == 2
    measured = ["--start-ohm", "1.3", "--leads-ohm", "0.2", "--temperature", "12", "--section", "0.75"]
    dug = CliRunner().invoke(app, ["fault", str(tmp_path / "record.gpkg"), *measured])
    # 1.1 ohm / (24.5 ohm/km * (1 - 0.00393 * 8)) = 46.35 m of wire; 2 % in hand: 45.45 m of ground.
    assert "dig at 45.4 m" in dug.output, dug.output
