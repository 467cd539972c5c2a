"""Step `dock`: every place along the wire where a dock could stand, what each misses, and the best one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.dock.scoring import tied_with_best
from lawngis.mower import MowerProfile

from ..derived.cable_doubt import cable_reach_checks
from ..derived.dock_choice import CRITERIA, dock_choice, dock_rows, missed_must_haves, preferred_scores
from ..derived.dock_doubt import must_have_checks, pad_check
from ..derived.dock_places import DockParameters, DockPlaces, dock_places
from ..derived.loops import LoopGround, loops
from ..derived.matching import SURE_SDS, Feature, applied, contradicts, matched
from ..model.catalogue import Said
from ..model.plan import Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import DEM_ACCURACY, VECTOR_ACCURACY, Site
from ..model.step import Step


def dock(site: Site, plan: Plan, mower: MowerProfile, parameters: DockParameters) -> StepResult:
    """Return the candidates of every loop that is fed by a dock, ranked, with one chosen for each."""
    own = [loop for loop in loops(plan, mower, site.facts.wires) if loop.source == "dock" and loop.ground is not None]
    mapped = [dock_places(site, plan, loop, mower, parameters) for loop in own]
    of_facts: list[Finding] = []
    readings = _pad_slopes(site, mapped, of_facts)
    wanted = _wanted(site, mapped, of_facts)
    rows: list[Row] = []
    findings: list[Finding] = []
    checks: list[VisitCheck] = []
    for loop, places in zip(own, mapped, strict=True):
        measured = places.with_pad_slopes(readings) if readings else places
        first = len(rows)
        some = dock_rows(site, loop, measured, mower, parameters)
        here = {index - first: yes for index, yes in wanted.items() if 0 <= index - first < len(some)}
        forced = next((index for index, yes in reversed(here.items()) if yes), None)
        chosen = dock_choice(some, loop, wanted=forced, refused=[index for index, yes in here.items() if not yes])
        for index, row in enumerate(some):
            row |= {"candidate_id": f"{site.parcel_id}-D{first + index + 1}", "chosen": index == chosen}
        rows += some
        missed = [] if some[chosen]["feasible"] else missed_must_haves(measured, chosen, mower, parameters)
        findings += _findings(loop, some, chosen, missed, forced=forced is not None)
        findings += _unknown_criteria(loop, some)
        if not measured.measured[chosen]:
            checks.append(pad_check(site, some[chosen], mower))
        if forced is None:  # nobody has seen the place
            asked = (site.accuracy, some[chosen], measured, chosen, mower, parameters)
            checks += must_have_checks(*asked) + cable_reach_checks(*asked)
    return StepResult({"dock_candidates": rows}, [*findings, *of_facts], checks)


# --- what somebody measured ------------------------------------------------------------------------------


def _candidates(site: Site, mapped: Sequence[DockPlaces]) -> list[Feature]:
    points = np.concatenate([shapely.points(some.places.xy) for some in mapped] or [np.empty(0, dtype=object)])
    return [(f"{site.parcel_id}-D{number}", point) for number, point in enumerate(points.tolist(), start=1)]


def _pad_slopes(site: Site, mapped: Sequence[DockPlaces], of_facts: list[Finding]) -> list[tuple[BaseGeometry, float]]:
    """Return the places under docks whose slope somebody measured, with that slope [%]."""
    if not site.facts.pad_slopes:
        return []
    candidates = _candidates(site, mapped)
    slopes = [pair for some in mapped for pair in zip(some.slope_percent, some.slope_sd_percent, strict=True)]
    readings = []
    for fact, index in matched(site.facts.pad_slopes, candidates, of_facts):
        (name, place), (percent, sd) = candidates[index], slopes[index]
        before = percent if np.isfinite(percent) else None
        change = {"column": "slope_percent", "before": before, "after": fact.value}
        of_facts.append(applied(fact, "changed", {"feature_id": name, **change}, place))
        if abs(fact.value - percent) > SURE_SDS * sd:
            told = {"candidate_id": name, "slope_percent": fact.value, "mapped_percent": percent, "sd_percent": sd}
            of_facts.append(contradicts("pad_slope", told, place))
        readings.append((place, fact.value))
    return readings


def _wanted(site: Site, mapped: Sequence[DockPlaces], of_facts: list[Finding]) -> dict[int, bool]:
    """Return the candidates, by number, that somebody wants or refuses; the last that is wanted counts."""
    if not site.facts.docks:
        return {}
    candidates, found = _candidates(site, mapped), dict[int, bool]()
    for fact, index in matched(site.facts.docks, candidates, of_facts):
        name, place = candidates[index]
        if not fact.value:
            of_facts.append(applied(fact, "no_dock", {"candidate_id": name}, place))
        elif fact.place is None:
            of_facts.append(applied(fact, "dock", {"candidate_id": name}, place))
        else:
            away_m = place.distance(fact.place)
            of_facts.append(applied(fact, "placed_dock", {"candidate_id": name, "away_m": away_m}, place))
        found.pop(index, None)
        found[index] = fact.value
    return found


# --- findings and checks ---------------------------------------------------------------------------------


def _findings(
    loop: LoopGround, rows: Sequence[Row], chosen: int, missed: Sequence[Said], *, forced: bool
) -> list[Finding]:
    best = rows[chosen]
    if not best["feasible"]:
        findings = []
        told = {"candidate_id": best["candidate_id"], "missed": missed}
        if forced:
            findings.append(contradicts("dock", told, best["geometry"]))
        if not any(row["feasible"] for row in rows):
            values = {"case": "wanted" if forced else "best", "loop_id": loop.loop_id, **told}
            findings.append(Finding("stop", "dock-not-feasible", values, best["geometry"]))
        return findings
    tied = tied_with_best(preferred_scores(rows, loop), [row["feasible"] for row in rows])
    far = [index for index in tied if rows[index]["geometry"].distance(best["geometry"]) > 5.0]
    if not far:
        return []
    others = [rows[index]["candidate_id"] for index in far[:3]]
    return [Finding("info", "dock-tie", {"candidate_id": best["candidate_id"], "others": others})]


def _unknown_criteria(loop: LoopGround, rows: Sequence[Row]) -> list[Finding]:
    unknown = [name for name in CRITERIA if all(row[f"{name}_score"] is None for row in rows)]
    if not unknown:
        return []
    values = {
        "loop_id": loop.loop_id,
        "criteria": [("dock-criterion", {"criterion": name}) for name in unknown],
        "unknown": len(unknown),
    }
    return [Finding("info", "dock-criteria-unknown", values)]


STEP = Step(
    id="dock",
    title="Places for the dock",
    description=(
        "Looks at every half metre of the wire of each loop with a dock: first what must hold, then a weighted score; "
        "says how robust the choice is under random weightings."
    ),
    reads=(
        "zones",
        "links",
        "edges",
        "keepouts",
        "hand_mow",
        "site:sprinklers",
        "site:outlets",
        "site:buildings",
        "site:trees",
        "site:barriers",
        "site:beds",
        "site:streets",
        "site:hard_surfaces",
        "site:parcels",
        "site:water",
        "raster:dem",
        "raster:dsm",
        *DEM_ACCURACY,
        *VECTOR_ACCURACY,
        "fact:docks",
        "fact:pad_slopes",
        "fact:wires",
    ),
    writes=("dock_candidates",),
    compute=dock,
    parameters=DockParameters,
)
