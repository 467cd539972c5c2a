"""An independent checker of rules 1 to 12 that every plan obeys.

It reads a finished ``plan.gpkg`` beside the site that it was made from, and shares no code with the planner. Each rule
is one function over one parcel; rule 11 and the shape of the file (rule 0) are about the file as a whole.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
import shapely.ops
from mower_rules import mowers_add_up, mowers_apart
from numpy.typing import NDArray
from plan_view import (
    LEADS,
    Array,
    LeadPair,
    Loop,
    ParcelView,
    Run,
    Terrain,
    Violation,
    at_chainage,
    chainages,
    deflections_deg,
    largest_gap_m,
    parcel_views,
    place,
    read_layers,
    read_site,
    winding_numbers,
    without_repeats,
)
from scipy.ndimage import correlate, label
from shape import content_violations, file_violations, missing_parts
from shapely.geometry.base import BaseGeometry
from trade_rules import (
    border_problems,
    bumped_things,
    chords_for_docks,
    crossed_paving,
    docks_in_zones,
    docks_near_vehicles,
    drop_problems,
    joins_within_reach,
)

COINCIDE_M = 0.001 + 1e-4
"""Lines that ought to be the same may be a millimetre apart, and a hair for the way through the CRS."""
SETBACK_TOLERANCE_M = 0.02
ON_ZONE_TOLERANCE_M = 0.01
GAP_TOLERANCE_M = 0.005
NEAR_WIRE_M = 0.05
SHARPEST_BEND_DEG = 50.0
ANGLE_TOLERANCE_DEG = 0.5
SAME_BEND_M = 0.005
"""Two bends closer than this are one bend: a square corner is not cut by splitting its vertex in two."""
PEGGED_BEND_DEG = 20.0
SHORTEST_CROSSING_M = 0.05
SAMPLE_SEED = 20
STYLES = "layer_styles"
"""Table of styles that a GIS finds in a GeoPackage: no layer of the plan, and of no parcel."""

Profile = dict[str, Any]
Found = Iterator[tuple[str, str]]


def violations(
    plan_path: Path | str,
    site_path: Path | str,
    profile: Profile,
    *,
    inputs_before: dict[str, str] | None = None,
) -> list[Violation]:
    """Return every place where a plan breaks the contract.

    Parameters
    ----------
    plan_path
        The finished ``plan.gpkg``.
    site_path
        The GeoPackage or folder that it was made from.
    profile
        Keys as in ``CONTRACT_PROFILE``.
    inputs_before
        `file_hashes` of the site from before the run, when there are any.
    """
    plan_path, site_path = Path(plan_path), Path(site_path)
    found = list(rule_11_whole_and_untouched(plan_path, site_path, inputs_before))
    if not plan_path.exists():
        return found
    plan = {name: table for name, table in read_layers(plan_path).items() if name != STYLES}
    absent = missing_parts(plan)
    if absent:
        return found + absent
    dem = (site_path if site_path.is_dir() else site_path.parent) / "dem.tif"
    terrain = dem if dem.exists() else None
    return found + file_violations(plan_path) + table_violations(plan, read_site(site_path), profile, terrain)


def table_violations(
    plan: dict[str, pd.DataFrame],
    site: dict[str, geopandas.GeoDataFrame],
    profile: Profile,
    dem: Path | None = None,
) -> list[Violation]:
    """The contents of the tables, and the rules that are about a parcel; rule 12 with a terrain model alone."""
    found = content_violations(plan) + unplanned_parcels(plan, site)
    for view in parcel_views(plan, site, dem):
        found += parcel_violations(view, profile)
    return found


def parcel_violations(view: ParcelView, profile: Profile) -> list[Violation]:
    """The rules that are about one parcel; a rule that a stop finding names is excused."""
    if view.status == "failed":
        return []
    excused = excused_rules(view.rows("findings"))
    return [
        Violation(number, view.parcel_id, where, text)
        for number, rule in RULES.items()
        if number not in excused
        for where, text in rule(view, profile)
    ]


def excused_rules(findings: pd.DataFrame) -> set[int]:
    """Rules that a finding of severity stop names, in its code or its text."""
    stops = findings[findings["severity"] == "stop"]
    texts = stops["code"].fillna("") + " " + stops["text"].fillna("")
    return {int(number) for text in texts for number in re.findall(r"\brule[\s_-]*(\d+)\b", text, re.IGNORECASE)}


def unplanned_parcels(plan: dict[str, pd.DataFrame], site: dict[str, geopandas.GeoDataFrame]) -> list[Violation]:
    """Parcels of the site that the plan is silent about, and a plan in another CRS than theirs."""
    if "parcels" not in site:
        return [Violation(0, None, "site", "the site has no parcels to compare with")]
    parcels = site["parcels"]
    found = []
    if plan["summary"].crs != parcels.crs:
        found.append(Violation(0, None, "summary", f"CRS is {plan['summary'].crs}, the parcels' is {parcels.crs}"))
    if "parcel_id" in parcels:
        silent = set(parcels["parcel_id"].dropna()) - set(plan["summary"]["parcel_id"])
        found += [Violation(0, str(parcel), "summary", "the parcel is not in the plan") for parcel in sorted(silent)]
    return found


# Rule 1 ------------------------------------------------------------------------------------------------------------


def rule_1_closed_loop(view: ParcelView, profile: Profile) -> Found:
    """One closed line per loop from its dock to its dock, given back by its runs, with chainage without holes."""
    yield from docks_near_vehicles(view, profile)
    yield from docks_in_zones(view, profile)
    yield from chords_for_docks(view, profile)
    for loop in view.loops:
        yield from ((loop.loop_id, text) for text in _loop_closure(view, loop))
        yield from ((f"{loop.loop_id} {where}", text) for where, text in _runs_in_order(loop))
    served = set(view.rows("zones")["loop_id"].dropna()) - {""}
    for loop in view.loops:
        if loop.loop_id not in served:
            yield loop.loop_id, "no zone belongs to this loop"


def _loop_closure(view: ParcelView, loop: Loop) -> Iterator[str]:
    if np.hypot(*(loop.xy[0] - loop.xy[-1])) > COINCIDE_M:
        yield "the line is not closed"
    planar = loop.line.length
    said = float(loop.row["plan_length_m"])
    if abs(said - planar) > _rounding(planar):
        yield f"plan_length_m is {said:.3f}, measured {planar:.3f}"
    if float(loop.row["length_m"]) < said - _rounding(said):
        yield "length along the slope is less than the length in plan"
    docks = view.shapes("dock_candidates", chosen=True)
    if loop.row["source"] != "dock":
        return
    away = min((dock.distance(shapely.Point(loop.xy[0])) for dock in docks), default=np.inf)
    if away > COINCIDE_M:
        yield f"the nearest chosen dock is {away:.3f} m from where the wire starts"


def _runs_in_order(loop: Loop) -> Found:
    if not loop.runs:
        yield "runs", "there are none"
        return
    if len({run.seq for run in loop.runs}) != len(loop.runs):
        yield "runs", "seq is not unique"
    for before, after in pairwise(loop.runs):
        apart = float(np.hypot(*(before.xy[-1] - after.xy[0])))
        if apart > COINCIDE_M:
            yield after.place, f"begins {apart:.3f} m from the end of the one before"
        if abs(after.from_m - before.to_m) > COINCIDE_M:
            yield after.place, f"from_m {after.from_m} does not follow to_m {before.to_m}"
    apart = largest_gap_m(np.concatenate([run.xy for run in loop.runs]), loop.xy)
    if apart > COINCIDE_M:
        yield "runs", f"joined in order they are up to {apart:.3f} m from wire_path"
    yield from _chainage_of_runs(loop)


def _chainage_of_runs(loop: Loop) -> Found:
    if abs(loop.runs[0].from_m) > COINCIDE_M:
        yield loop.runs[0].place, f"chainage begins at {loop.runs[0].from_m} m"
    length = float(loop.row["length_m"])
    if abs(loop.runs[-1].to_m - length) > _rounding(length):
        yield loop.runs[-1].place, f"chainage ends at {loop.runs[-1].to_m} m of {length} m"
    for run in loop.runs:
        along, planar = run.to_m - run.from_m, run.line.length
        if along < planar - _rounding(planar) or along > 1.5 * planar + _rounding(planar):
            yield run.place, f"from_m to to_m is {along:.3f} m, the line in plan is {planar:.3f} m"


def _rounding(value: float, unit: float = 0.01) -> float:
    """What may lie between a figure and its measure: the figure's last digit, and 1e-5 for the plane."""
    return unit + 1e-5 * abs(value)


