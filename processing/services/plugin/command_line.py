"""The words of a command line that give some values, as a process description says. Server and desktop GIS share it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

GEOPACKAGE = "application/geopackage+sqlite3"
GEOTIFF = "image/tiff; application=geotiff"
FOLDER = "inode/directory"


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
