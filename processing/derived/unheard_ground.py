"""Ground of a loop on which the mower doesn't hear its wire: too far from it, or where the field is too weak."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely import Polygon

from lawngis.geometry.polygons import polygon_parts
from lawngis.mower import MowerProfile
from lawngis.wire.circuit import least_field_ut, weak_ground
from lawngis.wire.leads import ground_rings

from ..model.plan import Finding, Plan, Row
from .decisions import Served
from .detached_supply import ground_in_wire

UNHEARD_MIN_M2 = 0.5
"""Ground out of signal that is smaller than this is crossed before the mower stops."""

FIELD_MARGIN = 1.02
"""Field asked for while the wire isn't laid yet, as a share of the least: corners will be cut, passages added."""

WEAK_OUTLINE_M = 0.1
"""How far the outline of ground with too weak a field may be simplified."""


def unheard_ground(
    plan: Plan, zones: Sequence[Polygon], served: Served[int], mower: MowerProfile
) -> dict[int, list[Polygon]]:
    """Return by zone the ground out of signal, without what stands on it.

    That is what is farther from any wire than the signal reaches, and where the whole loop's field is too weak. The
    wire keeps at least the least setback from the edge, so what is farther from the edge than reach and setback
    together is farther from the wire than the reach; and wire farther in has a stronger field in the middle.
    """
    least_m = min(mower.setback_m.model_dump().values())
    depth_m = mower.signal_reach_max_m + least_m
    bumps = shapely.union_all(plan.geometries("keepouts", treatment="bump"))
    found = {}
    for loop in served.loops():
        inner = {index: ground_in_wire(zones[index], least_m) for index in loop}
        wires = [ring for ground in inner.values() for ring in ground_rings(ground)]
        heard = {"height_m": mower.antenna_height_m, "current_a": mower.loop_current_a}
        least_ut = FIELD_MARGIN * mower.signal_min_ut
        strong = least_field_ut(wires, **heard) >= least_ut
        for index in loop:
            weak = [] if strong else weak_ground(inner[index], wires, least_ut=least_ut, **heard)
            deep = [zones[index].buffer(-depth_m), *(part.simplify(WEAK_OUTLINE_M) for part in weak)]
            out = shapely.union_all(deep).difference(bumps)
            parts = [part for part in polygon_parts(out) if part.area >= UNHEARD_MIN_M2]
            if parts:
                found[index] = parts
    return found


def unheard_findings(hand_rows: Sequence[Row], mower: MowerProfile) -> list[Finding]:
    """Return what is said of ground out of signal, given the rows of `hand_mow`."""
    return [
        Finding(
            "caution",
            "out-of-signal",
            {"area_m2": row["area_m2"], "reach_m": mower.signal_reach_max_m, "limit_ut": mower.signal_min_ut},
            row["geometry"].representative_point(),
        )
        for row in hand_rows
        if row["reason"] == "out_of_signal"
    ]