# Rule 2 ------------------------------------------------------------------------------------------------------------


def rule_2_winding(view: ParcelView, profile: Profile) -> Found:
    """Winding number +1 at mowable ground inside the loop; 0 on islands, outside, and nowhere anything else."""
    random = np.random.default_rng(SAMPLE_SEED)
    for loop in view.loops:
        ground = shapely.union_all([*loop.zones, *passed_over(view)])
        strips = [run.line for run in loop.of_kind("passage")]
        beside = shapely.buffer(shapely.union_all(strips), profile["passage_wire_gap_m"] + 2 * NEAR_WIRE_M)
        points = _samples(view, loop, random)
        points = points[shapely.distance(loop.line, shapely.points(points)) > NEAR_WIRE_M]
        turns = winding_numbers(loop.xy, points)
        yield from _strange_turns(loop, points, turns)
        yield from _turns_outside(
            loop, points, turns, shapely.union_all([ground, beside, *crossed_paving(view, profile)])
        )
        yield from _left_out(view, loop, points[turns == 0], profile)


def passed_over(view: ParcelView) -> list[BaseGeometry]:
    """What lies inside the wire though it is no zone: what may be bumped, and ground that the signal doesn't reach."""
    return view.shapes("keepouts", treatment="bump") + view.shapes("hand_mow", reason="out_of_signal")


def _samples(view: ParcelView, loop: Loop, random: np.random.Generator) -> Array:
    """A grid and random points over the loop's surroundings, and points of every zone and island."""
    low, high = loop.xy.min(axis=0) - 3, loop.xy.max(axis=0) + 3
    steps = [np.linspace(low[i], high[i], 24) for i in (0, 1)]
    grid = np.stack(np.meshgrid(*steps), axis=-1).reshape(-1, 2)
    patches = [*loop.zones, *view.shapes("keepouts", treatment="island")]
    inner = [random.uniform(p.bounds[:2], p.bounds[2:], size=(60, 2)) for p in patches]
    middles = [shapely.get_coordinates(shapely.point_on_surface(p)) for p in patches]
    return np.concatenate([grid, random.uniform(low, high, size=(400, 2)), *inner, *middles])


def _strange_turns(loop: Loop, points: Array, turns: NDArray[np.int_]) -> Found:
    strange = ~np.isin(turns, (0, 1))
    if strange.any():
        first = points[strange][0]
        yield loop.loop_id, f"winding number {turns[strange][0]} at {place(first)}, and {strange.sum() - 1} more"


def _turns_outside(loop: Loop, points: Array, turns: NDArray[np.int_], ground: BaseGeometry) -> Found:
    wrong = (turns != 0) & ~shapely.intersects_xy(ground, points)
    if wrong.any():
        first = points[wrong][0]
        yield loop.loop_id, f"winding number {turns[wrong][0]} off the zones at {place(first)}, {wrong.sum()} points"


def _left_out(view: ParcelView, loop: Loop, outside: Array, profile: Profile) -> Found:
    """Mowable ground that the wire leaves out although nothing near enough asks for it, nor anybody on site."""
    edges = view.rows("edges")
    for zone_id, zone in zip(loop.zone_ids, loop.zones, strict=True):
        if re.search(r"lie outside it.*\(rule 2\)", said_of_drawn_wire(view, [zone_id])):
            continue
        setbacks = edges.loc[edges["zone_id"] == zone_id, "setback_m"]
        margin = float(setbacks.max()) if len(setbacks) else max(profile["setback_m"].values())
        points = outside[shapely.contains_xy(zone, outside)]
        deep = shapely.distance(zone.boundary, shapely.points(points)) > (
            margin + profile["wire_gap_min_m"] + NEAR_WIRE_M
        )
        if deep.any():
            yield f"{loop.loop_id} {zone_id}", f"mowable ground not enclosed at {place(points[deep][0])}"


