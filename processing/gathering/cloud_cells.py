"""Point clouds laid on cells: how their points are spread, which cells that asks for, and which point is in which."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil, floor
from pathlib import Path

import numpy as np
from affine import Affine

from lawngis.arrays import FloatArray
from lawngis.errors import SiteError
from lawngis.ground import point_grid
from lawngis.ground.point_grid import Points

from ..files.point_clouds import CellStore, CloudInfo, CloudPoints, cloud_chunks, squares_of
from ..files.rasters import Bounds

PATCH_M = 10.0
"""Side of the squares over which density is counted."""

PATCHES_MAX = 4_000_000
CELLS_MAX = 4_000_000_000
"""Squares with points, and cells from the first to the last point, beyond which a cloud is refused."""

TOP_CELL_M = 0.5
"""Side of cells for crowns and walls; larger only where points are few [m]."""

SQUARES_BYTES = 48 << 20
"""Of squares in memory that are touched one after the other."""


class Spread:
    """How points are spread: where, how many to the square metre, and whether they have classes."""

    def __init__(self, infos: list[CloudInfo], bounds: Bounds | None) -> None:
        self._patch = PATCH_M / infos[0].unit_m
        self.count = 0
        self.min_x = self.min_y = np.inf
        self.max_x = self.max_y = -np.inf
        self.base_z = np.nan
        patches = np.empty(0, dtype=np.int64)
        counts = np.empty((3, 0))
        classes, seen = set(), set()
        for number, points in points_within(infos, bounds):
            self._widen(points)
            seen.add(number)
            classes |= {number} if points.ground.any() else set()
            key = (np.floor(points.x / self._patch).astype(np.int64) << 32) + np.floor(points.y / self._patch).astype(
                np.int64
            )
            patches, place = np.unique(np.concatenate([patches, key]), return_inverse=True)
            if len(patches) > PATCHES_MAX:
                raise _scattered(infos[0].path)
            new = np.stack([points.ground, points.last, points.first]).astype(np.float64)
            both = np.concatenate([counts, new], axis=1)
            counts = np.stack([np.bincount(place, weights=row, minlength=len(patches)) for row in both])
        if not self.count:
            raise SiteError(
                "has no points in the area" if bounds else "has no points but noise",
                where=str(infos[0].path),
                advice="Compare the area with the ground that the cloud covers.",
            )
        self.classified = classes == seen
        of_ground = counts[0 if self.classified else 1]
        self.density_m2 = float(np.median(of_ground[of_ground > 0])) / PATCH_M**2
        self.first_density_m2 = float(np.median(counts[2][of_ground > 0])) / PATCH_M**2

    def _widen(self, points: CloudPoints) -> None:
        if not self.count:
            self.base_z = floor(float(np.median(points.z)))
        self.count += len(points.x)
        self.min_x, self.max_x = min(self.min_x, points.x.min()), max(self.max_x, points.x.max())
        self.min_y, self.max_y = min(self.min_y, points.y.min()), max(self.max_y, points.y.max())


def _scattered(path: Path) -> SiteError:
    return SiteError(
        "has points scattered over more ground than can be made one raster",
        where=str(path),
        advice="Name the area with --area.",
    )


@dataclass(frozen=True)
class CellGrid:
    """The cells: corner, size and number, units, and the height from which elevations count."""

    left: float
    top: float
    cell: float
    rows: int
    cols: int
    unit_m: float
    vertical_unit_m: float
    base_z: float

    @classmethod
    def of(cls, info: CloudInfo, spread: Spread) -> CellGrid:
        """Return cells of a size that the density of ground points asks for, at whole multiples of it."""
        cell = point_grid.cell_size_m(spread.density_m2) / info.unit_m
        if info.unit_m != 1.0:
            cell = 2.0 ** round(np.log2(cell))  # feet: 1, 2, 4, 8
        left, top = floor(spread.min_x / cell), ceil(spread.max_y / cell)
        cols = floor(spread.max_x / cell) - left + 1
        rows = top - ceil(spread.min_y / cell) + 1
        if rows * cols > CELLS_MAX:
            raise _scattered(info.path)
        return cls(left * cell, top * cell, cell, rows, cols, info.unit_m, info.vertical_unit_m, spread.base_z)

    def finer(self, spread: Spread) -> CellGrid:
        """Return cells for what stands on the ground, which divide these: half a metre, if every other has a point."""
        wanted_m = max(TOP_CELL_M, point_grid.cell_size_m(4 * max(spread.first_density_m2, spread.density_m2)))
        parts = 2 ** max(floor(np.log2(self.cell_m / wanted_m) + 0.01), 0)
        return replace(self, cell=self.cell / parts, rows=self.rows * parts, cols=self.cols * parts)

    def coarser(self, parts: int) -> CellGrid:
        """Return cells of which each holds so many of these along each side."""
        return replace(self, cell=self.cell * parts, rows=-(-self.rows // parts), cols=-(-self.cols // parts))

    @property
    def cell_m(self) -> float:
        """Side of a cell [m]."""
        return self.cell * self.unit_m

    def points(self, cloud: CloudPoints) -> Points:
        """Return points in their cells."""
        right, down = (cloud.x - self.left) / self.cell, (self.top - cloud.y) / self.cell
        col = np.clip(right.astype(np.int64), 0, self.cols - 1)
        row = np.clip(down.astype(np.int64), 0, self.rows - 1)
        z_m = (cloud.z - self.base_z) * self.vertical_unit_m
        return Points(row, col, (right - col - 0.5) * self.cell_m, (row + 0.5 - down) * self.cell_m, z_m)


def points_within(infos: list[CloudInfo], bounds: Bounds | None) -> Iterator[tuple[int, CloudPoints]]:
    """Read all clouds, point by point of the area, each chunk with the number of its cloud."""
    for number, info in enumerate(infos):
        for points in cloud_chunks(info):
            if bounds is not None:
                min_x, min_y, max_x, max_y = bounds
                within = (points.x >= min_x) & (points.x <= max_x) & (points.y >= min_y) & (points.y <= max_y)
                points = points.of(within)  # noqa: PLW2901
            if len(points.x):
                yield number, points


def by_square(
    store: CellStore, grid: CellGrid, cloud: CloudPoints, ceilings: CellStore | None = None
) -> Iterator[tuple[FloatArray, Points, CloudPoints]]:
    """Return points by the square they are in, with its planes; with ceilings only those below."""
    points = grid.points(cloud)
    side = store.side_cells
    for key, places in squares_of(points.row, points.col, side):
        here, part = points.of(places), cloud.of(places)
        here = here._replace(row=here.row - key[0] * side, col=here.col - key[1] * side)
        if ceilings is not None:
            below = here.z_m <= ceilings.square(key)[0][here.row, here.col]
            here, part = here.of(below), part.of(below)
        yield store.square(key), here, part


def made_folder(folder: Path) -> Path:
    """Make a folder and return it."""
    folder.mkdir()
    return folder


def corner(place: Affine, row: int, col: int, side: int) -> Affine:
    """Return where a square of cells lies."""
    return Affine(place.a, 0, place.c + col * side * place.a, 0, place.e, place.f + row * side * place.e)
