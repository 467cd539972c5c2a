import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box

from lawngis.errors import ParameterError
from lawngis.geometry.routes import (
    CostGrid,
    PricedGround,
    cost_field,
    cost_grid,
    crossed_surfaces,
    route_lengths_m,
    route_to,
    straight_costs,
)

few = settings(max_examples=25, deadline=None)
inner = st.floats(0.3, 19.7)
place = st.tuples(inner, inner)


def route_between(area, start, end, grounds=(), **options):
    return route_to(cost_field(cost_grid(area, grounds, **options), [start]), end)


@few
@given(place, place)
def test_on_even_ground_the_route_is_the_straight_line(start, end):
    route = route_between(box(0, 0, 20, 20), start, end, open_cost_per_m=3.0)
    straight = Point(start).distance(Point(end))
    assert route.length_m == pytest.approx(straight, abs=1e-9)
    assert route.cost == pytest.approx(3 * straight, abs=1e-9)
    assert route.line.coords[0] == start and route.line.coords[-1] == end


@few
@given(place, place)
def test_grid_lengths_of_many_points_are_within_the_bound_of_sixteen_directions(start, end):
    field = cost_field(cost_grid(box(0, 0, 20, 20), ()), [start])
    straight = Point(start).distance(Point(end))
    length = route_lengths_m(field, [end])[0]
    # 1 / cos(26.57° / 2) = 1.0275 between neighbouring directions; half a cell's diagonal at either end.
    assert straight - 0.36 <= length <= 1.0275 * straight + 0.36


def taut_length_around(block, start, end):
    """The shortest way round a convex block: along the hull of the block and both ends."""
    hull = shapely.convex_hull(shapely.union_all([block, Point(start), Point(end)]))
    ring = hull.exterior
    one, other = sorted(ring.project(Point(p)) for p in (start, end))
    return min(other - one, ring.length - (other - one))


@few
@given(st.floats(0.6, 6), st.floats(0, 20), st.floats(0, 20))
def test_round_a_block_the_route_is_within_two_percent_of_the_shortest(width, left, right):
    block = box(10 - width / 2, 4, 10 + width / 2, 15)
    start = (1.0, min(max(left, 0.3), 19.7))
    end = (19.0, min(max(right, 0.3), 19.7))
    route = route_between(box(0, 0, 20, 20), start, end, [PricedGround(block, np.inf)])
    line = LineString([start, end])
    shortest = taut_length_around(block, start, end) if line.intersects(block) else line.length
    # The block's edges are known to half a cell (0.125 m): a quarter of a metre at its two corners.
    assert 0.98 * shortest - 0.25 <= route.length_m <= 1.02 * shortest + 0.25
    assert route.line.intersection(block.buffer(-0.18)).is_empty


def test_round_a_corner_on_a_fine_grid_length_and_cost_agree_with_the_shortest_way():
    area = Polygon([(0, 0), (20, 0), (20, 20), (10, 20), (10, 10), (0, 10)])
    route = route_between(area, (1.0, 8.0), (12.0, 19.0), cell_m=0.1)
    shortest = Point(1, 8).distance(Point(10, 10)) + Point(10, 10).distance(Point(12, 19))
    assert route.length_m == pytest.approx(shortest, rel=0.005)
    assert len(route.line.coords) <= 6


@few
@given(place, place)
def test_the_way_back_costs_the_same(start, end):
    grounds = [PricedGround(box(8, 0, 9, 15), 12.0), PricedGround(box(3, 3, 6, 18), 0.5)]
    there = route_between(box(0, 0, 20, 20), start, end, grounds, open_cost_per_m=3.0)
    back = route_between(box(0, 0, 20, 20), end, start, grounds, open_cost_per_m=3.0)
    # Ties among grid routes may be pulled taut over other nodes.
    assert there.cost == pytest.approx(back.cost, rel=0.02)


def test_the_cheapest_of_several_sources_is_taken_not_the_nearest():
    strip = PricedGround(box(4, 0, 5, 20), 50.0)
    field = cost_field(cost_grid(box(0, 0, 20, 20), [strip]), [(3.5, 10), (14, 10)])
    route = route_to(field, (6.0, 10.0))
    assert route.source == 1
    assert route.length_m == pytest.approx(8.0)


def test_refraction_crosses_dear_ground_more_steeply():
    """Fermat: the cheapest way across two media obeys Snell's law, sin a / sin b = cost b / cost a."""
    dear = PricedGround(box(0, 10, 20, 20), 2.0)
    route = route_between(box(0, 0, 20, 20), (2.0, 2.0), (14.0, 18.0), [dear], cell_m=0.2)
    xs = np.linspace(0, 20, 20001)
    best = (np.hypot(xs - 2, 8) + 2 * np.hypot(xs - 14, 8)).min()
    assert best - 1e-6 <= route.cost <= 1.01 * best


def test_no_way_through_a_closed_wall_is_none_and_nan():
    grid = cost_grid(box(0, 0, 20, 20), [PricedGround(box(9, 0, 10, 20), np.inf)])
    field = cost_field(grid, [(2, 2)])
    assert route_to(field, (15, 15)) is None
    assert np.isnan(route_lengths_m(field, [(15, 15), (50, 50)])).all()


def test_a_diagonal_chain_of_blocked_cells_is_tight():
    cost = np.ones((9, 9))
    cost[np.arange(9), np.arange(9)] = np.inf
    field = cost_field(CostGrid(cost, 0, 0, 1.0), [(6.5, 1.5)])
    assert route_to(field, (1.5, 6.5), snap_m=0) is None


