"""An algorithm made of a process description: its widgets, its run, and the layers that it loads."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from osgeo import gdal
from qgis.core import (
    NULL,
    QgsLayerTreeLayer,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingLayerPostProcessorInterface,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProviderRegistry,
)
from qgis.PyQt.QtGui import QIcon

from .command_line import FOLDER, command_words, words_of
from .parameters import FILE_OF_PROFILE, IN_FOLDER, input_parameters, output_parameter
from .running import run

HERE = Path(__file__).parent
LOAD = "load_layers"
RANK = "lawngis/rank"
PARTLY = 1
"""Exit code of what was done but for some parcels."""


_kept: list[Any] = []
"""What styles loaded layers: the GIS calls it after the algorithm has gone."""


class OwnPlace(QgsProcessingLayerPostProcessorInterface):
    """Gives a loaded layer the style that its file has for it, and its place among ours in the map.

    Parameters
    ----------
    shown
        Whether a layer is seen at first, by the names of all, the uppermost first.
    name
        Of the layer.
    """

    def __init__(self, shown: Mapping[str, bool], name: str) -> None:
        super().__init__()
        self._shown = shown[name]
        self._rank = list(shown).index(name)
        _kept.append(self)

    def postProcessLayer(self, layer: Any, context: Any, feedback: Any) -> None:  # noqa: N802
        """Style a layer, and draw it over those that come after it."""
        del feedback
        layer.loadDefaultStyle()
        layer.setCustomProperty(RANK, self._rank)
        node = context.project().layerTreeRoot().findLayer(layer.id())
        if node is None:
            return
        parent = node.parent()
        siblings = parent.children()
        under = [one is not node and _rank_of(one) >= self._rank for one in siblings]
        placed = node.clone()
        placed.setItemVisibilityChecked(self._shown)
        parent.insertChildNode(under.index(True) if True in under else len(siblings), placed)
        parent.removeChildNode(node)  # at last: a layer that is nowhere in the tree leaves the project


@contextmanager
def _nothing_beside_rasters() -> Iterator[None]:
    """Keep the GIS from writing what it finds out of a raster that it opens here into a file beside it."""
    before = gdal.GetThreadLocalConfigOption(_SIDE_FILES)
    gdal.SetThreadLocalConfigOption(_SIDE_FILES, "NO")
    try:
        yield
    finally:
        gdal.SetThreadLocalConfigOption(_SIDE_FILES, before)


_SIDE_FILES = "GDAL_PAM_ENABLED"


def _tells_more(said: Mapping[str, Any]) -> bool:
    return str(said["description"]).rstrip(".") not in ("", said["title"])


def _rank_of(node: Any) -> int:
    """Return the rank of a layer of ours in the map, -1 of another, and of a group."""
    layer = node.layer() if isinstance(node, QgsLayerTreeLayer) else None
    return -1 if layer is None else int(layer.customProperty(RANK, -1))


class ProcessAlgorithm(QgsProcessingAlgorithm):
    """One process of lawngis.

    Parameters
    ----------
    described
        Its description.
    said
        All descriptions, the command that starts lawngis, and which layers are seen at first, the uppermost first.
    """

    def __init__(self, described: Mapping[str, Any], said: Mapping[str, Any]) -> None:
        super().__init__()
        self._described = described
        self._said = said
        self._titles = {one["id"]: one["title"] for one in said["processes"]}

    def createInstance(self) -> ProcessAlgorithm:  # noqa: N802
        """Return another of the same description."""
        return ProcessAlgorithm(self._described, self._said)

    def name(self) -> str:
        """Return the name by which scripts call it."""
        return str(self._described["id"])

    def displayName(self) -> str:  # noqa: N802
        """Return the name in the toolbox."""
        return str(self._described["title"])

    def group(self) -> str:
        """Return whether it is a whole job or a single step."""
        return "Single steps" if words_of(self._described)["command"][0] == "run" else "Whole jobs"

    def groupId(self) -> str:  # noqa: N802
        """Return the group's name for scripts."""
        return self.group().split()[-1]

    def shortHelpString(self) -> str:  # noqa: N802
        """Return what it does, and what each input is."""
        inputs = self._described["inputs"].values()
        lines = [f"<b>{said['title']}</b>: {said['description']}" for said in inputs if _tells_more(said)]
        return f"<p>{self._described['description']}</p><p>{'<br/>'.join(lines)}</p>"

    def icon(self) -> Any:
        """Return our sign."""
        return QIcon(str(HERE / "icon.svg"))

    def initAlgorithm(self, configuration: Any = None) -> None:  # noqa: N802
        """Make the widgets."""
        del configuration
        for name, said in self._described["inputs"].items():
            for parameter in input_parameters(name, said):
                self.addParameter(parameter)
        for name, said in self._described["outputs"].items():
            if words_of(said):
                self.addParameter(output_parameter(name, said, required=name == "out"))
            else:
                self.addOutput(QgsProcessingOutputString(name, said["title"]))
        if self._layers():
            self.addParameter(QgsProcessingParameterBoolean(LOAD, "Load the layers, styled", True))

    def checkParameterValues(self, parameters: Any, context: Any) -> Any:  # noqa: N802
        """Return whether what was given will do; rasters are opened for that."""
        for name, said in self._described["inputs"].items():
            if self.parameterDefinition(name + IN_FOLDER) is None:
                continue
            given = sum(bool(parameters.get(one)) for one in (name, name + IN_FOLDER))
            if given > 1 or given < said["minOccurs"]:
                return False, f"{said['title']}: name a folder or a GeoPackage, and not both."
        with _nothing_beside_rasters():
            return super().checkParameterValues(parameters, context)

    def processAlgorithm(self, parameters: Any, context: Any, feedback: Any) -> dict[str, Any]:  # noqa: N802
        """Run it as a process, and have its layers loaded.

        Raises
        ------
        QgsProcessingException
            With what lawngis says of it.
        """
        with _nothing_beside_rasters():
            values = self._values(parameters, context)
        errors: list[str] = []

        def told(said: Mapping[str, Any]) -> None:
            text = str(said.get("text", ""))
            if said["kind"] == "progress":
                feedback.setProgress(100 * said["share"])
                step = self._titles.get(said.get("step", ""), "")
                feedback.setProgressText(": ".join(word for word in (said.get("parcel"), step) if word) or text)
            elif said["kind"] == "error" and said.get("code") != "ParcelFailed":
                errors.append(text)  # it ends the run, and is shown then
            elif said["kind"] == "error":
                feedback.reportError(text)
            elif said["kind"] == "finding":
                feedback.pushWarning(f"{said.get('parcel')}: {text}")
            else:
                feedback.pushInfo(text)

        words = [*self._said["command"], *command_words(self._described, values)]
        words.insert(words.index("--"), "--messages=json")
        code, printed = run(words, told, feedback.isCanceled)
        if code is None:
            return {}
        results = {name: value for name, value in values.items() if name in self._described["outputs"]}
        reports = [name for name, said in self._described["outputs"].items() if not words_of(said)]
        if reports and printed.startswith("{"):
            feedback.pushInfo(printed)
            return {**results, reports[0]: json.dumps(json.loads(printed), ensure_ascii=False)}
        if code not in (0, PARTLY):
            raise QgsProcessingException("\n".join(errors) or f"lawngis ended with {code}")
        feedback.pushInfo(printed)
        if self.parameterAsBool(parameters, LOAD, context):
            self._load(values, context)
        return results

    def _values(self, parameters: Any, context: Any) -> dict[str, Any]:
        """Return what was given, as plain values by the names of inputs and outputs."""
        values: dict[str, Any] = {}
        for definition in self.parameterDefinitions():
            name = definition.name()
            if name == LOAD or (parameters.get(name) is None and not definition.isDestination()):
                continue
            values[name] = self._value(definition, parameters, context)
        for name in [name for name in values if name.endswith(IN_FOLDER)]:
            alone = name.removesuffix(IN_FOLDER)
            values[alone] = values.pop(name) or values.get(alone)
        values["profile"] = values.pop(FILE_OF_PROFILE, None) or values.get("profile")
        return values

    def _value(self, definition: QgsProcessingParameterDefinition, parameters: Any, context: Any) -> Any:
        kind, name = definition.type(), definition.name()
        if kind == "number" and self._described["inputs"][name]["schema"]["type"] == "integer":
            kind = "integer"
        readers: dict[str, Callable[..., Any]] = {
            "raster": self.parameterAsRasterLayer,
            "rasterDestination": self.parameterAsOutputLayer,
            "fileDestination": self.parameterAsFileOutput,
            "folderDestination": self.parameterAsFileOutput,
            "enum": self.parameterAsEnumString,
            "matrix": self.parameterAsMatrix,
            "multilayer": self.parameterAsFileList,
            "boolean": self.parameterAsBool,
            "number": self.parameterAsDouble,
            "integer": self.parameterAsInt,
        }
        read = readers.get(kind) or self.parameterAsString
        value = read(parameters, name, context)
        if kind == "raster":
            return str(parameters[name]) if value is None else value.source()
        if kind == "matrix":  # rows of the table that nobody filled in
            return [str(item) for item in value if item not in (None, NULL, "")]
        return value

    def _layers(self) -> dict[str, Any]:
        """Return the layers that it writes, by name."""
        metadata = self._described["outputs"].get("out", {}).get("metadata", ())
        return {name: layer for one in metadata for name, layer in one["value"].items()}

    def _load(self, values: Mapping[str, Any], context: Any) -> None:
        """Have the layers with anything in them loaded."""
        out = Path(values["out"])
        file = out / "plan.gpkg" if self._media("out") == FOLDER else out
        there = {one.name(): one for one in QgsProviderRegistry.instance().querySublayers(str(file))}
        for name, layer in self._layers().items():
            if name not in there or not there[name].featureCount():
                continue
            details = QgsProcessingContext.LayerDetails(layer["title"], context.project(), "")
            details.setPostProcessor(OwnPlace(self._said["shown"], name))
            context.addLayerToLoadOnCompletion(there[name].uri(), details)

    def _media(self, name: str) -> str:
        return str(self._described["outputs"][name]["schema"]["contentMediaType"])
