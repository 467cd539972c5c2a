"""Terrain and surface models from point clouds of any size, with what each cell's elevation is good for."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from math import ceil, sqrt
from pathlib import Path
from typing import Literal

import geopandas
import numpy as np
from affine import Affine
from pyproj import CRS, Transformer

from lawngis.arrays import FloatArray
from lawngis.errors import SiteError
from lawngis.geometry.frame import horizontal_crs
from lawngis.ground import point_grid
from lawngis.ground.accuracy import accuracy_class
from lawngis.ground.point_grid import PointSums

from ..files.point_clouds import CellStore, CloudInfo, cloud_overview
from ..files.rasters import Bounds, CogTarget, RasterInfo, rasters_passing, write_mosaic
from .cloud_cells import SQUARES_BYTES, CellGrid, Spread, by_square, corner, made_folder, points_within
from .cloud_surface import Surface

GroundFound = Literal["classes", "filter"]

TELLING_SQUARES = 16
TELLING_STEP = 7
"""Squares of cells, spread evenly, and of the errors every so many, that tell scatter and errors of filling."""

SURFACE_CELL_MAX_M = 1.0
"""Cells of the surface model are the terrain model's, but no larger than this if points suffice [m]: walls get lost."""

SD_BEST_M = accuracy_class("QL0").rmse_z_m
"""Of no cloud is said more: RMSEz of the best of the USGS's quality levels. What all points have in common (the
survey's own place) can't be seen in a cloud."""

_SUMS = len(PointSums._fields)
_UNIT_NAMES = ((1.0, "m"), (0.3048, "ft"), (1200 / 3937, "us-ft"))


@dataclass(frozen=True)
class ElevationModels:
    """Rasters made of point clouds, and how good they are.

    Parameters
    ----------
    dem, dsm
        Bare ground at cells' centres; highest first returns, without the pits in crowns. In the clouds' CRS and
        vertical unit, which is noted.
    sd
        Standard deviation of each cell of the DEM [m], without what the whole cloud is off.
    points
        Ground points in each cell of the DEM; 0 marks one that was filled.
    cell_size
        Side of a cell of the DEM [unit of the CRS]; those of the DSM are no larger.
    cell_m
        The same [m].
    filled_share, empty_share
        Of the cells that have a surface: with ground that was filled, and without ground.
    trees
        Tops of crowns, with height and diameter, as the layer of a site has them.
    crs
        Of `dem` and `dsm`.
    points_read
        Points of the area, without noise.
    ground_points
        Those from which the ground is made.
    ground_found
        ``classes``: points of class 2. ``filter``: a cloud has none, so the progressive morphological filter.
    sd_m
        Of one elevation of the DEM, for ``[accuracy] dem_sd_m`` of a site: root mean square over its cells, and at
        least :data:`SD_BEST_M` [m].
    notes
        What had to be assumed, in sentences.
    """

    dem: Path
    dsm: Path
    sd: Path
    points: Path
    cell_size: float
    cell_m: float
    filled_share: float
    empty_share: float
    trees: geopandas.GeoDataFrame
    crs: CRS
    points_read: int
    ground_points: int
    ground_found: GroundFound
    sd_m: float
    notes: tuple[str, ...] = ()


def elevation_models(clouds: Sequence[Path], folder: Path, area: Bounds | None = None) -> ElevationModels:
    """Write ``dem.tif``, ``dsm.tif``, ``dem_sd.tif`` and ``dem_points.tif`` from point clouds, each whole or not there.

    The clouds are read two times, or three where their points have no classes, a chunk at a time; cells are kept in
    squares, of which only some are in memory. So memory depends neither on the points nor on the ground they cover.

    Parameters
    ----------
    clouds
        LAS, LAZ or COPC, all in one CRS.
    folder
        Where the rasters go; scratch files of some 100 bytes a cell lie there meanwhile.
    area
        West, south, east, north [degrees], outside of which points don't count; None for all.

    Raises
    ------
    SiteError
        When a cloud can't be used, is unlike the others, or none has points in the area.
    ParameterError
        When the package that reads clouds isn't installed.
    RasterError
        When a raster can't be written.
    """
    infos = [cloud_overview(path) for path in clouds]
    _refuse_unlike(infos)
    bounds = None if area is None else _in_crs(area, infos[0].crs)
    spread = Spread(infos, bounds)
    grid = CellGrid.of(infos[0], spread)
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".clouds-", dir=folder) as scratch:
        fine = grid.finer(spread)
        together = max(round(min(grid.cell_m, SURFACE_CELL_MAX_M) / fine.cell_m), 1)
        surface = Surface(fine, together, made_folder(Path(scratch) / "tops"))
        gathered = _gathered(infos, bounds, grid, surface, spread.classified, Path(scratch))
        finished = _Finished(gathered, grid, Path(scratch))
        with rasters_passing(1):
            return _written(finished, surface, infos, spread, folder)


