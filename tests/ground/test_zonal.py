import json

import exactextract
import numpy as np
import pytest
import shapely
from affine import Affine
from exactextract.raster import NumPyRasterSource
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground import zonal
from lawngis.ground.raster import Grid

UTM = CRS(25832)
SEEDS = st.integers(0, 10_000)


def random_grid(seed, shape=(24, 30), crs=UTM, cell=(0.5, 0.5), corner=(691000, 5334000)):
    values = np.random.default_rng(seed).gamma(2, 8, shape)
    return Grid(values, Affine(cell[0], 0, corner[0], 0, -cell[1], corner[1]), crs)


def frame_of(grid):
    return MeasuringFrame.centred_on(shapely.box(*grid.bounds), grid.crs)


def star(seed, radius=5.0, corners=17, middle=(0.0, 0.0)):
    """A garden-like polygon with a hole."""
    random = np.random.default_rng(seed)
    angle = np.sort(random.uniform(0, 2 * np.pi, corners))
    length = radius * random.uniform(0.4, 1.0, corners)
    outer = np.column_stack([length * np.cos(angle), length * np.sin(angle)]) + middle
    whole = shapely.make_valid(shapely.Polygon(outer))
    return whole.difference(shapely.Point(middle).buffer(radius / 6, quad_segs=4))


def in_raster_crs(polygon, grid, frame):
    return shapely.transform(polygon, lambda xy: frame.coordinates_in(grid.crs, xy))


def mean(grid, polygon, frame):
    return zonal.weighted_mean(*zonal.zonal_weights(grid, polygon, frame))


def by_exactextract(grid, polygon, operations):
    min_x, min_y, max_x, max_y = grid.bounds
    source = NumPyRasterSource(grid.values, min_x, min_y, max_x, max_y, nodata=np.nan)
    feature = {"type": "Feature", "properties": {}, "geometry": json.loads(shapely.to_geojson(polygon))}
    return exactextract.exact_extract(source, feature, operations)[0]["properties"]


@pytest.mark.parametrize(
    ("crs", "cell", "corner"),
    [
        (UTM, (0.5, 0.5), (691000, 5334000)),
        (CRS(4326), (8e-6, 5e-6), (11.57, 48.13)),
        (UTM, (0.3, 1.1), (691000, 5334000)),
    ],
)
@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_exactextract(seed, crs, cell, corner):
    """Coverage, mean, extremes and quantiles, with cells of no data and a polygon that leaves the raster."""
    grid = random_grid(seed, crs=crs, cell=cell, corner=corner)
    values = grid.values.copy()
    values[10:13, 8:19] = np.nan
    grid = grid.with_values(values)
    frame = frame_of(grid)
    polygon = star(seed, radius=7.5, middle=(1.0, -0.5))
    shares = [0.05, 0.25, 0.5, 0.95, 1.0]
    operations = ["count", "mean", "max", *(f"quantile(q={q})" for q in shares)]
    # exactextract names its columns quantile_5, quantile_25, …
    expected = by_exactextract(grid, in_raster_crs(polygon, grid, frame), operations)

    found, weights = zonal.zonal_weights(grid, polygon, frame)
    assert weights[np.isfinite(found)].sum() == pytest.approx(expected["count"], abs=2e-5)
    assert mean(grid, polygon, frame) == pytest.approx(expected["mean"], rel=1e-6)
    assert zonal.zonal_max(grid, polygon, frame) == pytest.approx(expected["max"])
    quantiles = zonal.zonal_quantiles(grid, polygon, frame, shares)
    # exactextract keeps coverage in single precision.
    assert quantiles == pytest.approx([expected[f"quantile_{round(100 * q)}"] for q in shares], rel=1e-4)


@settings(max_examples=12, deadline=None)
@given(seed=SEEDS)
def test_weights_are_areas_cut_cell_by_cell(seed):
    grid = random_grid(seed, shape=(20, 26))
    frame = frame_of(grid)
    polygon = star(seed, radius=7)
    cells = zonal.zonal_cells(grid, polygon, frame)
    row, col = np.indices(grid.shape)
    x, y = 691000 + 0.5 * col, 5334000 - 0.5 * row
    boxes = shapely.box(x, y - 0.5, x + 0.5, y)
    expected = shapely.area(shapely.intersection(boxes, in_raster_crs(polygon, grid, frame))) / 0.25
    found = np.zeros(grid.shape)
    found[cells.rows, cells.cols] = cells.weights
    assert found == pytest.approx(expected, abs=1e-6)
    assert (cells.weights > 0).all() and (cells.weights <= 1).all()


@settings(max_examples=12, deadline=None)
@given(seed=SEEDS)
def test_parts_add_up_to_the_whole(seed):
    grid = random_grid(seed)
    frame = frame_of(grid)
    polygon = star(seed)
    left = shapely.intersection(polygon, shapely.box(-50, -50, 0.13, 50))
    right = shapely.difference(polygon, shapely.box(-50, -50, 0.13, 50))

    def array_of(part):
        cells = zonal.zonal_cells(grid, part, frame)
        shares = np.zeros(grid.shape)
        shares[cells.rows, cells.cols] = cells.weights
        return shares

    whole = array_of(polygon)
    assert array_of(left) + array_of(right) == pytest.approx(whole, abs=1e-6)
    # The scale of UTM here is 1.00005 away from 1.
    assert whole.sum() * 0.25 == pytest.approx(polygon.area, rel=2e-4)


