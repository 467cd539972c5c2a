"""The command line: quick to start, good to read, quick to stop."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from importlib.metadata import version

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely

from lawngis.processing.cli.main import main

COMMANDS = ("plan", "check", "slope", "deliver", "profiles", "steps", "describe")

LINE = "import sys; from lawngis.processing.cli.main import main; code = main(); "


def process(code, *words, **options):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def test_the_sample_comes_along_and_a_folder_that_holds_something_is_left_alone(lawngis, tmp_path):
    assert lawngis("sample", tmp_path / "s").code == 0
    assert {"estimator.md", "estimator.png", "downloads"} <= {
        file.name for file in (tmp_path / "s" / "walks").iterdir()
    }
    assert not list((tmp_path / "s").rglob("*.py*"))
    assert "12 parcels can be planned" in lawngis("check", tmp_path / "s").out
    again = lawngis("sample", tmp_path / "s")
    assert again.code == 2
    assert "is there already" in again.err
    assert len(list((tmp_path / "s").iterdir())) == 7
    assert [path.name for path in tmp_path.iterdir()] == ["s"]


def test_the_version_is_that_of_the_package(lawngis):
    assert lawngis("--version").out == f"lawngis {version('lawngis')}\n"


def test_help_loads_nothing_heavy():
    heavy = ["numba", "geopandas", "pandas", "rasterio", "fiona", "pyogrio", "scipy", "shapely", "numpy"]
    running = process(LINE + f"print('LOADED', [name for name in {heavy} if name in sys.modules])", "--help")
    out, err = running.communicate(timeout=60)
    assert err == ""
    assert "LOADED []" in out
    for command in COMMANDS:
        assert command in out


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself(lawngis, command):
    outcome = lawngis(command, "--help")
    assert outcome.code == 0
    assert "Usage" in outcome.out
    assert command in outcome.out


def test_no_words_at_all_give_the_help(lawngis):
    outcome = lawngis()
    assert outcome.code == 0
    assert "Usage" in outcome.out


def test_profiles_are_listed_and_printed_as_they_are(lawngis):
    from lawngis.mower import mower_profile, profile_names

    listed = lawngis("profiles").out
    for name in profile_names():
        assert name in listed
        printed = lawngis("profiles", name).out
        assert mower_profile(printed, source="printed").title
    assert lawngis("profiles", "giant").code == 2


def test_steps_are_listed_in_an_order_that_works_and_described(lawngis):
    listed = [line.split()[0] for line in lawngis("steps").out.splitlines()]
    written = set()
    for name in listed:
        described = json.loads(lawngis("describe", name).out)
        assert described["id"] == name
        written |= set(described["outputs"]["out"]["metadata"][0]["value"])
    assert {"lawn", "zones", "wire_path", "summary"} <= written
    assert listed.index("lawn") < listed.index("zones") < listed.index("wire")
    assert "there is no step 'mow'" in lawngis("describe", "mow").said
    assert "--all" in lawngis("describe").said
    assert [one["id"] for one in json.loads(lawngis("describe", "--all").out)["processes"]][-len(listed) :] == listed


def messages_of(outcome):
    return [json.loads(line) for line in outcome.err.splitlines()]


def test_programs_are_told_progress_and_errors_in_json(lawngis, site, tmp_path):
    done = messages_of(lawngis("plan", site, "--out", tmp_path / "out", "--messages", "json"))
    progress = [line for line in done if line["kind"] == "progress"]
    assert [line["step"] for line in progress[:-1]] == [line.split()[0] for line in lawngis("steps").out.splitlines()]
    assert {line["parcel"] for line in progress} == {"P1"}
    assert (progress[-1]["share"], progress[-1]["status"]) == (1, "planned")
    alone = lawngis("run", "lawn", site, tmp_path / "lawn.gpkg", "--messages=json")
    assert [line["share"] for line in messages_of(alone) if line["kind"] == "progress"] == [0, 1]
    sloped = messages_of(lawngis("slope", site / "dem.tif", "--out", tmp_path / "s.tif", "--messages", "json"))
    assert "100 %" in next(line["text"] for line in sloped if line.get("share") == 1)


@pytest.mark.parametrize(
    ("words", "code", "what"),
    [
        (("plan", "nowhere.gpkg", "--out", "p"), "SiteError", "nowhere.gpkg"),
        (("plan", "--wrong"), "UsageError", "--wrong"),
        (("check", "nowhere.gpkg"), "SiteError", "nowhere.gpkg"),
        (("slope", "nowhere.tif", "--out", "s.tif"), "RasterError", "nowhere.tif"),
    ],
)
def test_what_is_wrong_is_told_to_programs_by_its_parts(lawngis, words, code, what):
    (error,) = messages_of(lawngis(*words, "--messages", "json"))
    assert (error["kind"], error["code"]) == ("error", code)
    assert what in error["what"] + " ".join(error["where"])
    assert error["text"].startswith("lawngis: ")


def test_the_table_of_several_parcels(lawngis, build, tmp_path):
    outlines = [build.parcel(), build.block(24, 0, 12, 12), shapely.Polygon()]
    site = build.site(tmp_path / "site", parcels=outlines, ids=["A", "B" * 60, "C"])
    outcome = lawngis("plan", site, "--out", tmp_path / "out")
    assert outcome.code == 1
    head, *rows = outcome.out.splitlines()
    assert head.split()[:2] == ["parcel", "readiness"]
    assert all(len(row) <= 100 for row in (head, *rows[:3]))
    assert rows[0].startswith("A ")
    assert rows[1].startswith("BBB")
    assert "…" in rows[1]
    assert rows[2].split()[:3] == ["C", "not", "planned"]
    assert rows[3] == f"2 planned, 1 failed; plan: {tmp_path / 'out' / 'plan.gpkg'}"
    said = outcome.err.splitlines()
    assert said[0] == "1/3 A: planned"
    assert said[2] == "3/3 C: failed"
    assert said[3].startswith("parcel C failed: ")
    assert list(pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="summary")["parcel_id"]) == [
        "A",
        "B" * 60,
        "C",
    ]


@pytest.mark.slow
def test_two_workers_plan_the_same_as_one(lawngis, build, tmp_path):
    outlines = [build.parcel(), build.block(24, 0, 12, 12), shapely.Polygon()]
    site = build.site(tmp_path / "site", parcels=outlines)
    for workers in (1, 2):
        assert lawngis("plan", site, "--out", tmp_path / str(workers), "--workers", workers).code == 1
    for layer in ("summary", "zones", "wire_path", "pegs", "findings"):
        one, two = (pyogrio.read_dataframe(tmp_path / folder / "plan.gpkg", layer=layer) for folder in ("1", "2"))
        for column in one.columns.drop("seconds", errors="ignore"):
            assert one[column].equals(two[column]), (layer, column)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="signals differ elsewhere")
@pytest.mark.parametrize("workers", [1, 2])
def test_an_interrupt_ends_it_within_seconds_and_says_how_to_go_on(build, tmp_path, workers):
    outlines = [build.block(25 * (number % 8), 20 * (number // 8), 20, 15) for number in range(64)]
    site = build.site(tmp_path / "site", parcels=outlines, dem=False)
    build.dem(site / "dem.tif", top=5_500_180, width_m=240, depth_m=210)
    before = build.hashes(site)
    code = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); " + LINE + "sys.exit(code)"
    running = process(code, "plan", site, "--out", tmp_path / "out", "--workers", workers, start_new_session=True)
    assert "/64 parcels" in running.stderr.readline()
    sent = time.monotonic()
    os.killpg(running.pid, signal.SIGINT)  # as a terminal does: to every process of the group
    _, err = running.communicate(timeout=60)
    assert time.monotonic() - sent < 5
    assert running.returncode == 130
    last = err.splitlines()[-1]
    assert re.fullmatch(
        r"lawngis: interrupted; "
        r"(nothing was written|\d+ of 64 parcels are kept: the same command with --resume goes on)",
        last,
    )
    assert "Traceback" not in err
    assert build.hashes(site) == before
    left = [path.name for path in (tmp_path / "out").iterdir()]
    assert "plan.gpkg" not in left
    assert any(name.startswith(".plan-run-") for name in left) == ("kept" in last)


@pytest.mark.slow
def test_two_runs_into_one_folder_leave_one_whole_plan(build, tmp_path):
    site = build.site(tmp_path / "site")
    runs = [process(LINE + "sys.exit(code)", "plan", site, "--out", tmp_path / "out") for _ in range(2)]
    said = [(*running.communicate(timeout=120), running.returncode) for running in runs]
    codes = sorted(code for _, _, code in said)
    assert codes in ([0, 2], [0, 0]), said  # the second is told, unless it started when the first was done
    for out, err, code in said:
        assert ("another run is planning into this folder" in err) == (code == 2)
        assert ("1 planned" in out) == (code == 0)
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["plan.gpkg"]
    summary = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="summary")
    assert list(summary["status"]) == ["planned"]
    pegs = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="pegs")
    assert len(pegs) == summary["pegs"].iloc[0]


def test_a_site_of_parcels_alone_is_planned_and_no_slope_is_claimed(planned, lawngis, build, tmp_path):
    site = build.site(tmp_path / "site", dem=False)
    assert "there is no terrain model: the ground counts as level" in lawngis("check", site).out
    _, summary = planned(site)
    assert summary["status"].tolist() == ["planned"]
    outcome = lawngis("plan", site, "--out", tmp_path / "out", "--rasters")
    assert "not written, as the data of no parcel tell what would be in it: shade.tif, slope.tif" in outcome.out
    assert sorted(path.name for path in (tmp_path / "out").glob("*.tif")) == ["coverage.tif", "signal.tif"]

    plan = tmp_path / "out/plan.gpkg"
    layers = {name: pyogrio.read_dataframe(plan, layer=name) for name in ("zones", "dock_candidates", "summary")}
    slopes = {column for frame in layers.values() for column in frame if "slope" in column}
    assert {"slope_p50_percent", "slope_p95_percent", "slope_max_percent", "slope_percent"} <= slopes
    assert all(frame[column].isna().all() for frame in layers.values() for column in slopes & set(frame))
    path = pyogrio.read_dataframe(plan, layer="wire_path").iloc[0]
    assert path["length_m"] == pytest.approx(path["plan_length_m"], abs=1e-9) and path["length_m"] > 50
    checks = pyogrio.read_dataframe(plan, layer="visit_checks").set_index("code")
    assert {"slope-unknown", "dock-slope"} <= set(checks.index)
    assert checks.loc[["slope-unknown", "dock-slope"], ["value", "sd"]].isna().all(axis=None)
    assert summary["readiness"]["P1"] == "visit" and "slope" in summary["unknowns"]["P1"]

    assert lawngis("deliver", plan, "--out", tmp_path / "docs").code == 0
    page = re.sub(r"<style.*?</style>", "", (tmp_path / "docs/P1/page.html").read_text("utf-8"), flags=re.DOTALL)
    assert re.findall(r"(?<![\d.,])-?0(?:\.0+)? %", page) == []
    assert page.count(">unknown</td>") == 2 and "slope unknown" in page


def told(plan):
    findings = pyogrio.read_dataframe(plan, layer="findings")
    return findings.drop_duplicates("code").set_index("code")


def undeclared(path, change, **profile):
    """Write the values of a raster anew, changed, without a no-data value."""
    with rasterio.open(path) as file:
        values, old = file.read(1), file.profile
    values = change(values)
    for name in ("nodata", "blockxsize", "blockysize", "tiled", "dtype", "count"):
        old.pop(name, None)
    with rasterio.open(path, "w", **{**old, "dtype": values.dtype.name, "count": 1, **profile}) as file:
        file.write(values, 1)


@pytest.mark.parametrize("value", [-32768, -9999, 0, 1e29])
def test_undeclared_no_data_is_no_terrain(planned, build, site, tmp_path, value):
    build.dem(site / "dem.tif", holes=lambda x, y: (x > 500_004) & (x < 500_009) & (y > 5_500_004) & (y < 5_500_009))
    undeclared(site / "dem.tif", lambda z: np.where(z == -9999, np.float32(value), z))
    _, summary = planned(site)
    assert summary["status"]["P1"] == "planned" and summary["slope_p95_percent"]["P1"] < 5
    steepest = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="zones")["slope_max_percent"].max()
    assert steepest < 10  # the plane rises by 2 %
    findings = told(tmp_path / "out/plan.gpkg")
    assert {"terrain-impossible", "dem-nodata"} <= set(findings.index)
    assert "100 cells" in findings["text"]["terrain-impossible"]


@pytest.mark.parametrize(
    ("change", "profile", "words"),
    [
        (lambda z: np.full_like(z, 12.5), {}, "the terrain model is 12.5 everywhere, which no survey gives"),
        (lambda z: (z * 2).astype("uint8"), {"count": 3, "photometric": "rgb"}, "the terrain model is a picture"),
    ],
)
def test_a_raster_that_is_no_terrain_is_said_to_be_none(planned, lawngis, site, tmp_path, change, profile, words):
    undeclared(site / "dem.tif", change, **profile)
    assert words in lawngis("check", site).out
    _, summary = planned(site)
    assert summary["slope_p95_percent"].isna().all() and summary["readiness"]["P1"] == "visit"
    assert words in told(tmp_path / "out/plan.gpkg")["text"]["terrain-unknown"]


def test_more_than_one_band_is_said(planned, lawngis, site):
    undeclared(site / "dem.tif", lambda z: z, count=2)
    assert "the terrain model has 2 bands: the first was taken as elevation" in lawngis("check", site).out
    undeclared(site / "dem.tif", lambda z: z, count=2, photometric="minisblack", alpha="yes")
    assert "bands" not in lawngis("check", site).out


def test_complex_elevations_are_refused(refused, site):
    undeclared(site / "dem.tif", lambda z: z + np.complex64(1j))
    assert "dem.tif: holds complex numbers" in refused(site)


def test_buildings_declared_in_the_neighbouring_zone_are_said_and_stop_the_plan(
    planned, lawngis, build, site, tmp_path
):
    build.layer(site / "site.gpkg", "buildings", [build.block(5, 5, 6, 5)], crs="EPSG:25831")
    words = "nothing of the layer buildings lies near any parcel: it lies some"
    assert words in lawngis("check", site).out
    _, summary = planned(site)
    assert summary["readiness"]["P1"] == "settle"
    findings = told(tmp_path / "out/plan.gpkg")
    assert words in findings["text"]["layer-elsewhere"] and findings["severity"]["layer-elsewhere"] == "stop"
    assert "Assign it the CRS of the parcels" in findings["advice"]["layer-elsewhere"]


def test_a_terrain_model_of_another_place_is_said(planned, build, site, tmp_path):
    build.dem(site / "dem.tif", crs="EPSG:25831")
    _, summary = planned(site)
    findings = told(tmp_path / "out/plan.gpkg")
    assert {"raster-elsewhere", "terrain-missing-here"} <= set(findings.index)
    assert "Assign it the CRS of the parcels" in findings["advice"]["raster-elsewhere"]
    assert summary["slope_p95_percent"].isna().all()


def test_a_shell_completes_commands(monkeypatch, capsys):
    for name, value in (("_LAWNGIS_COMPLETE", "complete_bash"), ("COMP_WORDS", "lawngis mea"), ("COMP_CWORD", "1")):
        monkeypatch.setenv(name, value)
    with pytest.raises(SystemExit, match="0"):
        main([])
    assert capsys.readouterr().out.split() == ["measured"]
