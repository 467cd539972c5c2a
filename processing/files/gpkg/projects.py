"""The plan's project in the table in which a desktop GIS keeps projects, as long as nobody made it their own."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from hashlib import blake2b
from pathlib import Path
from typing import TYPE_CHECKING

from pyproj import CRS

from ..project_encoding import NAME, Bounds, Photo, ProjectFacts, packed_project
from . import opening

if TYPE_CHECKING:
    from ...model.contract import Layer

_TABLE = "CREATE TABLE IF NOT EXISTS qgis_projects (name TEXT PRIMARY KEY, metadata BLOB, content BLOB)"
"""As the desktop GIS makes it: it holds a compressed project as hexadecimal digits, and no layer of the standard."""

_DIGEST = "lawngis_digest"


def write_project(draft: Path, file_name: str, specs: Sequence[Layer], crs: CRS, photo: Photo | None) -> None:
    """Put the project of a plan into its file; one of that name which somebody changed stays.

    Parameters
    ----------
    draft
        The plan, complete otherwise.
    file_name
        Under which it will be found.
    specs
        Declarations of its layers.
    crs
        Of its geometry.
    photo
        The image under it, if there is one.
    """
    with closing(opening.connection(draft, "rw", 0)) as database:
        database.execute("BEGIN")
        database.execute(_TABLE)
        if _is_ours(database):
            facts = ProjectFacts(file_name, crs, _parcels(database), _attributions(database), photo)
            content = packed_project(specs, facts).hex()
            metadata = json.dumps({_DIGEST: _digest(content)})
            database.execute("INSERT OR REPLACE INTO qgis_projects VALUES (?, ?, ?)", [NAME, metadata, content])
        database.execute("COMMIT")


def _is_ours(database: sqlite3.Connection) -> bool:
    """Whether there is no project of our name yet, or one as it was written: who saves it says other things of it."""
    row = database.execute("SELECT metadata, content FROM qgis_projects WHERE name = ?", [NAME]).fetchone()
    if row is None:
        return True
    try:
        return bool(json.loads(row[0])[_DIGEST] == _digest(row[1]))
    except (TypeError, ValueError, KeyError, AttributeError):
        return False


def _digest(content: str) -> str:
    return blake2b(content.encode(), digest_size=16).hexdigest()


def _parcels(database: sqlite3.Connection) -> list[tuple[str, Bounds]]:
    rows = database.execute(
        "SELECT parcel_id, minx, miny, maxx, maxy FROM summary JOIN rtree_summary_geom ON id = fid ORDER BY fid"
    )
    return [(str(name), (x0, y0, x1, y1)) for name, x0, y0, x1, y1 in rows]


def _attributions(database: sqlite3.Connection) -> list[str]:
    rows = database.execute(
        "SELECT DISTINCT value FROM run_info WHERE parcel_id IS NULL AND key LIKE 'attribution %' ORDER BY value"
    )
    return [str(words) for (words,) in rows]