# Rule 3 ------------------------------------------------------------------------------------------------------------


def rule_3_setback(view: ParcelView, profile: Profile) -> Found:
    """Runs of kind edge and island are never nearer to the edge that they follow than its setback, less 2 cm.

    Two readings of "the edge that they follow", and both must hold: any edge of the run's own class, and at each
    place the nearest edge, whatever its class. For the second to mean something, edges must cover the outline.
    """
    edges = view.rows("edges")
    for _, edge in edges.iterrows():
        if edge["edge_class"] == "drop":
            yield from ((edge["edge_id"], text) for text in drop_problems(view, edge, profile))
        elif not _kept(float(edge["setback_m"]), edge["edge_class"], profile, moved=MOVED in str(edge["evidence"])):
            yield edge["edge_id"], f"setback_m {edge['setback_m']} is not the profile's for {edge['edge_class']}"
    for loop in view.loops:
        own = edges[edges["zone_id"].isin(loop.zone_ids)]
        yield from _uncovered_outline(view, loop, own)
        less = set(re.findall(r"to the (\w+) edge instead of .*?\(rule 3\)", said_of_drawn_wire(view, loop.zone_ids)))
        for run in loop.of_kind("edge", "island"):
            where = f"{loop.loop_id} {run.place}"
            yield from ((where, text) for text in _run_setback(run, own, profile, drawn=run.edge_class in less))
            yield from ((where, text) for text in _nearest_edge_setback(run, own, drawn=run.edge_class in less))


MOVED = "on the walk around"
"""In the evidence of an edge: somebody moved the wire there, onto the lawn alone."""


def _kept(setback_m: float, edge_class: str, profile: Profile, *, moved: bool) -> bool:
    """Whether a setback is the profile's; more than that where the wire was moved, and never less."""
    least = profile["setback_m"].get(edge_class, np.nan)
    return setback_m >= least - COINCIDE_M if moved else abs(setback_m - least) <= COINCIDE_M


def said_of_drawn_wire(view: ParcelView, zone_ids: Iterable[str]) -> str:
    """What findings say of wire that somebody drew for zones: its runs keep what their own `setback_m` says."""
    findings = view.rows("findings")
    texts = findings.loc[findings["code"] == "drawn-wire", "text"]
    return " | ".join(text for text in texts if any(f"{zone_id} " in text for zone_id in zone_ids))


def _uncovered_outline(view: ParcelView, loop: Loop, edges: pd.DataFrame) -> Found:
    """Outline of a zone without an edge; what the wire takes no notice of needs none."""
    covered = shapely.union_all([*edges.geometry, *passed_over(view)])
    near = shapely.buffer(covered, ON_ZONE_TOLERANCE_M)
    for zone_id, zone in zip(loop.zone_ids, loop.zones, strict=True):
        bare = zone.boundary.difference(near).length
        if bare > SHORTEST_CROSSING_M:
            yield zone_id, f"{bare:.2f} m of its outline have no row in edges"


def _run_setback(run: Run, edges: pd.DataFrame, profile: Profile, *, drawn: bool) -> Iterator[str]:
    wanted = profile["setback_m"].get(run.edge_class)
    if wanted is None:
        yield f"its edge_class is {run.edge_class}"
        return
    same_class = edges[edges["edge_class"] == run.edge_class]
    if same_class.empty:
        yield f"its zones have no edge of class {run.edge_class}"
        return
    if run.edge_class == "drop":
        # Each has its own; a run follows the nearest, so it keeps that from all.
        known = same_class["setback_m"].to_numpy(dtype=float)
        wanted = float(known[np.argmin(np.abs(known - run.setback_m))])
    wanted = min(wanted, run.setback_m) if drawn else wanted
    moved = same_class["setback_m"][same_class["evidence"].astype(str).str.contains(MOVED)]
    if not (abs(run.setback_m - wanted) <= COINCIDE_M or (abs(moved - run.setback_m) <= COINCIDE_M).any()):
        yield f"setback_m {run.setback_m} is not the profile's for {run.edge_class}"
    away = run.line.distance(shapely.union_all(list(same_class.geometry)))
    if away < wanted - SETBACK_TOLERANCE_M:
        yield f"{away:.3f} m from edges of its class {run.edge_class}, whose setback is {wanted} m"


def _nearest_edge_setback(run: Run, edges: pd.DataFrame, *, drawn: bool) -> Iterator[str]:
    """At each place the edge that is followed is the nearest one, whatever the run says of itself."""
    if edges.empty:
        return
    length = chainages(run.xy)[-1]
    points = at_chainage(run.xy, np.union1d(chainages(run.xy), np.arange(0, length, 0.1)))
    lines, setbacks = edges.geometry.to_numpy(), edges["setback_m"].to_numpy(dtype=float)
    (at, edge), away = shapely.STRtree(lines).query_nearest(shapely.points(points), return_distance=True)
    asked = np.full(len(points), np.inf)
    np.minimum.at(asked, at, np.minimum(setbacks[edge], run.setback_m) if drawn else setbacks[edge])
    reached = np.full(len(points), np.inf)
    np.minimum.at(reached, at, away)
    short = asked - SETBACK_TOLERANCE_M - reached
    worst = int(np.argmax(short))
    if short[worst] > 0:
        yield f"{reached[worst]:.3f} m from an edge whose setback is {asked[worst]} m, at {place(points[worst])}"


# Rule 4 ------------------------------------------------------------------------------------------------------------


def rule_4_gentle_bends(view: ParcelView, profile: Profile) -> Found:
    """No bend of wire other than leads is sharper than 50 degrees, joints between runs and at the dock included.

    Leads are cut out first, so that a sharp corner is not hidden by letting a lead begin at it.
    """
    for loop in view.loops:
        for ring in filter(None, loop.taken_apart.rings):
            xy = without_repeats(np.concatenate([run.xy for run in ring]), SAME_BEND_M)
            if np.hypot(*(xy[0] - xy[-1])) < SAME_BEND_M:
                xy = np.concatenate([xy[:-1], xy[:2]])
            bends = deflections_deg(xy)
            sharp = bends > SHARPEST_BEND_DEG + ANGLE_TOLERANCE_DEG
            for angle, at in zip(bends[sharp], xy[1:-1][sharp], strict=True):
                yield loop.loop_id, f"a bend of {angle:.1f} degrees at {place(at)}"


