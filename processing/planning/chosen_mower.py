"""Which of several mowers a parcel gets: it is planned with each, and the least costly plan is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lawngis.errors import LawngisError
from lawngis.mowing.choice import MowerPlan, least_costly
from lawngis.prices import price_book_from

from ..derived.laying_hours import Books
from ..derived.mower_demands import PricedMower
from ..derived.plan_cost import COST_LAYERS, plan_cost
from ..edited.start_from import MOWER_CHOICE
from ..model.catalogue import Said
from ..model.plan import Finding
from ..model.site import Site
from ..model.step import Step
from ..steps.workflow import Planned, Settings, Start, planned


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A parcel's plan with one mower, and what it comes to."""

    settings: Settings
    done: Planned
    comes_to: MowerPlan


def planned_with_choice(
    site: Site, steps: Sequence[Step], settings: Settings, start: Start | None = None
) -> tuple[Planned, Settings]:
    """Return a parcel's plan, and the settings by which it was made: those of its mower where there was a choice.

    Parameters
    ----------
    site, steps, settings, start
        As :func:`..steps.workflow.planned` takes them. Mowers to choose from are for a plan from the first step: one
        that is built on another has its mower already.

    Raises
    ------
    LawngisError
        When the parcel can't be planned, with none of the mowers.
    """
    if not settings.choice:
        return planned(site, steps, settings, start), settings
    candidates, failures = [], list[tuple[PricedMower, LawngisError]]()
    for one in settings.choice:
        own = settings.with_mower(one.profile.name)
        try:
            done = planned(site, steps, own, start)
        except LawngisError as error:
            failures.append((one, error))
        else:
            candidates.append(_Candidate(own, done, _comes_to(done, one, own)))
    if not candidates:
        raise failures[0][1]
    years = max(one.offer.kept_years for one in settings.choice)
    best = least_costly([one.comes_to for one in candidates], years=years)
    chosen = next(one for one in candidates if one.comes_to is best)
    plan = chosen.done.plan
    if best.mowers:
        read = sum(step == "reading" for step, _ in plan.findings)
        plan.findings.insert(
            read, (MOWER_CHOICE, _finding(chosen, candidates, failures, years))
        )  # where --from puts it
        plan.close()
    return chosen.done, chosen.settings


def _comes_to(done: Planned, mower: PricedMower, settings: Settings) -> MowerPlan:
    """Return what a finished plan comes to."""
    plan, given = done.plan, settings.parameters.get("zones", {})
    (summary,) = plan.rows("summary")
    mowers = len(plan.rows("mowers"))
    labour = Books(labour_file=given.get("labour_book")).labour
    whole = plan_cost({name: plan.rows(name) for name in COST_LAYERS}, labour) if mowers else 0.0
    return MowerPlan(
        offer=mower.offer,
        stops=summary["stop_findings"],
        missing_h=summary["missing_hours_week"],
        mown_m2=summary["mowable_m2"],
        mowers=mowers,
        laid=whole - mowers * (mower.offer.price or 0.0),
    )


def _finding(
    chosen: _Candidate,
    candidates: Sequence[_Candidate],
    failures: Sequence[tuple[PricedMower, LawngisError]],
    years: float,
) -> Finding:
    """Return what is said of the choice: what each mower would have cost and done."""
    file = chosen.settings.parameters.get("materials", {}).get("price_book")
    prices = price_book_from(file)
    compared: list[Said] = [
        (
            "mower-compared",
            {
                "mower": one.settings.mower.title,
                "mowers": one.comes_to.mowers,
                "cost": one.comes_to.cost(years),
                "mown_m2": one.comes_to.mown_m2,
                "stops": one.comes_to.stops,
                "missing_h": one.comes_to.missing_h,
            },
        )
        for one in candidates
    ]
    compared += [("mower-failed", {"mower": one.profile.title, "reason": error.what}) for one, error in failures]
    values = {
        "case": "example" if prices.example else "own",
        "mower": chosen.settings.mower.title,
        "mowers": chosen.comes_to.mowers,
        "kinds": len(compared),
        "cost": chosen.comes_to.cost(years),
        "currency": prices.currency,
        "years": years,
        "compared": compared,
    }
    return Finding("info", "mower-chosen", values)
