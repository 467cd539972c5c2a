"""The bank of the sample, measured through the real commands: a visit sheet, its answers, and the plan that follows."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas
import pyogrio
import pytest
from expected_layers import CONTRACT_PROFILE
from rules import violations

from lawngis.processing.cli.main import main

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
PROFILE = Path(__file__).parents[2] / "lawngis" / "profiles" / "medium.toml"


def lawngis(*words: object) -> None:
    assert main([str(word) for word in words]) == 0


def layer(folder: Path, name: str) -> geopandas.GeoDataFrame:
    table = pyogrio.read_dataframe(folder / "plan.gpkg", layer=name)
    return table[table["parcel_id"] == "P08"]


@pytest.fixture(scope="module")
def mower(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A profile that turns on any ground that it mows: the bank is asked about at the limit within."""
    path = tmp_path_factory.mktemp("mower") / "turns_anywhere.toml"
    text = PROFILE.read_text(encoding="utf-8")
    path.write_text(text.replace("edge_slope_limit_percent = 20", "edge_slope_limit_percent = 35"), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory, mower: Path) -> Path:
    folder = tmp_path_factory.mktemp("asked")
    lawngis("plan", SAMPLE, "--out", folder, "--parcel", "P08", "--profile", mower)
    return folder


def steep_m2(folder: Path) -> float:
    return float(layer(folder, "keepouts").query("reason == 'steep'")["area_m2"].sum())


@pytest.mark.parametrize(("answers", "opens"), [(("20",), False), (("20 %", "11,3°"), True)])
@pytest.mark.parametrize("words", [(), ("--workers", "2", "--parcel", "P01")])
def test_readings_open_their_ground_when_all_are_there(
    asked: Path, mower: Path, tmp_path: Path, answers: tuple[str, ...], opens: bool, words: tuple[str, ...]
) -> None:
    checks = layer(asked, "visit_checks").query("target_column == 'slope_percent' and target_layer == 'keepouts'")
    assert sorted(layer(asked, "visit_areas")["check_id"]) == sorted(checks["check_id"]) and len(checks) == 2
    rows = [f"{name};{value}" for name, value in zip(checks["check_id"], answers, strict=False)]
    (tmp_path / "sheet.csv").write_text("\n".join(["check_id;measured", *rows]), encoding="utf-8")
    site, out = tmp_path / "site", tmp_path / "out"
    shutil.copytree(SAMPLE, site)
    lawngis("measured", asked, tmp_path / "sheet.csv", "--out", site / "overrides.gpkg")
    lawngis("plan", site, "--out", out, "--parcel", "P08", "--profile", mower, *words)
    freed_m2 = steep_m2(asked) - steep_m2(out)
    assert 8 < freed_m2 < 18 if opens else abs(freed_m2) < 0.01
    left = layer(out, "visit_checks").query("target_layer == 'keepouts'")
    assert len(left) == len(layer(out, "visit_areas")) == (0 if opens else 1)
    broken = violations(out / "plan.gpkg", site, CONTRACT_PROFILE)
    assert [violation for violation in broken if violation.parcel_id == "P08"] == []


@pytest.mark.parametrize(("answer", "opens"), [("22", False), ("18 %", True)])
def test_the_bank_along_the_wire_opens_by_what_is_measured_there(tmp_path: Path, answer: str, opens: bool) -> None:
    site, before, out = tmp_path / "site", tmp_path / "before", tmp_path / "out"
    shutil.copytree(SAMPLE, site)
    lawngis("plan", site, "--out", before, "--parcel", "P08")
    (check,) = layer(before, "visit_checks").query("code == 'ground-slope'").itertuples()
    assert check.limit_value == 20
    (tmp_path / "sheet.csv").write_text(f"check_id;measured\n{check.check_id};{answer}\n", encoding="utf-8")
    lawngis("measured", before, tmp_path / "sheet.csv", "--out", site / "overrides.gpkg")
    lawngis("plan", site, "--out", out, "--parcel", "P08")
    assert (steep_m2(out) < steep_m2(before) - 1) == opens
    assert "ground-slope" not in set(layer(out, "visit_checks")["code"])
    assert [item for item in violations(out / "plan.gpkg", site, CONTRACT_PROFILE) if item.parcel_id == "P08"] == []
