from dataclasses import replace

import pytest

from lawngis.mowing.capacity import area_rate_m2_h
from lawngis.mowing.choice import MowerOffer, ParcelDemand, ZoneDemand, cheapest, mower_fits, offered_hours

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


def test_cost_by_year_decides_not_the_price_at_once():
    """1200 kept 4 years with 100 a year: 400; 2000 kept 10 years with 90: 290."""
    short = replace(SMALL, price=1200.0, kept_years=4, upkeep_year=100.0)
    long = replace(LARGE, price=2000.0, kept_years=10, upkeep_year=90.0)
    assert short.price_year == pytest.approx(400) and long.price_year == pytest.approx(290)
    assert cheapest(fits([parcel("a", 200)], [short, long]))["a"].mower == "large"
    assert SMALL.price_year == SMALL.price and replace(SMALL, price=None).price_year is None


def test_a_mower_carried_to_a_zone_without_a_dock_must_mow_it_on_one_charge():
    """45 min of 0.18 m x 0.3 m/s cut 194.4 m² x 0.75 x 8/9 of ground anew, of which 95 % is mown of 1/2.996 as much."""
    rate = float(area_rate_m2_h(0.18, 0.30))
    one_charge = rate * 0.75 / 2.995732
    assert 30 < one_charge < 60

    def zone(area_m2, **more):
        return ParcelDemand("a", (ZoneDemand(area_m2, 20, 2, 5, **more),), float("inf"), 50)

    demands = [zone(one_charge - 1, without_dock=True), zone(one_charge + 1, without_dock=True), zone(one_charge + 1)]
    held, over, docked = fits(demands, [SMALL])
    assert held.fits and docked.fits
    assert over.limits == ("charge",) and f"{one_charge:.0f} m² of {one_charge + 1:.0f} m²" in over.lacks[0]


def test_a_way_to_a_zone_takes_time_and_may_take_a_charge():
    """45 min at 0.3 m/s are 810 m; a way of 100 m there and back, twice for each of n departures, takes n x 667 s."""

    def zone(access_m):
        return ParcelDemand("a", (ZoneDemand(200, 60, 2, 5, access_m=access_m),), float("inf"), 50)

    near = offered_hours(zone(0), SMALL)[0]
    edge = 60 / 0.3 / 3600
    departures = -(-(near - edge) * 60 // 45)
    assert offered_hours(zone(100), SMALL)[0] == pytest.approx(near + departures * 200 / 0.3 / 3600)
    inside, beyond = fits([zone(404), zone(406)], [SMALL])
    assert "charge" not in inside.limits
    assert "charge" in beyond.limits and "406 m there and back" in " ".join(beyond.lacks)


def test_ground_beyond_the_signal_is_said():
    far = ParcelDemand("a", (ZoneDemand(200, 60, 2, 5, farthest_m=12.0),), float("inf"), 50)
    deaf, hears = fits([far], [replace(SMALL, signal_reach_max_m=10.0), replace(SMALL, signal_reach_max_m=12.0)])
    assert deaf.limits == ("signal",) and "12.0 m" in deaf.lacks[0]
    assert hears.fits


def test_limits_and_words_go_together():
    (fit,) = fits([parcel("bad", 5000, steepest=30, passage_m=0.5, loop_m=300)], [SMALL])
    assert fit.limits == ("slope", "passage", "loop", "hours")
    assert len(fit.lacks) == len(fit.limits)
    assert fit.days is None and fit.mowing_h > 78
