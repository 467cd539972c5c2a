import numpy as np
import pytest
import shapely
from shapely import LineString, box

from lawngis.dock.supply import LayingCosts, LayingGround, laying_grid, voltage_drop_percent, wall_starts
from lawngis.errors import ParameterError
from lawngis.geometry.routes import cost_field, crossed_surfaces, route_to

HOUSE = box(10, 10, 20, 18)
GARDEN = box(0, 0, 30, 30)


def supply(ground, outlet, dock, **options):
    return route_to(cost_field(laying_grid(ground, **options), [outlet]), dock)


def test_the_cable_follows_the_wall_until_it_has_to_leave_it():
    ground = LayingGround(GARDEN, blocked=[HOUSE], walls=[HOUSE.exterior])
    route = supply(ground, (19.0, 9.95), (5.0, 5.0))
    beside = route.line.intersection(HOUSE.buffer(0.6)).length
    assert beside > 8.0
    open_lawn = supply(LayingGround(GARDEN, blocked=[HOUSE]), (19.0, 9.95), (5.0, 5.0))
    assert open_lawn.length_m < route.length_m
    assert route.cost < open_lawn.cost


def test_round_a_path_rather_than_across_while_that_is_cheaper():
    """Across: 1 m of paving at 10; round its end: more lawn at 3 a metre."""
    start, dock = (5.0, 10.0), (9.0, 10.0)
    short, long = box(6.5, 9.0, 7.5, 15), box(6.5, 0, 7.5, 30)
    for path, crossings in [(short, []), (long, [0])]:
        route = supply(LayingGround(GARDEN, paving=[path]), start, dock)
        assert crossed_surfaces(route.line, [path]).tolist() == crossings
    assert route.length_m == pytest.approx(4.0, abs=0.01)
    assert route.cost == pytest.approx(3 * 3 + 10, abs=1.0)


def test_a_wall_over_a_terrace_is_cheaper_than_the_terrace_itself():
    terrace = box(10, 6, 20, 10)
    ground = LayingGround(GARDEN, blocked=[HOUSE], walls=[HOUSE.exterior], paving=[terrace])
    route = supply(ground, (18.0, 9.95), (5.0, 9.0))
    assert route.line.intersection(box(10, 9.3, 20, 10)).length > 6


def test_beds_and_their_edges_are_better_than_open_lawn():
    bed = box(2, 14, 28, 15)
    ground = LayingGround(GARDEN, beds=[bed], edges=[bed.exterior])
    route = supply(ground, (1.0, 16.0), (29.0, 16.0))
    assert route.line.intersection(bed.buffer(0.5)).length > 24


def test_water_and_houses_are_never_crossed():
    pond = box(5, 0, 25, 25)
    route = supply(LayingGround(GARDEN, blocked=[pond]), (1.0, 5.0), (29.0, 5.0))
    # Cells are a quarter of a metre: their corners may reach half a diagonal over the edge.
    assert route.line.intersection(pond.buffer(-0.18)).is_empty
    assert supply(LayingGround(GARDEN, blocked=[box(5, -1, 25, 31)]), (1.0, 5.0), (29.0, 5.0)) is None


def test_costs_must_be_numbers_above_zero():
    for bad in (0, -1, np.nan, np.inf):
        with pytest.raises(ParameterError, match="paving"):
            LayingCosts(paving=bad)


def test_starts_along_walls_are_even_and_on_the_wall():
    starts = wall_starts([HOUSE, LineString([(0, 0), (0.2, 0)])], spacing_m=1.0)
    assert len(starts) == 36 + 1
    on_wall = shapely.distance(shapely.points(starts[:36]), HOUSE.exterior)
    assert on_wall == pytest.approx(0, abs=1e-9)
    assert starts[36] == pytest.approx((0.1, 0))
    assert np.hypot(*np.diff(starts[:8], axis=0).T) == pytest.approx(1.0)
    assert wall_starts([]).shape == (0, 2)
    with pytest.raises(ParameterError, match="the spacing 0 m"):
        wall_starts([HOUSE], spacing_m=0)


def test_voltage_drop_grows_with_length_and_current_and_falls_with_voltage():
    drop = voltage_drop_percent([10.0, 20.0], current_a=3, voltage_v=28, ohm_per_m=0.0133)
    assert drop[1] == pytest.approx(2 * drop[0])
    # 2 x 3 A x 0.0133 ohm/m x 10 m = 0.798 V of 28 V
    assert drop[0] == pytest.approx(2.85)


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ({"voltage_v": 0}, "for 0 V"),
        ({"current_a": -1}, "-1 A"),
        ({"ohm_per_m": -1}, "-1 ohm/m"),
        ({"power_factor": 1.2}, "power factor 1.2"),
    ],
)
def test_impossible_supplies_are_refused(bad, said):
    good = {"voltage_v": 28, "current_a": 2, "ohm_per_m": 0.0133}
    with pytest.raises(ParameterError, match=said):
        voltage_drop_percent(10, **(good | bad))
