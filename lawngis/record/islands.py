"""Whether each island was laid, and which way round, as far as a walk can tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import line_between, segment_lengths_m
from lawngis.record.matching import GAP_M, WalkMatch

IslandVerdict = Literal["as_planned", "wrong_way", "moved", "missing", "cannot_tell"]
IslandDoubt = Literal["", "not_walked", "points_missing", "astray", "too_small", "undecided"]

ROUND_DEG = 235.0
"""Somebody who turned at least this far about an island's middle went round it."""

PASSED_DEG = 120.0
"""Somebody who turned less than this passed by."""

SKIPPED_M = 8.0
"""A walk that skips so much more of the plan than an island has lost its way there; ours, no source."""

TELLING_SDS = 2.5
"""An island whose wire lies closer to its middle than this many standard deviations can't be told."""


@dataclass(frozen=True)
class PlannedIsland:
    """An island on the planned loop: chainage where its lead leaves and returns, and of the wire around it [m]."""

    name: str
    lead_from_m: float
    ring_from_m: float
    ring_to_m: float
    lead_to_m: float


@dataclass(frozen=True)
class IslandFound:
    """What a walk says of an island.

    Parameters
    ----------
    island
        The island.
    verdict
        What was laid there.
    turned_deg
        By how much the walk turned about its middle [degrees].
    why
        Why nothing can be told: nobody walked there, points are missing, the walk left the plan, the island is too
        small for the receiver, or it was neither gone round nor passed; empty when something is told.
    off_m
        How far from its place it lies, of one that was moved [m].
    by_its_lead
        Whether the walk came to it by its planned lead.
    seen
        Whether points were taken all along there, and are accurate enough for it.
    there
        Whether the walk went out on its lead, though it doesn't show whether and which way it went round.
    """

    island: PlannedIsland
    verdict: IslandVerdict
    turned_deg: float
    why: IslandDoubt = ""
    off_m: float | None = None
    by_its_lead: bool = True
    seen: bool = True
    there: bool = False


def islands_found(
    match: WalkMatch, islands: Sequence[PlannedIsland], path_xy: FloatArray, chainage: FloatArray, *, sd_m: float
) -> list[IslandFound]:
    """Return for each island whether the walk went round it as planned.

    Parameters
    ----------
    match
        The walk, matched to the loop.
    islands
        Islands of the loop.
    path_xy, chainage
        Planned loop and the chainage of its vertices, shapes (k, 2) and (k,) [m].
    sd_m
        Standard deviation of one point [m].

    Notes
    -----
    The walk between the island's attachment, before and after, is taken in order, and the angle summed by which it
    turns about the island's middle. An order of points, not a nearest wire, decides; what is too small for the
    receiver, or lies where points are missing, is left undecided.
    """
    length = float(chainage[-1])
    whole = _twice_round(match, length, sd_m)
    return [_found(whole, _planned_round(island, islands, path_xy, chainage, sd_m), length, sd_m) for island in islands]


def island_middle(island: PlannedIsland, path_xy: FloatArray, chainage: FloatArray) -> FloatArray:
    """Return the middle of an island's wire, leads to others that leave from it included, shape (2,) [m]."""
    ring = line_between(path_xy, chainage, island.ring_from_m, island.ring_to_m)
    return np.asarray((ring.min(axis=0) + ring.max(axis=0)) / 2, dtype=np.float64)


def first_told(by_walk: Sequence[Sequence[IslandFound]]) -> list[IslandFound]:
    """Return of each island what the first of several walks says that can tell; each lists the same islands."""
    return [next((one for one in same if one.verdict != "cannot_tell"), same[0]) for same in zip(*by_walk, strict=True)]


@dataclass(frozen=True, eq=False)
class _Round:
    """The way round an island as planned.

    Parameters
    ----------
    island
        The island.
    ring
        Wire around it, without the way to others whose leads leave from it [m].
    middle
        What is turned about [m].
    foot, far_m
        Where its lead leaves the other wire, and how far from there its wire reaches [m].
    near_m
        Farther from the middle than this nobody is going round it [m].
    away_m
        Length of the ways to islands whose leads leave from it [m].
    alone
        No other wire goes so far round the middle that near that it could be taken for this island's.
    islands
        All islands of the loop.
    """

    island: PlannedIsland
    ring: FloatArray
    middle: FloatArray
    foot: FloatArray
    far_m: float
    near_m: float
    away_m: float
    alone: bool
    islands: Sequence[PlannedIsland]


