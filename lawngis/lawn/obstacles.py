"""What the mower is kept out of, and how: by the lawn's edge, by an island of wire, or by bumping into it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError
from lawngis.geometry.polygons import discs, filled, grid_parts, polygon_parts, polygonal

Reason = Literal["steep", "water", "bed", "tree", "obstacle", "drop", "narrow", "small"]
Treatment = Literal["outside", "island", "bump"]

# Where only the crown is known, the trunk is taken as a twentieth of it. Common practice, no source; a
# guess like this never decides that a trunk may be bumped.
_CROWN_PER_TRUNK = 20.0
# Room left around a trunk that gets an island: mulch and surface roots. Common practice, no source.
_BARK_ROOM_M = 0.15
# Confidence in what was measured, drawn from a map, or guessed. Common practice, no source.
_MEASURED, _DRAWN, _GUESSED = 1.0, 0.9, 0.5
# Cleaning the lawn and closing gaps may have moved its edge away from a thing by so much.
_TOUCH_M = 0.06
# Lawn between a thing and the outer ring that is narrower than this does not count.
_MARGIN_M = 0.05


@dataclass(frozen=True)
class Keepout:
    """Ground that the mower stays off.

    Parameters
    ----------
    polygon
        The ground [m].
    reason
        Why: 'steep', 'water', 'bed', 'tree', 'obstacle', 'drop', 'narrow', 'small'.
    treatment
        'outside': part of the lawn's outer edge; 'island': the wire goes round it; 'bump': the mower runs
        against it.
    confidence
        0 to 1: how sure it is that this ground must be kept out as it is.
    source
        Row of the feature that it comes from.
    """

    polygon: Polygon
    reason: Reason
    treatment: Treatment
    confidence: float
    source: int


def tree_keepouts(
    xy: ArrayLike,
    trunk_diameter_m: ArrayLike,
    crown_diameter_m: ArrayLike,
    *,
    lawn: BaseGeometry,
    rigid_trunk_min_m: float,
    sapling_radius_m: float = 0.3,
) -> list[Keepout]:
    """Return keep-outs for the trees that stand in a lawn.

    A trunk at least `rigid_trunk_min_m` thick is bumped: its disc. A thinner one gets an island of
    `sapling_radius_m`. So does a tree of unknown trunk, at half the confidence, and if its crown says that
    it is grown, the island is wide enough for a trunk of a twentieth of the crown and 15 cm around it.
    Trees at the lawn's outer edge are 'outside' whatever their size. Common practice, no source.

    Parameters
    ----------
    xy
        Stems, shape (n, 2) [m].
    trunk_diameter_m, crown_diameter_m
        Of each, shape (n,); NaN or 0 where unknown [m].
    lawn
        The cleaned lawn, with or without the trunks cut out [m].
    rigid_trunk_min_m
        Thinnest trunk that may be bumped [m].
    sapling_radius_m
        Least radius of a tree's island [m].

    Returns
    -------
    list of Keepout
        Only those that touch the lawn; `source` is the row in `xy`.

    Raises
    ------
    ParameterError
        When a limit is not positive.
    """
    if not (rigid_trunk_min_m > 0 and sapling_radius_m > 0):
        raise ParameterError("rigid_trunk_min_m and sapling_radius_m must be above 0 m")
    stems = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    trunk = np.broadcast_to(np.nan_to_num(np.asarray(trunk_diameter_m, dtype=np.float64)), len(stems))
    crown = np.broadcast_to(np.nan_to_num(np.asarray(crown_diameter_m, dtype=np.float64)), len(stems))
    known = trunk > 0
    rigid = trunk >= rigid_trunk_min_m
    guess = np.where(known, trunk, crown / _CROWN_PER_TRUNK)
    island = np.maximum(sapling_radius_m, np.where(guess >= rigid_trunk_min_m, guess / 2 + _BARK_ROOM_M, 0))
    shapes = discs(stems, np.maximum(np.where(rigid, trunk / 2, island), 0.03))
    confidence = np.where(known, _MEASURED, _GUESSED)
    return _keepouts(shapes, "tree", lawn=lawn, rigid=rigid, confidence=confidence)


def area_keepouts(
    polygons: Sequence[BaseGeometry] | NDArray[np.object_],
    reason: Reason,
    *,
    lawn: BaseGeometry,
    confidence: ArrayLike = _DRAWN,
) -> list[Keepout]:
    """Return keep-outs for beds, water, steep ground and other areas: never bumped.

    Parameters
    ----------
    polygons
        The areas [m]; parts of a MultiPolygon are judged one by one.
    reason
        The same for all.
    lawn
        The cleaned lawn, with or without the areas cut out [m].
    confidence
        Of all, or of each, shape (n,).

    Returns
    -------
    list of Keepout
        Only those that touch the lawn; `source` is the row in `polygons`.
    """
    return _keepouts(polygons, reason, lawn=lawn, confidence=confidence)


def bumpable(rigid: ArrayLike, height_m: ArrayLike, *, bump_height_min_m: float) -> NDArray[np.bool_]:
    """Return which things the mower may run against, shape (n,): rigid ones that stand high enough to be felt.

    What is lower lifts the bumper over it, and the mower climbs on. A thing of unknown height may be low, so it isn't
    bumped. Common practice, no source.

    Parameters
    ----------
    rigid
        Whether each is rigid, shape (n,); unknown (NaN, None) counts as not.
    height_m
        Of each above the lawn, shape (n,); NaN where unknown [m].
    bump_height_min_m
        Lowest thing that a bumper feels [m].

    Raises
    ------
    ParameterError
        When the limit is not positive.
    """
    if not bump_height_min_m > 0:
        raise ParameterError("bump_height_min_m must be above 0 m")
    told = np.array([value in (True, False) and bool(value) for value in np.asarray(rigid, dtype=object)], dtype=bool)
    return told & (np.asarray(height_m, dtype=np.float64) >= bump_height_min_m)


def obstacle_keepouts(
    geometries: Sequence[BaseGeometry] | NDArray[np.object_],
    rigid: Sequence[bool | None] | NDArray[np.object_],
    height_m: ArrayLike,
    *,
    lawn: BaseGeometry,
    bump_height_min_m: float,
    point_radius_m: float = 0.3,
) -> list[Keepout]:
    """Return keep-outs for other things on the lawn: those that are :func:`bumpable`, others get an island.

    Parameters
    ----------
    geometries
        Points and polygons [m]. A point is given a disc.
    rigid
        Whether each is rigid, shape (n,); unknown (NaN, None) counts as not.
    height_m
        Of each above the lawn, shape (n,); NaN where unknown [m].
    lawn
        The cleaned lawn [m].
    bump_height_min_m
        Lowest thing that a bumper feels [m].
    point_radius_m
        Radius of a point's disc [m]. Common practice, no source.

    Returns
    -------
    list of Keepout
        Only those that touch the lawn; `source` is the row in `geometries`. What the map shows as a point,
        or not as rigid or soft, or as rigid without a height, has half the confidence.
    """
    shapes, told = np.asarray(geometries, dtype=object), np.asarray(rigid, dtype=object)
    height = np.asarray(height_m, dtype=np.float64)
    points = shapely.get_dimensions(shapes) == 0
    round_points = shapely.buffer(shapes, point_radius_m / np.cos(np.pi / 32), quad_segs=8)
    soft = np.array([value in (True, False) and not value for value in told], dtype=bool)
    rigid_unsure = np.array([value not in (True, False) for value in told], dtype=bool) | np.isnan(height)
    unsure = points | (~soft & rigid_unsure)
    return _keepouts(
        np.where(points, round_points, shapes),
        "obstacle",
        lawn=lawn,
        rigid=bumpable(told, height, bump_height_min_m=bump_height_min_m),
        confidence=np.where(unsure, _GUESSED, _DRAWN),
    )


def drop_keepouts(
    lines: Sequence[LineString] | NDArray[np.object_], *, lawn: BaseGeometry, width_m: float = 0.1
) -> list[Keepout]:
    """Return strips on the low side of drops, at which the lawn above and the lawn below come apart.

    A drop falls away to the right of its line's direction. The high side's edge is the line itself.

    Parameters
    ----------
    lines
        Drops [m].
    lawn
        The cleaned lawn [m].
    width_m
        Width of the strip [m]; it must outlast the cleaning of slivers and cracks (above 0.05).
    """
    strips = shapely.buffer(np.asarray(lines, dtype=object), -width_m, single_sided=True, join_style="mitre")
    return _keepouts(strips, "drop", lawn=lawn, confidence=_DRAWN)


def barrier_keepouts(
    lines: Sequence[LineString] | NDArray[np.object_],
    rigid: ArrayLike,
    *,
    lawn: BaseGeometry,
    width_m: ArrayLike = 0.1,
) -> list[Keepout]:
    """Return strips under walls, fences, hedges and raised kerbs, so that the lawn comes apart at them.

    Parameters
    ----------
    lines
        Middle lines of the barriers [m].
    rigid
        Whether each may be bumped where the lawn surrounds it (a wall may, a hedge or a low kerb may not), shape (n,).
    lawn
        The cleaned lawn [m].
    width_m
        Width of each strip, or of all [m].
    """
    half = np.asarray(width_m, dtype=np.float64) / 2
    strips = shapely.buffer(np.asarray(lines, dtype=object), half, cap_style="flat", join_style="mitre")
    return _keepouts(strips, "obstacle", lawn=lawn, rigid=rigid, confidence=_DRAWN)


def _keepouts(
    shapes: Sequence[BaseGeometry] | NDArray[np.object_],
    reason: Reason,
    *,
    lawn: BaseGeometry,
    rigid: ArrayLike = False,
    confidence: ArrayLike,
) -> list[Keepout]:
    """Return keep-outs for the polygons among shapes that touch the lawn, in the shapes' order."""
    count = len(shapes)
    parts = [(row, part) for row, shape in enumerate(shapes) if shape is not None for part in polygon_parts(shape)]
    if not parts or lawn.is_empty:
        return []
    polygons = np.array([part for _, part in parts], dtype=object)
    rows = np.array([row for row, _ in parts])
    shapely.prepare(lawn)
    touching = shapely.dwithin(polygons, lawn, _TOUCH_M)
    surrounded = _surrounded(lawn, polygons)
    is_rigid = np.broadcast_to(np.asarray(rigid, dtype=bool), count)[rows]
    sure = np.broadcast_to(np.asarray(confidence, dtype=np.float64), count)[rows]
    return [
        Keepout(
            polygon=polygons[i],
            reason=reason,
            treatment=("bump" if is_rigid[i] else "island") if surrounded[i] else "outside",
            confidence=float(sure[i]),
            source=int(rows[i]),
        )
        for i in np.flatnonzero(touching)
    ]


