"""What drawn plans tell of a plan from maps: chances, what else is worth a look, what measuring is worth, spreads."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile

from ..derived.doubt import DoubtParameters
from ..model.plan import Plan, Row, VisitCheck
from ..model.site import Site
from ..model.step import Step
from ..steps.workflow import Settings, closed_again
from .chances import Chance, Spread, doubt_share
from .decisions import CLOSED, MOWN, Decision, decisions
from .drawn_plans import Picture, drawn_plans

SETTLED_BY: Mapping[str, tuple[str, ...]] = {
    "passage": ("passage-width", "narrow-place"),
    "crossing": ("crossing-length", "crossing-width"),
    "zone": ("zone-area",),
    "reach": ("zone-reach", "supply-choice"),
    "slope": ("ground-slope",),
    "dock_slope": ("dock-slope",),
    "dock": ("dock-must-have", "dock-danger"),
    "edge": ("edge-class", "edge-neighbour", "edge-danger", "edge-height", "drop-edge"),
    "loop": ("loop-length",),
    "week": ("week-area",),
    "supply": ("supply-length",),
    "signal": ("signal-reach",),
}
"""Codes of the checks that settle each kind of decision."""

ASKED_BY: Mapping[str, tuple[str, str]] = {
    "passage": ("passage-drawn", "links"),
    "crossing": ("crossing-drawn", "links"),
    "reach": ("reach-drawn", "zones"),
    "slope": ("slope-drawn", "keepouts"),
    "edge": ("edge-drawn", "edges"),
    "loop": ("loop-drawn", "wire_path"),
    "week": ("week-drawn", "schedule"),
    "supply": ("supply-drawn", "supply_route"),
}
"""Code of the check that is asked where none settles what falls otherwise, and a layer of the step that asks.

