"""What steps and commands take and make, as OGC API - Processes descriptions.

Everything is read from what is declared anyway: the options of a command, the parameters and layers of a step. So what
is described is what a command line takes: `additionalParameters` hold its words. Schemas are those of OpenAPI 3.0.
"""

from __future__ import annotations

import inspect
import re
import types
from collections.abc import Callable, Iterable, Mapping
from enum import Enum
from pathlib import Path
from typing import Any, get_args, get_origin, get_type_hints

from lawngis import __version__
from lawngis.errors import ParameterError
from lawngis.mower import profile_names

from ..model.contract import Column, Layer, SiteLayer
from ..model.decision_list import decision_table
from ..model.layers import PLAN_LAYERS
from ..model.site_layers import RASTERS, SITE_LAYERS
from ..model.step import TOML, Step, loaded_steps, step_named
from ..planning.run_settings import AUTO
from ..services.plugin.command_line import FOLDER, GEOPACKAGE, GEOTIFF
from ..steps.workflow import OPEN_LAYERS, installed_steps, step_layers
from .run import run

JSON = "application/json"

_TYPES: Mapping[type, str] = {str: "string", Path: "string", int: "integer", float: "number", bool: "boolean"}
_JSON_TYPES: Mapping[str, Mapping[str, str]] = {
    "text": {"type": "string"},
    "real": {"type": "number"},
    "integer": {"type": "integer"},
    "boolean": {"type": "boolean"},
    "datetime": {"type": "string", "format": "date-time"},
}
_MEDIA = {
    "site": GEOPACKAGE, "source": GEOPACKAGE, "plan": GEOPACKAGE, "dem": GEOTIFF, "dsm": GEOTIFF, "imagery": GEOTIFF,
    "prices": TOML, "labour": TOML, "quote_details": TOML, "font": "font/ttf",
}  # fmt: skip
"""What is in the files that options name."""

_TITLES = {
    "plan": "Plan of all parcels",
    "slope": "Slope of a terrain model",
    "check": "What a site has and lacks",
    "deliver": "Documents of a plan",
}
"""Names of commands where steps have theirs."""

_TITLE_MAX = 24
"""A help that is no longer than this many letters is a title."""

_UNITS = re.compile("_(mm_week|m2|mm|m|c|h|deg|percent)$")
"""Units at the end of names of parameters; they stand in brackets at the end of the description too."""

_LETTERS = re.compile(r"\b(crs|dem|dsm|mb|sd)\b")
"""What is written in capitals."""

_OUTPUTS: Mapping[str, Mapping[str, tuple[str, str]]] = {
    "run": {"out": ("GeoPackage with what the step writes", GEOPACKAGE)},
    "plan": {"out": ("Plan, plan.gpkg in a folder", FOLDER)},
    "slope": {
        "out": ("Slope", GEOTIFF), "sd": ("Standard deviation of the slope", GEOTIFF), "aspect": ("Aspect", GEOTIFF),
    },
    "check": {},
    "deliver": {"out": ("Folder of documents", FOLDER)},
}  # fmt: skip
"""Options that name what is made, with title and media type."""

_UNSAID = ("step", "set_", "as_json")
"""Options that a description has no input for: it has another for each value of theirs, or always gives them."""


def processes(commands: Iterable[Callable[..., None]]) -> list[dict[str, Any]]:
    """Return the descriptions of commands and of all steps."""
    return [*(command_description(one) for one in commands), *(process_description(one) for one in installed_steps())]


def process_named(name: str, commands: Iterable[Callable[..., None]]) -> dict[str, Any]:
    """Return the description of a command or step.

    Raises
    ------
    ParameterError
        When there is none of that name.
    """
    by_name = {command.__name__: command for command in commands}
    if name in by_name:
        return command_description(by_name[name])
    try:
        return process_description(step_named(name))
    except ParameterError as error:
        known = ", ".join([*by_name, *loaded_steps()[0]])
        raise ParameterError(error.what, where=error.where, advice=error.advice and f"Known are {known}.") from error


def command_description(command: Callable[..., None]) -> dict[str, Any]:
    """Return a command as a process description.

    References
    ----------
    OGC API - Processes - Part 1: Core (OGC 18-062r2), clause 7.10, schema ``process.yaml``.
    """
    name = command.__name__
    text = " ".join((command.__doc__ or "").split())
    described = _described(command, [name, "--json"] if name == "check" else [name], _TITLES[name], text)
    if name == "plan":
        described["inputs"]["site"] |= _layers_said(_site_layers(SITE_LAYERS))
        described["inputs"]["set"] = _set_of_plan()
        described["outputs"]["out"] |= _layers_said(_plan_layers(PLAN_LAYERS.values()))
    elif name == "check":
        report = {"type": "object", "contentMediaType": JSON}
        described["outputs"]["report"] = {"title": "What is there, missing, broken", "schema": report}
    return described