def _planned_round(
    island: PlannedIsland, islands: Sequence[PlannedIsland], path_xy: FloatArray, chainage: FloatArray, sd_m: float
) -> _Round:
    at, pieces = island.ring_from_m, []
    away_m = 0.0
    for other in sorted(islands, key=lambda item: item.lead_from_m):
        if other is not island and at <= other.lead_from_m and other.lead_to_m <= island.ring_to_m:
            pieces.append(line_between(path_xy, chainage, at, other.lead_from_m))
            away_m += other.lead_to_m - other.lead_from_m
            at = other.lead_to_m
    ring = np.concatenate([*pieces, line_between(path_xy, chainage, at, island.ring_to_m)])
    middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
    near_m = 1.5 * float(np.hypot(*(ring - middle).T).max()) + 2 * sd_m + 0.5
    length = float(chainage[-1])
    others = np.concatenate(
        [
            line_between(path_xy, chainage, 0.0, island.lead_from_m),
            line_between(path_xy, chainage, island.lead_to_m, length),
        ]
    )
    passed = max((abs(turn) for turn in _turns_deg(others, middle, near_m, 0.0)), default=0.0)
    out = line_between(path_xy, chainage, island.lead_from_m, island.lead_to_m)
    far_m = float(np.hypot(*(out - out[0]).T).max())
    return _Round(island, ring, middle, out[0], far_m, near_m, away_m, passed < PASSED_DEG, islands)


def _twice_round(match: WalkMatch, length: float, sd_m: float) -> WalkMatch:
    """Return a walk that came back to where it began as if it had been walked twice: it may begin on an island."""
    apart = float(np.hypot(*(match.smooth_xy[-1] - match.smooth_xy[0])))
    missing = length - float(match.chainage_m[-1] - match.chainage_m[0])
    if apart > GAP_M + 4 * sd_m or abs(missing) > GAP_M + 4 * sd_m:
        return match
    return replace(
        match,
        xy=np.concatenate([match.xy, match.xy]),
        smooth_xy=np.concatenate([match.smooth_xy, match.smooth_xy]),
        chainage_m=np.concatenate([match.chainage_m, match.chainage_m + length]),
        on=np.concatenate([match.on, match.on]),
        gap_after=np.concatenate([match.gap_after, [False], match.gap_after]),
    )


def _found(match: WalkMatch, planned: _Round, length_m: float, sd_m: float) -> IslandFound:
    island = planned.island
    telling = TELLING_SDS * _smooth_sd(match, sd_m)
    first, last = _window(match, island, length_m)
    small = float(np.median(np.hypot(*(planned.ring - planned.middle).T))) < telling
    turned, by_its_lead = (0.0, False) if small else _turned_deg(match, planned, first, last)
    if abs(turned) >= ROUND_DEG:
        about = sum(_turns_deg(planned.ring, planned.middle, np.inf, 0.0))
        verdict: IslandVerdict = "as_planned" if turned * about > 0 else "wrong_way"
        return IslandFound(island, verdict, turned, by_its_lead=by_its_lead)
    why = _unseen(match, first, last)
    if why:
        return IslandFound(island, "cannot_tell", turned, why, seen=False)
    if _astray(match, first, last, planned, length_m, sd_m):
        return IslandFound(island, "cannot_tell", turned, "astray")
    went_out = _went_out(match, first, last, planned)
    if small and (went_out or planned.far_m < 2 * telling):
        there = planned.far_m >= 2 * telling
        return IslandFound(island, "cannot_tell", turned, "too_small", seen=False, there=there)
    if not went_out or (abs(turned) < PASSED_DEG and _stayed_away(match, first, last, island, sd_m)):
        return IslandFound(island, "missing", turned)
    return IslandFound(island, "cannot_tell", turned, "undecided")


def _turned_deg(match: WalkMatch, planned: _Round, first: int, last: int) -> tuple[float, bool]:
    """Return by how much a walk turns about an island, and whether it went round it between two points."""
    here = match.smooth_xy[first : last + 1]
    turned = sum(_turns_deg(here, planned.middle, planned.near_m, np.inf)) if last > first else 0.0
    if abs(turned) >= ROUND_DEG or not planned.alone:
        return turned, abs(turned) >= ROUND_DEG
    # Where the walk lost the order of the plan, going round the island shows all the same.
    anywhere = _turns_deg(match.smooth_xy, planned.middle, planned.near_m, 1.3 * planned.away_m)
    return max([turned, *anywhere], key=abs), False


