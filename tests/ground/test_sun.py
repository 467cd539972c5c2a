from functools import cache

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Transformer
from scipy.ndimage import gaussian_filter, maximum_filter

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.ground.sight import Surface, crown_discs, points_above_ground, steepest_rise, surface_from_obstructions
from lawngis.ground.sun import (
    SunPositions,
    hot_hours,
    mowing_months,
    shade_share,
    shade_share_grid,
    sun_azimuth_elevation_deg,
)

CELL = 0.5


def plane_surface(heights, cell=CELL):
    """Return a surface whose lower left cell centre is the frame's origin: values[0] lies in the south."""
    return Surface(np.asarray(heights, dtype=float), np.array([[1 / cell, 0, 0], [0, 1 / cell, 0]]))


@cache
def frame_and_ground(crs=25832, size=120, cell=0.5):
    crs = CRS(crs)
    x, y = Transformer.from_crs(25832, crs, always_xy=True).transform(691000, 5334000)
    unit = cell / 111_200 if crs.is_geographic else cell
    ground = Grid(np.full((size, size), 100.0), Affine(unit, 0, x, 0, -unit, y), crs)
    return MeasuringFrame.centred_on(shapely.box(*ground.bounds), crs), ground


def village(crs=25832):
    """Return a frame, sloping ground and a surface with a house, trees and a fence."""
    frame, ground = frame_and_ground(crs)
    ground = ground.with_values(ground.values + np.add.outer(np.arange(120) * 0.02, np.arange(120) * -0.01))
    things = [shapely.box(-12, -3, -2, 6), *crown_discs([[6, -6], [14, 9]], [5, 8])]
    things.append(shapely.LineString([(-20, -12), (18, -13)]))
    return frame, ground, surface_from_obstructions(ground, frame, things, [6.0, 7.0, 11.0, 1.8])


def angle_between_deg(azimuths, elevations):
    a, e = np.radians(azimuths), np.radians(elevations)
    return np.degrees(
        np.arccos(np.clip(np.sin(e[0]) * np.sin(e[1]) + np.cos(e[0]) * np.cos(e[1]) * np.cos(a[0] - a[1]), -1, 1))
    )


class TestHotHours:
    @pytest.mark.parametrize("latitude", [60.0, 48.1, 35.0, 5.0, -35.0])
    def test_a_hundred_weighted_positions_above_the_level(self, latitude):
        sun = hot_hours(latitude, 11.6)
        assert 60 <= len(sun.weight) <= 120
        assert sun.weight.sum() == pytest.approx(1)
        assert (sun.elevation_deg > 0).all()

    def test_hours_are_solar(self):
        # Around solar noon the sun stands in the south, at 90° - latitude + declination (23.4° at midsummer).
        sun = hot_hours(48.0, 11.6, months=(6,), hours=(11.75, 12.25))
        assert np.average(sun.azimuth_deg, weights=sun.weight) == pytest.approx(180, abs=0.5)
        assert sun.elevation_deg.max() == pytest.approx(90 - 48 + 23.4, abs=0.3)

    def test_morning_mirrors_afternoon(self):
        morning, afternoon = (hot_hours(48.0, 11.6, months=(6,), hours=h) for h in ((9, 12), (12, 15)))
        mirrored = np.sort(360 - morning.azimuth_deg)
        assert mirrored == pytest.approx(np.sort(afternoon.azimuth_deg), abs=0.4)

    def test_southern_half_is_the_mirror_image_of_the_season(self):
        north, south = hot_hours(40.0, 0.0, months=(6,)), hot_hours(-40.0, 0.0, months=(12,))
        assert np.average(north.elevation_deg, weights=north.weight) == pytest.approx(
            np.average(south.elevation_deg, weights=south.weight), abs=0.5
        )
        assert (north.azimuth_deg > 90).all() and (north.azimuth_deg < 290).all()
        assert ((south.azimuth_deg < 90) | (south.azimuth_deg > 250)).all()

    def test_season_follows_the_half_of_the_earth(self):
        assert set(mowing_months(48)) == {4, 5, 6, 7, 8, 9, 10}
        assert set(mowing_months(-33)) == {10, 11, 12, 1, 2, 3, 4}

    def test_sites_of_one_region_share_the_computation(self):
        assert hot_hours(48.12, 11.6) is hot_hours(48.08, 14.9)
        assert hot_hours(48.12, 11.6) is not hot_hours(48.3, 11.6)

    def test_longitude_does_not_matter_in_solar_time(self):
        here, there = hot_hours(48.0, 0.0), hot_hours(48.0, 170.0)
        assert (
            angle_between_deg(
                np.array([here.azimuth_deg, there.azimuth_deg]),
                np.array([here.elevation_deg, there.elevation_deg]),
            ).max()
            < 0.3
        )

    def test_thinned_positions_stand_for_all_of_them(self):
        """A long wall's share of shade by a hundred positions is that by fifteen thousand, to 0.03."""
        year = np.arange(np.datetime64("2025-04-01"), np.datetime64("2025-11-01")).astype("datetime64[s]")
        times = (year.astype(float)[:, None] + 3600 * np.linspace(11, 17, 73)[None]).ravel()
        azimuth, elevation = sun_azimuth_elevation_deg(times, 48.0, 0.0)
        sun = hot_hours(48.0, 0.0)
        for wall_azimuth in (180, 200, 250):
            # A long wall h high, d away, shades when tan(elevation) < h / d · cos(azimuth - wall).
            def shaded(az, el, ratio, wall=wall_azimuth):
                return np.tan(np.radians(el)) < ratio * np.cos(np.radians(az - wall))

            for ratio in (0.6, 1.0, 1.6):
                every = shaded(azimuth, elevation, ratio).mean()
                thinned = shaded(sun.azimuth_deg, sun.elevation_deg, ratio) @ sun.weight
                assert thinned == pytest.approx(every, abs=0.03)

    def test_no_sun_and_impossible_seasons_are_refused(self):
        with pytest.raises(ParameterError, match="never rises"):
            hot_hours(80.0, 0.0, months=(12,))
        with pytest.raises(ParameterError, match="months"):
            hot_hours(48.0, 0.0, months=(0, 13))
        with pytest.raises(ParameterError, match="months"):
            hot_hours(48.0, 0.0, months=())
        with pytest.raises(ParameterError, match="hours"):
            hot_hours(48.0, 0.0, hours=(17, 11))
        with pytest.raises(ParameterError, match="no place on the Earth"):
            hot_hours(91.0, 0.0)


