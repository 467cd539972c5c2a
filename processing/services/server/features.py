"""Layers of a plan as collections of features, in longitude and latitude; tables have features without geometry."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas
import pandas as pd
from pygeoapi.provider.base import BaseProvider, ProviderItemNotFoundError
from shapely import box
from shapely.geometry import mapping

from ...files.gpkg import read_layer, read_table
from ...model.layers import PLAN_LAYERS

_JSON_TYPES = {"text": "string", "real": "number", "integer": "integer", "boolean": "boolean", "datetime": "string"}
_reading = threading.Lock()
"""Open files are not shared among threads."""


@lru_cache(maxsize=64)
def _rows(file: str, layer: str, key: str | None, changed: int) -> pd.DataFrame:
    """Return the rows of a layer by their names, as the file is since it was `changed`."""
    del changed
    if PLAN_LAYERS[layer].geometry is None:
        rows = read_table(file, layer)
    else:
        rows = read_layer(file, layer).to_crs("OGC:CRS84")
    names = rows[key] if key in rows.columns and rows[key].is_unique else rows.index
    return rows.set_index(pd.Index(names).astype(str))


class PlanLayer(BaseProvider):
    """One layer of a plan.

    Parameters
    ----------
    provider_def
        What the configuration says: the plan's file as `data`, and `layer`.
    """

    def __init__(self, provider_def: Mapping[str, Any]) -> None:
        super().__init__(provider_def)
        self._layer = provider_def["layer"]
        self.get_fields()

    def get_fields(self) -> dict[str, Any]:
        """Return the columns, with what they say and their units."""
        fields: dict[str, Any] = self._fields
        if not fields:
            fields |= {
                column.name: {
                    "type": _JSON_TYPES[column.kind],
                    "title": column.description,
                    **({"x-ogc-unit": column.unit} if column.unit else {}),
                    **({"enum": list(column.values)} if column.values else {}),
                }
                for column in PLAN_LAYERS[self._layer].columns
            }
        return fields

    def query(
        self, offset: int = 0, limit: int = 10, resulttype: str = "results", bbox: Sequence[float] = (),
        datetime_: Any = None, properties: Sequence[tuple[str, str]] = (), sortby: Sequence[Mapping[str, str]] = (),
        select_properties: Sequence[str] = (), skip_geometry: bool = False, q: Any = None, **kwargs: Any,
    ) -> dict[str, Any]:  # fmt: skip
        """Return features that lie in a box and have some values, from one place in the list to another."""
        del datetime_, q, kwargs
        rows = self._all()
        if len(bbox) and isinstance(rows, geopandas.GeoDataFrame):
            west, south, east, north = bbox
            rows = rows[rows.intersects(box(west, south, east, north))]
        for name, value in properties:
            rows = rows[rows[name].astype(str) == value]
        if sortby:
            names = [one["property"] for one in sortby]
            rows = rows.sort_values(names, ascending=[one["order"] == "+" for one in sortby])
        some = rows.iloc[offset : offset + limit] if resulttype != "hits" else rows.iloc[:0]
        features = _features(some, select_properties, skip_geometry=skip_geometry)
        return {
            "type": "FeatureCollection",
            "features": features,
            "numberMatched": len(rows),
            "numberReturned": len(features),
        }

    def get(self, identifier: str, **kwargs: Any) -> dict[str, Any]:
        """Return one feature by its name.

        Raises
        ------
        ProviderItemNotFoundError
            When there is none.
        """
        del kwargs
        rows = self._all()
        if identifier not in rows.index:
            raise ProviderItemNotFoundError(f"there is no {identifier} in {self._layer}")
        return _features(rows.loc[[identifier]])[0]

    def _all(self) -> pd.DataFrame:
        with _reading:
            return _rows(self.data, self._layer, self.id_field, Path(self.data).stat().st_mtime_ns)


def _features(rows: pd.DataFrame, columns: Sequence[str] = (), *, skip_geometry: bool = False) -> list[dict[str, Any]]:
    plain = pd.DataFrame(rows.drop(columns="geometry", errors="ignore"))
    plain = plain[[name for name in plain.columns if name in columns]] if columns else plain
    values = json.loads(plain.to_json(orient="records", date_format="iso", double_precision=10))
    shapes: Sequence[Any] = [None] * len(rows)
    if isinstance(rows, geopandas.GeoDataFrame) and not skip_geometry:
        shapes = [None if shape is None or shape.is_empty else mapping(shape) for shape in rows.geometry]
    return [
        {"type": "Feature", "id": name, "geometry": shape, "properties": properties}
        for name, shape, properties in zip(rows.index, shapes, values, strict=True)
    ]
