"""The day of laying read through by chainage against wire, pegs and joints; it shares nothing with the planner."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
import shapely
from plan_view import Loop, ParcelView

LAID_ALONG = {
    "edge": "lay_edge", "corner": "lay_edge", "island": "lay_island", "passage": "lay_passage", "lead_out": "lead_out",
    "lead_back": "lead_back",
}  # fmt: skip
ORDER = [
    "mark_out",
    "begin",
    "lay",
    "joint",
    "closing",
    "set_dock",
    "set_source",
    "mount_supply",
    "lay_cable",
    "signal_on",
    "trial",
    "walk_round",
    "correct",
    "peg_fill",
    "bury_heads",
]
NEAR_M = 0.001


def laying_problems(view: ParcelView) -> list[str]:
    """Where the steps of a parcel leave wire, a peg or a joint out, do one twice, or come out of order."""
    steps = view.rows("laying_steps").sort_values("seq")
    found = [f"{view.parcel_id}: seq is {steps['seq'].tolist()}"] if list(steps["seq"]) != _counted(steps) else []
    for loop in view.loops:
        own = steps[steps["loop_id"] == loop.loop_id]
        for problems in (_metres(loop, own), _pegs(view, loop, own), _joints(view, loop, own), _order(own)):
            found += [f"{loop.loop_id}: {problem}" for problem in problems]
    if view.loops and steps["what"].tolist()[-2:] != ["settings", "hand_over"]:
        found.append(f"{view.parcel_id}: the day does not end with settings and handing over")
    return found


def _counted(steps: pd.DataFrame) -> list[int]:
    return list(range(1, len(steps) + 1))


def _metres(loop: Loop, steps: pd.DataFrame) -> Iterator[str]:
    """Each metre is laid once, in its turn, as its run says, and is drawn where the wire is."""
    laid = steps[steps["what"].isin(set(LAID_ALONG.values()))]
    at = 0.0
    for step in laid.itertuples():
        if abs(step.from_m - at) > NEAR_M:
            yield f"{step.step_id} begins at {step.from_m:.2f} m, and the one before it ended at {at:.2f} m"
        at = step.to_m
    if abs(at - float(loop.row["length_m"])) > NEAR_M:
        yield f"the last metre laid is {at:.2f} of {loop.row['length_m']:.2f}"
    if abs(laid.geometry.length.sum() - loop.line.length) > 0.01:
        yield f"{laid.geometry.length.sum():.2f} m of wire are drawn, and {loop.line.length:.2f} m are there"
    for run in loop.runs:
        middle = (run.from_m + run.to_m) / 2
        own = laid[(laid["from_m"] <= middle) & (laid["to_m"] > middle)]
        wanted = "lay_island" if run.kind == "corner" and run.island_id else LAID_ALONG[run.kind]
        if own["what"].tolist() != [wanted]:
            yield f"run {run.seq} ({run.kind}) is in {own['step_id'].tolist()} ({own['what'].tolist()})"


def _pegs(view: ParcelView, loop: Loop, steps: pd.DataFrame) -> Iterator[str]:
    """Each peg is set once, in its pass; a step sets those after its first metre and up to its last."""
    pegs = view.rows("pegs")
    pegs = pegs[pegs["loop_id"] == loop.loop_id]
    setting = steps[steps["peg_stage"].notna()]
    counts = dict.fromkeys(setting["step_id"], 0)
    for peg in pegs.itertuples():
        by = [
            step.step_id
            for step in setting.itertuples()
            if step.peg_stage == peg.stage
            and (
                abs(peg.chainage_m) < NEAR_M
                if step.from_m == step.to_m == 0
                else step.from_m + NEAR_M < peg.chainage_m <= step.to_m + NEAR_M
            )
        ]
        if len(by) != 1:
            yield f"peg {peg.peg_no} at {peg.chainage_m:.2f} m is set in {by}"
        for name in by:
            counts[name] += 1
    wrong = [step.step_id for step in setting.itertuples() if step.pegs != counts[step.step_id]]
    if wrong:
        yield f"steps that tell another number of pegs than are there: {wrong}"


def _joints(view: ParcelView, loop: Loop, steps: pd.DataFrame) -> Iterator[str]:
    """Each joint is made once, right after the wire up to it was laid."""
    joins = view.rows("joins")
    for join in joins[joins["loop_id"] == loop.loop_id].itertuples():
        what = "closing" if join.why == "closing" else "joint"
        made = steps[(steps["what"] == what) & (np.abs(steps["from_m"] - join.chainage_m) < NEAR_M)]
        if len(made) != 1:
            yield f"the joint at {join.chainage_m:.2f} m is made in {made['step_id'].tolist()}"
            continue
        step = made.iloc[0]
        before = steps[(steps["seq"] == step["seq"] - 1)].iloc[0]
        if abs(before["to_m"] - join.chainage_m) > NEAR_M:
            yield f"{step['step_id']} comes after {before['step_id']}, which ends at {before['to_m']:.2f} m"
        if shapely.distance(step.geometry, join.geometry) > 0.02:
            yield f"{step['step_id']} is not where its joint is"


def _order(steps: pd.DataFrame) -> Iterator[str]:
    laid = [("lay" if what in LAID_ALONG.values() else what) for what in steps["what"] if what != "crossing"]
    ranks = [ORDER.index("lay" if what == "joint" else what) for what in laid]
    if ranks != sorted(ranks):
        yield f"the steps come as {laid}"
    once = [what for what in ORDER if what not in ("lay", "joint", "set_dock", "set_source", "lay_cable")]
    missing = [what for what in once if laid.count(what) != 1]
    if missing or laid.count("set_dock") + laid.count("set_source") != 1:
        yield f"not there once: {missing or 'dock or source'}"
