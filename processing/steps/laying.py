"""Step `laying`: the day of laying in the order of hands, and what to watch on the first walk around."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from lawngis.dock.trial import TrialStart, trial_places
from lawngis.ground.raster import values_at
from lawngis.mower import MowerProfile

from ..derived.cable_routing import cable_crossings
from ..derived.detached_supply import lead_crossings
from ..derived.dock_places import slope_of_pads
from ..derived.laying_hours import LabourParameters, LayingTimes, laying_times
from ..derived.laying_order import LaidStretch, LoopLine, laid_stretches, loop_line
from ..derived.plan_cost import work_places
from ..derived.watch_points import Watched, watch_points
from ..model.catalogue import Catalogue, Said, Values, values_text
from ..model.plan import Finding, Plan, Row, StepResult
from ..model.site import DEM_ACCURACY, Site
from ..model.step import Step

IN_HAND_M = 0.5
"""Wire left loose before the first peg, so that both ends can be cut to the same length: common practice, no source."""

CLIP_M = 0.5
"""Cable is fastened this often: common practice, no source."""

CREW: Mapping[str, int] = dict.fromkeys(
    ("lay_edge", "lay_passage", "lead_out", "lay_island", "lead_back", "set_dock"), 2
)
"""People that a step goes best with, where that is more than one: common practice, no source."""

NEEDS: Mapping[str, tuple[str, ...]] = {
    "mark_out": ("owner",),
    "crossing": ("dry",),
    "joint": ("dry",),
    "closing": ("dry",),
    "mount_supply": ("power", "owner"),
    "signal_on": ("power",),
    "trial": ("power", "dry"),
    "walk_round": ("power", "dry"),
    "settings": ("power", "owner"),
    "hand_over": ("power", "owner"),
}
"""What a step can't be done without, out of `LAYING_NEEDS`: common practice, no source."""

_SAME_M = 1e-6


@dataclass(frozen=True, eq=False)
class LayingStep:
    """One step: what is done, what its words are made of, where, and how long it takes one person [h]."""

    what: str
    values: Values
    place: BaseGeometry
    hours: float
    loop_id: str | None = None
    from_m: float | None = None
    to_m: float | None = None
    heading_deg: float | None = None
    pegs: int | None = None
    peg_stage: str | None = None

    def row(self, seq: int, parcel_id: str, catalogue: Catalogue) -> Row:
        """Return the row of `laying_steps`."""
        said = {part: catalogue.said("laying", self.what, part, self.values) for part in ("text", "takes", "done_when")}
        return {
            "step_id": f"{parcel_id}-S{seq}",
            "seq": seq,
            **{name: value for name, value in vars(self).items() if name not in ("values", "place")},
            **said,
            "crew": CREW.get(self.what, 1),
            "needs": ", ".join(NEEDS.get(self.what, ())) or None,
            "values": values_text(self.values),
            "geometry": self.place,
        }


@dataclass(frozen=True, eq=False)
class _LoopPlan:
    """One loop with the rows of the plan that are about it."""

    path: Row
    runs: Sequence[Row]
    pegs: Sequence[Row]
    joins: Sequence[Row]
    dock: Row | None
    cable: Row | None
    line: LoopLine = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "line", loop_line(self.runs))

    @property
    def loop_id(self) -> str:
        """Name of the loop."""
        return str(self.path["loop_id"])

    def pegs_in(self, from_m: float, to_m: float) -> int:
        """Return how many pegs of the first pass stand after one chainage and up to another."""
        return sum(
            peg["stage"] == "first" and from_m + _SAME_M < peg["chainage_m"] <= to_m + _SAME_M for peg in self.pegs
        )


