"""The plan contract written out a second time, by hand, so that the checker shares nothing with the planner.

Only what people and scripts rely on is here: names, geometry types, kinds of value, allowed values, ranges.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

Range = tuple[float, float]


@dataclass(frozen=True)
class ExpectedLayer:
    """What the contract says of one layer of ``plan.gpkg``."""

    geometry: str | None
    columns: dict[str, str]
    own_id: str | None = None
    values: dict[str, frozenset[str]] = field(default_factory=dict)
    ranges: dict[str, Range] = field(default_factory=dict)
    filled: tuple[str, ...] = ()


def _columns(**kinds: str) -> dict[str, str]:
    return {
        "parcel_id": "text",
        **{name: kind for kind, names in kinds.items() for name in names.split()},
    }


def _one_of(words: str) -> frozenset[str]:
    return frozenset(words.split())


SHARE: Range = (0.0, 1.0)
ANY_POSITIVE: Range = (0.0, float("inf"))

EDGE_CLASSES = _one_of("flush raised drop water soft steep boundary unknown")

EXPECTED_LAYERS: dict[str, ExpectedLayer] = {
    "summary": ExpectedLayer(
        "MultiPolygon",
        _columns(
            text="status verdict_text profile",
            integer="mowers zones loops pegs stop_findings visit_checks",
            number="lawn_m2 mowable_m2 wire_m lead_m dock_score slope_p95_percent mowing_hours_week missing_hours_week "
            "amount seconds",
        ),
        values={"status": _one_of("planned not_suitable failed")},
        ranges=dict.fromkeys(("lawn_m2", "mowable_m2", "wire_m", "lead_m", "pegs", "zones"), ANY_POSITIVE),
        filled=("status", "verdict_text"),
    ),
    "lawn": ExpectedLayer(
        "Polygon",
        _columns(text="lawn_id source", number="area_m2 confidence"),
        own_id="lawn_id",
        values={"source": _one_of("surveyed derived imagery")},
        ranges={"confidence": SHARE, "area_m2": ANY_POSITIVE},
        filled=("source", "area_m2"),
    ),
    "keepouts": ExpectedLayer(
        "Polygon",
        _columns(text="keepout_id reason treatment", number="area_m2 confidence"),
        own_id="keepout_id",
        values={
            "reason": _one_of("steep water bed tree obstacle drop narrow small"),
            "treatment": _one_of("outside island bump"),
        },
        ranges={"confidence": SHARE, "area_m2": ANY_POSITIVE},
        filled=("reason", "treatment", "area_m2"),
    ),
    "zones": ExpectedLayer(
        "Polygon",
        _columns(
            text="zone_id role loop_id reached_by supply",
            integer="mower_no",
            number="area_m2 perimeter_m slope_p50_percent slope_p95_percent slope_max_percent hours_week",
        ),
        own_id="zone_id",
        values={
            "role": _one_of("home linked detached"),
            "supply": _one_of("own_dock own_source main_wire none"),
        },
        ranges={"area_m2": ANY_POSITIVE, "hours_week": ANY_POSITIVE},
        filled=("mower_no", "role", "supply", "area_m2", "perimeter_m"),
    ),
    "links": ExpectedLayer(
        "LineString",
        _columns(
            text="link_id zone_a zone_b kind surface currency",
            number="width_m width_sd_m length_m border_saves",
            boolean="along_border",
        ),
        own_id="link_id",
        values={"kind": _one_of("open transit crossing blocked")},
        ranges=dict.fromkeys(("width_m", "width_sd_m", "length_m"), ANY_POSITIVE),
        filled=("zone_a", "zone_b", "kind"),
    ),
    "edges": ExpectedLayer(
        "LineString",
        _columns(text="edge_id zone_id edge_class evidence", number="setback_m length_m confidence"),
        own_id="edge_id",
        values={"edge_class": EDGE_CLASSES},
        ranges={"confidence": SHARE, "setback_m": ANY_POSITIVE, "length_m": ANY_POSITIVE},
        filled=("zone_id", "edge_class", "setback_m", "length_m", "evidence"),
    ),
    "wire_path": ExpectedLayer(
        "LineString",
        _columns(
            text="loop_id source",
            integer="signal",
            number="length_m plan_length_m lead_m slack_m resistance_ohm signal_min_ut",
        ),
        own_id="loop_id",
        values={"source": _one_of("dock signal_source")},
        ranges=dict.fromkeys(("length_m", "plan_length_m", "lead_m", "slack_m", "resistance_ohm"), ANY_POSITIVE),
        filled=("source", "length_m", "plan_length_m", "lead_m", "slack_m", "resistance_ohm"),
    ),
    "wire_runs": ExpectedLayer(
        "LineString",
        _columns(text="loop_id run_kind edge_class island_id", integer="seq", number="setback_m from_m to_m"),
        values={
            "run_kind": _one_of("edge corner passage island lead_out lead_back"),
            "edge_class": EDGE_CLASSES,
        },
        ranges=dict.fromkeys(("from_m", "to_m", "setback_m"), ANY_POSITIVE),
        filled=("loop_id", "seq", "run_kind", "from_m", "to_m"),
    ),
    "pegs": ExpectedLayer(
        "Point",
        _columns(text="loop_id peg_kind stage", integer="peg_no", number="chainage_m"),
        values={"peg_kind": _one_of("straight bend lead dock"), "stage": _one_of("first fill")},
        ranges={"chainage_m": ANY_POSITIVE},
        filled=("loop_id", "peg_no", "chainage_m", "peg_kind", "stage"),
    ),
    "laying_steps": ExpectedLayer(
        "Point or LineString",
        _columns(
            text="step_id loop_id what takes done_when peg_stage",
            integer="seq pegs crew",
            number="from_m to_m heading_deg hours",
        ),
        own_id="step_id",
        values={
            "what": _one_of(
                "mark_out begin crossing lay_edge lay_passage lead_out lay_island lead_back joint closing set_dock "
                "set_source mount_supply lay_cable signal_on trial walk_round correct peg_fill bury_heads "
                "settings hand_over"
            ),
            "peg_stage": _one_of("first fill"),
        },
        ranges={"heading_deg": (0.0, 360.0), **dict.fromkeys(("from_m", "to_m", "hours", "pegs"), ANY_POSITIVE)},
        filled=("step_id", "seq", "what", "hours", "done_when"),
    ),
    "watch_points": ExpectedLayer(
        "Point",
        _columns(text="watch_id loop_id what unit expect", number="chainage_m value move_m"),
        own_id="watch_id",
        values={"what": _one_of("hard drop water passage corner lead crossing steep neighbour_loop")},
        ranges={"chainage_m": ANY_POSITIVE, "move_m": (0.0, 1.0)},
        filled=("watch_id", "loop_id", "chainage_m", "what", "expect"),
    ),
    "joins": ExpectedLayer(
        "Point",
        _columns(text="loop_id why", number="chainage_m"),
        values={"why": _one_of("reel_end closing")},
        ranges={"chainage_m": ANY_POSITIVE},
        filled=("loop_id", "chainage_m", "why"),
    ),
    "dock_candidates": ExpectedLayer(
        "Point",
        _columns(
            text="candidate_id zone_id failed",
            integer="rank",
            boolean="chosen feasible",
            number="score heading_deg slope_percent straight_m corner_m sprinkler_m outlet_m supply_m "
            "shade_share street_sight_share first_rank_share",
        ),
        own_id="candidate_id",
        ranges={
            "heading_deg": (0.0, 360.0),
            "shade_share": SHARE,
            "street_sight_share": SHARE,
            "first_rank_share": SHARE,
        },
        filled=("zone_id", "chosen", "feasible", "heading_deg"),
    ),
    "supply_route": ExpectedLayer(
        "LineString",
        _columns(text="candidate_id crosses", boolean="within_limit", number="length_m drop_percent"),
        ranges={"length_m": ANY_POSITIVE, "drop_percent": ANY_POSITIVE},
        filled=("candidate_id", "length_m", "within_limit"),
    ),
    "hand_mow": ExpectedLayer(
        "Polygon",
        _columns(text="area_id reason", number="area_m2"),
        own_id="area_id",
        values={"reason": _one_of("narrow small steep unreachable out_of_signal left_out dock_straight")},
        ranges={"area_m2": ANY_POSITIVE},
        filled=("reason", "area_m2"),
    ),
    "materials": ExpectedLayer(
        None,
        _columns(text="item unit basis", integer="mower_no", number="quantity unit_price amount"),
        ranges={"quantity": ANY_POSITIVE},
        filled=("item", "quantity", "unit"),
    ),
    "schedule": ExpectedLayer(
        None,
        _columns(text="zone_id", any="weekday start_time end_time", number="mowing_h charging_h", boolean="edge_pass"),
        ranges={"mowing_h": (0.0, 24.0), "charging_h": (0.0, 24.0)},
        filled=("zone_id", "weekday", "start_time", "end_time"),
    ),
    "findings": ExpectedLayer(
        "Point",
        _columns(text="finding_id severity code text advice"),
        own_id="finding_id",
        values={"severity": _one_of("info caution stop")},
        filled=("severity", "code", "text"),
    ),
    "visit_checks": ExpectedLayer(
        "Point",
        _columns(
            text="check_id measure_what measured_how unit decides",
            any="priority",
            number="value sd limit_value flip_probability",
        ),
        own_id="check_id",
        ranges={"flip_probability": SHARE, "sd": ANY_POSITIVE},
        filled=("measure_what", "priority"),
    ),
    "visit_areas": ExpectedLayer(
        "Polygon or LineString",
        _columns(text="check_id", number="area_m2 length_m"),
        ranges={"area_m2": ANY_POSITIVE, "length_m": ANY_POSITIVE},
        filled=("check_id",),
    ),
    "mowers": ExpectedLayer(
        None,
        _columns(text="profile", integer="mower_no zones loops", number="hours_week amount"),
        ranges=dict.fromkeys(("mower_no", "zones", "loops", "hours_week", "amount"), ANY_POSITIVE),
        filled=("mower_no", "profile", "zones", "loops"),
    ),
    "run_info": ExpectedLayer(None, _columns(text="key value"), filled=("key",)),
}

NO_GEOMETRY_NEEDED = frozenset({"findings", "visit_checks", "laying_steps"})
"""Layers of points in which a row may stand for the parcel as a whole, without a place."""

CONTRACT_PROFILE: dict[str, Any] = {
    "slope_limit_percent": 35,
    "passage_mow_min_m": 1.6,
    "passage_transit_min_m": 0.9,
    "passage_wire_gap_m": 0.3,
    "crossing_length_max_m": 2.0,
    "dock_straight_ahead_m": 2.0,
    "dock_straight_behind_m": 1.0,
    "dock_vehicle_min_m": 1.0,
    "wire_gap_min_m": 0.3,
    "setback_m": {
        "flush": 0.12,
        "raised": 0.35,
        "drop": 0.60,
        "water": 0.60,
        "soft": 0.25,
        "steep": 0.40,
        "boundary": 0.30,
        "unknown": 0.35,
    },
    "peg_spacing_straight_m": 0.8,
    "peg_spacing_bend_m": 0.3,
    "peg_spacing_first_m": 3.0,
    "bump_height_min_m": 0.15,
    "wire_reel_m": 150,
    "wire_slack_percent": 2,
}
"""The keys of the default profile that the rules refer to, with the values that the contract fixes."""
