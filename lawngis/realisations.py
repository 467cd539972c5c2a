"""Other versions of data, as wrong as a model of error says: grids with a field of error, drawn features moved.

A grid holds one error already. It is brought to its expected truth first, so that the error isn't doubled; with drawn
features that can't be done, as nothing tells in which direction one is off: what is drawn is itself the best guess.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt
from shapely import LineString, MultiPoint, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.error_model import RasterError, VectorError
from lawngis.geometry.polygons import repaired

COMMON_M = 0.05
"""Corners and edges of two features that lie no farther apart were drawn as one and stay one; ours, no source."""

SPECTRUM_BINS = 24
"""Bands of frequency in which the power of terrain and of its errors is compared."""

FINEST_SHARE = 0.5
"""Frequencies above this share of the highest show what errors a grid has: terrain has little power there."""

PAD_LENGTHS = 6.0
"""How many correlation lengths a field is drawn beyond its grid, so that opposite edges aren't alike."""

SURE_SDS = 3.0
"""What lies so many standard deviations off the smoothed terrain is no error: a step, a wall, a tree."""


# --- grids -----------------------------------------------------------------------------------------------


def error_field(
    shape: tuple[int, int], cell_m: tuple[float, float], error: RasterError, rng: np.random.Generator
) -> FloatArray:
    """Return one field of error of a grid.

    Parameters
    ----------
    shape
        Rows and columns.
    cell_m
        Width and height of a cell [m].
    error
        Its standard deviation, correlation and form.
    rng
        Where chance comes from.

    Returns
    -------
    ndarray
        Of the shape given [m].

    Notes
    -----
    Gaussian, by circulant embedding; what the embedding has of negative power counts as none, and the rest is scaled
    so that the variance is right.

    References
    ----------
    C.R. Dietrich and G.N. Newsam, 1997, Fast and exact simulation of stationary Gaussian processes through circulant
    embedding of the covariance matrix, SIAM J. Sci. Comput. 18(4), 1088-1107, doi 10.1137/S1064827592240555.
    """
    sizes = [
        count + int(np.ceil(PAD_LENGTHS * error.correlation_m / side))
        for count, side in zip(shape, cell_m[::-1], strict=True)
    ]
    white = np.fft.rfft2(rng.standard_normal(sizes))
    field = np.fft.irfft2(np.sqrt(_error_power((sizes[0], sizes[1]), cell_m, error)) * white, sizes)
    return np.asarray(field[: shape[0], : shape[1]])


def expected_surface(z_m: FloatArray, cell_m: tuple[float, float], error: RasterError) -> FloatArray:
    """Return what a grid shows without the errors that it is expected to have.

    Parameters
    ----------
    z_m
        Elevations, shape (rows, cols) [m], NaN where there are none.
    cell_m
        Width and height of a cell [m].
    error
        How far they are off.

    Returns
    -------
    ndarray
        Of the same shape [m], NaN where `z_m` is.

    Notes
    -----
    Wiener's filter, which is simple kriging of a stationary surface: what is left of a plane is weighted in each
    frequency by S / (S + E), with E the power of the errors and S that of the terrain: the rest of the grid's own
    power, never rising with frequency. A grid that is smoother than its errors would have it holds
    smaller ones: E is no more than the grid shows above :data:`FINEST_SHARE` of the highest frequency. What is left is
    no error where it lies :data:`SURE_SDS` off: steps, walls and trees stay as they are.

    References
    ----------
    N. Wiener, 1949, Extrapolation, Interpolation, and Smoothing of Stationary Time Series. Power above noise from the
    data themselves: common practice, no source.
    """
    known = np.isfinite(z_m)
    if error.sd_m == 0 or min(z_m.shape) < 4 or known.sum() < 16:
        return z_m
    plane = _plane(z_m, known)
    rest = np.where(known, z_m - plane, 0.0)
    if not known.all():
        nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
        rest = rest[tuple(nearest)]
    mirrored = np.block([[rest, rest[:, ::-1]], [rest[::-1], rest[::-1, ::-1]]])
    waves = np.fft.rfft2(mirrored)
    weight = _terrain_share(np.abs(waves) ** 2 / mirrored.size, mirrored.shape, cell_m, error)
    smooth = np.fft.irfft2(waves * weight, mirrored.shape)[: rest.shape[0], : rest.shape[1]]
    return np.where(np.abs(rest - smooth) <= SURE_SDS * error.sd_m, plane + smooth, z_m) + np.where(known, 0, np.nan)


