"""What a feature of a plan says when somebody points at it: in one sentence what it is and why."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from ..model.plan import Row
from .formats import Formats
from .texts import crossed_words, peg_words, worded


def feature_text(layer: str, row: Row, formats: Formats) -> str:
    """Return in one sentence what a feature is and why."""
    return _TEXTS[layer](row, formats)


def _zone(row: Row, formats: Formats) -> str:
    how = {
        "home": "home zone",
        "linked": "the mower drives there by itself",
        "detached": "not reached by itself",
    }
    supply = f"; fed by {worded(row['supply'])}" if row["role"] == "detached" else ""
    why = f" ({formats.prose(row['supply_why'])})" if row.get("supply_why") and row["role"] == "detached" else ""
    percent = row["slope_p95_percent"]
    slope = "slope unknown" if percent is None else f"95 % of it is less steep than {formats.percent(percent)}"
    return (
        f"Zone {row['zone_id']}: {formats.area(row['area_m2'])}, {how[row['role']]}{supply}{why}; {slope}, "
        f"{formats.number(row['hours_week'], 1)} h a week"
    )


def _link(row: Row, formats: Formats) -> str:
    return (
        f"{row['link_id']}: {worded(row['kind'])} between {row['zone_a']} and {row['zone_b']} over "
        f"{row['surface'] or 'lawn'}, {formats.length(row['width_m'], 2)} wide at the narrowest"
    )


def _run(row: Row, formats: Formats) -> str:
    edge = ""
    if row["setback_m"] is not None:
        edge = f", {formats.length(row['setback_m'], 2)} from the edge ({worded(row['edge_class'])})"
    span = f"{formats.length(row['from_m'])} to {formats.length(row['to_m'])}"
    return f"Wire {row['loop_id']}, run {row['seq']}: {worded(row['run_kind'])}{edge}; chainage {span}"


def _candidate(row: Row, formats: Formats) -> str:
    rank = f", rank {row['rank']}" if row["rank"] is not None else ""
    missed = f"; misses: {formats.prose(row['failed'])}" if row["failed"] else ""
    what = "Dock" if row["chosen"] else "Place for the dock"
    score = formats.number(row["score"], 2)
    return f"{what} {row['candidate_id']}: score {score}{rank}, slope {formats.slope(row['slope_percent'], 1)}{missed}"


def _finding(row: Row, formats: Formats) -> str:
    what = worded(row["severity"]).capitalize()
    return f"{what}: {formats.prose(row['text'])}. {formats.prose(row['advice'])}".strip()


def _check(row: Row, formats: Formats) -> str:
    what, how, why = (formats.prose(row[name]) for name in ("measure_what", "measured_how", "decides"))
    return f"Measure {row['priority']}: {what}, {how}; decides {why}"


def _extent(row: Row, formats: Formats) -> str:
    area_m2, length_m = row["area_m2"], row["length_m"]
    return formats.area(area_m2) if area_m2 is not None else formats.length(length_m)


_TEXTS: Mapping[str, Callable[[Row, Formats], str]] = MappingProxyType(
    {
        "summary": lambda row, formats: (
            f"{row['parcel_id']}: {formats.prose(row['verdict_text']) or worded(row['status'])}"
        ),
        "lawn": lambda row, formats: f"Lawn {row['lawn_id']}: {formats.area(row['area_m2'])}, {worded(row['source'])}",
        "zones": _zone,
        "cover": lambda row, formats: (
            f"From the air, {row['cover_id']}: {worded(row['cover'])}, {formats.area(row['area_m2'])}; "
            f"{formats.prose(row['evidence']) or 'no evidence noted'}"
        ),
        "trees_found": lambda row, formats: (
            f"Tree {row['tree_id']} found in the surface model: {formats.length(row['height_m'])} high, place guessed"
        ),
        "hand_mow": lambda row, formats: (
            f"Mown by hand, {row['area_id']}: {formats.area(row['area_m2'])}, {worded(row['reason'])}"
        ),
        "keepouts": lambda row, formats: (
            f"Kept out, {row['keepout_id']}: {worded(row['reason'])}, {worded(row['treatment'])}; "
            f"{formats.prose(row['evidence']) or 'no evidence noted'}"
        ),
        "edges": lambda row, formats: (
            f"Edge {row['edge_id']}: {worded(row['edge_class'])}, wire keeps {formats.length(row['setback_m'], 2)}; "
            f"{formats.prose(row['evidence']) or 'no evidence noted'}"
        ),
        "links": _link,
        "supply_route": lambda row, formats: (
            f"Supply cable {formats.length(row['length_m'])} from {row['starts_at'] or 'the house'}"
            + (f", crosses {crossed_words(row['crosses'])}" if row["crosses"] else "")
        ),
        "wire_path": lambda row, formats: (
            f"Loop {row['loop_id']}: {formats.length(row['length_m'])}, {formats.number(row['resistance_ohm'], 1)} Ω"
        ),
        "wire_runs": _run,
        "dock_candidates": _candidate,
        "pegs": lambda row, formats: (
            f"Peg {row['peg_no']} of {row['loop_id']}: {peg_words(row)}, at {formats.length(row['chainage_m'])}"
        ),
        "laying_steps": lambda row, formats: f"Step {row['seq']}: {formats.prose(row['text'])}",
        "watch_points": lambda row, formats: f"{row['watch_id']}: {formats.prose(row['expect'])}",
        "joins": lambda row, formats: (
            f"Joint of {row['loop_id']}: {worded(row['why'])}, at {formats.length(row['chainage_m'])}"
        ),
        "findings": _finding,
        "visit_checks": _check,
        "visit_areas": lambda row, formats: f"What {row['check_id']} asks about: {_extent(row, formats)}",
    }
)