def laying(site: Site, plan: Plan, mower: MowerProfile, parameters: LabourParameters) -> StepResult:
    """Return the steps of the day of laying."""
    loops = list(_loops(plan))
    findings: list[Finding] = []
    wire_m = sum(loop.path["length_m"] for loop in loops)
    times = laying_times(parameters, loops=len(loops), wire_m=wire_m, pegs=len(plan.rows("pegs")))
    steps: list[LayingStep] = []
    points = {loop.loop_id: watch_points(site, _watched(site, plan, loop, loops, mower), mower) for loop in loops}
    for loop in loops:
        steps += [*_laid(site, loop, mower, times), *_fed(site, loop, mower, times)]
        steps += _tried(site, loop, mower, times, len(points[loop.loop_id]), findings)
    if loops:
        steps.append(LayingStep("settings", {}, Point(), times.once("settings")))
        steps.append(LayingStep("hand_over", {}, Point(), times.once("hand_over")))
    rows = [step.row(seq, plan.parcel_id, plan.catalogue) for seq, step in enumerate(steps, start=1)]
    watched = [
        point.row(number, loop.loop_id, plan.catalogue)
        for loop in loops
        for number, point in enumerate(points[loop.loop_id], start=1)
    ]
    return StepResult({"laying_steps": rows, "watch_points": watched}, findings)


def _watched(site: Site, plan: Plan, loop: _LoopPlan, loops: Sequence[_LoopPlan], mower: MowerProfile) -> Watched:
    zones = {zone["zone_id"] for zone in plan.select("zones", loop_id=loop.loop_id)}
    edges = [edge for edge in plan.rows("edges") if edge["zone_id"] in zones]
    others = [other.path["geometry"] for other in loops if other is not loop]
    return Watched(loop.line, loop.runs, edges, others, slope_of_pads(site, mower).slope_percent)


def _loops(plan: Plan) -> Iterator[_LoopPlan]:
    for path in plan.rows("wire_path"):
        of_loop = {"loop_id": path["loop_id"]}
        zones = {zone["zone_id"] for zone in plan.select("zones", **of_loop)}
        docks = [row for row in plan.select("dock_candidates", chosen=True) if row["zone_id"] in zones]
        dock = docks[0] if docks and path["source"] == "dock" else None
        cables = [] if dock is None else plan.select("supply_route", candidate_id=dock["candidate_id"])
        runs = sorted(plan.select("wire_runs", **of_loop), key=lambda run: run["seq"])
        cable = cables[0] if cables else None
        yield _LoopPlan(path, runs, plan.select("pegs", **of_loop), plan.select("joins", **of_loop), dock, cable)


# --- wire ------------------------------------------------------------------------------------------------


def _laid(site: Site, loop: _LoopPlan, mower: MowerProfile, times: LayingTimes) -> Iterator[LayingStep]:
    """Yield the steps from marking out to closing."""
    start, total = Point(loop.line.xy[0]), float(loop.path["length_m"])
    kinds = [run["run_kind"] for run in loop.runs]
    marks = {
        "loop_id": loop.loop_id,
        "bends": sum(peg["peg_kind"] == "bend" for peg in loop.pegs),
        "joints": len(loop.joins),
        "leads": kinds.count("lead_out"),
    }
    here: dict[str, Any] = {"place": start, "loop_id": loop.loop_id}
    yield LayingStep("mark_out", marks, hours=times.once_a_loop("mark_out"), **here)
    begun = {"loop_id": loop.loop_id, "source": loop.path["source"], "in_hand_m": IN_HAND_M}
    at_start: dict[str, Any] = {"from_m": 0.0, "to_m": 0.0, "pegs": loop.pegs_in(-1.0, 0.0), "peg_stage": "first"}
    yield LayingStep("begin", begun, hours=times.laid(0.0, at_start["pegs"]), **here, **at_start)
    joints = [join["chainage_m"] for join in loop.joins if join["why"] == "reel_end"]
    crossings = _crossings(site, loop)
    for stretch in laid_stretches(loop.runs, joints):
        yield from _crossed(loop, stretch, crossings, times)
        yield _stretch(loop, stretch, mower, times)
        for reel, at in enumerate(joints, start=1):
            if abs(at - stretch.to_m) <= _SAME_M:
                yield _joint(loop, at, {"reel": reel, "next_reel": reel + 1}, times)
    closed = {
        "loop_id": loop.loop_id,
        "source": loop.path["source"],
        "at_m": total,
        "resistance_ohm": loop.path["resistance_ohm"],
    }
    hours = times.each(times.book.minutes_per_joint)
    yield LayingStep("closing", closed, hours=hours, from_m=total, to_m=total, **here)