# Rule 5 ------------------------------------------------------------------------------------------------------------


def rule_5_leads(view: ParcelView, profile: Profile) -> Found:
    """Out and back coincide, no lead crosses another nor any other wire, and the leads form a tree."""
    for loop in view.loops:
        apart = loop.taken_apart
        yield from ((loop.loop_id, problem) for problem in apart.problems)
        for pair in apart.pairs:
            yield from ((loop.loop_id, text) for text in _pair_problems(pair))
        yield from ((loop.loop_id, text) for text in _tree_problems(loop))
        yield from ((loop.loop_id, text) for text in _crossings(loop))


def _pair_problems(pair: LeadPair) -> Iterator[str]:
    names = f"runs {pair.out.seq} and {pair.back.seq}"
    gap = largest_gap_m(pair.out.xy, pair.back.xy[::-1])
    if gap > COINCIDE_M:
        yield f"{names}, the two wires of a lead, are up to {gap:.3f} m apart"
    if pair.out.island_id != pair.back.island_id:
        yield f"{names} name different islands, {pair.out.island_id} and {pair.back.island_id}"


def _tree_problems(loop: Loop) -> Iterator[str]:
    outer, *inner = loop.taken_apart.rings
    if any(run.kind == "island" for run in outer):
        yield "an island is reached without a lead"
    visited: list[str] = []
    for ring in inner:
        if not ring:
            yield "a lead that goes round nothing"
            continue
        if np.hypot(*(ring[0].xy[0] - ring[-1].xy[-1])) > COINCIDE_M:
            yield f"the wire round what run {ring[0].seq} begins does not come back to its lead"
        visited += sorted({run.island_id for run in ring if run.island_id})
    for island in {name for name in visited if visited.count(name) > 1}:
        yield f"island {island} is reached by more than one lead: the leads are no tree"


def _crossings(loop: Loop) -> Iterator[str]:
    leads = [pair.out for pair in loop.taken_apart.pairs]
    for a, b in combinations(leads, 2):
        if _cross(_inner(a), _inner(b)):
            yield f"leads {a.place} and {b.place} cross"
    other = [run for run in loop.runs if not run.is_lead]
    tree = shapely.STRtree([run.line for run in other])
    for lead in leads:
        for hit in tree.query(_inner(lead), predicate="intersects"):
            yield f"lead {lead.place} crosses {other[hit].place}"


def _inner(lead: Run) -> BaseGeometry:
    """A lead without its last 2 mm at either end, where it rightly meets other wire."""
    length = lead.line.length
    return shapely.ops.substring(lead.line, min(0.002, length / 2), max(length - 0.002, length / 2))


def _cross(a: BaseGeometry, b: BaseGeometry) -> bool:
    common = shapely.get_parts(shapely.intersection(a, b))
    return bool((shapely.get_type_id(common) == 0).any())


# Rule 6 ------------------------------------------------------------------------------------------------------------


def rule_6_wire_gap(view: ParcelView, profile: Profile) -> Found:
    """No two stretches of wire apart from leads come closer than the profile's gap, unless they are neighbours.

    Leads are cut out first, so that a loop is a set of closed rings (the outer one, one round each island). Two places
    are neighbours when they lie on one ring with no more than twice the gap between them along it: that is more than
    a half turn of the tightest bend the gap allows (pi / 2 times the gap).
    """
    gap = float(profile["wire_gap_min_m"])
    wire = _wire_pieces(view, gap / 6)
    if wire is None:
        return
    a, b = shapely.STRtree(wire.lines).query(wire.lines, predicate="dwithin", distance=gap - GAP_TOLERANCE_M)
    a, b = a[a < b], b[a < b]
    along = np.abs(wire.middle_m[a] - wire.middle_m[b])
    along = np.minimum(along, wire.ring_length_m[a] - along)
    in_passage = wire.in_passage[a] & wire.in_passage[b]
    least = np.where(in_passage, min(gap, float(profile["passage_wire_gap_m"])), gap) - GAP_TOLERANCE_M
    apart = shapely.distance(wire.lines[a], wire.lines[b])
    near = ((wire.ring[a] != wire.ring[b]) | (along > 2 * gap + gap / 6)) & (apart < least)
    if near.any():
        worst = np.flatnonzero(near)[np.argmin(apart[near])]
        at = shapely.get_coordinates(wire.lines[a[worst]])[0]
        yield "wire", f"two stretches {apart[worst]:.3f} m apart, least is {gap} m, at {place(at)}"


@dataclass(frozen=True)
class WirePieces:
    """All wire of a parcel but its leads, cut short: arrays of one value per piece."""

    lines: NDArray[np.object_]
    ring: NDArray[np.int_]
    middle_m: Array
    ring_length_m: Array
    in_passage: NDArray[np.bool_]


def _wire_pieces(view: ParcelView, longest_m: float) -> WirePieces | None:
    ends: list[Array] = []
    facts: list[tuple[int, float, float, bool]] = []
    rings = [ring for loop in view.loops for ring in loop.taken_apart.rings]
    for number, ring in enumerate(rings):
        length, before = sum(run.line.length for run in ring), 0.0
        for run in ring:
            xy = shapely.get_coordinates(shapely.segmentize(run.line, longest_m))
            along = before + chainages(xy)
            ends.append(np.stack([xy[:-1], xy[1:]], axis=1))
            facts += [(number, mid, length, run.kind == "passage") for mid in (along[:-1] + along[1:]) / 2]
            before += run.line.length
    if not facts:
        return None
    columns = (np.asarray(column) for column in zip(*facts, strict=True))
    return WirePieces(shapely.linestrings(np.concatenate(ends)), *columns)


# Rule 7 ------------------------------------------------------------------------------------------------------------


