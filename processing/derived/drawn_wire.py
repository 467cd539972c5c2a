"""What follows from wire that somebody drew on site: how near to which edge it lies, what it leaves out or takes in."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile
from lawngis.wire.loop import Loop as LaidLoop
from lawngis.wire.loop import Run

from ..model.plan import Finding
from ..model.site import Site
from .loops import LOST_MIN_M2, DrawnWire, Loop

NEAR_M = 0.3
"""Wire this near to a drawn line follows it; a cut corner leaves it by less."""

SHORT_M = 0.5
"""A line may be followed for this much less than its length without a word: corners are cut."""

SETBACK_SHORT_M = 0.02
"""A setback may be short by this: the contract's tolerance."""

_ADVICE = {
    "info": "It was drawn on site: lay it as planned.",
    "caution": "Check on site that it is meant so; the mower turns a little beyond the wire.",
    "stop": "Draw the line again within the zone, or correct the lawn's edge.",
}


def drawn_findings(site: Site, loop: Loop, laid: LaidLoop, ground: BaseGeometry, mower: MowerProfile) -> list[Finding]:
    """Return a finding for every line that was drawn for a loop; `ground` is where its wire belongs.

    Less setback than the profile wants is a caution. Wire off its zone or over water stops the plan, as it would lead
    the mower onto ground that nobody planned to mow.
    """
    runs = [run for run in laid.runs if run.drawn]
    water = shapely.union_all(site.geometries("water"))
    return [_finding(item, runs, ground, water, mower) for item in loop.drawn]


def _finding(
    item: DrawnWire, runs: Sequence[Run], ground: BaseGeometry, water: BaseGeometry, mower: MowerProfile
) -> Finding:
    near = shapely.buffer(item.line, NEAR_M, cap_style="flat")
    own = [run for run in runs if shapely.intersects(near, LineString(run.xy))]
    wire = shapely.intersection(shapely.union_all([LineString(run.xy) for run in own]), near)
    off, wet = shapely.difference(wire, ground), shapely.intersection(wire, water)
    cautions = [*_setback_words(own, mower), *_ground_words(item)]
    if item.line.length - wire.length > SHORT_M:
        cautions.append(f"for {item.line.length - wire.length:.1f} m other wire, an island or a corner is in the way")
    stops = [f"it leaves the zone for {off.length:.1f} m, so rule 2 and rule 8 are not kept"] if off.length > 0 else []
    stops += [f"{wet.length:.1f} m of it lie over water"] if wet.length > 0 else []
    severity = "stop" if stops else "caution" if cautions else "info"
    head = f"the wire of {item.zone_id} runs for {wire.length:.1f} m along the line drawn on site"
    place = (off if off.length > 0 else item.line).representative_point()
    return Finding(severity, "drawn-wire", "; ".join([head, *stops, *cautions]), _ADVICE[severity], place)


def _setback_words(runs: Sequence[Run], mower: MowerProfile) -> list[str]:
    """Say for each class of edge how near the wire comes, where that is nearer than the profile wants."""
    kept: dict[str, float] = {}
    for run in runs:
        if run.edge_class is not None and run.setback_m is not None:
            kept[run.edge_class] = min(run.setback_m, kept.get(run.edge_class, run.setback_m))
    wanted = {name: float(getattr(mower.setback_m, name)) for name in kept}
    return [
        f"it keeps {kept[name]:.2f} m to the {name} edge instead of {wanted[name]:.2f} m (rule 3)"
        for name in kept
        if kept[name] < wanted[name] - SETBACK_SHORT_M
    ]


def _ground_words(item: DrawnWire) -> list[str]:
    words = []
    if item.left_out_m2 >= LOST_MIN_M2:
        words.append(f"{item.left_out_m2:.0f} m² of the zone lie outside it and are mown by hand (rule 2)")
    if item.added_m2 >= LOST_MIN_M2:
        words.append(f"{item.added_m2:.0f} m² more than setbacks allow lie inside it")
    return words
