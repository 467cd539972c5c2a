"""Points to be set out with a satellite rover, and the plan's layers for a web map: CSV, GPX and GeoJSON."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import gpxpy.gpx
import numpy as np
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from lawngis import __version__
from lawngis.errors import ParameterError

from ..files.csv_tables import csv_bytes
from ..model.layers import PLAN_LAYERS
from ..model.plan import Row
from .reading import ParcelPlan, credit_lines
from .texts import CAUTIONS, peg_words, worded

WGS84 = CRS.from_epsg(4326)
GEOJSON_DECIMALS = 8
"""A hundredth of a millimetre to a millimetre: RFC 7946, section 11.2, recommends no more precision than is meant."""


@dataclass(frozen=True)
class StakePoint:
    """One point to be set out, in the parcel's frame [m]."""

    name: str
    kind: str
    loop_id: str
    chainage_m: float | None
    x: float
    y: float
    note: str


def stake_points(plan: ParcelPlan) -> list[StakePoint]:
    """Return docks, joins, where the mower is set down for its first way home, and pegs in the order of the wire."""
    points = [
        _point(row["candidate_id"], "dock", "", None, row, _heading(row["heading_deg"]))
        for row in plan.select("dock_candidates", chosen=True)
    ]
    for number, row in enumerate(plan.rows["joins"], start=1):
        name = f"{row['loop_id']}-J{number}"
        points.append(_point(name, "join", row["loop_id"], row["chainage_m"], row, worded(row["why"])))
    for row in plan.select("laying_steps", what="trial"):
        if row["from_m"] is not None:
            note = _heading(row["heading_deg"])
            points.append(_point(row["step_id"], "trial", row["loop_id"], row["from_m"], row, note))
    for row in sorted(plan.rows["pegs"], key=lambda row: (row["loop_id"], row["peg_no"])):
        name = f"{row['loop_id']}-N{row['peg_no']}"
        points.append(_point(name, "peg", row["loop_id"], row["chainage_m"], row, peg_words(row)))
    return points


def _heading(heading_deg: float | None) -> str:
    return "" if heading_deg is None else f"heading {heading_deg:.0f}°"


def _point(name: str, kind: str, loop_id: str, chainage_m: float | None, row: Row, note: str) -> StakePoint:
    return StakePoint(name, kind, loop_id, chainage_m, row["geometry"].x, row["geometry"].y, note)


def crs_named(name: str) -> CRS:
    """Return the CRS that a person named.

    Raises
    ------
    ParameterError
        When there is none of that name, or it can't hold a point on the ground.
    """
    try:
        crs = CRS.from_user_input(name)
    except CRSError as error:
        raise ParameterError(f"--crs {name!r} is no CRS", advice="For example EPSG:25832.") from error
    if not (crs.is_projected or crs.is_geographic):
        raise ParameterError(f"--crs {name!r} is neither projected nor geographic")
    return crs.to_2d() if len(crs.axis_info) > 2 or crs.is_compound else crs


def stakeout_csv(plan: ParcelPlan, crs: CRS) -> bytes:
    """Return points to be set out as CSV (RFC 4180, UTF-8): x is easting or longitude, y northing or latitude.

    Parameters
    ----------
    plan
        The parcel.
    crs
        CRS of the coordinates; its name is in every row, as files get separated from their description.
    """
    points = stake_points(plan)
    decimals = 9 if crs.is_geographic else 4
    rows = []
    authority = crs.to_authority()
    name = ":".join(authority) if authority else crs.name
    for point, (x, y) in zip(points, _coordinates(plan, points, crs), strict=True):
        chainage = "" if point.chainage_m is None else f"{point.chainage_m:.2f}"
        place = (f"{x:.{decimals}f}", f"{y:.{decimals}f}")
        rows.append([point.name, point.kind, *place, point.loop_id, chainage, point.note, name])
    return csv_bytes(["name", "kind", "x", "y", "loop_id", "chainage_m", "note", "crs"], rows, marked=True)


def _coordinates(plan: ParcelPlan, points: Sequence[StakePoint], crs: CRS) -> list[list[float]]:
    xy = np.array([[point.x, point.y] for point in points]).reshape(-1, 2)
    return plan.frame.coordinates_in(crs, xy).tolist() if len(xy) else []


def gpx(plan: ParcelPlan, written_at: datetime) -> bytes:
    """Return docks, joins and the first way home as way points, and each loop of wire as a route of its pegs (GPX 1.1).

    Parameters
    ----------
    plan
        The parcel.
    written_at
        Time to be noted in the file.
    """
    document = gpxpy.gpx.GPX()
    document.creator = f"lawngis {__version__}"
    document.name = _printable(plan.title)
    document.description = _printable(" ".join([*CAUTIONS, *credit_lines(plan.run_info)]))
    document.time = written_at
    points = stake_points(plan)
    routes: dict[str, gpxpy.gpx.GPXRoute] = {}
    for point, (longitude, latitude) in zip(points, _coordinates(plan, points, WGS84), strict=True):
        place: dict[str, Any] = {
            "latitude": round(latitude, 8),
            "longitude": round(longitude, 8),
            "name": _printable(point.name),
        }
        if point.kind == "peg":
            route = routes.setdefault(point.loop_id, gpxpy.gpx.GPXRoute(name=_printable(f"wire {point.loop_id}")))
            route.points.append(gpxpy.gpx.GPXRoutePoint(**place, comment=point.note))
        else:
            what = f"{point.kind}, {point.note}"
            document.waypoints.append(gpxpy.gpx.GPXWaypoint(**place, description=what, type=point.kind))
    document.routes += routes.values()
    return str(document.to_xml(version="1.1")).encode("utf-8", "replace")


def _printable(text: str) -> str:
    """XML 1.0 has no place for control characters."""
    return "".join(letter for letter in text if letter.isprintable())


_GEOJSON_LAYERS = tuple(
    name for name, spec in PLAN_LAYERS.items() if spec.geometry and name not in ("dock_candidates", "lawn")
)


def geojson(plan: ParcelPlan) -> bytes:
    """Return a parcel's layers as one GeoJSON FeatureCollection.

    RFC 7946 (H. Butler and others, 2016): WGS 84 longitude and latitude, outer rings anti-clockwise, no CRS member.
    Places for the dock other than those chosen, and the lawn as a whole, are left out.

    Parameters
    ----------
    plan
        The parcel.
    """
    features = [_geojson_feature(plan, name, row) for name in _GEOJSON_LAYERS for row in plan.rows[name]]
    features += [_geojson_feature(plan, "dock_candidates", row) for row in plan.select("dock_candidates", chosen=True)]
    collection = {
        "type": "FeatureCollection",
        "title": plan.title,
        "generator": f"lawngis {__version__}",
        "cautions": list(CAUTIONS),
        "attribution": credit_lines(plan.run_info),
        "features": features,
    }
    return json.dumps(collection, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")


def _geojson_feature(plan: ParcelPlan, layer: str, row: Row) -> dict[str, Any]:
    properties = {"layer": layer, **{key: value for key, value in row.items() if key != "geometry"}}
    shape = row["geometry"]
    return {"type": "Feature", "properties": properties, "geometry": None if shape.is_empty else _geojson(plan, shape)}


def _geojson(plan: ParcelPlan, shape: shapely.geometry.base.BaseGeometry) -> Mapping[str, Any]:
    oriented = shapely.orient_polygons(shape)
    moved = shapely.transform(oriented, lambda xy: plan.frame.coordinates_in(WGS84, xy).round(GEOJSON_DECIMALS))
    mapping: Mapping[str, Any] = shapely.geometry.mapping(moved)
    return mapping