def rule_7_pegs(view: ParcelView, profile: Profile) -> Found:
    """Neighbouring pegs are no further apart than the spacing, bends over 20 degrees have one, all are on the wire."""
    pegs = view.rows("pegs")
    for loop in view.loops:
        own = pegs[pegs["loop_id"] == loop.loop_id].sort_values("chainage_m")
        if own.empty:
            yield loop.loop_id, "it has no pegs"
            continue
        yield from ((loop.loop_id, text) for text in _peg_gaps(loop, own, profile))
        yield from ((loop.loop_id, text) for text in _bare_bends(loop, own))
        yield from ((loop.loop_id, text) for text in _misplaced_pegs(loop, own))
        yield from ((loop.loop_id, text) for text in _first_pass(view, loop, own, profile))


def _peg_gaps(loop: Loop, pegs: pd.DataFrame, profile: Profile) -> Iterator[str]:
    if not pegs["peg_no"].is_monotonic_increasing or pegs["peg_no"].duplicated().any():
        yield "peg_no does not count along the chainage"
    stops = np.concatenate([[0.0], pegs["chainage_m"].to_numpy(dtype=float), [float(loop.row["length_m"])]])
    gaps = np.diff(stops)
    widest = int(np.argmax(gaps))
    if gaps[widest] > profile["peg_spacing_straight_m"] + 0.01:
        yield f"{gaps[widest]:.3f} m without a peg after chainage {stops[widest]:.2f} m"


def _bare_bends(loop: Loop, pegs: pd.DataFrame) -> Iterator[str]:
    ring = without_repeats(loop.xy, 0.001)
    around = np.concatenate([ring, ring[1:2]])
    bends = around[1:-1][deflections_deg(around) > PEGGED_BEND_DEG]
    if not len(bends):
        return
    away = shapely.distance(shapely.points(bends), shapely.MultiPoint(list(pegs.geometry)))
    if (away > 0.02).any():
        yield f"{(away > 0.02).sum()} bends over 20 degrees without a peg, the first at {place(bends[away > 0.02][0])}"


def _misplaced_pegs(loop: Loop, pegs: pd.DataFrame) -> Iterator[str]:
    """A peg lies where its chainage says; within a run the slope may vary by as much as the run's own surplus."""
    starts = np.array([run.from_m for run in loop.runs])
    for number, chainage, peg in zip(pegs["peg_no"], pegs["chainage_m"], pegs.geometry, strict=True):
        run = loop.runs[max(0, int(np.searchsorted(starts, chainage + 1e-9, side="right")) - 1)]
        along, planar = max(run.to_m - run.from_m, 1e-9), run.line.length
        expected = at_chainage(run.xy, np.array([(chainage - run.from_m) / along * planar]))[0]
        away = float(np.hypot(peg.x - expected[0], peg.y - expected[1]))
        if away > 0.02 + max(along - planar, 0.0):
            yield f"peg {number} is {away:.3f} m from where its chainage {chainage:.2f} m is"
            return


def _first_pass(view: ParcelView, loop: Loop, pegs: pd.DataFrame, profile: Profile) -> Iterator[str]:
    """What is set before the trial holds the wire where it turns, is joined, and enters or leaves leads and passages.

    Where two pegs of the first pass are no neighbours, they are no further apart than its spacing, and the wire
    between them turns, all in all, by no more than a bend that has a peg.
    """
    at, first = pegs["chainage_m"].to_numpy(dtype=float), (pegs["stage"] == "first").to_numpy()
    if not (first.any() and first[0] and first[-1]):
        yield "the first pass does not hold both ends of the wire"
        return
    places = [0.0, float(at[-1])]
    places += [end for run in loop.runs if run.is_lead or run.kind == "passage" for end in (run.from_m, run.to_m)]
    joins = view.rows("joins")
    places += joins["chainage_m"][joins["loop_id"] == loop.loop_id].tolist()
    line, vertices, turns = _turns_along(loop)
    sharp = np.abs(turns) > PEGGED_BEND_DEG
    for bend in line[sharp]:
        if not first[int(np.argmin(shapely.distance(list(pegs.geometry), shapely.Point(bend))))]:
            yield f"the peg at the bend at {place(bend)} waits until after the trial"
            return
    for held in places:
        before, after = at[at <= held + 0.01], at[at >= held - 0.01]
        for peg in ([before[-1]] if len(before) else []) + ([after[0]] if len(after) else []):
            if not first[int(np.argmin(np.abs(at - peg)))]:
                yield f"the peg at {peg:.2f} m beside chainage {held:.2f} m waits until after the trial"
                return
    numbers = np.flatnonzero(first)
    for a, b in pairwise(numbers.tolist()):
        if b > a + 1:
            if at[b] - at[a] > profile["peg_spacing_first_m"] + 0.01:
                yield f"{at[b] - at[a]:.2f} m without a peg of the first pass after chainage {at[a]:.2f} m"
                return
            turn = float(turns[~sharp & (vertices > at[a] + 0.05) & (vertices < at[b] - 0.05)].sum())
            if abs(turn) > PEGGED_BEND_DEG + 0.5:
                yield f"the wire turns by {turn:.0f} degrees between pegs of the first pass after {at[a]:.2f} m"
                return


def _turns_along(loop: Loop) -> tuple[Array, Array, Array]:
    """Inner vertices of a loop, their chainages to some centimetres, and how far the wire turns left there [deg]."""
    xy, at = [loop.runs[0].xy[:1]], [np.array([0.0])]
    for run in loop.runs:
        along = chainages(run.xy)
        xy.append(run.xy[1:])
        at.append(run.from_m + along[1:] / max(along[-1], 1e-9) * (run.to_m - run.from_m))
    line, chainage = np.concatenate(xy), np.concatenate(at)
    steps = np.diff(line, axis=0)
    kept = np.hypot(*steps.T) > 0.001
    angles = np.degrees(np.arctan2(*steps[kept].T[::-1]))
    return line[:-1][kept][1:], chainage[:-1][kept][1:], (np.diff(angles) + 180.0) % 360.0 - 180.0


# Rule 8 ------------------------------------------------------------------------------------------------------------

