"""The slope of a whole raster, whatever its size, into Cloud Optimized GeoTIFFs, strip by strip on all cores.

One thread reads strips from top to bottom and writes what comes back; the others compute. Only a handful of strips
is ever in memory, so its use depends on the raster's width alone. numpy lets go of the interpreter while it
computes, so threads do.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from lawngis.errors import ParameterError, RasterError
from lawngis.ground.raster import ground_cell_size_m
from lawngis.ground.strips import halved, strip_slope_horn, strip_slope_zevenbergen_thorne

from ..files.rasters import CogDrafts, CogTarget, RasterInfo, raster_overview, rasters_passing, read_rows, source_files

if TYPE_CHECKING:
    from lawngis.error_model import ErrorForm

FloatArray = NDArray[np.floating]
Unit = Literal["percent", "degree"]
Method = Literal["horn", "zevenbergen-thorne"]
CellSize = Literal["ground", "crs"]
Compression = Literal["deflate", "zstd", "none"]
Output = Literal["slope", "sd", "aspect"]
Progress = Callable[[Iterable[int], int], Iterable[int]]

NODATA = -9999.0
"""What stands for no data in the files, as GDAL's own slopes have it."""

STRIP_BYTES = 32 << 20
"""Size of a strip of elevations, at 32 bits each."""

STRIPS_BYTES = 192 << 20
"""Size of all strips that are under way at a time, with what is made of them."""

STRIP_ROWS = (16, 512)
"""Fewest and most rows of a strip; powers of two, so that levels of detail halve evenly."""

SMALLEST_LEVEL = 512
"""No level of detail is made of one that fits a square of so many cells."""

DETAIL_CELLS = 1 << 16
"""Cells at a time in the full computation, which needs some twenty arrays of 64-bit numbers."""


@dataclass(frozen=True)
class SlopeRecipe:
    """What is to be computed.

    Parameters
    ----------
    unit
        Of slope and standard deviation.
    method
        Of the gradient.
    cell_size
        ``ground``: the true size of each row's cells on the Earth. ``crs``: the nominal size in the CRS, as
        ``gdaldem`` takes it, which in UTM differs by up to 0.04 % and in Web Mercator by a third at 48° north.
    dem_unit_m
        Length of one unit of elevation [m]; None to take it from the raster.
    z_sd_m
        Standard deviation of one elevation [m], for the standard deviation of the slope.
    correlation_m
        Length over which errors of elevations are alike [m]; None for independent errors.
    error_form
        How they are alike, as in :class:`lawngis.error_model.RasterError`.
    """

    unit: Unit = "percent"
    method: Method = "horn"
    cell_size: CellSize = "ground"
    dem_unit_m: float | None = None
    z_sd_m: float | None = None
    correlation_m: float | None = None
    error_form: ErrorForm = "exponential"

    def __post_init__(self) -> None:
        for name, value in (("z_sd_m", self.z_sd_m), ("correlation_m", self.correlation_m)):
            if value is not None and not (np.isfinite(value) and 0 < value < 1e4):
                raise ParameterError(f"{name} must be above 0 and below 10,000 m, not {value:g}")


@dataclass(frozen=True)
class SlopeFiles:
    """Where the results go; None leaves one out."""

    slope: Path
    sd: Path | None = None
    aspect: Path | None = None
    compress: Compression = "deflate"


@dataclass
class SlopeOutcome:
    """Outcome of a raster: cells with a slope, and assumptions.

    Parameters
    ----------
    cells, with_slope
        Number of all cells, and of those that have a slope.
    notes
        What had to be assumed, in sentences.
    """

    cells: int
    with_slope: int = 0
    notes: list[str] = field(default_factory=list)


def write_slope(
    dem: str | Path,
    files: SlopeFiles,
    recipe: SlopeRecipe,
    *,
    workers: int | None = None,
    progress: Progress | None = None,
) -> SlopeOutcome:
    """Write the slope of a DEM, and if wanted its standard deviation and the aspect, whole or not at all.

    Parameters
    ----------
    dem
        File, or ``GPKG:file:table``.
    files, recipe
        Where to and what.
    workers
        Threads that compute; None for as many as there are cores.
    progress
        Passes on the rows done with each strip and shows how far it is, of how many rows.

    Raises
    ------
    RasterError
        When the DEM can't be used or a file can't be written; no file is touched then.
    ParameterError
        When recipe and files don't go together.
    """
    _check_files(dem, files, recipe)
    threads = workers or os.cpu_count() or 1
    with rasters_passing(threads):
        info = raster_overview(dem)
        strips = _Strips.of(info, recipe, files)
        outcome = SlopeOutcome(info.width * info.height, notes=_notes(info, recipe))
        targets = [_target(output, files, recipe) for output in strips.outputs]
        with CogDrafts(targets, info, levels=strips.levels, nodata=NODATA) as drafts:
            rows = _passed_through(strips, drafts, outcome, threads)
            for _ in progress(rows, info.height) if progress else rows:
                pass
            drafts.finish(compress=files.compress, threads=threads)
    if not outcome.with_slope:
        outcome.notes.append("no cell has a slope: the raster has no 3 x 3 cells with data")
    return outcome


