"""What goes wrong at night: workers die, hang and hoard, runs are killed, disks fill up. Nothing finished is lost."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import warnings
from contextlib import closing

import geopandas
import pyogrio
import pytest
from shapely import box

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")

TWO = ("--workers", 2)


def leftovers(folder):
    return sorted(path.name for path in folder.iterdir() if path.name.startswith("."))


@pytest.mark.slow
def test_parcels_that_kill_hang_loop_and_hoard_fail_alone_with_their_reasons(faults):
    deeds = {"P03": "die", "P11": "hang", "P17": "loop", "P29": "eat"}
    ended = faults.run(*TWO, "--parcel-seconds", 2, "--worker-mb", 900, **deeds)
    assert ended.code == 1, ended.err
    summary = faults.summary()
    assert len(summary) == faults.parcels
    assert set(summary.index[summary["status"] == "failed"]) == set(deeds)
    said = summary["verdict_text"]
    assert "ended early, and again when the parcel was tried alone" in said["P03"]
    assert "longer than the limit of 20 seconds by the clock" in said["P11"]
    assert said["P17"].endswith("longer than the limit of 2 seconds")
    assert "more memory than the 900 MB" in said["P29"]
    again = faults.run(*TWO, "--resume")  # their failures may pass, so they are tried again, and only they
    assert again.code == 0, again.err
    planned = [line["parcel_id"] for line in faults.log()[faults.parcels :] if not line["kept"]]
    assert sorted(planned) == sorted(deeds)
    assert set(faults.summary()["status"]) == {"not_suitable"}


@pytest.mark.slow
def test_a_worker_killed_from_outside_takes_nothing_with_it(faults):
    ended = faults.run(*TWO, P07="die", ONCE=str(faults.tmp / "once"))
    assert ended.code == 0, ended.err
    assert set(faults.summary()["status"]) == {"not_suitable"}


@pytest.mark.slow
def test_a_killed_run_goes_on_where_it_was(faults):
    running = faults.start(*TWO, "--parcel-seconds", 20, P35="loop")
    faults.wait_for_kept(4)
    faults.kill(running)
    running.wait(10)
    running.stdout.close()
    running.stderr.close()
    assert not (faults.out / "plan.gpkg").exists()
    before = {line["parcel_id"] for line in faults.log()}
    ended = faults.run(*TWO, "--resume")
    assert ended.code == 0, ended.err
    new = faults.log()[len(before) :]
    kept = {line["parcel_id"] for line in new if line["kept"]}
    assert kept >= before
    assert len(new) == faults.parcels
    summary = faults.summary()
    assert list(summary.index) == [f"P{number:02d}" for number in range(faults.parcels)]
    with closing(sqlite3.connect(faults.out / "plan.gpkg")) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.slow
def test_after_a_change_only_parcels_that_it_touches_are_planned_again(faults, site, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(site, copy)
    assert faults.run("--workers", 1, "--resume", source=copy).code == 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        beds = geopandas.GeoDataFrame(
            {"kind": ["shrubs"]}, geometry=[box(500_126, 5_500_101, 500_131, 5_500_106)], crs="EPSG:25832"
        )
        pyogrio.write_dataframe(beds, copy / "site.gpkg", layer="beds", append=True)
    assert faults.run("--workers", 1, "--resume", source=copy).code == 0
    again = [line["parcel_id"] for line in faults.log()[faults.parcels :] if not line["kept"]]
    assert "P35" in again  # the bed lies on it
    assert "P00" not in again
    assert len(again) < faults.parcels / 2
    assert faults.run("--workers", 1, "--resume", "--set", "lawn.sliver_width_m=0.2", source=copy).code == 0
    assert not any(line["kept"] for line in faults.log()[2 * faults.parcels :])


@pytest.mark.slow
def test_a_full_disk_is_said_and_what_was_finished_is_kept(faults):
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, hard))  # the plan needs more, a shard less
    try:
        ended = faults.run("--workers", 1)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert ended.code == 2, ended.err
    assert "lawngis: " in ended.err
    assert "could not be written" in ended.err
    assert "Traceback" not in ended.err
    assert not (faults.out / "plan.gpkg").exists()
    again = faults.run("--workers", 1, "--resume")
    assert again.code == 0, again.err
    assert all(line["kept"] for line in faults.log()[faults.parcels :])
    assert len(faults.summary()) == faults.parcels
