"""Rules that layers must keep after a person edited them: each that is broken becomes a finding, nothing is refused."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts
from lawngis.lawn.obstacles import with_bumps_filled
from lawngis.mower import MowerProfile

from ..derived.slope import steep_ground
from ..derived.slope_readings import measured_slope
from ..model.catalogue import Values
from ..model.plan import Finding, Plan, Row
from ..model.site import Site

CODE = "edit-breaks-rule"

AREA_MIN_M2 = 0.05
"""Ground in the wrong place that is smaller than this comes from drawing and rounding."""

OFF_MIN_M = 0.05
"""Shorter distances and lengths than this are not worth a word."""

SETBACK_SLACK_M = 0.02
"""Wire may be so much nearer to an edge than its setback."""

CLOSED_M = 0.001
"""How near its beginning a loop must end."""

Layers = Mapping[str, Sequence[Row]]
Found = Iterator[Finding]


def broken_rules(site: Site, layers: Layers, edited: Collection[str], mower: MowerProfile) -> list[Finding]:
    """Return what is wrong with layers that were edited.

    Parameters
    ----------
    site
        The parcel.
    layers
        All layers that are there, in the frame.
    edited
        Names of those that were edited; only rules in which one of them has a part are looked at.
    mower
        Profile.
    """
    findings: list[Finding] = []
    for needed, touched, rule in _RULES:
        if set(needed) <= set(layers) and set(edited) & set(touched):
            findings += rule(site, layers, mower)
    for name in sorted(set(edited) & set(layers)):
        findings += _negative(name, layers[name])
    return findings


def _finding(case: str, values: Values, place: BaseGeometry | None, severity: str = "caution") -> Finding:
    point = None if place is None or place.is_empty else place.representative_point()
    return Finding(severity, CODE, {"case": case, **values}, point)


def _shapes(rows: Sequence[Row]) -> list[BaseGeometry]:
    return [row["geometry"] for row in rows]


def _name(layer: str, row: Row) -> str:
    key = {"lawn": "lawn_id", "zones": "zone_id", "hand_mow": "area_id", "keepouts": "keepout_id"}.get(layer)
    return str(row.get(key or "loop_id", layer))


def _negative(layer: str, rows: Sequence[Row]) -> Found:
    """Say where lengths, widths and areas are negative."""
    for row in rows:
        for column, value in row.items():
            counted = column.endswith(("_m", "_m2", "_h", "_ohm")) or column == "quantity"
            if counted and isinstance(value, float) and value < 0:
                values = {"layer": layer, "feature": _first_word(row), "column": column, "value": value}
                yield _finding("negative", values, row.get("geometry"), "stop")


def _first_word(row: Row) -> str:
    return next((str(value) for column, value in row.items() if column.endswith("_id") and column != "parcel_id"), "")


# --- ground ----------------------------------------------------------------------------------------------


def _inside_parcel(layer: str) -> Callable[[Site, Layers, MowerProfile], Found]:
    def rule(site: Site, layers: Layers, mower: MowerProfile) -> Found:
        del mower
        for row in layers[layer]:
            outside = shapely.difference(row["geometry"], site.parcel)
            if outside.area > AREA_MIN_M2:
                values = {"feature": _name(layer, row), "area_m2": outside.area}
                yield _finding("outside_parcel", values, outside)

    return rule


def _no_overlap(layer: str) -> Callable[[Site, Layers, MowerProfile], Found]:
    def rule(site: Site, layers: Layers, mower: MowerProfile) -> Found:
        del site, mower
        shapes = np.array(_shapes(layers[layer]), dtype=object)
        first, second = shapely.STRtree(shapes).query(shapes, predicate="intersects")
        for one, other in zip(first.tolist(), second.tolist(), strict=True):
            common = shapely.intersection(shapes[one], shapes[other]) if one < other else None
            if common is not None and common.area > AREA_MIN_M2:
                names = [_name(layer, layers[layer][number]) for number in (one, other)]
                yield _finding("overlap", {"features": names, "area_m2": common.area}, common, "stop")

    return rule


def _zones_on_lawn(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    bumps = [row["geometry"] for row in layers["keepouts"] if row["treatment"] == "bump"]
    lawn = with_bumps_filled(shapely.union_all(_shapes(layers["lawn"])), bumps)
    for row in layers["zones"]:
        off = shapely.difference(row["geometry"], lawn)
        if off.area > AREA_MIN_M2:
            yield _finding("off_lawn", {"zone_id": row["zone_id"], "area_m2": off.area}, off)


def _zones_off_keepouts(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    out = [row for row in layers["keepouts"] if row["treatment"] != "bump"]
    for row in layers["zones"]:
        for keepout in out:
            common = shapely.intersection(row["geometry"], keepout["geometry"])
            if common.area > AREA_MIN_M2:
                kept_out = {"keepout_id": keepout["keepout_id"], "reason": keepout["reason"]}
                values = {"zone_id": row["zone_id"], "area_m2": common.area, **kept_out}
                severe = "stop" if keepout["reason"] in ("water", "drop") else "caution"
                yield _finding("on_keepout", values, common, severe)


def _not_too_steep(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    """Say where ground that is to be mown is too steep, though nothing keeps it out."""
    ground = layers["zones"] if "zones" in layers else layers["lawn"]
    kept_out = [row["geometry"] for row in layers["keepouts"] if "zones" not in layers and row["treatment"] != "bump"]
    mown = shapely.difference(shapely.union_all(_shapes(ground)), shapely.union_all(kept_out))
    plan, lawn = Plan(site.parcel_id, site.frame.crs), shapely.union_all(_shapes(layers["lawn"]))
    slope = measured_slope(site, plan, lawn, mower)
    for area in steep_ground(site, slope, mower.slope_limit_percent, mower):
        for part in polygon_parts(shapely.intersection(area.polygon, mown)):
            if part.area >= mower.steep_area_min_m2:
                values = {"area_m2": part.area, "slope_percent": area.slope_mean_percent}
                yield _finding("too_steep", values, part, "stop")


def _edges_on_zones(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    zones = {row["zone_id"]: row["geometry"] for row in layers["zones"]}
    for row in layers["edges"]:
        zone = zones.get(row["zone_id"])
        if zone is None:
            values = {"edge_id": row["edge_id"], "zone_id": row["zone_id"]}
            yield _finding("edge_without_zone", values, row["geometry"])
            continue
        off = shapely.difference(row["geometry"], shapely.buffer(shapely.boundary(zone), OFF_MIN_M))
        if off.length > OFF_MIN_M:
            values = {"edge_id": row["edge_id"], "zone_id": row["zone_id"], "length_m": off.length}
            yield _finding("edge_off_zone", values, off)


# --- wire ------------------------------------------------------------------------------------------------


def _wire_closed(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    for row in layers["wire_path"]:
        xy = shapely.get_coordinates(row["geometry"])
        gap = float(np.hypot(*(xy[0] - xy[-1])))
        if gap > CLOSED_M:
            yield _finding("wire_open", {"loop_id": row["loop_id"], "gap_m": gap}, shapely.Point(xy[-1]), "stop")
        for place in _crossings(xy):
            yield _finding("wire_crosses_itself", {"loop_id": row["loop_id"]}, place, "stop")


def _crossings(xy: np.ndarray) -> list[BaseGeometry]:
    """Return where pieces of a line cross one another; leads, which lie on one another, don't."""
    pieces = np.asarray(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)), dtype=object)
    one, other = shapely.STRtree(pieces).query(pieces, predicate="crosses")
    first = one < other
    return list(np.atleast_1d(shapely.intersection(pieces[one[first]], pieces[other[first]])))


