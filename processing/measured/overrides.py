"""What somebody measured on site wins: rows of the layer `overrides`, applied to what the steps derive.

Overrides of site layers (a hedge that is gone, an outlet's true place), measured slopes, and lines along which the wire
is wanted are applied before the first step. After a step has written its layers, the rows that overrides name are
changed; then what the step had decided by the old value is decided anew (see `remeasured`). Every override leaves a
finding. One whose target is no parcel's is refused before anything is planned; one that finds no target on its parcel
is a finding that stops that parcel's plan, with the nearest candidates: the other parcels are planned all the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.mower import MowerProfile

from ..files import gpkg
from ..model.contract import Column
from ..model.layers import PLAN_LAYERS
from ..model.plan import Finding, Row, StepResult, VisitCheck
from ..model.site import MeasuredSlope, Site
from ..model.site_layers import SITE_LAYERS
from .remeasured import GONE, Remeasured, decided_anew

NEAR_M = 5.0
"""An override without a name takes the nearest feature within this distance."""

BESIDE_M = 0.5
"""A place this near a parcel may still be meant to lie on it; farther off, what a plan derives is the neighbour's."""

CONTRADICTS_SDS = 3.0
"""A measured value this many standard deviations from the derived one says that the map is wrong."""

NEVER = ("findings", "visit_checks", "run_info", "overrides")
"""Layers that say what was found; nobody measures them."""

GEOMETRY = "geometry"
SLOPE = "slope_percent"
"""What overrides of keep-outs may give besides their columns: the slope that was measured there."""

NEW = "new"
"""Value of a site feature's geometry that no map has."""

_TRUE = ("", "1", "true", "yes", "y")


@dataclass(frozen=True, eq=False)
class Override:
    """One row of `overrides`: what it targets, the measured value as text, and where it was measured, if drawn."""

    target_layer: str
    target_id: str
    column: str
    value: str
    note: str = ""
    place: BaseGeometry | None = None
    crs: CRS | None = None
    row: int = 0

    def __str__(self) -> str:
        name = self.target_id or "at its place"
        return f"override {self.row} ({self.target_layer} {name}, {self.column} = {self.value or GEOMETRY})"


@dataclass(frozen=True, eq=False)
class Measured(Sequence[Override]):
    """The overrides of one parcel in its frame, and the parcel that they are about."""

    site: Site
    items: tuple[Override, ...]

    def __len__(self) -> int:
        return len(self.items)

    def __getitem__(self, index: Any) -> Any:
        return self.items[index]


def read_overrides(path: Path, layer: str = "overrides") -> tuple[Override, ...]:
    """Return the overrides in a layer or table.

    Raises
    ------
    LayerError
        When a row names no layer of plan or site, or no column of it.
    """
    info = next((info for info in gpkg.layer_overview(path) if info.name.casefold() == layer.casefold()), None)
    if info is None:
        raise LayerError(f"there is no layer {layer!r}", where=str(path))
    drawn = info.geometry_type is not None
    table = gpkg.read_layer(path, layer) if drawn else gpkg.read_table(path, layer)
    table.columns = [str(name).casefold() if name != "geometry" else name for name in table.columns]
    found = []
    for number, row in enumerate(table.to_dict("records"), start=1):
        words = {name: _word(row.get(name)) for name in ("target_layer", "target_id", "column", "value", "note")}
        place = row.get("geometry") if drawn else None
        usable = None if place is None or place.is_empty else place
        found.append(Override(**words, place=usable, crs=info.crs, row=number))
        _check(found[-1], path)
    return tuple(found)


def _word(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value).strip()