@pytest.mark.parametrize(
    ("columns", "what"),
    [
        (([180], [45], [0.5]), "add up to 1"),
        (([180, 190], [45, 50], [1.5, -0.5]), "not negative"),
        (([180], [np.nan], [1]), "finite"),
        (([], [], []), "one or more"),
        (([180, 190], [45], [1]), "each"),
    ],
)
def test_impossible_sun_positions_are_refused(columns, what):
    with pytest.raises(ParameterError, match=what):
        SunPositions(*(np.array(column, dtype=float) for column in columns))


def horizon_deg(surface, eyes, azimuths, *, reach_m=np.inf):
    """Elevation of the skyline around open places, shape (places, azimuths); -90 where there is no surface."""
    starts, headings = np.repeat(np.asarray(eyes, dtype=float), len(azimuths), axis=0), np.tile(azimuths, len(eyes))
    return np.degrees(np.arctan(steepest_rise(surface, starts, headings, reach_m=reach_m))).reshape(len(eyes), -1)


class TestHorizon:
    @settings(max_examples=20, deadline=None)
    @given(
        west=st.floats(-12, -1), south=st.floats(2, 10), width=st.floats(4, 12), depth=st.floats(3, 8),
        height=st.floats(2, 12),
    )  # fmt: skip
    def test_of_a_box_agrees_with_exact_geometry(self, west, south, width, depth, height):
        """Independent of the march: where shapely cuts the ray with the box, somewhat smaller and larger."""
        frame, ground = frame_and_ground()
        box = shapely.box(west, south, west + width, south + depth)
        surface = Surface.in_frame(surface_from_obstructions(ground, frame, [box], height), frame)
        azimuths = np.arange(0.0, 360, 6)
        ends = 25 * np.column_stack([np.sin(np.radians(azimuths)), np.cos(np.radians(azimuths))])
        rays = shapely.linestrings(np.stack([np.zeros_like(ends), ends], axis=1))
        horizon = horizon_deg(surface, [[0, 0, 100.3]], azimuths, reach_m=25)[0]

        def exact(shape):
            away = shapely.distance(shapely.points(0, 0), shapely.intersection(rays, shape))
            return np.degrees(np.arctan((height - 0.3) / away))

        # NaN is a ray that misses the box.
        assert (horizon >= np.nan_to_num(exact(box.buffer(-2 * CELL, join_style="mitre")), nan=-90) - 1e-6).all()
        assert (horizon <= np.nan_to_num(exact(box.buffer(CELL, join_style="mitre")), nan=0) + 1e-6).all()

    def test_of_a_plane_is_its_slope(self):
        # Ground rises 20 % to the north: seen from itself, arctan(0.2 cos azimuth) all around.
        at = np.arange(80) * CELL
        surface = plane_surface(np.add.outer(at * 0.2, at * 0))
        azimuths = np.arange(0.0, 360, 15)
        horizon = horizon_deg(surface, [[20, 20, 4.0], [17.3, 22.2, 4.44]], azimuths)
        expected = np.degrees(np.arctan(0.2 * np.cos(np.radians(azimuths))))
        assert horizon == pytest.approx(np.tile(expected, (2, 1)), abs=1e-9)

    def test_nothing_in_a_direction_at_the_edge(self):
        horizon = horizon_deg(plane_surface(np.zeros((40, 40))), [[10, 19.5, 1]], [0, 180])[0]
        assert horizon[0] == -90
        assert horizon[1] == pytest.approx(-np.degrees(np.arctan(1 / 19.5)))

    def test_reach_limits_what_counts(self):
        heights = np.zeros((80, 80))
        heights[60:] = 9.0
        surface = plane_surface(heights)
        near, far = (horizon_deg(surface, [[20, 20, 0]], [0], reach_m=r)[0, 0] for r in (9, 12))
        assert near == pytest.approx(0)
        assert far == pytest.approx(np.degrees(np.arctan(9 / 10)))


