"""Rows of a plan's layer as people and other programs left them, in the kinds of values that its columns declare."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError

from ..files import gpkg
from ..model.contract import Layer
from ..model.plan import Row
from ..model.stored_values import as_declared, value_advice, value_fault
from ..model.tables import plain_columns
from ..model.values import texts_of

FILLED: Mapping[str, Collection[str]] = {
    "lawn": ("area_m2", "source", "confidence"),
    "cover": ("area_m2", "confidence"),
    "trees_found": ("confidence",),
    "keepouts": ("area_m2", "confidence"),
    "zones": ("role", "area_m2", "perimeter_m", "supply"),
    "links": ("length_m", "zone_a", "zone_b"),
    "edges": ("zone_id", "setback_m", "length_m"),
    "dock_candidates": ("zone_id", "chosen", "feasible"),
    "hand_mow": ("area_m2",),
    "supply_route": ("length_m", "within_limit"),
}
"""Columns that a new feature needs and a person need not fill in: they are worked out."""


@dataclass(frozen=True, eq=False)
class LenientLayer:
    """A layer of a plan, read as a person left it.

    Parameters
    ----------
    path
        The file, for errors.
    spec
        Declaration of the layer.
    checked
        Its values must fit the declaration, as something is to be built on them.
    outlines
        Outlines of the parcels, by name: a feature that a person drew without naming its parcel belongs to the one
        that it lies in.
    """

    path: Path
    spec: Layer
    checked: bool
    outlines: Mapping[str, BaseGeometry | None]

    def rows(self, frame: pd.DataFrame) -> list[Row]:
        """Return rows of the stored layer, see :meth:`columns`."""
        columns = self.columns(frame)
        return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]

    def columns(self, frame: pd.DataFrame) -> dict[str, list[Any]]:
        """Return rows of the stored layer as the declared columns; their names match without regard to case.

        Raises
        ------
        FeatureError
            When a value or a geometry doesn't fit and the layer is checked.
        """
        stored = {name.casefold(): values for name, values in plain_columns(frame).items()}
        nothing = [None] * len(frame)
        columns = {
            column.name: as_declared(column, stored.get(column.name.casefold(), nothing))
            for column in self.spec.columns
        }
        fids = frame.index.tolist()
        if self.checked:
            self._check_values(columns, fids)
        if self.spec.geometry is not None:
            columns["geometry"] = self._geometries(frame) if len(frame) else []
        if "parcel_id" in columns and len(frame):
            columns["parcel_id"] = self._parcel_names(columns, fids)
        return columns

    def _check_values(self, columns: Mapping[str, list[Any]], fids: Sequence[int]) -> None:
        needless = {"parcel_id", self.spec.key, *FILLED.get(self.spec.name, ())}
        for column in self.spec.columns:
            for row, value in enumerate(columns[column.name]):
                fault = value_fault(column, value, needless=column.name in needless)
                if fault:
                    name = columns[self.spec.key][row] if self.spec.key else None
                    feature = f"feature {fids[row]}{f' ({name})' if name else ''}"
                    where = (str(self.path), self.spec.name, feature)
                    raise FeatureError(f"{column.name} {fault}", where=where, advice=value_advice(column))

    def _geometries(self, table: geopandas.GeoDataFrame) -> list[BaseGeometry]:
        geometries = shapely.force_2d(np.asarray(table.geometry.to_numpy(), dtype=object))
        if self.checked and not self.spec.may_be_empty_geometry:
            types = self.spec.geometry_types
            wanted = {name for one in types for name in (one, f"Multi{one.removeprefix('Multi')}")}
            problems = gpkg.geometry_problems(table, expected=wanted)
            # What crosses itself can be repaired; what is missing or of another kind can't.
            shapes = dict(zip(table.index, geometries, strict=True))
            hard = [(fid, problem) for fid, problem in problems if shapes[fid] is None or shapely.is_valid(shapes[fid])]
            if hard:
                fid, problem = hard[0]
                where = (str(self.path), self.spec.name, f"feature {fid}")
                raise FeatureError(gpkg.problem_words(problem), where=where, advice="Draw it again, or delete it.")
        empty = shapely.from_wkt(f"{self.spec.geometry_types[0].upper()} EMPTY")
        return [empty if geometry is None else geometry for geometry in geometries]

    def _parcel_names(self, columns: Mapping[str, list[Any]], fids: Sequence[int]) -> list[str | None]:
        """Return the parcel of each row; of rows without one, that which the geometry lies in."""
        names = [name or None for name in texts_of(columns["parcel_id"])]
        for row, name in enumerate(names):
            if name is not None or self.spec.geometry is None or not self.outlines:
                continue
            names[row] = _parcel_around(columns["geometry"][row], self.outlines)
            if names[row] is None and self.checked and not self.spec.column("parcel_id").nullable:
                raise FeatureError(
                    "lies in no parcel, and parcel_id is empty",
                    where=(str(self.path), self.spec.name, f"feature {fids[row]}"),
                    advice="Enter the parcel_id that it belongs to, or delete it.",
                )
        return names


def _parcel_around(geometry: BaseGeometry, outlines: Mapping[str, BaseGeometry | None]) -> str | None:
    if geometry.is_empty:
        return None
    place = geometry.representative_point()
    return next((name for name, outline in outlines.items() if outline is not None and outline.intersects(place)), None)
