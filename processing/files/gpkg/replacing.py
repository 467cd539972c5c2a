"""Some rows of some layers in a file that is there replaced, and everything else in it left alone."""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
from pyproj import CRS

from lawngis.errors import LayerError
from lawngis.geometry.frame import horizontal_crs

from . import descriptions, opening
from .overview import LayerInfo, layer_overview
from .rows import conformed_layers
from .writing import append_layers, create_layer, draft_of, quick_fiona, refuse_unwritable

if TYPE_CHECKING:
    from ...model.contract import Column, Layer

_SQL_TYPES = {"text": "TEXT", "real": "REAL", "integer": "INTEGER", "boolean": "BOOLEAN", "datetime": "DATETIME"}


def replace_rows(
    path: str | Path,
    layers: Mapping[str, pd.DataFrame],
    declarations: Sequence[Layer],
    *,
    crs: CRS,
    replaced: Mapping[str, Mapping[str, Collection[str | None]]],
) -> Path:
    """Put rows into layers of a GeoPackage in place of some that are there, whole or not at all.

    The file is made when it is missing, and layers that it lacks. Other layers, other rows, and columns that somebody
    added stay as they are. The work is done on a copy beside the target, which is moved over it in one step.

    Parameters
    ----------
    path
        The file.
    layers
        New rows by layer.
    declarations
        One for each layer, in the order in which new ones are made.
    crs
        CRS of the rows.
    replaced
        By layer: which rows give way, those that have in every column named one of the values; None is no value.

    Raises
    ------
    SiteError
        When the file is there and can't be used.
    LayerError
        When a layer is in another CRS, or is drawn otherwise.
    PlanError
        When a row does not fit, or the file can't be replaced. It is then as it was.
    """
    target = Path(os.path.realpath(path))
    refuse_unwritable(target)
    there = refuse_unlike(target, declarations, crs)
    with draft_of(target) as draft:
        if target.exists():
            shutil.copyfile(target, draft)
        new = [spec for spec in declarations if spec.name.casefold() not in there]
        with quick_fiona():
            for spec in new:
                create_layer(draft, spec, crs)
        old = [(spec, there[spec.name.casefold()]) for spec in declarations if spec.name.casefold() in there]
        _make_room(draft, old, replaced)
        stored = [replace(spec, name=info.name) for spec, info in old]
        tables = conformed_layers(layers, declarations, crs)
        stored_name = {spec.name: info.name for spec, info in old}
        by_stored = {stored_name.get(name, name): table for name, table in tables.items()}
        multi = {info.name for _, info in old if (info.geometry_type or "").startswith("Multi")}
        append_layers(draft, by_stored, [*stored, *new], multi=multi)
        descriptions.describe_layers(draft, new, datetime.now(UTC))
    return target


def refuse_unlike(path: str | Path, declarations: Sequence[Layer], crs: CRS) -> dict[str, LayerInfo]:
    """Refuse a file whose layers can't take rows as declared; return its layers by name in small letters.

    Worth calling before hours of computation; :func:`replace_rows` calls it by itself.

    Raises
    ------
    SiteError
        When the file is there and can't be used.
    LayerError
        When a layer is in another CRS, or is drawn otherwise.
    """
    target = Path(os.path.realpath(path))
    there = {info.name.casefold(): info for info in layer_overview(target)} if target.exists() else {}
    for declaration in declarations:
        _refuse_unlike(target, declaration, there.get(declaration.name.casefold()), crs)
    return there


def _refuse_unlike(path: Path, spec: Layer, info: LayerInfo | None, crs: CRS) -> None:
    """Refuse to put rows into a layer that mixes them with others: GDAL would, without a word."""
    if info is None:
        return
    where = (str(path), info.name)
    advice = "Rename that layer, or give another file."
    wanted = spec.geometry
    if wanted is not None and info.crs is not None and horizontal_crs(info.crs) != horizontal_crs(crs):
        raise LayerError(f"is in {info.crs.name}, what is to be written in {crs.name}", where=where, advice=advice)
    if (wanted is None) != (info.geometry_type is None) or (
        wanted is not None and str(info.geometry_type).removeprefix("Multi") not in (wanted, "Geometry")
        and info.geometry_type != wanted
    ):  # fmt: skip
        has = f"holds {info.geometry_type}" if info.geometry_type else "has no geometry"
        raise LayerError(
            f"{has}, but {wanted or 'rows without geometry'} are to be written", where=where, advice=advice
        )


def _make_room(
    draft: Path, old: Sequence[tuple[Layer, LayerInfo]], replaced: Mapping[str, Mapping[str, Collection[str | None]]]
) -> None:
    with closing(opening.connection(draft, "rw", 0)) as database:
        database.execute("BEGIN")
        for spec, info in old:
            known = {name.casefold() for name in info.columns}
            for column in spec.columns:
                if column.name.casefold() not in known:
                    database.execute(f'ALTER TABLE "{info.name}" ADD COLUMN "{column.name}" {_sql_type(column)}')
            conditions, values = [], []
            for name, some in replaced.get(spec.name, {}).items():
                given = [value for value in some if value is not None]
                nothing = f' OR "{name}" IS NULL' if len(given) < len(some) else ""
                conditions.append(f'("{name}" IN ({", ".join("?" * len(given))}){nothing})')
                values += given
            if conditions:
                database.execute(f'DELETE FROM "{info.name}" WHERE {" AND ".join(conditions)}', values)
        database.execute("COMMIT")


def _sql_type(column: Column) -> str:
    return _SQL_TYPES[column.kind]
