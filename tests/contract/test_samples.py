"""The real command on the sample neighbourhood: no parcel of its plan breaks a rule."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pyogrio
import pytest
from expected_layers import CONTRACT_PROFILE, EXPECTED_LAYERS
from laying import laying_problems
from plan_view import Violation, parcel_views, read_layers, read_site
from rules import RULES, violations

from lawngis.mower import profile_text
from lawngis.processing.cli.main import main
from lawngis.processing.model.step import registered_steps, step_named

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
FILE_RULES = (0, 11)


@pytest.fixture(scope="session")
def sample_plan(sample_plan_folder: Path) -> tuple[Path, list[Violation]]:
    """The plan of the sample, and all that the checker finds in it."""
    plan = sample_plan_folder / "plan.gpkg"
    return plan, violations(plan, SAMPLE, CONTRACT_PROFILE)


@pytest.mark.parametrize("rule", [*RULES, *FILE_RULES])
def test_no_parcel_breaks_the_rule(sample_plan: tuple[Path, list[Violation]], rule: int | str) -> None:
    broken = [str(violation) for violation in sample_plan[1] if violation.rule == rule]
    assert not broken, "\n".join(broken)


def test_no_rule_is_excused_wholesale(sample_plan: tuple[Path, list[Violation]]) -> None:
    """The rules hold on real wire: most parcels are planned, and have some."""
    summary = pyogrio.read_dataframe(sample_plan[0], layer="summary")
    planned = summary[summary["status"] == "planned"]
    assert len(planned) >= len(summary) - 2
    assert (planned["wire_m"] > 0).all()
    assert (planned["stop_findings"] == 0).sum() >= len(planned) - 2


def test_each_metre_peg_and_joint_is_in_one_step_of_the_day_of_laying(
    sample_plan: tuple[Path, list[Violation]],
) -> None:
    plan = {name: table for name, table in read_layers(sample_plan[0]).items() if name in EXPECTED_LAYERS}
    views = list(parcel_views(plan, read_site(SAMPLE), None))
    problems = [problem for view in views for problem in laying_problems(view)]
    assert not problems, "\n".join(problems)
    assert sum(len(view.loops) for view in views) > 10


OPEN_LAYERS = ("findings", "visit_checks")
AFFAIR_OF_THE_RUN = ("fid", "finding_id", "check_id", "priority", "seconds")
"""Columns that number rows over all steps, or say how long planning took."""


def stored(file: Path, layer: str, step: str) -> list[list[Any]]:
    """Rows of a layer as they are stored; of findings and checks those of one step."""
    with closing(sqlite3.connect(file)) as database:
        cursor = database.execute(f'SELECT * FROM "{layer}"')
        names = [column for column, *_ in cursor.description]
        rows = [dict(zip(names, row, strict=True)) for row in cursor]
    some = [row for row in rows if layer not in OPEN_LAYERS or row["step"] == step]
    return [[value for name, value in row.items() if name not in AFFAIR_OF_THE_RUN] for row in some]


@pytest.mark.parametrize("step", list(registered_steps()))
def test_a_step_alone_gives_what_it_gave_in_the_plan(
    sample_plan: tuple[Path, list[Violation]], step: str, tmp_path: Path
) -> None:
    """On the layers that it declares, as the file has them, each step finds the plan's rows again, to the last bit."""
    plan, alone = sample_plan[0], tmp_path / "alone.gpkg"
    assert main(["run", step, str(plan), str(alone), "--site", str(SAMPLE)]) == 0
    for layer in (*step_named(step).writes, *OPEN_LAYERS):
        assert stored(alone, layer, step) == stored(plan, layer, step), layer


def test_the_dock_alone_is_chosen_on_the_ground_that_the_plan_mows(tmp_path: Path) -> None:
    """Where ground is out of signal the wire runs otherwise: a step that places docks must see that ground."""
    short = tmp_path / "short.toml"
    short.write_text(re.sub(r"(?m)^signal_reach_max_m = \d+", "signal_reach_max_m = 5", profile_text("medium")))
    words = ["--profile", str(short), "--parcel", "P08"]
    plan, alone = tmp_path / "plan.gpkg", tmp_path / "alone.gpkg"
    alone_on_it = ["--set", "zones.mowers_max=1"]
    assert main(["plan", str(SAMPLE), "--out", str(tmp_path), *words, *alone_on_it]) == 0
    assert (pyogrio.read_dataframe(plan, layer="hand_mow")["reason"] == "out_of_signal").any()
    assert main(["run", "dock", str(plan), str(alone), "--site", str(SAMPLE), *words]) == 0
    assert stored(alone, "dock_candidates", "dock") == stored(plan, "dock_candidates", "dock")
