"""Layers as a person left them, made fit to build on: shapes mended, names given, and what hangs on shapes worked out.

A person edits shapes and a few values; areas, lengths, slopes, names and roles that hang on them are stale then. They
are worked out anew for what was edited, and for nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import shapely
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts, repaired
from lawngis.ground.chainage import ground_chainage_m
from lawngis.ground.steep import mower_slope
from lawngis.lawn.zones import ZoneLink, zone_roles
from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import area_rate_m2_h, one_charge_area_m2
from lawngis.wire.conductors import resistance_ohm

from ..derived.loops import loops
from ..derived.zone_figures import zone_hours_week, zone_slopes_percent
from ..model.contract import Layer
from ..model.plan import GRID_M, Finding, Plan, Row, on_grid
from ..model.site import Site
from .change_record import LayerEdit
from .consistency import broken_rules
from .earlier_plan import EarlierParcel

CRUMB_M2 = 1e-3
"""Parts smaller than this are left by drawing, not meant."""

ON_RING_M = 0.01
"""A dock that stands no farther off the wire than this stands on it."""

LIKE_M = 1.0
"""A dock that was moved is judged as the nearest place that was looked at, if it is no farther than this."""

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
class Mended:
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
    """

    layers: Layers
    sources: dict[int, tuple[BaseGeometry, BaseGeometry]] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    touched: dict[str, set[str]] = field(default_factory=dict)

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


