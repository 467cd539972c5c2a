"""How the mower gets to each zone of a plan, and what it reaches there: shared by the weekly plan and the raster."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from affine import Affine
from shapely import LineString, Point, Polygon

from lawngis.ground.raster import Grid
from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import search_effort, unevenness
from lawngis.mowing.coverage import Coverage, ThinPlace, coverage, mowing_effort, thin_places

from ..model.plan import Derived, Finding, Plan, Row
from ..model.site import Site

RASTER_CELL_M = 0.25
"""Cells of the raster of coverage [m]; the simulation's own are often larger."""

_MOWN_ZONES = Derived("mown zones", ("zones",))


@dataclass(frozen=True)
class ZoneAccess:
    """How the mower gets into a zone: where it enters, how far that is from its dock, and whether it is carried."""

    entry: Point
    access_m: float
    carried: bool


@dataclass(frozen=True, eq=False)
class MownZone:
    """A zone with what one simulated mowing reaches of it; no coverage where it is narrower than the cut."""

    zone_id: str
    coverage: Coverage | None
    thin: tuple[ThinPlace, ...]


def zone_accesses(layers: Mapping[str, Sequence[Row]]) -> dict[str, ZoneAccess]:
    """Return the way into each zone, by zone: from its dock, through passages from there, or by hand.

    Parameters
    ----------
    layers
        Rows of `zones`, `links` and `dock_candidates` of a plan.
    """
    zones = {str(zone["zone_id"]): zone for zone in layers["zones"]}
    driven = {str(zone.get("reached_by")) for zone in layers["zones"]}
    links = [link for link in layers["links"] if link["link_id"] in driven]
    docks = {str(dock["zone_id"]): dock["geometry"] for dock in layers["dock_candidates"] if dock["chosen"]}
    found: dict[str, ZoneAccess] = {}
    for name in [name for name in docks if name in zones]:
        found[name] = ZoneAccess(docks[name], 0.0, carried=zones[name]["role"] == "detached")
    _drive_on(list(found), zones, links, found)
    for name in sorted(zones, key=lambda name: zones[name].get("reached_by") is not None):
        if name not in found:
            entry = Point(zones[name]["geometry"].exterior.coords[0])
            found[name] = ZoneAccess(entry, 0.0, carried=zones[name]["role"] == "detached")
            _drive_on([name], zones, links, found)
    return {name: found[name] for name in zones}


def mown_zones(
    plan: Plan,
    accesses: Mapping[str, ZoneAccess],
    mower: MowerProfile,
    *,
    departures: int,
    seed: int,
    thin_chance: float,
) -> list[MownZone]:
    """Return what one simulated mowing reaches of each zone; kept in the plan for :func:`coverage_grid`.

    Parameters
    ----------
    plan
        Where the zones are.
    accesses
        The way into each of them, from :func:`zone_accesses`.
    mower
        What mows them.
    departures, seed, thin_chance
        As the weekly plan's parameters.
    """

    def simulated() -> list[MownZone]:
        return [
            _mown(zone, accesses[str(zone["zone_id"])].entry, mower, departures, seed, thin_chance)
            for zone in plan.rows("zones")
        ]

    return list(plan.derived(_MOWN_ZONES, simulated))


def coverage_grid(site: Site, plan: Plan) -> Grid | None:
    """Return the chance that one mowing reaches each place, in the frame; None when nothing was simulated."""
    mown: Sequence[MownZone] = [zone for zone in plan.derived(_MOWN_ZONES, list) if zone.coverage is not None]
    if not mown:
        return None
    bounds = shapely.total_bounds([zone["geometry"] for zone in plan.rows("zones")])
    cols, rows = np.ceil((bounds[2:] - bounds[:2]) / RASTER_CELL_M).astype(int)
    transform = Affine(RASTER_CELL_M, 0.0, bounds[0], 0.0, -RASTER_CELL_M, bounds[3])
    grid = Grid(np.full((rows, cols), np.nan), transform, site.frame.crs)
    x, y = grid.cell_centres
    values = grid.values.copy()
    for zone in mown:
        if zone.coverage is None:
            continue
        cells = zone.coverage.cells
        held_rows, held_cols = cells.number.shape
        col = np.floor((x - cells.left_m) / cells.size_m).astype(int)
        row = np.floor((cells.top_m - y) / cells.size_m).astype(int)
        in_col, in_row = (col >= 0) & (col < held_cols), (row >= 0) & (row < held_rows)
        own = cells.raster(zone.coverage.chance)[np.ix_(row[in_row], col[in_col])]
        window = np.ix_(in_row, in_col)
        values[window] = np.where(np.isnan(own), values[window], own)
    return grid.with_values(values)


def sets_out_words(mown: MownZone) -> str | None:
    """Return the shares of departures by set-out place, in words; None when there is nothing to start for."""
    if mown.coverage is None:
        return None
    return ", ".join(
        f"{100 * start.share:.0f} % {f'at {start.along_m:.0f} m' if start.along_m else 'at the entry'}"
        for start in mown.coverage.starts
    )


