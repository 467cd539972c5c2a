"""Wire in the order in which hands lay it: its runs put together to stretches, cut at joints."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from shapely import LineString

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import chainage_m, line_between

from ..model.plan import Row

_SAME_M = 1e-6

LAID_AS: Mapping[str, str] = {
    "edge": "lay_edge",
    "corner": "lay_edge",
    "passage": "lay_passage",
    "island": "lay_island",
    "lead_out": "lead_out",
    "lead_back": "lead_back",
}
"""Kind of run to what is done along it."""


@dataclass(frozen=True, eq=False)
class LaidStretch:
    """Wire that is laid in one go.

    Parameters
    ----------
    what
        One of the values of :data:`LAID_AS`.
    from_m, to_m
        Chainages [m].
    island_id
        Island that it goes round or leads to.
    """

    what: str
    from_m: float
    to_m: float
    island_id: str | None


def laid_stretches(runs: Sequence[Row], joints_m: Sequence[float]) -> list[LaidStretch]:
    """Return the stretches of a loop in laying order: neighbouring runs of a kind together, cut where wire is joined.

    Parameters
    ----------
    runs
        Rows of `wire_runs` of one loop, in order.
    joints_m
        Chainages of its joints [m].
    """
    together: list[LaidStretch] = []
    for run in runs:
        what = "lay_island" if run["run_kind"] == "corner" and run["island_id"] else LAID_AS[run["run_kind"]]
        found = LaidStretch(what, run["from_m"], run["to_m"], run["island_id"])
        last = together[-1] if together else None
        if last is not None and (last.what, last.island_id) == (found.what, found.island_id):
            together[-1] = LaidStretch(what, last.from_m, found.to_m, found.island_id)
        else:
            together.append(found)
    return [part for stretch in together for part in _cut(stretch, joints_m)]


def _cut(stretch: LaidStretch, joints_m: Sequence[float]) -> list[LaidStretch]:
    inside = [at for at in sorted(joints_m) if stretch.from_m + _SAME_M < at < stretch.to_m - _SAME_M]
    ends = pairwise([stretch.from_m, *inside, stretch.to_m])
    return [LaidStretch(stretch.what, low, high, stretch.island_id) for low, high in ends]


@dataclass(frozen=True, eq=False)
class LoopLine:
    """A loop's line with the lengths along the ground of its vertices, as its runs tell them."""

    xy: FloatArray
    chainage_m: FloatArray

    def between(self, from_m: float, to_m: float) -> LineString:
        """Return the wire between two chainages."""
        return LineString(line_between(self.xy, self.chainage_m, from_m, to_m))


def loop_line(runs: Sequence[Row]) -> LoopLine:
    """Return a loop's line, from its runs in order."""
    xy: list[FloatArray] = [np.array(runs[0]["geometry"].coords)[:1, :2]]
    at: list[FloatArray] = [np.array([runs[0]["from_m"]])]
    for run in runs:
        line = np.array(run["geometry"].coords)[:, :2]
        along = chainage_m(line)
        share = along / along[-1] if along[-1] > 0.0 else along
        xy.append(line[1:])
        at.append(run["from_m"] + share[1:] * (run["to_m"] - run["from_m"]))
    return LoopLine(np.concatenate(xy), np.concatenate(at))
