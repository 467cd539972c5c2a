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

from .command_line import FOLDER, GEOPACKAGE, GEOTIFF

_FILTERS = {
    GEOPACKAGE: "GeoPackage (*.gpkg);;All files (*)",
    "application/toml": "TOML (*.toml)",
    "text/csv": "CSV (*.csv)",
    "font/ttf": "Fonts (*.ttf *.otf)",
}
_IN_FRONT = ("profile", "parcel", "dem", "dsm", "imagery", "unit", "method", "only")
"""What is seen at once; the rest is under «Advanced»."""

FILE_OF_PROFILE = "profile_file"
IN_FOLDER = "_folder"
"""End of the name of a widget for a folder beside that for a GeoPackage: the GIS has none that picks either."""


def _number(word: str) -> Any:
    """Return a type of number; it has moved between versions of the GIS."""
    kinds = getattr(core.Qgis, "ProcessingNumberParameterType", QgsProcessingParameterNumber)
    return getattr(kinds, word)


_ADVANCED = getattr(core.Qgis, "ProcessingParameterFlag", QgsProcessingParameterDefinition)
ADVANCED = getattr(_ADVANCED, "Advanced", None) or QgsProcessingParameterDefinition.FlagAdvanced
_FOLDERS = getattr(core.Qgis, "ProcessingFileParameterBehavior", QgsProcessingParameterFile).Folder
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
        file = _file(FILE_OF_PROFILE, f"{title} of your own (TOML)", "application/toml", True)
        return [choice, file]
    schema = schema.get("oneOf", [schema])[0]
    media = schema.get("contentMediaType")
    if media == GEOTIFF:
        return [QgsProcessingParameterRasterLayer(name, title, None, optional)]
    if media == GEOPACKAGE:
        folder = QgsProcessingParameterFile(f"{name}{IN_FOLDER}", f"{title}: a folder", _FOLDERS, optional=True)
        return [folder, _file(name, f"{title}: a GeoPackage alone", media, True)]
    if media:
        return [_file(name, title, media, optional)]
    return [_plain(name, title, schema, optional)]


def _plain(name: str, title: str, schema: Mapping[str, Any], optional: bool) -> Any:
    """Return the widget of what is no file."""
    default = schema.get("default")
    if "enum" in schema:
        return _enum(name, title, schema, optional)
    if schema["type"] == "array" and "oneOf" in schema["items"]:
        return QgsProcessingParameterMultipleLayers(name, title, TYPE_FILE, None, optional)
    if schema["type"] == "array":
        return QgsProcessingParameterMatrix(name, title, 0, False, [title], default, optional)
    if schema["type"] == "boolean":
        return QgsProcessingParameterBoolean(name, title, bool(default), optional)
    if schema["type"] in ("integer", "number"):
        kind = _number("Integer" if schema["type"] == "integer" else "Double")
        ends = (("minimum", "minValue"), ("maximum", "maxValue"))
        limits = {word: schema[end] for end, word in ends if end in schema}
        return QgsProcessingParameterNumber(name, title, kind, default, optional, **limits)
    return QgsProcessingParameterString(name, title, default, False, optional)


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
