"""Ground that the mower doesn't reach by itself, but that the same loop goes around: the way of the lead to it.

A lead lies anywhere on the parcel, so it takes the cheapest way, where lying in lawn costs least and crossing paving,
which needs a saw cut or a duct, most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely import LinearRing, LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import bends_deg
from lawngis.geometry.routes import CostGrid, PricedGround, cost_field, cost_grid, route_to, straight_costs
from lawngis.wire.leads import BEND_GAP_M, CORNER_DEG, CORNER_GAP_M, ground_rings

_SPACING_M = 0.5
"""Attachments are looked for this often along a ring."""

_TRIED = 24
_TRIED_AROUND = 8
_NO_BETTER_M = 1.5
"""Where no way around gets to an end, none gets to those so near it: pulling taut is dear."""

_BESIDE_M = 1.0
_MOVED_COST_M = 0.4
"""A lead that would leave at a corner is moved aside by so much, where it gets no longer than by that."""

_CELL_M = 0.25
_FINE_CELL_M = 0.1
_AROUND_M = 6.0
"""Ways are looked for this far around both grounds."""

_HAIR_M = 1e-4
_END_M = 0.005


@dataclass(frozen=True)
class LeadTerrain:
    """What a lead may cross, in metres of the measuring frame.

    Attributes
    ----------
    area
        Where it may lie: the parcel.
    blocked
        Where it may not: buildings, water.
    priced
        Ground where a metre costs another amount than one of lawn, which costs 1; the last one counts.
    """

    area: BaseGeometry
    blocked: Sequence[BaseGeometry] = ()
    priced: Sequence[PricedGround] = ()


@dataclass(frozen=True)
class LeadRoute:
    """The way of a lead to ground apart.

    Attributes
    ----------
    parent
        Index of the ground that it leaves from.
    xy
        From a ring of the parent to the outer ring of the ground apart, shape (n, 2) [m].
    cost
        Metres, each times its cost.
    """

    parent: int
    xy: FloatArray
    cost: float

    @property
    def line(self) -> LineString:
        """The way as a line."""
        return LineString(self.xy)


@dataclass(frozen=True)
class OutlyingGround:
    """Ground apart that a loop goes around as well.

    Attributes
    ----------
    ground
        Ground inside the wire, from `loop_ground` [m].
    parent
        Where its lead leaves: 0 is the ground of the loop itself, k the ground apart numbered k - 1.
    lead_xy
        The lead, from a ring of the parent to the outer ring of this ground, shape (n, 2) [m].
    """

    ground: Polygon
    parent: int
    lead_xy: FloatArray


def lead_route(
    laid: Sequence[Polygon],
    far: Polygon,
    terrain: LeadTerrain,
    *,
    keep_off: Sequence[tuple[FloatArray, float]] = (),
    others: Sequence[BaseGeometry] = (),
) -> LeadRoute | None:
    """Return the cheapest way of a lead from ground that has its wire to ground apart; None where there is none.

    ::

        +--------+     drive     +------+
        |  laid  |====|     |====| far  |      straight where that is cheapest,
        +--------+    |     |    +------+      around what is dear or blocked

    Parameters
    ----------
    laid
        Grounds of which one is the parent [m].
    far
        The ground apart [m].
    terrain
        What lies between.
    keep_off
        Places on the rings of `laid` (the dock, other leads), shape (2,), and how far attachments keep away [m].
    others
        Ground of other loops, and of this one still to come: not crossed.
    """
    starts, owner, at_corner = _attachments(laid, keep_off)
    if not len(starts):
        return None
    finder = _Routes(laid, far, terrain, others)
    found = finder.cheapest(starts)
    if found is None:
        return None
    away_m = np.hypot(*(starts - shapely.get_coordinates(found[0])[0]).T)
    beside = (away_m <= _BESIDE_M) & ~at_corner
    if at_corner[np.argmin(away_m)] and beside.any():
        moved = finder.cheapest(starts[beside])
        if moved is not None and finder.little_dearer(moved, found):
            found = moved
    line, cost = found
    xy = shapely.get_coordinates(line)
    nearest = int(np.argmin(np.hypot(*(starts - xy[0]).T)))
    return LeadRoute(int(owner[nearest]), xy, cost)


def _attachments(
    laid: Sequence[Polygon], keep_off: Sequence[tuple[FloatArray, float]]
) -> tuple[FloatArray, np.ndarray, NDArray[np.bool_]]:
    """Places where a lead may begin, away from bends and from what is to be kept off.

    With the ground of each, and whether it is so near to a corner that another is better.
    """
    places, owner, near_corner = [], [], []
    for number, ground in enumerate(laid):
        for ring in ground_rings(ground):
            turns = np.abs(bends_deg(ring)[:-1])
            dense = shapely.get_coordinates(shapely.segmentize(LinearRing(ring), _SPACING_M))
            middles = (dense[:-1] + dense[1:]) / 2
            bend_m, corner_m = (
                np.asarray(cKDTree(ring[:-1][turns > least_deg]).query(middles)[0]) for least_deg in (1.0, CORNER_DEG)
            )
            clear = bend_m > BEND_GAP_M
            places.append(middles[clear])
            owner.append(np.full(int(clear.sum()), number))
            near_corner.append(corner_m[clear] < CORNER_GAP_M)
    found, owners, at_corner = (np.concatenate(column) for column in (places, owner, near_corner))
    free = np.ones(len(found), dtype=bool)
    for place, distance in keep_off:
        free &= np.hypot(*(found - place).T) >= distance
    return found[free], owners[free], at_corner[free]


class _Routes:
    """Ways between the same grounds: straight ones, and ones around what lies between."""

    def __init__(
        self, laid: Sequence[Polygon], far: Polygon, terrain: LeadTerrain, others: Sequence[BaseGeometry]
    ) -> None:
        self._far = far
        self._terrain = terrain
        self._grounds = shapely.union_all([*laid, far, *others])
        self._forbidden = shapely.union_all([shapely.buffer(self._grounds, -_HAIR_M), *terrain.blocked])
        self._allowed = shapely.buffer(terrain.area, _HAIR_M)
        shapely.prepare([self._forbidden, self._allowed])
        self._near = shapely.envelope(shapely.union_all([*laid, far])).buffer(_AROUND_M)

    def _grid_of(self, area: BaseGeometry, *, fine: bool = False) -> CostGrid:
        # Coarse cells beside the wire are free although they lie partly inside it; fine ones lie outside.
        cell_m, inside_m = (_FINE_CELL_M, -_FINE_CELL_M / 2) if fine else (_CELL_M, _CELL_M)
        closed = shapely.buffer(self._grounds, -inside_m)
        blocked = [PricedGround(shape, np.inf) for shape in (*self._terrain.blocked, closed) if not shape.is_empty]
        return cost_grid(area, [*self._terrain.priced, *blocked], cell_m=cell_m)

    @cached_property
    def _grid(self) -> CostGrid:
        return self._grid_of(shapely.intersection(self._terrain.area, self._near))

    def _free(self, lines: np.ndarray) -> np.ndarray:
        within = shapely.covers(self._allowed, lines)
        return np.asarray(within & ~shapely.intersects(self._forbidden, lines))

    def cheapest(self, starts: FloatArray) -> tuple[LineString, float] | None:
        """Return the cheapest way from one of some places, and its cost; None where there is none."""
        straight = self.straight(starts)
        if straight is not None and straight[1] <= straight[0].length * (1 + 1e-9):
            return straight
        options = [option for option in (straight, self.around(starts)) if option is not None]
        return min(options, key=lambda option: option[1]) if options else self.closely(starts)

    def straight(self, starts: FloatArray) -> tuple[LineString, float] | None:
        """Return the cheapest straight way from one of some places, and its cost."""
        lines = np.asarray(shapely.shortest_line(shapely.points(starts), self._far.exterior), dtype=object)
        nearest = np.argsort(shapely.length(lines))
        free = nearest[self._free(lines[nearest])]
        if not len(free):
            return None
        dear = [item.geometry for item in self._terrain.priced]
        if not shapely.intersects(shapely.union_all(dear), lines[free[0]]):
            return lines[free[0]], float(lines[free[0]].length)
        ends = shapely.get_coordinates(lines[free]).reshape(-1, 2, 2)
        costs = straight_costs(self._grid, ends[:, 0], ends[:, 1])
        # Pieces that leave the grid's free cells by less than a cell may cost no more than their length.
        likely = free[np.argsort(np.where(np.isfinite(costs), costs, shapely.length(lines[free])), kind="stable")]
        exact = self._cost_of(lines[likely[:_TRIED]])
        best = int(np.argmin(exact))
        return lines[likely[best]], float(exact[best])

    def _cost_of(self, lines: np.ndarray) -> FloatArray:
        """Return lengths weighted by what is crossed."""
        rest, cost = lines, np.zeros(len(lines))
        for item in reversed(self._terrain.priced):
            cost += shapely.length(shapely.intersection(rest, item.geometry)) * item.cost_per_m
            rest = shapely.difference(rest, item.geometry)
        return np.asarray(cost + shapely.length(rest))

    def little_dearer(self, moved: tuple[LineString, float], found: tuple[LineString, float]) -> bool:
        """Return whether a lead that was moved aside crosses no more dear ground, and is only a little longer."""
        lines = np.array([moved[0], found[0]], dtype=object)
        crossed, crossed_before = self._cost_of(lines) - shapely.length(lines)
        return bool(crossed <= crossed_before + _END_M and moved[1] <= found[1] + _MOVED_COST_M)

    def around(self, starts: FloatArray) -> tuple[LineString, float] | None:
        """Return the cheapest way over a grid, pulled taut, and its cost: nearby if one leads there, or far around."""
        near = self._around_on(self._grid, starts)
        return near if near is not None else self._around_on(self._grid_of(self._terrain.area), starts)

    def closely(self, starts: FloatArray) -> tuple[LineString, float] | None:
        """Return a way over a fine grid: beside a long crooked edge those over a coarse one may cut across ground."""
        return self._around_on(self._grid_of(self._terrain.area, fine=True), starts)

    def _around_on(self, grid: CostGrid, starts: FloatArray) -> tuple[LineString, float] | None:
        field = cost_field(grid, starts, snap_m=2 * _CELL_M)
        ends, *_ = _attachments([Polygon(self._far.exterior)], ())
        cells = grid.cells(ends, snap_m=2 * _CELL_M)
        costs = np.where(cells >= 0, field.cost[cells], np.inf)
        left = costs.copy()
        for _ in range(_TRIED_AROUND):
            index = int(np.argmin(left))
            if not np.isfinite(left[index]):
                break
            route = route_to(field, ends[index], snap_m=2 * _CELL_M)
            if route is not None and (line := self._between_rings(route.line)) is not None:
                # Cells hide what a way beside an edge crosses of it.
                return line, float(self._cost_of(np.array([line], dtype=object))[0])
            left[np.hypot(*(ends - ends[index]).T) < _NO_BETTER_M] = np.inf
        return None

    def _between_rings(self, line: LineString) -> LineString | None:
        """Return the way if it keeps off all ground but at its ends."""
        inner = shapely.line_interpolate_point(line, [_END_M, line.length - _END_M])
        ends_clear = shapely.distance(inner, self._grounds) > 0
        return line if self._free(np.array([line], dtype=object))[0] and ends_clear.all() else None
