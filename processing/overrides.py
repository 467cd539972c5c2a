"""What somebody measured on site wins: rows of the layer `overrides`, applied to what the steps derive.

After a step has written its layers, the rows that overrides name are changed; then what the step had decided by the
old value is decided anew (`DECIDED_BY`). Overrides of site layers (a hedge that is gone, an outlet's true place) are
applied before the first step. Every override leaves a finding.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import Point
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError
from lawngis.lawn.zones import ZoneLink, zone_roles
from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import area_rate_m2_h, one_charge_area_m2

from . import gpkg
from .layers import PLAN_LAYERS, SITE_LAYERS, ColumnSpec
from .plans import Finding, Row, StepResult
from .sites import Site

NEAR_M = 5.0
"""An override without a name takes the nearest feature within this distance."""

CONTRADICTS_SDS = 3.0
"""A measured value this many standard deviations from the derived one says that the map is wrong."""

NEVER = ("findings", "visit_checks", "run_info", "overrides")
"""Layers that say what was found; nobody measures them."""

GONE = "gone"
GEOMETRY = "geometry"
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
    if item.column not in known:
        raise LayerError(
            f"column {item.column!r} is no column of {item.target_layer}",
            where=where,
            advice=f"Columns are {', '.join(known)}.",
        )
    if not item.target_id and item.place is None:
        raise LayerError("names no feature and has no place", where=where, advice="Give target_id, or draw it.")


def own_overrides(site: Site, overrides: Sequence[Override]) -> list[Override]:
    """Return the overrides that belong to a parcel, in its frame: by the name they begin with, else by their place."""
    found = []
    for item in overrides:
        place = item.place
        if place is not None and item.crs is not None:
            place = site.frame.to_frame(np.array([place], dtype=object), item.crs)[0]
        named = item.target_id == site.parcel_id or item.target_id.startswith(f"{site.parcel_id}-")
        here = place is not None and place.dwithin(site.parcel, NEAR_M)
        if named or (here and "-" not in item.target_id):
            found.append(replace(item, place=place, crs=None))
    return found


def refuse_strangers(overrides: Sequence[Override], parcel_ids: Sequence[str]) -> None:
    """Refuse overrides that name features of no parcel.

    Raises
    ------
    LayerError
        Naming the first, with the parcels whose names come nearest.
    """
    for item in overrides:
        named = item.target_id
        if "-" in named and not any(named.startswith(f"{name}-") for name in parcel_ids):
            near = ", ".join(get_close_matches(named.partition("-")[0], parcel_ids, n=3, cutoff=0.0))
            raise LayerError(f"{item} finds no target: no parcel begins that name", advice=f"Nearest are {near}.")


def site_with(site: Site, overrides: Sequence[Override]) -> tuple[Site, list[Finding]]:
    """Return a site as somebody found it: features gone, moved or measured otherwise."""
    layers = dict(site.layers)
    findings = []
    for item in overrides:
        if item.target_layer not in SITE_LAYERS:
            continue
        table = layers.get(item.target_layer)
        row = None if table is None else _nearest_feature(table, item)
        if table is None or row is None:
            findings.append(_no_target(item, [] if table is None else [f"row {n + 1}" for n in range(len(table))]))
            continue
        layers[item.target_layer], text = _feature_changed(table, row, item)
        findings.append(_applied(item, text))
    return replace(site, layers=layers), findings


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
    """Return a step's result with measured values in place of derived ones, and what followed from them."""
    layers = {name: [dict(row) for row in rows] for name, rows in result.layers.items()}
    findings: list[Finding] = []
    changed: dict[str, list[str]] = {}
    for item in overrides:
        if item.target_layer not in layers:
            continue
        rows = layers[item.target_layer]
        key = PLAN_LAYERS[item.target_layer].key
        row = _row_named(rows, key, item)
        if row is None:
            findings.append(_no_target(item, _nearest_names(rows, key, item)))
            continue
        findings += _row_changed(rows, row, key, item)
        changed.setdefault(item.target_layer, []).append(item.column)
    for layer, columns in changed.items():
        if layer in DECIDED_BY and set(columns) & DECIDED_BY[layer][0]:
            findings += DECIDED_BY[layer][1](layers, mower)
    return replace(result, layers=layers), findings


