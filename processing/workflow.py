"""Order and run steps: what a step reads must have been written before it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from graphlib import CycleError, TopologicalSorter
from time import perf_counter
from typing import Any

from lawngis.errors import ParameterError, PlanError
from lawngis.mower import MowerProfile

from .layers import PLAN_LAYERS
from .overrides import Override, own_overrides, site_with, step_result_with
from .plans import Plan, StepResult
from .sites import Site
from .step import Step

OPEN_LAYERS = frozenset({"findings", "visit_checks"})
"""Layers that every step adds to; they are closed before a step that reads them."""


def ordered(steps: Iterable[Step]) -> list[Step]:
    """Return steps in an order in which each finds what it reads.

    Raises
    ------
    PlanError
        When two steps write one layer, a layer that is read is written by none, or steps wait for each other.
    """
    steps = list(steps)
    writer = _writers(steps)
    after: dict[str, set[str]] = {}
    for step in steps:
        missing = step.plan_layers_read - set(writer) - OPEN_LAYERS
        if missing:
            raise PlanError(f"step {step.id} reads {sorted(missing)[0]}, which no step writes")
        after[step.id] = {writer[name] for name in step.plan_layers_read if name in writer}
        if step.plan_layers_read & OPEN_LAYERS:
            after[step.id] |= {other.id for other in steps if not other.plan_layers_read & OPEN_LAYERS}
    by_id = {step.id: step for step in steps}
    try:
        return [by_id[name] for name in TopologicalSorter(after).static_order()]
    except CycleError as error:
        raise PlanError(f"steps wait for each other: {' -> '.join(error.args[1])}") from error


def _writers(steps: Iterable[Step]) -> dict[str, str]:
    writer: dict[str, str] = {}
    for step in steps:
        for name in step.writes:
            if name not in PLAN_LAYERS:
                raise PlanError(f"step {step.id} writes {name}, which the contract doesn't have")
            if name in writer:
                raise PlanError(f"steps {writer[name]} and {step.id} both write {name}")
            writer[name] = step.id
    return writer


@dataclass(frozen=True)
class Settings:
    """What a run is asked to do: the mower, the parameters of each step by step id, and what was measured on site."""

    mower: MowerProfile
    parameters: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    overrides: tuple[Override, ...] = ()

    def check(self, steps: Iterable[Step]) -> None:
        """Check the parameters before anything is computed.

        Raises
        ------
        ParameterError
            When a step or a parameter is unknown, or a value is out of range.
        """
        by_id = {step.id: step for step in steps}
        for name, values in self.parameters.items():
            if name not in by_id:
                raise ParameterError(f"there is no step {name!r}", advice=f"Known are {', '.join(by_id)}.")
            by_id[name].parameters_from(values)


@dataclass(frozen=True)
class Planned:
    """A finished plan and the seconds that each step took."""

    plan: Plan
    step_seconds: Mapping[str, float]


def planned(site: Site, steps: Iterable[Step], settings: Settings) -> Planned:
    """Run steps, already ordered, on one site.

    Raises
    ------
    LawngisError
        Whatever a step raises on purpose; the caller decides what a failed parcel means for the others.
    """
    plan = Plan(site.parcel_id, site.frame.crs)
    measured = own_overrides(site, settings.overrides)
    site, corrected = site_with(site, measured)
    plan.attach("reading", StepResult(findings=[*site.findings, *corrected]), ())
    seconds: dict[str, float] = {}
    for step in steps:
        started = perf_counter()
        if step.plan_layers_read & OPEN_LAYERS:
            plan.close()
        parameters = step.parameters_from(settings.parameters.get(step.id, {}))
        result, corrected = step_result_with(
            step.compute(site, plan, settings.mower, parameters), measured, settings.mower
        )
        plan.attach(step.id, result, step.writes)
        plan.attach("overrides", StepResult(findings=corrected), ())
        seconds[step.id] = perf_counter() - started
    plan.close()
    return Planned(plan, seconds)
