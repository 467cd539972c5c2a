"""What was laid, from walks along it: the loop piece by piece, its islands, and what nobody can tell.

Where a walk follows the plan as well as its receiver can tell, the plan is the better line; where it leaves the plan,
the walk is; where nobody walked, the plan is all there is, and counts for little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import chainage_m, line_between, points_along
from lawngis.record.detours import EITHER_WAY, Detour, WalkedRound, uncovered, unseen_sd_m, walked_rounds
from lawngis.record.deviation import Deviations, deviations, laid_xy, pooled, taped
from lawngis.record.islands import IslandFound, PlannedIsland, first_told, islands_found
from lawngis.record.matching import WalkMatch, places_along, walk_match
from lawngis.record.rings import Ring, rings, with_moved

RunState = Literal["as_planned", "off_plan", "added", "left_out", "not_walked", "cannot_tell"]

LAID_LENGTH_SHARE = 0.002
"""Wire laid as planned is longer or shorter than the plan by this share: it is laid freely; ours, no source."""

HIDDEN_SDS = 2.5
"""Wire longer or shorter by so many standard deviations of a point may pass unseen, once..."""

HIDDEN_PER_M = 100.0
"""... along this much wire; ours, fitted to simulated walks."""

STEP_HIDES = 0.1
"""Points this many steps apart hide as much as noise of one; ours, no source."""

LEAST_UNSEEN_M = 1.0
"""Points that tell of less of the plan than they span by so little were taken all the way."""

END_SHARE = 0.4
"""Where wire moves aside it does so somewhere between two nodes: so much of the way aside is not known at each end."""

WHOLE_SHARE = 0.8
"""Wire of so much of a ring goes all the way round it."""

BESIDE_M = 3.0
"""Wire no further than this from the plan lies beside it, and is told by its distance."""


@dataclass(frozen=True, eq=False)
class LaidRun:
    """A piece of the loop as it lies.

    Parameters
    ----------
    state
        What is known of it.
    from_m, to_m
        Plan chainage of its ends [m].
    xy
        The wire, shape (n, 2) [m]; as planned where nobody walked or can tell.
    wire_m, sd_m
        Its length and the standard deviation of that [m].
    left_m
        Mean distance to the left of the plan, negative to the right; NaN where it is not beside it [m].
    across_sd_m
        Standard deviation of its place across the wire, where it is worst [m].
    whole
        Whether points were taken all along it.
    by_nodes
        Whether it is told by the distances of nodes from the plan; else by the way walked.
    """

    state: RunState
    from_m: float
    to_m: float
    xy: FloatArray
    wire_m: float
    sd_m: float
    left_m: float
    across_sd_m: float
    whole: bool = True
    by_nodes: bool = True


@dataclass(frozen=True, eq=False)
class WalkedTrack:
    """One walk.

    Parameters
    ----------
    xy
        Its points, shape (n, 2) [m].
    sd_m, bias_sd_m
        Standard deviation of one of them, and of a shift of all, where stated [m].
    time_s
        When each was taken, shape (n,), where known [s].
    """

    xy: FloatArray
    sd_m: float | None = None
    bias_sd_m: float | None = None
    time_s: FloatArray | None = None


@dataclass(frozen=True, eq=False)
class WalkTold:
    """A walk matched, how far it lies off the plan, and its place among those given."""

    match: WalkMatch
    off: Deviations
    number: int


@dataclass(frozen=True, eq=False)
class LaidWire:
    """One loop as laid.

    Parameters
    ----------
    runs
        The loop in pieces, from the planned start on.
    off
        How far it lies off the plan where it is beside it.
    islands
        What is told of each planned island.
    rings
        Ground that wire goes round where the plan has none, islands moved left out.
    walks
        What each walk tells, the most trusted first; none by tape.
    disputed
        Stretches where one walk leaves the plan and another, that went there too, does not.
    """

    runs: Sequence[LaidRun]
    off: Deviations
    islands: Sequence[IslandFound]
    rings: Sequence[Ring]
    walks: Sequence[WalkTold]
    disputed: Sequence[tuple[float, float]]


def laid_wire(
    walks: Sequence[WalkedTrack], path_xy: FloatArray, chainage: FloatArray, islands: Sequence[PlannedIsland]
) -> LaidWire:
    """Return what was laid, as far as one or several walks along a loop tell.

    Parameters
    ----------
    walks
        At least one, in the order in which they were walked; the most accurate is trusted first, of equals the last.
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    islands
        Islands planned on it.

    Raises
    ------
    ParameterError
        When a walk has too few points.
    """
    judged = [_judged(walks[number], number, path_xy, chainage, islands) for number in reversed(range(len(walks)))]
    judged.sort(key=lambda one: one.told.off.point_sd_m)
    off = pooled([one.told.off for one in judged])
    rounds = [part for one in judged for part in one.rounds]
    plain = laid_runs(path_xy, chainage, off, rounds)
    others = [run.xy for run in plain if run.whole and run.state in ("added", "off_plan")]
    found = rings(others, laid_loop_xy(plain), sd_m=off.point_sd_m)
    told, free = with_moved(first_told([one.islands for one in judged]), found, path_xy, chainage)
    runs = laid_runs(path_xy, chainage, _without_islands(off, told, float(chainage[-1])), rounds, told)
    return LaidWire(runs, off, told, free, [one.told for one in judged], disputed(rounds, float(chainage[-1])))


def taped_wire(at_m: FloatArray, left_m: FloatArray, path_xy: FloatArray, chainage: FloatArray) -> LaidWire:
    """Return what was laid, as far as readings by tape tell.

    Parameters
    ----------
    at_m, left_m
        Plan chainage of each and how far left of it the wire lies, both of shape (n,) [m].
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    """
    off = taped(at_m, left_m, float(chainage[-1]))
    return LaidWire(laid_runs(path_xy, chainage, off, []), off, [], [], [], [])


@dataclass(frozen=True, eq=False)
class _Judged:
    """What one walk tells, of islands and round by round."""

    told: WalkTold
    islands: Sequence[IslandFound]
    rounds: Sequence[WalkedRound]


def _judged(
    walk: WalkedTrack, number: int, path_xy: FloatArray, chainage: FloatArray, islands: Sequence[PlannedIsland]
) -> _Judged:
    match = walk_match(walk.xy, path_xy, chainage, sd_m=walk.sd_m, time_s=walk.time_s)
    bias_sd = max(match.noise_sd_m, walk.sd_m or 0.0) if walk.bias_sd_m is None else walk.bias_sd_m
    off = deviations(match, path_xy, chainage, sd_m=walk.sd_m, bias_sd_m=bias_sd)
    shift = off.shift_xy
    if np.hypot(*shift) > 0.5 * off.point_sd_m:  # match again without the shift
        match = walk_match(walk.xy - shift, path_xy, chainage, sd_m=walk.sd_m, time_s=walk.time_s)
        off = deviations(match, path_xy, chainage, sd_m=walk.sd_m, bias_sd_m=bias_sd)
        off = replace(off, shift_xy=off.shift_xy + shift)
        shift = off.shift_xy - shift
    found = islands_found(match, islands, path_xy, chainage, sd_m=off.point_sd_m)
    rounds = walked_rounds(match, path_xy, chainage, sd_m=off.point_sd_m, shift_xy=shift)
    return _Judged(WalkTold(match, off, number), found, rounds)


def _without_islands(off: Deviations, islands: Sequence[IslandFound], length_m: float) -> Deviations:
    """Return deviations less those along islands not laid as planned: a walk is matched there against its order."""
    other = np.zeros(len(off.claimed), dtype=bool)
    for item in islands:
        if item.verdict != "as_planned":
            for turn in (0.0, length_m):
                at = off.chainage_m + turn
                other |= (at >= item.island.lead_from_m - 1) & (at <= item.island.lead_to_m + 1)
    return replace(off, claimed=off.claimed & ~other)


def laid_runs(
    path_xy: FloatArray,
    chainage: FloatArray,
    off: Deviations,
    rounds: Sequence[WalkedRound],
    islands: Sequence[IslandFound] = (),
) -> list[LaidRun]:
    """Return the loop as laid, in pieces from the planned start on.

    Parameters
    ----------
    path_xy, chainage
        Planned loop and chainage of its vertices, shapes (k, 2) and (k,) [m].
    off
        Deviations along it.
    rounds
        What was walked, the most trusted first: where two tell of one stretch, the first counts. None: by tape.
    islands
        What is told of islands; where it says otherwise than the detours do, it counts.
    """
    length = float(chainage[-1])
    undecided = [item.island for item in islands if item.verdict == "cannot_tell" and not item.there]
    told = _told(rounds, length)
    for item in islands:
        told = _as_islands_are(told, item, path_xy, chainage, off.point_sd_m)
    unseen = _unseen(path_xy, chainage, off, rounds, undecided)
    step = max((one.step_m for one in rounds), default=0.0)
    plan = _Plan(path_xy, chainage, *laid_xy(path_xy, chainage, off), off, _outermost(undecided), step)
    runs: list[LaidRun] = []
    at = 0.0
    for detour in _in_order([*told, *unseen], path_xy, length):
        if at < detour.to_m or detour.to_m - detour.from_m < 1e-6:  # else it is told by the one before
            begin = max(at, detour.from_m)
            runs += [*_along_plan(plan, at, begin), _instead(plan, detour, begin, max(at, detour.to_m))]
            at = max(at, detour.to_m)
    return runs + _along_plan(plan, at, length)


def laid_loop_xy(runs: Sequence[LaidRun]) -> FloatArray:
    """Return the whole loop of its runs, closed, shape (n, 2) [m]."""
    xy = np.concatenate([run.xy for run in runs])
    xy = np.concatenate([xy, xy[:1]])
    return xy[np.concatenate([[True], np.hypot(*np.diff(xy, axis=0).T) > 1e-9])]


def wire_m(runs: Sequence[LaidRun]) -> tuple[float, float]:
    """Return the length of all runs and the standard deviation of that [m]."""
    return sum(run.wire_m for run in runs), float(np.sqrt(sum(run.sd_m**2 for run in runs)))


def stations_m(runs: Sequence[LaidRun]) -> tuple[FloatArray, FloatArray]:
    """Return how far along the line and along the wire the runs' ends lie, both of shape (n + 1,) [m].

    A line through noisy points is not as long as the wire: between the ends, one goes by the share of the other.
    """
    lines = [0.0, *(float(chainage_m(run.xy)[-1]) for run in runs)]
    return np.cumsum(lines), np.cumsum([0.0, *(run.wire_m for run in runs)])


def beside_plan(runs: Sequence[LaidRun], at_m: FloatArray) -> NDArray[np.bool_]:
    """Return at which chainages of the plan the walk is on it, or beside it and told by its distance, shape (n,)."""
    found = np.zeros(len(at_m), dtype=bool)
    for run in runs:
        if run.by_nodes:
            found |= (at_m >= run.from_m) & (at_m < run.to_m)
    return found


def walked_share(runs: Sequence[LaidRun]) -> float:
    """Return the share of the planned loop along which points were taken."""
    planned = sum(run.to_m - run.from_m for run in runs)
    return 1 - sum(run.to_m - run.from_m for run in runs if run.state == "not_walked") / planned


# --- what walks tell -------------------------------------------------------------------------------------


def _told(rounds: Sequence[WalkedRound], length_m: float) -> list[Detour]:
    """Return detours, each where no round before its own went, with `from_m` on the loop."""
    found: list[Detour] = []
    covered: list[tuple[float, float]] = []
    for one in rounds:
        own = [_on_loop(detour, length_m) for detour in one.detours if detour.kind != "not_walked"]
        found += [detour for detour in own if not _covers(covered, (detour.from_m + detour.to_m) / 2 % length_m)]
        covered += _covered(one, length_m)
    return found


def disputed(rounds: Sequence[WalkedRound], length_m: float) -> list[tuple[float, float]]:
    """Return stretches [m] where one round leaves the plan and another goes along it."""
    left = [[_on_loop(one, length_m) for one in some.detours if one.kind != "not_walked"] for some in rounds]
    covered = [_covered(one, length_m) for one in rounds]
    found = []
    for number, own in enumerate(left):
        for one in own:
            for other, spans in enumerate(covered):
                went = any(low <= one.from_m and one.to_m <= high for low, high in spans)
                alike = any(_shared_m(two, one.from_m - BESIDE_M, one.to_m + BESIDE_M) > 0 for two in left[other])
                if other != number and went and not alike:
                    found.append((one.from_m, one.to_m))
    return found


def _on_loop(detour: Detour, length_m: float) -> Detour:
    turn = length_m * (detour.from_m // length_m)
    return replace(detour, from_m=detour.from_m - turn, to_m=detour.to_m - turn)


def _covered(one: WalkedRound, length_m: float) -> list[tuple[float, float]]:
    """Return stretches of the loop that a round tells of."""
    gaps = [(detour.from_m, detour.to_m) for detour in one.detours if detour.kind == "not_walked"]
    spans = uncovered(gaps, one.from_m, one.to_m)
    return [(low - turn, high - turn) for low, high in spans for turn in (0.0, length_m, 2 * length_m)]


def _covers(spans: Sequence[tuple[float, float]], at_m: float) -> bool:
    return any(low <= at_m <= high for low, high in spans)


def _unseen(
    path_xy: FloatArray,
    chainage: FloatArray,
    off: Deviations,
    rounds: Sequence[WalkedRound],
    undecided: Sequence[PlannedIsland],
) -> list[Detour]:
    """Return stretches that no round tells of."""
    length = float(chainage[-1])
    half = length / len(off.chainage_m) / 2
    spans = [span for one in rounds for span in _covered(one, length)]
    if not rounds:
        spans = [(at - half, at + half) for at in off.chainage_m[np.isfinite(off.left_m)].tolist()]
    gaps = {round(one.from_m % length, 6): one for some in rounds for one in some.detours if one.kind == "not_walked"}
    found = []
    for low, high in uncovered(spans, 0.0, length):
        if high - low < LEAST_UNSEEN_M:
            continue
        line = line_between(path_xy, chainage, low, high)
        wire = float(high - low)
        if (gap := gaps.get(round(low, 6))) and gap.wire_m > wire + 1e-6:
            line, wire = gap.xy, gap.wire_m  # its ends lie further apart than the plan between them is long
        inside = [item.lead_to_m - item.lead_from_m for item in _outermost(undecided) if low < item.ring_from_m < high]
        straight = float(np.hypot(*(line[-1] - line[0])))
        islands_sd = EITHER_WAY * float(np.linalg.norm(inside))
        sd = float(np.hypot(unseen_sd_m(max(0.0, wire - sum(inside)), straight), islands_sd))
        found.append(Detour("not_walked", low, high, line, wire, sd))
    return found


def _outermost(islands: Sequence[PlannedIsland]) -> list[PlannedIsland]:
    """Return islands but for those whose leads leave from another of them."""
    return [
        one
        for one in islands
        if not any(other.ring_from_m <= one.lead_from_m and one.lead_to_m <= other.ring_to_m for other in islands)
    ]


def _shared_m(detour: Detour, low_m: float, high_m: float) -> float:
    return min(detour.to_m, high_m) - max(detour.from_m, low_m)


def _within(detour: Detour, island: PlannedIsland) -> bool:
    """Return whether a detour belongs to an island and its lead."""
    middle = (detour.from_m + detour.to_m) / 2
    return island.lead_from_m - 1 <= middle <= island.lead_to_m + 1 and detour.to_m - detour.from_m <= 2 * (
        island.lead_to_m - island.lead_from_m
    )


def _as_islands_are(
    told: Sequence[Detour], item: IslandFound, path_xy: FloatArray, chainage: FloatArray, sd_m: float
) -> list[Detour]:
    """Return detours that agree with what is told of an island."""
    island = item.island
    planned_m = island.lead_to_m - island.lead_from_m
    own = [one for one in told if _within(one, island)]
    others = [one for one in told if not _within(one, island)]
    if item.verdict == "cannot_tell" and not item.there:
        return others
    if item.verdict == "missing" and not any(
        _shared_m(one, island.lead_from_m, island.lead_to_m) > planned_m / 2 for one in told
    ):
        ends = points_along(path_xy, chainage, np.array([island.lead_from_m, island.lead_to_m]))
        straight_m = float(np.hypot(*(ends[1] - ends[0])))
        return [*others, Detour("left_out", island.lead_from_m, island.lead_to_m, ends, straight_m, sd_m)]
    if item.verdict == "wrong_way" and item.by_its_lead:
        ring_m = island.ring_to_m - island.ring_from_m
        if not any(one.kind == "off_plan" and one.wire_m > WHOLE_SHARE * ring_m for one in own):
            ring = line_between(path_xy, chainage, island.ring_from_m, island.ring_to_m)
            own = [Detour("off_plan", island.ring_from_m, island.ring_to_m, ring[::-1], ring_m, sd_m)]
    elif item.there or (item.verdict == "as_planned" and item.by_its_lead):
        own = [one for one in own if one.kind != "left_out"]
    return [*others, *own]


def _in_order(detours: Sequence[Detour], path_xy: FloatArray, length_m: float) -> list[Detour]:
    """Return detours in order from the planned start on; one across it is cut where it comes nearest to it."""
    found = []
    for one in detours:
        if one.to_m <= length_m:
            found.append(one)
            continue
        along = chainage_m(one.xy)
        cut = int(np.argmin(np.hypot(*(one.xy - path_xy[0]).T)))
        share = float(along[cut] / along[-1]) if along[-1] > 0 else 0.5
        for low, high, xy, part in (
            (one.from_m, length_m, one.xy[: cut + 1], share),
            (0.0, one.to_m - length_m, one.xy[cut:], 1 - share),
        ):
            piece = replace(one, xy=xy, wire_m=part * one.wire_m, sd_m=part**0.5 * one.sd_m)
            found.append(replace(piece, from_m=low, to_m=high))
    return sorted(found, key=lambda one: (one.from_m, one.to_m))


# --- runs ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Plan:
    """The planned loop; the same moved where it lies beside, with the chainage of its vertices; what is unsure."""

    path_xy: FloatArray
    chainage: FloatArray
    moved_xy: FloatArray
    moved_at: FloatArray
    off: Deviations
    undecided: Sequence[PlannedIsland]
    step_m: float


def _along_plan(plan: _Plan, begin_m: float, end_m: float) -> list[LaidRun]:
    """Return runs of a stretch along which the walk is on the plan or beside it."""
    off = plan.off
    half = plan.chainage[-1] / len(off.chainage_m) / 2
    turns = np.flatnonzero(off.claimed[1:] != off.claimed[:-1])
    sides = [edge for item in plan.undecided for edge in (item.lead_from_m, item.lead_to_m)]
    inner = [edge for edge in [*(off.chainage_m[turns] + half).tolist(), *sides] if begin_m < edge < end_m]
    edges = np.unique([begin_m, *inner, end_m])
    return [_beside_plan(plan, low, high) for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)]


def _beside_plan(plan: _Plan, low_m: float, high_m: float) -> LaidRun:
    off, middle = plan.off, (low_m + high_m) / 2
    xy = line_between(plan.moved_xy, plan.moved_at, low_m, high_m)
    wire = float(chainage_m(xy)[-1])
    nodes = (off.chainage_m >= low_m) & (off.chainage_m < high_m) & np.isfinite(off.left_m)
    if not nodes.any():
        nodes[int(np.argmin(np.abs(off.chainage_m - middle)))] = True
    left = float(np.nanmean(off.left_m[nodes])) if np.isfinite(off.left_m[nodes]).any() else np.nan
    across = float(np.nanmax(off.sd_m[nodes])) if np.isfinite(off.sd_m[nodes]).any() else off.point_sd_m
    aside = bool(off.claimed[nodes].any())
    hidden = HIDDEN_SDS * np.hypot(off.point_sd_m, STEP_HIDES * plan.step_m)
    sd = float(np.hypot(LAID_LENGTH_SHARE * wire, hidden * np.sqrt(wire / HIDDEN_PER_M)))
    if any(item.lead_from_m <= middle <= item.lead_to_m for item in plan.undecided):
        return LaidRun("cannot_tell", low_m, high_m, xy, wire, float(np.hypot(sd, EITHER_WAY * wire)), left, across)
    if aside:
        sd = float(np.hypot(sd, END_SHARE * np.sqrt(2) * abs(left)))
    return LaidRun("off_plan" if aside else "as_planned", low_m, high_m, xy, wire, sd, left, across)


def _instead(plan: _Plan, detour: Detour, begin_m: float, end_m: float) -> LaidRun:
    """Return the run of a detour from one chainage of the plan to another."""
    off, left = plan.off, np.nan
    if end_m > begin_m:
        left = _left_m(detour.xy, line_between(plan.path_xy, plan.chainage, begin_m, end_m), off)
    across = float(np.hypot(off.point_sd_m, off.shift_sd_m))
    if detour.kind == "not_walked":
        left, across = np.nan, unseen_across_sd_m((end_m - begin_m) / 2, across)
    xy, wire, sd, whole = detour.xy, detour.wire_m, detour.sd_m, detour.whole
    return LaidRun(detour.kind, begin_m, end_m, xy, wire, sd, left, across, whole, by_nodes=False)


def unseen_across_sd_m(away_m: float, sd_m: float) -> float:
    """Return how well wire is known across where nobody walked, by how far along it the next walked place is [m].

    Wire can't lie further aside than along from where it is known: that is taken for two standard deviations.
    """
    return float(np.hypot(sd_m, away_m / 2))


def _left_m(xy: FloatArray, plan_xy: FloatArray, off: Deviations) -> float:
    """Return the mean distance to the left of a stretch of plan; NaN where the wire doesn't run beside it."""
    plan = shapely.linestrings(plan_xy)
    points = shapely.points(xy)
    at = np.asarray(shapely.line_locate_point(plan, points), dtype=np.float64)
    _, direction = places_along(plan_xy, chainage_m(plan_xy), at)
    foot = shapely.get_coordinates(shapely.line_interpolate_point(plan, at))
    left = direction[:, 0] * (xy - foot)[:, 1] - direction[:, 1] * (xy - foot)[:, 0]
    far = float(shapely.distance(points, plan).max()) > BESIDE_M + 2 * off.point_sd_m
    return np.nan if far else float(left.mean())