def _row_named(rows: Sequence[Row], key: str | None, item: Override) -> Any:
    if item.target_id and "-" in item.target_id:
        return next((row for row in rows if key and row[key] == item.target_id), None)
    if item.place is None:
        return None
    near = [row for row in rows if row.get("geometry") is not None and row["geometry"].dwithin(item.place, NEAR_M)]
    return min(near, key=lambda row: row["geometry"].distance(item.place), default=None)


def _nearest_names(rows: Sequence[Row], key: str | None, item: Override) -> list[str]:
    names = [str(row[key]) for row in rows] if key else []
    if item.place is not None:
        order = sorted(range(len(names)), key=lambda n: rows[n]["geometry"].distance(item.place))
        return [f"{names[n]} at {rows[n]['geometry'].distance(item.place):.1f} m" for n in order[:3]]
    return get_close_matches(item.target_id, names, n=3, cutoff=0.0)


def _row_changed(rows: list[dict[str, Any]], row: dict[str, Any], key: str | None, item: Override) -> list[Finding]:
    name, place = str(row.get(key or "", "")), row.get("geometry")
    middle = None if place is None else place.representative_point()
    if item.column == GONE:
        rows.remove(row)
        return [_applied(item, f"{name} is gone", middle)]
    if item.column == GEOMETRY:
        row["geometry"] = item.place
        return [_applied(item, f"{name} lies where it was drawn", middle)]
    before, after = row.get(item.column), _value(PLAN_LAYERS[item.target_layer].column(item.column), item)
    row[item.column] = after
    findings = [_applied(item, f"{name} {item.column} {_shown(before)} → {_shown(after)}", middle)]
    sd = row.get("width_sd_m") if item.column == "width_m" else None
    if sd and before is not None and abs(float(after) - float(before)) > CONTRADICTS_SDS * sd:
        text = f"{name}: measured {after:.2f} m, but the map says {before:.2f} ± {sd:.2f} m: the measurement counts"
        findings.append(Finding("caution", "override-contradicts", text, "Check which edges were measured.", middle))
    if item.column == "edge_class" and before not in (after, "unknown"):
        text = f"{name}: seen as {after} on site, but {row.get('evidence') or 'the map'} said {before}"
        findings.append(Finding("caution", "override-contradicts", text, "Correct the layer it came from.", middle))
    if "confidence" in row:
        row["confidence"] = 1.0
    if "evidence" in row:
        row["evidence"] = f"measured on site{f': {item.note}' if item.note else ''}"
    return findings


def _shown(value: Any) -> str:
    return "nothing" if value is None else f"{value:.2f}" if isinstance(value, float) else str(value)


def _value(spec: ColumnSpec, item: Override) -> Any:
    text = item.value
    try:
        if spec.kind == "real":
            number = float(text.replace(",", "."))
            if not np.isfinite(number):
                raise ValueError(text)
            return number
        if spec.kind == "integer":
            return int(text)
    except ValueError as error:
        raise LayerError(f"{item}: {text!r} is no number", advice="Enter a number such as 1.25.") from error
    if spec.kind == "boolean":
        return text.casefold() in _TRUE
    if spec.values and text not in spec.values:
        raise LayerError(f"{item}: {text!r} is none of {', '.join(spec.values)}")
    return text


def _applied(item: Override, text: str, place: Point | None = None) -> Finding:
    note = f" ({item.note})" if item.note else ""
    return Finding("info", "override-applied", f"measured on site: {item.target_layer} {text}{note}", "", place)


def _no_target(item: Override, nearest: Sequence[str]) -> Finding:
    near = f"nearest are {', '.join(nearest[:3])}" if nearest else "there is none of that kind here"
    place = None if item.place is None else item.place.representative_point()
    return Finding("stop", "override-no-target", f"{item} finds no target: {near}", "Correct target_id.", place)


# --- decisions that hang on measured values --------------------------------------------------------------

Layers = Mapping[str, list[dict[str, Any]]]


def _setbacks(layers: Layers, mower: MowerProfile) -> list[Finding]:
    for row in layers["edges"]:
        row["setback_m"] = getattr(mower.setback_m, row["edge_class"])
    return []


