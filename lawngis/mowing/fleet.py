"""How many mowers a portfolio takes and what they cost, each parcel with its own or shared between neighbours."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from lawngis.mowing.choice import Fit, MowerOffer, by_cost, cheapest
from lawngis.mowing.week import WeeklyPlan, permitted_hours_week, shared_week


@dataclass(frozen=True)
class Round:
    """One mower and the parcels that it serves.

    Parameters
    ----------
    mower
        Name of its kind.
    parcels
        By name; between several it is carried.
    moves_week
        How often a week it is carried from one to another.
    """

    mower: str
    parcels: tuple[str, ...]
    moves_week: int = 0


@dataclass(frozen=True)
class Sharing:
    """What it costs to share a mower.

    Parameters
    ----------
    dock_each
        A dock beyond the one that comes with the mower; each parcel needs one. It is kept as long as the mower.
    carry_each
        Carrying a mower from one parcel to another, once.
    season_weeks
        Weeks a year in which mowers work.
    """

    dock_each: float = 0.0
    carry_each: float = 0.0
    season_weeks: float = 52.0


@dataclass(frozen=True)
class Cost:
    """What mowers cost: once, and by year with upkeep, docks and carrying."""

    purchase: float
    year: float

    def __add__(self, other: Cost) -> Cost:
        return Cost(self.purchase + other.purchase, self.year + other.year)


@dataclass(frozen=True)
class Fleet:
    """Mowers for a portfolio.

    Parameters
    ----------
    rounds
        Each mower with the parcels that it serves.
    unserved
        Parcels that no mower of the fleet fits.
    cost
        Of all of them; None when the price of one isn't known.
    """

    rounds: tuple[Round, ...]
    unserved: tuple[str, ...]
    cost: Cost | None

    @property
    def mowers(self) -> int:
        """How many it takes."""
        return len(self.rounds)

    @property
    def moves_week(self) -> int:
        """How often a week mowers are carried from one parcel to another."""
        return sum(one.moves_week for one in self.rounds)


def own_mowers(fits: Sequence[Fit], sharing: Sharing) -> Fleet:
    """Return a fleet in which each parcel has a mower of its own: the cheapest that fits it.

    Parameters
    ----------
    fits
        From :func:`mower_fits`; those of one mower give a fleet of one kind.
    sharing
        As for :func:`shared_mowers`.
    """
    best = cheapest(fits)
    return _fleet([[(Round(fit.mower, (name,)), fit.offer)] for name, fit in best.items() if fit], best, sharing)


def round_cost(served: Round, offer: MowerOffer, sharing: Sharing) -> Cost | None:
    """Return what one mower costs with what it takes to serve its parcels; None when its price isn't known."""
    if offer.price is None or offer.price_year is None:
        return None
    docks = (len(served.parcels) - 1) * sharing.dock_each
    carrying = served.moves_week * sharing.carry_each * sharing.season_weeks
    return Cost(offer.price + docks, offer.price_year + docks / offer.kept_years + carrying)


def shared_mowers(fits: Sequence[Fit], groups: Sequence[Sequence[str]], sharing: Sharing) -> Fleet:
    """Return a fleet of mowers that suit their parcels, shared between neighbours where that pays.

    Parameters
    ----------
    fits
        From :func:`mower_fits`; those of one mower give a fleet of one kind.
    groups
        Names of parcels that lie near enough to one another to carry a mower between them; each parcel once.
    sharing
        What that costs.

    Notes
    -----
    For each group, several choices of kinds are tried: the cheapest for each parcel, and each kind wherever it fits.
    The parcels of a kind that need the most hours are given out first, each to the first mower on whose week they
    find room (:func:`lawngis.mowing.week.shared_week`) and with which they cost less by year than with a mower of
    their own: first fit decreasing (D. S. Johnson, 1973, "Near-optimal bin packing algorithms"). The cheapest of
    these is taken; a cheaper one may exist.
    """
    fitting: dict[str, list[Fit]] = {}
    for fit in fits:
        own = fitting.setdefault(fit.parcel, [])
        if fit.fits:
            own.append(fit)
    packings = (_cheapest_packing([fitting[name] for name in group if fitting.get(name)], sharing) for group in groups)
    return _fleet([[(held.served, held.offer) for held in packing] for packing in packings], fitting, sharing)