def _stretch(loop: _LoopPlan, stretch: LaidStretch, mower: MowerProfile, times: LayingTimes) -> LayingStep:
    length_m, pegs = stretch.to_m - stretch.from_m, loop.pegs_in(stretch.from_m, stretch.to_m)
    values = {
        "loop_id": loop.loop_id,
        "from_m": stretch.from_m,
        "to_m": stretch.to_m,
        "length_m": length_m,
        "pegs": pegs,
        "setbacks_m": _setbacks_m(loop, stretch),
        "gap_m": mower.passage_wire_gap_m,
        "island_id": stretch.island_id,
        "to": "island" if stretch.island_id else "ground",
    }
    line = loop.line.between(stretch.from_m, stretch.to_m)
    span: dict[str, Any] = {"from_m": stretch.from_m, "to_m": stretch.to_m, "pegs": pegs, "peg_stage": "first"}
    return LayingStep(stretch.what, values, line, times.laid(length_m, pegs), loop.loop_id, **span)


def _setbacks_m(loop: _LoopPlan, stretch: LaidStretch) -> list[float]:
    """Return the setbacks that wire of a stretch keeps, each once, in laying order."""
    inside = [
        run for run in loop.runs if run["from_m"] < stretch.to_m - _SAME_M and run["to_m"] > stretch.from_m + _SAME_M
    ]
    return list(dict.fromkeys(round(run["setback_m"], 2) for run in inside if run["setback_m"] is not None))


def _joint(loop: _LoopPlan, at_m: float, reels: Values, times: LayingTimes) -> LayingStep:
    values = {"loop_id": loop.loop_id, **reels, "at_m": at_m}
    place = next(join["geometry"] for join in loop.joins if abs(join["chainage_m"] - at_m) <= _SAME_M)
    hours = times.each(times.book.minutes_per_joint)
    return LayingStep("joint", values, place, hours, loop.loop_id, at_m, at_m)


def _crossings(site: Site, loop: _LoopPlan) -> list[tuple[Row, list[Said], float]]:
    """Return the runs of a loop over paving or beds, with how their wire gets across, and its cuts or ducts.

    Wires of a passage at one place of work share its cuts, as a labour book counts places.
    """
    crossed = [
        (run, lead_crossings(site, run["geometry"])) for run in loop.runs if run["run_kind"] in ("passage", "lead_out")
    ]
    over = [(run, ways) for run, ways in crossed if ways.over_m]
    passages = [number for number, (run, _) in enumerate(over) if run["run_kind"] == "passage"]
    places = work_places([over[number][0]["geometry"] for number in passages])
    sharing = {passages[number]: len(place) for place in places for number in place}
    return [
        (run, ways.parts, (bool(ways.saw_cut_m) + bool(ways.duct_m)) / sharing.get(number, 1))
        for number, (run, ways) in enumerate(over)
    ]


def _crossed(
    loop: _LoopPlan, stretch: LaidStretch, crossings: Sequence[tuple[Row, list[Said], float]], times: LayingTimes
) -> Iterator[LayingStep]:
    """Yield what is made ready before wire of a stretch is laid."""
    for run, parts, cuts in crossings:
        if stretch.from_m - _SAME_M <= run["from_m"] < stretch.to_m - _SAME_M:
            values = {"loop_id": loop.loop_id, "at_m": run["from_m"], "crossed": parts}
            span: dict[str, Any] = {"from_m": run["from_m"], "to_m": run["to_m"]}
            hours = times.each(times.book.minutes_per_crossing * cuts)
            yield LayingStep("crossing", values, run["geometry"], hours, loop.loop_id, **span)


