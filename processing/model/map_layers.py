"""How the plan's layers are met in a desktop GIS, beside how they are drawn.

In which group, from which scale, what a row says when it is pointed at, and whose label gives way. Scales are
those at which a thing begins to crowd the map; ours, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from .contract import Layer
from .styles import STYLES

GROUPS = ("Verdict", "Visit", "Dock", "Wire", "Ground", "Context")
"""Groups of the layers of a plan, the first on top."""

SCALE_SITE = 2_500
"""Of maps at a smaller scale than 1 to this nothing is seen but how ready each parcel is."""

SCALE_DETAIL = 1_050
"""Edges, single runs and findings are seen from 1 to this, and labels of what lies within a parcel: on a print at 1 to
1,000 too, however its scale is rounded."""

SCALE_PEGS = 550
"""At a smaller scale pegs run together and hide the wire."""


@dataclass(frozen=True)
class MapLayer:
    """How a layer is met.

    Parameters
    ----------
    group
        Out of `GROUPS`.
    tip
        What a row says: a sentence with names of columns in braces; a part in brackets is left out where its column
        has no value.
    label_priority
        From 0 to 10: of two labels in each other's way the one with less gives way.
    scale
        Denominator of the smallest scale at which it is seen; None for any.
    shown
        Whether it is seen when the map is opened.
    """

    group: str = "Context"
    tip: str = ""
    label_priority: int = 0
    scale: int | None = SCALE_SITE
    shown: bool = True


MAP_LAYERS: Mapping[str, MapLayer] = MappingProxyType(
    {
        "summary": MapLayer(
            "Verdict", "{parcel_id}[ ({label})], {readiness}[: {readiness_why}].[ {verdict_text}]", 9, None
        ),
        "findings": MapLayer("Verdict", "[{parcel_id}, ]{severity}: {text}.[ {advice}]", 0, SCALE_DETAIL),
        "materials": MapLayer("Verdict", "{quantity} {unit} of {item}[, {basis}]"),
        "schedule": MapLayer("Verdict", "{zone_id}, {weekday} {start_time} to {end_time}"),
        "mowers": MapLayer("Verdict", "Mower {mower_no}: {profile}"),
        "run_info": MapLayer("Verdict", "{key}: {value}"),
        "visit_checks": MapLayer(
            "Visit", "Measure {priority}: {measure_what}, {measured_how}; it decides {decides}", 10
        ),
        "visit_areas": MapLayer("Visit", "{check_id} asks about this[: {area_m2} m²][: {length_m} m of edge]"),
        "dock_candidates": MapLayer("Dock", "{candidate_id}[: score {score}][, rank {rank}][; misses: {failed}]"),
        "supply_route": MapLayer("Dock", "Supply cable, {length_m} m[ from {starts_at}][, across {crosses}]"),
        "joins": MapLayer("Wire", "Joint of {loop_id} at {chainage_m} m: {why}", 0, SCALE_DETAIL),
        "pegs": MapLayer("Wire", "Peg {peg_no} of {loop_id} at {chainage_m} m: {peg_kind}[, {stage}]", 0, SCALE_PEGS),
        "watch_points": MapLayer(
            "Wire", "{watch_id}, {chainage_m} m along the wire: {expect}", 0, SCALE_DETAIL, shown=False
        ),
        "laying_steps": MapLayer("Wire", "{seq}. {text}. Done when {done_when}.", 0, SCALE_DETAIL, shown=False),
        "wire_runs": MapLayer(
            "Wire",
            "Wire {loop_id}, run {seq}: {run_kind}[, {setback_m} m from the edge][ ({edge_class})]; {from_m} to "
            "{to_m} m",
            0,
            SCALE_DETAIL,
        ),
        "wire_path": MapLayer("Wire", "Loop {loop_id}: {length_m} m of wire[, {lead_m} m of it in leads]"),
        "links": MapLayer(
            "Ground", "{link_id}: {kind}, {zone_a} to {zone_b}[ over {surface}], {width_m} m wide at the narrowest"
        ),
        "edges": MapLayer(
            "Ground", "{edge_id}: {edge_class}, wire {setback_m} m from it[; {evidence}]", 0, SCALE_DETAIL
        ),
        "zones": MapLayer(
            "Ground",
            "{zone_id}: {role}, {area_m2} m²[, fed by {supply}][: {supply_why}][; 95 % of it under "
            "{slope_p95_percent} % steep][; {hours_week} h a week]",
            6,
        ),
        "hand_mow": MapLayer("Ground", "{area_id}: {area_m2} m² to be mown by hand, {reason}"),
        "keepouts": MapLayer("Ground", "{keepout_id}: {reason}, {treatment}; {area_m2} m²[; {evidence}]"),
        "lawn": MapLayer("Ground", "{lawn_id}: {area_m2} m² of lawn, {source}"),
        "trees_found": MapLayer("Context", "{tree_id}[: {height_m} m high][, crown {crown_diameter_m} m across]"),
        "cover": MapLayer("Context", "{cover_id}: {cover}, {area_m2} m²[; {evidence}]", shown=False),
    }
)
"""Every layer of the plan, as the map has them from top to bottom within their groups."""


def map_layer(spec: Layer) -> MapLayer:
    """Return how a layer is met; one of another package's step stands among what else there is.

    A layer that has the name of one of the plan's and not its columns says nothing of its rows.
    """
    found = MAP_LAYERS.get(spec.name, MapLayer())
    if set(re.findall(r"\{(\w+)\}", found.tip)) <= {column.name for column in spec.columns}:
        return found
    return MapLayer(found.group, "", found.label_priority, found.scale, found.shown)


def drawing_order(specs: Sequence[Layer]) -> list[Layer]:
    """Return layers as a map has them from top to bottom: what is drawn last stands first, tables at the end."""
    order = {name: number for number, name in enumerate(STYLES)}
    drawn = [spec for spec in specs if spec.geometry is not None]
    on_top = sorted(drawn, key=lambda spec: -order.get(spec.name, len(order)))
    return [*on_top, *(spec for spec in specs if spec.geometry is None)]
