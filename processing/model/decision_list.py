"""The closed list of what a plan decides: each yes or no, what it hangs on, and what hangs on it.

A decision whose value is in doubt is looked at on site: it names the codes of its checks, or why it needs none. A new
limit of a mower, kind of feature, check or finding that stops a plan has its entry here; a test walks the source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Stake = Literal["verdict", "safety", "ground", "wire", "price", "place", "nothing"]
"""What mostly hangs on a decision: whether there is a plan at all, somebody's safety, what is mown [m²], wire [m],
money, where the dock or its cable lies, or nothing that anybody would notice."""


@dataclass(frozen=True)
class Decision:
    """A yes or no of a plan.

    Parameters
    ----------
    code, asked
        Its name, and the question in words.
    value, unit
        The value that decides: a column of the plan where it stands in one, else in words.
    stake
        What mostly hangs on it.
    limits
        What it is held against: fields of the mower's profile, or parameters as ``step.parameter``.
    outcomes
        What comes of it in columns of the plan, as ``layer.column=value``.
    stops
        Codes of the findings that stop a plan by it.
    checks
        Codes of the checks that it gets where it may fall otherwise.
    unchecked
        Why it gets none; empty where it gets one.
    by_rule
        A rule asks for the check on every parcel, however sure the decision is.
    of_ground
        It decides what of the ground is lawn, or can be mown at all.
    """

    code: str
    asked: str
    value: str
    unit: str
    stake: Stake
    limits: tuple[str, ...] = ()
    outcomes: tuple[str, ...] = ()
    stops: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    unchecked: str = ""
    by_rule: bool = False
    of_ground: bool = False


_SCORE = "places that score nearly alike are equally good: the share of weightings says how sure the choice is"
_EDITED = "says what a person drew or wrote, not what maps tell"
_OWN_RULE = "follows from the plan's own lines, in which the data's doubt has no part"

# fmt: off
_DECISIONS = (
    # --- what is lawn ------------------------------------------------------------------------------------
    Decision("mapped", "Is all that covers the ground mapped?", "summary.unknowns", "", "verdict",
        checks=("what-is-there",)),
    Decision("lawn-shown", "Does the image show lawn there?", "cover.greenness", "", "verdict",
        outcomes=("lawn.source=imagery", "cover.cover=maybe_lawn", "cover.cover=hardly_lawn", "cover.cover=green"),
        checks=("lawn-at-all",), of_ground=True),
    Decision("lawn-dry", "Is dry or bare ground lawn?", "cover.area_m2", "m²", "ground",
        outcomes=("cover.cover=dry", "cover.cover=bare", "cover.cover=unknown", "cover.cover=shaded"),
        checks=("dry-grass", "in-shade"), of_ground=True),
    Decision("lawn-under-crown", "Does lawn grow under crowns?", "cover.confidence", "", "ground",
        outcomes=("cover.cover=lawn_under_crown", "cover.cover=crown"), checks=("under-crowns",), of_ground=True),
    Decision("standing", "Does something stand on the lawn?", "height in the surface model", "m", "ground",
        outcomes=("cover.cover=shrub", "cover.cover=hedge", "cover.cover=built", "cover.cover=lawn"),
        checks=("standing", "maybe-crown"), of_ground=True),
    Decision("lawn-source", "Is the lawn taken as surveyed or derived?", "summary.basis", "", "nothing",
        outcomes=("lawn.source=surveyed", "lawn.source=derived"), unchecked="a layer of lawns is there or it isn't"),
    # --- keep-outs ---------------------------------------------------------------------------------------
    Decision("ground-steep", "Is a piece of ground too steep to be mown?", "mean slope of the piece", "%", "safety",
        limits=("slope_limit_percent", "steep_area_min_m2"),
        outcomes=("keepouts.reason=steep", "hand_mow.reason=steep"), stops=("rule-12-steep", "slope-unconfirmed"),
        checks=("ground-slope", "slope-unknown", "slope-drawn"), of_ground=True),
    Decision("edge-steep", "Is the ground along the wire too steep?", "mean slope in the band along the wire", "%",
        "safety", limits=("edge_slope_limit_percent",), outcomes=("keepouts.reason=steep",), checks=("ground-slope",),
        of_ground=True),
    Decision("feature-kept-out", "Is a mapped bed, water or thing kept out?", "its layer", "", "safety",
        outcomes=("keepouts.reason=water", "keepouts.reason=bed", "keepouts.reason=obstacle", "keepouts.reason=drop"),
        unchecked="what is mapped is always kept out; how far its edge may be off is in the edge's setback"),
    Decision("trunk-bumped", "Is a trunk thick enough to be bumped?", "trees.trunk_diameter_m", "m", "wire",
        limits=("rigid_trunk_min_m",),
        outcomes=("keepouts.reason=tree", "keepouts.treatment=bump", "keepouts.treatment=island"),
        checks=("trunk",)),
    Decision("thing-felt", "Is a rigid thing so high that the bumper feels it?", "obstacles.height_m", "m", "wire",
        limits=("bump_height_min_m",), outcomes=("keepouts.treatment=bump", "keepouts.treatment=island"),
        checks=("bump-height",)),
    Decision("gap-closed", "Is the gap between obstacles too narrow for the mower?", "width of the gap", "m", "wire",
        outcomes=("keepouts.reason=narrow", "keepouts.reason=small", "keepouts.treatment=outside"),
        limits=("passage_transit_min_m",), checks=("trunk-gap",)),
    # --- zones and links ---------------------------------------------------------------------------------
    Decision("passage-mown", "Is a passage wide enough to be mown?", "links.width_m", "m", "price",
        limits=("passage_mow_min_m",), outcomes=("links.kind=open", "links.kind=transit", "hand_mow.reason=narrow"),
        checks=("passage-width", "passage-drawn")),
    Decision("place-mown",
        "Is ground that is no passage wide enough to be mown: around an island, at a dead end, between two parts?",
        "width at its narrowest", "m", "ground", limits=("passage_mow_min_m",),
        outcomes=("hand_mow.reason=narrow", "links.kind=transit"), checks=("narrow-place",)),
    Decision("passage-driven", "Is a passage wide enough to be driven through?", "links.width_m", "m", "price",
        limits=("passage_transit_min_m",),
        outcomes=("links.kind=transit", "links.kind=blocked", "zones.role=linked", "zones.role=detached"),
        checks=("passage-width",)),
    Decision("crossing", "Does the mower cross paving between two zones?", "links.length_m", "m", "price",
        limits=("crossing_length_max_m", "passage_transit_min_m"), outcomes=("links.kind=crossing",),
        checks=("crossing-length", "crossing-width", "crossing-drawn")),
    Decision("crossing-border", "Does the mower cross paving all along a border or at one place?",
        "hard_surfaces.surface", "", "price", outcomes=("links.along_border",), checks=("crossing-surface",)),
    Decision("zone-worth", "Is a zone large enough to be worth a wire?", "zones.area_m2", "m²", "ground",
        limits=("zone_area_min_m2",), outcomes=("hand_mow.reason=small",), checks=("zone-area",)),
    Decision("home", "In which zone does the mower live?", "zones.area_m2", "m²", "place",
        outcomes=("zones.role=home",), unchecked="either of two zones that are nearly as large serves"),
    Decision("mowers", "Can one mower do the lawn, or do several share it?", "zones.mower_no", "", "price",
        limits=("loop_length_max_m", "signal_reach_max_m", "run_minutes", "zones.mowers_max"),
        outcomes=("zones.role=home",), checks=("week-area", "loop-length", "signal-reach")),
    Decision("zone-reached", "Does the mower reach a zone by itself, over all passages on the way?",
        "links.kind of each", "", "ground", outcomes=("zones.role=linked", "zones.role=detached"),
        checks=("zone-reach", "reach-drawn")),
    Decision("supply-of-zone", "What feeds a detached zone?", "prices of the supplies, run of one charge", "",
        "price", limits=("run_minutes", "loop_length_max_m"),
        outcomes=("zones.supply=main_wire", "zones.supply=own_source", "zones.supply=own_dock", "zones.supply=none",
        "hand_mow.reason=unreachable", "wire_path.source=signal_source", "wire_path.source=dock"), stops=("no-lead",),
        checks=("supply-choice",)),
    Decision("left-out", "Is ground left out that somebody leaves to hand mowing?", "facts", "", "ground",
        outcomes=("hand_mow.reason=left_out",), unchecked=_EDITED),
    Decision("dock-straight", "Is a chord laid, as no straight is long enough for a dock?", "straight wire", "m",
        "place", limits=("dock_straight_ahead_m", "dock_straight_behind_m"),
        outcomes=("hand_mow.reason=dock_straight",),
        unchecked="the straight wire that there is then is asked about with the dock"),
    # --- edges and wire ----------------------------------------------------------------------------------
    Decision("edge-class", "What lies beyond an edge?", "edges.confidence", "", "safety",
        outcomes=tuple( f"{column}={name}" for column in ("edges.edge_class", "wire_runs.edge_class") for name in
        ("flush", "raised", "drop", "water", "soft", "steep", "boundary", "unknown") ),
        checks=("edge-class", "drop-edge", "edge-danger", "edge-drawn")),
    Decision("edge-neighbour", "Is a thing that was drawn beside an edge within reach of it?",
        "distance of the thing from the edge", "m", "wire", limits=("edges.reach_m",), checks=("edge-neighbour",)),
    Decision("edge-height", "Does the ground fall away beyond an edge of which no layer tells?",
        "height step in the surface model", "m", "safety", limits=("edges.ledge_min_m",), checks=("edge-height",)),
    Decision("wire-fits", "Can the wire be laid by the rules?", "wire_path.geometry", "", "verdict",
        limits=("wire_gap_min_m",),
        stops=("no-wire", "rule-1-loop-in-pieces", "rule-1-open-wire", "rule-2-enclosed", "rule-2-signal-sign",
        "rule-3-setback", "rule-4-bend", "rule-5-leads", "rule-6-wire-gap", "rule-8-off-zone"), unchecked=_OWN_RULE),
    Decision("loop-length", "Can one signal source drive the loop?", "wire_path.length_m", "m", "verdict",
        limits=("loop_length_max_m",), stops=("loop-too-long",), checks=("loop-length", "loop-drawn")),
    Decision("reach", "Does the mower hear the wire everywhere?", "distance from the wire", "m", "ground",
        limits=("signal_reach_max_m",), outcomes=("hand_mow.reason=out_of_signal",), checks=("signal-reach",)),
    Decision("field", "Is the field strong enough everywhere?", "wire_path.signal_min_ut", "µT", "ground",
        limits=("signal_min_ut",), outcomes=("hand_mow.reason=out_of_signal",), stops=("signal-weak",),
        unchecked="it falls with the distance from the wire, which is checked; an edge off by a decimetre moves the "
        "field by a few percent, what conducts in the ground by more"),
    # --- dock and supply ---------------------------------------------------------------------------------
    Decision("dock-slope", "Is the ground under the dock level enough?", "dock_candidates.slope_percent", "%",
        "place", limits=("dock_slope_max_percent",), outcomes=("dock_candidates.feasible", "dock_candidates.chosen"),
        stops=("dock-not-feasible",), checks=("dock-slope",), by_rule=True),
    Decision("dock-approach", "Is the way into the dock level enough?", "dock_candidates.approach_slope_percent", "%",
        "place", limits=("dock_approach_slope_max_percent",),
        checks=("dock-must-have",)),
    Decision("trial-start", "Is there a place on the wire for the mower's first way home?",
        "laying_steps.from_m", "m", "place", limits=("trial_start_min_m", "dock_approach_slope_max_percent"),
        unchecked="it is tried on the day of laying, and nothing hangs on it but where somebody stands then"),
    Decision("dock-apart", "Is the dock far enough from corners, sprinklers, other wire, passages and vehicles?",
        "dock_candidates.corner_m, sprinkler_m and others", "m", "place",
        limits=("dock_corner_min_m", "dock_sprinkler_min_m", "dock_wire_min_m", "dock_passage_min_m",
        "dock_vehicle_min_m", "dock_straight_ahead_m", "dock_straight_behind_m"), checks=("dock-must-have",)),
    Decision("dock-danger", "Is the dock far enough from water and drops?", "distance to water or a drop", "m",
        "safety", limits=("dock_danger_min_m",), checks=("dock-danger",)),
    Decision("dock-room", "Has the dock's base room, and does water run off?", "share of the base, depth of a hollow",
        "", "place", unchecked="dock and wire are laid from the edges as they are found, so that the room goes with "
        "them; elevations are hardly better than the depth that counts: it is seen where the slope is read"),
    Decision("dock-rank", "Which place is the best for the dock?", "dock_candidates.score", "", "place",
        outcomes=("dock_candidates.chosen",), unchecked=_SCORE),
    Decision("outlet", "Where does the supply cable start?", "supply_route.starts_at", "", "price",
        checks=("supply-point",)),
    Decision("supply-length", "Is the supply cable short enough?", "supply_route.length_m", "m", "verdict",
        limits=("supply_cable_max_m",), outcomes=("supply_route.within_limit",), stops=("supply-too-long",),
        checks=("supply-length", "supply-drawn")),
    # --- mowing ------------------------------------------------------------------------------------------
    Decision("week", "Does the mower keep up in the week's hours?", "summary.mowable_m2", "m²", "verdict",
        stops=("hours-missing",), checks=("week-area", "week-drawn")),
    Decision("hours-permitted", "May a mower run at all?", "hours that local rules permit", "h", "verdict",
        stops=("no-permitted-hours",), unchecked="a rule, not a measurement"),
    Decision("edge-pass", "On which day is the edge mown?", "schedule.mowing_h", "h", "nothing",
        outcomes=("schedule.edge_pass",), unchecked="any day serves"),
    # --- of the data, and of what people draw -------------------------------------------------------------
    Decision("data-in-place", "Does the data lie where the parcel is?", "distance of layers from parcels", "m",
        "verdict", stops=("layer-elsewhere", "raster-elsewhere", "override-no-target"),
        unchecked="a layer that lies elsewhere is kilometres off"),
    Decision("edits-consistent", "Does what a person drew obey the rules?", "the layer that was edited", "", "safety",
        stops=("edit-breaks-rule", "drawn-wire"), unchecked=_EDITED),
    Decision("laid", "Does the laid wire agree with the plan?", "a recorded track", "m", "safety",
        stops=("island-missing", "island-moved", "island-wrong-way"),
        unchecked="it is measured: the record says how exactly"),
)
# fmt: on

DECISIONS: Mapping[str, Decision] = MappingProxyType({decision.code: decision for decision in _DECISIONS})
"""Every decision of a plan, by code."""


def decisions_checked_by(check: str) -> list[Decision]:
    """Return the decisions that a check of a code looks at; none for a check that another package brings."""
    return [decision for decision in _DECISIONS if check in decision.checks]


def decision_table() -> str:
    """Return the list as a Markdown table, for the project's documents."""
    lines = ["| decision | value | limit | what hangs on it | check |", "|---|---|---|---|---|"]
    for decision in _DECISIONS:
        value = f"{decision.value} ({decision.unit})" if decision.unit else decision.value
        asked = ", ".join(f"`{check}`" for check in decision.checks) or f"none: {decision.unchecked}"
        limits = ", ".join(f"`{name}`" for name in decision.limits)
        lines.append(f"| {decision.asked} | {value} | {limits} | {decision.stake} | {asked} |")
    return "\n".join(lines)