# --- dock and supply -------------------------------------------------------------------------------------


def _fed(site: Site, loop: _LoopPlan, mower: MowerProfile, times: LayingTimes) -> Iterator[LayingStep]:
    """Yield the steps from the dock, or the signal source, to the signal."""
    start, loop_id = Point(loop.line.xy[0]), loop.loop_id
    if loop.dock is None:
        minutes = times.book.minutes_per_joint
        yield LayingStep("set_source", {"loop_id": loop.loop_id}, start, times.each(minutes), loop_id)
    else:
        values = {
            "loop_id": loop.loop_id,
            "heading_deg": loop.dock["heading_deg"],
            "length_m": mower.dock_pad_length_m,
            "width_m": mower.dock_pad_width_m,
            "slope_max_percent": mower.dock_slope_max_percent,
        }
        place, heading = loop.dock["geometry"], loop.dock["heading_deg"]
        yield LayingStep("set_dock", values, place, times.of_dock("set_dock"), loop_id, heading_deg=heading)
    yield from _supplied(site, loop, mower, times)
    hours = 0.0 if loop.dock is None else times.of_dock("signal_on")
    yield LayingStep("signal_on", {"loop_id": loop.loop_id, "source": loop.path["source"]}, start, hours, loop_id)


def _supplied(site: Site, loop: _LoopPlan, mower: MowerProfile, times: LayingTimes) -> Iterator[LayingStep]:
    loop_id = loop.loop_id
    hours = 0.0 if loop.dock is None else times.of_dock("mount_supply")
    if loop.cable is None:
        unknown = {"case": "unknown", "loop_id": loop.loop_id, "limit_m": mower.supply_cable_max_m}
        yield LayingStep("mount_supply", unknown, Point(), hours, loop_id)
        return
    cable = loop.cable["geometry"]
    mounted = {
        "case": "near" if loop.cable["within_limit"] else "far",
        "starts_at": loop.cable["starts_at"],
        "length_m": loop.cable["length_m"],
        "limit_m": mower.supply_cable_max_m,
    }
    yield LayingStep("mount_supply", mounted, Point(cable.coords[0]), hours, loop_id)
    for use, stretch in cable_crossings(site, cable):
        cut = times.each(times.book.minutes_per_crossing)
        place = stretch if isinstance(stretch, LineString) else stretch.representative_point()
        yield LayingStep("crossing", {"case": "cable", "uses": [use]}, place, cut, loop_id)
    laid = {"length_m": loop.cable["length_m"], "clips": int(np.ceil(loop.cable["length_m"] / CLIP_M))}
    hours = times.each(times.book.minutes_per_m_cable * loop.cable["length_m"])
    yield LayingStep("lay_cable", laid, cable, hours, loop_id)


# --- trial and what follows ------------------------------------------------------------------------------


def _tried(
    site: Site, loop: _LoopPlan, mower: MowerProfile, times: LayingTimes, points: int, findings: list[Finding]
) -> Iterator[LayingStep]:
    """Yield the steps from the first way home to the last peg."""
    total, loop_id = float(loop.path["length_m"]), loop.loop_id
    yield _trial(site, loop, mower, times, findings)
    around: dict[str, Any] = {"from_m": 0.0, "to_m": total, "loop_id": loop_id, "place": loop.path["geometry"]}
    values = {"loop_id": loop.loop_id, "length_m": total, "points": points}
    yield LayingStep("walk_round", values, hours=times.once_a_loop("walk_round"), **around)
    yield LayingStep("correct", {"loop_id": loop.loop_id}, hours=times.once_a_loop("correct"), **around)
    later = sum(peg["stage"] != "first" for peg in loop.pegs)
    spacing = {"straight_m": mower.peg_spacing_straight_m, "bend_m": mower.peg_spacing_bend_m}
    filled = {"loop_id": loop.loop_id, **spacing, "pegs": later}
    hours = times.filled("peg_fill", later)
    yield LayingStep("peg_fill", filled, hours=hours, pegs=later, peg_stage="fill", **around)
    buried = {"loop_id": loop.loop_id, "pegs": len(loop.pegs)}
    yield LayingStep("bury_heads", buried, hours=times.filled("bury_heads", later), **around)