def _check(item: Override, path: Path) -> None:
    specs: dict[str, Any] = {**SITE_LAYERS, **PLAN_LAYERS}
    where = (str(path), f"overrides, row {item.row}")
    if item.target_layer not in specs:
        raise LayerError(
            f"target_layer {item.target_layer!r} is no layer", where=where, advice=f"Layers are {', '.join(specs)}."
        )
    if item.target_layer in NEVER:
        raise LayerError(f"target_layer {item.target_layer!r} is told, not measured", where=where)
    known = [column.name for column in specs[item.target_layer].columns] + [GONE, GEOMETRY]
    known += [SLOPE] if item.target_layer == "keepouts" else []
    if item.column not in known:
        raise LayerError(
            f"column {item.column!r} is no column of {item.target_layer}",
            where=where,
            advice=f"Columns are {', '.join(known)}.",
        )
    if not item.target_id and item.place is None:
        raise LayerError("names no feature and has no place", where=where, advice="Give target_id, or draw it.")
    if _drawn_wire(item) and (item.place is None or not _lines(item.place)):
        raise LayerError("the wire's way is not drawn as a line", where=where, advice="Draw a line.")
    if item.column == SLOPE:
        _number(item)


def own_overrides(site: Site, overrides: Sequence[Override]) -> Measured:
    """Return the overrides that belong to a parcel, in its frame: by the name they begin with, else by their place.

    What stands near a parcel matters to it, whosever it is; edges, passages and docks are its own.
    """
    found = []
    for item in overrides:
        place = item.place
        if place is not None and item.crs is not None:
            place = site.frame.to_frame(np.array([place], dtype=object), item.crs)[0]
        named = item.target_id == site.parcel_id or item.target_id.startswith(f"{site.parcel_id}-")
        here = place is not None and place.dwithin(site.parcel, _reach_m(item))
        if named or (here and not _named(item)):
            found.append(replace(item, place=place, crs=None))
    return Measured(site, tuple(found))


def _reach_m(item: Override) -> float:
    return NEAR_M if item.target_layer in SITE_LAYERS else BESIDE_M


def _named(item: Override) -> bool:
    """Return whether an override names a feature, and does not go by its place."""
    return "-" in item.target_id


def refuse_strangers(
    overrides: Sequence[Override],
    parcel_ids: Sequence[str],
    outlines: Callable[[], tuple[Sequence[BaseGeometry | None], CRS]] | None = None,
) -> None:
    """Refuse overrides that belong to no parcel.

    Parameters
    ----------
    overrides
        From :func:`read_overrides`.
    parcel_ids
        Names of all parcels of the site.
    outlines
        Returns their outlines and the CRS of these; asked for only when an override goes by its place. Default: places
        are not looked at.

    Raises
    ------
    LayerError
        Naming the first, with the parcels whose names or outlines come nearest.
    """
    placed = []
    for item in overrides:
        named = item.target_id
        if named in parcel_ids or any(named.startswith(f"{name}-") for name in parcel_ids):
            continue
        if "-" in named or item.place is None:
            near = ", ".join(get_close_matches(named.partition("-")[0], parcel_ids, n=3, cutoff=0.0))
            raise LayerError(f"{item} finds no target: no parcel begins that name", advice=f"Nearest are {near}.")
        placed.append(item)
    if placed and outlines is not None:
        _refuse_far(placed, parcel_ids, *outlines())


def _refuse_far(
    overrides: Sequence[Override], parcel_ids: Sequence[str], outlines: Sequence[BaseGeometry | None], crs: CRS
) -> None:
    known = [(name, shape) for name, shape in zip(parcel_ids, outlines, strict=True) if shape and not shape.is_empty]
    if not known:
        return
    tree = shapely.STRtree([shape for _, shape in known])
    for item in overrides:
        place = geopandas.GeoSeries([item.place], crs=item.crs or crs).to_crs(crs).iloc[0]
        name, nearest = known[int(tree.nearest(place))]
        frame = MeasuringFrame.centred_on(place, crs)
        outline, drawn = frame.to_frame(np.array([nearest, place], dtype=object))
        away = float(outline.distance(drawn))
        if away > _reach_m(item):
            raise LayerError(
                f"{item} finds no target: the nearest parcel, {name}, is {away:.0f} m from its place",
                advice="Check the CRS of the layer overrides, or give target_id.",
            )