def process_description(step: Step) -> dict[str, Any]:
    """Return a step's declaration as a process description: what ``lawngis run STEP`` takes and makes."""
    specs = step_layers(installed_steps()) | step_layers([step])
    described = _described(run, ["run", step.id], step.title, step.description)
    described["id"] = step.id
    read = [specs[name] for name in step.reads if name in specs]
    of_site = {name: SITE_LAYERS[name] for name in _site_names(step)}
    rasters = {name.partition(":")[2] for name in step.reads if name.startswith("raster:")}
    for name in RASTERS.keys() - rasters:
        described["inputs"].pop(name)
    described["inputs"]["source"] |= _layers_said([*_site_layers(of_site), *_plan_layers(read)])
    described["inputs"] |= _parameter_inputs(step)
    written = (specs[name] for name in (*step.writes, *sorted(OPEN_LAYERS)))
    described["outputs"]["out"] |= _layers_said(_plan_layers(written))
    return described


def _described(command: Callable[..., None], words: list[str], title: str, text: str) -> dict[str, Any]:
    """Return a description with the inputs and outputs that a command's options tell."""
    outputs = _OUTPUTS[command.__name__]
    described: dict[str, Any] = {
        "id": words[0],
        "version": __version__,
        "title": title,
        "description": text,
        "jobControlOptions": ["sync-execute", "async-execute", "dismiss"],
        "outputTransmission": ["value"],
        "additionalParameters": {"parameters": [{"name": "command", "value": words}]},
        "inputs": {},
        "outputs": {},
    }
    hints = get_type_hints(command, include_extras=True)
    position = 0
    for name, parameter in inspect.signature(command).parameters.items():
        if name in _UNSAID:
            position += name == "step"
            continue
        kind, info = hints[name].__origin__, hints[name].__metadata__[0]
        # The library of the command line takes the first name of an annotated option for its default at first.
        names = (info.default, *(info.param_decls or ()))
        options = [word for word in names if isinstance(word, str) and word.startswith("--")]
        given = {"name": "option", "value": options} if options else {"name": "argument", "value": [str(position)]}
        position += not options
        said = {"additionalParameters": {"parameters": [given]}}
        if name in outputs:
            output_title, media = outputs[name]
            described["outputs"][name] = {"title": output_title, "schema": _content(media), **said}
            continue
        required = parameter.default is inspect.Parameter.empty
        described["inputs"][name.rstrip("_")] = {
            "title": _title(name, info.help or ""),
            "description": info.help or "",
            "minOccurs": int(required),
            "schema": _option_schema(name, kind, info, parameter.default),
            **said,
        }
    return described


def _option_schema(name: str, kind: Any, info: Any, default: Any) -> dict[str, Any]:
    """Return the schema of an option's value."""
    if get_origin(kind) is types.UnionType:
        (kind,) = (one for one in get_args(kind) if one is not types.NoneType)
    if get_origin(kind) is list:
        return {"type": "array", "items": _option_schema(name, get_args(kind)[0], info, None)}
    if name == "profile":
        return {"oneOf": [{"type": "string", "enum": [*profile_names(), AUTO]}, _content(TOML)]}
    if name in _MEDIA:
        return _file_schema(_MEDIA[name])
    if issubclass(kind, Enum):
        schema: dict[str, Any] = {"type": "string", "enum": [one.value for one in kind]}
    else:
        schema = {"type": _TYPES[kind]}
    schema |= {"minimum": info.min} if info.min is not None else {}
    schema |= {"maximum": info.max} if info.max is not None else {}
    plain = default.value if isinstance(default, Enum) else default
    return schema | ({} if plain in (None, inspect.Parameter.empty) else {"default": plain})


def _content(media: str) -> dict[str, Any]:
    """Return the schema of a file's content; what isn't text is in base64."""
    encoding = {} if media in (TOML, JSON) or media.startswith("text/") else {"contentEncoding": "base64"}
    return {"type": "string", "contentMediaType": media, **encoding}


def _file_schema(media: str) -> dict[str, Any]:
    """Return the schema of a file, by value or by reference."""
    place = {"href": {"type": "string"}, "type": {"type": "string", "enum": [media]}}
    return {"oneOf": [_content(media), {"type": "object", "required": ["href"], "properties": place}]}


def _set_of_plan() -> dict[str, Any]:
    return {
        "title": "Parameters of steps",
        "description": "Parameters of steps, each as STEP.NAME=VALUE; the steps' own descriptions say which there are.",
        "minOccurs": 0,
        "schema": {"type": "array", "items": {"type": "string", "pattern": r"^\w+\.\w+=.*$"}},
        "additionalParameters": {"parameters": [{"name": "option", "value": ["--set"]}]},
    }


def _parameter_inputs(step: Step) -> dict[str, Any]:
    model = step.parameters.model_json_schema()
    return {
        name: {
            "title": _title(name, field.get("description", "")),
            "description": field.get("description", ""),
            "minOccurs": int(name in model.get("required", ())),
            "schema": openapi_schema(field),
            "additionalParameters": {"parameters": [{"name": "option", "value": ["--set", f"{name}="]}]},
        }
        for name, field in model.get("properties", {}).items()
    }