def _terrain_share(
    power: FloatArray, shape: tuple[int, int], cell_m: tuple[float, float], error: RasterError
) -> FloatArray:
    """Return by frequency which share of a grid's power is terrain, of the shape of `power`; 1 for its mean."""
    noise = _error_power(shape, cell_m, error)
    frequency = np.hypot(np.fft.fftfreq(shape[0], cell_m[1])[:, None], np.fft.rfftfreq(shape[1], cell_m[0])[None, :])
    waves = frequency > 0
    log_f = np.log(frequency[waves])
    edges = np.linspace(log_f.min(), log_f.max() + 1e-9, SPECTRUM_BINS + 1)
    band = np.searchsorted(edges, log_f, side="right") - 1
    count = np.maximum(np.bincount(band, minlength=SPECTRUM_BINS), 1)
    seen, expected, middle = (
        (np.bincount(band, values, SPECTRUM_BINS) / count)[np.unique(band)]
        for values in (power[waves], noise[waves], log_f)
    )
    finest = middle > np.log(FINEST_SHARE * frequency.max())
    shown = min(1.0, float(np.median(seen[finest] / np.maximum(expected[finest], 1e-30))))
    terrain = np.maximum.accumulate(np.maximum(seen - shown * expected, 0.0)[::-1])[::-1]
    at = np.interp(log_f, middle, terrain)
    share = np.ones(power.shape)
    share[waves] = at / np.maximum(at + shown * noise[waves], 1e-30)
    return share


