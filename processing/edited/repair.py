"""Layers as a person left them, made fit to build on: shapes mended, names given, and what hangs on shapes worked out.

A person edits shapes and a few values; areas, lengths, slopes, names and roles that hang on them are stale then. They
are worked out anew for what was edited, and for nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from typing import Any

import shapely
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts, repaired
from lawngis.ground.chainage import ground_chainage_m
from lawngis.wire.conductors import resistance_ohm

from ..derived.decisions import (
    LINK_CODES,
    ZONE_CODES,
    Served,
    link_findings,
    link_kind,
    served_zones,
    setback_m,
    supply_findings,
)
from ..derived.laying_hours import Books
from ..derived.loops import filled_zone, passed_over
from ..derived.mower_demands import mower_shares, zone_hours_week
from ..derived.slope import zone_slopes_percent
from ..derived.slope_readings import zone_slope
from ..measured.site_facts import measured_site
from ..model.contract import Layer
from ..model.plan import GRID_M, Finding, Plan, Row, on_grid
from ..model.site import Site
from ..steps.workflow import Settings
from ..steps.zones import zones_parameters
from .border_links import crossed_anew, lead_anew, links_as_crossed
from .change_record import LayerEdit
from .consistency import broken_rules
from .docks import placed_docks
from .earlier_plan import EarlierParcel

CRUMB_M2 = 1e-3
"""Parts smaller than this are left by drawing, not meant."""

SAME_PLACE_M = 0.01
"""What was said of a zone has its place in it, but for rounding."""

LETTERS: Mapping[str, str] = {
    "lawn": "G", "cover": "C", "trees_found": "T", "keepouts": "K", "zones": "Z", "links": "P", "edges": "E",
    "dock_candidates": "D", "hand_mow": "H", "wire_path": "L",
}  # fmt: skip
"""Letter before the number in the names of a layer's features."""

DEFAULTS: Mapping[str, Mapping[str, Any]] = {
    "lawn": {"source": "surveyed", "confidence": 1.0},
    "cover": {"confidence": 1.0},
    "trees_found": {"confidence": 1.0},
    "keepouts": {"confidence": 1.0, "evidence": "drawn by hand"},
    "links": {"surface": "lawn"},
    "edges": {"confidence": 1.0, "evidence": "drawn by hand"},
    "dock_candidates": {"chosen": True},
    "supply_route": {"within_limit": True},
}
"""What a new feature has where the person who drew it left a column empty."""

RING_LAYERS = ("zones", "links", "edges", "keepouts", "hand_mow", "dock_candidates")
"""Layers on which it hangs where the wire runs, and so where a dock may stand."""

Layers = dict[str, list[dict[str, Any]]]


