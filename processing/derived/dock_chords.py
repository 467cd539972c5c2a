"""Lawns on which no straight is long enough for a dock: where a chord is laid for it, and what that cuts off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Point, Polygon

from lawngis.dock.chord import chord_segment
from lawngis.dock.placing import candidate_places, distances_m
from lawngis.mower import MowerProfile

from ..model.plan import Finding, Row
from ..model.site import Site
from .decisions import Served
from .detached_supply import ground_in_wire
from .paving import driven_paving

TO_SPARE_M = 1.0
"""A chord's wire is longer than the straight by this: corners are cut, and places are looked at every half metre."""

PLACES_TRIED = 20
"""So many places for a chord are tried, the nearest to a supply first."""


def dock_chords(
    site: Site, zones: Mapping[int, Polygon], served: Served[int], mower: MowerProfile
) -> dict[int, list[Polygon]]:
    """Return by zone the segment that a chord for the dock cuts off, of loops with no place for want of a straight.

    Edges and their setbacks aren't known yet: a loop has a straight if it has one at the shortest usual
    setback or the longest.

    Parameters
    ----------
    site
        The parcel.
    zones
        Ground to be mown, by number.
    served
        What becomes of them.
    mower
        Profile.
    """
    found: dict[int, list[Polygon]] = {}
    for loop in served.loops():
        own = [zone for zone in loop if _may_have_dock(served, zone)]
        looked = {zone: _places(site, zones[zone], mower.setback_m.unknown, mower) for zone in own}
        if any(places.straight.any() for places in looked.values()) or any(
            _places(site, zones[zone], mower.setback_m.flush, mower).straight.any() for zone in own
        ):
            continue
        allowed = [(cable_m, zone, xy) for zone, places in looked.items() for cable_m, *xy in places.allowed.tolist()]
        for _, zone, xy in sorted(allowed)[:PLACES_TRIED]:
            segment = chord_segment(
                zones[zone],
                Point(xy),
                straight_m=mower.dock_straight_ahead_m + mower.dock_straight_behind_m + TO_SPARE_M,
                inset_m=mower.setback_m.unknown,
                chord_m=mower.setback_m.flush,
            )
            if segment is not None:
                found[zone] = [segment]
                break
    return found


def chord_findings(hand_rows: Sequence[Row], mower: MowerProfile) -> list[Finding]:
    """Return what is said of ground beyond chords, given the rows of `hand_mow`."""
    straight_m = mower.dock_straight_ahead_m + mower.dock_straight_behind_m
    return [
        Finding("info", "dock-chord", {"area_m2": row["area_m2"], "straight_m": straight_m}, row["geometry"].centroid)
        for row in hand_rows
        if row["reason"] == "dock_straight"
    ]


def _may_have_dock(served: Served[int], zone: int) -> bool:
    service = served.zones[zone]
    return service.supply != "own_source" and (service.role != "detached" or service.supply == "own_dock")


class _Places(NamedTuple):
    """Places on a zone's wire that a dock may have, each after its way to a supply; which of all are straight."""

    allowed: NDArray[np.float64]
    straight: NDArray[np.bool_]


def _places(site: Site, zone: Polygon, inset_m: float, mower: MowerProfile) -> _Places:
    ring = shapely.orient_polygons(ground_in_wire(zone, inset_m)).exterior
    places = candidate_places(shapely.get_coordinates(ring))
    starts = site.geometries("outlets") or [
        shape for shape in site.geometries("buildings") if shape.intersects(site.parcel)
    ]
    cable_m = np.nan_to_num(distances_m(places.xy, starts))
    kept_off = [
        (mower.dock_vehicle_min_m, driven_paving(site)),
        (mower.dock_sprinkler_min_m, site.geometries("sprinklers")),
        (mower.dock_danger_min_m, site.geometries("water")),
    ]
    allowed = cable_m <= mower.supply_cable_max_m
    for limit_m, things in kept_off:
        allowed &= ~(distances_m(places.xy, things) < limit_m)
    ahead, behind = places.straight_ahead_m, places.straight_behind_m
    straight = (np.maximum(ahead, behind) >= mower.dock_straight_ahead_m) & (
        np.minimum(ahead, behind) >= mower.dock_straight_behind_m
    )
    straight &= places.corner_m >= mower.dock_corner_min_m
    return _Places(np.column_stack([cable_m, places.xy])[allowed], allowed & straight)
