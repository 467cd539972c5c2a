from functools import cache

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from scipy.ndimage import gaussian_filter, map_coordinates

from lawngis.errors import FeatureError, ParameterError, RasterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.sight import (
    Surface,
    crown_discs,
    points_above_ground,
    rises_over,
    sight_share,
    steepest_rise,
    street_points,
    surface_from_obstructions,
)

CELL = 0.5
SIZE = 80


def line_of_sight(surface, observers_xyz, targets_xyz):
    """Which of m targets are seen from which of n observers, shape (n, m)."""
    shares = [sight_share(surface, observers_xyz, [target], reach_m=np.inf) for target in targets_xyz]
    return np.column_stack(shares) == 1


def plane_surface(heights, cell=CELL):
    """Return a surface whose lower left cell centre is the frame's origin: values[0] lies in the south."""
    heights = np.asarray(heights, dtype=float)
    return Surface(heights, np.array([[1 / cell, 0, 0], [0, 1 / cell, 0]]))


def lifted(points, by_m):
    return np.asarray(points) + np.array([0, 0, by_m])


def hills(seed, size=SIZE, smooth=4):
    noise = np.random.default_rng(seed).normal(size=(size, size))
    return 40 * gaussian_filter(noise, smooth)


@cache
def frame_and_ground(crs=25832, size=60, cell=0.5):
    """Return level ground at 100 m around Munich in some CRS, and its frame."""
    crs = CRS(crs)
    x, y = Transformer.from_crs(25832, crs, always_xy=True).transform(691000, 5334000)
    unit = cell / 111_200 if crs.is_geographic else cell
    ground = Grid(np.full((size, size), 100.0), Affine(unit, 0, x, 0, -unit, y), crs)
    return MeasuringFrame.centred_on(shapely.box(*ground.bounds), crs), ground


class TestSurface:
    @pytest.mark.parametrize("crs", [25832, 25833, 3857, 4326, 2056, 2263])
    def test_affine_map_agrees_with_the_projection_within_2_cm(self, crs):
        place = (-74.0, 40.7) if crs == 2263 else (10.5, 60.0) if crs in {3857, 4326} else (7.5, 47.0)
        crs = CRS(crs)
        x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(*place)
        unit = 300 / 111_200 / 60 if crs.is_geographic else 5 / crs.axis_info[0].unit_conversion_factor
        grid = Grid(np.zeros((60, 60)), Affine(unit, 0, x, 0, -unit, y), crs)
        frame = MeasuringFrame.centred_on(shapely.box(*grid.bounds), crs)
        surface = Surface.in_frame(grid, frame)
        col, row = np.random.default_rng(0).uniform(0, 59, (2, 200))
        xy = frame.coordinates_from(crs, np.column_stack([x + (col + 0.5) * unit, y - (row + 0.5) * unit]))
        metres_per_cell = 1 / np.linalg.svd(surface.to_cells[:, :2])[1].min()
        off = np.abs(surface.cells(xy) - np.column_stack([col, row])).max() * metres_per_cell
        assert off < 0.02

    def test_cells_without_data_are_as_low_as_the_lowest(self):
        frame, ground = frame_and_ground()
        values = ground.values.copy()
        values[3, 4], values[10, 10] = np.nan, 90.0
        assert Surface.in_frame(ground.with_values(values), frame).heights_m[3, 4] == 90.0

    def test_unusable_grids_are_refused(self):
        frame, ground = frame_and_ground()
        with pytest.raises(RasterError, match="no data"):
            Surface.in_frame(ground.with_values(np.full(ground.shape, np.nan)), frame)
        with pytest.raises(RasterError, match="1 × 60"):
            Surface.in_frame(Grid(ground.values[:1], ground.transform, ground.crs), frame)

    def test_holds_is_the_outer_edge_of_the_cells(self):
        surface = plane_surface(np.zeros((4, 6)))
        assert surface.holds([[-0.24, -0.24], [2.74, 1.74], [2.76, 0], [0, 1.76], [np.nan, 0]]).tolist() == [
            True, True, False, False, False,
        ]  # fmt: skip


