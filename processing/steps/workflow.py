"""Order and run steps: what a step reads must have been written before it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from graphlib import CycleError, TopologicalSorter
from time import perf_counter
from typing import Any, NoReturn

from lawngis.errors import ParameterError, PlanError
from lawngis.mower import MowerProfile

from ..derived.laying_hours import Books
from ..derived.measured_passages import site_with_grounds
from ..derived.mower_demands import PricedMower
from ..derived.mowing_windows import WEEK_PARAMETERS
from ..measured.overrides import Override
from ..measured.site_facts import measured_site
from ..model import messages
from ..model.catalogue import Catalogue, sentences
from ..model.contract import Layer
from ..model.facts import Fact, Facts, ReshapedWire
from ..model.layers import PLAN_LAYERS, stamped
from ..model.plan import Finding, Plan, Row, StepResult, VisitCheck
from ..model.site import Site
from ..model.step import BrokenStep, Step, loaded_steps
from ..model.styles import SYMBOLS
from ..model.view import SITE_INPUTS, views

OPEN_LAYERS = frozenset({"findings", "visit_checks", "visit_areas"})
"""Layers that every step adds to; they are closed before a step that reads them."""


def ordered(steps: Iterable[Step], broken: Iterable[BrokenStep] = ()) -> list[Step]:
    """Return steps in an order in which each finds what it reads.

    Of steps that could take turns, the one comes first for which more others wait, then the one that waits for fewer:
    the order is the same each time, and what is worked on longest comes before what is only told of it.

    Parameters
    ----------
    steps
        The steps.
    broken
        Steps that could not be loaded: when a layer is missing, the reason may be there.

    Raises
    ------
    PlanError
        When two steps write one layer, what is read is written by none and no site has it, or steps wait for each
        other.
    """
    steps = list(steps)
    writer = _writers(steps)
    after: dict[str, set[str]] = {}
    for step in steps:
        for name in step.reads:
            if ":" in name and name not in SITE_INPUTS:
                raise PlanError(f"step {step.id} reads {name}, which no site has")
        missing = step.plan_layers_read - set(writer) - OPEN_LAYERS
        if missing:
            _raise_missing(step, sorted(missing)[0], list(broken))
        after[step.id] = {writer[name] for name in step.plan_layers_read if name in writer}
        if step.plan_layers_read & OPEN_LAYERS:
            after[step.id] |= {other.id for other in steps if not other.plan_layers_read & OPEN_LAYERS}
    try:
        before = _all_before(after)
    except CycleError as error:
        raise PlanError(f"steps wait for each other: {' -> '.join(error.args[1])}") from error
    waiting = {name: sum(name in others for others in before.values()) for name in before}
    return sorted(steps, key=lambda step: (-waiting[step.id], len(before[step.id]), step.id))


def _all_before(after: Mapping[str, set[str]]) -> dict[str, set[str]]:
    """Return for each step all that must run before it."""
    before: dict[str, set[str]] = {}
    for name in TopologicalSorter(after).static_order():
        before[name] = after[name].union(*(before[other] for other in after[name]))
    return before


def _raise_missing(step: Step, layer: str, broken: Sequence[BrokenStep]) -> NoReturn:
    what = f"step {step.id} reads {layer}, which no step writes"
    if broken:
        first = broken[0]
        what = f"step {first.id} of {first.package} can't be loaded ({first.reason}), and {what}"
    raise PlanError(what, advice="Mend or install again the package that it comes from." if broken else "")


@lru_cache(maxsize=1)
def installed_steps() -> tuple[Step, ...]:
    """Return the steps of all installed packages, in order; found once in the life of a process."""
    steps, broken = loaded_steps()
    return tuple(ordered(steps.values(), broken))


def step_layers(steps: Iterable[Step]) -> dict[str, Layer]:
    """Return the layers of a plan: those of the contract, and those that steps declare themselves.

    Raises
    ------
    PlanError
        When a step declares a layer that is there already, doesn't write what it declares, or its style doesn't fit.
    """
    layers = dict(PLAN_LAYERS)
    for step in steps:
        for spec in step.layers:
            if spec.name.casefold() in {name.casefold() for name in layers}:
                raise PlanError(
                    f"step {step.id} declares a layer {spec.name}, but a layer of that name is there already",
                    advice="Give the step's layer another name.",
                )
            if spec.name not in step.writes:
                raise PlanError(f"step {step.id} declares a layer {spec.name}, but doesn't write it")
            layers[spec.name] = stamped(spec)
            _refuse_unfit_style(step, layers[spec.name])
    return layers


def step_sentences(steps: Iterable[Step]) -> Catalogue:
    """Return the sentences of this package, and those that steps of other packages bring.

    Raises
    ------
    PlanError
        When a step has a sentence for a code that is there already.
    """
    own = [step.sentences for step in steps if step.sentences]
    return sentences().with_tables(own) if own else sentences()


def _refuse_unfit_style(step: Step, spec: Layer) -> None:
    if spec.style is None:
        return
    if not all(isinstance(rule.symbol, SYMBOLS.get(spec.geometry or "", ())) for rule in spec.style.rules):
        raise PlanError(
            f"the style of layer {spec.name} of step {step.id} can't draw {spec.geometry or 'a table'}",
            advice="Polygons are drawn as Area, lines as Line, points as Mark.",
        )
    for name in (spec.style.column, spec.style.label_column):
        if name is not None and name not in {column.name for column in spec.columns}:
            raise PlanError(
                f"the style of layer {spec.name} of step {step.id} names {name}, which is none of its columns"
            )


def _writers(steps: Sequence[Step]) -> dict[str, str]:
    writer: dict[str, str] = {}
    layers = step_layers(steps)
    for step in steps:
        for name in step.writes:
            if name not in layers:
                raise PlanError(
                    f"step {step.id} writes {name}, which the contract doesn't have",
                    advice="Declare the layer with the step.",
                )
            if name in writer:
                raise PlanError(f"steps {writer[name]} and {step.id} both write {name}")
            writer[name] = step.id
    return writer


SHARED = ("price_book", "labour_book", "doubt_min", "kerb_flush_max_m", "hedge_width_m", *WEEK_PARAMETERS)
"""Parameters that mean the same in every step that has them: given for one step, they hold for all."""


def with_shared(
    parameters: Mapping[str, Mapping[str, Any]], steps: Iterable[Step], of_site: Mapping[str, Any] | None = None
) -> dict[str, dict[str, Any]]:
    """Return the parameters of each step, completed by what steps share: given for another step, else by the site."""
    found = {step: dict(values) for step, values in parameters.items()}
    for name in SHARED:
        given = [values[name] for values in (*parameters.values(), of_site or {}) if name in values]
        for step in steps if given else ():
            if name in step.parameters.model_fields:
                found.setdefault(step.id, {}).setdefault(name, given[0])
    return found


@dataclass(frozen=True)
class Settings:
    """What a run is asked to do: the mower, the parameters of each step by step id, and what was measured on site.

    Besides, on how many versions of its data each parcel is planned as well, and the seed by which they are drawn.
    Of a choice of mowers, the cheapest by year first, each parcel gets the least costly; `mower` is only the first.
    """

    mower: MowerProfile
    parameters: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    overrides: tuple[Override, ...] = ()
    draws: int = 0
    draw_seed: int = 1
    choice: tuple[PricedMower, ...] = ()

    @property
    def mowers(self) -> tuple[MowerProfile, ...]:
        """The mowers that parcels may have."""
        return tuple(one.profile for one in self.choice) or (self.mower,)

    def with_mower(self, name: str | None) -> Settings:
        """Return the settings of a parcel that has got its mower; where there is no choice they are the same.

        Raises
        ------
        ParameterError
            When no mower of the choice has that name.
        """
        if not self.choice:
            return self
        for mower in self.mowers:
            if mower.name == name:
                return replace(self, mower=mower, choice=())
        what = f"the plan's mower {name!r} is none to choose from" if name else "no plan says which mower it has"
        raise ParameterError(what, advice="Name its profile, or its file, with --profile.")


def check_parameters(parameters: Mapping[str, Mapping[str, Any]], steps: Iterable[Step]) -> None:
    """Check the parameters of each step, by step id, before anything is computed.

    Raises
    ------
    ParameterError
        When a step or a parameter is unknown, or a value is out of range.
    """
    by_id = {step.id: step for step in steps}
    for name, values in parameters.items():
        if name not in by_id:
            raise ParameterError(f"there is no step {name!r}", advice=f"Known are {', '.join(by_id)}.")
        by_id[name].parameters_from(values)


@dataclass(frozen=True)
class Planned:
    """A finished plan and the seconds that each step took."""

    plan: Plan
    step_seconds: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Start:
    """Where to begin in the middle: layers of an earlier plan, as a person left them, in the frame of the site.

    Parameters
    ----------
    first
        Step that is the first to run.
    layers
        Rows by layer, of the steps before it.
    findings, checks
        Of these steps, with the step's name.
    start_findings
        What is to be said of the layers themselves: edits, and rules that they break.
    overrides
        What was measured on site and is in the layers already, see :func:`facts_read`.
    paths
        Loops of wire that somebody reshaped in the plan: what the first step writes, and yet an input of it.
    """

    first: str
    layers: Mapping[str, Sequence[Row]]
    findings: Sequence[tuple[str, Finding]] = ()
    checks: Sequence[tuple[str, VisitCheck]] = ()
    start_findings: Sequence[Finding] = ()
    overrides: frozenset[str] = frozenset()
    paths: Sequence[Fact[ReshapedWire]] = ()


def steps_before(steps: Sequence[Step], first: str) -> list[Step]:
    """Return the steps that come before one, of steps in order.

    Raises
    ------
    ParameterError
        When there is no step of that name.
    """
    names = [step.id for step in steps]
    if first not in names:
        raise ParameterError(f"there is no step {first!r}", advice=f"Known are, in order, {', '.join(names)}.")
    return list(steps[: names.index(first)])


def planned(site: Site, steps: Iterable[Step], settings: Settings, start: Start | None = None) -> Planned:
    """Run steps, already ordered, on one site.

    Parameters
    ----------
    site
        The site.
    steps
        All steps, in order.
    settings
        Mower, parameters, and what was measured on site.
    start
        Begin in the middle.

    Raises
    ------
    LawngisError
        Whatever a step raises on purpose; the caller decides what a failed parcel means for the others.
    """
    steps = list(steps)
    plan = Plan(site.parcel_id, site.frame.crs, step_layers(steps), step_sentences(steps), site.parcel)
    site, corrected = measured_site(site, settings.overrides)
    rest = steps if start is None else steps[len(steps_before(steps, start.first)) :]
    site = with_passage_grounds(site, steps, rest, settings)
    plan.attach("reading", StepResult(findings=[*site.findings, *corrected]), ())
    if start is not None:
        site = replace(site, facts=site.facts + Facts(paths=tuple(start.paths)))
        before = steps_before(steps, start.first)
        _take_over(plan, before, start)
        plan.attach("edits", StepResult(findings=_not_followed(before, start, site.facts)), ())
        steps = steps[len(before) :]
    seconds: dict[str, float] = {}
    for number, step in enumerate(steps):
        messages.step_of(site.parcel_id, step.id, number / len(steps))
        started = perf_counter()
        _run_step(step, site, plan, settings)
        seconds[step.id] = perf_counter() - started
    plan.close()
    return Planned(plan, seconds)


def with_passage_grounds(site: Site, steps: Sequence[Step], rest: Sequence[Step], settings: Settings) -> Site:
    """Return a site whose measured widths say what ground the lawn gains or loses by them.

    Which passage a width is of, and how wide that is on the maps, is known only once there are zones: all steps before
    them run without the widths first. What the lawn gains is then an input like any other.

    Parameters
    ----------
    site
        With what was measured.
    steps
        All steps, in order.
    rest
        Steps that are to run; unless one of them reads widths nothing is done.
    settings
        Mower and parameters.
    """
    finder = next((step for step in steps if "links" in step.writes), None)
    if finder is None or not site.facts.widths or not any("fact:widths" in step.reads for step in rest):
        return site
    mapped = replace(site, facts=replace(site.facts, widths=()))
    plan = Plan(site.parcel_id, site.frame.crs, step_layers(steps), step_sentences(steps))
    for step in steps_before(steps, finder.id):
        _run_step(step, mapped, plan, settings)
    given = settings.parameters.get(finder.id, {})
    books = Books(given.get("price_book"), given.get("labour_book"))
    return site_with_grounds(site, plan, settings.mower, books)


def _run_step(step: Step, site: Site, plan: Plan, settings: Settings) -> None:
    if step.plan_layers_read & OPEN_LAYERS:
        plan.close()
    parameters = step.parameters_from(settings.parameters.get(step.id, {}))
    plan.attach(step.id, step.compute(*views(step, site, plan), settings.mower, parameters), step.writes)


def closed_again(plan: Plan, site: Site, steps: Iterable[Step], settings: Settings) -> None:
    """Close findings and checks of a finished plan that changed, and run again the steps that read them."""
    site, _ = measured_site(site, settings.overrides)
    for step in steps:
        if step.plan_layers_read & OPEN_LAYERS:
            plan.findings = [item for item in plan.findings if item[0] != step.id]
            plan.checks = [item for item in plan.checks if item[0] != step.id]
            _run_step(step, site, plan, settings)
    plan.close()


def planned_alone(site: Site, step: Step, settings: Settings, start: Start, specs: Mapping[str, Layer]) -> Plan:
    """Run one step on layers that are there already, and return what it writes.

    Parameters
    ----------
    site
        The site.
    step
        The step.
    settings
        Mower, parameters, and what was measured on site.
    start
        Layers that it reads; findings and checks of other steps, for a step that reads them.
    specs
        Declarations of all layers.

    Raises
    ------
    LawngisError
        Whatever the step raises on purpose.
    """
    plan = Plan(site.parcel_id, site.frame.crs, specs, step_sentences(installed_steps()), site.parcel)
    site, _ = measured_site(site, settings.overrides)
    site = with_passage_grounds(site, installed_steps(), [step], settings)
    plan.keep(start.layers)
    plan.findings += start.findings
    plan.checks += start.checks
    _run_step(step, site, plan, settings)
    plan.findings = [(step.id, finding) for finding in start.start_findings] + [
        item for item in plan.findings if item[0] == step.id
    ]
    plan.checks = [item for item in plan.checks if item[0] == step.id]
    plan.close()
    return plan


def _take_over(plan: Plan, before: Sequence[Step], start: Start) -> None:
    """Put the layers of an earlier plan into this one."""
    for step in before:
        plan.keep({name: start.layers.get(name, ()) for name in step.writes})
    plan.findings += start.findings
    plan.checks += start.checks
    plan.attach("edits", StepResult(findings=start.start_findings), ())


def facts_read(steps: Iterable[Step], facts: Facts) -> set[str]:
    """Return what says that steps know facts: the name of each step with the key of each fact that it reads."""
    return {f"{step.id} {fact.key}" for fact in facts for step in steps if fact.read_as in step.reads}


def known_facts(before: Iterable[Step], start: Start) -> set[str]:
    """Return those of :func:`facts_read` that steps knew which don't run again."""
    names = {step.id for step in before}
    return {known for known in start.overrides if known.partition(" ")[0] in names}


def _not_followed(before: Sequence[Step], start: Start, facts: Facts) -> list[Finding]:
    """Say what was measured since steps ran that don't run again, and what they follow that nobody says any more."""
    known, now = known_facts(before, start), facts_read(before, facts)
    findings = []
    for fact in facts:
        behind = [step.id for step in before if f"{step.id} {fact.key}" in now - known]
        if behind:
            values = {
                "case": "newer",
                "label": fact.label,
                "steps": behind,
                "first": start.first,
                "earliest": behind[0],
            }
            place = None if fact.place is None else fact.place.representative_point()
            findings.append(Finding("caution", "override-not-followed", values, place))
    outdated = [step.id for step in before if any(one.startswith(f"{step.id} ") for one in known - now)]
    if outdated:
        values = {"case": "gone", "steps": outdated, "first": start.first, "earliest": outdated[0]}
        findings.append(Finding("caution", "override-not-followed", values))
    return findings