def _error_power(shape: tuple[int, int], cell_m: tuple[float, float], error: RasterError) -> FloatArray:
    """Return the power of errors by frequency, as :func:`numpy.fft.rfft2` has it, where opposite edges meet."""
    across, down = (
        np.minimum(np.arange(count), count - np.arange(count)) * side
        for count, side in zip(shape[::-1], cell_m, strict=True)
    )
    covariance = error.sd_m**2 * error.correlation(np.hypot(down[:, None], across[None, :]))
    full = np.maximum(np.fft.fft2(covariance).real, 0.0)
    mean = full.mean()
    return np.asarray(full[:, : shape[1] // 2 + 1] * (error.sd_m**2 / mean if mean > 0 else 0.0))


def _plane(z_m: FloatArray, known: NDArray[np.bool_]) -> FloatArray:
    row, col = np.indices(z_m.shape)
    terms = np.stack([np.ones(z_m.shape), row, col], axis=-1)
    fitted, *_ = np.linalg.lstsq(terms[known], z_m[known], rcond=None)
    return np.asarray(terms @ fitted)


# --- drawn features --------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Corners:
    """Corners of one feature, by number among those of all.

    `free` ones are off by themselves; each of `bound` moves as a share between two others, in turn: (corners, the two,
    share of the second).
    """

    feature: int
    free: NDArray[np.int64]
    bound: tuple[tuple[NDArray[np.int64], NDArray[np.int64], FloatArray], ...]


class DrawnFeatures:
    """Drawn features that can be moved as far as they may be off, without coming apart where they meet.

    A surveyor draws a terrace against the house: where an edge of one feature lies on another's, there is one edge. The
    more exact of the two has it, and the other goes along: so neither slivers nor overlaps appear. A corner at which an
    outline hardly turns isn't off on its own: it lies between its neighbours that are.

    Parameters
    ----------
    shapes
        Features of any type [m].
    errors
        How far each is off.
    """

    def __init__(self, shapes: Sequence[BaseGeometry], errors: Sequence[VectorError]) -> None:
        self._given = list(shapes)
        self._shapes = list(shapes)
        self._errors = list(errors)
        self._spans = [slice(0, 0)] * len(shapes)
        self._corners: list[_Corners] = []
        near = _meeting(shapes)
        done: list[int] = []
        for index in sorted(range(len(shapes)), key=lambda index: (errors[index].total_m, index)):
            self._add(index, [other for other in done if other in near[index]])
            done.append(index)

    def moved(self, rng: np.random.Generator) -> list[BaseGeometry]:
        """Return the features, in the order given, moved by one drawn error: of the survey, of each, of each corner.

        Polygons stay valid: where a corner comes to lie beyond another edge, ground enclosed an odd number of times is
        kept.
        """
        survey = rng.standard_normal(2)
        shifts = rng.standard_normal((len(self._shapes), 2))
        moves = rng.standard_normal((max((span.stop for span in self._spans), default=0), 2))
        for own in self._corners:
            error = self._errors[own.feature]
            shift = error.survey_m * survey + error.feature_m * shifts[own.feature]
            moves[own.free] = shift + error.vertex_m * moves[own.free]
            for corners, between, share in own.bound:
                moves[corners] = (1 - share) * moves[between[:, 0]] + share * moves[between[:, 1]]
        return [
            _sound(shapely.transform(shape, partial(np.add, moves[span])), given)
            for shape, given, span in zip(self._shapes, self._given, self._spans, strict=True)
        ]

    def _add(self, index: int, before: Sequence[int]) -> None:
        """Number the corners of a feature, and bind those that lie on features before it."""
        corners = [shapely.get_coordinates(self._shapes[other]) for other in before]
        if before:
            with_theirs = partial(_with_corners, corners=np.concatenate(corners))
            self._shapes[index] = _line_by_line(self._shapes[index], with_theirs)
        first = max(span.stop for span in self._spans)
        xy = shapely.get_coordinates(self._shapes[index])
        self._spans[index] = slice(first, first + len(xy))
        following, shares = np.full((len(xy), 2), -1), np.zeros((len(xy), 1))
        for other in reversed(before):  # the most exact last: it has the edge
            at, between, share = _on_edges(xy, self._shapes[other])
            following[at], shares[at] = self._spans[other].start + between, share[:, None]
        bound = following[:, 0] >= 0
        led, leaders, between_shares = _led(self._shapes[index], bound, self._errors[index].vertex_m)
        alone = ~bound
        alone[led] = False
        there = np.flatnonzero(bound)
        self._corners.append(
            _Corners(
                index,
                first + np.flatnonzero(alone),
                ((first + there, following[there], shares[there]), (first + led, first + leaders, between_shares)),
            )
        )


def _meeting(shapes: Sequence[BaseGeometry]) -> list[set[int]]:
    """Return for each shape the others that it meets."""
    found: list[set[int]] = [set() for _ in shapes]
    if shapes:
        for one, other in shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=COMMON_M).T.tolist():
            found[one].add(other)
    return found


def _lines(shape: BaseGeometry) -> list[BaseGeometry]:
    """Return rings, lines and points of a shape, in the order of its coordinates."""
    if isinstance(shape, Polygon):
        return [] if shape.is_empty else [shape.exterior, *shape.interiors]
    parts = getattr(shape, "geoms", None)
    return [shape] if parts is None else [line for part in parts for line in _lines(part)]


def _line_by_line(shape: BaseGeometry, changed: Callable[[FloatArray], FloatArray]) -> BaseGeometry:
    """Return a shape with the coordinates of each of its rings and lines changed."""
    if isinstance(shape, Polygon) and not shape.is_empty:
        rings = [changed(shapely.get_coordinates(ring)) for ring in _lines(shape)]
        return Polygon(rings[0], rings[1:])
    if isinstance(shape, LineString) and not shape.is_empty:
        return LineString(changed(shapely.get_coordinates(shape)))
    parts = getattr(shape, "geoms", None)
    made: Any = type(shape)
    return shape if parts is None else made([_line_by_line(part, changed) for part in parts])


def _with_corners(line: FloatArray, corners: FloatArray) -> FloatArray:
    """Return a line with further corners where others lie on its edges; its course stays the same."""
    drawn, points = LineString(line), np.asarray(shapely.points(corners), dtype=object)
    on_edge = shapely.dwithin(points, drawn, COMMON_M) & ~shapely.dwithin(points, MultiPoint(line), COMMON_M)
    at_m = np.unique(shapely.line_locate_point(drawn, points[on_edge]))
    own_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    order = np.argsort(np.concatenate([own_m, at_m]), kind="stable")
    further = shapely.get_coordinates(shapely.line_interpolate_point(drawn, at_m))
    return np.asarray(np.concatenate([line, further])[order])


def _on_edges(xy: FloatArray, shape: BaseGeometry) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]:
    """Return which points lie on edges of a shape: their numbers, the corners at the edge's ends, how far along."""
    at = np.flatnonzero(shapely.dwithin(shapely.points(xy), _linework(shape), COMMON_M))
    corners = shapely.get_coordinates(shape)
    counts = [shapely.count_coordinates(line) for line in _lines(shape)]
    starts = np.concatenate([[0], np.cumsum(counts)])
    ends = np.concatenate(
        [np.column_stack([span := np.arange(start, max(stop - 1, start + 1)), np.minimum(span + 1, stop - 1)])
         for start, stop in pairwise(starts)]
    )  # fmt: skip
    begin, along = corners[ends[:, 0]], corners[ends[:, 1]] - corners[ends[:, 0]]
    square = np.maximum((along**2).sum(axis=1), 1e-30)
    away = xy[at][:, None, :] - begin
    share = np.clip((away * along).sum(axis=2) / square, 0, 1)
    nearest = np.hypot(*np.moveaxis(away - share[..., None] * along, 2, 0)).argmin(axis=1)
    return at, ends[nearest], share[np.arange(len(at)), nearest]


