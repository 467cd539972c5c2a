"""A plan against what was laid: match the walk, say what differs and what can't be told, keep the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from pyproj import CRS
from shapely import Point

from lawngis import __version__
from lawngis.geometry.frame import MeasuringFrame

from ..files import gpkg
from ..files.digests import sha256
from ..files.plan_reader import PlanFile, plan_file
from ..model.plan import Row
from ..model.tables import table
from .laid_wire import ReconcileOptions, laid_wire
from .layers import RECORD_LAYERS
from .planned_wire import WIRE_LAYERS
from .record_rows import price_rows, wire_rows
from .tracks import Track
from .walked_loops import walked_loops


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
        ``plan.gpkg``, or the folder that it is in.
    track
        From :func:`read_track`.
    options
        How to judge.

    Raises
    ------
    PlanError
        When it is no plan, or has no wire.
    LayerError
        When the track names a loop that the plan hasn't, or lies nowhere near its wire.
    """
    options = options or ReconcileOptions()
    found = plan_file(plan, needed=(*WIRE_LAYERS, "materials"))
    rows: dict[str, list[Row]] = {spec.name: [] for spec in RECORD_LAYERS}
    frames: dict[str, MeasuringFrame] = {}
    for loop in walked_loops(found, track):
        frames[loop.wire.parcel_id] = loop.wire.frame
        for name, some in wire_rows(loop, laid_wire(loop, options), options).items():
            rows[name] += some
    for parcel_id, layers in found.parcels(("materials", "summary"), list(frames)):
        own = [row for row in rows["as_laid"] if row["parcel_id"] == parcel_id]
        rows["price_change"] += price_rows(own, layers["materials"])
        rows["record"] += _mower_facts(found, parcel_id, layers["summary"])
    rows["record"] += _facts(found, track, options)
    words = [f"{row['loop_id']}: {row['text']}" for row in rows["laid_findings"]]
    return Reconciled({name: _in_source(frames, some) for name, some in rows.items()}, found.crs, words)


def write_record(path: Path, found: Reconciled) -> None:
    """Write the record as one GeoPackage, whole or not at all."""
    tables = {
        spec.name: table(spec, found.rows[spec.name], found.crs if spec.geometry else None) for spec in RECORD_LAYERS
    }
    gpkg.write_plan(path, tables, RECORD_LAYERS, crs=found.crs)


_TAKEN_OVER = ("lawngis version", "started", "finished", "profile.wire_section_mm2", "profile.wire_slack_percent")
"""What the record keeps of how the plan was made."""


def _facts(plan: PlanFile, track: Track, options: ReconcileOptions) -> list[Row]:
    facts = {
        "lawngis version": __version__,
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "plan": plan.path.name,
        "plan sha256": sha256(plan.path),
    }
    facts |= {f"plan {key}": value for key, value in plan.facts.items() if key in _TAKEN_OVER}
    if track.file is not None:
        facts |= {"track": track.file.name, "track sha256": sha256(track.file)}
    facts |= {f"option {name}": str(value) for name, value in vars(options).items() if value is not None}
    return [{"parcel_id": None, "key": key, "value": value} for key, value in facts.items()]


def _mower_facts(plan: PlanFile, parcel_id: str, summary: Sequence[Row]) -> list[Row]:
    """Return what the record keeps of a parcel's own mower, where each got the least costly of several."""
    facts = plan.facts_with(next((row["profile"] for row in summary), None))
    kept = [key for key in _TAKEN_OVER if key in facts and key not in plan.facts]
    return [{"parcel_id": parcel_id, "key": f"plan {key}", "value": facts[key]} for key in kept]


def _in_source(frames: Mapping[str, MeasuringFrame], rows: Sequence[Row]) -> list[Row]:
    moved: list[Row] = []
    for row in rows:
        if "geometry" in row:
            place = Point() if row["geometry"] is None else row["geometry"]
            moved.append({**row, "geometry": frames[row["parcel_id"]].to_source(np.array([place], dtype=object))[0]})
        else:
            moved.append(row)
    return moved
