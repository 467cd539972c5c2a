"""Simulated walks along a laid loop with known truth, for tests and the benchmark."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lawngis.geometry.lines import chainage_m, line_between, points_along, subdivided
from lawngis.record.islands import PlannedIsland
from lawngis.record.laid import WalkedTrack, laid_wire, wire_m
from lawngis.record.matching import places_along

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PlannedLoop:
    """An invented loop: 30 x 20 m with cut corners, and two islands on leads."""

    xy: FloatArray
    chainage: FloatArray
    islands: list[PlannedIsland]


def ring(x: float, y: float, radius: float, *, vertices: int = 16) -> FloatArray:
    """A clockwise ring that begins and ends at its lowest point."""
    angle = -np.pi / 2 - np.linspace(0, 2 * np.pi, vertices + 1)
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def planned_loop(radius_m: float = 2.5, lead_m: float | None = None) -> PlannedLoop:
    away = (8.0, 9.0) if lead_m is None else (lead_m + radius_m,) * 2
    first, second = ring(9.0, away[0], radius_m), ring(21.0, away[1], radius_m)
    parts = [
        np.array([[3.0, 0.0], [9.0, 0.0]]),
        first,
        np.array([[9.0, 0.0], [21.0, 0.0]]),
        second,
        np.array([[21.0, 0.0], [29.5, 0.0], [30, 0.5], [30, 19.5], [29.5, 20]]),
        np.array([[0.5, 20.0], [0, 19.5], [0, 0.5], [0.5, 0], [3, 0]]),
    ]  # fmt: skip
    xy = np.concatenate(parts)
    along = chainage_m(xy)
    ends = np.cumsum([len(part) for part in parts])
    islands = []
    for number, part in enumerate((1, 3)):
        begin, end = ends[part - 1], ends[part] - 1
        islands.append(
            PlannedIsland(
                f"I{number + 1}",
                float(along[begin - 1]),
                float(along[begin]),
                float(along[end]),
                float(along[end + 1]),
            )
        )
    return PlannedLoop(xy, along, islands)


def nested_loop() -> PlannedLoop:
    """The loop with one island more, whose lead leaves from the top of the first; it is named I1b."""
    plain = planned_loop()
    first = plain.islands[0]
    top = float(first.ring_from_m + (first.ring_to_m - first.ring_from_m) / 2)
    lead = points_along(plain.xy, plain.chainage, np.array([top]))
    inner = ring(float(lead[0, 0]), 15.0, 1.8)
    xy = np.concatenate(
        [
            line_between(plain.xy, plain.chainage, 0.0, top),
            inner,
            line_between(plain.xy, plain.chainage, top, float(plain.chainage[-1])),
        ]
    )
    away = float(np.hypot(*(inner[0] - lead[0])))
    around = float(chainage_m(inner)[-1])
    more = 2 * away + around
    own = PlannedIsland("I1b", top, top + away, top + away + around, top + more)
    outer = PlannedIsland("I1", first.lead_from_m, first.ring_from_m, first.ring_to_m + more, first.lead_to_m + more)
    second = plain.islands[1]
    moved = PlannedIsland(
        "I2", second.lead_from_m + more, second.ring_from_m + more, second.ring_to_m + more, second.lead_to_m + more
    )
    return PlannedLoop(xy, chainage_m(xy), [outer, own, moved])


def two_zones_loop() -> PlannedLoop:
    """The loop with a second zone beside it, 10 x 12 m, through a passage whose two wires lie 0.3 m apart."""
    plain = planned_loop()
    at = chainage_of(plain, 30.0, 0.5)
    around = np.array(
        [[30, 9.85], [36, 9.85], [36, 4.5], [36.5, 4], [45.5, 4], [46, 4.5], [46, 15.5], [45.5, 16],
         [36.5, 16], [36, 15.5], [36, 10.15], [30, 10.15]]
    )  # fmt: skip
    xy = spliced(plain.xy, plain.chainage, at + 9.35, at + 9.65, around)
    return PlannedLoop(xy, chainage_m(xy), plain.islands)


def chainage_of(loop: PlannedLoop, x: float, y: float) -> float:
    return float(loop.chainage[np.flatnonzero((loop.xy == [x, y]).all(axis=1))[0]])


def spliced(xy: FloatArray, along: FloatArray, begin: float, end: float, instead: FloatArray) -> FloatArray:
    """A loop with other wire between two chainages."""
    after = [line_between(xy, along, end, float(along[-1]))] if end < along[-1] else []
    before = [line_between(xy, along, 0.0, begin)] if begin > 0 else []
    return np.concatenate([*before, instead, *after])


@dataclass(frozen=True, eq=False)
class Laid:
    """A loop laid otherwise than planned.

    Parameters
    ----------
    xy
        As it lies, closed, in laying order.
    verdicts
        What each planned island is.
    states
        States of runs that tell of the change, any of them.
    changed
        Plan chainages between which it lies elsewhere.
    left_m
        How far left of the plan it lies between them, where it lies beside it.
    """

    xy: FloatArray
    verdicts: dict[str, str]
    states: set[str] = field(default_factory=set)
    changed: tuple[float, float] = (0.0, 0.0)
    left_m: float | None = None


KINDS = (
    "as_planned", "island_added", "island_removed", "island_moved", "island_shifted", "island_wrong_way",
    "lead_elsewhere", "zone_added", "zone_dropped", "stretch_moved",
)  # fmt: skip


def laid_as(kind: str, loop: PlannedLoop, random: np.random.Generator) -> Laid:
    """A loop of two zones laid in one of KINDS, with sizes and places by chance."""
    planned = {island.name: "as_planned" for island in loop.islands}
    first = loop.islands[0]
    side = chainage_of(loop, 29.5, 20.0)  # where the long side opposite of the islands begins: 29 m
    at, depth, radius = side + random.uniform(4, 25), random.uniform(2.5, 5), random.uniform(0.8, 2)
    span = first.lead_from_m, first.lead_to_m
    cut = loop.xy, loop.chainage
    if kind == "island_added":
        return Laid(spliced(*cut, at, at, on_lead(loop, at, depth, radius)), planned, {"added"}, (at, at))
    if kind in ("island_removed", "island_wrong_way"):
        verdict, how = ("missing", "missing") if kind == "island_removed" else ("wrong_way", "wrong_way")
        xy = laid_otherwise(loop, **{how: {"I1"}})
        return Laid(xy, planned | {"I1": verdict}, {"left_out"} if verdict == "missing" else set(), span)
    if kind in ("island_moved", "island_shifted"):
        far = kind == "island_moved"
        by = random.uniform(-4, -3.2) if far else random.uniform(-1.2, -0.6)
        ring_xy = line_between(*cut, first.ring_from_m, first.ring_to_m) + np.array([by, 1.0])
        foot = points_along(*cut, np.array([first.lead_from_m]))
        xy = spliced(*cut, *span, np.concatenate([foot, ring_xy, foot]))
        return Laid(xy, planned | ({"I1": "moved"} if far else {}), {"off_plan"}, span)
    if kind == "lead_elsewhere":
        ring_xy = ring(9.0, 8.0, 2.5)
        top = np.roll(ring_xy[:-1], -8, axis=0)
        top = np.concatenate([top, top[:1]])
        foot = side + 20.5
        lead = points_along(*cut, np.array([foot]))
        xy = spliced(*cut, foot, foot, np.concatenate([lead, top, lead]))
        along = chainage_m(xy)
        return Laid(spliced(xy, along, *span, np.empty((0, 2))), planned, {"added"}, (span[0], foot))
    if kind == "zone_added":
        out = random.uniform(3, 6)
        begin, end = side + random.uniform(3, 6), side + random.uniform(12, 20)
        ends = points_along(*cut, np.array([begin, end]))
        corners = np.array([ends[0], ends[0] + [0, out], ends[1] + [0, out], ends[1]])
        return Laid(spliced(*cut, begin, end, corners), planned, {"off_plan", "added"}, (begin, end))
    if kind == "zone_dropped":
        corner, back = chainage_of(loop, 30.0, 9.85), chainage_of(loop, 30.0, 10.15)
        return Laid(spliced(*cut, corner, back, np.empty((0, 2))), planned, {"left_out"}, (corner, back))
    if kind == "stretch_moved":
        by, begin = random.uniform(0.5, 2), side + random.uniform(3, 8)
        end = begin + random.uniform(8, 14)
        ends = points_along(*cut, np.array([begin, end]))
        corners = np.array([ends[0], ends[0] - [0, by], ends[1] - [0, by], ends[1]])
        return Laid(spliced(*cut, begin, end, corners), planned, {"off_plan"}, (begin, end), by)
    return Laid(loop.xy, planned)


@dataclass(frozen=True, eq=False)
class Simulated:
    """Walks along a loop laid in one of KINDS, and how it lies in truth.

    Parameters
    ----------
    loop
        As planned.
    laid
        As laid, but for what laying freely moves it.
    xy
        As it lies, closed.
    free
        How far laying freely moves wire, by place.
    walks
        One or two.
    """

    loop: PlannedLoop
    laid: Laid
    xy: FloatArray
    free: Callable[[FloatArray], FloatArray]
    walks: list[WalkedTrack]


def simulated(kind: str, noise_m: float, seed: int) -> Simulated:
    """One kind, walked either way from anywhere, at steps of 0.4 to 1 m, with a shift of all points.

    Every fourth seed leaves a stretch out, every fifth walks twice, every second has neighbours err alike.
    """
    loop, random = two_zones_loop(), np.random.default_rng([seed, KINDS.index(kind)])
    laid, free = laid_as(kind, loop, random), laid_freely(0.04, seed)
    xy = subdivided(laid.xy, 0.4)[0]
    xy = xy + free(xy)
    walks = []
    for number in range(2 if seed % 5 == 4 else 1):
        receiver = Receiver(noise_m, tuple(random.normal(0, noise_m, 2)), alike=(0.0, 0.5)[seed % 2])
        begin = random.uniform(0.1, 0.85)
        points, time = timed_walk(
            xy,
            receiver,
            seed=2 * seed + number,
            step_m=(0.6, 0.4, 1.0)[seed % 3],
            start_share=random.uniform(0, 1) if seed % 3 else 0.0,
            backwards=(seed // 2 + number) % 2 == 1,
            gaps=[(begin, begin + random.uniform(0.02, 0.07))] if seed % 4 == 3 and not number else [],
        )
        walks.append(WalkedTrack(points, noise_m, None, time))
    return Simulated(loop, laid, xy, free, walks)


@dataclass(frozen=True)
class Told:
    """What was told of a simulated walk, and how that is from the truth.

    Parameters
    ----------
    error_m, sd_m
        Of the length.
    told
        Whether some run has a state that tells of the change.
    right, undecided, false
        Islands by verdict.
    offset_errors
        Errors of offsets away from the change, in their standard deviations.
    claimed
        How many of those offsets were claimed to be more than laying freely.
    """

    error_m: float
    sd_m: float
    told: bool
    right: int
    undecided: int
    false: int
    offset_errors: list[float]
    claimed: int


def told(case: Simulated) -> Told:
    loop, laid = case.loop, case.laid
    found = laid_wire(case.walks, loop.xy, loop.chainage, loop.islands)
    length, sd = wire_m(found.runs)
    verdicts = [(item.verdict, laid.verdicts[item.island.name]) for item in found.islands]
    off, errors, claimed = found.off, [], 0
    for run in found.runs:
        if run.state not in ("as_planned", "off_plan"):
            continue
        at = off.chainage_m
        nodes = (at >= run.from_m + 1) & (at < run.to_m - 1) & np.isfinite(off.left_m)
        nodes &= (at < laid.changed[0] - 3) | (at > laid.changed[1] + 3)
        place, direction = places_along(loop.xy, loop.chainage, at[nodes])
        moved = case.free(place)
        left = direction[:, 0] * moved[:, 1] - direction[:, 1] * moved[:, 0]
        errors += ((off.left_m[nodes] - left) / off.sd_m[nodes]).tolist()
        claimed += int(off.claimed[nodes].sum())
    return Told(
        length - float(chainage_m(case.xy)[-1]),
        sd,
        not laid.states or bool(laid.states & {run.state for run in found.runs}),
        sum(verdict == truth for verdict, truth in verdicts),
        sum(verdict == "cannot_tell" for verdict, _ in verdicts),
        sum(verdict not in (truth, "cannot_tell") for verdict, truth in verdicts),
        errors,
        claimed,
    )


def on_lead(loop: PlannedLoop, at: float, depth: float, radius: float, *, clockwise: bool = True) -> FloatArray:
    """An island inside the loop, on a lead square to it."""
    before, foot, after = points_along(loop.xy, loop.chainage, np.array([at - 0.05, at, at + 0.05]))
    inwards = np.array([-(after - before)[1], (after - before)[0]]) / np.hypot(*(after - before))
    angle = np.arctan2(-inwards[1], -inwards[0]) + np.linspace(0, 2 * np.pi, 17) * (-1 if clockwise else 1)
    middle = foot + inwards * (depth + radius)
    around = middle + radius * np.column_stack([np.cos(angle), np.sin(angle)])
    return np.concatenate([[foot], around, [foot]])


def laid_freely(sd_m: float, seed: int) -> Callable[[FloatArray], FloatArray]:
    """How far wire lies beside where it was meant to, by place: smooth, the same for wires side by side."""
    random = np.random.default_rng(seed)
    waves = random.normal(size=(24, 2)) / 1.2  # some 5 m long
    phase, weight = random.uniform(0, 2 * np.pi, 24), random.normal(size=(24, 2)) * sd_m / np.sqrt(12)
    return lambda xy: np.sin(xy @ waves.T + phase) @ weight


def laid_otherwise(
    loop: PlannedLoop, *, wrong_way: set[str] = frozenset(), missing: set[str] = frozenset()
) -> FloatArray:  # type: ignore[assignment]
    """The loop with islands laid the wrong way round, or left out; with them go those whose leads leave from them."""
    return _laid_between(loop, 0.0, float(loop.chainage[-1]), wrong_way, missing)


def _laid_between(loop: PlannedLoop, begin: float, end: float, wrong_way: set[str], missing: set[str]) -> FloatArray:
    parts, at = [], begin
    for island in sorted(loop.islands, key=lambda item: item.lead_from_m):
        if not (at <= island.lead_from_m and island.lead_to_m <= end and (begin, end) != _ends(island)):
            continue
        parts.append(line_between(loop.xy, loop.chainage, at, island.lead_from_m))
        if island.name not in missing:
            lead = line_between(loop.xy, loop.chainage, island.lead_from_m, island.ring_from_m)
            around = _laid_between(loop, *_ends(island), wrong_way, missing)
            parts += [lead, around[::-1] if island.name in wrong_way else around, lead[::-1]]
        at = island.lead_to_m
    parts.append(line_between(loop.xy, loop.chainage, at, end))
    return np.concatenate(parts)


def _ends(island: PlannedIsland) -> tuple[float, float]:
    return island.ring_from_m, island.ring_to_m


@dataclass(frozen=True)
class Receiver:
    """How a receiver errs: noise of one point, a shift of all, part of the noise that neighbours share."""

    noise_m: float
    bias_m: tuple[float, float] = (0.0, 0.0)
    alike: float = 0.0


def walk(xy: FloatArray, receiver: Receiver, **how) -> FloatArray:  # type: ignore[no-untyped-def]
    """Points of :func:`timed_walk`."""
    return timed_walk(xy, receiver, **how)[0]


def timed_walk(
    xy: FloatArray,
    receiver: Receiver,
    *,
    seed: int,
    step_m: float = 0.6,
    start_share: float = 0.0,
    backwards: bool = False,
    gaps: list[tuple[float, float]] = [],  # noqa: B006 (never changed)
    repeats: int = 0,
    rounds: int = 1,
) -> tuple[FloatArray, FloatArray]:
    """Points of somebody who walks along a closed line, one metre a second, and the seconds at which they were taken.

    Steps are uneven; gaps are shares of the way; some points come twice.
    """
    random = np.random.default_rng(seed)
    along = chainage_m(xy)
    total = float(along[-1]) * rounds
    steps = np.cumsum(random.uniform(0.6, 1.4, int(total / step_m) + 5) * step_m)
    at = steps[steps < total]
    for low, high in gaps:
        at = at[(at < low * total) | (at > high * total)]
    time = at
    points = points_along(xy, along, (at + start_share * total) % along[-1])
    noise = random.normal(size=points.shape)
    for row in range(1, len(noise)):
        noise[row] = receiver.alike * noise[row - 1] + np.sqrt(1 - receiver.alike**2) * noise[row]
    points = points + receiver.noise_m * noise + np.array(receiver.bias_m)
    if repeats:
        again = np.sort(np.concatenate([np.arange(len(points)), random.integers(0, len(points), repeats)]))
        points, time = points[again], time[again]
    return (points[::-1], time[-1] - time[::-1]) if backwards else (points, time)
