"""Overrides as typed facts of a site, and its own layers as somebody found them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from shapely import MultiPolygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts

from ..derived.matching import NEAR_M, applied, no_target
from ..model.catalogue import Said, Values
from ..model.facts import GEOMETRY, GONE, Fact, Facts
from ..model.plan import Finding
from ..model.site import Site
from ..model.site_layers import SITE_LAYERS
from .overrides import NEW, Override, drawn_lines, own_overrides, typed_value


def measured_site(site: Site, overrides: Sequence[Override]) -> tuple[Site, list[Finding]]:
    """Return a site as somebody found it, and what is said of its own layers.

    Features of its layers are gone, new, moved or of another kind; all else that was measured becomes facts for the
    steps.

    Parameters
    ----------
    site
        As files have it.
    overrides
        Of all parcels, as they were read.
    """
    facts = facts_of(site, overrides)
    layers = dict(site.layers)
    findings = [_put_in(layers, fact, site) for fact in facts.features]
    return replace(site, layers=layers, facts=site.facts + facts), findings


def facts_of(site: Site, overrides: Sequence[Override]) -> Facts:
    """Return what overrides say of one parcel as facts, with their places in its frame."""
    kinds: dict[str, list[Fact[Any]]] = {}
    for item in own_overrides(site, overrides):
        for value, place in _values(item):
            fact = Fact(
                value,
                item.target_layer,
                item.column,
                name="" if item.target_id == site.parcel_id else item.feature,
                place=place,
                note=item.note,
                label=str(item),
                ours=item.target_layer in SITE_LAYERS or bool(item.target_id) or site.parcel.intersects(place),
                key=item.key,
            )
            kinds.setdefault(fact.kind, []).append(fact)
    return Facts(**{kind: tuple(facts) for kind, facts in kinds.items()})


def _values(item: Override) -> list[tuple[Any, BaseGeometry | None]]:
    """Return the value of an override and its place; one for each line of wire."""
    place, column = item.place, (item.target_layer, item.column)
    if column == ("wire_path", GEOMETRY):
        return [(line, line) for line in drawn_lines(place)]
    if column == ("lawn", GEOMETRY):
        parts = polygon_parts(place) if place is not None else []
        return [(MultiPolygon(parts) if len(parts) > 1 else parts[0], place)] if parts else []
    if column == ("dock_candidates", GEOMETRY):
        return [(True, place)]
    if column == ("links", GONE):
        return [(GONE, place)]
    return [(typed_value(item), place)]


# --- the site's own layers -------------------------------------------------------------------------------


def _put_in(layers: dict[str, geopandas.GeoDataFrame], fact: Fact[Any], site: Site) -> Finding:
    """Put a fact into the layer of the site that it is about, and return what was done."""
    table = layers.get(fact.layer)
    if fact.column == GEOMETRY and fact.value == NEW and fact.place is not None:
        layers[fact.layer] = _with_feature(table, fact, site)
        return applied(fact, "new", {})
    row = None if table is None else _nearest_feature(table, fact)
    if table is None or row is None:
        return no_target(fact, [] if table is None else _nearest_rows(table, fact))
    layers[fact.layer], case, values = _feature_changed(table, row, fact)
    return applied(fact, case, values)


def _with_feature(table: geopandas.GeoDataFrame | None, fact: Fact[Any], site: Site) -> geopandas.GeoDataFrame:
    columns = [column.name for column in SITE_LAYERS[fact.layer].columns] if table is None else table.columns
    row = {name: pd.Series([None], dtype=object) for name in columns if name != "geometry"}
    added = geopandas.GeoDataFrame(row, geometry=[fact.place], crs=site.frame.crs if table is None else table.crs)
    numbers = {column.name: float for column in SITE_LAYERS[fact.layer].columns if column.kind == "real"}
    if table is not None and len(table):
        both = pd.concat([table.astype(object), added.astype(object)], ignore_index=True)
        added = geopandas.GeoDataFrame(both, geometry="geometry", crs=table.crs)
    return added.astype({name: kind for name, kind in numbers.items() if name in added})


def _nearest_rows(table: geopandas.GeoDataFrame, fact: Fact[Any]) -> list[Said]:
    if fact.place is None:
        return [("nearest", {"case": "row", "row": number + 1}) for number in range(len(table))]
    away = shapely.distance(table.geometry.to_numpy(), fact.place)
    return [
        ("nearest", {"case": "placed_row", "row": int(number) + 1, "away_m": float(away[number])})
        for number in np.argsort(away)[:3]
    ]


def _nearest_feature(table: geopandas.GeoDataFrame, fact: Fact[Any]) -> int | None:
    if not len(table) or fact.place is None:
        return None
    away = shapely.distance(table.geometry.to_numpy(), fact.place)
    reach = 4 * NEAR_M if fact.column == GEOMETRY else NEAR_M
    return int(np.argmin(away)) if away.min() <= reach else None


def _feature_changed(
    table: geopandas.GeoDataFrame, row: int, fact: Fact[Any]
) -> tuple[geopandas.GeoDataFrame, str, Values]:
    """Return a layer with what somebody found of one of its rows, and the case and values that say what that is."""
    if fact.column == GONE:
        return table.drop(index=table.index[row]).reset_index(drop=True), "row_gone", {}
    changed = table.copy()
    if fact.column == GEOMETRY:
        moved = shapely.distance(table.geometry.iloc[row], fact.place)
        changed.loc[changed.index[row], "geometry"] = fact.place
        return changed, "row_moved", {"moved_m": float(moved)}
    before = table[fact.column].iloc[row]
    changed.loc[changed.index[row], fact.column] = fact.value
    known = None if pd.isna(before) else before
    return changed, "row", {"column": fact.column, "before": known, "after": fact.value}
