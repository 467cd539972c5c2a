"""Errors of data: what two edges share cancels in the distance between them; checked by drawing errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawngis.error_model import RasterError, VectorError, distance_sd_m
from lawngis.errors import ParameterError

PARTS = st.floats(0, 1)


def drawn_distances(one: VectorError, other: VectorError, *, same_feature: bool) -> np.ndarray:
    """Errors of 200,000 distances between two edges: on one datum the smaller survey shift is part of the larger."""
    rng = np.random.default_rng(5)
    errors = []
    shared = {name: rng.standard_normal((2, 200_000)) for name in ("survey_m", "feature_m")}
    for error in (one, other):
        total = error.vertex_m * rng.standard_normal(200_000)
        for name, alike in shared.items():
            least, own = min(getattr(one, name), getattr(other, name)), getattr(error, name)
            if name == "feature_m" and not same_feature:
                total += own * rng.standard_normal(200_000)
            else:
                total += least * alike[0] + np.sqrt(own**2 - least**2) * alike[1]
        errors.append(total)
    return errors[0] - errors[1]


@pytest.mark.parametrize("same_feature", [True, False])
@pytest.mark.parametrize(
    ("one", "other"),
    [
        (VectorError(0.3, 0.1, 0.05), VectorError(0.3, 0.1, 0.05)),
        (VectorError(0.3, 0.1, 0.05), VectorError(0.1, 0.2, 0.02)),
        (VectorError.of_total(0.2), VectorError.of_total(0.1)),
    ],
)
def test_distance_is_as_sure_as_drawn_errors_say(one, other, same_feature):
    drawn = drawn_distances(one, other, same_feature=same_feature)
    assert distance_sd_m(one, other, same_feature=same_feature) == pytest.approx(drawn.std(), rel=0.01)


@given(PARTS, PARTS, PARTS)
def test_a_shift_of_the_whole_survey_moves_no_distance(survey, feature, vertex):
    still, moved = VectorError(0, feature, vertex), VectorError(survey, feature, vertex)
    assert distance_sd_m(moved, moved) == pytest.approx(distance_sd_m(still, still))


@given(st.floats(0, 5), st.floats(0, 1))
def test_parts_of_a_total_are_the_total(total, share):
    assert VectorError.of_total(total, share * total).total_m == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: VectorError(-1, 0, 0),
        lambda: VectorError(0, float("nan"), 0),
        lambda: VectorError.of_total(0.1, 0.2),
        lambda: RasterError(-0.1, 1.0),
        lambda: RasterError(0.1, 0.0).correlation,
    ],
)
def test_what_is_no_length_is_refused(wrong):
    with pytest.raises(ParameterError, match=r"must be|as good as"):
        wrong()


def test_errors_of_a_grid_fall_to_one_in_e_over_their_length():
    for form in ("exponential", "gaussian"):
        alike = RasterError(0.1, 3.0, form).correlation(np.array([0.0, 3.0]))
        assert alike == pytest.approx([1.0, np.exp(-1)])
