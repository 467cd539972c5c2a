from dataclasses import replace
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.mowing.capacity import zone_mowing_hours
from lawngis.mowing.choice import (
    SAME_GROUND_SHARE,
    MowerOffer,
    MowerPlan,
    ParcelDemand,
    Shortfall,
    ZoneDemand,
    cheapest,
    least_costly,
    mower_fit,
    mower_fits,
    offered_hours,
)
from lawngis.mowing.week import permitted_hours_week

DAYTIME = {day: [(9.0, 19.0)] for day in range(6)}
LONGEST = {day: [(7.0, 20.0)] for day in range(6)}
SMALL = MowerOffer("small", 0.18, 0.30, 45, 45, 0.95, 2.0, 25, 0.7, 200, 500.0)
LARGE = MowerOffer("large", 0.42, 0.50, 150, 90, 0.95, 2.0, 45, 1.2, 1000, 2500.0)


def parcel(name, area_m2, *, steepest=5.0, passage_m=float("inf"), loop_m=100.0):
    return ParcelDemand(name, (ZoneDemand(area_m2, 4 * area_m2**0.5, 2.0, steepest),), passage_m, loop_m)


def fits(demands, offers=(SMALL, LARGE)):
    return mower_fits(demands, offers, wanted=DAYTIME, permitted=LONGEST)


def test_hours_worked_by_hand():
    """400 m², 80 m round, 2 %: two mowings of 400 x 3.2802 m² at 194.4 m²/h, that is 0.18 m x 0.3 m/s x 3600 s, for
    52.36 of 55.36 s on the straight, 1 % more for the slope, and 80 m of edge at 0.3 m/s; for
    u = 0.046 + 0.38 x 0.18 x 80 / 400, the effort (20^u - 1) / u is 3.2802."""
    straight_s = 3.14159265 * 400 / 80 / 0.3
    rate = 0.18 * 0.3 * 3600 * straight_s / (straight_s + 3)
    by_hand = 2 * 400 * 3.2802 / rate * 1.01 + 80 / 0.3 / 3600
    assert offered_hours(parcel("a", 400.0), SMALL) == pytest.approx([by_hand], rel=1e-4)


def test_grass_that_grows_faster_is_mown_more_often():
    once, edge = (
        float(zone_mowing_hours(400, 80, cutting_width_m=0.18, speed_mps=0.3, slope_percent=2)),
        80 / 0.3 / 3600,
    )
    hours = [offered_hours(parcel("a", 400.0), SMALL, grass_mowings_week=often)[0] for often in (0, 1.5, 3)]
    assert hours == pytest.approx([2 * once + edge, 2 * once + edge, 3 * once + edge])


def test_what_a_mower_lacks_is_told_by_code_and_numbers():
    steep, narrow = parcel("steep", 200, steepest=30), parcel("narrow", 200, passage_m=0.5)
    long, wide = parcel("long", 200, loop_m=300), parcel("wide", 5000)
    steep, narrow, long, wide = fits([steep, narrow, long, wide], [SMALL])
    assert steep.shortfalls == (Shortfall("slope", 30, 25),)
    assert narrow.shortfalls == (Shortfall("passage", 0.5, 0.7),)
    assert long.shortfalls == (Shortfall("loop", 300, 200),)
    (hours,) = wide.shortfalls
    assert wide.word == "cannot" and hours.code == "hours" and hours.asked == wide.mowing_h > hours.limit > 0
    assert hours.asked - hours.limit == pytest.approx(wide.missing_h)
    assert not any(fit.fits for fit in (steep, narrow, long, wide))
    assert all(fit.days is None for fit in (steep, narrow, long, wide))


def test_a_supply_cable_that_is_too_long_is_told():
    lawn = replace(parcel("a", 200), cable_m=12.0)
    short, long, unknown = fits(
        [lawn], [replace(SMALL, supply_cable_max_m=10.0), replace(SMALL, supply_cable_max_m=12.0), SMALL]
    )
    assert short.shortfalls == (Shortfall("cable", 12.0, 10.0),)
    assert long.fits and unknown.fits


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
    """A level zone takes as many hours as a run lasts, 45 min, when it is just as large as one charge mows."""

    def zone(area_m2, **more):
        return ParcelDemand("a", (ZoneDemand(area_m2, 4 * area_m2**0.5, 0, 5, **more),), inf, 50)

    def minutes(area_m2):
        return 60 * float(zone_mowing_hours(area_m2, 4 * area_m2**0.5, cutting_width_m=0.18, speed_mps=0.3))

    assert minutes(35) < 45 < minutes(36)
    held, over, docked = fits([zone(35, without_dock=True), zone(36, without_dock=True), zone(36)], [SMALL])
    assert held.fits and docked.fits
    (charge,) = over.shortfalls
    assert (charge.code, charge.asked) == ("charge", 36) and 35 < charge.limit < 36


