"""Descriptions follow the OGC API - Processes schema for a process."""

import json

import pytest

from lawngis.processing.cli.describe import process_description
from lawngis.processing.model.step import loaded_steps

STEPS = loaded_steps()[0]


@pytest.mark.parametrize("step", STEPS.values(), ids=lambda step: step.id)
def test_description_has_what_the_standard_asks_for(step):
    """OGC API - Processes - Part 1 (OGC 18-062r2): processSummary needs id and version, an input needs a schema."""
    said = json.loads(json.dumps(process_description(step)))
    assert said["id"] == step.id and said["version"]
    assert set(said["jobControlOptions"]) <= {"sync-execute", "async-execute", "dismiss"}
    assert said["outputs"].keys() == set(step.writes)
    for described in (*said["inputs"].values(), *said["outputs"].values()):
        assert described["schema"] and described["title"]


@pytest.mark.parametrize("step", STEPS.values(), ids=lambda step: step.id)
def test_every_parameter_is_described_with_bounds_and_default(step):
    inputs = process_description(step)["inputs"]
    for name, field in step.parameters.model_fields.items():
        assert inputs[name]["description"], name
        assert inputs[name]["minOccurs"] == 0
        assert json.loads(json.dumps(inputs[name]["schema"]["default"])) == json.loads(json.dumps(field.default)), name