def _went_out(match: WalkMatch, first: int, last: int, planned: _Round) -> bool:
    """Return whether the way between two points of a walk leads out to an island, at least half of it."""
    return float(np.hypot(*(match.smooth_xy[first : last + 1] - planned.foot).T).max()) > planned.far_m / 2


def _unseen(match: WalkMatch, first: int, last: int) -> IslandDoubt:
    """Return why points between two of a walk don't show what lies there; empty when they do."""
    if last <= first:
        return "not_walked"
    return "points_missing" if match.gap_after[first:last].any() else ""


def _astray(match: WalkMatch, first: int, last: int, planned: _Round, length_m: float, sd_m: float) -> bool:
    """Return whether so much more of the plan than islands was skipped that the walk lost its way."""
    begin, end = float(match.chainage_m[first]), float(match.chainage_m[last])
    return end - begin - _on_islands_m(planned.islands, begin, end, length_m) > SKIPPED_M + 4 * sd_m


def _on_islands_m(islands: Sequence[PlannedIsland], begin: float, end: float, length_m: float) -> float:
    """Return how much of the plan between two chainages is on islands and their leads."""
    within, reached = 0.0, 0.0
    for island in sorted(islands, key=lambda item: item.lead_from_m):
        if island.lead_to_m > reached:  # one whose lead leaves from another is in that one's stretch already
            reached = island.lead_to_m
            for turn in (0.0, length_m, 2 * length_m):
                within += max(0.0, min(end, island.lead_to_m + turn) - max(begin, island.lead_from_m + turn))
    return within


def _smooth_sd(match: WalkMatch, sd_m: float) -> float:
    moved = match.xy - match.smooth_xy
    taken_off = float(np.sqrt((moved**2).mean()))
    return float(np.sqrt(max(sd_m**2 - taken_off**2, (sd_m / 3) ** 2)))


def _window(match: WalkMatch, island: PlannedIsland, length: float) -> tuple[int, int]:
    """Return the points last before the lead to the island and first after it, in the order of the walk."""
    at = match.chainage_m
    candidates: list[tuple[int, int]] = []
    for turn in (0.0, length, 2 * length):
        before = np.flatnonzero(at <= island.lead_from_m + turn)
        after = np.flatnonzero(at >= island.lead_to_m + turn)
        if len(before) and len(after):
            last = int(after[after > before[-1]][0]) if (after > before[-1]).any() else 0
            if last > before[-1]:
                candidates.append((int(before[-1]), last))
    return min(candidates, key=lambda pair: (float(at[pair[1]] - at[pair[0]]), pair[1] - pair[0]), default=(0, 0))


def _turns_deg(xy: FloatArray, middle: FloatArray, near_m: float, apart_m: float) -> list[float]:
    """Return by how much a way turns about a middle each time that it comes near it.

    Times between which the way is no longer than `apart_m` count as one: somebody was on another island meanwhile.
    """
    off = xy - middle
    near = np.hypot(*off.T) <= near_m
    angle = np.arctan2(off[:, 1], off[:, 0])
    turn = np.where(near[1:] & near[:-1], (np.diff(angle) + np.pi) % (2 * np.pi) - np.pi, 0.0)
    way = np.concatenate([[0.0], np.cumsum(segment_lengths_m(xy))])
    here = np.flatnonzero(near)
    if not len(here):
        return []
    begins = np.concatenate([[0], np.flatnonzero((np.diff(here) > 1) & (np.diff(way[here]) > apart_m)) + 1])
    firsts, lasts = here[begins], here[np.append(begins[1:] - 1, len(here) - 1)]
    return [float(np.degrees(turn[first:last].sum())) for first, last in zip(firsts, lasts, strict=True)]


def _stayed_away(match: WalkMatch, first: int, last: int, island: PlannedIsland, sd_m: float) -> bool:
    """Return whether the way walked is too short to have held the lead out, the ring and the lead back."""
    walked = float(segment_lengths_m(match.smooth_xy[first : last + 1]).sum())
    planned = island.lead_to_m - island.lead_from_m
    return walked < 0.5 * planned + 2 * sd_m
