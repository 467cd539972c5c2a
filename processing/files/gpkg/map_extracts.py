"""Map extracts (``.osm``, ``.osm.pbf``), read by GDAL's OSM driver and by no other."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fiona
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.errors import SiteError

from ..formats import MAP_EXTRACTS, alone, file_fault
from .opening import one_line
from .overview import Bounds

SHAPES: Mapping[str, str] = {"points": "point", "lines": "line", "multipolygons": "area"}
"""What the driver's layers hold; multilinestrings and other relations are routes, borders and the like."""

_PAIR = re.compile(r'"((?:[^"\\]|\\.)*)"=>"((?:[^"\\]|\\.)*)"')
_ESCAPED = re.compile(r"\\(.)")


@dataclass(frozen=True)
class MapFeature:
    """A feature of a map extract: "point", "line" or "area", its tags, and its geometry in longitude and latitude.

    Its number in the map is unique among points, lines and closed ways, or relations.
    """

    shape: str
    tags: Mapping[str, str]
    geometry: BaseGeometry
    number: str = ""


def map_features(path: Path, bounds: Bounds | None = None) -> Iterator[MapFeature]:
    """Yield the features of a map extract that have tags.

    Parameters
    ----------
    path
        The file.
    bounds
        Only features that touch these: west, south, east, north [degrees].

    Raises
    ------
    SiteError
        When the file isn't there, or is no map extract that can be read.
    """
    fault = file_fault(path, MAP_EXTRACTS)
    if fault:
        raise SiteError(fault[0], where=str(path), advice=fault[1])
    file = alone(path)
    problems = _Problems()
    try:
        for layer, shape in SHAPES.items():
            # named for fiona, which otherwise refuses drivers that it doesn't know
            told = problems.listened()
            with told, fiona.open(file, layer=layer, enabled_drivers=["OSM"], allow_unsupported_drivers=True) as source:
                for feature in source.filter(bbox=bounds) if bounds else source:
                    tags = _tags(feature["properties"])
                    geometry = _geometry(feature["geometry"])
                    if tags and geometry is not None:
                        yield MapFeature(shape, tags, geometry, _number(feature["properties"]))
            problems.raise_first()
    except (fiona.errors.FionaError, ValueError) as error:
        raise SiteError(
            f"is no map extract that can be read to its end ({one_line(error)})",
            where=str(path),
            advice="Download it again.",
        ) from error


class _Problems(logging.Handler):
    """What the driver says of a file that is broken or cut off: it ends there, and fiona goes on without a word."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep what is said."""
        self.said.append(record.getMessage())

    @contextmanager
    def listened(self) -> Iterator[None]:
        """Hear what fiona logs meanwhile."""
        logger = logging.getLogger("fiona._env")
        logger.addHandler(self)
        try:
            yield
        finally:
            logger.removeHandler(self)

    def raise_first(self) -> None:
        """Raise ValueError with the first problem, if there was one."""
        if self.said:
            raise ValueError(self.said[0])


def _geometry(geometry: Any) -> BaseGeometry | None:
    try:
        return None if geometry is None else shapely.geometry.shape(geometry)
    except (ValueError, shapely.errors.ShapelyError):
        return None


def _number(properties: Mapping[str, object]) -> str:
    return str(properties.get("osm_id") or properties.get("osm_way_id") or "")


def _tags(properties: Mapping[str, object]) -> dict[str, str]:
    own = {key: str(value) for key, value in properties.items() if value is not None and key not in _NO_TAGS}
    more = {_plain(key): _plain(value) for key, value in _PAIR.findall(str(properties.get("other_tags") or ""))}
    return own | more


_NO_TAGS = ("osm_id", "osm_way_id", "z_order", "other_tags", "type")


def _plain(text: str) -> str:
    return _ESCAPED.sub(r"\1", text)
