"""The lawn: what is left of a parcel when everything that is no lawn has been taken away."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import cleaned, closed, polygon_parts, polygonal, repaired

SLIVER = "sliver"
"""Reason of ground that nothing covers but that is too narrow to be lawn."""


@dataclass(frozen=True, eq=False)
class NonLawn:
    """Ground that is no lawn, and why.

    Parameters
    ----------
    geometries
        Polygons of any number, in the measuring frame [m]; points and lines among them take nothing.
    reason
        One or two words that end in a report: 'building', 'hard surface', 'bed', 'water', 'trunk'.
    """

    geometries: Sequence[BaseGeometry] | np.ndarray
    reason: str


def derived_lawn(
    parcel: BaseGeometry,
    non_lawn: Sequence[NonLawn],
    *,
    sliver_width_m: float = 0.05,
    gap_close_m: float = 0.05,
) -> list[Polygon]:
    """Return the lawn pieces of a parcel: the parcel minus everything that is taken.

    Common practice, no source. A gap between two things taken (a house and the path along it) that is
    narrower than `gap_close_m` is how they were drawn, and no lawn.

    Parameters
    ----------
    parcel
        Polygon or MultiPolygon [m].
    non_lawn
        What is no lawn; the order does not matter here.
    sliver_width_m
        Strips narrower than this are dropped [m].
    gap_close_m
        Gaps between things taken that are narrower than this are taken too [m].

    Returns
    -------
    list of Polygon
        Cleaned (see :func:`~lawngis.geometry.polygons.cleaned`), none touching another along an edge,
        largest first.
    """
    ground = repaired(parcel).geometry
    gone = closed(_union(ground, (shape for item in non_lawn for shape in item.geometries)), gap_close_m)
    return _pieces(shapely.difference(ground, gone), sliver_width_m)


def surveyed_lawn(
    parcel: BaseGeometry, surveyed: Iterable[BaseGeometry], *, sliver_width_m: float = 0.05
) -> list[Polygon]:
    """Return the pieces of a surveyed lawn: clipped to the parcel and cleaned, otherwise as drawn.

    Buildings, beds and the like are not taken away from it: who surveyed the lawn saw them. Keep-outs still
    apply to it afterwards.

    Parameters
    ----------
    parcel
        Polygon or MultiPolygon [m].
    surveyed
        Polygons of the survey [m]; overlaps count once.
    sliver_width_m
        Strips narrower than this are dropped [m].

    Returns
    -------
    list of Polygon
        Largest first.
    """
    ground = repaired(parcel).geometry
    return _pieces(shapely.intersection(ground, _union(ground, surveyed)), sliver_width_m)


def ground_account_m2(parcel: BaseGeometry, lawn: Sequence[Polygon], non_lawn: Sequence[NonLawn]) -> dict[str, float]:
    """Return how many square metres of a parcel each reason takes away from the lawn.

    Ground under two reasons counts for the first one. What nothing covers and is no lawn all the same (too
    narrow) stands under :data:`SLIVER`. With the lawn's own area the account adds up to the parcel.

    Returns
    -------
    dict of str to float
        Reason to area [m²], in the order of `non_lawn`, without those that take nothing, :data:`SLIVER` last.
    """
    left: BaseGeometry = shapely.difference(repaired(parcel).geometry, shapely.union_all(list(lawn)))
    account: dict[str, float] = {}
    for item in non_lawn:
        rest = shapely.difference(left, _union(left, item.geometries))
        area = left.area - rest.area
        if area > 0:
            account[item.reason] = account.get(item.reason, 0.0) + area
        left = rest
    if left.area > 0:
        account[SLIVER] = left.area
    return account


def _union(near: BaseGeometry, geometries: Iterable[BaseGeometry | None]) -> BaseGeometry:
    shapes = np.asarray([shape for shape in geometries if shape is not None], dtype=object)
    # Boxes first: most of a neighbourhood is nowhere near, and need not be repaired.
    close = shapely.intersects(shapely.box(*shapely.bounds(shapes).T), shapely.envelope(near))
    return shapely.union_all([repaired(shape).geometry for shape in shapes[close]])


def _pieces(ground: BaseGeometry, sliver_width_m: float) -> list[Polygon]:
    pieces = polygon_parts(cleaned(polygonal(ground), sliver_width_m=sliver_width_m))
    return sorted(pieces, key=lambda piece: piece.area, reverse=True)