def _title(name: str, text: str) -> str:
    """Return what an input is called: its help where that is short, else its name, with its unit behind it."""
    plain = text.rstrip(".")
    if 0 < len(plain) <= _TITLE_MAX:
        return plain[:1].upper() + plain[1:]
    words = _UNITS.sub("", name) if plain.endswith("]") else name
    unit = f" {plain[plain.rindex('[') :]}" if plain.endswith("]") else ""
    words = _LETTERS.sub(lambda letters: letters[0].upper(), words.rstrip("_").replace("_", " "))
    return f"{words[:1].upper()}{words[1:]}{unit}"


def openapi_schema(schema: Mapping[str, Any]) -> dict[str, Any]:
    """Return a JSON schema of draft 2020-12, as pydantic gives it, as one of OpenAPI 3.0.

    What may be null is `nullable`, and an exclusive bound is a bound and a truth value. Title and description stand
    beside the schema.

    Examples
    --------
    >>> openapi_schema({"anyOf": [{"type": "number", "exclusiveMinimum": 0}, {"type": "null"}], "default": None})
    {'default': None, 'type': 'number', 'nullable': True, 'minimum': 0, 'exclusiveMinimum': True}
    """
    found = {name: value for name, value in schema.items() if name not in ("title", "description", "anyOf")}
    kinds = schema.get("anyOf", ())
    if kinds:
        (kind,) = (one for one in kinds if one != {"type": "null"})
        found |= {**kind, "nullable": True}
    for end in ("Minimum", "Maximum"):
        if f"exclusive{end}" in found:
            found[end.lower()] = found.pop(f"exclusive{end}")
            found[f"exclusive{end}"] = True
    return found


def _site_names(step: Step) -> list[str]:
    """Return the layers of the site that a step reads; its outline comes first, and facts are overrides."""
    kinds = [name.partition(":") for name in step.reads]
    facts = ["overrides"] if any(kind == "fact" for kind, _, _ in kinds) else []
    return list(dict.fromkeys(["parcels", *(layer for kind, _, layer in kinds if kind == "site"), *facts]))


def _layers_said(layers: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the layers of a GeoPackage as metadata of its description."""
    by_name = {layer["name"]: {key: value for key, value in layer.items() if key != "name"} for layer in layers}
    return {"metadata": [{"role": "layers", "title": "Layers", "value": by_name}]}


def _site_layers(specs: Mapping[str, SiteLayer]) -> list[dict[str, Any]]:
    return [
        _layer(spec.name, spec.title, " or ".join(spec.geometries), spec.columns) | {"required": name == "parcels"}
        for name, spec in specs.items()
    ]


def _plan_layers(specs: Iterable[Layer]) -> list[dict[str, Any]]:
    """Return layers of a plan; one without geometry is a table, and no collection of features."""
    return [
        _layer(spec.name, spec.title, " or ".join(spec.geometry_types) or spec.geometry, spec.columns) for spec in specs
    ]


def _layer(name: str, title: str, geometry: str | None, columns: tuple[Column, ...]) -> dict[str, Any]:
    kind = {"geometry": geometry} if geometry else {"table": True}
    return {"name": name, "title": title, **kind, "columns": column_schemas(columns)}


def column_schemas(columns: tuple[Column, ...]) -> dict[str, Any]:
    """Return the columns of a layer as schemas."""
    return {
        column.name: {
            **_JSON_TYPES[column.kind],
            "description": f"{column.description} [{column.unit}]" if column.unit else column.description,
            **({"enum": list(column.values)} if column.values else {}),
            **({"nullable": True} if column.nullable else {}),
        }
        for column in columns
    }


def layer_table(specs: Mapping[str, Layer] | Mapping[str, SiteLayer]) -> str:
    """Return layers and their columns as a Markdown table, for the project's documents."""
    lines = ["| layer | geometry | columns |", "|---|---|---|"]
    for name, spec in specs.items():
        types = spec.geometries if isinstance(spec, SiteLayer) else spec.geometry_types
        geometry = " or ".join(types) or "none (table)"
        lines.append(f"| {name} | {geometry} | {', '.join(_column_words(column) for column in spec.columns)} |")
    return "\n".join(lines)


def _column_words(column: Column) -> str:
    details = "; ".join(part for part in (column.unit, ", ".join(column.values)) if part)
    return f"`{column.name}` ({details})" if details else f"`{column.name}`"


def contract_tables() -> str:
    """Return the tables of DEVELOPERS.md: what a site brings, what a plan holds, and what it decides."""
    tables = {"Site": layer_table(SITE_LAYERS), "Plan": layer_table(PLAN_LAYERS), "Decisions": decision_table()}
    return "\n\n".join(f"### {title}\n\n{table}" for title, table in tables.items()) + "\n"


if __name__ == "__main__":
    print(contract_tables())
