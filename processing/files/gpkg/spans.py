"""Where the rows of each parcel lie in a table, so that one parcel can be read without the others."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from .opening import LOCK_PATIENCE_S, connection, quiet_gdal, undisturbed
from .schema import quoted

SPANS_MAX = 500
"""SQLite takes conditions with up to a thousand terms; of more spans all that lies between is read."""


@dataclass(frozen=True)
class RowSpans:
    """Name of a table's key, and for each value of a column the first and last key of its rows and their number.

    Parcels are written one after another, so that spans are short. Rows that somebody added later make them long, but
    no less right, as long as rows are picked by the column as well.
    """

    key: str
    spans: Mapping[str, tuple[int, int, int]]

    def where(self, values: Iterable[str]) -> str:
        """Return the SQL condition for the rows of some values, and few others; spans that meet are one."""
        met: list[list[int]] = []
        for first, last, _ in sorted(self.spans[value] for value in set(values) if value in self.spans):
            if met and first <= met[-1][1] + 1:
                met[-1][1] = max(met[-1][1], last)
            else:
                met.append([first, last])
        if len(met) > SPANS_MAX:
            met = [[met[0][0], met[-1][1]]]
        return " OR ".join(f"({quoted(self.key)} BETWEEN {first} AND {last})" for first, last in met) or "1 = 0"

    def count(self, value: str) -> int:
        """Return how many rows have a value; rows without one count under the empty text."""
        return self.spans[value][2] if value in self.spans else 0


def row_spans(path: Path, table: str, column: str) -> RowSpans:
    """Return where the rows of each value of a text column lie in a table of a GeoPackage.

    Parameters
    ----------
    path
        The file.
    table, column
        As they are stored.

    Raises
    ------
    SiteError, LayerError
        When the table can't be read.
    """
    with quiet_gdal(path, table), closing(connection(undisturbed(path), "ro", LOCK_PATIENCE_S)) as database:
        return _row_spans(database, table, column)


def _row_spans(database: sqlite3.Connection, table: str, column: str) -> RowSpans:
    columns = database.execute(f"PRAGMA table_info({quoted(table)})").fetchall()
    key = next((str(name) for _, name, *_, primary in columns if primary), "rowid")
    value = f"coalesce({quoted(column)}, '')"
    query = f"SELECT {value}, min(rowid), max(rowid), count(*) FROM {quoted(table)} GROUP BY 1"
    return RowSpans(key, {str(name): (first, last, count) for name, first, last, count in database.execute(query)})
