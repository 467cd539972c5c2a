"""Which of the places along a loop becomes its dock: how they score against one another, and what each misses."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from lawngis.dock.placing import Failure
from lawngis.dock.scoring import (
    first_rank_shares,
    preference_order,
    scaled_benefit,
    scaled_cost,
    spaced_ranking,
    weighted_scores,
)
from lawngis.mower import MowerProfile

from ..model.catalogue import Said, sentences
from ..model.plan import Row
from ..model.site import Site
from .dock_places import DockParameters, DockPlaces, FloatArray, dock_feasibility
from .loops import LoopGround

CRITERIA = ("shade", "hidden", "supply", "flat", "straight", "central", "neighbours", "beds")
"""Criteria in the order of their columns; one that is unknown leaves the score."""

NEIGHBOUR_FAR_M = 10.0
BED_FAR_M = 2.0
"""Farther than this from a neighbour's house, or from a bed, counts no better; ours, no source."""

STRAIGHT_ENOUGH = 3.0
"""Straight wire ahead beyond this many times the must-have counts no further."""

HOME_AHEAD = 0.05
"""A place in another zone of the loop is clearly better when it scores more by this: with the default weights as much
as 3 m of supply cable. Ours, no source."""


def dock_rows(
    site: Site, loop: LoopGround, measured: DockPlaces, mower: MowerProfile, parameters: DockParameters
) -> list[dict[str, Any]]:
    """Return rows of `dock_candidates` for the places of a loop, all but their names and which is chosen."""
    judged = dock_feasibility(measured, mower, parameters)
    criteria = _scaled(measured, mower)
    weights = [getattr(mower.dock_weight, name) for name in CRITERIA]
    scores = weighted_scores(criteria, weights)
    order = preference_order(_preferred(scores, measured.zone_no > 0), judged.failed_count())
    ranks = spaced_ranking(
        measured.places.xy, order, spacing_m=parameters.alternatives_apart_m, eligible=judged.feasible
    )
    shares = first_rank_shares(criteria, weights, judged.feasible, draws=parameters.draws, seed=parameters.seed)
    columns: dict[str, list[object]] = {
        **_raw_columns(site, loop, measured),
        "rank": ranks.tolist(),
        "score": _numbers(scores),
        "feasible": judged.feasible.tolist(),
        "failed": [*_failed_words(judged.failed)],
        "first_rank_share": shares.tolist(),
        **{f"{name}_score": _numbers(scaled) for name, scaled in zip(CRITERIA, criteria.T, strict=True)},
    }
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def dock_choice(
    rows: Sequence[Row], loop: LoopGround, *, wanted: int | None = None, refused: Collection[int] = ()
) -> int:
    """Return which of a loop's candidates is the dock: the one that somebody wants, else the best that nobody refused.

    The best has the fewest must-haves against it, then the highest score, where places outside the home zone must be
    clearly better; whether it is feasible, its row tells.
    """
    if wanted is not None:
        return wanted
    scores = preferred_scores(rows, loop)
    missed = [len(str(row["failed"]).split("; ")) if row["failed"] else 0 for row in rows]
    order: list[int] = preference_order(scores, missed).tolist()
    return next((index for index in order if index not in refused), order[0])


def preferred_scores(rows: Sequence[Row], loop: LoopGround) -> FloatArray:
    """Return the scores by which a loop's candidates are chosen, shape (n,): the home zone is first among equals."""
    scores = np.array([np.nan if row["score"] is None else row["score"] for row in rows])
    return _preferred(scores, np.array([row["zone_id"] != loop.zones[0]["zone_id"] for row in rows], dtype=np.bool_))


def _preferred(scores: FloatArray, elsewhere: NDArray[np.bool_]) -> FloatArray:
    return np.asarray(scores - HOME_AHEAD * elsewhere)