@dataclass(eq=False)
class RepairedLayers:
    """Layers in the measuring frame, and what is to be said of them.

    Parameters
    ----------
    layers
        Rows by layer.
    sources
        By the identity of a row's geometry: that geometry, and it as the file has it. What nobody touched goes back
        into the file as it came, to the last bit.
    findings
        What was edited, and what followed from it.
    touched
        Names of the features that were edited, by layer.
    decided
        What is said of zones and links in the place of what was, as both were decided anew; None if they weren't.
    changed
        Ground of the zones whose part or supply was decided anew.
    """

    layers: Layers
    sources: dict[int, tuple[BaseGeometry, BaseGeometry]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    touched: dict[str, set[str]] = field(default_factory=dict)
    decided: list[Finding] | None = None
    changed: list[BaseGeometry] = field(default_factory=list)

    def holds(self, finding: Finding) -> bool:
        """Return whether what the earlier plan said of zones and links is still so."""
        place = finding.place
        if self.decided is None or finding.code not in LINK_CODES | ZONE_CODES or place is None:
            return True
        return finding.code in ZONE_CODES and not any(zone.dwithin(place, SAME_PLACE_M) for zone in self.changed)

    def rows_out(self, rows: Sequence[Row], site: Site) -> list[Row]:
        """Return rows in the CRS of the file."""
        return self.layers_out({"": rows}, site)[""]

    def layers_out(self, layers: Mapping[str, Sequence[Row]], site: Site) -> dict[str, list[Row]]:
        """Return rows by layer in the CRS of the file, all moved there at once."""
        shaped = {name for name, rows in layers.items() if rows and "geometry" in rows[0]}
        shapes = [row["geometry"] for name in layers if name in shaped for row in layers[name]]
        moved = iter(site.frame.to_source(shapes))
        return {
            name: [self._placed(row, next(moved)) for row in rows] if name in shaped else list(rows)
            for name, rows in layers.items()
        }

    def _placed(self, row: Row, moved: BaseGeometry) -> Row:
        """Return a row with its geometry moved into the CRS of the file, or as it came from there."""
        return {**row, "geometry": self.sources.get(id(row["geometry"]), (None, moved))[1]}


def repaired_layers(
    site: Site,
    rows: Mapping[str, Sequence[Row]],
    earlier: EarlierParcel,
    specs: Mapping[str, Layer],
    settings: Settings,
) -> RepairedLayers:
    """Return layers of an earlier plan, fit to build on.

    Parameters
    ----------
    site
        The parcel as it is now.
    rows
        Rows by layer, in the CRS of the file; only layers that are taken over.
    earlier
        The parcel in the earlier plan, with what was edited.
    specs
        Declarations of the layers.
    settings
        Profile, the parameters of the steps whose decisions are made anew, and what was measured.
    """
    done, mower = RepairedLayers({}), settings.mower
    site, _ = measured_site(site, settings.overrides)
    plan = Plan(site.parcel_id, site.frame.crs, specs)
    for name, some in rows.items():
        _mend_layer(done, site, plan, specs[name], some, earlier, settings)
    if {"zones", "links"} <= set(done.layers) and (done.touched.get("zones") or done.touched.get("links")
                                                   or earlier.edit("zones") or earlier.edit("links")):  # fmt: skip
        _decide_roles(done, site, plan, earlier, settings)
    if any(earlier.edit(name) for name in RING_LAYERS) and set(RING_LAYERS) <= set(done.layers):
        plan.keep({name: done.layers[name] for name in RING_LAYERS if name != "dock_candidates"})
        docks, edit = done.layers["dock_candidates"], earlier.edit("dock_candidates")
        done.findings += placed_docks(site, plan, docks, edit, settings)
    done.findings += broken_rules(site, done.layers, {edit.layer for edit in earlier.edits if edit}, mower)
    for edit in earlier.edits:
        if edit.layer in done.layers:
            done.findings.insert(0, Finding("info", "edited-by-hand", {"edit": edit.part(site.parcel_id)}))
    return done


# --- one layer -------------------------------------------------------------------------------------------


def _mend_layer(
    done: RepairedLayers,
    site: Site,
    plan: Plan,
    spec: Layer,
    rows: Sequence[Row],
    earlier: EarlierParcel,
    settings: Settings,
) -> None:
    edit = earlier.edit(spec.name)
    recorded = spec.name in earlier.record.get("layers", {})
    found: list[dict[str, Any]] = []
    shapes: list[Any] = [None] * len(rows)
    if spec.geometry and rows:
        shapes = on_grid(spec, site.frame.to_frame([row["geometry"] for row in rows])).tolist()
    for row, shape in zip(rows, shapes, strict=True):
        parts = [None] if spec.geometry is None else _parts(spec, shape)
        if not parts:
            feature = row.get(spec.key or "")
            case = {"case": "shape", "feature": feature} if feature else {"case": "nameless"}
            done.findings.append(Finding("caution", "edit-left-out", {"layer": spec.name, **case}))
        for number, part in enumerate(parts):
            new = dict(row) if part is None else {**row, "geometry": part}
            if number and spec.key:
                new[spec.key] = None
            if part is not None and part is shape:
                done.sources[id(part)] = (part, row["geometry"])
            found.append(new)
    done.layers[spec.name] = found
    touched = _touched(spec, found, edit, recorded=recorded)
    _give_names(done, site, spec, found, touched)
    for row in (row for row in found if id(row) in touched):
        for column, value in DEFAULTS.get(spec.name, {}).items():
            if row.get(column) is None:
                row[column] = value
        _measure(site, plan, spec.name, row, edit, settings, done)
    if spec.key:
        done.touched[spec.name] = {str(row[spec.key]) for row in found if id(row) in touched}


def _parts(spec: Layer, shape: BaseGeometry) -> list[BaseGeometry]:
    """Return the parts of a shape as the layer wants them: the shape itself where nothing is wrong with it."""
    if shape.is_empty:
        return [shape] if spec.may_be_empty_geometry else []
    if spec.geometry == shape.geom_type and shape.is_valid:
        return [shape]
    if spec.geometry == "Polygon":
        sound = repaired(shapely.set_precision(shape, GRID_M) if shape.is_valid else shape).geometry
        parts = [part for part in polygon_parts(sound) if part.area >= CRUMB_M2]
        return sorted(parts, key=lambda part: -part.area)
    if spec.geometry == "LineString" and shape.geom_type == "MultiLineString":
        shape = shapely.line_merge(shape)
    return sorted(shapely.get_parts(shape).tolist(), key=lambda part: -part.length)


def _touched(spec: Layer, rows: Sequence[Row], edit: LayerEdit, *, recorded: bool) -> set[int]:
    """Return the identities of the rows that were edited; all where no record says what was written."""
    if not recorded or spec.key is None:
        return {id(row) for row in rows} if not recorded or edit.others else set()
    names = {*edit.geometry, *edit.values, *edit.new}
    return {
        id(row)
        for row in rows
        if not row.get(spec.key) or str(row[spec.key]).removeprefix(f"{row.get('parcel_id')}-") in names
    }


def _give_names(
    done: RepairedLayers, site: Site, spec: Layer, rows: Sequence[dict[str, Any]], touched: set[int]
) -> None:
    """Give names to features that have none, or one that another has: of those with one name the largest keeps it."""
    for row in rows:
        row["parcel_id"] = site.parcel_id
    if spec.key is None:
        return
    taken: dict[str, dict[str, Any]] = {}
    nameless = []
    for row in sorted(rows, key=lambda row: -_size(row)):
        name = row.get(spec.key)
        if name and not str(name).startswith(f"{site.parcel_id}-"):
            name = row[spec.key] = f"{site.parcel_id}-{name}"
        if name and name not in taken:
            taken[str(name)] = row
        else:
            nameless.append(row)
    stem, names = f"{site.parcel_id}-{_letter(spec, taken)}", set(taken)
    for row in nameless:
        before = row.get(spec.key)
        row[spec.key] = _free_name(stem, names)
        touched.add(id(row))
        values = {"layer": spec.name, "feature": row[spec.key], "cut_off": before or None}
        done.findings.append(Finding("info", "edit-named", values, _place(row)))


def _letter(spec: Layer, names: Mapping[str, Any]) -> str:
    found = next(filter(None, (re.fullmatch(r".*-([A-Z]+)\d+", name) for name in names)), None)
    return LETTERS.get(spec.name) or (found.group(1) if found else "N")


def _size(row: Row) -> float:
    shape = row.get("geometry")
    return 0.0 if shape is None else float(shape.area or shape.length)


def _place(row: Row) -> Point | None:
    shape = row.get("geometry")
    return None if shape is None or shape.is_empty else shape.representative_point()


# --- what hangs on shapes --------------------------------------------------------------------------------


def _measure(
    site: Site,
    plan: Plan,
    layer: str,
    row: dict[str, Any],
    edit: LayerEdit,
    settings: Settings,
    done: RepairedLayers,
) -> None:
    """Work out the values of an edited feature that hang on its shape."""
    shape = row.get("geometry")
    if shape is None:
        return
    if isinstance(shape, Polygon) and "area_m2" in row:
        row["area_m2"] = shape.area
    if layer == "zones":
        _measure_zone(site, plan, row, done.layers.get("lawn", ()), settings)
    elif layer in ("links", "edges"):
        row["length_m"] = shape.length
        if layer == "links" and row.get("narrowest_x") is None:
            middle = shape.interpolate(0.5, normalized=True)
            xy = site.frame.coordinates_in(site.frame.source, [[middle.x, middle.y]])[0]
            row["narrowest_x"], row["narrowest_y"] = float(xy[0]), float(xy[1])
        if layer == "links" and "width_m" in edit.columns and "kind" not in edit.columns:
            row["kind"] = link_kind(row["width_m"], row["surface"], settings.mower)
        drawn = row.get("setback_m") is not None and "setback_m" in edit.columns
        if layer == "edges" and isinstance(shape, LineString) and not drawn:
            row["setback_m"] = setback_m(site, row["edge_class"], shape, settings.mower)
    elif layer == "supply_route":
        row["length_m"] = _ground_m(site, shape)
        row["within_limit"] = bool(row["length_m"] <= settings.mower.supply_cable_max_m)
    elif layer == "wire_path":
        row["plan_length_m"] = shape.length
        row["length_m"] = _ground_m(site, shape)
        row["slack_m"] = row["length_m"] * settings.mower.wire_slack_percent / 100
        row["resistance_ohm"] = resistance_ohm(row["length_m"] + row["slack_m"], settings.mower.wire_section_mm2)
    if layer in ("links", "edges", "dock_candidates"):
        _name_zones(layer, row, done.layers.get("zones", ()))


def _measure_zone(site: Site, plan: Plan, row: dict[str, Any], lawn: Sequence[Row], settings: Settings) -> None:
    zone = row["geometry"]
    whole = shapely.union_all([piece["geometry"] for piece in lawn])
    found = zone_slopes_percent(zone_slope(site, plan, whole, settings.mower), zone, site)
    growth = zones_parameters(settings.parameters).growth(site.frame.latitude_deg)
    row["area_m2"], row["perimeter_m"] = zone.area, zone.length
    row["slope_p50_percent"], row["slope_p95_percent"], row["slope_max_percent"] = found
    row["hours_week"] = zone_hours_week(zone, found[0], settings.mower, grass_mowings_week=growth.most)


def _ground_m(site: Site, line: BaseGeometry) -> float:
    return float(ground_chainage_m(site.dem, site.frame, shapely.get_coordinates(line))[-1])


def _name_zones(layer: str, row: dict[str, Any], zones: Sequence[Row]) -> None:
    """Say which zones a new feature belongs to: the nearest."""
    shape = row["geometry"]
    places = {"zone_id": shape}
    if layer == "links":
        ends = shapely.get_coordinates(shape)
        places = {"zone_a": Point(ends[0]), "zone_b": Point(ends[-1])}
    for column, place in places.items():
        if row.get(column) is None and zones:
            row[column] = min(zones, key=lambda zone: zone["geometry"].distance(place))["zone_id"]


# --- what hangs on other features ------------------------------------------------------------------------


def _decide_roles(done: RepairedLayers, site: Site, plan: Plan, earlier: EarlierParcel, settings: Settings) -> None:
    """Decide by the links which zones the mower reaches, and what feeds a zone whose role has changed."""
    zones = {str(zone["zone_id"]): zone for zone in done.layers["zones"]}
    lost = [link for link in done.layers["links"] if not {link["zone_a"], link["zone_b"]} <= zones.keys()]
    for link in lost:
        values = {"case": "link", "link_id": link["link_id"]}
        done.findings.append(Finding("info", "edit-left-out", values, _place(link)))
    links = done.layers["links"] = [link for link in done.layers["links"] if link not in lost]
    if not zones:
        return
    plan.keep({name: done.layers[name] for name in ("keepouts", "hand_mow") if name in done.layers})
    ground = {name: filled_zone(zone, passed_over(plan)) for name, zone in zones.items()}
    given = zones_parameters(settings.parameters)
    crossed = crossed_anew(site, links, ground, settings.mower, Books(given.price_book, given.labour_book))
    told, home = links_as_crossed(links, crossed), _home(site, zones, earlier)
    served = served_zones(site, ground, told, settings.mower, given.price_book, home=home, shared=mower_shares(zones))
    lead_anew(site, links, crossed, served)
    anew = _served_anew(done, site, zones, served)
    for name in [name for name in anew if name not in served.zones]:
        _mown_by_hand(done, site, zones.pop(name))
    of_groups = Served(served.zones, [(group, offer) for group, offer in served.groups if group[0] in anew])
    said = supply_findings(of_groups, ground, {name: name for name in zones})
    done.decided = [*link_findings(done.layers["links"], settings.mower), *said]
    done.changed = [ground[name] for name in anew]


def _home(site: Site, zones: Mapping[str, Row], earlier: EarlierParcel) -> str | None:
    """Return the zone that somebody calls home, else the one that was; of a home that was split the largest piece."""
    edit = earlier.edit("zones")
    homes = [name for name, zone in zones.items() if zone["role"] == "home"]
    said = [name for name in homes if _short(name, site) in edit.values and "role" in edit.columns]
    return said[0] if said else max(homes, key=lambda name: float(zones[name]["area_m2"]), default=None)


def _short(name: object, site: Site) -> str:
    return str(name).removeprefix(f"{site.parcel_id}-")


def _served_anew(
    done: RepairedLayers, site: Site, zones: Mapping[str, dict[str, Any]], served: Served[str]
) -> list[str]:
    """Give zones whose role has changed the supply that follows; return their names, of those without one too."""
    first = {name: group[0] for group, _ in served.groups for name in group}
    loop_ids = {zone["loop_id"] for zone in zones.values() if zone["loop_id"]}
    home = next(name for name, service in served.zones.items() if service.role == "home")
    home_loop = zones[home]["loop_id"] or next(iter(sorted(loop_ids)), f"{site.parcel_id}-L1")
    changed = []
    for name in sorted(zones, key=lambda name: first.get(name, name) != name):  # whom the mower is carried to first
        zone, service = zones[name], served.zones.get(name)
        zone["reached_by"] = None if service is None else service.reached_by
        role = "detached" if service is None else service.role
        new = zone["supply"] is None or zone["loop_id"] is None
        shared = sum(other["loop_id"] == zone["loop_id"] for other in zones.values()) > 1
        cut_off = name in done.touched["zones"] and role == "detached" and zone["supply"] != "main_wire" and shared
        if role == zone["role"] and not new and not cut_off:
            continue
        if role != zone["role"] or cut_off:
            values = {"case": "role", "zone_id": name, "role": role}
            done.findings.append(Finding("info", "edit-decides", values, _place(zone)))
        changed.append(name)
        if service is None:
            continue
        zone |= {"role": role, "supply": service.supply, "supply_why": service.why}
        if first.get(name, name) != name:
            zone |= {key: zones[first[name]][key] for key in ("supply", "loop_id")}
        else:
            zone["loop_id"] = home_loop if service.loop == 1 else _free_name(f"{site.parcel_id}-L", loop_ids)
    return changed


def _mown_by_hand(done: RepairedLayers, site: Site, zone: Row) -> None:
    """Give a zone that no supply reaches to those who mow by hand; what hangs on it goes."""
    by_hand = done.layers.setdefault("hand_mow", [])
    area_id = _free_name(f"{site.parcel_id}-H", {row["area_id"] for row in by_hand})
    row = {"area_id": area_id, "reason": "unreachable", "area_m2": zone["area_m2"], "geometry": zone["geometry"]}
    by_hand.append({"parcel_id": site.parcel_id, **row})
    gone = zone["zone_id"]
    for layer in ("zones", "links", "edges", "dock_candidates"):
        if layer in done.layers:
            of = ("zone_a", "zone_b") if layer == "links" else ("zone_id",)
            done.layers[layer] = [row for row in done.layers[layer] if gone not in [row[column] for column in of]]


def _free_name(stem: str, taken: set[str]) -> str:
    """Return a name that is not taken, and take it."""
    name = next(name for number in count(1) if (name := f"{stem}{number}") not in taken)
    taken.add(name)
    return name