def coverage_findings(zones: Sequence[Row], mown: Mapping[str, MownZone], mower: MowerProfile) -> list[Finding]:
    """Return what the simulation says of each zone: how much is mown, from where to set out, what stays thin."""
    found: list[Finding] = []
    for zone in zones:
        zone_id = str(zone["zone_id"])
        simulated = mown.get(zone_id)
        if simulated is None:
            continue
        if simulated.coverage is None:
            values = {"zone_id": zone_id, "cutting_width_m": mower.cutting_width_m}
            found.append(Finding("caution", "zone-too-narrow", values, zone["geometry"].representative_point()))
            continue
        found.append(_mown_finding(zone_id, simulated.coverage, mower))
        found += _starts_findings(zone_id, simulated.coverage)
        found += [_thin_finding(zone_id, thin) for thin in simulated.thin]
    return found


def _mown_finding(zone_id: str, mowing: Coverage, mower: MowerProfile) -> Finding:
    driven = mowing.effort.driven_m
    hours = driven / mower.speed_mps / 3600
    half, most = mowing.share_after([driven / 2, driven])
    values = {
        "zone_id": zone_id,
        "half_hours": hours / 2,
        "half_percent": 100 * half,
        "hours": hours,
        "mown_percent": 100 * most,
        "wanted_percent": 100 * mower.coverage_share,
    }
    return Finding("info", "coverage", values)


def _starts_findings(zone_id: str, mowing: Coverage) -> list[Finding]:
    """Return a finding for each set-out place that has to be set, none when the entry does."""
    gain = mowing.share_mown - float(mowing.entry_chance.mean())
    return [
        Finding(
            "info",
            "set-out-place",
            {
                "zone_id": zone_id,
                "along_m": start.along_m,
                "departures_percent": 100 * start.share,
                "gain_percent": 100 * gain,
            },
            start.place,
        )
        for start in mowing.starts
        if start.along_m > 0
    ]


def _thin_finding(zone_id: str, thin: ThinPlace) -> Finding:
    values = {
        "case": thin.remedy,
        "zone_id": zone_id,
        "area_m2": thin.area_m2,
        "where": thin.why,
        "chance": thin.chance,
    }
    return Finding("info", "thin-place", values, thin.place)


def _mown(zone: Row, entry: Point, mower: MowerProfile, departures: int, seed: int, thin_chance: float) -> MownZone:
    polygon: Polygon = zone["geometry"]
    if not polygon.area > 0:
        return MownZone(str(zone["zone_id"]), None, ())
    uneven = unevenness(polygon.area, polygon.length, cutting_width_m=mower.cutting_width_m)
    effort = mowing_effort(
        polygon.area,
        cutting_width_m=mower.cutting_width_m,
        passes=float(search_effort(mower.coverage_share, unevenness=uneven)),
        departure_max_m=mower.run_minutes * 60 * mower.speed_mps,
    )
    width = mower.cutting_width_m
    found = coverage(polygon, entry, cutting_width_m=width, effort=effort, departures=departures, seed=seed)
    if found is None:
        return MownZone(str(zone["zone_id"]), None, ())
    thin = thin_places(polygon, found, cutting_width_m=width, chance_min=thin_chance, area_min_m2=2.0, seed=seed)
    return MownZone(str(zone["zone_id"]), found, tuple(thin))


def _drive_on(waiting: list[str], zones: Mapping[str, Row], links: Sequence[Row], found: dict[str, ZoneAccess]) -> None:
    """Find the ways from some zones on, through the passages that the mower drives through."""
    while waiting:
        before = waiting.pop()
        for link in links:
            ends = (str(link["zone_a"]), str(link["zone_b"]))
            after = _other_end(link, before)
            if before in ends and after in zones and after not in found:
                out, into = _mouths(link["geometry"], zones[after]["geometry"])
                along = _along_edge_m(zones[before]["geometry"], found[before].entry, out)
                access_m = found[before].access_m + along + link["geometry"].length
                found[after] = ZoneAccess(into, access_m, carried=found[before].carried)
                waiting.append(after)


def _other_end(link: Row, zone_id: str) -> str:
    return str(link["zone_b"] if link["zone_a"] == zone_id else link["zone_a"])


def _mouths(line: LineString, zone: Polygon) -> tuple[Point, Point]:
    """Return the ends of a passage: the far one, and the one at the zone."""
    first, last = Point(line.coords[0]), Point(line.coords[-1])
    return (first, last) if zone.distance(last) <= zone.distance(first) else (last, first)


def _along_edge_m(zone: Polygon, start: Point, end: Point) -> float:
    """Return the shorter way between two places along a zone's outer edge, where the mower follows the wire [m]."""
    ring = zone.exterior
    apart = abs(ring.project(start) - ring.project(end))
    return float(min(apart, ring.length - apart))