@dataclass(frozen=True, eq=False)
class _Strips:
    """The raster cut into strips, and what is common to all strips."""

    info: RasterInfo
    recipe: SlopeRecipe
    outputs: tuple[Output, ...]
    unit_m: float
    cell_size_m: tuple[NDArray[np.float64], NDArray[np.float64]]
    rows: int
    levels: int

    @classmethod
    def of(cls, info: RasterInfo, recipe: SlopeRecipe, files: SlopeFiles) -> _Strips:
        if min(info.width, info.height) < 3:
            raise RasterError(
                f"has {info.height} rows and {info.width} columns, too few for a slope",
                where=info.source,
                advice="A slope needs 3 x 3 cells; take a raster that covers more.",
            )
        fewest, most = STRIP_ROWS
        rows = most
        while rows > fewest and rows * info.width * 4 > STRIP_BYTES:
            rows //= 2
        levels = 1
        while max(info.width, info.height) / 2 ** (levels - 1) > SMALLEST_LEVEL and 2**levels <= rows:
            levels += 1
        wanted: dict[Output, Path | None] = {"slope": files.slope, "sd": files.sd, "aspect": files.aspect}
        outputs = tuple(output for output, path in wanted.items() if path is not None)
        return cls(info, recipe, outputs, _unit_m(info, recipe), _cell_size_m(info, recipe), rows, levels)

    def read(self) -> Iterator[tuple[int, FloatArray]]:
        """Return first row and elevations of every strip, with a row more above and below (NaN beyond the raster).

        Every row is read once: compressed blocks are not unpacked again for the sake of the rows around a strip.
        """
        height, width = self.info.height, self.info.width
        strip = read_rows(self.info.source, 0, min(self.rows, height))
        outside = np.full((1, width), np.nan, strip.dtype)
        above = outside
        for first in range(0, height, self.rows):
            stop = first + len(strip)
            after = read_rows(self.info.source, stop, min(stop + self.rows, height)) if stop < height else outside
            yield first, np.concatenate([above, strip, after[:1]])
            above, strip = strip[-1:].copy(), after