def site_with(site: Site, overrides: Sequence[Override]) -> tuple[Site, list[Finding]]:
    """Return a site as somebody found it: features gone, new, moved or measured otherwise, slopes, and wire drawn."""
    layers = dict(site.layers)
    wire: list[LineString] = list(site.drawn_wire)
    slopes = list(site.measured_slopes)
    findings = []
    for item in overrides:
        if _drawn_wire(item) and item.place is not None:
            wire += _lines(item.place)
            text = f"the wire is wanted along a line of {item.place.length:.1f} m drawn on site"
            findings.append(_applied(item, text, item.place.representative_point()))
        elif _measured_slope(item) and item.place is not None:
            slopes.append(MeasuredSlope(item.place, _number(item)))
            text = f"slope of {slopes[-1].percent:g} % {_extent(item.place)}"
            findings.append(_applied(item, text, item.place.representative_point()))
        elif item.target_layer in SITE_LAYERS:
            findings.append(_put_in(layers, item, site))
    changed = replace(site, layers=layers, drawn_wire=tuple(wire), measured_slopes=tuple(slopes))
    return changed, findings


def _drawn_wire(item: Override) -> bool:
    return item.target_layer == "wire_path" and item.column == GEOMETRY


def _measured_slope(item: Override) -> bool:
    """Return whether an override tells the slope of a place: one that names a keep-out waits for that."""
    return item.target_layer == "keepouts" and item.column == SLOPE and not _named(item)


def _lines(place: BaseGeometry) -> list[LineString]:
    return [part for part in shapely.get_parts(place) if isinstance(part, LineString) and part.length > 0]


def _extent(place: BaseGeometry) -> str:
    return f"on {place.area:.0f} m²" if place.area > 0 else "around a place"


def _put_in(layers: dict[str, geopandas.GeoDataFrame], item: Override, site: Site) -> Finding:
    """Apply an override to the layer of the site that it is about, and return what was done."""
    table = layers.get(item.target_layer)
    if item.column == GEOMETRY and item.value.casefold() == NEW and item.place is not None:
        layers[item.target_layer] = _with_feature(table, item, site)
        return _applied(item, "has one more, which no map has", item.place.representative_point())
    row = None if table is None else _nearest_feature(table, item)
    if table is None or row is None:
        return _no_target(item, [] if table is None else _nearest_rows(table, item))
    layers[item.target_layer], text = _feature_changed(table, row, item)
    return _applied(item, text, None if item.place is None else item.place.representative_point())


def _with_feature(table: geopandas.GeoDataFrame | None, item: Override, site: Site) -> geopandas.GeoDataFrame:
    columns = [column.name for column in SITE_LAYERS[item.target_layer].columns] if table is None else table.columns
    row = {name: pd.Series([None], dtype=object) for name in columns if name != "geometry"}
    added = geopandas.GeoDataFrame(row, geometry=[item.place], crs=site.frame.crs if table is None else table.crs)
    numbers = {column.name: float for column in SITE_LAYERS[item.target_layer].columns if column.kind == "real"}
    if table is not None and len(table):
        both = pd.concat([table.astype(object), added.astype(object)], ignore_index=True)
        added = geopandas.GeoDataFrame(both, geometry="geometry", crs=table.crs)
    return added.astype({name: kind for name, kind in numbers.items() if name in added})


def _nearest_rows(table: geopandas.GeoDataFrame, item: Override) -> list[str]:
    if item.place is None:
        return [f"row {number + 1}" for number in range(len(table))]
    away = shapely.distance(table.geometry.to_numpy(), item.place)
    return [f"row {number + 1} at {away[number]:.1f} m" for number in np.argsort(away)[:3]]


def _nearest_feature(table: geopandas.GeoDataFrame, item: Override) -> int | None:
    if not len(table) or item.place is None:
        return None
    away = shapely.distance(table.geometry.to_numpy(), item.place)
    reach = 4 * NEAR_M if item.column == GEOMETRY else NEAR_M
    return int(np.argmin(away)) if away.min() <= reach else None


def _feature_changed(table: geopandas.GeoDataFrame, row: int, item: Override) -> tuple[geopandas.GeoDataFrame, str]:
    if item.column == GONE:
        return table.drop(index=table.index[row]).reset_index(drop=True), "is gone"
    changed = table.copy()
    if item.column == GEOMETRY:
        moved = shapely.distance(table.geometry.iloc[row], item.place)
        changed.loc[changed.index[row], "geometry"] = item.place
        return changed, f"stands {moved:.2f} m from where the map has it"
    before = table[item.column].iloc[row]
    spec = next(column for column in SITE_LAYERS[item.target_layer].columns if column.name == item.column)
    changed.loc[changed.index[row], item.column] = _value(spec, item)
    return changed, f"{item.column} {before} → {item.value}"


