import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point

from lawngis.errors import ParameterError
from lawngis.mowing.coverage import coverage, mowing_effort, start_shares, thin_places

WIDTH = 0.24
SQUARE = shapely.box(0, 0, 15, 15)
BELL = shapely.union_all([shapely.box(0, 0, 14, 12), shapely.box(14, 5.5, 22, 6.9), shapely.box(22, 0, 34, 12)])
"""Two lawns with a long neck between them: whoever starts in one seldom gets into the other."""


def effort(zone, **options):
    return mowing_effort(zone.area, **({"cutting_width_m": WIDTH, "passes": 3.0, "departure_max_m": 700.0} | options))


def test_an_effort_worked_by_hand():
    """225 m² swept 3 times with 0.24 m is 2812.5 m, in five departures of at most 700 m."""
    took = effort(SQUARE)
    assert (took.driven_m, took.departures, took.departure_m) == pytest.approx((2812.5, 5, 562.5))


def test_a_plain_lawn_needs_no_set_out_place_but_the_dock():
    mown = coverage(SQUARE, Point(0, 7), cutting_width_m=WIDTH, effort=effort(SQUARE), departures=45)
    assert [start.along_m for start in mown.starts] == [0.0]
    assert mown.share_mown == pytest.approx(0.94, abs=0.02)  # the law gives 0.950, the edges a little less
    assert mown.share_after(0.0) == 0.0
    assert np.all(np.diff(mown.share_after(np.linspace(0, 2812, 12))) >= 0)


def test_a_lawn_behind_a_neck_is_thin_until_the_mower_sets_out_there():
    mown = coverage(BELL, Point(0, 6), cutting_width_m=WIDTH, effort=effort(BELL), departures=45)
    far = mown.cells.xy[:, 0] > 22
    assert mown.entry_chance[far].mean() < mown.entry_chance[~far].mean() - 0.15
    assert len(mown.starts) > 1
    assert sum(start.share for start in mown.starts) == pytest.approx(1)
    assert any(start.place.x > 22 for start in mown.starts)
    assert mown.chance[far].mean() > mown.entry_chance[far].mean() + 0.1
    thin = thin_places(BELL, mown, cutting_width_m=WIDTH)
    assert thin[0].place.x > 14 and thin[0].remedy == "start" and thin[0].chance < 0.8
    assert [place.area_m2 for place in thin] == sorted((place.area_m2 for place in thin), reverse=True)


def test_what_the_mower_never_gets_to_is_mown_by_hand():
    """A corner lawn behind 10 cm of grass: narrower than the cut, so the middle of the mower stays out."""
    zone = shapely.union_all([SQUARE, shapely.box(15, 7, 16, 7.1), shapely.box(16, 6, 17.5, 8)])
    mown = coverage(zone, Point(0, 7), cutting_width_m=WIDTH, effort=effort(zone))
    beyond = mown.cells.xy[:, 0] > 16
    assert mown.entry_chance[beyond].max() < 0.1
    thin = [place for place in thin_places(zone, mown, cutting_width_m=WIDTH) if place.place.x > 15]
    assert thin[0].area_m2 == pytest.approx(3.0, abs=0.6)
    assert thin[0].remedy == "hand" and thin[0].start is None


def test_what_no_set_out_place_mends_is_mown_by_hand():
    """Nothing is reached as surely as that: the thin place is most of the lawn."""
    mown = coverage(SQUARE, Point(0, 7), cutting_width_m=WIDTH, effort=effort(SQUARE))
    thin = thin_places(SQUARE, mown, cutting_width_m=WIDTH, chance_min=0.999)
    assert thin[0].area_m2 > 100 and thin[0].remedy == "hand"


def test_a_zone_narrower_than_the_cut_has_no_coverage():
    lane = shapely.box(0, 0, 30, 0.2)
    assert coverage(lane, Point(0, 0), cutting_width_m=WIDTH, effort=effort(lane)) is None


def test_the_same_seed_gives_the_same_coverage():
    one, two = (coverage(SQUARE, Point(0, 7), cutting_width_m=WIDTH, effort=effort(SQUARE), seed=4) for _ in range(2))
    assert np.array_equal(one.chance, two.chance)


def test_two_halves_get_half_of_the_departures_each():
    missed = np.array([[0.4] * 50 + [1.0] * 50, [1.0] * 50 + [0.4] * 50])
    assert start_shares(missed, 6) == pytest.approx([0.5, 0.5], abs=0.01)


def test_starts_that_add_nothing_are_not_set():
    missed = np.full((3, 40), 0.5)
    assert start_shares(missed, 4).tolist() == [1.0, 0.0, 0.0]


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 12), st.integers(0, 1000), st.integers(1, 4))
def test_shares_are_never_worse_than_the_entry_alone_nor_than_any_single_start(departures, seed, starts):
    missed = np.random.default_rng(seed).uniform(0.05, 1.0, (starts, 60))
    shares = start_shares(missed, departures)
    assert shares.sum() == pytest.approx(1) and (shares >= 0).all()

    def mown(weights):
        return 1 - np.exp(departures * (weights @ np.log(missed))).mean()

    assert all(mown(shares) >= mown(single) - 0.016 for single in np.eye(starts))


@pytest.mark.parametrize(
    ("bad", "said"),
    [({"cutting_width_m": 0}, "a cut of 0 m"), ({"passes": 0}, "0 times"), ({"departure_max_m": -1}, "-1 m a charge")],
)
def test_impossible_mowings_are_refused(bad, said):
    with pytest.raises(ParameterError, match=said):
        effort(SQUARE, **bad)


def test_no_mowing_of_a_zone_without_area():
    with pytest.raises(ParameterError, match=r"no mowing of 0\.0 m²"):
        mowing_effort(0.0, cutting_width_m=WIDTH, passes=3, departure_max_m=700)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 12), st.integers(0, 1000))
def test_no_other_shares_mow_much_more(departures, seed):
    """Against every sharing in steps of a twentieth; what gains less than 0.015 is not worth setting."""
    missed = np.random.default_rng(seed).beta(1.0, 0.6, (3, 40))
    logs = np.log(np.clip(missed, 1e-9, 1.0))

    def mown(weights):
        return 1 - np.exp(departures * (weights @ logs)).mean()

    steps = np.arange(21) / 20
    best = max(mown(np.array([a, b, 1 - a - b])) for a in steps for b in steps if a + b <= 1 + 1e-9)
    assert mown(start_shares(missed, departures)) >= best - 0.02
