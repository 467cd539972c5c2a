"""Where a wire lies, as far as walks or a tape tell, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from lawngis.errors import LayerError
from lawngis.record.laid import LaidWire, WalkedTrack, taped_wire, wire_m
from lawngis.record.laid import laid_wire as laid_by_walks

from .planned_wire import PlannedWire
from .walked_loops import WalkedLoop

PROTECT_M = 0.5
"""Whoever digs keeps this far from a wire whose place is known exactly; ours, no source: local rules decide."""


@dataclass(frozen=True)
class ReconcileOptions:
    """How walks are judged, and what the record says of them.

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
    walked
        Day of the walk; that of the file when None.
    instrument
        What the points were taken with.
    made_by
        Who made the record.
    """

    accuracy_m: float | None = None
    bias_m: float | None = None
    depth_m: float | None = None
    buffer_m: float = PROTECT_M
    walked: date | None = None
    instrument: str | None = None
    made_by: str | None = None


def laid_wire(loop: WalkedLoop, options: ReconcileOptions) -> LaidWire:
    """Return how a loop was laid, by its walks, or where there is none by tape.

    Raises
    ------
    LayerError
        When a reading by tape lies beyond the loop's end.
    ParameterError
        When a walk has too few points.
    """
    wire = loop.wire
    if not loop.walks:
        return _by_tape(loop)
    tracks = [
        WalkedTrack(
            walk.xy,
            options.accuracy_m if walk.accuracy_m is None else walk.accuracy_m,
            options.bias_m,
            walk.time_s,
        )
        for walk in loop.walks
    ]
    return laid_by_walks(tracks, wire.xy, wire.chainage, wire.islands)


def _by_tape(loop: WalkedLoop) -> LaidWire:
    wire = loop.wire
    at = np.array([item.chainage_m / wire.ground_ratio for item in loop.tape])
    if (at < 0).any() or (at > wire.chainage[-1] + 0.5).any():
        raise LayerError(
            f"a reading by tape lies at {at.max() * wire.ground_ratio:.1f} m, but {wire.loop_id} is "
            f"{wire.planned_m:.1f} m long"
        )
    return taped_wire(at, np.array([item.left_m for item in loop.tape]), wire.xy, wire.chainage)


def laid_length_m(wire: PlannedWire, laid: LaidWire) -> tuple[float, float]:
    """Return the length laid along the ground and its standard deviation [m]."""
    length, sd = wire_m(laid.runs)
    return length * wire.ground_ratio, sd * wire.ground_ratio


def walked_on(loop: WalkedLoop, options: ReconcileOptions) -> str | None:
    """Return the day of the walk as ISO 8601: as a person says, else as the file does; None when neither does."""
    if options.walked is not None:
        return options.walked.isoformat()
    return next((walk.date for walk in loop.walks if walk.date), None)
