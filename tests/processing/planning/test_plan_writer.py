"""Where a plan goes, and what it tells of how it was made."""

from __future__ import annotations

import hashlib

import pyogrio
import pytest

from lawngis.errors import PlanError
from lawngis.processing.files.digests import sha256
from lawngis.processing.files.file_kinds import PLAN


def test_folders_are_made_and_nothing_is_left_in_them(tmp_path):
    target = PLAN.target(tmp_path / "a" / "b")
    assert target == tmp_path / "a" / "b" / "plan.gpkg"
    assert list(target.parent.iterdir()) == []


def test_what_is_in_the_way_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(PlanError, match="file: is a file, but the plan needs a folder"):
        PLAN.target(tmp_path / "file")
    (tmp_path / "out" / "plan.gpkg").mkdir(parents=True)
    with pytest.raises(PlanError, match=r"plan\.gpkg: is a folder"):
        PLAN.target(tmp_path / "out")


def test_hashes_are_those_of_the_content(tmp_path):
    content = b"grass" * 500_000  # more than one block
    (tmp_path / "x").write_bytes(content)
    assert sha256(tmp_path / "x") == hashlib.sha256(content).hexdigest()


def test_run_info_lets_somebody_make_the_same_plan_again(planned, build, site, tmp_path):
    planned(site, "--profile", "small", "--set", "lawn.sliver_width_m=0.2", "--dem-sd", "0.05")
    rows = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="run_info")
    facts = dict(zip(rows["key"], rows["value"], strict=True))
    assert facts["step lawn.sliver_width_m"] == "0.2"
    assert facts["accuracy.dem_sd_m"] == "0.05"
    assert float(facts["profile.slope_limit_percent"]) > 0
    assert facts[f"sha256 {site / 'dem.tif'}"] == build.hashes(site)["dem.tif"]
    assert "1 feature," in facts["layer parcels"]
    assert facts["started"] <= facts["finished"]