def _refuse_unlike(infos: list[CloudInfo]) -> None:
    if not infos:
        raise SiteError("there is no point cloud", advice="Name a file that ends in .las or .laz.")
    first = infos[0]
    for info in infos[1:]:
        if info.crs != first.crs or info.vertical_unit_m != first.vertical_unit_m:
            raise SiteError(
                f"is in {info.crs.name} and {first.path.name} in {first.crs.name}, or their units of height differ",
                where=str(info.path),
                advice="Make the clouds of each CRS a site of their own, or reproject them.",
            )


def _in_crs(area: Bounds, crs: CRS) -> Bounds:
    """Return the box around an area in degrees, in a CRS."""
    transformer = Transformer.from_crs("EPSG:4326", horizontal_crs(crs), always_xy=True)
    west, south, east, north = transformer.transform_bounds(*area)
    return west, south, east, north


def _gathered(
    infos: list[CloudInfo], bounds: Bounds | None, grid: CellGrid, surface: Surface, classified: bool, scratch: Path
) -> CellStore:
    """Return sums of ground points and tops of first returns, square by square."""
    store = CellStore(made_folder(scratch / "sums"), [*[0.0] * _SUMS, np.nan, np.nan])
    for _, cloud in points_within(infos, bounds):
        surface.add(cloud)
        for square, points, part in by_square(store, grid, cloud):
            point_grid.raise_tops(square[_SUMS], points.of(part.first))
            if classified:
                point_grid.add_points(PointSums(*square[:_SUMS]), points.of(part.ground))
            else:
                point_grid.lower_bottoms(square[_SUMS + 1], points.of(part.last))
    if not classified:
        ceilings = _ceilings(store, grid, made_folder(scratch / "ceilings"))
        for _, cloud in points_within(infos, bounds):
            for square, points, part in by_square(store, grid, cloud, ceilings):
                point_grid.add_points(PointSums(*square[:_SUMS]), points.of(part.last))
    return store


