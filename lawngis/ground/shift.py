"""How far an image or a surface model lies off the mapped outlines, and laying it right again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.zonal import zonal_cells

GROUPS = 4
"""Into how many parts the outlines are split to see how far their shifts agree."""

PEAK_MIN = 0.15
"""Least correlation at the best place for a shift to count as found [1]; common practice, no source."""


@dataclass(frozen=True)
class Shift:
    """How far a raster lies off the outlines: to the right (east in a north-up one) and down its rows.

    Parameters
    ----------
    cols, rows
        In cells of the raster; a thing mapped at column c is seen at c + cols.
    east_m, north_m
        The same on the ground along the raster's axes [m].
    sd_m
        Standard deviation of either, from how far parts of the outlines agree [m]; NaN with too few of them.
    correlation
        Between the raster's edges and the outlines at the best place [0, 1].
    clear
        Whether the best place stands out, so that the shift can be believed.
    """

    cols: float
    rows: float
    east_m: float
    north_m: float
    sd_m: float
    correlation: float
    clear: bool

    @property
    def length_m(self) -> float:
        """How far the raster lies off [m]."""
        return float(np.hypot(self.east_m, self.north_m))


def layer_shift(
    grid: Grid, outlines: list[BaseGeometry], frame: MeasuringFrame, *, reach_m: float = 3.0, band_m: float = 1.0
) -> Shift | None:
    """Return how far a raster lies off mapped outlines within which its values are lower than around them.

    Give a vegetation index with paving and houses, or a height turned upside down with houses. A template, minus one in
    a band inside the outlines and plus one in the band outside, is laid over the raster at every place within reach;
    the best correlation wins, read between cells from a parabola.

    Parameters
    ----------
    grid
        NaN counts as average.
    outlines
        Polygons [m of the frame]; those that don't meet the raster are left out.
    frame
        The measuring frame.
    reach_m
        Largest shift looked for, along each axis [m].
    band_m
        Width of the bands along the outlines [m].

    Returns
    -------
    Shift or None
        None when no outline meets the raster.

    References
    ----------
    Matching by normalised correlation: Lewis, 1995, Fast normalized cross-correlation, Vision Interface 10, 120-123.
    The bands along edges: common practice, no source.
    """
    return _common_shift([(grid, _grouped(_polygons(outlines)))], frame, reach_m, band_m)


def windows_shift(
    windows: Iterable[tuple[Grid, list[BaseGeometry]]],
    frame: MeasuringFrame,
    *,
    reach_m: float = 3.0,
    band_m: float = 1.0,
) -> Shift | None:
    """Return how far a large raster lies off mapped outlines, from some windows of it.

    As :func:`layer_shift`, the sums of all windows taken together: one shift that fits them all best. How far the
    windows with a shift of their own agree gives its standard deviation.

    Parameters
    ----------
    windows
        Windows of one raster, and the outlines near each [m of the frame]; taken one after the other.
    frame, reach_m, band_m
        As for :func:`layer_shift`.
    """
    shapes = ((grid, [shapely.union_all(_polygons(outlines))]) for grid, outlines in windows if _polygons(outlines))
    return _common_shift(shapes, frame, reach_m, band_m)


def _polygons(outlines: list[BaseGeometry]) -> list[BaseGeometry]:
    return [shape for shape in outlines if shape.geom_type.endswith("Polygon") and not shape.is_empty]


def _common_shift(
    windows: Iterable[tuple[Grid, list[BaseGeometry]]], frame: MeasuringFrame, reach_m: float, band_m: float
) -> Shift | None:
    """Return the shift that fits the outlines of all windows, each outline being a group of its own."""
    if not (reach_m > 0 and band_m > 0):
        raise ParameterError("reach and band of a shift must be more than nothing")
    found: list[_Matches] = []
    cell_m, reach, axes = np.ones(2), (2, 2), np.ones(2)
    for grid, shapes in windows:
        if not found:
            cell_m = np.array([float(size.mean()) for size in grid.cell_size_m])
            reach = max(2, round(reach_m / cell_m[0])), max(2, round(reach_m / cell_m[1]))
            axes = np.array([np.sign(grid.transform.a), np.sign(grid.transform.e)])
        templates = [template for shape in shapes if (template := _template(grid, shape, frame, band_m)).any()]
        if templates:
            found.append(_Matches.of(_levelled(grid.values), templates, reach))
    if not found:
        return None
    matches = _Matches.joined(found)
    cols, rows, peak = matches.summed().best_place()
    each = np.array([matches.one(number).best_place() for number in range(len(matches.cells))])
    significant = each[each[:, 2] >= PEAK_MIN] if len(found) > 1 else each
    sd = float("nan")
    if len(significant) >= GROUPS:
        sd = float(np.sqrt((significant[:, :2] * cell_m).var(axis=0, ddof=1).mean() / len(significant)))
    at_rim = abs(cols) > reach[0] - 1 or abs(rows) > reach[1] - 1
    east, north = (float(number) for number in np.array([cols, rows]) * cell_m * axes)
    return Shift(cols, rows, east, north, sd, peak, bool(peak >= PEAK_MIN and not at_rim))


def laid_right(grid: Grid, shift: Shift) -> Grid:
    """Return a raster moved back by a shift; its values stay as they are."""
    return Grid(grid.values, grid.transform @ Affine.translation(-shift.cols, -shift.rows), grid.crs)


def _grouped(shapes: list[BaseGeometry]) -> list[BaseGeometry]:
    """Return the shapes in a few groups of about equal length of outline, each as one shape."""
    if len(shapes) < GROUPS:
        return [shapely.union_all(shapes)] if shapes else []
    by_length = sorted(shapes, key=lambda shape: -shape.length)
    groups: list[list[BaseGeometry]] = [[] for _ in range(GROUPS)]
    total = np.zeros(GROUPS)
    for shape in by_length:
        lightest = int(total.argmin())
        groups[lightest].append(shape)
        total[lightest] += shape.length
    return [shapely.union_all(group) for group in groups]


def _template(grid: Grid, shape: BaseGeometry, frame: MeasuringFrame, band_m: float) -> FloatArray:
    """Return +1 in the band outside, -1 in the band inside, by shares of cells; no band outside next to a neighbour."""
    ground = shapely.make_valid(shape)
    inside = shapely.difference(ground, ground.buffer(-band_m))
    outside = shapely.difference(ground.buffer(band_m), ground)
    template = np.zeros(grid.shape)
    for sign, band in ((-1.0, inside), (1.0, outside)):
        if not band.is_empty:
            cells = zonal_cells(grid, band, frame)
            template[cells.rows, cells.cols] += sign * cells.weights
    return template


def _levelled(values: FloatArray) -> FloatArray:
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(values.shape)
    low, high = np.quantile(values[known], [0.02, 0.98])
    flat = np.clip(np.where(known, values, values[known].mean()), low, high)
    return flat - flat.mean()


@dataclass(frozen=True, eq=False)
class _Matches:
    """Sums over templates laid at every place within reach, shape (templates, 2 rows + 1, 2 columns + 1) each.

    Sums of several templates are those of their sum, so that one pass serves the groups and the whole.
    """

    product: FloatArray
    mean: FloatArray
    power: FloatArray
    template_sum: FloatArray
    template_power: FloatArray
    cells: FloatArray

    @classmethod
    def of(cls, values: FloatArray, templates: list[FloatArray], reach: tuple[int, int]) -> _Matches:
        stack = np.asarray(templates, dtype=np.float32)
        used = (stack != 0).astype(np.float32)
        product, mean, power = _near_sums(values.astype(np.float32), stack, used, reach)
        axes = (1, 2)
        return cls(product, mean, power, stack.sum(axes), (stack**2).sum(axes), used.sum(axes))

    @classmethod
    def joined(cls, several: list[_Matches]) -> _Matches:
        return cls(**{name: np.concatenate([vars(one)[name] for one in several]) for name in vars(several[0])})

    def one(self, number: int) -> _Matches:
        return _Matches(**{name: column[number : number + 1] for name, column in vars(self).items()})

    def summed(self) -> _Matches:
        return _Matches(**{name: column.sum(axis=0, keepdims=True) for name, column in vars(self).items()})

    def best_place(self) -> tuple[float, float, float]:
        """Return columns and rows at which the first template correlates best, and that correlation.

        The values' local mean drops out with the template's own, which is about nothing; their local size is taken
        where the template is.
        """
        cells, level = self.cells[0], self.template_sum[0] / max(self.cells[0], 1.0)
        product = self.product[0] - level * self.mean[0]
        power = self.power[0] - self.mean[0] ** 2 / max(cells, 1.0)
        spread = self.template_power[0] - cells * level**2
        score = product / np.sqrt(np.maximum(power * spread, 1e-12))
        row, col = np.unravel_index(int(score.argmax()), score.shape)
        reach_rows, reach_cols = score.shape[0] // 2, score.shape[1] // 2
        rows = row - reach_rows + _vertex(score[:, col], int(row))
        cols = col - reach_cols + _vertex(score[row], int(col))
        return float(cols), float(rows), float(score[row, col])


def _near_sums(
    values: NDArray[np.float32], templates: NDArray[np.float32], used: NDArray[np.float32], reach: tuple[int, int]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return sums of values over templates, and of values and their squares over the cells used, within reach."""
    cols, rows = reach
    shape = [
        next_fast_len(size + 2 * margin, real=True) for size, margin in zip(values.shape, (rows, cols), strict=True)
    ]
    plain, squared = (np.conj(rfft2(part, shape)) for part in (values, values**2))
    laid, flat = rfft2(templates, shape), rfft2(used, shape)

    def near(spectrum: NDArray[np.complexfloating]) -> FloatArray:
        # A template moved by d meets the values at lag -d of this correlation, which wraps round.
        whole = irfft2(spectrum, shape)
        at_rows, at_cols = (-np.arange(-reach_, reach_ + 1) for reach_ in (rows, cols))
        return np.asarray(whole[:, at_rows[:, None], at_cols], dtype=np.float64)

    return near(laid * plain), near(flat * plain), near(flat * squared)


def _vertex(line: FloatArray, place: int) -> float:
    """Return by how much the vertex of the parabola through a peak and its neighbours is off the peak, ±½."""
    if not 0 < place < len(line) - 1:
        return 0.0
    left, middle, right = line[place - 1 : place + 2]
    bend = left - 2 * middle + right
    return float(np.clip((left - right) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0