CROSSED_WORDS = {
    "hard_surfaces": r"pav|path|drive|terrace|surface|cross",
    "beds": r"\bbeds?\b|flower|shrub|hedge|vegetable|border",
    "water": r"water|pond|pool|stream",
    "streets": r"street|road",
}
"""How a finding may name what the wire crosses, per layer of the site."""


def rule_8_on_its_zone(view: ParcelView, profile: Profile) -> Found:
    """Outside leads and passages the wire stays on its zone, and findings name what leads and passages cross."""
    yield from border_problems(view, profile)
    bumps = view.shapes("keepouts", treatment="bump")
    for loop in view.loops:
        ground = shapely.buffer(shapely.union_all([*loop.zones, *bumps]), ON_ZONE_TOLERANCE_M)
        for run in loop.of_kind("edge", "corner", "island"):
            off = run.line.difference(ground).length
            if off > 1e-6:
                yield f"{loop.loop_id} {run.place}", f"{off:.3f} m of it lie off its zones"
        for run in loop.of_kind("passage", *LEADS):
            yield from ((f"{loop.loop_id} {run.place}", text) for text in _unnamed_crossings(view, run, ground))


def _unnamed_crossings(view: ParcelView, run: Run, ground: BaseGeometry) -> Iterator[str]:
    off = run.line.difference(ground)
    findings = view.rows("findings")
    said = " | ".join(findings["code"].fillna("") + " " + findings["text"].fillna("")).lower()
    off_lawn = off.difference(shapely.buffer(shapely.union_all(view.shapes("lawn")), ON_ZONE_TOLERANCE_M))
    if off_lawn.length > SHORTEST_CROSSING_M and "cross" not in said:
        yield f"{off_lawn.length:.2f} m of it cross ground off the lawn, and no finding says so"
    for layer, words in CROSSED_WORDS.items():
        if layer in view.site and not re.search(words, said):
            crossed = off.intersection(shapely.union_all(list(view.site[layer].geometry))).length
            if crossed > SHORTEST_CROSSING_M:
                yield f"it crosses {crossed:.2f} m of {layer}, and no finding says so"
    if "buildings" in view.site:
        through = run.line.intersection(shapely.union_all(list(view.site["buildings"].geometry))).length
        if through > SHORTEST_CROSSING_M:
            yield f"{through:.2f} m of it run through a building"


# Rule 9 ------------------------------------------------------------------------------------------------------------


def rule_9_sums(view: ParcelView, profile: Profile) -> Found:
    """The summary, the materials and the columns of lengths and areas agree with the layers, to rounding."""
    row = view.rows("summary").iloc[0]
    for column, (counted, tolerance) in _summary_figures(view).items():
        said = _number(row[column])
        if abs(said - counted) > tolerance:
            yield "summary", f"{column} is {said:g}, the layers give {counted:.3f}"
    yield from _impossible_hours(view)
    yield from _wire_total(view, _number(row["wire_m"]))
    yield from _material_problems(view)
    yield from _lead_totals(view)
    yield from _measured_columns(view)
    chosen = view.rows("dock_candidates")
    scores = [_number(score) for score in chosen.loc[chosen["chosen"] == True, "score"]]  # noqa: E712
    if scores and min(abs(score - _number(row["dock_score"])) for score in scores) > 0.006:
        yield "summary", f"dock_score is {row['dock_score']}, the chosen dock's is {scores[0]}"


def _summary_figures(view: ParcelView) -> dict[str, tuple[float, float]]:
    """What the layers say, and how far a rounded figure may be from it."""
    findings = view.rows("findings")
    figures = {
        "zones": (len(view.rows("zones")), 0.0),
        "loops": (len(view.rows("wire_path")), 0.0),
        "pegs": (len(view.rows("pegs")), 0.0),
        "visit_checks": (len(view.rows("visit_checks")), 0.0),
        "stop_findings": (int((findings["severity"] == "stop").sum()), 0.0),
        "lawn_m2": _total(view, "lawn", "area_m2", 0.06),
        "mowable_m2": _total(view, "zones", "area_m2", 0.06),
        "lead_m": _total(view, "wire_path", "lead_m", 0.06),
        "mowing_hours_week": _mowing_hours(view),
    }
    if view.rows("materials")["amount"].notna().any():
        figures["amount"] = _total(view, "materials", "amount", 0.006)
    return figures


def _impossible_hours(view: ParcelView) -> Found:
    """No mower is planned for more hours than a week has, and no more hours are missing than it takes."""
    row, week = view.rows("summary").iloc[0], view.rows("schedule")
    planned, missing = (_number(row[name]) for name in ("mowing_hours_week", "missing_hours_week"))
    if not 0 <= missing <= planned + 0.02:
        yield "summary", f"missing_hours_week is {missing:g} of {planned:g} hours"
    loops = view.rows("zones").set_index("zone_id")["loop_id"]
    hours = (week["mowing_h"] + week["charging_h"]).astype(float).groupby(week["zone_id"].map(loops)).sum()
    for loop, busy in hours[hours > 168].items():
        yield "schedule", f"a week has 168 hours, and the mower of {loop} is planned for {busy:g}"


def _mowing_hours(view: ParcelView) -> tuple[float, float]:
    """Hours of the week's sessions and those that find no room; sessions are of whole minutes, a zone's rounded up."""
    mowing, _ = _total(view, "schedule", "mowing_h", 0.0)
    return mowing + _number(view.rows("summary").iloc[0]["missing_hours_week"]), len(view.rows("zones")) / 60 + 0.02


def _total(view: ParcelView, layer: str, column: str, last_digit: float) -> tuple[float, float]:
    values = view.rows(layer)[column].dropna().astype(float)
    return float(values.sum()), _rounding(float(values.sum()), last_digit * (1 + len(values) / 10))


def _number(value: Any) -> float:
    return 0.0 if pd.isna(value) else float(value)


def _wire_total(view: ParcelView, said: float) -> Found:
    wire = view.rows("wire_path")
    laid, slack = (wire[name].astype(float).sum() for name in ("length_m", "slack_m"))
    if min(abs(said - laid), abs(said - laid - slack)) > _rounding(laid, 0.1):
        yield "summary", f"wire_m is {said:g}, the loops have {laid:.2f} m and {slack:.2f} m of slack"


