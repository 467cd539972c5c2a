"""Rings of wire that the plan doesn't have: which way round they lie, and whether they are a planned island moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Polygon

from lawngis.geometry.lines import winding_number
from lawngis.record.islands import IslandFound, island_middle

FloatArray = NDArray[np.float64]

RING_RADIUS_MIN_M = 0.3
"""Narrower ground between wires is that of a lead; ours, no source."""

MOVED_M = 6.0
"""An island that lies further from its place is another one; ours, no source."""


@dataclass(frozen=True, eq=False)
class Ring:
    """Ground that wire goes round where the plan has none, and how often the whole loop goes round it.

    A loop goes once round, anti-clockwise, what is mown; not at all round an island; twice round one that lies the
    wrong way, and the mower is not held off.
    """

    ground: Polygon
    winding: int


def rings(lines: Sequence[FloatArray], loop_xy: FloatArray, *, sd_m: float) -> list[Ring]:
    """Return the rings in some pieces of a loop as laid.

    Parameters
    ----------
    lines
        Pieces that the plan doesn't have, each of shape (n, 2) [m].
    loop_xy
        The whole loop, closed, shape (k, 2) [m].
    sd_m
        Standard deviation of one point of them [m]: narrower ground is noise.
    """
    found = []
    for line in lines:
        noded = shapely.node(LineString(np.concatenate([line, line[:1]])))
        faces = shapely.get_parts(shapely.polygonize([noded]))
        wide = [face for face in faces if not shapely.buffer(face, -max(RING_RADIUS_MIN_M, sd_m)).is_empty]
        places = np.array([shapely.get_coordinates(face.representative_point())[0] for face in wide]).reshape(-1, 2)
        found += [Ring(face, int(turns)) for face, turns in zip(wide, winding_number(loop_xy, places), strict=True)]
    return found


def with_moved(
    islands: Sequence[IslandFound], found: Sequence[Ring], path_xy: FloatArray, chainage: FloatArray
) -> list[IslandFound]:
    """Return what is told of islands, those that lie beside their place instead of nowhere said to be moved.

    Parameters
    ----------
    islands
        What the walk tells of each.
    found
        Rings where the plan has none.
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    """
    free = [ring for ring in found if ring.winding == 0]
    told = []
    for item in islands:
        place = shapely.Point(island_middle(item.island, path_xy, chainage))
        ring = min(free, key=lambda one: one.ground.centroid.distance(place), default=None)
        away = np.inf if ring is None else ring.ground.centroid.distance(place)
        if ring is None or away > MOVED_M or not item.seen or item.verdict not in ("missing", "cannot_tell"):
            told.append(item)
            continue
        free.remove(ring)
        if ring.ground.contains(place):
            told.append(replace(item, verdict="as_planned", why="", by_its_lead=False))
        else:
            told.append(replace(item, verdict="moved", why=f"it lies {away:.1f} m from its place", by_its_lead=False))
    return told
