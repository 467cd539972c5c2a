"""A plug-in for the desktop GIS: lawngis in its toolbox. It runs inside the GIS and imports nothing of lawngis."""

from __future__ import annotations

from typing import Any


def classFactory(interface: Any) -> Any:  # noqa: N802  # the GIS asks for this name
    """Return the plug-in."""
    from .provider import Plugin

    return Plugin(interface)