def _material_problems(view: ParcelView) -> Found:
    zones, materials = view.rows("zones"), view.rows("materials")
    for number, own in zones.groupby("mower_no"):
        yield from _bought_problems(view, set(own["loop_id"]), materials[materials["mower_no"] == number])
    priced = materials.dropna(subset=["unit_price", "amount"]).astype({"quantity": float})
    off = (priced["quantity"] * priced["unit_price"] - priced["amount"]).abs() > 0.01 + 1e-4 * priced["amount"].abs()
    yield from (("materials", f"{item}: quantity times price is not the amount") for item in priced.loc[off, "item"])


def _bought_problems(view: ParcelView, loops: set[str], materials: pd.DataFrame) -> Found:
    """Wire and pegs of one mower's loops."""
    wire, pegs = (some[some["loop_id"].isin(loops)] for some in (view.rows("wire_path"), view.rows("pegs")))
    laid, slack = (float(wire[name].astype(float).sum()) for name in ("length_m", "slack_m"))
    wanted = {
        "wire": (r"^m$|^met", [laid, laid + slack], 1.0),
        "peg": (r"^(?!pack|box|bag)", [float(len(pegs))], 0.0),
    }
    for word, (unit, amounts, tolerance) in wanted.items():
        rows = materials[
            materials["item"].str.contains(word, case=False) & materials["unit"].str.contains(unit, case=False)
        ]
        said = rows["quantity"].astype(float).to_numpy()
        if rows.empty and max(amounts) > 0:
            yield "materials", f"no {word} among the items"
        elif len(said) and not any(abs(s - a) <= tolerance + 1e-5 * a for s in said for a in amounts):
            yield "materials", f"{word}: {said.tolist()}, the layers give {[round(a, 2) for a in amounts]}"


def _lead_totals(view: ParcelView) -> Found:
    for loop in view.loops:
        leads = sum(run.to_m - run.from_m for run in loop.runs if run.is_lead)
        if abs(leads - float(loop.row["lead_m"])) > _rounding(leads, 0.02):
            yield loop.loop_id, f"lead_m is {loop.row['lead_m']}, its lead runs have {leads:.3f} m"


STEEPEST_CABLE = 1.08
"""A cable is as long as the ground that it lies on: on a bank of 40 % longer by so much than it looks from above."""

MEASURED = (
    ("lawn", "area_m2", shapely.area, 0.06),
    ("keepouts", "area_m2", shapely.area, 0.06),
    ("zones", "area_m2", shapely.area, 0.06),
    ("hand_mow", "area_m2", shapely.area, 0.06),
    ("zones", "perimeter_m", shapely.length, 0.06),
    ("edges", "length_m", shapely.length, 0.06),
    ("supply_route", "length_m", shapely.length, 0.06),
)
"""Columns that are the ground measure of their own row's geometry, and half of their last digit."""


def _measured_columns(view: ParcelView) -> Found:
    for layer, column, measure, last_digit in MEASURED:
        rows = view.rows(layer)
        measured = measure(rows.geometry.to_numpy())
        longest = measured * (STEEPEST_CABLE if layer == "supply_route" else 1.0)
        said = rows[column].to_numpy(dtype=float)
        rounding = last_digit + 1e-5 * measured
        off = (said < measured - rounding) | (said > longest + rounding)
        if off.any():
            first = int(np.flatnonzero(off)[0])
            yield layer, f"{column} is {rows[column].iloc[first]}, measured {measured[first]:.4f}"


# Rule 10 -----------------------------------------------------------------------------------------------------------


def rule_10_areas(view: ParcelView, profile: Profile) -> Found:
    """Zones do not overlap, and with hand_mow, islands and what lies outside they make up the lawn to 0.1 %."""
    zones = np.array(view.shapes("zones"), dtype=object)
    for a, b in zip(*shapely.STRtree(zones).query(zones, predicate="intersects"), strict=True):
        shared = zones[a].intersection(zones[b]).area if a < b else 0.0
        if shared > 1e-3:
            yield "zones", f"two of them share {shared:.4f} m2"
    lawn = shapely.union_all(view.shapes("lawn"))
    parts = {
        "zones": zones,
        "hand_mow": view.shapes("hand_mow"),
        "islands": view.shapes("keepouts", treatment="island"),
        "outside": view.shapes("keepouts", treatment="outside"),
    }
    yield from _lawn_account(lawn, {name: shapely.union_all(shapes) for name, shapes in parts.items()}, view)


def _lawn_account(lawn: BaseGeometry, parts: dict[str, BaseGeometry], view: ParcelView) -> Found:
    allowed = 0.001 * lawn.area + 1e-4
    bumps = shapely.union_all(view.shapes("keepouts", treatment="bump"))
    missing = lawn.difference(shapely.union_all([*parts.values(), bumps])).area
    if missing > allowed:
        yield "lawn", f"{missing:.3f} m2 of {lawn.area:.1f} m2 are in no zone, hand_mow or keep-out"
    for (name_a, a), (name_b, b) in combinations(parts.items(), 2):
        twice = a.intersection(b).intersection(lawn).area
        if twice > allowed:
            yield "lawn", f"{twice:.3f} m2 count both as {name_a} and as {name_b}"
    beyond = parts["zones"].difference(shapely.union(lawn, bumps)).area
    if beyond > allowed:
        yield "zones", f"{beyond:.3f} m2 of them lie off the lawn"


# Rule 11 -----------------------------------------------------------------------------------------------------------


def file_hashes(site: Path | str) -> dict[str, str]:
    """SHA-256 of every file of a site, to compare before and after."""
    site = Path(site)
    files = [path for path in site.rglob("*") if path.is_file()] if site.is_dir() else [site, *_beside(site)]
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files if path.exists()}


def _beside(path: Path) -> list[Path]:
    """Files that belong to a GeoPackage that is not closed, or that was left half made."""
    others = path.parent.glob(f"*{path.stem}*") if path.parent.exists() else ()
    return [other for other in others if re.search(r"-(wal|shm|journal)$|tmp|part", other.name) and other != path]


