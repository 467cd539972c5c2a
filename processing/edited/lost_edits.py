"""What a run would overwrite of what a person edited in a plan, and how to keep it."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from lawngis.errors import PlanError

from ..model.step import Step
from ..steps.workflow import OPEN_LAYERS, steps_before
from .change_record import LayerEdit
from .earlier_plan import EarlierPlan
from .reshaped_wire import WIRE_STEP, reshaped_only

EDITS_SHOWN = 4
"""As many edits are named before the rest is only counted."""


def refuse_losing_edits(
    earlier: EarlierPlan, steps: Sequence[Step], first: str | None, parcels: Collection[str] | None = None
) -> None:
    """Refuse to overwrite what a person edited.

    Parameters
    ----------
    earlier
        The plan that would be overwritten.
    steps
        All steps, in order.
    first
        First step that writes anew; None when all do.
    parcels
        Parcels that are planned anew; None for all.

    Raises
    ------
    PlanError
        Naming what would be lost, and what to do.
    """
    carried = [] if first is None else [name for step in steps_before(steps, first) for name in step.writes]
    written = [name for step in steps for name in step.writes if name not in carried]
    layers = [*written, *(sorted(OPEN_LAYERS) if first is None else ())]
    edits = [(name, edit) for name, edit in earlier.edits(layers) if parcels is None or name in parcels]
    lost = [(name, edit) for name, edit in edits if first != WIRE_STEP or not reshaped_only(edit)]
    if not lost:
        return
    words = [edit.words(parcel_id) for parcel_id, edit in lost[:EDITS_SHOWN]]
    more = len(lost) - len(words)
    named = "; ".join(words) + (f" and {more} more" if more else "")
    raise PlanError(
        f"was edited since it was written, and that would be lost: {named}",
        where=str(earlier.path),
        advice=_advice(steps, [edit for _, edit in earlier.edits([n for s in steps for n in s.writes])]),
    )


def _advice(steps: Sequence[Step], edits: Sequence[LayerEdit]) -> str:
    """Return which step to start from so that nothing is lost."""
    edited = {edit.layer for edit in edits if not reshaped_only(edit)}
    after = [place + 1 for place, step in enumerate(steps) if edited & set(step.writes)]
    after += [place for place, step in enumerate(steps) if step.id == WIRE_STEP and any(map(reshaped_only, edits))]
    first = max(after, default=0)
    build = f"Build on it with --from {steps[first].id}, or overwrite" if first < len(steps) else "Overwrite"
    return f"{build} it with --discard-edits."
