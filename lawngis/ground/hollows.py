r"""Hollows of the ground: depressions that water fills before it runs off.

The terrain is flooded from its rim inwards, always at the lowest place first; where the flood stands above the
ground there is a hollow::

    ---.        .----
        \~~~~~~/ <- spill level = height of the lowest way out
         `.__.'     depth = spill level - ground
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely import MultiPolygon, Polygon

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid

FloatArray = NDArray[np.float64]

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
    Each cell is taken once from a heap ordered by height: n log n.

    References
    ----------
    R. Barnes, C. Lehman, D. Mulla, 2014, Priority-flood: an optimal depression-filling and watershed-labeling
    algorithm for digital elevation models, Computers & Geosciences 62, 117-127, doi
    10.1016/j.cageo.2013.04.024, algorithm 2.

    Examples
    --------
    >>> filled_depth_m(np.array([[5.0, 4, 5, 5], [5, 1, 2, 5], [5, 5, 5, 5]])).tolist()[1]
    [0.0, 3.0, 2.0, 0.0]
    """
    z = np.asarray(z_m, dtype=np.float64)
    rows, cols = z.shape
    # A frame of cells that were seen spares asking whether a neighbour exists.
    width = cols + 2
    level = np.pad(z, 1, constant_values=np.nan).ravel().tolist()
    seen = np.isnan(level)
    outlet = ndimage.binary_dilation(seen.reshape(rows + 2, width), structure=EIGHT).ravel() & ~seen
    heap = [(level[cell], cell) for cell in np.flatnonzero(outlet).tolist()]
    seen |= outlet
    done = bytearray(seen.tobytes())
    heapq.heapify(heap)
    steps = (-width - 1, -width, -width + 1, -1, 1, width - 1, width, width + 1)
    pit: list[int] = []
    while heap or pit:
        cell = pit.pop() if pit else heapq.heappop(heap)[1]
        height = level[cell]
        for step in steps:
            neighbour = cell + step
            if done[neighbour]:
                continue
            done[neighbour] = 1
            if level[neighbour] <= height:
                level[neighbour] = height
                pit.append(neighbour)
            else:
                heapq.heappush(heap, (level[neighbour], neighbour))
    filled = np.asarray(level).reshape(rows + 2, width)[1:-1, 1:-1]
    return filled - z


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
