"""Parameters of algorithms, made of the inputs and outputs of a process description, and the words they become."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from qgis import core
from qgis.core import (
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMatrix,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
)

GEOPACKAGE = "application/geopackage+sqlite3"
GEOTIFF = "image/tiff; application=geotiff"
FOLDER = "inode/directory"

_FILTERS = {
    GEOPACKAGE: "GeoPackage (*.gpkg);;File or folder (*)",
    "application/toml": "TOML (*.toml)",
    "text/csv": "CSV (*.csv)",
    "font/ttf": "Fonts (*.ttf *.otf)",
}
_IN_FRONT = ("profile", "parcel", "dem", "dsm", "imagery", "unit", "method", "only")
"""What is seen at once; the rest is under «Advanced»."""

FILE_OF_PROFILE = "profile_file"


def _number(word: str) -> Any:
    """Return a type of number; it has moved between versions of the GIS."""
    kinds = getattr(core.Qgis, "ProcessingNumberParameterType", QgsProcessingParameterNumber)
    return getattr(kinds, word)


_ADVANCED = getattr(core.Qgis, "ProcessingParameterFlag", QgsProcessingParameterDefinition)
ADVANCED = getattr(_ADVANCED, "Advanced", None) or QgsProcessingParameterDefinition.FlagAdvanced
_SOURCES = getattr(core.Qgis, "ProcessingSourceType", core.QgsProcessing)
TYPE_FILE = getattr(_SOURCES, "File", None) or core.QgsProcessing.TypeFile


def input_parameters(name: str, said: Mapping[str, Any]) -> list[Any]:
    """Return the widgets of an input: a file by its filter, a choice, a list, a number in its bounds."""
    made = _parameters(name, said)
    for parameter in made:
        parameter.setHelp(said.get("description", ""))
        if not said["minOccurs"] and name not in _IN_FRONT:
            parameter.setFlags(parameter.flags() | ADVANCED)
    return made


def _parameters(name: str, said: Mapping[str, Any]) -> list[Any]:
    title = said["title"]
    optional = not said["minOccurs"]
    schema = said["schema"]
    if "oneOf" in schema and "enum" in schema["oneOf"][0]:
        choice = _enum(name, title, schema["oneOf"][0], optional)
        file = _file(FILE_OF_PROFILE, f"{title}, or one of your own", "application/toml", True)
        return [choice, file]
    schema = schema.get("oneOf", [schema])[0]
    media = schema.get("contentMediaType")
    if media == GEOTIFF:
        return [QgsProcessingParameterRasterLayer(name, title, None, optional)]
    if media:
        return [_file(name, title, media, optional)]
    if "enum" in schema:
        return [_enum(name, title, schema, optional)]
    if schema["type"] == "array":
        if "oneOf" in schema["items"]:
            return [QgsProcessingParameterMultipleLayers(name, title, TYPE_FILE, None, optional)]
        return [QgsProcessingParameterMatrix(name, title, 1, False, [title], schema.get("default"), optional)]
    if schema["type"] == "boolean":
        return [QgsProcessingParameterBoolean(name, title, schema.get("default", False), optional)]
    if schema["type"] in ("integer", "number"):
        kind = _number("Integer" if schema["type"] == "integer" else "Double")
        bounds = {key: schema[key] for key in ("minimum", "maximum") if key in schema}
        limits = {{"minimum": "minValue", "maximum": "maxValue"}[key]: value for key, value in bounds.items()}
        return [QgsProcessingParameterNumber(name, title, kind, schema.get("default"), optional, **limits)]
    return [QgsProcessingParameterString(name, title, schema.get("default"), False, optional)]


def _enum(name: str, title: str, schema: Mapping[str, Any], optional: bool) -> Any:
    return QgsProcessingParameterEnum(name, title, schema["enum"], False, schema.get("default"), optional, True)


def _file(name: str, title: str, media: str, optional: bool) -> Any:
    parameter = QgsProcessingParameterFile(name, title, optional=optional)
    parameter.setFileFilter(_FILTERS[media])
    return parameter


def output_parameter(name: str, said: Mapping[str, Any], required: bool) -> Any:
    """Return the widget of an output; of those beside the main one, none is made unless it is named."""
    media = said["schema"]["contentMediaType"]
    more = {"optional": not required, "createByDefault": required}
    if media == GEOTIFF:
        return QgsProcessingParameterRasterDestination(name, said["title"], None, **more)
    if media == FOLDER:
        return QgsProcessingParameterFolderDestination(name, said["title"], None, **more)
    return QgsProcessingParameterFileDestination(name, said["title"], _FILTERS[media], None, **more)


def words_of(said: Mapping[str, Any]) -> dict[str, list[str]]:
    """Return the words that a description has for the command line."""
    return {one["name"]: one["value"] for one in said.get("additionalParameters", {}).get("parameters", ())}


def command_words(described: Mapping[str, Any], values: Mapping[str, Any]) -> list[str]:
    """Return the words of a command line that give some values; what is None or empty is left to its default."""
    options: list[str] = []
    arguments: dict[int, str] = {}
    for name, said in {**described["inputs"], **described["outputs"]}.items():
        value = values.get(name)
        words = words_of(said)
        if value is None or value in ("", []) or not words:
            continue
        if "argument" in words:
            arguments[int(words["argument"][0])] = str(value)
            continue
        option, *start = words["option"]
        if isinstance(value, bool):
            options += [f"{option}={start[0]}{str(value).lower()}"] if start else [option] if value else []
            continue
        items = value if isinstance(value, list) and not start else [value]
        options += [f"{option}={''.join(start)}{_text(item)}" for item in items]
    return [*words_of(described)["command"], *options, "--", *(arguments[place] for place in sorted(arguments))]


def _text(value: Any) -> str:
    return ",".join(str(item) for item in value) if isinstance(value, list) else str(value)