def _linework(shape: BaseGeometry) -> BaseGeometry:
    return shape.boundary if shape.geom_type.endswith("Polygon") else shape


def _led(
    shape: BaseGeometry, bound: NDArray[np.bool_], straight_m: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray]:
    """Return the corners at which a shape turns by less than it may be off: each lies between two that lead it."""
    led, leaders, shares, first = [np.empty(0, np.int64)], [np.empty((0, 2), np.int64)], [np.empty((0, 1))], 0
    for line in _lines(shape):
        xy = shapely.get_coordinates(line)
        if len(xy) > 1:
            turning = shapely.get_coordinates(LineString(xy).simplify(straight_m, preserve_topology=False)).tolist()
            leads = bound[first : first + len(xy)] | np.array([corner in turning for corner in xy.tolist()])
            closed = len(xy) > 2 and bool((xy[0] == xy[-1]).all())
            chainage_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
            ahead = np.flatnonzero(leads)
            rest = np.flatnonzero(~leads)
            after = np.searchsorted(ahead, rest)
            pair = np.column_stack([ahead[after - 1], ahead[after]])
            share = (chainage_m[rest] - chainage_m[pair[:, 0]]) / np.diff(chainage_m[pair], axis=1)[:, 0]
            if closed and not bound[first]:  # a ring ends where it began
                pair[pair == len(xy) - 1] = 0
                rest, pair, share = np.append(rest, len(xy) - 1), np.vstack([pair, [0, 0]]), np.append(share, 0.0)
            led.append(first + rest)
            leaders.append(first + pair)
            shares.append(share[:, None])
        first += len(xy)
    return np.concatenate(led), np.concatenate(leaders), np.concatenate(shares)


def _sound(shape: BaseGeometry, before: BaseGeometry) -> BaseGeometry:
    """Return a moved shape, repaired where need be; unmoved where nothing would be left of it."""
    if shape.is_valid or not shape.geom_type.endswith("Polygon"):
        return shape
    found = repaired(shape).geometry
    return before if found.is_empty else found
