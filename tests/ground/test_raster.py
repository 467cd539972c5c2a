import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod, Transformer

from lawngis.errors import RasterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import (
    Grid,
    cells_without_data,
    centres_in,
    ground_cell_size_m,
    layered_values_at,
    values_at,
    widened,
)
from lawngis.ground.terrain import slope_gradient_horn, slope_percent

UTM = CRS(25832)


SMALL_SITE = MeasuringFrame.centred_on(shapely.Point(691001, 5333999), UTM)


def frame_of(grid):
    return MeasuringFrame.centred_on(shapely.box(*grid.bounds), grid.crs)


def utm_grid(values, cell=0.5):
    return Grid(values, Affine(cell, 0, 691000, 0, -cell, 5334000), UTM)


class TestGrid:
    def test_cell_centres_and_bounds(self):
        grid = Grid(np.zeros((2, 3)), Affine(2, 0, 100, 0, -1, 50), UTM)
        x, y = grid.cell_centres
        assert x.tolist() == [101, 103, 105]
        assert y.tolist() == [49.5, 48.5]
        assert grid.bounds == (100, 48, 106, 50)

    def test_south_up_raster_is_accepted(self):
        grid = Grid(np.zeros((2, 2)), Affine(1, 0, 691000, 0, 1, 5334000), UTM)
        assert grid.bounds == (691000, 5334000, 691002, 5334002)
        assert (np.concatenate(grid.cell_size_m) > 0).all()

    def test_infinite_is_no_data(self):
        grid = utm_grid([[np.inf, 1.0], [-np.inf, 2.0]])
        assert np.isnan(grid.values[:, 0]).all()
        assert grid.values[:, 1].tolist() == [1, 2]

    @pytest.mark.parametrize("values", [np.zeros(4), np.zeros((1, 2, 3)), np.zeros((0, 5)), np.float64(3)])
    def test_values_must_have_rows_and_columns(self, values):
        with pytest.raises(RasterError, match="rows and columns"):
            utm_grid(values)

    def test_rotated_grid_is_refused_with_advice(self):
        with pytest.raises(RasterError, match="rotated or sheared") as caught:
            Grid(np.zeros((3, 3)), Affine(0.98, -0.17, 691000, 0.17, 0.98, 5334000), UTM)
        assert "north-up" in caught.value.advice

    def test_no_crs_is_refused(self):
        with pytest.raises(RasterError, match="no CRS"):
            Grid(np.zeros((3, 3)), Affine.scale(1, -1), None)

    def test_no_cell_size_is_refused(self):
        with pytest.raises(RasterError, match="georeference"):
            Grid(np.zeros((3, 3)), Affine.scale(0, -1), UTM)

    def test_with_values_refuses_another_shape(self):
        with pytest.raises(RasterError, match="do not fit"):
            utm_grid(np.zeros((4, 4))).with_values(np.zeros((4, 5)))


