"""What stands on the ground, of first returns in cells of half a metre: the surface model, and the trees on it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from pyproj import CRS
from scipy.ndimage import binary_opening, uniform_filter

from lawngis.arrays import BoolArray, FloatArray
from lawngis.geometry.frame import MeasuringFrame, horizontal_crs
from lawngis.ground import point_grid
from lawngis.ground.raster import Grid
from lawngis.ground.trees import found_trees, hedge_cells

from ..files.point_clouds import CellStore, CloudPoints
from .cloud_cells import SQUARES_BYTES, CellGrid, by_square

PLANT_SHARE = 0.25
"""From this share of first returns on, from plants or going on below, a cell and those around it are grown."""

GROWN_MIN_M, TREE_MIN_M = 1.0, 2.0
"""Lower plants are no part of a crown, lower tops no trees [m]."""

CONFIDENCE_MIN = 0.45
"""A tree that is less likely one is left to whoever looks."""

TREE_SD_M = 1.0
"""Standard deviation of a trunk's place when its crown's top is known [m]: trunks lean. Common practice, no source."""

SLIM_M = 1.5
"""Where no class tells buildings, crowns are wider: the rims of roofs, too, give back a pulse several times [m]."""

HALO_M = 16.0
"""So far around a square crowns are looked at that may reach into it [m]."""


class Surface:
    """First returns in cells: highest, number, and how many are of plants, and of buildings.

    Parameters
    ----------
    grid
        The cells.
    together
        So many along each side are one cell of the surface model: a wall is hit once in a metre or so, and what is seen
        of it now and then looks like a gap.
    folder
        For this alone.
    """

    def __init__(self, grid: CellGrid, together: int, folder: Path) -> None:
        self.grid, self._together = grid, together
        self._cells = CellStore(folder, [np.nan, 0.0, 0.0, 0.0], memory_bytes=SQUARES_BYTES)
        self._knows_buildings = False

    def add(self, cloud: CloudPoints) -> None:
        """Put the first returns of a chunk where they belong."""
        first = cloud.of(cloud.first)
        for square, points, part in by_square(self._cells, self.grid, first):
            point_grid.raise_tops(square[0], points)
            point_grid.count_points(square[1], points)
            point_grid.count_points(square[2], points.of(part.plant))
            point_grid.count_points(square[3], points.of(part.built))
            self._knows_buildings |= bool(part.built.any())

    @property
    def model_grid(self) -> CellGrid:
        """Cells of the surface model."""
        return self.grid.coarser(self._together)

    def pieces(self) -> Iterator[tuple[FloatArray, int, int]]:
        """Yield the surface square by square, without pits and with narrow gaps filled [m], with its row and column."""
        cell_m = self.model_grid.cell_m
        halo = 2 * _reach(cell_m) + 8
        for key in self._cells.keys:
            tops = self._around(key, halo * self._together)[0]
            size = len(tops) // self._together
            parts = tops.reshape(size, self._together, size, self._together)
            yield _closed(np.fmax.reduce(np.fmax.reduce(parts, 3), 1), cell_m)[halo:-halo, halo:-halo], *key

    def trees(self, ground: CellStore, ground_grid: CellGrid, crs: CRS) -> geopandas.GeoDataFrame:
        """Return tops of crowns that stand above the ground.

        Parameters
        ----------
        ground
            Planes of which the first is the ground [m].
        ground_grid
            Its cells: whole multiples of these, from the same corner.
        crs
            Of the clouds.
        """
        flat = horizontal_crs(crs)
        halo = round(HALO_M / self.grid.cell_m)
        found = [self._trees(key, halo, ground, ground_grid, flat) for key in self._cells.keys]
        names = {"height_m": float, "crown_diameter_m": float}
        empty = geopandas.GeoDataFrame(
            {name: pd.Series(dtype=kind) for name, kind in names.items()}, geometry=[], crs=flat
        )
        return pd.concat([empty, *(table for table in found if len(table))], ignore_index=True)

    def _trees(
        self, key: tuple[int, int], halo: int, ground: CellStore, ground_grid: CellGrid, crs: CRS
    ) -> geopandas.GeoDataFrame:
        top, count, plants, built = self._around(key, halo)
        side = self._cells.side_cells
        row, col = key[0] * side - halo, key[1] * side - halo
        height = np.nan_to_num(
            _closed(top, self.grid.cell_m) - _under(ground, ground_grid, self.grid, row, col, len(top))
        )
        grown = self._grown(height, count, plants)
        cell, grid = self.grid.cell, self.grid
        place = Affine(cell, 0, grid.left + col * cell, 0, -cell, grid.top - row * cell)
        outline = shapely.box(place.c, place.f - len(top) * cell, place.c + len(top) * cell, place.f)
        frame = MeasuringFrame.centred_on(outline, crs)
        trees = found_trees(Grid(height, place, crs), grown, frame, built=built > 0, height_min_m=TREE_MIN_M)
        sure = [tree for tree in trees if tree.confidence >= CONFIDENCE_MIN]
        places = frame.coordinates_in(crs, np.array([(tree.x_m, tree.y_m) for tree in sure]).reshape(-1, 2))
        x, y = places.T
        right, down = np.floor((x - place.c) / cell) - halo, np.floor((place.f - y) / cell) - halo
        inside = (right >= 0) & (right < side) & (down >= 0) & (down < side)
        values = {
            "height_m": [round(tree.height_m, 2) for tree in sure],
            "crown_diameter_m": [round(tree.crown_diameter_m, 2) for tree in sure],
        }
        return geopandas.GeoDataFrame(values, geometry=geopandas.points_from_xy(x, y), crs=crs)[inside]

    def _grown(self, height_m: FloatArray, count: FloatArray, plants: FloatArray) -> BoolArray:
        """Return the cells where plants stand tall, but for hedges."""
        around, of_plants = uniform_filter(count, 5), uniform_filter(plants, 5)
        grown = (height_m >= GROWN_MIN_M) & (of_plants >= PLANT_SHARE * around) & (of_plants > 1e-9)
        if not self._knows_buildings:
            cells = max(round(SLIM_M / self.grid.cell_m), 1)
            grown = binary_opening(grown, np.ones((cells, cells), dtype=bool))
        return np.asarray(grown & ~hedge_cells(grown, cell_m=self.grid.cell_m))

    def _around(self, key: tuple[int, int], halo: int) -> FloatArray:
        side = self._cells.side_cells
        return self._cells.window(key[0] * side - halo, key[1] * side - halo, side + 2 * halo, side + 2 * halo)


def _reach(cell_m: float) -> int:
    return max(round(point_grid.GAP_MAX_M / 2 / cell_m), 1)


def _closed(top: FloatArray, cell_m: float) -> FloatArray:
    """Return tops without pits and narrow gaps."""
    return point_grid.without_pits(point_grid.filled(top, point_grid.closed_gaps(np.isfinite(top), _reach(cell_m))))


def _under(ground: CellStore, coarse: CellGrid, fine: CellGrid, row: int, col: int, size: int) -> FloatArray:
    """Return the ground [m] under fine cells: that of the coarse cell in which each lies."""
    parts = round(coarse.cell / fine.cell)
    first_row, first_col, many = row // parts, col // parts, size // parts + 2
    window = ground.window(first_row, first_col, many, many)[0]
    fine_cells = window.repeat(parts, axis=0).repeat(parts, axis=1)
    down, right = row - first_row * parts, col - first_col * parts
    return fine_cells[down : down + size, right : right + size]