Of the others, the pad of the dock is measured on every parcel, and whoever sets it moves it along the wire by what is
in question; a verdict sums up other decisions; a zone that is nearly too small is seen on the plan.
"""

NEAR_M = 2.0
"""A check settles a decision no farther off."""

LIMIT_M = 0.01
"""A check asks about a limit of the mower that is no farther off than this."""

UNKNOWN = "unknown"

WEIGHTS: Mapping[str, float] = {"edge": 0.3}
"""Weight of a check beside a width that decides over a zone, for kinds on which less hangs."""


def judged_by_draws(plan: Plan, site: Site, steps: Sequence[Step], settings: Settings) -> str:
    """Put into a finished plan what plans of other versions of its data tell, and return how many could be planned.

    Checks get the chance with which what they settle falls otherwise, and the share of doubt in price and in mown
    ground that they take away. What falls otherwise often enough and has no check gets one. Wire, price and mown
    ground get their spread. No check goes because of draws: what a formula doubts may be too rare to be drawn.

    Parameters
    ----------
    plan
        The plan from the maps, finished; it is changed.
    site
        The parcel as it was read.
    steps, settings
        Those of the plan.
    """
    found = Picture.of(plan)
    drawn = drawn_plans(site, plan, steps, settings)
    told = f"{len(drawn)} of {settings.draws} versions drawn with seed {settings.draw_seed} could be planned"
    if not drawn:
        return told
    whole = site.parcel.representative_point()
    asked = [
        check.area for _, check in plan.checks if check.code in SETTLED_BY["slope"] and isinstance(check.area, Polygon)
    ]
    made = decisions(found, drawn, settings.mower, whole=whole, asked=asked)
    figures = _Figures(drawn)
    settled = _settled(plan.checks, made)
    plan.checks = [
        (step, _told(check, decision, figures, settings.mower))
        for (step, check), decision in zip(plan.checks, settled, strict=True)
    ]
    plan.checks += _further(made, settled, figures, steps, settings)
    closed_again(plan, site, steps, settings)
    _put_spreads(plan, drawn)
    return told


class _Figures:
    """Price and mown ground of drawn plans, and what of their doubt an outcome takes away."""

    def __init__(self, drawn: Sequence[Picture]) -> None:
        self._wired = [plan.wired for plan in drawn]
        self._amounts = [plan.amount for plan in drawn if plan.wired]
        self._mown_m2 = [plan.mown_m2 for plan in drawn if plan.wired]

    def with_shares(self, check: VisitCheck, decision: Decision) -> VisitCheck:
        """Return a check with the shares of doubt that knowing how a decision falls takes away."""
        outcomes = [outcome for outcome, wired in zip(decision.drawn, self._wired, strict=True) if wired]
        price, mown = (doubt_share(figure, outcomes) for figure in (self._amounts, self._mown_m2))
        return replace(check, price_share=price, mown_share=mown)


# --- checks that are there -------------------------------------------------------------------------------


def _settled(checks: Sequence[tuple[str, VisitCheck]], made: Sequence[Decision]) -> list[Decision | None]:
    """Return for each check the nearest decision that it settles."""
    kinds = {code: kind for kind, codes in SETTLED_BY.items() for code in codes}
    kinds |= {code: kind for kind, (code, _) in ASKED_BY.items()}
    return [_nearest(check, [one for one in made if one.kind == kinds.get(check.code)]) for _, check in checks]


def _nearest(check: VisitCheck, some: Sequence[Decision]) -> Decision | None:
    """Return the nearest of some decisions; what no layer knows of an edge, no other version of the layers tells."""
    place: BaseGeometry = check.place if check.area is None else check.area
    of_parcel = [one for one in some if one.kind in ("loop", "week", "supply", "signal")]
    if of_parcel:
        return of_parcel[0]
    near = [one for one in some if one.found != UNKNOWN and one.ground.dwithin(place, NEAR_M)]
    return min(near, key=lambda one: _apart(one.ground, place), default=None)


def _apart(one: BaseGeometry, other: BaseGeometry) -> tuple[float, float]:
    """Return how far apart two grounds are, and how little they have in common."""
    return float(one.distance(other)), -float(shapely.intersection(one, other).area)


def _told(check: VisitCheck, decision: Decision | None, figures: _Figures, mower: MowerProfile) -> VisitCheck:
    """Return a check with what draws tell of it; its own chance stays where that is rarer than draws can show."""
    if decision is None:
        return replace(check, first=check.flip_probability is None)
    chance = _chance(decision, _side(check, mower))
    if not chance.draws:
        return replace(check, first=check.flip_probability is None)
    check = figures.with_shares(check, decision)
    first = decision.safety or check.flip_probability is None
    if not chance.times and check.flip_probability is not None and check.flip_probability <= chance.mean:
        return replace(check, first=first)
    return replace(check, flip_probability=chance.mean, flip_sd=chance.sd, first=first)


def _side(check: VisitCheck, mower: MowerProfile) -> Callable[[str], str]:
    """Return on which side of a check's limit an outcome lies: of a passage's two limits it asks about one."""
    if check.limit_value is None or check.code not in SETTLED_BY["passage"]:
        return str
    if abs(check.limit_value - mower.passage_mow_min_m) < LIMIT_M:
        return lambda outcome: MOWN if outcome == MOWN else ""
    return lambda outcome: CLOSED if outcome == CLOSED else ""


def _chance(decision: Decision, side: Callable[[str], str] = str) -> Chance:
    told = [side(outcome) for outcome in decision.drawn if outcome is not None]
    return Chance(sum(outcome != side(decision.found) for outcome in told), len(told))


# --- further checks --------------------------------------------------------------------------------------


def _further(
    made: Sequence[Decision],
    settled: Sequence[Decision | None],
    figures: _Figures,
    steps: Sequence[Step],
    settings: Settings,
) -> list[tuple[str, VisitCheck]]:
    """Return checks of what falls otherwise more often than is left alone, and that no check settles yet.

    Decisions that fall otherwise in the same plans are one: a lawn that is reached by a passage, and that passage.
    """
    doubt_min = _doubt_min(settings)
    writer = {layer: step.id for step in steps for layer in step.writes}
    known = {_pattern(one) for one in settled if one is not None}
    found = []
    for one in made:
        chance = _chance(one)
        if one.kind not in ASKED_BY or chance.surely < doubt_min or _pattern(one) in known:
            continue
        known.add(_pattern(one))
        _, layer = ASKED_BY[one.kind]
        if layer in writer:
            found.append((writer[layer], figures.with_shares(_check(one, chance), one)))
    return found


def _pattern(decision: Decision) -> tuple[str, tuple[bool, ...]]:
    """Return by what decisions are the same: pieces of ground and stretches of edge are so only among themselves."""
    return decision.kind if decision.kind in ("slope", "edge") else "", tuple(decision.otherwise.tolist())


def _check(decision: Decision, chance: Chance) -> VisitCheck:
    code, _ = ASKED_BY[decision.kind]
    ground = decision.ground
    told: dict[str, Any] = {"found": decision.found, "other": decision.mostly, "area_m2": float(ground.area)}
    values = {**told, "length_m": float(ground.length), "times": chance.times, "draws": chance.draws}
    along = isinstance(ground, LineString)
    place = ground.interpolate(0.5, normalized=True) if along else ground.representative_point()
    return VisitCheck(
        code,
        values,
        place,
        flip_probability=chance.mean,
        flip_sd=chance.sd,
        weight=WEIGHTS.get(decision.kind, 1.0),
        area=ground if isinstance(ground, Polygon | LineString) and decision.kind in ("slope", "edge") else None,
        first=decision.safety,
    )


def _doubt_min(settings: Settings) -> float:
    given = [values["doubt_min"] for values in settings.parameters.values() if "doubt_min" in values]
    return DoubtParameters.model_validate({"doubt_min": given[0]} if given else {}).doubt_min


# --- spreads ---------------------------------------------------------------------------------------------


def _put_spreads(plan: Plan, drawn: Sequence[Picture]) -> None:
    """Put the spread of wire, price and mown ground over the drawn plans that have a wire into the plan's rows."""
    wired = [one for one in drawn if one.wired]
    wire = Spread.of([one.wire_m for one in wired])
    mown = Spread.of([one.mown_m2 for one in wired])
    price = Spread.of([one.amount for one in wired])
    (row,), items = plan.rows("summary"), plan.rows("materials")
    if wire is None or mown is None or price is None or not row["wire_m"]:
        return
    spreads: dict[str, float] = {
        "wire_sd_m": wire.sd, "wire_low_m": wire.low, "wire_high_m": wire.high,
        "mowable_low_m2": mown.low, "mowable_high_m2": mown.high,
    }  # fmt: skip
    if row["amount"] is not None:
        spreads |= {"amount_sd": price.sd, "amount_low": price.low, "amount_high": price.high}
    plan.keep({"summary": [{**row, **spreads}], "materials": [_with_spread(item, plan, wired) for item in items]})


def _with_spread(row: Row, plan: Plan, wired: Sequence[Picture]) -> Row:
    """Return a row of the materials with its spread over drawn plans; of an item that has several rows as it is."""
    spread = Spread.of([one.amounts.get(row["item"], 0.0) for one in wired])
    alone = len(plan.select("materials", item=row["item"])) == 1
    return {**row, "amount_sd": spread.sd} if alone and spread and row["amount"] is not None else row