class TestGroundCellSize:
    def test_projected_with_known_scale_factor(self):
        """GDA technical manual: at Flinders Peak, MGA zone 55, the point scale factor is 1.00023056."""
        cell = 1.0
        transform = Affine(cell, 0, 273741.297 - 50, 0, -cell, 5796489.777 + 50)
        dx, dy = ground_cell_size_m(transform, CRS(28355), (100, 100))
        assert dx == pytest.approx(1 / 1.00023056, abs=3e-8)
        assert dy == pytest.approx(1 / 1.00023056, abs=3e-8)

    def test_web_mercator_at_60_degrees_north_is_half(self):
        y = Transformer.from_crs(4326, 3857, always_xy=True).transform(10, 60)[1]
        dx, dy = ground_cell_size_m(Affine(1, 0, 1113194, 0, -1, y), CRS(3857), (3, 3))
        # cos φ · ν/a and cos φ · ρ/a of WGS 84 at φ = 60°.
        e2 = CRS(4326).ellipsoid.inverse_flattening
        e2 = (2 - 1 / e2) / e2
        w = np.sqrt(1 - e2 * 0.75)
        assert dx == pytest.approx(0.5 / w, rel=2e-6)
        assert dy == pytest.approx(0.5 * (1 - e2) / w**3, rel=2e-6)

    def test_longitude_latitude_rows_shrink_towards_the_pole(self):
        dx, dy = ground_cell_size_m(Affine(1, 0, 0, 0, -1, 80.5), CRS(4326), (81, 1))
        latitude = np.radians(80 - np.arange(81))
        e2 = 0.00669437999014
        w = np.sqrt(1 - e2 * np.sin(latitude) ** 2)
        arc = np.radians(1) * 6378137 * np.cos(latitude) / w
        assert (np.diff(dx) > 0).all() and (np.diff(dy) < 0).all()
        assert dx == pytest.approx(arc, rel=1e-4)  # the geodesic cuts the corner of the parallel
        assert dx[-1] == pytest.approx(111319.4908, abs=1e-3)

    def test_us_survey_feet(self):
        dx, dy = ground_cell_size_m(Affine(3, 0, 985000, 0, -3, 205000), CRS(2263), (4, 4))
        assert dx == pytest.approx(3 * 1200 / 3937, rel=2e-5)  # the zone's own scale is within 1.5e-5 here
        assert dx == pytest.approx(dy, rel=1e-6)

    def test_grads_are_not_taken_for_degrees(self):
        """NTF (Paris), EPSG:4807, counts in grads: 1 grad of the meridian is about 100 km."""
        _, dy = ground_cell_size_m(Affine(1, 0, 0, 0, -1, 50.5), CRS(4807), (1, 1))
        assert dy == pytest.approx(100_000, rel=2e-3)

    def test_agrees_with_geod_anywhere(self):
        geod = Geod(ellps="GRS80")
        to_degrees = Transformer.from_crs(25832, 4258, always_xy=True)
        dx, _ = ground_cell_size_m(Affine(0.5, 0, 300000, 0, -0.5, 6500000), UTM, (1, 2))
        ends = to_degrees.transform([300000, 301000], [6499999.75, 6499999.75])
        length = geod.inv(ends[0][0], ends[1][0], ends[0][1], ends[1][1])[2]
        assert dx[0] == pytest.approx(length / 2000, rel=1e-5)

    def test_off_the_earth_is_refused(self):
        with pytest.raises(RasterError, match="do not lie on the Earth"):
            ground_cell_size_m(Affine(1, 0, 0, 0, -1, 95), CRS(4326), (3, 3))
        with pytest.raises(RasterError, match="do not lie on the Earth"):
            ground_cell_size_m(Affine(1, 0, 1e9, 0, -1, 1e9), UTM, (3, 3))

    def test_not_an_earth_crs_is_refused(self):
        local = CRS('LOCAL_CS["site grid",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]')
        with pytest.raises(RasterError, match="not a CRS on the Earth"):
            ground_cell_size_m(Affine.scale(1, -1), local, (3, 3))


def hilly(x, y):
    """Height over places in metres: slopes of some 5 to 60 percent."""
    return 4 * np.sin(x / 9) + 3 * np.cos(y / 7 + x / 20) + 0.1 * x


@pytest.mark.parametrize(
    ("crs", "cell"),
    [(3857, (1.0, 1.0)), (4326, (9e-6, 4.5e-6)), (25834, (0.5, 0.5)), (25832, (0.5, 0.5)), (3035, (0.5, 0.5))],
)
def test_same_slope_from_every_crs_at_60_north(crs, cell):
    """Same ground, five grids: projected on and 3 to 9° off the meridian, Web Mercator, degrees, equal area."""
    site = MeasuringFrame.centred_on(shapely.Point(12.0, 60.0), CRS(4326))
    corner = site.coordinates_in(CRS(crs), [[-40.0, 40.0]])[0]
    grid = Grid(np.zeros((160, 160)), Affine(cell[0], 0, corner[0], 0, -cell[1], corner[1]), CRS(crs))
    x, y = (axis.ravel() for axis in np.meshgrid(*grid.cell_centres))
    place = site.coordinates_from(grid.crs, np.column_stack([x, y]))
    dem = grid.with_values(hilly(*place.T).reshape(grid.shape))
    slope = slope_percent(*slope_gradient_horn(dem.values, *dem.cell_size_m))[1:-1, 1:-1]

    step = 1e-4
    x, y = place.T
    east = (hilly(x + step, y) - hilly(x - step, y)) / (2 * step)
    north = (hilly(x, y + step) - hilly(x, y - step)) / (2 * step)
    expected = 100 * np.hypot(east, north).reshape(grid.shape)[1:-1, 1:-1]
    assert np.quantile(expected, 0.05) < 30 and 60 < expected.max() < 100
    # What a half-metre cell blurs on this ground; wrong cell sizes would be whole percents.
    assert np.abs(slope - expected).max() < 0.15


