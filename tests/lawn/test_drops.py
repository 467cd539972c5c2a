"""The setback above ground that falls away."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.lawn.drops import drop_setback_m

LENGTH = st.floats(0, 2)


@pytest.mark.parametrize(
    ("least_m", "fall_m", "edge_sd_m", "setback_m"),
    [
        (0.60, 0.0, 0.0, 0.60),
        (0.60, 0.5, 0.0, 0.60),
        (0.60, 0.9, 0.0, 0.64),  # 0.60 + 0.1 x 0.4
        (0.60, 3.0, 0.0, 0.85),  # 0.60 + 0.1 x 2.5
        (0.60, 12.0, 0.0, 0.85),  # deeper is no worse
        (0.60, None, 0.0, 0.85),  # unknown counts as that
        (0.60, 0.5, 0.10, 0.77),  # 0.60 + 1.645 x 0.10 = 0.7645
        (0.35, 0.9, 0.30, 0.89),  # 0.35 + 0.04 + 0.4935 = 0.8835
    ],
)
def test_by_hand(least_m, fall_m, edge_sd_m, setback_m):
    assert drop_setback_m(least_m, fall_m=fall_m, edge_sd_m=edge_sd_m) == setback_m


@given(LENGTH, st.floats(0, 20), LENGTH, st.floats(0, 5))
def test_never_less_than_the_profile_asks_and_never_less_for_a_deeper_or_less_sure_one(least_m, fall_m, sd_m, more_m):
    setback_m = drop_setback_m(least_m, fall_m=fall_m, edge_sd_m=sd_m)
    assert setback_m >= least_m - 1e-9
    assert drop_setback_m(least_m, fall_m=fall_m + more_m, edge_sd_m=sd_m) >= setback_m
    assert drop_setback_m(least_m, fall_m=fall_m, edge_sd_m=sd_m + more_m) >= setback_m
    assert drop_setback_m(least_m, fall_m=None, edge_sd_m=sd_m) >= setback_m


@pytest.mark.parametrize("bad", [-0.1, float("nan"), float("inf")])
@pytest.mark.parametrize("name", ["least_m", "fall_m", "edge_sd_m"])
def test_what_is_no_length_is_refused(name, bad):
    values = {"least_m": 0.6, "fall_m": 1.0, "edge_sd_m": 0.1, name: bad}
    with pytest.raises(ParameterError, match=f"^{name} must be a length"):
        drop_setback_m(values.pop("least_m"), **values)
