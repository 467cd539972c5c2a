"""Steps are ordered from what they read and write."""

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError, PlanError
from lawngis.processing.model.plan import StepResult
from lawngis.processing.model.step import Step, loaded_steps, registered_steps, step_named
from lawngis.processing.steps.workflow import check_parameters, ordered


def step(name, reads, writes):
    return Step(name, name, name, tuple(reads), tuple(writes), lambda *_: StepResult())


def test_built_in_steps_load_and_write_every_layer_once():
    steps, broken = loaded_steps()
    assert not broken and set(steps) == set(registered_steps())
    written = [layer for one in steps.values() for layer in one.writes]
    assert len(written) == len(set(written))
    assert set(written) | {"findings", "visit_checks", "run_info"} == {
        "summary", "lawn", "cover", "trees_found", "keepouts", "zones", "links", "edges", "wire_path", "wire_runs",
        "pegs", "joins",
        "laying_steps", "watch_points", "mowers",
        "dock_candidates", "supply_route", "hand_mow", "materials", "schedule", "findings", "visit_checks", "run_info",
    }  # fmt: skip


@settings(max_examples=30, deadline=None)
@given(st.permutations(list(loaded_steps()[0].values())))
def test_order_does_not_depend_on_the_order_given(steps):
    seen = {"findings", "visit_checks", "visit_areas"}
    for one in ordered(steps):
        assert one.plan_layers_read <= seen
        seen |= set(one.writes)
    assert ordered(steps)[-1].id == "summary"


def test_two_writers_of_a_layer_are_refused():
    with pytest.raises(PlanError, match="both write lawn"):
        ordered([step("a", [], ["lawn"]), step("b", [], ["lawn"])])


def test_a_layer_that_nobody_writes_is_refused():
    with pytest.raises(PlanError, match="which no step writes"):
        ordered([step("a", ["zones"], ["lawn"])])


def test_a_layer_outside_the_contract_is_refused():
    with pytest.raises(PlanError, match="contract"):
        ordered([step("a", [], ["flowers"])])


def test_steps_that_wait_for_each_other_are_refused():
    with pytest.raises(PlanError, match="wait for each other"):
        ordered([step("a", ["zones"], ["lawn"]), step("b", ["lawn"], ["zones"])])


def test_settings_name_an_unknown_step_or_parameter():
    steps = list(loaded_steps()[0].values())
    with pytest.raises(ParameterError, match="no step 'lawns'"):
        check_parameters({"lawns": {}}, steps)
    with pytest.raises(ParameterError, match="unknown parameter width"):
        check_parameters({"lawn": {"width": 1}}, steps)


def test_unknown_step_lists_the_known_ones():
    with pytest.raises(ParameterError, match="zones"):
        step_named("zone")


def test_steps_load_nothing_that_takes_long_and_is_not_needed():
    heavy = ("scipy.signal", "scipy.stats", "skimage.segmentation", "pvlib")
    line = "import sys, lawngis.processing.planning.supervisor;"
    line += "from lawngis.processing.steps.workflow import installed_steps;"
    line += f"installed_steps(); print([name for name in {heavy} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", line], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == "[]"