class TestValuesAt:
    def test_bilinear_surface_is_exact_between_centres(self):
        rows, cols = np.mgrid[0:30, 0:40]
        grid = utm_grid(2.0 + 0.3 * cols - 0.2 * rows + 0.01 * rows * cols)
        frame = frame_of(grid)
        random = np.random.default_rng(5)
        col, row = random.uniform(0, 39, 200), random.uniform(0, 29, 200)
        raster_xy = np.column_stack([691000 + (col + 0.5) * 0.5, 5334000 - (row + 0.5) * 0.5])
        expected = 2.0 + 0.3 * col - 0.2 * row + 0.01 * row * col
        found = values_at(grid, frame, frame.coordinates_from(UTM, raster_xy))
        assert found == pytest.approx(expected, abs=1e-6)

    def test_every_cell_centre_gives_its_cell(self):
        values = np.random.default_rng(1).normal(size=(7, 5))
        values[3, 2] = np.nan
        grid = utm_grid(values)
        frame = frame_of(grid)
        xy = np.column_stack([axis.ravel() for axis in np.meshgrid(*grid.cell_centres)])
        found = values_at(grid, frame, frame.coordinates_from(UTM, xy)).reshape(7, 5)
        # Also beside the cell without data, and on the outermost centres.
        assert np.array_equal(np.isnan(found), np.isnan(values))
        assert found[~np.isnan(found)] == pytest.approx(values[~np.isnan(values)], abs=1e-5)

    def test_outside_and_beside_no_data_is_nan(self):
        values = np.ones((5, 5))
        values[2, 2] = np.nan
        grid = utm_grid(values, cell=1.0)
        frame = frame_of(grid)
        raster_xy = [[691002.9, 5333998.1], [691000.2, 5333998.5], [691100, 5333998], [691001.2, 5333998.7]]
        found = values_at(grid, frame, frame.coordinates_from(UTM, raster_xy))
        assert np.isnan(found[:3]).all()
        assert found[3] == pytest.approx(1)

    @settings(max_examples=12, deadline=None)
    @given(st.integers(1, 4), st.integers(1, 4), st.integers(0, 99))
    def test_stays_between_the_extremes(self, rows, cols, seed):
        random = np.random.default_rng(seed)
        grid = utm_grid(random.normal(size=(rows, cols)))
        found = values_at(grid, SMALL_SITE, random.uniform(-2, 2, (50, 2)))
        found = found[~np.isnan(found)]
        assert (found >= grid.values.min() - 1e-12).all() and (found <= grid.values.max() + 1e-12).all()

    def test_no_points(self):
        grid = utm_grid(np.zeros((3, 3)))
        assert values_at(grid, frame_of(grid), np.empty((0, 2))).shape == (0,)


def test_grids_on_the_same_cells_are_read_together():
    random = np.random.default_rng(3)
    first = utm_grid(random.normal(size=(8, 9)))
    second = first.with_values(np.where(random.random((8, 9)) < 0.2, np.nan, 7.0))
    frame = frame_of(first)
    xy = random.uniform(-3, 3, (60, 2))
    together = layered_values_at([first, second], frame, xy)
    assert np.array_equal(together, [values_at(grid, frame, xy) for grid in (first, second)], equal_nan=True)
    assert np.isfinite(together[0]).sum() > np.isfinite(together[1]).sum() > 0
    with pytest.raises(RasterError, match="same cells"):
        layered_values_at([first, utm_grid(np.zeros((8, 9)), cell=1.0)], frame, xy)


@pytest.mark.parametrize("sign", [1, -1])
def test_cells_without_data_are_those_of_the_endless_grid_that_the_bounds_touch(sign):
    place = Affine(2, 0, 100, 0, sign, 50)
    grid = cells_without_data(place, UTM, (94.5, 47.2, 103, 49))
    assert grid.bounds == (94, 47, 104, 49) and grid.shape == (2, 5)
    assert np.isnan(grid.values).all()
    assert cells_without_data(place, UTM, (102, 50, 102, 50)).shape == (1, 1)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_widened_grid_keeps_its_values_in_their_places(sign):
    grid = Grid(np.arange(6.0).reshape(2, 3), Affine(2, 0, 100, 0, sign, 50), UTM)
    wide = widened(grid, (97, 46, 101, 55))
    assert wide.bounds[:2] == (96, 46) and wide.bounds[2:] == (106, 55)
    assert np.isfinite(wide.values).sum() == 6
    frame = frame_of(wide)
    assert np.array_equal(values_at(wide, frame, centres_in(grid, frame)), np.arange(6.0))
    assert widened(grid, grid.bounds).shape == grid.shape
