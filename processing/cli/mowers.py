"""Command for the choice of mowers: what fits each parcel of a plan, and what a whole portfolio takes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lawngis.errors import ParameterError, PlanError

from ..model.text import counted, one_line
from .options import PlanArgument

if TYPE_CHECKING:
    from ..fleet.mower_choice import MowerComparison


def mowers(
    plan: PlanArgument,
    profile: Annotated[
        list[str] | None,
        typer.Option("--profile", metavar="NAME|FILE", help="A mower to compare; default: those that come along."),
    ] = None,
    prices: Annotated[
        str | None,
        typer.Option("--prices", metavar="FILE", help="Price book with mowers by profile; default: an invented one."),
    ] = None,
    quiet_hours: Annotated[
        str | None,
        typer.Option("--quiet-hours", metavar="FILE", help="Hours that local rules permit; default: the plan's."),
    ] = None,
    within_m: Annotated[
        float, typer.Option("--within", min=0, max=100_000, help="How far apart parcels share a mower [m].")
    ] = 500.0,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE.csv", help="Table of parcels and mowers; those of fleets and totals go beside it."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Say which mower fits each parcel of PLAN, which is the cheapest, and what fleets for all of them cost.

    Zones, passages and wire are taken as they were planned; for another mower they may differ.
    """
    from lawngis.mower import profile_names
    from lawngis.mowing.mower_prices import mower_book_from

    from ..fleet.mower_choice import comparison, mower_offers
    from ..fleet.planned_parcels import planned_portfolio

    if out is not None and out.suffix.casefold() != ".csv":
        raise ParameterError(f"--out {str(out)!r} is no CSV file", advice="For example --out mowers.csv.")
    book = mower_book_from(prices)
    offers = mower_offers(profile or profile_names(), book)
    choice = comparison(planned_portfolio(plan, quiet_hours=quiet_hours), offers, book, within_m=within_m)
    files = _written(choice, out) if out is not None else []
    if as_json:
        typer.echo(json.dumps(_as_dict(choice), indent=2, ensure_ascii=False))
        return
    _print_choice(choice)
    if book.example:
        typer.echo("prices are an invented example's: name your own with --prices")
    unpriced = [offer.name for offer in offers if offer.price is None]
    if unpriced:
        typer.echo(one_line(f"without a price in the book: {', '.join(unpriced)}"))
    for file in files:
        typer.echo(f"table: {file}")


def _written(choice: MowerComparison, out: Path) -> list[Path]:
    from ..fleet.choice_tables import comparison_table, fleet_table, round_table
    from ..planning.ranking import write_table

    files = [out, *(out.with_name(f"{out.stem}_{name}.csv") for name in ("fleets", "totals"))]
    tables = (comparison_table(choice), round_table(choice), fleet_table(choice))
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        for file, table in zip(files, tables, strict=True):
            write_table(file, table)
    except OSError as error:
        raise PlanError(
            f"can't be written to ({error.strerror})", where=str(out), advice="Name another file with --out."
        ) from error
    return files


def _print_choice(choice: MowerComparison) -> None:
    from .mower_tables import print_fits, print_fleets, reason_lines, sharing_words

    portfolio = choice.portfolio
    if portfolio.compared:
        print_fits(choice)
        for line in reason_lines(choice):
            typer.echo(one_line(line))
        print_fleets(choice)
        typer.echo(sharing_words(choice))
    for parcel in portfolio.left_out[:LEFT_OUT_MAX]:
        status = parcel.status.replace("_", " ")
        typer.echo(one_line(f"{parcel.parcel_id} is left out, {status}: {parcel.verdict_text}"))
    if len(portfolio.left_out) > LEFT_OUT_MAX:
        typer.echo(f"and {counted(len(portfolio.left_out) - LEFT_OUT_MAX, 'parcel')} more")
    if not portfolio.compared:
        typer.echo("the plan has no parcel for a mower")


LEFT_OUT_MAX = 20
"""As many parcels that no mower is for are named one by one."""


def _as_dict(choice: MowerComparison) -> dict[str, Any]:
    from ..fleet.choice_tables import comparison_table, fleet_table
    from ..model.tables import plain_rows

    fleets = plain_rows(fleet_table(choice))
    for row, named in zip(fleets, choice.fleets, strict=True):
        row["unserved"] = list(named.fleet.unserved)
        row["rounds"] = [
            {"mower": one.mower, "parcels": list(one.parcels), "moves_week": one.moves_week}
            for one in named.fleet.rounds
        ]
    return {
        "plan": str(choice.portfolio.path),
        "currency": choice.currency,
        "fits": plain_rows(comparison_table(choice)),
        "cheapest": {name: fit and fit.mower for name, fit in choice.cheapest.items()},
        "fleets": fleets,
        "left_out": [
            {"parcel_id": parcel.parcel_id, "status": parcel.status, "verdict_text": parcel.verdict_text}
            for parcel in choice.portfolio.left_out
        ],
    }
