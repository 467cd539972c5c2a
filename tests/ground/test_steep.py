import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr
from shapely import box

sys.path.insert(0, str(Path(__file__).parent))
from made_ground import SITE, site_grid

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground import steep
from lawngis.ground.mower_slope import MowerSlope, mower_slope
from lawngis.ground.raster import Grid
from lawngis.ground.steep import SteepArea, areas_at_edge

LIMIT = 35.0


def bump_slope(x, y, height=6.0, width=8.0):
    """Slope [percent] of a bell-shaped mound; steep on a ring around its top."""
    r = np.hypot(x, y)
    return 100 * height * r / width**2 * np.exp(-(r**2) / (2 * width**2))


def bump_radii(limit=LIMIT):
    return tuple(brentq(lambda r: bump_slope(r, 0) - limit, *span) for span in ((0, 8), (8, 30)))


def areas(slope, sd=4.0, **options):
    options = {"limit_percent": LIMIT, "frame": SITE, "area_min_m2": 1.0, **options}
    return steep.steep_areas(slope, sd, **options)


class TestSteepAreas:
    @pytest.mark.parametrize(
        ("crs", "cell", "cell_y"),
        [(None, 0.5, None), (3857, 0.7, None), (4326, 7e-6, 4.5e-6), (25832, 0.5, None), (None, 1.0, None)],
    )
    def test_ring_of_a_mound_without_stair_steps(self, crs, cell, cell_y):
        """Area and perimeter of the ring are known; cell edges would make its perimeter 27 % longer."""
        inner, outer = bump_radii()
        (area,) = areas(site_grid(bump_slope, crs, cell, cell_y=cell_y))
        (hole,) = area.polygon.interiors
        assert area.polygon.is_valid
        assert area.polygon.area == pytest.approx(np.pi * (outer**2 - inner**2), rel=0.01)
        assert area.polygon.exterior.length == pytest.approx(2 * np.pi * outer, rel=0.005)
        assert hole.length == pytest.approx(2 * np.pi * inner, rel=0.01)
        for ring, radius in ((area.polygon.exterior, outer), (hole, inner)):
            distance = np.hypot(*shapely.get_coordinates(shapely.segmentize(ring, 0.1)).T)
            assert np.abs(distance - radius).max() < 0.1

    def test_mean_slope_and_confidence_of_the_ring(self):
        inner, outer = bump_radii()
        (area,) = areas(site_grid(bump_slope, cell=0.25, size=200), sd=4.0)
        ring = np.pi * (outer**2 - inner**2)

        def mean(function):
            return quad(lambda r: function(bump_slope(r, 0)) * 2 * np.pi * r, inner, outer)[0] / ring

        assert area.slope_mean_percent == pytest.approx(mean(lambda s: s), abs=0.1)
        assert area.confidence == pytest.approx(mean(lambda s: ndtr((s - LIMIT) / 4)), abs=0.005)

    def test_outlines_have_few_corners_and_lie_close_to_the_contour(self):
        (fine,) = areas(site_grid(bump_slope, cell=0.1, size=500))
        count = shapely.get_num_coordinates(fine.polygon)
        assert count < 250  # of some 2,000 that the contour has
        inner, outer = bump_radii()
        distance = np.hypot(*shapely.get_coordinates(shapely.segmentize(fine.polygon, 0.1)).T)
        off = np.minimum(np.abs(distance - outer), np.abs(distance - inner))
        assert off.max() < steep.SIMPLIFY_M + 0.01

    @pytest.mark.parametrize(("above", "sd"), [(4.0, 4.0), (2.0, 5.0), (12.0, 3.0)])
    def test_confidence_of_an_even_slope(self, above, sd):
        (area,) = areas(site_grid(lambda x, y: LIMIT + above + 0 * x), sd=sd)
        assert area.confidence == pytest.approx(ndtr(above / sd))
        assert area.slope_mean_percent == pytest.approx(LIMIT + above)

    def test_confidence_is_how_often_a_noisy_survey_says_steep(self):
        """A plane of 38 %, surveyed again and again with 5 cm of noise; what the noise adds on average is left out."""
        cell, z_sd = 0.5, 0.05
        plane = site_grid(lambda x, y: 0.38 * x, cell=cell, size=60)
        ground = mower_slope(plane, wheelbase_m=0.8, z_sd_m=z_sd)
        (area,) = areas(ground.slope_percent, sd=ground.sd_percent.values)
        random = np.random.default_rng(6)
        says_steep = []
        for _ in range(20):
            survey = plane.with_values(plane.values + random.normal(0, z_sd, plane.shape))
            slope = mower_slope(survey, wheelbase_m=0.8, z_sd_m=z_sd).slope_percent.values
            says_steep.append(np.mean(slope[3:-3, 3:-3] > LIMIT))
        assert area.confidence == pytest.approx(np.mean(says_steep), abs=0.02)
        assert 0.8 < area.confidence < 0.9

    def test_certain_slopes_are_certain(self):
        (area,) = areas(site_grid(bump_slope), sd=0.0)
        assert area.confidence == pytest.approx(1)

    def test_level_ground_has_none(self):
        assert areas(site_grid(lambda x, y: 0 * x)) == []

    def test_no_data_at_all_has_none(self):
        assert areas(site_grid(lambda x, y: np.nan * x)) == []

    def test_small_areas_are_left_out_and_small_holes_filled(self):
        def two_mounds(x, y):
            return bump_slope(x + 10, y) * (x < 0) + 60.0 * np.exp(-((x - 18) ** 2 + y**2) / 1.5)

        inner, _ = bump_radii()
        hole_m2 = np.pi * inner**2
        both = areas(site_grid(two_mounds), area_min_m2=0.1)
        assert [len(area.polygon.interiors) for area in both] == [1, 0]
        assert 0.5 < both[1].polygon.area < 4
        (large,) = areas(site_grid(two_mounds), area_min_m2=5.0)
        assert large.polygon.area == pytest.approx(both[0].polygon.area)
        (filled,) = areas(site_grid(two_mounds), area_min_m2=1.1 * hole_m2)
        assert len(filled.polygon.interiors) == 0
        assert filled.polygon.area == pytest.approx(both[0].polygon.area + hole_m2, rel=0.01)

    def test_not_cut_where_the_data_ends(self):
        """Steep up to the last cell: the polygon holds every cell that has a slope, whole."""
        slope = site_grid(lambda x, y: 50 + 0 * x, size=40)
        (area,) = areas(slope)
        # Contours cut the corners of the extension diagonally at most.
        assert area.polygon.buffer(1e-6).covers(shapely.box(-10, -10, 10, 10))
        assert area.polygon.area <= 20.5**2 + 1

    def test_holes_in_the_data(self):
        def with_hole(radius):
            return site_grid(lambda x, y: np.where(np.hypot(x, y) < radius, np.nan, 50.0))

        (small,) = areas(with_hole(0.8))
        assert len(small.polygon.interiors) == 0
        (large,) = areas(with_hole(6.0))
        (hole,) = large.polygon.interiors
        # One cell of half a metre, or its diagonal, further in than the data.
        assert np.pi * 5.2**2 < shapely.Polygon(hole).area < np.pi * 6.0**2
        assert large.confidence == pytest.approx(ndtr(15 / 4))

    def test_mirrored_ground_has_mirrored_areas(self):
        def lopsided(x, y):
            return bump_slope(x - 4, y + 3) + 0.4 * x

        area = areas(site_grid(lopsided))[0]
        mirrored = areas(site_grid(lambda x, y: lopsided(-x, y)))[0]
        turned = areas(site_grid(lambda x, y: lopsided(y, -x)))[0]
        back = shapely.transform(mirrored.polygon, lambda xy: xy * [-1, 1])
        # Simplifying starts at another corner.
        assert shapely.hausdorff_distance(area.polygon, back) < 2 * steep.SIMPLIFY_M
        back = shapely.transform(turned.polygon, lambda xy: np.column_stack([xy[:, 1], -xy[:, 0]]))
        assert shapely.hausdorff_distance(area.polygon, back) < 2 * steep.SIMPLIFY_M
        assert area.confidence == pytest.approx(mirrored.confidence, abs=1e-3)

    @settings(max_examples=8, deadline=None)
    @given(seed=st.integers(0, 10_000), limit=st.floats(5, 60))
    def test_areas_and_the_rest_are_apart_on_any_ground(self, seed, limit):
        random = np.random.default_rng(seed)
        coarse = random.gamma(2, 15, (8, 8))
        values = np.kron(coarse, np.ones((5, 5))) + random.normal(0, 2, (40, 40))
        values[random.uniform(size=values.shape) < 0.02] = np.nan
        slope = site_grid(lambda x, y: 0 * x, size=40).with_values(values)
        found = areas(slope, limit_percent=limit, area_min_m2=0.0)
        polygons = [area.polygon for area in found]
        assert all(polygon.is_valid for polygon in polygons)
        assert all(0.5 <= area.confidence <= 1 for area in found)
        assert [p.area for p in polygons] == sorted((p.area for p in polygons), reverse=True)
        whole = shapely.union_all(polygons)
        x, y = np.meshgrid(*slope.cell_centres)
        # Outlines may move by what simplifying allows; places further from them are as their cell says.
        sure = np.isfinite(values)
        sure &= shapely.distance(shapely.points(x, y), whole.boundary) > steep.SIMPLIFY_M + 1e-6
        assert np.array_equal(shapely.contains_xy(whole, x, y)[sure], values[sure] > limit)

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            ({"sd": -1.0}, "sd_percent"),
            ({"limit_percent": -5}, "limit_percent"),
            ({"limit_percent": np.nan}, "limit_percent"),
            ({"area_min_m2": -1}, "area_min_m2"),
        ],
    )
    def test_bad_parameters_are_named(self, options, words):
        with pytest.raises(ParameterError, match=words):
            areas(site_grid(bump_slope), **options)


