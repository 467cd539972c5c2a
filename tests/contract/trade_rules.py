"""Rules of the trade that the checker knows beside the numbered ones: drops, what is bumped, joins between reels."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import shapely
from plan_view import Loop, ParcelView
from shapely.geometry.base import BaseGeometry

POSITION_SD_M = 0.10
"""How far a mapped edge is off where the site says nothing else: the contract's default."""

OUTLINES_APART_M = 0.06
"""Outlines of lawn and paving that should meet may be so far apart."""

STOREY_M = 3.0
NEAR_DROP_M = 0.5
JOIN_ROOM_M = 0.25
"""Edge on either side of a join: 0.3 m, less what the ground's slope and rounding may make of it."""


def drop_setbacks_m(view: ParcelView, edge: pd.Series, profile: dict[str, Any]) -> tuple[float, float]:
    """Least and greatest setback of a drop: the profile's, 10 cm for each metre of fall from half a metre to a storey,
    and 1.645 standard deviations of the edge's place. What the layers don't tell of the fall may lie anywhere between.
    """
    depths: list[float] = []
    for layer, column, value in (("barriers", "kind", "drop"), ("hard_surfaces", "level", "sunken")):
        if layer in view.site:
            some = view.site[layer]
            near = some[(some[column] == value) & (some.distance(edge["geometry"]) <= NEAR_DROP_M)]
            depths += near["height_m"].astype(float).abs().dropna().tolist() if "height_m" in near else []
    told = max([0.5, *depths])
    doubt = profile["setback_m"]["drop"] + 1.645 * POSITION_SD_M
    # Where a surface model alone tells of the drop its cells add to the doubt.
    return doubt + 0.1 * (min(told, STOREY_M) - 0.5), doubt + 0.1 * (STOREY_M - 0.5) + 0.3


def drop_problems(view: ParcelView, edge: pd.Series, profile: dict[str, Any]) -> Iterator[str]:
    """Too small a setback above a drop, and a drop that nobody measured and nobody is asked to measure."""
    least, most = drop_setbacks_m(view, edge, profile)
    if not least - 1e-3 <= edge["setback_m"] <= most + 0.02:
        yield f"setback_m {edge['setback_m']} above a drop is not from {least:.3f} to {most:.3f}"
    if not str(edge["evidence"]).startswith("measured on site"):
        checks = view.rows("visit_checks")
        if not ((checks["target_id"] == edge["edge_id"]) & (checks["target_column"] == "edge_class")).any():
            yield "a drop that nobody measured is on no visit list"


def crossed_paving(view: ParcelView, profile: dict[str, Any]) -> list[BaseGeometry]:
    """By link that leads all along a border the paving that may be driven across there: level, paved, without cars,
    and no wider between the two zones than the mower crosses."""
    return [paving for _, paving in _border_links(view, profile)]


def _border_links(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[pd.Series, BaseGeometry]]:
    for _, link in view.rows("links").iterrows():
        if link.get("along_border") == 1:
            surfaces = view.site["hard_surfaces"]
            level = (surfaces["level"] == "flush") & ~surfaces["use"].isin(["drive", "road"])
            paved = surfaces.geometry[level & (surfaces["surface"] == "paved")]
            fit = shapely.union_all(shapely.make_valid(paved.to_numpy()))
            reach_m = profile["crossing_length_max_m"] + OUTLINES_APART_M
            ends = [view.shapes("zones", zone_id=link[end])[0].buffer(reach_m) for end in ("zone_a", "zone_b")]
            yield link, fit.buffer(OUTLINES_APART_M).intersection(ends[0]).intersection(ends[1])


