"""Descriptions follow the OGC API - Processes schema for a process, and say what the command line takes."""

import json
from importlib import resources

import pytest
import typer

from lawngis.errors import ParameterError
from lawngis.processing.cli.describe import openapi_schema, process_named, processes
from lawngis.processing.cli.main import DESCRIBED, app
from lawngis.processing.cli.run import _parameters
from lawngis.processing.model.step import loaded_steps

STEPS = loaded_steps()[0]
ALL = {one["id"]: one for one in json.loads(json.dumps(processes(DESCRIBED)))}


def described_values(described):
    return {**described["inputs"], **described["outputs"]}.values()


def layers(value):
    return value["metadata"][0]["value"]


def words_of(said):
    return {one["name"]: one["value"] for one in said.get("additionalParameters", {}).get("parameters", ())}


def test_every_step_and_the_commands_of_the_job_are_described():
    assert ALL.keys() == STEPS.keys() | {"plan", "slope", "check", "deliver"}
    for name, one in ALL.items():
        assert process_named(name, DESCRIBED) == one
    with pytest.raises(ParameterError, match=r"no step 'mow'.*Known are plan, slope, check, deliver, cover"):
        process_named("mow", DESCRIBED)


@pytest.mark.parametrize("name", ALL)
def test_the_models_made_of_the_published_schema_take_it(name):
    """OGC API - Processes - Part 1 (OGC 18-062r2), ``process.yaml``, as its generated models hold it, strictly."""
    process = pytest.importorskip("ogc_api_processes_client.models.process").Process
    assert process.from_dict(ALL[name]).id == name
    assert set(ALL[name]["jobControlOptions"]) == {"sync-execute", "async-execute", "dismiss"}


@pytest.mark.parametrize("name", ALL)
def test_schemas_are_those_of_openapi_3_0(name):
    """The published JSON schema of OpenAPI 3.0 (2019-04-02), to which process.yaml adds three keywords of content."""
    jsonschema = pytest.importorskip("jsonschema")
    pytest.importorskip("pygeoapi")
    file = resources.files("pygeoapi").joinpath("schemas", "openapi", "openapi-3.0.x.json")
    definitions = json.loads(file.read_text(encoding="utf-8"))["definitions"]
    definitions["Schema"]["patternProperties"]["^content(MediaType|Encoding|Schema)$"] = {"type": "string"}
    validator = jsonschema.Draft4Validator({"$ref": "#/definitions/Schema", "definitions": definitions})
    for value in described_values(ALL[name]):
        assert not list(validator.iter_errors(value["schema"])), value
    columns = [column for value in described_values(ALL[name]) if "metadata" in value
               for layer in layers(value).values() for column in layer["columns"].values()]  # fmt: skip
    assert not [column for column in columns if list(validator.iter_errors(column))]


def test_what_may_be_null_and_what_bounds_leave_out_is_said_as_openapi_3_0_does():
    edges = ALL["edges"]["inputs"]["reach_m"]["schema"]
    assert (edges["minimum"], edges["exclusiveMinimum"]) == (0, True)
    assert openapi_schema({"type": "integer", "exclusiveMaximum": 5}) == {
        "type": "integer", "maximum": 5, "exclusiveMaximum": True,
    }  # fmt: skip
    assert ALL["cover"]["inputs"]["index_threshold"]["schema"] == {
        "type": "number", "minimum": -1, "maximum": 1, "nullable": True, "default": None,
    }  # fmt: skip


def test_files_come_by_value_or_by_reference_and_tables_are_no_features():
    for name, media in (("source", "application/geopackage+sqlite3"), ("dem", "image/tiff; application=geotiff")):
        value, reference = ALL["dock"]["inputs"][name]["schema"]["oneOf"]
        assert value == {"type": "string", "contentMediaType": media, "contentEncoding": "base64"}
        assert reference["required"] == ["href"] and reference["properties"]["type"]["enum"] == [media]
    assert "feature-collection" not in json.dumps(ALL)
    written = layers(ALL["materials"]["outputs"]["out"])
    assert written["materials"]["table"] and "geometry" not in written["materials"]
    assert layers(ALL["zones"]["outputs"]["out"])["zones"]["geometry"] == "Polygon"
    names = ALL["zones"]["inputs"]["profile"]["schema"]["oneOf"][0]["enum"]
    assert "medium" in names


@pytest.mark.parametrize("step", STEPS.values(), ids=lambda step: step.id)
def test_every_layer_and_parameter_of_a_step_is_described(step):
    inputs = ALL[step.id]["inputs"]
    assert set(step.writes) <= layers(ALL[step.id]["outputs"]["out"]).keys()
    assert step.plan_layers_read <= layers(inputs["source"]).keys()
    assert layers(inputs["source"])["parcels"]["required"]
    for name, field in step.parameters.model_fields.items():
        assert inputs[name]["description"], name
        assert inputs[name]["minOccurs"] == 0
        assert inputs[name]["schema"]["default"] == json.loads(json.dumps(field.default)), name


def example(schema):
    """A value that a schema allows."""
    schema = schema.get("oneOf", [schema])[0]
    if schema.get("enum"):
        return schema["enum"][0]
    if schema.get("default") is not None:
        return schema["default"]
    if schema["type"] == "array":
        return [example(schema["items"])]
    return {"boolean": True, "string": "a=b"}.get(schema["type"], schema.get("maximum", schema.get("minimum", 5)))


@pytest.mark.parametrize("name", ALL)
def test_what_is_described_is_what_the_command_takes(name):
    """Every input and output, written as its words say, is understood, and no option is left undescribed."""
    command, *words = words_of(ALL[name])["command"]
    arguments, used = {}, set()
    for value in (value for value in described_values(ALL[name]) if "additionalParameters" in value):
        given = words_of(value)
        if "argument" in given:
            arguments[int(given["argument"][0])] = "file"
            continue
        option, *start = given["option"]
        some = example(value["schema"])
        used.add(option)
        if isinstance(some, bool):
            words += [option] if some and not start else []
        elif not (start and "contentMediaType" in value["schema"]):  # a parameter's file is opened at once
            items = some if isinstance(some, list) and not start else [some]
            texts = (",".join(map(str, item)) if isinstance(item, list) else str(item) for item in items)
            words += [f"{option}={''.join(start)}{text}" for text in texts if text]
    words += [arguments[place] for place in sorted(arguments)]
    parser = typer.main.get_command(app).commands[command]
    understood = parser.make_context(command, words).params
    assert understood["messages"] == "words"
    if command == "run":
        _parameters(STEPS[name], understood["set_"])
    options = {option for parameter in parser.params for option in parameter.opts if option.startswith("--")}
    unread = {f"--{raster}" for raster in ("dem", "dsm", "imagery")} if command == "run" else set()
    assert options - {"--messages", "--json", "--help"} - used <= unread
