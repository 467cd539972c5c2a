"""Leads to ground apart: their way, and the loop that goes round it as well."""

import numpy as np
import pytest
import shapely
from shapely import Polygon, affinity, box

from lawngis.geometry.lines import chainage_m, winding_number
from lawngis.geometry.routes import PricedGround
from lawngis.wire.circuit import signal_check
from lawngis.wire.ground import ground_apart, loop_ground
from lawngis.wire.loop import laid_loop
from lawngis.wire.outlying import LeadTerrain, OutlyingGround, lead_route
from lawngis.wire.pegs import pegs

HOME = loop_ground([box(0, 0, 16, 12)], gap_min_m=0.3)
FAR = loop_ground([box(20, 0, 28, 10).difference(box(23, 4, 25, 6))], gap_min_m=0.3)
OPEN = LeadTerrain(box(-5, -5, 40, 30))


def test_over_open_ground_the_lead_is_straight_and_shortest():
    way = lead_route([HOME], FAR, OPEN)
    assert way.line.length == pytest.approx(HOME.distance(FAR), abs=1e-6)
    assert way.cost == pytest.approx(way.line.length)


def test_it_leaves_beside_a_corner_where_that_crosses_no_more():
    """A lawn diagonally beyond HOME's corner at (16, 12), whose cut has two bends: nearest is the corner."""
    beyond = loop_ground([box(18, 14, 24, 20)], gap_min_m=0.3)
    ring = np.array(HOME.exterior.coords)
    bends = shapely.MultiPoint(ring[np.hypot(*(ring - [16, 12]).T) < 1])
    way = lead_route([HOME], beyond, OPEN)
    assert shapely.Point(way.xy[0]).distance(bends) >= 0.2
    assert way.line.length <= HOME.distance(beyond) + 0.4
    # Beside the corner it would cross a strip of paving of 2 cm, which costs as much as 0.16 m: then it leaves there.
    paving = [PricedGround(box(10, 12.2, 15.95, 12.22), 8.0), PricedGround(box(16.2, 6, 16.22, 11.95), 8.0)]
    assert shapely.Point(lead_route([HOME], beyond, LeadTerrain(OPEN.area, (), paving)).xy[0]).distance(bends) < 0.2


def test_it_goes_around_a_building_and_never_through_ground():
    house = box(17, -5, 19, 20)
    way = lead_route([HOME], FAR, LeadTerrain(OPEN.area, [house]))
    assert way.line.intersection(house).length == 0
    assert way.line.intersection(shapely.union(HOME, FAR).buffer(-1e-3)).length == 0
    # By hand: from the corner nearest to the house's upper end over its two corners and down.
    least = np.hypot(17 - 16, 20 - 12) + 2 + np.hypot(20 - 19, 20 - 10)
    assert least - 0.1 <= way.line.length <= 1.06 * least


def test_it_takes_a_detour_rather_than_a_saw_cut_where_that_is_cheaper():
    paving = [PricedGround(box(17, -5, 19, 13), 8.0)]
    way = lead_route([HOME], FAR, LeadTerrain(OPEN.area, (), paving))
    straight_cost = HOME.distance(FAR) - 2 + 2 * 8
    assert way.cost < straight_cost
    assert way.line.intersection(paving[0].geometry).length < 0.3


def test_it_crosses_what_is_dear_where_nothing_leads_around_it():
    """4 m, half a metre of which costs 8 a metre: 3.5 + 4. Where a bed lies on top, at 3 a metre: 3.5 + 1.5."""
    path = PricedGround(box(17.5, -5, 18, 30), 8.0)
    way = lead_route([HOME], FAR, LeadTerrain(OPEN.area, (), [path]))
    assert (way.line.length, way.cost) == (pytest.approx(4.0), pytest.approx(7.5))
    bed = PricedGround(box(17.5, 6, 18, 8), 3.0)
    over_bed = lead_route([HOME], FAR, LeadTerrain(OPEN.area, (), [path, bed]))
    assert 6 <= over_bed.xy[:, 1].min() <= over_bed.xy[:, 1].max() <= 8
    assert over_bed.cost == pytest.approx(5.0)


