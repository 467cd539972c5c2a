"""A plan against what was laid: match the walk, say what differs and what can't be told, keep the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely import LineString, Point

from lawngis import __version__
from lawngis.errors import LayerError, PlanError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m, line_between, points_along, subdivided
from lawngis.geometry.polygons import polygon_parts
from lawngis.record.deviation import (
    Deviations,
    deviations,
    frechet_m,
    laid_xy,
    shortcuts_m,
    shortfalls_m,
    stretches_of,
    walked_share,
    without_stretches,
)
from lawngis.record.islands import IslandFound, PlannedIsland, islands_found
from lawngis.record.matching import WalkMatch, walk_match

from ..files import gpkg
from ..model.plan import Finding, Row
from ..model.tables import table
from .layers import RECORD_LAYERS
from .tracks import Mark, TapeReading, Track, Walk

FloatArray = NDArray[np.float64]

TAPE_SD_M = 0.05
"""Standard deviation of a distance taken by tape against the plan; ours, no source."""

PROTECT_M = 0.5
"""Whoever digs keeps this far from a wire whose place is known exactly; ours, no source: local rules decide."""

SETBACK_TOLERANCE_M = 0.02

NEEDED = ("summary", "wire_path", "wire_runs", "pegs", "joins", "edges", "materials")


@dataclass(frozen=True, eq=False)
class PlannedWire:
    """One loop of a plan in its measuring frame, with what its laying is judged by."""

    parcel_id: str
    loop_id: str
    frame: MeasuringFrame
    xy: FloatArray
    chainage: FloatArray
    ground_ratio: float
    planned_m: float
    islands: Sequence[PlannedIsland]
    edges: Sequence[LineString]
    setback_m: FloatArray
    pegs: int
    joins: Sequence[Row]


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


@dataclass(frozen=True)
class Reconciled:
    """Rows of the record by layer, in the CRS of the plan, and that CRS."""

    rows: Mapping[str, Sequence[Row]]
    crs: CRS
    words: Sequence[str] = field(default_factory=tuple)


def reconciled(plan: Path, track: Track, options: ReconcileOptions | None = None) -> Reconciled:
    """Return what was laid, as far as a track tells, against a plan.

    Parameters
    ----------
    plan
        ``plan.gpkg``.
    track
        From :func:`read_track`.
    options
        How to judge.

    Raises
    ------
    PlanError
        When the plan has no wire.
    LayerError
        When the track names a loop that the plan hasn't, or lies nowhere near its wire.
    """
    options = options or ReconcileOptions()
    wires, crs, materials = planned_wires(plan)
    rows: dict[str, list[Row]] = {spec.name: [] for spec in RECORD_LAYERS}
    for wire in _walked(wires, track):
        walk = _walk_of(wire, wires, track)
        laid = _laid(wire, walk, [item for item in track.tape if item.loop_id in (None, wire.loop_id)], options)
        marks = [mark for mark in track.marks if _nearest_wire(wires, mark) is wire]
        _add_rows(rows, wire, laid, marks, options)
    _add_prices(rows, materials)
    rows["record"] += _facts(plan, options)
    by_id = {wire.parcel_id: wire.frame for wire in wires}
    words = [f"{row['loop_id']}: {row['text']}" for row in rows["laid_findings"]]
    return Reconciled({name: _in_source(by_id, some) for name, some in rows.items()}, crs, words)


def record_file(out: Path) -> Path:
    """Return where the record goes, after making sure that something can be written there.

    Raises
    ------
    PlanError
        When the folder can't be made or written to, or what lies there can't be replaced.
    """
    if out.exists() and not out.is_dir():
        raise PlanError("is a file, but the record needs a folder", where=str(out), advice="Name a folder with --out.")
    gpkg.refuse_unwritable(out / "record.gpkg")
    return out / "record.gpkg"


def write_record(path: Path, found: Reconciled) -> None:
    """Write the record as one GeoPackage, whole or not at all."""
    tables = {
        spec.name: table(spec, found.rows[spec.name], found.crs if spec.geometry else None) for spec in RECORD_LAYERS
    }
    gpkg.write_plan(path, tables, RECORD_LAYERS, crs=found.crs)


# --- the plan --------------------------------------------------------------------------------------------


def planned_wires(plan: Path) -> tuple[list[PlannedWire], CRS, pd.DataFrame]:
    """Return the loops of a plan in their measuring frames, the plan's CRS, and its materials.

    Raises
    ------
    PlanError
        When the file is no plan, or has no wire.
    """
    names = {info.name for info in gpkg.layer_overview(plan)}
    missing = [name for name in NEEDED if name not in names]
    if missing:
        raise PlanError(f"is no plan: it has no layer {missing[0]}", where=str(plan), advice="Name a plan.gpkg.")
    layers = {name: gpkg.read_layer(plan, name) for name in NEEDED if name != "materials"}
    paths = layers["wire_path"]
    if not len(paths):
        raise PlanError("has no wire", where=str(plan), advice="Name a plan with a loop.")
    outlines = layers["summary"].set_index("parcel_id").geometry
    frames = {name: MeasuringFrame.centred_on(outlines[name], paths.crs) for name in paths["parcel_id"].unique()}
    wires = [_wire(paths.iloc[row], layers, frames) for row in range(len(paths))]
    return wires, paths.crs, gpkg.read_table(plan, "materials")


def _wire(path: Any, layers: Mapping[str, geopandas.GeoDataFrame], frames: Mapping[str, MeasuringFrame]) -> PlannedWire:
    frame = frames[path["parcel_id"]]
    xy = shapely.get_coordinates(frame.to_frame([path.geometry])[0])
    xy[-1] = xy[0]
    runs = layers["wire_runs"][layers["wire_runs"]["loop_id"] == path["loop_id"]].sort_values("seq")
    lengths = shapely.length(frame.to_frame(runs.geometry.to_numpy()))
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    along = chainage_m(xy)
    edges = layers["edges"][layers["edges"]["parcel_id"] == path["parcel_id"]]
    joins = layers["joins"][layers["joins"]["loop_id"] == path["loop_id"]]
    return PlannedWire(
        parcel_id=str(path["parcel_id"]),
        loop_id=str(path["loop_id"]),
        frame=frame,
        xy=xy,
        chainage=along,
        ground_ratio=float(path["length_m"]) / float(along[-1]),
        planned_m=float(path["length_m"]),
        islands=_planned_islands(runs, ends),
        edges=list(frame.to_frame(edges.geometry.to_numpy())),
        setback_m=edges["setback_m"].to_numpy(dtype=np.float64),
        pegs=int((layers["pegs"]["loop_id"] == path["loop_id"]).sum()),
        joins=[{**row, "geometry": frame.to_frame([row["geometry"]])[0]} for row in joins.to_dict("records")],
    )


def _planned_islands(runs: geopandas.GeoDataFrame, ends: FloatArray) -> list[PlannedIsland]:
    islands = []
    for name in runs["island_id"].dropna().unique():
        own = (runs["island_id"] == name).to_numpy()
        rings = np.flatnonzero(own & (runs["run_kind"] == "island").to_numpy())
        if not len(rings):
            continue
        leads = np.flatnonzero(own)
        first, last = ends[rings[0]], ends[rings[-1] + 1]
        islands.append(
            PlannedIsland(
                str(name), float(min(ends[leads[0]], first)), float(first), float(last), float(ends[leads[-1] + 1])
            )
        )
    return islands


# --- the track -------------------------------------------------------------------------------------------


def _walked(wires: Sequence[PlannedWire], track: Track) -> list[PlannedWire]:
    names = [walk.loop_id for walk in track.walks] + [reading.loop_id for reading in track.tape]
    named = {name for name in names if name}
    unknown = sorted(named - {wire.loop_id for wire in wires})
    if unknown:
        there = ", ".join(wire.loop_id for wire in wires)
        raise LayerError(f"the track names loop {unknown[0]!r}, which the plan hasn't", advice=f"There are {there}.")
    if any(item.loop_id is None for item in track.tape) and len(wires) > 1:
        raise LayerError("readings by tape don't say their loop", advice="Add a column loop_id.")
    found = [wire for wire in wires if any(_nearest_wire(wires, walk) is wire for walk in track.walks)]
    taped = {item.loop_id or wires[0].loop_id for item in track.tape}
    return found + [wire for wire in wires if wire.loop_id in taped and wire not in found]


NEARBY_M = 30.0
"""A walk whose middle point is further from every loop than this belongs to another place."""


def _nearest_wire(wires: Sequence[PlannedWire], item: Walk | Mark) -> PlannedWire:
    if isinstance(item, Walk) and item.loop_id:
        return next(wire for wire in wires if wire.loop_id == item.loop_id)
    away = []
    for wire in wires:
        xy = item.xy if isinstance(item, Walk) else shapely.get_coordinates(item.place)
        moved = xy if item.crs is None else wire.frame.coordinates_from(item.crs, xy)
        moved = wire.frame.coordinates_from(wire.frame.source, xy) if item.crs is None else moved
        away.append(float(np.median(shapely.distance(shapely.points(moved), LineString(wire.xy)))))
    best = int(np.argmin(away))
    if not away[best] <= NEARBY_M:
        raise LayerError(
            f"the track lies {away[best]:.0f} m from the nearest loop, {wires[best].loop_id}",
            advice="Check the track's CRS, and whether it is this plan's.",
        )
    return wires[best]


def _walk_of(wire: PlannedWire, wires: Sequence[PlannedWire], track: Track) -> Walk | None:
    """Return everything walked along one loop as one walk in its frame."""
    own = [walk for walk in track.walks if _nearest_wire(wires, walk) is wire]
    if not own:
        return None
    xy = np.concatenate([wire.frame.coordinates_from(walk.crs or wire.frame.source, walk.xy) for walk in own])
    accuracy = [walk.accuracy_m for walk in own if walk.accuracy_m is not None]
    dates = [walk.date for walk in own if walk.date]
    return Walk(xy, None, wire.loop_id, max(accuracy) if accuracy else None, dates[0] if dates else None)


# --- laid ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Laid:
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


def _laid(wire: PlannedWire, walk: Walk | None, tape: Sequence[TapeReading], options: ReconcileOptions) -> _Laid:
    if walk is None:
        off = _taped(wire, tape)
        return _Laid(off, None, [], [], laid_xy(wire.xy, wire.chainage, off)[0], None)
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
    laid = _Laid(off, match, islands, left_out, np.empty((0, 2)), walk.date)
    xy, at = laid_xy(wire.xy, wire.chainage, off)
    cut = without_stretches(xy, at, laid.cuts, float(wire.chainage[-1])) if laid.cuts else xy
    return _Laid(off, match, islands, left_out, cut, walk.date)


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


# --- rows ------------------------------------------------------------------------------------------------


def _add_rows(
    rows: dict[str, list[Row]], wire: PlannedWire, laid: _Laid, marks: Sequence[Mark], options: ReconcileOptions
) -> None:
    own: dict[str, Any] = {"parcel_id": wire.parcel_id, "loop_id": wire.loop_id}
    length, sd = _laid_length(wire, laid)
    pegs = round(wire.pegs * length / wire.planned_m)
    fine, _ = subdivided(laid.xy, 1.0)
    plan_fine, _ = subdivided(wire.xy, 1.0)
    walked = "by_tape" if laid.match is None else "against" if laid.match.reversed_walk else "with"
    rows["as_laid"].append(
        own
        | {
            "planned_m": wire.planned_m,
            "laid_m": length,
            "laid_sd_m": sd,
            "pegs_planned": wire.pegs,
            "pegs_laid": pegs,
            "walked_share": walked_share(laid.off),
            "shift_x_m": float(laid.off.bias_xy[0]),
            "shift_y_m": float(laid.off.bias_xy[1]),
            "point_sd_m": laid.off.point_sd_m,
            "frechet_m": frechet_m(fine, plan_fine),
            "walked": walked,
            "date": laid.date,
            "geometry": LineString(laid.xy),
        }
    )
    rows["as_laid_runs"] += [{**own, **run} for run in _run_rows(wire, laid)]
    rows["as_laid_islands"] += [{**own, **row} for row in _island_rows(wire, laid)]
    points = _point_rows(wire, laid, marks, options)
    rows["as_laid_points"] += [{**own, **row} for row in points]
    rows["laid_findings"] += [{**own, **_finding_row(finding)} for finding in _findings(wire, laid, length, sd)]
    rows["wire_to_protect"] += [{**own, **row} for row in _protect_rows(laid, points, options)]


def _laid_length(wire: PlannedWire, laid: _Laid) -> tuple[float, float]:
    """Return the laid length along the ground and its standard deviation [m]."""
    length = float(chainage_m(laid.xy)[-1]) * wire.ground_ratio
    known = laid.off.sd_m[np.isfinite(laid.off.sd_m)]
    one = float(np.median(known)) if len(known) else 1.0
    places = 2 * len(stretches_of(laid.off.claimed)) + 2 * len(laid.cuts)
    unwalked = (1 - walked_share(laid.off)) * wire.planned_m
    return length, float(np.sqrt(places * one**2 + (0.05 * unwalked) ** 2 + (0.002 * length) ** 2))


def _run_rows(wire: PlannedWire, laid: _Laid) -> list[Row]:
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


def _moved_part(wire: PlannedWire, laid: _Laid, state: str, from_m: float, to_m: float) -> FloatArray:
    if to_m - from_m >= wire.chainage[-1] - 1e-6:
        return laid.xy if state == "off_plan" else wire.xy
    part = line_between(wire.xy, wire.chainage, from_m, min(to_m, float(wire.chainage[-1])))
    if state != "off_plan":
        return part
    xy, at = laid_xy(wire.xy, wire.chainage, laid.off)
    inside = (at >= from_m) & (at < to_m)
    return xy[inside] if inside.sum() >= 2 else part


def _island_rows(wire: PlannedWire, laid: _Laid) -> list[Row]:
    return [
        {
            "island_id": item.island.name,
            "verdict": item.verdict,
            "turned_deg": item.turned_deg,
            "why": item.why or None,
            "geometry": _middle(wire, item.island),
        }
        for item in laid.islands
    ]


def _middle(wire: PlannedWire, island: PlannedIsland) -> Point:
    ring = line_between(wire.xy, wire.chainage, island.ring_from_m, island.ring_to_m)
    return Point((ring.min(axis=0) + ring.max(axis=0)) / 2)


def _point_rows(wire: PlannedWire, laid: _Laid, marks: Sequence[Mark], options: ReconcileOptions) -> list[Row]:
    along, line = chainage_m(laid.xy), LineString(laid.xy)
    found: list[Row] = []
    for mark in marks:
        xy = wire.frame.coordinates_from(mark.crs or wire.frame.source, shapely.get_coordinates(mark.place))
        place = Point(xy[0] - laid.off.bias_xy)
        found.append(
            {
                "kind": mark.kind,
                "chainage_m": float(line.project(place)) * wire.ground_ratio,
                "depth_m": mark.depth_m,
                "photo": mark.photo,
                "note": mark.note,
                "geometry": place,
            }
        )
    if not any(mark.kind == "joint" for mark in marks):
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


def _findings(wire: PlannedWire, laid: _Laid, length: float, sd: float) -> list[Finding]:
    return [
        *_island_findings(wire, laid),
        *_setback_findings(wire, laid),
        *_stretch_findings(wire, laid),
        *_length_findings(wire, laid, length, sd),
    ]


def _island_findings(wire: PlannedWire, laid: _Laid) -> list[Finding]:
    words = {
        "missing": ("stop", "island-missing", "was not laid", "Lay it: the mower would drive there."),
        "wrong_way": (
            "stop",
            "island-wrong-way",
            "was laid the wrong way round",
            "Turn it: its field would not hold the mower off.",
        ),
        "cannot_tell": ("info", "island-unknown", "can't be judged", "Look at it on site, or walk it once more."),
    }
    found = []
    for item in laid.islands:
        if item.verdict in words:
            severity, code, text, advice = words[item.verdict]
            why = f": {item.why}" if item.why else ""
            place = _middle(wire, item.island)
            found.append(Finding(severity, code, f"island {item.island.name} {text}{why}", advice, place))
    return found


def _setback_findings(wire: PlannedWire, laid: _Laid) -> list[Finding]:
    off = laid.off
    known = np.flatnonzero(off.claimed & np.isfinite(off.left_m))
    if not len(known):
        return []
    moved, at = laid_xy(wire.xy, wire.chainage, off)
    rows = np.searchsorted(at, off.chainage_m[known])
    laid_short = shortfalls_m(moved[rows], list(wire.edges), wire.setback_m)
    plan_xy = points_along(wire.xy, wire.chainage, off.chainage_m[known])
    plan_short = np.maximum(shortfalls_m(plan_xy, list(wire.edges), wire.setback_m), 0.0)
    short = np.full(len(off.claimed), 0.0)
    short[known] = np.maximum(laid_short - plan_short - 2 * off.sd_m[known], 0.0)
    found = []
    for first, last in stretches_of(short > SETBACK_TOLERANCE_M):
        worst = first + int(np.argmax(short[first : last + 1]))
        by = float(laid_short[np.searchsorted(known, worst)])
        place = Point(moved[np.searchsorted(at, off.chainage_m[worst])])
        text = (
            f"from {off.chainage_m[first] * wire.ground_ratio:.0f} to "
            f"{off.chainage_m[last] * wire.ground_ratio:.0f} m the wire is closer to an edge than its setback, "
            f"by up to {by:.2f} ± {off.sd_m[worst]:.2f} m"
        )
        found.append(
            Finding("caution", "closer-than-setback", text, "Move it, or watch the first mowing there.", place)
        )
    return found


def _stretch_findings(wire: PlannedWire, laid: _Laid) -> list[Finding]:
    off, found = laid.off, []
    for first, last in stretches_of(off.claimed):
        worst = first + int(np.nanargmax(np.abs(off.left_m[first : last + 1])))
        side = "inside" if off.left_m[worst] > 0 else "outside"
        text = (
            f"from {off.chainage_m[first] * wire.ground_ratio:.0f} to "
            f"{off.chainage_m[last] * wire.ground_ratio:.0f} m the wire lies off the plan, up to "
            f"{abs(off.left_m[worst]):.2f} ± {off.sd_m[worst]:.2f} m to the {side}"
        )
        place = Point(points_along(wire.xy, wire.chainage, off.chainage_m[worst : worst + 1])[0])
        found.append(Finding("info", "off-plan", text, "The record shows it as laid.", place))
    for begin, end in laid.left_out:
        place = Point(points_along(wire.xy, wire.chainage, np.array([begin % wire.chainage[-1]]))[0])
        text = f"from {begin * wire.ground_ratio:.0f} m on, {(end - begin) * wire.ground_ratio:.0f} m were cut short"
        found.append(Finding("caution", "shortcut", text, "See what it leaves unmown.", place))
    unknown = stretches_of(~np.isfinite(off.left_m))
    if unknown:
        share = 100 * (1 - walked_share(off))
        text = f"along {share:.0f} % of the wire no points were taken: nothing is said of it"
        found.append(Finding("info", "not-walked", text, "Walk it again where it matters."))
    return found


def _length_findings(wire: PlannedWire, laid: _Laid, length: float, sd: float) -> list[Finding]:
    found = []
    shift = float(np.hypot(*laid.off.bias_xy))
    if shift > 0.05:
        text = f"the whole walk lies {shift:.2f} m off the plan one way: receiver or map, nobody can tell; taken off"
        found.append(Finding("info", "walk-shifted", text, "A point known in both would tell."))
    if abs(length - wire.planned_m) > max(1.0, 2 * sd):
        text = f"{length:.1f} ± {sd:.1f} m of wire lie there, {length - wire.planned_m:+.1f} m against the plan"
        found.append(Finding("info", "laid-length", text, "The price changes with it."))
    return found


def _protect_rows(laid: _Laid, points: Sequence[Row], options: ReconcileOptions) -> list[Row]:
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


def _add_prices(rows: dict[str, list[Row]], materials: pd.DataFrame) -> None:
    for parcel_id in dict.fromkeys(row["parcel_id"] for row in rows["as_laid"]):
        own = materials[materials["parcel_id"] == parcel_id].set_index("item")
        laid = [row for row in rows["as_laid"] if row["parcel_id"] == parcel_id]
        change = {
            "boundary wire": (sum(row["laid_m"] - row["planned_m"] for row in laid), _sum_sd(laid)),
            "pegs": (sum(row["pegs_laid"] - row["pegs_planned"] for row in laid), 0.0),
        }
        for item, (more, sd) in change.items():
            if item not in own.index:
                continue
            planned = float(own.loc[item, "quantity"])
            price = own.loc[item, "unit_price"]
            rows["price_change"].append(
                {
                    "parcel_id": parcel_id,
                    "item": item,
                    "planned": planned,
                    "laid": planned + more,
                    "unit": own.loc[item, "unit"],
                    "unit_price": None if pd.isna(price) else float(price),
                    "amount_change": None if pd.isna(price) else float(price) * more,
                    "amount_change_sd": None if pd.isna(price) else float(price) * sd,
                }
            )


def _sum_sd(laid: Sequence[Row]) -> float:
    return float(np.sqrt(sum(row["laid_sd_m"] ** 2 for row in laid)))


def _facts(plan: Path, options: ReconcileOptions) -> list[Row]:
    info = gpkg.read_table(plan, "run_info")
    wanted = info[info["parcel_id"].isna() & info["key"].isin(["started", "profile.wire_section_mm2", "profile.wire_slack_percent"])]  # fmt: skip  # noqa: E501
    facts = {"lawngis version": __version__, "plan": plan.name}
    facts |= {f"plan {key}": value for key, value in zip(wanted["key"], wanted["value"], strict=True)}
    facts |= {f"option {name}": str(value) for name, value in vars(options).items() if value is not None}
    return [{"parcel_id": None, "key": key, "value": value} for key, value in facts.items()]


def _in_source(frames: Mapping[str, MeasuringFrame], rows: Sequence[Row]) -> list[Row]:
    moved: list[Row] = []
    for row in rows:
        if "geometry" in row:
            place = Point() if row["geometry"] is None else row["geometry"]
            moved.append({**row, "geometry": frames[row["parcel_id"]].to_source(np.array([place], dtype=object))[0]})
        else:
            moved.append(row)
    return moved
