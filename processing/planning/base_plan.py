"""The earlier plan that a run builds on, and what a run may not overwrite in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..edited.earlier_plan import EarlierPlan, earlier_plan, refuse_nothing_there, refuse_without_values
from ..edited.lost_edits import edited_plan, refuse_losing_edits
from ..edited.reshaped_wire import WIRE, WIRE_STEP
from ..reading.site_source import SiteSource
from ..steps.workflow import OPEN_LAYERS, installed_steps, step_layers, steps_before


@dataclass(frozen=True, eq=False)
class BasePlan:
    """An earlier plan that a run builds on.

    Parameters
    ----------
    plan
        The earlier plan.
    first
        Step to start from.
    others
        Parcels of it that stay as they are.
    """

    plan: EarlierPlan
    first: str
    others: Sequence[str] = ()


def base_plan(
    target: Path, first: str | None, source: SiteSource, named: Sequence[str] | None, *, discard: bool
) -> BasePlan | None:
    """Return the earlier plan that a run starts from; None when all is planned anew.

    Parameters
    ----------
    target
        File of the plan.
    first
        Step to start from, if any.
    source
        The site.
    named
        Parcels to plan; None for all.
    discard
        What somebody edited may be lost.

    Raises
    ------
    PlanError
        When there is nothing to start from, or what somebody edited would be lost.
    """
    steps = installed_steps()
    specs = step_layers(steps)
    if first is None:
        there = None if discard else edited_plan(target, specs)
        if there is not None:
            refuse_losing_edits(there, steps, None)
        return None
    carried = [name for step in steps_before(steps, first) for name in step.writes]
    refuse_nothing_there(target)
    outlines = {name: source.outline(name) for name in source.parcel_ids}
    reshaped = {WIRE, "wire_runs"} if first == WIRE_STEP and not discard else set()
    packed = specs if named else {"summary", *carried, *OPEN_LAYERS, *reshaped}
    earlier = earlier_plan(target, specs, packed=packed, checked=carried, outlines=outlines, crs=source.crs)
    if "schedule" in carried:
        refuse_without_values(earlier)
    if not discard:
        refuse_losing_edits(earlier, steps, first)
    return BasePlan(earlier, first, [name for name in earlier.parcels if named and name not in named])