def rule_11_whole_and_untouched(
    plan_path: Path, site_path: Path, inputs_before: dict[str, str] | None
) -> Iterator[Violation]:
    """The inputs are as they were, and the plan is complete with nothing half made beside it."""
    if inputs_before is not None:
        after = file_hashes(site_path)
        for name in sorted(inputs_before.keys() | after.keys()):
            if inputs_before.get(name) != after.get(name):
                yield Violation(11, None, name, "the input was changed, made or removed")
    if not plan_path.exists():
        yield Violation(11, None, str(plan_path), "there is no plan")
    for other in _beside(plan_path):
        yield Violation(11, None, str(other), "a leftover beside the plan")


# Rule 12 -----------------------------------------------------------------------------------------------------------

PIECE_MIN_M2 = 1.0
DEM_SD_M = 0.10
DEM_CORRELATION_M = 1.0
"""Errors of the terrain model: RMSEz of USGS quality level 1 and 2, alike over a metre."""
LEDGE_M = 1.25
"""Beside walls and drops of the layers the terrain model smears a ledge that the mower never drives on."""
OUTLINE_M = 0.10
"""Outlines are drawn between the cells: what lies this near to a zone's edge may be either's."""
DOUBT_SDS = 1.645
READING_M2 = 10.0
ON_CELL_M = 1.0
"""A reading this near to a cell's centre was taken on it."""


def rule_12_not_too_steep(view: ParcelView, profile: Profile) -> Found:
    """No connected piece of a zone is too steep by its own readings, or by the terrain model where it has none."""
    if view.terrain is None or view.rows("zones").empty:
        return
    cell_m2, slope, noise = _true_slope(view.terrain)
    limit = profile["slope_limit_percent"]
    in_zones = _centres_in(view.terrain, shapely.union_all(view.shapes("zones")).buffer(-OUTLINE_M))
    steep = (slope > limit) & in_zones & ~_centres_in(view.terrain, _ledges(view))
    bank, _ = label((slope > limit - DOUBT_SDS * noise) & np.isfinite(slope), np.ones((3, 3)))
    pieces, count = label(steep)
    readings = _slope_readings(view)
    for piece in (pieces == number for number in range(1, count + 1)):
        if piece.sum() * cell_m2 < PIECE_MIN_M2:
            continue
        whole = bank == bank[piece][0]
        own = [value for spot, value in readings if _taken_on(view.terrain, piece, spot)]
        taken = sum(_taken_on(view.terrain, whole, spot) for spot, _ in readings)
        needed = int(np.ceil((steep & whole).sum() * cell_m2 / READING_M2))
        if taken < needed or max(own, default=0.0) > limit:
            where = place(view.terrain.xy[piece].mean(axis=0))
            yield (
                "zones",
                f"{piece.sum() * cell_m2:.1f} m2 at {where} have {slope[piece].mean():.0f} %, {taken} readings",
            )


def _true_slope(terrain: Terrain) -> tuple[float, Array, float]:
    """Area of a cell [m2], slope of each [percent] by Horn's stencil without the bias of noise, and sd of the noise."""
    along = np.array([1.0, 2.0, 1.0])
    across = np.array([-1.0, 0.0, 1.0])
    stencils = np.outer(along, across) / 8, np.outer(across, along) / 8
    by_column, by_row = (correlate(terrain.z, stencil, mode="constant", cval=np.nan) for stencil in stencils)
    x_step, y_step = (np.gradient(terrain.xy, axis=axis) for axis in (1, 0))
    cells = np.stack([x_step, y_step], axis=-2)
    gradient = np.linalg.solve(cells, np.stack([by_column, by_row], axis=-1)[..., None])[..., 0]
    cell_m2 = float(np.median(np.abs(np.linalg.det(cells))))
    row, column = np.mgrid[:3, :3].reshape(2, -1)
    apart_m = np.hypot(row[:, None] - row, column[:, None] - column) * np.sqrt(cell_m2)
    alike = DEM_SD_M**2 * np.exp(-apart_m / DEM_CORRELATION_M)
    weights = stencils[0].ravel() / np.sqrt(cell_m2)
    noise = 100 * float(np.sqrt(weights @ alike @ weights))
    seen = 100 * np.hypot(*np.moveaxis(gradient, -1, 0))
    # Rice's mean lies above a slope by about half the noise's variance over the slope.
    return cell_m2, seen - noise**2 / (2 * np.maximum(seen, noise)), noise


def _centres_in(terrain: Terrain, shape: BaseGeometry) -> NDArray[np.bool_]:
    return np.asarray(shapely.contains_xy(shape, terrain.xy[..., 0], terrain.xy[..., 1]))


def _ledges(view: ParcelView) -> BaseGeometry:
    if "barriers" not in view.site:
        return shapely.Polygon()
    barriers = view.site["barriers"]
    return shapely.union_all(list(barriers.geometry[barriers["kind"].isin(["wall", "drop"])])).buffer(LEDGE_M)


def _slope_readings(view: ParcelView) -> list[tuple[BaseGeometry, float]]:
    """Slopes that somebody measured, with their places [percent]."""
    if "overrides" not in view.site:
        return []
    rows = view.site["overrides"]
    rows = rows[(rows["target_layer"] == "keepouts") & (rows["column"] == "slope_percent") & ~rows.geometry.is_empty]
    return [(shape, float(value.replace(",", "."))) for shape, value in zip(rows.geometry, rows["value"], strict=True)]


def _taken_on(terrain: Terrain, cells: NDArray[np.bool_], reading: BaseGeometry) -> bool:
    return bool(shapely.dwithin(shapely.points(terrain.xy[cells]), reading, ON_CELL_M).any())


RULES = {
    1: rule_1_closed_loop,
    2: rule_2_winding,
    3: rule_3_setback,
    4: rule_4_gentle_bends,
    5: rule_5_leads,
    6: rule_6_wire_gap,
    7: rule_7_pegs,
    8: rule_8_on_its_zone,
    9: rule_9_sums,
    10: rule_10_areas,
    12: rule_12_not_too_steep,
    "bumped": bumped_things,
    "joins": joins_within_reach,
    "mowers": mowers_add_up,
    "mowers apart": mowers_apart,
}