def border_problems(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """A border that is driven across has the wire of one loop once at each end, and is as long as it is said to be."""
    zones, findings = view.rows("zones").set_index("zone_id"), view.rows("findings")
    told = " ".join(findings.loc[findings["code"] == "border-not-laid", "text"])
    for link, paving in _border_links(view, profile):
        one, other = (zones.loc[link[end]] for end in ("zone_a", "zone_b"))
        if link["kind"] != "crossing" or one["loop_id"] != other["loop_id"]:
            yield link["link_id"], "it leads along a border, and is no crossing within one loop"
        if link["link_id"] not in (one["reached_by"], other["reached_by"]):
            yield link["link_id"], "it leads along a border, and no zone is reached by it"
        if not link["border_saves"] > 0:
            yield link["link_id"], f"a crossing at one place costs no more: {link['border_saves']}"
        between = one["geometry"].boundary.intersection(
            other["geometry"].buffer(1.5 * profile["crossing_length_max_m"])
        )
        if not profile["passage_transit_min_m"] <= link["width_m"] <= between.length + 0.1:
            yield (
                link["link_id"],
                f"width_m {link['width_m']:.2f}, and {between.length:.2f} m of border face each other",
            )
        for loop in view.loops:
            if loop.loop_id != one["loop_id"] or f"{link['link_id']} leads along" in told:
                continue
            runs = [run.line for run in loop.of_kind("passage") if run.line.intersects(paving)]
            over = [line for line in runs if line.distance(one["geometry"]) < 0.05 > line.distance(other["geometry"])]
            if len(over) != 2:
                yield link["link_id"], f"the wire crosses its paving {len(over)} times, not once at each end"
            elif (apart := over[0].distance(over[1])) < 0.4 * link["width_m"] - 1.0:
                yield (
                    link["link_id"],
                    f"the wire crosses {apart:.2f} m apart, and the border is {link['width_m']:.2f} m",
                )


def docks_near_vehicles(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """A dock that is called feasible stands out of the reach of whatever goes on drives and roads."""
    docks = view.rows("dock_candidates")
    if "hard_surfaces" not in view.site:
        return
    surfaces = view.site["hard_surfaces"]
    driven = surfaces.geometry[surfaces["use"].isin(["drive", "road"])]
    reach = shapely.union_all(shapely.make_valid(driven.to_numpy()))
    for _, dock in docks[docks["chosen"].astype(bool) & docks["feasible"].astype(bool)].iterrows():
        away_m = dock["geometry"].distance(reach)
        if away_m < profile["dock_vehicle_min_m"] - 1e-3:
            yield dock["candidate_id"], f"it is called feasible, {away_m:.2f} m from a drive or road"


def docks_in_zones(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """A chosen dock stands in the zone that it names, home or linked, where the loop of that starts."""
    zones = view.rows("zones").set_index("zone_id")
    docks = view.rows("dock_candidates")
    starts = {loop.loop_id: shapely.Point(loop.xy[0]) for loop in view.loops}
    for _, dock in docks[docks["chosen"].astype(bool)].iterrows():
        zone = zones.loc[dock["zone_id"]]
        if not dock["geometry"].dwithin(zone["geometry"], OUTLINES_APART_M):
            yield dock["candidate_id"], f"it stands outside {dock['zone_id']}"
        elif zone["loop_id"] in starts and dock["geometry"].distance(starts[zone["loop_id"]]) > OUTLINES_APART_M:
            yield dock["candidate_id"], f"it stands in {dock['zone_id']}, and the loop of that starts elsewhere"


def chords_for_docks(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Past ground that is left for a dock's straight wire the wire is straight, and a dock stands there."""
    need_m = profile["dock_straight_ahead_m"] + profile["dock_straight_behind_m"]
    docks = view.shapes("dock_candidates", chosen=True)
    wires = shapely.union_all([loop.line for loop in view.loops])
    pieces = view.rows("hand_mow")
    for _, piece in pieces[pieces["reason"] == "dock_straight"].iterrows():
        past = piece["geometry"].buffer(profile["setback_m"]["flush"] + 0.03)
        sides = [np.array(pair) for line in shapely.get_parts(wires) for pair in pairwise(line.coords)]
        beside = [(shapely.LineString(side).intersection(past).length, side[1] - side[0]) for side in sides]
        longest = max(beside, key=lambda item: item[0])[1]
        # The loop begins at its dock, in the middle of a straight.
        straight_m = sum(m for m, way in beside if way @ longest > 0.999 * np.hypot(*way) * np.hypot(*longest))
        if straight_m < need_m - 0.05:
            yield piece["area_id"], f"the wire is straight for {straight_m:.2f} m past it, not for {need_m:g} m"
        if not any(dock.dwithin(past, 0.05) for dock in docks):
            yield piece["area_id"], "no dock stands there"


def bumped_things(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """What is bumped, trees apart, is drawn as rigid and so high that a bumper feels it."""
    felt: list[BaseGeometry] = []
    for layer, column, soft in (("obstacles", "rigid", [False]), ("barriers", "kind", ["hedge", "drop"])):
        if layer in view.site and "height_m" in view.site[layer]:
            some = view.site[layer]
            rigid = ~some[column].isin(soft) & (some[column].notna() | (layer == "barriers"))
            high = pd.to_numeric(some["height_m"]) >= profile["bump_height_min_m"]
            felt += list(some.geometry[rigid & high])
    for _, row in view.rows("keepouts").iterrows():
        bumped = (row["reason"], row["treatment"]) == ("obstacle", "bump")
        # A point is given a disc, a line a strip: what is drawn lies in the middle of it.
        if bumped and not any(row["geometry"].buffer(0.02).intersects(shape) for shape in felt):
            yield row["keepout_id"], "it is bumped, and nothing rigid of that height is drawn there"


def joins_within_reach(view: ParcelView, profile: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Reels end on wire along an edge, unless the whole reel has none that is long enough to work on."""
    joins = view.rows("joins")
    reel_m = profile["wire_reel_m"] / (1 + profile["wire_slack_percent"] / 100)
    for loop in view.loops:
        own, length = joins[joins["loop_id"] == loop.loop_id], float(loop.row["length_m"])
        closing = own.loc[own["why"] == "closing", "chainage_m"].to_numpy(dtype=float)
        if len(closing) != 1 or min(closing[0], abs(closing[0] - length)) > 0.02:
            yield loop.loop_id, f"it is closed at {closing.tolist()} m, not where it begins"
        at = np.sort(own.loc[own["why"] == "reel_end", "chainage_m"].to_numpy(dtype=float))
        edges = _edge_stretches_m(loop)
        for before, place in pairwise([0.0, *at, length]):
            if place - before > reel_m + 0.01:
                yield loop.loop_id, f"a reel of {place - before:.2f} m"
        for before, place in pairwise([0.0, *at]):
            on_edge = any(low + JOIN_ROOM_M <= place <= high - JOIN_ROOM_M for low, high in edges)
            could = any(min(high, before + reel_m) - max(low, before) > 1.0 for low, high in edges)
            if could and not on_edge:
                yield loop.loop_id, f"a join at {place:.2f} m, where no edge is"


def _edge_stretches_m(loop: Loop) -> list[tuple[float, float]]:
    """Chainages between which the wire follows edges without a break."""
    found: list[tuple[float, float]] = []
    for run in loop.runs:
        if run.kind == "edge" and found and abs(found[-1][1] - run.from_m) < 1e-3:
            found[-1] = (found[-1][0], run.to_m)
        elif run.kind == "edge":
            found.append((run.from_m, run.to_m))
    return found
