"""Least-cost routes over ground on which a metre does not cost the same everywhere.

The ground is a grid of costs per metre. Routes are searched over 16 directions, and then pulled taut: of all the
nodes on the way, the fewest and cheapest straight pieces between them are kept, with the cost of each piece
integrated exactly over the cells that it crosses.

::

    . n . n .      n: the eight "knight's" moves beside the eight
    n x x x n         to the neighbouring cells (x); with them a grid
    . x o x .         route is at most 2.8 % longer than the best one
    n x x x n         before pulling, instead of 8.2 %
    . n . n .
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, hypot

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.errors import ParameterError

# Per half of the 16 directions: the move (rows, columns), the cells that the straight piece crosses, each for an
# equal share of its length, and the cells that it touches in a corner and that must be free as well.
_Cells = tuple[tuple[int, int], ...]
_MOVES: tuple[tuple[tuple[int, int], _Cells, _Cells], ...] = (
    ((0, 1), ((0, 0), (0, 1)), ()),
    ((1, 0), ((0, 0), (1, 0)), ()),
    ((1, 1), ((0, 0), (1, 1)), ((0, 1), (1, 0))),
    ((1, -1), ((0, 0), (1, -1)), ((0, -1), (1, 0))),
    ((1, 2), ((0, 0), (0, 1), (1, 1), (1, 2)), ()),
    ((1, -2), ((0, 0), (0, -1), (1, -1), (1, -2)), ()),
    ((2, 1), ((0, 0), (1, 0), (1, 1), (2, 1)), ()),
    ((2, -1), ((0, 0), (1, 0), (1, -1), (2, -1)), ()),
)


@dataclass(frozen=True)
class PricedGround:
    """A piece of ground and what a metre over it costs (inf: no way through)."""

    geometry: BaseGeometry
    cost_per_m: float


@dataclass(frozen=True)
class CostGrid:
    """Cost per metre on square cells of a plane in metres.

    Parameters
    ----------
    cost_per_m
        Shape (rows, columns); row 0 is the lowest in y. Above zero; inf where no way leads through.
    min_x, min_y
        Outer corner of cell (0, 0) [m].
    cell_m
        Side of a cell [m].
    """

    cost_per_m: FloatArray
    min_x: float
    min_y: float
    cell_m: float

    def __post_init__(self) -> None:
        if self.cost_per_m.ndim != 2 or self.cost_per_m.size == 0:
            raise ParameterError("a cost grid needs at least one row and one column")
        if not np.all(self.cost_per_m > 0):
            raise ParameterError("costs per metre must be above zero and not NaN", advice="Use inf to block.")
        if not self.cell_m > 0:
            raise ParameterError(f"the cell size {self.cell_m} m is not above zero")

    def centres(self, cells: ArrayLike) -> FloatArray:
        """Return the middles, shape (n, 2) [m], of cells given by their flat index."""
        rows, columns = np.divmod(np.asarray(cells, dtype=np.int64), self.cost_per_m.shape[1])
        return np.column_stack([self.min_x + (columns + 0.5) * self.cell_m, self.min_y + (rows + 0.5) * self.cell_m])

    def cells(self, xy: ArrayLike, *, snap_m: float = 0.0) -> IntArray:
        """Return the flat index of the free cell of each point, shape (n,); -1 where there is none.

        Parameters
        ----------
        xy
            Points, shape (n, 2) [m].
        snap_m
            Points in no free cell take the nearest whose middle is at most this far away [m].
        """
        points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
        cells = self._free_cells_under(points)
        for index in np.flatnonzero(cells < 0) if snap_m > 0 else ():
            cells[index] = self._nearest_free_cell(points[index], snap_m)
        return cells

    def _free_cells_under(self, points: FloatArray) -> IntArray:
        rows, columns = self.cost_per_m.shape
        column, row = np.floor((points - (self.min_x, self.min_y)) / self.cell_m).astype(np.int64).T
        on_grid = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        flat = np.where(on_grid, row * columns + column, 0)
        return np.where(on_grid & np.isfinite(self.cost_per_m.ravel()[flat]), flat, -1)

    def _nearest_free_cell(self, point: FloatArray, snap_m: float) -> int:
        reach = ceil(snap_m / self.cell_m) + 1
        rows, columns = self.cost_per_m.shape
        column, row = np.floor((point - (self.min_x, self.min_y)) / self.cell_m).astype(np.int64)
        near_rows = np.arange(max(0, row - reach), min(rows, row + reach + 1))
        near_columns = np.arange(max(0, column - reach), min(columns, column + reach + 1))
        near = (near_rows[:, None] * columns + near_columns).ravel()
        near = near[np.isfinite(self.cost_per_m.ravel()[near])]
        if near.size == 0:
            return -1
        distance = np.hypot(*(self.centres(near) - point).T)
        return int(near[distance.argmin()]) if distance.min() <= snap_m else -1


@dataclass(frozen=True)
class CostField:
    """Cheapest cost from the nearest of some sources to every cell, and the way back.

    Parameters
    ----------
    grid
        The grid searched.
    sources_xy
        The sources, shape (s, 2) [m].
    source_cells
        Free cell of each source, shape (s,); -1: not on free ground, so not used.
    cost
        Cost per cell, flat; inf where no source leads.
    predecessors
        Flat index of the cell before each on its way from the source; negative at sources and where none leads.
    """

    grid: CostGrid
    sources_xy: FloatArray
    source_cells: IntArray
    cost: FloatArray
    predecessors: IntArray


@dataclass(frozen=True)
class Route:
    """A route from a source to a target.

    Parameters
    ----------
    line
        From the source to the target.
    length_m
        Its length in the plane [m].
    cost
        Its cost: metres times cost per metre.
    source
        Index of the source where it starts.
    """

    line: LineString
    length_m: float
    cost: float
    source: int


def cost_grid(
    area: BaseGeometry,
    grounds: Sequence[PricedGround],
    *,
    open_cost_per_m: float = 1.0,
    cell_m: float = 0.25,
    cells_max: int = 250_000,
) -> CostGrid:
    """Return the cost grid of an area: open ground, with pieces of ground of other cost laid over it.

    Parameters
    ----------
    area
        Polygons outside which no way leads.
    grounds
        Pieces laid over the open ground one after the other: the last one counts.
    open_cost_per_m
        Cost of the rest of the area.
    cell_m
        Side of a cell [m]; made larger where the area's box would need more than `cells_max` cells.
    cells_max
        Most cells in the grid.

    Raises
    ------
    ParameterError
        When the area is empty or a number is out of range.
    """
    if area.is_empty:
        raise ParameterError("a cost grid needs an area that is not empty")
    if not (cell_m > 0 and cells_max >= 1):
        raise ParameterError(f"the cell size {cell_m} m or the number of cells {cells_max} is not above zero")
    min_x, min_y, max_x, max_y = area.bounds
    cell_m = max(cell_m, float(np.sqrt((max_x - min_x) * (max_y - min_y) / cells_max)))
    xs = min_x + (np.arange(max(1, ceil((max_x - min_x) / cell_m)), dtype=np.float64) + 0.5) * cell_m
    ys = min_y + (np.arange(max(1, ceil((max_y - min_y) / cell_m)), dtype=np.float64) + 0.5) * cell_m
    cost = np.full((len(ys), len(xs)), np.nan)
    _price(cost, PricedGround(area, float(open_cost_per_m)), xs, ys)
    cost[np.isnan(cost)] = np.inf
    for ground in grounds:
        _price(cost, ground, xs, ys)
    return CostGrid(cost, min_x, min_y, cell_m)


def cost_field(grid: CostGrid, sources_xy: ArrayLike, *, snap_m: float = 1.0) -> CostField:
    """Return the cheapest cost from the nearest of the sources to every cell of a grid.

    Parameters
    ----------
    grid
        Where to search.
    sources_xy
        Sources, shape (s, 2) [m].
    snap_m
        A source on blocked ground (an outlet on a wall) starts at the nearest free cell this near [m].

    Notes
    -----
    Dijkstra's search (E. W. Dijkstra, 1959, "A note on two problems in connexion with graphs", Numerische
    Mathematik 1:269-271) over 16 directions.
    """
    sources = np.asarray(sources_xy, dtype=np.float64).reshape(-1, 2)
    cells = grid.cells(sources, snap_m=snap_m)
    used = np.unique(cells[cells >= 0])
    if used.size == 0:
        nothing = np.full(grid.cost_per_m.size, -1, dtype=np.int64)
        return CostField(grid, sources, cells, np.full(nothing.size, np.inf), nothing)
    cost, predecessors, _ = dijkstra(
        _graph(grid), directed=False, indices=used, return_predecessors=True, min_only=True
    )
    return CostField(grid, sources, cells, cost, predecessors.astype(np.int64))


def route_lengths_m(field: CostField, xy: ArrayLike) -> FloatArray:
    """Return the length of the cheapest grid route to each point, shape (n,) [m]; NaN where none leads.

    For many points at once, before pulling taut: up to 2.8 % and a cell longer than :func:`route_to` gives.
    """
    reached = field.predecessors >= 0
    cell = np.arange(reached.size)
    before = np.where(reached, field.predecessors, cell)
    rows, columns = np.abs(np.subtract(np.divmod(cell, _columns(field)), np.divmod(before, _columns(field))))
    length = np.hypot(rows, columns) * field.grid.cell_m
    # Doubling: after k rounds every cell knows the length of its last 2^k moves.
    while reached[before].any():
        length = length + length[before]
        before = before[before]
    length = np.where(np.isfinite(field.cost), length + 0.0, np.nan)
    cells = field.grid.cells(xy)
    return np.where(cells >= 0, length[np.maximum(cells, 0)], np.nan)


def route_to(field: CostField, target_xy: ArrayLike, *, snap_m: float = 1.0) -> Route | None:
    """Return the cheapest route to a target, pulled taut; None where no source leads to it.

    Parameters
    ----------
    field
        Cost field of the sources.
    target_xy
        The target, shape (2,) [m].
    snap_m
        A target on blocked ground is reached from the nearest free cell this near [m].
    """
    target = np.asarray(target_xy, dtype=np.float64).reshape(2)
    grid = field.grid
    end = int(grid.cells(target, snap_m=snap_m)[0])
    if end < 0 or not np.isfinite(field.cost[end]):
        return None
    cells = _way_back(field.predecessors, end)[::-1]
    at_start = np.flatnonzero(field.source_cells == cells[0])
    offsets = np.hypot(*(field.sources_xy[at_start] - grid.centres(cells[:1])).T)
    source = int(at_start[offsets.argmin()])
    nodes = np.vstack([field.sources_xy[source], grid.centres(_thinned(cells, _columns(field))), target])
    xy, cost = _taut(grid, nodes)
    line = LineString(xy)
    return Route(line, float(line.length), cost, source)


def straight_costs(grid: CostGrid, starts_xy: ArrayLike, ends_xy: ArrayLike) -> FloatArray:
    """Return the cost of straight pieces, integrated exactly over the cells they cross, shape (n,).

    Parameters
    ----------
    grid
        Cost per metre; what lies outside it is blocked.
    starts_xy, ends_xy
        Shape (n, 2) [m].

    Returns
    -------
    ndarray
        Metres times cost per metre; inf where a piece crosses a blocked cell.
    """
    start, end = (
        (np.asarray(points, dtype=np.float64).reshape(-1, 2) - (grid.min_x, grid.min_y)) / grid.cell_m
        for points in (starts_xy, ends_xy)
    )
    cuts = np.sort(np.hstack([np.zeros((len(start), 1)), *_line_cuts(start, end), np.ones((len(start), 1))]), axis=1)
    share = np.diff(cuts, axis=1)
    middle = (cuts[:, 1:] + cuts[:, :-1])[..., None] / 2
    crossed = np.floor(start[:, None, :] + middle * (end - start)[:, None, :]).astype(np.int64)
    rows, columns = grid.cost_per_m.shape
    column, row = crossed[..., 0], crossed[..., 1]
    on_grid = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    cost = np.where(on_grid, grid.cost_per_m[row.clip(0, rows - 1), column.clip(0, columns - 1)], np.inf)
    length_m = np.hypot(*(end - start).T) * grid.cell_m
    weighted = np.where(share > 1e-12, share, 0.0) * np.where(share > 1e-12, cost, 0.0)
    return np.asarray(weighted.sum(axis=1) * length_m, dtype=np.float64)


def crossed_surfaces(
    route: LineString,
    surfaces: Sequence[BaseGeometry] | NDArray[np.object_],
    *,
    margin_m: float = 0.05,
    length_min_m: float = 0.1,
    end_m: float = 0.5,
) -> IntArray:
    """Return the indices of the polygons that a route enters and leaves again.

    A route that starts or ends on a polygon does not cross it there, nor does one that runs along its edge.

    Parameters
    ----------
    route
        The route.
    surfaces
        Polygons, shape (n,).
    margin_m
        Width of the strip along a polygon's edge that doesn't count [m].
    length_min_m
        Shortest stretch on a polygon that counts [m].
    end_m
        A stretch this near an end of the route, on a polygon where the route ends, belongs to that end [m].
    """
    polygons = np.asarray(surfaces, dtype=object).ravel()
    inner = shapely.buffer(polygons, -margin_m)
    parts, owner = shapely.get_parts(shapely.intersection(route, inner), return_index=True)
    ends = shapely.points([route.coords[0], route.coords[-1]])
    near_end = shapely.distance(parts[:, None], ends[None, :]) <= end_m
    ends_there = shapely.distance(polygons[owner][:, None], ends[None, :]) <= margin_m
    through = ~np.any(near_end & ends_there, axis=1)
    return np.unique(owner[through & (shapely.length(parts) >= length_min_m)]).astype(np.int64)


def _price(cost: FloatArray, ground: PricedGround, xs: FloatArray, ys: FloatArray) -> None:
    """Set the cost of the cells whose centres lie on a piece of ground, of those that aren't blocked yet."""
    if ground.geometry.is_empty:
        return
    min_x, min_y, max_x, max_y = ground.geometry.bounds
    box = np.s_[slice(*np.searchsorted(ys, [min_y, max_y])), slice(*np.searchsorted(xs, [min_x, max_x]))]
    row, column = np.nonzero(~np.isinf(cost[box]))
    shapely.prepare(ground.geometry)
    inside = shapely.contains_xy(ground.geometry, xs[box[1]][column], ys[box[0]][row])
    cost[box][row[inside], column[inside]] = ground.cost_per_m


