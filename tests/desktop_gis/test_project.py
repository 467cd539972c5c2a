"""The plan's project, opened, drawn and asked by a real desktop GIS: QGIS as Debian has it."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

from lawngis.processing.cli.main import main
from lawngis.processing.model.map_layers import GROUPS
from lawngis.processing.model.styles import STYLES

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")]

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
PYTHON = "/usr/bin/python3"
WIRE = (0, 114, 178)


def asked_gis(*words: str | Path) -> subprocess.CompletedProcess[str]:
    environment = {"QT_QPA_PLATFORM": "offscreen", "PATH": os.environ["PATH"], "HOME": os.environ.get("HOME", "/tmp")}
    return subprocess.run([PYTHON, *words], capture_output=True, text=True, check=False, env=environment, timeout=120)


@pytest.fixture(scope="module")
def gis() -> None:
    if not Path(PYTHON).exists() or asked_gis("-c", "import qgis.core").returncode:
        pytest.skip("no desktop GIS: apt-get install python3-qgis qgis-providers")


def opened(plan: Path, folder: Path, *scales: int) -> dict[str, Any]:
    folder.mkdir()
    done = asked_gis(Path(__file__).with_name("open_project.py"), plan, folder, *map(str, scales))
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


@pytest.fixture(scope="module")
def plan(gis: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample planned beside a copy of its data, and moved with them."""
    folder = tmp_path_factory.mktemp("desktop_gis")
    shutil.copytree(SAMPLE, folder / "here" / "site", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    assert main(["plan", str(folder / "here" / "site"), "--out", str(folder / "here" / "plan"), "--workers", "2"]) == 0
    (folder / "here").rename(folder / "moved")
    return folder / "moved" / "plan" / "plan.gpkg"


@pytest.fixture(scope="module")
def answer(plan: Path) -> dict[str, Any]:
    return opened(plan, plan.parent / "pictures", 500, 1000, 5000)


def pixels(plan: Path, name: str) -> np.ndarray:
    with rasterio.open(plan.parent / "pictures" / f"{name}.png") as picture:
        return picture.read()[:3].astype(int)


def share_of(picture: np.ndarray, colour: tuple[int, int, int], *, within: int = 30) -> float:
    away = np.abs(picture - np.array(colour)[:, None, None]).max(axis=0)
    return float((away < within).mean())


def names(plan: Path, query: str) -> list[str]:
    with closing(sqlite3.connect(plan)) as database:
        return sorted(str(row[0]) for row in database.execute(query))


def test_a_moved_project_opens_without_a_word_of_warning(plan: Path, answer: dict[str, Any]) -> None:
    assert answer["read"] and answer["error"] == "" and answer["log"] == [] and answer["invalid"] == []
    assert answer["crs"] == "EPSG:32632"
    assert len(answer["views"]) == 12
    assert not list(plan.parents[1].rglob("*.aux.xml"))  # nothing is written beside what is only looked at


def test_layers_are_in_groups_and_drawn_in_the_order_of_their_styles(answer: dict[str, Any]) -> None:
    assert list(answer["groups"]) == list(GROUPS)
    order = [name.removeprefix("lawngis_") for name in answer["order"]]
    assert order[-1] == "photo"
    assert [name for name in order if name in STYLES] == [
        name for name in reversed(STYLES) if name != "visit_areas"  # which is two: areas and lines
    ]  # fmt: skip
    assert "lawngis_cover" not in answer["shown"] and "lawngis_dock_candidates" in answer["shown"]


@pytest.mark.parametrize("scale", ["500", "1000"])
def test_every_parcel_zone_and_check_has_its_label(plan: Path, answer: dict[str, Any], scale: str) -> None:
    labels = answer["labels"][scale]
    assert labels["lawngis_summary"] == names(plan, "SELECT parcel_id FROM summary")
    assert labels["lawngis_zones"] == names(plan, "SELECT zone_id FROM zones")
    assert labels["lawngis_visit_checks"] == names(plan, "SELECT '(' || priority || ')' FROM visit_checks")
    assert len(labels["lawngis_summary"]) == 12 and len(labels["lawngis_zones"]) >= 16


def test_far_off_the_map_is_one_of_readiness(plan: Path, answer: dict[str, Any]) -> None:
    assert set(answer["labels"]["5000"]) == {"lawngis_summary"}
    near, far = pixels(plan, "500"), pixels(plan, "5000")
    assert share_of(near, WIRE) > 0.005
    assert share_of(far, (255, 255, 255)) > 0.5  # the photo is gone
    assert share_of(near, (255, 255, 255)) < 0.1


def test_no_layer_that_is_dragged_over_the_wire_hides_it(plan: Path, answer: dict[str, Any]) -> None:
    alone, under = pixels(plan, "dragged0"), pixels(plan, "dragged1")
    wire = np.abs(alone - np.array(WIRE)[:, None, None]).max(axis=0) < 30
    beside = np.abs(under - np.median(under[:, ~wire & (under.sum(axis=0) < 700)], axis=1)[:, None, None]).max(axis=0)
    assert np.mean(beside[wire] > 60) > 0.9  # it stands out from the zone over it


def test_the_sheet_is_at_a_true_round_scale_and_says_what_to_mind(plan: Path, answer: dict[str, Any]) -> None:
    sheet = answer["sheet"]
    assert sheet["pages"] == 12
    assert sheet["scale"] == pytest.approx(250, abs=0.01)
    assert sheet["true_scale"] == pytest.approx(250, rel=1e-6)  # along the ellipsoid: UTM would be off by 4e-4
    assert sheet["verdict"].startswith("Readiness: ready to be laid: nothing is left")
    assert sheet["verdict"].endswith("than a tenth. A mower can serve 100 % of the lawn in one zone.")
    assert "licensed electrician" in sheet["mind"]
    assert share_of(pixels(plan, "sheet"), WIRE) > 0.002


def test_rows_speak_in_words(answer: dict[str, Any]) -> None:
    says = {name: what for name, what in answer["says"].items() if what is not None}
    assert all(what["error"] == "" and what["tip"] and "[%" not in what["tip"] for what in says.values()), says
    assert says["lawngis_zones"]["tip"].startswith("P01-Z1: home, ")
    assert "fed by a dock of its own" in says["lawngis_zones"]["tip"]
    assert says["lawngis_zones"]["display"] == "P01-Z1"
    assert says["lawngis_summary"]["tip"].startswith("P01 (Plain lawn), ready to be laid: nothing is left")
    assert "area [m²]" in answer["aliases"]["lawngis_zones"]
    assert not [alias for some in answer["aliases"].values() for alias in some if " m [" in alias or "m2 [" in alias]
