"""What differs between two plans of one parcel: ground, zones, wire, dock, price, week and risk."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.frame import MeasuringFrame, horizontal_crs
from lawngis.geometry.polygons import polygon_parts
from lawngis.record.changes import area_gained, pairs_of_places, stretches_apart

from ..model.plan import Row
from ..model.readiness import readiness_of, readiness_word
from .figures import FigureRow, Layers, figures

SAME_PLACE_M = 1.5
"""Findings, checks and links of one kind this near to each other are the same one."""


NOWHERE = Point()


@dataclass(frozen=True)
class Tolerances:
    """Differences that are none.

    Parameters
    ----------
    wire_m, dock_m
        Wire and dock this far off lie where they lay [m].
    width_m, area_m2
        Ground narrower or smaller than this is no change [m], [m²].
    """

    wire_m: float = 0.10
    dock_m: float = 0.25
    width_m: float = 0.05
    area_m2: float = 0.10


@dataclass(frozen=True, eq=False)
class ParcelDifference:
    """What differs on one parcel: figures, rows of the layers of differences, in the CRS of plan A."""

    parcel_id: str
    figures: Sequence[FigureRow]
    rows: Mapping[str, Sequence[Row]]

    @property
    def any(self) -> bool:
        """Whether anything differs."""
        told = any(item.a != item.b for item in self.figures if isinstance(item.a, str) or isinstance(item.b, str))
        return told or any(self.rows.values()) or any(abs(item.difference or 0.0) > 1e-6 for item in self.figures)


def parcel_difference(
    parcel_id: str, a: tuple[Layers, CRS], b: tuple[Layers, CRS], tolerances: Tolerances
) -> ParcelDifference:
    """Return what differs between two plans of one parcel.

    Parameters
    ----------
    parcel_id
        The parcel.
    a, b
        Rows by layer, and the CRS that their geometry is in.
    tolerances
        Differences that are none.
    """
    frame = _frame(a, b)
    before, after = _in_frame(a, frame), _in_frame(b, frame)
    pieces = _ground(before, after, tolerances)
    stretches = _wire(before, after, tolerances)
    docks = _dock_pairs(before, after)
    points = [
        *_verdict(before, after),
        *_zones(before, after),
        *_links(before, after),
        *_docks(before, after, docks, tolerances),
        *_noticed(before, after, "findings", docks),
        *_noticed(before, after, "visit_checks", docks),
    ]
    rows = {
        "ground_changed": _named(parcel_id, "ground", pieces, frame),
        "wire_changed": _named(parcel_id, "wire", stretches, frame),
        "points_changed": _named(parcel_id, "point", points, frame),
    }
    return ParcelDifference(parcel_id, figures(parcel_id, before, after, pieces, stretches), rows)


def _frame(a: tuple[Layers, CRS], b: tuple[Layers, CRS]) -> MeasuringFrame:
    """Return the frame of the parcel in plan A, or of that in B where A has no outline; it goes back to A's CRS."""
    source = horizontal_crs(a[1])
    for rows, crs in (a, b):
        outline = rows["summary"][0]["geometry"]
        if outline is not None and not outline.is_empty:
            return replace(MeasuringFrame.centred_on(outline, crs), source=source)
    return MeasuringFrame(source, 0.0, 0.0)


def _in_frame(side: tuple[Layers, CRS], frame: MeasuringFrame) -> dict[str, list[Row]]:
    layers, crs = side
    moved: dict[str, list[Row]] = {}
    for name, rows in layers.items():
        shapes = [row.get("geometry") for row in rows]
        there = [number for number, shape in enumerate(shapes) if shape is not None and not shape.is_empty]
        placed = frame.to_frame(np.array([shapes[n] for n in there], dtype=object), crs) if there else ()
        own: list[dict[str, Any]] = [{**row, "geometry": NOWHERE} for row in rows]
        for number, shape in zip(there, placed, strict=True):
            own[number]["geometry"] = shape
        moved[name] = list(own)
    return moved


def _named(parcel_id: str, word: str, rows: Sequence[Row], frame: MeasuringFrame) -> list[Row]:
    """Return rows with their names, in the CRS of the plan."""
    shapes = [row["geometry"] for row in rows]
    there = [number for number, shape in enumerate(shapes) if not shape.is_empty]
    placed = frame.to_source(np.array([shapes[n] for n in there], dtype=object)) if there else ()
    for number, shape in zip(there, placed, strict=True):
        shapes[number] = shape
    return [
        {"parcel_id": parcel_id, "change_id": f"{parcel_id}-{word}{number}", **row, "geometry": shape}
        for number, (row, shape) in enumerate(zip(rows, shapes, strict=True), start=1)
    ]


def _mowed(layers: Layers) -> BaseGeometry:
    return shapely.union_all([row["geometry"] for row in layers["zones"] if row["supply"] != "none"])