class TestLineOfSightOnMadeTerrain:
    def test_over_a_step(self):
        # A step of 2 m at x = 20 m; eye 1.6 m above its lower side at x = 10: the line over the step's lip, whose
        # first full cell is centred at 20, rises 0.4 m in 10 m, so at x = 30 everything above 2.4 m is seen.
        heights = np.zeros((SIZE, SIZE))
        heights[:, 40:] = 2.0
        surface = plane_surface(heights)
        seen = line_of_sight(surface, [[10, 20, 1.6]], [[30, 20, z] for z in (2.05, 2.35, 2.39, 2.41, 3.0)])
        assert seen.tolist() == [[False, False, False, True, True]]

    def test_over_a_ridge_seen_from_both_sides(self):
        # A ridge 5 m high at x = 20 between plains: from 10 m away and 1.6 m up one sees what is
        # 10 m behind it from 8.4 m up.
        heights = np.tile(np.maximum(5 - np.abs(np.arange(SIZE) * CELL - 20), 0.0), (SIZE, 1))
        surface = plane_surface(heights)
        low, high = [30.0, 20.0, 8.39], [30.0, 20.0, 8.41]
        assert line_of_sight(surface, [[10, 20, 1.6]], [low, high]).tolist() == [[False, True]]
        assert line_of_sight(surface, [low, high], [[10, 20, 1.6]]).tolist() == [[False], [True]]

    @pytest.mark.parametrize(("east", "north"), [(0.3, -0.1), (-0.05, 0.4), (0, 0)])
    def test_on_a_plane_all_above_it_see_each_other_and_none_below(self, east, north):
        at = np.arange(SIZE) * CELL
        surface = plane_surface(np.add.outer(at * north, at * east))
        xy = np.random.default_rng(3).uniform(0, 39, (30, 2))
        on = np.column_stack([xy, xy @ [east, north]])
        far = np.hypot(*(xy[:, None, i] - xy[None, :, i] for i in (0, 1))) > 4
        assert line_of_sight(surface, on, on).all()
        assert line_of_sight(surface, lifted(on, 0.01), on).all()
        assert not line_of_sight(surface, lifted(on, -0.01), lifted(on, -0.01))[far].any()

    def test_wall_hides_up_to_its_height_in_every_direction(self):
        surface = plane_surface(np.pad(np.zeros((40, 40)), 1, constant_values=3.0))
        angle = np.radians(np.arange(0, 360, 7))
        targets = np.column_stack([10 + 30 * np.sin(angle), 10 + 30 * np.cos(angle), np.full(len(angle), 1.0)])
        assert not line_of_sight(surface, [[10, 10, 1.0]], targets).any()
        assert line_of_sight(surface, [[10, 10, 3.1]], lifted(targets, 2.1)).all()

    def test_beyond_the_surface_nothing_stands_in_the_way(self):
        surface = plane_surface(np.zeros((10, 10)))
        assert line_of_sight(surface, [[-50, 0, -5]], [[-20, 3, -5]]).all()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_seeing_is_mutual_and_lost_only_by_building(seed):
    rng = np.random.default_rng(seed)
    heights = hills(seed)
    surface = plane_surface(heights)
    xy = rng.uniform(0, (SIZE - 1) * CELL, (12, 2))
    ground = map_coordinates(heights, xy[:, ::-1].T / CELL, order=1)
    points = np.column_stack([xy, ground + rng.uniform(0.2, 3, len(xy))])
    seen = line_of_sight(surface, points, points)
    assert np.array_equal(seen, seen.T)
    assert seen.diagonal().all()
    built = heights + rng.choice([0.0, 0.0, 4.0], heights.shape)
    assert not (line_of_sight(plane_surface(built), points, points) & ~seen).any()


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_rise_agrees_with_dense_sampling_of_the_bilinear_surface(seed):
    """Independent of the march: every 1/20 cell along the ray, scipy's bilinear interpolation."""
    rng = np.random.default_rng(seed)
    heights = hills(seed, smooth=8)
    eye_xy = rng.uniform(10, 30, 2)
    eye = np.array([*eye_xy, map_coordinates(heights, eye_xy[::-1, None] / CELL, order=1)[0] + 2])
    headings = rng.uniform(0, 360, 20)
    rises = steepest_rise(plane_surface(heights), np.tile(eye, (20, 1)), headings)
    for heading, rise in zip(np.radians(headings), rises, strict=True):
        distance = np.arange(CELL / 2, 60, CELL / 20)
        x, y = eye[0] + distance * np.sin(heading), eye[1] + distance * np.cos(heading)
        inside = (np.minimum(x, y) >= 0) & (np.maximum(x, y) <= (SIZE - 1) * CELL)
        z = map_coordinates(heights, np.array([y, x])[:, inside] / CELL, order=1)
        dense, last = (z - eye[2]) / distance[inside], distance[inside][-1]
        # The march begins and ends up to a step and a half, 1.1 m, from the ends of the ray.
        inner = dense[(distance[inside] >= 1.1) & (distance[inside] <= last - 1.1)].max()
        assert np.arctan(inner) - np.arctan(rise) < np.radians(0.2)
        assert np.arctan(rise) - np.arctan(dense.max()) < np.radians(0.2)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), enough=st.floats(-0.5, 2) | st.sampled_from([0.0, 5e-324]))
