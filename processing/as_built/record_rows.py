"""Rows of the record of a laid wire, by layer, in the measuring frame of its parcel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString, Point

from lawngis.arrays import FloatArray
from lawngis.geometry.lines import chainage_m, line_between, points_along, subdivided
from lawngis.geometry.polygons import polygon_parts
from lawngis.record.deviation import frechet_m
from lawngis.record.laid import (
    LaidRun,
    LaidWire,
    WalkTold,
    beside_plan,
    laid_loop_xy,
    stations_m,
    walked_share,
)

from ..model.catalogue import Said, sentences
from ..model.plan import Row
from .laid_findings import island_why, laid_findings
from .laid_wire import ReconcileOptions, laid_length_m, walked_on
from .planned_wire import PlannedWire
from .tracks import Walk
from .walked_loops import WalkedLoop


def wire_rows(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> dict[str, list[Row]]:
    """Return the rows of one loop by layer, in its measuring frame.

    Parameters
    ----------
    loop
        The loop and what a track has of it.
    laid
        How it was laid.
    options
        How it is judged.
    """
    wire = loop.wire
    points = _point_rows(loop, laid, options)
    rows: dict[str, list[Row]] = {
        "as_laid": [_laid_row(loop, laid, options)],
        "as_laid_runs": _run_rows(wire, laid),
        "as_laid_islands": _island_rows(wire, laid),
        "as_laid_points": points,
        "as_laid_offsets": _offset_rows(wire, laid),
        "laid_findings": [finding.row() for finding in laid_findings(loop, laid, options)],
        "wire_to_protect": _protect_rows(laid, points, options),
        "walks": _walk_rows(loop, laid, options),
        "walked_points": _walked_rows(loop),
    }
    own = {"parcel_id": wire.parcel_id, "loop_id": wire.loop_id}
    return {name: [{**own, **row} for row in some] for name, some in rows.items()}


def price_rows(laid: Sequence[Row], materials: Sequence[Row]) -> list[Row]:
    """Return how the price of one parcel changes with what was laid.

    Parameters
    ----------
    laid
        Its rows of `as_laid`.
    materials
        Its rows of the plan's `materials`.
    """
    sd = float(np.sqrt(sum(row["laid_sd_m"] ** 2 for row in laid)))
    change = {
        "boundary wire": (sum(row["laid_m"] - row["planned_m"] for row in laid), sd),
        "pegs": (sum(row["pegs_laid"] - row["pegs_planned"] for row in laid), 0.0),
    }
    planned: dict[str, Row] = {}
    for row in materials:  # of each mower there is one
        before = planned.get(row["item"])
        planned[row["item"]] = row if before is None else {**row, "quantity": row["quantity"] + before["quantity"]}
    return [_price_row(planned[item], *change[item]) for item in change if item in planned]


def _price_row(planned: Row, more: float, sd: float) -> Row:
    price = planned["unit_price"]
    return {
        "parcel_id": planned["parcel_id"],
        "item": planned["item"],
        "planned": planned["quantity"],
        "laid": planned["quantity"] + more,
        "unit": planned["unit"],
        "unit_price": price,
        "amount_change": None if price is None else price * more,
        "amount_change_sd": None if price is None else price * sd,
        "currency": planned.get("currency"),
    }


def _laid_row(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> Row:
    wire, xy = loop.wire, laid_loop_xy(laid.runs)
    length, sd = laid_length_m(wire, laid)
    fine, _ = subdivided(xy, 1.0)
    plan_fine, _ = subdivided(wire.xy, 1.0)
    return {
        "planned_m": wire.planned_m,
        "laid_m": length,
        "laid_sd_m": sd,
        "pegs_planned": wire.pegs,
        "pegs_laid": round(wire.pegs * length / wire.planned_m),
        "walked_share": walked_share(laid.runs),
        "shift_x_m": float(laid.off.shift_xy[0]),
        "shift_y_m": float(laid.off.shift_xy[1]),
        "point_sd_m": laid.off.point_sd_m,
        "frechet_m": frechet_m(fine, plan_fine),
        "walked": _way(laid.walks[0]) if laid.walks else "by_tape",
        "date": walked_on(loop, options),
        "geometry": LineString(xy),
    }


def _way(walk: WalkTold) -> str:
    return "against" if walk.match.reversed_walk else "with"


def _run_rows(wire: PlannedWire, laid: LaidWire) -> list[Row]:
    ratio = wire.ground_ratio
    return [
        {
            "seq": seq,
            "state": run.state,
            "from_m": run.from_m * ratio,
            "to_m": run.to_m * ratio,
            "laid_m": run.wire_m * ratio,
            "laid_sd_m": run.sd_m * ratio,
            "left_m": None if np.isnan(run.left_m) else run.left_m,
            "sd_m": run.across_sd_m,
            "geometry": LineString(_shown_xy(wire, run)),
        }
        for seq, run in enumerate(laid.runs, start=1)
    ]


def _shown_xy(wire: PlannedWire, run: LaidRun) -> FloatArray:
    """Return where a run lies, or where it was planned when it was left out."""
    return line_between(wire.xy, wire.chainage, run.from_m, run.to_m) if run.state == "left_out" else run.xy


def _offset_rows(wire: PlannedWire, laid: LaidWire) -> list[Row]:
    off = laid.off
    places = points_along(wire.xy, wire.chainage, off.chainage_m)
    return [
        {
            "chainage_m": float(off.chainage_m[row]) * wire.ground_ratio,
            "left_m": float(off.left_m[row]),
            "sd_m": float(off.sd_m[row]),
            "claimed": bool(off.claimed[row]),
            "geometry": Point(places[row]),
        }
        for row in np.flatnonzero(beside_plan(laid.runs, off.chainage_m) & np.isfinite(off.left_m))
    ]


def _walk_rows(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> list[Row]:
    rows: list[Row] = []
    for told in sorted(laid.walks, key=lambda one: one.number):
        walk = loop.walks[told.number]
        rows.append(
            {
                "walk": told.number + 1,
                "date": walk.date or walked_on(loop, options),
                "walked": _way(told),
                "points": len(walk.xy),
                "accuracy_m": options.accuracy_m if walk.accuracy_m is None else walk.accuracy_m,
                "noise_m": told.match.noise_sd_m,
                "shift_x_m": float(told.off.shift_xy[0]),
                "shift_y_m": float(told.off.shift_xy[1]),
                "geometry": LineString(walk.xy),
            }
        )
    return rows


def _walked_rows(loop: WalkedLoop) -> list[Row]:
    """Return every point as it was taken."""
    return [
        {
            "walk": number,
            "seq": seq,
            "time": time.isoformat() if walk.taken_at and (time := walk.taken_at[seq - 1]) else None,
            "accuracy_m": _stated(walk, seq - 1),
            "geometry": Point(xy),
        }
        for number, walk in enumerate(loop.walks, start=1)
        for seq, xy in enumerate(walk.xy.tolist(), start=1)
    ]


def _stated(walk: Walk, row: int) -> float | None:
    if not len(walk.stated_m):
        return walk.accuracy_m
    return None if np.isnan(walk.stated_m[row]) else float(walk.stated_m[row])


def _island_rows(wire: PlannedWire, laid: LaidWire) -> list[Row]:
    return [
        {
            "island_id": item.island.name,
            "verdict": item.verdict,
            "turned_deg": item.turned_deg,
            "why": _said(island_why(item)),
            "geometry": wire.middle(item.island),
        }
        for item in laid.islands
    ]


def _said(part: Said | None) -> str | None:
    return None if part is None else sentences().said("part", part[0], "text", part[1])


def _point_rows(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> list[Row]:
    wire, xy = loop.wire, laid_loop_xy(laid.runs)
    line, (along_line, along_wire) = LineString(xy), stations_m(laid.runs)
    found: list[Row] = []
    for point in loop.points:
        at = wire.frame.coordinates_from(point.crs or wire.frame.source, shapely.get_coordinates(point.place))
        place = Point(at[0] - laid.off.shift_xy)
        found.append(
            {
                "kind": point.kind,
                "chainage_m": float(np.interp(line.project(place), along_line, along_wire)) * wire.ground_ratio,
                "depth_m": point.depth_m,
                "photo": point.photo,
                "note": point.note,
                "geometry": place,
            }
        )
    for reading in loop.tape:
        at = points_along(wire.xy, wire.chainage, np.array([reading.chainage_m / wire.ground_ratio]))
        note = f"{reading.left_m:+.2f} m left of the plan, by tape"
        found.append({"kind": "tape", "chainage_m": reading.chainage_m, "note": note, "geometry": Point(at[0])})
    if not any(point.kind == "joint" for point in loop.points):
        share = float(along_wire[-1]) * wire.ground_ratio / wire.planned_m
        for join in wire.joins:
            chainage = float(join["chainage_m"]) * share
            at = np.interp([chainage / wire.ground_ratio], along_wire, along_line)
            found.append(
                {
                    "kind": "joint",
                    "chainage_m": chainage,
                    "depth_m": options.depth_m,
                    "note": f"as planned ({str(join['why']).replace('_', ' ')}); nobody noted it on the spot",
                    "geometry": Point(points_along(xy, chainage_m(xy), at)[0]),
                }
            )
    return found


def _protect_rows(laid: LaidWire, points: Sequence[Row], options: ReconcileOptions) -> list[Row]:
    """Return strips around what was walked, and around each stretch that nobody walked."""
    depths = [row["depth_m"] for row in points if row.get("depth_m") is not None]
    depth = min(depths) if depths else options.depth_m
    shift = float(np.hypot(*laid.off.shift_xy))
    seen = [run for run in laid.runs if run.state != "not_walked"]
    strips = [([run.xy], run.across_sd_m, 0.0) for run in laid.runs if run.state == "not_walked"]
    if seen:
        beside = beside_plan(seen, laid.off.chainage_m) & ~laid.off.claimed & np.isfinite(laid.off.left_m)
        aside = float(np.abs(laid.off.left_m[beside]).max(initial=0.0))
        strips.insert(0, ([run.xy for run in seen], max(run.across_sd_m for run in seen), aside))
    rows: list[Row] = []
    for number, (lines, sd, aside) in enumerate(strips):
        buffer = options.buffer_m + 2 * sd + aside + shift
        known = "" if seen and not number else "Nobody walked along here: "
        text = f"{known}{_warning(depth, buffer)}"
        strip = shapely.union_all(shapely.buffer([LineString(xy) for xy in lines], buffer))
        rows += [
            {"buffer_m": buffer, "depth_m": depth, "warning": text, "geometry": part} for part in polygon_parts(strip)
        ]
    return rows


def _warning(depth_m: float | None, buffer_m: float) -> str:
    deep = (
        f"{depth_m:.2f} m below ground or less"
        if depth_m is not None
        else "at a depth that nobody noted, maybe shallow"
    )
    return (
        f"Boundary wire of a robotic mower, extra-low voltage, {deep}. "
        f"It lies within {buffer_m:.2f} m of the middle of this strip. Dig by hand, and ask before cutting."
    )
