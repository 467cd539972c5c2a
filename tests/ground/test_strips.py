"""The quick slope of strips against the plain functions, which are its oracle."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import RasterError
from lawngis.ground import strips, terrain

METHODS = pytest.mark.parametrize("author", ["horn", "zevenbergen_thorne"])


def rough(rows, cols, seed, height=300.0):
    random = np.random.default_rng(seed)
    return height + random.normal(0, 0.5, (rows, cols)).cumsum(axis=1)


@METHODS
@pytest.mark.parametrize("unit", ["percent", "deg"])
@given(rows=st.integers(3, 40), cols=st.integers(1, 40), seed=st.integers(0, 99), holes=st.integers(0, 5))
@settings(max_examples=25, deadline=None)
def test_same_as_the_plain_function(author, unit, rows, cols, seed, holes):
    z = rough(rows, cols, seed)
    random = np.random.default_rng(seed + 1000)
    z[random.integers(0, rows, holes), random.integers(0, cols, holes)] = np.nan
    dx, dy = random.uniform(0.5, 2, (2, rows))
    rise = np.hypot(*getattr(terrain, f"slope_gradient_{author}")(z, dx, dy))[1:-1]
    expected = np.degrees(np.arctan(rise)) if unit == "deg" else 100 * rise
    found = getattr(strips, f"strip_slope_{author}")(z, 1 / dx[1:-1], 1 / dy[1:-1], degrees=unit == "deg")
    assert np.array_equal(np.isnan(found), np.isnan(expected))
    assert np.nanmax(np.abs(found - expected), initial=0) < 1e-9


@METHODS
def test_groups_of_rows_fit_together(author, monkeypatch):
    z = rough(50, 30, 1)
    method = getattr(strips, f"strip_slope_{author}")
    whole = method(z, 1.0, 1.0)
    monkeypatch.setattr(strips, "CACHED_CELLS", 100)
    assert np.array_equal(method(z, 1.0, 1.0), whole, equal_nan=True)


@METHODS
def test_single_precision_loses_nothing_that_counts(author):
    """At 3000 m, with elevations that single precision holds, cells of 0.5 m: 1e-4 percent."""
    z = rough(200, 200, 2, height=3000.0).astype(np.float32)
    method = getattr(strips, f"strip_slope_{author}")
    found = method(z, 2.0, 2.0)
    assert found.dtype == np.float32
    assert np.nanmax(np.abs(found / method(z.astype(np.float64), 2.0, 2.0) - 1)) < 1e-5


@given(rows=st.integers(1, 9), cols=st.integers(1, 9), seed=st.integers(0, 99))
@settings(max_examples=50, deadline=None)
def test_halved_is_the_mean_of_what_has_data(rows, cols, seed):
    random = np.random.default_rng(seed)
    values = np.where(random.random((rows, cols)) < 0.3, np.nan, random.normal(size=(rows, cols)))
    found = strips.halved(values)
    assert found.shape == (-(-rows // 2), -(-cols // 2))
    for row, col in np.ndindex(found.shape):
        block = values[2 * row : 2 * row + 2, 2 * col : 2 * col + 2]
        known = block[~np.isnan(block)]
        assert found[row, col] == pytest.approx(known.mean() if len(known) else np.nan, nan_ok=True)


@pytest.mark.parametrize("z", [np.zeros((2, 5)), np.zeros((4, 4), int), np.zeros(9)])
def test_what_is_no_strip(z):
    with pytest.raises(RasterError, match="three rows"):
        strips.strip_slope_horn(z, 1, 1)
