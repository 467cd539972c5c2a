"""Versions of data: fields of error as stated, terrain nearer the truth than its map, features that stay together."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon, box

from lawngis.error_model import RasterError, VectorError
from lawngis.realisations import COMMON_M, DrawnFeatures, error_field, expected_surface

CELL = (0.5, 0.5)


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


# --- grids -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["exponential", "gaussian"])
@pytest.mark.parametrize("cell_m", [(0.5, 0.5), (1.0, 0.5)])
def test_a_field_has_the_sd_and_the_correlation_that_is_stated(form, cell_m):
    error = RasterError(0.2, 2.0, form)
    fields = np.stack([error_field((40, 50), cell_m, error, rng(seed)) for seed in range(200)])
    assert fields.shape == (200, 40, 50)
    assert fields.std() == pytest.approx(0.2, rel=0.03)
    for lag in (1, 2, 4):
        across = (fields[:, :, lag:] * fields[:, :, :-lag]).mean() / 0.04
        down = (fields[:, lag:] * fields[:, :-lag]).mean() / 0.04
        assert across == pytest.approx(float(error.correlation(np.array(lag * cell_m[0]))), abs=0.05)
        assert down == pytest.approx(float(error.correlation(np.array(lag * cell_m[1]))), abs=0.05)
    ends = (fields[:, :, 0] * fields[:, :, -1]).mean() / 0.04
    assert abs(ends) < 0.12  # opposite edges aren't alike


def hills(x, y):
    return 100 + 0.04 * x + 0.6 * np.sin(x / 6) + 0.5 * np.cos(y / 8)


def bank(x, y):
    return 100 + 0.3 * np.clip(y - 15, 0, 4)


def wall(x, y):
    return 100 + 0.02 * x + 1.5 * (x > 17)


def plane(x, y):
    return 100 + 0.2 * x - 0.1 * y


@pytest.mark.parametrize("truth", [hills, bank, wall, plane], ids=lambda one: one.__name__)
@pytest.mark.parametrize(("sd_m", "correlation_m", "most"), [(0.05, 0.5, 0.95), (0.1, 1.0, 0.95), (0.15, 2.0, 0.98)])
def test_smoothed_terrain_is_nearer_the_truth_than_its_map(truth, sd_m, correlation_m, most):
    row, col = np.indices((70, 80))
    z = truth(0.5 * col, 0.5 * row)
    error = RasterError(sd_m, correlation_m)
    before, after = [], []
    for seed in range(8):
        noisy = z + error_field(z.shape, CELL, error, rng(seed))
        smooth = expected_surface(noisy, CELL, error)
        before.append(np.square(noisy - z - (noisy - z).mean()).mean())
        after.append(np.square(smooth - z - (smooth - z).mean()).mean())
    assert np.sqrt(np.mean(after)) < most * np.sqrt(np.mean(before))


def test_terrain_without_the_errors_that_are_stated_is_left_as_it_is():
    row, col = np.indices((70, 80))
    for truth in (hills, bank, plane):
        z = truth(0.5 * col, 0.5 * row)
        assert np.abs(expected_surface(z, CELL, RasterError(0.1, 1.0)) - z).max() < 0.02
    z = wall(0.5 * col, 0.5 * row)  # a step has a share in every frequency
    assert np.abs(expected_surface(z, CELL, RasterError(0.1, 1.0)) - z).max() < 0.15


def test_what_a_grid_does_not_tell_stays_untold():
    z = np.random.default_rng(3).normal(100, 0.1, (30, 30))
    z[:5, 7:] = np.nan
    smooth = expected_surface(z, CELL, RasterError(0.1, 1.0))
    assert (np.isnan(smooth) == np.isnan(z)).all()
    nothing = np.full((30, 30), np.nan)
    assert np.isnan(expected_surface(nothing, CELL, RasterError(0.1, 1.0))).all()
    assert (expected_surface(z[6:], CELL, RasterError(0.0, 1.0)) == z[6:]).all()


# --- drawn features --------------------------------------------------------------------------------------


def moved(shapes, errors, draws=400):
    features = DrawnFeatures(shapes, errors)
    return [features.moved(rng(seed)) for seed in range(draws)]


def test_a_corner_is_off_by_all_three_parts_and_two_features_share_that_of_the_survey():
    error = VectorError(0.3, 0.2, 0.1)
    draws = moved([box(0, 0, 8, 6), Point(20, 20)], [error, error], 2000)
    corner = np.array([shapely.get_coordinates(one)[0] for one, _ in draws])
    point = np.array([shapely.get_coordinates(other)[0] for _, other in draws])
    assert corner.std(axis=0) == pytest.approx([error.total_m] * 2, rel=0.05)
    assert (corner - point).std(axis=0) == pytest.approx([np.hypot(0.2, 0.1) * np.sqrt(2)] * 2, rel=0.05)


def test_within_a_feature_only_corners_are_off_from_one_another():
    draws = moved([box(0, 0, 8, 6)], [VectorError(0.3, 0.2, 0.1)], 2000)
    coordinates = np.array([shapely.get_coordinates(shape) for (shape,) in draws])
    assert (coordinates[:, 0] == coordinates[:, -1]).all()
    across = coordinates[:, 0] - coordinates[:, 2]
    assert across.std(axis=0) == pytest.approx([0.1 * np.sqrt(2)] * 2, rel=0.05)


def test_area_and_outline_of_a_rectangle_spread_as_arithmetic_says():
    """Var A of independent corners is s² / 4 times the sum of squares of the lines between their neighbours."""
    draws = moved([box(0, 0, 20, 10)], [VectorError(0.1, 0.08, 0.06)], 3000)
    area_sd = 0.06 / 2 * np.sqrt(4 * (20**2 + 10**2))
    assert np.std([shape.area for (shape,) in draws]) == pytest.approx(area_sd, rel=0.04)
    assert np.std([shape.length for (shape,) in draws]) == pytest.approx(0.06 * np.sqrt(8), rel=0.04)


def test_features_that_meet_stay_together():
    """House, terrace against its wall (corners inside the wall's edge), lawn with edges of both, a fence."""
    house, terrace = box(0, 0, 10, 8), box(2, 8, 7, 11)
    lawn = box(-5, -5, 20, 25).difference(house).difference(terrace)
    fence = LineString([(-5, 25), (20, 25)])
    exact, rough = VectorError(0, 0.04, 0.03), VectorError(0.05, 0.16, 0.12)
    for house_, terrace_, lawn_, fence_ in moved([house, terrace, lawn, fence], [exact, rough, rough, rough], 100):
        assert house_.intersection(terrace_).area < 1e-9
        assert house_.distance(terrace_) < 1e-9
        assert lawn_.intersection(shapely.union_all([house_, terrace_])).area < 1e-9
        whole = shapely.union_all([house_, terrace_, lawn_])
        assert isinstance(whole, Polygon) and not whole.buffer(1e-9).interiors  # no sliver between them
        assert fence_.hausdorff_distance(lawn_.boundary.intersection(fence_.buffer(1e-6))) < 1e-5
        assert all(shape.is_valid for shape in (house_, terrace_, lawn_))


def test_the_corners_of_the_more_exact_feature_bend_the_edge_that_they_lie_on():
    terrace, lawn = box(4, -3, 8, 0), box(0, 0, 20, 10)
    for terrace_, lawn_ in moved([terrace, lawn], [VectorError(0, 0.05, 0.05), VectorError(0, 0.2, 0.2)], 50):
        assert lawn_.intersection(terrace_).area < 1e-9
        assert shapely.union(lawn_, terrace_).buffer(1e-9).geom_type == "Polygon"
        assert lawn_.boundary.intersection(terrace_.boundary.buffer(1e-7)).length > 3


def test_ground_that_crosses_itself_is_repaired():
    strips = [shape for (shape,) in moved([box(0, 0, 10, 0.5)], [VectorError(0, 0, 0.4)], 50)]
    assert all(shape.is_valid and shape.area > 0 for shape in strips)


def test_features_apart_move_apart():
    error = VectorError(0, 0.1, 0.0)
    draws = moved([box(0, 0, 4, 4), box(4 + 2 * COMMON_M, 0, 9, 4)], [error, error], 2000)
    gap = [other.bounds[0] - one.bounds[2] for one, other in draws]
    assert np.std(gap) == pytest.approx(0.1 * np.sqrt(2), rel=0.05)


def test_a_round_outline_stays_round():
    """Its many corners aren't off one by one: neighbours that lie nearer than the outline turns go together."""
    for (shape,) in moved([Point(0, 0).buffer(3, 64)], [VectorError.of_total(0.2)], 50):
        assert shape.is_valid and shape.length < 1.08 * 2 * np.pi * 3


def test_all_types_come_back_valid_and_as_they_were_without_error():
    shapes = [
        MultiPolygon([box(0, 0, 1, 1), box(3, 0, 3.3, 0.2)]),
        box(5, 0, 9, 4).difference(box(6, 1, 7, 2)),
        LineString([(0, 5), (4, 5), (4, 9)]),
        Point(2, 2),
        Polygon(),
    ]
    for found in moved(shapes, [VectorError.of_total(0.5)] * 5, 50):
        assert all(shape.is_valid for shape in found)
        assert [shape.is_empty for shape in found] == [shape.is_empty for shape in shapes]
    for found in moved(shapes, [VectorError(0, 0, 0)] * 5, 1):
        assert all(one.equals(other) for one, other in zip(found, shapes, strict=True))
    assert DrawnFeatures([], []).moved(rng()) == []