def _ground(a: Layers, b: Layers, tolerances: Tolerances) -> list[Row]:
    before, after = _mowed(a), _mowed(b)
    rows: list[Row] = []
    for change, one, two, other in (("gained", before, after, a), ("lost", after, before, b)):
        pieces = area_gained(one, two, width_min_m=tolerances.width_m, area_min_m2=tolerances.area_m2)
        for piece in pieces:
            rows += [
                {"change": change, "reason": reason, "area_m2": part.area, "geometry": part}
                for reason, part in _reasons(piece, other, tolerances)
            ]
    return rows


def _reasons(piece: Polygon, other: Layers, tolerances: Tolerances) -> list[tuple[str, Polygon]]:
    """Return a piece cut by what the plan that doesn't mow it has there, with that in words."""
    told = [(f"keep-out: {row['reason']}", row["geometry"]) for row in other["keepouts"]]
    told += [(f"mown by hand: {row['reason']}", row["geometry"]) for row in other["hand_mow"]]
    told += [("a zone without supply", row["geometry"]) for row in other["zones"] if row["supply"] == "none"]
    found: list[tuple[str, Polygon]] = []
    left: BaseGeometry = piece
    by_reason: dict[str, list[BaseGeometry]] = {}
    for reason, shape in told:
        if shape.intersects(piece):
            by_reason.setdefault(reason, []).append(shape)
    for reason, shapes in by_reason.items():
        there = shapely.union_all(shapes)
        found += [(reason, part) for part in polygon_parts(left.intersection(there))]
        left = left.difference(there)
    lawn = shapely.union_all([row["geometry"] for row in other["lawn"]])
    found += [("lawn, but in no zone", part) for part in polygon_parts(left.intersection(lawn))]
    found += [("no lawn" if other["lawn"] else "not planned", part) for part in polygon_parts(left.difference(lawn))]
    worth = [(reason, part) for reason, part in found if part.area >= tolerances.area_m2]
    return worth or [max(found, key=lambda item: item[1].area)]


def _wire(a: Layers, b: Layers, tolerances: Tolerances) -> list[Row]:
    rows: list[Row] = []
    for change, own, other in (("only_a", a, b), ("only_b", b, a)):
        lines = [row["geometry"] for row in other["wire_path"]]
        for loop in own["wire_path"]:
            for stretch in stretches_apart(loop["geometry"], lines, tolerance_m=tolerances.wire_m):
                apart = stretch.apart_m if isfinite(stretch.apart_m) else None
                rows.append(
                    {
                        "change": change,
                        "loop_id": loop["loop_id"],
                        "length_m": stretch.line.length,
                        "moved_m": apart,
                        "geometry": stretch.line,
                    }
                )
    return rows


def _point(thing: str, change: str, text: str, place: BaseGeometry, **more: Any) -> Row:
    point = place if isinstance(place, Point) else place.representative_point()
    return {"thing": thing, "change": change, "text": text, "geometry": point, **more}


def _verdict(a: Layers, b: Layers) -> list[Row]:
    one, two = a["summary"][0], b["summary"][0]
    before, after = readiness_of(one), readiness_of(two)
    if before == after:
        return []
    text = f"{readiness_word(before)} in A, {readiness_word(after)} in B"
    place = one["geometry"] if not one["geometry"].is_empty else two["geometry"]
    return [_point("parcel", "changed", text, place, in_a=one["verdict_text"], in_b=two["verdict_text"])]


def _zones(a: Layers, b: Layers) -> list[Row]:
    """Return zones whose part in the plan is another; the same zone is the one that overlaps most."""
    pairs = _overlapping(a["zones"], b["zones"])
    rows: list[Row] = []
    for one, two in pairs:
        was, now = _zone_words(a["zones"][one]), _zone_words(b["zones"][two])
        if was != now:
            place = b["zones"][two]["geometry"]
            names = _both_names(a["zones"][one]["zone_id"], b["zones"][two]["zone_id"])
            rows.append(_point("zone", "changed", f"{names}: {was} in A, {now} in B", place, in_a=was, in_b=now))
    return rows + _unpaired("zone", a["zones"], b["zones"], pairs, "zone_id", _zone_words)


def _zone_words(zone: Row) -> str:
    return f"{zone['role']}, supply {str(zone['supply']).replace('_', ' ')}"


def _overlapping(before: Sequence[Row], after: Sequence[Row]) -> list[tuple[int, int]]:
    shares = sorted(
        (
            (-one["geometry"].intersection(two["geometry"]).area, i, j)
            for i, one in enumerate(before)
            for j, two in enumerate(after)
            if one["geometry"].intersects(two["geometry"])
        ),
    )
    pairs: list[tuple[int, int]] = []
    for overlap, i, j in shares:
        if overlap < 0 and all(i != one and j != two for one, two in pairs):
            pairs.append((i, j))
    return sorted(pairs)