def _ceilings(store: CellStore, grid: CellGrid, folder: Path) -> CellStore:
    """Return up to where points are ground, by the progressive morphological filter over squares and what is around."""
    windows = point_grid.filter_windows(grid.cell_m)
    halo = point_grid.halo_cells(windows)
    side, together = store.side_cells, 2
    ceilings = CellStore(folder, [np.nan], memory_bytes=SQUARES_BYTES)
    for row, col in sorted({(row // together, col // together) for row, col in store.keys}):
        (first_row, rows), (first_col, cols) = (
            (max(square * together * side - halo, 0), min((square + 1) * together * side + halo, most))
            for square, most in ((row, grid.rows), (col, grid.cols))
        )
        bottom = store.window(first_row, first_col, rows - first_row, cols - first_col)[-1]
        ground = point_grid.ground_cells(bottom, windows)
        ceiling = point_grid.ground_ceiling_m(bottom, ground, grid.cell_m)
        inner = ceiling[row * together * side - first_row :, col * together * side - first_col :]
        for down, right in product(range(together), repeat=2):
            part = inner[down * side : (down + 1) * side, right * side : (right + 1) * side]
            if part.size:
                square = ceilings.square((row * together + down, col * together + right))[0]
                square[: part.shape[0], : part.shape[1]] = part
    return ceilings


class _Finished:
    """Elevations, sd and counts of cells, square by square, and shares over all of them."""

    def __init__(self, sums: CellStore, grid: CellGrid, scratch: Path) -> None:
        self.grid, self._sums = grid, sums
        self._reach = max(round(point_grid.GAP_MAX_M / 2 / grid.cell_m), 1)
        self.cells = CellStore(made_folder(scratch / "finished"), [np.nan] * 4, memory_bytes=SQUARES_BYTES)
        self._noise_m, self._bridging_sd_m = self._told()
        self.surface = self.filled = self.empty = self.measured = 0
        self.ground_points = 0
        square_sum = 0.0
        for key in sums.keys:
            dem, top, sd, count = self.cells.square(key)
            dem[:], top[:], sd[:], count[:] = self._square(key)
            there = np.isfinite(dem)
            square_sum += float(np.sum(sd[there] ** 2))
            self.measured += int(there.sum())
            self.ground_points += int(np.nansum(count))
            surface = np.isfinite(top)
            self.surface += int(surface.sum())
            self.filled += int((surface & (count == 0)).sum())
            self.empty += int((surface & ~there).sum())
        self.sd_m = sqrt(square_sum / self.measured) if self.measured else np.nan

    def plane(self, number: int) -> Iterator[tuple[FloatArray, int, int]]:
        """Yield a plane square by square, with its row and column."""
        for row, col in self.cells.keys:
            yield self.cells.square((row, col))[number], row, col

    def _told(self) -> tuple[float, FloatArray]:
        """Return the scatter of a point [m], and the sd of filled cells by distance [m]."""
        keys = self._sums.keys
        chosen = keys[:: ceil(len(keys) / TELLING_SQUARES)]
        all_ratios, errors = [], []
        for key in chosen:
            planes = point_grid.cell_planes(self._around(key)[0], self.grid.cell_m)
            all_ratios.append(point_grid.scatter_ratios(planes))
            bridged = point_grid.bridging_errors_m(planes.z_m, self._reach)
            errors.append([off[::TELLING_STEP].copy() for off in bridged])
        ratios = np.concatenate(all_ratios)
        noise_m = float(np.sqrt(np.median(ratios))) if len(ratios) else SD_BEST_M
        together = [np.concatenate(at_distance) for at_distance in zip(*errors, strict=True)]
        return noise_m, point_grid.bridging_sd_m(together, noise_m)

    @property
    def _halo(self) -> int:
        return 2 * self._reach + 8

    def _around(self, key: tuple[int, int]) -> tuple[PointSums, FloatArray]:
        """Return sums and tops of a square and what is around it."""
        side, halo = self._sums.side_cells, self._halo
        size = side + 2 * halo
        planes = self._sums.window(key[0] * side - halo, key[1] * side - halo, size, size)
        return PointSums(*planes[:_SUMS]), planes[_SUMS]

    def _square(self, key: tuple[int, int]) -> list[FloatArray]:
        """Return DEM, tops and sd [m], and number of points, 0 where filled, of a square; gaps in tops are 0."""
        sums, top = self._around(key)
        planes = point_grid.cell_planes(sums, self.grid.cell_m)
        gaps = point_grid.closed_gaps(planes.known, self._reach)
        dem = point_grid.filled_ground(planes, gaps, cell_m=self.grid.cell_m, reach_cells=self._reach)
        sd = point_grid.cell_sd_m(planes, self._noise_m)
        sd = np.where(gaps, point_grid.filled_sd_m(planes.known, self._bridging_sd_m), sd)
        surface = np.where(point_grid.closed_gaps(np.isfinite(top), self._reach), 0.0, top)
        ground = np.isfinite(dem)
        inner = slice(self._halo, -self._halo)
        finished = (dem, surface, np.where(ground, sd, np.nan), np.where(ground, planes.count, np.nan))
        return [values[inner, inner] for values in finished]


def _written(
    finished: _Finished, tops: Surface, infos: list[CloudInfo], spread: Spread, folder: Path
) -> ElevationModels:
    """Write the rasters, and say what they are."""
    grid, info = finished.grid, infos[0]
    flat, unit = horizontal_crs(info.crs), _unit_name(info.vertical_unit_m)
    to_file = (1 / grid.vertical_unit_m, grid.base_z)
    ground = "ground, of points" if spread.classified else "ground, by a filter of points"
    kinds = (
        ("dem", f"elevation of the {ground}", unit, info.crs, *to_file, grid, finished.plane(0)),
        ("dsm", "elevation of the highest first returns", unit, info.crs, *to_file, tops.model_grid, tops.pieces()),
        ("dem_sd", "standard deviation of the ground's elevation", "m", flat, 1.0, 0.0, grid, finished.plane(2)),
        ("dem_points", "ground points in the cell; 0: filled from around", "", flat, 1.0, 0.0, grid, finished.plane(3)),
    )
    paths = {}
    for name, description, of, crs, factor, base, cells, values in kinds:
        place = Affine(cells.cell, 0, cells.left, 0, -cells.cell, cells.top)
        like = RasterInfo("", crs, None, place, cells.cols, cells.rows, (), "float32", np.nan)
        pieces = ((piece * factor + base, corner(place, row, col, len(piece))) for piece, row, col in values)
        paths[name] = write_mosaic(CogTarget(folder / f"{name}.tif", description, of), like, pieces)
    surface = max(finished.surface, 1)
    return ElevationModels(
        dem=paths["dem"],
        dsm=paths["dsm"],
        sd=paths["dem_sd"],
        points=paths["dem_points"],
        cell_size=grid.cell,
        cell_m=grid.cell_m,
        filled_share=finished.filled / surface,
        empty_share=finished.empty / surface,
        trees=tops.trees(finished.cells, grid, info.crs),
        crs=info.crs,
        points_read=spread.count,
        ground_points=finished.ground_points,
        ground_found="classes" if spread.classified else "filter",
        sd_m=ceil(max(finished.sd_m, SD_BEST_M) * 1000) / 1000,
        notes=tuple(_notes(infos, spread)),
    )


def _unit_name(unit_m: float) -> str:
    return next((name for length_m, name in _UNIT_NAMES if abs(unit_m - length_m) < 1e-9), f"{unit_m:g} m")


def _notes(infos: list[CloudInfo], spread: Spread) -> Iterator[str]:
    if not all(info.vertical_said for info in infos):
        unit = _unit_name(infos[0].vertical_unit_m)
        yield f"the clouds don't say their unit of height: that of x and y is taken ({unit})"
    if not spread.classified:
        yield (
            "points have no classes, so the ground was found by a filter: what is wider than"
            f" {point_grid.WINDOW_MAX_M:g} m or lower than 0.25 m may be taken for ground"
        )