def step_result_with(
    result: StepResult, overrides: Sequence[Override], mower: MowerProfile
) -> tuple[StepResult, list[Finding]]:
    """Return a step's result with measured values in place of derived ones, and what followed from them.

    Checks for the visit that an override answers are settled, and go.
    """
    if not overrides:
        return result, []
    layers = {name: [dict(row) for row in rows] for name, rows in result.layers.items()}
    findings: list[Finding] = []
    site = site_with(overrides.site, overrides)[0] if isinstance(overrides, Measured) else None
    anew = Remeasured(layers, list(result.findings), list(result.checks), mower, site)
    for item in overrides:
        if item.target_layer not in layers or _drawn_wire(item) or _measured_slope(item):
            continue
        rows = layers[item.target_layer]
        key = PLAN_LAYERS[item.target_layer].key
        row, told = _row_named(rows, key, item)
        findings += told
        if row is None:
            if _named(item) or site is None or item.place is None or item.place.intersects(site.parcel):
                findings.append(_no_target(item, _nearest_names(rows, key, item)))
            continue
        findings += _row_changed(anew, row, key, item)
        anew.checks[:] = [check for check in anew.checks if not _answers(item, str(row.get(key or "")), check)]
    findings += decided_anew(anew)
    return replace(result, layers=layers, findings=anew.findings, checks=anew.checks), findings


def _answers(item: Override, name: str, check: VisitCheck) -> bool:
    asked = (check.target_layer, check.target_id, check.target_column)
    return asked == (item.target_layer, name, item.column)


def _row_named(rows: Sequence[Row], key: str | None, item: Override) -> tuple[Any, list[Finding]]:
    """Return the row that an override means, and what is to be said of that.

    Numbers in names may shift when a site is planned anew; a place doesn't: where the row of that name lies elsewhere
    and another lies at the place, that one is meant.
    """
    near = None
    if item.place is not None:
        here = [row for row in rows if row.get("geometry") is not None and row["geometry"].dwithin(item.place, NEAR_M)]
        near = min(here, key=lambda row: row["geometry"].distance(item.place), default=None)
    if not _named(item):
        return near, []
    named = next((row for row in rows if key and row[key] == item.target_id), None)
    if near is None or named is near or (named is not None and named["geometry"].dwithin(item.place, NEAR_M)):
        return named, []
    text = f"{item} was taken for {near[key or '']}, which lies where it was measured: names have shifted since"
    place = item.place.representative_point() if item.place is not None else None
    return near, [Finding("caution", "override-renamed", text, "Correct target_id.", place)]


def _nearest_names(rows: Sequence[Row], key: str | None, item: Override) -> list[str]:
    names = [str(row[key]) for row in rows] if key else []
    if item.place is not None:
        order = sorted(range(len(names)), key=lambda n: rows[n]["geometry"].distance(item.place))
        return [f"{names[n]} at {rows[n]['geometry'].distance(item.place):.1f} m" for n in order[:3]]
    return get_close_matches(item.target_id, names, n=3, cutoff=0.0)