def _links(a: Layers, b: Layers) -> list[Row]:
    middles = [[row["geometry"].interpolate(0.5, normalized=True) for row in side["links"]] for side in (a, b)]
    pairs = pairs_of_places(*middles, reach_m=SAME_PLACE_M)
    rows: list[Row] = []
    for one, two in pairs:
        was, now = a["links"][one], b["links"][two]
        if was["kind"] != now["kind"]:
            names = _both_names(was["link_id"], now["link_id"])
            text = f"{names}: {was['kind']} in A ({was['width_m']:.2f} m), {now['kind']} in B ({now['width_m']:.2f} m)"
            rows.append(_point("link", "changed", text, middles[1][two], in_a=was["kind"], in_b=now["kind"]))
    before, after = (
        [{**row, "geometry": middle} for row, middle in zip(side["links"], some, strict=True)]
        for side, some in zip((a, b), middles, strict=True)
    )
    return rows + _unpaired("link", before, after, pairs, "link_id", lambda row: str(row["kind"]))


def _both_names(a: str, b: str) -> str:
    return a if a == b else f"{a}, now {b}"


def _alone(before: Sequence[Row], after: Sequence[Row], pairs: Sequence[tuple[int, int]]) -> list[tuple[str, Row]]:
    """Return the rows without a partner, and whether each went or came."""
    first, second = {one for one, _ in pairs}, {two for _, two in pairs}
    went = [("went", row) for number, row in enumerate(before) if number not in first]
    return went + [("came", row) for number, row in enumerate(after) if number not in second]


def _unpaired(
    thing: str,
    before: Sequence[Row],
    after: Sequence[Row],
    pairs: Sequence[tuple[int, int]],
    key: str,
    words: Callable[[Row], str],
) -> list[Row]:
    rows = []
    for change, row in _alone(before, after, pairs):
        has, lacks, column = ("A", "B", "in_a") if change == "went" else ("B", "A", "in_b")
        text = f"{row[key]}: {words(row)} in {has}, nothing in {lacks}"
        rows.append(_point(thing, change, text, row["geometry"], **{column: words(row)}))
    return rows


def _dock_pairs(a: Layers, b: Layers) -> list[tuple[int, int]]:
    """Return which docks are the same, wherever they stand: the nearest."""
    places = ([row["geometry"] for row in side["dock_candidates"]] for side in (a, b))
    return pairs_of_places(*places, reach_m=1e9)


def _docks(a: Layers, b: Layers, pairs: Sequence[tuple[int, int]], tolerances: Tolerances) -> list[Row]:
    """Return docks that stand elsewhere; those beyond have come or gone."""
    before, after = a["dock_candidates"], b["dock_candidates"]
    rows: list[Row] = []
    for one, two in pairs:
        away = float(before[one]["geometry"].distance(after[two]["geometry"]))
        if away > tolerances.dock_m:
            was, now = before[one]["candidate_id"], after[two]["candidate_id"]
            text = f"the dock moved by {away:.1f} m"
            place = after[two]["geometry"]
            rows.append(_point("dock", "moved", text, place, in_a=was, in_b=now, moved_m=away))
    return rows + _unpaired("dock", before, after, pairs, "candidate_id", lambda row: "a dock")


_NOTICED = {
    "findings": ("finding", "code", "text"),
    "visit_checks": ("visit_check", "decides", "measure_what"),
}


def _noticed(a: Layers, b: Layers, layer: str, docks: Sequence[tuple[int, int]]) -> list[Row]:
    """Return findings and checks that only one plan has; the same one is of one kind, at one place or at one dock."""
    thing, kind, text = _NOTICED[layer]
    before, after = a[layer], b[layer]
    kinds = tuple([(row[kind], row.get("severity")) for row in side] for side in (before, after))
    places = tuple([row["geometry"] for row in side] for side in (before, after))
    pairs = pairs_of_places(*places, reach_m=SAME_PLACE_M, kinds=(kinds[0], kinds[1]))
    pairs += _at_moved_docks(
        places, kinds, pairs, [(a["dock_candidates"][i], b["dock_candidates"][j]) for i, j in docks]
    )
    rows = []
    for change, row in _alone(before, after, pairs):
        column, word = ("in_a", "no longer") if change == "went" else ("in_b", "new")
        told = {column: row[text], "severity": row.get("severity")}
        rows.append(_point(thing, change, f"{word}: {row[text]}", row["geometry"], **told))
    return rows


def _at_moved_docks(
    places: Sequence[Sequence[BaseGeometry]],
    kinds: Sequence[Sequence[Hashable]],
    pairs: Sequence[tuple[int, int]],
    docks: Sequence[tuple[Row, Row]],
) -> list[tuple[int, int]]:
    """Return pairs, of things without a partner, that are of one kind and lie at one dock, which has moved."""
    first, second = {one for one, _ in pairs}, {two for _, two in pairs}
    found: list[tuple[int, int]] = []
    for was, now in docks:
        left = [
            [n for n, place in enumerate(some) if n not in taken and place.distance(dock["geometry"]) <= SAME_PLACE_M]
            for some, taken, dock in zip(places, (first, second), (was, now), strict=True)
        ]
        at = tuple([NOWHERE] * len(side) for side in left)  # all are at the one dock: their kinds alone tell them apart
        own = tuple([of[n] for n in side] for of, side in zip(kinds, left, strict=True))
        for one, two in pairs_of_places(at[0], at[1], reach_m=0.0, kinds=(own[0], own[1])):
            found.append((left[0][one], left[1][two]))
            first.add(left[0][one])
            second.add(left[1][two])
    return found