def undecided(slope, sd, *, area_min_m2=1.0, within=box(-100, -100, 100, 100)):  # noqa: B008
    found = MowerSlope(slope, slope.with_values(np.full(slope.shape, sd)))
    return steep.undecided_areas(found, limit_percent=LIMIT, within=within, frame=SITE, area_min_m2=area_min_m2)


class TestUndecidedAreas:
    def test_belt_around_the_limit(self):
        """A bowl whose slope grows by 2 % a metre: doubtful within 1.64 × 4 % of 35 %, from 14.2 to 20.8 m."""
        (area,) = undecided(site_grid(lambda x, y: 2 * np.hypot(x, y)), 4.0)
        near, far = (LIMIT - 1.64 * 4) / 2, (LIMIT + 1.64 * 4) / 2
        belt = np.pi * (far**2 - near**2)
        assert area.polygon.area == pytest.approx(belt, rel=0.01)
        gentler, at_limit = np.pi * ((LIMIT / 2) ** 2 - near**2), LIMIT / 2  # the less sure half: its mean is nearer
        mean = quad(lambda r: 2 * r * 2 * np.pi * r, near, at_limit)[0] / gentler
        assert area.slope_mean_percent == pytest.approx(mean, abs=0.2)
        assert area.sd_percent == pytest.approx(4)
        assert area.flip_probability == pytest.approx(ndtr((mean - LIMIT) / 4), abs=0.01)

    def test_a_bank_is_decided_without_the_belt_around_it(self):
        """3 m of 39 % between belts of 31 %: each differs by 4 % from the limit, though all together don't."""
        bank = site_grid(lambda x, y: LIMIT + np.where(abs(x) < 1.5, 4.0, -4.0))
        (area,) = undecided(bank, 4.0, within=box(-3, -10, 3, 10))
        assert area.polygon.area == pytest.approx(120, rel=0.02)
        assert area.flip_probability == pytest.approx(ndtr(-1), abs=0.01)

    @pytest.mark.parametrize(("above", "chance"), [(0.0, 0.5), (3.0, ndtr(-0.75)), (-3.0, ndtr(-0.75))])
    def test_flip_probability_of_an_even_slope(self, above, chance):
        (area,) = undecided(site_grid(lambda x, y: LIMIT + above + 0 * x), 4.0)
        assert area.flip_probability == pytest.approx(chance)

    def test_good_data_leaves_nothing_undecided(self):
        for sd in (0.0, 1e-3, 0.05):
            assert undecided(site_grid(bump_slope), sd) == []

    def test_belts_as_narrow_as_an_outline_is_unsure_are_left_out(self):
        """A bowl whose slope grows by 20 % a metre: the belt is 0.66 m wide at an sd of 4 %, 0.33 m at 2 %."""
        bowl = site_grid(lambda x, y: 20 * np.hypot(x, y), cell=0.1)
        assert [len(undecided(bowl, sd)) for sd in (4.0, 2.0)] == [1, 0]

    def test_asks_about_the_ground_given_alone(self):
        (area,) = undecided(site_grid(lambda x, y: LIMIT + 0 * x), 4.0, within=box(0, 0, 5, 4))
        assert area.polygon.area == pytest.approx(20, rel=0.02)

    def test_is_found_under_the_wide_footprint_and_valued_under_the_mower(self):
        level, half = site_grid(lambda x, y: 0 * x), site_grid(lambda x, y: np.where(x < 0, LIMIT + 1, 0.0))
        slope, sd = level.with_values(np.full(level.shape, LIMIT + 3)), level.with_values(np.full(level.shape, 4.0))
        found = MowerSlope(slope, sd, None, MowerSlope(half, sd))
        (area,) = steep.undecided_areas(
            found, limit_percent=LIMIT, within=box(-20, -20, 20, 20), frame=SITE, area_min_m2=1.0
        )
        assert area.polygon.bounds[2] == pytest.approx(0, abs=0.5)
        assert area.slope_mean_percent == pytest.approx(LIMIT + 3)


