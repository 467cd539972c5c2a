"""Whether each island was laid, and which way round, as far as a walk can tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lawngis.geometry.lines import line_between, segment_lengths_m

from .matching import GAP_M, WalkMatch

FloatArray = NDArray[np.float64]

IslandVerdict = Literal["as_planned", "wrong_way", "missing", "cannot_tell"]

ROUND_DEG = 235.0
"""Somebody who turned at least this far about an island's middle went round it."""

PASSED_DEG = 120.0
"""Somebody who turned less than this passed by."""

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
    """What a walk says of an island, how far it turned about it [degrees], and what was left out if it is missing."""

    island: PlannedIsland
    verdict: IslandVerdict
    turned_deg: float
    why: str = ""


def islands_found(
    match: WalkMatch, islands: list[PlannedIsland], path_xy: FloatArray, chainage: FloatArray, *, sd_m: float
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
    whole = _twice_round(match, float(chainage[-1]), sd_m)
    return [_found(whole, island, path_xy, chainage, sd_m) for island in islands]


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
        gap_after=np.concatenate([match.gap_after, [False], match.gap_after]),
    )


def _found(
    match: WalkMatch, island: PlannedIsland, path_xy: FloatArray, chainage: FloatArray, sd_m: float
) -> IslandFound:
    ring = line_between(path_xy, chainage, island.ring_from_m, island.ring_to_m)
    middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
    radii = np.hypot(*(ring - middle).T)
    telling = TELLING_SDS * _smooth_sd(match, sd_m)
    if float(np.median(radii)) < telling:
        return IslandFound(island, "cannot_tell", 0.0, "it is too small for the receiver's accuracy")
    first, last = _window(match, island, float(chainage[-1]))
    if last <= first:
        return IslandFound(island, "cannot_tell", 0.0, "nobody walked there")
    near = _near(match.smooth_xy[first : last + 1], middle, float(radii.max()), sd_m)
    turned = _turned_deg(match.smooth_xy[first : last + 1], middle, near)
    planned = _turned_deg(ring, middle, np.ones(len(ring), dtype=bool))
    if abs(turned) >= ROUND_DEG:
        verdict: IslandVerdict = "as_planned" if turned * planned > 0 else "wrong_way"
        return IslandFound(island, verdict, turned)
    if match.gap_after[first:last].any():
        return IslandFound(island, "cannot_tell", turned, "points are missing there")
    if abs(turned) < PASSED_DEG and _stayed_away(match, first, last, island, sd_m):
        return IslandFound(island, "missing", turned)
    return IslandFound(island, "cannot_tell", turned, "the walk neither goes round it nor clearly passes it")


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
    return min(candidates, key=lambda pair: pair[1] - pair[0], default=(0, 0))


def _near(xy: FloatArray, middle: FloatArray, radius: float, sd_m: float) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(*(xy - middle).T) <= 1.5 * radius + 2 * sd_m + 0.5)


def _turned_deg(xy: FloatArray, middle: FloatArray, near: NDArray[np.bool_]) -> float:
    off = xy - middle
    angle = np.arctan2(off[:, 1], off[:, 0])
    turn = (np.diff(angle) + np.pi) % (2 * np.pi) - np.pi
    return float(np.degrees(turn[near[1:] & near[:-1]].sum()))


def _stayed_away(match: WalkMatch, first: int, last: int, island: PlannedIsland, sd_m: float) -> bool:
    """Return whether the way walked is too short to have held the lead out, the ring and the lead back."""
    walked = float(segment_lengths_m(match.smooth_xy[first : last + 1]).sum())
    planned = island.lead_to_m - island.lead_from_m
    return walked < 0.5 * planned + 2 * sd_m
