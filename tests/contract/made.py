"""Small sites built in memory, and the real steps run on them, for the checker to look at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from affine import Affine
from plan_view import ParcelView, Violation, parcel_views
from pyproj import CRS
from rules import table_violations
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.mower import MowerProfile, built_in_profile
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.model.site_layers import SITE_LAYERS
from lawngis.processing.model.step import Step, loaded_steps
from lawngis.processing.model.tables import table
from lawngis.processing.steps.workflow import Settings, ordered, planned

SURROUNDINGS_M = 3.0


@cache
def all_steps() -> tuple[Step, ...]:
    """Every step, in order."""
    return tuple(ordered(loaded_steps()[0].values()))


def steps_until(last: str) -> tuple[Step, ...]:
    """The steps up to and with one."""
    names = [step.id for step in all_steps()]
    return all_steps()[: names.index(last) + 1]


def level_dem(parcel: BaseGeometry, crs: CRS, rise: tuple[float, float] = (0.0, 0.0)) -> Grid:
    """A terrain model of 1 m cells around a parcel, level or rising by so much per metre eastward and northward."""
    min_x, min_y, max_x, max_y = shapely.bounds(parcel)
    left, top = np.floor(min_x) - 4, np.ceil(max_y) + 4
    columns, rows = int(np.ceil(max_x) + 4 - left), int(top - np.floor(min_y) + 4)
    x, y = left + np.arange(columns) + 0.5, top - np.arange(rows) - 0.5
    return Grid(100.0 + rise[0] * x[None, :] + rise[1] * y[:, None], Affine(1, 0, left, 0, -1, top), crs)


def site_of(
    lawn: BaseGeometry | Sequence[Polygon],
    *,
    parcel: Polygon | None = None,
    layers: Mapping[str, Mapping[str, Any]] | None = None,
    rise: tuple[float, float] = (0.0, 0.0),
) -> Site:
    """A site with a surveyed lawn, drawn about the origin of its own plane.

    `layers` maps names to columns, of which one is `geometry`; columns that the contract has and that are not given
    are empty.
    """
    pieces = list(shapely.get_parts(lawn)) if isinstance(lawn, BaseGeometry) else list(lawn)
    outline = parcel or shapely.union_all(pieces).envelope.buffer(SURROUNDINGS_M, join_style="mitre")
    middle = shapely.Point(11.0, 48.0)
    frame = MeasuringFrame.centred_on(middle, CRS(4326))
    frame = MeasuringFrame.centred_on(shapely.Point(0, 0), frame.crs)
    given: dict[str, Mapping[str, Any]] = {"lawns": {"geometry": pieces}, **(layers or {})}
    tables = {name: _table(name, columns, frame.crs) for name, columns in given.items()}
    return Site("P1", "", outline, frame, tables, level_dem(outline, frame.crs, rise))


def _table(layer: str, columns: Mapping[str, Any], crs: CRS) -> geopandas.GeoDataFrame:
    names = [column.name for column in SITE_LAYERS[layer].columns]
    count = len(columns["geometry"])
    values = {name: pd.Series(columns.get(name, [None] * count)) for name in names}
    for column in SITE_LAYERS[layer].columns:
        if column.kind == "real":
            values[column.name] = values[column.name].astype(float)
    return geopandas.GeoDataFrame(values, geometry=list(columns["geometry"]), crs=crs)


def plan_of(site: Site, mower: MowerProfile | None = None, *, until: str | None = None, **parameters: Any) -> Plan:
    """What the real steps make of a site; `parameters` by step."""
    steps = all_steps() if until is None else steps_until(until)
    return planned(site, steps, Settings(mower or built_in_profile(), parameters)).plan


def violations_of(site: Site, plan: Plan, profile: dict[str, Any]) -> list[Violation]:
    """What the independent checker finds in a plan."""
    return table_violations(*_tables(site, plan), profile)


def view_of(site: Site, plan: Plan) -> ParcelView:
    """A plan as the independent checker sees it."""
    (view,) = parcel_views(*_tables(site, plan))
    return view


def _tables(site: Site, plan: Plan) -> tuple[dict[str, pd.DataFrame], dict[str, geopandas.GeoDataFrame]]:
    tables = {
        name: table(spec, _finished(name, plan), None if spec.geometry is None else site.frame.crs)
        for name, spec in PLAN_LAYERS.items()
    }
    outline = geopandas.GeoDataFrame({"parcel_id": [site.parcel_id]}, geometry=[site.parcel], crs=site.frame.crs)
    return tables, {**site.layers, "parcels": outline}


def _finished(name: str, plan: Plan) -> list[dict[str, Any]]:
    rows = [dict(row) for row in plan.rows(name)]
    if name == "summary":
        rows = [{**row, "seconds": 0.1} for row in rows]
    if name == "run_info":
        rows = rows or [{"key": "version", "value": "test"}]
    return rows
