"""Rows of the record of a laid wire, by layer, in the measuring frame of its parcel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point

from lawngis.geometry.lines import chainage_m, line_between, points_along, subdivided
from lawngis.geometry.polygons import polygon_parts
from lawngis.record.deviation import frechet_m, laid_xy, stretches_of, walked_share

from ..model.plan import Finding, Row
from .laid_findings import laid_findings
from .laid_wire import LaidWire, ReconcileOptions
from .planned_wire import PlannedWire
from .walked_loops import WalkedLoop

FloatArray = NDArray[np.float64]


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
    length, sd = _laid_length(wire, laid)
    points = _point_rows(loop, laid, options)
    rows = {
        "as_laid": [_laid_row(wire, laid, length, sd)],
        "as_laid_runs": _run_rows(wire, laid),
        "as_laid_islands": _island_rows(wire, laid),
        "as_laid_points": points,
        "laid_findings": [_finding_row(finding) for finding in laid_findings(wire, laid, length, sd)],
        "wire_to_protect": _protect_rows(laid, points, options),
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
    planned = {row["item"]: row for row in materials}
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
    }


def _laid_row(wire: PlannedWire, laid: LaidWire, length: float, sd: float) -> Row:
    fine, _ = subdivided(laid.xy, 1.0)
    plan_fine, _ = subdivided(wire.xy, 1.0)
    return {
        "planned_m": wire.planned_m,
        "laid_m": length,
        "laid_sd_m": sd,
        "pegs_planned": wire.pegs,
        "pegs_laid": round(wire.pegs * length / wire.planned_m),
        "walked_share": walked_share(laid.off),
        "shift_x_m": float(laid.off.bias_xy[0]),
        "shift_y_m": float(laid.off.bias_xy[1]),
        "point_sd_m": laid.off.point_sd_m,
        "frechet_m": frechet_m(fine, plan_fine),
        "walked": "by_tape" if laid.match is None else "against" if laid.match.reversed_walk else "with",
        "date": laid.date,
        "geometry": LineString(laid.xy),
    }


def _laid_length(wire: PlannedWire, laid: LaidWire) -> tuple[float, float]:
    """Return the laid length along the ground and its standard deviation [m]."""
    length = float(chainage_m(laid.xy)[-1]) * wire.ground_ratio
    known = laid.off.sd_m[np.isfinite(laid.off.sd_m)]
    one = float(np.median(known)) if len(known) else 1.0
    places = 2 * len(stretches_of(laid.off.claimed)) + 2 * len(laid.cuts)
    unwalked = (1 - walked_share(laid.off)) * wire.planned_m
    return length, float(np.sqrt(places * one**2 + (0.05 * unwalked) ** 2 + (0.002 * length) ** 2))


def _run_rows(wire: PlannedWire, laid: LaidWire) -> list[Row]:
    off, length = laid.off, float(wire.chainage[-1])
    step = length / len(off.chainage_m)
    middle = off.chainage_m + step / 2
    out = np.zeros(len(middle), dtype=bool)
    for begin, end in laid.cuts:
        for turn in (0.0, length):
            out |= (middle > begin - turn) & (middle < end - turn)
    state = np.where(out, "left_out", np.where(off.claimed, "off_plan", "as_planned")).astype(object)
    state[~np.isfinite(off.left_m) & ~out] = "not_walked"
    begins = np.flatnonzero(np.concatenate([[True], state[1:] != state[:-1]]))
    ends = np.concatenate([begins[1:], [len(state)]])
    found: list[Row] = []
    for seq, (first, last) in enumerate(zip(begins, ends, strict=True), start=1):
        from_m, to_m = first * step, last * step
        some = off.left_m[first:last]
        known = np.isfinite(some)
        found.append(
            {
                "seq": seq,
                "state": str(state[first]),
                "from_m": from_m * wire.ground_ratio,
                "to_m": to_m * wire.ground_ratio,
                "left_m": float(some[known].mean()) if known.any() else None,
                "sd_m": float(off.sd_m[first:last][known].mean()) if known.any() else None,
                "geometry": LineString(_moved_part(wire, laid, str(state[first]), from_m, to_m)),
            }
        )
    return found


def _moved_part(wire: PlannedWire, laid: LaidWire, state: str, from_m: float, to_m: float) -> FloatArray:
    if to_m - from_m >= wire.chainage[-1] - 1e-6:
        return laid.xy if state == "off_plan" else wire.xy
    part = line_between(wire.xy, wire.chainage, from_m, min(to_m, float(wire.chainage[-1])))
    if state != "off_plan":
        return part
    xy, at = laid_xy(wire.xy, wire.chainage, laid.off)
    inside = (at >= from_m) & (at < to_m)
    return xy[inside] if inside.sum() >= 2 else part


def _island_rows(wire: PlannedWire, laid: LaidWire) -> list[Row]:
    return [
        {
            "island_id": item.island.name,
            "verdict": item.verdict,
            "turned_deg": item.turned_deg,
            "why": item.why or None,
            "geometry": wire.middle(item.island),
        }
        for item in laid.islands
    ]


def _point_rows(loop: WalkedLoop, laid: LaidWire, options: ReconcileOptions) -> list[Row]:
    wire = loop.wire
    along, line = chainage_m(laid.xy), LineString(laid.xy)
    found: list[Row] = []
    for point in loop.points:
        xy = wire.frame.coordinates_from(point.crs or wire.frame.source, shapely.get_coordinates(point.place))
        place = Point(xy[0] - laid.off.bias_xy)
        found.append(
            {
                "kind": point.kind,
                "chainage_m": float(line.project(place)) * wire.ground_ratio,
                "depth_m": point.depth_m,
                "photo": point.photo,
                "note": point.note,
                "geometry": place,
            }
        )
    if not any(point.kind == "joint" for point in loop.points):
        share = float(along[-1]) * wire.ground_ratio / wire.planned_m
        for join in wire.joins:
            at = float(join["chainage_m"]) * share
            found.append(
                {
                    "kind": "joint",
                    "chainage_m": at,
                    "depth_m": options.depth_m,
                    "note": f"as planned ({str(join['why']).replace('_', ' ')}); nobody noted it on the spot",
                    "geometry": Point(points_along(laid.xy, along, np.array([at / wire.ground_ratio]))[0]),
                }
            )
    return found


def _finding_row(finding: Finding) -> Row:
    return {
        "severity": finding.severity,
        "code": finding.code,
        "text": finding.text,
        "advice": finding.advice,
        "geometry": finding.place,
    }


def _protect_rows(laid: LaidWire, points: Sequence[Row], options: ReconcileOptions) -> list[Row]:
    depths = [row["depth_m"] for row in points if row.get("depth_m") is not None]
    depth = min(depths) if depths else options.depth_m
    known = laid.off.sd_m[np.isfinite(laid.off.sd_m)]
    sd = float(known.max()) if len(known) else laid.off.point_sd_m
    shift = float(np.hypot(*laid.off.bias_xy))
    buffer = options.buffer_m + 2 * sd + shift
    deep = f"{depth:.2f} m below ground or less" if depth is not None else "at a depth that nobody noted, maybe shallow"
    text = (
        f"Boundary wire of a robotic mower, extra-low voltage, {deep}. "
        f"It lies within {buffer:.2f} m of the middle of this strip. Dig by hand, and ask before cutting."
    )
    strip = LineString(laid.xy).buffer(buffer)
    return [{"buffer_m": buffer, "depth_m": depth, "warning": text, "geometry": part} for part in polygon_parts(strip)]
