"""Every parameter of every step and every value of the mower profile, broken: the message names it and the value."""

from __future__ import annotations

import re
import tomllib

import annotated_types
import pytest

from lawngis.errors import ParameterError
from lawngis.mower import DockWeights, MowerProfile, Setbacks, mower_profile, profile_text
from lawngis.processing.model.step import loaded_steps

SOUND = tomllib.loads(profile_text("medium"))


def bad_values(field):
    """A value below the bound, one above it, and a text where a number belongs, as far as the field has them."""
    for rule in field.metadata:
        if isinstance(rule, annotated_types.Ge | annotated_types.Gt):
            yield getattr(rule, "ge", getattr(rule, "gt", None)) - 0.5
        elif isinstance(rule, annotated_types.Le | annotated_types.Lt):
            yield getattr(rule, "le", getattr(rule, "lt", None)) + 0.5
    if field.annotation in (float, int):
        yield from ("plenty", float("nan"), float("inf"))
    elif field.annotation is bool:
        yield "perhaps"


STEP_CASES = [
    (step, name, value)
    for step in loaded_steps()[0].values()
    for name, field in step.parameters.model_fields.items()
    for value in bad_values(field)
]

PROFILE_CASES = [
    (section, name, value)
    for section, model in (("", MowerProfile), ("setback_m", Setbacks), ("dock_weight", DockWeights))
    for name, field in model.model_fields.items()
    for value in bad_values(field)
]


@pytest.mark.parametrize(("step", "name", "value"), STEP_CASES, ids=lambda item: str(getattr(item, "id", item)))
def test_a_broken_parameter_is_named_with_its_value(step, name, value):
    with pytest.raises(ParameterError, match=re.escape(f"step {step.id}: {name} = {str(value)!r}: ")) as caught:
        step.parameters_from({name: str(value)})
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("step", loaded_steps()[0].values(), ids=lambda step: step.id)
def test_every_number_of_a_step_has_bounds_on_both_sides(step):
    for name, field in step.parameters.model_fields.items():
        if field.annotation in (float, int):
            assert len([rule for rule in field.metadata if not isinstance(rule, annotated_types.MultipleOf)]) == 2, name
        assert field.description, name


@pytest.mark.parametrize(("section", "name", "value"), PROFILE_CASES)
def test_a_broken_value_of_the_profile_is_named(section, name, value):
    values = {key: dict(item) if isinstance(item, dict) else item for key, item in SOUND.items()}
    (values[section] if section else values)[name] = value
    key = f"{section}.{name}" if section else name
    with pytest.raises(ParameterError, match=r"^mine\.toml: .*" + re.escape(f"{key} = {value!r}: ")) as caught:
        mower_profile(_toml(values), source="mine.toml")
    assert "\n" not in str(caught.value)


def test_values_that_can_not_go_together_are_both_named():
    values = {**SOUND, "edge_slope_limit_percent": SOUND["slope_limit_percent"] + 1}
    with pytest.raises(ParameterError, match=r"edge_slope_limit_percent = 36 is more than slope_limit_percent = 35"):
        mower_profile(_toml(values), source="mine.toml")


def test_a_missing_key_is_named():
    values = {key: item for key, item in SOUND.items() if key != "wire_reel_m"}
    with pytest.raises(ParameterError, match="key wire_reel_m is missing"):
        mower_profile(_toml(values), source="mine.toml")


def _toml(values):
    plain = [f"{key} = {_word(item)}" for key, item in values.items() if not isinstance(item, dict)]
    tables = [
        "\n".join([f"[{key}]", *(f"{name} = {_word(value)}" for name, value in item.items())])
        for key, item in values.items()
        if isinstance(item, dict)
    ]
    return "\n".join([*plain, *tables])


def _word(value):
    return repr(value).replace("'", '"')