def _surrounded(lawn: BaseGeometry, polygons: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Whether the lawn surrounds each polygon, so that it is an island or bumped and not outside, shape (n,).

    Surrounded is what lies within the outer ring of one piece of lawn and further than `_MARGIN_M` from that ring,
    whether the lawn already has a hole there or not::

        +----------------+      a: surrounded
        |   a      +-----+      b: outside, it touches the outer ring
        |          |  b  |      c: outside
        +----------+-----+  c
    """
    within = filled(lawn).buffer(-_MARGIN_M, join_style="mitre")
    shapely.prepare(within)
    return np.asarray(shapely.covers(within, polygons), dtype=bool)


def with_bumps_filled(
    ground: BaseGeometry, bumps: Sequence[BaseGeometry], *, margin_m: float = 0.03
) -> Polygon | MultiPolygon:
    """Return ground with those holes filled that are nothing but obstacles to be bumped.

    The wire takes no notice of what may be bumped, so zones and edges are found on ground without such holes.

    Parameters
    ----------
    ground
        Polygon or MultiPolygon [m].
    bumps
        What may be bumped [m].
    margin_m
        How far a hole may reach beyond what stands in it and still be only that [m].
    """
    if not len(bumps):
        return polygonal(ground)
    standing = shapely.buffer(shapely.union_all(list(bumps)), margin_m)
    parts = []
    for part in polygon_parts(ground):
        holes = [hole for hole in part.interiors if not standing.covers(Polygon(hole))]
        parts.append(Polygon(part.exterior, holes))
    return polygonal(shapely.union_all(parts))


# Where keep-outs overlap, the graver one keeps the ground.
_PRECEDENCE: tuple[Reason, ...] = ("water", "drop", "bed", "tree", "obstacle", "steep", "narrow", "small")


def without_overlaps(
    keepouts: Sequence[Keepout], *, within: BaseGeometry, crumb_m2: float = 1e-3, grid_m: float = 1e-4
) -> list[Keepout]:
    """Return keep-outs clipped to some ground and cut so that none overlaps another; the graver one keeps the ground.

    Parameters
    ----------
    keepouts
        In any order [m].
    within
        Ground to clip to: the parcel [m].
    crumb_m2
        Pieces smaller than this are dropped [m²].
    grid_m
        Vertices are put on a grid of this width, so that no hairline joins pieces that are apart [m].

    Returns
    -------
    list of Keepout
        The gravest first, otherwise in the order given.
    """
    ranked = sorted(keepouts, key=lambda item: _PRECEDENCE.index(item.reason))
    taken: BaseGeometry = Polygon()
    result = []
    for item in ranked:
        rest = shapely.difference(shapely.intersection(item.polygon, within), taken)
        pieces = [part for part in grid_parts(rest, grid_m) if part.area > crumb_m2]
        result += [replace(item, polygon=piece) for piece in pieces]
        taken = shapely.union(taken, item.polygon)
    return result


def without_ground(keepouts: Sequence[Keepout], ground: BaseGeometry) -> list[Keepout]:
    """Return keep-outs less some ground that somebody measured to be free [m]; they may come apart."""
    if ground.is_empty:
        return list(keepouts)
    return [
        replace(item, polygon=part)
        for item in keepouts
        for part in polygon_parts(shapely.difference(item.polygon, ground))
    ]


def with_tight_bumps_joined(keepouts: Sequence[Keepout], *, lawn: BaseGeometry, room_m: float) -> list[Keepout]:
    """Return keep-outs in which what may be bumped, but leaves no room to pass, is kept outside the wire.

    The gap that counts is the one to the lawn's outer edge and to whatever else is kept out: where the mower does
    not fit through, the obstacle belongs to the edge, and the wire must go round both.

    Parameters
    ----------
    keepouts
        All of a lawn.
    lawn
        The lawn [m].
    room_m
        Narrowest gap that the mower drives through [m].
    """
    tight = {number for number, gap in bump_gaps(keepouts, lawn=lawn).items() if gap.length < room_m}
    return [replace(item, treatment="outside") if number in tight else item for number, item in enumerate(keepouts)]


def bump_gaps(keepouts: Sequence[Keepout], *, lawn: BaseGeometry) -> dict[int, LineString]:
    """Return for each keep-out that may be bumped, by number, the shortest way to whatever else limits the mower.

    That is the lawn's outer edge and all keep-outs that may not be bumped [m].
    """
    bumps = [number for number, item in enumerate(keepouts) if item.treatment == "bump"]
    others = [item.polygon for item in keepouts if item.treatment != "bump"]
    shells = [Polygon(part.exterior).boundary for part in polygon_parts(lawn)]
    limits = shapely.union_all([*others, *shells])
    shapely.prepare(limits)
    return {number: shapely.shortest_line(keepouts[number].polygon, limits) for number in bumps}