def _fleet(rounds: Sequence[Sequence[tuple[Round, MowerOffer]]], parcels: Iterable[str], sharing: Sharing) -> Fleet:
    every = [one for some in rounds for one in some]
    served = {name for one, _ in every for name in one.parcels}
    costs = [round_cost(one, offer, sharing) for one, offer in every]
    cost = None if None in costs else sum((cost for cost in costs if cost), Cost(0.0, 0.0))
    return Fleet(tuple(one for one, _ in every), tuple(name for name in parcels if name not in served), cost)


@dataclass(frozen=True)
class _Held:
    """A mower while parcels are given out: its parcels, and what it costs so far."""

    members: tuple[Fit, ...]
    served: Round
    cost: Cost | None

    @property
    def offer(self) -> MowerOffer:
        return self.members[0].offer


def _cheapest_packing(parcels: Sequence[Sequence[Fit]], sharing: Sharing) -> list[_Held]:
    """Return the mowers of a group of parcels, each given as the mowers that fit it."""
    own = [min(some, key=by_cost) for some in parcels]
    kinds = dict.fromkeys(fit.mower for some in parcels for fit in some)
    choices = [own]
    for kind in kinds if len(parcels) > 1 else ():
        of_kind = ({fit.mower: fit for fit in some}.get(kind) for some in parcels)
        choices.append([fit or first for fit, first in zip(of_kind, own, strict=True)])
    return min((_packed(choice, sharing) for choice in choices), key=_packing_order)


def _packed(choice: Sequence[Fit], sharing: Sharing) -> list[_Held]:
    """Return the mowers of parcels for each of which the kind is chosen."""
    packed: list[_Held] = []
    for fit in sorted(choice, key=lambda fit: -fit.mowing_h):
        served = Round(fit.mower, (fit.parcel,))
        alone = _Held((fit,), served, round_cost(served, fit.offer, sharing))
        for place, held in enumerate(packed):
            joined = _joined(held, alone, sharing)
            if joined is not None:
                packed[place] = joined
                break
        else:
            packed.append(alone)
    return packed


def _joined(held: _Held, alone: _Held, sharing: Sharing) -> _Held | None:
    """Return one mower instead of two; None when they differ, it doesn't pay, or the week has no room."""
    members = (*held.members, *alone.members)
    names = tuple(fit.parcel for fit in members)
    windows, offer = alone.members[0].permitted, alone.offer
    if held.served.mower != alone.served.mower:
        return None
    # It moves at least once to each parcel. Looked at first, as weeks take long to work out.
    if not _pays(round_cost(Round(offer.name, names, len(names)), offer, sharing), held, alone):
        return None
    days_week = sum(permitted_hours_week({day: windows[day]}) > 0 for day in windows)
    if sum(fit.days or 0 for fit in members) > days_week:
        return None
    weeks = shared_week(
        [fit.zone_hours for fit in members],
        windows=windows,
        run_minutes=offer.run_minutes,
        charge_minutes=offer.charge_minutes,
    )
    if weeks is None:
        return None
    served = Round(offer.name, names, _moves_week(weeks))
    cost = round_cost(served, offer, sharing)
    return _Held(members, served, cost) if _pays(cost, held, alone) else None


def _pays(cost: Cost | None, held: _Held, alone: _Held) -> bool:
    """Whether one mower at a cost is cheaper by year than two; without prices one always is."""
    return not (cost and held.cost and alone.cost) or cost.year < held.cost.year + alone.cost.year


def _moves_week(weeks: Sequence[WeeklyPlan]) -> int:
    """Return how often a mower changes place in a week that repeats."""
    where = {session.weekday: parcel for parcel, week in enumerate(weeks) for session in week.sessions}
    places = [where[day] for day in sorted(where)]
    return sum(one != other for one, other in pairwise([*places, *places[:1]]))


def _packing_order(packing: Sequence[_Held]) -> tuple[int, float, int]:
    """Order packings: those with the fewest mowers without a price, then the cheapest by year, then the fewest."""
    unpriced = sum(held.cost is None for held in packing)
    return unpriced, sum(held.cost.year for held in packing if held.cost is not None), len(packing)
