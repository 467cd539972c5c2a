"""A loop whose line somebody drew anew: taken apart into runs again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

from lawngis.arrays import FloatArray
from lawngis.errors import FeatureError
from lawngis.geometry.lines import winding_number
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.loop import Loop, Run, Stretch

AS_LAID_M = 0.005
"""Wire this near to a run of the earlier loop is where that was: files round coordinates."""

_TWIN_M = 1e-3
"""The two wires of a lead coincide to this."""

_SAME_M = 1e-6

_Label = tuple[str, str | None, float | None, int | None]
"""Kind of a run, its edge class, its setback and its island."""


def reshaped_loop(line: LineString, before: Sequence[Run], stretches: Sequence[Stretch]) -> Loop:
    """Return the loop along a line that somebody drew from the line of an earlier loop, in the direction drawn.

    Where the line lies on a run of the earlier loop it is that run. Elsewhere two pieces that coincide there and back
    are a lead, and any other goes on with what came before it, along the nearest edge.

    Parameters
    ----------
    line
        Closed, from the dock and back to it [m].
    before
        Runs of the earlier loop, in laying order.
    stretches
        Edges with their setbacks.

    Returns
    -------
    Loop
        Every vertex of the line is one of its own.

    Raises
    ------
    FeatureError
        When the line has no length, or isn't closed.
    """
    xy = np.array(shapely.remove_repeated_points(line, _SAME_M).coords)[:, :2]
    if len(xy) < 4 or np.hypot(*(xy[0] - xy[-1])) > _TWIN_M:
        raise FeatureError("the line drawn for it is not closed", advice="Draw it from the dock back to the dock.")
    labels = _continued(xy, _as_laid(xy, before), stretches)
    runs, first = [], 0
    for label, group in groupby(labels):
        last = first + len(list(group))
        kind, edge_class, setback_m, island = label
        runs.append(Run(kind, xy[first : last + 1], edge_class, setback_m, island))
        first = last
    return Loop(tuple(runs))


def enclosed_ground(loop: Loop) -> Polygon | MultiPolygon:
    """Return the ground around which a loop runs anti-clockwise, without its islands; empty when there is none."""
    faces = polygon_parts(shapely.polygonize([shapely.node(LineString(loop.xy))]))
    inside = [face for face in faces if winding_number(loop.xy, np.array(face.point_on_surface().coords))[0] > 0]
    ground = shapely.union_all(inside)
    return ground if isinstance(ground, Polygon | MultiPolygon) else Polygon()


def _as_laid(xy: FloatArray, before: Sequence[Run]) -> list[Run | None]:
    """Return for each piece of a line the earlier run on which it lies, None where it lies on none.

    The two wires of a lead lie on each other: of several runs the next one in laying order is meant.
    """
    lines = [LineString(run.xy).buffer(AS_LAID_M) for run in before]
    pieces = np.asarray(shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1)), dtype=object)
    tree = shapely.STRtree(lines)
    found: list[Run | None] = []
    at = 0
    for piece in pieces:
        on = sorted(int(number) for number in tree.query(piece, predicate="covered_by"))
        at = next((number for number in on if number >= at), on[0] if on else at)
        found.append(before[at] if on else None)
    return found


def _continued(xy: FloatArray, runs: Sequence[Run | None], stretches: Sequence[Stretch]) -> list[_Label]:
    leads = dict(_twins(xy, runs))
    labels: list[_Label] = []
    for number, run in enumerate(runs):
        if run is not None:
            labels.append((run.kind, run.edge_class, run.setback_m, run.island))
        elif number in leads:
            ahead = next((later.island for later in runs[number:] if later and later.island is not None), None)
            labels.append((leads[number], None, None, ahead if leads[number] == "lead_out" else labels[-1][3]))
        else:
            came = labels[-1] if labels else ("edge", None, None, None)
            kind = "passage" if came[0] == "passage" else "island" if came[3] is not None else "edge"
            kind = "edge" if came[0] == "lead_back" else kind
            edge = None if kind == "passage" else _nearest(stretches, (xy[number] + xy[number + 1]) / 2)
            island = came[3] if kind == "island" else None
            edge_class, setback_m = (None, None) if edge is None else (edge.edge_class, edge.setback_m)
            labels.append((kind, edge_class, setback_m, island))
    return labels


def _twins(xy: FloatArray, runs: Sequence[Run | None]) -> Iterator[tuple[int, str]]:
    """Yield the pieces of new leads: those that are gone along there and back, with which of both they are."""
    new = [number for number, run in enumerate(runs) if run is None]
    for place, out in enumerate(new):
        for back in new[place + 1 :]:
            if np.hypot(*(xy[[out, out + 1]] - xy[[back + 1, back]]).T).max() <= _TWIN_M:
                yield out, "lead_out"
                yield back, "lead_back"


def _nearest(stretches: Sequence[Stretch], xy: FloatArray) -> Stretch | None:
    if not stretches:
        return None
    away = shapely.distance([stretch.line for stretch in stretches], Point(xy))
    return stretches[int(np.argmin(away))]
