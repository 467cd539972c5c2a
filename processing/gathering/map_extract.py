"""Layers of a site from a map extract, by the table of tags."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot, pi
from typing import Any

import geopandas
import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from ..files.gpkg import MapFeature
from .map_tags import Rule, Tags, TagTable, length_m

MAP_NUMBER = "map_number"
"""Column that says which feature of the map a row is made of."""


ROW_MAX_M = 5000.0
"""A longer row of trees is none [m]."""


@dataclass(frozen=True)
class MapLayer:
    """A layer made of a map's features.

    Parameters
    ----------
    table
        Features with the columns of the site's layer, their number in the map, and of lines made areas, `width_m` and
        whether a tag told it.
    position_sd_m
        Of its edges: that of the map, and what a width that no tag tells may be off.
    too_long
        Numbers of rows that no one planted: they are left out.
    """

    table: geopandas.GeoDataFrame
    position_sd_m: float
    too_long: tuple[str, ...] = ()

    @property
    def untold_widths(self) -> int:
        """How many lines were made areas by the width of their kind alone."""
        told = self.table.get("width_told")
        return 0 if told is None else int((told == False).sum())  # noqa: E712 (None is neither)


def map_layers(features: Iterable[MapFeature], tags: TagTable, crs: CRS) -> dict[str, MapLayer]:
    """Return the layers of a site that a map's features make.

    Parameters
    ----------
    features
        In longitude and latitude.
    tags
        What they are taken as.
    crs
        A projected one, in metres, in which the layers are.
    """
    taken: dict[str, list[tuple[MapFeature, Rule]]] = {}
    for feature in features:
        rule = tags.rule_of(feature.shape, feature.tags)
        if rule is not None:
            taken.setdefault(rule.layer, []).append((feature, rule))
    return {layer: _map_layer(members, tags, crs) for layer, members in taken.items()}


def _map_layer(members: list[tuple[MapFeature, Rule]], tags: TagTable, crs: CRS) -> MapLayer:
    moved = geopandas.GeoSeries([feature.geometry for feature, _ in members], crs="EPSG:4326").to_crs(crs)
    rows, shapes, too_long, sds = [], [], [], [tags.position_sd_m]
    for (feature, rule), drawn in zip(members, moved, strict=True):
        width_m = length_m(feature.tags.get("width"))
        row = {MAP_NUMBER: feature.number, **rule.columns, **_sizes(rule.layer, feature.tags, tags)}
        shape = drawn
        if rule.width_m is not None:
            row |= {"width_m": width_m or rule.width_m, "width_told": bool(width_m)}
            shape = shapely.buffer(drawn, row["width_m"] / 2, cap_style="flat")
            sds += [] if width_m else [hypot(tags.position_sd_m, tags.width_sd_share * rule.width_m / 2)]
        if rule.every_m and not shape.length <= ROW_MAX_M:
            too_long.append(feature.number)
            continue
        for part in _along(shape, rule.every_m) if rule.every_m else [shape]:
            rows.append(row)
            shapes.append(part)
    columns = {name: [row.get(name) for row in rows] for name in dict.fromkeys(key for row in rows for key in row)}
    return MapLayer(geopandas.GeoDataFrame(columns, geometry=shapes, crs=crs), max(sds), tuple(too_long))


def _sizes(layer: str, told: Tags, tags: TagTable) -> dict[str, Any]:
    """Return heights and diameters that tags tell."""
    if layer == "trees":
        girth_m = length_m(told.get("circumference"))
        trunk_m = None if girth_m is None else girth_m / pi
        crown_m = length_m(told.get("diameter_crown"))
        return {"height_m": tags.height_m(told), "trunk_diameter_m": trunk_m, "crown_diameter_m": crown_m}
    return {"height_m": tags.height_m(told)} if layer in ("buildings", "barriers") else {}


def _along(line: BaseGeometry, every_m: float) -> list[BaseGeometry]:
    """Return points along a line, evenly, no further apart than that, its ends included."""
    places = np.linspace(0, line.length, max(2, int(np.ceil(line.length / every_m)) + 1))
    return [line.interpolate(place) for place in places]
