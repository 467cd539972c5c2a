import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon

from lawngis.errors import ParameterError
from lawngis.mowing import bounce
from lawngis.mowing.bounce import Cells, Paths, Reach, bounced, reached, turning_ground
from lawngis.mowing.capacity import mean_run_m

few = settings(max_examples=25, deadline=None)
SQUARE = shapely.box(0, 0, 20, 20)


@st.composite
def gardens(draw):
    """Star-shaped ground, sharp corners and all, with a round island or none."""
    count = draw(st.integers(3, 14))
    radii = np.array(draw(st.lists(st.floats(2, 12), min_size=count, max_size=count)))
    angles = np.arange(count) / count * 2 * np.pi
    ground = Polygon(np.column_stack([radii * np.cos(angles), radii * np.sin(angles)]))
    if draw(st.booleans()):
        bed = Point(draw(st.floats(-3, 3)), 0.3).buffer(0.8)
        ground = max(shapely.get_parts(ground.difference(bed)), key=lambda part: part.area)
    return ground


@few
@given(gardens(), st.integers(0, 10_000))
def test_nothing_leaves_the_ground(ground, seed):
    start = np.repeat(shapely.get_coordinates(ground.representative_point()), 6, axis=0)
    paths = bounced(ground, start, length_m=200.0, seed=seed)
    assert shapely.covers(ground, shapely.points(paths.xy.reshape(-1, 2))).all()
    lines = [LineString(xy) for xy in paths.xy.transpose(1, 0, 2)]
    assert all(line.difference(ground.buffer(1e-6)).is_empty for line in lines)


def turns(paths):
    """Turns of each departure; what rounding leaves of the length to drive is no run."""
    return np.maximum((paths.run_lengths_m > 1e-9).sum(axis=0) - 1, 0)


@few
@given(gardens(), st.floats(5, 300))
@example(Polygon([(8, 0), (-5, 8.66), (-5.5, -9.526)]), 24.06115286612285)
def test_each_departure_drives_its_length_and_turns_only_at_the_wire(ground, length):
    start = np.repeat(shapely.get_coordinates(ground.representative_point()), 4, axis=0)
    paths = bounced(ground, start, length_m=length, seed=3)
    assert paths.run_lengths_m.sum(axis=0) == pytest.approx(np.full(4, length))
    for departure, count in enumerate(turns(paths)):
        turned = shapely.points(paths.xy[1 : count + 1, departure])
        # Stopped a millimetre before it, along the way.
        assert np.all(shapely.distance(ground.boundary, turned) <= 1.01e-3)