class TestShadeShare:
    def test_by_hand_behind_a_wall_in_the_south(self):
        # The wall's first full cells are centred 3 m south of the place, and its top is 3 m above it, so it
        # hides the sun where tan(elevation) < cos(azimuth - 180°):
        #   180°, 40°: 0.839 < 1      shade   0.1        240°, 25°: 0.466 < 0.5    shade   0.25
        #   180°, 50°: 1.192 > 1      sun                240°, 28°: 0.532 > 0.5    sun
        #   135°, 34°: 0.675 < 0.707  shade   0.2         20°, 10°: north of it    sun
        heights = np.zeros((200, 200))
        heights[92:95] = 3.3
        eye = [[50.0, 50.0, 0.3]]
        sun = SunPositions(
            np.array([180.0, 180, 135, 240, 240, 20]),
            np.array([40.0, 50, 34, 25, 28, 10]),
            np.array([0.1, 0.15, 0.2, 0.25, 0.18, 0.12]),
        )
        assert shade_share(plane_surface(heights), eye, sun) == pytest.approx([0.55])

    def test_sun_below_the_level_plane_is_shade(self):
        sun = SunPositions(np.array([180.0, 180.0, 0.0]), np.array([-3.0, 90.0, 30.0]), np.array([0.3, 0.3, 0.4]))
        assert shade_share(plane_surface(np.zeros((40, 40))), [[9, 9, 0.3]], sun) == pytest.approx([0.3])

    def test_beside_a_wall_to_the_north_is_sunny_and_under_a_crown_is_shade(self):
        frame, ground = frame_and_ground()
        things = [shapely.box(-15, 0.35, 15, 8), *crown_discs([[22, -20]], [6.0])]
        surface = Surface.in_frame(surface_from_obstructions(ground, frame, things, [6.0, 9.0]), frame)
        xy = [[x, 0.0] for x in np.arange(-3, 3, 0.13)]
        places = points_above_ground(ground, frame, [*xy, [22, -20]], 0.3)
        share = shade_share(surface, places, hot_hours(48.1, 11.6, hours=(11, 13)))
        assert (share[:-1] == 0).all()
        assert share[-1] == 1

    def test_outside_and_unknown_are_unknown(self):
        surface = plane_surface(np.zeros((40, 40)))
        share = shade_share(surface, [[9, 9, 0.3], [-9, 9, 0.3], [9, 9, np.nan]], hot_hours(48.1, 11.6))
        assert share[0] == 0
        assert np.isnan(share[1:]).all()

    @settings(max_examples=10, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_is_the_weight_of_positions_below_the_horizon(self, seed):
        rng = np.random.default_rng(seed)
        heights = 60 * gaussian_filter(rng.normal(size=(80, 80)), 3) + rng.choice([0, 0, 0, 3.0], (80, 80))
        surface, sun = plane_surface(heights), hot_hours(48.1, 11.6)
        xy = rng.uniform(0, 39, (12, 2))
        tops = maximum_filter(heights, 3)[tuple(np.rint(xy[:, ::-1] / CELL).astype(int).T)]
        eyes = np.column_stack([xy, tops + rng.uniform(0, 6, 12)])
        horizon = horizon_deg(surface, eyes, sun.azimuth_deg)
        assert shade_share(surface, eyes, sun) == pytest.approx((horizon > sun.elevation_deg) @ sun.weight)

    @settings(max_examples=10, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_grows_by_building_and_falls_with_the_height_of_the_eye(self, seed):
        rng = np.random.default_rng(seed)
        heights = rng.choice([0, 0, 0, 0, 3.0], (60, 60))
        sun = hot_hours(48.1, 11.6)
        eyes = np.column_stack([rng.uniform(5, 24, (15, 2)), np.full(15, 0.3)])
        share = shade_share(plane_surface(heights), eyes, sun)
        assert (shade_share(plane_surface(heights * 2), eyes, sun) >= share).all()
        assert (shade_share(plane_surface(heights), eyes + np.array([0, 0, 1.0]), sun) <= share).all()

    @pytest.mark.parametrize("crs", [3857, 4326, 25833])
    def test_is_the_same_in_every_crs(self, crs):
        """Cells differ in size, shape and north, so the wall's edge moves by half a cell, but no more."""
        sun = hot_hours(48.1, 11.6)
        shares = []
        for code in (25832, crs):
            frame, ground = frame_and_ground(code, size=300, cell=0.25)
            wall = shapely.LineString([(-25, -4.0), (25, -4.0)])
            surface = Surface.in_frame(surface_from_obstructions(ground, frame, [wall], 4.0), frame)
            shares.append(shade_share(surface, points_above_ground(ground, frame, [[0, 0], [0, 3]], 0.3), sun))
        assert shares[0] == pytest.approx(shares[1], abs=0.06)
        assert shares[0][0] > shares[0][1] > 0


class TestShadeShareGrid:
    @pytest.mark.parametrize("crs", [25832, 4326])
    def test_equals_shade_share_at_the_cells_centres(self, crs):
        frame, ground, surface = village(crs)
        sun = hot_hours(48.1, 11.6)
        mask = np.zeros(surface.shape, dtype=bool)
        mask[40:90, 30:100:3] = True
        shade = shade_share_grid(surface, ground, frame, sun, mask=mask)
        rows, cols = np.nonzero(mask)
        placed = Surface.in_frame(surface, frame)
        xy = np.linalg.solve(placed.to_cells[:, :2], (np.column_stack([cols, rows]) - placed.to_cells[:, 2]).T).T
        eyes = np.column_stack([xy, ground.values[rows, cols] + 0.3])
        expected = shade_share(placed, eyes, sun)
        differs = np.abs(shade.values[rows, cols] - expected) > 1e-9
        assert differs.mean() < 0.002  # a ray that grazes a cell's corner may go either way
        assert np.isnan(shade.values[~mask]).all()
        assert 0.02 < expected.mean() < 0.9

    def test_reaches_to_the_edge_of_the_surface(self):
        frame, ground, surface = village()
        whole = shade_share_grid(surface, ground, frame, hot_hours(48.1, 11.6))
        assert np.isfinite(whole.values).all()
        assert whole.values.min() == 0 and whole.values.max() == 1

    def test_south_up_raster_gives_the_same(self):
        frame, ground, surface = village()
        sun = hot_hours(48.1, 11.6)

        def flipped(grid):
            a, e, c = grid.transform.a, grid.transform.e, grid.transform.c
            return Grid(grid.values[::-1], Affine(a, 0, c, 0, -e, grid.bounds[1]), grid.crs)

        there = shade_share_grid(flipped(surface), flipped(ground), frame, sun).values[::-1]
        here = shade_share_grid(surface, ground, frame, sun).values
        assert (np.abs(here - there) > 1e-9).mean() < 0.002

    def test_ground_of_another_resolution(self):
        frame, ground, surface = village()
        coarse = Grid(ground.values[1::2, 1::2] * 0 + 101.0, ground.transform @ Affine.scale(2), ground.crs)
        sun = hot_hours(48.1, 11.6, hours=(12, 13))
        shade = shade_share_grid(surface, coarse, frame, sun).values
        same = shade_share_grid(surface, ground.with_values(ground.values * 0 + 101.0), frame, sun).values
        assert np.isnan(shade[0]).all()  # beyond the outermost centres of the coarse cells
        assert np.array_equal(shade[1:-1, 1:-1], same[1:-1, 1:-1])

    def test_ground_without_data_and_wrong_mask(self):
        frame, ground, surface = village()
        holes = ground.values.copy()
        holes[50, 60] = np.nan
        sun = hot_hours(48.1, 11.6, months=(6,), hours=(12, 13))
        shade = shade_share_grid(surface, ground.with_values(holes), frame, sun)
        assert np.argwhere(np.isnan(shade.values)).tolist() == [[50, 60]]
        assert np.isnan(shade_share_grid(surface, ground, frame, sun, mask=np.zeros(surface.shape)).values).all()
        with pytest.raises(ParameterError, match="does not fit"):
            shade_share_grid(surface, ground, frame, sun, mask=np.ones((3, 3)))
