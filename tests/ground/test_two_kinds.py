"""Two kinds of ground in one histogram."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from lawngis.errors import ParameterError
from lawngis.ground.two_kinds import TwoKinds, two_kinds

CENTRES = (np.arange(256) + 0.5) / 128 - 1


def counted(*kinds: tuple[float, float, float]) -> np.ndarray:
    """Return the histogram that kinds give exactly; of each its share, mean and standard deviation."""
    edges = np.linspace(-1, 1, 257)
    return sum(1e6 * share * np.diff(norm.cdf(edges, mean, sd)) for share, mean, sd in kinds)


def test_kinds_are_found_as_they_were_made():
    (found,) = two_kinds(counted((0.7, -0.02, 0.03), (0.3, 0.2, 0.05)), CENTRES)
    assert found.share == pytest.approx(0.3, abs=0.005)
    assert found.means == pytest.approx((-0.02, 0.2), abs=0.003)
    assert found.sds == pytest.approx((0.03, 0.05), abs=0.003)
    assert found.clear and found.separation == pytest.approx(np.sqrt(2) * 0.22 / np.hypot(0.03, 0.05), rel=0.05)


def test_the_crossing_has_the_least_error():
    kinds = TwoKinds(0.2, (0.0, 0.12), (0.03, 0.04))

    def error(at: float) -> float:
        return 0.8 * norm.sf(at, 0.0, 0.03) + 0.2 * norm.cdf(at, 0.12, 0.04)

    assert kinds.overlap == pytest.approx(error(kinds.crossing))
    assert error(kinds.crossing) <= min(error(at) for at in np.linspace(0, 0.12, 200)) + 1e-9
    assert kinds.chance_of_upper(kinds.crossing) == pytest.approx(0.5, abs=1e-3)


def test_like_kinds_cross_in_the_middle():
    assert TwoKinds(0.5, (-0.1, 0.3), (0.05, 0.05)).crossing == pytest.approx(0.1, abs=1e-3)


def test_one_kind_is_not_two():
    (one,) = two_kinds(counted((1.0, 0.05, 0.04)), CENTRES)
    (flat,) = two_kinds(np.ones(256), CENTRES)
    (constant,) = two_kinds((CENTRES[130] == CENTRES).astype(float), CENTRES)
    assert not one.clear and not flat.clear and not constant.clear


def test_nothing_gets_surer_beyond_a_mean_nor_where_the_place_is_in_doubt():
    kinds = TwoKinds(0.5, (0.0, 0.2), (0.08, 0.02))
    chance = kinds.chance_of_upper(np.linspace(-1, 1, 400))
    assert (np.diff(chance) >= 0).all()  # the wider kind's tail overtakes nothing
    assert kinds.chance_of_upper(1.0) == kinds.chance_of_upper(0.2)
    wider = TwoKinds(0.5, (0.0, 0.2), (np.hypot(0.08, 0.05), np.hypot(0.02, 0.05)))
    some = np.linspace(0, 0.2, 21)
    assert kinds.chance_of_upper(some, sd=0.05) == pytest.approx(wider.chance_of_upper(some))


def test_histograms_do_not_see_each_other():
    some = [counted((0.5, 0.0, 0.02), (0.5, 0.3, 0.05)), counted((0.9, -0.3, 0.1), (0.1, 0.4, 0.05))]
    together, alone = two_kinds(some, CENTRES), [two_kinds(one, CENTRES)[0] for one in some]
    assert [kinds.crossing for kinds in together] == pytest.approx([kinds.crossing for kinds in alone])
    assert [kinds.share for kinds in together] == pytest.approx([kinds.share for kinds in alone])


def test_nothing_counted_is_refused():
    with pytest.raises(ParameterError, match="no data"):
        two_kinds(np.zeros(256), CENTRES)
