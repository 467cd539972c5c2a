"""A package outside the tree adds a step through the entry point: found, described, ordered, planned and run alone."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyogrio
import pytest

from lawngis.errors import PlanError
from lawngis.processing.model.step import Step
from lawngis.processing.steps.workflow import installed_steps, ordered

STEP = '''
"""Where a bird bath goes: the middle of each piece of lawn."""

from pydantic import Field

from lawngis.processing.model.contract import Column, Layer
from lawngis.processing.model.plan import Finding, StepResult
from lawngis.processing.model.step import Parameters, Step


class BathParameters(Parameters):
    """How large it is."""

    width_m: float = Field(default=0.5, gt=0, le=2, description="width of the bath [m]")


def baths(site, plan, mower, parameters):
    """Return a place for each piece of lawn."""
    rows = [
        {"bath_id": f"{site.parcel_id}-B{number}", "width_m": parameters.width_m,
         "geometry": row["geometry"].representative_point()}
        for number, row in enumerate(plan.rows("lawn"), start=1)
    ]
    return StepResult({LAYER: rows}, [Finding("info", "baths", f"{len(rows)} places for a bath")])


LAYER = "bird_baths"
SPEC = Layer(
    LAYER, "Bird baths", "Where a bird bath goes.", "Point",
    (
        Column("parcel_id", "text", "parcel that the row belongs to", nullable=False),
        Column("bath_id", "text", "name of the bath", nullable=False),
        Column("width_m", "real", "width of the bath", "m"),
    ),
    key="bath_id",
)
STEP = Step("baths", "Bird baths", "Puts a bath on each lawn.", ("lawn",), (LAYER,), baths, BathParameters, (SPEC,))
'''


def distribution(folder: Path, name: str, module: str, entries: str) -> None:
    """Lay down what pip would: a module, and beside it what it registers."""
    (folder / f"{name}.py").write_text(module)
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[lawngis.steps]\n{entries}\n")


def lawngis(packages: Path, *words: object) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(packages)}
    command = [sys.executable, "-m", "lawngis.processing.cli.main", *map(str, words)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


@pytest.fixture
def packages(tmp_path: Path) -> Path:
    folder = tmp_path / "packages"
    folder.mkdir()
    distribution(folder, "garden_birds", STEP, "baths = garden_birds:STEP")
    return folder


@pytest.mark.slow
def test_a_foreign_step_is_described_ordered_planned_and_run_alone(packages: Path, site: Path, tmp_path: Path) -> None:
    described = json.loads(lawngis(packages, "describe", "baths").stdout)
    assert described["outputs"]["bird_baths"]["title"] == "Bird baths"
    assert described["inputs"]["width_m"]["schema"]["exclusiveMinimum"] == 0
    listed = [line.split()[0] for line in lawngis(packages, "steps").stdout.splitlines()]
    assert listed.index("lawn") < listed.index("baths") < listed.index("summary")
    done = lawngis(packages, "plan", site, "--out", tmp_path / "out", "--set", "baths.width_m=0.75")
    assert done.returncode == 0, done.stderr
    plan = tmp_path / "out/plan.gpkg"
    rows = pyogrio.read_dataframe(plan, layer="bird_baths")
    assert rows[["parcel_id", "bath_id", "width_m"]].to_numpy().tolist() == [["P1", "P1-B1", 0.75]]
    findings = pyogrio.read_dataframe(plan, layer="findings")
    assert findings.loc[findings["code"] == "baths", "step"].tolist() == ["baths"]
    alone = lawngis(packages, "run", "baths", plan, tmp_path / "alone.gpkg", "--site", site, "--set", "width_m=0.25")
    assert alone.returncode == 0, alone.stderr
    rows = pyogrio.read_dataframe(tmp_path / "alone.gpkg", layer="bird_baths")
    assert rows["width_m"].tolist() == [0.25]


def step_of(text: str) -> Step:
    names: dict[str, Any] = {}
    exec(compile(text, "garden_birds.py", "exec"), names)
    return names["STEP"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (('LAYER = "bird_baths"', 'LAYER = "Zones"'), "a layer of that name is there already"),
        (("BathParameters, (SPEC,))", "BathParameters)"), "which the contract doesn't have"),
        (('("lawn",), (LAYER,)', '("lawn", "nests"), (LAYER,)'), "reads nests, which no step writes"),
        (('("lawn",), (LAYER,)', '("lawn",), ("lawn",)'), "declares a layer bird_baths, but doesn't write it"),
    ],
)
def test_a_foreign_step_that_does_not_fit_is_refused(change: tuple[str, str], said: str) -> None:
    assert STEP.count(change[0]) == 1
    foreign = step_of(STEP.replace(*change))
    with pytest.raises(PlanError, match="baths") as caught:
        ordered([*installed_steps(), foreign])
    assert said in str(caught.value)


@pytest.mark.slow
def test_a_broken_step_is_named_before_the_layer_that_is_then_missing(tmp_path: Path) -> None:
    folder = tmp_path / "packages"
    folder.mkdir()
    broken = STEP.replace("import Parameters, Step", "import Stair")
    distribution(folder, "garden_birds", broken, "baths = garden_birds:STEP")
    nests = STEP.replace('("lawn",), (LAYER,)', '("bird_baths",), (LAYER,)').replace(
        'LAYER = "bird_baths"', 'LAYER = "nests"'
    )
    distribution(folder, "garden_nests", nests.replace('Step("baths"', 'Step("nests"'), "nests = garden_nests:STEP")
    told = lawngis(folder, "steps")
    assert told.returncode == 2
    assert told.stderr.count("\n") == 1
    assert "step baths of garden_birds can't be loaded" in told.stderr
    assert told.stderr.index("baths of garden_birds") < told.stderr.index("reads bird_baths, which no step writes")