def _trial(site: Site, loop: _LoopPlan, mower: MowerProfile, times: LayingTimes, findings: list[Finding]) -> LayingStep:
    hours, loop_id = times.once_a_loop("trial"), loop.loop_id
    if loop.dock is None:
        return LayingStep("trial", {"case": "carried", "loop_id": loop.loop_id}, Point(loop.line.xy[0]), hours, loop_id)
    found, against = _trial_start(site, loop, loop.dock, mower)
    if found is None:
        findings.append(
            Finding("caution", "no-trial-start", {"loop_id": loop.loop_id, "against": against}, loop.dock["geometry"])
        )
        return LayingStep(
            "trial", {"case": "none", "loop_id": loop.loop_id, "against": against}, Point(), hours, loop_id
        )
    heading = (found.heading_deg + site.frame.grid_heading_deg(0.0)) % 360.0
    values = {
        "case": "start" if np.isfinite(found.slope_percent) else "slope_unknown",
        "loop_id": loop.loop_id,
        "at_m": found.chainage_m,
        "before_m": min(found.chainage_m, float(loop.path["length_m"]) - found.chainage_m),
        "heading_deg": heading,
        "slope_max_percent": mower.dock_approach_slope_max_percent,
    }
    at = found.chainage_m
    return LayingStep("trial", values, Point(found.xy), hours, loop_id, at, at, heading)


def _trial_start(site: Site, loop: _LoopPlan, dock: Row, mower: MowerProfile) -> tuple[TrialStart | None, list[Said]]:
    """Return where the mower is set down for its first way home; where there is no such place what is against all."""
    apart = [
        (run["from_m"], run["to_m"]) for run in loop.runs if run["run_kind"] in ("lead_out", "lead_back", "passage")
    ]
    grid_deg = site.frame.grid_heading_deg(0.0)
    # The dock looks to where the mower comes from.
    driving_deg = (dock["heading_deg"] - grid_deg + 180.0) % 360.0
    places = trial_places(
        loop.line.xy, loop.line.chainage_m, apart, before_m=mower.trial_start_min_m, driving_deg=driving_deg
    )
    slope = values_at(slope_of_pads(site, mower).slope_percent, site.frame, places.xy)
    steep_percent = mower.dock_approach_slope_max_percent
    against: list[Said] = []
    if not len(places.chainage_m):
        against.append(("trial-against", {"case": "short", "before_m": mower.trial_start_min_m}))
    if places.bent.any():
        against.append(("trial-against", {"case": "bent"}))
    if places.apart.any():
        against.append(("trial-against", {"case": "apart"}))
    if (slope > steep_percent).any():
        against.append(("trial-against", {"case": "steep", "slope_max_percent": steep_percent}))
    return places.start(slope, steep_percent), against


STEP = Step(
    id="laying",
    title="Day of laying",
    description=(
        "Puts what a crew does into the order of hands: marking out, wire with the pegs of the first pass, joints, "
        "dock and supply, the first way home, the walk around, the remaining pegs, settings, handing over; with the "
        "hours of each step by the labour book."
    ),
    reads=(
        "zones",
        "edges",
        "wire_path",
        "wire_runs",
        "pegs",
        "joins",
        "dock_candidates",
        "supply_route",
        "site:parcels",
        "site:buildings",
        "site:hard_surfaces",
        "site:beds",
        "raster:dem",
        *DEM_ACCURACY,
    ),
    writes=("laying_steps", "watch_points"),
    compute=laying,
    parameters=LabourParameters,
)
