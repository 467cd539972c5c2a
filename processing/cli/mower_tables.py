"""What ``lawngis mowers`` shows: parcels against mowers, reasons in words, and fleets with their cost."""

from __future__ import annotations

from collections.abc import Iterator

from rich.table import Table
from rich.text import Text

from lawngis.mowing.choice import Fit

from ..derived.mower_demands import shortfall_words
from ..fleet.choice_tables import kinds_words, may_also
from ..fleet.mower_choice import MowerComparison, NamedFleet
from ..model.text import one_line
from ..planning.progress import NAME_WIDTH, ROWS_MAX, plain_console


def print_fits(choice: MowerComparison) -> None:
    """Print, for each parcel, hours a week of the mowers that fit and what the others lack, to standard output."""
    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    shown.add_column("parcel", no_wrap=True, overflow="ellipsis", max_width=NAME_WIDTH)
    shown.add_column("m²", justify="right", no_wrap=True)
    for offer in choice.offers:
        shown.add_column(Text(one_line(offer.name)), no_wrap=True, overflow="ellipsis", max_width=NAME_WIDTH)
    shown.add_column("cheapest", no_wrap=True, overflow="ellipsis", max_width=NAME_WIDTH)
    shown.add_column(f"{choice.currency} a year", justify="right", no_wrap=True)
    names = shown_demands(choice)
    areas = {
        demand.name: sum(zone.area_m2 for zone in demand.zones)
        for parcel in choice.portfolio.compared
        for demand in parcel.demands
    }
    for name in names:
        best = choice.cheapest[name]
        fits = (fit_words(fit) for fit in choice.by_demand[name])
        kind, cost = ("none", None) if best is None else (best.mower, best.offer.price_year)
        shown.add_row(Text(one_line(name)), f"{areas[name]:.0f}", *fits, Text(one_line(kind)), _money(cost))
    plain_console().print(shown)
    if any(_is_long(fit) for name in names for fit in choice.by_demand[name]):
        plain_console().print("long: keeps up only if it uses all the hours permitted, not those wanted alone")
    if len(names) < len(choice.cheapest):
        plain_console().print(f"and {len(choice.cheapest) - len(names)} more that some mower fits: --out has them all")


def shown_demands(choice: MowerComparison) -> list[str]:
    """Return the names that the table shows: all, or of many those that no mower fits first."""
    names = sorted(choice.cheapest, key=lambda name: choice.cheapest[name] is not None)
    return list(choice.cheapest) if len(names) <= ROWS_MAX else names[:ROWS_MAX]


def fit_words(fit: Fit) -> str:
    """Return hours of mowing a week, or the names of what a mower lacks, in a few letters."""
    if not fit.fits:
        return f"no: {', '.join(fit.limits)}"
    return f"{fit.mowing_h:.1f} h a week" + (" (long)" if _is_long(fit) else "")


def _is_long(fit: Fit) -> bool:
    """Whether a mower keeps up only when it uses all the hours that are permitted."""
    return fit.fits and fit.word == "longest_hours"


def reason_lines(choice: MowerComparison) -> Iterator[str]:
    """Yield why no mower fits, for each parcel of those shown that none fits, and what others could mow beside."""
    names = shown_demands(choice)
    for name in names:
        if choice.cheapest[name] is None:
            each = (f"{fit.mower}: {', '.join(shortfall_words(fit.shortfalls))}" for fit in choice.by_demand[name])
            yield f"no mower fits {name}. {'. '.join(each)}"
    for parcel in choice.portfolio.compared:
        if parcel.demands[0].name in names:
            for offer in choice.offers:
                for text in may_also(parcel, offer):
                    yield f"{parcel.parcel_id}, {offer.name}: {text}"


def print_fleets(choice: MowerComparison) -> None:
    """Print the fleets with their number of mowers and cost, to standard output."""
    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title in ("fleet", "mowers"):
        shown.add_column(title)
    for title in ("unserved", "moves a week", f"{choice.currency} at once", f"{choice.currency} a year"):
        shown.add_column(title, justify="right")
    for named in choice.fleets:
        shown.add_row(*_fleet_cells(named))
    plain_console().print()
    plain_console().print(shown)


def _fleet_cells(named: NamedFleet) -> tuple[str | Text, ...]:
    fleet = named.fleet
    cost = (None, None) if fleet.cost is None else (fleet.cost.purchase, fleet.cost.year)
    return (
        Text(one_line(named.words)),
        Text(one_line(kinds_words(fleet) or "none")),
        str(len(fleet.unserved)),
        str(fleet.moves_week),
        *(_money(amount) for amount in cost),
    )


def sharing_words(choice: MowerComparison) -> str:
    """Return what sharing mowers between neighbours comes to, in words."""
    near = f"parcels within {choice.within_m:g} m"
    if any(named.fleet.moves_week for named in choice.fleets):
        return f"shared: carried between {near}, each with a dock, where that costs less by year"
    return f"sharing mowers between {near} does not pay, or the week has no room for it"


def _money(amount: float | None) -> str:
    return "–" if amount is None else f"{amount:.0f}"
