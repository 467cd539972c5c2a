"""Plans read back, and the records of laid wire: the one way to find, open and read what this program wrote.

A plan holds up to ten thousand lawns, so it is never read whole: rows come layer by layer for the parcels at hand, or
streamed parcel by parcel in the order of the file.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, NoReturn

import geopandas
import pandas as pd
from pyproj import CRS
from shapely import MultiPolygon

from lawngis.errors import FeatureError, PlanError
from lawngis.geometry.frame import MeasuringFrame

from ..model.contract import Layer
from ..model.plan import Row
from ..model.row_checks import column_sound, columns_of
from ..model.stored_values import as_declared, shape_fault, singles, value_advice, value_fault
from ..model.tables import plain_rows
from ..model.values import is_absent
from . import gpkg
from .file_kinds import PLAN, FileKind

BATCH_ROWS = 50_000
"""Rows of a layer that are looked at at a time."""

PARCELS_AT_A_TIME = 400
"""Parcels that are read together: each turn opens every layer once."""

PLAN_AGAIN = "Plan the site again with this version of lawngis."


def is_plan(path: Path) -> bool:
    """Tell whether a file is a plan.

    Raises
    ------
    SiteError
        When it is there and can't be read.
    """
    return path.is_file() and PLAN.marked(gpkg.layer_names(path))


@dataclass(frozen=True, eq=False)
class PlanFile:
    """A file with layers of a plan, of which so much is read as is asked for.

    Parameters
    ----------
    path
        The file.
    kind
        What it is.
    layers
        Those of its layers that are declared, by the name of the declaration.
    others
        Names of layers and tables beside them.
    """

    path: Path
    kind: FileKind
    layers: Mapping[str, gpkg.LayerInfo]
    others: tuple[str, ...] = ()
    _spans: dict[str, gpkg.RowSpans | None] = field(default_factory=dict, init=False, repr=False)

    @cached_property
    def crs(self) -> CRS:
        """CRS of its layers.

        Raises
        ------
        PlanError
            When the file doesn't say.
        """
        first = self.kind.marks[0]
        crs = self.layers[first].crs
        if crs is None:
            raise PlanError("has no CRS", where=(str(self.path), first), advice="Give its layers their CRS in a GIS.")
        return crs

    @cached_property
    def parcel_ids(self) -> list[str]:
        """Names of all parcels, in the order of the file.

        Raises
        ------
        FeatureError
            When one has no name, or another's.
        """
        first = self.layers[self.kind.marks[0]]
        names = gpkg.read_table(self.path, first.name, columns=["parcel_id"])["parcel_id"]
        odd = names[names.isna() | names.duplicated()]
        if len(odd):
            fid, name = odd.index[0], odd.iloc[0]
            what = "parcel_id has no value" if is_absent(name) else f"parcel_id {name!r} occurs twice"
            where = (str(self.path), first.name, f"feature {fid}")
            raise FeatureError(what, where=where, advice="Give each parcel a name of its own.")
        return [str(name) for name in names]

    @cached_property
    def facts(self) -> dict[str, str]:
        """How the whole was made, as keys and values; what was recorded of single parcels is not among it."""
        table = gpkg.read_table(self.path, self.layers[self.kind.facts].name, where="parcel_id IS NULL")
        return {str(key): str(value) for key, value in zip(table["key"], table["value"], strict=True)}

    def facts_with(self, profile: str | None) -> dict[str, str]:
        """Return the facts of a parcel that was planned with a mower: where there was a choice, with its profile's."""
        start = f"profile {profile}."
        own = {key: value for key, value in self.facts.items() if key.startswith(start)}
        return self.facts | {f"profile.{key.removeprefix(start)}": value for key, value in own.items()}

    def refuse_without(self, layers: Collection[str], columns: Collection[str] = ()) -> None:
        """Refuse a file whose layers lack columns without which their rows say nothing.

        Parameters
        ----------
        layers
            Layers to look at; those that the file lacks are passed over.
        columns
            Columns that must be there beside those that have a value in every row by the contract.

        Raises
        ------
        PlanError
            Naming the first that is missing.
        """
        for name, info in ((name, self.layers[name]) for name in layers if name in self.layers):
            always = [column.name for column in self.kind.specs[name].columns if not column.nullable]
            missing = [column for column in (*always, *columns) if column not in info.columns]
            if missing:
                what = f"the layer {name} has no column {missing[0]}"
                raise PlanError(what, where=str(self.path), advice=PLAN_AGAIN)

    def frame(
        self, layer: str, parcel_ids: Collection[str] | None = None, *, where: str = ""
    ) -> geopandas.GeoDataFrame | pd.DataFrame:
        """Return a layer's rows as a table, in the order of the file.

        Declared columns that the file lacks are there and empty; a layer that it lacks has no rows.

        Parameters
        ----------
        layer
            Name of the layer.
        parcel_ids
            Only the rows of these parcels; default: of all.
        where
            SQL condition that rows meet.

        Raises
        ------
        SiteError, LayerError
            When it can't be read.
        """
        spec = self.kind.specs[layer]
        if layer not in self.layers:
            return pd.DataFrame({column.name: [] for column in spec.columns})
        spans = None if parcel_ids is None else self._row_spans(layer)
        conditions = [where] if where else []
        if parcel_ids is not None and spans is not None:
            conditions.append(spans.where(parcel_ids))
        read = gpkg.read_table if spec.geometry is None else gpkg.read_layer
        table = read(self.path, self.layers[layer].name, where=" AND ".join(f"({some})" for some in conditions) or None)
        if parcel_ids is not None:
            table = table[table["parcel_id"].isin(parcel_ids)]
        absent = {column.name: None for column in spec.columns if column.name not in table}
        return table.assign(**absent) if absent else table

    def rows(self, layer: str, parcel_ids: Collection[str] | None = None, *, where: str = "") -> list[Row]:
        """Return a layer's rows as plain values, None where one is missing; see :meth:`frame` and :meth:`sound`."""
        return self.sound(layer, self._as_stored(layer, parcel_ids, where))

    def _as_stored(self, layer: str, parcel_ids: Collection[str] | None = None, where: str = "") -> list[Row]:
        return list(plain_rows(self.frame(layer, parcel_ids, where=where)))

    def of_run(self, layer: str) -> list[Row]:
        """Return the rows of a layer that belong to no parcel: they hold for the whole run."""
        return self.rows(layer, where="parcel_id IS NULL")

    def sound(self, layer: str, rows: Sequence[Row]) -> list[Row]:
        """Return rows of a layer as it declares them, whatever a person or another program left there.

        Values are brought into the kinds that are declared, and a multiple geometry of one part is that part.

        Raises
        ------
        FeatureError
            Naming layer, row, column and what is expected, where a value or a geometry can't be what is declared.
        """
        spec, columns = self.kind.specs[layer], {name: list(values) for name, values in columns_of(rows).items()}
        names = columns.get(spec.key or "", [f"row {number}" for number in range(1, len(rows) + 1)])
        for column in (column for column in spec.columns if column.name in columns):
            values = columns[column.name] = as_declared(column, columns[column.name])
            if not column_sound(column, values):
                faults = ((row, value_fault(column, value)) for row, value in enumerate(values))
                row, fault = next((row, fault) for row, fault in faults if fault)
                self._refuse(spec, names[row], f"{column.name} {fault}", value_advice(column))
        if spec.geometry is not None and rows:
            if not spec.geometry.startswith("Multi"):
                columns["geometry"] = list(singles(columns["geometry"]))
            for name, shape in zip(names, columns["geometry"], strict=True):
                if problem := shape_fault(spec, shape):
                    self._refuse(spec, name, problem, "Draw it again, or plan the parcel again.")
        return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]

    def _refuse(self, spec: Layer, name: Any, what: str, advice: str) -> NoReturn:
        raise FeatureError(what, where=(str(self.path), spec.name, str(name)), advice=advice)

    def parcels(
        self, layers: Mapping[str, str] | Collection[str], parcel_ids: Sequence[str] | None = None
    ) -> Iterator[tuple[str, dict[str, list[Row]]]]:
        """Yield parcels with their rows by layer as they are declared, see :meth:`stored_parcels`.

        Raises
        ------
        FeatureError
            At the first value or geometry that can't be what is declared.
        """
        for parcel_id, stored in self.stored_parcels(layers, parcel_ids):
            yield parcel_id, {layer: self.sound(layer, rows) for layer, rows in stored.items()}

    def stored_parcels(
        self, layers: Mapping[str, str] | Collection[str], parcel_ids: Sequence[str] | None = None
    ) -> Iterator[tuple[str, dict[str, list[Row]]]]:
        """Yield parcels with their rows by layer as they are stored, some parcels read together.

        Parameters
        ----------
        layers
            Names of layers; or with the SQL condition that rows of each meet, empty for none.
        parcel_ids
            Parcels, in the order wanted; default: all.
        """
        conditions = layers if isinstance(layers, Mapping) else dict.fromkeys(layers, "")
        names = self.parcel_ids if parcel_ids is None else parcel_ids
        for first in range(0, len(names), PARCELS_AT_A_TIME):
            some = names[first : first + PARCELS_AT_A_TIME]
            found: dict[str, dict[str, list[Row]]] = {name: {layer: [] for layer in conditions} for name in some}
            for layer, where in conditions.items():
                for row in self._as_stored(layer, some, where):
                    found[row["parcel_id"]][layer].append(row)
            yield from found.items()

    def streamed(self, layer: str, rows_of: Callable[[pd.DataFrame], Sequence[Row]]) -> Iterator[tuple[str, list[Row]]]:
        """Yield the rows of each parcel of a layer, as soon as the last of them has come.

        A plan is written parcel after parcel: few of them wait at a time, however many there are.

        Parameters
        ----------
        layer
            Name of the layer.
        rows_of
            Makes rows of a piece of the table; each says its ``parcel_id``, or none.
        """
        spans = self._row_spans(layer)
        spans = None if spans is None or spans.count("") else spans  # a row without a name may be anyone's
        waiting: dict[str, list[Row]] = {}
        for frame in gpkg.row_batches(self.path, self.layers[layer].name, rows=BATCH_ROWS):
            came = {}
            for row in rows_of(frame):
                parcel_id = str(row.get("parcel_id") or "")
                came[parcel_id] = waiting.setdefault(parcel_id, [])
                came[parcel_id].append(row)
            for parcel_id, rows in came.items():
                if spans is not None and len(rows) == spans.count(parcel_id):
                    yield parcel_id, waiting.pop(parcel_id)
        yield from waiting.items()

    def locate(self, layers: Collection[str]) -> None:
        """Look up where each parcel's rows lie, for processes that are given this file."""
        for name in layers:
            self._row_spans(name)

    def _row_spans(self, layer: str) -> gpkg.RowSpans | None:
        """Return where each parcel's rows lie; None when the layer has no column that says, or can't be asked."""
        if layer in self.layers and layer not in self._spans:
            info = self.layers[layer]
            column = next((name for name in info.columns if name.casefold() == "parcel_id"), None)
            known = column is not None and info.path.suffix.casefold() == ".gpkg"
            self._spans[layer] = gpkg.row_spans(self.path, info.name, str(column)) if known else None
        return self._spans.get(layer)


