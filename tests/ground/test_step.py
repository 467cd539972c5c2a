"""Height steps on invented surfaces: the ground, its steps and what grows on it are known."""

import sys
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import LineString, Point, box, get_coordinates

sys.path.insert(0, str(Path(__file__).parent))
from made_ground import error_field

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, line_between
from lawngis.ground.raster import Grid
from lawngis.ground.step import INSIDE_CELLS, HeightStep, error_sd_m, height_steps, ledges
from lawngis.ground.terrain import ExponentialCorrelation

FRAME = MeasuringFrame(CRS("EPSG:4258"), 10.0, 50.0)
LEFT, TOP = -6.0, 12.0
WIDTH_M, DEPTH_M = 12.0, 24.0
EDGE = LineString([(0, -10), (0, 10)])  # northwards: the zone is on its west


def surface(height, *, cell=0.25, noise=0.02, seed=0):
    """Return a grid of height(x, y), the mean over a cell taken from 4 x 4 points."""
    fine = cell / 4
    x = LEFT + (np.arange(round(WIDTH_M / fine)) + 0.5) * fine
    y = TOP - (np.arange(round(DEPTH_M / fine)) + 0.5) * fine
    z = np.broadcast_to(height(*np.meshgrid(x, y)), (len(y), len(x)))
    z = z.reshape(len(y) // 4, 4, len(x) // 4, 4).mean(axis=(1, 3))
    z = z + np.random.default_rng(seed).normal(0, noise, z.shape)
    return Grid(z, Affine(cell, 0, LEFT, 0, -cell, TOP), FRAME.crs)


def step_of(size):
    return lambda x, y: 100 + np.where(x > 0, size, 0.0)


@pytest.mark.parametrize(("size", "edge_class"), [(0.10, "raised"), (0.9, "raised"), (-0.5, "drop"), (0.0, "flush")])
@pytest.mark.parametrize("cell", [0.25, 0.5])
def test_kerb_wall_drop_and_paving(size, edge_class, cell):
    steps = height_steps(surface(step_of(size), cell=cell), FRAME, EDGE)
    assert [step.edge_class for step in steps] == [edge_class] * 10
    assert np.mean([step.step_m for step in steps]) == pytest.approx(size, abs=0.015)
    assert min(step.confidence for step in steps) > 0.7


def test_stretches_are_the_edge():
    bent = LineString([(0, -9), (0.2, 0), (0.1, 9)])
    steps = height_steps(surface(step_of(0.0)), FRAME, bent, stretch_m=1.5)
    assert len(steps) == 12
    assert sum(step.line.length for step in steps) == pytest.approx(bent.length, abs=1e-9)
    for one, following in pairwise(steps):
        assert one.line.coords[-1] == pytest.approx(following.line.coords[0], abs=1e-9)


def test_a_vertex_on_a_straight_edge_changes_nothing():
    grid = surface(step_of(0.3))
    for one, other in zip(
        height_steps(grid, FRAME, EDGE),
        height_steps(grid, FRAME, LineString([(0, -10), (0, -9.9), (0, 10)])),
        strict=True,
    ):
        assert (one.step_m, one.sd_m) == pytest.approx((other.step_m, other.sd_m), abs=1e-9)


def test_the_other_direction_turns_the_sign():
    grid = surface(step_of(0.3), noise=0.0)
    assert height_steps(grid, FRAME, EDGE.reverse())[0].step_m == pytest.approx(-0.3, abs=1e-6)


def test_grass_bumps_inside_do_not_lower_the_kerb():
    random = np.random.default_rng(5)
    bumps = random.uniform([-2, -10], [0, 10], (40, 2))

    def ground(x, y):
        grass = np.zeros(x.shape)
        for bump_x, bump_y in bumps:
            grass[(np.hypot(x - bump_x, y - bump_y) < 0.3)] = 0.12
        return step_of(0.10)(x, y) + grass

    steps = height_steps(surface(ground), FRAME, EDGE)
    assert np.median([step.step_m for step in steps]) == pytest.approx(0.10, abs=0.03)
    assert "drop" not in {step.edge_class for step in steps}


def test_shrubs_beyond_do_not_make_a_wall():
    """Shrubs a metre high on 40 % of every stretch."""
    steps = height_steps(
        surface(lambda x, y: 100 + np.where((x > 0.1) & (y % 1.0 < 0.4), 1.0, 0.0), cell=0.125), FRAME, EDGE
    )
    assert max(abs(step.step_m) for step in steps) < 0.06
    assert {step.edge_class for step in steps} <= {"flush", "unknown"}


@pytest.mark.parametrize(("long_m", "depth"), [(0.5, -0.5), (1.1, 0.8)])
def test_neither_holes_on_a_quarter_of_a_stretch_nor_plants_on_more_than_half_are_the_ground(long_m, depth):
    ground = surface(lambda x, y: 100 + np.where((x > 0) & (y % 2.0 < long_m), depth, 0.0), cell=0.125, noise=0.005)
    for step in height_steps(ground, FRAME, EDGE):
        assert abs(step.step_m) < 0.06


def test_a_thin_wall_is_seen_even_before_a_drop():
    def ground(x, y):
        return 100 + np.where((x > 0) & (x < 0.3), 0.9, np.where(x > 0, -0.5, 0.0))

    steps = height_steps(surface(ground), FRAME, EDGE)
    assert {step.edge_class for step in steps} == {"raised"}


@given(across=st.floats(-0.25, 0.25), along=st.floats(-0.25, 0.25))
@settings(max_examples=20, deadline=None)
def test_a_plane_has_no_step_of_its_own(across, along):
    steps = height_steps(surface(lambda x, y: 100 + across * x + along * y, noise=0.0), FRAME, EDGE)
    for step in steps:
        # Half the slope is taken beyond the edge; the other half is what the standard deviation says.
        assert abs(step.step_m) <= 1.05 * step.sd_m + 1e-6


@given(lift=st.floats(-500, 3000), size=st.floats(-1, 1))
@settings(max_examples=20, deadline=None)
def test_height_above_the_sea_does_not_count(lift, size):
    low = surface(step_of(size))
    high = low.with_values(low.values + lift)
    for one, other in zip(height_steps(low, FRAME, EDGE), height_steps(high, FRAME, EDGE), strict=True):
        assert one.step_m == pytest.approx(other.step_m, abs=1e-6)


@pytest.mark.parametrize("size", [0.0, 0.10])
def test_standard_deviation_covers_the_scatter(size):
    """Over 30 noisy copies the error is as large as said, to a quarter, and leans neither way."""
    errors, said = [], []
    for seed in range(30):
        for step in height_steps(surface(step_of(size), noise=0.05, seed=seed), FRAME, EDGE):
            errors.append(step.step_m - size)
            said.append(step.sd_m)
    assert 0.8 < np.std(errors) / np.mean(said) < 1.25
    assert abs(np.mean(errors)) < 0.005


@pytest.mark.parametrize("cell", [0.25, 0.5, 1.0])
@pytest.mark.parametrize("length_m", [None, 1.0, 3.0])
def test_errors_that_are_alike_over_some_cells_are_seen(cell, length_m):
    """25 surveys with an error of 0.1 m. By their scatter alone, alike over 1 m, steps would be 1.6 times as unsure."""
    correlation = None if length_m is None else ExponentialCorrelation(length_m)
    random, level = np.random.default_rng(3), surface(step_of(0.0), cell=cell, noise=0.0)
    errors, said = [], []
    for _ in range(25):
        survey = level.with_values(level.values + 0.1 * error_field(random, level.shape, cell, correlation))
        across = LineString([(-1.5, -8.7), (1.3, 8.9)])
        steps = height_steps(survey, FRAME, across, z_sd_m=0.1, correlation=correlation)
        errors += [step.step_m for step in steps]
        said += [step.sd_m for step in steps]
    assert np.std(errors) / np.mean(said) == pytest.approx(1, abs=0.2)


def test_the_step_of_errors_by_hand():
    """One weight after the other, on cells, against a sum over all pairs of them."""
    for correlation in (None, ExponentialCorrelation(1.0)):
        steps = []
        random = np.random.default_rng(1)
        for _ in range(4000):
            heights = error_field(random, (9, 9), 0.5, correlation) if correlation else random.standard_normal((9, 9))
            steps.append(heights)
        fields = np.array(steps)
        slope = -(INSIDE_CELLS - 2.5) / ((INSIDE_CELLS - 2.5) ** 2).sum()
        at = np.arange(4)[:, None] + np.array([0.25, 0.75])
        rows = at.ravel()[:8]

        def read(offset, rows=rows, fields=fields):
            """Bilinear heights beyond (+) or inside (-) an edge in column 5, mean along the stretch."""
            found = 0.0
            for row in rows:
                for r, wr in ((int(row), 1 - row % 1), (int(row) + 1, row % 1)):
                    column = 5 + offset
                    for c, wc in ((int(np.floor(column)), 1 - column % 1), (int(np.floor(column)) + 1, column % 1)):
                        found = found + wr * wc * fields[:, r, c]
            return found / len(rows)

        inside = np.stack([read(-offset) for offset in INSIDE_CELLS])
        rise = (slope[:, None] * inside).sum(axis=0)
        at_edge = inside.mean(axis=0) + rise * 2.5
        beyond = np.mean([read(offset) for offset in (1.0, 1.5, 2.0)], axis=0) - rise / 2 * 1.5 - at_edge
        assert error_sd_m(0.5, 2.0, z_sd_m=1.0, correlation=correlation) == pytest.approx(beyond.std(), rel=0.04)


def test_noise_makes_a_small_kerb_uncertain():
    quiet = height_steps(surface(step_of(0.07), noise=0.005), FRAME, EDGE)
    noisy = height_steps(surface(step_of(0.07), noise=0.15), FRAME, EDGE)
    assert np.mean([step.confidence for step in quiet]) > np.mean([step.confidence for step in noisy]) + 0.2
    told = height_steps(surface(step_of(0.07), noise=0.0), FRAME, EDGE, z_sd_m=0.15)
    assert min(step.sd_m for step in told) > 5 * max(step.sd_m for step in quiet)


TOLD_M = error_sd_m(0.25, 2.0, z_sd_m=0.15, correlation=None)
"""Of noise of 0.15 m that is told and isn't there; `test_the_step_of_errors_by_hand` works it out."""


def test_standard_deviation_by_hand():
    """A slope of 0.2 adds half of itself over the median offset of 1.5 cells beyond, 0.2 / 2 x 0.375 m, in squares."""
    for slope in (0.0, 0.2):
        grid = surface(lambda x, y, slope=slope: 100 + slope * x, noise=0.0)
        steps = height_steps(grid, FRAME, EDGE, z_sd_m=0.15)
        assert [step.sd_m for step in steps] == pytest.approx([np.hypot(TOLD_M, 0.1875 * slope)] * 10, abs=1e-6)
        assert [step.sd_m for step in height_steps(grid, FRAME, EDGE)] == pytest.approx([0.1875 * slope or 1e-6] * 10)
    assert pytest.approx(0.0876, abs=1e-4) == TOLD_M


@pytest.mark.parametrize(("above_sds", "edge_class", "chance"), [(0.2, "unknown", 0.5793), (0.5, "raised", 0.6915)])
def test_a_class_less_likely_than_three_in_five_is_none(above_sds, edge_class, chance):
    """So many standard deviations (see above) above the limit of 0.05 m; chances from the normal distribution."""
    steps = height_steps(surface(step_of(0.05 + above_sds * TOLD_M), noise=0.0), FRAME, EDGE, z_sd_m=0.15)
    assert {step.edge_class for step in steps} == {edge_class}
    assert [step.confidence for step in steps] == pytest.approx([chance] * 10, abs=1e-4)


@pytest.mark.parametrize(("height", "step_m"), [(0.2, 0.0), (0.3, 0.3)])
def test_a_thin_wall_stands_out_by_four_standard_deviations_or_is_none(height, step_m):
    """A bilinear height scatters by 2/3 x 0.15 = 0.1 m. Of a stretch of 2 m with cells of 0.25 m, 8 cells, 7 are
    independent: a level is known to 1.6 x 0.1 / sqrt(7) = 0.060474 m, and four of that are 0.242 m.
    """

    def ground(x, y):
        return 100 + np.where((x > 0) & (x < 0.25), height, 0.0)

    steps = height_steps(surface(ground, noise=0.0), FRAME, EDGE, z_sd_m=0.15)
    assert [step.step_m for step in steps] == pytest.approx([step_m] * 10, abs=1e-6)


@given(climb=st.floats(-0.25, 0.25))
@settings(max_examples=10, deadline=None)
def test_an_edge_that_climbs_has_neither_step_nor_noise_for_it(climb):
    for step in height_steps(surface(lambda x, y: 100 + climb * y, noise=0.0), FRAME, EDGE):
        assert (step.step_m, step.sd_m) == pytest.approx((0.0, 1e-6), abs=1e-9)


def test_each_side_of_a_bent_edge_looks_to_its_own_right():
    """Round a square in four levels: kerb, drop, paving, wall."""
    levels = [0.1, -0.5, 0.0, 0.9]
    square = [(-3, -3), (3, -3), (3, 3), (-3, 3), (-3, -3)]

    def ground(x, y):
        beyond = [y < -3, x > 3, y > 3, x < -3]
        return 100 + np.select(beyond, levels, 0.0)

    grid = surface(ground, noise=0.0)
    steps = height_steps(grid, FRAME, LineString(square))
    # The first and the last third of a side look past a corner as well.
    assert [step.edge_class for step in steps[1::3]] == ["raised", "drop", "flush", "raised"]
    assert [step.step_m for step in steps[1::3]] == pytest.approx(levels, abs=1e-6)
    backwards = height_steps(grid, FRAME, LineString(square[::-1]))
    assert [step.step_m for step in backwards[1::3]] == pytest.approx([-level for level in levels[::-1]], abs=0.06)


def test_a_stretch_with_fewer_than_three_profiles_says_nothing():
    """Profiles stand half a cell apart."""
    for stretch, classes in [(0.2, {"unknown"}), (0.375, {"raised"})]:
        steps = height_steps(surface(step_of(0.9), noise=0.0), FRAME, EDGE, stretch_m=stretch)
        assert {step.edge_class for step in steps[1:-1]} == classes


def test_what_stands_on_the_edge_is_a_wall_only_where_it_is_higher_than_the_ground_beyond_is_deep():
    """A drop of half a metre, seen half by the first offset, is no wall; a wall of 0.52 m before it is one."""
    beside = LineString([(0.1, -10), (0.1, 10)])
    fall = height_steps(surface(lambda x, y: 100 - np.where(x > 0.1, 0.5, 0.0), noise=0.01), FRAME, beside)
    assert [step.step_m for step in fall] == pytest.approx([-0.5] * 10, abs=0.05)

    def walled(x, y):
        return 100 + np.where((x > 0) & (x < 0.375), 0.54, np.where(x > 0, -0.5, 0.0))

    assert {step.edge_class for step in height_steps(surface(walled, noise=0.02), FRAME, EDGE)} == {"raised"}


def test_no_data_is_unknown():
    grid = surface(step_of(0.2))
    values = grid.values.copy()
    values[:40] = np.nan  # the northern 10 m
    steps = height_steps(grid.with_values(values), FRAME, EDGE)
    assert steps[-1].edge_class == "unknown" and steps[-1].confidence == 0 and np.isnan(steps[-1].step_m)
    assert steps[0].edge_class == "raised"
    values[:, values.shape[1] // 2 :] = np.nan  # nothing known beyond the edge
    for step in height_steps(grid.with_values(values), FRAME, EDGE):
        assert (step.edge_class, step.sd_m, step.confidence) == ("unknown", np.inf, 0.0)
    assert ledges(height_steps(grid.with_values(values), FRAME, EDGE)) == []


def test_ledges_are_joined_and_only_where_the_ground_falls():
    grid = surface(lambda x, y: 100 - np.where((x > 0) & (y > -4) & (y < 4), 0.5, 0.0), cell=0.5)
    found = ledges(height_steps(grid, FRAME, EDGE))
    assert len(found) == 1
    assert found[0].line.length == pytest.approx(8.0, abs=2.0)
    assert found[0].step_m == pytest.approx(-0.5, abs=0.06) and found[0].confidence > 0.8
    (deepest,) = [step for step in height_steps(grid, FRAME, EDGE) if step.step_m == found[0].step_m]
    assert (found[0].sd_m, found[0].edge_class) == (deepest.sd_m, "drop")
    # Chance of a fall of at least 0.2 m from the normal distribution.
    assert found[0].confidence == pytest.approx(NormalDist(deepest.step_m, deepest.sd_m).cdf(-0.2))
    assert ledges(height_steps(surface(step_of(-0.1), cell=0.5), FRAME, EDGE)) == []
    assert ledges(height_steps(surface(step_of(0.5), cell=0.5), FRAME, EDGE)) == []


def test_a_ledge_may_be_one_stretch_or_cross_itself():
    def falling(*coords):
        return HeightStep(LineString(coords), -0.5, 0.05, "drop", 1.0)

    level = HeightStep(LineString([(9, 9), (9, 10)]), 0.0, 0.05, "flush", 1.0)
    one, two = falling((0, 0), (2, 0)), falling((2, 0), (4, 0))
    assert [ledge.line for ledge in ledges([one, level, one, two])] == [one.line, LineString([(0, 0), (2, 0), (4, 0)])]
    crossing = [falling((0, 0), (4, 4)), falling((4, 4), (4, 0)), falling((4, 0), (0, 4))]
    (found,) = ledges(crossing)
    assert found.line.equals(LineString([(0, 0), (4, 4), (4, 0), (0, 4)]))
    assert get_coordinates(found.line)[-1].tolist() == [0, 4]


@pytest.mark.parametrize("bad", [{"stretch_m": 0}, {"flush_max_m": -1}, {"z_sd_m": -0.1}, {"stretch_m": np.nan}])
def test_impossible_parameters(bad):
    with pytest.raises(ParameterError, match=f"^{next(iter(bad))} must"):
        height_steps(surface(step_of(0.0)), FRAME, EDGE, **bad)


def test_an_edge_without_length():
    for edge in (LineString(), LineString([(1, 1), (1, 1)])):
        with pytest.raises(ParameterError, match=r"^an edge without length"):
            height_steps(surface(step_of(0.0)), FRAME, edge)
    assert len(height_steps(surface(step_of(0.0)), FRAME, LineString([(0, 0), (0, 1)]))) == 1


@given(seed=st.integers(0, 100), cut=st.floats(-9, 9))
@settings(max_examples=20, deadline=None)
def test_stretches_know_nothing_of_each_other(seed, cut):
    """What lies beyond some northing changes the stretches there, and no stretch 2 m from it."""
    south = surface(step_of(0.1), noise=0.03, seed=seed)
    y = south.cell_centres[1]
    values = south.values.copy()
    values[y > cut] = np.where(np.arange(values.shape[1]) % 3 == 0, np.nan, 500.0)
    one, other = (height_steps(grid, FRAME, EDGE, stretch_m=1.3) for grid in (south, south.with_values(values)))
    for before, after in zip(one, other, strict=True):
        if before.line.bounds[3] < cut - 0.5:
            assert (before.step_m, before.sd_m) == (after.step_m, after.sd_m)
        elif before.line.bounds[1] > cut + 0.5:
            assert after.edge_class == "unknown"


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), stretch=st.floats(0.3, 9.0))
def test_each_stretch_is_the_part_of_the_edge_between_its_ends(seed, stretch):
    random = np.random.default_rng(seed)
    xy = np.cumsum(random.uniform(0.05, 3.0, (random.integers(2, 30), 2)), axis=0)
    ring = LineString(Point(random.uniform(-5, 5, 2)).buffer(4.0, quad_segs=3).exterior)
    for edge in (LineString(xy), ring):
        line = get_coordinates(edge)
        chainage = chainage_m(line)
        cuts = np.linspace(0, chainage[-1], max(round(chainage[-1] / stretch), 1) + 1)
        steps = height_steps(surface(step_of(0.0)), FRAME, edge, stretch_m=stretch)
        parts = [line_between(line, chainage, start, stop) for start, stop in pairwise(cuts)]
        assert [get_coordinates(step.line).tolist() for step in steps] == [part.tolist() for part in parts]


@pytest.mark.parametrize(("wide_m", "told"), [(1.0, False), (3.0, True)])
def test_a_house_across_a_narrow_passage_tells_nothing_of_the_edge(wide_m, told):
    """Cells of 0.5 m: heights are read up to 2 m inside, which in a passage of 1 m is on the roof."""
    house = surface(lambda x, y: 100 + np.where(x < -wide_m, 4.0, 0.0), cell=0.5, noise=0.0)
    steps = height_steps(house, FRAME, EDGE, within=box(-wide_m, -10, 0, 10))[1:-1]
    assert {step.edge_class for step in steps} == ({"flush"} if told else {"unknown"})
    assert np.isfinite([step.sd_m for step in steps]).all() == told
    assert {step.edge_class for step in height_steps(house, FRAME, EDGE)} == ({"flush"} if told else {"raised"})
