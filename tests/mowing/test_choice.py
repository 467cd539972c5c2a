from dataclasses import replace

import pytest

from lawngis.mowing.choice import MowerOffer, ParcelDemand, ZoneDemand, cheapest, fleets, mower_fits, offered_hours

DAYTIME = {day: [(9.0, 19.0)] for day in range(6)}
LONGEST = {day: [(7.0, 20.0)] for day in range(6)}
SMALL = MowerOffer("small", 0.18, 0.30, 45, 45, 0.95, 2.0, 25, 0.7, 200, 500.0)
LARGE = MowerOffer("large", 0.42, 0.50, 150, 90, 0.95, 2.0, 45, 1.2, 1000, 2500.0)


def parcel(name, area_m2, *, steepest=5.0, passage_m=float("inf"), loop_m=100.0):
    return ParcelDemand(name, (ZoneDemand(area_m2, 4 * area_m2**0.5, 2.0, steepest),), passage_m, loop_m)


def fits(demands, offers=(SMALL, LARGE)):
    return mower_fits(demands, offers, wanted=DAYTIME, permitted=LONGEST)


def test_hours_worked_by_hand():
    """400 m², 80 m round, 2 %: two mowings of 400 x 2.9957 m² at 648 m²/h x 52.36 / 55.36 s on the straight, 1 % more
    for the slope, and 80 m of edge at 0.3 m/s... with 0.18 m x 0.3 m/s x 3600 s = 194.4 m²/h."""
    straight_s = 3.14159265 * 400 / 80 / 0.3
    rate = 0.18 * 0.3 * 3600 * straight_s / (straight_s + 3)
    by_hand = 2 * 400 * 2.995732 / rate * 1.01 + 80 / 0.3 / 3600
    assert offered_hours(parcel("a", 400.0), SMALL) == pytest.approx([by_hand], rel=1e-6)


def test_what_a_mower_lacks_is_said():
    steep, narrow = parcel("steep", 200, steepest=30), parcel("narrow", 200, passage_m=0.5)
    long, wide = parcel("long", 200, loop_m=300), parcel("wide", 5000)
    steep, narrow, long, wide = fits([steep, narrow, long, wide], [SMALL])
    assert "30 %" in steep.lacks[0] and "0.50 m" in narrow.lacks[0] and "300 m" in long.lacks[0]
    assert wide.word == "cannot" and "find no room in 78" in wide.lacks[0] and wide.missing_h > 0
    assert not any(fit.fits for fit in (steep, narrow, long, wide))
    assert all(fit.days is None for fit in (steep, narrow, long, wide))


def test_the_cheapest_that_fits_is_chosen():
    best = cheapest(fits([parcel("little", 200), parcel("steep", 200, steepest=40), parcel("cliff", 200, steepest=90)]))
    assert best["little"].mower == "small" and best["steep"].mower == "large" and best["cliff"] is None


def test_without_prices_the_one_that_mows_fastest_is_chosen():
    best = cheapest(fits([parcel("a", 200)], [replace(SMALL, price=None), replace(LARGE, price=None)]))
    assert best["a"].mower == "large"


def test_a_portfolio_shares_mowers_by_days():
    demands = [parcel(name, 200.0) for name in "abcdefg"]
    found = fits(demands)
    small, large = fleets(found, days_week=6)
    for fleet, price in ((small, 500.0), (large, 2500.0)):
        assert sorted(name for held in fleet.rounds for name in held) == list("abcdefg")
        assert fleet.amount == price * fleet.mowers
        for held in fleet.rounds:
            assert sum(fit.days for fit in found if fit.mower == fleet.mower and fit.parcel in held) <= 6
    assert large.mowers < small.mowers <= 7


def test_what_fits_none_is_left_unserved():
    (fleet,) = fleets(fits([parcel("ok", 100), parcel("steep", 100, steepest=60)], [SMALL]), days_week=6)
    assert fleet.unserved == ("steep",) and fleet.rounds == (("ok",),)