def _passed_through(strips: _Strips, drafts: CogDrafts, outcome: SlopeOutcome, threads: int) -> Iterator[int]:
    """Send all strips through the threads into the drafts, in order; say after each how many rows it had."""
    strip_bytes = strips.rows * strips.info.width * 4 * (2 + 1.4 * len(strips.outputs))
    most = max(min(threads + 1, int(STRIPS_BYTES // strip_bytes)), 1)
    waiting: deque[Future[list[list[FloatArray]]]] = deque()

    def put() -> int:
        results = waiting.popleft().result()
        for number, levels in enumerate(results):
            drafts.put(number, levels)
        slope = results[0][0]
        outcome.with_slope += int(np.count_nonzero(~np.isnan(slope)))
        return len(slope)

    with ThreadPoolExecutor(threads) as pool:
        try:
            for first, z in strips.read():
                if len(waiting) >= most:
                    yield put()
                waiting.append(pool.submit(_strip_results, strips, first, z))
            while waiting:
                yield put()
        finally:
            for future in waiting:
                future.cancel()


def _strip_results(strips: _Strips, first: int, z: FloatArray) -> list[list[FloatArray]]:
    """Return every output of one strip in all levels of detail, the finest first."""
    recipe = strips.recipe
    rows = slice(first, first + len(z) - 2)
    dx_m, dy_m = (size[rows] for size in strips.cell_size_m)
    method = strip_slope_horn if recipe.method == "horn" else strip_slope_zevenbergen_thorne
    slope = method(z, strips.unit_m / dx_m, strips.unit_m / dy_m, degrees=recipe.unit == "degree")
    results: dict[Output, FloatArray] = {"slope": slope}
    if len(strips.outputs) > 1:
        results |= _sd_and_aspect(strips, z, dx_m, dy_m)
    return [_in_levels(results[output], output, strips.levels) for output in strips.outputs]


def _sd_and_aspect(
    strips: _Strips, z: FloatArray, dx_m: NDArray[np.float64], dy_m: NDArray[np.float64]
) -> dict[Output, FloatArray]:
    """Return standard deviation and aspect, as far as wanted, of the inner rows, some rows at a time."""
    results: dict[Output, FloatArray] = {
        output: np.empty((len(z) - 2, z.shape[1]), np.float32) for output in strips.outputs if output != "slope"
    }
    step = max(DETAIL_CELLS // z.shape[1], 1)
    for first in range(0, len(z) - 2, step):
        stop = min(first + step, len(z) - 2)
        part = z[first : stop + 2].astype(np.float64) * strips.unit_m
        sizes = [np.pad(size[first:stop], 1, mode="edge") for size in (dx_m, dy_m)]
        for output, values in _detail(strips, part, *sizes).items():
            results[output][first:stop] = values[1:-1]
    return results


def _detail(
    strips: _Strips, z_m: NDArray[np.float64], dx_m: NDArray[np.float64], dy_m: NDArray[np.float64]
) -> dict[Output, NDArray[np.float64]]:
    from lawngis import error_model
    from lawngis.ground import terrain  # loads scipy, which the slope alone does not need

    recipe = strips.recipe
    author = recipe.method.replace("-", "_")
    p, q = getattr(terrain, f"slope_gradient_{author}")(z_m, dx_m, dy_m)
    results: dict[Output, NDArray[np.float64]] = {}
    if "sd" in strips.outputs:
        alike_m, z_sd_m = recipe.correlation_m, recipe.z_sd_m or 0.0
        correlation = (
            None if alike_m is None else error_model.RasterError(z_sd_m, alike_m, recipe.error_form).correlation
        )
        sd = getattr(terrain, f"gradient_sd_{author}")(z_sd_m, dx_m, dy_m, correlation=correlation)
        slope_sd = terrain.slope_sd_percent if recipe.unit == "percent" else terrain.slope_sd_deg
        results["sd"] = slope_sd(p, q, *sd)
    if "aspect" in strips.outputs:
        south_on_top = strips.info.transform.e > 0
        east_on_left = strips.info.transform.a < 0
        results["aspect"] = terrain.aspect_deg(-p if east_on_left else p, -q if south_on_top else q)
    return results


def _in_levels(values: FloatArray, output: Output, count: int) -> list[FloatArray]:
    """Return an output and its coarser levels; a direction has no mean, so there one cell stands for four."""
    levels = [values]
    while len(levels) < count:
        levels.append(levels[-1][::2, ::2] if output == "aspect" else halved(levels[-1]))
    return levels


# --- units, cell sizes, files -----------------------------------------------------------------------------


def _unit_m(info: RasterInfo, recipe: SlopeRecipe) -> float:
    return recipe.dem_unit_m or info.vertical_unit_m or _horizontal_unit_m(info.crs)


def _horizontal_unit_m(crs: CRS) -> float:
    return 1.0 if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _cell_size_m(info: RasterInfo, recipe: SlopeRecipe) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if recipe.cell_size == "crs":
        if info.crs.is_geographic:
            raise ParameterError(
                "degrees are no length, so cells have no nominal size in metres",
                where=info.source,
                advice="Leave --cell-size at ground, or warp the raster to a projected CRS.",
            )
        unit_m = _horizontal_unit_m(info.crs)
        dx_m, dy_m = (np.full(info.height, size * unit_m) for size in info.res)
        return dx_m, dy_m
    try:
        return ground_cell_size_m(info.transform, info.crs, (info.height, info.width))
    except RasterError as error:
        raise error.within(info.source) from error


def _notes(info: RasterInfo, recipe: SlopeRecipe) -> list[str]:
    if recipe.dem_unit_m is not None or info.vertical_unit_m is not None:
        return []
    unit = "metre" if info.crs.is_geographic else info.crs.axis_info[0].unit_name
    return [f"the raster doesn't say its vertical unit, so {unit} was assumed; give --dem-unit if that is wrong"]


def _target(output: Output, files: SlopeFiles, recipe: SlopeRecipe) -> CogTarget:
    words = {
        "slope": f"slope, {recipe.method}",
        "sd": f"standard deviation of the slope, {recipe.method}, elevations to {recipe.z_sd_m or 0:g} m",
        "aspect": f"aspect, clockwise from the upper edge, {recipe.method}",
    }
    path = getattr(files, output)
    return CogTarget(path, words[output], "degree" if output == "aspect" else recipe.unit)


def _check_files(dem: str | Path, files: SlopeFiles, recipe: SlopeRecipe) -> None:
    if files.sd is not None and recipe.z_sd_m is None:
        raise ParameterError(
            "the standard deviation of the slope needs that of the elevations",
            advice="Give --dem-sd in metres, or a published class such as QL2 or 10-cm.",
        )
    paths = [Path(os.path.realpath(path)) for path in (files.slope, files.sd, files.aspect) if path is not None]
    if len(set(paths)) < len(paths):
        raise ParameterError("two results would go to one file", where=str(paths[0]), advice="Name one for each.")
    inputs = source_files(str(dem))
    if set(paths).intersection(Path(os.path.realpath(file)) for file in inputs):
        raise ParameterError("a result would replace the DEM itself", where=str(inputs[0]), advice="Name another file.")
    folder = next((path for path in paths if path.is_dir()), None)
    if folder is not None:
        raise ParameterError("is a folder, not a file", where=str(folder), advice="Name a file in it.")
