"""The earlier plan that a run builds on, and what a run may not overwrite in it."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lawngis.errors import LawngisError, PlanError

from ..edited.earlier_plan import EarlierPlan, earlier_plan, refuse_nothing_there, refuse_without_values
from ..edited.lost_edits import refuse_losing_edits
from ..edited.reshaped_wire import WIRE, WIRE_STEP
from ..edited.written_records import STYLES, parcel_facts
from ..files import gpkg
from ..files.file_kinds import PLAN
from ..files.plan_reader import is_plan, layers_of
from ..model.contract import Layer
from ..reading.site_source import SiteSource
from ..steps.workflow import OPEN_LAYERS, installed_steps, step_layers, steps_before
from .made_from import MADE_FROM, MadeFrom

CHOICE_FACT = "mower choice"
"""Key of the row of `run_info` that names the mowers of which each parcel got the least costly."""


@dataclass(frozen=True, eq=False)
class BasePlan:
    """An earlier plan that a run builds on.

    Parameters
    ----------
    plan
        The earlier plan.
    first
        Step to start from; None to plan from the first.
    others
        Parcels of it that stay as they are, whatever they were made from.
    made_from
        What those parcels were made from that stay as they are if they would be made from the same again.
    discard
        What somebody edited may be lost.
    """

    plan: EarlierPlan
    first: str | None = None
    others: Sequence[str] = ()
    made_from: Mapping[str, MadeFrom] = field(default_factory=dict)
    discard: bool = False


def base_plan(
    target: Path, first: str | None, source: SiteSource, named: Sequence[str] | None, *, discard: bool
) -> BasePlan | None:
    """Return the earlier plan that a run builds on; None when there is none.

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
        When there is nothing to start from, or something that isn't planned anew would be lost.
    """
    steps = installed_steps()
    specs = step_layers(steps)
    if first is not None:
        refuse_nothing_there(target)
    if not target.exists() or not _kept_by(target, specs, named, discard=discard):
        return None
    outlines = {name: source.outline(name) for name in source.parcel_ids}
    if first is None:
        crs = source.crs if named else None
        earlier = earlier_plan(target, specs, outlines=outlines, crs=crs)
    else:
        carried = [name for step in steps_before(steps, first) for name in step.writes]
        reshaped = {WIRE, "wire_runs"} if first == WIRE_STEP and not discard else set()
        packed = {"summary", *carried, *OPEN_LAYERS, *reshaped}
        earlier = earlier_plan(target, specs, packed=packed, checked=carried, outlines=outlines, crs=source.crs)
        if "schedule" in carried:
            refuse_without_values(earlier)
    if not discard:
        refuse_losing_edits(earlier, steps, first, named)
    others = [name for name in earlier.file.parcel_ids if named and name not in named]
    return BasePlan(earlier, first, others, _made_from(earlier) if first is None else {}, discard)


def _kept_by(target: Path, specs: Mapping[str, Layer], named: Collection[str] | None, *, discard: bool) -> bool:
    """Return whether a file is a plan of which something may stay, after refusing to lose what isn't ours.

    Raises
    ------
    PlanError
        When it can't be read, is none and has layers named as ours, or something in it can't be carried over.
    """
    advice = "Move it away, or name another folder with --out."
    try:
        layers = gpkg.layer_names(target)
        gpkg.refuse_uncarriable(target, list(specs))
    except PlanError:
        raise
    except LawngisError as error:
        if discard and not named:
            return False
        raise PlanError(
            "can't be read, so that what is in it would be lost", where=str(target), advice=advice
        ) from error
    if PLAN.marked(layers):
        return True
    taken = sorted({name.casefold() for name in layers} & {name.casefold() for name in specs})
    if taken and not discard:
        raise PlanError(f"is no plan, and its layer {taken[0]} would be lost", where=str(target), advice=advice)
    return False


def _made_from(earlier: EarlierPlan) -> dict[str, MadeFrom]:
    """Return what parcels were made from of which nobody touched anything."""
    touched = earlier.all_touched
    facts = parcel_facts(earlier.file, MADE_FROM)
    return {name: MadeFrom.read(value) for name, value in facts.items() if name not in touched}


def mowers_chosen(target: Path) -> bool:
    """Tell whether a file is a plan whose parcels got their mowers by choice."""
    return is_plan(target) and CHOICE_FACT in layers_of(target).facts


def stored_styles(target: Path) -> dict[str, str] | None:
    """Return digests of the styles that were written into a file, none where it doesn't say; None without a file."""
    try:
        layers = gpkg.layer_names(target)
        if "run_info" not in layers:
            return {}
        table = gpkg.read_table(target, "run_info", where=f"key = '{STYLES}' AND parcel_id IS NULL")
        return dict(json.loads(table["value"].iloc[0])) if len(table) else {}
    except LawngisError:
        return None
