"""What ``lawngis plan`` shows: how far it is, and at its end a short table."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, Task, TextColumn, TimeRemainingColumn
from rich.progress import ProgressColumn as Column
from rich.table import Table
from rich.text import Text

from .portfolio import ParcelResult
from .words import one_line

_COLUMNS: Sequence[tuple[str, str, str]] = (
    ("lawn m²", "lawn_m2", ".0f"),
    ("mown m²", "mowable_m2", ".0f"),
    ("zones", "zones", "d"),
    ("wire m", "wire_m", ".0f"),
    ("pegs", "pegs", "d"),
    ("dock", "dock_score", ".2f"),
    ("stops", "stop_findings", "d"),
    ("checks", "visit_checks", "d"),
)

PLAIN_WIDTH = 100
"""Width of the table where there is no terminal to ask."""

NAME_WIDTH = 24
"""Longer names of parcels are cut in the table; the file has them in full."""

ROWS_MAX = 60
"""With more parcels than this the table shows those that need a look, as far as there is room for them."""


def outcome_table(results: Sequence[ParcelResult]) -> None:
    """Print verdict and main figures of every parcel to standard output."""
    rows = shown_results(results)
    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    shown.add_column("parcel", no_wrap=True, overflow="ellipsis", max_width=NAME_WIDTH)
    shown.add_column("verdict", no_wrap=True)
    for title, _, _ in _COLUMNS:
        shown.add_column(title, justify="right", no_wrap=True)
    for result in rows:
        summary = result.summary
        figures = (_figure(summary, column, form) for _, column, form in _COLUMNS)
        shown.add_row(Text(one_line(result.parcel_id)), str(summary["status"]).replace("_", " "), *figures)
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = PLAIN_WIDTH
    console.print(shown)
    if len(rows) < len(results):
        console.print(f"and {len(results) - len(rows)} more: the layer summary has them all")


def shown_results(results: Sequence[ParcelResult]) -> list[ParcelResult]:
    """Return the parcels that the table shows: all, or of many those that need a look."""
    if len(results) <= ROWS_MAX:
        return list(results)
    return [result for result in results if result.failure or result.summary.get("stop_findings")][:ROWS_MAX]


def outcome_words(results: Sequence[ParcelResult], target: Path) -> str:
    """Return how many parcels came to what, and where the plan is."""
    counts = Counter(str(result.summary["status"]).replace("_", " ") for result in results)
    words = ", ".join(f"{count} {status}" for status, count in counts.most_common())
    return f"{words}; plan: {target}"


def with_progress(results: Iterator[ParcelResult], total: int) -> Iterator[ParcelResult]:
    """Pass results on and show how far it is: a bar on a terminal, plain lines elsewhere, nothing for one parcel."""
    if total == 1:
        yield from results
    elif sys.stderr.isatty():
        yield from _with_bar(results, total)
    else:
        for number, result in enumerate(results, start=1):
            status = str(result.summary["status"]).replace("_", " ")
            print(f"{number}/{total} {one_line(result.parcel_id)}: {status}", file=sys.stderr, flush=True)
            yield result


def _with_bar(results: Iterator[ParcelResult], total: int) -> Iterator[ParcelResult]:
    words = TextColumn("{task.description}")
    bar = Progress(
        words,
        BarColumn(),
        MofNCompleteColumn(),
        _Rate(),
        TextColumn("left"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        task = bar.add_task("planning", total=total)
        for result in results:
            bar.advance(task)
            yield result


class _Rate(Column):
    """Parcels a minute."""

    def render(self, task: Task) -> Text:
        speed = task.finished_speed or task.speed
        return Text("" if speed is None else f"{60 * speed:.0f} a minute")


def _figure(summary: Mapping[str, Any], column: str, form: str) -> str:
    value = summary.get(column)
    return "–" if value is None else format(value, form)
