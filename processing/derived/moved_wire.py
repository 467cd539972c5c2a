"""Edges beside which the wire was moved on the walk around: there it keeps more than its setback, and never less."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString, Point
from shapely.ops import substring

from lawngis.mower import MowerProfile

from ..model.facts import Fact
from ..model.plan import Finding, Plan, Row
from ..model.site import Site
from .decisions import setback_m
from .matching import applied, no_target

MOVED_REACH_M = 1.0
"""Wire is moved so far to either side of where the mower came too near: common practice, no source."""

WIRE_OFF_M = 1.0
"""A place on the wire is no farther from its edge than the largest setback and this; beyond it no edge is meant."""

SHORTEST_M = 0.02
"""Shorter pieces of an edge stay with their neighbour."""

_SAME_M = 1e-9


@dataclass(frozen=True, eq=False)
class _Cut:
    """A piece of an edge, and whether the wire beside it was moved."""

    line: LineString
    moved: bool


def edges_beside_moved_wire(
    site: Site, plan: Plan, rows: Sequence[Row], mower: MowerProfile
) -> tuple[list[Row], list[Finding]]:
    """Return edges with what the wire keeps from them since it was moved, and what is said of that.

    The wire may come nearer to an edge again where it was moved away before, but never nearer than the rules let it.

    Parameters
    ----------
    site
        With the facts of how far the wire was moved: onto the lawn, or less than 0 towards the edge [m].
    plan
        Whose words are used.
    rows
        Rows of `edges`.
    mower
        Whose setbacks hold.
    """
    moved, findings = list(rows), list[Finding]()
    for fact in site.facts.moves:
        place = fact.place
        if not isinstance(place, Point) or not moved:
            findings.append(no_target(fact, []))
            continue
        away_m = shapely.distance([row["geometry"] for row in moved], place)
        nearest = moved[int(np.argmin(away_m))]
        if away_m.min() > max(row["setback_m"] for row in moved) + WIRE_OFF_M:
            values = {"case": "feature", "feature_id": nearest["edge_id"], "away_m": float(away_m.min())}
            findings.append(no_target(fact, [("nearest", values)]))
            continue
        own = [row for row in moved if row["zone_id"] == nearest["zone_id"]]
        disc = place.buffer(float(np.hypot(away_m.min(), MOVED_REACH_M)))
        kept = {row["edge_id"]: list(_rows(site, plan, row, disc, fact, mower)) for row in own}
        moved = [piece for row in moved for piece in kept.get(row["edge_id"], [row])]
        findings.append(_finding(fact, place, nearest, kept[nearest["edge_id"]]))
    return moved, findings


def _rows(
    site: Site, plan: Plan, row: Row, disc: shapely.Polygon, fact: Fact[float], mower: MowerProfile
) -> Iterator[Row]:
    """Yield the pieces of an edge, with another setback for those inside the disc."""
    pieces = list(_cuts(row["geometry"], disc))
    if not any(piece.moved for piece in pieces):
        yield row
        return
    for number, piece in enumerate(pieces, start=1):
        least_m = setback_m(site, row["edge_class"], row["geometry"], mower)
        wanted_m = row["setback_m"] + (fact.value if piece.moved else 0.0)
        words = plan.catalogue.said("part", "wire-moved", "text", {"moved_m": fact.value, "note": fact.note})
        yield {
            **row,
            "edge_id": row["edge_id"] if number == 1 else f"{row['edge_id']}.{number}",
            "setback_m": max(least_m, wanted_m) if piece.moved else row["setback_m"],
            "length_m": piece.line.length,
            "evidence": f"{row['evidence']}; {words}" if piece.moved else row["evidence"],
            "geometry": piece.line,
        }


def _cuts(line: LineString, disc: shapely.Polygon) -> Iterator[_Cut]:
    """Yield the pieces of a line in and out of a disc, in order."""
    crossings = shapely.get_coordinates(shapely.intersection(line, shapely.boundary(disc)))
    inner = sorted(float(line.project(Point(xy))) for xy in crossings)
    ends = [0.0]
    for at in inner:
        if at - ends[-1] > SHORTEST_M and line.length - at > SHORTEST_M:
            ends.append(at)
    ends.append(line.length)
    for low, high in pairwise(ends):
        part = substring(line, low, high) if len(ends) > 2 else line
        if isinstance(part, LineString) and part.length > _SAME_M:
            yield _Cut(part, bool(shapely.intersects(disc, line.interpolate((low + high) / 2))))


def _finding(fact: Fact[float], place: Point, before: Row, pieces: Sequence[Row]) -> Finding:
    """Say what the wire keeps since; what would have come too near to its edge is a caution."""
    kept_m = max((row["setback_m"] for row in pieces), default=before["setback_m"])
    if fact.value < 0.0:
        kept_m = min(row["setback_m"] for row in pieces)
    values = {"edge_id": before["edge_id"], "moved_m": fact.value, "setback_m": kept_m, "before_m": before["setback_m"]}
    if kept_m > before["setback_m"] + fact.value + 0.005:
        return Finding("caution", "wire-move-short", {**values, "note": fact.note}, place)
    return applied(fact, "wire_moved", values)
