"""The command ``lawngis compare``: two plans of the same parcels side by side."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..model.text import counted, one_line
from .options import PLAN_HELP

if TYPE_CHECKING:
    from rich.table import Table

    from ..compare.comparison import Comparison

NAMES_MAX = 8
"""Parcels and settings named one by one; the files have them all."""


def compare(
    plan_a: Annotated[Path, typer.Argument(metavar="PLAN_A", help=PLAN_HELP)],
    plan_b: Annotated[Path, typer.Argument(metavar="PLAN_B", help="The other: differences are B less A.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for comparison.csv and differences.gpkg.")],
    tolerance_m: Annotated[
        float, typer.Option("--tolerance", min=0.001, max=10, help="Wire this far off lies where it lay [m].")
    ] = 0.10,
) -> None:
    """Say what changes from PLAN_A to PLAN_B: ground, zones, wire, dock, price, week and risk."""
    from rich.console import Console

    from ..compare.comparison import Comparison, compared_plan
    from ..compare.differences import Tolerances

    comparison = Comparison(compared_plan(plan_a), compared_plan(plan_b), Tolerances(wire_m=tolerance_m))
    comparison.write(out)
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = 110
    console.print(_totals_table(comparison))
    for line in _words(comparison):
        typer.echo(one_line(line))
    typer.echo(f"{counted(comparison.counts['compared'], 'parcel')} compared: {out / 'comparison.csv'}")


def _totals_table(comparison: Comparison) -> Table:
    from rich.table import Table

    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    shown.add_column("in all")
    for title in ("A", "B", "B - A"):
        shown.add_column(title, justify="right")
    shown.add_column("")
    for figure, (a, b) in comparison.totals.items():
        if a or b:
            digits = 2 if "price" in figure else 1 if comparison.units[figure] else 0
            change = "" if abs(b - a) < 0.5 * 10**-digits else f"{b - a:+.{digits}f}"
            shown.add_row(figure, f"{a:.{digits}f}", f"{b:.{digits}f}", change, comparison.units[figure])
    return shown


_COUNTED = (
    ("parcel changed", "parcel changed its verdict", "parcels changed their verdicts"),
    ("zone changed", "zone changed its role or supply", "zones changed their role or supply"),
    ("link changed", "link changed its kind", "links changed their kind"),
    ("dock moved", "dock moved", "docks moved"),
    ("finding came", "stop or caution came", "stops or cautions came"),
    ("finding went", "stop or caution went", "stops or cautions went"),
    ("visit_check came", "visit check is new", "visit checks are new"),
    ("visit_check went", "visit check is settled", "visit checks are settled"),
)
"""Kinds of differences, and what is said of one and of several."""


def _words(comparison: Comparison) -> Iterator[str]:
    if comparison.a.crs != comparison.b.crs:
        yield f"plan B is in {comparison.b.crs.name}; it was compared in the CRS of plan A, {comparison.a.crs.name}"
    for name, only in (("A", comparison.only_a), ("B", comparison.only_b)):
        if only:
            yield f"{counted(len(only), 'parcel')} only in plan {name}, not compared: {_some(only, ', ')}"
    settings = [f"{row['key']} {_or_none(row['in_a'])} → {_or_none(row['in_b'])}" for row in comparison.settings]
    if settings:
        yield f"made otherwise: {_some(settings, '; ')}"
    if not comparison.counts["different"]:
        yield "no parcel differs"
        return
    different = comparison.counts["different"]
    yield f"{counted(different, 'parcel')} {'differs' if different == 1 else 'differ'}"
    changes = changes_in_words(comparison.counts)
    if changes:
        yield ", ".join(changes)
    for _, parcel_id, words in comparison.largest:
        yield f"{parcel_id}: {words}"
    more = different - len(comparison.largest)
    if more:
        yield f"and {more} more that {'differs' if more == 1 else 'differ'} less: comparison.csv has them all"


def changes_in_words(counts: Mapping[str, int]) -> list[str]:
    """Return how many differences of each kind there are, in words; kinds without any are left out."""
    found = [(counts.get(key, 0), one, several) for key, one, several in _COUNTED]
    return [f"{number} {one if number == 1 else several}" for number, one, several in found if number]


def _some(words: Sequence[str], between: str) -> str:
    more = f" and {len(words) - NAMES_MAX} more" if len(words) > NAMES_MAX else ""
    return between.join(words[:NAMES_MAX]) + more


def _or_none(value: object) -> str:
    return "nothing" if value is None else str(value)
