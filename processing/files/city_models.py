"""Buildings of CityJSON files: where they stand, and how high their roofs are above the ground.

Format: CityJSON 1.0 to 2.0 and sequences of its features (Open Geospatial Consortium, OGC 20-072r5): "Metadata",
"Geometry Objects", "Semantics of geometric primitives", "Transform Object", "Text sequences". A file may come from
anybody: what it says of itself is held against what is in it.
"""

from __future__ import annotations

import json
import mmap
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import geopandas
import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import SiteError
from lawngis.geometry.frame import horizontal_crs, upward_unit_m
from lawngis.geometry.polygons import polygon_parts

from ..model.text import one_line
from .formats import Format, file_fault

SEQUENCE = ".jsonl"

CITY_MODELS: Mapping[str, Format] = {
    ".json": Format("CityJSON", "", (b"{",)),
    SEQUENCE: Format("sequence of CityJSON features", "", (b"{",)),
}
"""City models by ending."""

VERSIONS = ("1.0", "1.1", "2.0")
KINDS = ("Building", "BuildingPart")
OBJECT_NUMBER = "object"
"""Column that says which object of the file a row is made of."""

DOCUMENT_BYTES = 256 << 20
"""Largest file, or line of a sequence, that is read: in memory it takes some ten times as much."""

LEVEL_M = 0.1
"""Corners of a level face differ in height by no more [m]."""

_MARK = re.compile(rb'"type"\s*:\s*"CityJSON"')
_EPSG = re.compile(r"(?:https?://www\.opengis\.net/def/crs/EPSG/[\w.]+/|urn:ogc:def:crs:EPSG:[\w.]*:)(\d{1,6})")
_SHELLS = {"MultiSurface": 0, "CompositeSurface": 0, "Solid": 1, "MultiSolid": 2, "CompositeSolid": 2}
"""How deep the surfaces lie in the boundaries of each geometry."""


@dataclass(frozen=True)
class CityBuildings:
    """Buildings of a city model.

    Parameters
    ----------
    table
        Their outlines on the ground, `object`, and `height_m`: of the roof above the lowest corner of the ground; NaN
        for those that have a footprint alone.
    vertical_said
        Whether the CRS says the unit of heights; else it is that of x and y.
    without_surfaces
        Numbers of those that nothing tells the outline of.
    title
        What the file calls itself, and whom to ask; empty where it doesn't say.
    """

    table: geopandas.GeoDataFrame
    vertical_said: bool
    without_surfaces: tuple[str, ...]
    title: str


def is_city_model(path: Path) -> bool:
    """Return whether a file is CityJSON, or a sequence of its features: GeoJSON has the same ending."""
    if path.suffix.casefold() not in CITY_MODELS or file_fault(path, CITY_MODELS):
        return False
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        return _MARK.search(content) is not None


def city_buildings(path: Path) -> CityBuildings:
    """Return the buildings of a city model.

    The outline is that of the ground surfaces; where none are told, of a solid's lowest level faces, else of all that
    is seen from above. Of several levels of detail the finest counts that tells its ground surfaces. Coordinates are
    x, y, z in this order, whatever the CRS says of its axes.

    Parameters
    ----------
    path
        CityJSON, or by its ending ``.jsonl`` a sequence of CityJSON features.

    Raises
    ------
    SiteError
        When the file isn't there, is damaged, too large, or says no CRS that is projected.
    """
    fault = file_fault(path, CITY_MODELS)
    if fault:
        raise SiteError(fault[0], where=str(path), advice=fault[1])
    try:
        documents = _documents(path)
        head = next(documents, {})
        crs, title = _head(head)
        transform = _transform(head)
        rest = documents if path.suffix.casefold() == SEQUENCE else [head]
        found = [building for document in rest for building in _buildings(document, transform)]
    except _BrokenError as error:
        raise SiteError(str(error), where=str(path), advice="Export or download it again.") from error
    kept = [building for building in found if building.outline is not None]
    unit_m = upward_unit_m(crs)
    flat = horizontal_crs(crs)
    heights = np.array([building.height for building in kept]) * (unit_m or flat.axis_info[0].unit_conversion_factor)
    table = geopandas.GeoDataFrame(
        {OBJECT_NUMBER: [building.number for building in kept], "height_m": heights},
        geometry=[building.outline for building in kept],
        crs=flat,
    )
    bare = tuple(building.number for building in found if building.outline is None)
    return CityBuildings(table, unit_m is not None, bare, title)


