"""Digests of the rows of each parcel as they are stored, by which it is seen in seconds what was touched since."""

from __future__ import annotations

import marshal
from collections import defaultdict
from collections.abc import Collection
from contextlib import closing
from hashlib import blake2b
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

from .opening import LOCK_PATIENCE_S, connection, quiet_gdal, undisturbed
from .schema import quoted

PLAIN_FORMAT = 2
"""Of marshal: values alone, without references, so that equal rows are equal bytes in every version of Python."""

SIZE = 8
"""Of a digest, in bytes."""


def row_digests(path: Path, tables: Collection[str]) -> dict[str, dict[str, str]]:
    """Return digests of the stored rows of each parcel, by parcel and table.

    They are of the values alone, in the order of the file. Equal digests mean that nobody touched the rows; other ones
    may also mean that a program wrote the same values anew in another form.

    Parameters
    ----------
    path
        A GeoPackage.
    tables
        As they are stored; those without a column ``parcel_id`` are passed over.

    Raises
    ------
    SiteError, LayerError
        When a table can't be read.
    """
    found: dict[str, dict[str, str]] = defaultdict(dict)
    for table in tables:
        with quiet_gdal(path, table), closing(connection(undisturbed(path), "ro", LOCK_PATIENCE_S)) as database:
            columns = database.execute(f"PRAGMA table_info({quoted(table)})").fetchall()
            names = [str(name) for _, name, *_, primary in columns if not primary]
            if "parcel_id" not in names:
                continue
            select = f"SELECT {', '.join(map(quoted, ['parcel_id', *names]))} FROM {quoted(table)} ORDER BY rowid"
            heading = "\x1f".join(names).encode()
            digests: dict[Any, Any] = {}
            for parcel_id, rows in groupby(database.execute(select), key=itemgetter(0)):
                digest = digests.get(parcel_id) or digests.setdefault(parcel_id, blake2b(heading, digest_size=SIZE))
                digest.update(marshal.dumps(list(rows), PLAIN_FORMAT))
        for parcel_id, digest in digests.items():
            found[str(parcel_id or "")][table] = digest.hexdigest()
    return dict(found)
