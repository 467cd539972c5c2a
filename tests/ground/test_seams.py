"""Seams leave no trace: outlines and sums are those of the whole raster, however it is cut into blocks."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.ground.seams import Piece, SeamJoiner, block_pieces, blocks, whole

masks = st.builds(
    lambda rows, cols, share, seed: np.random.default_rng(seed).random((rows, cols)) < share,
    st.integers(1, 30), st.integers(1, 30), st.floats(0.05, 0.95), st.integers(0, 10_000),
)  # fmt: skip


def joined(mask: np.ndarray, size: int, **options: int) -> list[Piece]:
    """What comes out when a mask goes through in blocks, each seeing one cell beyond its core."""
    joiner = SeamJoiner(**options)
    column = np.broadcast_to(np.arange(mask.shape[1], dtype=float), mask.shape)
    pieces: list[Piece] = []
    for block in blocks(mask.shape, size_cells=size, halo_cells=1):
        found = block_pieces(mask[block.read], block, column[block.read][None])
        pieces += joiner.add(found, block.core)
    return pieces + list(joiner.rest())


def outlines(pieces: list[Piece]) -> list[str]:
    return sorted(shapely.to_wkt(piece.outline, rounding_precision=3) for piece in pieces)


# --- blocks -----------------------------------------------------------------------------------------------


@given(st.integers(1, 60), st.integers(1, 60), st.integers(1, 70), st.integers(0, 20))
@settings(max_examples=30, deadline=None)
def test_cores_cover_every_cell_once_and_halos_stay_inside(rows, cols, size, halo):
    count = np.zeros((rows, cols), dtype=int)
    for block in blocks((rows, cols), size_cells=size, halo_cells=halo):
        count[block.core] += 1
        assert all(0 <= r.start <= c.start < c.stop <= r.stop for r, c in zip(block.read, block.core, strict=True))
        assert np.zeros((rows, cols))[block.read][block.inner].shape == np.zeros((rows, cols))[block.core].shape
    assert (count == 1).all()


def test_a_block_of_nothing_is_refused():
    with pytest.raises(ParameterError, match="at least one cell"):
        list(blocks((4, 4), size_cells=0, halo_cells=1))


# --- joining ----------------------------------------------------------------------------------------------


@given(masks, st.integers(1, 31))
@settings(max_examples=40, deadline=None)
def test_outlines_and_sums_are_those_of_the_whole(mask, size):
    pieces, at_once = joined(mask, size), joined(mask, 31)
    assert outlines(pieces) == outlines(at_once)
    assert sum(piece.sums[0] for piece in pieces) == mask.sum()
    by_outline = {shapely.to_wkt(piece.outline): piece.sums for piece in at_once}
    for piece in pieces:
        assert piece.sums == pytest.approx(by_outline[shapely.to_wkt(piece.outline)])


@given(masks)
@settings(max_examples=30, deadline=None)
def test_cells_are_inside_and_all_others_outside(mask):
    ground = shapely.union_all([piece.outline for piece in joined(mask, 7)])
    row, col = np.indices(mask.shape)
    assert (shapely.contains_xy(ground, col + 0.5, row + 0.5) == mask).all()


@given(masks, st.integers(3, 12), st.integers(4, 12))
@settings(max_examples=25, deadline=None)
def test_large_pieces_are_parted_along_sheets_and_nothing_is_lost(mask, size, sheet):
    whole_ones = [piece.outline for piece in joined(mask, 31)]
    pieces = joined(mask, size, sheet_cells=sheet, margin_cells=2)
    kept = [p.outline if p.sheet is None else p.outline.intersection(p.sheet) for p in pieces]
    assert shapely.union_all(kept).symmetric_difference(shapely.union_all(whole_ones)).area < 1e-9
    assert sum(shape.area for shape in kept) == pytest.approx(sum(shape.area for shape in whole_ones))
    assert outlines(pieces) == outlines(joined(mask, 31, sheet_cells=sheet, margin_cells=2))
    for piece in pieces:
        left, top, right, bottom = piece.outline.bounds
        assert (piece.sheet is not None) or max(right - left, bottom - top) <= sheet


def test_known_shapes_across_a_corner_of_four_blocks():
    mask = np.zeros((20, 20), dtype=bool)
    mask[5:15, 8:13] = True
    mask[9:11, 10] = False
    (piece,) = joined(mask, 10)
    corners = [(8.5, 5), (12.5, 5), (13, 5.5), (13, 14.5), (12.5, 15), (8.5, 15), (8, 14.5), (8, 5.5)]
    hole = [(10, 9.5), (10.5, 9), (11, 9.5), (11, 10.5), (10.5, 11), (10, 10.5)]
    assert piece.outline.symmetric_difference(shapely.Polygon(corners, [hole])).area == 0
    assert piece.sums.tolist() == [48, (8 + 9 + 10 + 11 + 12) * 10 - 20]


def test_pieces_that_only_touch_at_a_corner_of_blocks_stay_apart():
    mask = np.zeros((4, 4), dtype=bool)
    mask[:2, :2] = mask[2:, 2:] = True
    assert len(joined(mask, 2)) == len(joined(mask, 4)) == 2


def test_pieces_come_as_soon_as_they_are_complete():
    """A path runs all the way down beside a bed in each block; neither waits for the path's end."""
    mask = np.zeros((400, 12), dtype=bool)
    mask[:, 2] = True
    mask[np.arange(400) % 10 < 4, 6:9] = True
    joiner, seen = SeamJoiner(sheet_cells=20, margin_cells=2), []
    for block in blocks(mask.shape, size_cells=10, halo_cells=1):
        seen += joiner.add(block_pieces(mask[block.read], block, np.empty((0, 1, 1))), block.core)
        late = 40 + 2
        assert len(seen) >= (block.core[0].start - late) / 10 + (block.core[0].start - late) / 20
    seen += joiner.rest()
    assert len(seen) == 40 + 20
    assert sum(piece.sheet is not None for piece in seen) == 20


def test_one_block_is_the_whole():
    assert whole((3, 5)).core == whole((3, 5)).read == (slice(0, 3), slice(0, 5))