def test_stopping_early_leaves_the_answer_on_the_same_side(seed, enough):
    rng = np.random.default_rng(seed)
    surface = plane_surface(hills(seed))
    eyes = np.column_stack([rng.uniform(0, 39, (50, 2)), rng.uniform(-3, 6, 50)])
    headings = rng.uniform(0, 360, 50)
    exact = steepest_rise(surface, eyes, headings)
    early = steepest_rise(surface, eyes, headings, enough=enough)
    assert np.array_equal(exact > enough, early > enough)
    assert (early <= exact).all()


@pytest.mark.parametrize("crs", [25832, 3857, 4326])
def test_sight_is_the_same_in_every_crs_and_sense_of_rows(crs):
    """A wall 10 m north-east of the eye, seen over from 30 m, in rasters that differ in cells and north."""
    frame, ground = frame_and_ground(crs, size=160, cell=0.4)
    wall = shapely.LineString([(-5, 8), (-5, 12), (8, 12), (8, -3)])
    surface = surface_from_obstructions(ground, frame, [wall], 3.0)
    flipped = Grid(
        surface.values[::-1],
        Affine(surface.transform.a, 0, surface.transform.c, 0, -surface.transform.e, surface.bounds[1]),
        surface.crs,
    )
    angle = np.radians(np.arange(0, 360, 5))
    targets = np.column_stack([18 * np.sin(angle), 18 * np.cos(angle), np.full(len(angle), 101.0)])
    seen = line_of_sight(Surface.in_frame(surface, frame), [[0, 0, 101.0]], targets)[0]
    lines = shapely.linestrings([[(0, 0), target[:2]] for target in targets])
    near_end = shapely.distance(lines, shapely.points([(-5, 8), (8, -3)])[:, None]).min(axis=0) < 1
    assert np.array_equal(seen[~near_end], ~shapely.intersects(lines, wall)[~near_end])
    assert np.array_equal(seen, line_of_sight(Surface.in_frame(flipped, frame), [[0, 0, 101.0]], targets)[0])


