"""The real command on the sample neighbourhood: no parcel of its plan breaks a rule."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pyogrio
import pytest
from expected_layers import CONTRACT_PROFILE
from plan_view import Violation
from rules import RULES, file_hashes, violations

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
FILE_RULES = (0, 11)


@pytest.fixture(scope="session")
def sample_plan(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Violation]]:
    """The plan of the sample, made once, and all that the checker finds in it."""
    folder = tmp_path_factory.mktemp("sample_plan")
    before = file_hashes(SAMPLE)
    command = [sys.executable, "-m", "lawngis.processing.cli.main", "plan", str(SAMPLE), "--out", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    plan = folder / "plan.gpkg"
    return plan, violations(plan, SAMPLE, CONTRACT_PROFILE, inputs_before=before)


@pytest.mark.parametrize("rule", [*RULES, *FILE_RULES])
def test_no_parcel_breaks_the_rule(sample_plan: tuple[Path, list[Violation]], rule: int) -> None:
    broken = [str(violation) for violation in sample_plan[1] if violation.rule == rule]
    assert not broken, "\n".join(broken)


def test_no_rule_is_excused_wholesale(sample_plan: tuple[Path, list[Violation]]) -> None:
    """The rules hold on real wire: most parcels are planned, and have some."""
    summary = pyogrio.read_dataframe(sample_plan[0], layer="summary")
    planned = summary[summary["status"] == "planned"]
    assert len(planned) >= len(summary) - 2
    assert (planned["wire_m"] > 0).all()
    assert (planned["stop_findings"] == 0).sum() >= len(planned) - 2