def _wire_at_dock(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    docks = _shapes([row for row in layers["dock_candidates"] if row["chosen"]])
    for row in layers["wire_path"]:
        if row["source"] != "dock":
            continue
        start = shapely.Point(shapely.get_coordinates(row["geometry"])[0])
        off = min((dock.distance(start) for dock in docks), default=None)
        if off is None:
            yield _finding("wire_without_dock", {"loop_id": row["loop_id"]}, start, "stop")
        elif off > OFF_MIN_M:
            yield _finding("wire_off_dock", {"loop_id": row["loop_id"], "off_m": off}, start, "stop")


def _moved_wire(layers: Layers, row: Row) -> BaseGeometry:
    """Return the wire where it no longer runs as it was laid out."""
    runs = _shapes([run for run in layers["wire_runs"] if run["loop_id"] == row["loop_id"]])
    return shapely.difference(row["geometry"], shapely.buffer(shapely.union_all(runs), SETBACK_SLACK_M / 2))


def _wire_off_edges(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del mower
    loops = {zone["zone_id"]: zone["loop_id"] for zone in layers["zones"]}
    for row in layers["wire_path"]:
        moved = _moved_wire(layers, row)
        if moved.length <= OFF_MIN_M:
            continue
        outside = shapely.difference(moved, site.parcel)
        if outside.length > OFF_MIN_M:
            values = {"loop_id": row["loop_id"], "length_m": outside.length}
            yield _finding("wire_outside_parcel", values, outside, "stop")
        for edge in layers["edges"]:
            gap = shapely.distance(moved, edge["geometry"])
            if loops.get(edge["zone_id"]) == row["loop_id"] and gap < edge["setback_m"] - SETBACK_SLACK_M:
                wanted = {name: edge[name] for name in ("edge_id", "edge_class", "setback_m")}
                place = shapely.shortest_line(moved, edge["geometry"])
                yield _finding("wire_near_edge", {"loop_id": row["loop_id"], "gap_m": gap, **wanted}, place)


def _runs_follow(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    for row in layers["wire_path"]:
        moved = _moved_wire(layers, row)
        if moved.length > OFF_MIN_M:
            yield _finding("runs_stale", {"loop_id": row["loop_id"], "length_m": moved.length}, moved)


def _links_meet_zones(site: Site, layers: Layers, mower: MowerProfile) -> Found:
    del site, mower
    zones = {row["zone_id"]: row["geometry"] for row in layers["zones"]}
    for row in layers["links"]:
        ends = [shapely.Point(end) for end in shapely.get_coordinates(row["geometry"])[[0, -1]]]
        for column, place in zip(("zone_a", "zone_b"), ends, strict=True):
            zone = zones.get(row[column])
            values = {"link_id": row["link_id"], "zone_id": row[column]}
            if zone is None:
                yield _finding("link_without_zone", values, place)
            elif zone.distance(place) > LINK_OFF_M:
                yield _finding("link_apart", {**values, "off_m": zone.distance(place)}, place)


LINK_OFF_M = 1.0
"""A link's middle line may end this far from its zone."""

_GROUND = ("lawn", "zones", "hand_mow", "keepouts")
_RULES: tuple[tuple[Sequence[str], Sequence[str], Callable[[Site, Layers, MowerProfile], Found]], ...] = (
    *(((layer,), (layer,), _inside_parcel(layer)) for layer in ("lawn", "zones", "hand_mow")),
    *(((layer,), (layer,), _no_overlap(layer)) for layer in ("lawn", "zones", "hand_mow")),
    (("zones", "lawn", "keepouts"), _GROUND, _zones_on_lawn),
    (("zones", "keepouts"), _GROUND, _zones_off_keepouts),
    (("lawn", "keepouts"), _GROUND, _not_too_steep),
    (("zones", "links"), ("zones", "links"), _links_meet_zones),
    (("zones", "edges"), ("zones", "edges"), _edges_on_zones),
    (("wire_path",), ("wire_path",), _wire_closed),
    (("wire_path", "dock_candidates"), ("wire_path", "dock_candidates"), _wire_at_dock),
    (("wire_path", "wire_runs", "edges", "zones"), ("wire_path", "edges"), _wire_off_edges),
    (("wire_path", "wire_runs"), ("wire_path",), _runs_follow),
)
"""Layers that a rule needs, those of which one must have been edited, and the rule."""
