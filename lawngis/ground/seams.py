"""Outlines of cells, block by block, and joining them again across the seams as if there had been none.

Outlines run through the middles between cells inside and cells outside, in cells of the whole raster: x is the column,
y the row, and the first cell reaches from 0 to 1. So each corner lies half way along one side of a cell, all numbers
are exact, and a corner on a whole column and a whole row can only have come from a seam::

        +-------+-------+
        |   ____|___    |        o   outline's corner: half, whole or whole, half
        |  o    |   o   |        +   corner of a cell: whole, whole
        +--|----+---|---+
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple, cast

import numpy as np
import shapely
from contourpy import FillType, contour_generator
from numpy.typing import NDArray
from scipy.ndimage import label
from shapely import Polygon

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.polygons import polygon_parts


class Block(NamedTuple):
    """A part of a raster: rows and columns to read, and those of them whose result counts."""

    read: tuple[slice, slice]
    core: tuple[slice, slice]

    @property
    def inner(self) -> tuple[slice, slice]:
        """Rows and columns of the core within what is read."""
        rows, cols = (
            slice(core.start - read.start, core.stop - read.start)
            for read, core in zip(self.read, self.core, strict=True)
        )
        return rows, cols


def blocks(shape: tuple[int, int], *, size_cells: int, halo_cells: int) -> Iterator[Block]:
    """Return the blocks into which a raster is cut, row by row: cores cover it once, halos overlap.

    Parameters
    ----------
    shape
        Rows and columns of the raster.
    size_cells
        Side of a core [cells].
    halo_cells
        Cells to read around a core.

    Raises
    ------
    ParameterError
        When a size is below 1, or the halo negative.
    """
    if size_cells < 1 or halo_cells < 0:
        raise ParameterError("a block needs at least one cell, and a halo of none or more")
    rows, cols = shape
    for row in range(0, rows, size_cells):
        for col in range(0, cols, size_cells):
            ends = min(row + size_cells, rows), min(col + size_cells, cols)
            top, left = max(row - halo_cells, 0), max(col - halo_cells, 0)
            read = (
                slice(top, min(ends[0] + halo_cells, rows)),
                slice(left, min(ends[1] + halo_cells, cols)),
            )
            yield Block(read, (slice(row, ends[0]), slice(col, ends[1])))


def whole(shape: tuple[int, int]) -> Block:
    """Return the block that is a whole raster."""
    every = slice(0, shape[0]), slice(0, shape[1])
    return Block(every, every)


@dataclass(frozen=True)
class Piece:
    """A piece of ground of cells.

    Parameters
    ----------
    outline
        In cells of the whole raster.
    sums
        Number of its cells, then sums over them of whatever was asked for.
    sheet
        Where the piece is part of one too large to be kept whole: the sheet within which this part counts, in cells;
        the outline reaches beyond it.
    """

    outline: Polygon
    sums: FloatArray
    sheet: Polygon | None = None


def block_pieces(mask: BoolArray, block: Block, values: FloatArray) -> list[Piece]:
    """Return the pieces of a mask's cells within a block's core.

    They are drawn one cell beyond the core and cut at it, so that those of the next block fit on exactly. Where
    cells beyond the core meet at a corner of it, a scrap of outline lies inside that holds no cell.

    Parameters
    ----------
    mask
        On the cells that are read, shape (rows, cols).
    block
        Which cells these are.
    values
        To be summed up over each piece's cells, shape (n, rows, cols).
    """
    parts = _clipped_outlines(mask, block)
    rows, cols = block.inner
    found = label(mask[rows, cols])
    cells, count = np.asarray(found[0]), int(found[1])
    first = np.unique(cells, return_index=True)[1][-count:] if count else np.empty(0, dtype=np.int64)
    row, col = np.unravel_index(first, cells.shape)
    centres = shapely.points(col + block.core[1].start + 0.5, row + block.core[0].start + 0.5)
    held, owner = shapely.STRtree(parts).query(centres, predicate="intersects")
    sums = np.zeros((len(parts), 1 + len(values)))
    for number, weight in enumerate([None, *(value[rows, cols].ravel() for value in values)]):
        of_label = np.bincount(cells.ravel(), weights=weight, minlength=count + 1)[1:]
        sums[:, number] = np.bincount(owner, weights=of_label[held], minlength=len(parts))
    return [Piece(part, own) for part, own in zip(parts, sums, strict=True)]


def _clipped_outlines(mask: BoolArray, block: Block) -> NDArray[np.object_]:
    rows, cols = block.inner
    top, left = max(rows.start - 1, 0), max(cols.start - 1, 0)
    near = mask[top : rows.stop + 1, left : cols.stop + 1]
    if not near.any():
        return np.empty(0, dtype=object)
    lines = contour_generator(z=np.pad(near, 1).astype(np.float64), fill_type=FillType.OuterOffset)
    points, offsets = cast(tuple[list[FloatArray], list[NDArray[np.uint32]]], lines.filled(0.5, 2.0))
    # The centre of the first, padded, cell lies half a cell before the first real one's edge.
    corner = np.array([left + block.read[1].start, top + block.read[0].start]) - 0.5
    rings = [np.split(xy + corner, ends[1:-1].astype(int)) for xy, ends in zip(points, offsets, strict=True)]
    drawn = np.array([Polygon(ring[0], ring[1:]) for ring in rings])
    core = _box(block.core)
    inside = shapely.contains_properly(core, drawn)
    cut = shapely.intersection(shapely.make_valid(drawn[~inside & shapely.intersects(drawn, core)]), core)
    return np.array([*drawn[inside], *(part for shape in cut for part in polygon_parts(shape))], dtype=object)


def _box(cells: tuple[slice, slice]) -> Polygon:
    return shapely.box(cells[1].start, cells[0].start, cells[1].stop, cells[0].stop)


@dataclass(eq=False)
class _Part:
    """A block's piece while others may still join it."""

    piece: Piece
    bounds: tuple[float, float, float, float]
    first_sheet: int
    next_sheet: int
    """Rows of sheets from the first one up to, not with, this one have been given out."""