def test_a_source_on_blocked_ground_starts_from_free_ground_beside_it():
    house = box(5, 5, 10, 10)
    grid = cost_grid(box(0, 0, 20, 20), [PricedGround(house, np.inf)], open_cost_per_m=2.0)
    field = cost_field(grid, [(9.9, 7.0), (7.5, 7.5)])
    assert field.source_cells[1] == -1
    route = route_to(field, (15.0, 7.0))
    assert route.source == 0
    assert route.line.coords[0] == (9.9, 7.0)
    assert route.length_m == pytest.approx(5.1, abs=0.05)
    assert route.cost == pytest.approx(10.2, abs=0.1)


def test_sources_nowhere_near_free_ground_lead_nowhere():
    field = cost_field(cost_grid(box(0, 0, 5, 5), ()), [(50, 50)])
    assert route_to(field, (1, 1)) is None
    assert np.isnan(route_lengths_m(field, [(1, 1)])).all()
    assert route_to(cost_field(cost_grid(box(0, 0, 5, 5), ()), np.zeros((0, 2))), (1, 1)) is None


@few
@given(st.integers(0, 10_000))
def test_straight_costs_agree_with_a_sampled_integral(seed):
    rng = np.random.default_rng(seed)
    grid = CostGrid(rng.uniform(1, 10, (12, 17)), -3.0, 5.0, 0.5)
    starts, ends = rng.uniform([-3, 5], [5.5, 11], (2, 6, 2))
    at = (np.arange(40_000) + 0.5) / 40_000
    for start, end, cost in zip(starts, ends, straight_costs(grid, starts, ends), strict=True):
        points = start + at[:, None] * (end - start)
        column, row = np.floor((points - (-3.0, 5.0)) / 0.5).astype(int).T
        sampled = grid.cost_per_m[row, column].mean() * np.hypot(*(end - start))
        assert cost == pytest.approx(sampled, rel=1e-3)


def test_a_straight_piece_through_a_blocked_cell_or_off_the_grid_is_infinite():
    cost = np.ones((3, 3))
    cost[1, 1] = np.inf
    grid = CostGrid(cost, 0, 0, 1.0)
    costs = straight_costs(grid, [(0.5, 0.5), (0.5, 0.5), (0.5, 2.5)], [(2.5, 2.5), (2.5, 0.5), (3.5, 2.5)])
    assert np.isinf(costs[[0, 2]]).all()
    assert costs[1] == pytest.approx(2.0)


def test_every_least_cost_on_the_grid_agrees_with_an_independent_search():
    """skimage.graph.MCP_Geometric: eight directions, half of each cell's cost per move."""
    graph = pytest.importorskip("skimage.graph")
    cost = np.random.default_rng(3).uniform(1, 20, (30, 40))
    ours = cost_field(CostGrid(cost, 0, 0, 1.0), [(4.5, 7.5)]).cost.reshape(cost.shape)
    theirs, _ = graph.MCP_Geometric(cost).find_costs([(7, 4)])
    assert np.all(ours <= theirs + 1e-9)
    # Sixteen directions give what eight do where moves to neighbours are the cheapest, and a bit less elsewhere.
    elsewhere = ours > 0
    assert np.median(theirs[elsewhere] / ours[elsewhere]) < 1.05
    assert np.isclose(ours, theirs).mean() > 0.1


PATHS = [box(4, 0, 5, 20), box(10, 0, 14, 20), box(16, 9.99, 18, 20), box(100, 0, 101, 1)]


def test_crossed_surfaces_are_those_entered_and_left():
    route = LineString([(0, 10), (12, 10)])
    assert crossed_surfaces(route, PATHS).tolist() == [0]
    assert crossed_surfaces(LineString([(0, 10), (20, 10)]), PATHS).tolist() == [0, 1]
    assert crossed_surfaces(route.reverse(), PATHS).tolist() == [0]
    assert crossed_surfaces(route, []).tolist() == []


def test_a_surface_left_at_the_start_and_crossed_later_counts():
    there_and_back = LineString([(10.2, 5), (8, 5), (8, 15), (19, 15)])
    assert crossed_surfaces(there_and_back, PATHS).tolist() == [1, 2]


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: cost_grid(Polygon(), ()), "not empty"),
        (lambda: cost_grid(box(0, 0, 1, 1), (), cell_m=0), "the cell size 0 m"),
        (lambda: cost_grid(box(0, 0, 1, 1), (), open_cost_per_m=0), "costs per metre must be above zero"),
        (lambda: CostGrid(np.array([[np.nan]]), 0, 0, 1), "costs per metre must be above zero"),
        (lambda: CostGrid(np.ones((2, 0)), 0, 0, 1), "one row and one column"),
        (lambda: CostGrid(np.ones((2, 2)), 0, 0, 0), "the cell size 0 m"),
    ],
)
def test_impossible_grids_are_refused(make, said):
    with pytest.raises(ParameterError, match=said):
        make()


def test_a_large_area_gets_larger_cells():
    grid = cost_grid(box(0, 0, 1000, 500), (), cells_max=10_000)
    assert grid.cost_per_m.size <= 10_300
    assert grid.cell_m == pytest.approx(np.sqrt(50))


def test_nothing_outside_the_area_opens_up():
    grid = cost_grid(box(0, 0, 5, 5).union(box(8, 0, 10, 5)), [PricedGround(box(0, 0, 10, 5), 1.0)])
    assert route_to(cost_field(grid, [(1, 1)]), (9, 1)) is None
