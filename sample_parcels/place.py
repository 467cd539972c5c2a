"""Where everything lies: the lane, the twelve parcels and their frames.

All of it is drawn in site coordinates: metres, x to the right, y up, the lane running from left to right. What
is put on the map (`to_map`) is turned and moved, so that nothing is parallel to the grid.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import linemerge, polygonize

Shape = TypeVar("Shape", bound=BaseGeometry)

EPSG = 32632
MAP_ORIGIN = np.array([561_430.0, 5_467_210.0])
MAP_TURN_DEG = 14.0
LANE_HALF_WIDTH_M = 3.0
TURNING_CIRCLE = Point(150.0, 48.0).buffer(8.0, quad_segs=12)

# Stations along the lane at which the side lines start, with how much each leans (m sideways over the depth).
SOUTH = {"P01": (0.0, 24.5), "P02": (24.5, 50.0), "P03": (50.0, 75.5), "P04": (75.5, 100.0), "P05": (100.0, 124.5)}
SOUTH |= {"P06": (124.5, 148.0)}
NORTH = {"P12": (0.0, 22.0), "P08": (22.0, 49.0), "P07": (49.0, 77.0), "P09": (77.0, 103.5), "P10": (103.5, 130.5)}
LEANS = {"south": (-0.8, 0.6, -0.5, 0.9, -0.4, 0.7, 1.5), "north": (-1.2, 0.5, -0.6, 0.8, -0.7, 0.4)}
SOUTH_BACK = [(-12, 13.5), (24, 17.2), (51, 16.0), (76, 14.2), (101, 13.4), (125, 14.6), (160, 12.4)]
NORTH_BACK = [(-12, 80.6), (22, 85.6), (50, 88.0), (77, 86.4), (104, 84.0), (131, 82.4), (142, 81.8)]
ESTATE = [
    (127.0, 82.62),
    (130.5, 98.5),
    (158.0, 103.0),
    (199.0, 93.5),
    (207.0, 68.0),
    (203.5, 30.0),
    (184.0, 9.5),
    (148.0, 13.1),
]

# How far each house is turned against its front boundary.
TURNS_DEG = {"P01": 3.0, "P02": -2.5, "P03": 2.0, "P04": -1.5, "P05": 4.0, "P06": -3.0}
TURNS_DEG |= {"P07": 2.5, "P08": -4.0, "P09": 1.5, "P10": -3.0, "P12": 2.0}


@dataclass(frozen=True)
class Frame:
    """A plot's own axes, seen from the lane: x to the right along the front, y into the plot, metres."""

    origin: tuple[float, float]
    angle_deg: float

    def to_site(self, geometry: Shape) -> Shape:
        """Return a geometry given in this frame in site coordinates."""
        return shapely.transform(geometry, lambda xy: xy @ _rotation(self.angle_deg).T + np.array(self.origin))

    def from_site(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return site coordinates (n, 2) in this frame."""
        return (xy - np.array(self.origin)) @ _rotation(self.angle_deg)


@dataclass(frozen=True)
class Plot:
    """One parcel: its frame in site coordinates; its outline and its sides as lines in map coordinates."""

    parcel_id: str
    frame: Frame
    outline: Polygon
    sides: dict[str, LineString]


def _rotation(angle_deg: float) -> NDArray[np.float64]:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return np.array([[c, -s], [s, c]])


def to_map(geometry: Shape) -> Shape:
    """Return a geometry given in site coordinates in map coordinates."""
    return shapely.transform(geometry, lambda xy: xy @ _rotation(MAP_TURN_DEG).T + MAP_ORIGIN)


def from_map(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return map coordinates (n, 2) in site coordinates."""
    return (xy - MAP_ORIGIN) @ _rotation(MAP_TURN_DEG)


def _lane_y(x: NDArray[np.float64] | float) -> NDArray[np.float64]:
    return 50.0 + 5.5 * np.sin(2 * np.pi * (np.asarray(x) - 12.0) / 185.0)


def _lane_direction(x: float) -> NDArray[np.float64]:
    rise = float(_lane_y(x + 0.01) - _lane_y(x - 0.01)) / 0.02
    return np.array([1.0, rise]) / np.hypot(1.0, rise)


def lane_axis() -> LineString:
    """Return the middle line of the lane."""
    x = np.append(np.arange(-16.0, 150.0, 2.0), 150.0)
    return LineString(np.column_stack([x, _lane_y(x)]))


def lane() -> Polygon:
    """Return the lane with its turning circle as drawn, in site coordinates."""
    return lane_axis().buffer(LANE_HALF_WIDTH_M, cap_style="flat").union(TURNING_CIRCLE)


def _side_line(station: float, lean: float, sign: float) -> LineString:
    """Return the line between two plots, from inside the lane to beyond the back."""
    along = _lane_direction(station)
    across = sign * np.array([-along[1], along[0]])
    start = np.array([station, float(_lane_y(station))])
    return LineString([start, start + 45.0 * across + lean * 1.4 * along])


def _row_lines(row: dict[str, tuple[float, float]], leans: tuple[float, ...], sign: float) -> list[LineString]:
    stations = sorted({s for pair in row.values() for s in pair})
    return [_side_line(s, lean, sign) for s, lean in zip(stations, leans, strict=True)]


def _frame(front: LineString, sign: float, turn_deg: float) -> Frame:
    """Return the frame whose x axis runs along the front's chord, turned about the middle of the front."""
    ends = np.array([front.coords[0], front.coords[-1]])
    left, right = ends[np.argsort(sign * ends[:, 0])]
    chord = right - left
    angle = np.degrees(np.arctan2(chord[1], chord[0])) + turn_deg
    origin = (left + right) / 2 - _rotation(angle) @ np.array([np.hypot(*chord) / 2, 0.0])
    return Frame((float(origin[0]), float(origin[1])), float(angle))


def _sides(outline: Polygon, lines: dict[str, BaseGeometry]) -> dict[str, LineString]:
    """Return the parts of the outline that lie on each of the named lines."""
    found = {name: outline.boundary.intersection(line.buffer(0.02)) for name, line in lines.items()}
    return {name: linemerge(part) if part.geom_type != "LineString" else part for name, part in found.items()}


def _faces() -> tuple[list[Polygon], Polygon]:
    """Return the faces that the lines cut the site into, and the lane: faces too, so that all share their vertices."""
    public = lane()
    rows = _row_lines(SOUTH, LEANS["south"], -1.0) + _row_lines(NORTH, LEANS["north"], 1.0)
    lines = [public.boundary, *rows, LineString(SOUTH_BACK), LineString(NORTH_BACK), LineString(ESTATE)]
    faces = list(polygonize(shapely.union_all(lines, grid_size=0.001).geoms))
    in_lane = [public.contains(face.representative_point()) for face in faces]
    plots = [face for face, inside in zip(faces, in_lane, strict=True) if not inside]
    joined = shapely.coverage_union_all([face for face, inside in zip(faces, in_lane, strict=True) if inside])
    return plots, max(shapely.get_parts(joined), key=lambda part: part.area)


def parcelled() -> tuple[dict[str, Plot], Polygon]:
    """Return the twelve plots by name, and the lane, in map coordinates."""
    faces, public = _faces()
    found = _row_plots(faces, public, SOUTH, -1.0) | _row_plots(faces, public, NORTH, 1.0)
    estate = next(face for face in faces if face.contains(Point(185.0, 50.0)))
    sides = _sides(estate, {"front": TURNING_CIRCLE, "back": LineString(ESTATE)})
    found["P11"] = _on_map(Plot("P11", Frame((0.0, 0.0), 0.0), estate, sides))
    return dict(sorted(found.items())), to_map(public)


def _row_plots(
    faces: list[Polygon], public: Polygon, row: dict[str, tuple[float, float]], sign: float
) -> dict[str, Plot]:
    """Return the plots on one side of the lane: above it (sign 1) or below (-1)."""
    leans, back = (LEANS["north"], NORTH_BACK) if sign > 0 else (LEANS["south"], SOUTH_BACK)
    found = {}
    for (parcel_id, stations), ends in zip(row.items(), pairwise(_row_lines(row, leans, sign)), strict=True):
        x = sum(stations) / 2
        middle = Point(x, float(_lane_y(x)) + sign * 18.0)
        outline = next(face for face in faces if face.contains(middle))
        left, right = ends if sign > 0 else ends[::-1]
        sides = _sides(outline, {"front": public, "back": LineString(back), "left": left, "right": right})
        frame = _frame(sides["front"], sign, TURNS_DEG[parcel_id])
        found[parcel_id] = _on_map(Plot(parcel_id, frame, outline, sides))
    return found


def _on_map(plot: Plot) -> Plot:
    return replace(plot, outline=to_map(plot.outline), sides={name: to_map(line) for name, line in plot.sides.items()})
