"""Joins between reels of wire, where hands can work: on wire along an edge, clear of corners and leads."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.wire.loop import Loop

JOIN_CLEAR_M = 0.3
"""Wire that a join wants on either side before a corner, a lead or a passage begins, so that there is room for the
connector and for two hands: common practice, no source."""

JOINED_ON: tuple[frozenset[str], ...] = (
    frozenset({"edge"}),
    frozenset({"edge", "corner", "island"}),
    frozenset({"edge", "corner", "island", "passage"}),
)
"""Kinds of runs on which wire is joined, the best first: along an edge; on an island or in a passage only where a whole
reel has no edge; never in a lead, whose two wires touch."""

_SAME_M = 1e-6


@dataclass(frozen=True)
class Joins:
    """Joins in laying order.

    Attributes
    ----------
    chainage_m
        Shape (n,) [m].
    why
        ``reel_end`` or ``closing``, shape (n,).
    """

    chainage_m: FloatArray
    why: NDArray[np.str_]


def joins(loop: Loop, chainage: FloatArray, *, reel_m: float) -> Joins:
    """Return where reels of wire are joined: at their ends, and where the loop closes.

    A reel that would end elsewhere is cut where the last edge within its length ends, so that joins are as few as
    edges allow.

    ::

        ---- edge ----+~~ corner ~~+-- edge --||==== lead ====
                   ^                                   ^
              cut here                      here the reel ends

    Parameters
    ----------
    loop
        From `laid_loop`.
    chainage
        Chainage of the loop's vertices, shape (n,) [m].
    reel_m
        Usable length of a reel, what is kept in hand already taken off [m].

    Returns
    -------
    Joins

    Raises
    ------
    ParameterError
        When a reel is not long enough to get past a lead.
    """
    if not reel_m > 0.0:
        raise ParameterError(f"reel_m {reel_m:g} is not a length")
    total_m = float(chainage[-1])
    places = [_places(loop, chainage, kinds) for kinds in JOINED_ON]
    at: list[float] = []
    done = 0.0
    while done + reel_m < total_m - _SAME_M:
        found = (_last_place(some, done, done + reel_m) for some in places)
        end = next((place for place in found if place is not None), None)
        if end is None:
            raise ParameterError(
                f"reel_m {reel_m:g} is shorter than the lead at {done:.1f} m", advice="Use a longer reel."
            )
        at.append(end)
        done = end
    return Joins(np.array([*at, total_m]), np.array(["reel_end"] * len(at) + ["closing"]))


def _places(loop: Loop, chainage: FloatArray, kinds: Collection[str]) -> FloatArray:
    """Chainages between which wire may be joined on runs of some kinds, clear of all others, shape (k, 2)."""
    runs = zip(loop.runs, chainage[loop.run_vertices()], strict=True)
    parts = [list(group) for held, group in groupby(runs, key=lambda item: item[0].kind in kinds) if held]
    ends = np.array([[part[0][1][0] + JOIN_CLEAR_M, part[-1][1][1] - JOIN_CLEAR_M] for part in parts]).reshape(-1, 2)
    roomy: FloatArray = ends[ends[:, 0] <= ends[:, 1]]
    return roomy


def _last_place(places: FloatArray, done_m: float, reel_end_m: float) -> float | None:
    """The last chainage in some intervals that a reel from `done_m` on reaches; None where it reaches none."""
    reached = places[(places[:, 0] <= reel_end_m) & (places[:, 1] > done_m)]
    if not len(reached):
        return None
    last = min(float(reached[-1, 1]), reel_end_m)
    return last if last > done_m + _SAME_M else None