def test_a_way_to_a_zone_takes_time_and_may_take_a_charge():
    """45 min at 0.3 m/s are 810 m; a way of 100 m there and back, twice for each of n departures, takes n x 667 s."""

    def zone(access_m):
        return ParcelDemand("a", (ZoneDemand(200, 60, 2, 5, access_m=access_m),), float("inf"), 50)

    near = offered_hours(zone(0), SMALL)[0]
    edge = 60 / 0.3 / 3600
    departures = -(-(near - edge) * 60 // 45)
    assert offered_hours(zone(100), SMALL)[0] == pytest.approx(near + departures * 200 / 0.3 / 3600)
    inside, beyond = fits([zone(404), zone(406)], [SMALL])
    assert "way" not in inside.limits
    assert Shortfall("way", 812, 810) in beyond.shortfalls


def test_ground_beyond_the_signal_is_said():
    far = ParcelDemand("a", (ZoneDemand(200, 60, 2, 5, farthest_m=12.0),), float("inf"), 50)
    deaf, hears = fits([far], [replace(SMALL, signal_reach_max_m=10.0), replace(SMALL, signal_reach_max_m=12.0)])
    assert deaf.shortfalls == (Shortfall("signal", 12.0, 10.0),)
    assert hears.fits


def test_all_that_a_mower_lacks_is_told():
    (fit,) = fits([parcel("bad", 5000, steepest=30, passage_m=0.5, loop_m=300)], [SMALL])
    assert fit.limits == ("slope", "passage", "loop", "hours")
    assert fit.days is None and fit.mowing_h > 78


def test_the_largest_lawn_is_the_one_that_takes_all_hours():
    """78 h hold 39 h of mowing with as long charges; a lawn that needs half of that may be twice as large."""
    (fit,) = fits([parcel("a", 400)], [SMALL])
    assert fit.largest_m2 == pytest.approx(400 * 39 / fit.mowing_h)
    assert fits([parcel("a", 400)], [SMALL])[0].largest_m2 > 400 and fit.fits


ZONES = st.builds(
    ZoneDemand,
    area_m2=st.floats(1, 20_000),
    perimeter_m=st.floats(4, 2000),
    slope_percent=st.floats(0, 30),
    steepest_percent=st.floats(0, 60),
    access_m=st.floats(0, 500),
    farthest_m=st.floats(0, 30),
    without_dock=st.booleans(),
)
DEMANDS = st.builds(
    ParcelDemand,
    st.just("any"),
    st.lists(ZONES, min_size=1, max_size=4).map(tuple),
    passage_m=st.floats(0.3, 3) | st.just(inf),
    loop_m=st.floats(10, 1200),
    cable_m=st.floats(0, 30),
)
OFFERS = st.sampled_from(
    [
        replace(offer, signal_reach_max_m=10.0, supply_cable_max_m=cable)
        for offer in (SMALL, LARGE)
        for cable in (10.0, inf)
    ]
)
WEEKS = st.dictionaries(st.integers(0, 6), st.just([(0.0, 24.0)]) | st.just([(9.0, 12.0), (14.0, 19.0)]))


@settings(max_examples=150, deadline=None)
@given(DEMANDS, OFFERS, WEEKS, st.floats(0, 7))
def test_no_mower_fits_that_lacks_something_and_no_week_holds_more_than_its_hours(demand, offer, permitted, often):
    fit = mower_fit(demand, offer, wanted=DAYTIME, permitted=permitted, grass_mowings_week=often)
    room = permitted_hours_week(permitted)
    assert room <= 168
    charging = fit.mowing_h * offer.charge_minutes / offer.run_minutes
    if fit.fits:
        assert fit.mowing_h <= room + len(demand.zones) / 60
        # The charges after the last run of each session may fall into quiet hours, but not out of the week.
        assert fit.mowing_h + charging <= 168 + 7 * 4 * offer.charge_minutes / 60
        assert fit.missing_h == 0
    assert sum(session.mowing_h + session.charging_h for session in fit.week.sessions) <= room + 1e-9
    assert ("hours" in fit.limits) == (fit.word == "cannot") == (fit.missing_h > 0)
    asked = {
        "slope": max(zone.steepest_percent for zone in demand.zones) > offer.slope_limit_percent,
        "passage": demand.passage_m < offer.passage_transit_min_m,
        "loop": demand.loop_m > offer.loop_length_max_m,
        "signal": max(zone.farthest_m for zone in demand.zones) > offer.signal_reach_max_m,
        "cable": demand.cable_m > offer.supply_cable_max_m,
    }
    assert {code for code, lacks in asked.items() if lacks} == set(fit.limits) & set(asked)
    for shortfall in fit.shortfalls:
        short = shortfall.asked < shortfall.limit if shortfall.code == "passage" else shortfall.asked >= shortfall.limit
        assert short, shortfall


@pytest.mark.parametrize("area_m2", [11_000.0, 50_000.0])
def test_244_hours_a_week_are_never_possible(area_m2):
    """Whatever the rules permit, a week has 168 hours: at night, on Sundays, without a single charge."""
    always = {day: [(0.0, 24.0)] for day in range(7)}
    tireless = replace(LARGE, charge_minutes=0.0, cutting_width_m=0.2)
    fit = mower_fit(parcel("estate", area_m2), tireless, wanted=always, permitted=always)
    assert fit.mowing_h > 168
    assert fit.limits == ("hours",) and fit.word == "cannot" and fit.days is None
    assert fit.mowing_h - fit.missing_h <= 168


# --- the least costly of plans ---------------------------------------------------------------------------

CHEAP = replace(SMALL, price=900.0, kept_years=6.0, upkeep_year=60.0)
DEAR = replace(LARGE, price=3400.0, kept_years=8.0, upkeep_year=190.0)
ONE_DEAR = MowerPlan(DEAR, stops=0, missing_h=0.0, mown_m2=1000.0, mowers=1, laid=700.0)


def cheap(mowers=1, *, stops=0, missing_h=0.0, mown_m2=1000.0, laid=700.0):
    return MowerPlan(CHEAP, stops=stops, missing_h=missing_h, mown_m2=mown_m2, mowers=mowers, laid=laid)


def test_what_a_plan_costs_over_years_worked_by_hand():
    """900 kept 6 years at 60 a year is 210 a year, 3400 kept 8 years at 190 a year is 615."""
    assert cheap(2, laid=1000.0).cost(8) == pytest.approx(1000 + 2 * 8 * 210)
    assert ONE_DEAR.cost(8) == pytest.approx(700 + 8 * 615)


@pytest.mark.parametrize(
    ("other", "cheaper"),
    [
        (cheap(), True),
        (cheap(2, laid=2000.0), True),  # 2000 + 3360 of 5620
        (cheap(3), False),  # 700 + 5040, more than 5620
        (cheap(2, laid=2300.0), False),  # 2300 + 3360
        (cheap(stops=1), False),
        (cheap(missing_h=0.5), False),
        (cheap(missing_h=1e-9), True),
        (cheap(mown_m2=1000 * SAME_GROUND_SHARE), True),
        (cheap(mown_m2=1000 * SAME_GROUND_SHARE - 1), False),
        (cheap(0, mown_m2=0.0, laid=0.0), False),
    ],
)
def test_the_least_costly_plan_mows_the_same_ground_with_no_stop_in_the_week(other, cheaper):
    for plans in ([other, ONE_DEAR], [ONE_DEAR, other]):
        assert least_costly(plans, years=8) is (other if cheaper else ONE_DEAR)


def test_where_every_plan_has_something_against_it_the_least_counts_first():
    two_stops, short, shorter = cheap(stops=2), cheap(missing_h=2.0), replace(ONE_DEAR, missing_h=5.0)
    assert least_costly([two_stops, shorter, short], years=8) is short
    assert least_costly([two_stops, replace(ONE_DEAR, stops=1)], years=8).stops == 1
    assert least_costly([cheap(stops=1), replace(ONE_DEAR, stops=1)], years=8).offer is CHEAP


def test_more_years_may_turn_the_choice():
    """Laying it for the dear one is 1000 cheaper, and the other saves 405 a year: equal after 2.47 years."""
    plans = [cheap(laid=1700.0), ONE_DEAR]
    assert [least_costly(plans, years=years).offer for years in (2, 3)] == [DEAR, CHEAP]