def mended(
    site: Site,
    rows: Mapping[str, Sequence[Row]],
    earlier: EarlierParcel,
    specs: Mapping[str, Layer],
    mower: MowerProfile,
) -> Mended:
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
    mower
        Profile.
    """
    done = Mended({})
    for name, some in rows.items():
        _mend_layer(done, site, specs[name], some, earlier, mower)
    if {"zones", "links"} <= set(done.layers) and (done.touched.get("zones") or done.touched.get("links")
                                                   or earlier.edit("zones") or earlier.edit("links")):  # fmt: skip
        _decide_roles(done, site, earlier, mower)
    if any(earlier.edit(name) for name in RING_LAYERS) and set(RING_LAYERS) <= set(done.layers):
        _place_docks(done, site, earlier, specs, mower)
    done.findings += broken_rules(site, done.layers, {edit.layer for edit in earlier.edits if edit}, mower)
    for edit in earlier.edits:
        if edit.layer in done.layers:
            text = f"edited by hand and taken as it is: {edit.words(site.parcel_id)}"
            done.findings.insert(0, Finding("info", "edited-by-hand", text))
    return done


# --- one layer -------------------------------------------------------------------------------------------


def _mend_layer(
    done: Mended, site: Site, spec: Layer, rows: Sequence[Row], earlier: EarlierParcel, mower: MowerProfile
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
            text = (
                f"{spec.name}: {row.get(spec.key or '') or 'a feature without a name'} has nothing left and is left out"
            )
            done.findings.append(Finding("caution", "edit-left-out", text))
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
        _measure(site, spec.name, row, edit, mower, done)
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


def _give_names(done: Mended, site: Site, spec: Layer, rows: Sequence[dict[str, Any]], touched: set[int]) -> None:
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
    letter = _letter(spec, taken)
    number = 1
    for row in nameless:
        while f"{site.parcel_id}-{letter}{number}" in taken:
            number += 1
        before = row.get(spec.key)
        row[spec.key] = f"{site.parcel_id}-{letter}{number}"
        taken[row[spec.key]] = row
        touched.add(id(row))
        of = f", cut off {before}" if before else ""
        text = f"{spec.name}: a new feature is called {row[spec.key]}{of}"
        done.findings.append(Finding("info", "edit-named", text, "", _place(row)))


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


def _measure(site: Site, layer: str, row: dict[str, Any], edit: LayerEdit, mower: MowerProfile, done: Mended) -> None:
    """Work out the values of an edited feature that hang on its shape."""
    shape = row.get("geometry")
    if shape is None:
        return
    if isinstance(shape, Polygon) and "area_m2" in row:
        row["area_m2"] = shape.area
    if layer == "zones":
        _measure_zone(site, row, mower)
    elif layer in ("links", "edges"):
        row["length_m"] = shape.length
        if layer == "links" and row.get("narrowest_x") is None:
            middle = shape.interpolate(0.5, normalized=True)
            xy = site.frame.coordinates_in(site.frame.source, [[middle.x, middle.y]])[0]
            row["narrowest_x"], row["narrowest_y"] = float(xy[0]), float(xy[1])
        if layer == "links" and "width_m" in edit.columns and "kind" not in edit.columns:
            row["kind"] = _kind_by_width(row, mower)
        if layer == "edges" and (row.get("setback_m") is None or "setback_m" not in edit.columns):
            row["setback_m"] = getattr(mower.setback_m, row["edge_class"])
    elif layer == "supply_route":
        row["length_m"] = _ground_m(site, shape)
        row["within_limit"] = bool(row["length_m"] <= mower.supply_cable_max_m)
    elif layer == "wire_path":
        row["plan_length_m"] = shape.length
        row["length_m"] = _ground_m(site, shape)
        row["slack_m"] = row["length_m"] * mower.wire_slack_percent / 100
        row["resistance_ohm"] = resistance_ohm(row["length_m"] + row["slack_m"], mower.wire_section_mm2)
    if layer in ("links", "edges", "dock_candidates"):
        _name_zones(layer, row, done.layers.get("zones", ()))


def _measure_zone(site: Site, row: dict[str, Any], mower: MowerProfile) -> None:
    zone = row["geometry"]
    slope, _ = mower_slope(site.dem, wheelbase_m=mower.wheelbase_m, z_sd_m=site.accuracy.dem_sd_m)
    found = zone_slopes_percent(slope, zone, site)
    row["area_m2"], row["perimeter_m"] = zone.area, zone.length
    row["slope_p50_percent"], row["slope_p95_percent"], row["slope_max_percent"] = found
    row["hours_week"] = zone_hours_week(zone, found[0], mower)


def _kind_by_width(link: Row, mower: MowerProfile) -> str:
    if link["width_m"] < mower.passage_transit_min_m:
        return "blocked"
    if link["kind"] == "crossing":
        return "crossing"
    return "open" if link["width_m"] >= mower.passage_mow_min_m else "transit"


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


def _decide_roles(done: Mended, site: Site, earlier: EarlierParcel, mower: MowerProfile) -> None:
    """Decide by the links which zones the mower reaches, and what feeds a zone whose role has changed."""
    zones = done.layers["zones"]
    number = {zone["zone_id"]: place for place, zone in enumerate(zones)}
    lost = [link for link in done.layers["links"] if not {link["zone_a"], link["zone_b"]} <= set(number)]
    for link in lost:
        text = f"{link['link_id']} led to a zone that is no more, and is left out"
        done.findings.append(Finding("info", "edit-left-out", text, "", _place(link)))
    links = done.layers["links"] = [link for link in done.layers["links"] if link not in lost]
    if not zones:
        return
    wanted = {name for name in earlier.edit("zones").values if "role" in earlier.edit("zones").columns}
    said = [zone["zone_id"] for zone in zones if zone["role"] == "home" and _short(zone, site) in wanted]
    roles = zone_roles(
        [zone["area_m2"] for zone in zones],
        [ZoneLink(number[x["zone_a"]], number[x["zone_b"]], x["kind"] != "blocked", x["width_m"]) for x in links],
        home=number[said[0]] if said else _home_before(zones),
    )
    loop_ids = {zone["loop_id"] for zone in zones if zone["loop_id"]}
    home_loop = zones[roles.home]["loop_id"] or next(iter(sorted(loop_ids)), f"{site.parcel_id}-L1")
    for place, zone in enumerate(zones):
        via = roles.reached_by[place]
        zone["reached_by"] = None if via is None else links[via]["link_id"]
        role = "home" if place == roles.home else "linked" if place in roles.linked else "detached"
        new = zone["supply"] is None or zone["loop_id"] is None
        shared = sum(other["loop_id"] == zone["loop_id"] for other in zones) > 1
        cut_off = zone["zone_id"] in done.touched["zones"] and role == "detached" and zone["supply"] != "main_wire"
        cut_off = cut_off and shared
        if role == zone["role"] and not new and not cut_off:
            continue
        if role != zone["role"] or cut_off:
            text = f"{zone['zone_id']} is {role} by the zones and links as edited"
            done.findings.append(Finding("info", "edit-decides", text, "", _place(zone)))
        zone["role"] = role
        zone["supply"], zone["supply_why"], own_loop = _supplied(zone, mower)
        zone["loop_id"] = _free_loop(site, loop_ids) if own_loop else home_loop


def _short(row: Row, site: Site, key: str = "zone_id") -> str:
    return str(row[key]).removeprefix(f"{site.parcel_id}-")


def _home_before(zones: Sequence[Row]) -> int | None:
    """Return the zone that was home; of a home that was split the largest piece; None when it is no more."""
    homes = [place for place, zone in enumerate(zones) if zone["role"] == "home"]
    return max(homes, key=lambda place: float(zones[place]["area_m2"]), default=None)


def _supplied(zone: Row, mower: MowerProfile) -> tuple[str, str, bool]:
    """Return what feeds a zone, why, and whether it has a loop of its own."""
    if zone["role"] == "home":
        return "own_dock", "home zone", False
    if zone["role"] == "linked":
        return "main_wire", "the mower drives there by itself, as edited", False
    rate = area_rate_m2_h(mower.cutting_width_m, mower.speed_mps)
    one_charge = one_charge_area_m2(rate_m2_h=rate, run_minutes=mower.run_minutes, share=mower.coverage_share)
    supply = "own_dock" if zone["area_m2"] > one_charge else "own_source"
    why = f"not reached, as edited: {zone['area_m2']:.0f} m² against {one_charge:.0f} m² of one charge"
    return supply, why, True


def _free_loop(site: Site, taken: set[str]) -> str:
    number = 1
    while f"{site.parcel_id}-L{number}" in taken:
        number += 1
    taken.add(f"{site.parcel_id}-L{number}")
    return f"{site.parcel_id}-L{number}"


# --- docks -----------------------------------------------------------------------------------------------


def _place_docks(
    done: Mended, site: Site, earlier: EarlierParcel, specs: Mapping[str, Layer], mower: MowerProfile
) -> None:
    """Keep one dock for each loop, and put it on the wire where it was dragged off, or the wire was."""
    rows = done.layers["dock_candidates"]
    edit = earlier.edit("dock_candidates")
    touched = done.touched.get("dock_candidates", set())
    plan = Plan(site.parcel_id, site.frame.crs, specs)
    plan.keep({name: done.layers[name] for name in RING_LAYERS if name != "dock_candidates"})
    for loop in loops(plan, mower, site.drawn_wire):
        if loop.source != "dock" or loop.ground is None:
            continue
        names = {zone["zone_id"] for zone in loop.zones}
        chosen = [row for row in rows if row["chosen"] and row["zone_id"] in names]
        if not chosen:
            text = f"no dock is chosen for {loop.loop_id}: its wire can't begin anywhere"
            advice = "Set chosen on one of its dock_candidates, or begin with --from dock."
            done.findings.append(Finding("stop", "edit-breaks-rule", text, advice, _place(loop.zones[0])))
            continue
        kept = next((row for row in chosen if row["candidate_id"] in touched), chosen[0])
        for row in chosen:
            row["chosen"] = row is kept
        dragged = _short(kept, site, "candidate_id") in {*edit.geometry, *edit.new}
        _put_on_wire(done, kept, rows, loop.ground.exterior, dragged=dragged)
        if kept["candidate_id"] in touched and not kept["feasible"]:
            text = f"the dock was put at {kept['candidate_id']}, which misses: {kept['failed']}"
            advice = "Change what it misses on site."
            done.findings.append(Finding("caution", "edit-breaks-rule", text, advice, kept["geometry"]))


def _put_on_wire(done: Mended, dock: dict[str, Any], rows: Sequence[Row], ring: BaseGeometry, *, dragged: bool) -> None:
    place = dock["geometry"]
    off_m = ring.distance(place)
    if off_m > ON_RING_M:
        at = ring.interpolate(ring.project(place))
        text = f"the dock {dock['candidate_id']} was {off_m:.2f} m off the wire: it stands at the wire's nearest place"
        kind = "edit-breaks-rule" if dragged else "edit-decides"
        done.findings.append(Finding("caution" if dragged else "info", kind, text, "A dock stands on the wire.", at))
        dock["geometry"] = at
    if not dragged:
        return
    looked_at = [row for row in rows if row is not dock and row["geometry"].dwithin(dock["geometry"], LIKE_M)]
    like = min(looked_at, key=lambda row: row["geometry"].distance(dock["geometry"]), default=None)
    judged = {name for name in dock if name not in ("parcel_id", "candidate_id", "chosen", "geometry", "zone_id")}
    if like is None:
        dock |= {**dict.fromkeys(judged), "feasible": False, "failed": "put there by hand, not judged"}
    else:
        dock |= {name: like[name] for name in judged if name in like} | {"rank": None}
