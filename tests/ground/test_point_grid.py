"""Points in cells: sums that stream, planes without error, honest sd, gaps closed, ground told from the rest."""

from __future__ import annotations

import numpy as np
import pytest

from lawngis.errors import ParameterError
from lawngis.ground import point_grid
from lawngis.ground.point_grid import Points, PointSums

CELL_M = 0.5
SIDE = 120


def plane(x, y):
    return 0.30 * x - 0.20 * y + 7.0


def hills(x, y):
    return plane(x, y) + 0.4 * np.sin(x / 5) * np.cos(y / 7)


def points_on(ground, *, density_m2, noise_m=0.0, seed=3):
    random = np.random.default_rng(seed)
    number = int((SIDE * CELL_M) ** 2 * density_m2)
    x, y = random.uniform(0, SIDE * CELL_M, number), -random.uniform(0, SIDE * CELL_M, number)
    col, row = (x // CELL_M).astype(int), (-y // CELL_M).astype(int)
    z = ground(x, y) + random.normal(0, noise_m, number)
    return Points(row, col, x - (col + 0.5) * CELL_M, y + (row + 0.5) * CELL_M, z)


def empty_sums():
    return PointSums(*np.zeros((len(PointSums._fields), SIDE, SIDE)))


def planes_of(points):
    sums = empty_sums()
    point_grid.add_points(sums, points)
    return point_grid.cell_planes(sums, CELL_M)


def at_centres(ground):
    middle = (np.arange(SIDE) + 0.5) * CELL_M
    return ground(middle[None], -middle[:, None])


def some(points, first, stop):
    return Points(*(values[first:stop] for values in points))


@pytest.mark.parametrize(("density_m2", "cell_m"), [(500, 0.25), (32, 0.25), (8, 0.5), (2, 1), (0.5, 2), (0.01, 4)])
def test_cells_hold_some_two_points_within_limits(density_m2, cell_m):
    assert point_grid.cell_size_m(density_m2) == cell_m


@pytest.mark.parametrize("density_m2", [0, -1, float("nan")])
def test_cells_of_no_points_have_no_size(density_m2):
    with pytest.raises(ParameterError, match="density"):
        point_grid.cell_size_m(density_m2)


def test_points_that_stream_by_sum_up_to_what_all_at_once_do():
    points = points_on(hills, density_m2=8, noise_m=0.03)
    whole, streamed = empty_sums(), empty_sums()
    point_grid.add_points(whole, points)
    for first in range(0, len(points.z_m), 1000):
        point_grid.add_points(streamed, some(points, first, first + 1000))
    for one, other in zip(whole, streamed, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)
    assert whole.number.sum() == len(points.z_m)


def test_a_plane_comes_out_without_error_however_points_fall():
    planes = planes_of(points_on(plane, density_m2=8))
    off = (planes.z_m - at_centres(plane))[planes.known]
    assert np.abs(off).max() < 1e-6
    assert planes.slope[planes.known] == pytest.approx(np.hypot(0.3, 0.2), abs=1e-6)


def test_elevations_far_above_zero_lose_no_digits():
    points = points_on(plane, density_m2=8)
    planes = planes_of(points._replace(z_m=points.z_m + 4000))
    assert np.abs((planes.z_m - 4000 - at_centres(plane))[planes.known]).max() < 1e-5


def test_a_cell_whose_points_lie_aside_is_less_sure():
    points = points_on(plane, density_m2=4, noise_m=0.03)
    planes = planes_of(points)
    alone = planes.count[points.row, points.col] == 1
    leverage = planes.leverage[points.row, points.col]
    nearest, farthest = (
        np.minimum(np.abs(points.dx_m), np.abs(points.dy_m)),
        np.maximum(np.abs(points.dx_m), np.abs(points.dy_m)),
    )
    assert np.median(leverage[alone & (farthest < 0.05)]) < 1.005
    assert np.median(leverage[alone & (nearest > 0.15)]) > 1.03


@pytest.mark.parametrize("density_m2", [4, 8, 30])
def test_nine_tenths_of_all_cells_are_within_1645_sd(density_m2):
    planes = planes_of(points_on(hills, density_m2=density_m2, noise_m=0.03))
    noise_m = float(np.sqrt(np.median(point_grid.scatter_ratios(planes))))
    sd = point_grid.cell_sd_m(planes, noise_m)[planes.known]
    off = (planes.z_m - at_centres(hills))[planes.known]
    assert noise_m == pytest.approx(0.03, rel=0.06)
    assert 0.87 < np.mean(np.abs(off) <= 1.645 * sd) < 0.93


def test_more_points_make_a_cell_surer_and_rough_ground_less_sure():
    few = planes_of(points_on(plane, density_m2=4, noise_m=0.03))
    many = planes_of(points_on(plane, density_m2=40, noise_m=0.03))
    rough = planes_of(points_on(plane, density_m2=40, noise_m=0.20))
    medians = [np.nanmedian(point_grid.cell_sd_m(each, 0.03)[each.known]) for each in (few, many, rough)]
    assert medians[1] < 0.5 * medians[0]
    assert medians[2] > 3 * medians[1]


def test_walls_among_the_cells_do_not_raise_what_all_points_scatter():
    points = points_on(plane, density_m2=8, noise_m=0.03)
    on_wall = np.abs(points.col - 60) < 4
    z = points.z_m + np.where(on_wall, np.random.default_rng(1).uniform(0, 2, len(points.z_m)), 0)
    ratios = point_grid.scatter_ratios(planes_of(points._replace(z_m=z)))
    assert np.sqrt(np.median(ratios)) == pytest.approx(0.03, rel=0.15)


def test_narrow_gaps_are_closed_and_wide_ones_left_to_the_rim():
    known = np.zeros((60, 60), dtype=bool)
    known[5:55, 5:55] = True
    known[10:14, 8:50] = False  # 4 cells wide
    known[25:45, 20:40] = False  # 20 cells wide
    gaps = point_grid.closed_gaps(known, 3)
    assert gaps[10:14, 8:50].all()
    assert not gaps[26:44, 26:34].any()
    assert gaps[25:45, 20:40].sum() <= 4 * 6  # the rounding of its corners
    assert not gaps[:5].any() and not gaps[:, :5].any()


def test_nothing_is_closed_where_nothing_is_known_or_reached():
    assert not point_grid.closed_gaps(np.zeros((5, 5), dtype=bool), 3).any()
    assert not point_grid.closed_gaps(np.eye(5, dtype=bool), 0).any()


def test_a_filled_cell_is_the_mean_of_its_neighbours_and_nothing_else_changes():
    values = np.random.default_rng(2).normal(size=(12, 12))
    gaps = np.zeros(values.shape, dtype=bool)
    gaps[4:7, 4:8] = True
    done = point_grid.filled(np.where(gaps, np.nan, values), gaps)
    np.testing.assert_array_equal(done[~gaps], values[~gaps])
    around = (done[3:6, 4:8] + done[5:8, 4:8] + done[4:7, 3:7] + done[4:7, 5:9]) / 4
    np.testing.assert_allclose(done[4:7, 4:8], around)


def test_ground_goes_on_as_a_plane_in_a_gap_that_is_open_to_one_side():
    points = points_on(plane, density_m2=30)
    house = (points.row > 40) & (points.row < 80) & (points.col > 40) & (points.col < 80)
    planes = planes_of(points.of(~house))
    gaps = point_grid.closed_gaps(planes.known, 5)
    done = point_grid.filled_ground(planes, gaps, cell_m=CELL_M, reach_cells=5)
    assert gaps.sum() > 4
    assert np.abs(done - at_centres(plane))[gaps].max() < 1e-6
    assert np.isnan(done[50:70, 50:70]).all()


def test_filled_cells_are_less_sure_the_farther_they_are_and_within_their_sd():
    points = points_on(hills, density_m2=8, noise_m=0.03)
    car = (points.row % 30 < 8) & (points.col % 30 < 8)
    planes = planes_of(points.of(~car))
    gaps = point_grid.closed_gaps(planes.known, 5)
    done = point_grid.filled_ground(planes, gaps, cell_m=CELL_M, reach_cells=5)
    by_distance = point_grid.bridging_sd_m(point_grid.bridging_errors_m(planes.z_m, 5), 0.03)
    sd = point_grid.filled_sd_m(planes.known, by_distance)
    assert (np.diff(by_distance) >= 0).all()
    assert np.mean((np.abs(done - at_centres(hills)) <= 1.645 * sd)[gaps]) > 0.9
    rough = point_grid.bridging_sd_m(point_grid.bridging_errors_m(planes.z_m * 1.0 + _bumps(), 5), 0.03)
    assert rough[-1] > 3 * by_distance[-1]


def _bumps():
    return 0.5 * np.sin(np.arange(SIDE) / 2)[None, :] * np.ones((SIDE, 1))


def test_the_tops_and_bottoms_of_cells_take_the_outermost_points():
    top, bottom = np.full((2, 2), np.nan), np.full((2, 2), np.nan)
    points = Points(*(np.array(each) for each in ([0, 0, 1], [0, 0, 1], [0.0] * 3, [0.0] * 3, [4.0, 9.0, -2.0])))
    point_grid.raise_tops(top, points)
    point_grid.lower_bottoms(bottom, points)
    np.testing.assert_array_equal(top, [[9, np.nan], [np.nan, -2]])
    np.testing.assert_array_equal(bottom, [[4, np.nan], [np.nan, -2]])


def test_pits_in_a_crown_are_raised_and_gaps_that_run_on_stay_open():
    top = np.full((20, 30), 8.0) + np.arange(30) * 0.1
    top[5, 5], top[8:10, 12] = 0.0, 0.5  # one cell, two cells
    top[14, :] = 1.0  # a path a cell wide
    top[:, 2] = 1.0
    top[:, 24:27] = 1.0  # one of three cells
    top[2, 20] -= 0.9  # lower, but not by so much
    done = point_grid.without_pits(top)
    assert done[5, 5] == pytest.approx(8.45, abs=0.1)
    assert done[8:10, 12] == pytest.approx([9.15, 9.15], abs=0.15)
    raised = np.zeros(top.shape, dtype=bool)
    raised[5, 5] = raised[8:10, 12] = True
    np.testing.assert_array_equal(done[~raised], top[~raised])


def test_cells_without_points_have_no_top_afterwards_either():
    top = np.full((9, 9), np.nan)
    top[4, :] = 5.0
    np.testing.assert_array_equal(point_grid.without_pits(top), top)


@pytest.fixture
def scene():
    """Lowest points over hills: a house of 12 m, a hedge, a bush of 1 m, a terrace of 1 m, an echo from below."""
    ground = at_centres(hills)
    ground[:, 100:] -= 1.0  # a terrace falls away
    bottom = ground + np.abs(np.random.default_rng(4).normal(0, 0.02, ground.shape))
    standing = np.zeros(ground.shape, dtype=bool)
    for rows, cols, height in ((slice(20, 44), slice(20, 44), 6), (slice(70, 72), slice(10, 90), 1.5)):
        standing[rows, cols] = True
        bottom[rows, cols] = ground[rows, cols] + height
    standing[90:93, 60:63] = True
    bottom[90:93, 60:63] = ground[90:93, 60:63] + 1.0
    bottom[100, 30] -= 5.0
    return ground, bottom, standing


def test_the_filter_takes_what_stands_and_leaves_hills_and_a_terrace(scene):
    _, bottom, standing = scene
    ground = point_grid.ground_cells(bottom, point_grid.filter_windows(CELL_M))
    assert ground[standing].mean() < 0.01
    assert not ground[20:44, 20:44].any()
    assert not ground[100, 30]
    free = ~standing
    free[100, 30] = False
    free[:, 99] = False  # the rim of the terrace counts as something that stands, and is filled
    assert ground[free].mean() > 0.97


def test_sloping_ground_is_ground_up_to_its_edge():
    bottom = at_centres(plane)
    assert point_grid.ground_cells(bottom, point_grid.filter_windows(CELL_M)).all()


def test_cells_without_points_are_no_ground(scene):
    _, bottom, _ = scene
    bottom[55:60, 55:60] = np.nan
    ground = point_grid.ground_cells(bottom, point_grid.filter_windows(CELL_M))
    assert not ground[55:60, 55:60].any() and ground[54, 54]
    nothing = np.full((4, 4), np.nan)
    assert not point_grid.ground_cells(nothing, [(3, 0.3)]).any()


def test_a_house_wider_than_the_last_window_is_taken_for_ground(scene):
    _, bottom, standing = scene
    ground = point_grid.ground_cells(bottom, point_grid.filter_windows(CELL_M, window_max_m=5))
    assert ground[22:28, 22:28].all()
    assert not ground[standing].all()


def test_points_on_the_ground_are_below_the_ceiling_and_a_bush_is_above(scene):
    ground_m, bottom, standing = scene
    ground = point_grid.ground_cells(bottom, point_grid.filter_windows(CELL_M))
    ceiling = point_grid.ground_ceiling_m(bottom, ground, CELL_M, rise_m=0.1)
    within_cell = 0.5 * CELL_M * (0.3 + 0.2)
    free = ground & ~standing
    assert (ceiling[free] > ground_m[free] + within_cell).all()
    assert np.median((ceiling - ground_m)[free]) < 0.1 + 0.02 * 3 + 2 * within_cell
    assert np.isnan(ceiling[~ground]).all()


def test_what_lies_within_the_halo_counts_and_what_lies_beyond_does_not():
    windows = [(9, 0.5)]
    halo = point_grid.halo_cells(windows)
    step = np.zeros((30, 60))
    step[:, 20:28] = 2.0  # a cell narrower than the window: stands; its first column hangs on its last
    whole = point_grid.ground_cells(step, windows)
    assert not whole[:, 20].any()
    np.testing.assert_array_equal(point_grid.ground_cells(step[:, : 21 + halo], windows)[:, :21], whole[:, :21])
    step[:, 21 + halo :] = -5.0
    np.testing.assert_array_equal(point_grid.ground_cells(step, windows)[:, :21], whole[:, :21])
