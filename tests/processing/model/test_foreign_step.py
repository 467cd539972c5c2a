"""A package outside the tree adds a step through the entry point: found, described, ordered, planned and run alone."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from math import pi
from pathlib import Path
from textwrap import dedent
from types import SimpleNamespace

import pyogrio
import pytest

from lawngis.errors import PlanError
from lawngis.processing.model import Area, Layer, Mark, Step, categorized, single_symbol
from lawngis.processing.steps.workflow import installed_steps, ordered

EXAMPLE = Path(__file__).parents[2] / "plugin_example"


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder into which the example is installed as anybody would."""
    source = shutil.copytree(EXAMPLE, tmp_path_factory.mktemp("source") / "leaf-fall")  # building leaves files behind
    target = tmp_path_factory.mktemp("packages")
    pip = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation", "--no-index"]
    done = subprocess.run([*pip, "--target", target, source], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return target


def lawngis(packages: Path, *words: object) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(packages)}
    command = [sys.executable, "-m", "lawngis.processing.cli.main", *map(str, words)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_a_foreign_step_is_described_ordered_planned_and_run_alone(
    packages: Path, site: Path, tmp_path: Path, build: SimpleNamespace
) -> None:
    build.layer(site / "site.gpkg", "trees", [build.at(10, 7)], crown_diameter_m=[4.0], trunk_diameter_m=[0.4])
    described = json.loads(lawngis(packages, "describe", "leaf_fall").stdout)
    assert list(described["inputs"])[-2:] == ["drift_m", "share_min"]
    assert described["inputs"]["drift_m"]["schema"]["maximum"] == 20
    (written,) = described["outputs"]["out"]["metadata"]
    assert list(written["value"]["leaf_fall"]["columns"]) == ["parcel_id", "leaf_fall_id", "zone_id", "area_m2"]
    listed = [line.split()[0] for line in lawngis(packages, "steps").stdout.splitlines()]
    assert listed.index("zones") < listed.index("leaf_fall") < listed.index("summary")

    set_ = ("--set", "leaf_fall.drift_m=0.5", "--set", "leaf_fall.share_min=0.05")
    done = lawngis(packages, "plan", site, "--out", tmp_path / "out", *set_)
    assert done.returncode == 0, done.stderr
    plan = tmp_path / "out/plan.gpkg"
    rows = pyogrio.read_dataframe(plan, layer="leaf_fall")
    assert rows[["parcel_id", "leaf_fall_id", "zone_id"]].to_numpy().tolist() == [["P1", "P1-F1", "P1-Z1"]]
    assert rows["area_m2"].tolist() == pytest.approx([pi * 2.5**2], rel=0.02)
    findings = pyogrio.read_dataframe(plan, layer="findings")
    assert findings.loc[findings["code"] == "leaf-fall", "step"].tolist() == ["leaf_fall"]
    with closing(sqlite3.connect(plan)) as database:
        style, title = database.execute(
            "SELECT styleQML, description FROM layer_styles WHERE f_table_name = 'leaf_fall'"
        ).fetchone()
        described_columns = dict(
            database.execute("SELECT column_name, title FROM gpkg_data_columns WHERE table_name = 'leaf_fall'")
        )
    assert "138,95,0" in style and title == "Leaf fall"  # #8a5f00
    assert described_columns["area_m2"] == "area [m²]" and "parcel_id" in described_columns

    alone = lawngis(packages, "run", "leaf_fall", plan, tmp_path / "alone.gpkg", "--site", site, "--set", "drift_m=2")
    assert alone.returncode == 0, alone.stderr
    rows = pyogrio.read_dataframe(tmp_path / "alone.gpkg", layer="leaf_fall")
    assert rows["area_m2"].tolist() == pytest.approx([pi * 4**2], rel=0.02)


@pytest.fixture(scope="module")
def example() -> Step:
    spec = importlib.util.spec_from_file_location("leaf_fall", EXAMPLE / "leaf_fall.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    step: Step = module.STEP
    return step


def with_layer(**changes: object) -> Callable[[Step], Step]:
    def changed(step: Step) -> Step:
        layer: Layer = step.layers[0]
        return replace(step, layers=(replace(layer, **changes),))  # type: ignore[arg-type]

    return changed


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (with_layer(name="Zones"), "a layer of that name is there already"),
        (lambda step: replace(step, layers=()), "which the contract doesn't have"),
        (lambda step: replace(step, reads=("zones", "nests")), "reads nests, which no step writes"),
        (lambda step: replace(step, reads=("zones", "site:nests")), "reads site:nests, which no site has"),
        (lambda step: replace(step, writes=("zones",)), "declares a layer leaf_fall, but doesn't write it"),
        (with_layer(style=single_symbol("Leaves", Mark("circle", "#8a5f00"))), "can't draw Polygon"),
        (with_layer(geometry=None), "can't draw a table"),
        (with_layer(style=categorized("kind", ("oak", "Oak", Area("#8a5f00")))), "names kind, which is none of its"),
        (with_layer(style=single_symbol("Leaves", Area("#8a5f00"), "kind")), "names kind, which is none of its"),
    ],
)
def test_a_foreign_step_that_does_not_fit_is_refused(example: Step, change: Callable[[Step], Step], said: str) -> None:
    with pytest.raises(PlanError, match="leaf_fall") as caught:
        ordered([*installed_steps(), change(example)])
    assert said in str(caught.value)
    assert example in ordered([*installed_steps(), example])


@pytest.mark.slow
def test_a_broken_step_is_named_before_the_layer_that_is_then_missing(packages: Path, tmp_path: Path) -> None:
    """A step whose package is out of date, and another that reads what the first would have written."""
    folder = shutil.copytree(packages, tmp_path / "packages")
    sound = (folder / "leaf_fall.py").read_text()
    (folder / "leaf_fall.py").write_text(sound.replace("    Parameters,\n", "    Stair,\n"))
    raking = sound.replace('("zones", "site:trees")', '("leaf_fall",)').replace('id="leaf_fall"', 'id="raking"')
    raking = raking.replace('name="leaf_fall"', 'name="raked"').replace('writes=("leaf_fall",)', 'writes=("raked",)')
    (folder / "raking.py").write_text(raking)
    with next(folder.glob("*.dist-info/entry_points.txt")).open("a") as entries:
        entries.write("raking = raking:STEP\n")
    told = lawngis(folder, "steps")
    assert told.returncode == 2
    assert told.stderr.count("\n") == 1
    assert "step leaf_fall of leaf-fall can't be loaded" in told.stderr
    assert told.stderr.index("leaf_fall of leaf-fall") < told.stderr.index("reads leaf_fall, which no step writes")


def test_what_the_developers_page_shows_is_the_example() -> None:
    page = (EXAMPLE.parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = page.split("\n## Add a step\n")[1].split("\n## ")[0]
    blocks = re.findall(r"( *)```(python|toml)\n(.*?)```", section, re.DOTALL)
    files = {"python": EXAMPLE / "leaf_fall.py", "toml": EXAMPLE / "pyproject.toml"}
    assert [kind for _, kind, _ in blocks] == ["python"] * 4 + ["toml"]
    exec(blocks[0][2])  # the names at the door, in one line
    for _, kind, block in blocks[1:]:
        assert dedent(block).strip() in files[kind].read_text(encoding="utf-8")
