"""Fleets, worked by hand: what each takes, and when sharing pays."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.mowing.choice import MowerOffer, ParcelDemand, ZoneDemand, mower_fits
from lawngis.mowing.fleet import Cost, Round, Sharing, own_mowers, round_cost, shared_mowers

DAYS = {day: [(7.0, 20.0)] for day in range(6)}
SMALL = MowerOffer(
    "small", 0.18, 0.30, 45, 45, 0.95, 2.0, 25, 0.7, 200, 600.0, kept_years=6, upkeep_year=40.0
)  # 140 a year
LARGE = MowerOffer(
    "large", 0.42, 0.50, 150, 90, 0.95, 2.0, 45, 1.2, 1000, 2400.0, kept_years=8, upkeep_year=100.0
)  # 400 a year
FREE = Sharing()


def parcel(name, area_m2, **more):
    return ParcelDemand(name, (ZoneDemand(area_m2, 4 * area_m2**0.5, 2.0, more.get("steepest", 5.0)),), 9.0, 100.0)


def fits(demands, offers=(SMALL, LARGE)):
    return mower_fits(demands, offers, wanted=DAYS, permitted=DAYS)


def test_a_round_costs_its_mower_its_further_docks_and_the_carrying():
    """Three parcels: 600 + 2 x 120 at once; 140 + 2 x 120 / 6 + 4 moves x 5 x 20 weeks a year."""
    sharing = Sharing(dock_each=120.0, carry_each=5.0, season_weeks=20)
    assert round_cost(Round("small", ("a", "b", "c"), 4), SMALL, sharing) == Cost(840.0, pytest.approx(580.0))
    assert round_cost(Round("small", ("a",)), SMALL, sharing) == Cost(600.0, pytest.approx(140.0))
    assert round_cost(Round("small", ("a",)), replace(SMALL, price=None), sharing) is None


def test_each_gets_its_cheapest_and_the_sum_is_that_of_all():
    found = own_mowers(
        fits([parcel("a", 200), parcel("steep", 200, steepest=40), parcel("cliff", 200, steepest=90)]), FREE
    )
    assert [(one.mower, one.parcels) for one in found.rounds] == [("small", ("a",)), ("large", ("steep",))]
    assert found.unserved == ("cliff",)
    assert found.cost == Cost(3000.0, pytest.approx(540.0))
    assert found.mowers == 2 and found.moves_week == 0


def test_neighbours_share_when_it_pays_and_strangers_never():
    demands = [parcel(name, 150) for name in "abcd"]
    together = shared_mowers(fits(demands, [SMALL]), [list("abcd")], FREE)
    assert together.mowers < 4 and sorted(name for one in together.rounds for name in one.parcels) == list("abcd")
    apart = shared_mowers(fits(demands, [SMALL]), [[name] for name in "abcd"], FREE)
    assert apart.mowers == 4 and apart.moves_week == 0


def test_sharing_that_costs_more_by_year_is_left():
    """Two small ones cost 280; one costs 140, a dock of 6 x 20 = 20 a year, and 2 moves x 30 weeks x the carrying:
    2.00 each leave 280, no gain; 1.99 each leave 279.4."""
    found = fits([parcel("a", 150), parcel("b", 150)], [SMALL])
    for carry, mowers, year in ((2.0, 2, 280.0), (1.99, 1, 279.4)):
        fleet = shared_mowers(found, ["ab"], Sharing(dock_each=120.0, carry_each=carry, season_weeks=30))
        assert fleet.mowers == mowers
        assert fleet.cost.year == pytest.approx(year)


def test_one_large_for_all_is_taken_when_it_is_cheaper_than_many_small():
    """Six parcels of 500 m² keep six small ones busy for 840 a year; one large for 400 does them on a day each."""
    demands = [parcel(name, 500) for name in "abcdef"]
    found = fits(demands)
    assert {fit.days for fit in found if fit.mower == "large"} == {1}
    fleet = shared_mowers(found, [list("abcdef")], FREE)
    assert [one.mower for one in fleet.rounds] == ["large"]
    assert fleet.moves_week == 6
    assert fleet.cost == Cost(2400.0, pytest.approx(400.0))


def test_without_prices_mowers_are_shared_all_the_same():
    offers = [replace(SMALL, price=None)]
    fleet = shared_mowers(fits([parcel("a", 150), parcel("b", 150)], offers), ["ab"], Sharing(100.0, 100.0, 52))
    assert fleet.mowers == 1 and fleet.cost is None


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(40, 900), min_size=1, max_size=6),
    st.floats(0, 400),
    st.floats(0, 12),
    st.integers(1, 6),
)
def test_a_shared_fleet_serves_the_same_costs_no_more_and_fits_the_week(areas, dock_each, carry_each, group):
    found = fits([parcel(str(number), area) for number, area in enumerate(areas)])
    names = [str(number) for number in range(len(areas))]
    groups = [names[at : at + group] for at in range(0, len(names), group)]
    sharing = Sharing(dock_each, carry_each, 30)
    own, shared = own_mowers(found, sharing), shared_mowers(found, groups, sharing)
    assert sorted(shared.unserved) == sorted(own.unserved)
    served = [name for one in shared.rounds for name in one.parcels]
    assert sorted([*served, *shared.unserved]) == sorted(names)
    assert shared.mowers <= own.mowers
    if own.cost is not None:
        assert shared.cost.year <= own.cost.year * (1 + 1e-12)
    days = {(fit.parcel, fit.mower): fit.days for fit in found}
    for one in shared.rounds:
        assert any(set(one.parcels) <= set(near) for near in groups)
        assert len(one.parcels) == 1 or sum(days[name, one.mower] for name in one.parcels) <= len(DAYS)
        assert (one.moves_week >= len(one.parcels)) if len(one.parcels) > 1 else one.moves_week == 0
