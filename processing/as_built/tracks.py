"""What was walked or measured along a laid wire, read from the files that receivers and people make."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import Point

from lawngis.arrays import FloatArray
from lawngis.errors import LayerError, SiteError

from ..files import gpkg
from ..model.values import is_absent, text_of, typed_number_of
from .layers import RECORD, WALKED_POINTS

WGS84 = CRS.from_epsg(4326)
POINTS_MIN = 4
"""Fewer points are no walk."""

POINT_KINDS = ("joint", "peg", "photo", "depth", "crossing", "other")
"""Points of these kinds are things seen, not steps of the walk."""

_X = ("x", "lon", "longitude", "easting", "east")
_Y = ("y", "lat", "latitude", "northing", "north")
_ACCURACY = ("accuracy_m", "accuracy", "hrms", "h_accuracy")
_TIME = ("time", "timestamp", "datetime", "date")


@dataclass(frozen=True, eq=False)
class Walk:
    """One walk.

    Parameters
    ----------
    xy
        Its points in order, in the CRS of the file, shape (n, 2).
    crs
        That CRS, where the file says.
    loop_id
        The loop that it names.
    accuracy_m
        Standard deviation of one point, the median of those stated [m].
    date
        The day of its first point, as ISO 8601.
    taken_at
        When each point was taken, as the file's clock says; as many as points, or none.
    stated_m
        Accuracy stated for each point [m], NaN where it is not; as many as points, or none.
    """

    xy: FloatArray
    crs: CRS | None
    loop_id: str | None = None
    accuracy_m: float | None = None
    date: str | None = None
    taken_at: Sequence[datetime | None] = ()
    stated_m: Sequence[float] = ()

    @property
    def time_s(self) -> FloatArray | None:
        """When each point was taken, from the first on [s]; None where the file doesn't say of each."""
        times = [time for time in self.taken_at if time is not None]
        if not times or len(times) < len(self.taken_at):
            return None
        return np.array([(time - times[0]).total_seconds() for time in times])


@dataclass(frozen=True, eq=False)
class TapeReading:
    """Measured by tape: chainage along the planned wire and how far left of it the wire lies [m]."""

    loop_id: str | None
    chainage_m: float
    left_m: float


@dataclass(frozen=True, eq=False)
class NotedPoint:
    """Something seen along the wire: a joint, a photo, a depth."""

    place: Point
    crs: CRS | None
    kind: str
    depth_m: float | None = None
    photo: str | None = None
    note: str | None = None


@dataclass(frozen=True)
class Track:
    """Everything in one file, and which that is."""

    walks: Sequence[Walk] = field(default_factory=tuple)
    tape: Sequence[TapeReading] = field(default_factory=tuple)
    points: Sequence[NotedPoint] = field(default_factory=tuple)
    file: Path | None = None


def read_track(path: Path, *, crs: CRS | None = None) -> Track:
    """Return the walks, tape readings and noted points of a GPX, GeoJSON, GeoPackage or CSV file.

    Parameters
    ----------
    path
        The file. CSV has the columns x and y (or lon and lat), or chainage_m and left_m for readings by tape; all may
        have loop_id, walk (where there are several), time, accuracy_m, kind, depth_m, photo, note. Of a record the
        walks that it holds are read.
    crs
        CRS of a CSV's x and y; lon and lat are WGS 84.

    Raises
    ------
    SiteError, LayerError
        When the file can't be read, or holds neither points nor lines.
    """
    if not path.exists():
        raise SiteError("there is no such file", where=str(path), advice="Check the spelling.")
    ending = path.suffix.casefold()
    if ending == ".gpx":
        track = _from_gpx(path)
    else:
        track = _from_csv(path, crs) if ending in (".csv", ".txt") else _from_layers(path)
    if not (track.walks or track.tape):
        raise LayerError(
            "holds no walk: neither a line, nor at least four points, nor readings by tape",
            where=str(path),
            advice="Export the walked points as GPX, GeoJSON, GeoPackage or CSV.",
        )
    return replace(track, file=path)