def places_of_loop(zones: Sequence[Row], candidates: Sequence[Row], zone_id: str) -> list[Row]:
    """Return the candidates of the loop that a zone is of, in whichever of its zones they stand, given rows of both."""
    loop_ids = {zone["zone_id"]: zone["loop_id"] for zone in zones}
    return [row for row in candidates if loop_ids.get(row["zone_id"]) == loop_ids.get(zone_id, "")]


def missed_must_haves(measured: DockPlaces, index: int, mower: MowerProfile, parameters: DockParameters) -> list[Said]:
    """Return what a place misses of what must hold, as parts of a sentence; `index` as of :func:`dock_rows`."""
    return [_failure_part(failure) for failure in dock_feasibility(measured, mower, parameters).failed[index]]


def _failure_part(failure: Failure) -> Said:
    must = failure.must_have
    return "missed", {
        "case": "under" if must.sense == "min" else "over",
        "must_have": must.name,
        "value": failure.value,
        "limit": must.limit,
        "unit": must.unit,
        "digits": failure.digits,
    }


def _failed_words(failed: Sequence[Sequence[Failure]]) -> list[str | None]:
    """Return what each place misses in words, as the layer of places has it."""
    parts = [[_failure_part(failure) for failure in missed] for missed in failed]
    return [words or None for words in sentences().column("part", parts, "; ")]


def _scaled(measured: DockPlaces, mower: MowerProfile) -> FloatArray:
    """Return the criteria from 0 to 1, shape (n, 8), in the order of CRITERIA; NaN where unknown."""
    enough = STRAIGHT_ENOUGH * mower.dock_straight_ahead_m
    # So that places elsewhere don't change how those in the home zone compare.
    at_home_m = measured.central_m[measured.zone_no == measured.zone_no.min(initial=len(measured.zone_no))]
    ends = {"worst": at_home_m.max(), "best": at_home_m.min()} if len(at_home_m) else {}
    return np.column_stack(
        [
            scaled_benefit(measured.shade_share, worst=0.0, best=1.0),
            scaled_cost(measured.sight_share, worst=1.0, best=0.0),
            scaled_cost(measured.supply_m, worst=mower.supply_cable_max_m, best=0.0),
            scaled_cost(measured.slope_percent, worst=mower.dock_slope_max_percent, best=0.0),
            scaled_benefit(measured.places.straight_ahead_m, worst=0.0, best=enough),
            scaled_cost(measured.central_m, **ends),
            scaled_benefit(measured.neighbour_m, worst=0.0, best=NEIGHBOUR_FAR_M),
            scaled_benefit(measured.bed_m, worst=0.0, best=BED_FAR_M),
        ]
    )


def _raw_columns(site: Site, loop: LoopGround, measured: DockPlaces) -> dict[str, list[object]]:
    places = measured.places
    heading = (places.direction_deg + site.frame.grid_heading_deg(0.0)) % 360
    return {
        "zone_id": [loop.zones[number]["zone_id"] for number in measured.zone_no.tolist()],
        "heading_deg": heading.tolist(),
        "slope_percent": _numbers(measured.slope_percent),
        "straight_m": _numbers(places.straight_ahead_m),
        "corner_m": _numbers(places.corner_m),
        "sprinkler_m": _numbers(measured.sprinkler_m),
        "outlet_m": _numbers(measured.outlet_m),
        "supply_m": _numbers(measured.supply_m),
        "shade_share": _numbers(measured.shade_share),
        "street_sight_share": _numbers(measured.sight_share),
        "neighbour_m": _numbers(measured.neighbour_m),
        "bed_m": _numbers(measured.bed_m),
        "approach_slope_percent": _numbers(measured.approach_percent),
        "geometry": np.asarray(shapely.points(places.xy), dtype=object).tolist(),
    }


def _numbers(values: FloatArray) -> list[object]:
    """Return finite values as they are, others as None."""
    known = np.isfinite(values)
    numbers: list[object] = values.tolist()
    return numbers if known.all() else [number if here else None for number, here in zip(numbers, known, strict=True)]