def _one_dock(layers: Layers, mower: MowerProfile) -> list[Finding]:
    """Keep the dock that somebody chose, one in each zone: the derived choice gives way."""
    del mower
    findings = []
    by_zone: dict[str, list[dict[str, Any]]] = {}
    for row in layers["dock_candidates"]:
        by_zone.setdefault(row["zone_id"], []).append(row)
    for rows in by_zone.values():
        chosen = [row for row in rows if row["chosen"]]
        if len(chosen) > 1:
            derived = min(chosen, key=lambda row: (not row["feasible"], row["rank"] or len(rows)))
            kept = next(row for row in chosen if row is not derived)
            for row in chosen:
                row["chosen"] = row is kept
            if not kept["feasible"]:
                text = f"the dock was put at {kept['candidate_id']}, which misses: {kept['failed']}"
                advice = "Change what it misses on site."
                findings.append(Finding("caution", "override-contradicts", text, advice, kept["geometry"]))
    return findings


def _reach(layers: Layers, mower: MowerProfile) -> list[Finding]:
    """Decide by the passages' measured widths what the mower does there, and so which zones it reaches by itself."""
    zones, links = layers["zones"], layers["links"]
    if not zones:
        return []
    findings = []
    for link in links:
        kind = _link_kind(link, mower)
        if kind != link["kind"]:
            width = f"its measured width of {link['width_m']:.2f} m"
            text = f"{link['link_id']} is {kind} by {width}, no longer {link['kind']}"
            findings.append(
                Finding("info", "override-decides", text, "", link["geometry"].interpolate(0.5, normalized=True))
            )
            link["kind"] = kind
    index = {zone["zone_id"]: number for number, zone in enumerate(zones)}
    roles = zone_roles(
        [zone["area_m2"] for zone in zones],
        [ZoneLink(index[x["zone_a"]], index[x["zone_b"]], x["kind"] != "blocked", x["width_m"]) for x in links],
    )
    home = zones[roles.home]["loop_id"]
    for number, zone in enumerate(zones):
        via = roles.reached_by[number]
        zone["reached_by"] = None if via is None else links[via]["link_id"]
        role = "home" if number == roles.home else "linked" if number in roles.linked else "detached"
        if role != zone["role"]:
            text = f"{zone['zone_id']} is {role} by what was measured, no longer {zone['role']}"
            findings.append(Finding("info", "override-decides", text, "", zone["geometry"].representative_point()))
            zone["role"] = role
            zone["supply"], zone["supply_why"], zone["loop_id"] = _supplied(
                zone, home, {z["loop_id"] for z in zones}, mower
            )
    return findings


def _link_kind(link: Row, mower: MowerProfile) -> str:
    if link["width_m"] < mower.passage_transit_min_m:
        return "blocked"
    if link["kind"] == "crossing" or str(link["surface"]).startswith("flush"):
        return "crossing"
    return "open" if link["width_m"] >= mower.passage_mow_min_m else "transit"


def _supplied(zone: Row, home: str, loops: set[str], mower: MowerProfile) -> tuple[str, str, str]:
    """Return supply, why, and loop of a zone whose role was decided anew."""
    if zone["role"] == "home":
        return "own_dock", "home zone", home
    if zone["role"] == "linked":
        return "main_wire", "the mower drives there by itself, as measured on site", home
    rate = area_rate_m2_h(mower.cutting_width_m, mower.speed_mps)
    one_charge = one_charge_area_m2(rate_m2_h=rate, run_minutes=mower.run_minutes, share=mower.coverage_share)
    stem, _, _ = home.rpartition("-L")
    free = next(f"{stem}-L{n}" for n in range(2, len(loops) + 3) if f"{stem}-L{n}" not in loops)
    own_dock = zone["area_m2"] > one_charge
    text = f"not reached, as measured on site: {zone['area_m2']:.0f} m² against {one_charge:.0f} m² of one charge"
    return "own_dock" if own_dock else "own_source", text, free


DECIDED_BY: dict[str, tuple[frozenset[str], Callable[[Layers, MowerProfile], list[Finding]]]] = {
    "links": (frozenset({"width_m", "kind", GONE}), _reach),
    "edges": (frozenset({"edge_class"}), _setbacks),
    "dock_candidates": (frozenset({"chosen"}), _one_dock),
}
"""By layer: the columns on which decisions within the step's own layers hang, and what decides them anew."""