@pytest.mark.parametrize(("second_to_m", "beside"), [(15.3, True), (15.0, False)])
def test_a_way_along_the_side_of_a_path_costs_what_it_crosses_of_it(second_to_m, beside):
    """The last two places of the side are at x = 15.07 and 15.56; a path of 8 m ends at 15.10, in a cell that is lawn.

    10.3 m of lawn lead on from the last place, straight past a step of the ground beyond that ends at 15.3. Ways
    further west take 10 m. Past a step that ends at 15.0 all straight ways cross the path.
    """
    steps = [box(0, 22, 13, 30), box(13, 22.3, second_to_m, 30), box(second_to_m, 22.6, 16, 30)]
    beyond = loop_ground([shapely.union_all(steps)], gap_min_m=0.3)
    path = PricedGround(box(-5, 13, 15.1, 21), 8.0)
    way = lead_route([HOME], beyond, LeadTerrain(OPEN.area, (), [path]))
    crossed_m = way.line.intersection(path.geometry).length
    assert way.cost == pytest.approx(way.line.length + 7 * crossed_m)
    assert way.line.length == pytest.approx(10.4, abs=0.1) and (crossed_m == 0) == beside


def test_what_a_gap_between_buildings_costs_is_told_by_what_is_crossed_in_it():
    """Two gaps of 0.2 m, narrower than the grid's cells: 4 m, of which 0.75 m at 8, or 0.5 m at 8 and 0.25 m at 3."""
    houses = [box(16.5, -5, 19.5, 5.15), box(16.5, 5.35, 19.5, 7.15), box(16.5, 7.35, 19.5, 31)]
    path, mat = PricedGround(box(17.5, -5, 18.25, 31), 8.0), PricedGround(box(18, 7, 18.25, 8), 3.0)
    terrain = LeadTerrain(OPEN.area, houses, [path, mat])
    way = lead_route([HOME], FAR, terrain)
    assert way.line.length == pytest.approx(4.0)
    assert (way.line.bounds[1], way.cost) == (pytest.approx(7.25, abs=0.1), pytest.approx(3.25 + 0.5 * 8 + 0.25 * 3))
    # Were there no mat in either, both would cost the same.
    dearer = lead_route([HOME], FAR, LeadTerrain(OPEN.area, houses, [mat, path]))
    assert dearer.cost == pytest.approx(3.25 + 0.75 * 8)


def test_it_goes_far_around_where_nothing_nearer_leads():
    house = box(17, -5, 19, 26)
    way = lead_route([HOME], FAR, LeadTerrain(OPEN.area, [house]))
    assert way.line.intersection(house).length == 0
    assert way.xy[:, 1].max() > 25.9


def test_it_leaves_from_the_nearest_ground_and_never_crosses_that_of_others():
    near = loop_ground([box(20, 12, 28, 18)], gap_min_m=0.3)
    way = lead_route([HOME, near], FAR, OPEN)
    assert way.parent == 1
    assert way.line.length == pytest.approx(2.0)
    assert lead_route([HOME], FAR, OPEN, others=[box(17, -6, 19, 31)]) is None


def test_there_is_none_across_a_wall_of_buildings():
    assert lead_route([HOME], FAR, LeadTerrain(OPEN.area, [box(17, -6, 19, 31)])) is None


def test_it_keeps_off_the_dock():
    dock = np.array([16.0, 5.0])
    way = lead_route([HOME], FAR, OPEN, keep_off=[(dock, 2.0)])
    assert np.hypot(*(way.xy[0] - dock)) >= 2.0
    # Another lead 4 m on: between the two there is no room left, beyond the second there is.
    both = [(dock, 2.0), (np.array([16.0, 9.0]), 2.0), (np.array([16.0, 1.0]), 2.0)]
    way = lead_route([HOME], FAR, OPEN, keep_off=both)
    assert way.xy[0, 1] > 11
    assert lead_route([HOME], FAR, OPEN, keep_off=[(dock, 50.0)]) is None


@pytest.fixture
def loop():
    way = lead_route([HOME], FAR, OPEN, keep_off=[(np.array([8.0, 0.0]), 2.0)])
    return laid_loop(HOME, (8.0, 0.0), [], (), [OutlyingGround(FAR, way.parent, way.xy)])


