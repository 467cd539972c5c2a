"""What a plan tells of how it was made."""

from __future__ import annotations

import pyogrio


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