class _Reaches(NamedTuple):
    """Stretches of seams that parts touch: the part's number, begin and end along the seam, and where that runs."""

    part: NDArray[np.int64]
    begin: FloatArray
    end: FloatArray
    seam: FloatArray


_NO_REACHES = _Reaches(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0))


@dataclass(eq=False)
class _Group:
    """Parts that belong together, and whether they are too many to be kept whole."""

    parts: set[int] = field(default_factory=set)
    parted: bool = False


class SeamJoiner:
    """Joins pieces of one kind of ground across the seams of blocks, and gives each out once it is complete.

    Blocks come row by row, each from the left. Only pieces that touch the lower edge of the blocks seen so far are
    kept. One that is longer or wider than a sheet is given out in parts, cut along the sides of sheets, so that
    memory does not grow with the raster: of a town's streets there is but one piece. How the raster is cut into
    blocks makes no difference to any outline.

    Parameters
    ----------
    sheet_cells
        Side of a sheet [cells]; None keeps every piece whole.
    margin_cells
        How far parts reach beyond their sheet, so that its sides cut none askew [cells].
    """

    def __init__(self, *, sheet_cells: int | None = None, margin_cells: int = 0) -> None:
        self._sheet = sheet_cells
        self._margin = margin_cells
        self._parts: dict[int, _Part] = {}
        self._groups: dict[int, _Group] = {}
        self._group_of: dict[int, int] = {}
        self._count = 0
        self._row = -1
        self._above = _NO_REACHES
        self._left = _NO_REACHES
        self._below: list[_Reaches] = []

    def add(self, pieces: list[Piece], core: tuple[slice, slice]) -> Iterator[Piece]:
        """Take the pieces of the next block; return those of rows above that are complete now."""
        if core[0].start != self._row:
            yield from self._row_finished(core[0].start)
            self._row = core[0].start
        first = self._count
        for piece in pieces:
            self._keep(piece)
        outlines = np.array([piece.outline for piece in pieces], dtype=object)
        top, right, bottom, left = (_reaches(outlines, first, side) for side in _sides(core))
        self._link(self._above, top)
        self._link(self._left, left)
        self._left = right
        self._below.append(bottom)

    def rest(self) -> Iterator[Piece]:
        """Return what is left after the last block."""
        yield from self._row_finished(None)

    def _keep(self, piece: Piece) -> None:
        bounds = shapely.bounds(piece.outline).tolist()
        sheet = 0 if self._sheet is None else int(bounds[1] // self._sheet)
        self._parts[self._count] = _Part(piece, tuple(bounds), sheet, sheet)
        self._groups[self._count] = _Group({self._count})
        self._group_of[self._count] = self._count
        self._count += 1

    def _link(self, before: _Reaches, here: _Reaches) -> None:
        """Put parts together that share a stretch of seam."""
        share = (before.begin[:, None] < here.end) & (here.begin < before.end[:, None])
        share &= before.seam[:, None] == here.seam
        for one, other in zip(*np.nonzero(share), strict=True):
            self._join(self._group_of[int(before.part[one])], self._group_of[int(here.part[other])])

    def _join(self, one: int, other: int) -> None:
        if one == other:
            return
        large, small = sorted((one, other), key=lambda name: -len(self._groups[name].parts))
        moved = self._groups.pop(small)
        for number in moved.parts:
            self._group_of[number] = large
        self._groups[large].parts |= moved.parts
        self._groups[large].parted |= moved.parted

    def _row_finished(self, next_row: int | None) -> Iterator[Piece]:
        """Return the pieces that nothing further can join; `next_row` is None after the last one."""
        self._above = _together(self._below)
        self._left, self._below = _NO_REACHES, []
        touching = set(self._above.part.tolist()) if next_row is not None else set()
        open_groups = {self._group_of[number] for number in touching}
        for name in list(self._groups):
            group = self._groups[name]
            group.parted = group.parted or self._too_large(group)
            if name not in open_groups:
                yield from self._sheets(group, None) if group.parted else self._joined(group)
                self._forget(group.parts)
                del self._groups[name]
            elif group.parted:
                assert next_row is not None  # noqa: S101  no group is open after the last row
                yield from self._sheets(group, next_row)
                self._prune(group, touching)

    def _forget(self, numbers: set[int]) -> None:
        for number in numbers:
            del self._parts[number], self._group_of[number]

    def _too_large(self, group: _Group) -> bool:
        if self._sheet is None:
            return False
        bounds = np.array([self._parts[number].bounds for number in group.parts])
        return bool((bounds[:, 2:].max(axis=0) - bounds[:, :2].min(axis=0) > self._sheet).any())

    def _prune(self, group: _Group, touching: set[int]) -> None:
        """Forget the parts of a large piece that lie in sheets given out, but for what the next ones border on."""
        assert self._sheet is not None  # noqa: S101  else no group is too large
        done = {
            number
            for number in group.parts - touching
            if self._parts[number].bounds[3] < self._parts[number].next_sheet * self._sheet - self._margin
        }
        self._forget(done)
        group.parts -= done

    def _joined(self, group: _Group) -> Iterator[Piece]:
        pieces = [self._parts[number].piece for number in sorted(group.parts)]
        sums = np.sum([piece.sums for piece in pieces], axis=0)
        if len(pieces) == 1:
            yield Piece(_without_seams(pieces[0].outline), sums)
            return
        outlines = polygon_parts(shapely.union_all([piece.outline for piece in pieces]))
        if len(outlines) == 1:  # always so, but for blocks that don't agree on the cells along their seam
            yield Piece(_without_seams(outlines[0]), sums)
            return
        for outline in outlines:
            yield Piece(_without_seams(outline), _sums_within(outline, pieces))

    def _sheets(self, group: _Group, next_row: int | None) -> Iterator[Piece]:
        """Return the parts of a large piece in rows of sheets that are complete."""
        assert self._sheet is not None  # noqa: S101  else no group is too large
        parts = [self._parts[number] for number in sorted(group.parts)]
        first = min(part.next_sheet for part in parts)
        last = max(int(np.ceil(part.bounds[3] / self._sheet)) for part in parts)
        if next_row is not None:
            last = min(last, (next_row - self._margin) // self._sheet)
        for sheet in range(first, last):
            waiting = [part for part in parts if not part.first_sheet <= sheet < part.next_sheet]
            if any(part.next_sheet <= sheet for part in waiting):
                yield from self._sheet_row(waiting, sheet)
            for part in waiting:
                part.next_sheet = max(part.next_sheet, sheet + 1) if part.first_sheet <= sheet else part.next_sheet

    def _sheet_row(self, parts: list[_Part], sheet: int) -> Iterator[Piece]:
        assert self._sheet is not None  # noqa: S101  else no group is too large
        top, bottom = sheet * self._sheet, (sheet + 1) * self._sheet
        near = [p for p in parts if p.bounds[1] < bottom + self._margin and p.bounds[3] > top - self._margin]
        if not near:
            return
        first = int(min(part.bounds[0] for part in near) // self._sheet)
        last = int(np.ceil(max(part.bounds[2] for part in near) / self._sheet))
        for number in range(first, last):
            cells = slice(top, bottom), slice(number * self._sheet, (number + 1) * self._sheet)
            yield from self._sheet_pieces(near, _box(cells))

    def _sheet_pieces(self, parts: list[_Part], sheet: Polygon) -> Iterator[Piece]:
        around = sheet.buffer(self._margin, join_style="mitre")
        pieces = [part.piece for part in parts if shapely.box(*part.bounds).intersects(around)]
        if not pieces:
            return
        together = shapely.union_all([piece.outline for piece in pieces])
        for outline in polygon_parts(shapely.intersection(together, around)):
            if shapely.intersection(outline, sheet).area > 0:
                yield Piece(_without_seams(outline), _sums_within(outline, pieces), sheet)


def _together(reaches: list[_Reaches]) -> _Reaches:
    return _Reaches(*(np.concatenate(columns) for columns in zip(_NO_REACHES, *reaches, strict=True)))


def _sides(core: tuple[slice, slice]) -> tuple[tuple[int, float, float, float], ...]:
    """Return upper, right, lower and left side of a block: axis along which it runs, its place across, and its ends."""
    (top, bottom), (left, right) = ((part.start, part.stop) for part in core)
    return (0, top, left, right), (1, right, top, bottom), (0, bottom, left, right), (1, left, top, bottom)


def _reaches(outlines: NDArray[np.object_], first: int, side: tuple[int, float, float, float]) -> _Reaches:
    """Return the stretches of a block's side that outlines touch, their parts numbered from `first`."""
    axis, place, begin, end = side
    bounds = shapely.bounds(outlines).reshape(-1, 4)
    at = np.flatnonzero((bounds[:, 1 - axis] <= place) & (bounds[:, 3 - axis] >= place))
    if not len(at):
        return _NO_REACHES
    ends = [(begin, place), (end, place)] if axis == 0 else [(place, begin), (place, end)]
    stretches, owner = shapely.get_parts(
        shapely.line_merge(shapely.intersection(outlines[at], shapely.LineString(ends))), return_index=True
    )
    long = shapely.length(stretches) > 0
    limits = shapely.bounds(stretches[long]).reshape(-1, 4)
    return _Reaches(at[owner[long]] + first, limits[:, axis], limits[:, 2 + axis], np.full(len(limits), float(place)))


def _sums_within(outline: Polygon, pieces: list[Piece]) -> FloatArray:
    """Return the sums of pieces by the share of each that an outline holds."""
    outlines = np.array([piece.outline for piece in pieces], dtype=object)
    share = shapely.area(shapely.intersection(outlines, outline)) / shapely.area(outlines)
    return np.asarray(share @ np.array([piece.sums for piece in pieces]), dtype=np.float64)


def _without_seams(outline: Polygon) -> Polygon:
    """Return an outline without the corners that seams added on straight stretches, its rings begun in one way."""
    rings = [_ring_without_seams(shapely.get_coordinates(ring)[:-1]) for ring in shapely.get_rings(outline)]
    drawn = Polygon(rings[0], rings[1:])
    return shapely.normalize(drawn if drawn.is_valid else outline)


def _ring_without_seams(xy: FloatArray) -> FloatArray:
    before, after = xy - np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0) - xy
    straight = ((before == 0) & (after == 0)).any(axis=1)
    added = straight & (xy == np.floor(xy)).all(axis=1)
    return xy[~added] if (~added).sum() >= 3 else xy