def layers_of(path: Path, kind: FileKind = PLAN, *, names: Mapping[str, str] | None = None) -> PlanFile:
    """Return what a file has of the layers of a plan, whatever else it is.

    Parameters
    ----------
    path
        The file.
    kind
        What declares the layers.
    names
        Names that layers have in the file, where they differ; they match without regard to case.

    Raises
    ------
    SiteError
        When it can't be read.
    """
    stored = {info.name.casefold(): info for info in gpkg.layer_overview(path)}
    places = {name: (names or {}).get(name, name).casefold() for name in kind.specs}
    layers = {name: stored[place] for name, place in places.items() if place in stored}
    others = tuple(info.name for name, info in stored.items() if name not in places.values())
    return PlanFile(path, kind, layers, others)


def plan_file(
    path: Path, kind: FileKind = PLAN, *, needed: Collection[str] = (), read: Collection[str] = ()
) -> PlanFile:
    """Return a plan to read from.

    Parameters
    ----------
    path
        The file, or the folder that it is in.
    kind
        What it has to be.
    needed
        Layers that must be there beside those without which it is none.
    read
        Layers that will be read where they are; from a plan of an earlier version they may be absent.

    Raises
    ------
    SiteError
        When the file can't be read.
    PlanError
        When there is none, it is of another kind, or lacks a layer, a column or its CRS.
    """
    file = kind.path(path)
    if not file.exists():
        what = f"there is no {kind.word}" if file == path else f"there is no {kind.file_name} in this folder"
        advice = f"Name a {kind.file_name}, or the folder that it is in."
        raise PlanError(what, where=str(path), advice=advice)
    found = layers_of(file, kind)
    missing = [name for name in kind.marks if name not in found.layers]
    if missing:
        what = f"is no {kind.word}: the layer {missing[0]} is missing"
        raise PlanError(what, where=str(file), advice=f"Name a {kind.file_name}.")
    absent = [name for name in needed if name not in found.layers]
    if absent:
        raise PlanError(f"the layer {absent[0]} is missing", where=str(file), advice=PLAN_AGAIN)
    found.refuse_without((*kind.marks, *needed, *read))
    _ = found.crs
    return found


def rows_in_frame(rows: Sequence[Row], frame: MeasuringFrame) -> list[Row]:
    """Return rows of a layer with their geometry moved from the CRS of the file into a measuring frame.

    A row without a geometry gets an empty one; rows of a table stay as they are.
    """
    if not rows or "geometry" not in rows[0]:
        return list(rows)
    moved = frame.to_frame([row["geometry"] for row in rows])
    return [
        {**row, "geometry": MultiPolygon() if shape is None else shape} for row, shape in zip(rows, moved, strict=True)
    ]