def test_ground_apart_is_gone_round_the_same_way_and_its_island_the_other(loop):
    turns = winding_number(loop.xy, np.array([[8.0, 6.0], [21.0, 8.0], [24.0, 5.0], [18.0, 5.0], [40.0, 5.0]]))
    assert turns.tolist() == [1, 1, 0, 0, 0]


def test_its_lead_coincides_and_names_no_island(loop):
    leads = [run for run in loop.runs if run.kind.startswith("lead")]
    assert [(run.kind, run.island) for run in leads] == [
        ("lead_out", None), ("lead_out", 0), ("lead_back", 0), ("lead_back", None),
    ]  # fmt: skip
    assert np.allclose(leads[0].xy, leads[-1].xy[::-1], atol=1e-9)


def test_reversed_round_the_ground_apart_the_field_tells(loop):
    inside, outside = np.array([[8.0, 6.0], [21.0, 8.0]]), np.array([[24.0, 5.0], [18.0, 8.0], [-3.0, 5.0]])
    assert signal_check(loop.xy, inside, outside, height_m=0.05).ok
    spans = loop.run_vertices()
    kinds = [run.kind for run in loop.runs]
    first, last = spans[kinds.index("lead_out")][1], spans[len(kinds) - 1 - kinds[::-1].index("lead_back")][0]
    wrong = loop.xy.copy()
    wrong[first : last + 1] = wrong[first : last + 1][::-1]
    assert not signal_check(wrong, inside, outside, height_m=0.05).ok


def test_pegs_stand_all_along_a_lead_that_bends():
    house = box(17, -5, 19, 20)
    way = lead_route([HOME], FAR, LeadTerrain(OPEN.area, [house]))
    bent = laid_loop(HOME, (8.0, 0.0), [], (), [OutlyingGround(FAR, way.parent, way.xy)])
    standing = pegs(bent, chainage_m(bent.xy), spacing_straight_m=0.8, spacing_bend_m=0.3)
    assert np.diff(standing.chainage_m).max() <= 0.8 + 1e-6
    # Each peg of the lead holds both its wires.
    lead = standing.kind == "lead"
    assert standing.again.sum() >= lead.sum() / 2 - 4


@pytest.mark.parametrize("gap", [0.0, 0.1, 0.29, 0.5])
def test_ground_draws_back_from_wire_that_is_laid(gap):
    apart = ground_apart(box(16 + gap, 0, 30, 12), [HOME], gap_min_m=0.3)
    laid = loop_ground(list(shapely.get_parts(apart)), gap_min_m=0.3)
    assert laid.distance(HOME) >= max(gap, 0.3) - 1e-6
    assert apart.area >= (14 - max(gap, 0.34)) * 12 - 0.5


@pytest.mark.parametrize("angle_deg", range(0, 90, 10))
def test_a_lead_finds_its_way_between_a_crooked_edge_and_the_boundary_whichever_way_they_lie(angle_deg):
    """A lawn of another loop reaches round a corner of the parcel and leaves 0.4 m; a house stands in the short way."""

    def turned(shape):
        return affinity.rotate(shape, angle_deg, origin=(0, 0))

    crooked = [(10.5, 0.45), (16, 0.5), (23, 0.4), (29.5, 0.45), (29.6, 8), (29.45, 15), (29.5, 20), (10.5, 20)]
    houses = [turned(box(-1, 10.3, 10.6, 31)), turned(box(-1, 19.9, 19.9, 31))]
    terrain = LeadTerrain(turned(box(-1, 0, 30, 31)), houses)
    other, far = turned(Polygon(crooked)), turned(box(20, 20.5, 29.5, 30))
    route = lead_route([turned(box(0, 0.3, 10, 10))], far, terrain, others=[other])
    assert route is not None
    # By hand: from (10, 0.3) to the corner at (29.6, 0.4), and up to (29.5, 20.5).
    assert route.line.length == pytest.approx(19.6 + 20.1, abs=0.5)
    assert not route.line.crosses(other) and not any(route.line.crosses(house) for house in houses)
