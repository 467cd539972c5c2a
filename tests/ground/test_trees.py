"""Trees planted are found where they stand; seams, hedges and roofs are no trees."""

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.trees import (
    FoundTree,
    crown_width_m,
    crowns,
    found_trees,
    hedge_cells,
    new_trees,
    tree_tops,
)

UTM = CRS(25832)
SIZE, CELL_M = 160, 0.25
PLACE = Affine(CELL_M, 0, 500_000, 0, -CELL_M, 5_500_040)
FRAME = MeasuringFrame.centred_on(shapely.box(*Grid(np.zeros((SIZE, SIZE)), PLACE, UTM).bounds), UTM)
CENTRES = (np.arange(SIZE) + 0.5) * CELL_M


def planted(trees: list[tuple[float, float, float, float]]) -> np.ndarray:
    """Domes on flat ground, from (x, y from the top, crown diameter, height)."""
    x, y = CENTRES[None, :], CENTRES[:, None]
    height = np.zeros((SIZE, SIZE))
    for east, down, crown, top in trees:
        outward = np.hypot(x - east, y - down) / (crown / 2)
        height = np.maximum(
            height, np.where(outward < 1, top * (0.6 + 0.4 * np.sqrt(np.clip(1 - outward**2, 0, 1))), 0)
        )
    return height


def found(height: np.ndarray, built: np.ndarray | None = None, **options: float) -> list[FoundTree]:
    return found_trees(Grid(height, PLACE, UTM), height > 0.5, FRAME, built=built, **options)


def in_frame(trees: list[tuple[float, float, float, float]]) -> np.ndarray:
    return FRAME.coordinates_from(UTM, [(500_000 + x, 5_500_040 - y) for x, y, *_ in trees])


@settings(max_examples=15, deadline=None)
@given(st.floats(8, 32), st.floats(8, 32), st.floats(2, 10), st.floats(3, 20))
def test_one_tree_is_one_tree(x, y, crown, height):
    trees = [(x, y, crown, height)]
    got = found(planted(trees))
    assert len(got) == 1
    tree = got[0]
    assert np.hypot(*(in_frame(trees)[0] - (tree.x_m, tree.y_m))) <= 2 * CELL_M
    # Highest cell and disc of cells: less than the dome's by what a cell cuts off; smoothing takes some of the rim.
    assert tree.height_m == pytest.approx(height, rel=0.03)
    assert tree.crown_diameter_m == pytest.approx(crown, abs=2 * CELL_M)
    assert tree.trunk_diameter_m == pytest.approx(tree.crown_diameter_m / 25.5)


def test_an_orchard_is_counted_through_noise():
    trees = [(x, y, 4.0, 5.0) for x in range(5, 40, 6) for y in range(5, 40, 6)]
    rng = np.random.default_rng(3)
    height = planted(trees) + rng.normal(0, 0.1, (SIZE, SIZE))
    got = found(np.maximum(height, 0))
    assert len(got) == len(trees)
    for x, y in in_frame(trees):
        assert min(np.hypot(tree.x_m - x, tree.y_m - y) for tree in got) < 1.0


def test_a_taller_tree_has_a_wider_window():
    """Two bumps 2.5 m apart: on a crown of 4 m they are two trees, on one of 20 m two branches."""

    def bumps(top: float) -> int:
        x, y = CENTRES[None, :], CENTRES[:, None]
        near = np.maximum(
            np.exp(-((x - 19) ** 2 + (y - 20) ** 2) / 0.5), 0.97 * np.exp(-((x - 21.5) ** 2 + (y - 20) ** 2) / 0.5)
        )
        height = np.where(np.hypot(x - 20, y - 20) < 4, top - 1 + near, 0.0)
        return len(tree_tops(height, height > 0, cell_m=CELL_M))

    assert crown_width_m(4.0) / 2 < 2.5 < crown_width_m(20.0) / 2
    assert (bumps(4.0), bumps(20.0)) == (2, 1)


def test_moving_and_turning_the_picture_moves_and_turns_the_trees():
    height = planted([(10, 12, 5, 8), (25, 30, 3, 4), (30, 9, 7, 12)])
    tops = {tuple(top) for top in tree_tops(height, height > 1, cell_m=CELL_M)}
    turned = {tuple(top) for top in tree_tops(np.rot90(height), np.rot90(height > 1), cell_m=CELL_M)}
    back = {(col, SIZE - 1 - row) for row, col in turned}
    assert len(tops) == 3
    # A top between four equal cells may fall to another of them.
    assert all(min(abs(r - a) + abs(c - b) for a, b in back) <= 2 for r, c in tops)


def test_crowns_share_the_cells_between_touching_trees():
    trees = [(15, 20, 6, 9), (20, 20, 6, 9)]
    height = planted(trees)
    tops = tree_tops(height, height > 1, cell_m=CELL_M)
    labels = crowns(height, height > 1, tops).labels
    sizes = np.bincount(labels.ravel())[1:]
    assert len(sizes) == 2 and sizes.min() > 0.9 * sizes.max()
    assert (labels > 0).sum() == (height > 1).sum()


def test_the_rim_of_a_house_is_no_tree():
    """The image lies half a metre off, so a strip of roof looks green."""
    house = np.zeros((SIZE, SIZE), dtype=bool)
    house[60:100, 50:110] = True
    height = np.where(house, 5.0, 0.0)
    green = np.zeros_like(house)
    green[60:62, 50:110] = True
    trees = found_trees(Grid(height, PLACE, UTM), green, FRAME, built=house & ~green)
    assert trees == []


def test_a_long_strip_is_no_tree_and_a_hedge():
    height = np.zeros((SIZE, SIZE))
    height[40:44, 20:140] = 2.4
    assert found(height) == []
    hedge = hedge_cells(height > 0.5, cell_m=CELL_M)
    assert (hedge == (height > 0.5)).all()


def test_a_bent_hedge_is_one_and_a_round_shrub_none():
    standing = np.zeros((SIZE, SIZE), dtype=bool)
    standing[20:24, 20:100] = standing[20:120, 96:100] = True
    disc = np.hypot(CENTRES[None, :] - 10, CENTRES[:, None] - 25) < 2.0
    hedge = hedge_cells(standing | disc, cell_m=CELL_M)
    assert hedge[standing].all() and not hedge[disc].any()


def test_a_lone_post_is_no_hedge():
    standing = np.zeros((SIZE, SIZE), dtype=bool)
    standing[80:83, 80:84] = True
    assert not hedge_cells(standing, cell_m=CELL_M).any()


def test_no_growth_no_trees():
    assert found(np.zeros((SIZE, SIZE))) == []
    assert not hedge_cells(np.zeros((9, 9), dtype=bool), cell_m=CELL_M).any()


def test_the_layer_wins():
    got = [FoundTree(0, 0, 8, 5, 0.2, 0.9), FoundTree(20, 0, 8, 5, 0.2, 0.9)]
    assert new_trees(got, [(1.5, 0.5)], [np.nan]) == got[1:]
    assert new_trees(got, [(3.0, 0.0)], [7.0]) == got[1:]
    assert new_trees(got, [(3.0, 0.0)], [np.nan]) == got
    assert new_trees(got, np.empty((0, 2)), []) == got


def test_a_cell_of_nothing_is_refused():
    with pytest.raises(ParameterError, match="cell"):
        tree_tops(np.zeros((3, 3)), np.zeros((3, 3), dtype=bool), cell_m=0)