class _BrokenError(Exception):
    """What is wrong with a file."""


class _Building(NamedTuple):
    number: str
    outline: BaseGeometry | None
    height: float
    """In the file's own unit; NaN where nobody knows."""


class _Face(NamedTuple):
    rings: list[FloatArray]
    word: Any


def _documents(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the whole file, or what stands in each line of a sequence."""
    several = path.suffix.casefold() == SEQUENCE
    with path.open("rb") as file:
        while text := file.readline(DOCUMENT_BYTES + 1) if several else file.read(DOCUMENT_BYTES + 1):
            if len(text) > DOCUMENT_BYTES:
                raise SiteError(
                    f"holds more than {DOCUMENT_BYTES >> 20} MB in one piece",
                    where=str(path),
                    advice="Bring smaller tiles of it, or the same as a sequence of CityJSON features.",
                )
            if text.strip():
                yield _parsed(text)


def _parsed(text: bytes) -> dict[str, Any]:
    try:
        return _told(json.loads(text), dict, "JSON")
    except (ValueError, RecursionError) as error:
        raise _BrokenError(f"can't be read ({one_line(str(error))[:200]})") from error


def _told(value: Any, kind: type, what: str) -> Any:
    """Return a value that is of the kind that it should be."""
    if not isinstance(value, kind):
        raise _BrokenError(f"{what} is not what CityJSON has there")
    return value


def _head(head: Mapping[str, Any]) -> tuple[CRS, str]:
    """Return the CRS of a file, and what it calls itself."""
    version = head.get("version")
    if head.get("type") != "CityJSON" or version not in VERSIONS:
        raise _BrokenError(f"is no CityJSON {', '.join(VERSIONS)}")
    metadata = _told(head.get("metadata", {}), dict, "metadata")
    system = metadata.get("referenceSystem")
    told = _EPSG.fullmatch(system) if isinstance(system, str) else None
    try:
        crs = CRS.from_epsg(int(told[1])) if told else None
    except CRSError:
        crs = None
    if crs is None or not horizontal_crs(crs).is_projected:
        raise _BrokenError("says no projected CRS (metadata.referenceSystem)")
    contact = metadata.get("pointOfContact")
    names = [metadata.get("title"), contact.get("contactName") if isinstance(contact, dict) else None]
    return crs, one_line(", ".join(name for name in names if isinstance(name, str)))[:200]


def _transform(head: Mapping[str, Any]) -> FloatArray:
    """Return scale and translation of the corners, shape (2, 3)."""
    if "transform" not in head:
        return np.array([[1.0] * 3, [0.0] * 3])
    told = _told(head["transform"], dict, "transform")
    transform = _numbers([told.get("scale"), told.get("translate")], "transform")
    if transform.shape != (2, 3) or not (transform[0] > 0).all():
        raise _BrokenError("transform is not what CityJSON has there")
    return transform


def _numbers(value: Any, what: str) -> FloatArray:
    try:
        numbers = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise _BrokenError(f"{what}: not all are numbers, or some are missing") from error
    if not np.isfinite(numbers).all():
        raise _BrokenError(f"{what}: not all are finite numbers")
    return numbers


def _buildings(document: Mapping[str, Any], transform: FloatArray) -> Iterator[_Building]:
    """Yield buildings, and parts of buildings, that have surfaces, and those that have none, nor parts."""
    objects = _told(document.get("CityObjects"), dict, "CityObjects")
    corners = _numbers(_told(document.get("vertices"), list, "vertices"), "vertices")
    if corners.size and corners.shape[1:] != (3,):
        raise _BrokenError("vertices: not all have x, y and z")
    with np.errstate(over="ignore"):
        corners = _numbers(corners.reshape(-1, 3) * transform[0] + transform[1], "vertices, transformed")
    for number, city_object in objects.items():
        if _told(city_object, dict, f"object {number}").get("type") not in KINDS:
            continue
        try:
            forms = [_told(form, dict, "geometry") for form in _told(city_object.get("geometry", []), list, "geometry")]
            form = max((form for form in forms if form.get("type") in tuple(_SHELLS)), key=_rank, default=None)
            parts = _told(city_object.get("children", []), list, "children")
            solid = form is not None and _detail(form) >= 1
            if solid or not any(isinstance(part, str) and part in objects for part in parts):
                yield _building(one_line(number), form, corners)
        except _BrokenError as error:
            raise _BrokenError(f"object {one_line(number)}: {error}") from error


def _rank(form: Mapping[str, Any]) -> tuple[bool, bool, float]:
    """Return how good a geometry is: with heights, then with ground surfaces, then the finest."""
    return _detail(form) >= 1, "GroundSurface" in _words(form), _detail(form)


def _detail(form: Mapping[str, Any]) -> float:
    """Return the level of detail: 0 are footprints; a number in CityJSON 1.0, then text."""
    try:
        return float(form.get("lod", 0))
    except (TypeError, ValueError):
        raise _BrokenError("lod is not what CityJSON has there") from None


def _words(form: Mapping[str, Any]) -> list[Any]:
    """Return the words of a geometry's kinds of surfaces."""
    semantics = _told(form.get("semantics") or {}, dict, "semantics")
    surfaces = _told(semantics.get("surfaces", []), list, "surfaces")
    return [_told(surface, dict, "surfaces").get("type") for surface in surfaces]


def _building(number: str, form: Mapping[str, Any] | None, corners: FloatArray) -> _Building:
    if form is None:
        return _Building(number, None, np.nan)
    values = (form.get("semantics") or {}).get("values")
    faces = list(_faces(form.get("boundaries"), values, _SHELLS[form["type"]], _words(form), corners))
    ground = [face for face in faces if face.word == "GroundSurface"] or _lowest(faces, solid="Solid" in form["type"])
    outline = _seen_from_above(ground)
    if outline.is_empty:
        return _Building(number, None, np.nan)
    if _detail(form) < 1:
        return _Building(number, outline, np.nan)
    roof = [face for face in faces if face.word == "RoofSurface"] or faces
    height = max(face.rings[0][:, 2].max() for face in roof) - min(face.rings[0][:, 2].min() for face in ground)
    return _Building(number, outline, float(height) if height > 0 else np.nan)


def _faces(boundaries: Any, values: Any, shells: int, words: list[Any], corners: FloatArray) -> Iterator[_Face]:
    """Yield the surfaces of a geometry with the words that they have; whole shells may have none."""
    told = values if isinstance(values, list) else []
    for place, inner in enumerate(_told(boundaries, list, "boundaries")):
        value = told[place] if place < len(told) else None
        if shells:
            yield from _faces(inner, value, shells - 1, words, corners)
            continue
        rings = [_ring(ring, corners) for ring in _told(inner, list, "boundaries")]
        if rings:
            yield _Face(rings, words[value] if isinstance(value, int) and 0 <= value < len(words) else "")


def _ring(ring: Any, corners: FloatArray) -> FloatArray:
    numbers = _told(ring, list, "a ring")
    if len(numbers) < 3 or not all(type(number) is int for number in numbers):
        raise _BrokenError("a ring of its surfaces has no three corners")
    if not 0 <= min(numbers) <= max(numbers) < len(corners):
        raise _BrokenError(f"has a corner {max(numbers, key=abs)}, of {len(corners)} that there are"[:200])
    return corners[numbers]


def _lowest(faces: list[_Face], *, solid: bool) -> list[_Face]:
    """Return the lowest level faces of a solid; of anything else nobody knows whether it has a bottom: all faces."""
    bottom = min((face.rings[0][:, 2].min() for face in faces), default=0.0)
    level = [face for face in faces if face.rings[0][:, 2].max() <= bottom + LEVEL_M]
    return level if solid and not _seen_from_above(level).is_empty else faces


def _seen_from_above(faces: list[_Face]) -> BaseGeometry:
    drawn = [shapely.Polygon(face.rings[0][:, :2], [ring[:, :2] for ring in face.rings[1:]]) for face in faces]
    return shapely.union_all([part for polygon in drawn for part in polygon_parts(shapely.make_valid(polygon))])