def test_many_cells_inside_have_weight_one():
    grid = random_grid(1, shape=(300, 300), cell=(0.1, 0.1))
    frame = frame_of(grid)
    cells = zonal.zonal_cells(grid, shapely.Point(0, 0).buffer(12, quad_segs=60), frame)
    x, y = grid.cell_centres
    middle = np.hypot(x[cells.cols] - 691015, y[cells.rows] - 5333985)
    assert (cells.weights[middle < 11.9] == 1).all()
    assert (cells.weights[middle > 12.05] < 0.5).all()


def test_polygon_within_one_cell():
    grid = random_grid(2, shape=(4, 4), cell=(10, 10))
    frame = frame_of(grid)
    polygon = shapely.box(3, 3, 4, 5)
    values, weights = zonal.zonal_weights(grid, polygon, frame)
    assert values.tolist() == [grid.values[1, 2]]
    assert weights == pytest.approx([0.02], rel=1e-3)


def test_nothing_in_common():
    grid = random_grid(3)
    frame = frame_of(grid)
    for polygon in (shapely.box(100, 100, 110, 110), shapely.Polygon()):
        values, weights = zonal.zonal_weights(grid, polygon, frame)
        assert len(values) == len(weights) == 0
        assert np.isnan(mean(grid, polygon, frame))
        assert np.isnan(zonal.zonal_max(grid, polygon, frame))
        assert np.isnan(zonal.zonal_quantiles(grid, polygon, frame, [0.5])).all()


def test_weights_add_up_to_the_ground_with_data():
    grid = random_grid(4, shape=(40, 40))
    values = grid.values.copy()
    values[:, 20:] = np.nan
    frame = frame_of(grid)
    half_unknown = grid.with_values(values)

    def known_m2(of, polygon):
        found, weights = zonal.zonal_weights(of, polygon, frame)
        return weights[np.isfinite(found)].sum() * np.prod(of.cell_size_m, axis=0).mean()

    assert known_m2(half_unknown, shapely.box(-5, -5, 5, 5)) == pytest.approx(50, rel=1e-3)
    assert known_m2(grid, shapely.box(-5, -5, 5, 5)) == pytest.approx(100, rel=1e-3)
    # 10 m square, of which a 5 m strip lies beyond the raster, which is turned a little against the frame.
    assert known_m2(grid, shapely.box(5, -5, 15, 5)) == pytest.approx(50, abs=0.1)


def test_south_up_raster_has_the_same_statistics():
    grid = random_grid(5, shape=(31, 20))
    flipped = Grid(grid.values[::-1], Affine(0.5, 0, 691000, 0, 0.5, 5334000 - 31 * 0.5), UTM)
    frame = frame_of(grid)
    polygon = star(5, radius=4)
    assert mean(flipped, polygon, frame) == pytest.approx(mean(grid, polygon, frame))


class TestWeightedQuantiles:
    @settings(max_examples=40, deadline=None)
    @given(st.lists(st.floats(-100, 100), min_size=1, max_size=30), st.floats(0, 1), st.floats(0.01, 5))
    def test_equal_weights_give_the_usual_quantile(self, values, share, weight):
        """Type 7 of Hyndman and Fan 1996, numpy's default."""
        found = zonal.weighted_quantiles(values, np.full(len(values), weight), share)
        assert float(found) == pytest.approx(float(np.quantile(values, share)), abs=1e-7)

    @settings(max_examples=40, deadline=None)
    @given(SEEDS, st.integers(1, 40))
    def test_laws(self, seed, count):
        random = np.random.default_rng(seed)
        values, weights = random.normal(size=count), random.uniform(0.01, 1, count)
        shares = np.linspace(0, 1, 9)
        found = zonal.weighted_quantiles(values, weights, shares)
        assert (np.diff(found) >= -1e-12).all()
        assert found[0] == values.min() and found[-1] == values.max()
        shuffle = random.permutation(count)
        assert zonal.weighted_quantiles(values[shuffle], weights[shuffle], shares) == pytest.approx(found)
        assert zonal.weighted_quantiles(values, 7 * weights, shares) == pytest.approx(found)
        assert zonal.weighted_quantiles(3 * values + 1, weights, shares) == pytest.approx(3 * found + 1)

    def test_heavy_value_draws_the_median_to_itself(self):
        assert zonal.weighted_quantiles([1, 2, 9], [0.1, 0.1, 10], 0.5) > 5

    def test_no_data_and_no_weight_do_not_count(self):
        values, weights = [1.0, np.nan, 3.0, 500.0], [1.0, 5.0, 1.0, 0.0]
        assert float(zonal.weighted_quantiles(values, weights, 0.5)) == 2
        assert zonal.weighted_mean(values, weights) == 2

    @pytest.mark.parametrize("share", [-0.1, 1.1, np.nan])
    def test_bad_share_is_named(self, share):
        with pytest.raises(ParameterError, match="between 0 and 1"):
            zonal.weighted_quantiles([1.0], [1.0], share)
