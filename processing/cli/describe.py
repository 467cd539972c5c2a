"""Declarations in words and as an OGC API - Processes description."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lawngis import __version__

from ..model.contract import Column, Layer, SiteLayer
from ..model.decision_list import decision_table
from ..model.layers import PLAN_LAYERS
from ..model.site import DataAccuracy
from ..model.site_layers import RASTERS, SITE_LAYERS
from ..model.step import Step
from ..steps.workflow import installed_steps, step_layers

_JSON_TYPES = {
    "text": {"type": "string"},
    "real": {"type": "number"},
    "integer": {"type": "integer"},
    "boolean": {"type": "boolean"},
    "datetime": {"type": "string", "format": "date-time"},
}


def process_description(step: Step) -> dict[str, Any]:
    """Return a step's declaration as a process description.

    References
    ----------
    OGC API - Processes - Part 1: Core (OGC 18-062r2), clause 7.10, schema ``process.yaml``.
    """
    specs = step_layers(installed_steps()) | step_layers([step])
    return {
        "id": step.id,
        "version": __version__,
        "title": step.title,
        "description": step.description,
        "jobControlOptions": ["sync-execute"],
        "outputTransmission": ["value"],
        "inputs": {**_layer_inputs(step, specs), **_parameter_inputs(step)},
        "outputs": {name: _layer_output(specs[name]) for name in step.writes},
    }


def _layer_inputs(step: Step, specs: Mapping[str, Layer]) -> dict[str, Any]:
    inputs: dict[str, Any] = {}
    for name in step.reads:
        kind, _, layer = name.rpartition(":")
        if kind == "raster":
            inputs[layer] = {
                "title": RASTERS[layer],
                "minOccurs": 0,
                "schema": {"type": "string", "contentMediaType": "image/tiff; application=geotiff"},
            }
        elif kind == "accuracy":
            field = DataAccuracy.model_json_schema()["properties"][layer]
            inputs[layer] = _value_input(layer, field, required=False)
        elif kind in ("site", "fact"):
            layer = "overrides" if kind == "fact" else layer
            spec = SITE_LAYERS[layer]
            inputs[layer] = {
                "title": spec.title,
                "minOccurs": 1 if layer == "parcels" else 0,
                "schema": _features_schema(spec.columns),
            }
        else:
            inputs[layer] = {
                "title": specs[layer].title,
                "schema": _features_schema(specs[layer].columns),
            }
    return inputs


def _parameter_inputs(step: Step) -> dict[str, Any]:
    schema = step.parameters.model_json_schema()
    required = set(schema.get("required", ()))
    fields = schema.get("properties", {})
    return {name: _value_input(name, field, required=name in required) for name, field in fields.items()}


def _value_input(name: str, field: Mapping[str, Any], *, required: bool) -> dict[str, Any]:
    return {
        "title": name.replace("_", " "),
        "description": field.get("description", ""),
        "minOccurs": 1 if required else 0,
        "schema": {key: value for key, value in field.items() if key not in ("title", "description")},
    }


def _layer_output(spec: Layer) -> dict[str, Any]:
    return {"title": spec.title, "description": spec.description, "schema": _features_schema(spec.columns)}


def _features_schema(columns: tuple[Column, ...]) -> dict[str, Any]:
    return {
        "type": "object",
        "format": "geojson-feature-collection",
        "contentMediaType": "application/geo+json",
        "properties": {"features": {"type": "array", "items": {"properties": _column_schemas(columns)}}},
    }


def _column_schemas(columns: tuple[Column, ...]) -> dict[str, Any]:
    return {
        column.name: {
            **_JSON_TYPES[column.kind],
            "description": f"{column.description} [{column.unit}]" if column.unit else column.description,
            **({"enum": list(column.values)} if column.values else {}),
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