def _columns(field: CostField) -> int:
    return int(field.grid.cost_per_m.shape[1])


def _graph(grid: CostGrid) -> csr_array:
    pieces = [_moves(grid.cost_per_m, *move) for move in _MOVES]
    start, end, cost = (np.concatenate(part) for part in zip(*pieces, strict=True))
    size = grid.cost_per_m.size
    return csr_array((cost * grid.cell_m, (start, end)), shape=(size, size))


def _moves(
    cost: FloatArray, move: tuple[int, int], crossed: _Cells, touched: _Cells
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return start cell, end cell and cost in cells of one kind of move, wherever it is free."""
    rows, columns = cost.shape
    down, across = move
    first, last = max(0, -across), columns - max(0, across)
    if rows <= down or last <= first:
        nothing = np.zeros(0, dtype=np.int64)
        return nothing, nothing, np.zeros(0)

    def shifted(row: int, column: int) -> FloatArray:
        return cost[row : rows - down + row, first + column : last + column]

    mean = np.mean([shifted(*cell) for cell in crossed], axis=0)
    free = np.isfinite(mean)
    for cell in touched:
        free &= np.isfinite(shifted(*cell))
    row, column = np.nonzero(free)
    start = row * columns + column + first
    return start, start + down * columns + across, mean[free] * hypot(down, across)


def _way_back(predecessors: IntArray, end: int) -> IntArray:
    cells = [end]
    while predecessors[cells[-1]] >= 0:
        cells.append(int(predecessors[cells[-1]]))
    return np.array(cells, dtype=np.int64)


def _thinned(cells: IntArray, columns: int, every: int = 4) -> IntArray:
    """Return the cells at both ends, at and beside turns, and every few between."""
    steps = np.column_stack(np.divmod(cells, columns))
    turn = np.zeros(len(cells), dtype=np.bool_)
    turn[1:-1] = np.any(np.diff(steps, n=2, axis=0) != 0, axis=1)
    keep = turn.copy()
    keep[::every] = True
    keep[[0, -1]] = True
    return cells[keep]


def _taut(grid: CostGrid, nodes: FloatArray) -> tuple[FloatArray, float]:
    """Return the cheapest subset of the nodes that keeps both ends and the order, and its cost."""
    stubs = _stub_costs(grid, nodes)
    least_per_m = float(grid.cost_per_m.min())
    total = np.full(len(nodes), np.inf)
    total[0] = 0.0
    before = np.zeros(len(nodes), dtype=np.int64)
    for node in range(1, len(nodes)):

        def through(earlier: IntArray, node: int = node) -> FloatArray:
            costs = straight_costs(grid, nodes[earlier], np.broadcast_to(nodes[node], (len(earlier), 2)))
            next_to_it = np.where(earlier == node - 1, stubs.get(node, np.inf), np.inf)
            return np.asarray(total[earlier] + np.minimum(costs, next_to_it))

        likely = np.array([before[node - 1], node - 1])
        best = through(likely).min()
        # No straight piece costs less than its length over the cheapest ground.
        least = total[:node] + least_per_m * np.hypot(*(nodes[:node] - nodes[node]).T)
        able = np.flatnonzero(least <= best * (1 + _ROUNDING))
        able = able[~_blocked_somewhere(grid, nodes[able], nodes[node]) | (able == node - 1)]
        reached = through(able)
        # The earliest node within rounding of the best: fewest bends among equal costs.
        chosen = np.flatnonzero(reached <= reached.min() * (1 + _ROUNDING))[0]
        before[node], total[node] = able[chosen], reached[chosen]
    kept = _kept(before)
    return nodes[kept], float(total[-1])


_ROUNDING = 1e-9

_LOOKED_AT = (np.arange(24) + np.sqrt(2) / 2) / 24
"""Shares of a straight piece at which a quick look is taken: at no corner of cells, whose rows and columns are even."""


def _blocked_somewhere(grid: CostGrid, starts: FloatArray, end: FloatArray) -> BoolArray:
    """Return whether one of a few places along straight pieces is blocked; if not, the exact cost may still say so."""
    at = (starts[:, None] + _LOOKED_AT[:, None] * (end - starts)[:, None] - (grid.min_x, grid.min_y)) / grid.cell_m
    last = np.array(grid.cost_per_m.shape)[::-1] - 1
    column, row = np.moveaxis(np.clip(np.floor(at), 0, last).astype(np.int64), 2, 0)
    return np.isinf(grid.cost_per_m[row, column]).any(axis=1)


def _stub_costs(grid: CostGrid, nodes: FloatArray) -> dict[int, float]:
    """Return what the first and last short piece cost where it lies on blocked ground (up a wall)."""
    cost = grid.cost_per_m.ravel()[grid.cells(nodes[[1, -2]])]
    first, last = np.hypot(*(nodes[[0, -1]] - nodes[[1, -2]]).T) * cost
    return {1: float(first), len(nodes) - 1: float(last)}


def _kept(before: IntArray) -> IntArray:
    kept = [len(before) - 1]
    while kept[-1] > 0:
        kept.append(int(before[kept[-1]]))
    return np.array(kept[::-1], dtype=np.int64)


def _line_cuts(start: FloatArray, end: FloatArray) -> Iterator[FloatArray]:
    """Yield, per axis, where pieces cross the grid's lines, as shares of their length padded with ones."""
    for axis in (0, 1):
        low = np.minimum(start[:, axis], end[:, axis])
        high = np.maximum(start[:, axis], end[:, axis])
        first = np.floor(low) + 1
        lines = first[:, None] + np.arange(int(np.max(np.ceil(high) - first, initial=0.0)) + 1)
        run = end[:, axis] - start[:, axis]
        safe = np.where(run == 0, 1.0, run)
        share = (lines - start[:, axis, None]) / safe[:, None]
        yield np.where((lines < high[:, None]) & (run != 0)[:, None], share.clip(0, 1), 1.0)