def _from_csv(path: Path, crs: CRS | None) -> Track:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            sample = file.read(4096)
            file.seek(0)
            dialect: Any = csv.Sniffer().sniff(sample, delimiters=",;\t") if sample.strip() else csv.excel
            rows = [_folded(row) for row in csv.DictReader(file, dialect=dialect)]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SiteError(f"can't be read ({error})", where=str(path), advice="Save it as CSV in UTF-8.") from error
    frame = pd.DataFrame(rows)
    if "chainage_m" in frame and "left_m" in frame:
        at, left = (_numbers(frame[name], path) for name in ("chainage_m", "left_m"))
        loops = _texts(frame, "loop_id")
        return Track(tape=[TapeReading(*row) for row in zip(loops, at, left, strict=True)])
    x, y = _column(frame, _X), _column(frame, _Y)
    if x is None or y is None:
        raise LayerError(
            f"has the columns {', '.join(frame.columns) or 'none'}, but no x and y",
            where=str(path),
            advice="Name them x and y, or lon and lat; or chainage_m and left_m for readings by tape.",
        )
    geographic = x.startswith("lon")
    points = geopandas.GeoDataFrame(
        frame,
        geometry=geopandas.points_from_xy(_numbers(frame[x], path), _numbers(frame[y], path)),
        crs=WGS84 if geographic else crs,
    )
    return _track_of([points])


def _folded(row: Mapping[str, Any]) -> dict[str, Any]:
    return {str(key).strip().casefold(): value for key, value in row.items()}


def _from_layers(path: Path) -> Track:
    found = gpkg.layer_overview(path)
    infos = [info for info in found if info.geometry_type and info.feature_count]
    if RECORD.marked([info.name for info in found]):
        infos = [info for info in infos if info.name == WALKED_POINTS]
    return _track_of([gpkg.read_layer(path, info.name).reset_index(drop=True) for info in infos])


def _from_gpx(path: Path) -> Track:
    """Return the track points of each segment, or where there are none the route points, and the waypoints as noted.

    References
    ----------
    GPX 1.1 schema: elements wpt, rtept, trkpt with the attributes lat and lon in WGS 84.
    """
    try:
        root = ElementTree.parse(path).getroot()
        walks = [
            _gpx_points(part, tag) for kind, tag in (("trkseg", "trkpt"), ("rte", "rtept")) for part in _all(root, kind)
        ]
        places = _gpx_points(root, "wpt")
    except (OSError, ElementTree.ParseError, ValueError) as error:
        raise SiteError(f"is no GPX that can be read ({error})", where=str(path), advice="Export it again.") from error
    places["kind"] = [_point_kind(text) for text in _texts(places, "name")]
    return _track_of([*walks, places])


def _all(root: ElementTree.Element, tag: str) -> list[ElementTree.Element]:
    return [item for item in root.iter() if item.tag.rpartition("}")[2] == tag]


def _gpx_points(root: ElementTree.Element, tag: str) -> geopandas.GeoDataFrame:
    found = _all(root, tag)
    details = [{child.tag.rpartition("}")[2]: child.text for child in item} for item in found]
    columns = {name: [detail.get(name) for detail in details] for name in ("name", "time")}
    lon, lat = ([float(item.attrib.get(name, "nan")) for item in found] for name in ("lon", "lat"))
    return geopandas.GeoDataFrame(columns, geometry=geopandas.points_from_xy(lon, lat), crs=WGS84)


def _point_kind(name: str | None) -> str:
    folded = (name or "").casefold()
    return next((kind for kind in POINT_KINDS if kind in folded), "other")


def _track_of(tables: Sequence[geopandas.GeoDataFrame]) -> Track:
    walks: list[Walk] = []
    noted: list[NotedPoint] = []
    for table in tables:
        table = table[~(table.geometry.is_empty | table.geometry.isna())].reset_index(drop=True)  # noqa: PLW2901
        kinds = table.geometry.geom_type
        lines = table[kinds.isin(["LineString", "MultiLineString"])].reset_index(drop=True)
        walks += [walk for row in range(len(lines)) for walk in _line_walks(lines, row)]
        points = table[kinds.isin(["Point", "MultiPoint"])].explode(ignore_index=True)
        seen = np.array([kind in POINT_KINDS for kind in _texts(points, "kind")], dtype=bool)
        noted += _noted_points(points[seen].reset_index(drop=True))
        walks += _point_walks(points[~seen].reset_index(drop=True))
    return Track(walks, (), noted)


