"""Rings of wire that the plan doesn't have: which way round they lie, and whether they are a planned island moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely import LineString, Polygon

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import winding_number
from lawngis.record.detours import telling_m
from lawngis.record.islands import IslandFound, island_middle

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
        Pieces that the plan doesn't have, each of shape (n, 2) [m]; a ring is closed by wire alone, so one whose ends
        lie apart may hold none.
    loop_xy
        The whole loop, closed, shape (k, 2) [m].
    sd_m
        Standard deviation of one point of them [m]: narrower ground is noise.
    """
    found = []
    for line in lines:
        meets = np.hypot(*(line[-1] - line[0])) <= telling_m(sd_m)
        noded = shapely.node(LineString(np.concatenate([line, line[:1]]) if meets else line))
        faces = shapely.get_parts(shapely.polygonize([noded]))
        wide = [face for face in faces if not shapely.buffer(face, -max(RING_RADIUS_MIN_M, sd_m)).is_empty]
        places = np.array([shapely.get_coordinates(face.representative_point())[0] for face in wide]).reshape(-1, 2)
        found += [Ring(face, int(turns)) for face, turns in zip(wide, winding_number(loop_xy, places), strict=True)]
    return found


def with_moved(
    islands: Sequence[IslandFound], found: Sequence[Ring], path_xy: FloatArray, chainage: FloatArray
) -> tuple[list[IslandFound], list[Ring]]:
    """Return what is told of islands, those moved that lie beside their place, and the rings that are no such island.

    Parameters
    ----------
    islands
        What the walk tells of each.
    found
        Rings where the plan has none.
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    """
    places = [shapely.Point(island_middle(item.island, path_xy, chainage)) for item in islands]
    free = [ring for ring in found if not any(ring.ground.contains(place) for place in places)]
    told = []
    for item, place in zip(islands, places, strict=True):
        around = any(ring.winding == 0 and ring.ground.contains(place) for ring in found)
        near = [ring for ring in free if ring.winding == 0 and ring.ground.centroid.distance(place) <= MOVED_M]
        if not item.seen or item.verdict not in ("missing", "cannot_tell") or not (around or near):
            told.append(item)
        elif around:
            told.append(replace(item, verdict="as_planned", why="", by_its_lead=False))
        else:
            ring = min(near, key=lambda one: one.ground.centroid.distance(place))
            free.remove(ring)
            off_m = float(ring.ground.centroid.distance(place))
            told.append(replace(item, verdict="moved", why="", off_m=off_m, by_its_lead=False))
    return told, free
