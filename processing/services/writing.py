"""Write the plug-in for the desktop GIS."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from lawngis import __version__

from ..files.atomic import copy_packaged
from ..model.contract import Layer
from ..model.map_layers import drawing_order, map_layer

PLUGIN_NAME = "lawngis_toolbox"
"""Folder of the plug-in, by which the GIS imports it."""

_PROCESSES = "processes.json"
_METADATA = """[general]
name=lawngis
qgisMinimumVersion=3.22
qgisMaximumVersion=3.99
description=Plans wire-guided robotic lawnmower installations: lawngis's steps and commands in the toolbox.
about=Made by `lawngis provider`. Every algorithm runs as a process of the environment in which lawngis is installed.
version={version}
author=The lawngis developers
email=
icon=icon.svg
hasProcessingProvider=yes
"""


def write_plugin(out: Path, processes: Sequence[Mapping[str, Any]], specs: Sequence[Layer]) -> Path:
    """Write the plug-in into a folder, in the place of an older one, and return where it lies.

    Parameters
    ----------
    out
        Folder of plug-ins.
    processes
        Descriptions of the processes, of which the GIS makes its algorithms.
    specs
        Declarations of the layers of a plan.

    Raises
    ------
    PlanError
        When something else is in its place, or it can't be written.
    """
    target = out / PLUGIN_NAME
    if (target / _PROCESSES).is_file():
        shutil.rmtree(target)
    # -I: variables of the GIS's own Python and the folder it works in lead nowhere.
    said = {
        "command": [sys.executable, "-I", "-m", "lawngis.processing.cli.main"],
        "shown": {spec.name: map_layer(spec).shown for spec in drawing_order(specs)},
        "processes": processes,
    }
    made = {_PROCESSES: json.dumps(said, ensure_ascii=False), "metadata.txt": _METADATA.format(version=__version__)}
    copy_packaged("lawngis.processing.services.plugin", target, (".py", ".svg"), made)
    return target
