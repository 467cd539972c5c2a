"""Where the rows of each parcel lie in a plan on disk, so that one parcel can be read without the others."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from lawngis.errors import LayerError

from ..files import gpkg


@dataclass(frozen=True)
class LayerSpans:
    """Name of a layer's key column, and for each parcel the first and last key of its rows.

    A plan is written parcel by parcel, so that spans are short; rows that somebody added later make them long, but no
    less right, as long as rows are picked by `parcel_id` as well.
    """

    key: str
    spans: Mapping[str, tuple[int, int]]

    def where(self, parcel_ids: Iterable[str]) -> str:
        """Return the SQL condition for the rows of some parcels, and few others."""
        spans = [self.spans[name] for name in parcel_ids if name in self.spans]
        key = self.key.replace('"', '""')
        return " OR ".join(f'("{key}" BETWEEN {first} AND {last})' for first, last in spans) or "1 = 0"


def layer_spans(path: Path, layers: Iterable[str]) -> dict[str, LayerSpans]:
    """Return where each parcel's rows lie in layers of a GeoPackage.

    Parameters
    ----------
    path
        The plan.
    layers
        Names of layers, as they are stored, that have a column ``parcel_id``.

    Raises
    ------
    LayerError
        When a layer can't be read.
    """
    where = f"{gpkg.undisturbed(path).absolute().as_uri()}?mode=ro"
    found: dict[str, LayerSpans] = {}
    with closing(sqlite3.connect(where, uri=True)) as database:
        for layer in layers:
            try:
                found[layer] = _spans(database, layer)
            except sqlite3.Error as error:
                raise LayerError(f"can't be read ({error})", where=(str(path), layer)) from error
    return found


def _spans(database: sqlite3.Connection, layer: str) -> LayerSpans:
    table = layer.replace('"', '""')
    columns = database.execute(f'PRAGMA table_info("{table}")').fetchall()
    keys = [name for _, name, *_, primary in columns if primary]
    key = str(keys[0]) if keys else "rowid"
    query = f'SELECT parcel_id, min(rowid), max(rowid) FROM "{table}" WHERE parcel_id IS NOT NULL GROUP BY parcel_id'
    return LayerSpans(key, {str(name): (int(first), int(last)) for name, first, last in database.execute(query)})
