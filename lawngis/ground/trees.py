"""Trees and hedges found in a surface model: tops, crowns, and a guess at the trunk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import (
    distance_transform_edt,
    gaussian_filter,
    label,
    maximum_filter,
)

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.imagery import cell_side_m
from lawngis.ground.raster import Grid

LabelArray = NDArray[np.int32]

CROWN_PER_TRUNK = 25.5
"""Crown diameter over trunk diameter, the middle of 24 to 27.

Reference: Coombes et al., 2019, Urban Forestry and Urban Greening 44, 126421.
"""

CROWN_RIM_SHARE = 0.3
"""A crown ends where it is lower than this share of its top [1]; common practice, no source."""


CROWN_MIN_M2 = 0.6
"""A smaller crown is a shoot or an artefact [m²]; common practice, no source."""

SLIM_M = 1.0
"""A crown whose largest inscribed disc has a smaller radius is slim [m]."""

SEAM_REACH_M = 1.0
"""A seam along something built lies within this of it [m]: misregistrations are seldom larger."""


def crown_width_m(height_m: ArrayLike) -> FloatArray:
    """Return how wide a crown is expected to be for a tree's height [m], all kinds of trees together.

    Notes
    -----
    2.51503 + 0.00901 H².

    References
    ----------
    Popescu and Wynne, 2004, Seeing the trees in the forest, Photogrammetric Engineering and Remote Sensing 70(5),
    589-604, doi 10.14358/PERS.70.5.589 (read in a copy only).

    Examples
    --------
    >>> crown_width_m([5, 20]).round(4).tolist()
    [2.7403, 6.119]
    """
    return 2.51503 + 0.00901 * np.asarray(height_m, dtype=np.float64) ** 2


def trunk_guess_m(crown_diameter_m: ArrayLike) -> FloatArray:
    """Return a guess at the trunk's diameter from the crown's [m]: crown / 25.5; see :data:`CROWN_PER_TRUNK`."""
    return np.asarray(crown_diameter_m, dtype=np.float64) / CROWN_PER_TRUNK


@dataclass(frozen=True)
class FoundTree:
    """A tree that a surface model shows.

    Parameters
    ----------
    x_m, y_m
        Its top, where the trunk is guessed to be [m of the frame].
    height_m
        Above ground [m].
    crown_diameter_m
        Of the disc as large as its crown [m].
    trunk_diameter_m
        A guess from the crown [m].
    confidence
        That it is one tree that stands there [0, 1]: smaller where its crown is much smaller than its height lets
        expect (a hedge, a shoot beside another top).
    """

    x_m: float
    y_m: float
    height_m: float
    crown_diameter_m: float
    trunk_diameter_m: float
    confidence: float


class Crowns(NamedTuple):
    """Tops as (row, col), shape (n, 2), and to which of them, from 1, each cell belongs (0: none)."""

    tops: NDArray[np.int64]
    labels: LabelArray


def tree_tops(
    height_m: FloatArray, growing: BoolArray, *, cell_m: float, height_min_m: float = 2.0
) -> NDArray[np.int64]:
    """Return the tops of trees: cells that are the highest in a round window as wide as a crown of their height.

    Parameters
    ----------
    height_m
        Above ground, smoothed by a cell or so, shape (rows, cols) [m]; NaN is no data.
    growing
        Where trees may be: green and tall; same shape.
    cell_m
        Side of a cell [m].
    height_min_m
        Lowest tree [m].

    Returns
    -------
    numpy.ndarray
        Rows and columns, shape (n, 2), highest first.

    References
    ----------
    Popescu and Wynne, 2004, as for :func:`crown_width_m`: circular windows that grow with height.
    """
    if not cell_m > 0:
        raise ParameterError(f"a cell must be larger than nothing, not {cell_m} m")
    height = np.where(growing, np.nan_to_num(height_m), 0.0)
    tall = growing & (height >= height_min_m)
    radius = np.maximum(np.round(crown_width_m(height) / 2 / cell_m), 1).astype(int)
    top = np.zeros(height.shape, dtype=bool)
    peaks = tall & (height >= maximum_filter(height, size=3))
    padded = np.pad(height, reach := int(radius[peaks].max(initial=1)))
    for cells in np.unique(radius[peaks]):
        steps = np.arange(-cells, cells + 1)
        down, right = np.nonzero(np.add.outer(steps**2, steps**2) <= cells**2)
        row, col = np.nonzero(peaks & (radius == cells))
        # Peaks are few: looking around each is quicker than a filter over all cells.
        highest = np.array(
            [padded[r + down - cells + reach, c + right - cells + reach].max() for r, c in zip(row, col, strict=True)]
        )
        top[row, col] = height[row, col] >= highest
    # Cells of one flat top, or equal ones in the same window, are one tree.
    labels, count = label(top, structure=np.ones((3, 3)))
    if not count:
        return np.empty((0, 2), dtype=np.int64)
    places = np.argwhere(top)
    falling = np.argsort(-height[tuple(places.T)], kind="stable")
    _, first = np.unique(labels[tuple(places[falling].T)], return_index=True)
    return np.asarray(places[falling][np.sort(first)], dtype=np.int64)


def crowns(height_m: FloatArray, growing: BoolArray, tops: NDArray[np.int64]) -> Crowns:
    """Return which cell belongs to which tree's crown: the watershed of the surface turned upside down.

    Parameters
    ----------
    height_m
        Above ground, shape (rows, cols) [m].
    growing
        Cells that can belong to a crown.
    tops
        Of :func:`tree_tops`.

    References
    ----------
    Watershed by flooding from markers: as in the scikit-image library, Soille and Ansoult, 1990.
    """
    from skimage.segmentation import watershed  # only who looks for trees pays for loading it

    markers = np.zeros(height_m.shape, dtype=np.int32)
    markers[tuple(np.asarray(tops, dtype=np.int64).reshape(-1, 2).T)] = np.arange(1, len(tops) + 1)
    surface = np.nan_to_num(height_m)
    labels = np.asarray(watershed(-surface, markers, mask=growing), dtype=np.int32)  # type: ignore[no-untyped-call]
    highest = np.concatenate([[0.0], surface[tuple(np.asarray(tops).reshape(-1, 2).T)]])
    labels[surface < CROWN_RIM_SHARE * highest[labels]] = 0
    return Crowns(np.asarray(tops, dtype=np.int64), labels)


def found_trees(
    height: Grid,
    growing: BoolArray,
    frame: MeasuringFrame,
    *,
    built: BoolArray | None = None,
    height_min_m: float = 2.0,
    smoothing_m: float = 0.3,
) -> list[FoundTree]:
    """Return the trees that a height model shows, highest first.

    Tops beside what is built, and those with a crown like a seam (long and narrow, or slim and along what is built),
    are no trees: the surface model smears walls, and the image may lie a little off it.

    Parameters
    ----------
    height
        Above ground [m].
    growing
        Where plants stand tall, same shape: without it every roof is a tree.
    frame
        The measuring frame.
    built
        Where something else stands, same shape.
    height_min_m
        Lowest tree [m].
    smoothing_m
        Standard deviation of the smoothing [m]: gaps between branches are no tops.
    """
    dx, dy = (float(size.mean()) for size in height.cell_size_m)
    cell_m = cell_side_m(height)
    raw = np.where(growing, np.nan_to_num(height.values), 0.0)
    smooth = gaussian_filter(raw, smoothing_m / cell_m)
    # Smoothing lets a slim crown sink: whether it is high enough is asked of the heights themselves.
    high_enough = growing & (maximum_filter(raw, size=3) >= height_min_m)
    if built is not None and built.any():
        high_enough &= distance_transform_edt(~built) * cell_m > SEAM_REACH_M
    tops = tree_tops(smooth, high_enough, cell_m=cell_m, height_min_m=height_min_m / 2)
    if not len(tops):
        return []
    found = crowns(smooth, growing, tops)
    real = _crown_like(found.labels, built, cell_m)
    labels, tops = found.labels, tops[real]
    if not len(tops):
        return []
    cells = np.bincount(labels.ravel(), minlength=len(real) + 1)[1:][real]
    diameter = 2 * np.sqrt(np.maximum(cells, 1) * dx * dy / np.pi)
    high = maximum_filter(raw, size=3)[tuple(tops.T)]
    x, y = height.cell_centres
    xy = frame.coordinates_from(height.crs, np.column_stack([x[tops[:, 1]], y[tops[:, 0]]]))
    sure = np.clip(diameter / crown_width_m(high), 0.2, 1.0) * 0.9
    trunk = trunk_guess_m(diameter)
    rows = zip(xy[:, 0], xy[:, 1], high, diameter, trunk, sure, strict=True)
    return [FoundTree(*(float(value) for value in row)) for row in rows]


def _crown_like(labels: LabelArray, built: BoolArray | None, cell_m: float) -> BoolArray:
    """Return which crowns, from label 1 on, are about as wide as long, and are no seam along what is built."""
    count = int(labels.max())
    between = (labels != np.roll(labels, 1, axis=0)) | (labels != np.roll(labels, 1, axis=1))
    depth = distance_transform_edt(np.pad((labels > 0) & ~between, 1))[1:-1, 1:-1]
    deepest = np.zeros(count + 1)
    held = labels > 0
    np.maximum.at(deepest, labels[held], depth[held])
    radius = deepest[1:] * cell_m
    area = np.bincount(labels.ravel(), minlength=count + 1)[1:] * cell_m**2
    compact = (area >= CROWN_MIN_M2) & (area <= 5 * np.pi * np.maximum(radius, cell_m) ** 2)
    if built is None or not built.any():
        return np.asarray(compact)
    near = distance_transform_edt(~built) * cell_m <= SEAM_REACH_M
    beside = np.bincount(labels.ravel(), weights=near.ravel(), minlength=count + 1)[1:] * cell_m**2
    return np.asarray(compact & ~((radius < SLIM_M) & (beside > 0.5 * area)))


def new_trees(found: list[FoundTree], known_xy: ArrayLike, known_crown_m: ArrayLike) -> list[FoundTree]:
    """Return the trees found that a list of known ones lacks: where both speak the list wins.

    A tree is known when its top lies within half its own crown, or half the known one's, of a known trunk, 1 m at
    least: leaning trees and positions to the metre are common.

    Parameters
    ----------
    found
        Of :func:`found_trees`.
    known_xy
        Trunks, shape (n, 2) [m of the frame].
    known_crown_m
        Their crowns' diameters, shape (n,) [m]; NaN is unknown.
    """
    places = np.asarray(known_xy, dtype=np.float64).reshape(-1, 2)
    if not len(places) or not found:
        return list(found)
    crown = np.asarray(known_crown_m, dtype=np.float64)
    tops = np.array([(tree.x_m, tree.y_m) for tree in found])
    own = np.array([tree.crown_diameter_m for tree in found])
    distance = np.hypot(*(tops[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    reach = np.maximum(crown_reach_m(own)[:, None], crown_reach_m(crown)[None, :])
    known = (distance <= reach).any(axis=1)
    return [tree for tree, is_known in zip(found, known, strict=True) if not is_known]


def crown_reach_m(crown_diameter_m: ArrayLike) -> FloatArray:
    """Return within which distance of a tree another is the same [m]: half its crown, 1 m at least or if unknown."""
    return np.fmax(np.asarray(crown_diameter_m, dtype=np.float64) / 2, 1.0)


def hedge_cells(
    standing: BoolArray, *, cell_m: float, width_max_m: float = 2.5, length_min_m: float = 3.0
) -> BoolArray:
    """Return which cells of tall green belong to hedges: long, narrow, much longer than wide.

    Common practice, no source: what an opening with the widest hedge takes away, if it is at least four times as
    long as wide.

    Parameters
    ----------
    standing
        Where plants stand tall, shape (rows, cols).
    cell_m
        Side of a cell [m].
    width_max_m, length_min_m
        Widest hedge, shortest hedge [m].
    """
    half = round(width_max_m / 2 / cell_m, 3)
    depth = distance_transform_edt(np.pad(standing, 1))[1:-1, 1:-1]
    core = depth > half
    wide = distance_transform_edt(~core) <= half + 1 if core.any() else np.zeros_like(standing)
    labels, count = label(standing & ~wide, structure=np.ones((3, 3)))
    if not count:
        return np.zeros_like(standing)
    area = np.bincount(labels.ravel(), minlength=count + 1) * cell_m**2
    deepest = np.zeros(count + 1)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    width = np.maximum((2 * deepest - 1) * cell_m, cell_m)
    length = area / width
    hedge = (length >= length_min_m) & (length >= 4 * width) & (width >= min(0.4, cell_m))
    hedge[0] = False
    return np.asarray(hedge[labels])