class TestObstructions:
    def test_building_stands_on_the_cells_whose_centres_it_holds(self):
        frame, ground = frame_and_ground()
        house = shapely.box(-4.1, -3.1, 3.9, 5.2)
        standing = surface_from_obstructions(ground, frame, [house], 6.0).values - ground.values
        x, y = ground.cell_centres
        centres = np.column_stack([axis.ravel() for axis in np.meshgrid(x, y)])
        inside = shapely.contains_xy(house, *frame.coordinates_from(ground.crs, centres).T)
        assert np.array_equal(standing.ravel() == 6.0, inside)
        assert set(np.unique(standing)) == {0.0, 6.0}

    def test_tallest_counts_and_ground_is_added(self):
        frame, ground = frame_and_ground()
        sloping = ground.with_values(ground.values + np.arange(60.0))
        disc = crown_discs([[0, 0]], [6.0])[0]
        surface = surface_from_obstructions(sloping, frame, [disc, shapely.box(-1, -1, 1, 1)], [8.0, 5.0])
        assert (surface.values - sloping.values).max() == 8.0
        assert surface.values[30, 30] == pytest.approx(100 + 30 + 8)
        assert (surface.values == sloping.values).sum() > 3000

    def test_crown_area(self):
        disc = crown_discs([[3, 4]], 6.0)[0]
        assert disc.area == pytest.approx(np.pi * 9, rel=0.01)
        assert disc.centroid.coords[0] == pytest.approx((3, 4))

    @settings(max_examples=25, deadline=None)
    @given(heading=st.floats(0, 180), shift=st.floats(-0.5, 0.5), across=st.floats(-40, 40))
    def test_thin_fence_has_no_holes(self, heading, shift, across):
        """A line of sight below half the fence's height never gets through, whatever its angle."""
        frame, ground = frame_and_ground()
        along = np.radians(heading)
        way = np.array([np.sin(along), np.cos(along)])
        side = np.array([way[1], -way[0]])
        fence = shapely.LineString([shift * side - 14 * way, shift * side + 14 * way])
        thin = surface_from_obstructions(ground, frame, [fence.buffer(0.05, cap_style="flat")], 2.0)
        surface = Surface.in_frame(thin, frame)
        turn = np.radians(across)
        ray = side * np.cos(turn) + way * np.sin(turn)
        places = np.linspace(-4, 4, 60)[:, None] * way
        here = np.column_stack([places - 4 * ray, np.full(60, 100.95)])
        there = np.column_stack([places + 4 * ray, np.full(60, 100.95)])
        assert not line_of_sight(surface, here, there).diagonal().any()

    def test_fence_is_no_thicker_than_a_cell_and_a_half(self):
        frame, ground = frame_and_ground()
        fence = shapely.LineString([(-10, -7), (10, 6)])
        standing = surface_from_obstructions(ground, frame, [fence], 2.0).values > 101
        assert standing.sum() * 0.25 / fence.length < 1.5 * 0.5

    def test_what_lies_outside_or_is_empty_changes_nothing(self):
        frame, ground = frame_and_ground()
        away = [shapely.box(500, 500, 510, 510), shapely.Polygon(), shapely.LineString()]
        assert np.array_equal(surface_from_obstructions(ground, frame, away, 5.0).values, ground.values)

    @pytest.mark.parametrize("height", [np.nan, -1.0, np.inf])
    def test_impossible_height_tells_the_row(self, height):
        frame, ground = frame_and_ground()
        with pytest.raises(FeatureError, match="row 1") as caught:
            surface_from_obstructions(ground, frame, [shapely.box(0, 0, 2, 2)] * 2, [2.0, height])
        assert "leave it out" in caught.value.advice