def _line_walks(table: geopandas.GeoDataFrame, row: int) -> list[Walk]:
    line = table.geometry.iloc[row]
    parts = getattr(line, "geoms", [line])
    return [
        Walk(
            np.concatenate([shapely.get_coordinates(part) for part in parts]),
            table.crs,
            _texts(table, "loop_id")[row],
            _median(table.iloc[[row]], _ACCURACY),
            _date(table.iloc[[row]]),
        )
    ]


def _point_walks(points: geopandas.GeoDataFrame) -> list[Walk]:
    walks = []
    names = list(zip(_texts(points, "loop_id"), _texts(points, "walk"), strict=True))
    for name in dict.fromkeys(names):
        some = points[[other == name for other in names]]
        if len(some) >= POINTS_MIN:
            accuracy = _column(some, _ACCURACY)
            walks.append(
                Walk(
                    shapely.get_coordinates(some.geometry.to_numpy()),
                    points.crs,
                    name[0],
                    _median(some, _ACCURACY),
                    _date(some),
                    _times(some),
                    [] if accuracy is None else pd.to_numeric(some[accuracy], errors="coerce").tolist(),
                )
            )
    return walks


def _times(points: geopandas.GeoDataFrame) -> list[datetime | None]:
    """Return when points were taken; nothing where no point says."""
    column = _column(points, _TIME)
    times = [] if column is None else [_time(value) for value in points[column]]
    return times if any(times) else []


def _time(value: Any) -> datetime | None:
    """Return a date, or date and time, of ISO 8601 or as databases write it; None when it is none.

    What has no year first is none: nobody can tell a day from a month.
    """
    if is_absent(value):
        return None
    try:
        time = datetime.fromisoformat(str(value).strip().replace("/", "-"))
    except ValueError:
        return None
    return time.astimezone(UTC) if time.tzinfo is not None else time.replace(tzinfo=UTC)


def _noted_points(points: geopandas.GeoDataFrame) -> list[NotedPoint]:
    kinds, photos = _texts(points, "kind"), _texts(points, "photo")
    notes = [a or b for a, b in zip(_texts(points, "note"), _texts(points, "name"), strict=True)]
    depths = pd.to_numeric(points["depth_m"], errors="coerce") if "depth_m" in points else [np.nan] * len(points)
    return [
        NotedPoint(place, points.crs, kind or "other", None if is_absent(depth) else float(depth), photo, note)
        for place, kind, depth, photo, note in zip(points.geometry, kinds, depths, photos, notes, strict=True)
    ]


def _column(frame: pd.DataFrame, names: Sequence[str]) -> str | None:
    return next((str(name) for name in frame.columns if str(name).casefold() in names), None)


def _texts(frame: pd.DataFrame, name: str) -> list[str | None]:
    if name not in frame:
        return [None] * len(frame)
    return [text_of(value) or None for value in frame[name]]


def _numbers(values: pd.Series[Any], path: Path) -> FloatArray:
    numbers = []
    for row, value in enumerate(values, start=1):
        try:
            numbers.append(typed_number_of(value))
        except ValueError as error:
            raise LayerError(
                f"column {values.name} holds {value!r} where a number belongs", where=(str(path), f"row {row}")
            ) from error
    return np.array(numbers, dtype=np.float64)


def _median(frame: pd.DataFrame, names: Sequence[str]) -> float | None:
    column = _column(frame, names)
    if column is None:
        return None
    value = pd.to_numeric(frame[column], errors="coerce").median()
    return float(value) if pd.notna(value) and value > 0 else None


def _date(frame: pd.DataFrame) -> str | None:
    column = _column(frame, _TIME)
    if column is None:
        return None
    first = next((time for value in frame[column] if (time := _time(value))), None)
    return None if first is None else str(first.date())