def test_the_same_seed_gives_the_same_paths_and_another_gives_others():
    one, same, other = (bounced(SQUARE, [[5, 5]], length_m=300, seed=seed).xy for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert one.shape != other.shape or not np.allclose(one, other)


def test_the_first_wall_is_the_one_that_shapely_finds():
    ground = SQUARE.difference(Point(12, 9).buffer(3))
    paths = bounced(ground, np.full((200, 2), 4.0), length_m=60.0, seed=5)
    for first, second in zip(paths.xy[0], paths.xy[1], strict=True):
        far = first + (second - first) / np.hypot(*(second - first)) * 100
        met = LineString([first, far]).intersection(ground.boundary)
        assert np.hypot(*(second - first)) == pytest.approx(min(Point(first).distance(met), 60.0), abs=1.1e-3)


@few
@given(st.floats(0.1, 1.5), st.floats(0.05, 1.2), st.integers(0, 1000))
def test_cells_are_cut_where_shapely_says_so(size, width, seed):
    ground = SQUARE.difference(shapely.box(8, 8, 12, 11))
    paths = bounced(ground, [[3, 3], [15, 16]], length_m=60.0, seed=seed)
    cells = Cells.inside(ground, size_m=size)
    reach = reached(paths, cells, cutting_width_m=width)
    for departure in range(2):
        apart = shapely.distance(LineString(paths.xy[:, departure]), shapely.points(cells.xy))
        cut = np.isfinite(reach.first_m[departure])
        clear = np.abs(apart - width / 2) > 1e-9
        assert np.array_equal(cut[clear], (apart <= width / 2)[clear])


def test_a_cell_is_first_cut_when_the_mower_comes_by():
    """Along the x axis and back at 1 m distance: the cell at x is cut after x metres, the others on the way back."""
    xy = np.array([[0.0, 0.5], [10.0, 0.5], [10.0, 1.5], [0.0, 1.5]])[:, None, :]
    cells = Cells.inside(shapely.box(0, 0, 10, 2), size_m=1.0)
    first = cells.raster(reached(Paths(xy, 21.0), cells, cutting_width_m=0.2).first_m[0])
    assert first[1] == pytest.approx(np.arange(10) + 0.5)
    assert first[0] == pytest.approx(11 + 9.5 - np.arange(10))


def test_departures_put_together_are_counted_as_drawn_without_return():
    """Worked by hand: four departures, two of which reach the cell: both of two drawn miss it in 1 of 6 pairs."""
    cells = Cells.inside(shapely.box(0, 0, 1, 1), size_m=1.0)
    reach = Reach(cells, np.array([[3.0], [np.inf], [7.0], [np.inf]], dtype=np.float32), 10.0)
    assert reach.missed(0.0) == 1.0
    assert reach.missed(10.0) == pytest.approx(1 / 2)
    assert reach.missed(20.0) == pytest.approx(1 / 6)
    assert reach.missed(30.0) == pytest.approx(0.0)
    assert reach.missed(5.0) == pytest.approx(3 / 4)  # only the first has come by after 5 m
    assert reach.missed(50.0) == pytest.approx(1 / 32)  # more than were simulated
    assert reach.share_mown([0, 20]) == pytest.approx([0, 5 / 6])


def test_a_mirrored_lawn_is_mown_as_well():
    ground = Polygon([(0, 0), (14, 0), (14, 5), (6, 5), (6, 12), (0, 12)])
    mirrored = Polygon([(-x, y) for x, y in ground.exterior.coords])
    shares = []
    for shape, x in ((ground, 3.0), (mirrored, -3.0)):
        paths = bounced(shape, np.full((30, 2), (x, 3.0)), length_m=shape.area / 0.3, seed=9)
        shares.append(
            reached(paths, Cells.inside(shape, size_m=0.3), cutting_width_m=0.3).share_mown(paths.length_m - 1e-6)
        )
    assert shares[0] == pytest.approx(shares[1], abs=0.03)


def test_runs_are_about_as_long_as_chords():
    paths = bounced(SQUARE, np.full((20, 2), 10.0), length_m=3000.0, seed=2)
    assert paths.length_m / (turns(paths).mean() + 1) == pytest.approx(float(mean_run_m(400, 80)), rel=0.2)


def test_ground_narrower_than_the_cut_leaves_no_place_to_turn():
    assert turning_ground(shapely.box(0, 0, 10, 0.2), cutting_width_m=0.24) == []
    assert turning_ground(Polygon(), cutting_width_m=0.24) == []
    (inner,) = turning_ground(shapely.box(0, 0, 10, 5), cutting_width_m=0.24)
    assert inner.bounds == pytest.approx((0.12, 0.12, 9.88, 4.88), abs=0.02)


def test_parts_joined_by_less_than_the_cut_come_apart_the_largest_first():
    bell = shapely.union_all([shapely.box(0, 0, 5, 5), shapely.box(5, 2, 7, 2.2), shapely.box(7, 0, 15, 5)])
    parts = turning_ground(bell, cutting_width_m=0.24)
    assert len(parts) == 2 and parts[0].area > parts[1].area


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: bounced(SQUARE, [[30, 5]], length_m=10, seed=1), "start inside"),
        (lambda: bounced(SQUARE, [[5, 5]], length_m=0, seed=1), "length driven .* not 0"),
        (lambda: bounced(SQUARE, [[5, 5]], length_m=np.inf, seed=1), "length driven .* not inf"),
        (lambda: bounced(SQUARE, [[5, 5]], length_m=10, seed=1, turn_limit_deg=100), "100 degrees"),
        (lambda: bounced(Polygon(), [[5, 5]], length_m=10, seed=1), "start inside"),
        (lambda: Cells.inside(SQUARE, size_m=0), "cell size of 0 m"),
        (lambda: turning_ground(SQUARE, cutting_width_m=0), "cutting width .* not 0"),
        (
            lambda: reached(
                bounced(SQUARE, [[5, 5]], length_m=10, seed=1), Cells.inside(SQUARE, size_m=1), cutting_width_m=-1
            ),
            "cutting width .* not -1",
        ),
    ],
)
def test_what_makes_no_path_is_refused(call, said):
    with pytest.raises(ParameterError, match=said):
        call()


