"""Simulated walks along a laid loop with known truth, for tests and the benchmark."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lawngis.geometry.lines import chainage_m, line_between, points_along
from lawngis.record.islands import PlannedIsland

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


def planned_loop(radius_m: float = 2.5) -> PlannedLoop:
    first, second = ring(9.0, 8.0, radius_m), ring(21.0, 9.0, radius_m)
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


def walk(
    xy: FloatArray,
    receiver: Receiver,
    *,
    seed: int,
    step_m: float = 0.6,
    start_share: float = 0.0,
    backwards: bool = False,
    gaps: list[tuple[float, float]] = [],  # noqa: B006 (never changed)
    repeats: int = 0,
) -> FloatArray:
    """Points of somebody who walks once along a closed line: uneven steps, gaps as shares of the way, double points."""
    random = np.random.default_rng(seed)
    along = chainage_m(xy)
    total = float(along[-1])
    steps = np.cumsum(random.uniform(0.6, 1.4, int(total / step_m) + 5) * step_m)
    at = steps[steps < total]
    share = at / total
    for low, high in gaps:
        at = at[(share < low) | (share > high)]
        share = at / total
    at = (at + start_share * total) % total
    points = points_along(xy, along, at)
    noise = random.normal(size=points.shape)
    for row in range(1, len(noise)):
        noise[row] = receiver.alike * noise[row - 1] + np.sqrt(1 - receiver.alike**2) * noise[row]
    points = points + receiver.noise_m * noise + np.array(receiver.bias_m)
    if repeats:
        points = np.insert(points, random.integers(1, len(points), repeats), points[0] * np.nan, axis=0)
        bad = np.isnan(points[:, 0])
        points[bad] = points[np.flatnonzero(bad) - 1]
        points = points[~np.isnan(points[:, 0])]
    return points[::-1] if backwards else points
