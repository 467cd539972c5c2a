"""Where a wire lies, as far as a walk or a tape tells, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lawngis.errors import LayerError
from lawngis.record.deviation import (
    Deviations,
    deviations,
    laid_xy,
    shortcuts_m,
    without_stretches,
)
from lawngis.record.islands import IslandFound, islands_found
from lawngis.record.matching import WalkMatch, walk_match

from .planned_wire import PlannedWire
from .tracks import TapeReading
from .walked_loops import WalkedLoop

FloatArray = NDArray[np.float64]

TAPE_SD_M = 0.05
"""Standard deviation of a distance taken by tape against the plan; ours, no source."""

PROTECT_M = 0.5
"""Whoever digs keeps this far from a wire whose place is known exactly; ours, no source: local rules decide."""


@dataclass(frozen=True)
class ReconcileOptions:
    """How a walk is judged.

    Parameters
    ----------
    accuracy_m
        Standard deviation of one point, where the file doesn't say [m].
    bias_m
        Standard deviation of a shift that all points share; as accuracy when None [m].
    depth_m
        Depth at which the wire was laid, where nothing was noted on the spot [m].
    buffer_m
        Strip on either side of the wire that whoever digs keeps out of, the wire's uncertainty not included [m].
    """

    accuracy_m: float | None = None
    bias_m: float | None = None
    depth_m: float | None = None
    buffer_m: float = PROTECT_M


@dataclass(frozen=True, eq=False)
class LaidWire:
    """What a walk, or a tape, says of one loop."""

    off: Deviations
    match: WalkMatch | None
    islands: Sequence[IslandFound]
    left_out: Sequence[tuple[float, float]]
    xy: FloatArray
    date: str | None

    @property
    def cuts(self) -> list[tuple[float, float]]:
        """Stretches of the plan that were not laid: missing islands with their leads, and shortcuts."""
        missing = [item.island for item in self.islands if item.verdict == "missing"]
        return [(island.lead_from_m, island.lead_to_m) for island in missing] + list(self.left_out)


def laid_wire(loop: WalkedLoop, options: ReconcileOptions) -> LaidWire:
    """Return how a loop was laid, by its walk, or where there is none by tape.

    Raises
    ------
    LayerError
        When a reading by tape lies beyond the loop's end.
    """
    wire, walk = loop.wire, loop.walk
    if walk is None:
        off = _taped(wire, loop.tape)
        return LaidWire(off, None, [], [], laid_xy(wire.xy, wire.chainage, off)[0], None)
    accuracy = walk.accuracy_m if walk.accuracy_m is not None else options.accuracy_m
    match = walk_match(walk.xy, wire.xy, wire.chainage, sd_m=accuracy)
    spread = max(match.noise_sd_m, accuracy or 0.0)
    bias_sd = spread if options.bias_m is None else options.bias_m
    off = deviations(match, wire.xy, wire.chainage, sd_m=accuracy, bias_sd_m=bias_sd)
    if np.hypot(*off.bias_xy) > 0.5 * off.point_sd_m:  # match again without the shift
        shifted = walk_match(walk.xy - off.bias_xy, wire.xy, wire.chainage, sd_m=accuracy)
        again = deviations(shifted, wire.xy, wire.chainage, sd_m=accuracy, bias_sd_m=bias_sd)
        off = replace(again, bias_xy=off.bias_xy + again.bias_xy)
        match = shifted
    islands = islands_found(match, list(wire.islands), wire.xy, wire.chainage, sd_m=off.point_sd_m)
    off = _without_islands(off, islands, float(wire.chainage[-1]))
    left_out = [cut for cut in shortcuts_m(match, sd_m=off.point_sd_m) if not _is_island(cut, wire)]
    laid = LaidWire(off, match, islands, left_out, np.empty((0, 2)), walk.date)
    xy, at = laid_xy(wire.xy, wire.chainage, off)
    cut = without_stretches(xy, at, laid.cuts, float(wire.chainage[-1])) if laid.cuts else xy
    return LaidWire(off, match, islands, left_out, cut, walk.date)


def _without_islands(off: Deviations, islands: Sequence[IslandFound], length_m: float) -> Deviations:
    """Return deviations less those along islands not laid as planned: a walk is matched there against its order."""
    other = np.zeros(len(off.claimed), dtype=bool)
    for item in islands:
        if item.verdict != "as_planned":
            for turn in (0.0, length_m):
                at = off.chainage_m + turn
                other |= (at >= item.island.lead_from_m - 1) & (at <= item.island.lead_to_m + 1)
    return replace(off, claimed=off.claimed & ~other)


def _is_island(cut: tuple[float, float], wire: PlannedWire) -> bool:
    """Return whether most of a stretch that was left out is an island with its lead: that is told there."""
    length = float(wire.chainage[-1])
    shared = 0.0
    for island in wire.islands:
        for turn in (0.0, length):
            low, high = max(cut[0], island.lead_from_m + turn), min(cut[1], island.lead_to_m + turn)
            shared += max(0.0, high - low)
    return shared > 0.5 * (cut[1] - cut[0])


def _taped(wire: PlannedWire, tape: Sequence[TapeReading]) -> Deviations:
    length = float(wire.chainage[-1])
    at = np.array([item.chainage_m / wire.ground_ratio for item in tape])
    if (at < 0).any() or (at > length + 0.5).any():
        raise LayerError(
            f"a reading by tape lies at {at.max() * wire.ground_ratio:.1f} m, but {wire.loop_id} is "
            f"{wire.planned_m:.1f} m long"
        )
    order = np.argsort(at)
    nodes: FloatArray = np.arange(max(2, round(length))) * np.float64(length / max(2, round(length)))
    left = np.interp(nodes, at[order], np.array([item.left_m for item in tape])[order])
    near = np.abs(nodes[:, None] - at[None, :]).min(axis=1) <= 2.0
    return Deviations(
        nodes,
        np.where(near, left, np.nan),
        np.where(near, TAPE_SD_M, np.nan),
        near & (np.abs(left) > 0.10 + 3 * TAPE_SD_M),
        np.zeros(2),
        TAPE_SD_M,
    )
