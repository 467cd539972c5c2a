"""Geometry that can't be used as it is, and why."""

from __future__ import annotations

from collections.abc import Collection

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from ...model.catalogue import Said, sentences

UNREADABLE = "unreadable_fids"
"""Key of a table's ``attrs``: numbers of features whose geometry is stored, but can't be read."""

_FAULTS = {
    "Self-intersection": "crosses",
    "Ring Self-intersection": "touches",
    "Hole lies outside shell": "hole_outside",
    "Holes are nested": "hole_in_hole",
    "Nested shells": "part_in_part",
    "Interior is disconnected": "cut_by_holes",
    "Duplicate Rings": "ring_twice",
    "Too few points in geometry component": "few_corners",
    "Invalid Coordinate": "no_number",
}


def problem_words(problem: Said) -> str:
    """Return why a geometry can't be used, in words that read on from "feature 7 …"."""
    code, values = problem
    return sentences().said("part", code, "text", values)


def geometry_problems(frame: gpd.GeoDataFrame, *, expected: Collection[str] = ()) -> list[tuple[int, Said]]:
    """Return the features whose geometry can't be used as it is, and why, at most one reason for each.

    Parameters
    ----------
    frame
        As :func:`read_layer` returns it; any other GeoDataFrame will do.
    expected
        Geometry types that are welcome (``{"Polygon", "MultiPolygon"}``); none given, all are.

    Returns
    -------
    list of (int, Said)
        Index label (the feature number) and the reason, in the order of the rows.
    """
    geometries = np.asarray(frame.geometry.to_numpy(), dtype=object)
    reasons: dict[int, Said] = {}
    for rows, code in (
        (np.isin(frame.index, frame.attrs.get(UNREADABLE, ())), "geometry-unreadable"),
        (shapely.is_missing(geometries), "geometry-missing"),
        (shapely.is_empty(geometries), "geometry-empty"),
        (not_finite(geometries), "geometry-not-finite"),
    ):
        for row in np.flatnonzero(rows):
            reasons.setdefault(int(row), (code, {}))
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


def _wrong_types(geometries: NDArray[np.object_], rows: NDArray[np.int_], expected: Collection[str]) -> dict[int, Said]:
    if not expected:
        return {}
    names = type_names(geometries[rows])
    return {
        int(row): ("geometry-type", {"type": name, "needed": sorted(expected)})
        for row, name in zip(rows, names, strict=True)
        if name not in expected
    }


def _invalid(geometries: NDArray[np.object_], rows: NDArray[np.int_]) -> dict[int, Said]:
    rows = rows[~shapely.is_valid(geometries[rows])]
    reasons = shapely.is_valid_reason(geometries[rows])
    return {int(row): _invalid_problem(reason) for row, reason in zip(rows, reasons, strict=True)}


def _invalid_problem(reason: str) -> Said:
    """Return what GEOS says, ``Self-intersection[3 4]``, by our own word for it, with the place [unit of the CRS]."""
    words, _, place = reason.partition("[")
    known = _FAULTS.get(words)
    numbers = [float(number) for number in place.rstrip("]").split()[:2]]
    values = {"fault": known or "other", "reason": None if known else words.lower()}
    if len(numbers) == 2 and np.isfinite(numbers).all():
        return "geometry-invalid", {**values, "case": "placed", "x": numbers[0], "y": numbers[1]}
    return "geometry-invalid", values


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
