r"""Hollows of the ground: depressions that water fills before it runs off.

The terrain is flooded to its top and drained over its rim; where the flood still stands above the ground there is a
hollow::

    ---.        .----
        \~~~~~~/ <- spill level = height of the lowest way out
         `.__.'     depth = spill level - ground
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely import MultiPolygon, Polygon
from skimage.morphology import reconstruction

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid

EIGHT = np.ones((3, 3), dtype=bool)
"""Water runs to all eight neighbours."""

SAME_LEVEL_M = 1e-9
"""Floods shallower than this are rounding [m]."""


@dataclass(frozen=True)
class Hollow:
    """One depression.

    Parameters
    ----------
    polygon
        What the water covers before it runs off; along cells [m of the frame].
    depth_m
        Greatest depth [m].
    area_m2, volume_m3
        Of the water.
    spill_m
        Height at which it runs off, in the grid's own heights [m].
    """

    polygon: Polygon | MultiPolygon
    depth_m: float
    area_m2: float
    volume_m3: float
    spill_m: float


def hollows(grid: Grid, frame: MeasuringFrame, *, depth_min_m: float = 0.05, area_min_m2: float = 1.0) -> list[Hollow]:
    """Return the hollows of a terrain model, the largest volume first.

    Parameters
    ----------
    grid
        Bare ground, metres of height. Water runs off at its rim and into cells without data, so hollows that the
        window cuts are not seen as such: take a margin around the site.
    frame
        In which the polygons are wanted.
    depth_min_m
        Shallower ones are left out [m]; noise digs hollows of twice the standard deviation of one elevation easily.
        Common practice, no source.
    area_min_m2
        Smaller ones are left out [m²].

    Raises
    ------
    ParameterError
        When a limit is negative.
    """
    for name, value in (("depth_min_m", depth_min_m), ("area_min_m2", area_min_m2)):
        if not value >= 0:
            raise ParameterError(f"{name} must not be negative, but is {value:g}")
    if not (_depth_bound_m(grid.values) >= depth_min_m).any():
        return []
    depth = filled_depth_m(grid.values)
    wet = np.nan_to_num(depth) > SAME_LEVEL_M
    labels, count = ndimage.label(wet, structure=EIGHT)
    dx, dy = grid.cell_size_m
    cell_m2 = np.broadcast_to((dx * dy)[:, None], grid.shape)
    found = []
    for number, window in enumerate(ndimage.find_objects(labels, count), start=1):
        mask = labels[window] == number
        here = depth[window][mask]
        area = cell_m2[window][mask]
        if here.max() < depth_min_m or area.sum() < area_min_m2:
            continue
        polygon = _outline(grid, frame, mask, window[0].start, window[1].start)
        spill = float((grid.values[window][mask] + here).max())
        found.append(Hollow(polygon, float(here.max()), float(area.sum()), float((here * area).sum()), spill))
    return sorted(found, key=lambda hollow: -hollow.volume_m3)


def filled_depth_m(z_m: FloatArray) -> FloatArray:
    """Return how deep water would stand on each cell, shape (rows, cols) [m].

    Parameters
    ----------
    z_m
        Heights, shape (rows, cols) [m]; NaN where there are none, which is where water may leave.

    Notes
    -----
    A flood that stands at the top everywhere but at the outlets, where it stands on the ground, sinks until it rests
    on the ground or is held by higher neighbours: the grey reconstruction of the ground by erosion.

    References
    ----------
    L. Vincent, 1993, Morphological grayscale reconstruction in image analysis: applications and efficient algorithms,
    IEEE Transactions on Image Processing 2(2), 176-201, doi 10.1109/83.217222; computed as in K. Robinson and P. F.
    Whelan, 2004, Efficient morphological reconstruction: a downhill filter, Pattern Recognition Letters 25, 1759-1767
    (scikit-image).

    Examples
    --------
    >>> filled_depth_m(np.array([[5.0, 4, 5, 5], [5, 1, 2, 5], [5, 5, 5, 5]])).tolist()[1]
    [0.0, 3.0, 2.0, 0.0]
    """
    z = np.asarray(z_m, dtype=np.float64)
    unknown = np.isnan(z)
    if unknown.all():
        return np.full(z.shape, np.nan)
    ground = _drained(z, unknown)
    flood = np.full(z.shape, ground.max())
    rim = np.ones(z.shape, dtype=bool)
    rim[1:-1, 1:-1] = False
    outlet = rim | unknown
    flood[outlet] = ground[outlet]
    filled = reconstruction(flood, ground, method="erosion", footprint=EIGHT)  # type: ignore[no-untyped-call]
    return np.asarray(filled - z, dtype=np.float64)


def _drained(z_m: FloatArray, unknown: NDArray[np.bool_]) -> FloatArray:
    """Return heights with unknown cells as deep as the deepest: they let the water out and hold none themselves."""
    return np.where(unknown, z_m[~unknown].min(), z_m)


def _depth_bound_m(z_m: FloatArray) -> FloatArray:
    """Return a depth that no flood on each cell exceeds, at a small part of the cost of the depth itself.

    Water that finds no lower way out leaves straight along the cell's row or column, over the highest cell there.
    """
    unknown = np.isnan(z_m)
    if unknown.all():
        return np.full(z_m.shape, np.nan)
    ground = _drained(z_m, unknown)
    ways = [
        np.maximum.accumulate(ground, axis=0),
        np.maximum.accumulate(ground[::-1], axis=0)[::-1],
        np.maximum.accumulate(ground, axis=1),
        np.maximum.accumulate(ground[:, ::-1], axis=1)[:, ::-1],
    ]
    return np.asarray(np.minimum.reduce(ways) - z_m, dtype=np.float64)


def _outline(
    grid: Grid, frame: MeasuringFrame, mask: NDArray[np.bool_], first_row: int, first_col: int
) -> Polygon | MultiPolygon:
    """Return the union of cells in the frame; runs of cells along a row go in as one box."""
    edges = np.diff(np.pad(mask.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    row, start = np.nonzero(edges == 1)
    _, stop = np.nonzero(edges == -1)
    place = grid.transform
    x0, x1 = (place.c + (first_col + col) * place.a for col in (start, stop))
    y0, y1 = (place.f + (first_row + line) * place.e for line in (row, row + 1))
    boxes = shapely.box(np.minimum(x0, x1), np.minimum(y0, y1), np.maximum(x0, x1), np.maximum(y0, y1))
    (outline,) = frame.to_frame(np.asarray([shapely.union_all(boxes)], dtype=object), grid.crs)
    return outline