def test_an_area_that_reaches_the_edge_goes_as_a_whole_and_one_in_the_middle_stays():
    ground = box(0, 0, 20, 20)
    inner, at_edge, graze = box(8, 8, 12, 12), box(15, 5, 19.5, 15), box(4, 18.9, 6, 19.2)
    areas = [SteepArea(polygon, 0.9, 25.0) for polygon in (inner, at_edge, graze)]
    found = areas_at_edge(areas, ground, band_m=1.0, area_min_m2=1.0)
    assert [area.polygon.area for area in found] == [at_edge.area]
    assert found[0].confidence == 0.9


def test_areas_at_the_edge_are_clipped_to_the_ground():
    found = areas_at_edge([SteepArea(box(10, 5, 30, 15), 1.0, 30.0)], box(0, 0, 20, 20), band_m=1.0, area_min_m2=1.0)
    assert found[0].polygon.equals(box(10, 5, 20, 15))


@pytest.mark.parametrize("values", [np.full((9, 9), 3.0), np.full((9, 9), np.nan), np.full((9, 9), 90.0)])
def test_ground_that_is_all_on_one_side_of_the_limit_is_not_in_doubt(values):
    grid = site_grid(lambda x, y: 0 * x, size=9).with_values(values)
    assert undecided(grid, 1.0, area_min_m2=0.0) == []
    found = steep.steep_areas(grid, 1.0, limit_percent=LIMIT, frame=SITE, area_min_m2=0.0)
    assert len(found) == (1 if values[0, 0] > LIMIT else 0)


def test_ground_of_unknown_slope_is_the_cells_without_one():
    frame = MeasuringFrame.centred_on(box(9.0, 50.0, 9.0001, 50.0001), CRS(4326))
    values = np.full((40, 60), 90.0)
    values[10:20, 30:50] = np.nan  # 5 m x 10 m, its corners cut by the contour
    values[0, 0] = np.nan
    slope = Grid(values, Affine(0.5, 0, 0, 0, -0.5, 20), frame.crs)
    (found,) = steep.unknown_areas(slope, frame=frame, area_min_m2=1.0)
    assert found.symmetric_difference(box(15, 10, 25, 15)).area < 1.0
    assert steep.unknown_areas(slope.with_values(np.zeros((40, 60))), frame=frame, area_min_m2=0.0) == []
