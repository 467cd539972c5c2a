"""Rules on the mowers of a parcel that the checker knows beside the contract's numbered ones."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import Any

import pandas as pd
import shapely
from plan_view import ParcelView

SIDE_BY_SIDE_M = 2.0
"""Loops of two mowers that come closer than this must not have one signal."""

Found = Iterator[tuple[str, str]]


def mowers_add_up(view: ParcelView, profile: dict[str, Any]) -> Found:
    """A row for each mower, with what its zones, loops and materials give; the sum is the parcel's."""
    mowers, zones, materials = (view.rows(name) for name in ("mowers", "zones", "materials"))
    row = view.rows("summary").iloc[0]
    served = zones[zones["loop_id"].isin(view.rows("wire_path")["loop_id"])]
    if sorted(mowers["mower_no"]) != sorted(served["mower_no"].unique()):
        yield "mowers", f"numbers {sorted(mowers['mower_no'])}, the zones have {sorted(served['mower_no'].unique())}"
        return
    if int(row["mowers"]) != zones["mower_no"].nunique():
        yield "summary", f"mowers is {row['mowers']}, the zones have {zones['mower_no'].nunique()}"
    if set(mowers["profile"]) - {row["profile"]}:
        yield "mowers", f"profiles {sorted(set(mowers['profile']))}, the summary has {row['profile']}"
    for _, mower in mowers.iterrows():
        own = zones[zones["mower_no"] == mower["mower_no"]]
        where = f"mower {mower['mower_no']}"
        said = (int(mower["zones"]), int(mower["loops"]))
        if said != (len(own), own["loop_id"].nunique()):
            yield where, f"zones and loops are {said}, the layers give {(len(own), own['loop_id'].nunique())}"
        if abs(float(mower["hours_week"]) - own["hours_week"].astype(float).sum()) > 0.01:
            yield where, f"hours_week is {mower['hours_week']}, its zones take {own['hours_week'].sum():.2f}"
        amount = materials.loc[materials["mower_no"] == mower["mower_no"], "amount"].astype(float).sum()
        if pd.notna(mower["amount"]) and abs(float(mower["amount"]) - amount) > 0.006:
            yield where, f"amount is {mower['amount']}, its materials cost {amount:.2f}"
    if pd.notna(row["amount"]) and abs(mowers["amount"].astype(float).sum() - float(row["amount"])) > 0.02:
        yield "mowers", f"together they cost {mowers['amount'].sum():.2f}, the summary says {row['amount']}"


def mowers_apart(view: ParcelView, profile: dict[str, Any]) -> Found:
    """Each mower has loops, a dock and a week of its own; side by side its signal is another than its neighbour's."""
    zones = view.rows("zones")
    for loop_id, own in zones.groupby("loop_id"):
        if own["mower_no"].nunique() > 1:
            yield str(loop_id), f"mowers {sorted(own['mower_no'].unique())} share it"
    if zones["mower_no"].nunique() < 2:
        return
    docks, weeks = view.rows("dock_candidates"), view.rows("schedule")
    for number, own in zones.groupby("mower_no"):
        if list(own["role"]).count("home") + list(own["role"]).count("detached") < 1:
            yield f"mower {number}", "no zone of it is its home"
        if not docks.loc[docks["chosen"].astype(bool), "zone_id"].isin(own["zone_id"]).any():
            yield f"mower {number}", "no dock stands in its zones"
        if not own["zone_id"].isin(weeks["zone_id"]).all():
            yield f"mower {number}", "a zone has no time in the week"
    mower_of = dict(zip(zones["loop_id"], zones["mower_no"], strict=True))
    for one, two in combinations(view.loops, 2):
        near = shapely.dwithin(one.line, two.line, SIDE_BY_SIDE_M)
        if near and mower_of[one.loop_id] != mower_of[two.loop_id] and one.row["signal"] == two.row["signal"]:
            yield f"{one.loop_id} and {two.loop_id}", f"side by side, and both have signal {one.row['signal']}"