@few
@given(st.integers(0, 1000), st.floats(0.2, 1.2), st.floats(0.1, 1.0))
def test_the_first_run_by_counts_though_many_pass(seed, size, width):
    """Worked out run after run and cell after cell: the place on the run that is nearest to the cell."""
    ground = shapely.box(0, 0, 6, 4)
    paths = bounced(ground, [[3.0, 2.0]], length_m=40.0, seed=seed)
    cells = Cells.inside(ground, size_m=size)
    expected, driven = np.full(cells.count, np.inf), 0.0
    for start, end in zip(paths.xy[:-1, 0], paths.xy[1:, 0], strict=True):
        run = LineString([start, end])
        points = shapely.points(cells.xy)
        by = shapely.distance(run, points) <= width / 2 - 1e-9
        expected[by] = np.minimum(expected[by], driven + shapely.line_locate_point(run, points[by]))
        driven += run.length
    first = reached(paths, cells, cutting_width_m=width).first_m[0]
    both = np.isfinite(expected)
    assert first[both] == pytest.approx(expected[both], abs=1e-4)


def test_what_is_driven_beside_the_cells_cuts_none_of_them():
    """Ten cells by four; runs go along every side at 0.6 m, across the middle, and pass a corner far away."""
    corners = [(-0.6, -3), (-0.6, 4.6), (10.6, 4.6), (10.6, -0.6), (-9, -0.6), (-9, 30), (5.5, 30), (5.5, -9), (40, 0)]
    xy = np.array(corners, dtype=float)[:, None, :]
    cells = Cells.inside(shapely.box(0, 0, 10, 4), size_m=1.0)
    cut = np.isfinite(reached(Paths(xy, 200.0), cells, cutting_width_m=0.8).first_m[0])
    assert cells.xy[cut].tolist() == [[5.5, y] for y in (3.5, 2.5, 1.5, 0.5)]
    both_sides = np.isfinite(reached(Paths(xy, 200.0), cells, cutting_width_m=2.4).first_m[0])
    inner = (np.abs(cells.xy - [5.0, 2.0]) < [4.0, 1.0]).all(axis=1) & (np.abs(cells.xy[:, 0] - 5.5) > 1.2)
    assert np.array_equal(both_sides, ~inner)


@pytest.mark.parametrize("at_once", [("LINES_AT_ONCE", 7), ("RAYS_TIMES_WALLS", 30)])
def test_how_much_is_worked_out_in_one_go_changes_nothing(monkeypatch, at_once):
    ground = SQUARE.difference(shapely.box(8, 8, 12, 11))
    cells = Cells.inside(ground, size_m=0.5)
    firsts = []
    for _ in range(2):
        paths = bounced(ground, np.repeat([[3.0, 3.0]], 5, axis=0), length_m=60.0, seed=4)
        firsts.append(reached(paths, cells, cutting_width_m=0.8).first_m)
        monkeypatch.setattr(bounce, *at_once)
    assert np.array_equal(*firsts)


def test_no_departures_reach_nothing():
    reach = reached(
        bounced(SQUARE, np.empty((0, 2)), length_m=10, seed=1), Cells.inside(SQUARE, size_m=1), cutting_width_m=1
    )
    assert reach.first_m.shape == (0, 400)