def _row_changed(anew: Remeasured, row: dict[str, Any], key: str | None, item: Override) -> list[Finding]:
    name, place = str(row.get(key or "", "")), row.get("geometry")
    middle = None if place is None else place.representative_point()
    if item.target_layer == "keepouts" and item.column == SLOPE:
        return _keepout_measured(anew, row, item)
    if item.column == GONE:
        anew.remove(item.target_layer, row)
        text = f"{name} is left out" if item.target_layer == "zones" else f"{name} is gone"
        return [_applied(item, text, middle)]
    if item.column == GEOMETRY and item.target_layer == "dock_candidates" and item.place is not None:
        row["chosen"] = True
        anew.touch(item.target_layer, row, "chosen")
        away = row["geometry"].distance(item.place)
        return [_applied(item, f"{name} is the dock, {away:.2f} m from where it is wanted", middle)]
    if item.column == GEOMETRY:
        row["geometry"] = item.place
        return [_applied(item, f"{name} lies where it was drawn", middle)]
    before, after = row.get(item.column), _value(PLAN_LAYERS[item.target_layer].column(item.column), item)
    row[item.column] = after
    anew.touch(item.target_layer, row, item.column)
    findings = [_applied(item, f"{name} {item.column} {_shown(before)} → {_shown(after)}", middle)]
    findings += _contradicted(row, name, item, before, after)
    if "confidence" in row:
        row["confidence"] = 1.0
    if "evidence" in row:
        row["evidence"] = _evidence(item)
    return findings


def _contradicted(row: Row, name: str, item: Override, before: Any, after: Any) -> list[Finding]:
    """Say what the map had wrong, where a measured value can't be explained by its inaccuracy."""
    middle = None if row.get("geometry") is None else row["geometry"].representative_point()
    sd = row.get("width_sd_m") if item.column == "width_m" else None
    if sd and before is not None and abs(float(after) - float(before)) > CONTRADICTS_SDS * sd:
        text = f"{name}: measured {after:.2f} m, but the map says {before:.2f} ± {sd:.2f} m: the measurement counts"
        return [Finding("caution", "override-contradicts", text, "Check which edges were measured.", middle)]
    if item.column == "edge_class" and before not in (after, "unknown"):
        text = f"{name}: seen as {after} on site, but {row.get('evidence') or 'the map'} said {before}"
        return [Finding("caution", "override-contradicts", text, "Correct the layer it came from.", middle)]
    return []


def _keepout_measured(anew: Remeasured, row: dict[str, Any], item: Override) -> list[Finding]:
    """Judge a named keep-out by its measured slope: a steep one that isn't steep is none."""
    name, percent = row["keepout_id"], _number(item)
    middle = row["geometry"].representative_point()
    if row["reason"] != "steep":
        text = f"{name} has a slope of {percent:g} %, but is kept out as {row['reason']}: it stays"
        return [Finding("caution", "override-contradicts", text, "Say gone if it is gone.", middle)]
    limit = anew.mower.slope_limit_percent
    if percent <= limit:
        anew.remove("keepouts", row)
        text = f"{name} is gone: {percent:g} % measured is not more than the limit of {limit:g} %"
        return [_applied(item, text, middle)]
    row |= {"confidence": 1.0, "evidence": _evidence(item)}
    return [_applied(item, f"{name} is steep: {percent:g} % measured", middle)]


def _evidence(item: Override) -> str:
    return f"measured on site{f': {item.note}' if item.note else ''}"


def _shown(value: Any) -> str:
    return "nothing" if value is None else f"{value:.2f}" if isinstance(value, float) else str(value)


def _value(spec: Column, item: Override) -> Any:
    text = item.value
    if spec.kind in ("real", "integer"):
        number = _number(item)
        return number if spec.kind == "real" else int(number)
    if spec.kind == "boolean":
        return text.casefold() in _TRUE
    if spec.values and text not in spec.values:
        raise LayerError(f"{item}: {text!r} is none of {', '.join(spec.values)}")
    return text


def _number(item: Override) -> float:
    try:
        number = float(item.value.replace(",", ".").removesuffix("%"))
    except ValueError:
        number = np.nan
    if not np.isfinite(number):
        raise LayerError(f"{item}: {item.value!r} is no number", advice="Enter a number such as 1.25.")
    return number


def _applied(item: Override, text: str, place: Point | None = None) -> Finding:
    note = f" ({item.note})" if item.note else ""
    return Finding("info", "override-applied", f"measured on site: {item.target_layer} {text}{note}", "", place)


def _no_target(item: Override, nearest: Sequence[str]) -> Finding:
    near = f"nearest are {', '.join(nearest[:3])}" if nearest else "there is none of that kind here"
    place = None if item.place is None else item.place.representative_point()
    return Finding("stop", "override-no-target", f"{item} finds no target: {near}", "Correct target_id.", place)