class TestSightShare:
    def test_share_behind_a_screen(self):
        # Street along y = 20 from x = 0 to 39; a screen at y = 10 stands from x = 0 to 20.
        # From (20, 0) the line to (x, 20) passes y = 10 at (20 + x) / 2: the screen hides all with x < 20.
        heights = np.zeros((SIZE, SIZE))
        heights[20, :41] = 5.0
        street = np.column_stack([np.arange(0.5, 39, 1), np.full(39, 20.0), np.full(39, 1.6)])
        share = sight_share(plane_surface(heights), [[20, 0, 0.4]], street, reach_m=60)
        assert share[0] == pytest.approx(np.mean(street[:, 0] > 20.5), abs=1 / 39)

    def test_only_points_within_reach_count(self):
        surface = plane_surface(np.zeros((SIZE, SIZE)))
        share = sight_share(surface, [[1, 1, 0.4], [38, 38, 0.4]], [[5, 1, 1.6], [7, 1, np.nan]], reach_m=10)
        assert share[0] == 1.0
        assert np.isnan(share[1])

    def test_unknown_stays_unknown(self):
        surface = plane_surface(np.zeros((SIZE, SIZE)))
        assert np.isnan(sight_share(surface, [[1, 1, np.nan]], [[5, 1, 1.6]])).all()
        assert np.isnan(sight_share(surface, [[1, 1, 0.4]], np.empty((0, 3)))).all()
        assert sight_share(surface, np.empty((0, 3)), [[5, 1, 1.6]]).shape == (0,)

    def test_reach_must_be_positive(self):
        with pytest.raises(ParameterError, match="reach_m"):
            sight_share(plane_surface(np.zeros((4, 4))), [[0, 0, 1]], [[1, 1, 1]], reach_m=0)

    @settings(max_examples=10, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_is_the_mean_of_lines_of_sight(self, seed):
        rng = np.random.default_rng(seed)
        surface = plane_surface(hills(seed))
        places = np.column_stack([rng.uniform(0, 39, (8, 2)), rng.uniform(0, 5, 8)])
        street = np.column_stack([rng.uniform(0, 39, (20, 2)), rng.uniform(0, 8, 20)])
        share = sight_share(surface, places, street, reach_m=100)
        assert share == pytest.approx(line_of_sight(surface, places, street).mean(axis=1))


class TestStreetPoints:
    def test_along_a_line_evenly(self):
        points = street_points([shapely.LineString([(0, 0), (10, 0), (10, 10)])], spacing_m=2.5)
        assert len(points) == 8
        assert shapely.distance(shapely.points(points), shapely.LineString([(0, 0), (10, 0), (10, 10)])).max() < 1e-9

    def test_over_a_polygon_by_area(self):
        assert len(street_points([shapely.box(0.5, 0.5, 40.5, 8.5)], spacing_m=2)) == 20 * 4

    def test_neighbouring_polygons_and_parts_give_no_double_points(self):
        halves = [shapely.box(0, 0, 10, 7), shapely.MultiPolygon([shapely.box(10, 0, 20, 7)]), None]
        points = street_points(halves, spacing_m=1)
        assert len(points) == len(np.unique(points, axis=0))

    def test_small_pieces_have_a_point(self):
        pieces = [shapely.box(0.2, 0.2, 0.4, 0.4), shapely.LineString([(9, 9), (9.1, 9)])]
        assert len(street_points(pieces, spacing_m=5)) == 2

    def test_nothing_gives_nothing(self):
        assert street_points([shapely.LineString()]).shape == (0, 2)
        with pytest.raises(ParameterError, match="spacing_m"):
            street_points([], spacing_m=-1)


def test_points_above_ground_follow_the_ground():
    frame, ground = frame_and_ground()
    sloping = ground.with_values(ground.values + np.arange(60.0) * 0.1)
    points = points_above_ground(sloping, frame, [[0, 0], [500, 0]], [1.6, 1.6])
    assert points[0, 2] == pytest.approx(100 + 29.5 * 0.1 + 1.6, abs=0.01)
    assert np.isnan(points[1, 2])


def plain_rise(surface, eye, heading_deg):
    """One ray, sample after sample to its end: on the centre lines of the faster axis, linear across."""
    direction = np.array([np.sin(np.radians(heading_deg)), np.cos(np.radians(heading_deg))])
    velocity, position = surface.to_cells[:, :2] @ direction, surface.cells(eye[None, :2])[0]
    sizes = surface.heights_m.shape[::-1]
    major = 0 if abs(velocity[0]) >= abs(velocity[1]) else 1
    steepest = -np.inf
    for line in range(sizes[major]):
        distance = (line - position[major]) / velocity[major]
        across = position[1 - major] + velocity[1 - major] * distance
        if distance < 0.5 / abs(velocity[major]) or not 0 <= across <= sizes[1 - major] - 1:
            continue
        low = min(int(across), sizes[1 - major] - 2)
        cells = ((low, line), (low + 1, line)) if major == 0 else ((line, low), (line, low + 1))
        below, above = (surface.heights_m[cell] for cell in cells)
        height = below + (across - low) * (above - below)
        steepest = max(steepest, (height - eye[2]) / distance)
    return steepest


class TestLookingAheadChangesNothing:
    """Rays are spared where nothing near is high enough: the same as looking at every sample."""

    @staticmethod
    def town(seed, turn_deg):
        """Return a surface with towers on hills, its raster turned against the frame, and 40 rays over it."""
        rng = np.random.default_rng(seed)
        heights = hills(seed, 60, 6) / 10 + np.where(rng.random((60, 60)) < 0.02, rng.uniform(1, 25, (60, 60)), 0.0)
        turn = np.radians(turn_deg)
        surface = Surface(
            heights, np.array([[np.cos(turn), np.sin(turn), 30], [-np.sin(turn), np.cos(turn), 30]]) * 1.0
        )
        eyes = np.column_stack([rng.uniform(-20, 20, (40, 2)), rng.uniform(-2, 6, 40)])
        return surface, eyes, rng.uniform(0, 360, 40), rng.uniform(-0.3, 1.5, 40)

    @settings(max_examples=25, deadline=None)
    @given(st.integers(0, 1000), st.floats(0, 90))
    def test_the_steepest_rise(self, seed, turn_deg):
        surface, eyes, headings, _ = self.town(seed, turn_deg)
        plain = [plain_rise(surface, eye, heading) for eye, heading in zip(eyes, headings, strict=True)]
        assert steepest_rise(surface, eyes, headings) == pytest.approx(plain, abs=1e-9)

    @settings(max_examples=25, deadline=None)
    @given(st.integers(0, 1000), st.floats(0, 90))
    def test_the_side_of_what_is_enough(self, seed, turn_deg):
        surface, eyes, headings, enough = self.town(seed, turn_deg)
        plain = np.array([plain_rise(surface, eye, heading) for eye, heading in zip(eyes, headings, strict=True)])
        ours = steepest_rise(surface, eyes, headings, enough=enough)
        clear = np.abs(plain - enough) > 1e-7
        assert np.array_equal((ours > enough)[clear], (plain > enough)[clear])
        assert (plain > enough).any() and (plain < enough).any()

    @settings(max_examples=25, deadline=None)
    @given(st.integers(0, 1000), st.floats(0, 90))
    def test_many_directions_from_each_place(self, seed, turn_deg):
        surface, eyes, headings, slopes = self.town(seed, turn_deg)
        slopes = np.abs(slopes) + 0.01
        over = rises_over(surface, eyes, headings, slopes)
        plain = np.array([[plain_rise(surface, eye, heading) for heading in headings] for eye in eyes])
        clear = np.abs(plain - slopes) > 1e-7
        assert np.array_equal(over[clear], (plain > slopes)[clear])
        assert over.any() and not over.all()


def test_no_places_and_no_directions_rise_over_nothing():
    surface = plane_surface(hills(1))
    assert rises_over(surface, np.zeros((0, 3)), [10.0, 20.0], [0.5, 0.5]).shape == (0, 2)
    assert rises_over(surface, [[5.0, 5.0, 1.0]], [], []).shape == (1, 0)
