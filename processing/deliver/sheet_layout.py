"""Paper, scale and tiles: how a parcel is spread over sheets, and where ground lies on a page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import box
from shapely.geometry.base import BaseGeometry

from .formats import Formats, PaperSize
from .paper import MARGIN_MM

SCALES = (50, 100, 200, 250, 500, 1000, 2000)
"""Scales that a folding rule or scale ruler reads (common practice, no source)."""

FOOT_SCALES = (48, 96, 192, 240, 480, 600, 1200, 2400)
"""Scales of architects' and engineers' rulers in feet: 1/4″ to 1/16″, then 20′ to 200′ to the inch (common practice, no
source)."""

ONE_SHEET_UP_TO = 200
"""A coarser scale than this only when there would be too many sheets otherwise."""

SHEETS_MAX = 12
COLUMN_MM = 62.0
OVERLAP_MM = 12.0
EDGE_MM = 4.0  # of paper around the parcel


@dataclass(frozen=True)
class Window:
    """What one sheet shows: a rectangle of ground on a field of paper.

    Parameters
    ----------
    left_m, top_m
        Upper left corner of the ground, in the parcel's frame.
    x_mm, y_mm
        Where that corner lies on the page.
    width_mm, height_mm
        Size of the field.
    scale
        Ground by paper.
    """

    left_m: float
    top_m: float
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    scale: float

    @property
    def ground(self) -> BaseGeometry:
        """The ground shown [m]."""
        width, height = self.width_mm * self.scale / 1000, self.height_mm * self.scale / 1000
        return box(self.left_m, self.top_m - height, self.left_m + width, self.top_m)

    def on_paper(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return places of the ground, shape (n, 2) [m], as places on the page [mm]."""
        mm = 1000 / self.scale
        return np.column_stack([self.x_mm + (xy[:, 0] - self.left_m) * mm, self.y_mm + (self.top_m - xy[:, 1]) * mm])

    def placed(self, shapes: Sequence[BaseGeometry]) -> list[BaseGeometry]:
        """Return the shapes that are in sight, on the page."""
        ground = self.ground
        seen = [shape for shape in shapes if not shape.is_empty and shape.intersects(ground)]
        return [shapely.transform(shape, self.on_paper) for shape in seen]


@dataclass(frozen=True)
class Layout:
    """Paper, scale and what each sheet shows."""

    paper: PaperSize
    scale: int
    windows: Sequence[Window]


def sheet_layout(outline: BaseGeometry, formats: Formats | None = None) -> Layout:
    """Return the smallest paper and largest scale on which a parcel fits, or the sheets that it is spread over.

    Parameters
    ----------
    outline
        The parcel [m].
    formats
        Units and papers; default: metres on A4 or A3.
    """
    formats = formats or Formats()
    scales = SCALES if formats.metric else FOOT_SCALES
    left, bottom, right, top = outline.bounds
    width, height = right - left, top - bottom
    for scale in (scale for scale in scales if scale <= ONE_SHEET_UP_TO):
        for paper in formats.papers:
            field_x, field_y = _field_mm(paper)
            if width * 1000 / scale <= field_x - 2 * EDGE_MM and height * 1000 / scale <= field_y - 2 * EDGE_MM:
                return Layout(paper, scale, _tiles(outline, paper, scale, 1, 1))
    large = formats.papers[1]
    field_x, field_y = _field_mm(large)
    for scale in (scale for scale in scales if scale >= 0.9 * ONE_SHEET_UP_TO):
        columns = _count(width * 1000 / scale, field_x)
        rows = _count(height * 1000 / scale, field_y)
        if columns * rows <= SHEETS_MAX or scale == scales[-1]:
            break
    return Layout(large, scale, _tiles(outline, large, scale, columns, rows))


def _count(length_mm: float, field_mm: float) -> int:
    return max(1, ceil((length_mm + 2 * EDGE_MM - OVERLAP_MM) / (field_mm - OVERLAP_MM)))


def _field_mm(paper: PaperSize) -> tuple[float, float]:
    height, width = paper.size_mm  # lying
    return width - 2 * MARGIN_MM - COLUMN_MM - 3, height - 2 * MARGIN_MM - 4


def _tiles(outline: BaseGeometry, paper: PaperSize, scale: int, columns: int, rows: int) -> tuple[Window, ...]:
    field_x, field_y = _field_mm(paper)
    left, bottom, right, top = outline.bounds
    ground = scale / 1000
    span_x = (columns * (field_x - OVERLAP_MM) + OVERLAP_MM) * ground
    span_y = (rows * (field_y - OVERLAP_MM) + OVERLAP_MM) * ground
    start_x, start_y = (left + right - span_x) / 2, (bottom + top + span_y) / 2
    windows = [
        Window(
            start_x + column * (field_x - OVERLAP_MM) * ground,
            start_y - row * (field_y - OVERLAP_MM) * ground,
            MARGIN_MM,
            MARGIN_MM,
            field_x,
            field_y,
            scale,
        )
        for row in range(rows)
        for column in range(columns)
    ]
    return tuple(window for window in windows if window.ground.intersects(outline))
