"""What ``lawngis plan`` prints: its progress, a log, and in the end a short table of outcomes."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

from rich import progress as bars
from rich.console import Console
from rich.table import Table
from rich.text import Text

from lawngis.errors import PlanError

from ..model import messages
from ..model.plan import Row
from ..model.readiness import READINESSES, readiness_word
from ..model.text import counted, one_line
from .ranking import amounts, totals
from .run_folder import Outcome

if TYPE_CHECKING:
    from pandas import DataFrame

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


def outcome_table(rows: Sequence[Row]) -> None:
    """Print readiness and main figures of every parcel, given as rows of `summary`, to standard output."""
    some = shown_rows(rows)
    shown = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    shown.add_column("parcel", no_wrap=True, overflow="ellipsis", max_width=NAME_WIDTH)
    shown.add_column("readiness", no_wrap=True)
    for title, _, _ in _COLUMNS:
        shown.add_column(title, justify="right", no_wrap=True)
    for row in some:
        figures = (_figure(row, column, form) for _, column, form in _COLUMNS)
        shown.add_row(Text(one_line(row["parcel_id"])), readiness_word(row["readiness"]), *figures)
    plain_console().print(shown)
    if len(some) < len(rows):
        plain_console().print(f"and {len(rows) - len(some)} more: the layer summary has them all")


def plain_console() -> Console:
    """Return standard output without markup, of a fixed width where there is no terminal to ask."""
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = PLAIN_WIDTH
    return console


def shown_rows(rows: Sequence[Row]) -> list[Row]:
    """Return the rows that the table shows: all, or of many those that need a look."""
    if len(rows) <= ROWS_MAX:
        return list(rows)
    return [row for row in rows if row["readiness"] in ("failed", "settle")][:ROWS_MAX]


def outcome_words(statuses: Mapping[str, int], target: Path) -> str:
    """Return how many parcels came to what, and where the plan is."""
    words = ", ".join(f"{count} {_status(status)}" for status, count in Counter(statuses).most_common())
    return f"{words}; plan: {target}"


def portfolio_words(table: DataFrame, path: Path) -> list[str]:
    """Return the summary of a portfolio in lines: how many of each readiness, totals, mowers, the ranking's file."""
    counts = Counter(table["readiness"])
    ready = ", ".join(f"{counts[name]} {readiness_word(name)}" for name in READINESSES if counts[name])
    sums = totals(table)
    mowers = Counter(table.loc[table["status"] == "planned", "mower_needed"].fillna("none that fits"))
    smallest = ", ".join(f"{name} {count}" for name, count in mowers.most_common())
    price = " and ".join(f"{currency} {amount:.2f}" for currency, amount in amounts(table).items())
    laid = table[table["crew_day"].notna()]
    days, hours = (int(laid["crew_day"].max()), laid["laying_hours"].sum()) if len(laid) else (0, 0.0)
    return [
        f"of all: {ready}",
        f"planned, what must be settled first included: {sums['mowable_m2']:.0f} m² to mow,"
        f" {sums['wire_m']:.0f} m of wire, {sums['pegs']:.0f} pegs",
        f"to be laid, ready and to be visited first: {hours:.0f} hours on {counted(days, 'crew day')}",
        f"mowers and materials of these without VAT: {price or 'no price known'}",
        f"smallest mower that fits: {smallest or 'none planned'}",
        f"ranking by value and effort: {path}",
    ]


LINES_MAX = 60
"""With more parcels than this, plain lines come by the clock and not for each parcel."""

LINE_EVERY_S = 10.0


class Progress:
    """Shows how far it is: a bar on a terminal, plain lines elsewhere, nothing for one parcel.

    Parameters
    ----------
    total
        Parcels to plan.
    resumed
        Of them, those finished by an earlier run.
    """

    def __init__(self, total: int, resumed: int = 0) -> None:
        self._total = total
        self._resumed = resumed
        self._done = resumed
        self._failed = 0
        self._started = monotonic()
        self._last_line = -LINE_EVERY_S
        self._bar: bars.Progress | None = None

    def __enter__(self) -> Progress:
        messages.begin(self._total, self._resumed)
        if self._total > 1 and sys.stderr.isatty() and not messages.as_json():
            self._bar = bars.Progress(
                bars.TextColumn("{task.description}"),
                bars.BarColumn(),
                bars.MofNCompleteColumn(),
                bars.TextColumn("{task.fields[rate]}"),
                console=Console(stderr=True),
                transient=True,
            )
            self._bar.start()
            self._task = self._bar.add_task("planning", total=self._total, completed=self._done, rate="")
        elif self._resumed:
            messages.note(f"{self._resumed} of {self._total} parcels are finished already")
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def add(self, parcel_id: str, status: str) -> None:
        """Count a parcel that is done."""
        self._done += 1
        self._failed += status == "failed"
        line = ""
        if self._bar is not None:
            self._bar.update(self._task, completed=self._done, rate=self.rate_words())
        elif 1 < self._total <= LINES_MAX:
            line = f"{self._done}/{self._total} {parcel_id}: {_status(status)}"
        elif self._total > 1 and (monotonic() - self._last_line >= LINE_EVERY_S or self._done == self._total):
            self._last_line = monotonic()
            line = f"{self._done}/{self._total} parcels, {self.rate_words()}"
        messages.parcel_done(parcel_id, status, line)

    def rate_words(self) -> str:
        """Return rate, time that is left, and failures so far, in words."""
        speed = (self._done - self._resumed) / max(monotonic() - self._started, 1e-3)
        left = f", {duration_words((self._total - self._done) / speed)} left" if self._done < self._total else ""
        failed = f", {self._failed} failed" if self._failed else ""
        return f"{speed:.1f} a second{left}{failed}"


def duration_words(seconds: float) -> str:
    """Return a time that is still to come, in words.

    Examples
    --------
    >>> duration_words(42), duration_words(600), duration_words(9000)
    ('42 s', '10 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"


class Log:
    """A file with one line of JSON for each parcel: its status, how long each part took, why it failed.

    Parameters
    ----------
    path
        The file, to which lines are added; None keeps no log.
    """

    def __init__(self, path: Path | None) -> None:
        try:
            self._file = None if path is None else path.open("a", encoding="utf-8")
        except OSError as error:
            raise PlanError(
                f"can't be written to ({error.strerror})", where=str(path), advice="Name another file with --log."
            ) from error

    def __enter__(self) -> Log:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            with suppress(OSError):  # the lines that matter are in it already
                self._file.close()

    def add(self, outcome: Outcome, *, resumed: bool = False) -> None:
        """Add a parcel; `resumed` when an earlier run had finished it."""
        if self._file is None:
            return
        line = {
            "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "parcel_id": outcome.parcel_id,
            "status": outcome.status,
            "failure": outcome.failure or None,
            "kept": resumed,
            "seconds": outcome.seconds,
        }
        try:
            self._file.write(json.dumps(line, ensure_ascii=False) + "\n")
            self._file.flush()
        except OSError as error:
            raise PlanError(
                f"could not be written ({error.strerror})",
                where=str(self._file.name),
                advice="Make room on the disk, then run the same command with --resume: finished parcels are kept.",
            ) from error


def _status(status: Any) -> str:
    return str(status).replace("_", " ")


def _figure(summary: Mapping[str, Any], column: str, form: str) -> str:
    value = summary.get(column)
    return "–" if value is None else format(value, form)
