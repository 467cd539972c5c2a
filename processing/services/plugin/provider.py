"""The provider of lawngis's algorithms, and the plug-in that registers it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from qgis.core import QgsApplication, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithm import ProcessAlgorithm

HERE = Path(__file__).parent


class Plugin:
    """What the GIS loads and unloads."""

    def __init__(self, interface: Any) -> None:
        del interface  # all is in the toolbox
        self._provider: Any = None

    def initProcessing(self) -> None:  # noqa: N802
        """Register the provider; processes without windows call this alone."""
        self._provider = Provider()
        QgsApplication.processingRegistry().addProvider(self._provider)

    def initGui(self) -> None:  # noqa: N802
        """Register the provider."""
        self.initProcessing()

    def unload(self) -> None:
        """Take the provider away."""
        QgsApplication.processingRegistry().removeProvider(self._provider)


class Provider(QgsProcessingProvider):
    """Algorithms made of the descriptions beside this file."""

    def loadAlgorithms(self) -> None:  # noqa: N802
        """Make an algorithm of each description."""
        said = json.loads((HERE / "processes.json").read_text(encoding="utf-8"))
        for described in said["processes"]:
            self.addAlgorithm(ProcessAlgorithm(described, said))

    def id(self) -> str:
        """Return the name by which algorithms are called: ``lawngis:plan``."""
        return "lawngis"

    def name(self) -> str:
        """Return the name in the toolbox."""
        return "lawngis"

    def longName(self) -> str:  # noqa: N802
        """Return the name where there is room for more."""
        return "lawngis: plans for wire-guided lawnmowers"

    def icon(self) -> Any:
        """Return our sign."""
        return QIcon(str(HERE / "icon.svg"))
