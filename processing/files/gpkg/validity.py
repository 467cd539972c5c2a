"""Geometry that can't be used as it is, and why, in words."""

from __future__ import annotations

from collections.abc import Collection

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

UNREADABLE = "unreadable_fids"
"""Key of a table's ``attrs``: numbers of features whose geometry is stored, but can't be read."""

_VALIDITY_WORDS = {
    "Self-intersection": "crosses itself",
    "Ring Self-intersection": "touches or crosses itself",
    "Hole lies outside shell": "has a hole outside its own edge",
    "Holes are nested": "has a hole within a hole",
    "Nested shells": "has a part within another part",
    "Interior is disconnected": "is cut in pieces by its own holes",
    "Duplicate Rings": "has the same ring twice",
    "Too few points in geometry component": "has too few corners",
    "Invalid Coordinate": "has a coordinate that is no number",
}


def geometry_problems(frame: gpd.GeoDataFrame, *, expected: Collection[str] = ()) -> list[tuple[int, str]]:
    """Return the features whose geometry can't be used as it is, and why, at most one reason for each.

    Parameters
    ----------
    frame
        As :func:`read_layer` returns it; any other GeoDataFrame will do.
    expected
        Geometry types that are welcome (``{"Polygon", "MultiPolygon"}``); none given, all are.

    Returns
    -------
    list of (int, str)
        Index label (the feature number) and a reason that reads on from "feature 7 …", in the order of the
        rows.
    """
    geometries = np.asarray(frame.geometry.to_numpy(), dtype=object)
    reasons: dict[int, str] = {}
    for rows, reason in (
        (np.isin(frame.index, frame.attrs.get(UNREADABLE, ())), "has a geometry that can't be read"),
        (shapely.is_missing(geometries), "has no geometry"),
        (shapely.is_empty(geometries), "has an empty geometry"),
        (not_finite(geometries), "has a coordinate that is no number"),
    ):
        for row in np.flatnonzero(rows):
            reasons.setdefault(int(row), reason)
    sound = np.setdiff1d(np.arange(len(geometries)), list(reasons))
    reasons.update(_wrong_types(geometries, sound, expected))
    reasons.update(_invalid(geometries, np.setdiff1d(sound, list(reasons))))
    labels = frame.index.tolist()
    return [(labels[row], reasons[row]) for row in sorted(reasons)]


def not_finite(geometries: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Return which geometries have coordinates that are no numbers."""
    coordinates, owner = shapely.get_coordinates(geometries, return_index=True)
    bad = owner[~np.isfinite(coordinates).all(axis=1)]
    return np.bincount(bad, minlength=len(geometries)).astype(bool)


def _wrong_types(geometries: NDArray[np.object_], rows: NDArray[np.int_], expected: Collection[str]) -> dict[int, str]:
    if not expected:
        return {}
    names = type_names(geometries[rows])
    wish = " or ".join(sorted(expected))
    return {
        int(row): f"is a {name} where {wish} is needed"
        for row, name in zip(rows, names, strict=True)
        if name not in expected
    }


def _invalid(geometries: NDArray[np.object_], rows: NDArray[np.int_]) -> dict[int, str]:
    rows = rows[~shapely.is_valid(geometries[rows])]
    reasons = shapely.is_valid_reason(geometries[rows])
    return {int(row): _validity_text(reason) for row, reason in zip(rows, reasons, strict=True)}


def _validity_text(reason: str) -> str:
    """``Self-intersection[3 4]`` in words, with the place."""
    words, _, place = reason.partition("[")
    text = _VALIDITY_WORDS.get(words, f"is not valid ({words.lower()})")
    numbers = place.rstrip("]").split()[:2]
    return f"{text} at ({', '.join(numbers)})" if len(numbers) == 2 else text


# in the order of shapely.GeometryType, whose -1 (no geometry) takes the last
_TYPE_NAMES = np.array(
    [
        *("Point", "LineString", "LinearRing", "Polygon"),
        *("MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection"),
        None,
    ],
    dtype=object,
)


def type_names(geometries: NDArray[np.object_]) -> NDArray[np.object_]:
    """``"Polygon"``, ``"MultiLineString"`` …; None for a missing geometry."""
    return np.asarray(_TYPE_NAMES[shapely.get_type_id(geometries)], dtype=object)
